//! Feedback on cards (CDS Hooks 2.0, "Feedback"): read and counted. Which order or person it is about is not in it; where
//! a queue is kept, the card's id tells its item.
//!
//! Two published shapes of an override are read: `overrideReason` with `reason` and `userComment` inside (2.0), and
//! with `code` and `system` directly inside (as in the drafts before). A single entry without the list is read as well.

use super::request::{Malformed, text};
use crate::intake::json::{Document, Kind, Limits, Node};
use jiff::Timestamp;
use uuid::Uuid;

/// What the feedback says, in numbers.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Feedback {
    /// Cards of which a suggestion, or the advice, was taken.
    pub accepted: usize,
    /// Of those, with a suggestion named.
    pub with_suggestion: usize,
    /// Cards passed over.
    pub overridden: usize,
    /// Of those, with a coded reason.
    pub with_reason: usize,
    /// Of those, with a comment; it is kept with the order where a queue is kept, and never counted or logged.
    pub with_comment: usize,
    /// Cards whose id is none that this service gives.
    pub unknown: usize,
}

impl Feedback {
    /// Entries read.
    pub fn received(&self) -> usize {
        self.accepted + self.overridden
    }
}

/// One entry: what became of a card.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Entry {
    /// The card's id.
    pub card: String,
    /// When, as the client says.
    pub at: Timestamp,
    /// Whether its advice, or a suggestion, was taken.
    pub accepted: bool,
    /// The code of the reason for going on all the same.
    pub reason: Option<String>,
    /// What the prescriber wrote.
    pub comment: Option<String>,
}

/// Reads feedback; all of it or nothing counts.
///
/// # Errors
/// The first thing that cannot be read, by its JSON Pointer.
pub fn read(input: &[u8]) -> Result<Feedback, Malformed> {
    read_entries(input).map(|(feedback, _)| feedback)
}

/// The same with every entry.
///
/// # Errors
/// As [`read`].
pub fn read_entries(input: &[u8]) -> Result<(Feedback, Vec<Entry>), Malformed> {
    let document = Document::read(input, &Limits::default())?;
    let root = document.root();
    if root.kind() != Kind::Object {
        return Err(Malformed::at(root, "an object with the array \"feedback\""));
    }
    let mut out = Feedback::default();
    let mut entries = Vec::new();
    match root.get("feedback") {
        None if root.get("card").is_some() => entries.push(entry(root, &mut out)?),
        None => return Err(Malformed::missing(root, "feedback", "an array of feedback on cards")),
        Some(list) if list.kind() != Kind::Array || list.is_empty() => {
            return Err(Malformed::at(list, "an array of at least one entry"));
        }
        Some(list) => {
            for item in list.items() {
                entries.push(entry(item, &mut out)?);
            }
        }
    }
    Ok((out, entries))
}

fn entry(node: Node<'_>, out: &mut Feedback) -> Result<Entry, Malformed> {
    if node.kind() != Kind::Object {
        return Err(Malformed::at(node, "feedback on a card"));
    }
    let card = text(node, "card", "the uuid of a card")?;
    // Ids of cards follow from their content: version 5. Others were never given out here.
    let id = Uuid::parse_str(&card).ok();
    out.unknown += usize::from(id.is_none_or(|id| id.get_version_num() != 5));
    // RFC 9562, section 4: the letters of a UUID are read without regard to case.
    let card = if id.is_some() { card.to_ascii_lowercase() } else { card.to_string() };
    let stamp = text(node, "outcomeTimestamp", "a time in UTC such as 2026-11-25T08:00:00Z")?;
    let Ok(at) = stamp.parse::<Timestamp>() else {
        let place = node.get("outcomeTimestamp").unwrap_or(node);
        return Err(Malformed::at(place, "a time in UTC such as 2026-11-25T08:00:00Z"));
    };
    let mut entry = Entry { card, at, accepted: false, reason: None, comment: None };
    match &*text(node, "outcome", "accepted or overridden")? {
        "accepted" => {
            out.accepted += 1;
            entry.accepted = true;
            out.with_suggestion += usize::from(suggestions(node)?);
        }
        "overridden" => {
            out.overridden += 1;
            let (reason, comment) = reason(node)?;
            out.with_reason += usize::from(reason.is_some());
            out.with_comment += usize::from(comment.is_some());
            (entry.reason, entry.comment) = (reason, comment);
        }
        _ => return Err(Malformed::at(node.get("outcome").unwrap_or(node), "accepted or overridden")),
    }
    Ok(entry)
}

/// Whether suggestions are named.
fn suggestions(node: Node<'_>) -> Result<bool, Malformed> {
    let Some(list) = node.get("acceptedSuggestions") else { return Ok(false) };
    if list.kind() != Kind::Array {
        return Err(Malformed::at(list, "an array of objects with the id of a suggestion"));
    }
    for item in list.items() {
        if item.kind() != Kind::Object {
            return Err(Malformed::at(item, "an object with the id of a suggestion"));
        }
        text(item, "id", "the uuid of a suggestion")?;
    }
    Ok(!list.is_empty())
}

/// Code of a reason, and a comment, where they are given.
fn reason(node: Node<'_>) -> Result<(Option<String>, Option<String>), Malformed> {
    let Some(given) = node.get("overrideReason") else { return Ok((None, None)) };
    if given.kind() != Kind::Object {
        return Err(Malformed::at(given, "an object with reason or userComment"));
    }
    let comment = given.get("userComment").or_else(|| node.get("userComment"));
    if let Some(comment) = comment.filter(|c| c.kind() != Kind::String) {
        return Err(Malformed::at(comment, "a text"));
    }
    let coding = match given.get("reason") {
        Some(reason) if reason.kind() != Kind::Object => return Err(Malformed::at(reason, "a Coding")),
        Some(reason) => Some(reason),
        None => given.get("code").map(|_| given),
    };
    let code = coding.map(|coding| text(coding, "code", "the code of a reason")).transpose()?;
    let comment = comment.and_then(Node::as_str).map(|comment| comment.into_owned());
    Ok((code.map(|code| code.to_string()), comment))
}
