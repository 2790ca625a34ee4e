//! Owns what a card can record: minutes of footage, whether a guaranteed write class sustains a bit
//! rate, when a burst stalls and when the buffer is clear. Bytes and seconds throughout, rates in
//! bytes per second, decimal units. Pure arithmetic; the words for people are not made here.

use super::classes::WriteClass;
use crate::units::{MegabytesPerS, float};

/// Returns how many seconds of footage `capacity` bytes hold at `bytes_per_s`.
///
/// `bytes x 8 / bit rate`, with the bit rate as bytes. `bytes_per_s` is above zero.
pub fn footage_s(capacity: u64, bytes_per_s: f64) -> f64 {
    float(capacity) / bytes_per_s
}

/// Below so many times what is needed a guarantee is narrow (common practice, no source: the bit
/// rates of cameras are often averages, and varying ones go some tenths above them).
const NARROW: f64 = 1.2;

/// Whether a class sustains a recording.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Sustain {
    /// The class it was held against.
    pub class: WriteClass,
    /// What the recording writes, bytes per second.
    pub needs: f64,
    /// Guaranteed writing over needed writing; 1 and above sustains.
    pub times: f64,
    /// The slowest class of the same family that would sustain it, if this one does not.
    pub enough: Option<WriteClass>,
}

impl Sustain {
    /// Holds a recording of `bytes_per_s` against the guarantee of a class.
    pub fn of(class: WriteClass, bytes_per_s: f64) -> Self {
        let guaranteed = class.floor().written_at_least();
        let times = guaranteed.bytes_per_s() / bytes_per_s;
        Self {
            class,
            needs: bytes_per_s,
            times,
            enough: if times >= 1.0 {
                None
            } else {
                class.enough_for(MegabytesPerS(bytes_per_s / 1e6))
            },
        }
    }

    /// Returns whether the guarantee covers the recording, but by so little that the peaks of a
    /// varying bit rate may go beyond it.
    pub fn is_narrow(self) -> bool {
        self.is_sustained() && self.times < NARROW
    }

    /// Returns whether the guarantee covers the recording.
    pub fn is_sustained(self) -> bool {
        self.times >= 1.0
    }
}

/// A camera shooting a burst.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Burst {
    /// Frames per second while the buffer has room.
    pub frames_per_s: f64,
    /// Bytes of one frame, all that is written for it.
    pub frame_bytes: u64,
    /// What the buffer holds in bytes; `None` when it is not known.
    pub buffer_bytes: Option<u64>,
    /// What the card takes in the camera, bytes per second: with two cards that both get every
    /// frame, the slower one's.
    pub writes: f64,
}

/// What becomes of a burst.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Stall {
    /// Frames until the buffer is full and the camera slows down.
    pub frames: f64,
    /// Seconds until then.
    pub seconds: f64,
    /// Frames per second from then on: as fast as the card takes them.
    pub frames_per_s_after: f64,
    /// Seconds from the last frame until a full buffer is written.
    pub clears_s: f64,
}

/// What becomes of so many frames shot in one go.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Series {
    /// Frames that were asked for.
    pub frames: u64,
    /// Seconds from the first frame to the last, stalls included.
    pub shooting_s: f64,
    /// Whether the buffer fills up on the way.
    pub stalls: bool,
    /// Seconds from the last frame until all is written.
    pub clears_s: f64,
}

impl Burst {
    /// Bytes per second that pile up in the buffer; zero or less when the card keeps pace.
    fn piles_up(self) -> f64 {
        self.frames_per_s * float(self.frame_bytes) - self.writes
    }

    /// Returns whether the card takes frames as fast as they are shot.
    pub fn keeps_pace(self) -> bool {
        self.piles_up() <= 0.0
    }

    /// Returns when the buffer is full, or `None` when it never fills or its size is not known.
    ///
    /// `frames = fps x B / (fps x s - W)`; a frame that is partly in the buffer does not count.
    pub fn stall(self) -> Option<Stall> {
        let buffer = float(self.buffer_bytes?);
        if self.keeps_pace() {
            return None;
        }
        let seconds = buffer / self.piles_up();
        Some(Stall {
            frames: self.frames_per_s * seconds,
            seconds,
            frames_per_s_after: self.writes / float(self.frame_bytes),
            clears_s: buffer / self.writes,
        })
    }

    /// Returns how long a series of `frames` takes and when it is all on the card. Without a known
    /// buffer it is taken to hold the whole series.
    pub fn series(self, frames: u64) -> Series {
        let bytes = float(frames) * float(self.frame_bytes);
        let unhindered = float(frames) / self.frames_per_s;
        let all_written = (bytes / self.writes).max(unhindered);
        match self.stall() {
            // The last frame waits until all but a full buffer is written.
            Some(stall) if float(frames) > stall.frames => Series {
                frames,
                shooting_s: all_written - stall.clears_s,
                stalls: true,
                clears_s: stall.clears_s,
            },
            _ => Series {
                frames,
                shooting_s: unhindered,
                stalls: false,
                clears_s: all_written - unhindered,
            },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::{GB, MB};

    fn close(got: f64, want: f64, tolerance: f64) {
        assert!(
            (got - want).abs() <= tolerance * want.abs(),
            "{got} is not {want} within {tolerance}"
        );
    }

    fn mbits(n: f64) -> f64 {
        n * 1e6 / 8.0
    }

    #[test]
    fn minutes_are_bytes_times_eight_over_the_bit_rate() {
        // Plain arithmetic in the units of IEC 80000-13.
        close(footage_s(128 * GB, mbits(100.0)) / 60.0, 170.7, 0.000_5);
        close(footage_s(256 * GB, mbits(400.0)) / 60.0, 85.3, 0.000_5);
        // Binary gigabytes would promise 2.4 % more: 8 h 19 min and not 8 h 08 min.
        close(footage_s(128 * GB, mbits(35.0)) / 60.0, 487.6, 0.000_5);
        // Common practice, no source: an hour of 4K is 25-30 GB; 60 Mb/s makes 27 GB, and the ends
        // are the hours of 55.6 and 66.7 Mb/s.
        close(footage_s(27 * GB, mbits(60.0)), 3_600.0, 1e-9);
        close(footage_s(25 * GB, mbits(55.556)), 3_600.0, 1e-4);
        close(footage_s(30 * GB, mbits(66.667)), 3_600.0, 1e-4);
        for rate in [55.6, 60.0, 66.6] {
            let (less, more) = (
                footage_s(25 * GB, mbits(rate)),
                footage_s(30 * GB, mbits(rate)),
            );
            assert!(less < 3_600.0 && more > 3_600.0, "{rate} Mb/s");
        }
        // 50 and 70 Mb/s are outside it.
        assert!(footage_s(25 * GB, mbits(50.0)) > 3_600.0);
        assert!(footage_s(30 * GB, mbits(70.0)) < 3_600.0);
    }

    #[test]
    fn a_class_is_held_against_bytes_not_bits() {
        let class = |name| WriteClass::parse(name).unwrap();
        let sustains = |name, mb| Sustain::of(class(name), mbits(mb)).is_sustained();
        // SD Association: V30/60/90 guarantee 30/60/90 MB/s of writing.
        assert!(sustains("V30", 240.0) && !sustains("V30", 241.0));
        assert!(!sustains("V60", 600.0) && sustains("V90", 600.0), "75 MB/s");
        // Common practice, no source: V30 holds 100 Mb/s; 300 to 400 Mb/s is where it ends.
        assert!(sustains("V30", 100.0));
        assert!(!sustains("V30", 300.0) && !sustains("V30", 400.0));
        let short = Sustain::of(class("V60"), mbits(600.0));
        assert_eq!(short.enough.unwrap().to_string(), "V90");
        close(short.times, 0.8, 1e-9);
        assert_eq!(Sustain::of(class("V30"), mbits(100.0)).enough, None);
        // Common practice, no source: less than a fifth to spare is not enough for every peak.
        let narrow = |mb| Sustain::of(class("V30"), mbits(mb)).is_narrow();
        assert!(narrow(240.0) && narrow(201.0) && !narrow(199.0));
        assert!(!narrow(241.0), "not sustained at all");
    }

    #[test]
    fn frames_until_the_buffer_is_full() {
        let burst = Burst {
            frames_per_s: 20.0,
            frame_bytes: 50 * MB,
            buffer_bytes: Some(2 * GB),
            writes: 250e6,
        };
        // Reckoned by hand: 1,000 MB/s in, 250 out: 2,000 / 750 = 2.67 s, 53.3 frames, 2,000 / 250
        // = 8 s.
        let stall = burst.stall().unwrap();
        close(stall.seconds, 2.666_7, 1e-4);
        close(stall.frames, 53.333, 1e-4);
        close(stall.clears_s, 8.0, 1e-9);
        close(stall.frames_per_s_after, 5.0, 1e-9);
        // The fraction the wrong way up would give 0.375, not one whole frame.
        assert!(stall.frames > 1.0);
    }

    #[test]
    fn a_simulated_camera_agrees() {
        // Frame by frame in steps of 1 ms: an independent way to the same figures.
        for (fps, frame, buffer, writes) in [
            (20.0, 50e6, 2e9, 250e6),
            (10.0, 55e6, 1.2e9, 90e6),
            (30.0, 28e6, 3e9, 700e6),
        ] {
            let (mut filled, mut shot, mut t) = (0.0_f64, 0.0_f64, 0.0_f64);
            while filled < buffer {
                t += 1e-3;
                shot += fps * 1e-3;
                filled = (filled + (fps * frame - writes) * 1e-3).max(0.0);
            }
            let stall = Burst {
                frames_per_s: fps,
                frame_bytes: crate::units::whole(frame),
                buffer_bytes: Some(crate::units::whole(buffer)),
                writes,
            }
            .stall()
            .unwrap();
            close(stall.frames, shot, 0.01);
            close(stall.seconds, t, 0.01);
        }
    }

    #[test]
    fn a_card_that_keeps_pace_never_stalls() {
        let burst = Burst {
            frames_per_s: 5.0,
            frame_bytes: 50 * MB,
            buffer_bytes: Some(2 * GB),
            writes: 250e6,
        };
        assert!(burst.keeps_pace());
        assert_eq!(burst.stall(), None);
        let series = burst.series(1_000);
        assert!(!series.stalls);
        close(series.shooting_s, 200.0, 1e-9);
        assert!(series.clears_s.abs() < 1e-9);
    }

    #[test]
    fn thirty_raws_in_three_seconds() {
        // Common practice, no source: 30 uncompressed raws shot in 3 s clear in 18 s more at UHS-I
        // and in 8 s more in a camera slot of about 150 MB/s; 90 MB/s clears one such raw in about
        // half a second. 55 MB a frame; UHS-I takes 90 MB/s. The model within 25 %.
        let at = |writes| Burst {
            frames_per_s: 10.0,
            frame_bytes: 55 * MB,
            buffer_bytes: None,
            writes,
        };
        close(at(90e6).series(30).clears_s, 18.0, 0.25);
        close(at(150e6).series(30).clears_s, 8.0, 0.25);
        // One frame in the buffer: seconds from the last frame until a full buffer is written.
        for frame_bytes in [45 * MB, 50 * MB, 55 * MB] {
            let one = Burst {
                frame_bytes,
                buffer_bytes: Some(frame_bytes),
                ..at(90e6)
            };
            close(one.stall().unwrap().clears_s, 0.5, 0.25);
        }
    }

    #[test]
    fn a_camera_slot_uses_half_of_a_card_that_is_twice_as_fast() {
        // Common practice, no source: a camera's slot of about 150 MB/s uses half of a card that
        // takes 300. The chain of buses stands for the slot: SD Association, 156 MB/s (FD156) and
        // 312 (HD312).
        use crate::speed::ceiling::Ceiling;
        use crate::speed::chain::{CardSpeed, Chain, ReaderSpeed};
        use crate::speed::links::find;
        let slot = |slot: &str, label: f64| {
            let ceiling = Ceiling::of(&Chain {
                card: CardSpeed {
                    reads: Some(MegabytesPerS(label)),
                    bus: find("sd-uhs2-hd312"),
                },
                reader: ReaderSpeed {
                    slot: find(slot),
                    ..ReaderSpeed::default()
                },
                ..Chain::default()
            });
            ceiling.mbps().unwrap().bytes_per_s()
        };
        let camera = |label| slot("sd-uhs2-fd156", label);
        close(camera(300.0), 150e6, 0.05);
        close(camera(300.0) / slot("sd-uhs2-hd312", 300.0), 0.5, 0.05);
        // A faster card changes nothing there: neither what the slot takes nor when the buffer is
        // clear.
        let clears = |label| {
            let burst = Burst {
                frames_per_s: 20.0,
                frame_bytes: 50 * MB,
                buffer_bytes: Some(2 * GB),
                writes: camera(label),
            };
            burst.stall().unwrap()
        };
        assert_eq!(clears(300.0), clears(600.0));
        assert!(clears(150.0).clears_s > clears(300.0).clears_s);
    }

    #[test]
    fn what_a_label_reads_is_not_what_the_card_takes() {
        // Common practice, no source: a card that is labelled 170 MB/s writes about 90. Its label
        // goes into the ceiling of reading, and the burst has its writing: 2 GB clear in 22 s and
        // not in 12.
        use crate::kit::{KitCard, KitReader, fill};
        use crate::speed::ceiling::Ceiling;
        use crate::speed::chain::Chain;
        let card = KitCard {
            name: "A1".into(),
            reads: Some(170.0),
            bus: Some("uhs-ii".into()),
            class: WriteClass::parse("V90"),
            ..KitCard::default()
        };
        let reader = KitReader {
            name: "blue".into(),
            bus: Some("uhs-ii".into()),
            ..KitReader::default()
        };
        let mut chain = Chain::default();
        fill(&mut chain, Some(&card), Some(&reader));
        let reads = Ceiling::of(&chain).mbps().unwrap().bytes_per_s();
        close(reads, 170e6, 1e-6);
        let writes = card.class.unwrap().floor().written_at_least().bytes_per_s();
        close(writes, 90e6, 1e-6);
        let at = |writes| Burst {
            frames_per_s: 20.0,
            frame_bytes: 50 * MB,
            buffer_bytes: Some(2 * GB),
            writes,
        };
        close(at(writes).stall().unwrap().clears_s, 22.2, 0.01);
        close(at(reads).stall().unwrap().clears_s, 11.8, 0.01);
        // Without the class the kit's card has no writing at all, whatever its label.
        let unlabelled = WriteClass::read("170").unwrap_err().to_string();
        assert!(unlabelled.contains("guarantees no writing"));
    }

    #[test]
    fn a_series_longer_than_the_buffer_waits_for_the_card() {
        let burst = Burst {
            frames_per_s: 20.0,
            frame_bytes: 50 * MB,
            buffer_bytes: Some(2 * GB),
            writes: 250e6,
        };
        // 100 frames are 5,000 MB: all written after 20 s, the last frame 8 s before that.
        let series = burst.series(100);
        assert!(series.stalls);
        close(series.shooting_s, 12.0, 1e-9);
        close(series.clears_s, 8.0, 1e-9);
        let short = burst.series(50);
        assert!(!short.stalls);
        close(short.shooting_s, 2.5, 1e-9);
        close(short.clears_s, 7.5, 1e-9);
    }
}
