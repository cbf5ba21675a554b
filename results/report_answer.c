/* SPDX-License-Identifier: GPL-3.0-or-later
 * Results in words. */
#include "results/report.h"

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

/* One sentence: `before` value `after`, for a result that was determined. */
static int sentence(struct text *out, const struct result_list *results, const char *name,
                    const char *before, const char *after, int plain)
{
    const struct result *result = result_find(results, name);
    if (!result || !isfinite(result->value))
        return 0;
    text_add(out, plain ? "" : "<li>");
    text_add(out, before);
    text_add(out, plain ? " " : " <b>");
    struct text value = {0};
    report_value(&value, result);
    if (value.bytes) {
        if (plain)
            text_add(out, value.bytes);
        else
            text_add_escaped(out, value.bytes);
    } else {
        out->failed = true;
    }
    text_free(&value);
    text_add(out, plain ? "" : "</b>");
    text_add(out, after);
    text_add(out, plain ? ".\n" : ".</li>\n");
    return 1;
}

void report_answer(struct text *out, const struct result_list *results, int plain)
{
    static const struct {
        const char *name, *before, *after;
    } lines[] = {
        {"sensitivity", "The reading changes by", " at mid-range"},
        {"linearity_independent", "It departs from the best straight line by at most", ""},
        {"hysteresis_at_rest", "Falling water reads higher than rising water, at rest, by", ""},
        {"repeatability", "Passes from one side repeat within", ""},
        {"resolution", "Noise lets depth be told apart by", " (one standard deviation)"},
        {"lag_rising", "Rising water is read late by", ""},
        {"lag_falling", "Falling water is read late by", ""},
        {"cling_difference", "Clinging water holds the reading up for another", " on the way down"},
        {"bandwidth", "It follows waves up to", " before it loses 3 dB"},
        {"slowest_link_share", "The slowest link of the chain takes", " of the whole delay"},
        {"zero_drift", "Its zero drifts by", ""},
    };
    int said = 0;
    for (size_t i = 0; i < sizeof lines / sizeof *lines; i++)
        said += sentence(out, results, lines[i].name, lines[i].before, lines[i].after, plain);
    if (!said)
        text_add(out, plain ? "Nothing could be determined from this recording.\n"
                            : "<li>Nothing could be determined from this recording.</li>\n");
}
