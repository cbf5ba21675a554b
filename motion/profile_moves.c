/* SPDX-License-Identifier: GPL-3.0-or-later
 * The profile language: ramp, step, hold, stairs, sine, follow, mark. Commas
 * between the parts of a statement may be left out. */
#include "motion/profile_parts.h"

#include <string.h>

static int read_ramp(struct profile_reader *reader, struct cursor *cursor,
                     struct profile_node *node)
{
    int code;
    node->kind = PROFILE_RAMP;
    if ((code = cursor_word(cursor, "to")) ||
        (code = profile_value(reader, cursor, QUANTITY_LENGTH, "the depth to go to", &node->to)))
        return code;
    if (cursor_done(cursor))
        return cursor_fail(cursor,
                           "a ramp needs its speed: 'ramp to 150 mm at 20 mm/s'; as fast as "
                           "allowed is 'step to 150 mm'");
    node->has_speed = true;
    if ((code = cursor_word(cursor, "at")))
        return code;
    return profile_positive(reader, cursor, QUANTITY_SPEED, "the speed", &node->speed);
}

static int read_step(struct profile_reader *reader, struct cursor *cursor,
                     struct profile_node *node)
{
    node->kind = PROFILE_STEP;
    int code = cursor_word(cursor, "to");
    if (!code)
        code = profile_value(reader, cursor, QUANTITY_LENGTH, "the depth to go to", &node->to);
    if (!code && cursor_sees(cursor, "at"))
        return cursor_fail(cursor, "a step goes as fast as allowed; with a speed it is a 'ramp'");
    return code;
}

static int read_hold(struct profile_reader *reader, struct cursor *cursor,
                     struct profile_node *node)
{
    node->kind = PROFILE_HOLD;
    return profile_positive(reader, cursor, QUANTITY_TIME, "the time to hold", &node->time);
}

/* One of two spellings of a counting word: '1 step', '14 steps'. */
static int counted(struct cursor *cursor, const char *one, const char *many)
{
    return cursor_takes(cursor, one) ? 0 : cursor_word(cursor, many);
}

static int read_stairs(struct profile_reader *reader, struct cursor *cursor,
                       struct profile_node *node)
{
    int code;
    node->kind = PROFILE_STAIRS;
    if ((code = cursor_word(cursor, "from")) ||
        (code = profile_value(reader, cursor, QUANTITY_LENGTH, "the depth of the first stair",
                              &node->from)) ||
        (code = cursor_word(cursor, "to")) ||
        (code = profile_value(reader, cursor, QUANTITY_LENGTH, "the depth of the last stair",
                              &node->to)) ||
        (code = cursor_word(cursor, "in")) ||
        (code = cursor_count(cursor, "the number of steps", 1, 10000, &node->count)) ||
        (code = counted(cursor, "step", "steps")))
        return code;
    (void)cursor_takes_comma(cursor);
    if (cursor_takes(cursor, "at")) {
        node->has_speed = true;
        if ((code = profile_positive(reader, cursor, QUANTITY_SPEED, "the speed", &node->speed)))
            return code;
        (void)cursor_takes_comma(cursor);
    }
    if ((code = cursor_word(cursor, "hold")) ||
        (code = profile_positive(reader, cursor, QUANTITY_TIME, "the time on each stair",
                                 &node->time)))
        return code;
    (void)cursor_takes_comma(cursor);
    if (cursor_done(cursor))
        return 0;
    node->both_ways = true;
    if ((code = cursor_word(cursor, "up")) || (code = cursor_word(cursor, "and")))
        return code;
    return cursor_word(cursor, "down");
}

static int read_sine(struct profile_reader *reader, struct cursor *cursor,
                     struct profile_node *node)
{
    static const char *const ways[] = {"at", "from"};
    size_t way;
    int code;
    node->kind = PROFILE_SINE;
    if ((code = cursor_word(cursor, "about")) ||
        (code = profile_value(reader, cursor, QUANTITY_LENGTH, "the depth to swing about",
                              &node->from)) ||
        (code = cursor_word(cursor, "amplitude")))
        return code;
    if (cursor_takes(cursor, "up")) {
        node->may_shrink = true;
        if ((code = cursor_word(cursor, "to")))
            return code;
    }
    if ((code =
             profile_positive(reader, cursor, QUANTITY_LENGTH, "the amplitude", &node->amplitude)))
        return code;
    (void)cursor_takes_comma(cursor);
    if ((code = cursor_choice(cursor, ways, 2, &way)) ||
        (code =
             profile_positive(reader, cursor, QUANTITY_FREQUENCY, "the frequency", &node->low_hz)))
        return code;
    node->count = 1;
    if (way == 1) {
        if ((code = cursor_word(cursor, "to")) ||
            (code = profile_positive(reader, cursor, QUANTITY_FREQUENCY, "the last frequency",
                                     &node->high_hz)) ||
            (code = cursor_word(cursor, "in")) ||
            (code = cursor_count(cursor, "the number of frequencies", 2, 1000, &node->count)) ||
            (code = cursor_word(cursor, "frequencies")))
            return code;
    }
    (void)cursor_takes_comma(cursor);
    if ((code = cursor_count(cursor, "the number of cycles", 1, 1000000, &node->cycles)) ||
        (code = counted(cursor, "cycle", "cycles")))
        return code;
    (void)cursor_takes(cursor, "each");
    return 0;
}

static int read_follow(struct profile_reader *reader, struct cursor *cursor,
                       struct profile_node *node)
{
    (void)reader;
    node->kind = PROFILE_FOLLOW;
    return cursor_text(cursor, "the file of the trace, in quotes", &node->text);
}

/* Both parts may be left out, and come in any order. */
static int read_touch(struct profile_reader *reader, struct cursor *cursor,
                      struct profile_node *node)
{
    int code = 0;
    node->kind = PROFILE_TOUCH;
    while (!code && !cursor_done(cursor)) {
        if (!node->has_within && cursor_takes(cursor, "within")) {
            node->has_within = true;
            code = profile_positive(reader, cursor, QUANTITY_LENGTH,
                                    "how far above and below the datum to look", &node->within);
        } else if (node->has_speed) {
            return cursor_word(cursor, "within");
        } else if (!(code = cursor_word(cursor, "at"))) {
            node->has_speed = true;
            code = profile_positive(reader, cursor, QUANTITY_SPEED, "the speed", &node->speed);
        }
        (void)cursor_takes_comma(cursor);
    }
    return code;
}

static int read_mark(struct profile_reader *reader, struct cursor *cursor,
                     struct profile_node *node)
{
    (void)reader;
    node->kind = PROFILE_MARK;
    return cursor_string(cursor, "the text of the mark, in quotes", &node->text);
}

int profile_read_move(struct profile_reader *reader, struct cursor *cursor, const char *word,
                      struct profile_node *node)
{
    static const struct {
        const char *word;
        int (*read)(struct profile_reader *reader, struct cursor *cursor,
                    struct profile_node *node);
    } moves[] = {{"ramp", read_ramp},     {"step", read_step}, {"hold", read_hold},
                 {"stairs", read_stairs}, {"sine", read_sine}, {"follow", read_follow},
                 {"touch", read_touch},   {"mark", read_mark}};
    for (size_t i = 0; i < sizeof moves / sizeof *moves; i++)
        if (strcmp(word, moves[i].word) == 0)
            return moves[i].read(reader, cursor, node);
    return cursor_fail_at(cursor, 0, RIG_EBUG, "nothing reads '%s'", word);
}
