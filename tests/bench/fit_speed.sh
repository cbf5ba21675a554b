#!/usr/bin/env bash
# SPDX-License-Identifier: GPL-3.0-or-later
# How long does a fit take, and how much memory, beside a script with pandas and numpy that reads in
# chunks and does a small part of it (binned curve, straightness, loop widths, lag)? Recordings at
# 1 kHz of four columns, invented, at three sizes, and one of as many rows in short strokes. All in one
# call, medians of three; the recordings are removed. Needs build/release, python3-pandas, 2 GB of disk.
#   tests/bench/fit_speed.sh [ROWS...]
set -eu
top=$(cd "$(dirname "$0")/../.." && pwd)
scratch=$(mktemp -d)
trap 'rm -rf "$scratch"' EXIT
cat >"$scratch/chunked.py" <<'PYTHON'
import sys
import numpy as np
import pandas as pd
folder = sys.argv[1]
motion = pd.read_csv(folder + '/motion.csv', usecols=['t_s', 'depth_mm'])
t, depth = motion['t_s'].to_numpy(), motion['depth_mm'].to_numpy()
bins = np.linspace(0, 160, 161)
count, total = np.zeros((2, 160)), np.zeros((2, 160))
shift, pieces = [], 0
for chunk in pd.read_csv(folder + '/board.csv', chunksize=2_000_000):
    at = chunk['t_s'].to_numpy()
    where = np.interp(at, t, depth)
    speed = np.gradient(where, at)
    reading = chunk['level'].to_numpy()
    for way in (0, 1):
        moving = speed > 1 if way == 0 else speed < -1
        place = np.clip(np.digitize(where[moving], bins) - 1, 0, 159)
        count[way] += np.bincount(place, minlength=160)
        total[way] += np.bincount(place, weights=reading[moving], minlength=160)
    pieces += 1
mean = total / np.maximum(count, 1)
good = (count > 0).all(axis=0)
centre = (bins[:-1] + bins[1:]) / 2
middle = mean[:, good].mean(axis=0)
line = np.polyfit(centre[good], middle, 1)
off = middle - np.polyval(line, centre[good])
width = mean[1, good] - mean[0, good]
print(len(off), np.abs(off).max(), width.mean() / line[0])
PYTHON
cat >"$scratch/measure.py" <<'PYTHON'
import os, resource, statistics, subprocess, sys, time
folder, program, script = sys.argv[1:4]
def run(*command):
    walls, cpus, memory = [], [], 0
    for _ in range(3):
        child = os.fork()
        if child == 0:
            begun = time.monotonic()
            subprocess.run(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=True)
            used = resource.getrusage(resource.RUSAGE_CHILDREN)
            open(folder + '/.measured', 'w').write(f'{time.monotonic() - begun} {used.ru_utime + used.ru_stime} {used.ru_maxrss / 1024}')
            os._exit(0)
        os.waitpid(child, 0)
        wall, cpu, rss = map(float, open(folder + '/.measured').read().split())
        walls.append(wall)
        cpus.append(cpu)
        memory = max(memory, rss)
    return statistics.median(walls), statistics.median(cpus), memory
run('cat', folder + '/board.csv')
bytes_s = run('cat', folder + '/board.csv')[0]
fit = run(program, 'fit', folder, '--no-ledger')
other = run('/usr/bin/python3', script, folder)
size = os.path.getsize(folder + '/report.html')
print(f'{os.path.getsize(folder + "/board.csv") / 1e6:9.0f} {bytes_s:8.2f} {fit[0]:8.2f} {fit[1]:8.2f} {fit[2]:8.0f}'
      f' {other[0]:12.2f} {other[1]:8.2f} {other[2]:8.0f} {other[0] / fit[0]:9.1f} {size / 1e6:10.2f}')
PYTHON
echo '                     bytes       fit      fit      fit      script   script   script    script/'
echo 'rows            MB    read s    s        cpu s    MiB      s        cpu s    MiB      fit  report MB'
for rows in "${@:-3600000}"; do sizes="${sizes:-} $rows"; done
[ $# -gt 0 ] || sizes='3600000 14400000 43200000 43200000:many'
for size in $sizes; do
    many=
    [ "${size#*:}" = many ] && many=many
    "$top/build/release/tests/bench_make_recording" "$scratch/made" "${size%:*}" $many >/dev/null
    printf '%-15s' "$size"
    python3 "$scratch/measure.py" "$scratch/made" "$top/build/release/wetsweep" "$scratch/chunked.py"
    rm -rf "$scratch/made"
done
