/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "motion/syncfile.h"

#include "base/statement.h"

#include <ctype.h>
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

enum { BLOCK_SYNC, BLOCK_SOURCE, BLOCKS };
static const char *const block_words[] = {"sync", "source", NULL};
enum { WORD_AXIS, WORD_MADE, WORD_TIED, WORD_STARTS, WORD_CLOCK, WORD_BACKLASH, WORDS };
static const char *const words[] = {"axis", "made", "tied", "starts", "clock", "backlash"};
static const char *const known_words[] = {"sync",   "source", "axis",     "made", "tied",
                                          "starts", "clock",  "backlash", "end",  NULL};

/* ---- reading ---- */

static int read_text(struct cursor *cursor, const char *what, char *to, size_t room)
{
    const char *text;
    size_t token = cursor->at;
    int code = cursor_string(cursor, what, &text);
    if (code)
        return code;
    if (strlen(text) >= room)
        return cursor_fail_at(cursor, token, RIG_EINPUT, "%s has more than %zu bytes", what,
                              room - 1);
    for (const char *c = text; *c; c++)
        if (iscntrl((unsigned char)*c))
            return cursor_fail_at(cursor, token, RIG_EINPUT, "%s holds a control character", what);
    memcpy(to, text, strlen(text) + 1);
    return 0;
}

static int read_within(struct cursor *cursor, enum quantity_kind kind, const char *what, double low,
                       double high, double *value)
{
    size_t token = cursor->at;
    int code = cursor_quantity(cursor, kind, what, value);
    if (!code && !(*value >= low && *value <= high))
        code = cursor_fail_at(cursor, token, RIG_ELIMIT, "%s must lie between %g and %g %s", what,
                              low, high, quantity_unit(kind));
    return code;
}

/* "VALUE, uncertainty U" */
static int read_value(struct cursor *cursor, enum quantity_kind kind, const char *what, double low,
                      double high, struct sync_value *value)
{
    int code = read_within(cursor, kind, what, low, high, &value->value);
    if (code)
        return code;
    cursor_takes_comma(cursor);
    code = cursor_word(cursor, "uncertainty");
    return code ? code : read_within(cursor, kind, "its uncertainty", 0, high, &value->u);
}

static int read_skew(struct cursor *cursor, struct sync_value *skew_ppm)
{
    int code = cursor_word(cursor, "skew");
    return code ? code
                : read_value(cursor, QUANTITY_PARTS, "the skew of the clock", -1e5, 1e5, skew_ppm);
}

static int read_starts(struct cursor *cursor, struct sync *sync)
{
    int code = cursor_word(cursor, "after");
    if (!code)
        code = read_value(cursor, QUANTITY_TIME, "the start delay", -1, 10, &sync->start_delay_s);
    if (code || cursor_done(cursor))
        return code;
    cursor_takes_comma(cursor);
    code = cursor_word(cursor, "spread");
    return code ? code
                : read_within(cursor, QUANTITY_TIME, "the spread of the start delay", 0, 10,
                              &sync->spread_s);
}

static int read_mark(struct cursor *cursor, struct sync *sync)
{
    int code = read_text(cursor, "the mark of the axis", sync->axis, sizeof sync->axis);
    if (!code && (strlen(sync->axis) != SYNC_MARK_SIZE - 1 ||
                  strspn(sync->axis, "0123456789abcdef") != SYNC_MARK_SIZE - 1))
        code = cursor_fail_at(cursor, 1, RIG_EINPUT,
                              "the mark of the axis is 16 hexadecimal digits, as 'wetsweep sync' "
                              "writes it");
    return code;
}

static int read_statement(struct sync *sync, struct cursor *cursor, int seen[WORDS])
{
    size_t which;
    int code = cursor_choice(cursor, words, WORDS, &which);
    if (code)
        return code;
    if (seen[which])
        return cursor_fail_at(cursor, 0, RIG_EINPUT,
                              "'%s' was already given on line %d; keep one of the two",
                              words[which], seen[which]);
    seen[which] = cursor->statement->line;
    switch (which) {
    case WORD_AXIS:
        code = read_mark(cursor, sync);
        break;
    case WORD_MADE:
        code = read_text(cursor, "when it was made", sync->made, sizeof sync->made);
        break;
    case WORD_TIED:
        code = read_text(cursor, "what tied the clocks", sync->tied, sizeof sync->tied);
        break;
    case WORD_STARTS:
        code = read_starts(cursor, sync);
        break;
    case WORD_CLOCK:
        code = read_skew(cursor, &sync->skew_ppm);
        break;
    default:
        code = read_value(cursor, QUANTITY_LENGTH, "the backlash", -10, 10, &sync->backlash_mm);
    }
    return code ? code : cursor_end(cursor);
}

static int read_sync(struct sync *sync, const struct statements *in,
                     const struct statement *statement, struct units *units, struct rig_err *err)
{
    int seen[WORDS] = {0}, code = 0;
    for (size_t i = 0; !code && i < statement->body_count; i++) {
        struct cursor cursor = cursor_of(in, &statement->body[i], units, err);
        code = read_statement(sync, &cursor, seen);
    }
    struct cursor opening = cursor_of(in, statement, units, err);
    if (!code && !seen[WORD_AXIS])
        code = cursor_fail_at(&opening, 0, RIG_EINPUT,
                              "this block doesn't say which axis it was measured with; 'wetsweep "
                              "sync' writes it as, for example, axis \"0123456789abcdef\"");
    return code;
}

static int read_source(struct sync *sync, const struct statements *in,
                       const struct statement *statement, struct cursor *opening)
{
    const char *name;
    int code = cursor_text(opening, "the source's name", &name);
    if (!code && sync->source_count == RIG_SOURCE_LIMIT)
        code = cursor_fail_at(opening, 0, RIG_ELIMIT, "more than %d sources; leave some out",
                              RIG_SOURCE_LIMIT);
    if (!code && (strlen(name) == 0 || strlen(name) >= RIG_NAME_SIZE))
        code = cursor_fail_at(opening, 1, RIG_EINPUT, "a source's name has 1 to %d bytes",
                              RIG_NAME_SIZE - 1);
    for (size_t i = 0; !code && i < sync->source_count; i++)
        if (strcmp(sync->sources[i].name, name) == 0)
            code = cursor_fail_at(opening, 1, RIG_EINPUT,
                                  "there is a source called '%s' already; keep one", name);
    if (!code)
        code = cursor_end(opening);
    if (code)
        return code;
    size_t at = sync->source_count++;
    snprintf(sync->sources[at].name, sizeof sync->sources[at].name, "%s", name);
    sync->sources[at].skew_ppm = (struct sync_value){NAN, NAN};
    for (size_t i = 0; i < statement->body_count; i++) {
        struct cursor cursor = cursor_of(in, &statement->body[i], opening->units, opening->err);
        if (isfinite(sync->sources[at].skew_ppm.value))
            return cursor_fail_at(&cursor, 0, RIG_EINPUT, "a source has one statement, 'clock'");
        if ((code = cursor_word(&cursor, "clock")) ||
            (code = read_skew(&cursor, &sync->sources[at].skew_ppm)) ||
            (code = cursor_end(&cursor)))
            return code;
    }
    return 0;
}

static int read_blocks(struct sync *sync, const struct statements *in, struct units *units,
                       struct rig_err *err)
{
    int sync_line = 0;
    for (size_t i = 0; i < in->count; i++) {
        struct cursor cursor = cursor_of(in, &in->list[i], units, err);
        size_t which;
        int code = cursor_choice(&cursor, block_words, BLOCKS, &which);
        if (code)
            return code;
        if (which == BLOCK_SOURCE) {
            code = read_source(sync, in, &in->list[i], &cursor);
        } else if (sync_line) {
            code =
                cursor_fail_at(&cursor, 0, RIG_EINPUT,
                               "there is a block 'sync' already, on line %d; keep one", sync_line);
        } else {
            sync_line = in->list[i].line;
            code = cursor_end(&cursor);
            if (!code)
                code = read_sync(sync, in, &in->list[i], units, err);
        }
        if (code)
            return code;
    }
    if (!sync_line)
        return rig_fail(err, RIG_EINPUT,
                        "%s:1:1: has no block 'sync ... end'; 'wetsweep sync' writes such files",
                        in->name);
    return 0;
}

int sync_read(struct sync *sync, const char *name, const char *text, size_t size,
              struct units *units, struct rig_err *err)
{
    static const struct sync_value unknown = {NAN, NAN};
    const struct statement_words blocks = {.blocks = block_words, .known = known_words};
    struct statements statements;
    *sync = (struct sync){
        .start_delay_s = unknown, .spread_s = NAN, .skew_ppm = unknown, .backlash_mm = unknown};
    int code = statements_read(&statements, name, text, size, &blocks, err);
    if (code)
        return code;
    code = read_blocks(sync, &statements, units, err);
    statements_free(&statements);
    return code;
}

/* ---- writing ---- */

static bool is_known(struct sync_value value)
{
    return isfinite(value.value) && isfinite(value.u);
}

static void write_text(struct text *text, const char *word, const char *value)
{
    if (!*value)
        return;
    text_format(text, "  %-8s  \"", word);
    for (const char *c = value; *c; c++)
        text_format(text, *c == '"' || *c == '\\' ? "\\%c" : "%c", *c);
    text_add(text, "\"\n");
}

static void write_skew(struct text *text, struct sync_value skew_ppm)
{
    if (is_known(skew_ppm))
        text_format(text, "  clock     skew %.4f ppm, uncertainty %.3g ppm\n", skew_ppm.value,
                    skew_ppm.u);
}

void sync_write(struct text *text, const struct sync *sync, const char *from)
{
    text_add(text, "# What 'wetsweep sync' measured with ");
    for (const char *c = from; *c; c++)
        text_format(text, "%c", iscntrl((unsigned char)*c) ? '?' : *c);
    text_add(text, ". 'wetsweep run' finds this file\n"
                   "# beside the rig file. Standard uncertainties (k = 1); what could not be "
                   "known is left out.\n"
                   "sync\n");
    write_text(text, "axis", sync->axis);
    write_text(text, "made", sync->made);
    write_text(text, "tied", sync->tied);
    if (is_known(sync->start_delay_s)) {
        text_format(text, "  starts    after %.4f ms, uncertainty %.3g ms",
                    1e3 * sync->start_delay_s.value, 1e3 * sync->start_delay_s.u);
        if (isfinite(sync->spread_s))
            text_format(text, ", spread %.3g ms", 1e3 * sync->spread_s);
        text_add(text, "\n");
    }
    write_skew(text, sync->skew_ppm);
    if (is_known(sync->backlash_mm))
        text_format(text, "  backlash  %.5f mm, uncertainty %.3g mm\n", sync->backlash_mm.value,
                    sync->backlash_mm.u);
    text_add(text, "end\n");
    for (size_t i = 0; i < sync->source_count; i++) {
        text_format(text, "source %s\n", sync->sources[i].name);
        write_skew(text, sync->sources[i].skew_ppm);
        text_add(text, "end\n");
    }
}

/* ---- which axis ---- */

static uint64_t hash_on(uint64_t hash, const char *text)
{
    do {
        hash = (hash ^ (unsigned char)*text) * UINT64_C(0x100000001b3);
    } while (*text++); /* the NUL too: it parts the words */
    return hash;
}

int sync_axis_mark(char mark[SYNC_MARK_SIZE], const char *name, const char *rig_text,
                   const char *controller, struct rig_err *err)
{
    static const char *const blocks[] = {"axis", "water", "source", NULL};
    const struct statement_words no_other = {.blocks = blocks};
    struct statements statements;
    uint64_t hash = UINT64_C(0xcbf29ce484222325);
    bool found = false;
    int code = statements_read(&statements, name, rig_text, strlen(rig_text), &no_other, err);
    if (code)
        return code;
    for (size_t i = 0; i < statements.count; i++) {
        const struct statement *block = &statements.list[i];
        if (!block->is_block || strcmp(block->tokens[0].text, "axis") != 0)
            continue;
        found = true;
        for (size_t s = 0; s < block->body_count; s++) {
            for (size_t t = 0; t < block->body[s].token_count; t++)
                hash = hash_on(hash, block->body[s].tokens[t].text);
            hash = hash_on(hash, "\n");
        }
    }
    statements_free(&statements);
    if (!found)
        return rig_fail(err, RIG_EINPUT, "%s:1:1: a rig file needs a block 'axis ... end'", name);
    if (controller)
        hash = hash_on(hash, controller);
    snprintf(mark, SYNC_MARK_SIZE, "%016" PRIx64, hash);
    return RIG_OK;
}
