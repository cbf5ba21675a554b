/* SPDX-License-Identifier: GPL-3.0-or-later
 * wetsweep ledger list, show and rebuild. */
#include "commands.h"
#include "ledger_parts.h"

#include "base/file.h"
#include "base/number.h"
#include "results/report.h"
#include "rig/ledger_place.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* ---- list ---- */

enum { COLUMNS = 9 };

struct search {
    const struct ledger_wish *wish;
    struct ledger_list list;
    struct result_list results; /* show: of the one entry */
    size_t found;               /* its index */
};

static int find_job(void *context, struct ledger *ledger, struct rig_err *err)
{
    struct search *search = context;
    return ledger_find(&search->list, ledger, &search->wish->filter, err);
}

/* What of a row has to be put into words, and what was. */
struct words {
    char number[24], started[24], water[24], results[32];
    double water_degc;
    uint32_t known, refused;
};

static void put_into_words(const struct ledger_entry *entry, struct words *words)
{
    snprintf(words->number, sizeof words->number, "%lld", (long long)entry->number);
    ledger_minute(words->started, entry->started);
    if (entry->water_degc != words->water_degc) { /* also when it is NaN */
        words->water_degc = entry->water_degc;
        *words->water = 0;
        if (isfinite(entry->water_degc))
            snprintf(words->water, sizeof words->water, "%.1f degC", entry->water_degc);
    }
    if (entry->known != words->known || entry->refused != words->refused) {
        words->known = entry->known;
        words->refused = entry->refused;
        snprintf(words->results, sizeof words->results, "%u of %u", (unsigned)entry->known,
                 (unsigned)(entry->known + entry->refused));
    }
}

static void cells_of(const struct ledger_entry *entry, const struct words *words,
                     const char *cells[COLUMNS])
{
    const char *const row[COLUMNS] = {words->number,   words->started, entry->board,
                                      entry->revision, entry->coating, words->water,
                                      words->results,  entry->verdict, entry->folder};
    memcpy(cells, row, sizeof row);
}

static void add_row(struct text *page, const char *const cells[COLUMNS], const size_t widths[])
{
    static const char blanks[] = "                                ";
    for (int c = 0; c < COLUMNS - 1; c++) {
        size_t size = strlen(cells[c]);
        text_add_bytes(page, cells[c], size);
        for (size_t left = widths[c] + 2 - size; left;) {
            size_t some = left < sizeof blanks - 1 ? left : sizeof blanks - 1;
            text_add_bytes(page, blanks, some);
            left -= some;
        }
    }
    text_add(page, cells[COLUMNS - 1]);
    text_add(page, "\n");
}

static int print_list(const struct ledger_list *list, size_t first, struct rig_err *err)
{
    enum { PAGE = 1 << 16 };
    static const char *const heads[COLUMNS] = {"no",    "started", "board",  "rev",      "coating",
                                               "water", "results", "judged", "recording"};
    const char *cells[COLUMNS];
    struct text page = {0};
    struct words words = {.water_degc = NAN, .results = "0 of 0"};
    size_t widths[COLUMNS];
    for (int c = 0; c < COLUMNS; c++)
        widths[c] = strlen(heads[c]);
    for (size_t i = first; i < list->count; i++) {
        put_into_words(&list->entries[i], &words);
        cells_of(&list->entries[i], &words, cells);
        for (int c = 0; c < COLUMNS - 1; c++) {
            size_t size = strlen(cells[c]);
            widths[c] = size > widths[c] ? size : widths[c];
        }
    }
    add_row(&page, heads, widths);
    for (size_t i = first; i < list->count; i++) {
        put_into_words(&list->entries[i], &words);
        cells_of(&list->entries[i], &words, cells);
        add_row(&page, cells, widths);
        if (page.size > PAGE && !text_failed(&page)) {
            fwrite(page.bytes, 1, page.size, stdout);
            page.size = 0;
        }
    }
    int code = text_failed(&page) ? rig_fail_memory(err, "the list") : RIG_OK;
    if (!code)
        fwrite(page.bytes, 1, page.size, stdout);
    text_free(&page);
    return code;
}

int ledger_list_command(const struct ledger_wish *wish)
{
    struct search search = {.wish = wish};
    struct rig_err err = {0};
    int code = ledger_run(wish, find_job, &search, &err);
    size_t count = search.list.count, last = (size_t)wish->last;
    if (!code && count)
        code = print_list(&search.list, last && last < count ? count - last : 0, &err);
    else if (!code)
        puts("no recordings");
    ledger_list_free(&search.list);
    return code ? command_error(&err) : 0;
}

/* ---- show ---- */

static bool same_folder(const char *a, const char *b)
{
    char *left = realpath(a, NULL), *right = realpath(b, NULL);
    bool same = left && right ? strcmp(left, right) == 0 : strcmp(a, b) == 0;
    free(left);
    free(right);
    return same;
}

static int show_job(void *context, struct ledger *ledger, struct rig_err *err)
{
    struct search *search = context;
    const char *what = search->wish->what;
    const struct ledger_filter all = {0};
    int64_t number = 0;
    int code = ledger_find(&search->list, ledger, &all, err);
    if (code)
        return code;
    bool by_number = rig_whole_number(what, strlen(what), 1, INT64_MAX, &number, NULL);
    search->found = search->list.count;
    for (size_t i = 0; i < search->list.count; i++)
        if (by_number ? search->list.entries[i].number == number
                      : same_folder(search->list.entries[i].folder, what))
            search->found = i;
    if (search->found == search->list.count)
        return rig_fail(err, RIG_EINPUT,
                        "'%.200s' is not in the ledger; 'wetsweep ledger list' shows what is",
                        what);
    return ledger_results(&search->results, ledger, search->list.entries[search->found].number,
                          err);
}

static void print_fact(const char *name, const char *value)
{
    if (*value)
        printf("%-10s %s\n", name, value);
}

/* Whether the ledger's results are those that lie in the recording. */
static const char *freshness(const struct ledger_entry *entry)
{
    char hex[65], kept[65];
    struct rig_err err;
    char *path = file_join(entry->folder, "results.json");
    const char *said = "";
    if (!path || file_sha256(path, hex, &err))
        said = "the recording's results.json can't be read where it was; the values below are the "
               "ledger's";
    else if (strcmp(hex, ledger_hash_text(kept, entry->results_hash)) != 0)
        said = "results.json has changed since; 'wetsweep ledger rebuild FOLDER' takes it in";
    free(path);
    return said;
}

static void print_entry(const struct ledger_entry *entry, const struct result_list *results)
{
    char degc[40] = "", hash[65];
    if (isfinite(entry->water_degc))
        snprintf(degc, sizeof degc, "%g degC", entry->water_degc);
    print_fact("recording", entry->folder);
    print_fact("board", entry->board);
    print_fact("revision", entry->revision);
    print_fact("coating", entry->coating);
    print_fact("note", entry->note);
    print_fact("started", entry->started);
    print_fact("run", entry->state);
    print_fact("profile", entry->profile);
    print_fact("water", degc);
    print_fact("judged", entry->verdict);
    print_fact("wetsweep", entry->version);
    print_fact("sha256", ledger_hash_text(hash, entry->hash));
    print_fact("note:", freshness(entry));
    puts("");
    for (size_t i = 0; i < results->count; i++) {
        struct text value = {0};
        report_value(&value, &results->results[i]);
        printf("%-26s %s\n", results->results[i].name, value.bytes ? value.bytes : "");
        text_free(&value);
    }
}

int ledger_show_command(const struct ledger_wish *wish)
{
    struct search search = {.wish = wish};
    struct rig_err err = {0};
    int code = ledger_run(wish, show_job, &search, &err);
    if (!code)
        print_entry(&search.list.entries[search.found], &search.results);
    ledger_list_free(&search.list);
    result_list_free(&search.results);
    return code ? command_error(&err) : 0;
}

/* ---- rebuild ---- */

int ledger_rebuild_command(const struct ledger_wish *wish)
{
    struct ledger_tally tally = {0};
    struct text notice = {0};
    struct rig_err err = {0};
    char *path = ledger_place(wish->ledger, wish->folders[0]);
    int code = path ? ledger_rebuild(&tally, path, wish->folders, wish->folder_count, &notice, &err)
                    : rig_fail_memory(&err, "the ledger");
    if (notice.size)
        fprintf(stderr, "wetsweep: %s", notice.bytes);
    text_free(&notice);
    if (!code) {
        printf("%s: %zu recording%s\n", path, tally.put, tally.put == 1 ? "" : "s");
        if (tally.unfitted)
            printf("%zu not fitted yet ('wetsweep fit RECORDING' does it)\n", tally.unfitted);
        if (tally.copies)
            printf("%zu copies of recordings that are in it already\n", tally.copies);
        if (tally.unreadable)
            printf("%zu can't be read; the first: %s\n", tally.unreadable, tally.first_unreadable);
    }
    free(path);
    if (code)
        return command_error(&err);
    return tally.unreadable ? 1 : 0;
}
