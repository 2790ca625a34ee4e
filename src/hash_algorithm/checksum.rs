//! Owns the hashes that records of others may hold: their names in every spelling that a list or a
//! bag uses, which of them a number of digits can be, and how they are computed. It reads no files.

use super::{Also, Hasher};
use crate::name::hex;
use sha2::Digest as _;
use smallvec::SmallVec;
use std::fmt;
use xxhash_rust::xxh32::Xxh32;

/// A hash that can be computed and held against a record.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Checksum {
    /// BLAKE3, 256 bits.
    Blake3,
    /// One of those that `--also` makes.
    Also(Also),
    /// SHA-224 (FIPS 180-4).
    Sha224,
    /// SHA-384 (FIPS 180-4).
    Sha384,
    /// `BLAKE2b` (RFC 7693) with so many bytes, 1 to 64.
    Blake2b(u8),
    /// `BLAKE2s` (RFC 7693), 256 bits.
    Blake2s,
    /// CRC-32 (ISO/IEC 13239, as in ZIP): tells accidents only, and not all of them.
    Crc32,
    /// XXH32, seed 0, big-endian.
    Xxh32,
}

impl Checksum {
    /// Returns the kind that a list or a bag calls so: `SHA256`, `SHA-256`, `BLAKE2b-256`, `xxh3`.
    pub fn named(name: &str) -> Option<Self> {
        let is_filler = |c: &char| matches!(c, '-' | '_');
        let name: String = name.chars().filter(|c| !is_filler(c)).collect();
        let name = name.to_ascii_lowercase();
        // OpenSSL says `SHA2-256`.
        let of_sha2 = name.strip_prefix("sha2").filter(|bits| bits.len() == 3);
        let name = of_sha2.map_or(name.clone(), |bits| format!("sha{bits}"));
        let kind = match name.as_str() {
            "blake3" | "b3" => Self::Blake3,
            "sha224" => Self::Sha224,
            "sha384" => Self::Sha384,
            "blake2b" | "blake2" | "b2" => Self::Blake2b(64),
            "blake2s" => Self::Blake2s,
            "crc32" | "sfv" => Self::Crc32,
            "xxh32" => Self::Xxh32,
            "xxh364" => Self::Also(Also::Xxh3),
            "xxh3128" => Self::Also(Also::Xxh128),
            other => match other.strip_prefix("blake2b") {
                Some(bits) => Self::blake2b(bits.parse().ok()?)?,
                // A C4 identifier is in no list and no bag.
                None => Self::Also(other.parse().ok().filter(|also| *also != Also::C4)?),
            },
        };
        Some(kind)
    }

    fn blake2b(bits: u16) -> Option<Self> {
        let bytes = u8::try_from(bits / 8).ok()?;
        (bits.is_multiple_of(8) && (1..=64).contains(&bytes)).then_some(Self::Blake2b(bytes))
    }

    /// Returns every kind that has so many hex digits.
    pub fn of_digits(digits: usize) -> SmallVec<[Self; 2]> {
        let all = [
            Self::Also(Also::Md5),
            Self::Also(Also::Sha1),
            Self::Also(Also::Sha256),
            Self::Also(Also::Sha512),
            Self::Also(Also::Xxh128),
            Self::Also(Also::Xxh3),
            Self::Also(Also::Xxh64),
            Self::Blake3,
            Self::Sha224,
            Self::Sha384,
            Self::Blake2b(64),
            Self::Crc32,
            Self::Xxh32,
        ];
        all.into_iter().filter(|k| k.digits() == digits).collect()
    }

    /// Returns the number of hex digits.
    pub fn digits(self) -> usize {
        match self {
            Self::Also(also) => also.digits(),
            Self::Crc32 | Self::Xxh32 => 8,
            Self::Sha224 => 56,
            Self::Blake3 | Self::Blake2s => 64,
            Self::Sha384 => 96,
            Self::Blake2b(bytes) => usize::from(bytes) * 2,
        }
    }
}

impl fmt::Display for Checksum {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Blake3 => f.write_str("BLAKE3"),
            Self::Also(also) => also.fmt(f),
            Self::Sha224 => f.write_str("sha224"),
            Self::Sha384 => f.write_str("sha384"),
            Self::Blake2b(64) => f.write_str("blake2b"),
            Self::Blake2b(bytes) => write!(f, "blake2b-{}", u16::from(*bytes) * 8),
            Self::Blake2s => f.write_str("blake2s"),
            Self::Crc32 => f.write_str("crc32"),
            Self::Xxh32 => f.write_str("xxh32"),
        }
    }
}

/// One such hash in the making.
#[derive(Clone)]
pub struct Summing(SumState);

#[derive(Clone)]
enum SumState {
    Blake3(Box<blake3::Hasher>),
    Also(Box<Hasher>),
    Sha224(sha2::Sha224),
    Sha384(sha2::Sha384),
    Blake2b(Box<blake2b_simd::State>),
    Blake2s(Box<blake2s_simd::State>),
    Crc32(crc32fast::Hasher),
    Xxh32(Xxh32),
}

impl Summing {
    /// A hash of nothing yet.
    pub fn new(kind: Checksum) -> Self {
        Self(match kind {
            Checksum::Blake3 => SumState::Blake3(Box::default()),
            Checksum::Also(also) => SumState::Also(Box::new(Hasher::new(also))),
            Checksum::Sha224 => SumState::Sha224(sha2::Sha224::new()),
            Checksum::Sha384 => SumState::Sha384(sha2::Sha384::new()),
            Checksum::Blake2b(bytes) => {
                let mut with = blake2b_simd::Params::new();
                with.hash_length(usize::from(bytes.clamp(1, 64)));
                SumState::Blake2b(Box::new(with.to_state()))
            }
            Checksum::Blake2s => SumState::Blake2s(Box::default()),
            Checksum::Crc32 => SumState::Crc32(crc32fast::Hasher::new()),
            Checksum::Xxh32 => SumState::Xxh32(Xxh32::default()),
        })
    }

    /// Takes the bytes that follow.
    pub fn update(&mut self, bytes: &[u8]) {
        match &mut self.0 {
            SumState::Blake3(h) => drop(h.update(bytes)),
            SumState::Also(h) => h.update(bytes),
            SumState::Sha224(h) => sha2::Digest::update(h, bytes),
            SumState::Sha384(h) => sha2::Digest::update(h, bytes),
            SumState::Blake2b(h) => drop(h.update(bytes)),
            SumState::Blake2s(h) => drop(h.update(bytes)),
            SumState::Crc32(h) => h.update(bytes),
            SumState::Xxh32(h) => h.update(bytes),
        }
    }

    /// Returns the hash in lower-case hex.
    pub fn finish(self) -> String {
        match self.0 {
            SumState::Blake3(h) => h.finalize().to_string(),
            SumState::Also(h) => h.finish(),
            SumState::Sha224(h) => hex(&h.finalize()),
            SumState::Sha384(h) => hex(&h.finalize()),
            SumState::Blake2b(h) => h.finalize().to_hex().to_string(),
            SumState::Blake2s(h) => h.finalize().to_hex().to_string(),
            SumState::Crc32(h) => format!("{:08x}", h.finalize()),
            SumState::Xxh32(h) => format!("{:08x}", h.digest()),
        }
    }
}

impl fmt::Debug for Summing {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Summing")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(kind: Checksum, bytes: &[u8]) -> String {
        let mut summing = Summing::new(kind);
        for piece in bytes.chunks(7) {
            summing.update(piece);
        }
        summing.finish()
    }

    /// RFC 7693, appendices A and B; FIPS 180-4's example of "abc" (csrc.nist.gov); CRC-32 of
    /// "123456789" in ITU-T V.42's catalogue of checks (from memory); xxHash's own sanity check of
    /// nothing; BLAKE3 of nothing in its `test_vectors.json`.
    #[test]
    fn values_are_those_of_their_standards() {
        assert_eq!(
            of(Checksum::Blake2b(64), b"abc"),
            "ba80a53f981c4d0d6a2797b69f12f6e94c212f14685ac4b74b12bb6fdbffa2d1\
             7d87c5392aab792dc252d5de4533cc9518d38aa8dbf1925ab92386edd4009923"
        );
        assert_eq!(
            of(Checksum::Blake2s, b"abc"),
            "508c5e8c327c14e2e1a72ba34eeb452f37458b209ed63a294d999b4c86675982"
        );
        assert_eq!(
            of(Checksum::Sha224, b"abc"),
            "23097d223405d8228642a477bda255b32aadbce4bda0b3f7e36c9da7"
        );
        assert_eq!(
            of(Checksum::Sha384, b"abc"),
            "cb00753f45a35e8bb5a03d699ac65007272c32ab0eded1631a8b605a43ff5bed\
             8086072ba1e7cc2358baeca134c825a7"
        );
        assert_eq!(of(Checksum::Crc32, b"123456789"), "cbf43926");
        assert_eq!(of(Checksum::Xxh32, b""), "02cc5d05");
        assert_eq!(
            of(Checksum::Blake3, b""),
            "af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262"
        );
        assert_eq!(
            of(Checksum::Also(Also::Md5), b"abc"),
            "900150983cd24fb0d6963f7d28e17f72"
        );
    }

    #[test]
    fn names_in_every_spelling() {
        for (name, kind) in [
            ("SHA256", Checksum::Also(Also::Sha256)),
            ("SHA-256", Checksum::Also(Also::Sha256)),
            ("SHA2-384", Checksum::Sha384),
            ("sha1", Checksum::Also(Also::Sha1)),
            ("BLAKE2b", Checksum::Blake2b(64)),
            ("BLAKE2b-256", Checksum::Blake2b(32)),
            ("BLAKE3", Checksum::Blake3),
            ("XXH3", Checksum::Also(Also::Xxh3)),
            ("XXH3_64", Checksum::Also(Also::Xxh3)),
            ("XXH32", Checksum::Xxh32),
        ] {
            assert_eq!(Checksum::named(name), Some(kind), "{name}");
        }
        for name in [
            "",
            "sha",
            "XXH64_LE",
            "BLAKE2b-255",
            "BLAKE2b-0",
            "BLAKE2b-520",
        ] {
            assert_eq!(Checksum::named(name), None, "{name}");
        }
        for kind in Checksum::of_digits(64) {
            assert_eq!(of(kind, b"kite").len(), 64, "{kind}");
        }
        assert!(Checksum::of_digits(63).is_empty());
        for kind in [Checksum::Blake2b(20), Checksum::Crc32, Checksum::Sha224] {
            assert_eq!(of(kind, b"kite").len(), kind.digits(), "{kind}");
        }
    }
}
