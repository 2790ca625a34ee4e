//! What is written is read back by the reading side, which was made of the schemas and the text.

use super::draft::{MhlDraft, MhlFile, MhlProcess};
use super::folders::{folder_sums, unhexed};
use super::{
    GoneFiles, SaidBefore, StandingHistory, can_hold, is_in_history, next_generation,
    unlike_folders,
};
use crate::hash_algorithm::{Also, AlsoSet, Hasher, c4_of_sha512};
use crate::name::CardName;
use crate::record::others::Claims;
use crate::record::others::mhl::{Generation, History, MhlAction, chain};
use std::collections::BTreeSet;

fn sum(kind: Also, bytes: &[u8]) -> String {
    let mut hasher = Hasher::new(kind);
    hasher.update(bytes);
    hasher.finish()
}

fn file(path: &str, action: MhlAction) -> MhlFile<'_> {
    MhlFile {
        path,
        bytes: 4,
        modified: Some("2026-11-25T10:00:00Z"),
        hashes: AlsoSet::of_media_hash_lists()
            .iter()
            .map(|kind| (kind, sum(kind, path.as_bytes())))
            .collect(),
        action,
        previous: None,
    }
}

fn draft<'a>(files: Vec<MhlFile<'a>>, folders: &[&'a str]) -> MhlDraft<'a> {
    MhlDraft {
        folder: "KITES & \"MORE\"",
        started: "2026-11-25T09:53:18.123Z",
        created: "2026-11-25T10:01:00.000Z",
        host: "kite",
        tool: ("unlade", "1"),
        process: MhlProcess::Transfer,
        ignore: vec!["ascmhl".into(), "/a <b>".into()],
        files,
        folders: folders.iter().copied().collect(),
        unlisted: BTreeSet::new(),
        references: Vec::new(),
    }
}

fn paths(generation: &Generation) -> Vec<String> {
    let folders = generation.folders.iter();
    folders.map(|folder| folder.path.clone()).collect()
}

#[test]
fn what_is_written_is_read_back() {
    let hard = "DCIM/x\ny\r <&> \"'\t]]>";
    let first = next_generation(
        None,
        &draft(vec![file(hard, MhlAction::Original)], &["DCIM"]),
    );
    let name = "0001_KITES & \"MORE\"_2026-11-25_095318Z.mhl";
    assert_eq!(first.path, format!("ascmhl/{name}"));
    let list = String::from_utf8(first.list.clone()).unwrap();
    let read = Generation::parse(&list).unwrap();
    assert_eq!(read.tool, "unlade 1");
    assert_eq!(
        (read.process.as_str(), read.created.as_str()),
        ("transfer", "2026-11-25T10:01:00.000Z")
    );
    assert_eq!(read.ignore, ["ascmhl", "/a <b>"]);
    assert_eq!(paths(&read), ["DCIM"]);
    assert_eq!(
        (read.files[0].path.as_str(), read.files[0].bytes),
        (hard, Some(4))
    );
    assert_eq!(read.files[0].sums.len(), 6);
    let entries = chain(std::str::from_utf8(&first.chain).unwrap()).unwrap();
    assert_eq!((entries[0].number, entries[0].path.as_str()), (1, name));
    assert_eq!(entries[0].sha512, sum(Also::Sha512, &first.list));
    let c4 = c4_of_sha512(&unhexed(&entries[0].sha512).try_into().unwrap());
    assert!(
        String::from_utf8(first.chain.clone())
            .unwrap()
            .contains(&c4)
    );

    let standing = StandingHistory {
        entries,
        history: History {
            folder: String::new(),
            generations: vec![read],
        },
        ..StandingHistory::default()
    };
    let second = draft(vec![file(hard, MhlAction::Verified)], &["DCIM"]);
    let second = next_generation(Some(&standing), &second);
    assert!(second.path.starts_with("ascmhl/0002_"), "{}", second.path);
    let entries = chain(std::str::from_utf8(&second.chain).unwrap()).unwrap();
    assert_eq!(entries[0], standing.entries[0]);
    assert_eq!(entries[1].sha512, sum(Also::Sha512, &second.list));
}

/// Specification 1.0, appendix G: sorted hashes, their bytes, hashed again; the structure has each
/// name before its hash.
#[test]
fn folders_are_hashed_from_the_bottom_up() {
    for kind in [Also::Md5, Also::C4, Also::Xxh3] {
        let raw = |text: &str| match kind {
            Also::C4 => unhexed(&crate::hash_algorithm::sha512_of_c4(text).unwrap()),
            _ => unhexed(text),
        };
        let (a, b) = (sum(kind, b"a"), sum(kind, b"b"));
        let files = [("D/b.JPG", b.as_str()), ("D/a.JPG", a.as_str())];
        let sums = folder_sums(kind, files.into_iter(), &BTreeSet::from(["D", "E"]));
        let mut both = [a.clone(), b.clone()];
        both.sort();
        let content = sum(kind, &both.iter().flat_map(|s| raw(s)).collect::<Vec<_>>());
        assert_eq!(sums["D"].content, content);
        let named = |name: &str, s: &str| sum(kind, &[name.as_bytes(), &raw(s)].concat());
        let mut both = [named("a.JPG", &a), named("b.JPG", &b)];
        both.sort();
        let structure = sum(kind, &both.iter().flat_map(|s| raw(s)).collect::<Vec<_>>());
        assert_eq!(sums["D"].structure, structure);
        assert_eq!(sums["E"].content, sum(kind, b""));
        let mut both = [content, sum(kind, b"")];
        both.sort();
        let root = sum(kind, &both.iter().flat_map(|s| raw(s)).collect::<Vec<_>>());
        assert_eq!(sums[""].content, root);
        // Another name is another structure, and the same content.
        let renamed = [("D/c.JPG", b.as_str()), ("D/a.JPG", a.as_str())];
        let renamed = folder_sums(kind, renamed.into_iter(), &BTreeSet::from(["D", "E"]));
        assert_eq!(renamed[""].content, sums[""].content);
        assert_ne!(renamed[""].structure, sums[""].structure);
    }
}

/// "Hash of all in it": a folder that holds anything else has none, nor has one above it.
#[test]
fn folders_that_hold_more_than_is_good_have_no_hash() {
    let files = || {
        let mut bad = file("D/E/bad.JPG", MhlAction::Failed);
        bad.hashes.truncate(1);
        vec![bad, file("D/F/good.JPG", MhlAction::Original)]
    };
    let folders = ["D", "D/E", "D/F", "G"];
    let hashed = |draft: &MhlDraft<'_>| {
        let next = next_generation(None, draft);
        let text = String::from_utf8(next.list).unwrap();
        let read = Generation::parse(&text).unwrap();
        (paths(&read), text.contains("roothash"))
    };
    let mut all = draft(files(), &folders);
    assert_eq!(hashed(&all), (vec!["D/F".into(), "G".into()], false));
    all.files[0] = file("D/E/bad.JPG", MhlAction::Verified);
    assert_eq!(hashed(&all), (folders.map(str::to_owned).into(), true));
    // Of one kind that not every file has.
    all.files[0].hashes.truncate(1);
    let text = String::from_utf8(next_generation(None, &all).list).unwrap();
    let below = |folder: &str| {
        let from = format!("<path>{folder}</path>");
        let rest = text.split(&from).nth(1).unwrap();
        let rest = rest.split("</directoryhash>").next().unwrap();
        rest.matches("</").count()
    };
    // Content and structure, each with one kind and with all six.
    assert_eq!((below("D/E"), below("D/F")), (2 + 2, 2 + 12));
    all.unlisted.insert("G".into());
    all.unlisted.insert(String::new());
    let (folders, has_root) = hashed(&all);
    assert!(
        !folders.contains(&"G".to_owned()) && !has_root,
        "{folders:?}"
    );
}

/// What failed has failed wherever it is, and only it.
#[test]
fn what_failed_is_known_under_every_name() {
    let generation = |files: Vec<MhlFile<'_>>| {
        let next = next_generation(None, &draft(files, &["D"]));
        Generation::parse(std::str::from_utf8(&next.list).unwrap()).unwrap()
    };
    let with = |path, content: &[u8], action, previous: Option<&str>| MhlFile {
        hashes: vec![(Also::C4, sum(Also::C4, content))],
        previous: previous.map(str::to_owned),
        ..file(path, action)
    };
    let mut history = History {
        folder: String::new(),
        generations: vec![
            generation(vec![with("D/a", b"good", MhlAction::Original, None)]),
            generation(vec![with("D/a", b"bad", MhlAction::Failed, None)]),
            generation(vec![with("D/b", b"good", MhlAction::Verified, Some("D/a"))]),
        ],
    };
    let said = |history: &History, path: &str, bytes, content: &[u8]| {
        let mut claims = Claims::default();
        history.claims(&mut claims).unwrap();
        let failed = history.failed().unwrap();
        let (name, hashes) = (
            CardName::parse(path).unwrap(),
            [(Also::C4, sum(Also::C4, content))],
        );
        let said = SaidBefore::of(&name, claims.get(&name), &failed, bytes, &hashes);
        let mut absent = GoneFiles::of(&claims, |_| false);
        let was = absent.take(&claims, &failed, bytes, &hashes);
        (
            said.action.unwrap(),
            said.is_all_said,
            was.map(|(_, from)| from.as_str().to_owned()),
        )
    };
    let b = Some("D/b".to_owned());
    let is = |action, is_all_said, was: &Option<String>| (action, is_all_said, was.clone());
    assert_eq!(
        said(&history, "D/b", 4, b"good"),
        is(MhlAction::Verified, true, &b)
    );
    assert_eq!(
        said(&history, "D/b", 4, b"bad"),
        is(MhlAction::Failed, false, &b)
    );
    assert_eq!(
        said(&history, "D/c", 4, b"bad"),
        is(MhlAction::Failed, false, &b)
    );
    assert_eq!(
        said(&history, "D/c", 4, b"new"),
        is(MhlAction::Original, false, &None)
    );
    // All that is empty is alike.
    assert_eq!(
        said(&history, "D/c", 0, b"bad"),
        is(MhlAction::Original, false, &None)
    );
    let last = generation(vec![with("D/b", b"bad", MhlAction::Failed, None)]);
    history.generations.push(last);
    assert_eq!(
        said(&history, "D/b", 4, b"good"),
        is(MhlAction::Verified, false, &b)
    );
    assert_eq!(
        said(&history, "D/b", 4, b"bad"),
        is(MhlAction::Failed, true, &b)
    );
}

#[test]
fn names_that_no_list_can_hold_are_known() {
    for good in ["a", "DCIM/x\ny", "caf\u{e9}", "a]]>b", "\u{1f3aa}"] {
        assert!(can_hold(good), "{good:?}");
    }
    for bad in ["a\u{1}", "a\u{b}", "\u{ffff}", "C:/a", "~kim/a"] {
        assert!(!can_hold(bad), "{bad:?}");
    }
    for (path, is) in [("ascmhl/a", true), ("A/ASCMHL", true), ("ascmhl2", false)] {
        assert_eq!(is_in_history(path), is, "{path}");
    }
    assert_eq!(
        AlsoSet::from_iter([Also::C4, Also::Sha256])
            .and(AlsoSet::of_media_hash_lists())
            .to_string(),
        "c4"
    );
}

// ---- hashes of folders that others wrote -------------------------------------------------------

fn generation(
    files: Vec<MhlFile<'_>>,
    folders: &[&str],
    change: impl Fn(String) -> String,
) -> Generation {
    let next = next_generation(None, &draft(files, folders));
    Generation::parse(&change(String::from_utf8(next.list).unwrap())).unwrap()
}

/// Another digit of each hash that begins after `at`.
fn other_hash(text: &str, at: &str) -> String {
    let (before, rest) = text.split_once(at).unwrap();
    let rest = rest.replacen("<md5>", "<md5>!", 1);
    let (more, hash) = rest.split_once('!').unwrap();
    let digit = if hash.starts_with('0') { "1" } else { "0" };
    format!("{before}{at}{more}{digit}{}", &hash[1..])
}

/// Specification 1.0, appendix G.
#[test]
fn folders_that_are_not_what_their_files_are_are_found() {
    let files = || {
        ["D/E/a.JPG", "D/b.JPG", "c.JPG"]
            .map(|path| file(path, MhlAction::Original))
            .into()
    };
    let folders = ["D", "D/E", "D/EMPTY"];
    let found = |change: &dyn Fn(String) -> String| {
        let all = unlike_folders(&generation(files(), &folders, change)).into_iter();
        all.map(|f| (f.path, f.kind, f.only_names, f.files))
            .collect::<Vec<_>>()
    };
    let other = |at: &'static str| move |text: String| other_hash(&text, at);
    assert_eq!(found(&|text| text), []);
    let [root, below] =
        [("", 3), ("D/E", 1)].map(|(path, n)| (path.to_owned(), Also::Md5, false, n));
    assert_eq!(found(&other("<roothash>")), [root]);
    assert_eq!(
        found(&other("<path>D/E</path>")),
        std::slice::from_ref(&below)
    );
    assert_eq!(
        found(&|text| other_hash(&text, "<path>D/E</path>").replace("D/E</path>", "D/E/</path>")),
        [below]
    );
    let structure = |text: String| {
        let (before, rest) = text.split_once("<path>D</path>").unwrap();
        format!("{before}<path>D</path>{}", other_hash(rest, "<structure>"))
    };
    assert_eq!(found(&structure), [("D".to_owned(), Also::Md5, true, 2)]);
    // What no standard says how to hash, or what is not all listed as good, has none to compare.
    let silent = |files: Vec<MhlFile<'_>>, change: &dyn Fn(String) -> String| {
        assert_eq!(unlike_folders(&generation(files, &folders, change)), []);
    };
    silent(files(), &other("<path>D/EMPTY</path>"));
    silent(files(), &|text| {
        other_hash(&text, "<roothash>").replace(
            "<path size=\"4\" lastmodificationdate=\"2026-11-25T10:00:00Z\">c.JPG",
            "<path>./c.JPG",
        )
    });
    silent(files(), &|text| {
        other_hash(&text, "<path>D/E</path>").replacen(
            "action=\"original\"",
            "action=\"failed\"",
            6,
        )
    });
    let named = |path| vec![file(path, MhlAction::Original)];
    silent(named("D/caf\u{e9}.JPG"), &structure);
    silent(files(), &|text| text.replace("<md5>", "<md5>x"));
}
