#!/usr/bin/env bash
# SPDX-License-Identifier: GPL-3.0-or-later
# Every command of the manual, in its order, as it stands; and every page that it names is there.
set -u
scratch=$(mktemp -d /tmp/wetsweep-manual-XXXXXX)
trap 'rm -rf "$scratch"' EXIT
cd "$scratch" || exit 1
manual=$WETSWEEP_SOURCE/docs/manual.md
ln -s "$WETSWEEP_SOURCE/profiles" profiles
mkdir bin && ln -s "$WETSWEEP" bin/wetsweep
export PATH=$scratch/bin:$PATH
sed -n 's/^    \(wetsweep .*\)/\1/p' "$manual" >commands
[ "$(wc -l <commands)" -ge 20 ] || { echo "the manual has $(wc -l <commands) commands only"; exit 1; }
while read -r line; do
    bash -c "$line" >out.txt 2>&1 || { echo "$line"; tail -n 20 out.txt; exit 1; }
done <commands
for made in bare.recording/report.html comparison.html revision.html level_b.c trend.svg dip.recording/judgement.json; do
    [ -s "$made" ] || { echo "the manual's commands leave no $made"; exit 1; }
done
grep -oE '\]\([a-z_]+\.md\)' "$manual" | tr -d '()]' | sort -u | while read -r page; do
    [ -e "$WETSWEEP_SOURCE/docs/$page" ] || { echo "the manual names $page, which is not there"; exit 1; }
done || exit 1
for profile in $(grep -oE 'profiles/[a-z.-]+\.(profile|rig|bench|limits|axis)' "$manual" | sort -u); do
    [ -e "$profile" ] || { echo "the manual names $profile, which is not there"; exit 1; }
done
