/* SPDX-License-Identifier: GPL-3.0-or-later
 * The shipped program's JSON in tests: run, parse, look up, fail with what was wrong. */
#ifndef TESTS_JSON_CHECK_H
#define TESTS_JSON_CHECK_H

#include <jansson.h>

/* Runs the program with arguments (as for the shell) and parses what it prints; the test
 * fails unless it succeeds. The caller owns the object. */
json_t *run_program_json(const char *arguments);

/* The number under a key; the test fails when there is none. */
double json_number_of(const json_t *object, const char *key);

#endif
