# Completion of unlade for bash. It asks unlade for words, which reads and writes nothing; paths are
# completed by bash, where unlade has no word.
#
# The unlade of the PATH answers, also where another one is typed: a program on a foreign drive is
# not run by a press of Tab.
_unlade() {
    local word quote=${COMP_WORDS[COMP_CWORD]:0:1}
    # A quote that is open is not part of $2.
    [[ $quote == [\'\"] ]] || quote=
    COMPREPLY=()
    while IFS= read -r word; do
        COMPREPLY+=("$word")
    done < <(
        unlade completions bash -- "${COMP_WORDS[@]:0:COMP_CWORD}" "$quote$2" \
            </dev/null 2>/dev/null
    )
}
complete -o bashdefault -o default -F _unlade unlade
