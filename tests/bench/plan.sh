#!/usr/bin/env bash
# SPDX-License-Identifier: GPL-3.0-or-later
# How long planning takes and how much memory, by the shipped program, for ten hours
# that unfold to a million lines of motion or more: repeated sines, a row of short
# ramps, and a recorded trace in which no line is like another.
#   tests/bench/plan.sh [PROGRAM]     (default: build/release/wetsweep)
set -eu
top=$(cd "$(dirname "$0")/../.." && pwd)
program=${1:-$top/build/release/wetsweep}
rig=$top/profiles/bench.rig
scratch=$(mktemp -d)
trap 'rm -rf "$scratch"' EXIT

cat >"$scratch/sines.profile" <<'END'
title "Ten hours of sines and ramps"
start at 10 mm
repeat for 10 h
  sine about 80 mm amplitude up to 15 mm from 0.1 Hz to 3 Hz in 8 frequencies, 20 cycles each
  each speed 10, 20, 40 mm/s
    ramp to 150 mm at speed
    hold 2 s
    ramp to 10 mm at speed
    hold 2 s
  end
end
END
cat >"$scratch/ramps.profile" <<'END'
title "Ten hours of short ramps"
start at 10 mm
repeat 600000
  ramp to 10.21 mm at 50 mm/s
  ramp to 10 mm at 50 mm/s
end
END
# An invented swell: two waves that never repeat, from calm to calm.
awk 'BEGIN {
    print "t_s,depth_mm"; pi = atan2(0, -1); n = 72000
    for (i = 0; i < n; i++) {
        t = i / 2; e = i < n - 1 - i ? i / 40 : (n - 1 - i) / 40; if (e > 1) e = 1
        printf "%.1f,%.3f\n", t, 80 + e * e * (7 * sin(2 * pi * t / 11) + 2 * sin(2 * pi * t / 7.3 + 1))
    }
}' >"$scratch/swell.csv"
printf 'title "Ten hours of swell"\nstart at 80 mm\nfollow "swell.csv"\n' >"$scratch/swell.profile"

printf '%-10s %12s %12s %10s %10s\n' profile lines duration_s best_s peak_MiB
for name in sines ramps swell; do
    measured=$(python3 - "$program" "$scratch/$name.profile" "$rig" "$scratch/out.json" <<'END'
import resource, subprocess, sys, time
best = 1e9
for _ in range(5):
    begin = time.perf_counter()
    subprocess.run([sys.argv[1], "plan", sys.argv[2], "--rig", sys.argv[3], "--json"],
                   stdout=open(sys.argv[4], "w"), check=True)
    best = min(best, time.perf_counter() - begin)
peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
print(f"{best:10.2f} {peak:10.1f}")
END
    )
    lines=$(grep -o '"line_count": [0-9]*' "$scratch/out.json" | grep -o '[0-9]*$')
    duration=$(grep -o '^ "duration_s": [0-9.]*' "$scratch/out.json" | grep -o '[0-9.]*$')
    printf '%-10s %12s %12s %s\n' "$name" "$lines" "$duration" "$measured"
done
