//! Mass, amount of substance and equivalents of one element.

use crate::exact::Exact;
use crate::formulary::product::Nutrient;

/// How an amount of a mineral is stated.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum ElementUnit {
    /// mg of the element
    Milligram,
    /// mmol of the element
    Millimole,
    /// meq of the element's ion
    Milliequivalent,
}

impl ElementUnit {
    /// All.
    pub const ALL: [Self; 3] = [Self::Milligram, Self::Millimole, Self::Milliequivalent];

    /// The UCUM code.
    pub const fn code(self) -> &'static str {
        match self {
            Self::Milligram => "mg",
            Self::Millimole => "mmol",
            Self::Milliequivalent => "meq",
        }
    }
}

/// Why an amount of a nutrient cannot be converted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ElementError {
    /// Not a single element: it has no molar mass here.
    #[error("{0} is not a single element and has no molar mass here")]
    NotAnElement(&'static str),
    /// No fixed charge.
    #[error("{0} has no fixed charge: milliequivalents of phosphate depend on the acidity")]
    NoValence(&'static str),
    /// Outside the range of exact arithmetic.
    #[error("the amount is outside the range of exact arithmetic")]
    Range,
}

/// Charge of the ion, without sign: Na, K, Cl 1; Ca, Mg 2. `None` for phosphorus, whose ions carry 1 to 3
/// (common practice gives phosphate in mmol for that reason), and for what is not an element.
pub const fn valence(nutrient: Nutrient) -> Option<i64> {
    match nutrient {
        Nutrient::Sodium | Nutrient::Potassium | Nutrient::Chloride => Some(1),
        Nutrient::Calcium | Nutrient::Magnesium => Some(2),
        _ => None,
    }
}

/// Converts an amount of a mineral: mmol = mg ÷ atomic mass, meq = mmol × valence.
///
/// # Errors
/// [`ElementError`] for a nutrient that is not an element, for equivalents of phosphorus, and outside the
/// range of exact arithmetic.
pub fn convert_element(
    value: Exact,
    from: ElementUnit,
    to: ElementUnit,
    nutrient: Nutrient,
) -> Result<Exact, ElementError> {
    let mass = nutrient.atomic_mass().ok_or(ElementError::NotAnElement(nutrient.name()))?;
    // mg in one of the unit.
    let size = |unit| -> Result<Exact, ElementError> {
        match unit {
            ElementUnit::Milligram => Ok(Exact::ONE),
            ElementUnit::Millimole => Ok(mass),
            ElementUnit::Milliequivalent => {
                let valence = valence(nutrient).ok_or(ElementError::NoValence(nutrient.name()))?;
                mass.div(Exact::int(valence)).ok_or(ElementError::Range)
            }
        }
    };
    let ratio = size(from)?.div(size(to)?).ok_or(ElementError::Range)?;
    ratio.mul(value).ok_or(ElementError::Range)
}
