/* SPDX-License-Identifier: GPL-3.0-or-later
 * One unit database for a whole group of tests: setup and teardown for cmocka. */
#ifndef TESTS_UNITS_H
#define TESTS_UNITS_H

#include "base/quantity.h"

extern struct units *units; /* between the two */

int open_units(void **state);
int close_units(void **state);

#endif
