/* SPDX-License-Identifier: GPL-3.0-or-later
 * Dialect 'status-polled': a status report as numbers, and what codes mean. Common
 * practice, no source; codes from memory. Pure. */
#include "motion/axis_polled.h"

#include "base/number.h"

#include <math.h>
#include <string.h>

static const double FARTHEST_MM = 1e6; /* no bench is that long: a damaged number */

static size_t place_of(char letter)
{
    static const char letters[] = "XYZABCUVW";
    const char *at = strchr(letters, letter == 'E' ? 'A' : letter);
    return at ? (size_t)(at - letters) : 0;
}

/* The number at a place of "NAME:1.000,2.000,3.000", up to the next bar or the end; NaN
 * when it is not there. False: it is there, and no number. */
static bool find_number(const char *text, const char *name, size_t place, double *value)
{
    *value = NAN;
    const char *at = strstr(text, name);
    if (!at || (at > text && at[-1] != '|' && at[-1] != ','))
        return true;
    at += strlen(name);
    for (; place > 0; place--) {
        at += strcspn(at, ",|>");
        if (*at++ != ',')
            return true;
    }
    size_t size = strcspn(at, ",|>");
    return rig_number(at, size, value, NULL) && fabs(*value) < FARTHEST_MM;
}

static bool find_state(const char *text, enum polled_doing *doing)
{
    static const struct {
        const char *word;
        enum polled_doing doing;
    } states[] = {
        {"Idle", POLLED_IDLE},       {"Run", POLLED_MOVING},    {"Jog", POLLED_MOVING},
        {"Home", POLLED_MOVING},     {"Queue", POLLED_MOVING},  {"Check", POLLED_MOVING},
        {"Tool", POLLED_MOVING},     {"Hold:0", POLLED_PAUSED}, {"Hold:1", POLLED_SLOWING},
        {"Hold", POLLED_MAYBE_REST}, {"Door:0", POLLED_PAUSED}, {"Door:1", POLLED_PAUSED},
        {"Door:2", POLLED_SLOWING},  {"Door:3", POLLED_MOVING}, {"Door", POLLED_MAYBE_REST},
        {"Alarm", POLLED_LOCKED},    {"Sleep", POLLED_LOCKED},
    };
    size_t size = strcspn(text, "|,>");
    for (size_t i = 0; i < sizeof states / sizeof states[0]; i++)
        if (strlen(states[i].word) == size && memcmp(text, states[i].word, size) == 0) {
            *doing = states[i].doing;
            return true;
        }
    return false;
}

bool polled_read_report(const char *text, char letter, struct polled_report *report)
{
    size_t size = strlen(text), place = place_of(letter);
    if (size < 3 || text[0] != '<' || text[size - 1] != '>' || strchr(text + 1, '<'))
        return false;
    return find_state(text + 1, &report->doing) &&
           find_number(text, "MPos:", place, &report->machine_mm) &&
           find_number(text, "WPos:", place, &report->wire_mm) &&
           find_number(text, "WCO:", place, &report->offset_mm);
}

long polled_code(const char *text)
{
    const char *at = strchr(text, ':');
    return at ? axis_find_count(at + 1) : -1;
}

const char *polled_error_meaning(long code)
{
    switch (code) {
    case 1:
    case 2:
    case 3:
    case 11:
    case 20:
    case 21:
    case 23:
    case 24:
    case 25:
        return " (it can't read the line)";
    case 5:
        return " (homing is switched off in the controller)";
    case 8:
        return " (not while it moves)";
    case 9:
        return " (it is locked after an alarm)";
    case 13:
        return " (its safety door is open)";
    case 15:
        return " (outside the controller's own limits)";
    case 22:
        return " (it knows no speed)";
    default:
        return "";
    }
}

const char *polled_alarm_meaning(long code)
{
    switch (code) {
    case 1:
        return " (an end switch was hit)";
    case 2:
        return " (outside the controller's own limits)";
    case 3:
        return " (it was reset while it moved)";
    case 6:
        return " (homing: it was reset)";
    case 7:
        return " (homing: its safety door was opened)";
    case 8:
        return " (homing: the switch did not let go)";
    case 9:
        return " (homing: no switch was found)";
    default:
        return "";
    }
}
