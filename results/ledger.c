/* SPDX-License-Identifier: GPL-3.0-or-later
 * The ledger's file: its tables, opening and checking it, statements, and jobs. */
#include "results/ledger_parts.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

enum {
    APPLICATION = 0x77737770, /* application_id of the file */
    BUSY_MS = 20000,
    /* Up to this size every opening reads the whole file (integrity_check), which then
     * takes up to some 30 ms; beyond it, damage is found in what a job reads. */
    CHECK_ALL_BYTES = 4 * 1024 * 1024
};

static const char *const TABLES[] = {
    "CREATE TABLE recording(number INTEGER PRIMARY KEY, path TEXT NOT NULL UNIQUE, "
    "hash BLOB NOT NULL UNIQUE, results_hash BLOB NOT NULL, board TEXT NOT NULL, "
    "revision TEXT NOT NULL, coating TEXT NOT NULL, note TEXT NOT NULL, started TEXT NOT NULL, "
    "state TEXT NOT NULL, profile TEXT NOT NULL, version TEXT NOT NULL, verdict TEXT NOT NULL, "
    "water_degc REAL, known INTEGER NOT NULL, refused INTEGER NOT NULL, "
    "mark INTEGER NOT NULL) STRICT",
    "CREATE TABLE quantity(number INTEGER PRIMARY KEY, name TEXT NOT NULL, unit TEXT NOT NULL, "
    "title TEXT NOT NULL, mark INTEGER NOT NULL, UNIQUE(name, unit, title)) STRICT",
    /* Clustered by quantity: a trend reads one stretch of the file. */
    "CREATE TABLE result(quantity INTEGER NOT NULL, recording INTEGER NOT NULL, value REAL, "
    "standard_uncertainty REAL, low_95 REAL, high_95 REAL, degrees_of_freedom REAL, "
    "reason TEXT NOT NULL, mark INTEGER NOT NULL, PRIMARY KEY(quantity, recording)) "
    "STRICT, WITHOUT ROWID",
};
enum { TABLE_COUNT = sizeof TABLES / sizeof *TABLES };

static const char *const SQL[] = {
#define X(name, sql) sql,
    LEDGER_STATEMENTS(X)
#undef X
};

int ledger_fail(struct ledger *ledger, int sqlite_code, struct rig_err *err)
{
    const char *said = ledger->db ? sqlite3_errmsg(ledger->db) : sqlite3_errstr(sqlite_code);
    switch (sqlite_code & 0xff) {
    case SQLITE_NOMEM:
        return rig_fail_memory(err, "the ledger");
    case SQLITE_BUSY:
    case SQLITE_LOCKED:
        return rig_fail(err, RIG_EOS, "%s: another program has been writing to it for %d s",
                        ledger->path, BUSY_MS / 1000);
    case SQLITE_FULL:
        return rig_fail(err, RIG_EOS, "%s: the disk is full", ledger->path);
    case SQLITE_READONLY:
    case SQLITE_PERM:
    case SQLITE_CANTOPEN:
    case SQLITE_IOERR:
    case SQLITE_INTERRUPT:
        return rig_fail(err, RIG_EOS, "%s: %s", ledger->path, said);
    default: /* our statements are right, so what they meet is not */
        ledger->damaged = true;
        return rig_fail(err, RIG_EOS, "%s: is damaged: %s", ledger->path, said);
    }
}

int ledger_fail_mark(struct ledger *ledger, const char *table, struct rig_err *err)
{
    ledger->damaged = true;
    return rig_fail(err, RIG_EOS, "%s: is damaged: a row of '%s' isn't what was written",
                    ledger->path, table);
}

sqlite3_stmt *ledger_statement(struct ledger *ledger, enum ledger_statement which,
                               struct rig_err *err)
{
    sqlite3_stmt **slot = &ledger->statements[which];
    if (*slot) {
        sqlite3_reset(*slot);
        return *slot;
    }
    int code =
        sqlite3_prepare_v3(ledger->db, SQL[which], -1, SQLITE_PREPARE_PERSISTENT, slot, NULL);
    if (code != SQLITE_OK)
        ledger_fail(ledger, code, err);
    return *slot;
}

int ledger_step(struct ledger *ledger, sqlite3_stmt *statement, struct rig_err *err)
{
    int code = sqlite3_step(statement);
    if (code == SQLITE_ROW || code == SQLITE_DONE)
        return code;
    ledger_fail(ledger, code, err);
    return -1;
}

int ledger_do(struct ledger *ledger, enum ledger_statement which, struct rig_err *err)
{
    sqlite3_stmt *statement = ledger_statement(ledger, which, err);
    if (!statement)
        return rig_failed(err ? (int)err->code : RIG_EOS);
    int code = ledger_step(ledger, statement, err);
    sqlite3_reset(statement);
    return code < 0 ? rig_failed(err ? (int)err->code : RIG_EOS) : RIG_OK;
}

/* ---- opening ---- */

void ledger_close(struct ledger *ledger)
{
    for (size_t i = 0; i < LEDGER_STATEMENT_COUNT; i++)
        sqlite3_finalize(ledger->statements[i]);
    sqlite3_close(ledger->db);
    ledger_blocks_free(&ledger->texts);
    free(ledger->quantities);
    free(ledger->path);
    free(ledger->home);
    *ledger = (struct ledger){0};
}

char *ledger_home(const char *path)
{
    char *folder = strdup(path);
    char *slash = folder ? strrchr(folder, '/') : NULL;
    if (slash)
        slash[slash == folder] = 0;
    char *home = folder ? realpath(slash ? folder : ".", NULL) : NULL;
    free(folder);
    return home;
}

/* Whoever uses the file holds a shared lock on its folder, whoever puts another file in its
 * place an exclusive one. Otherwise a writer that still has the old file open would leave a
 * journal under the name of the new one, which SQLite then rolls back into it. */
int ledger_lock(const char *path, int operation, int *lock, struct rig_err *err)
{
    char *home = ledger_home(path);
    *lock = -1;
    if (!home)
        return errno == ENOMEM ? rig_fail_memory(err, "the ledger")
                               : rig_fail(err, RIG_EINPUT,
                                          "%s: the folder that it belongs in isn't there", path);
    int code = RIG_OK;
    *lock = open(home, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    while (*lock >= 0 && !code && flock(*lock, operation))
        if (errno == EBADF || errno == ENOLCK || errno == EOPNOTSUPP || errno == ENOSYS)
            break; /* a file system that has no such locks: SQLite's own must do */
        else if (errno != EINTR)
            code = rig_fail_os(err, errno, "%s: can't be locked", home);
    if (*lock < 0)
        code = rig_fail_os(err, errno, "%s: can't be opened", home);
    free(home);
    if (code)
        ledger_unlock(*lock);
    return code;
}

void ledger_unlock(int lock)
{
    if (lock >= 0)
        close(lock);
}

static int connect(struct ledger *ledger, const char *path, int flags, struct rig_err *err)
{
    ledger->path = strdup(path);
    ledger->home = ledger_home(path);
    if (!ledger->path)
        return rig_fail_memory(err, "the ledger");
    if (!ledger->home)
        return errno == ENOMEM ? rig_fail_memory(err, "the ledger")
                               : rig_fail(err, RIG_EINPUT,
                                          "%s: the folder that it belongs in isn't there", path);
    struct stat status;
    if (stat(path, &status) == 0) {
        ledger->device = status.st_dev;
        ledger->inode = status.st_ino;
    }
    int code = sqlite3_open_v2(path, &ledger->db, flags | SQLITE_OPEN_NOMUTEX, NULL);
    if (code != SQLITE_OK)
        return ledger_fail(ledger, code, err);
    sqlite3_busy_timeout(ledger->db, BUSY_MS);
    sqlite3_db_config(ledger->db, SQLITE_DBCONFIG_DEFENSIVE, 1, NULL);
    sqlite3_db_config(ledger->db, SQLITE_DBCONFIG_TRUSTED_SCHEMA, 0, NULL);
    code = sqlite3_exec(ledger->db, "PRAGMA cell_size_check = ON", NULL, NULL, NULL);
    return code == SQLITE_OK ? RIG_OK : ledger_fail(ledger, code, err);
}

/* The first column of the first row of a statement, as text into `to`. */
static int ask(struct ledger *ledger, const char *sql, char *to, size_t room, struct rig_err *err)
{
    sqlite3_stmt *statement = NULL;
    int code = sqlite3_prepare_v2(ledger->db, sql, -1, &statement, NULL);
    if (code == SQLITE_OK)
        code = sqlite3_step(statement);
    if (code == SQLITE_ROW)
        snprintf(to, room, "%s", (const char *)sqlite3_column_text(statement, 0));
    int failed = code == SQLITE_ROW ? RIG_OK : ledger_fail(ledger, code, err);
    sqlite3_finalize(statement);
    return failed;
}

/* The tables that are there are those that this version makes, word for word. */
static int check_tables(struct ledger *ledger, struct rig_err *err)
{
    sqlite3_stmt *statement = NULL;
    bool right = true;
    size_t at = 0;
    int code = sqlite3_prepare_v2(
        ledger->db, "SELECT sql FROM sqlite_schema WHERE sql IS NOT NULL ORDER BY rowid", -1,
        &statement, NULL);
    while (code == SQLITE_OK || code == SQLITE_ROW) {
        code = sqlite3_step(statement);
        if (code != SQLITE_ROW)
            break;
        const char *sql = (const char *)sqlite3_column_text(statement, 0);
        right = right && at < TABLE_COUNT && sql && strcmp(sql, TABLES[at]) == 0;
        at++;
    }
    int failed = code == SQLITE_DONE ? RIG_OK : ledger_fail(ledger, code, err);
    sqlite3_finalize(statement);
    if (failed || (right && at == TABLE_COUNT))
        return failed;
    ledger->damaged = true;
    return rig_fail(err, RIG_EOS, "%s: is damaged: its tables aren't those of a ledger",
                    ledger->path);
}

static bool named_as_ledger(const char *path)
{
    size_t size = strlen(path);
    return size >= 7 && strcmp(path + size - 7, ".ledger") == 0;
}

/* What isn't ours is not to be moved away, however broken. */
static int check_owner(struct ledger *ledger, struct rig_err *err)
{
    char application[32] = "", version[32] = "";
    int code = ask(ledger, "PRAGMA application_id", application, sizeof application, err);
    if (!code)
        code = ask(ledger, "PRAGMA user_version", version, sizeof version, err);
    if (code) {
        if (!ledger->damaged || named_as_ledger(ledger->path))
            return code;
        ledger->damaged = false;
        return rig_fail(err, RIG_EINPUT,
                        "%s: isn't a ledger; if it was one, move it away and run 'wetsweep ledger "
                        "rebuild FOLDER'",
                        ledger->path);
    }
    long number = strtol(version, NULL, 10);
    if (strtol(application, NULL, 10) != APPLICATION && !named_as_ledger(ledger->path))
        return rig_fail(err, RIG_EINPUT, "%s: is the database of another program, not a ledger",
                        ledger->path);
    if (strtol(application, NULL, 10) == APPLICATION && number > LEDGER_VERSION)
        return rig_fail(err, RIG_EINPUT,
                        "%s: was written by a newer wetsweep (tables of version %ld, this one "
                        "knows %d); use that one, or move the file away and run 'wetsweep ledger "
                        "rebuild FOLDER'",
                        ledger->path, number, LEDGER_VERSION);
    if (strtol(application, NULL, 10) == APPLICATION && number == LEDGER_VERSION)
        return RIG_OK;
    ledger->damaged = true;
    return rig_fail(err, RIG_EOS, "%s: is of an older version or damaged", ledger->path);
}

static int check_pages(struct ledger *ledger, struct rig_err *err)
{
    struct stat status;
    char said[160] = "";
    if (stat(ledger->path, &status) || status.st_size > CHECK_ALL_BYTES)
        return RIG_OK;
    int code = ask(ledger, "PRAGMA integrity_check(1)", said, sizeof said, err);
    if (code || strcmp(said, "ok") == 0)
        return code;
    ledger->damaged = true;
    said[strcspn(said, "\n")] = 0;
    return rig_fail(err, RIG_EOS, "%s: is damaged: %s", ledger->path, said);
}

int ledger_open(struct ledger *ledger, const char *path, struct rig_err *err)
{
    int code = connect(ledger, path, SQLITE_OPEN_READWRITE, err);
    if (!code)
        code = check_owner(ledger, err);
    if (!code)
        code = check_tables(ledger, err);
    return code ? code : check_pages(ledger, err);
}

int ledger_make(const char *path, struct rig_err *err)
{
    struct ledger ledger = {0};
    char sql[128];
    int code = connect(&ledger, path, SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE, err);
    snprintf(sql, sizeof sql, "BEGIN; PRAGMA application_id = %d; PRAGMA user_version = %d",
             APPLICATION, LEDGER_VERSION);
    if (!code && sqlite3_exec(ledger.db, sql, NULL, NULL, NULL) != SQLITE_OK)
        code = ledger_fail(&ledger, sqlite3_extended_errcode(ledger.db), err);
    for (size_t i = 0; !code && i < TABLE_COUNT; i++)
        if (sqlite3_exec(ledger.db, TABLES[i], NULL, NULL, NULL) != SQLITE_OK)
            code = ledger_fail(&ledger, sqlite3_extended_errcode(ledger.db), err);
    if (!code && sqlite3_exec(ledger.db, "COMMIT", NULL, NULL, NULL) != SQLITE_OK)
        code = ledger_fail(&ledger, sqlite3_extended_errcode(ledger.db), err);
    ledger_close(&ledger);
    return code;
}

/* ---- jobs ---- */

static int run_job(struct ledger *ledger, enum ledger_mode mode, ledger_job *job, void *context,
                   struct rig_err *err)
{
    struct rig_err later;
    int code = ledger_do(ledger, mode == LEDGER_READ ? SQL_BEGIN_READ : SQL_BEGIN_WRITE, err);
    if (code)
        return code;
    code = job(context, ledger, err);
    if (!code)
        code = ledger_do(ledger, SQL_COMMIT, err);
    if (code)
        ledger_do(ledger, SQL_ROLLBACK, &later);
    return code;
}

static int missing(const char *path, struct rig_err *err)
{
    return rig_fail(err, RIG_EINPUT,
                    "%s: there is no ledger; 'wetsweep fit' makes one beside the recording, and "
                    "'wetsweep ledger rebuild FOLDER' from those of a folder",
                    path);
}

/* Opens and runs, under the lock. *damage is filled when the file is to be made anew;
 * *absent when there is none. */
static int try_job(const char *path, enum ledger_mode mode, ledger_job *job, void *context,
                   struct ledger_damage *damage, bool *absent, struct rig_err *err)
{
    struct ledger ledger = {0};
    struct stat status;
    int lock, code = ledger_lock(path, LOCK_SH, &lock, err);
    if (code)
        return code;
    *absent = stat(path, &status) && errno == ENOENT;
    if (*absent)
        code = missing(path, err);
    if (!code)
        code = ledger_open(&ledger, path, err);
    if (!code)
        code = run_job(&ledger, mode, job, context, err);
    *damage = (struct ledger_damage){ledger.damaged, ledger.device, ledger.inode};
    ledger_close(&ledger);
    ledger_unlock(lock);
    return code;
}

int ledger_use(const char *path, enum ledger_mode mode, ledger_job *job, void *context,
               struct text *notice, struct rig_err *err)
{
    if (!*path || *path == ':') /* SQLite's names for what is no file */
        return rig_fail(err, RIG_EINPUT, "'%s' can't be the name of a ledger", path);
    for (int attempt = 0;; attempt++) {
        struct ledger_damage damage = {0};
        struct rig_err why = {0};
        bool absent = false;
        int code = try_job(path, mode, job, context, &damage, &absent, &why);
        bool anew = damage.found || (absent && mode == LEDGER_WRITE);
        if (!anew || attempt == 2) { /* what is anew damaged at once is beyond us */
            if (code && err)
                *err = why;
            return code;
        }
        code = ledger_mend(path, damage.found ? &damage : NULL, why.text, notice, err);
        if (code)
            return code;
    }
}
