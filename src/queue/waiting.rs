//! An order on its way to the queue, as it is written down while it waits for that.

use super::item::{CardShown, OrderKey, Received};
use super::report::Report;
use crate::sheet::Identity;
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// An order as it is written.
#[derive(Serialize)]
#[serde(rename_all = "camelCase")]
struct Written<'o> {
    key: &'o OrderKey,
    content: &'o str,
    label: &'o str,
    through: &'o str,
    resource: &'o str,
    identity: &'o Identity,
    ward: &'o Option<String>,
    starts: Option<Timestamp>,
    at: Timestamp,
    report: &'o Report,
    cards: Vec<(&'o str, &'o [String])>,
}

/// The same as it is read.
#[derive(Deserialize)]
#[serde(rename_all = "camelCase")]
struct ReadBack {
    key: OrderKey,
    content: String,
    label: String,
    through: String,
    resource: String,
    identity: Identity,
    ward: Option<String>,
    starts: Option<Timestamp>,
    at: Timestamp,
    report: Report,
    cards: Vec<(String, Vec<String>)>,
}

/// An order as JSON.
///
/// # Errors
/// None that is known: texts and numbers only.
pub fn written(order: &Received) -> Result<Vec<u8>, serde_json::Error> {
    serde_json::to_vec(&Written {
        key: &order.key,
        content: &order.content,
        label: &order.label,
        through: &order.through,
        resource: &order.resource,
        identity: &order.identity,
        ward: &order.ward,
        starts: order.starts,
        at: order.at,
        report: &order.report,
        cards: order.cards.iter().map(|card| (card.id.as_str(), card.rules.as_slice())).collect(),
    })
}

/// The order of such JSON; when it was kept is not in it.
///
/// # Errors
/// Where it is none.
pub fn read_back(text: &[u8]) -> Result<Received, serde_json::Error> {
    let read: ReadBack = serde_json::from_slice(text)?;
    Ok(Received {
        key: read.key,
        content: read.content,
        label: read.label,
        through: read.through,
        resource: read.resource,
        identity: read.identity,
        ward: read.ward,
        starts: read.starts,
        at: read.at,
        late: None,
        report: Arc::new(read.report),
        cards: read.cards.into_iter().map(|(id, rules)| CardShown { id, rules }).collect(),
    })
}
