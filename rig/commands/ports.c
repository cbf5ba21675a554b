/* SPDX-License-Identifier: GPL-3.0-or-later
 * wetsweep ports: the machine's serial ports and what is known of each. */
#include "commands.h"

#include "rig/port_list.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char help[] =
    "usage: wetsweep ports [--json]\n\n"
    "Lists the serial ports: what each is, its USB numbers, the path to write into a rig\n"
    "file (one that stays the same when the device is plugged in elsewhere, where there\n"
    "is one), and whether you may open it. Opens none of them.\n\n"
    "  --json           one object, {\"ports\": [...]}\n\n"
    "example: wetsweep ports --json\n";

int command_ports(int argc, char **argv)
{
    bool json = false;
    for (int i = 1; i < argc; i++) {
        if (!strcmp(argv[i], "--help") || !strcmp(argv[i], "-h")) {
            fputs(help, stdout);
            return 0;
        }
        if (strcmp(argv[i], "--json") != 0)
            return command_usage(argv[0], "'%s' is not an option", argv[i]);
        json = true;
    }
    struct rig_err err;
    struct port_info *ports = NULL;
    size_t count = 0;
    if (port_list(&ports, &count, &err))
        return command_error(&err);
    char *output = NULL;
    if (json) {
        output = port_list_json(ports, count);
    } else {
        struct text text = {0};
        port_list_text(ports, count, &text);
        output = text_take(&text);
        text_free(&text);
    }
    free(ports);
    if (!output) {
        rig_fail_memory(&err, "the list of ports");
        return command_error(&err);
    }
    fputs(output, stdout);
    free(output);
    return 0;
}
