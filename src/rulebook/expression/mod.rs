//! Expressions of limits: CEL, parsed by the `cel` crate, checked against the facts, lowered, evaluated exactly
//! on three truth values.

mod evaluate;
mod lower;
mod scale;
mod scan;
pub(super) mod shared;
mod template;
#[cfg(test)]
mod tests;
mod verdict;

use super::Parameter;
use super::value::{Fact, Facts, Truth, Type, Value};
use crate::units::Dimension;
use lower::Node;
pub use scale::Scale;
use std::cell::OnceCell;
use std::collections::BTreeSet;
use std::rc::Rc;
pub use template::Template;
pub(super) use template::shown;
pub use verdict::{Gap, Sitting, Verdict};

/// Longest expression, in characters.
pub const MAX_CHARACTERS: usize = 2_000;
/// Most symbols, names and literals in one expression.
pub const MAX_TOKENS: usize = 400;
/// Most signs of arithmetic and comparisons in one expression; the parser nests a row of them.
pub const MAX_OPERATORS: usize = 60;
/// Deepest nesting of brackets, signs and choices. The parser recurses by a dozen calls a level, so this is what
/// keeps it within the stack of any thread.
pub const MAX_NESTING: usize = 10;

/// Most parts with names that may stand in one another.
pub const MAX_NAMED_DEEP: usize = 6;
/// Most places of one expression that parts with names stand for.
pub const MAX_NAMED: usize = 400;

/// A part of expressions, or of sentences, that has a name; wherever the name stands, the part is meant.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Named {
    /// Its name: lower-case words joined by `_`.
    pub name: String,
    /// An expression, or a sentence.
    pub text: String,
}

/// A named part of expressions, which is parsed once wherever it stands.
#[derive(Clone, Debug)]
pub struct Term {
    /// Its name and its text.
    pub named: Named,
    read: Rc<OnceCell<Result<lower::Read, Vec<Fault>>>>,
}

impl From<Named> for Term {
    fn from(named: Named) -> Self {
        Self { named, read: Rc::default() }
    }
}

impl AsRef<Named> for Term {
    fn as_ref(&self) -> &Named {
        &self.named
    }
}

impl AsRef<Named> for Named {
    fn as_ref(&self) -> &Named {
        self
    }
}

/// Every part that a text names, directly or through others, in the order of the list.
pub fn reached<'n, N: AsRef<Named>>(texts: &[&str], named: &'n [N]) -> Vec<&'n N> {
    let words =
        |text: &str, name: &str| text.split(|c: char| !c.is_ascii_alphanumeric() && c != '_').any(|word| word == name);
    let mut found: Vec<bool> =
        named.iter().map(|one| texts.iter().any(|text| words(text, &one.as_ref().name))).collect();
    loop {
        let more: Vec<usize> = (0..named.len())
            .filter(|ix| !found.get(*ix).copied().unwrap_or(true))
            .filter(|ix| {
                let name = named.get(*ix).map_or("", |one| one.as_ref().name.as_str());
                named.iter().zip(&found).any(|(one, is)| *is && words(&one.as_ref().text, name))
            })
            .collect();
        if more.is_empty() {
            return named.iter().zip(found).filter_map(|(one, is)| is.then_some(one)).collect();
        }
        for ix in more {
            if let Some(is) = found.get_mut(ix) {
                *is = true;
            }
        }
    }
}

/// The names an expression may use.
#[derive(Clone, Copy, Debug)]
pub struct Names<'a> {
    /// Facts; an expression keeps their index in this list.
    pub facts: &'a [Fact],
    /// The limit's own named amounts.
    pub parameters: &'a [Parameter],
    /// Further names, whose values are given at evaluation in this order: `measure`, `bound`.
    pub extra: &'a [(&'a str, Type)],
    /// Parts of expressions that have a name.
    pub terms: &'a [Term],
    /// Parts of sentences that have a name.
    pub phrases: &'a [Named],
}

/// What an expression must come to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Wanted {
    /// True or false.
    Truth,
    /// An amount, of this dimension when one is given.
    Quantity(Option<Dimension>),
    /// Anything.
    Any,
}

/// Something wrong in a text, with its place.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    /// Line within the text, from 1.
    pub offset_line: usize,
    /// Column within that line, from 1, in characters.
    pub offset_column: usize,
    /// What is wrong.
    pub message: String,
    /// What to write instead.
    pub suggestion: Option<String>,
    /// The named part in whose own text it is; the place is that of the name.
    pub within: Option<String>,
}

/// A key that an expression looks for in a set, with its place; whether the key exists is known to the book.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Key {
    /// Index of the fact that is the set.
    pub fact: usize,
    /// The key.
    pub key: String,
    /// Line within the text, from 1.
    pub line: usize,
    /// Column within that line, from 1.
    pub column: usize,
}

/// A checked expression.
#[derive(Clone, Debug)]
pub struct Expression {
    /// As written.
    pub text: String,
    node: Node,
    kind: Type,
    unit: Option<Scale>,
    facts: Vec<usize>,
    keys: Vec<Key>,
}

impl Expression {
    /// Reads and checks an expression.
    ///
    /// # Errors
    /// Everything that is wrong with it, in the order of the text.
    pub fn compile(text: &str, names: &Names<'_>, wanted: Wanted) -> Result<Self, Vec<Fault>> {
        lower::compile(text, names, wanted)
    }

    /// What it comes to.
    pub fn kind(&self) -> Type {
        self.kind
    }

    /// Indices of the facts it uses, ascending, each once.
    pub fn facts(&self) -> &[usize] {
        &self.facts
    }

    /// Keys it looks for in sets.
    pub fn keys(&self) -> &[Key] {
        &self.keys
    }

    /// The unit in which people read its amount: that of the first fact, parameter or literal of its dimension.
    pub fn unit(&self) -> Option<&Scale> {
        self.unit.as_ref()
    }

    /// Its value for one order; `extra` in the order of [`Names::extra`]. Amounts are in base units.
    pub fn evaluate(&self, facts: &dyn Facts, extra: &[Value]) -> Value {
        evaluate::value(&self.node, self.kind, facts, extra)
    }

    /// Its truth for one order, for an expression that is true or false.
    pub fn holds(&self, facts: &dyn Facts) -> Truth {
        evaluate::truth(&self.node, facts)
    }

    /// Its truth for one order without reasons, for an expression that is true or false. Never decides otherwise than
    /// [`Expression::holds`], and leaves open what that decides only where it says [`Gap::Other`].
    pub fn verdict(&self, facts: &dyn Facts, sitting: &Sitting<'_>) -> Verdict {
        verdict::Quick { facts, sitting, extra: &[] }.verdict(&self.node)
    }

    /// Whether a condition with further names, as for [`Expression::evaluate`], surely holds.
    fn surely_holds(&self, facts: &dyn Facts, extra: &[Value]) -> bool {
        let (none, full) = (BTreeSet::new(), || self.evaluate(facts, extra) == Value::Truth(Truth::True));
        let holds = match (verdict::Quick { facts, sitting: &Sitting::new(&none, 0), extra }).verdict(&self.node) {
            Verdict::True => true,
            Verdict::False | Verdict::Open(Gap::Undeclared(_)) => false,
            Verdict::Open(Gap::Other) => return full(),
        };
        debug_assert_eq!(holds, full(), "{}", self.text);
        holds
    }

    /// Whether its amount for one order lies above (or else below) a bound, without reasons; held against
    /// [`Expression::evaluate`] of both as [`Expression::verdict`] is against [`Expression::holds`].
    pub fn beyond(&self, bound: &Self, above: bool, facts: &dyn Facts, sitting: &Sitting<'_>) -> Verdict {
        verdict::Quick { facts, sitting, extra: &[] }.beyond(&self.node, &bound.node, above)
    }
}
