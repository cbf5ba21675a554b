/* SPDX-License-Identifier: GPL-3.0-or-later
 * What the live page is told: how the run stands, what is new since a viewer looked, the
 * whole run in a fixed number of columns; and the same from a recording's files. */
#include "check.h"
#include "recordings.h"

#include "base/file.h"
#include "rig/live.h"
#include "rig/live_follow.h"

#include <jansson.h>

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct page {
    struct recording_bench bench;
    struct live *live;
};

static struct live_now nothing(void)
{
    return (struct live_now){
        .plan_s = NAN,
        .left_s = NAN,
        .segment = SIZE_MAX,
        .depth_mm = NAN,
        .reading = NAN,
        .rows = UINT64_MAX,
        .malformed = UINT64_MAX,
        .lost = UINT64_MAX,
        .resends = UINT64_MAX,
        .disk_free_bytes = NAN,
    };
}

static void open_page(struct page *page)
{
    struct rig_err err;
    recording_bench_open(&page->bench, NULL, NULL);
    page->live = live_open(page->bench.plan, 10, &err);
    assert_non_null(page->live);
}

static void close_page(struct page *page)
{
    live_free(page->live);
    recording_bench_close(&page->bench);
}

static json_t *state_of(const struct page *page, struct live_seen seen, bool columns)
{
    char *text = live_state_json(page->live, &seen, columns);
    assert_non_null(text);
    json_t *state = json_loads(text, JSON_REJECT_DUPLICATES, NULL);
    assert_non_null(state);
    free(text);
    return state;
}

static json_t *in(json_t *state, const char *part, const char *key)
{
    json_t *value = json_object_get(json_object_get(state, part), key);
    if (!value)
        fail_msg("the state has no %s.%s", part, key);
    return value;
}

static void test_nothing_known_is_null(void **state)
{
    (void)state;
    struct page page;
    open_page(&page);
    json_t *told = state_of(&page, (struct live_seen){0}, true);
    static const char *const unknown[] = {"plan_s",    "left_s",     "segment",        "depth_mm",
                                          "reading",   "rows",       "lost",           "resends",
                                          "malformed", "rows_per_s", "disk_free_bytes"};
    for (size_t i = 0; i < sizeof unknown / sizeof *unknown; i++)
        assert_true(json_is_null(in(told, "now", unknown[i])));
    assert_int_equal(json_array_size(in(told, "whole", "low_high")), 0);
    json_decref(told);
    close_page(&page);
}

static void test_a_viewer_gets_what_is_new(void **state)
{
    (void)state;
    struct page page;
    open_page(&page);
    struct live_now now = nothing();
    now.depth_mm = 42.1234567;
    now.reading = 1.23456789;
    now.rows = 200;
    now.segment = 0;
    live_take(page.live, &now, 0);
    now.rows = 700;
    live_take(page.live, &now, 2500000000);
    for (int i = 0; i < 10; i++)
        live_sample(page.live, i * 0.2, i, i < 5 ? (double)NAN : i);
    live_sample(page.live, 1.81, 99, 99); /* too soon after the last for a sample of its own */
    live_event(page.live, 0.5, "mark", "steps");
    json_t *told = state_of(&page, (struct live_seen){0}, false);
    assert_near(json_real_value(in(told, "now", "depth_mm")), 42.123, 1e-9, "mm");
    assert_near(json_real_value(in(told, "now", "reading")), 1.23457, 1e-9, "volts");
    assert_near(json_real_value(in(told, "now", "rows_per_s")), 200, 1e-9, "1/s");
    assert_int_equal(json_integer_value(in(told, "now", "segment")), 1);
    assert_true(*json_string_value(in(told, "now", "kind")));
    assert_int_equal(json_array_size(in(told, "depth", "new")), 10);
    assert_int_equal(json_array_size(in(told, "reading", "new")), 5);
    assert_int_equal(json_array_size(in(told, "events", "new")), 1);
    assert_true(json_is_null(json_object_get(told, "whole")));
    const struct live_seen seen = {
        (uint64_t)json_integer_value(in(told, "depth", "count")) - 2,
        (uint64_t)json_integer_value(in(told, "reading", "count")),
        (uint64_t)json_integer_value(in(told, "events", "count")),
    };
    json_decref(told);
    told = state_of(&page, seen, false);
    assert_int_equal(json_array_size(in(told, "depth", "new")), 2);
    assert_int_equal(json_array_size(in(told, "reading", "new")), 0);
    assert_int_equal(json_array_size(in(told, "events", "new")), 0);
    json_decref(told);
    /* Numbers of another run's page: all of this one. */
    told = state_of(&page, (struct live_seen){1000, UINT64_MAX, 77}, false);
    assert_int_equal(json_array_size(in(told, "depth", "new")), 10);
    assert_int_equal(json_array_size(in(told, "events", "new")), 1);
    json_decref(told);
    close_page(&page);
}

static void test_columns_fold_and_keep_extremes(void **state)
{
    (void)state;
    struct page page;
    open_page(&page);
    /* A hundred times longer than was thought. */
    for (int i = 0; i < 100000; i++)
        live_sample(page.live, i * 0.01, i % 7, i == 41234 ? -50 : 1);
    json_t *told = state_of(&page, (struct live_seen){0}, true);
    json_t *columns = in(told, "whole", "low_high");
    double step_s = json_real_value(in(told, "whole", "step_s"));
    assert_true(json_array_size(columns) <= LIVE_COLUMNS);
    assert_true(json_array_size(columns) > LIVE_COLUMNS / 2);
    assert_near(step_s * (double)json_array_size(columns), 1000, step_s, "s");
    json_t *wild = json_array_get(columns, (size_t)(412.34 / step_s));
    assert_near(json_real_value(json_array_get(wild, 2)), -50, 0, "volts");
    assert_near(json_real_value(json_array_get(wild, 3)), 1, 0, "volts");
    json_t *usual = json_array_get(columns, 3);
    assert_near(json_real_value(json_array_get(usual, 0)), 0, 0, "mm");
    assert_near(json_real_value(json_array_get(usual, 1)), 6, 0, "mm");
    /* Times that make no sense change nothing. */
    live_sample(page.live, NAN, 500, 500);
    live_sample(page.live, -1, 500, 500);
    live_sample(page.live, 1e300, 500, 500);
    json_t *again = state_of(&page, (struct live_seen){0}, true);
    assert_true(json_equal(told, again));
    json_decref(told);
    json_decref(again);
    close_page(&page);
}

static void test_only_the_last_are_kept(void **state)
{
    (void)state;
    struct page page;
    open_page(&page);
    for (int i = 0; i < 3 * LIVE_SAMPLES + 5; i++) {
        char text[32];
        snprintf(text, sizeof text, "number %d", i);
        live_sample(page.live, i, i, i);
        live_event(page.live, i, "chatter", text);
    }
    json_t *told = state_of(&page, (struct live_seen){0}, false);
    assert_int_equal(json_array_size(in(told, "depth", "new")), LIVE_SAMPLES);
    assert_int_equal(json_array_size(in(told, "events", "new")), LIVE_EVENTS);
    json_t *last = json_array_get(in(told, "events", "new"), LIVE_EVENTS - 1);
    char expected[32];
    snprintf(expected, sizeof expected, "number %d", 3 * LIVE_SAMPLES + 4);
    assert_string_equal(json_string_value(json_object_get(last, "text")), expected);
    json_decref(told);
    close_page(&page);
}

static void test_bytes_off_a_wire_stay_words(void **state)
{
    (void)state;
    struct page page;
    open_page(&page);
    struct live_now now = nothing();
    snprintf(now.why, sizeof now.why, "the port said \xff\x01 and </script>");
    live_take(page.live, &now, 0);
    live_event(page.live, 0, "chatter", "\xc3");
    json_t *told = state_of(&page, (struct live_seen){0}, false);
    assert_string_equal(json_string_value(in(told, "now", "why")),
                        "the port said ?? and </script>");
    json_decref(told);
    close_page(&page);
}

/* A recording is written piece by piece; what is followed must be what is there. */
static void test_following_a_recording(void **state)
{
    (void)state;
    struct page page;
    struct rig_err err;
    open_page(&page);
    struct live_follow *follow = live_follow_open(page.bench.folder, &page.bench.rig, true, &err);
    assert_non_null(follow);
    struct live_now now = nothing();
    assert_false(live_follow_poll(follow, page.live, &now)); /* not there yet */
    struct recording_writer *writer = recording_bench_create(&page.bench);
    assert_int_equal(recording_event(writer, 0.1, "phase", "homing", &err), RIG_OK);
    for (int i = 0; i < 5000; i++) {
        const double values[] = {1 + i * 1e-3, 1500};
        assert_int_equal(recording_row(writer, 0, 1 + i * 0.01, i, values, &err), RIG_OK);
        if (i % 100 == 0)
            assert_int_equal(
                recording_motion(writer, 1 + i * 0.01, 0, i * 0.02, NAN, 0.001, 1, &err), RIG_OK);
    }
    assert_int_equal(recording_sync(writer, &err), RIG_OK);
    assert_true(live_follow_poll(follow, page.live, &now));
    assert_int_equal(now.rows, 5000);
    assert_near(now.t_s, 50.99, 1e-6, "s");
    assert_near(now.reading, 5.999, 1e-9, "volts");
    assert_near(now.depth_mm, 98, 1e-9, "mm");
    assert_int_equal(now.segment, 1);
    assert_string_equal(now.phase, "homing");
    assert_false(live_follow_poll(follow, page.live, &now));
    assert_int_equal(recording_event(writer, 51, "mark", "a \"quoted\", line\nand one more", &err),
                     RIG_OK);
    const double more[] = {7.5, 1500};
    assert_int_equal(recording_row(writer, 0, 51, 5000, more, &err), RIG_OK);
    assert_int_equal(recording_close(writer, RUN_COMPLETE, "the end", &err), RIG_OK);
    assert_true(live_follow_poll(follow, page.live, &now));
    assert_int_equal(now.rows, 5001);
    assert_near(now.reading, 7.5, 1e-9, "volts");
    json_t *told = state_of(&page, (struct live_seen){0}, true);
    json_t *events = in(told, "events", "new");
    assert_int_equal(json_array_size(events), 2);
    assert_contains(json_string_value(json_object_get(json_array_get(events, 1), "text")),
                    "a \"quoted\", line");
    assert_int_equal(json_array_size(in(told, "reading", "new")), 501);
    json_decref(told);
    live_follow_close(follow);
    close_page(&page);
}

/* What isn't a recording any more (cut, changed, not ours) is passed over. */
static void test_following_rubbish(void **state)
{
    (void)state;
    static const char *const rubbish[] = {
        "",
        "\r\n\r\n",
        "t_s,device_s,level",
        "t_s,device_s,command\r\n1,2,3\r\n",
        "t_s,device_s,level\r\n1,2\r\n,,\r\nx,y,z\r\n1,2,3,4\r\n\r\n",
        "t_s,device_s,level\r\n\"1\r\n2\r\n",
    };
    for (size_t i = 0; i < sizeof rubbish / sizeof *rubbish; i++) {
        struct page page;
        struct rig_err err;
        open_page(&page);
        assert_int_equal(
            recording_close(recording_bench_create(&page.bench), RUN_COMPLETE, "", &err), RIG_OK);
        recording_bench_put(&page.bench, "board.csv", rubbish[i], strlen(rubbish[i]));
        recording_bench_put(&page.bench, "motion.csv", rubbish[i], strlen(rubbish[i]));
        recording_bench_put(&page.bench, "events.csv", rubbish[i], strlen(rubbish[i]));
        struct live_follow *follow =
            live_follow_open(page.bench.folder, &page.bench.rig, true, &err);
        assert_non_null(follow);
        struct live_now now = nothing();
        for (int polls = 0; polls < 3; polls++)
            live_follow_poll(follow, page.live, &now);
        assert_true(isnan(now.reading));
        assert_int_equal(now.rows, 0);
        live_follow_close(follow);
        close_page(&page);
    }
}

/* A line longer than all room for it ends nothing. */
static void test_following_an_endless_line(void **state)
{
    (void)state;
    struct page page;
    struct rig_err err;
    open_page(&page);
    assert_int_equal(recording_close(recording_bench_create(&page.bench), RUN_COMPLETE, "", &err),
                     RIG_OK);
    size_t size = 300000;
    char *bytes = malloc(size + 1);
    assert_non_null(bytes);
    static const char head[] = "t_s,device_s,level,command\r\n", tail[] = "\r\n5,6,7.25,8\r\n";
    memset(bytes, '9', size);
    memcpy(bytes, head, sizeof head - 1);
    memcpy(bytes + size - (sizeof tail - 1), tail, sizeof tail - 1);
    recording_bench_put(&page.bench, "board.csv", bytes, size);
    struct live_follow *follow = live_follow_open(page.bench.folder, &page.bench.rig, true, &err);
    assert_non_null(follow);
    struct live_now now = nothing();
    live_follow_poll(follow, page.live, &now);
    assert_near(now.reading, 7.25, 0, "volts");
    live_follow_close(follow);
    free(bytes);
    close_page(&page);
}

static void test_plan_of_the_page(void **state)
{
    (void)state;
    struct page page;
    struct rig_err err;
    open_page(&page);
    const struct live_about about = {
        .facts = &page.bench.facts,
        .rig = &page.bench.rig,
        .plan = page.bench.plan,
        .folder = "/some/where/dip.recording",
        .can_stop = true,
        .bytes_planned = 5000,
    };
    char *text = live_plan_json(&about, &err);
    assert_non_null(text);
    json_t *plan = json_loads(text, JSON_REJECT_DUPLICATES, NULL);
    assert_non_null(plan);
    assert_int_equal(json_array_size(json_object_get(plan, "outline")), LIVE_COLUMNS);
    assert_string_equal(json_string_value(json_object_get(plan, "recording")), "dip.recording");
    assert_string_equal(json_string_value(json_object_get(plan, "reading_name")), "level");
    assert_true(json_is_true(json_object_get(plan, "can_stop")));
    double deepest = json_real_value(json_object_get(plan, "deepest_mm")), seen = 0;
    for (size_t i = 0; i < LIVE_COLUMNS; i++) {
        json_t *pair = json_array_get(json_object_get(plan, "outline"), i);
        seen = fmax(seen, json_real_value(json_array_get(pair, 1)));
    }
    assert_near(seen, deepest, 0.01, "mm");
    json_decref(plan);
    free(text);
    close_page(&page);
}

static void check_told(const char *page, json_t *object, const char *where)
{
    const char *key;
    json_t *value;
    json_object_foreach(object, key, value)
    {
        char quoted[64];
        snprintf(quoted, sizeof quoted, "`%s`", key);
        if (!strstr(page, quoted))
            fail_msg("docs/live.md doesn't tell of %s in %s", quoted, where);
    }
}

static void test_every_key_is_in_the_documentation(void **state)
{
    (void)state;
    struct page page;
    struct rig_err err;
    char path[512], *text;
    size_t size;
    snprintf(path, sizeof path, "%s/docs/live.md", getenv("WETSWEEP_SOURCE"));
    assert_int_equal(file_read(path, 1 << 20, &text, &size, &err), RIG_OK);
    open_page(&page);
    const struct live_about about = {
        .facts = &page.bench.facts,
        .rig = &page.bench.rig,
        .plan = page.bench.plan,
        .folder = "dip.recording",
    };
    char *plan_text = live_plan_json(&about, &err);
    assert_non_null(plan_text);
    json_t *plan = json_loads(plan_text, 0, NULL),
           *told = state_of(&page, (struct live_seen){0}, true);
    check_told(text, plan, "/plan");
    check_told(text, told, "/state");
    check_told(text, json_object_get(told, "now"), "now");
    check_told(text, json_object_get(told, "whole"), "whole");
    json_decref(plan);
    json_decref(told);
    free(plan_text);
    free(text);
    close_page(&page);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_nothing_known_is_null),
        cmocka_unit_test(test_a_viewer_gets_what_is_new),
        cmocka_unit_test(test_columns_fold_and_keep_extremes),
        cmocka_unit_test(test_only_the_last_are_kept),
        cmocka_unit_test(test_bytes_off_a_wire_stay_words),
        cmocka_unit_test(test_following_a_recording),
        cmocka_unit_test(test_following_rubbish),
        cmocka_unit_test(test_following_an_endless_line),
        cmocka_unit_test(test_plan_of_the_page),
        cmocka_unit_test(test_every_key_is_in_the_documentation),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
