//! Owns the server: what is served where, and its limits. It has threads of its own; whatever a
//! browser does, nothing else waits for it.

use super::assets;
use super::guard::guard;
use super::pages;
use super::state::{Desk, DeskError};
use axum::extract::{DefaultBodyLimit, State};
use axum::http::StatusCode;
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse as _, Response};
use axum::routing::get;
use axum::{Router, middleware};
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use std::convert::Infallible;
use std::net::TcpListener;
use std::pin::pin;
use std::sync::Arc;
use std::time::Duration;
use tokio::net::TcpStream;
use tokio::sync::Semaphore;
use tokio_io_timeout::TimeoutStream;
use tokio_stream::StreamExt as _;
use tokio_stream::wrappers::WatchStream;

/// Threads that serve; a page asks for little.
const THREADS: usize = 2;
/// Requests that may be at a drive at the same time: one that doesn't answer holds up no other.
const BLOCKING_MAX: usize = 32;
/// Connections at the same time; one more is closed at once.
const CONNECTIONS_MAX: usize = 128;
/// Pages that are told of changes at the same time.
const LISTENERS_MAX: usize = 64;
/// Bytes of a change: the names of some folders.
const BODY_MAX: usize = 64 << 10;
/// Bytes of a request's head, and headers in it.
const HEAD_MAX: usize = 16 << 10;
const HEADERS_MAX: usize = 64;
/// How long the head of a request may take.
const HEAD_TIME: Duration = if cfg!(test) {
    SHORT
} else {
    Duration::from_secs(10)
};
/// A page that took nothing for so long has stopped reading, and is dropped.
const WRITE_TIME: Duration = if cfg!(test) {
    SHORT
} else {
    Duration::from_secs(20)
};
/// What tests wait for instead.
const SHORT: Duration = Duration::from_millis(300);
/// How often a page is told that nothing is new.
const ALIVE_EVERY: Duration = Duration::from_secs(15);

/// Starts serving.
///
/// # Errors
/// The system gives no threads, or not this socket.
pub(super) fn start(listener: TcpListener, desk: &Arc<Desk>) -> Result<(), DeskError> {
    listener.set_nonblocking(true).map_err(DeskError::Server)?;
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(THREADS)
        .max_blocking_threads(BLOCKING_MAX)
        .thread_name("desk")
        .enable_all()
        .build()
        .map_err(DeskError::Server)?;
    let listener = {
        let _inside = runtime.enter();
        tokio::net::TcpListener::from_std(listener).map_err(DeskError::Server)?
    };
    let app = router(desk);
    drop(runtime.spawn(accept(listener, app)));
    desk.keep_running(runtime);
    Ok(())
}

fn router(desk: &Arc<Desk>) -> Router {
    Router::new()
        .route("/events", get(events))
        .merge(assets::routes())
        .merge(pages::routes())
        .layer(DefaultBodyLimit::max(BODY_MAX))
        .layer(middleware::from_fn_with_state(Arc::clone(desk), guard))
        .with_state(Arc::clone(desk))
}

async fn accept(listener: tokio::net::TcpListener, app: Router) {
    let room = Arc::new(Semaphore::new(CONNECTIONS_MAX));
    loop {
        let Ok((stream, _)) = listener.accept().await else {
            // Too many open files, say: others end meanwhile.
            tokio::time::sleep(Duration::from_millis(50)).await;
            continue;
        };
        if let Ok(place) = Arc::clone(&room).try_acquire_owned() {
            let app = app.clone();
            drop(tokio::spawn(async move {
                connection(stream, app).await;
                drop(place);
            }));
        }
    }
}

async fn connection(stream: TcpStream, app: Router) {
    let mut stream = TimeoutStream::new(stream);
    stream.set_write_timeout(Some(WRITE_TIME));
    let served = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEAD_TIME)
        .max_buf_size(HEAD_MAX)
        .max_headers(HEADERS_MAX)
        .serve_connection(
            TokioIo::new(Box::pin(stream)),
            TowerToHyperService::new(app),
        );
    // A page that went away is no trouble.
    if pin!(served).await.is_err() {}
}

/// Tells a page of every change. It gets the latest state only, however slowly it reads.
async fn events(State(desk): State<Arc<Desk>>) -> Response {
    let frames = desk.frames.subscribe();
    if desk.frames.receiver_count() > LISTENERS_MAX {
        return StatusCode::SERVICE_UNAVAILABLE.into_response();
    }
    desk.poke();
    let told = WatchStream::new(frames);
    let told = told.map(|frame| Ok::<_, Infallible>(Event::default().data(&*frame)));
    let alive = KeepAlive::new().interval(ALIVE_EVERY);
    Sse::new(told).keep_alive(alive).into_response()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::{Read as _, Write as _};

    /// How long a connection lives of which the other end does this and nothing more.
    fn ends(ask: &str, then: impl FnOnce(&mut std::net::TcpStream)) -> bool {
        let app = Router::new().route("/", get(async || "kite ".repeat(10 << 20)));
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .unwrap();
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let mut client = std::net::TcpStream::connect(listener.local_addr().unwrap()).unwrap();
        client.write_all(ask.as_bytes()).unwrap();
        let (stream, _) = listener.accept().unwrap();
        stream.set_nonblocking(true).unwrap();
        then(&mut client);
        runtime.block_on(async {
            let stream = TcpStream::from_std(stream).unwrap();
            let served = connection(stream, app);
            tokio::time::timeout(20 * SHORT, served).await.is_ok()
        })
    }

    #[test]
    fn who_stops_reading_or_asking_is_dropped() {
        assert!(ends("GET / HTTP/1.1\r\nHost: kites\r\n\r\n", |_| {}));
        assert!(ends("GET / HTTP/1.1\r\nHost:", |_| {}));
        // And who reads gets all of it.
        let (done, whole) = crossbeam_channel::bounded(1);
        let ask = "GET / HTTP/1.1\r\nHost: kites\r\nConnection: close\r\n\r\n";
        assert!(ends(ask, |client| {
            let mut client = client.try_clone().unwrap();
            std::thread::spawn(move || {
                let mut bytes = Vec::new();
                client.read_to_end(&mut bytes).unwrap();
                done.send(bytes.len()).unwrap();
            });
        }));
        assert!(whole.recv().unwrap() > 50 << 20);
    }
}
