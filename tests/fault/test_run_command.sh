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
exit $failed
