/* SPDX-License-Identifier: GPL-3.0-or-later
 * Text helpers of the axis wire: numbers out, words and numbers in. Independent of
 * the locale; no allocation. */
#include "motion/axis_dialect.h"

#include "base/number.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

size_t axis_put_number(char *text, size_t room, double value, int decimals)
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

void axis_put(struct axis_line *line, const char *text)
{
    size_t size = strlen(text);
    if (size > sizeof line->bytes - line->size)
        size = sizeof line->bytes - line->size;
    memcpy(line->bytes + line->size, text, size);
    line->size += size;
}

void axis_put_value(struct axis_line *line, char letter, double value, int decimals)
{
    char text[40] = {' ', letter};
    axis_put_number(text + 2, sizeof text - 2, value, decimals);
    axis_put(line, text);
}

static char lower(char c)
{
    return c >= 'A' && c <= 'Z' ? (char)(c - 'A' + 'a') : c;
}

static bool is_digit(char c)
{
    return c >= '0' && c <= '9';
}

static bool is_letter(char c)
{
    return lower(c) >= 'a' && lower(c) <= 'z';
}

bool axis_begins(const char *text, const char *word)
{
    for (; *word; text++, word++)
        if (lower(*text) != lower(*word))
            return false;
    return true;
}

bool axis_contains(const char *text, const char *word)
{
    for (; *text; text++)
        if (axis_begins(text, word))
            return true;
    return false;
}

bool axis_find_value(const char *text, char letter, bool colon, double *value)
{
    for (const char *at = text; *at; at++) {
        if (*at != letter || (at > text && (is_letter(at[-1]) || is_digit(at[-1]))))
            continue;
        const char *from = at + 1;
        if (colon && *from++ != ':')
            continue;
        while (*from == ' ')
            from++;
        size_t size = 0;
        while (is_digit(from[size]) || from[size] == '.' || from[size] == '-' || from[size] == '+')
            size++;
        /* A number that runs into a letter, or has two signs, is a damaged one. */
        if (!is_letter(from[size]) && rig_number(from, size, value, NULL))
            return true;
    }
    return false;
}

long axis_find_count(const char *text)
{
    while (*text == ' ' || *text == ':')
        text++;
    if (*text == 'N' || *text == 'n')
        text++;
    if (!is_digit(*text))
        return -1;
    long count = 0;
    for (; is_digit(*text); text++) {
        if (count > 99999999)
            return -1;
        count = count * 10 + (*text - '0');
    }
    return *text == '\0' || *text == ' ' || *text == ',' ? count : -1;
}

double axis_to_wire(const struct axis *axis, double stage_mm)
{
    double wire = axis->settings.reversed ? -stage_mm : stage_mm;
    return wire == 0 ? 0 : wire; /* no "-0" */
}
