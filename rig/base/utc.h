/* SPDX-License-Identifier: GPL-3.0-or-later
 * Dates as text, UTC, RFC 3339: "2026-04-12T08:00:00Z", years 1 to 9999 of the Gregorian
 * calendar, carried back. Reads no clock. */
#ifndef BASE_UTC_H
#define BASE_UTC_H

#include <stdbool.h>
#include <stdint.h>

/* Exactly this form, of a day that there is. Seconds since 1970-01-01T00:00:00Z. */
bool utc_read(const char *text, int64_t *seconds);
/* The same back; "" for other years. Returns buffer. */
const char *utc_text(char buffer[24], int64_t seconds);

#endif
