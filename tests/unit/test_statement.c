/* SPDX-License-Identifier: GPL-3.0-or-later
 * rig/base/statement_*.c and nearest.c: what is taken, what is refused, and where the
 * errors point. Reading one statement is in test_cursor.c. */
#include "check.h"

#include "base/statement.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

static const char *const blocks[] = {"repeat", "each", "axis", NULL};
static const char *const known[] = {"ramp", "hold", "title", "repeat", "each", "end", NULL};
static const struct statement_words any = {blocks, NULL};
static const struct statement_words strict = {blocks, known};

static int read_text(struct statements *statements, const char *text, struct rig_err *err)
{
    return statements_read(statements, "cling.profile", text, strlen(text), &any, err);
}

/* Writes a statement as KIND:TEXT@COLUMN+WIDTH ..., bodies in braces. */
static void describe(char *to, size_t room, const struct statement *list, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        size_t used = strlen(to);
        snprintf(to + used, room - used, "%s%d", i ? " | " : "", list[i].line);
        for (size_t j = 0; j < list[i].token_count; j++) {
            const struct token *token = &list[i].tokens[j];
            used = strlen(to);
            snprintf(to + used, room - used, " %c:%s@%d+%d", "wnsc"[token->kind], token -> text,
                     token -> column, token -> width);
        }
        if (list[i].is_block) {
            used = strlen(to);
            snprintf(to + used, room - used, " {");
            describe(to, room, list[i].body, list[i].body_count);
            used = strlen(to);
            snprintf(to + used, room - used, "}%d", list[i].end_line);
        } else {
            assert_null(list[i].body);
            assert_int_equal(list[i].body_count, 0);
            assert_int_equal(list[i].end_line, 0);
        }
    }
}

static void test_takes(void **state)
{
    (void)state;
    static const struct {
        const char *text, *what;
    } cases[] = {
        {"", ""},
        {"\n\n# only a comment\n   \n", ""},
        {"hold 4 s", "1 w:hold@1+4 n:4@6+1 w:s@8+1"},
        {"hold 4 s\n", "1 w:hold@1+4 n:4@6+1 w:s@8+1"},
        {"hold 4 s\r\nhold 5 s\r\n", "1 w:hold@1+4 n:4@6+1 w:s@8+1 | 2 w:hold@1+4 n:5@6+1 w:s@8+1"},
        {"\xef\xbb\xbfhold", "1 w:hold@1+4"}, /* a byte-order mark takes no column */
        {"\n\thold 4s # wait\n", "2 w:hold@2+4 n:4@7+1 w:s@8+1"},
        {"speed up to 20mm/s", "1 w:speed@1+5 w:up@7+2 w:to@10+2 n:20@13+2 w:mm/s@15+4"},
        {"each speed 5,10 , 2.5e1mm/s",
         "1 w:each@1+4 w:speed@6+5 n:5@12+1 c:,@13+1 n:10@14+2 c:,@17+1 n:2.5e1@19+5 "
         "w:mm/s@24+4 {}2\nend"},
        {"x -1 +2 .5 -.5 5. 1e-3", "1 w:x@1+1 n:-1@3+2 n:+2@6+2 n:.5@9+2 n:-.5@12+3 n:5.@16+2 "
                                   "n:1e-3@19+4"},
        {"wraps at 2^32", "1 w:wraps@1+5 w:at@7+2 n:2^32@10+4"},
        {"port /dev/serial/by-id/usb-a_b.c:1 at 115200 baud",
         "1 w:port@1+4 w:/dev/serial/by-id/usb-a_b.c:1@6+29 w:at@36+2 n:115200@39+6 w:baud@46+4"},
        {"port tcp:localhost:4001", "1 w:port@1+4 w:tcp:localhost:4001@6+18"},
        {"title \"Cling lag, 4 speeds # not a comment\"",
         "1 w:title@1+5 s:Cling lag, 4 speeds # not a comment@7+37"},
        {"title \"\"", "1 w:title@1+5 s:@7+2"},
        {"title \"a \\\"b\\\" \\\\ c\"x", "1 w:title@1+5 s:a \"b\" \\ c@7+14 w:x@21+1"},
        {"share 5% 5 %", "1 w:share@1+5 n:5@7+1 w:%@8+1 n:5@10+1 w:%@12+1"},
        {"length 5 \xc2\xb5m", "1 w:length@1+6 n:5@8+1 w:\xc2\xb5m@10+3"},
        {"length 5\xc2\xb5m", "1 w:length@1+6 n:5@8+1 w:\xc2\xb5m@9+3"},
        {"mark \"\xe6\xb0\xb4 \xf0\x9f\x8c\x8a\" x",
         "1 w:mark@1+4 s:\xe6\xb0\xb4 \xf0\x9f\x8c\x8a@6+10 "
         "w:x@17+1"},
        {"rate 1e3Hz 4e 4em",
         "1 w:rate@1+4 n:1e3@6+3 w:Hz@9+2 n:4@12+1 w:e@13+1 n:4@15+1 w:em@16+2"},
        {"\"first\" , 1", "1 s:first@1+7 c:,@9+1 n:1@11+1"},
        {"_a a-b a.b a:b a^b a*b a+b", "1 w:_a@1+2 w:a-b@4+3 w:a.b@8+3 w:a:b@12+3 w:a^b@16+3 "
                                       "w:a*b@20+3 w:a+b@24+3"},
        {"repeat 5\n hold 1 s\nend", "1 w:repeat@1+6 n:5@8+1 {2 w:hold@2+4 n:1@7+1 w:s@9+1}3"},
        {"a\nrepeat\n b\n each\n  c\n  d\n end\n e\nend # done\nf\naxis\nend",
         "1 w:a@1+1 | 2 w:repeat@1+6 {3 w:b@2+1 | 4 w:each@2+4 {5 w:c@3+1 | 6 w:d@3+1}7 | 8 "
         "w:e@2+1}9 | 10 w:f@1+1 | 11 w:axis@1+4 {}12"},
        {"hold repeat 5", "1 w:hold@1+4 w:repeat@6+6 n:5@13+1"}, /* only a first word opens */
        {"hold end", "1 w:hold@1+4 w:end@6+3"},
        {"nano infer nan-x", "1 w:nano@1+4 w:infer@6+5 w:nan-x@12+5"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct statements statements;
        struct rig_err err = {0};
        /* "each" above needs its end; the expectation carries it after a newline. */
        char text[400], expected[1000], what[1000] = "";
        snprintf(expected, sizeof expected, "%s", cases[i].what);
        char *rest = strchr(expected, '\n');
        snprintf(text, sizeof text, "%s%s", cases[i].text, rest ? rest : "");
        if (rest)
            *rest = 0;
        if (read_text(&statements, text, &err))
            fail_msg("%s", err.text);
        describe(what, sizeof what, statements.list, statements.count);
        assert_string_equal(what, expected);
        assert_string_equal(statements.name, "cling.profile");
        statements_free(&statements);
        assert_null(statements.list);
    }
}

static void test_numbers_are_exact(void **state)
{
    (void)state;
    struct statements statements;
    struct rig_err err = {0};
    assert_int_equal(read_text(&statements, "x 0.1 2^32 2^64 10^3 -1.5e-3 7^0 1e308", &err), 0);
    const struct token *tokens = statements.list[0].tokens;
    const double expected[] = {0.1, 4294967296.0, 18446744073709551616.0, 1000, -1.5e-3, 1, 1e308};
    for (size_t i = 0; i < 7; i++)
        assert_near(tokens[i + 1].number, expected[i], 0, "1");
    statements_free(&statements);
}

static void test_refuses(void **state)
{
    (void)state;
    static const struct {
        const char *text, *error;
    } cases[] = {
        {"a\nhold 1e400 s", "2:6: '1e400' is too large for a number; write one such as 12.5"},
        {"hold nan s", "1:6: 'nan' is not a number that can be used; write a finite one"},
        {"hold NaN", "1:6: 'NaN' is not a number that can be used; write a finite one"},
        {"hold inf", "1:6: 'inf' is not a number that can be used; write a finite one"},
        {"hold Infinity", "1:6: 'Infinity' is not a number that can be used; write a finite one"},
        {"hold -inf s", "1:6: '-inf' is not a number; write one such as 12.5, or put quotes around "
                        "a text"},
        {"hold 1.2.3 s", "1:6: '1.2.3' is not a number; write one such as 12.5, or put quotes "
                         "around a text"},
        {"day 2031-02-03", "1:5: '2031-02-03' is not a number; write one such as 12.5, or put "
                           "quotes around a text"},
        {"at 12:30", "1:4: '12:30' is not a number; write one such as 12.5, or put quotes around a "
                     "text"},
        {"wraps 2^", "1:7: '2^' is not a number; write one such as 12.5 or 2^32"},
        {"wraps 2^-3", "1:7: '2^-3' is not a number; write one such as 12.5 or 2^32"},
        {"wraps 2^9999999999", "1:7: '2^9999999999' is not a number; write one such as 12.5 or "
                               "2^32"},
        {"wraps 10^400", "1:7: '10^400' is not a number; write one such as 12.5 or 2^32"},
        {"title \"open\nhold", "1:7: this string is not closed; end it with \" in its line"},
        {"title \"open\r\n", "1:7: this string is not closed; end it with \" in its line"},
        {"title \"", "1:7: this string is not closed; end it with \" in its line"},
        {"title \"\\", "1:8: a backslash before something that needs none; write \\\\ for a "
                       "backslash or \\\" for a quote"},
        {"title \"a\\n\"", "1:9: a backslash before something that needs none; write \\\\ for a "
                           "backslash or \\\" for a quote"},
        {"a = 5", "1:3: '=' has no meaning here; statements are words, numbers with units, commas "
                  "and \"strings\""},
        {"- 5",
         "1:1: '-' has no meaning here; statements are words, numbers with units, commas and "
         "\"strings\""},
        {"a\n\tb \x01", "2:4: a control byte (hex 01); remove it"},
        {"a # \x7f", "1:5: a control byte (hex 7f); remove it"},
        {"a\rb", "1:2: a carriage return stands alone; end lines with a newline"},
        {"ab \xff", "1:4: a byte that is not UTF-8 (hex ff); save the file as UTF-8"},
        {"# \xe4\n", "1:3: a byte that is not UTF-8 (hex e4); save the file as UTF-8"},
        {"# \xc0\x80", "1:3: a byte that is not UTF-8 (hex c0); save the file as UTF-8"},
        {"# \xe0\x80\x80", "1:3: a byte that is not UTF-8 (hex e0); save the file as UTF-8"},
        {"# \xf0\x80\x80\x80", "1:3: a byte that is not UTF-8 (hex f0); save the file as UTF-8"},
        {"\xef\xbb\xbf\x01", "1:1: a control byte (hex 01); remove it"},
        {"repeat\n each\n", "2:2: this 'each' has no 'end'; write one after its last statement"},
        {"# \xed\xa0\x80", "1:3: a byte that is not UTF-8 (hex ed); save the file as UTF-8"},
        {"# \xf4\x90\x80\x80", "1:3: a byte that is not UTF-8 (hex f4); save the file as UTF-8"},
        {"# \xf0\x9f\x8c", "1:3: a byte that is not UTF-8 (hex f0); save the file as UTF-8"},
        {"# \xc2\x9b", "1:3: a control character (U+009B); remove it"},
        {"a\n end", "2:2: this 'end' closes nothing; remove it, or write the start of its block"},
        {"repeat\nend 5", "2:5: nothing may follow 'end'; begin a new line"},
        {"a\n  repeat 5\n b\n", "2:3: this 'repeat' has no 'end'; write one after its last "
                                "statement"},
        {"repeat 5\n each x\n b\nend", "1:1: this 'repeat' has no 'end'; write one after its last "
                                       "statement"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct statements statements = {.name = "?"};
        struct rig_err err = {0};
        char expected[600];
        snprintf(expected, sizeof expected, "cling.profile:%s", cases[i].error);
        assert_int_equal(read_text(&statements, cases[i].text, &err), RIG_EINPUT);
        assert_string_equal(err.text, expected);
        assert_null(statements.arena);
        assert_null(statements.name);
        statements_free(&statements);
        assert_int_equal(read_text(&statements, cases[i].text, NULL), RIG_EINPUT);
    }
}

static void test_known_words(void **state)
{
    (void)state;
    static const struct {
        const char *text, *error;
    } cases[] = {
        {"hold 5 s\nrmap to 20 mm", "2:1: 'rmap' is not a statement here; did you mean 'ramp'?"},
        {" Hold 5 s", "1:2: 'Hold' is not a statement here; did you mean 'hold'?"},
        /* and not: an 'end' too many */
        {"repaet 5\nhold 4 s\nend",
         "1:1: 'repaet' is not a statement here; did you mean 'repeat'?"},
        {"repeat 5\nhold 4 s\nedn", "3:1: 'edn' is not a statement here; did you mean 'end'?"},
        {"sing 5",
         "1:1: 'sing' is not a statement here; there is ramp, hold, title, repeat, each or "
         "end"},
        {"5 mm", "1:1: a statement starts with a word, not with '5'; here with ramp, hold, title, "
                 "repeat, each or end"},
        {"\"x\"", "1:1: a statement starts with a word, not with \"x\"; here with ramp, hold, "
                  "title, repeat, each or end"},
        {", ramp",
         "1:1: a statement starts with a word, not with ','; here with ramp, hold, title, "
         "repeat, each or end"},
    };
    struct statements statements;
    struct rig_err err = {0};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        char expected[600];
        snprintf(expected, sizeof expected, "p:%s", cases[i].error);
        assert_int_equal(
            statements_read(&statements, "p", cases[i].text, strlen(cases[i].text), &strict, &err),
            RIG_EINPUT);
        assert_string_equal(err.text, expected);
    }
    const char *good = "axis\n ramp\nend"; /* a block is known without being listed */
    assert_int_equal(statements_read(&statements, "p", good, strlen(good), &strict, &err), 0);
    statements_free(&statements);
}

static void test_depth(void **state)
{
    (void)state;
    char text[2000] = "";
    struct statements statements;
    struct rig_err err = {0};
    for (int i = 0; i < STATEMENT_DEPTH_LIMIT; i++)
        strcat(text, "repeat\n");
    size_t opened = strlen(text);
    for (int i = 0; i < STATEMENT_DEPTH_LIMIT; i++)
        strcat(text, "end\n");
    assert_int_equal(read_text(&statements, text, &err), 0);
    const struct statement *inner = statements.list;
    for (int i = 1; i < STATEMENT_DEPTH_LIMIT; i++) {
        assert_int_equal(inner->body_count, 1);
        assert_int_equal(inner->end_line, 2 * STATEMENT_DEPTH_LIMIT - i + 1);
        inner = inner->body;
    }
    assert_int_equal(inner->body_count, 0);
    statements_free(&statements);
    strcpy(text + opened, "repeat\n");
    assert_int_equal(read_text(&statements, text, &err), RIG_EINPUT);
    assert_string_equal(err.text,
                        "cling.profile:33:1: blocks are nested deeper than 32; write fewer "
                        "into one another");
}

/* Sizes of more than the limit are refused before a byte is looked at: here there is
 * none. */
static void test_too_large(void **state)
{
    (void)state;
    struct statements statements;
    struct rig_err err = {0};
    assert_int_equal(statements_read(&statements, "big.profile", "", 100u << 20, &any, &err),
                     RIG_EINPUT);
    assert_string_equal(err.text, "big.profile:1:1: the file has 100 MiB, and at most 4 MiB are "
                                  "read; is it the right file?");
    assert_int_equal(
        statements_read(&statements, "big.profile", "", STATEMENT_FILE_LIMIT + 1, &any, &err),
        RIG_EINPUT);
}

static void test_nul(void **state)
{
    (void)state;
    struct statements statements;
    struct rig_err err = {0};
    assert_int_equal(statements_read(&statements, "p", "hold 4 s\nho\0ld", 14, &any, &err),
                     RIG_EINPUT);
    assert_string_equal(err.text, "p:2:3: a NUL byte; this is not a text file");
    assert_int_equal(statements_read(&statements, "p", NULL, 0, &any, &err), 0);
    assert_int_equal(statements.count, 0);
    statements_free(&statements);
    statements_free(NULL);
}

static double seconds(void)
{
    struct timespec now;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

/* Repeats `piece` up to `size` bytes, reads it, returns the CPU time. */
static double time_to_read(const char *piece, size_t size, size_t *count)
{
    size_t length = strlen(piece);
    char *text = malloc(size + length);
    assert_non_null(text);
    for (size_t at = 0; at < size; at += length)
        memcpy(text + at, piece, length);
    size = size / length * length;
    struct statements statements;
    struct rig_err err = {0};
    double start = seconds();
    int code = statements_read(&statements, "p", text, size, &any, &err);
    double took = seconds() - start;
    if (code)
        fail_msg("%s", err.text);
    *count = statements.count;
    statements_free(&statements);
    free(text);
    return took;
}

/* Time grows with the size of the text, not with its square: sixteen times the text may
 * take 64 times as long, where a square would take 256 times. */
static void test_linear(void **state)
{
    (void)state;
    static const char *const pieces[] = {
        "ramp to 150 mm at 20 mm/s\n",
        "repeat 5\nhold 4 s\nend\n",
        "a",
        "\n",
        ",",
        "a\n",
        "1,",
        "# comment\n",
        "\"s\"",
        "1a ",
    };
    for (size_t i = 0; i < sizeof pieces / sizeof pieces[0]; i++) {
        size_t many, few;
        size_t size = i ? STATEMENT_FILE_LIMIT / 4 : STATEMENT_FILE_LIMIT;
        double large = time_to_read(pieces[i], size, &many);
        double part = time_to_read(pieces[i], size / 16, &few);
        print_message("%-30.20s %.0f ms, a sixteenth %.1f ms\n", pieces[i], large * 1e3,
                      part * 1e3);
        /* 2 ms, since short times are uncertain. */
        if (large > 64 * (part + 0.002))
            fail_msg("'%s': %g s for all, %g s for a sixteenth", pieces[i], large, part);
        assert_true(large < 10);
    }
}

static void test_nearest(void **state)
{
    (void)state;
    static const char *const words[] = {"ramp",   "hold",  "stairs", "sine",
                                        "follow", "touch", "repeat", "end"};
    static const struct {
        const char *word, *nearest;
    } cases[] = {
        {"ramp", "ramp"},
        {"RAMP", "ramp"},
        {"rmap", "ramp"},
        {"ram", "ramp"},
        {"rampp", "ramp"},
        {"romp", "ramp"},
        {"stair", "stairs"},
        {"satirs", "stairs"},
        {"foloow", "follow"},
        {"en", "end"},
        {"edn", "end"},
        {"xyz", NULL},
        {"", NULL},
        {"x", NULL},
        {"rxxp", NULL},
        {"repetition", NULL},
        {"rapeet", "repeat"},
        {"aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa", NULL},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        const char *nearest = nearest_word(cases[i].word, words, 8);
        if (!cases[i].nearest && nearest)
            fail_msg("'%s' is near to '%s'", cases[i].word, nearest);
        if (cases[i].nearest) {
            assert_non_null(nearest);
            assert_string_equal(nearest, cases[i].nearest);
        }
    }
    assert_null(nearest_word("ramp", NULL, 0));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_takes),   cmocka_unit_test(test_numbers_are_exact),
        cmocka_unit_test(test_refuses), cmocka_unit_test(test_known_words),
        cmocka_unit_test(test_depth),   cmocka_unit_test(test_too_large),
        cmocka_unit_test(test_nul),     cmocka_unit_test(test_linear),
        cmocka_unit_test(test_nearest),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
