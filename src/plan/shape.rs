//! Owns what an offload is to be on every destination, and one destination while it is planned.
//! Pure.

use crate::disk::FolderFacts;
use crate::existing::source::CardFacts;
use crate::hash_algorithm::{Also, AlsoSet};
use crate::plan::candidate::{Candidate, Form, PlanOptions, layout_of};
use crate::plan::earlier::{Leaving, Left};
use crate::record::layout::Layout;

/// A destination while it is planned.
pub(super) struct DestinationDraft<'a> {
    pub(super) index: usize,
    pub(super) candidate: &'a Candidate,
    pub(super) facts: &'a FolderFacts,
    pub(super) shape: &'a Shape<'a>,
    pub(super) leaving: &'a Leaving,
}

impl DestinationDraft<'_> {
    /// Returns where the file at this place of the listing is left on this destination.
    pub(super) fn left(&self, at: usize) -> Option<&Left> {
        self.leaving.left.get(at)?.as_ref()?.get(self.index)
    }
}

/// What the offload is to be on every destination.
pub(super) struct Shape<'a> {
    pub(super) name: &'a str,
    pub(super) also: AlsoSet,
    pub(super) layout: Layout,
    pub(super) has_mhl: bool,
    /// Nobody asked for a media hash list: an earlier run began it.
    pub(super) goes_on_with_mhl: bool,
}

impl<'a> Shape<'a> {
    /// Returns the form in which it is left.
    pub(super) fn form(&self, options: &PlanOptions) -> Form {
        Form {
            has_mhl: self.has_mhl,
            ..options.form
        }
    }

    pub(super) fn of(options: &'a PlanOptions, card: &CardFacts, candidates: &[Candidate]) -> Self {
        let original = card.original.as_ref();
        let standing = candidates.iter().map(|c| &c.standing);
        let layout = layout_of(options.form.layout, standing, original.map(|o| o.layout));
        let mut records = candidates
            .iter()
            .filter_map(|c| c.standing.records.as_ref());
        let has_mhl = options.form.has_mhl || records.any(|r| r.has_mhl);
        let mut also = hashes_to_make(options, candidates, layout);
        if has_mhl && also.and(AlsoSet::of_media_hash_lists()).is_empty() {
            also.insert(Also::Xxh128);
        }
        Self {
            name: &options.name,
            also: original.map_or(also, |o| also.with(o.also)),
            layout,
            has_mhl,
            goes_on_with_mhl: has_mhl && !options.form.has_mhl,
        }
    }
}

/// Those asked for, that which a bag needs, and those that earlier runs of this offload made: they
/// are made on, so that no list ends up with a part of the files.
fn hashes_to_make(options: &PlanOptions, candidates: &[Candidate], layout: Layout) -> AlsoSet {
    let mut asked = options.form.also;
    if layout == Layout::Bag {
        asked.insert(Also::Sha256);
    }
    candidates
        .iter()
        .filter_map(|c| c.standing.records.as_ref())
        .flat_map(|r| r.proven.values())
        .fold(asked, |all, entry| all.with(entry.also.kinds()))
}
