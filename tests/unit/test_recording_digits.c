/* SPDX-License-Identifier: GPL-3.0-or-later
 * The recording's reader as it is on processors without layouts (recording_layout_none.h):
 * the tests of test_recording_parse.c once more. */
#define RECORDING_WITHOUT_LAYOUTS
#include "../../results/recording_parse.c"

#include "test_recording_parse.c"
