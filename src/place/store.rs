//! Owns a place as it is used: objects looked at, read and listed, each call with its limits. Calls
//! block whoever makes them; what they wait for runs on threads of the place's own.

use super::dav::client::{Dav, DavFound};
use super::dav::put::DavPut;
use super::dav::read::DavRead;
use super::error::{PlaceFault, StoreError};
use super::limits::NAMES_MAX;
use super::object::PlaceObject;
use super::open::{PlaceCalls, Ways, to_hide, ways};
use super::secret::PlaceSecret;
use crate::disk::buffer::Aligned;
use crate::disk::{Disk, EntryKind, Stat};
use crate::error::Interruption;
use crate::kit::place::KitPlace;
use crate::units::{len_usize, len64};
use camino::Utf8Path;
use futures_of_opendal::next;
use std::fmt;
use std::future::Future;
use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;
use tokio::runtime::Runtime;

/// Threads for what is waited for.
const THREADS: usize = 2;
/// Calls at the same time that the system makes wait.
const BLOCKING_MAX: usize = 16;
/// How often it is looked whether the person wants to stop.
const TICK: Duration = Duration::from_millis(50);
/// How long what was begun may take to end.
const END_TIME: Duration = Duration::from_secs(5);
/// Bytes that are asked for at a time.
const READ_BYTES: usize = 2 << 20;
const READ_STEP: &str = "read it back";

/// A place that is open.
pub struct Store {
    // Before the runtime, which what is open in them needs.
    pub(super) ways: Ways,
    hidden: Vec<String>,
    retries: Arc<AtomicU64>,
    cancel: Arc<AtomicBool>,
    disk: Arc<dyn Disk>,
    runtime: PlaceThreads,
}

/// The threads of a place, which end with it.
struct PlaceThreads(Option<Runtime>);

impl Drop for PlaceThreads {
    fn drop(&mut self) {
        if let Some(runtime) = self.0.take() {
            runtime.shutdown_timeout(END_TIME);
        }
    }
}

impl fmt::Debug for Store {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Store").finish_non_exhaustive()
    }
}

impl Store {
    /// Opens a place of the kit, and looks that its folder is there; a bucket has none.
    ///
    /// # Errors
    /// What the kit has wrong, or the place says.
    pub fn open(
        place: &KitPlace,
        secret: Option<&PlaceSecret>,
        disk: Arc<dyn Disk>,
        cancel: Arc<AtomicBool>,
    ) -> Result<Self, StoreError> {
        let address = place.address().map_err(|(field, why)| {
            StoreError::new(
                "open the place",
                PlaceFault::Setup,
                &format!("`{field}` {why}"),
            )
        })?;
        let retries = Arc::new(AtomicU64::new(0));
        let runtime = tokio::runtime::Builder::new_multi_thread()
            .worker_threads(THREADS)
            .max_blocking_threads(BLOCKING_MAX)
            .thread_name("place")
            .enable_all()
            .build();
        let runtime = runtime
            .map_err(|e| StoreError::new("open the place", PlaceFault::Other, &e.to_string()))?;
        let ways = {
            let _inside = runtime.enter();
            ways(place, &address, secret, &retries)?
        };
        let store = Self {
            ways,
            hidden: to_hide(secret),
            retries,
            cancel,
            disk,
            runtime: PlaceThreads(Some(runtime)),
        };
        store.check_folder()?;
        Ok(store)
    }

    /// A folder that is not there may be one of a drive that is not mounted.
    fn check_folder(&self) -> Result<(), StoreError> {
        const STEP: &str = "look at its folder";
        if self.ways.is_bucket || self.ways.base.is_empty() {
            return Ok(());
        }
        match self.find(STEP, &self.ways.base)? {
            Some(DavFound::Folder) => Ok(()),
            Some(DavFound::File(_)) => {
                Err(StoreError::new(STEP, PlaceFault::Setup, "it is no folder"))
            }
            None => {
                let why = "it is not there, and nothing is made in its place";
                Err(StoreError::new(STEP, PlaceFault::NotFound, why))
            }
        }
    }

    /// Looks at what has a key.
    fn find(&self, step: &'static str, key: &str) -> Result<Option<DavFound>, StoreError> {
        let again = match &self.ways.calls {
            PlaceCalls::Dav(dav) => return self.wait_for(step, dav.look(step, key)),
            PlaceCalls::Crate { again, .. } => again,
        };
        match self.wait(step, again.stat(key)) {
            Ok(meta) if meta.is_dir() => Ok(Some(DavFound::Folder)),
            Ok(meta) => Ok(Some(DavFound::File(PlaceObject::of(&meta)))),
            Err(e) if e.kind == PlaceFault::NotFound => Ok(None),
            Err(e) => Err(e),
        }
    }

    /// Returns how often something was tried again.
    pub fn retries(&self) -> u64 {
        self.retries.load(Ordering::Relaxed)
    }

    /// Returns whether it is a bucket.
    pub fn is_bucket(&self) -> bool {
        self.ways.is_bucket
    }

    /// Returns whether it is a folder of this computer.
    pub fn is_folder(&self) -> bool {
        self.ways.folder.is_some()
    }

    /// Returns whether what has this path, or would have it, is behind a link or on another drive
    /// than the offload's folder. Only a folder of this computer has such things.
    ///
    /// # Errors
    /// What the system says.
    pub(super) fn leads_away(&self, path: &str) -> Result<bool, StoreError> {
        let Some(folder) = &self.ways.folder else {
            return Ok(false);
        };
        let failed =
            |e: io::Error| StoreError::new("look at it", PlaceFault::Other, &e.to_string());
        let (offload, rest) = path.split_once('/').unwrap_or((path, ""));
        let mut at = folder.join(offload);
        let Some(root) = self.disk.look(&at).map_err(failed)? else {
            return Ok(false);
        };
        let leads = |stat: &Stat| stat.kind == EntryKind::Link || stat.device != root.device;
        let mut stat = root;
        for part in rest.split('/').filter(|part| !part.is_empty()) {
            // Below a file nothing can be; whoever sends there is told by the system.
            if leads(&stat) || stat.kind != EntryKind::Folder {
                return Ok(leads(&stat));
            }
            at.push(part);
            match self.disk.look(&at).map_err(failed)? {
                Some(next) => stat = next,
                None => return Ok(false),
            }
        }
        Ok(leads(&stat))
    }

    /// Returns whether the person wants to stop.
    pub fn is_cancelled(&self) -> bool {
        self.cancel.load(Ordering::Relaxed)
    }

    pub(super) fn cancel(&self) -> &AtomicBool {
        &self.cancel
    }

    /// Returns the key of a path, or why the place can't have one: its crate would drop blanks at
    /// the end, and something else would be meant.
    pub(super) fn key(&self, path: &str) -> Result<String, StoreError> {
        let key = format!("{}{path}", self.ways.base);
        let is_odd = |part: &str| part.is_empty() || part == "." || part == "..";
        if key.trim() != key || key.split('/').any(is_odd) {
            return Err(StoreError::new(
                "name it there",
                PlaceFault::Other,
                "a name with a blank at its end can't be sent",
            ));
        }
        Ok(key)
    }

    /// Waits for what a place does; not longer than the person wants to.
    pub(super) fn wait<T>(
        &self,
        step: &'static str,
        work: impl IntoFuture<Output = opendal::Result<T>>,
    ) -> Result<T, StoreError> {
        let work = work.into_future();
        let told = async {
            work.await
                .map_err(|e| StoreError::of(step, &e, &self.hidden))
        };
        self.wait_for(step, told)
    }

    /// The same of what says itself what went wrong, without a secret.
    pub(super) fn wait_for<T>(
        &self,
        step: &'static str,
        work: impl Future<Output = Result<T, StoreError>>,
    ) -> Result<T, StoreError> {
        let Some(runtime) = &self.runtime.0 else {
            return Err(StoreError::interrupted(step));
        };
        runtime.block_on(async {
            let mut work = std::pin::pin!(work);
            loop {
                if self.is_cancelled() {
                    return Err(StoreError::interrupted(step));
                }
                match tokio::time::timeout(TICK, &mut work).await {
                    Ok(done) => return done.map_err(|e| e.without(&self.hidden)),
                    Err(_not_yet) => {}
                }
            }
        })
    }

    /// Waits for an end that is to be made whatever the person wants, and no longer than a moment.
    pub(super) fn wait_briefly<T, E>(&self, work: impl Future<Output = Result<T, E>>) -> bool {
        self.runtime.0.as_ref().is_some_and(|runtime| {
            let ended = runtime.block_on(async { tokio::time::timeout(END_TIME, work).await });
            matches!(ended, Ok(Ok(_)))
        })
    }

    /// Looks at an object; `None` where nothing is there.
    ///
    /// # Errors
    /// What the place says.
    pub fn look(&self, path: &str) -> Result<Option<PlaceObject>, StoreError> {
        const STEP: &str = "look at it there";
        match self.find(STEP, &self.key(path)?)? {
            Some(DavFound::Folder) => {
                let why = "a folder has its name";
                Err(StoreError::new(STEP, PlaceFault::Taken, why))
            }
            Some(DavFound::File(object)) => Ok(Some(object)),
            None => Ok(None),
        }
    }

    /// Reads an object of so many bytes from its beginning, and shows each piece; `take` may stop
    /// it. Returns how many bytes came, and whether they came from the place: what is in a folder
    /// of this computer may be answered from its memory.
    ///
    /// # Errors
    /// What the place says.
    pub fn read(
        &self,
        path: &str,
        bytes: u64,
        take: &mut dyn FnMut(&[u8]) -> bool,
    ) -> Result<(u64, bool), StoreError> {
        let key = self.key(path)?;
        if bytes == 0 {
            return Ok((0, true));
        }
        match &self.ways.folder {
            Some(folder) => self.read_folder(&folder.join(path), bytes, take),
            None => self
                .read_service(&key, bytes, take)
                .map(|done| (done, true)),
        }
    }

    /// The same of a folder of this computer, past its memory.
    fn read_folder(
        &self,
        path: &Utf8Path,
        bytes: u64,
        take: &mut dyn FnMut(&[u8]) -> bool,
    ) -> Result<(u64, bool), StoreError> {
        let mut read = || {
            if let Some(folder) = path.parent() {
                self.disk.settle_in(folder, &[path.to_path_buf()])?;
            }
            let mut source = self.disk.open_read_back(path)?;
            let mut buffer = Aligned::new(READ_BYTES);
            let mut done = 0_u64;
            while done < bytes {
                let n = source.read_at(buffer.all_mut(), done)?;
                let n = n.min(len_usize(bytes - done));
                if n == 0 {
                    break;
                }
                done += len64(n);
                if !take(buffer.first(n)) || self.is_cancelled() {
                    return Err(io::Error::other(Interruption));
                }
            }
            Ok((done, source.way().reaches_device()))
        };
        read().map_err(|e: io::Error| {
            let is_stop = e
                .get_ref()
                .is_some_and(<dyn std::error::Error + Send + Sync>::is::<Interruption>);
            if is_stop {
                StoreError::interrupted(READ_STEP)
            } else if e.kind() == io::ErrorKind::NotFound {
                StoreError::new(READ_STEP, PlaceFault::NotFound, "it is not there")
            } else {
                StoreError::new(READ_STEP, PlaceFault::Other, &e.to_string())
            }
        })
    }

    fn read_service(
        &self,
        key: &str,
        bytes: u64,
        take: &mut dyn FnMut(&[u8]) -> bool,
    ) -> Result<u64, StoreError> {
        const STEP: &str = READ_STEP;
        let again = match &self.ways.calls {
            PlaceCalls::Dav(dav) => return self.read_dav(dav, (key, bytes), take),
            PlaceCalls::Crate { again, .. } => again,
        };
        let reader = again.reader_with(key).chunk(READ_BYTES);
        let reader = self.wait(STEP, reader)?;
        let mut stream = self.wait(STEP, reader.into_stream(0..bytes))?;
        let mut done = 0_u64;
        while let Some(piece) = self.wait(STEP, async { next(&mut stream).await.transpose() })? {
            for part in piece {
                done = done.saturating_add(len64(part.len()));
                if !take(&part) || self.is_cancelled() {
                    return Err(StoreError::interrupted(STEP));
                }
            }
        }
        Ok(done)
    }

    fn read_dav(
        &self,
        dav: &Dav,
        (key, bytes): (&str, u64),
        take: &mut dyn FnMut(&[u8]) -> bool,
    ) -> Result<u64, StoreError> {
        let mut reader = DavRead::new(dav, key);
        let mut done = 0_u64;
        while let Some(piece) = self.wait_for(READ_STEP, reader.next())? {
            done = done.saturating_add(len64(piece.len()));
            if done > bytes {
                return Err(cut_short(done, bytes));
            }
            if !take(&piece) || self.is_cancelled() {
                return Err(StoreError::interrupted(READ_STEP));
            }
        }
        Ok(done)
    }

    /// Reads a small object whole.
    ///
    /// # Errors
    /// What the place says, or that it is larger than `limit`.
    pub fn read_small(&self, path: &str, limit: u64) -> Result<Option<Vec<u8>>, StoreError> {
        let Some(object) = self.look(path)? else {
            return Ok(None);
        };
        if object.bytes > limit {
            let why = format!("it has {} bytes, which is too much", object.bytes);
            return Err(StoreError::new("read it", PlaceFault::Other, &why));
        }
        let mut all = Vec::new();
        let (done, _) = self.read(path, object.bytes, &mut |piece| {
            all.extend_from_slice(piece);
            true
        })?;
        if done != object.bytes {
            return Err(cut_short(done, object.bytes));
        }
        Ok(Some(all))
    }

    /// Lists the names in a folder; folders end in a slash.
    ///
    /// # Errors
    /// What the place says.
    pub fn list(&self, folder: &str) -> Result<Vec<String>, StoreError> {
        self.names(folder, false)
    }

    /// Lists the paths of everything below a folder.
    ///
    /// # Errors
    /// What the place says.
    pub(super) fn list_all(&self, folder: &str) -> Result<Vec<String>, StoreError> {
        self.names(folder, true)
    }

    fn names(&self, folder: &str, is_deep: bool) -> Result<Vec<String>, StoreError> {
        const STEP: &str = "list it";
        let key = match folder {
            "" => self.ways.base.clone(),
            folder => format!("{}/", self.key(folder)?),
        };
        let key = if key.is_empty() { "/".to_owned() } else { key };
        let again = match &self.ways.calls {
            PlaceCalls::Dav(dav) => return self.wait_for(STEP, dav.names(&key, is_deep)),
            PlaceCalls::Crate { again, .. } => again,
        };
        let mut lister = self.wait(STEP, again.lister_with(&key).recursive(is_deep))?;
        let mut names = Vec::new();
        while let Some(entry) = self.wait(STEP, async { next(&mut lister).await.transpose() })? {
            let below = entry.path().strip_prefix(key.trim_start_matches('/'));
            let name = below.unwrap_or_default().to_owned();
            if !name.is_empty() {
                names.push(name);
            }
            if names.len() > NAMES_MAX {
                return Err(StoreError::too_many(STEP));
            }
        }
        names.sort();
        Ok(names)
    }

    /// Makes a folder, where a place has such things.
    ///
    /// # Errors
    /// What the place says.
    pub fn make_folder(&self, path: &str) -> Result<(), StoreError> {
        const STEP: &str = "make a folder";
        if self.ways.is_bucket {
            return Ok(());
        }
        let key = self.key(path)?;
        match &self.ways.calls {
            PlaceCalls::Dav(dav) => self.wait_for(STEP, dav.make_folders(&self.ways.base, path)),
            PlaceCalls::Crate { again, .. } => {
                self.wait(STEP, again.create_dir(&format!("{key}/")))
            }
        }
    }

    /// Begins to send a file of so many bytes by `WebDAV`.
    pub(super) fn put(&self, dav: &Dav, part: &str, bytes: u64) -> Result<DavPut, StoreError> {
        if let Some((folder, _)) = part.rsplit_once('/') {
            self.make_folder(folder)?;
        }
        let key = self.key(part)?;
        let runtime = self.runtime.0.as_ref();
        runtime.map_or_else(
            || Err(StoreError::interrupted("begin to send it")),
            |runtime| dav.put(runtime, &key, bytes),
        )
    }

    /// Sees that nothing is left of a part file that nobody goes on with, as far as that can be
    /// done in a moment.
    pub(super) fn drop_part(&self, part: Option<&str>) {
        let PlaceCalls::Dav(dav) = &self.ways.calls else {
            return;
        };
        dav.lost_one();
        if let Some(key) = part.and_then(|part| self.key(part).ok()) {
            self.wait_briefly(dav.remove(&key));
        }
    }

    /// Gives a part file its name. Only `WebDAV` can be asked to replace nothing.
    pub(super) fn give_name(&self, part: &str, path: &str) -> Result<(), StoreError> {
        const STEP: &str = "give it its name";
        let (from, to) = (self.key(part)?, self.key(path)?);
        match &self.ways.calls {
            PlaceCalls::Dav(dav) => self.wait_for(STEP, dav.give_name(&from, &to)),
            PlaceCalls::Crate { once, .. } => self.wait(STEP, once.rename(&from, &to)),
        }
    }

    /// Removes an object of this tool's own: a probe or a part file.
    pub(super) fn remove_own(&self, path: &str) -> Result<(), StoreError> {
        const STEP: &str = "remove its own file";
        let key = self.key(path)?;
        match &self.ways.calls {
            PlaceCalls::Dav(dav) => self.wait_for(STEP, dav.remove(&key)),
            PlaceCalls::Crate { again, .. } => self.wait(STEP, again.delete(&key)),
        }
    }
}

/// The error of a read that ended early or late.
pub(super) fn cut_short(done: u64, expected: u64) -> StoreError {
    let why = format!("{done} bytes came, not {expected}");
    StoreError::new(READ_STEP, PlaceFault::Other, &why)
}

/// The next of a stream.
mod futures_of_opendal {
    use std::future::poll_fn;
    use std::pin::Pin;
    use tokio_stream::Stream;

    pub(super) async fn next<S: Stream + Unpin>(stream: &mut S) -> Option<S::Item> {
        poll_fn(|context| Pin::new(&mut *stream).poll_next(context)).await
    }
}
