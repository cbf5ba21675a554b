/* SPDX-License-Identifier: GPL-3.0-or-later
 * Figures: cut down without losing a peak, framed, ticked, drawn. */
#include "check.h"

#include "results/figure.h"
#include "results/figure_frame.h"
#include "results/figure_svg.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static struct figure *open_figure(struct figure_list *list)
{
    struct rig_err err;
    struct figure *figure = figure_add(list, "trace", "A trace", "time, s", "depth, mm", &err);
    assert_non_null(figure);
    return figure;
}

static struct figure_series *open_series(struct figure *figure, enum figure_mark mark, size_t count,
                                         bool with_interval)
{
    struct rig_err err;
    struct figure_series *series =
        figure_series_add(figure, "read", mark, count, with_interval, &err);
    assert_non_null(series);
    return series;
}

/* In every column of pixels the reduced series must reach as low and as high as the whole,
 * begin and end with the same points, and never leave the order of x. */
static void check_columns(const struct figure_series *whole, const struct figure_series *cut,
                          size_t columns, bool logarithmic)
{
    double from = logarithmic ? log(whole->x[0]) : whole->x[0];
    double last = whole->x[whole->count - 1], to = logarithmic ? log(last) : last;
    double *low[2], *high[2];
    const struct figure_series *both[2] = {whole, cut};
    for (size_t w = 0; w < 2; w++) {
        low[w] = calloc(columns, sizeof **low);
        high[w] = calloc(columns, sizeof **high);
        assert_non_null(low[w]);
        assert_non_null(high[w]);
        for (size_t c = 0; c < columns; c++) {
            low[w][c] = INFINITY;
            high[w][c] = -INFINITY;
        }
        for (size_t i = 0; i < both[w]->count; i++) {
            double x = logarithmic ? log(both[w]->x[i]) : both[w]->x[i];
            size_t c = (size_t)fmin(floor((x - from) / ((to - from) / (double)columns)),
                                    (double)columns - 1);
            low[w][c] = fmin(low[w][c], both[w]->y[i]);
            high[w][c] = fmax(high[w][c], both[w]->y[i]);
        }
    }
    for (size_t c = 0; c < columns; c++) {
        assert_near(low[1][c], low[0][c], 0, "mm");
        assert_near(high[1][c], high[0][c], 0, "mm");
    }
    for (size_t i = 1; i < cut->count; i++)
        assert_true(cut->x[i] >= cut->x[i - 1]);
    assert_near(cut->x[0], whole->x[0], 0, "s");
    assert_near(cut->x[cut->count - 1], last, 0, "s");
    for (size_t w = 0; w < 2; w++) {
        free(low[w]);
        free(high[w]);
    }
}

static void test_reducing_keeps_lowest_and_highest_of_every_column(void **state)
{
    (void)state;
    enum { ROWS = 100000, COLUMNS = 300 };
    srand(7);
    print_message("seed 7\n");
    for (int logarithmic = 0; logarithmic < 2; logarithmic++) {
        struct figure_list list = {0};
        struct figure *figure = open_figure(&list);
        figure->log_x = logarithmic;
        open_series(figure, FIGURE_LINE, ROWS, false);
        open_series(figure, FIGURE_LINE, ROWS, false);
        for (size_t i = 0; i < ROWS; i++) {
            figure->series[0].x[i] = figure->series[1].x[i] = 1 + (double)i * 0.01;
            figure->series[0].y[i] = figure->series[1].y[i] = (double)(rand() % 1000) / 100;
        }
        /* A single wild row in the midst must survive. */
        figure->series[0].y[54321] = figure->series[1].y[54321] = 999;
        struct figure only = *figure;
        only.series = &figure->series[1];
        only.series_count = 1;
        figure_reduce(&only, COLUMNS);
        assert_true(figure->series[1].count <= 4 * COLUMNS);
        check_columns(&figure->series[0], &figure->series[1], COLUMNS, logarithmic);
        figure_list_free(&list);
    }
}

static void test_small_series_bars_and_odd_points_stay(void **state)
{
    (void)state;
    struct figure_list list = {0};
    struct figure *figure = open_figure(&list);
    open_series(figure, FIGURE_POINTS, 40, true);
    open_series(figure, FIGURE_BARS, 500, false);
    open_series(figure, FIGURE_LINE, 500, false); /* all at one x */
    struct figure_series *gaps = open_series(figure, FIGURE_LINE, 500, true);
    for (size_t i = 0; i < 500; i++) {
        gaps->x[i] = (double)i;
        gaps->y[i] = i % 3 ? 1 : NAN;
        gaps->low[i] = i == 250 ? -5 : 0; /* lowest by its interval only */
        gaps->high[i] = 2;
    }
    figure_reduce(figure, 10);
    assert_int_equal(figure->series[0].count, 40);
    assert_int_equal(figure->series[1].count, 500);
    assert_int_equal(figure->series[2].count, 500);
    assert_true(figure->series[3].count <= 40);
    double lowest = 0;
    for (size_t i = 0; i < figure->series[3].count; i++)
        lowest = fmin(lowest, figure->series[3].low[i]);
    assert_near(lowest, -5, 0, "mm");
    figure_list_free(&list);
}

static void test_ticks_are_round_and_inside(void **state)
{
    (void)state;
    static const struct {
        double low, high;
        bool logarithmic;
        size_t count;
        double first, last;
    } cases[] = {
        {0, 150, false, 8, 0, 140},    {-0.23, 0.31, false, 11, -0.2, 0.3},
        {0.18, 2.2, true, 4, 0.2, 2},  {1e-3, 1e3, true, 7, 1e-3, 1e3},
        {2.1, 3.9, true, 9, 2.2, 3.8}, /* no decade inside: as on a linear axis */
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        double ticks[FIGURE_TICK_LIMIT];
        size_t count = figure_ticks(cases[i].low, cases[i].high, 8, cases[i].logarithmic, ticks);
        assert_int_equal(count, cases[i].count);
        assert_near(ticks[0], cases[i].first, 1e-9, "mm");
        assert_near(ticks[count - 1], cases[i].last, 1e-9, "mm");
    }
    char text[32];
    figure_tick_text(text, 0.30000000000000004, 0.1);
    assert_string_equal(text, "0.3");
    figure_tick_text(text, 1200, 200);
    assert_string_equal(text, "1200");
    figure_tick_text(text, -0.0, 0.5);
    assert_string_equal(text, "0.0");
}

static void test_frame_has_width_whatever_the_data(void **state)
{
    (void)state;
    struct figure_list list = {0};
    struct figure *figure = open_figure(&list);
    struct figure_frame frame = figure_frame_of(figure);
    assert_false(frame.any);
    assert_true(frame.x_high > frame.x_low && frame.y_high > frame.y_low);
    struct figure_series *series = open_series(figure, FIGURE_POINTS, 2, false);
    series->x[0] = series->x[1] = 5;
    series->y[0] = series->y[1] = NAN;
    assert_false(figure_frame_of(figure).any);
    series->y[0] = 3;
    frame = figure_frame_of(figure);
    assert_true(frame.any);
    assert_true(frame.x_low < 5 && frame.x_high > 5 && frame.y_low < 3 && frame.y_high > 3);
    figure->log_y = true;
    series->y[1] = -4; /* has no place on a logarithmic axis */
    frame = figure_frame_of(figure);
    assert_true(frame.y_low > 0 && frame.y_high < 4);
    figure_list_free(&list);
}

static void test_bars_stand_on_zero(void **state)
{
    (void)state;
    struct figure_list list = {0};
    struct figure *figure = open_figure(&list);
    struct figure_series *series = open_series(figure, FIGURE_BARS, 3, false);
    for (size_t i = 0; i < 3; i++) {
        series->x[i] = 10 + 2 * (double)i;
        series->y[i] = 5;
    }
    assert_near(figure_bar_width(series), 2, 0, "s");
    struct figure_frame frame = figure_frame_of(figure);
    assert_near(frame.y_low, 0, 0, "mm");
    assert_true(frame.x_low < 9 && frame.x_high > 15);
    figure_list_free(&list);
}

static size_t count_of(const char *text, const char *part)
{
    size_t count = 0;
    for (const char *at = strstr(text, part); at; at = strstr(at + 1, part))
        count++;
    return count;
}

static void test_drawing_names_axes_rows_and_series(void **state)
{
    (void)state;
    struct rig_err err;
    struct figure_list list = {0};
    struct figure *figure = figure_add(&list, "chain", "Chain <of> links", "delay, ms", "", &err);
    assert_non_null(figure);
    assert_int_equal(figure_row_add(figure, "rising & wet", &err), RIG_OK);
    assert_int_equal(figure_row_add(figure, "falling", &err), RIG_OK);
    for (size_t s = 0; s < 3; s++) {
        static const char *const names[] = {"sensor", "controller", "actuator"};
        struct figure_series *series =
            figure_series_add(figure, names[s], FIGURE_SPANS, 4, false, &err);
        assert_non_null(series);
        for (size_t i = 0; i < 4; i++) {
            series->x[i] = 20 * (double)(s + i % 2);
            series->y[i] = i < 2 ? 0 : 1;
        }
    }
    struct text out = {0};
    figure_svg(&out, figure, true);
    assert_contains(out.bytes, "xmlns=");
    assert_contains(out.bytes, "<title>Chain &lt;of&gt; links</title>");
    assert_contains(out.bytes, "rising &amp; wet");
    assert_contains(out.bytes, "delay, ms");
    assert_int_equal(count_of(out.bytes, "<rect x="), 6);
    /* Each link is named in both its bands, and in the key. */
    assert_int_equal(count_of(out.bytes, ">controller</text>"), 3);
    assert_null(strstr(out.bytes, "nan"));
    assert_null(strstr(out.bytes, "inf"));
    text_free(&out);
    figure_list_free(&list);
}

static void test_what_is_not_finite_is_not_drawn(void **state)
{
    (void)state;
    struct figure_list list = {0};
    struct figure *figure = open_figure(&list);
    figure->log_x = figure->log_y = true;
    static const enum figure_mark marks[] = {FIGURE_LINE, FIGURE_DASHED, FIGURE_POINTS, FIGURE_BARS,
                                             FIGURE_SPANS};
    static const double values[] = {NAN, INFINITY, -INFINITY, 0, -1, 2, 3, NAN};
    for (size_t m = 0; m < 5; m++) {
        struct figure_series *series = open_series(figure, marks[m], 8, true);
        for (size_t i = 0; i < 8; i++) {
            series->x[i] = values[i];
            series->y[i] = values[(i + 3) % 8];
            series->low[i] = values[(i + 1) % 8];
            series->high[i] = values[(i + 5) % 8];
        }
    }
    struct text out = {0};
    figure_svg(&out, figure, false);
    assert_null(strstr(out.bytes, "nan"));
    assert_null(strstr(out.bytes, "inf"));
    text_free(&out);
    figure_list_free(&list);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_reducing_keeps_lowest_and_highest_of_every_column),
        cmocka_unit_test(test_small_series_bars_and_odd_points_stay),
        cmocka_unit_test(test_ticks_are_round_and_inside),
        cmocka_unit_test(test_frame_has_width_whatever_the_data),
        cmocka_unit_test(test_bars_stand_on_zero),
        cmocka_unit_test(test_drawing_names_axes_rows_and_series),
        cmocka_unit_test(test_what_is_not_finite_is_not_drawn),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
