/* SPDX-License-Identifier: GPL-3.0-or-later
 * Controllers described by a file: the templates of lines and the patterns of answers at
 * work. The file is read in controller_read.c. */
#include "motion/controller_parts.h"

#include "base/number.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

static const double FARTHEST_MM = 1e6; /* no bench is that long: a damaged number */

/* name, what it is, factor from our unit, decimals unless the file gives them */
static const struct {
    const char *name;
    enum field_kind kind;
    enum controller_unit unit;
    double factor; /* for mm and s; of steps a step_mm */
    int decimals;
} fields[] = {
    {"letter", FIELD_LETTER, UNIT_MM, 1, 0},   {"mm", FIELD_PLACE, UNIT_MM, 1, 4},
    {"um", FIELD_PLACE, UNIT_UM, 1e3, 1},      {"steps", FIELD_PLACE, UNIT_STEPS, 1, 0},
    {"mm/s", FIELD_FEED, UNIT_MM, 1, 5},       {"mm/min", FIELD_FEED, UNIT_MM, 60, 3},
    {"um/s", FIELD_FEED, UNIT_UM, 1e3, 2},     {"um/min", FIELD_FEED, UNIT_UM, 60e3, 0},
    {"steps/s", FIELD_FEED, UNIT_STEPS, 1, 3}, {"steps/min", FIELD_FEED, UNIT_STEPS, 60, 1},
    {"s", FIELD_TIME, UNIT_MM, 1, 3},          {"ms", FIELD_TIME, UNIT_MM, 1e3, 0},
};

bool controller_field(const char *text, size_t size, struct controller_field *field)
{
    const char *colon = memchr(text, ':', size);
    size_t name = colon ? (size_t)(colon - text) : size;
    for (size_t i = 0; i < sizeof fields / sizeof fields[0]; i++) {
        if (strlen(fields[i].name) != name || memcmp(fields[i].name, text, name) != 0)
            continue;
        *field = (struct controller_field){.kind = fields[i].kind,
                                           .unit = fields[i].unit,
                                           .factor = fields[i].factor,
                                           .decimals = fields[i].decimals};
        if (!colon)
            return true;
        bool digit = size == name + 2 && colon[1] >= '0' && colon[1] <= '6';
        field->decimals = digit ? colon[1] - '0' : 0;
        return digit && field->kind != FIELD_LETTER;
    }
    return false;
}

size_t controller_field_size(const char *text)
{
    const char *end = text[0] == '{' ? strchr(text, '}') : NULL;
    return end ? (size_t)(end - text) + 1 : 0;
}

/* Of one of ours in the field's unit. */
static double factor_of(const struct controller_field *field, double step_mm)
{
    return field->unit == UNIT_STEPS && field->kind != FIELD_TIME ? field->factor / step_mm
                                                                  : field->factor;
}

static size_t put_number(char *text, size_t room, double value, int decimals)
{
    int64_t scale = 1;
    for (int i = 0; i < decimals; i++)
        scale *= 10;
    double scaled = rint(value * (double)scale);
    if (!(fabs(scaled) < 1e15)) /* never for what passed the limits */
        scaled = 0;
    int64_t whole = (int64_t)scaled;
    const char *sign = whole < 0 ? "-" : "";
    whole = whole < 0 ? -whole : whole;
    int n = decimals > 0 ? snprintf(text, room, "%s%" PRId64 ".%0*" PRId64, sign, whole / scale,
                                    decimals, whole % scale)
                         : snprintf(text, room, "%s%" PRId64, sign, whole);
    return n < 0 ? 0 : (size_t)n < room ? (size_t)n : room - 1;
}

size_t controller_compose(const char *template, const struct controller_values *values, char *text,
                          size_t room)
{
    size_t size = 0;
    while (*template && size + 1 < room) {
        size_t field_size = controller_field_size(template);
        struct controller_field field;
        if (field_size < 2 || !controller_field(template + 1, field_size - 2, &field)) {
            text[size++] = *template ++;
            continue;
        }
        template += field_size;
        double ours = field.kind == FIELD_PLACE  ? values->wire_mm
                      : field.kind == FIELD_FEED ? values->feed_mm_s
                                                 : values->dwell_s;
        if (field.kind == FIELD_LETTER)
            text[size++] = values->letter;
        else
            size += put_number(text + size, room - size, ours * factor_of(&field, values->step_mm),
                               field.decimals);
    }
    text[size] = '\0';
    return size;
}

/* ---- answers ---- */

static size_t number_size(const char *text)
{
    return strspn(text, "+-.0123456789");
}

/* The whole of text against the whole of pattern. A star is tried as short as possible
 * first, the latest one longest: enough, since patterns have no other choices. */
static bool matches(const char *pattern, const char *text, char letter, double step_mm,
                    double *wire_mm)
{
    const char *star = NULL, *resume = NULL;
    double before_star = NAN;
    *wire_mm = NAN;
    for (;;) {
        size_t field_size = controller_field_size(pattern), digits = number_size(text);
        struct controller_field field;
        bool is_field = field_size >= 2 && controller_field(pattern + 1, field_size - 2, &field);
        double number;
        if (*pattern == '*') {
            star = ++pattern;
            resume = text;
            before_star = *wire_mm;
            continue;
        }
        if (!*pattern && !*text)
            return true;
        if (is_field && field.kind == FIELD_LETTER && *text == letter) {
            pattern += field_size;
            text++;
            continue;
        }
        if (is_field && field.kind == FIELD_PLACE && rig_number(text, digits, &number, NULL)) {
            *wire_mm = number / factor_of(&field, step_mm);
            pattern += field_size;
            text += digits;
            continue;
        }
        if (!is_field && *pattern && *pattern == *text) {
            pattern++;
            text++;
            continue;
        }
        if (!star || !*resume)
            return false;
        pattern = star;
        text = ++resume;
        *wire_mm = before_star;
    }
}

enum controller_heard controller_hear(const struct controller *controller, const char *text,
                                      char letter, double step_mm, double *wire_mm, bool *takes)
{
    for (int i = 0; i < controller->pattern_count; i++) {
        const struct controller_pattern *pattern = &controller->patterns[i];
        if (!matches(pattern->text, text, letter, step_mm, wire_mm))
            continue;
        bool damaged = pattern->means == CONTROLLER_POSITION && !(fabs(*wire_mm) < FARTHEST_MM);
        if (damaged)
            continue;
        *takes = pattern->takes || pattern->means == CONTROLLER_TAKEN;
        return pattern->means;
    }
    *wire_mm = NAN;
    *takes = false;
    return CONTROLLER_CHATTER;
}

/* ---- what a move is rounded to ---- */

/* Counts a mm, or a mm/s, of the first field of a kind in the template of a move. */
static double counts_a_unit(const struct controller *controller, enum field_kind kind,
                            double step_mm)
{
    const char *template = controller->lines[CONTROLLER_MOVE][0];
    for (; *template; template ++) {
        size_t size = controller_field_size(template);
        struct controller_field field;
        if (size >= 2 && controller_field(template + 1, size - 2, &field) && field.kind == kind)
            return factor_of(&field, step_mm) * pow(10, field.decimals);
    }
    return 1e9; /* never: a move has both */
}

double controller_place_mm(const struct controller *controller, double wire_mm, double step_mm)
{
    double counts = counts_a_unit(controller, FIELD_PLACE, step_mm);
    return rint(wire_mm * counts) / counts;
}

double controller_feed_mm_s(const struct controller *controller, double feed_mm_s, double step_mm)
{
    double counts = counts_a_unit(controller, FIELD_FEED, step_mm);
    double whole = rint(feed_mm_s * counts);
    /* A speed that rounds to nothing would never arrive. */
    return (whole == 0 && feed_mm_s > 0 ? 1 : whole) / counts;
}

double controller_feed_step_mm_s(const struct controller *controller, double step_mm)
{
    return 1 / counts_a_unit(controller, FIELD_FEED, step_mm);
}
