//! Owns how much a manifest may hold, and reads no more than that.

use serde::Deserialize;
use serde::de::{Deserializer, Error as _, SeqAccess, Visitor};
use std::fmt;
use std::marker::PhantomData;

/// The newest version of the format that is read.
pub(super) const VERSION_MAX: u64 = 2;

/// The largest manifest that is read, in bytes: room for about a million files.
pub const MANIFEST_BYTES_MAX: u64 = 512 * 1_024 * 1_024;

/// The largest file with a manifest's hash that is read, in bytes.
pub const HASH_FILE_BYTES_MAX: u64 = 4_096;

/// Points of one rate series; the engine keeps far fewer, by doubling the interval.
pub(super) const SAMPLES_MAX: usize = 100_000;

/// Kinds of hashes that a media hash list has.
pub(super) const HASHES_MAX: usize = 6;

/// Types that are counted apart, and cameras that are named.
pub(super) const TYPES_MAX: usize = 1_000;

/// The longest time that a manifest may tell, in seconds: some 30 years.
pub const SECONDS_MAX: f64 = 1e9;

/// The largest integer that every JSON reader keeps exactly (RFC 8259, section 6): 2^53 - 1.
pub const INTEGER_MAX: u64 = (1 << 53) - 1;

/// Reads a list of at most `MAX` entries, so that a few bytes each cannot become gigabytes.
pub(super) fn at_most<'de, D, T, const MAX: usize>(deserializer: D) -> Result<Vec<T>, D::Error>
where
    D: Deserializer<'de>,
    T: Deserialize<'de>,
{
    struct List<T, const MAX: usize>(PhantomData<T>);
    impl<'de, T: Deserialize<'de>, const MAX: usize> Visitor<'de> for List<T, MAX> {
        type Value = Vec<T>;

        fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
            write!(f, "a list of at most {MAX} entries")
        }

        fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Vec<T>, A::Error> {
            let mut out = Vec::new();
            while let Some(value) = seq.next_element()? {
                if out.len() == MAX {
                    return Err(A::Error::custom(format!(
                        "a list of more than {MAX} entries"
                    )));
                }
                out.push(value);
            }
            Ok(out)
        }
    }
    deserializer.deserialize_seq(List::<T, MAX>(PhantomData))
}
