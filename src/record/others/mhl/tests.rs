//! A media hash list that is read, and what is refused: by the specification's text and schema.

use super::*;
use crate::hash_algorithm::Also;
use crate::hash_algorithm::checksum::Checksum;
use crate::record::others::{Claims, WhyRefused};

fn list(process: &str, hashes: &str) -> String {
    format!(
        r#"<?xml version="1.0" encoding="UTF-8"?>
<hashlist version="2.0" xmlns="urn:ASC:MHL:v2.0">
 <creatorinfo>
  <creationdate>2026-11-29T10:00:00Z</creationdate><hostname>kite</hostname>
  <tool version="1">hand</tool>
 </creatorinfo>
 <processinfo><process>{process}</process>
  <ignore><pattern>.DS_Store</pattern><pattern>ascmhl</pattern></ignore></processinfo>
 <hashes>{hashes}</hashes>
</hashlist>"#
    )
}

fn hash(path: &str, hex: &str, action: &str) -> String {
    format!("<hash><path size=\"3\">{path}</path><md5 action=\"{action}\">{hex}</md5></hash>")
}

const ABC: &str = "900150983cd24fb0d6963f7d28e17f72";
const NONE: &str = "d41d8cd98f00b204e9800998ecf8427e";

#[test]
fn a_generation_is_read() {
    let hashes = hash("A/K &amp; x&#x41;.MP4", ABC, "original")
        + "<directoryhash><path>A</path><content><md5>00</md5></content></directoryhash>"
        + r#"<hash><path>b</path><x xmlns="urn:x"><md5>1</md5></x>
           <xxh64 action="verified" hashdate="2026-11-29T10:00:00Z">EF46DB3751D8E999</xxh64>
           <previousPath>a</previousPath><metadata><deep><er/></deep></metadata></hash>"#;
    let text = list("transfer", &hashes);
    let generation = Generation::parse(&text).unwrap();
    assert_eq!(generation.tool, "hand 1");
    assert_eq!(generation.process, "transfer");
    assert_eq!(generation.ignore, [".DS_Store", "ascmhl"]);
    assert_eq!(generation.folders[0].path, "A");
    let [first, second] = &generation.files[..] else {
        panic!("{generation:?}")
    };
    assert_eq!(
        (first.path.as_str(), first.bytes),
        ("A/K & xA.MP4", Some(3))
    );
    assert_eq!(&*first.sums[0].hex, ABC);
    assert_eq!(second.previous.as_deref(), Some("a"));
    assert_eq!(second.sums[0].kind, Checksum::Also(Also::Xxh64));
    assert_eq!(&*second.sums[0].hex, "ef46db3751d8e999");
}

/// What the schema catches and what it does not.
#[test]
fn what_is_no_generation_is_refused() {
    let good = list("transfer", &hash("a", ABC, "original"));
    assert!(Generation::parse(&good).is_ok());
    let doctype = "<!DOCTYPE hashlist [<!ENTITY a \"b\"><!ENTITY c \"&a;&a;\">]>\n<hashlist";
    for (bad, why) in [
        (
            good.replace("\"2.0\"", "\"1.1\""),
            MhlError::Version("1.1".into()),
        ),
        (
            good.replace(" version=\"2.0\"", ""),
            MhlError::Lacks("version"),
        ),
        (good.replace("urn:ASC:MHL:v2.0", "urn:x"), MhlError::Root),
        (good.replace("hashlist", "list"), MhlError::Root),
        (
            good.replace("transfer", "copy"),
            MhlError::Value("process", "copy".into()),
        ),
        (
            good.replace(" action=\"original\"", ""),
            MhlError::Lacks("action"),
        ),
        (
            good.replace("original", "new"),
            MhlError::Value("action", "new".into()),
        ),
        (
            good.replace("size=\"3\"", "size=\"-3\""),
            MhlError::Value("size", "-3".into()),
        ),
        (
            good.replace(ABC, "zz"),
            MhlError::Value("hash", "zz".into()),
        ),
        (
            good.replace(ABC, &ABC[1..]),
            MhlError::Value("hash", ABC[1..].into()),
        ),
        (good.replace("<hashlist", doctype), MhlError::Doctype),
        (
            good.replace(">a<", ">&lol;<"),
            MhlError::Entity("lol".into()),
        ),
    ] {
        assert_eq!(Generation::parse(&bad), Err(why), "{bad}");
    }
    for bad in [
        String::new(),
        good[..good.len() - 12].to_owned(),
        good.clone() + "<x/>",
        good.replace("</hash>", ""),
        good.replace("<metadata", "<"),
        "<a>".repeat(100_000),
    ] {
        assert!(Generation::parse(&bad).is_err() || bad == good, "{bad}");
    }
    let deep = "<metadata>".to_owned() + &"<a>".repeat(500) + &"</a>".repeat(500) + "</metadata>";
    let deep = good.replace("</hash>", &(deep + "</hash>"));
    assert_eq!(Generation::parse(&deep), Err(MhlError::TooDeep));
}

#[test]
fn a_chain_is_read_and_has_no_gap() {
    let c4 = "c459dsjfscH38cYeXXYogktxf4Cd9ibshE3BHUo6a58hBXmRQdZrAkZzsWcbWtDg5oQstpDuni4Hirj\
        75GEmTc1sFT";
    let entry = |n: &str, path: &str| {
        format!("<hashlist sequencenr=\"{n}\"><path>{path}</path><c4>{c4}</c4></hashlist>")
    };
    let document = |entries: &str| {
        format!("<ascmhldirectory xmlns=\"urn:ASC:MHL:DIRECTORY:v2.0\">{entries}</ascmhldirectory>")
    };
    let good = document(&(entry("1", "0001_A.mhl") + &entry("2", "0002_A.mhl")));
    let entries = chain(&good).unwrap();
    assert_eq!(entries.len(), 2);
    assert!(entries[0].sha512.starts_with("cf83e1357eefb8bd"));
    for bad in [
        document(""),
        document(&entry("2", "0002_A.mhl")),
        document(&(entry("1", "a.mhl") + &entry("1", "b.mhl"))),
        document(&(entry("1", "a.mhl") + &entry("3", "b.mhl"))),
        document(&entry("1", "../0001_A.mhl")),
        document(&entry("1", "/0001_A.mhl")),
        document(&entry("1", "a.xml")),
        document(&(entry("1", "a.mhl") + &entry("2", "a.mhl"))),
        good.replace("<c4>c4", "<c4>c5"),
        good.replace(" sequencenr=\"1\"", ""),
    ] {
        assert!(chain(&bad).is_err(), "{bad}");
    }
}

fn history(generations: &[String]) -> Result<Claims, WhyRefused> {
    let generations = generations
        .iter()
        .map(|text| Generation::parse(text).unwrap());
    let history = History {
        folder: "K".into(),
        generations: generations.collect(),
    };
    let mut claims = Claims::default();
    history.claims(&mut claims)?;
    Ok(claims)
}

fn said(claims: &Claims, path: &str) -> Option<String> {
    let claim = claims.get(&crate::record::others::inside(path).unwrap())?;
    Some(
        claim
            .sums
            .iter()
            .map(|s| &*s.hex)
            .collect::<Vec<_>>()
            .join(" "),
    )
}

#[test]
fn generations_are_held_together() {
    let first = list(
        "transfer",
        &(hash("a", ABC, "original") + &hash("b", NONE, "original")),
    );
    let renamed = list(
        "in-place",
        &hash("c", ABC, "verified").replace("</hash>", "<previousPath>a</previousPath></hash>"),
    );
    let claims = history(&[first.clone(), renamed]).unwrap();
    assert_eq!(said(&claims, "K/a"), None);
    assert_eq!(said(&claims, "K/c").as_deref(), Some(ABC));
    assert_eq!(
        said(&claims, "K/b").as_deref(),
        Some(NONE),
        "a later one need not name it"
    );
    let onto = list(
        "in-place",
        &hash("b", ABC, "verified").replace("</hash>", "<previousPath>a</previousPath></hash>"),
    );
    assert_eq!(
        history(&[first.clone(), onto]).err(),
        Some(WhyRefused::TwoSums("K/b".into()))
    );
    let failed = list("in-place", &hash("a", NONE, "failed"));
    let claims = history(&[first.clone(), failed.clone()]).unwrap();
    assert_eq!(
        said(&claims, "K/a").as_deref(),
        Some(ABC),
        "what failed is not used"
    );
    assert_eq!(
        said(&history(&[failed]).unwrap(), "K/a").as_deref(),
        Some("")
    );
    let other = list("in-place", &hash("a", NONE, "verified"));
    assert_eq!(
        history(&[first.clone(), other]).err(),
        Some(WhyRefused::TwoSums("a".into()))
    );
    let twice = list("transfer", &hash("a", ABC, "original").repeat(2));
    assert_eq!(
        history(&[twice]).err(),
        Some(WhyRefused::PathTwice("a".into()))
    );
    for bad in ["/a", "../a", "a/../../b", "C:/a", "~/a", ""] {
        let out = list("transfer", &hash(bad, ABC, "original"));
        assert!(
            matches!(history(&[out]), Err(WhyRefused::Place(..))),
            "{bad}"
        );
    }
}

/// gitignore(5).
#[test]
fn patterns_of_what_is_left_out() {
    let patterns = |all: &[&str]| all.iter().map(ToString::to_string).collect::<Vec<_>>();
    let usual = patterns(&[".DS_Store", "ascmhl", "ascmhl/"]);
    assert!(is_ignored(&usual, "a/b/.DS_Store", false));
    assert!(is_ignored(&usual, "ascmhl/x.mhl", false));
    assert!(!is_ignored(&usual, "a.DS_Store", false));
    let odd = patterns(&["/!x", "{a,b}", "!z"]);
    assert!(!is_ignored(&odd, "a", false) && is_ignored(&odd, "{a,b}", false));
    assert!(is_ignored(&odd, "!x", false) && !is_ignored(&odd, "y", false));
    let some = patterns(&["*.tmp", "!keep.tmp", "/top", "dir/", "a/*/c", "# x", ""]);
    assert!(is_ignored(&some, "x/y.tmp", false));
    assert!(!is_ignored(&some, "x/keep.tmp", false));
    assert!(is_ignored(&some, "top", false) && !is_ignored(&some, "x/top", false));
    assert!(is_ignored(&some, "dir/a", false) && !is_ignored(&some, "dir", false));
    assert!(is_ignored(&some, "a/b/c", false) && !is_ignored(&some, "a/b/d/c", false));
}
