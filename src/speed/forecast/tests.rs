//! The forecast on cards of one long file, and on everything else that could come in.

use super::shown::{Hurry, Moment, Shown};
use super::*;
use crate::units::whole;

const MB: f64 = 1e6;

fn amount(files: u64, mb: f64) -> Amount {
    Amount {
        files,
        bytes: whole(mb * MB),
    }
}

fn seconds(s: f64) -> Duration {
    Duration::from_secs_f64(s)
}

/// A card of one long file whose rate is given for every second.
struct Card {
    forecast: Forecast,
    t: f64,
    mb: f64,
    changes: Vec<Change>,
}

impl Card {
    fn new(prior: &Prior, mb: f64) -> Self {
        Self {
            forecast: Forecast::new(prior, amount(1, mb)),
            t: 0.0,
            mb: 0.0,
            changes: Vec::new(),
        }
    }

    /// Goes on for so many quarters of a second at a rate.
    fn run(&mut self, quarters: u32, mbps: f64) -> &mut Self {
        for _ in 0..quarters {
            self.t += 0.25;
            self.mb += mbps * 0.25;
            let done = amount(0, self.mb);
            let change = self.forecast.observe(seconds(self.t), Stage::Copy, done);
            self.changes.extend(change);
        }
        self
    }

    fn left(&self) -> Remaining {
        self.forecast.remaining().unwrap()
    }
}

fn near(value: f64, wanted: f64, share: f64) -> bool {
    (value / wanted - 1.0).abs() <= share
}

fn by_ceiling(mbps: f64) -> Prior {
    Prior {
        rate: Some(RatePrior::from_ceiling(mbps)),
        ..Prior::default()
    }
}

#[test]
fn a_steady_rate_is_exact_and_nearly_certain() {
    let mut card = Card::new(&Prior::default(), 9_000.0);
    let left = card.run(120, 90.0).left();
    assert!(near(left.likely_s, 70.0, 0.03), "{left:?}");
    assert!(left.low_s > 60.0 && left.high_s < 80.0, "{left:?}");
    assert_eq!(words(left), "about 1 min 10 s");
    assert_eq!(card.forecast.basis(), Basis::Measured);
}

#[test]
fn nothing_known_says_nothing_for_two_seconds() {
    let mut card = Card::new(&Prior::default(), 9_000.0);
    assert_eq!(card.forecast.remaining(), None);
    assert_eq!(card.forecast.basis(), Basis::Nothing);
    assert_eq!(card.run(7, 90.0).forecast.remaining(), None);
    assert!(near(card.run(2, 90.0).left().likely_s, 97.5, 0.1));
    // Two seconds without a byte are not two seconds watched.
    let mut idle = Card::new(&Prior::default(), 9_000.0);
    assert_eq!(idle.run(40, 0.0).forecast.remaining(), None);
    let guess = idle.forecast.guess();
    assert!(guess.high_s > 2.0 * guess.low_s, "{guess:?}");
}

#[test]
fn a_prior_speaks_before_the_first_byte() {
    let card = Card::new(&by_ceiling(100.0), 8_800.0);
    // A little more than bytes over rate, since a rate falls rather than that it rises.
    let likely_s = card.left().likely_s;
    assert!((100.0..102.0).contains(&likely_s), "{likely_s}");
    assert!(matches!(card.forecast.basis(), Basis::Known(r) if r.source == RateSource::Ceiling));
}

#[test]
fn a_prior_five_times_off_is_overcome() {
    let history = |mbps| Prior {
        rate: Some(RatePrior::from_history(mbps, 0.05)),
        ..Prior::default()
    };
    for prior in [
        by_ceiling(570.0),
        by_ceiling(23.0),
        history(500.0),
        history(20.0),
    ] {
        let mut card = Card::new(&prior, 30_000.0);
        let left = card.run(120, 100.0).left();
        assert!(near(left.likely_s, 270.0, 0.10), "{prior:?}: {left:?}");
        assert!(
            card.changes.is_empty(),
            "a wrong prior is no change: {:?}",
            card.changes
        );
    }
}

#[test]
fn a_lasting_step_is_told_once_and_followed() {
    let mut card = Card::new(&by_ceiling(900.0), 100_000.0);
    card.run(240, 800.0).run(40, 300.0);
    // 100 GB less 60 s at 800 and 10 s at 300.
    assert!(
        near(card.left().likely_s, 49_000.0 / 300.0, 0.10),
        "{:?}",
        card.left()
    );
    card.run(300, 300.0);
    let [change] = card.changes[..] else {
        panic!("{:?}", card.changes);
    };
    assert!(
        near(change.from_bytes_per_s, 800.0 * MB, 0.03),
        "{change:?}"
    );
    assert!(near(change.to_bytes_per_s, 300.0 * MB, 0.05), "{change:?}");
    assert!((change.at_s - 60.0).abs() <= 2.0, "{change:?}");
}

#[test]
fn what_passes_is_not_told() {
    let mut card = Card::new(&Prior::default(), 100_000.0);
    card.run(240, 200.0).run(24, 60.0).run(240, 200.0);
    assert!(card.changes.is_empty(), "{:?}", card.changes);
    assert!(near(
        card.left().likely_s,
        (100_000.0 - card.mb) / 200.0,
        0.10
    ));
}

#[test]
fn many_small_files_are_no_slow_rate() {
    let mut forecast = Forecast::new(&by_ceiling(114.0), amount(2_001, 20_200.0));
    let mut told = 0;
    // Twenty seconds of small files at 10 ms and 1 ms of bytes each, then one large one.
    for second in 1..=22_u32 {
        let files = u64::from(second) * 90;
        let done = amount(files, f64::from(second) * 9.0);
        let change = forecast.observe(seconds(f64::from(second)), Stage::Copy, done);
        told += u32::from(change.is_some());
    }
    let left = forecast.remaining().unwrap();
    assert!(near(left.likely_s, 200.0, 0.10), "{left:?}");
    assert_eq!(told, 0);
}

#[test]
fn a_stall_holds_the_number_and_does_not_become_the_rate() {
    let mut card = Card::new(&Prior::default(), 20_000.0);
    card.run(160, 100.0).run(14, 0.0);
    let held = card.left().likely_s;
    card.run(80, 0.0);
    assert_eq!(card.forecast.stalled(), seconds(23.5));
    // One stall may be an accident: it is charged with a few seconds' worth, no more.
    assert!(card.left().likely_s >= held, "it went on counting down");
    assert!(near(card.left().likely_s, 160.0, 0.15), "{:?}", card.left());
    card.run(1, 100.0);
    assert_eq!(card.forecast.stalled(), Duration::ZERO);
    card.run(79, 100.0);
    assert!(near(card.left().likely_s, 140.0, 0.12), "{:?}", card.left());
}

#[test]
fn stalls_that_come_again_are_charged() {
    let mut card = Card::new(&Prior::default(), 60_000.0);
    for _ in 0..8 {
        card.run(80, 100.0).run(20, 0.0);
    }
    card.run(1, 100.0);
    // Every 20 s of work cost 25.
    let work = (60_000.0 - card.mb) / 100.0;
    assert!(
        near(card.left().likely_s, work * 1.25, 0.08),
        "{:?} for {work}",
        card.left()
    );
}

#[test]
fn a_known_cache_step_is_foreseen() {
    let prior = Prior {
        rate: Some(RatePrior::from_history(500.0, 0.05)),
        cache_step: Some(CacheStep {
            bytes: 12_000 * 1_000_000,
            mbps_after: 80.0,
        }),
        ..Prior::default()
    };
    let mut card = Card::new(&prior, 36_000.0);
    assert!(
        near(card.left().likely_s, 24.0 + 300.0, 0.02),
        "{:?}",
        card.left()
    );
    card.run(80, 500.0);
    assert!(
        near(card.left().likely_s, 4.0 + 300.0, 0.05),
        "{:?}",
        card.left()
    );
    card.run(16, 500.0).run(80, 80.0);
    assert!(near(card.left().likely_s, 280.0, 0.06), "{:?}", card.left());
    // A drive that does not slow down after all is believed in the end.
    let mut fast = Card::new(&prior, 36_000.0);
    fast.run(200, 500.0);
    assert!(near(fast.left().likely_s, 22.0, 0.12), "{:?}", fast.left());
}

#[test]
fn a_second_stage_has_a_rate_of_its_own() {
    let mut prior = by_ceiling(114.0);
    prior.read_back = Some(RatePrior::from_history(400.0, 0.05));
    let mut forecast = Forecast::new(&prior, amount(4, 4_000.0)).then_read_back(amount(4, 4_000.0));
    assert!(near(forecast.remaining().unwrap().likely_s, 50.0, 0.03));
    for s in 1..=40_u32 {
        forecast.observe(
            seconds(f64::from(s)),
            Stage::Copy,
            amount(u64::from(s / 10), f64::from(s) * 100.0),
        );
    }
    let left = forecast.remaining().unwrap();
    assert!(near(left.likely_s, 10.0, 0.10), "{left:?}");
    for s in 1..=5_u32 {
        forecast.observe(
            seconds(40.0 + f64::from(s)),
            Stage::ReadBack,
            amount(0, f64::from(s) * 400.0),
        );
    }
    assert!((forecast.remaining().unwrap().likely_s - 5.0).abs() < 1.0);
    forecast.observe(seconds(50.0), Stage::ReadBack, amount(4, 4_000.0));
    assert!(forecast.remaining().unwrap().high_s <= 0.0);
}

#[test]
fn two_cards_share_a_bus_until_one_is_done() {
    let prior = Prior {
        rate: Some(RatePrior::from_history(100.0, 0.05)),
        companion: Some(Companion {
            bytes_left: 2_000 * 1_000_000,
            alone_mbps: 160.0,
        }),
        ..Prior::default()
    };
    let mut card = Card::new(&prior, 10_000.0);
    // 20 s at 100 MB/s, then 8 GB at 160: the bus would give 200, the card does not.
    assert!(near(card.left().likely_s, 70.0, 0.02), "{:?}", card.left());
    for quarter in 1..=80_u64 {
        card.run(1, 100.0);
        card.forecast.observe_companion((80 - quarter) * 25_000_000);
    }
    assert!(near(card.left().likely_s, 50.0, 0.04), "{:?}", card.left());
    card.run(80, 160.0);
    assert!(near(card.left().likely_s, 30.0, 0.06), "{:?}", card.left());
    assert!(
        card.changes.is_empty(),
        "it was foreseen: {:?}",
        card.changes
    );
}

#[test]
fn a_disk_that_is_filled_gets_slower() {
    let growth = Growth::of_spinning(0.0, 1.0);
    assert!(near(growth.log, 2.0_f64.ln(), 1e-9));
    let prior = Prior {
        rate: Some(RatePrior::from_history(200.0, 0.05)),
        growth: Some(growth),
        ..Prior::default()
    };
    let card = Card::new(&prior, 60_000.0);
    // The mean of a cost that doubles evenly in its logarithm is 1 / ln 2 of that at the start.
    assert!(
        near(card.left().likely_s, 300.0 / 2.0_f64.ln(), 0.02),
        "{:?}",
        card.left()
    );
}

#[test]
fn the_shown_number_counts_down_between_corrections() {
    let mut shown = Shown::default();
    let moment = |at| Moment {
        at,
        doubt: 0.05,
        stalled: false,
        hurry: Hurry::None,
    };
    shown.update(100.0, moment(0.0));
    // Estimates within the dead band change nothing.
    for (at, off) in [(1.0, 2.0), (2.0, -2.0), (3.0, 2.5), (4.0, -1.0)] {
        shown.update(100.0 - at + off, moment(at));
        assert!((shown.value().unwrap() - (100.0 - at)).abs() < 1e-9);
    }
    // Beyond it the number moves towards the estimate, and never past it.
    let mut last = shown.value().unwrap();
    for step in 1..120_u32 {
        let at = 4.0 + f64::from(step) / 4.0;
        shown.update(140.0 - at, moment(at));
        let now = shown.value().unwrap();
        assert!(now <= 140.0 - at + 1e-9, "{now}");
        last = now;
    }
    assert!(near(last, 140.0 - 33.75, 0.03), "{last}");
}

/// Everything that could come in, and more.
fn absurd_priors() -> Vec<Prior> {
    let odd = [
        0.0,
        -1.0,
        f64::NAN,
        f64::INFINITY,
        f64::MIN_POSITIVE,
        f64::MAX,
        100.0,
    ];
    let mut priors = vec![Prior::default()];
    for a in odd {
        for b in odd {
            let rate = RatePrior {
                mbps: a,
                log_sd: b,
                usual_log_sd: 0.07,
                source: RateSource::History,
            };
            priors.push(Prior {
                rate: Some(rate),
                read_back: Some(rate),
                card: Some(rate),
                per_file: Some(FilePrior {
                    seconds: b,
                    log_sd: a,
                }),
                cache_step: Some(CacheStep {
                    bytes: whole(a),
                    mbps_after: b,
                }),
                growth: Some(Growth { log: a, log_sd: b }),
                companion: Some(Companion {
                    bytes_left: whole(b),
                    alone_mbps: a,
                }),
            });
        }
    }
    priors
}

#[test]
fn a_second_read_of_the_card_counts_at_the_cards_own_rate() {
    let prior = Prior {
        rate: Some(RatePrior::from_history(40.0, 0.05)),
        card: Some(RatePrior::from_history(160.0, 0.05)),
        ..Prior::default()
    };
    let again = amount(1, 8_000.0);
    let forecast = Forecast::new(&prior, again).then_read_again(again);
    // 200 s to copy and 50 to read again.
    let planned = forecast.remaining().unwrap();
    assert!(near(planned.likely_s, 250.0, 0.01), "{planned:?}");
    // Of a card that nobody knows: as fast as it is copied, and that is not certain.
    let unknown = Forecast::new(
        &Prior {
            card: None,
            ..prior
        },
        again,
    )
    .then_read_again(again);
    let doubtful = unknown.remaining().unwrap();
    assert!(near(doubtful.likely_s, 400.0, 0.02), "{doubtful:?}");
    assert!(doubtful.high_s > 1.2 * doubtful.likely_s, "{doubtful:?}");
    // Measured on the way: the card reads 80.
    let mut card = Card {
        forecast,
        ..Card::new(&prior, 8_000.0)
    };
    card.run(200, 40.0);
    card.forecast.observe_card(80.0);
    card.run(200, 40.0);
    assert!(near(card.left().likely_s, 200.0, 0.03), "{:?}", card.left());
    // When all is copied that much is left; what makes no sense teaches nothing.
    card.run(400, 40.0);
    card.forecast.observe_card(f64::NAN);
    card.run(1, 0.0);
    assert!(near(card.left().likely_s, 100.0, 0.03), "{:?}", card.left());
}

#[test]
fn the_range_is_finite_and_ordered_whatever_comes_in() {
    let totals = [
        Amount::default(),
        amount(0, 1.0),
        amount(5, 0.0),
        amount(3, 1e4),
        Amount {
            files: u64::MAX,
            bytes: u64::MAX,
        },
    ];
    let times = [0.0, 0.0, 1e-9, 0.5, 0.4, 3.0, 3.0, 9.0, 1e3, 1e12];
    let mut checked = 0;
    for prior in absurd_priors() {
        for total in totals {
            let mut forecast = Forecast::new(&prior, total).then_read_back(total);
            let mut check = |forecast: &Forecast| {
                let r = forecast.guess();
                for value in [r.low_s, r.likely_s, r.high_s] {
                    assert!(
                        (0.0..=SECONDS_MAX).contains(&value),
                        "{r:?} with {prior:?}, {total:?}"
                    );
                }
                assert!(r.low_s <= r.likely_s && r.likely_s <= r.high_s, "{r:?}");
                checked += 1;
            };
            check(&forecast);
            for (at, n) in times.iter().zip(0_u64..) {
                let stage = if n < 7 { Stage::Copy } else { Stage::ReadBack };
                let done = Amount {
                    files: (total.files / 7).saturating_mul(n),
                    bytes: (total.bytes / 7).saturating_mul(if n == 4 { 1 } else { n }),
                };
                forecast.observe(seconds(*at), stage, done);
                forecast.observe_companion(total.bytes / (n + 1));
                check(&forecast);
            }
        }
    }
    assert!(checked > 2_000);
}

#[test]
fn rare_and_uneven_looks_lead_to_the_same_end() {
    let mut forecast = Forecast::new(&Prior::default(), amount(1, 60_000.0));
    let mut t = 0.0;
    for step in [0.1, 4.0, 0.2, 7.0, 3.0, 0.1, 0.1, 5.0, 6.0, 0.3].repeat(4) {
        t += step;
        forecast.observe(seconds(t), Stage::Copy, amount(0, t * 150.0));
    }
    let left = forecast.remaining().unwrap();
    assert!(near(left.likely_s, 400.0 - t, 0.05), "{left:?} at {t}");
}

#[test]
fn work_done_before_the_start_teaches_nothing() {
    let mut forecast = Forecast::new(&Prior::default(), amount(1, 10_000.0));
    forecast.observe(Duration::ZERO, Stage::Copy, amount(0, 5_000.0));
    for s in 1..=10_u32 {
        forecast.observe(
            seconds(f64::from(s)),
            Stage::Copy,
            amount(0, 5_000.0 + f64::from(s) * 50.0),
        );
    }
    assert!(near(forecast.remaining().unwrap().likely_s, 90.0, 0.06));
}

#[test]
fn words_round_and_give_ranges() {
    let r = |low_s, likely_s, high_s| {
        words(Remaining {
            low_s,
            likely_s,
            high_s,
        })
    };
    assert_eq!(r(31.0, 32.0, 33.0), "about 30 s");
    assert_eq!(r(7.0, 7.2, 7.4), "about 5 s");
    assert_eq!(r(33.0, 33.0, 33.0), "about 35 s");
    assert_eq!(r(57.6, 57.6, 57.6), "about 1 min");
    assert_eq!(r(360.0, 450.0, 540.0), "6 to 9 min");
    assert_eq!(r(221.0, 341.0, 526.0), "3 min 40 s to 8 min 50 s");
    assert_eq!(r(42.0, 80.0, 130.0), "40 s to 2 min 10 s");
    assert_eq!(r(9.0, 10.0, 14.2), "5 to 15 s");
    assert_eq!(r(2.0, 4.0, 6.0), "under 10 s");
    assert_eq!(r(11.0, 13.0, 15.0), "10 to 15 s");
    assert_eq!(r(7_000.0, 7_200.0, 7_400.0), "about 2 h 00 min");
    assert_eq!(r(3_500.0, 4_000.0, 5_200.0), "58 min to 1 h 30 min");
    assert_eq!(r(4_000.0, 6_000.0, 8_000.0), "1 h 05 min to 2 h 15 min");
    // 38 GB below a ceiling of 300 MB/s of which 75 to 95 % is usual take 127 to 169 s
    // (arithmetic); one minute would be 633 MB/s.
    assert_eq!(r(126.7, 145.0, 172.0), "2 to 3 min");
    assert_eq!(r(0.0, 0.0, 0.0), "about 5 s");
}

/// A card that falls from 262 to 60 MB/s after three seconds, of which nothing was known: the job
/// takes 20 seconds more, and there is no time to lose.
#[test]
fn an_early_fall_in_a_short_job_is_followed_and_told() {
    let mut card = Card::new(&Prior::default(), 1_800.0);
    card.run(12, 262.0).run(24, 60.0);
    let left = |card: &Card| (1_800.0 - card.mb) / 60.0;
    let after_6_s = card.left().likely_s;
    assert!(near(after_6_s, left(&card), 0.30), "{after_6_s}");
    card.run(12, 60.0);
    let after_9_s = card.left().likely_s;
    assert!(near(after_9_s, left(&card), 0.15), "{after_9_s}");
    let [change] = card.changes.as_slice() else {
        panic!("told once: {:?}", card.changes);
    };
    assert!(
        near(change.from_bytes_per_s, 262.0 * MB, 0.05),
        "{change:?}"
    );
    assert!(near(change.to_bytes_per_s, 60.0 * MB, 0.05), "{change:?}");
    assert!(near(change.at_s, 3.0, 0.2), "{change:?}");
    // With a known rate, in a long job: as fast, and one short pause of the card is no fall.
    let prior = Prior {
        rate: Some(RatePrior::from_history(260.0, 0.05)),
        ..Prior::default()
    };
    let mut card = Card::new(&prior, 60_000.0);
    card.run(100, 260.0).run(9, 0.0).run(100, 260.0);
    card.run(4, 60.0).run(100, 260.0);
    assert!(card.changes.is_empty(), "{:?}", card.changes);
    card.run(36, 60.0);
    assert_eq!(card.changes.len(), 1, "{:?}", card.changes);
    assert!(near(
        card.left().likely_s,
        (60_000.0 - card.mb) / 60.0,
        0.15
    ));
}
