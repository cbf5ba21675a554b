/* SPDX-License-Identifier: GPL-3.0-or-later
 * A comparison for people and for programs: text, JSON, and a page like the report's that
 * opens without a network. Pure. */
#ifndef RESULTS_COMPARE_PAGE_H
#define RESULTS_COMPARE_PAGE_H

#include "base/text.h"
#include "results/compare.h"
#include "results/recording.h"

#include <jansson.h>

/* What a page says of one recording besides its results. Borrowed. */
struct compare_named {
    const char *folder;
    const struct run_facts *facts;
};

struct compare_input {
    const struct comparison *comparison;
    const struct compare_side *before, *after;
    const struct compare_named *before_named, *after_named; /* as many as the sides have */
    const char *const *warnings; /* why, and what can still be compared */
    size_t warning_count;
};

/* The table and the warnings, for a terminal. */
void compare_text(struct text *out, const struct compare_input *input);
/* The object that docs/formats_recording.md describes; the caller owns it. NULL: no memory. */
json_t *compare_json(const struct compare_input *input);
/* Figures of both sides' first recordings laid over one another; *figures zeroed before, freed
 * by the caller. */
int compare_figures(struct figure_list *figures, const struct compare_input *input,
                    struct rig_err *err);
int compare_html(struct text *out, const struct compare_input *input, struct rig_err *err);

#endif
