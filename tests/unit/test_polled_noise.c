/* SPDX-License-Identifier: GPL-3.0-or-later
 * The wire 'status-polled' against a controller of its own and a line that damages and
 * loses bytes. There are no checksums, so what a damaged line does can't be prevented. What
 * can: the buffer never overruns, an answer that got lost costs nothing, rest is never
 * told of an axis that moves, a halt always ends, and nothing waits for ever. */
#include "check.h"
#include "polled_model.h"

#include "base/clock.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct session {
    struct axis *axis;
    struct polled_model model;
    size_t counts[AXIS_EVENT_COUNT];
    uint64_t sent, accepted, settled; /* the latest tag */
    double position_mm, halted_mm;
    int64_t longest_question_ns;
    char fatal[200];
};

static void sink(void *context, const struct axis_event *event)
{
    struct session *session = context;
    session->counts[event->kind]++;
    switch (event->kind) {
    case AXIS_SENT:
        assert_int_equal(event->tag, session->sent + 1);
        session->sent = event->tag;
        break;
    case AXIS_ACCEPTED:
        assert_int_equal(event->tag, session->accepted + 1);
        session->accepted = event->tag;
        break;
    case AXIS_SETTLED:
        session->settled = event->tag;
        assert_true(polled_model_rests(&session->model));
        break;
    case AXIS_POSITION:
        session->position_mm = event->stage_mm;
        if (event->answered_ns - event->asked_ns > session->longest_question_ns)
            session->longest_question_ns = event->answered_ns - event->asked_ns;
        break;
    case AXIS_HALTED:
        session->halted_mm = event->stage_mm;
        break;
    case AXIS_RESET:
    case AXIS_REFUSED:
    case AXIS_ALARM:
    case AXIS_SILENT:
        snprintf(session->fatal, sizeof session->fatal, "%s: %s", axis_event_name(event->kind),
                 event->text);
        break;
    default:
        break;
    }
}

static void run(struct session *session, double seconds)
{
    polled_run(session->axis, &session->model, seconds, sink, session);
}

static void run_until_idle(struct session *session, double limit_s)
{
    for (double s = 0; s < limit_s && !axis_idle(session->axis) && !session->fatal[0]; s += 0.05)
        run(session, 0.05);
}

static void open_session(struct session *session, const struct rig_axis *settings, uint64_t seed)
{
    struct rig_err err;
    memset(session, 0, sizeof *session);
    polled_model_open(&session->model, seed);
    session->axis = axis_open(settings, &err);
    assert_non_null(session->axis);
}

static void connect_and_home(struct session *session)
{
    struct rig_err err;
    assert_int_equal(axis_connect(session->axis, &err), 0);
    assert_int_equal(axis_home(session->axis, &err), 0);
    run_until_idle(session, 200);
}

static void begin(struct session *session, uint64_t seed)
{
    struct rig_axis settings = polled_axis();
    open_session(session, &settings, seed);
    connect_and_home(session);
    assert_string_equal(session->fatal, "");
    assert_int_equal(session->counts[AXIS_READY], 1);
    assert_int_equal(session->counts[AXIS_HOMED], 1);
    session->model.taken_count = 0;
}

/* Tag k goes to place(k), moves of 20 ms: the pace of a sine on a real wire. */
static double place_mm(uint64_t tag)
{
    return 0.25 * (double)(tag % 400 < 200 ? tag % 200 : 200 - tag % 200);
}

static void check_each_once(const struct session *session, uint64_t count)
{
    uint64_t tag = 0;
    for (size_t i = 0; i < session->model.taken_count; i++) {
        const char *words = session->model.taken[i];
        if (strncmp(words, "G1 Z", 4) != 0)
            continue;
        assert_near(strtod(words + 4, NULL), place_mm(++tag), 1e-9, "mm");
    }
    assert_int_equal(tag, count);
}

static void stream(struct session *session, uint64_t count)
{
    struct rig_err err;
    uint64_t tag = session->sent;
    for (int steps = 0; steps < 20000 && session->accepted < count && !session->fatal[0]; steps++) {
        while (tag < count && axis_room(session->axis)) {
            tag++;
            assert_int_equal(axis_move(session->axis, tag, place_mm(tag), 12.5, &err), 0);
        }
        run(session, 0.01);
        axis_query(session->axis, &err);
    }
    run_until_idle(session, 30);
}

static void test_the_buffer_is_kept_full_and_never_overruns(void **state)
{
    (void)state;
    struct session session;
    begin(&session, 1);
    int64_t start = session.model.now_ns;
    stream(&session, 1000);
    assert_string_equal(session.fatal, "");
    check_each_once(&session, 1000);
    assert_int_equal(session.model.overruns, 0);
    /* lines of up to 21 bytes into 127: less than one line stays free */
    assert_in_range(session.model.most_received, 127 - 21, 127);
    double took_s = rig_ns_to_s(session.model.now_ns - start);
    assert_in_range((int)took_s, 19, 21); /* 1,000 moves of 20 ms without a pause */
    assert_true(session.counts[AXIS_POSITION] > 1500);
    assert_true(session.longest_question_ns < 10000000); /* whatever it is busy with */
    axis_free(session.axis);
}

static void test_lost_answers_cost_nothing(void **state)
{
    (void)state;
    size_t damaged = 0, runs = 0;
    for (uint64_t seed = 1; seed <= 40; seed++) {
        struct session session;
        begin(&session, seed);
        session.model.old_reports = seed & 1;
        session.model.noise_out = 3e-3;
        stream(&session, 300);
        if (session.fatal[0])
            fail_msg("seed %d: %s", (int)seed, session.fatal);
        assert_int_equal(session.accepted, 300);
        check_each_once(&session, 300);
        assert_int_equal(session.model.overruns, 0);
        damaged += session.model.damaged;
        runs++;
        axis_free(session.axis);
    }
    printf("%zu runs of 300 lines, %zu bytes of answers damaged\n", runs, damaged);
    assert_true(damaged > 1000);
}

static void test_noise_both_ways_never_tells_of_rest_in_motion(void **state)
{
    (void)state;
    size_t whole = 0, stopped = 0, misplaced = 0;
    for (uint64_t seed = 1; seed <= 60; seed++) {
        struct session session;
        struct rig_err err;
        begin(&session, seed);
        session.model.noise_in = session.model.noise_out = 1e-3;
        uint64_t tag = 0;
        for (int stroke = 0; stroke < 10 && !session.fatal[0]; stroke++) {
            double to_mm = stroke % 2 ? 10 : 50;
            axis_move(session.axis, ++tag, to_mm, 50, &err);
            axis_settle(session.axis, ++tag, &err);
            for (int i = 0; i < 4000 && session.settled < tag && !session.fatal[0]; i++)
                run(&session, 0.05); /* SETTLED is checked against the model in sink */
            if (!session.fatal[0] && session.settled < tag)
                fail_msg("seed %d: neither an end nor a fault", (int)seed);
            /* A digit that turned into another is seen by whoever asks for the place. */
            bool there = fabs(polled_model_wire_mm(&session.model) - to_mm) < 1e-9;
            misplaced += !session.fatal[0] && !there;
        }
        assert_int_equal(session.model.overruns, 0);
        whole += !session.fatal[0];
        stopped += session.fatal[0] != 0;
        axis_free(session.axis);
    }
    printf("%zu runs to the end, %zu stopped by a fault, %zu strokes to a wrong place unnoticed\n",
           whole, stopped, misplaced);
    assert_true(whole > 10 && stopped > 5);
}

static void test_halt_through_noise(void **state)
{
    (void)state;
    size_t known = 0, lost = 0;
    for (uint64_t seed = 1; seed <= 60; seed++) {
        struct session session;
        struct rig_err err;
        begin(&session, seed);
        for (uint64_t tag = 1; tag <= 40; tag++)
            axis_move(session.axis, tag, 60 + place_mm(tag), 12.5, &err);
        run(&session, 0.3);
        session.model.noise_in = session.model.noise_out = 3e-3;
        axis_halt(session.axis, false);
        for (int i = 0; i < 600 && !session.counts[AXIS_HALTED] && !session.fatal[0]; i++)
            run(&session, 0.05);
        session.model.noise_in = session.model.noise_out = 0;
        bool halted = session.counts[AXIS_HALTED] > 0;
        if (!halted && !session.fatal[0])
            fail_msg("seed %d: neither halted nor a fault", (int)seed);
        assert_int_equal(axis_knows_position(session.axis), halted && isfinite(session.halted_mm));
        if (halted && isfinite(session.halted_mm)) {
            known++;
            /* Homing ended at -1 mm of the machine's own count, which a stop while it
             * moves would have lost. */
            assert_near(session.halted_mm, session.model.machine_mm + 1, 1e-3, "mm");
            session.accepted = session.sent = 40;
            assert_int_equal(axis_move(session.axis, 41, 0, 60, &err), 0);
            assert_int_equal(axis_settle(session.axis, 42, &err), 0);
            run_until_idle(&session, 60);
            if (session.fatal[0])
                fail_msg("seed %d: %s", (int)seed, session.fatal);
            assert_near(session.model.machine_mm, -1, 1e-3, "mm");
        } else {
            lost++;
            session.fatal[0] = '\0';
            connect_and_home(&session);
            if (session.fatal[0])
                fail_msg("seed %d: %s", (int)seed, session.fatal);
            assert_true(axis_knows_position(session.axis));
            assert_near(polled_model_wire_mm(&session.model), 0, 1e-9, "mm");
        }
        axis_free(session.axis);
    }
    printf("%zu halts with the position known, %zu homed again\n", known, lost);
    assert_true(known > 20);
}

static void test_connecting_and_homing_through_noise(void **state)
{
    (void)state;
    size_t homed = 0, failed = 0;
    for (uint64_t seed = 1; seed <= 60; seed++) {
        struct session session;
        struct rig_axis settings = polled_axis();
        open_session(&session, &settings, seed);
        session.model.homing_deaf = seed & 1;
        session.model.noise_in = session.model.noise_out = 5e-3;
        connect_and_home(&session);
        bool done = session.counts[AXIS_HOMED] > 0;
        if (!done && !session.fatal[0])
            fail_msg("seed %d: neither homed nor a fault", (int)seed);
        homed += done;
        failed += !done;
        axis_free(session.axis);
    }
    printf("%zu homed, %zu ended with a fault\n", homed, failed);
    assert_true(homed > 45);
}

static uint64_t draw(uint64_t *random)
{
    *random ^= *random << 13;
    *random ^= *random >> 7;
    *random ^= *random << 17;
    return *random >> 16;
}

/* The same answers in pieces of 1 to `piece` bytes; the events as text. */
static char *events_of(uint64_t seed, size_t piece)
{
    static const char *const answers[] = {
        "ok\n",
        "ok\r\n",
        "ok\r\n",
        "okok\n",
        "<Idle|MPos:0.000,0.000,4.250|FS:0,0|WCO:0.000,0.000,1.000>\r\n",
        "<Run|MPos:0.000,0.000,9.125|FS:600,0>\r\n",
        "<Idle|MPos:0.000,0.000>\n",
        "<Run|MPos:0.000,0.000,9.1",
        "<Hold:0|MPos:0.000,0.000,9.125|FS:600,0>\r\n",
        "[MSG:Check Door]\r\n",
        "\xff\x80garb\tage\n",
        "\n\n",
        "[GC:G0 G54]\n"};
    enum { ANSWERS = sizeof answers / sizeof answers[0] };
    struct session session;
    struct rig_err err;
    begin(&session, 1);
    char *text = calloc(1, 1 << 20), bytes[256];
    assert_non_null(text);
    size_t size = 0;
    uint64_t random = seed * 0x9E3779B97F4A7C15u + 7, cut = seed + 99, tag = 0;
    int64_t now = session.model.now_ns;
    for (int block = 0; block < 200; block++) {
        char heard[1024] = "";
        for (uint64_t lines = draw(&random) % 4; lines > 0; lines--)
            strcat(heard, answers[draw(&random) % ANSWERS]);
        for (size_t done = 0, n, all = strlen(heard); done < all; done += n) {
            n = piece ? 1 + draw(&cut) % piece : all;
            n = n > all - done ? all - done : n;
            axis_receive(session.axis, heard + done, n, now);
        }
        struct axis_event event;
        while (axis_next_event(session.axis, &event))
            size += (size_t)snprintf(text + size, (1 << 20) - size, "%s %d %.4f %s\n",
                                     axis_event_name(event.kind), (int)event.tag, event.stage_mm,
                                     event.text);
        while (axis_room(session.axis) > 40)
            tag++, axis_move(session.axis, tag, place_mm(tag), 12.5, &err);
        axis_query(session.axis, &err);
        now += 50000000;
        size_t n = axis_output(session.axis, bytes, sizeof bytes, now);
        size += (size_t)snprintf(text + size, (1 << 20) - size, "%.*s", (int)n, bytes);
    }
    axis_free(session.axis);
    return text;
}

static void test_pieces_of_bytes_make_no_difference(void **state)
{
    (void)state;
    for (uint64_t seed = 1; seed <= 30; seed++) {
        char *whole = events_of(seed, 0);
        assert_true(strlen(whole) > 500);
        for (size_t piece = 1; piece <= 7; piece += 3) {
            char *cut = events_of(seed, piece);
            assert_string_equal(cut, whole);
            free(cut);
        }
        free(whole);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_the_buffer_is_kept_full_and_never_overruns),
        cmocka_unit_test(test_lost_answers_cost_nothing),
        cmocka_unit_test(test_noise_both_ways_never_tells_of_rest_in_motion),
        cmocka_unit_test(test_halt_through_noise),
        cmocka_unit_test(test_connecting_and_homing_through_noise),
        cmocka_unit_test(test_pieces_of_bytes_make_no_difference),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
