//! Owns a file on its way to a place by `WebDAV`: its bytes go over in pieces as they are read, and
//! no more than a few wait.

use super::client::{Dav, DavStep, broken, fault};
use crate::place::error::{PlaceFault, StoreError};
use crate::place::limits::PART_TIME;
use reqwest::header::CONTENT_LENGTH;
use reqwest::{Body, Response};
use std::io;
use tokio::runtime::Runtime;
use tokio::sync::mpsc;
use tokio::task::JoinHandle;
use tokio::time::timeout;
use tokio_stream::wrappers::ReceiverStream;

/// Pieces that wait to go.
const PIECES: usize = 2;

/// A file on its way, which gets no name but that of a part file.
pub(in crate::place) struct DavPut {
    pieces: Option<mpsc::Sender<io::Result<Vec<u8>>>>,
    answer: Option<JoinHandle<reqwest::Result<Response>>>,
    has_login: bool,
}

impl Dav {
    /// Begins to send a file of so many bytes, over what has its name: that is of ours.
    pub(in crate::place) fn put(
        &self,
        runtime: &Runtime,
        key: &str,
        bytes: u64,
    ) -> Result<DavPut, StoreError> {
        let (tell, told) = mpsc::channel(PIECES);
        let request = self.request("begin to send it", "PUT", key)?;
        // With its length said, a file that is cut short is none for the server.
        let request = request
            .header(CONTENT_LENGTH, bytes)
            .body(Body::wrap_stream(ReceiverStream::new(told)));
        Ok(DavPut {
            pieces: Some(tell),
            answer: Some(runtime.spawn(request.send())),
            has_login: self.login.is_some(),
        })
    }

    /// Takes nothing for granted any more after a file that did not get there.
    pub(in crate::place) fn lost_one(&self) {
        self.forget_folders();
    }
}

impl DavPut {
    /// Sends the next bytes.
    pub(in crate::place) async fn write(&mut self, piece: &[u8]) -> Result<(), StoreError> {
        const STEP: DavStep = "send it";
        let is_over = self.answer.as_ref().is_none_or(JoinHandle::is_finished);
        let Some(pieces) = self.pieces.as_ref().filter(|_| !is_over) else {
            return Err(self.early(STEP).await);
        };
        match timeout(PART_TIME, pieces.send(Ok(piece.to_vec()))).await {
            Ok(Ok(())) => Ok(()),
            Ok(Err(_nobody_listens)) => Err(self.early(STEP).await),
            Err(_too_late) => Err(slow(STEP)),
        }
    }

    /// Why it ended before all was sent.
    async fn early(&mut self, step: DavStep) -> StoreError {
        let early = "the place said yes before it had all of it";
        let why = StoreError::new(step, PlaceFault::Other, early);
        self.answered(step).await.err().unwrap_or(why)
    }

    /// Waits for the answer when all was sent.
    pub(in crate::place) async fn finish(&mut self) -> Result<(), StoreError> {
        drop(self.pieces.take());
        self.answered("end sending it").await
    }

    async fn answered(&mut self, step: DavStep) -> Result<(), StoreError> {
        let Some(mut answer) = self.answer.take() else {
            return Err(StoreError::interrupted(step));
        };
        let Ok(ended) = timeout(PART_TIME, &mut answer).await else {
            answer.abort();
            return Err(slow(step));
        };
        let ended = ended.map_err(|e| StoreError::new(step, PlaceFault::Other, &e.to_string()))?;
        let response = ended.map_err(|e| broken(step, &e))?;
        // 201 and 204 (RFC 9110, 9.3.4); 200 says some, and 202 would be a promise.
        match response.status().as_u16() {
            200 | 201 | 204 => Ok(()),
            _ => Err(fault(step, &response, self.has_login)),
        }
    }
}

impl Drop for DavPut {
    fn drop(&mut self) {
        // The answer first: without it an end that is too early ends the connection.
        if let Some(answer) = self.answer.take() {
            answer.abort();
        }
    }
}

fn slow(step: DavStep) -> StoreError {
    StoreError::new(step, PlaceFault::Away, "the place took nothing for long")
}
