//! Owns what each command does: one module a command, from its arguments to its exit code.

pub(crate) mod complete;
pub(crate) mod copy;
pub(crate) mod demo;
#[cfg(feature = "offsite")]
pub(crate) mod fetch;
pub(crate) mod ids;
pub(crate) mod inspect;
pub(crate) mod kit;
pub(crate) mod ledger;
pub(crate) mod man;
#[cfg(not(feature = "desk"))]
pub(crate) mod no_desk;
#[cfg(not(feature = "offsite"))]
pub(crate) mod no_send;
pub(crate) mod plugged;
pub(crate) mod prove;
pub(crate) mod rate;
pub(crate) mod report;
pub(crate) mod schema;
#[cfg(feature = "offsite")]
pub(crate) mod send;
pub(crate) mod shared;
pub(crate) mod verify;
pub(crate) mod weigh;
