/* SPDX-License-Identifier: GPL-3.0-or-later
 * docs/formats_text.md against the readers: every statement is there, and every
 * example is read. */
#include "check.h"

#include "motion/plan.h"
#include "motion/profile.h"
#include "motion/rigfile_parts.h"
#include "motion/syncfile.h"
#include "rig/sim.h"
#include "rig/sim_file.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static char *page;
static struct units *units;

/* The text from a heading to the next, NUL-terminated; freed by the caller. */
static char *part_of(const char *heading)
{
    const char *start = strstr(page, heading);
    if (!start) {
        fail_msg("no heading '%s'", heading);
        return NULL;
    }
    start += strlen(heading);
    const char *end = strstr(start, "\n##"); /* a lone # is a comment in an example */
    size_t size = end ? (size_t)(end - start) : strlen(start);
    char *part = calloc(1, size + 1);
    assert_non_null(part);
    snprintf(part, size + 1, "%.*s", (int)size, start);
    return part;
}

static void need_row(const char *part, const char *word)
{
    char row[64];
    snprintf(row, sizeof row, "\n| `%s", word);
    if (!strstr(part, row))
        print_error("the table has no row for '%s'\n", word);
    assert_non_null(strstr(part, row));
}

static void need_table(const char *heading, const struct rig_word words[])
{
    char *part = part_of(heading);
    for (size_t i = 0; words[i].word; i++)
        need_row(part, words[i].word);
    free(part);
}

static void every_statement_is_described(void **state)
{
    (void)state;
    need_table("\n### axis\n", rig_axis_words);
    need_table("\n### water\n", rig_water_words);
    need_table("\n### source NAME\n", rig_source_words);
    char *profiles = part_of("\n## Profiles\n");
    for (size_t i = 0; profile_words[i].word; i++)
        need_row(profiles, profile_words[i].word);
    free(profiles);
    for (int role = 0; role < CHANNEL_ROLE_COUNT; role++) {
        char quoted[40];
        snprintf(quoted, sizeof quoted, "`%s`", channel_role_name((enum channel_role)role));
        assert_contains(page, quoted);
    }
}

static char *fenced(const char *language)
{
    char opening[40];
    snprintf(opening, sizeof opening, "\n```%s\n", language);
    const char *start = strstr(page, opening);
    assert_non_null(start);
    start += strlen(opening);
    const char *end = strstr(start, "```\n");
    assert_non_null(end);
    char *text = calloc(1, (size_t)(end - start) + 1);
    assert_non_null(text);
    snprintf(text, (size_t)(end - start) + 1, "%.*s", (int)(end - start), start);
    return text;
}

static void whole_examples_are_read(void **state)
{
    (void)state;
    static struct rig rig;
    struct rig_err err = {0};
    char *text = fenced("rig");
    if (rig_read(&rig, "page.rig", text, strlen(text), units, &err))
        print_error("%s\n", err.text);
    assert_int_equal(err.code, 0);
    free(text);
    text = fenced("sync");
    static struct sync sync;
    if (sync_read(&sync, "page.sync", text, strlen(text), units, &err))
        print_error("%s\n", err.text);
    assert_int_equal(err.code, 0);
    assert_true(sync.start_delay_s.value > 0 && sync.spread_s > 0 && sync.skew_ppm.u > 0 &&
                sync.backlash_mm.u > 0 && sync.source_count == 1);
    free(text);
    text = fenced("profile");
    rig.axis.line_rate_hz = 300;
    struct plan *plan = plan_make(&rig, "page.profile", text, strlen(text), units, NULL, &err);
    if (!plan)
        print_error("%s\n", err.text);
    assert_non_null(plan);
    plan_free(plan);
    free(text);
}

/* The last cell of a row holds its example; each is put where it belongs and read. */
static void examples_of_the_tables_are_read(void **state)
{
    (void)state;
    static const struct {
        const char *heading, *before, *after;
        bool rig;
    } tables[] = {
        {"\n### axis\n", "axis\n", "end\n", true},
        {"\n### water\n", "water\n", "end\n", true},
        {"\n### source NAME\n", "source s\n", "end\n", true},
        {"\n## Profiles\n", "", "", false},
    };
    size_t read = 0;
    for (size_t t = 0; t < sizeof tables / sizeof *tables; t++) {
        char *part = part_of(tables[t].heading);
        char *rows = NULL;
        for (char *row = strtok_r(part, "\n", &rows); row; row = strtok_r(NULL, "\n", &rows)) {
            if (strncmp(row, "| `", 3) != 0)
                continue;
            /* The first example of the last cell: "... | `EXAMPLE` |". */
            char *cell = strrchr(row, '|');
            *cell = 0;
            cell = strrchr(row, '|');
            assert_non_null(cell);
            char *example = strchr(cell, '`');
            assert_non_null(example);
            *strchr(++example, '`') = 0;
            char text[600], place[40];
            bool block = !tables[t].rig &&
                         (strncmp(example, "repeat", 6) == 0 || strncmp(example, "each", 4) == 0);
            if (strcmp(example, "end") == 0)
                continue;
            snprintf(text, sizeof text, "%s%s\n%s%s", tables[t].before, example, tables[t].after,
                     tables[t].rig ? ""
                     : block       ? "hold 1 s\nend\n"
                                   : "hold 1 s\n");
            struct rig_err err = {0};
            static struct rig rig;
            struct profile profile = {0};
            int code = tables[t].rig ? rig_read(&rig, "x", text, strlen(text), units, &err)
                                     : profile_read(&profile, "x", text, strlen(text), units, &err);
            /* A block of one statement lacks others, which is said at its first line;
             * anything wrong with the example itself stands on its own line. */
            snprintf(place, sizeof place, "x:%d:", tables[t].rig ? 2 : 1);
            if (code && (!tables[t].rig || strncmp(err.text, place, strlen(place)) == 0))
                print_error("%s\n%s\n", example, err.text);
            assert_true(!code || (tables[t].rig && strncmp(err.text, place, strlen(place)) != 0));
            profile_free(&profile);
            read++;
        }
        free(part);
    }
    assert_true(read >= 18 + 3 + 6 + 11);
}

static int open_all(void **state)
{
    (void)state;
    char path[1024];
    const char *source = getenv("WETSWEEP_SOURCE");
    snprintf(path, sizeof path, "%s/docs/formats_text.md", source ? source : ".");
    FILE *file = fopen(path, "rb");
    page = calloc(1, 1 << 18);
    units = units_open(NULL);
    if (!file || !page || !units)
        return -1;
    size_t size = fread(page, 1, (1 << 18) - 1, file);
    fclose(file);
    return size > 0 ? 0 : -1;
}

static int close_all(void **state)
{
    (void)state;
    free(page);
    units_close(units);
    return 0;
}

/* Rows of one table of the bench part, put together as a block, are read as they stand. */
static void bench_examples_are_read(void **state)
{
    (void)state;
    static const struct {
        const char *heading, *block;
        const struct sim_word *words;
    } tables[] = {{"\n### bench: axis\n", "axis", sim_axis_words},
                  {"\n### bench: water\n", "water", sim_water_words},
                  {"\n### bench: board\n", "board", sim_board_words},
                  {"\n### bench: controller and actuator\n", "controller", sim_link_words}};
    for (size_t t = 0; t < sizeof tables / sizeof *tables; t++) {
        char *part = part_of(tables[t].heading), text[4096];
        size_t used = (size_t)snprintf(text, sizeof text, "%s\n", tables[t].block), rows = 0;
        for (size_t i = 0; tables[t].words[i].word; i++)
            need_row(part, tables[t].words[i].word);
        for (const char *row = part; (row = strstr(row, "\n| `")); rows++) {
            const char *from = row + 4, *to = strchr(from, '`');
            assert_non_null(to);
            used += (size_t)snprintf(text + used, sizeof text - used, "  %.*s\n", (int)(to - from),
                                     from);
            row = to;
        }
        snprintf(text + used, sizeof text - used, "end\n");
        assert_true(rows >= 4);
        struct sim_truth truth;
        struct rig_err err = {0};
        if (sim_truth_read(&truth, tables[t].block, text, strlen(text), units, &err))
            fail_msg("%s", err.text);
        free(part);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_statement_is_described),
        cmocka_unit_test(whole_examples_are_read),
        cmocka_unit_test(examples_of_the_tables_are_read),
        cmocka_unit_test(bench_examples_are_read),
    };
    return cmocka_run_group_tests(tests, open_all, close_all);
}
