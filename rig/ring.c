/* SPDX-License-Identifier: GPL-3.0-or-later
 * head and tail count bytes for ever and are taken modulo the size, a power of two.
 * Each is written by one thread only: the consumer sees a record's bytes because it
 * reads head with acquire after the producer has written it with release, and the
 * other way round for the room. */
#include "rig/ring.h"

#include <stdalign.h>
#include <stdatomic.h>
#include <stdlib.h>
#include <string.h>

struct record_head {
    uint32_t size; /* of the record behind it; what it takes is rounded up to 8 */
    uint32_t skip; /* 1: nothing but the rest of the block, go on at its start */
};

/* head and tail on cache lines of their own, or the two threads slow each other down. */
struct ring { // NOLINT(clang-analyzer-optin.performance.Padding)
    unsigned char *bytes;
    size_t size;
    alignas(64) _Atomic size_t head;
    size_t reserved;  /* the producer's: bytes that ring_commit adds to head */
    size_t tail_seen; /* the producer's latest look at tail */
    alignas(64) _Atomic size_t tail;
    size_t head_seen; /* the consumer's latest look at head */
};

struct ring *ring_open(size_t room, struct rig_err *err)
{
    size_t size = 4096;
    while (size < room && size <= SIZE_MAX / 4)
        size *= 2;
    struct ring *ring = aligned_alloc(alignof(struct ring), sizeof *ring);
    unsigned char *bytes = malloc(size);
    if (!ring || !bytes) {
        free(ring);
        free(bytes);
        rig_fail_memory(err, "the queue between the ports and the disk");
        return NULL;
    }
    memset(ring, 0, sizeof *ring);
    ring->bytes = bytes;
    ring->size = size;
    atomic_init(&ring->head, 0);
    atomic_init(&ring->tail, 0);
    return ring;
}

void ring_free(struct ring *ring)
{
    if (!ring)
        return;
    free(ring->bytes);
    free(ring);
}

static size_t taken_by(size_t size)
{
    return sizeof(struct record_head) + ((size + 7) & ~(size_t)7);
}

void *ring_reserve(struct ring *ring, size_t size)
{
    ring->reserved = 0;
    if (size == 0 || size > ring->size / 4)
        return NULL;
    size_t head = atomic_load_explicit(&ring->head, memory_order_relaxed);
    size_t at = head & (ring->size - 1), to_end = ring->size - at;
    size_t needs = taken_by(size), skipped = needs > to_end ? to_end : 0;
    if (head + skipped + needs - ring->tail_seen > ring->size) {
        ring->tail_seen = atomic_load_explicit(&ring->tail, memory_order_acquire);
        if (head + skipped + needs - ring->tail_seen > ring->size)
            return NULL;
    }
    if (skipped) {
        /* Positions are multiples of 8, so there is always room for this head. */
        const struct record_head skip = {.size = 0, .skip = 1};
        memcpy(ring->bytes + at, &skip, sizeof skip);
        at = 0;
    }
    const struct record_head record = {.size = (uint32_t)size, .skip = 0};
    memcpy(ring->bytes + at, &record, sizeof record);
    ring->reserved = skipped + needs;
    return ring->bytes + at + sizeof record;
}

void ring_commit(struct ring *ring)
{
    size_t head = atomic_load_explicit(&ring->head, memory_order_relaxed);
    atomic_store_explicit(&ring->head, head + ring->reserved, memory_order_release);
    ring->reserved = 0;
}

const void *ring_peek(struct ring *ring, size_t *size)
{
    size_t tail = atomic_load_explicit(&ring->tail, memory_order_relaxed);
    if (tail == ring->head_seen) {
        ring->head_seen = atomic_load_explicit(&ring->head, memory_order_acquire);
        if (tail == ring->head_seen)
            return NULL;
    }
    size_t at = tail & (ring->size - 1);
    struct record_head record;
    memcpy(&record, ring->bytes + at, sizeof record);
    if (record.skip) {
        atomic_store_explicit(&ring->tail, tail + ring->size - at, memory_order_release);
        at = 0; /* a skip is committed together with the record behind it */
        memcpy(&record, ring->bytes, sizeof record);
    }
    *size = record.size;
    return ring->bytes + at + sizeof record;
}

void ring_release(struct ring *ring)
{
    size_t tail = atomic_load_explicit(&ring->tail, memory_order_relaxed);
    struct record_head record;
    memcpy(&record, ring->bytes + (tail & (ring->size - 1)), sizeof record);
    atomic_store_explicit(&ring->tail, tail + taken_by(record.size), memory_order_release);
}

size_t ring_used(const struct ring *ring)
{
    size_t tail = atomic_load_explicit(&ring->tail, memory_order_acquire);
    size_t head = atomic_load_explicit(&ring->head, memory_order_acquire);
    return head - tail;
}

size_t ring_room(const struct ring *ring)
{
    return ring->size;
}
