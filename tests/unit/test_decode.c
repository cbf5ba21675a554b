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
        cmocka_unit_test(test_endless_line_is_refused_once),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
