//! The audit trail of the service: who called what and what came of it, appended to a file by a thread of its own.
//! What an entry is and how entries hang together is worked out in [`crate::audit`].
//!
//! A call is answered whether or not its entry could be written, but for a list of orders, which is shown when its entry is
//! written and not before ([`Trail::kept`]): entries wait in a bounded queue, and the file is
//! written and synced in groups. What could not be written is tried again; what could not even wait is counted, told of
//! at `/readyz` and in the metrics, and the trail itself says how many are missing as soon as it can be written again.
//!
//! INVARIANT: an entry holds words of this program, names and hashes of the configuration, the hash of the body, ids
//! given by this program, and the id of a client or of a person who signed in that an authorization server signed.
//! Nothing else of a request; of what was searched for on the pages, the hash.

pub mod file;

use super::stack::Disposition;
use crate::audit::chain::{Anchor, Chain, Hash};
use crate::audit::line;
use crate::audit::verify::Torn;
use crate::audit::{Event, Kind, Name, On, Outcome, Reference, Versions, Who, Word};
use crate::queue::item::ItemId;
use axum::response::Response;
use http::HeaderValue;
use jiff::Timestamp;
use std::collections::{BTreeMap, VecDeque};
use std::fmt::Write;
use std::io;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, TrySendError, sync_channel};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// Names that callers who could not be told said they have, which are told apart at a time; names of the configuration.
const MOST_NAMES: usize = 64;

/// Bounds of the trail.
#[derive(Clone, Copy, Debug)]
pub struct Bounds {
    /// Entries that wait to be written, beside as many that could not be written yet.
    pub waiting: usize,
    /// Entries that are written before they are synced.
    pub group: usize,
    /// Between two tries when it cannot be written.
    pub again: Duration,
    /// Time for what waits when the service stops.
    pub stop: Duration,
    /// Calls turned away of callers that could not be told which have an entry each, in so long a time, by the name that
    /// they say they have; of the others only the number is told at its end, by that name.
    pub strangers: (u32, Duration),
    /// How many of them have an entry each in that time under all names together. Whoever may not call cannot fill the disk.
    pub strangers_together: u32,
}

impl Default for Bounds {
    fn default() -> Self {
        Self {
            waiting: 4096,
            group: 256,
            again: Duration::from_secs(1),
            stop: Duration::from_secs(5),
            strangers: (30, Duration::from_secs(60)),
            strangers_together: 60,
        }
    }
}

/// Where lines go.
pub trait Store: Send + 'static {
    /// Before each group: whether it is still the right place.
    ///
    /// # Errors
    /// Why it is not.
    fn ready(&mut self) -> io::Result<()>;

    /// Appends bytes.
    ///
    /// # Errors
    /// How many of them got there, and why not all.
    fn append(&mut self, bytes: &[u8]) -> Result<(), (usize, io::Error)>;

    /// Makes what was appended last through a failure of power.
    ///
    /// # Errors
    /// When that cannot be promised.
    fn sync(&mut self) -> io::Result<()>;
}

/// What a place held when it was opened.
#[derive(Clone, Default)]
pub struct Found {
    /// The end of its sequence.
    pub chain: Chain,
    /// Lines that are cut off at its end.
    pub torn: Option<Torn>,
    /// The last line has no end.
    pub unended: bool,
}

/// Told when an entry is written for good; dropped where it is not.
type Ack = tokio::sync::oneshot::Sender<()>;

/// Longest time for which a list of orders waits for its entry.
const PATIENCE: Duration = Duration::from_secs(5);

enum Message {
    Event(Box<Event>, Option<Ack>),
    Close,
}

#[derive(Default)]
struct State {
    entries: AtomicU64,
    lost: AtomicU64,
    failures: AtomicU64,
    known: Mutex<Known>,
}

#[derive(Clone, Default)]
struct Known {
    last: Anchor,
    torn: u64,
    failing: Option<(Timestamp, String)>,
}

impl State {
    fn known(&self) -> MutexGuard<'_, Known> {
        self.known.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// The way into the trail.
pub struct Trail {
    to: SyncSender<Message>,
    state: Arc<State>,
    fixed: Vec<(&'static str, String)>,
    stop: Duration,
    writer: Mutex<Option<JoinHandle<()>>>,
}

impl Trail {
    /// A trail that goes on where `found` ends. `fixed` are versions that every entry names.
    ///
    /// # Errors
    /// When the operating system gives no thread.
    pub fn start(
        store: impl Store,
        found: Found,
        bounds: Bounds,
        fixed: Vec<(&'static str, String)>,
    ) -> io::Result<Arc<Self>> {
        let (to, from) = sync_channel(bounds.waiting);
        let state = Arc::new(State::default());
        state.known().last = found.chain.last();
        let Found { chain, torn, unended } = found;
        let lost = 0;
        let strangers = Strangers::new(bounds.strangers, bounds.strangers_together);
        let waiting = VecDeque::new();
        let mut writer = Writer { store, chain, torn, unended, waiting, lost, strangers, bounds, state: state.clone() };
        let thread = std::thread::Builder::new().name("audit".to_owned()).spawn(move || writer.run(&from))?;
        Ok(Arc::new(Self { to, state, fixed, stop: bounds.stop, writer: Mutex::new(Some(thread)) }))
    }

    /// Takes an event into the trail. Never waits.
    pub fn record(&self, event: Event) {
        if !self.send(event, None) {
            self.state.lost.fetch_add(1, Ordering::Relaxed);
        }
    }

    fn send(&self, mut event: Event, ack: Option<Ack>) -> bool {
        for (what, version) in &self.fixed {
            put(&mut event.versions, what, version);
        }
        self.to.try_send(Message::Event(Box::new(event), ack)).is_ok()
    }

    /// Writes an event, for what must not be done without its entry. One that could not be written is not tried again: what
    /// it tells of is not done.
    ///
    /// # Errors
    /// When it was not written for good, in words.
    pub async fn kept(&self, event: Event) -> Result<(), String> {
        let (ack, written) = tokio::sync::oneshot::channel();
        let sent = self.send(event, Some(ack));
        if sent && matches!(tokio::time::timeout(PATIENCE, written).await, Ok(Ok(()))) {
            return Ok(());
        }
        Err("the audit trail cannot be written".to_owned())
    }

    /// Something that the program did itself: `action`, its result, and the versions it was about.
    pub fn own(&self, action: &'static str, result: &'static str, versions: &[(&'static str, &str)]) {
        let mut event = Event {
            time: Timestamp::now(),
            who: Who::nameless(Kind::Program),
            action: Word::of(action),
            on: On::default(),
            outcome: Outcome::of(result),
            versions: Versions::new(),
        };
        versions.iter().for_each(|(what, version)| put(&mut event.versions, what, version));
        self.record(event);
    }

    /// Writes what waits and ends. Waits for it, within the bounds.
    pub fn close(&self) {
        self.own("stopped", "done", &[]);
        let until = Instant::now() + self.stop;
        while let Err(TrySendError::Full(_)) = self.to.try_send(Message::Close) {
            if Instant::now() > until {
                return;
            }
            std::thread::sleep(Duration::from_millis(10));
        }
        let Some(writer) = self.writer.lock().unwrap_or_else(PoisonError::into_inner).take() else { return };
        while !writer.is_finished() && Instant::now() < until {
            std::thread::sleep(Duration::from_millis(5));
        }
    }

    /// Whether it is kept, and that it is not, for people; nothing of where it is or how long.
    pub fn told(&self, moment: impl Fn(Timestamp) -> String) -> (String, bool) {
        let failing = self.state.known().failing.clone();
        let lost = self.state.lost.load(Ordering::Relaxed);
        match failing {
            Some((since, _)) => (format!("NOT written since {}; lists of orders are not shown", moment(since)), true),
            None if lost > 0 => (format!("kept; {lost} entries were lost since the start"), true),
            None => ("kept".to_owned(), false),
        }
    }

    /// For `/readyz`.
    pub fn ready(&self) -> String {
        let known = self.state.known().clone();
        let mut out = format!("audit trail: last entry {}", known.last);
        if known.torn > 0 {
            let _ = write!(out, ", {} lines that were cut off are marked", known.torn);
        }
        let lost = self.state.lost.load(Ordering::Relaxed);
        if lost > 0 {
            let _ = write!(out, "\naudit trail: {lost} entries LOST since the start");
        }
        if let Some((since, why)) = known.failing {
            let _ = write!(out, "\naudit trail: NOT written since {since:.0}: {why}");
        }
        out
    }

    /// In Prometheus text format.
    pub fn metrics(&self, out: &mut String) {
        let known = self.state.known().clone();
        let count = |count: &AtomicU64| count.load(Ordering::Relaxed);
        let state = &self.state;
        for (name, kind, help, value) in [
            ("entries_total", "counter", "Entries written to the audit trail since the start.", count(&state.entries)),
            ("lost_total", "counter", "Entries that could not be written to the audit trail.", count(&state.lost)),
            ("failures_total", "counter", "Times the audit trail could not be written.", count(&state.failures)),
            ("failing", "gauge", "Whether the audit trail cannot be written.", u64::from(known.failing.is_some())),
            ("last_sequence", "gauge", "Number of the last entry of the audit trail.", known.last.sequence),
        ] {
            let name = format!("enteral_gate_audit_{name}");
            let _ = write!(out, "# HELP {name} {help}\n# TYPE {name} {kind}\n{name} {value}\n");
        }
    }
}

fn put(versions: &mut Versions, what: &'static str, version: &str) {
    if let Some(version) = Name::new(version) {
        versions.insert(Word::of(what), version);
    }
}

/// Calls turned away of callers that could not be told, in one stretch of time; apart by the name of the configuration that
/// they say they have, so that many under one name hide none under another.
struct Strangers {
    most: u32,
    lasts: Duration,
    /// Most entries of all names together, when their stretch began, and entries in it.
    together: (u32, Instant, u32),
    /// By the name that was only said: begin of the stretch, entries in it, and how many have none.
    stretches: BTreeMap<Option<Name>, (Instant, u32, u32)>,
}

impl Strangers {
    fn new((most, lasts): (u32, Duration), together: u32) -> Self {
        Self { most, lasts, together: (together, Instant::now(), 0), stretches: BTreeMap::new() }
    }

    /// Whether the event has an entry of its own; it is counted where not.
    fn admits(&mut self, event: &Event) -> bool {
        if event.who.kind != Kind::Unknown {
            return true;
        }
        let known = self.stretches.contains_key(&event.who.name) || self.stretches.len() < MOST_NAMES;
        let name = event.who.name.clone().filter(|_| known);
        let (_, entries, others) = self.stretches.entry(name).or_insert_with(|| (Instant::now(), 0, 0));
        let (all, since, taken) = &mut self.together;
        if since.elapsed() >= self.lasts {
            (*since, *taken) = (Instant::now(), 0);
        }
        let admitted = *entries < self.most && *taken < *all;
        *taken += u32::from(admitted);
        let counted = if admitted { entries } else { others };
        *counted = counted.saturating_add(1);
        admitted
    }

    /// When the number of the others is to be told; never where there is none.
    fn due(&self) -> Option<Duration> {
        let told = self.stretches.values().filter(|(_, _, others)| *others > 0);
        told.map(|(since, ..)| self.lasts.saturating_sub(since.elapsed())).min()
    }

    /// An entry that tells the number of the others, at the end of a stretch or of everything, as long as there is one.
    fn told(&mut self, last: bool) -> Option<Event> {
        let lasts = self.lasts;
        let over = |(since, ..): &(Instant, u32, u32)| last || since.elapsed() >= lasts;
        self.stretches.retain(|_, stretch| stretch.2 > 0 || !over(stretch));
        let name = self.stretches.iter().find(|(_, stretch)| over(stretch)).map(|(name, _)| name.clone())?;
        let (_, _, others) = self.stretches.remove(&name)?;
        Some(Event {
            who: Who { name, ..Who::nameless(Kind::Unknown) },
            action: Word::of("calls-summed"),
            outcome: Outcome { count: Some(others), ..Outcome::of("turned-away") },
            ..entries_lost(0)
        })
    }
}

struct Writer<S> {
    store: S,
    chain: Chain,
    /// Lines in the store that are cut off and not marked yet.
    torn: Option<Torn>,
    /// The last line in the store has no end.
    unended: bool,
    /// Sent and not written yet, with whom to tell.
    waiting: VecDeque<(Event, Option<Ack>)>,
    /// Lost entries that the trail has told of.
    lost: u64,
    strangers: Strangers,
    bounds: Bounds,
    state: Arc<State>,
}

impl<S: Store> Writer<S> {
    fn run(&mut self, from: &Receiver<Message>) {
        let mut tried = Instant::now();
        loop {
            let failing = self.state.known().failing.is_some();
            let again =
                (failing || !self.waiting.is_empty()).then(|| self.bounds.again.saturating_sub(tried.elapsed()));
            let first = match again.into_iter().chain(self.strangers.due()).min() {
                None => from.recv().map_err(|_| RecvTimeoutError::Disconnected),
                Some(time) => from.recv_timeout(time),
            };
            let mut closed = matches!(first, Err(RecvTimeoutError::Disconnected));
            let mut next = first.ok();
            // What came meanwhile goes into the same group, and one sync is for all of it.
            let mut taken = 0;
            while let Some(message) = next {
                match message {
                    Message::Close => closed = true,
                    Message::Event(event, _) if !self.strangers.admits(&event) => {}
                    Message::Event(event, ack) if self.waiting.len() < self.bounds.waiting => {
                        self.waiting.push_back((*event, ack));
                    }
                    // What waits for its entry is not done, so nothing is lost.
                    Message::Event(_, Some(_)) => {}
                    Message::Event(_, None) => drop(self.state.lost.fetch_add(1, Ordering::Relaxed)),
                }
                taken += 1;
                next = if taken < self.bounds.group { from.try_recv().ok() } else { None };
            }
            while let Some(event) = self.strangers.told(closed) {
                if self.waiting.len() < self.bounds.waiting {
                    self.waiting.push_back((event, None));
                } else {
                    self.state.lost.fetch_add(1, Ordering::Relaxed);
                }
            }
            if closed || !failing || tried.elapsed() >= self.bounds.again {
                tried = Instant::now();
                let written = self.write();
                if written.is_err() {
                    self.waiting.retain(|(_, ack)| ack.is_none());
                }
                self.tell(written);
            }
            if closed {
                if !self.waiting.is_empty() {
                    tracing::error!(lost = self.waiting.len(), "the audit trail ends without its last entries");
                    self.state.lost.fetch_add(self.waiting.len() as u64, Ordering::Relaxed);
                }
                return;
            }
        }
    }

    /// Keeps the outcome of a try for whoever asks, and logs when it turns.
    fn tell(&self, written: io::Result<()>) {
        let mut known = self.state.known();
        known.last = self.chain.last();
        match written {
            Ok(()) => {
                if known.failing.take().is_some() {
                    tracing::info!("the audit trail is written again");
                }
            }
            Err(why) => {
                self.state.failures.fetch_add(1, Ordering::Relaxed);
                if known.failing.is_none() {
                    tracing::error!(error = %why, "the audit trail cannot be written; calls are answered all the same, and lists of orders are not shown");
                    known.failing = Some((Timestamp::now(), why.to_string()));
                }
            }
        }
    }

    /// Writes everything that waits.
    fn write(&mut self) -> io::Result<()> {
        self.store.ready()?;
        self.mend()?;
        let mut told = Vec::new();
        while let Some((event, _)) = self.waiting.front() {
            self.line(event.clone())?;
            told.extend(self.waiting.pop_front().and_then(|(_, ack)| ack));
        }
        let lost = self.state.lost.load(Ordering::Relaxed);
        if lost > self.lost {
            self.line(entries_lost(lost - self.lost))?;
            self.lost = lost;
        }
        self.store.sync()?;
        // Whoever went away meanwhile is told nothing.
        for ack in told {
            let _ = ack.send(());
        }
        Ok(())
    }

    /// Ends a line that has no end, and marks lines that are cut off.
    fn mend(&mut self) -> io::Result<()> {
        if self.unended {
            self.store.append(b"\n").map_err(|(_, why)| why)?;
            self.unended = false;
        }
        if let Some(torn) = self.torn.take() {
            let mark = torn.mark(Timestamp::now());
            let count = u64::from(torn.count());
            self.torn = Some(torn);
            self.line(mark)?;
            self.torn = None;
            self.state.known().torn += count;
        }
        Ok(())
    }

    fn line(&mut self, event: Event) -> io::Result<()> {
        let (entry, mut bytes) = line::seal(&self.chain, event);
        let whole = bytes.len();
        bytes.push(b'\n');
        let (there, why) = match self.store.append(&bytes) {
            Ok(()) => (bytes.len(), None),
            Err((there, why)) => (there, Some(why)),
        };
        if there >= whole {
            // Without its end it is an entry nevertheless: the end comes before the next one.
            self.unended = there == whole;
            self.chain.advance(&entry);
            self.state.entries.fetch_add(1, Ordering::Relaxed);
            return Ok(());
        }
        if there > 0 {
            self.torn.get_or_insert_default().line(bytes.get(..there).unwrap_or_default());
            self.unended = true;
        }
        why.map_or(Ok(()), Err)
    }
}

/// The entry that tells how many are missing before it.
fn entries_lost(count: u64) -> Event {
    Event {
        time: Timestamp::now(),
        who: Who::nameless(Kind::Program),
        action: Word::of("entries-lost"),
        on: On::default(),
        outcome: Outcome { count: Some(u32::try_from(count).unwrap_or(u32::MAX)), ..Outcome::of("not-written") },
        versions: Versions::new(),
    }
}

/// What a handler leaves for the entry of its call; shared with the stack, which writes it.
#[derive(Clone, Default)]
pub struct Noted(Arc<Mutex<Notes>>);

#[derive(Default)]
struct Notes {
    content: Option<Hash>,
    item: Option<Reference>,
    who: Option<Who>,
    count: Option<usize>,
    reason: Option<&'static str>,
    versions: Vec<(&'static str, String)>,
}

impl Noted {
    fn notes(&self) -> MutexGuard<'_, Notes> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The hash of the body.
    pub fn content(&self, content: Hash) {
        self.notes().content = Some(content);
    }

    /// What it was about, by a name of this program.
    pub fn item(&self, item: &'static str) {
        self.notes().item = Reference::new(item);
    }

    /// An item of the queue, by the id that this program gave it.
    pub fn item_read(&self, item: &ItemId) {
        self.notes().item = Reference::new(item.as_str());
    }

    /// Somebody who signs in or out: by the id that the provider signed, or that the demo lists.
    pub fn person(&self, id: &str) {
        self.notes().who = Some(Who { reference: Reference::new(id), ..Who::nameless(Kind::Person) });
    }

    /// How many.
    pub fn count(&self, count: usize) {
        self.notes().count = Some(count);
    }

    /// Why, as a code.
    pub fn reason(&self, reason: &'static str) {
        self.notes().reason = Some(reason);
    }

    /// What it was judged by.
    pub fn versions(&self, versions: Vec<(&'static str, String)>) {
        self.notes().versions = versions;
    }
}

/// Why a call was not served, as a code; left on an answer for its entry.
#[derive(Clone, Copy, Debug)]
pub struct Why(pub &'static str);

/// Left on the answer to a caller who was turned away: the code of what was wrong, and who it was, as far as known.
#[derive(Clone, Debug)]
pub struct TurnedAway {
    /// Why.
    pub reason: &'static str,
    /// Who; [`Kind::Unknown`] with a name is only said to be that.
    pub who: Who,
}

/// What signing in and out are called in the trail.
pub const SIGN_IN: &str = "sign-in";
/// As [`SIGN_IN`].
pub const SIGN_OUT: &str = "sign-out";

/// Orders that are to be shown to somebody, in a list.
pub struct Listing<'l> {
    /// To whom, by an id that a provider or a list gives.
    pub who: Option<&'l str>,
    /// Where.
    pub route: &'static str,
    /// What the list is about, by a name of the configuration.
    pub about: Option<&'l str>,
    /// What was asked for: names of filters with their words; `given` for a text.
    pub asked: BTreeMap<&'static str, &'static str>,
    /// All of what was asked for, as the address has it.
    pub filters: &'l str,
    /// What is shown.
    pub items: Vec<&'l ItemId>,
}

impl Listing<'_> {
    /// Its entry.
    pub fn event(&self) -> Event {
        let items: Vec<Reference> = self.items.iter().filter_map(|item| Reference::new(item.as_str())).collect();
        Event {
            time: Timestamp::now(),
            who: Who { reference: self.who.and_then(Reference::new), ..Who::nameless(Kind::Person) },
            action: Word::of("orders-shown"),
            on: On {
                asked: self.asked.iter().map(|(name, word)| (Word::of(name), Word::of(word))).collect(),
                content: (!self.filters.is_empty()).then(|| Hash::of(self.filters.as_bytes())),
                item: self.about.and_then(Reference::new),
                items,
                route: Some(Word::of(self.route)),
                subject: None,
            },
            outcome: Outcome {
                count: Some(u32::try_from(self.items.len()).unwrap_or(u32::MAX)),
                ..Outcome::of("answered")
            },
            versions: Versions::new(),
        }
    }
}

/// What a call is called in the trail, by the route and method; None for calls that are not kept.
pub fn action(method: &str, route: &str) -> Option<(&'static str, &'static str)> {
    const KEPT: [(&str, &str, &str); 26] = [
        ("POST", "hook", "/cds-services/{id}"),
        ("POST", "feedback", "/cds-services/{id}/feedback"),
        ("POST", "batch", "/fhir/{version}"),
        ("POST", "batch", "/fhir/{version}/"),
        ("POST", "validate", "/fhir/{version}/$validate"),
        ("POST", "validate", "/fhir/{version}/Bundle/$validate"),
        ("POST", "validate", "/fhir/{version}/NutritionOrder/$validate"),
        ("POST", "validate", "/fhir/{version}/NutritionOrder/{id}/$validate"),
        ("POST", "appraise", "/fhir/{version}/NutritionOrder/$appraise"),
        ("GET", "search", "/fhir/{version}/Task"),
        ("POST", "search", "/fhir/{version}/Task/_search"),
        ("GET", "read", "/fhir/{version}/Task/{id}"),
        ("GET", "search", "/fhir/{version}/DetectedIssue"),
        ("POST", "search", "/fhir/{version}/DetectedIssue/_search"),
        ("GET", "read", "/fhir/{version}/DetectedIssue/{id}"),
        ("GET", "search", "/fhir/{version}/Provenance"),
        ("POST", "search", "/fhir/{version}/Provenance/_search"),
        ("GET", "read", "/fhir/{version}/Provenance/{id}"),
        ("GET", "search", "/fhir/{version}/AuditEvent"),
        ("POST", "search", "/fhir/{version}/AuditEvent/_search"),
        ("GET", "read", "/fhir/{version}/AuditEvent/{id}"),
        ("POST", SIGN_IN, "/sign-in"),
        ("GET", SIGN_IN, "/sign-in/answer"),
        ("POST", SIGN_OUT, "/sign-out"),
        ("POST", "messages-sent-again", "/state/letters/{id}"),
        ("POST", "messages-discarded", "/state/letters/{id}/discard"),
    ];
    // The same handler answers HEAD.
    let method = if method == "HEAD" { "GET" } else { method };
    KEPT.into_iter().find(|(by, _, kept)| *kept == route && *by == method).map(|(_, action, route)| (action, route))
}

/// A call, as the stack saw it.
pub struct Call<'c> {
    /// Action and route, where the call is kept.
    pub action: Option<(&'static str, &'static str)>,
    /// What the handler left.
    pub noted: &'c Noted,
    /// Who it was, where that is known.
    pub who: Option<Who>,
    /// The id of the request.
    pub request: Option<&'c HeaderValue>,
    /// Time taken, microseconds.
    pub micros: u64,
}

impl Call<'_> {
    /// The entry of this call, if it has one: an operation, or a caller that was turned away.
    pub fn event(self, response: &Response) -> Option<Event> {
        let turned_away = response.extensions().get::<TurnedAway>();
        let (action, route) = match (self.action, turned_away) {
            (Some((action, route)), _) => (action, Some(route)),
            (None, Some(_)) => ("inside", None),
            (None, None) => return None,
        };
        let mut notes = self.noted.notes();
        let status = response.status();
        let disposition = response.extensions().get::<Disposition>().map(|d| d.0);
        let result = match (turned_away, disposition) {
            (Some(_), _) => "turned-away",
            (None, Some(disposition)) => disposition,
            (None, None) if status.is_success() || status.is_redirection() => "answered",
            (None, None) if status.is_server_error() => "failed",
            (None, None) => "refused",
        };
        let why = || response.extensions().get::<Why>().map(|why| why.0);
        let reason = turned_away.map(|away| away.reason).or(notes.reason).or_else(why);
        let mut versions = Versions::new();
        for (what, version) in &notes.versions {
            put(&mut versions, what, version);
        }
        let who = turned_away.map(|away| away.who.clone()).or(self.who).or(notes.who.take());
        let who = who.unwrap_or(Who::nameless(Kind::Anyone));
        Some(Event {
            time: Timestamp::now(),
            who,
            action: Word::of(action),
            on: On {
                content: notes.content.take(),
                item: notes.item.take(),
                route: route.map(Word::of),
                ..On::default()
            },
            outcome: Outcome {
                count: notes.count.map(|count| u32::try_from(count).unwrap_or(u32::MAX)),
                micros: Some(u32::try_from(self.micros).unwrap_or(u32::MAX)),
                reason: reason.map(Word::of),
                request: self.request.and_then(|id| id.to_str().ok()).and_then(Reference::new),
                status: Some(status.as_u16()),
                ..Outcome::of(result)
            },
            versions,
        })
    }
}
