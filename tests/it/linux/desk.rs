//! `unlade desk` over plain HTTP: who gets in, what it takes, and that a copy begun by it is the
//! copy of the terminal. What it looks like in a browser is in `desk_browser.rs`.

#[cfg(not(feature = "desk"))]
use crate::support::program::Work;

#[cfg(not(feature = "desk"))]
#[test]
fn a_build_without_the_page_says_so() {
    let work = Work::new("no-desk");
    work.run("desk")
        .exits(3)
        .says("unlade: this unlade was built without the page. To have it: cargo install --path .");
    work.run("--version")
        .exits(0)
        .says("not in this build: desk");
}

#[cfg(feature = "desk")]
#[expect(
    clippy::disallowed_methods,
    reason = "tests play a person who edits a kit and waits for a page"
)]
mod page {
    use crate::support::desk::{Answer, Desk};
    use crate::support::image::{Image, alone, done};
    use crate::support::mount::{Fault, Kind, Mount, Options, skip as no_mounts};
    use crate::support::program::{Card, Work, bytes_of, finish, manifest, put, skip, tell, tool};
    use serde_json::{Value, json};
    use std::io::{Read as _, Write as _};
    use std::net::TcpStream;
    use std::path::Path;
    use std::time::Duration;

    /// A card of `Work::with_card`, and a kit with which one drive is enough: a test has one disk.
    pub(super) fn work(name: &str) -> Work {
        let work = Work::with_card(name);
        work.folder("h");
        put(&work.path("h/kit.toml"), b"[usual]\ncopies = 1\n");
        work
    }

    fn paths(work: &Work) -> (String, [String; 2]) {
        let path = |below: &str| work.path(below).to_str().unwrap().to_owned();
        (path("card"), [path("a"), path("b")])
    }

    /// The last line of `--json` for the same job, without what differs from run to run.
    fn told(mut verdict: Value) -> Value {
        let fields = verdict.as_object_mut().unwrap();
        fields.remove("event");
        fields.remove("t");
        verdict
    }

    #[test]
    fn nobody_else_gets_in() {
        let work = work("desk-in");
        let desk = Desk::start(&work);
        let name = desk.host.clone();
        let (host, own) = (name.as_str(), format!("http://{name}"));
        let held = desk.cookie().to_owned();
        let cookie = ("Cookie", held.as_str());
        let here = ("Host", host);
        let origin = ("Origin", own.as_str());
        let kind = ("Content-Type", "application/json");
        let port = host.split(':').nth(1).unwrap();
        let rebound = format!("kites.example:{port}");
        let local = format!("localhost:{port}");
        let other = format!("http://127.0.0.1:{}", port.parse::<u32>().unwrap() ^ 1);
        let key = desk.url.split('=').nth(1).unwrap().to_owned();
        let key = key.as_str();
        let by_key = format!("/?key={key}");
        let flipped = format!("/?key={}{}", &key[1..], &key[..1]);
        let ask = |method, target: &str, headers: &[(&str, &str)]| {
            desk.ask(method, target, headers, "{}").status
        };
        // What is refused says 403, and one line for each is told.
        let refused = [
            ("GET", "/", vec![here]),
            ("GET", "/state", vec![here, ("Cookie", "unlade-1=1")]),
            ("GET", "/desk.js", vec![here]),
            ("GET", flipped.as_str(), vec![here, cookie]),
            ("GET", by_key.as_str(), vec![("Host", rebound.as_str())]),
            ("GET", "/", vec![("Host", local.as_str()), cookie]),
            (
                "GET",
                "/",
                vec![here, cookie, ("Sec-Fetch-Site", "cross-site")],
            ),
            (
                "GET",
                "/events",
                vec![here, cookie, ("Sec-Fetch-Site", "same-site")],
            ),
            ("POST", "/stop", vec![here, cookie, kind]),
            (
                "POST",
                "/stop",
                vec![here, cookie, kind, ("Origin", "null")],
            ),
            (
                "POST",
                "/copy",
                vec![here, cookie, kind, ("Origin", other.as_str())],
            ),
            ("POST", "/copy", vec![here, origin, kind]),
        ];
        for (method, target, headers) in &refused {
            let answer = desk.ask(method, target, headers, "{}");
            assert_eq!(answer.status, 403, "{method} {target} {headers:?}");
            assert!(answer.body.contains("Not for this browser"), "{answer:?}");
            assert!(!answer.head.contains("set-cookie"), "{answer:?}");
        }
        assert_eq!(ask("GET", "/", &[here, cookie]), 200);
        assert_eq!(ask("POST", "/next", &[here, cookie, origin, kind]), 204);
        // Nothing lets another origin read it, and nothing from elsewhere or inline is run.
        let page = desk.get("/");
        assert_eq!(page.header("access-control-allow-origin"), "");
        let policy = page.header("content-security-policy");
        assert!(
            policy.starts_with("default-src 'none'; script-src 'self'"),
            "{policy}"
        );
        assert!(!policy.contains("unsafe"), "{policy}");
        for secret in [key, held.split('=').nth(1).unwrap()] {
            assert!(!page.body.contains(secret) && secret.len() == 32);
        }
        let first = desk.ask("GET", &by_key, &[here], "");
        let given = first.header("set-cookie");
        assert!(
            given.contains("; HttpOnly; SameSite=Strict; Path=/"),
            "{given}"
        );
        assert_eq!(first.header("location"), "/", "the key leaves the address");
        let ran = desk.end();
        let lines = ran
            .err
            .lines()
            .filter(|line| line.contains("a request was refused"));
        assert_eq!(lines.count(), refused.len(), "{ran}");
        assert!(!ran.err.contains(key), "{ran}");
        ran.exits(0);
    }

    /// Only this computer's own address is listened at (RFC 1122, 3.2.1.3: 127/8 never leaves it).
    #[test]
    fn it_listens_on_the_loopback_address_alone() {
        let work = work("desk-loopback");
        let desk = Desk::start(&work);
        let port: u16 = desk.host.split(':').nth(1).unwrap().parse().unwrap();
        let sockets = String::from_utf8(bytes_of("/proc/net/tcp".as_ref())).unwrap();
        let own = format!(":{port:04X} 00000000:0000 0A ");
        let listening: Vec<&str> = sockets.lines().filter(|line| line.contains(&own)).collect();
        assert_eq!(listening.len(), 1, "{sockets}");
        assert!(listening[0].contains(" 0100007F:"), "{listening:?}");
        let six = String::from_utf8(bytes_of("/proc/net/tcp6".as_ref())).unwrap_or_default();
        assert!(!six.contains(&format!(":{port:04X} 0000")), "{six}");
        let taken = format!("desk --no-open --port {port}");
        let ran = work.run(&taken);
        ran.exits(3)
            .says(&format!("unlade: port {port} of 127.0.0.1 can't be used"));
    }

    #[test]
    fn what_is_too_large_is_not_taken() {
        let work = work("desk-limits");
        let desk = Desk::start(&work);
        let long = "k".repeat(100_000);
        let body = json!({"path": format!("/{long}")});
        assert_eq!(desk.post("/folders", &body).status, 413);
        let body = json!({"path": format!("/{}", "k".repeat(5_000))});
        assert_eq!(desk.post("/folders", &body).status, 413);
        let answer = desk.get(&format!("/{long}"));
        assert!(matches!(answer.status, 0 | 414 | 431), "{}", answer.status);
        let many = vec![("Kites", "1"); 200];
        let answer = desk.ask("GET", "/", &many, "");
        assert!(matches!(answer.status, 0 | 400 | 431), "{}", answer.status);
        for body in [json!({}), json!({"cards": "x", "to": []}), json!([])] {
            assert_eq!(desk.post("/copy", &body).status, 422, "{body}");
        }
        let none = desk.post("/copy", &json!({"cards": [], "to": []}));
        assert!(
            none.status == 422 && none.body.contains("Tick a card"),
            "{none:?}"
        );
        let relative = desk.copy(&["card"], &["a"]);
        assert!(relative.body.contains("whole path"), "{relative:?}");
        // More connections than it takes: those at the end are closed, and it goes on afterwards.
        let held: Vec<TcpStream> = (0..200)
            .filter_map(|_| TcpStream::connect(&desk.host).ok())
            .collect();
        drop(held);
        assert_eq!(desk.wait_for("now")["verdict"], Value::Null);
    }

    /// A page that is open and never reads is no reason to wait.
    #[test]
    fn a_copy_is_that_of_the_terminal_and_waits_for_no_page() {
        let work = work("desk-copy");
        let (card, [a, b]) = paths(&work);
        let desk = Desk::start(&work);
        let mut deaf = Vec::new();
        for _ in 0..20 {
            let mut stream = TcpStream::connect(&desk.host).unwrap();
            let (host, cookie) = (&desk.host, desk.cookie());
            let ask = format!("GET /events HTTP/1.1\r\nHost: {host}\r\nCookie: {cookie}\r\n\r\n");
            stream.write_all(ask.as_bytes()).unwrap();
            deaf.push(stream);
        }
        assert_eq!(desk.copy(&[&card], &[&a, &b]).status, 204);
        let answer = desk.wait_for("answer");
        let page = desk.get("/");
        assert!(
            page.body.contains("<h1 tabindex=\"-1\">PROVEN</h1>"),
            "{}",
            page.body
        );
        // The same job in a terminal, onto other drives.
        let (c, d) = (work.folder("c"), work.folder("d"));
        let ran = work.run(&format!(
            "copy {card} --to {} --to {} --home h --no-ledger --json",
            c.display(),
            d.display()
        ));
        assert_eq!(answer["verdict"], told(ran.exits(0).verdict()));
        let name = answer["verdict"]["offload"].as_str().unwrap();
        assert_eq!(
            manifest(&work.path("a").join(name))["files"]
                .as_array()
                .unwrap()
                .len(),
            manifest(&c.join(name))["files"].as_array().unwrap().len()
        );
        // The page of the record, by its number, with a policy of its own.
        let record = desk.get("/record/1/0");
        let on_drive = bytes_of(&work.path("a").join(name).join("_unlade/report.html"));
        assert_eq!(record.body.as_bytes(), on_drive);
        let policy = record.header("content-security-policy");
        assert!(
            policy.contains("style-src 'sha256-") && !policy.contains("unsafe"),
            "{policy}"
        );
        for other in ["/record/2/0", "/record/1/1", "/record/..%2f/0"] {
            assert!(matches!(desk.get(other).status, 400 | 404), "{other}");
        }
        assert_eq!(desk.post("/next", &json!({})).status, 204);
        assert_eq!(desk.state()["view"], "now");
        let mut first = [0; 64];
        assert!(
            deaf[0].read(&mut first).unwrap() > 0,
            "those who read were told"
        );
    }

    /// Of several cards the verdict is the one for all of them.
    #[test]
    fn two_cards_get_one_answer_and_a_record_each() {
        let work = work("desk-two-cards");
        let (card, [a, b]) = paths(&work);
        Card::new(&work.path("second")).file("DCIM/100KITES/KITE0009.JPG", 50_000, 9);
        let second = work.path("second").to_str().unwrap().to_owned();
        let desk = Desk::start(&work);
        assert_eq!(desk.copy(&[&card, &second], &[&a, &b]).status, 204);
        let answer = desk.wait_for("answer");
        let page = desk.get("/").body;
        for shown in [
            ">PROVEN</h1>",
            "Both cards are proven.",
            "<span class=\"aside\"> of card</span>",
            "<span class=\"aside\"> of second</span>",
        ] {
            assert!(page.contains(shown), "{shown}: {page}");
        }
        for record in ["/record/1/0", "/record/1/1"] {
            assert_eq!(desk.get(record).status, 200, "{record}");
        }
        let (c, d) = (work.folder("c"), work.folder("d"));
        let (c, d) = (c.display(), d.display());
        let to = format!("--to {c} --to {d} --home h --no-ledger --json");
        let ran = work.run(&format!("copy {card} {second} {to}"));
        assert_eq!(
            answer["verdict"],
            told(ran.exits(0).events().pop().unwrap())
        );
    }

    #[test]
    fn refused_and_interrupted_say_the_same_as_the_terminal() {
        let work = work("desk-not-proven");
        let (card, [a, b]) = paths(&work);
        let desk = Desk::start(&work);
        // The same folder twice, a card that is not there, and no offload into the card.
        for (cards, to) in [
            (vec![card.as_str()], vec![a.as_str(), a.as_str()]),
            (vec!["/nowhere/KITES"], vec![a.as_str(), b.as_str()]),
            (vec![card.as_str()], vec![card.as_str()]),
        ] {
            assert_eq!(desk.copy(&cards, &to).status, 204);
            let answer = desk.wait_for("answer");
            let to: Vec<String> = to.iter().map(|to| format!("--to {to}")).collect();
            let line = format!("copy {} {} --home h --json", cards[0], to.join(" "));
            let ran = work.run(&line);
            let last = ran.events().pop().unwrap();
            let both = [&answer["verdict"], &last];
            let codes = both.map(|verdict| verdict["exit_code"].clone());
            assert_eq!(codes[0], codes[1], "{line}: {answer}");
            if last["event"] == "verdict" {
                assert_eq!(answer["verdict"], told(last), "{line}");
            }
            let page = desk.get("/").body;
            assert!(page.contains(">NOT PROVEN</h1>"), "{page}");
            assert!(!page.contains(">Record<"), "{page}");
            assert!(page.contains("In a terminal it is <code>"), "{page}");
            assert!(!page.to_lowercase().contains("same command"), "{page}");
        }
        assert_eq!(desk.post("/next", &json!({})).status, 204);
    }

    /// Makes a card that is copied for a moment, and returns where it is.
    fn big_card(work: &Work, clips: u64) -> String {
        let mut big = Card::new(&work.path("big"));
        for n in 0..clips {
            big = big.file(format!("DCIM/100KITES/KITE{n:04}.MP4"), 8_000_000, n);
        }
        big.folder("MISC");
        work.path("big").to_str().unwrap().to_owned()
    }

    /// What is killed leaves what a killed copy leaves, and the next start offers to go on.
    #[test]
    fn a_kill_costs_nothing_that_was_checked() {
        let work = work("desk-kill");
        let card = big_card(&work, 40);
        let (_, [a, b]) = paths(&work);
        let desk = Desk::start(&work);
        assert_eq!(desk.copy(&[&card], &[&a, &b]).status, 204);
        let again = desk.copy(&[&card], &[&a, &b]);
        assert_eq!(again.status, 422, "one copy at a time: {again:?}");
        desk.kill();
        let desk = Desk::start(&work);
        let page = desk.get("/").body;
        assert!(
            page.contains("A copy was cut short") && page.contains("Go on"),
            "{page}"
        );
        let go_on = |page: &str| {
            let post = page
                .split("data-post=\"")
                .find(|p| p.starts_with("/go-on/"));
            post.and_then(|p| p.split('"').next()).unwrap().to_owned()
        };
        let first = go_on(&page);
        // Another copy, begun meanwhile, takes nothing of that away; nor does the next start.
        let (other, _) = paths(&work);
        assert_eq!(desk.copy(&[&other], &[&a, &b]).status, 204);
        assert_eq!(desk.wait_for("answer")["verdict"]["proven"], true);
        assert_eq!(desk.post("/next", &json!({})).status, 204);
        assert_eq!(go_on(&desk.get("/").body), first);
        desk.end().exits(0);
        let desk = Desk::start(&work);
        let page = desk.get("/").body;
        assert_eq!(page.matches("A copy was cut short").count(), 1, "{page}");
        assert_eq!(desk.post(&go_on(&page), &json!({})).status, 204);
        // Stopped by the page, then gone on with, then ended by Ctrl-C or at its end before that.
        assert_eq!(desk.post("/stop", &json!({})).status, 204);
        let answer = desk.wait_for("answer");
        let code = answer["verdict"]["exit_code"].as_u64().unwrap();
        assert!(matches!(code, 0 | 130), "{answer}");
        if code == 130 {
            assert_eq!(desk.post("/again", &json!({})).status, 204);
            assert_eq!(desk.wait_for("answer")["verdict"]["proven"], true);
        }
        desk.end().exits(0);
        let desk = Desk::start(&work);
        assert!(!desk.get("/").body.contains("cut short"));
    }

    #[test]
    fn ctrl_c_stops_the_copy_and_then_the_desk() {
        let work = work("desk-ctrl-c");
        let card = big_card(&work, 60);
        let (_, [a, b]) = paths(&work);
        let desk = Desk::start(&work);
        assert_eq!(desk.copy(&[&card], &[&a, &b]).status, 204);
        desk.wait_for("running");
        let ran = desk.end();
        assert!(matches!(ran.code, 0 | 130), "{ran}");
        work.run(&format!("copy {card} --to {a} --to {b} --home h"))
            .exits(0);
    }

    /// What a stop left waiting for the card takes its part away when that answers at last. By then
    /// a copy into the same offload must not be at work on a part of that name.
    #[test]
    fn a_copy_that_was_stopped_while_the_card_hung_costs_the_next_one_nothing() {
        if no_mounts() {
            return;
        }
        let work = work("desk-left-behind");
        Card::new(&work.folder("back")).file("DCIM/100KITES/KITE0001.MP4", 3_000_000, 1);
        let stall = Kind::StallRead {
            off: 2_500_000,
            ms: 3_000,
        };
        let options = Options {
            faults: vec![Fault::new(stall).path("*.MP4").times(2)],
            ..Options::default()
        };
        let mount = Mount::new(&work.path("back"), &work.folder("KITES"), options).unwrap();
        let (_, [a, b]) = paths(&work);
        let card = work.path("KITES").to_str().unwrap().to_owned();
        let desk = Desk::start(&work);
        assert_eq!(desk.copy(&[&card], &[&a, &b]).status, 204);
        let begun = |at: &Path| {
            let mut found = walkdir::WalkDir::new(at).into_iter().flatten();
            found.any(|e| e.file_name().to_string_lossy().contains("KITE0001"))
        };
        while !begun(&work.path("a")) {
            std::thread::sleep(Duration::from_millis(10));
        }
        assert_eq!(desk.post("/stop", &json!({})).status, 204);
        desk.wait_for("answer");
        assert_eq!(desk.post("/again", &json!({})).status, 204);
        desk.wait_for("running");
        let state = desk.wait_for("answer");
        assert_eq!(state["verdict"]["proven"], true, "{state}");
        drop(mount);
    }

    /// What pages cost: 20 that listen and 100 reloads, beside none, in turns, on a card that is
    /// held to a rate. By hand: `cargo test --test it -- --ignored --nocapture pages_cost`.
    #[test]
    #[ignore = "a measurement"]
    fn pages_cost() {
        let mut took = [Vec::new(), Vec::new()];
        for round in 0..6 {
            let has_pages = round % 2 == 1;
            let work = work("desk-cost");
            let mut card = Card::new(&work.folder("back"));
            for n in 0..40 {
                card = card.file(format!("DCIM/100KITES/KITE{n:04}.MP4"), 5_000_000, n);
            }
            drop(card);
            let held = Options {
                read_mbps: 20.0,
                ..Options::default()
            };
            let mount = Mount::new(&work.path("back"), &work.folder("KITES"), held).unwrap();
            let desk = Desk::start(&work);
            let (_, [a, b]) = paths(&work);
            let card = work.path("KITES").to_str().unwrap().to_owned();
            let start = std::time::Instant::now();
            assert_eq!(desk.copy(&[&card], &[&a, &b]).status, 204);
            let ask = format!(
                "GET /events HTTP/1.1\r\nHost: {}\r\nCookie: {}\r\n\r\n",
                desk.host,
                desk.cookie()
            );
            let (ask, host) = (ask.as_str(), desk.host.as_str());
            std::thread::scope(|scope| {
                for _ in 0..if has_pages { 20 } else { 0 } {
                    scope.spawn(move || {
                        let mut stream = TcpStream::connect(host).unwrap();
                        stream.write_all(ask.as_bytes()).unwrap();
                        let mut bytes = vec![0; 65_536];
                        let mut tail = String::new();
                        while let Ok(n @ 1..) = stream.read(&mut bytes) {
                            tail.push_str(&String::from_utf8_lossy(&bytes[..n]));
                            if tail.contains("\"view\":\"answer\"") {
                                return;
                            }
                            tail = tail.split_off(tail.floor_char_boundary(tail.len() - n.min(64)));
                        }
                    });
                }
                for _ in 0..if has_pages { 100 } else { 0 } {
                    assert_eq!(desk.get("/").status, 200);
                }
                let answer = desk.wait_for("answer");
                assert_eq!(answer["verdict"]["proven"], true, "{answer}");
            });
            took[round % 2].push(start.elapsed().as_secs_f64());
            drop((desk, mount));
        }
        tell(&format!(
            "without pages {:.2?} s, with pages {:.2?} s",
            took[0], took[1]
        ));
    }

    /// Desktop Entry Specification 1.5 (freedesktop.org), by the checker that they publish.
    #[test]
    fn the_desktop_entry_is_valid() {
        let Some(checker) = tool("desktop-file-validate") else {
            skip("desktop-file-validate (desktop-file-utils) is not installed");
            return;
        };
        let entry = concat!(env!("CARGO_MANIFEST_DIR"), "/man/desk/unlade.desktop");
        let ran = finish(std::process::Command::new(checker).arg(entry));
        assert_eq!(ran.exits(0).words(), "", "hints too");
    }

    /// Real volumes, plugged in and pulled while the page is open. They are one disk to the system,
    /// so that one copy is enough here.
    #[test]
    fn cards_and_drives_come_and_go_and_a_proven_card_says_so() {
        let work = Work::new("desk-plugged");
        let is_root = rustix::process::geteuid().is_root();
        if !is_root || ["unshare", "nsenter"].map(tool).contains(&None) {
            skip("plugging in needs root, unshare and nsenter");
            return;
        }
        let mut images = Vec::new();
        for name in ["KITES", "ATTIC", "LAKE", "CELLAR"] {
            let (file, at) = (work.path(&format!("{name}.img")), work.folder(name));
            let Some(image) = Image::ext4(&file, &at, 32, "rw") else {
                return;
            };
            images.push(image);
        }
        Card::new(&work.path("KITES")).file("DCIM/100KITES/KITE0001.JPG", 40_000, 1);
        Card::new(&work.path("LAKE")).file("DCIM/100LAKE/LAKE0001.JPG", 40_000, 2);
        work.run("kit add drive Attic --at ATTIC --home h").exits(0);
        let kit = String::from_utf8(bytes_of(&work.path("h/kit.toml"))).unwrap();
        let usual = format!("[usual]\nto = [\"Attic\"]\ncopies = 1\n\n{kit}");
        std::fs::remove_file(work.path("h/kit.toml")).unwrap();
        put(&work.path("h/kit.toml"), usual.as_bytes());
        // Neither is plugged in when the page is opened.
        images.iter_mut().for_each(Image::unmount);
        let mut command = alone(&work);
        command.arg(env!("CARGO_BIN_EXE_unlade"));
        let desk = Desk::run(command.args(["desk", "--no-open", "--json", "--home", "h"]));
        let ticked = |name: &str| {
            let page = desk.get("/").body;
            let row = page
                .split("<li ")
                .find(|row| row.contains(&format!("<bdi>{name}<")));
            row.map(|row| row.contains(" checked"))
        };
        let wait = |name: &str, is: Option<bool>| {
            let start = std::time::Instant::now();
            while ticked(name) != is {
                let page = desk.get("/").body;
                assert!(start.elapsed().as_secs() < 30, "{name} {is:?}: {page}");
                std::thread::sleep(Duration::from_millis(50));
            }
        };
        wait("Attic", None);
        let pid = desk.pid().to_string();
        let inside = |arguments: &[&str]| {
            let into = ["--target", &pid, "--mount"];
            assert!(
                done("nsenter", &[&into[..], arguments].concat()),
                "{arguments:?}"
            );
        };
        let path = |below: &str| work.path(below).to_str().unwrap().to_owned();
        for name in ["KITES", "ATTIC"] {
            inside(&[
                "mount",
                "-o",
                "loop",
                &path(&format!("{name}.img")),
                &path(name),
            ]);
        }
        wait("KITES", Some(true));
        wait("Attic", Some(true));
        let page = desk.get("/").body;
        for shown in ["a camera's folder is on it (DCIM)", "a drive of your kit"] {
            assert!(page.contains(shown), "{page}");
        }
        // The system's own disk is offered as neither.
        assert!(!page.contains("value=\"/\""), "{page}");
        assert_eq!(desk.copy(&[&path("KITES")], &[&path("ATTIC")]).status, 204);
        assert_eq!(desk.wait_for("answer")["verdict"]["proven"], true);
        assert_eq!(desk.post("/next", &json!({})).status, 204);
        // It is there still, says so, and is not ticked.
        wait("KITES", Some(false));
        assert!(desk.get("/").body.contains("proven already on Attic, "));
        // It may be looked at just then.
        let pulled =
            |at: &str| format!("for n in $(seq 200); do umount '{at}' && break; sleep 0.05; done");
        // Other cards and drives at the same places, so soon that nothing was seen in between.
        let swap = |image: &str, at: &str| {
            let (image, at) = (path(&format!("{image}.img")), path(at));
            inside(&[
                "sh",
                "-c",
                &format!("{} && mount -o loop '{image}' '{at}'", pulled(&at)),
            ]);
        };
        let refuses = |told: &Answer, words: &str| {
            let is_refused = told.status == 422 && told.body.contains(words);
            assert!(is_refused, "{words}: {told:?}");
        };
        let form = |target: &str, name: &str, value: &str| desk.form(target, &[(name, value)]);
        let proven = "proven already on ";
        swap("LAKE", "KITES");
        wait("KITES", Some(true));
        assert!(!desk.get("/").body.contains(proven));
        swap("KITES", "KITES");
        wait("KITES", Some(false));
        assert!(desk.get("/").body.contains(proven));
        // May it be formatted is asked of one card, and no other answers.
        let page = desk.get("/shoots").body;
        let card = page.split("name=\"card\" value=\"").nth(1).unwrap();
        let card = card.split('"').next().unwrap();
        assert_eq!(form("/format", "card", card).status, 303);
        assert_eq!(desk.wait_for("answer")["verdict"]["proven"], true);
        swap("LAKE", "KITES");
        for target in ["/check-again", "/read-all"] {
            refuses(&desk.post(target, &json!({})), "Another card is at ");
        }
        refuses(&form("/format", "card", card), "is not plugged in");
        swap("KITES", "KITES");
        assert_eq!(desk.post("/check-again", &json!({})).status, 204);
        assert_eq!(desk.wait_for("answer")["verdict"]["proven"], true);
        assert_eq!(desk.post("/next", &json!({})).status, 204);
        // A copy is checked on its own drive alone, also where another has a folder of the name.
        let entry = std::fs::read_to_string(work.path("h/ledger.jsonl")).unwrap();
        let entry: Value = serde_json::from_str(entry.lines().next().unwrap()).unwrap();
        let place = &entry["places"][0];
        let copy = place["path"].as_str().unwrap();
        let volume = place["volume_id"].as_str().unwrap();
        assert_eq!(form("/check", "path", copy).status, 303);
        assert_eq!(desk.wait_for("answer")["verdict"]["exit_code"], 0);
        let copied = format!("cp -a '{copy}' '{}'", path("h"));
        inside(&["sh", "-c", &copied]);
        swap("CELLAR", "ATTIC");
        let name = copy.rsplit('/').next().unwrap();
        let copied = format!("cp -a '{}' '{}'", path(&format!("h/{name}")), path("ATTIC"));
        inside(&["sh", "-c", &copied]);
        let other = "Another drive is at ";
        refuses(&desk.post("/check-again", &json!({})), other);
        assert_eq!(desk.post("/next", &json!({})).status, 204);
        refuses(&form("/check", "path", copy), other);
        refuses(
            &desk.form("/check", &[("path", copy), ("volume", volume)]),
            other,
        );
        refuses(
            &desk.form("/check", &[("path", copy), ("volume", "kite")]),
            "knows no copy",
        );
        swap("ATTIC", "ATTIC");
        // A copy is copied again from the card that it was begun with.
        wait("Attic", Some(true));
        assert_eq!(desk.copy(&[&path("KITES")], &[&path("ATTIC")]).status, 204);
        assert_eq!(desk.wait_for("answer")["verdict"]["proven"], true);
        swap("LAKE", "KITES");
        refuses(&desk.post("/again", &json!({})), "Another card is at ");
        swap("KITES", "KITES");
        assert_eq!(desk.post("/again", &json!({})).status, 204);
        assert_eq!(desk.wait_for("answer")["verdict"]["proven"], true);
        assert_eq!(desk.post("/next", &json!({})).status, 204);
        // The same card, with more shot on it while it is plugged in.
        wait("KITES", Some(false));
        let more = path("KITES/DCIM/100KITES/KITE0002.JPG");
        let shot = format!("head -c 50000 /dev/urandom > '{more}' && sync '{more}'");
        inside(&["sh", "-c", &shot]);
        wait("KITES", Some(true));
        assert!(!desk.get("/").body.contains(proven));
        inside(&["sh", "-c", &pulled(&path("KITES"))]);
        wait("KITES", None);
        inside(&["sh", "-c", &pulled(&path("ATTIC"))]);
    }

    /// A folder on a drive that doesn't answer is asked for thrice, and all else goes on.
    #[test]
    fn a_folder_that_hangs_holds_up_nothing_else() {
        let work = work("desk-hangs");
        if no_mounts() {
            skip("a drive that hangs needs FUSE");
            return;
        }
        let late = Fault::new(Kind::Stall {
            op: "readdir",
            ms: 1_500,
        });
        let options = Options {
            faults: vec![late],
            ..Options::default()
        };
        let at = work.folder("LAKE");
        let _late = Mount::new(&work.folder("back"), &at, options).unwrap();
        let desk = Desk::start(&work);
        let path = format!("{}/", at.display());
        let ask = || desk.post("/folders", &json!({"path": path}));
        std::thread::scope(|scope| {
            let asked = [(); 2].map(|()| scope.spawn(ask));
            std::thread::sleep(Duration::from_millis(400));
            let third = ask();
            assert!(
                third.status == 503 && third.body.contains("doesn't answer yet"),
                "{third:?}"
            );
            for view in ["/shoots", "/kit", "/weigh"] {
                assert_eq!(desk.get(view).status, 200, "{view}");
            }
            assert!(
                asked.iter().all(|asked| !asked.is_finished()),
                "all this while"
            );
            let done = asked.map(|asked| asked.join().unwrap().status);
            assert_eq!(done, [200, 200]);
        });
        assert_eq!(ask().status, 200, "and there is room again");
    }

    #[test]
    fn the_picker_names_folders_and_nothing_else() {
        let work = work("desk-picker");
        work.folder("kites/Blue");
        put(&work.path("kites/secret.txt"), b"kite");
        work.folder("kites/.hidden");
        work.folder("kites/<script>");
        std::os::unix::fs::symlink(work.path("card"), work.path("kites/link")).unwrap();
        let desk = Desk::start(&work);
        let names = |path: &str| -> Vec<String> {
            let told = desk.post("/folders", &json!({"path": path})).body;
            let told: Value = serde_json::from_str(&told).unwrap();
            let all = told["folders"].as_array().unwrap().iter();
            all.map(|folder| folder["name"].as_str().unwrap().to_owned())
                .collect()
        };
        let at = work.path("kites").to_str().unwrap().to_owned();
        assert_eq!(names(&format!("{at}/")), ["<script>", "Blue"]);
        assert_eq!(names(&format!("{at}/b")), ["Blue"]);
        assert_eq!(names(&format!("{at}/.")), [".hidden"]);
        assert_eq!(names(&format!("{at}/none/")), [""; 0]);
        assert_eq!(
            names("kites/"),
            [""; 0],
            "not from where it happened to start"
        );
        assert!(names("").contains(&"/".to_owned()));
        let add = |path: &str| desk.post("/add", &json!({"as": "card", "path": path}));
        assert_eq!(add(&format!("{at}/Blue")).status, 204);
        for wrong in [
            "",
            "kites",
            &format!("{at}/none"),
            &format!("{at}/secret.txt"),
        ] {
            assert_eq!(add(wrong).status, 422, "{wrong}");
        }
        // Foreign names are text.
        assert_eq!(add(&format!("{at}/<script>")).status, 204);
        let page = desk.get("/").body;
        assert!(
            page.contains("&lt;script&gt;") && !page.contains("<script>"),
            "{page}"
        );
    }
}
