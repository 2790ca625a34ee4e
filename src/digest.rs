//! Owns the one hash that a proof rests on: BLAKE3, 256 bits. It reads no files.

use std::fmt;

/// The BLAKE3 hash of a file's bytes (32 bytes, shown as 64 lower-case hex digits).
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Digest([u8; 32]);

impl Digest {
    /// Returns the hash of `bytes`.
    pub fn of(bytes: &[u8]) -> Self {
        blake3::hash(bytes).into()
    }

    /// Reads 64 lower-case hex digits; anything else is `None`.
    pub fn parse(hex: &str) -> Option<Self> {
        if hex.len() != 64 || hex.bytes().any(|b| b.is_ascii_uppercase()) {
            return None;
        }
        blake3::Hash::from_hex(hex).ok().map(Self::from)
    }

    /// Returns its first 64 bits, for what no verdict rests on.
    pub fn short(&self) -> u64 {
        let first = self.0.first_chunk().copied();
        u64::from_le_bytes(first.unwrap_or_default())
    }
}

impl From<blake3::Hash> for Digest {
    fn from(hash: blake3::Hash) -> Self {
        Self(*hash.as_bytes())
    }
}

impl fmt::Display for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|byte| write!(f, "{byte:02x}"))
    }
}

impl fmt::Debug for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Digest({self})")
    }
}

impl serde::Serialize for Digest {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> serde::Deserialize<'de> for Digest {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        Self::parse(&text)
            .ok_or_else(|| serde::de::Error::custom("a BLAKE3 hash is 64 lower-case hex digits"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn round_trip_and_refusal() {
        let d = Digest::of(b"kite");
        assert_eq!(Digest::parse(&d.to_string()), Some(d));
        assert_eq!(Digest::parse(&d.to_string().to_uppercase()), None);
        assert_eq!(Digest::parse("af13"), None);
        assert_eq!(Digest::parse(&"g".repeat(64)), None);
    }
}
