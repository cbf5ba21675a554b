/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "units.h"

struct units *units;

int open_units(void **state)
{
    (void)state;
    units = units_open(NULL);
    return units ? 0 : -1;
}

int close_units(void **state)
{
    (void)state;
    units_close(units);
    units = NULL;
    return 0;
}
