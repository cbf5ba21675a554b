#!/usr/bin/env bash
# SPDX-License-Identifier: GPL-3.0-or-later
# What `wetsweep plan` promises, `wetsweep fit` keeps: for every question that the plan calls
# possible, one of the results it names has a value, and all names are results that there
# are. And on ramps alone the intervals hold the simulated truth: a curve from ramps must not
# bend the lags.
set -u
scratch=$(mktemp -d /tmp/wetsweep-promises-XXXXXX)
trap 'rm -rf "$scratch"' EXIT
cd "$scratch" || exit 1
profiles=$WETSWEEP_SOURCE/profiles

cat >ramps.profile <<'PROFILE'
start at 10 mm
each speed 10, 16, 25 mm/s
  repeat 3
    ramp to 150 mm at speed
    hold 3 s
    ramp to 10 mm at speed
    hold 3 s
  end
end
PROFILE
cat >lifts.profile <<'PROFILE'
start at 10 mm
repeat 12
  stairs from 10 mm to 130 mm in 4 steps, hold 2 s, up and down
  ramp to -15 mm at 40 mm/s
  hold 4 s
end
PROFILE
cp "$profiles/first-dip.profile" dip.profile

for name in ramps lifts dip; do
    "$WETSWEEP" plan $name.profile --rig "$profiles/bench.rig" --json >$name.plan.json || exit 1
    "$WETSWEEP" run $name.profile --rig "$profiles/bench.rig" \
        --bench "$profiles/harbour-b-bare.bench" --board WS-B-0007 --revision B \
        --out $name.recording >/dev/null || exit 1
    "$WETSWEEP" fit $name.recording >/dev/null || exit 1
done
"$WETSWEEP" simulate --bench "$profiles/harbour-b-bare.bench" --rig "$profiles/bench.rig" \
    --tell truth.json || exit 1

python3 - <<'PYTHON'
import json
failed = 0
def wrong(text):
    global failed
    failed = 1
    print(text)
kept = 0
for name in ('ramps', 'lifts', 'dip'):
    plan = json.load(open(name + '.plan.json'))
    results = json.load(open(name + '.recording/results.json'))['results']
    for ability in plan['abilities']:
        gives = ability['gives'].split()
        values = [results[r]['value'] for r in gives if r in results]
        if ability['possible'] and not any(v is not None for v in values):
            wrong(f"{name}: {ability['result']} was promised; none of {gives} has a value")
        if not ability['possible'] and any(v is not None for v in values):
            wrong(f"{name}: {ability['result']} was called impossible and came out: {gives}")
        kept += ability['possible']
if kept < 15:
    wrong(f'only {kept} promises were looked at')
truth = json.load(open('truth.json'))
checked = 0
for name in ('ramps', 'lifts', 'dip'):
    results = json.load(open(name + '.recording/results.json'))['results']
    for key in ('hysteresis_at_rest', 'lag_rising', 'lag_falling', 'cling_difference',
                'lag_sum', 'noise_sd', 'zero_drift'):
        r = results[key]
        if r['value'] is None:
            continue
        # Twice the half width of a 95 % interval: these are not thrown dice, but 19 of them
        # at 95 % would miss one in every run.
        half = r['high_95'] - r['low_95']
        checked += 1
        if not abs(r['value'] - truth[key]) <= half:
            wrong(f"{name}: {key} {r['value']:.6g} [{r['low_95']:.6g}, {r['high_95']:.6g}], "
                  f"truth {truth[key]:.6g}")
if checked < 12:
    wrong(f'only {checked} results were looked at')
print(f'{kept} promises, {checked} results against the truth')
raise SystemExit(failed)
PYTHON
