//! The report page: what it must say, what must never be in it, and that its colours can be read.
//! What it looks like is for eyes; the pages are left in the build's folder for them.
#![expect(
    clippy::disallowed_methods,
    reason = "the pages are stored for people to look at"
)]

use serde_json::{Value, json};
use std::path::Path;
use unlade::record::manifest::Manifest;
use unlade::report::page::page;
use unlade::report::pictures::{self, PAGE_BYTES_MAX, Sheet, SheetPicture};

/// A festival's card: `files` files on two drives.
pub(crate) fn festival(files: usize) -> Value {
    let file = |n: usize| {
        json!({"path": format!("DCIM/100KITES/KITE{n:04}.MP4"), "bytes": 100_000_000,
            "modified": "2026-10-03T09:30:00.000000000Z",
            "blake3": "5efbdd3f37efeae40a74cf592be8af7d5caed94259ab4f48e59806ecf3249687",
                "also": {}, "read_s": 1.1,
            "copies": [{"destination": 0, "proof": "readback", "readback_s": 0.4},
                {"destination": 1, "proof": "readback", "readback_s": 0.9}]})
    };
    json!({
        "format": "unlade-manifest", "version": 1, "tool": {"name": "unlade", "version": "0.1.0"},
        "offload": {"name": "20261003-KITES-A", "started": "2026-10-03T18:02:11.000Z",
            "finished": "2026-10-03T18:09:31.000Z", "host": "field-laptop"},
        "card": {"path": "/media/KITES", "label": "KITES-A", "filesystem": "exfat",
            "volume_id": "6234-ABCD", "bytes_total": 128_000_000_000_u64,
            "listing_b3": "917fc0129f4a5dad1ba4ca08953e12a1ab3f75d19b55ec40f0c81dea01fd577f",
                "zone": "unknown"},
        "proof": {"asked": "readback", "copies_needed": 2, "hash": "blake3"},
        "destinations": [
            {"path": "/media/SSD-A", "device": "sdb volume 11AA-22BB",
                "filesystem": "exfat", "readback": "direct"},
            {"path": "/media/SSD-B", "device": "sdc volume 33CC-44DD",
                "filesystem": "exfat", "readback": "dropped"}],
        "totals": {"files": files, "bytes": 100_000_000 * files, "folders": 2, "left_out": 1},
        "files": (1..=files).map(file).collect::<Vec<_>>(), "folders": ["DCIM", "DCIM/100KITES"],
        "left_out": [{"path": ".DS_Store", "why": "made by a computer"}], "problems": [],
        "rates": {"every_s": 1, "read": course(), "write": [[], []], "readback": [[], []]},
        "links": [
            {"part": "card bus", "id": "uhs-i", "mbps": 104.0, "from": "table"},
            {"part": "card", "id": "label", "mbps": 170.0, "from": "label"},
            {"part": "reader link", "id": "usb3-5g", "mbps": 500.0, "from": "detected"}],
        "limiting_link": "card bus uhs-i",
        "forecast": {"at_start_s": 421.5, "actual_s": 439.2},
        "verdict": {"proven": true, "copies": 2, "reasons": []}})
}

/// 420 seconds at some 90 MB/s, with a fall for a while, and then only read-back.
fn course() -> Vec<u64> {
    let read = (0..420_u64).map(|s| {
        let base = if (180..240).contains(&s) {
            38_000_000
        } else {
            88_000_000
        };
        base + s * 7_919 % 6_000_000
    });
    read.chain([0; 20]).collect()
}

pub(crate) fn made(manifest: &Value) -> String {
    let manifest = Manifest::from_bytes(manifest.to_string().as_bytes()).unwrap();
    let made = page(&manifest);
    assert_eq!(made, page(&manifest), "the same bytes every time");
    made
}

/// Stores a page where people can look at it.
fn show(name: &str, page: &str) {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("pages");
    std::fs::create_dir_all(&folder).unwrap();
    std::fs::write(folder.join(name), page).unwrap();
}

/// What is between two marks, from the first of each.
fn between<'a>(text: &'a str, from: &str, to: &str) -> &'a str {
    let start = text.find(from).unwrap_or_else(|| panic!("no {from}")) + from.len();
    let rest = &text[start..];
    &rest[..rest.find(to).unwrap_or_else(|| panic!("no {to}"))]
}

#[test]
fn a_proven_card_says_so_first_then_what_was_shot_and_where_the_copies_are() {
    let page = made(&festival(420));
    show("proven.html", &page);
    let verdict = between(&page, "<h1>", "</h1>");
    assert_eq!(verdict, "Safe on 2 drives");
    for said in [
        "<strong>PROVEN</strong>. Everything on card ",
        "(420 files, 42.0 GB) is on 2 drives",
        "2 proven copies on separate drives; 2 needed",
        "As of <span class=\"s\">2026-10-03</span> 18:09:31 UTC",
        "<dt>Clips</dt><dd>420 files, <span class=\"s\">42.0 GB</span><br>",
        "<bdi>420 MP4</bdi>",
        "<dt>First</dt><dd><span class=\"s\">2026-10-03</span> 09:30</dd>",
        "the card keeps no time zone",
        "<h3><bdi>SSD-B</bdi></h3>",
        "<bdi>/media/SSD-B/20261003-KITES-A</bdi>",
        "420 files checked, 42.0 GB",
        "took <strong>7 min 19 s</strong>",
        "<strong>7 min 02 s</strong> were expected",
        "card bus, UHS-I",
        "6234-ABCD",
        "sdc volume 33CC-44DD",
        "past the computer's memory (<code>direct</code>)",
        "(<code>dropped</code>)",
        "Times are in UTC",
        ".DS_Store",
        "420 files. The manifest has them all.",
        "KITE0420.MP4",
        "5efbdd3f37efeae40a74cf592be8af7d5caed94259ab4f48e59806ecf3249687",
    ] {
        assert!(page.contains(said), "{said} is not on the page");
    }
    // What is asked first comes first, and the pen last; what there is none of has no heading.
    let order = [
        "<h1>",
        "What was shot",
        "Where the copies are",
        "What this shows",
        "Speed",
        "Details",
        "Fingerprint",
        "Files and hashes",
        "class=\"sign\"",
    ];
    let places: Vec<_> = order.iter().map(|part| page.find(part).unwrap()).collect();
    assert!(places.is_sorted(), "{places:?}");
    for none in [
        "None.",
        "Why it is not proven",
        "Good to know",
        "Stills",
        "Sound",
    ] {
        assert!(!page.contains(none), "{none}");
    }
}

#[test]
fn an_unproven_card_is_to_be_kept_and_each_exception_is_named() {
    let mut m = festival(6);
    m["verdict"] = json!({"proven": false, "copies": 1, "reasons": ["1 file could not be read"]});
    m["problems"] = json!([
        {"kind": "unreadable", "path": "DCIM/100KITES/KITE0007.MP4", "destination": null,
            "detail": "reading failed: input/output error", "blocking": true},
        {"kind": "mismatch", "path": "DCIM/100KITES/KITE0003.MP4", "destination": 1,
            "detail": "what was read back differs", "blocking": true},
        {"kind": "no-room", "path": null, "destination": 1, "detail": "the drive is full",
            "blocking": false}]);
    m["files"][2]["copies"] = json!([{"destination": 0, "proof": "written", "readback_s": null}]);
    m["destinations"][1]["readback"] = "cached".into();
    let page = made(&m);
    show("not-proven.html", &page);
    assert_eq!(between(&page, "<h1>", "</h1>"), "NOT PROVEN");
    for said in [
        "as it is: don't format it, don't shoot on it.",
        "1 file could not be read.",
        "<bdi>`DCIM/100KITES/KITE0007.MP4` reading failed: input/output error.</bdi>",
        "Try another reader, cable or port",
        "<bdi>`DCIM/100KITES/KITE0003.MP4` on SSD-B: what was read back differs.</bdi>",
        "<h2>Good to know</h2>",
        "SSD-B: the drive is full.",
        "answered from its memory, so this is no proof (<code>cached</code>)",
        "5 of 6 files checked",
    ] {
        assert!(page.contains(said), "{said} is not on the page");
    }
    assert!(!page.contains("Before the card is formatted"));
    assert!(!page.contains("Safe on") && !page.contains("Everything on card"));
}

#[test]
fn what_was_matched_by_date_only_is_said_in_the_verdict() {
    let mut m = festival(3);
    m["proof"]["only_new"] = json!({"left_files": 2, "left_bytes": 200_000_000,
        "matched_by": "path-size-date", "sampled_files": 1});
    for n in [0, 1] {
        m["files"][n]["copies"] = json!([{"destination": 0, "proof": "earlier", "readback_s": null,
            "in": "DAY1"}, {"destination": 1, "proof": "earlier", "readback_s": null,
                "in": "DAY1"}]);
    }
    let page = made(&m);
    let verdict = between(&page, "<h1>", "<h2>");
    assert!(
        verdict.contains(
            "2 files of it were matched with earlier offloads by path, size and date only"
        ),
        "{verdict}"
    );
    assert!(!verdict.contains("Each copy was read back"), "{verdict}");
    assert!(
        page.contains("2 of 3 files")
            && page.contains("DAY1")
            && page.contains("1 file read as a sample")
    );
}

#[test]
fn one_copy_is_said_to_be_one_only() {
    let mut m = festival(2);
    assert!(!made(&m).contains("one copy only"));
    m["verdict"]["copies"] = 1.into();
    let page = made(&m);
    assert_eq!(between(&page, "<h1>", "</h1>"), "Safe on one drive only");
    assert!(between(&page, "<h1>", "<h2>").contains("one copy only: if this drive is lost"));
    m["verdict"]["proven"] = false.into();
    assert!(!made(&m).contains("one copy only"));
}

#[test]
fn what_was_shot_is_counted_by_type_and_drives_have_one_name_each() {
    let mut m = festival(6);
    for (at, name) in ["A.JPG", "A.DNG", "B.jpg", "S/T.WAV", "C/C1.XML"]
        .into_iter()
        .enumerate()
    {
        m["files"][at]["path"] = name.into();
        m["files"][at]["modified"] = format!("2026-10-0{}T09:30:00.000000000Z", at + 3).into();
    }
    m["card"].as_object_mut().unwrap().remove("zone");
    m["destinations"][1]["path"] = "/media/other/SSD-A".into();
    let page = made(&m);
    for said in [
        "<dt>Stills</dt><dd>3 files, <span class=\"s\">300.0 MB</span><br>",
        "<bdi>2 JPG, 1 DNG</bdi></span><br><span class=\"soft\"><span \
        class=\"s\">2026-10-03</span> \
        09:30 to <span class=\"s\">2026-10-05</span> 09:30 UTC</span>",
        "<dt>Sound</dt><dd>1 file, <span class=\"s\">100.0 MB</span>",
        "<dt>Other</dt><dd>1 file, <span class=\"s\">100.0 MB</span>",
        "<dt>First</dt><dd><span class=\"s\">2026-10-03</span> 09:30 UTC</dd>",
        // The camera's notes do not count.
        "<dt>Last</dt><dd><span class=\"s\">2026-10-06</span> 09:30 UTC</dd>",
        "the card's dates, in UTC",
        "<h3><bdi>/media/SSD-A</bdi></h3>",
        "<h3><bdi>/media/other/SSD-A</bdi></h3>",
    ] {
        assert!(page.contains(said), "{said} is not on the page");
    }
    m["destinations"][0]["path"] = "F:\\".into();
    let page = made(&m);
    assert!(page.contains("<h3><bdi>F:</bdi></h3>"));
    assert!(page.contains("<bdi>F:\\20261003-KITES-A</bdi>"));
}

/// As a computer in India and one in Newfoundland had it (RFC 3339, section 5.8, has such
/// offsets).
#[test]
fn times_are_those_of_the_computer_with_utc_beside_them() {
    let mut m = festival(1);
    m["version"] = 2.into();
    m["offload"]["utc_offset"] = "+05:30".into();
    m["destinations"][0]["name"] = "Attic".into();
    let page = made(&m);
    for said in [
        "As of <span class=\"s\">2026-10-03</span> 23:39:31 UTC+05:30 (18:09:31 UTC).",
        "<dt>Begun</dt><dd><span class=\"s\">2026-10-03</span> 23:32:11 UTC+05:30 (18:02:11 \
        UTC)</dd>",
        // A camera's time is that of the camera.
        "<dt>First</dt><dd><span class=\"s\">2026-10-03</span> 09:30</dd>",
        "Times are those of the computer's clock",
        "<h3><bdi>Attic</bdi></h3>",
        "<bdi>/media/SSD-A/20261003-KITES-A</bdi>",
    ] {
        assert!(page.contains(said), "{said} is not on the page");
    }
    m["offload"]["utc_offset"] = "+14:00".into();
    m["card"].as_object_mut().unwrap().remove("zone");
    m["destinations"][1]["name"] = "Attic".into();
    let page = made(&m);
    for said in [
        "As of <span class=\"s\">2026-10-04</span> 08:09:31 UTC+14:00 (<span \
        class=\"s\">2026-10-03</span> 18:09:31 UTC).",
        "<dt>First</dt><dd><span class=\"s\">2026-10-03</span> 23:30</dd>",
        "the card's dates, at UTC+14:00.",
        "<h3><bdi>/media/SSD-A</bdi></h3>",
    ] {
        assert!(page.contains(said), "{said} is not on the page");
    }
}

#[test]
fn the_plot_has_the_numbers_and_only_where_there_are_any() {
    let page = made(&festival(2));
    let svg = between(&page, "<svg", "</svg>");
    assert!(
        svg.contains("role=\"img\"") && svg.contains("aria-labelledby=\"rate-title rate-desc\"")
    );
    assert!(svg.contains("<title id=\"rate-title\">"));
    let description = between(svg, "<desc id=\"rate-desc\">", "</desc>");
    assert!(
        description.contains("card bus, UHS-I, at most 104 MB/s, the limiting link"),
        "{description}"
    );
    // 420 intervals in steps of four; what came after the last byte is not drawn.
    let outline = between(svg, "class=\"rate\" d=\"", "\"");
    assert_eq!(outline.matches('H').count(), 105);
    // Two ceilings within reach, and one far above it.
    assert_eq!(svg.matches("class=\"limit\"").count(), 1);
    assert_eq!(svg.matches("class=\"link\"").count(), 1);
    assert!(page.contains("above the plot"));
    // The table holds every byte that was plotted.
    let table = between(&page, "<caption>Read from the card</caption>", "</table>");
    let rows: Vec<Vec<&str>> = table
        .split("<tr>")
        .skip(2)
        .map(|row| {
            row.split("<td")
                .skip(1)
                .map(|cell| between(cell, ">", "</td>"))
                .collect()
        })
        .collect();
    assert_eq!(rows.len(), 105);
    let sum: u64 = rows
        .iter()
        .map(|r| r[2].replace(',', "").parse::<u64>().unwrap())
        .sum();
    assert_eq!(sum, course().iter().sum::<u64>());
    assert_eq!(rows[1][0], "4");

    for (read, why) in [
        (json!([]), "no interval"),
        (json!([0, 0, 0, 0]), "no interval"),
        (json!([5_000_000]), "too short"),
        (json!([5_000_000, 4_000_000]), "too short"),
    ] {
        let mut m = festival(2);
        m["rates"]["read"] = read;
        let page = made(&m);
        assert!(!page.contains("<svg") && page.contains(why), "{why}");
        assert!(
            page.contains("What is known of each part"),
            "the links are told all the same"
        );
    }
}

#[test]
fn a_rate_of_earlier_copies_is_none_of_this_one_and_no_limit() {
    let mut m = festival(1);
    m["links"] = json!([
        {"part": "card and reader", "id": "measured", "mbps": 90.0, "from": "measured"},
        {"part": "destination 1", "id": "writes", "mbps": 41.0, "from": "measured"},
        {"part": "card", "id": "label", "mbps": 20.0, "from": "label"},
    ]);
    let page = made(&m);
    for said in [
        "measured in earlier copies",
        "measured in this copy",
        "about 20.0 MB/s",
    ] {
        assert!(page.contains(said), "{said}");
    }
    assert!(!between(&page, "<desc", "</desc>").contains("card and reader, measured, at most"));
    assert!(!page.contains("at most 20.0"));
}

#[test]
fn the_last_interval_is_cut_by_the_end_of_the_copy() {
    let mut m = festival(1);
    m["rates"]["read"] = json!([10_000_000, 10_000_000, 10_000_000, 1_000_000]);
    m["forecast"]["actual_s"] = json!(3.1);
    let page = made(&m);
    let table = between(&page, "<caption>Read from the card</caption>", "</table>");
    // 11 MB in the 1.1 s from second 2 to the end.
    assert!(
        table.contains(
            "<td>2</td><td class=\"n\">1.1</td><td class=\"n\">11,000,000</td><td \
            class=\"n\">10.0</td>"
        ),
        "{table}"
    );
    assert!(!table.contains("<td>3</td>"), "{table}");
}

#[test]
fn long_jobs_and_long_lists_stay_bounded() {
    let mut m = festival(2_003);
    m["rates"] = json!({"every_s": 4096, "read": vec![400_000_000_000_u64; 3_601], "write": [],
        "readback": []});
    m["forecast"]["actual_s"] = json!(4096.0 * 3_601.0);
    m["left_out"] = (0..2_010)
        .map(|n| json!({"path": format!("._{n}"), "why": "made by a computer"}))
        .collect();
    m["problems"] = (0..2_050)
        .map(|n| {
            json!({"kind": "unreadable", "path": format!("P{n}"),
        "destination": null, "detail": "no", "blocking": true})
        })
        .collect();
    let page = made(&m);
    show("long.html", &page);
    assert!(
        page.contains("And 3 more files")
            && page.contains("And 10 more paths")
            && page.contains("And 2,010 more exceptions")
    );
    assert!(!page.contains("KITE2001.MP4") && page.contains("KITE2000.MP4"));
    let outline = between(&page, "class=\"rate\" d=\"", "\"");
    assert!(outline.matches('H').count() <= 120);
    assert!(page.len() < 3_000_000, "{}", page.len());
}

#[test]
fn hostile_names_do_no_harm() {
    let hostile = "\"><script>alert(1)</script>\u{202e}gpj'&\u{1b}[2J";
    let mut m = festival(1);
    m["version"] = 2.into();
    m["destinations"][1]["name"] = "Attic".into();
    for at in [
        "/offload/name",
        "/offload/host",
        "/card/path",
        "/card/label",
        "/card/filesystem",
        "/card/volume_id",
        "/card/zone",
        "/tool/name",
        "/destinations/0/path",
        "/destinations/1/name",
        "/destinations/0/device",
        "/destinations/0/filesystem",
        "/files/0/path",
        "/left_out/0/path",
        "/left_out/0/why",
        "/links/0/part",
        "/links/0/id",
        "/links/0/from",
        "/limiting_link",
        "/offload/started",
        "/offload/finished",
    ] {
        *m.pointer_mut(at).unwrap_or_else(|| panic!("{at}")) = hostile.into();
    }
    m["verdict"]["reasons"] = json!([hostile]);
    m["problems"] = json!([{"kind": "extra", "path": hostile, "destination": 0, "detail": hostile,
        "blocking": true}]);
    let page = made(&m);
    assert!(
        !page.contains("<script") && !page.contains(['\u{202e}', '\u{1b}']),
        "{page}"
    );
    assert!(page.contains("&lt;script&gt;") && page.contains("\\u{202e}"));
}

#[test]
fn nothing_is_fetched_and_nothing_runs() {
    for m in [festival(1), festival(40)] {
        let page = made(&m);
        // HTML Living Standard, 4.2.5.3 and CSP3: the page itself forbids both.
        assert!(page.contains("content=\"default-src 'none'; style-src 'unsafe-inline'\""));
        for word in [
            "http:",
            "https:",
            "<script",
            "javascript:",
            "@import",
            "url(",
            "<img",
            "<link",
            "<iframe",
            "src=",
            "href=",
            "onload=",
            "onclick=",
        ] {
            assert!(!page.contains(word), "{word}");
        }
        assert_eq!(page.matches("<html").count(), 1);
    }
}

/// Relative luminance and contrast ratio as WCAG 2.2 defines them; AA asks for 4.5 to 1 for text.
fn contrast(a: &str, b: &str) -> f64 {
    let luminance = |hex: &str| {
        let short = hex.len() == 3;
        let channel = |n: usize| {
            let digits = if short {
                hex[n..=n].repeat(2)
            } else {
                hex[2 * n..2 * n + 2].to_owned()
            };
            let c = f64::from(u8::from_str_radix(&digits, 16).unwrap()) / 255.0;
            if c <= 0.04045 {
                c / 12.92
            } else {
                ((c + 0.055) / 1.055).powf(2.4)
            }
        };
        0.2126 * channel(0) + 0.7152 * channel(1) + 0.0722 * channel(2)
    };
    let (a, b) = (luminance(a), luminance(b));
    (a.max(b) + 0.05) / (a.min(b) + 0.05)
}

#[test]
fn every_colour_can_be_read_in_light_dark_and_print() {
    // The definition's own ends: black on white is 21 to 1, white on white 1 to 1.
    assert!(
        (contrast("000", "ffffff") - 21.0).abs() < 1e-9
            && (contrast("fff", "fff") - 1.0).abs() < 1e-9
    );
    let page = made(&festival(1));
    let schemes: Vec<&str> = page
        .split(":root{")
        .skip(1)
        .map(|s| s.split('}').next().unwrap())
        .collect();
    assert_eq!(schemes.len(), 3, "light, dark, print");
    for scheme in schemes {
        let colour = |name: &str| {
            let from = format!("--{name}:#");
            let start = scheme
                .find(&from)
                .unwrap_or_else(|| panic!("{name} in {scheme}"))
                + from.len();
            scheme[start..].split(';').next().unwrap()
        };
        for ground in ["paper", "panel"] {
            for ink in ["ink", "soft", "good", "bad", "mark"] {
                let ratio = contrast(colour(ink), colour(ground));
                assert!(ratio >= 4.5, "{ink} on {ground}: {ratio:.2} in {scheme}");
            }
        }
    }
}

/// Pages of every kind, each with all texts that it can have.
pub(crate) fn samples() -> Vec<String> {
    let whole = festival(20);
    let mut bad = festival(3);
    bad["verdict"] = json!({"proven": false, "copies": 1, "reasons": []});
    let kinds: Vec<Value> = (0..PROBLEM_KINDS.len())
        .map(|at| {
            json!({"kind": PROBLEM_KINDS[at], "path": "KITE.JPG", "destination": at % 2,
                "detail": "could not be read", "blocking": at % 3 > 0})
        })
        .collect();
    bad["problems"] = kinds.into();
    bad["rates"]["read"] = json!([]);
    bad["destinations"][0]["readback"] = "cached".into();
    bad["destinations"][1]["readback"] = "none".into();
    bad["forecast"]["at_start_s"] = Value::Null;
    bad["limiting_link"] = "card".into();
    let mut part = festival(3);
    part["version"] = 2.into();
    part["card"]["read_whole"] = false.into();
    part["offload"]["layout"] = "bag".into();
    part["proof"]["separate"] = true.into();
    part["card"].as_object_mut().unwrap().remove("zone");
    let mut further = festival(3);
    further["version"] = 2.into();
    further["source"] = json!({"offload": "KITES", "path": "/media/SSD-C/KITES",
        "device": "sdd", "manifest_b3": further["card"]["listing_b3"], "readback": "direct",
        "counted": true});
    further["limiting_link"] = "destination 2".into();
    let next_day = |matched_by: &str| {
        let mut m = festival(3);
        m["proof"]["only_new"] = json!({"left_files": 1, "left_bytes": 100_000_000,
            "matched_by": matched_by, "sampled_files": 1});
        m["files"][0]["copies"] = json!([
            {"destination": 0, "proof": "earlier", "readback_s": null, "in": "DAY1"},
            {"destination": 1, "proof": "earlier", "readback_s": null, "in": "DAY1"}]);
        m["files"][1]["copies"][0] =
            json!({"destination": 0, "proof": "earlier", "readback_s": null, "again": true});
        m
    };
    let days = ["path-size-date", "content"].map(next_day);
    let all = [whole, bad, part, further].into_iter().chain(days);
    all.map(|m| made(&m)).collect()
}

/// The kinds of problems as a manifest names them.
pub(crate) const PROBLEM_KINDS: [&str; 16] = [
    "unreadable",
    "vanished",
    "changed-on-card",
    "mismatch",
    "write-failed",
    "no-room",
    "name-not-storable",
    "name-clash",
    "too-large-for-filesystem",
    "same-device",
    "too-few-copies",
    "not-read-back",
    "missing",
    "changed",
    "extra",
    "manifest-damaged",
];

/// A grey JPEG of eight by eight pixels (ITU-T T.81, B.2): one block without a coefficient, which
/// takes two bits.
pub(crate) fn grey_jpeg() -> Vec<u8> {
    let table = |class: u8| [&[0xff, 0xc4, 0, 20, class, 1][..], &[0; 15], &[0]].concat();
    [
        &b"\xff\xd8\xff\xdb\0\x43\0"[..],
        &[1; 64],
        &table(0x00),
        &table(0x10),
        b"\xff\xc0\0\x0b\x08\0\x08\0\x08\x01\x01\x11\0",
        b"\xff\xda\0\x08\x01\x01\0\0\x3f\0\x3f\xff\xd9",
    ]
    .concat()
}

/// A sheet of pictures of so many bytes.
pub(crate) fn sheet(bytes: &[usize]) -> Sheet {
    let pictures = bytes.iter().enumerate().map(|(n, &bytes)| {
        let mut jpeg = grey_jpeg();
        jpeg.resize(bytes.max(jpeg.len()), 0xd9);
        SheetPicture {
            path: format!("DCIM/100KITES/KITE{n:04}.JPG"),
            jpeg,
            orientation: 1,
        }
    });
    Sheet {
        pictures: pictures.collect(),
        stills: 900,
        asked: 60,
        ..Sheet::default()
    }
}

pub(crate) fn page_of_pictures(sheet: &mut Sheet) -> String {
    let manifest = Manifest::from_bytes(festival(3).to_string().as_bytes()).unwrap();
    pictures::page(&manifest, sheet)
}

#[test]
fn a_page_of_pictures_is_never_too_large_and_the_largest_go_first() {
    let mut large = sheet(&[[60_000; 30], [20_000; 30]].concat());
    let made = page_of_pictures(&mut large);
    assert!(made.len() <= PAGE_BYTES_MAX, "{}", made.len());
    assert!(made.len() > PAGE_BYTES_MAX - 200_000, "{}", made.len());
    let is_small = |picture: &&SheetPicture| picture.jpeg.len() == 20_000;
    assert_eq!(large.pictures.iter().filter(is_small).count(), 30);
    let gone = 60 - u64::try_from(large.pictures.len()).unwrap();
    assert_eq!(large.too_large, gone);
    assert!(made.contains("of 900 stills, spread over the card."));
    assert!(made.contains(&format!("{gone} thumbnails are too large (")));
    // Nor by the names.
    let mut named = sheet(&[45_000; 60]);
    for picture in &mut named.pictures {
        picture.path = "\u{e0001}".repeat(1_000);
    }
    assert!(page_of_pictures(&mut named).len() <= PAGE_BYTES_MAX);
    let mut few = sheet(&[1]);
    page_of_pictures(&mut few);
    assert_eq!(few, sheet(&[1]));
}

#[test]
fn a_page_of_pictures_has_nothing_that_acts_and_says_that_it_proves_nothing() {
    let mut hostile = sheet(&[1, 1, 1]);
    hostile.pictures[1].path = "K\u{202e}GPJ.<script>alert(1)</script>\"'>".to_owned();
    // CIPA DC-008, Orientation: with 6 the first row is the picture's right side.
    hostile.pictures[2].orientation = 6;
    hostile.broken = 1;
    let made = page_of_pictures(&mut hostile);
    show("pictures.html", &made);
    assert!(made.contains("A thumbnail proves nothing:"));
    assert!(made.contains("1 thumbnail is no whole JPEG and not here."));
    assert!(!made.contains("<script") && !made.contains('\u{202e}'));
    assert!(made.contains("K\\u{202e}GPJ.&lt;script&gt;alert(1)&lt;/script&gt;&quot;'&gt;"));
    let policy = "content=\"default-src 'none'; style-src 'unsafe-inline'; img-src data:\"";
    assert!(made.contains(policy));
    assert_eq!(
        made.matches(" loading=\"lazy\" width=\"160\" height=\"160\" ")
            .count(),
        3
    );
    assert_eq!(
        made.matches(" src=\"data:image/jpeg;base64,/9j/").count(),
        3
    );
    assert_eq!(made.matches("<img class=\"t6\" ").count(), 1);
    assert!(made.contains(".t6{transform:rotate(90deg)}"));
}
