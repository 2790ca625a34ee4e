#compdef unlade
# Completion of unlade for zsh. It asks unlade for words, which reads and writes nothing; paths are
# completed by zsh, where unlade has no word.
_unlade() {
    local -a found
    found=("${(@f)$(
        unlade completions zsh -- "${(@Q)words[1,CURRENT-1]}" "${(Q)PREFIX}" </dev/null 2>/dev/null
    )}")
    if [[ -n "$found" ]]; then
        _describe -V unlade found
    else
        _files
    fi
}
if [[ "$funcstack[1]" = _unlade ]]; then
    _unlade "$@"
else
    compdef _unlade unlade
fi
