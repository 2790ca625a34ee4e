//! Owns every call into a system that neither the standard library nor a crate makes safe. The only
//! place where `unsafe` may be written; each block says why it is sound. It decides nothing: what
//! the answers mean is the business of `disk::os`.

#[cfg(target_os = "linux")]
pub mod linux;
#[cfg(target_os = "macos")]
pub mod macos;
#[cfg(unix)]
pub mod unix;
#[cfg(windows)]
pub mod windows;
