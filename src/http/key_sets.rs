//! Keys that issuers publish under an address: fetched from configured addresses alone, kept for a while, and asked for
//! again at most once per interval, whatever tokens say.

use super::metrics::Counters;
use crate::access::Access;
use crate::access::keys::{Key, Keys, LIMIT};
use crate::access::token::Reason;
use reqwest::redirect::Policy;
use reqwest::{Certificate, Client, StatusCode};
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use tokio::time::Instant;

/// Counter of fetches.
pub const FETCHED: &str = "enteral_gate_key_sets_fetched_total";

/// How often is asked, and how long an answer is good.
#[derive(Clone, Copy, Debug)]
pub struct Pace {
    /// Keys younger than this are used without asking again.
    pub fresh: Duration,
    /// Keys older than this are not used, even when newer ones cannot be had.
    pub usable: Duration,
    /// Between two fetches from one address, whether the last one failed or did not hold the key that a token names.
    pub interval: Duration,
    /// For one fetch, from the first packet to the last.
    pub time: Duration,
}

impl Default for Pace {
    fn default() -> Self {
        Self {
            fresh: Duration::from_secs(3600),
            usable: Duration::from_secs(24 * 3600),
            interval: Duration::from_secs(60),
            time: Duration::from_secs(3),
        }
    }
}

#[derive(Default)]
struct State {
    keys: Option<(Arc<Keys>, Instant)>,
    tried: Option<Instant>,
}

#[derive(Default)]
struct Set {
    state: Mutex<State>,
    fetching: tokio::sync::Mutex<()>,
}

/// The key sets of all configured addresses.
pub struct KeySets {
    sets: BTreeMap<String, Set>,
    client: Option<Client>,
    pace: Pace,
}

impl KeySets {
    /// For the addresses in `access`; `roots` are the certification authorities to trust instead of the machine's own.
    ///
    /// # Errors
    /// When there is no TLS to fetch with.
    pub fn new(access: &Access, roots: Vec<Certificate>, pace: Pace) -> Result<Self, String> {
        let urls = access.issuers.iter().flat_map(|issuer| issuer.key_urls.iter().cloned());
        let sets: BTreeMap<String, Set> = urls.map(|url| (url, Set::default())).collect();
        if sets.is_empty() {
            return Ok(Self { sets, client: None, pace });
        }
        // No redirects: the address that is configured is the one that is trusted.
        let mut client = Client::builder().redirect(Policy::none()).no_proxy().timeout(pace.time);
        // Where nothing is fetched over TLS, the machine need not have authorities.
        if !roots.is_empty() || !sets.keys().any(|url| url.starts_with("https:")) {
            client = client.tls_certs_only(roots);
        }
        let client = client.build().map_err(|_| "keys cannot be fetched: no certification authorities".to_owned())?;
        Ok(Self { sets, client: Some(client), pace })
    }

    /// The key with this `kid` at this address.
    ///
    /// # Errors
    /// When it is not there, or nothing can be had from the address.
    pub async fn key(&self, url: &str, kid: &str, counters: &Counters) -> Result<Key, Reason> {
        let set = self.sets.get(url).ok_or(Reason::KeyUrl)?;
        if let Some(key) = self.kept(set, kid, self.pace.fresh) {
            return Ok(key);
        }
        let _alone = match set.fetching.try_lock() {
            Ok(alone) => alone,
            Err(_) => {
                // Somebody is asking already. Who has a key goes on with it.
                if let Some(key) = self.kept(set, kid, self.pace.usable) {
                    return Ok(key);
                }
                set.fetching.lock().await
            }
        };
        if let Some(key) = self.kept(set, kid, self.pace.fresh) {
            return Ok(key);
        }
        self.renew(url, set, counters).await;
        let usable = locked(&set.state).keys.as_ref().is_some_and(|(_, at)| at.elapsed() < self.pace.usable);
        if !usable {
            return Err(Reason::KeysUnavailable);
        }
        self.kept(set, kid, self.pace.usable).ok_or(Reason::UnknownKey)
    }

    /// Fetches every key set, so that no call has to wait for one. Ends when all were asked for.
    pub async fn renew_all(&self, counters: &Counters) {
        for (url, set) in &self.sets {
            let _alone = set.fetching.lock().await;
            self.renew(url, set, counters).await;
        }
    }

    /// How long to wait between two of those.
    pub fn renewal(&self) -> Duration {
        self.pace.fresh / 2
    }

    /// Asks an address, unless it was asked a moment ago. The caller holds `fetching`.
    async fn renew(&self, url: &str, set: &Set, counters: &Counters) {
        {
            let mut state = locked(&set.state);
            if state.tried.is_some_and(|at| at.elapsed() < self.pace.interval) {
                return;
            }
            state.tried = Some(Instant::now());
        }
        let result = match self.fetch(url).await {
            Ok(keys) => {
                locked(&set.state).keys = Some((Arc::new(keys), Instant::now()));
                "taken"
            }
            Err(why) => {
                tracing::warn!(url, why, "keys could not be fetched; keys fetched before stay in use for a day");
                "refused"
            }
        };
        counters.add(FETCHED, format!("result=\"{result}\""), 1);
    }

    fn kept(&self, set: &Set, kid: &str, age: Duration) -> Option<Key> {
        let keys = {
            let state = locked(&set.state);
            state.keys.as_ref().filter(|(_, at)| at.elapsed() < age).map(|(keys, _)| keys.clone())?
        };
        keys.find(kid).cloned()
    }

    async fn fetch(&self, url: &str) -> Result<Keys, String> {
        let client = self.client.as_ref().ok_or("no address is configured")?;
        // Errors of the library may repeat the address and nothing else; their kind is enough.
        let kind = |error: reqwest::Error| {
            if error.is_timeout() { "it took too long" } else { "no connection, or no answer of HTTP" }.to_owned()
        };
        let mut answer = client.get(url).header("accept", "application/json").send().await.map_err(kind)?;
        if answer.status() != StatusCode::OK {
            return Err(format!("the answer has status {}", answer.status().as_u16()));
        }
        let mut text = Vec::new();
        while let Some(part) = answer.chunk().await.map_err(kind)? {
            if text.len() + part.len() > LIMIT {
                return Err("the answer is larger than a key set may be".to_owned());
            }
            text.extend_from_slice(&part);
        }
        Keys::read(&text).map_err(|unusable| unusable.to_string())
    }
}

fn locked(state: &Mutex<State>) -> MutexGuard<'_, State> {
    state.lock().unwrap_or_else(PoisonError::into_inner)
}
