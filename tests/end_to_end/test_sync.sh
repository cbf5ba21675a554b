#!/usr/bin/env bash
# SPDX-License-Identifier: GPL-3.0-or-later
# An axis measured once with an encoder on its stage, whose sync file then ties the clocks of a run
# without one: right and better than the acknowledgements alone. A file of another axis is left
# unused, or refused where it was asked for.
set -u
scratch=$(mktemp -d /tmp/wetsweep-sync-XXXXXX)
trap 'rm -rf "$scratch"' EXIT
cd "$scratch" || exit 1
profiles=$WETSWEEP_SOURCE/profiles
bench=$profiles/harbour-b-bare.bench
fail() { echo "$*"; exit 1; }

sed 's/position      live.*/position      planned/' "$profiles/bench.rig" >plain.rig
sed '/role temperature/a\  channel place column 6 in mm role reference' plain.rig >encoder.rig
grep -q 'role reference' encoder.rig && grep -q 'position      planned' encoder.rig || fail "the rig files"

"$WETSWEEP" sync --rig encoder.rig --bench "$bench" --recording one.recording --json >sync.json 2>told.txt ||
    fail "sync: $(cat told.txt)"
grep -q 'no hardware moves' told.txt && grep -q 'Complete:' told.txt || fail "sync says: $(cat told.txt)"
grep -q 'Next:' told.txt && fail "a sync is nothing to fit"
[ -s encoder.sync ] && [ -d one.recording ] || fail "no sync file, or no recording"
"$WETSWEEP" sync --rig plain.rig --bench "$bench" --recording two.recording >plain.txt || fail "a plain sync"
grep -q 'start.*not determined: the acknowledgements' plain.txt &&
    grep -q 'Play.*not determined: nothing sees the stage' plain.txt || fail "$(cat plain.txt)"
grep -q 'starts' plain.sync && fail "what isn't known is in the file"

dip() { # OUT OPTIONS...
    out=$1
    shift
    "$WETSWEEP" run "$profiles/first-dip.profile" --bench "$bench" --board A --revision B --out "$out.recording" \
        "$@" >"$out.txt" 2>&1 || fail "$out: $(cat "$out.txt")"
    "$WETSWEEP" fit "$out.recording" --no-ledger --json >"$out.json" || fail "fit of $out"
}
cp encoder.sync plain.sync
dip synced --rig plain.rig
grep -q '^Sync: *plain.sync' synced.txt || fail "the sync file isn't told: $(cat synced.txt)"
rm plain.sync
dip bare --rig plain.rig
grep -q '^Sync:' bare.txt && fail "no sync file, and it is told"
sed 's/60 mm\/s/59 mm\/s/' plain.rig >other.rig
cp encoder.sync other.sync
dip other --rig other.rig
grep -q 'other.sync: was measured with another axis' other.txt || fail "another axis: $(cat other.txt)"
python3 - <<'PYTHON' || exit 1
import json
sync = json.load(open('sync.json'))['results']
def inside(result, truth):
    low, high = result['low_95'], result['high_95']
    assert low < high and low - (high - low) / 4 < truth < high + (high - low) / 4, (result, truth)
inside(sync['start_delay'], 0.045)
inside(sync['start_delay_spread'], 0.002)
inside(sync['backlash'], 0.02)
inside(sync['axis_clock_skew'], 25)
inside(sync['clock_skew_board'], -18)
synced, bare, other = (json.load(open(name + '.json'))['results'] for name in ('synced', 'bare', 'other'))
assert 'a sync file' in synced['clock_tie']['method'], synced['clock_tie']
for plain in (bare, other):
    assert plain['clock_tie']['method'] == 'tied by acknowledgements', plain['clock_tie']
    assert plain['start_delay']['value'] is None and 'acknowledgements' in plain['start_delay']['reason']
    assert synced['clock_tie']['value'] < plain['clock_tie']['value'] / 5
width = lambda result: result['high_95'] - result['low_95']
for name, truth in (('lag_rising', 0.08), ('lag_falling', 0.31)):
    inside(synced[name], truth)
    assert width(synced[name]) < width(bare[name]) / 3, name
kept = json.load(open('synced.recording/run.json'))
assert kept['sync'] == open('encoder.sync').read() and kept['sync_name'] == 'plain.sync'
assert json.load(open('other.recording/run.json'))['sync'] == ''
PYTHON

refused() { # WORDS OPTIONS...
    words=$1
    shift
    "$WETSWEEP" run "$profiles/first-dip.profile" --bench "$bench" --board A --revision B --out no.recording "$@" \
        >no.txt 2>&1
    [ $? -eq 2 ] && grep -q "$words" no.txt && [ ! -e no.recording ] || fail "'$words': $(cat no.txt)"
}
refused 'another axis block than other.rig' --rig other.rig --sync encoder.sync
refused 'none.sync' --rig plain.rig --sync none.sync
sed 's/starts/start/' encoder.sync >plain.sync
refused 'plain.sync:[0-9]*:3: .*starts' --rig plain.rig
"$WETSWEEP" sync --rig plain.rig --bench "$bench" --recording one.recording >no.txt 2>&1
[ $? -eq 2 ] && grep -q 'exists already' no.txt || fail "written over: $(cat no.txt)"
for wrong in "" "--rig" "--rig plain.rig --seed 1" "--rig plain.rig --bench $bench --seed x" "--rig plain.rig more"; do
    # shellcheck disable=SC2086
    "$WETSWEEP" sync $wrong >no.txt 2>&1
    [ $? -eq 2 ] && grep -q "try 'wetsweep sync --help'" no.txt || fail "'$wrong': $(cat no.txt)"
done
