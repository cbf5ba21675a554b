/* SPDX-License-Identifier: GPL-3.0-or-later
 * A figure as a still picture: for paper, for readers without scripts, for files. Pure. */
#ifndef RESULTS_FIGURE_SVG_H
#define RESULTS_FIGURE_SVG_H

#include "results/figure.h"

/* Appends one <svg> element with a title, axes with their labels, and every series. It
 * brings no key; standalone adds that, the namespace and a white ground, for a file of
 * its own. */
void figure_svg(struct text *out, const struct figure *figure, bool standalone);

/* A small picture of a series' mark, for a key in HTML. */
void figure_swatch(struct text *out, const struct figure *figure, size_t series);

#endif
