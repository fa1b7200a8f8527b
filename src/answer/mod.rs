//! Reports rendered: OperationOutcome, Parameters, text for people, JUnit. No decisions here; grouping is
//! allowed, losing is not.

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

use crate::appraise::Appraisal;
use crate::findings::{Judged, Outcome, Rule};
use crate::intake::order::At;
use crate::rulebook::Rulebook;
use crate::rulebook::judge::WAITING;
use std::borrow::Cow;

mod fhir;
mod junit;
mod outcome;
mod parameters;
mod text;

pub use junit::{JunitCase, junit, junit_case, junit_of};
pub(crate) use outcome::capital;
pub use outcome::{
    ASSUMPTION_SYSTEM, Counts, FINDING_SYSTEM, LIMIT_SYSTEM, STANDING, counts, outcome_json, refusal_json,
};
pub(crate) use parameters::delivered;
pub use parameters::{MEASURE_SYSTEM, parameters_json, parameters_json_of};
pub use text::text;

/// Version of the program, in every answer.
pub const PROGRAM: &str = concat!("enteral-gate ", env!("CARGO_PKG_VERSION"));

/// What judged the order where the institution gave no rulebook.
const NO_BOOK: &str = "none: integrity rules of the program only";

/// What nothing judges without a rulebook; in every answer.
pub(crate) const NO_RULEBOOK: &str = "No rulebook of the institution is loaded: whether rate, volume, energy, protein, water, electrolytes and product suit this patient was not judged.";

/// The rulebook that judged, for the version part of an answer.
pub(crate) fn book(book: &Rulebook) -> Cow<'_, str> {
    if book.is_empty() {
        return Cow::Borrowed(NO_BOOK);
    }
    let adopted = match &book.adopted {
        Some(by) => format!("adopted by {} on {}", by.by, by.on),
        None => "not adopted by this institution".to_owned(),
    };
    Cow::Owned(format!("{} {} ({}, {adopted})", book.label, book.edition, book.hash))
}

/// What a reader must know of the rulebook: that there is none, or that nobody adopted it.
pub(crate) fn book_warning(book: &Rulebook) -> Option<Cow<'_, str>> {
    if book.is_empty() {
        return Some(Cow::Borrowed(NO_RULEBOOK));
    }
    if book.adopted.is_none() {
        return Some(Cow::Owned(format!(
            "{}, not adopted by this institution: its limits are suggestions.",
            book.label
        )));
    }
    None
}

/// Rules that could not be evaluated, those for want of the same together.
pub(crate) fn not_evaluated<'j>(judged: &'j [Judged<'_>]) -> Vec<(Vec<&'j Rule>, &'j str, &'j [At])> {
    let mut out: Vec<(Vec<&Rule>, &str, &[At])> = Vec::new();
    for j in judged {
        if let Outcome::NotEvaluated(why, at) = &j.outcome {
            match out.iter_mut().find(|(_, w, a)| *w == why.as_str() && *a == at.as_slice()) {
                Some((rules, ..)) => rules.push(j.rule),
                None => out.push((vec![j.rule], why, at)),
            }
        }
    }
    out
}

/// What is said of conditions, allergies and medicines that no concept of the rulebook stands for.
pub(crate) fn unlisted(n: usize) -> String {
    let (entries, are) = if n == 1 { ("entry", "is") } else { ("entries", "are") };
    format!(
        "{n} {entries} among conditions, allergies and medicines {are} not in the rulebook's list of concepts: no limit looked at {}.",
        if n == 1 { "it" } else { "them" }
    )
}

/// Rules for want of context that the sender does not provide, by kind of context, and rules that wait for data
/// that this version does not read.
pub(crate) type NotProvided<'j> = (Vec<(&'j str, Vec<&'j str>)>, Vec<&'j str>);

pub(crate) fn not_provided<'j>(judged: &'j [Judged<'_>]) -> NotProvided<'j> {
    let (mut out, mut not_read): NotProvided<'_> = Default::default();
    for j in judged {
        let Outcome::NotProvided(what) = &j.outcome else { continue };
        if what == WAITING {
            not_read.push(&j.rule.id);
            continue;
        }
        match out.iter_mut().find(|(w, _)| w == what) {
            Some((_, rules)) => rules.push(&j.rule.id),
            None => {
                // Mostly there are several that need the same.
                let mut rules = Vec::with_capacity(16);
                rules.push(&*j.rule.id);
                out.push((what, rules));
            }
        }
    }
    (out, not_read)
}

/// Rules to be judged again, by the rule whose finding has to be settled first.
pub(crate) fn judge_again<'j>(judged: &'j [Judged<'_>]) -> Vec<(&'j str, Vec<&'j str>)> {
    let mut out: Vec<(&str, Vec<&str>)> = Vec::new();
    for j in judged {
        let Outcome::Hidden(cause) = &j.outcome else { continue };
        match out.iter_mut().find(|(had, _)| had == cause) {
            Some((_, rules)) => rules.push(&j.rule.id),
            None => out.push((cause, vec![&*j.rule.id])),
        }
    }
    out
}

/// The rule by whose finding the weight is in doubt.
pub(crate) fn weight_in_doubt<'j>(a: &Appraisal<'_>, judged: &'j [Judged<'_>]) -> Option<&'j str> {
    crate::rulebook::judge::weight_in_doubt(a.rulebook, judged)
}

/// That rules are to be judged again, in words.
pub(crate) fn again_text(cause: &str, rules: &[&str]) -> String {
    format!("To be judged again once what {cause} found is settled: {}.", rules.join(", "))
}

/// Control, zero-width and direction characters: they could drive a terminal, or make a text read as another.
pub(crate) fn unseen(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{200B}'..='\u{200F}' | '\u{202A}'..='\u{202E}' | '\u{2060}'..='\u{2069}' | '\u{FEFF}')
}
