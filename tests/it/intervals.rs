//! The grid of intervals that rates are noted in, by a clock that goes as the test says: what is
//! noted as so many seconds are so many, and the strip of the running picture is the last minute,
//! an hour into a copy as well.

use crate::support::job::{job, tools};
use crate::support::program::content;
use crate::support::sim::{Sim, SimClock};
use crate::truth;
use jiff::Timestamp;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;
use unlade::clock::Clock;
use unlade::disk::Stamp;
use unlade::event::{Event, Observer};
use unlade::offload::Rates;
use unlade::run::{self, Tools};

const FILES: u64 = 80;
const BYTES: usize = 5_000;

/// A clock that only the observer moves.
#[derive(Debug)]
struct Steps {
    day: SimClock,
    ms: AtomicU64,
}

impl Clock for Steps {
    fn elapsed(&self) -> Duration {
        Duration::from_millis(self.ms.load(Ordering::SeqCst))
    }
    fn now(&self) -> Timestamp {
        self.day.now()
    }
    fn today(&self) -> String {
        self.day.today()
    }
    fn sleep(&self, _time: Duration) {}
}

/// Lets so much time pass with every file, and keeps the strip that was shown last.
struct Passing {
    clock: Arc<Steps>,
    ms: u64,
    strip: (usize, u64),
}

impl Observer for Passing {
    fn event(&mut self, event: &Event<'_>) {
        match event {
            Event::File { .. } => drop(self.clock.ms.fetch_add(self.ms, Ordering::SeqCst)),
            Event::Tick(now) => self.strip = (now.strip.len(), now.strip_every_s),
            _ => {}
        }
    }
}

/// Copies a card while so much passes with every file; returns the rates, how long it took in
/// seconds, and the last strip.
fn copied(ms: u64) -> (Rates, u64, (usize, u64)) {
    let sim = Sim::default();
    sim.add_card("/card", &[], &["DCIM"]);
    sim.add_volume("/a", "ext4", 1 << 30);
    for n in 0..FILES {
        let date = Stamp {
            seconds: 1_795_600_000,
            nanos: 0,
        };
        sim.put_file(&format!("/card/DCIM/{n:03}.RAW"), &content(BYTES, n), date);
    }
    let clock = Arc::new(Steps {
        day: SimClock::on_day(2),
        ms: AtomicU64::new(0),
    });
    let job = job("/card", &["/a"]);
    let tools = Tools {
        clock: Arc::<Steps>::clone(&clock),
        ..tools(sim.clone())
    };
    let mut eyes = Passing {
        clock: Arc::clone(&clock),
        ms,
        strip: (0, 0),
    };
    let plan = run::prepare(&job, &tools, &mut eyes).unwrap();
    let proof = truth::offload(&sim, plan, &tools, &mut eyes).unwrap();
    assert!(proof.verdict().is_proven(), "{:?}", proof.problems());
    let took = proof.offloaded().took.as_secs();
    (proof.offloaded().rates.clone(), took, eyes.strip)
}

#[test]
fn intervals_are_as_long_as_is_said() {
    for ms in [1_020, 310, 5_000] {
        let (rates, took, _) = copied(ms);
        let noted = u64::try_from(rates.read.len()).unwrap() * rates.every_s;
        assert!(took >= FILES * ms / 1_000 - 1, "{took}");
        assert!(
            noted == took || noted == took + 1,
            "{ms}: {noted} of {took} s"
        );
        let bytes: u64 = rates.read.iter().sum();
        assert_eq!(bytes, FILES * u64::try_from(BYTES).unwrap());
        let all = [&rates.read, &rates.write[0], &rates.readback[0]];
        assert!(all.iter().all(|one| one.len() == rates.read.len()));
    }
}

#[test]
fn the_strip_is_the_last_minute_after_an_hour_as_well() {
    for (ms, every) in [(30_000, 1), (60_000, 2), (120_000, 4)] {
        let (rates, took, (shown, every_s)) = copied(ms);
        assert_eq!((rates.every_s, every_s), (every, every), "{took} s");
        let noted = u64::try_from(rates.read.len()).unwrap() * every;
        assert!(noted.abs_diff(took) <= every, "{noted} of {took} s");
        assert_eq!(u64::try_from(shown).unwrap() * every_s, 60);
    }
}
