/* SPDX-License-Identifier: GPL-3.0-or-later
 * The two halves of dialect 'acknowledged-lines'. Private to them. */
#ifndef MOTION_AXIS_ACKNOWLEDGED_H
#define MOTION_AXIS_ACKNOWLEDGED_H

#include "motion/axis_dialect.h"

/* The count of lines starts at 0 and nothing is awaited. */
void axis_acknowledged_forget(struct axis *axis);
void axis_acknowledged_hear(struct axis *axis, const char *text, int64_t now_ns);

#endif
