//! A real server of the interface of S3 on the loopback (`s3s-fs`), and in front of it one that
//! lies about what it does. Every request passes through it; its words and bodies are those of the
//! server but for the lie.

#![expect(
    clippy::disallowed_methods,
    reason = "a test spoils what a server has, and waits for one"
)]

use super::http::{Message, free_port};
use super::program::{Ran, Work, bytes_of, finish, put, skip, tool};
use std::io;
use std::net::{Shutdown, TcpListener, TcpStream};
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

/// Who is let in.
pub(crate) const KEY_ID: &str = "KITE0001";
pub(crate) const KEY: &str = "kite-string-4711-and-a-tail";
const BUCKET: &str = "kites";

/// What the server lies about. Each is about keys that end so; all where that is empty.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Lie {
    /// A byte of what it gives is another.
    FlipGet,
    /// It gives less than it says.
    CutGet,
    /// It gives less, and says so.
    ShortGet,
    /// It accepts a part and hasn't got it.
    DropPart,
    /// It puts a file together without the middle of it.
    ForgetPart,
    /// It accepts a file and hasn't got it.
    Lose,
    /// It is busy.
    Busy,
    /// It stores the file under a name in small letters.
    OtherCase,
    /// It has an older version of the same size: it says and gives that.
    OldVersion,
    /// It ends the connection in the middle of what is sent to it.
    HangUp,
}

struct Mood {
    lie: Option<(Lie, String)>,
    /// How often it lies before it is honest.
    times: u64,
}

struct Front {
    upstream: u16,
    root: PathBuf,
    mood: Mutex<Mood>,
    lies: AtomicU64,
    requests: AtomicU64,
    ends: AtomicBool,
}

/// A server that ends with this.
pub(crate) struct S3 {
    server: Child,
    front: Arc<Front>,
    pub(crate) port: u16,
}

impl S3 {
    /// Starts one with the bucket `kites` in the folder `bucket`; `None` where there is none, which
    /// is said.
    pub(crate) fn start(work: &Work) -> Option<Self> {
        let Some(program) = tool("s3s-fs") else {
            skip("s3s-fs is not installed");
            return None;
        };
        let root = work.folder("server");
        work.folder(&format!("server/{BUCKET}"));
        let upstream = free_port();
        let server = Command::new(program)
            .args(["--host", "127.0.0.1", "--port", &upstream.to_string()])
            .args(["--access-key", KEY_ID, "--secret-key", KEY])
            .arg(&root)
            .env_clear()
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let start = Instant::now();
        while TcpStream::connect(("127.0.0.1", upstream)).is_err() {
            assert!(start.elapsed() < Duration::from_secs(20), "{work:?}");
            std::thread::sleep(Duration::from_millis(20));
        }
        let front = Arc::new(Front {
            upstream,
            root: root.join(BUCKET),
            mood: Mutex::new(Mood {
                lie: None,
                times: 0,
            }),
            lies: AtomicU64::new(0),
            requests: AtomicU64::new(0),
            ends: AtomicBool::new(false),
        });
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = listener.local_addr().unwrap().port();
        let shared = Arc::clone(&front);
        std::thread::spawn(move || {
            for stream in listener.incoming() {
                if shared.ends.load(Ordering::SeqCst) {
                    return;
                }
                let (shared, stream) = (Arc::clone(&shared), stream.unwrap());
                // Whoever was killed has gone.
                std::thread::spawn(move || drop(shared.answer(stream)));
            }
        });
        let s3 = Self {
            server,
            front,
            port,
        };
        let endpoint = format!("http://127.0.0.1:{port}");
        work.run(&format!(
            "kit add place bay --url s3://{BUCKET}/2026 --endpoint {endpoint} --region us-east-1"
        ))
        .exits(0);
        Some(s3)
    }

    /// The program, with the key in its environment.
    pub(crate) fn command(&self, work: &Work, line: &str) -> Command {
        let mut command = work.command();
        command
            .env("AWS_ACCESS_KEY_ID", KEY_ID)
            .env("AWS_SECRET_ACCESS_KEY", KEY)
            .env("UNLADE_LOG", "off")
            .args(line.split_whitespace());
        assert!(self.port > 0);
        command
    }

    pub(crate) fn run(&self, work: &Work, line: &str) -> Ran {
        finish(&mut self.command(work, line))
    }

    /// Where the server keeps an object of the place.
    pub(crate) fn object(&self, path: &str) -> PathBuf {
        self.front.root.join("2026").join(path)
    }

    /// Lies so often about keys that end so.
    pub(crate) fn lies(&self, lie: Lie, about: &str, times: u64) {
        self.front.lies.store(0, Ordering::SeqCst);
        *self.front.mood.lock().unwrap() = Mood {
            lie: Some((lie, about.to_owned())),
            times,
        };
    }

    /// Is honest from now on. Returns how often it lied.
    pub(crate) fn is_honest(&self) -> u64 {
        self.front.mood.lock().unwrap().lie = None;
        self.front.lies.load(Ordering::SeqCst)
    }

    /// Requests until now.
    pub(crate) fn requests(&self) -> u64 {
        self.front.requests.load(Ordering::SeqCst)
    }
}

impl Drop for S3 {
    fn drop(&mut self) {
        self.front.ends.store(true, Ordering::SeqCst);
        // Wakes whoever listens.
        drop(TcpStream::connect(("127.0.0.1", self.port)));
        drop(self.server.kill());
        drop(self.server.wait());
    }
}

/// What a server that lies does with a request.
enum Instead {
    Does,
    Says(Message),
    HangsUp,
}

impl Front {
    /// Lies about this, if that is what it is at.
    fn lies_about(&self, kinds: &[Lie], path: &str) -> Option<Lie> {
        let mut mood = self.mood.lock().unwrap();
        let (lie, about) = mood.lie.clone()?;
        if !kinds.contains(&lie) || !path.ends_with(&about) || mood.times == 0 {
            return None;
        }
        mood.times -= 1;
        self.lies.fetch_add(1, Ordering::SeqCst);
        Some(lie)
    }

    fn answer(&self, mut client: TcpStream) -> io::Result<()> {
        client.set_read_timeout(Some(Duration::from_secs(120)))?;
        let Some(mut request) = Message::read(&mut client, false, true)? else {
            return Ok(());
        };
        self.requests.fetch_add(1, Ordering::SeqCst);
        let mut words = request.first.split(' ');
        let method = words.next().unwrap_or_default().to_owned();
        let target = words.next().unwrap_or_default().to_owned();
        let (path, query) = target.split_once('?').unwrap_or((&target, ""));
        match self.instead(&method, path, query) {
            Instead::Does => {}
            Instead::Says(mut answer) => return answer.write(&mut client),
            Instead::HangsUp => return client.shutdown(Shutdown::Both),
        }
        let mut server = TcpStream::connect(("127.0.0.1", self.upstream))?;
        request.write(&mut server)?;
        let has_body = method != "HEAD";
        let Some(mut answer) = Message::read(&mut server, true, has_body)? else {
            return Ok(());
        };
        let is_good = answer.first.contains(" 200") || answer.first.contains(" 206");
        if is_good && (method == "GET" || method == "HEAD") && query.is_empty() {
            let kinds = [Lie::FlipGet, Lie::CutGet, Lie::ShortGet, Lie::OldVersion];
            let of_get = if method == "GET" {
                &kinds[..]
            } else {
                &kinds[3..]
            };
            if let Some(lie) = self.lies_about(of_get, path) {
                spoil(&mut answer, lie);
            }
        }
        let is_whole = (method == "PUT" && query.is_empty())
            || (method == "POST" && query.starts_with("uploadId"));
        if is_good && is_whole {
            self.after(path, method == "POST");
        }
        answer.write(&mut client)
    }

    /// What it says in the place of doing something.
    fn instead(&self, method: &str, path: &str, query: &str) -> Instead {
        let etag = ["ETag: \"0123456789abcdef0123456789abcdef\""];
        if self.lies_about(&[Lie::Busy], path).is_some() {
            let body = "<Error><Code>SlowDown</Code><Message>Please reduce your request rate\
                </Message></Error>";
            return Instead::Says(Message::answer("503 Slow Down", &[], body));
        }
        if method != "PUT" {
            return Instead::Does;
        }
        if self.lies_about(&[Lie::HangUp], path).is_some() {
            return Instead::HangsUp;
        }
        let is_part = query.contains("partNumber=2");
        let kind = if is_part { Lie::DropPart } else { Lie::Lose };
        let is_done = (!query.is_empty() && !is_part) || self.lies_about(&[kind], path).is_none();
        if is_done {
            return Instead::Does;
        }
        Instead::Says(Message::answer("200 OK", &etag, ""))
    }

    /// What happens to a file once it is there.
    fn after(&self, path: &str, has_parts: bool) {
        let of_all = [Lie::OtherCase];
        let of_parts = [Lie::ForgetPart, Lie::Lose, Lie::OtherCase];
        let kinds = if has_parts {
            &of_parts[..]
        } else {
            &of_all[..]
        };
        let Some(lie) = self.lies_about(kinds, path) else {
            return;
        };
        let below = path.trim_start_matches('/').split_once('/').unwrap().1;
        let file = self.root.join(below);
        match lie {
            Lie::OtherCase => {
                let name = file.file_name().unwrap().to_str().unwrap().to_lowercase();
                std::fs::rename(&file, file.with_file_name(name)).unwrap();
            }
            Lie::ForgetPart => {
                let bytes = bytes_of(&file);
                let (first, rest) = bytes.split_at(5 << 20);
                put(&file, &[first, &rest[1_000_000..]].concat());
            }
            _ => std::fs::remove_file(&file).unwrap(),
        }
    }
}

/// Makes an answer a lie.
fn spoil(answer: &mut Message, lie: Lie) {
    let half = answer.body.len() / 2;
    match lie {
        Lie::FlipGet => answer.body.iter_mut().take(1).for_each(|byte| *byte ^= 1),
        Lie::CutGet => answer.body.truncate(half),
        Lie::ShortGet => {
            answer.body.truncate(half);
            answer.drop_field("content-length");
            answer.lines.push(format!("Content-Length: {half}"));
        }
        _ => {
            answer.body.fill(7);
            for key in ["etag", "last-modified"] {
                answer.drop_field(key);
            }
            let old = [
                "ETag: \"fedcba\"",
                "Last-Modified: Wed, 25 Nov 2026 12:00:00 GMT",
            ];
            answer.lines.extend(old.map(str::to_owned));
        }
    }
}
