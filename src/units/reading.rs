//! From a FHIR Quantity to a number of base units, with everything that has to be said about it.

use super::note::shown;
use super::{Dimension, ElementError, ElementUnit, Unit, UnitError, UnitNote, alias, convert_element};
use crate::exact::{Decimal, Exact};
use crate::formulary::product::Nutrient;
use crate::intake::order::{Field, Quantity};

/// The system of UCUM codes.
pub const UCUM: &str = "http://unitsofmeasure.org";

/// Plausible energy densities, kcal/mL, both ends included. Only used to tell calories from kilocalories.
/// Common practice, no source.
pub const DENSITY_BAND: (Exact, Exact) = (Exact::decimal(3, 1), Exact::decimal(25, 1));

/// A quantity as understood.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reading {
    /// The value in base units ([`measure_nutrient`]: in the nutrient's own unit); `None` when a note says why
    /// it cannot be used.
    pub value: Option<Exact>,
    /// Everything to be said about it, in the order found.
    pub notes: Vec<UnitNote>,
    /// The unit, when it was understood.
    pub unit: Option<Unit>,
    dimension: Dimension,
    // Base units in one of what `value` counts.
    scale: Exact,
}

impl Reading {
    /// The value in `unit`; `None` when there is none, when the dimensions differ, or outside the range of
    /// exact arithmetic. A mineral given as mmol or meq is a mass here.
    pub fn in_unit(&self, unit: &Unit) -> Option<Exact> {
        if self.dimension != unit.dimension {
            return None;
        }
        unit.from_base(self.value?.mul(self.scale)?)
    }

    /// The notes because of which the value cannot be used.
    pub fn blocking(&self) -> impl Iterator<Item = &UnitNote> {
        self.notes.iter().filter(|note| note.blocks())
    }
}

/// Reads a quantity that is to have the dimension `want`, in base units.
///
/// The code decides when there is one; a display unit alone is read only through [`super::aliases`]. The
/// value is `None` when a note [`UnitNote::blocks`]. A zero is a value. An energy in small calories is
/// never taken as written without a word: densities go by [`energy_density`], anything else is ambiguous.
/// A quantity without any unit is a number.
pub fn measure(q: &Quantity<'_>, want: Dimension) -> Reading {
    measure_within(q, want, DENSITY_BAND)
}

/// Reads an energy density, kcal/mL.
///
/// A density in small calories (`cal/mL`) is read as kilocalories when only that lies within
/// [`DENSITY_BAND`], as written when only that does, and not at all otherwise.
pub fn energy_density(q: &Quantity<'_>) -> Reading {
    measure(q, Dimension::ENERGY_DENSITY)
}

/// [`energy_density`] with another band of plausible densities, kcal/mL.
pub fn energy_density_within(q: &Quantity<'_>, band: (Exact, Exact)) -> Reading {
    measure_within(q, Dimension::ENERGY_DENSITY, band)
}

/// The dimension of a quantity's unit, where the unit is understood.
pub(crate) fn dimension_of(q: &Quantity<'_>) -> Option<Dimension> {
    read_unit(q, false, &mut Vec::new()).map(|unit| unit.dimension)
}

fn measure_within(q: &Quantity<'_>, want: Dimension, band: (Exact, Exact)) -> Reading {
    let mut notes = Vec::new();
    let value = read_value(q, &mut notes);
    let unit = read_unit(q, want == Dimension::NUMBER, &mut notes);
    let mut in_base = None;
    if let Some(unit) = &unit {
        if unit.dimension != want {
            notes.push(UnitNote::WrongDimension { code: shown(unit.code()), found: unit.dimension, expected: want });
        } else if let Some(value) = value {
            in_base = unit.to_base(value);
            match in_base {
                None => notes.push(UnitNote::Range),
                Some(literal) if unit.has_small_calorie() && want.has_energy() && !literal.is_zero() => {
                    in_base = settle_calories(value, literal, unit, want, band, &mut notes);
                }
                Some(_) => {}
            }
        }
    }
    finish(in_base, notes, unit, want)
}

/// Reads an amount of a nutrient `per` something ([`Dimension::NUMBER`]: the plain amount), in the unit the
/// nutrient is totalled in ([`Nutrient::unit`]) per base unit of `per`: mg for minerals, mL for water, g
/// for the rest. Minerals may be given as mass, mmol or meq.
pub fn measure_nutrient(q: &Quantity<'_>, nutrient: Nutrient, per: Dimension) -> Reading {
    let of = if nutrient == Nutrient::Water { Dimension::VOLUME } else { Dimension::MASS };
    let Some(expected) = of.per(per) else {
        return finish(None, vec![UnitNote::Range], None, of);
    };
    if nutrient.atomic_mass().is_none() {
        return measure(q, expected);
    }
    let mut notes = Vec::new();
    let value = read_value(q, &mut notes);
    let unit = read_unit(q, false, &mut notes);
    let mut milligrams = None;
    if let Some(unit) = &unit {
        match stated_as(unit.dimension, per) {
            None => notes.push(UnitNote::WrongDimension { code: shown(unit.code()), found: unit.dimension, expected }),
            Some((stated, in_base)) => {
                let amount = value.map(|value| {
                    let stated_amount = unit.to_base(value).and_then(|x| x.mul(in_base)).ok_or(ElementError::Range)?;
                    convert_element(stated_amount, stated, ElementUnit::Milligram, nutrient)
                });
                match amount {
                    Some(Ok(mg)) => milligrams = Some(mg),
                    Some(Err(ElementError::Range)) => notes.push(UnitNote::Range),
                    Some(Err(why)) => notes.push(UnitNote::NotConvertible(why)),
                    None => {}
                }
            }
        }
    }
    Reading { scale: Exact::ratio(1, 1_000), ..finish(milligrams, notes, unit, expected) }
}

/// Reads the concentration of one substance, mmol/mL: stated as amount of substance, as a mass (with its molar
/// mass, g/mol), or as equivalents (with its charge).
pub fn measure_substance(q: &Quantity<'_>, molar_mass: Option<Exact>, charge: Option<i64>) -> Reading {
    let want = Dimension::SUBSTANCE_CONCENTRATION;
    // mmol in one base unit of what is written.
    let (stated, each) = match (dimension_of(q), molar_mass, charge) {
        (Some(Dimension::MASS_CONCENTRATION), Some(mass), _) => {
            (Dimension::MASS_CONCENTRATION, Exact::int(1_000).div(mass))
        }
        (Some(Dimension::EQUIVALENT_CONCENTRATION), _, Some(charge)) => {
            (Dimension::EQUIVALENT_CONCENTRATION, Exact::ONE.div(Exact::int(charge)))
        }
        _ => return measure(q, want),
    };
    let reading = measure(q, stated);
    let value = reading.value.and_then(|x| x.mul(each?));
    let mut notes = reading.notes;
    if reading.value.is_some() && value.is_none() {
        notes.push(UnitNote::Range);
    }
    finish(value, notes, reading.unit, want)
}

/// How an amount with this dimension `per` something states a mineral, and how many of that unit one base
/// unit is.
fn stated_as(dimension: Dimension, per: Dimension) -> Option<(ElementUnit, Exact)> {
    [
        (Dimension::MASS, ElementUnit::Milligram, Exact::int(1_000)),
        (Dimension::SUBSTANCE, ElementUnit::Millimole, Exact::ONE),
        (Dimension::EQUIVALENTS, ElementUnit::Milliequivalent, Exact::ONE),
    ]
    .into_iter()
    .find(|(of, ..)| of.per(per) == Some(dimension))
    .map(|(_, stated, in_base)| (stated, in_base))
}

fn finish(value: Option<Exact>, notes: Vec<UnitNote>, unit: Option<Unit>, dimension: Dimension) -> Reading {
    let value = if notes.iter().any(UnitNote::blocks) { None } else { value };
    Reading { value, notes, unit, dimension, scale: Exact::ONE }
}

fn read_value(q: &Quantity<'_>, notes: &mut Vec<UnitNote>) -> Option<Exact> {
    if let Some(comparator) = &q.comparator {
        notes.push(UnitNote::Comparator(shown(comparator)));
    }
    match &q.value {
        Field::Present(number) => {
            if Decimal::is_negative(number.value) {
                notes.push(UnitNote::Negative);
            }
            Some(number.value.exact())
        }
        Field::Absent => {
            notes.push(UnitNote::NoValue { reason: None });
            None
        }
        Field::Missing { reason, .. } => {
            notes.push(UnitNote::NoValue { reason: Some(shown(reason)) });
            None
        }
        Field::Unreadable { .. } => {
            notes.push(UnitNote::UnreadableValue);
            None
        }
    }
}

fn read_unit(q: &Quantity<'_>, none_is_number: bool, notes: &mut Vec<UnitNote>) -> Option<Unit> {
    let text = q.unit.as_deref().map(str::trim).filter(|text| !text.is_empty());
    if let Some(system) = q.system.as_deref()
        && system != UCUM
    {
        notes.push(UnitNote::WrongSystem { system: shown(system) });
        return None;
    }
    let Some(code) = q.code.as_deref() else {
        return match text {
            Some(text) => read_text(text, notes),
            None if none_is_number => Unit::parse("1").ok(),
            None => {
                notes.push(UnitNote::NoUnit);
                None
            }
        };
    };
    let unit = read_code(code, notes)?;
    if q.system.is_none() {
        notes.push(UnitNote::NoSystem { code: shown(code) });
    }
    if let Some(text) = text
        && text != code
        && alias::contradicts(text, &unit)
    {
        notes.push(UnitNote::TextContradicts { text: shown(text), code: shown(code) });
    } else if let Some(text) = text
        && !alias::is_understood(text, &unit)
    {
        let (text, code) = (shown(text), shown(code));
        notes.push(if alias::is_another_measure(&text, &unit) {
            UnitNote::TextIsAnotherMeasure { text, code }
        } else {
            UnitNote::TextNotUnderstood { text, code }
        });
    }
    if unit.is_annotated() {
        notes.push(UnitNote::Annotation { code: shown(code) });
    }
    Some(unit)
}

fn read_code(code: &str, notes: &mut Vec<UnitNote>) -> Option<Unit> {
    let why = match Unit::parse(code) {
        Ok(unit) => return Some(unit),
        Err(why) => why,
    };
    if let Some(alias) = alias::look_up(code).filter(|alias| alias.in_code) {
        notes.push(UnitNote::AliasUsed { given: shown(code), read_as: alias.read_as, in_code: true });
        return Unit::parse(alias.read_as).ok();
    }
    notes.push(match why {
        UnitError::NotForArithmetic { unit, why } => UnitNote::NotForArithmetic { unit, why },
        why => UnitNote::UnknownUnit { given: shown(code), why },
    });
    None
}

fn read_text(text: &str, notes: &mut Vec<UnitNote>) -> Option<Unit> {
    if let Some(alias) = alias::look_up(text) {
        notes.push(UnitNote::AliasUsed { given: shown(text), read_as: alias.read_as, in_code: false });
        return Unit::parse(alias.read_as).ok();
    }
    notes.push(if alias::is_ambiguous(text) {
        UnitNote::AmbiguousText { given: shown(text) }
    } else if let Err(UnitError::NotForArithmetic { unit, why }) = Unit::parse(text) {
        UnitNote::NotForArithmetic { unit, why }
    } else {
        UnitNote::UnlistedText { given: shown(text) }
    });
    None
}

/// A value in small calories: the reading that alone is plausible, or none.
fn settle_calories(
    value: Exact,
    literal: Exact,
    unit: &Unit,
    want: Dimension,
    band: (Exact, Exact),
    notes: &mut Vec<UnitNote>,
) -> Option<Exact> {
    let Some(other) = unit.in_kilocalories().and_then(|kilo| kilo.to_base(value)) else {
        notes.push(UnitNote::Range);
        return None;
    };
    let plausible = |x: Exact| want == Dimension::ENERGY_DENSITY && band.0 <= x && x <= band.1;
    match (plausible(literal), plausible(other)) {
        (false, true) => {
            notes.push(UnitNote::CalorieReadAsKilocalorie { literal, read: other });
            Some(other)
        }
        (true, false) => {
            notes.push(UnitNote::CalorieTakenAsWritten { literal, other });
            Some(literal)
        }
        _ => {
            notes.push(UnitNote::CalorieAmbiguous { literal, other });
            None
        }
    }
}
