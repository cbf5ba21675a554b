/* SPDX-License-Identifier: GPL-3.0-or-later
 * The report's text: digits by the uncertainty, reasons in place of numbers, nothing
 * that a note could break out of. */
#include "check.h"

#include "results/figure.h"
#include "results/report.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Only result_find is needed of the result list. */
static struct result known(const char *unit, double value, double u)
{
    struct result result = {.value = value,
                            .standard_uncertainty = u,
                            .low_95 = value - 2 * u,
                            .high_95 = value + 2 * u};
    snprintf(result.unit, sizeof result.unit, "%s", unit);
    return result;
}

static void test_value_shows_two_digits_of_its_uncertainty(void **state)
{
    (void)state;
    static const struct {
        double value, u;
        const char *unit, *expected;
    } cases[] = {
        {0.31234, 0.0071, "s", "0.3123 s (0.2981 to 0.3265)"},
        {123.456, 4.2, "mm", "123.5 mm (115.1 to 131.9)"},
        {5000, 130, "1", "5000 (4740 to 5260)"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        struct result result = known(cases[i].unit, cases[i].value, cases[i].u);
        struct text out = {0};
        report_value(&out, &result);
        assert_string_equal(out.bytes, cases[i].expected);
        text_free(&out);
    }
}

static void test_reason_stands_in_place_of_a_number(void **state)
{
    (void)state;
    struct result result = {.value = NAN, .reason = "one speed only"};
    struct text out = {0};
    report_value(&out, &result);
    assert_string_equal(out.bytes, "not determined: one speed only");
    text_free(&out);
}

static void test_page_holds_figures_and_escapes_notes(void **state)
{
    (void)state;
    struct rig_err err;
    struct figure_list figures = {0};
    struct result only = known("mm", 1, 0.1);
    snprintf(only.name, sizeof only.name, "hysteresis_at_rest");
    struct result_list results = {.results = &only, .count = 1, .room = 1};
    struct figure *figure =
        figure_add(&figures, "loops", "Loops </script>", "depth, mm", "V", &err);
    struct figure_series *series =
        figure_series_add(figure, "a \"quoted\" name", FIGURE_POINTS, 2, true, &err);
    assert_non_null(series);
    series->x[1] = 2;
    series->y[1] = NAN;
    struct run_facts facts = {.board = "WS-B-0007",
                              .revision = "B",
                              .coating = "",
                              .started = "",
                              .note = "<b>wet</b>",
                              .rig_name = "",
                              .profile_name = "",
                              .version = ""};
    struct report_input input = {.low_mm = NAN,
                                 .high_mm = NAN,
                                 .title = "Wave-staff board",
                                 .facts = &facts,
                                 .results = &results,
                                 .figures = &figures,
                                 .plot_script = report_dygraphs_script,
                                 .plot_style = report_dygraphs_style};
    struct text page = {0};
    assert_int_equal(report_html(&page, &input, &err), RIG_OK);
    assert_contains(page.bytes, "&lt;b&gt;wet&lt;/b&gt;");
    assert_null(strstr(page.bytes, "<b>wet</b>"));
    assert_contains(page.bytes, "Loops \\u003c/script\\u003e");
    assert_contains(page.bytes, "\"y\":[0,null]");
    assert_contains(page.bytes, "1.00 mm (0.80 to 1.20)");
    assert_contains(page.bytes, "id=\"figure-loops\"");
    assert_true(strlen(report_dygraphs_script) > 50000);
    assert_null(strstr(page.bytes, "src=\"http"));
    text_free(&page);

    struct text csv = {0};
    figure_csv(&figures.figures[0], &csv);
    assert_string_equal(csv.bytes, "series,\"depth, mm\",\"V\",low_95,high_95\r\n"
                                   "\"a \"\"quoted\"\" name\",0,0,0,0\r\n"
                                   "\"a \"\"quoted\"\" name\",2,,0,0\r\n");
    text_free(&csv);
    figure_list_free(&figures);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_value_shows_two_digits_of_its_uncertainty),
        cmocka_unit_test(test_reason_stands_in_place_of_a_number),
        cmocka_unit_test(test_page_holds_figures_and_escapes_notes),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
