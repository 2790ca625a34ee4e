# Completion of unlade for fish. It asks unlade for words, which reads and writes nothing; paths are
# completed by fish, where unlade has no word.
function __unlade_words
    set -l typed (commandline --current-process --tokenize --cut-at-cursor)
    set -l found (unlade completions fish -- $typed (commandline --current-token --cut-at-cursor) \
        </dev/null 2>/dev/null)
    if set -q found[1]
        printf '%s\n' $found
    else
        __fish_complete_path (commandline --current-token --cut-at-cursor)
    end
end
complete --command unlade --no-files --keep-order --arguments '(__unlade_words)'
