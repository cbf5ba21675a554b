/* SPDX-License-Identifier: GPL-3.0-or-later
 * Allan and related deviations against NIST SP 1065 (Riley 2008), pages 107-108. */
#include "check.h"
#include "refdata.h"
#include "results/allan.h"
#include "results/moments.h"

#include <math.h>
#include <stdint.h>

static double deviation(enum allan_kind kind, const double y[], size_t n, size_t m)
{
    double value = NAN;
    struct rig_err err = {0};
    int failed = allan_deviation(&value, NULL, kind, y, n, m, 1, &err);
    if (failed)
        print_error("%s\n", err.text);
    assert_int_equal(failed, 0);
    return value;
}

/* Nine frequencies of NBS Monograph 140; seven printed digits. */
static void test_nine_points(void **state)
{
    (void)state;
    static struct refdata data;
    refdata_read(&data, "sine_and_noise/sp1065_9point_frequency.csv");
    static const struct {
        enum allan_kind kind;
        double tau1, tau2;
    } expected[] = {
        {ALLAN_ADEV, 91.22945, 115.8082}, {ALLAN_OADEV, 91.22945, 85.95287},
        {ALLAN_MDEV, 91.22945, 74.78849}, {ALLAN_TOTDEV, 91.22945, 93.90379},
        {ALLAN_HDEV, 70.80608, 116.7980}, {ALLAN_OHDEV, 70.80607, 85.61487},
        {ALLAN_TDEV, 52.67135, 86.35831},
    };
    const double *y = refdata_column(&data, "y");
    for (size_t i = 0; i < sizeof expected / sizeof *expected; i++) {
        /* HDEV and OHDEV at tau 1 are the same number, 70.8060732, printed as ...08 and ...07. */
        assert_near(deviation(expected[i].kind, y, 9, 1), expected[i].tau1, 7e-6, "");
        assert_near(deviation(expected[i].kind, y, 9, 2), expected[i].tau2, 6e-5, "");
    }
    double sd;
    struct rig_err err = {0};
    assert_int_equal(allan_sample_sd(&sd, y, 9, 1, &err), 0);
    assert_near(sd, 100.9770, 5e-5, "");
    assert_int_equal(allan_sample_sd(&sd, y, 9, 2, &err), 0);
    assert_near(sd, 102.6039, 5e-5, "");
}

/* A thousand values of the generator on page 108; seven printed digits. */
static void test_thousand_points(void **state)
{
    (void)state;
    static double y[1000];
    uint64_t n = 1234567890;
    for (size_t i = 0; i < 1000; i++) {
        y[i] = (double)n / 2147483647.0;
        n = 16807 * n % 2147483647;
    }
    static const struct {
        enum allan_kind kind;
        double tau[3];
    } expected[] = {
        {ALLAN_ADEV, {0.2922319, 0.09965736, 0.03897804}},
        {ALLAN_OADEV, {0.2922319, 0.09159953, 0.03241343}},
        {ALLAN_MDEV, {0.2922319, 0.06172376, 0.02170921}},
        {ALLAN_TOTDEV, {0.2922319, 0.09134743, 0.03406530}},
        {ALLAN_HDEV, {0.2943883, 0.1052754, 0.03910860}},
        {ALLAN_OHDEV, {0.2943883, 0.09581083, 0.03237638}},
        {ALLAN_TDEV, {0.1687202, 0.3563623, 1.253382}},
    };
    static const size_t m[] = {1, 10, 100};
    for (size_t i = 0; i < sizeof expected / sizeof *expected; i++)
        for (size_t k = 0; k < 3; k++)
            assert_digits(deviation(expected[i].kind, y, 1000, m[k]), expected[i].tau[k], 6.5);
    static const double sds[] = {0.2884664, 0.09296352, 0.03206656};
    for (size_t k = 0; k < 3; k++) {
        double sd;
        struct rig_err err = {0};
        assert_int_equal(allan_sample_sd(&sd, y, 1000, m[k], &err), 0);
        assert_digits(sd, sds[k], 6.5);
    }
    /* Computed, independently. */
    assert_digits(moments_of(y, 1000).mean, 0.489774462859507, 13);
    assert_digits(moments_of(y, 1000).sd, 0.288466364713001, 13);
    assert_digits(deviation(ALLAN_ADEV, y, 1000, 10), 0.0996573606317479, 13);
    assert_digits(deviation(ALLAN_ADEV, y, 1000, 100), 0.0389780433080266, 13);
}

static void test_refusals(void **state)
{
    (void)state;
    double y[4] = {1, 2, 1, NAN}, value = 7;
    struct rig_err err = {0};
    assert_int_equal(allan_deviation(&value, NULL, ALLAN_ADEV, y, 3, 2, 1, &err), RIG_EINPUT);
    assert_contains(err.text, "too few");
    assert_int_equal(allan_deviation(&value, NULL, ALLAN_ADEV, y, 4, 1, 1, &err), RIG_EINPUT);
    assert_contains(err.text, "finite");
    assert_int_equal(allan_deviation(&value, NULL, ALLAN_ADEV, y, 3, 0, 1, &err), RIG_EINPUT);
    assert_near(value, 7, 0, "untouched");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_nine_points),
        cmocka_unit_test(test_thousand_points),
        cmocka_unit_test(test_refusals),
    };
    return cmocka_run_group_tests_name("NIST SP 1065", tests, NULL, NULL);
}
