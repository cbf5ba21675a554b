/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "json_check.h"

#include "check.h"

#include <stdlib.h>

json_t *run_program_json(const char *arguments)
{
    char *output, *errors;
    int status = run_program(arguments, &output, &errors);
    if (status)
        print_error("%s\n%s", arguments, errors);
    assert_int_equal(status, 0);
    json_t *root = json_loads(output, 0, NULL);
    assert_non_null(root);
    free(output);
    free(errors);
    return root;
}

double json_number_of(const json_t *object, const char *key)
{
    const json_t *value = json_object_get(object, key);
    if (!json_is_number(value))
        print_error("'%s' is no number\n", key);
    assert_true(json_is_number(value));
    return json_number_value(value);
}
