/* SPDX-License-Identifier: GPL-3.0-or-later
 * Trends over recordings: what is put into one line and what isn't, the words, the
 * picture, and dates. The slope itself is checked in tests/reference/test_statistics.c. */
#include "check.h"
#include "units.h"

#include "base/utc.h"
#include "results/figure_frame.h"
#include "results/figure_svg.h"
#include "results/ledger_trend.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

enum { ROOM = 2500 };
static struct ledger_entry entries[ROOM];
static struct ledger_value values[ROOM];
static char starts[ROOM][24];
static struct ledger_series series;

/* A fresh series; a value a day from 2026-01-01. */
static void begin(void)
{
    series = (struct ledger_series){.list = {.entries = entries}, .values = values};
}

static void add(double value, const char *unit, const char *title)
{
    size_t i = series.count++;
    series.list.count = series.count;
    utc_text(starts[i], 1767225600 + 86400 * (int64_t)i);
    entries[i] = (struct ledger_entry){.started = starts[i], .coating = i % 2 ? "wax" : ""};
    values[i] = (struct ledger_value){.entry = i,
                                      .value = value,
                                      .low_95 = value - 1,
                                      .high_95 = value + 1,
                                      .unit = unit,
                                      .title = title,
                                      .reason = ""};
}

static struct ledger_trend trend_of(const char *name)
{
    struct ledger_trend trend;
    struct rig_err err = {0};
    if (ledger_trend_of(&trend, name, &series, units, &err))
        fail_msg("%s", err.text);
    return trend;
}

static void a_straight_line_is_found(void **state)
{
    (void)state;
    char sentence[FIGURE_SENTENCE_SIZE];
    begin();
    for (int i = 0; i < 20; i++)
        add(1 + 0.25 * i, "mm", "Hysteresis at rest");
    struct ledger_trend trend = trend_of("hysteresis_at_rest");
    assert_true(trend.known);
    assert_int_equal(trend.count, 20);
    assert_int_equal(trend.coatings, 2);
    assert_string_equal(trend.per, "day");
    assert_near(trend.sen.slope, 0.25, 1e-12, "mm/day");
    assert_near(trend.sen.intercept, 1, 1e-12, "mm");
    ledger_trend_sentence(&trend, sentence, sizeof sentence);
    assert_contains(sentence, "It rises by 0.25 mm a day (95 % interval of the slope 0.25 to 0.25");
    ledger_trend_free(&trend);
}

static void no_trend_is_said_with_what_would_have_shown(void **state)
{
    (void)state;
    char sentence[FIGURE_SENTENCE_SIZE];
    begin();
    for (int i = 0; i < 400; i++)
        add((i % 3) - 1, "mm", "t");
    struct ledger_trend trend = trend_of("x");
    assert_string_equal(trend.per, "year");
    ledger_trend_sentence(&trend, sentence, sizeof sentence);
    assert_contains(sentence, "No trend larger than");
    ledger_trend_free(&trend);
    begin();
    add(1, "mm", "t");
    add(2, "mm", "t");
    trend = trend_of("x");
    assert_false(trend.known);
    ledger_trend_sentence(&trend, sentence, sizeof sentence);
    assert_string_equal(sentence,
                        "No trend is known: a trend needs three values, and there are 2.");
    ledger_trend_free(&trend);
    begin();
    for (int i = 0; i < 4; i++)
        add(i, "mm", "t");
    trend = trend_of("x");
    ledger_trend_sentence(&trend, sentence, sizeof sentence);
    assert_contains(sentence, "4 values are too few for a 95 % interval");
    ledger_trend_free(&trend);
}

static void units_are_converted_or_left_out(void **state)
{
    (void)state;
    begin();
    add(0.0005, "m", "Hysteresis at rest");
    add(0.6, "mm", "Hysteresis at rest, worded otherwise");
    add(0.7, "volts", "Hysteresis at rest");
    add(NAN, "mm", "Hysteresis at rest");
    add(0.8, "mm", "Hysteresis at rest");
    entries[1].started = "yesterday";
    struct ledger_trend trend = trend_of("hysteresis_at_rest");
    assert_int_equal(trend.count, 2);
    assert_int_equal(trend.others, 1);
    assert_int_equal(trend.refused, 1);
    assert_int_equal(trend.undated, 1);
    assert_string_equal(trend.unit, "mm");
    assert_near(trend.points[0].value, 0.5, 1e-12, "mm");
    assert_near(trend.points[0].low_95, 0.5 - 1000, 1e-9, "mm");
    ledger_trend_free(&trend);
}

/* gain_1 at 0.2 Hz is no earlier value of gain_1 at 0.5 Hz. */
static void other_frequencies_are_left_out(void **state)
{
    (void)state;
    begin();
    for (int i = 0; i < 3; i++)
        add(0.9, "1", "Gain at 0.2 Hz");
    for (int i = 0; i < 4; i++)
        add(0.7, "1", "Gain at 0.5 Hz");
    struct ledger_trend trend = trend_of("gain_1");
    assert_int_equal(trend.count, 4);
    assert_int_equal(trend.others, 3);
    assert_string_equal(trend.title, "Gain at 0.5 Hz");
    ledger_trend_free(&trend);
}

static void many_are_put_together(void **state)
{
    (void)state;
    begin();
    for (int i = 0; i < ROOM; i++)
        add(i % 10 == 5 ? 1e6 : 0.5 * i, "mm", "t"); /* some are wild */
    struct ledger_trend trend = trend_of("x");
    assert_int_equal(trend.together, 3);
    assert_near(trend.sen.slope / 365.25, 0.5, 1e-3, "mm/day");
    struct figure_list figures = {0};
    struct rig_err err = {0};
    assert_int_equal(ledger_trend_figure(&figures, &trend, &series, "t", &err), 0);
    assert_string_equal(figures.figures[0].series[0].name, "medians of 3 recordings in a row");
    assert_int_equal(figures.figures[0].series[0].count, (ROOM + 2) / 3);
    figure_list_free(&figures);
    ledger_trend_free(&trend);
}

static size_t count_of(const char *text, const char *part)
{
    size_t count = 0;
    for (; (text = strstr(text, part)); text += strlen(part))
        count++;
    return count;
}

static void the_picture_has_every_point(void **state)
{
    (void)state;
    struct figure_list figures = {0};
    struct rig_err err = {0};
    struct text svg = {0};
    begin();
    for (int i = 0; i < 31; i++)
        add(i + 0.1 * (i % 4), "mm", "Width <of> the loop");
    struct ledger_trend trend = trend_of("x");
    assert_int_equal(ledger_trend_figure(&figures, &trend, &series, "Board & trend", &err), 0);
    assert_int_equal(figures.figures[0].series_count, 3); /* two coatings and the line */
    figure_svg(&svg, &figures.figures[0], true);
    assert_false(text_failed(&svg));
    const struct figure *figure = &figures.figures[0];
    assert_int_equal(figure->series[0].count + figure->series[1].count, 31);
    assert_int_equal(count_of(svg.bytes, "h6M"), 2 * 31 - 2); /* two ends a bar, two series */
    assert_contains(svg.bytes, "Board &amp; trend");
    assert_contains(svg.bytes, "Width &lt;of&gt; the loop, mm");
    assert_contains(svg.bytes, ">2026-01-");
    assert_contains(svg.bytes, "no coating given, 95 % interval");
    assert_null(strstr(svg.bytes, "nan"));
    text_free(&svg);
    figure_list_free(&figures);
    ledger_trend_free(&trend);
}

/* The calendar's own steps, whatever the span. */
static void ticks_stand_at_whole_dates(void **state)
{
    (void)state;
    static const struct {
        double low, high;
        size_t count;
        const char *first;
    } cases[] = {
        {1775980800, 1775980800 + 6 * 3600, 7, "04-12 08:00"}, /* 2026-04-12T08:00:00Z */
        {1775980800, 1775980800 + 40 * 3600, 7, "04-12 12:00"},
        {1775980800, 1775980800 + 6 * 86400, 6, "2026-04-13"},
        {1775980800, 1775980800 + 50 * 86400.0, 7, "2026-04-16"},
        {1775980800, 1775980800 + 200 * 86400.0, 6, "2026-05"},
        {1775980800, 1775980800 + 700 * 86400.0, 7, "2026-07"},
        {1775980800, 1775980800 + 5000 * 86400.0, 6, "2028"},
        {-62135596800.0, 253402300799.0, 9, "1000"},
        {1, 1, 0, ""},
    };
    double ticks[FIGURE_TICK_LIMIT];
    char texts[FIGURE_TICK_LIMIT][32];
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        size_t count = figure_date_ticks(cases[i].low, cases[i].high, 8, ticks, texts);
        if (count != cases[i].count || (count && strcmp(texts[0], cases[i].first) != 0))
            print_error("case %zu: %zu ticks from %s\n", i, count, count ? texts[0] : "");
        assert_int_equal(count, cases[i].count);
        if (count)
            assert_string_equal(texts[0], cases[i].first);
        for (size_t k = 0; k < count; k++)
            assert_true(ticks[k] >= cases[i].low && ticks[k] <= cases[i].high);
    }
}

static void dates_are_read_strictly(void **state)
{
    (void)state;
    static const char *const wrong[] = {"",
                                        "2026-04-12",
                                        "2026-04-31T00:00:00Z",
                                        "2026-13-01T00:00:00Z",
                                        "2025-02-29T00:00:00Z",
                                        "1900-02-29T00:00:00Z",
                                        "2026-04-12T24:00:00Z",
                                        "2026-04-12 08:00:00Z",
                                        "2026-04-12T08:00:00+",
                                        "+026-04-12T08:00:00Z",
                                        "2026-04-12T08:00:0 Z"};
    char text[24];
    int64_t seconds = 7;
    for (size_t i = 0; i < sizeof wrong / sizeof *wrong; i++)
        assert_false(utc_read(wrong[i], &seconds));
    assert_int_equal(seconds, 7);
    assert_true(utc_read("1970-01-01T00:00:00Z", &seconds));
    assert_int_equal(seconds, 0);
    assert_true(utc_read("2024-02-29T12:34:56Z", &seconds)); /* date -u -d ... +%s */
    assert_int_equal(seconds, 1709210096);
    assert_string_equal(utc_text(text, seconds), "2024-02-29T12:34:56Z");
    assert_string_equal(utc_text(text, (int64_t)1 << 60), "");
    assert_string_equal(utc_text(text, -62135596801), "");
    /* Against the C library's calendar, over all the years. */
    for (int64_t at = -62135596800; at < 253402300800; at += 86400 * 17 + 12345) {
        char expected[80];
        struct tm parts;
        time_t time = (time_t)at;
        assert_non_null(gmtime_r(&time, &parts));
        snprintf(expected, sizeof expected, "%04d-%02d-%02dT%02d:%02d:%02dZ", parts.tm_year + 1900,
                 parts.tm_mon + 1, parts.tm_mday, parts.tm_hour, parts.tm_min, parts.tm_sec);
        assert_string_equal(utc_text(text, at), expected);
        assert_true(utc_read(expected, &seconds));
        assert_int_equal(seconds, at);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_straight_line_is_found),
        cmocka_unit_test(no_trend_is_said_with_what_would_have_shown),
        cmocka_unit_test(units_are_converted_or_left_out),
        cmocka_unit_test(other_frequencies_are_left_out),
        cmocka_unit_test(many_are_put_together),
        cmocka_unit_test(the_picture_has_every_point),
        cmocka_unit_test(ticks_stand_at_whole_dates),
        cmocka_unit_test(dates_are_read_strictly),
    };
    return cmocka_run_group_tests(tests, open_units, close_units);
}
