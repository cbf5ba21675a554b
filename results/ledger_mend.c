/* SPDX-License-Identifier: GPL-3.0-or-later
 * A ledger made anew from the recordings: when there is none, when it is damaged, when
 * the user asks for it. */
#include "results/ledger_parts.h"

#include "base/file.h"

#include <dirent.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

enum { DEPTH_LIMIT = 16, ASIDE_LIMIT = 1000 };

/* ---- folders that may be recordings ---- */

struct places {
    char **paths;
    size_t count, room;
};

static void places_free(struct places *places)
{
    for (size_t i = 0; i < places->count; i++)
        free(places->paths[i]);
    free(places->paths);
    *places = (struct places){0};
}

/* Takes the path over, also when it fails. */
static int add_place(struct places *places, char *path, struct rig_err *err)
{
    if (path && places->count == places->room) {
        size_t room = places->room ? 2 * places->room : 64;
        char **larger = realloc(places->paths, room * sizeof *larger);
        if (larger) {
            places->paths = larger;
            places->room = room;
        }
    }
    if (!path || places->count == places->room) {
        free(path);
        return rig_fail_memory(err, "the list of recordings");
    }
    places->paths[places->count++] = path;
    return RIG_OK;
}

static bool holds(const char *folder, const char *name)
{
    struct stat status;
    char *path = file_join(folder, name);
    bool found = path && stat(path, &status) == 0 && S_ISREG(status.st_mode);
    free(path);
    return found;
}

/* Recordings in a folder, and in folders in it down to `depth` more levels. Symbolic links
 * are followed only when they lead to a recording, so that no circle is walked. */
static int look_into(struct places *places, const char *folder, int depth, struct rig_err *err)
{
    DIR *listing = opendir(folder);
    if (!listing)
        return depth == DEPTH_LIMIT ? rig_fail_os(err, errno, "%s: can't be looked into", folder)
                                    : RIG_OK; /* one that isn't ours to read */
    int code = RIG_OK;
    for (struct dirent *entry; !code && (entry = readdir(listing));) {
        struct stat status;
        if (entry->d_name[0] == '.')
            continue;
        char *path = file_join(folder, entry->d_name);
        if (!path) {
            code = rig_fail_memory(err, "a path");
            break;
        }
        bool there = stat(path, &status) == 0 && S_ISDIR(status.st_mode);
        if (there && holds(path, "run.json")) {
            code = add_place(places, path, err);
            continue;
        }
        if (there && depth > 0 && lstat(path, &status) == 0 && S_ISDIR(status.st_mode))
            code = look_into(places, path, depth - 1, err);
        free(path);
    }
    closedir(listing);
    return code;
}

static int by_name(const void *a, const void *b)
{
    return strcmp(*(char *const *)a, *(char *const *)b);
}

/* ---- filling ---- */

/* What can't be read is counted and passed over; the rest of a ledger is worth having. */
static int fill(struct ledger *ledger, const struct places *places, struct ledger_tally *tally,
                struct rig_err *err)
{
    int code = RIG_OK;
    for (size_t i = 0; !code && i < places->count; i++) {
        const char *folder = places->paths[i];
        struct ledger_reading reading;
        struct rig_err why = {0};
        if ((i && strcmp(folder, places->paths[i - 1]) == 0) || !holds(folder, "run.json"))
            continue;
        if (!holds(folder, "results.json")) {
            tally->unfitted++;
        } else if (ledger_read(&reading, folder, &why)) {
            if (!tally->unreadable++)
                snprintf(tally->first_unreadable, sizeof tally->first_unreadable, "%.399s",
                         why.text);
            if (why.code == RIG_EMEMORY)
                code = rig_fail_memory(err, "a recording");
        } else {
            bool there = false;
            code = ledger_has(ledger, reading.entry.hash, &there, err);
            if (!code && !there)
                code = ledger_add(ledger, &reading.entry, &reading.results, err);
            if (!code)
                there ? tally->copies++ : tally->put++;
            ledger_reading_free(&reading);
        }
    }
    return code;
}

/* ---- moving aside ---- */

/* The file and what SQLite keeps beside it. The name is new, so nothing is lost twice. */
static int move_aside(const char *path, char **aside, struct rig_err *err)
{
    static const char *const tails[] = {"", "-journal", "-wal", "-shm"};
    size_t room = strlen(path) + 40;
    char *from = malloc(room), *to = malloc(room);
    struct stat status;
    int number = 1, code = from && to ? RIG_OK : rig_fail_memory(err, "a path");
    if (!code)
        do
            snprintf(to, room, "%s.damaged-%d", path, number);
        while (lstat(to, &status) == 0 && number++ < ASIDE_LIMIT);
    if (!code && number > ASIDE_LIMIT)
        code = rig_fail(err, RIG_EOS,
                        "%s: %d damaged ones lie beside it; look into it and remove "
                        "them",
                        path, ASIDE_LIMIT);
    for (size_t i = 0; !code && i < sizeof tails / sizeof *tails; i++) {
        snprintf(from, room, "%s%s", path, tails[i]);
        snprintf(to, room, "%s.damaged-%d%s", path, number, tails[i]);
        if (rename(from, to) && errno != ENOENT)
            code = rig_fail_os(err, errno, "%s: can't be moved aside", from);
    }
    if (!code)
        snprintf(to, room, "%s.damaged-%d", path, number);
    free(from);
    if (code) {
        free(to);
        to = NULL;
    }
    *aside = to;
    return code;
}

/* Where the damaged file says that recordings are: only hints where to look. */
static int salvage(struct places *places, const char *path, const char *home, struct rig_err *err)
{
    sqlite3 *db = NULL;
    sqlite3_stmt *statement = NULL;
    int code = RIG_OK;
    if (sqlite3_open_v2(path, &db, SQLITE_OPEN_READONLY, NULL) == SQLITE_OK &&
        sqlite3_prepare_v2(db, "SELECT path FROM recording", -1, &statement, NULL) == SQLITE_OK)
        while (!code && sqlite3_step(statement) == SQLITE_ROW) {
            const char *named = (const char *)sqlite3_column_text(statement, 0);
            if (named && *named)
                code =
                    add_place(places, *named == '/' ? strdup(named) : file_join(home, named), err);
        }
    sqlite3_finalize(statement);
    sqlite3_close(db);
    return code;
}

/* ---- anew ---- */

static int fill_job(struct ledger *ledger, const struct places *places, struct ledger_tally *tally,
                    struct rig_err *err)
{
    int code = ledger_do(ledger, SQL_BEGIN_WRITE, err);
    if (!code)
        code = fill(ledger, places, tally, err);
    return code ? code : ledger_do(ledger, SQL_COMMIT, err);
}

/* A whole new file beside the place. *fresh: its path, which the caller frees. */
static int make_beside(const char *path, const struct places *places, struct ledger_tally *tally,
                       char **fresh, struct rig_err *err)
{
    size_t room = strlen(path) + 16;
    struct ledger ledger = {0};
    *fresh = malloc(room);
    if (!*fresh)
        return rig_fail_memory(err, "a path");
    snprintf(*fresh, room, "%s.new-journal", path); /* what a power cut left behind */
    unlink(*fresh);
    snprintf(*fresh, room, "%s.new", path);
    unlink(*fresh);
    int code = ledger_make(*fresh, err);
    if (!code && places->count) {
        code = ledger_open(&ledger, *fresh, err);
        if (!code)
            code = fill_job(&ledger, places, tally, err);
        ledger_close(&ledger);
    }
    if (code)
        unlink(*fresh);
    return code;
}

static void tell(struct text *notice, const char *path, const char *aside, const char *why,
                 const struct ledger_tally *tally)
{
    if (!notice)
        return;
    if (aside)
        text_format(notice, "%s; it was moved to %s, and made anew from %zu recording%s", why,
                    aside, tally->put, tally->put == 1 ? "" : "s");
    else if (tally->put > 1)
        text_format(notice, "%s was made, with the %zu recordings beside it", path, tally->put);
    else
        return;
    if (tally->unreadable)
        text_format(notice, " (%zu can't be read: %s)", tally->unreadable, tally->first_unreadable);
    text_add(notice, "\n");
}

/* Under the lock. The new file is whole before the old one moves. */
static int mend_locked(const char *path, const struct ledger_damage *damage, const char *why,
                       bool empty, struct text *notice, struct rig_err *err)
{
    struct places places = {0};
    struct ledger_tally tally = {0};
    struct stat status;
    char *aside = NULL, *fresh = NULL, *home = ledger_home(path);
    bool there = lstat(path, &status) == 0;
    int code = home ? RIG_OK : rig_fail_memory(err, "a path");
    if (there && (!damage || status.st_ino != damage->inode || status.st_dev != damage->device)) {
        free(home); /* another process was here first */
        return code;
    }
    if (!code && !empty)
        code = look_into(&places, home, 0, err);
    if (!code && there)
        code = salvage(&places, path, home, err);
    if (!code && places.count)
        qsort(places.paths, places.count, sizeof *places.paths, by_name);
    if (!code)
        code = make_beside(path, &places, &tally, &fresh, err);
    if (!code && there)
        code = move_aside(path, &aside, err);
    if (!code && rename(fresh, path))
        code = rig_fail_os(err, errno, "%s: can't be written", path);
    if (!code)
        code = file_sync_name(path, err);
    if (!code)
        tell(notice, path, aside, why, &tally);
    places_free(&places);
    free(aside);
    free(fresh);
    free(home);
    return code;
}

int ledger_mend(const char *path, const struct ledger_damage *damage, const char *why,
                struct text *notice, struct rig_err *err)
{
    int lock, code = ledger_lock(path, LOCK_EX, &lock, err);
    if (code)
        return code;
    code = mend_locked(path, damage, why, false, notice, err);
    ledger_unlock(lock);
    return code;
}

/* ---- by wish ---- */

struct rebuild {
    const struct places *places;
    struct ledger_tally *tally;
};

static int rebuild_job(void *context, struct ledger *ledger, struct rig_err *err)
{
    const struct rebuild *rebuild = context;
    *rebuild->tally = (struct ledger_tally){0};
    ledger->quantity_count = 0;
    ledger->quantities_known = false;
    static const enum ledger_statement empty[] = {SQL_EMPTY_RESULTS, SQL_EMPTY_QUANTITIES,
                                                  SQL_EMPTY_RECORDINGS};
    for (size_t i = 0; i < sizeof empty / sizeof *empty; i++) {
        int code = ledger_do(ledger, empty[i], err);
        if (code)
            return code;
    }
    return fill(ledger, rebuild->places, rebuild->tally, err);
}

/* Empty, as it is about to be filled. */
static int make_if_absent(const char *path, struct rig_err *err)
{
    struct stat status;
    if (!*path || stat(path, &status) == 0 || errno != ENOENT)
        return RIG_OK;
    int lock, code = ledger_lock(path, LOCK_EX, &lock, err);
    if (code)
        return code;
    code = mend_locked(path, NULL, "", true, NULL, err);
    ledger_unlock(lock);
    return code;
}

int ledger_rebuild(struct ledger_tally *tally, const char *path, const char *const folders[],
                   size_t folder_count, struct text *notice, struct rig_err *err)
{
    struct places places = {0};
    struct rebuild rebuild = {.places = &places, .tally = tally};
    int code = RIG_OK;
    for (size_t i = 0; !code && i < folder_count; i++) {
        if (holds(folders[i], "run.json"))
            code = add_place(&places, strdup(folders[i]), err);
        else
            code = look_into(&places, folders[i], DEPTH_LIMIT, err);
    }
    if (places.count)
        qsort(places.paths, places.count, sizeof *places.paths, by_name);
    if (!code)
        code = make_if_absent(path, err);
    if (!code)
        code = ledger_use(path, LEDGER_WRITE, rebuild_job, &rebuild, notice, err);
    places_free(&places);
    return code;
}
