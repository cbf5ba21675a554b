/* SPDX-License-Identifier: GPL-3.0-or-later
 * Feeds every file of a folder to a fuzz target once. Fails when the folder
 * holds none, so that a lost corpus is noticed. */
#include <dirent.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static int feed(const char *path)
{
    FILE *file = fopen(path, "rb");
    if (!file)
        return -1;
    size_t size = 0, room = 1 << 16;
    uint8_t *data = malloc(room);
    while (data) {
        size += fread(data + size, 1, room - size, file);
        if (size < room)
            break;
        room *= 2;
        uint8_t *larger = realloc(data, room);
        if (!larger)
            free(data);
        data = larger;
    }
    fclose(file);
    if (!data)
        return -1;
    /* An exact allocation lets the address sanitizer see one byte too far. */
    uint8_t *exact = realloc(data, size ? size : 1);
    LLVMFuzzerTestOneInput(exact ? exact : data, size);
    free(exact ? exact : data);
    return 0;
}

int main(int argc, char **argv)
{
    size_t fed = 0;
    DIR *folder = argc == 2 ? opendir(argv[1]) : NULL;
    if (!folder) {
        fprintf(stderr, "usage: %s CORPUS_FOLDER\n", argv[0]);
        return 2;
    }
    for (struct dirent *entry; (entry = readdir(folder));) {
        char path[4096];
        if (entry->d_name[0] == '.')
            continue;
        snprintf(path, sizeof path, "%s/%s", argv[1], entry->d_name);
        if (feed(path)) {
            fprintf(stderr, "%s: can't be read\n", path);
            closedir(folder);
            return 1;
        }
        fed++;
    }
    closedir(folder);
    printf("%zu files replayed\n", fed);
    return fed ? 0 : 1;
}
