/* SPDX-License-Identifier: GPL-3.0-or-later
 * A night of ten hours with something failing every ten minutes, in simulated time. In the
 * morning it is usable: ended in time and parked, every stroke that was due measured whole,
 * every row of the recording where the stage really was.
 * WETSWEEP_NIGHTS: so many nights, each with a seed of its own (1); WETSWEEP_SEED: the first
 * one's (1). */
#include "check.h"
#include "fault_bench.h"

#include "base/clock.h"
#include "rig/run_summary.h"

#include <gsl/gsl_rng.h>

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const double NIGHT_S = 36000, APART_S = 600;

static struct fault_bench bench;

static double now_s(void)
{
    return fault_bench_t_s(&bench);
}

/* ---- what fails; each for length_s from now on ---- */

static void board_unplugged(struct fault_bench *it)
{
    it->board.gone_s = now_s();
    it->board.back_s = now_s() + it->acting->length_s;
}

static void board_silent(struct fault_bench *it)
{
    it->board.quiet_s = now_s();
    it->board.loud_s = now_s() + it->acting->length_s;
}

static void board_hangs(struct fault_bench *it)
{
    it->board.quiet_s = now_s();
    it->board.loud_s = INFINITY;
    it->board.wakes = true;
}

static void board_stuck(struct fault_bench *it)
{
    it->board.stuck[0] = 0;
    it->board.stuck_s = now_s();
    it->board.free_s = INFINITY;
    it->board.wakes = true;
}

static void board_noisy(struct fault_bench *it)
{
    it->board.noise = it->board.loses = 3e-3;
    it->board.noise_from_s = now_s();
    it->board.noise_until_s = now_s() + it->acting->length_s;
}

static void axis_unplugged(struct fault_bench *it)
{
    it->axis.gone_s = now_s();
    it->axis.back_s = now_s() + it->acting->length_s;
}

static void axis_restarts(struct fault_bench *it)
{
    sim_axis_power_cycle(it->sim, rig_clock_now(&it->clock));
}

static void axis_mute(struct fault_bench *it)
{
    it->axis.quiet_s = it->axis.deaf_s = now_s();
    it->axis.loud_s = it->axis.hears_s = now_s() + it->acting->length_s;
}

static void axis_stalls(struct fault_bench *it)
{
    it->axis.add = "Error:stall detected, axis stopped\n";
    it->axis.add_s = now_s();
}

static void axis_refuses(struct fault_bench *it)
{
    it->axis.lie = "Error:that line makes no sense\n";
    it->axis.lie_s = now_s();
}

static void axis_chatters(struct fault_bench *it)
{
    it->axis.add = "T:21.3 B:22.0\nfan is on\n";
    it->axis.add_s = now_s();
}

static void axis_noisy(struct fault_bench *it)
{
    it->axis.noise = it->axis.loses = 2e-3;
    it->axis.noise_from_s = now_s();
    it->axis.noise_until_s = now_s() + it->acting->length_s;
}

static void computer_sleeps(struct fault_bench *it)
{
    it->slept_s += it->acting->length_s;
}

static const struct {
    const char *name;
    void (*act)(struct fault_bench *bench);
    double least_s, most_s;
} kinds[] = {
    {"board unplugged", board_unplugged, 1, 200},
    {"board silent", board_silent, 1, 200},
    {"board hangs until it is restarted", board_hangs, 0, 0},
    {"board stuck until it is restarted", board_stuck, 0, 0},
    {"noise on the board's wire", board_noisy, 1, 60},
    {"axis unplugged", axis_unplugged, 1, 200},
    {"axis restarts", axis_restarts, 0, 0},
    {"axis mute", axis_mute, 1, 120},
    {"axis stalls", axis_stalls, 0, 0},
    {"axis refuses a line", axis_refuses, 0, 0},
    {"axis chatters", axis_chatters, 0, 0},
    {"noise on the axis' wire", axis_noisy, 1, 60},
    {"computer asleep", computer_sleeps, 3, 3600},
};
enum { KINDS = sizeof kinds / sizeof kinds[0] };

static unsigned injected[KINDS];

static void plan_faults(gsl_rng *random)
{
    size_t count = 0;
    for (double at_s = APART_S / 2; at_s < NIGHT_S; at_s += APART_S) {
        /* Each kind comes once before one comes twice as often as chance has it. */
        size_t kind = count < KINDS ? count : gsl_rng_uniform_int(random, KINDS);
        injected[kind]++;
        bench.actions[count++] = (struct fault_action){
            .at_s = at_s + APART_S * (gsl_rng_uniform(random) - 0.5) * 0.9,
            .act = kinds[kind].act,
            .length_s = kinds[kind].least_s +
                        gsl_rng_uniform(random) * (kinds[kind].most_s - kinds[kind].least_s)};
    }
}

/* With checksums on both wires: without, a byte that was turned over gives a reading like
 * any other. */
static const char night_rig[] = "axis\n"
                                "  port axis\n"
                                "  speaks acknowledged-lines\n"
                                "  letter Z reversed\n"
                                "  travel 0 mm to 200 mm\n"
                                "  speed up to 60 mm/s\n"
                                "  acceleration up to 900 mm/s2\n"
                                "  resolution 400 steps/mm\n"
                                "  park at -20 mm\n"
                                "  position live\n"
                                "end\n"
                                "water\n"
                                "  datum at stage 31.4 mm\n"
                                "end\n"
                                "source board\n"
                                "  port board\n"
                                "  line csv, checksum nmea\n"
                                "  clock column 1 in ms, wraps at 2^32\n"
                                "  channel level column 2 in volts role sensor\n"
                                "end\n";

static void one_night(unsigned long seed)
{
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    struct run_summary summary;
    size_t known;
    gsl_rng_set(random, seed);
    fault_bench_defaults(&bench);
    bench.profile_text = "title \"A night\"\n"
                         "start at 10 mm\n"
                         "repeat for 10 h\n"
                         "  stairs from 10 mm to 150 mm in 7 steps, hold 4 s, up and down\n"
                         "  each speed 10, 20, 40 mm/s\n"
                         "    ramp to 150 mm at speed\n"
                         "    hold 4 s\n"
                         "    ramp to 10 mm at speed\n"
                         "    hold 10 s\n"
                         "  end\n"
                         "  sine about 80 mm amplitude 15 mm at 0.2 Hz, 5 cycles\n"
                         "end\n";
    bench.rig_text = night_rig;
    bench.seed = bench.axis.noise_state = bench.board.noise_state = seed;
    bench.truth.line_interval_s = 0.1;
    bench.truth.answer_delay_s = 2e-3;
    bench.truth.start_delay_s = 0.03;
    bench.patience_s = 1800;
    bench.until = "the morning";
    bench.until_s = NIGHT_S;
    plan_faults(random);
    fault_bench_run(&bench);
    run_summary_make(&summary, &bench.end);
    print_message("seed %lu: %s", seed, summary.word);
    for (size_t i = 0; i < summary.reason_count; i++)
        print_message("; %s", summary.reasons[i]);
    print_message("\n");
    fault_bench_check_end(&bench, RUN_COMPLETE, 0, "ended for the morning as asked");
    fault_bench_check_parked(&bench);
    assert_int_equal(summary.usable, USABLE_YES);
    /* An axis that is away just then is waited for: the longest fault, and the way home. */
    assert_true(bench.end.view.t_s <= NIGHT_S + 300);
    /* Half of the night is the least that ten minutes' faults may leave. */
    assert_true(bench.end.run.measuring_s > NIGHT_S / 2);
    double worst_mm = fault_bench_worst_mm(&bench, NULL, &known);
    print_message("  %llu strokes, %zu of them known; worst row %.2f mm off; %.0f s measuring\n",
                  (unsigned long long)bench.end.run.whole, known, worst_mm,
                  bench.end.run.measuring_s);
    /* Bytes that are lost in the midst of a wave can hold the stage up: such a stroke is left out.
     */
    assert_true(known <= bench.end.run.whole && known + 3 >= bench.end.run.whole);
    /* At 60 mm/s, tied to some milliseconds. */
    assert_true(worst_mm < 1);
    for (size_t i = 0; i < KINDS; i++)
        print_message("  %u x %s\n", injected[i], kinds[i].name);
    fault_bench_free(&bench);
    gsl_rng_free(random);
}

static void nights(void **state)
{
    (void)state;
    const char *wanted = getenv("WETSWEEP_NIGHTS"), *first = getenv("WETSWEEP_SEED");
    unsigned long count = wanted ? strtoul(wanted, NULL, 10) : 1;
    unsigned long seed = first ? strtoul(first, NULL, 10) : 1;
    for (unsigned long i = 0; i < count; i++)
        one_night(seed + i);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(nights)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
