//! `unlade` empties a camera card onto several drives in one read, reads every copy back from its
//! device while the card is still being read, and answers one question: may this card be formatted?
//!
//! The data's way through the crate: [`card`] (what the card holds) -> [`existing`] (what earlier
//! runs left on the drives) -> [`plan`] (what will be done, or why not) -> [`offload`] (one read,
//! many copies, all read back) -> [`proof`] (the verdict) -> [`record`] (what is left on the
//! drives) -> [`report`] (the page); [`verify`] checks it later. [`run`] puts the stages in order,
//! [`queue`] the jobs. [`disk`] and [`clock`] are the only seams to the world, with [`sys`] below
//! them; nothing here prints.

pub mod card;
pub mod clock;
pub mod digest;
pub mod disk;
pub mod error;
pub mod event;
pub mod existing;
pub mod hash_algorithm;
pub mod inspect;
pub mod kit;
pub mod ledger;
pub mod measure;
pub mod name;
pub mod offload;
#[cfg(feature = "offsite")]
pub mod place;
pub mod plan;
pub mod proof;
pub mod queue;
pub mod record;
pub mod report;
pub mod run;
pub mod speed;
pub mod station;
pub mod sys;
pub mod units;
pub mod verify;
