//! One test binary. `support` holds what tests share: a simulated disk with faults, a mount with
//! faults, and a way to run the program.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]
#![allow(
    clippy::expect_used,
    clippy::panic,
    reason = "a test that cannot go on has failed"
)]

mod binary;
mod cards;
mod faults;
mod flips;
mod fuzzed;
mod histories;
mod kill;
mod kit;
mod matrix;
mod mounts;
mod names;
mod only_new;
mod pages;
mod prove;
mod rate;
mod sets;
mod speed;
mod support;
mod surroundings;
mod tidy;
mod trees;
mod vectors;
mod verify;
mod weigh;
