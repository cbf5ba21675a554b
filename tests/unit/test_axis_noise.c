/* SPDX-License-Identifier: GPL-3.0-or-later
 * The wire 'acknowledged-lines' against a controller of the tests' own behind a line
 * that damages and loses bytes: each line of motion is carried out once and in order,
 * the receive buffer never overruns, and bytes mean the same in whatever pieces. */
#include "check.h"
#include "wire_model.h"

#include "base/clock.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct session {
    struct axis *axis;
    struct wire_model model;
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
    wire_run(session->axis, &session->model, seconds, sink, session);
}

static void run_until_idle(struct session *session, double limit_s)
{
    for (double s = 0; s < limit_s && !axis_idle(session->axis); s += 0.05)
        run(session, 0.05);
}

static void begin(struct session *session, const struct rig_axis *settings, uint64_t seed)
{
    struct rig_err err;
    memset(session, 0, sizeof *session);
    wire_model_open(&session->model, seed);
    session->axis = axis_open(settings, &err);
    assert_non_null(session->axis);
    assert_int_equal(axis_connect(session->axis, &err), 0);
    assert_int_equal(axis_home(session->axis, &err), 0);
    run_until_idle(session, 60);
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
    uint64_t tag = 0;
    for (int steps = 0; steps < 200000 && session->accepted < count && !session->fatal[0];
         steps++) {
        while (tag < count && axis_room(session->axis)) {
            tag++;
            assert_int_equal(axis_move(session->axis, tag, place_mm(tag), 12.5, &err), 0);
        }
        run(session, 0.01);
        axis_query(session->axis, &err);
    }
    run_until_idle(session, 30);
}

static void test_quiet_line_keeps_the_planner_fed(void **state)
{
    (void)state;
    struct rig_axis settings = wire_axis();
    struct session session;
    begin(&session, &settings, 1);
    int64_t start = session.model.now_ns;
    stream(&session, 1000);
    assert_string_equal(session.fatal, "");
    check_each_once(&session, 1000);
    assert_int_equal(session.model.overruns, 0);
    assert_in_range(session.model.most_received, 40, 96);
    /* 1,000 moves of 20 ms without a pause (turns at tags 200 k are moves of no length) */
    double took_s = rig_ns_to_s(session.model.now_ns - start);
    assert_in_range((int)took_s, 19, 21);
    assert_true(session.counts[AXIS_POSITION] > 190);
    axis_free(session.axis);
}

static void test_noise_is_made_good(void **state)
{
    (void)state;
    size_t damaged = 0, resends = 0, runs = 0;
    for (uint64_t seed = 1; seed <= 64; seed++) {
        struct rig_axis settings = wire_axis();
        struct session session;
        begin(&session, &settings, seed);
        session.model.noise = 2e-3;
        session.model.flushes = seed & 1;
        session.model.quiet_errors = seed & 2;
        session.model.short_resend = seed & 4;
        session.model.numbers_ok = seed & 8;
        session.model.planner_moves = seed & 16 ? 4 : 16;
        stream(&session, 300);
        if (session.fatal[0])
            fail_msg("seed %d: %s", (int)seed, session.fatal);
        assert_int_equal(session.accepted, 300);
        check_each_once(&session, 300);
        if (session.model.overruns)
            fail_msg("seed %d: %d bytes too many", (int)seed, (int)session.model.overruns);
        damaged += session.model.damaged;
        resends += session.counts[AXIS_RESEND];
        runs++;
        axis_free(session.axis);
    }
    printf("%zu runs of 300 lines, %zu bytes damaged, %zu requests to resend\n", runs, damaged,
           resends);
    assert_true(damaged > 1000 && resends > 400);
}

static void test_noise_never_settles_early(void **state)
{
    (void)state;
    for (uint64_t seed = 1; seed <= 40; seed++) {
        struct rig_axis settings = wire_axis();
        struct session session;
        struct rig_err err;
        begin(&session, &settings, seed);
        session.model.noise = 3e-3;
        session.model.flushes = seed & 1;
        uint64_t tag = 0;
        for (int stroke = 0; stroke < 10; stroke++) {
            double to_mm = stroke % 2 ? 10 : 50;
            axis_move(session.axis, ++tag, to_mm, 50, &err);
            axis_settle(session.axis, ++tag, &err);
            for (int i = 0; i < 400 && session.settled < tag && !session.fatal[0]; i++)
                run(&session, 0.05);
            if (session.fatal[0])
                fail_msg("seed %d: %s", (int)seed, session.fatal);
            assert_int_equal(session.settled, tag);
            assert_near(session.model.place_mm, to_mm, 1e-9, "mm");
            assert_int_equal(session.model.moves, 0);
        }
        axis_free(session.axis);
    }
}

static void test_questions_are_answered_during_a_long_move(void **state)
{
    (void)state;
    struct rig_axis settings = wire_axis();
    struct session session;
    struct rig_err err;
    begin(&session, &settings, 1);
    uint64_t tag = 0;
    for (int i = 0; i < 20; i++) { /* more strokes of 5 s than the planner holds */
        axis_move(session.axis, ++tag, i % 2 ? 10 : 60, 10, &err);
        axis_dwell(session.axis, ++tag, 0.5, &err);
    }
    axis_settle(session.axis, ++tag, &err);
    for (int i = 0; i < 1200 && session.settled < tag; i++) {
        axis_query(session.axis, &err);
        run(&session, 0.1);
    }
    assert_int_equal(session.settled, tag);
    assert_string_equal(session.fatal, "");
    /* one dwell of half a second at most stands in a question's way */
    assert_in_range(session.longest_question_ns, 1, 600000000);
    assert_true(session.counts[AXIS_POSITION] > 800);
    axis_free(session.axis);
}

static void test_slow_controller_with_a_full_planner_is_not_called_silent(void **state)
{
    (void)state;
    struct rig_axis settings = wire_axis();
    struct session session;
    struct rig_err err;
    begin(&session, &settings, 1);
    session.model.planner_moves = 2; /* the rig file says 16 */
    session.model.busy = true;
    for (uint64_t tag = 1; tag <= 20; tag++)
        axis_move(session.axis, tag, tag % 2 ? 150 : 20, 10, &err);
    run_until_idle(&session, 400);
    assert_string_equal(session.fatal, "");
    assert_int_equal(session.accepted, 20);
    assert_int_equal(session.model.overruns, 0);
    axis_free(session.axis);
}

static void test_halt_through_noise(void **state)
{
    (void)state;
    for (uint64_t seed = 1; seed <= 40; seed++) {
        struct rig_axis settings = wire_axis();
        struct session session;
        struct rig_err err;
        begin(&session, &settings, seed);
        for (uint64_t tag = 1; tag <= 40; tag++)
            axis_move(session.axis, tag, place_mm(tag), 12.5, &err);
        run(&session, 0.3);
        session.model.noise = 5e-3;
        axis_halt(session.axis, false);
        for (int i = 0; i < 600 && !session.counts[AXIS_HALTED]; i++)
            run(&session, 0.05);
        if (!session.counts[AXIS_HALTED])
            fail_msg("seed %d: %s", (int)seed, session.fatal);
        session.model.noise = 0;
        session.model.taken_count = 0;
        session.accepted = session.sent = 40;
        if (session.fatal[0])
            fail_msg("seed %d: %s", (int)seed, session.fatal);
        assert_int_equal(axis_move(session.axis, 41, 0, 60, &err), 0);
        run_until_idle(&session, 60);
        if (session.accepted != 41)
            fail_msg("seed %d: %s", (int)seed, session.fatal);
        assert_near(session.model.place_mm, 0, 1e-9, "mm");
        axis_free(session.axis);
    }
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
    static const char *const answers[] = {"ok\n",
                                          "ok\n",
                                          "ok\r\n",
                                          "ok T:20.1 /0.0\n",
                                          "X:0.00 Y:0.00 Z:17.25 E:0\n",
                                          "Resend: 7\nok\n",
                                          "rs 6\nok\n",
                                          "T:20.3 /0.0 B:19.9 /0.0\n",
                                          "echo:busy: processing\n",
                                          "Error:checksum mismatch, Last Line: 8\nResend: 9\nok\n",
                                          "\xff\x80garb\tage\n",
                                          "\n\n",
                                          "okok\n",
                                          "ok N9\n",
                                          "Error:Last Line: 7\n"};
    enum { ANSWERS = sizeof answers / sizeof answers[0] };
    struct rig_axis settings = wire_axis();
    struct session session;
    struct rig_err err;
    begin(&session, &settings, 1);
    char *text = calloc(1, 1 << 20), bytes[256];
    assert_non_null(text);
    size_t size = 0;
    uint64_t random = seed * 0x9E3779B97F4A7C15u + 7, cut = seed + 99, tag = 0;
    int64_t now = session.model.now_ns;
    for (int block = 0; block < 200; block++) {
        char heard[512] = "";
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
        cmocka_unit_test(test_quiet_line_keeps_the_planner_fed),
        cmocka_unit_test(test_noise_is_made_good),
        cmocka_unit_test(test_noise_never_settles_early),
        cmocka_unit_test(test_questions_are_answered_during_a_long_move),
        cmocka_unit_test(test_slow_controller_with_a_full_planner_is_not_called_silent),
        cmocka_unit_test(test_halt_through_noise),
        cmocka_unit_test(test_pieces_of_bytes_make_no_difference),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
