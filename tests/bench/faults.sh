#!/usr/bin/env bash
# SPDX-License-Identifier: GPL-3.0-or-later
# Every fault over pseudo-terminals, many times, at moments of their own: what came of each.
#   tests/bench/faults.sh [TIMES [FAULT...]]     (10: about 10 minutes; needs build/release)
set -eu
top=$(cd "$(dirname "$0")/../.." && pwd)
times=${1:-10}
[ $# -gt 0 ] && shift
exec python3 "$top/tests/support/wire_faults.py" "$top/build/release/wetsweep" "$top/profiles" "$top/build/release/tests/libbad_days.so" "$times" "$@"
