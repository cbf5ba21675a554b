/* SPDX-License-Identifier: GPL-3.0-or-later
 * What stands on the bench: axis, water, sources and their channels, as read
 * from a rig file (docs/formats.md). Bytes in, a struct out. Text fields are
 * NUL-terminated and owned by the struct. */
#ifndef MOTION_RIGFILE_H
#define MOTION_RIGFILE_H

#include "base/err.h"
#include "base/quantity.h"
#include "motion/controller.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum { RIG_SOURCE_LIMIT = 8, RIG_CHANNEL_LIMIT = 32, RIG_NAME_SIZE = 48, RIG_PATH_SIZE = 512 };

/* The chain that the water's level runs through, and what else is worth recording. */
#define CHANNEL_ROLES(X)                                                                           \
    X(ROLE_OTHER, "other")                                                                         \
    X(ROLE_SENSOR, "sensor")                                                                       \
    X(ROLE_CONTROLLER, "controller")                                                               \
    X(ROLE_ACTUATOR, "actuator")                                                                   \
    X(ROLE_TEMPERATURE, "temperature")                                                             \
    X(ROLE_REFERENCE, "reference") /* an encoder on the stage, in a length unit */                 \
    X(ROLE_TRIP, "trip")           /* a switch at a fixed stage position */

enum channel_role {
#define X(role, word) role,
    CHANNEL_ROLES(X)
#undef X
        CHANNEL_ROLE_COUNT
};
const char *channel_role_name(enum channel_role role);

/* How the controller shapes speed: constant acceleration, or S-curves (bounded jerk,
 * no acceleration at the ends of each speed change). */
enum speed_law { SPEED_TRAPEZOID, SPEED_JERK_LIMITED };

struct rig_axis {
    char port[RIG_PATH_SIZE];
    int baud;                             /* 0: none given (pseudo-terminal, TCP) */
    char speaks[RIG_PATH_SIZE];           /* "acknowledged-lines", "status-polled", or NAME.axis */
    char letter;                          /* 'A'..'Z' */
    bool reversed;                        /* wire coordinate = -stage */
    double travel_low_mm, travel_high_mm; /* stage coordinates; greater is deeper */
    double speed_mm_s, acceleration_mm_s2;
    enum speed_law law;
    double jerk_mm_s3;   /* NaN with SPEED_TRAPEZOID */
    double step_mm;      /* 1/resolution */
    double park_mm;      /* depth; clear of the water: < 0 */
    bool homes;          /* false: 'home none', the axis has no switch */
    double home_mm;      /* stage position that homing leaves the axis at */
    double line_rate_hz; /* lines of motion a second that port and controller carry */
    int lookahead_lines; /* lines that the controller plans over, default 16 */
    int buffer_bytes;    /* receive buffer of the controller, default 96 */
    bool checksums;      /* line numbers and checksums, default true */
    bool live_position;  /* position queries answer the true place while moving */
    double poll_hz;      /* position queries a second while moving, default 10 */
    double lead_s;       /* dwell before a stroke of several lines, so that they are there; 0.25 */
    double backlash_mm;  /* as stated; enters the uncertainty, default 0 */
    struct controller controller; /* given when `speaks` names a file: read from it, apart */
};

struct rig_water {
    double datum_mm;       /* stage position at which the board's lower edge meets calm water */
    double tank_area_mm2;  /* NaN: not given, no displacement correction */
    double board_area_mm2; /* section of the board, NaN likewise */
};

enum line_format { LINE_CSV, LINE_PAIRS, LINE_FRAMES };

/* Numbers in binary frames; the word is that of the rig file. */
#define FIELD_TYPES(X)                                                                             \
    X(FIELD_U8, "u8", 1)                                                                           \
    X(FIELD_I8, "i8", 1)                                                                           \
    X(FIELD_U16, "u16", 2)                                                                         \
    X(FIELD_I16, "i16", 2)                                                                         \
    X(FIELD_U24, "u24", 3)                                                                         \
    X(FIELD_I24, "i24", 3)                                                                         \
    X(FIELD_U32, "u32", 4)                                                                         \
    X(FIELD_I32, "i32", 4)                                                                         \
    X(FIELD_U64, "u64", 8)                                                                         \
    X(FIELD_I64, "i64", 8)                                                                         \
    X(FIELD_F32, "f32", 4)                                                                         \
    X(FIELD_F64, "f64", 8)

enum field_type {
#define X(type, word, bytes) type,
    FIELD_TYPES(X)
#undef X
        FIELD_TYPE_COUNT
};
int field_type_size(enum field_type type);

struct rig_field {
    int byte; /* its first, from 1; 0: not in a frame */
    enum field_type type;
    bool big;             /* the most significant byte comes first */
    double scale, offset; /* value = offset + scale times the number */
};

/* How a frame shows that it is whole. The CRCs' parameters are in rig/frame_check.h. */
#define FRAME_CHECKS(X)                                                                            \
    X(CHECK_NONE, "none", 0)                                                                       \
    X(CHECK_SUM8, "sum8", 1)                                                                       \
    X(CHECK_XOR8, "xor8", 1)                                                                       \
    X(CHECK_SUM16, "sum16", 2)                                                                     \
    X(CHECK_CRC8, "crc8", 1)                                                                       \
    X(CHECK_CRC16_CCITT, "crc16-ccitt", 2)                                                         \
    X(CHECK_CRC16_XMODEM, "crc16-xmodem", 2)                                                       \
    X(CHECK_CRC16_MODBUS, "crc16-modbus", 2)                                                       \
    X(CHECK_CRC32, "crc32", 4)

enum frame_check {
#define X(check, word, bytes) check,
    FRAME_CHECKS(X)
#undef X
        FRAME_CHECK_COUNT
};
int frame_check_size(enum frame_check check);

enum { RIG_FRAME_LIMIT = 1000, RIG_SYNC_LIMIT = 8 };

struct rig_frame {
    int size; /* bytes, those of sync and check included; 0 unless LINE_FRAMES */
    int sync_size;
    unsigned char sync[RIG_SYNC_LIMIT]; /* what every frame begins with */
    enum frame_check check;
    int check_from, check_to; /* bytes that it covers, from 1, both included */
    int check_at;             /* its own first byte */
    bool check_big;
};

struct rig_channel {
    char name[RIG_NAME_SIZE];
    int column;              /* from 1 (LINE_CSV) */
    char key[RIG_NAME_SIZE]; /* LINE_PAIRS */
    struct rig_field field;  /* LINE_FRAMES */
    char unit[RIG_NAME_SIZE];
    enum channel_role role;
    double trip_mm; /* ROLE_TRIP: stage position where it switches; NaN: not stated */
};

struct rig_source {
    char name[RIG_NAME_SIZE]; /* also the name of its file in a recording */
    char port[RIG_PATH_SIZE];
    int baud;
    enum line_format format;
    bool nmea_checksum;           /* lines are $...*hh */
    struct rig_frame frame;       /* LINE_FRAMES */
    char greeting[RIG_NAME_SIZE]; /* a line to send at the start, "" for none */
    int clock_column;             /* 0: the board sends no clock */
    char clock_key[RIG_NAME_SIZE];
    struct rig_field clock_field;
    double clock_unit_s;              /* seconds a count */
    double clock_wrap_counts;         /* 0: never */
    double rate_hz;                   /* expected lines a second, NaN: not given */
    double delay_low_s, delay_high_s; /* sample to arrival of its line lies between them */
    size_t channel_count;
    struct rig_channel channels[RIG_CHANNEL_LIMIT];
};

struct rig {
    struct rig_axis axis;
    struct rig_water water;
    size_t source_count;
    struct rig_source sources[RIG_SOURCE_LIMIT];
};

/* text[0..size) of the file called name. On error: RIG_EINPUT or RIG_ELIMIT with
 * FILE:LINE:COLUMN, *rig unspecified. Checks sense as well as syntax: travel the
 * right way up, park inside the travel and above the datum, positive limits, two
 * sources or channels of one name, a board section that is not below the tank's,
 * at least one sensor channel or none at all. Owns nothing afterwards. */
int rig_read(struct rig *rig, const char *name, const char *text, size_t size, struct units *units,
             struct rig_err *err);

/* Immersion of the lower edge (mm) for a stage position and back. In the water the
 * board lifts the level: d = (z - z0) A_t/(A_t - A_b); above it d = z - z0. */
double rig_depth_from_stage(const struct rig *rig, double stage_mm);
double rig_stage_from_depth(const struct rig *rig, double depth_mm);

#endif
