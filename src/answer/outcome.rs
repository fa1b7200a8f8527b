//! A report as an OperationOutcome.

use super::fhir::{Coding, Details, Issue, OperationOutcome, json};
use super::{NO_RULEBOOK, PROGRAM, RULEBOOK};
use crate::appraise::{Appraisal, OrderReport, Refusal};
use crate::findings::{Outcome, Tier};
use crate::intake::order::At;
use std::borrow::Cow;

/// Code system of findings and of the rules that make them.
pub const FINDING_SYSTEM: &str = "https://enteral-gate.example/fhir/CodeSystem/finding";
/// Code system of tiers.
const TIER_SYSTEM: &str = "https://enteral-gate.example/fhir/CodeSystem/tier";
/// Code system of assumptions.
pub const ASSUMPTION_SYSTEM: &str = "https://enteral-gate.example/fhir/CodeSystem/assumption";

/// What every answer says.
pub const STANDING: &str = "Calculation and rule support only: a licensed clinician decides; local policy and the product label override. \
Figures are nominal, as if everything ordered were given; pumps and practice differ. No finding is not approval. \
The tube's tip must be confirmed and lines traced at the bedside. If the feed stops in a patient on insulin, or in an infant at risk of low glucose, follow the local plan. \
Not validated for pregnancy, metabolic disease, burns, spinal injury, end-of-life goals or children with atypical growth. In an emergency do not wait for this answer.";

/// The report as OperationOutcome, compact JSON.
pub fn outcome_json(a: &Appraisal<'_>) -> String {
    json(&outcome(a))
}

/// An OperationOutcome of one fatal issue, for what could not be read at all.
pub fn refusal_json(text: &str, code: &'static str) -> String {
    json(&OperationOutcome::new(vec![plain("fatal", code, text.to_owned(), None, Vec::new())]))
}

fn plain<'a>(
    severity: &'static str,
    code: &'static str,
    text: impl Into<Cow<'a, str>>,
    diagnostics: Option<String>,
    expression: Vec<String>,
) -> Issue<'a> {
    Issue { severity, code, details: Details { coding: Vec::new(), text: text.into() }, diagnostics, expression }
}

pub(super) fn outcome<'a>(a: &'a Appraisal<'_>) -> OperationOutcome<'a> {
    let mut issues = Vec::with_capacity(16);
    if let Some((kind, why)) = &a.refused {
        let code = match kind {
            Refusal::TooLarge => "too-long",
            _ => why.code,
        };
        let diagnostics = why.position.map(|(line, column)| format!("line {line}, column {column}"));
        let expression = why.path.iter().filter(|p| is_path(p)).cloned().collect();
        issues.push(plain("fatal", code, capital(&why.text), diagnostics, expression));
        return OperationOutcome::new(issues);
    }
    for order in &a.orders {
        of_order(a, order, &mut issues);
    }
    for p in &a.problems {
        issues.push(Issue {
            severity: if p.grave { "error" } else { "information" },
            code: p.code,
            details: Details { coding: vec![coding("INT-01", "structure-broken")], text: capital(&p.text).into() },
            diagnostics: None,
            expression: vec![a.path(p.at)],
        });
    }
    if a.orders.is_empty() {
        issues.push(plain(
            "warning",
            "incomplete",
            "No NutritionOrder was found: nothing was checked.".to_owned(),
            None,
            Vec::new(),
        ));
    }
    issues.push(plain("information", "incomplete", NO_RULEBOOK, None, Vec::new()));
    if a.settings.demo {
        issues.push(plain(
            "information",
            "informational",
            "Demonstration: formulary, orders and patients are invented. Not for use on patients.".to_owned(),
            None,
            Vec::new(),
        ));
    }
    issues.push(plain(
        "information",
        "informational",
        STANDING,
        Some(format!(
            "{PROGRAM}; formulary {} ({}, {} products); rulebook {RULEBOOK}; time zone {}",
            a.formulary.label(),
            a.formulary.hash(),
            a.formulary.len(),
            a.settings.zone_name
        )),
        Vec::new(),
    ));
    OperationOutcome::new(issues)
}

fn coding(id: &'static str, name: &'static str) -> Coding {
    Coding { system: FINDING_SYSTEM, code: id, display: Some(name) }
}

/// A FHIRPath, and not the pointer into something that is not a resource.
fn is_path(path: &str) -> bool {
    path.starts_with(|c: char| c.is_ascii_uppercase())
}

fn of_order<'a>(a: &'a Appraisal<'_>, order: &'a OrderReport, issues: &mut Vec<Issue<'a>>) {
    let paths = |at: &[At]| -> Vec<String> {
        let mut out: Vec<String> = at.iter().map(|x| a.path(*x)).collect();
        out.dedup();
        out
    };
    // By tier, then in the order of the rules.
    let flagged: Vec<_> = order
        .judged
        .iter()
        .filter_map(|j| if let Outcome::Flagged(findings) = &j.outcome { Some((j, findings)) } else { None })
        .collect();
    for tier in [Tier::Stop, Tier::High, Tier::Med, Tier::Low] {
        for (j, findings) in &flagged {
            for f in findings.iter().filter(|f| f.tier == tier) {
                let mut diagnostics = String::with_capacity(160);
                if let Some(arithmetic) = &f.arithmetic {
                    diagnostics.push_str(arithmetic);
                    diagnostics.push_str(" | ");
                }
                if let Some(fix) = &f.fix {
                    for part in ["A way out: ", fix, " | "] {
                        diagnostics.push_str(part);
                    }
                }
                for part in ["Source: ", j.rule.source, "."] {
                    diagnostics.push_str(part);
                }
                issues.push(Issue {
                    severity: f.tier.severity(),
                    code: f.code.unwrap_or_else(|| issue_type(j.rule.id, f.tier)),
                    details: Details {
                        coding: vec![
                            coding(j.rule.id, j.rule.name),
                            Coding { system: TIER_SYSTEM, code: f.tier.code(), display: None },
                        ],
                        text: Cow::Borrowed(&f.text),
                    },
                    diagnostics: Some(diagnostics),
                    expression: paths(&f.at),
                });
            }
        }
        if tier == Tier::High {
            not_evaluated(order, &paths, issues);
        }
    }
    let here = || vec![a.path(order.at)];
    let not_sent: Vec<String> = order
        .judged
        .iter()
        .filter_map(|j| {
            if let Outcome::NotProvided(what) = &j.outcome { Some(format!("{what} ({})", j.rule.id)) } else { None }
        })
        .collect();
    if !not_sent.is_empty() {
        issues.push(plain(
            "information",
            "incomplete",
            format!("Not checked, because this sender does not provide: {}.", not_sent.join("; ")),
            None,
            here(),
        ));
    }
    let hidden: Vec<String> = order
        .judged
        .iter()
        .filter_map(|j| {
            if let Outcome::Hidden(cause) = &j.outcome {
                Some(format!("{} (because of {cause})", j.rule.id))
            } else {
                None
            }
        })
        .collect();
    if !hidden.is_empty() {
        issues.push(plain(
            "information",
            "informational",
            format!("Not shown, as consequences of another finding: {}.", hidden.join("; ")),
            None,
            here(),
        ));
    }
    issues.push(plain("information", "informational", summary(order), assumptions(order), here()));
}

fn not_evaluated<'a>(order: &'a OrderReport, paths: &impl Fn(&[At]) -> Vec<String>, issues: &mut Vec<Issue<'a>>) {
    for j in &order.judged {
        let Outcome::NotEvaluated(why, at) = &j.outcome else { continue };
        let modifier = j.rule.id == "CMP-05";
        if !order.computed {
            issues.push(plain(
                "information",
                "informational",
                capital(&format!("not computed and not checked: {why}")),
                None,
                paths(at),
            ));
            continue;
        }
        issues.push(Issue {
            severity: if modifier { "error" } else { "warning" },
            code: if modifier { "extension" } else { "incomplete" },
            details: Details {
                coding: vec![coding(j.rule.id, j.rule.name)],
                text: format!("Not checked ({}): {why}.", j.rule.title.to_lowercase()).into(),
            },
            diagnostics: None,
            expression: paths(at),
        });
    }
}

/// How many rules were judged, how many could not be, and what the order came to.
pub(super) fn summary(order: &OrderReport) -> String {
    let (mut judged, mut flagged, mut missing, mut elsewhere, mut not_sent) = (0, 0, 0, 0, 0);
    for j in &order.judged {
        match &j.outcome {
            Outcome::Flagged(_) => (judged, flagged) = (judged + 1, flagged + 1),
            Outcome::Clear | Outcome::Hidden(_) => judged += 1,
            Outcome::NotEvaluated(..) => missing += 1,
            Outcome::NotApplicable(_) => elsewhere += 1,
            Outcome::NotProvided(_) => not_sent += 1,
        }
    }
    format!(
        "Order {}: {}. Of {} rules {judged} were judged ({flagged} with something to say), {missing} could not be, {not_sent} need context that is not sent, {elsewhere} do not apply.",
        order.label,
        order.disposition().code(),
        order.judged.len(),
    )
}

fn assumptions(order: &OrderReport) -> Option<String> {
    if order.assumptions.is_empty() {
        return None;
    }
    let mut out = String::with_capacity(160 * order.assumptions.len());
    out.push_str("Assumptions:");
    for (a, _) in &order.assumptions {
        out.push(' ');
        out.push_str(a.line());
    }
    Some(out)
}

/// FHIR issue type of a rule's findings.
fn issue_type(rule: &str, tier: Tier) -> &'static str {
    match rule {
        "CMP-01" | "CMP-02" => "required",
        "INT-02" | "UNT-03" | "UNT-09" | "INT-04" => "code-invalid",
        "INT-05" | "INT-06" => "incomplete",
        "CMP-06" => "conflict",
        _ if tier == Tier::Low => "informational",
        _ => "business-rule",
    }
}

pub(super) fn capital(text: &str) -> String {
    let mut chars = text.chars();
    let mut out: String = chars.next().map(|c| c.to_uppercase().to_string()).unwrap_or_default();
    out.push_str(chars.as_str());
    if !out.ends_with(['.', '!', '?']) {
        out.push('.');
    }
    out
}
