/* SPDX-License-Identifier: GPL-3.0-or-later
 * The words of bench files, one row each. */
#include "rig/sim_file.h"

#include <math.h>
#include <stddef.h>
#include <stdio.h>
#include <string.h>

#define OF(field) offsetof(struct sim_truth, field)
#define LINK(field) offsetof(struct sim_link, field)

static int read_resolution(struct sim_block_file *block, struct cursor *cursor)
{
    size_t at = cursor->at;
    double steps;
    int code = cursor_quantity(cursor, QUANTITY_RESOLUTION, "the resolution", &steps);
    if (code)
        return code;
    if (!(steps > 0))
        return cursor_fail_at(cursor, at, RIG_ELIMIT, "the resolution must be above 0 steps/mm");
    block->truth->step_mm = 1 / steps;
    return 0;
}

/* In the words of rig files: 'speed up to ...', and 'speed law trapezoid' or 'speed law
 * jerk limited to ...'. */
static int read_speed(struct sim_block_file *block, struct cursor *cursor)
{
    static const struct sim_word top = {
        .slots = {{"up to", "the speed", QUANTITY_SPEED, NULL, 1e-3, 1e4, OF(top_speed_mm_s), 0}}};
    static const struct sim_word jerk = {
        .slots = {{"limited to", "the jerk", QUANTITY_JERK, NULL, 1, 1e9, OF(jerk_mm_s3), 0}}};
    static const char *const laws[] = {"trapezoid", "jerk"};
    size_t which;
    if (!cursor_takes(cursor, "law"))
        return sim_read_slots(block, &top, cursor);
    int code = cursor_choice(cursor, laws, 2, &which);
    if (code)
        return code;
    block->truth->law = which ? SPEED_JERK_LIMITED : SPEED_TRAPEZOID;
    return which ? sim_read_slots(block, &jerk, cursor) : 0;
}

static int read_look(struct sim_block_file *block, struct cursor *cursor)
{
    int64_t lines = 0;
    int code = cursor_word(cursor, "ahead");
    if (!code)
        code = cursor_count(cursor, "the number of lines", 1, 1000, &lines);
    if (!code)
        code = cursor_word(cursor, "lines");
    if (!code)
        block->truth->lookahead_lines = (int)lines;
    return code;
}

static int read_buffer(struct sim_block_file *block, struct cursor *cursor)
{
    size_t at = cursor->at;
    double bytes;
    int code = cursor_quantity(cursor, QUANTITY_BYTES, "the buffer", &bytes);
    if (code)
        return code;
    if (bytes < 16 || bytes > 65536 || bytes != rint(bytes))
        return cursor_fail_at(cursor, at, RIG_ELIMIT,
                              "the buffer is a whole number of 16 to 65536 bytes");
    block->truth->buffer_bytes = (int)bytes;
    return 0;
}

static int read_position(struct sim_block_file *block, struct cursor *cursor)
{
    static const char *const words[] = {"live", "planned"};
    size_t which;
    int64_t digits = 0;
    int code = cursor_choice(cursor, words, 2, &which);
    if (code)
        return code;
    block->truth->live_position = which == 0;
    if (!cursor_takes_comma(cursor))
        return 0;
    code = cursor_count(cursor, "the number of decimals", 0, 6, &digits);
    if (!code)
        code = cursor_word(cursor, "decimals");
    if (!code)
        block->truth->position_digits = (int)digits;
    return code;
}

/* "NUMBER, NUMBER, ... in UNIT" */
static int read_row(struct sim_block_file *block, struct cursor *cursor, double row[], size_t room)
{
    size_t count = 0;
    int code;
    do {
        if (count == room)
            return cursor_fail(cursor, "at most %zu numbers belong here", room);
        if ((code = cursor_plain(cursor, "a coefficient", -1e12, 1e12, &row[count])))
            return code;
        count++;
    } while (cursor_takes_comma(cursor));
    while (count < room)
        row[count++] = 0;
    const char *unit;
    size_t at = cursor->at + 1;
    if ((code = cursor_word(cursor, "in")) || (code = cursor_any_word(cursor, "a unit", &unit)))
        return code;
    struct rig_err why = {0};
    if (units_check(cursor->units, unit, strlen(unit), &why))
        return cursor_fail_at(cursor, at, RIG_EINPUT, "%s", why.text);
    if (strlen(unit) >= RIG_NAME_SIZE)
        return cursor_fail_at(cursor, at, RIG_EINPUT, "the unit is too long");
    snprintf(block->unit, RIG_NAME_SIZE, "%s", unit);
    return 0;
}

static int read_curve(struct sim_block_file *block, struct cursor *cursor)
{
    struct sim_truth *truth = block->truth;
    int code = read_row(block, cursor, truth->curve, sizeof truth->curve / sizeof truth->curve[0]);
    if (!code)
        code = cursor_word(cursor, "and");
    return code ? code : cursor_word(cursor, "mm");
}

static int read_output(struct sim_block_file *block, struct cursor *cursor)
{
    struct sim_link *link = block->fields;
    double row[2];
    int code = read_row(block, cursor, row, 2);
    if (code)
        return code;
    link->offset = row[0];
    link->gain = row[1];
    return 0;
}

static int read_every(struct sim_block_file *block, struct cursor *cursor)
{
    struct sim_link *link = block->fields;
    size_t at = cursor->at;
    double interval_s;
    int code = cursor_quantity(cursor, QUANTITY_TIME, "the interval", &interval_s);
    if (code)
        return code;
    if (interval_s != 0 && !(interval_s >= 1e-4 && interval_s <= 10))
        return cursor_fail_at(cursor, at, RIG_ELIMIT,
                              "the interval is 0 s (with every line) or 0.1 ms to 10 s");
    link->interval_s = interval_s;
    return 0;
}

const struct sim_word sim_axis_words[] = {
    {"speed", {{0}}, read_speed, "law"},
    {"acceleration",
     {{"up to", "the acceleration", QUANTITY_ACCELERATION, NULL, 1e-2, 1e6, OF(acceleration_mm_s2),
       0}},
     0,
     0},
    {"resolution", {{0}}, read_resolution, 0},
    {"backlash", {{"", "the backlash", QUANTITY_LENGTH, NULL, 0, 10, OF(backlash_mm), 0}}, 0, 0},
    {"starts",
     {{"after", "the start delay", QUANTITY_TIME, NULL, 0, 10, OF(start_delay_s), 0},
      {"spread", "its spread", QUANTITY_TIME, NULL, 0, 10, OF(start_delay_sd_s), true}},
     0,
     0},
    {"hears",
     {{"after", "the question's delay", QUANTITY_TIME, NULL, 0, 10, OF(question_delay_s), 0}},
     0,
     0},
    {"answers",
     {{"after", "the answer's delay", QUANTITY_TIME, NULL, 0, 10, OF(answer_delay_s), 0},
      {"spread", "its spread", QUANTITY_TIME, NULL, 0, 10, OF(answer_delay_sd_s), true}},
     0,
     0},
    {"clock", {{"skew", "the skew", QUANTITY_PARTS, NULL, -1e5, 1e5, OF(axis_skew_ppm), 0}}, 0, 0},
    {"look", {{0}}, read_look, 0},
    {"buffer", {{0}}, read_buffer, 0},
    {"home",
     {{"at", "home", QUANTITY_LENGTH, NULL, -1e5, 1e5, OF(home_mm), 0},
      {"speed", "the homing speed", QUANTITY_SPEED, NULL, 1e-3, 1e4, OF(homing_speed_mm_s), true}},
     0,
     0},
    {"travel",
     {{"", "the upper end", QUANTITY_LENGTH, NULL, -1e5, 1e5, OF(travel_low_mm), 0},
      {"to", "the lower end", QUANTITY_LENGTH, NULL, -1e5, 1e5, OF(travel_high_mm), 0}},
     0,
     0},
    {"position", {{0}}, read_position, 0},
    {"reference",
     {{"noise", "its noise", QUANTITY_LENGTH, NULL, 0, 10, OF(reference_noise_mm), true},
      {"resolution", "its resolution", QUANTITY_LENGTH, NULL, 0, 10, OF(reference_step_mm), true}},
     0,
     0},
    {"trip", {{"at stage", "the switch", QUANTITY_LENGTH, NULL, -1e5, 1e5, OF(trip_mm), 0}}, 0, 0},
    {0},
};

const struct sim_word sim_water_words[] = {
    {"datum", {{"at stage", "the datum", QUANTITY_LENGTH, NULL, -1e5, 1e5, OF(datum_mm), 0}}, 0, 0},
    {"tank",
     {{"area", "the tank's area", QUANTITY_AREA, NULL, 1, 1e12, OF(tank_area_mm2), 0}},
     0,
     0},
    {"evaporation",
     {{"", "the evaporation", QUANTITY_LENGTH_RATE, NULL, -1e3, 1e3, OF(evaporation_mm_h), 0}},
     0,
     0},
    {"temperature",
     {{"", "the temperature", QUANTITY_TEMPERATURE, NULL, -2, 100, OF(water_degc), 0},
      {"swing", "the swing", QUANTITY_TEMPERATURE, NULL, 0, 50, OF(water_swing_degc), true},
      {"over", "the swing's period", QUANTITY_TIME, NULL, 1, 1e9, OF(water_swing_period_s), true}},
     0,
     0},
    {0},
};

const struct sim_word sim_board_words[] = {
    {"curve", {{0}}, read_curve, 0},
    {"section",
     {{"", "the board's section", QUANTITY_AREA, NULL, 0, 1e10, OF(board_area_mm2), 0}},
     0,
     0},
    {"hysteresis", {{"", "the play", QUANTITY_LENGTH, NULL, 0, 100, OF(hysteresis_mm), 0}}, 0, 0},
    {"lag",
     {{"rising", "the lag", QUANTITY_TIME, NULL, 0, 100, OF(lag_rising_s), 0},
      {"falling", "the lag", QUANTITY_TIME, NULL, 0, 100, OF(lag_falling_s), 0}},
     0,
     0},
    {"dead",
     {{"time", "the dead time", QUANTITY_TIME, NULL, 0, 10, OF(sensor_dead_time_s), 0}},
     0,
     0},
    {"noise", {{"", "the noise", SIM_READING, NULL, 0, 1e12, OF(noise_sd), 0}}, 0, 0},
    {"resolution", {{"", "the resolution", SIM_READING, NULL, 0, 1e12, OF(resolution), 0}}, 0, 0},
    {"drift",
     {{"zero", "the zero's drift", SIM_READING, "h", -1e12, 1e12, OF(zero_drift_per_h), true},
      {"span", "the span's drift", QUANTITY_PARTS, "h", -1e6, 1e6, OF(span_drift_ppm_h), true}},
     0,
     0},
    {"temperature",
     {{"effect", "the temperature's effect", SIM_READING, "degC", -1e12, 1e12,
       OF(temperature_coefficient), 0},
      {"span", "its effect on the span", QUANTITY_PARTS, "degC", -1e6, 1e6,
       OF(span_temperature_ppm), true}},
     0,
     0},
    {"wander",
     {{"", "the zero's wander", SIM_READING, NULL, 0, 1e12, OF(zero_wander), 0},
      {"over", "its memory", QUANTITY_TIME, NULL, 1e-3, 1e9, OF(zero_wander_s), 0}},
     0,
     0},
    {"line",
     {{"every", "the line interval", QUANTITY_TIME, NULL, 1e-4, 10, OF(line_interval_s), 0},
      {"delay", "the line's delay", QUANTITY_TIME, NULL, 0, 10, OF(line_delay_s), true},
      {"spread", "its spread", QUANTITY_TIME, NULL, 0, 10, OF(line_delay_sd_s), true}},
     0,
     0},
    {"clock",
     {{"skew", "the skew", QUANTITY_PARTS, NULL, -1e5, 1e5, OF(clock_skew_ppm), true},
      {"offset", "the offset", QUANTITY_TIME, NULL, 0, 1e9, OF(clock_offset_s), true}},
     0,
     0},
    {0},
};

const struct sim_word sim_link_words[] = {
    {"output", {{0}}, read_output, 0},
    {"every", {{0}}, read_every, 0},
    {"dead", {{"time", "the dead time", QUANTITY_TIME, NULL, 0, 10, LINK(dead_time_s), 0}}, 0, 0},
    {"time",
     {{"constant", "the time constant", QUANTITY_TIME, NULL, 0, 100, LINK(time_constant_s), 0}},
     0,
     0},
    {"rate", {{"limit", "the rate limit", SIM_READING, "s", 0, 1e12, LINK(rate_limit), 0}}, 0, 0},
    {"resolution", {{"", "the resolution", SIM_READING, NULL, 0, 1e12, LINK(resolution), 0}}, 0, 0},
    {0},
};
