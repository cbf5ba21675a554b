/* SPDX-License-Identifier: GPL-3.0-or-later
 * Private to results/response*.c: moments of what remains of a stretched exponential,
 * the integrals of x^k exp(-(x/tau)^beta) from 0 to x for k = 0, 1, 2. An incomplete gamma
 * function each; a fit asks for thousands with the same tau and beta, so they are tabulated
 * over the logarithm of x and read off to 3e-11 of the whole. Pure. */
#ifndef RESULTS_STRETCHED_H
#define RESULTS_STRETCHED_H

#include <stddef.h>

enum { STRETCHED_NODES = 1024, STRETCHED_MOMENTS = 3 };

struct stretched_node {
    double slope[STRETCHED_MOMENTS];    /* of the moments, by log x */
    double integral[STRETCHED_MOMENTS]; /* x in units of tau */
    double bend;                        /* beta x^beta */
};

struct stretched {
    double tau_s, beta;
    double first, step; /* log of the first node's x; distance of the nodes */
    size_t count;
    struct stretched_node nodes[STRETCHED_NODES];
};

/* tau_s > 0, beta 0.1 to 5. */
void stretched_set(struct stretched *stretched, double tau_s, double beta);
/* moments[k]: in s^(k+1). x_s >= 0. */
void stretched_moments(const struct stretched *stretched, double x_s,
                       double moments[STRETCHED_MOMENTS]);

#endif
