//! The JSON Schemas against outside validators (crate `jsonschema` and the Python library of that
//! name, draft 2020-12): what the program writes validates, and schemas and reader refuse the same
//! broken manifests.

use crate::support::program::{Work, checkers, finish, manifest, put, skip};
use jsonschema::Validator;
use serde_json::{Value, json};
use std::process::Command;
use unlade::record::manifest::Manifest;

fn schema(work: &Work, of: &str) -> Validator {
    let ran = work.run(&format!("schema {of}"));
    ran.exits(0);
    let schema: Value = serde_json::from_str(&ran.out).unwrap();
    // JSON Schema Core, draft 2020-12, section 8.1.1: the dialect is named by this address.
    assert_eq!(
        schema["$schema"],
        "https://json-schema.org/draft/2020-12/schema"
    );
    jsonschema::meta::validate(&schema).unwrap();
    jsonschema::validator_for(&schema).unwrap()
}

/// The judgement of the Python library on each document, or says loudly that it is missing.
fn judged_by_python(work: &Work, of: &str, documents: &[Value]) -> Option<Vec<bool>> {
    let Some(python) = checkers() else {
        skip("the Python library `jsonschema` is not installed; .ci/run does it");
        return None;
    };
    let (schema, lines) = (work.path("schema.json"), work.path("documents"));
    put(&schema, work.run(&format!("schema {of}")).out.as_bytes());
    let text: Vec<String> = documents.iter().map(Value::to_string).collect();
    put(&lines, text.join("\n").as_bytes());
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/it/linux/schema.py");
    let ran = finish(Command::new(python).arg(script).arg(schema).arg(lines));
    ran.exits(0);
    let judged: Vec<bool> = ran.out.lines().map(|line| line == "valid").collect();
    assert_eq!(judged.len(), documents.len(), "{ran}");
    Some(judged)
}

/// Sets the key or the place in a list that a pointer names, also where there is no such key yet.
fn set(document: &mut Value, at: &str, value: &Value) {
    let (parent, key) = at.rsplit_once('/').unwrap();
    match document.pointer_mut(parent).unwrap() {
        Value::Array(list) => list[key.parse::<usize>().unwrap()] = value.clone(),
        other => other[key] = value.clone(),
    }
}

fn is_read(manifest: &Value) -> bool {
    Manifest::from_bytes(manifest.to_string().as_bytes()).is_ok()
}

fn valid(schema: &Validator, value: &Value) {
    let faults: Vec<String> = schema
        .iter_errors(value)
        .map(|e| format!("{}: {e}", e.instance_path()))
        .collect();
    assert!(faults.is_empty(), "{faults:?}\n{value}");
}

#[test]
fn manifests_of_real_runs_validate_and_broken_ones_are_refused_by_schema_and_reader() {
    let work = Work::with_card("schema-manifest");
    let schema = schema(&work, "manifest");
    let whole = manifest(&work.offload());
    work.run("copy card --to a --to b --name FEW --copies 16 --also sha256,xxh3,md5");
    work.run("copy card --to a --name FLUSHED --proof written");
    put(&work.path("card/DCIM/100KITES/KITE0009.JPG"), b"new");
    work.run("copy card --to a --to b --name NEXT --copies 1 --only-new")
        .exits(0);
    assert!(manifest(&work.path("a/NEXT"))["files"][0]["copies"][0]["in"].is_string());
    work.run("copy card --to a --to b --name BAG --copies 1 --layout bag")
        .exits(0);
    let (mut good, mut bad) = (Vec::new(), Vec::new());
    for name in ["KITES", "FEW", "FLUSHED", "NEXT", "BAG"] {
        let made = manifest(&work.path("a").join(name));
        valid(&schema, &made);
        assert!(is_read(&made), "{name}");
        good.push(made);
    }
    assert_eq!(good[4]["offload"]["layout"], "bag");
    assert_eq!(good[0]["offload"].get("layout"), None);
    let of_version_2 = [
        ("/card/read_whole", json!(false)),
        ("/offload/utc_offset", json!("+05:45")),
        ("/destinations/1/name", json!("Attic")),
        (
            "/source",
            json!({
                "offload": "KITES", "path": "/a/KITES", "device": "sda",
                    "manifest_b3": "0".repeat(64),
                "readback": "direct", "counted": true
            }),
        ),
        (
            "/contents",
            json!({
                "types": [{
                    "ending": "MP4", "kind": "clip", "files": 2, "bytes": 9, "seconds": 4.5
                }],
                "first": null, "last": null, "looked_at": 1, "cameras": ["Kites K-100"]
            }),
        ),
        ("/hints", json!([])),
        (
            "/hints",
            json!([{"kind": "gap", "path": "DCIM", "detail": "a number is missing"}]),
        ),
    ];
    for (at, value) in &of_version_2 {
        let mut m = whole.clone();
        set(&mut m, at, value);
        // Those who know only version 1 would refuse it.
        assert!(!schema.is_valid(&m), "the schema accepts {at} in version 1");
        assert!(!is_read(&m), "the reader accepts {at} in version 1");
        bad.push(m.clone());
        m["version"] = json!(2);
        valid(&schema, &m);
        let read = Manifest::from_bytes(m.to_string().as_bytes()).unwrap();
        // A key that the writer forgot would be gone.
        let again: Value = serde_json::from_slice(&read.to_bytes().unwrap()).unwrap();
        assert_eq!(again.pointer(at), Some(value));
        assert_eq!(again["version"], 2);
        good.push(m.clone());
        set(&mut m, at, &json!(null));
        assert!(!schema.is_valid(&m) && !is_read(&m), "{at}: null");
        bad.push(m);
    }
    let broken: [(&str, Value); 30] = [
        ("/format", json!("other")),
        ("/version", json!(3)),
        ("/version", json!(0)),
        ("/files/0/path", json!("../KITE0001.JPG")),
        ("/files/0/path", json!("/etc/passwd")),
        ("/files/0/path", json!("DCIM//KITE0001.JPG")),
        ("/files/0/path", json!("DCIM/./KITE0001.JPG")),
        ("/files/0/path", json!("DCIM/KITE\u{0}")),
        ("/files/0/path", json!("_unlade/manifest.json")),
        ("/files/0/path", json!("DCIM/..")),
        ("/files/0/path", json!("")),
        ("/files/0/bytes", json!(9_007_199_254_740_992_u64)),
        ("/files/0/bytes", json!(-1)),
        ("/files/0/blake3", json!("g".repeat(64))),
        ("/files/0/blake3", json!("A".repeat(64))),
        ("/files/0/read_s", json!(-0.5)),
        ("/files/0/copies/0/proof", json!("believed")),
        ("/files/0/copies/0/in", json!("DAY1")),
        ("/offload/layout", json!("box")),
        ("/offload/utc_offset", json!("+00:00")),
        ("/offload/utc_offset", json!("+24:00")),
        ("/offload/utc_offset", json!("+02:00\n")),
        ("/offload/utc_offset", json!("Z")),
        ("/destinations/0/name", json!(7)),
        ("/offload/layout", json!(null)),
        ("/proof/hash", json!("md5")),
        ("/proof/more", json!(1)),
        ("/destinations/0/readback", json!("guessed")),
        ("/folders/0", json!("a/")),
        ("/verdict/proven", json!("yes")),
    ];
    for (at, value) in broken {
        let mut m = whole.clone();
        set(&mut m, at, &value);
        assert!(!schema.is_valid(&m), "the schema accepts {at} = {value}");
        assert!(!is_read(&m), "the reader accepts {at} = {value}");
        bad.push(m);
    }
    for key in whole.as_object().unwrap().keys() {
        let mut m = whole.clone();
        m.as_object_mut().unwrap().remove(key);
        assert!(!schema.is_valid(&m) && !is_read(&m), "without {key}");
        bad.push(m);
    }
    // Odd, and right for both.
    for path in [
        "..a/b..",
        "...",
        "a\nb",
        "_unlade2/x",
        "a/_unlade",
        "\u{202e}",
        "C:",
    ] {
        let mut m = whole.clone();
        m["files"][0]["path"] = path.into();
        valid(&schema, &m);
        assert!(is_read(&m), "{path:?}");
        good.push(m);
    }
    let all: Vec<Value> = good.iter().chain(&bad).cloned().collect();
    if let Some(judged) = judged_by_python(&work, "manifest", &all) {
        for (at, (document, is_valid)) in all.iter().zip(judged).enumerate() {
            assert_eq!(is_valid, at < good.len(), "{at}: {document}");
        }
    }
    // What no schema can say, and the reader refuses.
    let mut m = whole.clone();
    m["files"][1]["path"] = m["files"][0]["path"].clone();
    assert!(schema.is_valid(&m) && !is_read(&m));
}

#[test]
fn every_line_of_events_validates() {
    let work = Work::with_card("schema-events");
    let schema = schema(&work, "events");
    work.folder("second");
    put(&work.path("second/KITE0042.JPG"), b"kite");
    // A clip without its index: a hint.
    put(
        &work.path("second/KITE0043.MP4"),
        b"\0\0\0\x08ftyp\0\0\0\x08mdat",
    );
    let mut seen = std::collections::BTreeSet::new();
    let mut all = Vec::new();
    for command in [
        "plan card --to a --to b --copies 1 --link usb2",
        "copy card --to a --to b --name KITES --copies 1 --shoot festival --expect 2",
        "copy card --to a --to b --name KITES --copies 1",
        "copy card --to a --name FLUSHED --proof written",
        "copy card --to a --to a --name TWICE",
        "copy card --to a --to b --name BAG --copies 1 --layout bag",
        "verify a/BAG",
        "prove card --on a --on b --copies 1",
        "prove card --on a --copies 16",
        "prove card --on home",
        "verify a/KITES",
        "verify a/KITES a/BAG",
        "verify card",
        "inspect second a/KITES nothing",
        "inspect --deep second",
        "copy card second --to a --to b --copies 1",
        "copy gone away --to a",
    ] {
        let ran = work.run(&format!("{command} --json"));
        let mut last = String::new();
        for line in ran.out.lines() {
            let event: Value = serde_json::from_str(line).unwrap();
            valid(&schema, &event);
            all.push(event.clone());
            event["event"].as_str().unwrap().clone_into(&mut last);
            seen.insert(last.clone());
        }
        assert!(
            last == "verdict" || command.starts_with("plan") || command.starts_with("inspect"),
            "{command}: {last}"
        );
    }
    for event in [
        "listed", "planned", "refused", "tick", "file", "problem", "hint", "verdict",
    ] {
        assert!(seen.contains(event), "no {event} in {seen:?}");
    }
    let plugged = work.run("--json").exits(0).events();
    assert_eq!(plugged.len(), 1, "{plugged:?}");
    assert!(plugged[0]["command"].is_string(), "{plugged:?}");
    valid(&schema, &plugged[0]);
    #[cfg(feature = "desk")]
    valid(&schema, &crate::support::desk::Desk::start(&work).first);
    all.extend(plugged);
    // What is said where the system does not say what is plugged in.
    all.push(
        json!({"event": "plugged", "t": 0, "cards": null, "drives": null, "command": null,
        "reasons": ["this system doesn't say what is plugged in."]}),
    );
    valid(&schema, all.last().unwrap());
    let good = all.len();
    for wrong in [
        json!({"event": "plugged", "t": 0, "cards": [{"path": "/media/KITES"}], "drives": [],
            "command": "unlade demo"}),
        json!({}),
        json!({"event": "verdict", "t": 0}),
        json!({"event": "joy", "t": 0}),
        json!({"event": "rate-change", "t": 0, "from_bytes_per_s": 1, "to_bytes_per_s": -1,
            "at_s": 0}),
    ] {
        assert!(!schema.is_valid(&wrong), "{wrong}");
        all.push(wrong);
    }
    if let Some(judged) = judged_by_python(&work, "events", &all) {
        for (at, (event, is_valid)) in all.iter().zip(judged).enumerate() {
            assert_eq!(is_valid, at < good, "{event}");
        }
    }
}
