//! Subscriptions: who is told of which changes on the queue, and what is sent. Pure: no I/O, the time is given. What
//! waits to be sent is kept by [`crate::store::outbox`], and sent by [`crate::http::notices`].
//!
//! 1. Here: a subscriber as the institution declares it, and which items it is told of.
//! 2. [`resource`] is what FHIR says of it: `Subscription`, `SubscriptionTopic`, and their status.
//! 3. [`notification`] is one message; [`signature`] is what shows that it is from here.
//! 4. [`pace`] says when a message that did not arrive is tried again, and when no more.

#![cfg_attr(
    not(test),
    deny(
        clippy::unwrap_used,
        clippy::expect_used,
        clippy::panic,
        clippy::unreachable,
        clippy::indexing_slicing,
        clippy::string_slice,
        clippy::float_arithmetic,
        clippy::print_stdout,
        clippy::print_stderr,
        clippy::disallowed_methods,
    )
)]

pub mod notification;
pub mod pace;
pub mod resource;
pub mod signature;

use crate::intake::order::FhirVersion;
use crate::queue::Lane;
use crate::queue::item::Summary;
use crate::queue::work::LaneState;
use signature::Secret;
use std::collections::BTreeSet;
use std::fmt;

/// Codes of `Task.priority`, and the grades of urgency that have them.
pub const PRIORITY: [(&str, &[u8]); 4] = [("stat", &[4]), ("asap", &[3]), ("urgent", &[2]), ("routine", &[0, 1])];

/// The code of `Task.priority` for a grade of urgency.
pub fn priority(grade: u8) -> &'static str {
    PRIORITY.iter().find(|(_, grades)| grades.contains(&grade)).map_or("routine", |(code, _)| code)
}

/// How much of an order on the queue is in a message.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Content {
    /// That something changed.
    Empty,
    /// The id of the `Task` that changed.
    #[default]
    IdOnly,
    /// The `Task` as it is when the message goes out: it names the patient.
    FullResource,
}

impl Content {
    /// Each with FHIR's code.
    pub const ALL: [(Self, &'static str); 3] =
        [(Self::Empty, "empty"), (Self::IdOnly, "id-only"), (Self::FullResource, "full-resource")];

    /// Its code.
    pub fn code(self) -> &'static str {
        Self::ALL.iter().find(|(content, _)| *content == self).map_or("", |(_, code)| code)
    }
}

/// What is looked at of an item to say whom its change concerns.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Concern {
    grade: u8,
    lanes: BTreeSet<Lane>,
}

impl Concern {
    /// Of an item.
    pub fn of(summary: &Summary) -> Self {
        let asked = |lane: Lane| !matches!(summary.lane(lane).state, LaneState::NotAsked);
        Self { grade: summary.grade(), lanes: Lane::ALL.into_iter().filter(|lane| asked(*lane)).collect() }
    }
}

/// Which tasks a subscriber is told of: everything that is given must hold.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Criteria {
    /// Tasks of these lanes; any when empty.
    pub lanes: BTreeSet<Lane>,
    /// Tasks of one of these codes of `Task.priority`; any when empty.
    pub priorities: BTreeSet<&'static str>,
}

impl Criteria {
    /// Whether a lane's task of an item as it is concerns the subscriber.
    pub fn concerns(&self, item: &Concern, lane: Lane) -> bool {
        item.lanes.contains(&lane)
            && (self.lanes.is_empty() || self.lanes.contains(&lane))
            && (self.priorities.is_empty() || self.priorities.contains(priority(item.grade)))
    }

    /// Each as a parameter and its values, separated by commas.
    pub fn parameters(&self) -> Vec<(&'static str, String)> {
        let priorities = PRIORITY.iter().map(|(code, _)| *code).filter(|code| self.priorities.contains(code));
        let lanes = Lane::ALL.iter().filter(|lane| self.lanes.contains(lane)).map(|lane| lane.word());
        let list = |words: Vec<&str>| words.join(",");
        [("priority", list(priorities.collect())), (resource::LANE, list(lanes.collect()))]
            .into_iter()
            .filter(|(_, values)| !values.is_empty())
            .collect()
    }
}

/// A text that goes into one header of a message and nowhere else.
#[derive(Clone, PartialEq, Eq)]
pub struct Hidden(String);

impl Hidden {
    /// Hides a text.
    pub fn new(text: String) -> Self {
        Self(text)
    }

    /// The text, for the header.
    pub fn reveal(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for Hidden {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("hidden")
    }
}

/// A system that is told of changes, as the institution declares it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Subscriber {
    /// Its id, which is the id of its `Subscription`: small letters, digits and hyphens, at most 64.
    pub id: String,
    /// Where messages go, in the form of [`crate::settings::normal_base`].
    pub endpoint: String,
    /// Whether its name may lead to private and loopback addresses.
    pub private_addresses: bool,
    /// FHIR version of the messages.
    pub fhir: FhirVersion,
    /// What is in them.
    pub content: Content,
    /// Of which items it is told.
    pub criteria: Criteria,
    /// Why, in the institution's words.
    pub reason: String,
    /// Time for one try, seconds.
    pub timeout: u8,
    /// Tries of one message before it is a dead letter; 1 at least.
    pub tries: u16,
    /// Messages are signed with each of these: with two a secret can be changed without a gap. Never empty.
    pub secrets: Vec<Secret>,
    /// Goes along as a bearer token.
    pub bearer: Option<Hidden>,
}

/// All of them.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Subscribers {
    /// Base of the FHIR interface as others reach it, without a version: `https://gate.example/fhir`.
    pub base: String,
    /// The subscribers.
    pub list: Vec<Subscriber>,
}

#[cfg(test)]
mod tests {
    use super::*;

    fn item(grade: u8, pharmacist: bool, dietitian: bool) -> Concern {
        let asked = [(Lane::Pharmacist, pharmacist), (Lane::Dietitian, dietitian)];
        Concern { grade, lanes: asked.into_iter().filter(|(_, asked)| *asked).map(|(lane, _)| lane).collect() }
    }

    #[test]
    fn everything_that_is_given_must_hold() {
        let any = Criteria::default();
        let dietitians = Criteria { lanes: BTreeSet::from([Lane::Dietitian]), ..Criteria::default() };
        let grave = Criteria { priorities: BTreeSet::from(["stat", "asap"]), ..Criteria::default() };
        let both = Criteria { lanes: dietitians.lanes.clone(), priorities: grave.priorities.clone() };
        for (of, told) in [
            // Each criterion with the lanes of which it is told: P, D, both, or none.
            (item(4, true, false), ["P", "", "P", ""]),
            (item(3, false, true), ["D", "D", "D", "D"]),
            (item(2, true, true), ["PD", "D", "", ""]),
            (item(0, false, false), ["", "", "", ""]),
        ] {
            let lanes = |c: &Criteria| -> String {
                [(Lane::Pharmacist, 'P'), (Lane::Dietitian, 'D')]
                    .into_iter()
                    .filter(|(lane, _)| c.concerns(&of, *lane))
                    .map(|(_, letter)| letter)
                    .collect()
            };
            assert_eq!([&any, &dietitians, &grave, &both].map(lanes), told, "{of:?}");
        }
        assert_eq!(both.parameters(), [("priority", "stat,asap".to_owned()), ("performer", "dietitian".to_owned())]);
        assert!(any.parameters().is_empty());
    }

    #[test]
    fn every_grade_has_one_code() {
        for grade in 0..=4 {
            assert_eq!(PRIORITY.iter().filter(|(_, grades)| grades.contains(&grade)).count(), 1, "{grade}");
        }
    }

    #[test]
    fn secrets_are_not_shown() {
        assert_eq!(format!("{:?}", Hidden::new("invented".to_owned())), "hidden");
    }
}
