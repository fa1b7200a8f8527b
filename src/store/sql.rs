//! The store over SQL. What SQLite and PostgreSQL do differently is how they are opened ([`super::sqlite`],
//! [`super::postgres`]); every statement is the same.
//!
//! One task writes ([`super::writer`]): what waits is taken together, written in one transaction, and acknowledged after
//! its commit. Reading goes past it ([`super::reader`]).

use super::damaged::{self, DamagedItems};
use super::listing::{Listing, keep_up};
use super::opening::{Opened, open_again};
use super::outbox::Listener;
use super::packing::{self, Dictionaries, Kept, Packer};
use super::spool::{Left, MOST_BYTES, Slot, Spool, Taken};
use super::sqlite::{Files, LogIs};
use super::views::{self, View};
use super::writer::{self, Op};
use super::{
    Answer, CardAnswer, Change, Committed, Counts, Filter, Health, Mark, NotDone, Page, Query, Recorded, Store,
    Unavailable, reader, schema, sorting,
};
use crate::background::Background;
use crate::queue::item::{Item, ItemId, OrderKey, Received, Summary};
use crate::queue::policy::Policy;
use crate::queue::report::Report;
use crate::queue::tally::{LastFound, RuleStatistics};
use crate::queue::trail;
use crate::queue::urgency::Times;
use crate::queue::work::Command;
use crate::queue::{Person, item};
use futures_util::future::join_all;
use jiff::Timestamp;
use jiff::civil::Date;
use sqlx::any::AnyRow;
use sqlx::query::Query as Statement;
use sqlx::{Any, AnyConnection, AnyPool, AssertSqlSafe, Row as _};
use std::collections::hash_map::Entry;
use std::collections::{HashMap, HashSet, VecDeque};
use std::future::Future;
use std::path::Path;
use std::sync::atomic::{AtomicBool, AtomicI64, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, OnceLock, PoisonError};
use std::time::{Duration, Instant};
use tokio::sync::{broadcast, mpsc, oneshot};
use tokio::task::JoinHandle;

/// Most operations that wait to be written; more are turned away.
const MOST_WAITING: usize = 1024;
/// Most orders kept in memory that could not be recorded.
const MOST_SET_ASIDE: usize = 2000;
/// Most bytes of them.
const MOST_BYTES_SET_ASIDE: usize = 64 << 20;
/// Most clear orders kept in memory that are to replace an earlier content.
const MOST_CLEAR_SET_ASIDE: usize = 10_000;
/// Most bytes of them.
const MOST_BYTES_CLEAR: usize = 8 << 20;
/// Changes that a slow listener may be behind before it misses some.
const CHANGES: usize = 1024;
/// How often it is tried again to record what was set aside.
pub(super) const RETRY: Duration = Duration::from_millis(500);
/// Most orders of which it is known without the database that they may have an item; some 30 MB of them.
const MOST_KNOWN: usize = 250_000;
/// How often the database refuses an order by itself before it is given up.
const MOST_REFUSALS: u32 = 10;
/// The longest time between two tries of an order whose item cannot be read; somebody may be mending it.
const LONGEST_REST: Duration = Duration::from_secs(60);
/// How long the end waits for the disk of the spool.
const END_OF_SPOOL: Duration = Duration::from_secs(5);
/// After how long an order of which nothing is known is brought to the disk as well.
const UNSURE_AFTER: Duration = Duration::from_secs(1);
/// How long an answer waits for the disk of the spool while that is in trouble.
const AGAIN_IN_TROUBLE: Duration = Duration::from_millis(50);
/// Orders that are tried again at a time.
const AGAIN_AT_A_TIME: usize = 50;

/// Which database.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Dialect {
    Sqlite,
    Postgres,
}

/// A value that is bound to a statement.
#[derive(Clone, Debug)]
pub(super) enum Value {
    Text(String),
    Int(i64),
    Bytes(Vec<u8>),
    NoText,
    NoInt,
    NoBytes,
}

impl Value {
    /// Whether a row holds this, as it is kept.
    ///
    /// # Errors
    /// When it holds something of another kind.
    pub(super) fn held_in(self, row: &AnyRow, at: usize) -> Result<bool, Unavailable> {
        let held = match self {
            Self::Text(text) => row.try_get::<Option<String>, _>(at).map(|held| held == Some(kept_text(text))),
            Self::NoText => row.try_get::<Option<String>, _>(at).map(|held| held.is_none()),
            Self::Int(n) => row.try_get::<Option<i64>, _>(at).map(|held| held == Some(n)),
            Self::NoInt => row.try_get::<Option<i64>, _>(at).map(|held| held.is_none()),
            Self::Bytes(bytes) => row.try_get::<Option<Vec<u8>>, _>(at).map(|held| held == Some(bytes)),
            Self::NoBytes => row.try_get::<Option<Vec<u8>>, _>(at).map(|held| held.is_none()),
        };
        held.map_err(|error| trouble(&error))
    }
}

impl From<String> for Value {
    fn from(text: String) -> Self {
        Self::Text(text)
    }
}

impl From<&str> for Value {
    fn from(text: &str) -> Self {
        Self::Text(text.to_owned())
    }
}

impl From<Option<String>> for Value {
    fn from(text: Option<String>) -> Self {
        text.map_or(Self::NoText, Self::Text)
    }
}

impl From<Option<Vec<u8>>> for Value {
    fn from(bytes: Option<Vec<u8>>) -> Self {
        bytes.map_or(Self::NoBytes, Self::Bytes)
    }
}

impl From<i64> for Value {
    fn from(n: i64) -> Self {
        Self::Int(n)
    }
}

impl From<Option<i64>> for Value {
    fn from(n: Option<i64>) -> Self {
        n.map_or(Self::NoInt, Self::Int)
    }
}

impl From<Timestamp> for Value {
    fn from(at: Timestamp) -> Self {
        Self::Int(at.as_microsecond())
    }
}

impl From<Option<Timestamp>> for Value {
    fn from(at: Option<Timestamp>) -> Self {
        at.map(Timestamp::as_microsecond).into()
    }
}

/// A number as both databases keep it.
pub(super) fn number(n: u64) -> i64 {
    i64::try_from(n).unwrap_or(i64::MAX)
}

/// A text as both databases can keep it: one of them takes no U+0000, which is visible then. What is JSON has it escaped.
pub(super) fn kept_text(text: String) -> String {
    if text.contains('\0') { text.replace('\0', "\u{FFFD}") } else { text }
}

/// A statement with its values.
pub(super) fn statement(
    sql: String,
    values: impl IntoIterator<Item = Value>,
) -> Statement<'static, Any, sqlx::any::AnyArguments> {
    values.into_iter().fold(sqlx::query(AssertSqlSafe(sql)), |query, value| match value {
        Value::Text(text) => query.bind(kept_text(text)),
        Value::Int(n) => query.bind(n),
        Value::Bytes(bytes) => query.bind(bytes),
        Value::NoText => query.bind(None::<String>),
        Value::NoInt => query.bind(None::<i64>),
        Value::NoBytes => query.bind(None::<Vec<u8>>),
    })
}

/// Runs a statement without values.
pub(super) async fn run(conn: &mut AnyConnection, sql: String) -> Result<(), Unavailable> {
    sqlx::raw_sql(AssertSqlSafe(sql)).execute(conn).await.map(drop).map_err(|error| trouble(&error))
}

/// An error of the database in one line. Statements have their values bound, so that no data is in it but a name of a
/// table or a rule that did not hold.
pub(super) fn trouble(error: &sqlx::Error) -> Unavailable {
    let said = match error {
        sqlx::Error::Database(own) => {
            let code = own.code().map_or_else(String::new, |code| format!(" (code {code})"));
            format!("{}{code}", own.message().lines().next().unwrap_or_default())
        }
        sqlx::Error::Io(io) => format!("input or output failed: {}", io.kind()),
        sqlx::Error::PoolTimedOut => "no connection in time".to_owned(),
        sqlx::Error::PoolClosed => "it was closed".to_owned(),
        other => other.to_string().lines().next().unwrap_or_default().to_owned(),
    };
    if lies_in_values(error) { Unavailable::Refused(said) } else { Unavailable::Database(said) }
}

/// Whether the database works, and refuses what it was given.
fn lies_in_values(error: &sqlx::Error) -> bool {
    let sqlx::Error::Database(own) = error else { return false };
    let Some(code) = own.code() else { return false };
    if own.try_downcast_ref::<sqlx::sqlite::SqliteError>().is_some() {
        // The result code's last byte: TOOBIG, CONSTRAINT, MISMATCH, RANGE.
        code.parse::<u32>().is_ok_and(|code| matches!(code & 0xff, 18 | 19 | 20 | 25))
    } else {
        // Classes of SQLSTATE: cardinality, data, integrity constraint, program limit exceeded.
        ["21", "22", "23", "54"].iter().any(|class| code.len() == 5 && code.starts_with(class))
    }
}

/// What is kept cannot be read as what it should be.
pub(super) fn damaged(what: &str, error: &serde_json::Error) -> Unavailable {
    Unavailable::Damaged(format!("{what}, column {}", error.column()))
}

/// An order that waits in memory, and how often the database refused it by itself.
pub(super) struct Waiting {
    pub(super) order: Received,
    pub(super) refused: u32,
    /// Until when it is not tried, as its item cannot be read, and how long it rests.
    pub(super) rests: Option<(Instant, Duration)>,
    /// Its place in the spool, where there is one.
    pub(super) slot: Option<Arc<Slot>>,
}

impl From<Received> for Waiting {
    fn from(order: Received) -> Self {
        Self { order, refused: 0, rests: None, slot: None }
    }
}

/// Orders that could not be recorded.
#[derive(Default)]
struct Aside {
    /// What becomes an item.
    items: Room,
    /// What only replaces an earlier content.
    clear: Room,
    /// What is in the spool and not in memory.
    left: [VecDeque<Left>; 2],
    /// Orders that become items, waiting or being tried: what is clear of the same order has to wait for them.
    keys: HashMap<String, usize>,
}

/// Orders of one kind, by when they were received.
#[derive(Default)]
struct Room {
    orders: VecDeque<Waiting>,
    /// How many there are, and bytes of them: of those that are tried as soon as can be, and of those that rest. The latter
    /// may stay for long and take no room of the others.
    held: [(usize, usize); 2],
    /// Those for which there is no room, and of which it is not known yet whether they will be on disk.
    unsettled: VecDeque<Waiting>,
    /// How many are being tried, or brought from the disk, now.
    trying: usize,
    /// Some are being brought from the disk.
    filling: bool,
}

impl Aside {
    /// What is in the spool and not in memory, of each kind: what becomes an item, and what is clear.
    fn left(&self, item: bool) -> usize {
        let [items, clear] = &self.left;
        if item { items.len() } else { clear.len() }
    }

    /// Orders in memory that become items, or clear ones.
    fn room(&mut self, item: bool) -> &mut Room {
        if item { &mut self.items } else { &mut self.clear }
    }

    /// Notes an order that is in the spool alone.
    fn leave(&mut self, left: Left) {
        if let Some(key) = left.key.clone().filter(|_| left.item) {
            *self.keys.entry(key).or_default() += 1;
        }
        let [items, clear] = &mut self.left;
        if left.item { items } else { clear }.push_back(left);
    }

    /// One hold less on an order of that key.
    fn release(&mut self, key: String) {
        if let Entry::Occupied(mut one) = self.keys.entry(key) {
            *one.get_mut() -= 1;
            if *one.get() == 0 {
                one.remove();
            }
        }
    }
}

impl Room {
    /// Orders of the one or the other kind, and bytes of them.
    fn held(&mut self, rests: bool) -> &mut (usize, usize) {
        let [due, resting] = &mut self.held;
        if rests { resting } else { due }
    }

    /// Keeps one of so many bytes, where there is room for it; otherwise it is given back.
    fn keep(&mut self, waiting: Waiting, size: usize, most: usize, most_bytes: usize) -> Result<(), Box<Waiting>> {
        let (n, bytes) = self.held(waiting.rests.is_some());
        if *n >= most || *bytes + size > most_bytes {
            return Err(Box::new(waiting));
        }
        *n += 1;
        *bytes += size;
        let place = self.orders.partition_point(|other| other.order.at <= waiting.order.at);
        self.orders.insert(place, waiting);
        Ok(())
    }

    /// Takes at most so many to be tried, of those that may be.
    fn take(&mut self, most: usize, may: impl Fn(&Waiting) -> bool) -> VecDeque<Waiting> {
        let mut out = VecDeque::with_capacity(most.min(self.orders.len()));
        let mut rest = VecDeque::with_capacity(self.orders.len());
        for waiting in self.orders.drain(..) {
            if out.len() < most && may(&waiting) { out.push_back(waiting) } else { rest.push_back(waiting) }
        }
        self.orders = rest;
        for waiting in &out {
            let (n, bytes) = self.held(waiting.rests.is_some());
            *n = n.saturating_sub(1);
            *bytes = bytes.saturating_sub(size(&waiting.order));
        }
        self.trying += out.len();
        out
    }
}

/// Orders that were taken out of memory to be tried. What is left of them when this is dropped, for whatever reason, is set
/// aside again.
struct Trying<'s> {
    shared: &'s Shared,
    items: VecDeque<Waiting>,
    clear: VecDeque<Waiting>,
    /// How many were taken of each.
    taken: (usize, usize),
    keys: Vec<String>,
}

impl Trying<'_> {
    fn all(&self) -> usize {
        self.taken.0 + self.taken.1
    }
}

impl Drop for Trying<'_> {
    fn drop(&mut self) {
        self.shared.set_aside(self.items.drain(..).chain(self.clear.drain(..)));
        let mut aside = locked(&self.shared.aside);
        let (items, clear) = self.taken;
        aside.items.trying = aside.items.trying.saturating_sub(items);
        aside.clear.trying = aside.clear.trying.saturating_sub(clear);
        self.keys.drain(..).for_each(|key| aside.release(key));
    }
}

/// What is wrong, and since when.
type Trouble = Option<(Timestamp, Unavailable)>;

/// How the last write and the last look went, apart: on a full disk everything can be looked at.
#[derive(Default)]
struct Troubles {
    write: Trouble,
    look: Trouble,
}

/// Notes in its place how something went.
fn note<T>(trouble: &mut Trouble, result: &Result<T, Unavailable>, well: &str, ill: &str) {
    match (result, &mut *trouble) {
        (Ok(_), None) => {}
        (Ok(_), Some(_)) => {
            tracing::info!("{well}");
            *trouble = None;
        }
        (Err(error), Some((_, before))) => *before = error.clone(),
        (Err(error), None) => {
            tracing::error!(problem = %error, "{ill}");
            *trouble = Some((Timestamp::now(), error.clone()));
        }
    }
}

/// Orders that may have an item: a clear order that is not among them has nothing to replace. Where they are too many to
/// be held, the database is asked.
struct Known {
    keys: Option<HashSet<String>>,
    most: usize,
}

impl Known {
    fn new(keys: HashSet<String>, most: usize) -> Self {
        let mut out = Self { keys: Some(keys), most };
        out.bound();
        out
    }

    fn bound(&mut self) {
        if self.keys.as_ref().is_some_and(|keys| keys.len() > self.most) {
            self.keys = None;
        }
    }

    fn add(&mut self, keys: Vec<String>) {
        if let Some(own) = &mut self.keys {
            own.extend(keys);
            self.bound();
        }
    }

    /// Whether one of these may have an item; nothing where the database has to be asked.
    fn has_any(&self, keys: &[String]) -> Option<bool> {
        self.keys.as_ref().map(|own| keys.iter().any(|key| own.contains(key)))
    }
}

/// What the store and its tasks share.
pub(super) struct Shared {
    pub(super) dialect: Dialect,
    pub(super) policy: Policy,
    pub(super) changes: broadcast::Sender<Change>,
    /// Tells replicas apart.
    pub(super) instance: String,
    label: String,
    trouble: Mutex<Troubles>,
    /// Since when nothing writes any more, though nobody closed the store.
    ended: OnceLock<Timestamp>,
    /// Since when the file that is written is not where it was opened, and what is there instead.
    displaced: Mutex<Option<(Timestamp, String)>>,
    /// Whether it is not.
    is_displaced: AtomicBool,
    aside: Mutex<Aside>,
    lost: AtomicU64,
    /// Clear orders that could not be kept in memory.
    clear_lost: AtomicU64,
    /// What is said of a clear order, which nobody reads: one for all that are set aside.
    clear_report: OnceLock<Arc<Report>>,
    /// How many orders were given up that the database refused, and the last of them.
    given_up: Mutex<(u64, Option<String>)>,
    last_order: AtomicI64,
    /// Who is told of changes; mostly nobody.
    listeners: Mutex<Arc<[Listener]>>,
    /// The file of SQLite, as it was opened.
    pub(super) files: OnceLock<Arc<Files>>,
    pub(super) damaged_items: DamagedItems,
    /// Where orders that wait are kept as well.
    spool: OnceLock<Spool>,
    /// Orders that may have an item, where no other replica writes.
    known: Option<Mutex<Known>>,
    pub(super) dictionaries: Dictionaries,
    /// What packs reports, once it is known what they are like.
    packer: OnceLock<Packer>,
    /// Whether every program that works on the tables can read packed reports.
    may_pack: AtomicBool,
    /// Whether the database was opened.
    pub(super) opened: Opened,
    /// What the writer has to do about SQLite's log, if anything.
    pub(super) log: LogIs,
    /// Where a test asks for a fault when orders are tried again.
    #[cfg(test)]
    pub(super) trips: AtomicBool,
}

pub(super) fn locked<T>(of: &Mutex<T>) -> MutexGuard<'_, T> {
    of.lock().unwrap_or_else(PoisonError::into_inner)
}

fn size(order: &Received) -> usize {
    let OrderKey { client, base, patient, order: id } = &order.key;
    if order.is_item() {
        order.resource.len() + 4096
    } else {
        client.len() + base.len() + patient.len() + id.len() + 512
    }
}

impl Shared {
    /// Who is told of changes.
    pub(super) fn listeners(&self) -> Arc<[Listener]> {
        locked(&self.listeners).clone()
    }

    pub(super) fn set_listeners(&self, listeners: Arc<[Listener]>) {
        *locked(&self.listeners) = listeners;
    }

    /// What packs reports, where they are.
    pub(super) fn packer(&self) -> Option<&Packer> {
        self.packer.get().filter(|_| self.may_pack.load(Ordering::Relaxed))
    }

    /// Notes whether every program that works on the tables can read packed reports.
    pub(super) fn may_pack(&self, may: bool) {
        self.may_pack.store(may, Ordering::Relaxed);
    }

    /// Notes when an order was received, microseconds.
    pub(super) fn received_last(&self, last: Option<i64>) {
        self.last_order.fetch_max(last.unwrap_or(i64::MIN), Ordering::Relaxed);
    }

    /// A report as it is to be kept.
    pub(super) fn kept(&self, report: &Report) -> Kept {
        self.packer()
            .and_then(|packer| packer.pack(report))
            .unwrap_or_else(|| Kept::Plain(packing::plain(report).into()))
    }

    /// Notes how the last write went. One that worked has looked as well.
    pub(super) fn wrote<T>(&self, result: &Result<T, Unavailable>) {
        if let Err(error) = result
            && self.damaged(error)
        {
            return;
        }
        let mut troubles = locked(&self.trouble);
        note(&mut troubles.write, result, "the store works again", "the store cannot be used");
        if result.is_ok() {
            troubles.look = None;
        }
    }

    /// Notes an item that cannot be read, which is no trouble of the store; gives whether it is one.
    fn damaged(&self, error: &Unavailable) -> bool {
        let Unavailable::DamagedItem(damage) = error else { return false };
        self.damaged_items.note(damage);
        true
    }

    /// Notes how the last look went; of writing it says nothing.
    fn looked<T>(&self, result: &Result<T, Unavailable>) {
        if let Err(error) = result
            && self.damaged(error)
        {
            return;
        }
        let mut troubles = locked(&self.trouble);
        note(&mut troubles.look, result, "the store can be looked at again", "the store cannot be looked at");
    }

    /// Notes whether the file that is written is where it was opened; otherwise what is wrong.
    pub(super) fn displaced(&self, wrong: Option<String>) {
        let mut displaced = locked(&self.displaced);
        match (&wrong, displaced.as_ref()) {
            (Some(wrong), None) => tracing::error!(problem = wrong, "the queue's file is not where it was opened"),
            (None, Some(_)) => tracing::info!("the queue's file is where it was opened again"),
            _ => {}
        }
        let since = displaced.take().map_or_else(Timestamp::now, |(since, _)| since);
        self.is_displaced.store(wrong.is_some(), Ordering::Relaxed);
        *displaced = wrong.map(|wrong| (since, wrong));
    }

    /// Looks whether the file that is written is where it was opened; a look takes microseconds.
    pub(super) fn look_for_the_file(&self) {
        if let Some(files) = self.files.get() {
            self.displaced(files.wrong());
        }
    }

    /// Why nothing may be written, where the file is not where it was opened: what goes into it nobody finds again.
    pub(super) fn in_its_place(&self) -> Result<(), Unavailable> {
        if !self.is_displaced.load(Ordering::Relaxed) {
            return Ok(());
        }
        let wrong = locked(&self.displaced).as_ref().map(|(_, wrong)| wrong.clone());
        wrong.map_or(Ok(()), |wrong| Err(Unavailable::Database(wrong)))
    }

    /// Notes that what writes has ended for good. What waits for it is lost.
    pub(super) fn end(&self) {
        if self.ended.set(Timestamp::now()).is_ok() {
            tracing::error!("what writes the queue has ended: orders are answered and not recorded until a restart");
        }
        // Nothing has room any more.
        drop(self.take_aside(usize::MAX, true));
    }

    /// Keeps orders in memory; those for which there is no room are lost, and counted, and so are all where nothing writes
    /// any more. Of clear ones only what replaces an earlier content is kept, where anything tells which order it is.
    ///
    /// Where there is a spool they are kept there first, for the time after this process; what is there is not lost.
    pub(super) fn set_aside<W: Into<Waiting>>(&self, orders: impl IntoIterator<Item = W>) {
        self.put_aside(orders, self.spool.get());
    }

    fn put_aside<W: Into<Waiting>>(&self, orders: impl IntoIterator<Item = W>, spool: Option<&Spool>) {
        let (mut lost, mut clear_lost) = (0, 0);
        let mut all: Vec<Waiting> = orders.into_iter().map(Into::into).collect();
        all.retain(|waiting| waiting.order.is_item() || waiting.order.key.text().is_some());
        for waiting in all.iter_mut().filter(|waiting| !waiting.order.is_item()) {
            waiting.order = self.only_replaces(waiting.order.clone());
        }
        if let Some(spool) = spool {
            for waiting in &mut all {
                waiting.slot.get_or_insert_default();
            }
            spool.keep(all.iter().filter_map(|waiting| Some((waiting.slot.as_ref()?, &waiting.order))));
        }
        let mut aside = locked(&self.aside);
        for waiting in all {
            let (item, key) = (waiting.order.is_item(), waiting.order.key.text());
            let size = size(&waiting.order);
            let (most, most_bytes) = match item {
                true => (MOST_SET_ASIDE, MOST_BYTES_SET_ASIDE),
                false => (MOST_CLEAR_SET_ASIDE, MOST_BYTES_CLEAR),
            };
            let waiting = match self.ended.get() {
                None => aside.room(item).keep(waiting, size, most, most_bytes),
                Some(_) => Err(Box::new(waiting)),
            };
            match waiting {
                Ok(()) => {}
                // It is known soon.
                Err(waiting) if waiting.slot.as_ref().is_some_and(|slot| slot.is_coming()) => {
                    aside.room(item).unsettled.push_back(*waiting);
                }
                Err(waiting) => {
                    match waiting.slot.as_ref().and_then(|slot| Spool::left(slot, &waiting.order)) {
                        Some(left) => aside.leave(left),
                        None => *if item { &mut lost } else { &mut clear_lost } += 1,
                    }
                    continue;
                }
            }
            if let Some(key) = key.filter(|_| item) {
                *aside.keys.entry(key).or_default() += 1;
            }
        }
        drop(aside);
        self.are_lost(lost, clear_lost);
        self.settle();
    }

    /// Of orders for which there is no room in memory: those that are on disk now wait there, those that are not are lost.
    fn settle(&self) {
        let mut lost = [0, 0];
        let mut aside = locked(&self.aside);
        for (nth, item) in [(0, true), (1, false)] {
            let is_known = |waiting: &mut Waiting| !waiting.slot.as_ref().is_some_and(|slot| slot.is_coming());
            // They are written in this order.
            while let Some(waiting) = aside.room(item).unsettled.pop_front_if(is_known) {
                let left = waiting.slot.as_ref().map(|slot| (Spool::left(slot, &waiting.order), slot.is_nowhere()));
                match left {
                    Some((Some(left), _)) => aside.leave(left),
                    Some((None, false)) => {}
                    Some((None, true)) | None => lost.iter_mut().skip(nth).take(1).for_each(|n| *n += 1),
                }
                if let Some(key) = waiting.order.key.text().filter(|_| item) {
                    aside.release(key);
                }
            }
        }
        drop(aside);
        let [items, clear] = lost;
        self.are_lost(items, clear);
    }

    fn are_lost(&self, lost: u64, clear_lost: u64) {
        if lost > 0 {
            self.lost.fetch_add(lost, Ordering::Relaxed);
            tracing::error!(orders = lost, "flagged orders cannot wait in memory: they are lost for the queue");
        }
        if clear_lost > 0 {
            self.clear_lost.fetch_add(clear_lost, Ordering::Relaxed);
            tracing::error!(
                orders = clear_lost,
                "clear orders cannot wait in memory: earlier contents of them may still be on the queue"
            );
        }
    }

    /// Hands what waits in memory and is not on disk over to the spool, as far as that can be written: it could not be
    /// before, or there was none.
    fn spool_what_waits(&self) {
        let Some(spool) = self.spool.get().filter(|spool| spool.health().trouble.is_none()) else { return };
        // Many clear orders at once are soon done.
        let clear = self.still_in_trouble().is_some();
        let aside = &mut *locked(&self.aside);
        let clear = aside.clear.orders.iter_mut().filter(|_| clear);
        let all = aside.items.orders.iter_mut().chain(clear);
        spool.keep(all.map(|waiting| (&*waiting.slot.get_or_insert_default(), &waiting.order)));
    }

    /// What it takes of a clear order to replace an earlier content.
    fn only_replaces(&self, order: Received) -> Received {
        let report = self.clear_report.get_or_init(|| order.report.clone()).clone();
        let Received { key, content, at, late, .. } = order;
        Received {
            key,
            content,
            at,
            late,
            report,
            label: String::new(),
            through: String::new(),
            resource: String::new(),
            identity: Default::default(),
            ward: None,
            starts: None,
            cards: Vec::new(),
        }
    }

    /// Sets aside what is clear among these of orders that wait in memory themselves: it has to come after them.
    fn come_after_those_that_wait<'o>(&self, orders: impl Iterator<Item = &'o Received> + Clone) {
        let clear = || orders.clone().filter(|order| !order.is_item());
        if clear().next().is_none() || locked(&self.aside).keys.is_empty() {
            return;
        }
        let waits = |key: String| locked(&self.aside).keys.contains_key(&key);
        self.set_aside(clear().filter(|order| order.key.text().is_some_and(waits)).cloned().collect::<Vec<_>>());
    }

    /// Keeps orders of an operation that failed in memory; but one that the database refused by itself again and again is
    /// given up, so that it does not take the room of others for ever. One whose item cannot be read is tried ever more
    /// seldom, until that is mended.
    pub(super) fn not_recorded(&self, orders: Vec<writer::Ready>, error: &Unavailable) {
        let alone = orders.len() == 1;
        let mut waiting = Vec::with_capacity(orders.len());
        for mut one in orders.into_iter().map(writer::Ready::waiting) {
            if alone && matches!(error, Unavailable::DamagedItem(_)) {
                let rest = one.rests.map_or(RETRY, |(_, rested)| (rested * 2).min(LONGEST_REST));
                one.rests = Some((Instant::now() + rest, rest));
            }
            if alone && matches!(error, Unavailable::Refused(_)) {
                one.refused += 1;
                if one.refused >= MOST_REFUSALS {
                    if let (Some(spool), Some(slot)) = (self.spool.get(), &one.slot) {
                        spool.refused(slot);
                    }
                    self.give_up(&one.order, error);
                    continue;
                }
            }
            waiting.push(one);
        }
        self.set_aside(waiting);
    }

    /// What was recorded is no longer needed in the spool. What is clear and found nothing to replace, as that failed just
    /// before it and waits now, comes after it.
    pub(super) fn recorded(&self, orders: &[writer::Ready]) {
        let received = || orders.iter().map(|order| &order.received);
        if received().any(|order| !order.is_item()) {
            self.come_after_those_that_wait(received());
        }
        if let Some(spool) = self.spool.get() {
            orders.iter().filter_map(|order| order.slot.as_deref()).for_each(|slot| spool.done(slot));
        }
    }

    /// Brings orders that are in the spool alone into memory, those that came in first first, as far as none is there but
    /// such as rest. Gives what ends when they are there: the disk may take its time, and nobody has to wait for it.
    fn refill(self: &Arc<Self>) -> Vec<oneshot::Receiver<()>> {
        let Some(spool) = self.spool.get() else { return Vec::new() };
        let mut begun = Vec::new();
        let now = Instant::now();
        for item in [true, false] {
            let mut aside = locked(&self.aside);
            let room = aside.room(item);
            if !matches!(room.held, [(0, _), _]) || std::mem::replace(&mut room.filling, true) {
                continue;
            }
            let [items, clear] = &mut aside.left;
            let left = if item { items } else { clear };
            let (mut some, mut others) = (Vec::new(), VecDeque::with_capacity(left.len()));
            for one in left.drain(..) {
                let is_due = some.len() < AGAIN_AT_A_TIME && one.rests.is_none_or(|until| until <= now);
                if is_due { some.push(one) } else { others.push_back(one) }
            }
            *left = others;
            let n = some.len();
            // They wait all the time.
            let room = aside.room(item);
            room.trying += n;
            room.filling = n > 0;
            drop(aside);
            if n == 0 {
                continue;
            }
            let (done, wait) = oneshot::channel();
            begun.push(wait);
            let keys: Vec<String> = some.iter().filter(|left| left.item).filter_map(|left| left.key.clone()).collect();
            let shared = self.clone();
            spool.take(some, move |taken| {
                shared.brought(taken, item, n, keys);
                drop(done);
            });
        }
        begun
    }

    /// What was brought from the spool waits in memory, and what could not be read there.
    fn brought(&self, taken: Vec<Taken>, item: bool, n: usize, keys: Vec<String>) {
        let (mut waiting, mut later) = (Vec::new(), Vec::new());
        for one in taken {
            match one {
                Taken::Order(order, slot) => waiting.push(Waiting { slot: Some(slot), ..(*order).into() }),
                Taken::Later(left) => later.push(left),
                Taken::Not => {}
            }
        }
        self.set_aside(waiting);
        let mut aside = locked(&self.aside);
        later.into_iter().for_each(|left| aside.leave(left));
        let room = aside.room(item);
        room.trying = room.trying.saturating_sub(n);
        room.filling = false;
        keys.into_iter().for_each(|key| aside.release(key));
    }

    fn give_up(&self, order: &Received, error: &Unavailable) {
        let item = order.id();
        let why = match error {
            Unavailable::Refused(why) => why.clone(),
            other => other.to_string(),
        };
        if !order.is_item() {
            self.clear_lost.fetch_add(1, Ordering::Relaxed);
            tracing::error!(
                problem = why,
                "a clear order is tried no more: an earlier content may still be on the queue"
            );
            return;
        }
        tracing::error!(%item, problem = why, "the store refuses a flagged order: it is lost for the queue");
        let mut given_up = locked(&self.given_up);
        given_up.0 += 1;
        given_up.1 = Some(format!("item {item}: {why}"));
    }

    /// What is wrong, where orders wait in memory for it to be over. An item that is damaged, or an order that is refused,
    /// holds up nobody but itself.
    fn still_in_trouble(&self) -> Option<Unavailable> {
        if self.ended.get().is_some() {
            return Some(Unavailable::Ended);
        }
        if let Err(trouble) = self.in_its_place() {
            return Some(trouble);
        }
        if let Err(trouble) = self.opened.looked_at() {
            return Some(trouble);
        }
        let waits = self.waiting() > 0;
        let all = |error: &&(Timestamp, Unavailable)| waits && !may_be_one(&error.1);
        locked(&self.trouble).write.as_ref().filter(all).map(|(_, error)| error.clone())
    }

    /// Orders that wait or are being tried: those that become items, and clear ones.
    fn waiting_of_each(&self) -> (u64, u64) {
        let aside = locked(&self.aside);
        let of = |room: &Room, item: bool| {
            (room.orders.len() + room.unsettled.len() + room.trying + aside.left(item)) as u64
        };
        (of(&aside.items, true), of(&aside.clear, false))
    }

    /// Orders that wait on disk and not in memory, of each kind.
    fn on_disk_alone(&self) -> (u64, u64) {
        let aside = locked(&self.aside);
        (aside.left(true) as u64, aside.left(false) as u64)
    }

    /// Orders that wait in memory and are not on disk, of each kind.
    fn in_memory_alone(&self) -> (u64, u64) {
        self.settle();
        let aside = locked(&self.aside);
        let is_alone = |waiting: &&Waiting| !waiting.slot.as_ref().is_some_and(|slot| slot.is_kept());
        let of = |room: &Room| room.orders.iter().chain(&room.unsettled).filter(is_alone).count() as u64;
        (of(&aside.items), of(&aside.clear))
    }

    /// Orders that wait to become items.
    fn waiting(&self) -> u64 {
        self.waiting_of_each().0
    }

    /// Takes some of the orders that were set aside, those that were received first and do not rest, or those too. What is
    /// clear comes after what becomes an item, and while such a one of the same order waits or is only on disk, not at all.
    fn take_aside(&self, most: usize, every: bool) -> Trying<'_> {
        // Under one lock, so that nobody sees none waiting in between.
        let mut aside = locked(&self.aside);
        let now = Instant::now();
        let is_due = |waiting: &Waiting| every || waiting.rests.is_none_or(|(until, _)| until <= now);
        let items = aside.items.take(most, is_due);
        let keys: Vec<String> = items.iter().filter_map(|waiting| waiting.order.key.text()).collect();
        let mut own: HashMap<&str, usize> = HashMap::new();
        keys.iter().for_each(|key| *own.entry(key).or_default() += 1);
        let Aside { clear, keys: held, .. } = &mut *aside;
        let over = self.ended.get().is_some();
        let is_next = |waiting: &Waiting| {
            let of = |key: String| held.get(&key).is_none_or(|all| own.get(key.as_str()).is_some_and(|n| n >= all));
            over || held.is_empty() || waiting.order.key.text().is_none_or(of)
        };
        let clear = clear.take(most - items.len(), |waiting| is_due(waiting) && is_next(waiting));
        Trying { shared: self, taken: (items.len(), clear.len()), items, clear, keys }
    }
}

/// Orders of which nobody who waits for them was told yet whether they are recorded. Where nobody waits any more, the answer
/// goes out without knowing, and they are kept in the spool until it is known.
struct Unsure<'s> {
    shared: &'s Shared,
    orders: Vec<(Received, Arc<Slot>)>,
    most: usize,
}

impl<'s> Unsure<'s> {
    fn of(shared: &'s Shared, orders: &[Received]) -> Self {
        let own = |order: &Received| (order.clone(), Arc::default());
        let kept = if shared.spool.get().is_some() { orders.iter().map(own).collect() } else { Vec::new() };
        Self { shared, orders: kept, most: orders.len() }
    }

    /// The place of each order in the spool, where there is one.
    fn slots(&self) -> Vec<Option<Arc<Slot>>> {
        let mut slots: Vec<_> = self.orders.iter().map(|(_, slot)| Some(slot.clone())).collect();
        slots.resize(self.most, None);
        slots
    }

    /// Whoever waited knows.
    fn told(mut self) {
        self.orders.clear();
    }
}

impl Drop for Unsure<'_> {
    fn drop(&mut self) {
        self.keep();
    }
}

impl Unsure<'_> {
    /// Hands them over to the spool, those that were not yet.
    fn keep(&self) {
        if let Some(spool) = self.shared.spool.get() {
            spool.keep(self.orders.iter().map(|(order, slot)| (slot, order)));
        }
    }
}

/// Whether one operation alone may be the cause: something that is kept and cannot be read, or something in what is to be
/// written.
pub(super) fn may_be_one(error: &Unavailable) -> bool {
    matches!(error, Unavailable::Damaged(_) | Unavailable::DamagedItem(_) | Unavailable::Refused(_))
}

/// The store over SQL.
pub struct SqlStore {
    pub(super) shared: Arc<Shared>,
    pub(super) readers: AnyPool,
    listing: Arc<Listing>,
    ops: Mutex<Option<mpsc::Sender<Op>>>,
    /// What goes on beside, and what became of it.
    background: Arc<Background>,
    tasks: Mutex<Vec<JoinHandle<()>>>,
    /// Ends with the writer.
    writing: Mutex<Option<oneshot::Receiver<()>>>,
}

/// What a database is opened with.
pub(super) struct Opening {
    pub(super) dialect: Dialect,
    pub(super) label: String,
    pub(super) readers: AnyPool,
    pub(super) writer: AnyPool,
    pub(super) policy: Policy,
}

impl SqlStore {
    /// Brings the tables up to date and begins to write. Where the database is `away`, it is opened when it is there.
    pub(super) async fn start(opening: Opening, away: Option<Unavailable>) -> Result<Self, Unavailable> {
        let Opening { dialect, label, readers, writer, policy } = opening;
        let may_pack = match away {
            None => {
                migrate(&writer, dialect, schema::VERSION).await?;
                packing::may_be(&writer, dialect).await?
            }
            Some(_) => false,
        };
        let (changes, _) = broadcast::channel(CHANGES);
        let shared = Arc::new(Shared {
            dialect,
            policy,
            changes,
            instance: uuid::Uuid::new_v4().simple().to_string(),
            label,
            trouble: Mutex::default(),
            ended: OnceLock::new(),
            displaced: Mutex::default(),
            is_displaced: AtomicBool::default(),
            aside: Mutex::default(),
            lost: AtomicU64::new(0),
            clear_lost: AtomicU64::new(0),
            clear_report: OnceLock::new(),
            given_up: Mutex::default(),
            last_order: AtomicI64::new(i64::MIN),
            listeners: Mutex::new(Arc::new([])),
            files: OnceLock::new(),
            damaged_items: DamagedItems::default(),
            spool: OnceLock::new(),
            known: match dialect {
                Dialect::Sqlite => {
                    let current = reader::current_orders(&readers, MOST_KNOWN + 1).await?;
                    Some(Mutex::new(Known::new(current, MOST_KNOWN)))
                }
                Dialect::Postgres => None,
            },
            dictionaries: Dictionaries::default(),
            packer: OnceLock::new(),
            may_pack: AtomicBool::new(may_pack),
            opened: Opened::new(away.is_none()),
            log: LogIs::default(),
            #[cfg(test)]
            trips: AtomicBool::default(),
        });
        if away.is_none() {
            shared.received_last(reader::last_received(&readers).await?);
        }
        let (ops, waiting) = mpsc::channel(MOST_WAITING);
        // A connection lives where it was made, and the writer makes its own.
        if away.is_none() {
            writer.acquire().await.map_err(|error| trouble(&error))?.close().await.map_err(|error| trouble(&error))?;
        }
        let writing = writer::begin(writer, shared.clone(), waiting)
            .map_err(|error| Unavailable::Database(format!("its writer cannot begin: {}", error.kind())))?;
        let listing = Arc::new(Listing::default());
        let store = Self {
            shared: shared.clone(),
            readers: readers.clone(),
            listing: listing.clone(),
            ops: Mutex::new(Some(ops.clone())),
            background: Arc::default(),
            tasks: Mutex::default(),
            writing: Mutex::new(Some(writing)),
        };
        let weak = ops.downgrade();
        if let Some(away) = away {
            shared.wrote::<()>(&Err(away));
            let (shared, weak) = (shared.clone(), weak.clone());
            store.keep("the database opened", move || open_again(shared.clone(), weak.clone()));
        }
        let (looks, pool) = (shared.clone(), readers.clone());
        store.keep("orders tried again", move || record_again(shared.clone(), weak.clone()));
        store.keep("damaged items looked at again", move || damaged::look_again(looks.clone(), pool.clone()));
        store.keep("lists kept up to date", move || keep_up(listing.clone(), readers.clone(), dialect));
        Ok(store)
    }

    /// Keeps reports packed from now on, which takes a tenth of the room and less time: by what `samples` say as well,
    /// reports of invented orders (JSON) like those that will be recorded, those that are most like them last. Of a sample
    /// nothing may be of a patient: it outlives the orders. Gives whether it does: reports stay plain without samples, and
    /// where programs may work on the tables that know no packed ones ([`super::pack_reports`]), and until the database was
    /// reached.
    pub fn pack_like(&self, samples: &[String]) -> bool {
        let shared = &self.shared;
        let may_pack = shared.may_pack.load(Ordering::Relaxed) || !shared.opened.is();
        if may_pack
            && shared.packer.get().is_none()
            && let Some(packer) = Packer::of(samples, &shared.dictionaries)
        {
            // Somebody else may have been quicker.
            let _ = shared.packer.set(packer);
        }
        shared.packer().is_some()
    }

    /// Whether the database was reached since the start, and its tables can be worked on.
    pub fn is_opened(&self) -> bool {
        self.shared.opened.is()
    }

    /// Keeps orders that wait in this folder as well from now on, so that they outlive this process, and records what waits
    /// there since an earlier one; gives how many those are. Called once, before anything is recorded.
    ///
    /// # Errors
    /// Where the folder cannot be used, or another process uses it.
    pub fn spool_in(&self, folder: &Path) -> Result<u64, Unavailable> {
        let (spool, left) = Spool::open(folder, MOST_BYTES)?;
        let n = left.len() as u64;
        if self.shared.spool.set(spool).is_err() {
            return Err(Unavailable::Database("there is a spool already".to_owned()));
        }
        let mut aside = locked(&self.shared.aside);
        left.into_iter().for_each(|left| aside.leave(left));
        Ok(n)
    }

    /// Work that ends with the store, and begins again where a fault ended it.
    pub fn keep<F: Future<Output = ()> + Send + 'static>(&self, name: &str, work: impl FnMut() -> F + Send + 'static) {
        locked(&self.tasks).push(self.background.keep(name, work));
    }

    /// Sends an operation to the writer; gives it back, and why, where it takes none or too many wait.
    fn send(&self, op: Op) -> Result<(), (Box<Op>, Unavailable)> {
        let ops = locked(&self.ops).clone();
        let Some(ops) = ops else { return Err((Box::new(op), self.untold())) };
        ops.try_send(op).map_err(|error| match error {
            mpsc::error::TrySendError::Full(op) => (Box::new(op), Unavailable::Busy),
            mpsc::error::TrySendError::Closed(op) => (Box::new(op), self.untold()),
        })
    }

    /// Why nothing is known of an operation: the store was closed, or what writes has ended.
    fn untold(&self) -> Unavailable {
        self.shared.ended.get().map_or_else(closed, |_| Unavailable::Ended)
    }

    pub(super) async fn written<T, E>(&self, op: impl FnOnce(oneshot::Sender<Result<T, E>>) -> Op) -> Result<T, E>
    where
        E: From<Unavailable>,
    {
        let (done, wait) = oneshot::channel();
        match self.send(op(done)) {
            Ok(()) => wait.await.unwrap_or_else(|_| Err(self.untold().into())),
            Err((op, why)) => {
                if let Op::Record { orders, .. } = *op {
                    self.shared.set_aside(orders.into_iter().map(writer::Ready::waiting));
                }
                Err(why.into())
            }
        }
    }

    /// Whether recording these changes anything: one is an item, or may replace an item.
    async fn concerns(&self, orders: &[Received]) -> Result<bool, Unavailable> {
        let keys: Vec<String> = orders.iter().filter_map(|order| order.key.text()).collect();
        if orders.iter().any(Received::is_item) {
            if let Some(known) = &self.shared.known {
                locked(known).add(keys);
            }
            return Ok(true);
        }
        if keys.is_empty() {
            return Ok(false);
        }
        match self.shared.known.as_ref().and_then(|known| locked(known).has_any(&keys)) {
            Some(any) => Ok(any),
            None => self.looked(reader::any_current(&self.readers, keys)).await,
        }
    }

    async fn looked<T>(&self, look: impl Future<Output = Result<T, Unavailable>>) -> Result<T, Unavailable> {
        self.shared.opened.looked_at()?;
        let found = look.await;
        if !matches!(found, Err(Unavailable::NoSuchPage)) {
            self.shared.looked(&found);
        }
        found
    }

    /// Holds what lists are worked out from, and which orders have items, in memory for so many at most, from now on; where
    /// there are more, the database is asked for every list and every clear order.
    pub fn hold_at_most(&self, items: u64) {
        self.listing.hold_at_most(items);
        if let Some(known) = &self.shared.known {
            let mut known = locked(known);
            known.most = usize::try_from(items).unwrap_or(usize::MAX);
            known.bound();
        }
    }

    /// Looks at what is held in memory, after it was brought up to date; nothing where the database has to be asked. The
    /// look may take some milliseconds and is off the threads that serve.
    async fn held<T: Send + 'static>(
        &self,
        look: impl FnOnce(&Listing) -> Option<T> + Send + 'static,
    ) -> Result<Option<T>, Unavailable> {
        self.listing.bring(&self.readers, self.shared.dialect).await?;
        let listing = self.listing.clone();
        let looked = tokio::task::spawn_blocking(move || look(&listing)).await;
        looked.map_err(|_| Unavailable::Database("the list was not finished".to_owned()))
    }

    async fn listed(&self, query: Query) -> Result<Page, Unavailable> {
        let page = self.found(query).await?;
        page.damaged.iter().for_each(|item| self.shared.damaged_items.note_listed(item));
        Ok(page)
    }

    async fn found(&self, query: Query) -> Result<Page, Unavailable> {
        // From which server an order is, no line tells.
        if query.filter.patient.as_deref().is_some_and(reader::is_absolute) {
            return reader::list(&self.readers, &query).await;
        }
        let same = query.clone();
        match self.held(move |listing| listing.page(&same)).await? {
            None => reader::list(&self.readers, &query).await,
            Some(found) => {
                let found = found?;
                let (items, damaged) = reader::summaries(&self.readers, found.ids).await?;
                Ok(Page { items, damaged, next: found.next, total: found.total })
            }
        }
    }

    async fn counted(&self, now: Timestamp) -> Result<Counts, Unavailable> {
        match self.held(move |listing| listing.counts(now)).await? {
            None => reader::counts(&self.readers, now).await,
            Some(counts) => Ok(counts),
        }
    }

    /// Removes items that nobody works on any more and that changed last before a time. What is counted stays, and the
    /// trail keeps its chain without what was written.
    ///
    /// # Errors
    /// As every write.
    pub async fn purge(&self, before: Timestamp, by: Person, at: Timestamp) -> Result<u64, Unavailable> {
        self.written(|done| Op::Purge { before, by, at, done }).await
    }
}

impl SqlStore {
    /// Sorts what is kept by the times of this store, where it was sorted by others; gives how many items stand elsewhere
    /// now. Others write meanwhile; the trail has a line for each some items.
    ///
    /// # Errors
    /// As every write; what was sorted before stays so.
    pub async fn sort_again(&self, at: Timestamp) -> Result<u64, Unavailable> {
        self.shared.opened.looked_at()?;
        let (mut n, mut after) = (0, Some(String::new()));
        while let Some(from) = after {
            let sorting::Looked { moved, last } =
                sorting::look(&self.readers, &self.shared.policy.times, &from).await?;
            if !moved.is_empty() {
                n += self.written(|done| Op::SortAgain { moved, at, done }).await?;
            }
            after = last;
        }
        Ok(n)
    }

    /// The same, where there is anything to remove: no line in the trail for nothing.
    ///
    /// # Errors
    /// As [`SqlStore::purge`].
    pub async fn purge_if_any(&self, before: Timestamp, by: Person, at: Timestamp) -> Result<u64, Unavailable> {
        self.shared.opened.looked_at()?;
        if reader::any_past(&self.readers, before).await? { self.purge(before, by, at).await } else { Ok(0) }
    }
}

fn closed() -> Unavailable {
    Unavailable::Database("the store was closed".to_owned())
}

/// Brings the tables to a version.
pub(super) async fn migrate(pool: &AnyPool, dialect: Dialect, target: i64) -> Result<(), Unavailable> {
    let mut conn = pool.acquire().await.map_err(|error| trouble(&error))?;
    let mut tx = begin(&mut conn, dialect).await?;
    schema::bring(&mut tx, dialect, target).await?;
    tx.commit().await.map_err(|error| trouble(&error))
}

/// Begins a transaction that writes, alone: other writers wait. What follows sees everything that was committed before.
pub(super) async fn begin(
    conn: &mut AnyConnection,
    dialect: Dialect,
) -> Result<sqlx::Transaction<'_, Any>, Unavailable> {
    use sqlx::Connection as _;
    let begun = match dialect {
        Dialect::Sqlite => conn.begin_with("BEGIN IMMEDIATE").await,
        Dialect::Postgres => conn.begin().await,
    };
    let mut tx = begun.map_err(|error| trouble(&error))?;
    if dialect == Dialect::Postgres {
        // Replicas write one after the other; a batch holds this for some ten milliseconds.
        let own = "SELECT pg_advisory_xact_lock(7310945218734)";
        sqlx::raw_sql(own).execute(&mut *tx).await.map_err(|error| trouble(&error))?;
    }
    Ok(tx)
}

/// Tries again and again to record what was set aside.
async fn record_again(shared: Arc<Shared>, ops: mpsc::WeakSender<Op>) {
    loop {
        tokio::time::sleep(RETRY).await;
        shared.settle();
        shared.spool_what_waits();
        // Until the database is opened nothing can be recorded, and it is asked for by itself.
        while shared.opened.is() {
            #[cfg(test)]
            assert!(!shared.trips.swap(false, Ordering::SeqCst), "a fault that a test asked for");
            if shared.ended.get().is_none() {
                // A disk that does not answer holds up nothing of what is in memory.
                let _ = tokio::time::timeout(RETRY, join_all(shared.refill())).await;
            }
            let trying = shared.take_aside(AGAIN_AT_A_TIME, shared.ended.get().is_some());
            if trying.all() == 0 {
                break;
            }
            if shared.ended.get().is_some() {
                // What was taken is counted as lost.
                drop(trying);
                return shared.end();
            }
            if !again(&shared, &ops, trying).await {
                break;
            }
        }
    }
}

/// Tries to record orders that were set aside; gives whether all of them were.
async fn again(shared: &Shared, ops: &mpsc::WeakSender<Op>, mut trying: Trying<'_>) -> bool {
    let mut failed = HashSet::new();
    // What is clear comes after everything that it may have to replace; what is newer than it stays.
    for items in [true, false] {
        if !items && shared.still_in_trouble().is_some() {
            // Where nothing is written, that would be said to be over.
            return false;
        }
        let Some(ops) = ops.upgrade() else { return false };
        let now = Timestamp::now();
        let mut waits = Vec::new();
        // Each by itself, in their order: one that cannot be recorded holds up no other.
        let own = if items { &mut trying.items } else { &mut trying.clear };
        for mut waiting in std::mem::take(own) {
            let key = waiting.order.key.text();
            if !items && key.as_ref().is_some_and(|key| failed.contains(key)) {
                own.push_back(waiting);
                continue;
            }
            waiting.order.late = Some(now.max(waiting.order.at));
            let (done, wait) = oneshot::channel();
            match ops.try_send(Op::Record { orders: vec![writer::Ready::again(waiting, shared)], done }) {
                Ok(()) => waits.push((key, wait)),
                Err(error) => {
                    failed.insert(key.unwrap_or_default());
                    if let Op::Record { orders, .. } = error.into_inner() {
                        own.extend(orders.into_iter().map(writer::Ready::waiting));
                    }
                }
            }
        }
        // Only a weak hold while it waits, so that the store can be closed.
        drop(ops);
        for (key, wait) in waits {
            // What could not be written was set aside again by the writer.
            if !matches!(wait.await, Ok(Ok(_))) {
                failed.insert(key.unwrap_or_default());
            }
        }
    }
    failed.is_empty()
}

impl Store for SqlStore {
    fn record(&self, orders: Vec<Received>) -> Answer<'_, Vec<Recorded>> {
        Box::pin(async move {
            if orders.is_empty() {
                return Ok(Vec::new());
            }
            self.shared.come_after_those_that_wait(orders.iter());
            match self.concerns(&orders).await {
                Ok(true) => {}
                Ok(false) => return Ok(vec![Recorded::Nothing; orders.len()]),
                Err(error) => {
                    self.shared.set_aside(orders);
                    return Err(error);
                }
            }
            // While what was set aside cannot be recorded, nothing else can: no answer waits to find that out again.
            if let Some(trouble) = self.shared.still_in_trouble() {
                self.shared.set_aside(orders);
                return Err(trouble);
            }
            let unsure = Unsure::of(&self.shared, &orders);
            let slots = unsure.slots();
            let ready = |(order, slot)| writer::Ready::kept_in(slot, order, &self.shared);
            let orders = orders.into_iter().zip(slots).map(ready).collect();
            let came = self.written(|done| Op::Record { orders, done });
            let mut came = std::pin::pin!(came);
            let told = match tokio::time::timeout(UNSURE_AFTER, &mut came).await {
                Ok(came) => came,
                // Whoever waits may soon wait no more: it is on disk by then.
                Err(_) => {
                    unsure.keep();
                    came.await
                }
            };
            unsure.told();
            told
        })
    }

    fn has_spool(&self) -> bool {
        self.shared.spool.get().is_some()
    }

    fn spooled(&self, until: tokio::time::Instant) -> Answer<'_, ()> {
        Box::pin(async move {
            let Some(spool) = self.shared.spool.get() else { return Ok(()) };
            // Of a disk that is in trouble nobody waits to find that out again.
            let until = match spool.health().trouble {
                None => until,
                Some(_) => until.min(tokio::time::Instant::now() + AGAIN_IN_TROUBLE),
            };
            if tokio::time::timeout_at(until, spool.settled()).await.is_err() {
                spool.is_slow();
            }
            Ok(())
        })
    }

    fn replace_later(&self, mut orders: Vec<Received>) {
        if let Some(known) = &self.shared.known {
            let known = locked(known);
            // What has nothing to replace takes no room.
            orders.retain(|order| known.has_any(&order.key.text().into_iter().collect::<Vec<_>>()) != Some(false));
        }
        // Many clear orders at once are soon done; on disk they wait only while nothing can be written.
        let spool = self.shared.spool.get().filter(|_| self.shared.still_in_trouble().is_some());
        self.shared.put_aside(orders, spool);
    }

    fn act(&self, item: ItemId, mut command: Command) -> Answer<'_, Summary, NotDone> {
        // It is looked up as it is kept.
        command.id = kept_text(command.id);
        Box::pin(async move { self.written(|done| Op::Act { item, command: Box::new(command), done }).await })
    }

    fn get(&self, item: ItemId) -> Answer<'_, Option<Item>> {
        Box::pin(async move {
            let (pool, dictionaries) = (&self.readers, &self.shared.dictionaries);
            let found = self.looked(reader::get(pool, dictionaries, &item)).await?;
            self.shared.damaged_items.look_again(pool, dictionaries, &item).await;
            Ok(found)
        })
    }

    fn list(&self, mut query: Query) -> Answer<'_, Page> {
        let Filter { ward, rule, patient, by, search, task, .. } = &mut query.filter;
        let by_task = task.as_mut().and_then(|task| task.by.as_mut());
        let texts = [ward.as_mut(), rule.as_mut(), patient.as_mut(), by.as_mut(), by_task, Some(search)];
        for text in texts.into_iter().flatten() {
            // They are looked for as they are kept.
            *text = kept_text(std::mem::take(text));
        }
        Box::pin(async move { self.looked(self.listed(query)).await })
    }

    fn counts(&self, now: Timestamp) -> Answer<'_, Counts> {
        Box::pin(async move { self.looked(self.counted(now)).await })
    }

    fn trail(&self, item: ItemId) -> Answer<'_, Vec<trail::Entry>> {
        Box::pin(async move { self.looked(reader::trail(&self.readers, &item)).await })
    }

    fn mark(&self) -> Answer<'_, Mark> {
        Box::pin(async move { self.looked(reader::mark(&self.readers)).await })
    }

    fn committed(&self, after: Mark) -> Answer<'_, Committed> {
        Box::pin(async move { self.looked(reader::committed(&self.readers, after)).await })
    }

    fn statistics(&self, from: Date, to: Date) -> Answer<'_, Vec<RuleStatistics>> {
        Box::pin(async move { self.looked(reader::statistics(&self.readers, from, to)).await })
    }

    fn last_found(&self) -> Answer<'_, LastFound> {
        Box::pin(async move { self.looked(reader::last_found(&self.readers)).await })
    }

    fn seen_lately(&self, since: Timestamp) -> Answer<'_, Vec<(Person, Timestamp)>> {
        Box::pin(async move { self.looked(reader::seen_lately(&self.readers, since)).await })
    }

    fn viewed(&self, item: ItemId, by: Person, at: Timestamp) -> Answer<'_, ()> {
        Box::pin(async move { self.written(|done| Op::View { item, by, at, done }).await })
    }

    fn feedback(&self, answers: Vec<CardAnswer>) -> Answer<'_, usize> {
        Box::pin(async move { self.written(|done| Op::Feedback { answers, done }).await })
    }

    fn views(&self, person: String) -> Answer<'_, Vec<View>> {
        self.views_of(person)
    }

    fn set_view(&self, person: String, change: views::Change) -> Answer<'_, views::Came> {
        self.change_view(person, change)
    }

    fn times(&self) -> Times {
        self.shared.policy.times
    }

    fn received(&self, at: Timestamp) {
        self.shared.last_order.fetch_max(at.as_microsecond(), Ordering::Relaxed);
    }

    fn health(&self) -> Health {
        let troubles = locked(&self.shared.trouble);
        let looking = troubles.write.is_none() && troubles.look.is_some();
        let trouble = troubles.write.as_ref().or(troubles.look.as_ref()).cloned();
        drop(troubles);
        let ended = self.shared.ended.get().map(|since| (*since, Unavailable::Ended));
        let displaced = locked(&self.shared.displaced).clone();
        let displaced = displaced.map(|(since, wrong)| (since, Unavailable::Database(wrong)));
        let looking = looking && ended.is_none() && displaced.is_none();
        let (ended, displaced, trouble) = (ended.is_some(), displaced.is_some(), ended.or(displaced).or(trouble));
        let (refused, last_refused) = locked(&self.shared.given_up).clone();
        let (damaged, last_damaged) = self.shared.damaged_items.told();
        let last = self.shared.last_order.load(Ordering::Relaxed);
        self.shared.settle();
        let (waiting, clear_waiting) = self.shared.waiting_of_each();
        let (on_disk_alone, clear_on_disk_alone) = self.shared.on_disk_alone();
        Health {
            kind: self.shared.label.clone(),
            since: trouble.as_ref().map(|(since, _)| *since),
            trouble: trouble.map(|(_, error)| error.to_string()),
            ended,
            displaced,
            not_opened: self.shared.opened.why_not(),
            looking,
            waiting,
            on_disk_alone,
            clear_waiting,
            clear_on_disk_alone,
            damaged,
            last_damaged,
            spool: self.shared.spool.get().map(Spool::health),
            clear_lost: self.shared.clear_lost.load(Ordering::Relaxed),
            log_behind: self.shared.log.behind(),
            faults: self.background.faults(),
            lost: self.shared.lost.load(Ordering::Relaxed),
            refused,
            last_refused,
            last_order: if last == i64::MIN { None } else { Timestamp::from_microsecond(last).ok() },
        }
    }

    fn changes(&self) -> broadcast::Receiver<Change> {
        self.shared.changes.subscribe()
    }

    fn close(&self) -> Answer<'_, ()> {
        Box::pin(async move {
            // A last time; what fails is set aside again, and said below.
            let (items, clear) = self.shared.waiting_of_each();
            let mut tried = 0;
            while let Some(ops) = (tried < items + clear).then(|| locked(&self.ops).clone()).flatten() {
                let trying = self.shared.take_aside(AGAIN_AT_A_TIME, true);
                if trying.all() == 0 {
                    break;
                }
                tried += trying.all() as u64;
                // Where nothing at all can be written, that is not found out again for each of many.
                if !again(&self.shared, &ops.downgrade(), trying).await && self.shared.still_in_trouble().is_some() {
                    break;
                }
            }
            // Without a sender the writer ends after what waits.
            drop(locked(&self.ops).take());
            let writing = locked(&self.writing).take();
            if let Some(writing) = writing {
                let _ = writing.await;
            }
            locked(&self.tasks).drain(..).for_each(|task| task.abort());
            self.readers.close().await;
            if let Some(spool) = self.shared.spool.get() {
                let idle = async {
                    while !spool.is_idle() {
                        tokio::time::sleep(Duration::from_millis(10)).await;
                    }
                };
                self.shared.spool_what_waits();
                let _ = tokio::time::timeout(END_OF_SPOOL, idle).await;
                let orders = spool.health().orders;
                if orders > 0 {
                    tracing::warn!(orders, "orders wait in the spool and are recorded after the next start");
                }
            }
            let (items, clear) = self.shared.in_memory_alone();
            if items > 0 {
                tracing::error!(orders = items, "orders could not be recorded and are lost");
            }
            if clear > 0 {
                tracing::error!(orders = clear, "earlier contents of clear orders may still be on the queue");
            }
            Ok(())
        })
    }
}

impl Drop for SqlStore {
    fn drop(&mut self) {
        locked(&self.tasks).drain(..).for_each(|task| task.abort());
    }
}

/// The id of an item in a row.
pub(super) fn id_of(row: &AnyRow, at: usize) -> Result<ItemId, Unavailable> {
    use sqlx::Row as _;
    let text: String = row.try_get(at).map_err(|error| trouble(&error))?;
    item::ItemId::read(&text).ok_or_else(|| Unavailable::Damaged("an id of an item is none".to_owned()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::{Folder, order};

    async fn until(what: &str, store: &SqlStore, holds: impl Fn(&Health) -> bool) {
        for _ in 0..1200 {
            if holds(&store.health()) {
                return;
            }
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
        panic!("{what}: {:?}", store.health());
    }

    /// A store that tries nothing again by itself.
    async fn still() -> (Folder, SqlStore) {
        let folder = Folder::new();
        let store = SqlStore::sqlite(&folder.place(), Policy::default()).await.unwrap();
        locked(&store.tasks).drain(..).for_each(|task| task.abort());
        (folder, store)
    }

    /// What was taken to be tried again is counted, whatever becomes of it, and others that are being tried beside it too.
    #[tokio::test(flavor = "multi_thread")]
    async fn what_was_taken_out_of_memory_never_vanishes_uncounted() {
        let (_folder, store) = still().await;
        let shared = store.shared.clone();
        shared.set_aside((0..3).map(order));
        let some = shared.take_aside(2, false);
        assert_eq!(some.all(), 2);
        assert_eq!(shared.take_aside(0, false).all(), 0);
        let rest = shared.take_aside(AGAIN_AT_A_TIME, false);
        assert_eq!((rest.all(), shared.waiting()), (1, 3), "all of them are being tried");
        drop(rest);
        drop(some);
        assert_eq!((shared.waiting(), locked(&shared.aside).items.trying), (3, 0));
        // What writes ends after they were taken.
        let _ = shared.ended.set(Timestamp::now());
        let weak = locked(&store.ops).as_ref().map(mpsc::Sender::downgrade).unwrap();
        tokio::time::timeout(Duration::from_secs(60), record_again(shared.clone(), weak)).await.unwrap();
        let health = store.health();
        assert_eq!((health.waiting, health.lost), (0, 3));
    }

    /// A fault while orders are tried again is told, and they are tried again all the same.
    #[tokio::test(flavor = "multi_thread")]
    async fn orders_are_tried_again_after_a_fault() {
        let folder = Folder::new();
        let store = SqlStore::sqlite(&folder.place(), Policy::default()).await.unwrap();
        store.shared.trips.store(true, Ordering::SeqCst);
        until("the fault is told", &store, |health| health.faults.contains_key("orders tried again")).await;
        store.shared.set_aside([order(1)]);
        until("it is recorded", &store, |health| health.waiting == 0).await;
        assert!(store.get(order(1).id()).await.unwrap().is_some());
        assert_eq!(store.health().lost, 0);
    }

    /// Somebody who reads for long keeps the log from its file: that is said as soon as too much of it is left.
    #[tokio::test(flavor = "multi_thread")]
    async fn a_log_that_is_not_brought_over_is_said() {
        use sqlx::Connection as _;
        let folder = Folder::new();
        let store = SqlStore::sqlite(&folder.place(), Policy::default()).await.unwrap();
        store.record(vec![order(1)]).await.unwrap();
        store.shared.log.most_behind.store(1, Ordering::Relaxed);
        let options = sqlx::sqlite::SqliteConnectOptions::new().filename(folder.place());
        let mut reads = sqlx::SqliteConnection::connect_with(&options).await.unwrap();
        sqlx::raw_sql("BEGIN; SELECT COUNT(*) FROM items").execute(&mut reads).await.unwrap();
        store.record(vec![order(2)]).await.unwrap();
        until("it is said", &store, |health| health.log_behind.is_some()).await;
        reads.close().await.unwrap();
        until("it is over", &store, |health| health.log_behind.is_none()).await;
        store.close().await.unwrap();
    }

    /// What waits on disk goes on whatever rests in memory: one order whose item cannot be read holds up no other, neither
    /// one that becomes an item nor a clear one.
    #[tokio::test(flavor = "multi_thread")]
    async fn an_order_whose_item_cannot_be_read_holds_up_nothing_in_the_spool() {
        use sqlx::Connection as _;
        let folder = Folder::new();
        let store = SqlStore::sqlite(&folder.place(), Policy::default()).await.unwrap();
        store.record(vec![order(0), order(500)]).await.unwrap();
        let options = sqlx::sqlite::SqliteConnectOptions::new().filename(folder.place());
        let mut conn = sqlx::SqliteConnection::connect_with(&options).await.unwrap();
        let item = order(0).id();
        for sql in [
            format!("CREATE TABLE state_of_before AS SELECT state FROM items WHERE id = '{item}'"),
            format!("UPDATE items SET state = '{{' WHERE id = '{item}'"),
        ] {
            sqlx::raw_sql(AssertSqlSafe(sql)).execute(&mut conn).await.unwrap();
        }
        let place = folder.place().with_file_name("spool");
        let mut clear = order(500);
        clear.content = format!("{:064x}", 501);
        Arc::make_mut(&mut clear.report).disposition = crate::findings::Disposition::Clear;
        clear.at = clear.at.checked_add(jiff::SignedDuration::from_secs(60)).unwrap();
        // More than are tried at a time.
        let orders: Vec<Received> = (0..AGAIN_AT_A_TIME * 2 + 20).map(order).chain([clear]).collect();
        let slots: Vec<Arc<Slot>> = orders.iter().map(|_| Arc::default()).collect();
        let (spool, _) = Spool::open(&place, MOST_BYTES).unwrap();
        spool.keep(slots.iter().zip(&orders));
        drop(spool);
        assert_eq!(store.spool_in(&place).unwrap(), orders.len() as u64);
        until("all but one are done", &store, |health| (health.waiting, health.clear_waiting) == (1, 0)).await;
        let health = store.health();
        assert_eq!((health.damaged, health.lost, health.clear_lost), (1, 0, 0));
        let replaced = store.get(order(500).id()).await.unwrap().unwrap().summary;
        assert!(!replaced.is_open(), "{:?}", replaced.standing);
        let mends = format!("UPDATE items SET state = (SELECT state FROM state_of_before) WHERE id = '{item}'");
        sqlx::raw_sql(AssertSqlSafe(mends)).execute(&mut conn).await.unwrap();
        until("it is mended", &store, |health| health.waiting == 0).await;
        conn.close().await.unwrap();
        store.close().await.unwrap();
    }

    /// A disk that does not answer keeps no answer back: the order waits in memory, which is told; and one for which there is
    /// no room in memory is lost only when it is known not to be on disk either.
    #[tokio::test(flavor = "multi_thread", worker_threads = 1)]
    async fn a_disk_that_does_not_answer_keeps_no_answer_back() {
        let (folder, store) = still().await;
        store.spool_in(&folder.place().with_file_name("spool")).unwrap();
        let spool = store.shared.spool.get().unwrap();
        let in_time = async |n| {
            let answers = async {
                let came = store.record(vec![order(n)]).await;
                store.spooled(tokio::time::Instant::now() + Duration::from_millis(50)).await.unwrap();
                came
            };
            tokio::time::timeout(Duration::from_secs(60), answers).await.expect("it answers all the same")
        };
        store.shared.wrote::<()>(&Err(Unavailable::Database("it was broken by a test".to_owned())));
        store.shared.set_aside([order(0)]);
        spool.hang(true);
        assert!(in_time(1).await.is_err());
        let health = store.health();
        assert_eq!((health.waiting, health.on_disk_alone, health.lost), (2, 0, 0));
        assert!(health.spool.unwrap().trouble.unwrap().1.contains("does not answer"));
        // As if as many waited in memory as there is room for.
        locked(&store.shared.aside).items.held[0].0 += MOST_SET_ASIDE;
        assert!(in_time(2).await.is_err());
        let health = store.health();
        assert_eq!((health.waiting, health.on_disk_alone, health.lost), (3, 0, 0), "it is not known yet");
        spool.hang(false);
        tokio::time::timeout(Duration::from_secs(60), spool.settled()).await.unwrap();
        let health = store.health();
        assert_eq!((health.waiting, health.on_disk_alone, health.lost), (3, 1, 0));
        let spool = health.spool.unwrap();
        assert_eq!((spool.orders, spool.trouble), (3, None));
        assert_eq!(store.shared.in_memory_alone(), (0, 0));
    }

    #[test]
    fn so_many_orders_are_known_and_the_database_is_asked_of_more() {
        let key = |n: u32| vec![n.to_string()];
        let mut known = Known::new(HashSet::new(), 3);
        for n in 0..3 {
            known.add(key(n));
            known.add(key(n));
            assert_eq!((known.has_any(&key(n)), known.has_any(&key(9))), (Some(true), Some(false)));
        }
        known.add(key(3));
        assert_eq!(known.has_any(&key(3)), None);
        assert!(known.keys.is_none(), "nothing is held");
        known.add(key(4));
        assert_eq!(known.has_any(&key(4)), None, "some of them would look like all");
        let found: HashSet<String> = (0..4).map(|n| n.to_string()).collect();
        assert_eq!(Known::new(found, 3).has_any(&key(0)), None);
    }
}
