/* SPDX-License-Identifier: GPL-3.0-or-later
 * Any bytes from a board that sends frames, whole and in pieces: the same frames come out,
 * numbers are finite, what is said of the rest is printable. The first byte picks the
 * check and the piece. */
#include "rig/decode.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

struct sum {
    uint64_t good, bad, digest;
};

static struct rig_source source_of(unsigned which)
{
    static const enum frame_check checks[] = {CHECK_NONE, CHECK_SUM8, CHECK_CRC16_MODBUS,
                                              CHECK_CRC32};
    enum frame_check check = checks[which & 3];
    int sync = which & 4 ? 1 : 3, size = sync + 8 + frame_check_size(check);
    struct rig_source source = {.format = LINE_FRAMES,
                                .frame = {.size = size,
                                          .sync_size = sync,
                                          .sync = {'A', 'B', 'A'},
                                          .check = check,
                                          .check_from = 1,
                                          .check_to = sync + 8,
                                          .check_at = sync + 9},
                                .clock_field = {.byte = sync + 1, .type = FIELD_U16, .scale = 1},
                                .clock_unit_s = 1e-3,
                                .clock_wrap_counts = 65536,
                                .channel_count = 2};
    source.channels[0].field =
        (struct rig_field){.byte = sync + 3, .type = FIELD_F32, .scale = 2, .offset = -1};
    source.channels[1].field =
        (struct rig_field){.byte = sync + 7, .type = FIELD_I16, .big = true, .scale = 0.5};
    return source;
}

static struct sum decode(const struct rig_source *source, const char *bytes, size_t size,
                         size_t piece)
{
    struct rig_err err;
    struct sum sum = {0};
    struct decoder *decoder = decoder_open(source, &err);
    if (!decoder)
        abort();
    for (size_t at = 0; at < size;) {
        bool line;
        struct decoded out;
        size_t most = size - at < piece ? size - at : piece;
        size_t took = decoder_take(decoder, bytes + at, most, &line, &out);
        if (took < 1 || took > most)
            abort();
        at += took;
        if (!line)
            continue;
        sum.good += out.good;
        sum.bad += !out.good;
        if (out.good &&
            !(isfinite(out.values[0]) && isfinite(out.values[1]) && isfinite(out.device_s)))
            abort();
        for (const char *c = out.good ? "" : out.text; *c; c++) {
            if (*c < 0x20 || *c > 0x7e)
                abort();
            sum.digest = sum.digest * 31 + (unsigned char)*c;
        }
    }
    if (sum.good * (uint64_t)source->frame.size > size)
        abort(); /* a byte belongs to one frame */
    decoder_free(decoder);
    return sum;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    if (size < 1 || size > 8192)
        return 0;
    struct rig_source source = source_of(data[0]);
    const char *bytes = (const char *)data + 1;
    struct sum whole = decode(&source, bytes, size - 1, SIZE_MAX);
    struct sum cut = decode(&source, bytes, size - 1, 1 + (data[0] >> 3));
    if (whole.good != cut.good || whole.bad != cut.bad || whole.digest != cut.digest)
        abort();
    return 0;
}
