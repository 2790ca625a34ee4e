//! What is said of speed before and after a copy: the flags, what the system tells of card, reader
//! and drives, and where plan, events and manifest name what holds back.

use crate::support::job::{job, tools};
use crate::support::program::{Card, Work, manifest, tree};
use crate::support::sim::Sim;
use crate::truth;
use serde_json::{Value, json};
use std::sync::Arc;
use unlade::card::identity::CardIdentity;
use unlade::disk::Stamp;
use unlade::disk::hardware::sd::SdStatus;
use unlade::disk::hardware::{DeviceInfo, Slot, UsbDevice};
use unlade::event::{Event, Observer, Silent};
use unlade::ledger::{CopyLocation, Deed, Ledger, LedgerEntry, ReadStats};
use unlade::plan::Plan;
use unlade::plan::beside::Beside;
use unlade::plan::first::Aim;
use unlade::proof::Proof;
use unlade::run::{self, Job, Tools};
use unlade::speed::chain::{CardSpeed, Chain, DriveSpeed, Figure};
use unlade::speed::forecast::RateSource;
use unlade::speed::link::Link;
use unlade::speed::links::find;
use unlade::units::MegabytesPerS;

// ---- the program, its flags -------------------------------------------------------------------

const TO: &str = "card --to a --to b --name KITES --copies 1";

fn planned(work: &Work, flags: &str) -> Value {
    let ran = work.run(&format!("plan {TO} --json {flags}"));
    ran.exits(0);
    let mut events = ran.events();
    let at = events.iter().position(|e| e["event"] == "planned").unwrap();
    events.swap_remove(at)
}

#[test]
fn the_plan_names_ceiling_and_slowest_link() {
    let work = Work::with_card("ceiling");
    // Ceilings: SD Association (104 MB/s), USB 2.0 Specification, table 5-10 (53.248 MB/s).
    for (flags, mbps, limiting) in [
        ("--bus sd-sdr104", 104.0, "card bus sd-sdr104"),
        ("--bus uhs-i --reads 170", 104.0, "card bus sd-sdr104"),
        ("--bus uhs-i --reads 95", 95.0, "card label"),
        (
            "--bus UHS-II --reads 300 --link usb2",
            53.248,
            "reader link usb2-bulk",
        ),
        ("--reads 300 --writes 450,110", 110.0, "destination 2"),
        ("--reads 300 --writes 40,400", 40.0, "destination 1"),
    ] {
        let event = planned(&work, flags);
        assert_eq!(event["ceiling_mbps"], json!(mbps), "{flags}: {event}");
        assert_eq!(event["limiting_link"], json!(limiting), "{flags}: {event}");
        // Nobody is told a time that the rate beside it rules out (arithmetic: bytes / ceiling).
        let least_s = event["bytes_to_read"].as_f64().unwrap() / 1e6 / mbps;
        let low_s = event["forecast"]["low_s"].as_f64().unwrap();
        assert!(low_s >= least_s, "{flags}: {low_s} under {least_s}");
    }
    let event = planned(
        &work,
        "--bus uhs-i --reads 170 --link usb3-5g --writes 450,110",
    );
    assert_eq!(
        event["links"],
        json!([
            {"part": "card", "id": "label", "mbps": 170.0, "from": "label"},
            {"part": "card bus", "id": "sd-sdr104", "mbps": 104.0, "from": "table"},
            {"part": "reader link", "id": "usb3-5g", "mbps": 500.0, "from": "table"},
            {"part": "destination 1", "id": "writes", "mbps": 450.0, "from": "label"},
            {"part": "destination 2", "id": "writes", "mbps": 110.0, "from": "label"},
        ])
    );
    assert_eq!(event["usual_mbps"], json!([80.08, 95.992]), "{event}");
    work.run(&format!("plan {TO} --bus uhs-ii --link usb2"))
        .exits(0)
        .says("53.2 MB/s at most, usually 30 to 42; held back by reader link, USB 2.0");
}

/// What a label says and what somebody says of a drive can be exceeded.
#[test]
fn what_was_said_is_no_limit() {
    let work = Work::with_card("said");
    work.run(&format!("plan {TO} --writes 20,40"))
        .exits(0)
        .says("Speed about 20 MB/s, as drive a is said to take")
        .says("expected from that figure")
        .is_silent_of("at most");
    work.run(&format!("plan {TO} --reads 90"))
        .exits(0)
        .says("about 90 MB/s, usually")
        .says("by the card's label");
}

#[test]
fn a_card_that_was_only_read_again_took_the_time_of_that() {
    let work = Work::with_card("only-reread");
    work.run(&format!("copy {TO}")).exits(0);
    work.run(&format!("copy {TO} --proof reread"))
        .exits(0)
        .says("s to read the card and compare it, nothing had to be copied")
        .is_silent_of("0.00 s, the card was read");
}

#[test]
fn nothing_known_is_nothing_said() {
    let work = Work::with_card("no-ceiling");
    let event = planned(&work, "");
    for field in ["ceiling_mbps", "usual_mbps", "limiting_link"] {
        assert_eq!(event[field], Value::Null, "{field}");
    }
    assert_eq!(event["links"], json!([]));
    work.run(&format!("plan {TO}"))
        .exits(0)
        .is_silent_of("at most");
}

#[test]
fn wrong_speeds_are_refused_with_what_is_like_them() {
    let work = Work::with_card("wrong-speed");
    for (flags, says) in [
        (
            "--bus uhs-9",
            "Did you mean `uhs-1`? `--bus list` shows all.",
        ),
        ("--bus usb2-bulk", "is a reader's link, not a card's bus"),
        ("--link sd-sdr104", "`--link list` shows all."),
        ("--reads fast", "--reads"),
        ("--reads 0", "--reads"),
        ("--reads -5", "above zero"),
        ("--writes 40", "one rate for each --to"),
        ("--writes 40,50,60", "2, not 3"),
        ("--writes 40,x", "`x`"),
    ] {
        for command in ["plan", "copy"] {
            let ran = work.run(&format!("{command} {TO} {flags}"));
            ran.exits(2).says(says);
        }
    }
    assert!(!work.path("a/KITES").exists());
}

/// 104 MB/s are four wires at 208 MHz (SD Association, UHS-I SDR104), 500 MB/s are 5 Gb/s in 8b/10b
/// (USB 3.2 Specification).
#[test]
fn the_ids_of_a_flag_are_listed_without_anything_else() {
    let work = Work::new("ids");
    for command in [
        "copy",
        "plan card",
        "rate",
        "kit add card",
        "kit add reader",
    ] {
        let ran = work.run_short(&format!("{command} --bus list"));
        ran.exits(0).says("uhs-i (sd-sdr104)");
        let line = ran.out.lines().find(|line| line.contains("uhs-i ("));
        assert!(line.unwrap().ends_with("  104 MB/s  UHS-I"), "{ran}");
        assert!(ran.out.lines().all(|line| line.len() <= 80), "{ran}");
        assert_eq!(ran.err, "");
    }
    for command in ["copy", "rate card", "kit add reader blue"] {
        let ran = work.run_short(&format!("{command} --link=list --json"));
        let all = ran.exits(0).events();
        assert_eq!((all.len(), &all[0]["event"]), (1, &json!("ids")), "{ran}");
        let ids = all[0]["ids"].as_array().unwrap();
        let usb = ids.iter().find(|id| id["id"] == "usb3-5g").unwrap();
        assert_eq!(usb["mbps"], 500.0);
        assert_eq!(usb["also"][0], "usb3");
        assert!(ids.iter().all(|id| id["id"] != "sd-sdr104"), "{ran}");
    }
    work.run_short("kit add card A1 --link list").exits(2);
    assert!(tree(&work.path("home")).is_empty(), "nothing was written");
}

#[test]
fn a_copy_records_its_links() {
    let work = Work::with_card("links");
    let flags = "--bus uhs-ii --reads 300 --link usb3-5g";
    let ran = work.run(&format!("copy {TO} --json {flags}"));
    ran.exits(0);
    let said = planned(&work, flags);
    let manifest = manifest(&work.path("a/KITES"));
    let links = manifest["links"].as_array().unwrap();
    let stated = said["links"].as_array().unwrap();
    assert_eq!(links[..stated.len()], stated[..]);
    assert_eq!(links[0]["id"], "label");
    let tick = ran.events().into_iter().rfind(|e| e["event"] == "tick");
    let tick = tick.unwrap();
    assert_eq!(tick["ceiling_mbps"], 300.0);
    assert_eq!(tick["links"].as_array().unwrap().len(), links.len());
    // On a real disk it is the card's side or a drive, as the machine pleases; never nothing.
    let limiting = manifest["limiting_link"].as_str().unwrap();
    assert!(
        ["card label", "card", "destination 1", "destination 2"].contains(&limiting),
        "{limiting}"
    );
    work.run("verify a/KITES").exits(0);
}

#[test]
fn the_flags_change_no_copy_and_no_verdict() {
    let work = Work::with_card("speed-only");
    work.run(&format!("copy {TO} --reads 1 --bus sd-ds --writes 1,1"))
        .exits(0)
        .says("PROVEN");
    let plain = Work::with_card("speed-none");
    plain.run(&format!("copy {TO}")).exits(0);
    let files = |w: &Work| manifest(&w.path("a/KITES"))["totals"].clone();
    assert_eq!(files(&work), files(&plain));
}

// ---- what the system tells --------------------------------------------------------------------

fn usb(names: &[(&str, f64)]) -> DeviceInfo {
    let device = |(name, megabits): &(&str, f64)| UsbDevice {
        name: (*name).to_owned(),
        megabits: Some(*megabits),
        lanes: 1,
        release: Some(if *megabits > 480.0 { 320 } else { 210 }),
        is_root: name.starts_with("usb"),
        ..UsbDevice::default()
    };
    DeviceInfo {
        usb: names.iter().map(device).collect(),
        ..DeviceInfo::default()
    }
}

struct Rig {
    sim: Sim,
    job: Job,
}

impl Rig {
    fn new(chain: Chain) -> Self {
        let sim = Sim::default();
        let stamp = Stamp {
            seconds: 1_795_600_000,
            nanos: 0,
        };
        let clip = vec![7; 20_000];
        sim.add_card(
            "/card",
            &[("DCIM/100KITES/KITE0001.MOV", clip, stamp)],
            &["DCIM", "DCIM/100KITES"],
        );
        for drive in ["/a", "/b"] {
            sim.add_volume(drive, "ext4", 1 << 30);
        }
        let job = Job {
            chain,
            ..job("/card", &["/a", "/b"])
        };
        Self { sim, job }
    }

    fn tools(&self) -> Tools {
        tools(self.sim.clone())
    }

    fn plan(&self) -> Plan {
        run::prepare(&self.job, &self.tools(), &mut Silent).unwrap()
    }

    fn limiting(&self) -> Option<String> {
        self.plan().estimate.ceiling.limiting().map(Link::name)
    }

    fn copy(&self, eyes: &mut dyn Observer) -> Proof {
        truth::offload(&self.sim, self.plan(), &self.tools(), eyes).unwrap()
    }
}

fn uhs_ii() -> Chain {
    Chain {
        card: CardSpeed {
            reads: Some(MegabytesPerS(300.0)),
            bus: find("uhs-ii"),
        },
        ..Chain::default()
    }
}

#[derive(Default)]
struct Ticks(Vec<(String, Vec<Link>)>);

impl Observer for Ticks {
    fn event(&mut self, event: &Event<'_>) {
        if let Event::Tick(s) = event {
            self.0.push((s.limiting.to_string(), s.links.clone()));
        }
    }
}

#[test]
fn a_reader_on_a_slow_port_is_named_from_plan_to_manifest() {
    let rig = Rig::new(uhs_ii());
    assert_eq!(rig.limiting().unwrap(), "card label");
    rig.sim.set_device_info(
        "/card",
        usb(&[("1-2.1", 480.0), ("1-2", 480.0), ("usb1", 480.0)]),
    );
    let plan = rig.plan();
    assert_eq!(plan.estimate.ceiling.mbps(), Some(MegabytesPerS(53.248)));
    assert_eq!(rig.limiting().unwrap(), "reader port usb2-bulk");
    assert!(
        plan.estimate
            .ceiling
            .notes()
            .iter()
            .any(|n| n.contains("USB 3 one on a USB 2 path")),
        "{:?}",
        plan.estimate.ceiling.notes()
    );
    let mut ticks = Ticks::default();
    let proof = rig.copy(&mut ticks);
    assert!(proof.verdict().is_proven());
    let (limiting, links) = ticks.0.last().unwrap();
    assert_eq!(limiting, "reader port usb2-bulk");
    assert_eq!(links, plan.estimate.ceiling.links());
    let manifest = unlade::proof::to_manifest::manifest_of(&proof, "sim");
    assert_eq!(manifest.limiting_link, "reader port usb2-bulk");
    let port = manifest
        .links
        .iter()
        .find(|l| l.part == "reader port")
        .unwrap();
    assert_eq!(
        (port.id.as_str(), port.from.as_str()),
        ("usb2-bulk", "detected")
    );
}

#[test]
fn a_hub_that_card_and_drives_share_is_named() {
    let rig = Rig::new(uhs_ii());
    rig.sim
        .set_device_info("/card", usb(&[("2-1.1", 5_000.0), ("2-1", 5_000.0)]));
    rig.sim
        .set_device_info("/a", usb(&[("2-1.2", 5_000.0), ("2-1", 5_000.0)]));
    assert_eq!(rig.limiting().unwrap(), "hub usb3-5g");
    rig.sim.set_device_info("/a", usb(&[("2-2", 5_000.0)]));
    assert_eq!(rig.limiting().unwrap(), "card label");
    rig.sim.set_device_info("/b", usb(&[("1-3", 480.0)]));
    assert_eq!(rig.limiting().unwrap(), "destination 2 port usb2-bulk");
}

#[test]
fn two_cards_at_once_share_what_they_hang_on() {
    let rig = Rig::new(uhs_ii());
    let stamp = Stamp {
        seconds: 1_795_600_000,
        nanos: 0,
    };
    rig.sim
        .add_card("/card2", &[("A.MOV", vec![1; 100], stamp)], &[]);
    rig.sim
        .set_device_info("/card", usb(&[("2-1.1", 5_000.0), ("2-1", 5_000.0)]));
    rig.sim
        .set_device_info("/card2", usb(&[("2-1.2", 5_000.0), ("2-1", 5_000.0)]));
    let mut second = rig.job.clone();
    second.card = "/card2".into();
    second.name = Some("KITES-2".into());
    let found = run::look_together(&[rig.job.clone(), second], Aim::Given, &rig.tools());
    assert!(found.order.is_parallel(), "{}", found.order.why);
    assert_eq!(found.at_once.len(), 2);
    let mut first = Rig::new(uhs_ii());
    first.sim = rig.sim.clone();
    first.job.chain.other_cards.clone_from(&found.at_once[0]);
    assert_eq!(
        first.plan().estimate.ceiling.mbps(),
        Some(MegabytesPerS(250.0))
    );
    assert_eq!(first.limiting().unwrap(), "hub usb3-5g");
    // The forecast knows that the other card is done before this one, and what this one does then.
    first.job.beside = found.beside[0].clone();
    let companion = first.plan().estimate.prior.companion.unwrap();
    assert_eq!(companion.bytes_left, 100);
    assert!(companion.alone_mbps > first.plan().estimate.prior.rate.unwrap().mbps);
    found.beside[1].end();
    let alone = first.plan();
    assert_eq!(alone.estimate.ceiling.mbps(), Some(MegabytesPerS(300.0)));
    assert_eq!(alone.estimate.prior.companion, None);
    // And it tells the other how far it is, until it has read all.
    assert_ne!(found.beside[1].other_left(), Some(0));
    first.copy(&mut Silent);
    assert_eq!(found.beside[1].other_left(), Some(0));
}

#[test]
fn what_rate_measured_is_what_plan_expects() {
    let mut rig = Rig::new(uhs_ii());
    rig.job.known.card = Some("A1".to_owned());
    rig.job.known.reader = Some("blue".to_owned());
    let before = rig.plan();
    assert_eq!(
        before.estimate.ceiling.limiting().unwrap().name(),
        "card label"
    );
    let mut card = CardIdentity::of(&before.card.facts, "OTHER", &before.listing);
    card.name = Some("A1".to_owned());
    let at = jiff::Timestamp::from_second(1_795_600_000).unwrap();
    let mut entry = LedgerEntry {
        reader: Some("blue".to_owned()),
        reading: Some(ReadStats {
            bytes: 2_000_000_000,
            files: 20,
            took_s: 20.0,
            read_bytes_per_s: Some(95e6),
            learned_mbps: None,
            learned_file_s: None,
        }),
        ..LedgerEntry::new(Deed::Rate, at, card)
    };
    let remember = |rig: &mut Rig, entry: &LedgerEntry| {
        let mut ledger = Ledger::default();
        ledger.entries.push(entry.clone());
        rig.job.known.ledger = Arc::new(ledger);
    };
    remember(&mut rig, &entry);
    let plan = rig.plan();
    let limiting = plan.estimate.ceiling.limiting().unwrap();
    assert_eq!(limiting.name(), "card and reader measured");
    let rate = plan.estimate.prior.rate.unwrap();
    assert!((rate.mbps - 95.0).abs() < 0.1, "{rate:?}");
    assert_eq!(rate.source, RateSource::Ceiling, "not of this chain yet");
    // In another reader it says nothing.
    entry.reader = Some("old".to_owned());
    remember(&mut rig, &entry);
    assert_eq!(rig.limiting().unwrap(), "card label");
    // Nor over a port that does not allow it, even if these very drives were reached.
    entry.reader = Some("blue".to_owned());
    if let Some(reading) = &mut entry.reading {
        reading.learned_mbps = Some(95.0);
    }
    let places = before.destinations.iter().map(|d| CopyLocation {
        drive: None,
        path: "/x".to_owned(),
        filesystem: "ext4".to_owned(),
        volume_id: d.facts.volume_id.clone(),
        complete: true,
    });
    entry.places = places.collect();
    remember(&mut rig, &entry);
    assert_eq!(
        rig.plan().estimate.prior.rate.unwrap().source,
        RateSource::History
    );
    rig.job.chain.reader.link = find("usb2-bulk");
    let slow = rig.plan();
    let limiting = slow.estimate.ceiling.limiting().unwrap();
    assert_eq!(limiting.name(), "reader link usb2-bulk");
    let rate = slow.estimate.prior.rate.unwrap();
    assert!(
        rate.source == RateSource::Ceiling && rate.mbps < 53.3,
        "{rate:?}"
    );
}

#[test]
fn two_cards_in_one_reader_share_its_link() {
    let mut rig = Rig::new(uhs_ii());
    let stamp = Stamp {
        seconds: 1_795_600_000,
        nanos: 0,
    };
    rig.sim
        .add_card("/card2", &[("A.MOV", vec![1; 100], stamp)], &[]);
    rig.job.chain.reader.link = find("usb2-bulk");
    rig.job.known.reader = Some("blue".to_owned());
    let alone = rig.plan().estimate.ceiling.mbps().unwrap().0;
    let mut second = rig.job.clone();
    second.card = "/card2".into();
    second.name = Some("KITES-2".into());
    let sharing = |rig: &Rig, second: &Job| {
        run::look_together(&[rig.job.clone(), second.clone()], Aim::Given, &rig.tools()).in_reader
    };
    assert_eq!(sharing(&rig, &second), [2, 2]);
    rig.job.chain.reader.cards_at_once = 2;
    let each = rig.plan().estimate.ceiling.mbps().unwrap().0;
    assert!((each - alone / 2.0).abs() < 0.01, "{each} of {alone}");
    rig.job.chain.reader.cards_at_once = 0;
    // The system shows two readers, or the person names another one.
    rig.sim.set_device_info("/card", usb(&[("2-1", 480.0)]));
    rig.sim.set_device_info("/card2", usb(&[("2-2", 480.0)]));
    assert_eq!(sharing(&rig, &second), [1, 1]);
    rig.sim.set_device_info("/card2", usb(&[("2-1", 480.0)]));
    assert_eq!(sharing(&rig, &second), [2, 2]);
    second.known.reader = Some("other".to_owned());
    assert_eq!(sharing(&rig, &second), [1, 1]);
}

#[test]
fn two_cards_at_once_share_what_a_drive_writes() {
    let mut rig = Rig::new(Chain {
        other_cards: vec![vec![]],
        drives: vec![DriveSpeed {
            writes: Some(Figure::label(MegabytesPerS(200.0))),
            ..DriveSpeed::default()
        }],
        ..uhs_ii()
    });
    rig.job.beside = Beside::of(&[vec![0], vec![1]], &[100, 1_000_000])[0].clone();
    let plan = rig.plan();
    assert_eq!(rig.limiting().unwrap(), "destination 1");
    assert_eq!(plan.estimate.ceiling.mbps(), Some(MegabytesPerS(100.0)));
    let companion = plan.estimate.prior.companion.unwrap();
    let ratio = companion.alone_mbps / plan.estimate.prior.rate.unwrap().mbps;
    assert!((ratio - 2.0).abs() < 0.01, "{ratio}");
}

#[test]
fn a_cards_class_is_no_read_rate() {
    let with = |status: &str| {
        let rig = Rig::new(uhs_ii());
        let slot = Slot {
            name: "mmc0".into(),
            is_sd: true,
            status: SdStatus::from_hex(&format!("{status:0<128}")),
            ..Slot::default()
        };
        assert!(slot.status.is_some());
        rig.sim.set_device_info(
            "/card",
            DeviceInfo {
                slot: Some(slot),
                ..DeviceInfo::default()
            },
        );
        rig.plan().estimate.ceiling.links().to_vec()
    };
    // V30 and V90 of fixtures/sd-status.csv.
    assert_eq!(
        with("8000000005000000040090000f05391e0008000000021f0003000000"),
        with("8000000000000000040090000000395a0020")
    );
}

#[test]
fn a_card_far_below_or_above_its_links_is_told_with_the_verdict() {
    // 130 MB from a folder in memory or on a fast disk: far above USB 1, whatever machine this is.
    let work = Work::new("compare");
    work.folder("a");
    work.folder("b");
    Card::new(&work.path("card")).file("DCIM/100KITES/KITE0001.MOV", 130_000_000, 5);
    let ran = work.run(&format!("copy {TO} --link usb1-bulk"));
    ran.exits(0)
        .says("cannot be right")
        .says("reader link, USB 1");
    assert_eq!(
        manifest(&work.path("a/KITES"))["verdict"]["proven"],
        Value::Bool(true)
    );
}
