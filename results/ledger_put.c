/* SPDX-License-Identifier: GPL-3.0-or-later
 * Into the ledger: a fitted recording, read from its files, becomes one row and a row for
 * each of its results. */
#include "results/ledger_parts.h"

#include "base/file.h"
#include "results/recording_parts.h"
#include "results/result_json.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { JSON_LIMIT = 64 * 1024 * 1024 };

static int failed(const struct rig_err *err)
{
    return rig_failed(err ? (int)err->code : RIG_EOS);
}

/* ---- from the recording's files ---- */

static int load(const char *folder, const char *name, char **path, char **bytes, size_t *size,
                unsigned char hash[], struct rig_err *err)
{
    char hex[65];
    *path = file_join(folder, name);
    int code = *path ? file_read(*path, JSON_LIMIT, bytes, size, err)
                     : rig_fail_memory(err, "a recording");
    if (!code) {
        bytes_sha256(*bytes, *size, hex);
        ledger_hash_read(hash, hex);
    }
    return code;
}

static int read_run(struct ledger_reading *reading, const char *folder, struct rig_err *err)
{
    char *path = NULL, *bytes = NULL;
    size_t size = 0;
    struct run_document document = {0};
    unsigned char hash[LEDGER_HASH_SIZE];
    int code = load(folder, "run.json", &path, &bytes, &size, hash, err);
    if (!code)
        code = run_document_read(&document, path, bytes, size, err);
    free(bytes);
    free(path);
    if (code)
        return code;
    const struct run_facts *facts = &document.facts;
    reading->run = document.root;
    reading->entry = (struct ledger_entry){
        .folder = folder,
        .board = facts->board,
        .revision = facts->revision,
        .coating = facts->coating,
        .note = facts->note,
        .started = facts->started,
        .state = run_state_name(document.state),
        .profile = facts->profile_name,
        .version = "",
        .verdict = "",
        .water_degc = facts->water_degc,
    };
    memcpy(reading->entry.hash, hash, sizeof hash);
    return RIG_OK;
}

static const char *text_of(const json_t *object, const char *key)
{
    const char *text = json_string_value(json_object_get(object, key));
    return text ? text : "";
}

static int read_results(struct ledger_reading *reading, const char *folder, struct rig_err *err)
{
    char *path = NULL, *bytes = NULL;
    size_t size = 0;
    struct rig_err why = {0};
    int code =
        load(folder, "results.json", &path, &bytes, &size, reading->entry.results_hash, &why);
    if (code == RIG_EINPUT)
        rig_fail(err, RIG_EINPUT, "%.380s; 'wetsweep fit' makes it", why.text);
    else if (code && err)
        *err = why;
    if (!code)
        code = result_list_read(&reading->results, &reading->head, path, bytes, size, err);
    if (!code && (strcmp(text_of(reading->head, "board"), reading->entry.board) != 0 ||
                  strcmp(text_of(reading->head, "started"), reading->entry.started) != 0))
        code = rig_fail(err, RIG_EINPUT,
                        "%s: holds the results of another recording; fit this one again", path);
    if (!code)
        reading->entry.version = text_of(reading->head, "version");
    free(bytes);
    free(path);
    return code;
}

/* The verdict of the last judgement, where there is one and it is of these very results. */
static int read_judgement(struct ledger_reading *reading, const char *folder, struct rig_err *err)
{
    char *path = file_join(folder, "judgement.json"), *bytes = NULL, hex[65];
    size_t size = 0;
    struct rig_err why = {0};
    if (!path)
        return rig_fail_memory(err, "a path");
    int code = file_read(path, JSON_LIMIT, &bytes, &size, &why);
    json_t *root = code ? NULL : json_loadb(bytes, size, JSON_REJECT_DUPLICATES, NULL);
    ledger_hash_text(hex, reading->entry.results_hash);
    const char *verdict = text_of(root, "verdict");
    if (strcmp(text_of(root, "results_sha256"), hex) == 0 &&
        (strcmp(verdict, "pass") == 0 || strcmp(verdict, "fail") == 0))
        reading->entry.verdict = strcmp(verdict, "pass") == 0 ? "pass" : "fail";
    json_decref(root);
    free(bytes);
    free(path);
    if (code && code != RIG_EINPUT && code != RIG_EOS) /* most recordings were never judged */
        return rig_fail(err, why.code, "%s", why.text);
    return RIG_OK;
}

int ledger_read(struct ledger_reading *reading, const char *folder, struct rig_err *err)
{
    *reading = (struct ledger_reading){0};
    int code = read_run(reading, folder, err);
    if (!code)
        code = read_results(reading, folder, err);
    if (!code)
        code = read_judgement(reading, folder, err);
    if (code)
        ledger_reading_free(reading);
    return code;
}

void ledger_reading_free(struct ledger_reading *reading)
{
    result_list_free(&reading->results);
    json_decref(reading->head);
    json_decref(reading->run);
    reading->head = reading->run = NULL;
}

/* ---- into the tables ---- */

static void bind_text(sqlite3_stmt *statement, int at, const char *text)
{
    sqlite3_bind_text(statement, at, text, -1, SQLITE_TRANSIENT);
}

static void bind_number(sqlite3_stmt *statement, int at, double value)
{
    if (isnan(value))
        sqlite3_bind_null(statement, at);
    else
        sqlite3_bind_double(statement, at, value);
}

/* Runs a statement that gives no rows. */
static int run(struct ledger *ledger, sqlite3_stmt *statement, struct rig_err *err)
{
    int code = ledger_step(ledger, statement, err);
    sqlite3_reset(statement);
    return code < 0 ? failed(err) : RIG_OK;
}

/* The number of the recording with this hash or this path; 0 for none. */
static int number_of(struct ledger *ledger, const unsigned char *hash, const char *path,
                     int64_t *number, struct rig_err *err)
{
    sqlite3_stmt *statement =
        ledger_statement(ledger, hash ? SQL_RECORDING_BY_HASH : SQL_RECORDING_BY_PATH, err);
    if (!statement)
        return failed(err);
    if (hash)
        sqlite3_bind_blob(statement, 1, hash, LEDGER_HASH_SIZE, SQLITE_TRANSIENT);
    else
        bind_text(statement, 1, path);
    int code = ledger_step(ledger, statement, err);
    *number = code == SQLITE_ROW ? sqlite3_column_int64(statement, 0) : 0;
    sqlite3_reset(statement);
    return code < 0 ? failed(err) : RIG_OK;
}

int ledger_has(struct ledger *ledger, const unsigned char hash[], bool *there, struct rig_err *err)
{
    int64_t number = 0;
    int code = number_of(ledger, hash, NULL, &number, err);
    *there = number != 0;
    return code;
}

static int drop(struct ledger *ledger, enum ledger_statement which, int64_t number,
                struct rig_err *err)
{
    sqlite3_stmt *statement = ledger_statement(ledger, which, err);
    if (!statement)
        return failed(err);
    sqlite3_bind_int64(statement, 1, number);
    return run(ledger, statement, err);
}

/* The number that the recording has, or a new one; its old rows are gone. */
static int make_place(struct ledger *ledger, struct ledger_entry *entry, const char *path,
                      struct rig_err *err)
{
    int64_t *number = &entry->number, by_path = 0;
    int code = number_of(ledger, entry->hash, NULL, number, err);
    if (!code)
        code = number_of(ledger, NULL, path, &by_path, err);
    if (!code && by_path && *number && by_path != *number) { /* another one lay there before */
        code = drop(ledger, SQL_DROP_RESULTS, by_path, err);
        if (!code)
            code = drop(ledger, SQL_DROP_RECORDING, by_path, err);
    }
    if (!*number)
        *number = by_path;
    if (!code && *number)
        return drop(ledger, SQL_DROP_RESULTS, *number, err);
    sqlite3_stmt *next = code ? NULL : ledger_statement(ledger, SQL_NEXT_NUMBER, err);
    if (!next || ledger_step(ledger, next, err) != SQLITE_ROW)
        return failed(err);
    *number = sqlite3_column_int64(next, 0);
    sqlite3_reset(next);
    return RIG_OK;
}

static int put_row(struct ledger *ledger, const struct ledger_entry *entry, const char *path,
                   struct rig_err *err)
{
    const char *const texts[] = {entry->board,   entry->revision, entry->coating,
                                 entry->note,    entry->started,  entry->state,
                                 entry->profile, entry->version,  entry->verdict};
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_PUT_RECORDING, err);
    if (!statement)
        return failed(err);
    sqlite3_bind_int64(statement, 1, entry->number);
    bind_text(statement, 2, path);
    sqlite3_bind_blob(statement, 3, entry->hash, LEDGER_HASH_SIZE, SQLITE_TRANSIENT);
    sqlite3_bind_blob(statement, 4, entry->results_hash, LEDGER_HASH_SIZE, SQLITE_TRANSIENT);
    for (int i = 0; i < 9; i++)
        bind_text(statement, 5 + i, texts[i]);
    bind_number(statement, 14, entry->water_degc);
    sqlite3_bind_int64(statement, 15, entry->known);
    sqlite3_bind_int64(statement, 16, entry->refused);
    sqlite3_bind_int64(statement, 17, ledger_mark_recording(entry, path));
    return run(ledger, statement, err);
}

static int add_quantity(struct ledger *ledger, const struct result *result, int64_t *number,
                        struct rig_err *err)
{
    if (ledger->quantity_count == ledger->quantity_room) {
        size_t room = ledger->quantity_room ? 2 * ledger->quantity_room : 128;
        struct ledger_quantity *larger =
            realloc(ledger->quantities, room * sizeof *ledger->quantities);
        if (!larger)
            return rig_fail_memory(err, "the ledger");
        ledger->quantities = larger;
        ledger->quantity_room = room;
    }
    struct ledger_quantity made = {
        .number = 1,
        .name = ledger_keep(&ledger->texts, result->name),
        .unit = ledger_keep(&ledger->texts, result->unit),
        .title = ledger_keep(&ledger->texts, result->title),
    };
    if (!made.name || !made.unit || !made.title)
        return rig_fail_memory(err, "the ledger");
    for (size_t i = 0; i < ledger->quantity_count; i++)
        if (ledger->quantities[i].number >= made.number)
            made.number = ledger->quantities[i].number + 1;
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_PUT_QUANTITY, err);
    if (!statement)
        return failed(err);
    sqlite3_bind_int64(statement, 1, made.number);
    bind_text(statement, 2, made.name);
    bind_text(statement, 3, made.unit);
    bind_text(statement, 4, made.title);
    sqlite3_bind_int64(statement, 5, ledger_mark_quantity(&made));
    ledger->quantities[ledger->quantity_count++] = made;
    *number = made.number;
    return run(ledger, statement, err);
}

static int quantity_of(struct ledger *ledger, const struct result *result, int64_t *number,
                       struct rig_err *err)
{
    int code = ledger_quantities(ledger, err);
    for (size_t i = 0; !code && i < ledger->quantity_count; i++) {
        const struct ledger_quantity *quantity = &ledger->quantities[i];
        if (strcmp(quantity->name, result->name) == 0 &&
            strcmp(quantity->unit, result->unit) == 0 &&
            strcmp(quantity->title, result->title) == 0) {
            *number = quantity->number;
            return RIG_OK;
        }
    }
    return code ? code : add_quantity(ledger, result, number, err);
}

static int put_result(struct ledger *ledger, int64_t recording, const struct result *result,
                      struct rig_err *err)
{
    struct ledger_row row = {
        .recording = recording,
        .value = result->value,
        .standard_uncertainty = result->standard_uncertainty,
        .low_95 = result->low_95,
        .high_95 = result->high_95,
        .degrees_of_freedom = result->degrees_of_freedom,
        .reason = result->reason,
    };
    int code = quantity_of(ledger, result, &row.quantity, err);
    sqlite3_stmt *statement = code ? NULL : ledger_statement(ledger, SQL_PUT_RESULT, err);
    if (!statement)
        return failed(err);
    sqlite3_bind_int64(statement, 1, row.quantity);
    sqlite3_bind_int64(statement, 2, row.recording);
    bind_number(statement, 3, row.value);
    bind_number(statement, 4, row.standard_uncertainty);
    bind_number(statement, 5, row.low_95);
    bind_number(statement, 6, row.high_95);
    bind_number(statement, 7, row.degrees_of_freedom);
    bind_text(statement, 8, row.reason);
    sqlite3_bind_int64(statement, 9, ledger_mark_row(&row));
    return run(ledger, statement, err);
}

/* Relative to the ledger's folder where it lies in it, so that both can be moved together. */
static char *path_to_keep(const struct ledger *ledger, const char *folder)
{
    char *real = realpath(folder, NULL);
    if (!real)
        return strdup(folder);
    size_t size = strlen(ledger->home);
    while (size > 1 && ledger->home[size - 1] == '/')
        size--;
    bool inside = strncmp(real, ledger->home, size) == 0 && real[size] == '/';
    char *path = inside ? strdup(real + size + 1) : strdup(real);
    free(real);
    return path;
}

int ledger_add(struct ledger *ledger, const struct ledger_entry *entry,
               const struct result_list *results, struct rig_err *err)
{
    struct ledger_entry made = *entry;
    char *path = path_to_keep(ledger, entry->folder);
    if (!path)
        return rig_fail_memory(err, "a path");
    made.number = 0;
    made.known = made.refused = 0;
    for (size_t i = 0; i < results->count; i++)
        *(isfinite(results->results[i].value) ? &made.known : &made.refused) += 1;
    int code = make_place(ledger, &made, path, err);
    if (!code)
        code = put_row(ledger, &made, path, err);
    for (size_t i = 0; !code && i < results->count; i++)
        code = put_result(ledger, made.number, &results->results[i], err);
    free(path);
    return code;
}

int ledger_put(struct ledger *ledger, const char *folder, struct rig_err *err)
{
    struct ledger_reading reading;
    int code = ledger_read(&reading, folder, err);
    if (code)
        return code;
    code = ledger_add(ledger, &reading.entry, &reading.results, err);
    ledger_reading_free(&reading);
    return code;
}
