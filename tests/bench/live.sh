#!/usr/bin/env bash
# SPDX-License-Identifier: GPL-3.0-or-later
# Do viewers of the live page disturb a run? A board of 1000 lines a second on the simulated
# bench in real time over pseudo-terminals, half a minute with 20 viewers and half without: lines
# lost, how late rows are stamped (over the earliest of all, by the board's clock), and what the run
# takes of a processor. Needs build/release; python3.
set -eu
top=$(cd "$(dirname "$0")/../.." && pwd)
wetsweep=$top/build/release/wetsweep
scratch=$(mktemp -d)
trap 'kill $(jobs -p) 2>/dev/null; rm -rf "$scratch"' EXIT
cd "$scratch"
sed 's/line          every 10 ms, delay 0.8 ms, spread 0.3 ms/line every 1 ms/' "$top/profiles/harbour-b-bare.bench" >fast.bench
sed 's/rate          100 Hz/rate 1000 Hz/' "$top/profiles/bench.rig" >fast.rig
printf 'start at 20 mm\nrepeat 7\n  ramp to 80 mm at 40 mm/s\n  hold 0.5 s\n  ramp to 20 mm at 40 mm/s\n  hold 0.5 s\nend\n' >half.profile
for viewers in 0 20; do
    rm -rf ports
    "$wetsweep" simulate --bench fast.bench --rig fast.rig --links ports >/dev/null 2>&1 &
    bench=$!
    while [ ! -e ports/board ]; do sleep 0.05; done
    "$wetsweep" run half.profile --rig fast.rig --ports ports --board WS-B-0007 --revision B \
        --watch 127.0.0.1:0 --out $viewers.recording >$viewers.log &
    run=$!
    while ! grep -q '^Token' $viewers.log; do sleep 0.05; done
    url=$(sed -n 's/^The run is shown at //p' $viewers.log)
    python3 - "$url" "$viewers" <<'PYTHON' &
import json, sys, threading, time, urllib.request
# As the page asks: twice a second for what is new, each fifth second for the whole.
def view(url):
    depths = readings = events = turn = 0
    try:
        while True:
            ask = f'{url}state?depths={depths}&readings={readings}&events={events}' + ('&whole=1' if turn % 10 == 0 else '')
            state = json.load(urllib.request.urlopen(ask, timeout=5))
            depths, readings, events = (state[k]['count'] for k in ('depth', 'reading', 'events'))
            turn += 1
            time.sleep(0.5)
    except OSError:
        pass
for _ in range(int(sys.argv[2])):
    threading.Thread(target=view, args=(sys.argv[1],)).start()
PYTHON
    sleep 20
    read -r -a cpu <"/proc/$run/stat"
    echo "$viewers $((cpu[13] + cpu[14]))" >>ticks
    wait $run || { echo "the run beside $viewers viewers failed:"; cat $viewers.log; exit 1; }
    kill $bench
    wait $bench || [ $? -eq 143 ] # ended by the signal just sent, and by nothing else
done
python3 - <<'PYTHON'
import csv, json
ticks = dict(line.split() for line in open('ticks'))
print('viewers     rows   lost   malformed  stamps late: median      99 %   largest   processor')
for viewers in ('0', '20'):
    summary = json.load(open(viewers + '.recording/run.json'))['summary']
    rows = [(float(r['t_s']), float(r['device_s'])) for r in csv.DictReader(open(viewers + '.recording/board.csv'))]
    # The board's clock against this one: a straight line below all rows (its skew is 18 ppm).
    late = [t - d * (1 - 18e-6) for t, d in rows]
    least = min(late)
    late = sorted(1000 * (x - least) for x in late)
    source = summary['sources'][0]
    print(f'{viewers:>7} {len(rows):>8} {summary["lost"] if "lost" in summary else 0:>6} {source["malformed"]:>11}'
          f' {late[len(late) // 2]:>18.3f} ms {late[len(late) * 99 // 100]:>6.3f} ms {late[-1]:>6.2f} ms'
          f' {int(ticks[viewers]) / 20:>8.1f} %')
PYTHON
