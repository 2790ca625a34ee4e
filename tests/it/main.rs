//! One test binary. `support` holds what tests share: a simulated disk with faults, a mount with
//! faults, and a way to run the program. `docs/dev/tests.md` lists what each file is for.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]
#![allow(
    clippy::expect_used,
    clippy::panic,
    reason = "a test that cannot go on has failed"
)]

mod chain_pulls;
mod doubts;
mod faults;
mod forecast;
mod histories;
mod intervals;
#[cfg(target_os = "linux")]
mod linux;
mod page;
mod pages;
mod patterns;
mod support;
mod tidy;
mod trees;
mod truth;
mod vectors;
mod whole;
