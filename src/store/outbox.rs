//! What other systems are to be told, until they were. A row is written in the transaction that changes the item, for
//! every subscriber that the change concerns; nothing else decides whether a message goes out.
//!
//! A row is `waiting`, `delivered`, or `dead` when it was tried often enough. Whoever sends it takes it for a time (a
//! lease): nobody else does meanwhile, and when they end in the middle somebody does after. Of one item and subscriber a
//! row is taken only when none before it waits. All of that is written by the one writer, in its transactions.
//!
//! INVARIANT: a row is given out, and what came of it is noted, only for the endpoint that was declared last by any
//! replica. What a replica still sends to the endpoint before counts for nothing there.

use super::sql::{Dialect, SqlStore, Value, begin, number, statement, trouble};
use super::statements::insert;
use super::upkeep::existing;
use super::writer::{Op, note};
use super::{Unavailable, schema};
use crate::queue::Person;
use crate::queue::task::TaskId;
use crate::subscriptions::Criteria;
use crate::subscriptions::notification::Event;
use crate::subscriptions::resource::Known;
use futures_util::TryStreamExt as _;
use jiff::Timestamp;
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, Row};
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::oneshot;
use uuid::Uuid;

/// The step of the tables that brought these.
pub(super) const SINCE: i64 = 3;
/// Why a row is a dead letter that can never be sent.
pub const DAMAGED: &str = "damaged";
/// Rows that `$events` gives at most.
pub const MOST_EVENTS: i64 = 200;

/// A subscriber as the store has to know it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Listener {
    /// Its id.
    pub id: String,
    /// Where it is; when that changes, or it was not declared for a while, it is greeted again.
    pub endpoint: String,
    /// Of which items it is told.
    pub criteria: Criteria,
}

/// A row that was taken to be sent.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Due {
    /// The subscriber.
    pub subscriber: String,
    /// Where it is to be sent.
    pub endpoint: String,
    /// What happened.
    pub event: Event,
    /// Tries, this one included.
    pub tries: u64,
    /// By what it is told that it was taken now.
    lease: String,
}

/// What came of sending a row.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Sent {
    /// It arrived.
    Delivered,
    /// It did not.
    Failed {
        /// Why: a word of the program.
        why: String,
        /// After what time to try again; nothing: it is a dead letter.
        again: Option<Duration>,
    },
}

type Done<T> = oneshot::Sender<Result<T, Unavailable>>;

/// Something about rows that is to be written.
pub(super) enum Wanted {
    Listen { listeners: Arc<[Listener]>, at: Timestamp, done: Done<()> },
    Take { subscriber: String, endpoint: String, most: usize, lease: Duration, done: Done<Vec<Due>> },
    Settle { due: Box<Due>, sent: Sent, done: Done<()> },
    Clear { before: Timestamp, done: Done<u64> },
    ByHand { which: Box<Which>, what: ByHand, by: Person, done: Done<u64> },
}

/// What came of it.
pub(super) enum Came {
    Nothing,
    Taken(Vec<Due>),
    Rows(u64),
}

impl Wanted {
    pub(super) fn say(self, came: Result<Came, Unavailable>) {
        // Whoever does not wait any more does not want to know.
        match (self, came) {
            (Self::Listen { done, .. } | Self::Settle { done, .. }, came) => drop(done.send(came.map(|_| ()))),
            (Self::Take { done, .. }, Ok(Came::Taken(due))) => drop(done.send(Ok(due))),
            (Self::Take { done, .. }, Err(error)) => drop(done.send(Err(error))),
            (Self::Clear { done, .. } | Self::ByHand { done, .. }, Ok(Came::Rows(n))) => drop(done.send(Ok(n))),
            (Self::Clear { done, .. } | Self::ByHand { done, .. }, Err(error)) => drop(done.send(Err(error))),
            // Each gives its own kind; a sender that is dropped tells its receiver that nothing is known.
            (Self::Take { .. } | Self::Clear { .. } | Self::ByHand { .. }, Ok(_)) => {}
        }
    }

    pub(super) async fn apply(&self, conn: &mut AnyConnection, dialect: Dialect) -> Result<Came, Unavailable> {
        match self {
            Self::Listen { listeners, at, .. } => {
                for listener in listeners.iter() {
                    greet(conn, listener, *at).await?;
                }
                dismiss(conn, listeners).await?;
                Ok(Came::Nothing)
            }
            Self::Take { subscriber, endpoint, most, lease, .. } => {
                Ok(Came::Taken(take(conn, dialect, (subscriber, endpoint), *most, *lease).await?))
            }
            Self::Settle { due, sent, .. } => {
                settle(conn, dialect, due, sent).await?;
                Ok(Came::Nothing)
            }
            Self::Clear { before, .. } => Ok(Came::Rows(clear(conn, *before).await?)),
            Self::ByHand { which, what, by, .. } => Ok(Came::Rows(change(conn, dialect, which, *what, by).await?)),
        }
    }
}

/// A change that a listener is told of, on its way into a row.
pub(super) struct Told {
    pub(super) listener: String,
    pub(super) task: TaskId,
    pub(super) version: u64,
    pub(super) at: Timestamp,
}

const COLUMNS: [&str; 9] = ["subscriber", "number", "event", "item", "version", "happened", "state", "tries", "due"];

fn row(subscriber: &str, number: i64, item: &str, version: i64, at: Timestamp) -> Vec<Value> {
    vec![
        subscriber.into(),
        number.into(),
        Uuid::new_v4().to_string().into(),
        item.into(),
        version.into(),
        at.into(),
        "waiting".into(),
        0_i64.into(),
        0_i64.into(),
    ]
}

/// Writes rows, numbered on from the last of each subscriber.
pub(super) async fn write(conn: &mut AnyConnection, told: Vec<Told>) -> Result<(), Unavailable> {
    let mut by_listener: BTreeMap<String, Vec<Told>> = BTreeMap::new();
    for one in told {
        by_listener.entry(one.listener.clone()).or_default().push(one);
    }
    for (listener, told) in by_listener {
        let n = i64::try_from(told.len()).unwrap_or(i64::MAX);
        let since = told.first().map_or(Timestamp::UNIX_EPOCH, |one| one.at);
        let sql = "INSERT INTO subscribers (id, since, endpoint, events) VALUES ($1, $2, '', $3) \
                   ON CONFLICT (id) DO UPDATE SET events = subscribers.events + excluded.events RETURNING events";
        let values = [Value::from(listener.as_str()), since.into(), n.into()];
        let last = statement(sql.to_owned(), values).fetch_one(&mut *conn).await.map_err(|e| trouble(&e))?;
        let last: i64 = last.try_get(0).map_err(|e| trouble(&e))?;
        let rows = (last - n + 1..).zip(told);
        let rows = rows.map(|(nth, one)| row(&listener, nth, &one.task.to_string(), number(one.version), one.at));
        insert(conn, "outbox", &COLUMNS, "", rows.collect()).await?;
    }
    Ok(())
}

/// Notes a subscriber; one that is new, or is somewhere else now, is sent a handshake before anything else.
async fn greet(conn: &mut AnyConnection, listener: &Listener, at: Timestamp) -> Result<(), Unavailable> {
    let sql = "SELECT endpoint FROM subscribers WHERE id = $1".to_owned();
    let found = statement(sql, [listener.id.as_str().into()]).fetch_optional(&mut *conn).await;
    let found: Option<String> =
        found.and_then(|row| row.map(|row| row.try_get(0)).transpose()).map_err(|e| trouble(&e))?;
    if found.as_deref() == Some(&listener.endpoint) {
        return Ok(());
    }
    let sql = "INSERT INTO subscribers (id, since, endpoint, events) VALUES ($1, $2, $3, 0) \
               ON CONFLICT (id) DO UPDATE SET endpoint = excluded.endpoint";
    let values = [Value::from(listener.id.as_str()), at.into(), listener.endpoint.as_str().into()];
    statement(sql.to_owned(), values).execute(&mut *conn).await.map_err(|e| trouble(&e))?;
    let again = "ON CONFLICT (subscriber, number) DO UPDATE SET event = excluded.event, happened = excluded.happened, \
                 state = excluded.state, tries = 0, due = 0, lease = NULL, lease_until = NULL, trouble = NULL, done = NULL";
    insert(conn, "outbox", &COLUMNS, again, vec![row(&listener.id, 0, "", 0, at)]).await
}

/// Notes that nobody else is declared: nothing is sent to them, and they are greeted when they are declared again, because
/// what changed in between was not kept for them.
async fn dismiss(conn: &mut AnyConnection, listeners: &[Listener]) -> Result<(), Unavailable> {
    let (mut sql, mut values) = ("UPDATE subscribers SET endpoint = '' WHERE endpoint <> ''".to_owned(), Vec::new());
    for listener in listeners {
        values.push(Value::from(listener.id.as_str()));
        let _ = write!(sql, " AND id <> ${}", values.len());
    }
    statement(sql, values).execute(conn).await.map(drop).map_err(|e| trouble(&e))
}

/// The time by which leases are told: that of the database where several programs share it.
async fn clock(conn: &mut AnyConnection, dialect: Dialect) -> Result<i64, Unavailable> {
    if dialect == Dialect::Sqlite {
        return Ok(Timestamp::now().as_microsecond());
    }
    let sql = "SELECT CAST(EXTRACT(EPOCH FROM clock_timestamp()) * 1000000 AS BIGINT)".to_owned();
    let row = statement(sql, []).fetch_one(conn).await.map_err(|e| trouble(&e))?;
    row.try_get(0).map_err(|e| trouble(&e))
}

fn micros(time: Duration) -> i64 {
    i64::try_from(time.as_micros()).unwrap_or(i64::MAX)
}

/// Rows of a subscriber that may be sent at time `$2` to the endpoint `$3`. Nothing but the handshake, number 0, before that
/// was answered: whether somebody is there who was meant is not known till then, also where it is a dead letter. A column
/// `item` holds the id of a Task: the item's, of 36 characters, and the lane; what comes after waits whichever lane it is of.
const SENDABLE: &str = "FROM outbox o WHERE o.subscriber = $1 AND o.state = 'waiting' AND o.due <= $2 \
    AND (o.lease_until IS NULL OR o.lease_until <= $2) \
    AND EXISTS (SELECT 1 FROM subscribers s WHERE s.id = $1 AND s.endpoint = $3) \
    AND NOT EXISTS (SELECT 1 FROM outbox e WHERE e.subscriber = $1 AND e.state = 'waiting' AND e.number < o.number \
        AND e.item IN (o.item, SUBSTR(o.item, 1, 36) || '-pharmacist', SUBSTR(o.item, 1, 36) || '-dietitian')) \
    AND NOT EXISTS (SELECT 1 FROM outbox e WHERE e.subscriber = $1 AND e.number = 0 AND e.state <> 'delivered' AND o.number > 0)";

fn event_of(row: &AnyRow) -> Result<(Event, u64), Unavailable> {
    let damaged = |what: &str| Unavailable::Damaged(format!("a row of the outbox: {what}"));
    let text = |at: usize| row.try_get::<String, _>(at).map_err(|e| trouble(&e));
    let int = |at: usize| row.try_get::<i64, _>(at).map_err(|e| trouble(&e));
    let id = Uuid::parse_str(&text(1)?).map_err(|_| damaged("its event has no id"))?;
    let task = text(2)?;
    let task = match task.as_str() {
        "" => None,
        task => Some(TaskId::read(task).ok_or_else(|| damaged("its task has no id"))?),
    };
    let at = Timestamp::from_microsecond(int(3)?).map_err(|_| damaged("its time is none"))?;
    let event = Event { id, number: u64::try_from(int(0)?).unwrap_or_default(), at, task };
    Ok((event, u64::try_from(int(4)?).unwrap_or_default()))
}

async fn take(
    conn: &mut AnyConnection,
    dialect: Dialect,
    (subscriber, endpoint): (&str, &str),
    most: usize,
    lease: Duration,
) -> Result<Vec<Due>, Unavailable> {
    let now = clock(conn, dialect).await?;
    let sql = format!(
        "SELECT o.number, o.event, o.item, o.happened, o.tries {SENDABLE} ORDER BY o.due, o.number LIMIT {}",
        most.clamp(1, 64)
    );
    let values = [Value::from(subscriber), now.into(), endpoint.into()];
    let rows = statement(sql, values).fetch_all(&mut *conn).await.map_err(|e| trouble(&e))?;
    let token = Uuid::new_v4().simple().to_string();
    let mut out = Vec::with_capacity(rows.len());
    let mut numbers = String::new();
    for row in &rows {
        let (event, tries) = match event_of(row) {
            Ok(read) => read,
            // It can never be sent: a dead letter, so that it holds up no other.
            Err(Unavailable::Damaged(what)) => {
                let number: i64 = row.try_get(0).map_err(|e| trouble(&e))?;
                tracing::error!(subscriber, number, problem = what, "a message is damaged and is not sent");
                let sql = "UPDATE outbox SET state = 'dead', trouble = $1, done = $2, lease = NULL, \
                           lease_until = NULL WHERE subscriber = $3 AND number = $4";
                let values = [Value::from(DAMAGED), now.into(), subscriber.into(), number.into()];
                statement(sql.to_owned(), values).execute(&mut *conn).await.map_err(|e| trouble(&e))?;
                continue;
            }
            Err(other) => return Err(other),
        };
        let _ = write!(numbers, "{}{}", if numbers.is_empty() { "" } else { ", " }, event.number);
        let (subscriber, endpoint) = (subscriber.to_owned(), endpoint.to_owned());
        out.push(Due { subscriber, endpoint, event, tries: tries + 1, lease: token.clone() });
    }
    if !out.is_empty() {
        // Counted now: a program that ends in the middle has tried.
        let sql = format!(
            "UPDATE outbox SET lease = $1, lease_until = $2, tries = tries + 1 WHERE subscriber = $3 AND number IN ({numbers})"
        );
        let until = now.saturating_add(micros(lease));
        let values = [token.into(), until.into(), subscriber.into()];
        statement(sql, values).execute(conn).await.map_err(|e| trouble(&e))?;
    }
    Ok(out)
}

/// Notes what came of a row, where its subscriber is still at the endpoint that it was sent to. Otherwise it is given out
/// again when the time that it was taken for is over: that another had it, or that it failed there, says nothing.
async fn settle(conn: &mut AnyConnection, dialect: Dialect, due: &Due, sent: &Sent) -> Result<(), Unavailable> {
    let now = clock(conn, dialect).await?;
    let subscriber = Value::from(due.subscriber.as_str());
    let row = Value::from(number(due.event.number));
    // The event as well: a handshake has the number of the one before.
    let event = Value::from(due.event.id.to_string());
    let endpoint = Value::from(due.endpoint.as_str());
    let (sql, values) = match sent {
        // It arrived, whoever has it now.
        Sent::Delivered => (
            "UPDATE outbox SET state = 'delivered', done = $1, lease = NULL, lease_until = NULL, trouble = NULL \
             WHERE subscriber = $2 AND number = $3 AND event = $4 \
             AND EXISTS (SELECT 1 FROM subscribers s WHERE s.id = $2 AND s.endpoint = $5)",
            vec![now.into(), subscriber, row, event, endpoint],
        ),
        Sent::Failed { why, again } => {
            let (state, due_at) = match again {
                Some(again) => ("waiting", now.saturating_add(micros(*again))),
                None => ("dead", now),
            };
            (
                "UPDATE outbox SET state = $1, due = $2, trouble = $3, done = $4, lease = NULL, lease_until = NULL \
                 WHERE subscriber = $5 AND number = $6 AND event = $7 AND lease = $8 \
                 AND EXISTS (SELECT 1 FROM subscribers s WHERE s.id = $5 AND s.endpoint = $9)",
                vec![
                    state.into(),
                    due_at.into(),
                    why.as_str().into(),
                    again.is_none().then_some(now).into(),
                    subscriber,
                    row,
                    event,
                    due.lease.as_str().into(),
                    endpoint,
                ],
            )
        }
    };
    statement(sql.to_owned(), values).execute(conn).await.map(drop).map_err(|e| trouble(&e))
}

/// Removes rows that were delivered before a time.
async fn clear(conn: &mut AnyConnection, before: Timestamp) -> Result<u64, Unavailable> {
    let sql = "DELETE FROM outbox WHERE state = 'delivered' AND done < $1".to_owned();
    let done = statement(sql, [before.into()]).execute(conn).await.map_err(|e| trouble(&e))?;
    Ok(done.rows_affected())
}

/// Removes rows that nobody sends any more and that are as old as orders that are removed.
pub(super) async fn purge(conn: &mut AnyConnection, before: Timestamp) -> Result<(), Unavailable> {
    let dead =
        "SELECT subscriber, COUNT(*) FROM outbox WHERE state = 'dead' AND done < $1 GROUP BY subscriber".to_owned();
    for row in statement(dead, [before.into()]).fetch_all(&mut *conn).await.map_err(|e| trouble(&e))? {
        let subscriber: String = row.try_get(0).map_err(|e| trouble(&e))?;
        let letters: i64 = row.try_get(1).map_err(|e| trouble(&e))?;
        tracing::warn!(subscriber, letters, "dead letters that nobody sent again are removed with the orders");
    }
    let sql = "DELETE FROM outbox WHERE state <> 'waiting' AND done < $1".to_owned();
    statement(sql, [before.into()]).execute(conn).await.map(drop).map_err(|e| trouble(&e))
}

impl SqlStore {
    async fn wanted<T>(&self, wanted: impl FnOnce(Done<T>) -> Wanted) -> Result<T, Unavailable> {
        self.written(|done| Op::Outbox(wanted(done))).await
    }

    /// From now on changes are kept for these subscribers until they were told, and for no others. A subscriber that is
    /// new, or is declared again, or has another endpoint, is sent a handshake first. Where the database is away since the
    /// start, that is written before anything else when it is there.
    ///
    /// # Errors
    /// As every write.
    pub async fn listen(&self, listeners: Vec<Listener>, at: Timestamp) -> Result<(), Unavailable> {
        match self.shared.opened.listen(listeners.into()) {
            // They are told of everything that is recorded.
            Ok(()) => Ok(()),
            Err(listeners) => self.wanted(|done| Wanted::Listen { listeners, at, done }).await,
        }
    }

    /// Takes up to `most` rows of a subscriber that are due, for as long as `lease`; none where the subscriber was declared
    /// at another endpoint since, or not at all.
    ///
    /// # Errors
    /// As every write.
    pub async fn take_due(
        &self,
        subscriber: &str,
        endpoint: &str,
        most: usize,
        lease: Duration,
    ) -> Result<Vec<Due>, Unavailable> {
        // Most of the time there is none, which is seen without writing. The clock of a database elsewhere may differ
        // from this one; whether a row is due is decided there.
        let ahead = if self.shared.dialect == Dialect::Postgres { 2_000_000 } else { 0 };
        let soon = Timestamp::now().as_microsecond().saturating_add(ahead);
        let sql = format!("SELECT o.number {SENDABLE} LIMIT 1");
        let values = [Value::from(subscriber), soon.into(), endpoint.into()];
        let found = statement(sql, values).fetch_optional(&self.readers).await;
        if found.map_err(|e| trouble(&e))?.is_none() {
            return Ok(Vec::new());
        }
        let (subscriber, endpoint) = (subscriber.to_owned(), endpoint.to_owned());
        self.wanted(|done| Wanted::Take { subscriber, endpoint, most, lease, done }).await
    }

    /// Notes what came of a row. What was taken by another meanwhile is left to them, unless it arrived; what was sent to
    /// where its subscriber is declared no more is sent again.
    ///
    /// # Errors
    /// As every write.
    pub async fn settle(&self, due: Due, sent: Sent) -> Result<(), Unavailable> {
        self.wanted(|done| Wanted::Settle { due: Box::new(due), sent, done }).await
    }

    /// Removes rows that were delivered before a time; gives how many.
    ///
    /// # Errors
    /// As every write.
    pub async fn clear_delivered(&self, before: Timestamp) -> Result<u64, Unavailable> {
        self.wanted(|done| Wanted::Clear { before, done }).await
    }

    /// Does something with dead letters by hand, as [`by_hand`] does; the trail says by whom.
    ///
    /// # Errors
    /// As every write.
    pub async fn by_hand(&self, which: Which, what: ByHand, by: Person) -> Result<u64, Unavailable> {
        self.wanted(|done| Wanted::ByHand { which: Box::new(which), what, by, done }).await
    }

    /// Rows by subscriber and number, at most `most`; and how many there are.
    ///
    /// # Errors
    /// As every look.
    pub async fn letters(&self, which: &Which, most: u32) -> Result<(Vec<Letter>, u64), Unavailable> {
        let mut conn = self.readers.acquire().await.map_err(|e| trouble(&e))?;
        listed(&mut conn, which, most).await
    }

    /// Dead letters by subscriber.
    ///
    /// # Errors
    /// As every look.
    pub async fn dead_letters(&self) -> Result<Vec<Dead>, Unavailable> {
        let sql = "SELECT subscriber, COUNT(*), MIN(done), MAX(done), MIN(number) FROM outbox WHERE state = 'dead' \
                   GROUP BY subscriber ORDER BY subscriber";
        let mut out = Vec::new();
        for row in statement(sql.to_owned(), []).fetch_all(&self.readers).await.map_err(|e| trouble(&e))? {
            let subscriber: String = row.try_get(0).map_err(|e| trouble(&e))?;
            let letters: i64 = row.try_get(1).map_err(|e| trouble(&e))?;
            let time = |at: usize| -> Result<Option<Timestamp>, Unavailable> {
                let micros: Option<i64> = row.try_get(at).map_err(|e| trouble(&e))?;
                Ok(micros.and_then(|micros| Timestamp::from_microsecond(micros).ok()))
            };
            let sql = "SELECT trouble FROM outbox WHERE subscriber = $1 AND state = 'dead' \
                       ORDER BY done DESC, number DESC LIMIT 1";
            let last = statement(sql.to_owned(), [subscriber.as_str().into()]).fetch_optional(&self.readers).await;
            let last = last.map_err(|e| trouble(&e))?;
            let handshake = row.try_get::<i64, _>(4).map_err(|e| trouble(&e))? == 0;
            let trouble: Option<String> =
                last.map(|row| row.try_get(0)).transpose().map_err(|e| trouble(&e))?.flatten();
            let (since, until) = (time(2)?, time(3)?);
            let letters = u64::try_from(letters).unwrap_or_default();
            out.push(Dead { subscriber, letters, handshake, since, until, trouble });
        }
        Ok(out)
    }

    /// How it is with every subscriber that was ever told of anything, and since when its oldest message waits.
    ///
    /// # Errors
    /// As every look.
    pub async fn outbox(&self) -> Result<BTreeMap<String, (Known, Option<Timestamp>)>, Unavailable> {
        let mut out: BTreeMap<String, (Known, Option<Timestamp>)> = BTreeMap::new();
        let sql = "SELECT id, events, endpoint FROM subscribers".to_owned();
        for row in statement(sql, []).fetch_all(&self.readers).await.map_err(|e| trouble(&e))? {
            let events: i64 = row.try_get(1).map_err(|e| trouble(&e))?;
            let endpoint = row.try_get(2).map_err(|e| trouble(&e))?;
            let known = Known { events: u64::try_from(events).unwrap_or_default(), endpoint, ..Known::default() };
            out.insert(row.try_get(0).map_err(|e| trouble(&e))?, (known, None));
        }
        let sql = "SELECT subscriber, state, COUNT(*), COUNT(trouble), MIN(happened), MIN(number) FROM outbox \
                   WHERE state <> 'delivered' GROUP BY subscriber, state";
        for row in statement(sql.to_owned(), []).fetch_all(&self.readers).await.map_err(|e| trouble(&e))? {
            let int = |at: usize| row.try_get::<i64, _>(at).map_err(|e| trouble(&e));
            let count = |at: usize| int(at).map(|n| u64::try_from(n).unwrap_or_default());
            let (known, oldest) = out.entry(row.try_get(0).map_err(|e| trouble(&e))?).or_default();
            let state: String = row.try_get(1).map_err(|e| trouble(&e))?;
            known.no_handshake |= int(5)? == 0;
            if state == "dead" {
                known.dead = count(2)?;
            } else {
                known.waiting = count(2)?;
                known.failing = count(3)?;
                *oldest = Timestamp::from_microsecond(int(4)?).ok();
            }
        }
        Ok(out)
    }

    /// Events of a subscriber by their numbers, from and until included, at most [`MOST_EVENTS`]; those that were
    /// delivered long ago are gone.
    ///
    /// # Errors
    /// As every look.
    pub async fn events(&self, subscriber: &str, from: u64, until: u64) -> Result<Vec<Event>, Unavailable> {
        let sql = format!(
            "SELECT number, event, item, happened, tries FROM outbox WHERE subscriber = $1 AND number >= $2 AND number <= $3 \
             AND item <> '' ORDER BY number LIMIT {MOST_EVENTS}"
        );
        let values = [subscriber.into(), number(from.max(1)).into(), number(until).into()];
        let rows = statement(sql, values).fetch_all(&self.readers).await.map_err(|e| trouble(&e))?;
        rows.iter().map(|row| event_of(row).map(|(event, _)| event)).collect()
    }
}

/// A row as it is listed: nothing of a patient.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Letter {
    /// The subscriber.
    pub subscriber: String,
    /// Its number.
    pub number: u64,
    /// What happened; nothing where the row is damaged.
    pub event: Option<Event>,
    /// `waiting`, `delivered` or `dead`.
    pub state: String,
    /// Tries so far.
    pub tries: u64,
    /// Why the last one failed.
    pub trouble: Option<String>,
}

/// Dead letters of one subscriber.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Dead {
    /// The subscriber.
    pub subscriber: String,
    /// How many.
    pub letters: u64,
    /// Whether the handshake is among them.
    pub handshake: bool,
    /// When the first of them was given up.
    pub since: Option<Timestamp>,
    /// And the last.
    pub until: Option<Timestamp>,
    /// Why the last one failed.
    pub trouble: Option<String>,
}

/// Rows that are looked for or sent again; everything that is given must hold.
#[derive(Clone, Debug, Default)]
pub struct Which {
    /// In this state.
    pub state: Option<String>,
    /// Of this subscriber.
    pub subscriber: Option<String>,
    /// This event.
    pub event: Option<String>,
    /// This number.
    pub number: Option<u64>,
    /// Given up at this time or before: what somebody saw who decides about them.
    pub until: Option<Timestamp>,
}

impl Which {
    fn condition(&self) -> (String, Vec<Value>) {
        let (mut sql, mut values) = ("1 = 1".to_owned(), Vec::new());
        for (column, value) in [("state", &self.state), ("subscriber", &self.subscriber), ("event", &self.event)] {
            if let Some(value) = value {
                values.push(Value::from(value.as_str()));
                let _ = write!(sql, " AND {column} = ${}", values.len());
            }
        }
        if let Some(own) = self.number {
            values.push(number(own).into());
            let _ = write!(sql, " AND number = ${}", values.len());
        }
        if let Some(until) = self.until {
            values.push(until.into());
            let _ = write!(sql, " AND (done IS NULL OR done <= ${})", values.len());
        }
        (sql, values)
    }
}

async fn has_outbox(conn: &mut AnyConnection, dialect: Dialect) -> Result<(), Unavailable> {
    let found = schema::found(conn, dialect).await.map_err(|e| trouble(&e))?;
    if found.is_some_and(|(version, _)| version >= SINCE) {
        return Ok(());
    }
    Err(Unavailable::Database("its tables are of a version without an outbox; `store tables --to latest`".to_owned()))
}

/// Whether every row can be read and was counted, where there are any.
pub(super) async fn verify(conn: &mut AnyConnection, dialect: Dialect) -> Result<(), Unavailable> {
    if has_outbox(conn, dialect).await.is_err() {
        return Ok(());
    }
    let sql = "SELECT o.number, o.event, o.item, o.happened, o.tries, o.state, s.events, o.subscriber FROM outbox o \
               LEFT JOIN subscribers s ON s.id = o.subscriber";
    let mut rows = sqlx::query(sql).fetch(&mut *conn);
    while let Some(row) = rows.try_next().await.map_err(|e| trouble(&e))? {
        let (event, _) = event_of(&row)?;
        let state: String = row.try_get(5).map_err(|e| trouble(&e))?;
        let events: Option<i64> = row.try_get(6).map_err(|e| trouble(&e))?;
        let wrong = if !["waiting", "delivered", "dead"].contains(&state.as_str()) {
            "is in no state that there is"
        } else if events.is_none_or(|events| number(event.number) > events) {
            "was never counted"
        } else if event.task.is_none() != (event.number == 0) {
            "is a handshake by its number or its item alone"
        } else {
            continue;
        };
        let subscriber: String = row.try_get(7).map_err(|e| trouble(&e))?;
        return Err(Unavailable::Damaged(format!("message {} to {subscriber} {wrong}", event.number)));
    }
    Ok(())
}

/// Rows of a store, by subscriber and number, at most `most`; and how many there are.
///
/// # Errors
/// Where it cannot be read.
pub async fn letters(place: &str, which: &Which, most: u32) -> Result<(Vec<Letter>, u64), Unavailable> {
    let (pool, dialect) = existing(place)?;
    let mut conn = pool.acquire().await.map_err(|e| trouble(&e))?;
    has_outbox(&mut conn, dialect).await?;
    let found = listed(&mut conn, which, most).await;
    drop(conn);
    pool.close().await;
    found
}

async fn listed(conn: &mut AnyConnection, which: &Which, most: u32) -> Result<(Vec<Letter>, u64), Unavailable> {
    let (condition, values) = which.condition();
    let sql = format!("SELECT COUNT(*) FROM outbox WHERE {condition}");
    let row = statement(sql, values.clone()).fetch_one(&mut *conn).await.map_err(|e| trouble(&e))?;
    let total: i64 = row.try_get(0).map_err(|e| trouble(&e))?;
    let sql = format!(
        "SELECT number, event, item, happened, tries, subscriber, state, trouble FROM outbox WHERE {condition} \
         ORDER BY subscriber, number LIMIT {most}"
    );
    let rows = statement(sql, values).fetch_all(&mut *conn).await.map_err(|e| trouble(&e))?;
    let letter = |row: &AnyRow| {
        let int = |at: usize| row.try_get::<i64, _>(at).map(|n| u64::try_from(n).unwrap_or_default());
        let (number, tries) = (int(0).map_err(|e| trouble(&e))?, int(4).map_err(|e| trouble(&e))?);
        let event = match event_of(row) {
            Ok((event, _)) => Some(event),
            Err(Unavailable::Damaged(_)) => None,
            Err(other) => return Err(other),
        };
        Ok(Letter {
            subscriber: row.try_get(5).map_err(|e| trouble(&e))?,
            number,
            event,
            state: row.try_get(6).map_err(|e| trouble(&e))?,
            tries,
            trouble: row.try_get(7).map_err(|e| trouble(&e))?,
        })
    };
    let letters: Result<Vec<Letter>, Unavailable> = rows.iter().map(letter).collect();
    Ok((letters?, u64::try_from(total).unwrap_or_default()))
}

/// What is done by hand.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ByHand {
    /// They are tried again from the beginning, under the same id and number. The handshake only where it is asked for by its
    /// number or event.
    SendAgain,
    /// They are removed.
    Discard,
}

/// Does something with rows of a store, dead letters where no state is given; gives with how many. What is being sent now is
/// left to whoever sends it, and what is damaged is never sent again. The service may run meanwhile.
///
/// # Errors
/// Where it cannot be written.
pub async fn by_hand(place: &str, which: &Which, what: ByHand) -> Result<u64, Unavailable> {
    let (pool, dialect) = existing(place)?;
    let mut conn = pool.acquire().await.map_err(|e| trouble(&e))?;
    has_outbox(&mut conn, dialect).await?;
    let mut tx = begin(&mut conn, dialect).await?;
    let n = change(&mut tx, dialect, which, what, &Person::program()).await?;
    tx.commit().await.map_err(|e| trouble(&e))?;
    drop(conn);
    pool.close().await;
    Ok(n)
}

async fn change(
    conn: &mut AnyConnection,
    dialect: Dialect,
    which: &Which,
    what: ByHand,
    by: &Person,
) -> Result<u64, Unavailable> {
    let now = clock(conn, dialect).await?;
    let state = which.state.clone().unwrap_or_else(|| "dead".to_owned());
    let (mut condition, mut values) = Which { state: Some(state), ..which.clone() }.condition();
    values.push(now.into());
    let _ = write!(condition, " AND (lease_until IS NULL OR lease_until <= ${})", values.len());
    if what == ByHand::SendAgain && which.number.is_none() && which.event.is_none() {
        condition.push_str(" AND number > 0");
    }
    let (sql, action) = match what {
        ByHand::SendAgain => (
            format!(
                "UPDATE outbox SET state = 'waiting', tries = 0, due = 0, trouble = NULL, done = NULL, lease = NULL, \
                 lease_until = NULL WHERE {condition} AND (trouble IS NULL OR trouble <> '{DAMAGED}')"
            ),
            "messages-sent-again",
        ),
        // Somebody is not told of something: that it was decided so stays in the trail.
        ByHand::Discard => (format!("DELETE FROM outbox WHERE {condition}"), "messages-discarded"),
    };
    let n = statement(sql, values).execute(&mut *conn).await.map_err(|e| trouble(&e))?.rows_affected();
    if n > 0 {
        note(conn, action, by, Timestamp::now(), n).await?;
    }
    Ok(n)
}
