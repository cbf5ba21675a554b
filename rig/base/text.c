/* SPDX-License-Identifier: GPL-3.0-or-later
 * Text that grows. After a failed allocation all further additions are ignored. */
#include "base/text.h"

#include <math.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Makes room for `more` bytes and a NUL. */
static bool make_room(struct text *text, size_t more)
{
    if (text->failed)
        return false;
    if (more >= SIZE_MAX / 4 - text->size) {
        text->failed = true;
        return false;
    }
    size_t needed = text->size + more + 1;
    if (needed <= text->room)
        return true;
    size_t room = text->room ? text->room : 256;
    while (room < needed)
        room *= 2;
    char *bytes = realloc(text->bytes, room);
    if (!bytes) {
        text->failed = true;
        return false;
    }
    text->bytes = bytes;
    text->room = room;
    return true;
}

void text_add_bytes(struct text *text, const void *bytes, size_t size)
{
    if (!make_room(text, size))
        return;
    if (size)
        memcpy(text->bytes + text->size, bytes, size);
    text->size += size;
    text->bytes[text->size] = 0;
}

void text_add(struct text *text, const char *string)
{
    text_add_bytes(text, string, strlen(string));
}

void text_format(struct text *text, const char *format, ...)
{
    char small[256];
    va_list arguments, again;
    va_start(arguments, format);
    va_copy(again, arguments);
    int length = vsnprintf(small, sizeof small, format, arguments);
    va_end(arguments);
    if (length < 0) {
        text->failed = true;
    } else if ((size_t)length < sizeof small) {
        text_add_bytes(text, small, (size_t)length);
    } else if (make_room(text, (size_t)length)) {
        vsnprintf(text->bytes + text->size, (size_t)length + 1, format, again);
        text->size += (size_t)length;
    }
    va_end(again);
}

void text_add_escaped(struct text *text, const char *string)
{
    for (;;) {
        size_t plain = strcspn(string, "&<>\"'");
        text_add_bytes(text, string, plain);
        string += plain;
        switch (*string++) {
        case '&':
            text_add(text, "&amp;");
            break;
        case '<':
            text_add(text, "&lt;");
            break;
        case '>':
            text_add(text, "&gt;");
            break;
        case '"':
            text_add(text, "&quot;");
            break;
        case '\'':
            text_add(text, "&#39;");
            break;
        default:
            return;
        }
    }
}

bool text_failed(const struct text *text)
{
    return text->failed;
}

char *text_take(struct text *text)
{
    char *bytes = NULL;
    if (make_room(text, 0)) {
        bytes = text->bytes;
        bytes[text->size] = 0;
    } else {
        free(text->bytes);
    }
    *text = (struct text){0};
    return bytes;
}

void text_free(struct text *text)
{
    if (!text)
        return;
    free(text->bytes);
    *text = (struct text){0};
}

const char *text_duration(char buffer[32], double seconds)
{
    enum { SIZE = 32 };
    if (!isfinite(seconds) || fabs(seconds) > 1e12) {
        snprintf(buffer, SIZE, "%s", isnan(seconds) ? "unknown" : "for ever");
        return buffer;
    }
    const char *sign = seconds < 0 ? "-" : "";
    double s = fabs(seconds);
    if (s < 0.9995) {
        /* 0.0005 s and less is nothing that a person waits for, but say so exactly */
        snprintf(buffer, SIZE, "%s%.3g s", s == 0 ? "" : sign, s);
    } else if (s < 59.95) {
        double tenths = rint(s * 10);
        if (fmod(tenths, 10) == 0)
            snprintf(buffer, SIZE, "%s%.0f s", sign, tenths / 10);
        else
            snprintf(buffer, SIZE, "%s%.1f s", sign, tenths / 10);
    } else if (s < 3599.5) {
        long whole = lrint(s);
        snprintf(buffer, SIZE, "%s%ld min %ld s", sign, whole / 60, whole % 60);
    } else if (s < 48 * 3600 - 30) {
        long minutes = lrint(s / 60);
        snprintf(buffer, SIZE, "%s%ld h %ld min", sign, minutes / 60, minutes % 60);
    } else {
        long hours = lrint(s / 3600);
        snprintf(buffer, SIZE, "%s%ld d %ld h", sign, hours / 24, hours % 24);
    }
    return buffer;
}
