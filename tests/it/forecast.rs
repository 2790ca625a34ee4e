//! The forecast of the time left on simulated jobs (the simulator of `benches/forecast`): the goals
//! of the bench on a few jobs of each scenario, the replay of recorded jobs, and that a plan and
//! its copy say the same.

#[path = "../../benches/forecast/rivals.rs"]
mod rivals;
#[path = "../../benches/forecast/scenarios.rs"]
mod scenarios;
#[path = "../../benches/forecast/score.rs"]
mod score;
#[path = "../../benches/forecast/simulator.rs"]
mod simulator;
#[path = "../../benches/forecast/trace.rs"]
mod trace;

use crate::support::job::{job, tools};
use crate::support::sim::Sim;
use crate::truth;
use scenarios::{Group, SCENARIOS};
use score::{Marks, NAMES, OURS, mark, summary};
use trace::Replay;
use unlade::disk::Stamp;
use unlade::disk::hardware::DeviceInfo;
use unlade::event::{Event, Observer, Silent, Snapshot};
use unlade::plan::terms::Terms;
use unlade::proof::to_manifest::manifest_of;
use unlade::record::layout::Level;
use unlade::run::{Job, prepare};
use unlade::speed::chain::{Chain, DriveSpeed, Figure};
use unlade::speed::forecast::{RatePrior, Remaining};
use unlade::units::MegabytesPerS;

/// Neither the tuning seeds of the bench nor those of its figures.
const SEED: u64 = 77_000;
/// Jobs of each scenario: enough to notice a forecast that got worse, few enough to be quick.
const JOBS: u64 = 2;

fn marks(group: Group) -> Vec<Vec<Marks>> {
    let mut all = Vec::new();
    for (scenario, i) in SCENARIOS.iter().zip(0_u64..) {
        if scenario.group == group {
            let marks: Vec<_> = (0..JOBS)
                .map(|n| mark(scenario, SEED + 100 * i + n))
                .collect();
            let is_finite = |m: &Marks| m.errors.iter().all(|e| e.is_finite());
            assert!(marks.iter().flatten().all(is_finite), "{}", scenario.name);
            all.extend(marks);
        }
    }
    all
}

#[test]
fn the_goals_hold_for_what_can_be_foreseen() {
    let all = marks(Group::Foreseeable);
    let of = |who: usize| summary(&all.iter().map(|m| &m[who]).collect::<Vec<_>>());
    let ours = of(OURS);
    // Wider than the goals of the bench, since so few jobs scatter.
    assert!(ours.errors[2] <= 6.0, "median error at 10 %: {ours:?}");
    assert!(ours.p90_at_10 <= 25.0, "{ours:?}");
    assert!(ours.met >= 80.0, "{ours:?}");
    assert!(ours.jump <= 0.15, "{ours:?}");
    assert!((65.0..=95.0).contains(&ours.covered), "{ours:?}");
    assert!(ours.width <= 25.0, "{ours:?}");
    // A cache step that was foreseen is told all the same; nothing else changes.
    assert!(ours.changes <= 0.2, "{ours:?}");
    for (other, name) in NAMES.iter().enumerate().take(OURS) {
        let theirs = of(other);
        assert!(ours.met > theirs.met + 20.0, "{name}: {theirs:?}");
        assert!(
            ours.errors[2] < theirs.errors[2] / 2.0,
            "{name}: {theirs:?}"
        );
    }
}

#[test]
fn a_step_is_recovered_from() {
    let all = marks(Group::Step);
    let ours: Vec<&Marks> = all.iter().map(|m| &m[OURS]).collect();
    let (median, _) = summary(&ours).recovery.unwrap();
    assert!(median <= 10.0, "{median} s");
    // Every one of them is told, and hardly anything else.
    for marks in &ours {
        assert!((1..=2).contains(&marks.changes), "{marks:?}");
    }
}

fn replay(options: &[(&str, &str)], text: &str) -> Result<Vec<[f64; 4]>, String> {
    let mut replay = Replay::default();
    for (name, value) in options {
        replay.take(name, value)?;
    }
    let out = replay.run(text)?;
    let mut lines = out.lines();
    assert_eq!(lines.next(), Some("t_s,low_s,likely_s,high_s"));
    Ok(lines
        .map(|line| {
            let fields: Vec<f64> = line.split(',').map(|f| f.parse().unwrap()).collect();
            fields.try_into().unwrap()
        })
        .collect())
}

/// A copy of 20 s and a read-back of 10 s; the second counts on, or anew.
fn two_phases(goes_on: bool) -> String {
    let mut text = "t_s,phase,files,bytes\n".to_owned();
    for s in 0..=20_u64 {
        text.push_str(&format!("{s},copy,{},{}\n", s / 10, s * 100_000_000));
    }
    for s in 1..=10_u64 {
        let (files, bytes) = if goes_on { (2, 2_000_000_000) } else { (0, 0) };
        text.push_str(&format!(
            "{},readback,{},{}\n",
            20 + s,
            files + s / 5,
            bytes + s * 200_000_000
        ));
    }
    text
}

#[test]
fn a_trace_is_replayed_row_by_row() {
    let anew = replay(&[], &two_phases(false)).unwrap();
    assert_eq!(anew.len(), 31);
    for (row, n) in anew.iter().zip(0_u32..) {
        let [t, low, likely, high] = *row;
        assert!((t - f64::from(n)).abs() < 1e-9);
        assert!(low <= likely && likely <= high && high.is_finite());
        if n > 22 && n < 30 {
            assert!((likely - (30.0 - t)).abs() < 1.5, "{row:?}");
        }
    }
    assert!(anew[30][3] <= 0.0, "all is done: {:?}", anew[30]);
    assert_eq!(replay(&[], &two_phases(true)).unwrap(), anew);
    // Totals that are known say the same as totals that are read off the end.
    for total in ["2000000000:2", "4000000000:4"] {
        assert_eq!(
            replay(&[("--total", total)], &two_phases(true)).unwrap(),
            anew
        );
    }
}

#[test]
fn what_is_known_beforehand_counts_in_a_replay() {
    let text = two_phases(false);
    let first = |options: &[(&str, &str)]| replay(options, &text).unwrap()[0];
    let by_history = first(&[("--history", "100:0.05"), ("--ceiling", "500")]);
    let by_ceiling = first(&[("--ceiling", "114")]);
    for row in [by_history, by_ceiling] {
        assert!((row[2] - 33.0).abs() < 2.0, "{row:?}");
    }
    // A history that went up and down says less.
    let wild = first(&[("--history", "100:0.5")]);
    assert!(
        by_history[3] - by_history[1] < 0.95 * (wild[3] - wild[1]),
        "{by_history:?} {wild:?}"
    );
    let unknown = first(&[]);
    assert!(unknown[3] > 2.0 * unknown[2], "{unknown:?}");
    // After the copy, 6 GB at one and a half times its rate, since nothing better is known.
    let more = replay(
        &[("--total", "8000000000:8")],
        &text.replace("readback", "copy2"),
    )
    .unwrap();
    assert!((more[20][2] - 40.0).abs() < 4.0, "{:?}", more[20]);
}

#[test]
fn a_bad_trace_is_refused_with_its_line() {
    let head = "t_s,phase,files,bytes\n";
    for (text, why) in [
        ("", "the first line is"),
        ("a,b\n", "the first line is `a,b`"),
        (head, "no rows"),
        (&format!("{head}1,copy,0\n"), "line 2: 3 fields, not 4"),
        (
            &format!("{head}x,copy,0,0\n"),
            "line 2: t_s: `x` is not a number",
        ),
        (&format!("{head}nan,copy,0,0\n"), "line 2: t_s: `nan`"),
        (&format!("{head}1,copy,-1,0\n"), "line 2: files: `-1`"),
        (
            &format!("{head}2,copy,0,0\n\n1,copy,0,5\n"),
            "line 4: the time goes back",
        ),
        (
            &format!("{head}1,copy,0,5\n2,copy,0,4\n"),
            "line 3: files or bytes become less",
        ),
        (
            &format!("{head}1,copy,0,5\n2,readback,0,4\n3,copy,0,6\n"),
            "line 4: phase `copy` comes a second time",
        ),
    ] {
        let told = replay(&[], text).unwrap_err();
        assert!(told.starts_with(why), "{told}");
    }
    for (name, value) in [
        ("--ceiling", "0"),
        ("--ceiling", "fast"),
        ("--history", "100"),
        ("--history", "100:-1"),
        ("--total", "100"),
        ("--total", "a:b"),
    ] {
        assert!(
            replay(&[(name, value)], head)
                .unwrap_err()
                .starts_with(name)
        );
    }
}

/// Keeps the last tick.
#[derive(Default)]
struct LastTick(Option<Snapshot>);

impl Observer for LastTick {
    fn event(&mut self, event: &Event<'_>) {
        if let Event::Tick(snapshot) = event {
            self.0 = Some(Snapshot::clone(snapshot));
        }
    }
}

#[test]
fn a_plan_and_its_copy_start_from_one_number() {
    let sim = Sim::default();
    for mount in ["/a", "/b"] {
        sim.add_volume(mount, "ext4", 1 << 30);
    }
    let stamp = Stamp {
        seconds: 1_795_000_000,
        nanos: 0,
    };
    let files: Vec<(String, Vec<u8>)> = (1..=20)
        .map(|n| (format!("DCIM/KITE{n:04}.RAW"), vec![n; 60_000]))
        .collect();
    let listed: Vec<(&str, Vec<u8>, Stamp)> = files
        .iter()
        .map(|(name, bytes)| (name.as_str(), bytes.clone(), stamp))
        .collect();
    sim.add_card("/card", &listed, &["DCIM"]);
    let (job, tools) = (job("/card", &["/a", "/b"]), tools(sim.clone()));
    let mut plan = prepare(&job, &tools, &mut Silent).unwrap();
    assert_eq!(plan.forecast().remaining(), None, "nothing is known");
    plan.estimate.prior.rate = Some(RatePrior::from_history(0.1, 0.05));
    let planned: Remaining = plan.forecast().remaining().unwrap();
    // 1.2 MB at 0.1 MB/s and 20 files at 8 ms.
    assert!((planned.likely_s - 12.16).abs() < 0.1, "{planned:?}");
    let mut last = LastTick::default();
    let proof = truth::offload(&sim, plan, &tools, &mut last).unwrap();
    assert!(proof.verdict().is_proven());
    let at_start = proof.offloaded().forecast_s.unwrap();
    assert!((at_start - planned.likely_s).abs() < 1e-9, "{at_start}");
    let actual = manifest_of(&proof, "sim").forecast.actual_s;
    let took = proof.offloaded().took.as_secs_f64();
    assert!(
        (actual - took).abs() < 0.01,
        "{actual}: one read of the card"
    );
    // At the end nothing is left, and nothing is waited for.
    let end = last.0.unwrap();
    assert!(end.remaining.unwrap().high_s <= 0.0, "{end:?}");
    assert_eq!(end.waiting_for, None);

    // A second read of the card is in the forecast and in the time taken, and tells the time left.
    let terms = Terms {
        level: Level::Reread,
        ..job.terms
    };
    let job = Job {
        name: Some("AGAIN".to_owned()),
        terms,
        ..job
    };
    let mut plan = prepare(&job, &tools, &mut Silent).unwrap();
    plan.estimate.prior.rate = Some(RatePrior::from_history(0.1, 0.05));
    plan.estimate.prior.card = Some(RatePrior::from_history(0.4, 0.05));
    // 1.2 MB at 0.1 and again at 0.4 MB/s, and 20 files at 8 ms each time.
    let planned = plan.forecast().remaining().unwrap().likely_s;
    assert!((planned - 15.32).abs() < 0.1, "{planned}");
    let proof = truth::offload(&sim, plan, &tools, &mut Silent).unwrap();
    assert!(proof.verdict().is_proven(), "{:?}", proof.verdict());
    let (forecast, took) = (manifest_of(&proof, "sim").forecast, proof.offloaded());
    assert!((forecast.at_start_s.unwrap() - planned).abs() < 1e-3);
    assert!(took.read_again > std::time::Duration::ZERO);
    let all = (took.took + took.read_again).as_secs_f64();
    assert!((forecast.actual_s - all).abs() < 0.01, "{forecast:?}");

    // A drive that spins takes 1 / (1/110 + 1/115) MB/s, and less as it fills; 400 MB/s do not
    // spin.
    let spins = || DeviceInfo {
        rotational: Some(true),
        ..DeviceInfo::default()
    };
    sim.set_device_info("/a", spins());
    sim.set_device_info("/b", spins());
    let drive = |writes, reads| DriveSpeed {
        writes: Some(Figure::label(MegabytesPerS(writes))),
        reads: Some(Figure::label(MegabytesPerS(reads))),
        ..DriveSpeed::default()
    };
    let job = Job {
        name: Some("SPINS".to_owned()),
        chain: Chain {
            drives: vec![drive(400.0, 450.0), drive(110.0, 115.0)],
            ..Chain::default()
        },
        ..job
    };
    let prior = prepare(&job, &tools, &mut Silent).unwrap().prior();
    assert!(
        (prior.rate.unwrap().mbps - 56.222).abs() < 0.01,
        "{prior:?}"
    );
    assert!(prior.growth.unwrap().log > 0.0, "{prior:?}");
}
