/* SPDX-License-Identifier: GPL-3.0-or-later
 * Written and read again: rows, events, facts, traces, states. */
#include "check.h"
#include "recordings.h"

#include "base/file.h"

#include <jansson.h>

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static struct recording_bench bench;

static int open_bench(void **state)
{
    (void)state;
    recording_bench_open(&bench, NULL, NULL);
    return 0;
}

static int close_bench(void **state)
{
    (void)state;
    recording_bench_close(&bench);
    return 0;
}

/* Twelve rows of the board, three of the thermometer, two strokes, some events. */
static void write_some(struct recording_writer *writer)
{
    struct rig_err err = {0};
    for (int i = 0; i < 12; i++) {
        const double values[] = {i == 5 ? (double)NAN : 0.25 * i, 1500 + i};
        assert_int_equal(recording_row(writer, 0, 0.001 * i, 100 + 0.001 * i, values, &err), 0);
    }
    for (int i = 0; i < 3; i++) {
        const double water = 19.5 + i;
        assert_int_equal(recording_row(writer, 1, i, NAN, &water, &err), 0);
    }
    assert_int_equal(recording_motion(writer, 0.5, 0, 10, 9.99, 0.002, 1, &err), 0);
    assert_int_equal(recording_motion(writer, 0.6, 0, 11, NAN, 0.002, 1, &err), 0);
    assert_int_equal(recording_stroke(writer, 0, 0, 0.1, 0.2, 2.75, &err), 0);
    assert_int_equal(recording_stroke(writer, 1, 3, 3.1, 3.2, NAN, &err), 0);
    assert_int_equal(recording_event(writer, 0.25, "chatter", "T:21.0, \"ok\"", &err), 0);
    assert_int_equal(recording_event(writer, 0.5, "malformed", "a\r\n\\b\xff", &err), 0);
    assert_int_equal(recording_event(writer, 0.75, "empty", "", &err), 0);
}

static void rows_come_back(void **state)
{
    (void)state;
    struct rig_err err = {0};
    struct recording_writer *writer = recording_bench_create(&bench);
    write_some(writer);
    assert_int_equal(recording_sync(writer, &err), 0);
    uint64_t size = recording_size(writer);
    assert_int_equal(recording_close(writer, RUN_COMPLETE, "the profile is over", &err), 0);

    size_t board, thermo, motion, strokes, events;
    char *text = recording_bench_read(&bench, "board.csv", &board);
    assert_contains(text, "t_s,device_s,level,command\r\n0.000000,100.000000,0,1500\r\n"
                          "0.001000,100.001000,0.25,1501\r\n");
    assert_contains(text, "0.005000,100.005000,,1505\r\n");
    free(text);
    text = recording_bench_read(&bench, "thermo.csv", &thermo);
    assert_string_equal(text, "t_s,water\r\n0.000000,19.5\r\n1.000000,20.5\r\n2.000000,21.5\r\n");
    free(text);
    text = recording_bench_read(&bench, "motion.csv", &motion);
    assert_string_equal(text, "t_s,stroke,depth_mm,reported_mm,bracket_s,segment\r\n"
                              "0.500000,0,10,9.99,0.002000,1\r\n0.600000,0,11,,0.002000,1\r\n");
    free(text);
    text = recording_bench_read(&bench, "strokes.csv", &strokes);
    assert_contains(text, "0,0.000000,0.100000,0.200000,2.750000\r\n"
                          "1,3.000000,3.100000,3.200000,\r\n");
    free(text);
    text = recording_bench_read(&bench, "events.csv", &events);
    assert_contains(text, "0.250000,chatter,\"T:21.0, \"\"ok\"\"\"\r\n"
                          "0.500000,malformed,\"a\\x0D\\x0A\\x5Cb\\xFF\"\r\n"
                          "0.750000,empty,\"\"\r\n");
    free(text);
    assert_int_equal(size, board + thermo + motion + strokes + events);

    struct recording *recording = recording_bench_reopen(&bench);
    assert_int_equal(recording_state(recording), RUN_COMPLETE);
    assert_string_equal(recording_state_reason(recording), "the profile is over");
    assert_string_equal(recording_folder(recording), bench.folder);
    const struct run_facts *facts = recording_facts(recording);
    assert_string_equal(facts->board, "WS-B-0007");
    assert_string_equal(facts->rig_text, bench.facts.rig_text);
    assert_string_equal(facts->profile_text, bench.facts.profile_text);
    assert_string_equal(facts->started, "2026-04-17T08:00:00Z");
    assert_near(facts->water_degc, 19.5, 0, "degC");
    assert_int_equal(recording_rig(recording)->source_count, 2);
    assert_int_equal(plan_fingerprint(recording_plan(recording)), plan_fingerprint(bench.plan));

    struct kept_rows rows = {0};
    struct scan_report report = {0};
    assert_int_equal(recording_scan(recording, 0, keep_rows, &rows, &report, &err), 0);
    assert_int_equal(rows.rows, 12);
    assert_int_equal(rows.columns, 4);
    assert_near(rows.cells[4 * 7 + 1], 100.007, 1e-12, "s");
    assert_near(rows.cells[4 * 7 + 2], 1.75, 0, "V");
    assert_true(isnan(rows.cells[4 * 5 + 2]));
    assert_int_equal(report.rows, 12);
    assert_int_equal(report.lines, 13);
    assert_int_equal(report.malformed + report.cut_last_line + report.backward_times +
                         report.unknown_columns,
                     0);
    free(rows.cells);

    struct motion_row *moves;
    struct stroke_row *stroke;
    struct event_row *event;
    size_t count;
    assert_int_equal(recording_motion_rows(recording, &moves, &count, &report, &err), 0);
    assert_int_equal(count, 2);
    assert_near(moves[0].reported_mm, 9.99, 0, "mm");
    assert_true(isnan(moves[1].reported_mm));
    assert_int_equal(moves[1].segment, 1);
    free(moves);
    assert_int_equal(recording_stroke_rows(recording, &stroke, &count, &report, &err), 0);
    assert_int_equal(count, 2);
    assert_near(stroke[0].ended_s, 2.75, 0, "s");
    assert_true(isnan(stroke[1].ended_s));
    free(stroke);
    assert_int_equal(recording_event_rows(recording, &event, &count, &report, &err), 0);
    assert_int_equal(count, 3);
    assert_string_equal(event[0].text, "T:21.0, \"ok\"");
    assert_string_equal(event[1].kind, "malformed");
    assert_string_equal(event[1].text, "a\\x0D\\x0A\\x5Cb\\xFF");
    assert_string_equal(event[2].text, "");
    recording_event_rows_free(event, count);
    assert_int_equal(report.malformed, 0);
    recording_free(recording);
}

static json_t *document_of(void)
{
    size_t size;
    char *json = recording_bench_read(&bench, "run.json", &size);
    json_t *root = json_loadb(json, size, 0, NULL);
    free(json);
    assert_non_null(root);
    return root;
}

static void state_and_hashes(void **state)
{
    (void)state;
    struct rig_err err = {0};
    struct recording_writer *writer = recording_bench_create(&bench);
    write_some(writer);
    json_t *root = document_of();
    assert_string_equal(json_string_value(json_object_get(root, "state")), "running");
    assert_int_equal(json_object_size(json_object_get(root, "sha256")), 0);
    json_decref(root);
    assert_int_equal(recording_close(writer, RUN_STOPPED, "stopped by Ctrl-C", &err), 0);
    root = document_of();
    assert_string_equal(json_string_value(json_object_get(root, "state")), "stopped");
    const char *name;
    json_t *value;
    size_t count = 0;
    json_object_foreach(json_object_get(root, "sha256"), name, value)
    {
        char hex[65], *path = file_join(bench.folder, name);
        assert_int_equal(file_sha256(path, hex, &err), 0);
        assert_string_equal(json_string_value(value), hex);
        free(path);
        count++;
    }
    assert_int_equal(count, 6); /* five tables and the metadata */
    json_decref(root);
}

static void no_folder_stays_behind(void **state)
{
    (void)state;
    struct rig_err err = {0};
    struct run_facts facts = bench.facts;
    assert_int_equal(mkdir(bench.folder, 0777), 0);
    assert_null(recording_create(bench.folder, &facts, &bench.rig, bench.plan, NULL, &err));
    assert_int_equal(err.code, RIG_EINPUT);
    assert_contains(err.text, "is there already");
    assert_int_equal(rmdir(bench.folder), 0); /* not touched, still empty */

    facts.note = "\xff\xfe";
    assert_null(recording_create(bench.folder, &facts, &bench.rig, bench.plan, NULL, &err));
    assert_int_equal(err.code, RIG_EINPUT);
    assert_contains(err.text, "'note'");
    assert_int_equal(access(bench.folder, F_OK), -1);

    assert_null(recording_create("/tmp/not/there/at/all", &bench.facts, &bench.rig, bench.plan,
                                 NULL, &err));
    assert_contains(err.text, "/tmp/not/there/at/all");
}

static void rows_without_sense_are_refused(void **state)
{
    (void)state;
    struct rig_err err = {0};
    struct recording_writer *writer = recording_bench_create(&bench);
    const double values[] = {1, 2};
    uint64_t size = recording_size(writer);
    assert_int_equal(recording_row(writer, 2, 1, 1, values, &err), RIG_EBUG);
    assert_int_equal(recording_row(writer, 0, NAN, 1, values, &err), RIG_EBUG);
    assert_int_equal(recording_motion(writer, INFINITY, 0, 1, 1, 1, 1, &err), RIG_EBUG);
    assert_int_equal(recording_event(writer, 1, "two words", "", &err), RIG_EBUG);
    assert_int_equal(recording_event(writer, 1, "", "", &err), RIG_EBUG);
    assert_int_equal(recording_event(writer, 1, "a_word_of_twenty_four_by", "", &err), RIG_EBUG);
    assert_int_equal(recording_size(writer), size);
    assert_int_equal(recording_close(writer, RUN_COMPLETE, "", &err), 0);
}

/* ---- bad recordings ---- */

static void patch(const char *from, const char *to)
{
    size_t size;
    char *json = recording_bench_read(&bench, "run.json", &size);
    char *at = strstr(json, from);
    assert_non_null(at);
    size_t tail = strlen(at + strlen(from)), head = (size_t)(at - json);
    char *changed = malloc(head + strlen(to) + tail + 1);
    assert_non_null(changed);
    sprintf(changed, "%.*s%s%s", (int)head, json, to, at + strlen(from));
    recording_bench_put(&bench, "run.json", changed, strlen(changed));
    free(changed);
    free(json);
}

static void refused(const char *says)
{
    struct rig_err err = {0};
    struct recording *recording = recording_open(bench.folder, &err);
    assert_null(recording);
    assert_true(err.code == RIG_EINPUT || err.code == RIG_ELIMIT);
    assert_contains(err.text, says);
    assert_contains(err.text, bench.folder);
}

static void what_is_no_recording_says_why(void **state)
{
    (void)state;
    struct rig_err err = {0};
    refused("a recording is a folder with a run.json");
    assert_int_equal(recording_close(recording_bench_create(&bench), RUN_COMPLETE, "", &err), 0);
    size_t size;
    char *good = recording_bench_read(&bench, "run.json", &size);

    recording_bench_put(&bench, "run.json", good, size / 2);
    refused("run.json:");
    recording_bench_put(&bench, "run.json", "", 0);
    refused("run.json:1:0:");
    recording_bench_put(&bench, "run.json", "[]", 2);
    refused("its 'format' must be 'wetsweep recording'");
    static const struct {
        const char *from, *to, *says;
    } cases[] = {
        {"\"complete\"", "\"finished\"", "the state 'finished' isn't one of running"},
        {"\"state\": \"complete\"", "\"state\": 7", "'state' must be text"},
        {"\"board\": \"WS-B-0007\"", "\"board\": []", "'board' must be text"},
        {"\"water_degc\": 19.5", "\"water_degc\": \"cold\"", "'water_degc' must be a number"},
        {"\"traces\": []", "\"traces\": {}", "'traces' must be a list"},
        {"\"traces\": []", "\"traces\": [1]", "'traces' must be a list of objects"},
        {"\"rig\": \"axis", "\"rig\": \"axle", "harbour.rig:1:1:"},
        {"ramp to 60 mm", "ramp to 600 mm", "up-down.profile:3:9:"},
        {"ramp to 60 mm", "ramp to 61 mm", "plans the profile otherwise than version '0.1.0'"},
        {"\"fingerprint\": \"", "\"fingerprint\": \"x", "16 hexadecimal digits"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        recording_bench_put(&bench, "run.json", good, size);
        patch(cases[i].from, cases[i].to);
        refused(cases[i].says);
    }
    recording_bench_put(&bench, "run.json", good, size);
    recording_free(recording_bench_reopen(&bench));
    free(good);
}

/* ---- traces ---- */

static const char TRACE_A[] = "t_s,depth_mm\n0,40\n1,45\n2,40\n3,42\n";
static const char TRACE_B[] = "t_s,depth_mm\n0,50\n1,48\n2,50\n";

static int load(void *context, const char *path, char **bytes, size_t *size, struct rig_err *err)
{
    int *loads = context;
    const char *text = strcmp(path, "chop/a.csv") == 0 ? TRACE_A : TRACE_B;
    if (strcmp(path, "chop/a.csv") != 0 && strcmp(path, "b.csv") != 0)
        return rig_fail(err, RIG_EINPUT, "%s: is no trace", path);
    ++*loads;
    *bytes = strdup(text);
    *size = strlen(text);
    return *bytes ? 0 : rig_fail_memory(err, "a trace");
}

static void traces_travel_with_the_recording(void **state)
{
    (void)state;
    static const char profile[] = "start at 40 mm\nhold 1 s\nrepeat 2\nfollow \"chop/a.csv\"\n"
                                  "repeat 2\nfollow \"b.csv\"\nend\nend\nfollow \"chop/a.csv\"\n";
    int loads = 0;
    struct rig_err err = {0};
    const struct plan_files files = {.load = load, .context = &loads};
    recording_bench_close(&bench);
    recording_bench_open(&bench, profile, &files);
    loads = 0;
    struct recording_writer *writer =
        recording_create(bench.folder, &bench.facts, &bench.rig, bench.plan, &files, &err);
    assert_non_null(writer);
    assert_int_equal(loads, 2);
    assert_int_equal(recording_close(writer, RUN_COMPLETE, "", &err), 0);
    char *copy = recording_bench_read(&bench, "traces/0.csv", NULL);
    assert_string_equal(copy, TRACE_A);
    free(copy);
    json_t *root = document_of();
    assert_int_equal(json_object_size(json_object_get(root, "sha256")), 8);
    json_decref(root);
    struct recording *recording = recording_bench_reopen(&bench);
    assert_int_equal(plan_fingerprint(recording_plan(recording)), plan_fingerprint(bench.plan));
    recording_free(recording);

    /* Another trace is another motion; and a name in run.json leads nowhere else. */
    recording_bench_put(&bench, "traces/1.csv", TRACE_A, sizeof TRACE_A - 1);
    refused("plans the profile otherwise");
    recording_bench_put(&bench, "traces/1.csv", TRACE_B, sizeof TRACE_B - 1);
    patch("\"path\": \"b.csv\"", "\"path\": \"c.csv\"");
    refused("lists no copy of the trace 'b.csv'");

    char command[160];
    snprintf(command, sizeof command, "rm -r '%s'", bench.folder);
    assert_int_equal(system(command), 0);
    assert_null(recording_create(bench.folder, &bench.facts, &bench.rig, bench.plan, NULL, &err));
    assert_int_equal(err.code, RIG_EBUG);
    assert_int_equal(access(bench.folder, F_OK), -1);
}

int main(void)
{
#define WITH_BENCH(test) cmocka_unit_test_setup_teardown(test, open_bench, close_bench)
    const struct CMUnitTest tests[] = {
        WITH_BENCH(rows_come_back),
        WITH_BENCH(state_and_hashes),
        WITH_BENCH(no_folder_stays_behind),
        WITH_BENCH(rows_without_sense_are_refused),
        WITH_BENCH(what_is_no_recording_says_why),
        WITH_BENCH(traces_travel_with_the_recording),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
