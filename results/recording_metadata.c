/* SPDX-License-Identifier: GPL-3.0-or-later
 * The tables of a recording and their columns, in one place: headers, reader and
 * csv-metadata.json all come from here. The latter follows W3C 'Metadata Vocabulary
 * for Tabular Data' (2015); units are the common property schema:unitText. */
#include "results/recording_parts.h"

#include <ctype.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct fixed_column {
    const char *name, *datatype, *unit;
    bool required;
    const char *description;
};

static const struct fixed_column T_S = {"t_s", "double", "s", true,
                                        "host time, monotonic, since the start of the run"};

static const struct fixed_column MOTION[] = {
    {"t_s", "double", "s", true, "host time: the middle between question and answer"},
    {"stroke", "nonNegativeInteger", "", true, "index of the stroke, from 0"},
    {"depth_mm", "double", "mm", false,
     "immersion asked for: greater is deeper, 0 where the lower edge meets calm water"},
    {"reported_mm", "double", "mm", false, "immersion by the position that the axis reported"},
    {"bracket_s", "double", "s", false, "half the time between question and answer"},
    {"segment", "nonNegativeInteger", "", true, "index of the segment, from 0"},
};

static const struct fixed_column STROKES[] = {
    {"stroke", "nonNegativeInteger", "", true, "index of the stroke, from 0"},
    {"plan_s", "double", "s", false, "start on the clock of the plan"},
    {"sent_s", "double", "s", false, "host time at which its first line was sent"},
    {"accepted_s", "double", "s", false, "host time at which that line was acknowledged"},
    {"ended_s", "double", "s", false,
     "host time at which the axis answered that it rests; empty when it was cut short"},
};

static const struct fixed_column EVENTS[] = {
    {"t_s", "double", "s", true, "host time, monotonic, since the start of the run"},
    {"kind", "string", "", true, "one word"},
    {"text", "string", "", false,
     "what happened; a byte that isn't printable ASCII, and the backslash, as \\xHH"},
};

static const struct {
    const char *file;
    const struct fixed_column *columns;
    size_t count;
    const char *description;
} FIXED[TABLE_FIXED_COUNT] = {
    [TABLE_MOTION] = {"motion.csv", MOTION, sizeof MOTION / sizeof *MOTION,
                      "where the axis was told to be and where it said it was"},
    [TABLE_STROKES] = {"strokes.csv", STROKES, sizeof STROKES / sizeof *STROKES,
                       "one row a stroke: the ties between host and axis"},
    [TABLE_EVENTS] = {"events.csv", EVENTS, sizeof EVENTS / sizeof *EVENTS,
                      "what happened besides: faults, retries, lines that are no data"},
};

bool recording_has_clock(const struct rig_source *source)
{
    return source->clock_column > 0 || *source->clock_key || source->clock_field.byte > 0;
}

size_t recording_table_count(const struct rig *rig)
{
    return rig->source_count + TABLE_FIXED_COUNT;
}

void recording_file_name(const struct rig *rig, size_t table, char name[RIG_NAME_SIZE + 8])
{
    if (table < rig->source_count)
        snprintf(name, RIG_NAME_SIZE + 8, "%s.csv", rig->sources[table].name);
    else
        snprintf(name, RIG_NAME_SIZE + 8, "%s", FIXED[table - rig->source_count].file);
}

size_t recording_column_count(const struct rig *rig, size_t table)
{
    if (table >= rig->source_count)
        return FIXED[table - rig->source_count].count;
    const struct rig_source *source = &rig->sources[table];
    return 1 + recording_has_clock(source) + source->channel_count;
}

static void take_fixed(struct column_facts *facts, const struct fixed_column *from)
{
    *facts = (struct column_facts){.datatype = from->datatype, .required = from->required};
    snprintf(facts->name, sizeof facts->name, "%s", from->name);
    snprintf(facts->unit, sizeof facts->unit, "%s", from->unit);
    snprintf(facts->description, sizeof facts->description, "%s", from->description);
}

void recording_column(const struct rig *rig, size_t table, size_t column,
                      struct column_facts *facts)
{
    static const struct fixed_column device = {"device_s", "double", "s", false,
                                               "the board's own clock, unwrapped"};
    if (table >= rig->source_count) {
        take_fixed(facts, &FIXED[table - rig->source_count].columns[column]);
        return;
    }
    const struct rig_source *source = &rig->sources[table];
    size_t before = 1 + recording_has_clock(source);
    if (column < before) {
        take_fixed(facts, column == 0 ? &T_S : &device);
        return;
    }
    const struct rig_channel *channel = &source->channels[column - before];
    *facts = (struct column_facts){.datatype = "double"};
    snprintf(facts->name, sizeof facts->name, "%s", channel->name);
    snprintf(facts->unit, sizeof facts->unit, "%s", channel->unit);
    snprintf(facts->description, sizeof facts->description, "role %s",
             channel_role_name(channel->role));
}

static json_t *column_json(const struct column_facts *facts)
{
    json_t *made = json_pack("{s:s, s:s, s:s, s:b, s:s}", "name", facts->name, "titles",
                             facts->name, "datatype", facts->datatype, "required",
                             (int)facts->required, "dc:description", facts->description);
    if (made && *facts->unit &&
        json_object_set_new(made, "schema:unitText", json_string(facts->unit))) {
        json_decref(made);
        return NULL;
    }
    return made;
}

static json_t *table_json(const struct rig *rig, size_t table)
{
    char url[RIG_NAME_SIZE + 8], about[RIG_NAME_SIZE + 64];
    recording_file_name(rig, table, url);
    if (table < rig->source_count)
        snprintf(about, sizeof about, "what the source '%s' sent", rig->sources[table].name);
    else
        snprintf(about, sizeof about, "%s", FIXED[table - rig->source_count].description);
    json_t *columns = json_array();
    for (size_t c = 0; columns && c < recording_column_count(rig, table); c++) {
        struct column_facts facts;
        recording_column(rig, table, c, &facts);
        if (json_array_append_new(columns, column_json(&facts))) {
            json_decref(columns);
            columns = NULL;
        }
    }
    return json_pack("{s:s, s:s, s:{s:o}}", "url", url, "dc:description", about, "tableSchema",
                     "columns", columns);
}

char *recording_metadata(const struct rig *rig)
{
    json_t *tables = json_array();
    for (size_t t = 0; tables && t < recording_table_count(rig); t++)
        if (json_array_append_new(tables, table_json(rig, t))) {
            json_decref(tables);
            tables = NULL;
        }
    json_t *root =
        json_pack("{s:[s, {s:s}], s:{s:s, s:b, s:s, s:[s]}, s:o}", "@context",
                  "http://www.w3.org/ns/csvw", "@language", "en", "dialect", "delimiter", ",",
                  "header", 1, "encoding", "utf-8", "lineTerminators", "\r\n", "tables", tables);
    char *json = root ? json_dumps(root, JSON_INDENT(2)) : NULL;
    json_decref(root);
    return json;
}
