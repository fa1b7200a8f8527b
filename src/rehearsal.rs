//! A rulebook's own tests, run: each composes its order in short form, puts it through the whole program and
//! compares what the limit came to with what the test expects. Pure.

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

pub mod own;
pub mod site;

use crate::appraise::{Institution, appraise_by};
use crate::findings::Outcome;
use crate::formulary::Formulary;
use crate::intake::order::FhirVersion;
use crate::rulebook::{Expected, Limit, Mode, Rulebook, Test, TestKind, short_form};
use crate::settings::{ContextKind, Settings};
use jiff::civil::Date;
use std::borrow::Cow;

/// What one test came to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Rehearsed {
    /// Id of the limit.
    pub rule: String,
    /// Title of the test.
    pub title: String,
    /// File and line.
    pub place: String,
    /// `None`: as expected; else what came instead.
    pub failure: Option<String>,
    /// What the limit came to, in one word.
    pub outcome: &'static str,
    /// The limit's sentence and fix, where it found something.
    pub said: Option<String>,
}

/// The tests of one limit's four kinds that are missing. Only a limit that compares an amount has a boundary.
pub fn uncovered(limit: &Limit) -> Vec<&'static str> {
    [
        (TestKind::Flag, "must flag"),
        (TestKind::Pass, "must not flag"),
        (TestKind::Boundary, "on the boundary"),
        (TestKind::Missing, "an input missing"),
    ]
    .into_iter()
    .filter(|(kind, _)| *kind != TestKind::Boundary || limit.checks.iter().any(|c| c.measure.is_some()))
    .filter(|(kind, _)| !limit.tests.iter().any(|t| t.kind == *kind))
    .map(|(_, words)| words)
    .collect()
}

/// Runs the tests of every limit whose mode is not off, each on a day on which the limit is in effect. What is switched off
/// until a day (`[[off]]`) is judged as if it were not: on the day after, it has to be right.
pub fn rehearse(book: &Rulebook, formulary: &Formulary, settings: &Settings) -> Vec<Rehearsed> {
    let on = in_force(book);
    let mut out = Vec::new();
    for limit in on.limits.iter().filter(|l| l.mode != Mode::Off) {
        out.extend(limit.tests.iter().map(|test| run(&on, limit, test, formulary, settings)));
    }
    out
}

/// The book with nothing switched off.
fn in_force(book: &Rulebook) -> Cow<'_, Rulebook> {
    if book.off.is_empty() {
        return Cow::Borrowed(book);
    }
    let mut on = book.clone();
    on.off.clear();
    Cow::Owned(on)
}

/// The day of an example: the usual one, or else the nearest on which these limits are all in effect. Where there is none,
/// the usual one.
fn day_of<'l>(limits: impl Iterator<Item = &'l Limit> + Clone) -> Date {
    let day = short_form::DAY;
    let (from, to) = (limits.clone().filter_map(|l| l.from).max(), limits.filter_map(|l| l.to).min());
    match (from, to) {
        (Some(from), Some(to)) if from > to => day,
        (Some(from), _) if from > day => from,
        (_, Some(to)) if to < day => to,
        _ => day,
    }
}

fn run(book: &Rulebook, limit: &Limit, test: &Test, formulary: &Formulary, settings: &Settings) -> Rehearsed {
    let done = |outcome, failure, said| Rehearsed {
        rule: limit.rule.id.to_string(),
        title: test.title.clone(),
        place: test.place.clone(),
        failure,
        outcome,
        said,
    };
    let mut settings = settings.clone();
    if let Err(what) = declares(&test.given, &mut settings) {
        return done("not run", Some(what), None);
    }
    let day = day_of(std::iter::once(limit));
    let bundle = match short_form::compose_on(day, &test.given, book) {
        Ok(bundle) => bundle,
        Err(what) => return done("not run", Some(what), None),
    };
    let by = Institution { formulary, rulebook: book, settings: &settings };
    let appraisal = appraise_by(bundle.as_bytes(), "", FhirVersion::R4, by);
    let judged = appraisal
        .orders
        .first()
        .and_then(|order| order.judged.iter().chain(&order.shadow).find(|j| j.rule.id == limit.rule.id));
    let Some(judged) = judged else {
        return done("not run", Some("the order could not be appraised".to_owned()), None);
    };
    let (word, said, tier) = (judged.outcome.word(), said(&judged.outcome), judged.outcome.tier());
    let wanted = expected(test.expect);
    let mut failure = (word != wanted).then(|| {
        let more = said.as_deref().map_or_else(String::new, |s| format!(" ({s})"));
        format!("expected {wanted}, came to {word}{more}")
    });
    if failure.is_none()
        && let (Some(want), Some(got)) = (test.tier, tier)
        && want != got
    {
        failure = Some(format!("expected tier {}, found {}", want.code(), got.code()));
    }
    done(word, failure, said)
}

fn declares(given: &toml::Table, settings: &mut Settings) -> Result<(), String> {
    settings.declared.clear();
    let Some(list) = given.get("declares") else { return Ok(()) };
    for name in list.as_array().ok_or("declares: expected a list")? {
        let kind = ContextKind::ALL.iter().find(|(_, n)| Some(*n) == name.as_str());
        settings.declared.insert(kind.ok_or_else(|| format!("declares: {name} is not a kind of context"))?.0);
    }
    Ok(())
}

/// The sentences of an outcome: what was found with its fix, or why nothing could be.
fn said(outcome: &Outcome) -> Option<String> {
    match outcome {
        Outcome::Flagged(list) => {
            let sentences: Vec<String> = list
                .iter()
                .map(|f| f.fix.as_ref().map_or_else(|| f.text.clone(), |fix| format!("{} {fix}", f.text)))
                .collect();
            Some(sentences.join(" "))
        }
        Outcome::Clear => None,
        Outcome::NotApplicable(why) | Outcome::NotProvided(why) => Some(why.to_string()),
        Outcome::NotEvaluated(why, _) | Outcome::Off(why) => Some(why.clone()),
        Outcome::Hidden(cause) => Some(format!("because of {cause}")),
    }
}

fn expected(expect: Expected) -> &'static str {
    match expect {
        Expected::Flagged => "flagged",
        Expected::Clear => "clear",
        Expected::NotEvaluated => "not-evaluated",
        Expected::NotProvided => "not-provided",
        Expected::NotApplicable => "not-applicable",
    }
}
