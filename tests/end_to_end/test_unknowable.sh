#!/usr/bin/env bash
# SPDX-License-Identifier: GPL-3.0-or-later
# What can't be known gets a reason and no number: one speed only, no reading in air on a straight curve,
# a wave beyond the sampling rate, a step below the noise, too few passes for an interval.
set -u
scratch=$(mktemp -d /tmp/wetsweep-unknowable-XXXXXX)
trap 'rm -rf "$scratch"' EXIT
profiles=$WETSWEEP_SOURCE/profiles
cd "$scratch" || exit 1
measure() { # name, bench; the profile on standard input
    cat >"$1.profile"
    "$WETSWEEP" run "$1.profile" --rig "$profiles/bench.rig" --bench "$2" --board WS-B-0007 --revision B \
        --out "$1.recording" >"$1.out" 2>&1 && "$WETSWEEP" fit "$1.recording" --no-ledger >"$1.fit" 2>&1 ||
        { cat "$1.out" "$1.fit"; exit 1; }
}
bench=$profiles/harbour-b-bare.bench
sed 's/noise *2 mV/noise 100 mV/' "$bench" >noisy.bench
# Straight, and the zero drifts as fast as the water falls.
sed 's/curve *0.35, 0.021, -0.0000095 in volts and mm/curve 0.35, 0.021 in volts and mm/; s/drift *zero 0.4 mV/drift zero 20 mV/; s/evaporation *0.15 mm/evaporation 1 mm/' \
    "$bench" >straight.bench
cmp -s "$bench" noisy.bench && exit 1
grep -q 'curve *0.35, 0.021 in' straight.bench && grep -q 'zero 20 mV' straight.bench || { echo "the bench file has changed"; exit 1; }

measure one-speed "$bench" <<'PROFILE'
start at 10 mm
stairs from 10 mm to 150 mm in 5 steps, hold 3 s, up and down
repeat 3
  ramp to 150 mm at 20 mm/s
  hold 4 s
  ramp to 10 mm at 20 mm/s
  hold 5 s
end
PROFILE
for air in with without; do
    {
        echo "start at 10 mm"
        echo "repeat 10"
        [ $air = with ] && printf '  step to -10 mm\n  hold 20 s\n'
        printf '  stairs from 10 mm to 150 mm in 5 steps, hold 3 s, up and down\n  hold 2 min\nend\n'
    } | measure "$air-air" straight.bench
done
measure fast-wave "$bench" <<'PROFILE'
start at 10 mm
stairs from 10 mm to 150 mm in 5 steps, hold 3 s, up and down
sine about 80 mm amplitude up to 2 mm from 1 Hz to 4 Hz in 3 frequencies, 10 cycles each
PROFILE
measure small-step noisy.bench <<'PROFILE'
start at 10 mm
stairs from 10 mm to 150 mm in 5 steps, hold 3 s, up and down
repeat 3
  step to 80.5 mm
  hold 3 s
  step to 80 mm
  hold 3 s
end
PROFILE
measure one-pass "$bench" <<'PROFILE'
start at 10 mm
stairs from 10 mm to 150 mm in 5 steps, hold 3 s, up and down
step to 120 mm
hold 3 s
step to 30 mm
hold 3 s
PROFILE
sed 's/curve *0.35, 0.021, -0.0000095 in volts and mm/curve 0.35, 0.021, -0.0001 in volts and mm/' "$bench" >turning.bench
measure turning turning.bench <<'PROFILE'
start at 10 mm
repeat 2
  stairs from 10 mm to 150 mm in 14 steps, hold 3 s, up and down
end
PROFILE
# The wave at 4 Hz of a board that sends ten lines a second.
sed 's/line *every 10 ms/line every 100 ms/' "$bench" >slow.bench
cp fast-wave.profile slow-wave.profile
measure slow-wave slow.bench <fast-wave.profile
python3 - <<'CHECK'
import json
def results(name):
    return json.load(open(name + '.recording/results.json'))
failed = 0
def unknown(name, key, words):
    global failed
    result = results(name)['results'].get(key)
    reason = (result or {}).get('reason') or ''
    if result is None or result.get('value') is not None or words not in reason:
        failed = 1
        print(f'{name}: {key} is {result and result.get("value")} ({reason!r}), not unknown for {words!r}')
def known(name, key):
    global failed
    result = results(name)['results'].get(key)
    if not result or result.get('value') is None:
        failed = 1
        print(f'{name}: {key} is not known: {result and result.get("reason")}')
unknown('one-speed', 'hysteresis_at_rest', 'speed')
unknown('one-speed', 'lag_sum', 'speed')
unknown('one-speed', 'lag_rising', 'speed')
unknown('without-air', 'zero_drift', 'air')
unknown('without-air', 'evaporation', 'air')
known('with-air', 'zero_drift')
known('with-air', 'evaporation')
unknown('small-step', 'step_time_constant_rising', '')
unknown('small-step', 'step_dead_time_rising', '')
known('fast-wave', 'gain_3')
warned = [w for w in results('slow-wave')['warnings'] if 'left out' in w and 'Hz' in w]
if not warned or 'gain_3' in results('slow-wave')['results']:
    failed = 1
    print('slow-wave: a wave of 4 Hz in ten lines a second:', results('slow-wave')['warnings'])
one = results('one-pass')['results']['step_lag_rising']
if one.get('value') is not None and one.get('low_95') is not None:
    failed = 1
    print('one-pass: an interval from a single step:', one)
# A curve that turns over at 105 mm: beyond it a reading has two depths.
turning = results('turning')
if not (9 < turning['results']['usable_from']['value'] < 11 and 98 < turning['results']['usable_to']['value'] < 107) or \
        not any('can be told from the reading' in w for w in turning['warnings']):
    failed = 1
    print('turning:', turning['results']['usable_from'], turning['results']['usable_to'], turning['warnings'])
raise SystemExit(failed)
CHECK
