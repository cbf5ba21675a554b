/* SPDX-License-Identifier: GPL-3.0-or-later
 * What the parts of the fit share. Private to results/fit*.c. */
#ifndef RESULTS_FIT_PARTS_H
#define RESULTS_FIT_PARTS_H

#include "results/curve.h"
#include "results/digest.h"
#include "results/drift.h"
#include "results/fit.h"
#include "results/fit_centre.h"
#include "results/fit_place.h"
#include "results/night.h"
#include "results/sample.h"
#include "results/stamps.h"
#include "results/timeline.h"
#include "results/update_interval.h"

#include <stdbool.h>

/* A settled dwell: one point of the static curve. */
struct static_point {
    double depth_mm, reading;
    double row_sd; /* of single rows about the dwell's mean */
    double n;
    double host_s;  /* middle of the part that was used */
    int direction;  /* +1 came up with rising water, -1 with falling */
    uint32_t cycle; /* how many dwells of this depth and direction came before */
    size_t segment;
    bool settled;
    bool stair;
};

/* One pass over a ramp, its steady part. */
struct ramp_pass {
    double speed_mm_s; /* > 0 */
    int direction;
    double late_mm;        /* direction x (true - inferred depth): > 0 when the reading is late */
    double late_sd;        /* between bins, of their mean */
    double from_mm, to_mm; /* true depths of the first and the last of them */
    double host_s;
    size_t bins, segment;
    uint32_t family;
};

/* What moved from cycle to cycle, and how. */
struct fit_night {
    struct night night;
    bool has_curve;
    struct curve curve; /* of the readings as they were */
    struct drift zero, span, water;
    double *degc; /* mean temperature of each cycle */
    double degc_u;
    bool has_degc; /* every cycle has one */
    bool undo;     /* readings are brought back to the recording's start */
    struct night_state start;
};

/* Where the water's surface was found, by the datum of the rig file. */
struct fit_touch {
    double host_s, speed_mm_s;
    double surface_mm, u_mm; /* of the reading's bend: late by lag and play */
};
struct fit_touches {
    struct fit_touch *list;
    size_t count;
    bool known;        /* the three below */
    double surface_mm; /* mean of all: what depths are counted from */
    double u_mm, dof;  /* of that mean, by the scatter of touches where there are several */
    double late_mm;    /* that was taken off for lag and play, and how well it is known: */
    double late_u_mm;
};

struct fit_work {
    const struct recording *recording;
    const struct rig *rig;
    const struct plan *plan;
    struct timeline timeline;
    struct digest *digests[RIG_SOURCE_LIMIT];
    size_t sensor_source, sensor_channel;
    double row_interval_s[RIG_SOURCE_LIMIT];
    struct stamps *stamps[RIG_SOURCE_LIMIT];
    struct row_watch *watches[RIG_SOURCE_LIMIT];
    double rail_low, rail_high; /* at which the sensor is saturated; NaN: nowhere */
    struct row_times *times[RIG_SOURCE_LIMIT];
    struct update_changes *changes[RIG_SOURCE_LIMIT][RIG_CHANNEL_LIMIT];
    struct static_point *points;
    size_t point_count;
    double row_noise;                    /* standard deviation of single rows in settled dwells */
    double curve_left_u, curve_left_dof; /* what it leaves over beyond scatter; 0: nothing */
    bool has_curve;
    struct curve curve;
    /* Where another link stands for the sensor: from its readings to those of the link before
     * it, and so on to the sensor's, which `curve` then turns into depth. */
    const struct curve *maps[2];
    size_t map_count;
    struct centres centres; /* what the curve went through */
    const char *curve_from; /* static text */
    double low_mm, high_mm; /* depths that the curve covers */
    double span;            /* of the reading over them */
    struct estimate
        play_mm; /* of board and axis, from ramps or else stairs; value 0 and u NaN: not known */
    struct ramp_pass *passes;
    size_t pass_count;
    struct fit_night night;
    struct fit_touches touches;
    size_t threads; /* as of struct fit_options */
    struct fit *fit;
};

/* The datum of the rig file is read off by eye: right within this (rectangular; common
 * practice, no source). */
#define FIT_DATUM_WITHIN_MM 0.05

/* Keeps what a pass gave. */
int fit_keep_pass(struct fit *fit, const struct fit_pass *pass, struct rig_err *err);

void fit_warn(struct fit *fit, const char *format, ...) __attribute__((format(printf, 2, 3)));

/* Lines of a budget, each times `factor`, what the result changes by for a mm or a second:
 * the play of the axis and half a step (where the stage stands), the datum, and how late the
 * sensor's rows are beyond what the rig file's delay takes off, with the tie of the clocks. */
double fit_backlash_mm(const struct fit_work *work); /* at most, as measured, else as stated */
void fit_contribute_place(const struct fit_work *work, struct result *result, double factor);
void fit_contribute_steps(const struct fit_work *work, struct result *result, double factor);
/* Of a loop, which holds the play of the axis too: returns how much of it is to be taken off, in
 * mm. Measured, that is itself; else half of what is stated, since it may be anything up to that.
 */
double fit_contribute_backlash(const struct fit_work *work, struct result *result, double factor);
void fit_contribute_datum(const struct fit_work *work, struct result *result, double factor);
void fit_contribute_time(const struct fit_work *work, struct result *result, double factor);

/* Depth at a time of the plan: by the rig file's datum, or by the surface that was touched. */
double fit_depth_mm(const struct fit_work *work, double plan_s);

/* Depth for a reading by the curve, NaN outside its usable range. */
double fit_inferred_depth(const struct fit_work *work, double reading);

/* The reading as it would have been at the recording's start, where drift or evaporation
 * was found; else the reading itself. */
double fit_steady_reading(const struct fit_work *work, double host_s, double reading);

/* Points of one segment with room that the caller frees; *count 0 when it did not run. Those
 * of the sensor are brought back by fit_steady_reading. */
int fit_segment_points(const struct fit_work *work, size_t source, size_t channel, size_t segment,
                       struct digest_point **points, size_t *count, struct rig_err *err);

/* The one pass over the rows of a source: fills digests and row_interval_s. */
int fit_read_source(struct fit_work *work, size_t source, const struct fit_options *options,
                    struct rig_err *err);

/* What a sync file says of the axis; false: there is none. */
bool fit_prior(const struct fit_work *work, struct timeline_prior *prior);
/* Play of the axis as a channel on the stage or a sync file tells it; NaN: neither does. */
struct estimate fit_measured_backlash(const struct fit_work *work);
/* Ties the clocks by a channel on the stage, where there is one that is any use; after the
 * timeline was made. */
int fit_witness(struct fit_work *work, size_t threads, struct rig_err *err);

/* Fills work->points with the sensor's dwells. */
int fit_dwells(struct fit_work *work, struct rig_err *err);

/* The parts, in the order in which fit_recording calls them. Each returns non-zero
 * only for want of memory. */
/* Finds the surface by the touches that were run; before all others. */
int fit_touches(struct fit_work *work, const struct fit_options *options, struct rig_err *err);
/* Its results and its figure; after all that is to be counted from it. */
int fit_touch_results(struct fit_work *work, struct rig_err *err);
int fit_static(struct fit_work *work, int degree, struct rig_err *err);
/* Noise of settled readings, and the depth that it hides; part of fit_static. */
int fit_noise(struct fit_work *work, struct rig_err *err);
/* Fills work->night and brings work->points back; part of fit_static. */
int fit_night(struct fit_work *work, struct rig_err *err);
/* Fills work->centres, empty where the ramps are no use. */
int fit_centres_of_ramps(struct fit_work *work, struct rig_err *err);
/* Results and figures of the curve, or the reason why there is none. */
int fit_curve_results(struct fit_work *work, const char *reason, struct rig_err *err);
int fit_straight(struct fit_work *work, struct rig_err *err);
/* Fills work->passes. */
int fit_ramp_passes(struct fit_work *work, struct rig_err *err);
int fit_ramps(struct fit_work *work, struct rig_err *err);
int fit_drift(struct fit_work *work, struct rig_err *err);
int fit_dead_band(struct fit_work *work, struct rig_err *err);
int fit_film(struct fit_work *work, struct rig_err *err);
int fit_allan(struct fit_work *work, struct rig_err *err);
/* Fills in 'repeatability' where stairs gave none. */
int fit_repeat_of_ramps(struct fit_work *work, struct rig_err *err);
int fit_steps(struct fit_work *work, struct rig_err *err);
int fit_sines(struct fit_work *work, struct rig_err *err);
/* Whether steps, ramps and waves tell the same mean lag; after all three. */
int fit_agree(struct fit_work *work, struct rig_err *err);
/* Sensor, controller, actuator: how often each renews its value, how late each is behind the one
 * before, and which is the slow one. */
int fit_links(struct fit_work *work, struct rig_err *err);
/* What ties the clocks, and what that says of the axis. */
int fit_tie(struct fit_work *work, struct rig_err *err);
int fit_stamps(struct fit_work *work, struct rig_err *err);
int fit_events(struct fit_work *work, struct rig_err *err);

/* Seconds in the unit that suits an axis of time this long, and its name: s, min or h. */
double fit_time_unit(double span_s, const char **name);

#endif
