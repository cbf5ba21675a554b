/* SPDX-License-Identifier: GPL-3.0-or-later
 * Numbered items worked on by several threads, each outcome taken in the order of the items: what
 * comes out is the same to the last bit with any number of threads. */
#ifndef RESULTS_IN_ORDER_H
#define RESULTS_IN_ORDER_H

#include "base/err.h"

#include <stdbool.h>
#include <stddef.h>

struct in_order_worker;

struct in_order {
    void *whole;      /* passed on; NULL allowed */
    size_t part_size; /* of what one thread needs for itself, zeroed at first */
    /* Fills a part; what it made is closed by `close`, on error too. NULL: nothing to fill. */
    int (*open)(void *whole, void *part, struct rig_err *err);
    /* One item; several threads at the same time, each with its own part. */
    int (*work)(const void *whole, void *part, size_t item, struct in_order_worker *worker,
                struct rig_err *err);
    /* Right behind the item's work, once the items before it have been taken. Never by two
     * threads at the same time, but while others work. */
    int (*take)(void *whole, void *part, size_t item, struct rig_err *err);
    void (*close)(void *part); /* what is in it; NULL: nothing */
};

/* threads: 0 for as many as there are processors. Returns the first error by number of item, with
 * the items before it taken and none behind it; RIG_EMEMORY; or 0. */
int in_order_run(const struct in_order *job, size_t items, size_t threads, struct rig_err *err);

/* For `work`: waits until all items before its own are taken; until it ends, no other thread takes
 * or passes this. */
void in_order_wait(struct in_order_worker *worker);
/* For `work`: an item before its own has failed, so what it does is of no use. */
bool in_order_stopped(const struct in_order_worker *worker);

#endif
