/* SPDX-License-Identifier: GPL-3.0-or-later
 * How a series looks, the same in every drawing of it: ink, and besides the ink a shape,
 * a dash or a hatching, so that plots are read without colour too. Pure. */
#ifndef RESULTS_FIGURE_STYLE_H
#define RESULTS_FIGURE_STYLE_H

#include "results/figure.h"

/* Six inks of our own on pale paper. Each stands out from the paper by 3:1 (W3C, Web
 * Content Accessibility Guidelines 2.2, 1.4.11), and any two are told apart by eyes
 * without the red or the green cones too (tests/unit/test_figure_style.c). */
enum { FIGURE_INKS = 6, FIGURE_SHAPES = 6, FIGURE_DASHES = 6 };
extern const char figure_inks[FIGURE_INKS][8]; /* "#0b4f7d" */
extern const char figure_paper[8];

struct figure_style {
    const char *ink;
    const char *shape; /* of points: "disc", "square", "triangle", "diamond", "ring", "cross" */
    const char *dash;  /* of lines, as SVG's stroke-dasharray; "" solid */
    unsigned pattern;  /* 0 to FIGURE_SHAPES - 1: number of that shape, dash or hatching */
};

/* A series whose name begins with "rising" has the first ink and one with "falling" the
 * second, in every plot, and so have "before" and "after"; all others share the rest in turn. */
struct figure_style figure_style(const struct figure *figure, size_t series);

#endif
