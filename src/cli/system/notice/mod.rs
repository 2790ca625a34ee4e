//! Owns desktop notices with a sound. A thread of its own hands them to the system's own service,
//! so that nothing that the service does can hold up a copy or change how it ends.

mod service;

use crossbeam_channel::{Receiver, RecvTimeoutError, Sender, bounded};
use service::Service;
pub(crate) use service::{NoNotice, Notice, NoticeKind};
use std::sync::OnceLock;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

/// Notices that may wait; a service that is so far behind shows no more of them.
const NOTICES_WAITING: usize = 32;
/// How long the last notice is waited for at the very end.
const PATIENCE: Duration = Duration::from_secs(2);
/// How often it is looked, meanwhile, whether the person wants to stop.
const TICK: Duration = Duration::from_millis(50);

/// The way to the desktop; a program has one at most.
static WAY: OnceLock<Way> = OnceLock::new();

struct Way {
    /// `None` is the end.
    notices: Sender<Option<Notice>>,
    /// Closed when the thread has ended.
    ended: Receiver<()>,
    has_told: AtomicBool,
    /// An answer was sent, or a refusal.
    has_answer: AtomicBool,
    tell: Box<dyn Fn(&NoNotice) + Send + Sync>,
}

impl Way {
    fn tell_once(&self, why: &NoNotice) {
        if !self.has_told.swap(true, Ordering::SeqCst) {
            (self.tell)(why);
        }
    }
}

/// Begins. `tell` is called once at most, from any thread, when none can be shown.
pub(crate) fn begin(tell: impl Fn(&NoNotice) + Send + Sync + 'static) {
    let (notices, waiting) = bounded(NOTICES_WAITING);
    let (end, ended) = bounded(0);
    let way = WAY.get_or_init(|| Way {
        notices,
        ended,
        has_told: AtomicBool::new(false),
        has_answer: AtomicBool::new(false),
        tell: Box::new(tell),
    });
    let run = move || {
        let _until_here: Sender<()> = end;
        deliver(&waiting, |why| way.tell_once(&why));
    };
    let thread = std::thread::Builder::new().name("notices".into());
    if let Err(cause) = thread.spawn(run) {
        way.tell_once(&NoNotice::Refused(Box::new(cause)));
    }
}

/// Sends one where notices are wanted, without waiting for anything.
pub(crate) fn send(notice: Notice) {
    if let Some(way) = WAY.get() {
        if notice.kind != NoticeKind::Trouble {
            way.has_answer.store(true, Ordering::SeqCst);
        }
        // What finds no room, or nobody, is not shown; why is told elsewhere.
        drop(way.notices.try_send(Some(notice)));
    }
}

/// Waits until all are shown, but no longer than a moment; hardly at all where the person wants to
/// stop. `otherwise` is sent where no answer was.
pub(crate) fn end(otherwise: Option<Notice>, stop: &AtomicBool) {
    let Some(way) = WAY.get() else { return };
    if let Some(notice) = otherwise.filter(|_| !way.has_answer.load(Ordering::SeqCst)) {
        send(notice);
    }
    // Where there is no room the service is stuck, and is not waited for.
    if way.notices.try_send(None).is_ok() || way.notices.is_empty() {
        let ticks = PATIENCE.as_millis() / TICK.as_millis();
        for _ in 0..ticks {
            match way.ended.recv_timeout(TICK) {
                Err(RecvTimeoutError::Timeout) if stop.load(Ordering::SeqCst) => break,
                Err(RecvTimeoutError::Timeout) => {}
                Ok(()) | Err(RecvTimeoutError::Disconnected) => return,
            }
        }
    }
    way.tell_once(&NoNotice::Silent);
}

/// Shows what comes until the end. Where the service is not there it is looked for again with the
/// next notice: a watch may have begun before the desktop did.
fn deliver(waiting: &Receiver<Option<Notice>>, tell: impl Fn(NoNotice)) {
    let mut service = Service::connect().map_err(&tell).ok();
    for notice in waiting.iter().map_while(|notice| notice) {
        let found = service.take().map_or_else(Service::connect, Ok);
        let shown = found.and_then(|found| found.show(&notice).map(|()| found));
        service = shown.map_err(&tell).ok();
    }
}
