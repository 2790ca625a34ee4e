//! Owns what a place is remembered by: one text, however its address was written. What was found
//! damaged under one way of writing it is damaged under every other.

use crate::kit::place::{KitPlace, PlaceAddress};
use camino::Utf8Path;
use std::process::{Command, Stdio};

/// The service that a bucket is of where nobody names one.
const AMAZON: &str = "s3.amazonaws.com";
/// The ports that are meant where none is written.
const PORTS: [&str; 2] = ["443", "80"];
const SSH_PORT: u16 = 22;

/// Returns what a place is remembered by.
pub fn identity(place: &KitPlace, address: &PlaceAddress) -> String {
    match address {
        PlaceAddress::Folder { folder } => {
            // One that is not there is refused later.
            let real = Utf8Path::new(folder).canonicalize_utf8();
            format!("file://{}", real.unwrap_or_else(|_| folder.into()))
        }
        PlaceAddress::Bucket { bucket, prefix } => {
            let service = service(place.endpoint.as_deref());
            format!("s3://{service}/{bucket}/{prefix}")
        }
        PlaceAddress::Server {
            user,
            host,
            port,
            folder,
        } => {
            let meant = SshMeant::of(user.as_deref(), host, *port);
            let SshMeant { user, host, port } = meant;
            format!("sftp://{user}@{host}:{port}{folder}")
        }
        PlaceAddress::WebDav {
            host, port, folder, ..
        } => {
            let port = port.map_or_else(String::new, |port| format!(":{port}"));
            format!(
                "webdav://{}{folder}",
                without_port(&format!("{host}{port}"))
            )
        }
    }
}

/// Returns host and port of a service: in small letters, without the port that is meant anyway.
/// Those of Amazon are one, since a bucket's name is nobody else's there.
fn service(endpoint: Option<&str>) -> String {
    let Some(endpoint) = endpoint else {
        return AMAZON.to_owned();
    };
    let host = endpoint.rsplit("://").next().unwrap_or(endpoint);
    let host = without_port(host.trim_end_matches('/'));
    let name = host.split(':').next().unwrap_or(&host);
    if name.starts_with("s3") && name.ends_with(".amazonaws.com") {
        return AMAZON.to_owned();
    }
    host
}

/// Returns a host in small letters, without the port that is meant anyway.
fn without_port(host: &str) -> String {
    let host = host.to_ascii_lowercase();
    let (name, port) = host.split_once(':').unwrap_or((&host, ""));
    let name = name.trim_end_matches('.');
    if port.is_empty() || PORTS.contains(&port) {
        name.to_owned()
    } else {
        format!("{name}:{port}")
    }
}

/// Whom `ssh` means by an address: its settings may say another host, port or user.
pub(super) struct SshMeant {
    /// The user; empty where nobody says one.
    user: String,
    /// The host, in small letters.
    pub(super) host: String,
    port: u16,
}

impl SshMeant {
    /// Asks `ssh`; without it what was written is meant.
    pub(super) fn of(user: Option<&str>, host: &str, port: Option<u16>) -> Self {
        let mut ask = Command::new("ssh");
        ask.arg("-G");
        if let Some(port) = port {
            ask.args(["-p", &port.to_string()]);
        }
        if let Some(user) = user {
            ask.args(["-l", user]);
        }
        let asked = ask
            .args(["--", host])
            .stdin(Stdio::null())
            .stderr(Stdio::null())
            .output();
        let said = asked.ok().filter(|ran| ran.status.success());
        let said = said.and_then(|ran| String::from_utf8(ran.stdout).ok());
        let field = |key: &str| {
            let mut lines = said.iter().flat_map(|text| text.lines());
            let value = |line: &str| Some(line.strip_prefix(key)?.strip_prefix(' ')?.to_owned());
            lines.find_map(value)
        };
        let said_port = field("port").and_then(|port| port.parse().ok());
        let host = field("hostname").unwrap_or_else(|| host.to_owned());
        Self {
            user: field("user")
                .or(user.map(str::to_owned))
                .unwrap_or_default(),
            host: host.trim_end_matches('.').to_ascii_lowercase(),
            port: said_port.or(port).unwrap_or(SSH_PORT),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(url: &str, endpoint: Option<&str>) -> String {
        let place = KitPlace {
            url: url.to_owned(),
            endpoint: endpoint.map(str::to_owned),
            ..KitPlace::default()
        };
        identity(&place, &place.address().unwrap())
    }

    #[test]
    fn one_place_is_one_however_it_is_written() {
        let bay = |endpoint| of("s3://kites/2026", Some(endpoint));
        for other in [
            "https://BAY.example/",
            "https://bay.example:443",
            "http://bay.example",
            "https://bay.example.",
        ] {
            assert_eq!(bay("https://bay.example"), bay(other), "{other}");
        }
        assert_ne!(bay("https://bay.example"), bay("https://bay.example:9000"));
        assert_ne!(bay("https://bay.example"), bay("https://lake.example"));
        assert_eq!(of("s3://kites/2026/", None), of("s3://kites/2026", None));
        let amazon = bay("https://s3.eu-north-1.amazonaws.com");
        assert_eq!(amazon, of("s3://kites/2026", None));
        // Whether ssh is there or not, and whatever its settings say.
        let lake = of("sftp://ada@lake.example/srv", None);
        for other in [
            "sftp://ada@LAKE.Example/srv/",
            "sftp://ada@lake.example:22/srv",
        ] {
            assert_eq!(lake, of(other, None), "{other}");
        }
        assert_ne!(lake, of("sftp://ada@lake.example:2222/srv", None));
        assert_ne!(lake, of("sftp://bea@lake.example/srv", None));
        let nas = of("webdavs://nas.example/dav", None);
        assert_eq!(nas, of("webdavs://NAS.example:443/dav/", None));
        assert_eq!(nas, of("webdav://nas.example/dav", None));
        assert_ne!(nas, of("webdavs://nas.example:8443/dav", None));
    }

    #[cfg(unix)]
    #[test]
    fn a_folder_is_one_through_a_link_as_well() {
        let folder = tempfile::tempdir().unwrap();
        let real = folder.path().join("nas");
        std::fs::create_dir(&real).unwrap();
        std::os::unix::fs::symlink(&real, folder.path().join("link")).unwrap();
        let url = |name: &str| format!("file://{}/{name}", folder.path().display());
        assert_eq!(of(&url("nas"), None), of(&url("link/"), None));
    }
}
