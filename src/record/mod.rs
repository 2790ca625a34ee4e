//! Owns what stands in an offload's records and how it is read and written: the journal of a run,
//! the manifest and its signature, lists of checksums, the tag files of a bag, the list beside what
//! was salvaged of a file; and what the person's own folder remembers of damaged copies. It judges
//! nothing: what a record vouches for is for others to say.

pub mod bag;
pub mod checksums;
pub mod damage;
pub mod doubt;
pub mod earlier_run;
pub mod journal;
pub mod layout;
pub mod load;
pub mod manifest;
pub mod media_hash_list;
pub mod others;
pub mod salvage;
pub mod signature;
pub mod store;
