/* SPDX-License-Identifier: GPL-3.0-or-later
 * The machine's serial ports and what is known of each, without opening any: to open
 * one restarts many a board. */
#ifndef RIG_PORT_LIST_H
#define RIG_PORT_LIST_H

#include "base/err.h"
#include "base/text.h"

#include <stdbool.h>
#include <stddef.h>

struct port_info {
    char name[128];  /* /dev/ttyUSB0 */
    char by_id[256]; /* its link in /dev/serial/by-id, "" for none: stays the same when the
                        device is plugged in elsewhere */
    char description[128], manufacturer[128], product[128], serial[128]; /* "" if not known */
    int usb_vendor, usb_product;                                         /* -1: not on USB */
    char group[64]; /* whose members may open it; "" for none */
    bool may_open;  /* this user may, as far as permissions go */
};

/* Ports as libserialport lists them, by name. The caller frees *ports. */
int port_list(struct port_info **ports, size_t *count, struct rig_err *err);

/* The link in `folder` that leads to the device; false when there is none. */
bool port_find_link(const char *folder, const char *device, char *link, size_t room);

/* For people: one paragraph a port, or one sentence when there are none. */
void port_list_text(const struct port_info ports[], size_t count, struct text *text);
/* {"ports": [{"name": ..., "path": ..., "may_open": ...}, ...]} with an end of line;
 * what is not known is null. NULL: no memory. The caller frees. */
char *port_list_json(const struct port_info ports[], size_t count);

#endif
