/* SPDX-License-Identifier: GPL-3.0-or-later
 * Moments of a stretched exponential against GSL's incomplete gamma function: the integral of
 * x^k exp(-(x/tau)^beta) from 0 to x is tau^(k+1)/beta times gamma((k+1)/beta, (x/tau)^beta). */
#include "check.h"

#include "results/stretched.h"

#include <gsl/gsl_errno.h>
#include <gsl/gsl_sf_gamma.h>
#include <math.h>

static void against_incomplete_gamma(void **state)
{
    (void)state;
    static struct stretched stretched;
    const double betas[] = {0.12, 0.3, 0.55, 0.8, 1, 1.2, 2, 3.3, 5}, taus[] = {0.004, 0.3, 25};
    size_t compared = 0;
    double worst = 0;
    for (size_t b = 0; b < sizeof betas / sizeof *betas; b++)
        for (size_t t = 0; t < sizeof taus / sizeof *taus; t++) {
            double beta = betas[b], tau = taus[t];
            stretched_set(&stretched, tau, beta);
            assert_true(stretched.count <= STRETCHED_NODES);
            for (double v = -20; v < log(150) / beta; v += 0.0371) {
                double x = exp(v), moments[STRETCHED_MOMENTS];
                stretched_moments(&stretched, tau * x, moments);
                for (int k = 0; k < STRETCHED_MOMENTS; k++) {
                    gsl_sf_result share;
                    double shape = (k + 1) / beta, z = pow(x, beta);
                    if (shape > 100 || gsl_sf_gamma_inc_P_e(shape, z, &share))
                        continue; /* beyond what the reference can do */
                    double whole = pow(tau, k + 1) / beta * gsl_sf_gamma(shape);
                    worst = fmax(worst, fabs(moments[k] - whole * share.val) / whole);
                    compared++;
                }
            }
        }
    print_message("%zu moments, worst %.2g of the whole\n", compared, worst);
    assert_true(compared > 10000);
    assert_near(worst, 0, 3e-11, "");
}

static void at_the_ends(void **state)
{
    (void)state;
    static struct stretched stretched;
    double moments[STRETCHED_MOMENTS];
    stretched_set(&stretched, 0.3, 0.7);
    stretched_moments(&stretched, 0, moments);
    for (int k = 0; k < STRETCHED_MOMENTS; k++)
        assert_near(moments[k], 0, 0, "");
    stretched_moments(&stretched, INFINITY, moments);
    assert_near(moments[0], 0.3 * gsl_sf_gamma(1 + 1 / 0.7), 1e-12, "s");
    stretched_moments(&stretched, 3e-9, moments); /* nothing has decayed yet but 2.5e-6 of it */
    assert_near(moments[0] / 3e-9, 1 - pow(1e-8, 0.7) / 1.7, 1e-11, "");
}

int main(void)
{
    gsl_set_error_handler_off();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(against_incomplete_gamma),
        cmocka_unit_test(at_the_ends),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
