/* SPDX-License-Identifier: GPL-3.0-or-later
 * Recordings that hold just what a ledger reads of them, in a folder of their own. */
#ifndef TESTS_LEDGERS_H
#define TESTS_LEDGERS_H

#include "results/ledger.h"

struct ledger_bench {
    char base[64]; /* temporary, removed at the end */
    char path[96]; /* of the ledger, inside */
};

void ledger_bench_open(struct ledger_bench *bench);
void ledger_bench_close(struct ledger_bench *bench);

/* Recording number i, from 0, in base/rNNN.recording: board WS-B-000(i % 3), revision A, B
 * or C by i % 2, coating "bare" or "wax", a day later each; hysteresis_at_rest 0.4 mm +
 * 0.001 mm i, gain_1, and zero_drift refused. */
void ledger_bench_record(const struct ledger_bench *bench, int i);
const char *ledger_bench_folder(const struct ledger_bench *bench, int i); /* static buffer */

/* Puts it in; fails the test when that fails. */
void ledger_bench_put(const struct ledger_bench *bench, int i);
/* Everything that can be asked of the ledger, as text that the caller frees; NULL with err.
 * notice: NULL allowed. */
char *ledger_bench_all(const struct ledger_bench *bench, struct text *notice, struct rig_err *err);

#endif
