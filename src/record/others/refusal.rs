//! Owns why the record of somebody else is not used at all.

use super::mhl::error::MhlError;
use super::place::PlaceError;
use super::short::shown;
use crate::disk::CHAIN;
use crate::name::some_of;
use crate::units::{counted, len64};
use std::fmt;

/// Lists that are named one by one.
const LISTS_SHOWN: usize = 8;

/// Why a record is refused: nothing of it is believed then.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct RefusedRecord {
    /// The record, relative to its folder.
    pub record: String,
    /// Its line, counted from 1.
    pub line: Option<u64>,
    /// What is wrong with it.
    pub why: WhyRefused,
}

/// What is wrong with the chain of a media hash list.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum ChainFault {
    /// It is not there.
    Missing,
    /// There is nothing in it.
    Empty,
    /// It is none.
    Mhl(MhlError),
    /// It is not text in UTF-8.
    NotUtf8,
}

/// A chain that is not whole, and the lists that nobody vouches for without it.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct BrokenChain {
    /// What is wrong with it.
    pub fault: ChainFault,
    /// The file names of the lists beside it.
    pub lists: Vec<String>,
    /// A part file that names each of them as it is, and no other: what a run that was cut off was
    /// about to make the chain.
    pub part: Option<String>,
}

impl fmt::Display for BrokenChain {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.fault {
            ChainFault::Missing => f.write_str("it is not there")?,
            ChainFault::Empty => {
                f.write_str("it is empty, as a drive that was pulled can leave it")?;
            }
            ChainFault::Mhl(error) => error.fmt(f)?,
            ChainFault::NotUtf8 => f.write_str("it is not text in UTF-8")?,
        }
        let (all, names) = (
            len64(self.lists.len()),
            self.lists.iter().map(String::as_str),
        );
        if all > 0 {
            let lists = (counted(all, "list"), some_of(names, LISTS_SHOWN, all, ""));
            write!(
                f,
                "; so nobody vouches for {} beside it: {}",
                lists.0, lists.1
            )?;
        }
        match &self.part {
            Some(part) => write!(f, ". `{part}` is that chain: name it `{CHAIN}`"),
            None => Ok(()),
        }
    }
}

/// What is wrong with a record.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum WhyRefused {
    /// It names what lies outside of its folder, or could.
    Place(String, PlaceError),
    /// Two different hashes of one kind for one file.
    TwoSums(String),
    /// One path twice in a list that has each once.
    PathTwice(String),
    /// It is no part of an ASC media hash list.
    Mhl(MhlError),
    /// It is not text in UTF-8.
    NotUtf8,
    /// It is a chain that is not whole.
    Chain(Box<BrokenChain>),
    /// The chain says another hash of it.
    NotInChain,
    /// The chain names it, and it is not there.
    ChainGap,
    /// Nothing in it is a line of a checksum list.
    NoLine,
    /// It was given as a list, and is the chain of a media hash list.
    IsChain,
    /// It is in UTF-16, as some shells write it.
    Utf16,
    /// A line of it is longer than any path.
    LongLine,
    /// It is larger than what is read.
    TooLarge,
    /// A bag's `bagit.txt` is not what a bag begins with.
    Declaration,
    /// A bag of a version that is not known here.
    BagVersion(String),
    /// An encoding that is not known here.
    Encoding(String),
    /// What it holds is not text in the encoding that the bag says.
    NotInEncoding,
    /// A bag without a list of its payload that can be checked here.
    NoPayloadList,
    /// A bag's list of the payload names what is not in it.
    NotPayload(String),
    /// A line of a bag's list or of `fetch.txt` that is none.
    BadLine,
}

impl fmt::Display for RefusedRecord {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "`{}`", shown(&self.record))?;
        if let Some(line) = self.line {
            write!(f, ", line {line}")?;
        }
        f.write_str(": ")?;
        match &self.why {
            WhyRefused::Place(path, why) => write!(f, "it has {why}: `{}`", shown(path)),
            WhyRefused::TwoSums(path) => write!(
                f,
                "it has another checksum for `{}` than was read before",
                shown(path)
            ),
            WhyRefused::PathTwice(path) => write!(f, "it names `{}` twice", shown(path)),
            WhyRefused::Mhl(error) => error.fmt(f),
            WhyRefused::Chain(broken) => broken.fmt(f),
            WhyRefused::NotUtf8 => f.write_str("it is not text in UTF-8"),
            WhyRefused::NotInChain => {
                f.write_str("it is not what the chain says; it was changed since")
            }
            WhyRefused::ChainGap => f.write_str("the chain names it, and it is not there"),
            WhyRefused::NoLine => f.write_str("nothing in it is a line of a checksum list"),
            WhyRefused::IsChain => f.write_str(
                "it only says which lists there are; give `unlade verify` the folder that \
                `ascmhl` is in",
            ),
            WhyRefused::Utf16 => {
                f.write_str("it is UTF-16 text; save it as UTF-8 elsewhere and give it with --list")
            }
            WhyRefused::LongLine => f.write_str("the line is longer than any path"),
            WhyRefused::TooLarge => f.write_str("it is larger than 2 GiB, or has too many lines"),
            WhyRefused::Declaration => f.write_str("it does not say what a bag begins with"),
            WhyRefused::BagVersion(version) => write!(
                f,
                "BagIt {} is not known here; 0.93 to 1.0 are",
                shown(version)
            ),
            WhyRefused::Encoding(name) => {
                write!(f, "the encoding {} is not known here", shown(name))
            }
            WhyRefused::NotInEncoding => {
                f.write_str("it is not text in the encoding that `bagit.txt` says")
            }
            WhyRefused::NoPayloadList => {
                f.write_str("no list of its payload has checksums that are known here")
            }
            WhyRefused::NotPayload(path) => {
                write!(f, "it names `{}`, which is not in `data`", shown(path))
            }
            WhyRefused::BadLine => f.write_str("the line is not of its form"),
        }
    }
}

impl std::error::Error for RefusedRecord {}
