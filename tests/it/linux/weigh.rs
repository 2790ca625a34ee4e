//! `weigh` as it is called: figures, assumptions, refusals.

use crate::support::program::{Work, put};

#[test]
fn footage_is_reckoned_in_decimal_units_and_says_what_it_assumed() {
    let work = Work::new("weigh-footage");
    // Plain arithmetic, IEC 80000-13 units: 128e9 x 8 / 100e6 = 10,240 s.
    work.run("weigh footage --at 100Mb/s --room 128GB --class V30")
        .exits(0)
        .says("100 Mb/s = 12.5 MB/s")
        .says("170.7 min")
        .says("V30 guarantees 30 MB/s of writing, 12.5 MB/s are needed: sustained")
        .says("Assumed");
    work.run("weigh footage --at 400Mb/s --room 256GB")
        .exits(0)
        .says("85.3 min");
    // SD Association: V60 guarantees 60 MB/s; 600 Mb/s are 75.
    work.run("weigh footage --at 600Mb/s --class V60")
        .exits(0)
        .says("NOT sustained")
        .says("V90 would");
}

/// What is taken for granted is read beside the answer: a few lines, at the width of a terminal.
#[test]
fn what_is_assumed_has_six_lines_at_most() {
    let work = Work::new("weigh-assumed");
    work.folder("h");
    put(
        &work.path("h/kit.toml"),
        b"[[drive]]\nname = \"Disk\"\nwrites = 110\nspins = true\n\n[[drive]]\nname = \"Stick\"\n\
        writes = 300\nspins = false\n",
    );
    for question in [
        "footage --at 400Mb/s --room 128GB --class V30",
        "burst --fps 20 --frame 50MB --frames 90 --writes 250",
        "upgrade --offload 220GB --per-year 40 --reader 90 --new-reader 250 --price 60",
        "upgrade --offload 220GB --per-year 40 --reader 90 --drives Disk,Stick --new-reader 250 \
        --price 60 --home h",
    ] {
        let ran = work.run(&format!("weigh {question}"));
        let assumed = ran.exits(0).out.split("Assumed").nth(1).unwrap();
        assert!((2..=6).contains(&assumed.lines().count()), "{ran}");
    }
}

#[test]
fn a_guarantee_is_held_against_the_peaks() {
    let work = Work::new("weigh-narrow");
    // SD Association: V30 guarantees 30 MB/s, which 240 Mb/s need to the last byte. Common
    // practice, no source: what a camera states is often an average.
    work.run("weigh footage --at 240Mb/s --class V30")
        .exits(0)
        .says("sustained, 1.00 times over. That is a small margin: if the bit rate is an average")
        .says("the class goes by the peak bit rate");
    work.run("weigh footage --at 100Mb/s --class V30")
        .exits(0)
        .says("sustained, 2.4 times over.")
        .is_silent_of("small margin");
    let event = &work
        .run("weigh footage --at 239Mb/s --class V30 --json")
        .exits(0)
        .events()[0];
    assert_eq!(event["small_margin"], true);
    assert_eq!(event["times"], 1.004);
}

#[test]
fn what_no_camera_does_is_refused_and_the_rest_agrees_with_itself() {
    let work = Work::new("weigh-limits");
    for (arguments, told) in [
        ("footage --at 1B/s --room 800000TB", "at least 1kB/s"),
        ("footage --at 101GB/s --room 1TB", "at most 100GB/s"),
        ("footage --at 100Mb/s --room 1001TB", "at most 1 PB"),
        (
            "burst --fps 9 --frame 2TB --buffer 2GB --writes 90",
            "1TB at most",
        ),
        (
            "burst --fps 9 --frame 50MB --buffer 2TB --writes 90",
            "1TB at most",
        ),
        (
            "upgrade --offload 1001TB --reader 90 --new-reader 300",
            "at most 1 PB",
        ),
        (
            "upgrade --offload 1TB --reader 90 --new-reader 300000",
            "at most 100GB/s",
        ),
    ] {
        work.run(&format!("weigh {arguments}")).exits(2).says(told);
    }
    // The longest that can be asked for: 10^12 s, the same in minutes and in hours.
    work.run("weigh footage --at 1kB/s --room 1000TB")
        .exits(0)
        .says("8 kb/s = 1.0 kB/s")
        .says("hold 16666666666.7 min of it (277,777,777 h 47 min)");
    // 128 GB at 35 Mb/s: 487.6 min by plain arithmetic in IEC 80000-13's units.
    work.run("weigh footage --at 35Mb/s --room 128GB")
        .exits(0)
        .says("487.6 min of it (8 h 08 min)");
    work.run("weigh footage --at 35Mb/s --room 1B")
        .exits(0)
        .says("1 byte holds 0.0 min");
    work.run("weigh burst --fps 1 --frame 50MB --writes 90 --frames 1")
        .exits(0)
        .says("1 frame a second of 50.0 MB")
        .says("1 frame takes 1.0 s; it is on the card 0.0 s after that");
}

#[test]
fn two_cards_that_record_the_same_run_at_the_slower_one() {
    // Common practice, no source.
    let work = Work::new("weigh-two");
    let ran = work.run("weigh footage --at 600Mb/s --room 256GB,128GB --class V90,V30 --json");
    let events = ran.exits(0).events();
    assert_eq!(events.len(), 1);
    assert_eq!(events[0]["event"], "weighed");
    assert_eq!(events[0]["capacity_bytes"], 128_000_000_000_u64);
    assert_eq!(events[0]["class"], "V30");
    assert_eq!(events[0]["sustained"], false);
    let ran = work.run("weigh burst --fps 20 --frame 50MB --buffer 2GB --writes 250,90 --json");
    let events = ran.exits(0).events();
    assert_eq!(events[0]["writes_bytes_per_s"], 90e6);
}

#[test]
fn a_mounted_card_gives_its_own_capacity() {
    let work = Work::with_card("weigh-mounted");
    let ran = work.run("weigh footage --at 100Mb/s --card card --json");
    let events = ran.exits(0).events();
    let room = rustix::fs::statvfs(work.path("card").as_path()).unwrap();
    assert_eq!(events[0]["capacity_bytes"], room.f_blocks * room.f_frsize);
    work.run("weigh footage --at 100Mb/s --card nowhere")
        .exits(3)
        .says("could not be looked at");
}

#[test]
fn a_burst_stalls_when_the_buffer_is_full() {
    let work = Work::new("weigh-burst");
    work.run("weigh burst --fps 20 --frame 50MB --buffer 2GB --writes 250")
        .exits(0)
        .says("after 53 frames (2.7 s)")
        .says("8.0 s after the last frame");
    work.run("weigh burst --fps 5 --frame 50MB --buffer 2GB --writes 250")
        .exits(0)
        .says("never");
}

#[test]
fn bits_and_bytes_are_never_guessed() {
    let work = Work::new("weigh-units");
    for (arguments, told) in [
        ("weigh footage --at 100 --room 128GB", "megabits"),
        ("weigh footage --at 100mb/s --room 128GB", "megabits"),
        ("weigh footage --at 100Mb/s --room 128Gb", "in bits"),
        ("weigh footage --at 100Mb/s --room 128", "no unit"),
        (
            "weigh footage --at 100Mb/s --class 170",
            "how fast it reads",
        ),
        ("weigh footage --at 0Mb/s --room 128GB", "above zero"),
        ("weigh footage --at 100Mb/s", "required"),
        (
            "weigh burst --fps 0 --frame 50MB --writes 9 --frames 2",
            "0.01",
        ),
        ("weigh burst --fps 9 --frame 50MB --writes 9", "required"),
        (
            "weigh burst --fps 9 --frame 50MB/s --writes 9 --frames 2",
            "is a rate",
        ),
        ("weigh", "footage"),
    ] {
        work.run(arguments).exits(2).says(told);
    }
}

/// 40 offloads of 220 GB; the old reader gives 90 MB/s, the new one 250 for 60, the drive 110.
const READER: &str = "weigh upgrade --offload 220GB --per-year 40 --card 300 --reader 90 --drives \
    110/115 --new-reader 250 --price 60";

#[test]
fn a_reader_is_weighed_with_the_disk_that_takes_over() {
    let work = Work::new("weigh-reader");
    // Reckoned by hand: 220e9 x (1/90e6 - 1/110e6) = 444 s = 7.4 min; x 40 = 4.94 h; 60 / 4.94 =
    // 12.15.
    work.run(READER)
        .exits(0)
        .says(
            "Saves if the drives do not spin: 7.4 min for each offload of 220.0 GB if they spin: \
            0.0 min",
        )
        .says("A year if the drives do not spin: 4.9 h in 40 offloads if they spin: 0.0 h")
        .says(
            "Price if the drives do not spin: 12.2 for each hour saved in the first year if they \
            spin: 60, and next to no time is saved",
        )
        .says(
            "by its own figures alone (250 MB/s instead of 90.0 MB/s) it would be 26.1 min of \
            copying; but then drive 1 takes over; if the drives spin, drive 1 sets the time before \
            and after",
        )
        .says("if they spin: it would not help: drive 1 holds the copy back before and after.")
        .says(
            "read back afterwards, which unlade does not do, it saves 7.4 min of copying and 0.0 \
            min of read-back",
        )
        .says("Drives nobody has said whether they spin")
        .says("Assumed");
    let event = &work.run(&format!("{READER} --json")).exits(0).events()[0];
    assert_eq!(event["event"], "weighed");
    assert_eq!(event["saved"]["copy_s"], 444.444);
    assert_eq!(event["saved"]["a_year_h"], 4.938);
    assert_eq!(event["price_per_saved_hour"], 12.15);
    assert_eq!(event["then"]["limiting_link"], "drive 1");
    // 220e9 x (1/110e6 + 1/115e6) = 3,913 s on a disk that does the two in turns, whatever the
    // reader.
    assert_eq!(event["basis"], "not-spinning");
    assert_eq!(event["if_not_spinning"]["price_per_saved_hour"], 12.15);
    assert_eq!(event["if_spinning"]["now_s"], 3_913.043);
    assert_eq!(event["if_spinning"]["helps"], false);
    assert!(event["if_spinning"]["price_per_saved_hour"].is_null());
}

#[test]
fn the_kit_tells_whether_a_drive_spins() {
    let work = Work::new("weigh-spins");
    work.run("kit add drive Disk --writes 110 --reads 115 --spins yes --home h")
        .exits(0);
    work.run("kit add drive Flash --writes 110 --reads 115 --spins no --home h")
        .exits(0);
    let ask = |drive: &str| {
        format!(
            "weigh upgrade --offload 220GB --per-year 40 --reader 90 --drives {drive} --new-reader \
            250 --price 60 --home h"
        )
    };
    // The same figures as above, each by itself and without an if.
    work.run(&ask("Disk"))
        .exits(0)
        .says(
            "Then 65.2 min to copy and read back, held back by drive 1 (56.2 MB/s, writing and \
            reading back in turns)",
        )
        .says("Verdict It would not help: drive 1 holds the copy back before and after.")
        .says("Price 60, and next to no time is saved")
        .is_silent_of("for each hour")
        .is_silent_of("if they spin");
    work.run(&ask("Flash"))
        .exits(0)
        .says("Saves 7.4 min for each offload of 220.0 GB")
        .says("Price 12.2 for each hour saved in the first year")
        .is_silent_of("in turns")
        .is_silent_of("if they spin");
    let event = &work
        .run(&format!("{} --json", ask("Disk")))
        .exits(0)
        .events()[0];
    assert_eq!(event["basis"], "spinning");
    assert_eq!(event["saved"]["a_year_h"], 0.0);
    assert!(event["price_per_saved_hour"].is_null() && event["if_spinning"].is_null());
    // No spinning disk takes 400 MB/s (common practice, no source).
    work.run("kit add drive Many --writes 400 --reads 450 --spins yes --home h")
        .exits(0);
    work.run(&ask("Many"))
        .exits(0)
        .says("Saves 26.1 min")
        .says("A drive that takes 400 MB/s counts as one that does not spin");
}

#[test]
fn drives_save_nothing_where_the_reader_sets_the_time() {
    let work = Work::new("weigh-drives");
    let ask = "weigh upgrade --offload 220GB --per-year 40 --reader 90 --drives 400/450 \
        --new-drives 900/1000 --price";
    // 220e9 / 90e6 = 40.7 min, and the copies are read back meanwhile. No spinning disk takes 400
    // MB/s (common practice, no source), so there is one case.
    work.run_with(ask.split(' ').chain(["300 EUR"]))
        .exits(0)
        .says("Then 40.7 min to copy and read back, held back by the reader (90.0 MB/s)")
        .says("It would not help: the reader holds the copy back before and after.")
        .says("300 EUR, and next to no time is saved")
        .says("but the reader sets the time before and after")
        .is_silent_of("for each hour")
        .is_silent_of("if they spin");
    let event = &work.run(&format!("{ask} 300 --json")).exits(0).events()[0];
    assert_eq!(event["helps"], false);
    assert_eq!(event["saved"]["a_year_h"], 0.0);
    assert!(event["price_per_saved_hour"].is_null(), "{event}");
}

#[test]
fn reader_and_drive_together_save_read_back_too() {
    let work = Work::new("weigh-both");
    // 17.4 h of copying and 15.8 h of read-back a year for 210, 6.3 an hour, where the one follows
    // the other. Rolled along on a spinning disk: 220e9 x (1/110e6 + 1/115e6 - 1/250e6) = 3,033 s,
    // x 40 = 33.7 h.
    work.run(
        "weigh upgrade --offload 220GB --per-year 40 --reader 90 --drives 110/115 \
        --new-reader 250 --new-drives 400/450 --price 210",
    )
    .exits(0)
    .says("33.2 h in 40 offloads (17.4 h of copying, 15.8 h of read-back); 6.3 for each hour")
    .says("Then 14.7 min to copy and read back, held back by the reader (250 MB/s)")
    .says("A year if the drives do not spin: 17.4 h in 40 offloads if they spin: 33.7 h")
    .says("if they spin: 6.2 for each hour saved");
}

#[test]
fn what_would_not_help_is_said_plainly() {
    let work = Work::new("weigh-no-help");
    work.run(
        "weigh upgrade --offload 64GB --per-year 9 --card 100 --reader 90 --new-card 300 \
        --price 80",
    )
    .exits(0)
    .says("It would not help: the reader holds the copy back before and after.")
    .says("80, and next to no time is saved");
    work.run("weigh upgrade --offload 64GB --card 300 --new-card 90")
        .exits(0)
        .says("it would be slower")
        .says("Saves nothing: it takes 8.3 min longer");
    // Two readers of the same figures: neither promises anything.
    work.run("weigh upgrade --offload 64GB --card 100 --reader 300 --new-reader 300")
        .exits(0)
        .says("the card holds the copy back before and after")
        .is_silent_of("own figures");
    work.run("weigh upgrade --offload 1B --per-year 1 --reader 90 --new-reader 300 --price 60")
        .exits(0)
        .says("Now less than 0.01 s to copy")
        .says("It would not help: so little is copied that less than half a second is saved.")
        .says("in 1 offload ")
        .is_silent_of("before and after");
    // 1 TB a thousand times: 2,160 h saved.
    work.run(
        "weigh upgrade --offload 1TB --per-year 1000 --reader 90 --new-reader 300 --price 0.01BTC",
    )
    .exits(0)
    .says("0.0000046BTC for each hour");
}

#[test]
fn parts_come_from_the_kit_and_the_link_table() {
    let work = Work::new("weigh-kit");
    for add in [
        "kit add reader blue --bus uhs-ii --link usb3-5g",
        "kit add reader old --bus uhs-i --link usb2",
        "kit add card A1 --reads 170 --bus uhs-i --reader blue",
        "kit add drive Attic --writes 110 --reads 115",
        "kit add drive Bare",
    ] {
        work.run(&format!("{add} --home h")).exits(0);
    }
    // Common practice, no source: a card labelled 170 gives about 165 in its matched reader, and
    // USB 2 gives 30 to 42 whatever the card.
    let event = &work
        .run(
            "weigh upgrade --offload 64GB --card A1 --reader old --new-reader blue --home h --json",
        )
        .exits(0)
        .events()[0];
    let rate = |side: &str| event[side]["bytes_per_s"].as_f64().unwrap() / 1e6;
    assert!((30.0..42.0).contains(&rate("now")), "{event}");
    assert!((150.0..170.0).contains(&rate("then")), "{event}");
    work.run("weigh upgrade --offload 64GB --reader old --drives Attic --new-reader blue --home h")
        .exits(0)
        .says("drive 1");
    for (arguments, told) in [
        ("--card B9 --new-card 300", "there is A1"),
        ("--reader blu --new-reader 300", "there is blue, old"),
        ("--port uhs-i --new-port usb2", "nor a link"),
        ("--card 100Mx/s --new-card 300", "Mb/s for megabits"),
        ("--new-card 300", "needs --card"),
        (
            "--reader 90 --drives Bare --new-reader 250",
            "what drive `Bare` sustains",
        ),
        (
            "--reader 90 --drives 110,400 --new-drives 400",
            "every drive",
        ),
        (
            "--reader 90 --drives 110/x --new-reader 250",
            "WRITES/READS",
        ),
        ("--card 90", "required"),
        ("--card 90 --new-card 250 --price 60", "--per-year"),
    ] {
        work.run(&format!(
            "weigh upgrade --offload 64GB {arguments} --home h"
        ))
        .exits(2)
        .says(told);
    }
}

#[test]
fn what_a_card_gave_in_a_reader_counts_more_than_their_figures() {
    let work = Work::new("weigh-ledger");
    for add in [
        "kit add reader blue --bus uhs-ii --link usb3-5g",
        "kit add reader old --bus uhs-i --link usb3-5g",
        "kit add card A1 --reads 170 --bus uhs-i --reader blue",
    ] {
        work.run(&format!("{add} --home h")).exits(0);
    }
    let line = |reader: &str, rate: f64| {
        serde_json::json!({
            "ledger": 1, "at": "2026-05-23T18:00:00Z", "did": "rate", "proven": false, "copies": 0,
            "card": {
                "label": "KITES_A", "name": "A1", "path": "/media/KITES_A",
                    "listing_b3": "0".repeat(64),
                "files": 10, "bytes": 1_000_000_000_u64,
            },
            "reader": reader,
            "reading": {"bytes": 1_000_000_000_u64, "files": 10, "took_s": 30.0,
                "read_bytes_per_s": rate},
        })
        .to_string()
    };
    let lines = [line("old", 61e6), line("blue", 150e6)].join("\n");
    put(
        &work.path("h/ledger.jsonl"),
        format!("{lines}\n").as_bytes(),
    );
    let ask = "weigh upgrade --offload 64GB --card A1 --reader old --new-reader blue --home h";
    let event = &work.run(&format!("{ask} --json")).exits(0).events()[0];
    assert_eq!(event["now"]["bytes_per_s"], 61e6, "{event}");
    assert_eq!(event["then"]["bytes_per_s"], 150e6, "{event}");
    work.run(ask)
        .exits(0)
        .says(
            "Card `A1` in reader `old` counts with the 61.0 MB/s that it gave there, measured 1 \
            time",
        )
        .says("held back by the card `A1` in reader `blue` (150")
        .says("MB/s instead of the measured 61.0 MB/s) it would be")
        .says("but then the card `A1` in reader `blue` takes over");
    // Measured with the port as it is, it says nothing of another one.
    let other_port = "weigh upgrade --offload 64GB --card A1 --reader old --port usb2 --new-port \
        usb3-5g --home h --json";
    let event = &work.run(other_port).exits(0).events()[0];
    let then = event["then"]["bytes_per_s"].as_f64().unwrap() / 1e6;
    assert!(
        (80.0..104.0).contains(&then),
        "UHS-I's own figures: {event}"
    );
    let event = &work
        .run(&format!("{ask} --no-ledger --json"))
        .exits(0)
        .events()[0];
    let now = event["now"]["bytes_per_s"].as_f64().unwrap() / 1e6;
    assert!((80.0..104.0).contains(&now), "{event}");
}
