/* SPDX-License-Identifier: GPL-3.0-or-later
 * The firmware tables that the shipped program writes: compiled with every warning as an
 * error, for a host and freestanding, and run over every count and every micrometre of the
 * range against the curve that they were made from. */
#include "check.h"
#include "json_check.h"

#include <math.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

static char folder[64];

static int make_folder(void **state)
{
    (void)state;
    snprintf(folder, sizeof folder, "/tmp/wetsweep-test-XXXXXX");
    return mkdtemp(folder) ? 0 : -1;
}

static int remove_all(void **state)
{
    (void)state;
    char command[128];
    snprintf(command, sizeof command, "rm -rf '%s'", folder);
    return system(command);
}

static void put(const char *name, const char *bytes)
{
    char path[128];
    snprintf(path, sizeof path, "%s/%s", folder, name);
    FILE *file = fopen(path, "w");
    assert_non_null(file);
    assert_true(fputs(bytes, file) >= 0);
    assert_int_equal(fclose(file), 0);
}

/* A table by hand of reading = a + b d + c d^2, exact but for its rounding. */
static void put_points(double a, double b, double c)
{
    char text[4096];
    size_t size = (size_t)snprintf(text, sizeof text, "depth_mm,reading\n");
    for (int d = 0; d <= 150; d += 10)
        size += (size_t)snprintf(text + size, sizeof text - size, "%d,%.9g\n", d,
                                 a + b * d + c * d * d);
    put("points.csv", text);
}

/* The shell's status; its output comes through. */
static int shell(const char *command)
{
    int status = system(command);
    return WIFEXITED(status) ? WEXITSTATUS(status) : -1;
}

/* Walks the compiled table over its whole range. What a count stands for is all readings
 * that round to it, what a micrometre stands for all depths that do. */
static const char harness[] =
    "#include \"level_t.h\"\n"
    "#include <math.h>\n"
    "#include <stdio.h>\n"
    "#include <stdlib.h>\n"
    "static double p[13], count, low, high;\n"
    "static double reading_of(double mm)\n"
    "{\n"
    "    double sum = 0;\n"
    "    for (int k = 12; k >= 0; k--)\n"
    "        sum = sum * mm + p[k];\n"
    "    return sum;\n"
    "}\n"
    "static double depth_of(double reading)\n"
    "{\n"
    "    double a = low - 2, b = high + 2, way = reading_of(high) > reading_of(low) ? 1 : -1;\n"
    "    for (int i = 0; i < 60; i++) {\n"
    "        double middle = (a + b) / 2;\n"
    "        if (way * (reading_of(middle) - reading) < 0)\n"
    "            a = middle;\n"
    "        else\n"
    "            b = middle;\n"
    "    }\n"
    "    return a;\n"
    "}\n"
    "int main(int argc, char **argv)\n"
    "{\n"
    "    double worst_depth = 0, worst_reading = 0;\n"
    "    count = atof(argv[1]);\n"
    "    low = atof(argv[2]);\n"
    "    high = atof(argv[3]);\n"
    "    for (int k = 4; k < argc; k++)\n"
    "        p[k - 4] = atof(argv[k]);\n"
    "    for (int32_t r = LEVEL_T_READING_LOW; r <= LEVEL_T_READING_HIGH; r++)\n"
    "        for (int side = -4; side <= 4; side++) {\n"
    "            double mm = fmax(low, fmin(high, depth_of((r + 0.125 * side) * count)));\n"
    "            double off = level_t_depth_um(r) - 1000 * mm;\n"
    "            worst_depth = fmax(worst_depth, fabs(off));\n"
    "        }\n"
    "    for (int32_t d = LEVEL_T_DEPTH_LOW_UM; d <= LEVEL_T_DEPTH_HIGH_UM; d++) {\n"
    "        double back = 1000 * depth_of(level_t_reading(d) * count);\n"
    "        for (double side = -0.5; side <= 0.5; side += 0.5)\n"
    "            worst_reading = fmax(worst_reading, fabs(back - d - side));\n"
    "    }\n"
    "    if (level_t_depth_um(INT32_MIN) != level_t_depth_um(LEVEL_T_READING_LOW) ||\n"
    "        level_t_depth_um(INT32_MAX) != level_t_depth_um(LEVEL_T_READING_HIGH))\n"
    "        return 3;\n"
    "    printf(\"%.3f %d %.3f %d\\n\", worst_depth, LEVEL_T_WORST_DEPTH_ERROR_UM,\n"
    "           worst_reading, LEVEL_T_WORST_READING_ERROR_UM);\n"
    "    return 0;\n"
    "}\n";

#define WARNINGS                                                                                   \
    "-Wall -Wextra -Werror -Wconversion -Wsign-conversion -Wshadow -Wmissing-prototypes "          \
    "-Wundef -pedantic"

/* The last of the ways is kept: all of them, or only that. */
static void compile(bool all)
{
    static const char *const ways[] = {"-std=c99 -Os -ffreestanding -nostdlib",
                                       "-std=c17 -O2 -ffreestanding -fno-builtin", "-std=c99 -O0",
                                       "-std=c17 -O2"};
    const size_t count = sizeof ways / sizeof *ways;
    for (size_t i = all ? 0 : count - 1; i < count; i++) {
        char command[512];
        snprintf(command, sizeof command, "cc " WARNINGS " %s -c -o '%s/level_t.o' '%s/level_t.c'",
                 ways[i], folder, folder);
        assert_int_equal(shell(command), 0);
    }
}

/* Generates, compiles, runs; stated against found, to the micrometre. Returns segments. */
static size_t check_table(const char *options, double error_mm)
{
    char arguments[1024], command[2048];
    snprintf(arguments, sizeof arguments,
             "curve --points '%s/points.csv' --degree 2 --name level_t %s", folder, options);
    char with[1200];
    snprintf(with, sizeof with, "%s --as json", arguments);
    json_t *table = run_program_json(with);
    snprintf(with, sizeof with, "curve --points '%s/points.csv' --degree 2 --json", folder);
    json_t *curve = run_program_json(with);
    snprintf(with, sizeof with, "%s --as c --revision T --out '%s'", arguments, folder);
    char *output, *errors;
    assert_int_equal(run_program(with, &output, &errors), 0);
    free(output);
    free(errors);
    compile(false);
    put("harness.c", harness);
    snprintf(command, sizeof command, "cc -O2 -o '%s/harness' '%s/harness.c' '%s/level_t.o' -lm",
             folder, folder, folder);
    assert_int_equal(shell(command), 0);
    int size = snprintf(command, sizeof command, "'%s/harness' %.17g %.17g %.17g", folder,
                        json_number_of(table, "count"), json_number_of(table, "depth_low_mm"),
                        json_number_of(table, "depth_high_mm"));
    for (size_t k = 0; k < 3; k++)
        size += snprintf(
            command + size, sizeof command - (size_t)size, " %.17g",
            json_number_of(json_array_get(json_object_get(curve, "parameters"), k), "value"));
    FILE *run = popen(command, "r");
    assert_non_null(run);
    double depth_um, reading_um;
    int stated_depth_um, stated_reading_um;
    assert_int_equal(
        fscanf(run, "%lf %d %lf %d", &depth_um, &stated_depth_um, &reading_um, &stated_reading_um),
        4);
    assert_int_equal(pclose(run), 0);
    print_message("%s: %g segments, stated %d and %d um, found %.1f and %.1f um\n", options,
                  json_number_of(table, "segments"), stated_depth_um, stated_reading_um, depth_um,
                  reading_um);
    /* Stated in whole micrometres, never less than found, hardly more: at the very ends half a
     * cell lies outside the range. */
    assert_true(depth_um <= stated_depth_um + 0.01 && stated_depth_um <= depth_um + 1.5);
    assert_true(reading_um <= stated_reading_um + 0.01 && stated_reading_um <= reading_um + 1.5);
    assert_true(stated_depth_um <= 1000 * error_mm);
    assert_near(json_number_of(table, "worst_depth_error_mm") * 1000, depth_um, 1.01, "um");
    size_t segments = (size_t)json_number_of(table, "segments");
    assert_int_equal(json_array_size(json_object_get(table, "knots")), segments + 1);
    json_decref(table);
    json_decref(curve);
    return segments;
}

static void test_rising(void **state)
{
    (void)state;
    put_points(0.35, 0.021, -0.0000095);
    size_t coarse = check_table("--error '0.5 mm'", 0.5);
    compile(true);
    size_t fine = check_table("--error 0.02 mm", 0.02);
    assert_true(coarse < fine);
    assert_true(coarse == 2 && fine > 6);
}

static void test_falling(void **state)
{
    (void)state;
    put_points(4000.4, -22.5, 0.03); /* as a converter counts, downwards */
    check_table("--error '0.3 mm' --count 1", 0.3);
    check_table("--error '0.2 mm' --count 0.5 --from 20mm --to 12 cm", 0.2);
}

/* Where 32 bits do not hold the products. */
static void test_wide(void **state)
{
    (void)state;
    put_points(-2, 0.03, 0);
    assert_int_equal(check_table("--error '0.9 mm' --count 0.0005", 0.9), 1);
    char path[128], line[256];
    bool wide = false;
    snprintf(path, sizeof path, "%s/level_t.c", folder);
    FILE *file = fopen(path, "r");
    assert_non_null(file);
    while (fgets(line, sizeof line, file))
        wide = wide || strstr(line, "typedef int64_t wide;");
    fclose(file);
    assert_true(wide);
    compile(true);
}

static void refused(const char *options, const char *why)
{
    char arguments[512], *output, *errors;
    snprintf(arguments, sizeof arguments, "curve --points '%s/points.csv' %s", folder, options);
    int status = run_program(arguments, &output, &errors);
    assert_true(status == 1 || status == 2);
    assert_contains(errors, why);
    free(output);
    free(errors);
}

static void test_refusals(void **state)
{
    (void)state;
    put_points(0.35, 0.021, -0.0000095);
    refused("--as xml", "none of c, csv, json");
    refused("--as c --error 5", "such as 20 mm");
    refused("--as c --error '0.1 mm/s'", "length");
    refused("--as c --error 0 mm", "above 0 mm");
    refused("--as c --name Level", "small letters");
    refused("--as c --count 0", "above 0");
    refused("--as c --count 1e-7", "choose a count");
    refused("--as c --count 1", "smaller counts");
    refused("--as c --count 100", "smaller count");
    refused("--as c --to 200 mm", "beyond what the curve covers");
    refused("--as c --json", "leave out --json");
    /* What somebody wrote by hand stays as it is. */
    char options[128];
    put("own.c", "int own;\n");
    snprintf(options, sizeof options, "--as c --name own --out '%s'", folder);
    refused(options, "was not made by wetsweep");
    char path[128];
    snprintf(path, sizeof path, "%s/own.h", folder);
    assert_int_not_equal(access(path, F_OK), 0);
}

/* Names that try to leave their comment. */
static void test_strange_names(void **state)
{
    (void)state;
    char arguments[512], *output, *errors;
    put_points(0.35, 0.021, -0.0000095);
    snprintf(arguments, sizeof arguments,
             "curve --points '%s/points.csv' --name level_t --as c --out '%s' --revision "
             "'B */ int x; /* ?"
             "?/ \\'",
             folder, folder);
    assert_int_equal(run_program(arguments, &output, &errors), 0);
    free(output);
    free(errors);
    compile(true);
}

static void test_csv(void **state)
{
    (void)state;
    char arguments[512], *output, *errors;
    put_points(0.35, 0.021, -0.0000095);
    snprintf(arguments, sizeof arguments,
             "curve --points '%s/points.csv' --as csv --revision B --error '0.5 mm'", folder);
    assert_int_equal(run_program(arguments, &output, &errors), 0);
    assert_contains(output, "revision B");
    assert_contains(output, "points.csv");
    assert_contains(output, "SHA-256");
    assert_contains(output, "\nreading_counts,depth_um,reading,depth_mm\n");
    /* Readable by our own reader of tables, too. */
    put("table.csv", output);
    free(output);
    free(errors);
    snprintf(arguments, sizeof arguments, "curve --points '%s/table.csv' --degree 1 --json",
             folder);
    json_t *root = run_program_json(arguments);
    assert_near(json_number_of(root, "n"), 3, 0, "knots");
    json_decref(root);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_rising),        cmocka_unit_test(test_falling),
        cmocka_unit_test(test_wide),          cmocka_unit_test(test_refusals),
        cmocka_unit_test(test_strange_names), cmocka_unit_test(test_csv),
    };
    return cmocka_run_group_tests(tests, make_folder, remove_all);
}
