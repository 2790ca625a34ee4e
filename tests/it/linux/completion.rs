//! Completion: asked as a script asks it, and by the scripts in real shells. What is told is one
//! word to the shell and harmless to a terminal; nothing is written, and no error is shown.

use crate::support::image::Image;
use crate::support::program::{Card, Ran, Work, finish, put, remove, skip, time, tool, tree};
use std::fs;
use std::os::unix::fs::symlink;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

/// Asks as the script of a shell does: with the words up to the cursor, set apart by `|`.
fn ask(work: &Work, shell: &str, words: &str) -> Ran {
    let words = words.split('|');
    let ran = work.run_with(["completions", shell, "--"].into_iter().chain(words));
    ran.exits(0);
    assert_eq!(ran.err, "", "{ran}");
    ran
}

fn words(work: &Work, line: &str) -> Vec<String> {
    let ran = ask(work, "bash", line);
    ran.out.lines().map(str::to_owned).collect()
}

fn with_kit(name: &str) -> Work {
    let work = Work::with_card(name);
    for line in [
        "card|A1",
        "card|B 2",
        "reader|blue",
        "drive|Attic",
        "drive|Kite Drive",
    ] {
        let arguments = ["kit", "add"].into_iter().chain(line.split('|'));
        work.run_with(arguments).exits(0);
    }
    work
}

fn ledger(work: &Work) -> std::path::PathBuf {
    work.path("home/.local/share/unlade/ledger.jsonl")
}

#[test]
fn what_the_kit_the_ledger_and_the_tables_know_is_offered_where_it_fits() {
    let work = with_kit("complete");
    work.run("copy card --to a --to b --name KITES --copies 1 --shoot kite-festival")
        .exits(0);
    let root = work.path("").canonicalize().unwrap();
    let [a, b] = ["a/KITES", "b/KITES"].map(|at| root.join(at).to_str().unwrap().to_owned());
    let drives = ["Attic", r"Kite\ Drive"];
    for (line, offered) in [
        ("unlade|copy|card|--to|", &drives[..]),
        ("unlade|copy|card|-t|Ki", &drives[1..]),
        ("unlade|copy|card|--to|Attic|--to|'Ki", &["Kite Drive"]),
        ("unlade|copy|card|--to|=|A", &["Attic"]),
        ("unlade|prove|card|--on|A", &["Attic"]),
        ("unlade|plan|--as|", &["A1", r"B\ 2"]),
        ("unlade|rate|--in|", &["blue"]),
        ("unlade|ledger|--shoot|", &["kite-festival"]),
        ("unlade|copy|-s|ki", &["kite-festival"]),
        ("unlade|verify|", &["Attic", r"Kite\ Drive", &a, &b]),
        ("unlade|report|", &[&a, &b]),
        ("unlade|rate|--bus|uhs", &["uhs-i", "uhs-ii", "uhs-iii"]),
        ("unlade|plan|--link|usb3-1", &["usb3-10g"]),
        ("unlade|plan|--link|li", &["list"]),
        ("unlade|copy|--also|md5,sha1", &["md5,sha1"]),
        ("unlade|kit|remove|drive|", &drives),
        ("unlade|kit|remove|reader|", &["blue"]),
        ("unlade|kit|add|card|C|--reader|", &["blue"]),
        ("unlade|weigh|upgrade|--drives|At", &["Attic"]),
        ("unlade|weigh|upgrade|--new-reader|bl", &["blue"]),
        ("unlade|weigh|upgrade|--port|usb3-2", &["usb3-20g"]),
        (&format!("unlade|inspect|{}", &a[..a.len() - 5]), &[&a]),
        ("unlade|prove|--by", &["--by-content"]),
        ("unlade|ve", &["verify"]),
        // A path is the shell's.
        ("unlade|copy|ca", &[]),
        ("unlade|report|--shoot|k|--to|", &[]),
    ] {
        assert_eq!(words(&work, line), offered, "{line}");
    }
    let kit = ledger(&work).with_file_name("kit.toml");
    let text = fs::read_to_string(&kit).unwrap();
    put(&kit, format!("{text}[usual.Home]\ncopies = 1\n").as_bytes());
    assert_eq!(words(&work, "unlade|copy|--usual|"), ["Home"]);
    // Flags of a command that takes a path are not in the way of it.
    assert!(words(&work, "unlade|ledger|").contains(&"--last".to_owned()));
    assert!(words(&work, "unlade|").contains(&"copy".to_owned()));
    let ran = ask(&work, "fish", "unlade|copy|--bus|uhs-ii");
    assert_eq!(ran.out, "uhs-ii\tUHS-II\nuhs-iii\tUHS-III\n");
    let ran = ask(&work, "zsh", "unlade|copy|--bus|sdex-4x1");
    assert_eq!(ran.out, "sdex-4x1:SD Express, PCIe 4\n");
    // Another home is asked where the line names one.
    assert!(words(&work, "unlade|copy|--home|elsewhere|--to|").is_empty());
}

#[test]
fn what_a_person_is_typing_is_answered_at_once_or_not_at_all() {
    let work = Work::new("complete-silent");
    for line in [
        "unlade|copy|--to|",
        "unlade|verify|",
        "",
        "unlade|--no|such|\u{1b}",
    ] {
        assert!(words(&work, line).is_empty(), "{line}");
    }
    let mut command = work.command();
    command.args(["completions", "bash", "--", "unlade", "copy", ""]);
    // 20 ms on a computer with nothing else to do; the limit in the program is 700.
    let (code, took) = time(&mut command);
    assert_eq!(code, 0);
    assert!(took < Duration::from_secs(3), "{took:?}");
    assert!(tree(&work.path("home")).is_empty(), "nothing is made");
    let work = with_kit("complete-broken");
    let kit = ledger(&work).with_file_name("kit.toml");
    remove(&kit);
    put(&kit, b"[[drive]\n\xff");
    put(&ledger(&work), b"{\"ledger\":1}\nnot a line\n\xff\xfe");
    let before = tree(&work.path("home"));
    for line in [
        "unlade|copy|--to|",
        "unlade|kit|remove|card|",
        "unlade|copy|--shoot|",
    ] {
        assert!(words(&work, line).is_empty(), "{line}");
    }
    assert_eq!(tree(&work.path("home")), before);
}

/// A shoot and offloads whose names would be commands to a shell or a terminal.
fn with_hostile_names(name: &str) -> Work {
    let work = with_kit(name);
    let copy = |to: &str, shoot: &str| {
        work.folder(to);
        let copy = [
            "copy", "card", "--to", to, "--name", "KITES", "--copies", "1",
        ];
        let arguments = copy.into_iter().chain(["--shoot", shoot]);
        work.run_with(arguments).exits(0);
    };
    copy("$(touch pwned)", "`touch pwned`;x");
    copy("a\u{1b}[31mb", "kites & co");
    copy("c\nd", "'\"");
    work
}

/// Bash takes each word back as the one that it stands for, and runs nothing of it.
#[test]
fn hostile_names_are_one_word_to_bash_and_nothing_to_a_terminal() {
    let work = with_hostile_names("complete-hostile");
    for (line, held) in [
        ("unlade|verify|/", "$(touch pwned)/KITES"),
        ("unlade|copy|--shoot|", "`touch pwned`;x"),
        ("unlade|copy|--shoot|", "kites & co"),
        ("unlade|copy|--shoot|", "'\""),
    ] {
        let found = words(&work, line);
        assert!(
            found.iter().all(|w| !w.contains(char::is_control)),
            "{found:?}"
        );
        let echo = format!("printf '%s\\n' {}", found.join(" "));
        let mut bash = Command::new("bash");
        bash.args(["--norc", "-c", &echo])
            .current_dir(work.path(""));
        let ran = finish(&mut bash);
        let back: Vec<&str> = ran.exits(0).out.lines().collect();
        assert_eq!(back.len(), found.len(), "{ran}");
        assert!(back.iter().any(|word| word.ends_with(held)), "{ran}");
        assert!(!work.path("pwned").exists(), "{line}");
    }
    let offloads = words(&work, "unlade|report|");
    assert_eq!(
        offloads.len(),
        1,
        "what a terminal would obey is left out: {offloads:?}"
    );
}

#[test]
fn cards_that_are_plugged_in_are_offered() {
    let work = Work::new("complete-card");
    let at = work.folder("KITES");
    let Some(_image) = Image::ext4(&work.path("card.img"), &at, 32, "rw") else {
        return;
    };
    Card::new(&at).file("DCIM/100KITES/KITE0001.JPG", 40_000, 1);
    let at = at.to_str().unwrap();
    for line in [
        "unlade|copy|",
        "unlade|rate|",
        "unlade|weigh|footage|--card|",
    ] {
        let found = words(&work, &format!("{line}{}", &at[..at.len() - 2]));
        assert_eq!(found, [at], "{line}");
    }
}

// ---- real shells ------------------------------------------------------------------------------

/// A shell in the folder of the test, with the program in its path.
fn shell(work: &Work, name: &str, script: &str) -> Option<Ran> {
    let Some(program) = tool(name) else {
        skip(&format!("no {name}; .ci/run installs it"));
        return None;
    };
    let bin = work.folder("bin");
    if !bin.join("unlade").exists() {
        symlink(env!("CARGO_BIN_EXE_unlade"), bin.join("unlade")).unwrap();
    }
    let path = std::env::var("PATH").unwrap();
    let completions = Path::new(env!("CARGO_MANIFEST_DIR")).join("man/completions");
    let mut command = Command::new(program);
    command
        .args(["-c", script])
        .env_clear()
        .env("PATH", format!("{}:{path}", bin.display()))
        .env("HOME", work.path("home"))
        .env("COMPLETIONS", completions)
        .current_dir(work.path(""))
        .stdin(Stdio::null());
    Some(finish(&mut command))
}

/// The variables and the second argument of a completion function are those of the manual of bash,
/// "Programmable Completion"; that an open quote is no part of the argument was seen in bash 5.2.
#[test]
fn bash_completes() {
    let work = with_hostile_names("complete-bash");
    let script = r#"
        . "$COMPLETIONS/unlade.bash"
        complete -p unlade
        ask() {
            COMP_WORDS=("$@") COMP_CWORD=$(($# - 1))
            local word=${*: -1}
            _unlade unlade "${word#[\'\"]}" "${COMP_WORDS[COMP_CWORD - 1]}"
            printf '<%s>' "${COMPREPLY[@]}"; echo
        }
        ask unlade copy card --to ""
        ask unlade copy card --to "'Ki"
        ask unlade copy card --to = At
        ask unlade copy ca
        ask unlade copy --shoot '\`'
    "#;
    let Some(ran) = shell(&work, "bash", script) else {
        return;
    };
    let lines: Vec<&str> = ran.exits(0).out.lines().collect();
    assert_eq!(
        lines,
        [
            "complete -o bashdefault -o default -F _unlade unlade",
            r"<Attic><Kite\ Drive>",
            "<Kite Drive>",
            "<Attic>",
            "<>",
            r"<\`touch\ pwned\`\;x>",
        ],
        "{ran}"
    );
}

/// `_describe` and `_files` are functions of zsh's own completion system; here they tell what they
/// were given.
#[test]
fn zsh_completes() {
    let work = with_hostile_names("complete-zsh");
    let script = r#"
        compdef() { print "compdef $*" }
        _describe() { print -l -- "${(P@)3}" }
        _files() { print files }
        . "$COMPLETIONS/_unlade"
        ask() { words=("$@") CURRENT=$# PREFIX=${words[-1]}; _unlade }
        ask unlade copy card --to ""
        ask unlade copy card --to=At
        ask unlade copy --bus uhs-ii
        ask unlade copy ca
        ask unlade copy --shoot '\`'
    "#;
    let Some(ran) = shell(&work, "zsh", script) else {
        return;
    };
    let lines: Vec<&str> = ran.exits(0).out.lines().collect();
    assert_eq!(
        lines,
        [
            "compdef _unlade unlade",
            "Attic",
            "Kite Drive",
            "--to=Attic",
            "uhs-ii:UHS-II",
            "uhs-iii:UHS-III",
            "files",
            "`touch pwned`;x",
        ],
        "{ran}"
    );
}

#[test]
fn fish_completes() {
    let work = with_kit("complete-fish");
    let script = r#"
        source "$COMPLETIONS/unlade.fish"
        complete -C "unlade copy card --to "
        complete -C "unlade copy card --to 'Ki"
        complete -C "unlade copy card --to=At"
        complete -C "unlade copy --bus uhs-iii"
        complete -C "unlade copy ca"
    "#;
    let Some(ran) = shell(&work, "fish", script) else {
        return;
    };
    let lines: Vec<&str> = ran.exits(0).out.lines().collect();
    let told = [
        "Attic",
        "Kite Drive",
        "Kite Drive",
        "--to=Attic",
        "uhs-iii\tUHS-III",
        "card/",
    ];
    assert_eq!(lines, told, "{ran}");
}

/// The shells that have no script of their own get what is known of the command line.
#[test]
fn other_shells_get_the_flags() {
    let work = Work::new("complete-other");
    for shell in ["elvish", "powershell"] {
        work.run(&format!("completions {shell}"))
            .exits(0)
            .says("--by-content");
    }
    let script = work.run("completions bash").out;
    let committed = concat!(env!("CARGO_MANIFEST_DIR"), "/man/completions/unlade.bash");
    assert_eq!(script, fs::read_to_string(committed).unwrap());
}
