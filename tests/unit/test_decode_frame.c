/* SPDX-License-Identifier: GPL-3.0-or-later
 * Binary frames of a board to numbers: types, checks, and finding the way back. */
#include "check.h"

#include "rig/decode.h"
#include "rig/frame_check.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* 2 bytes that it begins with, u16 clock, i16 level, check. */
static struct rig_source source_of(enum frame_check check)
{
    int size = 6 + frame_check_size(check);
    struct rig_source source = {.format = LINE_FRAMES,
                                .frame = {.size = size,
                                          .sync_size = 2,
                                          .sync = {0xa5, 0x5a},
                                          .check = check,
                                          .check_from = 1,
                                          .check_to = 6,
                                          .check_at = 7},
                                .clock_field = {.byte = 3, .type = FIELD_U16, .scale = 1},
                                .clock_unit_s = 1e-3,
                                .clock_wrap_counts = 65536,
                                .channel_count = 1};
    source.channels[0].field =
        (struct rig_field){.byte = 5, .type = FIELD_I16, .big = true, .scale = 0.5, .offset = 1};
    return source;
}

static size_t put(const struct rig_source *source, unsigned char *to, unsigned count, int level)
{
    const unsigned char bytes[] = {0xa5,
                                   0x5a,
                                   (unsigned char)(count & 0xff),
                                   (unsigned char)(count >> 8 & 0xff),
                                   (unsigned char)((unsigned)level >> 8 & 0xff),
                                   (unsigned char)((unsigned)level & 0xff)};
    memcpy(to, bytes, sizeof bytes);
    frame_check_set(&source->frame, to);
    return (size_t)source->frame.size;
}

struct heard {
    size_t good, bad, bad_bytes;
    double values[600], device_s[600];
    char text[8][DECODE_TEXT_SIZE];
};

static void hear(struct heard *heard, const struct rig_source *source, const unsigned char *bytes,
                 size_t size, size_t piece)
{
    struct rig_err err;
    struct decoder *decoder = decoder_open(source, &err);
    memset(heard, 0, sizeof *heard);
    for (size_t at = 0; at < size;) {
        bool line;
        struct decoded out;
        size_t most = size - at < piece ? size - at : piece;
        size_t took = decoder_take(decoder, (const char *)bytes + at, most, &line, &out);
        assert_true(took > 0 && took <= most);
        at += took;
        if (line && out.good) {
            assert_true(heard->good < 600);
            heard->values[heard->good] = out.values[0];
            heard->device_s[heard->good++] = out.device_s;
        } else if (line) {
            if (heard->bad < 8)
                memcpy(heard->text[heard->bad], out.text, sizeof out.text);
            heard->bad++;
        }
    }
    decoder_free(decoder);
}

static void test_check_values(void **state)
{
    (void)state;
    /* Of the nine digits, as catalogues of CRCs give them: from memory. */
    static const struct {
        enum frame_check check;
        uint32_t value;
    } cases[] = {{CHECK_CRC8, 0xf4},           {CHECK_CRC16_CCITT, 0x29b1},
                 {CHECK_CRC16_XMODEM, 0x31c3}, {CHECK_CRC16_MODBUS, 0x4b37},
                 {CHECK_CRC32, 0xcbf43926},    {CHECK_SUM8, 0xdd},
                 {CHECK_SUM16, 0x1dd},         {CHECK_XOR8, 0x31}};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++)
        assert_int_equal(frame_check_of(cases[i].check, (const unsigned char *)"123456789", 9),
                         cases[i].value);
}

static void test_types_in_both_orders(void **state)
{
    (void)state;
    static const struct {
        enum field_type type;
        bool big;
        const char *bytes;
        double value;
    } cases[] = {
        {FIELD_U8, false, "\xfe", 254},
        {FIELD_I8, false, "\xfe", -2},
        {FIELD_U16, false, "\x34\x12", 0x1234},
        {FIELD_U16, true, "\x12\x34", 0x1234},
        {FIELD_I16, true, "\x80\x00", -32768},
        {FIELD_U24, false, "\x56\x34\x12", 0x123456},
        {FIELD_I24, true, "\xff\xff\xfd", -3},
        {FIELD_U32, true, "\xff\xff\xff\xff", 4294967295.},
        {FIELD_I32, false, "\x00\x00\x00\x80", -2147483648.},
        {FIELD_U64, true, "\x00\x00\x00\x01\x00\x00\x00\x00", 4294967296.},
        {FIELD_I64, false, "\xff\xff\xff\xff\xff\xff\xff\xff", -1},
        {FIELD_I64, true, "\x80\x00\x00\x00\x00\x00\x00\x00", -9223372036854775808.},
        {FIELD_F32, true, "\x3f\xc0\x00\x00", 1.5},
        {FIELD_F32, false, "\x00\x00\x20\xc0", -2.5},
        {FIELD_F64, true, "\x40\x09\x21\xfb\x54\x44\x2d\x18", 3.141592653589793},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        int size = field_type_size(cases[i].type);
        struct rig_source source = {.format = LINE_FRAMES,
                                    .frame = {.size = 1 + size, .sync_size = 1, .sync = {0x7e}},
                                    .channel_count = 1};
        source.channels[0].field =
            (struct rig_field){.byte = 2, .type = cases[i].type, .big = cases[i].big, .scale = 1};
        unsigned char bytes[32];
        for (int k = 0; k < 2; k++) {
            bytes[k * (1 + size)] = 0x7e;
            memcpy(bytes + k * (1 + size) + 1, cases[i].bytes, (size_t)size);
        }
        struct heard heard;
        hear(&heard, &source, bytes, 2 * (size_t)(1 + size), 1);
        assert_int_equal(heard.good, 1); /* the first shows where the next begins */
        assert_near(heard.values[0], cases[i].value, 0, "");
    }
}

static void test_scale_offset_and_clock(void **state)
{
    (void)state;
    struct rig_source source = source_of(CHECK_CRC16_MODBUS);
    unsigned char bytes[64];
    size_t size = put(&source, bytes, 65535, -7);
    size += put(&source, bytes + size, 4, 8);
    struct heard heard;
    hear(&heard, &source, bytes, size, 5);
    assert_int_equal(heard.good, 2); /* a check of 16 bits makes even the first certain */
    assert_int_equal(heard.bad, 0);
    assert_near(heard.values[0], 1 - 3.5, 0, "");
    assert_near(heard.values[1], 1 + 4, 0, "");
    assert_near(heard.device_s[1] - heard.device_s[0], 0.005, 1e-12, "s");
}

static void test_what_is_no_number_is_malformed(void **state)
{
    (void)state;
    struct rig_source source = {.format = LINE_FRAMES,
                                .frame = {.size = 5, .sync_size = 1, .sync = {0x7e}},
                                .channel_count = 1};
    source.channels[0].field =
        (struct rig_field){.byte = 2, .type = FIELD_F32, .big = true, .scale = 1};
    static const unsigned char bytes[] = "\x7e\x00\x00\x00\x00\x7e\x7f\x80\x00\x00\x7e\x7f\xc0\x00"
                                         "\x00\x7e\x3f\x80\x00\x00";
    struct heard heard;
    hear(&heard, &source, bytes, sizeof bytes - 1, SIZE_MAX);
    assert_int_equal(heard.good, 1);
    assert_int_equal(heard.bad, 2);
    assert_string_equal(heard.text[0], "not a number: ~\\x7F\\x80\\x00\\x00");
}

static void test_way_back_after_lost_and_damaged_bytes(void **state)
{
    (void)state;
    for (int weak = 0; weak < 2; weak++) {
        struct rig_source source = source_of(weak ? CHECK_SUM8 : CHECK_CRC16_MODBUS);
        unsigned char bytes[400];
        size_t size = 0, frame = (size_t)source.frame.size;
        for (; size < 3; size++) /* cut in two: passed over in silence */
            bytes[size] = (unsigned char)(0xa3 + size);
        for (unsigned i = 0; i < 20; i++)
            size += put(&source, bytes + size, i, (int)i);
        bytes[3 + 5 * frame + 4] ^= 0x10; /* frame 5 is damaged, frame 10 loses a byte */
        memmove(bytes + 3 + 10 * frame + 2, bytes + 3 + 10 * frame + 3, size - 3 - 10 * frame - 3);
        size--;
        for (size_t piece = 1; piece < 40; piece += 6) {
            struct heard heard;
            hear(&heard, &source, bytes, size, piece);
            /* weak: the first one after each gap only shows where the next begins */
            assert_int_equal(heard.good, weak ? 20 - 1 - 2 - 2 : 20 - 2);
            assert_int_equal(heard.bad, weak ? 4 : 2);
            assert_contains(heard.text[0], "wrong check: \\xA5Z\\x05\\x00\\x10\\x05");
            if (weak)
                assert_contains(heard.text[1], "not sure to be a frame: \\xA5Z\\x06");
            for (size_t i = 0; i < heard.good; i++) {
                double level = (heard.values[i] - 1) / 0.5;
                assert_near(level, rint(heard.device_s[i] * 1e3), 1e-9, "");
                assert_true(level != 5 && level != 10);
            }
        }
    }
}

static void test_numbers_that_look_like_a_beginning(void **state)
{
    (void)state;
    /* Every level is the beginning itself; nothing but the place of the next tells. */
    struct rig_source source = source_of(CHECK_NONE);
    unsigned char bytes[600];
    for (size_t start = 1; start < 6; start++) {
        size_t size = 0;
        for (unsigned i = 0; i < 50; i++)
            size += put(&source, bytes + size, 0x5aa5, (int)0xffffa55a);
        struct heard heard;
        hear(&heard, &source, bytes + start, size - start, 7);
        /* In the worst case it keeps to the wrong place, which only a check would tell;
         * but never to two places at once. */
        assert_true(heard.good >= 45 && heard.good <= 49);
    }
}

static uint64_t draw(uint64_t *random)
{
    *random ^= *random << 13;
    *random ^= *random >> 7;
    *random ^= *random << 17;
    return *random >> 11;
}

static void test_noise_is_never_taken_for_data(void **state)
{
    (void)state;
    size_t good = 0, bad = 0, damaged = 0, wrong = 0;
    for (uint64_t seed = 1; seed <= 50; seed++) {
        struct rig_source source = source_of(CHECK_CRC16_MODBUS);
        uint64_t random = seed * 0x9E3779B97F4A7C15u + 1;
        static unsigned char bytes[500 * 8];
        size_t size = 0, kept = 0;
        for (unsigned i = 0; i < 500; i++) /* level is what the clock says */
            size += put(&source, bytes + size, i, (int)i);
        for (size_t i = 0; i < size; i++) {
            unsigned char byte = bytes[i];
            if (draw(&random) % 200 == 0) {
                damaged++;
                if (draw(&random) & 1)
                    continue;
                byte ^= (unsigned char)(1 << (draw(&random) & 7));
            }
            bytes[kept++] = byte;
        }
        struct heard heard;
        hear(&heard, &source, bytes, kept, 1 + seed % 30);
        for (size_t i = 0; i < heard.good; i++)
            wrong += fabs((heard.values[i] - 1) / 0.5 - rint(heard.device_s[i] * 1e3)) > 1e-9;
        good += heard.good;
        bad += heard.bad;
    }
    printf("%zu good frames of 25000, %zu bytes damaged, %zu malformed, %zu wrong\n", good, damaged,
           bad, wrong);
    assert_int_equal(wrong, 0);
    assert_true(good > 23000 && good + damaged >= 25000);
    assert_true(bad > 700);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_check_values),
        cmocka_unit_test(test_types_in_both_orders),
        cmocka_unit_test(test_scale_offset_and_clock),
        cmocka_unit_test(test_what_is_no_number_is_malformed),
        cmocka_unit_test(test_way_back_after_lost_and_damaged_bytes),
        cmocka_unit_test(test_numbers_that_look_like_a_beginning),
        cmocka_unit_test(test_noise_is_never_taken_for_data),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
