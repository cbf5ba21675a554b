/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "rig/until.h"

#include <ctype.h>
#include <errno.h>
#include <string.h>

static int digits(const char *text)
{
    return 10 * (text[0] - '0') + text[1] - '0';
}

int until_next(const char *text, time_t now, time_t *at, struct rig_err *err)
{
    const unsigned char *byte = (const unsigned char *)text;
    struct tm local;
    if (strlen(text) != 5 || !isdigit(byte[0]) || !isdigit(byte[1]) || byte[2] != ':' ||
        !isdigit(byte[3]) || !isdigit(byte[4]) || digits(text) > 23 || digits(text + 3) > 59)
        return rig_fail(err, RIG_EINPUT,
                        "'%.40s' is not a time of day; write hours and minutes, such as 07:00",
                        text);
    if (!localtime_r(&now, &local))
        return rig_fail_os(err, errno, "the local time can't be told");
    for (int day = 0; day < 2; day++) {
        struct tm then = local;
        then.tm_mday += day;
        then.tm_hour = digits(text);
        then.tm_min = digits(text + 3);
        then.tm_sec = 0;
        then.tm_isdst = -1;
        *at = mktime(&then);
        if (*at == (time_t)-1)
            return rig_fail_os(err, EOVERFLOW, "the local time can't be told");
        if (*at > now)
            return RIG_OK;
    }
    return rig_fail(err, RIG_EBUG, "no %s within two days", text);
}
