/* SPDX-License-Identifier: GPL-3.0-or-later
 * docs/formats.md against the program: every documented key of curve --json and of its
 * firmware tables is printed by some table, and nothing is printed that isn't documented. */
#include "check.h"

#include <jansson.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { LIMIT = 200, KEY_SIZE = 96 };

struct keys {
    size_t count;
    char name[LIMIT][KEY_SIZE];
};

static void add_key(struct keys *keys, const char *name)
{
    for (size_t i = 0; i < keys->count; i++)
        if (strcmp(keys->name[i], name) == 0)
            return;
    assert_true(keys->count < LIMIT && strlen(name) < KEY_SIZE);
    strcpy(keys->name[keys->count++], name);
}

static int has_key(const struct keys *keys, const char *name)
{
    for (size_t i = 0; i < keys->count; i++)
        if (strcmp(keys->name[i], name) == 0)
            return 1;
    return 0;
}

/* Keys of an object, of objects in it and of objects in lists. What "reasons" holds
 * are keys of others. */
static void collect(struct keys *keys, const json_t *object, const char *prefix)
{
    const char *key;
    json_t *value;
    json_object_foreach((json_t *)object, key, value)
    {
        char path[KEY_SIZE * 2];
        snprintf(path, sizeof path, "%s%s", prefix, key);
        add_key(keys, path);
        if (json_is_object(value) && strcmp(key, "reasons") != 0) {
            strcat(path, ".");
            collect(keys, value, path);
        }
        if (json_is_array(value)) {
            strcat(path, "[].");
            for (size_t i = 0; i < json_array_size(value); i++)
                if (json_is_object(json_array_get(value, i)))
                    collect(keys, json_array_get(value, i), path);
        }
    }
}

static void collect_run(struct keys *keys, const char *table, const char *options)
{
    char path[] = "/tmp/wetsweep-formats-XXXXXX", arguments[512], *output, *errors;
    int fd = mkstemp(path);
    assert_true(fd >= 0);
    FILE *file = fdopen(fd, "wb");
    assert_non_null(file);
    assert_true(fputs(table, file) >= 0);
    assert_int_equal(fclose(file), 0);
    snprintf(arguments, sizeof arguments, "curve --points %s %s", path, options);
    int status = run_program(arguments, &output, &errors);
    remove(path);
    if (status)
        print_error("%s", errors);
    assert_int_equal(status, 0);
    json_t *root = json_loads(output, 0, NULL);
    assert_non_null(root);
    collect(keys, root, "");
    json_decref(root);
    free(output);
    free(errors);
}

static void read_documented(struct keys *keys, const char *heading)
{
    char path[4096], line[1024];
    const char *source = getenv("WETSWEEP_SOURCE");
    int inside = 0;
    assert_non_null(source);
    snprintf(path, sizeof path, "%s/docs/formats.md", source);
    FILE *file = fopen(path, "r");
    assert_non_null(file);
    while (fgets(line, sizeof line, file)) {
        if (line[0] == '#')
            inside = strcmp(line, heading) == 0;
        if (!inside || strncmp(line, "| `", 3) != 0)
            continue;
        char *end = strchr(line + 3, '`');
        assert_non_null(end);
        *end = 0;
        add_key(keys, line + 3);
    }
    fclose(file);
}

static void compare(const struct keys *documented, const struct keys *printed)
{
    for (size_t i = 0; i < documented->count; i++)
        if (!has_key(printed, documented->name[i])) {
            print_error("documented, but never printed: %s\n", documented->name[i]);
            fail();
        }
    for (size_t i = 0; i < printed->count; i++)
        if (!has_key(documented, printed->name[i])) {
            print_error("printed, but not documented: %s\n", printed->name[i]);
            fail();
        }
}

static void test_keys(void **state)
{
    (void)state;
    static struct keys documented, printed;
    read_documented(&documented, "### Keys of curve --json\n");
    assert_true(documented.count > 50);
    collect_run(&printed,
                "depth_mm,reading,direction,cycle\n0,1.00,up,1\n50,2.00,up,1\n100,3.00,up,1\n"
                "50,2.08,down,1\n0,1.02,down,1\n0,1.01,up,2\n50,2.02,up,2\n100,3.00,up,2\n"
                "50,2.04,down,2\n0,1.03,down,2\n",
                "--json --depth-of 2 --reading-at 60");
    collect_run(&printed, "depth,reading,reading_u\n1,3.3,.5\n2,5.6,.5\n3,7.1,.5\n4,9.3,.5\n",
                "--json");
    /* Turns over, and as a spline. */
    collect_run(&printed, "depth,reading\n0,0\n1,3\n2,4\n3,3\n4,0.1\n5,-5\n", "--json --degree 2");
    collect_run(&printed, "depth,reading\n0,0\n1,3\n2,4\n3,5\n4,5.5\n5,5.7\n", "--json --spline");
    compare(&documented, &printed);
}

static void test_table_keys(void **state)
{
    (void)state;
    static struct keys documented, printed;
    read_documented(&documented, "### Keys of curve --as json\n");
    assert_true(documented.count > 20);
    collect_run(&printed, "depth,reading\n0,0\n1,3\n2,4\n3,5\n4,5.5\n5,5.7\n",
                "--as json --degree 2 --to 4 mm");
    compare(&documented, &printed);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_keys),
        cmocka_unit_test(test_table_keys),
    };
    return cmocka_run_group_tests_name("curve's JSON as documented", tests, NULL, NULL);
}
