/* SPDX-License-Identifier: GPL-3.0-or-later
 * The profile language: every statement, nesting, names, and every mistake with its
 * place and a remedy. */
#include "check.h"
#include "units.h"

#include "motion/profile.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static struct profile good(const char *text)
{
    struct profile profile;
    struct rig_err err = {0};
    int code = profile_read(&profile, "dip.profile", text, strlen(text), units, &err);
    if (code)
        print_error("%s\n%s\n", text, err.text);
    assert_int_equal(code, 0);
    return profile;
}

static void every_statement_is_read(void **state)
{
    (void)state;
    struct profile p = good("title \"Everything once\"\n"
                            "start at 1 cm\n"
                            "ramp to 150 mm at 1.2 m/min   # a comment\n"
                            "step to -5 mm\n"
                            "hold 1 min\n"
                            "stairs from 10 mm to 150 mm in 14 steps, hold 4 s, up and down\n"
                            "stairs from 150 mm to 10 mm in 1 step at 5 mm/s hold 4 s\n"
                            "sine about 80 mm amplitude 15 mm at 0.5 Hz, 8 cycles\n"
                            "sine about 80 mm amplitude up to 15 mm from 0.05 Hz to 3 Hz in 12 "
                            "frequencies, 8 cycles each\n"
                            "follow \"harbour-chop.csv\"\n"
                            "mark \"half way\"\n"
                            "repeat 3\n"
                            "  hold 1 s\n"
                            "end\n"
                            "repeat for 9 h\n"
                            "  hold 1 s\n"
                            "end\n"
                            "each speed 5, 10, 20 mm/s\n"
                            "  ramp to 100 mm at speed\n"
                            "end\n");
    assert_string_equal(p.title, "Everything once");
    assert_true(p.has_start);
    assert_near(p.start.number, 10, 1e-12, "mm");
    assert_int_equal(p.body_count, 12);
    const struct profile_node *n = p.body;
    assert_int_equal(n[0].kind, PROFILE_RAMP);
    assert_near(n[0].to.number, 150, 0, "mm");
    assert_near(n[0].speed.number, 20, 1e-12, "mm/s");
    assert_int_equal(n[1].kind, PROFILE_STEP);
    assert_near(n[1].to.number, -5, 0, "mm");
    assert_int_equal(n[2].kind, PROFILE_HOLD);
    assert_near(n[2].time.number, 60, 1e-12, "s");
    assert_int_equal(n[3].kind, PROFILE_STAIRS);
    assert_int_equal(n[3].count, 14);
    assert_true(n[3].both_ways);
    assert_false(n[3].has_speed);
    assert_near(n[3].time.number, 4, 0, "s");
    assert_int_equal(n[4].count, 1);
    assert_false(n[4].both_ways);
    assert_near(n[4].speed.number, 5, 0, "mm/s");
    assert_int_equal(n[5].kind, PROFILE_SINE);
    assert_int_equal(n[5].count, 1);
    assert_false(n[5].may_shrink);
    assert_near(n[5].from.number, 80, 0, "mm");
    assert_near(n[5].amplitude.number, 15, 0, "mm");
    assert_near(n[5].low_hz.number, 0.5, 0, "Hz");
    assert_int_equal(n[5].cycles, 8);
    assert_true(n[6].may_shrink);
    assert_int_equal(n[6].count, 12);
    assert_near(n[6].high_hz.number, 3, 0, "Hz");
    assert_int_equal(n[7].kind, PROFILE_FOLLOW);
    assert_string_equal(n[7].text, "harbour-chop.csv");
    assert_int_equal(n[8].kind, PROFILE_MARK);
    assert_string_equal(n[8].text, "half way");
    assert_int_equal(n[9].kind, PROFILE_REPEAT);
    assert_int_equal(n[9].count, 3);
    assert_int_equal(n[9].body_count, 1);
    assert_int_equal(n[10].kind, PROFILE_REPEAT_FOR);
    assert_near(n[10].time.number, 32400, 1e-9, "s");
    assert_int_equal(n[11].kind, PROFILE_EACH);
    assert_int_equal(n[11].value_count, 3);
    assert_near(n[11].values[2], 20, 0, "mm/s");
    assert_int_equal(n[11].body[0].speed.variable, 0);
    profile_free(&p);
}

static void names_reach_inwards_and_end_with_their_block(void **state)
{
    (void)state;
    struct profile p = good("each depth 1, 2 cm\n"
                            "each speed 5, 10 mm/s\n"
                            "each f 0.1, 1 Hz\n"
                            "each pause 1, 2 s\n"
                            "ramp to depth at speed\n"
                            "hold pause\n"
                            "sine about depth amplitude depth at f, 2 cycles\n"
                            "stairs from depth to 3 mm in 2 steps, at speed, hold pause\n"
                            "repeat for pause\nhold 1 s\nend\n"
                            "end\nend\nend\nend\n"
                            "each speed 3 mm/s\nramp to 1 mm at speed\nend\n");
    const struct profile_node *inner = p.body[0].body[0].body[0].body[0].body;
    assert_int_equal(inner[0].to.variable, 0);
    assert_int_equal(inner[0].speed.variable, 1);
    assert_int_equal(inner[2].low_hz.variable, 2);
    assert_int_equal(inner[1].time.variable, 3);
    assert_near(p.body[0].values[1], 20, 1e-12, "mm");
    assert_int_equal(p.body[1].body[0].speed.variable, 0);
    assert_int_equal(p.variable_count, 4);
    profile_free(&p);
}

static const struct {
    const char *text, *place, *says;
} wrong[] = {
    {"", ":1:1:", "nothing to do"},
    {"# only a comment\n", ":1:1:", "nothing to do"},
    {"title \"x\"\n", ":1:1:", "nothing to do"},
    {"rampe to 5 mm at 3 mm/s\n", ":1:1:", "ramp"},
    {"touche\n", ":1:1:", "touch"},
    {"touch within 3\n", ":1:", "mm"},
    {"touch within 0 mm\n", ":1:14:", "greater than zero"},
    {"touch at 1 mm\n", ":1:10:", "1 mm"},
    {"touch within 3 mm within 2 mm\n", ":1:19:", "at"},
    {"touch at 1 mm/s, within 3 mm at 2 mm/s\n", ":1:30:", ""},
    {"touch slowly\n", ":1:7:", "at"},
    {"title x\nhold 1 s\n", ":1:7:", "quotes"},
    {"title \"a\"\ntitle \"b\"\nhold 1 s\n", ":2:1:", "title already"},
    {"repeat 2\ntitle \"b\"\nend\n", ":2:1:", "outside all blocks"},
    {"start at 5 mm\nstart at 6 mm\n", ":2:1:", "already, on line 1"},
    {"hold 2 s\nstart at 6 mm\n", ":2:1:", "comes before"},
    {"repeat 2\nstart at 6 mm\nend\n", ":2:1:", "comes before"},
    {"start 6 mm\n", ":1:7:", "at"},
    {"start at 6\n", ":1:", "mm"},
    {"start at 6 s\n", ":1:10:", "a length"},
    {"ramp to 150 mm\n", ":1:15:", "step to 150 mm"},
    {"ramp to 150 mm at 20 mm\n", ":1:19:", "20 mm/s"},
    {"ramp to 150 mm at 20\n", ":1:", "20 mm/s"},
    {"ramp to 150 mm at 0 mm/s\n", ":1:19:", "greater than zero"},
    {"ramp to 150 mm at -2 mm/s\n", ":1:19:", "greater than zero"},
    {"ramp to 150 mm at 1e400 mm/s\n", ":1:19:", ""},
    {"ramp to nan mm at 2 mm/s\n", ":1:9:", ""},
    {"ramp to 150 mm at 20 mm/s please\n", ":1:27:", ""},
    {"ramp 150 mm at 20 mm/s\n", ":1:6:", "to"},
    {"step to 20 mm at 5 mm/s\n", ":1:15:", "ramp"},
    {"hold\n", ":1:5:", "4 s"},
    {"hold 4\n", ":1:", "4 s"},
    {"hold 4 mm\n", ":1:6:", "a time"},
    {"hold 4 fortnightz\n", ":1:6:", "fortnightz"},
    {"hold 0 s\n", ":1:6:", "greater than zero"},
    {"stairs from 1 mm to 9 mm in 0 steps, hold 1 s\n", ":1:29:", ""},
    {"stairs from 1 mm to 9 mm in 2.5 steps, hold 1 s\n", ":1:29:", ""},
    {"stairs from 1 mm to 9 mm in 2 stairs, hold 1 s\n", ":1:31:", "steps"},
    {"stairs from 1 mm to 9 mm in 2 steps\n", ":1:36:", "hold"},
    {"stairs from 1 mm to 9 mm in 2 steps, hold 1 s, down and up\n", ":1:48:", "up"},
    {"sine about 80 mm amplitude 5 mm at 1 Hz\n", ":1:40:", "cycles"},
    {"sine about 80 mm amplitude 5 mm at 1 s, 3 cycles\n", ":1:36:", "a frequency"},
    {"sine about 80 mm amplitude 0 mm at 1 Hz, 3 cycles\n", ":1:28:", "greater than zero"},
    {"sine about 80 mm amplitude up 5 mm at 1 Hz, 3 cycles\n", ":1:31:", "to"},
    {"sine about 80 mm amplitude 5 mm with 1 Hz, 3 cycles\n", ":1:33:", "at"},
    {"sine about 80 mm amplitude 5 mm from 1 Hz to 2 Hz in 1 frequencies, 3 cycles\n",
     ":1:54:", ""},
    {"sine about 80 mm amplitude 5 mm from 1 Hz to 2 Hz in 4 frequency, 3 cycles\n",
     ":1:56:", "frequencies"},
    {"sine about 80 mm amplitude 5 mm at 1 Hz, 0 cycles\n", ":1:42:", ""},
    {"follow\n", ":1:7:", "trace"},
    {"mark 5\n", ":1:6:", "quotes"},
    {"repeat\nhold 1 s\nend\n", ":1:7:", "how often"},
    {"repeat 0\nhold 1 s\nend\n", ":1:8:", ""},
    {"repeat -3\nhold 1 s\nend\n", ":1:8:", ""},
    {"repeat 3 times\nhold 1 s\nend\n", ":1:10:", ""},
    {"repeat for 3\nhold 1 s\nend\n", ":1:", "4 s"},
    {"repeat for 3 mm\nhold 1 s\nend\n", ":1:12:", "a time"},
    {"repeat 3\nend\n", ":1:1:", "nothing between"},
    {"repeat 3\nhold 1 s\n", ":1:1:", "end"},
    {"hold 1 s\nend\n", ":2:1:", "end"},
    {"each\nhold 1 s\nend\n", ":1:5:", "name"},
    {"each speed 5, 10\nhold 1 s\nend\n", ":1:17:", "unit"},
    {"each speed 5 mm/s, 10 mm/s\nhold 1 s\nend\n", ":1:14:", "once, behind the last"},
    {"each speed 5, 10 furlongz\nhold 1 s\nend\n", ":1:18:", "furlongz"},
    {"each a 5, 10 mm/s2\nhold 1 s\nend\n", ":1:14:", "nothing in a profile is"},
    {"each ramp 5, 10 mm/s\nhold 1 s\nend\n", ":1:6:", "word of the language"},
    {"each v 5 mm/s\neach v 6 mm/s\nhold 1 s\nend\nend\n", ":2:6:", "on line 1"},
    {"each speed 5 mm/s\nhold speed\nend\n", ":2:6:", "stands for a speed (line 1)"},
    {"each speed 5 mm/s\nramp to 5 mm at sped\nend\n", ":2:17:", "did you mean 'speed'"},
    {"each speed 5 mm/s\nhold 1 s\nend\nramp to 5 mm at speed\n", ":4:17:", "neither a number"},
    {"title \"open\nhold 1 s\n", ":1:", ""},
};

static void every_mistake_has_its_place_and_remedy(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof wrong / sizeof *wrong; i++) {
        struct profile p;
        struct rig_err err = {0};
        char place[40];
        int code =
            profile_read(&p, "dip.profile", wrong[i].text, strlen(wrong[i].text), units, &err);
        snprintf(place, sizeof place, "dip.profile%s", wrong[i].place);
        if (code != RIG_EINPUT || !strstr(err.text, place) || !strstr(err.text, wrong[i].says))
            print_error("case %zu: %s\ngave %d '%s', wanted '%s' and '%s'\n", i, wrong[i].text,
                        code, err.text, place, wrong[i].says);
        assert_int_equal(code, RIG_EINPUT);
        assert_contains(err.text, place);
        assert_contains(err.text, wrong[i].says);
    }
}

static void nesting_has_a_limit(void **state)
{
    (void)state;
    static char text[8192];
    for (int depth = 30; depth <= 40; depth += 10) {
        size_t size = 0;
        for (int i = 0; i < depth; i++)
            size += (size_t)snprintf(text + size, sizeof text - size, "each v%d 1 s\n", i);
        size += (size_t)snprintf(text + size, sizeof text - size, "hold v%d\n", depth - 1);
        for (int i = 0; i < depth; i++)
            size += (size_t)snprintf(text + size, sizeof text - size, "end\n");
        struct profile p = {0};
        struct rig_err err = {0};
        int code = profile_read(&p, "deep", text, size, units, &err);
        assert_int_equal(code, depth == 30 ? 0 : RIG_EINPUT);
        profile_free(&p);
    }
}

static void too_many_values(void **state)
{
    (void)state;
    static char text[16384];
    size_t size = (size_t)snprintf(text, sizeof text, "each v 1");
    for (int i = 0; i < PROFILE_VALUE_LIMIT; i++)
        size += (size_t)snprintf(text + size, sizeof text - size, ", 1");
    size += (size_t)snprintf(text + size, sizeof text - size, " s\nhold v\nend\n");
    struct profile p;
    struct rig_err err = {0};
    assert_int_equal(profile_read(&p, "many", text, size, units, &err), RIG_EINPUT);
    assert_contains(err.text, "more than 1000 values");
}

static void examples_of_the_words_are_right(void **state)
{
    (void)state;
    for (size_t i = 0; profile_words[i].word; i++) {
        char text[256];
        const char *word = profile_words[i].word;
        if (strcmp(word, "end") == 0)
            continue;
        int block = strcmp(word, "repeat") == 0 || strcmp(word, "each") == 0;
        snprintf(text, sizeof text, "%s\n%s%s", profile_words[i].example, "hold 1 s\n",
                 block ? "end\n" : "");
        struct profile p = good(text);
        profile_free(&p);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_statement_is_read),
        cmocka_unit_test(names_reach_inwards_and_end_with_their_block),
        cmocka_unit_test(every_mistake_has_its_place_and_remedy),
        cmocka_unit_test(nesting_has_a_limit),
        cmocka_unit_test(too_many_values),
        cmocka_unit_test(examples_of_the_words_are_right),
    };
    return cmocka_run_group_tests(tests, open_units, close_units);
}
