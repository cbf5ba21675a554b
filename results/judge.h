/* SPDX-License-Identifier: GPL-3.0-or-later
 * Does a board pass? A limits file against the results of a recording, with the measurement's
 * uncertainty taken into account by a stated rule (JCGM 106:2012). Pure.
 *
 *   title    "Production limits, revision B"
 *   revision B                                 # optional: of which boards
 *   rule     guarded by 1 U                    # or: rule simple
 *   limit    linearity_independent at most 1.2 %
 *   limit    sensitivity at least 19 mV/mm
 *   limit    lag_falling from 50 ms to 400 ms
 */
#ifndef RESULTS_JUDGE_H
#define RESULTS_JUDGE_H

#include "base/err.h"
#include "base/quantity.h"
#include "base/text.h"
#include "results/result.h"

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

enum { LIMITS_MOST = 128, LIMIT_UNIT_SIZE = 32, LIMITS_TITLE_SIZE = 128 };

/* One end of what is allowed; `given` false: open. */
struct limit_end {
    bool given;
    double value;
    char unit[LIMIT_UNIT_SIZE]; /* as written; "" for a plain number */
};

struct limit {
    char name[RESULT_NAME_SIZE]; /* of a result */
    struct limit_end low, high;
    int line, column; /* of the name, for errors */
};

/* guard: r, so that what is accepted ends r U inside the limits, U the half width of the 95 %
 * interval (JCGM 106:2012 8.3); 0: simple acceptance (8.2). */
struct limits {
    char title[LIMITS_TITLE_SIZE], revision[RESULT_NAME_SIZE]; /* "" when not given */
    double guard;
    size_t count;
    struct limit limits[LIMITS_MOST];
};

/* text[0..size). name: of the file, for errors. RIG_EINPUT with NAME:LINE:COLUMN: what is
 * wrong; what would be right. Without a rule: guarded by 1 U. At least one limit; no result
 * twice. `limits` is overwritten. */
int limits_read(struct limits *limits, const char *name, const char *text, size_t size,
                struct rig_err *err);

enum judge_verdict { JUDGE_PASS, JUDGE_FAIL, JUDGE_MISSING };

struct judged {
    const struct limit *limit;
    char title[RESULT_TEXT_SIZE], unit[24];
    double value, expanded; /* of the result; U: NaN without an interval */
    double low, high;       /* limits in the result's unit; infinite: open */
    /* From the value to the nearest end of what is accepted, > 0 inside; NaN: missing. */
    double margin;
    double conformance; /* chance that the true value lies within the limits; NaN: not known */
    enum judge_verdict verdict;
    char reason[RESULT_TEXT_SIZE]; /* of what is missing */
};

struct judgement {
    size_t count, failed; /* failed: those missing too */
    struct judged judged[LIMITS_MOST];
};

/* results: those of a fit. A result that is missing, has a reason in place of a value, or has no
 * interval where the rule needs one, fails. RIG_EINPUT with the limit's place: a unit that doesn't
 * suit the result; a name that no result has and that is near to one that is there. */
int judge_results(struct judgement *judgement, const struct limits *limits, const char *name,
                  const struct result_list *results, struct units *units, struct rig_err *err);

/* Chance that a quantity of this estimate lies between low and high: normal, or Student's t for
 * finite degrees of freedom (JCGM 106:2012 clause 7). NaN without an uncertainty. */
double judge_conformance(double value, double standard_uncertainty, double degrees_of_freedom,
                         double low, double high);

/* What was judged, as people and programs read it. */
struct judge_words {
    const char *board, *revision, *coating, *recording, *started; /* of the recording */
    const char *limits_name;                                      /* of the file */
    const char *limits_sha256, *results_sha256;
    const char *version;
};
void judge_text(struct text *out, const struct judgement *judgement, const struct limits *limits,
                const struct judge_words *words);
/* One line without a newline: "WS-B-0007  B  PASS  12 of 12  2026-04-17  production-b". */
void judge_label(struct text *out, const struct judgement *judgement,
                 const struct judge_words *words);
/* The object of docs/formats_recording.md; the caller owns it. NULL: no memory. */
json_t *judge_json(const struct judgement *judgement, const struct limits *limits,
                   const struct judge_words *words);

#endif
