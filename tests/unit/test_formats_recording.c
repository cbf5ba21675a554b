/* SPDX-License-Identifier: GPL-3.0-or-later
 * What docs/formats_recording.md and csv-metadata.json say, against what is written. */
#include "check.h"
#include "recordings.h"
#include "results/recording_parts.h"

#include "base/file.h"
#include "base/number.h"
#include "base/table.h"
#include "rig/fit_files.h"

#include <jansson.h>

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static struct recording_bench bench;
static char *page;

/* The first cells `name` of all rows of the tables between a heading and the next, in
 * order, one a line; the caller frees. Cells with several names give several lines. */
static char *names_under(const char *heading)
{
    const char *at = strstr(page, heading);
    if (!at)
        fail_msg("no heading '%s'", heading);
    at += strlen(heading);
    const char *end = strstr(at, "\n#");
    end = end ? end : at + strlen(at);
    char *names = calloc(1, (size_t)(end - at) + 1);
    assert_non_null(names);
    for (const char *row = strstr(at, "\n| `"); row && row < end; row = strstr(row + 1, "\n| `")) {
        const char *stop = strchr(row + 3, '|');
        for (const char *open = strchr(row, '`'); open && open < stop;) {
            const char *close = strchr(open + 1, '`');
            strncat(names, open + 1, (size_t)(close - open) - 1);
            strcat(names, "\n");
            open = strchr(close + 1, '`');
        }
    }
    return names;
}

static void same_lines(const char *documented, const char *written)
{
    if (strcmp(documented, written) != 0)
        fail_msg("documented:\n%s\nwritten:\n%s", documented, written);
}

static void every_column_is_documented(void **state)
{
    (void)state;
    static const char *const headings[] = {"\n### motion.csv\n", "\n### strokes.csv\n",
                                           "\n### events.csv\n"};
    char written[1000];
    for (size_t t = 0; t < TABLE_FIXED_COUNT; t++) {
        char *documented = names_under(headings[t]);
        *written = 0;
        for (size_t c = 0; c < recording_column_count(&bench.rig, bench.rig.source_count + t);
             c++) {
            struct column_facts facts;
            char row[128], *part = strstr(page, headings[t]);
            recording_column(&bench.rig, bench.rig.source_count + t, c, &facts);
            strcat(strcat(written, facts.name), "\n");
            snprintf(row, sizeof row, "\n| `%s` | %s%s| `", facts.name, facts.unit,
                     *facts.unit ? " " : "");
            assert_contains(part, row);
        }
        same_lines(documented, written);
        free(documented);
    }
    char *documented = names_under("\n### SOURCE.csv\n");
    same_lines(documented, "t_s\ndevice_s\nCHANNEL\n");
    free(documented);
}

/* Keys as the page writes them: plan.title, traces[].path, sha256.NAME. */
static void list_keys(json_t *object, const char *prefix, char *list)
{
    const char *key;
    json_t *value;
    json_object_foreach(object, key, value)
    {
        char name[200];
        if (strcmp(prefix, "sha256.") == 0) {
            if (!strstr(list, "sha256.NAME\n"))
                strcat(list, "sha256.NAME\n");
            continue;
        }
        snprintf(name, sizeof name, "%s%s", prefix, key);
        if (json_is_object(value)) {
            strcat(name, ".");
            list_keys(value, name, list);
        } else if (json_is_array(value)) {
            strcat(name, "[].");
            list_keys(json_array_get(value, 0), name, list);
        } else {
            strcat(strcat(list, name), "\n");
        }
    }
}

static json_t *document_of(const char *name)
{
    size_t size;
    char *text = recording_bench_read(&bench, name, &size);
    json_t *root = json_loadb(text, size, 0, NULL);
    assert_non_null(root);
    free(text);
    return root;
}

static void every_key_of_run_json_is_documented(void **state)
{
    (void)state;
    char written[2000] = "";
    char *documented = names_under("\n## run.json\n");
    json_t *root = document_of("run.json");
    list_keys(root, "", written);
    same_lines(documented, written);
    json_decref(root);
    free(documented);
    for (size_t i = 0; i < RUN_STATE_COUNT; i++) {
        char quoted[40];
        snprintf(quoted, sizeof quoted, "`%s`", run_state_name((enum run_state)i));
        assert_contains(page, quoted);
    }
}

static bool listed(const char *list, const char *name)
{
    char line[100];
    snprintf(line, sizeof line, "\n%s\n", name);
    return strstr(list, line) || strncmp(list, line + 1, strlen(line) - 1) == 0;
}

/* Every key there is in the page, and every key of the page somewhere in the file. */
static void every_key_of_results_json_is_documented(void **state)
{
    (void)state;
    struct fit_options options = {.degree = -1};
    struct fit fit = {0};
    struct rig_err err = {0};
    struct recording *recording = recording_bench_reopen(&bench);
    if (fit_recording(&fit, recording, &options, &err))
        fail_msg("%s", err.text);
    if (fit_write(&fit, recording, &err))
        fail_msg("%s", err.text);
    fit_free(&fit);
    recording_free(recording);
    json_t *root = document_of("results.json"), *value, *inner;
    const char *key, *name;
    char *documented = names_under("\n## results.json\n");
    size_t results = 0;
    json_object_foreach(root, key, value) if (!listed(documented, key))
        fail_msg("'%s' isn't documented", key);
    json_object_foreach(json_object_get(root, "results"), name, value)
    {
        json_object_foreach(value, key, inner) if (!listed(documented, key))
            fail_msg("'%s' isn't documented", key);
        static const char *const always[] = {"title",
                                             "value",
                                             "unit",
                                             "standard_uncertainty",
                                             "low_95",
                                             "high_95",
                                             "degrees_of_freedom",
                                             "method",
                                             "budget"};
        for (size_t i = 0; i < sizeof always / sizeof *always; i++)
            if (!json_object_get(value, always[i]) || !listed(documented, always[i]))
                fail_msg("'%s' of '%s'", always[i], name);
        if (!json_is_number(json_object_get(value, "value")))
            assert_true(json_string_length(json_object_get(value, "reason")) > 0);
        results++;
    }
    assert_true(results > 0);
    json_decref(root);
    free(documented);
}

/* ---- csv-metadata.json: the tables read by it ---- */

static void check_cell(const struct table *table, size_t row, size_t column, const json_t *facts)
{
    const char *cell = table->cells[row * table->columns + column];
    const char *type = json_string_value(json_object_get(facts, "datatype"));
    double number;
    int64_t whole;
    if (!*cell) {
        if (json_is_true(json_object_get(facts, "required")))
            fail_msg("%s:%d: '%s' is empty", table->name, table->lines[row],
                     table->headers[column]);
        return;
    }
    if (strcmp(type, "double") == 0)
        assert_true(rig_number(cell, strlen(cell), &number, NULL));
    else if (strcmp(type, "nonNegativeInteger") == 0)
        assert_true(rig_whole_number(cell, strlen(cell), 0, INT64_MAX, &whole, NULL));
    else
        assert_string_equal(type, "string");
}

static void check_table(const json_t *described)
{
    const char *url = json_string_value(json_object_get(described, "url"));
    const json_t *columns = json_object_get(json_object_get(described, "tableSchema"), "columns");
    struct table table;
    struct rig_err err = {0};
    size_t size;
    char *bytes = recording_bench_read(&bench, url, &size);
    if (table_read(&table, url, bytes, size, &err))
        fail_msg("%s", err.text);
    assert_int_equal(table.columns, json_array_size(columns));
    assert_true(table.rows > 0);
    for (size_t c = 0; c < table.columns; c++) {
        const json_t *facts = json_array_get(columns, c);
        const char *name = json_string_value(json_object_get(facts, "name"));
        const char *unit = json_string_value(json_object_get(facts, "schema:unitText"));
        assert_string_equal(json_string_value(json_object_get(facts, "titles")), table.headers[c]);
        /* 5.6.1: a name is one of RFC 6570, and doesn't start with an underscore. */
        assert_true(isalpha((unsigned char)name[0]));
        for (const char *at = name; *at; at++)
            assert_true(isalnum((unsigned char)*at) || *at == '_');
        if (unit && units_check(bench.units, unit, strlen(unit), &err))
            fail_msg("%s", err.text);
        for (size_t r = 0; r < table.rows; r++)
            check_cell(&table, r, c, facts);
    }
    table_free(&table);
    free(bytes);
}

static void tables_are_as_the_metadata_says(void **state)
{
    (void)state;
    json_t *root = document_of("csv-metadata.json");
    const json_t *context = json_array_get(json_object_get(root, "@context"), 0);
    assert_string_equal(json_string_value(context), "http://www.w3.org/ns/csvw");
    json_t *tables = json_object_get(root, "tables"), *table;
    assert_int_equal(json_array_size(tables), 5);
    size_t index;
    json_array_foreach(tables, index, table) check_table(table);
    const json_t *level = json_array_get(
        json_object_get(json_object_get(json_array_get(tables, 0), "tableSchema"), "columns"), 2);
    assert_string_equal(json_string_value(json_object_get(level, "schema:unitText")), "volts");
    json_decref(root);
}

static int load_trace(void *context, const char *path, char **bytes, size_t *size,
                      struct rig_err *err)
{
    static const char trace[] = "t_s,depth_mm\n0,60\n1,62\n2,60\n";
    (void)context;
    (void)path;
    *bytes = strdup(trace);
    *size = sizeof trace - 1;
    return *bytes ? 0 : rig_fail_memory(err, "a trace");
}

/* One recording with something of everything. */
static int make_recording(void **state)
{
    (void)state;
    struct rig_err err = {0};
    const struct plan_files files = {.load = load_trace};
    const char *source = getenv("WETSWEEP_SOURCE");
    size_t size;
    char *path = file_join(source ? source : ".", "docs/formats_recording.md");
    if (file_read(path, 1 << 20, &page, &size, &err)) {
        print_error("%s\n", err.text);
        return -1;
    }
    free(path);
    recording_bench_open(&bench,
                         "start at 10 mm\nramp to 60 mm at 20 mm/s\nhold 1 s\n"
                         "follow \"chop.csv\"\nhold 1 s\n",
                         &files);
    struct recording_writer *writer =
        recording_create(bench.folder, &bench.facts, &bench.rig, bench.plan, &files, &err);
    if (!writer)
        return -1;
    int code = 0;
    for (int i = 0; i < 5000 && !code; i++) {
        const double values[] = {i % 7 ? 1 + 1e-4 * i : (double)NAN, 1500 + i % 9};
        const double water = 19.5;
        code = recording_row(writer, 0, 1e-3 * i, i % 5 ? 1e-3 * i : (double)NAN, values, &err);
        if (!code && i % 100 == 0)
            code = recording_row(writer, 1, 1e-3 * i, NAN, &water, &err);
    }
    if (code || recording_motion(writer, 1, 0, 10, 10.01, 0.001, 1, &err) ||
        recording_motion(writer, 2, 0, 10, NAN, NAN, 1, &err) ||
        recording_stroke(writer, 0, 0, 0.1, 0.2, 3, &err) ||
        recording_stroke(writer, 1, 4, 4.1, NAN, NAN, &err) ||
        recording_event(writer, 1, "chatter", "a, \"b\"\n", &err) ||
        recording_close(writer, RUN_COMPLETE, "the profile is over", &err)) {
        print_error("%s\n", err.text);
        return -1;
    }
    return 0;
}

static int remove_recording(void **state)
{
    (void)state;
    recording_bench_close(&bench);
    free(page);
    return 0;
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_column_is_documented),
        cmocka_unit_test(every_key_of_run_json_is_documented),
        cmocka_unit_test(tables_are_as_the_metadata_says),
        cmocka_unit_test(every_key_of_results_json_is_documented),
    };
    return cmocka_run_group_tests(tests, make_recording, remove_recording);
}
