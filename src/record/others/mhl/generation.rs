//! Owns one generation of a history: who made it and when, and what it says of each file.

use super::error::MhlError;
use super::xml::{Token, Xml};
use crate::hash_algorithm::checksum::Checksum;
use crate::hash_algorithm::{Also, sha512_of_c4};
use smallvec::SmallVec;

/// What a hash was made for (specification 1.0, 4.3.3.2: the `action` attribute).
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum MhlAction {
    /// The first one of this file.
    Original,
    /// Equal to one of an earlier generation.
    Verified,
    /// Another one than an earlier generation has. It is never held against a file.
    Failed,
}

/// One hash of a file.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct MhlSum {
    /// Its kind.
    pub kind: Checksum,
    /// Lower-case hex; a C4 identifier is the SHA-512 that it stands for.
    pub hex: Box<str>,
    /// What it was made for.
    pub action: MhlAction,
}

/// What a generation says of one file.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct FileEntry {
    /// Relative to the history's folder, as it is written.
    pub path: String,
    /// Where it was in the generation before.
    pub previous: Option<String>,
    /// Its size in bytes.
    pub bytes: Option<u64>,
    /// Its hashes.
    pub sums: SmallVec<[MhlSum; 1]>,
}

/// A hash of a folder.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct FolderHash {
    /// Its kind.
    pub kind: Checksum,
    /// As [`MhlSum::hex`].
    pub hex: Box<str>,
    /// It is of the names too (`structure`), and not only of what the files hold (`content`).
    pub has_names: bool,
}

/// What a generation says of one folder.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct FolderEntry {
    /// Relative to the history's folder, as it is written; empty for that one.
    pub path: String,
    /// Its hashes; what is no hash is none of them.
    pub hashes: Vec<FolderHash>,
}

/// A list of a history below, which this one refers to.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Reference {
    /// Relative to the history's folder.
    pub path: String,
    /// SHA-512 of the list, in hex.
    pub sha512: String,
}

/// One generation.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Generation {
    /// When it was made, as it is written.
    pub created: String,
    /// The program that made it.
    pub tool: String,
    /// `in-place`, `transfer` or `flatten`.
    pub process: String,
    /// Patterns of what was left out, in the syntax of `.gitignore`.
    pub ignore: Vec<String>,
    /// Its files.
    pub files: Vec<FileEntry>,
    /// Its folders.
    pub folders: Vec<FolderEntry>,
    /// The folder of the history.
    pub root: FolderEntry,
    /// Lists of histories below.
    pub references: Vec<Reference>,
}

impl Generation {
    /// Reads the file of a generation.
    ///
    /// # Errors
    /// When it is none, or lacks what its schema and specification ask for.
    pub fn parse(text: &str) -> Result<Self, MhlError> {
        let mut xml = Xml::new(text, "urn:ASC:MHL:v2.0");
        let root = xml.root("hashlist")?;
        match root.attribute("version") {
            Some("2.0") => {}
            Some(other) => return Err(MhlError::Version(other.to_owned())),
            None => return Err(MhlError::Lacks("version")),
        }
        let mut generation = Self::default();
        while let Some(token) = xml.child()? {
            match token.name.as_str() {
                "creatorinfo" => generation.creator(&mut xml)?,
                "processinfo" => generation.process(&mut xml)?,
                "hashes" => generation.hashes(&mut xml)?,
                "references" => generation.references(&mut xml)?,
                _ => xml.skip()?,
            }
        }
        xml.end()?;
        if generation.process.is_empty() {
            return Err(MhlError::Lacks("process"));
        }
        if generation.created.is_empty() {
            return Err(MhlError::Lacks("creationdate"));
        }
        Ok(generation)
    }

    fn creator(&mut self, xml: &mut Xml<'_>) -> Result<(), MhlError> {
        while let Some(token) = xml.child()? {
            match token.name.as_str() {
                "creationdate" => self.created = xml.text()?,
                "tool" => {
                    let version = token.attribute("version").map(|v| format!(" {v}"));
                    self.tool = xml.text()? + &version.unwrap_or_default();
                }
                _ => xml.skip()?,
            }
        }
        Ok(())
    }

    fn process(&mut self, xml: &mut Xml<'_>) -> Result<(), MhlError> {
        while let Some(token) = xml.child()? {
            match token.name.as_str() {
                "process" => {
                    let process = xml.text()?;
                    if !["in-place", "transfer", "flatten"].contains(&process.as_str()) {
                        return Err(MhlError::Value("process", process));
                    }
                    self.process = process;
                }
                "roothash" => self.root = folder(xml)?,
                "ignore" => {
                    while let Some(token) = xml.child()? {
                        match token.name.as_str() {
                            "pattern" => self.ignore.push(xml.text()?),
                            _ => xml.skip()?,
                        }
                    }
                }
                _ => xml.skip()?,
            }
        }
        Ok(())
    }

    fn hashes(&mut self, xml: &mut Xml<'_>) -> Result<(), MhlError> {
        while let Some(token) = xml.child()? {
            match token.name.as_str() {
                "hash" => self.files.push(file(xml)?),
                "directoryhash" => self.folders.push(folder(xml)?),
                _ => xml.skip()?,
            }
        }
        Ok(())
    }

    fn references(&mut self, xml: &mut Xml<'_>) -> Result<(), MhlError> {
        while let Some(token) = xml.child()? {
            if token.name != "hashlistreference" {
                xml.skip()?;
                continue;
            }
            let (mut path, mut c4) = (None, None);
            while let Some(token) = xml.child()? {
                match token.name.as_str() {
                    "path" => path = Some(xml.text()?),
                    "c4" => c4 = Some(xml.text()?),
                    _ => xml.skip()?,
                }
            }
            let c4 = c4.ok_or(MhlError::Lacks("c4"))?;
            self.references.push(Reference {
                path: path.ok_or(MhlError::Lacks("path"))?,
                sha512: sha512_of_c4(&c4).ok_or(MhlError::Value("c4", c4))?,
            });
        }
        Ok(())
    }
}

fn folder(xml: &mut Xml<'_>) -> Result<FolderEntry, MhlError> {
    let mut folder = FolderEntry::default();
    while let Some(token) = xml.child()? {
        let has_names = token.name == "structure";
        match token.name.as_str() {
            "path" => folder.path = xml.text()?,
            "content" | "structure" => {
                while let Some(Token { name, .. }) = xml.child()? {
                    let Some(kind) = kind(&name) else {
                        xml.skip()?;
                        continue;
                    };
                    let hex = hex(&name, kind, xml.text()?.trim());
                    folder.hashes.extend(hex.map(|hex| FolderHash {
                        kind,
                        hex: hex.into_boxed_str(),
                        has_names,
                    }));
                }
            }
            _ => xml.skip()?,
        }
    }
    Ok(folder)
}

fn file(xml: &mut Xml<'_>) -> Result<FileEntry, MhlError> {
    let (mut path, mut bytes, mut previous) = (None, None, None);
    let mut sums = SmallVec::new();
    while let Some(token) = xml.child()? {
        match token.name.as_str() {
            "path" => {
                bytes = size(&token)?;
                path = Some(xml.text()?);
            }
            "previousPath" => previous = Some(xml.text()?),
            "metadata" => xml.skip()?,
            name => match kind(name) {
                Some(kind) => sums.push(sum(xml, &token, kind)?),
                None => xml.skip()?,
            },
        }
    }
    if sums.is_empty() {
        return Err(MhlError::Lacks("hash"));
    }
    Ok(FileEntry {
        path: path.ok_or(MhlError::Lacks("path"))?,
        previous,
        bytes,
        sums,
    })
}

fn size(token: &Token) -> Result<Option<u64>, MhlError> {
    let Some(text) = token.attribute("size") else {
        return Ok(None);
    };
    let bytes = text.trim().parse();
    let bytes = bytes.map_err(|_no_number| MhlError::Value("size", text.to_owned()))?;
    Ok(Some(bytes))
}

/// The elements of the schema, and what they hold.
fn kind(element: &str) -> Option<Checksum> {
    Some(match element {
        "md5" => Checksum::Also(Also::Md5),
        "sha1" => Checksum::Also(Also::Sha1),
        "c4" => Checksum::Also(Also::Sha512),
        "xxh32" => Checksum::Xxh32,
        "xxh64" => Checksum::Also(Also::Xxh64),
        "xxh3" => Checksum::Also(Also::Xxh3),
        "xxh128" => Checksum::Also(Also::Xxh128),
        _ => return None,
    })
}

fn sum(xml: &mut Xml<'_>, token: &Token, kind: Checksum) -> Result<MhlSum, MhlError> {
    let action = match token.attribute("action") {
        Some("original") => MhlAction::Original,
        Some("verified") => MhlAction::Verified,
        Some("failed") => MhlAction::Failed,
        Some(other) => return Err(MhlError::Value("action", other.to_owned())),
        None => return Err(MhlError::Lacks("action")),
    };
    let text = xml.text()?;
    let text = text.trim();
    let hex = hex(&token.name, kind, text);
    let hex = hex.ok_or_else(|| MhlError::Value("hash", text.to_owned()))?;
    Ok(MhlSum {
        kind,
        hex: hex.into_boxed_str(),
        action,
    })
}

/// A hash as it is kept; `None` where the text is none of this kind.
fn hex(element: &str, kind: Checksum, text: &str) -> Option<String> {
    if element == "c4" {
        return sha512_of_c4(text);
    }
    let hex = text.to_ascii_lowercase();
    let is_hex = hex.bytes().all(|b| b.is_ascii_hexdigit());
    (is_hex && hex.len() == kind.digits()).then_some(hex)
}
