//! The manual pages and completions in `man/` are those that the program writes, all of them are in
//! the Debian package, and every problem kind and every key of the manifest is in the page of the
//! format.

use crate::page::PROBLEM_KINDS;
use crate::support::program::Work;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::process::Command;
use unlade::hash_algorithm::checksum::Checksum;

/// What the program does not make.
const BY_HAND: [&str; 5] = [
    "unlade-formats.5",
    "unlade-manifest.5",
    "completions",
    "desk",
    "service",
];

fn man() -> &'static Path {
    Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/man"))
}

#[test]
fn committed_pages_are_current() {
    let work = Work::new("pages");
    let made_in = work.folder("man");
    work.run("man man").exits(0);
    let mut names = Vec::new();
    for entry in std::fs::read_dir(&made_in).unwrap() {
        let entry = entry.unwrap();
        let name = entry.file_name().into_string().unwrap();
        if !name.ends_with(".1") {
            continue;
        }
        let committed = std::fs::read_to_string(man().join(&name)).unwrap_or_default();
        let made = std::fs::read_to_string(entry.path()).unwrap();
        assert!(
            committed == made,
            "man/{name} is not current; run `cargo run -- man man`"
        );
        names.push(name);
    }
    assert!(names.len() >= 6, "{names:?}");
    for entry in std::fs::read_dir(man()).unwrap() {
        let name = entry.unwrap().file_name().into_string().unwrap();
        assert!(
            names.contains(&name) || BY_HAND.contains(&&*name),
            "man/{name} is no page of the program"
        );
    }
}

/// What the short help leaves out is in the pages too, with what it does.
#[test]
fn the_pages_say_of_every_flag_what_it_does() {
    let mut flags = 0;
    for entry in std::fs::read_dir(man()).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_none_or(|section| section != "1") {
            continue;
        }
        let page = std::fs::read_to_string(&path).unwrap();
        let lines: Vec<&str> = page.lines().collect();
        for pair in lines.windows(3).filter(|pair| pair[0] == ".TP") {
            let is_empty = pair[2].is_empty() || pair[2].starts_with('.');
            assert!(!is_empty, "{}: {}", path.display(), pair[1]);
            flags += 1;
        }
    }
    assert!(flags > 100, "the check saw {flags} flags only");
}

const COMPLETIONS: [(&str, &str); 3] = [
    ("bash", "unlade.bash"),
    ("zsh", "_unlade"),
    ("fish", "unlade.fish"),
];

#[test]
fn committed_completions_are_current() {
    let work = Work::new("completions");
    for (shell, name) in COMPLETIONS {
        let made = work.run(&format!("completions {shell}"));
        let committed = std::fs::read_to_string(man().join("completions").join(name));
        assert!(
            made.exits(0).out == committed.unwrap_or_default(),
            "man/completions/{name} is not current; run `cargo run -- completions {shell} > \
            man/completions/{name}`"
        );
    }
    let files = std::fs::read_dir(man().join("completions")).unwrap();
    assert_eq!(files.count(), COMPLETIONS.len());
}

/// Every file that the package is to hold is there, and every page and completion is in the
/// package.
#[test]
fn the_debian_package_holds_what_stands_here() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(root.join("Cargo.toml")).unwrap();
    let cargo: toml_edit::DocumentMut = text.parse().unwrap();
    let deb = &cargo["package"]["metadata"]["deb"];
    let mut packed = BTreeSet::new();
    for asset in deb["assets"].as_array().unwrap() {
        let asset = asset.as_array().unwrap();
        let [from, to, mode] = [0, 1, 2].map(|at| asset.get(at).unwrap().as_str().unwrap());
        if from == "target/release/unlade" {
            assert_eq!((to, mode), ("usr/bin/", "755"));
            continue;
        }
        assert_eq!(mode, "644", "{from}");
        let (folder, name) = from.rsplit_once('/').unwrap_or(("", from));
        let found: Vec<PathBuf> = match name.strip_prefix('*') {
            None => vec![root.join(from)],
            Some(end) => std::fs::read_dir(root.join(folder))
                .unwrap()
                .map(|entry| entry.unwrap().path())
                .filter(|path| path.to_str().unwrap().ends_with(end))
                .collect(),
        };
        assert!(
            !found.is_empty() && found.iter().all(|f| f.is_file()),
            "{from}"
        );
        packed.extend(found);
    }
    let license = deb["license-file"].as_array().unwrap().get(0).unwrap();
    assert!(root.join(license.as_str().unwrap()).is_file());
    for entry in walkdir::WalkDir::new(man()) {
        let entry = entry.unwrap();
        let is_packed = packed.contains(entry.path());
        assert!(
            entry.file_type().is_dir() || is_packed,
            "{}",
            entry.path().display()
        );
    }
}

/// What a build says of itself is what its compiler says, and a commit that git knows.
#[test]
fn the_version_tells_the_facts_of_the_build() {
    let work = Work::new("version");
    let short = work.run("-V");
    let version = format!("unlade {}\n", env!("CARGO_PKG_VERSION"));
    assert_eq!(short.exits(0).out, version);
    let long = work.run("--version");
    assert!(long.exits(0).out.starts_with(&version), "{long}");
    let fact = |name: &str| {
        let mut lines = long.out.lines();
        let line = lines.find_map(|l| l.strip_prefix(name)).unwrap();
        line.trim().to_owned()
    };
    let said = |program: &str, arguments: &[&str]| {
        let root = env!("CARGO_MANIFEST_DIR");
        let output = Command::new(program)
            .args(arguments)
            .current_dir(root)
            .output();
        let output = output.ok().filter(|o| o.status.success())?;
        Some(String::from_utf8(output.stdout).unwrap())
    };
    if let Some(compiler) = said("rustc", &["-vV"]) {
        assert!(compiler.starts_with(&fact("Compiler")), "{compiler}");
    }
    let system = std::env::consts::OS;
    assert!(fact("Target").contains(system), "{long}");
    assert_eq!(fact("Read-back"), "direct, dropped, cached");
    let commit = fact("Commit");
    let id = commit.split(',').next().unwrap();
    if id != "not known" {
        let kind = said("git", &["cat-file", "-t", id]);
        assert_eq!(kind.as_deref(), Some("commit\n"), "{commit}");
    }
}

/// By the code's own names: each hash that a list may hold, and each standard that is read.
#[test]
fn the_page_of_formats_names_every_hash_and_version() {
    let page = std::fs::read_to_string(man().join("unlade-formats.5"))
        .unwrap()
        .replace("\\-", "-");
    let hashes = [
        "md5", "sha1", "sha224", "sha256", "sha384", "sha512", "blake2b", "blake2s", "blake3",
        "crc32", "xxh32", "xxh64", "xxh3", "xxh128",
    ];
    for hash in hashes {
        assert!(Checksum::named(hash).is_some(), "{hash} is not read");
        assert!(page.contains(hash), "{hash} is not in the page");
    }
    // BagIt, RFC 8493 2.1.1 to 2.2.3; ASC MHL 1.0.
    let parts = [
        "RFC 8493",
        "0.93",
        "bagit.txt",
        "fetch.txt",
        "Payload-Oxum",
        "ascmhl_chain.xml",
        "version 2.0",
        "previousPath",
        "--layout bag",
        "unlade-manifest",
    ];
    for part in parts {
        assert!(page.contains(part), "{part} is not in the page");
    }
}

#[test]
fn the_format_page_names_every_key_and_kind() {
    let page = std::fs::read_to_string(man().join("unlade-manifest.5"))
        .unwrap()
        .replace("\\-", "-");
    let keys = [
        "format",
        "version",
        "tool",
        "offload",
        "card",
        "proof",
        "destinations",
        "totals",
        "files",
        "folders",
        "left_out",
        "problems",
        "rates",
        "links",
        "limiting_link",
        "forecast",
        "verdict",
        "listing_b3",
        "volume_id",
        "bytes_total",
        "copies_needed",
        "readback_s",
        "read_s",
        "also",
        "only_zeros",
        "notes",
        "at_start_s",
        "actual_s",
        "every_s",
        "separate",
        "zone",
        "source",
        "manifest_b3",
        "counted",
    ];
    for word in keys.into_iter().chain(PROBLEM_KINDS) {
        assert!(page.contains(word), "{word} is not in the page");
    }
}
