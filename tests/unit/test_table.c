/* SPDX-License-Identifier: GPL-3.0-or-later
 * rig/base/table.c: CSV (RFC 4180) as people bring it, and where its errors point. */
#include "check.h"

#include "base/table.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static struct table table;
static struct rig_err err;

static int read_table(const char *text)
{
    table_free(&table);
    err = (struct rig_err){0};
    /* An exact copy lets the address sanitizer see one byte too far. */
    size_t size = strlen(text);
    char *exact = malloc(size ? size : 1);
    assert_non_null(exact);
    memcpy(exact, text, size);
    int code = table_read(&table, "points.csv", exact, size, &err);
    free(exact);
    return code;
}

static int free_table(void **state)
{
    (void)state;
    table_free(&table);
    table_free(NULL);
    return 0;
}

/* The table as HEADER|HEADER;LINE:CELL|CELL;... */
static void describe(char *to, size_t room)
{
    *to = 0;
    for (size_t i = 0; i < table.columns; i++)
        snprintf(to + strlen(to), room - strlen(to), "%s%s", i ? "|" : "", table.headers[i]);
    for (size_t row = 0; row < table.rows; row++) {
        snprintf(to + strlen(to), room - strlen(to), ";%d:", table.lines[row]);
        for (size_t i = 0; i < table.columns; i++)
            snprintf(to + strlen(to), room - strlen(to), "%s%s", i ? "|" : "",
                     table.cells[row * table.columns + i]);
    }
}

static void test_takes(void **state)
{
    (void)state;
    static const struct {
        const char *text, *what;
    } cases[] = {
        {"a,b\n1,2\n3,4\n", "a|b;2:1|2;3:3|4"},
        {"a,b\n1,2\n3,4", "a|b;2:1|2;3:3|4"},
        {"a,b\r\n1,2\r\n3,4\r\n", "a|b;2:1|2;3:3|4"},
        {"a,b\r1,2\r3,4", "a|b;2:1|2;3:3|4"},
        {"\xef\xbb\xbf"
         "a,b\n1,2",
         "a|b;2:1|2"},
        {"a", "a"},
        {"a\n", "a"},
        {"\n\n# by hand, 3 May\n  # indented\n a , b \n\n 1 ,\t2\t\n \t \n# end\n3,4\n\n",
         "a|b;7:1|2;10:3|4"},
        {"a,b\n,\n1,\n,2", "a|b;2:|;3:1|;4:|2"},
        {"a,b\n,", "a|b;2:|"},
        {"a\n\"\"\n", "a;2:"},
        {"a,b\n\"x, y\",\"say \"\"hi\"\"\"\n5,6", "a|b;2:x, y|say \"hi\";3:5|6"},
        {"a,b\n\"two\nlines\",1\n5,6", "a|b;2:two\nlines|1;4:5|6"},
        {"a,b\n \" x \" , 2 ", "a|b;2:x|2"},
        {"a,b\n\"# no comment\",1\n1,# nor this", "a|b;2:# no comment|1;3:1|# nor this"},
        {"\"depth, mm\",\"reading\"\n1,2", "depth, mm|reading;2:1|2"},
        {"a b\n1 2", "a b;2:1 2"},
        {"a,A\n1,2", "a|A;2:1|2"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        char what[300];
        if (read_table(cases[i].text))
            fail_msg("%s", err.text);
        describe(what, sizeof what);
        assert_string_equal(what, cases[i].what);
        assert_string_equal(table.name, "points.csv");
    }
}

static void test_refuses(void **state)
{
    (void)state;
    static const struct {
        const char *text, *error;
    } cases[] = {
        {"", "1:1: the table is empty; its first line names the columns"},
        {"\n# nothing\n\n", "1:1: the table is empty; its first line names the columns"},
        {"a,b\n1,2\n1,2,3\n", "3:5: 3 cells where the header has 2; give each row as many, with a "
                              "point for decimals"},
        {"a,b\n1\n", "2:1: 1 cell where the header has 2; give each row as many, with a point for "
                     "decimals"},
        {"a,b,c\n1, 2\n",
         "2:4: 2 cells where the header has 3; give each row as many, with a point "
         "for decimals"},
        {"a,b\n0,1,5,2\n", "2:5: 4 cells where the header has 2; give each row as many, with a "
                           "point for decimals"},
        {"a, b, a\n", "1:7: the header 'a' is there twice; give each column its own"},
        {"a,,c\n", "1:3: column 2 has no header; the first line names every column"},
        {"a,b,\n1,2,\n", "1:5: column 3 has no header; the first line names every column"},
        {"a,b\n1,\"2\n3,4\n", "2:3: this quote is never closed; write \" at the cell's end"},
        {"a,b\n1, \"2 \"\" x\n", "2:4: this quote is never closed; write \" at the cell's end"},
        {"a\n\"x\ny\"\n\"z\n", "4:1: this quote is never closed; write \" at the cell's end"},
        {"a,b\n5\" tape,2\n", "2:2: a quote inside a cell; put the whole cell in quotes and double "
                              "the quote inside it"},
        {"a,b\n\"5\" tape,2\n", "2:5: a quote inside a cell; put the whole cell in quotes and "
                                "double the quote inside it"},
        /* both stray and unclosed: the first fault is the one to tell */
        {"a,b\n1,5\" tape\n3,4\n", "2:4: a quote inside a cell; put the whole cell in quotes and "
                                   "double the quote inside it"},
        {"a,b\n\"two\nlines\",1,2\n",
         "3:10: 3 cells where the header has 2; give each row as many, "
         "with a point for decimals"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        char expected[300];
        snprintf(expected, sizeof expected, "points.csv:%s", cases[i].error);
        assert_int_equal(read_table(cases[i].text), RIG_EINPUT);
        assert_string_equal(err.text, expected);
        assert_null(table.name);
        assert_null(table.cells);
    }
}

static void test_bytes_and_sizes(void **state)
{
    (void)state;
    assert_int_equal(table_read(&table, "points.csv", "a,b\n1,\0", 7, &err), RIG_EINPUT);
    assert_string_equal(err.text, "points.csv:2:3: a NUL byte; this is not a text file");
    assert_int_equal(table_read(&table, "points.csv", "", (size_t)TABLE_SIZE_LIMIT + 1, &err),
                     RIG_EINPUT);
    assert_string_equal(err.text,
                        "points.csv:1:1: the table has 512 MiB, and at most 512 MiB are read");
    assert_int_equal(table_read(&table, "points.csv", NULL, 0, &err), RIG_EINPUT);
    /* As many columns as allowed, and one more. */
    char text[4000] = "c0";
    for (int i = 1; i < TABLE_COLUMN_LIMIT; i++)
        snprintf(text + strlen(text), 10, ",c%d", i);
    assert_int_equal(read_table(text), 0);
    assert_int_equal(table.columns, TABLE_COLUMN_LIMIT);
    assert_string_equal(table.headers[TABLE_COLUMN_LIMIT - 1], "c255");
    strcat(text, ",one_more");
    assert_int_equal(read_table(text), RIG_EINPUT);
    assert_string_equal(err.text, "points.csv:1:1: more than 256 columns; leave out those that are "
                                  "not needed");
    text[strlen(text) - strlen("one_more")] = 0; /* ends in a comma */
    assert_int_equal(read_table(text), RIG_EINPUT);
}

static void test_columns(void **state)
{
    (void)state;
    size_t column = 9;
    assert_int_equal(read_table("depth_mm,Reading,READING,x\n"), 0);
    assert_int_equal(table_column(&table, "depth_mm"), 0);
    assert_int_equal(table_column(&table, "DEPTH_MM"), 0);
    assert_int_equal(table_column(&table, "READING"), 2); /* exact before alike */
    assert_int_equal(table_column(&table, "reading"), 1);
    assert_int_equal(table_column(&table, "depth"), -1);
    assert_int_equal(table_column(&table, "depth_mm2"), -1);
    assert_int_equal(table_need_column(&table, "x", &column, &err), 0);
    assert_int_equal(column, 3);
    assert_int_equal(table_need_column(&table, "dept_mm", &column, &err), RIG_EINPUT);
    assert_string_equal(err.text, "points.csv: no column 'dept_mm'; did you mean 'depth_mm'?");
    assert_int_equal(table_need_column(&table, "time", &column, &err), RIG_EINPUT);
    assert_string_equal(err.text, "points.csv: no column 'time'; there is 'depth_mm', 'Reading', "
                                  "'READING', 'x'");
    assert_int_equal(column, 3);
    assert_int_equal(read_table("depth_mm;reading\n1;2\n"), 0);
    assert_int_equal(table_need_column(&table, "depth_mm", &column, &err), RIG_EINPUT);
    assert_string_equal(err.text, "points.csv: no column 'depth_mm'; separate the cells by commas, "
                                  "and write decimals with a point");
}

static void test_numbers(void **state)
{
    (void)state;
    double values[3] = {0};
    assert_int_equal(read_table("a,b\n1,x\n-2.5e1,\"y\"\n \" 0.1 \",z"), 0);
    assert_int_equal(table_numbers(&table, 0, values, &err), 0);
    assert_near(values[0], 1, 0, "1");
    assert_near(values[1], -25, 0, "1");
    assert_near(values[2], 0.1, 0, "1");
    static const struct {
        const char *text, *error;
    } cases[] = {
        {"a,depth\n1,2\n1, 2,\n", NULL},
        {"a,depth\n1,2\n1, 2x \n", "3:4: '2x' is not a number; 'depth' takes numbers such as 12.5"},
        {"a,depth\n1,\"  x\"\n", "2:6: 'x' is not a number; 'depth' takes numbers such as 12.5"},
        {"a,depth\n1,\"2\"\n1,\"x\"\n",
         "3:4: 'x' is not a number; 'depth' takes numbers such as 12.5"},
        {"a,depth\n1,2\n\n1,\n",
         "4:3: 'depth' is empty here; write a number such as 12.5, or leave "
         "out the row"},
        {"a,depth\r\n1,nan\r\n", "2:3: 'nan' is not a number; 'depth' takes numbers such as 12.5"},
        {"a,depth\n1,1e400\n",
         "2:3: '1e400' is too large for a number; 'depth' takes numbers such as 12.5"},
        {"a,depth\n\"q\nr\"\"s\",oops\n",
         "3:7: 'oops' is not a number; 'depth' takes numbers such as 12.5"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        char expected[200];
        if (!cases[i].error) {
            assert_int_equal(read_table(cases[i].text), RIG_EINPUT);
            continue;
        }
        snprintf(expected, sizeof expected, "points.csv:%s", cases[i].error);
        assert_int_equal(read_table(cases[i].text), 0);
        assert_int_equal(table_numbers(&table, 1, values, &err), RIG_EINPUT);
        assert_string_equal(err.text, expected);
    }
    assert_int_equal(read_table("a,b\n1,2\n"), 0);
    assert_int_equal(table_fail(&table, 0, 1, &err, "must be %s", "more"), RIG_EINPUT);
    assert_string_equal(err.text, "points.csv:2:3: must be more");
    assert_int_equal(table_fail(&table, 0, 1, NULL, "nobody listens"), RIG_EINPUT);
}

/* Every value of a large table comes back. */
static void test_large(void **state)
{
    (void)state;
    enum { ROWS = 200000 };
    char *text = malloc(ROWS * 24 + 20);
    double *values = malloc(ROWS * sizeof *values);
    assert_true(text && values);
    size_t used = (size_t)sprintf(text, "t_s,depth_mm\n");
    for (int i = 0; i < ROWS; i++)
        used += (size_t)sprintf(text + used, "%d.%03d,%d\n", i / 1000, i % 1000, i % 151);
    table_free(&table);
    assert_int_equal(table_read(&table, "trace.csv", text, used, &err), 0);
    free(text);
    assert_int_equal(table.rows, ROWS);
    assert_int_equal(table_numbers(&table, 0, values, &err), 0);
    for (int i = 0; i < ROWS; i++)
        assert_true(values[i] == i / 1000.0);
    assert_int_equal(table_numbers(&table, 1, values, &err), 0);
    for (int i = 0; i < ROWS; i++)
        assert_true(values[i] == i % 151);
    assert_int_equal(table.lines[ROWS - 1], ROWS + 1);
    free(values);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_takes),           cmocka_unit_test(test_refuses),
        cmocka_unit_test(test_bytes_and_sizes), cmocka_unit_test(test_columns),
        cmocka_unit_test(test_numbers),         cmocka_unit_test(test_large),
    };
    return cmocka_run_group_tests(tests, NULL, free_table);
}
