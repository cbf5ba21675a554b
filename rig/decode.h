/* SPDX-License-Identifier: GPL-3.0-or-later
 * What a board sends to numbers: lines of comma-separated columns, or of key=value pairs
 * between commas, semicolons or blanks, with or without the NMEA 0183 frame and checksum
 * ($...*hh); or binary frames; as the rig file says. Pure, fixed memory. A line that does not fit
 * is handed out with its bytes, never as data. */
#ifndef RIG_DECODE_H
#define RIG_DECODE_H

#include "base/err.h"
#include "motion/rigfile.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum { DECODE_LINE_LIMIT = 1024, DECODE_TEXT_SIZE = 200 };

struct decoder;

struct decoded {
    bool good;
    double device_s;                  /* board clock, unwrapped, NaN if it sends none */
    double values[RIG_CHANNEL_LIMIT]; /* in the order of the source's channels; NaN: empty cell */
    char text[DECODE_TEXT_SIZE];      /* of a line that is not good: why, and its bytes, other
                                         than printable ones as \xHH, cut if long */
};

/* source is borrowed and must outlive the decoder. NULL: no memory. */
struct decoder *decoder_open(const struct rig_source *source, struct rig_err *err);
void decoder_free(struct decoder *decoder); /* NULL allowed */

/* Takes bytes up to and including the end of one line or frame; returns how many, at
 * least 1. *line: one ended here, and *out is filled (untouched else). What came before the first
 * line's end after opening, or after decoder_restart, is the rest of a line cut in two and is
 * passed over in silence, as are empty lines. Lines end with LF, CR LF or CR.
 *
 * Frames: at the start, and after bytes that were none, the first one only shows where
 * the next begins, unless its check has 16 bits or more. Bytes that belong to no frame
 * are handed out as malformed, but for those before the first. */
size_t decoder_take(struct decoder *decoder, const char *bytes, size_t size, bool *line,
                    struct decoded *out);
/* After the port was closed and opened again: the clock's count starts anew. */
void decoder_restart(struct decoder *decoder);

/* Times that the board's clock stepped back by less than a wrap: it was reset. */
uint64_t decoder_clock_resets(const struct decoder *decoder);

#endif
