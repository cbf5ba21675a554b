/* SPDX-License-Identifier: GPL-3.0-or-later
 * Limits files: any bytes give limits of which each has an end, or one error with its place. */
#include "results/judge.h"

#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void need(bool truth)
{
    if (!truth)
        abort();
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static struct limits limits;
    static struct judgement judgement;
    static struct units *units;
    struct rig_err err = {0};
    if (!units && !(units = units_open(&err)))
        abort();
    int code = limits_read(&limits, "f.limits", (const char *)data, size, &err);
    if (code) {
        need(code == RIG_EINPUT && strncmp(err.text, "f.limits:", 9) == 0);
        return 0;
    }
    need(limits.count > 0 && limits.count <= LIMITS_MOST && limits.guard >= 0);
    for (size_t i = 0; i < limits.count; i++) {
        const struct limit *limit = &limits.limits[i];
        need(limit->low.given || limit->high.given);
        need(limit->line > 0 && limit->column > 0 && limit->name[0]);
    }
    struct result_list results = {0};
    struct result *result = result_add(&results, limits.limits[0].name, "one", "mm", &err);
    need(result != NULL);
    result_set(result, 1, 0.1, 10, "one");
    code = judge_results(&judgement, &limits, "f.limits", &results, units, &err);
    need(code == 0 || (code == RIG_EINPUT && strncmp(err.text, "f.limits:", 9) == 0));
    need(code || limits.count == 1 || judgement.failed > 0); /* the others are missing */
    result_list_free(&results);
    return 0;
}
