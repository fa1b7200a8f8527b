//! Signing in at the institution's provider: OpenID Connect, authorization code with PKCE (RFC 7636), state and nonce.
//!
//! 1. [`Provider::begin`] gives the provider's address to go to, and what this sign-in began with, sealed, for the browser to
//!    keep. Nothing of it is kept here, so nobody can crowd out the sign-ins of others.
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
use jsonwebtoken::{Algorithm, DecodingKey, EncodingKey, Header, Validation};
use reqwest::redirect::Policy;
use reqwest::{Certificate, Client};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use uuid::Uuid;

/// Sign-ins that were finished and are remembered, so that none is finished twice; the oldest gives way.
const MOST_FINISHED: usize = 10_000;
/// Longest address to go to afterwards.
const LONGEST_NEXT: usize = 512;
/// How long nobody is sent to a provider that did not answer.
const PAUSE: SignedDuration = SignedDuration::from_secs(5);
/// Longest time between beginning and end of one.
const TIME: SignedDuration = SignedDuration::from_mins(10);
/// For one question to the provider.
const PATIENCE: Duration = Duration::from_secs(5);
/// How long what the provider says of itself is used.
const FRESH: SignedDuration = SignedDuration::from_hours(1);
/// Between two fetches of its keys for a token whose key is not there.
const INTERVAL: SignedDuration = SignedDuration::from_mins(1);

/// What the institution says of its provider.
#[derive(Clone, Debug, PartialEq, Eq)]
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
struct TokenError {
    error: String,
}

#[derive(Deserialize)]
struct Tokens {
    id_token: String,
}

/// What the browser keeps of a sign-in that was begun: a JWT that only this process can make.
#[derive(Deserialize, Serialize)]
struct Begun {
    at: i64,
    state: String,
    nonce: String,
    verifier: String,
    next: String,
}

#[derive(Default)]
struct Known {
    metadata: Option<(Metadata, Timestamp)>,
    keys: Option<(crate::access::keys::Keys, Timestamp)>,
    away: Option<(NotKnown, Timestamp)>,
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

impl NotKnown {
    /// For logs and the audit trail.
    pub fn code(&self) -> &'static str {
        match self {
            Self::Provider(_) => "provider",
            Self::NotBegun => "not-begun",
            Self::Refused => "refused",
            Self::Token(code) => code,
            Self::NoJob => "no-job",
        }
    }
}

/// A provider of OpenID Connect.
pub struct Provider {
    config: Config,
    client: Client,
    seal: (EncodingKey, DecodingKey),
    finished: Mutex<BTreeMap<String, Timestamp>>,
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
        let secret = random();
        let seal = (EncodingKey::from_secret(secret.as_bytes()), DecodingKey::from_secret(secret.as_bytes()));
        Ok(Self { config, client, seal, finished: Mutex::default(), known: Mutex::default() })
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
        {
            let known = locked(&self.known);
            if let Some((metadata, at)) = &known.metadata
                && now.duration_since(*at) < FRESH
            {
                return Ok(metadata.clone());
            }
            if let Some((why, at)) = &known.away
                && now.duration_since(*at) < PAUSE
            {
                return Err(why.clone());
            }
        }
        let fetched = self.fetch_metadata().await;
        let mut known = locked(&self.known);
        match &fetched {
            Ok(metadata) => (known.metadata, known.away) = (Some((metadata.clone(), now)), None),
            Err(why) => known.away = Some((why.clone(), now)),
        }
        fetched
    }

    async fn fetch_metadata(&self) -> Result<Metadata, NotKnown> {
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

    /// Begins a sign-in: the provider's address to go to, and what the browser keeps as a cookie.
    ///
    /// # Errors
    /// When the provider does not answer.
    pub async fn begin(&self, next: &str, now: Timestamp) -> Result<(String, String), NotKnown> {
        let metadata = self.metadata(now).await?;
        let (state, nonce, verifier) = (random(), random(), random());
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
        let next = if next.len() > LONGEST_NEXT { "/queue" } else { next }.to_owned();
        let begun = Begun { at: now.as_second(), state, nonce, verifier, next };
        let kept = jsonwebtoken::encode(&Header::new(Algorithm::HS256), &begun, &self.seal.0)
            .map_err(|_| NotKnown::Token("cannot be sealed"))?;
        Ok((to, kept))
    }

    /// What a browser kept, if it was made here, for this state, not too long ago, and not finished yet.
    fn begun(&self, state: &str, kept: &str, now: Timestamp) -> Result<Begun, NotKnown> {
        let mut how = Validation::new(Algorithm::HS256);
        // Its time is judged here, by the time of the call.
        how.validate_exp = false;
        how.required_spec_claims.clear();
        let begun = jsonwebtoken::decode::<Begun>(kept, &self.seal.1, &how).map_err(|_| NotKnown::NotBegun)?.claims;
        let same: [u8; 32] = Sha256::digest(begun.state.as_bytes()).into();
        let given: [u8; 32] = Sha256::digest(state.as_bytes()).into();
        let age = now.as_second() - begun.at;
        // The clock may be set back a little meanwhile.
        if same != given || !(-60..TIME.as_secs()).contains(&age) {
            return Err(NotKnown::NotBegun);
        }
        // Whatever comes of it, a state is good once.
        let mut finished = locked(&self.finished);
        finished.retain(|_, at| now.duration_since(*at) < TIME);
        if finished.insert(begun.state.clone(), now).is_some() {
            return Err(NotKnown::NotBegun);
        }
        if finished.len() > MOST_FINISHED {
            let oldest = finished.iter().min_by_key(|(_, at)| **at).map(|(state, _)| state.clone());
            oldest.map(|oldest| finished.remove(&oldest));
        }
        Ok(begun)
    }

    /// Ends a sign-in with what the provider sent along: who it is, and where they wanted to go.
    ///
    /// # Errors
    /// Why it is not known who it is.
    pub async fn finish(
        &self,
        (state, code, issuer, error): (&str, &str, &str, &str),
        kept: &str,
        now: Timestamp,
    ) -> Result<(Person, String), NotKnown> {
        let begun = self.begun(state, kept, now)?;
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
        // What is not seen in a name could make it read as another's.
        Ok((Person { id: known.subject, name: crate::sheet::seen(&known.name), job }, begun.next))
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
        let status = answer.status();
        let mut text = Vec::new();
        while let Some(part) = answer.chunk().await.map_err(|_| NotKnown::Provider("an answer that broke off"))? {
            if text.len() + part.len() > LIMIT {
                return Err(NotKnown::Provider("an answer that is too large"));
            }
            text.extend_from_slice(&part);
        }
        // RFC 6749, section 5.2: only this one is about the person's sign-in, not about this service.
        if status == reqwest::StatusCode::BAD_REQUEST
            && serde_json::from_slice::<TokenError>(&text).is_ok_and(|said| said.error == "invalid_grant")
        {
            return Err(NotKnown::Refused);
        }
        if status != reqwest::StatusCode::OK {
            return Err(NotKnown::Provider("no ID token for the code: another status than 200"));
        }
        let tokens: Tokens =
            serde_json::from_slice(&text).map_err(|_| NotKnown::Provider("an answer without an ID token"))?;
        Ok(tokens.id_token)
    }
}
