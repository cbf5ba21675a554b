/* SPDX-License-Identifier: GPL-3.0-or-later
 * Sessions on the wire: each NAME.log beside this file, played whole and byte by byte,
 * must give NAME.chk. With WETSWEEP_REBUILD=1 in the environment the .chk files are
 * written instead; a commit that changes one says why. Lines of a .log:
 *   # device, firmware, rate, date, who, oddities
 *   | a line of the rig file that stands for the bench
 *   = connect, home, query, halt, halt now, move TAG MM MM/S, dwell TAG S, settle TAG
 *   < bytes that come, with \n \r \t \\ and \xHH; no end of line unless written so
 *   + MILLISECONDS that pass, by the deadlines that the wire itself names
 * Lines of a .chk: '> ' what went out, '  ' events, or what the board's lines mean. */
#include "check.h"

#include "base/file.h"
#include "base/text.h"
#include "motion/axis.h"
#include "rig/decode.h"

#include <dirent.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const int64_t MS = 1000000;

struct session {
    struct axis *axis;       /* or */
    struct decoder *decoder; /* a board's */
    struct rig rig;
    int64_t now_ns;
    size_t piece;
    struct text out;
};

static void tell_events(struct session *session)
{
    struct axis_event event;
    while (axis_next_event(session->axis, &event)) {
        text_format(&session->out, "  %s", axis_event_name(event.kind));
        if (event.tag)
            text_format(&session->out, " %d", (int)event.tag);
        if (!isnan(event.stage_mm))
            text_format(&session->out, " %.4f mm", event.stage_mm);
        if (event.kind == AXIS_POSITION)
            text_format(&session->out, " within %.0f ms",
                        (double)(event.answered_ns - event.asked_ns) / 1e6);
        text_format(&session->out, "%s%s\n", event.text[0] ? ": " : "", event.text);
    }
}

static void hand_out(struct session *session)
{
    char bytes[512];
    size_t size = axis_output(session->axis, bytes, sizeof bytes, session->now_ns);
    for (size_t i = 0; i < size; i++) {
        unsigned char c = (unsigned char)bytes[i];
        if (i == 0 || bytes[i - 1] == '\n')
            text_add(&session->out, "> ");
        if (c == '\n')
            text_add(&session->out, "\n");
        else if (c < 0x20 || c > 0x7e)
            text_format(&session->out, "\\x%02X", c);
        else
            text_add_bytes(&session->out, &bytes[i], 1);
    }
    if (size && bytes[size - 1] != '\n')
        text_add(&session->out, "\n");
    tell_events(session);
}

static size_t unescape(const char *text, char *bytes)
{
    size_t size = 0;
    for (; *text; text++) {
        char c = *text;
        if (c == '\\') {
            c = *++text;
            if (c == 'x') {
                char hex[3] = {text[1], text[2], 0};
                bytes[size++] = (char)strtol(hex, NULL, 16);
                text += 2;
                continue;
            }
            c = (char)(c == 'n' ? '\n' : c == 'r' ? '\r' : c == 't' ? '\t' : c);
        }
        bytes[size++] = c;
    }
    return size;
}

static void hear_board(struct session *session, const char *bytes, size_t size)
{
    for (size_t at = 0; at < size;) {
        bool line;
        struct decoded decoded;
        size_t most = size - at < session->piece ? size - at : session->piece;
        at += decoder_take(session->decoder, bytes + at, most, &line, &decoded);
        if (!line)
            continue;
        if (!decoded.good) {
            text_format(&session->out, "  %s\n", decoded.text);
            continue;
        }
        text_format(&session->out, "  %.6f s", decoded.device_s);
        const struct rig_source *source = &session->rig.sources[0];
        for (size_t i = 0; i < source->channel_count; i++)
            text_format(&session->out, " %s %.10g", source->channels[i].name, decoded.values[i]);
        text_add(&session->out, "\n");
    }
}

static void hear(struct session *session, const char *bytes, size_t size)
{
    if (session->decoder) {
        hear_board(session, bytes, size);
        return;
    }
    for (size_t at = 0; at < size; at += session->piece) {
        size_t most = size - at < session->piece ? size - at : session->piece;
        axis_receive(session->axis, bytes + at, most, session->now_ns);
        tell_events(session);
    }
    hand_out(session);
}

static void wait_ms(struct session *session, int64_t ms)
{
    int64_t end = session->now_ns + ms * MS;
    for (int64_t next; (next = axis_deadline_ns(session->axis)) < end;) {
        if (next <= session->now_ns)
            fail_msg("a deadline has passed and stays");
        session->now_ns = next;
        hand_out(session);
    }
    session->now_ns = end;
    hand_out(session);
}

static void command(struct session *session, const char *words)
{
    struct rig_err err = {.text = ""};
    double first, second;
    unsigned tag;
    int code = RIG_OK;
    if (!strcmp(words, "connect"))
        code = axis_connect(session->axis, &err);
    else if (!strcmp(words, "home"))
        code = axis_home(session->axis, &err);
    else if (!strcmp(words, "query"))
        code = axis_query(session->axis, &err);
    else if (!strncmp(words, "halt", 4))
        axis_halt(session->axis, !strcmp(words, "halt now"));
    else if (sscanf(words, "move %u %lf %lf", &tag, &first, &second) == 3)
        code = axis_move(session->axis, tag, first, second, &err);
    else if (sscanf(words, "dwell %u %lf", &tag, &first) == 2)
        code = axis_dwell(session->axis, tag, first, &err);
    else if (sscanf(words, "settle %u", &tag) == 1)
        code = axis_settle(session->axis, tag, &err);
    else
        fail_msg("no such command: %s", words);
    if (code)
        text_format(&session->out, "  refused: %s\n", err.text);
    hand_out(session);
}

static void open_session(struct session *session, const char *name, const struct text *rig_text)
{
    struct rig_err err;
    struct units *units = units_open(&err);
    assert_non_null(units);
    if (rig_read(&session->rig, name, rig_text->bytes, rig_text->size, units, &err))
        fail_msg("%s", err.text);
    units_close(units);
    if (!strncmp(name, "board", 5))
        session->decoder = decoder_open(&session->rig.sources[0], &err);
    else
        session->axis = axis_open(&session->rig.axis, &err);
    if (!session->decoder && !session->axis)
        fail_msg("%s: %s", name, err.text);
}

/* What the .log at path gives, with bytes that come in pieces; the caller frees. */
static char *play(const char *path, const char *name, size_t piece)
{
    struct session session = {.piece = piece, .now_ns = 1000 * MS};
    struct text rig_text = {0};
    struct rig_err err;
    char *log, bytes[4096];
    size_t size;
    if (file_read(path, 1 << 20, &log, &size, &err))
        fail_msg("%s", err.text);
    char *rest = NULL;
    for (char *line = strtok_r(log, "\n", &rest); line; line = strtok_r(NULL, "\n", &rest)) {
        if (line[0] == '#')
            continue;
        if (line[0] == '|') {
            text_format(&rig_text, "%s\n", line + 1);
            continue;
        }
        if (!session.axis && !session.decoder)
            open_session(&session, name, &rig_text);
        assert_true(line[1] == ' ' && strlen(line) < sizeof bytes);
        if (line[0] == '<')
            hear(&session, bytes, unescape(line + 2, bytes));
        else if (line[0] == '+')
            wait_ms(&session, strtol(line + 2, NULL, 10));
        else if (line[0] == '=')
            command(&session, line + 2);
        else
            fail_msg("%s: '%s' is no line of a log", path, line);
    }
    free(log);
    text_free(&rig_text);
    axis_free(session.axis);
    decoder_free(session.decoder);
    char *out = text_take(&session.out);
    assert_non_null(out);
    return out;
}

static void test_sessions_mean_what_was_written_down(void **state)
{
    (void)state;
    char folder[400], log[800], chk[800];
    const char *top = getenv("WETSWEEP_SOURCE");
    snprintf(folder, sizeof folder, "%s/tests/wire", top ? top : ".");
    DIR *entries = opendir(folder);
    assert_non_null(entries);
    size_t played = 0;
    for (struct dirent *entry; (entry = readdir(entries));) {
        size_t size = strlen(entry->d_name);
        if (size < 5 || strcmp(entry->d_name + size - 4, ".log") != 0)
            continue;
        snprintf(log, sizeof log, "%s/%s", folder, entry->d_name);
        snprintf(chk, sizeof chk, "%s/%.*s.chk", folder, (int)size - 4, entry->d_name);
        struct rig_err err;
        char *whole = play(log, entry->d_name, SIZE_MAX / 2), *expected;
        if (getenv("WETSWEEP_REBUILD")) {
            assert_int_equal(file_replace(chk, whole, strlen(whole), &err), 0);
        } else {
            if (file_read(chk, 1 << 20, &expected, &size, &err))
                fail_msg("%s", err.text);
            if (strcmp(whole, expected) != 0)
                fail_msg("%s now gives:\n%s", log, whole);
            free(expected);
        }
        for (size_t piece = 1; piece <= 9; piece += 4) {
            char *cut = play(log, entry->d_name, piece);
            if (strcmp(cut, whole) != 0)
                fail_msg("%s in pieces of %zu bytes gives:\n%s", log, piece, cut);
            free(cut);
        }
        free(whole);
        played++;
    }
    closedir(entries);
    printf("%zu sessions\n", played);
    assert_true(played >= 5);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_sessions_mean_what_was_written_down),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
