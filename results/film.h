/* SPDX-License-Identifier: GPL-3.0-or-later
 * Water film on a plate withdrawn upwards: what a fully wetting board would keep, as
 * a reference line beside the measured cling. Not a fit, and not what a coated board
 * does: partial wetting changes both size and exponent (docs/methods.md). Pure. */
#ifndef RESULTS_FILM_H
#define RESULTS_FILM_H

#include "results/water.h"

/* Standard gravity, m/s2 (3rd CGPM, 1901). */
#define FILM_GRAVITY 9.80665
/* Landau-Levich prefactor. 0.944 in the paper of 1942 is the arithmetic of its time;
 * integrating H''' = (1 - H)/H^3 from the flat film gives this (computed). */
#define FILM_PREFACTOR 0.9458096983

/* Capillary length sqrt(sigma / (rho g)), mm. */
double film_capillary_length_mm(const struct water *water);
/* Capillary number mu v / sigma, without unit; v in mm/s. */
double film_capillary_number(const struct water *water, double speed_mm_s);

/* Thickness in um of the film drawn at a speed > 0 in mm/s:
 * FILM_PREFACTOR l Ca^(2/3), for Ca << 1 and complete wetting. Landau & Levich, Acta
 * Physicochim. URSS 17 (1942) 42; Derjaguin (1943). NaN for a speed below 0. */
double film_thickness_um(const struct water *water, double speed_mm_s);

/* Limit by gravity at large Ca, um: sqrt(mu v / (rho g)) (Derjaguin 1943); a film
 * thickness near it says that Landau-Levich no longer holds. */
double film_gravity_limit_um(const struct water *water, double speed_mm_s);

/* Draining afterwards: thickness in um at x mm below the top of the film, t s after
 * withdrawal: sqrt(mu x / (rho g t)) (Jeffreys, Proc. Camb. Phil. Soc., 1930). NaN unless
 * x >= 0 and t > 0. */
double film_draining_um(const struct water *water, double x_mm, double t_s);

#endif
