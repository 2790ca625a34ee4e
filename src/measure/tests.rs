//! A measurement against a made-up disk whose speed is known.

use super::*;
use crate::disk::backing::Backing;
use crate::disk::{EntryKind, Journal, PartFile, Source, Stamp, Stat, TreeKind, WalkEntry};
use jiff::Timestamp;
use std::sync::atomic::AtomicBool;
use std::sync::{Arc, Mutex};

/// A clock that only the disk turns.
#[derive(Debug, Default)]
struct Hand(Mutex<Duration>);

impl Clock for Hand {
    fn elapsed(&self) -> Duration {
        *self.0.lock().unwrap()
    }
    fn now(&self) -> Timestamp {
        Timestamp::UNIX_EPOCH
    }
    fn today(&self) -> String {
        "20261125".into()
    }
    fn sleep(&self, time: Duration) {
        *self.0.lock().unwrap() += time;
    }
}

/// A card that gives so many MB/s at each moment, and fails on some files.
#[derive(Debug)]
struct Slow {
    clock: Arc<Hand>,
    files: Vec<(&'static str, u64)>,
    mbps: fn(f64) -> f64,
    way: ReadBackWay,
    broken: &'static str,
    opened: Mutex<Vec<String>>,
}

#[derive(Debug)]
struct SlowFile {
    clock: Arc<Hand>,
    bytes: u64,
    mbps: fn(f64) -> f64,
    way: ReadBackWay,
}

impl Source for SlowFile {
    fn read_at(&mut self, into: &mut [u8], offset: u64) -> io::Result<usize> {
        assert!(offset.is_multiple_of(len64(ALIGN)) && into.len().is_multiple_of(ALIGN));
        let n = len64(into.len()).min(self.bytes.saturating_sub(offset));
        let rate = (self.mbps)(self.clock.elapsed().as_secs_f64()) * 1e6;
        self.clock.sleep(Duration::from_secs_f64(float(n) / rate));
        Ok(len_usize(n))
    }
    fn expect(&self, _: u64, _: u64) {}
    fn forget(&self, _: u64) {}
    fn stat(&self) -> io::Result<Stat> {
        Err(io::ErrorKind::Unsupported.into())
    }
    fn way(&self) -> ReadBackWay {
        self.way
    }
}

fn never<T>() -> io::Result<T> {
    panic!("a measurement writes nothing and opens a card in one way only");
}

impl Disk for Slow {
    fn walk(&self, _: &Utf8Path, tree: TreeKind) -> io::Result<Vec<WalkEntry>> {
        assert_eq!(tree, TreeKind::Card);
        let found = |(path, bytes): &(&str, u64)| WalkEntry {
            path: path.into(),
            stat: Ok(Stat {
                kind: EntryKind::File,
                bytes: *bytes,
                modified: Stamp {
                    seconds: 1,
                    nanos: 0,
                },
                device: 1,
                inode: 1,
                changed: Stamp {
                    seconds: 1,
                    nanos: 0,
                },
            }),
        };
        Ok(self.files.iter().map(found).collect())
    }
    fn facts(&self, _: &Utf8Path) -> io::Result<FolderFacts> {
        never()
    }
    fn look(&self, _: &Utf8Path) -> io::Result<Option<Stat>> {
        never()
    }
    fn open_card(&self, _: &Utf8Path) -> io::Result<Box<dyn Source>> {
        never()
    }
    fn open_read_back(&self, path: &Utf8Path) -> io::Result<Box<dyn Source>> {
        self.opened.lock().unwrap().push(path.to_string());
        let name = path.strip_prefix("/card").unwrap().as_str();
        if !self.broken.is_empty() && name.contains(self.broken) {
            return Err(io::Error::from_raw_os_error(5));
        }
        let bytes = self.files.iter().find(|f| f.0 == name).unwrap().1;
        Ok(Box::new(SlowFile {
            clock: Arc::clone(&self.clock),
            bytes,
            mbps: self.mbps,
            way: self.way,
        }))
    }
    fn read_record(&self, _: &Utf8Path, _: u64) -> io::Result<Vec<u8>> {
        never()
    }
    fn create_folder(&self, _: &Utf8Path) -> io::Result<()> {
        never()
    }
    fn create_part(&self, _: &Utf8Path, _: bool) -> io::Result<Box<dyn PartFile>> {
        never()
    }
    fn replace_chain(&self, _: &Utf8Path, _: &Utf8Path) -> io::Result<()> {
        unreachable!()
    }
    fn rename_new(&self, _: &Utf8Path, _: &Utf8Path) -> io::Result<()> {
        never()
    }
    fn flush(&self, _: &Utf8Path) -> io::Result<()> {
        never()
    }
    fn remove_own(&self, _: &Utf8Path) -> io::Result<()> {
        never()
    }
    fn remove_empty_folder(&self, _: &Utf8Path) -> io::Result<()> {
        never()
    }
    fn open_journal(&self, _: &Utf8Path) -> io::Result<Box<dyn Journal>> {
        never()
    }
}

fn slow(files: &[(&'static str, u64)], mbps: fn(f64) -> f64) -> Slow {
    Slow {
        clock: Arc::default(),
        files: files.to_vec(),
        mbps,
        way: ReadBackWay::Direct,
        broken: "",
        opened: Mutex::default(),
    }
}

fn facts(filesystem: &str) -> FolderFacts {
    FolderFacts {
        canonical: "/card".into(),
        device: 1,
        entry_device: 1,
        inode: 1,
        ancestors: vec![],
        is_mount_root: true,
        filesystem: filesystem.into(),
        volume_id: None,
        label: None,
        total_bytes: 128_000_000_000,
        free_bytes: 0,
        cluster_bytes: 131_072,
        read_only: false,
        backing: Backing::unknown("made up"),
        rotational: None,
        shows_folder: false,
        within: None,
        is_camera_volume: true,
        is_system_volume: false,
        own_disk: None,
        is_own_volume: false,
        hardware: None,
        only_from_memory: None,
        images: Vec::new(),
    }
}

fn run(disk: &Slow, seconds: u64, bytes: u64) -> Result<Measured, MeasureError> {
    let bounds = Bounds {
        time: Duration::from_secs(seconds),
        bytes,
    };
    let clock = Arc::clone(&disk.clock);
    measure(
        Utf8Path::new("/card"),
        &facts("exfat"),
        bounds,
        disk,
        clock.as_ref(),
        &Progress::default(),
    )
}

#[test]
fn a_steady_card_is_measured_to_the_byte() {
    let disk = slow(&[("C0001.MP4", 10_000_000_000), ("KITE.JPG", 7)], |_| 90.0);
    let m = run(&disk, 20, 4_000_000_000).unwrap();
    assert!((m.mean() / 90e6 - 1.0).abs() < 1e-6, "{}", m.mean());
    assert!((m.median() / 90e6 - 1.0).abs() < 1e-6, "{}", m.median());
    assert!((19.9..20.1).contains(&m.took_s), "{}", m.took_s);
    assert!(m.doubts().is_empty(), "{:?}", m.doubts());
    // Common practice, no source: a 27 GB clip takes 4 min 48 s at about 92 MB/s; here at 90 MB/s 5
    // min.
    assert!((m.seconds_for(27_000_000_000).unwrap() - 300.0).abs() < 0.1);
    assert_eq!((m.used_files, m.used_bytes), (2, 10_000_000_007));
    assert_eq!(m.capacity_bytes, 128_000_000_000);
    assert!(!m.is_whole());
}

#[test]
fn a_clip_takes_what_the_trade_says() {
    // Common practice, no source: 27 GB take 4 min 48 s at about 92 MB/s, 2 min 40 s at 165, 1 min
    // 40 s at 263; within 3 %.
    let told = |rate| {
        let disk = slow(&[("C0001.MP4", 27_000_000_000)], rate);
        let measured = run(&disk, 10, 4_000_000_000).unwrap();
        measured.seconds_for(27_000_000_000).unwrap()
    };
    let close = |got: f64, want: f64| assert!((got / want - 1.0).abs() < 0.03, "{got} {want}");
    close(told(|_| 92.0), 288.0);
    close(told(|_| 165.0), 160.0);
    close(told(|_| 263.0), 100.0);
}

#[test]
fn the_worst_second_is_found_and_the_median_is_not_moved_by_it() {
    let dip = |t: f64| if (5.0..6.0).contains(&t) { 12.0 } else { 100.0 };
    let disk = slow(&[("C0001.MP4", 10_000_000_000)], dip);
    let m = run(&disk, 12, 4_000_000_000).unwrap();
    let (at, worst) = m.worst().unwrap();
    assert!(at == 5 && worst < 20e6, "{at} {worst}");
    assert!((m.median() / 100e6 - 1.0).abs() < 0.01, "{}", m.median());
    assert!(m.mean() < 95e6);
}

#[test]
fn both_bounds_hold_and_a_small_card_is_read_whole() {
    let disk = slow(&[("C0001.MP4", 10_000_000_000)], |_| 100.0);
    let m = run(&disk, 600, 1_000_000_000).unwrap();
    assert!(m.bytes >= 1_000_000_000 && m.bytes < 1_000_000_000 + len64(ALIGN));
    let disk = slow(&[("a", 5_000_001), ("b", 3)], |_| 100.0);
    let m = run(&disk, 20, 4_000_000_000).unwrap();
    assert!(m.is_whole() && m.files == 2, "{m:?}");
    assert_eq!(m.doubts(), [Doubt::Small]);
    assert!((m.median() - m.mean()).abs() < 1.0, "no whole second");
    // A bound above the cap is the cap.
    let disk = slow(&[("C0001.MP4", 9_000_000_000_000_000)], |_| 1.0);
    let m = run(&disk, u64::MAX, u64::MAX).unwrap();
    assert!(m.took_s < float(SECONDS_MAX) + 5.0, "{}", m.took_s);
    assert!(len64(m.every_second.len()) <= SECONDS_MAX + 6);
}

#[test]
fn files_that_cannot_be_read_are_told_and_a_failing_card_is_let_go() {
    let mut disk = slow(
        &[("good.MP4", 1_000_000_000), ("bad.JPG", 9_000_000)],
        |_| 100.0,
    );
    disk.broken = "bad";
    let m = run(&disk, 30, 4_000_000_000).unwrap();
    assert_eq!(m.bytes, 1_000_000_000);
    assert!(
        m.troubles[0].contains("bad.JPG") && m.troubles.len() == 1,
        "{m:?}"
    );
    assert_eq!(m.doubts(), [Doubt::Troubles]);
    let names: [&str; 20] = std::array::from_fn(|n| &"bad00000000000000000000"[..n + 4]);
    let all: Vec<(&'static str, u64)> = names.iter().map(|n| (*n, 70_000_000)).collect();
    let mut disk = slow(&all, |_| 100.0);
    disk.broken = "bad";
    let error = run(&disk, 30, 4_000_000_000).unwrap_err();
    assert!(
        matches!(&error, MeasureError::Unreadable(r) if r.len() == TROUBLES_MAX),
        "{error}"
    );
    assert_eq!(disk.opened.lock().unwrap().len(), TROUBLES_MAX);
}

#[test]
fn an_empty_card_is_told() {
    let disk = slow(&[("EMPTY.JPG", 0)], |_| 100.0);
    let error = run(&disk, 30, 4_000_000_000).unwrap_err();
    assert!(
        error.to_string().contains("no file with content"),
        "{error}"
    );
}

#[test]
fn what_cannot_be_trusted_is_told() {
    let m = run(
        &slow(&[("C0001.MP4", 10_000_000_000)], |_| 90.0),
        9,
        4_000_000_000,
    )
    .unwrap();
    for (filesystem, way, doubts) in [
        ("exfat", ReadBackWay::Direct, vec![]),
        ("vfat", ReadBackWay::Dropped, vec![]),
        ("exfat", ReadBackWay::Cached, vec![Doubt::Cached]),
        ("tmpfs", ReadBackWay::Cached, vec![Doubt::Memory]),
        ("fuse.lab", ReadBackWay::Direct, vec![Doubt::Fuse]),
        (
            "fuseblk",
            ReadBackWay::Cached,
            vec![Doubt::Cached, Doubt::Fuse],
        ),
        ("nfs4", ReadBackWay::Direct, vec![Doubt::Network]),
    ] {
        let m = Measured {
            way,
            filesystem: filesystem.into(),
            ..m.clone()
        };
        assert_eq!(m.doubts(), doubts, "{filesystem}");
    }
}

#[test]
fn it_can_be_stopped_and_kept() {
    static STOP: std::sync::OnceLock<Arc<AtomicBool>> = std::sync::OnceLock::new();
    let progress = Progress::default();
    STOP.set(Arc::clone(&progress.cancel)).unwrap();
    let disk = slow(&[("C0001.MP4", 10_000_000_000)], |_| {
        STOP.get().unwrap().store(true, Ordering::Relaxed);
        90.0
    });
    let bounds = Bounds {
        time: Duration::from_secs(9),
        bytes: 1 << 30,
    };
    let card = Utf8Path::new("/card");
    let clock = Arc::clone(&disk.clock);
    let run = || {
        let facts = facts("exfat");
        measure(card, &facts, bounds, &disk, clock.as_ref(), &progress)
    };
    let m = run().unwrap();
    assert!(m.interrupted && m.bytes < 1 << 30);
    assert!(m.doubts().contains(&Doubt::Interrupted));
    // It is stopped before anything is listed: there is nothing to keep.
    assert!(run().is_err());
    let text = serde_json::to_string(&m).unwrap();
    assert_eq!(serde_json::from_str::<Measured>(&text).unwrap(), m);
}

#[test]
fn bytes_are_spread_over_the_seconds_that_they_took() {
    let mut strip = Vec::new();
    spread(&mut strip, 0.5, 2.5, 200.0);
    assert_eq!(strip.len(), 3);
    let want = [50.0, 100.0, 50.0];
    assert!(
        strip.iter().zip(want).all(|(a, b)| (a - b).abs() < 1e-9),
        "{strip:?}"
    );
    spread(&mut strip, 2.0, 2.0, 7.0);
    assert!((strip[2] - 57.0).abs() < 1e-9);
    spread(&mut strip, 0.0, 1e12, 1.0);
    assert!(strip.len() < 2_000);
}
