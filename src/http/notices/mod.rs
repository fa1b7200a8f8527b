//! Telling other systems: what waits in the outbox ([`crate::store::outbox`]) is sent to the subscribers that the
//! institution declares. Each has a task of its own, so that one that is slow or away keeps nobody else waiting. Who is
//! declared may change while the service runs ([`Notices::take`]).
//!
//! INVARIANT: a message goes to a declared endpoint and to nothing else: no redirect, no proxy, no address that is not
//! allowed. A message, a secret or an answer is in no log line, counter or row; those have the subscriber, the event's id
//! and number, and a word for what went wrong.

mod sending;

use super::metrics::Counters;
use super::rules_in_use::one_line;
use super::trail::Trail;
use crate::background::{Background, OfEach};
use crate::store::outbox::{Due, Listener, Sent};
use crate::store::{SqlStore, Store, Unavailable};
use crate::subscriptions::pace::Pace;
use crate::subscriptions::resource::Known;
use crate::subscriptions::{Content, Subscriber, Subscribers};
use jiff::{SignedDuration, Timestamp};
use sending::Endpoint;
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::sync::{Arc, Mutex, MutexGuard, OnceLock, PoisonError, RwLock};
use std::time::Duration;
use tokio::sync::broadcast::error::RecvError;
use tokio::sync::watch;
use tokio::task::{JoinError, JoinHandle, JoinSet};

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
/// When that is tried again, where it failed.
const CLEAR_AGAIN: Duration = Duration::from_secs(60);
/// How long what was delivered stays, for `$events`.
pub const KEPT_DAYS: i64 = 7;

/// Counter of tries.
const TRIES: &str = "enteral_gate_notifications_total";
/// Counter of subscribers files read again.
const RELOADED: &str = "enteral_gate_subscribers_reloads_total";
/// What the counters are.
const COUNTERS: [(&str, &str); 2] = [
    (
        TRIES,
        "Tries to tell a subscriber of a change: delivered, failed (tried again), dead (a dead letter: tried no more).",
    ),
    (RELOADED, "Subscribers files read again since the start."),
];

/// Times that tests shorten.
#[derive(Clone, Copy, Debug)]
pub struct Times {
    /// Between two tries of a message.
    pub pace: Pace,
    /// How often it is looked for what is due, where nothing else says so.
    pub look: Duration,
    /// How long a row is taken for, beyond the time for a try.
    pub lease: Duration,
    /// When it is tried again to remove what was delivered long ago, where that failed.
    pub clear_again: Duration,
}

impl Default for Times {
    fn default() -> Self {
        Self { pace: Pace::default(), look: Duration::from_secs(1), lease: LEASE, clear_again: CLEAR_AGAIN }
    }
}

/// What was read of the file of subscribers, and when.
#[derive(Clone, Debug, Default)]
struct Files {
    loaded: Option<Timestamp>,
    /// What is on disk is not in use, since when and why.
    not_taken: Option<(Timestamp, Vec<String>)>,
}

/// How the telling of one subscriber is to end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Ending {
    /// Not yet.
    No,
    /// Nothing more is begun; what is being sent is waited for.
    Drain,
    /// What is being sent is broken off.
    Now,
}

/// The telling of one subscriber, at one endpoint.
struct Delivery {
    subscriber: Subscriber,
    ending: watch::Sender<Ending>,
    task: JoinHandle<()>,
}

#[derive(Default)]
struct Deliveries {
    running: BTreeMap<String, Delivery>,
    /// Those whose place another has taken, and that wait for what they are sending.
    draining: Vec<Delivery>,
    stopped: bool,
}

/// The subscribers, and what is known of them.
pub struct Notices {
    declared: RwLock<Arc<Subscribers>>,
    store: Arc<SqlStore>,
    times: Times,
    counters: Counters,
    known: Mutex<BTreeMap<String, (Known, Option<Timestamp>)>>,
    files: Mutex<Files>,
    deliveries: tokio::sync::Mutex<Deliveries>,
    trail: OnceLock<Arc<Trail>>,
    stop: watch::Sender<bool>,
    looking: Mutex<Option<JoinHandle<()>>>,
    background: Arc<Background>,
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
        let (stop, _) = watch::channel(false);
        let out = Arc::new(Self {
            declared: RwLock::default(),
            store,
            times,
            counters: Counters::default(),
            known: Mutex::default(),
            files: Mutex::default(),
            deliveries: tokio::sync::Mutex::default(),
            trail: OnceLock::new(),
            stop,
            looking: Mutex::default(),
            background: Arc::default(),
        });
        out.declare(subscribers).await?;
        let (own, stop) = (out.clone(), out.stop.subscribe());
        let stopped = move || {
            let mut stop = stop.clone();
            async move { drop(stop.wait_for(|stop| *stop).await) }
        };
        let looking =
            out.background.keep_until("messages counted and removed", move || look_after(own.clone()), stopped);
        *locked(&out.looking) = Some(looking);
        Ok(out)
    }

    /// Changes of the subscribers are kept in this trail from now on.
    pub fn keep_in(&self, trail: Arc<Trail>) {
        let _ = self.trail.set(trail);
    }

    /// Takes subscribers into use in the place of those before, or keeps those before and remembers why. Gives whether
    /// that is settled; it is not while the store cannot be written.
    pub async fn take(self: &Arc<Self>, read: Result<Subscribers, Vec<String>>) -> bool {
        let (problems, settled) = match read {
            Ok(subscribers) => match self.declare(subscribers).await {
                Ok(()) => {
                    self.counters.add(RELOADED, "result=\"taken\"".to_owned(), 1);
                    self.trail.get().into_iter().for_each(|trail| trail.own("subscribers-reload", "taken", &[]));
                    return true;
                }
                Err(error) => (vec![format!("the store cannot be written now, it is tried again: {error}")], false),
            },
            Err(problems) => (problems, true),
        };
        let mut files = locked(&self.files);
        // What is tried again is told once.
        let told = files.not_taken.as_ref().is_some_and(|(_, before)| !settled && *before == problems);
        let since = files.not_taken.take().map_or_else(Timestamp::now, |(since, _)| since);
        if !told {
            self.counters.add(RELOADED, "result=\"refused\"".to_owned(), 1);
            self.trail.get().into_iter().for_each(|trail| trail.own("subscribers-reload", "refused", &[]));
            let problems = problems.join("; ");
            tracing::error!(problems, "the subscribers file on disk cannot be used; the subscribers in use stay");
        }
        files.not_taken = Some((since, problems));
        settled
    }

    /// Tells these subscribers from now on, and nobody else.
    async fn declare(self: &Arc<Self>, subscribers: Subscribers) -> Result<(), Unavailable> {
        let mut deliveries = self.deliveries.lock().await;
        if deliveries.stopped {
            return Ok(());
        }
        // Nothing goes any more to where nobody is declared, before anything else happens: the first message to another
        // endpoint must not go to the one before.
        let moved = |own: &Delivery| {
            let now = subscribers.list.iter().find(|one| one.id == own.subscriber.id);
            now.is_none_or(|now| {
                let before = &own.subscriber;
                now.endpoint != before.endpoint || before.private_addresses && !now.private_addresses
            })
        };
        let ids: Vec<String> =
            deliveries.running.iter().filter(|(_, own)| moved(own)).map(|(id, _)| id.clone()).collect();
        let mut ending: Vec<Delivery> = deliveries.draining.extract_if(.., |own| moved(own)).collect();
        let mut before: BTreeMap<String, Subscriber> = BTreeMap::new();
        for id in ids {
            if let Some(own) = deliveries.running.remove(&id) {
                before.insert(id, own.subscriber.clone());
                ending.push(own);
            }
        }
        for own in &ending {
            own.ending.send_replace(Ending::Now);
        }
        for own in ending {
            let _ = own.task.await;
        }
        let listener = |subscriber: &Subscriber| Listener {
            id: subscriber.id.clone(),
            endpoint: subscriber.endpoint.clone(),
            criteria: subscriber.criteria.clone(),
        };
        let listeners = subscribers.list.iter().map(listener).collect();
        if let Err(error) = self.store.listen(listeners, Timestamp::now()).await {
            for (id, subscriber) in before {
                deliveries.running.insert(id, self.begin(subscriber));
            }
            return Err(error);
        }
        // Before anything is begun: what is told first is made with the base in use.
        let subscribers = Arc::new(subscribers);
        *self.declared.write().unwrap_or_else(PoisonError::into_inner) = subscribers.clone();
        let (mut added, mut changed) = (0, 0);
        for one in &subscribers.list {
            match deliveries.running.remove(&one.id) {
                Some(own) if own.subscriber == *one => {
                    deliveries.running.insert(one.id.clone(), own);
                    continue;
                }
                Some(own) => {
                    own.ending.send_replace(Ending::Drain);
                    deliveries.draining.push(own);
                    changed += 1;
                }
                None if before.remove(&one.id).is_some() => changed += 1,
                None => added += 1,
            }
            deliveries.running.insert(one.id.clone(), self.begin(one.clone()));
        }
        deliveries.draining.retain(|own| !own.task.is_finished());
        let declared = subscribers.list.len();
        *locked(&self.files) = Files { loaded: Some(Timestamp::now()), not_taken: None };
        drop(deliveries);
        tracing::info!(
            subscribers = declared,
            added,
            changed,
            taken_out = before.len(),
            "changes on the queue are told"
        );
        // A store that cannot be read says so elsewhere; what waits is counted again soon.
        let _ = self.count().await;
        for (subscriber, known) in self.left() {
            let (waiting, dead) = (known.waiting, known.dead);
            if waiting > 0 {
                tracing::warn!(subscriber, waiting, dead, "messages wait for a subscriber that is not declared");
            } else {
                tracing::warn!(subscriber, dead, "dead letters are kept for a subscriber that is not declared");
            }
        }
        Ok(())
    }

    fn begin(self: &Arc<Self>, subscriber: Subscriber) -> Delivery {
        let (ending, ends) = watch::channel(Ending::No);
        let endpoint = Arc::new(Endpoint::new(subscriber.clone()));
        let (own, until) = (self.clone(), ends.clone());
        let stopped = move || {
            let mut ending = until.clone();
            async move { drop(ending.wait_for(|ending| *ending != Ending::No).await) }
        };
        let name = format!("subscriber {} told", subscriber.id);
        let work = move || deliver(own.clone(), endpoint.clone(), ends.clone());
        let task = self.background.keep_until(&name, work, stopped);
        Delivery { subscriber, ending, task }
    }

    /// Takes nothing more, waits a little for what is being sent, and ends. What did not arrive is sent by another
    /// replica or at the next start.
    pub async fn stop(&self) {
        self.stop.send_replace(true);
        let mut deliveries = self.deliveries.lock().await;
        deliveries.stopped = true;
        let mut tasks = Vec::new();
        let running = std::mem::take(&mut deliveries.running).into_values();
        for own in running.chain(std::mem::take(&mut deliveries.draining)) {
            own.ending.send_replace(Ending::Drain);
            tasks.push(own.task);
        }
        drop(deliveries);
        tasks.extend(locked(&self.looking).take());
        let until = tokio::time::Instant::now() + STOP;
        for mut task in tasks {
            if tokio::time::timeout_at(until, &mut task).await.is_err() {
                task.abort();
            }
        }
    }

    /// The subscribers as declared now; they stay what they are for whoever holds them.
    pub fn subscribers(&self) -> Arc<Subscribers> {
        self.declared.read().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// How it is with a subscriber, as it was counted last.
    pub fn known(&self, id: &str) -> Known {
        locked(&self.known).get(id).map(|(known, _)| known.clone()).unwrap_or_default()
    }

    /// Since when the oldest message to a subscriber waits.
    pub fn oldest(&self, id: &str) -> Option<Timestamp> {
        locked(&self.known).get(id).and_then(|(_, oldest)| *oldest)
    }

    /// Those who are not declared, and for whom messages are kept all the same, as they were counted last.
    pub fn left(&self) -> Vec<(String, Known)> {
        let declared = self.subscribers();
        let known = locked(&self.known);
        let of = known.iter().filter(|(id, (known, _))| {
            (known.waiting > 0 || known.dead > 0) && declared.list.iter().all(|one| one.id != **id)
        });
        of.map(|(id, (known, _))| (id.clone(), known.clone())).collect()
    }

    /// Those whom another replica declared elsewhere, or took out, since this one declared them, as they were counted last:
    /// this one sends them nothing.
    fn elsewhere(&self) -> Vec<String> {
        let declared = self.subscribers();
        let known = locked(&self.known);
        let moved = |one: &&Subscriber| known.get(&one.id).is_some_and(|(known, _)| known.endpoint != one.endpoint);
        declared.list.iter().filter(moved).map(|one| one.id.clone()).collect()
    }

    /// Since when the file on disk is not in use, and why; nothing where it is.
    pub fn not_taken(&self) -> Option<(Timestamp, Vec<String>)> {
        locked(&self.files).not_taken.clone()
    }

    /// What faults did to the telling.
    pub fn faults(&self) -> OfEach {
        self.background.faults()
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

    /// For `/readyz`.
    pub fn ready(&self) -> String {
        let Files { loaded, not_taken } = locked(&self.files).clone();
        let mut out = format!("subscribers: {} declared", self.subscribers().list.len());
        if let Some(at) = loaded {
            let _ = write!(out, ", loaded {at:.0}");
        }
        for (id, Known { waiting, dead, .. }) in self.left() {
            let _ =
                write!(out, "\nsubscribers: {id} is not declared; {waiting} messages wait and {dead} are dead letters");
        }
        for one in &self.subscribers().list {
            let known = locked(&self.known).get(&one.id).cloned().map(|(known, _)| known).unwrap_or_default();
            if known.dead > 0 {
                let (id, dead) = (&one.id, known.dead);
                let _ = write!(
                    out,
                    "\nsubscribers: {id} was not told of {dead} changes: dead letters (`store outbox list`)"
                );
            }
            if known.no_handshake {
                let (id, waiting) = (&one.id, known.waiting);
                let _ =
                    write!(out, "\nsubscribers: {id} has not answered the handshake; {waiting} messages wait for that");
            }
        }
        for id in self.elsewhere() {
            let _ = write!(
                out,
                "\nsubscribers: {id} was declared at another endpoint, or taken out, by another replica; this one sends it nothing"
            );
        }
        if let Some((since, problems)) = not_taken {
            let first = one_line(problems.first().map_or("", String::as_str));
            let n = problems.len();
            let _ = write!(
                out,
                "\nsubscribers file on disk: NOT in use since {since:.0}, {n} problems, the first: {first}"
            );
        }
        out
    }

    /// In Prometheus text format.
    pub fn metrics(&self, out: &mut String) {
        self.counters.write(out, &COUNTERS);
        let Files { loaded, not_taken } = locked(&self.files).clone();
        for (name, help, value) in [
            (
                "enteral_gate_subscribers_loaded_timestamp_seconds",
                "When the subscribers in use were loaded.",
                loaded.map_or(0, Timestamp::as_second),
            ),
            (
                "enteral_gate_subscribers_stale",
                "Whether the file on disk could not be taken and earlier subscribers are in use.",
                i64::from(not_taken.is_some()),
            ),
        ] {
            let _ = write!(out, "# HELP {name} {help}\n# TYPE {name} gauge\n{name} {value}\n");
        }
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
        let declared = self.subscribers();
        let mut ids: Vec<String> = declared.list.iter().map(|one| one.id.clone()).collect();
        ids.extend(self.left().into_iter().map(|(id, _)| id));
        for (name, help, value) in gauges {
            let _ = write!(out, "# HELP {name} {help}\n# TYPE {name} gauge\n");
            for id in &ids {
                let (known, oldest) = locked(&self.known).get(id).cloned().unwrap_or_default();
                let _ = writeln!(out, "{name}{{subscriber={id:?}}} {}", value(&known, oldest));
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
    let mut clear = tokio::time::Instant::now();
    let (mut before, mut told) = (Vec::new(), Vec::new());
    loop {
        // A store that cannot be read says so elsewhere.
        let _ = own.count().await;
        let elsewhere = own.elsewhere();
        // Twice: what was counted may be older than what was declared here a moment ago.
        let lasts: Vec<String> = elsewhere.iter().filter(|id| before.contains(*id)).cloned().collect();
        for subscriber in lasts.iter().filter(|id| !told.contains(*id)) {
            tracing::warn!(
                subscriber,
                "another replica declared this subscriber elsewhere or took it out; nothing is sent to it from here until the files agree"
            );
        }
        (before, told) = (elsewhere, lasts);
        if clear <= tokio::time::Instant::now() {
            let now = Timestamp::now();
            let before = now.checked_sub(SignedDuration::from_hours(24 * KEPT_DAYS)).unwrap_or(Timestamp::MIN);
            let mut pause = CLEAR;
            if let Err(error) = own.store.clear_delivered(before).await {
                tracing::warn!(problem = %error, "messages that were delivered long ago could not be removed; it is tried again");
                pause = own.times.clear_again;
            }
            clear = tokio::time::Instant::now() + pause;
        }
        tokio::select! {
            () = tokio::time::sleep(COUNT) => {}
            _ = stop.changed() => return,
        }
    }
}

/// Tells one subscriber, until the service stops or it is declared no more, or otherwise.
async fn deliver(own: Arc<Notices>, endpoint: Arc<Endpoint>, mut ending: watch::Receiver<Ending>) {
    let mut changes = own.store.changes();
    let mut sending: JoinSet<bool> = JoinSet::new();
    // One at a time while it fails: an endpoint that is away is not asked eight times as often.
    let mut most = MOST_AT_ONCE;
    let mut away = false;
    let (subscriber, at) = (endpoint.subscriber.id.clone(), endpoint.subscriber.endpoint.as_str());
    loop {
        let ends = *ending.borrow_and_update();
        match ends {
            Ending::No => {}
            Ending::Drain => break,
            Ending::Now => return sending.shutdown().await,
        }
        let free = most.saturating_sub(sending.len());
        let lease = Duration::from_secs(endpoint.subscriber.timeout.into()) + own.times.lease;
        let taken = if free == 0 { Ok(Vec::new()) } else { own.store.take_due(&subscriber, at, free, lease).await };
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
                if done.as_ref().is_err_and(JoinError::is_panic) {
                    own.background.fault(&format!("message to subscriber {subscriber}"), false);
                }
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
            _ = ending.changed() => {}
        }
    }
    loop {
        if *ending.borrow_and_update() == Ending::Now {
            return sending.shutdown().await;
        }
        tokio::select! {
            done = sending.join_next() => {
                if done.is_none() {
                    return;
                }
            }
            Ok(()) = ending.changed() => {}
        }
    }
}

/// Sends one message and notes what came of it; gives whether it arrived.
async fn tell(own: Arc<Notices>, endpoint: Arc<Endpoint>, due: Due) -> bool {
    let subscriber = &endpoint.subscriber;
    let task = match (&due.event.task, subscriber.content) {
        // One that was removed meanwhile is told by its id.
        (Some(task), Content::FullResource) => match own.store.get(task.item.clone()).await {
            Ok(found) => {
                found.map(|item| super::tasks::task(&item.summary, task.lane, subscriber.fhir, &own.store.times()))
            }
            Err(_) => return failed(&own, &endpoint, due, "store".to_owned()).await,
        },
        _ => None,
    };
    match endpoint.send(&own.subscribers().base, &due.event, task).await {
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
