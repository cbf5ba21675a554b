/* SPDX-License-Identifier: GPL-3.0-or-later
 * Text that grows: for reports, SVG, JSON-free output. Zeroed is empty. A failed allocation is
 * remembered; check once at the end with text_take or text_failed. */
#ifndef BASE_TEXT_H
#define BASE_TEXT_H

#include <stdbool.h>
#include <stddef.h>

struct text {
    char *bytes; /* NUL-terminated once anything was added */
    size_t size, room;
    bool failed;
};

void text_add(struct text *text, const char *string);
void text_add_bytes(struct text *text, const void *bytes, size_t size);
void text_format(struct text *text, const char *format, ...) __attribute__((format(printf, 2, 3)));
/* Escapes & < > " ' for HTML and SVG. */
void text_add_escaped(struct text *text, const char *string);
bool text_failed(const struct text *text);
/* Hands over the bytes, "" if nothing was added, and empties the text: the caller
 * frees them. NULL when an addition had failed. */
char *text_take(struct text *text);
void text_free(struct text *text); /* NULL or zeroed allowed; leaves it empty */

/* "0.25 s", "4 s", "12 min 5 s", "9 h 3 min", "3 d 2 h": for people. buffer has at
 * least 32 bytes and is returned. "unknown" for NaN, "for ever" beyond 1e12 s. */
const char *text_duration(char buffer[32], double seconds);

#endif
