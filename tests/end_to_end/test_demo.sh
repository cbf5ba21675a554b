#!/usr/bin/env bash
# SPDX-License-Identifier: GPL-3.0-or-later
# The demonstration from its first command to its last: it ends well, leaves what it says, and most
# intervals hold the truth (of some 28, one in twenty may miss; four would be 1 in 30 times).
set -u
scratch=$(mktemp -d /tmp/wetsweep-demo-XXXXXX)
trap 'rm -rf "$scratch"' EXIT
cd "$scratch" || exit 1
"$WETSWEEP" demo --out out >demo.txt 2>demo.err || { tail -n 30 demo.txt demo.err; exit 1; }
[ -s demo.err ] && { cat demo.err; exit 1; }
python3 - <<'PYTHON'
import glob, re
text = open('demo.txt').read()
told = re.findall(r'^(\d+) of (\d+) intervals hold the truth', text, re.M)
assert len(told) == 2, told
held, of = (sum(int(pair[i]) for pair in told) for i in (0, 1))
print(f'{held} of {of} intervals hold the truth')
assert of >= 24 and of - held <= 3, told
for name in ('bare.recording/report.html', 'comparison.html', 'revision.html', 'plan.svg', 'wetsweep.ledger',
             'level_b.c', 'level_b.h', 'production.recording/judgement.json'):
    assert len(glob.glob('out/demo-*/' + name)) == 1, name
assert 'PASS by' in text and re.search(r'Lag with falling water, s .* lower', text), 'no verdict'
PYTHON
