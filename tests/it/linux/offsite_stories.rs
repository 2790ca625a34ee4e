//! Stories of a place in a bucket, by chance, beside a small model: commands, kills, harm at the
//! server and a server that lies, in any order. After each command what it claims is held to what
//! the server has. A story follows from its seed, which is in every failure.

use crate::support::program::{
    Card, Node, Ran, Work, bytes_of, is_part, kill_after, names_in, put, remove, tree,
};
use crate::support::s3::{Lie, S3};
use crate::support::sim::Chance;
use crate::support::{at_once, sampled};
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

const LONG: &str = "PRIVATE/CLIPS/C0002.MP4";
const LIES: [Lie; 10] = [
    Lie::FlipGet,
    Lie::CutGet,
    Lie::ShortGet,
    Lie::DropPart,
    Lie::ForgetPart,
    Lie::Lose,
    Lie::Busy,
    Lie::OtherCase,
    Lie::OldVersion,
    Lie::HangUp,
];

fn one_line(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

struct Story {
    work: Work,
    s3: S3,
    seed: u64,
    chance: Chance,
    told: Vec<String>,
    /// All that is sent, by its path below the offload.
    paths: Vec<String>,
    /// Files that were harmed without a sign of it.
    silent: BTreeSet<String>,
    /// Of these and others what a command has said to be bad.
    known_bad: BTreeSet<String>,
    /// A file that is none of ours, and what it holds.
    foreign: Option<(PathBuf, Vec<u8>)>,
    has_read: bool,
}

impl Story {
    fn begin(seed: u64) -> Option<Self> {
        let work = Work::with_card(&format!("offsite-story-{seed}"));
        if seed.is_multiple_of(4) {
            drop(Card::new(&work.path("card")).file(LONG, 11_000_000, 8));
        }
        work.offload();
        let s3 = S3::start(&work)?;
        let root = work.path("a/KITES");
        let mut paths = Vec::new();
        for entry in walkdir::WalkDir::new(&root).sort_by_file_name() {
            let entry = entry.unwrap();
            let path = entry.path().strip_prefix(&root).unwrap();
            let path = path.to_str().unwrap().to_owned();
            if entry.file_type().is_file() && !path.ends_with("journal.jsonl") {
                paths.push(path);
            }
        }
        Some(Self {
            work,
            s3,
            seed,
            chance: Chance::new(seed ^ 0x6b69_7465),
            told: Vec::new(),
            paths,
            silent: BTreeSet::new(),
            known_bad: BTreeSet::new(),
            foreign: None,
            has_read: false,
        })
    }

    fn must(&self, is_so: bool, what: &str, ran: &dyn std::fmt::Display) {
        let (seed, told) = (self.seed, self.told.join("\n  "));
        assert!(is_so, "story {seed}: {what}\n  {told}\n{ran}");
    }

    fn there(&self, path: &str) -> PathBuf {
        self.s3.object(&format!("KITES/{path}"))
    }

    fn ours(&self, path: &str) -> PathBuf {
        self.work.path("a/KITES").join(path)
    }

    /// Files that are not there with their size, and those that hold something else.
    fn truth(&self) -> (BTreeSet<String>, BTreeSet<String>) {
        let (mut absent, mut unequal) = (BTreeSet::new(), BTreeSet::new());
        for path in &self.paths {
            let (ours, theirs) = (self.ours(path), self.there(path));
            let size = |at: &Path| {
                at.metadata()
                    .ok()
                    .filter(std::fs::Metadata::is_file)
                    .map(|m| m.len())
            };
            if size(&theirs) != size(&ours) {
                absent.insert(path.clone());
                unequal.insert(path.clone());
            } else if bytes_of(&ours) != bytes_of(&theirs) {
                unequal.insert(path.clone());
            }
        }
        (absent, unequal)
    }

    /// What always holds.
    fn look(&mut self, ran: &Ran) {
        self.must([0, 1, 3].contains(&ran.code), "an odd end", ran);
        if let Some((path, bytes)) = &self.foreign {
            self.must(
                bytes_of(path) == *bytes,
                "what is there was overwritten",
                ran,
            );
        }
        let (_, unequal) = self.truth();
        self.known_bad.retain(|path| unequal.contains(path));
        self.silent.retain(|path| unequal.contains(path));
    }

    fn lie(&mut self) {
        self.s3.is_honest();
        if self.chance.below(2) == 0 {
            return;
        }
        let lie = LIES[self.chance.below(LIES.len())];
        let path = self.paths[self.chance.below(self.paths.len())].clone();
        let is_slow = matches!(lie, Lie::CutGet | Lie::ShortGet | Lie::Busy | Lie::HangUp);
        let times = [1, 2, if is_slow { 3 } else { u64::MAX }][self.chance.below(3)];
        self.told
            .push(format!("the server: {lie:?} of {path}, {times} times"));
        self.s3.lies(lie, &path, times);
    }

    fn run(&mut self, line: &str) -> Ran {
        self.told.push(line.to_owned());
        let ran = self.s3.run(&self.work, line);
        if let Some(told) = self.told.last_mut() {
            told.push_str(&format!(" -> {}", ran.code));
        }
        self.look(&ran);
        ran
    }

    /// What a command that reads says to be bad, and is.
    fn hear(&mut self, ran: &Ran) {
        let words = one_line(&ran.words());
        let (_, unequal) = self.truth();
        let bad = unequal
            .into_iter()
            .filter(|path| words.contains(path.as_str()));
        self.known_bad.extend(bad);
    }

    fn send(&mut self) {
        let proof = ["", " --proof fetched"][self.chance.below(2)];
        let drive = ["a", "b"][self.chance.below(2)];
        let ran = self.run(&format!("send {drive}/KITES --to bay{proof}"));
        let (absent, unequal) = self.truth();
        let (says_sent, says_fetched) =
            (ran.out.contains("\nSENT."), ran.out.contains("\nFETCHED."));
        self.must(
            says_sent || says_fetched || ran.code != 0,
            "no answer",
            &ran,
        );
        if ran.code == 0 {
            self.must(absent.is_empty(), "SENT, and not all there", &ran);
        } else {
            self.must(!says_sent && !says_fetched, "a claim and a failure", &ran);
        }
        if says_fetched {
            let is_of_now = !one_line(&ran.out).contains("were equal, the");
            let is_true = unequal.is_empty() || (!is_of_now && unequal.is_subset(&self.silent));
            self.must(is_true, "FETCHED, and not equal", &ran);
        }
        self.has_read |= !proof.is_empty() || self.told.len() > 2;
    }

    fn send_and_kill(&mut self) {
        let ms = u64::try_from(self.chance.below(1_200)).unwrap();
        let mut command = self
            .s3
            .command(&self.work, "send a/KITES --to bay --limit 6MB/s");
        let ended = kill_after(&mut command, Duration::from_millis(ms));
        self.told
            .push(format!("send, killed after {ms} ms: {ended:?}"));
        self.has_read = true;
    }

    fn verify(&mut self) {
        let ran = self.run("verify bay/KITES");
        let (_, unequal) = self.truth();
        let is_true = ran.code != 0 || unequal.is_empty();
        self.must(is_true, "INTACT, and not equal", &ran);
        self.hear(&ran);
        self.has_read = true;
    }

    fn fetch(&mut self) {
        let to = format!("c{}", self.told.len());
        self.work.folder(&to);
        let ran = self.run(&format!("fetch bay/KITES --to {to}"));
        let card = tree(&self.work.path("card"));
        let came = self.work.path(&to).join("KITES");
        if ran.code == 0 {
            self.must(tree(&came) == card, "FETCHED, and not the card", &ran);
            self.work
                .run(&format!("verify {to}/KITES"))
                .exits(0)
                .says("INTACT");
        } else if came.exists() {
            let is_right =
                |(path, node): (PathBuf, Node)| is_part(&path) || card.get(&path) == Some(&node);
            self.must(
                tree(&came).into_iter().all(is_right),
                "wrong bytes have a name",
                &ran,
            );
            let manifest = came.join("_unlade/manifest.json");
            self.must(
                !manifest.exists(),
                "a manifest of what is not all there",
                &ran,
            );
        }
        self.hear(&ran);
    }

    fn prove(&mut self) {
        let ran = self.run("prove card --on bay --copies 1");
        if ran.code == 0 {
            let of_card = |paths: BTreeSet<String>| -> BTreeSet<String> {
                paths
                    .into_iter()
                    .filter(|path| !path.starts_with("_unlade"))
                    .collect()
            };
            let (absent, unequal) = self.truth();
            let (absent, unequal) = (of_card(absent), of_card(unequal));
            self.must(absent.is_empty(), "PROVEN, and not all there", &ran);
            self.must(unequal.is_subset(&self.silent), "PROVEN, and another", &ran);
            let is_known = unequal.iter().any(|path| self.known_bad.contains(path));
            self.must(!is_known, "PROVEN, and known to be bad", &ran);
            self.must(self.has_read, "PROVEN, and nobody read it", &ran);
        }
    }

    /// Harms what is there, or puts something in the place of what is not.
    fn harm(&mut self) {
        let path = self.paths[self.chance.below(self.paths.len())].clone();
        let there = self.there(&path);
        if !there.exists() {
            if self.foreign.is_none() && there.parent().is_some_and(Path::exists) {
                put(&there, b"somebody's lunch");
                self.told.push(format!("something else at {path}"));
                self.foreign = Some((there, b"somebody's lunch".to_vec()));
            }
            return;
        }
        let bytes = bytes_of(&there);
        let is_foreign = self.foreign.as_ref().is_some_and(|(at, _)| *at == there);
        if bytes.is_empty() || is_foreign {
            return;
        }
        match self.chance.below(3) {
            0 => {
                remove(&there);
                self.told.push(format!("{path} is gone there"));
            }
            1 => {
                put(&there, &bytes[1..]);
                self.told.push(format!("{path} is shorter there"));
            }
            _ => {
                let date = there.metadata().unwrap().modified().unwrap();
                let mut other = bytes;
                other[0] ^= 1;
                put(&there, &other);
                let file = std::fs::File::options().write(true).open(&there).unwrap();
                file.set_modified(date).unwrap();
                self.silent.insert(path.clone());
                self.told.push(format!("{path} rots there"));
            }
        }
    }

    fn step(&mut self) {
        self.lie();
        match self.chance.below(12) {
            0..4 => self.send(),
            4 => self.send_and_kill(),
            5 => self.verify(),
            6 => self.fetch(),
            7..9 => self.prove(),
            _ => self.harm(),
        }
    }

    /// Somebody takes away what is wrong there; then all of it can be had.
    fn end(&mut self) {
        self.s3.is_honest();
        self.foreign = None;
        for path in self.truth().1 {
            if self.there(&path).exists() {
                remove(&self.there(&path));
            }
        }
        let ran = self.run("send a/KITES --to bay --proof fetched");
        self.must(ran.out.contains("\nFETCHED."), "it does not go on", &ran);
        let ran = self.run("verify bay/KITES");
        self.must(ran.code == 0, "it is not intact", &ran);
        let ran = self.run("prove card --on bay --copies 1");
        self.must(ran.code == 0, "it does not count", &ran);
        let left = names_in(&self.work.path("home/.local/share/unlade/places"));
        assert!(!left.is_empty());
    }
}

#[test]
fn no_story_ends_in_a_claim_that_is_not_so() {
    // Most of the time a story waits before it tries again.
    let seeds: Vec<u64> = sampled((0..200).collect(), 4);
    let parts = seeds.chunks(seeds.len().div_ceil(4)).map(<[u64]>::to_vec);
    at_once(parts, |seeds| tell_some(&seeds));
}

/// Three at a time.
fn tell_some(seeds: &[u64]) {
    let next = AtomicUsize::new(0);
    std::thread::scope(|scope| {
        for _ in 0..3 {
            scope.spawn(|| {
                while let Some(seed) = seeds.get(next.fetch_add(1, Ordering::SeqCst)) {
                    tell_one(*seed);
                }
            });
        }
    });
}

fn tell_one(seed: u64) {
    let Some(mut story) = Story::begin(seed) else {
        return;
    };
    for _ in 0..5 + story.chance.below(4) {
        story.step();
    }
    story.end();
}
