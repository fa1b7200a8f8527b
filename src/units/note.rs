//! What is to be said about a quantity that was read, or could not be.

use super::{ALIASES_VERSION, Dimension, UnitError};
use crate::exact::Exact;
use std::fmt;

/// One remark on a quantity. Texts from the document are cut to 64 characters and shown without control
/// characters.
#[derive(Clone, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum UnitNote {
    /// There is no value.
    NoValue {
        /// The reason stated in its place (a data-absent-reason), when there is one.
        reason: Option<String>,
    },
    /// The value is there and could not be read.
    UnreadableValue,
    /// A comparator: not an amount.
    Comparator(String),
    /// Below zero.
    Negative,
    /// The number is outside the range of exact arithmetic.
    Range,
    /// Neither a code nor a display unit.
    NoUnit,
    /// The code is not a unit that is known.
    UnknownUnit {
        /// The code.
        given: String,
        /// Which part of it, and what is expected.
        why: UnitError,
    },
    /// The code is known and cannot be computed with: months, years, drops.
    NotForArithmetic {
        /// The symbol.
        unit: String,
        /// The reason.
        why: &'static str,
    },
    /// A display unit without a code, and not in the list of accepted spellings.
    UnlistedText {
        /// The display unit.
        given: String,
    },
    /// A display unit without a code that may mean several units, such as `oz`.
    AmbiguousText {
        /// The display unit.
        given: String,
    },
    /// The code is of another system than UCUM.
    WrongSystem {
        /// The system.
        system: String,
    },
    /// A code without a system, read as UCUM.
    NoSystem {
        /// The code.
        code: String,
    },
    /// Read through the list of accepted spellings.
    AliasUsed {
        /// The spelling.
        given: String,
        /// The UCUM code.
        read_as: &'static str,
        /// Whether it stood in the code; otherwise in the display unit.
        in_code: bool,
    },
    /// The display unit plainly says another unit than the code.
    TextContradicts {
        /// The display unit.
        text: String,
        /// The code.
        code: String,
    },
    /// The display unit is a measure of its own (a cup, a bottle, an amount per something else) beside a code that is none.
    TextIsAnotherMeasure {
        /// The display unit.
        text: String,
        /// The code.
        code: String,
    },
    /// The display unit is not understood, and may be the code in other words.
    TextNotUnderstood {
        /// The display unit.
        text: String,
        /// The code.
        code: String,
    },
    /// The unit measures another kind of quantity.
    WrongDimension {
        /// The unit.
        code: String,
        /// What it measures.
        found: Dimension,
        /// What is needed here.
        expected: Dimension,
    },
    /// Written with the small calorie and read as kilocalories, because only that is plausible.
    CalorieReadAsKilocalorie {
        /// kcal/mL as written.
        literal: Exact,
        /// kcal/mL as read.
        read: Exact,
    },
    /// Written with the small calorie and taken as written, because only that is plausible.
    CalorieTakenAsWritten {
        /// kcal/mL as written, and as read.
        literal: Exact,
        /// kcal/mL if kilocalories were meant.
        other: Exact,
    },
    /// Written with the small calorie, and nothing settles whether kilocalories are meant.
    CalorieAmbiguous {
        /// In base units, as written.
        literal: Exact,
        /// In base units, if kilocalories were meant.
        other: Exact,
    },
    /// The code has an annotation such as `{feed}`, which has no meaning in UCUM and was left out.
    Annotation {
        /// The code.
        code: String,
    },
    /// An amount of a nutrient that cannot be brought to its own unit.
    NotConvertible(super::ElementError),
}

impl UnitNote {
    /// Stable name of the kind.
    pub const fn kind(&self) -> &'static str {
        match self {
            Self::NoValue { .. } => "no-value",
            Self::UnreadableValue => "unreadable-value",
            Self::Comparator(_) => "comparator",
            Self::Negative => "negative",
            Self::Range => "out-of-range",
            Self::NoUnit => "no-unit",
            Self::UnknownUnit { .. } => "unknown-unit",
            Self::NotForArithmetic { .. } => "not-for-arithmetic",
            Self::UnlistedText { .. } => "unlisted-unit-text",
            Self::AmbiguousText { .. } => "ambiguous-unit-text",
            Self::WrongSystem { .. } => "wrong-unit-system",
            Self::NoSystem { .. } => "no-unit-system",
            Self::AliasUsed { .. } => "unit-alias-used",
            Self::TextContradicts { .. } => "unit-text-contradicts-code",
            Self::TextIsAnotherMeasure { .. } => "unit-text-another-measure",
            Self::TextNotUnderstood { .. } => "unit-text-not-understood",
            Self::WrongDimension { .. } => "wrong-dimension",
            Self::CalorieReadAsKilocalorie { .. } => "calorie-read-as-kilocalorie",
            Self::CalorieTakenAsWritten { .. } => "calorie-taken-as-written",
            Self::CalorieAmbiguous { .. } => "calorie-ambiguous",
            Self::Annotation { .. } => "unit-annotation",
            Self::NotConvertible(_) => "not-convertible",
        }
    }

    /// Whether the value cannot be used because of it. The others are assumptions and remarks beside a
    /// usable value.
    pub const fn blocks(&self) -> bool {
        !matches!(
            self,
            Self::NoSystem { .. }
                | Self::AliasUsed { .. }
                | Self::TextIsAnotherMeasure { .. }
                | Self::TextNotUnderstood { .. }
                | Self::CalorieReadAsKilocalorie { .. }
                | Self::CalorieTakenAsWritten { .. }
                | Self::Annotation { .. }
        )
    }
}

/// One sentence for people, without a final period.
impl fmt::Display for UnitNote {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoValue { reason: None } => f.write_str("no value is given"),
            Self::NoValue { reason: Some(reason) } => write!(f, "no value is given: {reason}"),
            Self::UnreadableValue => f.write_str(
                "its value or its unit is not as FHIR has it, or contradicts itself (INT-01 says what is wrong)",
            ),
            Self::Comparator(sign) => write!(f, "a value with the comparator `{sign}` is not an amount"),
            Self::Negative => f.write_str("the value is below zero"),
            Self::Range => f.write_str("the value is outside the range of exact arithmetic"),
            Self::NoUnit => f.write_str("no unit is given"),
            Self::UnknownUnit { given, why } => write!(f, "the unit `{given}` is not understood: {why}"),
            Self::NotForArithmetic { unit, why } => write!(f, "`{unit}` cannot be computed with: {why}"),
            Self::UnlistedText { given } => {
                write!(f, "the unit text `{given}` has no UCUM code beside it and is not an accepted spelling")
            }
            Self::AmbiguousText { given } => {
                write!(f, "the unit text `{given}` has no UCUM code beside it and may mean several units")
            }
            Self::WrongSystem { system } => write!(f, "the unit is coded in `{system}`, not in UCUM ({})", super::UCUM),
            Self::NoSystem { code } => write!(f, "the unit code `{code}` names no system and is read as UCUM"),
            Self::AliasUsed { given, read_as, in_code } => {
                let place = if *in_code { "code" } else { "text" };
                write!(
                    f,
                    "the unit {place} `{given}` is read as the UCUM unit {read_as} (alias table, version {ALIASES_VERSION})"
                )
            }
            Self::TextContradicts { text, code } => {
                write!(f, "the unit text says `{text}` and the unit code says `{code}`")
            }
            Self::TextIsAnotherMeasure { text, code } => {
                write!(
                    f,
                    "the unit text says `{text}`, which is another measure than the unit code `{code}`; the code was used"
                )
            }
            Self::TextNotUnderstood { text, code } => {
                write!(f, "the unit text `{text}` is not understood; the unit code `{code}` was used")
            }
            Self::WrongDimension { code, found, expected } => {
                write!(f, "the unit `{code}` measures {found}; {expected} is needed here")?;
                if found.has_time_above() && code.contains('.') {
                    f.write_str(" (what follows a full stop multiplies; a divisor of several parts goes in parentheses, as in mL/(4.h))")?;
                }
                Ok(())
            }
            Self::CalorieReadAsKilocalorie { literal, read } => write!(
                f,
                "the unit is the small calorie: {literal} kcal/mL as written, which is not plausible; read as {read} kcal/mL"
            ),
            Self::CalorieTakenAsWritten { literal, other } => write!(
                f,
                "the unit is the small calorie: taken as written, {literal} kcal/mL; {other} kcal/mL, if kilocalories were meant, is not plausible"
            ),
            Self::CalorieAmbiguous { literal, other } => write!(
                f,
                "the unit is the small calorie: as written {literal}, with kilocalories {other}; nothing settles which is meant"
            ),
            Self::Annotation { code } => {
                write!(f, "the annotation in the unit `{code}` has no meaning in UCUM and is left out")
            }
            Self::NotConvertible(why) => write!(f, "{why}"),
        }
    }
}

/// A text from the document, fit to be shown: at most 64 characters, and nothing that would act on a
/// screen instead of being read.
pub(super) fn shown(text: &str) -> String {
    let mut out = String::new();
    for (place, c) in text.chars().enumerate() {
        if place >= 64 {
            out.push('…');
            break;
        }
        let acts = c.is_control()
            || matches!(c, '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{206f}' | '\u{feff}');
        if acts { out.extend(c.escape_unicode()) } else { out.push(c) }
    }
    out
}
