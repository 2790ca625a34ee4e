//! Owns what to do next after a copy that is not PROVEN, or is so without one of its drives: one
//! step for each kind of trouble, the most telling first, each naming the drives and files that it
//! is about. Text from data only.

use crate::cli::view::words::drives::some_drives;
use std::collections::{BTreeMap, BTreeSet};
use unlade::card::listing::{Row, RowKind};
use unlade::disk::FolderFacts;
use unlade::disk::backing::Backing;
use unlade::error::{Cause, NO_FILES_STEP, Problem, ProblemKind, UNEXPLAINED_STEP};
use unlade::name::{shown, some_of};
use unlade::plan::PlannedDestination;
use unlade::plan::notes::count_independent;
use unlade::proof::Proof;
use unlade::record::layout::Level;
use unlade::units::len64;

/// Steps that are told; more would be read by nobody.
pub(crate) const STEPS_MAX: usize = 3;
/// Files that a step names; the rest are counted.
const NAMES_TOLD: usize = 2;

/// Linux does not mount an NTFS volume that was pulled in the middle, and nobody but Windows should
/// mend it.
const CHECK_NTFS: &str = " If it is formatted as NTFS and cannot be mounted now, let Windows check \
    it first (chkdsk); do not repair it with anything else.";

const WHEN_INTERRUPTED: &str = "It was interrupted. Run the same command again: what was checked \
    is kept, the rest is done then.";

/// The card gave other bytes on the second read.
const OTHER_READER: &str = "Do not trust this reader, its cable or this card. Copy again through \
    another reader, under another --name: the copies made now may hold wrong bytes.";

/// What was left in an earlier offload is not what the card holds now.
const WITHOUT_ONLY_NEW: &str = "Run the command again without --only-new and under another --name: \
    then every file of the card is copied as it is now.";

/// The second read may have come from the computer's memory.
const CARD_IN_AGAIN: &str = "Take the card out, put it in again, and run the same command again: \
    the second read has to come from the card.";

/// What can be the matter with an offload that is copied further.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
enum OriginalFault {
    Gone,
    Bad,
    Doubted,
}

/// What a step is about. The order is that in which they are told: what happened to the card and to
/// bytes before what is only in the way, and what follows from the others last.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
enum Topic {
    NoFiles,
    Original(OriginalFault),
    Reader,
    CardUnreadable,
    CardDenied,
    Unexplained,
    CardGone,
    LeftChanged,
    CardChanged,
    DriveDiffers,
    DriveGone,
    NoRoom,
    ReadOnly,
    WriteFailed,
    /// On this drive: what would go for one need not go for another.
    MoveAside(usize),
    Missing,
    Rewritten,
    BothStay,
    SameNames,
    OtherWriter,
    InMemory,
    FromMemory,
    SecondFromMemory,
    OddEntries,
    Written,
    OtherHash,
    SameDevice,
    TooFew,
    Other(ProblemKind),
}

/// The files and drives that one step is about.
#[derive(Default)]
struct About<'a> {
    problems: Vec<&'a Problem>,
    files: BTreeSet<&'a str>,
    drives: BTreeSet<usize>,
}

/// One kind of trouble and what to do about it.
pub(crate) struct Shortcoming<'a> {
    /// The problems that it shows in; none where the person stopped the job.
    pub(crate) problems: Vec<&'a Problem>,
    /// What to do.
    pub(crate) step: String,
}

/// Returns what to do, one step for each kind of trouble, at most [`STEPS_MAX`].
pub(crate) fn steps(proof: &Proof) -> Vec<String> {
    let troubles = troubles(proof).into_iter();
    troubles.take(STEPS_MAX).map(|t| t.step).collect()
}

/// Returns every kind of trouble, the most telling first.
pub(crate) fn troubles(proof: &Proof) -> Vec<Shortcoming<'_>> {
    let alone = |step: &str| Shortcoming {
        problems: Vec::new(),
        step: step.to_owned(),
    };
    if proof.offloaded().interrupted {
        return vec![alone(WHEN_INTERRUPTED)];
    }
    let topics = topics(proof);
    let is_only_odd = topics.keys().all(|t| *t == Topic::OddEntries);
    let mut troubles: Vec<Shortcoming<'_>> = topics
        .into_iter()
        .map(|(topic, about)| Shortcoming {
            step: step(proof, topic, &about),
            problems: about.problems,
        })
        .collect();
    if is_only_odd && let Some(trouble) = troubles.first_mut() {
        trouble.step.push_str(" All else is copied.");
    }
    if troubles.is_empty() {
        troubles.push(alone("Run the same command again."));
    }
    troubles
}

fn topics(proof: &Proof) -> BTreeMap<Topic, About<'_>> {
    let odd = odd_entries(proof);
    let mut topics: BTreeMap<Topic, About<'_>> = BTreeMap::new();
    let blocking = proof.problems().iter().filter(|p| p.blocking);
    for problem in blocking.chain(proof.spared()) {
        let Some(topic) = topic(proof, problem, &odd) else {
            continue;
        };
        let about = topics.entry(topic).or_default();
        about.problems.push(problem);
        about.files.extend(problem.path.as_deref());
        about.drives.extend(problem.destination);
    }
    // Too few copies follow from the rest, unless there would be too few of them anyway.
    let others = topics.keys().any(|t| *t != Topic::TooFew);
    let says_more = [Topic::SameDevice, Topic::InMemory];
    if others && (says_more.iter().any(|t| topics.contains_key(t)) || has_enough_drives(proof)) {
        topics.remove(&Topic::TooFew);
    }
    topics
}

fn has_enough_drives(proof: &Proof) -> bool {
    let destinations = proof.plan().destinations.iter();
    let original = proof.plan().original().map(|_| &proof.plan().card.facts);
    let devices: Vec<_> = destinations
        .map(|d| &d.facts)
        .chain(original)
        .map(|facts| (&facts.backing, facts.device))
        .collect();
    let terms = proof.terms();
    count_independent(&devices, terms.separate) >= terms.copies_needed
}

/// Returns what a problem asks for; `None` for one that only counts others.
fn topic(proof: &Proof, p: &Problem, odd: &BTreeSet<String>) -> Option<Topic> {
    let on_drive = p.destination.is_some();
    let path = p.path.as_deref();
    if !on_drive && let Some(original) = proof.plan().original() {
        let of_copies = [ProblemKind::SameDevice, ProblemKind::TooFewCopies];
        let topic = match p.kind {
            _ if original.problems.contains(p) => Some(Topic::Original(OriginalFault::Doubted)),
            ProblemKind::Vanished => Some(Topic::Original(OriginalFault::Gone)),
            ProblemKind::Mismatch
            | ProblemKind::Missing
            | ProblemKind::Unreadable
            | ProblemKind::Changed => Some(Topic::Original(OriginalFault::Bad)),
            kind if of_copies.contains(&kind) => None,
            kind => Some(Topic::Other(kind)),
        };
        if topic.is_some() {
            return topic;
        }
    }
    Some(match p.kind {
        _ if p.cause == Some(Cause::NoFiles) => Topic::NoFiles,
        _ if !on_drive && path.is_some_and(|path| odd.contains(path)) => Topic::OddEntries,
        ProblemKind::Mismatch if !on_drive => Topic::Reader,
        ProblemKind::Mismatch => Topic::DriveDiffers,
        ProblemKind::Unreadable if p.is_unexplained() => Topic::Unexplained,
        ProblemKind::Unreadable if !on_drive => {
            path?;
            if p.cause == Some(Cause::Denied) {
                Topic::CardDenied
            } else {
                Topic::CardUnreadable
            }
        }
        ProblemKind::Vanished if on_drive => Topic::DriveGone,
        ProblemKind::Vanished if path.is_none() => Topic::CardGone,
        ProblemKind::ChangedOnCard if path.is_some_and(|path| is_left(proof, path)) => {
            Topic::LeftChanged
        }
        // A file that went from the card while the card stayed: something changed the card.
        ProblemKind::Vanished | ProblemKind::ChangedOnCard => Topic::CardChanged,
        ProblemKind::NoRoom => Topic::NoRoom,
        ProblemKind::WriteFailed if p.cause == Some(Cause::NowReadOnly) => Topic::ReadOnly,
        ProblemKind::WriteFailed => Topic::WriteFailed,
        ProblemKind::Changed if p.cause == Some(Cause::OtherWriter) => Topic::OtherWriter,
        ProblemKind::Changed => p.destination.map_or(Topic::Other(p.kind), Topic::MoveAside),
        ProblemKind::Missing => Topic::Missing,
        ProblemKind::NameClash if p.cause == Some(Cause::SameName) => Topic::SameNames,
        ProblemKind::NameClash if is_rewritten(proof, p) => Topic::Rewritten,
        ProblemKind::NameClash if on_drive && path.is_some() => Topic::BothStay,
        ProblemKind::NotReadBack if proof.terms().level == Level::Written => Topic::Written,
        ProblemKind::NotReadBack if is_in_memory(proof, p) => Topic::InMemory,
        ProblemKind::NotReadBack if on_drive => Topic::FromMemory,
        ProblemKind::NotReadBack if path.is_some() => Topic::SecondFromMemory,
        ProblemKind::ManifestDamaged if !on_drive && path.is_some() => Topic::OtherHash,
        ProblemKind::SameDevice => Topic::SameDevice,
        ProblemKind::TooFewCopies => Topic::TooFew,
        other => Topic::Other(other),
    })
}

/// Links, sockets and names that no record can hold: no fault of card or reader.
fn odd_entries(proof: &Proof) -> BTreeSet<String> {
    let cannot_be_held = |row: &&Row| match &row.kind {
        RowKind::Trouble { why } => why.cause() == Some(Cause::Odd),
        RowKind::NotText => true,
        _ => false,
    };
    let rows = proof.plan().listing.rows().iter();
    rows.filter(cannot_be_held).map(Row::path).collect()
}

/// Whether a file was left in an earlier offload.
fn is_left(proof: &Proof, path: &str) -> bool {
    let mut jobs = proof.plan().jobs.iter();
    jobs.any(|j| j.name.as_str() == path && j.is_left())
}

/// Whether a problem is about a destination that is no drive at all.
fn is_in_memory(proof: &Proof, p: &Problem) -> bool {
    let destination = p.destination.and_then(|d| proof.plan().destinations.get(d));
    destination.is_some_and(|d| d.facts.backing == Backing::Memory)
}

/// Whether what stands there is the proven copy of what the card held earlier.
fn is_rewritten(proof: &Proof, p: &Problem) -> bool {
    let destination = p.destination.and_then(|d| proof.plan().destinations.get(d));
    match (destination, &p.path) {
        (Some(d), Some(path)) => d.rewritten.contains(path),
        _ => false,
    }
}

fn has_unknown_device(proof: &Proof) -> bool {
    let is_unknown = |facts: &FolderFacts| matches!(facts.backing, Backing::Unknown { .. });
    let mut destinations = proof.plan().destinations.iter();
    destinations.any(|d| is_unknown(&d.facts))
}

/// Returns the places that a step is about: `` `b` ``, `` `a` and `b` ``.
fn places<'a>(
    proof: &'a Proof,
    about: &About<'_>,
    place: impl Fn(&'a PlannedDestination) -> &'a camino::Utf8Path,
) -> String {
    let destinations = about
        .drives
        .iter()
        .filter_map(|d| proof.plan().destinations.get(*d));
    let all = about.drives.len();
    some_of(destinations.map(|d| place(d).as_str()), all, len64(all), "")
}

/// What to do where an offload that is copied further is not what it should be.
fn of_original(proof: &Proof, trouble: OriginalFault, files: &str, n: usize) -> String {
    let it = if n == 1 { "it is" } else { "they are" };
    let given = shown(proof.plan().card.given.as_str());
    if trouble == OriginalFault::Gone {
        return format!("Plug the drive of {given} in again, and run the same command again.");
    }
    if trouble == OriginalFault::Doubted {
        return "The first copy of this card was not proven, and a further copy cannot be better. \
            If the card is still as it was, copy the card again under another --name."
            .to_owned();
    }
    match proof.plan().original().map(|o| o.others.as_slice()) {
        Some([first, ..]) => format!(
            "{files} cannot be copied from {given}. Another copy of this offload may have {it_}: \
            run the command with that as its source, such as `{}`; what is proven is kept.",
            shown(first),
            it_ = if n == 1 { "it" } else { "them" }
        ),
        _ => format!(
            "{files} cannot be copied from {given}, and its manifest names no other copy. If you \
            have one, give that as the source with the same --to: {it} copied from there, and what \
            is proven is kept."
        ),
    }
}

/// Returns what to do first with drives of these file systems that were pulled.
fn after_pull<'a>(mut filesystems: impl Iterator<Item = &'a str>) -> &'static str {
    // FUSE does not say which file system it is.
    let may_be_ntfs = |fs: &str| matches!(fs, "ntfs" | "ntfs3" | "fuseblk");
    if filesystems.any(may_be_ntfs) {
        CHECK_NTFS
    } else {
        ""
    }
}

fn drive_gone(proof: &Proof, about: &About<'_>, drives: &str) -> String {
    let gone = about.drives.iter();
    let gone = gone.filter_map(|d| proof.plan().destinations.get(*d));
    let check = after_pull(gone.map(|d| d.facts.filesystem.as_str()));
    format!("Plug {drives} in again, and run the same command again.{check}")
}

fn now_read_only(drives: &str) -> String {
    format!(
        "Unplug {drives}, have its file system checked (NTFS: on Windows with chkdsk, \
        and with nothing else), then run the same command again: what is proven is kept."
    )
}

fn other_hash(files: &str, is: &str) -> String {
    format!(
        "Keep the card and run the same command again: {files} {is} read anew, and the hashes \
        compared. If they differ again, do not trust this computer's memory."
    )
}

fn denied(files: &str, n: usize) -> String {
    let them = if n == 1 { "it" } else { "them" };
    format!(
        "You may not read {files}; card and reader are not at fault. Run the same command as a \
        user who may (such as root), or mount the card so that you may read {them}."
    )
}

fn odd(files: &str, n: usize) -> String {
    let ordinary = if n == 1 { "file" } else { "files" };
    format!(
        "Look at {files} on the card and copy by hand what you need: no ordinary {ordinary}, too \
        deep in folders, or with a name that no manifest can hold."
    )
}

fn in_memory(drives: &str) -> String {
    format!(
        "Give a folder on a drive in the place of {drives}, which is in this computer's memory: \
        what is there is gone when it is switched off."
    )
}

fn drive_differs(drives: &str) -> String {
    format!(
        "Run the same command again; if what is read back from {drives} differs again, do not \
        trust this drive, its cable or its port."
    )
}

fn no_room(drives: &str) -> String {
    format!(
        "Free some room on {drives}, or give another one with --to; then run the \
        command again."
    )
}

fn rewritten(roots: &str, files: &str) -> String {
    format!(
        "Copy this card under another --name: what is in {roots} as {files} was proven earlier \
        and is not what the card holds now, and so you have both."
    )
}

fn move_aside(roots: &str, files: &str, n: usize) -> String {
    let they_are = if n == 1 { "it is" } else { "they are" };
    format!(
        "Move {files} out of {roots} (keep what you move until all is proven), then run the same \
        command again: {they_are} copied anew."
    )
}

/// Which of the two is good nobody knows here, so neither is to go.
fn both_stay(roots: &str, files: &str) -> String {
    format!(
        "Copy this card under another --name, and move nothing: what is in {roots} as {files} is \
        not what the card gives now, and so you have both. Look at both before you trust either."
    )
}

fn same_names(drives: &str) -> String {
    format!(
        "Use another drive than {drives}, one whose file system keeps capitals and accents apart, \
        such as ext4."
    )
}

fn step(proof: &Proof, topic: Topic, about: &About<'_>) -> String {
    let n = about.files.len();
    let files = some_of(about.files.iter().copied(), NAMES_TOLD, len64(n), "file");
    let drives = some_drives(proof.plan(), about.drives.iter().copied());
    let roots = places(proof, about, |d| &d.payload);
    let is = if n == 1 { "is" } else { "are" };
    match topic {
        Topic::Original(trouble) => of_original(proof, trouble, &files, n),
        Topic::NoFiles => NO_FILES_STEP.to_owned(),
        Topic::Reader => OTHER_READER.to_owned(),
        Topic::CardUnreadable => format!(
            "Stop using this card: {files} could not be read. Try another reader, cable or port, \
            straight into the computer, and run the same command again."
        ),
        Topic::CardDenied => denied(&files, n),
        Topic::Unexplained => UNEXPLAINED_STEP.to_owned(),
        Topic::CardGone => "Put the card back and run the same command again.".to_owned(),
        Topic::LeftChanged => WITHOUT_ONLY_NEW.to_owned(),
        Topic::CardChanged if about.files.is_empty() => {
            ProblemKind::ChangedOnCard.next_step().to_owned()
        }
        Topic::CardChanged => format!(
            "Make sure that nothing else writes to the card ({files} {is} not as at the start), \
            then run the same command again."
        ),
        Topic::DriveDiffers => drive_differs(&drives),
        Topic::DriveGone => drive_gone(proof, about, &drives),
        Topic::NoRoom => no_room(&drives),
        Topic::ReadOnly => now_read_only(&drives),
        Topic::WriteFailed => {
            format!("Check {drives}, its cable and its port, then run the same command again.")
        }
        Topic::MoveAside(_) => move_aside(&roots, &files, n),
        Topic::Missing if about.files.is_empty() => format!(
            "Find out who removes files from {drives}, then run the same command again: what is \
            missing is copied anew."
        ),
        Topic::Missing => {
            format!("Run the same command again: {files} {is} copied to {drives} anew.")
        }
        Topic::Rewritten => rewritten(&roots, &files),
        Topic::BothStay => both_stay(&roots, &files),
        Topic::SameNames => same_names(&drives),
        Topic::OtherWriter => {
            format!("Run the same command again when no other program is at work on {drives}.")
        }
        Topic::InMemory => in_memory(&places(proof, about, |d| &d.given)),
        Topic::FromMemory => format!(
            "Unplug {drives}, plug it in again, and run `unlade verify` on the \
            offload."
        ),
        Topic::SecondFromMemory => CARD_IN_AGAIN.to_owned(),
        Topic::OddEntries => odd(&files, n),
        Topic::Written => {
            "Run the same command without --proof written to read the copies back.".to_owned()
        }
        Topic::OtherHash => other_hash(&files, is),
        Topic::SameDevice if !has_unknown_device(proof) => {
            "Give a folder on another physical drive.".to_owned()
        }
        Topic::SameDevice => ProblemKind::SameDevice.next_step().to_owned(),
        Topic::TooFew => ProblemKind::TooFewCopies.next_step().to_owned(),
        Topic::Other(kind) => kind.next_step().to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pulled_drive_is_sent_to_windows_only_where_it_may_be_ntfs() {
        for (filesystems, is_sent) in [
            (&["ext4", "exfat", "vfat"][..], false),
            (&["exfat", "ntfs3"], true),
            (&["fuseblk"], true),
        ] {
            let told = after_pull(filesystems.iter().copied());
            assert_eq!(told == CHECK_NTFS, is_sent, "{filesystems:?}");
        }
    }
}
