#!/usr/bin/env bash
# SPDX-License-Identifier: GPL-3.0-or-later
# What `wetsweep run` says and returns when its input or its ports are not as they
# should be: one clear line, the exit status, and no recording where nothing ran.
set -u
scratch=$(mktemp -d /tmp/wetsweep-run-XXXXXX)
trap 'rm -rf "$scratch"' EXIT
cd "$scratch" || exit 1
failed=0

cat >good.rig <<'RIG'
axis
  port axis
  speaks acknowledged-lines
  letter Z reversed
  travel 0 mm to 200 mm
  speed up to 60 mm/s
  acceleration up to 900 mm/s2
  resolution 400 steps/mm
  park at -20 mm
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
cat >good.profile <<'PROFILE'
start at 10 mm
ramp to 60 mm at 40 mm/s
hold 1 s
PROFILE
cat >good.bench <<'BENCH'
axis
  position live
end
BENCH

# name, expected status, expected words, arguments...
expect() {
    local name=$1 status=$2 words=$3
    shift 3
    "$WETSWEEP" run "$@" >"$scratch/out" 2>"$scratch/err"
    local got=$?
    if [ $got -ne "$status" ] || ! grep -qF -- "$words" "$scratch/err"; then
        echo "$name: status $got (expected $status), expected '$words' in:"
        cat "$scratch/err"
        failed=1
    fi
}
who=(--board WS-B-0007 --revision B)

expect "no board" 2 "--board ID is missing" good.profile --rig good.rig --revision B
expect "no value" 2 "--rig needs a value" good.profile "${who[@]}" --rig
expect "seed without bench" 2 "--seed belongs to a simulated bench" good.profile --rig good.rig \
    "${who[@]}" --seed 3
expect "no such profile" 2 "absent.profile" absent.profile --rig good.rig "${who[@]}"
expect "water without unit" 2 "--water-temperature '20' is not a temperature with its unit, such as 20 degC" \
    good.profile --rig good.rig "${who[@]}" --water-temperature 20
expect "water in mm" 2 "temperature" good.profile --rig good.rig "${who[@]}" --water-temperature "20 mm"

expect "no patience" 2 "--patience '0 s' must be above zero" \
    good.profile --rig good.rig "${who[@]}" --bench good.bench --patience "0 s"
expect "no time of day" 2 "'7' is not a time of day; write hours and minutes, such as 07:00" \
    good.profile --rig good.rig "${who[@]}" --bench good.bench --until 7 --out until.recording
[ -e until.recording ] && { echo "no time of day: a recording was made of nothing"; failed=1; }

sed 's/travel 0 mm to 200 mm/travel 200 mm to 0 mm/' good.rig >upside.rig
expect "travel upside down" 2 "upside.rig:5:" good.profile --rig upside.rig "${who[@]}"
sed 's/to 60 mm at/to 612 mm at/' good.profile >other.profile
expect "profile for another rig" 2 "other.profile:2:" other.profile --rig good.rig "${who[@]}"
[ -e ./*.recording ] && { echo "a recording was made of nothing"; failed=1; }

mkdir taken.recording
expect "folder exists" 2 "taken.recording: exists already" good.profile --rig good.rig "${who[@]}" \
    --bench good.bench --out taken.recording
[ -z "$(ls taken.recording)" ] || { echo "an existing folder was written into"; failed=1; }
expect "folder of the folder is missing" 1 "nowhere/x.recording" good.profile --rig good.rig \
    "${who[@]}" --bench good.bench --out nowhere/x.recording

mkdir ports
expect "port missing" 5 "ports/axis" good.profile --rig good.rig "${who[@]}" --ports ports \
    --out missing.recording
[ -e missing.recording ] && { echo "port missing: a recording was made of nothing"; failed=1; }

# A whole run, with the default folder's name, no colour and no cursor movement in a file.
"$WETSWEEP" run good.profile --rig good.rig --board "WS/B 7" --revision B --bench good.bench \
    --seed 5 --water-temperature "20 degC" --note "invented data" >out 2>err
status=$?
folder=$(echo WS-B-7-*.recording)
if [ $status -ne 0 ] || [ -s err ] || [ ! -f "$folder/run.json" ] ||
    ! grep -q "^Complete: the whole plan was carried out" out ||
    ! grep -q "^Next:      wetsweep fit $folder\$" out || grep -q $'[\033\r]' out; then
    echo "a whole run: status $status, folder '$folder'"
    cat out err
    failed=1
fi
# The same seed gives the same bytes.
for n in 1 2; do
    "$WETSWEEP" run good.profile --rig good.rig "${who[@]}" --bench good.bench --seed 5 \
        --out same$n.recording >/dev/null || failed=1
done
cmp same1.recording/board.csv same2.recording/board.csv || failed=1
"$WETSWEEP" run good.profile --rig good.rig "${who[@]}" --bench good.bench --seed 6 \
    --out other.recording >/dev/null || failed=1

# A disk that is full in mid-run: the files may not grow beyond 100 kB, and the run would
# need some megabytes.
printf 'start at 10 mm\nrepeat 100\nramp to 60 mm at 10 mm/s\nramp to 10 mm at 10 mm/s\nend\n' >long.profile
(
    ulimit -f 100
    exec "$WETSWEEP" run long.profile --rig good.rig "${who[@]}" --bench good.bench \
        --out full.recording >full.out 2>full.err
)
status=$?
if [ $status -ne 5 ] || ! grep -q "the recording can't be written" full.err ||
    ! grep -q "the board is parked clear of the water" full.err; then
    echo "disk full: status $status"
    cat full.out full.err
    failed=1
fi

# A night of 50 hours that shall be over in some minutes: parked by then, and complete.
printf 'start at 10 mm\nrepeat for 50 h\nramp to 60 mm at 10 mm/s\nhold 2 s\nramp to 10 mm at 10 mm/s\nhold 2 s\nend\n' >night.profile
until=$(date -d '5 minutes' +%H:%M)
"$WETSWEEP" run night.profile --rig good.rig "${who[@]}" --bench good.bench --out night.recording \
    --until "$until" --on-event 'echo "$WETSWEEP_EVENT,$WETSWEEP_BOARD,$(grep -c complete "$WETSWEEP_RECORDING"/run.json)" >called' \
    >night.out 2>night.err
status=$?
if [ $status -ne 0 ] || ! grep -q "^Complete: ended for $until as asked, after [1-9][0-9]* of [0-9]* strokes" night.out ||
    ! grep -q '^Usable:    yes: [1-9][0-9]* of [0-9]* strokes were measured, the rest left out as asked' night.out ||
    [ "$(cat called)" != "complete,WS-B-0007,1" ]; then
    echo "until $until: status $status"
    cat night.out night.err called
    failed=1
fi
python3 - night.recording <<'CHECK' || failed=1
import csv, json, sys
folder = sys.argv[1]
run = json.load(open(folder + "/run.json"))
assert run["state"] == "complete", run["state"]
summary = run["summary"]
strokes = list(csv.DictReader(open(folder + "/strokes.csv")))
whole = [stroke for stroke in strokes if stroke["ended_s"]]
assert summary["usable"] == "yes" and summary["strokes_whole"] == len(whole), summary
# After them a row without an end says that the stage left the hold.
assert len(strokes) == len(whole) + 1 and not strokes[-1]["ended_s"], strokes[-1]
end = float(list(csv.DictReader(open(folder + "/events.csv")))[-1]["t_s"])
print(f"{len(whole)} strokes, parked after {end:.0f} s")
# Between 4 and 5 minutes were left, and no stroke (5 s, a hold of 2 s) was begun in vain.
assert 4 * 60 - 20 < end < 5 * 60, end
CHECK

# A call that fails is told, and changes nothing.
"$WETSWEEP" run good.profile --rig good.rig "${who[@]}" --bench good.bench --out call.recording \
    --on-event 'exit 7' >call.out 2>call.err
status=$?
if [ $status -ne 0 ] || ! grep -q -- '--on-event: of 1 events, 1 calls failed' call.err; then
    echo "a call that fails: status $status"
    cat call.out call.err
    failed=1
fi
exit $failed
