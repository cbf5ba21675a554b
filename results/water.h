/* SPDX-License-Identifier: GPL-3.0-or-later
 * Properties of clean air-free water, for the reference line of retained film. Pure. */
#ifndef RESULTS_WATER_H
#define RESULTS_WATER_H

/* Surface tension in mN/m from 0.01 degC to the critical point (373.946 degC), NaN
 * outside. IAPWS R1-76(2014), equation 1. */
double water_surface_tension_mn_m(double t_degc);

/* Dynamic viscosity in uPa s at a temperature in K (above 0, at most 1173.15 as
 * tabulated) and density in kg/m3 (>= 0), without critical enhancement; NaN outside.
 * IAPWS R12-08, equations 10 to 12. */
double water_viscosity_upa_s(double t_k, double rho_kg_m3);

/* Density in kg/m3 of air-free water at 101325 Pa, 0 to 40 degC, NaN outside.
 * Tanaka, Girard, Davis, Peuto, Bignell, Metrologia 38 (2001) 301, equation 1. */
double water_density_kg_m3(double t_degc);

struct water {
    double t_degc, rho_kg_m3, mu_upa_s, sigma_mn_m;
};
/* All three at atmospheric pressure, 0.01 to 40 degC; NaN outside. */
struct water water_at(double t_degc);

#endif
