/* SPDX-License-Identifier: GPL-3.0-or-later
 * Long tables in parts: wherever they are cut and however many threads read them, each
 * row is there once, in its place, and the counts are those of the whole. */
#include "check.h"
#include "recordings.h"
#include "results/recording_parts.h"

#include <gsl/gsl_rng.h>

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static struct recording_bench bench;

static int open_bench(void **state)
{
    struct rig_err err = {0};
    (void)state;
    recording_bench_open(&bench, NULL, NULL);
    assert_int_equal(recording_close(recording_bench_create(&bench), RUN_COMPLETE, "", &err), 0);
    return 0;
}

static int close_bench(void **state)
{
    (void)state;
    recording_bench_close(&bench);
    return 0;
}

/* Lines as the writer makes them, and now and then one that is blank, malformed, or longer
 * than any row; perhaps cut off at the end. */
static char *make_table(gsl_rng *random, size_t lines, double odd, size_t *size)
{
    char *csv = malloc(lines * 64 + 8 * 300000 + 64);
    assert_non_null(csv);
    *size = (size_t)sprintf(csv, "t_s,device_s,level,command\r\n");
    unsigned monsters = 0;
    for (size_t i = 0; i < lines; i++) {
        double t_s = (double)i * 1e-3, level = gsl_rng_uniform(random) * 4 - 1;
        if (gsl_rng_uniform(random) >= odd) {
            *size += (size_t)sprintf(csv + *size, "%.6f,%zu,%.5g,%d%s", t_s, i, level, (int)i - 99,
                                     gsl_rng_uniform(random) < 0.5 ? "\n" : "\r\n");
            continue;
        }
        switch (gsl_rng_uniform_int(random, 6)) {
        case 0:
            *size += (size_t)sprintf(csv + *size, "\n");
            break;
        case 1:
            *size += (size_t)sprintf(csv + *size, "%.6f,,nan,\n", t_s);
            break;
        case 2:
            *size += (size_t)sprintf(csv + *size, "%.6f,1,2\n", t_s);
            break;
        case 3:
            *size += (size_t)sprintf(csv + *size, "%.6f,\"1\",2,\"3\n", t_s);
            break;
        case 4:
            *size += (size_t)sprintf(csv + *size, "%.6f, 1 ,\"2.5\",1e2\r\n", t_s - 3);
            break;
        default:
            if (monsters == 8)
                break;
            monsters++;
            size_t length = 1000 + gsl_rng_uniform_int(random, 290000);
            memset(csv + *size, 'x', length);
            *size += length;
            csv[(*size)++] = '\n';
        }
    }
    if (gsl_rng_uniform(random) < 0.5)
        *size += (size_t)sprintf(csv + *size, "%zu.0,1,2,", lines);
    return csv;
}

static void assert_same_rows(const struct kept_rows *a, const struct kept_rows *b)
{
    assert_int_equal(a->rows, b->rows);
    for (size_t i = 0; i < a->rows * a->columns; i++)
        if (a->cells[i] != b->cells[i] && !(isnan(a->cells[i]) && isnan(b->cells[i])))
            fail_msg("row %zu, column %zu: %.17g and %.17g", i / a->columns, i % a->columns,
                     a->cells[i], b->cells[i]);
}

static int by_size(const void *a, const void *b)
{
    uint64_t x = *(const uint64_t *)a, y = *(const uint64_t *)b;
    return (x > y) - (x < y);
}

enum { PARTS = 40 };

/* Some anywhere, some just at a line's end, some nearly on top of one another. */
static void choose_borders(gsl_rng *random, const char *csv, size_t size, uint64_t borders[])
{
    borders[0] = 0;
    for (size_t i = 1; i < PARTS; i++) {
        uint64_t at = gsl_rng_uniform_int(random, size);
        if (i % 4 == 1) {
            const char *newline = memchr(csv + at, '\n', size - at);
            at = newline ? (uint64_t)(newline - csv) + gsl_rng_uniform_int(random, 3) : size;
        } else if (i % 4 == 2) {
            at = borders[i - 1] + gsl_rng_uniform_int(random, 40);
        }
        borders[i] = at < size ? at : size;
    }
    borders[PARTS] = size;
    qsort(borders, PARTS + 1, sizeof *borders, by_size);
}

static void parts_meet_wherever_they_are_cut(void **state)
{
    (void)state;
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(random, 20260418);
    uint64_t rows = 0, malformed = 0, cut = 0;
    for (int round = 0; round < 30; round++) {
        size_t size;
        char *csv = make_table(random, 1 + gsl_rng_uniform_int(random, 8000),
                               round % 3 ? 0.02 : 0.3 * gsl_rng_uniform(random), &size);
        recording_bench_put(&bench, "board.csv", csv, size);
        struct recording *recording = recording_bench_reopen(&bench);
        struct rig_err err = {0};
        struct kept_rows whole = {0}, joined = {0};
        struct scan_report report = {0};
        struct table_file file;
        uint64_t borders[PARTS + 1];
        assert_int_equal(recording_scan(recording, 0, keep_rows, &whole, &report, &err), 0);
        choose_borders(random, csv, size, borders);
        assert_int_equal(recording_table_open(&file, recording, 0, &err), 0);
        struct scan_report counted = recording_table_report(&file);
        for (size_t i = 0; i < PARTS; i++) {
            struct kept_rows part = {0};
            struct scan_report own = {0};
            struct table_scanner scanner;
            assert_int_equal(recording_table_scanner_open(&scanner, &file, keep_rows, &part, &err),
                             0);
            assert_int_equal(recording_table_scan(&scanner, borders[i], borders[i + 1], &own, &err),
                             0);
            recording_table_scanner_close(&scanner);
            scan_report_follow(&counted, &own);
            const double *columns[4];
            for (size_t r = 0; r < part.rows; r++) {
                for (size_t c = 0; c < 4; c++)
                    columns[c] = &part.cells[4 * r + c];
                const struct row_batch batch = {1, 4, columns, joined.rows};
                assert_int_equal(keep_rows(&joined, &batch, &err), 0);
            }
            free(part.cells);
        }
        recording_table_close(&file);
        assert_same_rows(&joined, &whole);
        assert_memory_equal(&counted, &report, sizeof report);
        rows += report.rows;
        malformed += report.malformed;
        cut += report.cut_last_line;
        free(whole.cells);
        free(joined.cells);
        recording_free(recording);
        free(csv);
    }
    print_message("%llu rows, %llu malformed, %llu cut\n", (unsigned long long)rows,
                  (unsigned long long)malformed, (unsigned long long)cut);
    assert_true(rows > 50000 && malformed > 1000 && cut > 5);
    gsl_rng_free(random);
}

/* ---- collectors ---- */

/* Keeps rows, and of how many rows each part was that was merged. */
struct keeper {
    struct kept_rows rows;
    size_t merges, sizes[4096];
    size_t full_at; /* rows */
    size_t open_parts;
    uint64_t fails_from; /* the row whose first column is this or more, in ms, fails */
};

struct keeper_part {
    struct keeper *keeper;
    struct kept_rows rows;
};

static void *open_part(void *whole, struct rig_err *err)
{
    struct keeper_part *part = calloc(1, sizeof *part);
    if (!part) {
        rig_fail_memory(err, "a test");
        return NULL;
    }
    part->keeper = whole;
    part->keeper->open_parts++; /* parts are opened by one thread */
    return part;
}

static int take(void *context, const struct row_batch *batch, struct rig_err *err)
{
    struct keeper_part *part = context;
    struct row_batch own = *batch; /* which may have been merged in between */
    own.first_row = part->rows.rows;
    double last_ms = batch->values[0][batch->rows - 1] * 1e3;
    if (last_ms >= (double)part->keeper->fails_from)
        return rig_fail(err, RIG_EINPUT, "failed at %.0f ms", batch->values[0][0] * 1e3);
    return keep_rows(&part->rows, &own, err);
}

static bool full(const void *context)
{
    const struct keeper_part *part = context;
    return part->rows.rows >= part->keeper->full_at;
}

static int merge(void *context, void *shared, struct rig_err *err)
{
    struct keeper *keeper = context;
    struct keeper_part *part = shared;
    assert_true(keeper->merges < 4096);
    keeper->sizes[keeper->merges++] = part->rows.rows;
    for (size_t r = 0; r < part->rows.rows; r++) {
        const double *columns[4];
        for (size_t c = 0; c < 4; c++)
            columns[c] = &part->rows.cells[4 * r + c];
        const struct row_batch batch = {1, 4, columns, keeper->rows.rows};
        int code = keep_rows(&keeper->rows, &batch, err);
        if (code)
            return code;
    }
    part->rows.rows = 0;
    return 0;
}

static void close_part(void *context)
{
    struct keeper_part *part = context;
    part->keeper->open_parts--;
    free(part->rows.cells);
    free(part);
}

static struct row_collector collector_of(struct keeper *keeper)
{
    return (struct row_collector){keeper, open_part, take, full, merge, close_part};
}

static void any_number_of_threads_gives_the_same(void **state)
{
    (void)state;
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(random, 7);
    size_t size;
    char *csv = make_table(random, 150000, 2e-4, &size);
    struct rig_err err = {0};
    recording_bench_put(&bench, "board.csv", csv, size);
    struct recording *recording = recording_bench_reopen(&bench);
    struct kept_rows whole = {0};
    struct scan_report report = {0};
    assert_int_equal(recording_scan(recording, 0, keep_rows, &whole, &report, &err), 0);
    struct keeper *first = NULL;
    for (size_t threads = 1; threads <= 9; threads += threads < 3 ? 1 : 3) {
        struct keeper *small = calloc(1, sizeof *small), *large = calloc(1, sizeof *large);
        assert_true(small && large);
        small->full_at = 3000;
        large->full_at = SIZE_MAX;
        small->fails_from = large->fails_from = UINT64_MAX;
        const struct row_collector collectors[] = {collector_of(small), collector_of(large)};
        struct scan_report counted = {0};
        assert_int_equal(recording_pass(recording, 0, threads, collectors, 2, &counted, &err), 0);
        assert_memory_equal(&counted, &report, sizeof report);
        assert_same_rows(&small->rows, &whole);
        assert_same_rows(&large->rows, &whole);
        assert_int_equal(small->open_parts, 0);
        assert_true(small->merges > whole.rows / 8000);
        /* The parts are the same too: what isn't quite associative has the same sums. */
        if (first) {
            assert_int_equal(small->merges, first->merges);
            assert_memory_equal(small->sizes, first->sizes, sizeof first->sizes);
        }
        free(large->rows.cells);
        free(large);
        free(small->rows.cells);
        small->rows = (struct kept_rows){0};
        if (first)
            free(small);
        else
            first = small;
    }
    free(first);
    free(whole.cells);
    free(csv);
    recording_free(recording);
    gsl_rng_free(random);
}

static void the_first_error_is_returned(void **state)
{
    (void)state;
    struct rig_err err = {0};
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    size_t size;
    char *csv = make_table(random, 150000, 0, &size);
    recording_bench_put(&bench, "board.csv", csv, size);
    struct recording *recording = recording_bench_reopen(&bench);
    struct rig_err expected = {0};
    for (int round = 0; round < 30; round++) {
        struct keeper *keeper = calloc(1, sizeof *keeper);
        assert_non_null(keeper);
        keeper->full_at = SIZE_MAX;
        keeper->fails_from = 70000;
        const struct row_collector collector = collector_of(keeper);
        struct scan_report report = {0};
        assert_int_equal(
            recording_pass(recording, 0, 1 + (size_t)round % 5, &collector, 1, &report, &err),
            RIG_EINPUT);
        if (round == 0)
            expected = err;
        assert_string_equal(err.text, expected.text);
        assert_contains(err.text, "failed at ");
        assert_int_equal(keeper->open_parts, 0);
        assert_true(keeper->rows.rows < 70000 && report.rows < 71000);
        free(keeper->rows.cells);
        free(keeper);
    }
    struct scan_report report = {0};
    assert_int_equal(recording_pass(recording, 2, 1, NULL, 0, &report, &err), RIG_EBUG);
    assert_int_equal(recording_pass(recording, 0, 1, NULL, ROW_COLLECTOR_LIMIT + 1, &report, &err),
                     RIG_EBUG);
    assert_int_equal(recording_pass(recording, 0, 0, NULL, 0, &report, &err), 0);
    assert_int_equal(report.rows, 150000);
    recording_free(recording);
    free(csv);
    gsl_rng_free(random);
}

/* Nothing in it, a header only, no whole header, a single line of many chunks. */
static void small_and_shapeless_files(void **state)
{
    (void)state;
    static const char header[] = "t_s,device_s,level,command\n";
    struct rig_err err = {0};
    for (int i = 0; i < 5; i++) {
        size_t size = i == 0 ? 0 : i == 1 ? sizeof header - 1 : i == 2 ? 7 : 5000000;
        char *csv = malloc(size + 1);
        assert_non_null(csv);
        memset(csv, '1', size);
        memcpy(csv, header, size < sizeof header - 1 ? size : sizeof header - 1);
        if (i == 4)
            csv[size - 1] = '\n';
        recording_bench_put(&bench, "board.csv", csv, size);
        struct recording *recording = recording_bench_reopen(&bench);
        struct scan_report report = {0}, whole = {0};
        struct kept_rows none = {0};
        assert_int_equal(recording_pass(recording, 0, 3, NULL, 0, &report, &err), 0);
        assert_int_equal(recording_scan(recording, 0, keep_rows, &none, &whole, &err), 0);
        assert_memory_equal(&report, &whole, sizeof whole);
        assert_int_equal(report.rows, 0);
        assert_int_equal(report.malformed, i >= 3);
        assert_int_equal(report.cut_last_line, i == 2 || i == 3);
        recording_free(recording);
        free(csv);
    }
}

int main(void)
{
#define WITH_BENCH(test) cmocka_unit_test_setup_teardown(test, open_bench, close_bench)
    const struct CMUnitTest tests[] = {
        WITH_BENCH(parts_meet_wherever_they_are_cut),
        WITH_BENCH(any_number_of_threads_gives_the_same),
        WITH_BENCH(the_first_error_is_returned),
        WITH_BENCH(small_and_shapeless_files),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
