/* SPDX-License-Identifier: GPL-3.0-or-later
 * What the decoders of lines and of frames share; private to rig/decode*.c. */
#ifndef RIG_DECODE_PARTS_H
#define RIG_DECODE_PARTS_H

#include "rig/decode.h"

struct decoder {
    const struct rig_source *source;
    char line[DECODE_LINE_LIMIT]; /* or frame */
    size_t size;
    bool synchronised; /* the end of a line was seen, or a frame */
    bool too_long;
    size_t passed;   /* frames: bytes at the front of `line` that begin none */
    const char *why; /* frames: what is wrong with them, NULL: no beginning */
    bool heard;      /* frames: a whole one, ever */
    /* device clock */
    bool has_count;
    double last_count, base_counts;
    uint64_t resets;
};

/* *out: not good, because of `why`, with these bytes. */
void decode_refuse(struct decoded *out, const char *why, const char *bytes, size_t size);
/* Counts of the board's clock to seconds, with its wraps taken out. */
double decode_clock_s(struct decoder *decoder, double count);
/* decoder_take of a source of frames. */
size_t decode_take_frame(struct decoder *decoder, const char *bytes, size_t size, bool *line,
                         struct decoded *out);

#endif
