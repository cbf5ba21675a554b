/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/row_times.h"

#include <math.h>
#include <stdlib.h>

/* A clock in a room moves by some ppm in this time, which bends the line by microseconds. */
static const double WINDOW_S = 180;
static const double STEP_S = 0.05;     /* of all rows at once: a restart */
static const double EARLY_S = 0.005;   /* no row comes before it is sent, but for this */
static const double LATEST_S = 5;      /* of a row */
static const double WHOLE_SHARE = 0.9; /* of the longest span: a knot to keep */

void row_times_free(struct row_times *times)
{
    free(times->knots);
    *times = (struct row_times){0};
}

static int add_knot(struct row_times *times, struct rig_err *err)
{
    struct board_clock_fit fit;
    if (!board_clock_fit(&times->clock, &fit))
        return RIG_OK;
    if (times->count == times->room) {
        size_t room = 2 * times->room + 64;
        struct row_knot *larger = realloc(times->knots, room * sizeof *larger);
        if (!larger)
            return rig_fail_memory(err, "the clock of a board");
        times->knots = larger;
        times->room = room;
    }
    /* Host time moves 1 + skew times as fast as the device's. */
    times->knots[times->count++] = (struct row_knot){.host_s = fit.reference_device_s + fit.gap_s,
                                                     .gap_s = fit.gap_s,
                                                     .skew = fit.skew / (1 + fit.skew),
                                                     .span_s = fit.span_s,
                                                     .segment = times->segment};
    double share = 1 / (double)times->count;
    /* The line rests on the lowest of the blocks' lowest points: of n heights that fall off
     * exponentially the least is an n-th of their mean, and two hold the line. */
    times->u_s += share * (2 * fit.gap_u_s / (double)times->clock.count - times->u_s);
    times->delay_s += share * (fit.delay_mean_s - times->delay_s);
    times->delay_sd_s += share * (fit.delay_sd_s - times->delay_sd_s);
    return RIG_OK;
}

/* By how much the earliest of these rows is off what the clock said before. */
static double step_s(const struct row_times *times, const double host_s[], const double device_s[],
                     size_t rows)
{
    struct board_clock_fit fit;
    double least = INFINITY;
    if (!board_clock_fit(&times->clock, &fit))
        return 0;
    for (size_t i = 0; i < rows; i++) {
        double off = host_s[i] - board_clock_host_s(&fit, device_s[i]);
        least = off < least ? off : least; /* NaN is passed over */
    }
    return isfinite(least) ? least : 0;
}

static void restart(struct row_times *times)
{
    times->segment++;
    times->restarts++;
    board_clock_init(&times->clock, WINDOW_S);
}

int row_times_add(struct row_times *times, const double host_s[], const double device_s[],
                  size_t rows, struct rig_err *err)
{
    if (!times->begun)
        board_clock_init(&times->clock, WINDOW_S);
    times->begun = true;
    times->pieces++;
    if (fabs(step_s(times, host_s, device_s, rows)) > STEP_S)
        restart(times);
    uint64_t before = board_clock_restarts(&times->clock);
    for (size_t i = 0; i < rows; i++) {
        board_clock_add(&times->clock, host_s[i], device_s[i]);
        if (board_clock_restarts(&times->clock) != before) {
            restart(times);
            before = 0;
            board_clock_add(&times->clock, host_s[i], device_s[i]);
        }
    }
    return add_knot(times, err);
}

/* The first and last windows of a segment have few rows: their lines are shaky, and those of
 * whole windows reach over them. */
static void drop_short(struct row_times *times)
{
    size_t kept = 0;
    for (size_t i = 0, end; i < times->count; i = end) {
        double longest = 0;
        for (end = i; end < times->count && times->knots[end].segment == times->knots[i].segment;
             end++)
            longest = fmax(longest, times->knots[end].span_s);
        for (size_t k = i; k < end; k++)
            if (times->knots[k].span_s >= WHOLE_SHARE * longest)
                times->knots[kept++] = times->knots[k];
    }
    times->count = kept;
}

void row_times_finish(struct row_times *times, double count_s)
{
    /* Arrivals scatter by their own delay and by the clock's counts. */
    double counts2 = count_s * count_s / 12;
    bool helps = times->delay_sd_s * times->delay_sd_s > 2 * counts2;
    bool steady = 4 * times->restarts < times->pieces || times->restarts < 2;
    drop_short(times);
    if (!helps || !steady)
        times->count = 0;
}

/* A line of the gap over host time. */
struct gap_line {
    double at_s, gap_s, slope;
};

static struct gap_line line_of(const struct row_knot *knot)
{
    return (struct gap_line){knot->host_s, knot->gap_s, knot->skew};
}

/* What holds between two knots: the line that joins them, or of two segments of the clock either
 * one's own. Returns how many. */
static size_t lines_between(const struct row_knot *from, const struct row_knot *to,
                            struct gap_line lines[2])
{
    if (!from && !to)
        return 0;
    if (!from || !to) {
        lines[0] = line_of(from ? from : to);
        return 1;
    }
    lines[0] = line_of(from);
    lines[1] = line_of(to);
    if (from->segment != to->segment)
        return 2;
    lines[0].slope = (to->gap_s - from->gap_s) / (to->host_s - from->host_s);
    return 1;
}

/* Of two lines the one after which the row is the less late. */
static double place_one(const struct gap_line lines[], size_t count, double host_s, double device_s)
{
    double placed_s = host_s, least_s = LATEST_S;
    for (size_t i = 0; i < count; i++) {
        double by_s = device_s + lines[i].gap_s + lines[i].slope * (host_s - lines[i].at_s);
        double late_s = host_s - by_s;
        if (late_s >= -EARLY_S && late_s < least_s) { /* NaN is neither */
            placed_s = by_s;
            least_s = late_s;
        }
    }
    return placed_s;
}

/* The first knot behind a time, by bisection. */
static size_t knot_behind(const struct row_times *times, double host_s)
{
    size_t low = 0, high = times->count;
    while (low < high) {
        size_t middle = (low + high) / 2;
        if (times->knots[middle].host_s <= host_s)
            low = middle + 1;
        else
            high = middle;
    }
    return low;
}

void row_times_place(const struct row_times *times, const double host_s[], const double device_s[],
                     size_t rows, double placed_s[])
{
    const struct row_knot *knots = times->knots;
    struct gap_line lines[2];
    size_t next = 0, count = 0;
    double from_s = INFINITY, to_s = -INFINITY; /* where `lines` hold */
    for (size_t i = 0; i < rows; i++) {
        if (times->count == 0 || isnan(host_s[i])) {
            placed_s[i] = host_s[i];
            continue;
        }
        if (!(host_s[i] >= from_s && host_s[i] < to_s)) {
            next = knot_behind(times, host_s[i]);
            const struct row_knot *from = next > 0 ? &knots[next - 1] : NULL;
            const struct row_knot *to = next < times->count ? &knots[next] : NULL;
            from_s = from ? from->host_s : -INFINITY;
            to_s = to ? to->host_s : INFINITY;
            count = lines_between(from, to, lines);
        }
        placed_s[i] = place_one(lines, count, host_s[i], device_s[i]);
    }
}
