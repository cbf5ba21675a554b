/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/sine.h"

#include <float.h>
#include <math.h>
#include <stdbool.h>
#include <string.h>

#include <gsl/gsl_blas.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_linalg.h>

/* mean, cosine and sine of each component, frequency */
enum { COLUMN_LIMIT = 2 * SINE_HARMONIC_LIMIT + 2 };

static const double two_pi = 6.283185307179586477;

double sine_wrap(double angle_rad)
{
    double wrapped = remainder(angle_rad, two_pi);
    return wrapped <= -two_pi / 2 ? wrapped + two_pi : wrapped;
}

/* sin(x)/x: what averaging over a width leaves of an amplitude. */
static double sag(double x)
{
    return fabs(x) < 1e-4 ? 1 - x * x / 6 : sin(x) / x;
}

static int check_samples(const struct sample samples[], size_t n, double frequency_hz,
                         size_t harmonics, size_t columns, struct rig_err *err)
{
    if (harmonics < 1 || harmonics > SINE_HARMONIC_LIMIT)
        return rig_fail(err, RIG_EBUG, "a sine with %zu harmonics", harmonics);
    if (!(frequency_hz > 0) || !isfinite(frequency_hz))
        return rig_fail(err, RIG_EINPUT, "a sine's frequency of %g Hz; it has to be above 0",
                        frequency_hz);
    if (n < columns + 1)
        return rig_fail(err, RIG_EUNKNOWABLE,
                        "%zu values are too few for a sine of %zu parameters; %zu would do", n,
                        columns, columns + 1);
    for (size_t i = 0; i < n; i++)
        if (!isfinite(samples[i].t_s + samples[i].value) || !(samples[i].weight > 0) ||
            !isfinite(samples[i].weight) || !(samples[i].width_s >= 0))
            return rig_fail(err, RIG_EINPUT, "value %zu of a sine is not finite", i);
    return 0;
}

struct solution {
    double x[COLUMN_LIMIT];
    double inverse[COLUMN_LIMIT][COLUMN_LIMIT]; /* (X'WX)^-1 */
    double sum_of_squares, weight_sum;
};

struct work {
    gsl_matrix *design;
    gsl_vector *right, *residual, *tau;
};

static void work_free(struct work *work)
{
    gsl_matrix_free(work->design);
    gsl_vector_free(work->right);
    gsl_vector_free(work->residual);
    gsl_vector_free(work->tau);
}

static int work_alloc(struct work *work, size_t n, size_t columns, struct rig_err *err)
{
    work->design = gsl_matrix_alloc(n, columns);
    work->right = gsl_vector_alloc(n);
    work->residual = gsl_vector_alloc(n);
    work->tau = gsl_vector_alloc(columns);
    if (work->design && work->right && work->residual && work->tau)
        return 0;
    work_free(work);
    return rig_fail_memory(err, "the fit of a sine");
}

/* Weighted least squares by QR; around: the fundamental about which the frequency is
 * varied, NULL with the frequency known. The residuals are of the linear model. */
static int solve(struct work *work, struct solution *solution, const struct sample samples[],
                 size_t n, double w, size_t harmonics, const struct sine_component around[],
                 double middle_s, struct rig_err *err)
{
    size_t columns = work->design->size2;
    solution->weight_sum = 0;
    for (size_t i = 0; i < n; i++) {
        double root = sqrt(samples[i].weight), t = samples[i].t_s;
        double *row = gsl_matrix_ptr(work->design, i, 0);
        solution->weight_sum += samples[i].weight;
        row[0] = root;
        double change = 0; /* d/dw, about the middle: so it hardly leans on the phase */
        for (size_t k = 1; k <= harmonics; k++) {
            double angle = w * (double)k * t;
            double kept = root * sag(w * (double)k * samples[i].width_s / 2);
            double c = kept * cos(angle), s = kept * sin(angle);
            row[2 * k - 1] = c;
            row[2 * k] = s;
            if (around)
                change += (double)k * (t - middle_s) *
                          (around[k - 1].sine * c - around[k - 1].cosine * s);
        }
        if (around)
            row[columns - 1] = change;
        gsl_vector_set(work->right, i, root * samples[i].value);
    }
    /* Columns of length 1, so that the test for dependence has a scale. */
    double length[COLUMN_LIMIT];
    for (size_t k = 0; k < columns; k++) {
        gsl_vector_view column = gsl_matrix_column(work->design, k);
        length[k] = gsl_blas_dnrm2(&column.vector);
        if (length[k] > 0)
            gsl_vector_scale(&column.vector, 1 / length[k]);
    }
    gsl_vector_view x = gsl_vector_view_array(solution->x, columns);
    if (gsl_linalg_QR_decomp(work->design, work->tau))
        return rig_fail(err, RIG_EBUG, "the fit of a sine failed");
    double smallest = INFINITY;
    for (size_t k = 0; k < columns; k++)
        smallest = fmin(smallest, fabs(gsl_matrix_get(work->design, k, k)));
    if (!(smallest > 1e-7) ||
        gsl_linalg_QR_lssolve(work->design, work->tau, work->right, &x.vector, work->residual))
        return rig_fail(err, RIG_EUNKNOWABLE,
                        "the values cover too little of a cycle of %.6g Hz to tell a sine from its "
                        "mean",
                        w / two_pi);
    gsl_blas_ddot(work->residual, work->residual, &solution->sum_of_squares);
    /* R^-1 R^-T */
    double r_inverse[COLUMN_LIMIT][COLUMN_LIMIT] = {{0}};
    for (size_t k = 0; k < columns; k++) {
        r_inverse[k][k] = 1 / gsl_matrix_get(work->design, k, k);
        for (size_t row = k; row-- > 0;) {
            double sum = 0;
            for (size_t m = row + 1; m <= k; m++)
                sum += gsl_matrix_get(work->design, row, m) * r_inverse[m][k];
            r_inverse[row][k] = -sum / gsl_matrix_get(work->design, row, row);
        }
    }
    for (size_t k = 0; k < columns; k++) {
        solution->x[k] /= length[k];
        for (size_t l = 0; l < columns; l++) {
            double sum = 0;
            for (size_t m = k > l ? k : l; m < columns; m++)
                sum += r_inverse[k][m] * r_inverse[l][m];
            solution->inverse[k][l] = sum / length[k] / length[l];
        }
    }
    return 0;
}

static void component_from(struct sine_component *component, const struct solution *solution,
                           size_t k, double variance)
{
    size_t c = 2 * k - 1, s = 2 * k;
    double a = solution->x[c], b = solution->x[s];
    double amplitude = hypot(a, b), square = amplitude * amplitude;
    double aa = variance * solution->inverse[c][c], bb = variance * solution->inverse[s][s];
    double ab = variance * solution->inverse[c][s];
    *component = (struct sine_component){a, b, amplitude, atan2(-b, a), NAN, NAN};
    if (amplitude > 0) {
        component->amplitude_u = sqrt(fmax(0, a * a * aa + b * b * bb + 2 * a * b * ab) / square);
        component->phase_u = sqrt(fmax(0, b * b * aa + a * a * bb - 2 * a * b * ab)) / square;
    }
}

static void fill(struct sine_fit *fit, const struct solution *solution, size_t n, size_t columns,
                 double frequency_hz, size_t harmonics, double middle_s)
{
    bool with_frequency = columns == 2 * harmonics + 2;
    *fit = (struct sine_fit){.frequency_hz = frequency_hz, .harmonics = harmonics, .n = n};
    fit->degrees_of_freedom = (double)(n - columns);
    double variance = solution->sum_of_squares / fit->degrees_of_freedom;
    fit->residual_sd = sqrt(variance);
    fit->residual_rms = sqrt(solution->sum_of_squares / solution->weight_sum);
    fit->mean = solution->x[0];
    fit->mean_u = sqrt(variance * solution->inverse[0][0]);

    /* Phases at t = 0 turn with the frequency by middle_s: d(cosine) = -middle sine dw ... */
    struct solution turned = *solution;
    size_t last = columns - 1;
    if (with_frequency)
        for (size_t k = 1; k <= harmonics; k++) {
            double turn[2] = {-middle_s * (double)k * solution->x[2 * k],
                              middle_s * (double)k * solution->x[2 * k - 1]};
            for (size_t i = 0; i < 2; i++) { /* covariance of (x + turn * dw) */
                size_t at = 2 * k - 1 + i;
                for (size_t l = 0; l < columns; l++)
                    turned.inverse[at][l] += turn[i] * turned.inverse[last][l];
                for (size_t l = 0; l < columns; l++)
                    turned.inverse[l][at] += turn[i] * turned.inverse[l][last];
            }
        }
    for (size_t k = 1; k <= harmonics; k++)
        component_from(&fit->component[k - 1], &turned, k, variance);
    const size_t order[4] = {1, 2, 0, last};
    const double scale[4] = {1, 1, 1, 1 / two_pi};
    for (size_t k = 0; k < 4; k++)
        for (size_t l = 0; l < 4; l++)
            fit->covariance[k][l] =
                (k == 3 || l == 3) && !with_frequency
                    ? 0
                    : variance * turned.inverse[order[k]][order[l]] * scale[k] * scale[l];
    fit->frequency_u = sqrt(fit->covariance[3][3]);

    fit->distortion = fit->distortion_u = NAN;
    double power = 0, noise = 0, spread = 0, fundamental = fit->component[0].amplitude;
    for (size_t k = 2; k <= harmonics; k++) {
        double ak = fit->component[k - 1].amplitude;
        double share =
            variance * (turned.inverse[2 * k - 1][2 * k - 1] + turned.inverse[2 * k][2 * k]);
        power += ak * ak;
        noise += share;
        /* variance of A^2 where A^2 = a^2 + b^2 with noise share/2 in each */
        spread += 2 * share * fmax(ak * ak - share, 0) + share * share;
    }
    if (harmonics > 1 && fundamental > 0) {
        double left = fmax(power - noise, 0);
        fit->distortion = sqrt(left) / fundamental;
        /* of the root; where the power is lost in the noise, the power's own uncertainty */
        fit->distortion_u =
            fmin(left > 0 ? sqrt(spread) / (2 * sqrt(left)) : INFINITY, sqrt(sqrt(spread))) /
            fundamental;
    }
}

int sine_fit(struct sine_fit *fit, const struct sample samples[], size_t n, double frequency_hz,
             size_t harmonics, struct rig_err *err)
{
    size_t columns = 2 * harmonics + 1;
    int code = check_samples(samples, n, frequency_hz, harmonics, columns, err);
    struct work work;
    struct solution solution = {0};
    if (code || (code = work_alloc(&work, n, columns, err)))
        return code;
    code = solve(&work, &solution, samples, n, two_pi * frequency_hz, harmonics, NULL, 0, err);
    if (!code)
        fill(fit, &solution, n, columns, frequency_hz, harmonics, 0);
    work_free(&work);
    return code;
}

int sine_fit_frequency(struct sine_fit *fit, const struct sample samples[], size_t n,
                       double frequency_hz, size_t harmonics, struct rig_err *err)
{
    size_t columns = 2 * harmonics + 2;
    int code = check_samples(samples, n, frequency_hz, harmonics, columns, err);
    struct sine_fit known;
    if (code || (code = sine_fit(&known, samples, n, frequency_hz, harmonics, err)))
        return code;
    double first_s = INFINITY, last_s = -INFINITY, weight = 0, moment = 0;
    for (size_t i = 0; i < n; i++) {
        first_s = fmin(first_s, samples[i].t_s);
        last_s = fmax(last_s, samples[i].t_s);
        weight += samples[i].weight;
        moment += samples[i].weight * samples[i].t_s;
    }
    double middle_s = moment / weight, span_s = last_s - first_s;
    double start = two_pi * frequency_hz, w = start, change = 0;
    struct work work;
    if ((code = work_alloc(&work, n, columns, err)))
        return code;
    struct solution solution = {0};
    struct sine_component around[SINE_HARMONIC_LIMIT];
    memcpy(around, known.component, sizeof around);
    bool settled = false;
    for (int i = 0; i < 60 && !settled; i++) {
        code = solve(&work, &solution, samples, n, w, harmonics, around, middle_s, err);
        if (code)
            goto done;
        change = solution.x[columns - 1];
        w += change;
        if (!(fabs(w - start) * span_s < two_pi / 3) || !(w > 0))
            break;
        settled = fabs(change) * span_s < 1e-13 * fmax(1, w * span_s);
        /* The phase was held about the middle while w moved: carry it to t = 0. */
        for (size_t k = 1; k <= harmonics; k++) {
            double turn = -(double)k * change * middle_s;
            double a = solution.x[2 * k - 1], b = solution.x[2 * k];
            around[k - 1].cosine = solution.x[2 * k - 1] = a * cos(turn) + b * sin(turn);
            around[k - 1].sine = solution.x[2 * k] = b * cos(turn) - a * sin(turn);
        }
    }
    if (!settled)
        code = rig_fail(err, RIG_EUNKNOWABLE,
                        "no sine near %.6g Hz: the best frequency is further off than a third of "
                        "a cycle over %.3g s",
                        frequency_hz, span_s);
    else
        fill(fit, &solution, n, columns, w / two_pi, harmonics, middle_s);
done:
    work_free(&work);
    return code;
}

int sine_compare(struct sine_ratio *ratio, const struct sine_fit *output,
                 const struct sine_fit *input, int input_is_exact, struct rig_err *err)
{
    const struct sine_component *o = &output->component[0], *i = &input->component[0];
    if (fabs(output->frequency_hz - input->frequency_hz) > 1e-6 * input->frequency_hz)
        return rig_fail(err, RIG_EBUG, "sines of %g Hz and %g Hz can't be compared",
                        output->frequency_hz, input->frequency_hz);
    if (!(i->amplitude > 0) || (!input_is_exact && !(i->amplitude > 5 * i->amplitude_u)))
        return rig_fail(err, RIG_EUNKNOWABLE,
                        "the input at %.4g Hz does not stand out of its noise",
                        input->frequency_hz);
    if (!(o->amplitude > 5 * o->amplitude_u))
        return rig_fail(err, RIG_EUNKNOWABLE,
                        "the output's amplitude at %.4g Hz, %.3g, is below five times its "
                        "uncertainty of %.2g",
                        output->frequency_hz, o->amplitude, o->amplitude_u);
    double wanted = input_is_exact ? 0 : 1, w = two_pi * output->frequency_hz;
    double gain = o->amplitude / i->amplitude;
    *ratio = (struct sine_ratio){
        .frequency_hz = output->frequency_hz,
        .gain = gain,
        .gain_u =
            gain * hypot(o->amplitude_u / o->amplitude, wanted * i->amplitude_u / i->amplitude),
        .phase_rad = sine_wrap(o->phase_rad - i->phase_rad),
        .phase_u = hypot(o->phase_u, wanted * i->phase_u),
        .degrees_of_freedom = input_is_exact
                                  ? output->degrees_of_freedom
                                  : fmin(output->degrees_of_freedom, input->degrees_of_freedom),
    };
    ratio->lag_s = -ratio->phase_rad / w; /* the one place where late turns from < 0 to > 0 */
    ratio->lag_u = ratio->phase_u / w;
    return 0;
}
