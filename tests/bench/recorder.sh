#!/usr/bin/env bash
# SPDX-License-Identifier: GPL-3.0-or-later
# The recorder at speed beside a bare loop that only polls, reads and stamps, each over pseudo-terminals:
# lines lost, how late stamps are, CPU used.   tests/bench/recorder.sh [SECONDS]   (20; needs build/release)
set -u
top=$(cd "$(dirname "$0")/../.." && pwd)
seconds=${1:-20}
failed=0
for case in "--rate 1000 --busy" "--rate 50000" "--rate 10000 --ports 4"; do
    for bare in --bare ""; do
        # shellcheck disable=SC2086
        "$top/build/release/tests/bench_recorder" --seconds "$seconds" $case $bare || failed=1
    done
done
exit $failed
