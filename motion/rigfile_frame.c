/* SPDX-License-Identifier: GPL-3.0-or-later
 * Rig files: binary frames of a source: their size, the bytes that each begins with, its
 * check, and where in it the numbers are. */
#include "motion/rigfile_parts.h"

#include <math.h>
#include <string.h>

int field_type_size(enum field_type type)
{
    static const int sizes[] = {
#define X(type, word, bytes) bytes,
        FIELD_TYPES(X)
#undef X
    };
    return (size_t)type < FIELD_TYPE_COUNT ? sizes[type] : 0;
}

int frame_check_size(enum frame_check check)
{
    static const int sizes[] = {
#define X(check, word, bytes) bytes,
        FRAME_CHECKS(X)
#undef X
    };
    return (size_t)check < FRAME_CHECK_COUNT ? sizes[check] : 0;
}

/* 'of 14 bytes' */
int rig_frame_size(struct cursor *cursor, struct rig_frame *frame)
{
    double bytes;
    int code = cursor_word(cursor, "of");
    size_t token = cursor->at;
    if (code || (code = rig_positive(cursor, QUANTITY_BYTES, "the frame's size", &bytes)))
        return code;
    if (bytes != rint(bytes) || bytes < 2 || bytes > RIG_FRAME_LIMIT)
        return cursor_fail_at(cursor, token, RIG_EINPUT,
                              "a frame is a whole number of 2 to %d bytes", RIG_FRAME_LIMIT);
    frame->size = (int)bytes;
    return 0;
}

static int digit(char c)
{
    return c >= '0' && c <= '9'                     ? c - '0'
           : (c | 0x20) >= 'a' && (c | 0x20) <= 'f' ? (c | 0x20) - 'a' + 10
                                                    : -1;
}

/* '"A5 5A"': two hexadecimal digits a byte, blanks between them as one likes. */
int rig_frame_sync(struct cursor *cursor, struct rig_frame *frame)
{
    const char *text;
    size_t token = cursor->at;
    int code = cursor_string(cursor, "the bytes that a frame begins with", &text);
    if (code)
        return code;
    bool right = true;
    for (const char *at = text; *at && right;) {
        if (*at == ' ') {
            at++;
            continue;
        }
        int high = digit(at[0]), low = high < 0 ? -1 : digit(at[1]);
        right = low >= 0 && frame->sync_size < RIG_SYNC_LIMIT;
        if (right)
            frame->sync[frame->sync_size++] = (unsigned char)(high * 16 + low);
        at += 2;
    }
    if (!right || frame->sync_size == 0)
        return cursor_fail_at(cursor, token, RIG_EINPUT,
                              "'%.40s' is not 1 to %d bytes in hexadecimal, such as \"A5 5A\"",
                              text, RIG_SYNC_LIMIT);
    return 0;
}

static int read_byte(struct cursor *cursor, const char *what, int *byte)
{
    int64_t number;
    int code = cursor_count(cursor, what, 1, RIG_FRAME_LIMIT, &number);
    if (!code)
        *byte = (int)number;
    return code;
}

/* 'crc16-modbus of bytes 1 to 10 at byte 11 [big]' */
int rig_frame_check(struct cursor *cursor, struct rig_frame *frame)
{
    static const char *const checks[] = {
#define X(check, word, bytes) word,
        FRAME_CHECKS(X)
#undef X
    };
    size_t which;
    int code = cursor_choice(cursor, checks, FRAME_CHECK_COUNT, &which);
    if (code)
        return code;
    frame->check = (enum frame_check)which;
    if (frame->check == CHECK_NONE)
        return 0;
    if ((code = cursor_word(cursor, "of")) || (code = cursor_word(cursor, "bytes")) ||
        (code = read_byte(cursor, "the first byte that is checked", &frame->check_from)) ||
        (code = cursor_word(cursor, "to")) ||
        (code = read_byte(cursor, "the last byte that is checked", &frame->check_to)) ||
        (code = cursor_word(cursor, "at")) || (code = cursor_word(cursor, "byte")) ||
        (code = read_byte(cursor, "the byte of the check", &frame->check_at)))
        return code;
    frame->check_big = cursor_takes(cursor, "big");
    return 0;
}

/* '3 u16 [big] [scale 0.001] [offset -0.5]' */
int rig_frame_field(struct cursor *cursor, struct rig_field *field)
{
    static const char *const types[] = {
#define X(type, word, bytes) word,
        FIELD_TYPES(X)
#undef X
    };
    size_t which;
    int code;
    if ((code = read_byte(cursor, "the byte (the first is 1)", &field->byte)) ||
        (code = cursor_choice(cursor, types, FIELD_TYPE_COUNT, &which)))
        return code;
    *field = (struct rig_field){.byte = field->byte, .type = (enum field_type)which, .scale = 1};
    field->big = cursor_takes(cursor, "big");
    size_t token = cursor->at + 1;
    if (cursor_takes(cursor, "scale") &&
        (code = cursor_plain(cursor, "the scale", -1e12, 1e12, &field->scale)))
        return code;
    if (field->scale == 0)
        return cursor_fail_at(cursor, token, RIG_EINPUT,
                              "with a scale of 0 every reading is the same");
    if (cursor_takes(cursor, "offset"))
        return cursor_plain(cursor, "the offset", -1e12, 1e12, &field->offset);
    return 0;
}

static bool overlap(int a, int a_size, int b, int b_size)
{
    return a < b + b_size && b < a + a_size;
}

int rig_frame_holds(const struct cursor *cursor, size_t token, const struct rig_source *source,
                    const struct rig_field *field)
{
    const struct rig_frame *frame = &source->frame;
    if (source->format != LINE_FRAMES)
        return 0;
    int size = field_type_size(field->type);
    if (field->byte + size - 1 > frame->size)
        return cursor_fail_at(cursor, token, RIG_EINPUT,
                              "a number of %d bytes from byte %d on ends outside the frame of %d "
                              "bytes",
                              size, field->byte, frame->size);
    if (field->byte <= frame->sync_size)
        return cursor_fail_at(cursor, token, RIG_EINPUT,
                              "byte %d is one that every frame begins with ('sync')", field->byte);
    if (overlap(field->byte, size, frame->check_at, frame_check_size(frame->check)))
        return cursor_fail_at(cursor, token, RIG_EINPUT, "byte %d is part of the check",
                              field->byte);
    return 0;
}

static int check_check(const struct rig_frame *frame, const struct cursor *at)
{
    int size = frame_check_size(frame->check);
    if (size == 0)
        return 0;
    if (frame->check_from > frame->check_to || frame->check_to > frame->size)
        return cursor_fail_at(at, 4, RIG_EINPUT, "bytes %d to %d are none of a frame of %d bytes",
                              frame->check_from, frame->check_to, frame->size);
    if (frame->check_at + size - 1 > frame->size || frame->check_at <= frame->sync_size)
        return cursor_fail_at(at, 9, RIG_EINPUT,
                              "a check of %d bytes has no place at byte %d of a frame of %d bytes",
                              size, frame->check_at, frame->size);
    if (overlap(frame->check_at, size, frame->check_from, frame->check_to - frame->check_from + 1))
        return cursor_fail_at(at, 9, RIG_EINPUT, "the check would check itself");
    return 0;
}

int rig_frame_finish(const struct rig_block *block, const struct cursor *opening, int sync_slot,
                     int check_slot)
{
    const struct rig_frame *frame = &block->source->frame;
    bool frames = block->source->format == LINE_FRAMES;
    struct cursor at = *opening;
    for (int i = 0; i < 2 && !frames; i++) {
        int slot = i ? check_slot : sync_slot;
        if (!block->seen_line[slot])
            continue;
        at.statement = block->seen[slot];
        return cursor_fail_at(&at, 0, RIG_EINPUT,
                              "only frames have '%s'; say 'line frames of 14 bytes', or leave this "
                              "out",
                              at.statement->tokens[0].text);
    }
    if (!frames)
        return 0;
    int code =
        rig_need(block, opening, sync_slot, "what every frame begins with", "sync \"A5 5A\"");
    if (code)
        return code;
    if (frame->sync_size >= frame->size) {
        at.statement = block->seen[sync_slot];
        return cursor_fail_at(&at, 1, RIG_EINPUT,
                              "%d bytes at the start leave no room in a frame of %d bytes",
                              frame->sync_size, frame->size);
    }
    at.statement = block->seen[check_slot];
    return at.statement ? check_check(frame, &at) : 0;
}
