/* SPDX-License-Identifier: GPL-3.0-or-later * Lines of text to numbers; binary frames are in
 * decode_frame.c. */
#include "rig/decode_parts.h"

#include "base/number.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { FIELD_LIMIT = 128 };

struct field {
    const char *at;
    size_t size;
};

struct decoder *decoder_open(const struct rig_source *source, struct rig_err *err)
{
    struct decoder *decoder = calloc(1, sizeof *decoder);
    if (!decoder) {
        rig_fail_memory(err, "a decoder");
        return NULL;
    }
    decoder->source = source;
    return decoder;
}

void decoder_free(struct decoder *decoder)
{
    free(decoder);
}

void decoder_restart(struct decoder *decoder)
{
    decoder->size = decoder->passed = 0;
    decoder->synchronised = decoder->too_long = decoder->has_count = decoder->heard = false;
}

uint64_t decoder_clock_resets(const struct decoder *decoder)
{
    return decoder->resets;
}

void decode_refuse(struct decoded *out, const char *why, const char *bytes, size_t size)
{
    int used = snprintf(out->text, sizeof out->text, "%s: ", why);
    size_t at = used > 0 ? (size_t)used : 0;
    out->good = false;
    for (size_t i = 0; i < size && at + 5 < sizeof out->text; i++) {
        unsigned char c = (unsigned char)bytes[i];
        if (c >= 0x20 && c < 0x7f && c != '\\')
            out->text[at++] = (char)c;
        else
            at += (size_t)snprintf(out->text + at, sizeof out->text - at, "\\x%02X", c);
    }
    out->text[at] = 0;
}

static int hex_digit(char c)
{
    if (c >= '0' && c <= '9')
        return c - '0';
    if (c >= 'A' && c <= 'F')
        return c - 'A' + 10;
    if (c >= 'a' && c <= 'f')
        return c - 'a' + 10;
    return -1;
}

/* Takes the frame $...*hh off; NULL or the reason. The checksum is the XOR of all
 * bytes between $ and * (NMEA 0183; from memory). */
static const char *unframe(struct field *line)
{
    const char *at = line->at;
    size_t size = line->size;
    if (size < 4 || (at[0] != '$' && at[0] != '!') || at[size - 3] != '*')
        return "no $...*hh frame";
    int high = hex_digit(at[size - 2]), low = hex_digit(at[size - 1]);
    if (high < 0 || low < 0)
        return "no $...*hh frame";
    unsigned char sum = 0;
    for (size_t i = 1; i < size - 3; i++)
        sum ^= (unsigned char)at[i];
    if (sum != high * 16 + low)
        return "wrong checksum";
    *line = (struct field){at + 1, size - 4};
    return NULL;
}

static struct field trimmed(struct field field)
{
    while (field.size && (*field.at == ' ' || *field.at == '\t')) {
        field.at++;
        field.size--;
    }
    while (field.size && (field.at[field.size - 1] == ' ' || field.at[field.size - 1] == '\t'))
        field.size--;
    return field;
}

static size_t split_columns(struct field line, struct field fields[], size_t room)
{
    size_t count = 0;
    const char *at = line.at, *end = line.at + line.size;
    while (count < room) {
        const char *comma = memchr(at, ',', (size_t)(end - at));
        const char *stop = comma ? comma : end;
        fields[count++] = trimmed((struct field){at, (size_t)(stop - at)});
        if (!comma)
            return count;
        at = comma + 1;
    }
    return room + 1;
}

static bool between_pairs(char c)
{
    return c == ',' || c == ';' || c == ' ' || c == '\t';
}

/* Pairs stand between commas, semicolons or blanks, any number of them. */
static size_t split_pairs(struct field line, struct field fields[], size_t room)
{
    size_t count = 0;
    for (size_t at = 0; at < line.size;) {
        size_t from = at;
        while (at < line.size && !between_pairs(line.at[at]))
            at++;
        if (at > from && count == room)
            return room + 1;
        if (at > from)
            fields[count++] = (struct field){line.at + from, at - from};
        at++;
    }
    return count;
}

/* The field of a column (from 1) or of a key; false when it is not there. */
static bool find(const struct rig_source *source, const struct field fields[], size_t count,
                 int column, const char *key, struct field *found)
{
    if (source->format == LINE_CSV) {
        if (column < 1 || (size_t)column > count)
            return false;
        *found = fields[column - 1];
        return true;
    }
    size_t size = strlen(key);
    for (size_t i = 0; i < count; i++)
        if (fields[i].size > size && fields[i].at[size] == '=' &&
            memcmp(fields[i].at, key, size) == 0) {
            *found = (struct field){fields[i].at + size + 1, fields[i].size - size - 1};
            return true;
        }
    return false;
}

double decode_clock_s(struct decoder *decoder, double count)
{
    const struct rig_source *source = decoder->source;
    double wrap = source->clock_wrap_counts;
    if (decoder->has_count && count < decoder->last_count) {
        /* A wrap goes from the last half of the range to its first; anything else is a
         * reset, after which time goes on from where it was. */
        if (wrap > 0 && decoder->last_count - count > wrap / 2) {
            decoder->base_counts += wrap;
        } else {
            decoder->base_counts += decoder->last_count - count;
            decoder->resets++;
        }
    }
    decoder->has_count = true;
    decoder->last_count = count;
    return (decoder->base_counts + count) * source->clock_unit_s;
}

static void decode_line(struct decoder *decoder, struct decoded *out)
{
    const struct rig_source *source = decoder->source;
    struct field line = {decoder->line, decoder->size}, fields[FIELD_LIMIT], found;
    const char *why = source->nmea_checksum ? unframe(&line) : NULL;
    if (why) {
        decode_refuse(out, why, decoder->line, decoder->size);
        return;
    }
    size_t count = source->format == LINE_PAIRS ? split_pairs(line, fields, FIELD_LIMIT)
                                                : split_columns(line, fields, FIELD_LIMIT);
    if (count > FIELD_LIMIT) {
        decode_refuse(out, "too many fields", decoder->line, decoder->size);
        return;
    }
    for (size_t c = 0; c < source->channel_count; c++) {
        const struct rig_channel *channel = &source->channels[c];
        out->values[c] = NAN;
        if (!find(source, fields, count, channel->column, channel->key, &found)) {
            decode_refuse(out, "a channel is missing", decoder->line, decoder->size);
            return;
        }
        if (found.size && !rig_number(found.at, found.size, &out->values[c], NULL)) {
            decode_refuse(out, "not a number", decoder->line, decoder->size);
            return;
        }
    }
    out->device_s = NAN;
    if (source->clock_column > 0 || *source->clock_key) {
        double counts;
        if (!find(source, fields, count, source->clock_column, source->clock_key, &found) ||
            !rig_number(found.at, found.size, &counts, NULL) || counts < 0) {
            decode_refuse(out, "no clock", decoder->line, decoder->size);
            return;
        }
        out->device_s = decode_clock_s(decoder, counts);
    }
    out->good = true;
    out->text[0] = 0;
}

size_t decoder_take(struct decoder *decoder, const char *bytes, size_t size, bool *line,
                    struct decoded *out)
{
    *line = false;
    if (decoder->source->format == LINE_FRAMES)
        return decode_take_frame(decoder, bytes, size, line, out);
    size_t end = 0;
    while (end < size && bytes[end] != '\n' && bytes[end] != '\r')
        end++;
    size_t keep = end;
    if (decoder->size + keep > sizeof decoder->line) {
        keep = sizeof decoder->line - decoder->size;
        decoder->too_long = true;
    }
    memcpy(decoder->line + decoder->size, bytes, keep);
    decoder->size += keep;
    if (end == size)
        return size;
    if (!decoder->synchronised) {
        decoder->synchronised = true;
    } else if (decoder->too_long) {
        *line = true;
        decode_refuse(out, "a line too long", decoder->line, decoder->size);
    } else if (decoder->size > 0) {
        *line = true;
        decode_line(decoder, out);
    }
    decoder->size = 0;
    decoder->too_long = false;
    return end + 1;
}
