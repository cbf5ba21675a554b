#!/usr/bin/env bash
# SPDX-License-Identifier: GPL-3.0-or-later
# `run --continue`: a recording of a run that was killed in mid-row is gone on with, twice, in
# simulated time, and its fit says what the fit of the whole run says; then over pseudo-terminals in
# real time, after Ctrl-C and after kill -9. What must not be gone on with is refused, untouched.
set -u
# With locks of its own, no other test's pseudo-terminal of the same number is in the way.
if [ "$(id -u)" = 0 ] && [ "${1:-}" != inside ]; then
    exec unshare --mount --propagation private bash "$0" inside
fi
[ "${1:-}" = inside ] && [ -d /run/lock ] && mount -t tmpfs none /run/lock
scratch=$(mktemp -d /tmp/wetsweep-continue-XXXXXX)
bench_process=
finish() {
    [ -n "$bench_process" ] && kill "$bench_process" 2>/dev/null && wait "$bench_process" 2>/dev/null
    rm -rf "$scratch"
}
trap finish EXIT
profiles=$WETSWEEP_SOURCE/profiles
cd "$scratch" || exit 1
failed=0
wrong() {
    echo "$*"
    failed=1
}

# ---- simulated time ----

bench=(--bench "$profiles/harbour-b-bare.bench")
"$WETSWEEP" run "$profiles/first-dip.profile" --rig "$profiles/bench.rig" "${bench[@]}" \
    --board WS-B-0007 --revision B --out whole.recording >out 2>err || { cat out err; exit 1; }
cat >kill.py <<'KILL'
# As kill -9 at a time would leave it: whole rows before it, the board's last one cut.
import json, os, sys
folder, until = sys.argv[1], float(sys.argv[2])
for name in ('board', 'motion', 'events', 'strokes'):
    path = f'{folder}/{name}.csv'
    lines = open(path, newline='').read().split('\r\n')
    column = 4 if name == 'strokes' else 0
    kept = [lines[0]]
    for line in lines[1:]:
        cells = line.split(',')
        if not line or float(cells[column] or 'inf') >= until:
            break
        kept.append(line)
    cut = lines[len(kept)][:9] if name == 'board' else ''
    open(path, 'w', newline='').write('\r\n'.join(kept) + '\r\n' + cut)
run = json.load(open(folder + '/run.json'))
run.update(state='running', reason='', sha256={})
run.pop('summary', None)
json.dump(run, open(folder + '/run.json', 'w'))
open(folder + '/room', 'w').write('held back')
KILL
cp -r whole.recording cut.recording
python3 kill.py cut.recording 150.3
python3 - <<'PART' # and what a run that went on for a while adds
import shutil; shutil.copytree('cut.recording', 'changed.recording')
PART
"$WETSWEEP" run --continue cut.recording "${bench[@]}" --seed 2 >out 2>err || { cat out err; wrong "not gone on with"; }
python3 kill.py cut.recording 220.7
"$WETSWEEP" run --continue cut.recording "${bench[@]}" --seed 3 >out 2>err || { cat out err; wrong "not gone on with again"; }
"$WETSWEEP" fit whole.recording --no-ledger >out 2>err || wrong "the whole run can't be fitted"
"$WETSWEEP" fit cut.recording --no-ledger >out 2>err || wrong "a run that was gone on with can't be fitted"
python3 - <<'CHECK' || failed=1
import csv, hashlib, json, math, os
run = json.load(open('cut.recording/run.json'))
assert run['state'] == 'complete', run['state']
assert [seam['state'] for seam in run['seams']] == ['running'] * 2, run['seams']
assert all(seam['cut_bytes'] == 9 and seam['at_s'] > seam['from_s'] for seam in run['seams'])
assert run['summary']['strokes_whole'] == run['summary']['strokes_planned'] == 43
for name, digest in run['sha256'].items():
    assert hashlib.sha256(open('cut.recording/' + name, 'rb').read()).hexdigest() == digest, name
assert not os.path.exists('cut.recording/room')
for name in ('board', 'motion', 'events'):
    times = [float(row['t_s']) for row in csv.DictReader(open(f'cut.recording/{name}.csv'))]
    assert times == sorted(times), name
seams = [row for row in csv.DictReader(open('cut.recording/events.csv')) if row['kind'] == 'seam']
assert len(seams) == 2 and 'its pass is repeated' in seams[0]['text'], seams
whole, cut = (json.load(open(name + '.recording/results.json'))['results'] for name in ('whole', 'cut'))
for name in ('sensitivity', 'reading_low', 'lag_rising', 'lag_falling', 'cling_difference', 'hysteresis_at_rest',
             'step_lag_rising', 'step_lag_falling'):
    one, other = whole[name], cut[name]
    width = math.hypot(one['high_95'] - one['low_95'], other['high_95'] - other['low_95']) / 2
    assert abs(one['value'] - other['value']) <= width, (name, one, other)
    assert other['high_95'] - other['low_95'] < 1.5 * (one['high_95'] - one['low_95']), (name, one, other)
print('gone on with twice: results as of the whole run')
CHECK

refused() { # status, words that must be said, arguments
    local status=$1 words=$2 was
    shift 2
    "$WETSWEEP" run "$@" >out 2>err
    was=$?
    [ $was -eq "$status" ] && grep -q -- "$words" err || { cat err; wrong "run $*: $was instead of $status with '$words'"; }
}
refused 2 "this run is complete" --continue whole.recording "${bench[@]}"
refused 2 "leave '--board' out" --continue cut.recording --board WS-B-0008 "${bench[@]}"
refused 2 "leave 'short.profile' out" --continue cut.recording short.profile "${bench[@]}"
refused 2 "nothing.recording" --continue nothing.recording "${bench[@]}"
sed -i '1s/level/levels/' changed.recording/board.csv
cp -r changed.recording before.recording
refused 2 "is not the header" --continue changed.recording "${bench[@]}"
python3 - <<'SAME' || failed=1
# A cut last line may have been taken off, nothing else has changed.
a, b = (open(name + '.recording/board.csv', newline='').read() for name in ('before', 'changed'))
assert a.startswith(b) and len(a) - len(b) == 9, (len(a), len(b))
for name in ('run.json', 'motion.csv', 'events.csv', 'strokes.csv'):
    assert open('before.recording/' + name).read() == open('changed.recording/' + name).read(), name
SAME

# ---- over pseudo-terminals, in real time ----

cat >short.profile <<'PROFILE'
start at 10 mm
repeat 3
  ramp to 40 mm at 40 mm/s
  hold 0.3 s
  ramp to 10 mm at 40 mm/s
  hold 0.3 s
end
PROFILE
rm -rf ports
"$WETSWEEP" simulate "${bench[@]}" --rig "$profiles/bench.rig" --links ports >bench.log 2>&1 &
bench_process=$!
for _ in $(seq 100); do
    [ -e ports/axis ] && [ -e ports/board ] && break
    sleep 0.05
done
strokes() {
    [ -e "$1" ] && wc -l <"$1" || echo 0
}
until_strokes() { # file, lines, process
    for _ in $(seq 300); do
        [ "$(strokes "$1")" -ge "$2" ] && return
        kill -0 "$3" 2>/dev/null || { cat out err; wrong "ended before its time"; return; }
        sleep 0.05
    done
    wrong "no more strokes"
}
"$WETSWEEP" run short.profile --rig "$profiles/bench.rig" --board WS-B-0007 --revision B --ports ports \
    --out wire.recording >out 2>err &
run=$!
until_strokes wire.recording/strokes.csv 3 $run
kill -INT $run
wait $run
[ $? -eq 4 ] || { cat out err; wrong "not stopped"; }
"$WETSWEEP" run --continue wire.recording --ports ports >out 2>err &
run=$!
until_strokes wire.recording/strokes.csv 5 $run
refused 1 "board WS-B-0007" --continue wire.recording --ports ports
kill -KILL $run
wait $run 2>/dev/null
"$WETSWEEP" run --continue wire.recording --ports ports >out 2>err
[ $? -eq 0 ] || { cat out err; wrong "not gone on with over the wire"; }
grep -q '^Recording: .*gone on with' out || wrong "does not say that it goes on"
"$WETSWEEP" fit wire.recording --no-ledger >out 2>err || { cat err; wrong "can't be fitted"; }
python3 - <<'CHECK' || failed=1
import csv, json
run = json.load(open('wire.recording/run.json'))
assert run['state'] == 'complete' and [s['state'] for s in run['seams']] == ['stopped', 'running'], run['seams']
times = [float(row['t_s']) for row in csv.DictReader(open('wire.recording/board.csv'))]
assert times == sorted(times)
done = {row['stroke'] for row in csv.DictReader(open('wire.recording/strokes.csv')) if row['ended_s']}
assert len(done) == run['plan']['strokes'], done
print(f"over the wire: {len(run['seams'])} seams, {len(times)} rows")
CHECK
exit $failed
