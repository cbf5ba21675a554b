/* SPDX-License-Identifier: GPL-3.0-or-later
 * From a calibration curve to the table that a board's firmware carries: the fewest straight
 * segments within a stated error, in whole numbers, both ways; as a C header and source, as
 * CSV and as JSON. Pure.
 *
 * Firmware knows a reading as a whole number of counts of stated size, a depth as whole
 * micrometres. The worst errors stated are over all readings and all depths of the range,
 * with everything that rounding adds: of the reading to counts, of the knots, of the
 * arithmetic, of the depth to micrometres. They are against the curve; how far the curve is
 * from the board is the curve's own uncertainty. */
#ifndef RESULTS_FIRMWARE_H
#define RESULTS_FIRMWARE_H

#include "base/err.h"
#include "base/text.h"
#include "results/curve.h"
#include "results/segments.h"

#include <jansson.h>

enum { FIRMWARE_NAME_LIMIT = 40 };

struct firmware_options {
    double low_mm, high_mm; /* NaN: as far as the curve can be used */
    double error_mm;        /* > 0: of a depth found from a reading, at most */
    double count;           /* size of one whole reading in the reading's unit; NaN: 1, 2 or 5 times
                               a power of ten whose half moves the depth by 5 % of the error at most,
                               or that makes 8192 counts of the range at most, if that is larger */
};

struct firmware {
    struct segments segments;
    double count, error_mm; /* as asked or chosen */
    double low_mm, high_mm; /* depths that the table stands for */
    /* Readings in the range, beyond whose ends the table stays at its ends. */
    int32_t reading_low, reading_high;
    double worst_depth_mm, worst_depth_at;     /* of a depth from a reading; where (mm) */
    double worst_reading_mm, worst_reading_at; /* of a reading from a depth, as depth */
    double worst_reading;                      /* the same in the reading's unit */
    bool narrow;                               /* 32-bit arithmetic holds every product */
};

/* Of all tables with so few segments one whose worst error is within 1/32 of the least.
 * RIG_EUNKNOWABLE: the curve is usable nowhere, or no table keeps the error; RIG_EINPUT: a
 * range, error or count that makes no sense, with what would. Untouched on error; the caller
 * frees. */
int firmware_make(struct firmware *firmware, const struct curve *curve,
                  const struct firmware_options *options, struct rig_err *err);
void firmware_free(struct firmware *firmware); /* zeroed or NULL allowed */

/* ---- as text ---- */

struct firmware_source {
    const char *name, *board, *revision, *coating, *started, *sha256; /* "" when not known */
};

/* What the files say about where the table comes from. Text that could end a comment is
 * changed in C and CSV, and kept in JSON. */
struct firmware_facts {
    const char *name;     /* of the table, firmware_name_fits */
    const char *revision; /* "" when not known */
    const char *unit;     /* of the reading */
    const char *version;  /* of the program */
    const struct firmware_source *sources;
    size_t source_count;
    double curve_u_mm; /* largest standard uncertainty of the curve in the range; NaN: none */
};

/* A C identifier in small letters, up to FIRMWARE_NAME_LIMIT bytes. */
bool firmware_name_fits(const char *name);
/* "level_b" for revision "B"; "level" when it has no letter or digit. */
void firmware_name_for(char name[FIRMWARE_NAME_LIMIT + 1], const char *revision);

/* NAME.h and NAME.c. C99 and later, no library, no floating point, no allocation. */
void firmware_c_header(const struct firmware *firmware, const struct firmware_facts *facts,
                       struct text *out);
void firmware_c_source(const struct firmware *firmware, const struct firmware_facts *facts,
                       struct text *out);
/* One row a knot, after lines that begin with '#'. */
void firmware_csv(const struct firmware *firmware, const struct firmware_facts *facts,
                  struct text *out);
/* The object of docs/formats.md; NULL: no memory, or text that isn't UTF-8. */
json_t *firmware_json(const struct firmware *firmware, const struct firmware_facts *facts);

#endif
