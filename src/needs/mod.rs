//! Requirement estimates: every published one that could apply, as a list, none picked in silence.
//!
//! Each [`Estimate`] carries its formula, inputs, domain, whether it holds for these inputs, and where it
//! comes from with how well that is known. Equations predict groups; measured expenditure outranks them.
//! They inform a licensed reader and local policy; they decide nothing.
//!
//! Ages in years are days ÷ 365.25, in months days ÷ 30.4375, decimals kept; bands start at their lower
//! end. Everything is exact except [`growth`], which needs powers and roots.

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

mod adult;
mod body;
mod child;
mod estimate;
mod fluid;
mod formula;
pub mod growth;
mod infant;
mod person;

pub use body::body_mass_class;
pub use estimate::{Estimate, Figure, Given, Input, Kind, Mark, Sex, Source, Validity};

use crate::exact::Exact;
use person::Person;

/// What the Penn State equations need besides size, sex and age.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Ventilation {
    /// Minute volume of the ventilator, L/min.
    pub minute_volume_l: Option<Exact>,
    /// Highest body temperature in the last 24 h, °C.
    pub tmax_c: Option<Exact>,
}

/// What is known of the person. Nothing is assumed for what is missing.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Inputs {
    /// Sex.
    pub sex: Option<Sex>,
    /// Age in days, lowest and highest: equal for a full birth date, apart for a partial one.
    pub age_days: Option<(Exact, Exact)>,
    /// Body weight as measured, kg.
    pub weight_kg: Option<Exact>,
    /// Height or length, cm.
    pub height_cm: Option<Exact>,
    /// Birth weight, kg.
    pub birth_weight_kg: Option<Exact>,
    /// Gestational age at birth, weeks.
    pub gestational_weeks: Option<Exact>,
    /// Given when mechanically ventilated; lists the Penn State equations.
    pub ventilated: Option<Ventilation>,
    /// Energy expenditure by indirect calorimetry, kcal/d.
    pub measured_energy_kcal: Option<Exact>,
}

/// Above this weight (kg) no infant table is listed when the age is missing.
const NO_INFANT_ABOVE: Exact = Exact::int(20);

/// Every estimate that could apply at this age, in a fixed order: measured expenditure, resting and total
/// energy, clinical targets, protein, fluid, body size, growth. Adult families from 18 years, children's
/// below 18 or 19, infants' below 1 year, newborns' below 28 days; with the age missing, all of them,
/// saying so. A family given by sex and age band has one entry per activity level from 3 years.
pub fn estimates(inputs: &Inputs) -> Vec<Estimate> {
    let person = Person::new(inputs);
    let adult = person.may_reach(Exact::int(18));
    let (child, minor) = (person.may_be_under(Exact::int(18)), person.may_be_under(Exact::int(19)));
    let small = person.years().is_some() || inputs.weight_kg.is_none_or(|kg| kg <= NO_INFANT_ABOVE);
    let infant = small && person.may_be_under(Exact::ONE);
    let newborn = small && person.days().is_none_or(|age| age.low < Exact::int(28));
    let under_five = small && person.days().is_none_or(|age| age.low < Exact::int(i64::from(growth::LAST_DAY) + 1));

    let mut out: Vec<Estimate> = adult::measured(&person).into_iter().collect();
    if adult {
        out.extend(adult::resting(&person));
    }
    if child {
        out.extend(child::resting(&person));
    }
    out.extend(child::eer_2002(&person));
    out.extend(child::eer_2023(&person));
    if adult {
        out.extend(adult::targets(&person));
    }
    if infant {
        out.extend(infant::ranges(&person));
    }
    if minor {
        out.extend(child::protein(&person));
        out.extend(fluid::children(&person));
    }
    if newborn {
        out.extend(fluid::newborns(&person));
    }
    if adult {
        out.extend(fluid::adults(&person));
        out.extend(body::reference_weights(&person));
    }
    out.push(body::body_mass_index(&person));
    out.push(body::body_surface(&person));
    if under_five {
        out.push(growth::z_estimate(&person));
    }
    out
}

/// The estimates that can be asked for without working out the whole list.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Single {
    /// Resting energy of adults, Mifflin-St Jeor.
    MifflinStJeor,
    /// Resting energy under 18 years, Schofield by weight.
    SchofieldWeight,
    /// Resting energy under 18 years, Schofield by weight and height.
    SchofieldWeightHeight,
    /// Maintenance fluid of children.
    HollidaySegar,
    /// Ideal weight of adults, Devine.
    Ideal,
    /// Ideal weight of adults and a quarter of the excess.
    Adjusted25,
}

/// One estimate, under the conditions of [`estimates`]; `None` where that list would not hold it.
pub fn single(inputs: &Inputs, which: Single) -> Option<Estimate> {
    let person = Person::new(inputs);
    let (adult, under) = (person.may_reach(Exact::int(18)), |years| person.may_be_under(Exact::int(years)));
    match which {
        Single::MifflinStJeor => adult.then(|| adult::mifflin(&person)),
        Single::SchofieldWeight => under(18).then(|| child::schofield(&person, false)),
        Single::SchofieldWeightHeight => under(18).then(|| child::schofield(&person, true)),
        Single::HollidaySegar => under(19).then(|| fluid::maintenance(&person)),
        Single::Ideal => adult.then(|| body::devine(&person)),
        Single::Adjusted25 => adult.then(|| body::adjusted_25(&person)),
    }
}

/// The estimate with this `id` and `variant`, if it is in the list.
pub fn find<'e>(list: &'e [Estimate], id: &str, variant: Option<&str>) -> Option<&'e Estimate> {
    list.iter().find(|estimate| estimate.id == id && estimate.variant == variant)
}
