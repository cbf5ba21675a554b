/* SPDX-License-Identifier: GPL-3.0-or-later
 * What `wetsweep sync` measured of an axis and of the boards' clocks, as a small text file
 * beside the rig file (docs/formats_text.md). Bytes in, a struct out, and back. */
#ifndef MOTION_SYNCFILE_H
#define MOTION_SYNCFILE_H

#include "base/err.h"
#include "base/quantity.h"
#include "base/text.h"
#include "motion/rigfile.h"

enum { SYNC_MARK_SIZE = 17, SYNC_TEXT_SIZE = 64 };

/* value NaN: not known; u: standard uncertainty. */
struct sync_value {
    double value, u;
};

struct sync {
    char axis[SYNC_MARK_SIZE]; /* mark of the axis block that it was measured with */
    char made[SYNC_TEXT_SIZE]; /* UTC; "" if not given */
    char tied[SYNC_TEXT_SIZE]; /* by what; "" likewise */
    struct sync_value start_delay_s;
    double spread_s;            /* standard deviation between strokes; NaN: not known */
    struct sync_value skew_ppm; /* > 0: the axis' clock is fast against the host's */
    struct sync_value backlash_mm;
    size_t source_count;
    struct {
        char name[RIG_NAME_SIZE];
        struct sync_value skew_ppm; /* > 0: the board's clock is fast */
    } sources[RIG_SOURCE_LIMIT];
};

/* text[0..size) of the file called name. RIG_EINPUT or RIG_ELIMIT with FILE:LINE:COLUMN, *sync
 * unspecified. Owns nothing afterwards. */
int sync_read(struct sync *sync, const char *name, const char *text, size_t size,
              struct units *units, struct rig_err *err);

/* The text that sync_read reads back; what isn't known is left out. `from`: of which rig file,
 * for the comment at its head. */
void sync_write(struct text *text, const struct sync *sync, const char *from);

/* A hash (FNV-1a, 64 bits) of the words and numbers of a rig text's axis block, whatever its
 * comments and spacing; controller: text of the file that describes it, NULL for none.
 * RIG_EINPUT when the text can't be read, or has no axis. */
int sync_axis_mark(char mark[SYNC_MARK_SIZE], const char *name, const char *rig_text,
                   const char *controller, struct rig_err *err);

#endif
