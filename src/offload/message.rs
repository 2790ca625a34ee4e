//! Owns what goes through the queues of an offload: what was read, on its way to hashers and
//! destinations, and what every stage reports to the coordinator.

use super::in_flight::InFlight;
use crate::digest::Digest;
use crate::disk::buffer::Chunk;
use crate::disk::{ReadBackWay, Sight};
use crate::error::Problem;
use crate::hash_algorithm::AlsoHashes;
use crate::inspect::Inspected;
use crate::record::layout::Level;
use crossbeam_channel::Sender;
use std::sync::Arc;

/// From the reader to the hashers and all destinations.
#[derive(Clone)]
pub(super) enum FromCard {
    Begin(Arc<InFlight>),
    Chunk(Arc<InFlight>, Chunk, u64),
    End(Arc<InFlight>),
    Abort(Arc<InFlight>),
    /// Whole small files: handing over each by itself costs more than writing it.
    Small(Arc<[(Arc<InFlight>, Chunk)]>),
}

/// Where the reader hands over what it read: the queues of all that take it.
pub(super) struct Takers {
    /// BLAKE3 first, then the further hashes.
    pub(super) hashers: Vec<Sender<FromCard>>,
    pub(super) destinations: Vec<Sender<FromCard>>,
    /// The look at what the files hold.
    pub(super) looker: Sender<FromCard>,
}

/// A file proven on one destination.
pub(super) struct Proven {
    pub(super) destination: usize,
    pub(super) job: usize,
    pub(super) digest: Digest,
    pub(super) also: AlsoHashes,
    pub(super) level: Level,
    pub(super) way: ReadBackWay,
    pub(super) sight: Option<Sight>,
    pub(super) readback_s: f64,
    pub(super) read_s: f64,
    pub(super) only_zeros: bool,
}

/// A file of an earlier run that was read back again and is as it was.
pub(super) struct Rechecked {
    pub(super) destination: usize,
    pub(super) job: usize,
    pub(super) way: ReadBackWay,
    pub(super) sight: Sight,
    pub(super) readback_s: f64,
    /// What was seen of it on the way, on one of the drives.
    pub(super) seen: Option<Box<Inspected>>,
}

/// From every stage to the coordinator.
pub(super) enum Report {
    Proven(Proven),
    Rechecked(Rechecked),
    /// A file of an original was read whole; whether it is what its manifest says.
    Original(usize, bool, ReadBackWay),
    KeptLost(usize, usize, Problem),
    Problem(Problem),
    DestinationFailed(usize, Problem),
    DateRefused(usize),
    CardRead,
}

/// Names the report only: what it carries can be long.
impl std::fmt::Debug for Report {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::Proven(_) => "Proven",
            Self::Rechecked(_) => "Rechecked",
            Self::Original(..) => "Original",
            Self::KeptLost(..) => "KeptLost",
            Self::Problem(_) => "Problem",
            Self::DestinationFailed(..) => "DestinationFailed",
            Self::DateRefused(_) => "DateRefused",
            Self::CardRead => "CardRead",
        })
    }
}
