//! An institution's own tests of its rulebook: whole orders, in short form or as FHIR files, and what the rules must
//! come to. Reading is pure; the text of a file that a test names is given by the caller.

use super::{day_of, declares, said};
use crate::appraise::{Institution, appraise_by, own_rules};
use crate::findings::Tier;
use crate::formulary::Formulary;
use crate::formulary::suggestion::closest;
use crate::intake::order::FhirVersion;
use crate::rulebook::{Rulebook, short_form};
use crate::settings::{ContextKind, Settings};
use serde::Deserialize;
use std::collections::BTreeSet;
use toml::Spanned;

/// What an expectation is about, as files write it, and the outcome's word.
const EXPECTATIONS: [&str; 7] =
    ["flagged", "clear", "not-evaluated", "not-provided", "not-applicable", "hidden", "off"];

/// One test.
#[derive(Clone, Debug)]
pub struct SiteTest {
    /// What it shows.
    pub title: String,
    /// File and line.
    pub place: String,
    /// The order.
    pub order: Order,
    declared: Option<Vec<String>>,
    disposition: Option<String>,
    /// Id of the rule, the outcome's word, and the tier of a finding where one is wanted.
    outcomes: Vec<(String, &'static str, Option<Tier>)>,
    nothing_else: bool,
}

/// Where a test's order is.
#[derive(Clone, Debug)]
pub enum Order {
    /// Here, in short form (`docs/rulebook.md`).
    Given(toml::Table),
    /// In a FHIR file, named from the folder of the test's file.
    File(String, FhirVersion),
}

/// What is wrong with a file of tests, with its place.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    /// File, line and column.
    pub place: String,
    /// What.
    pub message: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Wire {
    #[serde(default)]
    test: Vec<Spanned<WireTest>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
struct WireTest {
    title: String,
    given: Option<toml::Table>,
    file: Option<String>,
    fhir: Option<String>,
    declares: Option<Vec<String>>,
    expect: Spanned<toml::Table>,
}

/// Reads the tests of one file: TOML, or Markdown whose fenced blocks marked `toml` hold it.
///
/// # Errors
/// Everything that is wrong with it.
pub fn read(name: &str, text: &str, book: &Rulebook) -> Result<Vec<SiteTest>, Vec<Problem>> {
    let markdown = name.rsplit_once('.').is_some_and(|(_, ending)| ending.eq_ignore_ascii_case("md"));
    let text = if markdown { blocks(text) } else { text.to_owned() };
    let place = |at: usize| {
        let before = text.get(..at).unwrap_or_default();
        format!("{name}:{}", before.matches('\n').count() + 1)
    };
    // Line and column, from 1, columns in characters.
    let exactly = |at: usize| {
        let before = text.get(..at).unwrap_or_default();
        let column = before.rsplit('\n').next().unwrap_or_default().chars().count() + 1;
        format!("{}:{column}", place(at))
    };
    let told = |error: &toml::de::Error| Problem {
        place: exactly(error.span().map_or(0, |span| span.start)),
        message: error.message().trim().replace('\n', ", "),
    };
    let wire: Wire = toml::from_str(&text).map_err(|error| {
        // One problem ends the reading of a text: each test is read alone, so that each tells its own.
        let mut all: Vec<Problem> = each_alone(&text)
            .iter()
            .filter_map(|alone| toml::from_str::<Wire>(alone).err())
            .map(|error| told(&error))
            .collect();
        if all.is_empty() {
            all.push(told(&error));
        }
        all.dedup();
        all
    })?;
    let mut problems = Vec::new();
    let mut tests = Vec::new();
    for test in &wire.test {
        let at = place(test.span().start);
        let (begins, expected_at) = (exactly(test.span().start), exactly(test.get_ref().expect.span().start));
        match one(test.get_ref(), at, book) {
            Ok(test) => tests.push(test),
            Err(list) => problems.extend(list.into_iter().map(|(about_expect, message)| Problem {
                place: if about_expect { expected_at.clone() } else { begins.clone() },
                message,
            })),
        }
    }
    if problems.is_empty() { Ok(tests) } else { Err(problems) }
}

/// The text once for what stands above the first test and once for each test, everything else blank, so that places stay.
fn each_alone(text: &str) -> Vec<String> {
    let mut parts = 0;
    let of_part: Vec<usize> = text
        .lines()
        .map(|line| {
            parts += usize::from(line.trim_start().starts_with("[[test]]"));
            parts
        })
        .collect();
    let alone = |part: usize| {
        let lines = text.lines().zip(&of_part).map(|(line, of)| {
            // As long in bytes as it was.
            if *of == part { line.to_owned() } else { " ".repeat(line.len()) }
        });
        lines.collect::<Vec<_>>().join("\n")
    };
    (0..=parts).map(alone).collect()
}

/// The blocks of a Markdown text that hold tests, at their own lines; every other line is empty.
fn blocks(text: &str) -> String {
    let (mut out, mut inside, mut ours) = (String::with_capacity(text.len()), false, false);
    for line in text.lines() {
        if let Some(mark) = line.trim_start().strip_prefix("```") {
            (inside, ours) = (!inside, !inside && mark.trim() == "toml");
        } else if inside && ours {
            out.push_str(line);
        }
        out.push('\n');
    }
    out
}

/// What is wrong is told of the test, or (true) of its expectations.
fn one(test: &WireTest, place: String, book: &Rulebook) -> Result<SiteTest, Vec<(bool, String)>> {
    let mut wrong: Vec<(bool, String)> = Vec::new();
    let version = match test.fhir.as_deref() {
        None | Some("R4") => FhirVersion::R4,
        Some("R4B") => FhirVersion::R4B,
        Some("R5") => FhirVersion::R5,
        Some(other) => {
            wrong.push((false, format!("fhir: `{other}` is not R4, R4B or R5")));
            FhirVersion::R4
        }
    };
    let order = match (&test.given, &test.file) {
        (Some(given), None) => {
            if test.fhir.is_some() {
                wrong.push((false, "fhir: only a file has a FHIR version".to_owned()));
            }
            Some(Order::Given(given.clone()))
        }
        (None, Some(file)) => Some(Order::File(file.clone(), version)),
        _ => {
            wrong.push((false, "expected either given (the order in short form) or file".to_owned()));
            None
        }
    };
    for name in test.declares.iter().flatten() {
        if !ContextKind::ALL.iter().any(|(_, known)| known == name) {
            let known: Vec<&str> = ContextKind::ALL.iter().map(|(_, name)| *name).collect();
            wrong.push((false, format!("declares: `{name}` is not one of {}", known.join(", "))));
        }
    }
    if test.declares.is_some() && test.given.is_some() {
        wrong.push((false, "declares: stands within given, where the order is given in short form".to_owned()));
    }
    let ids: BTreeSet<String> = own_rules()
        .map(|rule| rule.id.to_string())
        .chain(book.limits.iter().map(|l| l.rule.id.to_string()))
        .chain(book.waiting.iter().map(|w| w.rule.id.to_string()))
        .collect();
    let expect = test.expect.get_ref();
    let (mut outcomes, mut disposition, mut nothing_else) = (Vec::new(), None, false);
    for (key, value) in expect {
        match (key.as_str(), EXPECTATIONS.iter().find(|word| **word == key.as_str())) {
            ("disposition", _) => match value.as_str() {
                Some(word @ ("clear" | "flagged" | "not-fully-checked")) => disposition = Some(word.to_owned()),
                _ => wrong.push((true, "disposition: expected clear, flagged or not-fully-checked".to_owned())),
            },
            ("nothing-else", _) => match value.as_bool() {
                Some(only) => nothing_else = only,
                None => wrong.push((true, "nothing-else: expected true or false".to_owned())),
            },
            (_, Some(word)) => {
                let Some(list) = value.as_array() else {
                    wrong.push((true, format!("{key}: expected a list of rules")));
                    continue;
                };
                for rule in list {
                    match named(rule.as_str().unwrap_or_default(), word, &ids) {
                        Ok((id, tier)) => outcomes.push((id, *word, tier)),
                        Err(what) => wrong.push((true, format!("{key}: {what}"))),
                    }
                }
            }
            (_, None) => {
                let known = || EXPECTATIONS.into_iter().chain(["disposition", "nothing-else"]);
                let near = closest(key, known()).map_or_else(String::new, |near| format!(" Did you mean {near}?"));
                let known: Vec<&str> = known().collect();
                wrong.push((true, format!("{key} is not known here; known are {}.{near}", known.join(", "))));
            }
        }
    }
    if outcomes.is_empty() && disposition.is_none() && !nothing_else {
        wrong.push((true, "nothing is expected: name rules, a disposition, or nothing-else = true".to_owned()));
    }
    match order {
        Some(order) if wrong.is_empty() => Ok(SiteTest {
            title: test.title.clone(),
            place,
            order,
            declared: test.declares.clone(),
            disposition,
            outcomes,
            nothing_else,
        }),
        _ => Err(wrong),
    }
}

/// A rule, and for findings the tier behind it: `VOL-01`, `VOL-01 HIGH`.
fn named(text: &str, word: &str, ids: &BTreeSet<String>) -> Result<(String, Option<Tier>), String> {
    let mut words = text.split_whitespace();
    let id = words.next().unwrap_or_default();
    if !ids.contains(id) {
        let near = closest(id, ids.iter().map(String::as_str));
        return Err(format!(
            "`{id}` is not a rule of this rulebook{}",
            near.map_or_else(String::new, |near| format!("; did you mean {near}?"))
        ));
    }
    let tier = match words.next() {
        None => None,
        Some(_) if word != "flagged" => return Err(format!("`{text}`: only a finding has a tier")),
        Some(code) => {
            let tier = [Tier::Low, Tier::Med, Tier::High, Tier::Stop].into_iter().find(|tier| tier.code() == code);
            Some(tier.ok_or_else(|| format!("`{code}` is not one of LOW, MED, HIGH, STOP"))?)
        }
    };
    if words.next().is_some() {
        Err(format!("`{text}`: expected a rule and perhaps a tier"))
    } else {
        Ok((id.to_owned(), tier))
    }
}

/// What a test came to: nothing, when it is as expected; else everything that is not. `file` is the text of the file that
/// the test names, if it names one.
///
/// # Errors
/// Why it could not be run.
pub fn run(
    test: &SiteTest,
    file: Option<&[u8]>,
    book: &Rulebook,
    formulary: &Formulary,
    settings: &Settings,
) -> Result<Vec<String>, String> {
    let mut settings = settings.clone();
    let (bundle, version) = match &test.order {
        Order::Given(given) => {
            declares(given, &mut settings)?;
            let named = book.limits.iter().filter(|l| test.outcomes.iter().any(|(id, ..)| *id == *l.rule.id));
            (short_form::compose_on(day_of(named), given, book)?.into_bytes(), FhirVersion::R4)
        }
        Order::File(name, version) => {
            let listed = |kind: &str| test.declared.iter().flatten().any(|name| name == kind);
            settings.declared =
                ContextKind::ALL.iter().filter(|(_, name)| listed(name)).map(|(kind, _)| *kind).collect();
            (file.ok_or_else(|| format!("{name} could not be read"))?.to_vec(), *version)
        }
    };
    let by = Institution { formulary, rulebook: book, settings: &settings };
    let appraisal = appraise_by(&bundle, "", version, by);
    // In short form the order is the first; others stand beside it.
    let judged = match &test.order {
        Order::Given(_) => appraisal.orders.get(..1).unwrap_or_default(),
        Order::File(..) => appraisal.orders.as_slice(),
    };
    let [order] = judged else {
        let why =
            if appraisal.refusal().is_some() { ": it cannot be read; `enteral-gate check` says where" } else { "" };
        return Err(format!("one order is wanted, there are {}{why}", appraisal.orders.len()));
    };
    let mut wrong = Vec::new();
    let disposition = order.disposition().code();
    if let Some(wanted) = test.disposition.as_deref().filter(|wanted| *wanted != disposition) {
        wrong.push(format!("expected the order to be {wanted}, it is {disposition}"));
    }
    for (id, wanted, tier) in &test.outcomes {
        let judged = order.judged.iter().chain(&order.shadow).find(|j| j.rule.id == *id);
        let word = judged.map_or("not judged", |j| j.outcome.word());
        let found = judged.and_then(|j| j.outcome.tier());
        if word != *wanted {
            let more = judged.and_then(|j| said(&j.outcome)).map_or_else(String::new, |said| format!(" ({said})"));
            wrong.push(format!("{id}: expected {wanted}, came to {word}{more}"));
        } else if let (Some(want), Some(got)) = (tier, found)
            && *want != got
        {
            wrong.push(format!("{id}: expected tier {}, found {}", want.code(), got.code()));
        }
    }
    if test.nothing_else {
        if !order.computed {
            wrong.push("nothing was worked out: the order is over, in error, or no tube feed".to_owned());
        }
        for j in order.judged.iter().filter(|j| j.outcome.word() == "not-evaluated") {
            if !test.outcomes.iter().any(|(id, wanted, _)| *wanted == "not-evaluated" && j.rule.id == *id) {
                wrong.push(format!(
                    "{}: not evaluated, and that was not expected ({})",
                    j.rule.id,
                    said(&j.outcome).unwrap_or_default()
                ));
            }
        }
        // A reminder alone flags no order.
        for j in order.judged.iter().filter(|j| j.outcome.tier() > Some(Tier::Low)) {
            if !test.outcomes.iter().any(|(id, wanted, _)| *wanted == "flagged" && j.rule.id == *id) {
                wrong.push(format!(
                    "{}: flagged, and nothing else was expected ({})",
                    j.rule.id,
                    said(&j.outcome).unwrap_or_default()
                ));
            }
        }
    }
    Ok(wrong)
}
