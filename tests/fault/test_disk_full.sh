#!/usr/bin/env bash
# SPDX-License-Identifier: GPL-3.0-or-later
# A disk that fills up in mid-run, a real one of 3 MB in a mount namespace of the test's own: the run
# ends with a fault, the board parked; the recording says why, is closed, and can be fitted. A
# disk without room from the start is refused before anything moves.
set -u
if [ "$(id -u)" != 0 ]; then
    echo "skipped: only root may have a mount namespace of its own"
    exit 77
fi
if [ "${1:-}" != inside ]; then
    exec unshare --mount --propagation private bash "$0" inside
fi
scratch=$(mktemp -d /tmp/wetsweep-full-XXXXXX)
trap 'umount "$scratch/disk" 2>/dev/null; rm -rf "$scratch"' EXIT
cd "$scratch" || exit 1
mkdir disk && mount -t tmpfs -o size=3m none disk || exit 1
profiles=$WETSWEEP_SOURCE/profiles
run() { # OUT
    "$WETSWEEP" run "$profiles/cling.profile" --rig "$profiles/bench.rig" --bench "$profiles/harbour-b-bare.bench" \
        --board WS-B-0007 --revision B --out "$1" >run.txt 2>&1
}
run disk/night.recording
status=$?
[ $status -eq 5 ] && grep -q 'No space left' run.txt || { echo "status $status"; tail -n 20 run.txt; exit 1; }
grep -q 'parked' run.txt || { tail -n 20 run.txt; exit 1; }
[ -e disk/night.recording/room ] && { echo "the room held back is still there"; exit 1; }
python3 - <<'PYTHON' || exit 1
import csv, json
run = json.load(open('disk/night.recording/run.json'))
assert run['state'] == 'faulted' and 'No space left' in run['reason'], (run['state'], run.get('reason'))
events = list(csv.DictReader(open('disk/night.recording/events.csv')))
assert any(row['kind'] == 'disk' for row in events), [row['kind'] for row in events][-5:]
rows = sum(1 for _ in open('disk/night.recording/board.csv'))
assert rows > 20000, rows
PYTHON
cp -r disk/night.recording kept.recording
"$WETSWEEP" fit kept.recording --no-ledger >fit.txt || { cat fit.txt; exit 1; }
grep -q 'The curve holds from' fit.txt || { cat fit.txt; exit 1; }
# No room at all: nothing is begun and nothing left behind.
run disk/more.recording
status=$?
[ $status -ne 0 ] && [ ! -e disk/more.recording ] || { echo "begun on a full disk, status $status"; tail -n 5 run.txt; exit 1; }
