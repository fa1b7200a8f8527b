//! What is known of the patient, where it stands and how old it was when the order was written.

use super::words::old;
use super::{Word, identity, seen, when};
use crate::amount::Amount;
use crate::appraise::Appraisal;
use crate::exact::Exact;
use crate::intake::bundle::Gathered;
use crate::intake::order::{At, Order};
use crate::patient::laboratory::TESTS;
use crate::patient::{Context, CorrectionBasis, Measurements, Person, ReferenceSource, Sent, Sex};
use serde::{Deserialize, Serialize};

/// Most entries of one list of context that are named.
const MOST_NAMED: usize = 12;

/// One fact, or that it is not there.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Fact {
    /// What.
    pub name: Word,
    /// Its value as written, or `not sent`, `none stated`, `cannot be used`.
    pub value: String,
    /// How old it was at the time of the order; empty where that has no meaning.
    pub age: String,
    /// Where it stands.
    #[serde(skip)]
    pub at: Option<At>,
    /// What to know about it: an older value, why another was not taken.
    pub note: String,
    /// It is missing or cannot be used.
    pub missing: bool,
}

impl Fact {
    fn new(name: &'static str, value: String) -> Self {
        Self { name: name.into(), value, age: String::new(), at: None, note: String::new(), missing: false }
    }

    fn missing(name: &'static str, value: &str) -> Self {
        Self { missing: true, ..Self::new(name, value.to_owned()) }
    }
}

/// The name that the input gives the patient, or what it gives instead.
pub(super) fn name(a: &Appraisal<'_>, order: &Order<'_>, context: &Context<'_>) -> String {
    let named = a.document.as_ref().zip(if let Person::Resource(at) = context.person { Some(at) } else { None });
    let from_resource = named.and_then(|(document, at)| identity::name(document.node(at)));
    let reference = order.patient.value();
    let from_order = || reference.and_then(|r| r.display.as_ref().or(r.reference.as_ref())).map(|t| t.to_string());
    match from_resource.or_else(from_order) {
        Some(name) => seen(name.trim()),
        None => match context.person {
            Person::Group => "a group".to_owned(),
            Person::Ambiguous => "cannot be told: the reference fits several people".to_owned(),
            _ => "not named".to_owned(),
        },
    }
}

/// Facts, and the moment that ages are reckoned from.
pub(super) fn facts(
    a: &Appraisal<'_>,
    gathered: &Gathered<'_>,
    order: &Order<'_>,
    context: &Context<'_>,
) -> (Vec<Fact>, String) {
    let zone = &a.settings.zone;
    let reckoned = match context.reference {
        None => "The order has no usable time, so ages cannot be reckoned.".to_owned(),
        Some(x) => {
            let from = match x.source {
                ReferenceSource::Asked => "the time that was asked for",
                ReferenceSource::Order(_) => "the time of the order",
                ReferenceSource::OrderDateAtNoon(_) => "noon of the order's date",
            };
            format!("Ages are reckoned from {from}: {}.", super::moment(zone, x.epoch))
        }
    };
    let mut out = vec![age(context)];
    if let Some(corrected) = corrected(context) {
        out.push(corrected);
    }
    out.push(match context.sex {
        Sex::Male => Fact { at: context.sex_at, ..Fact::new("sex", "male".to_owned()) },
        Sex::Female => Fact { at: context.sex_at, ..Fact::new("sex", "female".to_owned()) },
        Sex::Unknown => Fact::missing("sex", "not sent, or neither male nor female"),
    });
    out.push(measured(a, context, "weight", &context.weight));
    out.push(measured(a, context, "height or length", &context.height));
    for (name, of) in [("gestation at birth", &context.gestation), ("birth weight", &context.birth_weight)] {
        if of.is_sent() {
            out.push(measured(a, context, name, of));
        }
    }
    let laboratories = context.laboratories(gathered, &TESTS);
    for (ix, test) in TESTS.iter().enumerate() {
        let own = laboratories.iter().filter(|(of, _)| *of == ix).map(|(_, at)| *at);
        let found = context.laboratory(gathered, test, own, &mut Vec::new());
        if found.is_sent() {
            out.push(measured(a, context, test.name, &found));
        }
    }
    if laboratories.is_empty() {
        out.push(Fact::missing("laboratory values", "not sent"));
    }
    for (name, sent) in [
        ("allergies", &context.allergies),
        ("conditions", &context.conditions),
        ("medicines", &context.medicines),
        ("devices", &context.devices),
        ("procedures", &context.procedures),
        ("other feeding orders", &context.other_orders),
    ] {
        out.push(listed(a, name, sent));
    }
    if !order.allergies.is_empty() && !context.allergies.is_data() {
        let n = order.allergies.len();
        out.push(Fact::missing("allergies named in the order", &format!("{n}, not among what was sent")));
    }
    let refused = context.refused.len();
    if refused > 0 {
        out.push(Fact::missing(
            "set aside",
            &format!("{refused} entries of another person, or of nobody surely this one"),
        ));
    }
    (out, reckoned)
}

fn age(context: &Context<'_>) -> Fact {
    let (days, months, years) = (context.age_days(), context.age_months(), context.age_years());
    let in_units = |amount: &Amount, unit: &str| match (amount.low(), amount.high()) {
        (Some(a), Some(b)) if a == b => format!("{} {unit}", a.short(0)),
        (Some(a), Some(b)) => format!("{} to {} {unit}", a.short(0), b.short(0)),
        _ => String::new(),
    };
    let value = if years.low().is_some_and(|y| y >= Exact::int(3)) {
        in_units(&years, "years")
    } else if months.low().is_some_and(|m| m >= Exact::int(3)) {
        in_units(&months, "months")
    } else {
        in_units(&days, "days")
    };
    if value.is_empty() {
        let why = days.why().iter().map(ToString::to_string).collect::<Vec<_>>().join("; ");
        return Fact { note: why, ..Fact::missing("age", "not known") };
    }
    Fact { at: context.birth.at(), ..Fact::new("age", value) }
}

fn corrected(context: &Context<'_>) -> Option<Fact> {
    let corrected = context.corrected_age();
    if corrected.basis != CorrectionBasis::Corrected {
        return None;
    }
    let days = match (corrected.days.low(), corrected.days.high()) {
        (Some(a), Some(b)) if a == b => format!("{} days", a.short(0)),
        (Some(a), Some(b)) => format!("{} to {} days", a.short(0), b.short(0)),
        _ => return None,
    };
    Some(Fact { note: "for birth before 37 weeks, to 40 weeks".to_owned(), ..Fact::new("corrected age", days) })
}

/// The value of an Observation as written.
fn written(a: &Appraisal<'_>, at: At) -> String {
    let Some(quantity) = a.document.as_ref().and_then(|d| d.node(at).get("valueQuantity")) else {
        return String::new();
    };
    let value = quantity.get("value").and_then(|n| n.literal().map(str::to_owned)).unwrap_or_default();
    let unit = ["unit", "code"].iter().find_map(|key| quantity.get(key).and_then(|n| n.as_str()));
    seen(&format!("{value} {}", unit.as_deref().unwrap_or("")))
}

fn measured(a: &Appraisal<'_>, context: &Context<'_>, name: &'static str, of: &Measurements<'_>) -> Fact {
    let since = |m: &crate::patient::Measured<'_>| {
        let old = old(&context.seconds_since(m));
        if old.is_empty() { old } else { format!("{old} before the order") }
    };
    let at_time = |m: &crate::patient::Measured<'_>| m.effective.map_or_else(String::new, |(t, _)| when(a, t));
    if let Some(m) = &of.chosen {
        let mut notes = Vec::new();
        let taken = at_time(m);
        if !taken.is_empty() {
            notes.push(taken);
        }
        if let Some(earlier) = of.earlier.first() {
            notes.push(format!("before that {} ({})", written(a, earlier.at), at_time(earlier)));
        }
        notes.extend(of.rejected.first().map(|r| format!("another value was not taken: {}", r.why)));
        if context.subject_assumed.contains(&m.at) {
            notes.push("it names no patient; taken as this patient's".to_owned());
        }
        return Fact {
            age: since(m),
            at: Some(m.at),
            note: seen(&notes.join("; ")),
            ..Fact::new(name, written(a, m.at))
        };
    }
    if !of.conflict.is_empty() {
        let values: Vec<String> = of.conflict.iter().map(|m| written(a, m.at)).collect();
        let note = format!("two values for the same time: {}", values.join(", "));
        return Fact { note, at: of.conflict.first().map(|m| m.at), ..Fact::missing(name, "cannot be used") };
    }
    match of.rejected.first() {
        Some(r) => {
            let note = seen(&format!("{}: {}", written(a, r.at), r.why));
            Fact { note, at: Some(r.at), ..Fact::missing(name, "cannot be used") }
        }
        None => Fact::missing(name, "not sent"),
    }
}

fn listed(a: &Appraisal<'_>, name: &'static str, sent: &Sent) -> Fact {
    match sent {
        Sent::NotSent => Fact::missing(name, "not sent"),
        Sent::Empty => Fact::new(name, "none, as sent".to_owned()),
        Sent::Some(places) => {
            let named: Vec<String> = places.iter().take(MOST_NAMED).map(|at| label(a, *at)).collect();
            let more = places.len() - named.len();
            let more = if more > 0 { format!(" and {more} more") } else { String::new() };
            Fact { at: places.first().copied(), ..Fact::new(name, format!("{}{more}", named.join(", "))) }
        }
    }
}

/// What a resource calls itself, or its kind.
fn label(a: &Appraisal<'_>, at: At) -> String {
    let Some(document) = &a.document else { return String::new() };
    let node = document.node(at);
    let concept = |key: &str| {
        let concept = node.get(key)?;
        let concept = concept.get("concept").unwrap_or(concept);
        let text = concept.get("text").and_then(|n| n.as_str().map(|t| t.into_owned()));
        text.or_else(|| {
            let coding = concept.get("coding")?.items().next()?;
            ["display", "code"].iter().find_map(|key| coding.get(key).and_then(|n| n.as_str().map(|t| t.into_owned())))
        })
    };
    let found = ["code", "medicationCodeableConcept", "medication", "type"].iter().find_map(|key| concept(key));
    let kind = || node.resource_type().map_or_else(|| "an entry".to_owned(), |t| t.into_owned());
    seen(&found.unwrap_or_else(kind))
}
