//! The call-back: context that a hook's request does not hold is fetched from the client's own FHIR server, where the
//! institution lists it, before the orders are judged. What is asked and what an answer is worth is worked out in
//! [`crate::hooks::fetch`]; here it is sent and received.
//!
//! INVARIANT: a request goes to a listed base address and to nothing else: no redirect, no proxy, no second look at a
//! name (`resolver`), no next page elsewhere. The client's token goes into the one header of such a request. Neither
//! it, nor an address with an id in it, nor anything of an answer, is kept, logged or counted.

pub mod address;
pub(super) mod outward;
pub(super) mod resolver;

use super::App;
use super::body::Whole;
use super::metrics::Durations;
use super::refusal::Refusal;
use super::spans::{Stage, stage};
use crate::hooks::fetch::{
    self, Fetched, Found, Get, MOST_BYTES, MOST_BYTES_IN_ALL, MOST_ENTRIES, MOST_PAGES, Page, Plan, Token, Why,
};
use crate::hooks::service::Service;
use crate::settings::{FhirServer, Settings};
use http::{HeaderMap, HeaderValue, StatusCode, header};
use outward::{Outward, refused};
use reqwest::{Response, Url};
use resolver::Refused;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio::task::JoinSet;
use tokio::time::{Instant, timeout_at};
use tracing::Instrument as _;

/// Requests to one server at the same time, over all hooks.
const MOST_AT_ONCE: usize = 64;
/// Idle connections kept to one server.
const IDLE: usize = 16;

/// The listed servers.
pub struct Callback {
    servers: Vec<Arc<Upstream>>,
    pub(crate) durations: Durations,
}

/// One listed server.
struct Upstream {
    base: String,
    /// Without a client nothing is fetched, and every key says so.
    to: Outward,
    slots: Arc<Semaphore>,
}

impl Callback {
    /// Clients for the servers of the settings; none of them is called yet.
    pub fn new(settings: &Settings) -> Self {
        let servers = settings.hooks.servers.iter().map(|server| Arc::new(Upstream::new(server))).collect();
        Self { servers, durations: Durations::default() }
    }

    /// Whether any server is listed.
    pub fn allowed(&self) -> bool {
        !self.servers.is_empty()
    }
}

impl Upstream {
    fn new(server: &FhirServer) -> Self {
        let to = Outward::new(&server.base, server.private_addresses, IDLE, |client| client);
        Self { base: server.base.clone(), to, slots: Arc::new(Semaphore::new(MOST_AT_ONCE)) }
    }

    /// Whether an address is below this server's base: scheme, host, port, and path.
    fn holds(&self, url: &Url) -> bool {
        let Some(base) = self.to.at() else { return false };
        let path = url.path();
        let below = path
            .strip_prefix(base.path().trim_end_matches('/'))
            .is_some_and(|rest| rest.is_empty() || rest.starts_with('/'));
        // An encoded slash may be one to what stands behind the server's door.
        let lower = path.to_ascii_lowercase();
        let hidden = ["%2f", "%5c", "%00", "//", ";", "\\"].iter().any(|part| lower.contains(part));
        url.origin() == base.origin()
            && url.username().is_empty()
            && url.password().is_none()
            && url.fragment().is_none()
            && below
            && !hidden
    }
}

/// What was fetched, and its share of the memory that all bodies may hold together.
pub struct Brought {
    /// By key.
    pub fetched: Fetched,
    /// Bytes of all answers.
    pub bytes: usize,
    /// How long it took.
    pub time: Option<Duration>,
    /// To be kept as long as `fetched` is.
    pub share: Option<Arc<Budget>>,
}

impl Brought {
    fn nothing() -> Self {
        Self { fetched: Fetched::default(), bytes: 0, time: None, share: None }
    }
}

/// Fetches what the request lacks; the body is handed back. Over when `until` has come, whatever the server does.
///
/// # Errors
/// When the program is too busy to read the request, or a fault in doing so.
pub async fn fetch(
    app: &Arc<App>,
    whole: Whole,
    service: &'static Service,
    until: Instant,
) -> Result<(Whole, Brought), Refusal> {
    if !app.callback.allowed() {
        return Ok((whole, Brought::nothing()));
    }
    let (whole, planned) = plan(app, whole, service).await?;
    let Some(Plan { base, token, gets, mut fetched }) = planned else { return Ok((whole, Brought::nothing())) };
    if gets.is_empty() {
        return Ok((whole, Brought { fetched, ..Brought::nothing() }));
    }
    let upstream = app.callback.servers.iter().find(|server| server.base == base);
    let started = Instant::now();
    let budget = Arc::new(Budget::new(app.held.clone()));
    let token = token.map(Arc::new);
    // Dropped with the request: a client that has gone is fetched nothing for.
    let mut fetching = JoinSet::new();
    let keys: Vec<&'static str> = gets.iter().map(|get| get.key.name).collect();
    for (get, upstream) in gets.into_iter().zip(std::iter::repeat(upstream)) {
        let Some(upstream) = upstream else { break };
        let (upstream, budget, token) = (upstream.clone(), budget.clone(), token.clone());
        fetching.spawn(async move { (get.key.name, one_key(&upstream, &get, token.as_deref(), until, &budget).await) });
    }
    let all = async {
        while let Some(done) = fetching.join_next().await {
            match done {
                Ok((key, got)) => drop(fetched.keys.insert(key, got)),
                Err(_) => drop(app.panics.fetch_add(1, Ordering::Relaxed)),
            }
        }
    };
    all.instrument(stage(Stage::Fetch)).await;
    for key in keys {
        fetched.keys.entry(key).or_insert(Err(Why::Fault));
    }
    let time = started.elapsed();
    app.callback.durations.count(time);
    Ok((whole, Brought { fetched, bytes: budget.taken(), time: Some(time), share: Some(budget) }))
}

/// What to fetch: a short request is read where the connection is served, a long one beside it.
async fn plan(app: &Arc<App>, whole: Whole, service: &'static Service) -> Result<(Whole, Option<Plan>), Refusal> {
    let own = app.clone();
    let work = move |whole: Whole| {
        let planned = catch_unwind(AssertUnwindSafe(|| fetch::plan(&whole.bytes, service, &own.settings)));
        (whole, planned)
    };
    let done = if whole.bytes.len() <= app.limits.at_once {
        Ok(work(whole))
    } else {
        let slot = app.slots.clone().try_acquire_owned().map_err(|_| Refusal::Overloaded)?;
        tokio::task::spawn_blocking(move || {
            let _slot = slot;
            work(whole)
        })
        .await
    };
    match done {
        Ok((whole, Ok(plan))) => Ok((whole, plan)),
        _ => {
            app.panics.fetch_add(1, Ordering::Relaxed);
            Err(Refusal::Fault)
        }
    }
}

/// One read, or one search with its pages. Ends at `until`.
async fn one_key(
    upstream: &Upstream,
    get: &Get,
    token: Option<&Token>,
    until: Instant,
    budget: &Budget,
) -> Result<Found, Why> {
    let mut url = Url::parse(&format!("{}/{}", upstream.base, get.path)).map_err(|_| Why::Fault)?;
    let (mut pages, mut entries, mut seen) = (Vec::new(), 0_usize, Vec::new());
    let searched = get.path.contains('?');
    let found = |pages: &[String], cut, enough| Ok(Found { text: fetch::joined(pages), cut, enough });
    loop {
        let got = match timeout_at(until, one_page(upstream, url.clone(), token, budget)).await {
            Ok(got) => got,
            Err(_) => Err(Why::Late),
        };
        let (text, page) = match got {
            Ok(got) => got,
            Err(why) if pages.is_empty() => return Err(why),
            Err(why) => return found(&pages, Some(why), false),
        };
        let Page { entries: Some(more), next } = page else {
            if pages.is_empty() {
                // A read, or something else than was asked for, which is judged like what is sent.
                return found(&[text], None, false);
            }
            return found(&pages, Some(Why::NoBundle), false);
        };
        entries += more;
        if entries > MOST_ENTRIES && !pages.is_empty() {
            return found(&pages, Some(Why::Entries), false);
        }
        pages.push(text);
        let Some(next) = next.filter(|_| searched) else { return found(&pages, None, false) };
        if get.enough.is_some_and(|enough| entries >= enough) {
            return found(&pages, None, true);
        }
        if pages.len() >= MOST_PAGES {
            return found(&pages, Some(Why::Pages), false);
        }
        let Some(address) = url.join(&next).ok().filter(|next| upstream.holds(next)) else {
            return found(&pages, Some(Why::NextElsewhere), false);
        };
        seen.push(std::mem::replace(&mut url, address));
        if seen.contains(&url) {
            return found(&pages, Some(Why::NextAgain), false);
        }
    }
}

/// One request and its answer.
async fn one_page(
    upstream: &Upstream,
    url: Url,
    token: Option<&Token>,
    budget: &Budget,
) -> Result<(String, Page), Why> {
    let client = upstream.to.client().ok_or(Why::Fault)?;
    if !upstream.holds(&url) {
        return Err(Why::Fault);
    }
    if !upstream.to.written_address_is_allowed() {
        return Err(Why::Address);
    }
    let _slot = upstream.slots.acquire().await.map_err(|_| Why::Fault)?;
    let mut headers = HeaderMap::new();
    headers.insert(header::ACCEPT, HeaderValue::from_static("application/fhir+json, application/json;q=0.9"));
    if let Some(token) = token {
        let mut value = HeaderValue::try_from(format!("Bearer {}", token.reveal())).map_err(|_| Why::TokenForm)?;
        value.set_sensitive(true);
        headers.insert(header::AUTHORIZATION, value);
    }
    let answer = client.get(url).headers(headers).send().await.map_err(|error| unreachable(&error))?;
    acceptable(&answer)?;
    let bytes = body(answer, budget).await?;
    let page = fetch::page(&bytes)?;
    Ok((String::from_utf8(bytes).map_err(|_| Why::NotJson)?, page))
}

/// Why there was no answer.
fn unreachable(error: &reqwest::Error) -> Why {
    match refused(error) {
        Some(Refused::Address) => return Why::Address,
        Some(Refused::Name) => return Why::Name,
        None => {}
    }
    if error.is_connect() { Why::Unreachable } else { Why::Interrupted }
}

/// Whether an answer is one to be read, by its status and headers.
fn acceptable(answer: &Response) -> Result<(), Why> {
    match answer.status() {
        StatusCode::OK => {}
        status if status.is_redirection() => return Err(Why::Redirect),
        StatusCode::UNAUTHORIZED | StatusCode::FORBIDDEN => return Err(Why::Denied),
        StatusCode::NOT_FOUND | StatusCode::GONE => return Err(Why::NotFound),
        status if status.is_server_error() => return Err(Why::Failed),
        _ => return Err(Why::Status),
    }
    let text = |name| answer.headers().get(name).and_then(|value| value.to_str().ok());
    let kind = text(header::CONTENT_TYPE).unwrap_or_default();
    let kind = kind.split(';').next().unwrap_or_default().trim().to_ascii_lowercase();
    if !matches!(kind.as_str(), "application/fhir+json" | "application/json") {
        return Err(Why::ContentType);
    }
    // Nothing is unpacked here, so that nothing can grow.
    if answer.headers().get(header::CONTENT_ENCODING).is_some_and(|value| value != "identity") {
        return Err(Why::Encoded);
    }
    if answer.content_length().is_some_and(|bytes| bytes > MOST_BYTES as u64) {
        return Err(Why::TooLarge);
    }
    Ok(())
}

async fn body(mut answer: Response, budget: &Budget) -> Result<Vec<u8>, Why> {
    let mut bytes = Vec::new();
    while let Some(chunk) = answer.chunk().await.map_err(|_| Why::Interrupted)? {
        if bytes.len() + chunk.len() > MOST_BYTES {
            return Err(Why::TooLarge);
        }
        budget.take(chunk.len())?;
        bytes.extend_from_slice(&chunk);
    }
    Ok(bytes)
}

/// What all answers over one request may hold, which counts among all bodies of the service.
pub struct Budget {
    taken: AtomicUsize,
    held: Arc<Semaphore>,
    shares: Mutex<Option<OwnedSemaphorePermit>>,
}

impl Budget {
    fn new(held: Arc<Semaphore>) -> Self {
        Self { taken: AtomicUsize::new(0), held, shares: Mutex::new(None) }
    }

    fn taken(&self) -> usize {
        self.taken.load(Ordering::Relaxed)
    }

    fn take(&self, bytes: usize) -> Result<(), Why> {
        if self.taken.fetch_add(bytes, Ordering::Relaxed) + bytes > MOST_BYTES_IN_ALL {
            return Err(Why::TooMuch);
        }
        let count = u32::try_from(bytes).map_err(|_| Why::TooLarge)?;
        let share = self.held.clone().try_acquire_many_owned(count).map_err(|_| Why::Busy)?;
        let mut shares = self.shares.lock().unwrap_or_else(PoisonError::into_inner);
        match &mut *shares {
            Some(held) => held.merge(share),
            none => *none = Some(share),
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::{BTreeMap, BTreeSet};

    fn upstream(base: &str, private_addresses: bool) -> Upstream {
        Upstream::new(&FhirServer {
            base: base.to_owned(),
            private_addresses,
            fhir: None,
            leave_out: BTreeSet::new(),
            templates: BTreeMap::new(),
        })
    }

    #[test]
    fn only_addresses_below_the_base_are_called() {
        let server = upstream("https://fhir.example/r4", false);
        let from = Url::parse("https://fhir.example/r4/Observation?patient=x").unwrap();
        let holds = |next: &str| from.join(next).is_ok_and(|url| server.holds(&url));
        for next in [
            "https://fhir.example/r4?_getpages=1",
            "https://fhir.example/r4/Observation?page=2",
            "https://fhir.example:443/r4/Observation?page=2",
            "HTTPS://FHIR.EXAMPLE/r4/Observation?page=2",
            "Observation?page=2",
            "?page=2",
            "/r4/Observation?page=2",
        ] {
            assert!(holds(next), "{next}");
        }
        for next in [
            "http://fhir.example/r4/Observation?page=2",
            "https://fhir.example:8443/r4/Observation?page=2",
            "https://evil.example/r4/Observation?page=2",
            "https://fhir.example.evil.example/r4/Observation",
            "https://fhir.example@evil.example/r4/Observation",
            "https://user@fhir.example/r4/Observation",
            "https://user:x@fhir.example/r4/Observation",
            "https://fhir.example./r4/Observation",
            "https://fhir.example\\@evil.example/r4/Observation",
            "//evil.example/r4/Observation",
            "/r5/Observation",
            "/r44/Observation",
            "../admin",
            "/r4/../admin",
            "/r4/%2e%2e/admin",
            "/r4/.%2e/admin",
            "/r4/..%2fadmin",
            "/r4/%2F..%2Fadmin",
            "/r4/%5c..%5cadmin",
            "/r4//evil.example",
            "/r4/Observation;jsessionid=1",
            "/r4/Observation#x",
            "ftp://fhir.example/r4/",
            "file:///etc/passwd",
            "javascript:alert(1)",
            "data:application/json,{}",
            "http://2130706433/r4",
            "http://0x7f000001/r4",
            "http://[::ffff:127.0.0.1]/r4",
            "http://169.254.169.254/latest/meta-data",
        ] {
            assert!(!holds(next), "{next}");
        }
    }

    #[test]
    fn a_written_address_is_judged_as_a_resolved_one_is() {
        for (base, private, allowed) in [
            ("https://127.0.0.1/fhir", false, false),
            ("https://127.0.0.1/fhir", true, true),
            ("https://10.0.0.1/fhir", false, false),
            ("https://10.0.0.1/fhir", true, true),
            ("https://[::1]/fhir", false, false),
            ("https://[::ffff:127.0.0.1]/fhir", false, false),
            ("https://[::ffff:10.0.0.1]/fhir", false, false),
            ("https://[::ffff:169.254.169.254]/fhir", true, false),
            ("https://169.254.169.254/fhir", true, false),
            ("https://2130706433/fhir", false, false),
            ("https://0x7f.1/fhir", false, false),
            ("http://10.0.0.1/fhir", true, false),
            ("http://8.8.8.8/fhir", true, false),
            ("http://127.0.0.1/fhir", true, true),
            ("https://8.8.8.8/fhir", false, true),
            ("https://fhir.example/fhir", false, true),
        ] {
            assert_eq!(upstream(base, private).to.written_address_is_allowed(), allowed, "{base} {private}");
        }
        assert!(upstream("http://127.0.0.1/fhir", false).to.client().is_none(), "without TLS only where it is listed");
    }

    #[test]
    fn answers_together_are_bounded() {
        let budget = Budget::new(Arc::new(Semaphore::new(16 << 20)));
        assert_eq!(budget.take(MOST_BYTES_IN_ALL), Ok(()));
        assert_eq!(budget.take(1), Err(Why::TooMuch));
        let busy = Budget::new(Arc::new(Semaphore::new(10)));
        assert_eq!((busy.take(8), busy.take(8)), (Ok(()), Err(Why::Busy)));
    }
}
