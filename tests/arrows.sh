#!/usr/bin/env bash
# SPDX-License-Identifier: GPL-3.0-or-later
# A module that reaches for a module above it must fail to build. Each forbidden
# include is tried with just the include paths that the module gets, and each
# allowed one too, so that the test can't pass because nothing compiles.
set -u
source_dir=$1 build_dir=$2 compiler=$3
include=$build_dir/include
failed=0
scratch=$(mktemp -d)
trap 'rm -rf "$scratch"' EXIT

try() { # expected(0|1) header folders...
    local expected=$1 header=$2 flags=()
    shift 2
    for folder in "$@"; do flags+=("-I$include/$folder"); done
    printf '#include "%s"\n' "$header" >"$scratch/try.c"
    "$compiler" -std=c17 -D_POSIX_C_SOURCE=200809L -fsyntax-only "${flags[@]}" \
        "$scratch/try.c" 2>/dev/null
    local got=$?
    [ $((got != 0)) -eq "$expected" ] && return
    echo "including $header with the paths of '$*': expected $expected, got $got"
    failed=1
}
try 0 base/err.h base
try 1 motion/plan.h base
try 1 results/recording.h base
try 0 motion/plan.h base motion
try 1 results/recording.h base motion
try 1 rig/transport.h base motion
try 0 results/recording.h base motion results
try 1 rig/transport.h base motion results
try 0 rig/transport.h base motion results rig

if grep -rnE '#include "(\.\.?/|/)' "$source_dir"/rig "$source_dir"/motion "$source_dir"/results; then
    echo "a relative include walks around the module paths"
    failed=1
fi
# Estimators and wire protocols open nothing, sleep nowhere and read no clock.
if grep -nE '\b(clock_gettime|gettimeofday|nanosleep|usleep|sleep|time\(NULL\)|time\(0\))\b' \
    "$source_dir"/motion/*.c "$source_dir"/results/*.c; then
    echo "a core reads a clock or sleeps"
    failed=1
fi
exit $failed
