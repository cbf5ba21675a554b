/* SPDX-License-Identifier: GPL-3.0-or-later
 * What the fit will be able to say with a plan, and what not, and why: told before
 * anything moves. The demands are those of docs/methods.md. */
#include "motion/plan_parts.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { SPEED_LIMIT = 64, SPEEDS_NEEDED = 3, PASSES_NEEDED = 2 };
static const double SETTLE_S = 1; /* a hold shorter than that shows no settling */
static const double IN_AIR_S = 2; /* nor does a lift shorter than that */

struct passes {
    double speed_mm_s;
    uint64_t rising, falling;
};

struct gathered {
    struct passes ramps[SPEED_LIMIT];
    size_t speeds, both_ways; /* of ramps; of those, seen in both directions */
    uint64_t rising, falling; /* ramps */
    size_t stairs;            /* distinct stairs in the water, either way */
    uint64_t most_a_stair;    /* most visits of one stair from one side */
    bool stairs_rise, stairs_fall;
    size_t resting;                       /* distinct holds in the water that are no stairs */
    uint64_t steps_rising, steps_falling; /* in the water, with time to settle after */
    uint64_t short_steps;
    size_t sines, too_fast; /* frequencies; of those, above half the rate */
    double lowest_hz, highest_hz;
    uint64_t touches;
    uint64_t lifts;  /* holds clear of the water */
    double level_mm; /* a depth in the water at which a hold comes back, NaN: none */
    bool two_levels; /* and another */
    double span_s;
    double rate_hz; /* of the source with the sensor, NaN: not said */
    bool sensor, anchored;
};

static void add_ramp(struct gathered *g, const struct plan_family *f)
{
    size_t i = 0;
    while (i < g->speeds && fabs(g->ramps[i].speed_mm_s / f->speed_mm_s - 1) > 0.01)
        i++;
    if (i == SPEED_LIMIT)
        return;
    if (i == g->speeds)
        g->ramps[g->speeds++] = (struct passes){.speed_mm_s = f->speed_mm_s};
    *(f->direction > 0 ? &g->ramps[i].rising : &g->ramps[i].falling) += f->instances;
    *(f->direction > 0 ? &g->rising : &g->falling) += f->instances;
}

static void add_hold(struct gathered *g, const struct plan *plan, size_t index)
{
    const struct plan_family *f = &plan->families[index];
    if (f->from_mm < 0) {
        if (f->duration_s >= IN_AIR_S && f->direction != 0)
            g->lifts += f->instances;
        return;
    }
    if (f->instances >= PASSES_NEEDED) {
        g->two_levels |= fabs(f->from_mm - g->level_mm) > 0.1; /* false for NaN */
        g->level_mm = isnan(g->level_mm) ? f->from_mm : g->level_mm;
    }
    const struct plan_family *move = &plan->families[plan->family_before[index]];
    if (f->kind == SEGMENT_STAIR_HOLD) {
        g->stairs++;
        g->most_a_stair = f->instances > g->most_a_stair ? f->instances : g->most_a_stair;
        g->stairs_rise |= f->direction > 0;
        g->stairs_fall |= f->direction < 0;
        return;
    }
    g->resting++;
    if (move->kind != SEGMENT_STEP || move->from_mm < 0 || f->direction == 0)
        return;
    if (f->duration_s < SETTLE_S)
        g->short_steps += f->instances;
    else
        *(f->direction > 0 ? &g->steps_rising : &g->steps_falling) += f->instances;
}

static void add_sine(struct gathered *g, const struct plan_family *f)
{
    if (g->sines == 0 || f->frequency_hz < g->lowest_hz)
        g->lowest_hz = f->frequency_hz;
    if (g->sines == 0 || f->frequency_hz > g->highest_hz)
        g->highest_hz = f->frequency_hz;
    g->sines++;
    g->too_fast += f->frequency_hz > g->rate_hz / 2; /* false for NaN */
}

static struct gathered gather(const struct plan *plan, const struct rig *rig)
{
    struct gathered g = {.rate_hz = NAN, .level_mm = NAN, .anchored = rig->axis.live_position};
    for (size_t s = 0; s < rig->source_count; s++)
        for (size_t c = 0; c < rig->sources[s].channel_count; c++) {
            enum channel_role role = rig->sources[s].channels[c].role;
            if (role == ROLE_SENSOR && !g.sensor) {
                g.sensor = true;
                g.rate_hz = rig->sources[s].rate_hz;
            }
            g.anchored |= role == ROLE_REFERENCE || role == ROLE_TRIP;
        }
    for (size_t i = 0; i < plan->family_count; i++) {
        const struct plan_family *f = &plan->families[i];
        if (f->kind == SEGMENT_RAMP && fmax(f->from_mm, f->to_mm) > 0)
            add_ramp(&g, f);
        else if (f->kind == SEGMENT_HOLD || f->kind == SEGMENT_STAIR_HOLD)
            add_hold(&g, plan, i);
        else if (f->kind == SEGMENT_SINE)
            add_sine(&g, f);
        else if (f->kind == SEGMENT_TOUCH)
            g.touches += f->instances;
    }
    for (size_t i = 0; i < g.speeds; i++)
        g.both_ways += g.ramps[i].rising > 0 && g.ramps[i].falling > 0;
    g.span_s = plan->duration_s;
    return g;
}

/* ---- one result each ---- */

typedef bool judge(const struct gathered *g, char *why, size_t room);

static bool curve(const struct gathered *g, char *why, size_t room)
{
    if (g->stairs >= 3) {
        snprintf(why, room, "from settled stairs");
        return true;
    }
    if (g->rising + g->falling > 0) {
        snprintf(why, room,
                 "from ramps, since there are no stairs: the lag of each pass is in it%s",
                 g->rising && g->falling ? " and averages out between the directions" : "");
        return true;
    }
    if (g->resting >= 3) {
        snprintf(why, room, "from holds, since there are neither stairs nor ramps");
        return true;
    }
    snprintf(why, room, "needs stairs (or ramps) through the depths of interest");
    return false;
}

static bool hysteresis(const struct gathered *g, char *why, size_t room)
{
    if (g->both_ways >= SPEEDS_NEEDED) {
        snprintf(why, room, "loop width against speed, %zu speeds", g->both_ways);
        return true;
    }
    if (g->both_ways == 0)
        snprintf(why, room, "needs ramps up and down at three speeds or more; there are none");
    else if (g->both_ways == 1)
        snprintf(why, room,
                 "ramps at only one speed, so hysteresis and lag stay together; three "
                 "speeds tell them apart");
    else
        snprintf(why, room,
                 "ramps at only two speeds, which leaves nothing to test the line between "
                 "width and speed by; add a third");
    return false;
}

static bool lag(const struct gathered *g, bool rising, char *why, size_t room)
{
    uint64_t steps = rising ? g->steps_rising : g->steps_falling;
    const char *way = rising ? "rising" : "falling";
    const char *clock = g->anchored ? ""
                                    : "; nothing tells when the stage moves, so the axis' start "
                                      "delay is part of it, unless 'wetsweep sync' has measured it "
                                      "(falling minus rising is free of it)";
    if (steps > 0 && g->both_ways >= SPEEDS_NEEDED)
        snprintf(why, room, "from steps and ramps%s", clock);
    else if (steps > 0)
        snprintf(why, room, "from %s steps%s", way, clock);
    else if (g->both_ways >= SPEEDS_NEEDED)
        snprintf(why, room, "from ramps at %zu speeds%s", g->both_ways, clock);
    else if (g->both_ways > 0)
        snprintf(why, room,
                 "ramps at too few speeds (%zu of 3) and no %s step with a hold of %g s "
                 "after it",
                 g->both_ways, way, SETTLE_S);
    else
        snprintf(why, room,
                 "needs %s steps with a hold of %g s or more after each, or ramps up and "
                 "down at three speeds",
                 way, SETTLE_S);
    return steps > 0 || g->both_ways >= SPEEDS_NEEDED;
}

static bool lag_rising(const struct gathered *g, char *why, size_t room)
{
    return lag(g, true, why, room);
}

static bool lag_falling(const struct gathered *g, char *why, size_t room)
{
    return lag(g, false, why, room);
}

static bool step(const struct gathered *g, bool rising, char *why, size_t room)
{
    uint64_t steps = rising ? g->steps_rising : g->steps_falling;
    const char *way = rising ? "rising" : "falling";
    if (steps >= PASSES_NEEDED)
        snprintf(why, room, "%llu %s steps", (unsigned long long)steps, way);
    else if (steps == 1)
        snprintf(why, room, "a single %s step, so without an interval from repetition", way);
    else if (g->short_steps)
        snprintf(why, room, "the holds after the steps are shorter than %g s", SETTLE_S);
    else
        snprintf(why, room, "no %s step within the water, with a hold after it", way);
    return steps > 0;
}

static bool step_rising(const struct gathered *g, char *why, size_t room)
{
    return step(g, true, why, room);
}

static bool step_falling(const struct gathered *g, char *why, size_t room)
{
    return step(g, false, why, room);
}

static bool frequency(const struct gathered *g, char *why, size_t room)
{
    if (g->sines == 0) {
        snprintf(why, room, "needs sines");
        return false;
    }
    if (g->too_fast == g->sines) {
        snprintf(why, room, "all %zu frequencies lie above half the source's rate (%g Hz)",
                 g->sines, g->rate_hz);
        return false;
    }
    size_t used = g->sines - g->too_fast;
    int size = snprintf(why, room, "%zu frequencies, %.3g Hz to %.3g Hz", used, g->lowest_hz,
                        fmin(g->highest_hz, isnan(g->rate_hz) ? INFINITY : g->rate_hz / 2));
    if (used == 1)
        size = snprintf(why, room, "gain and phase at one frequency (%.3g Hz); no bandwidth",
                        g->lowest_hz);
    if (size < 0 || (size_t)size >= room)
        return true;
    if (g->too_fast)
        snprintf(why + size, room - (size_t)size,
                 "; %zu above half the source's rate (%g Hz) give nothing", g->too_fast,
                 g->rate_hz);
    else if (isnan(g->rate_hz))
        snprintf(
            why + size, room - (size_t)size,
            "; the rig file doesn't say the source's rate, and above half of it nothing counts");
    return true;
}

static bool repeatability(const struct gathered *g, char *why, size_t room)
{
    uint64_t most = g->most_a_stair;
    for (size_t i = 0; i < g->speeds; i++) {
        most = g->ramps[i].rising > most ? g->ramps[i].rising : most;
        most = g->ramps[i].falling > most ? g->ramps[i].falling : most;
    }
    if (most >= PASSES_NEEDED)
        snprintf(why, room, "up to %llu passes of one kind", (unsigned long long)most);
    else
        snprintf(why, room,
                 "needs two or more passes of one kind from one side; put 'repeat' around "
                 "them");
    return most >= PASSES_NEEDED;
}

static bool surface(const struct gathered *g, char *why, size_t room)
{
    if (g->touches > 2)
        snprintf(why, room, "%llu touches, and how the water falls from one to the next",
                 (unsigned long long)g->touches);
    else if (g->touches)
        snprintf(why, room, "touched; from three touches on also how the water falls");
    else
        snprintf(why, room, "needs 'touch'; without it depths rest on the datum of the rig file");
    return g->touches > 0;
}

static bool zero_drift(const struct gathered *g, char *why, size_t room)
{
    if (g->lifts >= PASSES_NEEDED)
        snprintf(why, room, "%llu lifts clear of the water over %.3g h",
                 (unsigned long long)g->lifts, g->span_s / 3600);
    else if (g->lifts == 1)
        snprintf(why, room, "only one lift clear of the water; drift needs two or more");
    else
        snprintf(why, room,
                 "no lift clear of the water, so drift of the zero and evaporation can't "
                 "be told apart; hold at a depth below zero each cycle");
    return g->lifts >= PASSES_NEEDED;
}

static bool evaporation(const struct gathered *g, char *why, size_t room)
{
    bool possible = g->lifts >= PASSES_NEEDED && g->two_levels;
    if (possible)
        snprintf(why, room, "lifts clear of the water, and holds in it that come back");
    else if (g->lifts < PASSES_NEEDED)
        zero_drift(g, why, room);
    else
        snprintf(why, room,
                 "holds at two depths in the water must come back, to tell drift of the span "
                 "from evaporation");
    return possible;
}

size_t plan_abilities(const struct plan *plan, const struct rig *rig,
                      struct plan_ability abilities[], size_t room)
{
    static const struct {
        const char *result, *gives;
        judge *judge;
    } results[] = {
        {"calibration_curve", "reading_low reading_middle reading_high sensitivity", curve},
        {"straightness",
         "linearity_independent linearity_zero_based linearity_terminal linearity_least_squares",
         curve},
        {"hysteresis_at_rest", "hysteresis_at_rest", hysteresis},
        {"repeatability", "repeatability", repeatability},
        {"lag_rising", "lag_rising step_lag_rising", lag_rising},
        {"lag_falling", "lag_falling step_lag_falling", lag_falling},
        {"step_response_rising", "step_model_lag_rising step_time_constant_rising", step_rising},
        {"step_response_falling", "step_model_lag_falling step_time_constant_falling",
         step_falling},
        {"frequency_response", "gain_1 phase_1 bandwidth", frequency},
        {"water_surface", "water_surface", surface},
        {"zero_drift", "zero_drift", zero_drift},
        {"evaporation", "evaporation span_drift", evaporation},
    };
    const size_t count = sizeof results / sizeof *results;
    struct gathered g = gather(plan, rig);
    for (size_t i = 0; i < count && i < room; i++) {
        struct plan_ability *a = &abilities[i];
        *a = (struct plan_ability){.result = results[i].result, .gives = results[i].gives};
        if (g.sensor)
            a->possible = results[i].judge(&g, a->reason, sizeof a->reason);
        else
            snprintf(a->reason, sizeof a->reason,
                     "the rig has no channel with the role of the sensor");
    }
    return count;
}
