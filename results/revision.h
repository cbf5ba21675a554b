/* SPDX-License-Identifier: GPL-3.0-or-later
 * One curve for the boards of a revision: how far boards differ against how well one board
 * repeats, and what each way of production costs in depth. docs/methods_compare.md. Pure. */
#ifndef RESULTS_REVISION_H
#define RESULTS_REVISION_H

#include "base/err.h"
#include "base/text.h"
#include "results/curve.h"
#include "results/figure.h"
#include "results/fit.h"

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

/* One board with the fits of its recordings. Borrowed. */
struct revision_board {
    const char *board;
    const struct fit *const *fits;
    size_t count; /* > 0 */
};

#define REVISION_WAYS(X)                                                                           \
    X(REVISION_SHARED, "the revision's curve")                                                     \
    X(REVISION_ZERO, "the revision's curve, zero trimmed at the least depth")                      \
    X(REVISION_SPAN, "the revision's curve, zero and span trimmed at both ends")                   \
    X(REVISION_OWN, "its own curve")
enum revision_way {
#define X(way, words) way,
    REVISION_WAYS(X)
#undef X
        REVISION_WAY_COUNT
};
const char *revision_way_words(enum revision_way way);

struct revision_level {
    double depth_mm, reading;     /* mean over boards, each counted once */
    double between_sd, within_sd; /* in readings; NaN: not known */
    double between_mm, within_mm; /* the same in depth */
    double p; /* chance of such a spread when boards don't differ; NaN: not known */
};

/* What a way of production costs. */
struct revision_cost {
    double worst_mm; /* largest error of these boards, > 0 */
    double at_mm;
    size_t board;   /* whose */
    double next_mm; /* bound for 95 % of further boards, level by level; NaN: fewer than three */
};

enum revision_feature {
    REVISION_ZERO_OFF,
    REVISION_SPAN_OFF,
    REVISION_BEND_OFF,
    REVISION_FEATURES
};

/* A board that stands apart (Grubbs' test; ISO 5725-2 calls p < 0.01 an outlier and p < 0.05 a
 * straggler). */
struct revision_outlier {
    size_t board;
    enum revision_feature feature;
    double off, p; /* off: mm of depth, or % of span */
};

struct revision {
    size_t board_count, recording_count, level_count;
    struct revision_level *levels; /* ascending; depths that all boards were read at */
    double *errors_mm;             /* of [board][level][way], see revision_error_mm */
    struct curve curve;            /* depth to reading, of the revision */
    struct revision_cost ways[REVISION_WAY_COUNT];
    size_t outlier_count;
    struct revision_outlier outliers[REVISION_FEATURES];
    double error_mm;          /* that was asked for */
    enum revision_way advice; /* the simplest way that keeps it */
    bool kept;                /* false: none does */
};

/* error_mm > 0: what production may be off by at most. degree: of the revision's curve, 0: by
 * AICc over the means. RIG_EINPUT with what would be right: no boards, one without a
 * curve, fewer than three depths in common. The caller frees. */
int revision_make(struct revision *revision, const struct revision_board boards[], size_t count,
                  size_t degree, double error_mm, struct rig_err *err);
void revision_free(struct revision *revision); /* zeroed allowed */

/* Depth by a way of production less true depth. */
double revision_error_mm(const struct revision *revision, size_t board, size_t level,
                         enum revision_way way);

/* ---- for people and programs ---- */

struct revision_words {
    const char *revision, *unit; /* of the reading */
    const char *const *boards;   /* names, as many as boards */
    const char *const *warnings;
    size_t warning_count;
};
void revision_text(struct text *out, const struct revision *revision,
                   const struct revision_words *words);
json_t *revision_json(const struct revision *revision, const struct revision_words *words);
int revision_html(struct text *out, const struct revision *revision,
                  const struct revision_words *words, struct rig_err *err);

#endif
