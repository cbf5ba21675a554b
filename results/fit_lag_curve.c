/* SPDX-License-Identifier: GPL-3.0-or-later
 * What an error of the curve does to hysteresis and lags. Both passes of a pair cross nearly the
 * same depths, so most of it cancels; what is left is found by turning each parameter a little
 * and separating anew. */
#include "results/fit_lag.h"

#include <math.h>
#include <stdlib.h>

/* By how much the inferred depth falls, in the mean over a pass, where the curve's k-th parameter
 * grows by one: at the depths that were inferred, which are behind the true ones. */
static double fall_mm(const struct curve *curve, const struct ramp_pass *pass, size_t k)
{
    enum { PLACES = 16 };
    double sum = 0;
    for (int i = 0; i < PLACES; i++) {
        double gradient[CURVE_PARAMETERS];
        double share = ((double)i + 0.5) / (double)PLACES;
        double depth =
            pass->from_mm + (pass->to_mm - pass->from_mm) * share - pass->direction * pass->late_mm;
        curve_gradient(curve, depth, gradient);
        sum += gradient[k] / curve_slope(curve, depth);
    }
    return sum / PLACES;
}

static bool separate(const struct ramp_pass passes[], size_t count, double out[CURVE_ON])
{
    struct loop_fit loop;
    struct loop_directions ways;
    struct rig_err why = {0};
    if (fit_lag_separate(&loop, &ways, passes, count, &why))
        return false;
    out[CURVE_ON_HYSTERESIS] = loop.hysteresis_mm.value;
    out[CURVE_ON_SUM] = loop.lag_sum_s.value;
    out[CURVE_ON_RISING] = ways.lag_rising_s.value;
    out[CURVE_ON_FALLING] = ways.lag_falling_s.value;
    out[CURVE_ON_DIFFERENCE] = ways.lag_difference_s.value;
    for (int i = 0; i < CURVE_ON; i++)
        if (!isfinite(out[i]))
            return false;
    return true;
}

bool fit_lag_curve_u(double u[CURVE_ON], const struct curve *curve, const struct ramp_pass passes[],
                     size_t count)
{
    size_t parameters = curve_parameters(curve);
    double base[CURVE_ON], jacobian[CURVE_ON][CURVE_PARAMETERS] = {{0}};
    if (!separate(passes, count, base))
        return false;
    struct ramp_pass *turned = malloc((count + 1) * sizeof *turned);
    bool known = turned != NULL;
    for (size_t k = 0; known && k < parameters; k++) {
        /* So little that the passes' weights stay as they are. */
        double by = sqrt(curve_covariance(curve, k, k)) / 100, other[CURVE_ON];
        if (!(by > 0))
            continue;
        for (size_t i = 0; i < count; i++) {
            turned[i] = passes[i];
            turned[i].late_mm += passes[i].direction * by * fall_mm(curve, &passes[i], k);
        }
        known = separate(turned, count, other);
        for (int i = 0; known && i < CURVE_ON; i++)
            jacobian[i][k] = (other[i] - base[i]) / by;
    }
    free(turned);
    for (int i = 0; i < CURVE_ON; i++) {
        double variance = 0;
        for (size_t k = 0; k < parameters; k++)
            for (size_t l = 0; l < parameters; l++)
                variance += jacobian[i][k] * curve_covariance(curve, k, l) * jacobian[i][l];
        u[i] = sqrt(fmax(variance, 0));
        known = known && isfinite(u[i]);
    }
    return known;
}
