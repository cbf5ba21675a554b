/* SPDX-License-Identifier: GPL-3.0-or-later
 * rig/base/file.c: what is read, and what is left on the disk when any one call to the
 * system fails. */
#include "faulty_calls.h"

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
        T(test_sha256),
        T(test_folders),
    };
    return cmocka_run_group_tests(tests, make_folder, remove_folder);
}
