//! Owns the fault matrix: what can go wrong with a card and two drives, alone and in pairs, on real
//! mounts and with the real program, as one table. For every row: exit code, verdict, the kinds of
//! trouble that are told, the drives that end whole, and what the same command comes to when
//! everything works again. After every run an independent walk behind the mounts makes sure that no
//! final name has wrong bytes, and the mounts say whether the faults really happened.
//!
//! The table is also in docs/dev/tests.md; `UNLADE_BLESS=1 cargo test --test it matrix` renews it
//! there.
#![expect(
    clippy::disallowed_methods,
    reason = "a test of interruptions waits for them, and the table is written into a document"
)]

use crate::support::mount::{Action, Cache, Direction, Fault, Kind, Mount, Options, skip};
use crate::support::program::{Card, Tree, Work, is_part, look, tree};
use crate::support::sampled;
use serde_json::Value;
use std::collections::BTreeSet;
use std::fs::File;
use std::path::Path;
use std::process::{Child, ExitStatus, Stdio};
use std::time::{Duration, Instant};

const EIO: i32 = 5;
const STILL: &str = "DCIM/100KITES/KITE0004.JPG";
const CLIP: &str = "PRIVATE/CLIPS/C0001.MP4";
/// Read back when it is complete.
const CLIP_BYTES: usize = 5_000_000;
/// Read back in stripes while it is being written: one whole stripe (64 MiB) and a bit.
const LONG_CLIP_BYTES: usize = (64 << 20) + (6 << 20) + 12_345;
const JOB: &str = "copy card --to a --to b --separate --name KITES --json";
/// A run takes a second or two.
const HANGS_AFTER: Duration = Duration::from_secs(60);
/// The cell of a row that ends well.
const HEALED: &str = "PROVEN: A, B";
const DOCUMENT: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/docs/dev/tests.md");
const MARKS: [&str; 2] = ["<!-- matrix -->\n", "<!-- /matrix -->"];

// ---- a row ------------------------------------------------------------------------------------

/// What happens to the program or the drives in the middle of the run, once so many bytes of the
/// card were read.
#[derive(Clone, Copy)]
enum Event {
    None,
    CtrlC(u64),
    /// SIGKILL; the computer runs on.
    Kill(u64),
    /// These drives lose their power and with it what was not flushed; the computer runs on.
    PowerCut(u64, &'static [&'static str]),
    /// All power goes: program and drives.
    Blackout(u64),
}

/// One row of the table.
struct Row {
    /// What goes wrong.
    name: &'static str,
    /// Exit code, verdict, kinds told, whole drives, the same command again.
    expected: &'static str,
    /// Why the same command again does not heal it.
    why: &'static str,
    card: Options,
    a: Options,
    b: Options,
    /// Faults that must have happened: on which mount, and their name.
    fires: Vec<(&'static str, &'static str)>,
    event: Event,
    is_long: bool,
    level: &'static str,
    /// A file whose copies may differ from the card.
    differs: Option<&'static str>,
    /// The file in which a bit is flipped: where a mismatch is told, one of it is.
    flipped: Option<&'static str>,
}

impl Row {
    fn new(name: &'static str, expected: &'static str) -> Self {
        Self {
            name,
            expected,
            why: "",
            card: Options::default(),
            a: Options::default(),
            b: Options::default(),
            fires: Vec::new(),
            event: Event::None,
            is_long: false,
            level: "readback",
            differs: None,
            flipped: None,
        }
    }

    /// Adds a fault that must happen.
    fn with(mut self, on: &'static str, fires: &'static str, fault: Fault) -> Self {
        if fires.starts_with("Bitflip") {
            self.flipped = [STILL, CLIP]
                .into_iter()
                .find(|path| fault.concerns(Path::new(path)));
            assert!(self.flipped.is_some(), "{}", self.name);
        }
        self.options(on).faults.push(fault);
        self.fires.push((on, fires));
        self
    }

    fn options(&mut self, on: &str) -> &mut Options {
        match on {
            "card" => &mut self.card,
            "a" => &mut self.a,
            _ => &mut self.b,
        }
    }

    /// Makes the drives keep what is written in the page cache, as real ones do.
    fn cached(mut self) -> Self {
        self.a.cache = Cache::Through;
        self.b.cache = Cache::Through;
        self
    }

    /// A card that is slow enough for something to happen in the middle.
    fn when(mut self, event: Event) -> Self {
        self.card.read_mbps = 8.0;
        self.event = event;
        if let Event::PowerCut(..) | Event::Blackout(_) = event {
            self.a.cut_undoes_renames = true;
            self.b.cut_undoes_renames = true;
        }
        self
    }

    fn long(mut self) -> Self {
        self.is_long = true;
        self
    }

    /// With a second read of the card.
    fn reread(mut self) -> Self {
        self.level = "reread";
        self
    }

    fn but(mut self, differs: &'static str, why: &'static str) -> Self {
        self.differs = Some(differs);
        self.why = why;
        self
    }
}

// ---- faults -----------------------------------------------------------------------------------

fn unreadable(path: &str, off: u64) -> Fault {
    let kind = Kind::ReadError {
        off,
        len: 10,
        errno: EIO,
    };
    Fault::new(kind).path(path)
}

fn flips_on_read(path: &str) -> Fault {
    flips_on_read_at(path, 20_000)
}

fn flips_on_read_at(path: &str, off: u64) -> Fault {
    Fault::new(Kind::BitflipRead { off, bit: 2 })
        .path(path)
        .times(1)
}

fn flips_on_write(path: &str, off: u64) -> Fault {
    Fault::new(Kind::BitflipWrite { off, bit: 3 })
        .path(path)
        .times(1)
}

fn changes(action: Action, path: &str) -> Fault {
    Fault::new(Kind::Mutate {
        after: 8_192,
        action,
    })
    .path(path)
}

fn fails(op: &'static str) -> Fault {
    Fault::new(Kind::OpError { op, errno: EIO })
}

fn ends_early(path: &str) -> Fault {
    Fault::new(Kind::EarlyEof { off: 30_000 }).path(path)
}

fn stalls(path: &str) -> Fault {
    Fault::new(Kind::StallRead {
        off: 9_000,
        ms: 700,
    })
    .path(path)
    .times(1)
}

fn full(bytes: u64) -> Fault {
    Fault::new(Kind::NoSpaceAfter { bytes })
}

fn not_written(off: u64) -> Fault {
    let kind = Kind::WriteError {
        off,
        len: 1,
        errno: EIO,
    };
    Fault::new(kind).path("*C0001*")
}

fn lost(off: u64) -> Fault {
    Fault::new(Kind::DropWrite { off, len: 4_096 }).path("*C0001*")
}

fn gone(direction: Direction, bytes: u64) -> Fault {
    Fault::new(Kind::VanishAfter {
        direction,
        bytes,
        errno: EIO,
    })
}

// ---- the table --------------------------------------------------------------------------------

fn rows() -> Vec<Row> {
    let groups = [
        card_rows(),
        card_rows_of_calls(),
        drive_rows_of_bytes(),
        drive_rows_of_calls(),
        pair_rows(),
        stop_rows(),
    ];
    groups.into_iter().flatten().collect()
}

fn card_rows() -> Vec<Row> {
    use Action::{Append, Delete, Touch, Truncate};
    vec![
        Row::new(
            "card: a spot of a still cannot be read",
            "1 | NOT PROVEN | too-few-copies, unreadable | none | PROVEN: A, B",
        )
        .with("card", "ReadError", unreadable(STILL, 30_000)),
        Row::new(
            "card: a spot of a clip cannot be read, once",
            "0 | PROVEN | - | A, B | PROVEN: A, B",
        )
        .with("card", "ReadError", unreadable(CLIP, 4_000_000).times(1)),
        Row::new(
            "card: a clip ends before its size",
            "1 | NOT PROVEN | changed-on-card, too-few-copies | none | PROVEN: A, B",
        )
        .with("card", "EarlyEof", ends_early(CLIP)),
        Row::new(
            "card: the reader flips a bit, once",
            "0 | PROVEN | - | A, B but one file | NOT PROVEN: A, B but one file (name-clash, \
            too-few-copies)",
        )
        .with("card", "BitflipRead", flips_on_read(STILL))
        .but(
            STILL,
            "the limit of a single read: the copies equal what the reader delivered; the sample of \
            the next run finds it",
        ),
        Row::new(
            "card: the reader flips a bit, once; `--proof reread`",
            "1 | NOT PROVEN | mismatch | A, B but one file | NOT PROVEN: A, B but one file \
            (name-clash, too-few-copies)",
        )
        .with("card", "BitflipRead", flips_on_read(STILL))
        .reread()
        .but(
            STILL,
            "what stands there is never replaced; another `--name` copies anew",
        ),
        Row::new(
            "card: the reader flips a bit of a clip, once; `--proof reread`",
            "1 | NOT PROVEN | mismatch | A, B but one file | NOT PROVEN: A, B but one file \
            (name-clash, too-few-copies)",
        )
        .with("card", "BitflipRead", flips_on_read_at(CLIP, 4_000_000))
        .reread()
        .but(
            CLIP,
            "what stands there is never replaced; another `--name` copies anew",
        ),
        Row::new(
            "card: the reader flips a bit in its second read, once; `--proof reread`",
            "1 | NOT PROVEN | mismatch | A, B | PROVEN: A, B",
        )
        .with("card", "BitflipRead", flips_on_read(STILL).skip(1))
        .reread(),
        Row::new(
            "card: a still grows while it is read",
            "1 | NOT PROVEN | changed-on-card, too-few-copies | none | PROVEN: A, B",
        )
        .with("card", "Mutate", changes(Append, STILL)),
        Row::new(
            "card: a clip shrinks while it is read",
            "1 | NOT PROVEN | changed-on-card, too-few-copies | none | PROVEN: A, B",
        )
        .with("card", "Mutate", changes(Truncate, CLIP)),
        Row::new(
            "card: a clip gets another date while it is read",
            "1 | NOT PROVEN | changed-on-card, too-few-copies | none | PROVEN: A, B",
        )
        .with("card", "Mutate", changes(Touch, CLIP)),
        Row::new(
            "card: a still is deleted while it is read",
            "1 | NOT PROVEN | vanished | A, B | PROVEN: A, B",
        )
        .with("card", "Mutate", changes(Delete, STILL)),
        Row::new(
            "card: pulled in the middle",
            "1 | NOT PROVEN | too-few-copies, vanished | none | PROVEN: A, B",
        )
        .with("card", "VanishAfter", gone(Direction::Read, 3_000_000)),
        Row::new(
            "card: a read takes very long",
            "0 | PROVEN | - | A, B | PROVEN: A, B",
        )
        .with("card", "StallRead", stalls(CLIP)),
    ]
}

fn card_rows_of_calls() -> Vec<Row> {
    let mut locked = Row::new("card: read-only", "0 | PROVEN | - | A, B | PROVEN: A, B");
    locked.card.readonly = true;
    vec![
        Row::new(
            "card: a still cannot be opened",
            "1 | NOT PROVEN | too-few-copies, unreadable | none | PROVEN: A, B",
        )
        .with("card", "OpError:open", fails("open").path(STILL)),
        Row::new(
            "card: a folder cannot be listed",
            "1 | NOT PROVEN | unreadable | none | PROVEN: A, B",
        )
        .with(
            "card",
            "OpError:readdir",
            fails("readdir").path("DCIM/101KITES"),
        ),
        Row::new(
            "card: a file cannot be looked at",
            "1 | NOT PROVEN | unreadable | none | PROVEN: A, B",
        )
        .with("card", "OpError:lookup", fails("lookup").path(STILL)),
        Row::new(
            "card: its file system answers nothing",
            "3 | refused | unreadable | none | PROVEN: A, B",
        )
        .with("card", "OpError:statfs", fails("statfs")),
        locked,
        Row::new(
            "card: slow, then Ctrl-C",
            "130 | NOT PROVEN | interrupted, too-few-copies | none | PROVEN: A, B",
        )
        .when(Event::CtrlC(2_500_000)),
    ]
}

fn drive_rows_of_bytes() -> Vec<Row> {
    vec![
        Row::new(
            "drive B: a write fails",
            "1 | NOT PROVEN | too-few-copies, write-failed | A | PROVEN: A, B",
        )
        .with("b", "WriteError", not_written(2_100_000)),
        Row::new(
            "drive B: stores a wrong bit of a still",
            "1 | NOT PROVEN | mismatch, too-few-copies | A | PROVEN: A, B",
        )
        .with("b", "BitflipWrite", flips_on_write("*KITE0004*", 20_000))
        .cached(),
        Row::new(
            "drive B: stores a wrong bit in the second stripe of a clip",
            "1 | NOT PROVEN | mismatch, too-few-copies | A | PROVEN: A, B",
        )
        .with("b", "BitflipWrite", flips_on_write("*C0001*", 70_000_000))
        .cached()
        .long(),
        Row::new(
            "drive B: loses a write in the first stripe of a clip",
            "1 | NOT PROVEN | mismatch, too-few-copies | A | PROVEN: A, B",
        )
        .with("b", "DropWrite", lost(8 << 20).times(1))
        .cached()
        .long(),
        Row::new(
            "drive B: fills up",
            "1 | NOT PROVEN | no-room, too-few-copies | A | PROVEN: A, B",
        )
        .with("b", "NoSpaceAfter", full(3_000_000)),
        Row::new(
            "drive B: cannot read back what it holds",
            "1 | NOT PROVEN | too-few-copies, write-failed | A | PROVEN: A, B",
        )
        .with("b", "ReadError", unreadable("*KITE0004*", 20_000)),
        Row::new(
            "drive B: flips a bit when it is read back, once",
            "1 | NOT PROVEN | mismatch, too-few-copies | A | PROVEN: A, B",
        )
        .with("b", "BitflipRead", flips_on_read("*KITE0004*")),
        Row::new(
            "drive B: flips a bit in the second stripe of a clip when it is read back, once",
            "1 | NOT PROVEN | mismatch, too-few-copies | A | PROVEN: A, B",
        )
        .with("b", "BitflipRead", flips_on_read_at("*C0001*", 70_000_000))
        .long(),
        Row::new(
            "drive B: a copy ends early when it is read back",
            "1 | NOT PROVEN | mismatch, too-few-copies | A | PROVEN: A, B",
        )
        .with("b", "EarlyEof", ends_early("*KITE0004*")),
        Row::new(
            "drive B: somebody adds to a copy while it is read back",
            "1 | NOT PROVEN | mismatch, too-few-copies | A | PROVEN: A, B",
        )
        .with("b", "Mutate", changes(Action::Append, "*KITE0004*")),
        Row::new(
            "drive B: a read-back takes very long",
            "0 | PROVEN | - | A, B | PROVEN: A, B",
        )
        .with("b", "StallRead", stalls("*KITE0004*")),
        Row::new(
            "drive B: pulled while it is written",
            "1 | NOT PROVEN | too-few-copies, write-failed | A | PROVEN: A, B",
        )
        .with("b", "VanishAfter", gone(Direction::Write, 3_000_000)),
        Row::new(
            "drive B: pulled while it is read back",
            "1 | NOT PROVEN | too-few-copies, write-failed | A | PROVEN: A, B",
        )
        .with("b", "VanishAfter", gone(Direction::Read, 1_000_000)),
    ]
}

fn drive_rows_of_calls() -> Vec<Row> {
    let mut locked = Row::new(
        "drive B: read-only",
        "3 | refused | write-failed | none | PROVEN: A, B",
    );
    locked.b.readonly = true;
    let mut small = Row::new(
        "drive B: too small for the card",
        "3 | refused | no-room | none | PROVEN: A, B",
    );
    small.b.capacity = 4_000_000;
    let mut slow = Row::new("drive B: slow", "0 | PROVEN | - | A, B | PROVEN: A, B");
    slow.b.write_mbps = 20.0;
    let mut no_folder = Row::new(
        "drive B: cannot flush a folder",
        "1 | NOT PROVEN | too-few-copies, write-failed | A | PROVEN: A, B",
    )
    .with(
        "b",
        "OpError:fsyncdir",
        fails("fsyncdir").path("KITES/DCIM/100KITES"),
    );
    // So that the clip is not done yet when the stills are.
    no_folder.b.write_mbps = 20.0;
    vec![
        locked,
        small,
        slow,
        Row::new(
            "drive B: refuses its first folder",
            "3 | refused | write-failed | none | PROVEN: A, B",
        )
        .with("b", "OpError:mkdir", fails("mkdir")),
        Row::new(
            "drive B: refuses a later folder",
            "1 | NOT PROVEN | too-few-copies, write-failed | A | PROVEN: A, B",
        )
        .with("b", "OpError:mkdir", fails("mkdir").skip(3)),
        Row::new(
            "drive B: cannot create a file",
            "1 | NOT PROVEN | too-few-copies, write-failed | A | PROVEN: A, B",
        )
        .with("b", "OpError:create", fails("create").skip(3)),
        Row::new(
            "drive B: cannot flush a file",
            "1 | NOT PROVEN | too-few-copies, write-failed | A | PROVEN: A, B",
        )
        .with("b", "OpError:fsync", fails("fsync").skip(4)),
        no_folder,
        Row::new(
            "drive B: cannot give a final name",
            "1 | NOT PROVEN | too-few-copies, write-failed | A | PROVEN: A, B",
        )
        .with("b", "OpError:rename", fails("rename").skip(3)),
        Row::new(
            "drive B: cannot set a date",
            "0 | PROVEN | - | A, B | PROVEN: A, B",
        )
        .with("b", "OpError:setattr", fails("setattr").path("*KITE0004*")),
        Row::new(
            "drive B: its file system answers nothing",
            "3 | refused | write-failed | none | PROVEN: A, B",
        )
        .with("b", "OpError:statfs", fails("statfs")),
        Row::new(
            "drive B: cannot be listed at the end",
            "1 | NOT PROVEN | too-few-copies, write-failed | A, B | PROVEN: A, B",
        )
        .with("b", "OpError:readdir", fails("readdir").path("KITES*")),
    ]
}

fn pair_rows() -> Vec<Row> {
    vec![
        Row::new(
            "card: unreadable spot; drive B: fills up",
            "1 | NOT PROVEN | no-room, too-few-copies, unreadable | none | PROVEN: A, B",
        )
        .with("card", "ReadError", unreadable(STILL, 30_000))
        .with("b", "NoSpaceAfter", full(3_000_000)),
        Row::new(
            "drive A: stores a wrong bit; drive B: pulled",
            "1 | NOT PROVEN | mismatch, too-few-copies, write-failed | none | PROVEN: A, B",
        )
        .with("a", "BitflipWrite", flips_on_write("*KITE0004*", 20_000))
        .with("b", "VanishAfter", gone(Direction::Write, 3_000_000))
        .cached(),
        Row::new(
            "both drives: store the same wrong bit",
            "1 | NOT PROVEN | mismatch, too-few-copies | none | PROVEN: A, B",
        )
        .with("a", "BitflipWrite", flips_on_write("*KITE0004*", 20_000))
        .with("b", "BitflipWrite", flips_on_write("*KITE0004*", 20_000))
        .cached(),
        Row::new(
            "both drives: fill up",
            "1 | NOT PROVEN | no-room, too-few-copies | none | PROVEN: A, B",
        )
        .with("a", "NoSpaceAfter", full(1_000_000))
        .with("b", "NoSpaceAfter", full(3_000_000)),
        Row::new(
            "drive A: cannot flush a file; drive B: cannot give a final name",
            "1 | NOT PROVEN | too-few-copies, write-failed | none | PROVEN: A, B",
        )
        .with("a", "OpError:fsync", fails("fsync").skip(4))
        .with("b", "OpError:rename", fails("rename").skip(3)),
        Row::new(
            "card: pulled; drive B: stores a wrong bit",
            "1 | NOT PROVEN | mismatch, too-few-copies, vanished | none | PROVEN: A, B",
        )
        .with("card", "VanishAfter", gone(Direction::Read, 4_000_000))
        .with("b", "BitflipWrite", flips_on_write("*KITE0004*", 20_000))
        .cached(),
        Row::new(
            "card: a still is deleted; drive A: a write fails",
            "1 | NOT PROVEN | too-few-copies, vanished, write-failed | B | PROVEN: A, B",
        )
        .with("card", "Mutate", changes(Action::Delete, STILL))
        .with("a", "WriteError", not_written(2_100_000)),
        Row::new(
            "card: the reader flips a bit, `--proof reread`; drive B: loses a write",
            "1 | NOT PROVEN | mismatch, too-few-copies | A but one file | NOT PROVEN: A, B but one \
            file (name-clash, too-few-copies)",
        )
        .with("card", "BitflipRead", flips_on_read(STILL))
        .with("b", "DropWrite", lost(1 << 20).times(1))
        .cached()
        .reread()
        .but(
            STILL,
            "what stands there is never replaced; another `--name` copies anew",
        ),
        Row::new(
            "card: a read takes very long; drive B: read-back fails",
            "1 | NOT PROVEN | too-few-copies, write-failed | A | PROVEN: A, B",
        )
        .with("card", "StallRead", stalls(CLIP))
        .with("b", "ReadError", unreadable("*KITE0004*", 20_000)),
    ]
}

fn stop_rows() -> Vec<Row> {
    vec![
        Row::new(
            "card: slow; drive B: fills up; then Ctrl-C",
            "130 | NOT PROVEN | interrupted, no-room, too-few-copies | none | PROVEN: A, B",
        )
        .with("b", "NoSpaceAfter", full(500_000))
        .when(Event::CtrlC(3_000_000)),
        Row::new(
            "program killed in the middle",
            "killed | - | - | none | PROVEN: A, B",
        )
        .when(Event::Kill(3_000_000)),
        Row::new(
            "drive B: power cut; unflushed bytes lost, renames undone",
            "1 | NOT PROVEN | too-few-copies, write-failed | A | PROVEN: A, B",
        )
        .when(Event::PowerCut(3_000_000, &["b"])),
        Row::new(
            "both drives: power cut; unflushed bytes lost, renames undone",
            "1 | NOT PROVEN | too-few-copies, write-failed | none | PROVEN: A, B",
        )
        .when(Event::PowerCut(3_000_000, &["a", "b"]))
        .cached(),
        Row::new(
            "everything: power cut in the stills",
            "killed | - | - | none | PROVEN: A, B",
        )
        .when(Event::Blackout(300_000)),
        Row::new(
            "everything: power cut in the clip",
            "killed | - | - | none | PROVEN: A, B",
        )
        .when(Event::Blackout(3_500_000))
        .cached(),
        Row::new(
            "drive A: fills up; then drive B: power cut",
            "1 | NOT PROVEN | no-room, too-few-copies, write-failed | none | PROVEN: A, B",
        )
        .with("a", "NoSpaceAfter", full(500_000))
        .when(Event::PowerCut(3_000_000, &["b"])),
    ]
}

// ---- running a row ----------------------------------------------------------------------------

/// A card and two drives, all of them mounts. The mounts go before the folder they are in.
struct Rig {
    card: Mount,
    a: Mount,
    b: Mount,
    work: Work,
}

fn mounted(work: &Work, name: &str, options: Options) -> Mount {
    let backing = work.folder(&format!("back-{name}"));
    Mount::new(&backing, &work.folder(name), options).unwrap()
}

impl Rig {
    fn new(row: &mut Row) -> Self {
        let work = Work::new("matrix");
        let mut made = Card::new(&work.path("back-card"));
        for n in 1..=8 {
            made = made.file(format!("DCIM/100KITES/KITE{n:04}.JPG"), 60_000 + n, 10);
        }
        let clip = if row.is_long {
            LONG_CLIP_BYTES
        } else {
            CLIP_BYTES
        };
        made.file("DCIM/101KITES/KITE0009.DNG", 1_500_000, 9)
            .file("MISC/EMPTY.TXT", 0, 0)
            .file(CLIP, clip, 1)
            .folder("PRIVATE/CLIPS/THUMBS");
        let mut take = |name| std::mem::take(row.options(name));
        let options = (take("card"), take("a"), take("b"));
        Self {
            card: mounted(&work, "card", options.0),
            a: mounted(&work, "a", options.1),
            b: mounted(&work, "b", options.2),
            work,
        }
    }

    /// The same card and drives, as they are now, with nothing wrong with them.
    fn healed(self) -> Self {
        let Self { card, a, b, work } = self;
        drop((card, a, b));
        Self {
            card: mounted(&work, "card", Options::default()),
            a: mounted(&work, "a", Options::default()),
            b: mounted(&work, "b", Options::default()),
            work,
        }
    }

    fn mount(&self, name: &str) -> &Mount {
        match name {
            "card" => &self.card,
            "a" => &self.a,
            _ => &self.b,
        }
    }

    /// What is on a card or drive, read from behind its mount.
    fn listed(&self) -> Tree {
        tree(&self.work.path("back-card"))
    }

    fn held(&self, drive: &str) -> Tree {
        let root = self.work.path(&format!("back-{drive}/KITES"));
        if root.exists() {
            tree(&root)
        } else {
            Tree::new()
        }
    }

    /// Runs the job. Returns exit code, verdict and what was told.
    fn run(&self, row: &Row, event: Event, number: u32) -> [String; 3] {
        let said = self.work.path(&format!("said-{number}"));
        let mut command = self.work.command();
        command
            .args(JOB.split_whitespace())
            .args(["--proof", row.level]);
        let mut child = command
            .stdout(File::create_new(&said).unwrap())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        self.meet(row, event, &mut child);
        let status = ended(&mut child, row.name);
        let Some(code) = status.code() else {
            return ["killed", "-", "-"].map(str::to_owned);
        };
        look(&command, Some(code), "");
        let text = std::fs::read_to_string(&said).unwrap();
        let events: Vec<Value> = text
            .lines()
            .map(|line| serde_json::from_str(line).unwrap())
            .collect();
        let verdict = events.iter().find(|e| e["event"] == "verdict").unwrap();
        let told = match events.iter().find(|e| e["event"] == "refused") {
            Some(refused) => kinds(&refused["reasons"], |r| r["kind"].as_str().unwrap()),
            None => reasons(verdict),
        };
        assert_eq!(verdict["exit_code"], code, "{}", row.name);
        let reasons = verdict["reasons"].as_array().unwrap().iter();
        let mismatches: Vec<&str> = reasons
            .filter_map(Value::as_str)
            .filter(|told| told.starts_with("mismatch"))
            .collect();
        let is_named = |path| mismatches.is_empty() || mismatches.iter().any(|m| m.contains(path));
        let is_right = row.flipped.is_none_or(is_named);
        assert!(is_right, "{}: {mismatches:?}", row.name);
        [code.to_string(), proven(verdict).to_owned(), told]
    }

    /// Does the same by the page of `unlade desk`. Returns exit code, verdict and what was told,
    /// and what the page has in its largest letters.
    #[cfg(feature = "desk")]
    fn run_by_the_page(&self, row: &Row) -> ([String; 3], String) {
        self.work.folder("h");
        // The name that the faults know.
        crate::support::program::put(
            &self.work.path("h/kit.toml"),
            b"[usual]\nshoot = \"KITES\"\nname = \"{shoot}\"\n",
        );
        let desk = crate::support::desk::Desk::start(&self.work);
        let path = |name: &str| self.work.path(name);
        let job = serde_json::json!({
            "cards": [path("card")], "to": [path("a"), path("b")], "separate": true,
        });
        assert_eq!(desk.post("/copy", &job).status, 204, "{}", row.name);
        if let Event::CtrlC(bytes) = row.event {
            let start = Instant::now();
            let mut fires = row.fires.iter();
            while self.card.bytes_read() < bytes
                || !fires.all(|(on, fault)| self.mount(on).fired(fault) > 0)
            {
                fires = row.fires.iter();
                assert!(start.elapsed() < HANGS_AFTER, "{}", row.name);
                std::thread::sleep(Duration::from_millis(1));
            }
            desk.post("/stop", &serde_json::json!({}));
            self.card.set_read_mbps(0.0);
        }
        let verdict = &desk.wait_for("answer")["verdict"];
        let page = desk.get("/").body;
        let large = page.split("<h1 tabindex=\"-1\">").nth(1).unwrap();
        let large = large.split('<').next().unwrap().to_owned();
        let code = verdict["exit_code"].to_string();
        ([code, proven(verdict).to_owned(), reasons(verdict)], large)
    }

    /// Waits until the card was read so far, and lets the event happen. A stop also waits for the
    /// row's faults: on a busy computer the drives may be behind.
    fn meet(&self, row: &Row, event: Event, child: &mut Child) {
        let (Event::CtrlC(bytes)
        | Event::Kill(bytes)
        | Event::PowerCut(bytes, _)
        | Event::Blackout(bytes)) = event
        else {
            return;
        };
        let start = Instant::now();
        let all_fired = || {
            let mut fires = row.fires.iter();
            fires.all(|(on, fault)| self.mount(on).fired(fault) > 0)
        };
        let waits = || matches!(event, Event::CtrlC(_)) && !all_fired();
        while self.card.bytes_read() < bytes || waits() {
            assert!(start.elapsed() < HANGS_AFTER, "the card is not read");
            assert!(child.try_wait().unwrap().is_none(), "it ended too soon");
            std::thread::sleep(Duration::from_millis(1));
        }
        let cut = |drives: &[&str]| drives.iter().for_each(|d| self.mount(d).power_cut());
        match event {
            Event::None => {}
            Event::CtrlC(_) => {
                let pid = rustix::process::Pid::from_child(child);
                rustix::process::kill_process(pid, rustix::process::Signal::INT).unwrap();
            }
            Event::Kill(_) => child.kill().unwrap(),
            Event::PowerCut(_, drives) => cut(drives),
            Event::Blackout(_) => {
                cut(&["a", "b"]);
                child.kill().unwrap();
            }
        }
        // Nothing more is to happen.
        self.card.set_read_mbps(0.0);
    }

    /// The drives that hold everything that is listed, and on the way: nothing that has a final
    /// name has bytes that the card does not hold and did not hold `before`.
    fn whole(&self, row: &Row, before: &Tree, listed: &Tree) -> String {
        let differs = row.differs.map(Path::new);
        let is_whole = |drive: &str| {
            let held = self.held(drive);
            for (path, node) in held.iter().filter(|(path, _)| !is_part(path)) {
                let may_differ = Some(path.as_path()) == differs;
                let is_right = [before, listed].iter().any(|t| t.get(path) == Some(node));
                let at = path.display();
                assert!(
                    is_right || may_differ,
                    "{}: {drive}: `{at}` has wrong bytes",
                    row.name
                );
            }
            if let Some(path) = differs {
                // Else it is no limit at all.
                assert_ne!(held.get(path), listed.get(path), "{}", row.name);
            }
            let mut listed = listed.iter();
            listed
                .all(|(path, node)| Some(path.as_path()) == differs || held.get(path) == Some(node))
        };
        let whole = match (is_whole("a"), is_whole("b")) {
            (true, true) => "A, B",
            (true, false) => "A",
            (false, true) => "B",
            (false, false) => "none",
        };
        match differs {
            Some(_) => format!("{whole} but one file"),
            None => whole.to_owned(),
        }
    }
}

/// The verdict in a word.
fn proven(verdict: &Value) -> &'static str {
    match (
        verdict["proven"].as_bool().unwrap(),
        verdict["exit_code"].as_u64(),
    ) {
        (true, _) => "PROVEN",
        (false, Some(3)) => "refused",
        (false, _) => "NOT PROVEN",
    }
}

/// The kinds of the reasons in a verdict.
fn reasons(verdict: &Value) -> String {
    kinds(&verdict["reasons"], |reason| {
        let words = reason.as_str().unwrap();
        if words == "it was interrupted" {
            "interrupted"
        } else {
            words.split(':').next().unwrap()
        }
    })
}

/// The kinds that are told, each once, in order.
fn kinds(reasons: &Value, kind: impl Fn(&Value) -> &str) -> String {
    let reasons = reasons.as_array().unwrap();
    let kinds: BTreeSet<&str> = reasons.iter().map(kind).collect();
    if kinds.is_empty() {
        return "-".to_owned();
    }
    kinds.into_iter().collect::<Vec<_>>().join(", ")
}

fn ended(child: &mut Child, name: &str) -> ExitStatus {
    let start = Instant::now();
    loop {
        if let Some(status) = child.try_wait().unwrap() {
            return status;
        }
        if start.elapsed() > HANGS_AFTER {
            child.kill().unwrap();
            panic!("{name}: the program hangs");
        }
        std::thread::sleep(Duration::from_millis(1));
    }
}

/// Runs a row and returns its cells as they came out.
fn run(row: &mut Row) -> String {
    let rig = Rig::new(row);
    let before = rig.listed();
    let [code, verdict, told] = rig.run(row, row.event, 1);
    for (on, fault) in &row.fires {
        let fired = rig.mount(on).fired(fault);
        assert!(fired > 0, "{}: {fault} on {on} never happened", row.name);
    }
    let cut: &[&str] = match row.event {
        Event::PowerCut(_, drives) => drives,
        Event::Blackout(_) => &["a", "b"],
        _ => &[],
    };
    for drive in cut {
        assert_eq!(rig.mount(drive).fired("PowerCut"), 1, "{}", row.name);
    }
    let whole = rig.whole(row, &before, &before);
    let rig = rig.healed();
    let after = rig.listed();
    let [_, again, reasons] = rig.run(row, Event::None, 2);
    let mut again = format!("{again}: {}", rig.whole(row, &before, &after));
    if reasons != "-" {
        again = format!("{again} ({reasons})");
    }
    [code, verdict, told, whole, again].join(" | ")
}

fn check(rows: Vec<Row>) {
    if skip() {
        return;
    }
    let mut wrong = Vec::new();
    for mut row in sampled(rows, 2) {
        let came_out = run(&mut row);
        if came_out != row.expected {
            wrong.push(format!(
                "{}\n  expected {}\n  came out {came_out}",
                row.name, row.expected
            ));
        }
        let again = row.expected.rsplit(" | ").next();
        if (again == Some(HEALED)) != row.why.is_empty() {
            wrong.push(format!("{}: why is it not healed?", row.name));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn of_the_bytes_of_a_card() {
    check(card_rows());
}

#[test]
fn of_the_calls_of_a_card() {
    check(card_rows_of_calls());
}

#[test]
fn of_the_bytes_of_a_drive() {
    check(drive_rows_of_bytes());
}

#[test]
fn of_the_calls_of_a_drive() {
    check(drive_rows_of_calls());
}

#[test]
fn of_pairs() {
    check(pair_rows());
}

#[test]
fn of_stops_kills_and_power_cuts() {
    check(stop_rows());
}

/// What the page of `unlade desk` comes to is what the terminal comes to, row by row; those in
/// which the program itself is killed, or the card is read a second time, it does not have.
#[cfg(feature = "desk")]
#[test]
fn the_page_of_the_desk_says_the_same() {
    if skip() {
        return;
    }
    let has = |row: &Row| {
        let is_met = matches!(row.event, Event::None | Event::CtrlC(_));
        is_met && row.level == "readback"
    };
    let shown: Vec<Row> = rows().into_iter().filter(has).collect();
    assert!(shown.len() > 40, "{} rows only", shown.len());
    let mut wrong = Vec::new();
    for mut row in sampled(shown, 5) {
        let rig = Rig::new(&mut row);
        let before = rig.listed();
        let ([code, verdict, told], large) = rig.run_by_the_page(&row);
        let whole = rig.whole(&row, &before, &before);
        let expected: Vec<&str> = row.expected.split(" | ").collect();
        // Of a refusal the page has the words, and no kinds.
        let told = if verdict == "refused" {
            expected[2]
        } else {
            &told
        };
        let is_same = [&code, &verdict, told, &whole] == expected[..4];
        let word = if verdict == "PROVEN" {
            "PROVEN"
        } else {
            "NOT PROVEN"
        };
        if !is_same || large != word {
            let came_out = format!("{code} | {verdict} | {told} | {whole}, {large}");
            wrong.push(format!(
                "{}\n  expected {}\n  came out {came_out}",
                row.name, row.expected
            ));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

// ---- the document -----------------------------------------------------------------------------

fn markdown() -> String {
    let mut text = String::from(
        "| what goes wrong | exit | verdict | told | whole | the same command again |\n\
         |---|---|---|---|---|---|\n",
    );
    for row in rows() {
        let note = if row.why.is_empty() {
            String::new()
        } else {
            format!(" ({})", row.why)
        };
        text += &format!("| {} | {}{note} |\n", row.name, row.expected);
    }
    text
}

/// The table in the document is the one that is tested.
#[test]
fn the_document_holds_the_table() {
    let table = markdown();
    assert!(rows().len() >= 22, "{} rows", rows().len());
    let names: BTreeSet<&str> = rows().iter().map(|r| r.name).collect();
    assert_eq!(names.len(), rows().len(), "every row has a name of its own");
    let text = std::fs::read_to_string(DOCUMENT).unwrap();
    let (before, rest) = text.split_once(MARKS[0]).expect("the first mark");
    let (block, after) = rest.split_once(MARKS[1]).expect("the second mark");
    if std::env::var_os("UNLADE_BLESS").is_some() {
        let renewed = format!("{before}{}{table}{}{after}", MARKS[0], MARKS[1]);
        std::fs::write(DOCUMENT, renewed).unwrap();
    } else {
        assert_eq!(block, table, "renew it with UNLADE_BLESS=1");
    }
}
