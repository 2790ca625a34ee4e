//! Owns the chain of a history: which generations it has, and the hash of each.

use super::error::MhlError;
use super::xml::{Token, Xml};
use crate::hash_algorithm::sha512_of_c4;
use crate::units::len64;
use std::collections::HashSet;

/// The ending of a generation's file.
pub const MHL_ENDING: &str = ".mhl";

/// A line of the chain: one generation.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct ChainEntry {
    /// Counted from 1.
    pub number: u64,
    /// The name of its file, in the history's folder.
    pub path: String,
    /// SHA-512 of that file, in hex.
    pub sha512: String,
}

/// Reads a chain.
///
/// # Errors
/// When it is none, has a gap, or names what does not lie beside it.
pub fn chain(text: &str) -> Result<Vec<ChainEntry>, MhlError> {
    let mut xml = Xml::new(text, "urn:ASC:MHL:DIRECTORY:v2.0");
    xml.root("ascmhldirectory")?;
    let mut entries: Vec<ChainEntry> = Vec::new();
    let mut paths = HashSet::new();
    while let Some(token) = xml.child()? {
        if token.name != "hashlist" {
            xml.skip()?;
            continue;
        }
        let number = token.attribute("sequencenr");
        let number = number.ok_or(MhlError::Lacks("sequencenr"))?.to_owned();
        let (mut path, mut c4) = (None, None);
        while let Some(Token { name, .. }) = xml.child()? {
            match name.as_str() {
                "path" => path = Some(xml.text()?),
                "c4" => c4 = Some(xml.text()?),
                _ => xml.skip()?,
            }
        }
        let path = path.ok_or(MhlError::Lacks("path"))?;
        let c4 = c4.ok_or(MhlError::Lacks("c4"))?;
        let is_next = number.parse() == Ok(entries.len() + 1);
        if !is_next {
            return Err(MhlError::Value("sequencenr", number));
        }
        if path.contains(['/', '\\']) || !path.ends_with(MHL_ENDING) {
            return Err(MhlError::Value("path", path));
        }
        if !paths.insert(path.clone()) {
            return Err(MhlError::Value("path", path));
        }
        let sha512 = sha512_of_c4(&c4).ok_or(MhlError::Value("c4", c4))?;
        entries.push(ChainEntry {
            number: len64(entries.len()) + 1,
            path,
            sha512,
        });
    }
    xml.end()?;
    if entries.is_empty() {
        return Err(MhlError::Lacks("hashlist"));
    }
    Ok(entries)
}
