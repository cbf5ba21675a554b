/* SPDX-License-Identifier: GPL-3.0-or-later
 * Fills a ledger with recordings that never were, for tests/bench/ledger.sh:
 *   bench_ledger FILE RECORDINGS RESULTS.json
 * 250 boards; each recording has all results of RESULTS.json, which a fit wrote, with
 * values of its own, and starts three hours after the one before. */
#include "base/file.h"
#include "base/utc.h"
#include "results/ledger.h"
#include "results/result_json.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct work {
    long count;
    struct result_list results;
};

static int fill(void *context, struct ledger *ledger, struct rig_err *err)
{
    struct work *work = context;
    for (long i = 0; i < work->count; i++) {
        char board[32], folder[64], started[24];
        snprintf(board, sizeof board, "WS-B-%04ld", i % 250);
        snprintf(folder, sizeof folder, "%s-%06ld.recording", board, i);
        struct ledger_entry entry = {.folder = folder,
                                     .board = board,
                                     .revision = i % 3 == 0   ? "A"
                                                 : i % 3 == 1 ? "B"
                                                              : "C",
                                     .coating = i % 2 ? "bare" : "wax",
                                     .note = "invented, for a measurement of speed",
                                     .started = utc_text(started, 1767225600 + 10800L * i),
                                     .state = "complete",
                                     .profile = "first-dip.profile",
                                     .version = "0.1.0",
                                     .verdict = "",
                                     .water_degc = 20 + 0.01 * (double)(i % 100)};
        memcpy(entry.hash, &i, sizeof i);
        for (size_t r = 0; r < work->results.count; r++) {
            struct result *result = &work->results.results[r];
            double moved = 1e-5 * (double)((i * 7919) % 1001 - 500) * fabs(result->value);
            result->value += moved;
            result->low_95 += moved;
            result->high_95 += moved;
        }
        int code = ledger_add(ledger, &entry, &work->results, err);
        if (code)
            return code;
    }
    return 0;
}

int main(int argc, char **argv)
{
    struct rig_err err = {0};
    struct work work = {0};
    char *bytes = NULL;
    size_t size = 0;
    if (argc != 4 || (work.count = strtol(argv[2], NULL, 10)) < 1) {
        fprintf(stderr, "usage: bench_ledger FILE RECORDINGS RESULTS.json\n");
        return 2;
    }
    int code = file_read(argv[3], 1 << 24, &bytes, &size, &err);
    if (!code)
        code = result_list_read(&work.results, NULL, argv[3], bytes, size, &err);
    if (!code)
        code = ledger_use(argv[1], LEDGER_WRITE, fill, &work, NULL, &err);
    free(bytes);
    if (code)
        fprintf(stderr, "%s\n", err.text);
    else
        printf("%ld recordings with %zu results each\n", work.count, work.results.count);
    result_list_free(&work.results);
    return code != 0;
}
