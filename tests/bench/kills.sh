#!/usr/bin/env bash
# SPDX-License-Identifier: GPL-3.0-or-later
# The run killed at random moments, each time in mid-run over pseudo-terminals: is every recording
# readable, is run.json whole, how much is missing? kill -9 of `wetsweep run`, eight benches at a time.
#   tests/bench/kills.sh [KILLS]     (1000: about 9 minutes; needs build/release)
set -eu
top=$(cd "$(dirname "$0")/../.." && pwd)
scratch=$(mktemp -d)
trap 'rm -rf "$scratch"' EXIT
python3 - "$top" "$scratch" "${1:-1000}" <<'PYTHON'
import json, os, random, signal, subprocess, sys, threading, time
top, scratch, kills = sys.argv[1], sys.argv[2], int(sys.argv[3])
program, profiles = top + '/build/release/wetsweep', top + '/profiles'
AT_ONCE, seed = 8, 1
profile = scratch + '/long.profile'
open(profile, 'w').write('start at 20 mm\nrepeat 30\n  ramp to 60 mm at 40 mm/s\n  hold 0.3 s\n  ramp to 20 mm at 40 mm/s\n  hold 0.3 s\nend\n')
print(f'{kills} kills, seed {seed}')
lock, left, found = threading.Lock(), list(range(kills)), []
moments = random.Random(seed)
moments = [moments.uniform(0.05, 4.5) for _ in range(kills)]
quiet = {'stdout': subprocess.DEVNULL, 'stderr': subprocess.DEVNULL}
def one(number):
    folder, links = f'{scratch}/{number}.recording', f'{scratch}/{number}.ports'
    bench = subprocess.Popen([program, 'simulate', '--bench', profiles + '/harbour-b-bare.bench', '--rig', profiles + '/bench.rig', '--links', links], **quiet)
    while not os.path.exists(links + '/board'):
        time.sleep(0.01)
    run = subprocess.Popen([program, 'run', profile, '--rig', profiles + '/bench.rig', '--ports', links, '--board', 'WS-B-0007',
                            '--revision', 'B', '--out', folder], **quiet)
    while not os.path.exists(folder + '/run.json') and run.poll() is None:
        time.sleep(0.002)
    if not os.path.exists(folder + '/run.json'): # its pseudo-terminal was another run's before
        bench.terminate()
        bench.wait()
        return one(number)
    begun = time.monotonic()
    time.sleep(moments[number])
    run.send_signal(signal.SIGKILL)
    run.wait()
    ran = time.monotonic() - begun
    bench.terminate()
    bench.wait()
    state = whole = None
    try:
        state = json.load(open(folder + '/run.json'))['state']
        whole = True
    except (OSError, ValueError):
        whole = False
    fit = subprocess.run([program, 'fit', folder, '--no-ledger'], capture_output=True, text=True)
    lines = open(folder + '/board.csv', newline='').read().split('\r\n')[1:-1]
    last = float(lines[-1].split(',')[0]) if lines else 0
    result = (number, whole, state, fit.returncode, fit.stderr, ran - last)
    subprocess.run(['rm', '-rf', folder, links])
    return result
def work():
    while True:
        with lock:
            if not left:
                return
            number = left.pop()
        result = one(number)
        with lock:
            found.append(result)
threads = [threading.Thread(target=work) for _ in range(AT_ONCE)]
for thread in threads:
    thread.start()
for thread in threads:
    thread.join()
missing = sorted(r[5] for r in found)
bad = [r for r in found if not r[1] or r[3] != 0]
print(f'run.json whole:          {sum(1 for r in found if r[1])} of {len(found)}; states: {sorted(set(str(r[2]) for r in found))}')
print(f'recording fitted:        {sum(1 for r in found if r[3] == 0)} of {len(found)}')
print(f'missing at the end, s:   median {missing[len(missing) // 2]:.2f}, 99 % {missing[len(missing) * 99 // 100]:.2f}, most {missing[-1]:.2f}')
for r in bad[:10]:
    print(r)
sys.exit(1 if bad else 0)
PYTHON
