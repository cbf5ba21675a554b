#!/usr/bin/env bash
# SPDX-License-Identifier: GPL-3.0-or-later
# A board from the line on the simulated bench: the production dip and a verdict in one line
# each. A good board passes, one with the wrong curve fails, one whose recording lacks a result
# fails; the ledger knows, also made anew from the recordings.
set -u
scratch=$(mktemp -d /tmp/wetsweep-judge-XXXXXX)
trap 'rm -rf "$scratch"' EXIT
cd "$scratch" || exit 1
profiles=$WETSWEEP_SOURCE/profiles
limits=$profiles/production-b.limits
fail() { echo "$*"; exit 1; }
dip() { # BENCH OUT REVISION PROFILE
    "$WETSWEEP" run "$4" --rig "$profiles/bench.rig" --bench "$1" --board "$2" --revision "$3" \
        --out "$2.recording" >/dev/null || fail "the dip of $2 failed"
}
sed 's/0.35, 0.021,/0.35, 0.0225,/' "$profiles/harbour-b-coated.bench" >steep.bench
dip "$profiles/harbour-b-coated.bench" WS-B-0101 B "$profiles/production-dip.profile"
dip steep.bench WS-B-0102 B "$profiles/production-dip.profile"
dip "$profiles/harbour-b-coated.bench" WS-B-0103 B "$profiles/wire-check.profile"
dip "$profiles/harbour-b-coated.bench" WS-C-0104 C "$profiles/wire-check.profile"

"$WETSWEEP" judge WS-B-0101.recording --limits "$limits" >good.txt || fail "a good board: $(cat good.txt)"
grep -q 'PASS by' good.txt && ! grep -q FAIL good.txt || fail "$(cat good.txt)"
"$WETSWEEP" judge WS-B-0102.recording --limits "$limits" --label >bad.txt
[ $? -eq 3 ] || fail "a steep board: $(cat bad.txt)"
grep -Eq '^WS-B-0102  B  FAIL  [0-5] of 6  [0-9]{4}-[0-9]{2}-[0-9]{2}  production-b$' bad.txt || fail "$(cat bad.txt)"
"$WETSWEEP" judge WS-B-0103.recording --limits "$limits" --json >missing.json
[ $? -eq 3 ] || fail "a recording that lacks results passed"
python3 - <<'PYTHON' || exit 1
import json
told = json.load(open('missing.json'))
assert told == json.load(open('WS-B-0103.recording/judgement.json'))
verdicts = {one['result']: one['verdict'] for one in told['judged']}
assert verdicts['hysteresis_at_rest'] == 'missing' and told['verdict'] == 'fail', verdicts
PYTHON
"$WETSWEEP" judge WS-C-0104.recording --limits "$limits" 2>other.txt
[ $? -eq 2 ] && grep -q 'revision B' other.txt || fail "another revision: $(cat other.txt)"
sed 's/hysteresis_at_rest/hysteresis_at_rst/' "$limits" >misspelt.limits
"$WETSWEEP" judge WS-B-0101.recording --limits misspelt.limits 2>misspelt.txt
[ $? -eq 2 ] && grep -q 'misspelt.limits:[0-9]*:[0-9]*:.*did you mean' misspelt.txt || fail "$(cat misspelt.txt)"

"$WETSWEEP" ledger list >before.txt
for want in 'WS-B-0101 .* pass ' 'WS-B-0102 .* fail ' 'WS-B-0103 .* fail '; do
    grep -q "$want" before.txt || fail "the ledger lacks '$want': $(cat before.txt)"
done
# From the recordings alone; a judgement of results that are there no more doesn't count.
"$WETSWEEP" fit WS-B-0101.recording --degree 1 --no-ledger >/dev/null || exit 1
rm wetsweep.ledger*
"$WETSWEEP" ledger rebuild . >/dev/null || exit 1
"$WETSWEEP" ledger list >after.txt
grep -q 'WS-B-0102 .* fail ' after.txt || fail "made anew: $(cat after.txt)"
grep -q 'WS-B-0101 .* pass ' after.txt && fail "an old judgement counts: $(cat after.txt)"
exit 0
