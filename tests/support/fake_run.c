/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "fake_run.h"

#include "check.h"
#include "plans.h"

#include "base/clock.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const int64_t LINE_NS = 100000000, GONE_NS = 20000000000, HOMING_NS = 1500000000;
static const double STEP_OFF_MM = 3;

static const char *const fault_names[] = {"nothing", "reset",   "alarm",       "refuse", "mute",
                                          "unplug",  "silence", "source gone", "stick",  "slip",
                                          "lapse",   "disk",    "stop",        "halt"};
_Static_assert(sizeof fault_names / sizeof *fault_names == FAKE_COUNT, "a name for each");

const char *fake_fault_name(enum fake_fault fault)
{
    return fault_names[fault];
}

/* The axis and what is around it; stage coordinates. */
struct fake {
    struct fake_run *run;
    struct rig rig;
    struct plan *plan;
    struct axis *axis;
    struct supervisor *supervisor;
    int64_t now_ns;
    double from_mm, to_mm;      /* motion under way or last */
    int64_t begun_ns, ended_ns; /* of it; then at rest */
    double off_mm;              /* controller's place less the true one */
    bool homed, refuses, relative_known;
    char line[200];
    size_t line_size;
    /* Answers that wait for their time. */
    struct {
        int64_t at_ns;
        char text[64];
    } answers[64];
    size_t answer_count;
    int64_t mute_until_ns, unplugged_until_ns, silent_until_ns, gone_until_ns, stuck_until_ns;
    bool axis_open, source_open;
    double stuck_reading;
    int64_t next_line_ns, phase_ns, happened_ns;
    enum run_phase phase;
};

static double place_mm(const struct fake *fake)
{
    if (fake->now_ns >= fake->ended_ns)
        return fake->to_mm;
    double share =
        (double)(fake->now_ns - fake->begun_ns) / (double)(fake->ended_ns - fake->begun_ns);
    return fake->from_mm + share * (fake->to_mm - fake->from_mm);
}

static void stop_here(struct fake *fake)
{
    fake->from_mm = fake->to_mm = place_mm(fake);
    fake->begun_ns = fake->ended_ns = fake->now_ns;
}

/* ---- the controller ---- */

static void say_at(struct fake *fake, int64_t at_ns, const char *text)
{
    assert_true(fake->answer_count < 64);
    fake->answers[fake->answer_count].at_ns = at_ns;
    snprintf(fake->answers[fake->answer_count++].text, 64, "%s", text);
}

static void say(struct fake *fake, const char *text)
{
    say_at(fake, fake->now_ns, text);
}

static void move(struct fake *fake, double to_mm, double feed_mm_s)
{
    /* Moves queue: each begins where and when the one before ends. */
    double from_mm = fake->to_mm;
    int64_t from_ns = fake->ended_ns > fake->now_ns ? fake->ended_ns : fake->now_ns;
    if (fake->ended_ns <= fake->now_ns) {
        fake->from_mm = from_mm;
        fake->begun_ns = from_ns;
    }
    fake->to_mm = to_mm;
    fake->ended_ns = from_ns + rig_s_to_ns(fabs(to_mm - from_mm) / feed_mm_s);
    fake->run->unhomed_moves += !fake->homed && fake->rig.axis.homes;
    fake->run->outside_moves += to_mm < fake->rig.axis.travel_low_mm - 1e-3 - fabs(fake->off_mm) ||
                                to_mm > fake->rig.axis.travel_high_mm + 1e-3 + fabs(fake->off_mm);
}

static void take_line(struct fake *fake, const char *line)
{
    char text[64];
    double sign = fake->rig.axis.reversed ? -1 : 1;
    const char *word = line;
    if (*word == 'N') /* number and checksum */
        word += strcspn(word, " ") + 1;
    if (fake->refuses) {
        fake->refuses = false;
        say(fake, "Error:that line makes no sense\n");
        return;
    }
    int64_t end_ns = fake->ended_ns > fake->now_ns ? fake->ended_ns : fake->now_ns;
    if (strncmp(word, "G1 ", 3) == 0) {
        double to = NAN, feed = NAN;
        assert_int_equal(sscanf(word, "G1 Z%lf F%lf", &to, &feed), 2);
        move(fake, sign * to - fake->off_mm, feed / 60);
        say(fake, "ok\n");
    } else if (strncmp(word, "G28", 3) == 0) {
        stop_here(fake);
        fake->to_mm = fake->rig.axis.home_mm;
        fake->ended_ns = fake->now_ns + HOMING_NS;
        fake->homed = true;
        fake->off_mm = 0;
        say_at(fake, fake->now_ns + HOMING_NS, "ok\n");
    } else if (strncmp(word, "M400", 4) == 0) {
        say_at(fake, end_ns, "ok\n");
    } else if (strncmp(word, "G4", 2) == 0) {
        fake->ended_ns = end_ns + 250000000;
        say(fake, "ok\n");
    } else if (strncmp(word, "M114", 4) == 0) {
        snprintf(text, sizeof text, "X:0.00 Y:0.00 Z:%.3f\nok\n",
                 sign * (place_mm(fake) + fake->off_mm));
        say(fake, text);
    } else if (strncmp(word, "M410", 4) == 0) {
        stop_here(fake);
        for (size_t i = 0; i < fake->answer_count; i++)
            fake->answers[i].at_ns = fake->now_ns; /* whoever waited for its end */
        say(fake, "ok\n");
    } else if (strncmp(word, "M112", 4) == 0) {
        stop_here(fake);
        fake->homed = false;
    } else {
        say(fake, "ok\n");
    }
}

static void restart(struct fake *fake)
{
    stop_here(fake);
    fake->answer_count = 0;
    fake->homed = false;
    fake->off_mm = 0;
    fake->refuses = false;
    fake->line_size = 0;
    say(fake, "start\n");
}

static void take_bytes(struct fake *fake, const char *bytes, size_t size)
{
    for (size_t i = 0; i < size; i++) {
        if (bytes[i] != '\n') {
            assert_true(fake->line_size + 1 < sizeof fake->line);
            fake->line[fake->line_size++] = bytes[i];
            continue;
        }
        fake->line[fake->line_size] = 0;
        fake->line_size = 0;
        if (fake->now_ns >= fake->mute_until_ns)
            take_line(fake, fake->line);
    }
}

static void give_answers(struct fake *fake)
{
    size_t kept = 0;
    bool mute = fake->now_ns < fake->mute_until_ns || !fake->axis_open;
    for (size_t i = 0; i < fake->answer_count; i++) {
        if (fake->answers[i].at_ns > fake->now_ns)
            fake->answers[kept++] = fake->answers[i];
        else if (!mute)
            axis_receive(fake->axis, fake->answers[i].text, strlen(fake->answers[i].text),
                         fake->now_ns);
    }
    fake->answer_count = kept;
}

/* ---- what is logged ---- */

static void log_motion(void *context, const struct motion_row *row)
{
    (void)context;
    (void)row;
}

static void log_stroke(void *context, const struct stroke_row *row)
{
    struct fake *fake = context;
    struct fake_run *run = fake->run;
    assert_true(run->row_count < sizeof run->rows / sizeof run->rows[0]);
    run->rows[run->row_count++] = *row;
}

static void append(char *list, size_t room, const char *text, const char *end)
{
    size_t size = strlen(list);
    assert_true(size + strlen(text) + 2 < room);
    snprintf(list + size, room - size, "%s%s", text, end);
}

static void log_event(void *context, double t_s, const char *kind, const char *text)
{
    (void)t_s;
    struct fake *fake = context;
    if (strcmp(kind, "phase") == 0)
        append(fake->run->phases, sizeof fake->run->phases, text, "\n");
    else
        append(fake->run->kinds, sizeof fake->run->kinds, kind, " ");
}

/* ---- faults ---- */

static void happen(struct fake *fake, enum fake_fault fault)
{
    int64_t until_ns = fake->now_ns + GONE_NS;
    switch (fault) {
    case FAKE_RESET:
        restart(fake);
        return;
    case FAKE_ALARM:
        stop_here(fake);
        fake->answer_count = 0;
        fake->homed = false;
        say(fake, "Error:endstop hit, axis stopped\n");
        return;
    case FAKE_REFUSE:
        fake->refuses = true;
        return;
    case FAKE_MUTE:
        fake->mute_until_ns = until_ns;
        return;
    case FAKE_UNPLUG:
        fake->unplugged_until_ns = until_ns;
        if (fake->axis_open) {
            fake->axis_open = false;
            supervisor_axis_lost(fake->supervisor, "the axis' port is gone", fake->now_ns);
        }
        return;
    case FAKE_SILENCE:
        fake->silent_until_ns = until_ns;
        return;
    case FAKE_SOURCE_GONE:
        fake->silent_until_ns = until_ns;
        supervisor_source_lost(fake->supervisor, 0, "source 'board' is gone", fake->now_ns);
        return;
    case FAKE_STICK:
        fake->stuck_until_ns = until_ns;
        fake->stuck_reading = place_mm(fake);
        return;
    case FAKE_SLIP:
        /* The stage is pushed: the controller's count goes with it (an encoder). */
        stop_here(fake);
        fake->from_mm = fake->to_mm = fake->to_mm - STEP_OFF_MM;
        return;
    case FAKE_LAPSE:
        fake->now_ns += GONE_NS;
        fake->next_line_ns = fake->now_ns;
        supervisor_heard(fake->supervisor, 0, place_mm(fake), fake->now_ns);
        supervisor_lapse(fake->supervisor, "asleep", "the computer was asleep",
                         fake->now_ns - GONE_NS, fake->now_ns);
        return;
    case FAKE_DISK:
        supervisor_fault(fake->supervisor, "disk", "the recording can't be written", fake->now_ns);
        return;
    case FAKE_STOP:
    case FAKE_HALT:
        supervisor_stop(fake->supervisor, fake->now_ns);
        if (fault == FAKE_HALT)
            supervisor_stop(fake->supervisor, fake->now_ns);
        return;
    default:
        return;
    }
}

static void look_for_faults(struct fake *fake)
{
    struct supervisor_view view;
    supervisor_look(fake->supervisor, fake->now_ns, &view);
    if (view.phase != fake->phase) {
        fake->phase = view.phase;
        fake->phase_ns = fake->now_ns;
    }
    bool early =
        fake->happened_ns && fake->now_ns - fake->happened_ns < rig_s_to_ns(fake->run->apart_s);
    for (size_t i = 0; i < 4 && !early; i++) {
        struct fake_event *event = &fake->run->events[i];
        if (event->fault == FAKE_NOTHING || event->done || event->phase != view.phase ||
            fake->now_ns - fake->phase_ns < rig_s_to_ns(event->after_s))
            continue;
        event->done = true;
        fake->happened_ns = fake->now_ns;
        happen(fake, event->fault);
        return;
    }
}

/* ---- the loop ---- */

static void speak(struct fake *fake)
{
    while (fake->next_line_ns <= fake->now_ns) {
        fake->next_line_ns += LINE_NS;
        if (fake->now_ns < fake->silent_until_ns)
            continue;
        double reading = fake->now_ns < fake->stuck_until_ns ? fake->stuck_reading : place_mm(fake);
        supervisor_heard(fake->supervisor, 0, reading, fake->now_ns);
    }
}

static void wake(struct fake *fake)
{
    char bytes[512];
    if (!fake->axis_open && fake->now_ns >= fake->unplugged_until_ns &&
        supervisor_wants_axis(fake->supervisor)) {
        fake->axis_open = true;
        restart(fake);
        supervisor_axis_back(fake->supervisor, fake->now_ns);
    } else if (fake->axis_open && supervisor_wants_axis(fake->supervisor)) {
        restart(fake); /* opened anew */
        supervisor_axis_back(fake->supervisor, fake->now_ns);
    }
    if (supervisor_wants_source(fake->supervisor, 0))
        supervisor_source_opened(fake->supervisor, 0);
    give_answers(fake);
    speak(fake);
    look_for_faults(fake);
    for (int round = 0; round < 64; round++) {
        struct axis_event event;
        bool heard = false;
        while (axis_next_event(fake->axis, &event)) {
            heard = true;
            supervisor_axis_event(fake->supervisor, &event, fake->now_ns);
        }
        if (round > 0 && !heard)
            break;
        supervisor_tick(fake->supervisor, fake->now_ns);
        size_t size;
        while (fake->axis_open &&
               (size = axis_output(fake->axis, bytes, sizeof bytes, fake->now_ns)))
            take_bytes(fake, bytes, size);
    }
}

static int64_t sooner(int64_t a, int64_t b)
{
    return a < b ? a : b;
}

static void rest(struct fake *fake)
{
    int64_t until_ns = sooner(fake->next_line_ns, axis_deadline_ns(fake->axis));
    until_ns = sooner(until_ns, supervisor_deadline_ns(fake->supervisor, fake->now_ns));
    for (size_t i = 0; i < fake->answer_count; i++)
        until_ns = sooner(until_ns, fake->answers[i].at_ns);
    fake->now_ns = until_ns > fake->now_ns ? until_ns : fake->now_ns + 1000000;
}

void fake_run_defaults(struct fake_run *run)
{
    *run = (struct fake_run){.profile = "start at 10 mm\n"
                                        "repeat 2\n"
                                        "ramp to 110 mm at 20 mm/s\n"
                                        "hold 2 s\n"
                                        "ramp to 10 mm at 20 mm/s\n"
                                        "hold 2 s\n"
                                        "end\n",
                             .axis_extra = "",
                             .patience_s = 120};
}

void fake_run(struct fake_run *run)
{
    struct rig_err err = {0};
    struct units *units = units_open(&err);
    assert_non_null(units);
    struct fake *fake = calloc(1, sizeof *fake);
    assert_non_null(fake);
    fake->run = run;
    test_rig(&fake->rig, units, run->axis_extra, "");
    fake->rig.source_count = 1;
    fake->rig.sources[0] = (struct rig_source){.name = "board", .rate_hz = NAN};
    fake->plan = test_plan(&fake->rig, units, run->profile, NULL);
    fake->axis = axis_open(&fake->rig.axis, &err);
    assert_non_null(fake->axis);
    fake->from_mm = fake->to_mm = 55; /* left in the water by somebody */
    fake->axis_open = fake->source_open = true;
    fake->phase = PHASE_OVER;
    fake->homed = !fake->rig.axis.homes;
    const struct supervisor_settings settings = {
        .rig = &fake->rig,
        .plan = fake->plan,
        .log = {log_motion, log_stroke, log_event, fake},
        .patience_s = run->patience_s,
        .until_ns = run->until_s > 0 ? rig_s_to_ns(run->until_s) : 0,
        .until = "07:00",
    };
    fake->supervisor = supervisor_open(&settings, fake->axis, &err);
    assert_non_null(fake->supervisor);
    say(fake, "start\n");
    supervisor_begin(fake->supervisor, 0, 0);
    for (wake(fake); !supervisor_over(fake->supervisor); wake(fake)) {
        rest(fake);
        if (fake->now_ns > (int64_t)86400 * 1000000000)
            fail_msg("it never ends; phases:\n%s", run->phases);
    }
    run->state = supervisor_state(fake->supervisor);
    run->board = supervisor_board(fake->supervisor);
    run->exit_status = supervisor_exit_status(fake->supervisor);
    snprintf(run->why, sizeof run->why, "%s", supervisor_why(fake->supervisor));
    supervisor_count(fake->supervisor, fake->now_ns, &run->tally);
    run->end_s = rig_ns_to_s(fake->now_ns);
    run->moving = fake->now_ns < fake->ended_ns;
    run->depth_mm = rig_depth_from_stage(&fake->rig, place_mm(fake));
    supervisor_free(fake->supervisor);
    axis_free(fake->axis);
    plan_free(fake->plan);
    units_close(units);
    free(fake);
}
