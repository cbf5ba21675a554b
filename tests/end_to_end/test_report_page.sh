#!/usr/bin/env bash
# SPDX-License-Identifier: GPL-3.0-or-later
# The report of the demonstration in a real browser (report_page.py says what is looked at).
set -eu
scratch=$(mktemp -d /tmp/wetsweep-report-XXXXXX)
trap 'rm -rf "$scratch"' EXIT
cd "$scratch"
profiles=$WETSWEEP_SOURCE/profiles
"$WETSWEEP" run "$profiles/first-dip.profile" --rig "$profiles/bench.rig" \
    --bench "$profiles/harbour-b-bare.bench" --board WS-B-0007 --revision B --coating none \
    --note "demonstration, invented data" --out dip.recording >run.log
"$WETSWEEP" fit dip.recording >fit.log
PYTHONPATH=$WETSWEEP_SOURCE/tests/support PYTHONDONTWRITEBYTECODE=1 \
    /usr/bin/python3 "$WETSWEEP_SOURCE/tests/end_to_end/report_page.py" dip.recording/report.html .
