/* SPDX-License-Identifier: GPL-3.0-or-later
 * How often modem lines were asked for or set: only libserialport does. */
#ifndef TESTS_MODEM_LINES_H
#define TESTS_MODEM_LINES_H

extern unsigned modem_calls;

#endif
