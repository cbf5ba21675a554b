/* SPDX-License-Identifier: GPL-3.0-or-later
 * What the recording's writer and reader share. Private to results/recording*.c and
 * to the tests of these. */
#ifndef RESULTS_RECORDING_PARTS_H
#define RESULTS_RECORDING_PARTS_H

#include "results/recording.h"

#include <jansson.h>

/* ---- numbers as text, the same in every locale (recording_text.c) ---- */

enum { CELL_SIZE = 32 };
/* With `decimals` (0..6) decimals, halves away from zero; |value| < 9e9. Returns the
 * length; 0 (an empty cell) for what isn't finite or too large. No NUL is added. */
size_t cell_fixed(char to[CELL_SIZE], double value, unsigned decimals);
/* Up to 9 significant digits, rounded to nearest (a tie may go either way); 0 for what
 * isn't finite. */
size_t cell_value(char to[CELL_SIZE], double value);

/* ---- the tables of a recording (recording_metadata.c) ---- */

enum { RUN_JSON_LIMIT = 64 * 1024 * 1024 };
enum { TABLE_MOTION, TABLE_STROKES, TABLE_EVENTS, TABLE_FIXED_COUNT };
enum { RECORDING_COLUMN_LIMIT = 256 }; /* that a file may have */

struct column_facts {
    char name[RIG_NAME_SIZE];
    const char *datatype;     /* of the metadata vocabulary */
    char unit[RIG_NAME_SIZE]; /* "" for none */
    bool required;
    char description[160];
};

/* Name of a table's file, without folder. Tables 0..source_count-1 are the sources,
 * those behind them TABLE_MOTION and so on. */
void recording_file_name(const struct rig *rig, size_t table, char name[RIG_NAME_SIZE + 8]);
size_t recording_table_count(const struct rig *rig);
size_t recording_column_count(const struct rig *rig, size_t table);
void recording_column(const struct rig *rig, size_t table, size_t column,
                      struct column_facts *facts);
/* csv-metadata.json; the caller frees. NULL: no memory. */
char *recording_metadata(const struct rig *rig);

/* ---- run.json (recording_document.c) ---- */

/* Facts point into root when it was read. */
struct run_document {
    json_t *root;
    struct run_facts facts;
    enum run_state state;
    const char *reason;
    uint64_t fingerprint;
};

/* Bytes to facts. RIG_EINPUT with NAME:LINE:COLUMN or NAME and the key. Pure. */
int run_document_read(struct run_document *document, const char *name, const char *bytes,
                      size_t size, struct rig_err *err);
int run_document_make(struct run_document *document, const struct run_facts *facts,
                      const struct plan *plan, struct rig_err *err);
/* The traces that the profile follows, each once, are listed with the names that their
 * copies get. */
int run_document_list_traces(struct run_document *document, struct rig_err *err);
size_t run_document_trace_count(const struct run_document *document);
const char *run_document_trace_path(const struct run_document *document, size_t trace);
/* "traces/0.csv": made from the number, never taken from the file. */
void recording_trace_name(size_t trace, char name[40]);
/* Any other key, with a value as JSON text. */
int run_document_note(struct run_document *document, const char *key, const char *json,
                      struct rig_err *err);
/* Running again, without hashes, and with one more of `seams`. */
int run_document_go_on(struct run_document *document, const struct run_facts *facts,
                       const struct recording_left *left, double at_s, struct rig_err *err);
/* State, reason and the hashes of the files of the folder. What can't be hashed is
 * left out, and the first such error returned, after all the rest is done. */
int run_document_end(struct run_document *document, const char *folder, const struct rig *rig,
                     enum run_state state, const char *why, struct rig_err *err);
/* The caller frees. NULL: no memory. */
char *run_document_json(const struct run_document *document);
void run_document_free(struct run_document *document);

/* ---- rows (recording_parse.c) ---- */

enum { PARSE_BATCH_ROWS = 1024 };

/* Lines to batches of rows. Keeps rows across calls until a batch is full. */
struct row_parser {
    size_t columns;                               /* of the file */
    size_t rows;                                  /* waiting */
    double *cells;                                /* columns x PARSE_BATCH_ROWS */
    struct cell_column *layouts;                  /* a column each */
    size_t given;                                 /* columns that the sink gets */
    const double *values[RECORDING_COLUMN_LIMIT]; /* what the sink gets */
    row_sink *sink;
    void *context;
    struct scan_report *report; /* counts on; its rows number the batches */
};

/* order[given]: which columns of the file the sink gets, NULL for all as they come. */
int row_parser_open(struct row_parser *parser, size_t columns, const size_t order[], size_t given,
                    row_sink *sink, void *context, struct scan_report *report, struct rig_err *err);
int row_parser_feed(struct row_parser *parser, const char *bytes, size_t size, size_t *used,
                    struct rig_err *err);
int row_parser_flush(struct row_parser *parser, struct rig_err *err);
void row_parser_close(struct row_parser *parser); /* zeroed allowed */

/* Adds the report of the lines that follow in the same file. */
void scan_report_follow(struct scan_report *report, const struct scan_report *next);

/* ---- tables as files (recording_file.c) ---- */

enum { TABLE_LINE_ROOM = 64 * 1024 }; /* no row's line is longer */

struct table_file {
    char *path;
    int fd;
    uint64_t size;    /* when it was opened: a file may still grow */
    uint64_t rows_at; /* behind the header */
    size_t columns, given;
    size_t order[RECORDING_COLUMN_LIMIT];
    uint64_t unknown_columns;
    bool cut_header; /* no whole line */
};

/* table: a number as of recording_file_name. On error, too, it has to be closed. */
int recording_table_open(struct table_file *file, const struct recording *recording, size_t table,
                         struct rig_err *err);
void recording_table_close(struct table_file *file);
/* Reads at a place; *got < size only at the file's end. Any thread. */
int recording_table_read(const struct table_file *file, char *to, size_t size, uint64_t at,
                         size_t *got, struct rig_err *err);
struct scan_report recording_table_report(const struct table_file *file); /* of its header */

/* ---- files to rows (recording_scan.c) ---- */

/* The buffers of one thread. */
struct table_scanner {
    const struct table_file *file;
    struct row_parser parser;
    char *buffer;
};

/* file is borrowed. */
int recording_table_scanner_open(struct table_scanner *scanner, const struct table_file *file,
                                 row_sink *sink, void *context, struct rig_err *err);
void recording_table_scanner_close(struct table_scanner *scanner);
/* The rows whose lines begin behind the first newline at or behind `from`, up to the first
 * one at or behind `to`; those of from = 0 begin behind the header. So parts that meet have
 * each line once, wherever they meet. *report is added to; its lines are the part's own. */
int recording_table_scan(struct table_scanner *scanner, uint64_t from, uint64_t to,
                         struct scan_report *report, struct rig_err *err);

/* All rows, by this thread. */
int recording_scan_table(const struct recording *recording, size_t table, row_sink *sink,
                         void *context, struct scan_report *report, struct rig_err *err);

#endif
