#!/usr/bin/env bash
# SPDX-License-Identifier: GPL-3.0-or-later
# The ledger through the shipped program: what fit puts in, the ways to ask for it, and what
# happens when the file is gone or broken.
set -u
scratch=$(mktemp -d /tmp/wetsweep-ledger-XXXXXX)
trap 'rm -rf "$scratch"' EXIT
cd "$scratch" || exit 1
profiles=$WETSWEEP_SOURCE/profiles
unset WETSWEEP_LEDGER

fail() {
    echo "$*"
    exit 1
}
expect() { # status, text that must be said, then the command
    local status=$1 said=$2 output
    shift 2
    output=$("$@" 2>&1)
    local got=$?
    [ $got -eq "$status" ] || fail "$*: status $got, expected $status: $output"
    grep -qF -- "$said" <<<"$output" || fail "$*: lacks '$said': $output"
}
w=$WETSWEEP

cat >short.profile <<'PROFILE'
start at 10 mm
stairs from 10 mm to 130 mm in 4 steps, hold 2 s, up and down
each speed 10, 20, 40 mm/s
  ramp to 150 mm at speed
  hold 1 s
  ramp to 10 mm at speed
  hold 1 s
end
PROFILE
mkdir out
for i in 1 2 3 4 5; do
    coating=bare
    [ $i -gt 2 ] && coating="wax, thin"
    "$w" run short.profile --rig "$profiles/bench.rig" --bench "$profiles/harbour-b-bare.bench" \
        --board WS-B-000$((i % 2)) --revision B --coating "$coating" --seed $i \
        --water-temperature "20 degC" --out out/$i.recording >run.log || fail "$(cat run.log)"
    # Runs a day apart, which a simulation isn't: the start in run.json is set, before the fit.
    sed -i "s/\"started\": \".*\"/\"started\": \"2026-04-1${i}T08:00:00Z\"/" out/$i.recording/run.json
done

# No ledger yet: asking says how to get one; fit makes one beside the recording.
expect 2 "there is no ledger" "$w" ledger list
expect 0 "out/1.recording/report.html" "$w" fit out/1.recording --no-ledger
[ -e out/wetsweep.ledger ] && fail "--no-ledger made one"
expect 0 "Ledger: out/wetsweep.ledger" "$w" fit out/2.recording
(cd out/3.recording && "$w" fit . | grep -q 'Ledger: ./../wetsweep.ledger') || fail "fit ."
export WETSWEEP_LEDGER=$scratch/out/wetsweep.ledger
expect 0 "Ledger: $WETSWEEP_LEDGER" "$w" fit out/4.recording
expect 0 "Ledger: $WETSWEEP_LEDGER" "$w" fit out/5.recording
unset WETSWEEP_LEDGER
cd out || exit 1
expect 0 "1.recording" "$w" ledger list # it was taken in when the ledger was made
[ "$("$w" ledger list | wc -l)" -eq 6 ] || fail "list has not 5 recordings"
[ "$("$w" ledger list --board WS-B-0001 | wc -l)" -eq 4 ] || fail "list --board"
[ "$("$w" ledger list --coating "wax, thin" --last 1 | wc -l)" -eq 2 ] || fail "list --last"
[ "$("$w" ledger list --since 2026-04-12 --until 2026-04-13 | wc -l)" -eq 3 ] || fail "list by date"
expect 0 "no recordings" "$w" ledger list --revision C
expect 2 "is no date" "$w" ledger list --since April
expect 0 "hysteresis_at_rest" "$w" ledger show 2.recording
expect 2 "is not in the ledger" "$w" ledger show 99
expect 2 "did you mean 'hysteresis_at_rest'?" "$w" ledger trend hysteresis_at_rets
expect 2 "did you mean 'trend'?" "$w" ledger trond
expect 2 "is no option of 'ledger show'" "$w" ledger show 1 --last 4
expect 0 "No trend is known" "$w" ledger trend hysteresis_at_rest --board WS-B-0000
expect 0 "Theil-Sen slope" "$w" ledger trend hysteresis_at_rest --picture trend.svg
python3 -c 'import sys, xml.dom.minidom as m
d = m.parse("trend.svg")
assert open("trend.svg").read().count("h6M") == 2 * 5 - 2
assert "Hysteresis at rest" in open("trend.svg").read()' || fail "trend.svg"

# What goes out is what results.json holds.
"$w" ledger export --as csv --out all.csv || fail "export csv"
"$w" ledger export --as json >all.json || fail "export json"
"$w" ledger trend lag_falling --json >trend.json || fail "trend --json"
python3 - <<'PYTHON' || fail "export differs from results.json"
import csv, json
rows = list(csv.DictReader(open('all.csv', newline='')))
recordings = json.load(open('all.json'))['recordings']
assert [r['recording'] for r in recordings] == [f'{i}.recording' for i in range(1, 6)]
assert recordings[3]['coating'] == 'wax, thin' and recordings[3]['water_degc'] == 20
seen = 0
for r in recordings:
    truth = json.load(open(r['recording'] + '/results.json'))
    assert set(truth['results']) == set(r['results'])
    for name, t in truth['results'].items():
        mine = r['results'][name]
        row = [c for c in rows if c['recording'] == r['recording'] and c['result'] == name]
        assert len(row) == 1
        for key in ('value', 'low_95', 'high_95', 'standard_uncertainty', 'degrees_of_freedom'):
            assert mine[key] == t[key], (name, key)
            cell = row[0][key]
            assert (float(cell) if cell not in ('', 'inf') else None) == t[key], (name, key, cell)
        assert mine['unit'] == t['unit'] == row[0]['unit']
        assert mine.get('reason', '') == t.get('reason', '') == row[0]['reason']
        seen += 1
assert seen >= 150 and len(rows) == seen, seen
# docs/ledger.md names every column, in order.
import os, re
page = open(os.environ['WETSWEEP_SOURCE'] + '/docs/ledger.md').read()
table = re.findall(r'^\| (`.*?) \|', page[page.index('## Exports'):], re.M)
assert [c for row in table for c in re.findall('`(.*?)`', row)] == list(rows[0]), list(rows[0])
assert set(rows[0]) - {'result', 'title', 'value', 'unit', 'standard_uncertainty', 'low_95',
                       'high_95', 'degrees_of_freedom', 'reason'} == set(recordings[0]) - {'results'}
trend = json.load(open('trend.json'))
assert [v['recording'] for v in trend['values']] == [f'{i}.recording' for i in range(1, 6)]
assert trend['unit'] == 's' and trend['trend']['per'] == 'day'
PYTHON

# Damage is told and mended; a ledger of another folder is made by rebuild.
"$w" ledger list >before.txt
printf 'rubbish' | dd of=wetsweep.ledger bs=1 seek=4096 conv=notrunc 2>/dev/null
expect 0 "made anew from 5 recordings" "$w" ledger list
[ -e wetsweep.ledger.damaged-1 ] || fail "the damaged file is gone"
# The numbers are new, the rest is as before.
diff <(cut -c4- before.txt) <("$w" ledger list | cut -c4-) || fail "list changed"
expect 0 "5 recordings" "$w" ledger rebuild "$scratch" --ledger "$scratch/all.ledger"
expect 0 "out/4.recording" "$w" ledger list --ledger "$scratch/all.ledger"
expect 2 "isn't a ledger" "$w" ledger list --ledger all.csv

# Two fits at once.
cp -r 1.recording 6.recording
sed -i 's/T08:00:00Z/T09:00:00Z/' 6.recording/run.json
"$w" fit 6.recording >/dev/null & "$w" fit 1.recording >/dev/null & wait
[ "$("$w" ledger list | wc -l)" -eq 7 ] || fail "two fits at once"
echo ok
