/* SPDX-License-Identifier: GPL-3.0-or-later
 * Rings of fixed size: what the simulated hardware says, and what it remembers. */
#include "rig/sim_queue.h"

#include <stdlib.h>
#include <string.h>

int sim_queue_init(struct sim_queue *queue, struct rig_err *err)
{
    *queue = (struct sim_queue){0};
    queue->bytes = malloc(SIM_QUEUE_BYTES);
    queue->runs = calloc(SIM_QUEUE_RUNS, sizeof *queue->runs);
    if (queue->bytes && queue->runs)
        return 0;
    sim_queue_drop(queue);
    return rig_fail_memory(err, "the simulated bench's lines");
}

void sim_queue_drop(struct sim_queue *queue)
{
    free(queue->bytes);
    free(queue->runs);
    *queue = (struct sim_queue){0};
}

static void step_over(struct sim_queue *queue, size_t size)
{
    struct sim_run *run = &queue->runs[queue->run_head];
    queue->head = (queue->head + size) % SIM_QUEUE_BYTES;
    queue->size -= size;
    run->size -= size;
    if (run->size)
        return;
    queue->run_head = (queue->run_head + 1) % SIM_QUEUE_RUNS;
    queue->run_count--;
}

void sim_queue_put(struct sim_queue *queue, const char *bytes, size_t size, int64_t at_ns)
{
    if (!size || size > SIM_QUEUE_BYTES)
        return;
    while (queue->run_count == SIM_QUEUE_RUNS || queue->size + size > SIM_QUEUE_BYTES) {
        size_t oldest = queue->runs[queue->run_head].size;
        queue->lost += oldest;
        step_over(queue, oldest);
    }
    if (at_ns > queue->last_ns)
        queue->last_ns = at_ns;
    size_t tail = (queue->head + queue->size) % SIM_QUEUE_BYTES;
    size_t first = size < SIM_QUEUE_BYTES - tail ? size : SIM_QUEUE_BYTES - tail;
    memcpy(queue->bytes + tail, bytes, first);
    memcpy(queue->bytes, bytes + first, size - first);
    queue->size += size;
    queue->runs[(queue->run_head + queue->run_count++) % SIM_QUEUE_RUNS] =
        (struct sim_run){queue->last_ns, size};
}

size_t sim_queue_take(struct sim_queue *queue, char *bytes, size_t room, int64_t now_ns)
{
    size_t taken = 0;
    while (taken < room && queue->run_count && queue->runs[queue->run_head].at_ns <= now_ns) {
        size_t size = queue->runs[queue->run_head].size;
        if (size > room - taken)
            size = room - taken;
        size_t first = SIM_QUEUE_BYTES - queue->head;
        if (first > size)
            first = size;
        memcpy(bytes + taken, queue->bytes + queue->head, first);
        memcpy(bytes + taken + first, queue->bytes, size - first);
        step_over(queue, size);
        taken += size;
    }
    return taken;
}

int64_t sim_queue_next_ns(const struct sim_queue *queue, int64_t now_ns)
{
    size_t low = 0, high = queue->run_count; /* arrivals are in order */
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        if (queue->runs[(queue->run_head + middle) % SIM_QUEUE_RUNS].at_ns > now_ns)
            high = middle;
        else
            low = middle + 1;
    }
    return low < queue->run_count ? queue->runs[(queue->run_head + low) % SIM_QUEUE_RUNS].at_ns
                                  : INT64_MAX;
}

void sim_queue_clear(struct sim_queue *queue)
{
    queue->head = queue->size = queue->run_head = queue->run_count = 0;
}

int sim_trail_init(struct sim_trail *trail, double span_s, double rate_hz, struct rig_err *err)
{
    *trail = (struct sim_trail){.room = (size_t)(span_s * rate_hz) + 16};
    trail->nodes = calloc(trail->room, sizeof *trail->nodes);
    return trail->nodes ? 0 : rig_fail_memory(err, "the simulated board's dead time");
}

void sim_trail_drop(struct sim_trail *trail)
{
    free(trail->nodes);
    *trail = (struct sim_trail){0};
}

static const struct sim_node *node_at(const struct sim_trail *trail, size_t index)
{
    size_t at = trail->head + index;
    return &trail->nodes[at < trail->room ? at : at - trail->room];
}

void sim_trail_put(struct sim_trail *trail, double t, double value)
{
    if (trail->count == trail->room) {
        trail->head = trail->head + 1 < trail->room ? trail->head + 1 : 0;
        trail->count--;
    }
    size_t at = trail->head + trail->count++;
    trail->nodes[at < trail->room ? at : at - trail->room] = (struct sim_node){t, value};
}

double sim_trail_at(struct sim_trail *trail, double t)
{
    while (trail->count > 1 && node_at(trail, 1)->t <= t) {
        trail->head = trail->head + 1 < trail->room ? trail->head + 1 : 0;
        trail->count--;
    }
    const struct sim_node *from = node_at(trail, 0);
    if (trail->count < 2 || t <= from->t)
        return from->value;
    const struct sim_node *to = node_at(trail, 1);
    return from->value + (to->value - from->value) * (t - from->t) / (to->t - from->t);
}
