# SPDX-License-Identifier: GPL-3.0-or-later
# Completion for bash: commands, and the options of each, as the program itself names them.
_wetsweep() {
    local word=${COMP_WORDS[COMP_CWORD]} before=${COMP_WORDS[COMP_CWORD - 1]} command=${COMP_WORDS[1]} words
    COMPREPLY=()
    if [ "$COMP_CWORD" -eq 1 ] || { [ "$COMP_CWORD" -eq 2 ] && [ "$command" = help ]; }; then
        words=$("${COMP_WORDS[0]}" --help 2>/dev/null | sed -n 's/^  \([a-z]\{3,\}\) .*/\1/p')
    elif [ "$COMP_CWORD" -eq 2 ] && [ "$command" = ledger ]; then
        words='list show trend export rebuild'
    elif [ "$before" = --as ]; then
        words='c csv json'
    elif [[ $word == -* ]]; then
        words=$("${COMP_WORDS[0]}" "$command" --help 2>/dev/null | grep -oE -- '--[a-z][a-z-]+' | sort -u)
    fi
    if [ -n "$words" ]; then
        mapfile -t COMPREPLY < <(compgen -W "$words" -- "$word")
    else
        mapfile -t COMPREPLY < <(compgen -f -- "$word")
        compopt -o filenames 2>/dev/null
    fi
}
complete -F _wetsweep wetsweep
