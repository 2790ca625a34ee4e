//! A real server of OpenSSH on the loopback, with keys of its own, and a way to it that no
//! configuration of the person's is in.

#![expect(
    clippy::disallowed_methods,
    reason = "a test writes what the program may not, and waits for a server"
)]

use super::program::{Work, skip, tool};
use std::fs;
use std::net::{TcpListener, TcpStream};
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// A server that ends with this.
pub(crate) struct Sshd {
    server: Child,
    folder: PathBuf,
    pub(crate) port: u16,
}

impl Sshd {
    /// Starts one; `None` where there is none, which is told.
    pub(crate) fn start(work: &Work) -> Option<Self> {
        let Some(sshd) = tool("/usr/sbin/sshd") else {
            skip("sshd is not installed");
            return None;
        };
        // The names of sockets are short.
        let folder = tempfile::Builder::new().prefix("sshd").tempdir_in("/tmp");
        let folder = folder.unwrap().keep();
        for key in ["host", "me"] {
            let made = Command::new("ssh-keygen")
                .args(["-q", "-t", "ed25519", "-N", "", "-f"])
                .arg(folder.join(key))
                .status();
            assert!(made.unwrap().success());
        }
        let port = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = port.local_addr().unwrap().port();
        let at = folder.display();
        let config = format!(
            "Port {port}\nListenAddress 127.0.0.1\nHostKey {at}/host\nAuthorizedKeysFile \
             {at}/me.pub\nStrictModes no\nPasswordAuthentication no\n\
             KbdInteractiveAuthentication no\nUsePAM no\nPidFile none\nMaxStartups 100\n\
             Subsystem sftp internal-sftp\n"
        );
        fs::write(folder.join("sshd_config"), config).unwrap();
        let host = fs::read_to_string(folder.join("host.pub")).unwrap();
        fs::write(folder.join("known"), format!("[127.0.0.1]:{port} {host}")).unwrap();
        let client = format!(
            "Host *\n  IdentityFile {at}/me\n  IdentitiesOnly yes\n  UserKnownHostsFile \
             {at}/known\n  GlobalKnownHostsFile /dev/null\n"
        );
        fs::write(folder.join("ssh_config"), client).unwrap();
        fs::create_dir(folder.join("bin")).unwrap();
        // A connection that a killed program leaves behind ends by itself.
        let ssh = folder.join("bin/ssh");
        let real = tool("ssh").unwrap();
        let script = format!(
            "#!/bin/sh\nexec {} -F {at}/ssh_config -o ControlPersist=5 \"$@\"\n",
            real.display()
        );
        fs::write(&ssh, script).unwrap();
        fs::set_permissions(&ssh, fs::Permissions::from_mode(0o755)).unwrap();
        fs::create_dir_all("/run/sshd").unwrap();
        let sshd = Self {
            server: serve(&sshd, &folder),
            folder,
            port,
        };
        sshd.wait(work);
        Some(sshd)
    }

    /// It is there again, after it was gone.
    pub(crate) fn come_back(&mut self, work: &Work) {
        drop(self.server.wait());
        self.server = serve(&tool("/usr/sbin/sshd").unwrap(), &self.folder);
        self.wait(work);
    }

    fn wait(&self, work: &Work) {
        let start = Instant::now();
        while TcpStream::connect(("127.0.0.1", self.port)).is_err() {
            assert!(start.elapsed() < Duration::from_secs(20), "{work:?}");
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    /// The program, which finds this server's way in.
    pub(crate) fn command(&self, work: &Work, line: &str) -> Command {
        let mut command = work.command();
        let path = std::env::var("PATH").unwrap();
        let path = format!("{}:{path}", self.folder.join("bin").display());
        // The sockets of ssh's connections are there.
        command.env("PATH", path).env("HOME", self.folder.join("h"));
        command.env("UNLADE_HOME", work.path("home"));
        command.args(line.split_whitespace());
        command
    }

    /// The server is gone, and every connection to it.
    pub(crate) fn vanish(&self) {
        let mut all = vec![self.server.id()];
        let mut at = 0;
        while let Some(pid) = all.get(at) {
            let children = format!("/proc/{pid}/task/{pid}/children");
            let children = fs::read_to_string(children).unwrap_or_default();
            all.extend(
                children
                    .split_whitespace()
                    .map(|pid| pid.parse::<u32>().unwrap()),
            );
            at += 1;
        }
        for pid in all {
            // What has ended by itself is gone as well.
            drop(Command::new("kill").args(["-9", &pid.to_string()]).status());
        }
    }

    /// Nobody knows the server any more.
    pub(crate) fn forget(&self) {
        fs::write(self.folder.join("known"), "").unwrap();
    }
}

fn serve(sshd: &Path, folder: &Path) -> Child {
    let mut command = Command::new(sshd);
    let command = command
        .args(["-D", "-f"])
        .arg(folder.join("sshd_config"))
        .stdin(Stdio::null())
        .stderr(Stdio::null());
    command.spawn().unwrap()
}

impl Drop for Sshd {
    fn drop(&mut self) {
        drop(self.server.kill());
        drop(self.server.wait());
        drop(fs::remove_dir_all(&self.folder));
    }
}
