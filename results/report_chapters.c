/* SPDX-License-Identifier: GPL-3.0-or-later
 * The report is laid out by the questions that a maker of boards has. */
#include "results/report_parts.h"

#include <string.h>

#define WORDS(...) ((const char *const[]){__VA_ARGS__, NULL})

const struct report_chapter report_chapters[] = {
    {"curve", "curve", "How does a reading become a depth?",
     WORDS("sensitivity", "reading_", "curve_", "noise", "resolution", "allan", "usable",
           "dead_band", "displacement"),
     WORDS("calibration", "residuals", "noise", "allan")},
    {"straight", "straightness", "Is it straight?", WORDS("linearity"), WORDS("straight")},
    {"loops", "up and down", "Do rising and falling water agree?",
     WORDS("hysteresis", "repeatability", "lag_sum"), WORDS("loop", "hysteresis", "repeat")},
    {"cling", "lag and cling", "How late is a reading, and how long does water cling?",
     WORDS("lag", "cling", "film", "mean_lag", "step"), WORDS("step", "cling", "film", "lag")},
    {"waves", "waves", "Which waves does it follow?", WORDS("gain", "phase", "bandwidth", "sine"),
     WORDS("gain", "phase", "sine", "distortion")},
    {"links", "links", "How fast is each link of the chain?",
     WORDS("link", "slow", "update", "repeat_share", "chain", "controller", "actuator", "sensor"),
     WORDS("link", "chain", "update", "interval", "controller", "actuator")},
    {"night", "drift", "Does it stay put?",
     WORDS("zero_", "span_", "water_", "evaporation", "drift", "temperature"),
     WORDS("night", "zero", "span", "water", "drift", "temperature", "evaporation")},
    {"recording", "recording", "Can the recording be trusted?",
     WORDS("stamp", "clock", "axis_clock", "start_delay", "backlash"),
     WORDS("stamp", "clock", "events", "sync")},
    {"more", "more", "What else was found?", WORDS(""), WORDS("")},
};
const size_t report_chapter_count = sizeof report_chapters / sizeof *report_chapters;

static size_t chapter_of(const char *name, bool figure)
{
    for (size_t c = 0; c < report_chapter_count; c++) {
        const char *const *words = figure ? report_chapters[c].figures : report_chapters[c].results;
        for (; *words; words++)
            if (strncmp(name, *words, strlen(*words)) == 0)
                return c;
    }
    return report_chapter_count - 1;
}

size_t report_chapter_of_result(const char *name)
{
    return chapter_of(name, false);
}

size_t report_chapter_of_figure(const char *id)
{
    return chapter_of(id, true);
}
