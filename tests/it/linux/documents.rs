//! Every command of the README and of the pages for people runs as it is written there, with
//! folders in the place of cards and drives. A document is one session from its first line on.

use crate::support::program::{Card, Work, finish, put, skip, tool};
use std::collections::BTreeSet;
use std::fs;
use std::os::unix::fs::{PermissionsExt as _, symlink};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// Commands that are not run, by how they begin. Each is in some document.
const SKIPPED: [(&str, &str); 14] = [
    ("cargo ", "builds, which CI does in steps of its own"),
    ("sudo apt ", "changes the computer"),
    ("sudo tar ", "the same"),
    (
        "ssh-keygen -Y verify -f allowed_signers -I WHO",
        "needs what `.ci/release` makes, which runs this itself",
    ),
    ("sha256sum --check --ignore-missing", "the same"),
    ("unlade copy E:\\ ", "drive letters"),
    (
        "unlade watch",
        "waits for cards; tests of its own play that",
    ),
    (
        "unlade kit check studio",
        "no such server is to be had here",
    ),
    (
        "unlade send ",
        "goes to a place elsewhere; tests of its own play that",
    ),
    (
        "unlade fetch ",
        "comes from a place elsewhere; tests of its own play that",
    ),
    ("unlade verify studio/", "the same"),
    (
        "unlade copy /media/KITES --to attic --to travel --then studio",
        "the same",
    ),
    (
        "unlade prove /media/KITES --on /media/drive-a --on studio",
        "the same",
    ),
    ("ssh-keygen -Y sign ", "its names are placeholders"),
];
/// What the pages have for the day's offload.
const DATED: &str = "20261125-";
/// Two folders of one disk are one copy, and no more is asked for here; they have one identity, so
/// a drive is added to a kit of its own. The desk is ended as by Ctrl-C. All else is as typed.
const STAND_IN: &str = r#"#!/bin/sh
verb=$1; shift
case "$verb $1 $2" in
    copy*|plan*|prove*) set -- --copies 1 "$@";;
    "kit add drive") export UNLADE_HOME="$TMPDIR";;
    desk*) exec timeout --foreground --preserve-status -s INT 1 "$UNLADE" desk --no-open;;
esac
exec "$UNLADE" "$verb" "$@"
"#;

fn documents() -> Vec<PathBuf> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let pages = fs::read_dir(root.join("docs")).unwrap();
    let pages = pages.map(|entry| entry.unwrap().path());
    let pages = pages.filter(|path| path.extension().is_some_and(|x| x == "md"));
    pages.chain([root.join("README.md")]).collect()
}

/// The commands of a document: its indented lines, put together where one goes on.
fn commands(text: &str) -> Vec<String> {
    // Between fences is what a program prints.
    let typed = text.split("```").step_by(2).flat_map(str::lines);
    let lines = typed.filter_map(|line| line.strip_prefix("    "));
    let mut commands = Vec::new();
    let mut begun = String::new();
    for line in lines.map(str::trim) {
        match line.strip_suffix('\\') {
            Some(part) => begun.push_str(part),
            None => commands.push(std::mem::take(&mut begun) + line),
        }
    }
    assert!(begun.is_empty(), "goes on nowhere: {begun}");
    commands
}

fn session(name: &str) -> Work {
    let work = Work::new(&format!("documents-{name}"));
    for (seed, card) in (1..).zip(["KITES", "KITES-1", "KITES-2", "A1"]) {
        Card::new(&work.path("media").join(card))
            .file("DCIM/100KITES/KITE0001.JPG", 40_000, seed * 10)
            .file("DCIM/100KITES/KITE0002.DNG", 300_000, seed * 10 + 1)
            .file("PRIVATE/CLIPS/C0001.MP4", 2_000_000, seed * 10 + 2);
    }
    for drive in ["drive-a", "drive-b", "drive-c", "ATTIC"] {
        work.folder(&format!("media/{drive}"));
    }
    // What somebody dragged there.
    for drive in ["drive-a", "drive-b"] {
        Card::new(&work.path(&format!("media/{drive}/Saturday")))
            .file("DCIM/100KITES/KITE0001.JPG", 40_000, 10)
            .file("DCIM/100KITES/KITE0002.DNG", 300_000, 11)
            .file("PRIVATE/CLIPS/C0001.MP4", 2_000_000, 12);
    }
    for folder in ["bin", "home/.ssh", "media/mail"] {
        work.folder(folder);
    }
    // What an editor sends, with lists of the editor's.
    for from in ["FROM-EDITOR", "FROM-ARCHIVE"] {
        put(
            &work
                .folder(&format!("media/drive-a/{from}"))
                .join("CUT.MOV"),
            b"abc",
        );
    }
    let list = "900150983cd24fb0d6963f7d28e17f72  CUT.MOV\n";
    for at in ["mail/clips.md5", "drive-a/FROM-EDITOR/MD5SUMS"] {
        put(&work.path("media").join(at), list.as_bytes());
    }
    let stand_in = work.path("bin/unlade");
    put(&stand_in, STAND_IN.as_bytes());
    fs::set_permissions(&stand_in, fs::Permissions::from_mode(0o755)).unwrap();
    let project = Path::new(env!("CARGO_MANIFEST_DIR"));
    symlink(project.join("man"), work.path("man")).unwrap();
    // The public half as whoever checks has it, once there is a key.
    symlink("home/.ssh/kites.pub", work.path("kites.pub")).unwrap();
    work
}

/// The command as a shell runs it in the session's folder.
fn typed(work: &Work, command: &str, checker: &Path) -> Command {
    let media = work.path("media").into_os_string().into_string().unwrap();
    let line = command
        .replace("/media/", &format!("{media}/"))
        .replace("/Volumes/", &format!("{media}/"))
        .replace(DATED, "????????-");
    let path = std::env::var("PATH").unwrap();
    let checker = checker.parent().unwrap().display();
    let mut shell = Command::new("bash");
    shell
        .args(["-c", &line])
        .env_clear()
        .env(
            "PATH",
            format!("{}:{checker}:{path}", work.path("bin").display()),
        )
        .env("UNLADE", env!("CARGO_BIN_EXE_unlade"))
        .env("HOME", work.path("home"))
        .env("TMPDIR", work.path("tmp"))
        .current_dir(work.path(""))
        .stdin(Stdio::null());
    shell
}

#[test]
fn every_command_in_the_documents_runs() {
    let checker = tool("b3sum").filter(|_| tool("ssh-keygen").is_some());
    let Some(checker) = checker else {
        skip("no b3sum or no ssh-keygen");
        return;
    };
    let (mut ran, mut skipped) = (0, [false; SKIPPED.len()]);
    for document in documents() {
        let text = fs::read_to_string(&document).unwrap();
        let name = document.file_stem().unwrap().to_str().unwrap();
        let work = session(name);
        for command in commands(&text) {
            let found = SKIPPED.iter().position(|(how, _)| command.starts_with(how));
            if let Some(found) = found {
                skipped[found] = true;
                continue;
            }
            let ended = finish(&mut typed(&work, &command, &checker));
            // The stand-in's recordings are bytes by chance, at which it hints.
            let expected = i32::from(command.starts_with("unlade inspect "));
            assert_eq!(ended.code, expected, "{name}: {command}\n{ended}");
            ran += 1;
        }
    }
    assert!(ran > 30, "{ran} commands only");
    assert_eq!(skipped, [true; SKIPPED.len()], "{SKIPPED:?}");
}

/// Flags of programs of others.
const THEIRS: [&str; 8] = [
    "--check",
    "--features",
    "--ignore-missing",
    "--locked",
    "--path",
    "--release",
    "--strict",
    "--strip-components",
];

/// The flags in a text; a blank or a mark ends one.
fn flags(text: &str) -> BTreeSet<String> {
    let is_part = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
    let words = text.split(|c| !is_part(c));
    let flags = words.filter(|word| word.starts_with("--") && !word.trim_matches('-').is_empty());
    flags.map(str::to_owned).collect()
}

#[test]
fn every_flag_in_the_documents_is_one() {
    let man = Path::new(env!("CARGO_MANIFEST_DIR")).join("man");
    let mut known: BTreeSet<String> = THEIRS.map(str::to_owned).into();
    for page in fs::read_dir(man).unwrap() {
        let page = page.unwrap().path();
        if page.extension().is_some_and(|x| x == "1") {
            let text = fs::read_to_string(page).unwrap();
            known.extend(flags(&text.replace("\\-", "-")));
        }
    }
    let mut seen = 0;
    for document in documents() {
        let text = fs::read_to_string(&document).unwrap();
        let named = flags(&text);
        let unknown: Vec<_> = named.difference(&known).collect();
        assert_eq!(unknown, [""; 0], "{}", document.display());
        seen += named.len();
    }
    assert!(seen > 60, "{seen} flags only");
}
