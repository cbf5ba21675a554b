/* SPDX-License-Identifier: GPL-3.0-or-later
 * Bench files: the outer level and the reading of statements by table. */
#include "rig/sim_file.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

int sim_read_reading(const struct sim_block_file *block, struct cursor *cursor, const char *what,
                     double *value)
{
    size_t at = cursor->at;
    double number, factor, offset;
    const char *unit;
    if (!block->unit[0])
        return cursor_fail_at(cursor, 0, RIG_EINPUT,
                              "the unit isn't known yet; put 'curve ... in UNIT and mm' (of the "
                              "board) or 'output ... in UNIT' (of a link) before this line");
    int code = cursor_plain(cursor, what, -1e12, 1e12, &number);
    if (code)
        return code;
    if ((code = cursor_any_word(cursor, "a unit", &unit)))
        return code;
    struct rig_err why = {0};
    if (units_factor(cursor->units, unit, block->unit, &factor, &offset, &why))
        return cursor_fail_at(cursor, at + 1, RIG_EINPUT, "%s; give %s in %s", why.text, what,
                              block->unit);
    *value = number * factor; /* a difference: no offset */
    return 0;
}

static int read_value(struct sim_block_file *block, const struct sim_slot *slot,
                      struct cursor *cursor)
{
    size_t at = cursor->at;
    double value = 0;
    int code = slot->kind == SIM_READING
                   ? sim_read_reading(block, cursor, slot->what, &value)
                   : cursor_quantity(cursor, (enum quantity_kind)slot->kind, slot->what, &value);
    if (!code && slot->per)
        code = cursor_word(cursor, "per");
    if (!code && slot->per)
        code = cursor_word(cursor, slot->per);
    if (code)
        return code;
    if (value < slot->low || value > slot->high)
        return cursor_fail_at(
            cursor, at, RIG_ELIMIT, "%s must lie between %g and %g %s; this is %g", slot->what,
            slot->low, slot->high,
            slot->kind == SIM_READING ? block->unit : quantity_unit((enum quantity_kind)slot->kind),
            value);
    memcpy((char *)block->fields + slot->offset, &value, sizeof value);
    return 0;
}

/* First and second word of "at stage". */
static void split(const char *keywords, char first[16], char second[16])
{
    size_t size = strcspn(keywords, " ");
    snprintf(first, 16, "%.*s", (int)size, keywords);
    snprintf(second, 16, "%s", keywords[size] ? keywords + size + 1 : "");
}

int sim_read_slots(struct sim_block_file *block, const struct sim_word *word, struct cursor *cursor)
{
    size_t read = 0;
    for (size_t i = 0; i < SIM_SLOTS && word->slots[i].what; i++) {
        const struct sim_slot *slot = &word->slots[i];
        char first[16], second[16];
        split(slot->keywords, first, second);
        if (slot->optional && cursor_done(cursor))
            break;
        if (read)
            cursor_takes_comma(cursor);
        if (slot->optional && !cursor_sees(cursor, first))
            continue;
        int code = 0;
        if (first[0])
            code = cursor_word(cursor, first);
        if (!code && second[0])
            code = cursor_word(cursor, second);
        if (!code)
            code = read_value(block, slot, cursor);
        if (code)
            return code;
        read++;
    }
    if (!read && word->slots[0].what)
        return cursor_word(cursor, word->slots[0].keywords); /* says what is missing */
    return 0;
}

enum { BLOCK_AXIS, BLOCK_WATER, BLOCK_BOARD, BLOCK_CONTROLLER, BLOCK_ACTUATOR, BLOCK_COUNT };
enum { WORDS_LIMIT = 24 };
static const char *const block_words[] = {"axis", "water", "board", "controller", "actuator", NULL};
static const struct sim_word *const block_tables[] = {
    sim_axis_words, sim_water_words, sim_board_words, sim_link_words, sim_link_words};

static int read_block(struct sim_block_file *block, const struct sim_word words[],
                      const struct statements *in, const struct statement *statement,
                      struct units *units, struct rig_err *err)
{
    const char *names[WORDS_LIMIT];
    int seen_line[WORDS_LIMIT][2] = {0};
    size_t count = 0;
    for (; words[count].word && count < WORDS_LIMIT; count++)
        names[count] = words[count].word;
    for (size_t i = 0; i < statement->body_count; i++) {
        struct cursor cursor = cursor_of(in, &statement->body[i], units, err);
        size_t which;
        int code = cursor_choice(&cursor, names, count, &which);
        if (code)
            return code;
        bool variant = words[which].variant && cursor_sees(&cursor, words[which].variant);
        int *line = &seen_line[which][variant];
        if (*line)
            return cursor_fail_at(&cursor, 0, RIG_EINPUT,
                                  "'%s' was already given on line %d; keep one of the two",
                                  names[which], *line);
        *line = statement->body[i].line;
        code = words[which].read ? words[which].read(block, &cursor)
                                 : sim_read_slots(block, &words[which], &cursor);
        if (!code)
            code = cursor_end(&cursor);
        if (code)
            return code;
    }
    return 0;
}

static int read_blocks(struct sim_truth *truth, const struct statements *in, struct units *units,
                       struct rig_err *err)
{
    int seen_line[BLOCK_COUNT] = {0};
    for (size_t i = 0; i < in->count; i++) {
        const struct statement *statement = &in->list[i];
        struct cursor cursor = cursor_of(in, statement, units, err);
        size_t which;
        int code = cursor_choice(&cursor, block_words, BLOCK_COUNT, &which);
        if (code)
            return code;
        if (seen_line[which])
            return cursor_fail_at(&cursor, 0, RIG_EINPUT,
                                  "the bench has a block '%s' already, on line %d; keep one",
                                  block_words[which], seen_line[which]);
        seen_line[which] = statement->line;
        struct sim_link *link = which == BLOCK_ACTUATOR ? &truth->actuator : &truth->controller;
        bool is_link = which == BLOCK_CONTROLLER || which == BLOCK_ACTUATOR;
        struct sim_block_file block = {.fields = truth, .unit = truth->unit, .truth = truth};
        if (is_link) {
            block.fields = link;
            block.unit = link->unit;
            link->present = true;
        }
        if ((code = cursor_end(&cursor)) ||
            (code = read_block(&block, block_tables[which], in, statement, units, err)))
            return code;
    }
    return 0;
}

/* What no single statement can see. */
static int check(const struct sim_truth *truth, const char *name, struct rig_err *err)
{
    if (!(truth->travel_low_mm < truth->travel_high_mm))
        return rig_fail(err, RIG_ELIMIT,
                        "%s:1:1: the travel of %g to %g mm is upside down; the lower end first",
                        name, truth->travel_low_mm, truth->travel_high_mm);
    if (truth->home_mm < truth->travel_low_mm || truth->home_mm > truth->travel_high_mm)
        return rig_fail(err, RIG_ELIMIT, "%s:1:1: home at %g mm is outside the travel, %g to %g mm",
                        name, truth->home_mm, truth->travel_low_mm, truth->travel_high_mm);
    if (truth->tank_area_mm2 > 0 && !(truth->board_area_mm2 < truth->tank_area_mm2))
        return rig_fail(err, RIG_ELIMIT,
                        "%s:1:1: the board's section (%g mm2) must be smaller than the tank's area "
                        "(%g mm2)",
                        name, truth->board_area_mm2, truth->tank_area_mm2);
    return 0;
}

int sim_truth_read(struct sim_truth *truth, const char *name, const char *text, size_t size,
                   struct units *units, struct rig_err *err)
{
    const char *known[128];
    size_t count = 0;
    for (size_t i = 0; i < BLOCK_COUNT; i++) {
        known[count++] = block_words[i];
        if (i == BLOCK_ACTUATOR)
            break; /* its words are the controller's */
        for (const struct sim_word *word = block_tables[i]; word->word; word++)
            known[count++] = word->word;
    }
    known[count++] = "end";
    known[count] = NULL;
    const struct statement_words words = {.blocks = block_words, .known = known};
    struct statements statements = {0};
    sim_truth_defaults(truth);
    int code = statements_read(&statements, name, text, size, &words, err);
    if (code)
        return code;
    code = read_blocks(truth, &statements, units, err);
    if (!code)
        code = check(truth, name, err);
    statements_free(&statements);
    return code;
}
