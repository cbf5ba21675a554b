/* SPDX-License-Identifier: GPL-3.0-or-later
 * The board as a drawing: graduated, standing in the water, with the depths that its
 * curve covers. */
#include "results/report_parts.h"

#include "results/figure_frame.h"

#include <math.h>

static const double WIDTH = 150, HEIGHT = 250, TOP = 8, FOOT = 236, BOARD = 58, WIDE = 30;

/* Depth is immersion of the lower edge: with depth d the water stands d above that edge. */
void report_staff(struct text *out, double low_mm, double high_mm)
{
    bool known = isfinite(low_mm) && isfinite(high_mm) && high_mm > low_mm && high_mm > 0;
    double scale = (FOOT - TOP) / (known ? high_mm * 1.18 : 100);
    double surface = known ? FOOT - high_mm * scale : TOP + 40;
    double ticks[FIGURE_TICK_LIMIT];
    size_t count = known ? figure_ticks(0, high_mm * 1.1, 8, false, ticks) : 0;
    text_format(out,
                "<svg class=\"board\" role=\"img\" viewBox=\"0 0 %g %g\"><title>The board in the "
                "water%s</title>\n"
                "<rect x=\"0\" y=\"%.1f\" width=\"%g\" height=\"%.1f\" fill=\"#d3e4e8\"/>"
                "<path stroke=\"#2f6f83\" stroke-width=\"2\" d=\"M0 %.1fH%g\"/>"
                "<rect x=\"%g\" y=\"%g\" width=\"%g\" height=\"%g\" fill=\"#fffdf6\" "
                "stroke=\"#23303a\"/>\n",
                WIDTH, HEIGHT, known ? " and the depths that its curve covers" : "", surface, WIDTH,
                HEIGHT - surface, surface, WIDTH, BOARD, TOP, WIDE, FOOT - TOP);
    for (size_t i = 0; i < count; i++) {
        double y = FOOT - ticks[i] * scale;
        text_format(out,
                    "<path stroke=\"#23303a\" d=\"M%g %.1fh%g\"/><text class=\"tick\" x=\"%g\" "
                    "y=\"%.1f\" text-anchor=\"end\">%g</text>\n",
                    BOARD, y, i % 2 ? WIDE / 2 : WIDE, BOARD - 5, y + 4, ticks[i]);
        if (i % 2 && i + 1 < count)
            text_format(out,
                        "<rect x=\"%g\" y=\"%.1f\" width=\"%g\" height=\"%.1f\" "
                        "fill=\"#23303a\"/>\n",
                        BOARD + WIDE / 2, FOOT - ticks[i + 1] * scale, WIDE / 2,
                        (ticks[i + 1] - ticks[i]) * scale);
    }
    if (known)
        text_format(out,
                    "<path fill=\"none\" stroke=\"#cf6a17\" stroke-width=\"2.5\" d=\"M%g "
                    "%.1fh8V%.1fh-8\"/><text class=\"tick\" transform=\"translate(%g %.1f) "
                    "rotate(-90)\" text-anchor=\"middle\">curve, mm of depth</text>\n",
                    BOARD + WIDE + 5, FOOT - low_mm * scale, surface, BOARD + WIDE + 28,
                    FOOT - (low_mm + high_mm) / 2 * scale);
    text_add(out, "</svg>\n");
}
