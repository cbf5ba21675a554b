/* SPDX-License-Identifier: GPL-3.0-or-later
 * What the parts of the fit of the chain share. Private to results/fit_links*.c. */
#ifndef RESULTS_FIT_LINKS_H
#define RESULTS_FIT_LINKS_H

#include "results/fit_parts.h"

enum { LINKS = 3, STEP_VALUES = 5, FEWEST_STEPS = 3, MOST_STEPS = 24 };

struct link {
    const char *role; /* "controller" */
    const struct rig_channel *channel;
    struct fit_work work; /* as if this were the sensor; shares digests, timeline and curve */
    bool own;             /* points and passes of the work are its own */
    struct curve map;     /* its readings to those of the link before, at rest */
    bool has_map;
    bool updates;
    struct update_interval update;
    /* Behind the link before, from ramps; value NaN: not known. */
    struct estimate rising_s, falling_s;
    /* The same from steps: mean lag, dead time, time constant, time to 63.2 %, 10 to 90 %. */
    struct estimate step[STEP_VALUES];
    char step_reason[RESULT_TEXT_SIZE]; /* why they are not known, where it is not their number */
    struct estimate rate_mm_s;          /* of a limit; value NaN: none was met */
    double fastest_mm_s;                /* change that it was seen to make */
    struct estimate bandwidth_hz;       /* from waves; value NaN: not known, and why: */
    double bandwidth_drawn_hz;          /* half of what lies open between the frequencies */
    char wave_reason[RESULT_TEXT_SIZE];
    size_t passes;
    double lag_s; /* mean of both ways; NaN: not known */
    char reason[RESULT_TEXT_SIZE];
};

struct chain {
    struct link links[LINKS];
    size_t count;
    struct fit_work *work;
};

/* Of steps: mean lag, dead time, time constant, time to 63.2 % and from 10 to 90 % of the link
 * behind the one before, and its rate's limit. */
int link_from_steps(struct link *link, const struct link *before, struct rig_err *err);
/* Of waves: its bandwidth, or why that is not known. */
int link_from_sines(struct link *link, const struct link *before, struct rig_err *err);

/* Results of one link; reason: why its update interval is not known, "" when it is. */
int link_tell_update(struct chain *chain, const struct link *link, const char *reason,
                     struct rig_err *err);
/* The same of channels that are no links, by their names, where they have one to tell. */
int chain_tell_others(struct chain *chain, struct rig_err *err);
int link_tell(struct chain *chain, struct link *link, const struct link *before,
              struct rig_err *err);
/* Shares and the slow link, once every link has been told; figures. */
int chain_tell(struct chain *chain, struct rig_err *err);
int chain_figures(struct chain *chain, struct rig_err *err);

#endif
