/* SPDX-License-Identifier: GPL-3.0-or-later
 * wetsweep ledger export: all of it for other programs, one recording at a time. */
#include "commands.h"
#include "ledger_parts.h"

#include "base/file.h"
#include "base/number.h"
#include "results/result_json.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct export
{
    const struct ledger_wish *wish;
    struct ledger_list list;
    struct result_list results;
    struct text text; /* of one recording */
    FILE *out;        /* NULL: the pass that only looks whether all can be read */
    struct rig_err *err;
};

/* RFC 4180: in quotes where it must be. */
static void add_cell(struct text *text, const char *cell, const char *after)
{
    bool quoted = cell[strcspn(cell, ",\"\r\n")] != 0;
    if (quoted)
        text_add(text, "\"");
    for (const char *at = cell; *at; at++)
        text_add_bytes(text, *at == '"' ? "\"\"" : at, *at == '"' ? 2 : 1);
    text_add(text, quoted ? "\"" : "");
    text_add(text, after);
}

static void add_number(struct text *text, double value, const char *after)
{
    char number[32] = "";
    if (isfinite(value))
        rig_number_text(number, value);
    text_add(text, number);
    text_add(text, after);
}

static const char csv_head[] =
    "recording,board,revision,coating,note,water_degc,started,run_state,profile,version,sha256,"
    "verdict,result,title,value,unit,standard_uncertainty,low_95,high_95,degrees_of_freedom,"
    "reason\r\n";

static int add_csv(struct export *export, const struct ledger_entry *entry)
{
    struct text *text = &export->text;
    char hash[65];
    for (size_t i = 0; i < export->results.count; i++) {
        const struct result *result = &export->results.results[i];
        add_cell(text, entry->folder, ",");
        add_cell(text, entry->board, ",");
        add_cell(text, entry->revision, ",");
        add_cell(text, entry->coating, ",");
        add_cell(text, entry->note, ",");
        add_number(text, entry->water_degc, ",");
        add_cell(text, entry->started, ",");
        add_cell(text, entry->state, ",");
        add_cell(text, entry->profile, ",");
        add_cell(text, entry->version, ",");
        add_cell(text, ledger_hash_text(hash, entry->hash), ",");
        add_cell(text, entry->verdict, ",");
        add_cell(text, result->name, ",");
        add_cell(text, result->title, ",");
        add_number(text, result->value, ",");
        add_cell(text, result->unit, ",");
        add_number(text, result->standard_uncertainty, ",");
        add_number(text, result->low_95, ",");
        add_number(text, result->high_95, ",");
        if (isinf(result->degrees_of_freedom))
            text_add(text, "inf,");
        else
            add_number(text, result->degrees_of_freedom, ",");
        add_cell(text, result->reason, "\r\n");
    }
    return RIG_OK;
}

static json_t *entry_json(const struct ledger_entry *entry)
{
    char hash[65];
    return json_pack("{s:s, s:s, s:s, s:s, s:s, s:o, s:s, s:s, s:s, s:s, s:s, s:s}", "recording",
                     entry->folder, "board", entry->board, "revision", entry->revision, "coating",
                     entry->coating, "note", entry->note, "water_degc",
                     isfinite(entry->water_degc) ? json_real(entry->water_degc) : json_null(),
                     "started", entry->started, "run_state", entry->state, "profile",
                     entry->profile, "version", entry->version, "sha256",
                     ledger_hash_text(hash, entry->hash), "verdict", entry->verdict);
}

static int add_json(struct export *export, const struct ledger_entry *entry)
{
    json_t *object = entry_json(entry), *results = json_object();
    bool ok = object && results;
    for (size_t i = 0; ok && i < export->results.count; i++) {
        json_t *result = result_to_json(&export->results.results[i]);
        /* The ledger keeps neither; the recording does. */
        json_object_del(result, "method");
        json_object_del(result, "budget");
        ok = json_object_set_new(results, export->results.results[i].name, result) == 0;
    }
    ok = ok && json_object_set(object, "results", results) == 0;
    char *json = ok ? json_dumps(object, JSON_COMPACT | JSON_REAL_PRECISION(15)) : NULL;
    json_decref(results);
    json_decref(object);
    if (!json)
        return rig_fail(export->err, RIG_EINPUT,
                        "%.200s: can't be written as JSON: memory is out, or the name isn't UTF-8",
                        entry->folder);
    text_add(&export->text, json);
    free(json);
    return RIG_OK;
}

static int add_entry(struct export *export, size_t index)
{
    const struct ledger_entry *entry = &export->list.entries[index];
    bool json = strcmp(export->wish->as, "json") == 0;
    export->text.size = 0;
    if (json)
        text_add(&export->text, index ? ",\n" : "\n");
    int code = json ? add_json(export, entry) : add_csv(export, entry);
    if (!code && text_failed(&export->text))
        code = rig_fail_memory(export->err, "the export");
    if (!code && export->text.size &&
        fwrite(export->text.bytes, 1, export->text.size, export->out) != export->text.size)
        code = rig_fail_os(export->err, errno, "the export can't be written");
    return code;
}

/* Twice: first to see that all can be read, so that a job that must run again has printed
 * nothing; both within one transaction, so that both see the same. */
static int export_job(void *context, struct ledger *ledger, struct rig_err *err)
{
    struct export *export = context;
    export->err = err;
    int code = ledger_find(&export->list, ledger, &export->wish->filter, err);
    for (size_t i = 0; !code && i < export->list.count; i++)
        code = ledger_results(&export->results, ledger, export->list.entries[i].number, err);
    bool json = strcmp(export->wish->as, "json") == 0;
    if (!code)
        fputs(json ? "{\"format\": \"wetsweep ledger\", \"recordings\": [" : csv_head, export->out);
    for (size_t i = 0; !code && i < export->list.count; i++) {
        code = ledger_results(&export->results, ledger, export->list.entries[i].number, err);
        if (!code)
            code = add_entry(export, i);
    }
    if (!code && json)
        fputs("\n]}\n", export->out);
    return code;
}

int ledger_export_command(const struct ledger_wish *wish)
{
    struct export export = {.wish = wish, .out = stdout};
    struct rig_err err = {0};
    if (wish->out && !(export.out = fopen(wish->out, "w"))) {
        rig_fail_os(&err, errno, "%s: can't be written", wish->out);
        return command_error(&err);
    }
    int code = ledger_run(wish, export_job, &export, &err);
    bool lost = fflush(export.out) || ferror(export.out);
    int saved = errno;
    if (wish->out && fclose(export.out))
        lost = true;
    if (!code && lost && wish->out)
        code = rig_fail_os(&err, saved, "%s: can't be written", wish->out);
    ledger_list_free(&export.list);
    result_list_free(&export.results);
    text_free(&export.text);
    return code ? command_error(&err) : 0;
}
