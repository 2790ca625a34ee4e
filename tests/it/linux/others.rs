//! `verify` of folders that others recorded: checksum lists as coreutils, b3sum, xxhsum and `RHash`
//! write them, bags of the Library of Congress' Python library and by hand, and ASC media hash
//! lists as a maker of our own writes them from the standard's text (`mhl.py`).

use crate::support::mount::{self, Fault, Kind, Mount, Options};
use crate::support::program::{
    Card, INTACT, Ran, Work, bytes_of, checkers, ended, finish, flip, move_to, put, remove, skip,
    tool, wait_until, whole_tree,
};
use serde_json::Value;
use std::os::unix::fs::symlink;
use std::path::Path;
use std::process::{Command, Stdio};

/// Names that lists get wrong most easily.
const HARD: [&str; 16] = [
    "a b",
    " lead",
    "trail ",
    "back\\slash",
    "\\n",
    "*star",
    "(p) = 0",
    "a) = b",
    "#hash",
    "%25",
    "caf\u{e9}",
    "a  b",
    "-dash",
    "quote\"'",
    "~tilde",
    "deadbeef",
];

/// A folder `K` with files of several sizes, more than a read's among them.
fn folder(name: &str, hard: &[&str]) -> Work {
    let work = Work::new(name);
    let mut card = Card::new(&work.path("K"));
    for (seed, name) in (1..).zip(hard) {
        card = card.file(name, 900, seed);
        card = card.file(Path::new("HARD").join(name), 70, seed + 100);
    }
    card.file("DCIM/100KITES/KITE0001.MP4", 3_000_000, 7)
        .file("DCIM/100KITES/KITE0002.JPG", 40_000, 8)
        .file("DCIM/100KITES/EMPTY.TXT", 0, 9);
    work
}

/// Runs a line of shell in the folder; `None`, said loudly, where a program is missing.
fn shell(program: &str, line: &str, folder: &Path) -> Option<Ran> {
    let Some(path) = tool(program) else {
        skip(&format!("{program} is not installed"));
        return None;
    };
    let line = line.replacen(program, path.to_str().unwrap(), 1);
    let mut command = Command::new("bash");
    command
        .args(["-o", "pipefail", "-c", &line])
        .current_dir(folder);
    Some(finish(command.env("LC_ALL", "C.UTF-8")))
}

const ALL: &str = "$(find . -type f ! -name '*SUMS*' ! -name 'sums.*' | sort)";
const CLIP: &str = "DCIM/100KITES/KITE0001.MP4";

/// What each program writes, and the name that the list gets.
const FORMS: [(&str, &str, &str); 22] = [
    ("md5sum", "md5sum", "MD5SUMS"),
    ("md5sum", "md5sum --binary", "sums.md5"),
    ("sha1sum", "sha1sum", "sums.sha1"),
    ("sha224sum", "sha224sum", "SHA224SUMS"),
    ("sha256sum", "sha256sum", "checksums.txt"),
    ("sha256sum", "sha256sum --tag", "SHA256SUMS"),
    ("sha384sum", "sha384sum", "sums.sha384"),
    ("sha512sum", "sha512sum --tag", "checksums"),
    ("b2sum", "b2sum", "B2SUMS"),
    ("b2sum", "b2sum --tag -l 256", "sums.b2"),
    ("b3sum", "b3sum", "B3SUMS"),
    ("b3sum", "b3sum --tag", "sums.b3"),
    ("xxhsum", "xxhsum -H0", "sums.xxh32"),
    ("xxhsum", "xxhsum -H1", "sums.xxh"),
    ("xxhsum", "xxhsum -H2", "sums.xxhash"),
    ("xxhsum", "xxhsum -H3", "sums.xxh3"),
    ("xxhsum", "xxhsum --tag -H1", "sums.txt"),
    ("rhash", "rhash --sha256 --bsd", "sums.sha256"),
    ("rhash", "rhash --md5 --simple", "sums.md5"),
    ("rhash", "rhash --crc32 --sfv", "sums.sfv"),
    ("rhash", "rhash --crc32 --md5 --sha1", "sums.hash"),
    ("openssl", "openssl dgst -sha256", "sums.sha256"),
];

/// GNU coreutils, b3sum, xxhsum, `RHash` and OpenSSL themselves are the source of every form.
#[test]
fn lists_in_every_form_that_programs_write_are_checked() {
    let work = folder("forms", &[]);
    let root = work.path("K");
    for (program, line, list) in FORMS {
        let line = format!("{line} {ALL} 2>/dev/null > {list}");
        let Some(made) = shell(program, &line, &root) else {
            continue;
        };
        assert_eq!(made.code, 0, "{line}: {}", made.words());
        let whole = work.run("verify K");
        whole
            .exits(0)
            .says("3 of 3 files")
            .says("INTACT. K is what its list says.");
        whole.says("It doesn't say which card that came from");
        flip(&root.join(CLIP), 1_500_000);
        let hurt = work.run("verify K");
        hurt.exits(1)
            .says("NOT INTACT. K: 1 changed.")
            .says("KITE0001.MP4");
        flip(&root.join(CLIP), 1_500_000);
        remove(&root.join(list));
    }
}

/// The same with names that lists get wrong, by the programs that escape them or need not. `RHash`
/// takes `\\` for a separator and is not among them.
#[test]
fn hard_names_are_read_as_they_were_written() {
    let work = folder("hard-names", &HARD);
    let root = work.path("K");
    for (program, line, list) in [
        ("md5sum", "md5sum", "MD5SUMS"),
        ("sha256sum", "sha256sum --tag", "SHA256SUMS"),
        ("b3sum", "b3sum", "B3SUMS"),
        ("xxhsum", "xxhsum -H2", "sums.xxh"),
    ] {
        let line = format!(
            "find . -type f ! -name '*SUMS' ! -name 'sums.*' -print0 | xargs -0 {line} \
            2>/dev/null > {list}"
        );
        // The program comes later in this line.
        let Some(_) = tool(program) else {
            skip(&format!("{program} is not installed"));
            continue;
        };
        let line = line.replace(
            &format!("xargs -0 {program}"),
            &format!("xargs -0 {}", tool(program).unwrap().display()),
        );
        let mut made = Command::new("bash");
        made.args(["-o", "pipefail", "-c", &line])
            .current_dir(&root);
        finish(made.env("LC_ALL", "C.UTF-8")).exits(0);
        work.run("verify K").exits(0).says("35 of 35 files");
        remove(&root.join(list));
    }
}

#[test]
fn what_is_missing_changed_extra_moved_and_not_checkable_is_told_apart() {
    let work = folder("apart", &[]);
    let root = work.path("K");
    let made = format!("md5sum {ALL} > MD5SUMS");
    if shell("md5sum", &made, &root).is_none() {
        return;
    }
    let more = "RMD160 (DCIM/100KITES/KITE0002.JPG) = 8eb208f7e05d987a9b044a8e98c6b087f15a0bfc\n\
        RMD160 (only.bin) = 8eb208f7e05d987a9b044a8e98c6b087f15a0bfc\n";
    put(&root.join("more.txt"), b"x");
    put(&root.join("only.bin"), b"abc");
    put(&root.join("sums.hash"), more.as_bytes());
    move_to(&root.join(CLIP), &root.join("DCIM/clip.mp4"));
    remove(&root.join("DCIM/100KITES/EMPTY.TXT"));
    put(&root.join("._more.txt"), b"Mac");
    let before = whole_tree(&root);
    let ran = work.run("verify K");
    ran.exits(1)
        .says("moved `DCIM/100KITES/KITE0001.MP4`: is whole at `DCIM/clip.mp4`")
        .says("missing `DCIM/100KITES/EMPTY.TXT`")
        .says("extra `more.txt`")
        .says("no check `only.bin`: its hash is RMD160, which is not known here")
        .says("1 entry made by a computer since")
        .says("NOT INTACT. K: 1 missing, 1 extra, 1 moved, 1 could not be checked.");
    assert_eq!(whole_tree(&root), before, "it writes nothing");
    let ran = work.run("verify K --json");
    let verdict = ran.verdict();
    for (key, n) in [
        ("missing", 1),
        ("extra", 1),
        ("moved", 1),
        ("unchecked", 1),
        ("litter", 1),
    ] {
        assert_eq!(verdict[key], n, "{key}");
    }
    assert_eq!(verdict["proven"], false);
    assert_eq!(verdict["records"][0]["kind"], "list");
}

/// Limits of the text: each is refused, or told, with the line that it is about.
#[test]
fn records_that_lead_elsewhere_or_contradict_themselves_are_refused() {
    let work = folder("refused", &[]);
    let root = work.path("K");
    put(&work.path("secret"), b"");
    let md5 = "d41d8cd98f00b204e9800998ecf8427e";
    let other = "900150983cd24fb0d6963f7d28e17f72";
    for (list, says) in [
        (
            format!("{md5}  ../secret\n"),
            "line 1: it has a `.` or `..` in a path",
        ),
        (
            format!("# x\n{md5}  /etc/hostname\n"),
            "line 2: it has an absolute path",
        ),
        (
            format!("{md5}  C:\\x\n"),
            "line 1: it has a path that begins with a drive letter",
        ),
        (
            format!("{md5}  ~/x\n"),
            "line 1: it has a path that begins with `~`",
        ),
        (
            format!("{md5}  a\n{other}  a\n"),
            "line 2: it has another checksum for `a`",
        ),
        (
            format!("{md5}  a\n{other}  ./a\n"),
            "line 2: it has another checksum for `a`",
        ),
        (
            "hello\n".to_owned(),
            "nothing in it is a line of a checksum list",
        ),
        (String::new(), "nothing in it is a line of a checksum list"),
        (
            format!("{md5}  {}\n", "x".repeat(70_000)),
            "line 1: the line is longer than any path",
        ),
        (
            format!("{md5}  {}\n", "x/".repeat(3_000)),
            "line 1: it has a path of more than",
        ),
    ] {
        put(&root.join("sums.md5"), list.as_bytes());
        let ran = work.run("verify K");
        ran.exits(3).says("`sums.md5`").says(says).says("Next: ");
    }
    put(&root.join("sums.md5"), b"\xff\xfed\x004\x001\x00");
    work.run("verify K").exits(3).says("it is UTF-16 text");
    // Two lists that contradict each other.
    put(
        &root.join("a.md5"),
        format!("{md5}  DCIM/100KITES/EMPTY.TXT\n").as_bytes(),
    );
    put(
        &root.join("sums.md5"),
        format!("{other}  DCIM/100KITES/EMPTY.TXT\n").as_bytes(),
    );
    work.run("verify K").exits(3).says("another checksum for");
    // One bad line costs no other.
    remove(&root.join("a.md5"));
    let list = format!("\u{feff}{md5}  DCIM/100KITES/EMPTY.TXT\r\nhello there\r\n");
    put(&root.join("sums.md5"), list.as_bytes());
    work.run("verify K")
        .exits(1)
        .says("no check `sums.md5`: line 2 is no line of a checksum list")
        .says("1 of 1 file match");
}

/// A link is not followed, wherever it leads.
#[test]
fn what_is_no_file_is_not_read() {
    let work = folder("no-file", &[]);
    let root = work.path("K");
    put(&work.path("secret"), b"abc");
    symlink("../secret", root.join("link")).unwrap();
    symlink("..", root.join("up")).unwrap();
    let abc = "900150983cd24fb0d6963f7d28e17f72";
    let list = format!("{abc}  link\n{abc}  up/secret\n{abc}  DCIM\n");
    put(&root.join("sums.md5"), list.as_bytes());
    work.run("verify K")
        .exits(1)
        .says("no check `link`: is a symbolic link, which is not followed")
        .says("missing `up/secret`")
        .says("changed `DCIM`: is not a file")
        .says("0 of 3 files match");
}

#[test]
fn a_list_that_lies_elsewhere_and_none_at_all() {
    let work = folder("elsewhere", &[]);
    let root = work.path("K");
    if shell("md5sum", &format!("md5sum {ALL} > ../far.md5"), &root).is_none() {
        return;
    }
    work.run("verify --list far.md5 --base K")
        .exits(0)
        .says("3 of 3 files");
    work.run("verify --list far.md5")
        .exits(1)
        .says("NOT INTACT");
    // The folder that is checked is the one that the paths begin in.
    for given in ["verify K --list far.md5", "verify --list far.md5 K/_unlade"] {
        work.run(given).exits(0).says("3 of 3 files");
    }
    for given in ["K K", "K --base K", "K DCIM --base K"] {
        let ran = work.run(&format!("verify --list far.md5 {given}"));
        ran.exits(2)
            .says("--list is for one folder, given once: `unlade verify K --list far.md5`.");
    }
    work.run("verify --list nothing.md5 --base K").exits(3);
    work.run("verify --list far.md5 --base nowhere")
        .exits(3)
        .says("it is not there");
    work.run("verify K")
        .exits(3)
        .says("nothing here says what it should hold")
        .says("unlade prove");
    work.run("verify").exits(2);
    move_to(&work.path("far.md5"), &root.join("DCIM/x.md5"));
    work.run("verify K")
        .exits(3)
        .says("a list is further down, `DCIM/x.md5`")
        .says("unlade verify K/DCIM");
    // Beside an offload of ours each has its own answer.
    move_to(&root.join("DCIM/x.md5"), &root.join("x.md5"));
    let offload = Work::with_card("elsewhere-ours");
    offload.offload();
    let both = format!(
        "verify {} {}",
        root.display(),
        offload.path("a/KITES").display()
    );
    let ran = work.run(&both);
    ran.exits(0).says("Both folders are intact");
    assert!(ran.words().matches(INTACT).count() < 2, "{}", ran.words());
}

/// Nothing is taken for a list only because of its name, and nothing that was not checked is passed
/// over in silence.
#[test]
fn nothing_hides_behind_the_name_of_a_list() {
    let work = folder("hides", &[]);
    let root = work.path("K");
    if shell("md5sum", &format!("md5sum {ALL} > MD5SUMS"), &root).is_none() {
        return;
    }
    let hidden = |name: &str, make: &dyn Fn(&Path)| {
        let path = root.join(name);
        make(&path);
        work.run("verify K")
            .exits(1)
            .says(&format!("extra `{name}`"));
        remove(&path);
    };
    hidden("SHA256SUMS", &|path| symlink("nowhere", path).unwrap());
    hidden("evil.md5", &|path| symlink("/etc/passwd", path).unwrap());
    hidden("clip.hash", &|path| put(path, b"no list"));
    hidden("empty.sha1", &|path| put(path, b""));
    put(&root.join("._MD5SUMS"), b"Mac");
    work.run("verify K")
        .exits(0)
        .says("1 entry made by a computer since");
    put(&work.path("notes.txt"), &bytes_of(&root.join("MD5SUMS")));
    put(&root.join("notes.txt"), b"mine");
    work.run("verify --list notes.txt --base K")
        .exits(1)
        .says("extra `notes.txt`");
    remove(&root.join("notes.txt"));
    work.run("verify --list K/MD5SUMS").exits(0);
    work.run("verify --list nope.md5 --base K")
        .exits(3)
        .says("the list is not there");
    let other = format!("SHA3-256 ({CLIP}) = {}\n", "07".repeat(32));
    put(&root.join("x.sums"), other.as_bytes());
    work.run("verify K")
        .exits(0)
        .says("`x.sums` has hashes that are not known here");
    remove(&root.join("x.sums"));
    // Two names cannot both be one file.
    put(
        &root.join("x.md5"),
        format!("{ABC}  a/b\n{ABC}  a\\b\n").as_bytes(),
    );
    put(&work.folder("K/a").join("b"), b"abc");
    work.run("verify K").exits(1).says(r"missing `a\b`");
    remove(&root.join("x.md5"));
    remove(&root.join("a/b"));
    // What was copied by us and lost its manifest is no folder of others.
    let ours = Work::with_card("hides-ours");
    let offload = ours.offload();
    move_to(&offload.join("_unlade"), &ours.path("away"));
    put(
        &offload.join("MD5SUMS"),
        b"d41d8cd98f00b204e9800998ecf8427e  x\n",
    );
    ours.run("verify a/KITES")
        .exits(3)
        .is_silent_of("checksum list");
}

#[test]
fn what_a_media_hash_list_leaves_out_is_said() {
    let work = folder("mhl-left-out", &[]);
    let root = work.path("K");
    if !mhl(&root, &["md5"]) {
        return;
    }
    let chain = root.join("ascmhl/ascmhl_chain.xml");
    let first = generation(&root, "0001");
    let text = String::from_utf8(bytes_of(&first)).unwrap();
    remove(&chain);
    remove(&first);
    put(&root.join("extra.mov"), b"x");
    // The maker's next list has a pattern that hides it.
    let Some(python) = checkers() else { return };
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/it/linux/mhl.py");
    let mut store = Command::new(python);
    put(
        &work.path("list"),
        text.replace(".DS_Store<", "*.mov<").as_bytes(),
    );
    store
        .arg(script)
        .arg("store")
        .arg(&root)
        .arg(work.path("list"));
    finish(&mut store).exits(0);
    work.run("verify K")
        .exits(0)
        .says("1 file is left out by the list's own patterns: nothing is known of it");
}

/// The offload below is checked by its manifest, and is not extra; in a bag it is.
#[test]
fn a_list_above_an_offload_is_checked_too() {
    let work = Work::with_card("above");
    put(&work.folder("K").join("clip1.mov"), b"kites");
    put(&work.path("K/clip2.mov"), b"more kites");
    if shell("md5sum", "md5sum *.mov > MD5SUMS", &work.path("K")).is_none() {
        return;
    }
    work.run("copy card --to K --name KITES --copies 1")
        .exits(0);
    work.run("verify K")
        .exits(0)
        .says("Both folders are intact.");
    put(&work.path("K/clip1.mov"), b"kitez");
    work.run("verify K")
        .exits(1)
        .says("changed `clip1.mov`")
        .is_silent_of("extra");
    put(&work.path("K/clip1.mov"), b"kites");
    put(&work.path("K/other.mov"), b"");
    work.run("verify K").exits(1).says("extra `other.mov`");
}

/// It is whole under another name when it is read, and gone before the check is over.
#[test]
fn what_was_moved_and_goes_again_is_missing() {
    if mount::skip() {
        return;
    }
    let work = folder("goes", &[]);
    let root = work.path("K");
    if shell("b3sum", &format!("b3sum {ALL} > sums.b3"), &root).is_none() {
        return;
    }
    move_to(
        &root.join("DCIM/100KITES/KITE0002.JPG"),
        &root.join("a.JPG"),
    );
    move_to(&root.join(CLIP), &root.join("z.MP4"));
    let stall = Fault::new(Kind::StallRead {
        off: 2_000_000,
        ms: 1_500,
    });
    let options = Options {
        faults: vec![stall.path("z.MP4").times(1)],
        ..Options::default()
    };
    let drive = Mount::new(&root, &work.folder("m"), options).unwrap();
    let mut command = work.command();
    command.args(["verify", "m"]);
    command.stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = command.spawn().unwrap();
    let is_over = wait_until(&mut child, || drive.fired("StallRead") > 0);
    assert_eq!(is_over, None, "it ended before the drive stalled");
    remove(&root.join("a.JPG"));
    ended(child)
        .exits(1)
        .says("missing `DCIM/100KITES/KITE0002.JPG`")
        .says("moved `DCIM/100KITES/KITE0001.MP4`: is whole at `z.MP4`")
        .is_silent_of("a.JPG");
}

/// Many missing and many extra files cost no more than each once; who asks for a signature gets
/// none here.
#[test]
fn many_that_were_moved_are_found_each_once() {
    let work = Work::new("many-moved");
    let mut list = String::new();
    for n in 0..1_000_u32 {
        let content = format!("kite {}", n / 2);
        let hash = blake3::hash(content.as_bytes());
        put(
            &work.folder("K/new").join(format!("{n}.jpg")),
            content.as_bytes(),
        );
        list.push_str(&format!("{hash}  old/{n}.jpg\n"));
    }
    put(&work.path("K/sums.b3"), list.as_bytes());
    let ran = work.run("verify K");
    ran.exits(1).says("NOT INTACT. K: 1000 moved.");
    // Two hold the same: each is at the place of its own name.
    ran.says("moved `old/0.jpg`: is whole at `new/0.jpg`");
    ran.says("moved `old/1.jpg`: is whole at `new/1.jpg`");
    let Some(keygen) = tool("ssh-keygen") else {
        return skip("ssh-keygen is not installed");
    };
    let mut make = Command::new(keygen);
    make.args(["-q", "-t", "ed25519", "-N", "", "-f"])
        .arg(work.path("key"));
    finish(&mut make).exits(0);
    move_to(&work.path("K/new"), &work.path("K/old"));
    work.run("verify K").exits(0);
    work.run("verify K --signed-by key.pub")
        .exits(1)
        .says("a list of others is not signed");
}

// ---- bags -------------------------------------------------------------------------------------

/// `bagit` of the Library of Congress makes it, and says itself that it is valid.
#[test]
fn bags_of_the_python_library_are_checked() {
    let Some(python) = checkers() else { return };
    for algorithms in [
        "['sha256']",
        "['md5', 'sha512']",
        "['sha1', 'blake2b', 'sha3_512']",
    ] {
        let work = folder("bag", &HARD);
        let root = work.path("K");
        // Measured: the library itself misreads these.
        remove(&root.join("%25"));
        remove(&root.join("HARD/%25"));
        for name in ["trail ", "HARD/trail "] {
            remove(&root.join(name));
        }
        let script = format!(
            "import bagit; who = {{'Contact-Name': 'Kim'}}; \
            bagit.make_bag('K', who, checksums={algorithms}).validate()"
        );
        let mut make = Command::new(&python);
        make.args(["-c", &script]).current_dir(work.path(""));
        finish(&mut make).exits(0);
        let ran = work.run("verify K");
        ran.exits(0)
            .says("bag (BagIt 0.97)")
            .says("INTACT. K is what its list");
        let other = algorithms.contains("sha3");
        assert_eq!(
            ran.words().contains("has hashes that are not known here"),
            other
        );
        flip(&root.join("data").join(CLIP), 99);
        work.run("verify K").exits(1).says("1 changed");
        flip(&root.join("data").join(CLIP), 99);
        flip(&root.join("bag-info.txt"), 3);
        work.run("verify K").exits(1).says("`bag-info.txt`");
        flip(&root.join("bag-info.txt"), 3);
        put(&root.join("data/new"), b"new");
        work.run("verify K").exits(1).says("extra `data/new`");
    }
}

/// A bag by hand: RFC 8493 and the drafts before it.
fn bag(work: &Work, version: &str, encoding: &str) {
    put(
        &work.path("B/bagit.txt"),
        format!("BagIt-Version: {version}\nTag-File-Character-Encoding: {encoding}\n").as_bytes(),
    );
}

const ABC: &str = "900150983cd24fb0d6963f7d28e17f72";

#[test]
fn bags_by_hand_in_every_version_and_encoding() {
    let work = Work::new("bag-by-hand");
    for folder in ["B", "B/data"] {
        work.folder(folder);
    }
    let file = |name: &str| put(&work.path("B/data").join(name), b"abc");
    let list = |bytes: &[u8]| put(&work.path("B/manifest-md5.txt"), bytes);
    let verify = || work.run("verify B");
    file("100%");
    file("x\ny");
    for version in ["0.93", "0.95", "0.97", "1.0"] {
        bag(&work, version, "UTF-8");
        let percent = if version == "1.0" { "100%25" } else { "100%" };
        list(format!("{ABC}  data/{percent}\n{ABC} *data/x%0Ay\n").as_bytes());
        verify()
            .exits(0)
            .says(&format!("BagIt {version}"))
            .says("2 of 2 files");
    }
    // Many write `%` as it is, whatever the version.
    list(format!("{ABC}  data/100%\n{ABC}  data/x%0ay\n").as_bytes());
    verify().exits(0);
    remove(&work.path("B/data/x\ny"));
    remove(&work.path("B/data/100%"));
    file("K\u{e4}");
    bag(&work, "1.0", "ISO-8859-1");
    list(
        format!("{ABC}  data/K\u{e4}\n")
            .chars()
            .map(|c| u8::try_from(u32::from(c)).unwrap())
            .collect::<Vec<_>>()
            .as_slice(),
    );
    verify().exits(0);
    bag(&work, "1.0", "UTF-16");
    let text = format!("\u{feff}{ABC}  data/K\u{e4}\r\n");
    list(
        &text
            .encode_utf16()
            .flat_map(u16::to_be_bytes)
            .collect::<Vec<_>>(),
    );
    verify().exits(0);
    // A Mac's decomposed name in the list, composed on the drive.
    bag(&work, "1.0", "UTF-8");
    list(format!("{ABC}  data/Ka\u{308}\n").as_bytes());
    verify().exits(0);
    for (version, encoding, says) in [
        ("2.0", "UTF-8", "BagIt 2.0 is not known here"),
        ("1.0", "KOI8-R", "the encoding KOI8-R is not known here"),
    ] {
        bag(&work, version, encoding);
        verify().exits(3).says(says);
    }
    put(&work.path("B/bagit.txt"), b"a bag\n");
    verify()
        .exits(3)
        .says("it does not say what a bag begins with");
}

#[test]
fn what_is_wrong_with_a_bag_is_told() {
    let work = Work::new("bag-wrong");
    for folder in ["B", "B/data"] {
        work.folder(folder);
    }
    put(&work.path("B/data/a"), b"abc");
    bag(&work, "1.0", "UTF-8");
    let md5 = |text: String| put(&work.path("B/manifest-md5.txt"), text.as_bytes());
    let verify = || work.run("verify B");
    work.run("verify B").exits(3).says("no list of its payload");
    for (line, says) in [
        ("bagit.txt", "it names `bagit.txt`, which is not in `data`"),
        ("data/../../x", "it has a `.` or `..` in a path"),
        ("/data/x", "it has an absolute path"),
        ("~/data/x", "it has a path that begins with `~`"),
    ] {
        md5(format!("{ABC}  {line}\n"));
        verify().exits(3).says(says);
    }
    md5("not a line\n".to_owned());
    verify()
        .exits(3)
        .says("line 1: the line is not of its form");
    md5(format!("{ABC}  data/a\n{ABC}  data/b\n"));
    verify().exits(1).says("missing `data/b`");
    put(
        &work.path("B/fetch.txt"),
        b"https://example.org/b 3 data/b\n",
    );
    verify()
        .exits(1)
        .says("no check `data/b`: is to be fetched from elsewhere")
        .says("NOT CHECKED");
    put(&work.path("B/fetch.txt"), b"nonsense\n");
    verify().exits(3).says("`fetch.txt`, line 1");
    put(
        &work.path("B/fetch.txt"),
        b"https://example.org/z 3 data/z\n",
    );
    verify()
        .exits(1)
        .says("names `data/z`, which no list of the payload names");
    remove(&work.path("B/fetch.txt"));
    put(
        &work.path("B/manifest-sha3512.txt"),
        b"00  data/a\n00  data/q\n",
    );
    verify()
        .exits(1)
        .says("missing `data/q`")
        .says("`manifest-sha3512.txt` has hashes");
    remove(&work.path("B/manifest-sha3512.txt"));
    md5(format!("{ABC}  data/a\n"));
    put(&work.path("B/bag-info.txt"), b"Payload-Oxum: 4.1\n");
    verify()
        .exits(1)
        .says("says 4 bytes in 1 files (Payload-Oxum); 3 in 1 are there");
    put(&work.path("B/bag-info.txt"), b"Payload-Oxum: 3.1\n");
    verify().exits(0);
    // RFC 8493, 2.1.3: every list names the whole payload.
    put(&work.path("B/data/c"), b"abc");
    put(
        &work.path("B/manifest-sha1.txt"),
        b"a9993e364706816aba3e25717850c26c9cd0d89d  data/a\n\
        a9993e364706816aba3e25717850c26c9cd0d89d  data/c\n",
    );
    remove(&work.path("B/bag-info.txt"));
    verify()
        .exits(1)
        .says("`manifest-md5.txt`: does not name 1 of the files that another list names");
    let tags = format!("{ABC}  bagit.txt\n");
    put(&work.path("B/tagmanifest-md5.txt"), tags.as_bytes());
    verify().exits(1).says("changed `bagit.txt`");
}

// ---- media hash lists -------------------------------------------------------------------------

/// Makes a history, or one more generation of it, by the standard's text alone.
fn mhl(folder: &Path, arguments: &[&str]) -> bool {
    let Some(python) = checkers() else {
        return false;
    };
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/it/linux/mhl.py");
    let mut make = Command::new(python);
    make.arg(script).arg("make").arg(folder).args(arguments);
    finish(&mut make).exits(0);
    true
}

fn generation(root: &Path, number: &str) -> std::path::PathBuf {
    let mut all = std::fs::read_dir(root.join("ascmhl"))
        .unwrap()
        .map(|e| e.unwrap().path());
    let is_it =
        |p: &std::path::PathBuf| p.file_name().unwrap().to_str().unwrap().starts_with(number);
    all.find(is_it).unwrap()
}

#[test]
fn histories_of_media_hash_lists_are_checked_whole() {
    let work = folder("mhl", &HARD);
    let root = work.path("K");
    if !mhl(&root, &["md5"]) {
        return;
    }
    let verify = || work.run("verify K");
    verify()
        .exits(0)
        .says("ASC media hash list `ascmhl`, 1 generation, 35 files")
        .says("35 of 35 files");
    assert_eq!(
        work.run("verify K --json").verdict()["records"][0]["kind"],
        "asc-mhl"
    );
    put(&root.join(".DS_Store"), b"Mac");
    assert!(mhl(&root, &["xxh128", "c4", "sha1"]));
    verify().exits(0).says("2 generations");
    flip(&root.join(CLIP), 5);
    // A generation that found it damaged: what failed is no hash to hold a file against.
    assert!(mhl(&root, &["xxh64"]));
    verify()
        .exits(1)
        .says("3 generations")
        .says("1 changed")
        .says("KITE0001.MP4");
    flip(&root.join(CLIP), 5);
    verify().exits(0);
    put(&root.join("ascmhl/0099_stray.mhl"), b"<hashlist/>");
    verify()
        .exits(1)
        .says("0099_stray.mhl`: the chain does not name it");
    remove(&root.join("ascmhl/0099_stray.mhl"));
    let second = generation(&root, "0002");
    flip(&second, 400);
    verify().exits(3).says("it is not what the chain says");
    flip(&second, 400);
    move_to(&second, &work.path("away"));
    verify()
        .exits(3)
        .says("the chain names it, and it is not there");
    move_to(&work.path("away"), &second);
    let chain = bytes_of(&root.join("ascmhl/ascmhl_chain.xml"));
    let bomb = "<!DOCTYPE x [<!ENTITY a \"aaaa\"><!ENTITY b \"&a;&a;\">]><ascmhldirectory/>";
    put(&root.join("ascmhl/ascmhl_chain.xml"), bomb.as_bytes());
    verify().exits(3).says("it has a document type");
    put(&root.join("ascmhl/ascmhl_chain.xml"), &chain);
    verify().exits(0);
}

#[test]
fn a_history_below_another_is_checked_with_it() {
    let work = folder("mhl-nested", &[]);
    let root = work.path("K");
    if !mhl(&root.join("DCIM"), &["md5"]) {
        return;
    }
    assert!(mhl(&root, &["xxh3"]));
    work.run("verify K")
        .exits(0)
        .says("ASC media hash list `DCIM/ascmhl`")
        .says("3 of 3 files");
    flip(&root.join(CLIP), 5);
    work.run("verify K").exits(1).says("1 changed");
    flip(&root.join(CLIP), 5);
    // A list below that was made again is not the one that the history above knows.
    remove(&root.join("DCIM/ascmhl/ascmhl_chain.xml"));
    remove(&generation(&root.join("DCIM"), "0001"));
    put(&root.join("DCIM/more"), b"more");
    assert!(mhl(&root.join("DCIM"), &["md5"]));
    work.run("verify K")
        .exits(1)
        .says("is not what the history above says of it");
}

/// Every event of such a check is one of the schema's.
#[test]
fn its_events_are_those_of_the_schema() {
    let work = folder("others-events", &[]);
    put(
        &work.path("K/sums.md5"),
        format!("{ABC}  a\nx\n").as_bytes(),
    );
    let events = work.run("verify K --json").exits(1).events();
    let schema: Value =
        serde_json::from_str(include_str!("../../../src/schema/events.schema.json")).unwrap();
    let validator = jsonschema::validator_for(&schema).unwrap();
    for event in &events {
        assert!(validator.is_valid(event), "{event}");
    }
    assert!(events.len() > 3, "{events:?}");
}
