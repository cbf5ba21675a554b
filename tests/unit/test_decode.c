/* SPDX-License-Identifier: GPL-3.0-or-later
 * Lines of a board to numbers, whole and byte by byte. */
#include "check.h"

#include "rig/decode.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static struct rig_source csv_source(void)
{
    struct rig_source source = {.format = LINE_CSV,
                                .clock_column = 1,
                                .clock_unit_s = 1e-3,
                                .clock_wrap_counts = 65536,
                                .channel_count = 2};
    source.channels[0].column = 2;
    source.channels[1].column = 4;
    return source;
}

struct heard {
    size_t good, bad;
    struct decoded last_good, last_bad;
};

static struct heard hear(const struct rig_source *source, const char *bytes, size_t piece)
{
    struct rig_err err;
    struct decoder *decoder = decoder_open(source, &err);
    struct heard heard = {0};
    size_t size = strlen(bytes);
    for (size_t at = 0; at < size;) {
        bool line;
        struct decoded out;
        size_t most = size - at < piece ? size - at : piece;
        size_t took = decoder_take(decoder, bytes + at, most, &line, &out);
        assert_true(took > 0 && took <= most);
        at += took;
        if (line && out.good) {
            heard.good++;
            heard.last_good = out;
        } else if (line) {
            heard.bad++;
            heard.last_bad = out;
        }
    }
    decoder_free(decoder);
    return heard;
}

static void test_first_partial_line_is_no_data(void **state)
{
    (void)state;
    struct rig_source source = csv_source();
    const char *bytes = "12,3.5\n1000,1.25,x,20.5\r\n1010, 1.5 ,y,\n";
    for (size_t piece = 1; piece < 50; piece += 7) {
        struct heard heard = hear(&source, bytes, piece);
        assert_int_equal(heard.good, 2);
        assert_int_equal(heard.bad, 0);
        assert_near(heard.last_good.device_s, 1.01, 1e-12, "s");
        assert_near(heard.last_good.values[0], 1.5, 0, "V");
        assert_true(isnan(heard.last_good.values[1]));
    }
}

static void test_malformed_lines_come_out_with_their_bytes(void **state)
{
    (void)state;
    struct rig_source source = csv_source();
    static const struct {
        const char *line, *said;
    } cases[] = {
        {"1000,abc,x,1", "not a number: 1000,abc,x,1"},
        {"1000,nan,x,1", "not a number: 1000,nan,x,1"},
        {"1000,1", "a channel is missing: 1000,1"},
        {",1,x,1", "no clock: ,1,x,1"},
        {"\x01\xff,1,x,1", "no clock: \\x01\\xFF,1,x,1"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        char bytes[100];
        snprintf(bytes, sizeof bytes, "\n%s\n", cases[i].line);
        struct heard heard = hear(&source, bytes, 3);
        assert_int_equal(heard.good, 0);
        assert_int_equal(heard.bad, 1);
        assert_string_equal(heard.last_bad.text, cases[i].said);
    }
}

static void test_clock_wraps_and_resets(void **state)
{
    (void)state;
    struct rig_source source = csv_source();
    struct heard wrapped = hear(&source, "\n65530,1,x,1\n4,1,x,1\n", 100);
    assert_near(wrapped.last_good.device_s, 65.540, 1e-9, "s");
    struct heard reset = hear(&source, "\n20000,1,x,1\n5,1,x,1\n", 100);
    assert_near(reset.last_good.device_s, 20.0, 1e-9, "s");
}

static void test_pairs_in_a_frame_with_checksum(void **state)
{
    (void)state;
    struct rig_source source = {.format = LINE_PAIRS, .nmea_checksum = true, .channel_count = 1};
    snprintf(source.channels[0].key, sizeof source.channels[0].key, "level");
    /* XOR of 'level=2.5,t=20' computed by hand in the loop below. */
    const char *body = "t=20,level=2.5";
    unsigned sum = 0;
    for (const char *at = body; *at; at++)
        sum ^= (unsigned char)*at;
    char good[100], bad[100];
    snprintf(good, sizeof good, "\n$%s*%02X\r\n", body, sum);
    snprintf(bad, sizeof bad, "\n$%s*%02X\r\n", body, sum ^ 1u);
    assert_near(hear(&source, good, 4).last_good.values[0], 2.5, 0, "V");
    assert_contains(hear(&source, bad, 4).last_bad.text, "wrong checksum");
    assert_contains(hear(&source, "\nlevel=2.5\n", 4).last_bad.text, "no $...*hh frame");
}

static void test_pairs_stand_between_commas_semicolons_or_blanks(void **state)
{
    (void)state;
    struct rig_source source = {.format = LINE_PAIRS, .clock_unit_s = 1e-3, .channel_count = 2};
    snprintf(source.clock_key, sizeof source.clock_key, "t");
    snprintf(source.channels[0].key, sizeof source.channels[0].key, "level");
    snprintf(source.channels[1].key, sizeof source.channels[1].key, "el");
    static const char *const lines[] = {"\nt=20 level=2.5 el=7\n", "\nel=7;t=20;level=2.5\n",
                                        "\nboard  el=7,\tlevel=2.5,, t=20 \n",
                                        "\nlevels=9 model=8 level=2.5 el=7 t=20 x\n"};
    for (size_t i = 0; i < sizeof lines / sizeof lines[0]; i++)
        for (size_t piece = 1; piece < 20; piece += 9) {
            struct heard heard = hear(&source, lines[i], piece);
            assert_int_equal(heard.good, 1);
            assert_near(heard.last_good.values[0], 2.5, 0, "V");
            assert_near(heard.last_good.values[1], 7, 0, "");
            assert_near(heard.last_good.device_s, 0.02, 1e-15, "s");
        }
    assert_contains(hear(&source, "\nt=20 level 2.5 el=7\n", 9).last_bad.text,
                    "a channel is missing");
    assert_contains(hear(&source, "\nt=20 level=2.5V el=7\n", 9).last_bad.text, "not a number");
}

static void test_too_many_fields_are_refused(void **state)
{
    (void)state;
    struct rig_source sources[2] = {csv_source(), {.format = LINE_PAIRS, .channel_count = 1}};
    snprintf(sources[1].channels[0].key, sizeof sources[1].channels[0].key, "a");
    char bytes[600] = "\n";
    for (int i = 0; i < 129; i++)
        strcat(bytes, "1=2,");
    strcat(bytes, "\n");
    for (int i = 0; i < 2; i++)
        assert_contains(hear(&sources[i], bytes, 100).last_bad.text, "too many fields");
}

static void test_restart_passes_over_a_cut_line_and_forgets_the_clock(void **state)
{
    (void)state;
    struct rig_source source = csv_source();
    struct rig_err err;
    struct decoder *decoder = decoder_open(&source, &err);
    struct decoded out;
    bool line;
    const char *first = "\n500,1,x,1\n", *cut = "510,1", *rest = "7,x,1\n20,2,x,3\n";
    size_t at = decoder_take(decoder, first, strlen(first), &line, &out);
    decoder_take(decoder, first + at, strlen(first) - at, &line, &out);
    assert_true(line && out.good);
    decoder_take(decoder, cut, strlen(cut), &line, &out);
    decoder_restart(decoder);
    at = decoder_take(decoder, rest, strlen(rest), &line, &out);
    assert_false(line);
    decoder_take(decoder, rest + at, strlen(rest) - at, &line, &out);
    assert_true(line && out.good);
    assert_near(out.device_s, 0.02, 1e-15, "s");
    assert_int_equal(decoder_clock_resets(decoder), 0);
    decoder_free(decoder);
}

static void test_endless_line_is_refused_once(void **state)
{
    (void)state;
    struct rig_source source = csv_source();
    static char bytes[3 * DECODE_LINE_LIMIT];
    memset(bytes, '7', sizeof bytes - 1);
    bytes[0] = bytes[sizeof bytes - 2] = '\n';
    struct heard heard = hear(&source, bytes, 100);
    assert_int_equal(heard.bad, 1);
    assert_contains(heard.last_bad.text, "a line too long");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_first_partial_line_is_no_data),
        cmocka_unit_test(test_malformed_lines_come_out_with_their_bytes),
        cmocka_unit_test(test_clock_wraps_and_resets),
        cmocka_unit_test(test_pairs_in_a_frame_with_checksum),
        cmocka_unit_test(test_pairs_stand_between_commas_semicolons_or_blanks),
        cmocka_unit_test(test_too_many_fields_are_refused),
        cmocka_unit_test(test_restart_passes_over_a_cut_line_and_forgets_the_clock),
        cmocka_unit_test(test_endless_line_is_refused_once),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
