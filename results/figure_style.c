/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/figure_style.h"

#include <string.h>

const char figure_paper[8] = "#fbfaf6";
const char figure_inks[FIGURE_INKS][8] = {
    "#0b4f7d", "#cf6a17", "#0f8f7c", "#221a12", "#6b4be0", "#7a3b10",
};
static const char *const shapes[FIGURE_SHAPES] = {"disc",    "square", "triangle",
                                                  "diamond", "ring",   "cross"};
static const char *const dashes[FIGURE_DASHES] = {"", "9 4", "2 3", "12 3 2 3", "5 5", "16 4 4 4"};

enum kin { FIRST, SECOND, OTHER };

static bool begins(const char *name, const char *word)
{
    return strncmp(name, word, strlen(word)) == 0;
}

static enum kin kin_of(const char *name)
{
    return begins(name, "rising") || begins(name, "before")   ? FIRST
           : begins(name, "falling") || begins(name, "after") ? SECOND
                                                              : OTHER;
}

struct figure_style figure_style(const struct figure *figure, size_t series)
{
    const struct figure_series *self = &figure->series[series];
    enum kin kin = kin_of(self->name);
    unsigned kindred = 0, alike = 0; /* before it: of its kind, and drawn by the same mark too */
    unsigned second = 0;             /* in all, drawn by the same mark */
    for (size_t s = 0; s < figure->series_count; s++) {
        enum kin its_kin = kin_of(figure->series[s].name);
        bool same_mark = figure->series[s].mark == self->mark;
        kindred += s < series && its_kin == kin;
        alike += s < series && its_kin == kin && same_mark;
        second += its_kin == SECOND && same_mark;
    }
    unsigned ink = kin == OTHER ? 2 + kindred % (FIGURE_INKS - 2) : (unsigned)kin;
    /* One falling beside one rising has a shape or dash of its own. Where each comes at
     * several speeds, both ways at one speed share it, and the ink tells the way. So with
     * before and after. */
    unsigned pattern = alike + (kin == SECOND && second == 1);
    if (self->mark == FIGURE_DASHED)
        pattern = pattern % (FIGURE_DASHES - 1) + 1;
    pattern %= FIGURE_SHAPES;
    return (struct figure_style){
        .ink = figure_inks[ink],
        .shape = shapes[pattern],
        .dash = dashes[pattern],
        .pattern = pattern,
    };
}
