/* SPDX-License-Identifier: GPL-3.0-or-later
 * wetsweep plan as people call it: the page, the JSON, the picture, and mistakes. */
#include "check.h"

#include <jansson.h>

#include <math.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

static char folder[64];

static const char *shipped(const char *name)
{
    static char paths[4][1024];
    static int next;
    const char *source = getenv("WETSWEEP_SOURCE");
    assert_non_null(source);
    char *path = paths[next++ % 4];
    snprintf(path, sizeof paths[0], "%s/profiles/%s", source, name);
    return path;
}

static const char *written(const char *name, const char *text)
{
    static char paths[8][256];
    static int next;
    char *path = paths[next++ % 8];
    snprintf(path, sizeof paths[0], "%s/%s", folder, name);
    FILE *file = fopen(path, "wb");
    assert_non_null(file);
    assert_int_equal(fwrite(text, 1, strlen(text), file), strlen(text));
    assert_int_equal(fclose(file), 0);
    return path;
}

static int plan(const char *profile, const char *options, char **output, char **errors)
{
    char arguments[3000];
    snprintf(arguments, sizeof arguments, "plan '%s' --rig '%s' %s", profile, shipped("bench.rig"),
             options);
    return run_program(arguments, output, errors);
}

static json_t *planned_json(const char *profile, const char *options)
{
    char *output, *errors, all[200];
    snprintf(all, sizeof all, "--json %s", options);
    int status = plan(profile, all, &output, &errors);
    if (status)
        print_error("%s\n", errors);
    assert_int_equal(status, 0);
    json_error_t why;
    json_t *json = json_loads(output, JSON_REJECT_DUPLICATES, &why);
    if (!json)
        print_error("%s\n", why.text);
    assert_non_null(json);
    free(output);
    free(errors);
    return json;
}

static double number(const json_t *object, const char *key)
{
    const json_t *value = json_object_get(object, key);
    if (!json_is_number(value))
        print_error("no number '%s'\n", key);
    assert_true(json_is_number(value));
    return json_number_value(value);
}

static const json_t *ability(const json_t *json, const char *result)
{
    size_t i;
    json_t *one;
    json_array_foreach(json_object_get(json, "abilities"), i,
                       one) if (strcmp(json_string_value(json_object_get(one, "result")), result) ==
                                0) return one;
    print_error("no ability '%s'\n", result);
    fail();
    return NULL;
}

static bool able(const json_t *json, const char *result)
{
    return json_is_true(json_object_get(ability(json, result), "possible"));
}

static const char *reason(const json_t *json, const char *result)
{
    return json_string_value(json_object_get(ability(json, result), "reason"));
}

static void page_says_what_matters(void **state)
{
    (void)state;
    char *output, *errors;
    assert_int_equal(plan(shipped("first-dip.profile"), "", &output, &errors), 0);
    assert_string_equal(errors, "");
    assert_contains(output, "First dip");
    assert_contains(output, "stair hold rising");
    assert_contains(output, "source board: about");
    assert_contains(output, "Shrunk to what the axis can do");
    assert_contains(output, "yes  hysteresis_at_rest");
    assert_contains(output, "no   zero_drift");
    free(output);
    free(errors);
    assert_int_equal(plan(shipped("first-dip.profile"), "--segments", &output, &errors), 0);
    assert_contains(output, "takes s");
    free(output);
    free(errors);
    /* A night fits on a page. */
    assert_int_equal(plan(shipped("night.profile"), "", &output, &errors), 0);
    size_t lines = 0;
    for (const char *c = output; *c; c++)
        lines += *c == '\n';
    assert_in_range(lines, 20, 60);
    free(output);
    free(errors);
}

static void shipped_profiles_take_what_they_say(void **state)
{
    (void)state;
    static const struct {
        const char *name;
        double about_s;
    } profiles[] = {
        {"first-dip.profile", 4.5 * 60}, {"cling.profile", 28 * 60}, {"night.profile", 9 * 3600}};
    for (size_t i = 0; i < sizeof profiles / sizeof *profiles; i++) {
        json_t *json = planned_json(shipped(profiles[i].name), "");
        assert_near(number(json, "duration_s"), profiles[i].about_s, 0.03 * profiles[i].about_s,
                    "s");
        assert_true(able(json, "calibration_curve") && able(json, "hysteresis_at_rest") &&
                    able(json, "lag_falling") && able(json, "step_response_falling"));
        json_decref(json);
    }
}

static void json_holds_the_plan(void **state)
{
    (void)state;
    json_t *json =
        planned_json(written("p.profile", "title \"Öl & <x>\"\nstart at 10 mm\n"
                                          "hold 5 s\nmark \"go\"\n"
                                          "repeat 3\nramp to 60 mm at 20 mm/s\nhold 1 s\n"
                                          "ramp to 10 mm at 20 mm/s\nhold 1 s\nend\n"),
                     "--segments");
    assert_string_equal(json_string_value(json_object_get(json, "title")), "Öl & <x>");
    double duration = number(json, "duration_s");
    /* approach 30 mm and park 30 mm at 60 mm/s, 5 s, 6 ramps of 50 mm, 6 s; 0.6 cm2 in
     * 900 cm2 make the stage's way in water 0.07 % shorter. */
    assert_near(duration, 2 * (0.5 + 60. / 900) + 5 + 6 * (2.5 + 20. / 900) + 6, 1e-3, "s");
    assert_near(number(json, "line_count"), 8, 0, "lines");
    const json_t *source = json_array_get(json_object_get(json, "sources"), 0);
    assert_near(number(source, "rows"), floor(100 * duration), 0, "rows");
    assert_true(number(source, "bytes") > 20 * number(source, "rows"));
    assert_true(number(json, "recording_bytes") > number(source, "bytes"));
    assert_near(number(json_object_get(json, "limits"), "speed_mm_s"), 60, 0, "mm/s");
    const json_t *segments = json_object_get(json, "segments");
    assert_int_equal(json_array_size(segments), (size_t)number(json, "segment_count"));
    double end_s = 0;
    size_t i;
    json_t *one;
    json_array_foreach(segments, i, one)
    {
        assert_near(number(one, "start_s"), end_s, 1e-9, "s");
        end_s = number(one, "start_s") + number(one, "duration_s");
    }
    assert_near(end_s, duration, 1e-9, "s");
    double instances = 0;
    json_array_foreach(json_object_get(json, "families"), i, one) instances +=
        number(one, "instances");
    assert_near(instances, number(json, "segment_count"), 0, "segments");
    const json_t *mark = json_array_get(json_object_get(json, "marks"), 0);
    assert_string_equal(json_string_value(json_object_get(mark, "text")), "go");
    json_decref(json);
}

static char *whole_file(const char *path)
{
    FILE *file = fopen(path, "rb");
    assert_non_null(file);
    char *bytes = calloc(1, 1 << 20);
    assert_non_null(bytes);
    size_t size = fread(bytes, 1, (1 << 20) - 1, file);
    assert_in_range(size, 1000, (1 << 20) - 2);
    fclose(file);
    return bytes;
}

static void check_keys(const json_t *value, const char *page)
{
    const char *key;
    json_t *inner;
    size_t i;
    if (json_is_array(value)) {
        json_array_foreach(value, i, inner) check_keys(inner, page);
        return;
    }
    json_object_foreach((json_t *)(uintptr_t)value, key, inner)
    {
        char quoted[80];
        snprintf(quoted, sizeof quoted, "`%s`", key);
        if (!strstr(page, quoted))
            print_error("docs/formats_text.md lacks the key '%s'\n", key);
        assert_non_null(strstr(page, quoted));
        check_keys(inner, page);
    }
}

static void every_key_is_described(void **state)
{
    (void)state;
    char path[1024];
    snprintf(path, sizeof path, "%s/docs/formats_text.md", getenv("WETSWEEP_SOURCE"));
    char *page = whole_file(path), *json_part = strstr(page, "## JSON of `wetsweep plan");
    assert_non_null(json_part);
    json_t *json = planned_json(shipped("first-dip.profile"), "--segments");
    check_keys(json, json_part);
    json_decref(json);
    free(page);
}

static void says_what_a_profile_cant_give(void **state)
{
    (void)state;
    json_t *json = planned_json(written("a.profile", "start at 10 mm\nrepeat 3\n"
                                                     "ramp to 60 mm at 20 mm/s\nhold 1 s\n"
                                                     "ramp to 10 mm at 20 mm/s\nhold 1 s\nend\n"),
                                "");
    assert_true(able(json, "calibration_curve"));
    assert_contains(reason(json, "calibration_curve"), "no stairs");
    assert_false(able(json, "hysteresis_at_rest"));
    assert_contains(reason(json, "hysteresis_at_rest"), "only one speed");
    assert_false(able(json, "lag_rising"));
    assert_false(able(json, "step_response_rising"));
    assert_false(able(json, "frequency_response"));
    assert_contains(reason(json, "frequency_response"), "needs sines");
    assert_true(able(json, "repeatability"));
    assert_contains(reason(json, "zero_drift"), "evaporation");
    json_decref(json);

    json = planned_json(written("b.profile", "start at 10 mm\nstep to 60 mm\nhold 2 s\n"
                                             "step to 10 mm\nhold 0.2 s\n"
                                             "sine about 50 mm amplitude 2 mm at 0.5 Hz, 4 cycles\n"
                                             "step to -5 mm\nhold 5 s\n"),
                        "");
    assert_false(able(json, "calibration_curve"));
    assert_true(able(json, "step_response_rising"));
    assert_contains(reason(json, "step_response_rising"), "a single rising step");
    assert_false(able(json, "step_response_falling"));
    assert_contains(reason(json, "step_response_falling"), "shorter than");
    assert_true(able(json, "frequency_response"));
    assert_contains(reason(json, "frequency_response"), "one frequency");
    assert_false(able(json, "repeatability"));
    assert_contains(reason(json, "zero_drift"), "only one lift");
    json_decref(json);

    /* A slow source: what lies above half its rate can't be seen. And no sensor: nothing. */
    const char *rig_top = "axis\nport a\ntravel 0 mm to 220 mm\nspeed up to 60 mm/s\n"
                          "acceleration up to 900 mm/s2\nresolution 400 steps/mm\npark at -20 mm\n"
                          "end\nwater\ndatum at stage 31.4 mm\nend\n";
    char text[1000], arguments[1000];
    snprintf(text, sizeof text,
             "%ssource slow\nport b\nrate 2 Hz\n"
             "channel level column 1 in volts role sensor\nend\n",
             rig_top);
    const char *slow = written("slow.rig", text), *bare = written("bare.rig", rig_top);
    const char *sines =
        written("s.profile", "sine about 50 mm amplitude 1 mm from 0.5 Hz to 2 Hz in "
                             "3 frequencies, 4 cycles each\n");
    char *output;
    snprintf(arguments, sizeof arguments, "plan %s --rig %s", sines, slow);
    assert_int_equal(run_program(arguments, &output, NULL), 0);
    assert_contains(output, "1 above half the source's rate (2 Hz)");
    free(output);
    snprintf(arguments, sizeof arguments, "plan %s --rig %s", sines, bare);
    assert_int_equal(run_program(arguments, &output, NULL), 0);
    assert_contains(output, "no   frequency_response      the rig has no channel with the role");
    free(output);
}

static void traces_are_found_beside_the_profile(void **state)
{
    (void)state;
    written("calm.csv", "t_s,depth_mm\n0,20\n1,30\n2,28\n4,20\n");
    json_t *json = planned_json(written("f.profile", "start at 10 mm\nfollow \"calm.csv\"\n"), "");
    size_t i, found = 0;
    json_t *one;
    json_array_foreach(json_object_get(json, "families"), i,
                       one) if (strcmp(json_string_value(json_object_get(one, "kind")), "follow") ==
                                0)
    {
        found++;
        assert_near(number(one, "duration_s"), 4, 2e-3, "s");
    }
    assert_int_equal(found, 1);
    json_decref(json);
    char *errors, *output;
    assert_int_equal(plan(written("g.profile", "follow \"none.csv\"\n"), "", &output, &errors), 2);
    assert_contains(errors, "g.profile:1:8:");
    assert_contains(errors, "none.csv");
    free(errors);
    free(output);
}

static void picture_is_svg_and_small(void **state)
{
    (void)state;
    static const char *const names[] = {"first-dip.profile", "night.profile"};
    for (int i = 0; i < 2; i++) {
        char option[200], path[100], *output, *errors;
        snprintf(path, sizeof path, "%s/p%d.svg", folder, i);
        snprintf(option, sizeof option, "--picture %s", path);
        assert_int_equal(plan(shipped(names[i]), option, &output, &errors), 0);
        free(output);
        free(errors);
        char *svg = whole_file(path);
        assert_memory_equal(svg, "<svg ", 5);
        assert_contains(svg, "</svg>\n");
        assert_contains(svg, "depth, mm");
        assert_contains(svg, i ? "The first 20 minutes" : "steps");
        assert_null(strstr(svg, "nan"));
        assert_true(strlen(svg) < 200000);
        free(svg);
    }
    /* A title can't break out of it. */
    char option[200], path[100], *output, *errors;
    snprintf(path, sizeof path, "%s/t.svg", folder);
    snprintf(option, sizeof option, "--picture %s", path);
    assert_int_equal(plan(written("t.profile", "title \"a<b>&\"\nstart at 5 mm\nmark \"</svg>\"\n"),
                          option, &output, &errors),
                     0);
    free(output);
    free(errors);
    char *svg = whole_file(path);
    assert_contains(svg, "a&lt;b&gt;&amp;");
    assert_ptr_equal(strstr(svg, "</svg>"), svg + strlen(svg) - 7);
    free(svg);
}

static void mistakes_say_where(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        const char *says;
    } cases[] = {
        {"start at 10 mm\nramp to 150 mm at 20 mm\n", "x.profile:2:19: "},
        {"start at 10 mm\nramp to 612 mm at 20 mm/s\n",
         "x.profile:2:9: depth 612 mm is past the end"},
        {"start at 10 mm\nrmap to 61 mm at 20 mm/s\n", "'ramp'"},
        {"repeat 3\nstep to 5 mm\n", "x.profile:1:1: "},
        {"step to 5 mm\nend\n", "x.profile:2:1: "},
        {"hold nan s\n", "x.profile:1:6: "},
        {"hold 1e400 s\n", "x.profile:1:6: "},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        char *output, *errors;
        assert_int_equal(plan(written("x.profile", cases[i].text), "", &output, &errors), 2);
        assert_memory_equal(errors, "wetsweep: ", 10);
        assert_contains(errors, cases[i].says);
        assert_string_equal(output, "");
        /* One line. */
        assert_ptr_equal(strchr(errors, '\n'), errors + strlen(errors) - 1);
        free(output);
        free(errors);
    }
    static const struct {
        const char *arguments, *says;
        int status;
    } uses[] = {
        {"plan", "which profile?", 2},
        {"plan x.profile", "--rig RIG", 2},
        {"plan x.profile --rig", "needs a file", 2},
        {"plan a b --rig c", "one profile", 2},
        {"plan a --rig c --fast", "'--fast' is no option", 2},
        {"plan /nowhere/x.profile --rig /nowhere/y.rig", "/nowhere/y.rig", 2},
    };
    for (size_t i = 0; i < sizeof uses / sizeof *uses; i++) {
        char *output, *errors;
        assert_int_equal(run_program(uses[i].arguments, &output, &errors), uses[i].status);
        assert_contains(errors, uses[i].says);
        free(output);
        free(errors);
    }
    char *output;
    assert_int_equal(run_program("plan --help", &output, NULL), 0);
    assert_contains(output, "usage: wetsweep plan");
    free(output);
}

/* The program's own peak, by the system's count. */
static long peak_kib(const char *profile)
{
    pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0) {
        if (!freopen("/dev/null", "w", stdout))
            _exit(9);
        execl(getenv("WETSWEEP"), "wetsweep", "plan", profile, "--rig", shipped("bench.rig"),
              (char *)NULL);
        _exit(9);
    }
    int status;
    struct rusage usage;
    assert_int_equal(wait4(child, &status, 0, &usage), child);
    assert_int_equal(status, 0);
    return usage.ru_maxrss;
}

/* Ten hours that unfold to about a million lines of motion: repeated figures, a row of
 * short ramps, and a trace in which no line is like another. How long it takes is
 * measured by tests/bench/plan.sh. */
static void a_million_lines_in_64_mib(void **state)
{
    (void)state;
    char path[100];
    snprintf(path, sizeof path, "%s/swell.csv", folder);
    FILE *trace = fopen(path, "wb");
    assert_non_null(trace);
    fputs("t_s,depth_mm\n", trace);
    for (int i = 0, n = 72000; i < n; i++) {
        double t = i * 0.5, calm = fmin(1, fmin(i, n - 1 - i) / 40.);
        fprintf(trace, "%.1f,%.3f\n", t,
                80 + calm * calm * (7 * sin(0.5712 * t) + 2 * sin(0.8607 * t + 1)));
    }
    assert_int_equal(fclose(trace), 0);
    const char *profiles[] = {
        written("sines.profile",
                "start at 10 mm\nrepeat for 10 h\n"
                "sine about 80 mm amplitude up to 15 mm from 0.1 Hz to 3 Hz in 8 frequencies, 20 "
                "cycles each\neach speed 10, 20, 40 mm/s\nramp to 150 mm at speed\nhold 2 s\n"
                "ramp to 10 mm at speed\nhold 2 s\nend\nend\n"),
        written("ramps.profile", "start at 10 mm\nrepeat 600000\nramp to 10.21 mm at 50 mm/s\n"
                                 "ramp to 10 mm at 50 mm/s\nend\n"),
        written("swell.profile", "start at 80 mm\nfollow \"swell.csv\"\n"),
    };
    for (int i = 0; i < 3; i++) {
        json_t *json = planned_json(profiles[i], "");
        assert_true(number(json, "line_count") > 0.98e6);
        assert_true(number(json, "duration_s") >= 35999);
        json_decref(json);
        long kib = peak_kib(profiles[i]);
#if !defined(__SANITIZE_ADDRESS__) && !defined(__SANITIZE_THREAD__)
        if (kib > 64 * 1024)
            print_error("%s: %ld KiB\n", profiles[i], kib);
        assert_in_range(kib, 1, 64 * 1024);
#else
        (void)kib; /* the sanitizer's own memory is in it */
#endif
    }
}

static int make_folder(void **state)
{
    (void)state;
    snprintf(folder, sizeof folder, "/tmp/wetsweep-plan-XXXXXX");
    return mkdtemp(folder) ? 0 : -1;
}

static int drop_folder(void **state)
{
    (void)state;
    char command[128];
    snprintf(command, sizeof command, "rm -rf '%s'", folder);
    return system(command);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(page_says_what_matters),
        cmocka_unit_test(shipped_profiles_take_what_they_say),
        cmocka_unit_test(json_holds_the_plan),
        cmocka_unit_test(every_key_is_described),
        cmocka_unit_test(says_what_a_profile_cant_give),
        cmocka_unit_test(traces_are_found_beside_the_profile),
        cmocka_unit_test(picture_is_svg_and_small),
        cmocka_unit_test(mistakes_say_where),
        cmocka_unit_test(a_million_lines_in_64_mib),
    };
    return cmocka_run_group_tests(tests, make_folder, drop_folder);
}
