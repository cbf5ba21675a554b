/* SPDX-License-Identifier: GPL-3.0-or-later
 * Any bytes from a board, whole and in pieces: the same lines come out, values are finite
 * or missing, what is said of bad lines is printable. The first byte picks the format. */
#include "rig/decode.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static const struct rig_source sources[] = {
    {.format = LINE_CSV,
     .clock_column = 1,
     .clock_unit_s = 1e-3,
     .clock_wrap_counts = 65536,
     .channel_count = 2,
     .channels = {{.column = 2}, {.column = 4}}},
    {.format = LINE_PAIRS,
     .clock_key = "t",
     .clock_unit_s = 1e-6,
     .channel_count = 2,
     .channels = {{.key = "level"}, {.key = "el"}}},
    {.format = LINE_CSV, .nmea_checksum = true, .channel_count = 1, .channels = {{.column = 2}}},
    {.format = LINE_PAIRS, .nmea_checksum = true, .channel_count = 1, .channels = {{.key = "a"}}},
};

struct sum {
    uint64_t good, bad, digest;
};

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
        for (size_t i = 0; out.good && i < source->channel_count; i++)
            if (isinf(out.values[i]))
                abort();
        if (out.good && isinf(out.device_s))
            abort();
        for (const char *c = out.good ? "" : out.text; *c; c++) {
            if (*c < 0x20 || *c > 0x7e)
                abort();
            sum.digest = sum.digest * 31 + (unsigned char)*c;
        }
    }
    decoder_free(decoder);
    return sum;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    if (size < 1 || size > 8192)
        return 0;
    const struct rig_source *source = &sources[data[0] & 3];
    const char *bytes = (const char *)data + 1;
    struct sum whole = decode(source, bytes, size - 1, SIZE_MAX);
    struct sum cut = decode(source, bytes, size - 1, 1 + (data[0] >> 2));
    if (whole.good != cut.good || whole.bad != cut.bad || whole.digest != cut.digest)
        abort();
    return 0;
}
