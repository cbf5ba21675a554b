#!/usr/bin/env bash
# SPDX-License-Identifier: GPL-3.0-or-later
# Each fault of docs/reliability.md once, over pseudo-terminals in real time.
# tests/bench/faults.sh does the same many times.
# With locks of its own, no other test's pseudo-terminal of the same number is in the way.
if [ "$(id -u)" = 0 ] && [ "${1:-}" != inside ]; then
    exec unshare --mount --propagation private bash "$0" inside
fi
[ "${1:-}" = inside ] && [ -d /run/lock ] && mount -t tmpfs none /run/lock
exec python3 "$WETSWEEP_SOURCE/tests/support/wire_faults.py" "$WETSWEEP" "$WETSWEEP_SOURCE/profiles" "$WETSWEEP_BAD_DAYS" 1
