//! Feedback on cards (CDS Hooks 2.0, "Feedback"): read and counted. Which order or person it is about is not in it,
//! and its free text is not kept.
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
    /// Of those, with a comment, which is not kept.
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

/// Reads feedback; all of it or nothing counts.
///
/// # Errors
/// The first thing that cannot be read, by its JSON Pointer.
pub fn read(input: &[u8]) -> Result<Feedback, Malformed> {
    let document = Document::read(input, &Limits::default())?;
    let root = document.root();
    if root.kind() != Kind::Object {
        return Err(Malformed::at(root, "an object with the array \"feedback\""));
    }
    let mut out = Feedback::default();
    match root.get("feedback") {
        None if root.get("card").is_some() => entry(root, &mut out)?,
        None => return Err(Malformed::missing(root, "feedback", "an array of feedback on cards")),
        Some(list) if list.kind() != Kind::Array || list.is_empty() => {
            return Err(Malformed::at(list, "an array of at least one entry"));
        }
        Some(list) => {
            for item in list.items() {
                entry(item, &mut out)?;
            }
        }
    }
    Ok(out)
}

fn entry(node: Node<'_>, out: &mut Feedback) -> Result<(), Malformed> {
    if node.kind() != Kind::Object {
        return Err(Malformed::at(node, "feedback on a card"));
    }
    let card = text(node, "card", "the uuid of a card")?;
    // Ids of cards follow from their content: version 5. Others were never given out here.
    let ours = Uuid::parse_str(&card).is_ok_and(|id| id.get_version_num() == 5);
    out.unknown += usize::from(!ours);
    let stamp = text(node, "outcomeTimestamp", "a time in UTC such as 2026-11-25T08:00:00Z")?;
    if stamp.parse::<Timestamp>().is_err() {
        let place = node.get("outcomeTimestamp").unwrap_or(node);
        return Err(Malformed::at(place, "a time in UTC such as 2026-11-25T08:00:00Z"));
    }
    match &*text(node, "outcome", "accepted or overridden")? {
        "accepted" => {
            out.accepted += 1;
            out.with_suggestion += usize::from(suggestions(node)?);
        }
        "overridden" => {
            out.overridden += 1;
            let (reason, comment) = reason(node)?;
            out.with_reason += usize::from(reason);
            out.with_comment += usize::from(comment);
        }
        _ => return Err(Malformed::at(node.get("outcome").unwrap_or(node), "accepted or overridden")),
    }
    Ok(())
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

/// Whether a coded reason and a comment are given.
fn reason(node: Node<'_>) -> Result<(bool, bool), Malformed> {
    let Some(given) = node.get("overrideReason") else { return Ok((false, false)) };
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
    if let Some(coding) = coding {
        text(coding, "code", "the code of a reason")?;
    }
    Ok((coding.is_some(), comment.is_some()))
}
