/* SPDX-License-Identifier: GPL-3.0-or-later
 * What reading a controller's file and working with it share. Private to
 * motion/controller*.c. */
#ifndef MOTION_CONTROLLER_PARTS_H
#define MOTION_CONTROLLER_PARTS_H

#include "motion/controller.h"

enum field_kind { FIELD_LETTER, FIELD_PLACE, FIELD_FEED, FIELD_TIME };

struct controller_field {
    enum field_kind kind;
    enum controller_unit unit;
    double factor;
    int decimals;
};

/* "mm/s:3", without its braces; false: no field. */
bool controller_field(const char *text, size_t size, struct controller_field *field);
/* Bytes of the "{...}" that text begins with, 0: none. */
size_t controller_field_size(const char *text);

#endif
