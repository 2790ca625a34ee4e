//! Owns how long and how often a place is asked, and how much is taken from it.

use std::time::Duration;

/// How long a call may take that moves no file.
pub(super) const CALL_TIME: Duration = Duration::from_secs(60);
/// How long one part of a file may take: 8 MB at 30 kB/s.
pub(super) const PART_TIME: Duration = Duration::from_secs(300);
/// How long a connection may take to come about.
pub(super) const CONNECT_TIME: Duration = Duration::from_secs(30);
/// How often a call is tried again, at rising intervals of these bounds and with jitter.
pub(super) const TRIES: usize = 5;
pub(super) const TRY_AFTER: (Duration, Duration) =
    (Duration::from_millis(500), Duration::from_secs(30));
/// Names that one folder of a place may have.
pub(super) const NAMES_MAX: usize = 1_000_000;
