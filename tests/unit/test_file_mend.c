/* SPDX-License-Identifier: GPL-3.0-or-later
 * rig/base/file_mend.c: head, tail, the cut last line, the lock of a folder. */
#include "check.h"

#include "base/file.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

static char folder[] = "/tmp/wetsweep-mend-XXXXXX", path[64];
static struct rig_err err;

static void put(const char *bytes, size_t size)
{
    FILE *file = fopen(path, "wb");
    assert_non_null(file);
    assert_int_equal(fwrite(bytes, 1, size, file), size);
    assert_int_equal(fclose(file), 0);
}

static void check_cut(const char *bytes, size_t size, size_t kept)
{
    uint64_t cut = 99;
    char left[16];
    size_t got = 99;
    put(bytes, size);
    assert_int_equal(file_cut_line(path, &cut, &err), 0);
    assert_int_equal(cut, size - kept);
    assert_int_equal(file_tail(path, left, sizeof left, &got, &err), 0);
    size_t tail = kept < sizeof left ? kept : sizeof left;
    assert_int_equal(got, tail);
    assert_memory_equal(left, bytes + kept - tail, tail);
    assert_int_equal(file_head(path, left, sizeof left, &got, &err), 0);
    assert_int_equal(got, tail);
    assert_memory_equal(left, bytes, tail);
}

static void cuts_what_is_no_line(void **state)
{
    (void)state;
    check_cut("a,b\r\n1,2\r\n3,", 12, 10);
    check_cut("a,b\r\n1,2\r\n", 10, 10);
    check_cut("a,b", 3, 0);
    check_cut("", 0, 0);
    /* The end may lie blocks before the file's. */
    char *large = malloc(20001);
    assert_non_null(large);
    memset(large, 'x', 20001);
    large[4095] = '\n';
    check_cut(large, 20001, 4096);
    large[8191] = '\n';
    check_cut(large, 20001, 8192);
    large[20000] = '\n';
    check_cut(large, 20001, 20001);
    free(large);
    uint64_t cut = 99;
    unlink(path);
    assert_int_equal(file_cut_line(path, &cut, &err), RIG_EOS);
    assert_contains(err.text, "can't be opened");
}

static void locks_a_folder(void **state)
{
    (void)state;
    int fd = file_lock_folder(folder, &err);
    assert_true(fd >= 0);
    pid_t other = fork();
    assert_true(other >= 0);
    if (other == 0)
        _exit(file_lock_folder(folder, &err) < 0 && err.code == RIG_EINPUT ? 7 : 1);
    int status = 0;
    assert_int_equal(waitpid(other, &status, 0), other);
    assert_int_equal(WEXITSTATUS(status), 7);
    close(fd);
    fd = file_lock_folder(folder, &err);
    assert_true(fd >= 0);
    close(fd);
    assert_true(file_lock_folder(path, &err) < 0); /* no such folder */
    assert_int_equal(err.code, RIG_EOS);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(cuts_what_is_no_line),
                                       cmocka_unit_test(locks_a_folder)};
    if (!mkdtemp(folder))
        return 1;
    snprintf(path, sizeof path, "%s/table.csv", folder);
    int failed = cmocka_run_group_tests(tests, NULL, NULL);
    unlink(path);
    rmdir(folder);
    return failed;
}
