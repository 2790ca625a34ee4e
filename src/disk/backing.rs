//! What stands behind a folder as far as a system tells it, and how many independent devices a set
//! of folders therefore makes. Pure, and the same for every system; looking it up is the business
//! of each system's own module.
//!
//! What the system does not state is [`Backing::Unknown`] and stays so; two places are called
//! separate only when whole disks with different names are known for both, or when the person says
//! so about the unknown ones.

use crate::name::word;
use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

/// Physical devices below a file system.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Backing {
    /// Whole disks by the system's name, such as `sda`, `nvme0n1` or `PhysicalDrive1`. Losing any
    /// one may lose the data.
    Disks(BTreeSet<String>),
    /// Working memory, wholly or in part: gone when the power goes.
    Memory,
    /// The system does not say, or not completely.
    Unknown {
        /// Reason in plain words, without a full stop.
        why: String,
        /// What is known to lie below all the same: disks by kernel name, a pool, a network folder.
        /// Two backings with a common entry are never separate.
        known: BTreeSet<String>,
    },
}

impl Backing {
    /// Whether the system says what it is.
    pub fn is_known(&self) -> bool {
        !is_unknown(self)
    }

    /// An unknown backing below which nothing is known.
    pub fn unknown(why: impl Into<String>) -> Self {
        Self::Unknown {
            why: why.into(),
            known: BTreeSet::new(),
        }
    }

    /// A backing of one whole disk.
    #[cfg(target_os = "linux")]
    pub(super) fn disk(name: &str) -> Self {
        Self::Disks(BTreeSet::from([name.to_owned()]))
    }

    /// Adds something known to an unknown backing; leaves the others alone.
    pub(super) fn with_known(self, more: impl IntoIterator<Item = String>) -> Self {
        match self {
            Self::Unknown { why, mut known } => {
                known.extend(more);
                Self::Unknown { why, known }
            }
            other => other,
        }
    }

    /// Names that are known to lie below.
    pub(crate) fn names(&self) -> Option<&BTreeSet<String>> {
        match self {
            Self::Disks(names) | Self::Unknown { known: names, .. } => Some(names),
            Self::Memory => None,
        }
    }

    /// Returns the disk, where it is one and all is known.
    #[cfg(not(target_os = "linux"))]
    pub(super) fn only_disk(&self) -> Option<&str> {
        match self {
            Self::Disks(names) if names.len() == 1 => names.first().map(String::as_str),
            _ => None,
        }
    }

    /// Backing of something that needs both: memory in any part makes it memory, then an unknown
    /// part makes it unknown.
    #[cfg(target_os = "linux")]
    pub(super) fn and(self, other: Self) -> Self {
        match (self, other) {
            (Self::Memory, _) | (_, Self::Memory) => Self::Memory,
            (Self::Disks(mut a), Self::Disks(b)) => {
                a.extend(b);
                Self::Disks(a)
            }
            (unknown @ Self::Unknown { .. }, other) | (other, unknown @ Self::Unknown { .. }) => {
                let more = other.names().cloned().unwrap_or_default();
                unknown.with_known(more)
            }
        }
    }
}

/// How many independent devices a set of destinations makes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Independence {
    /// For each destination the number of its group, from 0 in order of first appearance; `None` if
    /// it counts as nothing.
    pub groups: Vec<Option<usize>>,
    /// How many groups there are.
    pub count: usize,
    /// Why the count is not simply the number of destinations, or on whose word it is.
    pub reasons: Vec<IndependenceReason>,
}

/// One reason why destinations do not simply count one each. Indexes are those of the destinations,
/// from 0; the printed form counts from 1.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum IndependenceReason {
    /// Two destinations are in the same file system.
    SameFileSystem {
        /// Index of the first.
        a: usize,
        /// Index of the second.
        b: usize,
    },
    /// Two destinations share a physical disk (or a pool, or a network folder).
    SameDisk {
        /// Index of the first.
        a: usize,
        /// Index of the second.
        b: usize,
        /// What they share, by kernel name.
        disk: String,
    },
    /// It is not known what stands behind a destination, so it is not told apart from any other.
    Unknown {
        /// Index of the destination.
        index: usize,
        /// Reason in plain words.
        why: String,
    },
    /// It is not known what stands behind a destination; it counts as a device of its own, where
    /// nothing known speaks against it, because the person said so.
    Stated {
        /// Index of the destination.
        index: usize,
        /// Reason in plain words why it is not known.
        why: String,
    },
    /// A destination is in working memory and counts as nothing.
    Memory {
        /// Index of the destination.
        index: usize,
    },
}

impl fmt::Display for IndependenceReason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::SameFileSystem { a, b } => write!(
                f,
                "drives {} and {} are in the same file system",
                a + 1,
                b + 1
            ),
            Self::SameDisk { a, b, disk } => write!(
                f,
                "drives {} and {} are on the same disk ({})",
                a + 1,
                b + 1,
                word(disk)
            ),
            Self::Unknown { index, why } => write!(
                f,
                "drive {} cannot be told apart from the others: {why}",
                index + 1
            ),
            Self::Stated { index, why } => write!(
                f,
                "drive {} counts as a separate drive because you said so: {why}",
                index + 1
            ),
            Self::Memory { index } => write!(
                f,
                "drive {} is in working memory and is gone when the power goes",
                index + 1
            ),
        }
    }
}

/// Counts independent devices.
///
/// Each destination is its backing and the `st_dev` of its folder. With `separate` the person
/// states that those the system cannot tell apart are independent devices; it never overrides what
/// the system does know. Without it, one unknown destination makes a single group of all (except
/// memory), also of two known disks: to learn how many the known ones make, ask again with those
/// alone.
pub fn independent(backings: &[(&Backing, u64)], separate: bool) -> Independence {
    let mut sets = Sets::new(backings.len());
    let mut reasons = Vec::new();
    for (a, (first, first_dev)) in backings.iter().enumerate() {
        let Some(names) = first.names() else {
            reasons.push(IndependenceReason::Memory { index: a });
            continue;
        };
        for (b, (second, second_dev)) in backings.iter().enumerate().skip(a + 1) {
            let Some(others) = second.names() else {
                continue;
            };
            if first_dev == second_dev {
                sets.join(a, b);
                reasons.push(IndependenceReason::SameFileSystem { a, b });
            } else if let Some(disk) = shared_device(names, others) {
                sets.join(a, b);
                reasons.push(IndependenceReason::SameDisk { a, b, disk });
            } else if !separate && (is_unknown(first) || is_unknown(second)) {
                sets.join(a, b);
            }
        }
        if let Backing::Unknown { why, .. } = first {
            let (index, why) = (a, why.clone());
            reasons.push(if separate {
                IndependenceReason::Stated { index, why }
            } else {
                IndependenceReason::Unknown { index, why }
            });
        }
    }
    let mut numbers = BTreeMap::new();
    let groups = backings
        .iter()
        .enumerate()
        .map(|(index, (backing, _))| {
            backing.names()?;
            let next = numbers.len();
            Some(*numbers.entry(sets.head(index)).or_insert(next))
        })
        .collect();
    Independence {
        groups,
        count: numbers.len(),
        reasons,
    }
}

/// Whether nothing certain is known about where this is.
fn is_unknown(backing: &Backing) -> bool {
    matches!(backing, Backing::Unknown { .. })
}

/// A device that both sets of names have in common.
fn shared_device(first: &BTreeSet<String>, second: &BTreeSet<String>) -> Option<String> {
    if let Some(name) = first.intersection(second).next() {
        return Some(name.clone());
    }
    let keys: BTreeSet<&str> = first.iter().map(|name| device_key(name)).collect();
    second
        .iter()
        .map(|name| device_key(name))
        .find(|key| keys.contains(key))
        .map(str::to_owned)
}

/// Part of a disk name that all parts of one physical device share: namespaces of one controller
/// (`nvme0n1`, `nvme0n2`) and hardware areas of one flash chip (`mmcblk0`, `mmcblk0boot0`).
pub(super) fn device_key(name: &str) -> &str {
    for prefix in ["nvme", "mmcblk"] {
        if let Some(rest) = name.strip_prefix(prefix) {
            let digits = rest.bytes().take_while(u8::is_ascii_digit).count();
            if digits > 0 {
                return name.get(..prefix.len() + digits).unwrap_or(name);
            }
        }
    }
    name
}

/// Disjoint sets of destination indexes.
struct Sets(Vec<usize>);

impl Sets {
    /// Each of `len` indexes in a set of its own.
    fn new(len: usize) -> Self {
        Self((0..len).collect())
    }

    /// Index that stands for the set of `index`.
    fn head(&self, mut index: usize) -> usize {
        while let Some(&up) = self.0.get(index)
            && up != index
        {
            index = up;
        }
        index
    }

    /// Makes one set of two.
    fn join(&mut self, a: usize, b: usize) {
        let (a, b) = (self.head(a), self.head(b));
        if let Some(slot) = self.0.get_mut(a.max(b)) {
            *slot = a.min(b);
        }
    }
}
