/* SPDX-License-Identifier: GPL-3.0-or-later
 * A plan as a picture: depth (downwards, as in the tank) and speed against time. Each
 * column of pixels gets the first, smallest, largest and last value of the motion in
 * it, so that a night looks as it would drawn in full. Colours are told apart by eyes
 * of every kind (Okabe and Ito's set) and by shape, and survive a grey printer. */
#include "rig/plan_outline.h"
#include "rig/plan_sheet.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const double WIDTH = 1000, HEIGHT = 640, LEFT = 74, RIGHT = 980;
static const double STRIP_TOP = 64, STRIP_BOTTOM = 78;
static const double TOP = 92, BOTTOM = 570;        /* of the panels */
static const double LONG_S = 3600, CLOSE_S = 1200; /* a long plan gets a closer look at its start */
enum { COLUMNS = 906, MARKS_SHOWN = 12 };          /* columns: RIGHT - LEFT */

/* One drawing: a stretch of time of one quantity. */
struct panel {
    double from_s, to_s, top, bottom;
    double at_top, at_bottom; /* values */
    const struct plan_column *columns;
};

static double place_x(const struct panel *panel, double t_s)
{
    return LEFT + (RIGHT - LEFT) * (t_s - panel->from_s) / (panel->to_s - panel->from_s);
}

static double place_y(const struct panel *panel, double value)
{
    return panel->top + (panel->bottom - panel->top) * (value - panel->at_top) /
                            (panel->at_bottom - panel->at_top);
}

/* First, low, high and last of every column, in time; what lies on one level is
 * left out between its ends. */
static void curve(struct text *text, const struct panel *panel, const char *style)
{
    double last_x = -1, last_y = -1, kept_y = -1;
    char step = 'M';
    text_format(text, "<path %s d=\"", style);
    for (int x = 0; x < COLUMNS; x++) {
        const struct plan_column *c = &panel->columns[x];
        if (!c->any)
            continue;
        bool low_first = c->low.t < c->high.t;
        const struct plan_point points[4] = {c->first, low_first ? c->low : c->high,
                                             low_first ? c->high : c->low, c->last};
        for (int i = 0; i < 4; i++) {
            double at_x = place_x(panel, points[i].t), at_y = place_y(panel, points[i].value);
            if (fabs(at_y - kept_y) >= 0.05) {
                if (step == 'L' && fabs(last_y - kept_y) < 0.05)
                    text_format(text, "L%.2f %.2f", last_x, last_y);
                text_format(text, "%c%.2f %.2f", step, at_x, at_y);
                kept_y = at_y;
                step = 'L';
            }
            last_x = at_x;
            last_y = at_y;
        }
    }
    text_format(text, "L%.2f %.2f\"/>\n", last_x, last_y);
}

/* 1, 2 or 5 times a power of ten; whole seconds, minutes, hours for times. */
static double nice_step(double span, int about)
{
    double raw = span / about, power = pow(10, floor(log10(raw)));
    double part = raw / power;
    return power * (part < 1.5 ? 1 : part < 3.5 ? 2 : part < 7.5 ? 5 : 10);
}

static double time_step(double span_s)
{
    static const double steps[] = {1,   2,    5,    10,   20,   30,    60,    120,  300,
                                   600, 1200, 1800, 3600, 7200, 14400, 28800, 86400};
    for (size_t i = 0; i < sizeof steps / sizeof *steps; i++)
        if (span_s / steps[i] <= 12)
            return steps[i];
    return 86400 * nice_step(span_s / 86400, 10);
}

static void time_axis(struct text *text, const struct panel *panel, bool labels)
{
    double span_s = panel->to_s - panel->from_s;
    double step = span_s < 1 ? nice_step(span_s, 8) : time_step(span_s);
    double unit_s = step >= 3600 ? 3600 : step >= 60 ? 60 : 1;
    for (int i = 0; i * step <= span_s * (1 + 1e-9); i++) {
        double x = place_x(panel, panel->from_s + i * step);
        text_format(text, "<path class=\"grid\" d=\"M%.1f %.1fV%.1f\"/>", x, panel->top,
                    panel->bottom);
        if (labels)
            text_format(text,
                        "<text class=\"tick\" x=\"%.1f\" y=\"%.1f\" "
                        "text-anchor=\"middle\">%.4g</text>",
                        x, panel->bottom + 16, i * step / unit_s);
    }
    text_add(text, "\n");
    if (labels)
        text_format(text,
                    "<text class=\"label\" x=\"%.1f\" y=\"%.1f\" text-anchor=\"middle\">time, "
                    "%s</text>\n",
                    (LEFT + RIGHT) / 2, panel->bottom + 33,
                    unit_s == 3600 ? "h"
                    : unit_s == 60 ? "min"
                                   : "s");
}

static void value_axis(struct text *text, const struct panel *panel, double step, const char *label)
{
    double low = fmin(panel->at_top, panel->at_bottom),
           high = fmax(panel->at_top, panel->at_bottom);
    for (double i = ceil(low / step - 1e-9); i * step <= high + 1e-9 * step; i++) {
        double at = place_y(panel, i * step);
        text_format(text,
                    "<path class=\"grid\" d=\"M%.1f %.1fH%.1f\"/><text class=\"tick\" x=\"%.1f\" "
                    "y=\"%.1f\" text-anchor=\"end\">%.4g</text>\n",
                    LEFT, at, RIGHT, LEFT - 7, at + 4, i * step + 0.0);
    }
    text_format(text,
                "<text class=\"label\" transform=\"translate(20 %.1f) rotate(-90)\" "
                "text-anchor=\"middle\">%s</text>\n",
                (panel->top + panel->bottom) / 2, label);
}

static void frame(struct text *text, const struct panel *panel)
{
    text_format(text, "<rect class=\"frame\" x=\"%g\" y=\"%g\" width=\"%g\" height=\"%g\"/>\n",
                LEFT, panel->top, RIGHT - LEFT, panel->bottom - panel->top);
}

/* ---- the strip that names what goes on ---- */

static const struct {
    const char *name, *colour;
} phases[] = {{"approach", "#bbbbbb"}, {"ramps", "#0072b2"}, {"steps", "#d55e00"},
              {"stairs", "#009e73"},   {"sines", "#cc79a7"}, {"trace", "#e69f00"},
              {"hold", "#eeeeee"}};
enum { PHASE_APPROACH, PHASE_RAMP, PHASE_STEP, PHASE_STAIRS, PHASE_SINE, PHASE_TRACE, PHASE_HOLD };

static int phase_of(enum segment_kind kind)
{
    switch (kind) {
    case SEGMENT_RAMP:
    case SEGMENT_TOUCH:
        return PHASE_RAMP;
    case SEGMENT_STEP:
        return PHASE_STEP;
    case SEGMENT_STAIR_MOVE:
    case SEGMENT_STAIR_HOLD:
        return PHASE_STAIRS;
    case SEGMENT_SINE:
        return PHASE_SINE;
    case SEGMENT_FOLLOW:
        return PHASE_TRACE;
    case SEGMENT_HOLD:
    case SEGMENT_LEAD:
        return PHASE_HOLD;
    default:
        return PHASE_APPROACH;
    }
}

/* Each pixel takes the colour of what fills most of it; holds count for the move
 * before them, so that a row of ramps is one bar. */
static void strip(struct text *text, const struct plan *plan)
{
    const struct plan_segment *s = plan_segments(plan);
    size_t count = plan_segment_count(plan), i = 0;
    double end_s = plan_duration_s(plan), shown[16] = {0};
    int last = -1, move = PHASE_HOLD, start = 0;
    for (int x = 0; x <= COLUMNS; x++) {
        double share[16] = {0}, from_s = end_s * x / COLUMNS, to_s = end_s * (x + 1) / COLUMNS;
        while (x < COLUMNS && i < count) {
            int phase = phase_of((enum segment_kind)s[i].kind);
            if (phase == PHASE_HOLD)
                phase = move == PHASE_APPROACH ? PHASE_HOLD : move;
            else
                move = phase;
            double end = s[i].start_s + s[i].duration_s;
            share[phase] += fmax(0, fmin(end, to_s) - fmax(s[i].start_s, from_s));
            if (end > to_s)
                break;
            i++;
        }
        int most = 0;
        for (int k = 1; k < 7; k++)
            most = share[k] > share[most] ? k : most;
        if (x == COLUMNS || most != last) {
            if (last >= 0) {
                text_format(
                    text,
                    "<rect x=\"%.1f\" y=\"%.1f\" width=\"%d\" height=\"%.1f\" fill=\"%s\"/>\n",
                    LEFT + start, STRIP_TOP, x - start, STRIP_BOTTOM - STRIP_TOP,
                    phases[last].colour);
                shown[last] += x - start;
            }
            start = x;
            last = most;
        }
    }
    double x = LEFT;
    for (int k = 0; k < 7; k++)
        if (shown[k] > 0) {
            text_format(text,
                        "<rect x=\"%.1f\" y=\"46\" width=\"11\" height=\"11\" fill=\"%s\" "
                        "stroke=\"#888\" stroke-width=\"0.5\"/><text class=\"tick\" x=\"%.1f\" "
                        "y=\"56\">%s</text>\n",
                        x, phases[k].colour, x + 16, phases[k].name);
            x += 34 + 7.2 * (double)strlen(phases[k].name);
        }
}

static void marks(struct text *text, const struct plan *plan, const struct panel *panel)
{
    size_t count = plan_mark_count(plan);
    double free_x = 0;
    for (size_t i = 0; i < count && count <= 16 * MARKS_SHOWN; i++) {
        const struct plan_mark *m = &plan_marks(plan)[i];
        if (m->at_s > panel->to_s)
            break;
        double x = place_x(panel, m->at_s), wide = 7.0 * (double)strlen(m->text);
        text_format(text, "<path class=\"mark\" d=\"M%.1f %.1fV%.1f\"/>", x, panel->top,
                    panel->bottom);
        if (x < free_x || x + wide > RIGHT + 10 || wide > 300)
            continue;
        text_format(text, "<text class=\"tick\" x=\"%.1f\" y=\"%.1f\">", x + 3, panel->bottom - 6);
        text_add_escaped(text, m->text);
        text_add(text, "</text>\n");
        free_x = x + wide + 8;
    }
}

static void head(struct text *text, const struct plan_sheet *sheet)
{
    char duration[32];
    const char *title = plan_title(sheet->plan);
    text_format(text,
                "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 %g %g\" "
                "font-family=\"Helvetica, Arial, 'Liberation Sans', sans-serif\">\n<style>"
                ".grid{stroke:#d8d8d8;stroke-width:0.7;fill:none}"
                ".tick{font-size:12px;fill:#333}.label{font-size:13px;fill:#111}"
                ".line{fill:none;stroke:#111;stroke-width:1.3;stroke-linejoin:round}"
                ".dense{fill:none;stroke:#444;stroke-width:0.6}"
                ".limit{stroke:#d55e00;stroke-width:1;stroke-dasharray:7 4;fill:none}"
                ".mark{stroke:#555;stroke-width:0.8;stroke-dasharray:2 3;fill:none}"
                ".frame{fill:none;stroke:#333;stroke-width:1}</style>\n"
                "<rect width=\"%g\" height=\"%g\" fill=\"#fff\"/>\n"
                "<text x=\"%g\" y=\"30\" font-size=\"19\" fill=\"#111\">",
                WIDTH, HEIGHT, WIDTH, HEIGHT, LEFT);
    text_add_escaped(text, title[0] ? title : sheet->profile_name);
    text_format(
        text,
        "</text>\n<text class=\"label\" x=\"%g\" y=\"30\" text-anchor=\"end\">%s, %llu lines "
        "of motion</text>\n",
        RIGHT, text_duration(duration, plan_duration_s(sheet->plan)),
        (unsigned long long)plan_line_count(sheet->plan));
}

static void extend(const struct plan_column columns[], double *low, double *high)
{
    for (int x = 0; x < COLUMNS; x++)
        if (columns[x].any) {
            *low = fmin(*low, columns[x].low.value);
            *high = fmax(*high, columns[x].high.value);
        }
}

static void depth_panel(struct text *text, const struct panel *panel, double step, bool labels,
                        const char *style)
{
    double surface = place_y(panel, 0);
    text_format(text, "<rect x=\"%g\" y=\"%.1f\" width=\"%g\" height=\"%.1f\" fill=\"#e4f1fa\"/>\n",
                LEFT, surface, RIGHT - LEFT, panel->bottom - surface);
    time_axis(text, panel, labels);
    value_axis(text, panel, step, "depth, mm");
    text_format(
        text,
        "<path stroke=\"#56b4e9\" stroke-width=\"1.6\" d=\"M%g %.1fH%g\"/><text class=\"tick\" "
        "x=\"%g\" y=\"%.1f\" text-anchor=\"end\">surface</text>\n",
        LEFT, surface, RIGHT, RIGHT - 4, surface - 4);
    curve(text, panel, style);
    frame(text, panel);
}

static void speed_panel(struct text *text, const struct panel *panel, double limit)
{
    time_axis(text, panel, true);
    value_axis(text, panel, nice_step(2 * panel->at_top, panel->bottom - panel->top > 100 ? 5 : 3),
               "speed, mm/s");
    text_format(
        text,
        "<path class=\"limit\" d=\"M%g %.1fH%gM%g %.1fH%g\"/><text class=\"tick\" x=\"%g\" "
        "y=\"%g\" text-anchor=\"end\">dashed: limit of the axis; speed is of depth, sinking "
        "counts as positive</text>\n",
        LEFT, place_y(panel, limit), RIGHT, LEFT, place_y(panel, -limit), RIGHT, RIGHT,
        panel->top - 6);
    curve(text, panel, "class=\"line\" style=\"stroke:#0072b2;stroke-width:1\"");
    frame(text, panel);
}

/* All of it above, and below the same, or the start of a long plan more closely,
 * with its speed. */
static int draw(struct text *text, const struct plan_sheet *sheet, struct plan_column *columns,
                struct rig_err *err)
{
    struct plan_column *whole = columns, *depth = columns + COLUMNS, *speed = columns + 2 * COLUMNS;
    double end_s = plan_duration_s(sheet->plan), close_s = end_s > LONG_S ? CLOSE_S : end_s;
    int code = 0;
    if (end_s > LONG_S)
        code = plan_outline(sheet->plan, 0, end_s, COLUMNS, whole, speed, err);
    memset(speed, 0, COLUMNS * sizeof *speed);
    if (!code)
        code = plan_outline(sheet->plan, 0, close_s, COLUMNS, depth, speed, err);
    if (code)
        return code;
    double low = sheet->rig->axis.park_mm, high = 0, slow = 0, limit = sheet->rig->axis.speed_mm_s;
    double fast = limit;
    extend(whole, &low, &high);
    extend(depth, &low, &high);
    extend(speed, &slow, &fast);
    double step = nice_step(high - low, 8), reach = 1.08 * fmax(fast, -slow);
    low = floor(low / step) * step;
    high = ceil(high / step) * step;
    head(text, sheet);
    strip(text, sheet->plan);
    double top = TOP;
    if (end_s > LONG_S) {
        struct panel all = {0, end_s, TOP, TOP + 118, low, high, whole};
        depth_panel(text, &all, 2 * step, true, "class=\"dense\"");
        top = TOP + 118 + 66;
        text_format(text, "<text class=\"label\" x=\"%g\" y=\"%g\">The first %g minutes</text>\n",
                    LEFT, top - 8, CLOSE_S / 60);
    }
    double middle = top + 0.63 * (BOTTOM - top);
    struct panel near = {0, close_s, top, middle, low, high, depth};
    struct panel pace = {0, close_s, middle + 38, BOTTOM, reach, -reach, speed};
    depth_panel(text, &near, end_s > LONG_S ? 2 * step : step, false, "class=\"line\"");
    marks(text, sheet->plan, &near);
    speed_panel(text, &pace, limit);
    text_add(text, "</svg>\n");
    return 0;
}

void plan_picture(struct text *text, const struct plan_sheet *sheet, struct rig_err *err)
{
    struct plan_column *columns = calloc(3 * COLUMNS, sizeof *columns);
    if (!columns)
        rig_fail_memory(err, "drawing the plan");
    if (!columns || draw(text, sheet, columns, err))
        text->failed = true;
    free(columns);
}
