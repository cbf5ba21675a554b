/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/response.h"

#include "results/stretched.h"

#include <math.h>
#include <stdbool.h>
#include <stdlib.h>

#include <gsl/gsl_sf_gamma.h>

static const double factorial_inverse[4] = {1, 1, 0.5, 1.0 / 6};

const char *response_kind_name(enum response_kind kind)
{
    switch (kind) {
    case RESPONSE_FIRST_ORDER:
        return "dead time and one time constant";
    case RESPONSE_TWO_TIME_CONSTANTS:
        return "dead time and two time constants";
    case RESPONSE_STRETCHED:
        return "dead time and a stretched exponential";
    default:
        return "?";
    }
}

static double piece_value(double d, double v, double a, double j, double u)
{
    return d + u * (v + u * (a / 2 + u * j / 6));
}

/* Integral from 0 to u. */
static double piece_integral(double d, double v, double a, double j, double u)
{
    return u * (d + u * (v / 2 + u * (a / 6 + u * j / 24)));
}

int response_open(struct response *response, const struct motion_piece pieces[], size_t count,
                  double settled, struct rig_err *err)
{
    *response = (struct response){0};
    if (!isfinite(settled))
        return rig_fail(err, RIG_EBUG, "a response to a motion with no known start");
    /* before the first, each piece, a rest after each */
    struct response_span *spans = calloc(2 * count + 1, sizeof *spans);
    if (!spans)
        return rig_fail_memory(err, "the response to a motion");
    size_t n = 0;
    double at_s = -INFINITY, level = settled;
    spans[n++] = (struct response_span){.start_s = -INFINITY, .d = settled};
    for (size_t i = 0; i < count; i++) {
        const struct motion_piece *p = &pieces[i];
        if (!isfinite(p->start_s + p->d0_mm + p->v0_mm_s + p->a0_mm_s2 + p->j_mm_s3) ||
            isnan(p->end_s) || p->start_s < at_s - 1e-9 || p->end_s < p->start_s) {
            free(spans);
            return rig_fail(err, RIG_EBUG, "pieces of a motion are not in order of time");
        }
        if (n > 1 && p->start_s > at_s) {
            spans[n] = (struct response_span){.start_s = at_s, .d = level};
            n++;
        }
        spans[n] = (struct response_span){.start_s = p->start_s,
                                          .d = p->d0_mm,
                                          .v = p->v0_mm_s,
                                          .a = p->a0_mm_s2,
                                          .j = p->j_mm_s3,
                                          .jump = p->d0_mm - level};
        n++;
        at_s = p->end_s;
        if (isfinite(at_s))
            level =
                piece_value(p->d0_mm, p->v0_mm_s, p->a0_mm_s2, p->j_mm_s3, p->end_s - p->start_s);
    }
    if (isfinite(at_s))
        spans[n++] = (struct response_span){.start_s = at_s, .d = level};
    response->stretched = malloc(sizeof *response->stretched);
    if (!response->stretched) {
        free(spans);
        return rig_fail_memory(err, "the response to a motion");
    }
    response->spans = spans;
    response->count = n;
    response_set(response, &response->model);
    return 0;
}

void response_free(struct response *response)
{
    free(response->spans);
    free(response->stretched);
    *response = (struct response){0};
}

/* w[k] = integral over 0..t of h(t - s) s^k/k! ds / t^k for h of a first-order lag,
 * z = t/tau: w[0] = 1 - e^-z, w[k] = 1/k! - w[k-1]/z. Upwards that loses digits where z is small:
 * there the last one comes from its series, z sum (-z)^m/(m+4)!, and the others downwards from it.
 * slope[k] = d(tau w[k])/dtau, NULL if not wanted; of the last one -z sum m (-z)^m/(m+4)!. */
static void first_order_weights(double z, double w[4], double slope[4])
{
    if (!(z < 1)) {
        double e = exp(-z), inverse = 1 / z;
        w[0] = 1 - e;
        for (int k = 1; k < 4; k++)
            w[k] = factorial_inverse[k] - w[k - 1] * inverse;
        if (slope) {
            slope[0] = isinf(z) ? 1 : 1 - e - z * e;
            for (int k = 1; k < 4; k++)
                slope[k] = factorial_inverse[k] - (w[k - 1] + slope[k - 1]) * inverse;
        }
        return;
    }
    static const double series[] = {1.0 / 24,
                                    1.0 / 120,
                                    1.0 / 720,
                                    1.0 / 5040,
                                    1.0 / 40320,
                                    1.0 / 362880,
                                    1.0 / 3628800,
                                    1.0 / 39916800,
                                    1.0 / 479001600,
                                    1.0 / 6227020800,
                                    1.0 / 87178291200,
                                    1.0 / 1307674368000,
                                    1.0 / 20922789888000,
                                    1.0 / 355687428096000};
    enum { TERMS = sizeof series / sizeof *series };
    double sum = 0;
    for (int m = TERMS - 1; m >= 0; m--)
        sum = series[m] - z * sum;
    w[3] = z * sum;
    for (int k = 3; k > 0; k--)
        w[k - 1] = z * (factorial_inverse[k] - w[k]);
    if (!slope)
        return;
    sum = 0;
    for (int m = TERMS - 1; m > 0; m--)
        sum = m * series[m] - z * sum;
    slope[3] = z * z * sum;
    for (int k = 3; k > 0; k--)
        slope[k - 1] = z * (factorial_inverse[k] - slope[k]) - w[k - 1];
}

static double over(double t, double tau)
{
    return tau > 0 ? t / tau : INFINITY;
}

/* Weights of the cascade: divided difference of tau w[k](t/tau) between the two time
 * constants; where they are close, the mean of its derivative by three-point Gauss. */
static void cascade_weights(double t, double tau, double tau2, double w[4])
{
    double one[4], two[4];
    double difference = tau - tau2;
    if (fabs(difference) > 0.05 * fmax(tau, tau2)) {
        first_order_weights(over(t, tau), one, NULL);
        first_order_weights(over(t, tau2), two, NULL);
        for (int k = 0; k < 4; k++)
            w[k] = (tau * one[k] - tau2 * two[k]) / difference;
        return;
    }
    static const double node[3] = {-0.774596669241483377, 0, 0.774596669241483377};
    static const double weight[3] = {5.0 / 18, 8.0 / 18, 5.0 / 18};
    for (int k = 0; k < 4; k++)
        w[k] = 0;
    for (int i = 0; i < 3; i++) {
        double between = (tau + tau2) / 2 + node[i] * difference / 2;
        first_order_weights(over(t, between), one, two);
        for (int k = 0; k < 4; k++)
            w[k] += weight[i] * two[k];
    }
}

static double weighted(const struct response_span *span, double t, const double w[4])
{
    return span->d * w[0] + t * (span->v * w[1] + t * (span->a * w[2] + t * span->j * w[3]));
}

/* Outputs of both elements t seconds after the span's start. */
static void advance(const struct response_model *model, const struct response_span *span, double t,
                    double *first, double *second)
{
    if (isinf(t) || t < 0) { /* settled before anything moved */
        *first = *second = span->d;
        return;
    }
    double w[4];
    double z = over(t, model->tau_s);
    bool rests = span->v == 0 && span->a == 0 && span->j == 0;
    bool one = model->kind != RESPONSE_TWO_TIME_CONSTANTS || model->tau2_s <= 0;
    if (rests && one) { /* most of a step's time is spent here */
        *first = *second = span->d + (isinf(z) ? 0 : (span->first - span->d) * exp(-z));
        return;
    }
    first_order_weights(z, w, NULL);
    *first = span->first * (1 - w[0]) + weighted(span, t, w);
    if (one) {
        *second = *first;
        return;
    }
    double z2 = over(t, model->tau2_s);
    double carried = 0; /* of the first element's state through the second */
    if (model->tau_s > 0) {
        double apart = fabs(z - z2);
        carried = z2 * exp(-fmin(z, z2)) * (apart > 1e-12 ? -expm1(-apart) / apart : 1);
        cascade_weights(t, model->tau_s, model->tau2_s, w);
    } else {
        first_order_weights(z2, w, NULL);
    }
    *second = span->second * exp(-z2) + span->first * carried + weighted(span, t, w);
}

void response_set(struct response *response, const struct response_model *model)
{
    struct response_model *own = &response->model;
    *own = *model;
    own->tau_s = fmax(own->tau_s, 0);
    own->tau2_s = fmax(own->tau2_s, 0);
    if (own->kind == RESPONSE_STRETCHED) {
        own->beta = fmin(fmax(own->beta, 0.1), 5);
        response->reach_s = own->tau_s * pow(28, 1 / own->beta);
        if (own->tau_s > 0)
            stretched_set(response->stretched, own->tau_s, own->beta);
        return;
    }
    response->spans[0].first = response->spans[0].second = response->spans[0].d;
    for (size_t i = 1; i < response->count; i++) {
        struct response_span *span = &response->spans[i];
        advance(own, span - 1, span->start_s - (span - 1)->start_s, &span->first, &span->second);
    }
}

static size_t span_at(const struct response *response, double t_s)
{
    size_t low = 0, high = response->count;
    while (high - low > 1) {
        size_t middle = (low + high) / 2;
        if (response->spans[middle].start_s <= t_s)
            low = middle;
        else
            high = middle;
    }
    return low;
}

static double span_input(const struct response_span *span, double t_s)
{
    if (isinf(span->start_s))
        return span->d;
    return piece_value(span->d, span->v, span->a, span->j, t_s - span->start_s);
}

double response_input(const struct response *response, double t_s)
{
    if (isnan(t_s))
        return NAN;
    return span_input(&response->spans[span_at(response, t_s)], t_s);
}

double response_input_mean(const struct response *response, double t_s, double width_s)
{
    if (!(width_s > 0) || isnan(t_s))
        return response_input(response, t_s);
    double low = t_s - width_s / 2, high = t_s + width_s / 2, sum = 0;
    for (size_t i = span_at(response, low); i < response->count; i++) {
        const struct response_span *span = &response->spans[i];
        double from = fmax(low, span->start_s);
        double to = i + 1 < response->count ? fmin(high, span[1].start_s) : high;
        if (isinf(span->start_s))
            sum += span->d * (to - from);
        else if (to > from) /* about its middle, so that long times cost no digits */
            sum += piece_integral(span_input(span, from),
                                  span->v + (from - span->start_s) *
                                                (span->a + (from - span->start_s) * span->j / 2),
                                  span->a + (from - span->start_s) * span->j, span->j, to - from);
        if (to >= high)
            break;
    }
    return sum / width_s;
}

/* ---- stretched exponential ---- */

/* Over so short a stretch of the motion, as a share of tau, what remains is smooth: Gauss, since
 * moments lose digits where little bends; with fewer points over a shorter one. */
static const double short_share = 0.1, shorter_share = 0.01;

static double remaining(const struct response_model *model, double x)
{
    return x <= 0 ? 1 : exp(-pow(x / model->tau_s, model->beta));
}

/* An edge of the motion, so long ago; its moments where they have been asked for. */
struct edge {
    double ago_s;
    bool known;
    double moments[STRETCHED_MOMENTS];
};

static const double *moments_of(const struct response *response, struct edge *edge)
{
    if (!edge->known)
        stretched_moments(response->stretched, edge->ago_s, edge->moments);
    edge->known = true;
    return edge->moments;
}

/* Integral of speed(t - x) times what remains after x, for x from near to far; the
 * speed is v + a x + j x^2/2 as a polynomial in x. */
static double unfinished(const struct response *response, double v, double a, double j,
                         struct edge *near, struct edge *far)
{
    const struct response_model *model = &response->model;
    double low = near->ago_s, high = far->ago_s;
    if (low > 0.4 * high && high - low < short_share * model->tau_s) {
        static const double node_8[4] = {0.183434642495649805, 0.525532409916328986,
                                         0.796666477413626740, 0.960289856497536232};
        static const double weight_8[4] = {0.362683783378361983, 0.313706645877887287,
                                           0.222381034453374471, 0.101228536290376259};
        static const double node_4[2] = {0.339981043584856265, 0.861136311594052575};
        static const double weight_4[2] = {0.652145154862546143, 0.347854845137453857};
        double middle = (low + high) / 2, half = (high - low) / 2, sum = 0;
        bool gentle = low > 0.8 * high && high - low < shorter_share * model->tau_s;
        const double *node = gentle ? node_4 : node_8, *weight = gentle ? weight_4 : weight_8;
        for (int i = 0; i < (gentle ? 2 : 4); i++)
            for (int side = -1; side <= 1; side += 2) {
                double x = middle + side * half * node[i];
                sum += weight[i] * (v + x * (a + x * j / 2)) * remaining(model, x);
            }
        return sum * half;
    }
    const double *from = moments_of(response, near), *to = moments_of(response, far);
    return v * (to[0] - from[0]) + a * (to[1] - from[1]) + j / 2 * (to[2] - from[2]);
}

static double stretched_at(const struct response *response, double t_s)
{
    const struct response_model *model = &response->model;
    double input = response_input(response, t_s);
    if (model->tau_s <= 0)
        return input;
    double reach = response->reach_s, sum = 0;
    struct edge near = {0}, far = {0};
    for (size_t i = span_at(response, t_s); i > 0 && near.ago_s <= reach; i--) {
        const struct response_span *span = &response->spans[i];
        far = (struct edge){.ago_s = t_s - span->start_s};
        if (span->v != 0 || span->a != 0 || span->j != 0) {
            /* the speed as a polynomial in x = t - s, from its value at x = 0 */
            double v = span->v + far.ago_s * (span->a + far.ago_s * span->j / 2);
            double a = span->a + far.ago_s * span->j;
            sum += unfinished(response, v, -a, span->j, &near, &far);
        }
        if (span->jump != 0)
            sum += span->jump * remaining(model, far.ago_s);
        near = far;
    }
    return input - sum;
}

/* ---- any model ---- */

double response_at(const struct response *response, double t_s)
{
    if (isnan(t_s))
        return NAN;
    t_s -= response->model.dead_s;
    if (response->model.kind == RESPONSE_STRETCHED)
        return stretched_at(response, t_s);
    const struct response_span *span = &response->spans[span_at(response, t_s)];
    double first, second;
    advance(&response->model, span, t_s - span->start_s, &first, &second);
    return second;
}

double response_mean(const struct response *response, double t_s, double width_s)
{
    if (!(width_s > 0) || isnan(t_s))
        return response_at(response, t_s);
    const struct response_model *model = &response->model;
    if (model->kind == RESPONSE_STRETCHED) {
        double offset = width_s / 2 / sqrt(3);
        return (response_at(response, t_s - offset) + response_at(response, t_s + offset)) / 2;
    }
    t_s -= model->dead_s;
    double low = t_s - width_s / 2, high = t_s + width_s / 2;
    const struct response_span *from = &response->spans[span_at(response, low)];
    const struct response_span *to = &response->spans[span_at(response, high)];
    double first_low, first_high, second_low, second_high;
    advance(model, from, low - from->start_s, &first_low, &second_low);
    advance(model, to, high - to->start_s, &first_high, &second_high);
    double mean = response_input_mean(response, t_s, width_s);
    mean -= model->tau_s * (first_high - first_low) / width_s;
    if (model->kind == RESPONSE_TWO_TIME_CONSTANTS)
        mean -= model->tau2_s * (second_high - second_low) / width_s;
    return mean;
}

/* ---- ideal step ---- */

double response_step(const struct response_model *model, double t_s)
{
    double t = t_s - model->dead_s;
    if (!(t > 0))
        return isnan(t) ? NAN : 0;
    if (model->kind == RESPONSE_STRETCHED)
        return model->tau_s > 0 ? 1 - remaining(model, t) : 1;
    struct response_span span = {.d = 1};
    double first, second;
    advance(model, &span, t, &first, &second);
    return second;
}

double response_step_time(const struct response_model *model, double fraction)
{
    double left = -log1p(-fraction);
    if (model->kind == RESPONSE_FIRST_ORDER || model->tau2_s <= 0)
        if (model->kind != RESPONSE_STRETCHED)
            return model->dead_s + model->tau_s * left;
    if (model->kind == RESPONSE_STRETCHED)
        return model->dead_s + model->tau_s * pow(left, 1 / model->beta);
    /* The cascade: bisection, since it rises everywhere. */
    double low = 0, high = (model->tau_s + model->tau2_s) * (left + 2);
    for (int i = 0; i < 80; i++) {
        double middle = (low + high) / 2;
        if (response_step(model, model->dead_s + middle) < fraction)
            low = middle;
        else
            high = middle;
    }
    return model->dead_s + (low + high) / 2;
}

double response_mean_lag(const struct response_model *model)
{
    switch (model->kind) {
    case RESPONSE_TWO_TIME_CONSTANTS:
        return model->dead_s + model->tau_s + model->tau2_s;
    case RESPONSE_STRETCHED:
        return model->dead_s + model->tau_s * gsl_sf_gamma(1 + 1 / model->beta);
    default:
        return model->dead_s + model->tau_s;
    }
}

double response_transition(const struct response_model *model)
{
    return response_step_time(model, 0.9) - response_step_time(model, 0.1);
}

double response_settling(const struct response_model *model)
{
    return response_step_time(model, 0.98) - response_step_time(model, 0.5);
}
