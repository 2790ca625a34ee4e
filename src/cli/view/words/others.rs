//! Owns what is said of a folder that was checked against the lists of others.

use crate::cli::args::meant::quoted;
use crate::cli::system::notice::Notice;
use crate::cli::view::out::Out;
use crate::cli::view::text::wrap;
use crate::cli::view::words::findings::{
    CACHED_NOTE, FindingsWords, UNREAD_STEP, checked_head, counted_entries, finding_words,
    moved_steps, subject, what_is_wrong,
};
use crate::cli::view::words::notice::of_answer;
use unlade::name::shown;
use unlade::units::{counted, len64};
use unlade::verify::others::{LIST_WORTH, OthersFindings, RecordKind, RecordRead};
use unlade::verify::{Finding, FindingCounts, Signature};

/// Returns what is said of one folder.
pub(crate) fn others_words(
    (path, name): (&str, &str),
    f: &OthersFindings,
    most: usize,
    out: Out,
) -> FindingsWords<'static> {
    FindingsWords {
        head: head(path, name, f, out),
        by: Some(("Checked", records(f))),
        found: f.findings.iter().take(most).map(finding_words).collect(),
        more: f.findings.len().saturating_sub(most),
        notes: notes(f),
        steps: next(f),
        answer: answer(name, f),
    }
}

/// Returns the lines for one of several folders that is as its list says.
pub(crate) fn others_intact_lines(
    path: &str,
    name: &str,
    f: &OthersFindings,
    out: Out,
) -> Option<Vec<String>> {
    if !f.is_clean() || out.verbose {
        return None;
    }
    let head = format!("INTACT  {}. By {}", head(path, name, f, out), records(f));
    let mut lines = wrap(&head, out.width, "", "    ");
    for note in notes(f) {
        lines.extend(wrap(&note, out.width, "    ", "    "));
    }
    Some(lines)
}

/// Returns the answer as a notice.
pub(crate) fn others_notice(name: &str, f: &OthersFindings) -> Notice {
    let (word, good, rest) = answer(name, f);
    of_answer(name, word, good, &format!("{word}. {rest}"))
}

/// Returns how many of each kind of finding there are.
pub(crate) fn found_by_others(f: &OthersFindings) -> String {
    if f.named == 0 && f.findings.is_empty() {
        return "its lists name no file".to_owned();
    }
    if f.findings.is_empty() && matches!(f.added, Some(Err(_))) {
        return "the check could not be written down".to_owned();
    }
    if f.findings.is_empty() && !f.reached_device() {
        return "what was read may have come from memory".to_owned();
    }
    what_is_wrong(&f.findings)
}

/// Returns what to do about a folder without any list; `below` are lists in folders of it.
pub(crate) fn others_next(path: &str, below: &[String]) -> String {
    let Some(first) = below.first() else {
        return "give the folder that holds `_unlade`, a bag or a checksum list; a list that is \
            elsewhere with --list. `unlade prove` compares a folder without any list with its \
            card."
            .to_owned();
    };
    let folder = first.rsplit_once('/').map_or(first.as_str(), |(f, _)| f);
    // A history is about the folder that its own is in.
    let folder = folder.strip_suffix("/ascmhl").unwrap_or(folder);
    format!(
        "a list is further down, `{}`. If its paths begin there: `unlade verify {}`.",
        shown(first),
        quoted(
            format!("{}/{folder}", path.trim_end_matches('/'))
                .as_str()
                .into()
        )
    )
}

fn head(path: &str, name: &str, f: &OthersFindings, out: Out) -> String {
    let way = f.way.words(&f.facts.filesystem);
    let is_told = out.verbose || !f.reached_device() || way != f.way.id();
    let equal = (f.equal, f.equal_bytes);
    checked_head(
        (path, name),
        (equal, f.named),
        f.took,
        is_told.then_some(&*way),
    )
}

/// Lists that are named one by one.
const LISTS_SHOWN: usize = 8;

/// `bag (BagIt 1.0) manifest-sha256.txt, 8 files; checksum list kites.md5 (md5), 8 files`.
fn records(f: &OthersFindings) -> String {
    lists_words(f, LISTS_SHOWN).join("; ")
}

/// Returns each list in words, so many of them.
pub(crate) fn lists_words(f: &OthersFindings, most: usize) -> Vec<String> {
    let mut words: Vec<String> = f.records.iter().take(most).map(record_words).collect();
    let more = f.records.len().saturating_sub(most);
    if more > 0 {
        words.push(format!("and {more} more"));
    }
    words
}

fn record_words(record: &RecordRead) -> String {
    let name = shown(&record.name);
    let files = counted(record.files, "file");
    match record.kind {
        RecordKind::Bag((major, minor)) => {
            format!("bag (BagIt {major}.{minor}) `{name}`, {files}")
        }
        RecordKind::List => {
            let kinds: Vec<String> = record.hashes.iter().map(ToString::to_string).collect();
            format!("checksum list `{name}` ({}), {files}", kinds.join(" or "))
        }
        RecordKind::Mhl(generations) => format!(
            "ASC media hash list `{name}`, {}, {files}",
            counted(generations, "generation")
        ),
    }
}

fn notes(f: &OthersFindings) -> Vec<String> {
    let mut notes = Vec::new();
    let unknown = f.records.iter().filter(|record| record.unknown > 0);
    let unknown = unknown.map(|record| record.name.as_str());
    for name in f
        .unused
        .iter()
        .map(String::as_str)
        .chain(unknown)
        .take(LISTS_SHOWN)
    {
        notes.push(format!(
            "`{}` has hashes that are not known here. Those were not checked.",
            shown(name)
        ));
    }
    if f.left_out > 0 {
        notes.push(format!(
            "{} left out by the list's own patterns: nothing is known of {}.",
            if f.left_out == 1 {
                "1 file is".to_owned()
            } else {
                format!("{} files are", f.left_out)
            },
            if f.left_out == 1 { "it" } else { "them" },
        ));
    }
    notes.extend(begins_below(f));
    if let Some(Signature::Intact(by)) = &f.signature {
        let by = by.fingerprint();
        notes.push(format!(
            "The manifest's signature is intact, and by the key {by}."
        ));
    }
    notes.extend(f.added.as_ref().map(|added| match added {
        Ok(path) => format!("The check is written down: `{}`.", shown(path)),
        Err(why) => format!("The check could not be written down: {}.", shown(why)),
    }));
    if f.cut_short && f.added.is_none() {
        notes.push(
            "Writing a check down was cut short here; `--add-generation` goes on with it."
                .to_owned(),
        );
    }
    if !f.litter.is_empty() {
        let entries = counted_entries(f.litter.len());
        notes.push(format!("{entries} made by a computer since; no fault."));
    }
    if f.in_memory {
        notes.push("This folder is in memory, not on a drive.".to_owned());
    } else if !f.reached_device() {
        notes.push(CACHED_NOTE.to_owned());
    }
    notes
}

/// Says so where a list fits as a whole, but only from a folder below.
fn begins_below(f: &OthersFindings) -> Option<String> {
    let moved = f.findings.iter().filter_map(|finding| match finding {
        Finding::Moved(from, to) => {
            let below = to.strip_suffix(from.as_str());
            Some(below.and_then(|below| below.strip_suffix('/')))
        }
        _ => None,
    });
    let mut below: Vec<Option<&str>> = moved.collect();
    below.dedup();
    match below.as_slice() {
        [Some(folder)] if f.equal == 0 => Some(format!(
            "The list fits from `{}` on: with --list FILE and --base DIR it begins there.",
            shown(folder)
        )),
        _ => None,
    }
}

/// What to do about files that are not what a list says.
const HURT_STEP: &str = "Take what is missing or changed from another copy, or from whoever made \
    the list.";

fn next(f: &OthersFindings) -> Vec<&'static str> {
    let counts = FindingCounts::of(&f.findings);
    let mut steps = Vec::new();
    if f.interrupted {
        return vec!["Run the same command again; a check starts over."];
    }
    if counts.unread > 0 {
        steps.push(UNREAD_STEP);
    }
    if counts.missing + counts.changed > 0 {
        steps.push(HURT_STEP);
    } else if counts.extra > 0 {
        steps.push(
            "Nothing is known of what is extra: it is in no list. Ask whoever made the list.",
        );
    }
    steps.extend(moved_steps(&f.findings));
    if counts.unchecked > 0 {
        steps.push("What could not be checked is neither good nor changed.");
    }
    if f.is_clean() {
        steps.push(LIST_WORTH);
    }
    steps
}

fn answer(name: &str, f: &OthersFindings) -> (&'static str, bool, String) {
    let (name, counts) = (subject(name), FindingCounts::of(&f.findings));
    if f.interrupted {
        ("STOPPED", false, format!("{name} was not read to its end."))
    } else if f.is_clean() {
        let what = if len64(f.records.len()) == 1 {
            "its list says"
        } else {
            "its lists say"
        };
        ("INTACT", true, format!("{name} is what {what}."))
    } else if f.findings.is_empty() && f.reached_device() && matches!(f.added, Some(Err(_))) {
        let why = "is what its list says, but the check could not be written down";
        ("INTACT", false, format!("{name} {why}."))
    } else if counts.is_all_untold() {
        let why = found_by_others(f);
        ("NOT CHECKED", false, format!("{name}: {why}."))
    } else {
        let why = found_by_others(f);
        ("NOT INTACT", false, format!("{name}: {why}."))
    }
}
