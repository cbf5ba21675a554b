#!/usr/bin/env bash
# SPDX-License-Identifier: GPL-3.0-or-later
# How fast the ledger answers, by the shipped program: list and trend with 100,000
# recordings in it, and how long it takes to make one anew from 1,000 fitted recordings (of
# which it reads run.json and results.json; only those are copied here). Each the best of
# ten, and the least time of the processor; the first run after the file was made is told too.
#   tests/bench/ledger.sh [BUILD]     (default: build/release)
set -eu
top=$(cd "$(dirname "$0")/../.." && pwd)
build=${1:-$top/build/release}
program=$build/wetsweep
profiles=$top/profiles
scratch=$(mktemp -d)
trap 'rm -rf "$scratch"' EXIT
cd "$scratch"
unset WETSWEEP_LEDGER

"$program" run "$profiles/first-dip.profile" --rig "$profiles/bench.rig" \
    --bench "$profiles/harbour-b-bare.bench" --board WS-B-0007 --revision B \
    --out first.recording >/dev/null
"$program" fit first.recording --no-ledger >/dev/null
mkdir large fitted
"$build/tests/bench_ledger" large/wetsweep.ledger 100000 first.recording/results.json
ls -l large/wetsweep.ledger | awk '{printf "%.0f MB\n", $5 / 1e6}'
python3 - first.recording <<'PYTHON'
import json, os, shutil, sys
run = json.load(open(sys.argv[1] + '/run.json'))
results = json.load(open(sys.argv[1] + '/results.json'))
for i in range(1000):
    folder = f'fitted/{i:04d}.recording'
    os.mkdir(folder)
    run['started'] = results['started'] = f'2026-{1 + i // 84:02d}-{1 + i % 28:02d}T{i % 24:02d}:{i % 60:02d}:00Z'
    run['note'] = results['note'] = f'number {i}'
    json.dump(run, open(folder + '/run.json', 'w'), indent=2)
    json.dump(results, open(folder + '/results.json', 'w'), indent=2)
PYTHON
best() { # name, then the command
    local name=$1
    shift
    python3 - "$name" "$@" <<'PYTHON'
import resource, subprocess, sys, time
times, busy, before = [], [], 0
for _ in range(10):
    begin = time.perf_counter()
    out = subprocess.run(sys.argv[2:], stdout=subprocess.PIPE, check=True).stdout
    times.append(time.perf_counter() - begin)
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    busy.append(used.ru_utime + used.ru_stime - before)
    before = used.ru_utime + used.ru_stime
print(f'{sys.argv[1]:24s} {min(times):7.3f} s, {min(busy):.3f} s of it computing '
      f'(first {times[0]:.3f} s, {out.count(10)} lines)')
PYTHON
}
cd large
best "list, all" "$program" ledger list
best "list --board" "$program" ledger list --board WS-B-0107
best "list --since --until" "$program" ledger list --since 2030-01 --until 2030-03
best "trend --board" "$program" ledger trend hysteresis_at_rest --board WS-B-0107 --picture t.svg
best "trend, all boards" "$program" ledger trend hysteresis_at_rest --picture t.svg
best "show" "$program" ledger show 50000
cd ../fitted
best "rebuild of 1000" "$program" ledger rebuild .
