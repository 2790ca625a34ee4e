//! Owns the reader of the transport streams of AVCHD: packets of one size from the beginning to the
//! end.
//!
//! ISO/IEC 13818-1, 2.4.3.2 (packets of 188 bytes, which begin with 0x47), 2.4.3.4 (adaptation
//! field, clock reference); Blu-ray and AVCHD put four bytes before each (common practice, no
//! source).

use super::bytes::be_sized;
use super::hint::Clue;
use super::kind::{FileKind, SYNC, SYNC_AT};
use super::media_facts::{MediaFacts, duration};
use super::reader::{Format, Next, Outcome, Stretch, Want};
use crate::units::{len_usize, len64};

/// Bytes of a packet with the four before it.
const PACKET: u64 = 192;
/// Bytes at the beginning and at the end that are looked at, in whole packets.
const WINDOW: u64 = 340 * PACKET;
/// The clock reference counts these a second, and begins anew after 33 bits.
const CLOCK: u64 = 90_000;

#[derive(Debug)]
pub(super) struct Transport {
    size: u64,
    /// Where the window is.
    at: u64,
    is_begun: bool,
    /// The first clock reference and whose it is.
    first: Option<(u64, u64)>,
    clue: Option<Clue>,
    facts: MediaFacts,
}

impl Transport {
    pub(super) fn new(size: u64) -> Self {
        Self {
            size,
            at: 0,
            is_begun: false,
            first: None,
            clue: None,
            facts: MediaFacts::of(FileKind::Avchd.media()),
        }
    }

    /// Looks at whole packets, and returns the first and the last clock reference among them: of
    /// which stream, and what it shows.
    fn packets(&mut self, bytes: &[u8]) -> Option<((u64, u64), (u64, u64))> {
        let mut found: Option<((u64, u64), (u64, u64))> = None;
        for (number, packet) in bytes.chunks_exact(len_usize(PACKET)).enumerate() {
            if packet.get(SYNC_AT) != Some(&SYNC) {
                let before = len64(number).saturating_mul(PACKET);
                let (part, at) = ("packet".to_owned(), self.at.saturating_add(before));
                self.clue.get_or_insert(Clue::Unreadable { part, at });
                return found;
            }
            if let Some(clock) = clock(packet) {
                found = Some((found.map_or(clock, |(first, _)| first), clock));
            }
        }
        found
    }

    /// Takes the time between the first clock reference and the last one.
    fn took(&mut self, (stream, first): (u64, u64), (same, last): (u64, u64)) {
        if stream == same {
            // It may have begun anew in between.
            let passed = last.wrapping_sub(first) & ((1 << 33) - 1);
            self.facts.duration = duration(passed, CLOCK);
        }
    }
}

/// The clock reference of a packet, if it has one, and of which stream it is.
fn clock(packet: &[u8]) -> Option<(u64, u64)> {
    let stream = be_sized(packet, 5, 2)? & 0x1fff;
    let has_field = packet.get(7)? & 0x20 != 0 && *packet.get(8)? >= 7;
    let has_clock = has_field && packet.get(9)? & 0x10 != 0;
    let base = be_sized(packet, 10, 5)? >> 7;
    has_clock.then_some((stream, base))
}

impl Format for Transport {
    fn first(&self) -> Next {
        Next::Bytes(Want::new(0, len_usize(WINDOW)).within(Stretch::Dense))
    }

    fn step(&mut self, bytes: &[u8]) -> Next {
        let found = self.packets(bytes);
        if let Some((first, last)) = found {
            let first = *self.first.get_or_insert(first);
            self.took(first, last);
        }
        if self.is_begun {
            return Next::Rest(Stretch::Dense);
        }
        self.is_begun = true;
        // From a packet's beginning on, behind what was looked at.
        let packets = self.size / PACKET;
        let last = packets.saturating_mul(PACKET).saturating_sub(WINDOW);
        self.at = last.max(WINDOW);
        if self.clue.is_some() || self.at >= self.size {
            return Next::Rest(Stretch::Dense);
        }
        let want = Want::new(self.at, len_usize(WINDOW)).after(Stretch::Dense);
        Next::Bytes(want.within(Stretch::Dense))
    }

    fn finish(&mut self) -> Option<Outcome> {
        let over = self.size % PACKET;
        if over > 0 {
            let at = self.size.saturating_sub(over);
            self.clue.get_or_insert(Clue::PastEnd {
                part: "packet".to_owned(),
                at,
                end: at.saturating_add(PACKET),
                size: self.size,
            });
        }
        Some(Outcome::new(self.clue.take(), self.facts.clone()))
    }
}
