/* SPDX-License-Identifier: GPL-3.0-or-later
 * A bounded queue of bytes between one thread that puts records in and one that
 * takes them out: no locks, no system calls, and a full ring is told, never waited
 * for. Records keep their order and lie in one piece each. */
#ifndef RIG_RING_H
#define RIG_RING_H

#include "base/err.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct ring;

/* room: bytes, rounded up to a power of two, at least 4096. NULL: no memory. */
struct ring *ring_open(size_t room, struct rig_err *err);
void ring_free(struct ring *ring); /* NULL allowed; both threads are done with it */

/* The producer's: `size` bytes (1 to a quarter of the ring) to fill in, aligned for
 * any double, or NULL when the ring is too full. Seen by the consumer after
 * ring_commit. One reservation at a time; without a commit it is as if never made. */
void *ring_reserve(struct ring *ring, size_t size);
void ring_commit(struct ring *ring);

/* The consumer's: the oldest record and its size, or NULL when there is none; valid
 * until ring_release, which drops it. */
const void *ring_peek(struct ring *ring, size_t *size);
void ring_release(struct ring *ring);

/* Bytes held; a snapshot, from either thread. */
size_t ring_used(const struct ring *ring);
size_t ring_room(const struct ring *ring);

#endif
