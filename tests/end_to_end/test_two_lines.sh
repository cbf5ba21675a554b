#!/usr/bin/env bash
# SPDX-License-Identifier: GPL-3.0-or-later
# Sensor and controller on lines of their own, the controller's 5 ms late and known to be 0 to 10 ms
# late: what it lags behind the sensor holds both delays in its budget, its time constant does not,
# and the actuator on the controller's line does not. The truth is what one line says of the same
# motion.
set -u
scratch=$(mktemp -d /tmp/wetsweep-two-lines-XXXXXX)
trap 'rm -rf "$scratch"' EXIT
cd "$scratch" || exit 1
profiles=$WETSWEEP_SOURCE/profiles
"$WETSWEEP" run "$profiles/first-dip.profile" --rig "$profiles/bench.rig" \
    --bench "$profiles/harbour-b-bare.bench" --board WS-B-0007 --revision B --out one.recording >/dev/null &&
    "$WETSWEEP" fit one.recording >/dev/null || exit 1
cp -r one.recording two.recording

python3 - <<'PYTHON' || exit 1
import json
folder = 'two.recording/'
rows = [line.split(',') for line in open(folder + 'board.csv', newline='').read().split('\r\n') if line]
with open(folder + 'board.csv', 'w', newline='') as f:
    f.writelines(','.join([r[0], r[1], r[2], r[5]]) + '\r\n' for r in rows)
with open(folder + 'relay.csv', 'w', newline='') as f:
    f.write('t_s,device_s,command,horn\r\n')
    f.writelines(f'{float(r[0]) + 0.005:.6f},,{r[3]},{r[4]}\r\n' for r in rows[1:])
meta = json.load(open(folder + 'csv-metadata.json'))
board = next(t for t in meta['tables'] if t['url'] == 'board.csv')
relay = json.loads(json.dumps(board))
relay['url'] = 'relay.csv'
def keep(table, names):
    columns = table['tableSchema']['columns']
    table['tableSchema']['columns'] = [c for c in columns if c['name'] in names]
keep(board, ('t_s', 'device_s', 'level', 'water'))
keep(relay, ('t_s', 'device_s', 'command', 'horn'))
meta['tables'].append(relay)
json.dump(meta, open(folder + 'csv-metadata.json', 'w'))
run = json.load(open(folder + 'run.json'))
lines = run['rig'].split('\n')
moved = [l for l in lines if 'channel command' in l or 'channel horn' in l]
kept = [l.replace('column 5', 'column 3') for l in lines if l not in moved]
run['rig'] = '\n'.join(kept + ['source relay', '  port relay', '  line csv', '  rate 100 Hz',
                               '  delay 0 ms to 10 ms',
                               '  channel command  column 1 in us  role controller',
                               '  channel horn     column 2 in us  role actuator', 'end', ''])
json.dump(run, open(folder + 'run.json', 'w'))
PYTHON
"$WETSWEEP" fit two.recording >fit.txt 2>&1 || { cat fit.txt; exit 1; }

python3 - <<'PYTHON'
import json
failed = 0
def check(good, text):
    global failed
    if not good:
        failed = 1
        print(text)
one, two = (json.load(open(n + '.recording/results.json'))['results'] for n in ('one', 'two'))
def half(r):
    return (r['high_95'] - r['low_95']) / 2
def parts(r):
    return [part['name'] for part in r['budget']]
for name in ('link_lag_controller', 'link_dead_time_controller', 'link_step_lag_controller'):
    a, b = one[name], two[name]
    print(name, a['value'], half(a), b['value'], half(b), parts(b))
    check(abs(a['value'] - b['value']) < half(b), f'{name}: {b["value"]} beside {a["value"]}')
    # anywhere in 10 ms: at least 0.95 x 5 ms to each side
    check(half(b) > 0.00475, f'{name}: +-{half(b)} cannot hold a delay of 0 to 10 ms')
    check("delay of the controller's line" in parts(b) and
          not any('delay' in part for part in parts(a)), f'{name}: {parts(a)}, {parts(b)}')
for name in ('link_time_constant_controller', 'link_lag_actuator', 'link_dead_time_actuator'):
    a, b = one[name], two[name]
    print(name, a['value'], half(a), b['value'], half(b), parts(b))
    check(abs(a['value'] - b['value']) < half(a) + half(b), f'{name}: {b["value"]} beside {a["value"]}')
    check(not any('delay' in part for part in parts(b)), f'{name}: {parts(b)}')
raise SystemExit(failed)
PYTHON
