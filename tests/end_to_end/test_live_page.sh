#!/usr/bin/env bash
# SPDX-License-Identifier: GPL-3.0-or-later
# The live page of a run over pseudo-terminals, in a real browser: it follows the run; what is
# hostile is refused and disturbs nothing; its button stops and parks with the token only.
set -u
scratch=$(mktemp -d /tmp/wetsweep-live-XXXXXX)
bench_process= run_process=
finish() {
    [ -n "$run_process" ] && kill "$run_process" 2>/dev/null && wait "$run_process" 2>/dev/null
    [ -n "$bench_process" ] && kill "$bench_process" 2>/dev/null && wait "$bench_process" 2>/dev/null
    rm -rf "$scratch"
}
trap finish EXIT
cd "$scratch" || exit 1
profiles=$WETSWEEP_SOURCE/profiles
cat >long.profile <<'EOF2'
title "A long watch"
start at 20 mm
repeat 60
  ramp to 80 mm at 20 mm/s
  hold 1 s
  ramp to 20 mm at 20 mm/s
  hold 1 s
end
EOF2
"$WETSWEEP" simulate --bench "$profiles/harbour-b-bare.bench" --rig "$profiles/bench.rig" --links ports >bench.log 2>&1 &
bench_process=$!
for _ in $(seq 200); do
    [ -e ports/board ] && break
    sleep 0.05
done
"$WETSWEEP" run long.profile --rig "$profiles/bench.rig" --ports ports --board WS-B-0007 --revision B \
    --watch 127.0.0.1:0 --out night.recording >run.log 2>&1 &
run_process=$!
for _ in $(seq 200); do
    grep -q '^Token' run.log && break
    sleep 0.05
done
url=$(sed -n 's/^The run is shown at //p' run.log)
token=$(sed -n 's/^Token to stop it there: //p' run.log)
[ -n "$url" ] && [ ${#token} -eq 32 ] || { cat run.log; exit 1; }
PYTHONPATH=$WETSWEEP_SOURCE/tests/support PYTHONDONTWRITEBYTECODE=1 /usr/bin/python3 \
    "$WETSWEEP_SOURCE/tests/end_to_end/live_page.py" "$url" "$token" || { cat run.log; exit 1; }
wait "$run_process"
status=$?
run_process=
[ $status -eq 4 ] || { echo "stopped by the page, status $status instead of 4"; cat run.log; exit 1; }
python3 - <<'EOF3'
import csv, json
run = json.load(open('night.recording/run.json'))
assert run['state'] == 'stopped', run['state']
assert run['summary']['sources'][0]['malformed'] == 0 and run['summary']['sources'][0]['gaps'] == 0, run['summary']
last = list(csv.DictReader(open('night.recording/events.csv')))
assert any('park' in row['text'] for row in last), [row['text'] for row in last][-5:]
EOF3
