/* SPDX-License-Identifier: GPL-3.0-or-later
 * Results to JSON and back. JSON has no NaN and no infinity: both become null, and
 * what they were follows from the rest (see the header). */
#include "results/result_json.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char FORMAT[] = "wetsweep results";

static json_t *number(double value)
{
    return isfinite(value) ? json_real(value) : json_null();
}

static json_t *budget_json(const struct result *result)
{
    json_t *list = json_array();
    for (size_t i = 0; list && i < result->budget_count; i++) {
        const struct result_contribution *part = &result->budget[i];
        const char type[2] = {part->type, 0};
        json_t *entry = json_pack("{s:s, s:s, s:o, s:o}", "name", part->name, "type", type,
                                  "standard_uncertainty", number(part->standard_uncertainty),
                                  "degrees_of_freedom", number(part->degrees_of_freedom));
        if (entry && part->rectangular && json_object_set_new(entry, "rectangular", json_true())) {
            json_decref(entry);
            entry = NULL;
        }
        if (!entry || json_array_append_new(list, entry)) {
            json_decref(list);
            return NULL;
        }
    }
    return list;
}

json_t *result_to_json(const struct result *result)
{
    json_t *object =
        json_pack("{s:s, s:o, s:s, s:o, s:o, s:o, s:o, s:s, s:o}", "title", result->title, "value",
                  number(result->value), "unit", result->unit, "standard_uncertainty",
                  number(result->standard_uncertainty), "low_95", number(result->low_95), "high_95",
                  number(result->high_95), "degrees_of_freedom", number(result->degrees_of_freedom),
                  "method", result->method, "budget", budget_json(result));
    if (object && *result->reason &&
        json_object_set_new(object, "reason", json_string(result->reason))) {
        json_decref(object);
        return NULL;
    }
    return object;
}

char *result_list_json(const struct result_list *list, json_t *head, struct rig_err *err)
{
    json_t *root = json_pack("{s:s}", "format", FORMAT);
    json_t *results = json_object();
    char *json = NULL;
    const char *key;
    json_t *value;
    bool failed = !root || !results;
    json_object_foreach(head, key, value)
    {
        if (strcmp(key, "format") == 0 || strcmp(key, "results") == 0) {
            rig_fail(err, RIG_EBUG, "'%s' is a key of results.json itself", key);
            goto out;
        }
        failed = failed || json_object_set(root, key, value);
    }
    for (size_t i = 0; !failed && i < list->count; i++) {
        json_t *object = result_to_json(&list->results[i]);
        failed = !object || json_object_set_new(results, list->results[i].name, object);
        if (failed)
            rig_fail(err, RIG_EBUG, "the result '%s' can't be put into JSON",
                     list->results[i].name);
        if (failed)
            goto out;
    }
    if (!failed && !json_object_set(root, "results", results))
        json = json_dumps(root, JSON_INDENT(2) | JSON_REAL_PRECISION(RESULT_JSON_DIGITS));
    size_t size = json ? strlen(json) : 0;
    char *longer = json ? realloc(json, size + 2) : NULL;
    if (longer) {
        memcpy(longer + size, "\n", 2);
    } else {
        free(json);
        rig_fail_memory(err, "results.json");
    }
    json = longer;
out:
    json_decref(results);
    json_decref(root);
    return json;
}

/* ---- reading ---- */

struct reader {
    const char *file, *result;
    struct rig_err *err;
};

static int wrong(const struct reader *reader, const char *key, const char *expected)
{
    return rig_fail(reader->err, RIG_EINPUT, "%s: '%s' of the result '%.64s' must be %s",
                    reader->file, key, reader->result, expected);
}

static int read_number(const struct reader *reader, const json_t *object, const char *key,
                       double *value)
{
    const json_t *found = json_object_get(object, key);
    if (found && !json_is_null(found) && !json_is_number(found))
        return wrong(reader, key, "a number or null");
    *value = json_is_number(found) ? json_number_value(found) : (double)NAN;
    return RIG_OK;
}

static int read_text(const struct reader *reader, const json_t *object, const char *key, char *to,
                     size_t room)
{
    const json_t *found = json_object_get(object, key);
    if (found && !json_is_string(found))
        return wrong(reader, key, "text");
    const char *text = found ? json_string_value(found) : "";
    if (strlen(text) >= room)
        return wrong(reader, key, "a shorter text");
    memcpy(to, text, strlen(text) + 1);
    return RIG_OK;
}

static int read_budget(const struct reader *reader, const json_t *object, struct result *result)
{
    const json_t *list = json_object_get(object, "budget");
    if (!list)
        return RIG_OK;
    if (!json_is_array(list) || json_array_size(list) > RESULT_BUDGET_LIMIT)
        return wrong(reader, "budget", "a list of at most 12 contributions");
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *entry = json_array_get(list, i);
        struct result_contribution *part = &result->budget[i];
        char type[2];
        if (!json_is_object(entry))
            return wrong(reader, "budget", "a list of objects");
        int code = read_text(reader, entry, "name", part->name, sizeof part->name);
        if (!code)
            code = read_text(reader, entry, "type", type, sizeof type);
        if (!code)
            code = read_number(reader, entry, "standard_uncertainty", &part->standard_uncertainty);
        if (!code)
            code = read_number(reader, entry, "degrees_of_freedom", &part->degrees_of_freedom);
        if (code)
            return code;
        part->type = *type;
        part->rectangular = json_is_true(json_object_get(entry, "rectangular"));
        if (isnan(part->degrees_of_freedom) && isfinite(part->standard_uncertainty))
            part->degrees_of_freedom = INFINITY;
        result->budget_count = i + 1;
    }
    return RIG_OK;
}

static int read_result(const struct reader *reader, const json_t *object, struct result_list *list)
{
    if (!json_is_object(object))
        return rig_fail(reader->err, RIG_EINPUT, "%s: the result '%.64s' must be an object",
                        reader->file, reader->result);
    struct result *result = result_add(list, reader->result, "", "", reader->err);
    if (!result) /* a name that is too long is the file's fault here */
        return strlen(reader->result) >= RESULT_NAME_SIZE
                   ? rig_fail(reader->err, RIG_EINPUT, "%s: the name '%.64s...' is too long",
                              reader->file, reader->result)
                   : rig_fail_memory(reader->err, "the results");
    const struct {
        const char *key;
        char *to;
        size_t room;
    } texts[] = {{"title", result->title, sizeof result->title},
                 {"unit", result->unit, sizeof result->unit},
                 {"method", result->method, sizeof result->method},
                 {"reason", result->reason, sizeof result->reason}};
    const struct {
        const char *key;
        double *to;
    } numbers[] = {{"value", &result->value},
                   {"standard_uncertainty", &result->standard_uncertainty},
                   {"low_95", &result->low_95},
                   {"high_95", &result->high_95},
                   {"degrees_of_freedom", &result->degrees_of_freedom}};
    int code = RIG_OK;
    for (size_t i = 0; !code && i < sizeof texts / sizeof *texts; i++)
        code = read_text(reader, object, texts[i].key, texts[i].to, texts[i].room);
    for (size_t i = 0; !code && i < sizeof numbers / sizeof *numbers; i++)
        code = read_number(reader, object, numbers[i].key, numbers[i].to);
    if (!code)
        code = read_budget(reader, object, result);
    if (!code && isnan(result->degrees_of_freedom) && isfinite(result->low_95))
        result->degrees_of_freedom = INFINITY;
    return code;
}

int result_list_read(struct result_list *list, json_t **head, const char *name, const char *bytes,
                     size_t size, struct rig_err *err)
{
    *list = (struct result_list){0};
    if (head)
        *head = NULL;
    json_error_t why;
    json_t *root = json_loadb(bytes, size, JSON_REJECT_DUPLICATES, &why);
    if (!root)
        return rig_fail(err, RIG_EINPUT,
                        "%s:%d:%d: %s; results.json as 'fit' writes it belongs here", name,
                        why.line, why.column, why.text);
    json_t *results = json_object_get(root, "results");
    const char *format = json_string_value(json_object_get(root, "format"));
    int code = RIG_OK;
    if (!format || strcmp(format, FORMAT) != 0 || !json_is_object(results))
        code = rig_fail(
            err, RIG_EINPUT,
            "%s: is not a list of results; results.json as 'fit' writes it belongs here", name);
    const char *key;
    json_t *value;
    if (!code)
        json_object_foreach(results, key, value)
        {
            const struct reader reader = {.file = name, .result = key, .err = err};
            if ((code = read_result(&reader, value, list)))
                break;
        }
    if (code) {
        result_list_free(list);
        json_decref(root);
        return code;
    }
    if (head)
        *head = root;
    else
        json_decref(root);
    return RIG_OK;
}
