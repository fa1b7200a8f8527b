//! Values of facts and expressions: known, ranged, or missing with the fact that is missing.

use crate::amount::Amount;
use crate::exact::Exact;
use crate::intake::order::At;
use crate::settings::ContextKind;
use crate::units::Dimension;
use std::fmt;
use std::sync::Arc;

/// What a fact or an expression is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Type {
    /// True or false.
    Truth,
    /// An amount of this dimension; values are in the dimension's base unit ([`crate::units::Unit::to_base`]).
    Quantity(Dimension),
    /// One word of a closed list, or of an open one when the list is empty.
    Word(&'static [&'static str]),
    /// A set of keys (concepts, product flags).
    Keys,
}

/// What kind of input a fact is, which decides what its absence does to the disposition.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Need {
    /// The order itself, weight, age, formula, route, schedule: absent means not fully checked.
    Core,
    /// Context: absent means not fully checked only when the sender declares this kind.
    Context(ContextKind),
}

/// A fact offered to expressions.
#[derive(Debug)]
pub struct Fact {
    /// Name in expressions: lower-case words joined by `_`.
    pub name: &'static str,
    /// Type.
    pub kind: Type,
    /// UCUM code in which people read it; empty where it is no quantity.
    pub unit: &'static str,
    /// Kind of input.
    pub need: Need,
    /// One sentence for people.
    pub title: &'static str,
}

/// Something that would have been needed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Missing {
    /// Index of the fact in the list of facts.
    pub fact: usize,
    /// Why it is not there: "not sent", "9 days old; usable for 3 days", ….
    pub why: Words,
    /// Places concerned, when there are any.
    pub at: Vec<At>,
}

/// Why something is missing, in words. Most orders come without most of their context, and nobody reads why for each
/// fact: what is always said in the same words is only written out when it is shown.
#[derive(Clone, Debug)]
pub enum Words {
    /// As they stand.
    Fixed(&'static str),
    /// Written for this order.
    Own(Arc<str>),
    /// "no … was sent".
    NotSent(&'static str),
    /// "no earlier … was sent".
    NoEarlier(&'static str),
}

impl Words {
    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        match self {
            Self::Fixed(text) => text.is_empty(),
            Self::Own(text) => text.is_empty(),
            Self::NotSent(_) | Self::NoEarlier(_) => false,
        }
    }
}

impl fmt::Display for Words {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Fixed(text) => f.write_str(text),
            Self::Own(text) => f.write_str(text),
            Self::NotSent(what) => write!(f, "no {what} was sent"),
            Self::NoEarlier(what) => write!(f, "no earlier {what} was sent"),
        }
    }
}

impl PartialEq for Words {
    fn eq(&self, other: &Self) -> bool {
        match (self, other) {
            (Self::NotSent(a), Self::NotSent(b)) | (Self::NoEarlier(a), Self::NoEarlier(b)) => a == b,
            (Self::Fixed(a), Self::Fixed(b)) => a == b,
            _ => self.to_string() == other.to_string(),
        }
    }
}

impl Eq for Words {}

impl From<&'static str> for Words {
    fn from(text: &'static str) -> Self {
        Self::Fixed(text)
    }
}

impl From<String> for Words {
    fn from(text: String) -> Self {
        Self::Own(text.into())
    }
}

/// Three truth values.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Truth {
    /// Surely.
    True,
    /// Surely not.
    False,
    /// Cannot be said, for want of these; empty when a range is cut by a bound (`why` then says so).
    Unknown {
        /// What is missing.
        missing: Vec<Missing>,
        /// Other reasons, in words.
        why: Vec<String>,
    },
}

/// A set of keys of which some may be unknown.
#[derive(Clone, Debug, PartialEq, Eq, Default)]
pub struct Keys {
    /// Surely in it.
    pub present: Vec<String>,
    /// Surely not in it; with `complete` everything that is not present is absent.
    pub absent: Vec<String>,
    /// Whether a key that is in neither list is surely absent. Not when an item was sent that has no usable code.
    pub complete: bool,
}

/// Value of a fact or an expression.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Value {
    /// A truth value.
    Truth(Truth),
    /// An amount in base units; a range keeps its reasons.
    Quantity(Amount),
    /// A word.
    Word(String),
    /// A set.
    Keys(Keys),
    /// Not there.
    Missing(Vec<Missing>),
}

/// Gives the values of facts, by index in the list of facts.
pub trait Facts {
    /// The value, of the fact's type or missing.
    fn value(&self, fact: usize) -> Value;
    /// The same value where it is at hand, so that it need not be copied.
    fn held(&self, fact: usize) -> Option<&Value> {
        let _ = fact;
        None
    }
    /// Whether some context of a kind was sent, though not all that is asked for.
    fn some_sent(&self, kind: ContextKind) -> bool {
        let _ = kind;
        false
    }
    /// Whether the sender looked for context of a kind and there is none.
    fn none_there(&self, kind: ContextKind) -> bool {
        let _ = kind;
        false
    }
    /// Places of a fact's value in the input, for the finding.
    fn places(&self, fact: usize) -> Vec<At>;
    /// The one amount that says how much is given, where there is one.
    fn stated(&self, of: Scaled) -> Option<Stated> {
        let _ = of;
        None
    }
}

/// What a corrected order gives more or less of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Scaled {
    /// The feed: its volume per feed where that is ordered, else its rate.
    Feed,
    /// The water flush: its volume.
    Flush,
}

/// An amount as the order states it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stated {
    /// A rate, mL/s.
    Rate(At, Exact),
    /// The volume of one feed or one flush, mL.
    Volume(At, Exact),
}
