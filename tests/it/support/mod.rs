//! What tests share.

pub(crate) mod image;
pub(crate) mod mount;
pub(crate) mod program;
pub(crate) mod sim;
