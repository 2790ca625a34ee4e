//! Owns how the records of others are read: checksum lists in the forms that general programs
//! write, bags, and ASC media
//! hash lists. It takes lines and gives what they say of each file. It opens nothing, and
//! judges nothing.

pub mod bag;
mod claims;
pub mod list;
pub mod mhl;
mod place;
mod refusal;
mod short;

pub use claims::{ClaimWords, Claims, FileClaim, Sum};
pub use place::{PlaceError, inside, with_slashes};
pub use refusal::{BrokenChain, ChainFault, RefusedRecord, WhyRefused};
