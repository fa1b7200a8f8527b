//! One message to one endpoint.

use crate::http::callback::address::Reach;
use crate::http::callback::resolver::{Pinned, Refused};
use crate::subscriptions::Subscriber;
use crate::subscriptions::notification::{Event, notification};
use crate::subscriptions::signature::{ID, SIGNATURE, TIMESTAMP, signatures};
use http::{HeaderMap, HeaderValue, header};
use jiff::Timestamp;
use reqwest::{Client, Url};
use serde_json::Value;
use std::sync::Arc;
use std::time::Duration;

/// Bytes of an answer that are read, so that the connection can be used again; nobody looks at them.
const MOST_OF_AN_ANSWER: usize = 16 << 10;
/// Idle connections, and for how long.
const IDLE: (usize, Duration) = (8, Duration::from_secs(30));

/// Where a subscriber is told.
pub(super) struct Endpoint {
    pub(super) subscriber: Subscriber,
    url: Option<Url>,
    reach: Reach,
    client: Option<Client>,
}

impl Endpoint {
    pub(super) fn new(subscriber: Subscriber) -> Self {
        let url = Url::parse(&subscriber.endpoint).ok();
        let secure = url.as_ref().is_some_and(|at| at.scheme() == "https");
        let reach = match (secure, subscriber.private_addresses) {
            (true, true) => Reach::Private,
            (true, false) => Reach::Public,
            (false, _) => Reach::Loopback,
        };
        let client = Client::builder()
            .redirect(reqwest::redirect::Policy::none())
            .no_proxy()
            .referer(false)
            .retry(reqwest::retry::never())
            .https_only(secure)
            .dns_resolver(Arc::new(Pinned::new(reach)))
            .timeout(Duration::from_secs(subscriber.timeout.into()))
            .pool_max_idle_per_host(IDLE.0)
            .pool_idle_timeout(IDLE.1)
            .user_agent(concat!("enteral-gate/", env!("CARGO_PKG_VERSION")))
            .build();
        // A system on this machine is told without TLS only where that is declared.
        let allowed = secure || subscriber.private_addresses;
        Self { url, reach, client: client.ok().filter(|_| allowed), subscriber }
    }

    /// A connection to a written address asks no resolver.
    fn written_address_is_allowed(&self) -> bool {
        let host = self.url.as_ref().and_then(Url::host_str).unwrap_or_default();
        let bare = host.trim_start_matches('[').trim_end_matches(']');
        bare.parse().map_or(true, |address| self.reach.allows(address))
    }

    /// Sends a message; `Ok` means that it was answered with success.
    ///
    /// # Errors
    /// A word of the program for what went wrong.
    pub(super) async fn send(&self, base: &str, event: &Event, task: Option<Value>) -> Result<(), String> {
        let (Some(client), Some(url)) = (&self.client, &self.url) else { return Err("address".to_owned()) };
        if !self.written_address_is_allowed() {
            return Err("address".to_owned());
        }
        let body = notification(base, &self.subscriber, event, task).to_string();
        let headers = self.headers(event, Timestamp::now().as_second(), &body).ok_or("headers")?;
        let sent = client.post(url.clone()).headers(headers).body(body).send().await;
        let mut answer = sent.map_err(|error| reason(&error).to_owned())?;
        let status = answer.status();
        let mut read = 0;
        // Whether it arrived is said by the status alone.
        while let Ok(Some(chunk)) = answer.chunk().await {
            read += chunk.len();
            if read > MOST_OF_AN_ANSWER {
                break;
            }
        }
        if status.is_success() {
            return Ok(());
        }
        Err(if status.is_redirection() { "redirect".to_owned() } else { format!("status-{}", status.as_u16()) })
    }

    fn headers(&self, event: &Event, now: i64, body: &str) -> Option<HeaderMap> {
        let subscriber = &self.subscriber;
        let id = event.id.to_string();
        let mut headers = HeaderMap::new();
        let kind = format!("application/fhir+json; fhirVersion={}", subscriber.fhir.mime());
        headers.insert(header::CONTENT_TYPE, HeaderValue::try_from(kind).ok()?);
        headers.insert(ID, HeaderValue::try_from(&id).ok()?);
        headers.insert(TIMESTAMP, HeaderValue::from(now));
        let signature = signatures(&subscriber.secrets, &id, now, body);
        headers.insert(SIGNATURE, HeaderValue::try_from(signature).ok()?);
        if let Some(bearer) = &subscriber.bearer {
            let mut value = HeaderValue::try_from(format!("Bearer {}", bearer.reveal())).ok()?;
            value.set_sensitive(true);
            headers.insert(header::AUTHORIZATION, value);
        }
        Some(headers)
    }
}

/// Why there was no answer.
fn reason(error: &reqwest::Error) -> &'static str {
    let mut source: Option<&dyn std::error::Error> = Some(error);
    while let Some(inner) = source {
        if let Some(refused) = inner.downcast_ref::<Refused>() {
            return match refused {
                Refused::Address => "address",
                Refused::Name => "name",
            };
        }
        source = inner.source();
    }
    if error.is_timeout() {
        "late"
    } else if error.is_connect() {
        "unreachable"
    } else {
        "interrupted"
    }
}
