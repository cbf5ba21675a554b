/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "check.h"
#include "results/result.h"
#include "results/result_json.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static struct result *add(struct result_list *list, const char *name)
{
    struct rig_err err = {0};
    struct result *result = result_add(list, name, "A title", "mm", &err);
    assert_non_null(result);
    return result;
}

/* t_95 of 16 degrees of freedom: 2.12, JCGM 100:2008 table G.2. */
static void interval_is_students(void **state)
{
    (void)state;
    struct result_list list = {0};
    struct result *result = add(&list, "x");
    result_set(result, 10, 0.5, 16, "a mean");
    assert_near(result->low_95, 10 - 0.5 * 2.12, 0.5 * 0.005, "mm");
    assert_near(result->high_95, 10 + 0.5 * 2.12, 0.5 * 0.005, "mm");
    result_set(result, 10, 0.5, INFINITY, "a mean");
    assert_near(result->high_95, 10 + 0.5 * 1.959963984540054, 1e-12, "mm");
    result_set(result, 10, 0.5, 2e6, "a mean");
    assert_near(result->high_95, 10 + 0.5 * 1.959963984540054, 1e-6, "mm");
    result_set(result, 10, 0, 3, "exact");
    assert_near(result->low_95, 10, 0, "mm");
    result_list_free(&list);
}

/* JCGM 100:2008 H.1: contributions 25 nm (18), 9.7 nm (25.6), 2.9 nm (50), 16.6 nm (2)
 * combine to 32 nm with 16 effective degrees of freedom, truncated. */
static void budget_of_the_end_gauge(void **state)
{
    (void)state;
    struct result_list list = {0};
    struct result *result = add(&list, "length");
    result_contribute(result, "calibration of the standard", 'B', 25, 18);
    result_contribute(result, "measured difference", 'A', 9.7, 25.6);
    result_contribute(result, "difference in expansion", 'B', 2.9, 50);
    result_contribute(result, "difference in temperature", 'B', 16.6, 2);
    result_combine(result, 50000838, "comparison");
    assert_near(round(result->standard_uncertainty), 32, 0, "nm");
    assert_near(result->degrees_of_freedom, 16, 0, "");
    assert_near(result->high_95 - 50000838, 2.12 * result->standard_uncertainty, 0.2, "nm");
    result_list_free(&list);
}

/* One contribution keeps its own degrees of freedom: no digit is lost by truncation. */
static void whole_degrees_stay_whole(void **state)
{
    (void)state;
    for (int freedom = 1; freedom < 400; freedom++) {
        struct result_list list = {0};
        struct result *result = add(&list, "x");
        result_contribute(result, "replication", 'A', 0.1 * freedom + 0.037, freedom);
        result_combine(result, 1, "m");
        assert_near(result->degrees_of_freedom, freedom, 0, "");
        result_list_free(&list);
    }
}

static void many_contributions_lose_nothing(void **state)
{
    (void)state;
    struct result_list list = {0};
    struct result *result = add(&list, "x");
    double variance = 0, fourth = 0;
    for (int i = 1; i <= 20; i++) {
        result_contribute(result, "part", 'A', i, 3 + i);
        variance += i * i;
        fourth += pow(i, 4) / (3 + i);
    }
    assert_int_equal(result->budget_count, RESULT_BUDGET_LIMIT);
    assert_string_equal(result->budget[RESULT_BUDGET_LIMIT - 1].name, "all others");
    result_combine(result, 1, "m");
    assert_near(result->standard_uncertainty, sqrt(variance), 1e-12 * sqrt(variance), "mm");
    assert_near(result->degrees_of_freedom, floor(variance * variance / fourth), 0, "");
    result_list_free(&list);
}

static void what_is_not_known_says_so(void **state)
{
    (void)state;
    struct result_list list = {0};
    struct result *result = add(&list, "x");
    result_set(result, NAN, 1, 3, "m");
    assert_true(isnan(result->value) && isnan(result->low_95) && *result->reason);
    result_set(result, 1, INFINITY, 3, "m");
    assert_true(isnan(result->value) && *result->reason);
    result_set(result, 1, -1, 3, "m");
    assert_true(isnan(result->value) && *result->reason);
    result_set(result, 1, NAN, NAN, "one pass");
    assert_near(result->value, 1, 0, "mm");
    assert_true(isnan(result->low_95) && !*result->reason);
    result_set(result, 1, 0.1, 0, "m");
    assert_true(isnan(result->low_95));
    assert_contains(result->reason, "too few degrees of freedom");
    result_contribute(result, "clock alignment", 'B', NAN, INFINITY);
    result_combine(result, 1, "m");
    assert_near(result->value, 1, 0, "mm");
    assert_contains(result->reason, "'clock alignment' is not known");
    result_refuse(result, "only %d speed", 1);
    assert_string_equal(result->reason, "only 1 speed");
    assert_true(isnan(result->value) && result->budget_count == 0);
    result_list_free(&list);
}

static void names_are_unique(void **state)
{
    (void)state;
    struct result_list list = {0};
    struct rig_err err = {0};
    char name[RESULT_NAME_SIZE + 1];
    for (int i = 0; i < 100; i++) {
        snprintf(name, sizeof name, "r%d", i);
        add(&list, name);
    }
    assert_null(result_add(&list, "r7", "t", "s", &err));
    assert_int_equal(err.code, RIG_EBUG);
    memset(name, 'a', RESULT_NAME_SIZE);
    name[RESULT_NAME_SIZE] = 0;
    assert_null(result_add(&list, name, "t", "s", &err));
    assert_int_equal(list.count, 100);
    assert_ptr_equal(result_find(&list, "r99"), &list.results[99]);
    assert_null(result_find(&list, "r100"));
    result_list_free(&list);
}

static void assert_same(const struct result *a, const struct result *b)
{
    assert_string_equal(a->name, b->name);
    assert_string_equal(a->title, b->title);
    assert_string_equal(a->unit, b->unit);
    assert_string_equal(a->method, b->method);
    assert_string_equal(a->reason, b->reason);
    assert_near(a->value, b->value, 1e-14 * fabs(b->value), b->unit);
    assert_near(a->standard_uncertainty, b->standard_uncertainty, 1e-14, b->unit);
    assert_near(a->low_95, b->low_95, 1e-14 * fabs(b->value), b->unit);
    assert_near(a->high_95, b->high_95, 1e-14 * fabs(b->value), b->unit);
    assert_true(a->degrees_of_freedom == b->degrees_of_freedom ||
                (isnan(a->degrees_of_freedom) && isnan(b->degrees_of_freedom)));
    assert_int_equal(a->budget_count, b->budget_count);
    for (size_t i = 0; i < a->budget_count; i++) {
        assert_string_equal(a->budget[i].name, b->budget[i].name);
        assert_int_equal(a->budget[i].type, b->budget[i].type);
        assert_near(a->budget[i].standard_uncertainty, b->budget[i].standard_uncertainty, 1e-14,
                    b->unit);
        assert_true(a->budget[i].degrees_of_freedom == b->budget[i].degrees_of_freedom);
    }
}

static void json_there_and_back(void **state)
{
    (void)state;
    struct result_list list = {0}, back;
    struct rig_err err = {0};
    result_set(add(&list, "plain"), 0.1, 0.003, 7, "m \"quoted\" \xc2\xb5");
    result_set(add(&list, "well_known"), 1e-7, 1e-9, INFINITY, "m");
    result_set(add(&list, "no_interval"), 3, NAN, NAN, "one pass");
    result_refuse(add(&list, "refused"), "only one speed");
    struct result *budget = add(&list, "budget");
    result_contribute(budget, "replication", 'A', 0.1, 4);
    result_contribute(budget, "datum", 'B', 0.2, INFINITY);
    result_combine(budget, 2.5, "m");
    json_t *head = json_pack("{s:s}", "board", "A-17"), *whole;
    char *json = result_list_json(&list, head, &err);
    assert_non_null(json);
    assert_contains(json, "\"value\": 0.1,");
    assert_int_equal(json[strlen(json) - 1], '\n');
    assert_int_equal(result_list_read(&back, &whole, "results.json", json, strlen(json), &err), 0);
    assert_string_equal(json_string_value(json_object_get(whole, "board")), "A-17");
    assert_int_equal(back.count, list.count);
    for (size_t i = 0; i < back.count; i++)
        assert_same(&back.results[i], &list.results[i]);
    /* What other programs may rely on: every key in every result. */
    const char *key;
    json_t *value;
    json_object_foreach(json_object_get(whole, "results"), key, value)
    {
        static const char *const keys[] = {"title",
                                           "value",
                                           "unit",
                                           "standard_uncertainty",
                                           "low_95",
                                           "high_95",
                                           "degrees_of_freedom",
                                           "method",
                                           "budget"};
        for (size_t i = 0; i < sizeof keys / sizeof *keys; i++)
            assert_non_null(json_object_get(value, keys[i]));
        bool given = json_is_number(json_object_get(value, "value"));
        assert_true(given || json_is_string(json_object_get(value, "reason")));
    }
    json_decref(whole);
    json_decref(head);
    head = json_pack("{s:i}", "results", 1);
    assert_null(result_list_json(&list, head, &err));
    json_decref(head);
    result_list_free(&back);
    result_list_free(&list);
    free(json);
}

static void bad_json_is_refused(void **state)
{
    (void)state;
    static const struct {
        const char *json, *says;
    } cases[] = {
        {"", "results.json:1:0:"},
        {"{", "results.json:1:1:"},
        {"[]", "is not a list of results"},
        {"{\"format\":\"wetsweep results\"}", "is not a list of results"},
        {"{\"format\":\"other\",\"results\":{}}", "is not a list of results"},
        {"{\"format\":\"wetsweep results\",\"results\":{\"a\":1}}", "'a' must be an object"},
        {"{\"format\":\"wetsweep results\",\"results\":{\"a\":{\"value\":\"x\"}}}",
         "'value' of the result 'a' must be a number or null"},
        {"{\"format\":\"wetsweep results\",\"results\":{\"a\":{\"unit\":3}}}", "must be text"},
        {"{\"format\":\"wetsweep results\",\"results\":{\"a\":{\"unit\":"
         "\"aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa\"}}}",
         "a shorter text"},
        {"{\"format\":\"wetsweep results\",\"results\":{\"a\":{\"budget\":[1]}}}",
         "a list of objects"},
        {"{\"format\":\"wetsweep results\",\"results\":{\"a\":{\"budget\":{}}}}",
         "a list of at most 12"},
        {"{\"format\":\"wetsweep results\",\"results\":{\"a\":{},\"a\":{}}}", "results.json:1:"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        struct result_list list;
        struct rig_err err = {0};
        assert_int_equal(result_list_read(&list, NULL, "results.json", cases[i].json,
                                          strlen(cases[i].json), &err),
                         RIG_EINPUT);
        assert_contains(err.text, cases[i].says);
        assert_int_equal(list.count, 0);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(interval_is_students),
        cmocka_unit_test(budget_of_the_end_gauge),
        cmocka_unit_test(whole_degrees_stay_whole),
        cmocka_unit_test(many_contributions_lose_nothing),
        cmocka_unit_test(what_is_not_known_says_so),
        cmocka_unit_test(names_are_unique),
        cmocka_unit_test(json_there_and_back),
        cmocka_unit_test(bad_json_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
