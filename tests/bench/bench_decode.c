/* SPDX-License-Identifier: GPL-3.0-or-later
 * How fast a board's lines become numbers: bench_decode [MILLIONS OF LINES]. Prints
 * lines a second of one core, and the share of a core that 50,000 lines a second take. */
#include "rig/decode.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

static double cpu_s(void)
{
    struct timespec now;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

static int measure(const char *what, const struct rig_source *source, double millions)
{
    static char bytes[1 << 20];
    size_t size = 0, lines = 0, decoded = 0, wanted = (size_t)(millions * 1e6);
    while (size + 128 < sizeof bytes) {
        double level = 1.0 + 1e-4 * (double)(lines % 9999);
        int t = (int)lines, command = 1500 + (int)(lines % 500);
        int length =
            source->format == LINE_CSV
                ? snprintf(bytes + size, 128, "%d,%.6f,%d\n", t, level, command)
                : snprintf(bytes + size, 128, "t=%d level=%.6f command=%d\n", t, level, command);
        size += (size_t)length;
        lines++;
    }
    struct rig_err err;
    struct decoder *decoder = decoder_open(source, &err);
    if (!decoder) {
        fprintf(stderr, "%s\n", err.text);
        return 1;
    }
    double from = cpu_s();
    while (decoded < wanted)
        for (size_t at = 0; at < size;) { /* in pieces as a port gives them */
            size_t end = at + 512 < size ? at + 512 : size;
            while (at < end) {
                bool line;
                struct decoded out;
                at += decoder_take(decoder, bytes + at, end - at, &line, &out);
                decoded += line && out.good;
            }
        }
    double rate_hz = (double)decoded / (cpu_s() - from);
    printf("%s: %.2f million lines a second; 50,000 a second take %.1f %% of a core\n", what,
           rate_hz / 1e6, 50e5 / rate_hz);
    decoder_free(decoder);
    return 0;
}

int main(int argc, char **argv)
{
    double millions = argc > 1 ? strtod(argv[1], NULL) : 2;
    struct rig_source csv = {.format = LINE_CSV,
                             .clock_column = 1,
                             .clock_unit_s = 1e-3,
                             .channel_count = 2,
                             .channels = {{.column = 2}, {.column = 3}}};
    struct rig_source pairs = {.format = LINE_PAIRS,
                               .clock_key = "t",
                               .clock_unit_s = 1e-3,
                               .channel_count = 2,
                               .channels = {{.key = "level"}, {.key = "command"}}};
    return measure("csv", &csv, millions) || measure("pairs", &pairs, millions);
}
