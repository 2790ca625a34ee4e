//! Owns the count of files that enough independent devices hold.

use super::gap::{Gap, GapList, NAMES_COMPARED, NAMES_OF_COPY, NAMES_TOLD};
use super::question::Question;
use super::to_read::doubted;
use super::usable::Usable;
use crate::disk::backing::Backing;
use crate::plan::notes::count_independent;
use crate::proof::notes::Content;
use std::collections::HashMap;

/// Whether devices that the system cannot tell apart count as separate: the person says so now, or
/// said so when these very copies were made together.
pub(super) fn is_separate(question: &Question<'_>, usable: &[Usable<'_>]) -> bool {
    let unknown: Vec<&Usable<'_>> = usable
        .iter()
        .filter(|u| matches!(u.found.backing, Backing::Unknown { .. }))
        .collect();
    let place = |u: &Usable<'_>| {
        let at = u.manifest.destinations.get(u.found.here?)?;
        Some((at.path.clone(), at.device.clone()))
    };
    let were_stated = |a: &Usable<'_>, b: &Usable<'_>| {
        let is_twice = a.found.may_be(b.found);
        let (Some(a), Some(b)) = (place(a), place(b)) else {
            return false;
        };
        let holds = |u: &Usable<'_>, place: &(String, String)| {
            let mut all = u.manifest.destinations.iter();
            all.any(|d| (&d.path, &d.device) == (&place.0, &place.1))
        };
        let mut stated = usable.iter().filter(|u| u.manifest.proof.separate);
        a == b || (stated.any(|u| holds(u, &a) && holds(u, &b)) && !is_twice)
    };
    let all = unknown.iter().enumerate();
    let mut pairs = all.flat_map(|(n, a)| unknown.iter().skip(n).map(move |b| (a, b)));
    if question.separate {
        return seen_twice(usable).is_none();
    }
    pairs.all(|(a, b)| were_stated(a, b)) && !unknown.is_empty()
}

/// Two places that the system cannot tell apart, with records of one moment: nobody's word makes
/// two of one drive. Of dates in whole seconds the person knows better.
pub(super) fn seen_twice<'a>(usable: &'a [Usable<'a>]) -> Option<(&'a str, &'a str)> {
    let unknown = |u: &&Usable<'_>| matches!(u.found.backing, Backing::Unknown { .. });
    let all = usable.iter().filter(unknown).enumerate();
    all.flat_map(|(n, a)| {
        usable
            .iter()
            .filter(unknown)
            .skip(n + 1)
            .map(move |b| (a.found, b.found))
    })
    .find(|(a, b)| a.may_be(b) && a.written.is_some_and(|date| date.nanos != 0))
    .map(|(a, b)| (a.root.as_str(), b.root.as_str()))
}

/// Counts the devices that the system itself tells apart.
pub(super) fn distinct_devices(usable: &[Usable<'_>]) -> usize {
    let devices = usable.iter().map(|u| (&u.found.backing, u.found.device));
    count_independent(&devices.collect::<Vec<_>>(), false)
}

/// What counting every file of the card gave.
pub(super) struct Counted<'a> {
    /// Files and bytes per offload.
    pub(super) held: Vec<(u64, u64)>,
    /// What each offload should hold and does not hold proven.
    pub(super) lacks: Vec<GapList>,
    /// Separate drives that hold every file.
    pub(super) copies: usize,
    /// Files that no offload proves.
    pub(super) gaps: GapList,
    /// Per offload, the files that others prove, but not enough of them.
    pub(super) short: Vec<GapList>,
    /// Nothing but what `told` and `short` tell is in the way: with that put right, there would be
    /// copies enough.
    pub(super) is_explained: bool,
    /// What the manifests say of the content of files that stand somewhere.
    pub(super) contents: Vec<Content<'a>>,
}

/// Counts the independent devices of sets of offloads, each set once.
pub(super) struct Devices<'a> {
    pub(super) usable: &'a [Usable<'a>],
    pub(super) separate: bool,
    pub(super) known: HashMap<Vec<usize>, usize>,
}

impl Devices<'_> {
    pub(super) fn count(&mut self, offloads: Vec<usize>) -> usize {
        let (usable, separate) = (self.usable, self.separate);
        *self.known.entry(offloads).or_insert_with_key(|offloads| {
            let devices: Vec<_> = offloads
                .iter()
                .filter_map(|&i| usable.get(i))
                .map(|u| (&u.found.backing, u.found.device))
                .collect();
            count_independent(&devices, separate)
        })
    }
}

impl Counted<'_> {
    /// Before any file was looked at, of so many offloads.
    pub(super) fn of(usable: usize, names: usize) -> Self {
        let lists = || (0..usable).map(|_| GapList::of(NAMES_OF_COPY)).collect();
        Self {
            held: vec![(0, 0); usable],
            lacks: lists(),
            copies: usize::MAX,
            gaps: GapList::of(names),
            short: lists(),
            is_explained: true,
            contents: Vec::new(),
        }
    }
}

pub(super) fn count<'a>(question: &Question<'a>, usable: &[Usable<'_>]) -> Counted<'a> {
    let mut devices = Devices {
        usable,
        separate: is_separate(question, usable),
        known: HashMap::new(),
    };
    let all = devices.count((0..usable.len()).collect());
    let names = if question.by_content {
        NAMES_COMPARED
    } else {
        NAMES_TOLD
    };
    let mut counted = Counted::of(usable.len(), names);
    let doubted = doubted(question, usable);
    for file in question.listing.files() {
        let is_doubted = doubted.contains(file.name.as_str());
        let (mut holders, mut could_hold, mut gaps) = (Vec::new(), Vec::new(), Vec::new());
        for (index, offload) in usable.iter().enumerate() {
            let gap = offload.gap(question, file, is_doubted);
            if gap.is_none_or(Gap::is_of_drive) {
                could_hold.push(index);
            }
            match gap {
                None => {
                    holders.push(index);
                    counted.held[index].0 += 1;
                    counted.held[index].1 += file.bytes;
                }
                Some(gap) => gaps.push((index, gap)),
            }
        }
        let of_drives: Vec<_> = gaps.iter().filter(|(_, gap)| gap.is_of_drive()).collect();
        for (index, gap) in &of_drives {
            let cause = usable[*index].cause(question, *gap, file);
            counted.lacks[*index].add(*gap, file, cause);
        }
        let holder = holders.first().and_then(|&i| usable.get(i));
        let part = holder.and_then(|u| u.files.get(file.name.as_str()));
        counted.contents.extend(part.map(|part| Content {
            path: file.name.as_str(),
            bytes: part.bytes,
            blake3: part.blake3,
            only_zeros: part.only_zeros,
        }));
        let is_held = !holders.is_empty();
        let copies = devices.count(holders);
        counted.copies = counted.copies.min(copies);
        if copies >= question.copies_needed {
            continue;
        }
        if is_held {
            for (index, gap) in of_drives {
                let cause = usable[*index].cause(question, *gap, file);
                counted.short[*index].add(*gap, file, cause);
            }
            counted.is_explained &= devices.count(could_hold) >= question.copies_needed;
        } else {
            let worst = gaps.iter().max_by_key(|(_, gap)| *gap);
            let gap = worst.map_or(Gap::New, |(_, gap)| *gap);
            let of = worst.and_then(|(index, _)| usable.get(*index));
            let cause = of.and_then(|u| u.cause(question, gap, file));
            counted.gaps.add(gap, file, cause);
            counted.is_explained &= all >= question.copies_needed;
        }
    }
    counted.copies = Some(counted.copies)
        .filter(|n| *n < usize::MAX)
        .unwrap_or(0);
    counted
}
