//! Owns the search for long runs of one value: what a card leaves that lost what was written, or
//! never wrote it. It costs one load of eight bytes for each page of sound data.

use crate::units::{len_usize, len64};

/// The unit of the search in bytes. A file begins at a cluster of the card, and clusters of cards
/// are multiples of this (common practice, no source), so a hole that a card makes begins at one of
/// these borders. What an encoder makes of a black or a clipped picture begins anywhere: at a
/// border by chance once in 4096.
const PAGE: u64 = 4_096;
/// The same as a length.
const PAGE_BYTES: usize = 4_096;

/// Bytes that have to differ just before and just after a run.
const SHORT: usize = 8;

/// Runs that are kept with their place.
const KEPT: usize = 64;

/// Bytes from which on a run counts that does not reach the end of the file. Common practice, no
/// source: no file of a real encoder in the tests has such a run at a border of pages within what
/// is compressed.
pub(super) const RUN_BYTES: u64 = 64 * 1_024;

/// A run of one value that begins and ends at borders of pages. Both ends have to: encoders fill up
/// what has to have a size (frames of a constant rate), but hardly ever from border to border.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct ValueRun {
    pub value: u8,
    pub at: u64,
    pub bytes: u64,
}

/// The page that is being looked at.
#[derive(Clone, Copy, Debug)]
enum OpenPage {
    /// Known not to be of one value, or not all of it is looked at.
    Mixed,
    /// All that was seen of it is this value.
    Of(u8),
}

/// What was seen of the bytes so far.
#[derive(Debug)]
pub(super) struct Runs {
    page: OpenPage,
    /// The run that reaches to the current page. It begins at a border.
    run: Option<ValueRun>,
    /// How many of the current page's first bytes are the value of the run before it; eight are as
    /// good as all.
    leading: usize,
    /// Whether the next byte may still be one of those.
    is_leading: bool,
    /// The eight bytes before the next one, where they are known.
    before: Option<u64>,
    found: Vec<ValueRun>,
}

fn splat(value: u8) -> u64 {
    u64::from_ne_bytes([value; 8])
}

/// Returns whether the first bytes are one value, as far as one word tells.
fn is_uniform(bytes: &[u8]) -> bool {
    let word = bytes.first_chunk().copied().map(u64::from_ne_bytes);
    word.is_none_or(|word| word.rotate_left(8) == word)
}

fn all_are(bytes: &[u8], value: u8) -> bool {
    // A fixed number of bytes at a time, without an early end within, becomes a wide compare.
    let (blocks, rest) = bytes.as_chunks::<64>();
    let is_value = |block: &[u8; 64]| block.iter().fold(0, |odd, &b| odd | (b ^ value)) == 0;
    blocks.iter().all(is_value) && rest.iter().all(|&b| b == value)
}

impl Runs {
    pub(super) fn new() -> Self {
        Self {
            page: OpenPage::Mixed,
            run: None,
            leading: 0,
            is_leading: false,
            // Gone before the first border but that at zero, which needs nothing before it.
            before: Some(0x0123_4567_89ab_cdef),
            found: Vec::new(),
        }
    }

    /// Takes the bytes at `at` of a stretch that holds no long runs when it is sound.
    pub(super) fn dense(&mut self, at: u64, bytes: &[u8]) {
        let (mut at, mut rest) = (at, bytes);
        while !rest.is_empty() {
            let into = at % PAGE;
            if into == 0 && self.run.is_none() {
                // Nearly all of a file: whole pages that are not of one value.
                let (pages, _) = rest.as_chunks::<PAGE_BYTES>();
                let mixed = pages.iter().take_while(|page| !is_uniform(*page)).count();
                let passed = mixed.saturating_mul(PAGE_BYTES);
                rest = rest.get(passed..).unwrap_or_default();
                at = at.saturating_add(len64(passed));
                if rest.is_empty() {
                    break;
                }
            }
            let length = rest.len().min(len_usize(PAGE - into));
            let (piece, next) = rest.split_at(length);
            if into == 0 {
                (self.leading, self.is_leading) = (0, self.run.is_some());
            }
            if self.is_leading {
                self.count_leading(piece);
            }
            if into == 0 {
                let done = bytes.len().saturating_sub(rest.len());
                self.begin_page(at, piece, bytes.get(..done).unwrap_or_default());
            } else if let OpenPage::Of(value) = self.page
                && !all_are(piece, value)
            {
                self.page = OpenPage::Mixed;
            }
            at = at.saturating_add(len64(length));
            if at % PAGE == 0 {
                self.end_page(at);
            }
            rest = next;
        }
        self.remember(bytes);
    }

    /// Takes the bytes of a stretch in which a run means nothing.
    pub(super) fn loose(&mut self, bytes: &[u8]) {
        self.stop();
        self.remember(bytes);
    }

    /// Nothing is known of the bytes that follow.
    pub(super) fn unseen(&mut self) {
        self.stop();
        self.before = None;
    }

    /// Counts the first bytes of a page that are as those of the run before it.
    fn count_leading(&mut self, piece: &[u8]) {
        let Some(run) = self.run else {
            return;
        };
        for &byte in piece {
            self.is_leading = byte == run.value && self.leading < SHORT;
            if !self.is_leading {
                return;
            }
            self.leading += 1;
        }
    }

    fn stop(&mut self) {
        self.page = OpenPage::Mixed;
        self.close_run();
    }

    /// Begins a page with the first piece of it; `shortly` came just before. What already was this
    /// value before the border is no run, and costs no closer look.
    fn begin_page(&mut self, at: u64, piece: &[u8], shortly: &[u8]) {
        self.page = OpenPage::Mixed;
        let Some(&value) = piece.first() else {
            return;
        };
        let goes_on = self.run.is_some_and(|run| run.value == value);
        let before = || shifted(self.before, shortly);
        let begins = || at == 0 || before().is_some_and(|before| before != splat(value));
        if !is_uniform(piece) || !(goes_on || begins()) || !all_are(piece, value) {
            return;
        }
        self.page = OpenPage::Of(value);
        if !goes_on {
            // The one before ended at the border itself.
            self.close_run();
            (self.leading, self.is_leading) = (0, false);
            self.run = Some(ValueRun {
                value,
                at,
                bytes: 0,
            });
        }
    }

    /// Ends a page at `end`.
    fn end_page(&mut self, end: u64) {
        match (self.page, &mut self.run) {
            (OpenPage::Of(value), Some(run)) if run.value == value => {
                run.bytes = end.saturating_sub(run.at);
                self.leading = 0;
            }
            _ => self.close_run(),
        }
        self.page = OpenPage::Mixed;
    }

    fn close_run(&mut self) {
        if let Some(run) = self.run.take()
            && run.bytes >= RUN_BYTES
            && self.leading < SHORT
            && self.found.len() < KEPT
        {
            self.found.push(run);
        }
    }

    fn remember(&mut self, bytes: &[u8]) {
        self.before = shifted(self.before, bytes);
    }

    /// Returns the runs, those of zeros from `zeros` bytes on; at the end of the file, at `size`, a
    /// page is enough where zeros are never sound.
    pub(super) fn finish(mut self, size: u64, zeros: u64) -> Vec<ValueRun> {
        if let (OpenPage::Of(value), Some(run)) = (self.page, &mut self.run)
            && run.value == value
        {
            run.bytes = size.saturating_sub(run.at);
            self.leading = 0;
        }
        let is_long = |run: &ValueRun| run.value != 0 || run.bytes >= zeros;
        let to_end = self.run.take();
        self.found.retain(is_long);
        if let Some(run) = to_end
            && run.bytes >= PAGE.min(size)
            && self.leading < SHORT
            && (zeros <= RUN_BYTES || is_long(&run))
        {
            self.found.push(run);
        }
        self.found
    }
}

/// Returns the last eight bytes after more bytes have passed; `None` while fewer are known.
fn shifted(before: Option<u64>, bytes: &[u8]) -> Option<u64> {
    match bytes.last_chunk::<8>() {
        Some(last) => Some(u64::from_be_bytes(*last)),
        None => bytes
            .iter()
            .fold(before, |sum, &b| sum.map(|sum| sum << 8 | u64::from(b))),
    }
}
