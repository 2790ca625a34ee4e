//! Owns what can be wrong in a kit, and the words for it.

use super::link::NoLink;
use super::pattern::NoPattern;
use super::place::NoAddress;
use super::usual::COPIES_MAX;
use super::{ENTRIES_MAX, LIST_MAX, RATE_MAX, RATE_MIN, TEXT_BYTES_MAX, UnknownName};
use crate::hash_algorithm::Also;
use crate::name::shown;
use crate::speed::classes::NoClass;
use std::fmt;

/// One thing that is wrong in a kit.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Fault {
    /// The line, counted from 1.
    pub line: usize,
    /// The field or entry it is about; empty when it is the text as a whole.
    pub field: String,
    /// What is wrong.
    pub why: Mistake,
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.field.is_empty() {
            write!(f, "line {}: {}", self.line, self.why)
        } else {
            write!(f, "line {}, {}: {}", self.line, self.field, self.why)
        }
    }
}

/// What is wrong. Where a value is of another type than is wanted, that type is told too.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum Mistake {
    /// The text is longer than any kit.
    #[error("the kit is larger than {} kB, which no kit needs", TEXT_BYTES_MAX / 1_000)]
    TooLarge,
    /// The file holds other bytes than text.
    #[error("holds bytes that are not UTF-8 text")]
    NotUtf8,
    /// It is no TOML, in the words of its reader.
    #[error("{0}")]
    Syntax(String),
    /// An edit would have to change more than its own entry.
    #[error("the layout of the kit can't be edited by a program; edit it by hand")]
    Layout,
    /// A field that its entry has already.
    #[error("is there twice in one entry")]
    Twice,
    /// A word that is none of the known ones, which of them is like it, and all of them.
    #[error("{}", unknown_word(*.0, .1))]
    Unknown(Option<&'static str>, Vec<&'static str>),
    /// An entry without its second pair of brackets.
    #[error("begins an entry as [[{0}]], in two pairs of brackets")]
    Brackets(String),
    /// A set that is no table of its own.
    #[error("begins as [{0}], in one pair of brackets, on a line of its own")]
    OneBracket(String),
    /// A set that would be taken for a field.
    #[error("is the name of a field of [usual]; a set needs another name")]
    SetLikeField,
    /// More entries of one kind than a kit holds.
    #[error("a kit holds {ENTRIES_MAX} at most")]
    TooMany,
    /// An entry without a name.
    #[error("is missing; every entry has one")]
    NoName,
    /// A rule for no card.
    #[error("is missing; a rule says for which cards it is")]
    NoMatch,
    /// No level of proof.
    #[error("must be \"written\", \"readback\" or \"reread\"")]
    NoProof,
    /// A name that would be taken for a flag.
    #[error("must not begin with `-`, which begins a flag")]
    LikeFlag,
    /// A name that stands at this line already.
    #[error("line {0} has this name already; capitals don't count")]
    NameTaken(usize),
    /// A reader that the kit does not have.
    #[error("{0}")]
    NoReader(UnknownName),
    /// A place that the kit does not have.
    #[error("{0}")]
    NoPlace(UnknownName),
    /// A drive that the kit does not have.
    #[error("{0}. A folder is given with its whole path")]
    NoDrive(UnknownName),
    /// A path that depends on where one is.
    #[error("must be a drive of the kit or a whole path, as /media/ATTIC")]
    NoWholePath,
    /// No number of copies.
    #[error("must be a whole number from 1 to {COPIES_MAX}")]
    NoCopies,
    /// No further hash.
    #[error("`{}` is no hash that is made here; there are {}", shown(.0), Also::names())]
    NoHash(String),
    /// No pattern of names.
    #[error("{0}")]
    Pattern(NoPattern),
    /// A list of nothing.
    #[error("lists nothing")]
    EmptyList,
    /// A volume that is listed for something else.
    #[error("`{}` is listed for {other} already", shown(.volume))]
    VolumeTaken {
        /// Its identity.
        volume: String,
        /// What it is listed for.
        other: String,
    },
    /// A table in place of a value.
    #[error("is a table; a plain value is wanted")]
    Table,
    /// No rate.
    #[error("must be a number of MB/s from {RATE_MIN} to {RATE_MAX}, without a unit")]
    NoRate,
    /// Neither true nor false.
    #[error("must be true or false, without quotes{}", but(*.0))]
    NotYesNo(Option<&'static str>),
    /// No text in quotes.
    #[error("must be text in quotes{}", but(*.0))]
    NotText(Option<&'static str>),
    /// No list.
    #[error("must be a list in brackets, as [\"one\", \"two\"]")]
    NoList,
    /// A list that is too long.
    #[error("lists more than {LIST_MAX}")]
    LongList,
    /// A list that has this twice.
    #[error("lists `{}` twice", shown(.0))]
    ListedTwice(String),
    /// A list of something else than text.
    #[error("holds something that is not text in quotes")]
    NotOnlyText,
    /// Text that is empty or has blanks around it.
    #[error("must be neither empty nor begin or end with a blank")]
    Blank,
    /// Text of more bytes than these.
    #[error("is longer than {0} bytes")]
    LongText(usize),
    /// Text that a terminal cannot show.
    #[error("holds a character that cannot be shown")]
    Unshowable,
    /// No way from the top of a volume.
    #[error("must be the way from the top of the drive, as photos/2026, without `..`")]
    NoFolder,
    /// No bus or link.
    #[error("{0}")]
    Link(NoLink),
    /// No class.
    #[error("{0}")]
    Class(NoClass),
    /// A place without an address.
    #[error("is missing; a place is where its url says")]
    NoUrl,
    /// No address of a place.
    #[error("{0}")]
    Place(NoAddress),
}

fn but(found: Option<&str>) -> String {
    found.map_or_else(String::new, |found| format!(", not {found}"))
}

fn unknown_word(close: Option<&str>, known: &[&str]) -> String {
    match close {
        Some(close) => format!("is not known here; did you mean `{close}`?"),
        None => format!("is not known here; known are {}", known.join(", ")),
    }
}
