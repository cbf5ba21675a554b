#!/usr/bin/env bash
# SPDX-License-Identifier: GPL-3.0-or-later
# The ready-made profiles: each plans on every ready-made rig and takes as long as its comment
# says; each that asks a question gives the answer on the simulated bench, as the bench has it.
set -u
scratch=$(mktemp -d /tmp/wetsweep-profiles-XXXXXX)
trap 'rm -rf "$scratch"' EXIT
cd "$scratch" || exit 1
profiles=$WETSWEEP_SOURCE/profiles
for profile in "$profiles"/*.profile; do
    for rig in "$profiles"/*.rig; do
        "$WETSWEEP" plan "$profile" --rig "$rig" --json >"$(basename "$profile" .profile).json" ||
            { echo "$profile does not plan on $rig"; exit 1; }
    done
done
for name in calibration step-response frequency-response harbour-chop; do
    "$WETSWEEP" run "$profiles/$name.profile" --rig "$profiles/bench.rig" --bench \
        "$profiles/harbour-b-bare.bench" --board WS-B-0007 --revision B --out $name.recording >/dev/null &&
        "$WETSWEEP" fit $name.recording --no-ledger >/dev/null || exit 1
done
python3 - "$profiles" <<'PYTHON'
import glob, json, os, re, sys
failed = 0
def check(good, text):
    global failed
    if not good:
        failed = 1
        print(text)
units = {'s': 1, 'minutes': 60, 'h': 3600}
for path in sorted(glob.glob(sys.argv[1] + '/*.profile')):
    name = os.path.basename(path)[:-8]
    comment = ' '.join(line.lstrip('# ').rstrip() for line in open(path) if line.startswith('#'))
    said = re.search(r'Takes (?:about )?([0-9.]+) (s|minutes|h)\b', comment)
    check(said, f'{name} does not say how long it takes')
    check('?' in comment or 'first look' in comment or 'comparison' in comment, f'{name} says no question')
    takes = json.load(open(name + '.json'))['duration_s']
    if said:
        claim = float(said.group(1)) * units[said.group(2)]
        check(abs(claim / takes - 1) < 0.1, f'{name} takes {takes:.0f} s and says {claim:.0f} s')
def result(recording, name):
    return json.load(open(recording + '.recording/results.json'))['results'][name]
# As the bench file has it; within twice the interval, one bench being no study.
for recording, name, truth in (
        ('calibration', 'sensitivity', 0.021 - 2 * 9.5e-6 * 80), ('calibration', 'hysteresis_of_means', None),
        ('step-response', 'step_time_constant_falling', 0.31), ('step-response', 'step_time_constant_rising', 0.08),
        ('step-response', 'step_dead_time_rising', 0), ('frequency-response', 'bandwidth', None),
        ('frequency-response', 'lag_falling', 0.31), ('frequency-response', 'hysteresis_at_rest', 0.4),
        ('harbour-chop', 'sensitivity', 0.021 - 2 * 9.5e-6 * 80)):
    r = result(recording, name)
    check(r['value'] is not None and r['low_95'] is not None, f'{recording}: {name} {r.get("reason")}')
    if truth is not None and r['value'] is not None:
        half = (r['high_95'] - r['low_95']) / 2
        check(abs(r['value'] - truth) < 2 * half, f'{recording}: {name} {r["value"]} +- {half}, truth {truth}')
raise SystemExit(failed)
PYTHON
