/* SPDX-License-Identifier: GPL-3.0-or-later
 * Simulations with a fixed seed: does an interval cover the truth as often as it says,
 * and how far off is a value in the mean. */
#ifndef TESTS_MONTECARLO_H
#define TESTS_MONTECARLO_H

#include <stddef.h>

struct tally {
    const char *what;
    size_t runs, covered, unknown;
    double error_sum, error_square_sum, u_square_sum;
};

/* One run: value and its standard uncertainty with degrees of freedom (INFINITY allowed)
 * against the truth. NaN counts as unknown. Coverage by Student's t at 95 %. */
void tally_add(struct tally *tally, double value, double u, double dof, double truth);
/* The same for a value with an interval of its own. */
void tally_add_interval(struct tally *tally, double value, double low, double high, double truth);
double tally_bias(const struct tally *tally);
double tally_rms(const struct tally *tally);
/* Prints coverage, bias, rms error and mean stated uncertainty. */
void tally_print(const struct tally *tally);

/* Coverage within 93 to 97 %, widened by two binomial standard deviations for so few
 * runs; the bias below four standard deviations of the mean; none unknown. */
#define assert_honest(tally) check_honest((tally), __FILE__, __LINE__)
void check_honest(const struct tally *tally, const char *file, int line);

/* rms error at most `factor` times `bound`, widened by two standard deviations of an
 * rms over so few runs. */
#define assert_reaches(tally, bound, factor)                                                       \
    check_reaches((tally), (bound), (factor), __FILE__, __LINE__)
void check_reaches(const struct tally *tally, double bound, double factor, const char *file,
                   int line);

#endif
