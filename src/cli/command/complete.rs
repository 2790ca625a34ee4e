//! Owns completion: the scripts that shells load, and the words that these scripts ask for. It
//! reads the kit, the end of the ledger and what is plugged in, and writes nothing. It prints words
//! only: none that a terminal could take for a command, or a shell for more than one word.
//!
//! The engine of `clap_complete` finds out what may stand at the cursor. The scripts are our own:
//! those of that crate put words into a line of bash as they are, so that a foreign drive's folder
//! of the name `$(command)` would be run, and they promise to fit one version of it alone. Paths
//! are left to the shell, which completes them where this prints nothing.

use crate::cli::args::list::LIST;
use crate::cli::args::partial::PartialLine;
use crate::cli::args::{Common, fitting};
use crate::cli::exit::Exit;
use crate::cli::home::folder::folder;
use crate::cli::home::kit_file;
use crate::cli::home::plugged::{Role, plugged};
use crate::cli::view::out::Out;
use camino::{Utf8Path, Utf8PathBuf};
use clap_complete::Shell;
use clap_complete::engine::{ArgValueCandidates, CompletionCandidate, complete};
use crossbeam_channel::bounded;
use std::collections::BTreeSet;
use std::ffi::OsString;
use std::sync::Arc;
use std::time::Duration;
use unlade::disk::home::read_tail;
use unlade::disk::os::OsDisk;
use unlade::hash_algorithm::Also;
use unlade::kit::{Kit, KitEntryKind};
use unlade::ledger::{LEDGER, Ledger};
use unlade::name::shown;
use unlade::speed::links::{LinkRow, rows};

/// A person waits no longer for a word; a drive that sleeps or is gone may take longer to answer.
const PATIENCE: Duration = Duration::from_millis(700);
/// Bytes of the ledger that are read, from its end: some thousand entries.
const LEDGER_MAX: u64 = 1 << 20;
/// Words of one kind that are told.
const WORDS_MAX: usize = 500;

/// Prints the script for a shell.
pub(crate) fn script(shell: Shell, out: Out) -> Exit {
    let script = match shell {
        Shell::Bash => include_str!("complete/unlade.bash").to_owned(),
        Shell::Fish => include_str!("complete/unlade.fish").to_owned(),
        Shell::Zsh => include_str!("complete/unlade.zsh").to_owned(),
        // These know what is typed, and nothing of the kit.
        other => {
            let mut script = Vec::new();
            clap_complete::generate(other, &mut fitting::command(), "unlade", &mut script);
            String::from_utf8_lossy(&script).into_owned()
        }
    };
    out.own_text(script.trim_end());
    Exit::Done
}

/// Prints what may stand at the end of the words, a line each. Whatever goes wrong, it is silent:
/// a person is in the middle of typing.
pub(crate) fn answer(shell: Shell, words: &[String], common: &Common) -> Exit {
    let (tell, told) = bounded(1);
    let (words, given) = (typed(shell, words), common.clone());
    // Nobody waits any more if this finds no room.
    let work = move || if tell.try_send(lines(shell, words, given)).is_err() {};
    let thread = std::thread::Builder::new().name("complete".into());
    if thread.spawn(work).is_ok()
        && let Ok(lines) = told.recv_timeout(PATIENCE)
        && !lines.is_empty()
    {
        // Nothing in them can be harmful, and the tabs are ours.
        Out::new(common).own_text(&lines.join("\n"));
    }
    Exit::Done
}

/// The words of a line, as the program would get them, and how the last one is begun.
struct Typed {
    words: Vec<String>,
    /// The quote that the last word is open in.
    open: Option<char>,
}

/// Takes off what the shell leaves on. Of bash all words are as they were typed, and `--to=A` is
/// three of them; of fish the last one is.
fn typed(shell: Shell, words: &[String]) -> Typed {
    let last = words.len() - 1;
    let mut typed = Typed {
        words: Vec::new(),
        open: None,
    };
    for (at, word) in words.iter().enumerate() {
        let is_raw = shell == Shell::Bash || (shell == Shell::Fish && at == last);
        let is_set = typed.words.last().is_some_and(|w| w.starts_with("--"));
        if shell == Shell::Bash && word == "=" && is_set && at != last {
            continue;
        }
        let (word, open) = if is_raw {
            unquoted(word)
        } else {
            (word.clone(), None)
        };
        typed.words.push(word);
        typed.open = open;
    }
    typed
}

/// A word without its quotes (POSIX, Shell Command Language, 2.2), and the quote that is open.
fn unquoted(word: &str) -> (String, Option<char>) {
    let (mut text, mut open) = (String::new(), None);
    let mut chars = word.chars();
    while let Some(c) = chars.next() {
        match (c, open) {
            ('\\', None | Some('"')) => text.extend(chars.next()),
            ('\'' | '"', None) => open = Some(c),
            (c, Some(quote)) if c == quote => open = None,
            (c, _) => text.push(c),
        }
    }
    (text, open)
}

/// A word as bash takes it back: what is open stays open. `None` where it can't be written so.
fn for_bash(word: &str, open: Option<char>) -> Option<String> {
    match open {
        Some('\'') => (!word.contains('\'')).then(|| word.to_owned()),
        Some(_) => (!word.contains(['"', '$', '`', '\\', '!'])).then(|| word.to_owned()),
        None => {
            let is_plain = |c: char| c.is_alphanumeric() || "/._-+,@%=".contains(c);
            let escaped = |c: char| (!is_plain(c)).then_some('\\').into_iter().chain([c]);
            Some(word.chars().flat_map(escaped).collect())
        }
    }
}

/// Returns what may stand in the place of the last word, as the shell's script takes it.
fn lines(shell: Shell, typed: Typed, given: Common) -> Vec<String> {
    let Typed { words, open } = typed;
    let line = PartialLine::read(&words);
    let is_kind = |kind: &KitEntryKind| line.as_ref().is_some_and(|l| l.has("kind", kind.word()));
    let known = KnownWords {
        kind: KitEntryKind::ALL.into_iter().find(is_kind),
        home: folder(&line.map_or(given, |line| line.common)),
    };
    let mut command = with_values(fitting::command(), &Arc::new(known));
    let is_flag = words.last().is_some_and(|word| word.starts_with('-'));
    let takes_more = takes_more(&command, &words);
    let (last, all) = (words.len() - 1, words.into_iter().map(OsString::from));
    let found = complete(&mut command, all.collect(), last, None).unwrap_or_default();
    let line = |candidate: &CompletionCandidate| {
        let word = candidate
            .get_value()
            .to_str()
            .filter(|word| shown(word) == **word)?;
        // Of a command that takes more than flags these are told to whoever begins one.
        if word.starts_with('-') && takes_more && !is_flag {
            return None;
        }
        let help = candidate.get_help().map(ToString::to_string);
        let help = help.and_then(|help| help.lines().next().map(shown));
        Some(match (shell, help) {
            (Shell::Bash, _) => for_bash(word, open)?,
            (Shell::Zsh, help) => {
                let word = word.replace('\\', r"\\").replace(':', r"\:");
                help.map_or(word.clone(), |help| format!("{word}:{help}"))
            }
            (_, Some(help)) => format!("{word}\t{help}"),
            (_, None) => word.to_owned(),
        })
    };
    found.iter().filter_map(line).collect()
}

/// Whether the command that is being typed takes more than flags.
fn takes_more(command: &clap::Command, words: &[String]) -> bool {
    let mut innermost = command;
    for word in words.iter().skip(1) {
        innermost = innermost.find_subcommand(word).unwrap_or(innermost);
    }
    innermost.has_subcommands() || innermost.get_positionals().next().is_some()
}

/// What a value is, where it is more than a path.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum ValueKind {
    PluggedCard,
    KitCard,
    KitReader,
    KitDrive,
    KitEntry,
    UsualSet,
    Offload,
    Place,
    Shoot,
    Bus,
    Link,
    /// The word that asks for all ids.
    AllIds,
    Hash,
}

/// Returns what an argument of a command takes.
fn values(command: &str, argument: &str) -> &'static [ValueKind] {
    use ValueKind::{
        AllIds, Bus, Hash, KitCard, KitDrive, KitEntry, KitReader, Link, Offload, Place,
        PluggedCard, Shoot, UsualSet,
    };
    match (command, argument) {
        ("copy" | "plan", "cards") | ("prove" | "rate" | "footage", "card") => &[PluggedCard],
        ("copy" | "plan" | "fetch", "to")
        | ("prove", "on")
        | ("upgrade", "drives" | "new_drives") => &[KitDrive],
        ("verify", "offloads") => &[KitDrive, Offload],
        ("send", "to" | "list") | ("fetch", "offload") | ("check", "place") => &[Place],
        ("report", "offload") | ("send", "offloads") => &[Offload],
        ("inspect", "what") => &[PluggedCard, Offload],
        (_, "shoot") => &[Shoot],
        (_, "usual") => &[UsualSet],
        (_, "as_card") => &[KitCard],
        (_, "in_reader") | ("card", "reader") => &[KitReader],
        ("remove", "name") => &[KitEntry],
        (_, "bus") => &[Bus, AllIds],
        (_, "link") => &[Link, AllIds],
        ("upgrade", "card" | "new_card") => &[KitCard, Bus],
        ("upgrade", "reader" | "new_reader") => &[KitReader, Bus, Link],
        ("upgrade", "port" | "new_port") => &[Link],
        (_, "also") => &[Hash],
        _ => &[],
    }
}

/// Tells the engine what the arguments of a command and of those below it take.
fn with_values(command: clap::Command, known: &Arc<KnownWords>) -> clap::Command {
    let name = command.get_name().to_owned();
    let command = command.mut_args(|argument| {
        let values = values(&name, argument.get_id().as_str());
        if values.is_empty() {
            return argument;
        }
        let known = Arc::clone(known);
        let all = move || values.iter().flat_map(|kind| known.words(*kind)).collect();
        argument.add(ArgValueCandidates::new(all))
    });
    let below: Vec<String> = command
        .get_subcommands()
        .map(|below| below.get_name().to_owned())
        .collect();
    below.into_iter().fold(command, |command, name| {
        command.mut_subcommand(name, |below| with_values(below, known))
    })
}

/// What is known on this computer.
struct KnownWords {
    home: Option<Utf8PathBuf>,
    /// The kind of entry of the kit that is asked for.
    kind: Option<KitEntryKind>,
}

impl KnownWords {
    fn words(&self, kind: ValueKind) -> Vec<CompletionCandidate> {
        let named = |names: Vec<String>| {
            let plain = |name: &String| !name.starts_with('-');
            let names = names.into_iter().filter(plain).take(WORDS_MAX);
            names.map(CompletionCandidate::new).collect()
        };
        match kind {
            ValueKind::PluggedCard => named(self.plugged_cards()),
            ValueKind::KitCard => named(self.kit_names(KitEntryKind::Card)),
            ValueKind::KitReader => named(self.kit_names(KitEntryKind::Reader)),
            ValueKind::KitDrive => named(self.kit_names(KitEntryKind::Drive)),
            ValueKind::Place => named(self.kit_names(KitEntryKind::Place)),
            ValueKind::KitEntry => named(self.kind.map_or(Vec::new(), |k| self.kit_names(k))),
            ValueKind::UsualSet => named(self.usual_sets()),
            ValueKind::Offload => named(self.offloads()),
            ValueKind::Shoot => named(self.shoots()),
            ValueKind::Bus => links(true),
            ValueKind::Link => links(false),
            ValueKind::AllIds => {
                vec![CompletionCandidate::new(LIST).help(Some("Show all".into()))]
            }
            ValueKind::Hash => named(Also::ALL.map(|hash| hash.id().to_owned()).into()),
        }
    }

    fn kit(&self) -> Kit {
        let kit = self.home.as_ref().map(|home| kit_file::read(home));
        kit.and_then(Result::ok).unwrap_or_default()
    }

    fn kit_names(&self, kind: KitEntryKind) -> Vec<String> {
        let kit = self.kit();
        match kind {
            KitEntryKind::Card => kit.cards.into_iter().map(|card| card.name).collect(),
            KitEntryKind::Reader => kit.readers.into_iter().map(|reader| reader.name).collect(),
            KitEntryKind::Drive => kit.drives.into_iter().map(|drive| drive.name).collect(),
            KitEntryKind::Place => kit.places.into_iter().map(|place| place.name).collect(),
        }
    }

    fn usual_sets(&self) -> Vec<String> {
        let sets = self.kit().usual.into_iter();
        sets.filter_map(|set| set.name).collect()
    }

    fn ledger(&self) -> Ledger {
        let text = self
            .home
            .as_ref()
            .map(|home| read_tail(&home.join(LEDGER), LEDGER_MAX));
        let text = text.and_then(Result::ok);
        text.map_or_else(Ledger::default, |(text, _)| Ledger::from_text(&text))
    }

    /// The shoots, the latest first.
    fn shoots(&self) -> Vec<String> {
        let entries = self.ledger().entries.into_iter().rev();
        once_each(entries.filter_map(|entry| Some(entry.shoot?.name)))
    }

    /// The offloads that are where they were made, the latest first.
    fn offloads(&self) -> Vec<String> {
        let entries = self.ledger().entries.into_iter().rev();
        let places = entries
            .flat_map(|entry| entry.places)
            .map(|place| place.path);
        let places = once_each(places).into_iter();
        places.filter(|path| Utf8Path::new(path).is_dir()).collect()
    }

    fn plugged_cards(&self) -> Vec<String> {
        let plugged = plugged(&self.kit(), &OsDisk::new()).ok().flatten();
        let cards = plugged.into_iter().flatten();
        let cards = cards.filter(|one| matches!(one.role, Role::Card(_)));
        cards.map(|card| card.path.into_string()).collect()
    }
}

/// The names of the link table: of a row its id, and the short name that people give it.
fn links(card_buses: bool) -> Vec<CompletionCandidate> {
    let word = |name: &'static str, words: &'static str| {
        CompletionCandidate::new(name).help(Some(words.into()))
    };
    let names = |row: &'static LinkRow| row.also.first().into_iter().chain([&row.id]);
    let of_row = |row: &'static LinkRow| names(row).map(|name| word(name, row.words));
    rows(card_buses).flat_map(of_row).collect()
}

fn once_each(words: impl Iterator<Item = String>) -> Vec<String> {
    let mut seen = BTreeSet::new();
    let new = words.filter(|word| seen.insert(word.clone()));
    new.take(WORDS_MAX).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_are_read_as_a_shell_reads_them() {
        for (word, text, open) in [
            ("", "", None),
            ("Attic", "Attic", None),
            (r"Kite\ Dr", "Kite Dr", None),
            ("'Kite Dr", "Kite Dr", Some('\'')),
            ("'Kite Drive'", "Kite Drive", None),
            ("\"Kite's", "Kite's", Some('"')),
            (r#""a\"b"#, "a\"b", Some('"')),
            (r"'a\b", r"a\b", Some('\'')),
            ("\\", "", None),
        ] {
            assert_eq!(unquoted(word), (text.to_owned(), open), "{word}");
        }
        let words = |line: &str| -> Vec<String> { line.split(' ').map(str::to_owned).collect() };
        let of = |shell, line: &str| typed(shell, &words(line)).words;
        assert_eq!(of(Shell::Bash, "unlade --to = A"), ["unlade", "--to", "A"]);
        assert_eq!(of(Shell::Bash, "unlade --to = "), ["unlade", "--to", ""]);
        assert_eq!(of(Shell::Fish, "a'b a'b"), ["a'b", "ab"]);
        assert_eq!(of(Shell::Zsh, "a'b a'b"), ["a'b", "a'b"]);
    }

    #[test]
    fn a_word_goes_into_a_line_of_bash_as_one_word() {
        let of = |word| for_bash(word, None).unwrap();
        assert_eq!(of("uhs-i"), "uhs-i");
        assert_eq!(of("Kite Drive"), r"Kite\ Drive");
        assert_eq!(of("$(touch x);*~"), r"\$\(touch\ x\)\;\*\~");
        assert_eq!(for_bash("a b", Some('\'')).unwrap(), "a b");
        assert_eq!(for_bash("a'b", Some('\'')), None);
        assert_eq!(for_bash("a$b", Some('"')), None);
    }
}
