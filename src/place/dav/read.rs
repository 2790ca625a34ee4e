//! Owns a file on its way back from a place by `WebDAV`: where the connection breaks it goes on
//! from there.

use super::client::{Dav, DavStep, broken};
use crate::place::error::{PlaceFault, StoreError};
use crate::place::limits::{CALL_TIME, PART_TIME, TRIES, TRY_AFTER};
use crate::units::{len_usize, len64};
use reqwest::header::{ACCEPT_ENCODING, CACHE_CONTROL, CONTENT_ENCODING, CONTENT_RANGE, RANGE};
use reqwest::{Response, StatusCode};
use tokio::time::timeout;

const STEP: DavStep = "read it back";
/// After so many bytes a connection may break as often again.
const PROGRESS: u64 = 64 << 20;

/// A file that is read.
pub(in crate::place) struct DavRead<'a> {
    dav: &'a Dav,
    key: &'a str,
    from: Option<Response>,
    /// Bytes that come once more.
    skip: u64,
    done: u64,
    tries: usize,
    /// How much had come when the tries were counted from.
    since: u64,
}

impl<'a> DavRead<'a> {
    pub(in crate::place) fn new(dav: &'a Dav, key: &'a str) -> Self {
        Self {
            dav,
            key,
            from: None,
            skip: 0,
            done: 0,
            tries: 0,
            since: 0,
        }
    }

    /// Returns the next bytes; `None` at the end, wherever that is.
    pub(in crate::place) async fn next(&mut self) -> Result<Option<Vec<u8>>, StoreError> {
        loop {
            let Some(from) = &mut self.from else {
                let (dav, key, done) = (self.dav, self.key, self.done);
                let (from, skip) = dav.again(key, || dav.get(key, done)).await?;
                (self.from, self.skip) = (Some(from), skip);
                continue;
            };
            let why = match timeout(PART_TIME, from.chunk()).await {
                Ok(Ok(Some(piece))) => {
                    let skipped = self.skip.min(len64(piece.len()));
                    self.skip -= skipped;
                    let piece = piece.get(len_usize(skipped)..).unwrap_or_default();
                    if piece.is_empty() {
                        continue;
                    }
                    self.done = self.done.saturating_add(len64(piece.len()));
                    return Ok(Some(piece.to_vec()));
                }
                Ok(Ok(None)) => return Ok(None),
                Ok(Err(e)) => broken(STEP, &e),
                Err(_too_late) => StoreError::new(STEP, PlaceFault::Away, "nothing came for long"),
            };
            self.from = None;
            if self.done - self.since >= PROGRESS {
                (self.since, self.tries) = (self.done, 0);
            }
            self.tries += 1;
            if self.tries > TRIES {
                return Err(why);
            }
            self.dav.pause(self.key, TRY_AFTER.0).await;
        }
    }
}

impl Dav {
    /// Asks for a file from a byte on. Returns the answer, and how much of it comes before that.
    async fn get(&self, key: &str, from: u64) -> Result<(Response, u64), StoreError> {
        let mut request = self.request(STEP, "GET", key)?;
        // What a cache on the way has is not what the place has (RFC 9111, 5.2.1.4).
        request = request
            .header(ACCEPT_ENCODING, "identity")
            .header(CACHE_CONTROL, "no-cache");
        if from > 0 {
            request = request.header(RANGE, format!("bytes={from}-"));
        }
        let Ok(response) = timeout(CALL_TIME, request.send()).await else {
            return Err(StoreError::new(
                STEP,
                PlaceFault::Away,
                "no answer came in time",
            ));
        };
        let response = response.map_err(|e| broken(STEP, &e))?;
        let header = |key| response.headers().get(key).and_then(|v| v.to_str().ok());
        if header(CONTENT_ENCODING).is_some_and(|how| how != "identity") {
            let why = "the place packs what it was not asked to pack";
            return Err(StoreError::new(STEP, PlaceFault::Other, why));
        }
        let begins = format!("bytes {from}-");
        let is_rest = header(CONTENT_RANGE).is_some_and(|range| range.starts_with(&begins));
        match response.status() {
            StatusCode::OK => Ok((response, from)),
            StatusCode::PARTIAL_CONTENT if from > 0 && is_rest => Ok((response, 0)),
            status if status.is_success() => {
                let why = "the place gives another part than it was asked for";
                Err(StoreError::new(STEP, PlaceFault::Other, why))
            }
            _ => Err(self.fault(STEP, &response)),
        }
    }
}
