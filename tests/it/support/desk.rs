//! Runs `unlade desk` and asks it over plain HTTP/1.1 (RFC 9112), with no library of the project's.
#![expect(
    clippy::disallowed_methods,
    reason = "a browser waits for a process by the clock"
)]

use super::program::{Ran, Work, ended};
use serde_json::{Value, json};
use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::TcpStream;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// What takes longer hangs.
const PATIENCE: Duration = Duration::from_secs(60);

/// A desk that runs.
pub(crate) struct Desk {
    child: Option<Child>,
    /// The first line that it said.
    pub(crate) first: Value,
    pub(crate) url: String,
    /// `127.0.0.1:PORT`.
    pub(crate) host: String,
    cookie: String,
}

/// An answer.
#[derive(Debug)]
pub(crate) struct Answer {
    pub(crate) status: u16,
    pub(crate) head: String,
    pub(crate) body: String,
}

impl Answer {
    /// A header's value.
    pub(crate) fn header(&self, name: &str) -> &str {
        let mut lines = self.head.lines().filter_map(|line| line.split_once(": "));
        lines
            .find(|(key, _)| key.eq_ignore_ascii_case(name))
            .map_or("", |(_, value)| value)
    }
}

impl Desk {
    pub(crate) fn start(work: &Work) -> Self {
        Self::run(
            work.command()
                .args(["desk", "--no-open", "--json", "--home", "h"]),
        )
    }

    /// Runs a command that runs the desk.
    pub(crate) fn run(command: &mut Command) -> Self {
        command.stdout(Stdio::piped()).stderr(Stdio::piped());
        let mut child = command.spawn().unwrap();
        let mut line = String::new();
        let out = child.stdout.take().unwrap();
        BufReader::new(out).read_line(&mut line).unwrap();
        let first: Value = serde_json::from_str(&line).unwrap();
        let url = first["url"].as_str().unwrap().to_owned();
        let host = url.split('/').nth(2).unwrap().to_owned();
        let mut desk = Self {
            child: Some(child),
            first,
            url,
            host,
            cookie: String::new(),
        };
        let target = desk.url.split_once(&desk.host).unwrap().1;
        let told = desk.ask("GET", target, &[("Host", &desk.host)], "");
        assert_eq!(told.status, 303, "{told:?}");
        let cookie = told.header("set-cookie").split(';').next().unwrap();
        cookie.clone_into(&mut desk.cookie);
        desk
    }

    pub(crate) fn pid(&self) -> u32 {
        self.child.as_ref().unwrap().id()
    }

    /// Sends exactly this, and returns what comes back until the end of the connection.
    pub(crate) fn raw(&self, request: &str) -> Answer {
        let mut stream = TcpStream::connect(&self.host).unwrap();
        stream.set_read_timeout(Some(PATIENCE)).unwrap();
        // Who is refused early may close before all of it is sent.
        drop(stream.write_all(request.as_bytes()));
        let mut bytes = Vec::new();
        drop(stream.read_to_end(&mut bytes));
        let text = String::from_utf8_lossy(&bytes).into_owned();
        let (head, body) = text.split_once("\r\n\r\n").unwrap_or((&text, ""));
        let status = head.split(' ').nth(1).and_then(|s| s.parse().ok());
        Answer {
            status: status.unwrap_or(0),
            head: head.to_owned(),
            body: body.to_owned(),
        }
    }

    pub(crate) fn ask(
        &self,
        method: &str,
        target: &str,
        headers: &[(&str, &str)],
        body: &str,
    ) -> Answer {
        let mut request = format!("{method} {target} HTTP/1.1\r\nConnection: close\r\n");
        for (name, value) in headers {
            request.push_str(&format!("{name}: {value}\r\n"));
        }
        if method == "POST" {
            request.push_str(&format!("Content-Length: {}\r\n", body.len()));
        }
        self.raw(&format!("{request}\r\n{body}"))
    }

    /// As the page itself asks.
    pub(crate) fn get(&self, target: &str) -> Answer {
        let headers = [("Host", self.host.as_str()), ("Cookie", &self.cookie)];
        self.ask("GET", target, &headers, "")
    }

    /// As the page itself sends a change.
    pub(crate) fn post(&self, target: &str, body: &Value) -> Answer {
        let origin = format!("http://{}", self.host);
        let headers = [
            ("Host", self.host.as_str()),
            ("Cookie", &self.cookie),
            ("Origin", &origin),
            ("Content-Type", "application/json"),
        ];
        self.ask("POST", target, &headers, &body.to_string())
    }

    /// As a browser sends a form of the page's own.
    pub(crate) fn form(&self, target: &str, fields: &[(&str, &str)]) -> Answer {
        let origin = format!("http://{}", self.host);
        let headers = [
            ("Host", self.host.as_str()),
            ("Cookie", &self.cookie),
            ("Origin", &origin),
            ("Content-Type", "application/x-www-form-urlencoded"),
        ];
        let escaped = |text: &str| -> String {
            let bytes = text.bytes().map(|byte| format!("%{byte:02X}"));
            bytes.collect()
        };
        let fields = fields.iter();
        let fields = fields.map(|(key, value)| format!("{key}={}", escaped(value)));
        let body = fields.collect::<Vec<_>>().join("&");
        self.ask("POST", target, &headers, &body)
    }

    pub(crate) fn cookie(&self) -> &str {
        &self.cookie
    }

    pub(crate) fn state(&self) -> Value {
        // Where there were too many connections just now, it is asked again.
        serde_json::from_str(&self.get("/state").body).unwrap_or_default()
    }

    /// Waits until the page shows this view.
    pub(crate) fn wait_for(&self, view: &str) -> Value {
        let start = Instant::now();
        loop {
            let state = self.state();
            if state["view"] == view {
                return state;
            }
            assert!(start.elapsed() < PATIENCE, "no {view}: {state}");
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    /// Begins a copy from here to there.
    pub(crate) fn copy(&self, cards: &[&str], to: &[&str]) -> Answer {
        self.post("/copy", &json!({"cards": cards, "to": to}))
    }

    /// Ends it as Ctrl-C does, and returns what it said on the way.
    pub(crate) fn end(mut self) -> Ran {
        let child = self.child.take().unwrap();
        super::program::interrupted(child)
    }

    /// Ends it at once.
    pub(crate) fn kill(mut self) {
        let mut child = self.child.take().unwrap();
        child.kill().unwrap();
        drop(ended(child));
    }
}

impl Drop for Desk {
    fn drop(&mut self) {
        if let Some(mut child) = self.child.take() {
            drop(child.kill());
            drop(child.wait());
        }
    }
}
