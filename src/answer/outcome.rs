//! A report as an OperationOutcome.

use super::fhir::{Coding, Issue, Issues};
use super::{PROGRAM, book, book_warning, not_provided, unlisted};
use crate::appraise::{Appraisal, OrderReport, Refusal, Refused};
use crate::findings::{MOST_PLACES, Outcome, Rule, RuleKind, Tier};
use crate::intake::order::At;
use crate::rulebook::judge::WAITING;

/// Code system of findings and of the rules that make them.
pub const FINDING_SYSTEM: &str = "https://enteral-gate.example/fhir/CodeSystem/finding";
/// Code system of limits: which there are, the institution's rulebook says.
pub const LIMIT_SYSTEM: &str = "https://enteral-gate.example/fhir/CodeSystem/limit";
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
    let mut out = String::with_capacity(8 << 10);
    outcome_into(a, &mut out);
    out
}

/// An OperationOutcome of one fatal issue, for what could not be read at all.
pub fn refusal_json(text: &str, code: &'static str) -> String {
    let mut out = String::with_capacity(256 + text.len());
    let mut issues = Issues::begin(&mut out);
    issues.issue("fatal", code, &[], &[text]).end();
    issues.end();
    out
}

pub(super) fn outcome_into(a: &Appraisal<'_>, out: &mut String) {
    let mut issues = Issues::begin(out);
    match &a.refused {
        Some((kind, why)) => refused(*kind, why, &mut issues),
        None => checked(a, &mut issues),
    }
    issues.end();
}

fn refused(kind: Refusal, why: &Refused, issues: &mut Issues<'_>) {
    let code = match kind {
        Refusal::TooLarge => "too-long",
        _ => why.code,
    };
    let mut issue = issues.issue("fatal", code, &[], &[&capital(&why.text)]);
    if let Some((line, column)) = why.position {
        issue = issue.diagnostics([format!("line {line}, column {column}").as_str()]);
    }
    if let Some(path) = why.path.as_ref().filter(|p| is_path(p)) {
        issue.expression(path);
    }
    issue.end();
}

fn checked(a: &Appraisal<'_>, issues: &mut Issues<'_>) {
    for order in &a.orders {
        of_order(a, order, issues);
    }
    for p in &a.problems {
        let severity = if p.grave { "error" } else { "information" };
        let codings = [Coding { system: FINDING_SYSTEM, code: "INT-01", display: Some("structure-broken") }];
        let mut issue = issues.issue(severity, p.code, &codings, &[&capital(&p.text)]);
        issue.expression(&a.path(p.at));
        issue.end();
    }
    if a.orders.is_empty() {
        let text = "No NutritionOrder was found: nothing was checked.";
        issues.issue("warning", "incomplete", &[], &[text]).end();
    }
    if let Some(text) = book_warning(a.rulebook) {
        issues.issue("information", "incomplete", &[], &[&text]).end();
    }
    if a.settings.demo {
        let text = "Demonstration: formulary, orders and patients are invented. Not for use on patients.";
        issues.issue("information", "informational", &[], &[text]).end();
    }
    issues
        .issue("information", "informational", &[], &[STANDING])
        .diagnostics([
            PROGRAM,
            "; formulary ",
            a.formulary.label(),
            " (",
            a.formulary.hash(),
            ", ",
            &a.formulary.len().to_string(),
            " products); rulebook ",
            &book(a.rulebook),
            "; time zone ",
            &a.settings.zone_name,
        ])
        .end();
}

/// A rule's code; limits are the institution's, so theirs are of a system of their own.
fn coding(rule: &Rule) -> Coding<'_> {
    let system = if rule.kind == RuleKind::Limit { LIMIT_SYSTEM } else { FINDING_SYSTEM };
    Coding { system, code: &rule.id, display: Some(&rule.name) }
}

/// A FHIRPath, and not the pointer into something that is not a resource.
fn is_path(path: &str) -> bool {
    path.starts_with(|c: char| c.is_ascii_uppercase())
}

/// Paths of an order's places; the order's own, which most issues name, is worked out once.
struct Paths<'a> {
    of: &'a Appraisal<'a>,
    order: (At, String),
}

impl Paths<'_> {
    fn end_at(&self, mut issue: Issue<'_>, at: &[At]) {
        for x in at {
            if *x == self.order.0 {
                issue.expression(&self.order.1);
            } else {
                issue.expression(&self.of.path(*x));
            }
        }
        issue.end();
    }

    fn end_here(&self, issue: Issue<'_>) {
        self.end_at(issue, &[self.order.0]);
    }
}

fn of_order(a: &Appraisal<'_>, order: &OrderReport<'_>, issues: &mut Issues<'_>) {
    let paths = Paths { of: a, order: (order.at, a.path(order.at)) };
    // By tier, then in the order of the rules.
    let flagged = || {
        order.judged.iter().filter_map(|j| {
            if let Outcome::Flagged(findings) = &j.outcome {
                Some(findings.iter().map(move |f| (&*j.rule, f)))
            } else {
                None
            }
        })
    };
    for tier in [Tier::Stop, Tier::High, Tier::Med, Tier::Low] {
        for (rule, f) in flagged().flatten().filter(|(_, f)| f.tier == tier) {
            let code = f.code.unwrap_or_else(|| issue_type(&rule.id, f.tier));
            let codings = [coding(rule), Coding { system: TIER_SYSTEM, code: f.tier.code(), display: None }];
            let arithmetic = f.arithmetic.as_deref().map(|text| [text, " | "]);
            let fix = f.fix.as_deref().map(|text| ["A way out: ", text, " | "]);
            let issue = issues.issue(f.tier.severity(), code, &codings, &[&f.text]).diagnostics(
                arithmetic.into_iter().flatten().chain(fix.into_iter().flatten()).chain([
                    "Source: ",
                    &rule.source,
                    ".",
                ]),
            );
            paths.end_at(issue, &f.at);
        }
        if tier == Tier::High {
            not_evaluated(order, &paths, issues);
        }
    }
    let mut listed = Vec::with_capacity(32);
    let (not_sent, not_read) = not_provided(&order.judged);
    for (what, rules) in &not_sent {
        listed.extend([
            if listed.is_empty() { "Not checked, because this sender does not provide: " } else { "; " },
            what,
        ]);
        for (nth, rule) in rules.iter().enumerate() {
            listed.extend([if nth == 0 { " (" } else { ", " }, rule]);
        }
        listed.push(")");
    }
    if !listed.is_empty() {
        listed.push(".");
        paths.end_here(issues.issue("information", "incomplete", &[], &listed));
    }
    for (cause, rules) in super::judge_again(&order.judged) {
        paths.end_here(issues.issue("information", "incomplete", &[], &[&super::again_text(cause, &rules)]));
    }
    if !not_read.is_empty() {
        let text = ["Not checked, because this version does not read what they need: ", &not_read.join(", "), "."];
        paths.end_here(issues.issue("information", "incomplete", &[], &text));
    }
    if !order.unlisted.is_empty() {
        let issue = issues.issue("information", "incomplete", &[], &[&unlisted(order.unlisted.len())]);
        paths.end_at(issue, order.unlisted.get(..MOST_PLACES).unwrap_or(&order.unlisted));
    }
    for j in &order.judged {
        if let Outcome::Off(why) = &j.outcome {
            let text = ["Switched off (", j.rule.id.as_ref(), "): ", why];
            paths.end_here(issues.issue("information", "informational", &[], &text));
        }
    }
    let issue = issues.issue("information", "informational", &[], &[&summary(order)]);
    if order.assumptions.is_empty() {
        return paths.end_here(issue);
    }
    let lines = order.assumptions.iter().flat_map(|(a, _)| [" ", a.line()]);
    paths.end_here(issue.diagnostics(["Assumptions:"].into_iter().chain(lines)));
}

fn not_evaluated(order: &OrderReport<'_>, paths: &Paths<'_>, issues: &mut Issues<'_>) {
    for (rules, why, at) in super::not_evaluated(&order.judged) {
        let [first, more @ ..] = rules.as_slice() else { continue };
        let modifier = first.id == "CMP-05";
        let issue = if order.computed {
            let codings: Vec<Coding<'_>> = rules.iter().map(|rule| coding(rule)).collect();
            let names: Vec<&str> = rules.iter().map(|rule| rule.id.as_ref()).collect();
            let what = if more.is_empty() { first.title.to_lowercase() } else { names.join(", ") };
            issues.issue(
                if modifier { "error" } else { "warning" },
                if modifier { "extension" } else { "incomplete" },
                &codings,
                &["Not checked (", &what, "): ", why, "."],
            )
        } else {
            let text = capital(&format!("not computed and not checked: {why}"));
            issues.issue("information", "informational", &[], &[&text])
        };
        paths.end_at(issue, at);
    }
}

/// How the rules of one order came out.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Counts {
    /// Evaluated.
    pub judged: usize,
    /// Of those, with something to say.
    pub flagged: usize,
    /// Could not be evaluated.
    pub not_evaluated: usize,
    /// Need context that the sender does not provide.
    pub not_provided: usize,
    /// Need data that this version does not read.
    #[serde(default)]
    pub not_read: usize,
    /// To be judged again once what another rule found is settled.
    #[serde(default)]
    pub judge_again: usize,
    /// Do not concern the order.
    pub not_applicable: usize,
    /// Switched off.
    pub off: usize,
}

/// How the rules of one order came out.
pub fn counts(order: &OrderReport<'_>) -> Counts {
    let mut out = Counts::default();
    for j in &order.judged {
        match &j.outcome {
            Outcome::Flagged(_) => (out.judged, out.flagged) = (out.judged + 1, out.flagged + 1),
            Outcome::Clear => out.judged += 1,
            Outcome::Hidden(_) => out.judge_again += 1,
            Outcome::NotEvaluated(..) => out.not_evaluated += 1,
            Outcome::NotApplicable(_) => out.not_applicable += 1,
            Outcome::NotProvided(what) if what == WAITING => out.not_read += 1,
            Outcome::NotProvided(_) => out.not_provided += 1,
            Outcome::Off(_) => out.off += 1,
        }
    }
    out
}

/// How many rules were judged, how many could not be, and what the order came to.
pub(super) fn summary(order: &OrderReport<'_>) -> String {
    let Counts { judged, flagged, not_evaluated, not_provided, not_read, judge_again, not_applicable, off } =
        counts(order);
    let mut out = String::with_capacity(192 + order.label.len());
    for part in ["Order ", &order.label, ": ", order.disposition().code(), ". Of "] {
        out.push_str(part);
    }
    for (count, after) in [
        (order.judged.len(), " rules "),
        (judged, " were judged ("),
        (flagged, " with something to say), "),
        (not_evaluated, " could not be, "),
        (judge_again, " are to be judged again once another finding is settled, "),
        (not_provided, " need context that is not sent, "),
        (not_read, " need data that is not read yet, "),
        (not_applicable, " do not apply."),
        (off, " switched off."),
    ] {
        if count == 0 && (after == " switched off." || after.starts_with(" are to be")) {
            continue;
        }
        if after == " switched off." {
            out.push(' ');
        }
        count_into(&mut out, count);
        out.push_str(after);
    }
    out
}

/// A count as digits.
fn count_into(out: &mut String, count: usize) {
    if count > 9 {
        count_into(out, count / 10);
    }
    out.push(char::from(b'0' + (count % 10) as u8));
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

pub(crate) fn capital(text: &str) -> String {
    let mut chars = text.chars();
    let mut out: String = chars.next().map(|c| c.to_uppercase().to_string()).unwrap_or_default();
    out.push_str(chars.as_str());
    if !out.ends_with(['.', '!', '?']) {
        out.push('.');
    }
    out
}
