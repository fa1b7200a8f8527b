//! The one task that writes, in a thread of its own. What waits is taken together; the items concerned are read, changed
//! in memory by the rules of [`crate::queue`], and written in one transaction; after its commit everybody is told, while
//! the next is written. When a transaction fails for a reason that may lie in one operation, each is tried by itself.

use super::outbox::{self, Listener, Told};
use super::packing::{self, Dictionaries, Kept};
use super::sql::{self, Shared, Value, Waiting, damaged, id_of, may_be_one, number, run, statement, trouble};
use super::{CardAnswer, Change, NotDone, Recorded, Unavailable, sorting, sqlite, views};
use crate::audit::chain::{Anchor, Chain, Hash};
use crate::audit::{self, Kind, On, Outcome, Reference, Who, Word};
use crate::queue::item::{CardShown, Item, ItemId, Received, Standing, Summary};
use crate::queue::policy::Policy;
use crate::queue::report::Report;
use crate::queue::tally::{Count, Fate};
use crate::queue::task::TaskId;
use crate::queue::trail::{Entry, Event};
use crate::queue::urgency::Times;
use crate::queue::work::{Action, Command, Decision, LaneState};
use crate::queue::{Lane, Person, Role};
use crate::subscriptions::Concern;
use futures_util::future::join;
use jiff::Timestamp;
use jiff::tz::TimeZone;
use sqlx::{AnyConnection, AnyPool, Row};
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::fmt::Write as _;
use std::panic::AssertUnwindSafe;
use std::sync::Arc;
use tokio::sync::{mpsc, oneshot};

/// Most operations of one transaction.
const MOST_OF_A_BATCH: usize = 512;
/// Orders of a transaction from which on no more operations are taken: one may bring many.
const MANY_ORDERS: usize = 512;
/// The word of a purge in the trail.
pub(super) const PURGED: &str = "purged";
/// The version of the tables that brought answers to cards, and what was on these.
pub(super) const ANSWERS_SINCE: i64 = 9;
/// Most values of a list in a statement that has two; SQLite takes 32,766 values.
const MOST_LISTED: usize = 4096;
/// Most transactions that are done and of which not everybody knows yet.
const MOST_UNTOLD: usize = 4;
/// Most values of one statement. Fewer statements are fewer ways to the database and back; but the next is put together
/// while it works on the one before.
const MOST_VALUES: usize = 3_200;

type Done<T, E = Unavailable> = oneshot::Sender<Result<T, E>>;

/// An order with what can be worked out before it is its turn.
pub(super) struct Ready {
    pub(super) received: Received,
    id: ItemId,
    key: Option<String>,
    report: Kept,
    /// The item that it becomes where it is a new order; as most are.
    fresh: Option<Box<Fresh>>,
    /// How often the database refused it by itself.
    refused: u32,
}

impl Ready {
    pub(super) fn of(received: Received, shared: &Shared) -> Self {
        let item = received.is_item();
        let report = if item { shared.kept(&received.report) } else { Kept::default() };
        // What fails here fails again in its turn, and is said there.
        let fresh = if item { Fresh::of(&received, &shared.policy).ok().map(Box::new) } else { None };
        let id = fresh.as_ref().map_or_else(|| received.id(), |fresh| fresh.summary.id.clone());
        Self { id, key: received.key.text(), report, fresh, received, refused: 0 }
    }

    /// One that is tried again.
    pub(super) fn again(waiting: Waiting, shared: &Shared) -> Self {
        Self { refused: waiting.refused, ..Self::of(waiting.order, shared) }
    }

    /// As it waits where it could not be recorded.
    pub(super) fn waiting(self) -> Waiting {
        Waiting { order: self.received, refused: self.refused }
    }
}

/// A new item that replaces none, worked out where its order came in and not in the one task that writes.
struct Fresh {
    summary: Summary,
    /// All columns but the last, which are long.
    row: Vec<Value>,
    entry: Entered,
    /// What is counted of it on its day.
    counts: Vec<(String, Count)>,
}

impl Fresh {
    fn of(received: &Received, policy: &Policy) -> Result<Self, Unavailable> {
        let (summary, event) = Summary::first(received, None, policy);
        let row = row_of(&summary, &policy.times)?;
        let entry = Entered::first(&summary, received.kept(), event)?;
        let day = day_of(received.kept());
        let counts = counts_of_new(received).into_iter().map(|count| (day.clone(), count)).collect();
        Ok(Self { row, entry, counts, summary })
    }
}

/// The day on which what happens then is counted.
fn day_of(at: Timestamp) -> String {
    TimeZone::UTC.to_datetime(at).date().to_string()
}

/// What is counted of an order that is new.
fn counts_of_new(received: &Received) -> Vec<Count> {
    let fired = received.report.rules().into_iter().map(|rule| Count::one(&rule, Fate::Fired, ""));
    let not = received.report.unevaluated_rules().into_iter().map(|rule| Count::one(&rule, Fate::NotEvaluated, ""));
    fired.chain(not).collect()
}

/// An entry of the trail on its way.
struct Entered {
    entry: Entry,
    command: Option<String>,
    /// The entry as it is kept, and its hash, where that was worked out before.
    detail: Option<(String, Hash)>,
}

impl Entered {
    fn first(summary: &Summary, at: Timestamp, what: Event) -> Result<Self, Unavailable> {
        let entry = Entry { item: summary.id.clone(), version: summary.version, at, by: Person::program(), what };
        let detail = Some(detail_of(&entry)?);
        Ok(Self { entry, command: None, detail })
    }
}

fn detail_of(entry: &Entry) -> Result<(String, Hash), Unavailable> {
    let detail = serde_json::to_string(entry).map_err(|error| damaged("an entry of the trail", &error))?;
    let hash = Hash::of(detail.as_bytes());
    Ok((detail, hash))
}

/// Something to be written.
pub(super) enum Op {
    Record {
        orders: Vec<Ready>,
        done: Done<Vec<Recorded>>,
    },
    Act {
        item: ItemId,
        command: Box<Command>,
        done: Done<Summary, NotDone>,
    },
    View {
        item: ItemId,
        by: Person,
        at: Timestamp,
        done: Done<()>,
    },
    Feedback {
        answers: Vec<CardAnswer>,
        done: Done<usize>,
    },
    Purge {
        before: Timestamp,
        by: Person,
        at: Timestamp,
        done: Done<u64>,
    },
    OwnView {
        person: String,
        change: views::Change,
        done: Done<views::Came>,
    },
    SortAgain {
        moved: Vec<sorting::Moved>,
        at: Timestamp,
        done: Done<u64>,
    },
    Outbox(outbox::Wanted),
    /// A fault of the program.
    #[cfg(test)]
    Fault {
        done: Done<()>,
    },
}

/// What came of an operation, to be said after the commit.
enum Came {
    Recorded(Vec<Recorded>),
    Acted(Result<Box<Summary>, NotDone>),
    Viewed,
    Answered(usize),
    Purged(u64),
    OwnView(views::Came),
    Sorted(u64),
    Outbox(outbox::Came),
}

impl Op {
    /// How many orders it brings.
    fn orders(&self) -> usize {
        if let Self::Record { orders, .. } = self { orders.len() } else { 0 }
    }

    fn say(self, came: Result<Came, Unavailable>, shared: &Shared) {
        // Whoever does not wait any more does not want to know.
        match (self, came) {
            (Self::Record { orders, done }, Ok(Came::Recorded(recorded))) => {
                drop(done.send(Ok(recorded)));
                // A report is many small pieces: whoever waits next is told meanwhile.
                tokio::spawn(async move { drop(orders) });
            }
            (Self::Record { orders, done }, Err(error)) => {
                shared.not_recorded(orders, &error);
                drop(done.send(Err(error)));
            }
            (Self::Act { done, .. }, Ok(Came::Acted(acted))) => drop(done.send(acted.map(|item| *item))),
            (Self::Act { done, .. }, Err(error)) => drop(done.send(Err(error.into()))),
            (Self::View { done, .. }, Ok(Came::Viewed)) => drop(done.send(Ok(()))),
            (Self::View { done, .. }, Err(error)) => drop(done.send(Err(error))),
            (Self::Feedback { done, .. }, Ok(Came::Answered(n))) => drop(done.send(Ok(n))),
            (Self::Feedback { done, .. }, Err(error)) => drop(done.send(Err(error))),
            (Self::Purge { done, .. }, Ok(Came::Purged(n))) => drop(done.send(Ok(n))),
            (Self::Purge { done, .. }, Err(error)) => drop(done.send(Err(error))),
            (Self::OwnView { done, .. }, Ok(Came::OwnView(came))) => drop(done.send(Ok(came))),
            (Self::OwnView { done, .. }, Err(error)) => drop(done.send(Err(error))),
            (Self::SortAgain { done, .. }, Ok(Came::Sorted(n))) => drop(done.send(Ok(n))),
            (Self::SortAgain { done, .. }, Err(error)) => drop(done.send(Err(error))),
            (Self::Outbox(wanted), Ok(Came::Outbox(came))) => wanted.say(Ok(came)),
            (Self::Outbox(wanted), Err(error)) => wanted.say(Err(error)),
            #[cfg(test)]
            (Self::Fault { done }, Err(error)) => drop(done.send(Err(error))),
            // Each operation gives its own kind; a sender that is dropped tells its receiver that nothing is known.
            (_, Ok(_)) => {}
        }
    }
}

/// Operations that were taken and are being written. Where that ends in their middle, each is told so.
struct Taken<'s> {
    ops: Vec<Op>,
    shared: &'s Shared,
}

impl Drop for Taken<'_> {
    fn drop(&mut self) {
        for op in self.ops.drain(..) {
            op.say(Err(Unavailable::Ended), self.shared);
        }
    }
}

/// Operations that are done, with what came of each.
struct Finished {
    ops: Vec<Op>,
    came: Result<Written, Unavailable>,
}

impl Finished {
    fn say(self, shared: &Shared) {
        match self.came {
            Ok((came, changes, _)) => {
                for (op, came) in self.ops.into_iter().zip(came) {
                    op.say(Ok(came), shared);
                }
                for change in changes {
                    // Nobody may be listening.
                    let _ = shared.changes.send(change);
                }
            }
            Err(error) => {
                for op in self.ops {
                    op.say(Err(error.clone()), shared);
                }
            }
        }
    }
}

/// Tells everybody what came of their operations, in the order in which they were done, while the next are written.
async fn tell(shared: Arc<Shared>, mut done: mpsc::Receiver<Finished>) {
    while let Some(finished) = done.recv().await {
        // Whoever is not told for a fault of the program hears that nothing is known; the others are told.
        if std::panic::catch_unwind(AssertUnwindSafe(|| finished.say(&shared))).is_err() {
            tracing::error!("somebody was not told what came of what they did");
        }
    }
}

/// Begins to write, in a thread of its own: between two statements nothing waits for the orders that are being read and
/// judged meanwhile. What it gives ends when nobody can send any more and everybody was told.
///
/// Where it ends before, by a fault of the program, that is noted for good; whoever waits is told, and what was to be
/// recorded is lost, and counted.
///
/// # Errors
/// Where there can be no such thread.
pub(super) fn begin(
    pool: AnyPool,
    shared: Arc<Shared>,
    mut waiting: mpsc::Receiver<Op>,
) -> std::io::Result<oneshot::Receiver<()>> {
    let (done, told) = mpsc::channel(MOST_UNTOLD);
    let (ended, end) = oneshot::channel();
    let writes = shared.clone();
    let (begun, began) = std::sync::mpsc::sync_channel(1);
    std::thread::Builder::new().name("queue".to_owned()).spawn(move || {
        let own = tokio::runtime::Builder::new_current_thread().enable_all().build();
        // It is waited for.
        let _ = begun.send(own.as_ref().map(|_| ()).map_err(std::io::Error::kind));
        let Ok(own) = own else { return };
        let ran = std::panic::catch_unwind(AssertUnwindSafe(|| own.block_on(write(pool, &writes, &mut waiting, done))));
        if ran.unwrap_or(false) {
            return;
        }
        writes.end();
        waiting.close();
        while let Some(op) = waiting.blocking_recv() {
            op.say(Err(Unavailable::Ended), &writes);
        }
    })?;
    began.recv().unwrap_or(Err(std::io::ErrorKind::Other))?;
    tokio::spawn(async move {
        tell(shared, told).await;
        drop(ended);
    });
    Ok(end)
}

/// Writes until nobody can send any more; gives whether it came to that.
async fn write(pool: AnyPool, shared: &Shared, waiting: &mut mpsc::Receiver<Op>, done: mpsc::Sender<Finished>) -> bool {
    let mut told = true;
    // A purge is written by itself: nothing else of its transaction is then about what it removes.
    let mut purge: Option<Op> = None;
    while told
        && let Some(first) = match purge.take() {
            None => waiting.recv().await,
            purge => purge,
        }
    {
        let mut orders = first.orders();
        let alone = matches!(first, Op::Purge { .. });
        let mut taken = Taken { ops: Vec::with_capacity(MOST_OF_A_BATCH), shared };
        taken.ops.push(first);
        while !alone
            && taken.ops.len() < MOST_OF_A_BATCH
            && orders < MANY_ORDERS
            && let Ok(next) = waiting.try_recv()
        {
            if matches!(next, Op::Purge { .. }) {
                purge = Some(next);
                break;
            }
            orders += next.orders();
            taken.ops.push(next);
        }
        sqlite::begin_log_again(&pool, shared).await;
        let came = batch(&pool, shared, &mut taken.ops).await;
        if taken.ops.len() > 1 && came.as_ref().is_err_and(may_be_one) {
            // The first is the next one: what they are about may depend on their order.
            while let Some(first) = taken.ops.first_mut() {
                let came = batch(&pool, shared, std::slice::from_mut(first)).await;
                shared.wrote(&came);
                let ops = vec![taken.ops.remove(0)];
                told &= said(&done, Finished { ops, came }, shared).await;
            }
        } else {
            shared.wrote(&came);
            let ops = std::mem::take(&mut taken.ops);
            told = said(&done, Finished { ops, came }, shared).await;
        }
    }
    pool.close().await;
    if !told {
        tracing::error!("nobody is there to say what was written");
    }
    told
}

/// Hands over what came of operations; where nobody tells it any more, it is told here, and that is the last.
async fn said(done: &mpsc::Sender<Finished>, finished: Finished, shared: &Shared) -> bool {
    match done.send(finished).await {
        Ok(()) => true,
        Err(mpsc::error::SendError(finished)) => {
            finished.say(shared);
            false
        }
    }
}

/// What stands for a reason that no card offers, in what is counted.
pub const REASON_NOT_OFFERED: &str = "not-offered";

/// What came of each operation, what to tell listeners, and what is no longer needed.
type Written = (Vec<Came>, Vec<Change>, Spent);

/// What is no longer needed. It is many small pieces, made by others, and is dropped where nobody waits.
#[derive(Default)]
struct Spent {
    items: Vec<Held>,
    entries: Vec<Entry>,
    counts: Vec<(String, Count)>,
}

/// One transaction.
async fn batch(pool: &AnyPool, shared: &Shared, ops: &mut [Op]) -> Result<Written, Unavailable> {
    shared.in_its_place()?;
    let mut conn = pool.acquire().await.map_err(|error| trouble(&error))?;
    let written = transaction(&mut conn, shared, ops).await;
    if written.is_ok() {
        // From the next transaction on, whether or not it was said yet that it is so.
        for op in ops.iter() {
            if let Op::Outbox(outbox::Wanted::Listen { listeners, .. }) = op {
                shared.set_listeners(listeners.clone());
            }
        }
    } else {
        // Some errors (a full disk) end the transaction in the database already, which the connection does not know.
        let _ = conn.close().await;
    }
    written
}

async fn transaction(conn: &mut AnyConnection, shared: &Shared, ops: &mut [Op]) -> Result<Written, Unavailable> {
    let mut tx = sql::begin(conn, shared.dialect).await?;
    let mut work = Work { listeners: shared.listeners(), ..Work::default() };
    work.read(&mut tx, ops, &shared.dictionaries).await?;
    let mut came = Vec::with_capacity(ops.len());
    for op in ops {
        came.push(work.apply(&mut tx, op, shared).await?);
    }
    if let Some(packer) = shared.packer().filter(|_| work.packs()) {
        packer.keep(&mut tx).await?;
    }
    let (changes, spent) = work.write(&mut tx, shared).await?;
    tx.commit().await.map_err(|error| trouble(&error))?;
    Ok((came, changes, spent))
}

/// An item during a batch.
struct Held {
    summary: Summary,
    /// The report as it is kept; only read for orders that come again.
    report: Kept,
    /// The order as sent, of an item that is new.
    resource: Option<String>,
    /// What is to be written of an item that is new, as long as nothing changed it; as [`Fresh`] has it.
    row: Option<Vec<Value>>,
    changed: bool,
    judged: bool,
}

/// What a batch has read and is going to write.
#[derive(Default)]
struct Work {
    items: HashMap<ItemId, Held>,
    /// The current item of an order.
    current: HashMap<String, ItemId>,
    /// Items by card, with the rules that it showed; nothing where that was not noted.
    cards: HashMap<String, (ItemId, Option<String>)>,
    /// Answers to cards that came before, by when they were given as the client says.
    answered_before: BTreeSet<(String, i64)>,
    /// What commands that were done before led to.
    done_before: HashMap<String, ItemId>,
    votes: HashMap<(ItemId, String, String), bool>,
    new: Vec<ItemId>,
    entries: Vec<Entered>,
    tally: BTreeMap<(String, Count), i64>,
    new_cards: BTreeMap<(String, ItemId), String>,
    new_answers: BTreeMap<(String, i64), ItemId>,
    new_votes: BTreeMap<(ItemId, String, String), bool>,
    /// Who is told of changes; of items it is only then looked at whom they concern.
    listeners: Arc<[Listener]>,
    /// Whom items concern, and their version.
    concerns: HashMap<ItemId, (Concern, u64)>,
    told: Vec<Told>,
    spent: Spent,
}

/// `$1, $2, …` for a list that is made as long as the next power of two, so that there are few different statements.
pub(super) fn list(values: Vec<String>) -> (String, Vec<Value>) {
    list_after(Some(0), values)
}

/// The same after so many other values; `?, ?, …` where values are not numbered.
fn list_after(others: Option<usize>, values: Vec<String>) -> (String, Vec<Value>) {
    let n = values.len().next_power_of_two();
    let last = values.last().cloned().unwrap_or_default();
    let mut marks = String::with_capacity(6 * n);
    for i in 1..=n {
        marks.push_str(if i == 1 { "" } else { ", " });
        match others {
            None => marks.push('?'),
            // Into memory: cannot fail.
            Some(others) => drop(write!(marks, "${}", others + i)),
        }
    }
    let missing = n - values.len();
    let values = values.into_iter().chain(std::iter::repeat_n(last, missing)).map(Value::from).collect();
    (marks, values)
}

/// What is damaged of an item, said with its id: it fails whatever is about it, and nothing else.
fn of_item(id: &ItemId) -> impl FnOnce(Unavailable) -> Unavailable + '_ {
    move |error| match error {
        Unavailable::Damaged(what) if what.contains(id.as_str()) => Unavailable::DamagedItem(what),
        Unavailable::Damaged(what) => Unavailable::DamagedItem(format!("item {id}: {what}")),
        other => other,
    }
}

/// Names the report of an item, where something is wrong with it.
pub(super) fn of_report(item: &ItemId) -> String {
    format!("the report of item {item}")
}

fn state_of(text: &str) -> Result<Summary, Unavailable> {
    serde_json::from_str(text).map_err(|error| damaged("an item", &error))
}

impl Work {
    /// Reads everything that the operations may touch.
    async fn read(
        &mut self,
        conn: &mut AnyConnection,
        ops: &[Op],
        dictionaries: &Dictionaries,
    ) -> Result<(), Unavailable> {
        let (mut ids, mut cards, mut commands) = (BTreeSet::new(), BTreeSet::new(), BTreeSet::new());
        let (mut again, mut keys) = (Vec::with_capacity(ops.len()), Vec::with_capacity(ops.len()));
        for op in ops {
            match op {
                Op::Record { orders, .. } => {
                    again.extend(orders.iter().filter(|o| o.received.is_item()).map(|o| o.id.to_string()));
                    keys.extend(orders.iter().filter_map(|o| o.key.clone()));
                }
                Op::Act { item, command, .. } => {
                    ids.insert(item.to_string());
                    if !command.id.is_empty() {
                        commands.insert(command.id.clone());
                    }
                }
                Op::View { item, .. } => drop(ids.insert(item.to_string())),
                Op::Feedback { answers, .. } => cards.extend(answers.iter().map(|a| a.card.clone())),
                Op::Purge { .. } | Op::OwnView { .. } | Op::SortAgain { .. } | Op::Outbox(_) => {}
                #[cfg(test)]
                Op::Fault { .. } => {}
            }
        }
        let (cards, commands): (Vec<_>, Vec<_>) = (cards.into_iter().collect(), commands.into_iter().collect());
        for some in cards.chunks(MOST_LISTED) {
            let (marks, values) = list(some.to_vec());
            let sql = format!("SELECT card, said FROM answers WHERE card IN ({marks})");
            for row in statement(sql, values).fetch_all(&mut *conn).await.map_err(|e| trouble(&e))? {
                let answer = (row.try_get(0).map_err(|e| trouble(&e))?, row.try_get(1).map_err(|e| trouble(&e))?);
                self.answered_before.insert(answer);
            }
            let (marks, values) = list(some.to_vec());
            let sql = format!(
                "SELECT c.card, c.item, c.rules FROM cards c JOIN items i ON i.id = c.item WHERE c.card IN ({marks}) ORDER BY i.changed"
            );
            for row in statement(sql, values).fetch_all(&mut *conn).await.map_err(|e| trouble(&e))? {
                let item = id_of(&row, 1)?;
                ids.insert(item.to_string());
                let rules = row.try_get(2).map_err(|e| trouble(&e))?;
                self.cards.insert(row.try_get(0).map_err(|e| trouble(&e))?, (item, rules));
            }
        }
        for some in commands.chunks(MOST_LISTED) {
            let (marks, values) = list(some.to_vec());
            let sql = format!("SELECT command, item FROM trail WHERE command IN ({marks})");
            for row in statement(sql, values).fetch_all(&mut *conn).await.map_err(|e| trouble(&e))? {
                self.done_before.insert(row.try_get(0).map_err(|e| trouble(&e))?, id_of(&row, 1)?);
            }
        }
        for found in [&mut again, &mut keys] {
            found.sort_unstable();
            found.dedup();
        }
        while !again.is_empty() || !keys.is_empty() {
            let some = |of: &mut Vec<String>| of.split_off(of.len().saturating_sub(MOST_LISTED));
            self.recorded_before(conn, some(&mut again), some(&mut keys), dictionaries).await?;
        }
        ids.retain(|id| ItemId::read(id).is_some_and(|id| !self.items.contains_key(&id)));
        let ids: Vec<_> = ids.into_iter().collect();
        for some in ids.chunks(MOST_LISTED) {
            let (marks, values) = list(some.to_vec());
            let sql = format!("SELECT id, state FROM items WHERE id IN ({marks})");
            for row in statement(sql, values).fetch_all(&mut *conn).await.map_err(|e| trouble(&e))? {
                let text: String = row.try_get(1).map_err(|e| trouble(&e))?;
                let id = id_of(&row, 0)?;
                let summary = state_of(&text).map_err(of_item(&id))?;
                self.put(id, summary, Kept::default());
            }
        }
        Ok(())
    }

    /// Reads the items of contents that came before, with their reports, and the current items of orders; by one statement,
    /// as each waits for the database.
    async fn recorded_before(
        &mut self,
        conn: &mut AnyConnection,
        contents: Vec<String>,
        orders: Vec<String>,
        dictionaries: &Dictionaries,
    ) -> Result<(), Unavailable> {
        let mut parts = Vec::new();
        let mut values = Vec::new();
        let numbered = numbers_values(conn);
        if !contents.is_empty() {
            let (marks, more) = list_after(numbered.then_some(0), contents);
            values.extend(more);
            let columns = packing::COLUMNS;
            parts.push(format!("SELECT id, state, NULL AS order_key, {columns} FROM items WHERE id IN ({marks})"));
        }
        if !orders.is_empty() {
            let (marks, more) = list_after(numbered.then_some(values.len()), orders);
            values.extend(more);
            parts.push(format!(
                "SELECT id, state, order_key, '', NULL, NULL FROM items \
                 WHERE order_key IN ({marks}) AND standing <> 'replaced'"
            ));
        }
        if parts.is_empty() {
            return Ok(());
        }
        let rows = statement(parts.join(" UNION ALL "), values).fetch_all(&mut *conn).await;
        let mut current = Vec::new();
        for row in rows.map_err(|e| trouble(&e))? {
            let id = id_of(&row, 0)?;
            let text: String = row.try_get(1).map_err(|e| trouble(&e))?;
            let order: Option<String> = row.try_get(2).map_err(|e| trouble(&e))?;
            match order {
                None => {
                    let report = packing::in_row(&row, 3, &id).map_err(of_item(&id))?;
                    let report = dictionaries.kept(&mut *conn, report, &id).await.map_err(of_item(&id))?;
                    let summary = state_of(&text).map_err(of_item(&id))?;
                    self.put(id, summary, report);
                }
                Some(order) => current.push((order, id, text)),
            }
        }
        for (order, id, text) in current {
            if !self.items.contains_key(&id) {
                let summary = state_of(&text).map_err(of_item(&id))?;
                self.put(id.clone(), summary, Kept::default());
            }
            self.current.insert(order, id);
        }
        Ok(())
    }

    fn put(&mut self, id: ItemId, summary: Summary, report: Kept) {
        if !self.listeners.is_empty() {
            self.concerns.entry(id.clone()).or_insert_with(|| (Concern::of(&summary), summary.version));
        }
        self.items.insert(id, Held { summary, report, resource: None, row: None, changed: false, judged: false });
    }

    fn enter(&mut self, summary: &Summary, at: Timestamp, by: Person, what: Event, command: Option<String>) {
        if !self.listeners.is_empty() && what != Event::Viewed {
            self.tell(summary, at);
        }
        let entry = Entry { item: summary.id.clone(), version: summary.version, at, by, what };
        self.entries.push(Entered { entry, command, detail: None });
    }

    /// Whoever a task of an item concerns, before a change or after it, is told of its new version, once.
    fn tell(&mut self, summary: &Summary, at: Timestamp) {
        let now = Concern::of(summary);
        let before = self.concerns.insert(summary.id.clone(), (now.clone(), summary.version));
        if before.as_ref().is_some_and(|(_, version)| *version == summary.version) {
            return;
        }
        for listener in self.listeners.iter() {
            for lane in Lane::ALL {
                let concerned = |item: &Concern| listener.criteria.concerns(item, lane);
                if concerned(&now) || before.as_ref().is_some_and(|(before, _)| concerned(before)) {
                    let (listener, task) = (listener.id.clone(), TaskId { item: summary.id.clone(), lane });
                    self.told.push(Told { listener, task, version: summary.version, at });
                }
            }
        }
    }

    fn count(&mut self, at: Timestamp, count: Count) {
        self.count_on(day_of(at), count);
    }

    fn count_on(&mut self, day: String, count: Count) {
        let n = count.n;
        let of = (day, Count { n: 0, ..count });
        match self.tally.get_mut(&of) {
            Some(total) => {
                *total += n;
                self.spent.counts.push(of);
            }
            None => drop(self.tally.insert(of, n)),
        }
    }

    async fn apply(&mut self, conn: &mut AnyConnection, op: &mut Op, shared: &Shared) -> Result<Came, Unavailable> {
        Ok(match op {
            Op::Record { orders, .. } => {
                let recorded: Result<_, _> = orders.iter_mut().map(|order| self.record(order, shared)).collect();
                Came::Recorded(recorded?)
            }
            Op::Act { item, command, .. } => Came::Acted(self.act(conn, item, command, shared).await?),
            Op::View { item, by, at, .. } => {
                if let Some(held) = self.items.get(item) {
                    let summary = held.summary.clone();
                    self.enter(&summary, *at, by.clone(), Event::Viewed, None);
                }
                Came::Viewed
            }
            Op::Feedback { answers, .. } => Came::Answered(answers.iter().filter(|a| self.answered(a)).count()),
            Op::Purge { before, by, at, .. } => Came::Purged(self.purge(conn, *before, by, *at).await?),
            Op::SortAgain { moved, at, .. } => Came::Sorted(sorting::write(conn, moved, *at).await?),
            Op::OwnView { person, change, .. } => Came::OwnView(views::apply(conn, person, change).await?),
            Op::Outbox(wanted) => Came::Outbox(wanted.apply(conn, shared.dialect).await?),
            #[cfg(test)]
            Op::Fault { .. } => panic!("a fault that a test asked for"),
        })
    }

    /// Takes what was worked out before of an order; where the transaction fails, it is worked out in its turn.
    fn record(&mut self, order: &mut Ready, shared: &Shared) -> Result<Recorded, Unavailable> {
        let fresh = order.fresh.take();
        let Ready { received, id, key, report, .. } = &*order;
        let at = received.kept();
        let before = key.as_ref().and_then(|key| self.current.get(key)).filter(|current| *current != id).cloned();
        // What was set aside comes late: what was received after it stays the order's content. Of anything else the times
        // say nothing: clocks of programs differ.
        let newer = |held: &Held| received.late.is_some() && held.summary.last_seen > received.at;
        let late = before.as_ref().and_then(|before| self.items.get(before)).is_some_and(newer);
        if !received.is_item() {
            let current = key.as_ref().and_then(|key| self.current.get(key)).cloned();
            // The same content with other data or less of it may look clear: that it was changed is not said, and who
            // looks at it decides.
            let same = |held: &Held| held.summary.content == received.content;
            let stays = current.as_ref().and_then(|id| self.items.get(id)).is_none_or(|held| newer(held) || same(held));
            if let Some(current) = current.filter(|_| !stays) {
                self.replace(&current, None, at);
                if let Some(key) = key {
                    self.current.remove(key);
                }
            }
            return Ok(Recorded::Nothing);
        }
        let policy = &shared.policy;
        let recorded = if let Some(held) = self.items.get_mut(id) {
            // What was said of it later stands.
            if newer(held) || late && held.summary.standing == Standing::Replaced {
                held.summary.seen += 1;
                held.changed = true;
                self.join_cards(received, id);
                return Ok(Recorded::Again(id.clone()));
            }
            let said = match held.report.is_kept_as(report) {
                true => None,
                false => Some(held.report.text(id).map_err(of_item(id))?),
            };
            let said = said.filter(|said| *said != packing::plain(&received.report));
            let same = said.is_none();
            let kept: Report = match said {
                None => Report::clone(&received.report),
                Some(said) => {
                    serde_json::from_str(&said).map_err(|error| damaged(&of_report(id), &error)).map_err(of_item(id))?
                }
            };
            let known: BTreeSet<String> = kept.rules().into_iter().collect();
            let mut item = Item { summary: held.summary.clone(), resource: String::new(), report: kept };
            let events = item.seen_again(received, before.as_ref(), policy);
            held.changed = true;
            held.summary = item.summary;
            if !same {
                held.report = report.clone();
                held.judged = true;
            }
            let summary = held.summary.clone();
            for event in events {
                self.enter(&summary, at, Person::program(), event, None);
            }
            for rule in received.report.rules().iter().filter(|rule| !known.contains(*rule)) {
                self.count(at, Count::one(rule, Fate::Fired, ""));
            }
            Recorded::Again(id.clone())
        } else {
            let mut row = None;
            match fresh {
                Some(fresh) if before.is_none() => {
                    let Fresh { summary, row: known, entry, counts } = *fresh;
                    if !self.listeners.is_empty() {
                        self.tell(&summary, at);
                    }
                    self.entries.push(entry);
                    self.put(id.clone(), summary, report.clone());
                    row = Some(known);
                    counts.into_iter().for_each(|(day, count)| self.count_on(day, count));
                }
                _ => {
                    let (mut summary, event) = Summary::first(received, before.clone().filter(|_| !late), policy);
                    self.enter(&summary, at, Person::program(), event, None);
                    if late {
                        let event = summary.replace(before.clone(), at);
                        self.enter(&summary, at, Person::program(), event, None);
                    }
                    self.put(id.clone(), summary, report.clone());
                    counts_of_new(received).into_iter().for_each(|count| self.count(at, count));
                }
            }
            if let Some(held) = self.items.get_mut(id) {
                held.resource = Some(received.resource.clone());
                held.row = row;
            }
            self.new.push(id.clone());
            Recorded::New(id.clone())
        };
        self.join_cards(received, id);
        if !late {
            if let Some(before) = before {
                self.replace(&before, Some(id.clone()), at);
            }
            if let Some(key) = key {
                self.current.insert(key.clone(), id.clone());
            }
        }
        Ok(recorded)
    }

    /// Whether a report is written that is packed.
    fn packs(&self) -> bool {
        self.items.values().any(|held| (held.resource.is_some() || held.judged) && held.report.is_packed())
    }

    /// Feedback on its cards is about this item from now on.
    fn join_cards(&mut self, received: &Received, id: &ItemId) {
        for CardShown { id: card, rules } in &received.cards {
            let rules = rules.join("|");
            self.cards.insert(card.clone(), (id.clone(), Some(rules.clone())));
            self.new_cards.insert((card.clone(), id.clone()), rules);
        }
    }

    fn replace(&mut self, old: &ItemId, by: Option<ItemId>, at: Timestamp) {
        let Some(held) = self.items.get_mut(old) else { return };
        let event = held.summary.replace(by, at);
        held.changed = true;
        let summary = held.summary.clone();
        self.enter(&summary, at, Person::program(), event, None);
    }

    async fn act(
        &mut self,
        conn: &mut AnyConnection,
        item: &ItemId,
        command: &Command,
        shared: &Shared,
    ) -> Result<Result<Box<Summary>, NotDone>, Unavailable> {
        let Some(held) = self.items.get_mut(item) else { return Ok(Err(NotDone::NoSuchItem)) };
        if !command.id.is_empty()
            && let Some(of) = self.done_before.get(&command.id)
        {
            return Ok(if of == item { Ok(Box::new(held.summary.clone())) } else { Err(NotDone::NoSuchItem) });
        }
        let mut summary = held.summary.clone();
        let event = match summary.act(command, &shared.policy) {
            Ok(event) => event,
            Err(refused) => return Ok(Err(refused.into())),
        };
        held.changed = true;
        held.summary = summary.clone();
        let own = (!command.id.is_empty()).then(|| command.id.clone());
        if let Some(own) = &own {
            self.done_before.insert(own.clone(), item.clone());
        }
        self.enter(&summary, command.at, command.by.clone(), event, own);
        self.count_action(conn, &summary, command).await?;
        Ok(Ok(Box::new(summary)))
    }

    async fn count_action(
        &mut self,
        conn: &mut AnyConnection,
        summary: &Summary,
        command: &Command,
    ) -> Result<(), Unavailable> {
        let of_lane = summary.for_lane.get(&command.lane).cloned().unwrap_or_default();
        let counts: Vec<Count> = match &command.action {
            Action::Accept { reason } => {
                of_lane.iter().map(|rule| Count::one(rule, Fate::Accepted, &reason.code)).collect()
            }
            Action::CloseAsChanged { .. } => of_lane.iter().map(|rule| Count::one(rule, Fate::Changed, "")).collect(),
            Action::Judge { rule, useful } => {
                let vote = (summary.id.clone(), rule.clone(), command.by.id.clone());
                let before = match self.votes.get(&vote) {
                    Some(before) => Some(*before),
                    None => {
                        let sql = "SELECT useful FROM votes WHERE item = $1 AND rule = $2 AND person = $3".to_owned();
                        let values = [summary.id.as_str(), rule, &command.by.id].map(Value::from);
                        let row = statement(sql, values).fetch_optional(conn).await.map_err(|e| trouble(&e))?;
                        let vote = row.map(|row| row.try_get::<i64, _>(0)).transpose().map_err(|e| trouble(&e))?;
                        vote.map(|vote| vote != 0)
                    }
                };
                let fate = |useful| if useful { Fate::Useful } else { Fate::NotUseful };
                let back = before.map(|before| Count { n: -1, ..Count::one(rule, fate(before), "") });
                self.votes.insert(vote.clone(), *useful);
                self.new_votes.insert(vote, *useful);
                [Count::one(rule, fate(*useful), "")].into_iter().chain(back).collect()
            }
            _ => Vec::new(),
        };
        for count in counts {
            self.count(command.at, count);
        }
        Ok(())
    }

    /// Joins an answer to the item of its card, once: clients send it again when they do not know whether it arrived.
    fn answered(&mut self, answer: &CardAnswer) -> bool {
        let Some((item, shown)) = self.cards.get(&answer.card).cloned() else { return false };
        let Some(held) = self.items.get_mut(&item) else { return false };
        let own = (answer.card.clone(), answer.said.as_microsecond());
        if !self.answered_before.insert(own.clone()) {
            return true;
        }
        self.new_answers.insert(own, item);
        held.summary.touched(answer.at);
        held.changed = true;
        let summary = held.summary.clone();
        let (fate, reason) = if answer.accepted {
            (Fate::CardAccepted, "")
        } else {
            // What no card offers may say anything, of a patient too.
            let reason = answer.reason.as_deref();
            (Fate::CardOverridden, reason.map_or("", |own| if answer.offered { own } else { REASON_NOT_OFFERED }))
        };
        // What was found beside it, for others than the prescriber, nobody has answered.
        for rule in shown.iter().flat_map(|shown| shown.split('|')).filter(|rule| !rule.is_empty()) {
            self.count(answer.at, Count::one(rule, fate, reason));
        }
        let what = Event::CardAnswered {
            card: answer.card.clone(),
            accepted: answer.accepted,
            reason: answer.reason.clone(),
            comment: answer.comment.clone(),
            said: Some(answer.said),
        };
        let by = Person { id: "prescriber".to_owned(), name: "the prescriber".to_owned(), role: Role::Prescriber };
        self.enter(&summary, answer.at, by, what, None);
        true
    }

    async fn purge(
        &mut self,
        conn: &mut AnyConnection,
        before: Timestamp,
        by: &Person,
        at: Timestamp,
    ) -> Result<u64, Unavailable> {
        let time = before.as_microsecond();
        let old = format!("(SELECT id FROM items WHERE standing <> 'open' AND changed < {time})");
        for table in ["cards", "answers", "votes", "moves"] {
            run(conn, format!("DELETE FROM {table} WHERE item IN {old}")).await?;
        }
        run(conn, format!("UPDATE trail SET detail = NULL WHERE item IN {old}")).await?;
        outbox::purge(conn, before).await?;
        let sql = format!("DELETE FROM items WHERE standing <> 'open' AND changed < {time}");
        let removed = statement(sql, []).execute(&mut *conn).await.map_err(|e| trouble(&e))?.rows_affected();
        note(conn, PURGED, by, at, removed).await?;
        Ok(removed)
    }

    /// Writes what has changed; gives what to tell listeners, and what is no longer needed.
    async fn write(self, conn: &mut AnyConnection, shared: &Shared) -> Result<(Vec<Change>, Spent), Unavailable> {
        let Self { mut items, new, entries, tally, new_cards, new_answers, new_votes, told, mut spent, .. } = self;
        let mut changes = BTreeMap::new();
        for Entered { entry, .. } in entries.iter().filter(|one| one.entry.what != Event::Viewed) {
            changes.insert(entry.item.clone(), entry.version);
        }
        let mut rows = Vec::with_capacity(new.len());
        spent.items.reserve(new.len());
        for id in new {
            let Some(mut held) = items.remove(&id) else { continue };
            let mut row = match held.row.take() {
                Some(row) if !held.changed => row,
                _ => row_of(&held.summary, &shared.policy.times)?,
            };
            row.extend(held.report.values());
            row.push(held.resource.take().unwrap_or_default().into());
            rows.push(row);
            spent.items.push(held);
        }
        let anchor = if entries.is_empty() { Anchor::default() } else { last_of_the_chain(conn).await? };
        // Entries are sealed while the database takes the items.
        let items_written = insert(conn, "items", &ITEM_COLUMNS, "", rows);
        let (written, rest) = join(items_written, async { seal(anchor, entries) }).await;
        written?;
        let sealed;
        (sealed, spent.entries) = rest?;
        for (id, held) in items.into_iter().filter(|(_, held)| held.changed) {
            update(conn, &id, held, &shared.policy.times).await?;
        }
        let rows = new_cards.into_iter();
        let rows = rows.map(|((card, item), rules)| vec![card.into(), item.as_str().into(), rules.into()]).collect();
        let known = "ON CONFLICT (card, item) DO UPDATE SET rules = excluded.rules WHERE cards.rules IS NULL";
        insert(conn, "cards", &["card", "item", "rules"], known, rows).await?;
        let rows = new_answers.into_iter();
        let rows = rows.map(|((card, said), item)| vec![card.into(), said.into(), item.as_str().into()]).collect();
        insert(conn, "answers", &["card", "said", "item"], "ON CONFLICT (card, said) DO NOTHING", rows).await?;
        let rows = new_votes
            .into_iter()
            .map(|((item, rule, person), useful)| {
                vec![item.as_str().into(), rule.into(), person.into(), i64::from(useful).into()]
            })
            .collect();
        let again = "ON CONFLICT (item, rule, person) DO UPDATE SET useful = excluded.useful";
        insert(conn, "votes", &["item", "rule", "person", "useful"], again, rows).await?;
        let rows = tally
            .into_iter()
            .filter(|(_, n)| *n != 0)
            .map(|((day, count), n)| {
                vec![day.into(), count.rule.into(), count.fate.word().into(), count.reason.into(), n.into()]
            })
            .collect();
        let more = "ON CONFLICT (day, rule, fate, reason) DO UPDATE SET n = counts.n + excluded.n";
        insert(conn, "counts", &["day", "rule", "fate", "reason", "n"], more, rows).await?;
        insert(conn, "trail", &["seq", "line", "item", "detail", "command"], "", sealed).await?;
        outbox::write(conn, told).await?;
        let changes: Vec<Change> = changes.into_iter().map(|(item, version)| Change { item, version }).collect();
        if shared.dialect == super::sql::Dialect::Postgres {
            super::postgres::notify(conn, &shared.instance, &changes).await?;
        }
        Ok((changes, spent))
    }
}

fn who(person: &Person) -> Who {
    let kind = if person.role == Role::Program { Kind::Program } else { Kind::Person };
    Who { reference: Reference::new(&person.id), ..Who::nameless(kind) }
}

/// The place of the last entry of the trail.
pub(super) async fn last_of_the_chain(conn: &mut AnyConnection) -> Result<Anchor, Unavailable> {
    let sql = "SELECT line FROM trail ORDER BY seq DESC LIMIT 1".to_owned();
    let row = statement(sql, []).fetch_optional(conn).await.map_err(|e| trouble(&e))?;
    let Some(row) = row else { return Ok(Anchor::default()) };
    let line: String = row.try_get(0).map_err(|e| trouble(&e))?;
    let entry = audit::line::read(line.as_bytes()).map_err(|why| Unavailable::Damaged(format!("the trail {why}")))?;
    Ok(Anchor { sequence: entry.sequence, hash: entry.hash })
}

/// Writes a line into the trail that is about no item: what was done, and with how many.
pub(super) async fn note(
    conn: &mut AnyConnection,
    action: &'static str,
    by: &Person,
    at: Timestamp,
    count: u64,
) -> Result<(), Unavailable> {
    let outcome = Outcome { count: Some(u32::try_from(count).unwrap_or(u32::MAX)), ..Outcome::of("done") };
    let (who, on, versions) = (who(by), On::default(), audit::Versions::new());
    let event = audit::Event { time: at, who, action: Word::of(action), on, outcome, versions };
    let mut chain = Chain::after(last_of_the_chain(conn).await?);
    let (entry, line) = audit::line::seal(&chain, event);
    chain.advance(&entry);
    let line = text_of(line);
    let sql = "INSERT INTO trail (seq, line) VALUES ($1, $2)".to_owned();
    let values = [Value::Int(number(entry.sequence)), Value::Text(line)];
    statement(sql, values).execute(conn).await.map(drop).map_err(|e| trouble(&e))
}

/// A line of the trail, which is JSON.
fn text_of(line: Vec<u8>) -> String {
    String::from_utf8(line).unwrap_or_else(|error| String::from_utf8_lossy(error.as_bytes()).into_owned())
}

/// Entries in their places after another, as rows; and the entries.
fn seal(after: Anchor, entries: Vec<Entered>) -> Result<(Vec<Vec<Value>>, Vec<Entry>), Unavailable> {
    let mut chain = Chain::after(after);
    let mut rows = Vec::with_capacity(entries.len());
    let mut spent = Vec::with_capacity(entries.len());
    for Entered { entry, command, detail } in entries {
        let (detail, content) = match detail {
            Some(known) => known,
            None => detail_of(&entry)?,
        };
        let event = audit::Event {
            time: entry.at,
            who: who(&entry.by),
            action: Word::of(entry.what.word()),
            on: On { content: Some(content), item: Reference::new(entry.item.as_str()), ..On::default() },
            outcome: Outcome::of("done"),
            versions: audit::Versions::new(),
        };
        let (sealed, line) = audit::line::seal(&chain, event);
        chain.advance(&sealed);
        let line = text_of(line);
        rows.push(vec![
            number(sealed.sequence).into(),
            line.into(),
            entry.item.as_str().into(),
            detail.into(),
            command.into(),
        ]);
        spent.push(entry);
    }
    Ok((rows, spent))
}

pub(super) const ITEM_COLUMNS: [&str; 25] = [
    "id",
    "order_key",
    "standing",
    "sort_key",
    "grade",
    "tier",
    "not_checked",
    "ward",
    "patient",
    "starts",
    "received",
    "changed",
    "pharmacist",
    "pharmacist_by",
    "pharmacist_until",
    "dietitian",
    "dietitian_by",
    "dietitian_until",
    "rules",
    "search",
    "state",
    "report",
    "report_packed",
    "report_dictionary",
    "resource",
];

fn lane_columns(summary: &Summary, lane: Lane) -> [Value; 3] {
    let state = &summary.lane(lane).state;
    [state.word().into(), state.by().map(|by| by.id.clone()).into(), state.until().into()]
}

/// What is searched for words.
fn search_text(summary: &Summary) -> String {
    let mut out = String::new();
    let lanes = [&summary.pharmacist.state, &summary.dietitian.state];
    let people = lanes.iter().filter_map(|state| state.by()).map(|by| by.name.as_str());
    let decided = lanes.iter().filter_map(|state| match state {
        LaneState::Decided { decision: Decision::Changed { note }, .. } => Some(note.as_str()),
        _ => None,
    });
    let own = [
        summary.label.as_str(),
        &summary.key.patient,
        &summary.key.order,
        summary.ward.as_deref().unwrap_or_default(),
        &summary.headline,
    ];
    let named = summary.patient_texts();
    let named = named.iter().map(String::as_str);
    let rules = summary.rules.iter().map(String::as_str);
    for part in own.into_iter().chain(named).chain(rules).chain(people).chain(decided) {
        let _ = writeln!(out, "{}", part.to_lowercase());
    }
    out
}

/// All columns but the report's and the last.
fn row_of(s: &Summary, times: &Times) -> Result<Vec<Value>, Unavailable> {
    let state = serde_json::to_string(s).map_err(|error| damaged("an item", &error))?;
    let rules = format!("|{}|", s.rules.join("|"));
    let [pharmacist, pharmacist_by, pharmacist_until] = lane_columns(s, Lane::Pharmacist);
    let [dietitian, dietitian_by, dietitian_until] = lane_columns(s, Lane::Dietitian);
    let mut row = Vec::with_capacity(ITEM_COLUMNS.len());
    row.extend([
        s.id.as_str().into(),
        s.key.text().into(),
        s.standing.word().into(),
        s.sort_key(times).into(),
        i64::from(s.grade()).into(),
        s.tier.map(|tier| tier.code().to_owned()).into(),
        i64::from(s.not_evaluated > 0).into(),
        s.ward.clone().into(),
        s.key.patient.as_str().into(),
        s.starts.into(),
        s.received.into(),
        s.changed_at.into(),
        pharmacist,
        pharmacist_by,
        pharmacist_until,
        dietitian,
        dietitian_by,
        dietitian_until,
        rules.into(),
        search_text(s).into(),
        state.into(),
    ]);
    Ok(row)
}

/// Columns that say again what the summary of an item says. Those by which items are sorted and found follow from
/// settings and programs that change, and are not among them.
pub(super) const SAID_AGAIN: [&str; 16] = [
    "order_key",
    "standing",
    "tier",
    "not_checked",
    "ward",
    "patient",
    "starts",
    "received",
    "changed",
    "pharmacist",
    "pharmacist_by",
    "pharmacist_until",
    "dietitian",
    "dietitian_by",
    "dietitian_until",
    "rules",
];

/// What those columns of an item must hold.
pub(super) fn said_again(summary: &Summary) -> Result<Vec<(&'static str, Value)>, Unavailable> {
    let row = ITEM_COLUMNS.into_iter().zip(row_of(summary, &Times::default())?);
    Ok(row.filter(|(column, _)| SAID_AGAIN.contains(column)).collect())
}

/// Columns that change after an item was made; of the report only when it was judged again.
async fn update(conn: &mut AnyConnection, id: &ItemId, held: Held, times: &Times) -> Result<(), Unavailable> {
    let judged = held.judged;
    let mut row = row_of(&held.summary, times)?;
    if judged {
        row.extend(held.report.values());
    }
    let mut set = String::new();
    let mut values = Vec::new();
    for (column, value) in ITEM_COLUMNS.iter().zip(row) {
        let fixed = matches!(*column, "id" | "order_key" | "resource" | "patient" | "received" | "starts");
        if fixed {
            continue;
        }
        values.push(value);
        let comma = if set.is_empty() { "" } else { ", " };
        let _ = write!(set, "{comma}{column} = ${}", values.len());
    }
    values.push(id.as_str().into());
    let sql = format!("UPDATE items SET {set} WHERE id = ${}", values.len());
    let changed = statement(sql, values).execute(conn).await.map_err(|e| trouble(&e))?.rows_affected();
    if changed != 1 {
        return Err(Unavailable::Database("an item vanished while it was changed".to_owned()));
    }
    Ok(())
}

/// Whether many values are told by their number: SQLite looks each up in a list of all of them.
pub(super) fn numbers_values(conn: &AnyConnection) -> bool {
    conn.backend_name() != "SQLite"
}

/// Many rows by few statements: as many as the largest power of two that is left and has at most [`MOST_VALUES`].
pub(super) async fn insert(
    conn: &mut AnyConnection,
    table: &str,
    columns: &[&str],
    conflict: &str,
    rows: Vec<Vec<Value>>,
) -> Result<(), Unavailable> {
    let mut rows = rows.into_iter();
    let numbered = numbers_values(conn);
    // Where one row cannot be written, no transaction goes on: SQLite need not note how each page was before the statement.
    let insert = if numbered || !conflict.is_empty() { "INSERT" } else { "INSERT OR ROLLBACK" };
    let mut next = || {
        if rows.len() == 0 {
            return None;
        }
        let n = 1usize << rows.len().min(MOST_VALUES / columns.len()).ilog2();
        let mut sql = format!("{insert} INTO {table} ({}) VALUES ", columns.join(", "));
        let mut values = Vec::with_capacity(n * columns.len());
        for row in rows.by_ref().take(n) {
            sql.push_str(if values.is_empty() { "(" } else { ", (" });
            for (nth, value) in row.into_iter().enumerate() {
                values.push(value);
                sql.push_str(if nth == 0 { "" } else { ", " });
                if numbered {
                    let _ = write!(sql, "${}", values.len());
                } else {
                    sql.push('?');
                }
            }
            sql.push(')');
        }
        if !conflict.is_empty() {
            sql.push(' ');
            sql.push_str(conflict);
        }
        Some(statement(sql, values))
    };
    let mut now = next();
    while let Some(statement) = now {
        // The next one is put together while the database works on this one.
        let (done, after) = join(statement.execute(&mut *conn), async { next() }).await;
        done.map_err(|e| trouble(&e))?;
        now = after;
    }
    Ok(())
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::findings::Disposition;
    use crate::queue::item::OrderKey;
    use crate::queue::report::Versions;
    use crate::store::{Filter, Query, Sort, SqlStore, Store};
    use sqlx::Connection as _;
    use std::path::PathBuf;
    use std::time::Duration;

    pub(crate) struct Folder(PathBuf);

    impl Folder {
        pub(crate) fn new() -> Self {
            let path = std::env::temp_dir().join(format!("eg-writer-{}", uuid::Uuid::new_v4()));
            std::fs::create_dir(&path).unwrap();
            Self(path)
        }
    }

    impl Drop for Folder {
        fn drop(&mut self) {
            let _ = std::fs::remove_dir_all(&self.0);
        }
    }

    impl Folder {
        pub(crate) fn place(&self) -> PathBuf {
            self.0.join("queue.sqlite")
        }
    }

    /// An invented order that is flagged.
    pub(crate) fn order(n: usize) -> Received {
        let word = String::new;
        let by = Versions {
            program: word(),
            rulebook: word(),
            rulebook_hash: word(),
            formulary: word(),
            formulary_hash: word(),
            settings_hash: word(),
            fhir_version: word(),
            time_zone: word(),
            demo: true,
        };
        let report = Report {
            disposition: Disposition::Flagged,
            findings: Vec::new(),
            not_evaluated: Vec::new(),
            not_provided: Vec::new(),
            switched_off: Vec::new(),
            notes: Vec::new(),
            delivered: Vec::new(),
            day: None,
            data: Vec::new(),
            assumptions: Vec::new(),
            by,
            sheet: None,
        };
        let key = OrderKey { client: word(), base: word(), patient: format!("Patient/p{n}"), order: format!("n{n}") };
        Received {
            key,
            content: format!("{n:064x}"),
            label: format!("n{n}"),
            through: "$validate".to_owned(),
            resource: "{}".to_owned(),
            identity: Default::default(),
            ward: None,
            starts: None,
            at: Timestamp::from_second(1_790_000_000).unwrap(),
            late: None,
            report: Arc::new(report),
            cards: Vec::new(),
        }
    }

    async fn fault(store: &SqlStore) -> Result<(), Unavailable> {
        store.written(|done| Op::Fault { done }).await
    }

    /// A store with one order, of which what writes has ended.
    pub(crate) async fn ended() -> (Folder, SqlStore) {
        let folder = Folder::new();
        let store = SqlStore::sqlite(&folder.0.join("queue.sqlite"), Policy::default()).await.unwrap();
        store.record(vec![order(1)]).await.unwrap();
        assert_eq!(fault(&store).await, Err(Unavailable::Ended));
        (folder, store)
    }

    /// What writes ends in the middle of a batch: whoever waits is told, nobody is told that anything was kept, and every
    /// order that is not is counted.
    #[tokio::test(flavor = "multi_thread")]
    async fn what_ends_while_others_wait_is_said_to_each_and_for_good() {
        const OTHERS: usize = MOST_OF_A_BATCH + 100;
        let folder = Folder::new();
        let path = folder.0.join("queue.sqlite");
        let store = Arc::new(SqlStore::sqlite(&path, Policy::default()).await.unwrap());
        let options = sqlx::sqlite::SqliteConnectOptions::new().filename(&path);
        let mut holds = sqlx::SqliteConnection::connect_with(&options).await.unwrap();
        sqlx::raw_sql("BEGIN IMMEDIATE").execute(&mut holds).await.unwrap();
        let first = tokio::spawn({
            let store = store.clone();
            async move { store.record(vec![order(0)]).await }
        });
        tokio::time::sleep(Duration::from_millis(200)).await;
        // The next batch has the fault in it; the rest waits for one after that.
        let one = order(1);
        let mut waits = Vec::new();
        for n in 0..OTHERS {
            let (store, mut one) = (store.clone(), one.clone());
            one.key.order = format!("other-{n}");
            waits.push(tokio::spawn(async move {
                if n == 300 { fault(&store).await } else { store.record(vec![one]).await.map(drop) }
            }));
        }
        tokio::time::sleep(Duration::from_millis(300)).await;
        holds.close().await.unwrap();
        assert!(first.await.unwrap().is_ok());
        for wait in waits {
            assert_eq!(wait.await.unwrap(), Err(Unavailable::Ended));
        }
        let health = store.health();
        assert!(health.ended && !health.looking && health.since.is_some(), "{health:?}");
        assert_eq!((health.lost, health.waiting), (OTHERS as u64 - 1, 0));
        // It stays so, and everything can be looked at.
        let at = Timestamp::from_second(1_790_000_000).unwrap();
        let query = Query { filter: Filter::default(), sort: Sort::Urgency, after: None, limit: 10, now: at };
        let page = store.list(query).await.unwrap();
        assert_eq!(page.total, 1, "nothing of a batch that was not written");
        let by = Person { id: "ann".to_owned(), name: "Invented ann".to_owned(), role: Role::Pharmacist };
        assert_eq!(store.viewed(page.items[0].id.clone(), by, at).await, Err(Unavailable::Ended));
        assert_eq!(store.record(vec![order(2)]).await, Err(Unavailable::Ended));
        let health = store.health();
        assert_eq!((health.lost, health.waiting), (OTHERS as u64, 0));
        assert!(health.trouble.unwrap().contains("restart the service"));
        tokio::time::timeout(Duration::from_secs(10), store.close()).await.expect("it can be closed").unwrap();
    }
}
