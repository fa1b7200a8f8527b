//! Expressions of limits: CEL, parsed by the `cel` crate, checked against the facts, lowered, evaluated exactly
//! on three truth values.

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
