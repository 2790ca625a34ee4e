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
            {"path": "/media/SSD-A/20261003-KITES-A", "device": "sdb volume 11AA-22BB",
                "filesystem": "exfat", "readback": "direct"},
            {"path": "/media/SSD-B/20261003-KITES-A", "device": "sdc volume 33CC-44DD",
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
fn a_proven_card_is_told_first_with_how_and_when() {
    let page = made(&festival(420));
    show("proven.html", &page);
    let verdict = between(&page, "<h1>", "</h1>");
    assert_eq!(verdict, "PROVEN");
    for said in [
        "420 files, 42.0 GB",
        "2 independent devices",
        "2026-10-03 18:09:31 UTC",
        "KITES-A",
        "6234-ABCD",
        "sdc volume 33CC-44DD",
        "past the computer's memory (direct)",
        "(dropped)",
        "took <strong>7 min 19 s</strong>",
        "<strong>7 min 02 s</strong> were expected",
        "card bus, UHS-I",
        "<h2>Exceptions</h2><p>None.</p>",
        ".DS_Store",
        "Name</div><div>Date",
        "<details><summary>The list</summary>",
        "KITE0420.MP4",
        "5efbdd3f37efeae40a74cf592be8af7d5caed94259ab4f48e59806ecf3249687",
    ] {
        assert!(page.contains(said), "{said} is not on the page");
    }
    // The verdict stands before everything else that a reader could take for it.
    assert!(page.find("<h1>") < page.find("<h2>"));
}

#[test]
fn an_unproven_card_is_to_be_kept_and_each_exception_is_told() {
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
        "do not format it",
        "1 file could not be read",
        "Could not be read",
        "KITE0007.MP4",
        "input/output error",
        "Try another reader, cable or port",
        "Copy differs</strong>, destination 2",
        "does not bear on the verdict",
        "answered from its memory, so this is no proof (cached)",
        "<dd>5 of 6</dd>",
    ] {
        assert!(page.contains(said), "{said} is not on the page");
    }
    assert!(!page.contains("Before the card is formatted"));
    assert!(!page.contains("independent device") || !page.contains("Everything on card"));
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
fn a_rate_of_earlier_jobs_is_none_of_this_one_and_no_limit() {
    let mut m = festival(1);
    m["links"] = json!([
        {"part": "card and reader", "id": "measured", "mbps": 90.0, "from": "measured"},
        {"part": "destination 1", "id": "writes", "mbps": 41.0, "from": "measured"},
        {"part": "card", "id": "label", "mbps": 20.0, "from": "label"},
    ]);
    let page = made(&m);
    for said in [
        "measured in earlier jobs",
        "measured in this job",
        "about 20.0 MB/s",
    ] {
        assert!(page.contains(said), "{said}");
    }
    assert!(!between(&page, "<desc", "</desc>").contains("card and reader, measured, at most"));
    assert!(!page.contains("at most 20.0"));
}

#[test]
fn the_last_interval_is_cut_by_the_end_of_the_job() {
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
            && page.contains("And 50 more exceptions")
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
