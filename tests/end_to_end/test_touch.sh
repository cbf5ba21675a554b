#!/usr/bin/env bash
# SPDX-License-Identifier: GPL-3.0-or-later
# `touch`: a datum that is 1.5 mm off in the rig file is found and made good; water that evaporates is
# told through the hours; a surface out of reach is a reason, and the rest of the fit stands.
set -u
scratch=$(mktemp -d /tmp/wetsweep-touch-XXXXXX)
trap 'rm -rf "$scratch"' EXIT
profiles=$WETSWEEP_SOURCE/profiles
cd "$scratch" || exit 1
measure() { # name, profile, rig, bench
    "$WETSWEEP" run "$2" --rig "$3" --bench "$4" --board WS-B-0007 --revision B --out "$1.recording" >"$1.out" 2>&1 &&
        "$WETSWEEP" fit "$1.recording" --no-ledger >"$1.fit" 2>&1 || { cat "$1.out" "$1.fit"; exit 1; }
}
cat >touched.profile <<'PROFILE'
title "Touched, then stairs and ramps"
touch within 3 mm at 1 mm/s
stairs from 10 mm to 150 mm in 7 steps, hold 4 s, up and down
each speed 10, 20, 40 mm/s
  repeat 2
    ramp to 150 mm at speed
    hold 4 s
    ramp to 10 mm at speed
    hold 5 s
  end
end
touch
PROFILE
sed 's/datum *at stage 31.4 mm/datum at stage 32.9 mm/' "$profiles/bench.rig" >off.rig
sed 's/datum *at stage 31.4 mm/datum at stage 20.9 mm/' "$profiles/bench.rig" >far.rig
sed 's/evaporation *0.15 mm\/h/evaporation 1.2 mm\/h/' "$profiles/harbour-b-bare.bench" >dry.bench
grep -q 'stage 32.9' off.rig && grep -q 'evaporation 1.2' dry.bench || { echo "the files to change have changed"; exit 1; }
bench=$profiles/harbour-b-bare.bench
measure near touched.profile off.rig "$bench"
measure far touched.profile far.rig "$bench"
measure hours "$profiles/surface-watch.profile" "$profiles/bench.rig" dry.bench
"$WETSWEEP" plan touched.profile --rig off.rig >plan.out || { cat plan.out; exit 1; }
grep -q 'touch' plan.out || { echo "the plan does not speak of the touch"; exit 1; }
python3 - <<'CHECK'
import json
def results(name):
    return json.load(open(name + '.recording/results.json'))
def holds(result, truth):
    assert result['low_95'] <= truth <= result['high_95'], (result['title'], result['low_95'], result['high_95'], truth)
def curve(depth): # of the bench file
    return 0.35 + 0.021 * depth - 0.0000095 * depth ** 2
near, far, hours = results('near'), results('far'), results('hours')
surface = near['results']['water_surface']
holds(surface, -1.5)
assert surface['high_95'] - surface['low_95'] < 0.4, surface
# Depths count from the surface: the curve is that of the bench, 1.5 mm of datum notwithstanding.
for name in ('reading_low', 'reading_middle', 'reading_high'):
    result = near['results'][name]
    depth = float(result['title'].split(' at ')[1].split(' mm')[0])
    assert abs(result['value'] - curve(depth)) < result['high_95'] - result['low_95'], (name, result)
assert any(line['name'] == 'surface as touched' for line in near['results']['reading_low']['budget'])
# 12 mm too deep, the stage never leaves the water; the other results are by the rig file's datum.
assert 'value' not in far['results']['water_surface'] or far['results']['water_surface']['value'] is None
assert far['results']['water_surface']['reason'] == 'no touch found the surface'
assert any('did not find the surface' in warning for warning in far['warnings']), far['warnings']
assert far['results']['lag_falling']['value'] > 0.2
fall = hours['results']['evaporation_touched']
holds(fall, 1.2)
assert fall['high_95'] - fall['low_95'] < 0.3, fall
print(f"surface {surface['value']:.3f} mm, water falls by {fall['value']:.3f} mm/h")
CHECK
