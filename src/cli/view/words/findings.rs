//! Owns what is said of an offload that was read again.

use crate::cli::system::notice::Notice;
use crate::cli::view::out::Out;
use crate::cli::view::text::wrap;
use crate::cli::view::words::notice::of_answer;
use unlade::error::ProblemKind;
use unlade::name::shown;
use unlade::record::layout::Layout;
use unlade::record::media_hash_list::is_of_history;
use unlade::record::signature::TrustedKeys;
use unlade::units::{count, counted, size, time};
use unlade::verify::{Finding, FindingCounts, Findings, Remark, Signature, path_of};

/// What is said of one checked offload or folder, in its parts.
pub(crate) struct FindingsWords<'a> {
    /// What was read, and how much of it matches.
    pub(crate) head: String,
    /// Who signed, or what it was held against: a label and a sentence.
    pub(crate) by: Option<(&'static str, String)>,
    /// What was found, each with the word for its kind; further ones are counted.
    pub(crate) found: Vec<(&'static str, String)>,
    pub(crate) more: usize,
    pub(crate) notes: Vec<String>,
    /// What to do, and where other copies are.
    pub(crate) steps: Vec<&'a str>,
    /// The answer: its word, whether that is good, and its sentence.
    pub(crate) answer: (&'static str, bool, String),
}

impl<'a> FindingsWords<'a> {
    /// Says it of so many findings at most. `name` is what the offload is called, and `others` say
    /// where other copies of it are.
    pub(crate) fn of(
        (path, name): (&str, &str),
        f: &Findings,
        expected: Option<&TrustedKeys>,
        others: &'a [String],
        most: usize,
        out: Out,
    ) -> Self {
        let steps = next_after(f).into_iter();
        Self {
            head: head(path, name, f, out),
            by: signed_words(f, expected).map(|text| ("Signed", text)),
            found: f.findings.iter().take(most).map(finding_words).collect(),
            more: f.findings.len().saturating_sub(most),
            notes: finding_notes(f),
            steps: steps.chain(others.iter().map(String::as_str)).collect(),
            answer: answer_words(name, f),
        }
    }
}

pub(crate) fn finding_words(finding: &Finding) -> (&'static str, String) {
    let moved;
    let (word, p, why) = match finding {
        Finding::Missing(p) => ("missing", p, None),
        Finding::Changed(p, why) => ("changed", p, Some(why)),
        Finding::Extra(p) => ("extra", p, None),
        Finding::Unreadable(p, why) => ("unread", p, Some(why)),
        Finding::Untrusted(p, why) => ("not good", p, Some(why)),
        Finding::Unchecked(p, why) => ("no check", p, Some(why)),
        Finding::Moved(p, to) => {
            moved = if finding.is_in_trash() {
                format!("is in a Trash, at `{to}`: not safe there")
            } else {
                format!("is whole at `{to}`")
            };
            ("moved", p, Some(&moved))
        }
    };
    let why = why.map_or_else(String::new, |why| format!(": {}", shown(why)));
    (word, format!("`{}`{why}", shown(p)))
}

/// How many findings are told one by one.
pub(crate) fn findings_told(out: Out) -> usize {
    if out.verbose {
        FINDINGS_SHOWN
    } else {
        FINDINGS_FIRST
    }
}

/// Returns the lines for one checked offload or folder, the answer last.
pub(crate) fn findings_lines(words: FindingsWords<'_>, out: Out) -> Vec<String> {
    let mut lines = vec![String::new()];
    lines.extend(wrap(&words.head, out.width, "", "  "));
    if let Some((label, text)) = &words.by {
        let begin = format!("  {label:<8} ");
        lines.extend(wrap(text, out.width, &begin, "           "));
    }
    for (word, text) in &words.found {
        lines.extend(wrap(
            text,
            out.width,
            &format!("  {word:<8} "),
            "           ",
        ));
    }
    if words.more > 0 {
        lines.push(format!("  and {} more; --json has all", words.more));
    }
    let notes = words.notes.iter().map(String::as_str);
    for text in notes.chain(words.steps) {
        lines.extend(wrap(text, out.width, "  ", "  "));
    }
    lines.push(String::new());
    let (word, good, rest) = words.answer;
    let heading = out.heading(word, good);
    let width = out.width + heading.len() - word.len();
    lines.extend(wrap(&format!("{heading}. {rest}"), width, "", ""));
    lines
}

/// Returns the lines for one of several offloads, of which nothing is to be told but that it is
/// intact; `None` where there is more.
pub(crate) fn intact_lines(path: &str, name: &str, f: &Findings, out: Out) -> Option<Vec<String>> {
    if !f.is_clean() || out.verbose || f.signature != Signature::None {
        return None;
    }
    let head = format!("INTACT  {}", head(path, name, f, out));
    let mut lines = wrap(&head, out.width, "", "    ");
    let keep = "The last copy into it was NOT PROVEN: keep the card.".to_owned();
    let keep = (!f.manifest.verdict.proven).then_some(keep);
    for note in finding_notes(f).into_iter().chain(keep) {
        lines.extend(wrap(&note, out.width, "    ", "    "));
    }
    Some(lines)
}

fn head(path: &str, name: &str, f: &Findings, out: Out) -> String {
    let named = unlade::units::len64(f.manifest.files.len()) + f.earlier - elsewhere(f);
    let way = f.way.words(&f.facts.filesystem);
    let is_told = out.verbose || !f.reached_device() || way != f.way.id();
    let equal = (f.equal, f.equal_bytes);
    checked_head(
        (path, name),
        (equal, named),
        f.took,
        is_told.then_some(&*way),
    )
}

/// `KITES on Attic, /media/Attic/KITES: 1,204 of 1,204 files match, 128 GB in 12 min`.
pub(crate) fn checked_head(
    (path, name): (&str, &str),
    ((equal, bytes), named): ((u64, u64), u64),
    took: std::time::Duration,
    way: Option<&str>,
) -> String {
    let path = shown(path);
    let at = if name == path {
        path
    } else {
        format!("{name}, {path}")
    };
    let worth = way.map_or_else(String::new, |way| format!(" ({way})"));
    format!(
        "{at}: {} of {} match, {} in {}{worth}",
        count(equal),
        counted(named, "file"),
        size(bytes),
        time(took),
    )
}

/// Returns the answer as a notice.
pub(crate) fn findings_notice(name: &str, f: &Findings) -> Notice {
    let (word, good, rest) = answer_words(name, f);
    of_answer(name, word, good, &format!("{word}. {rest}"))
}

/// Returns what is called so, as a sentence begins: the folder that one is in has no name.
pub(crate) fn subject(name: &str) -> &str {
    match name {
        "." | "./" => "This folder",
        name => name,
    }
}

fn answer_words(name: &str, f: &Findings) -> (&'static str, bool, String) {
    let name = subject(name);
    let is_all_unread = f.unread() == unlade::units::len64(f.findings.len());
    if f.interrupted {
        ("STOPPED", false, format!("{name} was not read to its end."))
    } else if f.is_clean() {
        ("INTACT", true, format!("{name} is what its manifest says."))
    } else if is_all_unread {
        (
            "NOT CHECKED",
            false,
            format!("{name}: {}.", found(&f.findings)),
        )
    } else {
        (
            "NOT INTACT",
            false,
            format!("{name}: {}.", what_is_wrong(&f.findings)),
        )
    }
}

/// Only what there is of: `1 missing, 2 changed`.
pub(crate) fn what_is_wrong(findings: &[Finding]) -> String {
    let all = found(findings);
    let there = all.split(", ").filter(|part| !part.starts_with("0 "));
    there.collect::<Vec<_>>().join(", ")
}

/// Findings that are printed one by one: with --verbose, and so that they are on one screen.
pub(crate) const FINDINGS_SHOWN: usize = 40;
const FINDINGS_FIRST: usize = 8;

/// What the manifest itself may say.
const WHY_NOT: &str = "NOT PROVEN; the reasons are in `_unlade/report.html`";

/// What to do about a read that may have come from memory.
#[cfg(not(windows))]
pub(crate) const CACHED_NOTE: &str = "What was read may have come from the computer's memory, not \
    from the drive. Unplug the drive, plug it in again, and run this as root, or with the drive \
    mounted by the system's own driver for it.";

#[cfg(windows)]
pub(crate) const CACHED_NOTE: &str = "What was read may have come from the computer's memory, not \
    from the drive. Unplug the drive, plug it in again, and run this in Windows itself (not in \
    Wine), on a folder that Windows does not keep compressed.";

/// What to do about what could not be read on a drive.
pub(crate) const UNREAD_STEP: &str = "What could not be read is neither good nor changed. Check \
    the drive, its cable and its port, and who may read the files, then run the same command \
    again.";

/// What to do about files that are whole under other names.
const MOVED_STEP: &str = "What was moved is whole; put it back where its list or \
    manifest has it, or keep it so.";

/// What to do about files that are in a Trash.
const TRASH_STEP: &str = "What is in a Trash is gone once it is emptied: bring it back to \
    where its list or manifest has it, before anything else.";

/// Returns what to do about files that are not where they should be.
pub(crate) fn moved_steps(findings: &[Finding]) -> impl Iterator<Item = &'static str> {
    let moved = findings.iter().filter(|f| matches!(f, Finding::Moved(..)));
    let (trash, others): (Vec<_>, Vec<_>) = moved.partition(|f| f.is_in_trash());
    let trash = (!trash.is_empty()).then_some(TRASH_STEP);
    let others = (!others.is_empty()).then_some(MOVED_STEP);
    trash.into_iter().chain(others)
}

/// How many of each kind of finding there are.
pub(crate) fn found(findings: &[Finding]) -> String {
    let counts = FindingCounts::of(findings);
    let mut text = format!(
        "{} missing, {} changed, {} extra",
        counts.missing, counts.changed, counts.extra
    );
    let mut add = |n: u64, one: &str, many: &str| {
        if n > 0 {
            text.push_str(&format!(", {n} {}", if n == 1 { one } else { many }));
        }
    };
    add(counts.moved, "moved", "moved");
    add(counts.unread, "could not be read", "could not be read");
    add(
        counts.unchecked,
        "could not be checked",
        "could not be checked",
    );
    add(
        counts.untrusted,
        "signature not good",
        "signatures not good",
    );
    text
}

/// Who signed, and what that is worth. What is not good is among the findings.
fn signed_words(f: &Findings, expected: Option<&TrustedKeys>) -> Option<String> {
    Some(match (&f.signature, expected) {
        (Signature::None | Signature::Broken, _) => return None,
        (_, Some(expected)) if !f.is_signed_by(expected) => return None,
        (Signature::Intact(by), Some(_)) => {
            format!("intact, by a key that you expect: {}", by.fingerprint())
        }
        (Signature::Intact(by), None) => format!(
            "intact, by the key {}. That says that whoever holds this key signed this manifest, \
            not who that is; --signed-by FILE holds it against a key that you know.",
            by.fingerprint()
        ),
        (Signature::Unchecked(why), _) => format!("perhaps; {why}."),
    })
}

fn next_after(f: &Findings) -> Vec<&'static str> {
    let unread = (f.unread() > 0 && !f.interrupted).then_some(UNREAD_STEP);
    let is_all = f.unread() == unlade::units::len64(f.findings.len());
    let others = (unread.is_none() || !is_all).then(|| next_after_others(f));
    let is_any = f.findings.iter().any(Finding::is_in_trash);
    let trash = (is_any && !f.interrupted && others != Some(TRASH_STEP)).then_some(TRASH_STEP);
    trash.into_iter().chain(others).chain(unread).collect()
}

fn next_after_others(f: &Findings) -> &'static str {
    let (missing, changed, extra) = f.counts();
    if f.interrupted {
        "Run the same command again; a check starts over."
    } else if f.is_untrusted() {
        "Do not rely on this manifest as it is. Compare it with the one on another drive, which is \
        the same on every drive, or ask whoever signed it."
    } else if !f.findings.is_empty() && f.only_records() {
        let mut paths = f.findings.iter().map(path_of);
        match f.manifest.offload.layout {
            Layout::Plain if paths.any(is_of_history) => {
                "The files are as they were copied; what differs is in `ascmhl`, the media hash \
                list. Put that folder back as it was. That of another copy is no substitute: each \
                drive has one of its own."
            }
            Layout::Plain => {
                "The files are as they were copied; what differs is in `_unlade`. The same folder \
                of another copy of this offload says what belongs there."
            }
            Layout::Bag => {
                "The files are as they were copied; what differs is in `_unlade` and the bag's tag \
                files. The same files of another copy of this offload say what belongs there."
            }
        }
    } else if missing + changed > 0 {
        ProblemKind::Changed.next_step()
    } else if FindingCounts::of(&f.findings).moved > 0 {
        moved_steps(&f.findings).last().unwrap_or(MOVED_STEP)
    } else if extra > 0 {
        ProblemKind::Extra.next_step()
    } else if matches!(f.signature, Signature::Unchecked(_)) {
        "The files were checked, the signature was not; see above."
    } else if !f.reached_device() {
        "Nothing can be said about the drive yet; see the note."
    } else if elsewhere(f) > 0 {
        "These files are as they were copied. Verify the offloads named above as well: only all \
        together hold the card."
    } else if !f.manifest.verdict.proven {
        "These files are as they were copied, but the last copy into this offload was NOT \
        PROVEN: keep the card. The reasons are in `_unlade/report.html`."
    } else {
        "Check again before you rely on this copy alone."
    }
}

/// Files of the manifest that lie in other offloads.
fn elsewhere(f: &Findings) -> u64 {
    f.elsewhere.values().sum()
}

fn finding_notes(f: &Findings) -> Vec<String> {
    let mut notes = Vec::new();
    for (offload, files) in &f.elsewhere {
        notes.push(format!(
            "{} {} in the earlier offload `{}`, not here; verify that as well.",
            counted(*files, "file"),
            if *files == 1 { "is" } else { "are" },
            shown(offload)
        ));
    }
    if !f.litter.is_empty() {
        let entries = counted_entries(f.litter.len());
        notes.push(format!("{entries} made by a computer since; no fault."));
    }
    if f.salvaged > 0 {
        notes.push(format!(
            "{} as the lists beside them say; they are no copies.",
            counted(f.salvaged, "salvaged file")
        ));
    }
    if f.earlier > 0 {
        notes.push(format!(
            "{} only in the manifest of an earlier copy, and checked with it.",
            counted(f.earlier, "file")
        ));
    }
    notes.extend(f.remarks.iter().map(|remark| {
        match remark {
            Remark::CutShort => {
                "A later copy into this offload was cut short; the same command again finishes it."
            }
            Remark::Incomplete => {
                "Of an earlier copy's files in `_unlade` some are not there, as after a power cut; \
                the latest are."
            }
            Remark::NoPage => {
                "The report page is gone; the manifest, which it was made from, is there."
            }
            Remark::ForeignPage => {
                "A report page was made by another version of unlade and was not compared; the \
                manifest was."
            }
            Remark::LitterInBag => {
                "System files are in the bag's `data`; programs that check bags will reject it \
                until they are removed."
            }
        }
        .to_owned()
    }));
    if f.in_memory {
        notes.push("This offload is in memory, not on a drive.".to_owned());
    } else if !f.reached_device() {
        notes.push(CACHED_NOTE.to_owned());
    }
    // Where all else is well the step says so.
    if !f.manifest.verdict.proven && !f.is_clean() {
        notes.push(format!("The last copy into this offload was {WHY_NOT}."));
    }
    notes
}

pub(crate) fn counted_entries(n: usize) -> String {
    if n == 1 {
        "1 entry".to_owned()
    } else {
        format!("{} entries", count(unlade::units::len64(n)))
    }
}
