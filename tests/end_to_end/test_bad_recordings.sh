#!/usr/bin/env bash
# SPDX-License-Identifier: GPL-3.0-or-later
# Recordings as they should not be: the fit ends with a report or with one clear sentence, soon, and
# never with a number that isn't one; what is wrong is told; what can still be known is right.
set -u
scratch=$(mktemp -d /tmp/wetsweep-bad-XXXXXX)
trap 'rm -rf "$scratch"' EXIT
cd "$scratch" || exit 1
profiles=$WETSWEEP_SOURCE/profiles
cat >short.profile <<'EOF2'
start at 10 mm
stairs from 10 mm to 150 mm in 7 steps, hold 3 s, up and down
each speed 10, 20, 40 mm/s
  repeat 2
    ramp to 150 mm at speed
    hold 2 s
    ramp to 10 mm at speed
    hold 4 s
  end
end
repeat 3
  step to 120 mm
  hold 3 s
  step to 30 mm
  hold 4 s
end
EOF2
"$WETSWEEP" run short.profile --rig "$profiles/bench.rig" --bench "$profiles/harbour-b-bare.bench" --board WS-B-0007 \
    --revision B --out good.recording >/dev/null || exit 1
python3 - <<'PYTHON'
import json, math, os, shutil, subprocess, sys
program, failed = os.environ['WETSWEEP'], 0
def check(good, text):
    global failed
    if not good:
        failed = 1
        print(text)
header, *good = open('good.recording/board.csv', newline='').read().split('\r\n')[:-1]
rows = [row.split(',') for row in good]
TRUTH = {'sensitivity': 0.021 - 2 * 9.5e-6 * 80, 'lag_falling': 0.31, 'lag_rising': 0.08, 'hysteresis_at_rest': 0.4}
def write(folder, lines, head=header, end='\r\n'):
    with open(folder + '/board.csv', 'w', newline='') as file:
        file.write(end.join([head, *lines]) + end)
def column(change):
    """Every row with its reading changed."""
    return lambda folder: write(folder, [','.join([r[0], r[1], change(i, r[2])] + r[3:]) for i, r in enumerate(rows)])
def text(name, change):
    def edit(folder):
        path = folder + '/' + name
        before = open(path, newline='').read()
        open(path, 'w', newline='').write(change(before))
    return edit
n = len(rows)
top = max(float(r[2]) for r in rows)
cases = {
    # name: (what is done to it, results that still have to be right, words that have to be told)
    'gaps': (lambda f: write(f, [g for i, g in enumerate(good) if i % 3000 > 700]), ['sensitivity'], 'rows are missing in 7 places, 49.'),
    'repeated times': (lambda f: write(f, [x for g in good for x in (g, g)]), list(TRUTH), '50 % of the rows bear the time of the row before'),
    'backward times': (lambda f: write(f, good[:5000] + good[4900:]), ['sensitivity'], 'time stepped back'),
    'rows in disorder': (lambda f: write(f, [g for i in range(0, n - 1, 2) for g in (good[i + 1], good[i])]), ['sensitivity'], 'time stepped back'),
    'no readings now and then': (column(lambda i, v: '' if i % 5 == 0 else v), list(TRUTH), "'level' has no value in 20 % of the rows"),
    'words for readings': (column(lambda i, v: 'nan' if i % 7 == 0 else v), ['sensitivity'], 'malformed'),
    'infinite readings': (column(lambda i, v: '1e999' if i % 7 == 0 else v), ['sensitivity'], 'malformed'),
    'huge readings': (column(lambda i, v: '1e300' if i == 4000 else v), [], ''),
    'never changes': (column(lambda i, v: '1.25'), [], "'level' never changes: it is 1.25"),
    'no values at all': (column(lambda i, v: ''), [], "'level' has no value in any row"),
    'saturated': (column(lambda i, v: f'{min(float(v), 0.7 * top):.4f}'), ['lag_falling', 'lag_rising', 'hysteresis_at_rest'], 'it is saturated there'),
    'saturated below': (column(lambda i, v: f'{max(float(v), 0.4 * top):.4f}'), ['lag_falling', 'lag_rising', 'hysteresis_at_rest'], 'its lowest, with falling water'),
    'all zero': (column(lambda i, v: '0'), [], ''),
    'no rows': (lambda f: write(f, []), [], 'holds no rows'),
    'one row': (lambda f: write(f, good[:1]), [], 'the rows end'),
    'a late start': (lambda f: write(f, good[2000:]), list(TRUTH), 'the rows begin 1'),
    'empty file': (lambda f: open(f + '/board.csv', 'w').close(), [], 'holds no rows'),
    'cut last line': (lambda f: open(f + '/board.csv', 'a').write('99.1,3'), list(TRUTH), 'cut off'),
    'a column too many': (lambda f: write(f, [g + ',7' for g in good], header + ',extra'), list(TRUTH), 'has 1 column more than the rig file'),
    'a column too few': (lambda f: write(f, [g.rsplit(',', 1)[0] for g in good], header.rsplit(',', 1)[0]), None, 'board.csv'),
    'no end of lines': (lambda f: write(f, good, end='\n'), list(TRUTH), ''),
    'bytes of noise': (lambda f: open(f + '/board.csv', 'ab').write(bytes(range(256)) * 40), list(TRUTH), 'malformed'),
    'half the run': (lambda f: write(f, good[:n // 2]), ['sensitivity'], 'the rows end 110'),
    'no strokes': (text('strokes.csv', lambda t: t.split('\r\n')[0] + '\r\n'), [], ''),
    'no motion': (text('motion.csv', lambda t: t.split('\r\n')[0] + '\r\n'), ['sensitivity'], ''),
    'strokes that end before they begin': (text('strokes.csv', lambda t: t.replace('\r\n2', '\r\n2,1,9,9,1\r\n2')), [], ''),
    'no table': (lambda f: os.remove(f + '/board.csv'), None, 'board.csv'),
    'no strokes.csv': (lambda f: os.remove(f + '/strokes.csv'), None, 'strokes.csv'),
    'no run.json': (lambda f: os.remove(f + '/run.json'), None, 'run.json'),
    'half of run.json': (text('run.json', lambda t: t[:len(t) // 2]), None, 'run.json'),
}
def numbers(value):
    if isinstance(value, dict):
        for one in value.values():
            yield from numbers(one)
    elif isinstance(value, list):
        for one in value:
            yield from numbers(one)
    elif isinstance(value, float):
        yield value
for name, (spoil, right, words) in cases.items():
    folder = name.replace(' ', '-') + '.recording'
    shutil.copytree('good.recording', folder)
    spoil(folder)
    try:
        done = subprocess.run([program, 'fit', folder, '--no-ledger'], capture_output=True, text=True, timeout=100)
    except subprocess.TimeoutExpired:
        check(False, f'{name}: does not end')
        continue
    said = done.stdout + done.stderr
    check(words in said, f'{name}: nothing of "{words}" in:\n{said[:1500]}')
    if right is None:
        check(done.returncode in (1, 2) and done.stderr.startswith('wetsweep: ') and len(done.stderr.splitlines()) == 1,
              f'{name}: status {done.returncode}: {said[:800]}')
        continue
    check(done.returncode == 0, f'{name}: status {done.returncode}: {said[:800]}')
    if done.returncode:
        continue
    whole = open(folder + '/results.json').read()
    check('NaN' not in whole and 'Infinity' not in whole, f'{name}: results.json has numbers that are none')
    results = json.loads(whole)['results']
    check(all(math.isfinite(x) for x in numbers(results)), f'{name}: a result is not finite')
    for key, result in results.items():
        check(result['value'] is not None or result.get('reason'), f'{name}: {key} has neither value nor reason')
    for key in right:
        r = results[key]
        half = (r['high_95'] - r['low_95']) / 2 if r['low_95'] is not None else None
        check(half is not None and abs(r['value'] - TRUTH[key]) < 3 * half + 1e-6,
              f'{name}: {key} {r["value"]} +- {half}, truth {TRUTH[key]} {r.get("reason", "")}')
    # Where nothing can be known there must be no number either.
    if name == 'gaps':
        check('rows missing (7)' in open(folder + '/report.html').read(), f'{name}: no event in the report')
    if name == 'saturated':
        step = results['step_lag_rising']
        check(step['value'] is None and 'saturated' in step['reason'], f'{name}: step {step}')
        step = results['link_dead_time_controller']
        check(step['value'] is None and 'saturated' in step['reason'], f'{name}: step of the controller {step}')
        check(results['reading_high']['value'] < 0.7 * top, f'{name}: the curve goes on: {results["reading_high"]}')
    if name in ('never changes', 'no values at all', 'all zero', 'no rows', 'one row', 'no strokes'):
        for key in TRUTH:
            check(results[key]['value'] is None, f'{name}: {key} is {results[key]["value"]}')
    shutil.rmtree(folder)
print(f'{len(cases)} recordings')
sys.exit(failed)
PYTHON
