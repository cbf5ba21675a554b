#!/usr/bin/env bash
# SPDX-License-Identifier: GPL-3.0-or-later
# Bare against coated by the shipped program on the simulated bench: what the coating changed is
# found, by as much as the bench was given; a second run of the bare board shows nothing; what
# stands in the way of a comparison is said; wrong use gets its status.
set -u
scratch=$(mktemp -d /tmp/wetsweep-compare-XXXXXX)
trap 'rm -rf "$scratch"' EXIT
cd "$scratch" || exit 1
profiles=$WETSWEEP_SOURCE/profiles
cat >short.profile <<'EOF'
title "Cling, short"
start at 10 mm
stairs from 10 mm to 150 mm in 7 steps, hold 4 s, up and down
each speed 10, 20, 40 mm/s
  repeat 3
    ramp to 150 mm at speed
    hold 3 s
    ramp to 10 mm at speed
    hold 5 s
  end
end
repeat 4
  step to 120 mm
  hold 5 s
  step to 30 mm
  hold 6 s
end
EOF
run() { # BENCH SEED OUT MORE...
    local bench=$1 seed=$2 out=$3
    shift 3
    "$WETSWEEP" run short.profile --rig "$profiles/bench.rig" --bench "$profiles/$bench.bench" \
        --seed "$seed" --board WS-B-0007 --revision B --out "$out" "$@" >/dev/null
}
run harbour-b-bare 1 bare.recording --coating none --water-temperature "20 degC" &&
    run harbour-b-bare 2 again.recording --water-temperature "25 degC" &&
    run harbour-b-coated 3 coated.recording --water-temperature "20 degC" || exit 1
"$WETSWEEP" compare coated.recording --against bare.recording --json >coated.json || exit 1
"$WETSWEEP" compare again.recording --against bare.recording --json --out again.html >again.json || exit 1
"$WETSWEEP" compare coated.recording --against bare.recording again.recording --out more.html >more.txt || exit 1
"$WETSWEEP" compare coated.recording 2>wrong.txt && exit 1
[ $? -eq 2 ] && grep -q -- '--against is missing' wrong.txt || { cat wrong.txt; exit 1; }
"$WETSWEEP" compare nothing.recording --against bare.recording 2>wrong.txt
[ $? -eq 2 ] && grep -q nothing.recording wrong.txt || { cat wrong.txt; exit 1; }
grep -q 'Lag with falling water.*lower' more.txt || { cat more.txt; exit 1; }

python3 - <<'PYTHON'
import json
failed = 0
def check(good, text):
    global failed
    if not good:
        failed = 1
        print(text)
coated, again = (json.load(open(name + '.json')) for name in ('coated', 'again'))
q = coated['quantities']
# By the bench files: falling lag 0.31 s to 0.14 s, hysteresis 0.4 mm to 0.25 mm, the rest alike.
for name, truth in (('cling_difference', -0.17), ('lag_falling', -0.17), ('step_lag_falling', -0.17),
                    ('hysteresis_at_rest', -0.15), ('lag_rising', 0), ('step_lag_rising', 0)):
    d = q[name]['difference']
    half = (d['high_95'] - d['low_95']) / 2
    check(abs(d['value'] - truth) < 2 * half, f'{name}: {d["value"]} +- {half}, truth {truth}')
    check(q[name]['verdict'] == ('lower' if truth else 'not shown'), f'{name}: {q[name]["words"]}')
    check(q[name]['pairs'] > 0, f'{name} was not paired')
    check(half < 0.05, f'{name}: an interval as wide as that tells nothing')
check('no difference larger than' in q['lag_rising']['words'], q['lag_rising']['words'])
low, high = q['lag_falling']['ratio_low_95'], q['lag_falling']['ratio_high_95']
check(low < 0.14 / 0.31 + 0.02 and high > 0.14 / 0.31 - 0.02, f'ratio {low} to {high}')
check(coated['warnings'] == [], coated['warnings'])
check(len(again['warnings']) == 1 and 'more than 2 degC' in again['warnings'][0], again['warnings'])
for name, row in again['quantities'].items():
    check(row['verdict'] in ('not shown', 'not known'), f'bare and bare: {name} {row["words"]}')
page = open('comparison.html').read()
for part in ('Before and after', 'coating', 'figure-loops', 'figure-step-falling', 'figure-curves'):
    check(part in page, f'the page lacks {part}')
check('http://' not in page.replace('http://www.w3.org/2000/svg', ''), 'the page needs a network')
raise SystemExit(failed)
PYTHON
