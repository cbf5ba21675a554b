/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/figure_svg.h"

#include "results/figure_frame.h"
#include "results/figure_style.h"

#include <math.h>
#include <string.h>

static const double WIDTH = 760, HEIGHT = 330, RIGHT = 748, TOP = 10, FOOT = 46;
static const double LETTER = 6.6; /* width of one at 12 px, about */
static const double ROW = 34;     /* height of a named row */
enum { SMALL_MARKS = 250 };       /* with more points, smaller ones */

struct drawing {
    struct text *out;
    const struct figure *figure;
    struct figure_frame frame;
    double left, bottom, height;
};

static double along(double value, double low, double high, bool logarithmic)
{
    return logarithmic ? log(value / low) / log(high / low) : (value - low) / (high - low);
}

static double place_x(const struct drawing *d, double x)
{
    return d->left +
           (RIGHT - d->left) * along(x, d->frame.x_low, d->frame.x_high, d->figure->log_x);
}

static double place_y(const struct drawing *d, double y)
{
    double up = along(y, d->frame.y_low, d->frame.y_high, d->figure->log_y);
    return d->figure->row_count ? TOP + (d->bottom - TOP) * up : d->bottom - (d->bottom - TOP) * up;
}

static bool drawn(const struct drawing *d, double x, double y)
{
    return isfinite(place_x(d, x)) && isfinite(place_y(d, y));
}

/* ---- axes ---- */

static void x_axis(const struct drawing *d)
{
    double ticks[FIGURE_TICK_LIMIT];
    char dates[FIGURE_TICK_LIMIT][32];
    size_t count = d->figure->dates
                       ? figure_date_ticks(d->frame.x_low, d->frame.x_high, 8, ticks, dates)
                       : figure_ticks(d->frame.x_low, d->frame.x_high, 8, d->figure->log_x, ticks);
    for (size_t i = 0; i < count; i++) {
        char number[32];
        double x = place_x(d, ticks[i]);
        if (d->figure->dates)
            memcpy(number, dates[i], sizeof number);
        else
            figure_tick_text(number, ticks[i],
                             d->figure->log_x ? ticks[i]
                             : count > 1      ? ticks[1] - ticks[0]
                                              : ticks[i]);
        /* A date at the edge is wide. */
        double half = LETTER * (double)strlen(number) / 2, middle = fmin(x, WIDTH - half - 1);
        text_format(d->out,
                    "<path class=\"grid\" d=\"M%.1f %.1fV%.1f\"/><text class=\"tick\" x=\"%.1f\" "
                    "y=\"%.1f\" text-anchor=\"middle\">%s</text>\n",
                    x, TOP, d->bottom, middle, d->bottom + 16, number);
    }
    text_format(d->out, "<text class=\"axis\" x=\"%.1f\" y=\"%.1f\" text-anchor=\"middle\">",
                (d->left + RIGHT) / 2, d->bottom + 36);
    text_add_escaped(d->out, d->figure->x_label);
    text_add(d->out, "</text>\n");
}

static void rows_axis(const struct drawing *d)
{
    for (size_t r = 0; r < d->figure->row_count; r++) {
        double y = place_y(d, (double)r);
        text_format(d->out,
                    "<path class=\"grid\" d=\"M%.1f %.1fH%.1f\"/><text class=\"tick\" x=\"%.1f\" "
                    "y=\"%.1f\" text-anchor=\"end\">",
                    d->left, y, RIGHT, d->left - 7, y + 4);
        text_add_escaped(d->out, d->figure->rows[r]);
        text_add(d->out, "</text>\n");
    }
}

static void y_axis(const struct drawing *d)
{
    double ticks[FIGURE_TICK_LIMIT];
    size_t count = figure_ticks(d->frame.y_low, d->frame.y_high, 6, d->figure->log_y, ticks);
    for (size_t i = 0; i < count; i++) {
        char number[32];
        double y = place_y(d, ticks[i]);
        figure_tick_text(number, ticks[i],
                         d->figure->log_y ? ticks[i]
                         : count > 1      ? ticks[1] - ticks[0]
                                          : ticks[i]);
        text_format(d->out,
                    "<path class=\"grid\" d=\"M%.1f %.1fH%.1f\"/><text class=\"tick\" x=\"%.1f\" "
                    "y=\"%.1f\" text-anchor=\"end\">%s</text>\n",
                    d->left, y, RIGHT, d->left - 7, y + 4, number);
    }
    if (!d->figure->log_y && d->frame.y_low < 0 && d->frame.y_high > 0)
        text_format(d->out, "<path class=\"zero\" d=\"M%.1f %.1fH%.1f\"/>\n", d->left,
                    place_y(d, 0), RIGHT);
}

static void y_label(const struct drawing *d)
{
    text_format(d->out,
                "<text class=\"axis\" transform=\"translate(14 %.1f) rotate(-90)\" "
                "text-anchor=\"middle\">",
                (TOP + d->bottom) / 2);
    text_add_escaped(d->out, d->figure->y_label);
    text_add(d->out, "</text>\n");
}

/* ---- marks ---- */

/* Appends one shape of half width r around (x, y) to a path; true when it is filled. */
static bool shape(struct text *out, const char *name, double x, double y, double r)
{
    if (strcmp(name, "square") == 0) {
        text_format(out, "M%.1f %.1fh%.1fv%.1fh%.1fz", x - r, y - r, 2 * r, 2 * r, -2 * r);
        return false;
    }
    if (strcmp(name, "triangle") == 0) {
        text_format(out, "M%.1f %.1fl%.1f %.1fh%.1fz", x, y - 1.3 * r, 1.2 * r, 2.2 * r, -2.4 * r);
        return true;
    }
    if (strcmp(name, "diamond") == 0) {
        text_format(out, "M%.1f %.1fl%.1f %.1fl%.1f %.1fl%.1f %.1fz", x, y - 1.4 * r, 1.4 * r,
                    1.4 * r, -1.4 * r, 1.4 * r, -1.4 * r, -1.4 * r);
        return false;
    }
    if (strcmp(name, "cross") == 0) {
        text_format(out, "M%.1f %.1fl%.1f %.1fm%.1f 0l%.1f %.1f", x - r, y - r, 2 * r, 2 * r,
                    -2 * r, 2 * r, -2 * r);
        return false;
    }
    text_format(out, "M%.1f %.1fa%.1f %.1f 0 1 0 %.1f 0a%.1f %.1f 0 1 0 %.1f 0z", x - r, y, r, r,
                2 * r, r, r, -2 * r);
    return strcmp(name, "ring") != 0;
}

static void intervals(const struct drawing *d, const struct figure_series *series, const char *ink)
{
    text_format(d->out, "<path fill=\"none\" stroke=\"%s\" d=\"", ink);
    for (size_t i = 0; i < series->count; i++) {
        double x = place_x(d, series->x[i]), low = place_y(d, series->low[i]);
        double high = place_y(d, series->high[i]);
        if (isfinite(x) && isfinite(low) && isfinite(high))
            text_format(d->out, "M%.1f %.1fV%.1fM%.1f %.1fh6M%.1f %.1fh6", x, low, high, x - 3, low,
                        x - 3, high);
    }
    text_add(d->out, "\"/>\n");
}

static void points(const struct drawing *d, const struct figure_series *series,
                   struct figure_style style)
{
    double r = series->count > SMALL_MARKS ? 1.1 : 3;
    bool filled = false;
    if (series->low)
        intervals(d, series, style.ink);
    struct text path = {0};
    for (size_t i = 0; i < series->count; i++)
        if (drawn(d, series->x[i], series->y[i]))
            filled =
                shape(&path, style.shape, place_x(d, series->x[i]), place_y(d, series->y[i]), r);
    text_format(d->out, "<path %s=\"%s\"%s d=\"", filled ? "fill" : "stroke", style.ink,
                filled ? "" : " fill=\"none\" stroke-width=\"1.2\"");
    text_add(d->out, path.bytes ? path.bytes : "");
    text_add(d->out, "\"/>\n");
    d->out->failed |= path.failed;
    text_free(&path);
}

/* The interval of a line is a pale band around it. */
static void band(const struct drawing *d, const struct figure_series *series, const char *ink)
{
    char step = 'M';
    text_format(d->out, "<path fill=\"%s\" fill-opacity=\"0.15\" d=\"", ink);
    for (size_t k = 0; k < 2 * series->count; k++) {
        bool back = k >= series->count;
        size_t i = back ? 2 * series->count - 1 - k : k;
        double x = place_x(d, series->x[i]);
        double y = place_y(d, back ? series->low[i] : series->high[i]);
        if (!isfinite(x) || !isfinite(y))
            continue;
        text_format(d->out, "%c%.1f %.1f", step, x, y);
        step = 'L';
    }
    text_add(d->out, step == 'L' ? "z\"/>\n" : "\"/>\n");
}

static void line(const struct drawing *d, const struct figure_series *series,
                 struct figure_style style)
{
    char step = 'M';
    if (series->low)
        band(d, series, style.ink);
    text_format(d->out,
                "<path fill=\"none\" stroke=\"%s\" stroke-width=\"1.6\" stroke-linejoin=\"round\" "
                "stroke-dasharray=\"%s\" d=\"",
                style.ink, *style.dash ? style.dash : "none");
    for (size_t i = 0; i < series->count; i++) {
        if (!drawn(d, series->x[i], series->y[i])) {
            step = 'M';
            continue;
        }
        text_format(d->out, "%c%.1f %.1f", step, place_x(d, series->x[i]),
                    place_y(d, series->y[i]));
        step = 'L';
    }
    text_add(d->out, "\"/>\n");
}

static void bars(const struct drawing *d, const struct figure_series *series,
                 struct figure_style style)
{
    double half = figure_bar_width(series) / 2;
    double foot = d->figure->log_y ? d->bottom : place_y(d, 0);
    text_format(d->out,
                "<path fill=\"%s\" fill-opacity=\"0.3\" stroke=\"%s\" stroke-dasharray=\"%s\" "
                "d=\"",
                style.ink, style.ink, *style.dash ? style.dash : "none");
    for (size_t i = 0; i < series->count; i++) {
        double from = place_x(d, series->x[i] - half), to = place_x(d, series->x[i] + half);
        double y = place_y(d, series->y[i]);
        if (isfinite(from) && isfinite(to) && isfinite(y))
            text_format(d->out, "M%.1f %.1fV%.1fH%.1fV%.1fz", from, foot, y, to, foot);
    }
    text_add(d->out, "\"/>\n");
}

/* Lines across a band, their slope by the pattern: a link is found again without colour. */
static void hatch(struct text *out, double x, double y, double wide, double high, unsigned pattern)
{
    static const double slants[FIGURE_DASHES] = {0, 1, -1, 0, 2, -2};
    double gap = pattern == 3 ? 4 : 7;
    if (pattern == 0)
        return;
    double slant = slants[pattern] * high, from = x - fmax(slant, 0),
           to = x + wide - fmin(slant, 0);
    for (double at = from + gap / 2; at < to; at += gap) {
        /* The part of the slanted line that lies inside. */
        double s0 = 0, s1 = 1;
        if (slant != 0) {
            double a = (x - at) / slant, b = (x + wide - at) / slant;
            s0 = fmax(0, fmin(a, b));
            s1 = fmin(1, fmax(a, b));
        }
        if (s1 > s0)
            text_format(out, "M%.1f %.1fL%.1f %.1f", at + s0 * slant, y + s0 * high,
                        at + s1 * slant, y + s1 * high);
    }
}

static void spans(const struct drawing *d, const struct figure_series *series,
                  struct figure_style style)
{
    double high = 0.6 * (place_y(d, 1) - place_y(d, 0));
    for (size_t i = 0; i + 1 < series->count; i += 2) {
        double from = place_x(d, series->x[i]), to = place_x(d, series->x[i + 1]);
        double y = place_y(d, series->y[i]) - high / 2;
        if (!isfinite(from) || !isfinite(to) || !isfinite(y))
            continue;
        text_format(d->out,
                    "<rect x=\"%.1f\" y=\"%.1f\" width=\"%.1f\" height=\"%.1f\" fill=\"%s\" "
                    "fill-opacity=\"0.22\" stroke=\"%s\"/><path stroke=\"%s\" "
                    "stroke-opacity=\"0.5\" d=\"",
                    from, y, fmax(to - from, 0.5), high, style.ink, style.ink, style.ink);
        hatch(d->out, from, y, to - from, high, style.pattern);
        text_add(d->out, "\"/>\n");
        if (to - from > LETTER * (double)strlen(series->name) + 8) {
            text_format(d->out,
                        "<text class=\"span\" x=\"%.1f\" y=\"%.1f\" text-anchor=\"middle\">",
                        (from + to) / 2, y + high / 2 + 4);
            text_add_escaped(d->out, series->name);
            text_add(d->out, "</text>\n");
        }
    }
}

/* Many points lie under the lines through them, few on top. */
static int layer(const struct figure_series *series)
{
    bool few = series->count <= SMALL_MARKS;
    return series->mark == FIGURE_LINE || series->mark == FIGURE_DASHED ? 1
           : series->mark == FIGURE_POINTS && few                       ? 2
                                                                        : 0;
}

static void draw(const struct drawing *d, size_t index)
{
    const struct figure_series *series = &d->figure->series[index];
    struct figure_style style = figure_style(d->figure, index);
    switch (series->mark) {
    case FIGURE_POINTS:
        points(d, series, style);
        break;
    case FIGURE_BARS:
        bars(d, series, style);
        break;
    case FIGURE_SPANS:
        spans(d, series, style);
        break;
    default:
        line(d, series, style);
    }
}

/* ---- the whole ---- */

static void ground(const struct drawing *d, double whole)
{
    double x = d->left;
    text_format(d->out,
                "<style>.grid{stroke:#d9d4c8;stroke-width:.7;fill:none}.zero{stroke:#6d7a80;"
                "stroke-width:1;fill:none}.tick,.axis,.span{font:12px sans-serif;fill:#23303a}"
                ".frame{fill:none;stroke:#6d7a80}</style>\n"
                "<rect width=\"%g\" height=\"%g\" fill=\"%s\"/>\n",
                WIDTH, whole, figure_paper);
    for (size_t s = 0; s < d->figure->series_count; s++) {
        const char *name = d->figure->series[s].name;
        text_format(d->out, "<svg x=\"%.1f\" y=\"%.1f\">", x, d->height + 2);
        figure_swatch(d->out, d->figure, s);
        text_format(d->out, "</svg><text class=\"tick\" x=\"%.1f\" y=\"%.1f\">", x + 32,
                    d->height + 13);
        text_add_escaped(d->out, name);
        text_add(d->out, "</text>\n");
        x += 52 + LETTER * (double)strlen(name);
    }
}

void figure_svg(struct text *out, const struct figure *figure, bool standalone)
{
    struct drawing d = {
        .out = out,
        .figure = figure,
        .frame = figure_frame_of(figure),
        .left = 78,
        .height = HEIGHT,
    };
    for (size_t r = 0; r < figure->row_count; r++)
        d.left = fmax(d.left, fmin(14 + 20 + LETTER * (double)strlen(figure->rows[r]), WIDTH / 2));
    if (figure->row_count)
        d.height = TOP + FOOT + ROW * ((double)figure->row_count + 0.2);
    d.bottom = d.height - FOOT;
    double whole = d.height + (standalone ? 22 : 0);
    text_format(out, "<svg class=\"still\" role=\"img\" viewBox=\"0 0 %g %g\"%s>\n<title>", WIDTH,
                whole, standalone ? " xmlns=\"http://www.w3.org/2000/svg\"" : "");
    text_add_escaped(out, figure->title);
    text_add(out, "</title>\n");
    if (standalone)
        ground(&d, whole);
    x_axis(&d);
    if (figure->row_count)
        rows_axis(&d);
    else
        y_axis(&d);
    y_label(&d);
    for (int at = 0; at < 3; at++)
        for (size_t s = 0; s < figure->series_count; s++)
            if (layer(&figure->series[s]) == at)
                draw(&d, s);
    text_format(out,
                "<rect class=\"frame\" x=\"%.1f\" y=\"%.1f\" width=\"%.1f\" height=\"%.1f\"/>\n",
                d.left, TOP, RIGHT - d.left, d.bottom - TOP);
    text_add(out, "</svg>\n");
}

void figure_swatch(struct text *out, const struct figure *figure, size_t series)
{
    struct figure_style style = figure_style(figure, series);
    enum figure_mark mark = figure->series[series].mark;
    text_add(out, "<svg class=\"swatch\" width=\"28\" height=\"14\" aria-hidden=\"true\"><path ");
    if (mark == FIGURE_POINTS) {
        struct text path = {0};
        bool filled = shape(&path, style.shape, 14, 7, 3.2);
        text_format(out, "%s=\"%s\"%s d=\"%s", filled ? "fill" : "stroke", style.ink,
                    filled ? "" : " fill=\"none\" stroke-width=\"1.2\"",
                    path.bytes ? path.bytes : "");
        out->failed |= path.failed;
        text_free(&path);
    } else if (mark == FIGURE_BARS || mark == FIGURE_SPANS) {
        text_format(out,
                    "fill=\"%s\" fill-opacity=\"0.25\" stroke=\"%s\" d=\"M2 2h24v10h-24z\"/><path "
                    "stroke=\"%s\" stroke-opacity=\"0.5\" d=\"",
                    style.ink, style.ink, style.ink);
        if (mark == FIGURE_SPANS)
            hatch(out, 2, 2, 24, 10, style.pattern);
    } else {
        text_format(out,
                    "fill=\"none\" stroke=\"%s\" stroke-width=\"2\" stroke-dasharray=\"%s\" "
                    "d=\"M0 7h28",
                    style.ink, *style.dash ? style.dash : "none");
    }
    text_add(out, "\"/></svg>");
}
