/* SPDX-License-Identifier: GPL-3.0-or-later
 * Whether the sources speak, and whether what they say follows the water. */
#include "rig/supervisor_parts.h"

#include "base/clock.h"

#include <math.h>
#include <stdio.h>

/* Common practice, no source: a board says something several times a second, or the
 * rig file gives its rate. */
static const double FIRST_LINE_S = 5, SILENT_S = 5, PAUSE_LINES = 20;
/* A board that reads the same over half of the planned depths, and a centimetre, hangs; one
 * whose range ends before may stay where it is for less. */
static const double STUCK_SHARE = 0.5, STUCK_MM = 10;
enum { STUCK_LINES = 20 };

static double or_default(double value, double otherwise)
{
    return value > 0 ? value : otherwise;
}

static double wet(double depth_mm)
{
    return fmax(depth_mm, 0);
}

void watch_open(struct supervisor *supervisor)
{
    const struct supervisor_settings *settings = &supervisor->settings;
    const struct plan_segment *segments = plan_segments(settings->plan);
    double low_mm = INFINITY, high_mm = -INFINITY;
    for (size_t i = 0; i < settings->rig->source_count; i++) {
        double rate_hz = settings->rig->sources[i].rate_hz;
        double lines_s = rate_hz > 0 ? PAUSE_LINES / rate_hz : 0;
        struct source_watch *watch = &supervisor->sources[i];
        watch->first_limit_ns =
            rig_s_to_ns(fmax(or_default(settings->first_line_s, FIRST_LINE_S), lines_s));
        watch->pause_limit_ns =
            rig_s_to_ns(fmax(or_default(settings->silent_s, SILENT_S), lines_s));
    }
    for (size_t i = 0; i < plan_segment_count(settings->plan); i++) {
        low_mm = fmin(low_mm, wet(fmin((double)segments[i].from_mm, (double)segments[i].to_mm)));
        high_mm = fmax(high_mm, wet(fmax((double)segments[i].from_mm, (double)segments[i].to_mm)));
    }
    supervisor->stuck_mm = fmax(STUCK_MM, STUCK_SHARE * (high_mm - low_mm));
    watch_forget_readings(supervisor);
}

void watch_forget_readings(struct supervisor *supervisor)
{
    for (size_t i = 0; i < supervisor->settings.rig->source_count; i++)
        supervisor->sources[i].reading = NAN;
}

/* ---- a reading that does not follow the water ---- */

static void watch_reading(struct supervisor *supervisor, size_t source, double reading,
                          int64_t now_ns)
{
    struct source_watch *watch = &supervisor->sources[source];
    if (supervisor->phase != PHASE_MEASURE || !isfinite(reading))
        return;
    double depth_mm =
        wet(plan_depth_mm(supervisor->settings.plan, stroke_plan_s(supervisor, now_ns)));
    if (reading != watch->reading) {
        watch->reading = reading;
        watch->low_mm = watch->high_mm = depth_mm;
        watch->since_ns = now_ns;
        watch->lines = 1;
        return;
    }
    watch->low_mm = fmin(watch->low_mm, depth_mm);
    watch->high_mm = fmax(watch->high_mm, depth_mm);
    if (++watch->lines < STUCK_LINES || watch->high_mm - watch->low_mm < supervisor->stuck_mm)
        return;
    char text[320];
    snprintf(
        text, sizeof text,
        "source '%s' has read %.9g for %.1f s while the depth went from %.1f mm to %.1f mm: it "
        "hangs, or the stage does not move",
        supervisor->settings.rig->sources[source].name, reading,
        rig_ns_to_s(now_ns - watch->since_ns), watch->low_mm, watch->high_mm);
    watch->stuck = true;
    interrupt_note(supervisor, "stuck", text, INTERRUPT_GRAVE | INTERRUPT_HOME, watch->since_ns,
                   now_ns);
    supervisor_retreat(supervisor, now_ns);
}

void supervisor_heard(struct supervisor *supervisor, size_t source, double reading, int64_t now_ns)
{
    struct source_watch *watch = &supervisor->sources[source];
    watch->heard = true;
    watch->lost = false;
    watch->last_ns = now_ns;
    watch_reading(supervisor, source, reading, now_ns);
}

/* ---- a source that says nothing ---- */

static int64_t silent_from_ns(const struct supervisor *supervisor, size_t source)
{
    const struct source_watch *watch = &supervisor->sources[source];
    if (!watch->heard)
        return supervisor->phase_ns + watch->first_limit_ns;
    int64_t since_ns = watch->last_ns;
    /* Before the strokes a pause counts from here: homing was not watched over. */
    if (supervisor->phase != PHASE_MEASURE && since_ns < supervisor->phase_ns)
        since_ns = supervisor->phase_ns;
    return since_ns + watch->pause_limit_ns;
}

static void silent(struct supervisor *supervisor, size_t source, int64_t now_ns)
{
    const struct source_watch *watch = &supervisor->sources[source];
    const struct rig_source *described = &supervisor->settings.rig->sources[source];
    char text[400];
    if (watch->heard)
        snprintf(text, sizeof text, "source '%s' has said nothing readable for %.0f s",
                 described->name, rig_ns_to_s(now_ns - watch->last_ns));
    else
        snprintf(text, sizeof text,
                 "source '%s' said nothing readable on %.200s within %.0f s; check its cable, "
                 "its baud, and 'line' in the rig file",
                 described->name, described->port, rig_ns_to_s(watch->first_limit_ns));
    interrupt_note(supervisor, "silent", text, INTERRUPT_PLAIN, watch->last_ns, now_ns);
    supervisor_retreat(supervisor, now_ns);
}

bool watch_sources(struct supervisor *supervisor, int64_t now_ns)
{
    for (size_t i = 0; i < supervisor->settings.rig->source_count; i++)
        if (now_ns >= silent_from_ns(supervisor, i)) {
            silent(supervisor, i, now_ns);
            return false;
        }
    return true;
}

int64_t watch_deadline_ns(const struct supervisor *supervisor)
{
    int64_t deadline_ns = INT64_MAX;
    for (size_t i = 0; i < supervisor->settings.rig->source_count; i++) {
        int64_t silent_ns = silent_from_ns(supervisor, i);
        deadline_ns = silent_ns < deadline_ns ? silent_ns : deadline_ns;
    }
    return deadline_ns;
}

bool watch_all_well(const struct supervisor *supervisor, int64_t since_ns, int64_t now_ns)
{
    for (size_t i = 0; i < supervisor->settings.rig->source_count; i++) {
        const struct source_watch *watch = &supervisor->sources[i];
        if (!watch->heard || watch->lost || watch->last_ns < since_ns ||
            now_ns - watch->last_ns >= watch->pause_limit_ns)
            return false;
    }
    return true;
}

bool supervisor_wants_source(const struct supervisor *supervisor, size_t source)
{
    return supervisor->phase == PHASE_WAIT && supervisor->sources[source].stuck;
}

void supervisor_source_opened(struct supervisor *supervisor, size_t source)
{
    supervisor->sources[source].stuck = false;
}

void supervisor_source_lost(struct supervisor *supervisor, size_t source, const char *text,
                            int64_t now_ns)
{
    if (supervisor->phase == PHASE_OVER)
        return;
    supervisor->sources[source].lost = true;
    interrupt_note(supervisor, "unplugged", text, INTERRUPT_PLAIN, now_ns, now_ns);
    supervisor_retreat(supervisor, now_ns);
}
