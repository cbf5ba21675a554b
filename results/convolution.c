/* SPDX-License-Identifier: GPL-3.0-or-later
 * The interval of a sum of a scaled t and rectangles. All distributions are symmetric
 * about 0, so half of each is kept: P(x) = F(x) - 1/2 on a grid of x >= 0. Adding a
 * rectangle of half width a makes of P the difference (H(x + a) - H(x - a)) / 2a of its
 * integral H, which is even. The first step is exact, as the integral of F is known for
 * a t; the others integrate on the grid. */
#include "results/student.h"
#include "results/uncertainty.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_randist.h>
#include <math.h>
#include <stdbool.h>
#include <stdlib.h>

enum { CELLS = 400 };

struct half {
    double step;
    double p[CELLS + 1]; /* F - 1/2 at i step */
    double h[CELLS + 1]; /* its integral from 0 */
};

/* The integral of F - 1/2 from 0 for a t scaled by u; |x| for u = 0. Even in x. */
static double first_integral(double x, double u, double dof)
{
    x = fabs(x);
    if (!(u > 0))
        return x / 2;
    double t = x / u;
    if (isinf(dof))
        return u * (t * (gsl_cdf_ugaussian_P(t) - 0.5) + gsl_ran_ugaussian_pdf(t) -
                    gsl_ran_ugaussian_pdf(0));
    return u * (t * (gsl_cdf_tdist_P(t, dof) - 0.5) +
                ((dof + t * t) * gsl_ran_tdist_pdf(t, dof) - dof * gsl_ran_tdist_pdf(0, dof)) /
                    (dof - 1));
}

/* Density of a t scaled by u, and how it slopes. */
static void density(double x, double u, double dof, double *value, double *slope)
{
    double t = x / u;
    *value = (isinf(dof) ? gsl_ran_ugaussian_pdf(t) : gsl_ran_tdist_pdf(t, dof)) / u;
    *slope = -*value * t / u * (isinf(dof) ? 1 : (dof + 1) / (dof + t * t));
}

/* first_integral(i step) for i up to `count`, from the density by Hermite's rule twice: a tenth of
 * the time of as many distribution functions. Good to (step/u)^4/720 of the whole. */
static void first_integrals(double at[], size_t count, double step, double u, double dof)
{
    double f, slope, p = 0;
    density(0, u, dof, &f, &slope);
    at[0] = 0;
    for (size_t i = 0; i < count; i++) {
        double f1, slope1;
        density((double)(i + 1) * step, u, dof, &f1, &slope1);
        double p1 = p + step / 2 * (f + f1) + step * step / 12 * (slope - slope1);
        at[i + 1] = at[i] + step / 2 * (p + p1) + step * step / 12 * (f - f1);
        p = p1;
        f = f1;
        slope = slope1;
    }
}

static void integrate(struct half *half)
{
    half->h[0] = 0;
    for (int i = 0; i < CELLS; i++) {
        /* Cubic through four neighbours; P is odd, and 1/2 beyond the end. */
        double before = i ? half->p[i - 1] : -half->p[1];
        double after = i + 2 <= CELLS ? half->p[i + 2] : half->p[CELLS];
        half->h[i + 1] =
            half->h[i] + half->step / 24 * (13 * (half->p[i] + half->p[i + 1]) - before - after);
    }
}

/* H between the nodes by the cubic whose slopes are P. */
static double integral_at(const struct half *half, double x)
{
    double at = fabs(x) / half->step;
    if (at >= CELLS)
        return half->h[CELLS] + (at - CELLS) * half->step / 2;
    int i = (int)at;
    double t = at - i, d = half->h[i + 1] - half->h[i];
    double m0 = half->p[i] * half->step, m1 = half->p[i + 1] * half->step;
    return half->h[i] + t * (m0 + t * ((3 * d - 2 * m0 - m1) + t * (m0 + m1 - 2 * d)));
}

static void add_rectangle(struct half *half, double a)
{
    double sum[CELLS + 1];
    integrate(half);
    for (int i = 0; i <= CELLS; i++) {
        double x = i * half->step;
        sum[i] = (integral_at(half, x + a) - integral_at(half, x - a)) / (2 * a);
    }
    for (int i = 0; i <= CELLS; i++)
        half->p[i] = fmin(sum[i], 0.5);
}

/* The widest rectangle on the t alone. Where the grid's step is small beside the t and goes into
 * the rectangle a whole number of times, it makes the step so. */
static void first_rectangle(struct half *half, double a, double u, double dof)
{
    int cells = (int)(a / half->step);
    if (u > 0 && cells > 0 && a / cells < u / 4 && cells < CELLS) {
        double at[2 * CELLS];
        half->step = a / cells;
        first_integrals(at, CELLS + cells, half->step, u, dof);
        for (int k = 0; k <= CELLS; k++)
            half->p[k] = (at[k + cells] - at[abs(k - cells)]) / (2 * a);
        return;
    }
    for (int k = 0; k <= CELLS; k++)
        half->p[k] = (first_integral(k * half->step + a, u, dof) -
                      first_integral(k * half->step - a, u, dof)) /
                     (2 * a);
}

static double crossing(const struct half *half, double share)
{
    for (int i = 0; i < CELLS; i++)
        if (half->p[i + 1] >= share / 2) {
            double rise = half->p[i + 1] - half->p[i];
            return (i + (rise > 0 ? (share / 2 - half->p[i]) / rise : 0)) * half->step;
        }
    return CELLS * half->step;
}

double uncertainty_half_width(double u, double dof, const double half_widths[], size_t count,
                              double share)
{
    double widest = 0, sum = 0, squares = 0, narrow = 0;
    for (size_t i = 0; i < count; i++) {
        widest = fmax(widest, half_widths[i]);
        sum += half_widths[i];
        squares += half_widths[i] * half_widths[i] / 3;
    }
    double alone = u > 0 ? student_coverage(share, dof) * u : 0;
    if (isnan(u) || isnan(sum) || (u > 0 && isnan(dof)))
        return NAN;
    /* A difference over next to nothing would be rounding only. In squares such a one shows
     * below 1e-6, and not at all where there is nothing but rectangles. */
    double least = fmax(widest, alone) / 1000;
    for (size_t i = 0; i < count; i++)
        narrow += half_widths[i] < least ? half_widths[i] * half_widths[i] / 3 : 0;
    if (!(widest > 0) || widest < least)
        return alone * sqrt(1 + (u > 0 ? narrow / u / u : 0));
    if (u > 0 && dof < 2)
        return student_coverage(share, dof) * sqrt(u * u + squares);
    if (u > 0)
        u = sqrt(u * u + narrow);
    double normal = isinf(dof) ? dof : fmin(dof, 1e6);
    struct half half = {.step = (sum + 1.6 * alone) / CELLS};
    bool first = true;
    for (size_t i = 0; i < count; i++) {
        double a = half_widths[i];
        if (!first && a >= least)
            add_rectangle(&half, a);
        /* The widest comes first, so that the grid takes narrow ones as smooth changes. */
        if (first && a == widest) {
            first_rectangle(&half, a, u, normal);
            first = false;
            for (size_t before = 0; before < i; before++)
                if (half_widths[before] >= least)
                    add_rectangle(&half, half_widths[before]);
        }
    }
    return crossing(&half, share);
}
