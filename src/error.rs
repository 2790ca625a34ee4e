//! Owns how trouble is told: what kind, which path, which destination, at what step, why, and what
//! to do next. Data and words only; it does no I/O.

use crate::name::shown;
use camino::Utf8Path;
use std::{fmt, io};

/// The kinds of trouble that a manifest, an event and an exit code know. The names are part of the
/// manifest's format.
#[derive(
    Clone, Copy, PartialEq, Eq, Hash, Debug, PartialOrd, Ord, serde::Serialize, serde::Deserialize,
)]
#[serde(rename_all = "kebab-case")]
pub enum ProblemKind {
    /// An entry of the card could not be read.
    Unreadable,
    /// An entry of the card, or the card itself, was there and is gone.
    Vanished,
    /// An entry of the card is no longer what it was when it was listed.
    ChangedOnCard,
    /// What was read back differs from what was read from the card.
    Mismatch,
    /// A destination refused to store something.
    WriteFailed,
    /// A destination is full, or would be.
    NoRoom,
    /// A name that cannot be stored exactly.
    NameNotStorable,
    /// Two names that would meet, or a place that is taken.
    NameClash,
    /// A file that is larger than the destination's file system can hold.
    TooLargeForFilesystem,
    /// Destinations that are one physical device.
    SameDevice,
    /// Fewer independent copies than were asked for.
    TooFewCopies,
    /// A copy that was not read back from its device.
    NotReadBack,
    /// An entry of the manifest that is not there.
    Missing,
    /// A file that differs from its record.
    Changed,
    /// A file that no record names.
    Extra,
    /// A manifest or journal that cannot be trusted.
    ManifestDamaged,
}

impl ProblemKind {
    /// Returns the name used in manifests and events.
    pub fn id(self) -> &'static str {
        match self {
            Self::Unreadable => "unreadable",
            Self::Vanished => "vanished",
            Self::ChangedOnCard => "changed-on-card",
            Self::Mismatch => "mismatch",
            Self::WriteFailed => "write-failed",
            Self::NoRoom => "no-room",
            Self::NameNotStorable => "name-not-storable",
            Self::NameClash => "name-clash",
            Self::TooLargeForFilesystem => "too-large-for-filesystem",
            Self::SameDevice => "same-device",
            Self::TooFewCopies => "too-few-copies",
            Self::NotReadBack => "not-read-back",
            Self::Missing => "missing",
            Self::Changed => "changed",
            Self::Extra => "extra",
            Self::ManifestDamaged => "manifest-damaged",
        }
    }

    /// Returns what the person can do about it, as one sentence.
    pub fn next_step(self) -> &'static str {
        match self {
            Self::Unreadable => {
                "Stop using this card. Try another reader, cable or port, straight into the \
                 computer, and run the same command again."
            }
            Self::Vanished => "Put the card or drive back and run the same command again.",
            Self::ChangedOnCard => {
                "Make sure that nothing else writes to the card, then run the same command again."
            }
            Self::Mismatch => {
                "Run the same command again; if it happens twice, do not trust this drive, its \
                 cable or its port."
            }
            Self::WriteFailed => {
                "Check the drive, its cable and its port, then run the same command again."
            }
            Self::NoRoom => "Free some room on the drive, or give another one with --to.",
            Self::NameNotStorable => {
                "Use a drive whose file system can hold the name, or copy this file by hand under \
                 another name."
            }
            Self::NameClash => "Choose another name with --name; nothing that is there is changed.",
            Self::TooLargeForFilesystem => {
                "Use a drive formatted as exFAT, NTFS, APFS or ext4 for this card."
            }
            Self::SameDevice => {
                "Give a folder on another physical drive. If these are two drives and only the \
                 system can't say so, add --separate."
            }
            Self::TooFewCopies => {
                "Give one more drive with --to, or say with --copies how many you need."
            }
            Self::NotReadBack => {
                "Unplug the drive, plug it in again, and run `unlade verify` on the offload."
            }
            Self::Missing | Self::Changed => {
                "Take this file from another copy while the card or that copy still has it."
            }
            Self::Extra => "Look at it; it is not part of the offload.",
            Self::ManifestDamaged => {
                "Use the manifest on another drive; it is the same on every drive."
            }
        }
    }
}

/// What to do about an entry that is no file.
pub const ODD_STEP: &str =
    "Look at it on the card and copy by hand what you need; card and reader are not at fault.";
/// What to do where the computer lets no further file be opened.
pub const NO_FILES_STEP: &str = "End some other programs, or raise the limit on open files \
    (`ulimit -n`), then run the same command again.";
/// How it begins that the computer, and no file or drive, is at its limit.
const OWN_LIMIT: &str = "this is a limit of this computer";
/// What to do about what this user may not read.
pub const DENIED_STEP: &str = "This user may not read it; card and reader are not at fault. Run \
    the same command as a user who may (such as root), or mount the card so that you may read it.";
/// What is said of a drive that was writable when the job began and is not any more.
pub const NOW_READ_ONLY: &str = "the system lets nothing more be written to this drive, as it \
    does when it meets errors in the drive's file system";
/// What is said where a drive lists what it cannot show.
pub const DAMAGED: &str =
    "the drive's file system may be damaged, as it is when a drive is pulled while it is written";
/// What to do about room that nothing explains.
pub const UNEXPLAINED_STEP: &str = "Do not format this card: pictures may be missing from the \
    list. Count them in the camera, read the card in another reader, and compare.";

/// Why an entry is told that is a symbolic link.
pub const LINK: &str = "is a symbolic link, which is neither followed nor copied";
/// Why an entry is told that is a socket, pipe or device.
pub const SPECIAL: &str = "is a socket, pipe or device, which cannot be copied";
/// Why a folder is told that another volume is mounted at.
pub const MOUNTED: &str = "is another volume that is mounted there; give it as a card of its own";
/// Why what lies in a folder is told and not copied.
pub const TOO_DEEP: &str = "is more than 128 folders deep";
/// How it begins where no record can hold a name.
pub const UNRECORDABLE: &str = "cannot be recorded";
/// What is said of room on a card that is in use and belongs to nothing that was listed, after its
/// size.
pub const UNEXPLAINED: &str =
    "in use on the card belong to no file, folder or anything else that it lists";

/// What a problem comes from, where that says more than its kind about what to do. No manifest and
/// no event holds it.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Cause {
    /// What the entry is or is called: no fault of card or reader.
    Odd,
    /// This user may not read it.
    Denied,
    /// Room on the card that is in use and that nothing explains.
    Unexplained,
    /// A drive that was writable when the job began and is not any more.
    NowReadOnly,
    /// A drive that lists what it cannot show.
    Damaged,
    /// A drive that is mounted read-only.
    ReadOnly,
    /// The computer lets no further thread be started.
    NoThreads,
    /// The computer lets no further file be opened.
    NoFiles,
    /// What was given as a card is an offload.
    IsOffload,
    /// The card lies inside the folder that is to hold its copy.
    HoldsCard,
    /// The card holds a folder that is called like that of the records.
    HoldsRecords,
    /// The card holds a file that is called like another one's part.
    HoldsPart,
    /// A drive's folder lies in an offload.
    LiesInOffload,
    /// Another run is at work on the offload.
    AtWork,
    /// A drive takes two names of the card for one.
    SameName,
    /// An empty file stands in a file's place.
    LeftEmpty,
    /// A file's part stands beside it.
    BesidePart,
    /// The copy of an earlier file of this name stands in a file's place.
    EarlierCopy,
    /// Another program wrote into a copy while it was made.
    OtherWriter,
    /// A file was left in an earlier offload that was not found.
    LeftElsewhere,
    /// An earlier check found the copy damaged.
    FoundDamaged,
    /// Two things are compared, and a file is on the card alone.
    OnCardOnly,
    /// The same, and it is in the offload alone.
    InOffloadOnly,
    /// No media hash list can be made.
    NoMediaHashList,
    /// The same, and nobody asked for one: an earlier run of this offload began it.
    NoFurtherList,
    /// The media hash list that is there can't be gone on with.
    BrokenList,
    /// It is about a folder without a manifest, which was compared with the card.
    InFolder,
    /// A small file of such a folder is kept within the records of its file system.
    InRecords,
    /// The person wanted to stop.
    Interrupted,
}

/// What lies deeper than is looked.
#[derive(Debug, thiserror::Error)]
#[error("{TOO_DEEP}")]
pub struct TooDeep;

/// A look that was not gone on with: the person wants to stop.
#[derive(Debug, thiserror::Error)]
#[error("it was interrupted")]
pub struct Interruption;

impl Cause {
    /// Returns what it comes from that something could not be read, where the system's error tells.
    pub fn of(error: &io::Error) -> Option<Self> {
        if let Some(TooDeep) = error.get_ref().and_then(|e| e.downcast_ref()) {
            return Some(Self::Odd);
        }
        if is_no_files(error) {
            return Some(Self::NoFiles);
        }
        // EACCES, and EPERM as macOS answers for removable volumes; `ERROR_ACCESS_DENIED` of
        // Windows.
        (error.kind() == io::ErrorKind::PermissionDenied).then_some(Self::Denied)
    }

    /// Returns the cause of what could not be read by the words in which a manifest keeps it, or
    /// `None` of all others. It is the only place where a cause is told by words: a manifest has no
    /// key for it, those on drives stay as they are, and a page that is made anew from one has to
    /// be the page that was made when the cause was known.
    fn of_words(why: &str) -> Option<Self> {
        let is_odd = [LINK, SPECIAL, MOUNTED].contains(&why)
            || why.ends_with(TOO_DEEP.trim_start_matches("is "))
            || why.starts_with(UNRECORDABLE);
        let denied: &[&str] = if cfg!(windows) {
            &["(os error 5)"]
        } else {
            &["(os error 13)", "(os error 1)"]
        };
        if is_odd {
            Some(Self::Odd)
        } else if why.contains(OWN_LIMIT) {
            Some(Self::NoFiles)
        } else if why.contains(UNEXPLAINED) {
            Some(Self::Unexplained)
        } else {
            let is_denied = denied.iter().any(|number| why.contains(number));
            is_denied.then_some(Self::Denied)
        }
    }
}

impl fmt::Display for ProblemKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.id())
    }
}

/// One thing that went wrong. The same words go to the screen, the events and the manifest.
#[derive(Clone, PartialEq, Eq, Debug, serde::Serialize, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Problem {
    /// What kind of trouble.
    pub kind: ProblemKind,
    /// The entry it is about, relative to the card, where there is one.
    pub path: Option<String>,
    /// The destination it is about, counted from 0 in the order of the command line.
    pub destination: Option<usize>,
    /// The step and the cause, in plain words.
    pub detail: String,
    /// Whether it keeps the verdict from being PROVEN.
    pub blocking: bool,
    /// What it comes from, where that matters; never known of one that was read from a manifest.
    #[serde(skip)]
    pub cause: Option<Cause>,
}

impl Problem {
    /// A problem about the card or the job as a whole; blocking.
    pub fn new(kind: ProblemKind, detail: impl Into<String>) -> Self {
        Self {
            kind,
            path: None,
            destination: None,
            detail: detail.into(),
            blocking: true,
            cause: None,
        }
    }

    /// Says what it comes from.
    #[must_use]
    pub fn because(mut self, cause: impl Into<Option<Cause>>) -> Self {
        self.cause = cause.into();
        self
    }

    /// Names the entry that it is about.
    #[must_use]
    pub fn at(mut self, path: impl Into<String>) -> Self {
        self.path = Some(path.into());
        self
    }

    /// Names the destination that it is about.
    #[must_use]
    pub fn on(mut self, destination: usize) -> Self {
        self.destination = Some(destination);
        self
    }

    /// Returns what the person can do about it, as one sentence.
    pub fn next_step(&self) -> &'static str {
        let cause = self.known_cause();
        if cause != Some(Cause::NoFiles) && self.kind != ProblemKind::Unreadable {
            return self.kind.next_step();
        }
        match cause {
            Some(Cause::NoFiles) => NO_FILES_STEP,
            Some(Cause::Odd) => ODD_STEP,
            Some(Cause::Unexplained) => UNEXPLAINED_STEP,
            Some(Cause::Denied) => DENIED_STEP,
            _ => self.kind.next_step(),
        }
    }

    /// Returns whether it is about room on the card that nothing explains.
    pub fn is_unexplained(&self) -> bool {
        self.known_cause() == Some(Cause::Unexplained)
    }

    fn known_cause(&self) -> Option<Cause> {
        self.cause.or_else(|| Cause::of_words(&self.detail))
    }

    /// Returns it as one sentence without its full stop: which file, which drive, what happened.
    /// `drives` are the drives' names, in the order of the command line.
    pub fn words(&self, drives: &[String]) -> String {
        let path = self.path.as_ref().map(|path| format!("`{}`", shown(path)));
        let drive = self.destination.map(|d| {
            let name = drives.get(d).map(|name| shown(name));
            name.unwrap_or_else(|| format!("drive {}", d + 1))
        });
        let detail = shown(&self.detail);
        match (path, drive) {
            (Some(path), Some(drive)) => format!("{path} on {drive}: {detail}"),
            (Some(path), None) => format!("{path} {detail}"),
            (None, Some(drive)) => format!("{drive}: {detail}"),
            (None, None) => detail,
        }
    }

    /// Marks it as worth telling, but not in the way of the verdict.
    #[must_use]
    pub fn harmless(mut self) -> Self {
        self.blocking = false;
        self
    }
}

/// What was being done when the system said no.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[expect(
    missing_docs,
    reason = "the names say it; the words below are what people read"
)]
pub enum Step {
    List,
    Look,
    Open,
    Read,
    CreateFolder,
    Create,
    Write,
    SetDate,
    Flush,
    ReadBack,
    Publish,
    FlushFolder,
    Journal,
    Record,
}

impl Step {
    /// Returns the step as the end of "could not ...".
    pub fn words(self) -> &'static str {
        match self {
            Self::List => "be listed",
            Self::Look => "be looked at",
            Self::Open => "be opened",
            Self::Read => "be read",
            Self::CreateFolder => "be created as a folder",
            Self::Create => "be created",
            Self::Write => "be written",
            Self::SetDate => "be given its date",
            Self::Flush => "be flushed to the drive",
            Self::ReadBack => "be read back",
            Self::Publish => "be given its final name",
            Self::FlushFolder => "have its folder flushed to the drive",
            Self::Journal => "be entered in the journal",
            Self::Record => "be recorded",
        }
    }
}

/// A step that the system refused.
#[derive(Debug, thiserror::Error)]
#[error("{}", failed(*.step, .cause))]
pub struct FailedStep {
    /// What was being done.
    pub step: Step,
    /// What the system said.
    #[source]
    pub cause: io::Error,
}

impl Step {
    /// Returns what makes a failed step of what the system said.
    pub fn refused(self) -> impl Fn(io::Error) -> FailedStep {
        move |cause| FailedStep { step: self, cause }
    }
}

/// Returns the words for a failed step: `could not be read: Input/output error (os error 5)`.
pub fn failed(step: Step, cause: &io::Error) -> String {
    let words = step.words();
    if !is_no_files(cause) {
        return format!("could not {words}: {cause}");
    }
    let name = if cfg!(unix) { " (`ulimit -n`)" } else { "" };
    format!("could not {words}: {cause}; {OWN_LIMIT}{name}, not of the file")
}

/// Returns that a card or drive, `what`, is gone: or that this computer is at its limit and cannot
/// look.
pub fn gone(what: &str, cause: &io::Error) -> Problem {
    if is_no_files(cause) {
        let why = format!("the {what} {}", failed(Step::Look, cause));
        return Problem::new(ProblemKind::Vanished, why).because(Cause::NoFiles);
    }
    Problem::new(
        ProblemKind::Vanished,
        format!("the {what} is gone: {cause}"),
    )
}

/// Returns that `what` cannot be used, in words that say first whether it is there at all.
pub fn unusable(what: &str, cause: &io::Error) -> String {
    match cause.kind() {
        io::ErrorKind::NotFound => format!("{what} is not there"),
        _ => format!("{what} cannot be used: {cause}"),
    }
}

/// EMFILE and ENFILE of every Unix, and `ERROR_TOO_MANY_OPEN_FILES` of Windows: no fault of the
/// file or its drive.
fn is_no_files(cause: &io::Error) -> bool {
    if let Some(number) = cause.raw_os_error() {
        return matches!((number, cfg!(windows)), (23 | 24, false) | (4, true));
    }
    // Something that had to be read first, as the table of mounts.
    let below = cause.get_ref().and_then(std::error::Error::source);
    let below = below.and_then(|e| e.downcast_ref());
    below.is_some_and(is_no_files)
}

/// A failure outside any single file of a job: path, step and cause.
#[derive(Debug)]
pub struct Error {
    /// What was being done.
    pub step: Step,
    /// With what.
    pub path: String,
    /// What the system said.
    pub cause: io::Error,
}

impl Error {
    /// Ties a cause to its path and step.
    pub fn new(step: Step, path: &Utf8Path, cause: io::Error) -> Self {
        Self {
            step,
            path: path.as_str().to_owned(),
            cause,
        }
    }
}

impl Error {
    /// Returns it as the problem that something could not be read.
    pub fn unreadable(&self) -> Problem {
        Problem::new(ProblemKind::Unreadable, self.to_string()).because(Cause::of(&self.cause))
    }
}

/// Why a file could not be read, in words that go on after a colon.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Unread {
    /// The words.
    pub why: String,
    /// What it comes from.
    pub cause: Option<Cause>,
}

impl Unread {
    /// Says what the system said.
    pub fn of(step: Step, error: &io::Error) -> Self {
        Self {
            why: failed(step, error),
            cause: Cause::of(error),
        }
    }
}

impl From<&str> for Unread {
    fn from(why: &str) -> Self {
        let why = why.to_owned();
        Self { why, cause: None }
    }
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "`{}` {}",
            shown(&self.path),
            failed(self.step, &self.cause)
        )
    }
}

impl std::error::Error for Error {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        Some(&self.cause)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::card::account;
    use crate::card::listing::EntryTrouble;
    use crate::name::NameError;

    /// Of each cause both ways: what was known is found again in a manifest's words, and what was
    /// not known is not made up.
    #[test]
    fn a_manifest_gives_back_the_causes_that_a_page_tells_and_no_others() {
        let of_system = |number| io::Error::from_raw_os_error(number);
        let denied = || of_system(if cfg!(windows) { 5 } else { 13 });
        let unlisted = |e: io::Error| {
            let why = EntryTrouble::Unlisted(e.to_string(), Cause::of(&e));
            Problem::new(ProblemKind::Unreadable, why.to_string()).because(why.cause())
        };
        let trouble = |why: EntryTrouble| {
            Problem::new(ProblemKind::Unreadable, why.to_string()).because(why.cause())
        };
        let unread = |e: io::Error| {
            let unread = Unread::of(Step::Read, &e);
            Problem::new(ProblemKind::Unreadable, unread.why).because(unread.cause)
        };
        let unexplained = |log: &[String]| {
            let why = account::words(5_000_000, log);
            Problem::new(ProblemKind::Unreadable, why).because(Cause::Unexplained)
        };
        let root = Error::new(Step::List, Utf8Path::new("/card"), denied());
        for (problem, expected) in [
            (trouble(EntryTrouble::Link), Some(Cause::Odd)),
            (trouble(EntryTrouble::Special), Some(Cause::Odd)),
            (trouble(EntryTrouble::Mounted), Some(Cause::Odd)),
            (
                trouble(EntryTrouble::Unrecordable(NameError::TooLong)),
                Some(Cause::Odd),
            ),
            (unlisted(io::Error::other(TooDeep)), Some(Cause::Odd)),
            (unlisted(denied()), Some(Cause::Denied)),
            (unread(denied()), Some(Cause::Denied)),
            (root.unreadable(), Some(Cause::Denied)),
            (unexplained(&[]), Some(Cause::Unexplained)),
            (
                unexplained(&["fsck: (os error 13)".to_owned()]),
                Some(Cause::Unexplained),
            ),
            // An input/output error, and numbers that only begin like one.
            (
                unread(of_system(if cfg!(windows) { 1117 } else { 5 })),
                None,
            ),
            (unread(of_system(130)), None),
            (unlisted(io::Error::other("a link (os error")), None),
        ] {
            assert_eq!(problem.cause, expected, "{problem:?}");
            let kept = serde_json::to_string(&problem).unwrap();
            let read: Problem = serde_json::from_str(&kept).unwrap();
            assert_eq!((read.cause, read.known_cause()), (None, expected), "{kept}");
            assert_eq!(read.next_step(), problem.next_step(), "{kept}");
            assert_eq!(read.is_unexplained(), problem.is_unexplained(), "{kept}");
        }
        // No page says more of a problem for any of these: nothing is lost with them.
        for cause in [
            Cause::NowReadOnly,
            Cause::Damaged,
            Cause::ReadOnly,
            Cause::NoThreads,
            Cause::IsOffload,
            Cause::HoldsCard,
            Cause::HoldsRecords,
            Cause::HoldsPart,
            Cause::LiesInOffload,
            Cause::AtWork,
            Cause::SameName,
            Cause::LeftEmpty,
            Cause::BesidePart,
            Cause::EarlierCopy,
            Cause::OtherWriter,
            Cause::LeftElsewhere,
            Cause::Interrupted,
        ] {
            for kind in [ProblemKind::Unreadable, ProblemKind::WriteFailed] {
                let problem = Problem::new(kind, "the drive is gone").because(cause);
                assert_eq!(problem.next_step(), kind.next_step(), "{cause:?}");
            }
        }
    }
}
