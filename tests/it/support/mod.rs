//! What tests share.

#![cfg_attr(
    not(target_os = "linux"),
    allow(dead_code, reason = "tests that are Linux's own use the rest")
)]

pub(crate) mod bag;
#[cfg(target_os = "linux")]
pub(crate) mod image;
#[cfg(target_os = "linux")]
pub(crate) mod mount;
pub(crate) mod program;
pub(crate) mod sim;
