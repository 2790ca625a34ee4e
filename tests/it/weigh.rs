//! `weigh` as it is called: figures, assumptions, refusals.

use crate::support::program::Work;

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
