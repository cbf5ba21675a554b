#!/usr/bin/env bash
# SPDX-License-Identifier: GPL-3.0-or-later
# The wire for real: `wetsweep simulate` in a process of its own, `wetsweep run` over its
# pseudo-terminals in real time. Complete, every line there, the stop signals obeyed.
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

cat >bench.rig <<'RIG'
axis
  port axis
  speaks acknowledged-lines
  letter Z reversed
  travel 0 mm to 200 mm
  speed up to 60 mm/s
  acceleration up to 900 mm/s2
  resolution 400 steps/mm
  park at -20 mm
  position live
end
water
  datum at stage 31.4 mm
end
source board
  port board
  line csv
  clock column 1 in ms, wraps at 2^32
  channel level column 2 in volts role sensor
end
RIG
cat >short.profile <<'PROFILE'
start at 10 mm
ramp to 80 mm at 40 mm/s
hold 1 s
sine about 60 mm amplitude 6 mm at 1 Hz, 3 cycles
ramp to 10 mm at 40 mm/s
hold 1 s
PROFILE
printf 'axis\n  position live\nend\n' >good.bench

start_bench() {
    rm -rf ports
    "$WETSWEEP" simulate --bench good.bench --rig bench.rig --links ports >bench.log 2>&1 &
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
run=("$WETSWEEP" run short.profile --rig bench.rig --board WS-B-0007 --revision B --ports ports)

start_bench
"${run[@]}" --out whole.recording >out 2>err
status=$?
if [ $status -ne 0 ] || ! grep -q '^Complete:' out || [ -s err ]; then
    echo "a whole run: status $status"
    cat out err
    failed=1
fi
stop_bench
grep -q '"state": *"complete"' whole.recording/run.json || { echo "not complete"; failed=1; }
# The board counts its lines in milliseconds of its own clock: no gap may be longer than
# two of its intervals.
python3 - whole.recording <<'CHECK' || failed=1
import csv, sys
folder = sys.argv[1]
rows = list(csv.DictReader(open(folder + "/board.csv")))
device = [float(row["device_s"]) for row in rows]
host = [float(row["t_s"]) for row in rows]
steps = sorted(b - a for a, b in zip(device, device[1:]))
typical = steps[len(steps) // 2]
gaps = [step for step in steps if step > 1.6 * typical]
strokes = list(csv.DictReader(open(folder + "/strokes.csv")))
print(f"{len(rows)} rows every {typical * 1e3:.2f} ms, {len(gaps)} gaps, {len(strokes)} strokes")
assert len(rows) * typical > 8, "too few rows"
assert not gaps, f"lines lost: {gaps[:5]}"
assert all(b >= a for a, b in zip(host, host[1:])), "host time goes back"
# Each stroke to its end; a busy machine may make one late, which is then run again.
whole = {row["stroke"] for row in strokes if row["ended_s"]}
assert len(whole) == 1 + max(int(row["stroke"]) for row in strokes), "a stroke without an end"
assert any(float(row["reported_mm"] or "nan") > 70 for row in csv.DictReader(open(folder + "/motion.csv")))
CHECK

# A port in use belongs to its user alone.
start_bench
"${run[@]}" --out first.recording >first.out 2>first.err &
first=$!
for _ in $(seq 100); do grep -q measuring first.out && break; sleep 0.05; done
"${run[@]}" --out second.recording >second.out 2>second.err
status=$?
if [ $status -ne 1 ] || [ -e second.recording ] ||
    ! grep -q "in use by another run (process $first, board WS-B-0007, recording first.recording, since" second.err; then
    echo "a busy port: status $status"
    cat second.out second.err
    failed=1
fi
# One signal parks, and the exit status says so.
sleep 1
kill -TERM $first
wait $first
status=$?
if [ $status -ne 4 ] || ! grep -q 'the board is parked clear of the water' first.err; then
    echo "SIGTERM: status $status"
    cat first.out first.err
    failed=1
fi
grep -q '"state": *"stopped"' first.recording/run.json || { echo "not stopped"; failed=1; }

# Two halt at once.
"${run[@]}" --out twice.recording >twice.out 2>twice.err &
twice=$!
for _ in $(seq 100); do grep -q measuring twice.out && break; sleep 0.05; done
sleep 1
kill -INT $twice
sleep 0.02
kill -INT $twice
wait $twice
status=$?
if [ $status -ne 4 ] || ! grep -q 'halted at once' twice.err; then
    echo "two signals: status $status"
    cat twice.out twice.err
    failed=1
fi
stop_bench

# Killed outright: nothing is asked, and all but the last second is there.
start_bench
"${run[@]}" --out killed.recording >killed.out 2>killed.err &
killed=$!
for _ in $(seq 100); do grep -q measuring killed.out && break; sleep 0.05; done
sleep 3
kill -9 $killed
wait $killed 2>/dev/null
python3 - killed.recording whole.recording <<'CHECK' || failed=1
import csv, json, os, sys, time
folder, whole = sys.argv[1:]
run = json.load(open(folder + "/run.json"))
assert run["state"] == "running", run["state"]
text = open(folder + "/board.csv").read()
rows = [line for line in text.split("\n")[1:-1]]
columns = len(open(whole + "/board.csv").readline().split(","))
assert all(len(row.split(",")) == columns for row in rows[:-1])
measuring = [row for row in csv.DictReader(open(folder + "/events.csv")) if row["text"] == "measuring"]
covered = float(rows[-1].split(",")[0]) - float(measuring[0]["t_s"])
print(f"killed after 3 s of measuring: {covered:.2f} s are there, {len(rows)} rows")
assert covered > 3 - 1.1, "more than a second is missing"
CHECK
stop_bench

# The bench goes away in mid-run: both plugs pulled.
start_bench
"${run[@]}" --out gone.recording --patience "4 s" >gone.out 2>gone.err &
gone=$!
for _ in $(seq 100); do grep -q measuring gone.out && break; sleep 0.05; done
sleep 1
stop_bench
wait $gone
status=$?
if [ $status -ne 5 ] || ! grep -q 'THE BOARD IS NOT PARKED' gone.err ||
    ! grep -q "THE BOARD CAN'T BE LIFTED until the axis is back" gone.out; then
    echo "unplugged: status $status"
    cat gone.out gone.err
    failed=1
fi
exit $failed
