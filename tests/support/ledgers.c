/* SPDX-License-Identifier: GPL-3.0-or-later
 * Recordings for ledgers. */
#include "ledgers.h"

#include "base/file.h"
#include "check.h"
#include "results/result_json.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

void ledger_bench_open(struct ledger_bench *bench)
{
    snprintf(bench->base, sizeof bench->base, "/tmp/wetsweep-ledger-XXXXXX");
    assert_non_null(mkdtemp(bench->base));
    snprintf(bench->path, sizeof bench->path, "%s/wetsweep.ledger", bench->base);
}

void ledger_bench_close(struct ledger_bench *bench)
{
    char command[96];
    snprintf(command, sizeof command, "rm -r '%s'", bench->base);
    assert_int_equal(system(command), 0);
}

const char *ledger_bench_folder(const struct ledger_bench *bench, int i)
{
    static char folder[120];
    snprintf(folder, sizeof folder, "%s/r%03d.recording", bench->base, i);
    return folder;
}

static void write_file(const char *folder, const char *name, const char *text)
{
    char path[200];
    snprintf(path, sizeof path, "%s/%s", folder, name);
    FILE *file = fopen(path, "w");
    assert_non_null(file);
    assert_true(fputs(text, file) >= 0);
    assert_int_equal(fclose(file), 0);
}

static void make_results(struct result_list *results, int i)
{
    struct rig_err err = {0};
    result_set(result_add(results, "hysteresis_at_rest", "Hysteresis at rest", "mm", &err),
               0.4 + 0.001 * i, 0.01, 12, "test");
    /* gain_1 is at one frequency in the first twenty, at another later */
    result_set(
        result_add(results, "gain_1", i < 20 ? "Gain at 0.2 Hz" : "Gain at 0.5 Hz", "1", &err), 0.9,
        0.01, INFINITY, "test");
    result_refuse(result_add(results, "zero_drift", "Drift of the zero", "volts/h", &err),
                  "it takes two lifts");
}

void ledger_bench_record(const struct ledger_bench *bench, int i)
{
    const char *folder = ledger_bench_folder(bench, i);
    char text[1024], started[40];
    assert_true(mkdir(folder, 0777) == 0);
    snprintf(started, sizeof started, "2026-%02d-%02dT08:00:00Z", 4 + i / 28, 1 + i % 28);
    snprintf(text, sizeof text,
             "{\"format\": \"wetsweep recording\", \"state\": \"complete\", \"reason\": \"\",\n"
             "\"board\": \"WS-B-000%d\", \"revision\": \"%s\", \"coating\": \"%s\", \"note\": "
             "\"recording %d, \\\"invented\\\"\",\n\"started\": \"%s\", \"version\": \"0.1.0\", "
             "\"rig_name\": \"bench.rig\", \"rig\": \"\", \"profile_name\": \"dip.profile\",\n"
             "\"profile\": \"\", \"water_degc\": %s, \"plan\": {\"fingerprint\": "
             "\"0f3a6b1c99d2e784\"}}\n",
             i % 3, i % 2 ? "B" : "A", i < 30 ? "bare" : "wax", i, started,
             i % 5 ? "20.5" : "null");
    write_file(folder, "run.json", text);
    struct result_list results = {0};
    struct rig_err err = {0};
    make_results(&results, i);
    snprintf(text, sizeof text, "WS-B-000%d", i % 3);
    json_t *head =
        json_pack("{s:s, s:s, s:s}", "board", text, "started", started, "version", "0.1.0");
    char *json = result_list_json(&results, head, &err);
    assert_non_null(json);
    write_file(folder, "results.json", json);
    free(json);
    json_decref(head);
    result_list_free(&results);
}

static int put_job(void *context, struct ledger *ledger, struct rig_err *err)
{
    return ledger_put(ledger, context, err);
}

void ledger_bench_put(const struct ledger_bench *bench, int i)
{
    struct rig_err err = {0};
    if (ledger_use(bench->path, LEDGER_WRITE, put_job, (void *)ledger_bench_folder(bench, i), NULL,
                   &err))
        fail_msg("%s", err.text);
}

static void tell_results(struct text *text, const struct result_list *results)
{
    for (size_t i = 0; i < results->count; i++) {
        const struct result *r = &results->results[i];
        text_format(text, " | %s '%s' %.17g %s %.17g %.17g %.17g %g %s", r->name, r->title,
                    r->value, r->unit, r->standard_uncertainty, r->low_95, r->high_95,
                    r->degrees_of_freedom, r->reason);
    }
    text_add(text, "\n");
}

static int all_job(void *context, struct ledger *ledger, struct rig_err *err)
{
    const struct ledger_filter filter = {0};
    struct text *text = context;
    struct ledger_list list = {0};
    struct result_list results = {0};
    struct ledger_series series = {0};
    text->size = 0;
    int code = ledger_find(&list, ledger, &filter, err);
    for (size_t i = 0; !code && i < list.count; i++) {
        const struct ledger_entry *e = &list.entries[i];
        char hash[65], results_hash[65];
        text_format(text, "%s %s %s %s %s %s %s %s %s %s '%s' %g %u %u", e->folder,
                    ledger_hash_text(hash, e->hash),
                    ledger_hash_text(results_hash, e->results_hash), e->board, e->revision,
                    e->coating, e->note, e->started, e->state, e->version, e->verdict,
                    e->water_degc, e->known, e->refused);
        code = ledger_results(&results, ledger, e->number, err);
        if (!code)
            tell_results(text, &results);
    }
    if (!code && list.count)
        code = ledger_series_of(&series, ledger, "hysteresis_at_rest", &filter, err);
    for (size_t i = 0; !code && i < series.count; i++)
        text_format(text, "%s %.17g %s\n", series.list.entries[series.values[i].entry].folder,
                    series.values[i].value, series.values[i].unit);
    ledger_list_free(&list);
    result_list_free(&results);
    ledger_series_free(&series);
    return code;
}

char *ledger_bench_all(const struct ledger_bench *bench, struct text *notice, struct rig_err *err)
{
    struct text text = {0};
    if (ledger_use(bench->path, LEDGER_READ, all_job, &text, notice, err)) {
        text_free(&text);
        return NULL;
    }
    return text_take(&text);
}
