#!/usr/bin/env bash
# SPDX-License-Identifier: GPL-3.0-or-later
# Dead band, film and noise by the shipped program on the simulated bench: the profile for
# dead bands finds the play of both boards; a profile with large steps only gets a reason; a
# board whose lag is a delay shows a power of 1, beside the film of Landau and Levich.
set -u
scratch=$(mktemp -d /tmp/wetsweep-dead-band-XXXXXX)
trap 'rm -rf "$scratch"' EXIT
cd "$scratch" || exit 1
profiles=$WETSWEEP_SOURCE/profiles
run() { # PROFILE BENCH OUT
    "$WETSWEEP" run "$1" --rig "$profiles/bench.rig" --bench "$profiles/$2.bench" \
        --board WS-B-0007 --revision B --out "$3" >/dev/null && "$WETSWEEP" fit "$3" >/dev/null
}
for kind in bare coated; do
    run "$profiles/dead-band.profile" harbour-b-$kind $kind.recording || exit 1
done
run "$profiles/first-dip.profile" harbour-b-bare dip.recording || exit 1

python3 - <<'PYTHON'
import json
failed = 0
def check(good, text):
    global failed
    if not good:
        failed = 1
        print(text)
def results(name):
    return json.load(open(name + '.recording/results.json'))['results']
for kind, play in (('bare', 0.4), ('coated', 0.25)):
    r = results(kind)['dead_band']
    print(kind, r['value'], r['low_95'], r['high_95'], 'truth', play)
    check(r['value'] is not None and abs(r['value'] - play) < 0.75 * (r['high_95'] - r['low_95']),
          f'{kind}: dead band {r["value"]}, truth {play}')
    check(r['high_95'] - r['low_95'] < 0.1, f'{kind}: an interval as wide as that tells nothing')
dip = results('dip')
check(dip['dead_band']['value'] is None and 'smallest reversal' in dip['dead_band']['reason'],
      f'first dip: {dip["dead_band"]}')
power = dip['cling_power']
check(power['value'] is not None and power['low_95'] <= 1.02 and power['high_95'] >= 0.98 and
      power['low_95'] > 2 / 3, f'power of the cling: {power}')
# 0.9458 l Ca^(2/3) at 40 mm/s and 20 degC, computed apart: 17.3238 um.
check(abs(dip['film_drawn']['value'] - 17.32) < 0.05, f'film: {dip["film_drawn"]}')
check(dip['film_drawn']['low_95'] is None, 'a reference has no interval')
# Noise of 2 mV and steps of 1 mV, where the curve is flattest: 0.021 - 2 x 9.5e-6 x 150 V/mm.
worst = dip['resolution_worst']
check(abs(worst['value'] - 0.00202 / 0.01815) < 0.02, f'worst resolution: {worst}')
raise SystemExit(failed)
PYTHON
