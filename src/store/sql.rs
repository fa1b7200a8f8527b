//! The store over SQL. What SQLite and PostgreSQL do differently is how they are opened ([`super::sqlite`],
//! [`super::postgres`]); every statement is the same.
//!
//! One task writes ([`super::writer`]): what waits is taken together, written in one transaction, and acknowledged after
//! its commit. Reading goes past it ([`super::reader`]).

use super::listing::{Listing, keep_up};
use super::outbox::Listener;
use super::packing::{self, Dictionaries, Kept, Packer};
use super::sqlite::LogIs;
use super::views::{self, View};
use super::writer::{self, Op};
use super::{
    Answer, CardAnswer, Change, Counts, Filter, Health, NotDone, Page, Query, Recorded, Store, Unavailable, reader,
    schema, sorting,
};
use crate::queue::item::{Item, ItemId, Received, Summary};
use crate::queue::policy::Policy;
use crate::queue::report::Report;
use crate::queue::tally::{LastFound, RuleStatistics};
use crate::queue::trail::Entry;
use crate::queue::urgency::Times;
use crate::queue::work::Command;
use crate::queue::{Person, item};
use jiff::Timestamp;
use jiff::civil::Date;
use sqlx::any::AnyRow;
use sqlx::query::Query as Statement;
use sqlx::{Any, AnyConnection, AnyPool, AssertSqlSafe, Row as _};
use std::collections::{HashSet, VecDeque};
use std::future::Future;
use std::sync::atomic::{AtomicI64, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, OnceLock, PoisonError};
use std::time::Duration;
use tokio::sync::{broadcast, mpsc, oneshot};
use tokio::task::JoinHandle;

/// Most operations that wait to be written; more are turned away.
const MOST_WAITING: usize = 1024;
/// Most orders kept in memory that could not be recorded.
const MOST_SET_ASIDE: usize = 2000;
/// Most bytes of them.
const MOST_BYTES_SET_ASIDE: usize = 64 << 20;
/// Changes that a slow listener may be behind before it misses some.
const CHANGES: usize = 1024;
/// How often it is tried again to record what was set aside.
const RETRY: Duration = Duration::from_millis(500);
/// Most orders of which it is known without the database that they may have an item; some 30 MB of them.
const MOST_KNOWN: usize = 250_000;
/// How often the database refuses an order by itself before it is given up.
const MOST_REFUSALS: u32 = 10;
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
}

impl From<Received> for Waiting {
    fn from(order: Received) -> Self {
        Self { order, refused: 0 }
    }
}

/// Orders that could not be recorded.
#[derive(Default)]
struct Aside {
    orders: VecDeque<Waiting>,
    bytes: usize,
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
    aside: Mutex<Aside>,
    /// Orders that were set aside and are being tried again now.
    trying: AtomicU64,
    lost: AtomicU64,
    /// How many orders were given up that the database refused, and the last of them.
    given_up: Mutex<(u64, Option<String>)>,
    last_order: AtomicI64,
    /// Who is told of changes; mostly nobody.
    listeners: Mutex<Arc<[Listener]>>,
    /// Orders that may have an item, where no other replica writes.
    known: Option<Mutex<Known>>,
    pub(super) dictionaries: Dictionaries,
    /// What packs reports, once it is known what they are like.
    packer: OnceLock<Packer>,
    /// Whether every program that works on the tables can read packed reports.
    may_pack: bool,
    /// What the writer has to do about SQLite's log, if anything.
    pub(super) log: LogIs,
}

pub(super) fn locked<T>(of: &Mutex<T>) -> MutexGuard<'_, T> {
    of.lock().unwrap_or_else(PoisonError::into_inner)
}

fn size(order: &Received) -> usize {
    order.resource.len() + 4096
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
        self.packer.get()
    }

    /// A report as it is to be kept.
    pub(super) fn kept(&self, report: &Report) -> Kept {
        self.packer()
            .and_then(|packer| packer.pack(report))
            .unwrap_or_else(|| Kept::Plain(packing::plain(report).into()))
    }

    /// Notes how the last write went. One that worked has looked as well.
    pub(super) fn wrote<T>(&self, result: &Result<T, Unavailable>) {
        let mut troubles = locked(&self.trouble);
        note(&mut troubles.write, result, "the store works again", "the store cannot be used");
        if result.is_ok() {
            troubles.look = None;
        }
    }

    /// Notes how the last look went; of writing it says nothing.
    fn looked<T>(&self, result: &Result<T, Unavailable>) {
        let mut troubles = locked(&self.trouble);
        note(&mut troubles.look, result, "the store can be looked at again", "the store cannot be looked at");
    }

    /// Notes that what writes has ended for good. What waits for it is lost.
    pub(super) fn end(&self) {
        if self.ended.set(Timestamp::now()).is_ok() {
            tracing::error!("what writes the queue has ended: orders are answered and not recorded until a restart");
        }
        let left = self.take_aside(MOST_SET_ASIDE);
        self.trying.store(0, Ordering::Relaxed);
        self.set_aside(left);
    }

    /// Keeps orders in memory; those for which there is no room are lost, and counted, and so are all where nothing writes
    /// any more.
    pub(super) fn set_aside<W: Into<Waiting>>(&self, orders: impl IntoIterator<Item = W>) {
        let mut aside = locked(&self.aside);
        let before = self.lost.load(Ordering::Relaxed);
        for order in orders.into_iter().map(Into::into).filter(|waiting| waiting.order.is_item()) {
            let size = size(&order.order);
            let full = aside.orders.len() >= MOST_SET_ASIDE || aside.bytes + size > MOST_BYTES_SET_ASIDE;
            if full || self.ended.get().is_some() {
                self.lost.fetch_add(1, Ordering::Relaxed);
                continue;
            }
            aside.bytes += size;
            aside.orders.push_back(order);
        }
        let lost = self.lost.load(Ordering::Relaxed) - before;
        if lost > 0 {
            tracing::error!(orders = lost, "flagged orders cannot wait in memory: they are lost for the queue");
        }
    }

    /// Keeps orders of an operation that failed in memory; but one that the database refused by itself again and again is
    /// given up, so that it does not take the room of others for ever.
    pub(super) fn not_recorded(&self, orders: Vec<writer::Ready>, error: &Unavailable) {
        let alone = orders.len() == 1;
        let mut waiting = Vec::with_capacity(orders.len());
        for mut one in orders.into_iter().map(writer::Ready::waiting) {
            match error {
                Unavailable::Refused(why) if alone => {
                    one.refused += 1;
                    if one.refused >= MOST_REFUSALS && one.order.is_item() {
                        self.give_up(&one.order, why);
                        continue;
                    }
                }
                _ => {}
            }
            waiting.push(one);
        }
        self.set_aside(waiting);
    }

    fn give_up(&self, order: &Received, why: &str) {
        let item = order.id();
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
        let waits = self.waiting() > 0;
        let all = |error: &&(Timestamp, Unavailable)| waits && !may_be_one(&error.1);
        locked(&self.trouble).write.as_ref().filter(all).map(|(_, error)| error.clone())
    }

    /// Orders that wait in memory.
    fn waiting(&self) -> u64 {
        let aside = locked(&self.aside);
        aside.orders.len() as u64 + self.trying.load(Ordering::Relaxed)
    }

    /// Some of the orders that were set aside.
    fn take_aside(&self, most: usize) -> Vec<Waiting> {
        let mut aside = locked(&self.aside);
        let n = most.min(aside.orders.len());
        let out: Vec<Waiting> = aside.orders.drain(..n).collect();
        aside.bytes = aside.bytes.saturating_sub(out.iter().map(|waiting| size(&waiting.order)).sum());
        // Under the lock, so that nobody sees none waiting in between.
        self.trying.store(out.len() as u64, Ordering::Relaxed);
        out
    }
}

/// Whether one operation alone may be the cause: something that is kept and cannot be read, or something in what is to be
/// written.
pub(super) fn may_be_one(error: &Unavailable) -> bool {
    matches!(error, Unavailable::Damaged(_) | Unavailable::Refused(_))
}

/// The store over SQL.
pub struct SqlStore {
    pub(super) shared: Arc<Shared>,
    pub(super) readers: AnyPool,
    listing: Arc<Listing>,
    ops: Mutex<Option<mpsc::Sender<Op>>>,
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
    /// Brings the tables up to date and begins to write.
    pub(super) async fn start(opening: Opening) -> Result<Self, Unavailable> {
        let Opening { dialect, label, readers, writer, policy } = opening;
        migrate(&writer, dialect, schema::VERSION).await?;
        let may_pack = packing::may_be(&writer, dialect).await?;
        let (changes, _) = broadcast::channel(CHANGES);
        let shared = Arc::new(Shared {
            dialect,
            policy,
            changes,
            instance: uuid::Uuid::new_v4().simple().to_string(),
            label,
            trouble: Mutex::default(),
            ended: OnceLock::new(),
            aside: Mutex::default(),
            trying: AtomicU64::new(0),
            lost: AtomicU64::new(0),
            given_up: Mutex::default(),
            last_order: AtomicI64::new(i64::MIN),
            listeners: Mutex::new(Arc::new([])),
            known: match dialect {
                Dialect::Sqlite => {
                    let current = reader::current_orders(&readers, MOST_KNOWN + 1).await?;
                    Some(Mutex::new(Known::new(current, MOST_KNOWN)))
                }
                Dialect::Postgres => None,
            },
            dictionaries: Dictionaries::default(),
            packer: OnceLock::new(),
            may_pack,
            log: LogIs::default(),
        });
        let last = reader::last_received(&readers).await?;
        shared.last_order.store(last.unwrap_or(i64::MIN), Ordering::Relaxed);
        let (ops, waiting) = mpsc::channel(MOST_WAITING);
        // A connection lives where it was made, and the writer makes its own.
        writer.acquire().await.map_err(|error| trouble(&error))?.close().await.map_err(|error| trouble(&error))?;
        let writing = writer::begin(writer, shared.clone(), waiting)
            .map_err(|error| Unavailable::Database(format!("its writer cannot begin: {}", error.kind())))?;
        let again = tokio::spawn(record_again(shared.clone(), ops.clone().downgrade()));
        let listing = Arc::new(Listing::default());
        let keeping_up = tokio::spawn(keep_up(listing.clone(), readers.clone(), dialect));
        Ok(Self {
            shared,
            readers,
            listing,
            ops: Mutex::new(Some(ops)),
            tasks: Mutex::new(vec![again, keeping_up]),
            writing: Mutex::new(Some(writing)),
        })
    }

    /// Keeps reports packed from now on, which takes a tenth of the room and less time: by what `samples` say as well,
    /// reports of invented orders (JSON) like those that will be recorded, those that are most like them last. Of a sample
    /// nothing may be of a patient: it outlives the orders. Gives whether it does: reports stay plain without samples, and
    /// where programs may work on the tables that know no packed ones ([`super::pack_reports`]).
    pub fn pack_like(&self, samples: &[String]) -> bool {
        let shared = &self.shared;
        if shared.may_pack
            && shared.packer().is_none()
            && let Some(packer) = Packer::of(samples, &shared.dictionaries)
        {
            // Somebody else may have been quicker.
            let _ = shared.packer.set(packer);
        }
        shared.packer().is_some()
    }

    /// A task that ends with the store.
    pub(super) fn keep(&self, task: JoinHandle<()>) {
        locked(&self.tasks).push(task);
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
        // From which server an order is, no line tells.
        if query.filter.patient.as_deref().is_some_and(reader::is_absolute) {
            return reader::list(&self.readers, &query).await;
        }
        let same = query.clone();
        match self.held(move |listing| listing.page(&same)).await? {
            None => reader::list(&self.readers, &query).await,
            Some(found) => {
                let found = found?;
                let items = reader::summaries(&self.readers, found.ids).await?;
                Ok(Page { items, next: found.next, total: found.total })
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
        loop {
            let orders = shared.take_aside(AGAIN_AT_A_TIME);
            if orders.is_empty() {
                break;
            }
            if shared.ended.get().is_some() {
                return shared.end();
            }
            let Some(ops) = ops.upgrade() else { return };
            if !again(&shared, ops, orders).await {
                break;
            }
        }
    }
}

/// Tries to record orders that were set aside; gives whether all of them were.
async fn again(shared: &Shared, ops: mpsc::Sender<Op>, orders: Vec<Waiting>) -> bool {
    let now = Timestamp::now();
    let (mut waits, mut recorded) = (Vec::new(), true);
    // Each by itself, in their order: one that cannot be recorded holds up no other.
    for mut waiting in orders {
        waiting.order.late = Some(now.max(waiting.order.at));
        let (done, wait) = oneshot::channel();
        match ops.try_send(Op::Record { orders: vec![writer::Ready::again(waiting, shared)], done }) {
            Ok(()) => waits.push(wait),
            Err(error) => {
                recorded = false;
                if let Op::Record { orders, .. } = error.into_inner() {
                    shared.set_aside(orders.into_iter().map(writer::Ready::waiting));
                }
            }
        }
    }
    // Only a weak hold while it waits, so that the store can be closed.
    drop(ops);
    for wait in waits {
        // What could not be written was set aside again by the writer.
        recorded &= matches!(wait.await, Ok(Ok(_)));
    }
    shared.trying.store(0, Ordering::Relaxed);
    recorded
}

impl Store for SqlStore {
    fn record(&self, orders: Vec<Received>) -> Answer<'_, Vec<Recorded>> {
        Box::pin(async move {
            if orders.is_empty() {
                return Ok(Vec::new());
            }
            if !self.concerns(&orders).await? {
                return Ok(vec![Recorded::Nothing; orders.len()]);
            }
            // While what was set aside cannot be recorded, nothing else can: no answer waits to find that out again.
            if let Some(trouble) = self.shared.still_in_trouble() {
                self.shared.set_aside(orders);
                return Err(trouble);
            }
            let orders = orders.into_iter().map(|order| writer::Ready::of(order, &self.shared)).collect();
            self.written(|done| Op::Record { orders, done }).await
        })
    }

    fn act(&self, item: ItemId, mut command: Command) -> Answer<'_, Summary, NotDone> {
        // It is looked up as it is kept.
        command.id = kept_text(command.id);
        Box::pin(async move { self.written(|done| Op::Act { item, command: Box::new(command), done }).await })
    }

    fn get(&self, item: ItemId) -> Answer<'_, Option<Item>> {
        Box::pin(async move { self.looked(reader::get(&self.readers, &self.shared.dictionaries, &item)).await })
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

    fn trail(&self, item: ItemId) -> Answer<'_, Vec<Entry>> {
        Box::pin(async move { self.looked(reader::trail(&self.readers, &item)).await })
    }

    fn statistics(&self, from: Date, to: Date) -> Answer<'_, Vec<RuleStatistics>> {
        Box::pin(async move { self.looked(reader::statistics(&self.readers, from, to)).await })
    }

    fn last_found(&self) -> Answer<'_, LastFound> {
        Box::pin(async move { self.looked(reader::last_found(&self.readers)).await })
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
        let (ended, looking, trouble) = (ended.is_some(), looking && ended.is_none(), ended.or(trouble));
        let (refused, last_refused) = locked(&self.shared.given_up).clone();
        let last = self.shared.last_order.load(Ordering::Relaxed);
        Health {
            kind: self.shared.label.clone(),
            since: trouble.as_ref().map(|(since, _)| *since),
            trouble: trouble.map(|(_, error)| error.to_string()),
            ended,
            looking,
            waiting: self.shared.waiting(),
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
            let waits = self.shared.waiting();
            let mut tried = 0;
            while let Some(ops) = (tried < waits).then(|| locked(&self.ops).clone()).flatten() {
                let left = self.shared.take_aside(AGAIN_AT_A_TIME);
                if left.is_empty() {
                    break;
                }
                tried += left.len() as u64;
                // Where nothing at all can be written, that is not found out again for each of many.
                if !again(&self.shared, ops, left).await && self.shared.still_in_trouble().is_some() {
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
            let waiting = locked(&self.shared.aside).orders.len();
            if waiting > 0 {
                tracing::error!(orders = waiting, "orders could not be recorded and are lost");
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
