/* SPDX-License-Identifier: GPL-3.0-or-later
 * The ledger: what was measured when, on which board, with which results. An SQLite
 * file that is made from the recordings and can be made again from them at any time;
 * they stay the truth. Like the recording it is a part of results that touches files.
 *
 * A ledger is used by a job that runs within one transaction, so that several programs
 * may read and write at once. Every row carries a mark of its content; a file that
 * SQLite or a mark finds damaged is moved aside, made anew from the recordings, and the
 * job runs again. docs/ledger.md tells the user of it. */
#ifndef RESULTS_LEDGER_H
#define RESULTS_LEDGER_H

#include "base/err.h"
#include "base/text.h"
#include "results/result.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define LEDGER_FILE_NAME "wetsweep.ledger" /* beside the recordings */

enum {
    LEDGER_VERSION = 1, /* of the tables: user_version of the file */
    LEDGER_HASH_SIZE = 32
};

struct ledger; /* opaque; lives while a job runs */

/* Which recordings. NULL: any. board, revision, coating: exactly these ("" for a coating
 * that wasn't given). since, until: UTC, as much of 2026-04-12T08:00:00Z as matters, both
 * inclusive: until "2026-04" holds all of April. */
struct ledger_filter {
    const char *board, *revision, *coating, *since, *until;
};

/* 0, or RIG_EINPUT when since or until isn't a date or the beginning of one. */
int ledger_filter_check(const struct ledger_filter *filter, struct rig_err *err);

/* One recording as the ledger knows it. Texts are "" where nothing was given. */
struct ledger_entry {
    int64_t number;     /* in this ledger, from 1; stays when it is fitted again */
    const char *folder; /* of the recording; usable from where the program runs */
    /* SHA-256 of its run.json, which holds those of its tables, and of its results.json */
    unsigned char hash[LEDGER_HASH_SIZE], results_hash[LEDGER_HASH_SIZE];
    const char *board, *revision, *coating, *note;
    const char *started;     /* UTC, RFC 3339 */
    const char *state;       /* of the run: "complete" */
    const char *profile;     /* name of the profile */
    const char *version;     /* of the program that fitted */
    const char *verdict;     /* of the last judgement: "pass", "fail", "" for none */
    double water_degc;       /* NaN: not given */
    uint32_t known, refused; /* results with a value, and without */
};

/* 64 hex digits to bytes; false when they aren't that. And back, returned. */
bool ledger_hash_read(unsigned char hash[LEDGER_HASH_SIZE], const char *hex);
const char *ledger_hash_text(char hex[65], const unsigned char hash[LEDGER_HASH_SIZE]);

/* In order of `started`. Zero-initialise; the texts live as long as the list. */
struct ledger_list {
    struct ledger_entry *entries;
    size_t count, room;
    size_t seen;                /* recordings in the whole ledger */
    struct ledger_block *texts; /* private */
};
void ledger_list_free(struct ledger_list *list);

/* The recordings that a filter picks, by a ledger's path: all that a caller needs who
 * then opens the recordings. What happened besides (a damaged file was made anew) is
 * appended to `notice`, a sentence a line. RIG_EINPUT: no such ledger, no ledger. */
int ledger_recordings(struct ledger_list *list, const char *path,
                      const struct ledger_filter *filter, struct text *notice, struct rig_err *err);

/* ---- jobs ---- */

enum ledger_mode {
    LEDGER_READ, /* the ledger must be there */
    LEDGER_WRITE /* it is made when it isn't, from the recordings in its folder */
};
/* May run twice, when the first time finds damage: begin afresh, print nothing. */
typedef int ledger_job(void *context, struct ledger *ledger, struct rig_err *err);

/* Runs the job in one transaction, which is kept when it returns 0 and undone otherwise.
 * Waits up to 20 s for other programs, then RIG_EOS. */
int ledger_use(const char *path, enum ledger_mode mode, ledger_job *job, void *context,
               struct text *notice, struct rig_err *err);

/* Puts in a fitted recording from its run.json and results.json, or renews it. The same
 * recording is there once, however often it was fitted or copied: the latest place counts.
 * RIG_EINPUT: no recording, not fitted, or results of another one. */
int ledger_put(struct ledger *ledger, const char *folder, struct rig_err *err);
/* The same from memory; number, known, refused and verdict of the entry don't count. */
int ledger_add(struct ledger *ledger, const struct ledger_entry *entry,
               const struct result_list *results, struct rig_err *err);

/* list: freed and filled again. */
int ledger_find(struct ledger_list *list, struct ledger *ledger, const struct ledger_filter *filter,
                struct rig_err *err);
/* All results of one recording, by name, without method and budget. *results: freed
 * and filled again. RIG_EINPUT: no such number. */
int ledger_results(struct result_list *results, struct ledger *ledger, int64_t number,
                   struct rig_err *err);

/* One result of many recordings, in order of `started`. Zero-initialise. */
struct ledger_value {
    size_t entry; /* in the list */
    double value; /* NaN: refused, then reason says why */
    double standard_uncertainty, low_95, high_95, degrees_of_freedom;
    const char *reason, *unit, *title; /* owned by the list */
};
struct ledger_series {
    struct ledger_list list;
    struct ledger_value *values;
    size_t count, room;
};
void ledger_series_free(struct ledger_series *series);
/* Recordings of the filter that have this result, refused or not. An unknown name is
 * RIG_EINPUT, with the nearest of the names that the ledger has. */
int ledger_series_of(struct ledger_series *series, struct ledger *ledger, const char *result,
                     const struct ledger_filter *filter, struct rig_err *err);

/* ---- made anew ---- */

struct ledger_tally {
    size_t put, copies, unfitted, unreadable;
    char first_unreadable[400]; /* why */
};
/* Empties the ledger (made when it isn't there) and fills it from the recordings in the
 * folders, at any depth; in one transaction, so that others see the old one or the new one. */
int ledger_rebuild(struct ledger_tally *tally, const char *path, const char *const folders[],
                   size_t folder_count, struct text *notice, struct rig_err *err);

#endif
