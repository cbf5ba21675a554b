/* SPDX-License-Identifier: GPL-3.0-or-later
 * Binary frames of a board to numbers. A frame is taken when it begins with the bytes that
 * the rig file gives, its check holds, and it is certain: by a check of 16 bits, or since
 * the one before it ended just where it begins. */
#include "rig/decode_parts.h"
#include "rig/frame_check.h"

#include <math.h>
#include <string.h>

enum {
    TOLD_BYTES = 64,   /* of what belongs to no frame, at once */
    CERTAIN_BYTES = 2, /* a check of 16 bits holds by chance once in 65,536 times */
};

static uint64_t whole_of(const struct rig_field *field, const unsigned char *at, int size)
{
    uint64_t whole = 0;
    for (int i = 0; i < size; i++)
        whole = whole << 8 | at[field->big ? i : size - 1 - i];
    return whole;
}

static double value_of(const struct rig_field *field, const unsigned char *frame)
{
    int size = field_type_size(field->type);
    uint64_t whole = whole_of(field, frame + field->byte - 1, size);
    double number;
    switch (field->type) {
    case FIELD_F32: {
        uint32_t bits = (uint32_t)whole;
        float narrow; /* IEEE 754 binary32 */
        memcpy(&narrow, &bits, sizeof narrow);
        number = (double)narrow;
        break;
    }
    case FIELD_F64:
        memcpy(&number, &whole, sizeof number);
        break;
    case FIELD_I8:
    case FIELD_I16:
    case FIELD_I24:
    case FIELD_I32:
    case FIELD_I64: {
        uint64_t sign = (uint64_t)1 << (8 * size - 1);
        /* two's complement, without a conversion that C leaves to the implementation */
        number = whole & sign ? -(double)((~whole & (sign - 1)) + 1) : (double)whole;
        break;
    }
    default:
        number = (double)whole;
        break;
    }
    return field->offset + field->scale * number;
}

static void decode(struct decoder *decoder, struct decoded *out)
{
    const struct rig_source *source = decoder->source;
    const unsigned char *frame = (const unsigned char *)decoder->line;
    size_t size = (size_t)source->frame.size;
    for (size_t c = 0; c < source->channel_count; c++) {
        out->values[c] = value_of(&source->channels[c].field, frame);
        if (!isfinite(out->values[c])) {
            decode_refuse(out, "not a number", decoder->line, size);
            return;
        }
    }
    out->device_s = NAN;
    if (source->clock_field.byte > 0) {
        double counts = value_of(&source->clock_field, frame);
        if (!isfinite(counts) || counts < 0) {
            decode_refuse(out, "no clock", decoder->line, size);
            return;
        }
        out->device_s = decode_clock_s(decoder, counts);
    }
    out->good = true;
    out->text[0] = 0;
}

static void drop(struct decoder *decoder, size_t count)
{
    decoder->size -= count;
    memmove(decoder->line, decoder->line + count, decoder->size);
}

/* The bytes from `at` on are the beginning of a frame, as far as they go. */
static bool may_begin(const struct decoder *decoder, size_t at)
{
    const struct rig_frame *frame = &decoder->source->frame;
    size_t left = decoder->size - at, sync = (size_t)frame->sync_size;
    return memcmp(decoder->line + at, frame->sync, left < sync ? left : sync) == 0;
}

/* The bytes at the front that belong to no frame: told, unless nothing was heard yet. */
static bool tell_passed(struct decoder *decoder, size_t count, struct decoded *out)
{
    bool told = decoder->heard;
    if (told)
        decode_refuse(out, decoder->why ? decoder->why : "no frame", decoder->line, count);
    drop(decoder, count);
    decoder->passed = 0;
    decoder->why = NULL;
    return told;
}

/* Works on what is held; true when there is something to hand out. */
static bool work(struct decoder *decoder, struct decoded *out)
{
    const struct rig_frame *frame = &decoder->source->frame;
    size_t whole = (size_t)frame->size, sync = (size_t)frame->sync_size;
    bool certain = frame_check_size(frame->check) >= CERTAIN_BYTES;
    for (;;) {
        while (!may_begin(decoder, decoder->passed))
            decoder->passed++; /* at the end of what is held anything may begin */
        size_t held = decoder->size - decoder->passed;
        if (decoder->passed > 0) {
            decoder->synchronised = false;
            if (held < sync && decoder->passed < TOLD_BYTES)
                return false;
            if (tell_passed(decoder, decoder->passed, out))
                return true;
            continue;
        }
        bool confirm = !decoder->synchronised && !certain;
        if (held < whole + (confirm ? sync : 0))
            return false;
        if (!frame_check_holds(frame, (const unsigned char *)decoder->line)) {
            decoder->why = "wrong check";
            decoder->passed = 1; /* it looked like a beginning */
        } else if (!confirm) {
            decoder->synchronised = decoder->heard = true;
            decode(decoder, out);
            drop(decoder, whole);
            return true;
        } else if (!may_begin(decoder, whole)) {
            decoder->passed = 1;
        } else {
            /* It has come too late to be stamped, but the next one begins here. */
            decoder->why = "not sure to be a frame";
            bool told = tell_passed(decoder, whole, out);
            decoder->synchronised = decoder->heard = true;
            if (told)
                return true;
        }
    }
}

size_t decode_take_frame(struct decoder *decoder, const char *bytes, size_t size, bool *line,
                         struct decoded *out)
{
    for (size_t i = 0; i < size; i++) {
        decoder->line[decoder->size++] = bytes[i];
        *line = work(decoder, out);
        if (*line)
            return i + 1;
    }
    return size;
}
