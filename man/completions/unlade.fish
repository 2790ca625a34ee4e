# Print an optspec for argparse to handle cmd's options that are independent of any subcommand.
function __fish_unlade_global_optspecs
    string join \n h/help json q/quiet v/verbose color= no-ledger home= V/version
end

function __fish_unlade_needs_command
    # Figure out if the current invocation already has a command.
    set -l cmd (commandline -opc)
    set -e cmd[1]
    argparse -s (__fish_unlade_global_optspecs) -- $cmd 2>/dev/null
    or return
    if set -q argv[1]
        # Also print the command, so this can be used to figure out what it is.
        echo $argv[1]
        return 1
    end
    return 0
end

function __fish_unlade_using_subcommand
    set -l cmd (__fish_unlade_needs_command)
    test -z "$cmd"
    and return 1
    contains -- $cmd[1] $argv
end

complete -c unlade -n "__fish_unlade_needs_command" -l color -d 'Use colour: auto follows the terminal and NO_COLOR' -r -f -a "auto\t'On a terminal, unless NO_COLOR is set'
always\t'Always'
never\t'Never'"
complete -c unlade -n "__fish_unlade_needs_command" -l home -d 'Folder for kit and ledger [default: `unlade` in the system\'s folder for programs\' data]' -r
complete -c unlade -n "__fish_unlade_needs_command" -s h -l help -d 'This help; --help says all'
complete -c unlade -n "__fish_unlade_needs_command" -l json -d 'One JSON object a line, for scripts'
complete -c unlade -n "__fish_unlade_needs_command" -s q -l quiet -d 'Say the result only'
complete -c unlade -n "__fish_unlade_needs_command" -s v -l verbose -d 'Say everything that is known'
complete -c unlade -n "__fish_unlade_needs_command" -l no-ledger -d 'Enter nothing in the ledger, and look nothing up in it'
complete -c unlade -n "__fish_unlade_needs_command" -s V -l version -d 'Print version'
complete -c unlade -n "__fish_unlade_needs_command" -f -a "copy" -d 'Copy cards to two or more drives and check every copy'
complete -c unlade -n "__fish_unlade_needs_command" -f -a "plan" -d 'Show what copy would do, and write nothing'
complete -c unlade -n "__fish_unlade_needs_command" -f -a "prove" -d 'May I format this card? From the copies on the drives'
complete -c unlade -n "__fish_unlade_needs_command" -f -a "ledger" -d 'Past offloads, and which cards of a shoot are proven or not seen'
complete -c unlade -n "__fish_unlade_needs_command" -f -a "verify" -d 'Compare offloads on the drives with their manifests'
complete -c unlade -n "__fish_unlade_needs_command" -f -a "rate" -d 'Measure how fast a card reads in this reader'
complete -c unlade -n "__fish_unlade_needs_command" -f -a "kit" -d 'Your cards, readers and drives (kit.toml)'
complete -c unlade -n "__fish_unlade_needs_command" -f -a "weigh" -d 'What a card can record, and what a faster part would save'
complete -c unlade -n "__fish_unlade_needs_command" -f -a "report" -d 'Make the page of an offload again, or one page for a shoot'
complete -c unlade -n "__fish_unlade_needs_command" -f -a "demo" -d 'See it at work on a made-up card; needs no set-up'
complete -c unlade -n "__fish_unlade_needs_command" -f -a "schema" -d 'Print the JSON Schema of the manifest or of the events of --json'
complete -c unlade -n "__fish_unlade_needs_command" -f -a "completions" -d 'Print a completion script for a shell'
complete -c unlade -n "__fish_unlade_needs_command" -f -a "man" -d 'Write the manual pages into a folder'
complete -c unlade -n "__fish_unlade_needs_command" -f -a "help" -d 'Print this message or the help of the given subcommand(s)'
complete -c unlade -n "__fish_unlade_using_subcommand copy" -s t -l to -d 'A folder on a drive, or its kit name' -r
complete -c unlade -n "__fish_unlade_using_subcommand copy" -s n -l name -d 'The offload\'s folder [default: YYYYMMDD-LABEL]' -r
complete -c unlade -n "__fish_unlade_using_subcommand copy" -l proof -d 'written, readback or reread [default: readback]' -r -f -a "written\t'Flushed to the drive only'
readback\t'Every copy read back from its drive'
reread\t'As readback, and the card read a second time'"
complete -c unlade -n "__fish_unlade_using_subcommand copy" -l copies -d 'Copies on separate drives that PROVEN needs' -r
complete -c unlade -n "__fish_unlade_using_subcommand copy" -l also -d 'Further hashes in the same pass: sha256, md5 and others' -r
complete -c unlade -n "__fish_unlade_using_subcommand copy" -l layout -d 'The form of the offload [default: plain, or as it was begun]' -r -f -a "plain\t'The card\'s tree in the offload\'s own folder'
bag\t'The card\'s tree in the folder `data` of a bag'"
complete -c unlade -n "__fish_unlade_using_subcommand copy" -l sign -d 'Sign the manifest with this private key' -r
complete -c unlade -n "__fish_unlade_using_subcommand copy" -l deadline -d 'Say what will not be done by then: 14m, 1h30m' -r
complete -c unlade -n "__fish_unlade_using_subcommand copy" -l as -d 'The card\'s name in the kit' -r
complete -c unlade -n "__fish_unlade_using_subcommand copy" -l in -d 'The reader\'s name in the kit' -r
complete -c unlade -n "__fish_unlade_using_subcommand copy" -l bus -d 'The card\'s bus: uhs-i, uhs-ii, cfe2-b and others; `list` shows all' -r
complete -c unlade -n "__fish_unlade_using_subcommand copy" -l reads -d 'The read rate on the card\'s label in MB/s' -r
complete -c unlade -n "__fish_unlade_using_subcommand copy" -l link -d 'The reader\'s link to the computer: usb2, usb3-5g and others; `list` shows all' -r
complete -c unlade -n "__fish_unlade_using_subcommand copy" -l writes -d 'What each drive sustains when it is written, in MB/s, in the order of --to: 450,110' -r
complete -c unlade -n "__fish_unlade_using_subcommand copy" -s s -l shoot -d 'The shoot that the cards belong to' -r
complete -c unlade -n "__fish_unlade_using_subcommand copy" -l expect -d 'How many cards the shoot has; say it once' -r
complete -c unlade -n "__fish_unlade_using_subcommand copy" -l expect-labels -d 'The labels of the shoot\'s cards, set apart by commas: A1,A2,B1' -r
complete -c unlade -n "__fish_unlade_using_subcommand copy" -l color -d 'Use colour: auto follows the terminal and NO_COLOR' -r -f -a "auto\t'On a terminal, unless NO_COLOR is set'
always\t'Always'
never\t'Never'"
complete -c unlade -n "__fish_unlade_using_subcommand copy" -l home -d 'Folder for kit and ledger [default: `unlade` in the system\'s folder for programs\' data]' -r
complete -c unlade -n "__fish_unlade_using_subcommand copy" -l separate -d 'Drives that look like one are separate; the manifest says that you said so'
complete -c unlade -n "__fish_unlade_using_subcommand copy" -l only-new -d 'Skip what earlier offloads on the drives prove'
complete -c unlade -n "__fish_unlade_using_subcommand copy" -l dry-run -d 'Only show what would be done, like plan'
complete -c unlade -n "__fish_unlade_using_subcommand copy" -s h -l help -d 'This help; --help says all'
complete -c unlade -n "__fish_unlade_using_subcommand copy" -l json -d 'One JSON object a line, for scripts'
complete -c unlade -n "__fish_unlade_using_subcommand copy" -s q -l quiet -d 'Say the result only'
complete -c unlade -n "__fish_unlade_using_subcommand copy" -s v -l verbose -d 'Say everything that is known'
complete -c unlade -n "__fish_unlade_using_subcommand copy" -l no-ledger -d 'Enter nothing in the ledger, and look nothing up in it'
complete -c unlade -n "__fish_unlade_using_subcommand plan" -s t -l to -d 'A folder on a drive, or its kit name' -r
complete -c unlade -n "__fish_unlade_using_subcommand plan" -s n -l name -d 'The offload\'s folder [default: YYYYMMDD-LABEL]' -r
complete -c unlade -n "__fish_unlade_using_subcommand plan" -l proof -d 'written, readback or reread [default: readback]' -r -f -a "written\t'Flushed to the drive only'
readback\t'Every copy read back from its drive'
reread\t'As readback, and the card read a second time'"
complete -c unlade -n "__fish_unlade_using_subcommand plan" -l copies -d 'Copies on separate drives that PROVEN needs' -r
complete -c unlade -n "__fish_unlade_using_subcommand plan" -l also -d 'Further hashes in the same pass: sha256, md5 and others' -r
complete -c unlade -n "__fish_unlade_using_subcommand plan" -l layout -d 'The form of the offload [default: plain, or as it was begun]' -r -f -a "plain\t'The card\'s tree in the offload\'s own folder'
bag\t'The card\'s tree in the folder `data` of a bag'"
complete -c unlade -n "__fish_unlade_using_subcommand plan" -l sign -d 'Sign the manifest with this private key' -r
complete -c unlade -n "__fish_unlade_using_subcommand plan" -l deadline -d 'Say what will not be done by then: 14m, 1h30m' -r
complete -c unlade -n "__fish_unlade_using_subcommand plan" -l as -d 'The card\'s name in the kit' -r
complete -c unlade -n "__fish_unlade_using_subcommand plan" -l in -d 'The reader\'s name in the kit' -r
complete -c unlade -n "__fish_unlade_using_subcommand plan" -l bus -d 'The card\'s bus: uhs-i, uhs-ii, cfe2-b and others; `list` shows all' -r
complete -c unlade -n "__fish_unlade_using_subcommand plan" -l reads -d 'The read rate on the card\'s label in MB/s' -r
complete -c unlade -n "__fish_unlade_using_subcommand plan" -l link -d 'The reader\'s link to the computer: usb2, usb3-5g and others; `list` shows all' -r
complete -c unlade -n "__fish_unlade_using_subcommand plan" -l writes -d 'What each drive sustains when it is written, in MB/s, in the order of --to: 450,110' -r
complete -c unlade -n "__fish_unlade_using_subcommand plan" -s s -l shoot -d 'The shoot that the cards belong to' -r
complete -c unlade -n "__fish_unlade_using_subcommand plan" -l expect -d 'How many cards the shoot has; say it once' -r
complete -c unlade -n "__fish_unlade_using_subcommand plan" -l expect-labels -d 'The labels of the shoot\'s cards, set apart by commas: A1,A2,B1' -r
complete -c unlade -n "__fish_unlade_using_subcommand plan" -l color -d 'Use colour: auto follows the terminal and NO_COLOR' -r -f -a "auto\t'On a terminal, unless NO_COLOR is set'
always\t'Always'
never\t'Never'"
complete -c unlade -n "__fish_unlade_using_subcommand plan" -l home -d 'Folder for kit and ledger [default: `unlade` in the system\'s folder for programs\' data]' -r
complete -c unlade -n "__fish_unlade_using_subcommand plan" -l separate -d 'Drives that look like one are separate; the manifest says that you said so'
complete -c unlade -n "__fish_unlade_using_subcommand plan" -l only-new -d 'Skip what earlier offloads on the drives prove'
complete -c unlade -n "__fish_unlade_using_subcommand plan" -l dry-run -d 'Only show what would be done, like plan'
complete -c unlade -n "__fish_unlade_using_subcommand plan" -s h -l help -d 'This help; --help says all'
complete -c unlade -n "__fish_unlade_using_subcommand plan" -l json -d 'One JSON object a line, for scripts'
complete -c unlade -n "__fish_unlade_using_subcommand plan" -s q -l quiet -d 'Say the result only'
complete -c unlade -n "__fish_unlade_using_subcommand plan" -s v -l verbose -d 'Say everything that is known'
complete -c unlade -n "__fish_unlade_using_subcommand plan" -l no-ledger -d 'Enter nothing in the ledger, and look nothing up in it'
complete -c unlade -n "__fish_unlade_using_subcommand prove" -l on -d 'A folder on a drive, or its kit name' -r
complete -c unlade -n "__fish_unlade_using_subcommand prove" -l copies -d 'Copies on separate drives that PROVEN needs' -r
complete -c unlade -n "__fish_unlade_using_subcommand prove" -s s -l shoot -d 'The shoot that the cards belong to' -r
complete -c unlade -n "__fish_unlade_using_subcommand prove" -l expect -d 'How many cards the shoot has; say it once' -r
complete -c unlade -n "__fish_unlade_using_subcommand prove" -l expect-labels -d 'The labels of the shoot\'s cards, set apart by commas: A1,A2,B1' -r
complete -c unlade -n "__fish_unlade_using_subcommand prove" -l color -d 'Use colour: auto follows the terminal and NO_COLOR' -r -f -a "auto\t'On a terminal, unless NO_COLOR is set'
always\t'Always'
never\t'Never'"
complete -c unlade -n "__fish_unlade_using_subcommand prove" -l home -d 'Folder for kit and ledger [default: `unlade` in the system\'s folder for programs\' data]' -r
complete -c unlade -n "__fish_unlade_using_subcommand prove" -l separate -d 'Drives that look like one are separate'
complete -c unlade -n "__fish_unlade_using_subcommand prove" -l reread -d 'Read the card and every copy whole'
complete -c unlade -n "__fish_unlade_using_subcommand prove" -l by-content -d 'Compare by content, whatever card it came from'
complete -c unlade -n "__fish_unlade_using_subcommand prove" -s h -l help -d 'This help; --help says all'
complete -c unlade -n "__fish_unlade_using_subcommand prove" -l json -d 'One JSON object a line, for scripts'
complete -c unlade -n "__fish_unlade_using_subcommand prove" -s q -l quiet -d 'Say the result only'
complete -c unlade -n "__fish_unlade_using_subcommand prove" -s v -l verbose -d 'Say everything that is known'
complete -c unlade -n "__fish_unlade_using_subcommand prove" -l no-ledger -d 'Enter nothing in the ledger, and look nothing up in it'
complete -c unlade -n "__fish_unlade_using_subcommand ledger" -l last -d 'Entries to show' -r
complete -c unlade -n "__fish_unlade_using_subcommand ledger" -s s -l shoot -d 'The shoot that the cards belong to' -r
complete -c unlade -n "__fish_unlade_using_subcommand ledger" -l expect -d 'How many cards the shoot has; say it once' -r
complete -c unlade -n "__fish_unlade_using_subcommand ledger" -l expect-labels -d 'The labels of the shoot\'s cards, set apart by commas: A1,A2,B1' -r
complete -c unlade -n "__fish_unlade_using_subcommand ledger" -l color -d 'Use colour: auto follows the terminal and NO_COLOR' -r -f -a "auto\t'On a terminal, unless NO_COLOR is set'
always\t'Always'
never\t'Never'"
complete -c unlade -n "__fish_unlade_using_subcommand ledger" -l home -d 'Folder for kit and ledger [default: `unlade` in the system\'s folder for programs\' data]' -r
complete -c unlade -n "__fish_unlade_using_subcommand ledger" -s h -l help -d 'This help; --help says all'
complete -c unlade -n "__fish_unlade_using_subcommand ledger" -l json -d 'One JSON object a line, for scripts'
complete -c unlade -n "__fish_unlade_using_subcommand ledger" -s q -l quiet -d 'Say the result only'
complete -c unlade -n "__fish_unlade_using_subcommand ledger" -s v -l verbose -d 'Say everything that is known'
complete -c unlade -n "__fish_unlade_using_subcommand ledger" -l no-ledger -d 'Enter nothing in the ledger, and look nothing up in it'
complete -c unlade -n "__fish_unlade_using_subcommand verify" -l signed-by -d 'A key of this file must have signed' -r
complete -c unlade -n "__fish_unlade_using_subcommand verify" -l color -d 'Use colour: auto follows the terminal and NO_COLOR' -r -f -a "auto\t'On a terminal, unless NO_COLOR is set'
always\t'Always'
never\t'Never'"
complete -c unlade -n "__fish_unlade_using_subcommand verify" -l home -d 'Folder for kit and ledger [default: `unlade` in the system\'s folder for programs\' data]' -r
complete -c unlade -n "__fish_unlade_using_subcommand verify" -s h -l help -d 'This help; --help says all'
complete -c unlade -n "__fish_unlade_using_subcommand verify" -l json -d 'One JSON object a line, for scripts'
complete -c unlade -n "__fish_unlade_using_subcommand verify" -s q -l quiet -d 'Say the result only'
complete -c unlade -n "__fish_unlade_using_subcommand verify" -s v -l verbose -d 'Say everything that is known'
complete -c unlade -n "__fish_unlade_using_subcommand verify" -l no-ledger -d 'Enter nothing in the ledger, and look nothing up in it'
complete -c unlade -n "__fish_unlade_using_subcommand rate" -l seconds -d 'Read for so many seconds at most, 600 at most' -r
complete -c unlade -n "__fish_unlade_using_subcommand rate" -l bytes -d 'Read so much at most, 100GB at most' -r
complete -c unlade -n "__fish_unlade_using_subcommand rate" -l as -d 'The card\'s name in the kit' -r
complete -c unlade -n "__fish_unlade_using_subcommand rate" -l in -d 'The reader\'s name in the kit' -r
complete -c unlade -n "__fish_unlade_using_subcommand rate" -l bus -d 'The card\'s bus: uhs-i, uhs-ii, cfe2-b and others; `list` shows all' -r
complete -c unlade -n "__fish_unlade_using_subcommand rate" -l reads -d 'The read rate on the card\'s label in MB/s' -r
complete -c unlade -n "__fish_unlade_using_subcommand rate" -l link -d 'The reader\'s link to the computer: usb2, usb3-5g and others; `list` shows all' -r
complete -c unlade -n "__fish_unlade_using_subcommand rate" -l color -d 'Use colour: auto follows the terminal and NO_COLOR' -r -f -a "auto\t'On a terminal, unless NO_COLOR is set'
always\t'Always'
never\t'Never'"
complete -c unlade -n "__fish_unlade_using_subcommand rate" -l home -d 'Folder for kit and ledger [default: `unlade` in the system\'s folder for programs\' data]' -r
complete -c unlade -n "__fish_unlade_using_subcommand rate" -s h -l help -d 'This help; --help says all'
complete -c unlade -n "__fish_unlade_using_subcommand rate" -l json -d 'One JSON object a line, for scripts'
complete -c unlade -n "__fish_unlade_using_subcommand rate" -s q -l quiet -d 'Say the result only'
complete -c unlade -n "__fish_unlade_using_subcommand rate" -s v -l verbose -d 'Say everything that is known'
complete -c unlade -n "__fish_unlade_using_subcommand rate" -l no-ledger -d 'Enter nothing in the ledger, and look nothing up in it'
complete -c unlade -n "__fish_unlade_using_subcommand kit; and not __fish_seen_subcommand_from list add remove" -l color -d 'Use colour: auto follows the terminal and NO_COLOR' -r -f -a "auto\t'On a terminal, unless NO_COLOR is set'
always\t'Always'
never\t'Never'"
complete -c unlade -n "__fish_unlade_using_subcommand kit; and not __fish_seen_subcommand_from list add remove" -l home -d 'Folder for kit and ledger [default: `unlade` in the system\'s folder for programs\' data]' -r
complete -c unlade -n "__fish_unlade_using_subcommand kit; and not __fish_seen_subcommand_from list add remove" -s h -l help -d 'This help; --help says all'
complete -c unlade -n "__fish_unlade_using_subcommand kit; and not __fish_seen_subcommand_from list add remove" -l json -d 'One JSON object a line, for scripts'
complete -c unlade -n "__fish_unlade_using_subcommand kit; and not __fish_seen_subcommand_from list add remove" -s q -l quiet -d 'Say the result only'
complete -c unlade -n "__fish_unlade_using_subcommand kit; and not __fish_seen_subcommand_from list add remove" -s v -l verbose -d 'Say everything that is known'
complete -c unlade -n "__fish_unlade_using_subcommand kit; and not __fish_seen_subcommand_from list add remove" -l no-ledger -d 'Enter nothing in the ledger, and look nothing up in it'
complete -c unlade -n "__fish_unlade_using_subcommand kit; and not __fish_seen_subcommand_from list add remove" -f -a "list" -d 'Show cards, readers and drives'
complete -c unlade -n "__fish_unlade_using_subcommand kit; and not __fish_seen_subcommand_from list add remove" -f -a "add" -d 'Add a card, reader or drive, or change one with --update'
complete -c unlade -n "__fish_unlade_using_subcommand kit; and not __fish_seen_subcommand_from list add remove" -f -a "remove" -d 'Remove a card, reader or drive from the kit; nothing else is touched'
complete -c unlade -n "__fish_unlade_using_subcommand kit; and __fish_seen_subcommand_from list" -l color -d 'Use colour: auto follows the terminal and NO_COLOR' -r -f -a "auto\t'On a terminal, unless NO_COLOR is set'
always\t'Always'
never\t'Never'"
complete -c unlade -n "__fish_unlade_using_subcommand kit; and __fish_seen_subcommand_from list" -l home -d 'Folder for kit and ledger [default: `unlade` in the system\'s folder for programs\' data]' -r
complete -c unlade -n "__fish_unlade_using_subcommand kit; and __fish_seen_subcommand_from list" -s h -l help -d 'This help; --help says all'
complete -c unlade -n "__fish_unlade_using_subcommand kit; and __fish_seen_subcommand_from list" -l json -d 'One JSON object a line, for scripts'
complete -c unlade -n "__fish_unlade_using_subcommand kit; and __fish_seen_subcommand_from list" -s q -l quiet -d 'Say the result only'
complete -c unlade -n "__fish_unlade_using_subcommand kit; and __fish_seen_subcommand_from list" -s v -l verbose -d 'Say everything that is known'
complete -c unlade -n "__fish_unlade_using_subcommand kit; and __fish_seen_subcommand_from list" -l no-ledger -d 'Enter nothing in the ledger, and look nothing up in it'
complete -c unlade -n "__fish_unlade_using_subcommand kit; and __fish_seen_subcommand_from add" -l color -d 'Use colour: auto follows the terminal and NO_COLOR' -r -f -a "auto\t'On a terminal, unless NO_COLOR is set'
always\t'Always'
never\t'Never'"
complete -c unlade -n "__fish_unlade_using_subcommand kit; and __fish_seen_subcommand_from add" -l home -d 'Folder for kit and ledger [default: `unlade` in the system\'s folder for programs\' data]' -r
complete -c unlade -n "__fish_unlade_using_subcommand kit; and __fish_seen_subcommand_from add" -s h -l help -d 'This help; --help says all'
complete -c unlade -n "__fish_unlade_using_subcommand kit; and __fish_seen_subcommand_from add" -l json -d 'One JSON object a line, for scripts'
complete -c unlade -n "__fish_unlade_using_subcommand kit; and __fish_seen_subcommand_from add" -s q -l quiet -d 'Say the result only'
complete -c unlade -n "__fish_unlade_using_subcommand kit; and __fish_seen_subcommand_from add" -s v -l verbose -d 'Say everything that is known'
complete -c unlade -n "__fish_unlade_using_subcommand kit; and __fish_seen_subcommand_from add" -l no-ledger -d 'Enter nothing in the ledger, and look nothing up in it'
complete -c unlade -n "__fish_unlade_using_subcommand kit; and __fish_seen_subcommand_from add" -f -a "card" -d 'A card'
complete -c unlade -n "__fish_unlade_using_subcommand kit; and __fish_seen_subcommand_from add" -f -a "reader" -d 'A reader'
complete -c unlade -n "__fish_unlade_using_subcommand kit; and __fish_seen_subcommand_from add" -f -a "drive" -d 'A drive'
complete -c unlade -n "__fish_unlade_using_subcommand kit; and __fish_seen_subcommand_from remove" -l color -d 'Use colour: auto follows the terminal and NO_COLOR' -r -f -a "auto\t'On a terminal, unless NO_COLOR is set'
always\t'Always'
never\t'Never'"
complete -c unlade -n "__fish_unlade_using_subcommand kit; and __fish_seen_subcommand_from remove" -l home -d 'Folder for kit and ledger [default: `unlade` in the system\'s folder for programs\' data]' -r
complete -c unlade -n "__fish_unlade_using_subcommand kit; and __fish_seen_subcommand_from remove" -s h -l help -d 'This help; --help says all'
complete -c unlade -n "__fish_unlade_using_subcommand kit; and __fish_seen_subcommand_from remove" -l json -d 'One JSON object a line, for scripts'
complete -c unlade -n "__fish_unlade_using_subcommand kit; and __fish_seen_subcommand_from remove" -s q -l quiet -d 'Say the result only'
complete -c unlade -n "__fish_unlade_using_subcommand kit; and __fish_seen_subcommand_from remove" -s v -l verbose -d 'Say everything that is known'
complete -c unlade -n "__fish_unlade_using_subcommand kit; and __fish_seen_subcommand_from remove" -l no-ledger -d 'Enter nothing in the ledger, and look nothing up in it'
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and not __fish_seen_subcommand_from footage burst upgrade" -l color -d 'Use colour: auto follows the terminal and NO_COLOR' -r -f -a "auto\t'On a terminal, unless NO_COLOR is set'
always\t'Always'
never\t'Never'"
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and not __fish_seen_subcommand_from footage burst upgrade" -l home -d 'Folder for kit and ledger [default: `unlade` in the system\'s folder for programs\' data]' -r
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and not __fish_seen_subcommand_from footage burst upgrade" -s h -l help -d 'This help; --help says all'
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and not __fish_seen_subcommand_from footage burst upgrade" -l json -d 'One JSON object a line, for scripts'
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and not __fish_seen_subcommand_from footage burst upgrade" -s q -l quiet -d 'Say the result only'
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and not __fish_seen_subcommand_from footage burst upgrade" -s v -l verbose -d 'Say everything that is known'
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and not __fish_seen_subcommand_from footage burst upgrade" -l no-ledger -d 'Enter nothing in the ledger, and look nothing up in it'
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and not __fish_seen_subcommand_from footage burst upgrade" -f -a "footage" -d 'How long a card records, and whether its write class sustains the bit rate'
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and not __fish_seen_subcommand_from footage burst upgrade" -f -a "burst" -d 'How many frames a burst has, and how long its buffer takes to clear'
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and not __fish_seen_subcommand_from footage burst upgrade" -f -a "upgrade" -d 'What a faster card, reader, port or drive would save'
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and __fish_seen_subcommand_from footage" -l at -d 'The bit rate of the recording: 100Mb/s (megabits) or 12.5MB/s (megabytes)' -r
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and __fish_seen_subcommand_from footage" -l room -d 'Capacity of the card, 128GB; of both cards if they record the same, 128GB,64GB' -r
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and __fish_seen_subcommand_from footage" -l card -d 'Take the capacity from this mounted card' -r
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and __fish_seen_subcommand_from footage" -l class -d 'Write class on the card: C10, U3, V30, E150, VPG400; of both cards, V30,V90' -r
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and __fish_seen_subcommand_from footage" -l color -d 'Use colour: auto follows the terminal and NO_COLOR' -r -f -a "auto\t'On a terminal, unless NO_COLOR is set'
always\t'Always'
never\t'Never'"
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and __fish_seen_subcommand_from footage" -l home -d 'Folder for kit and ledger [default: `unlade` in the system\'s folder for programs\' data]' -r
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and __fish_seen_subcommand_from footage" -s h -l help -d 'This help; --help says all'
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and __fish_seen_subcommand_from footage" -l json -d 'One JSON object a line, for scripts'
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and __fish_seen_subcommand_from footage" -s q -l quiet -d 'Say the result only'
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and __fish_seen_subcommand_from footage" -s v -l verbose -d 'Say everything that is known'
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and __fish_seen_subcommand_from footage" -l no-ledger -d 'Enter nothing in the ledger, and look nothing up in it'
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and __fish_seen_subcommand_from burst" -l fps -d 'Frames per second' -r
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and __fish_seen_subcommand_from burst" -l frame -d 'Size of a frame; raw and JPEG together if both are recorded' -r
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and __fish_seen_subcommand_from burst" -l writes -d 'What the card takes in the camera, MB/s; of both cards if both get every frame, 250,90' -r
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and __fish_seen_subcommand_from burst" -l buffer -d 'Size of the camera\'s buffer' -r
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and __fish_seen_subcommand_from burst" -l frames -d 'Frames shot in one go' -r
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and __fish_seen_subcommand_from burst" -l color -d 'Use colour: auto follows the terminal and NO_COLOR' -r -f -a "auto\t'On a terminal, unless NO_COLOR is set'
always\t'Always'
never\t'Never'"
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and __fish_seen_subcommand_from burst" -l home -d 'Folder for kit and ledger [default: `unlade` in the system\'s folder for programs\' data]' -r
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and __fish_seen_subcommand_from burst" -s h -l help -d 'This help; --help says all'
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and __fish_seen_subcommand_from burst" -l json -d 'One JSON object a line, for scripts'
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and __fish_seen_subcommand_from burst" -s q -l quiet -d 'Say the result only'
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and __fish_seen_subcommand_from burst" -s v -l verbose -d 'Say everything that is known'
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and __fish_seen_subcommand_from burst" -l no-ledger -d 'Enter nothing in the ledger, and look nothing up in it'
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and __fish_seen_subcommand_from upgrade" -l offload -d 'Size of one offload' -r
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and __fish_seen_subcommand_from upgrade" -l per-year -d 'Offloads in a year' -r
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and __fish_seen_subcommand_from upgrade" -l card -d 'Card as it is: MB/s, name in the kit, or bus' -r
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and __fish_seen_subcommand_from upgrade" -l reader -d 'Reader as it is: MB/s, kit name, slot or link' -r
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and __fish_seen_subcommand_from upgrade" -l port -d 'Port as it is: MB/s, or link (usb2, usb3-5g)' -r
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and __fish_seen_subcommand_from upgrade" -l drives -d 'Drives as they are: MB/s (110/115) or kit names' -r
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and __fish_seen_subcommand_from upgrade" -l new-card -d 'Card to be weighed' -r
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and __fish_seen_subcommand_from upgrade" -l new-reader -d 'Reader to be weighed' -r
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and __fish_seen_subcommand_from upgrade" -l new-port -d 'Port to be weighed' -r
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and __fish_seen_subcommand_from upgrade" -l new-drives -d 'Drives to be weighed, with those that stay' -r
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and __fish_seen_subcommand_from upgrade" -l price -d 'Price of it all, in any currency: 60' -r
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and __fish_seen_subcommand_from upgrade" -l color -d 'Use colour: auto follows the terminal and NO_COLOR' -r -f -a "auto\t'On a terminal, unless NO_COLOR is set'
always\t'Always'
never\t'Never'"
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and __fish_seen_subcommand_from upgrade" -l home -d 'Folder for kit and ledger [default: `unlade` in the system\'s folder for programs\' data]' -r
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and __fish_seen_subcommand_from upgrade" -s h -l help -d 'This help; --help says all'
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and __fish_seen_subcommand_from upgrade" -l json -d 'One JSON object a line, for scripts'
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and __fish_seen_subcommand_from upgrade" -s q -l quiet -d 'Say the result only'
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and __fish_seen_subcommand_from upgrade" -s v -l verbose -d 'Say everything that is known'
complete -c unlade -n "__fish_unlade_using_subcommand weigh; and __fish_seen_subcommand_from upgrade" -l no-ledger -d 'Enter nothing in the ledger, and look nothing up in it'
complete -c unlade -n "__fish_unlade_using_subcommand report" -l to -d 'Make the page as this file instead; it must not exist' -r
complete -c unlade -n "__fish_unlade_using_subcommand report" -s s -l shoot -d 'The shoot that the cards belong to' -r
complete -c unlade -n "__fish_unlade_using_subcommand report" -l expect -d 'How many cards the shoot has; say it once' -r
complete -c unlade -n "__fish_unlade_using_subcommand report" -l expect-labels -d 'The labels of the shoot\'s cards, set apart by commas: A1,A2,B1' -r
complete -c unlade -n "__fish_unlade_using_subcommand report" -l color -d 'Use colour: auto follows the terminal and NO_COLOR' -r -f -a "auto\t'On a terminal, unless NO_COLOR is set'
always\t'Always'
never\t'Never'"
complete -c unlade -n "__fish_unlade_using_subcommand report" -l home -d 'Folder for kit and ledger [default: `unlade` in the system\'s folder for programs\' data]' -r
complete -c unlade -n "__fish_unlade_using_subcommand report" -s h -l help -d 'This help; --help says all'
complete -c unlade -n "__fish_unlade_using_subcommand report" -l json -d 'One JSON object a line, for scripts'
complete -c unlade -n "__fish_unlade_using_subcommand report" -s q -l quiet -d 'Say the result only'
complete -c unlade -n "__fish_unlade_using_subcommand report" -s v -l verbose -d 'Say everything that is known'
complete -c unlade -n "__fish_unlade_using_subcommand report" -l no-ledger -d 'Enter nothing in the ledger, and look nothing up in it'
complete -c unlade -n "__fish_unlade_using_subcommand demo" -l keep -d 'Keep everything in this folder, which must be empty or new' -r
complete -c unlade -n "__fish_unlade_using_subcommand demo" -l color -d 'Use colour: auto follows the terminal and NO_COLOR' -r -f -a "auto\t'On a terminal, unless NO_COLOR is set'
always\t'Always'
never\t'Never'"
complete -c unlade -n "__fish_unlade_using_subcommand demo" -l home -d 'Folder for kit and ledger [default: `unlade` in the system\'s folder for programs\' data]' -r
complete -c unlade -n "__fish_unlade_using_subcommand demo" -s h -l help -d 'This help; --help says all'
complete -c unlade -n "__fish_unlade_using_subcommand demo" -l json -d 'One JSON object a line, for scripts'
complete -c unlade -n "__fish_unlade_using_subcommand demo" -s q -l quiet -d 'Say the result only'
complete -c unlade -n "__fish_unlade_using_subcommand demo" -s v -l verbose -d 'Say everything that is known'
complete -c unlade -n "__fish_unlade_using_subcommand demo" -l no-ledger -d 'Enter nothing in the ledger, and look nothing up in it'
complete -c unlade -n "__fish_unlade_using_subcommand schema" -l color -d 'Use colour: auto follows the terminal and NO_COLOR' -r -f -a "auto\t'On a terminal, unless NO_COLOR is set'
always\t'Always'
never\t'Never'"
complete -c unlade -n "__fish_unlade_using_subcommand schema" -l home -d 'Folder for kit and ledger [default: `unlade` in the system\'s folder for programs\' data]' -r
complete -c unlade -n "__fish_unlade_using_subcommand schema" -s h -l help -d 'This help; --help says all'
complete -c unlade -n "__fish_unlade_using_subcommand schema" -l json -d 'One JSON object a line, for scripts'
complete -c unlade -n "__fish_unlade_using_subcommand schema" -s q -l quiet -d 'Say the result only'
complete -c unlade -n "__fish_unlade_using_subcommand schema" -s v -l verbose -d 'Say everything that is known'
complete -c unlade -n "__fish_unlade_using_subcommand schema" -l no-ledger -d 'Enter nothing in the ledger, and look nothing up in it'
complete -c unlade -n "__fish_unlade_using_subcommand completions" -l color -d 'Use colour: auto follows the terminal and NO_COLOR' -r -f -a "auto\t'On a terminal, unless NO_COLOR is set'
always\t'Always'
never\t'Never'"
complete -c unlade -n "__fish_unlade_using_subcommand completions" -l home -d 'Folder for kit and ledger [default: `unlade` in the system\'s folder for programs\' data]' -r
complete -c unlade -n "__fish_unlade_using_subcommand completions" -s h -l help -d 'This help; --help says all'
complete -c unlade -n "__fish_unlade_using_subcommand completions" -l json -d 'One JSON object a line, for scripts'
complete -c unlade -n "__fish_unlade_using_subcommand completions" -s q -l quiet -d 'Say the result only'
complete -c unlade -n "__fish_unlade_using_subcommand completions" -s v -l verbose -d 'Say everything that is known'
complete -c unlade -n "__fish_unlade_using_subcommand completions" -l no-ledger -d 'Enter nothing in the ledger, and look nothing up in it'
complete -c unlade -n "__fish_unlade_using_subcommand man" -l color -d 'Use colour: auto follows the terminal and NO_COLOR' -r -f -a "auto\t'On a terminal, unless NO_COLOR is set'
always\t'Always'
never\t'Never'"
complete -c unlade -n "__fish_unlade_using_subcommand man" -l home -d 'Folder for kit and ledger [default: `unlade` in the system\'s folder for programs\' data]' -r
complete -c unlade -n "__fish_unlade_using_subcommand man" -s h -l help -d 'This help; --help says all'
complete -c unlade -n "__fish_unlade_using_subcommand man" -l json -d 'One JSON object a line, for scripts'
complete -c unlade -n "__fish_unlade_using_subcommand man" -s q -l quiet -d 'Say the result only'
complete -c unlade -n "__fish_unlade_using_subcommand man" -s v -l verbose -d 'Say everything that is known'
complete -c unlade -n "__fish_unlade_using_subcommand man" -l no-ledger -d 'Enter nothing in the ledger, and look nothing up in it'
complete -c unlade -n "__fish_unlade_using_subcommand help; and not __fish_seen_subcommand_from copy plan prove ledger verify rate kit weigh report demo schema completions man help" -f -a "copy" -d 'Copy cards to two or more drives and check every copy'
complete -c unlade -n "__fish_unlade_using_subcommand help; and not __fish_seen_subcommand_from copy plan prove ledger verify rate kit weigh report demo schema completions man help" -f -a "plan" -d 'Show what copy would do, and write nothing'
complete -c unlade -n "__fish_unlade_using_subcommand help; and not __fish_seen_subcommand_from copy plan prove ledger verify rate kit weigh report demo schema completions man help" -f -a "prove" -d 'May I format this card? From the copies on the drives'
complete -c unlade -n "__fish_unlade_using_subcommand help; and not __fish_seen_subcommand_from copy plan prove ledger verify rate kit weigh report demo schema completions man help" -f -a "ledger" -d 'Past offloads, and which cards of a shoot are proven or not seen'
complete -c unlade -n "__fish_unlade_using_subcommand help; and not __fish_seen_subcommand_from copy plan prove ledger verify rate kit weigh report demo schema completions man help" -f -a "verify" -d 'Compare offloads on the drives with their manifests'
complete -c unlade -n "__fish_unlade_using_subcommand help; and not __fish_seen_subcommand_from copy plan prove ledger verify rate kit weigh report demo schema completions man help" -f -a "rate" -d 'Measure how fast a card reads in this reader'
complete -c unlade -n "__fish_unlade_using_subcommand help; and not __fish_seen_subcommand_from copy plan prove ledger verify rate kit weigh report demo schema completions man help" -f -a "kit" -d 'Your cards, readers and drives (kit.toml)'
complete -c unlade -n "__fish_unlade_using_subcommand help; and not __fish_seen_subcommand_from copy plan prove ledger verify rate kit weigh report demo schema completions man help" -f -a "weigh" -d 'What a card can record, and what a faster part would save'
complete -c unlade -n "__fish_unlade_using_subcommand help; and not __fish_seen_subcommand_from copy plan prove ledger verify rate kit weigh report demo schema completions man help" -f -a "report" -d 'Make the page of an offload again, or one page for a shoot'
complete -c unlade -n "__fish_unlade_using_subcommand help; and not __fish_seen_subcommand_from copy plan prove ledger verify rate kit weigh report demo schema completions man help" -f -a "demo" -d 'See it at work on a made-up card; needs no set-up'
complete -c unlade -n "__fish_unlade_using_subcommand help; and not __fish_seen_subcommand_from copy plan prove ledger verify rate kit weigh report demo schema completions man help" -f -a "schema" -d 'Print the JSON Schema of the manifest or of the events of --json'
complete -c unlade -n "__fish_unlade_using_subcommand help; and not __fish_seen_subcommand_from copy plan prove ledger verify rate kit weigh report demo schema completions man help" -f -a "completions" -d 'Print a completion script for a shell'
complete -c unlade -n "__fish_unlade_using_subcommand help; and not __fish_seen_subcommand_from copy plan prove ledger verify rate kit weigh report demo schema completions man help" -f -a "man" -d 'Write the manual pages into a folder'
complete -c unlade -n "__fish_unlade_using_subcommand help; and not __fish_seen_subcommand_from copy plan prove ledger verify rate kit weigh report demo schema completions man help" -f -a "help" -d 'Print this message or the help of the given subcommand(s)'
complete -c unlade -n "__fish_unlade_using_subcommand help; and __fish_seen_subcommand_from kit" -f -a "list" -d 'Show cards, readers and drives'
complete -c unlade -n "__fish_unlade_using_subcommand help; and __fish_seen_subcommand_from kit" -f -a "add" -d 'Add a card, reader or drive, or change one with --update'
complete -c unlade -n "__fish_unlade_using_subcommand help; and __fish_seen_subcommand_from kit" -f -a "remove" -d 'Remove a card, reader or drive from the kit; nothing else is touched'
complete -c unlade -n "__fish_unlade_using_subcommand help; and __fish_seen_subcommand_from weigh" -f -a "footage" -d 'How long a card records, and whether its write class sustains the bit rate'
complete -c unlade -n "__fish_unlade_using_subcommand help; and __fish_seen_subcommand_from weigh" -f -a "burst" -d 'How many frames a burst has, and how long its buffer takes to clear'
complete -c unlade -n "__fish_unlade_using_subcommand help; and __fish_seen_subcommand_from weigh" -f -a "upgrade" -d 'What a faster card, reader, port or drive would save'
