//! The HTTP rim: FHIR operations and CDS Hooks over one appraisal, and nothing clinical.
//!
//! A request passes, in this order: the connection ([`server`], [`tls`]), the stack common to all routes
//! ([`stack`]), its route ([`routes`]), who is calling ([`gate`], [`key_sets`]), content negotiation ([`negotiate`]), the body ([`body`]), what is
//! asked ([`asked`]), the appraisal ([`appraiser`]), and back as JSON. Whatever goes wrong on the way is a
//! [`refusal::Refusal`], which renders itself as an OperationOutcome.
//!
//! What is absent: no state between requests except the rulebook in use ([`rules_in_use`]), counters ([`metrics`]), the
//! ids of tokens used, who is signed in at the pages ([`pages::people`]) and the audit trail ([`trail`]); no outgoing
//! connection except to the FHIR servers of the settings ([`callback`]), to declared subscribers ([`notices`]), for
//! issuers' keys ([`key_sets`]), to the provider through which people sign in ([`pages::oidc`]) and to a collector of traces
//! ([`traces`]); no stored order except in the queue ([`keeping`]), no request decompression, no XML. Without a gate only loopback addresses are bound, see
//! [`server::Exposed`].

pub mod appraiser;
pub mod asked;
pub mod body;
pub mod callback;
pub mod connections;
pub mod definitions;
mod elements;
pub mod form_search;
pub mod gate;
pub mod history;
pub mod hooks;
pub mod keeping;
pub mod key_sets;
pub mod metrics;
pub mod negotiate;
pub mod notices;
pub mod operations;
pub mod pages;
pub mod refusal;
pub mod routes;
pub mod rules_in_use;
pub mod samples;
pub mod server;
pub mod spans;
pub mod stack;
pub mod subscriptions;
pub mod tasks;
pub mod tls;
pub mod traces;
pub mod trail;

use crate::background::{Background, OfEach};
use crate::settings::Settings;
use crate::store::Store;
use appraiser::Appraiser;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64};
use std::time::Duration;
use tokio::sync::Semaphore;

/// Bounds of the service. Every one of them is finite.
#[derive(Clone, Debug)]
pub struct Limits {
    /// Largest request body, bytes.
    pub body: usize,
    /// Bytes of bodies held in memory at the same time, over all requests.
    pub held: usize,
    /// Entries of a batch.
    pub entries: usize,
    /// Bytes of the answer to a batch; entries after that are refused, each by itself.
    pub batch_answer: usize,
    /// Time for the request line and headers, from the moment the connection waits for them.
    pub header_time: Duration,
    /// Time for the whole body.
    pub body_time: Duration,
    /// Time for the appraisal itself.
    pub appraisal_time: Duration,
    /// Time for the answer to a hook: a client drops one that comes late without a word.
    pub hook_time: Duration,
    /// Bytes up to which a check runs where the connection is served, without handing it to another thread.
    pub at_once: usize,
    /// Appraisals at the same time; more are turned away with 503.
    pub appraisals: usize,
    /// Open connections; more are turned away with 503.
    pub connections: usize,
    /// Of those, from one address; 0 for no bound of its own.
    pub connections_per_address: usize,
    /// Of those, that have not ended their TLS handshake.
    pub handshakes: usize,
    /// Age at which a connection is asked to end, so that a caller who never reads cannot keep it.
    pub connection_age: Duration,
    /// Time for which new connections are still taken after a stop was asked for, while `/readyz` already says 503.
    pub notice: Duration,
    /// Time that running requests get after that.
    pub drain: Duration,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            body: 1 << 20,
            held: 64 << 20,
            entries: 50,
            batch_answer: 32 << 20,
            header_time: Duration::from_secs(10),
            body_time: Duration::from_secs(15),
            appraisal_time: Duration::from_secs(10),
            hook_time: Duration::from_millis(400),
            at_once: 16 << 10,
            appraisals: 32,
            connections: 512,
            connections_per_address: 256,
            handshakes: 384,
            connection_age: Duration::from_secs(600),
            notice: Duration::ZERO,
            drain: Duration::from_secs(10),
        }
    }
}

/// Everything a request may reach.
pub struct App {
    /// What turns bytes into answers.
    pub appraiser: Arc<dyn Appraiser>,
    /// The institution's settings; a request changes only what it asks for.
    pub settings: Settings,
    /// Bounds.
    pub limits: Limits,
    pub(crate) started: jiff::Timestamp,
    pub(crate) slots: Arc<Semaphore>,
    pub(crate) held: Arc<Semaphore>,
    pub(crate) panics: AtomicU64,
    pub(crate) appraised: metrics::ByDisposition,
    pub(crate) answered: metrics::ByRoute,
    pub(crate) connections: connections::Counted,
    pub(crate) hooks: metrics::Counters,
    pub(crate) kept: metrics::Counters,
    pub(crate) callback: callback::Callback,
    pub(crate) stopping: AtomicBool,
    pub(crate) doors: Doors,
}

/// How the service is reached, and what keeps its queue.
#[derive(Default)]
pub struct Doors {
    /// What keeps the queue; without it nothing is kept between requests.
    pub store: Option<Arc<dyn Store>>,
    /// Who is told of changes on the queue; without it nobody is.
    pub notices: Option<Arc<notices::Notices>>,
    /// People at the pages; without them there is no page of the queue.
    pub people: Option<Arc<pages::people::People>>,
    /// Who may pass; without it everybody may.
    pub gate: Option<Arc<gate::Gate>>,
    /// TLS of the public listener; without it plain HTTP.
    pub certificates: Option<Arc<tls::Certificates>>,
    /// There is a listener of its own for metrics and details, and the public one has neither.
    pub admin: bool,
    /// Where it is kept who called what; without it only the log tells.
    pub trail: Option<Arc<trail::Trail>>,
    /// What goes on beside the answers.
    pub background: Arc<Background>,
    /// Where spans go; without it there are none.
    pub traces: Option<Arc<traces::Traces>>,
}

impl App {
    /// A service over `appraiser`.
    pub fn new(appraiser: Arc<dyn Appraiser>, settings: Settings, limits: Limits) -> Arc<Self> {
        Self::behind(Doors::default(), appraiser, settings, limits)
    }

    /// The same behind doors.
    pub fn behind(doors: Doors, appraiser: Arc<dyn Appraiser>, settings: Settings, limits: Limits) -> Arc<Self> {
        Arc::new(Self {
            started: jiff::Timestamp::now(),
            slots: Arc::new(Semaphore::new(limits.appraisals)),
            held: Arc::new(Semaphore::new(limits.held)),
            panics: AtomicU64::new(0),
            appraised: metrics::ByDisposition::default(),
            answered: metrics::ByRoute::default(),
            connections: connections::Counted::default(),
            hooks: metrics::Counters::default(),
            kept: metrics::Counters::default(),
            callback: callback::Callback::new(&settings),
            stopping: AtomicBool::new(false),
            doors,
            appraiser,
            settings,
            limits,
        })
    }

    /// What every log line carries in the demo: `demo=true` and a note.
    pub(crate) fn mark(&self) -> (Option<bool>, Option<&'static str>) {
        (self.settings.demo.then_some(true), self.settings.demo.then_some("invented data"))
    }

    /// What faults did to work in the background, of every part of the service.
    pub(crate) fn faults(&self) -> OfEach {
        let mut out = self.doors.background.faults();
        out.extend(self.doors.store.iter().flat_map(|store| store.health().faults));
        out.extend(self.doors.notices.iter().flat_map(|notices| notices.faults()));
        out
    }

    /// How many requests ended in a panic since the start.
    pub fn panics(&self) -> u64 {
        self.panics.load(std::sync::atomic::Ordering::Relaxed)
    }
}
