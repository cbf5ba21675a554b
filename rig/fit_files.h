/* SPDX-License-Identifier: GPL-3.0-or-later
 * What a fit leaves in the recording's folder. Apart from the fit, which writes nothing. */
#ifndef RIG_FIT_FILES_H
#define RIG_FIT_FILES_H

#include "results/fit.h"

/* Writes results.json and report.html, each whole or not at all. */
int fit_write(const struct fit *fit, const struct recording *recording, struct rig_err *err);

#endif
