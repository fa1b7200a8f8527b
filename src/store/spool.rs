//! A folder in which orders that could not be recorded wait as well as in memory, so that the end of the process loses none.
//!
//! Each order is a file of its own: a line with the length and the SHA-256 of what follows, and the order as JSON. A file is
//! written under another name, brought to the disk and then renamed; one that is not whole all the same is never read as an
//! order, is told of and left under another name. A file is removed when its order is durable, and so may be recorded again
//! after a crash in between, which changes nothing: the order and its content are one item.
//!
//! A disk may be slow, or never answer. Whatever touches it is done by one thread that nobody waits for longer than they
//! have time; what it does not keep up with waits in memory alone, and that is told.

use super::Unavailable;
use super::sql::locked;
use crate::audit::chain::Hash;
use crate::queue::item::Received;
use crate::queue::waiting::{read_back, written};
use jiff::Timestamp;
use serde::Serialize;
use std::collections::{BTreeMap, VecDeque};
use std::fs::{File, OpenOptions};
use std::io::{self, Read as _, Write as _};
use std::panic::AssertUnwindSafe;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Condvar, Mutex, PoisonError};
use std::time::{Duration, Instant};
use tokio::sync::watch;

/// Bytes of all orders in a spool, at most, where nothing else is said.
pub const MOST_BYTES: u64 = 512 << 20;
/// Bytes of one order's file, at most.
const LONGEST: u64 = 64 << 20;
/// Bytes that a disk takes of a file at a time.
const BLOCK: u64 = 4096;
/// Orders that wait to be written, at most, and bytes of them.
const MOST_COMING: usize = 1024;
const MOST_BYTES_COMING: usize = 32 << 20;
/// Orders that are written together.
const AT_A_TIME: usize = 64;
/// Files that are brought to the disk beside each other: the disk does it for all at once.
const TOGETHER: usize = 8;
/// How often it is looked whether the folder can be written.
const LOOK: Duration = Duration::from_secs(30);
/// How long the disk may take before that is told.
const SLOW: Duration = Duration::from_secs(2);
/// How long a file that cannot be read is left alone.
pub(super) const REST: Duration = Duration::from_secs(10);
/// How long the end waits for the disk.
const END: Duration = Duration::from_secs(5);
/// The first word of a file, with the version of its form.
const FORM: &str = "enteral-gate-spool-1";
/// Ends of names: an order, one that is being written, one that is not whole, and one that the store refuses.
const ORDER: &str = "order";
const PART: &str = "part";
const DAMAGED: &str = "damaged";
const REFUSED: &str = "refused";
/// What tells that a process uses the folder.
const LOCK: &str = "lock";
/// What is written to see whether anything can be.
const LOOKED: &str = "look";

/// Where an order is kept on disk.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
enum Place {
    /// Nowhere, or not yet.
    #[default]
    Nowhere,
    /// On its way there.
    Coming,
    /// In the file of this number, which takes so many bytes, in the folder as it was made so often again.
    File(u64, u64, u64),
    /// It is durable elsewhere, or given up.
    Done,
}

/// The place of one order in a spool, shared by whoever holds the order.
#[derive(Debug, Default)]
pub(super) struct Slot(Mutex<Place>);

impl Slot {
    /// Whether the order is on disk.
    pub(super) fn is_kept(&self) -> bool {
        matches!(*locked(&self.0), Place::File(..))
    }

    /// Whether it is not known yet whether it will be.
    pub(super) fn is_coming(&self) -> bool {
        *locked(&self.0) == Place::Coming
    }

    /// Whether it is not, and not coming there.
    pub(super) fn is_nowhere(&self) -> bool {
        *locked(&self.0) == Place::Nowhere
    }
}

/// How a spool is.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "camelCase")]
pub struct SpoolHealth {
    /// Orders in it.
    pub orders: u64,
    /// Bytes that they take on the disk, in blocks of 4096.
    pub bytes: u64,
    /// Why it cannot be written, and since when.
    pub trouble: Option<(Timestamp, String)>,
    /// Files that cannot be read now, and are tried again.
    pub unread: u64,
    /// The last of them, and why.
    pub last_unread: Option<String>,
    /// Files of orders that are recorded, and that cannot be removed.
    pub unremoved: u64,
    /// The last of them, and why.
    pub last_unremoved: Option<String>,
    /// Files in it that were not whole, since whatever start: what was in them is not on the queue.
    pub damaged: u64,
    /// The last of them.
    pub last_damaged: Option<String>,
    /// Files in it of orders that the store refused, since whatever start.
    pub refused: u64,
    /// Files that were gone though nobody here removed them, since the start: what was in them may not be on the queue.
    pub gone: u64,
}

impl SpoolHealth {
    /// Whether all that waits can be kept in it, read and removed.
    pub fn is_well(&self) -> bool {
        self.trouble.is_none() && self.unread == 0 && self.unremoved == 0
    }
}

/// An order to be written.
struct Coming {
    slot: Arc<Slot>,
    order: Received,
    size: usize,
}

/// A file that is no longer an order that waits.
struct Over {
    number: u64,
    bytes: u64,
    /// It is left under another name.
    refused: bool,
}

/// What came of reading an order back.
pub(super) enum Taken {
    Order(Box<Received>, Arc<Slot>),
    /// It cannot be read now.
    Later(Left),
    /// It is not there any more, or not whole, which was told.
    Not,
}

type Read = (Vec<Left>, Box<dyn FnOnce(Vec<Taken>) + Send>);

#[derive(Default)]
struct State {
    next: u64,
    health: SpoolHealth,
    coming: VecDeque<Coming>,
    bytes_coming: usize,
    /// Orders that were ever handed over to be written.
    handed: u64,
    over: Vec<Over>,
    reads: Vec<Read>,
    /// Since when the disk is at work.
    busy: Option<(Instant, Timestamp)>,
    /// How often the folder was made again by somebody.
    made: u64,
    /// An order had no room, and nothing went since.
    full: bool,
    unread: BTreeMap<u64, String>,
    unremoved: BTreeMap<u64, Over>,
    /// Files that are not whole and could not be renamed, by what they are called.
    unmoved: BTreeMap<u64, &'static str>,
    stop: bool,
    /// Its thread has ended.
    gone: bool,
}

impl State {
    fn less(&mut self, bytes: u64) {
        self.full = false;
        self.health.orders = self.health.orders.saturating_sub(1);
        self.health.bytes = self.health.bytes.saturating_sub(bytes);
    }

    fn has_work(&self) -> bool {
        !(self.coming.is_empty() && self.over.is_empty() && self.reads.is_empty())
    }
}

struct Inner {
    folder: PathBuf,
    most: u64,
    state: Mutex<State>,
    /// There is work, or its thread has ended.
    work: Condvar,
    /// Orders that were handed over and of which it is known what became of them.
    settled: watch::Sender<u64>,
    /// Held as long as the folder is used.
    lock: Mutex<Option<File>>,
    /// Where a test says so the disk does not answer.
    #[cfg(test)]
    hangs: std::sync::atomic::AtomicBool,
}

/// A folder, used by one process.
pub struct Spool(Arc<Inner>);

/// An order that is on disk and not in memory.
pub(super) struct Left {
    number: u64,
    bytes: u64,
    /// Which order, where that is known.
    pub(super) key: Option<String>,
    pub(super) item: bool,
    /// Until when it is left alone, as it could not be read.
    pub(super) rests: Option<Instant>,
}

/// The bytes of a file.
fn bytes_of(order: &Received) -> Result<Vec<u8>, String> {
    let text = written(order).map_err(|error| error.to_string())?;
    let mut out = format!("{FORM} {} {}\n", text.len(), Hash::of(&text)).into_bytes();
    out.extend(text);
    Ok(out)
}

/// The order of a file.
fn order_of(bytes: &[u8]) -> Result<Received, String> {
    let end = memchr::memchr(b'\n', bytes).ok_or("it has no first line")?;
    let (head, text) = (bytes.get(..end).unwrap_or_default(), bytes.get(end + 1..).unwrap_or_default());
    let head = std::str::from_utf8(head).map_err(|_| "its first line is no text")?;
    let mut words = head.split(' ');
    if words.next() != Some(FORM) {
        return Err(format!("its first line does not begin with {FORM}"));
    }
    let length: usize = words.next().and_then(|word| word.parse().ok()).ok_or("its first line gives no length")?;
    if text.len() != length {
        return Err(format!("it has {} of {length} bytes", text.len()));
    }
    if words.next() != Some(Hash::of(text).to_string().as_str()) || words.next().is_some() {
        return Err("its bytes are not those that its hash is of".to_owned());
    }
    let order = read_back(text).map_err(|error| format!("column {}", error.column()))?;
    // It is tried again.
    Ok(Received { late: Some(order.at), ..order })
}

/// Bytes that a file takes.
fn room(length: u64) -> u64 {
    length.next_multiple_of(BLOCK)
}

fn whole(path: &Path) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    File::open(path)?.take(LONGEST + 1).read_to_end(&mut bytes)?;
    Ok(bytes)
}

impl Spool {
    /// Opens a folder, or makes it for its owner alone; gives what waits in it, those that came in first first. What is not
    /// whole is told of, and left under another name; what cannot be read is tried again.
    ///
    /// # Errors
    /// Where it cannot be used, or another process uses it.
    pub(super) fn open(folder: &Path, most: u64) -> Result<(Self, Vec<Left>), Unavailable> {
        let told =
            |error: &dyn std::fmt::Display| Unavailable::Database(format!("the spool {}: {error}", folder.display()));
        let mut made = std::fs::DirBuilder::new();
        made.recursive(true);
        #[cfg(unix)]
        std::os::unix::fs::DirBuilderExt::mode(&mut made, 0o700);
        made.create(folder).map_err(|error| told(&error))?;
        let lock = own(&folder.join(LOCK), false).map_err(|error| told(&error))?;
        lock.try_lock().map_err(|_| told(&"another process uses it"))?;
        let inner = Inner {
            folder: folder.to_owned(),
            most,
            state: Mutex::default(),
            work: Condvar::new(),
            settled: watch::Sender::new(0),
            lock: Mutex::new(Some(lock)),
            #[cfg(test)]
            hangs: Default::default(),
        };
        let mut found = Vec::new();
        for (number, end) in inner.names().map_err(|error| told(&error))? {
            {
                let mut state = locked(&inner.state);
                state.next = state.next.max(number.saturating_add(1));
            }
            match end.as_str() {
                ORDER => found.push(number),
                PART => inner.damaged(number, PART, "it was not written to its end"),
                _ => {}
            }
        }
        found.sort_unstable();
        let mut left = Vec::with_capacity(found.len());
        for number in found {
            let (bytes, key, item) = match inner.read(number) {
                Ok(Some((order, bytes))) => (bytes, order.key.text(), order.is_item()),
                Ok(None) => continue,
                Err(_) => {
                    let length = std::fs::metadata(inner.path(number, ORDER)).map_or(0, |file| file.len());
                    (room(length), None, true)
                }
            };
            let mut state = locked(&inner.state);
            state.health.orders += 1;
            state.health.bytes += bytes;
            left.push(Left { number, bytes, key, item, rests: None });
        }
        inner.count().map_err(|error| told(&error))?;
        {
            let health = &locked(&inner.state).health;
            if health.damaged + health.refused > 0 {
                tracing::warn!(
                    damaged = health.damaged,
                    refused = health.refused,
                    "files lie in the spool whose orders are not on the queue, until somebody has looked at them"
                );
            }
        }
        let inner = Arc::new(inner);
        let own = inner.clone();
        let thread = std::thread::Builder::new().name("spool".to_owned());
        thread.spawn(move || own.work()).map_err(|error| told(&error))?;
        Ok((Self(inner), left))
    }

    /// What it takes to find an order again that is on disk and for which there is no room in memory.
    pub(super) fn left(slot: &Slot, order: &Received) -> Option<Left> {
        match *locked(&slot.0) {
            Place::File(number, bytes, _) => {
                Some(Left { number, bytes, key: order.key.text(), item: order.is_item(), rests: None })
            }
            Place::Nowhere | Place::Coming | Place::Done => None,
        }
    }

    /// Hands orders over to be kept on disk, those that are not yet and are not done. Does not wait. What cannot be handed
    /// over, or kept, is told of.
    pub(super) fn keep<'o>(&self, orders: impl IntoIterator<Item = (&'o Arc<Slot>, &'o Received)>) {
        let mut full = None;
        for (slot, order) in orders {
            let mut state = locked(&self.0.state);
            let mut place = locked(&slot.0);
            if state.gone {
                continue;
            }
            match *place {
                Place::Nowhere => {}
                // The folder is another one now, and what was in it is not there.
                Place::File(_, bytes, made) if made != state.made => {
                    *place = Place::Nowhere;
                    state.less(bytes);
                }
                _ => continue,
            }
            let size = order.resource.len() + BLOCK as usize;
            if state.coming.len() >= MOST_COMING || state.bytes_coming + size > MOST_BYTES_COMING {
                full = Some(format!("it does not keep up: {} orders wait to be written", state.coming.len()));
                continue;
            }
            *place = Place::Coming;
            state.bytes_coming += size;
            state.handed += 1;
            state.coming.push_back(Coming { slot: slot.clone(), order: order.clone(), size });
            self.0.work.notify_all();
        }
        if let Some(why) = full {
            self.0.wrote(Err(why));
        }
    }

    /// Waits until it is known of everything that was handed over before whether it is on disk.
    pub(super) async fn settled(&self) {
        let handed = locked(&self.0.state).handed;
        // Whoever says it lives as long as this.
        let _ = self.0.settled.subscribe().wait_for(|settled| *settled >= handed).await;
    }

    /// Notes that somebody had no more time to wait for it.
    pub(super) fn is_slow(&self) {
        self.0.wrote(Err("the disk does not answer in time".to_owned()));
    }

    /// Whether nothing waits for the disk.
    pub(super) fn is_idle(&self) -> bool {
        let state = locked(&self.0.state);
        state.gone || !state.has_work() && state.busy.is_none()
    }

    /// Reads orders back that are not in memory; `then` is given what came of each, in their order, in another thread.
    pub(super) fn take(&self, left: Vec<Left>, then: impl FnOnce(Vec<Taken>) + Send + 'static) {
        let mut state = locked(&self.0.state);
        if state.gone {
            drop(state);
            return then(left.into_iter().map(Taken::Later).collect());
        }
        state.reads.push((left, Box::new(then)));
        self.0.work.notify_all();
    }

    /// Removes an order that is durable elsewhere, soon.
    pub(super) fn done(&self, slot: &Slot) {
        self.over(slot, false);
    }

    /// Leaves an order that is given up under another name, for somebody to look at.
    pub(super) fn refused(&self, slot: &Slot) {
        self.over(slot, true);
    }

    fn over(&self, slot: &Slot, refused: bool) {
        let place = std::mem::replace(&mut *locked(&slot.0), Place::Done);
        if let Place::File(number, bytes, _) = place {
            locked(&self.0.state).over.push(Over { number, bytes, refused });
            self.0.work.notify_all();
        }
    }

    /// How it is.
    pub(super) fn health(&self) -> SpoolHealth {
        let state = locked(&self.0.state);
        let mut health = state.health.clone();
        (health.unread, health.last_unread) = (state.unread.len() as u64, state.unread.values().last().cloned());
        health.unremoved = state.unremoved.len() as u64;
        health.damaged += state.unmoved.len() as u64;
        if let Some((_, since)) = state.busy.filter(|(since, _)| since.elapsed() > SLOW) {
            health.trouble.get_or_insert_with(|| (since, "the disk does not answer".to_owned()));
        }
        health
    }

    /// Whether the disk does not answer.
    #[cfg(test)]
    pub(super) fn hang(&self, hangs: bool) {
        self.0.hangs.store(hangs, std::sync::atomic::Ordering::SeqCst);
    }

    /// Looks at the folder now.
    #[cfg(test)]
    pub(super) fn look(&self) {
        self.0.look();
    }
}

impl Drop for Spool {
    fn drop(&mut self) {
        let mut state = locked(&self.0.state);
        state.stop = true;
        self.0.work.notify_all();
        // A disk that does not answer holds nobody up for ever.
        let ended = self.0.work.wait_timeout_while(state, END, |state| !state.gone);
        drop(ended.unwrap_or_else(PoisonError::into_inner));
    }
}

impl Inner {
    /// What is done by the thread, until nobody hands anything over any more.
    fn work(&self) {
        let ran = std::panic::catch_unwind(AssertUnwindSafe(|| {
            let mut looked = Instant::now();
            while let Some(due) = self.next(looked) {
                self.turn();
                if due {
                    self.look();
                    looked = Instant::now();
                }
                locked(&self.state).busy = None;
            }
        }));
        if ran.is_err() {
            self.wrote(Err("what writes it has ended by a fault: restart the service".to_owned()));
        }
        drop(locked(&self.lock).take());
        let mut state = locked(&self.state);
        (state.gone, state.busy) = (true, None);
        // Nobody waits for what never comes.
        for coming in state.coming.drain(..) {
            *locked(&coming.slot.0) = Place::Nowhere;
        }
        self.settled.send_replace(u64::MAX);
        self.work.notify_all();
    }

    /// Waits for work; gives whether it is time to look at the folder, and nothing where it is over.
    fn next(&self, looked: Instant) -> Option<bool> {
        let mut state = locked(&self.state);
        loop {
            let due = looked.elapsed() >= LOOK;
            if state.has_work() || due && !state.stop {
                state.busy = Some((Instant::now(), Timestamp::now()));
                return Some(due);
            }
            if state.stop {
                return None;
            }
            let left = LOOK.saturating_sub(looked.elapsed());
            let waited = self.work.wait_timeout(state, left).unwrap_or_else(PoisonError::into_inner);
            state = waited.0;
        }
    }

    /// One turn: writes, removes, reads.
    fn turn(&self) {
        let mut state = locked(&self.state);
        let n = state.coming.len().min(AT_A_TIME);
        let coming: Vec<Coming> = state.coming.drain(..n).collect();
        state.bytes_coming -= coming.iter().map(|one| one.size).sum::<usize>();
        let (mut over, reads) = (std::mem::take(&mut state.over), std::mem::take(&mut state.reads));
        drop(state);
        if n > 0 {
            over.extend(self.write(coming));
            self.settled.send_modify(|settled| *settled += n as u64);
        }
        self.remove(over);
        for (left, then) in reads {
            then(left.into_iter().map(|left| self.take(left)).collect());
        }
    }

    /// A moment before the disk is asked.
    fn asks(&self) {
        #[cfg(test)]
        while self.hangs.load(std::sync::atomic::Ordering::SeqCst) {
            std::thread::sleep(Duration::from_millis(5));
        }
    }

    fn path(&self, number: u64, end: &str) -> PathBuf {
        self.folder.join(format!("{number:020}.{end}"))
    }

    /// The files of the folder that are orders, or were.
    fn names(&self) -> io::Result<Vec<(u64, String)>> {
        let mut found = Vec::new();
        for entry in std::fs::read_dir(&self.folder)? {
            let path = entry?.path();
            let number = path.file_stem().and_then(|stem| stem.to_str()).and_then(|stem| stem.parse::<u64>().ok());
            if let (Some(number), Some(end)) = (number, path.extension().and_then(|end| end.to_str())) {
                found.push((number, end.to_owned()));
            }
        }
        Ok(found)
    }

    /// Counts what lies in the folder and is not on the queue.
    fn count(&self) -> io::Result<()> {
        let names = self.names()?;
        let of = |end: &str| {
            let own = names.iter().filter(|(_, own)| own == end).map(|(number, _)| *number);
            own.collect::<Vec<u64>>()
        };
        let (damaged, refused) = (of(DAMAGED), of(REFUSED));
        let health = &mut locked(&self.state).health;
        (health.damaged, health.refused) = (damaged.len() as u64, refused.len() as u64);
        match damaged.iter().max() {
            Some(number) => {
                let file = format!("{number:020}.{DAMAGED}");
                if health.last_damaged.is_none() {
                    health.last_damaged = Some(file);
                }
            }
            None => health.last_damaged = None,
        }
        Ok(())
    }

    /// Reads a file. One that is not whole is told of and put aside; one that is gone is told of: there is no order then.
    ///
    /// # Errors
    /// Where it cannot be read now, which is told.
    fn read(&self, number: u64) -> Result<Option<(Received, u64)>, ()> {
        let bytes = match whole(&self.path(number, ORDER)) {
            Ok(bytes) => bytes,
            Err(error) if error.kind() == io::ErrorKind::NotFound && self.is_in_its_place() => {
                let file = format!("{number:020}.{ORDER}");
                tracing::error!(file, "a file of the spool is gone: what was in it may not be on the queue");
                let mut state = locked(&self.state);
                state.unread.remove(&number);
                state.health.gone += 1;
                return Ok(None);
            }
            Err(error) => {
                let file = format!("{number:020}.{ORDER}");
                let before = locked(&self.state).unread.insert(number, format!("{file}: {error}"));
                if before.is_none() {
                    tracing::error!(file, problem = %error, "a file of the spool cannot be read: it is tried again");
                }
                return Err(());
            }
        };
        locked(&self.state).unread.remove(&number);
        Ok(match order_of(&bytes) {
            Ok(order) => Some((order, room(bytes.len() as u64))),
            Err(why) => {
                self.damaged(number, ORDER, &why);
                None
            }
        })
    }

    /// Puts a file that is not whole aside, and says so.
    fn damaged(&self, number: u64, end: &'static str, why: &str) {
        let to = self.path(number, DAMAGED);
        let moved = std::fs::rename(self.path(number, end), &to);
        let file = to.file_name().unwrap_or_default().to_string_lossy().into_owned();
        tracing::error!(file, problem = why, "a file of the spool is not whole: what was in it is not on the queue");
        let state = &mut *locked(&self.state);
        match moved {
            Ok(()) => state.health.damaged += 1,
            Err(_) => drop(state.unmoved.insert(number, end)),
        }
        state.health.last_damaged = Some(format!("{file}: {why}"));
    }

    fn take(&self, left: Left) -> Taken {
        self.asks();
        match self.read(left.number) {
            Ok(Some((order, _))) => {
                let made = locked(&self.state).made;
                let slot = Slot(Mutex::new(Place::File(left.number, left.bytes, made)));
                Taken::Order(Box::new(order), Arc::new(slot))
            }
            Ok(None) => {
                self.less(left.bytes);
                Taken::Not
            }
            Err(()) => Taken::Later(Left { rests: Some(Instant::now() + REST), ..left }),
        }
    }

    /// Writes orders and brings them to the disk together. Gives those that are no longer needed.
    fn write(&self, coming: Vec<Coming>) -> Vec<Over> {
        if let Err(error) = self.placed() {
            coming.iter().for_each(|one| self.failed(&one.slot));
            self.wrote(Err(error.to_string()));
            return Vec::new();
        }
        let mut wrong = None;
        let mut parts = Vec::with_capacity(coming.len());
        for Coming { slot, order, .. } in coming {
            // It may be recorded meanwhile.
            if !slot.is_coming() {
                continue;
            }
            match self.part(&order) {
                Ok((number, bytes, file)) => parts.push((slot, number, bytes, file)),
                Err(why) => {
                    self.failed(&slot);
                    wrong = Some(why);
                }
            }
        }
        let mut synced: Vec<io::Result<()>> = Vec::with_capacity(parts.len());
        for some in parts.chunks(TOGETHER) {
            self.asks();
            match some {
                [(.., file)] => synced.push(file.sync_data()),
                _ => std::thread::scope(|scope| {
                    let begun: Vec<_> = some.iter().map(|(.., file)| scope.spawn(|| file.sync_data())).collect();
                    let ended = begun.into_iter().map(|one| one.join());
                    synced.extend(ended.map(|one| one.unwrap_or_else(|_| Err(io::ErrorKind::Other.into()))));
                }),
            }
        }
        let mut named = Vec::with_capacity(parts.len());
        for ((slot, number, bytes, file), synced) in parts.into_iter().zip(synced) {
            drop(file);
            let part = self.path(number, PART);
            match synced.and_then(|()| std::fs::rename(&part, self.path(number, ORDER))) {
                Ok(()) => {
                    locked(&self.state).health.orders += 1;
                    named.push((slot, number, bytes));
                }
                Err(error) => {
                    let _ = std::fs::remove_file(&part);
                    let health = &mut locked(&self.state).health;
                    health.bytes = health.bytes.saturating_sub(bytes);
                    self.failed(&slot);
                    wrong = Some(error.to_string());
                }
            }
        }
        let any = !named.is_empty();
        if any {
            // The names reach the disk once for all.
            wrong = wrong.or(self.sync_names().err().map(|error| error.to_string()));
        }
        let mut over = Vec::new();
        let made = locked(&self.state).made;
        for (slot, number, bytes) in named {
            let mut place = locked(&slot.0);
            match *place {
                Place::Done => over.push(Over { number, bytes, refused: false }),
                _ => *place = Place::File(number, bytes, made),
            }
        }
        if any || wrong.is_some() {
            self.wrote(wrong.map_or(Ok(()), Err));
        }
        over
    }

    fn failed(&self, slot: &Slot) {
        let mut place = locked(&slot.0);
        if *place == Place::Coming {
            *place = Place::Nowhere;
        }
    }

    fn sync_names(&self) -> io::Result<()> {
        File::open(&self.folder).and_then(|folder| folder.sync_all())
    }

    /// Writes an order under the name of one that is being written.
    fn part(&self, order: &Received) -> Result<(u64, u64, File), String> {
        let bytes = bytes_of(order)?;
        let length = bytes.len() as u64;
        if length > LONGEST {
            return Err("an order is too long for it".to_owned());
        }
        let takes = room(length);
        let number = {
            let mut state = locked(&self.state);
            if state.health.bytes.saturating_add(takes) > self.most {
                state.full = true;
                return Err(format!("it is full: {} orders in {} bytes", state.health.orders, state.health.bytes));
            }
            state.health.bytes += takes;
            state.next += 1;
            state.next - 1
        };
        let part = self.path(number, PART);
        let written = own(&part, true).and_then(|mut file| file.write_all(&bytes).map(|()| file));
        written.map(|file| (number, takes, file)).map_err(|error| {
            let _ = std::fs::remove_file(&part);
            let health = &mut locked(&self.state).health;
            health.bytes = health.bytes.saturating_sub(takes);
            error.to_string()
        })
    }

    fn wrote(&self, how: Result<(), String>) {
        let trouble = &mut locked(&self.state).health.trouble;
        match (how, &mut *trouble) {
            (Ok(()), Some(_)) => {
                tracing::info!("the spool can be written again");
                *trouble = None;
            }
            (Err(why), None) => {
                tracing::error!(problem = why, "the spool cannot be written: orders wait in memory alone");
                *trouble = Some((Timestamp::now(), why));
            }
            (Err(why), Some((_, before))) => *before = why,
            (Ok(()), None) => {}
        }
    }

    fn less(&self, bytes: u64) {
        locked(&self.state).less(bytes);
    }

    /// Removes files, or gives them another name; and brings that to the disk once for all. One that cannot be is told of,
    /// counted as before, and tried again.
    fn remove(&self, over: Vec<Over>) {
        if over.is_empty() {
            return;
        }
        self.asks();
        let mut any = false;
        for one in over {
            let path = self.path(one.number, ORDER);
            let gone = match one.refused {
                true => std::fs::rename(&path, self.path(one.number, REFUSED)),
                false => std::fs::remove_file(&path),
            };
            match gone {
                Err(error) if error.kind() != io::ErrorKind::NotFound || !self.is_in_its_place() => {
                    let state = &mut *locked(&self.state);
                    let file = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
                    if state.unremoved.is_empty() {
                        tracing::error!(file, problem = %error, "a file of the spool cannot be removed: it is tried again");
                    }
                    state.health.last_unremoved = Some(format!("{file}: {error}"));
                    state.unremoved.insert(one.number, one);
                }
                came => {
                    any = true;
                    self.less(one.bytes);
                    locked(&self.state).health.refused += u64::from(one.refused && came.is_ok());
                }
            }
        }
        if any && let Err(error) = self.sync_names() {
            self.wrote(Err(format!("what was removed from it may come back: {error}")));
        }
    }

    /// Whether the folder is the one that was opened.
    fn is_in_its_place(&self) -> bool {
        let held = locked(&self.lock);
        let held = held.as_ref().and_then(|lock| lock.metadata().ok());
        let there = std::fs::metadata(self.folder.join(LOCK)).ok();
        #[cfg(unix)]
        {
            use std::os::unix::fs::MetadataExt as _;
            let of = |file: std::fs::Metadata| (file.dev(), file.ino());
            held.is_some() && held.map(of) == there.map(of)
        }
        #[cfg(not(unix))]
        {
            held.is_some() && there.is_some()
        }
    }

    /// Looks whether the folder can be written, tries again what could not be done, and counts what lies in it.
    fn look(&self) {
        self.asks();
        let can = self.can_be_written();
        let can = can.and_then(|()| self.count());
        let (over, unmoved) = {
            let mut state = locked(&self.state);
            (std::mem::take(&mut state.unremoved), std::mem::take(&mut state.unmoved))
        };
        self.remove(over.into_values().collect());
        for (number, end) in unmoved {
            let moved = std::fs::rename(self.path(number, end), self.path(number, DAMAGED));
            let state = &mut *locked(&self.state);
            match moved {
                Ok(()) => state.health.damaged += 1,
                Err(error) if error.kind() == io::ErrorKind::NotFound => {}
                Err(_) => drop(state.unmoved.insert(number, end)),
            }
        }
        match can {
            Err(error) => self.wrote(Err(error.to_string())),
            // An order had no room: that a little can be written says nothing.
            Ok(()) if locked(&self.state).full => {}
            Ok(()) => self.wrote(Ok(())),
        }
    }

    /// Sees to it that the folder is this process's, where somebody made it again.
    fn placed(&self) -> io::Result<()> {
        if !self.is_in_its_place() {
            let lock = own(&self.folder.join(LOCK), false)?;
            lock.try_lock().map_err(|_| io::Error::other("another process uses it"))?;
            *locked(&self.lock) = Some(lock);
            locked(&self.state).made += 1;
        }
        Ok(())
    }

    fn can_be_written(&self) -> io::Result<()> {
        self.placed()?;
        let path = self.folder.join(LOOKED);
        let mut file = own(&path, false)?;
        file.write_all(b"\n")?;
        file.sync_data()?;
        std::fs::remove_file(&path)
    }
}

/// A file for its owner alone, to be written.
fn own(path: &Path, new: bool) -> io::Result<File> {
    let mut options = OpenOptions::new();
    options.write(true).create(true).create_new(new).truncate(false);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    options.open(path)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::queue::item::CardShown;
    use crate::store::{Folder, order};

    fn files(folder: &Path, end: &str) -> Vec<PathBuf> {
        let mut found: Vec<PathBuf> = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
        found.retain(|path| path.extension().is_some_and(|own| own == end));
        found.sort();
        found
    }

    /// What is read back is what was kept; what was changed or cut off anywhere is never an order.
    #[test]
    fn what_is_not_whole_is_no_order() {
        let mut one = order(1);
        one.resource = "{\"invented\":\"ü\"}".to_owned();
        one.late = Some(one.at);
        one.cards = vec![CardShown { id: "c".to_owned(), rules: vec!["VOL-01".to_owned()] }];
        let bytes = bytes_of(&one).unwrap();
        assert_eq!(order_of(&bytes).unwrap(), one);
        for n in 0..bytes.len() {
            assert!(order_of(&bytes[..n]).is_err(), "cut off at {n}");
            let mut other = bytes.clone();
            other[n] ^= 1;
            assert!(order_of(&other).is_err(), "changed at {n}");
        }
        assert!(order_of(&[bytes.as_slice(), b"\n"].concat()).is_err());
    }

    fn slots(n: usize) -> Vec<Arc<Slot>> {
        (0..n).map(|_| Arc::default()).collect()
    }

    fn idle(spool: &Spool) {
        for _ in 0..6000 {
            if spool.is_idle() {
                return;
            }
            std::thread::sleep(Duration::from_millis(10));
        }
        panic!("it is at work for ever: {:?}", spool.health());
    }

    fn keep(spool: &Spool, slot: &Arc<Slot>, n: usize) {
        spool.keep([(slot, &order(n))]);
        idle(spool);
    }

    fn take(spool: &Spool, left: Left) -> Taken {
        let (gives, taken) = std::sync::mpsc::channel();
        spool.take(vec![left], move |taken| gives.send(taken).unwrap());
        taken.recv_timeout(Duration::from_secs(60)).unwrap().pop().unwrap()
    }

    #[test]
    fn a_spool_is_bounded_locked_and_tells_what_is_torn() {
        let folder = Folder::new();
        let path = folder.place().with_file_name("spool");
        let length = bytes_of(&order(1)).unwrap().len() as u64;
        assert!(length < BLOCK);
        let (spool, left) = Spool::open(&path, 3 * BLOCK - 1).unwrap();
        assert!(left.is_empty());
        assert!(Spool::open(&path, 1).is_err(), "another one uses it");
        let slots = slots(3);
        for (n, slot) in slots.iter().enumerate() {
            keep(&spool, slot, n + 1);
        }
        assert_eq!(slots.iter().map(|slot| slot.is_kept()).collect::<Vec<_>>(), [true, true, false]);
        let health = spool.health();
        assert_eq!((health.orders, health.bytes), (2, 2 * BLOCK), "each file takes a block of the disk");
        assert!(health.trouble.unwrap().1.contains("it is full"));
        spool.look();
        assert!(spool.health().trouble.is_some(), "it is full as before");
        spool.done(&slots[0]);
        idle(&spool);
        keep(&spool, &slots[0], 1);
        assert!(!slots[0].is_kept(), "what is done is not kept again");
        keep(&spool, &slots[2], 3);
        assert_eq!(spool.health().trouble, None);
        #[cfg(unix)]
        for file in files(&path, ORDER) {
            use std::os::unix::fs::PermissionsExt as _;
            assert_eq!(std::fs::metadata(file).unwrap().permissions().mode() & 0o777, 0o600);
        }
        drop(spool);
        // One is cut off, and another was being written.
        let kept = files(&path, ORDER);
        let text = std::fs::read(&kept[0]).unwrap();
        std::fs::write(&kept[0], &text[..text.len() - 1]).unwrap();
        std::fs::write(path.join("00000000000000000099.part"), "enteral").unwrap();
        let (spool, mut left) = Spool::open(&path, 2 * BLOCK).unwrap();
        assert_eq!(left.len(), 1);
        let Taken::Order(read, slot) = take(&spool, left.remove(0)) else { panic!("it is whole") };
        assert_eq!((read.id(), read.late), (order(3).id(), Some(order(3).at)));
        let health = spool.health();
        assert_eq!((health.orders, health.damaged), (1, 2));
        assert_eq!(files(&path, DAMAGED).len(), 2, "they are left for somebody to look at");
        spool.refused(&slot);
        idle(&spool);
        assert_eq!((files(&path, ORDER).len(), files(&path, REFUSED).len(), spool.health().orders), (0, 1, 0));
        let next = Arc::default();
        keep(&spool, &next, 4);
        assert!(path.join("00000000000000000100.order").exists(), "no number is used twice");
        drop(spool);
        // After the next start they are told of as well, until somebody has removed them.
        let (spool, _) = Spool::open(&path, 2 * BLOCK).unwrap();
        let health = spool.health();
        assert_eq!((health.damaged, health.refused), (2, 1));
        assert!(health.last_damaged.unwrap().ends_with("99.damaged"));
        files(&path, DAMAGED).iter().chain(&files(&path, REFUSED)).for_each(|file| std::fs::remove_file(file).unwrap());
        spool.look();
        let health = spool.health();
        assert_eq!((health.damaged, health.refused, health.last_damaged), (0, 0, None));
    }

    /// A file that cannot be read is no damaged one: it stays where it is, and is tried again.
    #[test]
    fn what_cannot_be_read_is_tried_again() {
        let folder = Folder::new();
        let path = folder.place().with_file_name("spool");
        let (spool, _) = Spool::open(&path, MOST_BYTES).unwrap();
        keep(&spool, &Arc::default(), 1);
        drop(spool);
        // A folder in its place opens, and its reading fails, whoever reads.
        let (file, aside) = (files(&path, ORDER).remove(0), path.join("aside"));
        std::fs::rename(&file, &aside).unwrap();
        std::fs::create_dir(&file).unwrap();
        let (spool, mut left) = Spool::open(&path, MOST_BYTES).unwrap();
        assert_eq!(left.len(), 1, "it waits");
        let Taken::Later(left) = take(&spool, left.remove(0)) else { panic!("it cannot be read") };
        assert!(left.rests.is_some());
        let health = spool.health();
        assert_eq!((health.unread, health.damaged, health.orders), (1, 0, 1));
        assert!(!health.is_well() && health.last_unread.unwrap().contains("0.order: "));
        assert!(files(&path, DAMAGED).is_empty());
        std::fs::remove_dir(&file).unwrap();
        std::fs::rename(&aside, &file).unwrap();
        let Taken::Order(read, _) = take(&spool, left) else { panic!("it can be read again") };
        assert_eq!(read.id(), order(1).id());
        assert!(spool.health().is_well());
    }

    /// A file that cannot be removed is told, stays counted, and is tried again.
    #[test]
    fn what_cannot_be_removed_is_told_and_tried_again() {
        let folder = Folder::new();
        let path = folder.place().with_file_name("spool");
        let (spool, _) = Spool::open(&path, MOST_BYTES).unwrap();
        let slot = Arc::default();
        keep(&spool, &slot, 1);
        let file = files(&path, ORDER).remove(0);
        std::fs::remove_file(&file).unwrap();
        std::fs::create_dir(&file).unwrap();
        spool.done(&slot);
        idle(&spool);
        let health = spool.health();
        assert_eq!((health.unremoved, health.orders, health.bytes), (1, 1, BLOCK));
        assert!(!health.is_well() && health.last_unremoved.unwrap().contains("0.order: "));
        std::fs::remove_dir(&file).unwrap();
        std::fs::write(&file, "").unwrap();
        spool.look();
        let health = spool.health();
        assert!(health.is_well() && !file.exists());
        assert_eq!((health.unremoved, health.orders, health.bytes), (0, 0, 0));
    }

    /// Whether the folder can be written is known before an order has to be kept, and after it was mended.
    #[test]
    fn it_is_looked_whether_the_folder_can_be_written() {
        let folder = Folder::new();
        let path = folder.place().with_file_name("spool");
        let (spool, _) = Spool::open(&path, MOST_BYTES).unwrap();
        spool.look();
        assert!(spool.health().is_well());
        std::fs::remove_dir_all(&path).unwrap();
        spool.look();
        assert!(spool.health().trouble.is_some());
        std::fs::create_dir(&path).unwrap();
        spool.look();
        assert_eq!(spool.health().trouble, None);
        assert!(Spool::open(&path, 1).is_err(), "it is used by one as before");
        let names = std::fs::read_dir(&path).unwrap().map(|entry| entry.unwrap().file_name());
        assert_eq!(names.collect::<Vec<_>>(), [LOCK], "nothing is left of the look");
        // What was in the folder of before is kept in the one of now.
        let slot = Arc::default();
        keep(&spool, &slot, 1);
        std::fs::remove_dir_all(&path).unwrap();
        std::fs::create_dir(&path).unwrap();
        spool.look();
        keep(&spool, &slot, 1);
        assert_eq!((files(&path, ORDER).len(), spool.health().orders), (1, 1));
    }

    /// A disk that does not answer holds nobody up: what is handed over is bounded, what is recorded meanwhile leaves no file.
    #[test]
    fn a_disk_that_does_not_answer_holds_nobody_up() {
        let folder = Folder::new();
        let path = folder.place().with_file_name("spool");
        let (spool, _) = Spool::open(&path, MOST_BYTES).unwrap();
        spool.hang(true);
        let slots = slots(MOST_COMING + 2 * AT_A_TIME);
        for (n, slot) in slots.iter().enumerate() {
            spool.keep([(slot, &order(n))]);
        }
        let nowhere = slots.iter().filter(|slot| slot.is_nowhere()).count();
        assert!((AT_A_TIME..=2 * AT_A_TIME).contains(&nowhere), "{nowhere} were not taken");
        assert!(spool.health().trouble.unwrap().1.contains("it does not keep up"));
        assert!(slots.iter().all(|slot| !slot.is_kept()));
        spool.done(&slots[0]);
        spool.done(&slots[AT_A_TIME]);
        spool.hang(false);
        idle(&spool);
        let health = spool.health();
        assert_eq!((health.trouble, health.orders as usize), (None, slots.len() - nowhere - 2));
        assert_eq!(files(&path, ORDER).len(), slots.len() - nowhere - 2);
        assert!(files(&path, PART).is_empty());
    }
}
