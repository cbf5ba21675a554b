/* SPDX-License-Identifier: GPL-3.0-or-later
 * Rig files: a source block: where lines come from, what they look like, which
 * channels they carry. */
#include "motion/rigfile_parts.h"

#include <ctype.h>
#include <math.h>
#include <string.h>

enum {
    SOURCE_PORT,
    SOURCE_LINE,
    SOURCE_SYNC,
    SOURCE_CHECK,
    SOURCE_CLOCK,
    SOURCE_RATE,
    SOURCE_DELAY,
    SOURCE_GREET,
    SOURCE_CHANNEL
};

static int read_port(struct rig_block *block, struct cursor *cursor)
{
    int code = rig_once(block, cursor, SOURCE_PORT);
    return code ? code : rig_port(cursor, block->source->port, &block->source->baud);
}

static int read_line(struct rig_block *block, struct cursor *cursor)
{
    static const char *const formats[] = {"csv", "pairs", "frames"};
    static const char *const checksums[] = {"none", "nmea"};
    size_t which;
    int code;
    if ((code = rig_once(block, cursor, SOURCE_LINE)) ||
        (code = cursor_choice(cursor, formats, 3, &which)))
        return code;
    block->source->format = which == 0 ? LINE_CSV : which == 1 ? LINE_PAIRS : LINE_FRAMES;
    if (which == 2)
        return rig_frame_size(cursor, &block->source->frame);
    /* The comma may be left out. */
    (void)cursor_takes_comma(cursor);
    if (cursor_done(cursor))
        return 0;
    if ((code = cursor_word(cursor, "checksum")) ||
        (code = cursor_choice(cursor, checksums, 2, &which)))
        return code;
    block->source->nmea_checksum = which == 1;
    return 0;
}

/* 'column N', 'key NAME' or 'byte N TYPE ...'. */
static int read_place(struct cursor *cursor, int *column, char *key, struct rig_field *field)
{
    static const char *const words[] = {"column", "key", "byte"};
    size_t which;
    int64_t number;
    int code = cursor_choice(cursor, words, 3, &which);
    if (code)
        return code;
    if (which == 2)
        return rig_frame_field(cursor, field);
    if (which == 1)
        return rig_text(cursor, "the key", key, RIG_NAME_SIZE);
    if ((code = cursor_count(cursor, "the column (the first is 1)", 1, 256, &number)))
        return code;
    *column = (int)number;
    return 0;
}

/* 'wraps at 2^32' or 'wraps at 4294967296'. */
static int read_wrap(struct cursor *cursor, double *counts)
{
    int code = cursor_word(cursor, "at");
    if (code)
        return code;
    size_t token = cursor->at;
    if ((code = cursor_plain(cursor, "the count at which the clock wraps", 2, 1e18, counts)))
        return code;
    if (!(*counts >= 2 && *counts <= 1e18) || *counts != rint(*counts))
        return cursor_fail_at(cursor, token, RIG_EINPUT,
                              "a clock wraps at a whole number of counts, such as 2^32");
    return 0;
}

static int read_clock(struct rig_block *block, struct cursor *cursor)
{
    struct rig_source *source = block->source;
    const char *unit;
    double offset;
    int code;
    if ((code = rig_once(block, cursor, SOURCE_CLOCK)) ||
        (code =
             read_place(cursor, &source->clock_column, source->clock_key, &source->clock_field)) ||
        (code = cursor_word(cursor, "in")))
        return code;
    size_t token = cursor->at;
    if ((code = cursor_any_word(cursor, "a unit of time, such as ms", &unit)))
        return code;
    if (units_factor(cursor->units, unit, "s", &source->clock_unit_s, &offset, NULL) ||
        !(source->clock_unit_s > 0))
        return cursor_fail_at(cursor, token, RIG_EINPUT,
                              "'%s' is no unit of time; ms, us and s are", unit);
    (void)cursor_takes_comma(cursor);
    if (!cursor_takes(cursor, "wraps"))
        return 0;
    return read_wrap(cursor, &source->clock_wrap_counts);
}

static int read_sync(struct rig_block *block, struct cursor *cursor)
{
    int code = rig_once(block, cursor, SOURCE_SYNC);
    return code ? code : rig_frame_sync(cursor, &block->source->frame);
}

static int read_check(struct rig_block *block, struct cursor *cursor)
{
    int code = rig_once(block, cursor, SOURCE_CHECK);
    return code ? code : rig_frame_check(cursor, &block->source->frame);
}

static int read_rate(struct rig_block *block, struct cursor *cursor)
{
    int code = rig_once(block, cursor, SOURCE_RATE);
    return code ? code
                : rig_positive(cursor, QUANTITY_FREQUENCY, "the rate", &block->source->rate_hz);
}

static int read_delay(struct rig_block *block, struct cursor *cursor)
{
    struct rig_source *source = block->source;
    int code = rig_once(block, cursor, SOURCE_DELAY);
    if (code ||
        (code = cursor_quantity(cursor, QUANTITY_TIME, "the least delay", &source->delay_low_s)) ||
        (code = cursor_word(cursor, "to")) ||
        (code = cursor_quantity(cursor, QUANTITY_TIME, "the largest delay", &source->delay_high_s)))
        return code;
    if (!(source->delay_low_s >= 0 && source->delay_low_s <= source->delay_high_s &&
          source->delay_high_s <= 10))
        return cursor_fail_at(cursor, 1, RIG_EINPUT,
                              "a line is late by something between 0 s and 10 s, the smaller time "
                              "first: delay 0 ms to 2 ms");
    return 0;
}

static int read_greet(struct rig_block *block, struct cursor *cursor)
{
    int code = rig_once(block, cursor, SOURCE_GREET);
    return code ? code
                : rig_text(cursor, "the greeting", block->source->greeting,
                           sizeof block->source->greeting);
}

static int check_name(const struct rig_source *source, struct cursor *cursor, const char *name)
{
    for (const char *c = name; *c; c++)
        if (!isalnum((unsigned char)*c) && *c != '_')
            return cursor_fail_at(cursor, 1, RIG_EINPUT,
                                  "a channel's name becomes the head of a column: letters, digits "
                                  "and '_' only");
    if (strcmp(name, "t_s") == 0 || strcmp(name, "device_s") == 0)
        return cursor_fail_at(cursor, 1, RIG_EINPUT,
                              "every source has a column '%s' already; choose another name", name);
    for (size_t i = 0; i < source->channel_count; i++)
        if (strcmp(source->channels[i].name, name) == 0)
            return cursor_fail_at(cursor, 1, RIG_EINPUT,
                                  "this source has a channel '%s' already; choose another name",
                                  name);
    return 0;
}

static int read_channel(struct rig_block *block, struct cursor *cursor)
{
    static const char *const roles[] = {
#define X(role, word) word,
        CHANNEL_ROLES(X)
#undef X
    };
    struct rig_source *source = block->source;
    if (source->channel_count == RIG_CHANNEL_LIMIT)
        return cursor_fail_at(cursor, 0, RIG_ELIMIT, "more than %d channels; leave some out",
                              RIG_CHANNEL_LIMIT);
    struct rig_channel channel = {.role = ROLE_OTHER, .trip_mm = NAN};
    size_t which;
    int code;
    if ((code = rig_text(cursor, "the channel's name", channel.name, sizeof channel.name)) ||
        (code = check_name(source, cursor, channel.name)) ||
        (code = read_place(cursor, &channel.column, channel.key, &channel.field)) ||
        (code = cursor_word(cursor, "in")))
        return code;
    size_t token = cursor->at;
    /* "1" is the unit of plain numbers. */
    const struct token *unit = cursor_peek(cursor);
    if (unit && unit->kind == TOKEN_NUMBER && strcmp(unit->text, "1") == 0) {
        memcpy(channel.unit, "1", 2);
        cursor->at++;
    } else if ((code = rig_text(cursor, "the unit", channel.unit, sizeof channel.unit))) {
        return code;
    }
    struct rig_err why;
    if (units_check(cursor->units, channel.unit, strlen(channel.unit), &why))
        return cursor_fail_at(cursor, token, RIG_EINPUT, "%s", why.text);
    if (cursor_takes(cursor, "role")) {
        if ((code = cursor_choice(cursor, roles, CHANNEL_ROLE_COUNT, &which)))
            return code;
        channel.role = (enum channel_role)which;
    }
    if (channel.role == ROLE_TRIP && cursor_takes(cursor, "at") &&
        ((code = cursor_word(cursor, "stage")) ||
         (code = cursor_quantity(cursor, QUANTITY_LENGTH, "the place of the switch",
                                 &channel.trip_mm))))
        return code;
    double factor, offset;
    if (channel.role == ROLE_REFERENCE &&
        units_factor(cursor->units, channel.unit, "mm", &factor, &offset, NULL))
        return cursor_fail_at(cursor, token, RIG_EINPUT,
                              "a reference on the stage reads a length, such as mm; '%s' is none",
                              channel.unit);
    for (size_t i = 0; i < source->channel_count; i++)
        if (channel.column ? source->channels[i].column == channel.column
            : *channel.key ? strcmp(source->channels[i].key, channel.key) == 0
                           : source->channels[i].field.byte == channel.field.byte)
            return cursor_fail_at(cursor, 2, RIG_EINPUT,
                                  "channel '%s' is in that place already; correct one of the two",
                                  source->channels[i].name);
    source->channels[source->channel_count++] = channel;
    if (!block->seen[SOURCE_CHANNEL]) {
        block->seen[SOURCE_CHANNEL] = cursor->statement;
        block->seen_line[SOURCE_CHANNEL] = cursor->statement->line;
    }
    return 0;
}

const struct rig_word rig_source_words[] = {
    {"port", read_port, "port /dev/ttyACM0 at 115200 baud"},
    {"line", read_line, "line csv"},
    {"sync", read_sync, "sync \"A5 5A\""},
    {"check", read_check, "check crc16-modbus of bytes 1 to 10 at byte 11"},
    {"clock", read_clock, "clock column 1 in ms, wraps at 2^32"},
    {"rate", read_rate, "rate 100 Hz"},
    {"delay", read_delay, "delay 0 ms to 2 ms"},
    {"greet", read_greet, "greet \"stream on\""},
    {"channel", read_channel, "channel level column 2 in volts role sensor"},
    {NULL, NULL, NULL},
};

/* What a place must be, for each enum line_format. */
static const char *const wrong_place[] = {
    "a csv line has columns, not keys or bytes; write 'column N', or say 'line pairs'",
    "a line of pairs has keys, not columns or bytes; write 'key NAME'",
    "a frame has bytes, not columns or keys; write 'byte N TYPE', such as 'byte 3 u16'",
};

static bool suits(enum line_format format, int column, const char *key,
                  const struct rig_field *field)
{
    return format == LINE_CSV ? column > 0 : format == LINE_PAIRS ? *key != 0 : field->byte > 0;
}

/* Columns go with csv, keys with pairs, bytes with frames; known only once the whole
 * block is read. */
static int check_places(const struct rig_block *block, const struct cursor *opening)
{
    const struct rig_source *source = block->source;
    struct cursor at = *opening;
    size_t next = 0;
    for (size_t i = 0; i < block->statement->body_count; i++) {
        at.statement = &block->statement->body[i];
        const char *word = at.statement->tokens[0].text;
        bool clock = strcmp(word, "clock") == 0;
        if (!clock && strcmp(word, "channel") != 0)
            continue;
        const struct rig_channel *channel = clock ? NULL : &source->channels[next++];
        const struct rig_field *field = clock ? &source->clock_field : &channel->field;
        size_t token = clock ? 1 : 2;
        if (!suits(source->format, clock ? source->clock_column : channel->column,
                   clock ? source->clock_key : channel->key, field))
            return cursor_fail_at(&at, token, RIG_EINPUT, "%s", wrong_place[source->format]);
        int code = rig_frame_holds(&at, token + 1, source, field);
        if (code)
            return code;
        if (!clock && source->format == LINE_CSV && channel->column == source->clock_column)
            return cursor_fail_at(&at, 3, RIG_EINPUT, "column %d is the clock already",
                                  source->clock_column);
    }
    return 0;
}

int rig_source_finish(struct rig_block *block, const struct cursor *opening)
{
    int code;
    if ((code = rig_need(block, opening, SOURCE_PORT, "where the source is plugged in",
                         "port /dev/ttyACM0 at 115200 baud")) ||
        (code = rig_need(block, opening, SOURCE_CHANNEL, "what the source measures",
                         "channel level column 2 in volts role sensor")) ||
        (code = rig_frame_finish(block, opening, SOURCE_SYNC, SOURCE_CHECK)))
        return code;
    return check_places(block, opening);
}
