/* SPDX-License-Identifier: GPL-3.0-or-later
 * The stage that a motor drags along, and the water that it stands in. */
#include "rig/sim_board.h"

#include <math.h>

double sim_stage_follow_mm(struct sim_stage *stage, const struct sim_truth *truth, double motor_mm)
{
    double step = truth->step_mm, play = truth->backlash_mm / 2;
    double motor = step > 0 ? rint(motor_mm / step) * step : motor_mm;
    double place = motor + stage->slip_mm;
    if (place < truth->travel_low_mm || place > truth->travel_high_mm) {
        double end = place < truth->travel_low_mm ? truth->travel_low_mm : truth->travel_high_mm;
        if (!stage->at_end)
            stage->end_stops++;
        stage->at_end = true;
        stage->slip_mm = end - motor;
        place = end;
    } else if (place > truth->travel_low_mm && place < truth->travel_high_mm) {
        stage->at_end = false;
    }
    /* The stage stays until the motor has used up the play: half of it late either way. */
    stage->place_mm = fmin(fmax(stage->place_mm, place - play), place + play);
    return stage->place_mm;
}

double sim_water_depth_mm(const struct sim_truth *truth, double stage_mm, double t)
{
    double level_mm = truth->datum_mm + truth->evaporation_mm_h * t / 3600;
    double depth_mm = stage_mm - level_mm;
    if (depth_mm > 0 && truth->tank_area_mm2 > 0 && truth->board_area_mm2 > 0)
        depth_mm *= truth->tank_area_mm2 / (truth->tank_area_mm2 - truth->board_area_mm2);
    return depth_mm;
}

double sim_water_degc(const struct sim_truth *truth, double t)
{
    static const double TURN = 6.283185307179586;
    if (!(truth->water_swing_period_s > 0))
        return truth->water_degc;
    return truth->water_degc +
           truth->water_swing_degc * sin(TURN * t / truth->water_swing_period_s);
}

double sim_lag(double y, double u0, double u1, double h, double time_constant_s, double decay)
{
    if (!(time_constant_s > 0) || !(h > 0))
        return h > 0 ? u1 : y;
    /* tau y' + y = u0 + m s: steady part m tau behind the input, the rest decays. */
    double late = (u1 - u0) / h * time_constant_s;
    return u1 - late + (y - u0 + late) * decay;
}
