//! A real server of `WebDAV` on the loopback (Debian's Apache with `mod_dav`), as a process of the
//! test's own, and in front of it one that lies about what it does.

#![expect(
    clippy::disallowed_methods,
    reason = "a test spoils what a server has, and waits for one"
)]

use super::http::{Message, free_port};
use super::program::{Ran, Work, bytes_of, finish, put, skip, tool};
use base64ct::{Base64, Encoding as _};
use std::io;
use std::net::{Shutdown, TcpListener, TcpStream};
use std::os::unix::fs::chown;
use std::os::unix::process::CommandExt as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

/// Who is let in.
pub(crate) const USER: &str = "ada";
pub(crate) const PASSWORD: &str = "kite:string-4711 & a tail";
/// Debian's `www-data`: Apache serves nothing as root.
const NOBODY: u32 = 33;

/// What the server lies about. Each is about requests whose method and path have a text in them.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum DavLie {
    /// A byte of what it gives is another.
    FlipGet,
    /// It gives less than it says.
    CutGet,
    /// The same, and it knows nothing of parts.
    CutGetWhole,
    /// It gives less, and says so.
    ShortGet,
    /// It accepts a file and hasn't got it.
    LosePut,
    /// It accepts a file and has half of it.
    ShortPut,
    /// It says that a file has its name, and hasn't got it.
    LoseMove,
    /// It gives the file its name in small letters.
    OtherCase,
    /// It does what it was told, and its answer gets lost.
    SilentMove,
    /// It replaces what it was told not to replace.
    ForgetOverwrite,
    /// It ends the connection in the middle of what is sent to it.
    HangUp,
    /// It answers so, whatever it is asked.
    Says(&'static str),
    /// It sends whoever asks on to this port.
    SendsOn(&'static str, u16),
    /// It names what is not in the folder.
    Outside,
}

struct Mood {
    lie: Option<(DavLie, String)>,
    /// How often it lies before it is honest.
    times: u64,
}

struct Front {
    upstream: u16,
    root: PathBuf,
    mood: Mutex<Mood>,
    lies: AtomicU64,
    requests: AtomicU64,
    /// The header lines that came last.
    heard: Mutex<Vec<String>>,
    ends: AtomicBool,
}

/// A server that ends with this.
pub(crate) struct DavServer {
    server: Child,
    folder: PathBuf,
    front: Arc<Front>,
    /// Where it lies.
    pub(crate) port: u16,
    /// Where it does not.
    pub(crate) real: u16,
}

/// What the server needs to know.
fn config(at: &Path, port: u16, tls: &str) -> String {
    let modules = [
        "mpm_event",
        "authn_core",
        "authn_file",
        "authz_core",
        "authz_user",
        "auth_basic",
        "dav",
        "dav_fs",
        "reqtimeout",
        "ssl",
        "socache_shmcb",
    ];
    let load =
        |name: &str| format!("LoadModule {name}_module /usr/lib/apache2/modules/mod_{name}.so\n");
    let modules: String = modules.into_iter().map(load).collect();
    let at = at.display();
    format!(
        "ServerRoot {at}\nServerName 127.0.0.1\nListen 127.0.0.1:{port}\nPidFile {at}/pid\n\
         ErrorLog {at}/log\nDocumentRoot {at}/files\nDavLockDB {at}/locks\nStartServers 1\n\
         {modules}Mutex file:{at}\n{tls}\
         <Directory {at}/files>\nDav On\nAuthType Basic\nAuthName kites\n\
         AuthUserFile {at}/users\nRequire valid-user\n</Directory>\n"
    )
}

impl DavServer {
    /// Starts one with the folder `dav/2026` and the places `nas`, which is honest, and `front`,
    /// which may lie; `None` where there is none, which is said.
    pub(crate) fn start(work: &Work) -> Option<Self> {
        let server = Self::start_with(work, "")?;
        for (name, port) in [("nas", server.real), ("front", server.port)] {
            server.add(work, name, &format!("webdav://127.0.0.1:{port}/dav/2026"));
        }
        Some(server)
    }

    /// The same with more to know and no place. `AT` is where its files are.
    pub(crate) fn start_with(work: &Work, tls: &str) -> Option<Self> {
        let Some(apache) = tool("/usr/sbin/apache2") else {
            skip("apache2 is not installed");
            return None;
        };
        let folder = tempfile::Builder::new().prefix("dav").tempdir_in("/tmp");
        let folder = folder.unwrap().keep();
        std::fs::create_dir_all(folder.join("files/dav/2026")).unwrap();
        let (real, at) = (free_port(), folder.display().to_string());
        put(
            &folder.join("config"),
            config(&folder, real, &tls.replace("AT", &at)).as_bytes(),
        );
        let users = format!("{USER}:{{SHA}}{}\n", sha1_of(PASSWORD));
        put(&folder.join("users"), users.as_bytes());
        put(
            &work.path("secret"),
            format!("{USER}\n{PASSWORD}\n").as_bytes(),
        );
        let mut command = Command::new(apache);
        if rustix::process::geteuid().is_root() {
            for entry in walkdir::WalkDir::new(&folder) {
                chown(entry.unwrap().path(), Some(NOBODY), Some(NOBODY)).unwrap();
            }
            command.uid(NOBODY).gid(NOBODY);
        }
        let server = command
            .args(["-DFOREGROUND", "-f"])
            .arg(folder.join("config"))
            .current_dir("/")
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let (front, port) = front(real, folder.join("files"));
        let server = Self {
            server,
            folder,
            front,
            port,
            real,
        };
        let start = Instant::now();
        while TcpStream::connect(("127.0.0.1", real)).is_err() {
            let log = std::fs::read_to_string(server.folder.join("log"));
            assert!(start.elapsed() < Duration::from_secs(20), "{log:?}");
            std::thread::sleep(Duration::from_millis(20));
        }
        Some(server)
    }

    /// Adds a place with user and password from a command.
    pub(crate) fn add(&self, work: &Work, name: &str, url: &str) {
        let secret = format!("cat {}", work.path("secret").display());
        work.run_with([
            "kit",
            "add",
            "place",
            name,
            "--url",
            url,
            "--secret-command",
            &secret,
        ])
        .exits(0)
        .says(if url.starts_with("webdav:") {
            "whoever is on the line can read the password and the pictures"
        } else {
            "added"
        });
        assert!(self.port > 0);
    }

    /// The program.
    pub(crate) fn command(&self, work: &Work, line: &str) -> Command {
        let mut command = work.command();
        command
            .env("UNLADE_LOG", "off")
            .args(line.split_whitespace());
        assert!(self.real > 0);
        command
    }

    pub(crate) fn run(&self, work: &Work, line: &str) -> Ran {
        finish(&mut self.command(work, line))
    }

    /// Where the server keeps a file of the place.
    pub(crate) fn object(&self, path: &str) -> PathBuf {
        self.folder.join("files/dav/2026").join(path)
    }

    /// Where its files are.
    pub(crate) fn folder(&self) -> &Path {
        &self.folder
    }

    /// Lies so often about paths with this in them.
    pub(crate) fn lies(&self, lie: DavLie, about: &str, times: u64) {
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

    /// The header lines of the request that came last.
    pub(crate) fn heard(&self) -> Vec<String> {
        self.front.heard.lock().unwrap().clone()
    }
}

/// As `htpasswd -s` writes it.
fn sha1_of(text: &str) -> String {
    use sha1::Digest as _;
    Base64::encode_string(&sha1::Sha1::digest(text.as_bytes()))
}

/// The server in front.
fn front(upstream: u16, root: PathBuf) -> (Arc<Front>, u16) {
    let front = Arc::new(Front {
        upstream,
        root,
        mood: Mutex::new(Mood {
            lie: None,
            times: 0,
        }),
        lies: AtomicU64::new(0),
        requests: AtomicU64::new(0),
        heard: Mutex::default(),
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
    (front, port)
}

impl Drop for DavServer {
    fn drop(&mut self) {
        self.front.ends.store(true, Ordering::SeqCst);
        // Wakes whoever listens.
        drop(TcpStream::connect(("127.0.0.1", self.port)));
        let pid = i32::try_from(self.server.id()).unwrap();
        let pid = rustix::process::Pid::from_raw(pid).unwrap();
        // Its own children end with it, but not where it is killed.
        let ended = rustix::process::kill_process(pid, rustix::process::Signal::TERM);
        if ended.is_err() {
            drop(self.server.kill());
        }
        drop(self.server.wait());
        drop(std::fs::remove_dir_all(&self.folder));
    }
}

impl Front {
    /// Lies about this, if that is what it is at.
    fn lies_about(&self, request: &str, is_so: impl Fn(DavLie) -> bool) -> Option<DavLie> {
        let mut mood = self.mood.lock().unwrap();
        let (lie, about) = mood.lie.clone()?;
        if !is_so(lie) || !request.contains(&about) || mood.times == 0 {
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
        self.heard.lock().unwrap().clone_from(&request.lines);
        let mut words = request.first.split(' ');
        let method = words.next().unwrap_or_default().to_owned();
        let path = words.next().unwrap_or_default().to_owned();
        let is_said = |lie| matches!(lie, DavLie::Says(_) | DavLie::SendsOn(..));
        let (status, to) = match self.lies_about(&request.first, is_said) {
            Some(DavLie::Says(status)) => (status, "X-Kite: red".to_owned()),
            Some(DavLie::SendsOn(status, port)) => {
                (status, format!("Location: http://127.0.0.1:{port}{path}"))
            }
            _ => ("", String::new()),
        };
        if !status.is_empty() {
            // With what it was sent, as some do.
            let said = request.lines.join("\n");
            let basic = "WWW-Authenticate: Basic realm=\"kites\"";
            return Message::answer(status, &[&to, basic], &said).write(&mut client);
        }
        let of_request = match method.as_str() {
            "PUT" => vec![DavLie::HangUp, DavLie::LosePut, DavLie::ShortPut],
            "MOVE" => vec![
                DavLie::ForgetOverwrite,
                DavLie::LoseMove,
                DavLie::OtherCase,
                DavLie::SilentMove,
            ],
            "GET" => vec![
                DavLie::FlipGet,
                DavLie::CutGet,
                DavLie::CutGetWhole,
                DavLie::ShortGet,
            ],
            "PROPFIND" => vec![DavLie::Outside],
            _ => Vec::new(),
        };
        let lie = self.lies_about(&request.first, |lie| of_request.contains(&lie));
        match lie {
            Some(DavLie::HangUp) => return client.shutdown(Shutdown::Both),
            Some(DavLie::LosePut) => {
                return Message::answer("201 Created", &[], "").write(&mut client);
            }
            Some(DavLie::ForgetOverwrite) => request.drop_field("overwrite"),
            Some(DavLie::CutGetWhole) => request.drop_field("range"),
            _ => {}
        }
        let to = request.field("destination").map(str::to_owned);
        let mut server = TcpStream::connect(("127.0.0.1", self.upstream))?;
        request.write(&mut server)?;
        let Some(mut answer) = Message::read(&mut server, true, method != "HEAD")? else {
            return Ok(());
        };
        if answer.first.contains(" 20") {
            match lie {
                Some(DavLie::ShortPut) => self.halve(&path),
                Some(DavLie::LoseMove | DavLie::OtherCase) => self.mislay(&to.unwrap(), lie),
                Some(DavLie::SilentMove) => return client.shutdown(Shutdown::Both),
                Some(lie) => spoil(&mut answer, lie),
                None => {}
            }
        }
        answer.write(&mut client)
    }

    fn file(&self, path: &str) -> PathBuf {
        self.root.join(path.trim_start_matches('/'))
    }

    fn halve(&self, path: &str) {
        let bytes = bytes_of(&self.file(path));
        put(&self.file(path), &bytes[..bytes.len() / 2]);
    }

    fn mislay(&self, to: &str, lie: Option<DavLie>) {
        let path = to.split("://").nth(1).unwrap().split_once('/').unwrap().1;
        let file = self.file(path);
        if lie == Some(DavLie::LoseMove) {
            std::fs::remove_file(&file).unwrap();
        } else {
            let name = file.file_name().unwrap().to_str().unwrap().to_lowercase();
            std::fs::rename(&file, file.with_file_name(name)).unwrap();
        }
    }
}

/// Makes an answer a lie.
fn spoil(answer: &mut Message, lie: DavLie) {
    let half = answer.body.len() / 2;
    match lie {
        DavLie::FlipGet => answer.body.iter_mut().take(1).for_each(|byte| *byte ^= 1),
        DavLie::CutGet | DavLie::CutGetWhole => answer.body.truncate(half),
        DavLie::ShortGet => {
            answer.body.truncate(half);
            answer.drop_field("content-length");
            answer.lines.push(format!("Content-Length: {half}"));
        }
        DavLie::Outside => {
            let body = "<D:multistatus xmlns:D=\"DAV:\"><D:response><D:href>/etc/</D:href>\
                <D:propstat><D:prop><D:resourcetype><D:collection/></D:resourcetype></D:prop>\
                <D:status>HTTP/1.1 200 OK</D:status></D:propstat></D:response></D:multistatus>";
            *answer = Message::answer("207 Multi-Status", &[], body);
        }
        _ => {}
    }
}
