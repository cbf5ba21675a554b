/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tables that people bring (CSV, RFC 4180, with a header line) through libcsv.
 * Bytes in, columns out. Recordings have a faster reader of their own. */
#ifndef BASE_TABLE_H
#define BASE_TABLE_H

#include "base/err.h"

#include <stddef.h>

enum { TABLE_COLUMN_LIMIT = 256, TABLE_SIZE_LIMIT = 512 * 1024 * 1024 };

struct table {
    char *name; /* of the file, for errors */
    size_t columns, rows;
    char **headers; /* columns of them, trimmed */
    char **cells;   /* row-major, rows x columns; trimmed; "" for an empty cell */
    int *lines;     /* line of each row in the file, from 1 */
    char *arena;    /* private: all texts */
    size_t *starts; /* private: offset of each row in the file */
};

/* bytes[0..size) is not kept. Refused with "NAME:LINE:COLUMN: ..." (column in bytes):
 * no header, a header that is empty or there twice, a row with more or fewer cells
 * than the header, NUL bytes, a quote inside an unquoted cell, an unclosed quote, too
 * many columns or bytes. Blank lines and lines that start with '#' are passed over. A
 * byte-order mark is skipped. A header alone makes a table of 0 rows. Takes about
 * size + 8 bytes a cell + 12 a row. On success the caller frees; on error nothing is
 * kept. */
int table_read(struct table *table, const char *name, const char *bytes, size_t size,
               struct rig_err *err);
void table_free(struct table *table); /* NULL or zeroed allowed */

/* Column index by header (exact, else case-insensitive), or -1. */
int table_column(const struct table *table, const char *header);
/* The same, or an error that lists the headers and suggests the nearest. */
int table_need_column(const struct table *table, const char *header, size_t *column,
                      struct rig_err *err);
/* All cells of a column as finite numbers into values[rows]; an empty cell or a
 * bad number is an error with its place. */
int table_numbers(const struct table *table, size_t column, double values[], struct rig_err *err);
/* Fills err with the place of a cell. Returns RIG_EINPUT. The column is off by the
 * doubled quotes only in a row where a cell has them before a line break. */
int table_fail(const struct table *table, size_t row, size_t column, struct rig_err *err,
               const char *format, ...) __attribute__((format(printf, 5, 6)));

#endif
