//! One test binary. `support` holds what tests share: a simulated disk with faults, a mount with
//! faults, and a way to run the program. What expects PROVEN of real folders, or needs mounts and signals,
//! runs on Linux only; docs/dev/tests.md lists it.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]
#![allow(
    clippy::expect_used,
    clippy::panic,
    reason = "a test that cannot go on has failed"
)]

#[cfg(target_os = "linux")]
mod binary;
#[cfg(target_os = "linux")]
mod by_hand;
#[cfg(target_os = "linux")]
mod cards;
mod doubts;
#[cfg(target_os = "linux")]
mod elsewhere;
mod faults;
#[cfg(target_os = "linux")]
mod flips;
mod forecast;
#[cfg(target_os = "linux")]
mod formats;
#[cfg(target_os = "linux")]
mod further;
#[cfg(target_os = "linux")]
mod fuzzed;
mod histories;
#[cfg(target_os = "linux")]
mod hostile;
#[cfg(target_os = "linux")]
mod interrupt;
mod intervals;
#[cfg(target_os = "linux")]
mod kill;
#[cfg(target_os = "linux")]
mod kit;
#[cfg(target_os = "linux")]
mod layers;
#[cfg(target_os = "linux")]
mod matrix;
#[cfg(target_os = "linux")]
mod mounts;
#[cfg(target_os = "linux")]
mod names;
#[cfg(target_os = "linux")]
mod only_new;
mod page;
#[cfg(target_os = "linux")]
mod page_outside;
mod pages;
#[cfg(target_os = "linux")]
mod places;
#[cfg(target_os = "linux")]
mod prove;
#[cfg(target_os = "linux")]
mod rate;
#[cfg(target_os = "linux")]
mod scarce;
#[cfg(target_os = "linux")]
mod schema;
#[cfg(target_os = "linux")]
mod sets;
#[cfg(target_os = "linux")]
mod signature;
#[cfg(target_os = "linux")]
mod small_files;
#[cfg(target_os = "linux")]
mod speed;
mod support;
#[cfg(target_os = "linux")]
mod surroundings;
mod tidy;
mod trees;
mod truth;
#[cfg(target_os = "linux")]
mod unread;
mod vectors;
#[cfg(target_os = "linux")]
mod verify;
#[cfg(target_os = "linux")]
mod weigh;
mod whole;
#[cfg(target_os = "linux")]
mod wine;
#[cfg(target_os = "linux")]
mod words;
