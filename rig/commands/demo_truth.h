/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef RIG_COMMANDS_DEMO_TRUTH_H
#define RIG_COMMANDS_DEMO_TRUTH_H

/* Prints each result of results.json that the simulated truth (JSON, as 'wetsweep
 * simulate --tell' writes it) knows: measured, interval, truth, held or not. Returns how
 * many intervals missed, -1 (with a message) when nothing could be compared. */
int demo_compare(const char *results_path, const char *truth_path);

#endif
