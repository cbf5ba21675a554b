/* SPDX-License-Identifier: GPL-3.0-or-later
 * The supervisor alone against an axis that does what a script says: no ports, no files,
 * no simulated physics. The axis takes every line at once, moves at the speed it is told,
 * and answers; a source speaks ten times a second and reads the stage's place. */
#ifndef TESTS_FAKE_RUN_H
#define TESTS_FAKE_RUN_H

#include "rig/supervisor.h"

#include <stdbool.h>

/* What happens, once, when the run has been in a phase for a time. */
enum fake_fault {
    FAKE_NOTHING,
    FAKE_RESET,       /* the controller restarts */
    FAKE_ALARM,       /* it stops by itself */
    FAKE_REFUSE,      /* it refuses the next line that it gets */
    FAKE_MUTE,        /* it says nothing for 20 s; lines are lost meanwhile */
    FAKE_UNPLUG,      /* its port is gone for 20 s */
    FAKE_SILENCE,     /* the source says nothing for 20 s */
    FAKE_SOURCE_GONE, /* its port is gone for 20 s */
    FAKE_STICK,       /* its reading stays the same for 20 s */
    FAKE_SLIP,        /* the stage is off by 3 mm from now on, and the controller says so */
    FAKE_LAPSE,       /* nobody was here for 20 s */
    FAKE_DISK,        /* the recording can't be written */
    FAKE_STOP,        /* the user wants to stop */
    FAKE_HALT,        /* twice */
    FAKE_COUNT
};

struct fake_event {
    enum run_phase phase;
    double after_s;
    enum fake_fault fault;
    bool done;
};

struct fake_run {
    /* Settings. */
    const char *profile;
    const char *axis_extra; /* more statements for the rig's axis */
    struct fake_event events[4];
    double apart_s; /* events come at least so long one after the other */
    double until_s; /* 0: none */
    double patience_s;
    /* What came of it. */
    char phases[2000]; /* one a line */
    char kinds[4000];  /* of all events but phases, blanks between */
    char why[1024];
    enum run_state state;
    enum board_place board;
    int exit_status;
    double depth_mm;   /* where the board is */
    double deepest_mm; /* that it ever was at without its place being known */
    double end_s;
    unsigned unhomed_moves; /* moves taken while the axis did not know its place */
    unsigned outside_moves; /* moves to outside the travel */
    bool moving;
    struct supervisor_tally tally;
    struct stroke_row rows[400];
    size_t row_count;
};

void fake_run_defaults(struct fake_run *run);
/* To the end, which must come within a day of its own time; fails the test otherwise. */
void fake_run(struct fake_run *run);
const char *fake_fault_name(enum fake_fault fault);

#endif
