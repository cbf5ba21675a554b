/* SPDX-License-Identifier: GPL-3.0-or-later
 * "Did you mean": the nearest of some words, and lists of words for people. */
#include "base/statement_parts.h"

#include <string.h>

enum { WORD_LIMIT = 48 };

static char small(char c)
{
    return c >= 'A' && c <= 'Z' ? (char)(c + 'a' - 'A') : c;
}

static size_t least(size_t a, size_t b)
{
    return a < b ? a : b;
}

/* Optimal string alignment: insertions, deletions, replacements and swaps of
 * neighbours, each one (Damerau 1964; the restricted form). Both shorter than
 * WORD_LIMIT. */
static size_t distance(const char *a, size_t a_length, const char *b, size_t b_length)
{
    size_t rows[3][WORD_LIMIT]; /* before the last, the last, this */
    size_t *before = rows[0], *last = rows[1], *row = rows[2];
    for (size_t j = 0; j <= b_length; j++)
        last[j] = j;
    for (size_t i = 1; i <= a_length; i++) {
        row[0] = i;
        for (size_t j = 1; j <= b_length; j++) {
            size_t differ = small(a[i - 1]) != small(b[j - 1]);
            row[j] = least(least(last[j] + 1, row[j - 1] + 1), last[j - 1] + differ);
            if (i > 1 && j > 1 && small(a[i - 1]) == small(b[j - 2]) &&
                small(a[i - 2]) == small(b[j - 1]))
                row[j] = least(row[j], before[j - 2] + 1);
        }
        size_t *spare = before;
        before = last;
        last = row;
        row = spare;
    }
    return last[b_length];
}

const char *nearest_word(const char *word, const char *const words[], size_t count)
{
    const char *nearest = NULL;
    size_t nearest_distance = WORD_LIMIT, length = strlen(word);
    if (length >= WORD_LIMIT)
        return NULL;
    for (size_t i = 0; i < count; i++) {
        size_t other = strlen(words[i]);
        if (other >= WORD_LIMIT)
            continue;
        size_t wrong = distance(word, length, words[i], other);
        size_t longer = length > other ? length : other;
        if (wrong * 3 <= longer && wrong < nearest_distance) {
            nearest = words[i];
            nearest_distance = wrong;
        }
    }
    return nearest;
}

const char *statement_listed(char buffer[LISTED_SIZE], const char *const words[], size_t count)
{
    size_t used = 0;
    buffer[0] = 0;
    for (size_t i = 0; i < count; i++) {
        const char *joint = i == 0 ? "" : i + 1 == count ? " or " : ", ";
        size_t joint_length = strlen(joint), length = strlen(words[i]);
        if (used + joint_length + length + sizeof ", ..." > LISTED_SIZE) {
            memcpy(buffer + used, ", ...", sizeof ", ...");
            return buffer;
        }
        memcpy(buffer + used, joint, joint_length);
        memcpy(buffer + used + joint_length, words[i], length + 1);
        used += joint_length + length;
    }
    return buffer;
}
