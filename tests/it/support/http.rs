//! Messages of HTTP for servers that a test puts in front of real ones.

use super::program::bytes_of;
use std::io::{self, Read as _, Write as _};
use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};

pub(crate) fn free_port() -> u16 {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    listener.local_addr().unwrap().port()
}

/// A request or an answer: its first line, its other lines, its body.
pub(crate) struct Message {
    pub(crate) first: String,
    pub(crate) lines: Vec<String>,
    pub(crate) body: Vec<u8>,
}

impl Message {
    pub(crate) fn field(&self, key: &str) -> Option<&str> {
        self.lines.iter().find_map(|line| {
            let (name, value) = line.split_once(':')?;
            name.eq_ignore_ascii_case(key).then_some(value.trim())
        })
    }

    pub(crate) fn drop_field(&mut self, key: &str) {
        self.lines.retain(|line| {
            !line
                .split_once(':')
                .is_some_and(|(name, _)| name.eq_ignore_ascii_case(key))
        });
    }

    /// Reads one; a body is as long as it says, or, of an answer, as long as it comes.
    pub(crate) fn read(
        stream: &mut TcpStream,
        is_answer: bool,
        has_body: bool,
    ) -> io::Result<Option<Self>> {
        let mut head = Vec::new();
        let mut byte = [0];
        while !head.ends_with(b"\r\n\r\n") {
            if stream.read(&mut byte)? == 0 {
                return Ok(None);
            }
            head.extend_from_slice(&byte);
        }
        let head = String::from_utf8_lossy(&head).into_owned();
        let mut lines = head.trim_end().split("\r\n").map(str::to_owned);
        let mut message = Self {
            first: lines.next().unwrap_or_default(),
            lines: lines.collect(),
            body: Vec::new(),
        };
        let bytes = message.field("content-length").and_then(|n| n.parse().ok());
        match bytes {
            _ if !has_body => {}
            Some(bytes) => {
                message.body = vec![0; bytes];
                stream.read_exact(&mut message.body)?;
            }
            None if is_answer => {
                stream.read_to_end(&mut message.body)?;
            }
            None => {}
        }
        Ok(Some(message))
    }

    pub(crate) fn write(&mut self, stream: &mut TcpStream) -> io::Result<()> {
        self.drop_field("connection");
        self.lines.push("Connection: close".to_owned());
        let head = format!("{}\r\n{}\r\n\r\n", self.first, self.lines.join("\r\n"));
        stream.write_all(head.as_bytes())?;
        stream.write_all(&self.body)
    }

    pub(crate) fn answer(status: &str, fields: &[&str], body: &str) -> Self {
        let length = format!("Content-Length: {}", body.len());
        let fields = fields.iter().map(ToString::to_string);
        Self {
            first: format!("HTTP/1.1 {status}"),
            lines: fields.chain([length]).collect(),
            body: body.as_bytes().to_vec(),
        }
    }
}

/// Every file below a folder that holds these bytes.
pub(crate) fn files_with(folder: &Path, bytes: &[u8]) -> Vec<PathBuf> {
    let finder = memchr::memmem::Finder::new(bytes);
    walkdir::WalkDir::new(folder)
        .into_iter()
        .map(|entry| entry.unwrap().into_path())
        .filter(|path| path.is_file() && finder.find(&bytes_of(path)).is_some())
        .collect()
}
