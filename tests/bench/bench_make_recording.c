/* SPDX-License-Identifier: GPL-3.0-or-later
 * Makes a recording of a bench at 1 kHz, of any length, for timing the fit:
 *   bench_make_recording FOLDER ROWS [many|stage]
 * Four columns: time, reading, the controller's and the actuator's output, 32 bytes a
 * row. Invented: a slightly bent curve, a lag of the reading, a controller that computes
 * ten times a second and an actuator fifty times. 'many': strokes of 0.2 s in place of a
 * night's cycle, so some hundred thousand segments in 12 h. 'stage': a fifth column, an
 * encoder on the stage. */
#include "results/recording.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char rig_text[] = "axis\n  port axis\n  speaks acknowledged-lines\n  letter Z\n"
                               "  travel 0 mm to 220 mm\n  speed up to 60 mm/s\n"
                               "  acceleration up to 900 mm/s2\n  resolution 400 steps/mm\n"
                               "  park at -20 mm\n  position live\n  poll 10 Hz\n"
                               "  backlash 0.02 mm\nend\n"
                               "water\n  datum at stage 31.4 mm\nend\n"
                               "source board\n  port board\n  line csv\n  rate 1000 Hz\n"
                               "  channel level column 1 in volts role sensor\n"
                               "  channel command column 2 in us role controller\n"
                               "  channel horn column 3 in us role actuator\n";
static const char encoder[] = "  channel place column 4 in mm role reference\n";
static const char night[] = "title \"Night at 1 kHz\"\nstart at 10 mm\nrepeat for %.3f s\n"
                            "  stairs from 10 mm to 150 mm in 7 steps, hold 4 s, up and down\n"
                            "  each speed 6, 15, 40 mm/s\n"
                            "    ramp to 150 mm at speed\n    hold 4 s\n"
                            "    ramp to 10 mm at speed\n    hold 10 s\n  end\n"
                            "  step to 120 mm\n  hold 5 s\n  step to 30 mm\n  hold 10 s\n"
                            "  sine about 80 mm amplitude 5 mm at 0.5 Hz, 8 cycles\n"
                            "  sine about 80 mm amplitude 5 mm at 1.5 Hz, 20 cycles\nend\n";
static const char strokes[] = "title \"Short strokes\"\nstart at 10 mm\nrepeat for %.3f s\n"
                              "  ramp to 12 mm at 10 mm/s\n  ramp to 10 mm at 10 mm/s\nend\n";

enum { ROW_HZ = 1000, POLL_ROWS = 100, COMMAND_ROWS = 100, HORN_ROWS = 20 };
static const double lead_s = 2, start_delay_s = 0.045, lag_s = 0.08;

/* The same numbers on every machine: splitmix64. */
static double uniform(uint64_t *state)
{
    uint64_t z = (*state += UINT64_C(0x9E3779B97F4A7C15));
    z = (z ^ (z >> 30)) * UINT64_C(0xBF58476D1CE4E5B9);
    z = (z ^ (z >> 27)) * UINT64_C(0x94D049BB133111EB);
    return (double)((z ^ (z >> 31)) >> 11) * 0x1p-53;
}

struct bench {
    struct rig rig;
    struct plan *plan;
    struct recording_writer *writer;
    uint64_t seed;
};

static int write_strokes(struct bench *bench, struct rig_err *err)
{
    int code = 0;
    for (size_t i = 0; !code && i < plan_stroke_count(bench->plan); i++) {
        const struct plan_stroke *stroke = &plan_strokes(bench->plan)[i];
        double sent_s = lead_s + stroke->start_s;
        code = recording_stroke(bench->writer, i, stroke->start_s, sent_s, sent_s + 0.002,
                                sent_s + stroke->end_s - stroke->start_s + 2 * start_delay_s, err);
    }
    return code;
}

/* A position report, as the controller gives them while it moves. */
static int write_report(struct bench *bench, double t_s, double plan_s, size_t *stroke,
                        struct rig_err *err)
{
    const struct plan_stroke *strokes_of = plan_strokes(bench->plan);
    while (*stroke + 1 < plan_stroke_count(bench->plan) &&
           strokes_of[*stroke + 1].start_s <= plan_s)
        ++*stroke;
    if (plan_s < strokes_of[*stroke].start_s || plan_s > strokes_of[*stroke].end_s)
        return 0;
    double depth_mm = plan_depth_mm(bench->plan, plan_s);
    return recording_motion(bench->writer, t_s, *stroke, depth_mm, round(depth_mm * 100) / 100,
                            0.001 + 0.0005 * uniform(&bench->seed),
                            plan_segment_at(bench->plan, plan_s), err);
}

static int write_rows(struct bench *bench, uint64_t rows, bool stage, struct rig_err *err)
{
    double depth_mm = plan_depth_mm(bench->plan, 0), command_us = 1200, horn_us = 1200;
    double late_us = 1200;
    size_t stroke = 0;
    int code = 0;
    for (uint64_t r = 0; !code && r < rows; r++) {
        double t_s = (double)r / ROW_HZ, plan_s = t_s - lead_s - start_delay_s;
        depth_mm += (plan_depth_mm(bench->plan, plan_s) - depth_mm) / (lag_s * ROW_HZ);
        double wet_mm = fmax(depth_mm, 0);
        double noise = uniform(&bench->seed) + uniform(&bench->seed) - 1;
        double level = 1.1 + (0.021 - 9.5e-6 * wet_mm) * wet_mm + 0.002 * noise;
        if (r % COMMAND_ROWS == 0)
            command_us = 1000 + round(200 * level);
        if (r % HORN_ROWS == 0) {
            late_us += 0.08 * (command_us - late_us);
            horn_us = round(late_us);
        }
        double place_mm = stage ? round(plan_stage_mm(bench->plan, plan_s) * 100) / 100 : 0;
        double values[] = {round(level * 1e5) / 1e5, command_us, horn_us, place_mm};
        code =
            recording_row(bench->writer, 0, t_s + 2e-4 * uniform(&bench->seed), NAN, values, err);
        if (!code && r % POLL_ROWS == 0)
            code = write_report(bench, t_s, plan_s, &stroke, err);
    }
    return code;
}

static int make(const char *folder, uint64_t rows, bool many, bool stage, struct rig_err *err)
{
    char profile[1024], rig[2048];
    snprintf(rig, sizeof rig, "%s%send\n", rig_text, stage ? encoder : "");
    struct bench bench = {.seed = 1};
    snprintf(profile, sizeof profile, many ? strokes : night, fmax(1, (double)rows / ROW_HZ - 300));
    const struct run_facts facts = {.board = "WS-B-0001",
                                    .revision = "B",
                                    .coating = "bare",
                                    .note = "invented, for timing",
                                    .rig_name = "bench.rig",
                                    .rig_text = rig,
                                    .profile_name = "bench.profile",
                                    .profile_text = profile,
                                    .started = "2026-04-17T20:00:00Z",
                                    .version = WETSWEEP_VERSION,
                                    .water_degc = 20};
    struct units *units = units_open(err);
    if (!units)
        return (int)err->code;
    int code = rig_read(&bench.rig, facts.rig_name, rig, strlen(rig), units, err);
    if (!code) {
        bench.plan =
            plan_make(&bench.rig, facts.profile_name, profile, strlen(profile), units, NULL, err);
        code = bench.plan ? 0 : (int)err->code;
    }
    if (!code) {
        bench.writer = recording_create(folder, &facts, &bench.rig, bench.plan, NULL, err);
        code = bench.writer ? 0 : (int)err->code;
    }
    if (!code)
        code = write_rows(&bench, rows, stage, err);
    if (!code)
        code = write_strokes(&bench, err);
    if (bench.writer) {
        int closed =
            recording_close(bench.writer, RUN_COMPLETE, "made for timing", code ? NULL : err);
        code = code ? code : closed;
    }
    if (!code)
        printf("%llu rows, %.0f s planned, %zu segments, %zu strokes\n", (unsigned long long)rows,
               plan_duration_s(bench.plan), plan_segment_count(bench.plan),
               plan_stroke_count(bench.plan));
    plan_free(bench.plan);
    units_close(units);
    return code;
}

int main(int argc, char **argv)
{
    struct rig_err err = {0};
    char *end = NULL;
    uint64_t rows = argc > 2 ? strtoull(argv[2], &end, 10) : 0;
    bool many = argc > 3 && strcmp(argv[3], "many") == 0;
    bool stage = argc > 3 && strcmp(argv[3], "stage") == 0;
    if (argc < 3 || argc > 4 || *end || rows < 1000 || (argc == 4 && !many && !stage)) {
        fputs("usage: bench_make_recording FOLDER ROWS [many|stage], 1000 rows at least\n", stderr);
        return 2;
    }
    if (make(argv[1], rows, many, stage, &err)) {
        fprintf(stderr, "bench_make_recording: %s\n", err.text);
        return 1;
    }
    return 0;
}
