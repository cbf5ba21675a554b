/* SPDX-License-Identifier: GPL-3.0-or-later
 * Out of the ledger: recordings by filter, the results of one, one result of many. Each
 * row is compared with its mark, also those that a filter then leaves out. */
#include "results/ledger_parts.h"

#include "base/statement.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static int failed(const struct rig_err *err)
{
    return rig_failed(err ? (int)err->code : RIG_EOS);
}

/* ---- filters ---- */

/* "2026-04-12T08:00:00Z" or as much of it as ends with a part. */
static bool is_date(const char *text)
{
    static const char form[] = "dddd-dd-ddTdd:dd:ddZ";
    static const size_t ends[] = {4, 7, 10, 13, 16, 19, 20};
    size_t size = strlen(text);
    bool whole = false;
    for (size_t i = 0; i < sizeof ends / sizeof *ends; i++)
        whole = whole || size == ends[i];
    for (size_t i = 0; whole && i < size; i++)
        if (form[i] == 'd' ? text[i] < '0' || text[i] > '9' : text[i] != form[i])
            return false;
    return whole;
}

int ledger_filter_check(const struct ledger_filter *filter, struct rig_err *err)
{
    const char *const dates[] = {filter->since, filter->until};
    for (size_t i = 0; i < 2; i++)
        if (dates[i] && !is_date(dates[i]))
            return rig_fail(err, RIG_EINPUT,
                            "'%s' is no date; write 2026, 2026-04, 2026-04-12 or "
                            "2026-04-12T08:00:00Z",
                            dates[i]);
    return RIG_OK;
}

static bool passes(const struct ledger_filter *filter, const struct ledger_entry *entry)
{
    return (!filter->board || strcmp(filter->board, entry->board) == 0) &&
           (!filter->revision || strcmp(filter->revision, entry->revision) == 0) &&
           (!filter->coating || strcmp(filter->coating, entry->coating) == 0) &&
           (!filter->since || strncmp(entry->started, filter->since, strlen(filter->since)) >= 0) &&
           (!filter->until || strncmp(entry->started, filter->until, strlen(filter->until)) <= 0);
}

/* ---- rows ---- */

static const char *text_at(sqlite3_stmt *statement, int column)
{
    const char *text = (const char *)sqlite3_column_text(statement, column);
    return text ? text : "";
}

static double number_at(sqlite3_stmt *statement, int column)
{
    return sqlite3_column_type(statement, column) == SQLITE_NULL
               ? (double)NAN
               : sqlite3_column_double(statement, column);
}

/* The texts are SQLite's, until the next step. */
static int read_recording(struct ledger *ledger, sqlite3_stmt *from, struct ledger_entry *entry,
                          const char **path, struct rig_err *err)
{
    *entry = (struct ledger_entry){
        .number = sqlite3_column_int64(from, 0),
        .board = text_at(from, 4),
        .revision = text_at(from, 5),
        .coating = text_at(from, 6),
        .note = text_at(from, 7),
        .started = text_at(from, 8),
        .state = text_at(from, 9),
        .profile = text_at(from, 10),
        .version = text_at(from, 11),
        .verdict = text_at(from, 12),
        .water_degc = number_at(from, 13),
        .known = (uint32_t)sqlite3_column_int64(from, 14),
        .refused = (uint32_t)sqlite3_column_int64(from, 15),
    };
    *path = text_at(from, 1);
    const void *hashes[] = {sqlite3_column_blob(from, 2), sqlite3_column_blob(from, 3)};
    bool right = hashes[0] && hashes[1] && sqlite3_column_bytes(from, 2) == LEDGER_HASH_SIZE &&
                 sqlite3_column_bytes(from, 3) == LEDGER_HASH_SIZE;
    if (right) {
        memcpy(entry->hash, hashes[0], LEDGER_HASH_SIZE);
        memcpy(entry->results_hash, hashes[1], LEDGER_HASH_SIZE);
        right = ledger_mark_recording(entry, *path) == sqlite3_column_int64(from, 16);
    }
    return right ? RIG_OK : ledger_fail_mark(ledger, "recording", err);
}

/* The folder as the program can use it: an absolute one, or beside the ledger. */
static const char *keep_folder(struct ledger_list *list, const char *ledger_path, const char *path)
{
    const char *slash = strrchr(ledger_path, '/');
    if (*path == '/' || !slash)
        return ledger_keep(&list->texts, path);
    size_t home = (size_t)(slash - ledger_path) + 1, size = strlen(path) + 1;
    char *joined = malloc(home + size);
    if (!joined)
        return NULL;
    memcpy(joined, ledger_path, home);
    memcpy(joined + home, path, size);
    const char *kept = ledger_keep(&list->texts, joined);
    free(joined);
    return kept;
}

static int keep_entry(struct ledger_list *list, const struct ledger *ledger,
                      const struct ledger_entry *row, const char *path, struct rig_err *err)
{
    if (list->count == list->room) {
        size_t room = list->room ? 2 * list->room : 64;
        struct ledger_entry *larger = realloc(list->entries, room * sizeof *larger);
        if (!larger)
            return rig_fail_memory(err, "the list of recordings");
        list->entries = larger;
        list->room = room;
    }
    struct ledger_entry *entry = &list->entries[list->count];
    const struct ledger_entry *before = list->count ? entry - 1 : NULL;
    *entry = *row;
    const char **const texts[] = {&entry->revision, &entry->coating, &entry->note,
                                  &entry->state,    &entry->profile, &entry->version,
                                  &entry->verdict,  &entry->board,   &entry->started};
    entry->folder = keep_folder(list, ledger->path, path);
    bool kept = entry->folder != NULL;
    for (size_t i = 0; kept && i < sizeof texts / sizeof *texts; i++) {
        const char **text = texts[i];
        /* Most are what they were a row ago. */
        const char *last =
            before ? *(const char *const *)((const char *)before + ((char *)text - (char *)entry))
                   : NULL;
        *text = last && strcmp(last, *text) == 0 ? last : ledger_keep(&list->texts, *text);
        kept = *text != NULL;
    }
    if (!kept)
        return rig_fail_memory(err, "the list of recordings");
    list->count++;
    return RIG_OK;
}

/* By start; those of one second by number, so that the order is always the same. */
static int by_start(const void *a, const void *b)
{
    const struct ledger_entry *left = a, *right = b;
    int order = strcmp(left->started, right->started);
    return order ? order : (left->number > right->number) - (left->number < right->number);
}

void ledger_list_free(struct ledger_list *list)
{
    free(list->entries);
    ledger_blocks_free(&list->texts);
    *list = (struct ledger_list){0};
}

int ledger_find(struct ledger_list *list, struct ledger *ledger, const struct ledger_filter *filter,
                struct rig_err *err)
{
    ledger_list_free(list);
    int code = ledger_filter_check(filter, err);
    sqlite3_stmt *row = code ? NULL : ledger_statement(ledger, SQL_RECORDINGS, err);
    if (!row)
        return failed(err);
    bool sorted = true;
    list->seen = 0;
    for (int step; !code && (step = ledger_step(ledger, row, err)) != SQLITE_DONE;) {
        struct ledger_entry entry;
        const char *path;
        code = step < 0 ? failed(err) : read_recording(ledger, row, &entry, &path, err);
        list->seen++;
        if (code || !passes(filter, &entry))
            continue;
        code = keep_entry(list, ledger, &entry, path, err);
        size_t n = list->count;
        sorted = sorted && (n < 2 || by_start(&list->entries[n - 2], &list->entries[n - 1]) < 0);
    }
    sqlite3_reset(row);
    if (!sorted && list->count)
        qsort(list->entries, list->count, sizeof *list->entries, by_start);
    return code;
}

/* ---- results ---- */

int ledger_quantities(struct ledger *ledger, struct rig_err *err)
{
    if (ledger->quantities_known)
        return RIG_OK;
    sqlite3_stmt *row = ledger_statement(ledger, SQL_QUANTITIES, err);
    if (!row)
        return failed(err);
    int code = RIG_OK;
    for (int step; !code && (step = ledger_step(ledger, row, err)) != SQLITE_DONE;) {
        if (step < 0) {
            code = failed(err);
            break;
        }
        if (ledger->quantity_count == ledger->quantity_room) {
            size_t room = ledger->quantity_room ? 2 * ledger->quantity_room : 128;
            struct ledger_quantity *larger = realloc(ledger->quantities, room * sizeof *larger);
            if (!larger) {
                code = rig_fail_memory(err, "the ledger");
                break;
            }
            ledger->quantities = larger;
            ledger->quantity_room = room;
        }
        struct ledger_quantity *quantity = &ledger->quantities[ledger->quantity_count++];
        *quantity = (struct ledger_quantity){
            .number = sqlite3_column_int64(row, 0),
            .name = ledger_keep(&ledger->texts, text_at(row, 1)),
            .unit = ledger_keep(&ledger->texts, text_at(row, 2)),
            .title = ledger_keep(&ledger->texts, text_at(row, 3)),
        };
        if (!quantity->name || !quantity->unit || !quantity->title)
            code = rig_fail_memory(err, "the ledger");
        else if (ledger_mark_quantity(quantity) != sqlite3_column_int64(row, 4))
            code = ledger_fail_mark(ledger, "quantity", err);
    }
    sqlite3_reset(row);
    ledger->quantities_known = !code;
    return code;
}

static int read_row(struct ledger *ledger, sqlite3_stmt *statement, struct ledger_row *row,
                    struct rig_err *err)
{
    *row = (struct ledger_row){
        .quantity = sqlite3_column_int64(statement, 0),
        .recording = sqlite3_column_int64(statement, 1),
        .value = number_at(statement, 2),
        .standard_uncertainty = number_at(statement, 3),
        .low_95 = number_at(statement, 4),
        .high_95 = number_at(statement, 5),
        .degrees_of_freedom = number_at(statement, 6),
        .reason = text_at(statement, 7),
    };
    if (ledger_mark_row(row) != sqlite3_column_int64(statement, 8))
        return ledger_fail_mark(ledger, "result", err);
    return RIG_OK;
}

static int add_result(struct result_list *results, const struct ledger_quantity *quantity,
                      const struct ledger_row *row, struct rig_err *err)
{
    struct result *result =
        result_add(results, quantity->name, quantity->title, quantity->unit, err);
    if (!result)
        return failed(err);
    result->value = row->value;
    result->standard_uncertainty = row->standard_uncertainty;
    result->low_95 = row->low_95;
    result->high_95 = row->high_95;
    result->degrees_of_freedom = row->degrees_of_freedom;
    strncpy(result->reason, row->reason, sizeof result->reason - 1);
    return RIG_OK;
}

int ledger_results(struct result_list *results, struct ledger *ledger, int64_t number,
                   struct rig_err *err)
{
    result_list_free(results);
    int code = ledger_quantities(ledger, err);
    for (size_t i = 0; !code && i < ledger->quantity_count; i++) {
        sqlite3_stmt *statement = ledger_statement(ledger, SQL_RESULT, err);
        struct ledger_row row;
        if (!statement)
            return failed(err);
        sqlite3_bind_int64(statement, 1, ledger->quantities[i].number);
        sqlite3_bind_int64(statement, 2, number);
        int step = ledger_step(ledger, statement, err);
        if (step < 0)
            code = failed(err);
        else if (step == SQLITE_ROW && !(code = read_row(ledger, statement, &row, err)))
            code = add_result(results, &ledger->quantities[i], &row, err);
        sqlite3_reset(statement);
    }
    return code;
}

/* ---- one result of many ---- */

void ledger_series_free(struct ledger_series *series)
{
    free(series->values);
    ledger_list_free(&series->list);
    *series = (struct ledger_series){0};
}

/* Where each recording is in the list, by its number. */
struct place {
    int64_t number;
    size_t entry;
};

static int by_number(const void *a, const void *b)
{
    const struct place *left = a, *right = b;
    return (left->number > right->number) - (left->number < right->number);
}

static int by_entry(const void *a, const void *b)
{
    const struct ledger_value *left = a, *right = b;
    return (left->entry > right->entry) - (left->entry < right->entry);
}

static int add_value(struct ledger_series *series, size_t entry,
                     const struct ledger_quantity *quantity, const struct ledger_row *row,
                     struct rig_err *err)
{
    if (series->count == series->room) {
        size_t room = series->room ? 2 * series->room : 64;
        struct ledger_value *larger = realloc(series->values, room * sizeof *larger);
        if (!larger)
            return rig_fail_memory(err, "a trend");
        series->values = larger;
        series->room = room;
    }
    struct ledger_value made = {
        .entry = entry,
        .value = row->value,
        .standard_uncertainty = row->standard_uncertainty,
        .low_95 = row->low_95,
        .high_95 = row->high_95,
        .degrees_of_freedom = row->degrees_of_freedom,
        .reason = *row->reason ? ledger_keep(&series->list.texts, row->reason) : "",
        .unit = quantity->unit,
        .title = quantity->title,
    };
    series->values[series->count++] = made;
    return made.reason ? RIG_OK : rig_fail_memory(err, "a trend");
}

/* All rows of one quantity, which lie together; those of the list are kept. */
static int read_stretch(struct ledger_series *series, struct ledger *ledger,
                        const struct ledger_quantity *kept, const struct place places[],
                        struct rig_err *err)
{
    sqlite3_stmt *statement = ledger_statement(ledger, SQL_RESULTS_OF_QUANTITY, err);
    if (!statement)
        return failed(err);
    sqlite3_bind_int64(statement, 1, kept->number);
    int code = RIG_OK;
    size_t at = 0, count = series->list.count; /* both ascend */
    for (int step; !code && (step = ledger_step(ledger, statement, err)) != SQLITE_DONE;) {
        struct ledger_row row;
        code = step < 0 ? failed(err) : read_row(ledger, statement, &row, err);
        if (code)
            break;
        while (at < count && places[at].number < row.recording)
            at++;
        if (at < count && places[at].number == row.recording)
            code = add_value(series, places[at].entry, kept, &row, err);
    }
    sqlite3_reset(statement);
    return code;
}

/* One by one, where they are few of many. */
static int read_singly(struct ledger_series *series, struct ledger *ledger,
                       const struct ledger_quantity *kept, const struct place places[],
                       struct rig_err *err)
{
    int code = RIG_OK;
    for (size_t i = 0; !code && i < series->list.count; i++) {
        sqlite3_stmt *statement = ledger_statement(ledger, SQL_RESULT, err);
        struct ledger_row row;
        if (!statement)
            return failed(err);
        sqlite3_bind_int64(statement, 1, kept->number);
        sqlite3_bind_int64(statement, 2, places[i].number);
        int step = ledger_step(ledger, statement, err);
        if (step < 0)
            code = failed(err);
        else if (step == SQLITE_ROW && !(code = read_row(ledger, statement, &row, err)))
            code = add_value(series, places[i].entry, kept, &row, err);
        sqlite3_reset(statement);
    }
    return code;
}

static int read_quantity(struct ledger_series *series, struct ledger *ledger,
                         const struct ledger_quantity *quantity, const struct place places[],
                         struct rig_err *err)
{
    const struct ledger_quantity kept = {
        .number = quantity->number,
        .unit = ledger_keep(&series->list.texts, quantity->unit),
        .title = ledger_keep(&series->list.texts, quantity->title),
    };
    if (!kept.unit || !kept.title)
        return rig_fail_memory(err, "a trend");
    return series->list.count < series->list.seen / 16
               ? read_singly(series, ledger, &kept, places, err)
               : read_stretch(series, ledger, &kept, places, err);
}

static int unknown_name(const struct ledger *ledger, const char *name, struct rig_err *err)
{
    const char **names = calloc(ledger->quantity_count + 1, sizeof *names);
    if (!names)
        return rig_fail_memory(err, "a trend");
    for (size_t i = 0; i < ledger->quantity_count; i++)
        names[i] = ledger->quantities[i].name;
    const char *nearest = nearest_word(name, names, ledger->quantity_count);
    int code =
        rig_fail(err, RIG_EINPUT,
                 nearest ? "%s has no result '%.64s'; did you mean '%s'?"
                         : "%s has no result '%.64s'; 'wetsweep ledger show' lists those of a "
                           "recording",
                 ledger->path, name, nearest);
    free(names);
    return code;
}

int ledger_series_of(struct ledger_series *series, struct ledger *ledger, const char *result,
                     const struct ledger_filter *filter, struct rig_err *err)
{
    ledger_series_free(series);
    bool known = false;
    int code = ledger_quantities(ledger, err);
    for (size_t i = 0; i < ledger->quantity_count; i++)
        known = known || strcmp(ledger->quantities[i].name, result) == 0;
    if (!code && !known)
        code = unknown_name(ledger, result, err);
    if (!code)
        code = ledger_find(&series->list, ledger, filter, err);
    struct place *places = code ? NULL : calloc(series->list.count + 1, sizeof *places);
    if (!places)
        return code ? code : rig_fail_memory(err, "a trend");
    for (size_t i = 0; i < series->list.count; i++)
        places[i] = (struct place){series->list.entries[i].number, i};
    qsort(places, series->list.count, sizeof *places, by_number);
    for (size_t i = 0; !code && i < ledger->quantity_count; i++)
        if (strcmp(ledger->quantities[i].name, result) == 0)
            code = read_quantity(series, ledger, &ledger->quantities[i], places, err);
    if (!code && series->count)
        qsort(series->values, series->count, sizeof *series->values, by_entry);
    free(places);
    return code;
}

/* ---- by path ---- */

struct search {
    struct ledger_list *list;
    const struct ledger_filter *filter;
};

static int search_job(void *context, struct ledger *ledger, struct rig_err *err)
{
    const struct search *search = context;
    return ledger_find(search->list, ledger, search->filter, err);
}

int ledger_recordings(struct ledger_list *list, const char *path,
                      const struct ledger_filter *filter, struct text *notice, struct rig_err *err)
{
    struct search search = {list, filter};
    return ledger_use(path, LEDGER_READ, search_job, &search, notice, err);
}
