/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/film.h"

#include <math.h>

/* Inside this file: SI units. */
static double mu(const struct water *water)
{
    return water->mu_upa_s * 1e-6;
}

static double sigma(const struct water *water)
{
    return water->sigma_mn_m * 1e-3;
}

static double weight(const struct water *water)
{
    return water->rho_kg_m3 * FILM_GRAVITY;
}

double film_capillary_length_mm(const struct water *water)
{
    return sqrt(sigma(water) / weight(water)) * 1e3;
}

double film_capillary_number(const struct water *water, double speed_mm_s)
{
    return mu(water) * speed_mm_s * 1e-3 / sigma(water);
}

double film_thickness_um(const struct water *water, double speed_mm_s)
{
    if (!(speed_mm_s >= 0))
        return NAN;
    return FILM_PREFACTOR * film_capillary_length_mm(water) * 1e3 *
           pow(film_capillary_number(water, speed_mm_s), 2.0 / 3);
}

double film_gravity_limit_um(const struct water *water, double speed_mm_s)
{
    if (!(speed_mm_s >= 0))
        return NAN;
    return sqrt(mu(water) * speed_mm_s * 1e-3 / weight(water)) * 1e6;
}

double film_draining_um(const struct water *water, double x_mm, double t_s)
{
    if (!(x_mm >= 0 && t_s > 0))
        return NAN;
    return sqrt(mu(water) * x_mm * 1e-3 / (weight(water) * t_s)) * 1e6;
}
