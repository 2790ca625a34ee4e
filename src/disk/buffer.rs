//! Owns the fixed set of aligned buffers through which all bytes flow. The set bounds the memory
//! of a job: a reader that is ahead waits here until a slow drive gives a buffer back.

use crossbeam_channel::{Receiver, Sender, bounded};
use std::sync::Arc;
use std::time::Duration;

/// Alignment of buffers, offsets and lengths that direct reads and writes need, in bytes. 4,096
/// satisfies disks with 512-byte and with 4-KiB sectors.
pub const ALIGN: usize = 4_096;

/// Memory of a fixed size that begins at a multiple of [`ALIGN`].
#[derive(Debug)]
pub struct Aligned {
    memory: Vec<u8>,
    start: usize,
    bytes: usize,
}

impl Aligned {
    /// Reserves `bytes` zeroed bytes, a multiple of [`ALIGN`].
    pub fn new(bytes: usize) -> Self {
        let bytes = bytes.next_multiple_of(ALIGN).max(ALIGN);
        let memory = vec![0; bytes + ALIGN];
        let start = memory.as_ptr().align_offset(ALIGN).min(ALIGN);
        Self {
            memory,
            start,
            bytes,
        }
    }

    /// Returns the whole buffer for filling.
    pub fn all_mut(&mut self) -> &mut [u8] {
        &mut self.memory[self.start..self.start + self.bytes]
    }

    /// Returns the first `bytes` bytes.
    pub fn first(&self, bytes: usize) -> &[u8] {
        &self.memory[self.start..self.start + bytes.min(self.bytes)]
    }

    /// Zeroes what lies between `bytes` and the next multiple of [`ALIGN`].
    pub fn pad(&mut self, bytes: usize) {
        let padded = bytes.next_multiple_of(ALIGN).min(self.bytes);
        self.all_mut()[bytes..padded].fill(0);
    }

    /// Makes sure that it holds at least `bytes` bytes; what it held may be gone.
    pub fn fit(&mut self, bytes: usize) {
        if self.bytes < bytes {
            *self = Self::new(bytes);
        }
    }

    /// Returns how many bytes it holds.
    pub fn capacity(&self) -> usize {
        self.bytes
    }
}

/// Bytes of the card in a buffer that others may hold as well; the buffer goes back to its pool
/// when the last of them drops it.
#[derive(Clone, Debug)]
pub struct Chunk {
    filled: Arc<Filled>,
    /// A multiple of [`ALIGN`].
    from: usize,
    to: usize,
}

impl Chunk {
    /// Returns the bytes read from the card.
    pub fn bytes(&self) -> &[u8] {
        self.filled.range(self.from, self.to)
    }

    /// Returns the bytes padded with zeros to a multiple of [`ALIGN`], for direct writes.
    pub fn padded(&self) -> &[u8] {
        let to = self.from + (self.to - self.from).next_multiple_of(ALIGN);
        self.filled.range(self.from, to)
    }

    /// Returns a file's part of a buffer that several share: `from` is a multiple of [`ALIGN`].
    #[must_use]
    pub fn part(&self, from: usize, to: usize) -> Self {
        Self {
            filled: Arc::clone(&self.filled),
            from: self.from + from,
            to: self.from + to.max(from),
        }
    }
}

/// A filled buffer.
#[derive(Debug)]
struct Filled {
    buffer: Option<Aligned>,
    home: Sender<Aligned>,
}

impl Filled {
    fn range(&self, from: usize, to: usize) -> &[u8] {
        let all = self.buffer.as_ref().map_or(&[][..], |b| b.first(to));
        all.get(from..).unwrap_or(&[])
    }
}

impl Drop for Filled {
    fn drop(&mut self) {
        if let Some(buffer) = self.buffer.take() {
            // The pool has room for every buffer it made; it is gone only when the job is over.
            drop(self.home.try_send(buffer));
        }
    }
}

/// The buffers of one job. A reserve may be added for a long row of reads; otherwise it stays in
/// hand, so that a slow drive never has more waiting for it than the ordinary buffers hold.
#[derive(Debug)]
pub struct Pool {
    free: Receiver<Aligned>,
    home: Sender<Aligned>,
    ordinary: usize,
    reserve: usize,
    bytes: usize,
    /// Free buffers that are held back.
    hand: Vec<Aligned>,
    made: usize,
}

impl Pool {
    /// Makes `count` buffers of `bytes` bytes each; `reserve` more can be added.
    pub fn new(count: usize, reserve: usize, bytes: usize) -> Self {
        let (home, free) = bounded(count + reserve);
        for _ in 0..count {
            drop(home.try_send(Aligned::new(bytes)));
        }
        Self {
            free,
            home,
            ordinary: count,
            reserve,
            bytes,
            hand: Vec::new(),
            made: count,
        }
    }

    /// Takes a free buffer if one is there, once the reserve is back in hand.
    pub fn try_take(&mut self) -> Option<Aligned> {
        while self.hand.len() < self.kept() {
            self.hand.push(self.free.try_recv().ok()?);
        }
        self.spare().or_else(|| self.free.try_recv().ok())
    }

    /// The same, waiting at most `patience` for each buffer.
    pub fn take(&mut self, patience: Duration) -> Option<Aligned> {
        while self.hand.len() < self.kept() {
            self.hand.push(self.free.recv_timeout(patience).ok()?);
        }
        self.spare()
            .or_else(|| self.free.recv_timeout(patience).ok())
    }

    /// How many stay in hand.
    fn kept(&self) -> usize {
        self.made - self.ordinary
    }

    /// Takes a buffer that is in hand for nothing.
    fn spare(&mut self) -> Option<Aligned> {
        (self.hand.len() > self.kept())
            .then(|| self.hand.pop())
            .flatten()
    }

    /// Waits at most `patience` for one more buffer to hold, making the reserve if there is none
    /// yet. Returns whether all but `others` are in hand.
    pub fn gather(&mut self, patience: Duration, others: usize) -> bool {
        while self.made < self.ordinary + self.reserve {
            self.hand.push(Aligned::new(self.bytes));
            self.made += 1;
        }
        if self.hand.len() + others < self.made
            && let Ok(buffer) = self.free.recv_timeout(patience)
        {
            self.hand.push(buffer);
        }
        self.hand.len() + others >= self.made
    }

    /// Takes a buffer out of the hand, or a free one.
    pub fn take_gathered(&mut self) -> Option<Aligned> {
        self.hand.pop().or_else(|| self.free.try_recv().ok())
    }

    /// Gives a buffer back unused.
    pub fn give_back(&self, buffer: Aligned) {
        drop(self.home.try_send(buffer));
    }

    /// Seals a buffer whose first `filled` bytes came from the card; the padding is zeroed.
    pub fn seal(&self, mut buffer: Aligned, filled: usize) -> Chunk {
        buffer.pad(filled);
        Chunk {
            filled: Arc::new(Filled {
                buffer: Some(buffer),
                home: self.home.clone(),
            }),
            from: 0,
            to: filled,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn buffers_are_aligned_and_come_home() {
        let mut pool = Pool::new(2, 0, 10_000);
        let mut a = pool.take(Duration::ZERO).unwrap();
        let b = pool.take(Duration::ZERO).unwrap();
        assert!(
            pool.take(Duration::from_millis(1)).is_none(),
            "two is the bound"
        );
        assert_eq!(a.all_mut().as_ptr().align_offset(ALIGN), 0);
        assert_eq!(b.capacity(), 12_288);
        a.all_mut().fill(7);
        let chunk = pool.seal(a, 5);
        assert_eq!(chunk.bytes(), [7; 5]);
        assert_eq!(chunk.padded().len(), ALIGN);
        assert!(chunk.padded()[5..].iter().all(|&x| x == 0));
        let second = chunk.clone();
        drop(chunk);
        assert!(pool.try_take().is_none(), "still held");
        drop(second);
        assert!(pool.try_take().is_some());
    }

    #[test]
    fn files_that_share_a_buffer_see_their_own_bytes() {
        let mut pool = Pool::new(1, 0, 3 * ALIGN);
        let mut buffer = pool.take(Duration::ZERO).unwrap();
        buffer.all_mut().fill(9);
        buffer.all_mut()[..5].fill(1);
        buffer.pad(5);
        buffer.all_mut()[ALIGN..ALIGN + 7].fill(2);
        let all = pool.seal(buffer, ALIGN + 7);
        let (one, two) = (all.part(0, 5), all.part(ALIGN, ALIGN + 7));
        drop(all);
        assert_eq!(one.bytes(), [1; 5]);
        assert_eq!(two.bytes(), [2; 7]);
        for (part, filled) in [(&one, 5), (&two, 7)] {
            assert_eq!(part.padded().len(), ALIGN);
            assert!(part.padded()[filled..].iter().all(|&b| b == 0));
        }
        assert!(two.part(0, 0).bytes().is_empty());
        drop(one);
        assert!(pool.try_take().is_none(), "one of them still holds it");
        drop(two);
        assert!(pool.try_take().is_some());
    }

    #[test]
    fn a_reserve_goes_back_before_anything_else_is_taken() {
        let mut pool = Pool::new(2, 2, ALIGN);
        let held = pool.try_take().unwrap();
        assert!(
            pool.gather(Duration::ZERO, 1),
            "one is out, three are in hand"
        );
        let row: Vec<_> = std::iter::from_fn(|| pool.take_gathered()).collect();
        assert_eq!(row.len(), 3);
        assert!(!pool.gather(Duration::ZERO, 1), "all four are out");
        let mut row = row.into_iter();
        for buffer in row.by_ref().take(2) {
            pool.give_back(buffer);
        }
        assert!(pool.try_take().is_none(), "those two are the reserve");
        pool.give_back(held);
        let held = pool.try_take().unwrap();
        // What was gathered for nothing is an ordinary buffer again.
        pool.give_back(row.next().unwrap());
        assert!(pool.gather(Duration::ZERO, 1));
        drop(pool.try_take().unwrap());
        assert!(pool.try_take().is_none());
        drop(held);
    }
}
