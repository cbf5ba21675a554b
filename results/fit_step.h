/* SPDX-License-Identifier: GPL-3.0-or-later
 * Private to results/fit_step*.c. */
#ifndef RESULTS_FIT_STEP_H
#define RESULTS_FIT_STEP_H

#include "results/fit_parts.h"
#include "results/step.h"

enum { FIT_STEP_PIECES = 512, FIT_STEP_LEFT_BINS = 150 };

/* What the model leaves over, in the mean over the steps of a direction: in stretches of time
 * from one moment to another, since the steps began. */
struct fit_step_left {
    double from_s, to_s;
    double sum[FIT_STEP_LEFT_BINS], squares[FIT_STEP_LEFT_BINS];
    size_t steps[FIT_STEP_LEFT_BINS];
};

struct fit_step_data {
    struct sample *samples; /* t_s from the step's start on the plan's clock */
    double *left;           /* what the model leaves over of each, NaN: taken as wild */
    size_t count, room;
    struct motion_piece pieces[FIT_STEP_PIECES];
    size_t piece_count;
    double settled_mm;
    bool saturated; /* some of its readings are, and are not among the samples */
};

/* Means of one quantity over the steps of a direction. */
struct fit_step_tally {
    double sum, squares, variance_sum, dof;
    double play_u; /* what the play's uncertainty brings */
    size_t n;
};

/* How the steps of a direction are fitted, and what all of them say of each model. */
struct fit_step_way {
    double play_mm;
    unsigned kinds;                /* bits of the models that may be chosen; 0: all */
    bool keep;                     /* each step's quantities, and draw the first one */
    size_t every;                  /* only every so many-th step is fitted; >= 1 */
    size_t few;                    /* and of those every so many-th goes to `sparse` too */
    struct fit_step_tally *sparse; /* NULL: not asked */
    double aicc[RESPONSE_KIND_COUNT];
    size_t aicc_steps; /* fitted */
    size_t refused;
    struct fit_step_left over; /* where `keep` is set */
};

/* Steps of a direction that were run and have a hold after them. */
size_t fit_step_count(const struct fit_work *work, int direction);
/* Fits them; adds to tallies[FIT_STEP_QUANTITIES] and fills what `way` says of all. reason: why
 * the last of those that could not be fitted could not. */
int fit_step_each(struct fit_work *work, int direction, struct fit_step_way *way,
                  struct fit_step_tally tallies[], char reason[RESULT_TEXT_SIZE],
                  struct rig_err *err);
/* One of the FIT_STEP_QUANTITIES. */
struct estimate fit_step_asked(const struct step_fit *fit, size_t which);

/* The first step of a direction: the water, the reading, and the model. */
int fit_step_figure(struct fit_work *work, const struct fit_step_data *data,
                    const struct step_fit *fit, int direction, struct rig_err *err);

/* Begins anew with the time that the figure of this step shows; adds what is left of one. */
void fit_step_left_begin(struct fit_step_left *left, const struct fit_step_data *data,
                         const struct step_fit *fit);
void fit_step_left_add(struct fit_step_left *left, const struct fit_step_data *data);

/* Draws it, and says by how much the AICc of each other model, summed over `judged` steps, is
 * beyond that of the chosen one (a bit of `kinds`). */
int fit_step_left_figure(struct fit_work *work, const struct fit_step_left *left, int direction,
                         unsigned kinds, const double aicc[RESPONSE_KIND_COUNT], size_t judged,
                         struct rig_err *err);

#endif
