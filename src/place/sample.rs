//! Owns a random part of the files of an offload, and what chance it leaves of a damage going
//! unseen.

use crate::units::{float, len_usize, len64, whole};

/// How much is read: a share of the files.
#[derive(Clone, Copy, PartialEq, PartialOrd, Debug)]
pub struct SampleShare(f64);

impl SampleShare {
    /// Reads `5%`: more than nothing and no more than everything.
    pub fn parse(text: &str) -> Option<Self> {
        let percent: f64 = text.trim().strip_suffix('%')?.trim().parse().ok()?;
        (percent > 0.0 && percent <= 100.0).then_some(Self(percent / 100.0))
    }

    /// Returns how many files that is, of `all`: at least one.
    pub fn of(self, all: u64) -> u64 {
        whole((float(all) * self.0).ceil()).clamp(1.min(all), all)
    }
}

/// Returns `wanted` of the numbers below `all`, each set of them as likely as any other, in order.
/// `seed` makes it another one each time.
pub fn random_part(all: usize, wanted: u64, seed: &[u8]) -> Vec<usize> {
    let mut stream = blake3::Hasher::new().update(seed).finalize_xof();
    let mut numbers: Vec<usize> = (0..all).collect();
    let wanted = len_usize(wanted).min(all);
    for at in 0..wanted {
        let mut bytes = [0; 8];
        stream.fill(&mut bytes);
        // Of 2^64 numbers the rest of a division is even enough.
        let rest = u64::from_le_bytes(bytes) % len64(all - at);
        numbers.swap(at, at + len_usize(rest));
    }
    numbers.truncate(wanted);
    numbers.sort_unstable();
    numbers
}

/// Returns the chance that none of `damaged` files is among `read` of `all`, where damage strikes
/// files at random: the hypergeometric distribution at zero.
pub fn chance_unseen(all: u64, read: u64, damaged: u64) -> f64 {
    if damaged > all.saturating_sub(read) {
        return 0.0;
    }
    let factors = 0..damaged;
    factors
        .map(|n| float(all - read - n) / float(all - n))
        .product()
}

/// Returns a seed that nobody chose: of the time, the computer and the program that runs.
pub fn seed(now: jiff::Timestamp, host: &str) -> String {
    format!("{now} {host} {}", std::process::id())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Counted by hand: of 10 files with 2 damaged, 5 read see none in C(8,5)/C(10,5) = 56/252.
    #[test]
    fn the_chance_is_that_of_drawing_without_putting_back() {
        let near = |a: f64, b: f64| (a - b).abs() < 1e-12;
        assert!(near(chance_unseen(10, 5, 2), 56.0 / 252.0));
        assert!(near(chance_unseen(240, 12, 1), 0.95));
        assert!(near(chance_unseen(10, 10, 1), 0.0));
        assert!(near(chance_unseen(10, 9, 2), 0.0));
        assert!(near(chance_unseen(10, 0, 3), 1.0));
    }

    #[test]
    fn a_share_is_read_and_each_file_is_as_likely() {
        assert_eq!(SampleShare::parse("5%").unwrap().of(240), 12);
        assert_eq!(SampleShare::parse("0.1%").unwrap().of(240), 1);
        assert_eq!(SampleShare::parse("100%").unwrap().of(240), 240);
        assert_eq!(SampleShare::parse("5%").unwrap().of(0), 0);
        for wrong in ["5", "0%", "-1%", "101%", "NaN%", "inf%", "%"] {
            assert!(SampleShare::parse(wrong).is_none(), "{wrong}");
        }
        let mut counts = [0_u32; 10];
        for n in 0_u32..2_000 {
            let part = random_part(10, 3, &n.to_le_bytes());
            assert!(part.is_sorted() && part.len() == 3);
            for at in part {
                counts[at] += 1;
            }
        }
        // 600 each in the middle; 6 standard deviations of some 20.
        assert!(counts.iter().all(|n| (480..720).contains(n)), "{counts:?}");
    }
}
