//! What could not be read.

use super::{Case, finding, found};
use crate::findings::{Finding, Outcome, Tier};
use crate::intake::order::{Intent, Status};

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
    found(
        case.person
            .refused
            .iter()
            .map(|at| {
                finding(
                    Tier::High,
                    "This resource belongs to another patient, or to none that can be told; it was not used."
                        .to_owned(),
                    vec![*at],
                )
            })
            .collect(),
    )
}

pub(super) fn unknown_elements(case: &Case<'_>) -> Outcome {
    let mut out: Vec<Finding> = Vec::new();
    for at in &case.order.unknown_elements {
        out.push(finding(
            Tier::Low,
            "This element is not part of a NutritionOrder in this FHIR version; it was not used.".to_owned(),
            vec![*at],
        ));
    }
    for at in &case.order.unknown_extensions {
        out.push(finding(Tier::Low, "This extension is not known here; it was not used.".to_owned(), vec![*at]));
    }
    found(out)
}

pub(super) fn life_cycle(case: &Case<'_>) -> Outcome {
    let mut out = Vec::new();
    let order = case.order;
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
