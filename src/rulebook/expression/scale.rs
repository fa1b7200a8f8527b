//! Units of expressions: UCUM as everywhere, and the mean year and month for ages.

use crate::exact::Exact;
use crate::units::{Dimension, Unit};

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
    /// Reads a UCUM code. `a` and `mo` are UCUM's mean Julian year (365.25 d) and a twelfth of it: ages are facts
    /// in that scale, while schedules, which need the calendar, never come here.
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

    /// Base units in this unit; `None` outside the range of exact arithmetic.
    pub fn from_base(&self, value: Exact) -> Option<Exact> {
        value.div(self.factor)
    }

    /// This unit in base units; `None` outside the range of exact arithmetic.
    pub fn to_base(&self, value: Exact) -> Option<Exact> {
        value.mul(self.factor)
    }

    /// As people write it; empty for plain numbers.
    pub fn spelled(&self) -> &str {
        if self.code == "1" { "" } else { crate::nutrition::measure::spelled(&self.code) }
    }
}
