/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/dead_band.h"

#include <math.h>
#include <stdbool.h>

static bool follows(const struct reversal *reversal)
{
    return reversal->moved_mm > 2 * reversal->u_mm;
}

static bool small(const struct reversal *reversal)
{
    return reversal->moved_mm < reversal->back_mm / 2;
}

/* Weighted sum of squares about moved = max(0, back - d); its derivative by d. */
static double squares_of(const struct reversal reversals[], size_t n, double d, double *informed)
{
    double squares = 0;
    *informed = 0;
    for (size_t i = 0; i < n; i++) {
        if (!small(&reversals[i]))
            continue;
        double beyond = reversals[i].back_mm - d;
        double off = (reversals[i].moved_mm - fmax(0, beyond)) / reversals[i].u_mm;
        squares += off * off;
        *informed += beyond > 0 ? 1 / (reversals[i].u_mm * reversals[i].u_mm) : 0;
    }
    return squares;
}

/* The sum is smooth but for kinks where d passes a reversal; coarse to fine from 0 to `most`
 * finds its least well within u. */
static double least_of(const struct reversal reversals[], size_t n, double most)
{
    double low = 0, high = most, at = 0;
    for (int round = 0; round < 6; round++) {
        double best = INFINITY, informed, width = (high - low) / 40;
        for (int k = 0; k <= 40; k++) {
            double squares = squares_of(reversals, n, low + width * k, &informed);
            if (squares < best) {
                best = squares;
                at = low + width * k;
            }
        }
        low = fmax(0, at - 2 * width);
        high = at + 2 * width;
    }
    return at;
}

int dead_band_of(struct dead_band *result, const struct reversal reversals[], size_t n,
                 struct rig_err *err)
{
    struct dead_band made = {0};
    size_t moving = 0;
    double most = 0, largest_stuck = 0;
    const struct reversal *smallest = NULL, *first_moved = NULL;
    for (size_t i = 0; i < n; i++) {
        const struct reversal *here = &reversals[i];
        if (!isfinite(here->back_mm) || !isfinite(here->moved_mm) || !(here->u_mm > 0) ||
            !isfinite(here->u_mm) || here->back_mm < 0)
            return rig_fail(err, RIG_EINPUT, "reversal %zu is not finite, or has no u above 0",
                            i + 1);
        if (!smallest || here->back_mm < smallest->back_mm)
            smallest = here;
        if (follows(here) && (!first_moved || here->back_mm < first_moved->back_mm))
            first_moved = here;
        if (!small(here))
            continue;
        made.small++;
        made.stuck += !follows(here);
        moving += follows(here);
        most = fmax(most, here->back_mm);
        if (!follows(here))
            largest_stuck = fmax(largest_stuck, here->back_mm);
    }
    if (!smallest)
        return rig_fail(err, RIG_EUNKNOWABLE,
                        "no hold follows a turn of the depth; a dead band takes small steps back");
    if (!made.small) {
        double bound = fmax(smallest->back_mm - smallest->moved_mm, 0) + 2 * smallest->u_mm;
        return rig_fail(err, RIG_EUNKNOWABLE,
                        "the smallest reversal, %.3g mm, still moved the reading by %.3g mm: the "
                        "dead band is %.2g mm at most, and takes reversals about as small as "
                        "itself",
                        smallest->back_mm, smallest->moved_mm, bound);
    }
    if (!first_moved)
        return rig_fail(err, RIG_EUNKNOWABLE,
                        "no reversal, up to %.3g mm, moved the reading: the dead band is larger",
                        largest_stuck);
    if (moving) {
        double informed, dof = (double)made.small - 1;
        made.mm = least_of(reversals, n, most);
        double squares = squares_of(reversals, n, made.mm, &informed);
        double scatter = dof > 0 ? fmax(1, sqrt(squares / dof)) : 1;
        made.u_mm = informed > 0 ? scatter / sqrt(informed) : smallest->u_mm;
        made.dof = scatter > 1 ? dof : INFINITY;
    } else {
        double high = fmax(first_moved->back_mm, largest_stuck);
        made.mm = (largest_stuck + high) / 2;
        made.u_mm = (high - largest_stuck) / sqrt(12); /* JCGM 100:2008 4.3.7 */
        made.dof = INFINITY;
    }
    *result = made;
    return RIG_OK;
}
