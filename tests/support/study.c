/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "study.h"

#include <errno.h>
#include <math.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

/* Small enough for one write to a pipe to stay in one piece. */
struct finding {
    char name[STUDY_NAME_SIZE];
    unsigned trial;
    bool verdict;
    double value, low, high, truth, bound;
};

struct study_desk {
    int pipe;
    unsigned trial;
};

struct study {
    struct finding *findings;
    size_t count, room;
    unsigned trials, lost;
};

static void hand_in(struct study_desk *desk, const struct finding *finding)
{
    if (write(desk->pipe, finding, sizeof *finding) != (ssize_t)sizeof *finding)
        _exit(3);
}

void study_tell(struct study_desk *desk, const char *name, double value, double low, double high,
                double truth, double bound)
{
    struct finding finding = {.trial = desk->trial,
                              .value = value,
                              .low = low,
                              .high = high,
                              .truth = truth,
                              .bound = bound};
    snprintf(finding.name, sizeof finding.name, "%s", name);
    hand_in(desk, &finding);
}

void study_tell_result(struct study_desk *desk, const struct result *result, const char *name,
                       double truth, double bound)
{
    if (result)
        study_tell(desk, name, result->value, result->low_95, result->high_95, truth, bound);
    else
        study_tell(desk, name, NAN, NAN, NAN, truth, bound);
}

void study_tell_verdict(struct study_desk *desk, const char *name, int right)
{
    struct finding finding = {.trial = desk->trial, .verdict = true, .value = right ? 1 : 0};
    snprintf(finding.name, sizeof finding.name, "%s", name);
    hand_in(desk, &finding);
}

static int keep(struct study *study, const struct finding *finding)
{
    if (study->count == study->room) {
        size_t room = study->room ? 2 * study->room : 1024;
        struct finding *larger = realloc(study->findings, room * sizeof *larger);
        if (!larger)
            return -1;
        study->findings = larger;
        study->room = room;
    }
    study->findings[study->count++] = *finding;
    return 0;
}

/* A trial may abort: it has a process of its own, and the worker counts it. */
static void work(int pipe, unsigned first, unsigned count, unsigned step, study_trial *trial,
                 void *context)
{
    int lost = 0;
    for (unsigned i = first; i < count + first; i += step) {
        fflush(NULL);
        pid_t child = fork();
        if (child == 0) {
            struct study_desk desk = {.pipe = pipe, .trial = i};
            trial(&desk, i, context);
            _exit(0);
        }
        int status = 1;
        if (child < 0 || waitpid(child, &status, 0) < 0 || status != 0) {
            fprintf(stderr, "trial %u died\n", i);
            lost++;
        }
    }
    _exit(lost > 100 ? 100 : lost);
}

static bool read_whole(int pipe, struct finding *finding)
{
    size_t have = 0;
    while (have < sizeof *finding) {
        ssize_t size = read(pipe, (char *)finding + have, sizeof *finding - have);
        if (size < 0 && errno == EINTR)
            continue;
        if (size <= 0)
            return false;
        have += (size_t)size;
    }
    return true;
}

static int by_name_and_trial(const void *a, const void *b)
{
    const struct finding *left = a, *right = b;
    int order = strcmp(left->name, right->name);
    return order ? order : (left->trial > right->trial) - (left->trial < right->trial);
}

struct study *study_run(unsigned first, unsigned count, unsigned jobs, study_trial *trial,
                        void *context)
{
    int ends[2];
    struct study *study = calloc(1, sizeof *study);
    if (!study || pipe(ends) < 0) {
        fprintf(stderr, "the study can't begin: %s\n", strerror(errno));
        free(study);
        return NULL;
    }
    if (jobs == 0)
        jobs = (unsigned)sysconf(_SC_NPROCESSORS_ONLN);
    study->trials = count;
    fflush(NULL);
    for (unsigned i = 0; i < jobs; i++)
        if (fork() == 0) {
            close(ends[0]);
            work(ends[1], first + i, count - (i < count ? i : count), jobs, trial, context);
        }
    close(ends[1]);
    struct finding finding;
    while (read_whole(ends[0], &finding))
        if (keep(study, &finding)) {
            fprintf(stderr, "no memory for the findings\n");
            exit(1);
        }
    close(ends[0]);
    for (int status; wait(&status) > 0;)
        study->lost += WIFEXITED(status) ? (unsigned)WEXITSTATUS(status) : 1;
    if (study->count)
        qsort(study->findings, study->count, sizeof *study->findings, by_name_and_trial);
    return study;
}

struct row {
    const char *name;
    unsigned asked, answered, intervals, held, right;
    double sum, squares, half_width, normed, bounded;
    unsigned bounds;
    bool verdict;
};

static void add(struct row *row, const struct finding *finding)
{
    row->asked++;
    row->verdict = finding->verdict;
    if (finding->verdict) {
        row->right += finding->value > 0;
        row->held += finding->value > 0;
        row->intervals++;
        return;
    }
    if (!isfinite(finding->value) || !isfinite(finding->truth))
        return;
    double error = finding->value - finding->truth;
    row->answered++;
    row->sum += error;
    row->squares += error * error;
    if (isfinite(finding->bound)) {
        row->bounds++;
        row->bounded += error * error / (finding->bound * finding->bound);
    }
    if (!isfinite(finding->low))
        return;
    row->intervals++;
    row->held += finding->low <= finding->truth && finding->truth <= finding->high;
    row->half_width += (finding->high - finding->low) / 2;
}

static void print_row(const struct row *row, FILE *out)
{
    if (row->verdict) {
        fprintf(out, "%-30s %5u right of %u\n", row->name, row->right, row->asked);
        return;
    }
    double n = row->answered, share = row->intervals ? 100.0 * row->held / row->intervals : NAN;
    double spread = 100 * sqrt(0.95 * 0.05 / row->intervals);
    const char *verdict = "";
    if (row->intervals)
        verdict = share < 93 ? "LOW" : share > 97 ? "HIGH" : "";
    fprintf(out, "%-30s %5u %5u %7.1f %5.1f %-4s %11.3g %11.3g %11.3g ", row->name, row->answered,
            row->asked - row->answered, share, spread, verdict, row->sum / n,
            sqrt(row->squares / n), row->half_width / row->intervals);
    if (row->bounds)
        fprintf(out, "%7.3f\n", sqrt(row->bounded / row->bounds));
    else
        fprintf(out, "%7s\n", "-");
}

unsigned study_print(const struct study *study, FILE *out)
{
    fprintf(out, "%-30s %5s %5s %7s %5s %-4s %11s %11s %11s %7s\n", "result", "known", "not",
            "cover %", "+-", "", "bias", "rms error", "half width", "/ bound");
    for (size_t i = 0, next; i < study->count; i = next) {
        struct row row = {.name = study->findings[i].name};
        for (next = i; next < study->count && strcmp(study->findings[next].name, row.name) == 0;
             next++)
            add(&row, &study->findings[next]);
        print_row(&row, out);
    }
    fprintf(out, "%u trials, of which %u died.\n", study->trials, study->lost);
    return study->lost;
}

void study_write(const struct study *study, FILE *out)
{
    fprintf(out, "result,trial,value,low_95,high_95,truth,bound\n");
    for (size_t i = 0; i < study->count; i++) {
        const struct finding *f = &study->findings[i];
        fprintf(out, "%s,%u,%.12g,%.12g,%.12g,%.12g,%.12g\n", f->name, f->trial, f->value, f->low,
                f->high, f->truth, f->bound);
    }
}

unsigned study_held(const struct study *study, const char *name, unsigned *intervals)
{
    struct row row = {0};
    for (size_t i = 0; i < study->count; i++)
        if (!name || strcmp(study->findings[i].name, name) == 0)
            add(&row, &study->findings[i]);
    *intervals = row.intervals;
    return row.held;
}

unsigned study_lost(const struct study *study)
{
    return study->lost;
}

void study_free(struct study *study)
{
    if (study)
        free(study->findings);
    free(study);
}
