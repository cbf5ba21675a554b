/* SPDX-License-Identifier: GPL-3.0-or-later
 * Results in words. */
#include "results/report_parts.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Decimals that show two significant digits of the uncertainty. */
static int decimals_for(double value, double uncertainty)
{
    double scale = uncertainty > 0 && isfinite(uncertainty) ? uncertainty : fabs(value) * 1e-3;
    if (!(scale > 0))
        return 3;
    double decimals = 1 - floor(log10(scale));
    return decimals < 0 ? 0 : decimals > 9 ? 9 : (int)decimals;
}

static void add_unit(struct text *out, const char *unit)
{
    if (*unit && strcmp(unit, "1") != 0) {
        text_add(out, " ");
        text_add(out, unit);
    }
}

void report_value(struct text *out, const struct result *result)
{
    if (!isfinite(result->value)) {
        text_add(out, "not determined: ");
        text_add(out, result->reason);
        return;
    }
    double half_width = (result->high_95 - result->low_95) / 2;
    int decimals = decimals_for(result->value, result->standard_uncertainty);
    text_format(out, "%.*f", decimals, result->value);
    add_unit(out, result->unit);
    if (isfinite(half_width) && half_width > 0)
        text_format(out, " (%.*f to %.*f)", decimals, result->low_95, decimals, result->high_95);
}

/* What the answer says, chapter by chapter: `before` value `after`. */
static const struct {
    const char *chapter, *name, *before, *after;
} lines[] = {
    {"curve", "sensitivity", "one millimetre changes the reading by", " at mid-range"},
    {"curve", "resolution", "noise hides changes of depth below", " (one standard deviation)"},
    {"curve", "dead_band", "a turn must be larger than", " before the reading follows"},
    {"straight", "linearity_independent",
     "at worst the curve departs from the best straight line by", ""},
    {"loops", "hysteresis_at_rest", "at rest, falling water reads higher than rising water by", ""},
    {"loops", "repeatability", "passes from one side repeat within", ""},
    {"cling", "lag_rising", "rising water is read late by", ""},
    {"cling", "lag_falling", "falling water by", ""},
    {"cling", "cling_difference", "clinging water holds the reading up for", " of that"},
    {"waves", "bandwidth", "it follows waves up to", " before it loses 3 dB"},
    {"links", "slowest_link_share", "the slowest link is", " of the whole delay"},
    {"night", "zero_drift", "its zero drifts by", ""},
    {"night", "span_drift", "its span by", ""},
    {"night", "evaporation", "meanwhile the water falls by", ""},
};
enum { LINES = sizeof lines / sizeof *lines };

/* Curve range, which is no single result. */
static bool add_range(struct text *out, double low_mm, double high_mm)
{
    if (!isfinite(low_mm) || !isfinite(high_mm))
        return false;
    text_format(out, "the curve holds from %.4g mm to %.4g mm of depth", low_mm, high_mm);
    return true;
}

static void add_value(struct text *out, const struct result *result, bool plain)
{
    struct text value = {0};
    report_value(&value, result);
    if (!plain)
        text_add(out, "<b>");
    if (plain)
        text_add(out, value.bytes ? value.bytes : "");
    else
        text_add_escaped(out, value.bytes ? value.bytes : "");
    if (!plain)
        text_add(out, "</b>");
    out->failed |= value.failed;
    text_free(&value);
}

/* One chapter in one sentence; false: nothing of it was determined. */
static bool add_chapter(struct text *out, const struct report_input *input, const char *chapter,
                        bool plain)
{
    struct text sentence = {0};
    if (strcmp(chapter, "curve") == 0)
        add_range(&sentence, input->low_mm, input->high_mm);
    for (size_t i = 0; i < LINES; i++) {
        const struct result *result = result_find(input->results, lines[i].name);
        if (strcmp(lines[i].chapter, chapter) != 0 || !result || !isfinite(result->value))
            continue;
        if (sentence.size)
            text_add(&sentence, "; ");
        text_add(&sentence, lines[i].before);
        text_add(&sentence, " ");
        /* "Slowest link: the actuator" names it. */
        const char *which =
            strcmp(lines[i].name, "slowest_link_share") == 0 ? strstr(result->title, ": ") : NULL;
        if (which) {
            text_add(&sentence, which + 2);
            text_add(&sentence, ", with ");
        }
        add_value(&sentence, result, plain);
        text_add(&sentence, lines[i].after);
    }
    bool said = sentence.size > 0;
    if (said) {
        char first = sentence.bytes[0];
        sentence.bytes[0] = first >= 'a' && first <= 'z' ? (char)(first - 'a' + 'A') : first;
        text_add(out, sentence.bytes);
        text_add(out, ".");
    }
    out->failed |= sentence.failed;
    text_free(&sentence);
    return said;
}

/* Whether the fit has looked for anything of this chapter. */
static bool looked_for(const struct report_input *input, const char *chapter)
{
    for (size_t i = 0; i < LINES; i++)
        if (strcmp(lines[i].chapter, chapter) == 0 && result_find(input->results, lines[i].name))
            return true;
    return false;
}

void report_answer(struct text *out, const struct report_input *input, bool plain)
{
    bool any = false;
    for (size_t c = 0; c < report_chapter_count; c++) {
        const struct report_chapter *chapter = &report_chapters[c];
        struct text sentence = {0};
        bool said = add_chapter(&sentence, input, chapter->id, plain);
        any |= said;
        if (plain && said) {
            text_add(out, sentence.bytes);
            text_add(out, "\n");
        } else if (!plain && (said || looked_for(input, chapter->id))) {
            text_format(out, "<dt><a href=\"#%s\">%s</a></dt><dd%s>%s</dd>\n", chapter->id,
                        chapter->mark, said ? "" : " class=\"none\"",
                        said ? sentence.bytes : "Not determined: see below.");
        }
        out->failed |= sentence.failed;
        text_free(&sentence);
    }
    if (!any && plain)
        text_add(out, "Nothing could be determined from this recording.\n");
    else if (!any)
        text_add(out, "<dd>Nothing could be determined from this recording.</dd>\n");
}
