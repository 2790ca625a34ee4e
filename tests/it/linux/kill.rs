//! The program is killed with SIGKILL at 50 seeded points, 20 more with bags (a fifth of them where
//! sweeps do not run whole), and started again. After every kill no file has a final name and wrong
//! bytes, and every line of the journal is true; at the end everything is as after a run that
//! nobody disturbed.

use crate::support::program::{
    Card, Node, Tree, Work, bytes_of, interrupt_after, is_part, kill_after, manifest, names_in,
    no_wrong_bytes, tell, time, tree, whole_tree,
};
use crate::support::{bag, whole_sweeps};
use serde_json::Value;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;
use unlade::record::layout::Layout;

/// Change it to look at other points.
const SEED: u64 = 20_261_125;
const KILLS: u32 = 50;
const KILLS_OF_BAGS: u32 = 20;

/// A seeded sequence of numbers (BLAKE3 of seed and position).
struct Dice {
    seed: u64,
    at: u64,
}

impl Dice {
    fn below(&mut self, limit: u64) -> u64 {
        self.at += 1;
        let text = format!("{} {}", self.seed, self.at);
        let hash = blake3::hash(text.as_bytes());
        let (first, _) = hash.as_bytes().split_first_chunk().unwrap();
        u64::from_le_bytes(*first) % limit
    }
}

/// 36 files, about 21 MB: stills, and some clips that are larger than one buffer.
fn make_card(root: &Path) {
    let mut card = Card::new(root).folder("DCIM/102KITES");
    for n in 0..30_u64 {
        let folder = if n < 20 { "100KITES" } else { "101KITES" };
        let bytes = usize::try_from(1_000 + n * 47_111 % 300_000).unwrap();
        card = card.file(format!("DCIM/{folder}/KITE{n:04}.JPG"), bytes, n);
    }
    for n in 0..6_u64 {
        let bytes = usize::try_from(1_900_000 + n * 300_007).unwrap();
        card = card.file(format!("PRIVATE/CLIPS/C{n:04}.MP4"), bytes, 100 + n);
    }
}

/// One offload that is killed, in a folder of its own.
struct Victim<'a> {
    card: &'a Path,
    expected: &'a Tree,
    layout: Layout,
    work: Work,
}

impl<'a> Victim<'a> {
    fn new(card: &'a Path, expected: &'a Tree, layout: Layout) -> Self {
        let work = Work::new("killed");
        work.folder("a");
        work.folder("b");
        Self {
            card,
            expected,
            layout,
            work,
        }
    }

    fn copy(&self) -> Command {
        let mut command = self.work.command();
        command.arg("copy").arg(self.card);
        command.args("--to a --to b --name KITES --copies 1 --quiet".split(' '));
        if self.layout == Layout::Bag {
            command.args(["--layout", "bag"]);
        }
        command
    }

    fn offloads(&self) -> [PathBuf; 2] {
        [self.work.path("a/KITES"), self.work.path("b/KITES")]
    }

    /// The card's tree as it lies in an offload.
    fn tree(&self, offload: &Path) -> Tree {
        match self.layout {
            Layout::Plain => tree(offload),
            Layout::Bag if offload.join("data").exists() => tree(&offload.join("data")),
            Layout::Bag => Tree::new(),
        }
    }

    /// What must hold at any moment.
    /// Returns how many final names and journal lines were looked at.
    fn check(&self, when: &str) -> usize {
        let mut looked_at = 0;
        for offload in self.offloads().iter().filter(|o| o.exists()) {
            let standing = self.tree(offload);
            no_wrong_bytes(self.expected, &standing, when);
            looked_at += standing.len();
            let records = offload.join("_unlade");
            if records.join("journal.jsonl").exists() {
                looked_at += journal_is_true(&records, &standing, when);
            }
            if records.join("manifest.json").exists() {
                assert_eq!(manifest(offload)["verdict"]["proven"], true, "{when}");
                let missing = self
                    .expected
                    .iter()
                    .find(|(p, n)| standing.get(*p) != Some(n));
                assert_eq!(missing, None, "the manifest came too early, {when}");
            }
            if self.layout == Layout::Bag && offload.join("bagit.txt").exists() {
                let is_done = records.join("manifest.json").exists();
                let faults = bag::faults(&files_of(offload));
                // The manifest is the last: until it stands other programs have to miss it.
                let missing = ["missing _unlade/manifest.json"];
                assert_eq!(faults, missing[..usize::from(!is_done)], "{when}");
            }
        }
        looked_at
    }

    /// What must hold at the end.
    fn check_end(&self, undisturbed: &[Value], when: &str) {
        for (offload, undisturbed) in self.offloads().iter().zip(undisturbed) {
            assert_eq!(&self.tree(offload), self.expected, "{when}");
            let left = whole_tree(offload).into_keys().find(|path| is_part(path));
            assert_eq!(left, None, "a part file is left {when}");
            let mut records = names_in(&offload.join("_unlade"));
            records.retain(|name| !name.starts_with("earlier-"));
            if self.layout == Layout::Bag {
                assert_eq!(bag::faults(&files_of(offload)), [""; 0], "{when}");
                records.retain(|name| name != "checksums.sha256");
            }
            assert_eq!(records, RECORDS, "{when}");
            assert_eq!(&lasting(&manifest(offload)), undisturbed, "{when}");
        }
    }
}

/// Every file below a folder.
fn files_of(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let all = whole_tree(folder).into_iter();
    all.filter(|(_, node)| matches!(node, Node::File { .. }))
        .map(|(path, _)| {
            let bytes = bytes_of(&folder.join(&path));
            (path.to_str().unwrap().to_owned(), bytes)
        })
        .collect()
}

const RECORDS: [&str; 4] = [
    "checksums.b3",
    "manifest.json",
    "manifest.json.b3",
    "report.html",
];

/// Every whole line of the journal names a file that stands there with that hash and size. Returns
/// how many do.
fn journal_is_true(records: &Path, standing: &Tree, when: &str) -> usize {
    let mut files = 0;
    let bytes = bytes_of(&records.join("journal.jsonl"));
    let text = String::from_utf8(bytes).unwrap();
    let whole = text.rsplit_once('\n').map_or("", |(whole, _torn)| whole);
    let mut lines = whole.lines().filter(|line| !line.is_empty()).peekable();
    while let Some(line) = lines.next() {
        let line: Value = match serde_json::from_str(line) {
            Ok(line) => line,
            // The kernel may stop a write at a page's end when the writer is killed. The next run
            // begins on a line of its own, with a head; nobody believes the torn one.
            Err(e) => {
                let next = lines.peek().copied().unwrap_or_default();
                assert!(next.contains("\"unlade-journal\""), "{e} {when}: {line}");
                continue;
            }
        };
        let Some(path) = line["path"].as_str() else {
            assert_eq!(line["journal"], "unlade-journal", "{when}");
            continue;
        };
        match standing.get(Path::new(path)) {
            Some(Node::File { bytes, hash }) => {
                assert_eq!(line["bytes"], *bytes, "{path} {when}");
                assert_eq!(line["blake3"], hash.to_hex().as_str(), "{path} {when}");
            }
            other => panic!("{path} is {other:?} {when}"),
        }
        files += 1;
    }
    files
}

/// What a manifest says apart from where, when and how fast.
fn lasting(manifest: &Value) -> Value {
    let files: Vec<Value> = manifest["files"]
        .as_array()
        .unwrap()
        .iter()
        .map(|f| serde_json::json!([f["path"], f["bytes"], f["modified"], f["blake3"]]))
        .collect();
    let mut verdict = manifest["verdict"].clone();
    // A run that goes on reads some of what is on record again, and says so; nobody else has to.
    let is_of_sample = |note: &Value| {
        let note = note.as_str().unwrap();
        note.starts_with("As a sample, ") && note.contains(" read from the card and match")
    };
    if let Some(notes) = verdict["notes"].as_array_mut() {
        notes.retain(|note| !is_of_sample(note));
    }
    // A manifest without any has no list of them.
    if verdict["notes"].as_array().is_none_or(Vec::is_empty) {
        verdict["notes"] = Value::Null;
    }
    serde_json::json!({
        "files": files, "folders": manifest["folders"], "totals": manifest["totals"],
        "left_out": manifest["left_out"], "verdict": verdict,
        "listing": manifest["card"]["listing_b3"],
    })
}

/// Copies undisturbed a few times; returns the shortest run and what both manifests say.
fn calm_runs(card: &Path, expected: &Tree, layout: Layout) -> (Duration, [Value; 2]) {
    let mut shortest = Duration::MAX;
    let mut said = None;
    for _ in 0..3 {
        let calm = Victim::new(card, expected, layout);
        let (code, length) = time(&mut calm.copy());
        assert_eq!(code, 0);
        let manifests = calm.offloads().map(|offload| lasting(&manifest(&offload)));
        calm.check_end(&manifests, "undisturbed");
        said = Some(manifests);
        shortest = shortest.min(length);
    }
    (shortest, said.unwrap())
}

#[test]
fn killed_at_any_moment_and_started_again() {
    kill_and_resume(Layout::Plain, KILLS);
}

#[test]
fn a_bag_killed_at_any_moment_and_started_again() {
    kill_and_resume(Layout::Bag, KILLS_OF_BAGS);
}

fn kill_and_resume(layout: Layout, all: u32) {
    let wanted = if whole_sweeps() { all } else { all / 5 };
    let home = Work::new("kill");
    let card = home.path("card");
    make_card(&card);
    let expected = tree(&card);
    let (mut length, undisturbed) = calm_runs(&card, &expected, layout);

    let mut dice = Dice { seed: SEED, at: 0 };
    let (mut kills, mut hits, mut looked_at) = (0, 0, 0);
    while kills < wanted {
        let victim = Victim::new(&card, &expected, layout);
        // Some are killed once, some again while they resume, which is over sooner.
        for again in 0..=u32::try_from(dice.below(3)).unwrap() {
            let share = u32::try_from(dice.below(1_000)).unwrap();
            let delay = length * share / 1_000 / (again + 1);
            let when = format!("(seed {SEED}, kill {kills}, after {delay:?} of {length:?})");
            kills += 1;
            match kill_after(&mut victim.copy(), delay) {
                (None, _) => hits += 1,
                (Some(code), ran) => {
                    assert_eq!(code, 0, "{when}");
                    // The computer has less to do than it had; later points are nearer.
                    if again == 0 {
                        length = length.min(ran);
                    }
                }
            }
            looked_at += victim.check(&when);
        }
        let when = format!("(seed {SEED}, before kill {kills})");
        assert_eq!(time(&mut victim.copy()).0, 0, "{when}");
        victim.check_end(&undisturbed, &when);
    }
    tell(&format!(
        "{hits} of {kills} kills met a running process; a run takes {length:?}; \
         {looked_at} names and journal lines were true"
    ));
    // Fewer would test nothing.
    assert!(
        hits * 2 >= wanted,
        "{hits} of {kills} met a running process"
    );
    assert!(
        looked_at > 10 * usize::try_from(wanted).unwrap(),
        "the kills came before there was anything"
    );
}

/// Ctrl-C: the program ends within two seconds, says how to go on, and goes on.
#[test]
fn interrupted_and_started_again() {
    let home = Work::new("interrupt");
    let card = home.path("card");
    make_card(&card);
    let expected = tree(&card);
    let mut dice = Dice { seed: SEED, at: 0 };
    let mut stopped = 0;
    for _ in 0..40 {
        let victim = Victim::new(&card, &expected, Layout::Plain);
        let delay = Duration::from_millis(20 + dice.below(120));
        let (ran, ending) = interrupt_after(&mut victim.copy(), delay);
        assert!(ending < Duration::from_secs(2), "it took {ending:?}: {ran}");
        // It may have been over already, or not have begun to listen.
        if ran.code != 130 {
            assert!(ran.code == 0 || ran.code == -1, "{ran}");
            continue;
        }
        ran.says("NOT PROVEN")
            .says("interrupted")
            .says("Run the same command again");
        victim.check("(after an interrupt)");
        assert_eq!(time(&mut victim.copy()).0, 0);
        for offload in victim.offloads() {
            assert_eq!(tree(&offload), expected);
        }
        stopped += 1;
        if stopped == 3 {
            return;
        }
    }
    panic!("only {stopped} runs could be interrupted");
}
