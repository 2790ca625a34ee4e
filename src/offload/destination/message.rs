//! Owns what the threads of a destination hand to one another.

use crate::digest::Digest;
use crate::disk::{PartFile, ReadBackWay, Stat};
use crate::hash_algorithm::AlsoHashes;
use crate::offload::in_flight::InFlight;
use crate::record::layout::Level;
use camino::Utf8PathBuf;
use crossbeam_channel::Sender;
use std::sync::Arc;
use std::time::Duration;

/// A part file being written.
#[derive(Clone)]
pub(super) struct OpenPart {
    pub(super) file: Arc<InFlight>,
    pub(super) part: Arc<dyn PartFile>,
    pub(super) path: Utf8PathBuf,
}

/// From the writer to the committer and on to the verifier: how far a file of more than one stripe
/// is.
pub(super) enum Stripe {
    /// Everything up to this offset was written.
    Upto(OpenPart, u64),
    /// The file was written whole and cut to length.
    Last(OpenPart),
    /// The file was given up; the writer waits until its part is gone, since the same name may
    /// come again in the second pass.
    GivenUp(OpenPart, Sender<()>),
}

/// From the writer to the finishers: a file that is flushed, read back and compared in one go.
pub(super) enum ToFinish {
    /// Of one stripe at most, written whole.
    Copy(OpenPart),
    /// It was there already.
    Check(Arc<InFlight>),
}

/// To the publisher: a file that may carry its final name.
pub(super) struct Publishable {
    pub(super) file: Arc<InFlight>,
    /// Of what the card delivered.
    pub(super) digest: Digest,
    pub(super) also: AlsoHashes,
    pub(super) way: ReadBackWay,
    /// How far the copy is proven.
    pub(super) level: Level,
    /// Inside reads of the drive.
    pub(super) time: Duration,
    /// What the file was before its end was read back.
    pub(super) seen: Option<Stat>,
    /// The part file; `None` when the file was there already.
    pub(super) part: Option<Utf8PathBuf>,
}
