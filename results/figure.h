/* SPDX-License-Identifier: GPL-3.0-or-later
 * What a plot shows, apart from how it is drawn: the fit fills figures, the report
 * draws them, and anybody can take their data as CSV. Pure. */
#ifndef RESULTS_FIGURE_H
#define RESULTS_FIGURE_H

#include "base/err.h"
#include "base/text.h"

#include <stdbool.h>
#include <stddef.h>

enum { FIGURE_TEXT_SIZE = 96, FIGURE_SENTENCE_SIZE = 320 };

enum figure_mark {
    FIGURE_LINE,
    FIGURE_DASHED,
    FIGURE_POINTS,
    FIGURE_BARS, /* upright, from zero to y, as wide as the gap to the neighbours: a histogram */
    FIGURE_SPANS /* points in pairs: a band from x[2i] to x[2i + 1] in the row y (of both): the
                    links of a chain, stretches of time. Within a pair x ascends. */
};

struct figure_series {
    char name[FIGURE_TEXT_SIZE];
    enum figure_mark mark;
    size_t count;
    double *x, *y;      /* count each; x ascends */
    double *low, *high; /* 95 % interval of y, NULL where there is none */
};

struct figure {
    char id[FIGURE_TEXT_SIZE]; /* "calibration", one word, for links and file names */
    char title[FIGURE_TEXT_SIZE];
    char sentence[FIGURE_SENTENCE_SIZE]; /* what it shows, in one sentence */
    char x_label[FIGURE_TEXT_SIZE];      /* with unit: "depth, mm" */
    char y_label[FIGURE_TEXT_SIZE];
    bool log_x, log_y; /* then points that are not above 0 are not drawn */
    /* x is in seconds since 1970-01-01T00:00:00Z: the still picture has a calendar below. */
    bool dates;
    /* Names in place of numbers on the y axis: row r lies at y = r, row 0 on top. NULL: none. */
    char (*rows)[FIGURE_TEXT_SIZE];
    size_t row_count;
    size_t series_count;
    struct figure_series *series;
};

/* Zero-initialise. */
struct figure_list {
    struct figure *figures;
    size_t count;
};

/* Valid until the next figure_add; NULL when memory is out. */
struct figure *figure_add(struct figure_list *list, const char *id, const char *title,
                          const char *x_label, const char *y_label, struct rig_err *err);
/* A series with room for `count` points, x and y allocated and zero, low and high too
 * when with_interval. Valid until the next figure_series_add to the same figure. */
struct figure_series *figure_series_add(struct figure *figure, const char *name,
                                        enum figure_mark mark, size_t count, bool with_interval,
                                        struct rig_err *err);
/* Names the next row of the y axis, from the top. */
int figure_row_add(struct figure *figure, const char *name, struct rig_err *err);

enum { FIGURE_COLUMNS = 400 };
/* Makes every series as small as a plot `columns` pixels wide can show: of each column the
 * first point, the lowest, the highest (with their intervals) and the last stay, so that no
 * peak is lost, and a series within 4 points a column stays whole. Columns are even in x, or
 * in its logarithm. Bars and spans stay as they are. */
void figure_reduce(struct figure *figure, size_t columns);

/* series,x,y,low,high as RFC 4180, the axis labels in the header. */
void figure_csv(const struct figure *figure, struct text *out);
void figure_list_free(struct figure_list *list);

#endif
