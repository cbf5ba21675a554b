/* SPDX-License-Identifier: GPL-3.0-or-later
 * The lines that the simulated board sends: what the rig file says of its source, in
 * columns, in pairs or in binary frames. Channels get their value by role; 'other' gets 0. */
#include "rig/frame_check.h"
#include "rig/sim_board.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const struct {
    const char *unit;
    double per_mm;
} LENGTHS[] = {{"mm", 1},   {"millimeter", 1},   {"millimeters", 1}, {"cm", 0.1},     {"m", 1e-3},
               {"um", 1e3}, {"micrometer", 1e3}, {"inch", 1 / 25.4}, {"in", 1 / 25.4}};

/* The bench says in which unit it reads, and the rig file what the numbers are: a rig
 * that calls millivolts volts isn't the rig of this bench. */
static int check_unit(const struct rig_channel *channel, const struct sim_truth *truth,
                      struct rig_err *err)
{
    const char *unit = channel->role == ROLE_SENSOR       ? truth->unit
                       : channel->role == ROLE_CONTROLLER ? truth->controller.unit
                       : channel->role == ROLE_ACTUATOR   ? truth->actuator.unit
                                                          : "";
    if (!unit[0] || !strcmp(unit, channel->unit))
        return 0;
    return rig_fail(err, RIG_EINPUT,
                    "the rig file has channel '%s' in %s, the bench file in %s; write the same "
                    "unit in both",
                    channel->name, channel->unit, unit);
}

int sim_board_check_source(struct sim_board *board, struct rig_err *err)
{
    const struct rig_source *source = board->source;
    for (size_t i = 0; i < source->channel_count; i++) {
        int code = check_unit(&source->channels[i], board->truth, err);
        if (code)
            return code;
    }
    for (size_t i = 0; i < source->channel_count; i++) {
        const struct rig_channel *channel = &source->channels[i];
        if (channel->role != ROLE_REFERENCE)
            continue;
        for (size_t k = 0; k < sizeof LENGTHS / sizeof LENGTHS[0]; k++)
            if (!strcmp(channel->unit, LENGTHS[k].unit))
                board->length_to_unit[i] = LENGTHS[k].per_mm;
        if (!(board->length_to_unit[i] > 0))
            return rig_fail(err, RIG_EINPUT,
                            "the simulated bench can't send channel '%s' in %s; give the "
                            "reference in mm, cm, m, um or inch",
                            channel->name, channel->unit);
    }
    return 0;
}

struct writer {
    char *text;
    size_t size, room;
};

static void put(struct writer *writer, const char *text, size_t size)
{
    if (size > writer->room - writer->size)
        size = writer->room - writer->size;
    memcpy(writer->text + writer->size, text, size);
    writer->size += size;
}

/* A number with `digits` decimals; the same in every locale. */
static void put_number(struct writer *writer, double value, int digits)
{
    static const double UNITS[] = {1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9};
    double scaled = rint(fabs(value) * UNITS[digits]);
    if (!(scaled < 9e15)) { /* nothing that a board would send */
        put(writer, "0", 1);
        return;
    }
    char text[32];
    size_t at = sizeof text;
    uint64_t whole = (uint64_t)scaled;
    for (int i = 0; i < digits || i == 0 || whole; i++) {
        if (i == digits && digits)
            text[--at] = '.';
        text[--at] = (char)('0' + whole % 10);
        whole /= 10;
        if (i + 1 == digits && !whole) { /* 0.05 */
            text[--at] = '.';
            text[--at] = '0';
            break;
        }
    }
    if (value < 0 && scaled > 0)
        text[--at] = '-';
    put(writer, text + at, sizeof text - at);
}

/* Decimals that show multiples of a resolution; six without one. */
static int digits_for(double resolution)
{
    if (!(resolution > 0))
        return 6;
    double scaled = resolution;
    for (int digits = 0; digits < 9; digits++, scaled *= 10)
        if (fabs(scaled - rint(scaled)) < 1e-9 * scaled)
            return digits;
    return 9;
}

/* What a channel reads, and with how many decimals a text would show it. */
static double channel_value(const struct sim_board *board, size_t index, double t, int *digits)
{
    const struct sim_truth *truth = board->truth;
    double reading = board->reading + board->noise;
    *digits = 0;
    switch (board->source->channels[index].role) {
    case ROLE_SENSOR:
        if (truth->resolution > 0)
            reading = rint(reading / truth->resolution) * truth->resolution;
        *digits = digits_for(truth->resolution);
        return reading;
    case ROLE_CONTROLLER:
        *digits = digits_for(truth->controller.resolution);
        return board->controller.value;
    case ROLE_ACTUATOR:
        *digits = digits_for(truth->actuator.resolution);
        return board->actuator.value;
    case ROLE_TEMPERATURE:
        *digits = 2;
        return sim_water_degc(truth, t);
    case ROLE_REFERENCE:
        *digits = 6;
        return board->place_mm * board->length_to_unit[index];
    case ROLE_TRIP:
        return board->stage_mm >= truth->trip_mm;
    default:
        return 0;
    }
}

static void put_channel(struct writer *writer, const struct sim_board *board, size_t index,
                        double t)
{
    int digits;
    double value = channel_value(board, index, t, &digits);
    put_number(writer, value, digits);
}

static double clock_counts(const struct sim_board *board, double t)
{
    const struct rig_source *source = board->source;
    double clock_s = board->truth->clock_offset_s + t * (1 + board->truth->clock_skew_ppm * 1e-6);
    double counts = floor(clock_s / source->clock_unit_s + 1e-6);
    if (source->clock_wrap_counts > 0)
        counts = fmod(counts, source->clock_wrap_counts);
    return counts;
}

static void put_clock(struct writer *writer, const struct sim_board *board, double t)
{
    put_number(writer, clock_counts(board, t), 0);
}

static void put_columns(struct writer *writer, const struct sim_board *board, double t)
{
    const struct rig_source *source = board->source;
    int last = source->clock_column;
    for (size_t i = 0; i < source->channel_count; i++)
        if (source->channels[i].column > last)
            last = source->channels[i].column;
    for (int column = 1; column <= last; column++) {
        if (column > 1)
            put(writer, ",", 1);
        size_t i = 0;
        while (i < source->channel_count && source->channels[i].column != column)
            i++;
        if (column == source->clock_column)
            put_clock(writer, board, t);
        else if (i < source->channel_count)
            put_channel(writer, board, i, t);
        else
            put(writer, "0", 1);
    }
}

static void put_pairs(struct writer *writer, const struct sim_board *board, double t)
{
    const struct rig_source *source = board->source;
    if (source->clock_key[0]) {
        put(writer, source->clock_key, strlen(source->clock_key));
        put(writer, "=", 1);
        put_clock(writer, board, t);
    }
    for (size_t i = 0; i < source->channel_count; i++) {
        const char *key = source->channels[i].key;
        if (i || source->clock_key[0])
            put(writer, " ", 1);
        put(writer, key, strlen(key));
        put(writer, "=", 1);
        put_channel(writer, board, i, t);
    }
}

/* The nearest that the field can hold. */
static void put_field(const struct rig_field *field, double value, unsigned char *frame)
{
    int size = field_type_size(field->type);
    double counts = (value - field->offset) / field->scale;
    uint64_t whole = 0;
    bool is_signed = field->type == FIELD_I8 || field->type == FIELD_I16 ||
                     field->type == FIELD_I24 || field->type == FIELD_I32 ||
                     field->type == FIELD_I64;
    if (field->type == FIELD_F32) {
        float narrow = (float)counts;
        uint32_t bits;
        memcpy(&bits, &narrow, sizeof bits);
        whole = bits;
    } else if (field->type == FIELD_F64) {
        memcpy(&whole, &counts, sizeof whole);
    } else {
        double low = is_signed ? -ldexp(1, 8 * size - 1) : 0;
        double beyond = ldexp(1, 8 * size - is_signed);
        counts = fmin(fmax(rint(counts), low), size < 7 ? beyond - 1 : nextafter(beyond, 0));
        whole = counts < 0 ? ~(uint64_t)(-counts) + 1 : (uint64_t)counts;
    }
    for (int i = 0; i < size; i++)
        frame[field->byte - 1 + (field->big ? size - 1 - i : i)] =
            (unsigned char)(whole >> (8 * i) & 0xff);
}

static size_t put_frame(const struct sim_board *board, double t, unsigned char *bytes, size_t room)
{
    const struct rig_source *source = board->source;
    size_t size = (size_t)source->frame.size;
    if (size > room)
        return 0;
    memset(bytes, 0, size);
    memcpy(bytes, source->frame.sync, (size_t)source->frame.sync_size);
    if (source->clock_field.byte)
        put_field(&source->clock_field, clock_counts(board, t), bytes);
    for (size_t i = 0; i < source->channel_count; i++) {
        int digits;
        put_field(&source->channels[i].field, channel_value(board, i, t, &digits), bytes);
    }
    frame_check_set(&source->frame, bytes);
    return size;
}

size_t sim_board_line(const struct sim_board *board, double t, char *line, size_t room)
{
    if (board->source->format == LINE_FRAMES)
        return put_frame(board, t, (unsigned char *)line, room);
    struct writer writer = {line, 0, room};
    bool nmea = board->source->nmea_checksum;
    if (nmea)
        put(&writer, "$", 1);
    if (board->source->format == LINE_PAIRS)
        put_pairs(&writer, board, t);
    else
        put_columns(&writer, board, t);
    if (nmea) { /* exclusive or of what stands between $ and * */
        unsigned sum = 0;
        for (size_t i = 1; i < writer.size; i++)
            sum ^= (unsigned char)line[i];
        char tail[8];
        put(&writer, tail, (size_t)snprintf(tail, sizeof tail, "*%02X", sum & 0xff));
    }
    put(&writer, "\r\n", 2);
    return writer.size;
}
