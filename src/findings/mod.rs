//! What is said about an order: findings, outcomes of rules, dispositions. Plain data, no rendering.

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

use crate::exact::Exact;
use crate::intake::order::At;
use serde::{Deserialize, Serialize};
use std::borrow::Cow;

/// How grave a finding is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "UPPERCASE")]
pub enum Tier {
    /// Reminder or information.
    Low,
    /// Likely sub-optimal, or harmful over days.
    Med,
    /// Credible serious harm if given as written.
    High,
    /// Cannot be carried out as written, or almost certainly a wrong unit, patient or route.
    Stop,
}

impl Tier {
    /// Code in the tier code system, also shown to people.
    pub const fn code(self) -> &'static str {
        match self {
            Tier::Low => "LOW",
            Tier::Med => "MED",
            Tier::High => "HIGH",
            Tier::Stop => "STOP",
        }
    }

    /// FHIR issue severity: STOP and HIGH error, MED warning, LOW information.
    pub const fn severity(self) -> &'static str {
        match self {
            Tier::Stop | Tier::High => "error",
            Tier::Med => "warning",
            Tier::Low => "information",
        }
    }
}

/// Something found.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Finding {
    /// Tier; may differ from the rule's usual one.
    pub tier: Tier,
    /// One sentence for people: both values and the difference, in the trade's words.
    pub text: String,
    /// The arithmetic, or what was compared.
    pub arithmetic: Option<String>,
    /// A concrete way out, with numbers.
    pub fix: Option<String>,
    /// The elements concerned; never empty (the order itself at the least).
    pub at: Vec<At>,
    /// FHIR issue type, where the rule's own does not fit.
    pub code: Option<&'static str>,
    /// The change of the order that carries the way out out, where it can be reckoned.
    pub correction: Option<Correction>,
    /// Of a limit: by which check, and by how much.
    pub excess: Option<Excess>,
}

/// How far the measure of a limit lies beyond its bound.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Excess {
    /// Which of the limit's checks found it, from 0.
    pub check: usize,
    /// The measure is over the bound, or under it; `None` where a condition was met.
    pub above: Option<bool>,
    /// The difference as a share of the bound, where both are known.
    pub share: Option<Exact>,
}

/// A change of the order, reckoned and not yet tried: one way out among others, for a person to take or leave.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Correction {
    /// What it does, in a few words with its numbers.
    pub label: String,
    /// Members to put in place.
    pub edits: Vec<Edit>,
}

/// One member of an object of the order, put in place of what stands there.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Edit {
    /// The object.
    pub at: At,
    /// The member's name.
    pub member: &'static str,
    /// Its value, as JSON.
    pub json: String,
}

impl Correction {
    /// A quantity with this value, and with its UCUM unit where that changes as well.
    pub fn quantity(label: String, at: At, value: Option<String>, unit: Option<&str>) -> Self {
        let mut edits = Vec::with_capacity(4);
        edits.extend(value.map(|json| Edit { at, member: "value", json }));
        if let Some(unit) = unit {
            let quoted = |text: &str| format!("\"{text}\"");
            edits.push(Edit { at, member: "unit", json: quoted(unit) });
            edits.push(Edit { at, member: "system", json: quoted("http://unitsofmeasure.org") });
            edits.push(Edit { at, member: "code", json: quoted(unit) });
        }
        Self { label, edits }
    }
}

/// What a rule came to. Exactly one per rule known to the program.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// It found something.
    Flagged(Vec<Finding>),
    /// It was evaluated and found nothing.
    Clear,
    /// It does not concern this order. (why)
    NotApplicable(Cow<'static, str>),
    /// It could not be evaluated, and the order is therefore not fully checked. (for want of what)
    NotEvaluated(String, Vec<At>),
    /// What it needs is a kind of context that this sender does not say it sends. (what)
    NotProvided(Cow<'static, str>),
    /// The institution switched it off. (by whom, why, until when)
    Off(String),
    /// What it found follows from what another rule found, or it found nothing on what that one doubts: to be judged again
    /// once that is settled. (that rule)
    Hidden(Cow<'static, str>),
}

impl Outcome {
    /// One word for it, as answers and tests write it.
    pub const fn word(&self) -> &'static str {
        match self {
            Outcome::Flagged(_) => "flagged",
            Outcome::Clear => "clear",
            Outcome::NotApplicable(_) => "not-applicable",
            Outcome::NotEvaluated(..) => "not-evaluated",
            Outcome::NotProvided(_) => "not-provided",
            Outcome::Off(_) => "off",
            Outcome::Hidden(_) => "hidden",
        }
    }

    /// The gravest tier found.
    pub fn tier(&self) -> Option<Tier> {
        if let Outcome::Flagged(found) = self { found.iter().map(|f| f.tier).max() } else { None }
    }
}

/// Where a rule stands, and so which code system its id is of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RuleKind {
    /// In the program.
    Integrity,
    /// In a rulebook.
    Limit,
}

/// A rule known to the program.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Rule {
    /// Stable id, never reused.
    pub id: Cow<'static, str>,
    /// The pattern caught.
    pub name: Cow<'static, str>,
    /// What it is, for people.
    pub title: Cow<'static, str>,
    /// Usual tier.
    pub tier: Tier,
    /// Where the rule comes from.
    pub source: Cow<'static, str>,
    /// Where it stands.
    pub kind: RuleKind,
}

/// A rule with its outcome.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Judged<'a> {
    /// The rule.
    pub rule: &'a Rule,
    /// What it came to.
    pub outcome: Outcome,
}

/// Most places named with one finding.
pub const MOST_PLACES: usize = 20;

/// Most findings of all orders of one input.
const MOST_FINDINGS: usize = 2_000;

/// How many findings of one order are told, where there are so many orders in the input.
pub fn room_for(orders: usize) -> usize {
    MOST_FINDINGS.checked_div(orders).unwrap_or(MOST_FINDINGS).clamp(40, 200)
}

/// Keeps an order's findings to `room`: the first of each rule, then by tier. What is left out is counted under `rule`, as a
/// finding that keeps the order from being clear. Of many places of a finding the first are kept, and their number is said.
pub fn bound(judged: &mut [Judged<'_>], room: usize, rule: &str, order: At) {
    for j in judged.iter_mut() {
        match &mut j.outcome {
            Outcome::Flagged(findings) => {
                for f in findings.iter_mut().filter(|f| f.at.len() > MOST_PLACES) {
                    let more = f.at.len() - MOST_PLACES;
                    f.at.truncate(MOST_PLACES);
                    f.text.push_str(&format!(" ({more} more places are not named.)"));
                }
            }
            Outcome::NotEvaluated(why, at) if at.len() > MOST_PLACES => {
                let more = at.len() - MOST_PLACES;
                at.truncate(MOST_PLACES);
                why.push_str(&format!(" ({more} more places are not named)"));
            }
            _ => {}
        }
    }
    let mut all: Vec<(bool, std::cmp::Reverse<Tier>, usize, usize)> = Vec::new();
    for (which, j) in judged.iter().enumerate() {
        if let Outcome::Flagged(findings) = &j.outcome {
            all.extend(findings.iter().enumerate().map(|(nth, f)| (nth > 0, std::cmp::Reverse(f.tier), which, nth)));
        }
    }
    if all.len() <= room {
        return;
    }
    all.sort_unstable();
    let kept: std::collections::HashSet<(usize, usize)> =
        all.iter().take(room).map(|(_, _, which, nth)| (*which, *nth)).collect();
    let left_out = all.len() - kept.len();
    for (which, j) in judged.iter_mut().enumerate() {
        if let Outcome::Flagged(findings) = &mut j.outcome {
            let mut nth = 0;
            findings.retain(|_| {
                nth += 1;
                nth == 1 || kept.contains(&(which, nth - 1))
            });
        }
    }
    let told = Finding {
        tier: Tier::High,
        text: format!("There are {left_out} more findings than are told of one order; the gravest are."),
        arithmetic: None,
        fix: Some("Mend what is told, and check again; or check the order alone.".to_owned()),
        at: vec![order],
        code: Some("too-costly"),
        correction: None,
        excess: None,
    };
    if let Some(j) = judged.iter_mut().find(|j| j.rule.id == rule) {
        match &mut j.outcome {
            Outcome::Flagged(findings) => findings.push(told),
            other => *other = Outcome::Flagged(vec![told]),
        }
    }
}

/// What an order, or a whole input, came to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Disposition {
    /// Read in full, every rule that applies evaluated, nothing found above a reminder.
    Clear,
    /// Something could not be read or evaluated; nothing was found in the rest.
    NotFullyChecked,
    /// Something was found.
    Flagged,
    /// The input could not be read at all.
    Refused,
}

impl Disposition {
    /// Code in the answer.
    pub const fn code(self) -> &'static str {
        match self {
            Disposition::Clear => "clear",
            Disposition::NotFullyChecked => "not-fully-checked",
            Disposition::Flagged => "flagged",
            Disposition::Refused => "refused",
        }
    }
}

/// The disposition of a set of outcomes: flagged when anything above a reminder was found; else not fully
/// checked when anything could not be evaluated, or nothing was; else clear.
pub fn disposition<'a>(outcomes: impl Iterator<Item = &'a Outcome>) -> Disposition {
    let (mut flagged, mut missing, mut judged) = (false, false, false);
    for outcome in outcomes {
        match outcome {
            Outcome::Flagged(findings) => {
                judged = true;
                flagged |= findings.iter().any(|f| f.tier > Tier::Low);
            }
            Outcome::Clear => judged = true,
            Outcome::NotEvaluated(..) => missing = true,
            Outcome::NotApplicable(_) | Outcome::NotProvided(_) | Outcome::Hidden(_) | Outcome::Off(_) => {}
        }
    }
    match (flagged, missing || !judged) {
        (true, _) => Disposition::Flagged,
        (false, true) => Disposition::NotFullyChecked,
        (false, false) => Disposition::Clear,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn all() -> [Outcome; 8] {
        let found = |tier| {
            Outcome::Flagged(vec![Finding {
                tier,
                text: String::new(),
                arithmetic: None,
                fix: None,
                at: vec![At(0)],
                code: None,
                correction: None,
                excess: None,
            }])
        };
        [
            found(Tier::High),
            found(Tier::Low),
            Outcome::Clear,
            Outcome::NotApplicable("".into()),
            Outcome::NotEvaluated(String::new(), Vec::new()),
            Outcome::NotProvided("".into()),
            Outcome::Off(String::new()),
            Outcome::Hidden(Cow::Borrowed("UNT-02")),
        ]
    }

    #[test]
    fn truth_table_over_every_set_of_up_to_four_outcomes() {
        let kinds = all();
        for n in 0..=4u32 {
            for code in 0..8usize.pow(n) {
                let set: Vec<&Outcome> = (0..n).map(|k| &kinds[code / 8usize.pow(k) % 8]).collect();
                let got = disposition(set.iter().copied());
                let flagged = set.contains(&&kinds[0]);
                let missing = set.contains(&&kinds[4]);
                let judged = set.iter().any(|o| matches!(o, Outcome::Flagged(_) | Outcome::Clear));
                let want = if flagged {
                    Disposition::Flagged
                } else if missing || !judged {
                    Disposition::NotFullyChecked
                } else {
                    Disposition::Clear
                };
                assert_eq!(got, want);
                // One more rule that could not be evaluated never improves it.
                let more: Vec<&Outcome> = set.iter().copied().chain([&kinds[4]]).collect();
                assert!(disposition(more.into_iter()) >= got || got == Disposition::Flagged);
            }
        }
    }
}
