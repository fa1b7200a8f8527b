//! Telling other systems: what waits in the outbox ([`crate::store::outbox`]) is sent to the subscribers that the
//! institution declares. Each has a task of its own, so that one that is slow or away keeps nobody else waiting.
//!
//! INVARIANT: a message goes to a declared endpoint and to nothing else: no redirect, no proxy, no address that is not
//! allowed. A message, a secret or an answer is in no log line, counter or row; those have the subscriber, the event's id
//! and number, and a word for what went wrong.

mod sending;

use super::metrics::Counters;
use crate::store::outbox::{Due, Listener, Sent};
use crate::store::{SqlStore, Store, Unavailable};
use crate::subscriptions::pace::Pace;
use crate::subscriptions::resource::Known;
use crate::subscriptions::{Content, Subscriber, Subscribers};
use jiff::{SignedDuration, Timestamp};
use sending::Endpoint;
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use tokio::sync::broadcast::error::RecvError;
use tokio::sync::watch;
use tokio::task::{JoinHandle, JoinSet};

/// Messages to one subscriber at the same time.
const MOST_AT_ONCE: usize = 8;
/// How long a row is taken for, beyond the time for a try.
const LEASE: Duration = Duration::from_secs(20);
/// Time for what is being sent when the service stops.
const STOP: Duration = Duration::from_secs(5);
/// How often it is counted what waits.
const COUNT: Duration = Duration::from_secs(2);
/// How often what was delivered long ago is removed.
const CLEAR: Duration = Duration::from_secs(3600);
/// How long what was delivered stays, for `$events`.
pub const KEPT_DAYS: i64 = 7;

/// Counter of tries.
const TRIES: &str = "enteral_gate_notifications_total";
/// What the counters are.
const COUNTERS: [(&str, &str); 1] = [(
    TRIES,
    "Tries to tell a subscriber of a change: delivered, failed (tried again), dead (a dead letter: tried no more).",
)];

/// Times that tests shorten.
#[derive(Clone, Copy, Debug)]
pub struct Times {
    /// Between two tries of a message.
    pub pace: Pace,
    /// How often it is looked for what is due, where nothing else says so.
    pub look: Duration,
    /// How long a row is taken for, beyond the time for a try.
    pub lease: Duration,
}

impl Default for Times {
    fn default() -> Self {
        Self { pace: Pace::default(), look: Duration::from_secs(1), lease: LEASE }
    }
}

/// The subscribers, and what is known of them.
pub struct Notices {
    /// As declared.
    pub subscribers: Subscribers,
    store: Arc<SqlStore>,
    times: Times,
    counters: Counters,
    known: Mutex<BTreeMap<String, (Known, Option<Timestamp>)>>,
    stop: watch::Sender<bool>,
    tasks: Mutex<Vec<JoinHandle<()>>>,
}

fn locked<T>(of: &Mutex<T>) -> MutexGuard<'_, T> {
    of.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Notices {
    /// Begins to keep what is to be told, and to tell it.
    ///
    /// # Errors
    /// Where the store cannot be written.
    pub async fn start(store: Arc<SqlStore>, subscribers: Subscribers, times: Times) -> Result<Arc<Self>, Unavailable> {
        let listener = |subscriber: &Subscriber| Listener {
            id: subscriber.id.clone(),
            endpoint: subscriber.endpoint.clone(),
            criteria: subscriber.criteria.clone(),
        };
        let listeners = subscribers.list.iter().map(listener).collect();
        store.listen(listeners, Timestamp::now()).await?;
        let (stop, _) = watch::channel(false);
        let out = Arc::new(Self {
            subscribers,
            store,
            times,
            counters: Counters::default(),
            known: Mutex::default(),
            stop,
            tasks: Mutex::default(),
        });
        out.count().await?;
        for (id, (known, _)) in locked(&out.known).iter().filter(|(id, _)| out.subscriber(id).is_none()) {
            if known.waiting > 0 {
                tracing::warn!(
                    subscriber = id,
                    waiting = known.waiting,
                    "messages wait for a subscriber that is not declared"
                );
            }
        }
        let mut tasks = vec![tokio::spawn(look_after(out.clone()))];
        for subscriber in &out.subscribers.list {
            let endpoint = Arc::new(Endpoint::new(subscriber.clone()));
            tasks.push(tokio::spawn(deliver(out.clone(), endpoint)));
        }
        *locked(&out.tasks) = tasks;
        Ok(out)
    }

    /// Takes nothing more, waits a little for what is being sent, and ends. What did not arrive is sent by another
    /// replica or at the next start.
    pub async fn stop(&self) {
        self.stop.send_replace(true);
        let tasks: Vec<JoinHandle<()>> = locked(&self.tasks).drain(..).collect();
        let until = tokio::time::Instant::now() + STOP;
        for mut task in tasks {
            if tokio::time::timeout_at(until, &mut task).await.is_err() {
                task.abort();
            }
        }
    }

    /// The subscriber of an id.
    pub fn subscriber(&self, id: &str) -> Option<&Subscriber> {
        self.subscribers.list.iter().find(|subscriber| subscriber.id == id)
    }

    /// How it is with a subscriber, as it was counted last.
    pub fn known(&self, id: &str) -> Known {
        locked(&self.known).get(id).map(|(known, _)| known.clone()).unwrap_or_default()
    }

    /// Since when the oldest message to a subscriber waits.
    pub fn oldest(&self, id: &str) -> Option<Timestamp> {
        locked(&self.known).get(id).and_then(|(_, oldest)| *oldest)
    }

    /// What keeps the rows.
    pub fn store(&self) -> &SqlStore {
        &self.store
    }

    /// Counts what waits.
    ///
    /// # Errors
    /// As every look at the store; what was counted last is what [`Notices::known`] gives then, and is no news.
    pub async fn count(&self) -> Result<(), Unavailable> {
        let known = self.store.outbox().await?;
        *locked(&self.known) = known;
        Ok(())
    }

    /// In Prometheus text format.
    pub fn metrics(&self, out: &mut String) {
        self.counters.write(out, &COUNTERS);
        type Value = fn(&Known, Option<Timestamp>) -> i64;
        let gauges: [(&str, &str, Value); 4] = [
            ("enteral_gate_outbox_waiting", "Messages that wait to be delivered.", |known, _| count_of(known.waiting)),
            ("enteral_gate_outbox_failing", "Of those, tried and not arrived.", |known, _| count_of(known.failing)),
            ("enteral_gate_outbox_dead", "Dead letters: messages that are tried no more.", |known, _| {
                count_of(known.dead)
            }),
            (
                "enteral_gate_outbox_oldest_seconds",
                "When what the oldest waiting message tells of happened, seconds since 1970; 0 where none waits.",
                |_, oldest| oldest.map_or(0, Timestamp::as_second),
            ),
        ];
        for (name, help, value) in gauges {
            let _ = write!(out, "# HELP {name} {help}\n# TYPE {name} gauge\n");
            for subscriber in &self.subscribers.list {
                let (known, oldest) = locked(&self.known).get(&subscriber.id).cloned().unwrap_or_default();
                let _ = writeln!(out, "{name}{{subscriber={:?}}} {}", subscriber.id, value(&known, oldest));
            }
        }
    }
}

fn count_of(n: u64) -> i64 {
    i64::try_from(n).unwrap_or(i64::MAX)
}

/// Counts, and removes what was delivered long ago.
async fn look_after(own: Arc<Notices>) {
    let mut stop = own.stop.subscribe();
    let mut cleared: Option<tokio::time::Instant> = None;
    loop {
        // A store that cannot be read says so elsewhere.
        let _ = own.count().await;
        if cleared.is_none_or(|at| at.elapsed() >= CLEAR) {
            let now = Timestamp::now();
            let before = now.checked_sub(SignedDuration::from_hours(24 * KEPT_DAYS)).unwrap_or(Timestamp::MIN);
            if let Err(error) = own.store.clear_delivered(before).await {
                tracing::warn!(problem = %error, "messages that were delivered long ago could not be removed");
            }
            cleared = Some(tokio::time::Instant::now());
        }
        tokio::select! {
            () = tokio::time::sleep(COUNT) => {}
            _ = stop.changed() => return,
        }
    }
}

/// Tells one subscriber, until the service stops.
async fn deliver(own: Arc<Notices>, endpoint: Arc<Endpoint>) {
    let mut stop = own.stop.subscribe();
    let mut changes = own.store.changes();
    let mut sending: JoinSet<bool> = JoinSet::new();
    // One at a time while it fails: an endpoint that is away is not asked eight times as often.
    let mut most = MOST_AT_ONCE;
    let mut away = false;
    let subscriber = endpoint.subscriber.id.clone();
    while !*stop.borrow() {
        let free = most.saturating_sub(sending.len());
        let lease = Duration::from_secs(endpoint.subscriber.timeout.into()) + own.times.lease;
        let taken = if free == 0 { Ok(Vec::new()) } else { own.store.take_due(&subscriber, free, lease).await };
        match taken {
            Ok(taken) => {
                away = false;
                for due in taken {
                    sending.spawn(tell(own.clone(), endpoint.clone(), due));
                }
            }
            Err(error) if away => tracing::debug!(subscriber, problem = %error, "the outbox still cannot be used"),
            Err(error) => {
                away = true;
                tracing::error!(subscriber, problem = %error, "the outbox cannot be used; subscribers are told later");
            }
        }
        tokio::select! {
            Some(done) = sending.join_next() => {
                most = if matches!(done, Ok(true)) { MOST_AT_ONCE } else { 1 };
            }
            change = changes.recv(), if !away => {
                // What is told in one go is looked at in one go.
                while changes.try_recv().is_ok() {}
                if matches!(change, Err(RecvError::Closed)) {
                    return;
                }
            }
            () = tokio::time::sleep(own.times.look) => {}
            _ = stop.changed() => {}
        }
    }
    while sending.join_next().await.is_some() {}
}

/// Sends one message and notes what came of it; gives whether it arrived.
async fn tell(own: Arc<Notices>, endpoint: Arc<Endpoint>, due: Due) -> bool {
    let subscriber = &endpoint.subscriber;
    let task = match (&due.event.task, subscriber.content) {
        // One that was removed meanwhile is told by its id.
        (Some(task), Content::FullResource) => match own.store.get(task.item.clone()).await {
            Ok(found) => found.map(|item| super::tasks::task(&item.summary, task.lane, subscriber.fhir)),
            Err(_) => return failed(&own, &endpoint, due, "store".to_owned()).await,
        },
        _ => None,
    };
    match endpoint.send(&own.subscribers.base, &due.event, task).await {
        Ok(()) => {
            count(&own, subscriber, "delivered");
            let (number, event) = (due.event.number, due.event.id);
            if let Err(error) = own.store.settle(due, Sent::Delivered).await {
                tracing::warn!(
                    subscriber = subscriber.id, number, %event, problem = %error,
                    "a message arrived, and that could not be noted: it will be sent again"
                );
            }
            true
        }
        Err(why) => failed(&own, &endpoint, due, why).await,
    }
}

fn count(own: &Notices, subscriber: &Subscriber, result: &str) {
    own.counters.add(TRIES, format!("subscriber={:?},result={result:?}", subscriber.id), 1);
}

async fn failed(own: &Notices, endpoint: &Endpoint, due: Due, why: String) -> bool {
    let subscriber = &endpoint.subscriber;
    let (number, event, tries) = (due.event.number, due.event.id, due.tries);
    let (chance, _) = uuid::Uuid::new_v4().as_u64_pair();
    let again = own.times.pace.again(tries, subscriber.tries.into(), chance);
    match again {
        Some(_) => {
            count(own, subscriber, "failed");
            tracing::info!(subscriber = subscriber.id, number, %event, tries, why, "a message did not arrive; it is tried again");
        }
        None => {
            count(own, subscriber, "dead");
            tracing::error!(
                subscriber = subscriber.id, number, %event, tries, why,
                "a message did not arrive and is tried no more (`store outbox list`)"
            );
        }
    }
    if let Err(error) = own.store.settle(due, Sent::Failed { why, again }).await {
        // It is sent again when it is free again.
        tracing::warn!(subscriber = subscriber.id, number, %event, problem = %error, "a failed try could not be noted");
    }
    false
}
