//! Integrity rules: the order contradicts itself, cannot be read, or is not complete. They need no limit of
//! the institution and are on by default. Each is a pure function of a [`Case`]; none sees another's outcome,
//! except that [`judge`] hides the consequences of a cause that has been found.

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

mod completeness;
mod consistency;
mod free_text;
mod plausibility;
mod reading;
mod unit_slips;

use crate::exact::Exact;
use crate::findings::{Finding, Judged, Outcome, Rule, RuleKind, Tier};
use crate::formulary::Formulary;
use crate::intake::order::{At, Order, Problem};
use crate::nutrition::plan::Plan;
use crate::nutrition::totals::{OrderDay, Totals};
use crate::settings::Settings;
use std::borrow::Cow;

/// What is known of the patient, as far as these rules ask.
#[derive(Clone, Debug)]
pub struct Person {
    /// The order names a patient, and that Patient is in the document.
    pub identity: Identity,
    /// Birth date known at least to the year.
    pub birth_known: bool,
    /// Administrative gender male or female.
    pub sex_known: bool,
    /// Sex, where reference values exist for it.
    pub sex: Option<crate::needs::Sex>,
    /// Age in days, lowest and highest.
    pub age_days: Option<(Exact, Exact)>,
    /// Completed months of age, lowest and highest.
    pub age_months: Option<(Exact, Exact)>,
    /// The same, corrected for prematurity to 24 months; below zero before term.
    pub corrected_days: Option<(Exact, Exact)>,
    /// Gestation at birth plus age, days; `None` where the gestation is not known.
    pub postmenstrual_days: Option<(Exact, Exact)>,
    /// Birth weight, kg, with its place.
    pub birth_weight: Option<(Exact, At)>,
    /// Dosing weight.
    pub weight: Weight,
    /// Height or length, cm, with its place.
    pub height: Option<(Exact, At)>,
    /// What the patient's record says of itself, with its place.
    pub record: Vec<(Record, At)>,
    /// The weight used names no patient.
    pub weight_of_nobody: bool,
    /// In hospital, when an encounter says so.
    pub inpatient: Option<bool>,
    /// Kinds of context that the sender declares and that are not there, by the name used in settings.
    pub declared_missing: Vec<&'static str>,
    /// Kinds that the sender declares and that the program does not read in any form.
    pub declared_unread: Vec<&'static str>,
    /// Resources of another patient that were sent along: type and id, and where.
    pub refused: Vec<(String, At)>,
    /// Context that was there and could not be used. (what, where)
    pub set_aside: Vec<(String, At)>,
}

/// What a patient's record says that does not fit an order for use.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Record {
    /// The patient has died.
    Deceased,
    /// The record is not in use.
    Inactive,
    /// Another record has taken its place.
    Replaced,
}

/// Whether the patient is known.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Identity {
    /// The Patient resource is in the document.
    Sent(At),
    /// Named, but the resource was not sent.
    NotSent,
    /// The order names no single patient. (why)
    None(String),
}

/// The dosing weight.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Weight {
    /// Usable: kg, its place, its age in days (lowest, highest) when known.
    Usable {
        /// kg.
        kg: Exact,
        /// Where.
        at: At,
        /// Days before the order.
        days_old: Option<(Exact, Exact)>,
    },
    /// None was sent.
    NotSent,
    /// One was sent and cannot be used. (why)
    Unusable(String, Vec<At>),
}

impl Weight {
    /// kg, when usable.
    pub fn kg(&self) -> Option<Exact> {
        if let Weight::Usable { kg, .. } = self { Some(*kg) } else { None }
    }
}

/// Another active order of the same patient in the same input.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Beside {
    /// The other order.
    pub at: At,
    /// It gives feed (not only water), or does not say what it gives.
    pub feeds: bool,
    /// When it feeds, or how much, is stated in some way.
    pub stated: bool,
    /// Both give feed at the same time of the day.
    pub overlaps: bool,
    /// The two say the same.
    pub identical: bool,
    /// What all of them give together on the fullest day, and which that is, for people.
    pub together: String,
}

/// Everything a rule may look at.
#[derive(Clone, Copy)]
pub struct Case<'a> {
    /// The order.
    pub order: &'a Order<'a>,
    /// What could not be read in it.
    pub problems: &'a [Problem],
    /// Lines, contents, doses.
    pub plan: &'a Plan,
    /// Days from the first.
    pub days: &'a [(OrderDay, Totals)],
    /// Days after these on which something begins.
    pub further: &'a [(OrderDay, Totals)],
    /// The steady day.
    pub steady: Option<&'a (OrderDay, Totals)>,
    /// The patient.
    pub person: &'a Person,
    /// The institution's products.
    pub formulary: &'a Formulary,
    /// Settings.
    pub settings: &'a Settings,
    /// Other active orders of the patient.
    pub beside: &'a [Beside],
    /// Whether the sender's input could have held other orders.
    pub others_sent: bool,
    /// Other feeding orders whose patient may be this one: nothing tells them apart, and nothing says that they are one.
    pub whose: &'a [At],
    /// Places of foods that the order excludes and that the rulebook has no word for.
    pub foods_not_known: &'a [At],
    /// Pumps that may be the one in use; more than one where it cannot be told.
    pub pumps: &'a [PumpRange],
    /// Orders that nothing is to be given.
    pub stops: &'a Stops,
}

/// What a pump can be set to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PumpRange {
    /// For people.
    pub title: String,
    /// Lowest and highest rate, and the step in between, mL/h.
    pub rate: [Exact; 3],
}

/// Orders that the patient is to have nothing by mouth or tube.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum Stops {
    /// The rulebook has no codes for them.
    #[default]
    NoCodes,
    /// The sender sent no orders of that kind.
    NotSent,
    /// What was sent.
    Sent {
        /// Orders in force whose codes say so.
        found: Vec<Stop>,
        /// Orders in force whose codes say nothing that is known, and what is unclear about them.
        unread: Vec<(At, &'static str)>,
    },
}

/// One of them.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stop {
    /// The order.
    pub at: At,
    /// What it says, in the rulebook's words.
    pub title: String,
    /// From and to, as far as stated.
    pub period: [Option<crate::intake::order::When>; 2],
}

impl<'a> Case<'a> {
    /// The day that stands for the order: the steady day, else the last day there is.
    pub fn day(&self) -> Option<&'a (OrderDay, Totals)> {
        self.steady.or_else(|| self.days.last())
    }

    /// Every day computed.
    pub fn all_days(&self) -> impl Iterator<Item = &'a (OrderDay, Totals)> {
        self.days.iter().chain(self.further).chain(self.steady)
    }

    /// Youngest and oldest age in years the birth date allows. Birthdays fall on whole years: from the first on,
    /// completed months count, as they do for limits.
    pub fn age_years(&self) -> Option<(Exact, Exact)> {
        let count = |days: Exact, months: Option<Exact>| match months {
            Some(m) if m >= Exact::int(12) => m.div(Exact::int(12)),
            _ => days.div(Exact::decimal(36_525, 2)),
        };
        let ((a, b), months) = (self.person.age_days?, self.person.age_months);
        Some((count(a, months.map(|m| m.0))?, count(b, months.map(|m| m.1))?))
    }
}

type Evaluate = fn(&Case<'_>) -> Outcome;

/// Every integrity rule with its evaluation, in the order in which findings are shown: unit and weight, then
/// consistency, then completeness, then reminders.
pub static RULES: &[(Rule, Evaluate)] = &[
    rule(
        "INT-01",
        "structure-broken",
        "The resource does not have the form FHIR requires",
        Tier::High,
        "FHIR (HL7), the version's NutritionOrder",
        reading::structure,
    ),
    rule(
        "CMP-05",
        "modifier-not-understood",
        "A modifier extension is not understood",
        Tier::High,
        "FHIR (HL7): an element with a modifier that is not understood must not be processed",
        reading::modifiers,
    ),
    rule(
        "CMP-06",
        "context-of-another-patient",
        "A resource of another patient was sent along",
        Tier::High,
        "derived",
        reading::other_patient,
    ),
    rule(
        "INT-02",
        "unit-not-usable",
        "A unit is unknown, of the wrong kind, or ambiguous",
        Tier::High,
        "UCUM 2.2; derived",
        unit_slips::not_usable,
    ),
    rule(
        "UNT-09",
        "unit-text-against-code",
        "The unit's code and its text contradict each other",
        Tier::High,
        "derived",
        unit_slips::text_against_code,
    ),
    rule(
        "UNT-08",
        "zero-or-negative-amount",
        "A rate, volume, density or weight is zero or negative",
        Tier::High,
        "derived",
        unit_slips::not_positive,
    ),
    rule(
        "UNT-02",
        "density-in-the-other-unit",
        "The energy density reads as if kcal/mL and kcal/oz were swapped",
        Tier::Stop,
        "derived",
        unit_slips::density_swapped,
    ),
    rule(
        "UNT-01",
        "density-impossible",
        "No feed has this energy density",
        Tier::Stop,
        "derived",
        unit_slips::density_impossible,
    ),
    rule(
        "UNT-03",
        "calorie-for-kilocalorie",
        "The energy density is coded in small calories",
        Tier::Med,
        "derived; UCUM 2.2",
        unit_slips::calorie,
    ),
    rule(
        "UNT-04",
        "daily-volume-as-rate",
        "The rate is not one that is given per hour",
        Tier::Stop,
        "derived",
        unit_slips::daily_volume_as_rate,
    ),
    rule(
        "WGT-05",
        "grams-as-kilograms",
        "The weight is not possible in kilograms",
        Tier::Stop,
        "derived",
        plausibility::grams_as_kilograms,
    ),
    rule(
        "WGT-01",
        "weight-against-age",
        "The weight is implausible at this age",
        Tier::High,
        "WHO Child Growth Standards, weight-for-age, flags below −6 and above +5; before term and against the birth weight from memory, to be confirmed",
        plausibility::weight_for_age_implausible,
    ),
    rule(
        "HGT-01",
        "height-against-age",
        "The height is implausible at this age",
        Tier::High,
        "common practice, no source; wider than growth charts at six standard deviations",
        plausibility::height_for_age_implausible,
    ),
    rule(
        "RTE-06",
        "route-not-enteral",
        "The route, or a product, is not for the gut",
        Tier::Stop,
        "statements of the consortia on enteral misconnections; ISO 80369-3",
        plausibility::not_enteral,
    ),
    rule(
        "RTE-01",
        "bolus-beyond-stomach",
        "A bolus is ordered into the small bowel",
        Tier::High,
        "professional-manual and handbook chapters on enteral feeding; practice-based",
        plausibility::bolus_beyond_stomach,
    ),
    rule("UNT-06", "ounces-as-millilitres", "The volume looks like ounces", Tier::High, "derived", unit_slips::ounces),
    rule(
        "UNT-05",
        "decimal-slip",
        "A factor of ten, a hundred or a thousand brings the order from implausible to usual",
        Tier::High,
        "derived; bands from memory, wider than any goal",
        unit_slips::decimal_slip,
    ),
    rule(
        "INT-03",
        "unit-spelling",
        "A unit is not valid UCUM and was read by its known spelling",
        Tier::Low,
        "UCUM 2.2",
        unit_slips::alias,
    ),
    rule(
        "CON-11",
        "timing-not-computable",
        "The timing cannot be computed",
        Tier::High,
        "derived",
        consistency::timing,
    ),
    rule(
        "CON-12",
        "timing-code-against-repeat",
        "The timing's code and its repeat contradict each other",
        Tier::High,
        "derived",
        consistency::code_against_repeat,
    ),
    rule(
        "CON-06",
        "count-against-schedule",
        "The number of feeds and the schedule contradict each other",
        Tier::High,
        "derived",
        consistency::count,
    ),
    rule(
        "CON-05",
        "feeds-overlap",
        "A feed lasts longer than the interval to the next",
        Tier::High,
        "derived",
        consistency::feeds_overlap,
    ),
    rule(
        "CON-01",
        "rate-against-volume",
        "Rate, time and volume contradict each other",
        Tier::High,
        "derived",
        consistency::rate_against_volume,
    ),
    rule(
        "CON-02",
        "count-against-volume",
        "Volume, number of feeds and the day's stated total contradict each other",
        Tier::High,
        "derived",
        consistency::count_against_volume,
    ),
    rule(
        "CON-03",
        "cap-against-schedule",
        "The maximum volume and the schedule do not fit",
        Tier::High,
        "derived",
        consistency::cap,
    ),
    rule(
        "CON-04",
        "density-against-product",
        "The order's energy density is not the product's",
        Tier::Med,
        "derived",
        consistency::density,
    ),
    rule(
        "CON-09",
        "steps-overlap-or-gap",
        "The schedule overlaps itself, leaves a gap, or does not fit the order's dates",
        Tier::High,
        "derived",
        consistency::steps,
    ),
    rule(
        "CON-08",
        "orders-beside-each-other",
        "Two active feeding orders of one patient overlap",
        Tier::High,
        "common practice, no source",
        consistency::beside,
    ),
    rule(
        "CMP-03",
        "text-changes-dose",
        "Free text holds amounts or holds that are not in the coded order",
        Tier::Med,
        "derived",
        completeness::text,
    ),
    rule(
        "INT-04",
        "product-not-known",
        "The formula, an additive or a flush fluid is not in the formulary, or its keys disagree",
        Tier::Med,
        "derived",
        completeness::product,
    ),
    rule(
        "INT-05",
        "additive-not-counted",
        "An additive is ordered without an amount that can be counted",
        Tier::Med,
        "derived",
        completeness::additive,
    ),
    rule(
        "NUT-09",
        "formulary-does-not-add-up",
        "The formulary's own figures for the product do not add up",
        Tier::Med,
        "derived; energy factors 4, 9, 4 kcal/g from memory",
        completeness::formulary,
    ),
    rule(
        "CMP-01",
        "core-element-missing",
        "A core element of a feeding order is missing or ambiguous",
        Tier::High,
        "ASPEN Safe Practices for Enteral Nutrition Therapy 2017, six components (secondary); start and prescriber are this project's own choice",
        completeness::core,
    ),
    rule(
        "CMP-02",
        "weight-missing-or-old",
        "There is no usable, recent dosing weight",
        Tier::High,
        "common practice, no source",
        completeness::weight,
    ),
    rule(
        "TUB-01",
        "no-flush",
        "No water flush is ordered",
        Tier::Med,
        "flushing at least every 4 h and around feeds (secondary)",
        completeness::flush,
    ),
    rule(
        "INT-09",
        "declared-context-missing",
        "A kind of data that the sender declares is not there",
        Tier::Med,
        "derived",
        completeness::declared,
    ),
    rule(
        "INT-06",
        "totals-not-known",
        "Energy or protein of the day cannot be worked out",
        Tier::Med,
        "derived",
        completeness::totals,
    ),
    rule(
        "INT-07",
        "element-not-known",
        "An element or extension of the resource is not known and was not used",
        Tier::Low,
        "FHIR (HL7)",
        reading::unknown_elements,
    ),
    rule(
        "LIF-03",
        "not-for-use",
        "The order's status or intent, or the patient's record, is not that of an order for use",
        Tier::Low,
        "FHIR (HL7), request status and intent; Patient.deceased, active and link",
        reading::life_cycle,
    ),
    rule(
        "INT-08",
        "part-not-computed",
        "A part of the order is outside what is computed",
        Tier::Low,
        "derived",
        completeness::outside,
    ),
    rule(
        "CMP-04",
        "supporting-orders",
        "Supporting orders are not part of a NutritionOrder and were not looked for",
        Tier::Low,
        "ASPEN Safe Practices for Enteral Nutrition Therapy 2017, supplementary orders (secondary)",
        completeness::supporting,
    ),
    rule(
        "CON-07",
        "rate-not-programmable",
        "The rate is not one the pump can be set to",
        Tier::High,
        "common practice, no source",
        consistency::pump,
    ),
    rule(
        "CON-10",
        "nil-by-mouth",
        "An active nil-by-mouth or hold order overlaps",
        Tier::Med,
        "common practice, no source",
        consistency::nil_by_mouth,
    ),
    rule(
        "UNT-07",
        "electrolyte-unit",
        "An electrolyte additive is far from the usual dose in the stated unit",
        Tier::High,
        "derived",
        unit_slips::electrolyte,
    ),
];

const fn rule(
    id: &'static str,
    name: &'static str,
    title: &'static str,
    tier: Tier,
    source: &'static str,
    evaluate: Evaluate,
) -> (Rule, Evaluate) {
    (
        Rule {
            id: Cow::Borrowed(id),
            name: Cow::Borrowed(name),
            title: Cow::Borrowed(title),
            tier,
            source: Cow::Borrowed(source),
            kind: RuleKind::Integrity,
        },
        evaluate,
    )
}

/// Rules of the list that this version judges of no order, with the data that they wait for.
pub static NOT_JUDGED: &[(&str, &str)] = &[
    (
        "CON-02",
        "the day's total as the prescriber states it beside volume and number of feeds: a NutritionOrder has no element for it besides the maximum volume, which CON-03 judges",
    ),
    (
        "UNT-07",
        "the usual dose of each electrolyte additive, as figures of the institution, and additives that name their salt: neither a NutritionOrder nor the formulary has them",
    ),
];

/// The data that a rule of the program waits for, if this version does not judge it.
pub fn not_judged_yet(id: &str) -> Option<&'static str> {
    NOT_JUDGED.iter().find(|(known, _)| *known == id).map(|(_, waits)| *waits)
}

/// The outcome of such a rule.
fn waits(id: &str) -> Outcome {
    Outcome::NotProvided(Cow::Borrowed(not_judged_yet(id).unwrap_or("data that is not read yet")))
}

/// Causes and the consequences they hide: one root cause, one finding.
const HIDES: &[(&str, &[&str])] = &[
    ("UNT-02", &["UNT-01", "UNT-05", "CON-04"]),
    ("UNT-01", &["UNT-05", "CON-04"]),
    ("UNT-04", &["UNT-05", "CON-03", "CON-07"]),
    ("WGT-05", &["WGT-01", "UNT-05", "UNT-06"]),
    ("WGT-01", &["UNT-05"]),
    ("UNT-06", &["UNT-05"]),
    ("UNT-05", &["CON-07"]),
    ("CON-12", &["CON-11"]),
];

/// Evaluates every rule. INVARIANT: one outcome per rule known to the program. A rule that is switched off names no
/// cause, so it hides nothing.
pub fn judge(case: &Case<'_>, off: &dyn Fn(&str) -> Option<Outcome>) -> Vec<Judged<'static>> {
    let mut out: Vec<Judged<'static>> = RULES
        .iter()
        .map(|(rule, evaluate)| Judged { rule, outcome: off(&rule.id).unwrap_or_else(|| evaluate(case)) })
        .collect();
    let grave = |j: &Judged<'_>| j.outcome.tier() >= Some(Tier::High);
    if !out.iter().any(grave) {
        return out;
    }
    for (cause, consequences) in HIDES {
        if !out.iter().any(|j| grave(j) && j.rule.id == *cause) {
            continue;
        }
        for j in &mut out {
            // What found nothing on what is wrong says nothing either.
            if matches!(j.outcome, Outcome::Flagged(_) | Outcome::Clear) && consequences.contains(&&*j.rule.id) {
                j.outcome = Outcome::Hidden(Cow::Borrowed(cause));
            }
        }
    }
    out
}

/// Outcomes when an order is not computed at all, because of its status.
pub fn not_judged(why: &'static str, order: &Order<'_>) -> Vec<Judged<'static>> {
    RULES
        .iter()
        .map(|(rule, _)| Judged {
            rule,
            outcome: if rule.id == "LIF-03" {
                // Never clear: nothing was judged.
                Outcome::NotEvaluated(
                    why.to_owned(),
                    vec![if order.formula.is_none() { order.at } else { order.status.at().unwrap_or(order.at) }],
                )
            } else {
                Outcome::NotApplicable(why.into())
            },
        })
        .collect()
}

/// A finding without arithmetic or fix.
fn finding(tier: Tier, text: String, at: Vec<At>) -> Finding {
    Finding { tier, text, arithmetic: None, fix: None, at, code: None, correction: None, excess: None }
}

/// Flagged when there is any, else clear.
fn found(findings: Vec<Finding>) -> Outcome {
    if findings.is_empty() { Outcome::Clear } else { Outcome::Flagged(findings) }
}

#[cfg(test)]
mod tests {
    use super::{HIDES, RULES};

    #[test]
    fn what_hides_and_what_is_hidden_are_rules_of_the_program() {
        for (cause, consequences) in HIDES {
            for id in std::iter::once(cause).chain(*consequences) {
                assert!(RULES.iter().any(|(rule, _)| rule.id == *id), "{id} is no rule");
            }
            assert!(!consequences.is_empty() && !consequences.contains(cause), "{cause}");
        }
    }
}
