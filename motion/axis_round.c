/* SPDX-License-Identifier: GPL-3.0-or-later
 * What numbers become on the wire: stage positions with four decimals of a
 * millimetre, feeds in mm/min with three (RS-274, NISTIR 6556 section 2.1.2.5), or coarser
 * ones of a controller that a file describes. */
#include "motion/axis.h"

#include <math.h>

double axis_wire_stage_mm(const struct rig_axis *settings, double stage_mm)
{
    /* 'reversed' only flips the sign */
    if (settings->controller.given)
        stage_mm = controller_place_mm(&settings->controller, stage_mm, settings->step_mm);
    return rint(stage_mm * 1e4) / 1e4;
}

double axis_wire_feed_mm_s(const struct rig_axis *settings, double feed_mm_s)
{
    if (settings->controller.given)
        feed_mm_s = controller_feed_mm_s(&settings->controller, feed_mm_s, settings->step_mm);
    return rint(feed_mm_s * 60e3) / 60e3;
}

double axis_wire_feed_step_mm_s(const struct rig_axis *settings)
{
    const struct controller *controller = &settings->controller;
    return controller->given
               ? fmax(controller_feed_step_mm_s(controller, settings->step_mm), 1 / 60e3)
               : 1 / 60e3;
}
