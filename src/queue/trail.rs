//! What happened to an item: who, when, what, and the version that it led to. Never changed, only added to.

use super::item::ItemId;
use super::work::{Action, reason_words};
use super::{Lane, Person};
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use std::borrow::Cow;

/// One thing that happened.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Entry {
    /// To which item.
    pub item: ItemId,
    /// The item's version after it.
    pub version: u64,
    /// When.
    pub at: Timestamp,
    /// Who.
    pub by: Person,
    /// What.
    pub what: Event,
}

/// What happened.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Event {
    /// The item was recorded; it takes the place of another, or of none.
    Recorded {
        /// The item before it.
        replaces: Option<ItemId>,
    },
    /// The same content was judged again, and something else was said of it.
    JudgedAgain {
        /// The lanes whose decision no longer stands, because something was said that had not been said before.
        reopened: Vec<Lane>,
    },
    /// Another content of the same order came.
    Replaced {
        /// The item of that content; nothing where it is clear.
        by: Option<ItemId>,
    },
    /// The content that had been replaced came again, and is the order's content now.
    Returned {
        /// The item that it takes the place of.
        replaces: Option<ItemId>,
    },
    /// Somebody did something.
    Did {
        /// In which lane.
        lane: Lane,
        /// What.
        action: Action,
    },
    /// Somebody looked at it.
    Viewed,
    /// The prescriber's system said what became of a card.
    CardAnswered {
        /// The card.
        card: String,
        /// Whether its advice was taken.
        accepted: bool,
        /// The code of the reason for going on all the same.
        reason: Option<String>,
        /// What the prescriber wrote.
        comment: Option<String>,
        /// When, as the prescriber's system says; the entry's own time is when that was received.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        said: Option<Timestamp>,
    },
}

impl Event {
    /// Its word, as the chain of entries has it.
    pub const fn word(&self) -> &'static str {
        match self {
            Self::Recorded { .. } => "recorded",
            Self::JudgedAgain { .. } => "judged-again",
            Self::Replaced { .. } => "replaced",
            Self::Returned { .. } => "returned",
            Self::Did { action, .. } => action.word(),
            Self::Viewed => "viewed",
            Self::CardAnswered { .. } => "card-answered",
        }
    }

    /// What whoever did it did, in a few words for people; `moment` writes a time as the institution does.
    pub fn words(&self, moment: &dyn Fn(Timestamp) -> String) -> String {
        match self {
            Self::Recorded { replaces: None } => "recorded".to_owned(),
            Self::Recorded { replaces: Some(_) } => "recorded; the order was changed".to_owned(),
            Self::JudgedAgain { reopened } if reopened.is_empty() => "judged again".to_owned(),
            Self::JudgedAgain { reopened } => {
                let lanes: Vec<&str> = reopened.iter().map(|lane| lane.word()).collect();
                format!(
                    "judged again with something new, or unchanged after it was to be changed; open again: {}",
                    lanes.join(", ")
                )
            }
            Self::Replaced { by: Some(_) } => "replaced: the order was changed".to_owned(),
            Self::Replaced { by: None } => "replaced: the order was changed, and is clear now".to_owned(),
            Self::Returned { .. } => "the order was changed back to this".to_owned(),
            Self::Did { lane, action } => format!("{} ({})", action.words(moment), lane.word()),
            Self::Viewed => "looked at it".to_owned(),
            Self::CardAnswered { accepted: true, .. } => "took the card's advice".to_owned(),
            Self::CardAnswered { reason, comment, .. } => {
                let mut out = "went on in spite of the card".to_owned();
                let reason = reason.as_deref().map(reason_words);
                for part in [reason, comment.as_deref().map(Cow::Borrowed)].into_iter().flatten() {
                    out.push_str(": ");
                    out.push_str(&part);
                }
                out
            }
        }
    }
}
