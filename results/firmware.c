/* SPDX-License-Identifier: GPL-3.0-or-later
 * The band that a table has to stay in, and what it is worth in the end. */
#include "results/firmware.h"

#include <math.h>
#include <stdlib.h>

static const double um_per_mm = 1000;

/* Each reading is met by all that round to it: depths at the two ends of its cell. */
struct cells {
    const struct curve *curve;
    double low_mm, high_mm, count;
    int32_t first;
    size_t n;
    double *edge_um; /* n + 1: depth at (first + i - 1/2) counts, held inside the range */
};

static double depth_um(const struct cells *cells, double counts)
{
    double depth = curve_depth_extended(cells->curve, counts * cells->count);
    return um_per_mm * fmin(fmax(depth, cells->low_mm), cells->high_mm);
}

/* More counts than this are no use to a table, and take long. */
enum { COUNTS_CHOSEN = SEGMENTS_READING_LIMIT / 2 };

/* 1, 2 or 5 times a power of ten: the largest that is at most `size`, or, when that makes
 * too many counts of `span`, the smallest that does not. */
static double round_count(double size, double span)
{
    static const double digits[] = {1, 2, 5};
    int power = (int)floor(log10(size));
    double count = pow(10, power);
    for (int i = 1; i < 3; i++)
        count = digits[i] * pow(10, power) <= size ? digits[i] * pow(10, power) : count;
    for (int i = 0; span / count > COUNTS_CHOSEN; i = (i + 1) % 3, power += i == 0)
        count = digits[i] * pow(10, power);
    return count;
}

static double flattest(const struct curve *curve, double low_mm, double high_mm)
{
    enum { STEPS = 512 };
    double least = INFINITY;
    for (int i = 0; i <= STEPS; i++)
        least =
            fmin(least, fabs(curve_slope(curve, low_mm + (high_mm - low_mm) * i / (double)STEPS)));
    return least;
}

static int set_range(struct cells *cells, const struct firmware_options *options,
                     struct rig_err *err)
{
    const struct curve *curve = cells->curve;
    if (isnan(curve->usable_low))
        return rig_fail(err, RIG_EUNKNOWABLE,
                        "the curve is too flat, or turns over, everywhere: no table can be made");
    cells->low_mm = isnan(options->low_mm) ? curve->usable_low : options->low_mm;
    cells->high_mm = isnan(options->high_mm) ? curve->usable_high : options->high_mm;
    if (!(cells->low_mm >= curve->usable_low && cells->high_mm <= curve->usable_high &&
          cells->low_mm < cells->high_mm))
        return rig_fail(err, RIG_EINPUT,
                        "a table from %g to %g mm reaches beyond what the curve covers, %g to %g "
                        "mm",
                        cells->low_mm, cells->high_mm, curve->usable_low, curve->usable_high);
    if (!(options->error_mm > 0 && isfinite(options->error_mm)))
        return rig_fail(err, RIG_EINPUT, "the error of a table is above 0 mm");
    cells->count = options->count;
    if (isnan(cells->count))
        cells->count = round_count(
            0.1 * options->error_mm * flattest(curve, cells->low_mm, cells->high_mm),
            fabs(curve_value(curve, cells->high_mm) - curve_value(curve, cells->low_mm)));
    if (!(cells->count > 0 && isfinite(cells->count)))
        return rig_fail(err, RIG_EINPUT, "the size of a count is above 0");
    return RIG_OK;
}

static int open_cells(struct cells *cells, const struct firmware_options *options,
                      struct rig_err *err)
{
    int code = set_range(cells, options, err);
    if (code)
        return code;
    double at_low = curve_value(cells->curve, cells->low_mm) / cells->count;
    double at_high = curve_value(cells->curve, cells->high_mm) / cells->count;
    double first = floor(fmin(at_low, at_high) + 0.5), last = floor(fmax(at_low, at_high) + 0.5);
    if (!(fabs(first) < 1 << 30 && fabs(last) < 1 << 30))
        return rig_fail(err, RIG_EINPUT,
                        "readings of up to %.3g counts don't fit; choose a larger count than %g",
                        fmax(fabs(first), fabs(last)), cells->count);
    if (last - first + 1 > SEGMENTS_READING_LIMIT)
        return rig_fail(err, RIG_EINPUT,
                        "the range holds %.0f counts of %g; a table takes up to %d: choose a count "
                        "of %g or more",
                        last - first + 1, cells->count, SEGMENTS_READING_LIMIT,
                        cells->count * (last - first + 1) / SEGMENTS_READING_LIMIT);
    if (last <= first)
        return rig_fail(err, RIG_EINPUT,
                        "the range is less than one count of %g; choose a smaller count",
                        cells->count);
    cells->first = (int32_t)first;
    cells->n = (size_t)(last - first) + 1;
    cells->edge_um = malloc((cells->n + 1) * sizeof *cells->edge_um);
    if (!cells->edge_um)
        return rig_fail_memory(err, "a firmware table");
    for (size_t i = 0; i <= cells->n; i++)
        cells->edge_um[i] = depth_um(cells, first + (double)i - 0.5);
    return RIG_OK;
}

/* Fewest segments within error_um. */
static int fewest(struct segments *segments, const struct cells *cells, double error_um,
                  size_t limit, int32_t bounds[], struct rig_err *err)
{
    int32_t *low = bounds, *high = bounds + cells->n;
    for (size_t i = 0; i < cells->n; i++) {
        double least = fmin(cells->edge_um[i], cells->edge_um[i + 1]);
        double most = fmax(cells->edge_um[i], cells->edge_um[i + 1]);
        double from = ceil(most - error_um), to = floor(least + error_um);
        if (!(fabs(from) < SEGMENTS_DEPTH_LIMIT && fabs(to) < SEGMENTS_DEPTH_LIMIT))
            return rig_fail(err, RIG_EINPUT, "a depth, or the error, is beyond what a table holds");
        low[i] = (int32_t)from;
        high[i] = (int32_t)to;
    }
    const struct segments_band band = {.first = cells->first,
                                       .n = cells->n,
                                       .low = low,
                                       .high = high,
                                       .direction = cells->curve->direction};
    return segments_fewest(segments, &band, limit, err);
}

/* As few segments, with less error: halving what is left to win, five times. */
static int better(struct segments *segments, const struct cells *cells, double error_um,
                  int32_t bounds[], struct rig_err *err)
{
    double fails = 0, holds = error_um;
    for (int step = 0; step < 5; step++) {
        double middle = (fails + holds) / 2;
        struct segments tried = {0};
        struct rig_err why;
        int code = fewest(&tried, cells, middle, segments->count - 1, bounds, &why);
        if (code == RIG_EMEMORY)
            return rig_fail_memory(err, "a firmware table");
        if (code) {
            fails = middle;
            continue;
        }
        holds = middle;
        segments_free(segments);
        *segments = tried;
    }
    return RIG_OK;
}

static void take_worst(double *worst, double *at, double error, double depth)
{
    if (error > *worst) {
        *worst = error;
        *at = depth;
    }
}

/* Every whole reading against the readings that round to it; every whole micrometre against
 * the depths that do. */
static void measure(struct firmware *firmware, const struct cells *cells)
{
    for (size_t i = 0; i < cells->n; i++) {
        double found = segments_depth(&firmware->segments, cells->first + (int32_t)i);
        for (size_t side = 0; side < 2; side++)
            take_worst(&firmware->worst_depth_mm, &firmware->worst_depth_at,
                       fabs(found - cells->edge_um[i + side]) / um_per_mm,
                       cells->edge_um[i + side] / um_per_mm);
    }
    double low_um = ceil(cells->low_mm * um_per_mm), high_um = floor(cells->high_mm * um_per_mm);
    int32_t counts_before = INT32_MIN;
    double stands_for = 0;
    for (double depth = low_um; depth <= high_um; depth++) {
        int32_t counts = segments_reading(&firmware->segments, (int32_t)depth);
        if (counts != counts_before)
            stands_for = um_per_mm * curve_depth_extended(cells->curve, counts * cells->count);
        counts_before = counts;
        for (double side = -0.5; side <= 0.5; side++) {
            double true_um = fmin(fmax(depth + side, low_um), high_um);
            take_worst(&firmware->worst_reading_mm, &firmware->worst_reading_at,
                       fabs(stands_for - true_um) / um_per_mm, true_um / um_per_mm);
            double off = counts * cells->count - curve_value(cells->curve, true_um / um_per_mm);
            firmware->worst_reading = fmax(firmware->worst_reading, fabs(off));
        }
    }
}

/* 2 x rise + run of the widest segment, either way, against what 32 bits hold. */
static bool fits_narrow(const struct segments *segments)
{
    for (size_t k = 1; k < segments->count; k++) {
        int64_t run = (int64_t)segments->knots[k].reading - segments->knots[k - 1].reading;
        int64_t rise = llabs((int64_t)segments->knots[k].depth - segments->knots[k - 1].depth);
        if (2 * run * rise + (run > rise ? run : rise) > INT32_MAX)
            return false;
    }
    return true;
}

int firmware_make(struct firmware *firmware, const struct curve *curve,
                  const struct firmware_options *options, struct rig_err *err)
{
    struct cells cells = {.curve = curve};
    struct firmware made = {.error_mm = options->error_mm};
    int code = open_cells(&cells, options, err);
    if (code)
        return code;
    int32_t *bounds = malloc(2 * cells.n * sizeof *bounds);
    double error_um = options->error_mm * um_per_mm;
    code = bounds ? fewest(&made.segments, &cells, error_um, 0, bounds, err)
                  : rig_fail_memory(err, "a firmware table");
    if (!code)
        code = better(&made.segments, &cells, error_um, bounds, err);
    free(bounds);
    if (!code) {
        made.count = cells.count;
        made.low_mm = cells.low_mm;
        made.high_mm = cells.high_mm;
        made.reading_low = cells.first;
        made.reading_high = cells.first + (int32_t)cells.n - 1;
        made.narrow = fits_narrow(&made.segments);
        measure(&made, &cells);
        *firmware = made;
    } else {
        segments_free(&made.segments);
    }
    free(cells.edge_um);
    return code;
}

void firmware_free(struct firmware *firmware)
{
    if (firmware)
        segments_free(&firmware->segments);
}
