/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "rig/port_list.h"

#include <libserialport.h>

#include <dirent.h>
#include <grp.h>
#include <jansson.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static const char BY_ID[] = "/dev/serial/by-id";

bool port_find_link(const char *folder, const char *device, char *link, size_t room)
{
    char *real = realpath(device, NULL);
    DIR *links = real ? opendir(folder) : NULL;
    bool found = false;
    for (struct dirent *entry; links && !found && (entry = readdir(links));) {
        char path[PATH_MAX];
        int size = snprintf(path, sizeof path, "%s/%s", folder, entry->d_name);
        if (entry->d_name[0] == '.' || size < 0 || (size_t)size >= sizeof path ||
            (size_t)size >= room)
            continue;
        char *target = realpath(path, NULL);
        found = target && !strcmp(target, real);
        if (found)
            memcpy(link, path, (size_t)size + 1);
        free(target);
    }
    if (links)
        closedir(links);
    free(real);
    return found;
}

static void keep(char *place, size_t room, const char *text)
{
    snprintf(place, room, "%s", text ? text : "");
}

static void describe(struct port_info *info, const struct sp_port *port)
{
    *info = (struct port_info){.usb_vendor = -1, .usb_product = -1};
    keep(info->name, sizeof info->name, sp_get_port_name(port));
    keep(info->description, sizeof info->description, sp_get_port_description(port));
    if (sp_get_port_transport(port) == SP_TRANSPORT_USB) {
        keep(info->manufacturer, sizeof info->manufacturer, sp_get_port_usb_manufacturer(port));
        keep(info->product, sizeof info->product, sp_get_port_usb_product(port));
        keep(info->serial, sizeof info->serial, sp_get_port_usb_serial(port));
        if (sp_get_port_usb_vid_pid(port, &info->usb_vendor, &info->usb_product) != SP_OK)
            info->usb_vendor = info->usb_product = -1;
    }
    port_find_link(BY_ID, info->name, info->by_id, sizeof info->by_id);
    struct stat status;
    if (stat(info->name, &status) == 0 && (status.st_mode & S_IRGRP) &&
        (status.st_mode & S_IWGRP)) {
        struct group *group = getgrgid(status.st_gid);
        keep(info->group, sizeof info->group, group ? group->gr_name : NULL);
    }
    info->may_open = access(info->name, R_OK | W_OK) == 0;
}

static int by_name(const void *a, const void *b)
{
    const struct port_info *first = a, *second = b;
    return strcmp(first->name, second->name);
}

int port_list(struct port_info **ports, size_t *count, struct rig_err *err)
{
    struct sp_port **list = NULL;
    enum sp_return result = sp_list_ports(&list);
    if (result == SP_ERR_MEM)
        return rig_fail_memory(err, "the list of ports");
    if (result != SP_OK)
        return rig_fail(err, RIG_EOS, "the serial ports can't be listed; is /sys mounted?");
    size_t n = 0;
    while (list[n])
        n++;
    struct port_info *infos = calloc(n ? n : 1, sizeof *infos);
    for (size_t i = 0; infos && i < n; i++)
        describe(&infos[i], list[i]);
    sp_free_port_list(list);
    if (!infos)
        return rig_fail_memory(err, "the list of ports");
    qsort(infos, n, sizeof *infos, by_name);
    *ports = infos;
    *count = n;
    return RIG_OK;
}

void port_list_text(const struct port_info ports[], size_t count, struct text *text)
{
    if (count == 0)
        text_add(text, "There are no serial ports; plug a device in and look again.\n");
    for (size_t i = 0; i < count; i++) {
        const struct port_info *port = &ports[i];
        text_format(text, "%s%s\n", i ? "\n" : "", port->name);
        if (port->description[0])
            text_format(text, "  is        %s\n", port->description);
        if (port->manufacturer[0])
            text_format(text, "  made by   %s\n", port->manufacturer);
        if (port->usb_vendor >= 0)
            text_format(text, "  usb       %04x:%04x%s%s\n", (unsigned)port->usb_vendor,
                        (unsigned)port->usb_product, port->serial[0] ? ", serial " : "",
                        port->serial);
        text_format(text, "  rig file  port %s\n", port->by_id[0] ? port->by_id : port->name);
        if (port->may_open)
            text_add(text, "  access    you may open it\n");
        else if (port->group[0])
            text_format(text,
                        "  access    only for group '%s': sudo adduser YOU %s, then log in again\n",
                        port->group, port->group);
        else
            text_add(text, "  access    you may not open it, and no group may\n");
    }
}

static json_t *word(const char *text)
{
    json_t *value = text[0] ? json_string(text) : json_null();
    return value ? value : json_null(); /* bytes that are no UTF-8 */
}

static json_t *number(int value)
{
    return value >= 0 ? json_integer(value) : json_null();
}

char *port_list_json(const struct port_info ports[], size_t count)
{
    json_t *list = json_array();
    bool failed = !list;
    for (size_t i = 0; !failed && i < count; i++) {
        const struct port_info *port = &ports[i];
        json_t *entry = json_pack(
            "{s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:b}", "name", word(port->name), "path",
            word(port->by_id[0] ? port->by_id : port->name), "description", word(port->description),
            "manufacturer", word(port->manufacturer), "product", word(port->product), "serial",
            word(port->serial), "usb_vendor", number(port->usb_vendor), "usb_product",
            number(port->usb_product), "group", word(port->group), "may_open", (int)port->may_open);
        failed = !entry || json_array_append_new(list, entry) != 0;
    }
    json_t *whole = failed ? NULL : json_pack("{s:o}", "ports", list);
    if (failed)
        json_decref(list);
    char *text = whole ? json_dumps(whole, JSON_INDENT(2)) : NULL;
    json_decref(whole);
    size_t size = text ? strlen(text) : 0;
    char *ended = text ? realloc(text, size + 2) : NULL;
    if (!ended) {
        free(text);
        return NULL;
    }
    memcpy(ended + size, "\n", 2);
    return ended;
}
