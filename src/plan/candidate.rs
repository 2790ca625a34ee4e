//! Owns what goes into a plan: what was found on every destination, and what the person asked for.
//! Data only.

use crate::disk::FolderFacts;
use crate::error::Problem;
use crate::existing::earlier::EarlierOffload;
use crate::existing::standing::Standing;
use crate::hash_algorithm::AlsoSet;
use crate::plan::terms::Terms;
use crate::record::layout::Layout;
use crate::record::signature::Signer;
use camino::Utf8PathBuf;
use std::sync::Arc;

/// What stands on a destination under one name of an offload.
#[derive(Clone, Debug)]
pub struct Spot {
    /// As it was given on the command line.
    pub given: Utf8PathBuf,
    /// What the system says of it, or why it cannot be used.
    pub facts: Result<FolderFacts, Problem>,
    /// What stands there already.
    pub standing: Standing,
}

/// A destination before the plan.
#[derive(Clone, Debug)]
pub struct Candidate {
    /// As it was given on the command line.
    pub given: Utf8PathBuf,
    /// What the system says of it, or why it cannot be used.
    pub facts: Result<FolderFacts, Problem>,
    /// Why it is not the drive that is meant.
    pub unmounted: Option<String>,
    /// The offload that it lies in, or is.
    pub within_offload: Option<String>,
    /// What stands there already.
    pub standing: Standing,
    /// Files that were read from the card, and are what an earlier run of this offload read, before
    /// any is kept unread; `None` where one was not.
    pub sampled: Option<u64>,
    /// Other offloads on it, where only what is new is to be copied.
    pub earlier: Vec<EarlierOffload>,
    /// What should be told of those that cannot be used.
    pub earlier_notes: Vec<String>,
    /// Bytes that other runs at work on the volume have yet to write.
    pub others_bytes: u64,
    /// The drive's name in the kit.
    pub kit_name: Option<String>,
}

/// What the person asked for, as far as the plan needs it.
#[derive(Clone, Debug)]
pub struct PlanOptions {
    /// The offload's name.
    pub name: String,
    /// What is to be proven.
    pub terms: Terms,
    /// Leave what earlier offloads on every destination prove already.
    pub only_new: bool,
    /// In which form the offload is left.
    pub form: Form,
    /// Who is to sign the manifest.
    pub signer: Option<Arc<Signer>>,
}

/// In which form an offload is left on its destinations.
#[expect(clippy::struct_excessive_bools, reason = "each is a flag of its own")]
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Form {
    /// Further hashes beside BLAKE3.
    pub also: AlsoSet,
    /// Where the card's tree lies; `None` for what stands there already, or else as the original
    /// has it, or plain.
    pub layout: Option<Layout>,
    /// The records name the cameras, as the files do.
    pub names_cameras: bool,
    /// What can be read of files with unreadable spots is kept beside them.
    pub salvages: bool,
    /// A page of pictures is made when all else is done.
    pub has_pictures: bool,
    /// An ASC media hash list is made on every drive.
    pub has_mhl: bool,
}

/// Returns the layout that was asked for, or that of what stands there, or that of the `original`,
/// or the plain one.
pub fn layout_of<'a>(
    asked: Option<Layout>,
    mut standing: impl Iterator<Item = &'a Standing>,
    original: Option<Layout>,
) -> Layout {
    let mut stands = || standing.find_map(|s| s.records.as_ref());
    asked
        .or_else(|| stands().map(|r| r.layout))
        .or(original)
        .unwrap_or_default()
}
