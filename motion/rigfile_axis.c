/* SPDX-License-Identifier: GPL-3.0-or-later
 * Rig files: the axis block. */
#include "motion/axis.h"
#include "motion/rigfile_parts.h"

#include <math.h>
#include <string.h>

enum {
    AXIS_PORT,
    AXIS_SPEAKS,
    AXIS_LETTER,
    AXIS_TRAVEL,
    AXIS_SPEED,
    AXIS_LAW,
    AXIS_ACCELERATION,
    AXIS_RESOLUTION,
    AXIS_PARK,
    AXIS_HOME,
    AXIS_LINES,
    AXIS_LOOK,
    AXIS_BUFFER,
    AXIS_CHECKSUMS,
    AXIS_POSITION_WORD,
    AXIS_POLL,
    AXIS_LEAD,
    AXIS_BACKLASH
};

/* A line of motion with number, checksum and feed is about 40 bytes of 10 bits. */
enum { BITS_A_LINE = 400 };
/* Of a ring of 128, in which one place stays empty. Common practice, no source. */
enum { POLLED_BUFFER_BYTES = 127 };
static const double LINE_RATE_WITHOUT_BAUD_HZ = 250;

static int read_port(struct rig_block *block, struct cursor *cursor)
{
    int code = rig_once(block, cursor, AXIS_PORT);
    return code ? code : rig_port(cursor, block->rig->axis.port, &block->rig->axis.baud);
}

static int read_speaks(struct rig_block *block, struct cursor *cursor)
{
    char *speaks = block->rig->axis.speaks;
    size_t token = cursor->at;
    int code = rig_once(block, cursor, AXIS_SPEAKS);
    if (code || (code = rig_text(cursor, "what the axis speaks", speaks, RIG_PATH_SIZE)))
        return code;
    size_t size = strlen(speaks);
    bool file = size > 5 && strcmp(speaks + size - 5, ".axis") == 0;
    if (!file && !axis_dialect_known(speaks))
        return cursor_fail_at(cursor, token, RIG_EINPUT,
                              "'%.60s' is not known here; known are acknowledged-lines, "
                              "status-polled, and a file NAME.axis that describes the controller",
                              speaks);
    return 0;
}

static int read_letter(struct rig_block *block, struct cursor *cursor)
{
    const char *letter;
    int code = rig_once(block, cursor, AXIS_LETTER);
    if (code || (code = cursor_any_word(cursor, "a letter from A to Z", &letter)))
        return code;
    /* Not isupper: the same in every locale. F, G, M, N, P and S mean other things
     * on the wire (NISTIR 6556, table 3). */
    if (strlen(letter) != 1 || !strchr("ABCUVWXYZE", letter[0]))
        return cursor_fail_at(cursor, 1, RIG_EINPUT,
                              "'%s' is no axis; an axis is one of A, B, C, E, U, V, W, X, Y and Z",
                              letter);
    block->rig->axis.letter = letter[0];
    block->rig->axis.reversed = cursor_takes(cursor, "reversed");
    return 0;
}

static int read_travel(struct rig_block *block, struct cursor *cursor)
{
    struct rig_axis *axis = &block->rig->axis;
    int code;
    if ((code = rig_once(block, cursor, AXIS_TRAVEL)) ||
        (code = cursor_quantity(cursor, QUANTITY_LENGTH, "the lower end of the travel",
                                &axis->travel_low_mm)) ||
        (code = cursor_word(cursor, "to")) ||
        (code = cursor_quantity(cursor, QUANTITY_LENGTH, "the upper end of the travel",
                                &axis->travel_high_mm)))
        return code;
    if (!(axis->travel_low_mm < axis->travel_high_mm))
        return cursor_fail_at(
            cursor, 1, RIG_EINPUT,
            "the travel is upside down: it starts at %g mm and ends at %g mm; the "
            "smaller position comes first, and greater is deeper",
            axis->travel_low_mm, axis->travel_high_mm);
    if (axis->travel_low_mm < -1e5 || axis->travel_high_mm > 1e5)
        return cursor_fail_at(cursor, 1, RIG_EINPUT,
                              "a travel of %g to %g mm is no bench axis; positions stay within "
                              "100000 mm",
                              axis->travel_low_mm, axis->travel_high_mm);
    return 0;
}

static int read_law(struct rig_block *block, struct cursor *cursor)
{
    static const char *const laws[] = {"trapezoid", "jerk"};
    struct rig_axis *axis = &block->rig->axis;
    size_t which;
    int code;
    if ((code = rig_once(block, cursor, AXIS_LAW)) ||
        (code = cursor_choice(cursor, laws, 2, &which)))
        return code;
    if (which == 0) {
        axis->law = SPEED_TRAPEZOID;
        return 0;
    }
    axis->law = SPEED_JERK_LIMITED;
    if ((code = cursor_word(cursor, "limited")) || (code = cursor_word(cursor, "to")))
        return code;
    return rig_positive(cursor, QUANTITY_JERK, "the jerk", &axis->jerk_mm_s3);
}

static int read_speed(struct rig_block *block, struct cursor *cursor)
{
    static const char *const which_words[] = {"up", "law"};
    size_t which, token;
    int code = cursor_choice(cursor, which_words, 2, &which);
    if (code)
        return code;
    if (which == 1)
        return read_law(block, cursor);
    if ((code = rig_once(block, cursor, AXIS_SPEED)) || (code = cursor_word(cursor, "to")))
        return code;
    token = cursor->at;
    if ((code = rig_positive(cursor, QUANTITY_SPEED, "the speed", &block->rig->axis.speed_mm_s)))
        return code;
    if (block->rig->axis.speed_mm_s > 1e4)
        return cursor_fail_at(cursor, token, RIG_EINPUT,
                              "%g mm/s is no bench axis; the speed is at most 10000 mm/s",
                              block->rig->axis.speed_mm_s);
    return 0;
}

static int read_acceleration(struct rig_block *block, struct cursor *cursor)
{
    int code;
    if ((code = rig_once(block, cursor, AXIS_ACCELERATION)) || (code = cursor_word(cursor, "up")) ||
        (code = cursor_word(cursor, "to")))
        return code;
    return rig_positive(cursor, QUANTITY_ACCELERATION, "the acceleration",
                        &block->rig->axis.acceleration_mm_s2);
}

static int read_resolution(struct rig_block *block, struct cursor *cursor)
{
    double steps_mm;
    int code;
    if ((code = rig_once(block, cursor, AXIS_RESOLUTION)) ||
        (code = rig_positive(cursor, QUANTITY_RESOLUTION, "the resolution", &steps_mm)))
        return code;
    block->rig->axis.step_mm = 1 / steps_mm;
    if (!(steps_mm <= 1e6 && steps_mm >= 1e-3))
        return cursor_fail_at(
            cursor, 1, RIG_EINPUT,
            "%g steps/mm is no stepper; a resolution is between 0.001 and 1000000 "
            "steps/mm",
            steps_mm);
    return 0;
}

static int read_park(struct rig_block *block, struct cursor *cursor)
{
    int code;
    if ((code = rig_once(block, cursor, AXIS_PARK)) || (code = cursor_word(cursor, "at")))
        return code;
    return cursor_quantity(cursor, QUANTITY_LENGTH, "the depth to park at",
                           &block->rig->axis.park_mm);
}

static int read_home(struct rig_block *block, struct cursor *cursor)
{
    static const char *const words[] = {"at", "none"};
    size_t which;
    int code;
    if ((code = rig_once(block, cursor, AXIS_HOME)) ||
        (code = cursor_choice(cursor, words, 2, &which)))
        return code;
    block->rig->axis.homes = which == 0;
    if (which == 1)
        return 0;
    return cursor_quantity(cursor, QUANTITY_LENGTH, "the home position", &block->rig->axis.home_mm);
}

static int read_lines(struct rig_block *block, struct cursor *cursor)
{
    int code;
    if ((code = rig_once(block, cursor, AXIS_LINES)) || (code = cursor_word(cursor, "up")) ||
        (code = cursor_word(cursor, "to")))
        return code;
    return rig_positive(cursor, QUANTITY_LINE_RATE, "the rate of lines",
                        &block->rig->axis.line_rate_hz);
}

static int read_look(struct rig_block *block, struct cursor *cursor)
{
    int64_t lines;
    int code;
    if ((code = rig_once(block, cursor, AXIS_LOOK)) || (code = cursor_word(cursor, "ahead")) ||
        (code = cursor_count(cursor, "the number of lines", 1, 10000, &lines)))
        return code;
    block->rig->axis.lookahead_lines = (int)lines;
    return cursor_word(cursor, lines == 1 ? "line" : "lines");
}

static int read_buffer(struct rig_block *block, struct cursor *cursor)
{
    double bytes;
    int code;
    if ((code = rig_once(block, cursor, AXIS_BUFFER)) ||
        (code = rig_positive(cursor, QUANTITY_BYTES, "the receive buffer", &bytes)))
        return code;
    if (bytes != rint(bytes) || bytes < 64 || bytes > 1e6)
        return cursor_fail_at(cursor, 1, RIG_EINPUT,
                              "a receive buffer is a whole number of 64 to 1000000 bytes");
    block->rig->axis.buffer_bytes = (int)bytes;
    return 0;
}

static int read_checksums(struct rig_block *block, struct cursor *cursor)
{
    static const char *const words[] = {"no", "yes"};
    size_t which;
    int code;
    if ((code = rig_once(block, cursor, AXIS_CHECKSUMS)) ||
        (code = cursor_choice(cursor, words, 2, &which)))
        return code;
    block->rig->axis.checksums = which == 1;
    return 0;
}

static int read_position(struct rig_block *block, struct cursor *cursor)
{
    static const char *const words[] = {"planned", "live"};
    size_t which;
    int code;
    if ((code = rig_once(block, cursor, AXIS_POSITION_WORD)) ||
        (code = cursor_choice(cursor, words, 2, &which)))
        return code;
    block->rig->axis.live_position = which == 1;
    return 0;
}

static int read_poll(struct rig_block *block, struct cursor *cursor)
{
    int code = rig_once(block, cursor, AXIS_POLL);
    if (code || (code = rig_positive(cursor, QUANTITY_FREQUENCY, "the rate of position queries",
                                     &block->rig->axis.poll_hz)))
        return code;
    if (block->rig->axis.poll_hz > 100)
        return cursor_fail_at(cursor, 1, RIG_EINPUT,
                              "%g position queries a second crowd out the lines of motion; at most "
                              "100 Hz",
                              block->rig->axis.poll_hz);
    return 0;
}

static int read_lead(struct rig_block *block, struct cursor *cursor)
{
    int code = rig_once(block, cursor, AXIS_LEAD);
    if (code ||
        (code = cursor_quantity(cursor, QUANTITY_TIME, "the lead", &block->rig->axis.lead_s)))
        return code;
    if (!(block->rig->axis.lead_s >= 0 && block->rig->axis.lead_s <= 10))
        return cursor_fail_at(cursor, 1, RIG_EINPUT, "a lead is between 0 s and 10 s");
    return 0;
}

static int read_backlash(struct rig_block *block, struct cursor *cursor)
{
    int code = rig_once(block, cursor, AXIS_BACKLASH);
    if (code || (code = cursor_quantity(cursor, QUANTITY_LENGTH, "the backlash",
                                        &block->rig->axis.backlash_mm)))
        return code;
    if (!(block->rig->axis.backlash_mm >= 0 && block->rig->axis.backlash_mm <= 10))
        return cursor_fail_at(cursor, 1, RIG_EINPUT, "a backlash is between 0 mm and 10 mm");
    return 0;
}

const struct rig_word rig_axis_words[] = {
    {"port", read_port, "port /dev/ttyUSB0 at 115200 baud"},
    {"speaks", read_speaks, "speaks acknowledged-lines"},
    {"letter", read_letter, "letter Z reversed"},
    {"travel", read_travel, "travel 0 mm to 200 mm"},
    {"speed", read_speed, "speed up to 60 mm/s"},
    {"acceleration", read_acceleration, "acceleration up to 900 mm/s2"},
    {"resolution", read_resolution, "resolution 400 steps/mm"},
    {"park", read_park, "park at -20 mm"},
    {"home", read_home, "home at 0 mm"},
    {"lines", read_lines, "lines up to 300 lines/s"},
    {"look", read_look, "look ahead 16 lines"},
    {"buffer", read_buffer, "buffer 96 bytes"},
    {"checksums", read_checksums, "checksums yes"},
    {"position", read_position, "position live"},
    {"poll", read_poll, "poll 10 Hz"},
    {"lead", read_lead, "lead 0.25 s"},
    {"backlash", read_backlash, "backlash 0.02 mm"},
    {NULL, NULL, NULL},
};

/* What this dialect has by its nature. */
static int finish_polled(struct rig_block *block, const struct cursor *opening)
{
    struct rig_axis *axis = &block->rig->axis;
    if (strcmp(axis->speaks, "status-polled") != 0)
        return 0;
    if (block->seen_line[AXIS_CHECKSUMS] && axis->checksums) {
        struct cursor at = *opening;
        at.statement = block->seen[AXIS_CHECKSUMS];
        return cursor_fail_at(&at, 1, RIG_EINPUT,
                              "status-polled has neither line numbers nor checksums; leave this "
                              "out");
    }
    axis->checksums = false;
    if (!block->seen_line[AXIS_BUFFER])
        axis->buffer_bytes = POLLED_BUFFER_BYTES;
    if (!block->seen_line[AXIS_POSITION_WORD])
        axis->live_position = true;
    return 0;
}

int rig_axis_finish(struct rig_block *block, const struct cursor *opening)
{
    static const struct {
        int slot;
        const char *what, *example;
    } needed[] = {
        {AXIS_PORT, "where the axis is plugged in", "port /dev/ttyUSB0 at 115200 baud"},
        {AXIS_TRAVEL, "how far the axis can go", "travel 0 mm to 200 mm"},
        {AXIS_SPEED, "how fast the axis can go", "speed up to 60 mm/s"},
        {AXIS_ACCELERATION, "how fast the axis can change speed", "acceleration up to 900 mm/s2"},
        {AXIS_RESOLUTION, "how many steps make a millimetre", "resolution 400 steps/mm"},
        {AXIS_PARK, "where the board is clear of the water", "park at -20 mm"},
    };
    for (size_t i = 0; i < sizeof needed / sizeof *needed; i++) {
        int code = rig_need(block, opening, needed[i].slot, needed[i].what, needed[i].example);
        if (code)
            return code;
    }
    struct rig_axis *axis = &block->rig->axis;
    int code = finish_polled(block, opening);
    if (code)
        return code;
    if (!block->seen_line[AXIS_LINES])
        axis->line_rate_hz =
            axis->baud ? (double)axis->baud / BITS_A_LINE : LINE_RATE_WITHOUT_BAUD_HZ;
    return 0;
}
