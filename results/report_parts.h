/* SPDX-License-Identifier: GPL-3.0-or-later
 * What the files of the report share. Private to results/report*.c. */
#ifndef RESULTS_REPORT_PARTS_H
#define RESULTS_REPORT_PARTS_H

#include "results/report.h"

/* Style and script of the page: results/report.css and report.js, taken in by the build. */
extern const char report_page_style[];
extern const char report_page_script[];

/* A chapter answers one question: the results and figures whose names begin so belong to
 * it, the first chapter that wants one gets it, and the last takes what is left. */
struct report_chapter {
    const char *id;                              /* for links */
    const char *mark;                            /* one or two words beside the staff */
    const char *question;                        /* heading */
    const char *const *results, *const *figures; /* beginnings, NULL-terminated */
};
extern const struct report_chapter report_chapters[];
extern const size_t report_chapter_count;

/* Index of the chapter of a result's name, or of a figure's id. */
size_t report_chapter_of_result(const char *name);
size_t report_chapter_of_figure(const char *id);

/* The board in the water; NaN: without its range. */
void report_staff(struct text *out, double low_mm, double high_mm);
/* A page's frame: between the two goes a <main> with what it has to say; `figures` are those
 * that report_figure put there. */
void report_page_begin(struct text *out, const char *title, const char *plot_style);
void report_page_end(struct text *out, const struct figure_list *figures, const char *plot_script);
/* Sentences that the reader must see first. */
void report_warnings(struct text *out, const char *const warnings[], size_t count);
/* One plot with its sentence, key and tools. */
void report_figure(struct text *out, const struct figure *figure);
/* All figures as one JSON array, with the frame, ink, shape and dash of each series. */
void report_figures_json(struct text *out, const struct figure_list *figures);

#endif
