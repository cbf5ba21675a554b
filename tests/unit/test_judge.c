/* SPDX-License-Identifier: GPL-3.0-or-later
 * Limits files, the rule of decision, and that what is missing never passes. */
#include "check.h"

#include "results/judge.h"
#include "results/moments.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static struct limits limits;
static struct judgement judgement;

static int read_text(const char *text, struct rig_err *err)
{
    return limits_read(&limits, "b.limits", text, strlen(text), err);
}

static void limits_are_read(void **state)
{
    (void)state;
    struct rig_err err = {0};
    if (read_text("title \"Production\"\nrevision B # boards\nrule guarded by 0.5 U\n"
                  "limit sensitivity at least 19 mV/mm\nlimit linearity at most 1.2 % of span\n"
                  "limit lag_falling from 50 ms to 0.4 s\nlimit gain from 0.9 to 1.1\n",
                  &err))
        fail_msg("%s", err.text);
    assert_string_equal(limits.title, "Production");
    assert_string_equal(limits.revision, "B");
    assert_near(limits.guard, 0.5, 0, "U");
    assert_int_equal(limits.count, 4);
    assert_true(limits.limits[0].low.given && !limits.limits[0].high.given);
    assert_string_equal(limits.limits[0].low.unit, "mV/mm");
    assert_string_equal(limits.limits[1].high.unit, "% of span");
    assert_string_equal(limits.limits[2].low.unit, "ms");
    assert_string_equal(limits.limits[2].high.unit, "s");
    assert_string_equal(limits.limits[3].low.unit, "");
    assert_int_equal(limits.limits[3].line, 7);
    assert_int_equal(limits.limits[3].column, 7);
    assert_int_equal(read_text("limit a at most 1 mm\n", &err), 0);
    assert_near(limits.guard, 1, 0, "U");
    assert_int_equal(read_text("rule simple\nlimit a at most 1 mm\n", &err), 0);
    assert_near(limits.guard, 0, 0, "U");
}

static void bad_limits_have_their_place(void **state)
{
    (void)state;
    static const char *const cases[][3] = {
        {"# none\n", "b.limits:1:1:", "no limit"},
        {"limit a at most\n", "b.limits:1:16:", "a number with its unit"},
        {"limit a at mst 1 mm\n", "b.limits:1:12:", "most"},
        {"limit a 1 mm\n", "b.limits:1:9:", "at"},
        {"limit a at most 1 mm 2\n", "b.limits:1:22:", "unit"},
        {"limit a from 1 mm\n", "b.limits:1:18:", "to"},
        {"limit a from 2 mm to 1 mm\n", "b.limits:1:14:", "lower end"},
        {"limit a at most 1 mm\nlimit a at least 0 mm\n", "b.limits:2:7:", "line 1"},
        {"rule strict\nlimit a at most 1 mm\n", "b.limits:1:6:", "guarded"},
        {"rule guarded by 1 mm\nlimit a at most 1 mm\n", "b.limits:1:19:", "U"},
        {"rule simple\nrule simple\nlimit a at most 1 mm\n", "b.limits:2:1:", "already"},
        {"limt a at most 1 mm\n", "b.limits:1:1:", "did you mean 'limit'"},
        {"title unquoted\nlimit a at most 1 mm\n", "b.limits:1:7:", "quotes"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        struct rig_err err = {0};
        if (read_text(cases[i][0], &err) != RIG_EINPUT)
            fail_msg("taken: %s", cases[i][0]);
        if (!strstr(err.text, cases[i][1]) || !strstr(err.text, cases[i][2]))
            fail_msg("%s\nlacks '%s' or '%s'", err.text, cases[i][1], cases[i][2]);
    }
}

/* JCGM 106:2012 clause 7, worked examples (from memory): a diode's breakdown voltage of -5.47 V
 * with u = 0.05 V against an upper limit of -5.40 V conforms with 0.92; a burst
 * pressure of 509.7 kPa with u = 8.6 kPa against a lower limit of 490 kPa with 0.99. */
static void conformance_is_that_of_the_guide(void **state)
{
    (void)state;
    assert_near(judge_conformance(-5.47, 0.05, INFINITY, -INFINITY, -5.40), 0.9192, 5e-5, "1");
    assert_near(judge_conformance(509.7, 8.6, INFINITY, 490, INFINITY), 0.9890, 5e-5, "1");
    /* Both ends: 0.6827 within one standard uncertainty; t with 3 degrees: 0.6090. */
    assert_near(judge_conformance(2, 0.5, INFINITY, 1.5, 2.5), 0.682689, 1e-6, "1");
    assert_near(judge_conformance(2, 0.5, 3, 1.5, 2.5), 0.608998, 1e-6, "1");
    assert_true(isnan(judge_conformance(2, NAN, 3, 1.5, 2.5)));
    assert_near(judge_conformance(2, 0, 3, 1.5, 2.5), 1, 0, "1");
}

static struct result *add(struct result_list *list, const char *name, const char *unit,
                          double value, double u)
{
    struct result *result = result_add(list, name, name, unit, NULL);
    assert_non_null(result);
    if (isfinite(value))
        result_set(result, value, u, INFINITY, "test");
    else
        result_refuse(result, "the profile has no ramps");
    return result;
}

static int judge(const struct result_list *list, const char *text, struct rig_err *err)
{
    if (read_text(text, err))
        fail_msg("%s", err->text);
    struct units *units = units_open(err);
    assert_non_null(units);
    int code = judge_results(&judgement, &limits, "b.limits", list, units, err);
    units_close(units);
    return code;
}

static void the_guard_band_decides(void **state)
{
    (void)state;
    struct rig_err err = {0};
    struct result_list list = {0};
    /* U = 1.96 x 0.1 mm = 0.196 mm. */
    add(&list, "hysteresis", "mm", 0.85, 0.1);
    static const struct {
        const char *text;
        enum judge_verdict verdict;
        double margin;
    } cases[] = {
        {"rule simple\nlimit hysteresis at most 1 mm\n", JUDGE_PASS, 0.15},
        {"rule guarded by 1 U\nlimit hysteresis at most 1 mm\n", JUDGE_FAIL, 0.15 - 0.1959964},
        {"rule guarded by 0.5 U\nlimit hysteresis at most 1 mm\n", JUDGE_PASS, 0.15 - 0.0979982},
        {"limit hysteresis at most 1.1 mm\n", JUDGE_PASS, 0.25 - 0.1959964},
        {"rule simple\nlimit hysteresis at most 0.08 cm\n", JUDGE_FAIL, -0.05},
        {"rule simple\nlimit hysteresis from 0.8 mm to 2 mm\n", JUDGE_PASS, 0.05},
        {"rule simple\nlimit hysteresis at least 900 um\n", JUDGE_FAIL, -0.05},
        {"rule simple\nlimit hysteresis at most 0.85 mm\n", JUDGE_PASS, 0},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        if (judge(&list, cases[i].text, &err))
            fail_msg("%s", err.text);
        assert_int_equal(judgement.judged[0].verdict, cases[i].verdict);
        assert_near(judgement.judged[0].margin, cases[i].margin, 1e-6, "mm");
        assert_int_equal(judgement.failed, cases[i].verdict != JUDGE_PASS);
    }
    result_list_free(&list);
}

static void what_is_missing_never_passes(void **state)
{
    (void)state;
    struct rig_err err = {0};
    struct result_list list = {0};
    add(&list, "hysteresis_at_rest", "mm", NAN, NAN);
    add(&list, "repeatability", "% of span", 0.3, NAN);
    assert_int_equal(judge(&list, "rule simple\nlimit hysteresis_at_rest at most 1 m\n", &err), 0);
    assert_int_equal(judgement.judged[0].verdict, JUDGE_MISSING);
    assert_string_equal(judgement.judged[0].reason, "the profile has no ramps");
    assert_int_equal(judge(&list, "rule simple\nlimit bandwidth at most 1 Hz\n", &err), 0);
    assert_int_equal(judgement.judged[0].verdict, JUDGE_MISSING);
    assert_int_equal(judgement.failed, 1);
    /* Without an interval: simple acceptance may, a guarded limit can't. */
    assert_int_equal(judge(&list, "rule simple\nlimit repeatability at most 1 %\n", &err), 0);
    assert_int_equal(judgement.judged[0].verdict, JUDGE_PASS);
    assert_int_equal(judge(&list, "limit repeatability at most 1 %\n", &err), 0);
    assert_int_equal(judgement.judged[0].verdict, JUDGE_MISSING);
    result_list_free(&list);
}

static void what_does_not_suit_is_bad_input(void **state)
{
    (void)state;
    struct rig_err err = {0};
    struct result_list list = {0};
    add(&list, "hysteresis_at_rest", "mm", 0.4, 0.01);
    add(&list, "linearity", "% of span", 0.4, 0.01);
    assert_int_equal(judge(&list, "limit hysteresis_at_rest at most 1 s\n", &err), RIG_EINPUT);
    assert_contains(err.text, "b.limits:1:7: 'hysteresis_at_rest' is in mm; 's' does not suit it");
    assert_int_equal(judge(&list, "limit hysteresis_at_rest at most 1\n", &err), RIG_EINPUT);
    assert_int_equal(judge(&list, "limit linearity at most 1 mm\n", &err), RIG_EINPUT);
    assert_int_equal(judge(&list, "limit hysteresis_at_rst at most 1 mm\n", &err), RIG_EINPUT);
    assert_contains(err.text, "did you mean 'hysteresis_at_rest'");
    result_list_free(&list);
}

/* ISO 5725-2:1994, B.1, sulfur in coal, level 1 (from memory): eight laboratories; published
 * mean 0.690 %, repeatability 0.015 %, reproducibility 0.026 %. The same mean squares tell
 * boards from repeats. */
static void spreads_are_those_of_the_sulfur_example(void **state)
{
    (void)state;
    static const double mass[] = {0.71, 0.71, 0.70, 0.71, 0.69, 0.67, 0.68, 0.66, 0.65,
                                  0.69, 0.67, 0.65, 0.66, 0.70, 0.69, 0.66, 0.71, 0.69,
                                  0.73, 0.74, 0.73, 0.71, 0.71, 0.69, 0.70, 0.65, 0.68};
    static const size_t laboratory[] = {0, 0, 0, 0, 1, 1, 1, 2, 2, 2, 3, 3, 3, 4,
                                        4, 4, 4, 4, 5, 5, 5, 6, 6, 6, 7, 7, 7};
    struct oneway spread;
    assert_int_equal(oneway_of(&spread, mass, laboratory, 27, 8, NULL), 0);
    assert_near(spread.mean, 0.690, 0.0005, "%");
    assert_near(spread.within_sd, 0.015, 0.0005, "%");
    assert_near(sqrt(spread.within_sd * spread.within_sd + spread.between_variance), 0.026, 0.0005,
                "%");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(limits_are_read),
        cmocka_unit_test(bad_limits_have_their_place),
        cmocka_unit_test(conformance_is_that_of_the_guide),
        cmocka_unit_test(the_guard_band_decides),
        cmocka_unit_test(what_is_missing_never_passes),
        cmocka_unit_test(what_does_not_suit_is_bad_input),
        cmocka_unit_test(spreads_are_those_of_the_sulfur_example),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
