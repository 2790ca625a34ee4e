//! Owns what a faster part would save: `saved = S x (1/min_old - 1/min_new)`, where each `min` goes over
//! *every* link, so that the link which takes over counts. Copy and read-back are told apart. Bytes and
//! seconds, rates in bytes per second. Pure.

use super::ceiling::{Ceiling, Chain};
use crate::units::float;

/// One link of a set-up with what it is reckoned to give.
#[derive(Clone, PartialEq, Debug)]
pub struct Part {
    /// Its name for people: `reader`, `card bus, UHS-I`, `drive 1`.
    pub name: String,
    /// Bytes per second, above zero.
    pub bytes_per_s: f64,
}

/// Everything between a card and the drives, each link with what it is reckoned to give.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Setup {
    /// The links from the card to the drives, without the drives.
    pub links: Vec<Part>,
    /// What each drive sustains when it is written.
    pub writes: Vec<Part>,
    /// What each drive gives when it is read back, in the same order; `None` if it is not known.
    pub reads: Vec<Option<f64>>,
}

impl Setup {
    /// Adds the links of a chain, each with the middle of what is usual for it.
    pub fn add_chain(&mut self, chain: &Chain) {
        for link in Ceiling::of(chain).links() {
            let usual = link.usual();
            self.links.push(Part {
                name: link.words(),
                bytes_per_s: link.mbps.bytes_per_s() * usual.low.midpoint(usual.high),
            });
        }
    }

    /// Returns the link that holds the copy back, the first of those that are as slow.
    pub fn limiting(&self) -> Option<&Part> {
        self.links.iter().chain(&self.writes).reduce(|least, part| {
            if part.bytes_per_s < least.bytes_per_s {
                part
            } else {
                least
            }
        })
    }

    /// Returns the seconds that copying `bytes` takes; `None` if nothing is known.
    pub fn copy_s(&self, bytes: u64) -> Option<f64> {
        Some(float(bytes) / self.limiting()?.bytes_per_s)
    }

    /// Returns the seconds that reading back takes on the slowest drive, all of them at the same time;
    /// `None` if one of them is not known.
    pub fn read_back_s(&self, bytes: u64) -> Option<f64> {
        let slowest = self
            .reads
            .iter()
            .copied()
            .reduce(|a, b| Some(a?.min(b?)))
            .flatten()?;
        Some(float(bytes) / slowest)
    }

    /// Returns the seconds of copy and read-back when they roll along together and every drive writes
    /// and reads in turn: the slower of the card's way and of what the slowest drive has to do.
    pub fn rolled_s(&self, bytes: u64) -> Option<f64> {
        self.read_back_s(bytes)?;
        let way = self.links.iter().map(|part| 1.0 / part.bytes_per_s);
        let drives = self.writes.iter().zip(&self.reads);
        let both = drives.filter_map(|(w, r)| Some(1.0 / w.bytes_per_s + 1.0 / (*r)?));
        let per_byte = way.chain(both).fold(0.0, f64::max);
        Some(float(bytes) * per_byte)
    }
}

/// What one set-up saves against another, in seconds per offload.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Saving {
    /// Of copying.
    pub copy_s: f64,
    /// Of read-back; `None` if that is not known on either side.
    pub read_back_s: Option<f64>,
    /// Of both when they roll along together and every drive writes and reads in turn.
    pub rolled_s: Option<f64>,
}

/// Less than this share of the time is no help.
const HELP_SHARE: f64 = 0.01;

impl Saving {
    /// Compares two set-ups over `bytes`; `None` if one of them has no known link.
    pub fn of(now: &Setup, then: &Setup, bytes: u64) -> Option<Self> {
        let less = |a: Option<f64>, b: Option<f64>| Some(a? - b?);
        Some(Self {
            copy_s: now.copy_s(bytes)? - then.copy_s(bytes)?,
            read_back_s: less(now.read_back_s(bytes), then.read_back_s(bytes)),
            rolled_s: less(now.rolled_s(bytes), then.rolled_s(bytes)),
        })
    }

    /// Returns what is saved when read-back follows the copy, or only the copy where no read-back is
    /// known.
    pub fn in_turn_s(self) -> f64 {
        self.copy_s + self.read_back_s.unwrap_or(0.0)
    }

    /// Returns whether it is worth mentioning, seen against the time that the offload takes now.
    pub fn helps(self, now: &Setup, bytes: u64) -> bool {
        let takes = now.copy_s(bytes).unwrap_or(0.0) + now.read_back_s(bytes).unwrap_or(0.0);
        self.in_turn_s() >= HELP_SHARE * takes && self.in_turn_s() > 0.5
    }
}

/// Returns what the figures of the exchanged parts alone promise, in seconds per offload.
pub fn promised_s(bytes: u64, old: f64, new: f64) -> f64 {
    float(bytes) * (1.0 / old - 1.0 / new)
}

/// Returns what each saved hour costs.
///
/// `None` when nothing is saved.
pub fn per_hour(price: f64, saved_s: f64) -> Option<f64> {
    (saved_s > 0.0).then(|| price / (saved_s / 3_600.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::speed::ceiling::{CardSpeed, ReaderSpeed};
    use crate::speed::links::find;
    use crate::units::{GB, MegabytesPerS};

    fn part(name: &str, mbps: f64) -> Part {
        Part {
            name: name.into(),
            bytes_per_s: mbps * 1e6,
        }
    }

    fn setup(card: f64, reader: f64, drives: &[(f64, f64)]) -> Setup {
        Setup {
            links: vec![part("card", card), part("reader", reader)],
            writes: drives.iter().map(|d| part("drive", d.0)).collect(),
            reads: drives
                .iter()
                .map(|d| (d.1 > 0.0).then_some(d.1 * 1e6))
                .collect(),
        }
    }

    fn close(got: f64, want: f64, tolerance: f64) {
        assert!((got - want).abs() <= tolerance, "{got} is not {want}");
    }

    #[test]
    fn the_next_link_takes_over() {
        // Reckoned by hand: 40 offloads of 220 GB, reader 90 -> 250 MB/s for 60, the disk takes 110.
        let bytes = 220 * GB;
        let now = setup(300.0, 90.0, &[(110.0, 115.0)]);
        let then = setup(300.0, 250.0, &[(110.0, 115.0)]);
        let saving = Saving::of(&now, &then, bytes).unwrap();
        close(promised_s(bytes, 90e6, 250e6) / 60.0, 26.1, 0.05);
        close(promised_s(bytes, 90e6, 250e6) * 40.0 / 3_600.0, 17.4, 0.05);
        close(saving.copy_s / 60.0, 7.4, 0.05);
        close(saving.in_turn_s() * 40.0 / 3_600.0, 4.9, 0.05);
        close(
            per_hour(60.0, saving.in_turn_s() * 40.0).unwrap(),
            12.15,
            0.001,
        );
        assert_eq!(then.limiting().unwrap().name, "drive");
        assert!(saving.helps(&now, bytes));
        // Reader and a drive of 400/450 MB/s for 210: 17.4 h of copying, 15.8 h of read-back, 6.3 an hour.
        let both = setup(300.0, 250.0, &[(400.0, 450.0)]);
        let saving = Saving::of(&now, &both, bytes).unwrap();
        close(saving.copy_s * 40.0 / 3_600.0, 17.4, 0.05);
        close(saving.read_back_s.unwrap() * 40.0 / 3_600.0, 15.8, 0.05);
        close(
            per_hour(210.0, saving.in_turn_s() * 40.0).unwrap(),
            6.3,
            0.05,
        );
    }

    #[test]
    fn a_disk_that_does_one_thing_at_a_time_gains_nothing_from_a_reader() {
        let bytes = 220 * GB;
        let now = setup(300.0, 90.0, &[(110.0, 115.0)]);
        let then = setup(300.0, 250.0, &[(110.0, 115.0)]);
        let saving = Saving::of(&now, &then, bytes).unwrap();
        close(saving.rolled_s.unwrap(), 0.0, 1e-6);
        // 1/110 + 1/115 s per MB.
        close(now.rolled_s(bytes).unwrap(), 3_913.0, 1.0);
    }

    #[test]
    fn what_holds_back_elsewhere_does_not_help() {
        let bytes = 100 * GB;
        let now = setup(250.0, 90.0, &[(400.0, 0.0)]);
        let faster_card = setup(300.0, 90.0, &[(400.0, 0.0)]);
        let saving = Saving::of(&now, &faster_card, bytes).unwrap();
        close(saving.copy_s, 0.0, 1e-9);
        assert_eq!(saving.read_back_s, None);
        assert!(!saving.helps(&now, bytes));
        assert_eq!(per_hour(60.0, saving.in_turn_s()), None);
        assert!(Saving::of(&Setup::default(), &now, bytes).is_none());
    }

    #[test]
    fn faster_parts_never_cost_time_and_the_slowest_drive_counts() {
        let bytes = 10 * GB;
        let rates = [30.0, 90.0, 250.0, 900.0];
        for card in rates {
            for reader in rates {
                for write in rates {
                    let now = setup(card, reader, &[(write, write), (60.0, 70.0)]);
                    let then = setup(
                        card * 1.5,
                        reader * 2.0,
                        &[(write * 1.1, write), (60.0, 70.0)],
                    );
                    let saving = Saving::of(&now, &then, bytes).unwrap();
                    assert!(saving.copy_s >= -1e-9 && saving.rolled_s.unwrap() >= -1e-9);
                    assert!(now.limiting().unwrap().bytes_per_s <= 60e6);
                    assert!(now.rolled_s(bytes) >= now.read_back_s(bytes));
                }
            }
        }
    }

    #[test]
    fn links_of_the_table_count_with_what_is_usual() {
        let chain = Chain {
            card: CardSpeed {
                reads: Some(MegabytesPerS(170.0)),
                bus: find("sd-sdr104"),
            },
            reader: ReaderSpeed {
                link: find("usb3-5g"),
                ..ReaderSpeed::default()
            },
            ..Chain::default()
        };
        let mut setup = Setup::default();
        setup.add_chain(&chain);
        // Common practice, no source: such a card gives 92 to 95 MB/s in any but its matched reader;
        // published single measurements go down to 80.
        let got = setup.limiting().unwrap().bytes_per_s / 1e6;
        assert!((80.0..96.0).contains(&got), "{got}");
    }
}
