//! Owns the hashes of one whole file, read in order: the next bytes are on their way from the
//! device while the last ones are hashed. It opens nothing and shows nothing.

use super::Source;
use super::buffer::Aligned;
use crate::digest::Digest;
use crate::hash_algorithm::checksum::{Checksum, Summing};
use crate::hash_algorithm::{Also, AlsoHashes, AlsoSet, Hasher};
use crate::units::{len_usize, len64};
use crossbeam_channel::bounded;
use std::io;

/// One read, in bytes. Large enough for the full rate of a direct read, small enough that a few
/// files at a time take little memory.
const CHUNK_BYTES: usize = 1 << 20;
/// Buffers of a file that is larger than one.
const BUFFERS: usize = 3;

/// What a file holds.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Whole {
    /// BLAKE3 of what was read.
    pub blake3: Digest,
    /// Further hashes of the same bytes.
    pub also: AlsoHashes,
    /// How many bytes were read.
    pub bytes: u64,
}

/// Somebody who is shown the bytes of a file as they are hashed, in order.
pub type Onlooker<'a> = &'a mut (dyn FnMut(&[u8]) + Send);

/// Every hash of one file in the making.
struct Hashers<'a>(blake3::Hasher, Vec<(Also, Hasher)>, Option<Onlooker<'a>>);

/// What is made of the bytes of a file, in order.
trait Take: Send {
    fn update(&mut self, bytes: &[u8]);
}

impl Take for Hashers<'_> {
    fn update(&mut self, bytes: &[u8]) {
        self.0.update(bytes);
        for (_, hasher) in &mut self.1 {
            hasher.update(bytes);
        }
        if let Some(show) = &mut self.2 {
            show(bytes);
        }
    }
}

impl Take for Vec<Summing> {
    fn update(&mut self, bytes: &[u8]) {
        for summing in self {
            summing.update(bytes);
        }
    }
}

impl<'a> Hashers<'a> {
    fn new(also: AlsoSet, onlooker: Option<Onlooker<'a>>) -> Self {
        let further = also.iter().map(|a| (a, Hasher::new(a))).collect();
        Self(blake3::Hasher::new(), further, onlooker)
    }

    fn finish(self) -> (Digest, AlsoHashes) {
        let mut also = AlsoHashes::default();
        for (kind, hasher) in self.1 {
            also.insert(kind, &hasher.finish());
        }
        (self.0.finalize().into(), also)
    }
}

/// Reads `bytes` bytes of a file, or as many as there are, and returns their hash and number.
/// `go_on` hears of every read and may stop it: then the answer is `None`.
///
/// # Errors
/// As [`hash_whole_with`].
pub fn hash_whole(
    source: &mut dyn Source,
    bytes: u64,
    go_on: &mut dyn FnMut(u64) -> bool,
) -> io::Result<Option<(Digest, u64)>> {
    let whole = hash_whole_with(source, bytes, AlsoSet::default(), go_on)?;
    Ok(whole.map(|w| (w.blake3, w.bytes)))
}

/// The same, with somebody who looks on; not where a thread cannot be started.
///
/// # Errors
/// As [`hash_whole_with`].
pub fn hash_whole_shown(
    source: &mut dyn Source,
    bytes: u64,
    onlooker: Option<Onlooker<'_>>,
    go_on: &mut dyn FnMut(u64) -> bool,
) -> io::Result<Option<(Digest, u64)>> {
    let mut onlooker = onlooker;
    let make = || Hashers::new(AlsoSet::default(), onlooker.take());
    let whole = hash_with(source, bytes, make, go_on)?;
    Ok(whole.map(|(made, n)| (made.finish().0, n)))
}

/// Reads `bytes` bytes of a file, or as many as there are, and returns these hashes in lower-case
/// hex, in their order, and how many bytes were read. `go_on` hears of every read and may stop it:
/// then the answer is `None`.
///
/// # Errors
/// As [`hash_whole_with`].
pub fn sums_of_whole(
    source: &mut dyn Source,
    bytes: u64,
    kinds: &[Checksum],
    go_on: &mut dyn FnMut(u64) -> bool,
) -> io::Result<Option<(Vec<String>, u64)>> {
    let make = || kinds.iter().copied().map(Summing::new).collect::<Vec<_>>();
    let whole = hash_with(source, bytes, make, go_on)?;
    Ok(whole.map(|(made, n)| (made.into_iter().map(Summing::finish).collect(), n)))
}

/// Reads `bytes` bytes of a file, or as many as there are, and makes these further hashes as well.
/// `go_on` hears of every read and may stop it: then the answer is `None`.
///
/// # Errors
/// What the system says of a read; none when a thread cannot be started: it is done without.
pub fn hash_whole_with(
    source: &mut dyn Source,
    bytes: u64,
    also: AlsoSet,
    go_on: &mut dyn FnMut(u64) -> bool,
) -> io::Result<Option<Whole>> {
    let made = hash_with(source, bytes, || Hashers::new(also, None), go_on)?;
    Ok(made.map(|(hashers, n)| whole(hashers.finish(), n)))
}

/// `begin` is called once more where no thread can be started.
fn hash_with<H: Take>(
    source: &mut dyn Source,
    bytes: u64,
    mut begin: impl FnMut() -> H,
    go_on: &mut dyn FnMut(u64) -> bool,
) -> io::Result<Option<(H, u64)>> {
    let mut hashers = begin();
    if bytes <= len64(CHUNK_BYTES) {
        return hash_alone(source, bytes, hashers, go_on);
    }
    let (filled, to_hash) = bounded::<(Aligned, usize)>(BUFFERS);
    let (give_back, free) = bounded::<Aligned>(BUFFERS);
    for _ in 0..BUFFERS {
        // There is room for all of them.
        if give_back.try_send(Aligned::new(CHUNK_BYTES)).is_err() {}
    }
    let hash = move || {
        for (buffer, n) in to_hash {
            hashers.update(buffer.first(n));
            // The reader has stopped when nobody takes it.
            if give_back.try_send(buffer).is_err() {}
        }
        hashers
    };
    std::thread::scope(|scope| {
        let started = std::thread::Builder::new()
            .name("hash".into())
            .spawn_scoped(scope, hash);
        let Ok(hasher) = started else {
            return hash_alone(source, bytes, begin(), go_on);
        };
        let read = read_all(source, bytes, go_on, |source, at| {
            let gone = |_| io::Error::other("the hashing thread is gone");
            let mut buffer = free.recv().map_err(gone)?;
            let n = source.read_at(buffer.all_mut(), at)?;
            filled
                .send((buffer, n))
                .map_err(|_gone| io::Error::other("the hashing thread is gone"))?;
            Ok(n)
        });
        drop(filled);
        let made = hasher
            .join()
            .map_err(|_gone| io::Error::other("the hashing thread broke down"))?;
        Ok(read?.map(|n| (made, n)))
    })
}

/// The same in this thread alone.
fn hash_alone<H: Take>(
    source: &mut dyn Source,
    bytes: u64,
    mut hashers: H,
    go_on: &mut dyn FnMut(u64) -> bool,
) -> io::Result<Option<(H, u64)>> {
    let mut buffer = Aligned::new(len_usize(bytes).saturating_add(1).min(CHUNK_BYTES));
    let read = read_all(source, bytes, go_on, |source, at| {
        let n = source.read_at(buffer.all_mut(), at)?;
        hashers.update(buffer.first(n));
        Ok(n)
    })?;
    Ok(read.map(|n| (hashers, n)))
}

fn whole((blake3, also): (Digest, AlsoHashes), bytes: u64) -> Whole {
    Whole {
        blake3,
        also,
        bytes,
    }
}

fn read_all(
    source: &mut dyn Source,
    bytes: u64,
    go_on: &mut dyn FnMut(u64) -> bool,
    mut read: impl FnMut(&mut dyn Source, u64) -> io::Result<usize>,
) -> io::Result<Option<u64>> {
    let mut at = 0;
    while at < bytes {
        let n = read(source, at)?;
        if n == 0 {
            break;
        }
        at += len64(n);
        if !go_on(len64(n)) {
            return Ok(None);
        }
    }
    Ok(Some(at))
}

#[cfg(test)]
mod tests {
    use super::super::{ReadBackWay, Stat};
    use super::*;

    #[derive(Debug)]
    struct Memory {
        content: Vec<u8>,
        /// Reads beyond this offset fail.
        fails_at: usize,
        /// Reads return at most this much.
        most: usize,
    }

    impl Source for Memory {
        fn read_at(&mut self, into: &mut [u8], offset: u64) -> io::Result<usize> {
            let at = len_usize(offset);
            if at >= self.fails_at {
                return Err(io::Error::other("bad spot"));
            }
            let n = into
                .len()
                .min(self.most)
                .min(self.content.len().saturating_sub(at));
            into[..n].copy_from_slice(&self.content[at..at + n]);
            Ok(n)
        }
        fn expect(&self, _offset: u64, _bytes: u64) {}
        fn forget(&self, _offset: u64) {}
        fn stat(&self) -> io::Result<Stat> {
            Err(io::ErrorKind::Unsupported.into())
        }
        fn way(&self) -> ReadBackWay {
            ReadBackWay::Direct
        }
    }

    fn memory(bytes: usize) -> Memory {
        Memory {
            content: (0..bytes).map(|i| u8::try_from(i % 251).unwrap()).collect(),
            fails_at: usize::MAX,
            most: usize::MAX,
        }
    }

    #[test]
    fn the_hash_is_that_of_the_whole_content() {
        for bytes in [0, 1, CHUNK_BYTES - 1, CHUNK_BYTES, CHUNK_BYTES + 1, 9 << 20] {
            for most in [usize::MAX, 1 << 20, 999_424] {
                let mut file = Memory {
                    most,
                    ..memory(bytes)
                };
                let mut told = 0;
                let mut go_on = |n| {
                    told += n;
                    true
                };
                let found = hash_whole(&mut file, len64(bytes), &mut go_on).unwrap();
                let expected = Digest::of(&file.content);
                assert_eq!(found, Some((expected, len64(bytes))));
                assert_eq!(told, len64(bytes));
                let kinds: AlsoSet = [Also::Md5, Also::Xxh3].into_iter().collect();
                let alone = Hashers::new(kinds, None);
                let alone = hash_alone(&mut file, len64(bytes), alone, &mut |_| true);
                let alone = alone.unwrap().map(|(made, n)| whole(made.finish(), n));
                let with = hash_whole_with(&mut file, len64(bytes), kinds, &mut |_| true);
                let with = with.unwrap().unwrap();
                assert_eq!((with.blake3, with.bytes), (expected, len64(bytes)));
                assert_eq!(alone.as_ref(), Some(&with));
                let sums = [Checksum::Blake3, Checksum::Also(Also::Md5)];
                let sums = sums_of_whole(&mut file, len64(bytes), &sums, &mut |_| true);
                let (sums, n) = sums.unwrap().unwrap();
                assert_eq!((&*sums[0], n), (&*expected.to_string(), len64(bytes)));
                assert_eq!(Some(&*sums[1]), with.also.get(Also::Md5));
                for also in kinds.iter() {
                    let mut hasher = Hasher::new(also);
                    hasher.update(&file.content);
                    assert_eq!(with.also.get(also), Some(&*hasher.finish()));
                }
            }
        }
    }

    #[test]
    fn a_short_file_a_bad_spot_and_a_stop() {
        let mut file = memory(5 << 20);
        let found = hash_whole(&mut file, 99 << 20, &mut |_| true).unwrap();
        assert_eq!(found, Some((Digest::of(&file.content), 5 << 20)));
        file.fails_at = 4 << 20;
        let error = hash_whole(&mut file, 5 << 20, &mut |_| true).unwrap_err();
        assert_eq!(error.to_string(), "bad spot");
        let mut reads = 0;
        let mut twice = |_| {
            reads += 1;
            reads < 2
        };
        assert_eq!(
            hash_whole(&mut memory(9 << 20), 9 << 20, &mut twice).unwrap(),
            None
        );
        assert_eq!(reads, 2);
    }
}
