/* SPDX-License-Identifier: GPL-3.0-or-later
 * The recording: a folder that survives anything (docs/formats.md). Writer and
 * reader live here together, so that one can't change without the other.
 *
 *   run.json           state, who and what, rig and profile text verbatim, plan
 *                      summary, SHA-256 of the other files once it is over
 *   SOURCE.csv         one a source: t_s[,device_s],channel,...
 *   motion.csv         t_s,stroke,depth_mm,reported_mm,bracket_s,segment
 *   strokes.csv        stroke,plan_s,sent_s,accepted_s,ended_s
 *   events.csv         t_s,kind,text
 *   traces/            copies of the files that the profile follows
 *   csv-metadata.json  W3C 'Metadata Vocabulary for Tabular Data'
 *
 * t_s: host, monotonic, seconds since the run's start. This is the one part of
 * results that writes files; it does so through base/file.h. */
#ifndef RESULTS_RECORDING_H
#define RESULTS_RECORDING_H

#include "base/err.h"
#include "motion/plan.h"
#include "motion/rigfile.h"
#include "motion/syncfile.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define RUN_STATES(X)                                                                              \
    X(RUN_RUNNING, "running") /* also what a killed run leaves behind */                           \
    X(RUN_COMPLETE, "complete")                                                                    \
    X(RUN_STOPPED, "stopped") /* by the user */                                                    \
    X(RUN_FAULTED, "faulted")
enum run_state {
#define X(state, word) state,
    RUN_STATES(X)
#undef X
        RUN_STATE_COUNT
};
const char *run_state_name(enum run_state state);

/* Who and what was measured. Strings are borrowed by the writer while it opens and
 * owned by the reader's struct recording. */
struct run_facts {
    const char *board, *revision, *coating, *note; /* "" when not given */
    const char *rig_name, *rig_text;
    const char *controller_name, *controller_text; /* NULL or "": the rig names no file */
    const char *profile_name, *profile_text;
    const char *sync_name, *sync_text; /* NULL or "": no sync file was used */
    const char *started;               /* UTC, RFC 3339 */
    const char *version;               /* of the program */
    double water_degc;                 /* NaN: not given */
};

/* ---- writing: one thread only ---- */

struct recording_writer;
struct recording; /* opaque */

/* Makes the folder (an existing one is RIG_EINPUT that says so) and all files with
 * their headers, run.json with state running. NULL on error, and then no folder
 * stays behind. rig and plan must come from the texts in facts. traces: where the files
 * that the profile follows come from; they are copied for a later fit. NULL when the
 * profile follows none. */
struct recording_writer *recording_create(const char *folder, const struct run_facts *facts,
                                          const struct rig *rig, const struct plan *plan,
                                          const struct plan_files *traces, struct rig_err *err);

/* Where a run that did not complete left off. */
struct recording_left {
    double last_s;        /* time of the latest row of all tables; 0: none */
    size_t stroke;        /* the latest that was begun: its pass is to be repeated */
    size_t whole;         /* strokes that were run whole, from the first on */
    uint64_t cut_bytes;   /* of cut last lines, taken off the files */
    enum run_state state; /* that it was left in; RUN_RUNNING: killed */
};

/* Goes on with a recording that is not complete: takes cut last lines off its tables, notes
 * the seam in run.json (`seams`, docs/formats_recording.md), sets its state to running and takes
 * its hashes away until the end. since_started_s: by the time of day, from the run's start to now;
 * NaN: not known. *at_s: time of the seam, from which on the new rows count: that, where it can be
 * true, else a second after the latest row. facts of the new part: `started` and `version`
 * only. NULL on error, and then the recording is as it was, but for cut lines: RIG_EINPUT when it
 * is complete, another run writes there, or a table is not as run.json has it. */
struct recording_writer *recording_resume(const struct recording *recording,
                                          const struct run_facts *facts, double since_started_s,
                                          struct recording_left *left, double *at_s,
                                          struct rig_err *err);

/* Values beyond NaN are written with up to 9 significant digits, t_s with 6 decimals,
 * NaN (and infinity) as an empty cell. device_s is ignored when the source has no clock.
 * A row whose t_s isn't finite is RIG_EBUG. */
int recording_row(struct recording_writer *writer, size_t source, double t_s, double device_s,
                  const double values[], struct rig_err *err);
/* reported_mm NaN: none. bracket_s: half the gap between question and answer. */
int recording_motion(struct recording_writer *writer, double t_s, size_t stroke, double depth_mm,
                     double reported_mm, double bracket_s, size_t segment, struct rig_err *err);
/* One row a stroke once it has ended (or was cut short: ended_s NaN). */
int recording_stroke(struct recording_writer *writer, size_t stroke, double plan_s, double sent_s,
                     double accepted_s, double ended_s, struct rig_err *err);
/* kind: one word of up to 23 bytes; text may hold anything: bytes beyond ASCII printable,
 * and the backslash, are written as \xHH. */
int recording_event(struct recording_writer *writer, double t_s, const char *kind, const char *text,
                    struct rig_err *err);
/* Writes out all buffers and calls fdatasync on each file that grew. At least once
 * a second. */
int recording_sync(struct recording_writer *writer, struct rig_err *err);
uint64_t recording_size(const struct recording_writer *writer); /* bytes so far */
/* Puts a value (JSON text) under a key of run.json; it is written with the final state.
 * RIG_EBUG when it isn't JSON. */
int recording_note(struct recording_writer *writer, const char *key, const char *json,
                   struct rig_err *err);
/* Syncs, writes the hashes and the final state (with one sentence why), frees.
 * The first error is reported; all that can be saved is. */
int recording_close(struct recording_writer *writer, enum run_state state, const char *why,
                    struct rig_err *err);

/* ---- reading ---- */

/* Reads run.json and makes rig and plan from the texts inside. Works on recordings
 * in every state. RIG_EINPUT with what is wrong and what would be right. */
struct recording *recording_open(const char *folder, struct rig_err *err);
void recording_free(struct recording *recording);
const struct run_facts *recording_facts(const struct recording *recording);
const struct rig *recording_rig(const struct recording *recording);
const struct plan *recording_plan(const struct recording *recording);
/* What was known of axis and boards beforehand; NULL: nothing, or the text inside can't be read
 * or is of another axis. */
const struct sync *recording_known(const struct recording *recording);
enum run_state recording_state(const struct recording *recording);
const char *recording_state_reason(const struct recording *recording);
const char *recording_folder(const struct recording *recording);

/* The board sends a time of its own, and rows have it. */
bool recording_has_clock(const struct rig_source *source);

/* A batch of rows: column-major, columns[c][r]. Column 0 is t_s, 1 device_s where
 * the source has a clock, then the channels in the order of the rig file. Empty
 * cells are NaN. Valid only during the call. */
struct row_batch {
    size_t rows, columns;
    const double *const *values;
    uint64_t first_row; /* number of the first row in the file, from 0 */
};
typedef int row_sink(void *context, const struct row_batch *batch, struct rig_err *err);

/* What a scan passed over, never as data. */
struct scan_report {
    uint64_t rows, malformed, cut_last_line;
    uint64_t backward_times;       /* t_s below the one before; rows are still delivered */
    uint64_t first_malformed_line; /* from 1, the header counts */
    uint64_t unknown_columns;      /* of the file, passed over: not in the rig file */
    uint64_t lines;                /* looked at, the header and blank ones too */
    double first_t_s, last_t_s;    /* of all rows; 0 without any */
};

/* Adds the report of what follows: pieces of one file, or other files. */
void scan_report_add(struct scan_report *report, const struct scan_report *next);

/* Streams a source's rows in batches of fixed size; memory doesn't grow with the
 * file. The sink's non-zero return ends the scan and is returned. *report is added to:
 * zero it before the first use.
 * The same rows as RFC 4180 through libcsv gives (a test proves it), but that a line's
 * end always ends the row, so that a stray quote can't swallow hours. A row is malformed
 * and passed over when its cells are too few or too many, when one isn't a number, or
 * when it has no t_s. A last line without its end was cut off and is passed over too.
 * RIG_EINPUT when a channel of the rig file has no column in the file. */
int recording_scan(const struct recording *recording, size_t source, row_sink *sink, void *context,
                   struct scan_report *report, struct rig_err *err);

/* A sample of a source's rows, in their order: all of a file below 8 MiB, else 16 KiB of each 256;
 * each piece in one batch or a few. As recording_scan else. */
int recording_sample(const struct recording *recording, size_t source, row_sink *sink,
                     void *context, struct rig_err *err);

/* What wants to see all rows of a source, in a pass by several threads. Rows come in parts
 * that follow one another in the file: a thread collects a part by itself, and parts are
 * merged into the whole in the order of the file. Where one part ends and the next begins
 * follows from the file and from `full`, never from the number of threads, so a collector
 * need not be exactly associative to give the same result each time. */
struct row_collector {
    void *whole; /* passed on; NULL allowed */
    /* An empty part, one a thread. NULL on error. */
    void *(*open)(void *whole, struct rig_err *err);
    /* As a row_sink, several threads at the same time, each with its own part;
     * first_row counts from some place near, not from the file's first row. */
    int (*take)(void *part, const struct row_batch *batch, struct rig_err *err);
    /* Asked after each batch: true when the part has grown so large that it should be merged
     * before it goes on. NULL: never. */
    bool (*full)(const void *part);
    /* Adds the part, which follows what was merged before, and empties it. Never by two
     * threads at the same time, but while others take. */
    int (*merge)(void *whole, void *part, struct rig_err *err);
    void (*close)(void *part); /* frees; merged or not */
};
enum { ROW_COLLECTOR_LIMIT = 8 };

/* Streams a source's rows once, to all collectors. threads: 0 for as many as there are
 * processors; at most 8 are used. Memory: what the parts take and 0.5 MiB a thread. A
 * non-zero return of a collector ends the pass and is returned; of several the one that
 * is first in the file. *report as of recording_scan. */
int recording_pass(const struct recording *recording, size_t source, size_t threads,
                   const struct row_collector collectors[], size_t count,
                   struct scan_report *report, struct rig_err *err);

/* The same on a piece of a file in memory, pure: used by the scan and the fuzz
 * target. Parses whole lines of bytes[0..size), without a header; *used is where the
 * last whole line ended. *report counts on from call to call: zero it before the first.
 * columns: 1 to 256. */
int recording_parse(const char *bytes, size_t size, size_t columns, row_sink *sink, void *context,
                    size_t *used, struct scan_report *report, struct rig_err *err);

struct motion_row {
    double t_s, depth_mm, reported_mm, bracket_s;
    uint32_t stroke, segment;
};
struct stroke_row {
    uint32_t stroke;
    double plan_s, sent_s, accepted_s, ended_s;
};
struct event_row {
    double t_s;
    char kind[24];
    char *text; /* as written: \xHH for bytes that aren't printable ASCII, and for \ */
};
/* Whole tables, malloc'd (motion and strokes are small against the sources); the
 * caller frees with free(), events with the call below. *report is added to. */
int recording_motion_rows(const struct recording *recording, struct motion_row **rows,
                          size_t *count, struct scan_report *report, struct rig_err *err);
int recording_stroke_rows(const struct recording *recording, struct stroke_row **rows,
                          size_t *count, struct scan_report *report, struct rig_err *err);
int recording_event_rows(const struct recording *recording, struct event_row **rows, size_t *count,
                         struct scan_report *report, struct rig_err *err);
void recording_event_rows_free(struct event_row *rows, size_t count);

#endif
