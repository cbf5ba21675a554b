#!/usr/bin/env bash
# SPDX-License-Identifier: GPL-3.0-or-later
# Each fault of docs/reliability.md once, over pseudo-terminals in real time.
# tests/bench/faults.sh does the same many times.
exec python3 "$WETSWEEP_SOURCE/tests/support/wire_faults.py" "$WETSWEEP" "$WETSWEEP_SOURCE/profiles" "$WETSWEEP_BAD_DAYS" 1
