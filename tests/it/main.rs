//! One test binary. `support` holds what tests share: a simulated disk with faults, a mount with
//! faults, and a way to run the program.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]
#![allow(
    clippy::expect_used,
    clippy::panic,
    reason = "a test that cannot go on has failed"
)]

mod binary;
mod faults;
mod formats;
mod histories;
mod kill;
mod matrix;
mod mounts;
mod pages;
mod prove;
mod sets;
mod support;
mod tidy;
mod trees;
mod vectors;
