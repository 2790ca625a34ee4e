//! Owns the further hashes that a person may ask for beside BLAKE3 (`--also`): their names, how
//! they are computed, how they are written. No verdict rests on them. It reads no files.

mod c4;
pub mod checksum;

pub use c4::{c4_of_hex, c4_of_sha512, sha512_of_c4};

use crate::digest::Digest;
use crate::name::hex;
use serde::de::{Error as _, MapAccess, Visitor};
use sha2::Digest as _;
use std::collections::BTreeMap;
use std::fmt;
use std::str::FromStr;
use xxhash_rust::xxh3::Xxh3;
use xxhash_rust::xxh64::Xxh64;

/// A further hash. SHA-256 and SHA-512 also stand up to somebody who alters files; the others show
/// accidents only.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Also {
    /// C4 (SMPTE ST 2114): SHA-512, written as an identifier of 90 characters.
    C4,
    /// MD5, 128 bits (RFC 1321).
    Md5,
    /// SHA-1, 160 bits (FIPS 180-4).
    Sha1,
    /// SHA-256, 256 bits (FIPS 180-4).
    Sha256,
    /// SHA-512, 512 bits (FIPS 180-4).
    Sha512,
    /// XXH3 with 128 bits, seed 0, big-endian (xxHash specification 0.2.0).
    Xxh128,
    /// XXH3 with 64 bits, seed 0, big-endian.
    Xxh3,
    /// XXH64, seed 0, big-endian.
    Xxh64,
}

impl Also {
    /// All of them, in the order of their names.
    pub const ALL: [Self; 8] = [
        Self::C4,
        Self::Md5,
        Self::Sha1,
        Self::Sha256,
        Self::Sha512,
        Self::Xxh128,
        Self::Xxh3,
        Self::Xxh64,
    ];

    /// Returns the name used on the command line, in the manifest and in file names.
    pub fn id(self) -> &'static str {
        match self {
            Self::C4 => "c4",
            Self::Md5 => "md5",
            Self::Sha1 => "sha1",
            Self::Sha256 => "sha256",
            Self::Sha512 => "sha512",
            Self::Xxh128 => "xxh128",
            Self::Xxh3 => "xxh3",
            Self::Xxh64 => "xxh64",
        }
    }

    /// Returns the number of hex digits, of C4 that of characters.
    pub fn digits(self) -> usize {
        match self {
            Self::C4 => 90,
            Self::Xxh3 | Self::Xxh64 => 16,
            Self::Md5 | Self::Xxh128 => 32,
            Self::Sha1 => 40,
            Self::Sha256 => 64,
            Self::Sha512 => 128,
        }
    }

    /// Returns all names in words: `md5, sha1, ...`.
    pub fn names() -> String {
        Self::ALL.map(Self::id).join(", ")
    }

    /// Returns whether text is a hash of this kind: so many lower-case hex digits, or a C4
    /// identifier.
    pub fn is_hex(self, text: &str) -> bool {
        if self == Self::C4 {
            return sha512_of_c4(text).is_some();
        }
        text.len() == self.digits() && text.bytes().all(|b| matches!(b, b'0'..=b'9' | b'a'..=b'f'))
    }

    fn bit(self) -> u8 {
        match self {
            Self::Md5 => 1,
            Self::Sha1 => 2,
            Self::Sha256 => 4,
            Self::Sha512 => 8,
            Self::Xxh128 => 16,
            Self::Xxh3 => 32,
            Self::Xxh64 => 64,
            Self::C4 => 128,
        }
    }
}

impl fmt::Display for Also {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.id())
    }
}

impl serde::Serialize for Also {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.id())
    }
}

impl<'de> serde::Deserialize<'de> for Also {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let name = String::deserialize(deserializer)?;
        name.parse().map_err(D::Error::custom)
    }
}

/// A name that is none of a further hash.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
#[error("no such hash; there are {}", Also::names())]
pub struct UnknownHash;

impl FromStr for Also {
    type Err = UnknownHash;

    fn from_str(text: &str) -> Result<Self, UnknownHash> {
        let mut all = Self::ALL.into_iter();
        all.find(|a| a.id() == text).ok_or(UnknownHash)
    }
}

/// A set of further hashes.
#[derive(Clone, Copy, PartialEq, Eq, Default)]
pub struct AlsoSet(u8);

impl AlsoSet {
    /// Returns those that an ASC media hash list may have (`HashType` of its schema; XXH32, which
    /// the text of the standard does not name, is not written).
    pub fn of_media_hash_lists() -> Self {
        let all = Also::ALL.into_iter();
        all.filter(|also| !matches!(also, Also::Sha256 | Also::Sha512))
            .collect()
    }

    /// Adds one; `false` when it was in already.
    pub fn insert(&mut self, also: Also) -> bool {
        let is_new = !self.contains(also);
        self.0 |= also.bit();
        is_new
    }

    /// Returns whether it is in.
    pub fn contains(self, also: Also) -> bool {
        self.0 & also.bit() != 0
    }

    /// Returns whether all of `other` are in.
    pub fn covers(self, other: Self) -> bool {
        self.0 & other.0 == other.0
    }

    /// Returns both together.
    #[must_use]
    pub fn with(self, other: Self) -> Self {
        Self(self.0 | other.0)
    }

    /// Returns those that are in both.
    #[must_use]
    pub fn and(self, other: Self) -> Self {
        Self(self.0 & other.0)
    }

    /// Returns those that are not in `other`.
    #[must_use]
    pub fn without(self, other: Self) -> Self {
        Self(self.0 & !other.0)
    }

    /// Returns whether there is none.
    pub fn is_empty(self) -> bool {
        self.0 == 0
    }

    /// Returns them in the order of their names.
    pub fn iter(self) -> impl Iterator<Item = Also> {
        Also::ALL.into_iter().filter(move |a| self.contains(*a))
    }
}

impl FromIterator<Also> for AlsoSet {
    fn from_iter<T: IntoIterator<Item = Also>>(all: T) -> Self {
        Self(all.into_iter().fold(0, |bits, also| bits | also.bit()))
    }
}

impl fmt::Display for AlsoSet {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let names: Vec<&str> = self.iter().map(Also::id).collect();
        f.write_str(&names.join(", "))
    }
}

impl fmt::Debug for AlsoSet {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "AlsoSet({self})")
    }
}

/// The further hashes of one file, as they are written: in lower-case hex, C4 as an identifier.
/// Most files have none, and there may be hundreds of thousands of them.
#[derive(Clone, PartialEq, Eq, Default, Debug)]
#[expect(
    clippy::box_collection,
    reason = "none takes 8 bytes instead of 24, in every file of every list"
)]
pub struct AlsoHashes(Option<Box<BTreeMap<Also, Box<str>>>>);

impl AlsoHashes {
    /// Adds one; text that is no hash of this kind is refused.
    pub fn insert(&mut self, also: Also, hex: &str) -> bool {
        also.is_hex(hex) && {
            let map = self.0.get_or_insert_default();
            map.insert(also, hex.into()).is_none()
        }
    }

    fn all(&self) -> impl Iterator<Item = (Also, &str)> {
        let map = self.0.iter().flat_map(|map| map.iter());
        map.map(|(also, hex)| (*also, &**hex))
    }

    /// Returns one.
    pub fn get(&self, also: Also) -> Option<&str> {
        self.0.as_ref()?.get(&also).map(|hex| &**hex)
    }

    /// Returns which there are.
    pub fn kinds(&self) -> AlsoSet {
        self.all().map(|(also, _)| also).collect()
    }

    /// Returns whether there is none.
    pub fn is_empty(&self) -> bool {
        self.0.is_none()
    }

    /// Returns how many there are.
    pub fn len(&self) -> usize {
        self.0.as_ref().map_or(0, |map| map.len())
    }

    /// Returns the first hash that both have and that differs.
    pub fn conflict(&self, other: &Self) -> Option<Also> {
        self.all()
            .find(|(also, hex)| other.get(*also).is_some_and(|o| o != *hex))
            .map(|(also, _)| also)
    }
}

/// Returns whether records of one file say the same of it: one BLAKE3, and no further hash that
/// differs. Records that disagree vouch for nothing, whichever of them is right.
pub fn agree<'a>(records: &(impl Iterator<Item = (Digest, &'a AlsoHashes)> + Clone)) -> bool {
    let Some((first, _)) = records.clone().next() else {
        return true;
    };
    let conflicts = |a: &AlsoHashes| records.clone().any(|(_, b)| a.conflict(b).is_some());
    records
        .clone()
        .all(|(blake3, also)| blake3 == first && !conflicts(also))
}

impl serde::Serialize for AlsoHashes {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_map(self.all().map(|(also, hex)| (also.id(), hex)))
    }
}

impl<'de> serde::Deserialize<'de> for AlsoHashes {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_map(Strict)
    }
}

/// Reads the hashes by name, and refuses what a map type would take without a word.
struct Strict;

impl<'de> Visitor<'de> for Strict {
    type Value = AlsoHashes;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("hashes by name")
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<AlsoHashes, A::Error> {
        let mut hashes = AlsoHashes::default();
        while let Some((name, hex)) = map.next_entry::<String, String>()? {
            let also = Also::from_str(&name)
                .map_err(|why| A::Error::custom(format!("`{name}` in `also`: {why}")))?;
            if hashes.get(also).is_some() {
                return Err(A::Error::custom(format!("`{also}` twice in `also`")));
            }
            if !hashes.insert(also, &hex) {
                let digits = match also {
                    Also::C4 => "characters of base 58",
                    _ => "lower-case hex digits",
                };
                let why = format!("a {also} is {} {digits}", also.digits());
                return Err(A::Error::custom(why));
            }
        }
        Ok(hashes)
    }
}

/// One further hash in the making.
#[derive(Clone)]
pub struct Hasher(State);

#[derive(Clone)]
enum State {
    C4(sha2::Sha512),
    Md5(md5::Md5),
    Sha1(sha1::Sha1),
    Sha256(sha2::Sha256),
    Sha512(sha2::Sha512),
    Xxh128(Box<Xxh3>),
    Xxh3(Box<Xxh3>),
    Xxh64(Xxh64),
}

impl Hasher {
    /// A hash of nothing yet.
    pub fn new(also: Also) -> Self {
        Self(match also {
            Also::C4 => State::C4(sha2::Sha512::new()),
            Also::Md5 => State::Md5(md5::Md5::new()),
            Also::Sha1 => State::Sha1(sha1::Sha1::new()),
            Also::Sha256 => State::Sha256(sha2::Sha256::new()),
            Also::Sha512 => State::Sha512(sha2::Sha512::new()),
            Also::Xxh128 => State::Xxh128(Box::default()),
            Also::Xxh3 => State::Xxh3(Box::default()),
            Also::Xxh64 => State::Xxh64(Xxh64::default()),
        })
    }

    /// Takes the bytes that follow.
    pub fn update(&mut self, bytes: &[u8]) {
        match &mut self.0 {
            State::C4(h) | State::Sha512(h) => h.update(bytes),
            State::Md5(h) => h.update(bytes),
            State::Sha1(h) => h.update(bytes),
            State::Sha256(h) => h.update(bytes),
            State::Xxh128(h) | State::Xxh3(h) => h.update(bytes),
            State::Xxh64(h) => h.update(bytes),
        }
    }

    /// Returns the hash in lower-case hex, or as a C4 identifier.
    pub fn finish(self) -> String {
        match self.0 {
            State::C4(h) => c4_of_sha512(&h.finalize().into()),
            State::Md5(h) => hex(&h.finalize()),
            State::Sha1(h) => hex(&h.finalize()),
            State::Sha256(h) => hex(&h.finalize()),
            State::Sha512(h) => hex(&h.finalize()),
            State::Xxh128(h) => format!("{:032x}", h.digest128()),
            State::Xxh3(h) => format!("{:016x}", h.digest()),
            State::Xxh64(h) => format!("{:016x}", h.digest()),
        }
    }
}

/// Names nothing of the state: it can be that of a private file.
impl fmt::Debug for Hasher {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Hasher")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(also: Also, bytes: &[u8]) -> String {
        let mut hasher = Hasher::new(also);
        // In uneven pieces, as buffers may come.
        for piece in bytes.chunks(77) {
            hasher.update(piece);
        }
        hasher.finish()
    }

    /// FIPS 180-4 and NIST's example values (csrc.nist.gov, "Examples with Intermediate Values"):
    /// one block, two blocks; the empty message and the million from NIST's CAVP and RFC 6234, 8.5.
    #[test]
    fn sha_is_as_nist_says() {
        let two = b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq";
        let long = b"abcdefghbcdefghicdefghijdefghijkefghijklfghijklmghijklmn\
            hijklmnoijklmnopjklmnopqklmnopqrlmnopqrsmnopqrstnopqrstu";
        let million = vec![b'a'; 1_000_000];
        for (also, input, hex) in [
            (
                Also::Sha1,
                &b""[..],
                "da39a3ee5e6b4b0d3255bfef95601890afd80709",
            ),
            (
                Also::Sha1,
                b"abc",
                "a9993e364706816aba3e25717850c26c9cd0d89d",
            ),
            (Also::Sha1, two, "84983e441c3bd26ebaae4aa1f95129e5e54670f1"),
            (
                Also::Sha1,
                &million,
                "34aa973cd4c4daa4f61eeb2bdbad27316534016f",
            ),
            (
                Also::Sha256,
                b"",
                "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
            ),
            (
                Also::Sha256,
                b"abc",
                "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
            ),
            (
                Also::Sha256,
                two,
                "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
            ),
            (
                Also::Sha256,
                &million,
                "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0",
            ),
            (
                Also::Sha512,
                b"",
                "cf83e1357eefb8bdf1542850d66d8007d620e4050b5715dc83f4a921d36ce9ce\
                 47d0d13c5d85f2b0ff8318d2877eec2f63b931bd47417a81a538327af927da3e",
            ),
            (
                Also::Sha512,
                b"abc",
                "ddaf35a193617abacc417349ae20413112e6fa4e89a97ea20a9eeee64b55d39a\
                 2192992a274fc1a836ba3c23a3feebbd454d4423643ce80e2a9ac94fa54ca49f",
            ),
            (
                Also::Sha512,
                long,
                "8e959b75dae313da8cf4f72814fc143f8f7779c6eb9f7fa17299aeadb6889018\
                 501d289e4900f7e4331b99dec4b5433ac7d329eeb6dd26545e96e55b874be909",
            ),
            (
                Also::Sha512,
                &million,
                "e718483d0ce769644e2e42c7bc15b4638e1f98b13b2044285632a803afa973eb\
                 de0ff244877ea60a4cb0432ce577c31beb009c5c2c49aa2e4eadb217ad8cc09b",
            ),
        ] {
            assert_eq!(of(also, input), hex, "{also} of {} bytes", input.len());
        }
    }

    /// RFC 1321, appendix A.5.
    #[test]
    fn md5_is_as_its_rfc_says() {
        for (input, hex) in [
            ("", "d41d8cd98f00b204e9800998ecf8427e"),
            ("a", "0cc175b9c0f1b6a831c399e269772661"),
            ("abc", "900150983cd24fb0d6963f7d28e17f72"),
            ("message digest", "f96b697d7cb7938d525a2f31aaf161d0"),
            (
                "abcdefghijklmnopqrstuvwxyz",
                "c3fcd3d76192e4007dfb496cca67e13b",
            ),
            (
                "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789",
                "d174ab98d277d9f5a5611c2c9f419d9f",
            ),
            (
                "12345678901234567890123456789012345678901234567890123456789012345678901234567890",
                "57edf4a22be3c955ac49da2e2107b67a",
            ),
        ] {
            assert_eq!(of(Also::Md5, input.as_bytes()), hex, "{input}");
        }
    }

    /// Cyan4973/xxHash, `cli/xsum_sanity_check.c` and `tests/sanity_test_vectors.h`, seed 0: byte i
    /// of the buffer is the top byte of a generator that starts at PRIME32 and is multiplied by
    /// PRIME64. The rows of "abc" were computed with the Python binding of the reference library.
    #[test]
    fn xxhash_is_as_its_reference_says() {
        let mut generator: u64 = 2_654_435_761;
        let buffer: Vec<u8> = (0..222)
            .map(|_| {
                let byte = generator.to_be_bytes()[0];
                generator = generator.wrapping_mul(11_400_714_785_074_694_797);
                byte
            })
            .collect();
        for (also, bytes, hex) in [
            (Also::Xxh64, 0, "ef46db3751d8e999"),
            (Also::Xxh64, 1, "e934a84adb052768"),
            (Also::Xxh64, 4, "9136a0dca57457ee"),
            (Also::Xxh64, 14, "8282dcc4994e35c8"),
            (Also::Xxh64, 222, "b641ae8cb691c174"),
            (Also::Xxh128, 0, "99aa06d3014798d86001c324468d497f"),
            (Also::Xxh128, 1, "a6cd5e9392000f6ac44bdff4074eecdb"),
        ] {
            assert_eq!(of(also, &buffer[..bytes]), hex, "{also} of {bytes} bytes");
        }
        assert_eq!(of(Also::Xxh64, b"abc"), "44bc2cf5ad770999");
        assert_eq!(of(Also::Xxh3, b"abc"), "78af5f94892f3950");
        assert_eq!(of(Also::Xxh128, b"abc"), "06b05ab6733a618578af5f94892f3950");
    }

    #[test]
    fn names_and_sets() {
        let mut names = Also::ALL.map(Also::id).to_vec();
        names.sort_unstable();
        assert_eq!(
            names,
            Also::ALL.map(Also::id),
            "in the order of their names"
        );
        for also in Also::ALL {
            assert_eq!(also.id().parse(), Ok(also));
            assert!(also.is_hex(&of(also, b"kite")), "{also}");
        }
        assert!(UnknownHash.to_string().contains("sha256"));
        assert!("SHA256".parse::<Also>().is_err());
        let mut set = AlsoSet::default();
        assert!(set.insert(Also::Xxh3) && set.insert(Also::Md5) && !set.insert(Also::Md5));
        assert_eq!(set.to_string(), "md5, xxh3");
        assert!(set.covers([Also::Md5].into_iter().collect()));
        assert!(!set.covers([Also::Sha1].into_iter().collect()));
    }

    #[test]
    fn hashes_are_read_strictly() {
        let md5 = of(Also::Md5, b"kite");
        let good = format!("{{\"md5\":\"{md5}\"}}");
        let hashes: AlsoHashes = serde_json::from_str(&good).unwrap();
        assert_eq!(hashes.get(Also::Md5), Some(&*md5));
        assert_eq!(serde_json::to_string(&hashes).unwrap(), good);
        for bad in [
            format!("{{\"md5\":\"{md5}\",\"md5\":\"{md5}\"}}"),
            format!("{{\"md6\":\"{md5}\"}}"),
            format!("{{\"md5\":\"{}\"}}", md5.to_uppercase()),
            format!("{{\"sha1\":\"{md5}\"}}"),
            "{\"md5\":1}".to_owned(),
            "[]".to_owned(),
        ] {
            assert!(serde_json::from_str::<AlsoHashes>(&bad).is_err(), "{bad}");
        }
    }
}
