//! Where things are written and read while somebody moves folders about: a folder swapped for a
//! link in the middle of a copy, something mounted inside an offload, a drive unmounted lazily.
//! Nothing may land on the card or on the system's disk, and nothing that is not on the drive may
//! count.

use crate::support::image::Image;
use crate::support::mount::{self, Fault, Kind, Mount, Options};
use crate::support::program::{
    Card, Node, Ran, Tree, Work, ended, move_to, names_in, put, skip, tool, tree, wait_until,
};
use std::os::unix::fs::symlink;
use std::path::Path;
use std::process::{Command, Stdio};

const STILLS: usize = 40;

fn done(name: &str, arguments: &[&str]) -> bool {
    let status = Command::new(name)
        .args(arguments)
        .stderr(Stdio::null())
        .status();
    status.is_ok_and(|s| s.success())
}

/// Mounts by root, taken down at the end whatever happens; those that came last go first.
#[derive(Default)]
struct Mounted(Vec<String>);

impl Mounted {
    /// Mounts as `mount` does; the last argument is the folder, which is made.
    fn add(&mut self, arguments: &[&str]) -> bool {
        let at = *arguments.last().unwrap();
        std::fs::create_dir_all(at).unwrap();
        let is_up = done("mount", arguments);
        if is_up {
            self.0.push(at.to_owned());
        }
        is_up
    }

    fn bind(&mut self, from: &Path, at: &Path) -> bool {
        self.add(&["--bind", from.to_str().unwrap(), at.to_str().unwrap()])
    }

    fn lift(&mut self) {
        for at in self.0.drain(..).rev() {
            if !done("umount", &[&at]) {
                done("umount", &["-l", &at]);
            }
        }
    }
}

impl Drop for Mounted {
    fn drop(&mut self) {
        self.lift();
    }
}

/// Whether this machine lets a test mount; says so if not.
fn cannot_mount() -> bool {
    let tools = ["mount", "umount", "mkfs.ext4", "losetup"].map(tool);
    let can = rustix::process::geteuid().is_root() && tools.iter().all(Option::is_some);
    if !can {
        skip("mounting needs root, mount, losetup and mkfs.ext4");
    }
    !can
}

/// A card of two folders, the second of which comes to be read only after a stall of the first.
struct Slow {
    card: Mount,
    work: Work,
}

impl Slow {
    fn new(name: &str) -> Self {
        let work = Work::new(name);
        work.folder("a");
        work.folder("b");
        let mut made = Card::new(&work.path("back-card"));
        made = made.file("DCIM/100KITES/FIRST.JPG", 300_000, 1);
        for n in 1..=STILLS {
            made = made.file(format!("DCIM/101KITES/KITE{n:04}.JPG"), 50_000 + n, 2);
        }
        drop(made.file("MISC/SLOW.MOV", 300_000, 3));
        let stalls = Options {
            faults: vec![
                Fault::new(Kind::StallRead { off: 0, ms: 2_500 })
                    .path("*FIRST.JPG")
                    .times(1),
            ],
            ..Options::default()
        };
        let card = Mount::new(&work.path("back-card"), &work.folder("card"), stalls).unwrap();
        Self { card, work }
    }

    /// Runs a job, does something while the card's first file stalls, and returns how it ended.
    fn run_and(&self, job: &str, meanwhile: impl FnOnce(&Work)) -> Ran {
        let mut child = self
            .work
            .command()
            .args(job.split_whitespace())
            .arg("--json")
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        // The folders stand, and the reader waits for its first bytes.
        let is_begun = || {
            let on = |drive: &str| self.work.path(drive).join("KITES/MISC").exists();
            on("a") && on("b") && self.card.fired("StallRead") == 1
        };
        let code = wait_until(&mut child, is_begun);
        assert_eq!(code, None, "it ended before it was to be disturbed");
        meanwhile(&self.work);
        ended(child)
    }

    fn card_is_untouched(&self, before: &Tree) {
        assert_eq!(&tree(&self.work.path("back-card")), before);
    }
}

const JOB: &str = "copy card --to a --to b --separate --name KITES";

#[test]
fn a_folder_of_a_drive_swapped_for_a_link_leads_nothing_onto_the_card() {
    if mount::skip() {
        return;
    }
    let slow = Slow::new("swapped");
    let before = tree(&slow.work.path("back-card"));
    let ran = slow.run_and(JOB, |work| {
        // Where the camera would have put a new folder.
        std::fs::create_dir(work.path("back-card/DCIM/999XXXXX")).unwrap();
        move_to(&work.path("a/KITES/DCIM/101KITES"), &work.path("a/was"));
        symlink(
            work.path("card/DCIM/999XXXXX"),
            work.path("a/KITES/DCIM/101KITES"),
        )
        .unwrap();
    });
    assert!(names_in(&slow.work.path("back-card/DCIM/999XXXXX")).is_empty());
    std::fs::remove_dir(slow.work.path("back-card/DCIM/999XXXXX")).unwrap();
    slow.card_is_untouched(&before);
    ran.exits(1);
    assert_eq!(ran.verdict()["proven"], false);
    assert_eq!(
        tree(&slow.work.path("b/KITES")),
        before,
        "the other drive is whole"
    );
}

#[test]
fn records_swapped_for_a_link_leave_no_record_on_the_card() {
    if mount::skip() {
        return;
    }
    let slow = Slow::new("swapped-records");
    let before = tree(&slow.work.path("back-card"));
    let ran = slow.run_and(JOB, |work| {
        move_to(&work.path("a/KITES/_unlade"), &work.path("a/was"));
        symlink(work.path("card/MISC"), work.path("a/KITES/_unlade")).unwrap();
    });
    slow.card_is_untouched(&before);
    ran.exits(1);
    assert_eq!(ran.verdict()["copies"], 1);
    assert!(slow.work.path("b/KITES/_unlade/manifest.json").exists());
}

#[test]
fn a_folder_of_the_card_swapped_for_a_link_lets_nothing_outside_be_read() {
    if cannot_mount() {
        return;
    }
    let slow = Slow::new("swapped-card");
    let secret = slow.work.folder("secret");
    for n in 1..=STILLS {
        // Of the size and date that are listed, so that only the way there is odd.
        let name = format!("KITE{n:04}.JPG");
        put(&secret.join(&name), &vec![b'S'; 50_000 + n]);
        let listed = slow.work.path("back-card/DCIM/101KITES").join(&name);
        let date = std::fs::metadata(listed).unwrap().modified().unwrap();
        let file = std::fs::File::open(secret.join(&name)).unwrap();
        file.set_modified(date).unwrap();
    }
    let ran = slow.run_and(JOB, |work| {
        move_to(
            &work.path("back-card/DCIM/101KITES"),
            &work.path("back-card/DCIM/was"),
        );
        symlink(&secret, work.path("back-card/DCIM/101KITES")).unwrap();
    });
    ran.exits(1);
    for drive in ["a", "b"] {
        let secrets: Vec<_> = tree(&secret).into_values().collect();
        for (path, node) in tree(&slow.work.path(drive).join("KITES")) {
            let is_file = matches!(node, Node::File { .. });
            let is_secret = is_file && secrets.contains(&node);
            assert!(!is_secret, "{} was read from elsewhere", path.display());
        }
    }
}

/// What is mounted inside an offload is not on its drive, though it reads as if it were.
#[test]
fn mounts_inside_an_offload_never_count() {
    if cannot_mount() {
        return;
    }
    let work = Work::with_card("inside");
    let mut mounts = Mounted::default();
    work.run("copy card --to a --to b --name KITES --copies 1")
        .exits(0);
    let elsewhere = work.folder("elsewhere");
    // A file and a folder, both from the same device as the drive.
    for inside in ["DCIM/100KITES", "DCIM/100KITES/KITE0001.JPG", "_unlade"] {
        let at = work.path("a/KITES").join(inside);
        let moved = elsewhere.join("moved");
        move_to(&at, &moved);
        if moved.is_file() {
            std::fs::File::create_new(&at).unwrap();
        } else {
            std::fs::create_dir(&at).unwrap();
        }
        let (from, onto) = (moved.to_str().unwrap(), at.to_str().unwrap());
        if !done("mount", &["--bind", from, onto]) {
            return skip("this machine makes no bind mounts");
        }
        mounts.0.push(onto.to_owned());
        for command in ["verify a/KITES", "prove card --on a --copies 1"] {
            let ran = work.run(command);
            assert_ne!(ran.code, 0, "{inside}: {ran}");
            ran.says("a mount of its own");
        }
        // Copied again it is refused, and nothing is written through it.
        let stands = tree(&moved.parent().unwrap().join(""));
        work.run("copy card --to a --to b --name KITES --copies 2 --separate")
            .exits(3)
            .says("a mount of its own");
        assert_eq!(tree(&moved.parent().unwrap().join("")), stands);
        mounts.lift();
        if at.is_file() {
            std::fs::remove_file(&at).unwrap();
        } else {
            std::fs::remove_dir(&at).unwrap();
        }
        move_to(&moved, &at);
        work.run("verify a/KITES").exits(0);
    }
}

#[test]
fn the_cards_own_folder_bound_into_both_drives_is_no_copy() {
    if cannot_mount() {
        return;
    }
    let work = Work::with_card("bound");
    let mut mounts = Mounted::default();
    for drive in ["a", "b"] {
        if !mounts.bind(&work.path("card"), &work.path(drive).join("KITES")) {
            return skip("this machine makes no bind mounts");
        }
    }
    let before = tree(&work.path("card"));
    work.run("copy card --to a --to b --name KITES --copies 1")
        .exits(3)
        .says("a mount of its own");
    assert_eq!(tree(&work.path("card")), before);
    // And a bag's payload.
    mounts.lift();
    for drive in ["a", "b"] {
        std::fs::create_dir_all(work.path(drive).join("BAG")).unwrap();
        assert!(mounts.bind(&work.path("card"), &work.path(drive).join("BAG/data")));
    }
    work.run("copy card --to a --to b --name BAG --layout bag --copies 1")
        .exits(3);
    assert_eq!(tree(&work.path("card")), before);
}

#[test]
fn what_is_mounted_over_a_folder_in_the_middle_of_a_copy_is_no_copy() {
    if mount::skip() || cannot_mount() {
        return;
    }
    let slow = Slow::new("mounted-meanwhile");
    let mut mounts = Mounted::default();
    let before = tree(&slow.work.path("back-card"));
    let ran = slow.run_and(JOB, |work| {
        let at = work.path("a/KITES/DCIM/101KITES");
        assert!(mounts.bind(&work.path("back-card/DCIM/101KITES"), &at));
    });
    mounts.lift();
    ran.exits(1);
    assert_eq!(ran.verdict()["copies"], 1);
    slow.card_is_untouched(&before);
    assert!(
        ran.out.contains("a mount of its own") || ran.out.contains("missing"),
        "{ran}"
    );
}

/// The folder that a drive was mounted in takes files as willingly as the drive.
#[test]
fn a_drive_unmounted_in_the_middle_is_noticed_and_nothing_lands_on_the_systems_disk() {
    if mount::skip() || cannot_mount() {
        return;
    }
    let slow = Slow::new("lazily");
    let image = slow.work.path("a.img");
    let file = std::fs::File::create_new(&image).unwrap();
    file.set_len(64 << 20).unwrap();
    drop(file);
    assert!(done("mkfs.ext4", &["-q", "-F", image.to_str().unwrap()]));
    let mut mounts = Mounted::default();
    let (image, at) = (image.to_str().unwrap(), slow.work.path("a"));
    if !mounts.add(&["-o", "loop", image, at.to_str().unwrap()]) {
        return skip("this machine mounts no images");
    }
    let before = tree(&slow.work.path("back-card"));
    let ran = slow.run_and(JOB, |_| {
        assert!(done("umount", &["-l", at.to_str().unwrap()]));
        mounts.0.clear();
        // As a desktop leaves it, and with what would take the files.
        std::fs::create_dir_all(at.join("KITES/DCIM/100KITES")).unwrap();
        std::fs::create_dir_all(at.join("KITES/DCIM/101KITES")).unwrap();
        std::fs::create_dir_all(at.join("KITES/_unlade")).unwrap();
    });
    let landed = tree(&at);
    assert!(landed.values().all(|n| *n == Node::Folder), "{landed:?}");
    ran.exits(1);
    assert_eq!(ran.verdict()["copies"], 1);
    let problem = ran.first("problem");
    assert_eq!(problem["kind"], "vanished", "{ran}");
    // At the first batch, while the card is still being read: none of the later files was waited
    // for.
    let on_a = |e: &serde_json::Value| e["event"] == "file" && e["destination"] == 0;
    assert!(!ran.events().iter().any(on_a), "{ran}");
    assert_eq!(tree(&slow.work.path("b/KITES")), before);
}

/// The ledger is a file of the person's own folder, whatever somebody put in its place.
#[test]
fn a_ledger_that_is_a_link_leads_nowhere() {
    let work = Work::with_card("ledger-link");
    let before = tree(&work.path("card"));
    for target in ["card/ledger.jsonl", "card/PRIVATE/CLIPS/.index"] {
        let link = work.folder("own").join("ledger.jsonl");
        symlink(work.path(target), &link).unwrap();
        work.run("copy card --to a --to b --name KITES --copies 1 --home own")
            .exits(0)
            .says("Nothing could be entered in the ledger")
            .says("it is a link, which is not followed");
        assert_eq!(tree(&work.path("card")), before, "{target}");
        std::fs::remove_file(link).unwrap();
    }
    // A pipe does not hang it.
    let pipe = work.path("own/ledger.jsonl");
    assert!(done("mkfifo", &[pipe.to_str().unwrap()]));
    work.run("ledger --home own").says("could not be read");
}

#[test]
fn a_home_on_a_card_is_refused_for_the_kit_as_well() {
    let work = Work::with_card("home-on-card");
    let before = tree(&work.path("card"));
    for home in ["card", "card/DCIM", "card/new/deep"] {
        work.run(&format!("kit add card A1 --at card --home {home}"))
            .exits(3)
            .says("nothing is written to a card");
    }
    // A kit that is a link is one that the person keeps elsewhere; not on a card.
    let link = work.folder("own").join("kit.toml");
    symlink(work.path("card/PRIVATE/CLIPS/.index"), &link).unwrap();
    work.run("kit add card A1 --at card --home own")
        .exits(3)
        .says("nothing is written to a card");
    assert_eq!(tree(&work.path("card")), before);
}

/// No card is named then; what cameras make tells it.
#[test]
fn what_names_no_card_writes_to_none_either() {
    if cannot_mount() {
        return;
    }
    let work = Work::with_card("unnamed-card");
    let mut mounts = Mounted::default();
    let card = work.path("memory");
    if !mounts.add(&["-t", "tmpfs", "memory", card.to_str().unwrap()]) {
        return skip("this machine mounts no tmpfs");
    }
    std::fs::create_dir_all(card.join("DCIM")).unwrap();
    work.offload();
    for command in [
        "kit add card A1 --reads 250 --home memory/new",
        "kit remove card A1 --home memory",
        "man memory",
        "report a/KITES --to memory/page.html",
        "demo --keep memory/demo",
    ] {
        work.run(command)
            .exits(3)
            .says("nothing is written to a card");
    }
    assert_eq!(names_in(&card), ["DCIM"]);
}

#[test]
fn manual_pages_replace_nothing_but_manual_pages() {
    let work = Work::with_card("man");
    let before = tree(&work.path("card"));
    let pages = work.folder("pages");
    let page = pages.join("unlade-copy.1");
    symlink(work.path("card/PRIVATE/CLIPS/.index"), &page).unwrap();
    work.run("man pages")
        .exits(3)
        .says("unlade-copy.1")
        .says("is a link");
    assert_eq!(tree(&work.path("card")), before);
    std::fs::remove_file(&page).unwrap();
    put(&page, b"a recipe for kites");
    work.run("man pages")
        .exits(3)
        .says("no manual page of unlade");
    assert_eq!(std::fs::read(&page).unwrap(), b"a recipe for kites");
    assert_eq!(
        names_in(&pages),
        ["unlade-copy.1"],
        "nothing else was written"
    );
    std::fs::remove_file(&page).unwrap();
    work.run("man pages").exits(0);
    let pages = tree(&pages);
    work.run("man pages").exits(0);
    assert_eq!(tree(&work.path("pages")), pages, "again, over its own");
}

/// As deep as a walk goes; what lies there is counted at the end as it was at the start.
#[test]
fn a_file_below_exactly_128_folders_is_counted() {
    let work = Work::with_card("deep");
    let deep = vec!["d"; 128].join("/");
    drop(Card::new(&work.path("card")).file(format!("{deep}/KITE.JPG"), 900, 1));
    work.run("copy card --to a --to b --name KITES --copies 1")
        .exits(0);
    work.run("verify a/KITES").exits(0);
    work.run("prove card --on a --copies 1").exits(0);
    drop(Card::new(&work.path("card")).file(format!("{deep}/d/KITE.JPG"), 900, 1));
    work.run("copy card --to a --to b --name DEEPER --copies 1")
        .exits(1)
        .says("more than 128 folders deep")
        .says("copy by hand what you need")
        .is_silent_of("Try another reader");
}

/// What another card's offload holds would be no file of its card: it would not verify any more,
/// and nobody would look for an offload there.
#[test]
fn nothing_is_copied_into_an_offload() {
    let work = Work::with_card("in-offload");
    work.run("copy card --to a --name KITES --copies 1")
        .exits(0);
    drop(Card::new(&work.path("other")).file("DCIM/100KITES/KITE0900.JPG", 900, 7));
    let before = tree(&work.path("a"));
    for into in ["a/KITES", "a/KITES/DCIM", "a/KITES/_unlade"] {
        work.run(&format!("copy other --to {into} --name MORE --copies 1"))
            .exits(3)
            .says("is in the offload")
            .says("Give the folder that this offload is in");
    }
    assert_eq!(tree(&work.path("a")), before);
    work.run("copy other --to a --name MORE --copies 1")
        .exits(0);
}

/// `copy B --to A` by a slip of the hand writes onto a card, and what is copied to a card goes when
/// a camera formats it.
#[test]
fn nothing_is_copied_to_another_card() {
    let work = Work::with_card("to-a-card");
    let file = work.path("other.img");
    let Some(_other) = Image::ext4(&file, &work.path("a"), 32, "rw") else {
        return;
    };
    drop(Card::new(&work.path("a")).file("DCIM/100KITES/KITE0900.JPG", 900, 7));
    let before = tree(&work.path("a"));
    work.folder("a/backup");
    for to in ["a", "a/backup"] {
        work.run(&format!("copy card --to {to} --name KITES --copies 1"))
            .exits(3)
            .says("folders in its root that only cameras make")
            .says("on a drive that is not the card");
    }
    std::fs::remove_dir(work.path("a/backup")).unwrap();
    assert_eq!(tree(&work.path("a")), before);
}

/// Both are gone when the image is.
#[test]
fn an_image_on_the_card_or_beside_it_in_one_file_is_no_drive() {
    if cannot_mount() {
        return;
    }
    let work = Work::new("image-of-card");
    let (whole, inner) = (work.path("whole.img"), work.path("card/inner.img"));
    std::fs::File::create_new(&whole)
        .unwrap()
        .set_len(96 << 20)
        .unwrap();
    let make = |image: &Path, offset: &str, size: &str| {
        let image = image.to_str().unwrap();
        assert!(done("mkfs.ext4", &["-q", "-F", "-E", offset, image, size]));
    };
    make(&whole, "offset=0", "40M");
    make(&whole, "offset=50331648", "40M");
    let mut mounted = Mounted::default();
    for (offset, at) in [("0", "card"), ("50331648", "beside")] {
        let options = format!("loop,offset={offset},sizelimit=41943040");
        let at = work.path(at);
        if !mounted.add(&[
            "-o",
            &options,
            whole.to_str().unwrap(),
            at.to_str().unwrap(),
        ]) {
            return skip("this machine mounts no two parts of an image");
        }
    }
    drop(Card::new(&work.path("card")).file("DCIM/100KITES/KITE0001.JPG", 900, 1));
    std::fs::File::create_new(&inner)
        .unwrap()
        .set_len(16 << 20)
        .unwrap();
    make(&inner, "offset=0", "16M");
    assert!(mounted.add(&[
        "-o",
        "loop",
        inner.to_str().unwrap(),
        work.path("on").to_str().unwrap()
    ]));
    for (to, why) in [
        ("beside", "own image file"),
        ("on", "an image file on the card"),
    ] {
        work.run(&format!("copy card --to {to} --name KITES --copies 1"))
            .exits(3)
            .says(why)
            .is_silent_of("You may format");
    }
    work.folder("plain");
    work.run("copy card --to plain --name KITES --copies 1")
        .exits(0);
}
