//! Owns what a watch sends to places by itself, one offload after the other in a thread of its own:
//! which is next, from which of its copies, and when it is tried again. It begins none while a card
//! is copied.

use super::log::WatchLog;
use super::owed::{Owed, OwedCopy, OwedList};
use super::status::ToSend;
use crate::cli::args::meant::quoted;
#[cfg(not(feature = "offsite"))]
use crate::cli::command::no_send as send;
#[cfg(feature = "offsite")]
use crate::cli::command::send;
use crate::cli::command::shared::after::Attempt;
use crate::cli::exit::Exit;
use crate::cli::home::kit_file;
use crate::cli::home::usual::usual_place;
use crate::cli::view::json::Json;
use crate::cli::view::out::Out;
use crate::cli::view::text::all_of;
use camino::{Utf8Path, Utf8PathBuf};
use serde_json::{Value, json};
use std::io;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::Scope;
use std::time::Duration;
use unlade::clock::Clock;
use unlade::kit::Kit;
use unlade::kit::usual::UsualDrive;
use unlade::name::shown;
use unlade::record::load::load;
use unlade::run::Tools;

/// How often it is looked whether something can be sent.
const LOOK_EVERY: Duration = Duration::from_millis(200);
/// How long it is until a drive is looked for again.
const DRIVE_EVERY: Duration = Duration::from_secs(3);
/// The first pause after a place did not take something; each is twice the one before.
const PAUSE: Duration = Duration::from_secs(5);
/// The longest.
const PAUSE_MAX: Duration = Duration::from_secs(600);

/// An offload in the queue.
#[derive(Debug)]
struct Queued {
    /// Which it is: copied again while it is sent, an offload is another one.
    id: u64,
    owed: Owed,
    /// Its copy has ended, and is proven; else that is to be found out.
    is_proven: bool,
    due: Duration,
    pause: Duration,
    why: Option<String>,
    bytes: Option<(u64, u64)>,
    /// Copies that were tried and can't be sent.
    bad: Vec<OwedCopy>,
    /// This watch copied it.
    is_new: bool,
}

#[derive(Debug)]
struct SendQueue {
    list: OwedList,
    queue: Vec<Queued>,
    last_id: u64,
    /// The ends so far, of what this watch copied.
    ends: Vec<Exit>,
}

/// What a watch sends.
#[derive(Debug)]
pub(super) struct ToPlaces {
    home: Utf8PathBuf,
    inner: Mutex<SendQueue>,
    /// A card is being copied, or is about to be.
    comes_second: Arc<AtomicBool>,
    is_over: AtomicBool,
}

impl Queued {
    fn new(id: u64, owed: Owed, is_proven: bool) -> Self {
        Self {
            id,
            owed,
            is_proven,
            due: Duration::ZERO,
            pause: PAUSE,
            why: None,
            bytes: None,
            bad: Vec::new(),
            is_new: false,
        }
    }
}

impl ToPlaces {
    /// Takes in what an earlier watch left.
    ///
    /// # Errors
    /// Why that can't be read.
    pub(super) fn read(home: &Utf8Path, tools: &Tools) -> io::Result<Self> {
        let list = OwedList::read(home, Arc::clone(&tools.clock))?;
        let queue = (1..).zip(list.all().iter().cloned());
        let queue = queue.map(|(id, (owed, is_proven))| Queued::new(id, owed, is_proven));
        let queue: Vec<Queued> = queue.collect();
        Ok(Self {
            home: home.to_owned(),
            inner: Mutex::new(SendQueue {
                last_id: queue.last().map_or(0, |queued| queued.id),
                queue,
                list,
                ends: Vec::new(),
            }),
            comes_second: Arc::default(),
            is_over: AtomicBool::new(false),
        })
    }

    fn with<T>(&self, work: impl FnOnce(&mut SendQueue) -> T) -> T {
        work(&mut self.inner.lock().unwrap_or_else(PoisonError::into_inner))
    }

    /// Takes in whether a card is being copied, which comes first.
    pub(super) fn give_way(&self, is_copying: bool) {
        self.comes_second.store(is_copying, Ordering::Relaxed);
    }

    /// Lets the thread end.
    pub(super) fn end(&self) {
        self.is_over.store(true, Ordering::Relaxed);
    }

    /// Keeps that a copy begins that is to be sent if it is proven.
    ///
    /// # Errors
    /// Why that can't be written down.
    pub(super) fn begin_copy(&self, owed: Owed) -> io::Result<()> {
        self.with(|inner| {
            inner.queue.retain(|queued| !queued.owed.is_same(&owed));
            inner.list.begin(owed)
        })
    }

    /// Takes in how its copy ended.
    ///
    /// # Errors
    /// Why that can't be written down.
    pub(super) fn end_copy(&self, owed: Owed, is_proven: bool) -> io::Result<()> {
        self.with(|inner| {
            if !is_proven {
                return inner.list.end(&owed);
            }
            // It is sent, whether that is remembered or not.
            inner.last_id += 1;
            inner.queue.push(Queued {
                is_new: true,
                ..Queued::new(inner.last_id, owed.clone(), true)
            });
            inner.list.prove(owed)
        })
    }

    /// Returns what is to be sent yet.
    pub(super) fn all(&self) -> Vec<ToSend> {
        let of = |queued: &Queued| ToSend {
            card: queued.owed.card.clone(),
            offload: queued.owed.offload.clone(),
            place: queued.owed.place.clone(),
            bytes: queued.bytes,
            why: queued.why.clone(),
        };
        self.with(|inner| inner.queue.iter().filter(|q| q.is_proven).map(of).collect())
    }

    /// Whether everything was tried once, or nothing will be any more.
    pub(super) fn is_idle(&self) -> bool {
        self.is_over.load(Ordering::Relaxed)
            || self.with(|inner| {
                let is_tried = |queued: &Queued| queued.why.is_some() && queued.bytes.is_none();
                inner.queue.iter().all(is_tried)
            })
    }

    /// Returns how sending ended, of each that this watch copied.
    pub(super) fn ends(&self) -> Vec<Exit> {
        self.with(|inner| {
            let open = inner.queue.iter().filter(|queued| queued.is_new);
            let open = open.map(|_| Exit::NotProven);
            inner.ends.iter().copied().chain(open).collect()
        })
    }
}

/// The thread that sends.
#[derive(Clone, Copy)]
pub(super) struct SendThread<'a> {
    pub(super) sending: &'a ToPlaces,
    pub(super) log: &'a WatchLog,
    pub(super) out: Out,
    pub(super) tools: &'a Tools,
}

impl<'a> SendThread<'a> {
    /// Begins it, and says what an earlier watch left.
    pub(super) fn begin<'s>(self, scope: &'s Scope<'s, '_>)
    where
        'a: 's,
    {
        for owed in self.sending.all() {
            let (offload, place) = (shown(&owed.offload), shown(&owed.place));
            let text = format!("{offload} is to be sent to {place} yet, from an earlier watch.");
            let about = json!({"offload": owed.offload, "place": owed.place});
            self.log.tell("send-later", Some(&owed.card), &text, about);
        }
        let thread = std::thread::Builder::new().name("watch-send".into());
        if let Err(e) = thread.spawn_scoped(scope, move || self.run()) {
            let text = format!("nothing can be sent: {e}.");
            self.log.tell("broken", None, &text, Value::Null);
            self.sending.end();
        }
    }

    /// Sends until the watch ends.
    fn run(&self) {
        let is_over = || {
            self.sending.is_over.load(Ordering::Relaxed)
                || self.tools.cancel.load(Ordering::Relaxed)
        };
        while !is_over() {
            let now = self.tools.clock.elapsed();
            let next = self.sending.with(|inner| {
                let is_due = |queued: &&Queued| queued.due <= now;
                let first = inner.queue.iter().find(is_due);
                first.map(|queued| (queued.id, queued.owed.clone(), queued.is_proven))
            });
            let comes_second = self.sending.comes_second.load(Ordering::Relaxed);
            let Some((id, owed, is_proven)) = next.filter(|_| !comes_second) else {
                self.tools.clock.sleep(LOOK_EVERY);
                continue;
            };
            let work = AssertUnwindSafe(|| self.try_one(id, &owed, is_proven));
            let attempt = catch_unwind(work).unwrap_or_else(|_| {
                Attempt::Later("sending broke down; this is a fault of unlade.".to_owned())
            });
            self.take(id, &owed, attempt);
        }
    }

    /// Sends an offload from the first of its copies that can be.
    fn try_one(&self, id: u64, owed: &Owed, mut is_proven: bool) -> Attempt {
        let kit = match kit_file::read(&self.sending.home) {
            Ok(kit) => kit,
            Err(e) => return Attempt::Later(e.lines().join(" ")),
        };
        let disk = self.tools.disk.as_ref();
        let bad = self.with(id, |queued| queued.bad.clone());
        let mut last = None;
        let mut away = Vec::new();
        for copy in &owed.copies {
            let is_bad = bad.as_ref().is_some_and(|bad| bad.contains(copy));
            let root = match found(copy, &kit, self.tools) {
                FoundCopy::Away => {
                    away.push(copy.called());
                    continue;
                }
                FoundCopy::Gone if is_proven && !is_bad => {
                    last = Some(self.tell_bad((id, owed), copy, "it is not there any more."));
                    continue;
                }
                FoundCopy::At(root) if !is_bad => root,
                _ => continue,
            };
            if !is_proven {
                // Its watch was ended with its copy: what the records say counts.
                is_proven = load(disk, &root).is_ok_and(|(manifest, _)| manifest.verdict.proven);
                if !is_proven {
                    return Attempt::Never(String::new());
                }
                self.with(id, |queued| queued.is_proven = true);
            }
            let attempt = self.try_copy((id, owed), copy, &root);
            let Attempt::Copy(why) = attempt else {
                return attempt;
            };
            if matches!(found(copy, &kit, self.tools), FoundCopy::Away) {
                away.push(copy.called());
                continue;
            }
            last = Some(self.tell_bad((id, owed), copy, &why));
        }
        match (away.as_slice(), last) {
            ([], _) if !is_proven => Attempt::Never(String::new()),
            ([], why) => Attempt::Never(why.unwrap_or_else(|| "no copy of it can be sent.".into())),
            (away, _) => {
                let away = all_of(away);
                Attempt::Copy(format!("it is on {away}, and no such drive is plugged in."))
            }
        }
    }

    /// Says why a copy can't be sent, once.
    fn tell_bad(&self, (id, owed): (u64, &Owed), copy: &OwedCopy, why: &str) -> String {
        self.with(id, |queued| queued.bad.push(copy.clone()));
        let (offload, from) = (shown(&owed.offload), copy.called());
        let text = format!("{offload} is not sent from {from}: {why}");
        self.tell("send-failed", owed, &text);
        why.to_owned()
    }

    fn try_copy(&self, (id, owed): (u64, &Owed), copy: &OwedCopy, root: &Utf8Path) -> Attempt {
        self.with(id, |queued| queued.bytes = Some((0, 0)));
        if self.with(id, |queued| queued.why.is_none()) == Some(true) {
            let (offload, from) = (shown(&owed.offload), copy.called());
            let text = format!("sending {offload} to {}, from {from}.", shown(&owed.place));
            self.tell("sending", owed, &text);
        }
        let attempt = send::by_watch::send(
            root,
            &owed.place,
            &self.sending.home,
            &self.sending.comes_second,
            |progress| {
                let bytes = progress.bytes.load(Ordering::Relaxed);
                let all = progress.bytes_total.load(Ordering::Relaxed);
                self.with(id, |queued| queued.bytes = Some((bytes, all)));
            },
            (self.out, self.tools),
        );
        self.with(id, |queued| queued.bytes = None);
        attempt
    }

    /// Takes in what came of a try.
    fn take(&self, id: u64, owed: &Owed, attempt: Attempt) {
        let (exit, said) = match attempt {
            Attempt::Interrupted => {
                self.sending
                    .with(|inner| inner.ends.push(Exit::Interrupted));
                return;
            }
            Attempt::Later(why) => return self.put_off((id, owed), &why, None),
            Attempt::Copy(why) => return self.put_off((id, owed), &why, Some(DRIVE_EVERY)),
            // A copy that was not proven is told of by its own answer.
            Attempt::Never(why) if why.is_empty() => (None, None),
            Attempt::Never(why) => (Some(Exit::NotProven), Some(why)),
            Attempt::Sent(lines) => {
                for line in lines.iter().map(|line| line.trim()) {
                    if !line.is_empty() && !self.out.json {
                        self.log.line(Some(&owed.card), line);
                    }
                }
                (Some(Exit::Done), None)
            }
        };
        if let Some(why) = said {
            self.tell_never(owed, &why);
        }
        let ended = self.sending.with(|inner| {
            let at = inner.queue.iter().position(|queued| queued.id == id);
            let Some(at) = at else {
                // It was copied again meanwhile: what has come to it is owed yet.
                return Ok(());
            };
            let is_new = inner.queue.remove(at).is_new;
            inner.ends.extend(exit.filter(|_| is_new));
            inner.list.end(owed)
        });
        if let Err(e) = ended {
            let text = format!(
                "that {} is done with can't be written down ({e}); it is tried again when the \
                 watch is begun again.",
                shown(&owed.offload)
            );
            self.tell("send-failed", owed, &text);
        }
    }

    /// Puts it off, and tells why, where that was not told last.
    fn put_off(&self, (id, owed): (u64, &Owed), why: &str, pause: Option<Duration>) {
        let now = self.tools.clock.elapsed();
        let is_new = self.with(id, |queued| {
            queued.due = now + pause.unwrap_or(queued.pause);
            queued.bytes = None;
            if pause.is_none() {
                queued.pause = (queued.pause * 2).min(PAUSE_MAX);
            }
            let before = queued.why.replace(why.to_owned());
            // Of what may not be proven nobody waits to hear.
            queued.is_proven && before.as_deref() != Some(why)
        });
        if is_new == Some(true) {
            let (offload, place) = (shown(&owed.offload), shown(&owed.place));
            let text =
                format!("{offload} is not sent to {place} yet: {why} It is tried again by itself.");
            self.tell("send-later", owed, &text);
        }
    }

    fn with<T>(&self, id: u64, work: impl FnOnce(&mut Queued) -> T) -> Option<T> {
        self.sending.with(|inner| {
            let found = inner.queue.iter_mut().find(|queued| queued.id == id);
            found.map(work)
        })
    }

    fn tell(&self, what: &str, owed: &Owed, text: &str) {
        let about = json!({"offload": owed.offload, "place": owed.place});
        self.log.tell(what, Some(&owed.card), text, about);
    }

    fn tell_never(&self, owed: &Owed, why: &str) {
        tell_not_sent(
            self.log,
            self.out,
            &self.tools.clock,
            (&owed.card, &owed.place),
            why,
        );
        let copy = owed.copies.first().filter(|_| !self.out.json);
        if let Some(copy) = copy {
            let root = quoted(&copy.to.join(&copy.below));
            let place = quoted(Utf8Path::new(&owed.place));
            let text = format!("To try it again: unlade send {root} --to {place}");
            self.log.line(Some(&owed.card), &text);
        }
    }
}

/// Says that something is not sent, and why.
pub(super) fn tell_not_sent(
    log: &WatchLog,
    out: Out,
    clock: &Arc<dyn Clock>,
    (card, place): (&str, &str),
    why: &str,
) {
    if out.json {
        let body = json!({"card": card, "place": place, "why": why});
        return Json::new(out, Arc::clone(clock)).send("not-sent", body);
    }
    log.line(Some(card), &format!("not sent to {}: {why}", shown(place)));
}

impl OwedCopy {
    fn called(&self) -> String {
        let to = self.drive.as_deref().unwrap_or(self.to.as_str());
        shown(to)
    }
}

/// Where a copy is now.
enum FoundCopy {
    At(Utf8PathBuf),
    /// Its drive is not plugged in.
    Away,
    /// Its drive has no such folder.
    Gone,
}

fn found(copy: &OwedCopy, kit: &Kit, tools: &Tools) -> FoundCopy {
    let drive = match &copy.drive {
        None => UsualDrive::Folder(copy.to.clone()),
        Some(name) => UsualDrive::Kit(name.clone()),
    };
    let disk = tools.disk.as_ref();
    let Ok(to) = usual_place(&drive, kit, disk) else {
        return FoundCopy::Away;
    };
    let root = to.join(&copy.below);
    match disk.look(&root) {
        Ok(Some(_)) => FoundCopy::At(root),
        Ok(None) => FoundCopy::Gone,
        Err(_) => FoundCopy::Away,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use unlade::clock::SystemClock;
    use unlade::disk::os::OsDisk;
    use unlade::offload::limits::Limits;

    fn tools() -> Tools {
        Tools {
            disk: Arc::new(OsDisk::new()),
            clock: Arc::new(SystemClock::start()),
            limits: Limits::STANDARD,
            cancel: Arc::default(),
            host: String::new(),
        }
    }

    fn owed_in(home: &Utf8Path) -> Owed {
        Owed {
            card: "KITES".to_owned(),
            offload: "20261125-KITES".to_owned(),
            place: "studio".to_owned(),
            copies: vec![OwedCopy {
                drive: None,
                to: home.join("away"),
                below: "20261125-KITES".into(),
            }],
        }
    }

    /// What came to an offload while it was being sent is owed yet, also after a restart.
    #[test]
    fn an_offload_that_is_copied_again_while_it_is_sent_is_owed_again() {
        let folder = tempfile::tempdir().unwrap();
        let home = Utf8Path::from_path(folder.path()).unwrap();
        let (tools, owed) = (tools(), owed_in(home));
        let sending = ToPlaces::read(home, &tools).unwrap();
        let log = WatchLog::new(Out::for_programs(), Arc::clone(&tools.clock));
        let thread = SendThread {
            sending: &sending,
            log: &log,
            out: Out::for_programs(),
            tools: &tools,
        };
        for _ in 0..2 {
            sending.begin_copy(owed.clone()).unwrap();
            sending.end_copy(owed.clone(), true).unwrap();
        }
        // The first of both ends now.
        thread.take(1, &owed, Attempt::Sent(Vec::new()));
        assert_eq!(sending.all().len(), 1);
        assert_eq!(ToPlaces::read(home, &tools).unwrap().all().len(), 1);
        thread.take(2, &owed, Attempt::Sent(Vec::new()));
        assert!(sending.all().is_empty() && sending.is_idle());
        assert!(ToPlaces::read(home, &tools).unwrap().all().is_empty());
    }

    /// A copy comes first, and what is owed by then is tried once it has ended.
    #[test]
    fn nothing_is_begun_while_a_card_is_copied() {
        let folder = tempfile::tempdir().unwrap();
        let home = Utf8Path::from_path(folder.path()).unwrap();
        let (tools, owed) = (tools(), owed_in(home));
        let sending = ToPlaces::read(home, &tools).unwrap();
        sending.begin_copy(owed.clone()).unwrap();
        sending.give_way(true);
        sending.end_copy(owed, true).unwrap();
        let log = WatchLog::new(Out::for_programs(), Arc::clone(&tools.clock));
        let thread = SendThread {
            sending: &sending,
            log: &log,
            out: Out::for_programs(),
            tools: &tools,
        };
        let mut early = None;
        std::thread::scope(|scope| {
            thread.begin(scope);
            tools.clock.sleep(2 * LOOK_EVERY);
            early = sending.all()[0].why.clone();
            sending.give_way(false);
            while !sending.is_idle() {
                tools.clock.sleep(LOOK_EVERY);
            }
            sending.end();
        });
        assert_eq!(early, None, "it was not tried meanwhile");
        let why = sending.all()[0].why.clone().unwrap();
        assert!(why.contains("no such drive is plugged in"), "{why}");
        assert_eq!(sending.ends(), [Exit::NotProven]);
    }
}
