//! A folder in which orders that could not be recorded wait as well as in memory, so that the end of the process loses none.
//!
//! Each order is a file of its own: a line with the length and the SHA-256 of what follows, and the order as JSON. A file is
//! written under another name, brought to the disk and then renamed; one that is not whole all the same is never read as an
//! order, is told of and left under another name. A file is removed when its order is durable, and so may be recorded again
//! after a crash in between, which changes nothing: the order and its content are one item.

use super::Unavailable;
use super::sql::locked;
use crate::audit::chain::Hash;
use crate::queue::item::Received;
use crate::queue::waiting::{read_back, written};
use jiff::Timestamp;
use serde::Serialize;
use std::fs::{File, OpenOptions};
use std::io::{self, Read as _, Write as _};
use std::path::{Path, PathBuf};
use std::sync::Mutex;

/// Bytes of all orders in a spool, at most, where nothing else is said.
pub const MOST_BYTES: u64 = 512 << 20;
/// Bytes of one order's file, at most.
const LONGEST: u64 = 64 << 20;
/// The first word of a file, with the version of its form.
const FORM: &str = "enteral-gate-spool-1";
/// Ends of names: an order, one that is being written, one that is not whole, and one that the store refuses.
const ORDER: &str = "order";
const PART: &str = "part";
const DAMAGED: &str = "damaged";
const REFUSED: &str = "refused";
/// What tells that a process uses the folder.
const LOCK: &str = "lock";

/// Where an order is kept on disk.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
enum Place {
    /// Nowhere, or not yet.
    #[default]
    Nowhere,
    /// In the file of this number, with so many bytes.
    File(u64, u64),
    /// It is durable elsewhere, or given up.
    Done,
}

/// The place of one order in a spool, shared by whoever holds the order.
#[derive(Debug, Default)]
pub(super) struct Slot(Mutex<Place>);

impl Slot {
    /// Whether the order is on disk.
    #[cfg(test)]
    fn is_kept(&self) -> bool {
        matches!(*locked(&self.0), Place::File(..))
    }
}

/// How a spool is.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "camelCase")]
pub struct SpoolHealth {
    /// Orders in it.
    pub orders: u64,
    /// Bytes of them.
    pub bytes: u64,
    /// Why it cannot be written, and since when.
    pub trouble: Option<(Timestamp, String)>,
    /// Files that were not whole, since the start: what was in them is not on the queue.
    pub damaged: u64,
    /// The last of them.
    pub last_damaged: Option<String>,
}

#[derive(Default)]
struct State {
    next: u64,
    health: SpoolHealth,
}

/// A folder, used by one process.
pub struct Spool {
    folder: PathBuf,
    most: u64,
    state: Mutex<State>,
    /// Held as long as the folder is used.
    _lock: File,
}

/// An order that is on disk and not in memory.
pub(super) struct Left {
    number: u64,
    bytes: u64,
    /// Which order, where that is known.
    pub(super) key: Option<String>,
    pub(super) item: bool,
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

fn whole(path: &Path) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    File::open(path)?.take(LONGEST + 1).read_to_end(&mut bytes)?;
    Ok(bytes)
}

impl Spool {
    /// Opens a folder, or makes it for its owner alone; gives what waits in it, those that came in first first. What is not
    /// whole is told of, and left under another name.
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
        let out = Self { folder: folder.to_owned(), most, state: Mutex::default(), _lock: lock };
        let mut found = Vec::new();
        for entry in std::fs::read_dir(folder).map_err(|error| told(&error))? {
            let path = entry.map_err(|error| told(&error))?.path();
            let number = path.file_stem().and_then(|stem| stem.to_str()).and_then(|stem| stem.parse::<u64>().ok());
            let (Some(number), Some(end)) = (number, path.extension().and_then(|end| end.to_str())) else { continue };
            {
                let mut state = locked(&out.state);
                state.next = state.next.max(number.saturating_add(1));
            }
            match end {
                ORDER => found.push(number),
                PART => out.damaged(number, PART, "it was not written to its end"),
                _ => {}
            }
        }
        found.sort_unstable();
        let mut left = Vec::with_capacity(found.len());
        for number in found {
            let Some((order, bytes)) = out.read(number) else { continue };
            let mut state = locked(&out.state);
            state.health.orders += 1;
            state.health.bytes += bytes;
            left.push(Left { number, bytes, key: order.key.text(), item: order.is_item() });
        }
        Ok((out, left))
    }

    fn path(&self, number: u64, end: &str) -> PathBuf {
        self.folder.join(format!("{number:020}.{end}"))
    }

    /// Reads a file; what is not whole is told of and put aside.
    fn read(&self, number: u64) -> Option<(Received, u64)> {
        let bytes = match whole(&self.path(number, ORDER)) {
            Ok(bytes) => bytes,
            Err(error) => {
                self.damaged(number, ORDER, &error.to_string());
                return None;
            }
        };
        match order_of(&bytes) {
            Ok(order) => Some((order, bytes.len() as u64)),
            Err(why) => {
                self.damaged(number, ORDER, &why);
                None
            }
        }
    }

    /// Puts a file that is not whole aside, and says so.
    fn damaged(&self, number: u64, end: &str, why: &str) {
        let to = self.path(number, DAMAGED);
        let _ = std::fs::rename(self.path(number, end), &to);
        let file = to.file_name().unwrap_or_default().to_string_lossy().into_owned();
        tracing::error!(file, problem = why, "a file of the spool is not whole: what was in it is not on the queue");
        let health = &mut locked(&self.state).health;
        health.damaged += 1;
        health.last_damaged = Some(format!("{file}: {why}"));
    }

    /// Reads an order back that is not in memory.
    pub(super) fn take(&self, left: &Left) -> Option<(Received, Slot)> {
        let read = self.read(left.number);
        if read.is_none() {
            self.less(left.bytes);
        }
        read.map(|(order, _)| (order, Slot(Mutex::new(Place::File(left.number, left.bytes)))))
    }

    /// What it takes to find an order again that is on disk and for which there is no room in memory.
    pub(super) fn left(slot: &Slot, order: &Received) -> Option<Left> {
        match *locked(&slot.0) {
            Place::File(number, bytes) => Some(Left { number, bytes, key: order.key.text(), item: order.is_item() }),
            Place::Nowhere | Place::Done => None,
        }
    }

    /// Keeps orders on disk, those that are not yet and are not done. What cannot be kept is told of.
    pub(super) fn keep<'o>(&self, orders: impl IntoIterator<Item = (&'o Slot, &'o Received)>) {
        let (mut any, mut wrong) = (false, None);
        for (slot, order) in orders {
            let mut place = locked(&slot.0);
            if *place != Place::Nowhere {
                continue;
            }
            match self.write(order) {
                Ok((number, bytes)) => (*place, any) = (Place::File(number, bytes), true),
                Err(why) => wrong = Some(why),
            }
        }
        if any {
            // The names reach the disk once for all.
            let synced = File::open(&self.folder).and_then(|folder| folder.sync_all());
            wrong = wrong.or(synced.err().map(|error| error.to_string()));
        }
        if any || wrong.is_some() {
            self.wrote(wrong.map_or(Ok(()), Err));
        }
    }

    fn write(&self, order: &Received) -> Result<(u64, u64), String> {
        let bytes = bytes_of(order)?;
        let length = bytes.len() as u64;
        if length > LONGEST {
            return Err("an order is too long for it".to_owned());
        }
        let number = {
            let mut state = locked(&self.state);
            if state.health.bytes.saturating_add(length) > self.most {
                return Err(format!("it is full: {} orders in {} bytes", state.health.orders, state.health.bytes));
            }
            state.health.bytes += length;
            state.health.orders += 1;
            state.next += 1;
            state.next - 1
        };
        let part = self.path(number, PART);
        let written = own(&part, true)
            .and_then(|mut file| file.write_all(&bytes).and_then(|()| file.sync_data()))
            .and_then(|()| std::fs::rename(&part, self.path(number, ORDER)));
        match written {
            Ok(()) => Ok((number, length)),
            Err(error) => {
                let _ = std::fs::remove_file(&part);
                self.less(length);
                Err(error.to_string())
            }
        }
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
        let health = &mut locked(&self.state).health;
        health.orders = health.orders.saturating_sub(1);
        health.bytes = health.bytes.saturating_sub(bytes);
    }

    /// Removes an order that is durable elsewhere.
    pub(super) fn done(&self, slot: &Slot) {
        let mut place = locked(&slot.0);
        if let Place::File(number, bytes) = *place {
            // Where it stays it is recorded again after the next start, which changes nothing.
            let _ = std::fs::remove_file(self.path(number, ORDER));
            self.less(bytes);
        }
        *place = Place::Done;
    }

    /// Leaves an order that is given up under another name, for somebody to look at.
    pub(super) fn refused(&self, slot: &Slot) {
        let mut place = locked(&slot.0);
        if let Place::File(number, bytes) = *place {
            let _ = std::fs::rename(self.path(number, ORDER), self.path(number, REFUSED));
            self.less(bytes);
        }
        *place = Place::Done;
    }

    /// How it is.
    pub(super) fn health(&self) -> SpoolHealth {
        locked(&self.state).health.clone()
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

    #[test]
    fn a_spool_is_bounded_locked_and_tells_what_is_torn() {
        let folder = Folder::new();
        let path = folder.place().with_file_name("spool");
        let length = bytes_of(&order(1)).unwrap().len() as u64;
        let (spool, left) = Spool::open(&path, 2 * length).unwrap();
        assert!(left.is_empty());
        assert!(Spool::open(&path, 1).is_err(), "another one uses it");
        let slots: Vec<Slot> = (0..3).map(|_| Slot::default()).collect();
        for (n, slot) in slots.iter().enumerate() {
            spool.keep([(slot, &order(n + 1))]);
        }
        assert_eq!(slots.iter().map(Slot::is_kept).collect::<Vec<_>>(), [true, true, false]);
        let health = spool.health();
        assert_eq!((health.orders, health.bytes), (2, 2 * length));
        assert!(health.trouble.unwrap().1.contains("it is full"));
        spool.done(&slots[0]);
        spool.keep([(&slots[0], &order(1))]);
        assert!(!slots[0].is_kept(), "what is done is not kept again");
        spool.keep([(&slots[2], &order(3))]);
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
        let (spool, left) = Spool::open(&path, 2 * length).unwrap();
        assert_eq!(left.len(), 1);
        let (read, slot) = spool.take(&left[0]).unwrap();
        assert_eq!((read.id(), read.late), (order(3).id(), Some(order(3).at)));
        let health = spool.health();
        assert_eq!((health.orders, health.damaged), (1, 2));
        assert_eq!(files(&path, DAMAGED).len(), 2, "they are left for somebody to look at");
        spool.refused(&slot);
        assert_eq!((files(&path, ORDER).len(), files(&path, REFUSED).len(), spool.health().orders), (0, 1, 0));
        let next = Slot::default();
        spool.keep([(&next, &order(4))]);
        assert!(path.join("00000000000000000100.order").exists(), "no number is used twice");
    }
}
