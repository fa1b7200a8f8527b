//! The audit trail: who called what and what came of it, as entries that hang together, so that one which was changed,
//! taken out or moved is found and named.
//!
//! Pure: the time and everything in an entry are given, and bytes come back. An entry holds no patient data by
//! construction: what is in it is a [`Word`] of the program's own source, a [`Name`] of the configuration, a number, a
//! hash, or a [`Reference`] that its caller passes as such. No type here takes a text that somebody sent.
//!
//! The flow: an [`Event`] is sealed by [`chain::Chain`] into a [`chain::Entry`], which has a place in the sequence and a
//! hash over the hash before it and its own canonical bytes; [`mod@line`] writes and reads one as a line of JSON;
//! [`verify::Verifier`] takes such lines and names the first that does not belong where it is. A sequence can always be
//! cut at its end without a trace in itself: an [`chain::Anchor`] kept elsewhere shows that. [`fhir`] writes entries as
//! AuditEvents.

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

pub mod chain;
pub mod fhir;
pub mod line;
pub mod verify;

use chain::Hash;
use jiff::Timestamp;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::borrow::Cow;
use std::collections::BTreeMap;
use std::fmt;

/// Bytes of a word, name or reference.
pub const LONGEST: usize = 256;

/// Whether a text may stand in an entry: printable ASCII without spaces, quotes and backslashes, so that it is written
/// as it is in JSON and on one line.
fn fits(text: &str) -> bool {
    (1..=LONGEST).contains(&text.len())
        && text.bytes().all(|byte| byte.is_ascii_graphic() && !matches!(byte, b'"' | b'\\'))
}

/// A word of the program: an action, a route, a result. It can only be made of a text in the source.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Word(Cow<'static, str>);

impl Word {
    /// A word; one that could not be read back is `unnamed`.
    pub fn of(text: &'static str) -> Self {
        Self(Cow::Borrowed(if fits(text) { text } else { "unnamed" }))
    }

    /// As it is written.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

/// A name or a hash of the configuration: a client, a version of the rules. Never of a request's content.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Name(String);

/// An opaque reference, passed explicitly as such: the id of an item, of a call, of a person in another system. It says
/// who or what is meant only to whoever can look it up there.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Reference(String);

macro_rules! text {
    ($name:ident) => {
        impl $name {
            /// The text, if it is printable ASCII without spaces, quotes and backslashes and at most [`LONGEST`] bytes.
            pub fn new(text: &str) -> Option<Self> {
                fits(text).then(|| Self(text.to_owned()))
            }

            /// As it is written.
            pub fn as_str(&self) -> &str {
                &self.0
            }
        }

        written!($name, Self);
    };
}

/// Written and read as its text, which has to fit.
macro_rules! written {
    ($name:ident, $make:expr) => {
        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(&self.0)
            }
        }

        impl Serialize for $name {
            fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
                to.serialize_str(&self.0)
            }
        }

        impl<'de> Deserialize<'de> for $name {
            fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
                let text = String::deserialize(from)?;
                if !fits(&text) {
                    return Err(serde::de::Error::custom("a word, name or reference has a form that none has"));
                }
                Ok($make(text.into()))
            }
        }
    };
}

written!(Word, Self);
text!(Name);
text!(Reference);

/// What kind of caller.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Kind {
    /// A client that signs its own calls.
    Client,
    /// A system with a token of an authorization server.
    System,
    /// A person who has signed in.
    Person,
    /// This program itself.
    Program,
    /// Nobody is asked who calls.
    Anyone,
    /// A caller that could not be told.
    Unknown,
}

impl Kind {
    /// All kinds with their words.
    pub const ALL: [(Self, &'static str); 6] = [
        (Self::Client, "client"),
        (Self::System, "system"),
        (Self::Person, "person"),
        (Self::Program, "program"),
        (Self::Anyone, "anyone"),
        (Self::Unknown, "unknown"),
    ];

    /// Its word.
    pub fn word(self) -> &'static str {
        Self::ALL.iter().find(|(kind, _)| *kind == self).map_or("unknown", |(_, word)| word)
    }
}

/// Who did it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Who {
    /// What kind.
    pub kind: Kind,
    /// Its name in the configuration.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<Name>,
    /// A person or a client's client, by the opaque reference that signs it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reference: Option<Reference>,
}

impl Who {
    /// A caller without a name.
    pub fn nameless(kind: Kind) -> Self {
        Self { kind, name: None, reference: None }
    }

    /// A caller of the configuration. A name that cannot stand in an entry is left out.
    pub fn named(kind: Kind, name: &str) -> Self {
        Self { name: Name::new(name), ..Self::nameless(kind) }
    }
}

/// On what.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct On {
    /// What was asked for, by the names of filters: a word of the program, or `given` for a text, which is not kept.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub asked: BTreeMap<Word, Word>,
    /// SHA-256 of the content, such as the body that was sent. Whoever has the content can tell that it is the same;
    /// nobody can get it back.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub content: Option<Hash>,
    /// The item that it was about.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub item: Option<Reference>,
    /// The items that were shown together.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub items: Vec<Reference>,
    /// The route as in the table of routes, not the address as sent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub route: Option<Word>,
    /// The person it was about, by an opaque reference.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub subject: Option<Reference>,
}

/// What came of it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Outcome {
    /// How many, where something was counted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub count: Option<u32>,
    /// Time taken, microseconds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub micros: Option<u32>,
    /// Why, as a code.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<Word>,
    /// The id of the request, as in its answer.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub request: Option<Reference>,
    /// In one word, such as a disposition.
    pub result: Word,
    /// HTTP status.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub status: Option<u16>,
}

impl Outcome {
    /// An outcome in one word.
    pub fn of(result: &'static str) -> Self {
        Self { count: None, micros: None, reason: None, request: None, result: Word::of(result), status: None }
    }
}

/// Versions that were in use: `rulebook`, `formulary`, `settings`, `program`, by their hash or number.
pub type Versions = BTreeMap<Word, Name>;

/// What happened, before it has its place in the sequence.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Event {
    /// When. Kept to the microsecond.
    pub time: Timestamp,
    /// Who.
    pub who: Who,
    /// What was done.
    pub action: Word,
    /// On what.
    pub on: On,
    /// What came of it.
    pub outcome: Outcome,
    /// What it was judged by.
    pub versions: Versions,
}
