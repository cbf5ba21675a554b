#!/usr/bin/env bash
# SPDX-License-Identifier: GPL-3.0-or-later
# What the program says of itself: the man page is made of it and is well formed, both shells
# complete from it, and the example of every command runs as it stands.
set -u
scratch=$(mktemp -d /tmp/wetsweep-help-XXXXXX)
trap 'rm -rf "$scratch"' EXIT
cd "$scratch" || exit 1
fail() { echo "$*"; exit 1; }
ln -s "$WETSWEEP_SOURCE/profiles" profiles
mkdir bin && ln -s "$WETSWEEP" bin/wetsweep
export PATH=$scratch/bin:$PATH

python3 "$WETSWEEP_SOURCE/docs/man.py" wetsweep >man.1 || fail "the man page can't be made"
cmp man.1 "$WETSWEEP_SOURCE/docs/wetsweep.1" ||
    fail "docs/wetsweep.1 is not what the program says: docs/man.py build/release/wetsweep >docs/wetsweep.1"
mandoc -T lint -W warning man.1 >lint.txt 2>&1
grep -v 'missing date' lint.txt | grep . && fail "the man page is not well formed"
for command in $(wetsweep --help | sed -n 's/^  \([a-z]\{3,\}\) .*/\1/p'); do
    mandoc -T ascii man.1 | col -b | grep -q "^${command^^}\$" || fail "the man page lacks $command"
done

# bash, as its completion calls the function
complete_bash() {
    bash -c 'source "$1"; shift; COMP_WORDS=("$@"); COMP_CWORD=$(($# - 1)); _wetsweep; printf "%s\n" "${COMPREPLY[@]}"' \
        bash "$WETSWEEP_SOURCE/rig/completion/wetsweep.bash" "$@"
}
[ "$(complete_bash wetsweep com)" = compare ] || fail "bash does not complete 'com': $(complete_bash wetsweep com)"
complete_bash wetsweep run --pat | grep -qx -- --patience || fail "bash does not complete run --pat"
complete_bash wetsweep judge prof | grep -qx profiles || fail "bash completes no files"
[ "$(complete_bash wetsweep curve --as j)" = json ] || fail "bash does not complete --as"
zsh -n "$WETSWEEP_SOURCE/rig/completion/_wetsweep" || fail "zsh can't read its completion"
zsh -f -c '
    found_all=()
    _describe() { found_all=("${(@P)2}") }
    _files() { found_all=(files) }
    try() { words=("$@"); CURRENT=$#words; source '"$WETSWEEP_SOURCE"'/rig/completion/_wetsweep; print -l -- "${found_all[@]}" }
    try wetsweep com | grep -q "^compare:" && try wetsweep run --p | grep -qx -- --patience && try wetsweep fit x | grep -qx files
' || fail "zsh does not complete"

# Every example, as it stands.
example() { wetsweep "$1" --help | awk '/^example: /{on=1; sub(/^example: /,"")} on{print; on=/\\$/}'; }
wetsweep ports >/dev/null || fail "ports"
for seed in 1 2; do
    [ $seed = 1 ] && bench=bare || bench=coated
    wetsweep run profiles/cling.profile --rig profiles/bench.rig --bench profiles/harbour-b-$bench.bench --seed $seed \
        --board WS-B-0007 --revision B --coating $bench --out $bench.recording >/dev/null || fail "a run"
done
cp -r bare.recording WS-B-0007-20260412-161500.recording
cp -r coated.recording WS-B-0007.recording
printf 'depth_mm,reading\n10,0.56\n40,1.17\n70,1.77\n100,2.36\n130,2.92\n' >points.csv
for command in $(wetsweep --help | sed -n 's/^  \([a-z]\{3,\}\) .*/\1/p'); do
    line=$(example "$command")
    [ -n "$line" ] || fail "$command has no example"
    case $command in
    demo) continue ;; # tests/end_to_end/test_demo.sh
    watch | simulate) # go on until somebody ends them
        timeout -s INT 2 bash -c "$line" >out.txt 2>&1
        grep -Eq 'http://127.0.0.1|ports|board' out.txt || fail "$line: $(cat out.txt)" ;;
    *) bash -c "$line" >out.txt 2>&1 || fail "$line: $(cat out.txt)" ;;
    esac
done
exit 0
