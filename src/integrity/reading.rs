//! What could not be read.

use super::{Case, Record, finding, found};
use crate::findings::{Finding, MOST_PLACES, Outcome, Tier};
use crate::intake::order::{At, Field, Intent, Status};

pub(super) fn structure(case: &Case<'_>) -> Outcome {
    found(
        case.problems
            .iter()
            .map(|p| Finding {
                code: Some(p.code),
                ..finding(if p.grave { Tier::High } else { Tier::Low }, sentence(&p.text), vec![p.at])
            })
            .collect(),
    )
}

pub(super) fn modifiers(case: &Case<'_>) -> Outcome {
    if case.order.unknown_modifiers.is_empty() {
        return Outcome::Clear;
    }
    // The order as a whole cannot be relied on; it is not a finding about the feed.
    Outcome::NotEvaluated(
        "the order carries a modifier extension or implicit rules that are not understood here: what it says may not be what it means".to_owned(),
        case.order.unknown_modifiers.clone(),
    )
}

pub(super) fn other_patient(case: &Case<'_>) -> Outcome {
    let refused = &case.person.refused;
    let (named, places) = named(refused);
    let text = match refused.as_slice() {
        [] => return Outcome::Clear,
        [_] => {
            format!("{named} belongs to another patient, or to none that can be told; it was not used.")
        }
        many => format!(
            "{} resources belong to another patient, or to none that can be told; they were not used: {named}.",
            many.len()
        ),
    };
    found(vec![finding(Tier::High, text, places)])
}

/// The first of these by name, how many more there are, and the places of the first.
fn named(of: &[(String, At)]) -> (String, Vec<At>) {
    let names: Vec<&str> = of.iter().take(MOST_PLACES).map(|(name, _)| name.as_str()).collect();
    let mut text = names.join(", ");
    if of.len() > MOST_PLACES {
        text.push_str(&format!(" and {} more", of.len() - MOST_PLACES));
    }
    (text, of.iter().take(MOST_PLACES).map(|(_, at)| *at).collect())
}

/// Element names are the sender's; what is unknown is told one by one up to a number, then together.
pub(super) fn unknown_elements(case: &Case<'_>) -> Outcome {
    // What has no place in the structure was told with it.
    let told = |at: &At| case.problems.iter().any(|p| p.at == *at);
    let elements: Vec<At> = case.order.unknown_elements.iter().filter(|at| !told(at)).copied().collect();
    let mut out: Vec<Finding> = Vec::new();
    let kinds = [
        (
            elements.as_slice(),
            "This element is not part of a NutritionOrder in this FHIR version; it was not used.",
            "elements are not part of a NutritionOrder in this FHIR version; they were not used.",
        ),
        (
            case.order.unknown_extensions.as_slice(),
            "This extension is not known here; it was not used.",
            "extensions are not known here; they were not used.",
        ),
    ];
    for (places, one, many) in kinds {
        if places.len() > MOST_PLACES {
            out.push(finding(Tier::Low, format!("{} {many}", places.len()), places.to_vec()));
        } else {
            out.extend(places.iter().map(|at| finding(Tier::Low, one.to_owned(), vec![*at])));
        }
    }
    found(out)
}

pub(super) fn life_cycle(case: &Case<'_>) -> Outcome {
    let mut out = Vec::new();
    let order = case.order;
    for (record, at) in &case.person.record {
        let (tier, text) = match record {
            Record::Deceased => (Tier::High, "The patient's record says that the patient has died."),
            Record::Inactive => (Tier::Med, "The patient's record is not in use (active is false)."),
            Record::Replaced => (Tier::Med, "Another record has taken the place of the patient's (link: replaced-by)."),
        };
        out.push(Finding {
            fix: Some(
                "Check that the order is for the right patient, and that the record is the current one.".to_owned(),
            ),
            ..finding(tier, text.to_owned(), vec![*at])
        });
    }
    if let Some(status) = order.status.value() {
        let word = match status {
            Status::OnHold => Some("The order is on hold: it is computed as if it ran."),
            Status::Unknown => Some("The order's status is unknown: it is computed as if it ran."),
            _ => None,
        };
        if let Some(word) = word {
            out.push(finding(Tier::Low, word.to_owned(), vec![order.status.at().unwrap_or(order.at)]));
        }
    }
    // A status that is withheld may be that of an order which is over.
    for (name, tier, at) in [
        ("status", Tier::Med, matches!(order.status, Field::Missing { .. }).then(|| order.status.at())),
        ("intent", Tier::Low, matches!(order.intent, Field::Missing { .. }).then(|| order.intent.at())),
    ] {
        if let Some(at) = at {
            let text = format!("The order's {name} is withheld: it is computed as if it ran.");
            out.push(finding(tier, text, vec![at.unwrap_or(order.at)]));
        }
    }
    if let Some(intent) = order.intent.value()
        && matches!(intent, Intent::Proposal | Intent::Plan | Intent::Option | Intent::Directive)
    {
        out.push(finding(
            Tier::Low,
            "The intent is not that of an order for use; it is computed all the same.".to_owned(),
            vec![order.intent.at().unwrap_or(order.at)],
        ));
    }
    found(out)
}

/// A capital first and a full stop last.
fn sentence(text: &str) -> String {
    let mut chars = text.chars();
    let mut out: String = chars.next().map(|c| c.to_uppercase().to_string()).unwrap_or_default();
    out.push_str(chars.as_str());
    if !out.ends_with(['.', '!', '?']) {
        out.push('.');
    }
    out
}
