#!/usr/bin/env bash
# SPDX-License-Identifier: GPL-3.0-or-later
# The wire 'status-polled' for real: `wetsweep simulate` in a process of its own, `wetsweep
# run` over its pseudo-terminals in real time: whole, and stopped in mid-move.
set -u
scratch=$(mktemp -d /tmp/wetsweep-wire-XXXXXX)
bench_process=
finish() {
    [ -n "$bench_process" ] && kill "$bench_process" 2>/dev/null && wait "$bench_process" 2>/dev/null
    rm -rf "$scratch"
}
trap finish EXIT
cd "$scratch" || exit 1
failed=0
profiles=$WETSWEEP_SOURCE/profiles

cat >short.profile <<'PROFILE'
start at 10 mm
ramp to 60 mm at 50 mm/s
hold 0.5 s
sine about 60 mm amplitude 6 mm at 1 Hz, 2 cycles
ramp to 10 mm at 50 mm/s
PROFILE

start_bench() {
    rm -rf ports
    "$WETSWEEP" simulate --bench "$profiles/harbour-b-polled.bench" --rig "$profiles/bench-polled.rig" \
        --links ports >bench.log 2>&1 &
    bench_process=$!
    for _ in $(seq 100); do
        [ -e ports/axis ] && [ -e ports/board ] && return
        sleep 0.05
    done
    echo "the simulated bench made no ports"
    cat bench.log
    exit 1
}
stop_bench() {
    kill "$bench_process"
    wait "$bench_process" 2>/dev/null
    bench_process=
}
run=("$WETSWEEP" run short.profile --rig "$profiles/bench-polled.rig" --board WS-B-0007
    --revision B --ports ports)

start_bench
"${run[@]}" --out whole.recording >out 2>err
status=$?
if [ $status -ne 0 ] || ! grep -q '^Complete:' out || [ -s err ]; then
    echo "a whole run: status $status"
    cat out err
    failed=1
fi
python3 - whole.recording <<'CHECK' || failed=1
import csv, sys
folder = sys.argv[1]
strokes = list(csv.DictReader(open(folder + "/strokes.csv")))
motion = [row for row in csv.DictReader(open(folder + "/motion.csv")) if row["reported_mm"]]
brackets = sorted(float(row["bracket_s"]) for row in motion)
deepest = max(float(row["reported_mm"]) for row in motion)
print(f"{len(strokes)} strokes, {len(motion)} reports, half bracket {brackets[len(brackets) // 2] * 1e3:.2f} ms in the median")
assert all(row["ended_s"] for row in strokes), "a stroke without an end"
assert len(motion) > 40, "too few reports"
assert abs(deepest - 66) < 0.5, f"deepest {deepest} mm"
CHECK

# A signal in mid-move parks, without homing again: the position outlives the stop.
"${run[@]}" --out first.recording >first.out 2>first.err &
first=$!
for _ in $(seq 100); do grep -q measuring first.out && break; sleep 0.05; done
sleep 1
kill -TERM $first
wait $first
status=$?
if [ $status -ne 4 ] || ! grep -q 'the board is parked clear of the water' first.err; then
    echo "SIGTERM: status $status"
    cat first.out first.err
    failed=1
fi
if grep -q 'homing again' first.out; then
    echo "a stop lost the position"
    failed=1
fi
stop_bench
exit $failed
