//! Owns what is reckoned from measured speed and from what links allow. Pure; nothing here touches
//! a disk or a terminal.

pub mod ceiling;
pub mod chain;
pub mod classes;
pub mod detected;
pub mod forecast;
pub mod link;
pub mod links;
pub mod quantity;
pub mod upgrade;
pub mod weigh;
