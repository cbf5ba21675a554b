/* SPDX-License-Identifier: GPL-3.0-or-later
 * Rig files: what is read, what is assumed, and every way to be wrong, each with
 * its place and a remedy. */
#include "check.h"
#include "units.h"

#include "motion/rigfile.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define AXIS_TOP                                                                                   \
    "axis\n"                                                                                       \
    "  port /dev/serial/by-id/usb-axis at 115200 baud\n"                                           \
    "  travel 0 mm to 200 mm\n"                                                                    \
    "  speed up to 60 mm/s\n"                                                                      \
    "  acceleration up to 900 mm/s2\n"                                                             \
    "  resolution 400 steps/mm\n"                                                                  \
    "  park at -20 mm\n"
#define AXIS AXIS_TOP "end\n"
#define WATER "water\n  datum at stage 31.4 mm\nend\n"
#define SOURCE_TOP "source board\n  port /dev/ttyACM0 at 115200 baud\n"
#define FRAMES "source board\n port b\n line frames of 14 bytes\n"
#define SYNC " sync \"A5 5A\"\n"
#define BYTES " channel level byte 3 u16 in volts role sensor\n"
#define CHANNEL "  channel level column 2 in volts role sensor\n"

static int read_text(struct rig *rig, const char *text, struct rig_err *err)
{
    *err = (struct rig_err){0};
    return rig_read(rig, "bench.rig", text, strlen(text), units, err);
}

static void good(struct rig *rig, const char *text)
{
    struct rig_err err;
    int code = read_text(rig, text, &err);
    if (code)
        print_error("%s\n", err.text);
    assert_int_equal(code, 0);
}

/* What a controller of this kind has by its nature need not be said. */
static void status_polled_has_defaults_of_its_own(void **state)
{
    (void)state;
    static struct rig rig;
    static const char text[] = "axis\n  port a\n  speaks status-polled\n  travel 0 mm to 20 cm\n"
                               "  speed up to 60 mm/s\n  acceleration up to 900 mm/s2\n"
                               "  resolution 400 steps/mm\n  park at -20 mm\n%s"
                               "end\nwater\n  datum at stage 31.4 mm\nend\n";
    char whole[512];
    snprintf(whole, sizeof whole, text, "");
    good(&rig, whole);
    assert_int_equal(rig.axis.buffer_bytes, 127);
    assert_false(rig.axis.checksums);
    assert_true(rig.axis.live_position);
    snprintf(whole, sizeof whole, text, "  buffer 200 bytes\n  position planned\n");
    good(&rig, whole);
    assert_int_equal(rig.axis.buffer_bytes, 200);
    assert_false(rig.axis.live_position);
    struct rig_err err;
    snprintf(whole, sizeof whole, text, "  checksums yes\n");
    assert_int_equal(read_text(&rig, whole, &err), RIG_EINPUT);
    assert_contains(err.text, ":9:13: status-polled has neither line numbers nor checksums");
}

static void full_file_is_read(void **state)
{
    (void)state;
    static struct rig rig;
    good(&rig, "# a bench\n"
               "axis\n"
               "  port          /dev/serial/by-id/usb-axis at 250000 baud\n"
               "  speaks        status-polled\n"
               "  letter        X reversed\n"
               "  travel        0 mm to 20 cm\n"
               "  speed         up to 3.6 m/min\n"
               "  speed         law jerk limited to 9 m/s3\n"
               "  acceleration  up to 0.9 m/s2\n"
               "  resolution    400 steps/mm\n"
               "  park          at -20 mm\n"
               "  home          at 1 mm\n"
               "  lines         up to 300 lines/s\n"
               "  look          ahead 20 lines\n"
               "  buffer        127 bytes\n"
               "  checksums     no\n"
               "  position      live\n"
               "  poll          20 Hz\n"
               "  lead          300 ms\n"
               "  backlash      20 um\n"
               "end\n"
               "water\n"
               "  datum at stage 31.4 mm\n"
               "  tank  area 900 cm2\n"
               "  board section 0.6 cm2\n"
               "end\n"
               "source board\n"
               "  port    tcp:bench.local:4001\n"
               "  line    csv, checksum nmea\n"
               "  rate    100 Hz\n"
               "  greet   \"stream on\"\n"
               "  clock   column 1 in ms, wraps at 2^32\n"
               "  channel level   column 2 in volts role sensor\n"
               "  channel command column 3 in us    role controller\n"
               "  channel count   column 4 in 1\n"
               "end\n"
               "source wave\n"
               "  port    /dev/ttyACM1 at 921600 baud\n"
               "  line    frames of 14 bytes\n"
               "  sync    \"a5 5A\"\n"
               "  check   crc16-modbus of bytes 1 to 12 at byte 13\n"
               "  clock   byte 3 u32 in us, wraps at 2^32\n"
               "  channel staff byte 7 i16 big scale 0.0001 offset -0.5 in volts\n"
               "end\n"
               "source tap\n"
               "  port    \"a port with blanks\"\n"
               "  line    pairs\n"
               "  clock   key t in us\n"
               "  channel place key p in mm role reference\n"
               "  channel switch key s in 1 role trip at stage 8 cm\n"
               "end\n");
    const struct rig_axis *a = &rig.axis;
    assert_string_equal(a->port, "/dev/serial/by-id/usb-axis");
    assert_int_equal(a->baud, 250000);
    assert_string_equal(a->speaks, "status-polled");
    assert_int_equal(a->letter, 'X');
    assert_true(a->reversed);
    assert_near(a->travel_low_mm, 0, 0, "mm");
    assert_near(a->travel_high_mm, 200, 1e-9, "mm");
    assert_near(a->speed_mm_s, 60, 1e-9, "mm/s");
    assert_int_equal(a->law, SPEED_JERK_LIMITED);
    assert_near(a->jerk_mm_s3, 9000, 1e-7, "mm/s3");
    assert_near(a->acceleration_mm_s2, 900, 1e-9, "mm/s2");
    assert_near(a->step_mm, 0.0025, 1e-15, "mm");
    assert_near(a->park_mm, -20, 0, "mm");
    assert_true(a->homes);
    assert_near(a->home_mm, 1, 0, "mm");
    assert_near(a->line_rate_hz, 300, 1e-9, "lines/s");
    assert_int_equal(a->lookahead_lines, 20);
    assert_int_equal(a->buffer_bytes, 127);
    assert_false(a->checksums);
    assert_true(a->live_position);
    assert_near(a->poll_hz, 20, 0, "Hz");
    assert_near(a->lead_s, 0.3, 1e-15, "s");
    assert_near(a->backlash_mm, 0.02, 1e-15, "mm");
    assert_near(rig.water.datum_mm, 31.4, 0, "mm");
    assert_near(rig.water.tank_area_mm2, 90000, 1e-6, "mm2");
    assert_near(rig.water.board_area_mm2, 60, 1e-9, "mm2");
    assert_int_equal(rig.source_count, 3);
    const struct rig_source *board = &rig.sources[0], *tap = &rig.sources[2];
    const struct rig_source *wave = &rig.sources[1];
    assert_int_equal(wave->format, LINE_FRAMES);
    assert_int_equal(wave->frame.size, 14);
    assert_int_equal(wave->frame.sync_size, 2);
    assert_memory_equal(wave->frame.sync, "\xa5\x5a", 2);
    assert_int_equal(wave->frame.check, CHECK_CRC16_MODBUS);
    assert_int_equal(wave->frame.check_from, 1);
    assert_int_equal(wave->frame.check_to, 12);
    assert_int_equal(wave->frame.check_at, 13);
    assert_false(wave->frame.check_big);
    assert_int_equal(wave->clock_field.byte, 3);
    assert_int_equal(wave->clock_field.type, FIELD_U32);
    assert_int_equal(wave->channels[0].field.type, FIELD_I16);
    assert_true(wave->channels[0].field.big && !wave->clock_field.big);
    assert_near(wave->channels[0].field.scale, 1e-4, 0, "");
    assert_near(wave->channels[0].field.offset, -0.5, 0, "");
    assert_string_equal(board->name, "board");
    assert_string_equal(board->port, "tcp:bench.local:4001");
    assert_int_equal(board->baud, 0);
    assert_int_equal(board->format, LINE_CSV);
    assert_true(board->nmea_checksum);
    assert_near(board->rate_hz, 100, 0, "Hz");
    assert_string_equal(board->greeting, "stream on");
    assert_int_equal(board->clock_column, 1);
    assert_near(board->clock_unit_s, 1e-3, 1e-18, "s");
    assert_near(board->clock_wrap_counts, 4294967296., 0, "counts");
    assert_int_equal(board->channel_count, 3);
    assert_string_equal(board->channels[1].name, "command");
    assert_int_equal(board->channels[1].column, 3);
    assert_string_equal(board->channels[1].unit, "us");
    assert_int_equal(board->channels[1].role, ROLE_CONTROLLER);
    assert_string_equal(board->channels[2].unit, "1");
    assert_int_equal(board->channels[2].role, ROLE_OTHER);
    assert_string_equal(tap->port, "a port with blanks");
    assert_int_equal(tap->format, LINE_PAIRS);
    assert_string_equal(tap->clock_key, "t");
    assert_near(tap->clock_unit_s, 1e-6, 1e-21, "s");
    assert_near(tap->clock_wrap_counts, 0, 0, "counts");
    assert_true(isnan(tap->rate_hz));
    assert_string_equal(tap->channels[0].key, "p");
    assert_int_equal(tap->channels[0].role, ROLE_REFERENCE);
    assert_true(isnan(tap->channels[0].trip_mm));
    assert_int_equal(tap->channels[1].role, ROLE_TRIP);
    assert_near(tap->channels[1].trip_mm, 80, 1e-9, "mm");
}

static void what_is_left_out_has_a_default(void **state)
{
    (void)state;
    static struct rig rig;
    good(&rig, AXIS WATER);
    const struct rig_axis *a = &rig.axis;
    assert_string_equal(a->speaks, "acknowledged-lines");
    assert_int_equal(a->letter, 'Z');
    assert_false(a->reversed);
    assert_int_equal(a->law, SPEED_TRAPEZOID);
    assert_true(isnan(a->jerk_mm_s3));
    assert_true(a->homes);
    assert_near(a->home_mm, 0, 0, "mm");
    assert_near(a->line_rate_hz, 288, 1e-9, "lines/s"); /* 115200 baud, 400 bits a line */
    assert_int_equal(a->lookahead_lines, 16);
    assert_int_equal(a->buffer_bytes, 96);
    assert_true(a->checksums);
    assert_false(a->live_position);
    assert_near(a->poll_hz, 10, 0, "Hz");
    assert_near(a->lead_s, 0.25, 0, "s");
    assert_near(a->backlash_mm, 0, 0, "mm");
    assert_true(isnan(rig.water.tank_area_mm2));
    assert_true(isnan(rig.water.board_area_mm2));
    assert_int_equal(rig.source_count, 0);

    good(&rig, AXIS_TOP "home none\nend\n" WATER);
    assert_false(rig.axis.homes);
    good(&rig, AXIS_TOP "speed law trapezoid\nend\n" WATER);
    assert_int_equal(rig.axis.law, SPEED_TRAPEZOID);
    good(&rig, AXIS WATER SOURCE_TOP CHANNEL "end\n");
    assert_int_equal(rig.sources[0].format, LINE_CSV);
    assert_int_equal(rig.sources[0].clock_column, 0);
}

static void depth_and_stage(void **state)
{
    (void)state;
    static struct rig rig;
    good(&rig, AXIS WATER);
    assert_near(rig_depth_from_stage(&rig, 131.4), 100, 1e-12, "mm");
    good(&rig, AXIS "water\n datum at stage 31.4 mm\n tank area 900 cm2\n"
                    " board section 0.6 cm2\nend\n");
    /* d = (z - z0) A_t/(A_t - A_b) in the water, z - z0 above it. */
    assert_near(rig_depth_from_stage(&rig, 131.4), 100 * 900 / 899.4, 1e-11, "mm");
    assert_near(rig_depth_from_stage(&rig, 11.4), -20, 1e-12, "mm");
    for (double depth = -30; depth <= 160; depth += 9.5)
        assert_near(rig_depth_from_stage(&rig, rig_stage_from_depth(&rig, depth)), depth, 1e-12,
                    "mm");
}

/* Each: what is wrong, where it is reported, and words of what would be right. */
static const struct {
    const char *text, *place, *says;
} wrong[] = {
    {"", ":1:1:", "needs a block 'axis"},
    {AXIS, ":1:1:", "needs a block 'water"},
    {"axel\nend\n" WATER, ":1:1:", "axis"},
    {"axis\nend\n" WATER, ":1:1:", "add 'port"},
    {"axis now\nend\n" WATER, ":1:6:", ""},
    {AXIS AXIS WATER, ":9:1:", "already, on line 1"},
    {AXIS WATER WATER, ":12:1:", "already, on line 9"},
    {AXIS_TOP "speeed up to 3 mm/s\nend\n" WATER, ":8:1:", "speed"},
    {AXIS_TOP "speed up to 3 mm/s\nend\n" WATER, ":8:1:", "already given on line 4"},
    {AXIS_TOP "speed down to 3 mm/s\nend\n" WATER, ":8:7:", "up"},
    {AXIS_TOP "speed law\nend\n" WATER, ":8:10:", "trapezoid"},
    {AXIS_TOP "speed law square\nend\n" WATER, ":8:11:", "trapezoid"},
    {AXIS_TOP "speed law jerk limited to 9000 mm/s2\nend\n" WATER, ":8:27:", "a jerk"},
    {AXIS_TOP "speed law jerk limited to 0 mm/s3\nend\n" WATER, ":8:27:", "greater than zero"},
    {AXIS_TOP "letter F\nend\n" WATER, ":8:8:", "one of A"},
    {AXIS_TOP "letter ZZ\nend\n" WATER, ":8:8:", "one of A"},
    {AXIS_TOP "letter Z upwards\nend\n" WATER, ":8:10:", ""},
    {AXIS_TOP "home somewhere\nend\n" WATER, ":8:6:", "none"},
    {AXIS_TOP "home at 3 s\nend\n" WATER, ":8:9:", "a length"},
    {AXIS_TOP "lines up to 300 Hz\nend\n" WATER, ":8:13:", "lines/s"},
    {AXIS_TOP "look ahead 0 lines\nend\n" WATER, ":8:12:", ""},
    {AXIS_TOP "look ahead 2.5 lines\nend\n" WATER, ":8:12:", ""},
    {AXIS_TOP "buffer 20 bytes\nend\n" WATER, ":8:8:", "64 to 1000000"},
    {AXIS_TOP "checksums maybe\nend\n" WATER, ":8:11:", "yes"},
    {AXIS_TOP "position guessed\nend\n" WATER, ":8:10:", "live"},
    {AXIS_TOP "poll 500 Hz\nend\n" WATER, ":8:6:", "at most 100 Hz"},
    {AXIS_TOP "lead 20 s\nend\n" WATER, ":8:6:", "between 0 s and 10 s"},
    {AXIS_TOP "backlash -1 mm\nend\n" WATER, ":8:10:", "between 0 mm and 10 mm"},
    {AXIS_TOP "speaks \"\"\nend\n" WATER, ":8:8:", "empty"},
    {AXIS_TOP WATER, "", "end"},
    {AXIS "end\n" WATER, ":9:1:", "end"},
    {"axis\n port a at fast baud\nend\n", ":2:12:", "baud"},
    {"axis\n port a at 115200.5 baud\nend\n", ":2:12:", "whole number"},
    {"axis\n port a at 0 baud\nend\n", ":2:12:", "greater than zero"},
    {"axis\n port\nend\n", ":2:6:", "port"},
    {"axis\n travel 200 mm to 0 mm\nend\n", ":2:9:", "upside down"},
    {"axis\n travel 5 mm to 5 mm\nend\n", ":2:9:", "upside down"},
    {"axis\n travel 0 mm to 200 km\nend\n", ":2:9:", "no bench axis"},
    {"axis\n travel 0 to 200 mm\nend\n", ":2:", "mm"},
    {"axis\n speed up to 20 mm\nend\n", ":2:14:", "a speed"},
    {"axis\n speed up to 1e400 mm/s\nend\n", ":2:14:", ""},
    {"axis\n speed up to nan mm/s\nend\n", ":2:14:", ""},
    {"axis\n speed up to 20 km/s\nend\n", ":2:14:", "at most 10000 mm/s"},
    {"axis\n acceleration up to 900 mm/s\nend\n", ":2:21:", "an acceleration"},
    {"axis\n resolution 400\nend\n", ":2:", "steps/mm"},
    {"axis\n resolution 1e9 steps/mm\nend\n", ":2:13:", "no stepper"},
    {"axis\n resolution 0 steps/mm\nend\n", ":2:13:", "greater than zero"},
    {AXIS "water\nend\n", ":9:1:", "add 'datum"},
    {AXIS "water\n datum at 31 mm\nend\n", ":10:11:", "stage"},
    {AXIS "water\n datum at stage 300 mm\nend\n", ":9:1:", "never meets the water"},
    {AXIS "water\n datum at stage 10 mm\nend\n", ":7:11:", "outside the travel"},
    {AXIS "water\n datum at stage 31 mm\n board section 1 cm2\nend\n", ":11:2:", "tank"},
    {AXIS "water\n datum at stage 31 mm\n board section 9 cm2\n tank area 9 cm2\nend\n",
     ":11:16:", "smaller than the tank"},
    {AXIS "water\n datum at stage 31 mm\n tank area 9 cm\nend\n", ":11:12:", "an area"},
    {"axis\n port a\n travel 0 mm to 200 mm\n speed up to 60 mm/s\n acceleration up to 900 mm/s2\n"
     " resolution 400 steps/mm\n park at 5 mm\nend\n" WATER,
     ":7:10:", "in the water"},
    {AXIS WATER "source\nend\n", ":12:7:", "name"},
    {AXIS WATER "source a/b\nend\n", ":12:8:", "letters, digits"},
    {AXIS WATER "source motion\nend\n", ":12:8:", "already"},
    {AXIS WATER SOURCE_TOP CHANNEL "end\n" SOURCE_TOP CHANNEL "end\n", ":16:8:", "already"},
    {AXIS WATER "source board\n" CHANNEL "end\n", ":12:1:", "add 'port"},
    {AXIS WATER SOURCE_TOP "end\n", ":12:1:", "add 'channel"},
    {AXIS WATER SOURCE_TOP " channel level column 2 in volts role\nend\n", ":14:", "sensor"},
    {AXIS WATER SOURCE_TOP " channel level column 2 in volts role sensors\nend\n",
     ":14:39:", "sensor"},
    {AXIS WATER SOURCE_TOP " channel level column 2 in bananas\nend\n", ":14:28:", "bananas"},
    {AXIS WATER SOURCE_TOP " channel level column 0 in volts\nend\n", ":14:23:", ""},
    {AXIS WATER SOURCE_TOP " channel t_s column 2 in volts\nend\n", ":14:10:", "already"},
    {AXIS WATER SOURCE_TOP " channel a.b column 2 in volts\nend\n", ":14:10:", "letters, digits"},
    {AXIS WATER SOURCE_TOP CHANNEL " channel level column 3 in volts\nend\n", ":15:10:", "already"},
    {AXIS WATER SOURCE_TOP CHANNEL " channel two column 2 in volts\nend\n",
     ":15:14:", "in that place already"},
    {AXIS WATER SOURCE_TOP " channel level key l in volts role sensor\nend\n",
     ":14:16:", "columns, not keys"},
    {AXIS WATER SOURCE_TOP CHANNEL " line pairs\nend\n", ":14:17:", "keys, not columns"},
    {AXIS WATER SOURCE_TOP CHANNEL " clock key t in ms\nend\n", ":15:8:", "columns, not keys"},
    {AXIS WATER SOURCE_TOP CHANNEL " clock column 2 in ms\nend\n", ":14:24:", "the clock already"},
    {AXIS WATER SOURCE_TOP CHANNEL " clock column 1 in volts\nend\n", ":15:20:", "no unit of time"},
    {AXIS WATER SOURCE_TOP CHANNEL " clock column 1 in ms, wraps at 1\nend\n", ":15:33:", ""},
    {AXIS WATER SOURCE_TOP CHANNEL " rate 100 s\nend\n", ":15:7:", "a frequency"},
    {AXIS WATER SOURCE_TOP CHANNEL " line tsv\nend\n", ":15:7:", "csv"},
    {AXIS WATER SOURCE_TOP CHANNEL " line csv checksum crc\nend\n", ":15:20:", "nmea"},
    {AXIS WATER SOURCE_TOP " channel level column 2 in volts\nend\n", ":12:1:", "role sensor"},
    {AXIS WATER SOURCE_TOP CHANNEL " line frames\nend\n", ":15:13:", "of"},
    {AXIS WATER SOURCE_TOP CHANNEL " line frames of 2000 bytes\nend\n", ":15:17:", "2 to 1000"},
    {AXIS WATER SOURCE_TOP CHANNEL " sync \"A5\"\nend\n", ":15:2:", "line frames of 14 bytes"},
    {AXIS WATER FRAMES " sync \"A\"\n" BYTES "end\n", ":15:7:", "in hexadecimal"},
    {AXIS WATER FRAMES " sync \"A5 G0\"\n" BYTES "end\n", ":15:7:", "in hexadecimal"},
    {AXIS WATER FRAMES " sync A5\n" BYTES "end\n", ":15:7:", ""},
    {AXIS WATER FRAMES " sync \"11 22 33 44 55 66 77 88 99\"\n" BYTES "end\n", ":15:7:", "1 to 8"},
    {AXIS WATER FRAMES BYTES "end\n", ":12:1:", "add 'sync"},
    {AXIS WATER FRAMES SYNC CHANNEL "end\n", ":16:17:", "write 'byte N TYPE'"},
    {AXIS WATER FRAMES SYNC " channel level byte 13 u32 in volts role sensor\nend\n",
     ":16:21:", "outside the frame of 14 bytes"},
    {AXIS WATER FRAMES SYNC " channel level byte 2 u16 in volts role sensor\nend\n",
     ":16:21:", "begins with"},
    {AXIS WATER FRAMES SYNC " channel level byte 3 u17 in volts role sensor\nend\n",
     ":16:23:", "u16"},
    {AXIS WATER FRAMES SYNC " channel level byte 3 u16 scale 0 in volts role sensor\nend\n",
     ":16:33:", "every reading is the same"},
    {AXIS WATER FRAMES SYNC BYTES " check crc16-ccitt of bytes 1 to 12 at byte 14\nend\n",
     ":17:45:", "no place at byte 14"},
    {AXIS WATER FRAMES SYNC BYTES " check sum8 of bytes 1 to 14 at byte 14\nend\n",
     ":17:38:", "check itself"},
    {AXIS WATER FRAMES SYNC BYTES " check sum8 of bytes 1 to 15 at byte 14\nend\n",
     ":17:22:", "none of a frame of 14"},
    {AXIS WATER FRAMES SYNC BYTES " check sum8 of bytes 1 to 3 at byte 4\nend\n",
     ":16:21:", "part of the check"},
    {AXIS WATER FRAMES SYNC BYTES " check crc17 of bytes 1 to 3 at byte 4\nend\n",
     ":17:8:", "crc16-ccitt"},
    {AXIS WATER SOURCE_TOP CHANNEL " channel encoder column 3 in s role reference\nend\n",
     ":15:30:", "a length"},
};

static void every_mistake_has_its_place_and_remedy(void **state)
{
    (void)state;
    static struct rig rig;
    for (size_t i = 0; i < sizeof wrong / sizeof *wrong; i++) {
        struct rig_err err;
        int code = read_text(&rig, wrong[i].text, &err);
        char place[40];
        snprintf(place, sizeof place, "bench.rig%s", wrong[i].place);
        if ((code != RIG_EINPUT && code != RIG_ELIMIT) || !strstr(err.text, place) ||
            !strstr(err.text, wrong[i].says))
            print_error("case %zu: %s\ngave %d '%s', wanted '%s' and '%s'\n", i, wrong[i].text,
                        code, err.text, place, wrong[i].says);
        assert_true(code == RIG_EINPUT || code == RIG_ELIMIT);
        assert_contains(err.text, place);
        assert_contains(err.text, wrong[i].says);
        assert_int_equal(err.code, code);
    }
}

static void too_much_of_anything(void **state)
{
    (void)state;
    static struct rig rig;
    struct rig_err err;
    static char text[65536];
    size_t size = (size_t)snprintf(text, sizeof text, AXIS WATER SOURCE_TOP CHANNEL);
    for (int i = 3; i < 3 + RIG_CHANNEL_LIMIT; i++)
        size += (size_t)snprintf(text + size, sizeof text - size,
                                 " channel c%d column %d in volts\n", i, i);
    snprintf(text + size, sizeof text - size, "end\n");
    assert_int_equal(read_text(&rig, text, &err), RIG_ELIMIT);
    assert_contains(err.text, "more than 32 channels");

    size = (size_t)snprintf(text, sizeof text, AXIS WATER);
    for (int i = 0; i <= RIG_SOURCE_LIMIT; i++)
        size += (size_t)snprintf(text + size, sizeof text - size,
                                 "source s%d\n port p\n channel c column 1 in volts role sensor\n"
                                 "end\n",
                                 i);
    assert_int_equal(read_text(&rig, text, &err), RIG_ELIMIT);
    assert_contains(err.text, "more than 8 sources");

    char name[600];
    memset(name, 'p', sizeof name - 1);
    name[sizeof name - 1] = 0;
    snprintf(text, sizeof text, "axis\n port %s\nend\n", name);
    assert_int_equal(read_text(&rig, text, &err), RIG_EINPUT);
    assert_contains(err.text, "at most 511 fit");
}

static void bytes_that_are_no_text(void **state)
{
    (void)state;
    static struct rig rig;
    struct rig_err err;
    static const char nul[] = "axis\n port a\0b\nend\n";
    assert_int_equal(rig_read(&rig, "x.rig", nul, sizeof nul - 1, units, &err), RIG_EINPUT);
    assert_contains(err.text, "x.rig:2:");
    /* A file of 100 MB is refused before it is looked at. */
    size_t size = 100u << 20;
    char *big = malloc(size);
    assert_non_null(big);
    memset(big, '#', size);
    assert_int_equal(rig_read(&rig, "x.rig", big, size, units, &err), RIG_EINPUT);
    free(big);
}

static void roles_have_names(void **state)
{
    (void)state;
    assert_string_equal(channel_role_name(ROLE_SENSOR), "sensor");
    assert_string_equal(channel_role_name(ROLE_TRIP), "trip");
    assert_string_equal(channel_role_name((enum channel_role)99), "?");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(full_file_is_read),
        cmocka_unit_test(status_polled_has_defaults_of_its_own),
        cmocka_unit_test(what_is_left_out_has_a_default),
        cmocka_unit_test(depth_and_stage),
        cmocka_unit_test(every_mistake_has_its_place_and_remedy),
        cmocka_unit_test(too_much_of_anything),
        cmocka_unit_test(bytes_that_are_no_text),
        cmocka_unit_test(roles_have_names),
    };
    return cmocka_run_group_tests(tests, open_units, close_units);
}
