//! Formulas as text that is both shown and computed, so that the two cannot differ.

use super::estimate::Figure;
use crate::exact::{Decimal, Exact};

/// Both ends of a value that a partial birth date may leave open.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Span {
    pub(super) low: Exact,
    pub(super) high: Exact,
}

impl Span {
    pub(super) const fn at(x: Exact) -> Self {
        Self { low: x, high: x }
    }

    pub(super) fn add(self, other: Self) -> Option<Self> {
        Some(Self { low: self.low.add(other.low)?, high: self.high.add(other.high)? })
    }

    /// Times an exact factor of either sign.
    pub(super) fn times(self, factor: Exact) -> Option<Self> {
        let (a, b) = (self.low.mul(factor)?, self.high.mul(factor)?);
        Some(Self { low: a.min(b), high: a.max(b) })
    }

    pub(super) fn over(self, divisor: Exact) -> Option<Self> {
        let (a, b) = (self.low.div(divisor)?, self.high.div(divisor)?);
        Some(Self { low: a.min(b), high: a.max(b) })
    }

    pub(super) fn is_one(self) -> bool {
        self.low == self.high
    }

    pub(super) fn figure(self) -> Figure {
        Figure::between(self.low, self.high)
    }

    /// `58` or `58 to 59`, at most two decimals.
    pub(super) fn shown(self) -> String {
        if self.is_one() { self.low.short(2) } else { format!("{} to {}", self.low.short(2), self.high.short(2)) }
    }
}

/// What a letter in a formula stands for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Letter {
    /// W, kg.
    Weight,
    /// H, cm.
    Centimetres,
    /// M, height in metres.
    Metres,
    /// A, years.
    Age,
    /// V, L/min.
    MinuteVolume,
    /// T, °C.
    Temperature,
    /// R, Mifflin-St Jeor, kcal/d.
    Resting,
}

/// A sum of terms such as `10 W + 6.25 H - 5 A + 5`.
pub(super) struct Sum(Vec<(Exact, Option<Letter>)>);

impl Sum {
    /// Reads a sum: signs and terms apart by single spaces, a term a number with or without a letter.
    pub(super) fn read(text: &str) -> Option<Self> {
        let mut terms = Vec::new();
        let mut negative = false;
        let mut number: Option<Exact> = None;
        let mut letter: Option<Letter> = None;
        for token in text.split(' ') {
            match token {
                "+" | "-" => {
                    terms.push((number.take()?, letter.take()));
                    negative = token == "-";
                }
                _ if number.is_none() => {
                    let value = Decimal::parse(token).ok()?.exact();
                    number = Some(if negative { value.neg() } else { value });
                }
                _ if letter.is_none() => {
                    letter = Some(match token {
                        "W" => Letter::Weight,
                        "H" => Letter::Centimetres,
                        "M" => Letter::Metres,
                        "A" => Letter::Age,
                        "V" => Letter::MinuteVolume,
                        "T" => Letter::Temperature,
                        "R" => Letter::Resting,
                        _ => return None,
                    });
                }
                _ => return None,
            }
        }
        terms.push((number?, letter));
        Some(Self(terms))
    }

    /// The terms in order: factor, and letter unless constant.
    pub(super) fn terms(&self) -> &[(Exact, Option<Letter>)] {
        &self.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sum_is_read_as_it_is_written() {
        let sum = Sum::read("-30.4 + 59.512 W - 1.00 A").expect("readable");
        assert_eq!(
            sum.terms(),
            [
                (Exact::decimal(-304, 1), None),
                (Exact::decimal(59512, 3), Some(Letter::Weight)),
                (Exact::int(-1), Some(Letter::Age)),
            ]
        );
    }

    #[test]
    fn a_sum_with_anything_else_in_it_is_refused() {
        for text in ["", "10 X", "10W", "10 W +", "+ 10 W", "10 W W", "10 W  + 5", "W 10", "10 W + + 5"] {
            assert!(Sum::read(text).is_none(), "{text}");
        }
    }
}
