/* SPDX-License-Identifier: GPL-3.0-or-later
 * The proving ground: benches drawn at random, run in simulated time, fitted by the
 * shipped code, compared with what they were given. Prints for each result how often the
 * 95 % interval held the truth, bias, and root mean square error.
 *
 *   bench_proving [BENCHES [FIRST [CSV [KIND]]]]
 * KIND: usual, reference, trip (a channel sees the stage), late, late-unclocked (lines come late,
 * with and without a clock of the board's). */
#include "proving.h"

#include <stdio.h>
#include <stdlib.h>

int main(int count, char **arguments)
{
    unsigned benches = count > 1 ? (unsigned)strtoul(arguments[1], NULL, 10) : 500;
    unsigned first = count > 2 ? (unsigned)strtoul(arguments[2], NULL, 10) : 0;
    const struct proving_kind *kind = proving_kind(count > 4 ? arguments[4] : "usual");
    if (!kind) {
        fprintf(stderr, "no kind '%s'\n", arguments[4]);
        return 2;
    }
    struct study *study =
        study_run(first, benches, 0, proving_trial, count > 4 ? (void *)kind : NULL);
    if (!study)
        return 1;
    unsigned lost = study_print(study, stdout);
    FILE *table = count > 3 && *arguments[3] ? fopen(arguments[3], "w") : NULL;
    if (table) {
        study_write(study, table);
        if (fclose(table))
            lost++;
    }
    study_free(study);
    return lost ? 1 : 0;
}
