/* SPDX-License-Identifier: GPL-3.0-or-later
 * The traces that a profile follows, kept with the recording: a later fit needs the
 * very motion that was made. */
#include "results/recording_parts.h"

#include "base/file.h"
#include "base/statement.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { TRACE_LIMIT = 64 };

struct names {
    const char *path[TRACE_LIMIT];
    int count;
};

static void find(const struct statement list[], size_t count, struct names *names)
{
    for (size_t i = 0; i < count; i++) {
        const struct token *tokens = list[i].tokens;
        if (list[i].is_block)
            find(list[i].body, list[i].body_count, names);
        if (list[i].token_count < 2 || strcmp(tokens[0].text, "follow") != 0)
            continue;
        bool known = false;
        for (int k = 0; k < names->count; k++)
            known |= strcmp(names->path[k], tokens[1].text) == 0;
        if (!known && names->count < TRACE_LIMIT)
            names->path[names->count++] = tokens[1].text;
    }
}

static int read_names(const struct run_facts *facts, struct statements *text, struct names *names,
                      struct rig_err *err)
{
    static const char *const blocks[] = {"repeat", "each", NULL};
    const struct statement_words words = {.blocks = blocks};
    int code = statements_read(text, facts->profile_name, facts->profile_text,
                               strlen(facts->profile_text), &words, err);
    if (!code)
        find(text->list, text->count, names);
    return code;
}

int recording_save_traces(const char *folder, const struct run_facts *facts,
                          const struct plan_files *traces, struct rig_err *err)
{
    struct statements text;
    struct names names = {0};
    int code = read_names(facts, &text, &names, err);
    if (code)
        return code;
    char *traces_folder = names.count ? file_join(folder, "traces") : NULL;
    if (names.count)
        code = traces_folder ? file_make_folder(traces_folder, 1, err)
                             : rig_fail_memory(err, "a path");
    for (int i = 0; !code && i < names.count; i++) {
        char name[32], *bytes = NULL;
        size_t size = 0;
        if (!traces || !traces->load) {
            code = rig_fail(err, RIG_EBUG, "the profile follows '%.100s' but nobody reads it",
                            names.path[i]);
            break;
        }
        code = traces->load(traces->context, names.path[i], &bytes, &size, err);
        snprintf(name, sizeof name, "%d.csv", i);
        char *path = code ? NULL : file_join(traces_folder, name);
        if (!code)
            code = path ? file_replace(path, bytes, size, err) : rig_fail_memory(err, "a path");
        free(path);
        free(bytes);
    }
    free(traces_folder);
    statements_free(&text);
    return code;
}

int recording_trace_number(const struct run_facts *facts, const char *path)
{
    struct statements text;
    struct names names = {0};
    int number = -1;
    if (read_names(facts, &text, &names, NULL))
        return -1;
    for (int i = 0; i < names.count; i++)
        if (strcmp(names.path[i], path) == 0)
            number = i;
    statements_free(&text);
    return number;
}
