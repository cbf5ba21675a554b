/* SPDX-License-Identifier: GPL-3.0-or-later
 * wetsweep curve --points: a calibration curve from a table taken by hand. */
#include "curve_parts.h"

#include "base/file.h"
#include "results/calibration.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* What --depth-of and --reading-at ask for. */
struct answers {
    double reading, reading_u, depth, depth_u; /* --depth-of */
    double at, at_u, expected, expected_u;     /* --reading-at */
};

static int answer(struct answers *answers, const struct calibration *calibration,
                  const struct curve_wish *wish, struct rig_err *err)
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

static const char *base_name(const char *path)
{
    const char *slash = strrchr(path, '/');
    return slash ? slash + 1 : path;
}

static json_t *number(double value)
{
    return isfinite(value) ? json_real(value) : json_null();
}

static int print_json(const struct calibration *calibration, const struct answers *answers,
                      const struct points *points, const struct curve_wish *wish,
                      struct rig_err *err)
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
                      const struct points *points, const struct curve_wish *wish,
                      struct rig_err *err)
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

/* The firmware table of a table by hand. */
static int table_of(const struct calibration *calibration, const char *name,
                    const struct points *points, const struct curve_wish *wish, struct rig_err *err)
{
    char sha256[65] = "";
    if (strcmp(wish->points, "-") != 0) {
        int failed = file_sha256(wish->points, sha256, err);
        if (failed)
            return failed;
    }
    const struct firmware_source source = {.name = base_name(name),
                                           .board = "",
                                           .revision = "",
                                           .coating = "",
                                           .started = "",
                                           .sha256 = sha256};
    struct firmware_facts facts = {.revision = wish->revision ? wish->revision : "",
                                   .unit = points->table.headers[points->reading_column],
                                   .sources = &source,
                                   .source_count = 1};
    return curve_table(&calibration->curve, wish, &facts, err);
}

int curve_of_points(const struct curve_wish *wish, struct rig_err *err)
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
    if (!failed && wish->form)
        failed = table_of(&calibration, name, &points, wish, err);
    else if (!failed)
        failed = answer(&answers, &calibration, wish, err);
    if (!failed && !wish->form)
        failed = wish->json ? print_json(&calibration, &answers, &points, wish, err)
                            : print_text(&calibration, &answers, &points, wish, err);
    calibration_free(&calibration);
    points_free(&points);
    return failed;
}
