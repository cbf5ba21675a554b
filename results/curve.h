/* SPDX-License-Identifier: GPL-3.0-or-later
 * The static calibration curve: reading as a function of depth, reading = f(depth),
 * with the uncertainty of f, its inverse, and the range where it can be used. Serves
 * tables taken by hand and recordings alike. Pure.
 *
 * Uncertainty of the fit, by what is known:
 *   from residuals   independent points of unknown, equal noise (JCGM 100:2008 H.3)
 *   from stated      reading_u and depth_u as given, not rescaled (ISO/TS 28037:2010);
 *                    with depth_u the points are moved along both axes (clause 7)
 *   from cycles      three cycles or more of unknown noise: what was repeated is the
 *                    cycle, so the covariance is clustered by it (results/cluster.h)
 * A datum or a scale that is off by the same amount for every point (common_u) leaves
 * the fitted curve where it is and widens its uncertainty. */
#ifndef RESULTS_CURVE_H
#define RESULTS_CURVE_H

#include "base/err.h"
#include "results/polynomial.h"
#include "results/spline.h"

#include <stdbool.h>
#include <stddef.h>

enum {
    CURVE_DEGREE_CHOSEN_UP_TO = 6,
    CURVE_UNUSABLE_LIMIT = 8,
    CURVE_PARAMETERS = 16 /* room for those of any curve */
};
_Static_assert((int)CURVE_PARAMETERS >= (int)SPLINE_KNOTS &&
                   (int)CURVE_PARAMETERS >= (int)POLYNOMIAL_TERMS,
               "a curve's parameters have no room");

enum curve_kind { CURVE_POLYNOMIAL, CURVE_SPLINE };

#define CURVE_SOURCES(X)                                                                           \
    X(CURVE_U_NONE, "none") /* as many parameters as points */                                     \
    X(CURVE_U_RESIDUALS, "residuals")                                                              \
    X(CURVE_U_STATED, "stated")                                                                    \
    X(CURVE_U_CYCLES, "cycles")
enum curve_source {
#define X(source, word) source,
    CURVE_SOURCES(X)
#undef X
        CURVE_SOURCE_COUNT
};
const char *curve_source_name(enum curve_source source);

struct curve_points {
    size_t n;
    const double *depth, *reading; /* finite */
    const double *reading_u,
        *depth_u; /* standard uncertainties, >= 0, not both 0; NULL: not stated */
    double common_reading_u, common_depth_u; /* shared by all points; 0: none */
    const size_t *cycle;                     /* from 0 to cycles - 1; NULL: not known */
    size_t cycles;
};

struct curve_options {
    enum curve_kind kind;
    size_t degree; /* polynomial: 0 chooses by AICc, else this one */
    size_t knots;  /* spline: 0 chooses by AICc, else this many */
};

/* One candidate that was weighed. */
struct curve_candidate {
    size_t size; /* degree, or knots */
    double aicc; /* relative to the least; NaN: too few points to judge it */
};

struct curve_range {
    double low, high; /* depth */
    bool turned;      /* it runs the other way; else it is flatter than the noise */
};

/* Plain data, may be copied. */
struct curve {
    enum curve_kind kind;
    size_t n;
    double low, high; /* range of the depths */
    struct polynomial polynomial;
    struct spline spline;
    bool chosen; /* by AICc; false: as asked */
    size_t candidate_count;
    struct curve_candidate candidates[SPLINE_KNOTS];
    enum curve_source source;
    double parameter_dof; /* for intervals of parameters: n - p, infinite when stated,
                           * cycles - 1 */
    double residual_sd;   /* of the readings about the curve, sqrt(sum / (n - p)); NaN for n = p */
    double chi_squared;   /* stated only, else NaN */
    double chi_squared_p; /* probability of one as large by chance */
    double degrees_of_freedom;      /* n - p */
    int direction;                  /* 1: the reading grows with depth, -1: it falls */
    double usable_low, usable_high; /* longest range where a reading gives one depth; NaN: none */
    size_t unusable_count;
    struct curve_range unusable[CURVE_UNUSABLE_LIMIT];
};

/* RIG_EINPUT with what would be right: too few points or different depths for what is
 * asked, values or uncertainties that can't be; RIG_EUNKNOWABLE when the fit in both axes
 * doesn't settle. `curve` is untouched on error. Reference cases: NIST StRD, JCGM 100
 * H.3, ISO/TS 28037 examples 1 and 4. */
int curve_fit(struct curve *curve, const struct curve_points *points,
              const struct curve_options *options, struct rig_err *err);

/* Value and slope at a depth; beyond the ends by the same formula, which soon means
 * nothing for a polynomial. *_u: standard uncertainty of the fit alone. */
double curve_value(const struct curve *curve, double depth);
double curve_slope(const struct curve *curve, double depth);
double curve_value_u(const struct curve *curve, double depth);
double curve_slope_u(const struct curve *curve, double depth);

/* Its parameters: how many, the value's change by each at a depth, and their covariance. */
size_t curve_parameters(const struct curve *curve);
void curve_gradient(const struct curve *curve, double depth, double gradient[]);
double curve_covariance(const struct curve *curve, size_t k, size_t l);

/* Reading expected at a depth that is itself known to depth_u. */
double curve_reading_u(const struct curve *curve, double depth, double depth_u);

/* Standard uncertainty of the depth found from a reading known to reading_u; INFINITY
 * where the curve is level. */
double curve_depth_u(const struct curve *curve, double depth, double reading_u);

/* Depth from a reading known to reading_u:
 * u^2(depth) = (reading_u^2 + u_fit^2) / f'^2 (ISO/TS 28037:2010 clause 11.2). u may be
 * NULL. RIG_EUNKNOWABLE where the reading is outside what the usable range gives, or no
 * range is usable. */
int curve_depth(const struct curve *curve, double reading, double reading_u, double *depth,
                double *u, struct rig_err *err);

/* The same for streams: no error, NaN when no range is usable, and straight on along the
 * end slopes beyond the usable range, so that noise about an end averages out. */
double curve_depth_extended(const struct curve *curve, double reading);

#endif
