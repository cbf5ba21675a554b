/* SPDX-License-Identifier: GPL-3.0-or-later
 * wetsweep run: homes, carries out the plan, records. Here: its arguments. */
#include "rig/commands/commands.h"
#include "rig/commands/run_parts.h"
#include "rig/live_guard.h"

#include "base/number.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

static const char usage[] =
    "usage: wetsweep run PROFILE --rig RIG --board ID --revision R [options]\n"
    "       wetsweep run --continue RECORDING [options]\n"
    "\n"
    "Homes the axis, carries out the profile, records every channel, parks the board clear\n"
    "of the water. Ctrl-C slows down and parks; once more halts at once.\n"
    "\n"
    "  --rig RIG             what stands on the bench (.rig)\n"
    "  --board ID            which board, such as WS-B-0007\n"
    "  --revision R          which revision of the board\n"
    "  --coating TEXT        its coating, such as none (default: not given)\n"
    "  --note TEXT           anything worth keeping\n"
    "  --water-temperature T such as \"20 degC\" (default: not given)\n"
    "  --out DIR             the recording's folder, must not exist\n"
    "                        (default: ID-YYYYMMDD-HHMMSS.recording here)\n"
    "  --continue RECORDING  go on with a run that was stopped, faulted or killed, as its "
    "recording\n"
    "                        has it: the pass that was interrupted is repeated, the seam is "
    "marked\n"
    "  --until HH:MM         the board shall be parked by then, local time: no stroke is begun\n"
    "                        that can't be over (default: the profile's own end)\n"
    "  --patience TIME       how long to wait, with the board parked, for what has gone away\n"
    "                        (default: 30 min)\n"
    "  --on-event COMMAND    a program to call at each fault and at the end, with the event in\n"
    "                        WETSWEEP_EVENT, WETSWEEP_TEXT, WETSWEEP_T_S, WETSWEEP_RECORDING,\n"
    "                        WETSWEEP_BOARD; ended after 30 s\n"
    "  --sync FILE           what wetsweep sync measured (default: RIG with .sync in place of "
    ".rig,\n"
    "                        if there is one)\n"
    "  --watch [ADDRESS:PORT]  show the run as a page in a browser (default: 127.0.0.1:8737, or\n"
    "                        one of the nine ports after it); stopping it there takes the token\n"
    "                        that is printed\n"
    "  --ports DIR           where the rig file's relative port paths are (default: here)\n"
    "  --bench FILE.bench    no hardware: a simulated bench in simulated time\n"
    "  --seed N              of the simulated bench's noise (default: 1)\n"
    "\n"
    "Exit status: 0 complete, 2 bad input, 4 stopped by the user, 5 stopped by a fault.\n"
    "\n"
    "example: wetsweep run profiles/first-dip.profile --rig profiles/bench.rig \\\n"
    "             --bench profiles/harbour-b-bare.bench --board WS-B-0007 --revision B\n";

struct option_place {
    const char *name;
    const char **value;
};

static int check_new(const char *name, const struct run_options *options)
{
    const char *missing = !options->profile    ? "a profile"
                          : !options->rig      ? "--rig RIG"
                          : !options->board    ? "--board ID"
                          : !options->revision ? "--revision R"
                                               : NULL;
    return missing ? command_usage(name, "%s is missing", missing) : 0;
}

/* Who and what is in the recording already. */
static int check_going_on(const char *name, const struct run_options *options)
{
    const char *given = options->profile             ? options->profile
                        : options->rig               ? "--rig"
                        : options->board             ? "--board"
                        : options->revision          ? "--revision"
                        : *options->coating          ? "--coating"
                        : *options->note             ? "--note"
                        : options->water_temperature ? "--water-temperature"
                        : options->out               ? "--out"
                        : options->sync              ? "--sync"
                                                     : NULL;
    return given ? command_usage(name,
                                 "--continue takes profile, rig, board and all that belongs to "
                                 "them from the recording; leave '%s' out",
                                 given)
                 : 0;
}

static int parse(int argc, char **argv, struct run_options *options)
{
    const char *seed = NULL;
    int status;
    const struct option_place places[] = {
        {"--rig", &options->rig},           {"--board", &options->board},
        {"--revision", &options->revision}, {"--coating", &options->coating},
        {"--note", &options->note},         {"--water-temperature", &options->water_temperature},
        {"--out", &options->out},           {"--bench", &options->bench},
        {"--ports", &options->ports},       {"--seed", &seed},
        {"--until", &options->until},       {"--on-event", &options->on_event},
        {"--patience", &options->patience}, {"--continue", &options->go_on},
        {"--sync", &options->sync},
    };
    for (int i = 1; i < argc; i++) {
        const struct option_place *place = NULL;
        for (size_t p = 0; p < sizeof places / sizeof places[0]; p++)
            if (strcmp(argv[i], places[p].name) == 0)
                place = &places[p];
        if (place && i + 1 == argc)
            return command_usage(argv[0], "%s needs a value", argv[i]);
        if (strcmp(argv[i], "--watch") == 0) {
            char address[64];
            uint16_t port;
            options->watch = true;
            if (i + 1 < argc && live_address(argv[i + 1], address, &port))
                options->watch_at = argv[++i];
        } else if (place) {
            *place->value = argv[++i];
        } else if (argv[i][0] != '-' && !options->profile) {
            options->profile = argv[i];
        } else {
            return command_usage(argv[0], "'%s' is not expected here", argv[i]);
        }
    }
    status = options->go_on ? check_going_on(argv[0], options) : check_new(argv[0], options);
    if (status)
        return status;
    if (seed && !options->bench)
        return command_usage(argv[0], "--seed belongs to a simulated bench; give --bench too");
    if (options->watch && options->bench)
        return command_usage(argv[0], "--watch shows a run in real time, and --bench is over at "
                                      "once; look at its recording with wetsweep watch");
    if (options->ports && options->bench)
        return command_usage(argv[0], "--ports is for hardware and --bench for none; give one");
    int64_t number = 1;
    if (seed && !rig_whole_number(seed, strlen(seed), 0, INT64_MAX, &number, NULL))
        return command_usage(argv[0], "--seed '%s' is not a whole number from 0 up", seed);
    options->seed = (uint64_t)number;
    return 0;
}

void run_default_folder(char *folder, size_t room, const char *board)
{
    char stamp[32] = "";
    time_t now = time(NULL);
    struct tm local;
    if (localtime_r(&now, &local))
        strftime(stamp, sizeof stamp, "%Y%m%d-%H%M%S", &local);
    snprintf(folder, room, "%.100s-%s.recording", board, stamp);
    for (char *at = folder; *at; at++)
        if (!isalnum((unsigned char)*at) && !strchr("._-", *at))
            *at = '-';
    if (folder[0] == '-' || folder[0] == '.')
        folder[0] = '_';
}

static int read_earlier(struct run_options *options, struct inputs *inputs,
                        struct recording **earlier, struct rig_err *err)
{
    *earlier = recording_open(options->go_on, err);
    if (!*earlier)
        return err->code ? (int)err->code : RIG_EINPUT;
    options->out = options->go_on;
    options->board = recording_facts(*earlier)->board;
    if (recording_state(*earlier) == RUN_COMPLETE)
        return rig_fail(err, RIG_EINPUT, "%s: this run is complete; there is nothing to go on with",
                        options->go_on);
    return inputs_of_recording(inputs, *earlier, err);
}

int command_run(int argc, char **argv)
{
    struct run_options options = {.coating = "", .note = ""};
    for (int i = 1; i < argc; i++)
        if (strcmp(argv[i], "--help") == 0) {
            fputs(usage, stdout);
            return 0;
        }
    int status = parse(argc, argv, &options);
    if (status)
        return status;
    struct rig_err err = {0};
    struct inputs inputs = {0};
    struct recording *earlier = NULL;
    double water_degc = NAN;
    char warning[256];
    int code = options.go_on ? read_earlier(&options, &inputs, &earlier, &err)
                             : inputs_read(&inputs, options.profile, options.rig, &err);
    if (!code && !earlier && !(code = inputs_sync(&inputs, options.sync, warning, &err)) &&
        *warning)
        fprintf(stderr, "wetsweep: %s\n", warning);
    if (!code && options.water_temperature)
        code = inputs_quantity(inputs.units, QUANTITY_TEMPERATURE, "--water-temperature",
                               options.water_temperature, &water_degc, &err);
    if (!code && options.patience)
        code = inputs_quantity(inputs.units, QUANTITY_TIME, "--patience", options.patience,
                               &options.patience_s, &err);
    if (!code && options.patience && !(options.patience_s > 0))
        code = rig_fail(&err, RIG_EINPUT, "--patience '%s' must be above zero", options.patience);
    if (code) {
        inputs_free(&inputs);
        recording_free(earlier);
        return command_error(&err);
    }
    char folder[160];
    if (!options.out) {
        run_default_folder(folder, sizeof folder, options.board);
        options.out = folder;
    }
    status = run_carry_out(&options, &inputs, earlier, water_degc, options.out);
    inputs_free(&inputs);
    recording_free(earlier);
    return status;
}
