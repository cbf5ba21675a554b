/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "recordings.h"

#include "check.h"

#include "base/file.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char RIG[] = "axis\n  port axis\n  travel 0 mm to 220 mm\n  speed up to 60 mm/s\n"
                          "  acceleration up to 900 mm/s2\n  resolution 400 steps/mm\n"
                          "  park at -20 mm\n  position live\nend\n"
                          "water\n  datum at stage 31.4 mm\nend\n"
                          "source board\n  port board\n  line csv\n  clock column 1 in ms\n"
                          "  channel level column 2 in volts role sensor\n"
                          "  channel command column 3 in us role controller\nend\n"
                          "source thermo\n  port thermo\n  line csv\n"
                          "  channel water column 1 in degC role temperature\nend\n";
static const char PROFILE[] = "title \"Up and down\"\nstart at 10 mm\nramp to 60 mm at 20 mm/s\n"
                              "hold 1 s\nramp to 10 mm at 20 mm/s\nhold 1 s\n";

void recording_bench_open(struct recording_bench *bench, const char *profile,
                          const struct plan_files *files)
{
    struct rig_err err = {0};
    *bench = (struct recording_bench){.facts = {.board = "WS-B-0007",
                                                .revision = "B",
                                                .coating = "bare",
                                                .note = "a note",
                                                .rig_name = "harbour.rig",
                                                .rig_text = RIG,
                                                .profile_name = "up-down.profile",
                                                .profile_text = profile ? profile : PROFILE,
                                                .started = "2026-04-17T08:00:00Z",
                                                .version = "0.1.0",
                                                .water_degc = 19.5}};
    const char *temporary = getenv("TMPDIR");
    if (!temporary || strlen(temporary) > 32)
        temporary = "/tmp";
    snprintf(bench->base, sizeof bench->base, "%s/wetsweep-recording-XXXXXX", temporary);
    assert_non_null(mkdtemp(bench->base));
    snprintf(bench->folder, sizeof bench->folder, "%s/run", bench->base);
    bench->units = units_open(&err);
    assert_non_null(bench->units);
    if (rig_read(&bench->rig, "harbour.rig", RIG, strlen(RIG), bench->units, &err))
        fail_msg("%s", err.text);
    bench->plan = plan_make(&bench->rig, bench->facts.profile_name, bench->facts.profile_text,
                            strlen(bench->facts.profile_text), bench->units, files, &err);
    if (!bench->plan)
        fail_msg("%s", err.text);
}

void recording_bench_close(struct recording_bench *bench)
{
    char command[128];
    plan_free(bench->plan);
    units_close(bench->units);
    snprintf(command, sizeof command, "rm -r '%s'", bench->base);
    assert_int_equal(system(command), 0);
}

struct recording_writer *recording_bench_create(const struct recording_bench *bench)
{
    struct rig_err err = {0};
    struct recording_writer *writer =
        recording_create(bench->folder, &bench->facts, &bench->rig, bench->plan, NULL, &err);
    if (!writer)
        fail_msg("%s", err.text);
    return writer;
}

struct recording *recording_bench_reopen(const struct recording_bench *bench)
{
    struct rig_err err = {0};
    struct recording *recording = recording_open(bench->folder, &err);
    if (!recording)
        fail_msg("%s", err.text);
    return recording;
}

char *recording_bench_read(const struct recording_bench *bench, const char *name, size_t *size)
{
    struct rig_err err = {0};
    char *path = file_join(bench->folder, name), *bytes = NULL;
    size_t own;
    assert_non_null(path);
    if (file_read(path, 64u << 20, &bytes, size ? size : &own, &err))
        fail_msg("%s", err.text);
    free(path);
    return bytes;
}

void recording_bench_put(const struct recording_bench *bench, const char *name, const char *bytes,
                         size_t size)
{
    struct rig_err err = {0};
    char *path = file_join(bench->folder, name);
    assert_non_null(path);
    if (file_replace(path, bytes, size, &err))
        fail_msg("%s", err.text);
    free(path);
}

int keep_rows(void *context, const struct row_batch *batch, struct rig_err *err)
{
    struct kept_rows *kept = context;
    assert_true(kept->rows == 0 || kept->columns == batch->columns);
    assert_int_equal(batch->first_row, kept->rows);
    kept->columns = batch->columns;
    if (kept->rows + batch->rows > kept->room) {
        kept->room = 2 * (kept->rows + batch->rows);
        double *larger = realloc(kept->cells, kept->room * kept->columns * sizeof *larger);
        if (!larger)
            return rig_fail_memory(err, "rows of a test");
        kept->cells = larger;
    }
    for (size_t r = 0; r < batch->rows; r++)
        for (size_t c = 0; c < batch->columns; c++)
            kept->cells[(kept->rows + r) * kept->columns + c] = batch->values[c][r];
    kept->rows += batch->rows;
    return 0;
}
