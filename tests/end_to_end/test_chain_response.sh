#!/usr/bin/env bash
# SPDX-License-Identifier: GPL-3.0-or-later
# Each link's own 10 to 90 % time and bandwidth, behind the link before it, on the simulated bench:
# a controller of 150 ms that computes ten times a second, an actuator of 250 ms. Truth: tau ln 9;
# and where sin(pi f T)/(pi f T) / sqrt(1 + (2 pi f tau)^2) is 1/sqrt(2), T the time that it holds a
# value (zero-order hold and first-order lag, any control handbook).
set -u
scratch=$(mktemp -d /tmp/wetsweep-chain-response-XXXXXX)
trap 'rm -rf "$scratch"' EXIT
cd "$scratch" || exit 1
profiles=$WETSWEEP_SOURCE/profiles
cat >chain.profile <<'PROFILE'
title "Chain, by steps and waves"
start at 10 mm
stairs from 10 mm to 150 mm in 7 steps, hold 4 s, up and down
each speed 8, 20, 40 mm/s
  repeat 2
    ramp to 150 mm at speed
    hold 4 s
    ramp to 10 mm at speed
    hold 5 s
  end
end
repeat 5
  step to 120 mm
  hold 6 s
  step to 40 mm
  hold 6 s
end
sine about 80 mm amplitude up to 15 mm from 0.1 Hz to 2 Hz in 6 frequencies, 12 cycles each
PROFILE
run() { # PROFILE OUT
    "$WETSWEEP" run "$1" --rig "$profiles/bench.rig" --bench "$profiles/harbour-b-bare.bench" \
        --board WS-B-0007 --revision B --out "$2" >/dev/null && "$WETSWEEP" fit "$2" >/dev/null
}
sed '/^sine/d' chain.profile >steps.profile
sed 's/in 7 steps/in 3 steps/' chain.profile >few.profile # too few levels to see the curve's bend
for kind in chain steps few; do
    run "$kind.profile" "$kind.recording" || exit 1
done
# A thermometer that is read once a second, its value sent with each line.
cp -r steps.recording slow.recording
python3 - <<'PYTHON' || exit 1
lines = open('slow.recording/board.csv', newline='').read().split('\r\n')
rows = [line.split(',') for line in lines[1:] if line]
with open('slow.recording/board.csv', 'w', newline='') as file:
    file.write(lines[0] + '\r\n')
    file.writelines(','.join(r[:5] + [f'{20 + i // 100 % 7 / 10:.1f}']) + '\r\n' for i, r in enumerate(rows))
PYTHON
"$WETSWEEP" fit slow.recording >/dev/null || exit 1

python3 - <<'PYTHON'
import json, math
failed = 0
def check(good, text):
    global failed
    if not good:
        failed = 1
        print(text)
def passes(tau, held):
    low, high = 0.01, 5
    while high - low > 1e-9:
        f = (low + high) / 2
        x = math.pi * f * held
        gain = math.sin(x) / x / math.hypot(1, 2 * math.pi * f * tau)
        low, high = (f, high) if gain > math.sqrt(0.5) else (low, f)
    return low
r = json.load(open('chain.recording/results.json'))['results']
for role, tau, held in (('controller', 0.15, 0.1), ('actuator', 0.25, 0.02)):
    band, rise = r['link_bandwidth_' + role], r['link_transition_' + role]
    half = (band['high_95'] - band['low_95']) / 2
    print(role, band['value'], half, passes(tau, held), rise['value'], tau * math.log(9))
    check(abs(band['value'] - passes(tau, held)) < 1.5 * half, f'{role}: bandwidth {band["value"]} +- {half}, truth {passes(tau, held)}')
    check(half < 0.05 * band['value'], f'{role}: +-{half} tells nothing')
    # A held value lies spread over its interval: held^2/12 more than tau^2.
    check(abs(rise['value'] / (tau * math.log(9)) - 1) < 0.005 + held**2 / tau**2 / 12, f'{role}: 10 to 90 % in {rise["value"]}')
    check([part['name'] for part in band['budget']] == ['noise of the waves', 'between the frequencies'], f'{role}: {band["budget"]}')
without = json.load(open('steps.recording/results.json'))['results']['link_bandwidth_actuator']
check(without['value'] is None and 'no sines' in without['reason'], f'without waves: {without}')
few = json.load(open('few.recording/results.json'))['results']
for name in ('gain_1', 'gain_3', 'bandwidth'):
    right, rough = r[name], few[name]
    half = (rough['high_95'] - rough['low_95']) / 2
    print(name, right['value'], rough['value'], half)
    check(abs(rough['value'] - right['value']) < half, f'{name} by a curve of four levels: {rough["value"]} +- {half}, by eight {right["value"]}')
    check('slope of the curve' in [part['name'] for part in rough['budget']], f'{name}: {rough["budget"]}')
slow = json.load(open('slow.recording/results.json'))['results']
print(slow['update_interval_water']['value'], slow['repeat_share_water']['value'])
check(abs(slow['update_interval_water']['value'] - 1) < 0.01, f'thermometer: {slow["update_interval_water"]}')
check(abs(slow['repeat_share_water']['value'] - 99) < 0.1, f'thermometer: {slow["repeat_share_water"]}')
check('update_interval_water' not in r, 'what never changes has no update interval to tell')
raise SystemExit(failed)
PYTHON
