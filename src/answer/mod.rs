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

use crate::findings::{Judged, Outcome, Rule};
use crate::intake::order::At;
use crate::rulebook::Rulebook;
use std::borrow::Cow;

mod fhir;
mod junit;
mod outcome;
mod parameters;
mod text;

pub use junit::{JunitCase, junit, junit_case, junit_of};
pub use outcome::{ASSUMPTION_SYSTEM, FINDING_SYSTEM, STANDING, outcome_json, refusal_json};
pub use parameters::{MEASURE_SYSTEM, parameters_json};
pub use text::text;

/// Version of the program, in every answer.
pub const PROGRAM: &str = concat!("enteral-gate ", env!("CARGO_PKG_VERSION"));

/// What judged the order where the institution gave no rulebook.
const NO_BOOK: &str = "none: integrity rules of the program only";

/// What nothing judges without a rulebook; in every answer.
const NO_RULEBOOK: &str = "No rulebook of the institution is loaded: whether rate, volume, energy, protein, water, electrolytes and product suit this patient was not judged.";

/// The rulebook that judged, for the version part of an answer.
fn book(book: &Rulebook) -> Cow<'_, str> {
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
fn book_warning(book: &Rulebook) -> Option<Cow<'_, str>> {
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
fn not_evaluated<'j>(judged: &'j [Judged<'_>]) -> Vec<(Vec<&'j Rule>, &'j str, &'j [At])> {
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

/// Kinds of context that were not provided, each once with the rules that wait for it.
fn not_provided<'j>(judged: &'j [Judged<'_>]) -> Vec<(&'j str, Vec<&'j str>)> {
    let mut out: Vec<(&str, Vec<&str>)> = Vec::new();
    for j in judged {
        if let Outcome::NotProvided(what) = &j.outcome {
            match out.iter_mut().find(|(w, _)| w == what) {
                Some((_, rules)) => rules.push(&j.rule.id),
                None => out.push((what, vec![&j.rule.id])),
            }
        }
    }
    out
}

/// Control, zero-width and direction characters: they could drive a terminal, or make a text read as another.
fn unseen(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{200B}'..='\u{200F}' | '\u{202A}'..='\u{202E}' | '\u{2060}'..='\u{2069}' | '\u{FEFF}')
}
