/* SPDX-License-Identifier: GPL-3.0-or-later
 * From a profile and the axis' limits to motion that the axis can really make, as
 * exact functions of time: piecewise polynomials in stage coordinates, evaluated by
 * binary search, and the lines of motion that produce them on the wire.
 *
 * A plan is a row of segments. A stroke is an unbroken run of motion between rests
 * at a hold: the run sends one stroke, waits until it has ended, and starts the
 * next at its planned time, so that the clocks are tied together again at every
 * stroke. Depth grows downwards into the water: 'rising' means that immersion grows. */
#ifndef MOTION_PLAN_H
#define MOTION_PLAN_H

#include "base/err.h"
#include "motion/rigfile.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define SEGMENT_KINDS(X)                                                                           \
    X(SEGMENT_APPROACH,                                                                            \
      "approach") /* a move that the planner put in: to the start, a sine, a trace */              \
    X(SEGMENT_RAMP, "ramp")                                                                        \
    X(SEGMENT_STEP, "step")                                                                        \
    X(SEGMENT_HOLD, "hold")                                                                        \
    X(SEGMENT_STAIR_MOVE, "stair move")                                                            \
    X(SEGMENT_STAIR_HOLD, "stair hold")                                                            \
    X(SEGMENT_SINE, "sine")                                                                        \
    X(SEGMENT_FOLLOW, "follow")                                                                    \
    X(SEGMENT_LEAD, "lead")   /* dwell while the controller's buffer fills */                      \
    X(SEGMENT_PARK, "park")   /* the last move, clear of the water */                              \
    X(SEGMENT_TOUCH, "touch") /* slowly through the surface, from above */

enum segment_kind {
#define X(kind, word) kind,
    SEGMENT_KINDS(X)
#undef X
        SEGMENT_KIND_COUNT
};
const char *segment_kind_name(enum segment_kind kind);

struct plan_segment {
    double start_s, duration_s; /* on the plan's clock: 0 at the first motion */
    float from_mm, to_mm;       /* depth; for people and grouping: exact depth by plan_depth_mm */
    float speed_mm_s;           /* asked for, of depth; 0 for holds */
    uint16_t kind;              /* enum segment_kind */
    int16_t direction;          /* +1 rising (immersion grows), -1 falling, 0 neither;
                                   of a hold: how it was approached */
    uint32_t family;            /* segments of one family are repeats of one another */
    uint32_t shape;             /* private: which shape it is an instance of */
    uint32_t stroke;            /* index of the stroke; of a hold: of the stroke before it
                                   (0 too for a hold before the first) */
    int32_t source_line;        /* line of the profile, 0 for moves of the planner's own */
};

/* What a family of segments has in common. */
struct plan_family {
    enum segment_kind kind;
    int direction;
    double from_mm, to_mm, speed_mm_s;
    double peak_speed_mm_s, peak_acceleration_mm_s2; /* reached, of the stage */
    double duration_s;
    uint64_t lines; /* on the wire, each instance; a lead or a wait is one */
    uint64_t instances;
    int source_line;
    /* SEGMENT_SINE only */
    double frequency_hz; /* of the motion as it will really be made: 1/period */
    double asked_frequency_hz;
    double amplitude_mm, asked_amplitude_mm, centre_mm; /* depth */
    double cycles;
};

struct plan_stroke {
    double start_s, end_s; /* plan clock; start_s includes the lead dwell */
    size_t first_segment, segment_count;
    uint64_t first_line, line_count;
};

/* One line of motion, or a dwell. */
struct plan_line {
    double stage_mm;  /* target; already rounded to what goes over the wire */
    double feed_mm_s; /* of the stage; likewise */
    double dwell_s;   /* > 0: a dwell, stage_mm is where it stands */
    size_t segment;
};

struct plan_mark {
    double at_s;
    const char *text; /* owned by the plan */
};

struct plan; /* opaque; safe to read from several threads */

/* Where a profile's 'follow' finds its trace: returns a malloc'd NUL-terminated
 * block that the planner frees. Paths are as written in the profile. */
struct plan_files {
    int (*load)(void *context, const char *path, char **bytes, size_t *size, struct rig_err *err);
    void *context;
};

/* profile text -> plan for this rig. NULL on error: RIG_EINPUT / RIG_ELIMIT with
 * FILE:LINE:COLUMN, limit, value, remedy. A million lines of motion in under 2 s and
 * 64 MiB: equal shapes are stored once. files may be NULL (then 'follow' fails). */
struct plan *plan_make(const struct rig *rig, const char *name, const char *text, size_t size,
                       struct units *units, const struct plan_files *files, struct rig_err *err);
void plan_free(struct plan *plan);

const char *plan_title(const struct plan *plan); /* "" if none */
double plan_duration_s(const struct plan *plan);
size_t plan_segment_count(const struct plan *plan);
const struct plan_segment *plan_segments(const struct plan *plan);
size_t plan_family_count(const struct plan *plan);
const struct plan_family *plan_families(const struct plan *plan);
size_t plan_stroke_count(const struct plan *plan);
const struct plan_stroke *plan_strokes(const struct plan *plan);
uint64_t plan_line_count(const struct plan *plan); /* of all strokes, leads included */
size_t plan_mark_count(const struct plan *plan);
const struct plan_mark *plan_marks(const struct plan *plan);
/* A hash of all that fixes the motion: a recording keeps it, so that a later
 * version of the planner that moves otherwise is noticed. */
uint64_t plan_fingerprint(const struct plan *plan);

/* Exact at any t; before 0 and after the end the axis rests. NaN for NaN. */
double plan_stage_mm(const struct plan *plan, double t_s);
double plan_depth_mm(const struct plan *plan, double t_s);
double plan_speed_mm_s(const struct plan *plan, double t_s); /* of depth; > 0 rising */
/* Depth and speed at once, for times that are near one another: *segment is looked at first (any
 * number will do), and is the one of t_s then. */
double plan_depth_near_mm(const struct plan *plan, double t_s, size_t *segment, double *speed_mm_s);
size_t plan_segment_at(const struct plan *plan, double t_s); /* clamped to the ends */

/* Pieces of depth(t) that overlap [from_s, to_s), not cut to it; rest before 0 and
 * after the end included. Finite times. depth = d0 + v0 u + a0 u^2/2 + j u^3/6,
 * u = t - start_s. Writes at most `room`, returns how many there are. */
struct motion_piece {
    double start_s, end_s, d0_mm, v0_mm_s, a0_mm_s2, j_mm_s3;
};
size_t plan_pieces(const struct plan *plan, double from_s, double to_s,
                   struct motion_piece pieces[], size_t room);

/* The lines of one stroke in order. */
struct plan_line_cursor {
    const struct plan *plan;
    size_t segment, end_segment;
    uint64_t line; /* private */
    bool lead_done;
};
struct plan_line_cursor plan_stroke_lines(const struct plan *plan, size_t stroke);
bool plan_next_line(struct plan_line_cursor *cursor, struct plan_line *line);

/* What the fit will be able to say with this profile and rig. */
struct plan_ability {
    const char *result; /* "hysteresis_at_rest": a question */
    const char *gives;  /* the results of results.json that answer it, blanks between; at
                           least one has a value when it is possible and the run is whole */
    bool possible;
    char reason[200]; /* why not, or with what limits */
};
/* Fills at most room entries, returns how many there are. */
size_t plan_abilities(const struct plan *plan, const struct rig *rig,
                      struct plan_ability abilities[], size_t room);

#endif
