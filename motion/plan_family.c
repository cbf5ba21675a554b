/* SPDX-License-Identifier: GPL-3.0-or-later
 * Families: which segments are repeats of one another. Found by a hash, since a
 * night has many. */
#include "motion/plan_parts.h"

#include <math.h>
#include <stdlib.h>

static bool rests(enum segment_kind kind)
{
    return kind == SEGMENT_HOLD || kind == SEGMENT_STAIR_HOLD || kind == SEGMENT_LEAD;
}

static uint64_t family_hash(const struct plan_family *f, uint32_t before)
{
    double numbers[] = {f->from_mm,
                        f->to_mm,
                        f->speed_mm_s,
                        f->asked_frequency_hz,
                        f->amplitude_mm,
                        f->cycles,
                        rests(f->kind) ? f->duration_s : 0,
                        f->kind == SEGMENT_FOLLOW ? f->source_line : 0};
    int32_t whole[] = {(int32_t)f->kind, f->direction, (int32_t)before};
    uint64_t hash = plan_hash(PLAN_HASH_START, numbers, sizeof numbers);
    hash = plan_hash(hash, whole, sizeof whole);
    return hash ^ hash >> 29;
}

static bool same_family(const struct plan_family *a, const struct plan_family *c)
{
    return a->kind == c->kind && a->direction == c->direction && a->from_mm == c->from_mm &&
           a->to_mm == c->to_mm && a->speed_mm_s == c->speed_mm_s &&
           a->asked_frequency_hz == c->asked_frequency_hz && a->amplitude_mm == c->amplitude_mm &&
           a->cycles == c->cycles && (!rests(a->kind) || a->duration_s == c->duration_s) &&
           (a->kind != SEGMENT_FOLLOW || a->source_line == c->source_line);
}

static int grow_families(struct plan *plan, struct rig_err *err)
{
    struct plan_index *index = &plan->family_index;
    int code = plan_room((void **)&plan->families, &plan->family_room, plan->family_count,
                         sizeof *plan->families, err);
    if (!code)
        code = plan_room((void **)&plan->family_before, &plan->family_before_room,
                         plan->family_count, sizeof *plan->family_before, err);
    if (code || index->count * 2 < index->room)
        return code;
    size_t room = index->room ? index->room * 2 : 256;
    uint32_t *slots = calloc(room, sizeof *slots);
    if (!slots)
        return rig_fail_memory(err, "planning");
    for (uint32_t i = 0; i < plan->family_count; i++) {
        size_t at = family_hash(&plan->families[i], plan->family_before[i]) & (room - 1);
        while (slots[at])
            at = (at + 1) & (room - 1);
        slots[at] = i + 1;
    }
    free(index->slots);
    index->slots = slots;
    index->room = room;
    return 0;
}

int plan_join_family(struct plan *plan, const struct plan_family *like, uint32_t before,
                     uint32_t *family, struct rig_err *err)
{
    int code = grow_families(plan, err);
    if (code)
        return code;
    struct plan_index *index = &plan->family_index;
    size_t at = family_hash(like, before) & (index->room - 1);
    for (; index->slots[at]; at = (at + 1) & (index->room - 1)) {
        uint32_t i = index->slots[at] - 1;
        if (plan->family_before[i] == before && same_family(&plan->families[i], like)) {
            plan->families[i].instances++;
            plan->families[i].peak_speed_mm_s =
                fmax(plan->families[i].peak_speed_mm_s, like->peak_speed_mm_s);
            plan->families[i].peak_acceleration_mm_s2 =
                fmax(plan->families[i].peak_acceleration_mm_s2, like->peak_acceleration_mm_s2);
            *family = i;
            return 0;
        }
    }
    *family = (uint32_t)plan->family_count;
    plan->families[plan->family_count] = *like;
    plan->families[plan->family_count].instances = 1;
    plan->family_before[plan->family_count++] = before;
    index->slots[at] = *family + 1;
    index->count++;
    return 0;
}
