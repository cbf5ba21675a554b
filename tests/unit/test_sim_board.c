/* SPDX-License-Identifier: GPL-3.0-or-later
 * The simulated board against the handbook: a first-order lag follows a ramp late by
 * rate x time constant, reaches 63.2 % of a step after one time constant, passes a sine
 * with gain 1/sqrt(1 + (w tau)^2) and phase -atan(w tau) (any control handbook). */
#include "check.h"
#include "rig/decode.h"
#include "sim_bench.h"

#include "rig/sim_board.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

enum { RISING, FALLING };

/* A board whose stage is moved by a function of time; datum at 0, so depth = stage. */
struct moved {
    struct test_bench bench;
    struct sim_board board;
    double (*stage_mm)(const struct moved *moved, double t);
    double rate_mm_s, from_mm, amplitude_mm, turn_rate;
};

static void set(struct moved *moved)
{
    memset(moved, 0, sizeof *moved);
    test_bench_set(&moved->bench);
    struct sim_truth *truth = &moved->bench.truth;
    truth->datum_mm = 0;
    memset(truth->curve, 0, sizeof truth->curve);
    truth->curve[1] = 1; /* reads depth in mm */
}

static void start(struct moved *moved)
{
    struct rig_err err = {0};
    if (sim_board_init(&moved->board, &moved->bench.truth, &moved->bench.rig.sources[0],
                       moved->stage_mm(moved, 0), 1, &err))
        fail_msg("%s", err.text);
}

static void go_on(struct moved *moved, double until_s)
{
    for (double t; (t = sim_board_next_s(&moved->board)) <= until_s + 1e-9;)
        sim_board_step(&moved->board, t, moved->stage_mm(moved, t));
}

static double ramp(const struct moved *moved, double t)
{
    return moved->from_mm + moved->rate_mm_s * t;
}

static double jump(const struct moved *moved, double t)
{
    return t <= 0 ? moved->from_mm : moved->from_mm + moved->rate_mm_s;
}

static double wave(const struct moved *moved, double t)
{
    return moved->from_mm + moved->amplitude_mm * sin(moved->turn_rate * t);
}

/* Start of the transient included: y = r (t - tau + tau exp(-t/tau)). */
static void test_ramp(void **state)
{
    (void)state;
    for (int way = RISING; way <= FALLING; way++) {
        struct moved moved;
        set(&moved);
        moved.bench.truth.lag_rising_s = 0.08;
        moved.bench.truth.lag_falling_s = 0.31;
        moved.stage_mm = ramp;
        moved.from_mm = 100;
        moved.rate_mm_s = way == RISING ? 20 : -20;
        double tau = way == RISING ? 0.08 : 0.31;
        start(&moved);
        for (double t = 0.05; t < 3; t += 0.05) {
            go_on(&moved, t);
            assert_near(moved.board.reading,
                        100 + moved.rate_mm_s * (t - tau + tau * exp(-t / tau)), 1e-9, "mm");
        }
        assert_near(ramp(&moved, moved.board.t) - moved.board.reading, moved.rate_mm_s * tau, 1e-3,
                    "mm");
        sim_board_drop(&moved.board);
    }
}

static void test_step(void **state)
{
    (void)state;
    for (int way = RISING; way <= FALLING; way++) {
        struct moved moved;
        set(&moved);
        moved.bench.truth.lag_rising_s = 0.08;
        moved.bench.truth.lag_falling_s = 0.31;
        moved.bench.truth.sensor_dead_time_s = 0.0125;
        moved.stage_mm = jump;
        moved.from_mm = 100;
        moved.rate_mm_s = way == RISING ? 40 : -40;
        double tau = way == RISING ? 0.08 : 0.31;
        start(&moved);
        go_on(&moved, 0.012);
        assert_near(moved.board.reading, 100, 1e-12, "mm");
        go_on(&moved, 0.02);
        /* the grid sees the jump as a rise within its first millisecond */
        for (double t = 0.05; t < 2; t += 0.05) {
            go_on(&moved, t);
            double after = t - 0.0125, share = 1 - exp(-after / tau);
            assert_near((moved.board.reading - 100) / moved.rate_mm_s, share, 0.0005 / tau, "1");
        }
        sim_board_drop(&moved.board);
    }
}

/* Where both lags are equal the board is linear: gain and phase of a sine by sums over
 * whole cycles, once the start is forgotten. */
static void test_sine(void **state)
{
    (void)state;
    static const double frequencies_hz[] = {0.05, 0.5, 1, 2, 4};
    for (size_t i = 0; i < sizeof frequencies_hz / sizeof frequencies_hz[0]; i++) {
        struct moved moved;
        set(&moved);
        moved.bench.truth.lag_rising_s = moved.bench.truth.lag_falling_s = 0.2;
        moved.stage_mm = wave;
        moved.from_mm = 80;
        moved.amplitude_mm = 15;
        moved.turn_rate = 2 * 3.141592653589793 * frequencies_hz[i];
        start(&moved);
        double period = 1 / frequencies_hz[i], from = ceil(5 / period) * period;
        go_on(&moved, from);
        double in_phase = 0, in_quadrature = 0;
        size_t n = 4000;
        for (size_t k = 1; k <= n; k++) {
            double t = from + 2 * period * (double)k / (double)n;
            go_on(&moved, t);
            double u = moved.board.t; /* the node before t */
            in_phase += moved.board.reading * sin(moved.turn_rate * u);
            in_quadrature += moved.board.reading * cos(moved.turn_rate * u);
        }
        double gain = 2 * hypot(in_phase, in_quadrature) / (double)n / 15;
        double phase = atan2(in_quadrature, in_phase), wt = moved.turn_rate * 0.2;
        assert_near(gain, 1 / sqrt(1 + wt * wt), 5e-3, "1");
        assert_near(phase, -atan(wt), 5e-3, "rad");
        sim_board_drop(&moved.board);
    }
}

/* At rest the reading depends on the way there: half of the play late on either side, and
 * a reversal smaller than the play moves nothing. */
static void test_play(void **state)
{
    (void)state;
    struct moved moved;
    set(&moved);
    moved.bench.truth.hysteresis_mm = 0.4;
    moved.stage_mm = ramp;
    moved.from_mm = -5;
    moved.rate_mm_s = 10;
    start(&moved);
    go_on(&moved, 5.5);
    assert_near(moved.board.reading, 50 - 0.2, 1e-9, "mm");
    moved.from_mm = 50 + 5.5;
    moved.rate_mm_s = -1; /* from 50 mm down */
    go_on(&moved, 5.5 + 0.39);
    assert_near(moved.board.reading, 50 - 0.2, 1e-9, "mm");
    go_on(&moved, 5.5 + 10);
    assert_near(moved.board.reading, 40 + 0.2, 1e-9, "mm");
    go_on(&moved, 5.5 + 60); /* out of the water */
    assert_near(moved.board.reading, 0.2, 1e-9, "mm");
    sim_board_drop(&moved.board);
}

/* d = (z - z0) A_t/(A_t - A_b) in the water, z - z0 above it. */
static void test_displacement(void **state)
{
    (void)state;
    struct moved moved;
    set(&moved);
    struct sim_truth *truth = &moved.bench.truth;
    truth->datum_mm = 31.4;
    truth->tank_area_mm2 = 90000;
    truth->board_area_mm2 = 60;
    assert_near(sim_water_depth_mm(truth, 181.4, 0), 150.0 * 90000 / 89940, 1e-12, "mm");
    assert_near(sim_water_depth_mm(truth, 11.4, 0), -20, 1e-12, "mm");
}

/* A link holds its value between updates, so lines repeat it; over a ramp the held
 * value's mean lag is dead time + time constant + half an interval. */
static void test_links(void **state)
{
    (void)state;
    struct moved moved;
    set(&moved);
    struct sim_truth *truth = &moved.bench.truth;
    truth->controller = (struct sim_link){.present = true,
                                          .interval_s = 0.1,
                                          .dead_time_s = 0.02,
                                          .time_constant_s = 0.15,
                                          .gain = 2,
                                          .offset = 1000};
    truth->actuator = (struct sim_link){.present = true,
                                        .interval_s = 0.02,
                                        .dead_time_s = 0.03,
                                        .time_constant_s = 0.25,
                                        .gain = 1};
    moved.stage_mm = ramp;
    moved.from_mm = 1;
    moved.rate_mm_s = 10;
    start(&moved);
    go_on(&moved, 5);
    double command = 0, horn = 0, truth_mm = 0, last = NAN;
    size_t lines = 0, repeats = 0;
    while (lines < 1000) {
        double next_sample = moved.board.next_sample_s;
        go_on(&moved, next_sample);
        command += (moved.board.controller.value - 1000) / 2;
        horn += (moved.board.actuator.value - 1000) / 2;
        truth_mm += ramp(&moved, next_sample);
        repeats += moved.board.controller.value == last;
        last = moved.board.controller.value;
        lines++;
    }
    double lag_command = (truth_mm - command) / 1000 / 10, lag_horn = (truth_mm - horn) / 1000 / 10;
    assert_near(lag_command, 0.02 + 0.15 + 0.05, 1e-6, "s");
    /* five updates see a cycle of ten steps: its fifth harmonic, 1 mm/(5 pi) through a gain
     * of 1/79, shows as a mean of up to 0.0008 mm */
    assert_near(lag_horn - lag_command, 0.03 + 0.25 + 0.01, 0.0008 / 10, "s");
    assert_int_equal(repeats, 900);
    sim_board_drop(&moved.board);
}

static void test_rate_limit_and_resolution(void **state)
{
    (void)state;
    struct moved moved;
    set(&moved);
    struct sim_truth *truth = &moved.bench.truth;
    truth->controller = (struct sim_link){
        .present = true, .interval_s = 0.1, .gain = 1, .rate_limit = 25, .resolution = 0.5};
    moved.stage_mm = jump;
    moved.from_mm = 10;
    moved.rate_mm_s = 100;
    start(&moved);
    go_on(&moved, 2.05);
    double before = moved.board.controller.exact;
    go_on(&moved, 3.05);
    assert_near(moved.board.controller.exact - before, 25, 1e-9, "mm");
    assert_near(fmod(moved.board.controller.value, 0.5), 0, 1e-12, "mm");
    go_on(&moved, 10);
    assert_near(moved.board.controller.value, 110, 1e-12, "mm");
    sim_board_drop(&moved.board);
}

/* Mean and standard deviation of the noise, and whole multiples of the resolution. */
static void test_noise_and_lines(void **state)
{
    (void)state;
    struct test_bench bench;
    test_bench_set(&bench);
    bench.truth.noise_sd = 0.02;
    bench.truth.resolution = 0.001;
    bench.truth.clock_offset_s = 4294967.0; /* ms counts of 32 bits turn over at 4294967.296 s */
    bench.rig.sources[0].clock_wrap_counts = 4294967296.0;
    test_bench_open(&bench, 7);
    static double rows[4000][8];
    size_t n = test_bench_rows(&bench, 40, rows, NULL, 4000);
    assert_int_equal(n, 4000);
    double sum = 0, squares = 0;
    for (size_t i = 0; i < n; i++) {
        double counts = rows[i][1] * 1000;
        assert_near(counts, rint(counts), 1e-6, "mV");
        sum += rows[i][1];
        squares += (rows[i][1] - 0.35) * (rows[i][1] - 0.35);
        assert_true(isnan(rows[i][5])); /* five columns */
        double clock = 4294967000.0 + 10 * (double)(i + 1);
        assert_near(rows[i][0], fmod(clock, 4294967296.0), 0, "ms");
    }
    /* standard errors: 0.02/sqrt(4000), 0.02/sqrt(8000); four of each */
    assert_near(sum / (double)n, 0.35, 4 * 0.02 / sqrt(4000), "V");
    assert_near(sqrt(squares / (double)n), 0.02, 4 * 0.02 / sqrt(8000), "V");
    test_bench_close(&bench);
}

/* Lines arrive late by line_delay at least, on average by the exponential's mean more; the
 * board's clock runs at its own rate. */
static void test_line_delay_and_skew(void **state)
{
    (void)state;
    struct test_bench bench;
    test_bench_set(&bench);
    bench.truth.line_delay_s = 0.002;
    bench.truth.line_delay_sd_s = 0.0005;
    bench.truth.clock_skew_ppm = 50;
    test_bench_open(&bench, 3);
    static double rows[6000][8];
    static double at_s[6000];
    size_t n = test_bench_rows(&bench, 60, rows, at_s, 6000);
    double least = INFINITY, sum = 0;
    for (size_t i = 0; i < n; i++) {
        double delay = at_s[i] - rows[i][0] * 1e-3 / (1 + 50e-6);
        least = fmin(least, delay);
        sum += delay;
    }
    assert_in_range(n, 5998, 6003);
    assert_true(least >= 0.002 - 1e-9);
    assert_near(least, 0.002, 5e-6, "s");
    assert_near(sum / (double)n, 0.0025, 4 * 0.0005 / sqrt(6000), "s");
    test_bench_close(&bench);
}

static void test_words_of_the_source(void **state)
{
    (void)state;
    struct test_bench bench;
    test_bench_set(&bench);
    struct rig_source *source = &bench.rig.sources[0];
    source->format = LINE_PAIRS;
    source->nmea_checksum = true;
    snprintf(source->greeting, sizeof source->greeting, "stream on");
    test_bench_open(&bench, 1);
    char bytes[256] = "";
    assert_int_equal(sim_board_says(bench.sim, bytes, sizeof bytes, 100000000), 0);
    sim_board_hears(bench.sim, "stream\nstream on\r\n", 18, 103000000);
    size_t size = sim_board_says(bench.sim, bytes, sizeof bytes - 1, 110000000);
    bytes[size] = 0;
    const char *body = "ms=110 level=0.350000 command=0.000000 horn=0.000000 water=20.00";
    unsigned sum = 0;
    for (const char *c = body; *c; c++)
        sum ^= (unsigned char)*c;
    char expected[256];
    snprintf(expected, sizeof expected, "$%s*%02X\r\n", body, sum);
    assert_string_equal(bytes, expected);
    test_bench_close(&bench);

    /* a reference channel in its own unit, a trip switch, a column that nobody claims */
    test_bench_set(&bench);
    source = &bench.rig.sources[0];
    source->channels[1].role = ROLE_REFERENCE;
    snprintf(source->channels[1].unit, sizeof source->channels[1].unit, "cm");
    source->channels[2].role = ROLE_TRIP;
    source->channels[3].column = 6;
    bench.truth.trip_mm = 10;
    test_bench_open(&bench, 1);
    size = sim_board_says(bench.sim, bytes, sizeof bytes - 1, 0);
    bytes[size] = 0;
    assert_string_equal(bytes, "0,0.350000,1.640000,1,0,20.00\r\n");
    test_bench_close(&bench);

    /* binary frames: what their decoder makes of them is what was measured */
    test_bench_set(&bench);
    source = &bench.rig.sources[0];
    source->format = LINE_FRAMES;
    source->frame = (struct rig_frame){.size = 16,
                                       .sync_size = 2,
                                       .sync = {0xa5, 0x5a},
                                       .check = CHECK_CRC16_CCITT,
                                       .check_from = 3,
                                       .check_to = 14,
                                       .check_at = 15,
                                       .check_big = true};
    source->clock_field = (struct rig_field){.byte = 3, .type = FIELD_U32, .scale = 1};
    for (int i = 0; i < 4; i++)
        source->channels[i].field =
            (struct rig_field){.byte = 7 + 2 * i, .type = FIELD_U16, .scale = 1};
    source->channels[0].field.scale = 1e-3;
    source->channels[3].field =
        (struct rig_field){.byte = 13, .type = FIELD_I16, .big = true, .scale = 0.01, .offset = 10};
    test_bench_open(&bench, 1);
    struct decoder *decoder = decoder_open(source, NULL);
    assert_non_null(decoder);
    size = sim_board_says(bench.sim, bytes, sizeof bytes, 30000000);
    assert_int_equal(size, 4 * 16);
    for (size_t at = 0, frames = 0; at < size;) {
        struct decoded out;
        bool whole;
        at += decoder_take(decoder, bytes + at, size - at, &whole, &out);
        assert_true(whole && out.good);
        assert_near(out.device_s, 0.01 * (double)frames++, 1e-12, "s");
        assert_near(out.values[0], 0.35, 1e-12, "V");
        assert_near(out.values[3], 20, 1e-12, "degC");
    }
    decoder_free(decoder);
    test_bench_close(&bench);

    test_bench_set(&bench);
    source = &bench.rig.sources[0];
    source->channels[1].role = ROLE_REFERENCE;
    snprintf(source->channels[1].unit, sizeof source->channels[1].unit, "furlong");
    struct rig_err err = {0};
    assert_null(sim_open(&bench.truth, &bench.rig, 1, &err));
    assert_int_equal(err.code, RIG_EINPUT);
    assert_contains(err.text, "furlong");
}

/* The same seed gives the same bytes, however the host asks; another seed gives others. */
static void test_determinism(void **state)
{
    (void)state;
    static char texts[3][200000];
    size_t sizes[3] = {0};
    for (int k = 0; k < 3; k++) {
        struct test_bench bench;
        test_bench_set(&bench);
        bench.truth.noise_sd = 0.002;
        bench.truth.line_delay_sd_s = 0.001;
        bench.truth.controller.present = bench.truth.actuator.present = true;
        bench.truth.answer_delay_sd_s = 0.01;
        test_bench_open(&bench, k == 2 ? 6 : 5);
        sim_axis_hears(bench.sim, "G28\nG1 Z150 F1200\n", 18, 0);
        int64_t end_ns = INT64_C(20000000000);
        int64_t pace_ns = k == 1 ? 3333333 : 500000000;
        for (int64_t t = pace_ns; t < end_ns + pace_ns; t += pace_ns) {
            if (t > end_ns)
                t = end_ns;
            if (k == 1 && t % 7 == 0)
                sim_axis_hears(bench.sim, "M114\n", 5, t);
            sizes[k] +=
                sim_board_says(bench.sim, texts[k] + sizes[k], sizeof texts[k] - sizes[k], t);
        }
        assert_int_equal(sim_tally(bench.sim).lost_bytes, 0);
        test_bench_close(&bench);
    }
    assert_true(sizes[0] > 50000);
    assert_int_equal(sizes[0], sizes[1]);
    assert_memory_equal(texts[0], texts[1], sizes[0]);
    assert_true(sizes[2] != sizes[0] || memcmp(texts[0], texts[2], sizes[0]));
}

static double processor_s(void)
{
    return (double)clock() / CLOCKS_PER_SEC;
}

/* Everything on, through the seams that a run uses. Measured on one core: 0.6 s optimised,
 * 2 s without; the limit leaves room for sanitizers and a busy machine. */
static void test_an_hour_takes_seconds(void **state)
{
    (void)state;
    struct test_bench bench;
    test_bench_set(&bench);
    struct sim_truth *truth = &bench.truth;
    truth->noise_sd = 0.002;
    truth->resolution = 0.001;
    truth->lag_rising_s = 0.08;
    truth->lag_falling_s = 0.31;
    truth->sensor_dead_time_s = 0.01;
    truth->hysteresis_mm = 0.4;
    truth->clock_skew_ppm = 20;
    truth->line_delay_sd_s = 0.0005;
    truth->step_mm = 0.0025;
    struct sim_link controller = {.present = true,
                                  .interval_s = 0.1,
                                  .dead_time_s = 0.02,
                                  .time_constant_s = 0.15,
                                  .gain = 300};
    truth->controller = truth->actuator = controller;
    truth->actuator.interval_s = 0.02;
    test_bench_open(&bench, 1);
    struct rig_clock host = sim_clock(bench.sim);
    struct transport axis = sim_axis_transport(bench.sim), board = sim_board_transport(bench.sim);
    char bytes[4096];
    size_t lines = 0, moves = 0;
    double began = processor_s();
    axis.write(axis.context, "G28\n", 4, NULL);
    while (rig_clock_now(&host) < INT64_C(3600000000000)) {
        long size;
        while ((size = board.read(board.context, bytes, sizeof bytes, NULL)) > 0)
            for (long i = 0; i < size; i++)
                lines += bytes[i] == '\n';
        while ((size = axis.read(axis.context, bytes, sizeof bytes, NULL)) > 0)
            for (long i = 0; i < size; i++)
                if (bytes[i] == 'k') { /* of "ok": up and down for ever */
                    const char *line = moves++ % 2 ? "G1 Z40 F1200\n" : "G1 Z180 F1200\n";
                    axis.write(axis.context, line, strlen(line), NULL);
                }
        host.sleep_until_ns(host.context, rig_clock_now(&host) + 100000000);
    }
    double took = processor_s() - began;
    print_message("an hour at 100 lines/s took %.2f s\n", took);
    assert_in_range(lines, 359995, 360010);
    assert_in_range(moves, 3600 / 7 - 20, 3600 / 7 + 20);
    assert_true(took < 60);
    test_bench_close(&bench);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_ramp),
        cmocka_unit_test(test_step),
        cmocka_unit_test(test_sine),
        cmocka_unit_test(test_play),
        cmocka_unit_test(test_displacement),
        cmocka_unit_test(test_links),
        cmocka_unit_test(test_rate_limit_and_resolution),
        cmocka_unit_test(test_noise_and_lines),
        cmocka_unit_test(test_line_delay_and_skew),
        cmocka_unit_test(test_words_of_the_source),
        cmocka_unit_test(test_determinism),
        cmocka_unit_test(test_an_hour_takes_seconds),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
