/* SPDX-License-Identifier: GPL-3.0-or-later
 * Inks that eyes of every kind tell apart, and a shape or dash besides. */
#include "check.h"

#include "results/figure_style.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* sRGB to linear light: IEC 61966-2-1. */
static void linear_of(const char *hex, double linear[3])
{
    for (size_t i = 0; i < 3; i++) {
        char pair[3] = {hex[1 + 2 * i], hex[2 + 2 * i], 0};
        double value = (double)strtol(pair, NULL, 16) / 255;
        linear[i] = value <= 0.04045 ? value / 12.92 : pow((value + 0.055) / 1.055, 2.4);
    }
}

static double luminance(const double linear[3])
{
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2];
}

/* CIE 1976 L*a*b*, white D65. */
static void lab_of(const double v[3], double lab[3])
{
    const double white[3] = {0.9505, 1, 1.089};
    const double xyz[3] = {0.4124 * v[0] + 0.3576 * v[1] + 0.1805 * v[2], luminance(v),
                           0.0193 * v[0] + 0.1192 * v[1] + 0.9505 * v[2]};
    double f[3];
    for (size_t i = 0; i < 3; i++) {
        double t = xyz[i] / white[i];
        f[i] = t > 0.008856 ? cbrt(t) : 7.787 * t + 16.0 / 116;
    }
    lab[0] = 116 * f[1] - 16;
    lab[1] = 500 * (f[0] - f[1]);
    lab[2] = 200 * (f[1] - f[2]);
}

/* What eyes without one kind of cone see, in linear light: F. Vienot, H. Brettel, J. D.
 * Mollon, "Digital video colourmaps for checking the legibility of displays by dichromats",
 * Color Research and Application 24 (1999) 243. Matrices from memory. */
static const double eyes[3][3][3] = {
    {{1, 0, 0}, {0, 1, 0}, {0, 0, 1}},
    {{0.11238, 0.88762, 0}, {0.11238, 0.88762, 0}, {0.00401, -0.00401, 1}},
    {{0.29275, 0.70725, 0}, {0.29275, 0.70725, 0}, {-0.02234, 0.02234, 1}},
};

static void seen(const double eye[3][3], const char *hex, double lab[3])
{
    double linear[3], changed[3];
    linear_of(hex, linear);
    for (size_t i = 0; i < 3; i++) {
        double sum = 0;
        for (size_t k = 0; k < 3; k++)
            sum += eye[i][k] * linear[k];
        changed[i] = fmin(fmax(sum, 0), 1);
    }
    lab_of(changed, lab);
}

static void test_inks_stand_out_from_paper(void **state)
{
    (void)state;
    double paper[3], ink[3];
    linear_of(figure_paper, paper);
    for (size_t i = 0; i < FIGURE_INKS; i++) {
        linear_of(figure_inks[i], ink);
        /* Contrast of graphical objects: W3C, WCAG 2.2, 1.4.11, at least 3:1. */
        double contrast = (luminance(paper) + 0.05) / (luminance(ink) + 0.05);
        if (contrast < 3)
            fail_msg("%s has contrast %.2f on %s", figure_inks[i], contrast, figure_paper);
    }
}

/* A difference of 2.3 is just noticed (M. Mahy and others, 1994, for large fields; from
 * memory); ten times that is asked of thin lines. */
static void test_any_two_inks_differ_for_every_eye(void **state)
{
    (void)state;
    for (size_t e = 0; e < 3; e++)
        for (size_t i = 0; i < FIGURE_INKS; i++)
            for (size_t k = 0; k < i; k++) {
                double a[3], b[3];
                seen(eyes[e], figure_inks[i], a);
                seen(eyes[e], figure_inks[k], b);
                double distance = hypot(hypot(a[0] - b[0], a[1] - b[1]), a[2] - b[2]);
                if (distance < 23)
                    fail_msg("%s and %s are %.1f apart for eye %zu", figure_inks[i], figure_inks[k],
                             distance, e);
            }
}

static void add(struct figure *figure, const char *name, enum figure_mark mark)
{
    struct rig_err err;
    assert_non_null(figure_series_add(figure, name, mark, 1, false, &err));
}

static void test_no_two_series_look_alike(void **state)
{
    (void)state;
    struct rig_err err;
    struct figure_list list = {0};
    struct figure *figure = figure_add(&list, "x", "X", "a", "b", &err);
    assert_non_null(figure);
    add(figure, "rising", FIGURE_POINTS);
    add(figure, "falling", FIGURE_POINTS);
    add(figure, "curve", FIGURE_LINE);
    add(figure, "true depth", FIGURE_DASHED);
    add(figure, "model", FIGURE_LINE);
    assert_string_equal(figure_style(figure, 0).ink, figure_inks[0]);
    assert_string_equal(figure_style(figure, 1).ink, figure_inks[1]);
    assert_string_equal(figure_style(figure, 2).dash, "");
    assert_true(*figure_style(figure, 3).dash);
    for (size_t i = 0; i < figure->series_count; i++)
        for (size_t k = 0; k < i; k++) {
            struct figure_style a = figure_style(figure, i), b = figure_style(figure, k);
            assert_string_not_equal(a.ink, b.ink);
            if (figure->series[i].mark == figure->series[k].mark)
                assert_int_not_equal(a.pattern, b.pattern);
        }
    figure_list_free(&list);
}

static void test_one_dash_a_speed_where_both_ways_are_drawn(void **state)
{
    (void)state;
    struct rig_err err;
    struct figure_list list = {0};
    struct figure *figure = figure_add(&list, "x", "X", "a", "b", &err);
    assert_non_null(figure);
    add(figure, "rising, 12 mm/s", FIGURE_LINE);
    add(figure, "falling, 12 mm/s", FIGURE_LINE);
    add(figure, "rising, 40 mm/s", FIGURE_LINE);
    add(figure, "falling, 40 mm/s", FIGURE_LINE);
    assert_string_equal(figure_style(figure, 0).dash, figure_style(figure, 1).dash);
    assert_string_equal(figure_style(figure, 2).dash, figure_style(figure, 3).dash);
    assert_string_not_equal(figure_style(figure, 0).dash, figure_style(figure, 2).dash);
    assert_string_equal(figure_style(figure, 2).ink, figure_inks[0]);
    assert_string_equal(figure_style(figure, 3).ink, figure_inks[1]);
    figure_list_free(&list);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_inks_stand_out_from_paper),
        cmocka_unit_test(test_any_two_inks_differ_for_every_eye),
        cmocka_unit_test(test_no_two_series_look_alike),
        cmocka_unit_test(test_one_dash_a_speed_where_both_ways_are_drawn),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
