//! One message to one endpoint.

use crate::http::callback::outward::{Outward, no_answer};
use crate::subscriptions::Subscriber;
use crate::subscriptions::notification::{Event, notification};
use crate::subscriptions::signature::{ID, SIGNATURE, TIMESTAMP, signatures};
use http::{HeaderMap, HeaderValue, header};
use jiff::Timestamp;
use serde_json::Value;
use std::time::Duration;

/// Bytes of an answer that are read, so that the connection can be used again; nobody looks at them.
const MOST_OF_AN_ANSWER: usize = 16 << 10;
/// Idle connections.
const IDLE: usize = 8;

/// Where a subscriber is told.
pub(super) struct Endpoint {
    pub(super) subscriber: Subscriber,
    to: Outward,
}

impl Endpoint {
    pub(super) fn new(subscriber: Subscriber) -> Self {
        let time = Duration::from_secs(subscriber.timeout.into());
        let to = Outward::new(&subscriber.endpoint, subscriber.private_addresses, IDLE, |client| client.timeout(time));
        Self { subscriber, to }
    }

    /// Sends a message; `Ok` means that it was answered with success.
    ///
    /// # Errors
    /// A word of the program for what went wrong.
    pub(super) async fn send(&self, base: &str, event: &Event, task: Option<Value>) -> Result<(), String> {
        let (Some(client), Some(url)) = (self.to.client(), self.to.at()) else { return Err("address".to_owned()) };
        if !self.to.written_address_is_allowed() {
            return Err("address".to_owned());
        }
        let body = notification(base, &self.subscriber, event, task).to_string();
        let headers = self.headers(event, Timestamp::now().as_second(), &body).ok_or("headers")?;
        let sent = client.post(url.clone()).headers(headers).body(body).send().await;
        let mut answer = sent.map_err(|error| no_answer(&error).to_owned())?;
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
