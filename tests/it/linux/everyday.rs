//! What a person reads every day: few lines, the answer last and alone, one caution below it.

use crate::support::program::{Ran, Work, flip, put, remove};

const STILL: &str = "DCIM/100KITES/KITE0001.JPG";

/// The lines of standard output, with what is measured taken out.
fn screen(ran: &Ran) -> Vec<String> {
    let measured = |line: &str| {
        let mut words: Vec<&str> = line.split(' ').collect();
        for at in 1..words.len() {
            if words.get(at - 1) == Some(&"in") && words[at].parse::<f64>().is_ok() {
                words[at] = "N";
            }
        }
        let line = words.join(" ");
        let line = line.split(" (").next().unwrap_or_default().to_owned();
        line.split("; needs ").next().unwrap_or_default().to_owned()
    };
    ran.out.lines().map(measured).collect()
}

#[test]
fn a_copy_is_told_in_few_lines_and_answered_last() {
    let work = Work::with_card("everyday");
    let ran = work.run_short("copy card --to a --to b --name KITES --copies 1");
    ran.exits(0);
    assert_eq!(
        screen(&ran),
        [
            "card: 7 files, 3.4 MB, as KITES",
            "  a  7 files to copy, 3.4 MB",
            "  b  7 files to copy, 3.4 MB",
            "Card read. You can take it out. Don't format it yet.",
            "",
            "card: 7 files, 3.4 MB in N s",
            "  a  7 files checked",
            "  b  7 files checked",
            "  Copies 1 and 2 are on one file system: they count as one.",
            "  It is one copy only: if this drive is lost or fails, the pictures are gone.",
            "",
            "PROVEN. You may format card, in the camera, but that leaves one copy only.",
            "Your contract or insurer comes first. Copies equal what the reader delivered.",
        ]
    );
    let ran = work.run_short("copy card --to a --to b --name KITES --copies 1");
    let again = "  a  7 files, all already copied, checked again";
    assert!(screen(ran.exits(0)).contains(&again.to_owned()), "{ran}");
}

#[test]
fn what_is_not_proven_is_numbered_and_the_answer_says_keep() {
    let work = Work::with_card("everyday-not");
    let ran = work.run_short("copy card --to a --to b --name KITES");
    ran.exits(1);
    let lines = screen(&ran);
    assert_eq!(
        lines[lines.len() - 4..],
        [
            "  1. Copies 1 and 2 are on one file system: they count as one. Give a folder on",
            "     another physical drive.",
            "",
            "NOT PROVEN. Keep card as it is: don't format it, don't shoot on it.",
        ]
    );
}

#[test]
fn prove_and_verify_answer_last_as_well() {
    let work = Work::with_card("everyday-ask");
    work.offload();
    let ran = work.run_short("prove card --on a --copies 1");
    let answer = "PROVEN. You may format card, in the camera, but that leaves one copy only.";
    let last = |ran: &Ran, from_end: usize| {
        let lines = screen(ran);
        lines[lines.len() - from_end].clone()
    };
    assert_eq!(last(ran.exits(0), 2), answer, "{ran}");
    let ran = work.run_short("verify a/KITES");
    let intact = "INTACT. a/KITES is what its manifest says.";
    assert_eq!(last(ran.exits(0), 1), intact, "{ran}");
    flip(&work.path(&format!("a/KITES/{STILL}")), 100);
    put(&work.path("a/KITES/NEW.JPG"), &[1; 10]);
    let ran = work.run_short("verify a/KITES b/KITES");
    ran.exits(1)
        .says("NOT INTACT. a/KITES: 1 changed, 1 extra.");
    assert_eq!(last(&ran, 1), "1 of 2 offloads is intact, not `a/KITES`.");
    let ran = work.run_short("prove card --on a --copies 1 --reread");
    let keep = "NOT PROVEN. Keep card as it is: don't format it, don't shoot on it.";
    assert_eq!(last(ran.exits(1), 1), keep, "{ran}");
}

/// 24 rows of 80 columns.
#[test]
fn forty_damaged_files_leave_the_answer_on_the_screen() {
    let work = Work::new("everyday-damage");
    work.folder("card/DCIM");
    for n in 0..40 {
        put(
            &work.path(&format!("card/DCIM/KITE{n:04}.JPG")),
            &[7; 2_000],
        );
    }
    work.folder("a");
    work.folder("b");
    work.offload();
    for n in 0..40 {
        remove(&work.path(&format!("a/KITES/DCIM/KITE{n:04}.JPG")));
    }
    for arguments in ["verify a/KITES", "prove card --on a --copies 1"] {
        let ran = work.run_short(arguments);
        let rows = ran.exits(1).out.lines().count();
        assert!(rows <= 24, "{rows} rows: {ran}");
        assert!(
            ran.says("KITE0000.JPG")
                .out
                .lines()
                .all(|line| line.len() <= 80)
        );
    }
}
