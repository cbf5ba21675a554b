/* SPDX-License-Identifier: GPL-3.0-or-later
 * Texts that live as long as a list, and marks of rows. */
#include "results/ledger_parts.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { BLOCK_SIZE = 64 * 1024 };

struct ledger_block {
    struct ledger_block *next;
    size_t used, room;
    char bytes[];
};

/* Room for size bytes; NULL: no memory. */
static char *take(struct ledger_block **blocks, size_t size)
{
    struct ledger_block *block = *blocks;
    if (!block || block->room - block->used < size) {
        size_t room = size > BLOCK_SIZE ? size : BLOCK_SIZE;
        block = malloc(sizeof *block + room);
        if (!block)
            return NULL;
        *block = (struct ledger_block){.next = *blocks, .room = room};
        *blocks = block;
    }
    block->used += size;
    return block->bytes + block->used - size;
}

const char *ledger_keep(struct ledger_block **blocks, const char *text)
{
    size_t size = strlen(text) + 1;
    char *kept = take(blocks, size);
    if (kept)
        memcpy(kept, text, size);
    return kept;
}

void ledger_blocks_free(struct ledger_block **blocks)
{
    while (*blocks) {
        struct ledger_block *next = (*blocks)->next;
        free(*blocks);
        *blocks = next;
    }
}

/* ---- hashes ---- */

bool ledger_hash_read(unsigned char hash[LEDGER_HASH_SIZE], const char *hex)
{
    static const char digits[] = "0123456789abcdef";
    if (strlen(hex) != 2 * LEDGER_HASH_SIZE || strspn(hex, digits) != 2 * LEDGER_HASH_SIZE)
        return false;
    for (size_t i = 0; i < LEDGER_HASH_SIZE; i++)
        hash[i] = (unsigned char)((strchr(digits, hex[2 * i]) - digits) * 16 +
                                  (strchr(digits, hex[2 * i + 1]) - digits));
    return true;
}

const char *ledger_hash_text(char hex[65], const unsigned char hash[LEDGER_HASH_SIZE])
{
    for (size_t i = 0; i < LEDGER_HASH_SIZE; i++) {
        hex[2 * i] = "0123456789abcdef"[hash[i] >> 4];
        hex[2 * i + 1] = "0123456789abcdef"[hash[i] & 15];
    }
    hex[2 * LEDGER_HASH_SIZE] = 0;
    return hex;
}

/* ---- marks ---- */

/* Multiply and fold. One to one in each argument, so that a single word that changed always
 * changes the mark. */
static uint64_t mix(uint64_t mark, uint64_t word)
{
    mark = (mark ^ word) * 0x9e3779b97f4a7c15U;
    return mark ^ mark >> 32;
}

static uint64_t mark_bytes(uint64_t mark, const void *bytes, size_t size)
{
    const char *at = bytes;
    uint64_t word;
    mark = mix(mark, size);
    for (; size >= sizeof word; at += sizeof word, size -= sizeof word) {
        memcpy(&word, at, sizeof word);
        mark = mix(mark, word);
    }
    word = 0;
    memcpy(&word, at, size);
    return size ? mix(mark, word) : mark;
}

uint64_t ledger_mark_text(uint64_t mark, const char *text)
{
    return mark_bytes(mark, text, strlen(text));
}

uint64_t ledger_mark_number(uint64_t mark, double value)
{
    uint64_t word = 0x7ff8000000000000U; /* every NaN */
    value += 0.0;                        /* -0 becomes 0, as SQLite keeps it */
    if (!isnan(value))
        memcpy(&word, &value, sizeof word);
    return mix(mark, word);
}

uint64_t ledger_mark_whole(uint64_t mark, int64_t value)
{
    return mix(mark, (uint64_t)value);
}

int64_t ledger_mark_recording(const struct ledger_entry *entry, const char *path)
{
    const char *const texts[] = {path,           entry->board,   entry->revision, entry->coating,
                                 entry->note,    entry->started, entry->state,    entry->profile,
                                 entry->version, entry->verdict};
    uint64_t mark = ledger_mark_whole(1, entry->number);
    for (size_t i = 0; i < sizeof texts / sizeof *texts; i++)
        mark = ledger_mark_text(mark, texts[i]);
    mark = mark_bytes(mark, entry->hash, sizeof entry->hash);
    mark = mark_bytes(mark, entry->results_hash, sizeof entry->results_hash);
    mark = ledger_mark_number(mark, entry->water_degc);
    mark = ledger_mark_whole(mark, entry->known);
    return (int64_t)ledger_mark_whole(mark, entry->refused);
}

int64_t ledger_mark_quantity(const struct ledger_quantity *quantity)
{
    uint64_t mark = ledger_mark_whole(2, quantity->number);
    mark = ledger_mark_text(mark, quantity->name);
    mark = ledger_mark_text(mark, quantity->unit);
    return (int64_t)ledger_mark_text(mark, quantity->title);
}

int64_t ledger_mark_row(const struct ledger_row *row)
{
    uint64_t mark = ledger_mark_whole(3, row->quantity);
    mark = ledger_mark_whole(mark, row->recording);
    mark = ledger_mark_number(mark, row->value);
    mark = ledger_mark_number(mark, row->standard_uncertainty);
    mark = ledger_mark_number(mark, row->low_95);
    mark = ledger_mark_number(mark, row->high_95);
    mark = ledger_mark_number(mark, row->degrees_of_freedom);
    return (int64_t)ledger_mark_text(mark, row->reason);
}
