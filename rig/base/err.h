/* SPDX-License-Identifier: GPL-3.0-or-later
 * One error value for the whole program: who must act, what the operating
 * system said, and a sentence for people. Written where the facts are and
 * passed up unchanged. Includes nothing of ours. */
#ifndef BASE_ERR_H
#define BASE_ERR_H

#include <stdarg.h>

/* code, exit status of the program, who must act */
#define RIG_CODES(X)                                                                               \
    X(RIG_OK, 0, "nobody")                                                                         \
    X(RIG_EBUG, 1, "the authors")                                                                  \
    X(RIG_EINPUT, 2, "whoever wrote the input")                                                    \
    X(RIG_EOS, 1, "whoever runs the machine")                                                      \
    X(RIG_ETIMEOUT, 5, "whoever stands at the bench")                                              \
    X(RIG_EUNPLUGGED, 5, "whoever stands at the bench")                                            \
    X(RIG_EDEVICE, 5, "whoever set up the device")                                                 \
    X(RIG_ELIMIT, 2, "whoever wrote the profile or the rig file")                                  \
    X(RIG_EMEMORY, 1, "whoever runs the machine")                                                  \
    X(RIG_ESTOPPED, 4, "nobody: the user asked for it")                                            \
    X(RIG_EUNKNOWABLE, 1, "whoever plans the measurement")

enum rig_code {
#define X(code, status, actor) code,
    RIG_CODES(X)
#undef X
        RIG_CODE_COUNT
};

struct rig_err {
    enum rig_code code;
    int os_errno;   /* errno at the place of the error, 0 if none */
    char text[512]; /* one sentence, no newline; place first where there is one */
};

/* Fills err (NULL allowed) and returns code, so that callers write
 * `return rig_fail(err, RIG_EINPUT, "...")`. Text that is too long is cut. */
#define rig_fail(...) rig_failed(rig_fail_text(__VA_ARGS__))
int rig_fail_text(struct rig_err *err, enum rig_code code, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

/* A failure never returns 0, whatever code it was given: callers, and tools that read
 * them, may rely on it. */
static inline int rig_failed(int code)
{
    return code ? code : RIG_EBUG;
}

/* The same for a failed system call: appends strerror(os_errno). Pass a saved
 * errno. ENOMEM gives RIG_EMEMORY, everything else RIG_EOS. */
#define rig_fail_os(...) rig_failed(rig_fail_os_text(__VA_ARGS__))
int rig_fail_os_text(struct rig_err *err, int os_errno, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

/* Out of memory while doing `what`. */
#define rig_fail_memory(...) rig_failed(rig_fail_memory_text(__VA_ARGS__))
int rig_fail_memory_text(struct rig_err *err, const char *what);

/* Name of a code ("RIG_EINPUT"), who must act, and the exit status that stands
 * for it (DESIGN: 0 done, 1 failed, 2 usage or bad input, 3 judged and failed,
 * 4 stopped by the user, 5 stopped by a fault). Codes out of range give "?", "?", 1. */
const char *rig_code_name(int code);
const char *rig_code_actor(int code);
int rig_code_exit_status(int code);

#endif
