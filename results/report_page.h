/* SPDX-License-Identifier: GPL-3.0-or-later
 * Style and script of the report page: data, not code, in a file of its own. */
#ifndef RESULTS_REPORT_PAGE_H
#define RESULTS_REPORT_PAGE_H

extern const char report_page_style[];
extern const char report_page_script[];

#endif
