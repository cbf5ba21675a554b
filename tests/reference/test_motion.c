/* SPDX-License-Identifier: GPL-3.0-or-later
 * Point-to-point motion against tests/reference/motion/point_to_point.csv and the
 * formulas it names. */
#include "check.h"

#include "base/table.h"
#include "motion/kinematics.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static struct table table;

static double cell(size_t row, const char *header)
{
    int column = table_column(&table, header);
    assert_true(column >= 0);
    double *values = malloc(table.rows * sizeof *values);
    assert_non_null(values);
    assert_int_equal(table_numbers(&table, (size_t)column, values, NULL), 0);
    double value = values[row];
    free(values);
    return value;
}

static double phases_of(const struct motion_line *line, int which)
{
    /* which: 0 constant jerk (each of four), 1 constant acceleration (each of two), 2 cruise */
    double sum = 0;
    for (int i = 0; i < line->count; i++) {
        const struct motion_phase *p = &line->phase[i];
        int kind = p->j_mm_s3 != 0 ? 0 : p->a0_mm_s2 != 0 ? 1 : 2;
        sum += kind == which ? p->duration_s : 0;
    }
    return which == 0 ? sum / 4 : which == 1 ? sum / 2 : sum;
}

static void point_to_point_table(void **state)
{
    (void)state;
    assert_int_equal(table.rows, 5);
    for (size_t row = 0; row < table.rows; row++) {
        struct motion_law law = {SPEED_JERK_LIMITED, cell(row, "a_mm_s2"), cell(row, "j_mm_s3")};
        double s = cell(row, "s_mm"), v = cell(row, "v_mm_s");
        struct motion_line line;
        motion_line_make(&line, &law, s, 0, 0, v);
        /* The table has ten digits. */
        assert_digits(line.duration_s, cell(row, "total_s"), 9.5);
        assert_near(phases_of(&line, 0), cell(row, "tj_s"), 1e-10, "s");
        double ta = cell(row, "ta_s") > 0 ? cell(row, "ta_s") : 0;
        assert_near(phases_of(&line, 1), ta, 1e-10, "s");
        assert_near(phases_of(&line, 2), cell(row, "tv_s"), 1e-9, "s");
        assert_digits(line.peak_mm_s, cell(row, "peak_mm_s"), 9);
        assert_digits(line.peak_mm_s2, cell(row, "peak_mm_s2"), 9);
        law.law = SPEED_TRAPEZOID;
        motion_line_make(&line, &law, s, 0, 0, v);
        assert_digits(line.duration_s, cell(row, "trapezoid_s"), 9.5);
    }
}

/* Biagiotti & Melchiorri (2008), example 3.9: q 0 to 10, v0 = 1, v1 = 0, vmax = 5, amax = 10,
 * jmax = 30: Ta = 0.7333, Tv = 1.1433, Td = 0.8333, Tj = 0.3333. From memory; it agrees with
 * the book's formulas Tj = a/j, Ta = Tj + (v - v0)/a, Tv = q/v - Ta/2 (1 + v0/v) - Td/2. */
static void double_s_from_moving(void **state)
{
    (void)state;
    struct motion_law law = {SPEED_JERK_LIMITED, 10, 30};
    struct motion_line line;
    motion_line_make(&line, &law, 10, 1, 0, 5);
    assert_int_equal(line.count, 7);
    double ta = line.phase[3].start_s, tv = line.phase[3].duration_s;
    assert_near(ta, 0.7333, 5e-5, "s");
    assert_near(tv, 1.1433, 5e-5, "s");
    assert_near(line.duration_s - ta - tv, 0.8333, 5e-5, "s");
    assert_near(line.phase[0].duration_s, 0.3333, 5e-5, "s");
    assert_near(ta, 10. / 30 + (5. - 1) / 10, 1e-12, "s");
    assert_near(tv, 10. / 5 - ta / 2 * (1 + 1. / 5) - (line.duration_s - ta - tv) / 2, 1e-12, "s");
}

/* The three cases of a symmetric third-order move (formulas verified in the engineering
 * sheet 'Precision Point' of JPE): cruise reached; acceleration reached only; neither. */
static void third_order_cases(void **state)
{
    (void)state;
    struct motion_law law = {SPEED_JERK_LIMITED, 200, 2000};
    struct motion_line line;
    double v = 50, a = 200, j = 2000, sa = 2 * a * a * a / (j * j), sv = v * (v / a + a / j);
    for (double s = 0.01; s < 200; s *= 1.37) {
        motion_line_make(&line, &law, s, 0, 0, v);
        double expected = s >= sv   ? s / v + (v / a + a / j)
                          : s >= sa ? a / j + sqrt(a * a / (j * j) + 4 * s / a)
                                    : 4 * cbrt(s / (2 * j));
        assert_digits(line.duration_s, expected, 11);
    }
    for (double s = 0.01; s < 200; s *= 1.37) { /* v = 5 below a^2/j: cruise without a reached */
        motion_line_make(&line, &law, s, 0, 0, 5);
        double most = 2 * 5 * sqrt(5 / j);
        if (s >= most)
            assert_digits(line.duration_s, s / 5 + 2 * sqrt(5 / j), 11);
    }
}

static int read_table(void **state)
{
    (void)state;
    char text[4096];
    FILE *file = fopen(reference_path("motion/point_to_point.csv"), "rb");
    if (!file)
        return -1;
    size_t size = fread(text, 1, sizeof text, file);
    fclose(file);
    return table_read(&table, "point_to_point.csv", text, size, NULL);
}

static int free_table(void **state)
{
    (void)state;
    table_free(&table);
    return 0;
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(point_to_point_table),
        cmocka_unit_test(double_s_from_moving),
        cmocka_unit_test(third_order_cases),
    };
    return cmocka_run_group_tests(tests, read_table, free_table);
}
