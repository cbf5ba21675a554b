/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/witness.h"

#include <math.h>
#include <stdlib.h>

enum { PART_EDGES = 4096, PART_ROWS = 65536 };
static const double BOUNCE_S = 0.02; /* of a contact; common practice, no source */
static const double AFTER_S = 0.25;  /* rows at rest behind a stroke still tell its place */

void witness_begin(struct witness *witness, enum channel_role role, const struct timeline *timeline,
                   double late_s)
{
    size_t strokes = timeline->stroke_count ? timeline->stroke_count : 1;
    size_t slots = WITNESS_ROWS / strokes;
    *witness = (struct witness){
        .role = role,
        .timeline = timeline,
        .slots = slots > WITNESS_ROWS_A_STROKE ? WITNESS_ROWS_A_STROKE
                 : slots > 4                   ? slots
                                               : 4,
        .late_s = late_s,
        .low = NAN,
        .high = NAN,
        .first_s = NAN,
        .last_s = NAN,
    };
}

void witness_free(struct witness *witness)
{
    free(witness->rows);
    free(witness->edges);
    witness->rows = NULL;
    witness->edges = NULL;
    witness->count = witness->room = witness->edge_count = witness->edge_room = 0;
}

/* The stroke that a time belongs to, from the last one found; SIZE_MAX: none. */
static size_t stroke_at(struct witness *witness, double t_s)
{
    const struct timeline_stroke *strokes = witness->timeline->strokes;
    size_t count = witness->timeline->stroke_count, at = witness->hint;
    while (at > 0 && !(strokes[at].known && strokes[at].sent_s <= t_s))
        at--;
    for (size_t next = at + 1; next < count; next++)
        if (strokes[next].known) {
            if (strokes[next].sent_s > t_s)
                break;
            at = next;
        }
    witness->hint = at;
    if (at >= count || !strokes[at].known || t_s < strokes[at].sent_s ||
        t_s > strokes[at].ended_s + AFTER_S)
        return SIZE_MAX;
    return at;
}

static int keep_row(struct witness *witness, const struct witness_row *row, struct rig_err *err)
{
    if (witness->count == witness->room) {
        size_t room = 2 * witness->room + 1024;
        struct witness_row *larger = realloc(witness->rows, room * sizeof *larger);
        if (!larger)
            return rig_fail_memory(err, "the rows of a reference");
        witness->rows = larger;
        witness->room = room;
    }
    witness->rows[witness->count++] = *row;
    return RIG_OK;
}

/* One row a slot of the stroke's time, the first of it. */
static uint64_t slot_of(const struct witness *witness, size_t stroke, double t_s)
{
    const struct timeline_stroke *own = &witness->timeline->strokes[stroke];
    double share = (t_s - own->sent_s) / (own->ended_s + AFTER_S - own->sent_s);
    size_t slot = (size_t)(share * (double)witness->slots);
    return stroke * witness->slots + (slot < witness->slots ? slot : witness->slots - 1) + 1;
}

static int take_reference(struct witness *witness, size_t stroke, double t_s, double value,
                          struct rig_err *err)
{
    uint64_t slot = slot_of(witness, stroke, t_s);
    if (slot <= witness->last_slot)
        return RIG_OK;
    witness->last_slot = slot;
    const struct witness_row row = {t_s, (float)value, (uint32_t)stroke};
    return keep_row(witness, &row, err);
}

static bool crosses(const struct witness *witness, double before, double after)
{
    return fabs(after - before) > (witness->high - witness->low) / 2;
}

/* Leaves the edges that are large against all values seen by now. */
static void prune(struct witness *witness)
{
    size_t kept = 0;
    for (size_t i = 0; i < witness->edge_count; i++)
        if (crosses(witness, (double)witness->edges[i].before, (double)witness->edges[i].after))
            witness->edges[kept++] = witness->edges[i];
    witness->edge_count = kept;
}

static int keep_edge(struct witness *witness, const struct witness_edge *edge, struct rig_err *err)
{
    if (witness->edge_count == WITNESS_EDGES)
        prune(witness);
    if (witness->edge_count == WITNESS_EDGES) {
        witness->chatters = true;
        return RIG_OK;
    }
    if (witness->edge_count == witness->edge_room) {
        size_t room = 2 * witness->edge_room + 256;
        struct witness_edge *larger = realloc(witness->edges, room * sizeof *larger);
        if (!larger)
            return rig_fail_memory(err, "the edges of a trip");
        witness->edges = larger;
        witness->edge_room = room;
    }
    witness->edges[witness->edge_count++] = *edge;
    return RIG_OK;
}

static void widen(struct witness *witness, double low, double high)
{
    witness->low = fmin(witness->low, low); /* NaN gives way */
    witness->high = fmax(witness->high, high);
}

/* Between the row before and this one, in whichever stroke this one is. */
static int take_trip(struct witness *witness, size_t stroke, double t_s, double value,
                     struct rig_err *err)
{
    double before = witness->last;
    if (isnan(witness->last_s) || value == before || !crosses(witness, before, value))
        return RIG_OK;
    const struct witness_edge edge = {.t_s = (witness->last_s + t_s) / 2,
                                      .half_s = (t_s - witness->last_s) / 2,
                                      .before = (float)before,
                                      .after = (float)value,
                                      .stroke = (uint32_t)stroke};
    return keep_edge(witness, &edge, err);
}

int witness_add(struct witness *witness, const double host_s[], const double values[], size_t rows,
                struct rig_err *err)
{
    int code = RIG_OK;
    for (size_t i = 0; !code && i < rows; i++) {
        double t_s = host_s[i] - witness->late_s, value = values[i];
        if (isnan(t_s) || witness->last_s > t_s)
            continue;
        size_t stroke = stroke_at(witness, t_s);
        if (stroke != SIZE_MAX) {
            witness->seen++;
            witness->missing += isnan(value);
        }
        if (isnan(value))
            continue;
        if (stroke != SIZE_MAX) {
            widen(witness, value, value);
            code = witness->role == ROLE_REFERENCE
                       ? take_reference(witness, stroke, t_s, value, err)
                       : take_trip(witness, stroke, t_s, value, err);
        }
        if (isnan(witness->first_s)) {
            witness->first_s = t_s;
            witness->first = value;
        }
        witness->last_s = t_s;
        witness->last = value;
    }
    return code;
}

bool witness_full(const struct witness *part)
{
    return part->edge_count >= PART_EDGES || part->count >= PART_ROWS;
}

int witness_merge(struct witness *witness, struct witness *next, struct rig_err *err)
{
    int code = RIG_OK;
    widen(witness, next->low, next->high);
    witness->seen += next->seen;
    witness->missing += next->missing;
    witness->chatters = witness->chatters || next->chatters;
    if (next->role == ROLE_TRIP && !isnan(next->first_s)) {
        size_t stroke = stroke_at(witness, next->first_s);
        if (stroke != SIZE_MAX && next->first_s > witness->last_s)
            code = take_trip(witness, stroke, next->first_s, next->first, err);
    }
    for (size_t i = 0; !code && i < next->count; i++) {
        const struct witness_row *row = &next->rows[i];
        code = take_reference(witness, row->stroke, row->t_s, (double)row->value, err);
    }
    for (size_t i = 0; !code && i < next->edge_count; i++)
        if (crosses(witness, (double)next->edges[i].before, (double)next->edges[i].after))
            code = keep_edge(witness, &next->edges[i], err);
    if (!isnan(next->last_s)) {
        if (isnan(witness->first_s)) {
            witness->first_s = next->first_s;
            witness->first = next->first;
        }
        witness->last_s = next->last_s;
        witness->last = next->last;
    }
    next->count = next->edge_count = 0;
    next->seen = next->missing = 0;
    next->first_s = next->last_s = NAN;
    next->low = next->high = NAN;
    next->last_slot = 0;
    return code;
}

void witness_settle(struct witness *witness)
{
    double middle = (witness->low + witness->high) / 2;
    size_t kept = 0;
    prune(witness);
    for (size_t i = 0; i < witness->edge_count; i++) {
        struct witness_edge *edge = &witness->edges[i];
        bool across = ((double)edge->before < middle) != ((double)edge->after < middle);
        bool bounced = i > 0 && edge->t_s - witness->edges[i - 1].t_s < BOUNCE_S;
        struct witness_edge own = *edge;
        if (across && !bounced)
            witness->edges[kept++] = own;
    }
    witness->edge_count = kept;
}
