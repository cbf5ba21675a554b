/* SPDX-License-Identifier: GPL-3.0-or-later
 * rig/base/file.c and file_append.c: what is left on the disk when any one call to the
 * system fails. The calls are those defined here, which hand on to the kernel until
 * one is told to fail. */
#include "check.h"

#include "base/file.h"

#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <unistd.h>

/* The call that fails: counted from 1 over all kinds; 0 for none. `kinds` counts the
 * calls that were made of each. */
static struct {
    int fail_at, fail_errno, calls;
    bool for_ever;
    size_t write_most; /* a write moves no more than this; 0: as asked */
    int interrupt;     /* so many writes and reads are interrupted first */
    const char *failed;
} faults;

static bool fails(const char *call)
{
    faults.calls++;
    if (!faults.fail_at || faults.calls < faults.fail_at ||
        (faults.calls > faults.fail_at && !faults.for_ever))
        return false;
    if (!faults.failed)
        faults.failed = call;
    errno = faults.fail_errno;
    return true;
}

int open(const char *path, int flags, ...)
{
    va_list arguments;
    va_start(arguments, flags);
    int mode = flags & O_CREAT ? va_arg(arguments, int) : 0;
    va_end(arguments);
    if (fails("open"))
        return -1;
    return (int)syscall(SYS_openat, AT_FDCWD, path, flags, mode);
}

ssize_t write(int fd, const void *bytes, size_t size)
{
    if (faults.interrupt) {
        faults.interrupt--;
        errno = EINTR;
        return -1;
    }
    if (fd > 2 && fails("write"))
        return -1;
    if (fd > 2 && faults.write_most && size > faults.write_most)
        size = faults.write_most;
    return syscall(SYS_write, fd, bytes, size);
}

ssize_t read(int fd, void *bytes, size_t size)
{
    if (faults.interrupt) {
        faults.interrupt--;
        errno = EINTR;
        return -1;
    }
    if (fails("read"))
        return -1;
    return syscall(SYS_read, fd, bytes, size);
}

int fsync(int fd)
{
    return fails("fsync") ? -1 : (int)syscall(SYS_fsync, fd);
}

int fdatasync(int fd)
{
    return fails("fdatasync") ? -1 : (int)syscall(SYS_fdatasync, fd);
}

int rename(const char *from, const char *to)
{
    return fails("rename") ? -1 : renameat(AT_FDCWD, from, AT_FDCWD, to);
}

int close(int fd) /* a file is closed even where close reports an error (Linux) */
{
    bool failed = fails("close");
    int saved = errno;
    int result = (int)syscall(SYS_close, fd);
    errno = saved;
    return failed ? -1 : result;
}

static char folder[] = "/tmp/wetsweep-file-XXXXXX";
static struct rig_err err;

static int make_folder(void **state)
{
    (void)state;
    return mkdtemp(folder) ? 0 : -1;
}

static int remove_folder(void **state)
{
    (void)state;
    char command[80];
    snprintf(command, sizeof command, "rm -r %s", folder);
    return system(command);
}

static int no_faults(void **state)
{
    (void)state;
    memset(&faults, 0, sizeof faults);
    err = (struct rig_err){0};
    return 0;
}

static const char *path_of(const char *name)
{
    static char paths[4][200];
    static int next;
    char *path = paths[next++ % 4];
    snprintf(path, sizeof paths[0], "%s/%s", folder, name);
    return path;
}

static bool exists(const char *path)
{
    struct stat status;
    return lstat(path, &status) == 0;
}

static void assert_holds(const char *path, const char *expected)
{
    char *bytes;
    size_t size;
    struct rig_err trouble = {0};
    if (file_read(path, 1 << 20, &bytes, &size, &trouble))
        fail_msg("%s", trouble.text);
    assert_int_equal(size, strlen(expected));
    assert_string_equal(bytes, expected);
    free(bytes);
}

static void put(const char *path, const char *text)
{
    FILE *file = fopen(path, "w");
    assert_non_null(file);
    fputs(text, file);
    assert_int_equal(fclose(file), 0);
}

static void test_read(void **state)
{
    (void)state;
    char *bytes = NULL;
    size_t size = 99;
    put(path_of("five"), "12345");
    assert_int_equal(file_read(path_of("five"), 5, &bytes, &size, &err), 0);
    assert_int_equal(size, 5);
    assert_string_equal(bytes, "12345");
    free(bytes);
    assert_int_equal(file_read(path_of("five"), 4, &bytes, &size, &err), RIG_EINPUT);
    assert_contains(err.text, "five: is larger than 4 bytes, the most that is read here");
    put(path_of("none"), "");
    assert_int_equal(file_read(path_of("none"), 0, &bytes, &size, &err), 0);
    assert_int_equal(size, 0);
    assert_string_equal(bytes, "");
    free(bytes);
    assert_int_equal(file_read(path_of("missing"), 4, &bytes, &size, &err), RIG_EINPUT);
    assert_contains(err.text, "missing: there is no such file; check the name");
    assert_int_equal(err.os_errno, ENOENT);
    assert_int_equal(file_read(folder, 4, &bytes, &size, &err), RIG_EINPUT);
    assert_contains(err.text, ": is a folder where a file belongs");
    assert_int_equal(file_read(path_of("five/x"), 4, &bytes, &size, &err), RIG_EINPUT);
    assert_contains(err.text, "a part of this path is a file where a folder belongs");
    faults.calls = 0;
    faults.fail_at = 2;
    faults.fail_errno = EIO;
    assert_int_equal(file_read(path_of("five"), 5, &bytes, &size, &err), RIG_EOS);
    assert_string_equal(faults.failed, "read");
    assert_contains(err.text, "five: can't be read: Input/output error");
}

/* 100 MB are refused by their size: not one byte is read (a sparse file). */
static void test_read_refuses_by_size(void **state)
{
    (void)state;
    char *bytes;
    size_t size;
    put(path_of("sparse"), "x");
    assert_int_equal(truncate(path_of("sparse"), 100000000), 0);
    assert_int_equal(file_read(path_of("sparse"), 4 << 20, &bytes, &size, &err), RIG_EINPUT);
    assert_contains(err.text, "sparse: is larger than 4 MiB, the most that is read here");
    assert_int_equal(faults.calls, 2); /* open, close */
}

/* A pipe tells no size beforehand. */
static void test_read_standard_input(void **state)
{
    (void)state;
    int ends[2], saved = dup(0);
    char *bytes, sent[40000];
    size_t size;
    memset(sent, 'x', sizeof sent);
    for (int round = 0; round < 2; round++) {
        assert_int_equal(pipe(ends), 0);
        assert_int_equal(syscall(SYS_write, ends[1], sent, sizeof sent), sizeof sent);
        close(ends[1]);
        assert_int_equal(dup2(ends[0], 0), 0);
        close(ends[0]);
        faults.interrupt = 2;
        size_t limit = sizeof sent - (size_t)round;
        int code = file_read("-", limit, &bytes, &size, &err);
        assert_int_equal(code, round ? RIG_EINPUT : 0);
        if (!code) {
            assert_int_equal(size, sizeof sent);
            assert_memory_equal(bytes, sent, size);
            free(bytes);
        }
    }
    assert_contains(err.text, "standard input: is larger than 39999 bytes");
    dup2(saved, 0);
    close(saved);
}

static void test_replace(void **state)
{
    (void)state;
    const char *path = path_of("run.json");
    assert_int_equal(file_replace(path, "old", 3, &err), 0);
    assert_holds(path, "old");
    assert_int_equal(file_replace(path, "", 0, &err), 0);
    assert_holds(path, "");
    faults.write_most = 2;
    faults.interrupt = 3;
    assert_int_equal(file_replace(path, "newer", 5, &err), 0);
    faults.write_most = 0;
    assert_holds(path, "newer");
    put(path_of("run.json.new"), "left by a power cut, and longer");
    assert_int_equal(file_replace(path, "newest", 6, &err), 0);
    assert_holds(path, "newest");
    assert_false(exists(path_of("run.json.new")));
    /* without a folder in the path */
    char before[4096];
    assert_non_null(getcwd(before, sizeof before));
    assert_int_equal(chdir(folder), 0);
    int code = file_replace("here", "x", 1, &err);
    assert_int_equal(chdir(before), 0);
    assert_int_equal(code, 0);
    assert_holds(path_of("here"), "x");
}

/* The first call fails, then the second, ... once and for ever, until nothing does: the
 * file is the old one or the new one, whole, and nothing else is left. */
static void test_replace_under_faults(void **state)
{
    (void)state;
    char path[200]; /* path_of is called again and again below */
    snprintf(path, sizeof path, "%s", path_of("state.json"));
    for (int for_ever = 0; for_ever < 2; for_ever++) {
        int met = 0;
        bool old = false, new_one = false;
        for (int at = 1;; at++) {
            no_faults(NULL);
            assert_int_equal(file_replace(path, "the old state", 13, &err), 0);
            no_faults(NULL);
            faults.fail_at = at;
            faults.fail_errno = ENOSPC;
            faults.for_ever = for_ever;
            faults.write_most = 4;
            int code = file_replace(path, "the new state", 13, &err);
            const char *failed = faults.failed;
            no_faults(NULL);
            assert_false(exists(path_of("state.json.new")));
            if (!failed) {
                assert_int_equal(code, 0);
                assert_holds(path, "the new state");
                break;
            }
            met++;
            /* Closing the folder, which was only read, has nothing to lose. */
            if (code == 0) {
                assert_string_equal(failed, "close");
                assert_true(at > 8);
                assert_holds(path, "the new state");
                continue;
            }
            assert_int_equal(code, RIG_EOS);
            /* open, 4 writes, fsync, close, rename: from the 9th on, the new one is there */
            if (at <= 8) {
                assert_holds(path, "the old state");
                old = true;
            } else {
                assert_holds(path, "the new state");
                new_one = true;
            }
        }
        assert_int_equal(met, 11);
        assert_true(old && new_one);
    }
}

static void test_replace_reports(void **state)
{
    (void)state;
    const char *path = path_of("board.json");
    faults.fail_at = 2;
    faults.fail_errno = ENOSPC;
    assert_int_equal(file_replace(path, "x", 1, &err), RIG_EOS);
    assert_int_equal(err.os_errno, ENOSPC);
    assert_contains(err.text, "board.json: can't be written: No space left on device");
    assert_false(exists(path));
    no_faults(NULL);
    assert_int_equal(file_replace(path_of("no/such/folder"), "x", 1, &err), RIG_EOS);
    assert_int_equal(mkdir(path_of("taken"), 0777), 0);
    assert_int_equal(file_replace(path_of("taken"), "x", 1, &err), RIG_EOS);
    assert_false(exists(path_of("taken.new")));
}

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

/* Vectors: FIPS 180-2, appendix B.1 to B.3 ("abc", 448 bits, a million times 'a'); of no
 * bytes: NIST CAVP, SHA256ShortMsg.rsp, Len = 0. */
static void test_sha256(void **state)
{
    (void)state;
    char hex[65];
    put(path_of("abc"), "abc");
    assert_int_equal(file_sha256(path_of("abc"), hex, &err), 0);
    assert_string_equal(hex, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    put(path_of("abc"), "abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq");
    assert_int_equal(file_sha256(path_of("abc"), hex, &err), 0);
    assert_string_equal(hex, "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1");
    put(path_of("abc"), "");
    assert_int_equal(file_sha256(path_of("abc"), hex, &err), 0);
    assert_string_equal(hex, "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855");
    char *million = malloc(1000001);
    assert_non_null(million);
    memset(million, 'a', 1000000);
    million[1000000] = 0;
    put(path_of("abc"), million);
    free(million);
    faults.interrupt = 2;
    assert_int_equal(file_sha256(path_of("abc"), hex, &err), 0);
    assert_string_equal(hex, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0");
    assert_int_equal(file_sha256(path_of("missing"), hex, &err), RIG_EINPUT);
    faults.calls = 0;
    faults.fail_at = 3;
    faults.fail_errno = EIO;
    assert_int_equal(file_sha256(path_of("abc"), hex, &err), RIG_EOS);
    assert_int_equal(file_sha256(folder, hex, &err), RIG_EINPUT);
}

static void test_folders(void **state)
{
    (void)state;
    assert_int_equal(file_make_folder(path_of("deep"), 1, &err), 0);
    assert_int_equal(file_make_folder(path_of("deep"), 0, &err), 0);
    assert_int_equal(file_make_folder(path_of("deep"), 1, &err), RIG_EINPUT);
    assert_contains(err.text, "deep: is there already and would be overwritten; give another name");
    put(path_of("plain"), "");
    assert_int_equal(file_make_folder(path_of("plain"), 0, &err), RIG_EINPUT);
    assert_contains(err.text, "plain: is a file where a folder belongs");
    assert_int_equal(file_make_folder(path_of("no/where"), 0, &err), RIG_EOS);
    faults.calls = 0;
    faults.fail_at = 2; /* open, fsync */
    faults.fail_errno = EIO;
    assert_int_equal(file_make_folder(path_of("unsafe"), 1, &err), RIG_EOS);
    char *joined = file_join("a", "b");
    assert_string_equal(joined, "a/b");
    free(joined);
    joined = file_join("a/", "b");
    assert_string_equal(joined, "a/b");
    free(joined);
    joined = file_join("", "b");
    assert_string_equal(joined, "b");
    free(joined);
    joined = file_join("/", "b");
    assert_string_equal(joined, "/b");
    free(joined);
}

int main(void)
{
#define T(test) cmocka_unit_test_setup(test, no_faults)
    const struct CMUnitTest tests[] = {
        T(test_read),
        T(test_read_refuses_by_size),
        T(test_read_standard_input),
        T(test_replace),
        T(test_replace_under_faults),
        T(test_replace_reports),
        T(test_append),
        T(test_append_large),
        T(test_append_remembers_write),
        T(test_append_remembers_sync),
        T(test_append_on_a_full_disk),
        T(test_append_beyond_a_limit),
        T(test_sha256),
        T(test_folders),
    };
    return cmocka_run_group_tests(tests, make_folder, remove_folder);
}
