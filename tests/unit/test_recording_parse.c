/* SPDX-License-Identifier: GPL-3.0-or-later
 * The recording's own CSV reader against libcsv, on tables made at random: the same
 * rows, bit for bit. */
#include "check.h"
#include "recordings.h"
#include "results/recording_parts.h"

#include "base/number.h"

#include <csv.h>
#include <gsl/gsl_rng.h>

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* ---- the other road: libcsv and rig_number ---- */

struct slow {
    struct kept_rows kept;
    size_t columns, cell;
    bool bad;
    uint64_t malformed;
    double row[64];
};

static void slow_cell(void *bytes, size_t size, void *context)
{
    struct slow *slow = context;
    double value = NAN;
    if (slow->cell >= slow->columns || (size && !rig_number(bytes, size, &value, NULL)))
        slow->bad = true;
    else
        slow->row[slow->cell] = value;
    slow->cell++;
}

static void slow_row(int end, void *context)
{
    struct slow *slow = context;
    (void)end;
    const double *cells[64];
    if (slow->bad || slow->cell != slow->columns || isnan(slow->row[0])) {
        slow->malformed++;
    } else {
        for (size_t c = 0; c < slow->columns; c++)
            cells[c] = &slow->row[c];
        const struct row_batch batch = {
            .rows = 1, .columns = slow->columns, .values = cells, .first_row = slow->kept.rows};
        assert_int_equal(keep_rows(&slow->kept, &batch, NULL), 0);
    }
    slow->cell = 0;
    slow->bad = false;
}

static void by_libcsv(struct slow *slow, const char *bytes, size_t size, size_t columns)
{
    struct csv_parser parser;
    *slow = (struct slow){.columns = columns};
    assert_int_equal(csv_init(&parser, 0), 0);
    assert_int_equal(csv_parse(&parser, bytes, size, slow_cell, slow_row, slow), size);
    csv_free(&parser);
}

static void assert_same_bits(const struct kept_rows *a, const struct kept_rows *b)
{
    assert_int_equal(a->rows, b->rows);
    for (size_t i = 0; i < a->rows * a->columns; i++)
        if (memcmp(&a->cells[i], &b->cells[i], sizeof(double)) != 0 &&
            !(isnan(a->cells[i]) && isnan(b->cells[i])))
            fail_msg("cell %zu: %.17g and %.17g", i, a->cells[i], b->cells[i]);
}

/* ---- tables at random ---- */

struct page {
    char *bytes;
    size_t size;
};

/* As most channels are: the same digits before and behind the point row after row, but that
 * a last 0 is left out, a sign or a digit more comes and goes, and a value is missing. */
struct steady {
    unsigned whole, decimals;
};

static void put(struct page *page, const char *text)
{
    size_t length = strlen(text);
    memcpy(page->bytes + page->size, text, length);
    page->size += length;
}

static void put_digits(struct page *page, gsl_rng *random, unsigned count)
{
    while (count--)
        page->bytes[page->size++] = (char)('0' + gsl_rng_uniform_int(random, 10));
}

/* A cell as others might write it; `odd` is how often it is more than plain. */
static void put_cell(struct page *page, gsl_rng *random, double odd)
{
    static const char *const strange[] = {"nan",        "inf",    "1e400",
                                          "-1e400",     "1e-400", "0x10",
                                          "1,5 ",       "--1",    "1.2.3",
                                          "+",          "-",      ".",
                                          "e5",         "1e",     "1e+",
                                          "1 2",        "12abc",  "\x01",
                                          "\xff",       "5.",     ".5",
                                          "+7",         "+.5e1",  "-0",
                                          "-0.0",       "00",     "007.5",
                                          "1E5",        "1e05",   "9007199254740993",
                                          "\"1\"\"2\"", "1\"",    "2.2250738585072011e-308",
                                          "0.1e1",      "\"\"",   "17976931348623157e292"};
    if (gsl_rng_uniform(random) >= odd) {
        if (gsl_rng_uniform(random) < 0.3)
            put(page, "-");
        put_digits(page, random, 1 + (unsigned)gsl_rng_uniform_int(random, 9));
        if (gsl_rng_uniform(random) < 0.7) {
            put(page, ".");
            put_digits(page, random, 1 + (unsigned)gsl_rng_uniform_int(random, 18));
        }
        return;
    }
    switch (gsl_rng_uniform_int(random, 8)) {
    case 0: /* empty */
        return;
    case 1:
        put(page, strange[gsl_rng_uniform_int(random, sizeof strange / sizeof *strange)]);
        return;
    case 2:
        put(page, "\"");
        put_cell(page, random, 0);
        put(page, "\"");
        return;
    case 3:
        put(page, " \t ");
        put_cell(page, random, 0);
        put(page, gsl_rng_uniform(random) < 0.5 ? "  " : "");
        return;
    case 4:
        put_cell(page, random, 0);
        put(page, gsl_rng_uniform(random) < 0.5 ? "e-" : "E");
        put_digits(page, random, 1 + (unsigned)gsl_rng_uniform_int(random, 3));
        return;
    case 5: /* longer than any double */
        put_digits(page, random, 15 + (unsigned)gsl_rng_uniform_int(random, 30));
        put(page, ".");
        put_digits(page, random, (unsigned)gsl_rng_uniform_int(random, 30));
        return;
    case 6:
        put(page, "\" ");
        put_cell(page, random, 0);
        put(page, "\"\t");
        return;
    default:
        put(page, "+");
        put_cell(page, random, 0);
        return;
    }
}

static void make_page(struct page *page, gsl_rng *random, size_t rows, size_t columns, double odd)
{
    page->bytes = malloc(rows * (columns + 2) * 128);
    page->size = 0;
    assert_non_null(page->bytes);
    for (size_t r = 0; r < rows; r++) {
        size_t cells = columns;
        if (gsl_rng_uniform(random) < odd / 4) /* too few, too many */
            cells = gsl_rng_uniform_int(random, columns + 3);
        for (size_t c = 0; c < cells; c++) {
            if (c)
                put(page, ",");
            put_cell(page, random, c ? odd : odd / 4);
        }
        put(page, gsl_rng_uniform(random) < 0.5 ? "\r\n" : "\n");
        if (gsl_rng_uniform(random) < odd / 8)
            put(page, gsl_rng_uniform(random) < 0.5 ? "\n" : " \t\r\n");
    }
}

static void parse(const char *bytes, size_t size, size_t columns, struct kept_rows *kept,
                  struct scan_report *report)
{
    struct rig_err err = {0};
    size_t used;
    *kept = (struct kept_rows){.columns = columns};
    *report = (struct scan_report){0};
    /* An exact allocation lets the address sanitizer see a byte too far. */
    char *exact = malloc(size ? size : 1);
    assert_non_null(exact);
    memcpy(exact, bytes, size);
    assert_int_equal(recording_parse(exact, size, columns, keep_rows, kept, &used, report, &err),
                     0);
    assert_int_equal(used, size);
    free(exact);
}

static void same_rows_as_libcsv(void **state)
{
    (void)state;
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(random, 20260417);
    uint64_t rows = 0, malformed = 0;
    for (int i = 0; i < 400; i++) {
        size_t columns = 1 + gsl_rng_uniform_int(random, 8);
        struct page page;
        struct slow slow;
        struct kept_rows kept;
        struct scan_report report;
        make_page(&page, random, 1 + gsl_rng_uniform_int(random, 2500), columns,
                  i % 4 == 0 ? 0 : gsl_rng_uniform(random));
        by_libcsv(&slow, page.bytes, page.size, columns);
        parse(page.bytes, page.size, columns, &kept, &report);
        assert_same_bits(&kept, &slow.kept);
        assert_int_equal(report.rows, slow.kept.rows);
        assert_int_equal(report.malformed, slow.malformed);
        rows += report.rows;
        malformed += report.malformed;
        free(page.bytes);
        free(kept.cells);
        free(slow.kept.cells);
    }
    print_message("%llu rows, %llu malformed\n", (unsigned long long)rows,
                  (unsigned long long)malformed);
    assert_true(rows > 100000 && malformed > 10000);
    gsl_rng_free(random);
}

/* Every way to write up to 9 + 15 digits, against rig_number. */
static void numbers_are_exact(void **state)
{
    (void)state;
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(random, 3);
    struct page page = {.bytes = malloc(64 * 100000)};
    assert_non_null(page.bytes);
    for (int i = 0; i < 100000; i++) {
        if (i % 2)
            put(&page, "-");
        put_digits(&page, random, 1 + (unsigned)gsl_rng_uniform_int(random, 9));
        unsigned decimals = (unsigned)gsl_rng_uniform_int(random, 20);
        if (decimals)
            put(&page, ".");
        put_digits(&page, random, decimals);
        put(&page, "\n");
    }
    struct kept_rows kept;
    struct scan_report report;
    parse(page.bytes, page.size, 1, &kept, &report);
    assert_int_equal(report.rows, 100000);
    const char *at = page.bytes;
    for (size_t i = 0; i < kept.rows; i++) {
        const char *end = strchr(at, '\n');
        double value;
        assert_true(rig_number(at, (size_t)(end - at), &value, NULL));
        if (memcmp(&value, &kept.cells[i], sizeof value) != 0)
            fail_msg("%.*s: %.17g and %.17g", (int)(end - at), at, kept.cells[i], value);
        at = end + 1;
    }
    free(page.bytes);
    free(kept.cells);
    gsl_rng_free(random);
}

static void put_steady(struct page *page, gsl_rng *random, const struct steady *column, bool first)
{
    double luck = gsl_rng_uniform(random);
    if (luck < 0.02 && !first)
        return;
    if (luck > 0.95)
        put(page, "-");
    put_digits(page, random, column->whole + (luck > 0.9));
    unsigned decimals = luck < 0.1 && column->decimals ? column->decimals - 1 : column->decimals;
    if (decimals)
        put(page, ".");
    put_digits(page, random, decimals);
}

/* Columns with layouts that come again: all lengths that a layout may have, and more. */
static void layouts_give_the_same_rows(void **state)
{
    (void)state;
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(random, 20260419);
    uint64_t rows = 0;
    for (int i = 0; i < 200; i++) {
        struct steady columns[6];
        size_t count = 1 + gsl_rng_uniform_int(random, 6),
               lines = gsl_rng_uniform_int(random, 1500);
        struct page page = {.bytes = malloc(lines * (count * 40 + 2) + 1)};
        struct slow slow;
        struct kept_rows kept;
        struct scan_report report;
        assert_non_null(page.bytes);
        for (size_t c = 0; c < count; c++)
            columns[c] = (struct steady){1 + (unsigned)gsl_rng_uniform_int(random, 12),
                                         (unsigned)gsl_rng_uniform_int(random, 12)};
        for (size_t r = 0; r < lines; r++) {
            for (size_t c = 0; c < count; c++) {
                put(&page, c ? "," : "");
                if (gsl_rng_uniform(random) < 0.001)
                    put_cell(&page, random, 1);
                else
                    put_steady(&page, random, &columns[c], c == 0);
            }
            put(&page, i % 2 ? "\r\n" : "\n");
        }
        by_libcsv(&slow, page.bytes, page.size, count);
        parse(page.bytes, page.size, count, &kept, &report);
        assert_same_bits(&kept, &slow.kept);
        assert_int_equal(report.malformed, slow.malformed);
        rows += report.rows;
        free(page.bytes);
        free(kept.cells);
        free(slow.kept.cells);
    }
    print_message("%llu rows\n", (unsigned long long)rows);
    assert_true(rows > 100000);
    gsl_rng_free(random);
}

/* However the bytes are handed over, the rows are the same. */
static void any_split_gives_the_same(void **state)
{
    (void)state;
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(random, 11);
    struct page page;
    struct kept_rows whole;
    struct scan_report report;
    make_page(&page, random, 3000, 3, 0.2);
    parse(page.bytes, page.size, 3, &whole, &report);
    for (int i = 0; i < 20; i++) {
        struct kept_rows pieces = {.columns = 3};
        struct scan_report counted = {0};
        struct rig_err err = {0};
        size_t at = 0, until = 0;
        while (at < page.size) {
            size_t used;
            until += gsl_rng_uniform_int(random, i < 10 ? 100 : 20000);
            if (until > page.size)
                until = page.size;
            assert_int_equal(recording_parse(page.bytes + at, until - at, 3, keep_rows, &pieces,
                                             &used, &counted, &err),
                             0);
            at += used;
            if (until == page.size)
                break;
        }
        assert_same_bits(&pieces, &whole);
        assert_memory_equal(&counted, &report, sizeof report);
        free(pieces.cells);
    }
    free(page.bytes);
    free(whole.cells);
    gsl_rng_free(random);
}

static void bad_rows_are_counted(void **state)
{
    (void)state;
    static const char text[] = "1,2\n"
                               "1.5,\"open\n" /* a stray quote ends with its line */
                               "2,3\r\n"
                               "\n"
                               "3\n"
                               "3,4,5\n"
                               ",4\n" /* no time */
                               "nan,4\n"
                               "4,\n"
                               "3.5,6\n" /* backward, still a row */
                               "9,9";    /* cut off */
    struct kept_rows kept = {.columns = 2};
    struct scan_report report = {0};
    struct rig_err err = {0};
    size_t used;
    assert_int_equal(
        recording_parse(text, sizeof text - 1, 2, keep_rows, &kept, &used, &report, &err), 0);
    assert_int_equal(used, sizeof text - 1 - 3);
    assert_int_equal(kept.rows, 4);
    assert_near(kept.cells[2], 2, 0, "");
    assert_true(isnan(kept.cells[5]));
    assert_int_equal(report.malformed, 5);
    assert_int_equal(report.first_malformed_line, 2);
    assert_int_equal(report.lines, 10);
    assert_int_equal(report.backward_times, 1);
    assert_near(report.first_t_s, 1, 0, "s");
    assert_near(report.last_t_s, 3.5, 0, "s");
    free(kept.cells);
    assert_int_equal(recording_parse(text, 4, 0, keep_rows, &kept, &used, &report, &err), RIG_EBUG);
    assert_int_equal(recording_parse(text, 4, 257, keep_rows, &kept, &used, &report, &err),
                     RIG_EBUG);
}

static int give_up(void *context, const struct row_batch *batch, struct rig_err *err)
{
    int *calls = context;
    (void)batch;
    return ++*calls == 2 ? rig_fail(err, RIG_ESTOPPED, "enough") : 0;
}

static void the_sink_can_stop(void **state)
{
    (void)state;
    size_t size = 4 * 10000, used;
    char *bytes = malloc(size);
    assert_non_null(bytes);
    for (size_t i = 0; i < size; i += 4)
        memcpy(bytes + i, "1,2\n", 4);
    struct scan_report report = {0};
    struct rig_err err = {0};
    int calls = 0;
    assert_int_equal(recording_parse(bytes, size, 2, give_up, &calls, &used, &report, &err),
                     RIG_ESTOPPED);
    assert_string_equal(err.text, "enough");
    assert_int_equal(calls, 2);
    free(bytes);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(same_rows_as_libcsv),  cmocka_unit_test(layouts_give_the_same_rows),
        cmocka_unit_test(numbers_are_exact),    cmocka_unit_test(any_split_gives_the_same),
        cmocka_unit_test(bad_rows_are_counted), cmocka_unit_test(the_sink_can_stop),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
