/* SPDX-License-Identifier: GPL-3.0-or-later
 * Sines and traces: on the curve within half a step, in time, within the limits, and
 * refused with a remedy that works. */
#include "check.h"
#include "plans.h"
#include "units.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static struct rig rig;
static const double PI = 3.14159265358979323846;

static const struct plan_family *family_of(const struct plan *plan, enum segment_kind kind,
                                           size_t number)
{
    for (size_t i = 0; i < plan_family_count(plan); i++)
        if (plan_families(plan)[i].kind == kind && number-- == 0)
            return &plan_families(plan)[i];
    fail();
    return NULL;
}

static const struct plan_segment *segment_of(const struct plan *plan, enum segment_kind kind)
{
    for (size_t i = 0; i < plan_segment_count(plan); i++)
        if (plan_segments(plan)[i].kind == kind)
            return &plan_segments(plan)[i];
    fail();
    return NULL;
}

/* Largest distance of depth(t) from the sine that the family says it is. */
static double off_sine(const struct plan *plan, const struct plan_segment *segment)
{
    const struct plan_family *f = &plan_families(plan)[segment->family];
    double worst = 0;
    for (int i = 0; i <= 20000; i++) {
        double u = segment->duration_s * i / 20000;
        double d = f->centre_mm - f->amplitude_mm * cos(2 * PI * f->frequency_hz * u);
        worst = fmax(worst, fabs(plan_depth_mm(plan, segment->start_s + u) - d));
    }
    return worst;
}

static void sines_stay_on_the_cosine(void **state)
{
    (void)state;
    static const struct {
        const char *axis, *water;
        double amplitude, frequency;
    } cases[] = {
        {"lines up to 300 lines/s", "", 15, 0.1},
        {"lines up to 300 lines/s", "", 15, 0.5},
        {"lines up to 300 lines/s", "", 5, 1},
        {"lines up to 300 lines/s", "", 1, 3},
        {"lines up to 300 lines/s", "", 0.2, 5},
        {"lines up to 1000 lines/s", "", 7.5, 1.25},
        {"lines up to 300 lines/s", "tank area 900 cm2\nboard section 20 cm2", 60, 0.1},
        {"lines up to 300 lines/s\nspeed law jerk limited to 9000 mm/s3", "", 15, 0.15},
        {"lines up to 300 lines/s\nspeed law jerk limited to 90000 mm/s3", "", 5, 0.5},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        char text[200];
        test_rig(&rig, units, cases[i].axis, cases[i].water);
        snprintf(text, sizeof text,
                 "start at 10 mm\nhold 1 s\nsine about 80 mm amplitude %g mm at %g Hz, 4 cycles\n",
                 cases[i].amplitude, cases[i].frequency);
        struct plan *plan = test_plan(&rig, units, text, NULL);
        check_plan(&rig, plan);
        const struct plan_segment *s = segment_of(plan, SEGMENT_SINE);
        const struct plan_family *f = &plan_families(plan)[s->family];
        assert_near(off_sine(plan, s), 0, 0.5 * rig.axis.step_mm * 1.01, "mm");
        assert_near(f->frequency_hz, cases[i].frequency, 2e-4 * cases[i].frequency, "Hz");
        assert_near(f->asked_frequency_hz, cases[i].frequency, 1e-12, "Hz");
        assert_near(f->amplitude_mm, cases[i].amplitude, 0, "mm");
        assert_near(f->duration_s, 4 / f->frequency_hz, 1e-9, "s");
        assert_near(f->cycles, 4, 0, "cycles");
        assert_true((double)f->lines / f->duration_s <= rig.axis.line_rate_hz);
        /* At rest at every extreme. */
        for (int k = 0; k <= 8; k += 2)
            assert_near(plan_speed_mm_s(plan, s->start_s + s->duration_s * k / 8), 0, 1e-5, "mm/s");
        plan_free(plan);
    }
}

static void surroundings_of_a_sine(void **state)
{
    (void)state;
    test_rig(&rig, units, "", "");
    struct plan *plan = test_plan(&rig, units,
                                  "start at 10 mm\nsine about 80 mm amplitude 5 mm at 0.5 Hz, 2 "
                                  "cycles\nsine about 80 mm amplitude 5 mm at 1 Hz, 2 cycles\n",
                                  NULL);
    check_plan(&rig, plan);
    static const enum segment_kind kinds[] = {SEGMENT_LEAD, SEGMENT_APPROACH, SEGMENT_APPROACH,
                                              SEGMENT_LEAD, SEGMENT_SINE,     SEGMENT_LEAD,
                                              SEGMENT_SINE, SEGMENT_PARK};
    assert_int_equal(plan_segment_count(plan), 8);
    for (size_t i = 0; i < 8; i++)
        assert_int_equal(plan_segments(plan)[i].kind, kinds[i]);
    /* Each sine is a stroke of its own, so that it starts and ends at rest. */
    assert_int_equal(plan_stroke_count(plan), 4);
    assert_near(plan_depth_mm(plan, plan_segments(plan)[4].start_s), 75, 1e-4, "mm");
    plan_free(plan);
}

static void a_set_is_spaced_by_ratio(void **state)
{
    (void)state;
    test_rig(&rig, units, "lines up to 300 lines/s", "");
    struct plan *plan =
        test_plan(&rig, units,
                  "sine about 80 mm amplitude up to 15 mm from 0.05 Hz to 3 Hz in 12 "
                  "frequencies, 8 cycles each\n",
                  NULL);
    check_plan(&rig, plan);
    double before = 0, amplitude = 1e9;
    for (size_t i = 0; i < 12; i++) {
        const struct plan_family *f = family_of(plan, SEGMENT_SINE, i);
        if (i)
            assert_near(f->asked_frequency_hz / before, pow(60, 1. / 11), 1e-12, "");
        before = f->asked_frequency_hz;
        assert_true(f->amplitude_mm <= amplitude && f->amplitude_mm <= 15);
        amplitude = f->amplitude_mm;
        assert_near(f->asked_amplitude_mm, 15, 0, "mm");
    }
    assert_near(family_of(plan, SEGMENT_SINE, 0)->amplitude_mm, 15, 0, "mm");
    /* At 3 Hz: the port's 300 lines/s allow A w^2 h^2/8 = step/2, A = 2.5 mm; three
     * quarters of the acceleration 1.9 mm. */
    assert_near(amplitude, 0.75 * 900 / (4 * PI * PI * 9), 0.02, "mm");
    assert_near(before, 3, 0, "Hz");
    plan_free(plan);
}

/* Reads the number before `unit` that follows `after`. */
static double number_in(const char *text, const char *after, const char *unit)
{
    const char *at = strstr(text, after);
    assert_non_null(at);
    char *end;
    double value = strtod(at + strlen(after), &end);
    assert_memory_equal(end, unit, strlen(unit));
    return value;
}

static void what_is_refused_comes_with_what_works(void **state)
{
    (void)state;
    static const struct {
        const char *axis;
        double amplitude, frequency;
        const char *why;
    } cases[] = {
        {"lines up to 100 lines/s", 5, 1.5, "needs about 210.7 lines/s"},
        {"lines up to 2000 lines/s", 15, 1, "mm/s, and the axis goes up to 60 mm/s"},
        {"lines up to 2000 lines/s", 3, 3, "mm/s2"},
        {"lines up to 300 lines/s\nspeed law jerk limited to 9000 mm/s3", 5, 1, "a jerk of 9000"},
        {"lines up to 300 lines/s\nlook ahead 3 lines", 5, 1, "looks 3 lines ahead"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        char text[200];
        struct rig_err err = {0};
        test_rig(&rig, units, cases[i].axis, "");
        snprintf(text, sizeof text, "sine about 80 mm amplitude %g mm at %g Hz, 4 cycles\n",
                 cases[i].amplitude, cases[i].frequency);
        struct plan *plan = plan_make(&rig, "s.profile", text, strlen(text), units, NULL, &err);
        if (plan)
            print_error("case %zu was planned\n", i);
        assert_null(plan);
        assert_int_equal(err.code, RIG_ELIMIT);
        assert_contains(err.text, "s.profile:1:28:");
        assert_contains(err.text, cases[i].why);
        double smaller = number_in(err.text, "; up to ", " mm at");
        const char *or_else = strstr(err.text, "or up to ");
        double slower = number_in(or_else, "or up to ", " Hz");
        assert_true(smaller < cases[i].amplitude && slower < cases[i].frequency);
        /* Both remedies work, and a third more doesn't. */
        static const double scale[] = {1, 1.34};
        for (int k = 0; k < 4; k++) {
            double a = k < 2 ? smaller * scale[k % 2] : cases[i].amplitude;
            double f = k < 2 ? cases[i].frequency : slower * scale[k % 2];
            if (a > cases[i].amplitude || f > cases[i].frequency)
                continue;
            snprintf(text, sizeof text, "sine about 80 mm amplitude %g mm at %g Hz, 4 cycles\n", a,
                     f);
            plan = plan_make(&rig, "s.profile", text, strlen(text), units, NULL, &err);
            if ((plan != NULL) != (k % 2 == 0))
                print_error("%s%s\n", text, err.text);
            assert_int_equal(plan != NULL, k % 2 == 0);
            if (plan)
                assert_near(off_sine(plan, segment_of(plan, SEGMENT_SINE)), 0,
                            0.5 * rig.axis.step_mm * 1.01, "mm");
            plan_free(plan);
        }
    }
}

static void sines_that_make_no_sense(void **state)
{
    (void)state;
    static const struct {
        const char *text, *place, *says;
    } cases[] = {
        {"sine about 300 mm amplitude 5 mm at 1 Hz, 2 cycles\n", ":1:12:", "past the end"},
        {"sine about 180 mm amplitude 15 mm at 0.1 Hz, 2 cycles\n", ":1:29:", "195 mm is past"},
        {"sine about -20 mm amplitude 15 mm at 0.1 Hz, 2 cycles\n", ":1:29:", "-35 mm is above"},
        {"sine about 80 mm amplitude 0.01 mm at 1 Hz, 2 cycles\n", ":1:28:", "five steps"},
        {"sine about 80 mm amplitude 5 mm from 1 Hz to 1 Hz in 3 frequencies, 2 cycles\n",
         ":1:46:", "write 'at 1 Hz'"},
        {"each a 5, 0 mm\nsine about 80 mm amplitude a at 1 Hz, 2 cycles\nend\n",
         ":2:28:", "greater than zero"},
        {"sine about 80 mm amplitude up to 15 mm at 80 Hz, 2 cycles\n", ":1:34:", ""},
    };
    test_rig(&rig, units, "", "");
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        struct rig_err err = {0};
        struct plan *plan =
            plan_make(&rig, "s.profile", cases[i].text, strlen(cases[i].text), units, NULL, &err);
        if (plan || !strstr(err.text, cases[i].place) || !strstr(err.text, cases[i].says))
            print_error("%s%s\n", cases[i].text, err.text);
        assert_null(plan);
        assert_contains(err.text, cases[i].place);
        assert_contains(err.text, cases[i].says);
    }
    /* The travel shrinks an amplitude that may shrink. */
    struct plan *plan = test_plan(
        &rig, units, "sine about 180 mm amplitude up to 15 mm at 0.1 Hz, 2 cycles\n", NULL);
    assert_near(family_of(plan, SEGMENT_SINE, 0)->amplitude_mm, 8.6, 1e-9, "mm");
    check_plan(&rig, plan);
    plan_free(plan);
}

/* ---- traces ---- */

static int load(void *context, const char *path, char **bytes, size_t *size, struct rig_err *err)
{
    const char *text = context;
    if (strcmp(path, "chop.csv") != 0)
        return rig_fail(err, RIG_EINPUT, "%s: no such file", path);
    *size = strlen(text);
    *bytes = malloc(*size + 1);
    assert_non_null(*bytes);
    memcpy(*bytes, text, *size + 1);
    return 0;
}

static struct plan *followed(const char *trace, struct rig_err *err)
{
    static const char text[] = "start at 10 mm\nhold 1 s\nfollow \"chop.csv\"\n";
    struct plan_files files = {load, (void *)(uintptr_t)trace};
    *err = (struct rig_err){0};
    return plan_make(&rig, "f.profile", text, sizeof text - 1, units, &files, err);
}

static void a_trace_is_met_at_every_row(void **state)
{
    (void)state;
    /* An invented chop of the model harbour, with a calm of a second in it. */
    static char trace[20000];
    double t[400], d[400];
    size_t rows = 0, size = (size_t)snprintf(trace, sizeof trace, "t_s,depth_mm,note\n");
    for (double x = 0; x < 30; x += 0.1, rows++) {
        double u = x < 12 ? x : x < 13 ? 12 : x - 1;
        t[rows] = x + 100;
        /* It rises from calm and falls back to it. */
        double swell = fmin(1, fmin(x, 29.9 - x) / 3);
        d[rows] =
            rint(1e3 * (70 + swell * swell * (8 * sin(1.7 * u) + 3 * sin(4.1 * u + 1)))) / 1e3;
        size +=
            (size_t)snprintf(trace + size, sizeof trace - size, "%.3f,%.3f,\n", t[rows], d[rows]);
    }
    test_rig(&rig, units, "lines up to 300 lines/s", "tank area 900 cm2\nboard section 0.6 cm2");
    struct rig_err err;
    struct plan *plan = followed(trace, &err);
    if (!plan)
        print_error("%s\n", err.text);
    assert_non_null(plan);
    check_plan(&rig, plan);
    const struct plan_segment *s = segment_of(plan, SEGMENT_FOLLOW);
    assert_near(s->duration_s, t[rows - 1] - t[0], 2e-3, "s");
    for (size_t i = 0; i < rows; i++)
        /* Half a step, half a count of the wire, and half a millisecond of the waits. */
        assert_near(plan_depth_mm(plan, s->start_s + t[i] - t[0]), d[i],
                    0.5 * rig.axis.step_mm * 1.01 + 5e-5 + 20 * 5e-4, "mm");
    assert_near(plan_speed_mm_s(plan, s->start_s + 12.5), 0, 0, "mm/s");
    plan_free(plan);
}

static void traces_that_make_no_sense(void **state)
{
    (void)state;
    static const struct {
        const char *trace, *place, *says;
    } cases[] = {
        {"", "chop.csv", ""},
        {"t_s,depth_mm\n", "chop.csv:1:1:", "at least two rows"},
        {"t_s,depth_mm\n0,50\n", "chop.csv:1:1:", "at least two rows"},
        {"t,depth_mm\n0,50\n1,60\n", "chop.csv: ", "no column 't_s'"},
        {"t_s,depth\n0,50\n1,60\n", "chop.csv: ", "no column 'depth_mm'"},
        {"t_s,depth_mm\n0,50\n1,60\n1,70\n", "chop.csv:4:", "later than the one before"},
        {"t_s,depth_mm\n0,50\n2,60\n1,70\n", "chop.csv:4:", "later than the one before"},
        {"t_s,depth_mm\n0,50\n1,nan\n", "chop.csv:3:", ""},
        {"t_s,depth_mm\n0,50\n1,\n", "chop.csv:3:", ""},
        {"t_s,depth_mm\n0,50\n1,1e400\n", "chop.csv:3:", ""},
        {"t_s,depth_mm\n0,50\n1,500\n", "chop.csv:3:", "outside the axis' travel"},
        {"t_s,depth_mm\n0,50\n1,50\n2,50\n", "f.profile:3:8:", "doesn't move"},
        {"t_s,depth_mm\n0,50\n1,150\n", "f.profile:3:8:", "faster than the axis"},
        {"t_s,depth_mm\n0,50\n0.01,51\n", "f.profile:3:8:", "mm/s2"},
        {"t_s,depth_mm\n0,50\n1,60,9\n", "chop.csv:3:", ""},
    };
    test_rig(&rig, units, "lines up to 1000 lines/s", "");
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        struct rig_err err;
        struct plan *plan = followed(cases[i].trace, &err);
        if (plan || !strstr(err.text, cases[i].place) || !strstr(err.text, cases[i].says))
            print_error("case %zu: %s%s\n", i, cases[i].trace, err.text);
        assert_null(plan);
        assert_contains(err.text, cases[i].place);
        assert_contains(err.text, cases[i].says);
    }
    struct rig_err err;
    struct plan_files files = {load, NULL};
    static const char text[] = "follow \"other.csv\"\n";
    assert_null(plan_make(&rig, "f.profile", text, sizeof text - 1, units, &files, &err));
    assert_contains(err.text, "f.profile:1:8: other.csv: no such file");
}

static void the_same_figure_is_stored_once(void **state)
{
    (void)state;
    test_rig(&rig, units, "", "");
    struct plan *plan = test_plan(
        &rig, units,
        "start at 70 mm\nhold 1 s\nrepeat 50\nsine about 80 mm amplitude 10 mm from 0.2 Hz "
        "to 0.4 Hz in 2 frequencies, 3 cycles each\nend\n",
        NULL);
    const struct plan_family *f = family_of(plan, SEGMENT_SINE, 0);
    assert_int_equal(f->instances, 50);
    const struct plan_segment *s = plan_segments(plan);
    uint32_t shapes[2] = {0, 0};
    size_t seen = 0;
    for (size_t i = 0; i < plan_segment_count(plan); i++)
        if (s[i].kind == SEGMENT_SINE) {
            if (seen < 2)
                shapes[seen] = s[i].shape;
            assert_int_equal(s[i].shape, shapes[seen % 2]);
            seen++;
        }
    assert_int_equal(seen, 100);
    plan_free(plan);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(sines_stay_on_the_cosine),
        cmocka_unit_test(surroundings_of_a_sine),
        cmocka_unit_test(a_set_is_spaced_by_ratio),
        cmocka_unit_test(what_is_refused_comes_with_what_works),
        cmocka_unit_test(sines_that_make_no_sense),
        cmocka_unit_test(a_trace_is_met_at_every_row),
        cmocka_unit_test(traces_that_make_no_sense),
        cmocka_unit_test(the_same_figure_is_stored_once),
    };
    return cmocka_run_group_tests(tests, open_units, close_units);
}
