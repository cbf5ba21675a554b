/* SPDX-License-Identifier: GPL-3.0-or-later
 * Private to the planner (motion/plan*.c).
 *
 * Positions and feeds are kept as whole counts of what goes over the wire
 * (axis_wire_*), so that a plan is exactly what is sent. A shape is a row of lines
 * in time, stored once; segments are instances of shapes. */
#ifndef MOTION_PLAN_PARTS_H
#define MOTION_PLAN_PARTS_H

#include "motion/kinematics.h"
#include "motion/plan.h"
#include "motion/profile.h"

enum {
    PLAN_SEGMENT_LIMIT = 2500 * 1000,
    PLAN_LINE_LIMIT = 4 * 1000 * 1000, /* stored; repeats of a shape don't count */
    PLAN_MARK_LIMIT = 100 * 1000,
    PLAN_LOOP_LIMIT = 5 * 1000 * 1000
};
static const double PLAN_DAYS_LIMIT = 31;
static const double PLAN_COUNTS_A_MM = 1e4;   /* of position */
static const double PLAN_COUNTS_A_MM_S = 6e4; /* of feed */

struct shape_line {
    double start_s; /* since the start of the shape's cycle */
    double in_mm_s; /* speed at its start */
    int32_t target_ct;
    int32_t feed_ct; /* 0: a dwell until the next line's start */
};

struct plan_shape {
    uint32_t first_line, line_count; /* a rest has no line */
    uint32_t repeats;
    int32_t from_ct;
    double out_mm_s; /* speed at its end; 0 when it repeats */
    double cycle_s;
    double peak_mm_s, peak_mm_s2; /* of the stage */
};

struct plan_note {
    size_t segment; /* the mark stands at the start of this one */
    const char *text;
};

/* Open addressing from hashes to indices + 1. */
struct plan_index {
    uint32_t *slots;
    size_t room, count; /* room is a power of two */
};

struct plan {
    struct rig_axis axis;
    struct rig_water water;
    struct motion_law law;
    struct profile profile; /* owns titles and marks' texts */

    struct plan_segment *segments;
    size_t segment_count, segment_room;
    struct plan_shape *shapes;
    size_t shape_count, shape_room;
    struct shape_line *lines;
    size_t line_count, line_room;
    struct plan_family *families;
    uint32_t *family_before; /* of each family: the family of the move before, private */
    size_t family_count, family_room, family_before_room;
    struct plan_stroke *strokes;
    size_t stroke_count, stroke_room;
    struct plan_note *notes;
    struct plan_mark *marks;
    size_t mark_count, note_room;
    uint64_t wire_lines;
    double duration_s;
    struct plan_index shape_index, family_index;
};

/* ---- plan_shape.c ---- */

/* Grows *array to hold one more than count; returns 0 or RIG_EMEMORY. */
int plan_room(void **array, size_t *room, size_t count, size_t size, struct rig_err *err);

int32_t plan_ct_of_mm(const struct rig_axis *axis, double stage_mm); /* inside the travel */
double plan_mm_of_ct(int32_t position_ct);
int32_t plan_ct_of_feed(const struct rig_axis *axis, double feed_mm_s);
double plan_feed_of_ct(int32_t feed_ct);

/* Speeds at the joints of a straight row of n lines as the controller's look-ahead
 * makes them: v[0] and v[n] are 0 (rest at both ends), v[i] at most the smaller of
 * the two feeds, low enough to stop by the end of the last line that the controller
 * then knows, and reachable. v has n + 1 places. */
void plan_joints(const struct motion_law *law, int lookahead_lines, size_t n,
                 const double distance_mm[], const double feed_mm_s[], double v[]);

/* The shape of one line, found again or made. */
int plan_line_shape(struct plan *plan, int32_t from_ct, int32_t to_ct, int32_t feed_ct,
                    double in_mm_s, double out_mm_s, uint32_t *shape, struct rig_err *err);
int plan_rest_shape(struct plan *plan, int32_t at_ct, uint32_t *shape, struct rig_err *err);
/* A shape of lines already appended to plan->lines from first_line on. */
int plan_add_shape(struct plan *plan, const struct plan_shape *shape, uint32_t *index,
                   struct rig_err *err);
double plan_shape_s(const struct plan_shape *shape);

/* Stage at u seconds into an instance of the shape, and its speed. */
double plan_shape_mm(const struct plan *plan, const struct plan_shape *shape, double u_s,
                     double *speed_mm_s);
/* Line number `line` of the shape's cycle as motion; *from_ct where it starts. Not
 * for dwells. */
void plan_line_motion(const struct plan *plan, const struct plan_shape *shape, uint32_t line,
                      struct motion_line *motion, int32_t *from_ct);
/* Duration of a line or dwell of the cycle. */
double plan_line_s(const struct plan *plan, const struct plan_shape *shape, uint32_t line);

/* ---- plan_family.c ---- */

/* The family of a segment like this one, found again or made. Holds are told apart by
 * the move before them (`before`, its family): a hold after a slow ramp is no repeat
 * of one after a step. */
int plan_join_family(struct plan *plan, const struct plan_family *like, uint32_t before,
                     uint32_t *family, struct rig_err *err);

/* ---- plan_build.c ---- */

struct curve_lines;
struct plan_figure;

struct plan_pending {
    size_t segment;
    int32_t from_ct, to_ct, feed_ct;
    double from_mm, to_mm, asked_mm_s; /* depth */
};

struct plan_builder {
    struct plan *plan;
    const struct rig *rig;
    const struct plan_files *files;
    struct rig_err *err;
    const struct profile_node *node; /* at work, for errors; NULL: the planner's own */
    double variables[PROFILE_VARIABLE_LIMIT];

    double now_s; /* without what is pending */
    double depth_mm;
    int32_t at_ct;
    int direction;      /* of the last motion */
    uint32_t last_move; /* its family */
    bool stroke_open;
    size_t stroke_first; /* segment */
    size_t stroke_moves;
    uint64_t stroke_line;         /* first wire line */
    struct plan_pending *pending; /* lines in one direction whose joints are open */
    size_t pending_count, pending_room;
    double *scratch; /* 3 x pending_count + 1 */
    size_t scratch_room;
    uint64_t loops;
    struct plan_figure *figures; /* sines and traces made so far, to be found again */
    size_t figure_count, figure_room, figure_hint;
    struct curve_lines *curve; /* room to work */
};

/* A sine or a trace that was made: the same again is an instance of it. */
struct plan_figure {
    struct plan_family family; /* as asked for: what it is found by */
    const char *path;          /* follow */
    bool may_shrink;
    uint32_t shape;
    double start_mm, end_mm; /* depth */
    int32_t end_ct;
    int end_direction;
};

/* An error at a token of the statement at work. */
int build_fail(struct plan_builder *b, size_t token, enum rig_code code, const char *format, ...)
    __attribute__((format(printf, 4, 5)));
double build_value(const struct plan_builder *b, const struct profile_value *value);
/* A value that must be greater than zero where it comes from an 'each'. */
int build_positive(struct plan_builder *b, const struct profile_value *value, const char *what,
                   double *number);
int build_check_depth(struct plan_builder *b, size_t token, double depth_mm);
int build_check_speed(struct plan_builder *b, size_t token, double depth_mm_s, double from_mm,
                      double to_mm, double *feed_mm_s);
/* Highest stage speed that survives rounding to the wire. */
double build_top_feed(const struct plan_builder *b);
double build_depth_speed(const struct plan_builder *b, double stage_mm_s, double from_mm,
                         double to_mm);

int build_move(struct plan_builder *b, enum segment_kind kind, double to_mm, double feed_mm_s,
               double asked_mm_s);
int build_hold(struct plan_builder *b, enum segment_kind kind, double duration_s);
/* Ends the stroke: what is pending comes to rest. */
int build_rest(struct plan_builder *b);
/* As fast as allowed. */
int build_fast_move(struct plan_builder *b, enum segment_kind kind, double to_mm);
/* A stroke of its own: approach, rest, lead, one segment of a multi-line shape. */
int build_figure(struct plan_builder *b, const struct plan_figure *figure);
/* Remembers a figure; *figure is valid until the next one is added. */
int build_keep_figure(struct plan_builder *b, const struct plan_figure *fresh,
                      const struct plan_figure **figure);
double build_elapsed(struct plan_builder *b);

/* ---- plan_sine.c, plan_follow.c ---- */
int build_sine(struct plan_builder *b, const struct profile_node *node);
int build_follow(struct plan_builder *b, const struct profile_node *node);

/* FNV-1a, 64 bits, of bytes: start with PLAN_HASH_START and go on from the last value. */
#define PLAN_HASH_START 0xcbf29ce484222325u
static inline uint64_t plan_hash(uint64_t hash, const void *bytes, size_t size)
{
    const unsigned char *at = bytes, *end = at + size;
    while (at < end)
        hash = (hash ^ *at++) * 0x100000001b3u;
    return hash;
}

#endif
