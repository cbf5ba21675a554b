/* SPDX-License-Identifier: GPL-3.0-or-later
 * Bench files: every statement, the errors, the shipped files; what the truth is called. */
#include "check.h"
#include "sim_bench.h"

#include "base/file.h"
#include "base/statement.h"

#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static int read_text(struct sim_truth *truth, const char *text, struct rig_err *err)
{
    struct units *units = units_open(err);
    assert_non_null(units);
    int code = sim_truth_read(truth, "t.bench", text, strlen(text), units, err);
    units_close(units);
    return code;
}

static const char whole[] = "axis\n"
                            "  speed up to 5 cm/s\n"
                            "  acceleration up to 800 mm/s2\n"
                            "  speed law jerk limited to 12000 mm/s3\n"
                            "  resolution 200 steps/mm\n"
                            "  backlash 30 um\n"
                            "  starts after 40 ms, spread 3 ms\n"
                            "  answers after 2 ms spread 1 ms\n"
                            "  clock skew -30 ppm\n"
                            "  look ahead 24 lines\n"
                            "  buffer 128 bytes\n"
                            "  home at 200 mm, speed 12 mm/s\n"
                            "  travel -3 mm to 210 mm\n"
                            "  position planned, 4 decimals\n"
                            "  reference noise 0.004 mm, resolution 0.01 mm\n"
                            "  trip at stage 77 mm\n"
                            "end\n"
                            "water\n"
                            "  datum at stage 3 cm\n"
                            "  tank area 0.09 m2\n"
                            "  evaporation 0.2 mm/h\n"
                            "  temperature 18 degC, swing 2 degC over 24 h\n"
                            "end\n"
                            "board\n"
                            "  curve 1, 2, 3, 4, 5, 6 in volts and mm\n"
                            "  section 60 mm2\n"
                            "  hysteresis 0.3 mm\n"
                            "  lag rising 70 ms, falling 0.2 s\n"
                            "  dead time 5 ms\n"
                            "  noise 2 mV\n"
                            "  resolution 500 uV\n"
                            "  drift zero 3 mV per h, span 100 ppm per h\n"
                            "  temperature effect -2 mV per degC, span 30 ppm per degC\n"
                            "  wander 0.4 mV over 20 min\n"
                            "  line every 5 ms, delay 1 ms, spread 0.5 ms\n"
                            "  clock skew 40 ppm, offset 2 min\n"
                            "end\n"
                            "controller\n"
                            "  output 900, 250 in us\n"
                            "  every 0.1 s\n"
                            "  dead time 20 ms\n"
                            "  time constant 150 ms\n"
                            "  rate limit 2 ms per s\n"
                            "  resolution 4 us\n"
                            "end\n"
                            "actuator\n"
                            "  every 20 ms\n"
                            "end\n";

static void test_every_statement(void **state)
{
    (void)state;
    struct rig_err err = {0};
    struct sim_truth truth;
    if (read_text(&truth, whole, &err))
        fail_msg("%s", err.text);
    const struct {
        const char *what;
        double value, expected;
    } fields[] = {
        {"law", truth.law, SPEED_JERK_LIMITED},
        {"speed", truth.top_speed_mm_s, 50},
        {"acceleration", truth.acceleration_mm_s2, 800},
        {"jerk", truth.jerk_mm_s3, 12000},
        {"step", truth.step_mm, 0.005},
        {"backlash", truth.backlash_mm, 0.03},
        {"start", truth.start_delay_s, 0.04},
        {"start spread", truth.start_delay_sd_s, 0.003},
        {"answer", truth.answer_delay_s, 0.002},
        {"answer spread", truth.answer_delay_sd_s, 0.001},
        {"axis skew", truth.axis_skew_ppm, -30},
        {"look", truth.lookahead_lines, 24},
        {"buffer", truth.buffer_bytes, 128},
        {"home", truth.home_mm, 200},
        {"homing speed", truth.homing_speed_mm_s, 12},
        {"travel low", truth.travel_low_mm, -3},
        {"travel high", truth.travel_high_mm, 210},
        {"live", truth.live_position, false},
        {"decimals", truth.position_digits, 4},
        {"reference noise", truth.reference_noise_mm, 0.004},
        {"reference resolution", truth.reference_step_mm, 0.01},
        {"trip", truth.trip_mm, 77},
        {"datum", truth.datum_mm, 30},
        {"tank", truth.tank_area_mm2, 90000},
        {"evaporation", truth.evaporation_mm_h, 0.2},
        {"temperature", truth.water_degc, 18},
        {"swing", truth.water_swing_degc, 2},
        {"period", truth.water_swing_period_s, 86400},
        {"curve 0", truth.curve[0], 1},
        {"curve 5", truth.curve[5], 6},
        {"section", truth.board_area_mm2, 60},
        {"hysteresis", truth.hysteresis_mm, 0.3},
        {"rising", truth.lag_rising_s, 0.07},
        {"falling", truth.lag_falling_s, 0.2},
        {"dead time", truth.sensor_dead_time_s, 0.005},
        {"noise", truth.noise_sd, 0.002},
        {"resolution", truth.resolution, 0.0005},
        {"zero drift", truth.zero_drift_per_h, 0.003},
        {"span drift", truth.span_drift_ppm_h, 100},
        {"effect", truth.temperature_coefficient, -0.002},
        {"effect on the span", truth.span_temperature_ppm, 30},
        {"wander", truth.zero_wander, 0.0004},
        {"wander's memory", truth.zero_wander_s, 1200},
        {"line", truth.line_interval_s, 0.005},
        {"delay", truth.line_delay_s, 0.001},
        {"delay spread", truth.line_delay_sd_s, 0.0005},
        {"board skew", truth.clock_skew_ppm, 40},
        {"offset", truth.clock_offset_s, 120},
        {"controller", truth.controller.present, true},
        {"controller offset", truth.controller.offset, 900},
        {"controller gain", truth.controller.gain, 250},
        {"controller every", truth.controller.interval_s, 0.1},
        {"controller dead", truth.controller.dead_time_s, 0.02},
        {"controller tau", truth.controller.time_constant_s, 0.15},
        {"controller rate", truth.controller.rate_limit, 2000},
        {"controller resolution", truth.controller.resolution, 4},
        {"actuator", truth.actuator.present, true},
        {"actuator every", truth.actuator.interval_s, 0.02},
        {"actuator gain", truth.actuator.gain, 1},
    };
    for (size_t i = 0; i < sizeof fields / sizeof fields[0]; i++)
        check_near(fields[i].value, fields[i].expected, 1e-12 * (1 + fabs(fields[i].expected)),
                   fields[i].what, "", __FILE__, __LINE__);
    assert_string_equal(truth.unit, "volts");
    assert_string_equal(truth.controller.unit, "us");
}

static void test_empty_is_the_plain_bench(void **state)
{
    (void)state;
    struct rig_err err = {0};
    struct sim_truth truth, plain;
    assert_int_equal(read_text(&truth, "# nothing\n", &err), 0);
    sim_truth_defaults(&plain);
    assert_memory_equal(&truth, &plain, sizeof plain);
}

static void test_errors(void **state)
{
    (void)state;
    static const struct {
        const char *text, *place, *says;
    } cases[] = {
        {"axis\n  sped up to 5 mm/s\nend\n", "t.bench:2:3: ", "speed"},
        {"axis\n  speed up to 5 mm\nend\n", "t.bench:2:", "mm/s"},
        {"axis\n  speed up to -5 mm/s\nend\n", "t.bench:2:15: ", "between"},
        {"axis\n  speed law jerk to 5 mm/s3\nend\n", "t.bench:2:18: ", "limited"},
        {"axis\n  speed up to 5 mm/s\n  speed up to 6 mm/s\nend\n", "t.bench:3:3: ", "line 2"},
        {"axis\n  resolution 0 steps/mm\nend\n", "t.bench:2:14: ", "above 0"},
        {"axis\n  buffer 4 bytes\nend\n", "t.bench:2:10: ", "16 to 65536"},
        {"axis\n  look ahead 0 lines\nend\n", "t.bench:2:14: ", "1"},
        {"axis\n  backlash 0.1 mm\n  backlash 0.2 mm\nend\n", "t.bench:3:3: ", "line 2"},
        {"axis\n  starts\nend\n", "t.bench:2:", "after"},
        {"axis\n  starts after 1 ms, sprad 1 ms\nend\n", "t.bench:2:", "sprad"},
        {"axis\n  travel 200 mm to 0 mm\nend\n", "t.bench:1:1: ", "upside down"},
        {"axis\n  home at 300 mm\nend\n", "t.bench:1:1: ", "outside the travel"},
        {"axis\n  position live, 9 decimals\nend\n", "t.bench:2:18: ", "6"},
        {"axis\nend\naxis\nend\n", "t.bench:3:1: ", "already"},
        {"board\n  noise 2 mV\nend\n", "t.bench:2:3: ", "curve"},
        {"board\n  curve 1, 2 in volts and mm\n  noise 2 mm\nend\n", "t.bench:3:11: ", "volts"},
        {"board\n  curve 1, 2 in volts\nend\n", "t.bench:2:22: ", "and"},
        {"board\n  curve 1,2,3,4,5,6,7 in volts and mm\nend\n", "t.bench:2:", "at most 6"},
        {"board\n  curve 1 in wobbles and mm\nend\n", "t.bench:2:14: ", "wobbles"},
        {"board\n  drift\nend\n", "t.bench:2:", "zero"},
        {"board\n  line every 0 s\nend\n", "t.bench:2:14: ", "between"},
        {"board\n  lag rising 1 s\nend\n", "t.bench:2:", "falling"},
        {"water\n  tank area 5 mm2\nend\nboard\n  section 6 mm2\nend\n", "t.bench:", "smaller"},
        {"water\n  temperature 20 degC, swing 2 K\nend\n", "t.bench:2:", "between 0 and 50"},
        {"controller\n  rate limit 5 us per h\nend\n", "t.bench:2:3: ", "output"},
        {"controller\n  output 1, 2 in us\n  rate limit 5 us per h\nend\n", "t.bench:3:", "'s'"},
        {"controller\n  output 1, 2, 3 in us\nend\n", "t.bench:2:16: ", "at most 2"},
        {"actuator\n  every 1 us\nend\n", "t.bench:2:9: ", "0.1 ms"},
        {"boards\nend\n", "t.bench:1:1: ", "board"},
        {"axis\n", "t.bench:", "end"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct rig_err err = {0};
        struct sim_truth truth;
        int code = read_text(&truth, cases[i].text, &err);
        if (code != RIG_EINPUT && code != RIG_ELIMIT)
            fail_msg("case %zu was taken (%d):\n%s", i, code, cases[i].text);
        if (strncmp(err.text, cases[i].place, strlen(cases[i].place)) != 0)
            fail_msg("case %zu: '%s' isn't the place of: %s", i, cases[i].place, err.text);
        assert_contains(err.text, cases[i].says);
    }
}

static void read_shipped(const char *name, struct sim_truth *truth, struct rig *rig)
{
    char path[4096];
    struct rig_err err = {0};
    struct units *units = units_open(&err);
    assert_non_null(units);
    char *text;
    size_t size;
    snprintf(path, sizeof path, "%s/profiles/%s", getenv("WETSWEEP_SOURCE"), name);
    if (file_read(path, STATEMENT_FILE_LIMIT, &text, &size, &err))
        fail_msg("%s", err.text);
    /* data that nobody measured says so in its first words */
    assert_memory_equal(text, "# Invented data", 15);
    if (sim_truth_read(truth, path, text, size, units, &err))
        fail_msg("%s", err.text);
    free(text);
    snprintf(path, sizeof path, "%s/profiles/bench.rig", getenv("WETSWEEP_SOURCE"));
    if (file_read(path, STATEMENT_FILE_LIMIT, &text, &size, &err) ||
        rig_read(rig, path, text, size, units, &err))
        fail_msg("%s", err.text);
    free(text);
    units_close(units);
}

static void test_shipped_benches(void **state)
{
    (void)state;
    struct sim_truth bare, coated;
    struct rig rig;
    struct rig_err err = {0};
    read_shipped("harbour-b-bare.bench", &bare, &rig);
    read_shipped("harbour-b-coated.bench", &coated, &rig);
    const struct sim_truth *benches[] = {&bare, &coated};
    for (size_t i = 0; i < 2; i++) {
        struct sim_bench *bench = sim_open(benches[i], &rig, 1, &err);
        if (!bench)
            fail_msg("%s", err.text);
        sim_close(bench);
        /* rises over the whole depth */
        for (double d = 0; d < 190; d++)
            assert_true(sim_truth_reading(benches[i], d + 1) > sim_truth_reading(benches[i], d));
    }
    assert_near(bare.hysteresis_mm, 0.4, 0, "mm");
    assert_near(coated.hysteresis_mm, 0.25, 0, "mm");
    assert_near(bare.lag_falling_s - coated.lag_falling_s, 0.17, 1e-12, "s");
    /* plugged to a rig that calls the reading something else */
    snprintf(rig.sources[0].channels[0].unit, RIG_NAME_SIZE, "mV");
    assert_null(sim_open(&bare, &rig, 1, &err));
    assert_contains(err.text, "in mV, the bench file in volts");
}

static void test_reading(void **state)
{
    (void)state;
    struct sim_truth truth;
    sim_truth_defaults(&truth);
    double curve[] = {1, 2, 3, 4, 5, 6};
    memcpy(truth.curve, curve, sizeof curve);
    assert_near(sim_truth_reading(&truth, 2), 1 + 4 + 12 + 32 + 80 + 192, 1e-12, "");
    assert_near(sim_truth_reading(&truth, -2), 1, 0, "");
}

static void test_json(void **state)
{
    (void)state;
    struct rig_err err = {0};
    struct sim_truth truth;
    assert_int_equal(read_text(&truth, whole, &err), 0);
    char *text = sim_truth_json(&truth);
    assert_non_null(text);
    json_t *object = json_loads(text, 0, NULL);
    static const struct {
        const char *name;
        double value;
    } facts[] = {{"lag_rising", 0.075},
                 {"lag_falling", 0.205},
                 {"cling_difference", 0.13},
                 {"lag_sum", 0.28},
                 {"hysteresis_at_rest", 0.3},
                 {"link_lag_controller", 0.22},
                 {"own_rate_limit_controller", 2000},
                 {"update_interval_actuator", 0.02},
                 {"line_delay_mean", 0.0015},
                 {"board_clock_skew", 40}};
    for (size_t i = 0; i < sizeof facts / sizeof facts[0]; i++) {
        json_t *value = json_object_get(object, facts[i].name);
        if (!json_is_number(value))
            fail_msg("no %s in %s", facts[i].name, text);
        check_near(json_number_value(value), facts[i].value, 1e-12, facts[i].name, "", __FILE__,
                   __LINE__);
    }
    assert_null(json_object_get(object, "actuator_rate_limit"));
    assert_int_equal(json_array_size(json_object_get(object, "curve")), 6);
    json_decref(object);
    free(text);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_every_statement), cmocka_unit_test(test_empty_is_the_plain_bench),
        cmocka_unit_test(test_errors),          cmocka_unit_test(test_shipped_benches),
        cmocka_unit_test(test_reading),         cmocka_unit_test(test_json),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
