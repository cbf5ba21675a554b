/* SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef RIG_COMMANDS_DEMO_TRUTH_H
#define RIG_COMMANDS_DEMO_TRUTH_H

/* Prints each result of results.json that the simulated truth (JSON, as 'wetsweep
 * simulate --tell' writes it) knows: measured, interval, truth, held or not. Returns how
 * many intervals missed, -1 (with a message) when nothing could be compared. */
int demo_compare(const char *results_path, const char *truth_path);

/* Prints the differences of a comparison (compare --json) beside those of two truths. As above. */
int demo_changes(const char *comparison_path, const char *before_path, const char *after_path);

/* Prints readings of a revision's curve (curve --json) beside the mean of the boards' true ones,
 * and the spread of both. As above. */
int demo_revision(const char *revision_path, const char *const truth_paths[], int boards);

#endif
