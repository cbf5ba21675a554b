/* SPDX-License-Identifier: GPL-3.0-or-later
 * Rig files: the outer level, what all blocks share, the water, and the checks
 * that need more than one block. Axis and sources have files of their own. */
#include "motion/rigfile.h"
#include "motion/rigfile_parts.h"

#include <ctype.h>
#include <math.h>
#include <string.h>

const char *channel_role_name(enum channel_role role)
{
    static const char *const names[] = {
#define X(role, word) word,
        CHANNEL_ROLES(X)
#undef X
    };
    return (size_t)role < CHANNEL_ROLE_COUNT ? names[role] : "?";
}

double rig_depth_from_stage(const struct rig *rig, double stage_mm)
{
    double above_mm = stage_mm - rig->water.datum_mm;
    double tank = rig->water.tank_area_mm2, board = rig->water.board_area_mm2;
    if (above_mm <= 0 || isnan(tank) || isnan(board))
        return above_mm;
    return above_mm * (tank / (tank - board));
}

double rig_stage_from_depth(const struct rig *rig, double depth_mm)
{
    double tank = rig->water.tank_area_mm2, board = rig->water.board_area_mm2;
    if (depth_mm <= 0 || isnan(tank) || isnan(board))
        return rig->water.datum_mm + depth_mm;
    return rig->water.datum_mm + depth_mm / (tank / (tank - board));
}

int rig_once(struct rig_block *block, struct cursor *cursor, int slot)
{
    if (block->seen_line[slot])
        return cursor_fail_at(cursor, 0, RIG_EINPUT,
                              "'%s' was already given on line %d; keep one of the two",
                              cursor->statement->tokens[0].text, block->seen_line[slot]);
    block->seen_line[slot] = cursor->statement->line;
    block->seen[slot] = cursor->statement;
    return 0;
}

int rig_need(const struct rig_block *block, const struct cursor *opening, int slot,
             const char *what, const char *example)
{
    if (block->seen_line[slot])
        return 0;
    return cursor_fail_at(opening, 0, RIG_EINPUT, "this block doesn't say %s; add '%s'", what,
                          example);
}

int rig_positive(struct cursor *cursor, enum quantity_kind kind, const char *what, double *value)
{
    size_t token = cursor->at;
    int code = cursor_quantity(cursor, kind, what, value);
    if (code)
        return code;
    if (!(*value > 0))
        return cursor_fail_at(cursor, token, RIG_EINPUT, "%s must be greater than zero, such as %s",
                              what, quantity_example(kind));
    return 0;
}

int rig_text(struct cursor *cursor, const char *what, char *to, size_t room)
{
    const char *text;
    size_t token = cursor->at;
    int code = cursor_text(cursor, what, &text);
    if (code)
        return code;
    size_t size = strlen(text);
    if (size == 0)
        return cursor_fail_at(cursor, token, RIG_EINPUT, "%s is empty", what);
    if (size >= room)
        return cursor_fail_at(cursor, token, RIG_EINPUT, "%s is %zu bytes long; at most %zu fit",
                              what, size, room - 1);
    for (size_t i = 0; i < size; i++)
        if (iscntrl((unsigned char)text[i]))
            return cursor_fail_at(cursor, token, RIG_EINPUT, "%s holds a control character", what);
    memcpy(to, text, size + 1);
    return 0;
}

int rig_port(struct cursor *cursor, char *port, int *baud)
{
    int code = rig_text(cursor, "the port", port, RIG_PATH_SIZE);
    if (code || cursor_done(cursor))
        return code;
    double value;
    size_t token = cursor->at + 1;
    if ((code = cursor_word(cursor, "at")) ||
        (code = rig_positive(cursor, QUANTITY_BAUD, "the line speed", &value)))
        return code;
    if (value != rint(value) || value > 20e6)
        return cursor_fail_at(cursor, token, RIG_EINPUT,
                              "a line speed is a whole number up to 20000000 baud, such as "
                              "115200 baud");
    *baud = (int)value;
    return 0;
}

int rig_read_block(struct rig_block *block, const struct rig_word words[],
                   const struct statements *in, struct units *units, struct rig_err *err)
{
    const char *names[RIG_SLOTS + 1];
    size_t count = 0;
    while (words[count].word && count < RIG_SLOTS) {
        names[count] = words[count].word;
        count++;
    }
    for (size_t i = 0; i < block->statement->body_count; i++) {
        struct cursor cursor = cursor_of(in, &block->statement->body[i], units, err);
        size_t which;
        int code = cursor_choice(&cursor, names, count, &which);
        if (!code)
            code = words[which].read(block, &cursor);
        if (!code)
            code = cursor_end(&cursor);
        if (code)
            return code;
    }
    return 0;
}

/* ---- water ---- */

enum { WATER_DATUM, WATER_TANK, WATER_BOARD };

static int read_datum(struct rig_block *block, struct cursor *cursor)
{
    int code;
    if ((code = rig_once(block, cursor, WATER_DATUM)) || (code = cursor_word(cursor, "at")) ||
        (code = cursor_word(cursor, "stage")))
        return code;
    return cursor_quantity(cursor, QUANTITY_LENGTH, "the datum", &block->rig->water.datum_mm);
}

static int read_tank(struct rig_block *block, struct cursor *cursor)
{
    int code;
    if ((code = rig_once(block, cursor, WATER_TANK)) || (code = cursor_word(cursor, "area")))
        return code;
    return rig_positive(cursor, QUANTITY_AREA, "the tank's area", &block->rig->water.tank_area_mm2);
}

static int read_board(struct rig_block *block, struct cursor *cursor)
{
    int code;
    if ((code = rig_once(block, cursor, WATER_BOARD)) || (code = cursor_word(cursor, "section")))
        return code;
    return rig_positive(cursor, QUANTITY_AREA, "the board's section",
                        &block->rig->water.board_area_mm2);
}

const struct rig_word rig_water_words[] = {
    {"datum", read_datum, "datum at stage 31.4 mm"},
    {"tank", read_tank, "tank area 900 cm2"},
    {"board", read_board, "board section 0.6 cm2"},
    {NULL, NULL, NULL},
};

int rig_water_finish(struct rig_block *block, const struct cursor *opening)
{
    const struct rig_water *water = &block->rig->water;
    int code = rig_need(block, opening, WATER_DATUM, "where the water's surface is",
                        "datum at stage 31.4 mm");
    if (code)
        return code;
    struct cursor at = *opening;
    if (block->seen_line[WATER_BOARD] && !block->seen_line[WATER_TANK]) {
        at.statement = block->seen[WATER_BOARD];
        return cursor_fail_at(&at, 0, RIG_EINPUT,
                              "the board's section corrects nothing without the tank's area; add "
                              "'tank area 900 cm2'");
    }
    if (block->seen_line[WATER_BOARD] && !(water->board_area_mm2 < water->tank_area_mm2)) {
        at.statement = block->seen[WATER_BOARD];
        return cursor_fail_at(&at, 2, RIG_ELIMIT,
                              "the board's section (%g mm2) must be smaller than the tank's area "
                              "(%g mm2)",
                              water->board_area_mm2, water->tank_area_mm2);
    }
    return 0;
}

/* ---- the outer level ---- */

enum { BLOCK_AXIS, BLOCK_WATER, BLOCK_SOURCE, BLOCK_COUNT };
static const char *const block_words[] = {"axis", "water", "source", NULL};

static void set_defaults(struct rig *rig)
{
    memset(rig, 0, sizeof *rig);
    struct rig_axis *axis = &rig->axis;
    memcpy(axis->speaks, "acknowledged-lines", sizeof "acknowledged-lines");
    axis->letter = 'Z';
    axis->law = SPEED_TRAPEZOID;
    axis->jerk_mm_s3 = NAN;
    axis->homes = true;
    axis->lookahead_lines = 16;
    axis->buffer_bytes = 96;
    axis->checksums = true;
    axis->poll_hz = 10;
    axis->lead_s = 0.25;
    axis->line_rate_hz = NAN;
    rig->water.tank_area_mm2 = rig->water.board_area_mm2 = NAN;
}

/* The source's own name follows its word. */
static int open_source(struct rig *rig, struct cursor *cursor, struct rig_source **source)
{
    static const char *const taken[] = {"motion", "strokes",      "events",
                                        "run",    "csv-metadata", "traces"};
    if (rig->source_count == RIG_SOURCE_LIMIT)
        return cursor_fail_at(cursor, 0, RIG_ELIMIT, "more than %d sources; leave some out",
                              RIG_SOURCE_LIMIT);
    struct rig_source *fresh = &rig->sources[rig->source_count];
    int code = rig_text(cursor, "the source's name", fresh->name, sizeof fresh->name);
    if (code)
        return code;
    for (const char *c = fresh->name; *c; c++)
        if (!isalnum((unsigned char)*c) && *c != '_' && *c != '-')
            return cursor_fail_at(cursor, 1, RIG_EINPUT,
                                  "a source's name becomes that of a file: letters, digits, '_' "
                                  "and '-' only");
    for (size_t i = 0; i < sizeof taken / sizeof *taken; i++)
        if (strcmp(fresh->name, taken[i]) == 0)
            return cursor_fail_at(cursor, 1, RIG_EINPUT,
                                  "a recording has a file called '%s' already; choose another name",
                                  fresh->name);
    for (size_t i = 0; i < rig->source_count; i++)
        if (strcmp(fresh->name, rig->sources[i].name) == 0)
            return cursor_fail_at(cursor, 1, RIG_EINPUT,
                                  "there is a source called '%s' already; choose another name",
                                  fresh->name);
    fresh->clock_unit_s = NAN;
    fresh->rate_hz = NAN;
    fresh->delay_high_s = 2e-3; /* common practice, no source */
    rig->source_count++;
    *source = fresh;
    return 0;
}

/* Park against travel and water; needs the axis and the water to have been read. */
static int check_park(const struct rig *rig, const struct rig_block *axis, struct cursor opening)
{
    double stage_mm = rig_stage_from_depth(rig, rig->axis.park_mm);
    for (int slot = 0; slot < RIG_SLOTS; slot++)
        if (axis->seen[slot] && strcmp(axis->seen[slot]->tokens[0].text, "park") == 0)
            opening.statement = axis->seen[slot];
    if (!(rig->axis.park_mm < 0))
        return cursor_fail_at(&opening, 2, RIG_ELIMIT,
                              "parked at %g mm the board is in the water; park clear of it, at a "
                              "depth below zero such as -20 mm",
                              rig->axis.park_mm);
    if (stage_mm < rig->axis.travel_low_mm - 1e-9 || stage_mm > rig->axis.travel_high_mm + 1e-9)
        return cursor_fail_at(&opening, 2, RIG_ELIMIT,
                              "parking at %g mm needs the stage at %g mm, outside the travel of %g "
                              "to %g mm; with the datum at %g mm the highest is %g mm",
                              rig->axis.park_mm, stage_mm, rig->axis.travel_low_mm,
                              rig->axis.travel_high_mm, rig->water.datum_mm,
                              rig->axis.travel_low_mm - rig->water.datum_mm);
    return 0;
}

static int check_datum(const struct rig *rig, struct cursor opening)
{
    if (rig->water.datum_mm < rig->axis.travel_high_mm)
        return 0;
    return cursor_fail_at(&opening, 0, RIG_ELIMIT,
                          "with the datum at stage %g mm and the travel ending at %g mm the board "
                          "never meets the water; correct one of the two",
                          rig->water.datum_mm, rig->axis.travel_high_mm);
}

static int check_sensors(const struct rig *rig, const struct cursor *last_source)
{
    size_t channels = 0, sensors = 0;
    for (size_t s = 0; s < rig->source_count; s++)
        for (size_t c = 0; c < rig->sources[s].channel_count; c++) {
            channels++;
            sensors += rig->sources[s].channels[c].role == ROLE_SENSOR;
        }
    if (channels == 0 || sensors > 0)
        return 0;
    return cursor_fail_at(last_source, 0, RIG_EINPUT,
                          "no channel has the role of the sensor; write 'role sensor' behind the "
                          "one that reads the water's level");
}

static int read_blocks(struct rig *rig, const struct statements *in, struct units *units,
                       struct rig_err *err)
{
    struct rig_block seen[2] = {0};
    struct cursor opening[2] = {0}, last_source = {0};
    for (size_t i = 0; i < in->count; i++) {
        struct cursor cursor = cursor_of(in, &in->list[i], units, err);
        size_t which;
        int code = cursor_choice(&cursor, block_words, BLOCK_COUNT, &which);
        if (code)
            return code;
        struct rig_block source = {0}, *block = which == BLOCK_SOURCE ? &source : &seen[which];
        if (block->statement)
            return cursor_fail_at(&cursor, 0, RIG_EINPUT,
                                  "the rig has an %s block already, on line %d; keep one",
                                  block_words[which], block->statement->line);
        block->rig = rig;
        block->statement = &in->list[i];
        if (which == BLOCK_SOURCE) {
            if ((code = open_source(rig, &cursor, &block->source)) ||
                (code = cursor_end(&cursor)) ||
                (code = rig_read_block(block, rig_source_words, in, units, err)) ||
                (code = rig_source_finish(block, &cursor)))
                return code;
            last_source = cursor;
            continue;
        }
        opening[which] = cursor;
        if ((code = cursor_end(&cursor)) ||
            (code = rig_read_block(block, which == BLOCK_AXIS ? rig_axis_words : rig_water_words,
                                   in, units, err)) ||
            (code = which == BLOCK_AXIS ? rig_axis_finish(block, &cursor)
                                        : rig_water_finish(block, &cursor)))
            return code;
    }
    if (!seen[BLOCK_AXIS].statement || !seen[BLOCK_WATER].statement)
        return rig_fail(err, RIG_EINPUT,
                        "%s:1:1: a rig file needs a block '%s ... end'; docs/formats.md has one to "
                        "start from",
                        in->name, seen[BLOCK_AXIS].statement ? "water" : "axis");
    int code = check_datum(rig, opening[BLOCK_WATER]);
    if (!code)
        code = check_park(rig, &seen[BLOCK_AXIS], opening[BLOCK_AXIS]);
    if (!code && rig->source_count)
        code = check_sensors(rig, &last_source);
    return code;
}

int rig_read(struct rig *rig, const char *name, const char *text, size_t size, struct units *units,
             struct rig_err *err)
{
    const char *known[64];
    size_t count = 0;
    for (size_t i = 0; block_words[i]; i++)
        known[count++] = block_words[i];
    const struct rig_word *const tables[] = {rig_axis_words, rig_water_words, rig_source_words};
    for (size_t t = 0; t < 3; t++)
        for (size_t i = 0; tables[t][i].word; i++)
            known[count++] = tables[t][i].word;
    known[count++] = "end";
    known[count] = NULL;

    struct statement_words words = {.blocks = block_words, .known = known};
    struct statements statements = {0};
    set_defaults(rig);
    int code = statements_read(&statements, name, text, size, &words, err);
    if (code)
        return code;
    code = read_blocks(rig, &statements, units, err);
    statements_free(&statements);
    return code;
}
