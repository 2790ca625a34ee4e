//! Owns what is said to the question: the verdict, its reasons, and what each copy holds and lacks.

use super::question::Unusable;
use crate::error::{Cause, ProblemKind};
use crate::name::{shown, some_of};
use crate::proof::Verdict;
use crate::units::counted;

/// Names that are told of one offload for one kind of lack.
pub(super) const NAMES_OF_COPY: usize = 5;

/// One reason why a card is not proven.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct UnprovenReason {
    /// What kind of trouble; the kinds of the manifest.
    pub kind: ProblemKind,
    /// The entry of the card, where there is one.
    pub path: Option<String>,
    /// How many files it is about: 1 where it names one, 0 where it is about no file.
    pub files: u64,
    /// In plain words.
    pub detail: String,
    /// The folder of the offload that it is about, where it is about one; the words follow it.
    pub offload: Option<String>,
    /// It is a drive, and not the card, that has this trouble; told apart where a kind may be
    /// either's.
    pub is_of_drive: bool,
    /// What it comes from, where that matters.
    pub cause: Option<Cause>,
    /// What it has in common with those that are like it; alone of its kind where it has nothing.
    pub like: Option<&'static str>,
}

/// What one offload holds of the card.
#[derive(Clone, Debug)]
pub struct Holding {
    /// Its folder.
    pub root: String,
    /// Files of the card that stand there proven.
    pub files: u64,
    /// Their bytes.
    pub bytes: u64,
    /// On what that rests, in words.
    pub basis: String,
    /// Files of the card that stand there and that nobody read back in that place.
    pub unread: u64,
    /// What else is the matter with files that this copy should hold, one line for each kind.
    pub lacks: Vec<Lack>,
    /// It is a folder without a manifest, which was compared for this answer alone.
    pub is_compared: bool,
    /// What such a folder was read through, where no disk of this computer is behind it: it may
    /// have answered from its own memory.
    pub far_end: Option<&'static str>,
    /// Files that such a folder has under other names: the card's path, and where each is.
    pub moved: Vec<(String, String)>,
}

/// Files that one copy should hold and does not hold proven.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Lack {
    /// What kind of trouble; the kinds of the manifest.
    pub kind: ProblemKind,
    /// What is the matter, to be followed by the names: `missing`.
    pub words: &'static str,
    /// The same with a verb: `is missing`.
    pub(super) verb: &'static str,
    /// The first of them.
    pub paths: Vec<String>,
    /// How many there are.
    pub files: u64,
    /// What it comes from, where what to do hangs on that.
    pub(super) origin: Option<Cause>,
    /// What the system said of the first of them, where it said something.
    pub cause: Option<String>,
}

impl Lack {
    /// Returns "missing: `X`, `Y` and 3 more files", with so many names at most.
    pub fn text(&self, most: usize) -> String {
        let paths = self.paths.iter().map(String::as_str);
        let names = some_of(paths, most, self.files, "file");
        self.with_cause(self.words, &names)
    }

    /// Returns what is the matter, of `all` files of the card, within a sentence.
    pub(super) fn sentence(&self, all: u64) -> String {
        let verb = format!("this {}", self.verb);
        if self.files == all {
            return self.with_cause(&verb, &format!("all {}", counted(all, "file")));
        }
        let paths = self.paths.iter().map(String::as_str);
        self.with_cause(&verb, &some_of(paths, NAMES_OF_COPY, self.files, "file"))
    }

    fn with_cause(&self, words: &str, files: &str) -> String {
        match &self.cause {
            Some(cause) if self.files > 1 => format!("{words}: {files} (the first: {cause})"),
            Some(cause) => format!("{words}: {files} ({cause})"),
            None => format!("{words}: {files}"),
        }
    }
}

/// The answer.
#[derive(Clone, Debug)]
#[expect(clippy::struct_excessive_bools, reason = "each is a fact of its own")]
pub struct Answer {
    /// PROVEN or not.
    pub verdict: Verdict,
    /// Why not.
    pub reasons: Vec<UnprovenReason>,
    /// What each offload holds.
    pub holdings: Vec<Holding>,
    /// What should be pointed out.
    pub notes: Vec<String>,
    /// Files of the card, and their bytes, that were read and hold what is on record.
    pub sampled: (u64, u64),
    /// Some of the card's files hold nothing but zeros.
    pub has_zeros: bool,
    /// Some of what is left out looks like pictures.
    pub has_media_left: bool,
    /// It is the person's word that so many devices are separate; the system does not tell.
    pub is_stated: bool,
    /// It was asked by hand: folders without a manifest were compared, and nothing was found wrong
    /// with an offload. What it says of tomorrow is less than what is on record.
    pub is_by_hand: bool,
    /// Drives that hold the card only together; one where one of them holds all of it.
    pub spread: usize,
    /// Complete copies on separate drives by manifests alone, which can be asked again: what was
    /// found in folders without one is for this answer only.
    pub recorded: usize,
}

impl UnprovenReason {
    /// Returns it in plain words; `name` is what an offload in a folder is called.
    pub fn words(&self, name: impl Fn(&str) -> String) -> String {
        match &self.offload {
            Some(root) => format!("in {} {}", name(root), self.detail),
            None => self.detail.clone(),
        }
    }

    /// Returns it in plain words that name an offload by its folder.
    pub fn plain(&self) -> String {
        self.words(|root| format!("`{}`", shown(root)))
    }

    /// Tells why what is there cannot be used.
    pub(super) fn unusable(what: &str, root: &str, why: &Unusable) -> Self {
        let detail = format!("the {what} `{}` cannot be used: {}", shown(root), why.why);
        Self {
            is_of_drive: true,
            ..Self::new(why.kind, detail)
        }
    }

    pub(super) fn new(kind: ProblemKind, detail: String) -> Self {
        Self {
            kind,
            path: None,
            files: 0,
            detail,
            offload: None,
            is_of_drive: false,
            cause: None,
            like: None,
        }
    }
}
