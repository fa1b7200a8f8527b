//! The queue: orders that were flagged or not fully checked, as pharmacists and dietitians see, work and close them.
//! Pure: no I/O, the time is given. What keeps it is [`crate::store`].
//!
//! 1. [`report`] is what an appraisal said of one order, as plain data that outlives the rulebook it was judged by.
//! 2. [`item`] is an order on the queue: which order and which content it is, what is replaced by what.
//! 3. [`work`] is what people do with it: actions, who may do what, and conflicts.
//!    [`task`] is a lane's part in it as another system sees it.
//! 4. [`urgency`] says what comes first and why; [`policy`] which lanes decide and when an item is closed.
//! 5. [`trail`] is what happened, [`tally`] what is counted per rule, without anything of a person.

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

pub mod item;
pub mod policy;
pub mod report;
pub mod tally;
pub mod task;
pub mod trail;
pub mod urgency;
pub mod waiting;
pub mod work;

use serde::{Deserialize, Serialize};

/// One of the two professions that look at an item, each by itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Lane {
    /// Pharmacists.
    Pharmacist,
    /// Dietitians.
    Dietitian,
}

impl Lane {
    /// Both, in the order in which they are shown.
    pub const ALL: [Self; 2] = [Self::Pharmacist, Self::Dietitian];

    /// Its word in addresses and files.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Pharmacist => "pharmacist",
            Self::Dietitian => "dietitian",
        }
    }

    /// The lane of that word.
    pub fn of(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|lane| lane.word() == word)
    }
}

/// What somebody is at work, and so what they may do.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// Works and decides in the pharmacists' lane.
    Pharmacist,
    /// Works and decides in the dietitians' lane.
    Dietitian,
    /// Hands items over and gives them back for others, in both lanes; decides in none.
    Coordinator,
    /// Comments.
    Prescriber,
    /// Reads.
    Reader,
    /// The program itself: records, replaces, removes what is past its time.
    Program,
}

impl Role {
    /// All of them.
    pub const ALL: [Self; 6] =
        [Self::Pharmacist, Self::Dietitian, Self::Coordinator, Self::Prescriber, Self::Reader, Self::Program];

    /// Its word in files and for people.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Pharmacist => "pharmacist",
            Self::Dietitian => "dietitian",
            Self::Coordinator => "coordinator",
            Self::Prescriber => "prescriber",
            Self::Reader => "reader",
            Self::Program => "program",
        }
    }

    /// The role of that word.
    pub fn of(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|role| role.word() == word)
    }

    /// The lane in which somebody of this role works and decides.
    pub const fn lane(self) -> Option<Lane> {
        match self {
            Self::Pharmacist => Some(Lane::Pharmacist),
            Self::Dietitian => Some(Lane::Dietitian),
            Self::Coordinator | Self::Prescriber | Self::Reader | Self::Program => None,
        }
    }
}

/// Somebody who does something.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct Person {
    /// A stable id: what tells two people apart.
    pub id: String,
    /// The name that others see.
    pub name: String,
    /// What they are.
    pub role: Role,
}

impl Person {
    /// The program itself.
    pub fn program() -> Self {
        Self { id: "program".to_owned(), name: crate::answer::PROGRAM.to_owned(), role: Role::Program }
    }

    /// Whether that is the same person, whatever they are called now.
    pub fn is(&self, other: &Self) -> bool {
        self.id == other.id
    }
}
