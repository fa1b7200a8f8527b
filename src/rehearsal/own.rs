//! The worked examples of the program's own rules, run: each has to come to what its page says, and an ordinary order must
//! not be flagged. Like the tests of a rulebook they go through the whole program, so a rule that no longer fires is noticed
//! where it runs.

use super::{Rehearsed, said};
use crate::appraise::{Appraisal, Institution, appraise_by, not_judged_yet, own_rules};
use crate::findings::Outcome;
use crate::formulary::Formulary;
use crate::intake::order::FhirVersion;
use crate::rulebook::{Rulebook, file, short_form};
use crate::settings::Settings;
use std::borrow::Cow;
use std::sync::LazyLock;
use toml::{Table, Value};

/// What the pages of the rules say, with an example each: an order in short form, `edit` replaces text in the Bundle made of
/// it, `expect` is the outcome's word (flagged without it, `any` where only the run counts).
pub const EXAMPLES: &str = include_str!("../integrity/examples.toml");

/// An order that nothing is wrong with, in short form. Invented.
pub const ORDINARY: &str = "age = \"70 a\"\nsex = \"male\"\nweight = \"60 kg\"\nproduct = \"A10\"\nrate = \"60 mL/h\"\nflush = { volume = \"30 mL\", every = \"4 h\" }\nholds = []\n";

/// What the examples take from a rulebook: codes of concepts, and the range of the invented pump. No limit is judged.
static BOOK: LazyLock<Rulebook> = LazyLock::new(|| {
    let mut book = file::read(file::starter()).unwrap_or_default();
    (book.limits, book.waiting) = (Vec::new(), Vec::new());
    book
});

/// A worked example of a rule of the program.
#[derive(Clone, Debug)]
pub struct Example {
    /// The order, in short form.
    pub given: Table,
    /// Texts of the Bundle made of it, and what stands in their place.
    pub edits: Vec<(String, String)>,
    /// The outcome's word; `any` for every one.
    pub expect: String,
    /// It flags every order, an ordinary one as well.
    pub always: bool,
}

impl Example {
    /// The example of a rule in a file of them.
    ///
    /// # Errors
    /// What is missing, in words.
    pub fn of(rule: &str, file: &Table) -> Result<Self, String> {
        let own = file.get(rule).and_then(Value::as_table).ok_or("it has no example")?;
        let given = own.get("given").and_then(Value::as_table).ok_or("its example has no order")?.clone();
        let mut edits = Vec::new();
        for pair in own.get("edit").and_then(Value::as_array).into_iter().flatten() {
            match pair.as_array().map(Vec::as_slice) {
                Some([Value::String(old), Value::String(new)]) => edits.push((old.clone(), new.clone())),
                _ => return Err("an edit of its example is no pair of texts".to_owned()),
            }
        }
        let expect = own.get("expect").and_then(Value::as_str).unwrap_or("flagged").to_owned();
        Ok(Self { given, edits, expect, always: own.contains_key("always") })
    }

    /// The Bundle that it is.
    ///
    /// # Errors
    /// A short form that cannot be read; a text that is to be replaced and is not there.
    pub fn bundle(&self) -> Result<String, String> {
        let mut text = short_form::compose(&self.given, &BOOK)?;
        for (old, new) in &self.edits {
            if !text.contains(old.as_str()) {
                return Err(format!("{old} is not in the Bundle made of it"));
            }
            text = text.replace(old.as_str(), new);
        }
        Ok(text)
    }
}

/// What is to be seen of the appraisal of a Bundle that an order in short form is.
fn outcome<T>(
    bundle: &str,
    given: &Table,
    formulary: &Formulary,
    look: impl FnOnce(&Appraisal<'_>) -> T,
) -> Result<T, String> {
    let mut settings = Settings::default();
    super::declares(given, &mut settings)?;
    let by = Institution { formulary, rulebook: &BOOK, settings: &settings };
    Ok(look(&appraise_by(bundle.as_bytes(), "", FhirVersion::R4, by)))
}

fn of_rule(appraisal: &Appraisal<'_>, rule: &str) -> Option<Outcome> {
    let order = appraisal.orders.first()?;
    order.judged.iter().find(|judged| judged.rule.id == rule).map(|judged| judged.outcome.clone())
}

/// What a rule comes to in its example.
///
/// # Errors
/// Why the example cannot be run.
pub fn come_to(rule: &str, example: &Example, formulary: &Formulary) -> Result<Outcome, String> {
    let bundle = example.bundle()?;
    outcome(&bundle, &example.given, formulary, |a| of_rule(a, rule))?
        .ok_or_else(|| "the order could not be appraised".to_owned())
}

/// Runs the examples of every rule of the program that is judged and not switched off. No rule of an institution is in it.
pub fn rehearse_own(file: &str, off: &dyn Fn(&str) -> bool, formulary: &Formulary) -> Vec<Rehearsed> {
    let file = file.parse::<Table>().map_err(|error| format!("the examples cannot be read: {}", error.message()));
    let given = ORDINARY.parse::<Table>().unwrap_or_default();
    let rules = || own_rules().filter(|rule| not_judged_yet(&rule.id).is_none() && !off(&rule.id));
    let ordinary = short_form::compose(&given, &BOOK).and_then(|bundle| {
        outcome(&bundle, &given, formulary, |a| rules().map(|rule| of_rule(a, &rule.id)).collect::<Vec<_>>())
    });
    let mut out = Vec::new();
    for (nth, rule) in rules().enumerate() {
        let example = file.as_ref().map_err(Clone::clone).and_then(|file| Example::of(&rule.id, file));
        let mut done = |title: &'static str, wanted: &str, got: Result<Outcome, String>| {
            let word = got.as_ref().map_or("not run", Outcome::word);
            let failure = match &got {
                Err(why) => Some(why.clone()),
                Ok(_) if word == wanted || wanted == "any" => None,
                Ok(_) if wanted == "not flagged" && word != "flagged" => None,
                Ok(outcome) => {
                    let more = said(outcome).map_or_else(String::new, |said| format!(" ({said})"));
                    Some(format!("expected {wanted}, came to {word}{more}"))
                }
            };
            out.push(Rehearsed {
                rule: rule.id.to_string(),
                title: title.to_owned(),
                place: "rules of the program".to_owned(),
                failure,
                outcome: word,
                said: got.ok().as_ref().and_then(said),
            });
        };
        let wanted = example.as_ref().map_or_else(|_| Cow::Borrowed("flagged"), |e| Cow::Owned(e.expect.clone()));
        let always = example.as_ref().is_ok_and(|example| example.always);
        done("its worked example", &wanted, example.and_then(|example| come_to(&rule.id, &example, formulary)));
        let plain = ordinary.clone().and_then(|all| {
            all.get(nth).cloned().flatten().ok_or_else(|| "the order could not be appraised".to_owned())
        });
        done("an ordinary order", if always { "flagged" } else { "not flagged" }, plain);
    }
    out
}
