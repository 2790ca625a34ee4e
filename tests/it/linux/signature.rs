//! Signatures of manifests, made here and checked by OpenSSH's own `ssh-keygen -Y verify`, and the
//! other way round (the form is OpenSSH's `PROTOCOL.sshsig`).

use crate::support::program::{
    INTACT, Ran, Work, age, bytes_of, flip, manifest, names_in, put, remove, skip, store_manifest,
    tool, traces, whole_tree,
};
use std::fs;
use std::io::Write as _;
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

const KEYS: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/fixtures/keys");
const COPY: &str = "copy card --to a --to b --name KITES --copies 1";
const SIGNED: &str = "copy card --to a --to b --name KITES --copies 1 --sign key";
const WHO: &str = "kites@example.org";

/// A card, and a key made for tests only as `key` and `key.pub`.
fn with_key(name: &str) -> Work {
    let work = Work::with_card(name);
    take_key(&work, "tests_only_ed25519", "key");
    take_key(&work, "tests_only_ed25519.pub", "key.pub");
    take_key(&work, "tests_only_other.pub", "other.pub");
    work
}

fn take_key(work: &Work, from: &str, to: &str) {
    let to = work.path(to);
    put(&to, &bytes_of(&Path::new(KEYS).join(from)));
    fs::set_permissions(to, fs::Permissions::from_mode(0o600)).unwrap();
}

fn fingerprint() -> String {
    let text = bytes_of(&Path::new(KEYS).join("tests_only_ed25519.fingerprint"));
    String::from_utf8(text).unwrap().trim().to_owned()
}

fn sig(offload: &Path) -> PathBuf {
    offload.join("_unlade/manifest.json.sig")
}

/// Runs OpenSSH's program, or says loudly that it is missing; the exit code and what it said.
fn keygen(work: &Work, arguments: &[&str], input: &[u8]) -> Option<(i32, String)> {
    let Some(program) = tool("ssh-keygen") else {
        skip("ssh-keygen is not installed");
        return None;
    };
    let mut child = Command::new(program)
        .args(arguments)
        .current_dir(work.path("."))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    child.stdin.take().unwrap().write_all(input).unwrap();
    let output = child.wait_with_output().unwrap();
    let said = String::from_utf8([output.stdout, output.stderr].concat()).unwrap();
    Some((output.status.code().unwrap(), said))
}

fn openssh_verifies(work: &Work, offload: &str, manifest: &[u8]) -> Option<(i32, String)> {
    let allowed = [WHO.as_bytes(), b" ", &bytes_of(&work.path("key.pub"))].concat();
    put(&work.path("allowed"), &allowed);
    let signature = format!("{offload}/_unlade/manifest.json.sig");
    let arguments = [
        "-Y",
        "verify",
        "-f",
        "allowed",
        "-I",
        WHO,
        "-n",
        "unlade-manifest",
        "-s",
        &signature,
    ];
    keygen(work, &arguments, manifest)
}

/// Signs a manifest by hand, as the manual says.
fn sign_by_hand(work: &Work, key: &str, namespace: &str, more: &[&str]) -> Option<()> {
    let m = "a/KITES/_unlade/manifest.json";
    if sig(&work.path("a/KITES")).exists() {
        remove(&sig(&work.path("a/KITES")));
    }
    let arguments = [
        &["-q", "-Y", "sign", "-n", namespace, "-f", key],
        more,
        &[m],
    ]
    .concat();
    let (code, said) = keygen(work, &arguments, b"")?;
    assert_eq!(code, 0, "{said}");
    Some(())
}

fn problems(ran: &Ran) -> Vec<(String, String)> {
    let events = ran.events().into_iter();
    events
        .filter(|e| e["event"] == "problem")
        .map(|e| {
            (
                e["kind"].as_str().unwrap().to_owned(),
                e["path"].as_str().unwrap().to_owned(),
            )
        })
        .collect()
}

#[test]
fn openssh_accepts_the_signature_and_rejects_a_changed_manifest() {
    let work = with_key("sign-outside");
    let ran = work.run(SIGNED);
    ran.exits(0)
        .says(&format!("Signed by the key {}", fingerprint()));
    for drive in ["a/KITES", "b/KITES"] {
        let m = bytes_of(&work.path(drive).join("_unlade/manifest.json"));
        let Some((code, said)) = openssh_verifies(&work, drive, &m) else {
            return;
        };
        assert_eq!(code, 0, "{said}");
        assert!(said.contains(&fingerprint()), "{said}");
        for at in [0, m.len() / 2, m.len() - 2] {
            let mut changed = m.clone();
            changed[at] ^= 1;
            let (code, said) = openssh_verifies(&work, drive, &changed).unwrap();
            assert_ne!(code, 0, "{said}");
        }
        work.run(&format!("verify {drive} --signed-by key.pub"))
            .exits(0);
    }
    assert_eq!(
        bytes_of(&sig(&work.path("a/KITES"))),
        bytes_of(&sig(&work.path("b/KITES")))
    );
}

#[test]
fn signatures_by_openssh_are_accepted() {
    let work = with_key("sign-by-hand");
    work.run(COPY).exits(0);
    for more in [
        &[][..],
        &["-O", "hashalg=sha256"],
        &["-O", "hashalg=sha512"],
    ] {
        if sign_by_hand(&work, "key", "unlade-manifest", more).is_none() {
            return;
        }
        let ran = work.run("verify a/KITES");
        ran.exits(0).says(INTACT).says(&fingerprint());
        ran.says("not who");
        let ran = work.run("verify a/KITES --signed-by key.pub");
        ran.exits(0)
            .says("by a key that you expect")
            .is_silent_of("not who");
    }
    // A passphrase is asked for by ssh-keygen, and its key is as good.
    take_key(&work, "tests_only_passphrase", "locked");
    let (code, said) = keygen(
        &work,
        &["-q", "-p", "-P", "kites", "-N", "", "-f", "locked"],
        b"",
    )
    .unwrap();
    assert_eq!(code, 0, "{said}");
    sign_by_hand(&work, "locked", "unlade-manifest", &[]).unwrap();
    work.run("verify a/KITES").exits(0).says("Signed intact");
    work.run("verify a/KITES --signed-by key.pub")
        .exits(1)
        .says("another key");
    // For another purpose.
    sign_by_hand(&work, "key", "file", &[]).unwrap();
    let ran = work.run("verify a/KITES");
    ran.exits(1).says("NOT INTACT").says("another purpose");
}

/// Of a key that cannot be checked here nothing is said but that.
#[test]
fn a_signature_of_another_kind_is_neither_good_nor_a_difference() {
    let work = with_key("sign-kinds");
    work.run(COPY).exits(0);
    for kind in ["rsa", "ecdsa"] {
        let Some((code, said)) = keygen(&work, &["-q", "-t", kind, "-N", "", "-f", kind], b"")
        else {
            return;
        };
        assert_eq!(code, 0, "{said}");
        sign_by_hand(&work, kind, "unlade-manifest", &[]).unwrap();
        let ran = work.run("verify a/KITES");
        ran.exits(1)
            .says("NOT CHECKED")
            .says("ssh-keygen -Y verify");
        ran.is_silent_of(INTACT).is_silent_of("NOT INTACT");
        let ran = work.run("verify a/KITES --signed-by key.pub");
        ran.exits(1).says("NOT INTACT");
        assert_eq!(
            ran.words().matches("ssh-keygen -Y verify").count(),
            1,
            "{ran}"
        );
        // It keeps nothing from being used.
        work.run("prove card --on a --copies 1").exits(0);
        work.run(&format!("{COPY} --sign {kind}"))
            .exits(3)
            .says("only Ed25519");
    }
}

#[test]
fn a_broken_signature_is_one_difference() {
    let work = with_key("sign-broken");
    work.run(SIGNED).exits(0);
    let whole = bytes_of(&sig(&work.path("a/KITES")));
    let broken = [
        ("cut short", whole[..150].to_vec()),
        ("empty", Vec::new()),
        ("no signature", b"kites".to_vec()),
        ("too large", vec![b'A'; 20_000]),
    ];
    for (what, bytes) in broken {
        put(&sig(&work.path("a/KITES")), &bytes);
        let ran = work.run("verify a/KITES --json");
        ran.exits(1);
        let expected = (
            "manifest-damaged".to_owned(),
            "_unlade/manifest.json.sig".to_owned(),
        );
        assert_eq!(problems(&ran), [expected], "{what}");
        let verdict = ran.events().pop().unwrap();
        assert_eq!(verdict["signature"], "broken", "{what}");
        assert_eq!(verdict["unchanged"], false, "{what}");
        let ran = work.run("verify a/KITES --signed-by key.pub");
        ran.exits(1).says("1 signature not good");
        work.run("prove card --on a --copies 1")
            .exits(1)
            .says("signature");
        work.run(SIGNED).exits(3).says("signature");
    }
    put(&sig(&work.path("a/KITES")), &whole);
    flip(&sig(&work.path("a/KITES")), 100);
    work.run("verify a/KITES")
        .exits(1)
        .says("1 signature not good");
    put(&sig(&work.path("a/KITES")), &whole);
    work.run("verify a/KITES").exits(0);
    // A manifest that was changed together with its hash and page.
    let m = bytes_of(&work.path("a/KITES/_unlade/manifest.json"));
    let m = String::from_utf8(m).unwrap();
    let text = m.replacen("\"host\":\"", "\"host\":\"x", 1);
    assert_ne!(text, m);
    store_manifest(&work.path("a/KITES"), text.as_bytes());
    let ran = work.run("verify a/KITES");
    ran.exits(1)
        .says("not one of this manifest")
        .says("Do not rely on this manifest");
    ran.is_silent_of("files are as they were");
}

#[test]
fn who_is_expected_is_told_from_who_signed() {
    let work = with_key("sign-expected");
    work.run(SIGNED).exits(0);
    let ran = work.run("verify a/KITES b/KITES --signed-by key.pub --json");
    ran.exits(0);
    for verdict in ran.events().iter().filter(|e| e["offload"].is_string()) {
        assert_eq!(verdict["signature"], "intact");
        assert_eq!(verdict["signed_by"], fingerprint());
        assert_eq!(verdict["is_signer_expected"], true);
    }
    let ran = work.run("verify a/KITES --signed-by other.pub --json");
    ran.exits(1);
    assert_eq!(problems(&ran).len(), 1);
    let verdict = ran.events().pop().unwrap();
    assert_eq!(verdict["is_signer_expected"], false);
    assert_eq!(verdict["signed_by"], fingerprint());
    work.run("verify a/KITES --signed-by other.pub")
        .exits(1)
        .says(&fingerprint())
        .says("another key");
    let verdict = work.run("verify a/KITES --json").events().pop().unwrap();
    assert!(verdict["is_signer_expected"].is_null());
    remove(&sig(&work.path("a/KITES")));
    let ran = work.run("verify a/KITES");
    ran.exits(0).is_silent_of("Signed");
    work.run("verify a/KITES --signed-by key.pub")
        .exits(1)
        .says("there is none");
    for (file, why) in [
        ("key", "private key"),
        ("card", "not a plain file"),
        ("none", "no such file"),
    ] {
        let ran = work.run(&format!("verify b/KITES --signed-by {file}"));
        ran.exits(3).says(why).is_silent_of(INTACT);
        let ran = work.run(&format!("verify b/KITES --signed-by {file} --json"));
        assert_eq!(ran.exits(3).events().pop().unwrap()["event"], "verdict");
    }
}

/// Whatever is wrong with the key is found before the card is touched, and nothing is written.
#[test]
fn a_key_that_cannot_sign_is_refused_before_the_card_is_touched() {
    let work = with_key("sign-refused");
    let mut cases = vec![
        ("key.pub", "public key"),
        ("none", "no such file"),
        ("card", "not a plain file"),
        ("large", "too large"),
        ("open", "chmod 600"),
        ("text", "no private key"),
        ("torn", "damaged"),
        ("locked", "ssh-keygen -Y sign"),
        ("pipe", "not a plain file"),
        ("card/key", "is on the card"),
        ("link", "is on the card"),
        ("public", "give the private one"),
    ];
    let key = bytes_of(&work.path("key"));
    for (name, bytes) in [
        ("large", vec![b' '; 70_000]),
        ("open", key.clone()),
        ("text", b"kites".to_vec()),
        ("torn", key[..200].to_vec()),
        ("card/key", key.clone()),
        ("public", bytes_of(&work.path("key.pub"))),
    ] {
        put(&work.path(name), &bytes);
        let mode = if ["open", "public"].contains(&name) {
            0o640
        } else {
            0o600
        };
        fs::set_permissions(work.path(name), fs::Permissions::from_mode(mode)).unwrap();
    }
    take_key(&work, "tests_only_passphrase", "locked");
    std::os::unix::fs::symlink("card/key", work.path("link")).unwrap();
    rustix::fs::mknodat(
        rustix::fs::CWD,
        work.path("pipe"),
        rustix::fs::FileType::Fifo,
        rustix::fs::Mode::from_raw_mode(0o600),
        0,
    )
    .unwrap();
    match keygen(&work, &["-q", "-t", "rsa", "-N", "", "-f", "rsa"], b"") {
        Some((0, _)) => cases.push(("rsa", "only Ed25519")),
        other => assert!(other.is_none(), "{other:?}"),
    }
    let secret = String::from_utf8(key).unwrap();
    let secret = secret.lines().nth(3).unwrap();
    let paths = age(&work.path("card"));
    let before = traces(&paths);
    for (name, why) in cases {
        for flags in ["", " --dry-run", " --json"] {
            let ran = work.run(&format!("{COPY} --sign {name}{flags}"));
            ran.exits(3).says(why);
            assert!(!ran.words().contains(secret), "{name}: the key is shown");
            if flags == " --json" {
                let events = ran.events();
                let last = events.last().unwrap();
                assert_eq!(
                    (&last["event"], &last["exit_code"]),
                    (&"verdict".into(), &3.into())
                );
                assert_eq!(events[0]["event"], "refused");
            }
        }
        assert_eq!(traces(&paths), before, "{name}: the card was touched");
    }
    assert!(whole_tree(&work.path("a")).is_empty() && whole_tree(&work.path("b")).is_empty());
}

/// No event and no record holds anything of the private key, and the manifest says nothing of any.
#[test]
fn nothing_of_the_key_is_told() {
    let work = with_key("sign-secret");
    let ran = work.run(&format!("{SIGNED} --json"));
    ran.exits(0);
    let verdict = ran.events().pop().unwrap();
    assert_eq!(verdict["signed_by"], fingerprint());
    let key = String::from_utf8(bytes_of(&work.path("key"))).unwrap();
    // The first lines hold the public half, which the signature holds too.
    let secret: Vec<&str> = key.lines().skip(3).take(2).collect();
    assert!(secret.iter().all(|line| line.len() > 20), "{secret:?}");
    let text = bytes_of(&work.path("a/KITES/_unlade/manifest.json"));
    let text = String::from_utf8(text).unwrap();
    for line in secret {
        assert!(!ran.words().contains(line) && !text.contains(line));
    }
    assert!(
        !text.contains("SHA256:"),
        "the manifest is the same, signed or not"
    );
    let mut stored = names_in(&work.path("a/KITES/_unlade"));
    stored.retain(|name| name.contains("sig"));
    assert_eq!(stored, ["manifest.json.sig"]);
}

/// The same command again, with and without the key, with another key, and with more on the card.
#[test]
fn no_signature_is_left_beside_another_manifest() {
    let work = with_key("sign-again");
    let offload = work.path("a/KITES");
    let earlier = |n: usize| offload.join(format!("_unlade/earlier-{n}"));
    work.run(COPY).exits(0).is_silent_of("Signed");
    let unsigned = bytes_of(&offload.join("_unlade/manifest.json"));
    // Signed later: the same verdict in a new manifest, the unsigned one is kept.
    work.run(SIGNED).exits(0).says("Signed");
    assert!(sig(&offload).exists() && earlier(1).join("manifest.json").exists());
    assert_eq!(bytes_of(&earlier(1).join("manifest.json")), unsigned);
    let signature = bytes_of(&sig(&offload));
    // Nothing new: it stays as it is, and with the key it is said to be signed.
    work.run(COPY).exits(0).is_silent_of("Signed");
    work.run(SIGNED).exits(0).says("Signed");
    assert_eq!(bytes_of(&sig(&offload)), signature);
    assert!(!earlier(2).exists());
    // More on the card and no key: the signed manifest is kept with its signature, the new one has
    // none.
    put(&work.path("card/DCIM/100KITES/KITE0009.JPG"), b"new");
    work.run(COPY)
        .exits(0)
        .says("the new one is not signed")
        .is_silent_of("Signed");
    assert!(!sig(&offload).exists());
    assert_eq!(bytes_of(&earlier(2).join("manifest.json.sig")), signature);
    let ran = work.run("verify a/KITES b/KITES");
    ran.exits(0).is_silent_of("Signed");
    work.run(SIGNED).exits(0);
    work.run("verify a/KITES b/KITES --signed-by key.pub")
        .exits(0);
    // An earlier set whose signature does not fit is told, too.
    put(
        &earlier(2).join("manifest.json.sig"),
        &bytes_of(&sig(&offload)),
    );
    let ran = work.run("verify a/KITES --signed-by key.pub --json");
    let at = "_unlade/earlier-2/manifest.json.sig".to_owned();
    assert_eq!(
        problems(ran.exits(1)),
        [("manifest-damaged".to_owned(), at)]
    );
    assert_eq!(ran.events().pop().unwrap()["is_signer_expected"], true);
    // The page is made of the manifest alone.
    put(&earlier(2).join("manifest.json.sig"), &signature);
    remove(&offload.join("_unlade/report.html"));
    let signature = bytes_of(&sig(&offload));
    work.run("report a/KITES").exits(0);
    assert_eq!(bytes_of(&sig(&offload)), signature);
    work.run("verify a/KITES --signed-by key.pub").exits(0);
}

/// Another key signs a manifest of its own; the one before stays with its signature.
#[test]
fn another_key_signs_another_manifest() {
    let work = with_key("sign-other");
    work.run(SIGNED).exits(0);
    take_key(&work, "tests_only_passphrase", "second");
    let Some((code, said)) = keygen(
        &work,
        &["-q", "-p", "-P", "kites", "-N", "", "-f", "second"],
        b"",
    ) else {
        return;
    };
    assert_eq!(code, 0, "{said}");
    let first = bytes_of(&sig(&work.path("a/KITES")));
    work.run(&format!("{COPY} --sign second"))
        .exits(0)
        .says("Signed");
    assert_ne!(bytes_of(&sig(&work.path("a/KITES"))), first);
    assert_eq!(
        bytes_of(&work.path("a/KITES/_unlade/earlier-1/manifest.json.sig")),
        first
    );
    work.run("verify a/KITES")
        .exits(0)
        .is_silent_of(&fingerprint());
    work.run("verify a/KITES --signed-by key.pub").exits(1);
}

/// The signature is named after the bag is whole and is in no list of it (RFC 8493 lets a tag
/// manifest leave tag files out; from memory, and the Python library `bagit` 1.9.0 accepts it).
#[test]
fn a_bag_can_be_signed() {
    let work = with_key("sign-bag");
    work.run(&format!("{SIGNED} --layout bag")).exits(0);
    let offload = work.path("a/KITES");
    let tags = String::from_utf8(bytes_of(&offload.join("tagmanifest-sha256.txt"))).unwrap();
    assert!(
        tags.contains("_unlade/manifest.json\n") && !tags.contains(".sig"),
        "{tags}"
    );
    work.run("verify a/KITES b/KITES --signed-by key.pub")
        .exits(0);
    let first = bytes_of(&sig(&offload));
    put(&work.path("card/DCIM/100KITES/KITE0009.JPG"), b"new");
    work.run(SIGNED).exits(0).says("Signed");
    assert_ne!(bytes_of(&sig(&offload)), first);
    assert_eq!(
        bytes_of(&offload.join("_unlade/earlier-1/manifest.json.sig")),
        first
    );
    work.run("verify a/KITES b/KITES --signed-by key.pub")
        .exits(0);
    flip(&sig(&offload), 100);
    let ran = work.run("verify a/KITES --json");
    let at = "_unlade/manifest.json.sig".to_owned();
    assert_eq!(
        problems(ran.exits(1)),
        [("manifest-damaged".to_owned(), at)]
    );
}

/// Where nothing is written nothing is signed, and that is said.
#[test]
fn what_was_not_signed_is_told() {
    let work = with_key("sign-nothing");
    work.run(COPY).exits(0);
    let ran = work.run("copy card --to a --to b --name NEXT --copies 1 --only-new --sign key");
    ran.exits(0)
        .says("Nothing was signed")
        .is_silent_of("Signed by");
    assert!(!work.path("a/NEXT").exists() && !sig(&work.path("a/KITES")).exists());
    let ran = work.run(&format!("{SIGNED} --dry-run"));
    ran.exits(0).says(&fingerprint());
    assert_eq!(manifest(&work.path("a/KITES"))["version"], 1);
}

/// A check that is written down says of the files what it found; who signed is told apart from it.
#[test]
fn a_check_is_written_down_whoever_signed() {
    let work = with_key("sign-mhl");
    work.run(&format!("{SIGNED} --mhl")).exits(0);
    let lists = || names_in(&work.path("a/KITES/ascmhl")).len();
    let before = lists();
    let add = "verify a/KITES --add-generation --signed-by";
    work.run(&format!("{add} key.pub"))
        .exits(0)
        .says("INTACT. a/KITES")
        .says(&format!("by the key {}", fingerprint()))
        .says("The check is written down");
    assert_eq!(lists(), before + 1);
    let verdict = work.run(&format!("{add} key.pub --json")).events().pop();
    assert_eq!(verdict.unwrap()["signed_by"], fingerprint());
    work.run(&format!("{add} other.pub"))
        .exits(1)
        .says("another key")
        .says("NOT INTACT. a/KITES");
    // Not one file of it has failed.
    let folder = work.path("a/KITES/ascmhl");
    for name in names_in(&folder) {
        let text = String::from_utf8(bytes_of(&folder.join(&name))).unwrap();
        assert!(!text.contains("action=\"failed\""), "{name}");
    }
    work.run("verify a/KITES --signed-by key.pub").exits(0);
}
