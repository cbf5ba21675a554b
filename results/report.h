/* SPDX-License-Identifier: GPL-3.0-or-later
 * The report: one HTML file that opens without a network and prints on A4. Pure:
 * results and figures in, text out. */
#ifndef RESULTS_REPORT_H
#define RESULTS_REPORT_H

#include "base/err.h"
#include "base/text.h"
#include "results/figure.h"
#include "results/recording.h"
#include "results/result.h"

#include <stdbool.h>
#include <stddef.h>

struct report_input {
    const char *title;             /* "Wave-staff board WS-0231" */
    const struct run_facts *facts; /* NULL allowed: a table by hand has none */
    const char *state;             /* of the recording: "complete"; NULL allowed */
    const char *state_reason;      /* one sentence, NULL or "" when there is none */
    const struct result_list *results;
    const struct figure_list *figures;
    double low_mm, high_mm;      /* depths that the curve covers; NaN: no curve */
    const char *const *warnings; /* sentences that the reader must see first */
    size_t warning_count;
    const char *plot_script, *plot_style; /* dygraphs, as text; report_dygraphs_* below */
};

/* Appends the whole page to out. RIG_EMEMORY or 0. */
int report_html(struct text *out, const struct report_input *input, struct rig_err *err);

/* The answer in a few sentences with numbers and intervals, one a question: lines of text
 * for the terminal when `plain`, else the inside of an HTML list. Uses results, low_mm and
 * high_mm of the input. */
void report_answer(struct text *out, const struct report_input *input, bool plain);

/* "0.312 s (0.298 to 0.326)", digits by the uncertainty (two significant digits of
 * it, JCGM 100:2008 7.2.6); the reason when there is no value. */
void report_value(struct text *out, const struct result *result);

/* The plot library's script and style, read from Debian's package when wetsweep was built. */
extern const char report_dygraphs_script[];
extern const char report_dygraphs_style[];

#endif
