/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "montecarlo.h"

#include "check.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdbool.h>

void tally_add(struct tally *tally, double value, double u, double dof, double truth)
{
    tally->runs++;
    double error = value - truth;
    if (!isfinite(value) || !isfinite(u)) {
        tally->unknown++;
        return;
    }
    double reach = dof < 1e6 ? gsl_cdf_tdist_Pinv(0.975, dof) : 1.959963984540054;
    tally->covered += fabs(error) <= reach * u;
    tally->error_sum += error;
    tally->error_square_sum += error * error;
    tally->u_square_sum += u * u;
}

void tally_add_interval(struct tally *tally, double value, double low, double high, double truth)
{
    tally->runs++;
    if (!isfinite(value) || !isfinite(low) || !isfinite(high)) {
        tally->unknown++;
        return;
    }
    double error = value - truth, u = (high - low) / (2 * 1.959963984540054);
    tally->covered += low <= truth && truth <= high;
    tally->error_sum += error;
    tally->error_square_sum += error * error;
    tally->u_square_sum += u * u;
}

static double known(const struct tally *tally)
{
    return (double)(tally->runs - tally->unknown);
}

double tally_bias(const struct tally *tally)
{
    return tally->error_sum / known(tally);
}

double tally_rms(const struct tally *tally)
{
    return sqrt(tally->error_square_sum / known(tally));
}

void tally_print(const struct tally *tally)
{
    print_message("%-28s %4zu runs  %5.1f %% covered  bias %+.2e  rms %.3e  stated %.3e  %zu "
                  "unknown\n",
                  tally->what, tally->runs, 100 * (double)tally->covered / known(tally),
                  tally_bias(tally), tally_rms(tally), sqrt(tally->u_square_sum / known(tally)),
                  tally->unknown);
}

void check_honest(const struct tally *tally, const char *file, int line)
{
    tally_print(tally);
    double n = known(tally), share = (double)tally->covered / n;
    double allowance = 2 * sqrt(0.95 * 0.05 / n);
    bool fine = tally->unknown == 0 && share >= 0.93 - allowance && share <= 0.97 + allowance &&
                fabs(tally_bias(tally)) < 4 * tally_rms(tally) / sqrt(n);
    if (!fine) {
        print_error("%s: not honest\n", tally->what);
        _fail(file, line);
    }
}

void check_reaches(const struct tally *tally, double bound, double factor, const char *file,
                   int line)
{
    double ratio = tally_rms(tally) / bound;
    print_message("%-28s rms error over the bound: %.3f\n", tally->what, ratio);
    if (ratio <= factor * (1 + 2 / sqrt(2 * known(tally))))
        return;
    print_error("%s: error %.3f times the bound, %.3f wanted\n", tally->what, ratio, factor);
    _fail(file, line);
}
