/* SPDX-License-Identifier: GPL-3.0-or-later
 * rig/base/file_append.c: what is written, and that an error is remembered. */
#include "faulty_calls.h"

#include <signal.h>
#include <sys/resource.h>

static void test_append(void **state)
{
    (void)state;
    const char *path = path_of("rows.csv");
    struct file_append *file = file_append_open(path, 0, &err);
    assert_non_null(file);
    assert_int_equal(file_append_write(file, "a,b\n", 4, &err), 0);
    assert_int_equal(file_append_size(file), 4);
    assert_holds(path, ""); /* still in the buffer */
    faults.write_most = 3;
    faults.interrupt = 2;
    assert_int_equal(file_append_flush(file, 0, &err), 0);
    faults.write_most = 0;
    assert_holds(path, "a,b\n");
    assert_int_equal(file_append_write(file, "1,2\n", 4, &err), 0);
    assert_int_equal(file_append_close(file, &err), 0);
    assert_holds(path, "a,b\n1,2\n");
    assert_null(file_append_open(path, 0, &err));
    assert_int_equal(err.code, RIG_EINPUT);
    assert_contains(err.text, "rows.csv: is there already and would be overwritten; give another "
                              "name");
    file = file_append_open(path, 1, &err);
    assert_non_null(file);
    assert_int_equal(file_append_size(file), 8);
    assert_int_equal(file_append_write(file, "3,4\n", 4, &err), 0);
    assert_int_equal(file_append_size(file), 12);
    assert_int_equal(file_append_close(file, &err), 0);
    assert_holds(path, "a,b\n1,2\n3,4\n");
    assert_null(file_append_open(path_of("missing.csv"), 1, &err));
    assert_false(exists(path_of("missing.csv")));
    assert_int_equal(file_append_close(NULL, &err), 0);
}

/* Rows of all sizes, past the buffer's and larger than it, arrive in order. */
static void test_append_large(void **state)
{
    (void)state;
    const char *path = path_of("large.csv");
    struct file_append *file = file_append_open(path, 0, &err);
    assert_non_null(file);
    size_t total = 0;
    char *row = malloc(300000), *bytes;
    assert_non_null(row);
    for (size_t i = 0; i < 300000; i++)
        row[i] = (char)('a' + i % 23);
    for (size_t size = 1; size < 300000; size = size * 3 / 2 + 1) {
        assert_int_equal(file_append_write(file, row, size, &err), 0);
        total += size;
        assert_int_equal(file_append_size(file), total);
    }
    assert_int_equal(file_append_close(file, &err), 0);
    size_t got, at = 0;
    assert_int_equal(file_read(path, 10 << 20, &bytes, &got, &err), 0);
    assert_int_equal(got, total);
    for (size_t size = 1; size < 300000; size = size * 3 / 2 + 1) {
        assert_memory_equal(bytes + at, row, size);
        at += size;
    }
    free(bytes);
    free(row);
}

/* After the first error nothing more is written, and everyone is told. */
static void check_remembered(struct file_append *file, int os_errno)
{
    struct rig_err again = {0};
    assert_int_equal(file_append_write(file, "later\n", 6, &again), RIG_EOS);
    assert_int_equal(again.os_errno, os_errno);
    assert_string_equal(again.text, err.text);
    again = (struct rig_err){0};
    assert_int_equal(file_append_flush(file, 1, &again), RIG_EOS);
    assert_string_equal(again.text, err.text);
    assert_int_equal(file_append_write(file, "later\n", 6, NULL), RIG_EOS);
    again = (struct rig_err){0};
    assert_int_equal(file_append_close(file, &again), RIG_EOS);
    assert_string_equal(again.text, err.text);
}

static void test_append_remembers_write(void **state)
{
    (void)state;
    const char *path = path_of("cut.csv");
    struct file_append *file = file_append_open(path, 0, &err);
    assert_non_null(file);
    assert_int_equal(file_append_write(file, "1,2\n3,4\n", 8, &err), 0);
    faults.calls = 0;
    faults.fail_at = 2;
    faults.fail_errno = ENOSPC;
    faults.write_most = 5; /* the disk takes five bytes more */
    assert_int_equal(file_append_flush(file, 0, &err), RIG_EOS);
    assert_contains(err.text, "cut.csv: can't be written: No space left on device");
    faults.write_most = 0;
    check_remembered(file, ENOSPC);
    assert_holds(path, "1,2\n3");
}

static void test_append_remembers_sync(void **state)
{
    (void)state;
    const char *path = path_of("sync.csv");
    struct file_append *file = file_append_open(path, 0, &err);
    assert_non_null(file);
    assert_int_equal(file_append_write(file, "1,2\n", 4, &err), 0);
    faults.calls = 0;
    faults.fail_at = 2;
    faults.fail_errno = EIO;
    assert_int_equal(file_append_flush(file, 1, &err), RIG_EOS);
    assert_string_equal(faults.failed, "fdatasync");
    check_remembered(file, EIO);
    assert_holds(path, "1,2\n");
}

static void test_append_on_a_full_disk(void **state)
{
    (void)state;
    struct file_append *file = file_append_open("/dev/full", 1, &err);
    assert_non_null(file);
    assert_int_equal(file_append_write(file, "row\n", 4, &err), 0);
    assert_int_equal(file_append_flush(file, 1, &err), RIG_EOS);
    assert_string_equal(err.text, "/dev/full: can't be written: No space left on device");
    check_remembered(file, ENOSPC);
}

/* The kernel itself stops in the middle of a row. */
static void test_append_beyond_a_limit(void **state)
{
    (void)state;
    const char *path = path_of("limited.csv");
    struct rlimit before, limit;
    assert_int_equal(getrlimit(RLIMIT_FSIZE, &before), 0);
    limit = before;
    limit.rlim_cur = 100002;
    void (*handler)(int) = signal(SIGXFSZ, SIG_IGN);
    assert_int_equal(setrlimit(RLIMIT_FSIZE, &limit), 0);
    struct file_append *file = file_append_open(path, 0, &err);
    assert_non_null(file);
    int code = 0, rows = 0;
    for (; !code && rows < 100000; rows++)
        code = file_append_write(file, "123456789\n", 10, &err);
    setrlimit(RLIMIT_FSIZE, &before);
    signal(SIGXFSZ, handler);
    assert_int_equal(code, RIG_EOS);
    assert_int_equal(err.os_errno, EFBIG);
    check_remembered(file, EFBIG);
    char *bytes;
    size_t size;
    assert_int_equal(file_read(path, 1 << 20, &bytes, &size, &err), 0);
    assert_int_equal(size, 100002);
    assert_memory_equal(bytes + 99990, "123456789\n12", 12);
    free(bytes);
}

int main(void)
{
#define T(test) cmocka_unit_test_setup(test, no_faults)
    const struct CMUnitTest tests[] = {
        T(test_append),
        T(test_append_large),
        T(test_append_remembers_write),
        T(test_append_remembers_sync),
        T(test_append_on_a_full_disk),
        T(test_append_beyond_a_limit),
    };
    return cmocka_run_group_tests(tests, make_folder, remove_folder);
}
