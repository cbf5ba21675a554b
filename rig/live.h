/* SPDX-License-Identifier: GPL-3.0-or-later
 * What the live page knows of a run: how it stands now, the last minutes sample by sample,
 * the whole run in columns, the last events; and all that as JSON (docs/live.md). Of fixed
 * size however long the run. Pure: whoever looks hands in what was seen. One thread only. */
#ifndef RIG_LIVE_H
#define RIG_LIVE_H

#include "base/err.h"
#include "motion/plan.h"
#include "results/recording.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* NaN, and UINT64_MAX for counts: not known. */
struct live_now {
    enum run_state state;
    char phase[64]; /* in words; "" not known */
    char why[512];  /* once something has decided */
    double t_s;     /* since the run's start, of what was seen last */
    double plan_s, left_s;
    size_t segment; /* from 0; SIZE_MAX: none */
    double depth_mm, reading;
    uint64_t rows, malformed, lost, resends;
    bool stopping;
    double quiet_s; /* since anything came of the run, 0 when it is fresh */
    double disk_free_bytes;
};

enum { LIVE_SAMPLES = 3072, LIVE_COLUMNS = 512, LIVE_EVENTS = 64 };

struct live;

/* plan is borrowed and only read. first_span_s: the columns begin that long and double
 * when the run outlasts them. NULL with err. */
struct live *live_open(const struct plan *plan, double first_span_s, struct rig_err *err);
void live_free(struct live *live); /* NULL allowed */

/* How it stands. now_ns: of the host's clock, for the rate of rows. */
void live_take(struct live *live, const struct live_now *now, int64_t now_ns);
/* What was seen at t_s, in order of time for each of the two; NaN: not seen. Samples are
 * kept at most ten times a second, the columns of the whole run get every one. */
void live_sample(struct live *live, double t_s, double depth_mm, double reading);
/* kind and text are copied, cut to a line's length. */
void live_event(struct live *live, double t_s, const char *kind, const char *text);

/* What a viewer has already: the numbers that the last answer gave. 0: nothing. */
struct live_seen {
    uint64_t depths, readings, events;
};
/* One JSON object, malloc'd: how it stands, the samples and events that came since, and
 * with `columns` the whole run. NULL: no memory. */
char *live_state_json(const struct live *live, const struct live_seen *seen, bool columns);

/* What doesn't change: who and what, the plan's outline. can_stop: a token is wanted for
 * it. bytes_planned: of the whole recording. */
struct live_about {
    const struct run_facts *facts;
    const struct rig *rig;
    const struct plan *plan;
    const char *folder;
    bool can_stop;
    double bytes_planned;
};
/* malloc'd, NULL with err. */
char *live_plan_json(const struct live_about *about, struct rig_err *err);

/* The reading that is shown: the first channel with the role of a sensor. False: none. */
bool live_reading(const struct rig *rig, size_t *source, size_t *channel);

#endif
