/* SPDX-License-Identifier: GPL-3.0-or-later
 * wetsweep curve: calibration curves, of a table by hand or of recordings, and their
 * firmware tables. */
#include "commands.h"
#include "curve_parts.h"

#include "base/number.h"
#include "rig/inputs.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char usage[] =
    "usage: wetsweep curve RECORDING... [OPTION]...\n"
    "       wetsweep curve --ledger FILE [--revision R] [--board ID] [--coating TEXT] [OPTION]...\n"
    "       wetsweep curve --points TABLE.csv [OPTION]...\n"
    "\n"
    "Recordings: the curve of a board, or one for all boards of a revision, with the spread\n"
    "between boards against that within one, and what production is off by with the\n"
    "revision's curve, with zero trimmed, with zero and span trimmed, with a curve for each.\n"
    "\n"
    "  --ledger FILE            the recordings that this ledger has; which, say:\n"
    "  --revision R, --board ID, --coating TEXT\n"
    "  --error E                what a depth may be off by in production (default: 0.5 mm)\n"
    "  --page FILE.html         a page with the boards' plots too\n"
    "\n"
    "Points: turns a table of depth and reading into a calibration curve with uncertainties: its\n"
    "parameters, its inverse, how straight it is, and, where the table tells rising from\n"
    "falling water, hysteresis and repeatability; or, with --as, into the table that goes\n"
    "into a board's firmware.\n"
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
    "The firmware table: the fewest straight segments within an error, in whole numbers.\n"
    "\n"
    "  --as c|csv|json          C header and source, or CSV or JSON on standard output\n"
    "  --error E                of a depth from a reading, at most (default: 0.5 mm)\n"
    "  --count SIZE             one whole reading of the firmware, in the reading's unit\n"
    "                           (default: one that costs 5 % of the error at most)\n"
    "  --from D, --to D         depths that it covers (default: as far as the curve is usable)\n"
    "  --revision R             of the boards that it is for\n"
    "  --name NAME              of functions and files (default: level_R)\n"
    "  --out FOLDER             where the files go (default: here)\n"
    "\n"
    "example: wetsweep curve --points points.csv --as c --error 0.5 mm --revision B\n"
    "status: 0 done, 1 it can't be known from this table, 2 wrong use or bad input\n";

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

/* A length with its unit, in one argument or in two: "0.5 mm", or 0.5 mm. *used: how many. */
static int take_length(const char *option, char *const arguments[], int left, double *value_mm,
                       int *used)
{
    char text[128];
    struct rig_err err;
    bool bare = rig_number(arguments[0], strlen(arguments[0]), &(double){0}, NULL);
    *used = bare && left > 1 ? 2 : 1;
    snprintf(text, sizeof text, *used == 2 ? "%.60s %.60s" : "%.120s", arguments[0],
             *used == 2 ? arguments[1] : "");
    struct units *units = units_open(&err);
    int failed = units ? inputs_quantity(units, QUANTITY_LENGTH, option, text, value_mm, &err)
                       : (int)err.code;
    units_close(units);
    return failed ? command_error(&err) : 0;
}

static int take_form(const char *word, enum firmware_form *form)
{
    return firmware_form_of(word, form)
               ? 0
               : command_usage("curve", "--as: '%s' is none of c, csv, json", word);
}

static int take_name(const char *name)
{
    return firmware_name_fits(name)
               ? 0
               : command_usage("curve",
                               "--name: '%s' is no name: small letters, digits and _, a letter "
                               "first, %d at most",
                               name, FIRMWARE_NAME_LIMIT);
}

/* An option with what follows it: arguments[0] is its name. 0, or a status; *used: how many
 * arguments follow that were taken, 0: it is no such option. */
static int take_option(struct curve_wish *wish, char *const arguments[], int left, int *used)
{
    struct firmware_options *table = &wish->table;
    const struct {
        const char *name;
        const char **text;
        double *number, *length;
        double low;
    } options[] = {
        {"--points", &wish->points, NULL, NULL, 0},
        {"--depth", &wish->columns.depth, NULL, NULL, 0},
        {"--reading", &wish->columns.reading, NULL, NULL, 0},
        {"--depth-u", &wish->columns.depth_u, NULL, NULL, 0},
        {"--reading-u", &wish->columns.reading_u, NULL, NULL, 0},
        {"--common-depth-u", NULL, &wish->common_depth_u, NULL, 0},
        {"--common-reading-u", NULL, &wish->common_reading_u, NULL, 0},
        {"--depth-of", NULL, &wish->depth_of, NULL, -INFINITY},
        {"--reading-at", NULL, &wish->reading_at, NULL, -INFINITY},
        {"--u", NULL, &wish->u, NULL, 0},
        {"--degree", NULL, NULL, NULL, 0},
        {"--as", NULL, NULL, NULL, 0},
        {"--error", NULL, NULL, &table->error_mm, 0},
        {"--from", NULL, NULL, &table->low_mm, 0},
        {"--to", NULL, NULL, &table->high_mm, 0},
        {"--count", NULL, &table->count, NULL, 0},
        {"--name", &wish->name, NULL, NULL, 0},
        {"--out", &wish->out, NULL, NULL, 0},
        {"--revision", &wish->revision, NULL, NULL, 0},
        {"--ledger", &wish->ledger, NULL, NULL, 0},
        {"--board", &wish->board, NULL, NULL, 0},
        {"--coating", &wish->coating, NULL, NULL, 0},
        {"--page", &wish->page, NULL, NULL, 0},
    };
    const char *option = arguments[0], *value = left > 1 ? arguments[1] : NULL;
    *used = 0;
    for (size_t i = 0; i < sizeof options / sizeof *options; i++) {
        if (strcmp(option, options[i].name) != 0)
            continue;
        if (!value)
            return command_usage("curve", "%s needs a value after it", option);
        *used = 1;
        if (options[i].text)
            *options[i].text = value;
        if (options[i].text == &wish->name)
            return take_name(value);
        if (options[i].number)
            return take_number(option, value, options[i].low, options[i].number);
        if (options[i].length)
            return take_length(option, arguments + 1, left - 1, options[i].length, used);
        if (!options[i].text)
            return strcmp(option, "--as") == 0 ? take_form(value, &wish->form)
                                               : take_degree(value, &wish->options.degree);
        return 0;
    }
    return 0;
}

/* What goes together. */
static int check_wish(const struct curve_wish *wish)
{
    int ways = (wish->points != NULL) + (wish->ledger != NULL) + (wish->folder_count > 0);
    if (ways == 0)
        return command_usage("curve", "of what? Recordings, --ledger FILE, or --points TABLE.csv");
    if (ways > 1)
        return command_usage("curve",
                             "recordings, --ledger and --points are three ways; choose one");
    if (!wish->ledger && (wish->board || wish->coating))
        return command_usage("curve", "--board and --coating choose from a ledger; give --ledger");
    if (wish->points && wish->page)
        return command_usage("curve", "--page is for recordings");
    if (!wish->points && wish->options.kind == CURVE_SPLINE)
        return command_usage("curve", "--spline is for tables; recordings give polynomials");
    if (wish->options.kind == CURVE_SPLINE && wish->options.degree)
        return command_usage("curve", "a spline has no degree; leave out --degree or --spline");
    if (wish->form && (wish->json || !isnan(wish->depth_of) || !isnan(wish->reading_at)))
        return command_usage("curve", "--as makes a table and nothing else; leave out --json, "
                                      "--depth-of and --reading-at");
    return 0;
}

/* 0, or an exit status once the user has been told; -1: help was printed. folders: with room
 * for argc. */
static int read_arguments(int argc, char **argv, struct curve_wish *wish, const char *folders[])
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
            int used, status = take_option(wish, argv + i, argc - i, &used);
            if (status)
                return status;
            if (!used && argument[0] == '-')
                return command_usage("curve", "'%s' is no option of curve", argument);
            if (!used)
                folders[wish->folder_count++] = argument;
            i += used;
        }
    }
    return check_wish(wish);
}

int curve_table(const struct curve *curve, const struct curve_wish *wish,
                struct firmware_facts *facts, struct rig_err *err)
{
    char name[FIRMWARE_NAME_LIMIT + 1];
    struct firmware firmware = {0};
    firmware_name_for(name, facts->revision);
    facts->name = wish->name ? wish->name : name;
    facts->version = WETSWEEP_VERSION;
    int failed = firmware_make(&firmware, curve, &wish->table, err);
    if (failed)
        return failed;
    facts->curve_u_mm = curve->parameter_dof > 0 ? 0 : (double)NAN;
    for (int i = 0; i <= 100; i++) {
        double depth = firmware.low_mm + (firmware.high_mm - firmware.low_mm) * i / 100;
        facts->curve_u_mm = fmax(facts->curve_u_mm, curve_depth_u(curve, depth, 0));
    }
    failed = firmware_write(&firmware, facts, wish->form, wish->out, err);
    if (!failed && wish->form == FIRMWARE_C)
        printf("%zu segments; worst error %.3g mm of a depth, %.3g mm of a reading, with all "
               "rounding\n",
               firmware.segments.count - 1, firmware.worst_depth_mm, firmware.worst_reading_mm);
    firmware_free(&firmware);
    return failed;
}

int command_curve(int argc, char **argv)
{
    struct curve_wish wish = {
        .depth_of = NAN,
        .reading_at = NAN,
        .u = NAN,
        .table = {.low_mm = NAN, .high_mm = NAN, .error_mm = 0.5, .count = NAN}};
    struct rig_err err = {0};
    const char **folders = calloc((size_t)argc + 1, sizeof *folders);
    if (!folders) {
        rig_fail_memory(&err, "the arguments");
        return command_error(&err);
    }
    wish.folders = folders;
    int status = read_arguments(argc, argv, &wish, folders);
    if (status == 0)
        status = (wish.points ? curve_of_points : curve_of_recordings)(&wish, &err)
                     ? command_error(&err)
                     : 0;
    free(folders);
    return status < 0 ? 0 : status;
}
