//! Owns the requests of `WebDAV` that move no file, what all its answers mean, and which are made
//! again. Must not ask a server to replace anything but this tool's own part file, nor follow where
//! an answer sends it on.

use super::answer::{DavEntry, child_of, entries};
use crate::place::error::{PlaceFault, StoreError};
use crate::place::limits::{CALL_TIME, NAMES_MAX, TRIES, TRY_AFTER};
use crate::place::object::PlaceObject;
use crate::place::secret::PlaceSecret;
use crate::place::tries::jittered;
use reqwest::header::{LOCATION, WWW_AUTHENTICATE};
use reqwest::{Client, Method, RequestBuilder, Response, StatusCode};
use std::collections::HashSet;
use std::fmt;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

/// Longest answer that is read: a folder with some 50,000 names.
const ANSWER_BYTES_MAX: usize = 32 << 20;
/// Folders in each other.
const DEPTH_MAX: usize = 100;
const LIST: DavStep = "list it";
/// What is asked of a file or folder (RFC 4918, 9.1 and 15).
const ASKED: &str = "<?xml version=\"1.0\" encoding=\"utf-8\"?>\
    <D:propfind xmlns:D=\"DAV:\"><D:prop><D:resourcetype/><D:getcontentlength/>\
    <D:getlastmodified/><D:getetag/></D:prop></D:propfind>";

/// A server, and who asks it.
pub(in crate::place) struct Dav {
    client: Client,
    /// Scheme, host and port, without a slash at the end.
    root: String,
    pub(super) login: Option<PlaceSecret>,
    retries: Arc<AtomicU64>,
    /// Folders that were seen or made.
    made: Mutex<HashSet<String>>,
}

impl fmt::Debug for Dav {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Dav").finish_non_exhaustive()
    }
}

/// What is under a name.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(in crate::place) enum DavFound {
    Folder,
    File(PlaceObject),
}

/// An answer to PROPFIND.
enum DavAnswer {
    Entries(Vec<DavEntry>),
    /// It says that the name should end in a slash, as that of a folder.
    Folder,
    Nothing,
}

impl Dav {
    pub(in crate::place) fn new(
        client: Client,
        root: String,
        login: Option<&PlaceSecret>,
        retries: &Arc<AtomicU64>,
    ) -> Self {
        Self {
            client,
            root,
            login: login.cloned(),
            retries: Arc::clone(retries),
            made: Mutex::default(),
        }
    }

    fn url(&self, key: &str) -> String {
        format!("{}/{}", self.root, encoded(key))
    }

    pub(super) fn request(
        &self,
        step: DavStep,
        method: &str,
        key: &str,
    ) -> Result<RequestBuilder, StoreError> {
        let method = Method::from_bytes(method.as_bytes())
            .map_err(|e| StoreError::new(step, PlaceFault::Other, &e.to_string()))?;
        let request = self.client.request(method, self.url(key));
        Ok(match &self.login {
            Some(login) => request.basic_auth(&login.id, Some(&login.key)),
            None => request,
        })
    }

    /// Does what may be done twice again while the place is busy or away, so often and no more.
    pub(super) async fn again<T>(
        &self,
        key: &str,
        work: impl AsyncFn() -> Result<T, StoreError>,
    ) -> Result<T, StoreError> {
        let mut wait = TRY_AFTER.0;
        for _ in 0..TRIES {
            match work().await {
                Err(e) if e.kind == PlaceFault::Away => {}
                done => return done,
            }
            self.pause(key, wait).await;
            wait = (wait * 2).min(TRY_AFTER.1);
        }
        work().await
    }

    pub(super) async fn pause(&self, key: &str, wait: std::time::Duration) {
        self.retries.fetch_add(1, Ordering::Relaxed);
        tokio::time::sleep(jittered(wait, key)).await;
    }

    pub(super) fn fault(&self, step: DavStep, response: &Response) -> StoreError {
        fault(step, response, self.login.is_some())
    }

    async fn find(&self, step: DavStep, key: &str, depth: &str) -> Result<DavAnswer, StoreError> {
        let request = self.request(step, "PROPFIND", key)?;
        let request = request
            .header("Depth", depth)
            .header("Content-Type", "application/xml")
            .body(ASKED);
        let mut response = sent(step, request).await?;
        match response.status() {
            StatusCode::MULTI_STATUS => {}
            StatusCode::NOT_FOUND | StatusCode::GONE => return Ok(DavAnswer::Nothing),
            status if status.is_redirection() && is_slash_missing(&response) => {
                return Ok(DavAnswer::Folder);
            }
            _ => return Err(self.fault(step, &response)),
        }
        let mut body = Vec::new();
        while let Some(piece) = response.chunk().await.map_err(|e| broken(step, &e))? {
            body.extend_from_slice(&piece);
            if body.len() > ANSWER_BYTES_MAX {
                let why = "its list is longer than 32 MB, some 50,000 names in one folder";
                return Err(StoreError::new(step, PlaceFault::Other, why));
            }
        }
        let entries = entries(&body).map_err(|why| {
            StoreError::new(step, PlaceFault::Other, &format!("its answer {why}"))
        })?;
        Ok(DavAnswer::Entries(entries))
    }

    /// Looks at what has a name.
    pub(in crate::place) async fn look(
        &self,
        step: DavStep,
        key: &str,
    ) -> Result<Option<DavFound>, StoreError> {
        let mut entries = match self.again(key, || self.find(step, key, "0")).await? {
            DavAnswer::Nothing => return Ok(None),
            DavAnswer::Folder => return Ok(Some(DavFound::Folder)),
            DavAnswer::Entries(entries) => entries,
        };
        let odd = |why: &str| Err(StoreError::new(step, PlaceFault::Other, why));
        let (Some(entry), true) = (entries.pop(), entries.is_empty()) else {
            return odd("its answer is not about one thing");
        };
        if entry.is_gone {
            return Ok(None);
        }
        if entry.is_folder {
            return Ok(Some(DavFound::Folder));
        }
        let Some(bytes) = entry.bytes else {
            return odd("it says no size");
        };
        Ok(Some(DavFound::File(PlaceObject {
            bytes,
            modified: entry.modified,
            version: None,
            etag: entry.etag,
        })))
    }

    /// Lists the names in a folder, or the paths of all below it; folders end in a slash.
    pub(in crate::place) async fn names(
        &self,
        key: &str,
        is_deep: bool,
    ) -> Result<Vec<String>, StoreError> {
        let mut names = Vec::new();
        let mut folders = vec![String::new()];
        while let Some(folder) = folders.pop() {
            for name in self.names_in(&format!("{key}{folder}")).await? {
                let path = format!("{folder}{name}");
                let depth = path.split('/').count();
                if names.len() >= NAMES_MAX || depth > DEPTH_MAX {
                    return Err(StoreError::too_many(LIST));
                }
                if is_deep && path.ends_with('/') {
                    folders.push(path.clone());
                }
                names.push(path);
            }
        }
        names.sort();
        Ok(names)
    }

    /// The names in one folder. Those that nothing of ours can have are left out.
    async fn names_in(&self, key: &str) -> Result<Vec<String>, StoreError> {
        const STEP: DavStep = LIST;
        let key = format!("{}/", key.trim_end_matches('/'));
        let entries = match self.again(&key, || self.find(STEP, &key, "1")).await? {
            DavAnswer::Nothing => return Ok(Vec::new()),
            DavAnswer::Entries(entries) => entries,
            DavAnswer::Folder => {
                let why = "it sends the folder on to itself";
                return Err(StoreError::new(STEP, PlaceFault::Other, why));
            }
        };
        let mut names = Vec::new();
        for entry in entries {
            let Ok(name) = child_of(&key, &entry.href) else {
                let why = format!("it lists `{}`, which is not in the folder", entry.href);
                return Err(StoreError::new(STEP, PlaceFault::Other, &why));
            };
            if let Some(name) = name {
                names.push(if entry.is_folder {
                    format!("{name}/")
                } else {
                    name
                });
            }
        }
        Ok(names)
    }

    /// Makes the folders of a path below `base`, which is not made itself.
    pub(in crate::place) async fn make_folders(
        &self,
        base: &str,
        path: &str,
    ) -> Result<(), StoreError> {
        const STEP: DavStep = "make a folder";
        let ends = path.match_indices('/').map(|(at, _)| at);
        for end in ends.chain([path.len()]) {
            let key = format!("{base}{}", path.get(..end).unwrap_or(path));
            if self.is_made(&key) {
                continue;
            }
            let mut found = self.look(STEP, &key).await?;
            if found.is_none() {
                let made = self.again(&key, || self.make_folder(STEP, &key)).await;
                // Where somebody else was faster, servers say no in many ways.
                found = self.look(STEP, &key).await?;
                if found.is_none() {
                    made?;
                }
            }
            match found {
                Some(DavFound::Folder) => {}
                Some(DavFound::File(_)) => {
                    let why = "a file has the name of a folder";
                    return Err(StoreError::new(STEP, PlaceFault::Taken, why));
                }
                None => {
                    let why = "the place accepted it, and hasn't got it";
                    return Err(StoreError::new(STEP, PlaceFault::Other, why));
                }
            }
            let mut made = self.made.lock().unwrap_or_else(PoisonError::into_inner);
            made.insert(key);
        }
        Ok(())
    }

    fn is_made(&self, key: &str) -> bool {
        let made = self.made.lock().unwrap_or_else(PoisonError::into_inner);
        made.contains(key)
    }

    /// After trouble nothing is taken to be there any more.
    pub(super) fn forget_folders(&self) {
        let mut made = self.made.lock().unwrap_or_else(PoisonError::into_inner);
        made.clear();
    }

    async fn make_folder(&self, step: DavStep, key: &str) -> Result<(), StoreError> {
        let request = self.request(step, "MKCOL", &format!("{key}/"))?;
        let response = sent(step, request).await?;
        if response.status().is_success() {
            Ok(())
        } else {
            Err(self.fault(step, &response))
        }
    }

    /// Gives a file of ours another name that nothing has: the place is asked to refuse it else
    /// (RFC 4918, 10.6). An answer that got lost may have been a yes, so that is not asked again:
    /// whoever asked looks.
    pub(in crate::place) async fn give_name(&self, from: &str, to: &str) -> Result<(), StoreError> {
        const STEP: DavStep = "give it its name";
        let work = async || {
            let request = self.request(STEP, "MOVE", from)?;
            let request = request
                .header("Destination", self.url(to))
                .header("Overwrite", "F");
            let response = match sent(STEP, request).await {
                Ok(response) => response,
                Err(e) => return Ok(Err(e)),
            };
            match response.status() {
                StatusCode::OK | StatusCode::CREATED | StatusCode::NO_CONTENT => Ok(Ok(())),
                StatusCode::NOT_FOUND => {
                    let why = "the part file is gone; it may have its name already";
                    Ok(Err(StoreError::new(STEP, PlaceFault::Away, why)))
                }
                _ => Err(self.fault(STEP, &response)),
            }
        };
        self.again(from, work).await?
    }

    /// Removes a file of ours.
    pub(in crate::place) async fn remove(&self, key: &str) -> Result<(), StoreError> {
        const STEP: DavStep = "remove its own file";
        let work = async || {
            let response = sent(STEP, self.request(STEP, "DELETE", key)?).await?;
            match response.status() {
                StatusCode::NOT_FOUND | StatusCode::GONE => Ok(()),
                // Of many answers at once (RFC 4918, 9.6.1) each may be a no.
                StatusCode::MULTI_STATUS => Err(self.fault(STEP, &response)),
                status if status.is_success() => Ok(()),
                _ => Err(self.fault(STEP, &response)),
            }
        };
        self.again(key, work).await
    }
}

/// What is tried, in words.
pub(super) type DavStep = &'static str;

/// Makes one call that moves no file.
async fn sent(step: DavStep, request: RequestBuilder) -> Result<Response, StoreError> {
    let sent = request.timeout(CALL_TIME).send().await;
    sent.map_err(|e| broken(step, &e))
}

/// The error of a connection.
pub(super) fn broken(step: DavStep, error: &reqwest::Error) -> StoreError {
    let mut words = Vec::new();
    let mut source = std::error::Error::source(error);
    while let Some(cause) = source {
        let text = cause.to_string();
        if !words.iter().any(|before: &String| before.contains(&text)) {
            words.push(text);
        }
        source = cause.source();
    }
    let words = words.join(": ");
    if error.is_timeout() {
        return StoreError::new(step, PlaceFault::Away, "no answer came in time");
    }
    if words.contains("certificate") {
        let why = format!("this computer doesn't trust the place's certificate ({words})");
        return StoreError::new(step, PlaceFault::Other, &why);
    }
    let words = if words.is_empty() {
        "the connection broke".to_owned()
    } else {
        words
    };
    StoreError::new(step, PlaceFault::Away, &words)
}

/// What a status says (RFC 9110, 15; RFC 4918, 11). The words of an answer are not looked at: some
/// quote what they were sent.
pub(super) fn fault(step: DavStep, response: &Response, has_login: bool) -> StoreError {
    let header = |key| {
        let value = response.headers().get(key);
        value
            .and_then(|value| value.to_str().ok())
            .unwrap_or_default()
    };
    let asks_basic = header(WWW_AUTHENTICATE)
        .to_ascii_lowercase()
        .contains("basic");
    let status = response.status();
    let (kind, why) = match status.as_u16() {
        401 if !has_login => (
            PlaceFault::Denied,
            "it asks for user and password (--secret-command)",
        ),
        401 if asks_basic => (PlaceFault::Denied, "it knows no such user and password"),
        401 => (
            PlaceFault::Denied,
            "it asks for another way to log in than user and password as they are (Basic)",
        ),
        403 => (PlaceFault::Denied, "it doesn't let this be done there"),
        404 | 410 => (PlaceFault::NotFound, "it is not there"),
        409 => (PlaceFault::NotFound, "the folder for it is not there"),
        412 => (PlaceFault::Taken, "something has its name"),
        423 => (PlaceFault::Other, "somebody has it locked there"),
        507 => (PlaceFault::Full, "there is no more room"),
        408 | 429 | 502..=504 => (PlaceFault::Away, "the place is busy or away"),
        405 | 501 => (
            PlaceFault::Other,
            "the place doesn't do this; is it WebDAV?",
        ),
        500 => (
            PlaceFault::Other,
            "the place failed, and its own log says why: it may not write there, say",
        ),
        301..=308 => (PlaceFault::Setup, "it sends this on to another address"),
        _ => (PlaceFault::Other, "the place says no"),
    };
    let reason = status.canonical_reason().unwrap_or("no name");
    let why = match header(LOCATION) {
        to if kind == PlaceFault::Setup && !to.is_empty() => format!("{why}, `{to}`"),
        _ => why.to_owned(),
    };
    StoreError::new(step, kind, &format!("{why} ({} {reason})", status.as_u16()))
}

/// Whether an answer sends a name on to itself with a slash.
fn is_slash_missing(response: &Response) -> bool {
    let to = response.headers().get(LOCATION);
    let to = to.and_then(|to| to.to_str().ok());
    let to = to.and_then(|to| response.url().join(to).ok());
    to.is_some_and(|to| to.path().strip_suffix('/') == Some(response.url().path()))
}

/// A path as it goes into an address: all but what RFC 3986, 2.3 reserves for nothing is encoded.
fn encoded(path: &str) -> String {
    let mut text = String::with_capacity(path.len());
    for byte in path.bytes() {
        match byte {
            b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' | b'/' => {
                text.push(char::from(byte));
            }
            _ => text.push_str(&format!("%{byte:02X}")),
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 3986, 2.1 and 2.3.
    #[test]
    fn a_path_is_encoded_whole() {
        assert_eq!(
            encoded("A b/ü#?%2F\n&~.JPG"),
            "A%20b/%C3%BC%23%3F%252F%0A%26~.JPG"
        );
    }
}
