//! What keeps the queue ([`crate::queue`]): one interface, with SQLite or PostgreSQL behind it.
//!
//! What is acknowledged is durable: an `Ok` of [`Store::record`], [`Store::act`] and [`Store::feedback`] comes after the
//! commit reached the disk. What could not be kept is an error, and the caller says so; nothing is half done.

use crate::findings::Tier;
pub mod backup;
mod damaged;
mod listing;
mod opening;
pub mod outbox;
mod packing;
pub mod postgres;
mod reader;
pub mod schema;
mod sorting;
mod spool;
mod sql;
pub mod sqlite;
mod statements;
mod upkeep;
pub mod views;
mod words;
mod writer;

pub use damaged::Damage;
pub use opening::NotOpened;
pub use packing::{LONGEST_PACKED, MOST_OF_A_DICTIONARY};
pub use spool::SpoolHealth;
pub use sql::SqlStore;
pub use upkeep::{Verified, is_postgres, open, open_or_later, pack_reports, packs_reports, tables, verify};
#[cfg(test)]
pub(crate) use writer::tests::{Folder, ended, order};

use crate::background::OfEach;
use crate::queue::item::{Item, ItemId, Received, Standing, Summary};
use crate::queue::tally::{LastFound, RuleStatistics};
use crate::queue::task::TaskIs;
use crate::queue::trail::Entry;
use crate::queue::urgency::Times;
use crate::queue::work::{Command, Refused};
use crate::queue::{Lane, Person};
use jiff::Timestamp;
use jiff::civil::Date;
use serde::Serialize;
use std::collections::BTreeMap;
use std::fmt;
use std::future::Future;
use std::pin::Pin;
use thiserror::Error;
use tokio::sync::broadcast;

/// What a store gives in time.
pub type Answer<'s, T, E = Unavailable> = Pin<Box<dyn Future<Output = Result<T, E>> + Send + 's>>;

/// The store could not do it; whether anything was kept is said by nothing else.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum Unavailable {
    /// More waits to be written than is let wait.
    #[error("too much waits to be written")]
    Busy,
    /// The database cannot be reached, or cannot write.
    #[error("the store cannot be used: {0}")]
    Database(String),
    /// What writes has ended, and nothing begins it again.
    #[error("what writes has ended: restart the service")]
    Ended,
    /// The database takes other things but not this: something in it.
    #[error("the store does not take this: {0}")]
    Refused(String),
    /// The place to go on from is none that a page gave.
    #[error("the page asked for is none: its place was not given out here")]
    NoSuchPage,
    /// What is kept cannot be read.
    #[error("what is kept cannot be read: {0}")]
    Damaged(String),
    /// An item that is kept cannot be read; everything that is not about it goes on.
    #[error("what is kept cannot be read: {0}")]
    DamagedItem(Damage),
}

/// Why an action was not carried out.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum NotDone {
    /// There is no such item.
    #[error("there is no such item")]
    NoSuchItem,
    /// It may not, or cannot, be done.
    #[error(transparent)]
    Refused(#[from] Refused),
    /// It could not be kept.
    #[error(transparent)]
    Unavailable(#[from] Unavailable),
}

/// What came of one order that was to be recorded.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Recorded {
    /// It is an item now.
    New(ItemId),
    /// It was one before.
    Again(ItemId),
    /// It is none: there is nothing for anybody in it. An earlier content was replaced, where there was one.
    Nothing,
}

impl Recorded {
    /// Its item.
    pub fn item(&self) -> Option<&ItemId> {
        match self {
            Self::New(id) | Self::Again(id) => Some(id),
            Self::Nothing => None,
        }
    }
}

/// Which state of a lane is looked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LaneIs {
    /// Waits for a decision of the lane, whatever else.
    Waiting,
    /// Anybody may take it: open, or held or put off beyond its time.
    Free,
    /// Somebody holds it.
    Taken,
    /// The prescriber was asked.
    Asked,
    /// Put off.
    Snoozed,
    /// Decided.
    Decided,
}

impl LaneIs {
    /// Each with its word.
    pub const ALL: [(Self, &'static str); 6] = [
        (Self::Waiting, "waiting"),
        (Self::Free, "free"),
        (Self::Taken, "taken"),
        (Self::Asked, "asked"),
        (Self::Snoozed, "snoozed"),
        (Self::Decided, "decided"),
    ];
}

/// Which tasks are looked for ([`crate::queue::task`]); everything that is given must hold for the same lane.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TaskOf {
    /// Of one of these lanes, which was asked.
    pub lanes: Vec<Lane>,
    /// One of these; any when empty.
    pub is: Vec<TaskIs>,
    /// Id of who has it, or had it last.
    pub by: Option<String>,
}

impl TaskOf {
    /// Whether a lane's task is one of these.
    pub fn has(&self, summary: &Summary, lane: Lane, now: Timestamp) -> bool {
        let is = summary.task(lane, now);
        let owner = summary.task_owner(lane, now).map(|owner| owner.id.as_str());
        self.lanes.contains(&lane)
            && is.is_some_and(|is| self.is.is_empty() || self.is.contains(&is))
            && self.by.as_deref().is_none_or(|by| owner == Some(by))
    }
}

/// Which items are looked for; everything that is given must hold.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Filter {
    /// A state, and the lanes of which one has it.
    pub lane: Option<(Vec<Lane>, LaneIs)>,
    /// Where items stand; any when empty.
    pub standing: Vec<Standing>,
    /// Tasks of lanes; one of an item has to fit.
    pub task: Option<TaskOf>,
    /// The gravest finding is one of these; any when empty.
    pub tiers: Vec<Tier>,
    /// Where the patient is.
    pub ward: Option<String>,
    /// A rule with a finding.
    pub rule: Option<String>,
    /// The patient, as orders name them; the end of that after a `/`; or an absolute reference to what an order of that
    /// server names.
    pub patient: Option<String>,
    /// Id of somebody who holds, asked, put off or decided, in any lane.
    pub by: Option<String>,
    /// Received at that time or before.
    pub received_by: Option<Timestamp>,
    /// Received at that time or after.
    pub received_from: Option<Timestamp>,
    /// Starts before that time.
    pub starts_before: Option<Timestamp>,
    /// Starts at that time or after.
    pub starts_from: Option<Timestamp>,
    /// Changed at that time or after.
    pub changed_from: Option<Timestamp>,
    /// Changed before that time.
    pub changed_before: Option<Timestamp>,
    /// Received at none of these times: from, and before.
    pub received_outside: Vec<(Timestamp, Timestamp)>,
    /// Changed last at none of these times.
    pub changed_outside: Vec<(Timestamp, Timestamp)>,
    /// Not everything could be evaluated (`true`), or everything could (`false`).
    pub not_fully_checked: Option<bool>,
    /// Grade of urgency: one of these; any when empty.
    pub grades: Vec<u8>,
    /// One of these items, where that is said.
    pub ids: Option<Vec<ItemId>>,
    /// Words that are all in the order's name, patient (reference, name, birth, identifiers), ward, headline or rules, or
    /// the names of who works on it; case does not matter. A date is found as people write it: `2.2.1960`, `02/02/1960`.
    pub search: String,
}

impl Filter {
    /// The lanes that are looked at: for these an order may be put off.
    pub fn lanes(&self) -> &[Lane] {
        self.lane.as_ref().map_or(&Lane::ALL, |(lanes, _)| lanes)
    }
}

/// In which order items are listed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Sort {
    /// The most urgent first; what is put off for the lanes that are looked at ([`Summary::put_off`]) behind the others.
    #[default]
    Urgency,
    /// What changed last first.
    Changed,
    /// By one thing, upwards or downwards (`true`); what is alike in it by its id.
    By(Key, bool),
}

/// By what items can be sorted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Key {
    /// When the item was received first.
    Received,
    /// When it changed last.
    Changed,
    /// How urgent it is: 4 comes before nothing else.
    Grade,
}

impl Key {
    /// All.
    pub const ALL: [Self; 3] = [Self::Received, Self::Changed, Self::Grade];

    /// Of an item: microseconds since 1970, or a grade.
    fn of(self, item: &Summary) -> i64 {
        match self {
            Self::Received => item.received.as_microsecond(),
            Self::Changed => item.changed_at.as_microsecond(),
            Self::Grade => i64::from(item.grade()),
        }
    }
}

impl Sort {
    /// By what, and whether downwards; nothing for urgency, which is more than one thing.
    fn key(self) -> Option<(Key, bool)> {
        match self {
            Self::Urgency => None,
            Self::Changed => Some((Key::Changed, true)),
            Self::By(key, down) => Some((key, down)),
        }
    }

    /// Where an item stands in this order: a page after it begins with what follows. Nothing for urgency.
    pub fn place(self, item: &Summary) -> Option<String> {
        self.key().map(|(key, _)| format!("{}.{}", key.of(item), item.id))
    }
}

/// A page of items that is asked for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Query {
    /// Which items.
    pub filter: Filter,
    /// In which order.
    pub sort: Sort,
    /// [`Page::next`] of the page before, or [`Sort::place`] of an item.
    pub after: Option<String>,
    /// At most so many; 1 to [`MOST_OF_A_PAGE`].
    pub limit: usize,
    /// The time now: what is held or put off beyond it is open.
    pub now: Timestamp,
}

/// Most items of one page.
pub const MOST_OF_A_PAGE: usize = 200;

/// A page of items.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Page {
    /// The items.
    pub items: Vec<Summary>,
    /// Those that belong here and cannot be read.
    pub damaged: Vec<ItemId>,
    /// Where the next page begins; none when this is the last.
    pub next: Option<String>,
    /// How many items there are on all pages.
    pub total: u64,
}

/// A place in what was committed, in the order in which it was: nothing that is committed later lies before it, whenever it
/// happened.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Mark {
    /// The last entry of the trail.
    entry: i64,
    /// Changes without an entry that are noted after it.
    moves: i64,
}

impl fmt::Display for Mark {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}.{}", self.entry, self.moves)
    }
}

impl Mark {
    /// Reads what [`fmt::Display`] writes.
    pub fn read(text: &str) -> Option<Self> {
        let number = |text: &str| text.parse().ok().filter(|n: &i64| *n >= 0);
        let (entry, moves) = text.split_once('.')?;
        Some(Self { entry: number(entry)?, moves: number(moves)? })
    }
}

/// What was committed after a [`Mark`].
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Committed {
    /// Entries of items, without those that say that somebody looked; the first first.
    pub entries: Vec<Entry>,
    /// Items of which the ward changed.
    pub moved: Vec<ItemId>,
    /// Items with an entry that cannot be read.
    pub unread: Vec<ItemId>,
    /// Whether that is all: more than [`MOST_COMMITTED`] entries are not given.
    pub all: bool,
}

/// Most entries of [`Committed`].
pub const MOST_COMMITTED: usize = 5_000;

/// How many items there are, of those that are open.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "camelCase")]
pub struct Counts {
    /// Open items.
    pub open: u64,
    /// Of those, not fully checked.
    pub not_fully_checked: u64,
    /// By the gravest finding; `none` without any.
    pub tiers: BTreeMap<String, u64>,
    /// By lane and the word of its state now.
    pub lanes: BTreeMap<Lane, BTreeMap<String, u64>>,
    /// By ward; empty text where it is not known.
    pub wards: BTreeMap<String, u64>,
    /// When the item that waits longest was received.
    pub oldest: Option<Timestamp>,
    /// When the last item of any standing was received, whichever replica received it.
    pub newest: Option<Timestamp>,
}

/// What a prescriber's system says became of a card.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CardAnswer {
    /// The card's id.
    pub card: String,
    /// Whether its advice was taken.
    pub accepted: bool,
    /// The code of the reason for going on all the same.
    pub reason: Option<String>,
    /// Whether cards offer this reason: others are kept with the order, and counted without their words.
    pub offered: bool,
    /// What the prescriber wrote.
    pub comment: Option<String>,
    /// When it was received.
    pub at: Timestamp,
    /// When that was, as the client says; kept beside, and nothing is sorted or counted by it.
    pub said: Timestamp,
}

/// How the store is.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "camelCase")]
pub struct Health {
    /// Which store, in words without secrets.
    pub kind: String,
    /// What is wrong; nothing when the last write and the last look worked.
    pub trouble: Option<String>,
    /// Since when.
    pub since: Option<Timestamp>,
    /// Nothing is written any more until the service is started again.
    pub ended: bool,
    /// The file that is written is not where it was opened: it was removed, or another is in its place. Nothing is written
    /// until it is back, or the service is started again.
    pub displaced: bool,
    /// Nothing was written since the start, as the database was away then and was not opened since.
    pub not_opened: Option<NotOpened>,
    /// The last write worked, and only the last look did not.
    pub looking: bool,
    /// Orders that wait in memory, or in the spool, until they can be recorded.
    pub waiting: u64,
    /// How many of them are in the spool and not in memory.
    pub on_disk_alone: u64,
    /// Orders that could be neither recorded nor kept in memory, since the start.
    pub lost: u64,
    /// Orders that the database refused by themselves again and again, since the start; they are not tried any more.
    pub refused: u64,
    /// The last of them: its item and why.
    pub last_refused: Option<String>,
    /// Clear orders that wait in memory, or in the spool, to take an earlier content off the queue.
    pub clear_waiting: u64,
    /// How many of them are in the spool and not in memory.
    pub clear_on_disk_alone: u64,
    /// Clear orders that could not be kept in memory either, since the start: an earlier content may still be on the queue.
    pub clear_lost: u64,
    /// Items that are kept and cannot be read, as far as somebody looked; everything that is not about them goes on.
    pub damaged: u64,
    /// The one that was found last, and what is wrong with it.
    pub last_damaged: Option<String>,
    /// The folder in which orders that wait are kept as well, where there is one.
    pub spool: Option<SpoolHealth>,
    /// Bytes of SQLite's log that are not in its file, where they are too many.
    pub log_behind: Option<u64>,
    /// Work in the background that faults of the program ended.
    #[serde(skip)]
    pub faults: OfEach,
    /// When the last order was received, whatever came of it.
    pub last_order: Option<Timestamp>,
}

/// Something changed that somebody may be looking at.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Change {
    /// The item.
    pub item: ItemId,
    /// Its version now.
    pub version: u64,
}

/// What keeps the queue.
pub trait Store: Send + Sync + 'static {
    /// Records orders, in this order; clear ones only to replace an earlier content. `Ok` means durable. What could not
    /// be recorded, or replaced, is kept in memory, as far as there is room, and tried again; it is lost when the process
    /// ends before, unless there is a spool. Of a clear one only which order it is, what it holds (a hash) and when it came is kept. One that the
    /// database refuses again and again by itself is given up, and said in [`Health`]; one that belongs to an item that cannot
    /// be read waits until that is mended or removed, and is tried ever more seldom.
    fn record(&self, orders: Vec<Received>) -> Answer<'_, Vec<Recorded>>;

    /// Whether what waits to be recorded is kept on disk as well.
    fn has_spool(&self) -> bool {
        false
    }

    /// Waits until it is known of all that waits now whether it is on disk, where it is to be there; at most until then. That
    /// it took longer is said in [`Health`].
    fn spooled(&self, _until: tokio::time::Instant) -> Answer<'_, ()> {
        Box::pin(std::future::ready(Ok(())))
    }

    /// Keeps clear orders in memory, as far as there is room, to replace earlier contents by them soon. Does not wait.
    fn replace_later(&self, orders: Vec<Received>);

    /// Carries out an action. `Ok` means durable, and gives the item as it is then.
    fn act(&self, item: ItemId, command: Command) -> Answer<'_, Summary, NotDone>;

    /// An item in full.
    fn get(&self, item: ItemId) -> Answer<'_, Option<Item>>;

    /// A page of items.
    fn list(&self, query: Query) -> Answer<'_, Page>;

    /// How many items wait.
    fn counts(&self, now: Timestamp) -> Answer<'_, Counts>;

    /// What happened to an item, the first first.
    fn trail(&self, item: ItemId) -> Answer<'_, Vec<Entry>>;

    /// The place where what was committed ends now.
    fn mark(&self) -> Answer<'_, Mark>;

    /// What was committed after a place; [`Unavailable::NoSuchPage`] of a place that is not reached yet, as after a copy was
    /// put back.
    fn committed(&self, after: Mark) -> Answer<'_, Committed>;

    /// What was counted per rule from one day to another, both included.
    fn statistics(&self, from: Date, to: Date) -> Answer<'_, Vec<RuleStatistics>>;

    /// When each rule last found something.
    fn last_found(&self) -> Answer<'_, LastFound>;

    /// Pharmacists and dietitians who did something on the queue or looked at an order since a time, at any replica, each with when
    /// last: by the newest entries of the trail.
    fn seen_lately(&self, since: Timestamp) -> Answer<'_, Vec<(Person, Timestamp)>>;

    /// Notes that somebody looked at an item.
    fn viewed(&self, item: ItemId, by: Person, at: Timestamp) -> Answer<'_, ()>;

    /// Joins what became of cards to their items; gives how many cards are known here.
    fn feedback(&self, answers: Vec<CardAnswer>) -> Answer<'_, usize>;

    /// The views that a person keeps, by name.
    fn views(&self, person: String) -> Answer<'_, Vec<views::View>>;

    /// Keeps a view for a person, or removes one. `Ok` means durable.
    fn set_view(&self, person: String, change: views::Change) -> Answer<'_, views::Came>;

    /// How soon somebody should look at an item: what the list is sorted by.
    fn times(&self) -> Times;

    /// Notes that an order was received, whatever came of it. Does not wait.
    fn received(&self, at: Timestamp);

    /// How the store is. Does not wait.
    fn health(&self) -> Health;

    /// Tells of changes from now on, those of other replicas too.
    fn changes(&self) -> broadcast::Receiver<Change>;

    /// Writes what waits and lets go of the database.
    fn close(&self) -> Answer<'_, ()>;
}
