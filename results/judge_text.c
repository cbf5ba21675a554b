/* SPDX-License-Identifier: GPL-3.0-or-later
 * A judgement as text, label and JSON. */
#include "results/judge.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const char *const verdicts[] = {"pass", "FAIL", "MISSING"};

static void rule_words(char words[96], double guard)
{
    if (guard > 0)
        snprintf(words, 96, "guarded acceptance, %.3g U inside each limit", guard);
    else
        snprintf(words, 96, "simple acceptance");
}

static void end_words(char *words, size_t room, const struct limit_end *end)
{
    snprintf(words, room, "%.6g%s%s", end->value, *end->unit ? " " : "", end->unit);
}

static void limit_words(char words[128], const struct limit *limit)
{
    char low[56] = "", high[56] = "";
    end_words(low, sizeof low, &limit->low);
    end_words(high, sizeof high, &limit->high);
    if (limit->low.given && limit->high.given)
        snprintf(words, 128, "from %s to %s", low, high);
    else
        snprintf(words, 128, limit->low.given ? "at least %s" : "at most %s",
                 limit->low.given ? low : high);
}

/* Two digits of U, as many decimals for what goes with it. */
static int decimals_of(const struct judged *judged)
{
    double scale = judged->expanded > 0 ? judged->expanded : fabs(judged->value) * 1e-3;
    double decimals = scale > 0 && isfinite(scale) ? 1 - floor(log10(scale)) : 3;
    return (int)fmin(9, fmax(0, decimals));
}

void judge_text(struct text *out, const struct judgement *judgement, const struct limits *limits,
                const struct judge_words *words)
{
    char rule[96], bound[128];
    rule_words(rule, limits->guard);
    text_format(out, "Board %s, revision %s%s%s: %s by %s%s%s%s (%s)\n", words->board,
                words->revision, *words->coating ? ", coating " : "", words->coating,
                judgement->failed ? "FAIL" : "PASS", words->limits_name,
                *limits->title ? ", '" : "", limits->title, *limits->title ? "'" : "", rule);
    for (size_t i = 0; i < judgement->count; i++) {
        const struct judged *judged = &judgement->judged[i];
        limit_words(bound, judged->limit);
        text_format(out, "  %-7s  %s: ", verdicts[judged->verdict], judged->title);
        if (judged->verdict == JUDGE_MISSING) {
            text_format(out, "%s (%s)\n", judged->reason, bound);
            continue;
        }
        const char *unit = strcmp(judged->unit, "1") == 0 ? "" : judged->unit;
        int decimals = decimals_of(judged);
        text_format(out, "%.*f", decimals, judged->value);
        if (isfinite(judged->expanded))
            text_format(out, " +- %.*f", decimals, judged->expanded);
        text_format(out, "%s%s, %s, margin %.*f%s%s", *unit ? " " : "", unit, bound, decimals,
                    judged->margin, *unit ? " " : "", unit);
        if (isfinite(judged->conformance))
            text_format(out, ", within the limits with %s%.*f %%",
                        judged->conformance > 0.9999 ? "more than " : "",
                        judged->conformance > 0.999 ? 2 : 1,
                        fmin(99.99, 100 * judged->conformance));
        text_add(out, "\n");
    }
}

void judge_label(struct text *out, const struct judgement *judgement,
                 const struct judge_words *words)
{
    const char *slash = strrchr(words->limits_name, '/');
    const char *limits = slash ? slash + 1 : words->limits_name;
    const char *dot = strrchr(limits, '.');
    text_format(out, "%s  %s  %s  %zu of %zu  %.10s  %.*s", words->board, words->revision,
                judgement->failed ? "FAIL" : "PASS", judgement->count - judgement->failed,
                judgement->count, words->started,
                dot && dot > limits ? (int)(dot - limits) : (int)strlen(limits), limits);
}

static json_t *number(double value)
{
    return isfinite(value) ? json_real(value) : json_null();
}

json_t *judge_json(const struct judgement *judgement, const struct limits *limits,
                   const struct judge_words *words)
{
    static const char *const names[] = {"pass", "fail", "missing"};
    json_t *list = json_array();
    for (size_t i = 0; list && i < judgement->count; i++) {
        const struct judged *judged = &judgement->judged[i];
        json_t *one = json_pack(
            "{s:s, s:s, s:s, s:s, s:o, s:o, s:o, s:o, s:o, s:o}", "result", judged->limit->name,
            "title", judged->title, "verdict", names[judged->verdict], "unit", judged->unit,
            "value", number(judged->value), "expanded_uncertainty", number(judged->expanded), "low",
            number(judged->low), "high", number(judged->high), "margin", number(judged->margin),
            "conformance", number(judged->conformance));
        if (one && *judged->reason &&
            json_object_set_new(one, "reason", json_string(judged->reason))) {
            json_decref(one);
            one = NULL;
        }
        if (json_array_append_new(list, one)) {
            json_decref(list);
            list = NULL;
        }
    }
    return json_pack("{s:s, s:s, s:s, s:s, s:s, s:s, s:s, s:s, s:f, s:s, s:s, s:s, s:o}", "format",
                     "wetsweep judgement", "verdict", judgement->failed ? "fail" : "pass", "board",
                     words->board, "revision", words->revision, "coating", words->coating,
                     "started", words->started, "limits", words->limits_name, "limits_title",
                     limits->title, "guard", limits->guard, "limits_sha256", words->limits_sha256,
                     "results_sha256", words->results_sha256, "version", words->version, "judged",
                     list);
}
