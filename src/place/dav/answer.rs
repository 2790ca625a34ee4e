//! Owns what an answer of `WebDAV` says (RFC 4918, 13 and 14): entries, their sizes, times and
//! marks. All of it is foreign. Pure.

use crate::record::others::mhl::xml::Xml;

const NAMESPACE: &str = "DAV:";
/// Longest date or mark that is kept, in bytes.
const MARK_BYTES_MAX: usize = 256;

/// One thing that an answer is about.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub(super) struct DavEntry {
    /// Its address, as it came.
    pub(super) href: String,
    pub(super) is_gone: bool,
    pub(super) is_folder: bool,
    pub(super) bytes: Option<u64>,
    pub(super) modified: Option<String>,
    pub(super) etag: Option<String>,
}

/// Reads an answer.
///
/// # Errors
/// Why it is none, after "its answer".
pub(super) fn entries(body: &[u8]) -> Result<Vec<DavEntry>, String> {
    let text = str::from_utf8(body).map_err(|e| format!("is no text: {e}"))?;
    let text = text.trim_start_matches('\u{feff}');
    let mut xml = Xml::new(text, NAMESPACE);
    let wrong = |why: &dyn std::fmt::Display| format!("is not one of WebDAV: {why}");
    xml.root("multistatus").map_err(|e| wrong(&e))?;
    let mut entries = Vec::new();
    while let Some(token) = xml.child().map_err(|e| wrong(&e))? {
        if token.name == "response" {
            entries.push(entry(&mut xml).map_err(|e| wrong(&e))?);
        } else {
            xml.skip().map_err(|e| wrong(&e))?;
        }
    }
    Ok(entries)
}

fn entry(xml: &mut Xml<'_>) -> Result<DavEntry, String> {
    let mut entry = DavEntry::default();
    while let Some(token) = child(xml)? {
        match token.as_str() {
            "href" => text(xml)?.trim().clone_into(&mut entry.href),
            "status" => entry.is_gone = !is_good(&text(xml)?),
            "propstat" => {
                let (mut said, mut is_said) = (DavEntry::default(), false);
                while let Some(token) = child(xml)? {
                    match token.as_str() {
                        "prop" => said = properties(xml)?,
                        "status" => is_said = is_good(&text(xml)?),
                        _ => skip(xml)?,
                    }
                }
                if is_said {
                    entry.is_folder |= said.is_folder;
                    entry.bytes = said.bytes.or(entry.bytes);
                    entry.modified = said.modified.or(entry.modified);
                    entry.etag = said.etag.or(entry.etag);
                }
            }
            _ => skip(xml)?,
        }
    }
    Ok(entry)
}

fn properties(xml: &mut Xml<'_>) -> Result<DavEntry, String> {
    let mut said = DavEntry::default();
    while let Some(token) = child(xml)? {
        match token.as_str() {
            "resourcetype" => {
                while let Some(token) = child(xml)? {
                    said.is_folder |= token == "collection";
                    skip(xml)?;
                }
            }
            "getcontentlength" => said.bytes = text(xml)?.trim().parse().ok(),
            "getlastmodified" => said.modified = kept(&text(xml)?).map(time),
            // A mark that is weak for a moment is the same one (RFC 9110, 8.8.3.2).
            "getetag" => said.etag = kept(text(xml)?.trim().trim_start_matches("W/")),
            _ => skip(xml)?,
        }
    }
    Ok(said)
}

fn child(xml: &mut Xml<'_>) -> Result<Option<String>, String> {
    let token = xml.child().map_err(|e| e.to_string())?;
    Ok(token.map(|token| token.name))
}

fn text(xml: &mut Xml<'_>) -> Result<String, String> {
    xml.text().map_err(|e| e.to_string())
}

fn skip(xml: &mut Xml<'_>) -> Result<(), String> {
    xml.skip().map_err(|e| e.to_string())
}

/// Whether a line like `HTTP/1.1 200 OK` says yes.
fn is_good(status: &str) -> bool {
    let code = status.split_whitespace().nth(1);
    code.and_then(|code| code.parse::<u16>().ok())
        .is_some_and(|code| (200..300).contains(&code))
}

fn kept(text: &str) -> Option<String> {
    let text = text.trim();
    let is_kept = !text.is_empty() && text.len() <= MARK_BYTES_MAX;
    is_kept.then(|| text.to_owned())
}

/// A time as other places say it; one that nobody understands as it came.
fn time(text: String) -> String {
    let read = jiff::fmt::rfc2822::parse(&text);
    read.map_or(text, |time| time.timestamp().to_string())
}

/// Returns the name of what is right in a folder; `None` for the folder itself, and for names that
/// nothing of ours can have.
///
/// # Errors
/// That it is not in there.
pub(super) fn child_of(folder: &str, href: &str) -> Result<Option<String>, ()> {
    // Some say the whole address (RFC 4918, 8.3).
    let path = match href.split_once("://") {
        Some((_, rest)) => rest.find('/').and_then(|at| rest.get(at..)).ok_or(())?,
        None => href,
    };
    let path = path.trim_start_matches('/').trim_end_matches('/');
    let mut parts = path.split('/');
    for own in folder.trim_matches('/').split('/') {
        if parts.next().and_then(decoded).as_deref() != Some(own) {
            return Err(());
        }
    }
    let Some(name) = parts.next() else {
        return Ok(None);
    };
    if parts.next().is_some() {
        return Err(());
    }
    let is_one = |name: &String| {
        !name.is_empty() && name != "." && name != ".." && !name.contains(['/', '\0'])
    };
    Ok(decoded(name).filter(is_one))
}

/// Takes the encoding of RFC 3986, 2.1 off; `None` where it is none, or no text.
fn decoded(text: &str) -> Option<String> {
    let mut bytes = Vec::with_capacity(text.len());
    let mut rest = text.bytes();
    while let Some(byte) = rest.next() {
        if byte != b'%' {
            bytes.push(byte);
            continue;
        }
        let digits = [rest.next()?, rest.next()?];
        let digits = str::from_utf8(&digits).ok()?;
        if !digits.bytes().all(|digit| digit.is_ascii_hexdigit()) {
            return None;
        }
        bytes.push(u8::from_str_radix(digits, 16).ok()?);
    }
    String::from_utf8(bytes).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The form of RFC 4918, 9.1.5 and 14; the prefixes are those of Apache.
    const ANSWER: &str = r#"<?xml version="1.0" encoding="utf-8"?>
<D:multistatus xmlns:D="DAV:" xmlns:other="urn:kites">
<D:response xmlns:lp1="DAV:">
<D:href>/dav/KITES/</D:href>
<D:propstat><D:prop><lp1:resourcetype><D:collection/></lp1:resourcetype>
<lp1:getlastmodified>Wed, 25 Nov 2026 12:00:00 GMT</lp1:getlastmodified></D:prop>
<D:status>HTTP/1.1 200 OK</D:status></D:propstat>
<D:propstat><D:prop><lp1:getcontentlength/></D:prop><D:status>HTTP/1.1 404 Not Found</D:status>
</D:propstat></D:response>
<D:response><D:href>/dav/KITES/K%20%231.JPG</D:href>
<D:propstat><D:prop><D:resourcetype/><D:getcontentlength>40</D:getcontentlength>
<D:getlastmodified>whenever &amp; ever</D:getlastmodified><D:getetag>W/"1&#45;a"</D:getetag>
<other:getcontentlength>9</other:getcontentlength></D:prop>
<D:status>HTTP/1.1 200 OK</D:status></D:propstat></D:response>
<D:response><D:href>/dav/KITES/gone</D:href><D:status>HTTP/1.1 404 Not Found</D:status>
</D:response></D:multistatus>"#;

    #[test]
    fn an_answer_is_read() {
        let entries = entries(ANSWER.as_bytes()).unwrap();
        let [folder, file, gone] = entries.as_slice() else {
            panic!("{entries:?}");
        };
        assert!(folder.is_folder && folder.bytes.is_none() && !folder.is_gone);
        assert_eq!(folder.modified.as_deref(), Some("2026-11-25T12:00:00Z"));
        assert_eq!((file.is_folder, file.bytes), (false, Some(40)));
        assert_eq!(file.modified.as_deref(), Some("whenever & ever"));
        assert_eq!(file.etag.as_deref(), Some("\"1-a\""));
        assert!(gone.is_gone);
        let doctype = ANSWER.replacen("?>", "?><!DOCTYPE a [<!ENTITY b \"c\">]>", 1);
        for wrong in ["", "<html/>", &doctype, &ANSWER[..300]] {
            assert!(super::entries(wrong.as_bytes()).is_err(), "{wrong}");
        }
    }

    #[test]
    fn a_foreign_name_is_one_in_the_folder_or_none() {
        let of = |href: &str| child_of("dav/Drachen über See/", href);
        let base = "/dav/Drachen%20%c3%bcber%20See";
        let name = |rest: &str| of(&format!("{base}/{rest}"));
        assert_eq!(name("K%20%231.JPG"), Ok(Some("K #1.JPG".to_owned())));
        assert_eq!(name("DCIM/"), Ok(Some("DCIM".to_owned())));
        assert_eq!(name(""), Ok(None));
        let whole = of("https://lake.example/dav/Drachen%20%C3%BCber%20See/A");
        assert_eq!(whole, Ok(Some("A".to_owned())));
        for odd in ["%2e%2e", ".", "a%2Fb", "%FF", "%", "%+1", "a%00"] {
            assert_eq!(name(odd), Ok(None), "{odd}");
        }
        for outside in [
            "/",
            "",
            "/dav",
            "/dav/x",
            "/etc/passwd",
            "a://b",
            "/dav/%C3",
        ] {
            assert_eq!(of(outside), Err(()), "{outside}");
        }
        assert_eq!(name("a/b"), Err(()));
    }
}
