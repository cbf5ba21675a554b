/* SPDX-License-Identifier: GPL-3.0-or-later
 * From lines of tokens to statements with their blocks. */
#include "base/statement_parts.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* What statements_free frees. */
struct arena {
    struct statement_lines lines;
    struct statement *statements;
    char name[];
};

struct tree {
    const struct statement_lines *lines;
    size_t *last; /* of each line that opens a block: its 'end'; of others: itself */
    struct statement *statements, *free_statements;
};

static const struct token *first_token(const struct tree *tree, size_t line)
{
    return &tree->lines->tokens[tree->lines->lines[line].first_token];
}

static size_t count_words(const char *const *words)
{
    size_t count = 0;
    while (words && words[count])
        count++;
    return count;
}

static bool among(const char *word, const char *const *words)
{
    for (; words && *words; words++)
        if (strcmp(*words, word) == 0)
            return true;
    return false;
}

static int fail_token(const struct tree *tree, size_t line, const struct token *token,
                      struct rig_err *err, const char *text)
{
    return rig_fail(err, RIG_EINPUT, "%s:%d:%d: %s", tree->lines->name,
                    tree->lines->lines[line].line, token->column, text);
}

static int fail_unknown(const struct tree *tree, size_t line, const struct statement_words *words,
                        struct rig_err *err)
{
    const struct token *token = first_token(tree, line);
    char text[sizeof err->text], shown[SHOWN_SIZE], listed[LISTED_SIZE];
    statement_shown(shown, token->text, strlen(token->text));
    size_t count = count_words(words->known);
    const char *nearest = nearest_word(token->text, words->known, count);
    const char *block = nearest_word(token->text, words->blocks, count_words(words->blocks));
    if (!nearest)
        nearest = block;
    if (!nearest && nearest_word(token->text, (const char *const[]){"end"}, 1))
        nearest = "end";
    if (token->kind != TOKEN_WORD)
        snprintf(text, sizeof text, "a statement starts with a word, not with %s%s%s; here with %s",
                 token->kind == TOKEN_STRING ? "\"" : "'", shown,
                 token->kind == TOKEN_STRING ? "\"" : "'",
                 statement_listed(listed, words->known, count));
    else if (nearest)
        snprintf(text, sizeof text, "'%s' is not a statement here; did you mean '%s'?", shown,
                 nearest);
    else
        snprintf(text, sizeof text, "'%s' is not a statement here; there is %s", shown,
                 statement_listed(listed, words->known, count));
    return fail_token(tree, line, token, err, text);
}

static int fail_unclosed(const struct tree *tree, size_t line, struct rig_err *err)
{
    char text[sizeof err->text], shown[SHOWN_SIZE];
    const char *word = first_token(tree, line)->text;
    snprintf(text, sizeof text, "this '%s' has no 'end'; write one after its last statement",
             statement_shown(shown, word, strlen(word)));
    return fail_token(tree, line, first_token(tree, line), err, text);
}

/* Pairs every block with its 'end'. */
static int match_blocks(struct tree *tree, const struct statement_words *words, struct rig_err *err)
{
    size_t open[STATEMENT_DEPTH_LIMIT], depth = 0;
    for (size_t line = 0; line < tree->lines->line_count; line++) {
        const struct token *token = first_token(tree, line);
        bool word = token->kind == TOKEN_WORD;
        tree->last[line] = line;
        if (word && strcmp(token->text, "end") == 0) {
            if (depth == 0)
                return fail_token(tree, line, token, err,
                                  "this 'end' closes nothing; remove it, or write the start of its "
                                  "block");
            if (tree->lines->lines[line].token_count > 1)
                return fail_token(tree, line, token + 1, err,
                                  "nothing may follow 'end'; begin a new line");
            tree->last[open[--depth]] = line;
        } else if (word && among(token->text, words->blocks)) {
            if (depth == STATEMENT_DEPTH_LIMIT) {
                char text[80];
                snprintf(text, sizeof text,
                         "blocks are nested deeper than %d; write fewer into one another",
                         STATEMENT_DEPTH_LIMIT);
                return fail_token(tree, line, token, err, text);
            }
            open[depth++] = line;
        } else if (words->known && !(word && among(token->text, words->known))) {
            return fail_unknown(tree, line, words, err);
        }
    }
    return depth ? fail_unclosed(tree, open[depth - 1], err) : 0;
}

/* Statements of the lines from..to, side by side. Recurses no deeper than blocks
 * are nested. */
static struct statement *make_statements(struct tree *tree, size_t from, size_t to, size_t *count)
{
    struct statement *list = tree->free_statements;
    *count = 0;
    for (size_t line = from; line < to; line = tree->last[line] + 1)
        ++*count;
    tree->free_statements += *count;
    size_t made = 0;
    for (size_t line = from; line < to; line = tree->last[line] + 1) {
        const struct statement_line *source = &tree->lines->lines[line];
        struct statement *statement = &list[made++];
        *statement = (struct statement){.line = source->line,
                                        .tokens = &tree->lines->tokens[source->first_token],
                                        .token_count = source->token_count};
        size_t last = tree->last[line];
        if (last == line)
            continue;
        statement->is_block = true;
        statement->end_line = tree->lines->lines[last].line;
        statement->body = make_statements(tree, line + 1, last, &statement->body_count);
    }
    return list;
}

static int make_tree(struct statements *statements, struct arena *arena,
                     const struct statement_words *words, struct rig_err *err)
{
    size_t lines = arena->lines.line_count;
    struct tree tree = {.lines = &arena->lines};
    tree.last = malloc((lines + 1) * sizeof *tree.last);
    arena->statements = malloc((lines + 1) * sizeof *arena->statements);
    int code = 0;
    if (!tree.last || !arena->statements)
        code = rig_fail_memory(err, arena->name);
    if (!code)
        code = match_blocks(&tree, words, err);
    if (!code) {
        tree.statements = tree.free_statements = arena->statements;
        statements->list = make_statements(&tree, 0, lines, &statements->count);
    }
    free(tree.last);
    return code;
}

static void free_arena(struct arena *arena)
{
    if (!arena)
        return;
    statement_lines_free(&arena->lines);
    free(arena->statements);
    free(arena);
}

int statements_read(struct statements *statements, const char *name, const char *text, size_t size,
                    const struct statement_words *words, struct rig_err *err)
{
    *statements = (struct statements){0};
    if (size > STATEMENT_FILE_LIMIT)
        return rig_fail(
            err, RIG_EINPUT,
            "%s:1:1: the file has %zu MiB, and at most %d MiB are read; is it the right "
            "file?",
            name, (size + (1 << 20) - 1) >> 20, STATEMENT_FILE_LIMIT >> 20);
    size_t room = strlen(name) + 1;
    struct arena *arena = calloc(1, sizeof *arena + room);
    if (!arena)
        return rig_fail_memory(err, name);
    memcpy(arena->name, name, room);
    arena->lines.name = arena->name;
    int code = statement_lex(&arena->lines, text, size, err);
    if (!code)
        code = make_tree(statements, arena, words, err);
    if (code) {
        free_arena(arena);
        *statements = (struct statements){0};
        return code;
    }
    statements->name = arena->name;
    statements->arena = arena;
    return 0;
}

void statements_free(struct statements *statements)
{
    if (!statements)
        return;
    free_arena(statements->arena);
    *statements = (struct statements){0};
}
