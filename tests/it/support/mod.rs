//! What tests share.

#[cfg(target_os = "linux")]
pub(crate) mod image;
#[cfg(target_os = "linux")]
pub(crate) mod mount;
pub(crate) mod program;
pub(crate) mod sim;
