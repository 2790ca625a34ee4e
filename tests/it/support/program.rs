//! Runs the real binary in a folder of its own on a real disk, makes cards for it, and looks at
//! what it left with other means than its own: `walkdir`, `blake3`, `serde_json`.
#![expect(
    clippy::disallowed_methods,
    reason = "tests make, damage and remove files of their own, and wait for a process"
)]

use serde_json::Value;
use std::collections::BTreeMap;
use std::ffi::OsStr;
use std::fs::{self, File, FileTimes, OpenOptions};
use std::io::{self, BufReader, Read as _, Seek as _, SeekFrom, Write as _};
#[cfg(unix)]
use std::os::unix::fs::MetadataExt as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::{Duration, Instant, SystemTime};
use walkdir::WalkDir;

/// 2026-10-03T09:30:00Z; files on made-up cards are dated from here.
const CARD_DAY_S: u64 = 1_791_019_800;
/// A program that runs longer than this hangs.
const HANGS_AFTER: Duration = Duration::from_secs(120);

/// Says loudly that a test could not be made here; where everything must be there, it fails.
pub(crate) fn skip(reason: &str) {
    assert!(
        std::env::var_os("CI").is_none(),
        "not possible here, and must be: {reason}"
    );
    // Past the capture of the test harness, which would hide it.
    io::Write::write_fmt(&mut io::stderr(), format_args!("SKIPPED: {reason}\n")).unwrap();
}

/// Tells what a test found out, for `cargo test -- --nocapture` and for the log of a failure.
#[expect(clippy::print_stderr, reason = "figures of a test")]
pub(crate) fn tell(text: &str) {
    eprintln!("{text}");
}

// ---- the folder -------------------------------------------------------------------------------

/// A folder for one test, below the build's folder and so on a real disk; removed at the end.
#[derive(Debug)]
pub(crate) struct Work {
    root: PathBuf,
}

impl Work {
    pub(crate) fn new(name: &str) -> Self {
        Self::below(Path::new(env!("CARGO_TARGET_TMPDIR")), name)
    }

    /// The same below another folder.
    pub(crate) fn below(parent: &Path, name: &str) -> Self {
        static COUNT: AtomicU32 = AtomicU32::new(0);
        let number = COUNT.fetch_add(1, Ordering::Relaxed);
        let root = parent.join(format!("it-{name}-{}-{number}", std::process::id()));
        for folder in ["home", "tmp"] {
            fs::create_dir_all(root.join(folder)).unwrap();
        }
        Self { root }
    }

    pub(crate) fn path(&self, below: &str) -> PathBuf {
        self.root.join(below)
    }

    /// Makes a folder.
    pub(crate) fn folder(&self, below: &str) -> PathBuf {
        let path = self.path(below);
        fs::create_dir_all(&path).unwrap();
        path
    }

    /// Makes `card` with a few stills, a clip, an empty folder and a hidden file, and the
    /// destinations `a` and `b`.
    pub(crate) fn with_card(name: &str) -> Self {
        let work = Self::new(name);
        work.folder("a");
        work.folder("b");
        Card::new(&work.path("card"))
            .file("DCIM/100KITES/KITE0001.JPG", 40_000, 1)
            .file("DCIM/100KITES/KITE0002.JPG", 41_000, 2)
            .file("DCIM/100KITES/KITE0002.DNG", 300_000, 3)
            .file("DCIM/101KITES/KITE0001.JPG", 1, 4)
            .file("DCIM/101KITES/KITE0002.TXT", 0, 5)
            .file("PRIVATE/CLIPS/C0001.MP4", 3_000_000, 6)
            .file("PRIVATE/CLIPS/.index", 12, 7)
            .folder("PRIVATE/CLIPS/EMPTY");
        work
    }

    /// The program in this folder with an environment of its own.
    pub(crate) fn command(&self) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_unlade"));
        command
            .env_clear()
            .envs(std::env::var_os("PATH").map(|path| ("PATH", path)))
            .env("HOME", self.path("home"))
            .env("TMPDIR", self.path("tmp"))
            .current_dir(&self.root)
            .stdin(Stdio::null());
        command
    }

    /// Runs the program with arguments that hold no blanks.
    pub(crate) fn run(&self, arguments: &str) -> Ran {
        self.run_with(arguments.split_whitespace())
    }

    /// Runs the program with any arguments; what it says to people it says in full.
    pub(crate) fn run_with(&self, arguments: impl IntoIterator<Item = impl AsRef<OsStr>>) -> Ran {
        let arguments: Vec<_> = arguments
            .into_iter()
            .map(|a| a.as_ref().to_owned())
            .collect();
        let mut command = self.command();
        command.args(&arguments);
        let tells = ["copy", "plan", "prove", "verify"];
        let is_short = ["--json", "--quiet", "-q", "--verbose", "-v"];
        let is_told = arguments
            .first()
            .is_some_and(|a| tells.iter().any(|word| a == word));
        let is_short = arguments
            .iter()
            .any(|a| is_short.iter().any(|word| a == word));
        if is_told && !is_short {
            command.arg("--verbose").env("UNLADE_LOG", "off");
        }
        finish(&mut command)
    }

    /// Runs the program as a person does every day, with arguments that hold no blanks.
    pub(crate) fn run_short(&self, arguments: &str) -> Ran {
        let mut command = self.command();
        command.args(arguments.split_whitespace());
        finish(&mut command)
    }

    /// Copies `card` to `a` and `b` as `KITES`, one copy needed, and expects PROVEN.
    pub(crate) fn offload(&self) -> PathBuf {
        self.run("copy card --to a --to b --name KITES --copies 1")
            .exits(0);
        self.path("a/KITES")
    }
}

impl Drop for Work {
    fn drop(&mut self) {
        if let Err(cause) = fs::remove_dir_all(&self.root) {
            tell(&format!("{} stays: {cause}", self.root.display()));
        }
    }
}

// ---- the program ------------------------------------------------------------------------------

/// What `verify` says of a good copy and of no other.
pub(crate) const INTACT: &str = "is what its manifest says";

/// What a program said and how it ended.
#[derive(Debug)]
pub(crate) struct Ran {
    command: String,
    /// Exit code; -1 when a signal ended it.
    pub(crate) code: i32,
    pub(crate) out: String,
    pub(crate) err: String,
}

impl Ran {
    fn new(command: String, output: Output) -> Self {
        Self {
            command,
            code: output.status.code().unwrap_or(-1),
            out: String::from_utf8(output.stdout).unwrap(),
            err: String::from_utf8(output.stderr).unwrap(),
        }
    }

    /// Fails with everything that was said unless the exit code is this one.
    #[track_caller]
    pub(crate) fn exits(&self, code: i32) -> &Self {
        assert_eq!(self.code, code, "{self}");
        self
    }

    /// Fails unless the output, both streams, line breaks taken as blanks, holds this text.
    #[track_caller]
    pub(crate) fn says(&self, text: &str) -> &Self {
        assert!(self.words().contains(text), "no `{text}` in {self}");
        self
    }

    /// Fails if the output holds this text.
    #[track_caller]
    pub(crate) fn is_silent_of(&self, text: &str) -> &Self {
        assert!(!self.words().contains(text), "`{text}` in {self}");
        self
    }

    /// Both streams with runs of blanks and line breaks as one blank.
    pub(crate) fn words(&self) -> String {
        let all = format!("{}\n{}", self.out, self.err);
        all.split_whitespace().collect::<Vec<_>>().join(" ")
    }

    /// Every line of the output as JSON.
    #[track_caller]
    pub(crate) fn events(&self) -> Vec<Value> {
        self.out
            .lines()
            .map(|line| serde_json::from_str(line).unwrap_or_else(|e| panic!("{e}: {line}")))
            .collect()
    }
}

impl Ran {
    /// The first event of a kind.
    #[track_caller]
    pub(crate) fn first(&self, event: &str) -> Value {
        let mut events = self.events().into_iter();
        let found = events.find(|e| e["event"] == event);
        found.unwrap_or_else(|| panic!("no {event} in {self}"))
    }

    /// The verdict, which is the last event.
    #[track_caller]
    pub(crate) fn verdict(&self) -> Value {
        self.first("verdict")
    }
}

impl std::fmt::Display for Ran {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "{}\nexit code {}\n{}{}",
            self.command, self.code, self.out, self.err
        )
    }
}

/// Waits for a program and keeps what it says to its end.
#[cfg(unix)]
pub(crate) fn ended(child: Child) -> Ran {
    Ran::new("at its end".to_owned(), child.wait_with_output().unwrap())
}

/// Sends a program SIGINT, as Ctrl-C does, and keeps what it says to its end.
#[cfg(unix)]
pub(crate) fn interrupted(child: Child) -> Ran {
    let pid = rustix::process::Pid::from_child(&child);
    rustix::process::kill_process(pid, rustix::process::Signal::INT).unwrap();
    Ran::new("Ctrl-C".to_owned(), child.wait_with_output().unwrap())
}

/// Runs a program to its end and keeps what it says.
pub(crate) fn finish(command: &mut Command) -> Ran {
    let child = command
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let output = child.wait_with_output().unwrap();
    let ran = Ran::new(format!("{command:?}"), output);
    look(command, Some(ran.code), &ran.words());
    ran
}

/// The independent look after a run that may have said PROVEN; what it said, if that was kept.
pub(crate) fn look(command: &Command, code: Option<i32>, said: &str) {
    #[cfg(target_os = "linux")]
    crate::truth::after_run(command, code, said);
    #[cfg(not(target_os = "linux"))]
    let _ = (command, code, said);
}

/// Runs a command for so long and then kills it with SIGKILL. Returns its exit code if it ended
/// before, and how long it ran.
pub(crate) fn kill_after(command: &mut Command, delay: Duration) -> (Option<i32>, Duration) {
    let start = Instant::now();
    let mut child = command
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let code = wait(&mut child, start, delay);
    if code.is_none() {
        // On Unix this is SIGKILL, which no program can catch.
        child.kill().unwrap();
        let status = child.wait().unwrap();
        return (status.code(), start.elapsed());
    }
    let took = start.elapsed();
    look(command, code, "");
    (code, took)
}

/// Runs a command for so long and then sends it SIGINT, as Ctrl-C does. Returns what it said and
/// how long it took to end.
#[cfg(unix)]
pub(crate) fn interrupt_after(command: &mut Command, delay: Duration) -> (Ran, Duration) {
    let mut child = command
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    if wait(&mut child, Instant::now(), delay).is_none() {
        let pid = rustix::process::Pid::from_child(&child);
        rustix::process::kill_process(pid, rustix::process::Signal::INT).unwrap();
    }
    let start = Instant::now();
    let output = child.wait_with_output().unwrap();
    let ending = start.elapsed();
    let ran = Ran::new(format!("{command:?}"), output);
    look(command, Some(ran.code), &ran.words());
    (ran, ending)
}

/// Peak memory of a run in kB, by the system's own account, and what it said.
#[cfg(all(target_os = "linux", feature = "offsite"))]
pub(crate) fn peak(plain: &Command) -> (u64, String) {
    const ASK: &str = "import resource, subprocess, sys\n\
        ran = subprocess.run(sys.argv[1:])\n\
        print('peak', resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)\n\
        sys.exit(ran.returncode)";
    let mut command = Command::new("/usr/bin/python3");
    command
        .args(["-c", ASK])
        .arg(plain.get_program())
        .args(plain.get_args())
        .current_dir(plain.get_current_dir().unwrap())
        .env_clear()
        .envs(
            plain
                .get_envs()
                .filter_map(|(key, value)| Some((key, value?))),
        );
    let ran = finish(&mut command);
    ran.exits(0);
    let peak = ran
        .out
        .rsplit("peak ")
        .next()
        .unwrap()
        .trim()
        .parse()
        .unwrap();
    (peak, ran.out.clone())
}

/// Runs a command to its end and returns its exit code and how long it ran.
pub(crate) fn time(command: &mut Command) -> (i32, Duration) {
    let (code, took) = kill_after(command, HANGS_AFTER);
    (code.expect("the program hangs"), took)
}

fn wait(child: &mut Child, start: Instant, delay: Duration) -> Option<i32> {
    loop {
        if let Some(status) = child.try_wait().unwrap() {
            return Some(status.code().unwrap_or(-1));
        }
        let left = delay.checked_sub(start.elapsed())?;
        std::thread::sleep(left.min(Duration::from_millis(1)));
    }
}

/// Waits until something is so or a program has ended, whose exit code is then the answer.
pub(crate) fn wait_until(child: &mut Child, mut is_so: impl FnMut() -> bool) -> Option<i32> {
    let start = Instant::now();
    while !is_so() {
        if let Some(status) = child.try_wait().unwrap() {
            return Some(status.code().unwrap_or(-1));
        }
        assert!(start.elapsed() < HANGS_AFTER, "the program hangs");
        std::thread::sleep(Duration::from_millis(1));
    }
    None
}

/// Looks for a program on the PATH and where the project's own checks install theirs. A b3sum that
/// is too old does not count: 1.2 (Debian 12) refuses a list with an escaped carriage return.
pub(crate) fn tool(name: &str) -> Option<PathBuf> {
    let tools = Path::new(env!("CARGO_TARGET_TMPDIR")).join("../ci-tools/bin");
    let path = std::env::var_os("PATH").unwrap_or_default();
    std::env::split_paths(&path)
        .chain([tools])
        .map(|folder| folder.join(name))
        .find(|file| file.is_file() && (name != "b3sum" || is_new_b3sum(file)))
}

fn is_new_b3sum(program: &Path) -> bool {
    let version = finish(Command::new(program).arg("--version")).out;
    let minor = version.trim().strip_prefix("b3sum 1.").map(|rest| {
        let digits = rest.split('.').next().unwrap_or_default();
        digits.parse::<u32>().unwrap_or_default()
    });
    minor.is_none_or(|minor| minor >= 8)
}

/// Finds the Python that `.ci/run` gave the outside checkers to: the libraries `bagit` and
/// `jsonschema`.
pub(crate) fn checkers() -> Option<PathBuf> {
    let python = "../ci-tools/python/bin/python3";
    let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join(python);
    path.is_file().then_some(path)
}

// ---- cards ------------------------------------------------------------------------------------

/// A card in the making: content follows from the seed, dates from the order.
#[derive(Debug)]
pub(crate) struct Card {
    root: PathBuf,
    files: u64,
}

impl Card {
    pub(crate) fn new(root: &Path) -> Self {
        fs::create_dir_all(root).unwrap();
        Self {
            root: root.to_path_buf(),
            files: 0,
        }
    }

    /// Adds a file.
    pub(crate) fn file(self, path: impl AsRef<Path>, bytes: usize, seed: u64) -> Self {
        let content = content(bytes, seed);
        self.holding(path, &content)
    }

    /// Adds a file with this content.
    pub(crate) fn holding(mut self, path: impl AsRef<Path>, content: &[u8]) -> Self {
        let path = self.root.join(path);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(&path, content).unwrap();
        self.files += 1;
        let date = SystemTime::UNIX_EPOCH + Duration::from_secs(CARD_DAY_S + 60 * self.files);
        File::open(&path).unwrap().set_modified(date).unwrap();
        self
    }

    /// Adds an empty folder.
    pub(crate) fn folder(self, path: &str) -> Self {
        fs::create_dir_all(self.root.join(path)).unwrap();
        self
    }
}

/// Returns bytes that look like a compressed picture and are the same on every run.
pub(crate) fn content(bytes: usize, seed: u64) -> Vec<u8> {
    let mut content = vec![0; bytes];
    blake3::Hasher::new()
        .update(&seed.to_le_bytes())
        .finalize_xof()
        .fill(&mut content);
    content
}

/// Gives every entry a last access in 2001 and returns the paths, the root first.
pub(crate) fn age(root: &Path) -> Vec<PathBuf> {
    let long_ago = SystemTime::UNIX_EPOCH + Duration::from_secs(1_000_000_000);
    let paths: Vec<PathBuf> = WalkDir::new(root)
        .into_iter()
        .map(|entry| entry.unwrap().into_path())
        .collect();
    for path in &paths {
        let file = File::open(path).unwrap();
        file.set_times(FileTimes::new().set_accessed(long_ago))
            .unwrap();
    }
    paths
}

/// What the file system keeps of an entry: size, mode, owner, link count, atime, mtime, ctime.
#[cfg(unix)]
pub(crate) type Traces = (u64, u32, u32, u64, [(i64, i64); 3]);

/// Looks at entries without opening them.
#[cfg(unix)]
pub(crate) fn traces(paths: &[PathBuf]) -> Vec<Traces> {
    paths
        .iter()
        .map(|path| {
            let m = fs::symlink_metadata(path).unwrap();
            let times = [
                (m.atime(), m.atime_nsec()),
                (m.mtime(), m.mtime_nsec()),
                (m.ctime(), m.ctime_nsec()),
            ];
            (m.len(), m.mode(), m.uid(), m.nlink(), times)
        })
        .collect()
}

// ---- looking at the result --------------------------------------------------------------------

/// One entry of a tree.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(crate) enum Node {
    Folder,
    File { bytes: u64, hash: blake3::Hash },
    Other,
}

/// Every entry below a folder, by relative path.
pub(crate) type Tree = BTreeMap<PathBuf, Node>;

/// Walks and hashes everything below a folder.
pub(crate) fn whole_tree(root: &Path) -> Tree {
    walk(root, |_| true)
}

/// Walks and hashes an offload or a card without the records.
pub(crate) fn tree(root: &Path) -> Tree {
    walk(root, |path| !path.starts_with("_unlade"))
}

fn walk(root: &Path, wanted: impl Fn(&Path) -> bool) -> Tree {
    let mut tree = Tree::new();
    for entry in WalkDir::new(root).min_depth(1) {
        let entry = entry.unwrap();
        let path = entry.path().strip_prefix(root).unwrap().to_path_buf();
        if !wanted(&path) {
            continue;
        }
        let kind = entry.file_type();
        let node = if kind.is_dir() {
            Node::Folder
        } else if kind.is_file() {
            let (bytes, hash) = hash(entry.path());
            Node::File { bytes, hash }
        } else {
            Node::Other
        };
        tree.insert(path, node);
    }
    tree
}

/// Returns size and BLAKE3 of a file.
pub(crate) fn hash(path: &Path) -> (u64, blake3::Hash) {
    let mut hasher = blake3::Hasher::new();
    let mut file = BufReader::with_capacity(1 << 16, File::open(path).unwrap());
    let bytes = io::copy(&mut file, &mut hasher).unwrap();
    (bytes, hasher.finalize())
}

/// Returns whether a name is that of an unfinished part file.
pub(crate) fn is_part(path: &Path) -> bool {
    path.file_name()
        .and_then(OsStr::to_str)
        .is_some_and(|name| name.starts_with('.') && name.ends_with(".unlade-part"))
}

/// Fails if any file of an offload has a final name and not the card's bytes.
#[track_caller]
pub(crate) fn no_wrong_bytes(card: &Tree, offload: &Tree, when: &str) {
    for (path, node) in offload.iter().filter(|(path, _)| !is_part(path)) {
        let at = path.display();
        assert_eq!(card.get(path), Some(node), "`{at}` {when}");
    }
}

/// Loads an offload's manifest.
pub(crate) fn manifest(offload: &Path) -> Value {
    let bytes = bytes_of(&offload.join("_unlade/manifest.json"));
    serde_json::from_slice(&bytes).unwrap()
}

/// Stores a manifest and, beside it, a fitting hash in `b3sum` form and the page that is made from
/// it, so that only what it says can be at fault.
pub(crate) fn store_manifest(offload: &Path, text: &[u8]) {
    store_without_page(offload, text);
    if let Ok(manifest) = unlade::record::manifest::Manifest::from_bytes(text) {
        let page = unlade::report::page::page(&manifest);
        fs::write(offload.join("_unlade/report.html"), page).unwrap();
    }
}

/// Stores a manifest and, beside it, a fitting hash in `b3sum` form.
pub(crate) fn store_without_page(offload: &Path, text: &[u8]) {
    let line = format!("{}  manifest.json\n", blake3::hash(text).to_hex());
    fs::write(offload.join("_unlade/manifest.json"), text).unwrap();
    fs::write(offload.join("_unlade/manifest.json.b3"), line).unwrap();
}

/// Returns the names in a folder, sorted; none when there is no such folder.
pub(crate) fn names_in(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = WalkDir::new(folder)
        .min_depth(1)
        .max_depth(1)
        .into_iter()
        .filter_map(Result::ok)
        .map(|entry| entry.file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    names
}

/// Reads a whole file.
pub(crate) fn bytes_of(path: &Path) -> Vec<u8> {
    fs::read(path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

/// Writes a whole file.
pub(crate) fn put(path: &Path, content: &[u8]) {
    fs::write(path, content).unwrap();
}

/// Turns one bit of a file over and keeps its date.
pub(crate) fn flip(path: &Path, at: u64) {
    let mut file = OpenOptions::new()
        .read(true)
        .write(true)
        .open(path)
        .unwrap();
    let date = file.metadata().unwrap().modified().unwrap();
    let mut byte = [0];
    file.seek(SeekFrom::Start(at)).unwrap();
    file.read_exact(&mut byte).unwrap();
    file.seek(SeekFrom::Start(at)).unwrap();
    file.write_all(&[byte[0] ^ 1]).unwrap();
    file.set_modified(date).unwrap();
}

/// Moves a file or folder.
pub(crate) fn move_to(from: &Path, to: &Path) {
    fs::rename(from, to).unwrap();
}

/// Removes a file.
pub(crate) fn remove(path: &Path) {
    fs::remove_file(path).unwrap();
}
