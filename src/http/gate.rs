//! Who may pass to a route: the token of a call, the role that the route asks for, and how much one caller may ask at
//! the same time.
//!
//! INVARIANT: a token, or any part of it, is in no log line, counter or answer. Logs name the issuer as configured and the
//! code of what was wrong; the caller is told neither.

use super::App;
use super::body;
use super::key_sets::{FETCHED, KeySets};
use super::metrics::Counters;
use super::refusal::Refusal;
use super::rules_in_use::one_line;
use super::spans::Asked;
use super::trail::{Trail, TurnedAway};
use crate::access::replay::Used;
use crate::access::scope::{self, Grants};
use crate::access::token::{Expected, Presented, Reason, bearer};
use crate::access::{self, Access, Issuer, KeySource, Role};
use crate::audit::{Kind, Name, Reference, Who};
use axum::extract::{Request, State};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use http::{HeaderMap, header};
use jiff::Timestamp;
use std::collections::BTreeMap;
use std::fmt::Write;
use std::sync::{Arc, Mutex, MutexGuard, OnceLock, PoisonError, RwLock};
use std::time::Duration;
use tokio::time::{Instant, sleep};

/// Counter of calls that were let pass.
pub const PASSED: &str = "enteral_gate_access_passed_total";
/// Counter of calls that were turned away.
pub const REFUSED: &str = "enteral_gate_access_refused_total";

/// Counter of access files read again.
pub const RELOADED: &str = "enteral_gate_access_reloads_total";

/// Bytes of the body of a caller who is turned away that are read, so that it sees the answer.
const COURTESY: usize = 16 << 10;

/// What each counter is.
const COUNTERS: [(&str, &str); 4] = [
    (PASSED, "Calls of known callers that were let pass, by caller as configured; whatever their answer was."),
    (REFUSED, "Calls that were turned away, by reason."),
    (FETCHED, "Key sets of issuers fetched, by result."),
    (RELOADED, "Access files read again since the start."),
];

/// What a route asks of its callers.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Need {
    /// Nothing.
    Open,
    /// Nothing where callers are not told apart; otherwise somebody who is signed in. Shows nothing of a person.
    Page,
    /// Somebody who is signed in and sees orders.
    Person,
    /// An administrator who is signed in, whether callers are told apart or not.
    Admin,
    /// The role for hooks.
    Hooks,
    /// The role for FHIR, and a scope.
    Order(scope::Need),
    /// The role for metrics.
    Metrics,
}

impl Need {
    /// The role, if any.
    pub fn role(self) -> Option<Role> {
        match self {
            Self::Open | Self::Page | Self::Person | Self::Admin => None,
            Self::Hooks => Some(Role::Hooks),
            Self::Order(_) => Some(Role::Fhir),
            Self::Metrics => Some(Role::Metrics),
        }
    }
}

/// A caller that was let pass.
#[derive(Clone, Debug)]
pub struct Caller {
    /// Its issuer, as configured.
    pub name: Arc<str>,
    /// What it was granted on orders.
    pub grants: Grants,
    /// The client of an authorization server.
    pub client: Option<Arc<str>>,
    /// Whether it signs its own calls, or an authorization server signed its token.
    pub signs: bool,
}

impl Caller {
    /// For the audit trail.
    pub fn who(&self) -> Who {
        let kind = if self.signs { Kind::Client } else { Kind::System };
        Who { reference: self.client.as_deref().and_then(Reference::new), ..Who::named(kind, &self.name) }
    }
}

/// How many calls of each client are running, by its issuer and its own id.
type Running = Arc<Mutex<BTreeMap<(String, String), usize>>>;

/// One running call.
struct Turn {
    running: Running,
    of: (String, String),
}

impl Drop for Turn {
    fn drop(&mut self) {
        let mut running = locked(&self.running);
        if let Some(count) = running.get_mut(&self.of) {
            *count -= 1;
            if *count == 0 {
                running.remove(&self.of);
            }
        }
    }
}

/// Callers and their keys, which are put in another's place together.
struct Callers {
    access: Access,
    sets: KeySets,
}

/// Everything needed to tell callers apart.
pub struct Gate {
    callers: RwLock<Arc<Callers>>,
    /// By `iss`. It outlives a reload, because the tokens do.
    used: Mutex<BTreeMap<String, Used>>,
    running: Running,
    counters: Counters,
    /// Since when an access file on disk is not in use, and what is wrong with it.
    refused: Mutex<Option<(Timestamp, String)>>,
    trail: OnceLock<Arc<Trail>>,
}

impl Gate {
    /// A gate for these callers.
    pub fn new(access: Access, sets: KeySets) -> Self {
        Self {
            callers: RwLock::new(Arc::new(Callers { access, sets })),
            used: Mutex::default(),
            running: Running::default(),
            counters: Counters::default(),
            refused: Mutex::default(),
            trail: OnceLock::new(),
        }
    }

    /// Changes of callers are kept in this trail from now on.
    pub fn keep_in(&self, trail: Arc<Trail>) {
        let _ = self.trail.set(trail);
    }

    /// The address under which clients reach the service, as the access file in use has it; without a last slash.
    pub fn public_url(&self) -> String {
        self.callers().access.public_url.clone()
    }

    /// Puts other callers in place, at once for every call that begins after, or remembers why they cannot be used.
    pub fn take(&self, read: Result<(Access, KeySets), String>) {
        let result = match &read {
            Ok(_) => "taken",
            Err(_) => "refused",
        };
        self.counters.add(RELOADED, format!("result=\"{result}\""), 1);
        if let Some(trail) = self.trail.get() {
            trail.own("access-reload", result, &[]);
        }
        let mut refused = locked(&self.refused);
        match read {
            Ok((access, sets)) => {
                *self.callers.write().unwrap_or_else(PoisonError::into_inner) = Arc::new(Callers { access, sets });
                *refused = None;
            }
            Err(why) => {
                let since = refused.as_ref().map_or_else(Timestamp::now, |(since, _)| *since);
                *refused = Some((since, why));
            }
        }
    }

    /// Keeps the keys of issuers fresh until it is dropped.
    pub async fn renew_keys(&self) {
        loop {
            let callers = self.callers();
            callers.sets.renew_all(&self.counters).await;
            let again = Instant::now() + callers.sets.renewal();
            // Others put in place meanwhile have keys of their own.
            while Instant::now() < again && Arc::ptr_eq(&callers, &self.callers()) {
                sleep(Duration::from_millis(500)).await;
            }
        }
    }

    fn callers(&self) -> Arc<Callers> {
        self.callers.read().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// For the details of `/readyz`.
    pub fn ready(&self) -> String {
        let mut lines = format!("callers: {} issuers", self.callers().access.issuers.len());
        if let Some((since, why)) = &*locked(&self.refused) {
            let _ = write!(lines, "\naccess file on disk: NOT in use since {since:.0}: {}", one_line(why));
        }
        lines
    }

    /// In Prometheus text format.
    pub fn metrics(&self, out: &mut String) {
        self.counters.write(out, &COUNTERS);
        let stale = u8::from(locked(&self.refused).is_some());
        let _ = write!(
            out,
            "# HELP enteral_gate_access_stale Whether the access file on disk could not be taken and an older one is in use.\n\
             # TYPE enteral_gate_access_stale gauge\n\
             enteral_gate_access_stale {stale}\n"
        );
    }

    async fn admit(
        &self,
        headers: &HeaderMap,
        path: &str,
        need: Need,
    ) -> Result<(Caller, Turn), (Refusal, TurnedAway)> {
        let callers = self.callers();
        let mut who = Who::nameless(Kind::Unknown);
        let denied = match self.verified(&callers, headers, path, need, &mut who).await {
            Ok(admitted) => {
                self.counters.add(PASSED, format!("caller={:?}", admitted.0.name), 1);
                return Ok(admitted);
            }
            Err(denied) => denied,
        };
        let (reason, refusal) = match denied {
            Denied::Token(reason) => (reason.code(), Refusal::Unauthorized),
            Denied::Role => (
                "role",
                Refusal::Forbidden(
                    "The token is good, and does not allow this call: its client is not configured for it.".to_owned(),
                ),
            ),
            Denied::Scope => ("scope", Refusal::Forbidden(scope_text())),
            Denied::Busy => ("busy", Refusal::Busy),
        };
        self.counters.add(REFUSED, format!("reason={reason:?}"), 1);
        tracing::warn!(reason, caller = who.name.as_ref().map_or("", Name::as_str), "a call was turned away");
        Err((refusal, TurnedAway { reason, who }))
    }

    /// `who` says, also when the caller is not let pass, how far it is known.
    async fn verified(
        &self,
        callers: &Callers,
        headers: &HeaderMap,
        path: &str,
        need: Need,
        who: &mut Who,
    ) -> Result<(Caller, Turn), Denied> {
        let token = bearer(headers.get_all(header::AUTHORIZATION).iter().map(|value| value.as_bytes()))?;
        let presented = Presented::read(token)?;
        let issuer = callers.access.issuer(&presented.iss)?;
        *who = Who::named(Kind::Unknown, &issuer.name);
        let key = match issuer.key_source(presented.jku.as_deref())? {
            KeySource::File(keys) => keys.find(&presented.kid).cloned().ok_or(Reason::UnknownKey)?,
            KeySource::Url(url) => callers.sets.key(url, &presented.kid, &self.counters).await?,
        };
        let addresses = addresses(&callers.access.public_url, path);
        let now = Timestamp::now().as_second();
        let expected = Expected { addresses: &addresses, now, leeway: callers.access.leeway };
        let verified = presented.verify(issuer, &key, &expected)?;
        let caller = Caller {
            name: Arc::from(issuer.name.as_str()),
            grants: verified.grants,
            client: verified.client.as_deref().map(Arc::from),
            signs: matches!(issuer.kind, access::Kind::Client { .. }),
        };
        *who = caller.who();
        if need.role().is_some_and(|role| !verified.roles.contains(&role)) {
            return Err(Denied::Role);
        }
        if let Need::Order(operation) = need
            && !verified.grants.allow(operation)
        {
            return Err(Denied::Scope);
        }
        // A call that has to come again must still find its token unused.
        let turn = self.turn(issuer, verified.client).ok_or(Denied::Busy)?;
        if let Some((id, end)) = verified.once {
            locked(&self.used).entry(issuer.iss.clone()).or_default().take(&id, end, now)?;
        }
        Ok((caller, turn))
    }

    fn turn(&self, issuer: &Issuer, client: Option<String>) -> Option<Turn> {
        let of = (issuer.name.clone(), client.unwrap_or_default());
        let mut running = locked(&self.running);
        if running.get(&of).is_some_and(|count| *count >= issuer.concurrent) {
            return None;
        }
        *running.entry(of.clone()).or_default() += 1;
        drop(running);
        Some(Turn { running: self.running.clone(), of })
    }
}

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

enum Denied {
    Token(Reason),
    Role,
    Scope,
    Busy,
}

impl From<Reason> for Denied {
    fn from(reason: Reason) -> Self {
        Self::Token(reason)
    }
}

/// What a scope must be, in words.
pub fn scope_text() -> String {
    "The token is good, and grants no scope that allows this call: $appraise needs system/NutritionOrder.read (or .r), $validate that or system/NutritionOrder.write (or .c or .u), the queue system/Task.read or system/DetectedIssue.read (.r for one, .s for a search).".to_owned()
}

/// The addresses that the token of a CDS Hooks client may name: that of the call, and for feedback that of its service.
fn addresses(public: &str, path: &str) -> Vec<String> {
    let mut addresses = vec![format!("{public}{path}")];
    if let Some(service) = path.strip_suffix("/feedback") {
        addresses.push(format!("{public}{service}"));
    }
    addresses
}

/// The middleware of one route.
pub async fn gate(State((app, need)): State<(Arc<App>, Need)>, mut request: Request, next: Next) -> Response {
    let Some(gate) = app.doors.gate.as_ref().filter(|_| need != Need::Open) else { return next.run(request).await };
    match gate.admit(request.headers(), request.uri().path(), need).await {
        Ok((caller, turn)) => {
            if let Some(asked) = request.extensions().get::<Asked>() {
                asked.let_pass(request.headers());
            }
            request.extensions_mut().insert(caller.clone());
            let mut response = next.run(request).await;
            drop(turn);
            response.extensions_mut().insert(caller);
            response
        }
        Err((refusal, turned_away)) => {
            let (parts, incoming) = request.into_parts();
            body::discard(&parts.headers, incoming, COURTESY).await;
            let mut response = refusal.into_response();
            response.extensions_mut().insert(turned_away);
            response
        }
    }
}
