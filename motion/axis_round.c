/* SPDX-License-Identifier: GPL-3.0-or-later
 * What numbers become on the wire: stage positions with four decimals of a
 * millimetre, feeds in mm/min with three (RS-274, NISTIR 6556 section 2.1.2.5). */
#include "motion/axis.h"

#include <math.h>

double axis_wire_stage_mm(const struct rig_axis *settings, double stage_mm)
{
    (void)settings; /* 'reversed' only flips the sign */
    return rint(stage_mm * 1e4) / 1e4;
}

double axis_wire_feed_mm_s(double feed_mm_s)
{
    return rint(feed_mm_s * 60e3) / 60e3;
}
