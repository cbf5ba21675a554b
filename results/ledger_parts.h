/* SPDX-License-Identifier: GPL-3.0-or-later
 * Between the parts of the ledger; nobody else includes it, but its own tests. */
#ifndef RESULTS_LEDGER_PARTS_H
#define RESULTS_LEDGER_PARTS_H

#include "results/ledger.h"

#include <sqlite3.h>

#include <jansson.h>
#include <stdbool.h>
#include <sys/types.h>

/* Every statement that jobs use, prepared when first asked for. */
#define LEDGER_STATEMENTS(X)                                                                       \
    X(SQL_RECORDINGS, "SELECT number, path, hash, results_hash, board, revision, coating, note, "  \
                      "started, state, profile, version, verdict, water_degc, known, refused, "    \
                      "mark FROM recording")                                                       \
    X(SQL_RECORDING_BY_HASH, "SELECT number, verdict FROM recording WHERE hash = ?1")              \
    X(SQL_RECORDING_BY_PATH, "SELECT number, verdict FROM recording WHERE path = ?1")              \
    X(SQL_DROP_RECORDING, "DELETE FROM recording WHERE number = ?1")                               \
    X(SQL_DROP_RESULTS, "DELETE FROM result WHERE recording = ?1 AND quantity IN "                 \
                        "(SELECT number FROM quantity)")                                           \
    X(SQL_PUT_RECORDING, "INSERT OR REPLACE INTO recording VALUES(?1, ?2, ?3, ?4, ?5, ?6, ?7, "    \
                         "?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17)")                        \
    X(SQL_NEXT_NUMBER, "SELECT coalesce(max(number), 0) + 1 FROM recording")                       \
    X(SQL_QUANTITIES, "SELECT number, name, unit, title, mark FROM quantity")                      \
    X(SQL_PUT_QUANTITY, "INSERT INTO quantity VALUES(?1, ?2, ?3, ?4, ?5)")                         \
    X(SQL_PUT_RESULT, "INSERT INTO result VALUES(?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)")             \
    X(SQL_RESULTS_OF_QUANTITY, "SELECT quantity, recording, value, standard_uncertainty, low_95, " \
                               "high_95, degrees_of_freedom, reason, mark FROM result WHERE "      \
                               "quantity = ?1")                                                    \
    X(SQL_RESULT, "SELECT quantity, recording, value, standard_uncertainty, low_95, high_95, "     \
                  "degrees_of_freedom, reason, mark FROM result WHERE quantity = ?1 AND "          \
                  "recording = ?2")                                                                \
    X(SQL_BEGIN_READ, "BEGIN")                                                                     \
    X(SQL_BEGIN_WRITE, "BEGIN IMMEDIATE")                                                          \
    X(SQL_COMMIT, "COMMIT")                                                                        \
    X(SQL_ROLLBACK, "ROLLBACK")                                                                    \
    X(SQL_EMPTY_RECORDINGS, "DELETE FROM recording")                                               \
    X(SQL_EMPTY_RESULTS, "DELETE FROM result")                                                     \
    X(SQL_EMPTY_QUANTITIES, "DELETE FROM quantity")

enum ledger_statement {
#define X(name, sql) name,
    LEDGER_STATEMENTS(X)
#undef X
        LEDGER_STATEMENT_COUNT
};

/* A result's name with its unit and title: what gain_2 is depends on the profile. */
struct ledger_quantity {
    int64_t number;
    const char *name, *unit, *title; /* in ledger->texts */
};

struct ledger {
    sqlite3 *db;
    char *path; /* as given */
    char *home; /* real path of the folder that it is in */
    bool damaged;
    dev_t device; /* which file was opened */
    ino_t inode;
    sqlite3_stmt *statements[LEDGER_STATEMENT_COUNT];
    struct ledger_quantity *quantities; /* all, once asked for */
    size_t quantity_count, quantity_room;
    bool quantities_known;
    struct ledger_block *texts;
};

/* ---- ledger.c ---- */

/* The statement, reset; NULL and err when it can't be. */
sqlite3_stmt *ledger_statement(struct ledger *ledger, enum ledger_statement which,
                               struct rig_err *err);
/* One step: SQLITE_ROW, SQLITE_DONE, or -1 with err. */
int ledger_step(struct ledger *ledger, sqlite3_stmt *statement, struct rig_err *err);
/* A statement without parameters and rows. */
int ledger_do(struct ledger *ledger, enum ledger_statement which, struct rig_err *err);
/* What SQLite said as our error; notes damage. Never 0. */
int ledger_fail(struct ledger *ledger, int sqlite_code, struct rig_err *err);
/* A row whose mark isn't that of its content. Never 0. */
int ledger_fail_mark(struct ledger *ledger, const char *table, struct rig_err *err);
/* Checks what is in the file: version, tables, and all of its pages when it is small.
 * ledger->damaged is set when it is one that is to be made anew; otherwise an error is the
 * user's, such as the database of another program. */
int ledger_open(struct ledger *ledger, const char *path, struct rig_err *err);
void ledger_close(struct ledger *ledger); /* zeroed allowed */
/* Real path of the folder that a file is in; the caller frees. NULL and errno. */
char *ledger_home(const char *path);
/* operation: LOCK_SH or LOCK_EX; waits. *lock goes to ledger_unlock. */
int ledger_lock(const char *path, int operation, int *lock, struct rig_err *err);
void ledger_unlock(int lock);
/* A new file with empty tables. */
int ledger_make(const char *path, struct rig_err *err);

/* ---- ledger_text.c ---- */

/* A copy that lives until the blocks are freed; NULL: no memory. */
const char *ledger_keep(struct ledger_block **blocks, const char *text);
void ledger_blocks_free(struct ledger_block **blocks);

/* Marks: 64 bits of a row's content. Not against malice: against rot and half-written
 * blocks. NaN is one value, and so is zero. */
uint64_t ledger_mark_text(uint64_t mark, const char *text);
uint64_t ledger_mark_number(uint64_t mark, double value);
uint64_t ledger_mark_whole(uint64_t mark, int64_t value);
/* What each row's mark is made of. */
/* path: in the ledger's folder, or absolute; in place of entry->folder. */
int64_t ledger_mark_recording(const struct ledger_entry *entry, const char *path);
int64_t ledger_mark_quantity(const struct ledger_quantity *quantity);
struct ledger_row { /* of the table `result` */
    int64_t quantity, recording;
    double value, standard_uncertainty, low_95, high_95, degrees_of_freedom;
    const char *reason;
};
int64_t ledger_mark_row(const struct ledger_row *row);

/* ---- ledger_put.c ---- */

/* A fitted recording as its files have it. */
struct ledger_reading {
    struct ledger_entry entry; /* folder: as given, not copied */
    struct result_list results;
    json_t *run, *head;
};
/* On error nothing is kept. */
int ledger_read(struct ledger_reading *reading, const char *folder, struct rig_err *err);
void ledger_reading_free(struct ledger_reading *reading);
int ledger_has(struct ledger *ledger, const unsigned char hash[], bool *there, struct rig_err *err);

/* ---- ledger_find.c ---- */

/* Reads all quantities into the ledger, once. */
int ledger_quantities(struct ledger *ledger, struct rig_err *err);

/* ---- ledger_mend.c ---- */

/* Whether a file was found wrong, and which file that was. */
struct ledger_damage {
    bool found;
    dev_t device;
    ino_t inode;
};

/* Makes a new ledger from the recordings in its folder. With a damage, the file that is
 * there is moved aside first, and the recordings that it still names are looked for too.
 * One process at a time does it; the others find that it is done. damage: NULL when there
 * was no file; why: what was wrong, for the notice. */
int ledger_mend(const char *path, const struct ledger_damage *damage, const char *why,
                struct text *notice, struct rig_err *err);

#endif
