/* SPDX-License-Identifier: GPL-3.0-or-later
 * wetsweep curve --points: a calibration curve from a table taken by hand. */
#include "commands.h"

#include "base/file.h"
#include "base/number.h"
#include "results/calibration.h"
#include "rig/points.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char usage[] =
    "usage: wetsweep curve --points TABLE.csv [OPTION]...\n"
    "\n"
    "Turns a table of depth and reading into a calibration curve with uncertainties: its\n"
    "parameters, its inverse, how straight it is, and, where the table tells rising from\n"
    "falling water, hysteresis and repeatability.\n"
    "\n"
    "The table has a header. Columns: depth_mm (or depth) and reading; optional: direction\n"
    "(up or rising, down or falling), cycle (1, 2, ...), reading_u and depth_u (standard\n"
    "uncertainties in the units of those columns; they are then taken as they are).\n"
    "\n"
    "  --points TABLE.csv       the table; - reads standard input\n"
    "  --depth COLUMN           the depth's column, where it is called otherwise\n"
    "  --reading COLUMN         the same for the reading\n"
    "  --depth-u COLUMN         the same for their standard uncertainties\n"
    "  --reading-u COLUMN\n"
    "  --common-depth-u U       a standard uncertainty that all depths share (a datum, say)\n"
    "  --common-reading-u U     the same for the readings\n"
    "  --degree N               polynomial of degree N, 1 to 12 (default: chosen by AICc)\n"
    "  --spline                 a monotone spline instead of a polynomial\n"
    "  --depth-of READING       the depth that this reading stands for\n"
    "  --reading-at DEPTH       the reading that this depth gives\n"
    "  --u U                    standard uncertainty of that reading or depth\n"
    "  --json                   one JSON object instead of text\n"
    "\n"
    "example: wetsweep curve --points points.csv --degree 2 --json\n"
    "status: 0 done, 1 it can't be known from this table, 2 wrong use or bad input\n";

struct wish {
    const char *points;
    struct points_columns columns;
    double common_depth_u, common_reading_u;
    struct curve_options options;
    double depth_of, reading_at, u; /* NaN: not asked */
    bool json;
};

/* An option with a number after it. */
static int take_number(const char *option, const char *text, double low, double *value)
{
    const char *why;
    double number;
    if (!rig_number(text, strlen(text), &number, &why))
        return command_usage("curve", "%s: '%s' %s", option, text, why);
    if (number < low)
        return command_usage("curve", "%s: %s is below %g", option, text, low);
    *value = number;
    return 0;
}

static int take_degree(const char *text, size_t *degree)
{
    int64_t whole;
    const char *why;
    if (!rig_whole_number(text, strlen(text), 1, POLYNOMIAL_DEGREE_LIMIT, &whole, &why))
        return command_usage("curve", "--degree: '%s' %s; it goes from 1 to %d", text, why,
                             POLYNOMIAL_DEGREE_LIMIT);
    *degree = (size_t)whole;
    return 0;
}

/* Options that take what follows them. Returns 0, a status, or -1 when it is none. */
static int take_option(struct wish *wish, const char *option, const char *value)
{
    const struct {
        const char *name;
        const char **text;
        double *number;
        double low;
    } options[] = {
        {"--points", &wish->points, NULL, 0},
        {"--depth", &wish->columns.depth, NULL, 0},
        {"--reading", &wish->columns.reading, NULL, 0},
        {"--depth-u", &wish->columns.depth_u, NULL, 0},
        {"--reading-u", &wish->columns.reading_u, NULL, 0},
        {"--common-depth-u", NULL, &wish->common_depth_u, 0},
        {"--common-reading-u", NULL, &wish->common_reading_u, 0},
        {"--depth-of", NULL, &wish->depth_of, -INFINITY},
        {"--reading-at", NULL, &wish->reading_at, -INFINITY},
        {"--u", NULL, &wish->u, 0},
        {"--degree", NULL, NULL, 0},
    };
    for (size_t i = 0; i < sizeof options / sizeof *options; i++) {
        if (strcmp(option, options[i].name) != 0)
            continue;
        if (!value)
            return command_usage("curve", "%s needs a value after it", option);
        if (options[i].text)
            *options[i].text = value;
        else if (options[i].number)
            return take_number(option, value, options[i].low, options[i].number);
        else
            return take_degree(value, &wish->options.degree);
        return 0;
    }
    return -1;
}

/* 0, or an exit status once the user has been told; -1: help was printed. */
static int read_arguments(int argc, char **argv, struct wish *wish)
{
    for (int i = 1; i < argc; i++) {
        const char *argument = argv[i];
        if (strcmp(argument, "--help") == 0 || strcmp(argument, "-h") == 0) {
            fputs(usage, stdout);
            return -1;
        }
        if (strcmp(argument, "--json") == 0) {
            wish->json = true;
        } else if (strcmp(argument, "--spline") == 0) {
            wish->options.kind = CURVE_SPLINE;
        } else {
            int status = take_option(wish, argument, i + 1 < argc ? argv[i + 1] : NULL);
            if (status > 0)
                return status;
            if (status < 0)
                return command_usage(
                    "curve", argument[0] == '-' ? "'%s' is no option of curve" : "what is '%s'?",
                    argument);
            i++;
        }
    }
    if (!wish->points)
        return command_usage("curve", "the table is missing: --points TABLE.csv");
    if (wish->options.kind == CURVE_SPLINE && wish->options.degree)
        return command_usage("curve", "a spline has no degree; leave out --degree or --spline");
    return 0;
}

/* What --depth-of and --reading-at ask for. */
struct answers {
    double reading, reading_u, depth, depth_u; /* --depth-of */
    double at, at_u, expected, expected_u;     /* --reading-at */
};

static int answer(struct answers *answers, const struct calibration *calibration,
                  const struct wish *wish, struct rig_err *err)
{
    memset(answers, 0, sizeof *answers);
    if (!isnan(wish->depth_of)) {
        answers->reading = wish->depth_of;
        answers->reading_u = isnan(wish->u) ? calibration->inverse_reading_u : wish->u;
        int failed = curve_depth(&calibration->curve, answers->reading, answers->reading_u,
                                 &answers->depth, &answers->depth_u, err);
        if (failed)
            return failed;
    }
    if (!isnan(wish->reading_at)) {
        answers->at = wish->reading_at;
        answers->at_u = isnan(wish->u) ? 0 : wish->u;
        if (answers->at < calibration->curve.low || answers->at > calibration->curve.high)
            return rig_fail(err, RIG_EUNKNOWABLE, "depth %g is outside the table, %g to %g",
                            answers->at, calibration->curve.low, calibration->curve.high);
        answers->expected = curve_value(&calibration->curve, answers->at);
        answers->expected_u = curve_reading_u(&calibration->curve, answers->at, answers->at_u);
    }
    return RIG_OK;
}

static json_t *number(double value)
{
    return isfinite(value) ? json_real(value) : json_null();
}

static int print_json(const struct calibration *calibration, const struct answers *answers,
                      const struct points *points, const struct wish *wish, struct rig_err *err)
{
    const struct table *table = &points->table;
    json_t *root = calibration_json(calibration);
    int lost = !root;
    lost = lost || json_object_set_new(root, "depth_column",
                                       json_string(table->headers[points->depth_column]));
    lost = lost || json_object_set_new(root, "reading_column",
                                       json_string(table->headers[points->reading_column]));
    if (!lost && !isnan(wish->depth_of))
        lost = json_object_set_new(
            root, "depth_of",
            json_pack("{s:o,s:o,s:o,s:o}", "reading", number(answers->reading), "reading_u",
                      number(answers->reading_u), "depth", number(answers->depth),
                      "standard_uncertainty", number(answers->depth_u)));
    if (!lost && !isnan(wish->reading_at))
        lost = json_object_set_new(root, "reading_at",
                                   json_pack("{s:o,s:o,s:o,s:o}", "depth", number(answers->at),
                                             "depth_u", number(answers->at_u), "reading",
                                             number(answers->expected), "standard_uncertainty",
                                             number(answers->expected_u)));
    char *json =
        lost ? NULL
             : json_dumps(root, JSON_INDENT(2) | JSON_REAL_PRECISION(CALIBRATION_JSON_DIGITS));
    json_decref(root);
    if (!json)
        return rig_fail(err, RIG_EINPUT,
                        "the curve can't be written as JSON: memory is out, or a header isn't "
                        "UTF-8");
    puts(json);
    free(json);
    return RIG_OK;
}

static int print_text(const struct calibration *calibration, const struct answers *answers,
                      const struct points *points, const struct wish *wish, struct rig_err *err)
{
    const char *depth = points->table.headers[points->depth_column];
    const char *reading = points->table.headers[points->reading_column];
    char left[64], right[64];
    struct text text = {0};
    text_format(&text, "Calibration curve of %s\n", points->table.name);
    calibration_text(calibration, depth, reading, &text);
    if (!isnan(wish->depth_of))
        text_format(&text, "\n%s %s stands for %s %s\n", reading,
                    calibration_value(left, answers->reading, answers->reading_u), depth,
                    calibration_value(right, answers->depth, answers->depth_u));
    if (!isnan(wish->reading_at))
        text_format(&text, "\n%s %s gives %s %s\n", depth,
                    calibration_value(left, answers->at, answers->at_u), reading,
                    calibration_value(right, answers->expected, answers->expected_u));
    char *bytes = text_take(&text);
    if (!bytes)
        return rig_fail_memory(err, "writing the curve");
    fputs(bytes, stdout);
    free(bytes);
    return RIG_OK;
}

static int run(const struct wish *wish, struct rig_err *err)
{
    char *bytes = NULL;
    size_t size = 0;
    struct points points;
    struct calibration calibration = {0};
    struct answers answers;
    int failed = file_read(wish->points, TABLE_SIZE_LIMIT, &bytes, &size, err);
    if (failed)
        return failed;
    const char *name = strcmp(wish->points, "-") == 0 ? "standard input" : wish->points;
    failed = points_read(&points, name, bytes, size, &wish->columns, err);
    free(bytes);
    if (failed)
        return failed;
    struct curve_points view = points_view(&points);
    view.common_depth_u = wish->common_depth_u;
    view.common_reading_u = wish->common_reading_u;
    struct rig_err why;
    failed = calibration_make(&calibration, &view, points.direction, &wish->options, &why);
    if (failed) /* said of the whole column: its first row is the place */
        failed = rig_fail(err, why.code, "%s:%d: %.400s", name, points.table.lines[0], why.text);
    if (!failed)
        failed = answer(&answers, &calibration, wish, err);
    if (!failed)
        failed = wish->json ? print_json(&calibration, &answers, &points, wish, err)
                            : print_text(&calibration, &answers, &points, wish, err);
    calibration_free(&calibration);
    points_free(&points);
    return failed;
}

int command_curve(int argc, char **argv)
{
    struct wish wish = {.depth_of = NAN, .reading_at = NAN, .u = NAN};
    struct rig_err err = {0};
    int status = read_arguments(argc, argv, &wish);
    if (status || !wish.points)
        return status < 0 ? 0 : status;
    return run(&wish, &err) ? command_error(&err) : 0;
}
