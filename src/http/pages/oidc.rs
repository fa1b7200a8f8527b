//! Signing in at the institution's provider: OpenID Connect, authorization code with PKCE (RFC 7636), state and nonce.
//!
//! 1. [`Provider::begin`] remembers what this sign-in began with and gives the provider's address to go to.
//! 2. The provider sends the browser back with a code; [`Provider::finish`] trades it for an ID token over a connection of
//!    its own and verifies that.
//!
//! INVARIANT: codes, tokens and the secret are in no log line and no answer.

use super::people::{Job, Person};
use crate::access::id_token::{self, Expected};
use crate::access::keys::{Key, LIMIT};
use base64::Engine;
use base64::engine::general_purpose::{STANDARD, URL_SAFE_NO_PAD};
use jiff::{SignedDuration, Timestamp};
use reqwest::redirect::Policy;
use reqwest::{Certificate, Client};
use serde::Deserialize;
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use uuid::Uuid;

/// Sign-ins that were begun and not finished; the oldest gives way.
const MOST_BEGUN: usize = 1000;
/// Longest time between beginning and end of one.
const TIME: SignedDuration = SignedDuration::from_mins(10);
/// For one question to the provider.
const PATIENCE: Duration = Duration::from_secs(5);
/// How long what the provider says of itself is used.
const FRESH: SignedDuration = SignedDuration::from_hours(1);
/// Between two fetches of its keys for a token whose key is not there.
const INTERVAL: SignedDuration = SignedDuration::from_mins(1);

/// What the institution says of its provider.
#[derive(Clone, Debug)]
pub struct Config {
    /// Its name on the page.
    pub name: String,
    /// `issuer`, exactly.
    pub issuer: String,
    /// This service, as the provider knows it.
    pub client_id: String,
    /// The secret; none for a public client.
    pub secret: Option<String>,
    /// What is asked for beside `openid`.
    pub scopes: Vec<String>,
    /// The claim that holds groups.
    pub groups: String,
    /// Which group has which job; the first that fits counts.
    pub jobs: Vec<(String, Job)>,
    /// Address of this service, as browsers reach it.
    pub public_url: String,
    /// Seconds by which clocks may differ.
    pub leeway: i64,
}

#[derive(Clone, Debug, Deserialize)]
struct Metadata {
    issuer: String,
    authorization_endpoint: String,
    token_endpoint: String,
    jwks_uri: String,
}

#[derive(Deserialize)]
struct Tokens {
    id_token: String,
}

struct Begun {
    at: Timestamp,
    browser: String,
    nonce: String,
    verifier: String,
    next: String,
}

#[derive(Default)]
struct Known {
    metadata: Option<(Metadata, Timestamp)>,
    keys: Option<(crate::access::keys::Keys, Timestamp)>,
}

/// Why somebody could not be signed in. For the log a code, for people words.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum NotKnown {
    /// The provider does not answer as it should.
    Provider(&'static str),
    /// This sign-in was not begun here, was finished already, took too long, or was begun in another browser.
    NotBegun,
    /// The provider refused.
    Refused,
    /// Its token is not taken.
    Token(&'static str),
    /// A person of the institution, without a job here.
    NoJob,
}

/// A provider of OpenID Connect.
pub struct Provider {
    config: Config,
    client: Client,
    begun: Mutex<BTreeMap<String, Begun>>,
    known: Mutex<Known>,
}

fn random() -> String {
    format!("{}{}", Uuid::new_v4().simple(), Uuid::new_v4().simple())
}

fn locked<T>(of: &Mutex<T>) -> MutexGuard<'_, T> {
    of.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Over TLS, or on this machine.
fn trusted(url: &str) -> bool {
    let Ok(uri) = url.parse::<http::Uri>() else { return false };
    let Some(authority) = uri.authority() else { return false };
    let host = authority.host().trim_start_matches('[').trim_end_matches(']');
    let loopback = host.parse::<std::net::IpAddr>().is_ok_and(|ip| ip.is_loopback());
    !authority.as_str().contains('@')
        && (uri.scheme_str() == Some("https") || uri.scheme_str() == Some("http") && loopback)
}

impl Provider {
    /// A provider; `roots` are the certification authorities to trust instead of the machine's own.
    ///
    /// # Errors
    /// When there is no TLS to ask it with.
    pub fn new(config: Config, roots: Vec<Certificate>) -> Result<Self, String> {
        let mut client = Client::builder().redirect(Policy::none()).no_proxy().timeout(PATIENCE);
        if !roots.is_empty() || config.issuer.starts_with("http:") {
            client = client.tls_certs_only(roots);
        }
        let client =
            client.build().map_err(|_| "the provider cannot be asked: no certification authorities".to_owned())?;
        Ok(Self { config, client, begun: Mutex::default(), known: Mutex::default() })
    }

    /// Its name on the page.
    pub fn name(&self) -> &str {
        &self.config.name
    }

    fn redirect_uri(&self) -> String {
        format!("{}/sign-in/answer", self.config.public_url)
    }

    async fn get(&self, url: &str) -> Result<Vec<u8>, NotKnown> {
        if !trusted(url) {
            return Err(NotKnown::Provider("an address that is neither https nor on this machine"));
        }
        let mut answer = self
            .client
            .get(url)
            .header("accept", "application/json")
            .send()
            .await
            .map_err(|_| NotKnown::Provider("no connection, or no answer in time"))?;
        if answer.status() != reqwest::StatusCode::OK {
            return Err(NotKnown::Provider("an answer with another status than 200"));
        }
        let mut text = Vec::new();
        while let Some(part) = answer.chunk().await.map_err(|_| NotKnown::Provider("an answer that broke off"))? {
            if text.len() + part.len() > LIMIT {
                return Err(NotKnown::Provider("an answer that is too large"));
            }
            text.extend_from_slice(&part);
        }
        Ok(text)
    }

    async fn metadata(&self, now: Timestamp) -> Result<Metadata, NotKnown> {
        if let Some((metadata, at)) = &locked(&self.known).metadata
            && now.duration_since(*at) < FRESH
        {
            return Ok(metadata.clone());
        }
        let url = format!("{}/.well-known/openid-configuration", self.config.issuer.trim_end_matches('/'));
        let text = self.get(&url).await?;
        let metadata: Metadata =
            serde_json::from_slice(&text).map_err(|_| NotKnown::Provider("no configuration that can be read"))?;
        // OpenID Connect Discovery 1.0, section 4.3.
        if metadata.issuer != self.config.issuer {
            return Err(NotKnown::Provider("a configuration of another issuer"));
        }
        if ![&metadata.authorization_endpoint, &metadata.token_endpoint, &metadata.jwks_uri]
            .iter()
            .all(|url| trusted(url))
        {
            return Err(NotKnown::Provider("an address that is neither https nor on this machine"));
        }
        locked(&self.known).metadata = Some((metadata.clone(), now));
        Ok(metadata)
    }

    async fn key(&self, metadata: &Metadata, kid: Option<&str>, now: Timestamp) -> Result<Key, NotKnown> {
        let find = |keys: &crate::access::keys::Keys| kid.and_then(|kid| keys.find(kid).cloned());
        let tried = {
            let known = locked(&self.known);
            if let Some((keys, at)) = &known.keys
                && now.duration_since(*at) < FRESH
                && let Some(key) = find(keys)
            {
                return Ok(key);
            }
            known.keys.as_ref().is_some_and(|(_, at)| now.duration_since(*at) < INTERVAL)
        };
        if tried {
            return Err(NotKnown::Token("unknown-key"));
        }
        let text = self.get(&metadata.jwks_uri).await?;
        let keys = id_token::keys(&text).map_err(|_| NotKnown::Provider("no key set that can be used"))?;
        let found = find(&keys);
        locked(&self.known).keys = Some((keys, now));
        found.ok_or(NotKnown::Token("unknown-key"))
    }

    /// Begins a sign-in: the provider's address to go to, and a word that the browser keeps as a cookie.
    ///
    /// # Errors
    /// When the provider does not answer.
    pub async fn begin(&self, next: &str, now: Timestamp) -> Result<(String, String), NotKnown> {
        let metadata = self.metadata(now).await?;
        let (state, nonce, verifier, browser) = (random(), random(), random(), random());
        let challenge = URL_SAFE_NO_PAD.encode(Sha256::digest(verifier.as_bytes()));
        let mut query = form_urlencoded::Serializer::new(String::new());
        let scope = std::iter::once("openid")
            .chain(self.config.scopes.iter().map(String::as_str))
            .collect::<Vec<_>>()
            .join(" ");
        query
            .append_pair("response_type", "code")
            .append_pair("client_id", &self.config.client_id)
            .append_pair("redirect_uri", &self.redirect_uri())
            .append_pair("scope", &scope)
            .append_pair("state", &state)
            .append_pair("nonce", &nonce)
            .append_pair("code_challenge", &challenge)
            .append_pair("code_challenge_method", "S256");
        let joint = if metadata.authorization_endpoint.contains('?') { '&' } else { '?' };
        let to = format!("{}{joint}{}", metadata.authorization_endpoint, query.finish());
        let mut begun = locked(&self.begun);
        begun.retain(|_, b| now.duration_since(b.at) < TIME);
        while begun.len() >= MOST_BEGUN {
            let oldest = begun.iter().min_by_key(|(_, b)| b.at).map(|(state, _)| state.clone());
            let Some(oldest) = oldest else { break };
            begun.remove(&oldest);
        }
        begun.insert(state, Begun { at: now, browser: browser.clone(), nonce, verifier, next: next.to_owned() });
        Ok((to, browser))
    }

    /// Ends a sign-in with what the provider sent along: who it is, and where they wanted to go.
    ///
    /// # Errors
    /// Why it is not known who it is.
    pub async fn finish(
        &self,
        (state, code, issuer, error): (&str, &str, &str, &str),
        browser: &str,
        now: Timestamp,
    ) -> Result<(Person, String), NotKnown> {
        // Whatever comes of it, a state is good once.
        let begun = locked(&self.begun).remove(state).ok_or(NotKnown::NotBegun)?;
        let same: [u8; 32] = Sha256::digest(begun.browser.as_bytes()).into();
        let given: [u8; 32] = Sha256::digest(browser.as_bytes()).into();
        if now.duration_since(begun.at) >= TIME || same != given {
            return Err(NotKnown::NotBegun);
        }
        // RFC 9207: an answer of another provider is none.
        if !issuer.is_empty() && issuer != self.config.issuer {
            return Err(NotKnown::NotBegun);
        }
        if !error.is_empty() || code.is_empty() {
            return Err(NotKnown::Refused);
        }
        let metadata = self.metadata(now).await?;
        let token = self.trade(&metadata, code, &begun.verifier).await?;
        let kid = id_token::key_id(&token).map_err(|reason| NotKnown::Token(reason.code()))?;
        let key = self.key(&metadata, kid.as_deref(), now).await?;
        let expected = Expected {
            issuer: &self.config.issuer,
            client_id: &self.config.client_id,
            nonce: &begun.nonce,
            now: now.as_second(),
            leeway: self.config.leeway,
            groups: &self.config.groups,
        };
        let known = id_token::verify(&token, &key, &expected).map_err(|reason| NotKnown::Token(reason.code()))?;
        let job = self.config.jobs.iter().find(|(group, _)| known.groups.contains(group)).map(|(_, job)| *job);
        let job = job.ok_or(NotKnown::NoJob)?;
        Ok((Person { id: known.subject, name: known.name, job }, begun.next))
    }

    /// The ID token for a code.
    async fn trade(&self, metadata: &Metadata, code: &str, verifier: &str) -> Result<String, NotKnown> {
        let redirect_uri = self.redirect_uri();
        let mut pairs = vec![
            ("grant_type", "authorization_code"),
            ("code", code),
            ("redirect_uri", &redirect_uri),
            ("code_verifier", verifier),
        ];
        let mut request = self.client.post(&metadata.token_endpoint).header("accept", "application/json");
        match &self.config.secret {
            // RFC 6749, section 2.3.1: both parts are encoded as in a form first.
            Some(secret) => {
                let encoded = |text: &str| form_urlencoded::byte_serialize(text.as_bytes()).collect::<String>();
                let both = format!("{}:{}", encoded(&self.config.client_id), encoded(secret));
                request = request.header("authorization", format!("Basic {}", STANDARD.encode(both)));
            }
            None => pairs.push(("client_id", &self.config.client_id)),
        }
        let form = form_urlencoded::Serializer::new(String::new()).extend_pairs(pairs).finish();
        let request = request.header("content-type", "application/x-www-form-urlencoded").body(form);
        let mut answer = request.send().await.map_err(|_| NotKnown::Provider("no connection, or no answer in time"))?;
        if answer.status() != reqwest::StatusCode::OK {
            return Err(NotKnown::Refused);
        }
        let mut text = Vec::new();
        while let Some(part) = answer.chunk().await.map_err(|_| NotKnown::Provider("an answer that broke off"))? {
            if text.len() + part.len() > LIMIT {
                return Err(NotKnown::Provider("an answer that is too large"));
            }
            text.extend_from_slice(&part);
        }
        let tokens: Tokens =
            serde_json::from_slice(&text).map_err(|_| NotKnown::Provider("an answer without an ID token"))?;
        Ok(tokens.id_token)
    }
}
