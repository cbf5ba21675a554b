/* SPDX-License-Identifier: GPL-3.0-or-later
 * Nodes are even in v = log(x/tau). With z = x^beta (x in units of tau) the moment's slope there is
 * g = x^(k+1) e^-z, and that slope's own g (k+1 - beta z): so a cell's share is known from its ends
 * to the seventh order (Hermite), and what lies within a cell from values and two slopes at both
 * ends (quintic). */
#include "results/stretched.h"

#include <math.h>

/* Below the first node the power series does; behind the last one nothing is left, of what takes
 * the longer to come the smaller beta is. */
static const double first_x = 1e-6;
static double last_z(double beta)
{
    return 40 + 9 / beta;
}
static const double finest = 0.025;

/* x^(k+1) times the sum of (-z)^m / m! / (k+1 + m beta), for z up to some 0.3. */
static double near_zero(double x, int k, double beta)
{
    double z = pow(x, beta), term = 1, sum = 0;
    for (int m = 0; m < 16; m++) {
        sum += term / (k + 1 + m * beta);
        term *= -z / (m + 1);
    }
    return pow(x, k + 1) * sum;
}

void stretched_set(struct stretched *stretched, double tau_s, double beta)
{
    double first = log(first_x), last = log(last_z(beta)) / beta;
    double step = fmax(finest / fmax(beta, 1), (last - first) / (STRETCHED_NODES - 2));
    *stretched = (struct stretched){.tau_s = tau_s,
                                    .beta = beta,
                                    .first = first,
                                    .step = step,
                                    .count = (size_t)ceil((last - first) / step) + 1};
    struct stretched_node *before = NULL;
    /* Rounding adds up over the nodes, but slowly: x and z are those of a node exactly every time.
     */
    for (size_t i = 0; i < stretched->count; i++) {
        struct stretched_node *node = &stretched->nodes[i];
        double v = first + (double)i * step, x = exp(v), z = exp(beta * v);
        double g = x * exp(-z);
        node->bend = beta * z;
        for (int k = 0; k < STRETCHED_MOMENTS; k++, g *= x) {
            node->slope[k] = g;
            if (!before) {
                node->integral[k] = near_zero(first_x, k, beta);
                continue;
            }
            double g0 = before->slope[k], d0 = k + 1 - before->bend, d1 = k + 1 - node->bend;
            double bent0 = g0 * (d0 * d0 - beta * before->bend);
            double bent1 = g * (d1 * d1 - beta * node->bend);
            node->integral[k] =
                before->integral[k] + step * ((g0 + g) / 2 + step * ((g0 * d0 - g * d1) / 10 +
                                                                     step * (bent0 + bent1) / 120));
        }
        before = node;
    }
}

void stretched_moments(const struct stretched *stretched, double x_s,
                       double moments[STRETCHED_MOMENTS])
{
    double tau_s = stretched->tau_s, x = x_s / tau_s, scale = tau_s;
    double at = x > 0 ? (log(x) - stretched->first) / stretched->step : -1;
    if (at < 0 || at >= (double)(stretched->count - 1)) {
        for (int k = 0; k < STRETCHED_MOMENTS; k++, scale *= tau_s)
            moments[k] = scale * (at < 0 ? (x > 0 ? near_zero(x, k, stretched->beta) : 0)
                                         : stretched->nodes[stretched->count - 1].integral[k]);
        return;
    }
    const struct stretched_node *a = &stretched->nodes[(size_t)at], *b = a + 1;
    double t = at - floor(at), h = stretched->step;
    /* The quintic's weights of value, slope and second slope at b; those at a follow by symmetry.
     */
    double u = 1 - t, t3 = t * t * t, u3 = u * u * u;
    double value_b = t3 * (10 - 15 * t + 6 * t * t);
    double slope_a = u3 * t * (1 + 3 * t), slope_b = -t3 * u * (1 + 3 * u);
    double second_a = u3 * t * t / 2, second_b = t3 * u * u / 2;
    for (int k = 0; k < STRETCHED_MOMENTS; k++, scale *= tau_s) {
        double s_a = a->slope[k] * h, s_b = b->slope[k] * h;
        double whole = b->integral[k] - a->integral[k];
        moments[k] =
            scale * (a->integral[k] + whole * value_b + s_a * slope_a + s_b * slope_b +
                     h * (s_a * (k + 1 - a->bend) * second_a + s_b * (k + 1 - b->bend) * second_b));
    }
}
