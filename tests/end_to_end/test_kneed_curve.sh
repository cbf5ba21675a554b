#!/usr/bin/env bash
# SPDX-License-Identifier: GPL-3.0-or-later
# An electrode that is half as wide from a depth on: no polynomial follows its characteristic. The same
# recording as it was and with its readings bent at 1.6 V: polynomial and spline, and lags that are the same.
set -u
scratch=$(mktemp -d /tmp/wetsweep-knee-XXXXXX)
trap 'rm -rf "$scratch"' EXIT
profiles=$WETSWEEP_SOURCE/profiles
cd "$scratch" || exit 1
cat >knee.profile <<'PROFILE'
start at 10 mm
hold 5 s
repeat 2
  stairs from 10 mm to 150 mm in 14 steps, hold 4 s, up and down
end
each speed 8, 16, 28 mm/s
  repeat 3
    ramp to 150 mm at speed
    hold 4 s
    ramp to 10 mm at speed
    hold 5 s
  end
end
PROFILE
"$WETSWEEP" run knee.profile --rig "$profiles/bench.rig" --bench "$profiles/harbour-b-coated.bench" --board WS-B-0009 \
    --revision B --out straight.recording >run.out 2>&1 || { cat run.out; exit 1; }
cp -r straight.recording kneed.recording
/usr/bin/env python3 - kneed.recording/board.csv <<'SCRIPT' || exit 1
import csv, sys
rows = list(csv.reader(open(sys.argv[1], newline='')))
at = [i for i, name in enumerate(rows[0]) if 'level' in name]
assert len(at) == 1, rows[0]
for row in rows[1:]:
    volts = float(row[at[0]])
    if volts > 1.6:
        row[at[0]] = '%.4f' % (1.6 + (volts - 1.6) / 2)
with open(sys.argv[1], 'w', newline='') as out:
    csv.writer(out, lineterminator='\r\n').writerows(rows)
SCRIPT
for name in straight kneed; do
    "$WETSWEEP" fit $name.recording --no-ledger >$name.fit 2>&1 || { cat $name.fit; exit 1; }
done
/usr/bin/env python3 - <<'SCRIPT'
import json, sys
def results(name):
    return json.load(open(name + '.recording/results.json'))['results']
straight, kneed = results('straight'), results('kneed')
failed = 0
def check(fine, what):
    global failed
    if not fine:
        failed += 1
        print('wrong:', what)
check('curve_1' in straight and 'curve_knot_1' not in straight, 'the straight one is a polynomial')
check('curve_knot_3' in kneed and 'curve_1' not in kneed, 'the kneed one is a spline')
check('no polynomial follows' in kneed.get('curve_knot_1', {}).get('method', ''), 'its method says why')
check(abs(kneed['sensitivity']['value'] / straight['sensitivity']['value'] - 0.5) < 0.05, 'half the slope beyond')
for end in 'reading_low', 'reading_high':
    value = straight[end]['value']
    bent = value if value < 1.6 else 1.6 + (value - 1.6) / 2
    r = kneed[end]
    check(abs(r['value'] - bent) < 1.5 * (r['high_95'] - r['low_95']) / 2, '%s %g for %g' % (end, r['value'], bent))
for lag in 'lag_rising', 'lag_falling', 'hysteresis_at_rest':
    a, b = straight[lag], kneed[lag]
    reach = max(a['high_95'] - a['low_95'], b['high_95'] - b['low_95']) / 2
    check(abs(a['value'] - b['value']) < reach, '%s %g for %g +- %.2g' % (lag, b['value'], a['value'], reach))
report = open('kneed.recording/report.html').read()
check('reading at the knot at' in report, 'the report shows the knots')
sys.exit(failed)
SCRIPT
