/* SPDX-License-Identifier: GPL-3.0-or-later
 * When a run counts as usable, and the keys of its summary against the page that lists
 * them. */
#include "check.h"
#include "rig/run_summary.h"

#include "base/file.h"

#include <jansson.h>

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static struct bench_end good(void)
{
    return (struct bench_end){
        .state = RUN_COMPLETE,
        .view = {.rows = 60000},
        .run = {.planned = 40, .whole = 40, .measuring_s = 600},
        .source_count = 1,
        .sources = {{.name = "board", .rows = 60000}},
    };
}

static struct run_summary summary_of(const struct bench_end *end)
{
    struct run_summary summary;
    run_summary_make(&summary, end);
    return summary;
}

static void a_good_run(void **state)
{
    (void)state;
    struct bench_end end = good();
    struct run_summary summary = summary_of(&end);
    assert_int_equal(summary.usable, USABLE_YES);
    assert_string_equal(summary.word, "yes");
    assert_int_equal(summary.reason_count, 1);
    assert_string_equal(summary.reasons[0], "all 40 strokes were measured whole");
}

static void what_a_run_may_have_and_stay_usable(void **state)
{
    (void)state;
    struct bench_end end = good();
    end.run.interruptions = 1;
    end.run.repeated = 3;
    end.run.lost_s = 95.4;
    end.sources[0].gaps = 2;
    end.sources[0].gap_s = 6; /* just a hundredth of 600 s */
    end.sources[0].longest_gap_s = 4;
    end.view.malformed = 7;
    end.view.resends = 1;
    struct run_summary summary = summary_of(&end);
    assert_int_equal(summary.usable, USABLE_YES);
    assert_int_equal(summary.reason_count, 5);
    assert_string_equal(summary.reasons[1], "1 interruption, 3 strokes run again, 95 s lost");
    assert_string_equal(summary.reasons[2],
                        "source 'board': 2 gaps while measuring, 6.0 s in all, the longest 4 s");
    assert_string_equal(summary.reasons[3], "7 malformed lines passed over");
    assert_string_equal(summary.reasons[4], "the axis asked 1 time for lines again");
}

static void ended_early_as_asked(void **state)
{
    (void)state;
    struct bench_end end = good();
    end.run.whole = 12;
    struct run_summary summary = summary_of(&end);
    assert_int_equal(summary.usable, USABLE_YES);
    assert_string_equal(summary.reasons[0],
                        "12 of 40 strokes were measured, the rest left out as asked");
}

static void what_makes_it_usable_in_part(void **state)
{
    (void)state;
    struct bench_end end = good();
    end.run.whole = 12;
    end.state = RUN_FAULTED;
    struct run_summary summary = summary_of(&end);
    assert_int_equal(summary.usable, USABLE_IN_PART);
    assert_string_equal(summary.reasons[0],
                        "12 of 40 strokes were measured; the run was faulted before its end");
    end = good();
    end.sources[0].gaps = 1;
    end.sources[0].gap_s = end.sources[0].longest_gap_s = 6.1;
    summary = summary_of(&end);
    assert_int_equal(summary.usable, USABLE_IN_PART);
    assert_contains(summary.reasons[1], "more than a hundredth");
    end = good();
    end.view.lost = 1;
    summary = summary_of(&end);
    assert_int_equal(summary.usable, USABLE_IN_PART);
    assert_string_equal(summary.reasons[1], "1 records were lost: the disk was too slow");
}

static void what_makes_it_unusable(void **state)
{
    (void)state;
    struct bench_end end = good();
    end.run.whole = 0;
    end.view.rows = 0;
    struct run_summary summary = summary_of(&end);
    assert_int_equal(summary.usable, USABLE_NO);
    assert_string_equal(summary.word, "no");
    assert_string_equal(summary.reasons[0], "no stroke was measured whole");
    assert_string_equal(summary.reasons[1], "nothing was read");
    /* An axis alone, to try it out, has nothing to read. */
    end = good();
    end.source_count = 0;
    end.view.rows = 0;
    assert_int_equal(summary_of(&end).usable, USABLE_YES);
}

/* Every key of the summary has a row of the page's table, in order. */
static void every_key_is_documented(void **state)
{
    (void)state;
    const char *source = getenv("WETSWEEP_SOURCE"), *key, *inner;
    char path[400], row[80], *page;
    size_t size;
    struct rig_err err = {0};
    assert_non_null(source);
    snprintf(path, sizeof path, "%s/docs/formats_recording.md", source);
    if (file_read(path, 1 << 20, &page, &size, &err))
        fail_msg("%s", err.text);
    struct bench_end end = good();
    struct run_summary summary = summary_of(&end);
    char *text = run_summary_json(&summary, &end);
    assert_non_null(text);
    json_t *root = json_loads(text, 0, NULL), *value, *other;
    assert_non_null(root);
    const char *at = strstr(page, "\n### run.json: summary\n");
    assert_non_null(at);
    json_object_foreach(root, key, value)
    {
        if (strcmp(key, "sources") == 0)
            break;
        snprintf(row, sizeof row, "\n| `summary.%s%s` |", key, json_is_array(value) ? "[]" : "");
        at = strstr(at, row);
        if (!at)
            fail_msg("no row '%s' where it belongs", row + 1);
    }
    json_object_foreach(json_array_get(json_object_get(root, "sources"), 0), inner, other)
    {
        snprintf(row, sizeof row, "\n| `summary.sources[].%s` |", inner);
        at = strstr(at, row);
        if (!at)
            fail_msg("no row '%s' where it belongs", row + 1);
    }
    assert_int_equal(json_integer_value(json_object_get(root, "strokes_whole")), 40);
    json_decref(root);
    free(text);
    free(page);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_good_run),
        cmocka_unit_test(what_a_run_may_have_and_stay_usable),
        cmocka_unit_test(ended_early_as_asked),
        cmocka_unit_test(what_makes_it_usable_in_part),
        cmocka_unit_test(what_makes_it_unusable),
        cmocka_unit_test(every_key_is_documented),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
