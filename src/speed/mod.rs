//! Owns what is reckoned from measured speed. Pure; nothing here touches a disk or a terminal.

pub mod class;
pub mod forecast;
pub mod quantity;
pub mod weigh;
