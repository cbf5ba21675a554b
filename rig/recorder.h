/* SPDX-License-Identifier: GPL-3.0-or-later
 * Between the thread that reads the ports and the disk. The calls that add something
 * never block, never allocate and never touch the disk: they copy into a ring, and a
 * thread of the recorder's own writes it out and syncs it, at least once a second. A
 * disk that stands still for some seconds costs nothing until the ring is full; then
 * what doesn't fit is counted, and an event says how much was lost.
 *
 * Without a thread (simulated time) the same ring is written out by recorder_drain. */
#ifndef RIG_RECORDER_H
#define RIG_RECORDER_H

#include "base/err.h"
#include "results/recording.h"
#include "rig/supervisor.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum { RECORDER_ROOM = 64 * 1024 * 1024 };

struct recorder;

/* Owns the writer from here on, also on error (then it is closed as faulted). room:
 * bytes of the ring. NULL with err. */
struct recorder *recorder_open(struct recording_writer *writer, size_t room, bool threaded,
                               struct rig_err *err);

/* From one thread only. t_s: seconds since the run's start; values: one a channel. */
void recorder_row(struct recorder *recorder, size_t source, double t_s, double device_s,
                  const double values[], size_t count);
void recorder_motion(struct recorder *recorder, const struct motion_row *row);
void recorder_stroke(struct recorder *recorder, const struct stroke_row *row);
void recorder_event(struct recorder *recorder, double t_s, const char *kind, const char *text);
/* The same as the supervisor wants them; the context is the recorder. */
struct run_log recorder_log(struct recorder *recorder);

/* Without a thread: writes out what is queued; call it once a wake-up. With one:
 * does nothing. */
void recorder_drain(struct recorder *recorder);

/* 0, or the first thing that went wrong on the disk. Cheap; from the adding thread. */
int recorder_trouble(struct recorder *recorder, struct rig_err *err);
/* Becomes readable when there is trouble; -1 without a thread. */
int recorder_trouble_fd(const struct recorder *recorder);

/* Records added, and those that the ring had no room for. */
uint64_t recorder_rows(const struct recorder *recorder);
uint64_t recorder_lost(const struct recorder *recorder);

/* A value (JSON text) for run.json, kept until the end. */
int recorder_note(struct recorder *recorder, const char *key, const char *json,
                  struct rig_err *err);
/* Writes out everything, ends the thread, closes the recording with its final state,
 * frees. Returns the first error of all. */
int recorder_close(struct recorder *recorder, enum run_state state, const char *why,
                   struct rig_err *err);

#endif
