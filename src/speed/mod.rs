//! Owns what is reckoned from measured speed. Pure; nothing here touches a disk or a terminal.

pub mod forecast;
