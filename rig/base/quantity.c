/* SPDX-License-Identifier: GPL-3.0-or-later
 * Units by UDUNITS-2. Where its database makes equals of what a bench must tell
 * apart (baud is 1/s there, a byte is the number 8, a revolution is 2 pi), we put
 * base units of our own, or refuse. */
#include "base/quantity.h"

#include "base/number.h"

#include <errno.h>
#include <math.h>
#include <pthread.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <udunits2.h>

enum { UNIT_SIZE = 64, CACHE_SIZE = 128 };

/* UDUNITS-2 keeps its parser's state and its status in static variables. */
static pthread_mutex_t parser = PTHREAD_MUTEX_INITIALIZER;

static const struct {
    const char *unit, *name, *example;
} kinds[] = {
#define X(kind, unit, name, example) {unit, name, example},
    QUANTITY_KINDS(X)
#undef X
};

/* What a unit and a kind have in common, kept since parsing a unit takes
 * microseconds and a long profile has many. */
struct cached {
    char unit[UNIT_SIZE];
    enum quantity_kind kind;
    double factor, offset;
};

struct units {
    ut_system *system;
    ut_unit *of_kind[QUANTITY_KIND_COUNT];
    ut_unit *one;
    struct cached cache[CACHE_SIZE]; /* by hash of unit and kind; unit "" is empty */
};

static int quiet(const char *format, va_list arguments)
{
    (void)format;
    (void)arguments;
    return 0;
}

/* Words become a base unit of ours, whatever the database says of them. */
static int add_base_unit(ut_system *system, const char *const names[])
{
    ut_unit *unit = ut_new_base_unit(system);
    if (!unit)
        return -1;
    int failed = 0;
    for (size_t i = 0; names[i]; i++) {
        ut_unmap_name_to_unit(system, names[i], UT_ASCII);
        ut_unmap_symbol_to_unit(system, names[i], UT_ASCII);
        failed |= ut_map_name_to_unit(names[i], UT_ASCII, unit) != UT_SUCCESS;
    }
    failed |= ut_map_unit_to_name(unit, names[0], UT_ASCII) != UT_SUCCESS;
    failed |= ut_map_unit_to_symbol(unit, names[0], UT_ASCII) != UT_SUCCESS;
    ut_free(unit);
    return failed ? -1 : 0;
}

static int add_base_units(ut_system *system)
{
    static const char *const ours[][5] = {
        {"step", "steps"}, {"line", "lines"},
        {"row", "rows"},   {"byte", "bytes", "octet", "octets"},
        {"bit", "bits"},   {"baud", "bauds", "Bd", "bps"},
    };
    for (size_t i = 0; i < sizeof ours / sizeof ours[0]; i++)
        if (add_base_unit(system, ours[i]))
            return -1;
    return 0;
}

static int open_system(struct units *units, struct rig_err *err)
{
    ut_set_error_message_handler(quiet);
    errno = 0;
    units->system = ut_read_xml(NULL);
    if (!units->system)
        return rig_fail(err, RIG_EOS,
                        "the unit database of UDUNITS-2 can't be read; install it, or correct "
                        "UDUNITS2_XML_PATH in the environment");
    if (add_base_units(units->system))
        return rig_fail(err, RIG_EOS, "the unit database of UDUNITS-2 takes no units of ours");
    units->one = ut_get_dimensionless_unit_one(units->system);
    for (int kind = 0; kind < QUANTITY_KIND_COUNT; kind++) {
        units->of_kind[kind] = ut_parse(units->system, kinds[kind].unit, UT_UTF8);
        if (!units->of_kind[kind])
            return rig_fail(err, RIG_EOS, "the unit database of UDUNITS-2 has no '%s'",
                            kinds[kind].unit);
    }
    return 0;
}

struct units *units_open(struct rig_err *err)
{
    struct units *units = calloc(1, sizeof *units);
    if (!units) {
        rig_fail_memory(err, "units");
        return NULL;
    }
    pthread_mutex_lock(&parser);
    int failed = open_system(units, err);
    pthread_mutex_unlock(&parser);
    if (failed) {
        units_close(units);
        return NULL;
    }
    return units;
}

void units_close(struct units *units)
{
    if (!units)
        return;
    pthread_mutex_lock(&parser);
    for (int kind = 0; kind < QUANTITY_KIND_COUNT; kind++)
        ut_free(units->of_kind[kind]);
    ut_free(units->one);
    if (units->system)
        ut_free_system(units->system);
    pthread_mutex_unlock(&parser);
    free(units);
}

static bool is_digit(char c)
{
    return c >= '0' && c <= '9';
}

static bool is_letter(char c)
{
    return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || c == '_' || c == '%' ||
           (unsigned char)c >= 0x80;
}

/* Past one name and its power ("mm", "s2", "s-1", "s^-1", "mmH2O"), NULL if none. */
static const char *pass_term(const char *at)
{
    if (!is_letter(*at))
        return NULL;
    while (is_letter(*at) || is_digit(*at))
        at++;
    bool hat = *at == '^', sign = at[hat] == '-' || at[hat] == '+';
    if (!hat && !sign)
        return at;
    at += hat + sign;
    if (!is_digit(*at))
        return NULL;
    while (is_digit(*at))
        at++;
    return at;
}

/* Names with powers, multiplied by '.' or '*' and divided by '/': what people write. The
 * parser of UDUNITS-2 takes far more (time stamps, origins, logarithms, blanks, numbers
 * in between) and loses memory on some texts that it refuses. */
static bool is_plain(const char *at)
{
    if (strcmp(at, "1") == 0)
        return true;
    if (strncmp(at, "1/", 2) == 0)
        at += 2;
    for (;;) {
        size_t digits = 0;
        const char *end = pass_term(at);
        if (!end)
            return false;
        for (; at < end; at++) {
            digits = is_digit(*at) ? digits + 1 : 0;
            if (digits > 2) /* a power beyond sense */
                return false;
        }
        if (!*at)
            return true;
        if (*at != '.' && *at != '*' && *at != '/')
            return false;
        at++;
    }
}

/* Text of a unit as UDUNITS-2 wants it ("/min" becomes "1/min"); false when it can't
 * be one. */
static bool unit_text(char text[UNIT_SIZE], const char *unit, size_t size)
{
    size_t at = 0;
    if (size == 0 || size > UNIT_SIZE - 2 || memchr(unit, 0, size))
        return false;
    if (unit[0] == '/')
        text[at++] = '1';
    memcpy(text + at, unit, size);
    text[at + size] = 0;
    return is_plain(text);
}

/* NULL when it is no unit. To be freed. */
static ut_unit *parse(struct units *units, const char *text)
{
    pthread_mutex_lock(&parser);
    ut_unit *unit = ut_parse(units->system, text, UT_UTF8);
    pthread_mutex_unlock(&parser);
    return unit;
}

/* Angles are numbers for UDUNITS-2, so that 30 rpm would become 3.14 Hz. */
static bool has_angle(const ut_unit *unit)
{
    char text[256];
    pthread_mutex_lock(&parser);
    int length = ut_format(unit, text, sizeof text, UT_ASCII | UT_DEFINITION);
    pthread_mutex_unlock(&parser);
    return length > 0 && (size_t)length < sizeof text && strstr(text, "rad");
}

/* A factor that UDUNITS-2 has worked out to 3600000.0000000005 is 3600000. */
static double tidy(double factor)
{
    double whole = rint(factor), inverse = rint(1 / factor);
    if (whole != 0 && fabs(factor - whole) <= 1e-15 * fabs(whole))
        return whole;
    if (inverse != 0 && fabs(factor * inverse - 1) <= 1e-15)
        return 1 / inverse;
    return factor;
}

/* unit to `to`: converted = offset + factor * value. False when it can't be. */
static bool conversion(ut_unit *unit, ut_unit *to, double *factor, double *offset)
{
    pthread_mutex_lock(&parser);
    cv_converter *converter = ut_are_convertible(unit, to) ? ut_get_converter(unit, to) : NULL;
    pthread_mutex_unlock(&parser);
    if (!converter)
        return false;
    /* Powers of two scale without rounding; a long way from a small offset the
     * difference keeps the digits of the factor. */
    const double far = 1048576, near = 1024;
    *offset = cv_convert_double(converter, 0.0);
    *factor = (cv_convert_double(converter, far) - *offset) / far;
    double bend = (cv_convert_double(converter, near) - *offset) / near - *factor;
    cv_free(converter);
    /* Decibels and their like are convertible, but not by a straight line. */
    if (!isfinite(*offset) || !isfinite(*factor) || *factor == 0 ||
        fabs(bend) > 1e-9 * (fabs(*offset) + fabs(*factor)))
        return false;
    *factor = tidy(*factor);
    return true;
}

/* Does the unit belong to the kind? Shares are told from other plain numbers (counts,
 * angles) by name. */
static bool belongs(struct units *units, enum quantity_kind kind, const char *text, ut_unit *unit,
                    double *factor, double *offset)
{
    if (kind == QUANTITY_PERCENT || kind == QUANTITY_PARTS) {
        static const char *const shares[] = {"percent", "%", "ppm", "ppb"};
        bool found = false;
        for (size_t i = 0; i < sizeof shares / sizeof shares[0]; i++)
            found = found || strcmp(text, shares[i]) == 0;
        if (!found)
            return false;
    }
    return conversion(unit, units->of_kind[kind], factor, offset) && !has_angle(unit);
}

static bool find_kind(struct units *units, const char *text, ut_unit *unit,
                      enum quantity_kind *found)
{
    double factor, offset;
    for (int kind = 0; kind < QUANTITY_KIND_COUNT; kind++)
        if (belongs(units, (enum quantity_kind)kind, text, unit, &factor, &offset)) {
            *found = (enum quantity_kind)kind;
            return true;
        }
    return false;
}

/* As much of a unit as fits into an error, cut at a whole character. */
static int shown(const char *unit, size_t size)
{
    if (size <= 40)
        return (int)size;
    int length = 40;
    while (length > 0 && ((unsigned char)unit[length] & 0xc0) == 0x80)
        length--;
    return length;
}

static int fail_kind(struct units *units, enum quantity_kind kind, double value, const char *unit,
                     size_t size, const char *text, ut_unit *parsed, struct rig_err *err)
{
    char number[32];
    enum quantity_kind found;
    rig_number_text(number, value);
    if (find_kind(units, text, parsed, &found) && kinds[found].name != kinds[kind].name)
        return rig_fail(err, RIG_EINPUT,
                        "%s %.*s is %s where %s belongs; write it as, for example, %s", number,
                        (int)size, unit, kinds[found].name, kinds[kind].name, kinds[kind].example);
    return rig_fail(err, RIG_EINPUT, "%s %.*s is not %s; write it as, for example, %s", number,
                    (int)size, unit, kinds[kind].name, kinds[kind].example);
}

static struct cached *slot_of(struct units *units, enum quantity_kind kind, const char *text)
{
    uint32_t hash = 2166136261u ^ (uint32_t)kind; /* FNV-1a */
    for (; *text; text++)
        hash = (hash ^ (unsigned char)*text) * 16777619u;
    return &units->cache[hash % CACHE_SIZE];
}

int units_convert(struct units *units, enum quantity_kind kind, double value, const char *unit,
                  size_t unit_size, double *converted, struct rig_err *err)
{
    char text[UNIT_SIZE];
    if (!unit_text(text, unit, unit_size))
        return rig_fail(err, RIG_EINPUT, "'%.*s' is not a unit; %s belongs here, such as %s",
                        shown(unit, unit_size), unit, kinds[kind].name, kinds[kind].example);
    struct cached *cached = slot_of(units, kind, text);
    if (cached->kind != kind || strcmp(cached->unit, text) != 0) {
        ut_unit *parsed = parse(units, text);
        double factor, offset;
        if (!parsed)
            return rig_fail(err, RIG_EINPUT,
                            "'%.*s' is not a known unit; %s belongs here, such as %s",
                            shown(unit, unit_size), unit, kinds[kind].name, kinds[kind].example);
        if (!belongs(units, kind, text, parsed, &factor, &offset)) {
            int code = fail_kind(units, kind, value, unit, unit_size, text, parsed, err);
            ut_free(parsed);
            return code;
        }
        ut_free(parsed);
        cached->kind = kind;
        snprintf(cached->unit, sizeof cached->unit, "%s", text);
        cached->factor = factor;
        cached->offset = offset;
    }
    /* Multiplying by 1/1000 rounds twice where dividing by 1000 rounds once: 2500 um
     * should be 2.5 mm to the last digit. */
    double inverse = 1 / cached->factor;
    double scaled = fabs(cached->factor) < 1 && rint(inverse) == inverse ? value / inverse
                                                                         : value * cached->factor;
    double result = scaled + cached->offset;
    if (!isfinite(result))
        return rig_fail(err, RIG_EINPUT, "the value is too large for %s in %s", kinds[kind].name,
                        kinds[kind].unit);
    *converted = result;
    return 0;
}

int units_kind_of(struct units *units, const char *unit, size_t unit_size, enum quantity_kind *kind,
                  struct rig_err *err)
{
    char text[UNIT_SIZE];
    ut_unit *parsed = unit_text(text, unit, unit_size) ? parse(units, text) : NULL;
    if (!parsed)
        return rig_fail(err, RIG_EINPUT, "'%.*s' is not a known unit; write, for example, mm/s",
                        shown(unit, unit_size), unit);
    bool found = find_kind(units, text, parsed, kind);
    ut_free(parsed);
    if (!found)
        return rig_fail(err, RIG_EINPUT,
                        "'%.*s' is a unit of nothing that is set here; write, for example, mm/s",
                        shown(unit, unit_size), unit);
    return 0;
}

/* A channel may be in anything, plain numbers included. NULL and err, or a unit. */
static ut_unit *parse_channel_unit(struct units *units, const char *unit, size_t size,
                                   struct rig_err *err)
{
    char text[UNIT_SIZE];
    ut_unit *parsed = unit_text(text, unit, size) ? parse(units, text) : NULL;
    if (!parsed)
        rig_fail(err, RIG_EINPUT,
                 "'%.*s' is not a known unit; write, for example, volts, us, degC, or counts for "
                 "plain numbers",
                 shown(unit, size), unit);
    return parsed;
}

int units_check(struct units *units, const char *unit, size_t unit_size, struct rig_err *err)
{
    ut_unit *parsed = parse_channel_unit(units, unit, unit_size, err);
    if (!parsed)
        return RIG_EINPUT;
    ut_free(parsed);
    return 0;
}

int units_factor(struct units *units, const char *unit, const char *base, double *factor,
                 double *offset, struct rig_err *err)
{
    ut_unit *from = parse_channel_unit(units, unit, strlen(unit), err);
    ut_unit *to = from ? parse_channel_unit(units, base, strlen(base), err) : NULL;
    int code = 0;
    if (!from || !to)
        code = RIG_EINPUT;
    else if (!conversion(from, to, factor, offset) || has_angle(from) != has_angle(to))
        code = rig_fail(err, RIG_EINPUT, "'%.*s' can't be converted to %s",
                        shown(unit, strlen(unit)), unit, base);
    ut_free(from);
    ut_free(to);
    return code;
}

const char *quantity_unit(enum quantity_kind kind)
{
    return kinds[kind].unit;
}

const char *quantity_name(enum quantity_kind kind)
{
    return kinds[kind].name;
}

const char *quantity_example(enum quantity_kind kind)
{
    return kinds[kind].example;
}
