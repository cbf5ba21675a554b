/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "base/err.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>

__attribute__((format(printf, 4, 0))) static void
fill(struct rig_err *err, enum rig_code code, int os_errno, const char *format, va_list arguments)
{
    err->code = code;
    err->os_errno = os_errno;
    int length = vsnprintf(err->text, sizeof err->text, format, arguments);
    if (length < 0)
        snprintf(err->text, sizeof err->text, "an error whose text could not be formatted");
}

int rig_fail_text(struct rig_err *err, enum rig_code code, const char *format, ...)
{
    if (err) {
        va_list arguments;
        va_start(arguments, format);
        fill(err, code, 0, format, arguments);
        va_end(arguments);
    }
    return code;
}

int rig_fail_os_text(struct rig_err *err, int os_errno, const char *format, ...)
{
    enum rig_code code = os_errno == ENOMEM ? RIG_EMEMORY : RIG_EOS;
    if (!err)
        return code;
    va_list arguments;
    va_start(arguments, format);
    fill(err, code, os_errno, format, arguments);
    va_end(arguments);
    size_t length = strlen(err->text);
    snprintf(err->text + length, sizeof err->text - length, ": %s", strerror(os_errno));
    return code;
}

int rig_fail_memory_text(struct rig_err *err, const char *what)
{
    return rig_fail(err, RIG_EMEMORY, "no memory left for %s", what);
}

static const struct {
    const char *name, *actor;
    int status;
} codes[] = {
#define X(code, status, actor) {#code, actor, status},
    RIG_CODES(X)
#undef X
};

static int known(int code)
{
    return code >= 0 && code < RIG_CODE_COUNT;
}

const char *rig_code_name(int code)
{
    return known(code) ? codes[code].name : "?";
}

const char *rig_code_actor(int code)
{
    return known(code) ? codes[code].actor : "?";
}

int rig_code_exit_status(int code)
{
    return known(code) ? codes[code].status : 1;
}
