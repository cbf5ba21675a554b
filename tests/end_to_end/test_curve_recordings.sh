#!/usr/bin/env bash
# SPDX-License-Identifier: GPL-3.0-or-later
# One curve for a revision by the shipped program: four simulated boards of which one has a
# wrong zero; from recordings and from the ledger; the firmware's table names its recordings.
set -u
scratch=$(mktemp -d /tmp/wetsweep-revision-XXXXXX)
trap 'rm -rf "$scratch"' EXIT
cd "$scratch" || exit 1
profiles=$WETSWEEP_SOURCE/profiles
cat >stairs.profile <<'EOF'
title "Stairs"
start at 10 mm
repeat 2
  stairs from 10 mm to 150 mm in 7 steps, hold 4 s, up and down
end
EOF
number=0
for curve in '0.350, 0.02100' '0.353, 0.02104' '0.348, 0.02095' '0.352, 0.02102' '0.420, 0.02101'; do
    number=$((number + 1))
    sed "s/0.35, 0.021,/$curve,/" "$profiles/harbour-b-bare.bench" >b.bench
    "$WETSWEEP" run stairs.profile --rig "$profiles/bench.rig" --bench b.bench --seed $number \
        --board WS-B-000$number --revision B --coating none --out $number.recording >/dev/null &&
        "$WETSWEEP" fit $number.recording >/dev/null || exit 1
done
"$WETSWEEP" curve [1-5].recording --json --page page.html >all.json || exit 1
"$WETSWEEP" curve [1-4].recording --json --reading-at 80 >good.json || exit 1
"$WETSWEEP" curve --ledger wetsweep.ledger --revision B --board WS-B-0002 --json >one.json || exit 1
"$WETSWEEP" curve --ledger wetsweep.ledger --revision B --as c --error 0.2 mm >/dev/null || exit 1
for number in 1 2 3 4 5; do
    grep -q "$(sha256sum <$number.recording/run.json | cut -d' ' -f1)" level_b.c || {
        echo "the table doesn't name recording $number by its hash"
        exit 1
    }
done
"$WETSWEEP" curve --ledger wetsweep.ledger --revision C 2>wrong.txt
[ $? -eq 2 ] && grep -q 'no such recordings' wrong.txt || { cat wrong.txt; exit 1; }
"$WETSWEEP" curve 1.recording --points table.csv 2>wrong.txt
[ $? -eq 2 ] && grep -q 'three ways' wrong.txt || { cat wrong.txt; exit 1; }
grep -q 'figure-boards-trimmed' page.html || { echo 'the page lacks a plot'; exit 1; }

python3 - <<'PYTHON'
import json, statistics
failed = 0
def check(good, text):
    global failed
    if not good:
        failed = 1
        print(text)
all_, good, one = (json.load(open(name + '.json')) for name in ('all', 'good', 'one'))
check(len(all_['boards']) == 5 and all_['recordings'] == 5, all_['boards'])
check([o['board'] for o in all_['outliers']] == ['WS-B-0005'] and all_['outliers'][0]['feature'] == 'zero',
      all_['outliers'])
check(good['outliers'] == [], good['outliers'])
check(one['boards'] == ['WS-B-0002'] and one['levels'][0]['between_mm'] is None, one['boards'])
# By the bench files: mean of the boards' zeros and slopes; spread of the zeros at 10 mm.
zeros, slopes = (0.350, 0.353, 0.348, 0.352), (0.02100, 0.02104, 0.02095, 0.02102)
truth = statistics.mean(z + s * 80 - 9.5e-6 * 6400 for z, s in zip(zeros, slopes))
check(abs(good['reading_at']['reading'] - truth) < 0.002, f"{good['reading_at']}, truth {truth}")
spread = statistics.stdev(z + s * 10 for z, s in zip(zeros, slopes))
check(abs(good['levels'][0]['between_sd'] - spread) < 0.0005,
      f"{good['levels'][0]['between_sd']}, truth {spread}")
ways = [way['worst_mm'] for way in good['production']]
check(ways[0] > ways[1] > ways[2] and ways[2] < 0.05 and ways[3] < 0.05, ways)
check(good['advice'] == "the revision's curve, zero and span trimmed at both ends" or
      good['production'][1]['next_board_mm'] < 0.5, good['advice'])
raise SystemExit(failed)
PYTHON
