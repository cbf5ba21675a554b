/* SPDX-License-Identifier: GPL-3.0-or-later
 * Dates as text, in the Gregorian calendar carried back to year 0. */
#include "base/utc.h"

#include <stdio.h>
#include <string.h>

static const int64_t DAY_S = 86400;

/* Days from 1970-01-01 to the 1st of a month; month from 1. Years are counted from March,
 * so that the leap day is their last. */
static int64_t days_before(int64_t year, int month)
{
    int64_t from_march = month > 2 ? month - 3 : month + 9;
    year -= month <= 2;
    return 365 * year + year / 4 - year / 100 + year / 400 + (153 * from_march + 2) / 5 - 719468;
}

/* `count` digits, or -1. */
static int digits(const char *text, int count)
{
    int number = 0;
    for (int i = 0; i < count; i++) {
        if (text[i] < '0' || text[i] > '9')
            return -1;
        number = 10 * number + text[i] - '0';
    }
    return number;
}

bool utc_read(const char *text, int64_t *seconds)
{
    if (strlen(text) != 20 || text[4] != '-' || text[7] != '-' || text[10] != 'T' ||
        text[13] != ':' || text[16] != ':' || text[19] != 'Z')
        return false;
    int year = digits(text, 4), month = digits(text + 5, 2), day = digits(text + 8, 2);
    int hour = digits(text + 11, 2), minute = digits(text + 14, 2), second = digits(text + 17, 2);
    if (year < 1 || month < 1 || month > 12 || hour < 0 || hour > 23 || minute < 0 || minute > 59 ||
        second < 0 || second > 59)
        return false;
    int64_t first = days_before(year, month);
    int64_t next = month < 12 ? days_before(year, month + 1) : days_before(year + 1, 1);
    if (day < 1 || day > next - first)
        return false;
    *seconds = (first + day - 1) * DAY_S + hour * 3600 + minute * 60 + second;
    return true;
}

const char *utc_text(char buffer[24], int64_t seconds)
{
    *buffer = 0;
    if (seconds < days_before(1, 1) * DAY_S || seconds >= days_before(10000, 1) * DAY_S)
        return buffer;
    int64_t day = (seconds + 800000 * DAY_S) / DAY_S - 800000, rest = seconds - day * DAY_S;
    int year = (int)(1970 + day / 366), month = 1;
    while (days_before(year + 1, 1) <= day)
        year++;
    while (days_before(year, 1) > day)
        year--;
    while (month < 12 && days_before(year, month + 1) <= day)
        month++;
    snprintf(buffer, 24, "%04u-%02u-%02uT%02u:%02u:%02uZ", (unsigned)year % 10000U,
             (unsigned)month % 100U, (unsigned)(day - days_before(year, month) + 1) % 100U,
             (unsigned)(rest / 3600) % 100U, (unsigned)(rest / 60 % 60), (unsigned)(rest % 60));
    return buffer;
}
