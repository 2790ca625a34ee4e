//! Owns the count of files that enough independent devices hold.

use super::answer::NAMES_OF_COPY;
use super::gap::{Gap, GapList, NAMES_COMPARED, NAMES_TOLD};
use super::holders::{Devices, Holders};
use super::question::Question;
use super::to_read::doubted;
use crate::card::listing::FileRow;
use crate::error::Unread;
use crate::proof::notes::Content;
use std::collections::HashSet;

/// What counting every file of the card gave. What is per holder is in the order of [`Holders`].
pub(super) struct Counted<'a> {
    /// Files and bytes per holder.
    pub(super) held: Vec<(u64, u64)>,
    /// What each holder should hold and does not hold proven.
    pub(super) lacks: Vec<GapList>,
    /// Separate drives that hold every file.
    pub(super) copies: usize,
    /// The same of offloads alone.
    pub(super) recorded: usize,
    /// Files that nothing proves.
    pub(super) gaps: GapList,
    /// Per holder, the files that others prove, but not enough of them.
    pub(super) short: Vec<GapList>,
    /// Nothing but what `told` and `short` tell is in the way: with that put right, there would be
    /// copies enough.
    pub(super) is_explained: bool,
    /// What is known of the content of files that some holder has.
    pub(super) contents: Vec<Content<'a>>,
    /// Which drives hold what.
    pub(super) drives: DriveShares,
}

impl Counted<'_> {
    /// Before any file was looked at.
    fn of(holders: &Holders<'_>, drives: DriveShares, names: usize) -> Self {
        let offloads = holders.usable.iter().map(|_| NAMES_OF_COPY);
        let folders = holders.folders.iter().map(|_| NAMES_COMPARED);
        let names_of: Vec<usize> = offloads.chain(folders).collect();
        let lists = || names_of.iter().map(|n| GapList::of(*n)).collect();
        Self {
            held: vec![(0, 0); holders.len()],
            lacks: lists(),
            copies: usize::MAX,
            recorded: usize::MAX,
            gaps: GapList::of(names),
            short: lists(),
            is_explained: true,
            contents: Vec::new(),
            drives,
        }
    }
}

pub(super) fn count<'a>(question: &Question<'a>, holders: &Holders<'_>) -> Counted<'a> {
    let mut devices = Devices::of(holders, question);
    let all = devices.count((0..holders.len()).collect());
    let names = if question.by_content || !holders.folders.is_empty() {
        NAMES_COMPARED
    } else {
        NAMES_TOLD
    };
    let drives = DriveShares::of(&mut devices, holders.len());
    let mut counted = Counted::of(holders, drives, names);
    let doubted = doubted(question, &holders.usable);
    for file in question.listing.files() {
        let gaps = holders.gaps(question, file, &doubted);
        let (mut held_by, mut could_hold, mut of_drives) = (Vec::new(), Vec::new(), Vec::new());
        for (index, gap) in gaps.iter().enumerate() {
            if gap.is_none_or(Gap::is_of_drive) {
                could_hold.push(index);
            }
            match gap {
                None => {
                    held_by.push(index);
                    counted.held[index].0 += 1;
                    counted.held[index].1 += file.bytes;
                }
                Some(gap) if gap.is_of_drive() => of_drives.push((index, *gap)),
                Some(_) => {}
            }
        }
        for (index, gap) in &of_drives {
            let cause = holders.cause(*index, question, *gap, file);
            counted.lacks[*index].add(*gap, file, cause);
        }
        counted
            .contents
            .extend(holders.content(&held_by, question, file));
        counted.drives.note(&held_by);
        let is_held = !held_by.is_empty();
        let recorded = held_by.iter().copied();
        let recorded = recorded.filter(|i| *i < holders.usable.len()).collect();
        counted.recorded = counted.recorded.min(devices.count(recorded));
        let copies = devices.count(held_by);
        counted.copies = counted.copies.min(copies);
        if copies >= question.copies_needed {
            continue;
        }
        if is_held {
            for (index, gap) in of_drives {
                let cause = holders.cause(index, question, gap, file);
                counted.short[index].add(gap, file, cause);
            }
            counted.is_explained &= devices.count(could_hold) >= question.copies_needed;
        } else {
            let each = gaps.iter().enumerate();
            let worst = each.filter_map(|(index, gap)| Some((index, (*gap)?)));
            let worst = worst.max_by_key(|(_, gap)| *gap);
            let gap = worst.map_or(Gap::New, |(_, gap)| gap);
            let cause = worst.and_then(|(index, _)| holders.cause(index, question, gap, file));
            counted.gaps.add(gap, file, cause);
            counted.is_explained &= all >= question.copies_needed;
        }
    }
    let counts = [&mut counted.copies, &mut counted.recorded];
    // A card without files.
    for n in counts.into_iter().filter(|n| **n == usize::MAX) {
        *n = 0;
    }
    counted
}

/// Which drives hold all of the card, and which a part of it.
pub(super) struct DriveShares {
    /// The drive of each holder, by the first holder that is on it.
    drive_of: Vec<usize>,
    /// Drives that hold no less than all.
    whole: HashSet<usize>,
    /// Drives that hold anything.
    any: HashSet<usize>,
}

impl DriveShares {
    fn of(devices: &mut Devices<'_>, holders: usize) -> Self {
        let mut first_on = |at: usize| (0..at).find(|other| devices.count(vec![*other, at]) < 2);
        let drive_of: Vec<usize> = (0..holders).map(|at| first_on(at).unwrap_or(at)).collect();
        Self {
            whole: drive_of.iter().copied().collect(),
            any: HashSet::new(),
            drive_of,
        }
    }

    fn note(&mut self, held_by: &[usize]) {
        let drives = held_by.iter().filter_map(|at| self.drive_of.get(*at));
        let drives: HashSet<usize> = drives.copied().collect();
        self.whole.retain(|drive| drives.contains(drive));
        self.any.extend(drives);
    }

    /// Drives that hold the card only together.
    pub(super) fn spread(&self) -> usize {
        if self.whole.is_empty() {
            self.any.len()
        } else {
            1
        }
    }
}

impl Holders<'_> {
    /// Why each does not prove a file; nothing where it does.
    fn gaps(
        &self,
        question: &Question<'_>,
        file: FileRow<'_>,
        doubted: &HashSet<&str>,
    ) -> Vec<Option<Gap>> {
        let is_doubted = doubted.contains(file.name.as_str());
        let offloads = self.usable.iter();
        let offloads = offloads.map(|u| u.gap(question, file, is_doubted));
        let folders = self.folders.iter().map(|f| f.gap(question, file));
        offloads.chain(folders).collect()
    }

    fn cause(
        &self,
        index: usize,
        question: &Question<'_>,
        gap: Gap,
        file: FileRow<'_>,
    ) -> Option<Unread> {
        let of_folder = || {
            let folder = self.folders.get(index.checked_sub(self.usable.len())?)?;
            folder.cause(question, gap, file)
        };
        match self.usable.get(index) {
            Some(offload) => offload.cause(question, gap, file),
            None => of_folder(),
        }
    }

    /// What is known of a file's content by one that holds it.
    fn content<'a>(
        &self,
        held_by: &[usize],
        question: &Question<'a>,
        file: FileRow<'a>,
    ) -> Option<Content<'a>> {
        let path = file.name.as_str();
        let first = *held_by.first()?;
        let (blake3, only_zeros) = match self.usable.get(first) {
            Some(offload) => {
                let part = offload.files.get(path)?;
                (part.blake3, part.only_zeros)
            }
            None => (question.holds(path)?, question.card_zeros.contains(path)),
        };
        Some(Content {
            path,
            bytes: file.bytes,
            blake3,
            only_zeros,
        })
    }
}
