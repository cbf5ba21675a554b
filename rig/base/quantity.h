/* SPDX-License-Identifier: GPL-3.0-or-later
 * Quantities with units, through UDUNITS-2. Inside the program every quantity
 * is a double in the unit of its kind (named in the table below). */
#ifndef BASE_QUANTITY_H
#define BASE_QUANTITY_H

#include "base/err.h"

#include <stddef.h>

/* kind, our unit as UDUNITS-2 writes it, the name people read, an example.
 * "step", "line" and "row" are base units of our own, added to the system. */
#define QUANTITY_KINDS(X)                                                                          \
    X(QUANTITY_LENGTH, "mm", "a length", "20 mm")                                                  \
    X(QUANTITY_TIME, "s", "a time", "4 s")                                                         \
    X(QUANTITY_SPEED, "mm/s", "a speed", "20 mm/s")                                                \
    X(QUANTITY_ACCELERATION, "mm/s2", "an acceleration", "900 mm/s2")                              \
    X(QUANTITY_JERK, "mm/s3", "a jerk", "9000 mm/s3")                                              \
    X(QUANTITY_FREQUENCY, "Hz", "a frequency", "0.5 Hz")                                           \
    X(QUANTITY_AREA, "mm2", "an area", "900 cm2")                                                  \
    X(QUANTITY_RESOLUTION, "step/mm", "a resolution", "400 steps/mm")                              \
    X(QUANTITY_BAUD, "baud", "a line speed", "115200 baud")                                        \
    X(QUANTITY_LINE_RATE, "line/s", "a rate of lines", "300 lines/s")                              \
    X(QUANTITY_PERCENT, "percent", "a share", "5 percent")                                         \
    X(QUANTITY_LENGTH_RATE, "mm/h", "a rate of change of length", "0.3 mm/h")                      \
    X(QUANTITY_BYTES, "byte", "a size", "96 bytes")                                                \
    X(QUANTITY_TEMPERATURE, "degC", "a temperature", "20 degC")                                    \
    X(QUANTITY_PARTS, "ppm", "a relative deviation", "20 ppm")

enum quantity_kind {
#define X(kind, unit, name, example) kind,
    QUANTITY_KINDS(X)
#undef X
        QUANTITY_KIND_COUNT
};

struct units; /* one a thread; reads the unit database once */

/* NULL on failure with err filled (RIG_EOS when the database is missing). */
struct units *units_open(struct rig_err *err);
void units_close(struct units *units); /* NULL allowed */

/* value in `unit` (size bytes, not NUL-terminated) to the unit of `kind`.
 * RIG_EINPUT when the unit is unknown or of another kind: the text then says
 * what was found and gives the example ("'20 mm' is a length where a speed
 * belongs, such as 20 mm/s"). Result is finite or RIG_EINPUT. */
int units_convert(struct units *units, enum quantity_kind kind, double value, const char *unit,
                  size_t unit_size, double *converted, struct rig_err *err);

/* Which kind the unit is; for 'each NAME v1, v2 UNIT' where the unit decides.
 * Where two kinds share a dimension (Hz and baud; mm/s and mm/h) the one listed
 * first wins. RIG_EINPUT when it is none of them. */
int units_kind_of(struct units *units, const char *unit, size_t unit_size, enum quantity_kind *kind,
                  struct rig_err *err);

/* Any unit at all that UDUNITS-2 knows, for channels ("volts", "us", "degC", "1"
 * or "counts" for plain numbers). 0 or RIG_EINPUT. */
int units_check(struct units *units, const char *unit, size_t unit_size, struct rig_err *err);

/* Factor and offset so that si = offset + factor * value, for channel units;
 * base: a unit such as "s" that `unit` must be convertible to. */
int units_factor(struct units *units, const char *unit, const char *base, double *factor,
                 double *offset, struct rig_err *err);

const char *quantity_unit(enum quantity_kind kind);    /* "mm/s" */
const char *quantity_name(enum quantity_kind kind);    /* "a speed" */
const char *quantity_example(enum quantity_kind kind); /* "20 mm/s" */

#endif
