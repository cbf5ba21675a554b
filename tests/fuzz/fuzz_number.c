/* SPDX-License-Identifier: GPL-3.0-or-later
 * Numbers: whatever is taken equals strtod's answer, and survives being written. */
#include "base/number.h"

#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void require(bool holds, const char *what)
{
    if (holds)
        return;
    fprintf(stderr, "%s\n", what);
    abort();
}

static void check_decimal(const char *text, size_t size)
{
    double value = 99, back = 99;
    const char *why = NULL;
    char *copy = malloc(size + 1), buffer[32], *end;
    require(copy != NULL, "no memory");
    memcpy(copy, text, size);
    copy[size] = 0;
    double expected = strtod(copy, &end);
    bool plain = strlen(copy) == size && strspn(copy, "0123456789+-.eE") == size;
    if (rig_number(text, size, &value, &why)) {
        require(plain && end == copy + size, "taken, but not by strtod");
        require(memcmp(&value, &expected, sizeof value) == 0, "not rounded as by strtod");
        size_t length = rig_number_text(buffer, value);
        require(length < 32 && rig_number(buffer, length, &back, NULL), "can't be read back");
        require(memcmp(&value, &back, sizeof value) == 0, "reads back as another number");
    } else {
        require(why != NULL && value == 99, "refused without a reason");
        require(!(plain && size && end == copy + size && isfinite(expected)),
                "refused, but a number to strtod");
    }
    free(copy);
}

static void check_whole(const char *text, size_t size)
{
    int64_t value = 99;
    const char *why = NULL;
    if (!rig_whole_number(text, size, -1000, INT64_MAX, &value, &why)) {
        require(why != NULL && value == 99, "refused without a reason");
        return;
    }
    char *copy = malloc(size + 1);
    require(copy != NULL, "no memory");
    memcpy(copy, text, size);
    copy[size] = 0;
    require(strtoll(copy, NULL, 10) == value && value >= -1000, "not what strtoll reads");
    free(copy);
}

/* Eight bytes are also a double to be written. */
static void check_text(const uint8_t *data)
{
    double value, back = 99;
    char buffer[32];
    memcpy(&value, data, sizeof value);
    size_t length = rig_number_text(buffer, value);
    require(length < 32 && strlen(buffer) == length, "too long");
    if (!isfinite(value))
        return;
    require(rig_number(buffer, length, &back, NULL), "can't be read back");
    require(memcmp(&value, &back, sizeof value) == 0, "reads back as another number");
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    check_decimal((const char *)data, size);
    check_whole((const char *)data, size);
    if (size == 8)
        check_text(data);
    return 0;
}
