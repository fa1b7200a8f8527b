//! Units: a closed subset of UCUM with exact factors and a dimension check.
//!
//! A [`Unit`] is read from a UCUM code ([`Unit::parse`]); a FHIR Quantity is turned into a number of base
//! units by [`measure`], [`energy_density`] or [`measure_nutrient`]. Base units are cm (so that mL = cm3),
//! g, kcal, s, mmol, meq and mosm; every factor to them is an exact rational.
//!
//! What is not known is refused by name; nothing is guessed. Two readings differ from plain UCUM on
//! purpose, both towards refusing more:
//! - mol, eq and osm are three kinds of quantity. UCUM gives all three the dimension of an amount of
//!   substance; between them stand a valence or a dissociation ([`convert_element`]).
//! - Mass above and below the line do not cancel, so that g/kg/d (per body weight) is never taken for /d.
//!
//! Source: the Unified Code for Units of Measure, version 2.2, <https://ucum.org/ucum>.

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
#![deny(clippy::arithmetic_side_effects)]

mod alias;
mod dimension;
mod element;
mod note;
mod parse;
mod reading;
mod table;

pub use alias::{ALIASES_VERSION, Alias, aliases};
pub use dimension::Dimension;
pub use element::{ElementError, ElementUnit, convert_element, valence};
pub use note::UnitNote;
pub use parse::{MAX_CODE_BYTES, MAX_NESTING, UnitError};
pub(crate) use reading::dimension_of;
pub use reading::{
    DENSITY_BAND, Reading, UCUM, energy_density, energy_density_within, measure, measure_nutrient, measure_substance,
};
pub use table::{atom_codes, common_codes, refused_codes};

use crate::exact::Exact;
use std::borrow::Cow;
use std::fmt;

/// A unit whose value in base units is exactly known.
#[derive(Clone, Debug)]
pub struct Unit {
    code: Cow<'static, str>,
    /// How many base units one of this unit is.
    pub factor: Exact,
    /// Its dimension.
    pub dimension: Dimension,
    // Net exponent of the small calorie `cal`, which senders write when they mean the kilocalorie.
    small_calories: i8,
    annotated: bool,
}

impl Unit {
    /// mL
    pub const MILLILITRE: Self = Self::known("mL", Exact::ONE, Dimension::VOLUME);
    /// mL/h
    pub const MILLILITRE_PER_HOUR: Self = Self::known("mL/h", Exact::ratio(1, 3_600), Dimension::VOLUME_RATE);
    /// mL/d
    pub const MILLILITRE_PER_DAY: Self = Self::known("mL/d", Exact::ratio(1, 86_400), Dimension::VOLUME_RATE);
    /// mL/kg/h
    pub const MILLILITRE_PER_KILOGRAM_HOUR: Self =
        Self::known("mL/kg/h", Exact::ratio(1, 3_600_000), Dimension::VOLUME_RATE_PER_MASS);
    /// mL/kg/d
    pub const MILLILITRE_PER_KILOGRAM_DAY: Self =
        Self::known("mL/kg/d", Exact::ratio(1, 86_400_000), Dimension::VOLUME_RATE_PER_MASS);
    /// kcal
    pub const KILOCALORIE: Self = Self::known("kcal", Exact::ONE, Dimension::ENERGY);
    /// kcal/mL
    pub const KILOCALORIE_PER_MILLILITRE: Self = Self::known("kcal/mL", Exact::ONE, Dimension::ENERGY_DENSITY);
    /// kcal/\[foz_us]
    pub const KILOCALORIE_PER_FLUID_OUNCE: Self =
        Self::known("kcal/[foz_us]", Exact::ratio(10_000_000_000, 295_735_295_625), Dimension::ENERGY_DENSITY);
    /// g
    pub const GRAM: Self = Self::known("g", Exact::ONE, Dimension::MASS);
    /// kg
    pub const KILOGRAM: Self = Self::known("kg", Exact::int(1_000), Dimension::MASS);
    /// mg
    pub const MILLIGRAM: Self = Self::known("mg", Exact::ratio(1, 1_000), Dimension::MASS);
    /// min
    pub const MINUTE: Self = Self::known("min", Exact::int(60), Dimension::TIME);
    /// h
    pub const HOUR: Self = Self::known("h", Exact::int(3_600), Dimension::TIME);
    /// d
    pub const DAY: Self = Self::known("d", Exact::int(86_400), Dimension::TIME);
    /// cm
    pub const CENTIMETRE: Self = Self::known("cm", Exact::ONE, Dimension::LENGTH);
    /// The units above.
    pub const KNOWN: [Self; 15] = [
        Self::MILLILITRE,
        Self::MILLILITRE_PER_HOUR,
        Self::MILLILITRE_PER_DAY,
        Self::MILLILITRE_PER_KILOGRAM_HOUR,
        Self::MILLILITRE_PER_KILOGRAM_DAY,
        Self::KILOCALORIE,
        Self::KILOCALORIE_PER_MILLILITRE,
        Self::KILOCALORIE_PER_FLUID_OUNCE,
        Self::GRAM,
        Self::KILOGRAM,
        Self::MILLIGRAM,
        Self::MINUTE,
        Self::HOUR,
        Self::DAY,
        Self::CENTIMETRE,
    ];

    const fn known(code: &'static str, factor: Exact, dimension: Dimension) -> Self {
        Self { code: Cow::Borrowed(code), factor, dimension, small_calories: 0, annotated: false }
    }

    /// Reads a UCUM code (case-sensitive).
    ///
    /// # Errors
    /// [`UnitError`] names the part that is not UCUM, not in the subset, or not usable for arithmetic.
    pub fn parse(code: &str) -> Result<Self, UnitError> {
        match table::common(code) {
            Some(unit) => Ok(unit),
            None => parse::parse(code),
        }
    }

    /// The same as [`Unit::parse`] without the shortcut for common codes; for tests of that shortcut.
    ///
    /// # Errors
    /// As [`Unit::parse`].
    pub fn parse_in_full(code: &str) -> Result<Self, UnitError> {
        parse::parse(code)
    }

    /// The UCUM code as it was written.
    pub fn code(&self) -> &str {
        &self.code
    }

    /// Whether the code carries an annotation such as `{feed}`, which UCUM gives no meaning.
    pub fn is_annotated(&self) -> bool {
        self.annotated
    }

    /// Whether the code is written with the small calorie `cal`.
    pub fn has_small_calorie(&self) -> bool {
        self.small_calories != 0
    }

    /// `value` of this unit in base units; `None` outside the range of exact arithmetic.
    pub fn to_base(&self, value: Exact) -> Option<Exact> {
        value.mul(self.factor)
    }

    /// `value` base units in this unit; `None` outside the range of exact arithmetic.
    pub fn from_base(&self, value: Exact) -> Option<Exact> {
        value.div(self.factor)
    }

    /// `value` of this unit in `other`; `None` when the dimensions differ, or outside the range of exact
    /// arithmetic.
    pub fn convert(&self, value: Exact, other: &Unit) -> Option<Exact> {
        if self.dimension != other.dimension {
            return None;
        }
        self.factor.div(other.factor)?.mul(value)
    }
}

/// Two units are equal when they measure the same: dimension and factor, however written.
impl PartialEq for Unit {
    fn eq(&self, other: &Self) -> bool {
        self.dimension == other.dimension && self.factor == other.factor
    }
}
impl Eq for Unit {}

/// The code as it was written.
impl fmt::Display for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.code)
    }
}

impl Unit {
    /// The same unit with every small calorie read as a kilocalorie; `None` when it has none, or outside
    /// the range of exact arithmetic.
    fn in_kilocalories(&self) -> Option<Unit> {
        if self.small_calories == 0 {
            return None;
        }
        let mut factor = self.factor;
        for _ in 0..self.small_calories.unsigned_abs() {
            factor =
                if self.small_calories > 0 { factor.mul(Exact::int(1_000))? } else { factor.div(Exact::int(1_000))? };
        }
        Some(Unit { factor, small_calories: 0, ..self.clone() })
    }
}
