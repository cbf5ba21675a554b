/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/water.h"

#include <math.h>
#include <stddef.h>

double water_surface_tension_mn_m(double t_degc)
{
    if (!(t_degc >= 0 && t_degc <= 373.946))
        return NAN;
    double tau = 1 - (t_degc + 273.15) / 647.096;
    return 235.8 * pow(tau, 1.256) * (1 - 0.625 * tau);
}

double water_viscosity_upa_s(double t_k, double rho_kg_m3)
{
    if (!(t_k > 0 && t_k <= 1173.15) || !(rho_kg_m3 >= 0))
        return NAN;
    static const double dilute[] = {1.67752, 2.20462, 0.6366564, -0.241605};
    /* Table 2: i power of 1/T - 1, j power of rho - 1. */
    static const struct {
        int i, j;
        double value;
    } h[] = {
        {0, 0, 5.20094e-1},  {1, 0, 8.50895e-2},  {2, 0, -1.08374},    {3, 0, -2.89555e-1},
        {0, 1, 2.22531e-1},  {1, 1, 9.99115e-1},  {2, 1, 1.88797},     {3, 1, 1.26613},
        {5, 1, 1.20573e-1},  {0, 2, -2.81378e-1}, {1, 2, -9.06851e-1}, {2, 2, -7.72479e-1},
        {3, 2, -4.89837e-1}, {4, 2, -2.57040e-1}, {0, 3, 1.61913e-1},  {1, 3, 2.57399e-1},
        {0, 4, -3.25372e-2}, {3, 4, 6.98452e-2},  {4, 5, 8.72102e-3},  {3, 6, -4.35673e-3},
        {5, 6, -5.93264e-4},
    };
    double t = t_k / 647.096, rho = rho_kg_m3 / 322.0;
    double sum = 0;
    for (size_t i = 0; i < sizeof dilute / sizeof *dilute; i++)
        sum += dilute[i] / pow(t, (double)i);
    double mu_0 = 100 * sqrt(t) / sum;
    sum = 0;
    for (size_t k = 0; k < sizeof h / sizeof *h; k++)
        sum += h[k].value * pow(1 / t - 1, h[k].i) * pow(rho - 1, h[k].j);
    return mu_0 * exp(rho * sum);
}

double water_density_kg_m3(double t_degc)
{
    if (!(t_degc >= 0 && t_degc <= 40))
        return NAN;
    double a1 = -3.983035, a2 = 301.797, a3 = 522528.9, a4 = 69.34881, a5 = 999.974950;
    return a5 * (1 - (t_degc + a1) * (t_degc + a1) * (t_degc + a2) / (a3 * (t_degc + a4)));
}

struct water water_at(double t_degc)
{
    double rho = water_density_kg_m3(t_degc);
    return (struct water){t_degc, rho, water_viscosity_upa_s(t_degc + 273.15, rho),
                          isnan(rho) ? NAN : water_surface_tension_mn_m(t_degc)};
}
