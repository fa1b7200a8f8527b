//! Two corpora: orders that nothing is wrong with (`tests/corpus/clean.toml`), which must raise few interruptive
//! findings, and the same orders with one error put into each, which the rule that names the cause must catch.
//! `cargo test --test corpus -- --nocapture` prints both numbers, with what interrupted and what was missed.
//! People, products and orders are invented. The kinds of error are those that reports of incidents and the unit
//! traps of feeding orders describe; their list is common practice, no source.

use enteral_gate::appraise::{Institution, appraise_by};
use enteral_gate::findings::{Outcome, Tier};
use enteral_gate::formulary::Formulary;
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::rulebook::file;
use enteral_gate::rulebook::{Rulebook, short_form};
use enteral_gate::settings::Settings;
use orders::{clean, seeded};
use std::collections::BTreeMap;
use std::sync::LazyLock;
use toml::Table;

#[path = "corpus/orders.rs"]
mod orders;

static FORMULARY: LazyLock<Formulary> =
    LazyLock::new(|| Formulary::from_csv("demo", include_bytes!("../deploy/demo/formulary.csv")).expect("the demo's"));

static BOOK: LazyLock<Rulebook> = LazyLock::new(|| file::read(file::starter()).unwrap_or_else(|all| panic!("{all:?}")));

/// Rules that found something, with the gravest tier and the sentence.
fn found(given: &Table) -> BTreeMap<String, (Tier, String)> {
    let bundle = short_form::compose(given, &BOOK).unwrap_or_else(|what| panic!("{what}: {given}"));
    let settings = Settings::default();
    let by = Institution { formulary: &FORMULARY, rulebook: &BOOK, settings: &settings };
    let appraisal = appraise_by(bundle.as_bytes(), "", FhirVersion::R4, by);
    let order = appraisal.orders.first().unwrap_or_else(|| panic!("no order in {bundle}"));
    let mut out = BTreeMap::new();
    for judged in &order.judged {
        if let Outcome::Flagged(list) = &judged.outcome
            && let Some(gravest) = list.iter().max_by_key(|f| f.tier)
        {
            out.insert(judged.rule.id.to_string(), (gravest.tier, gravest.text.clone()));
        }
    }
    out
}

/// At most one interruptive finding (STOP or HIGH) per ten clean orders.
#[test]
fn clean_orders_are_left_in_peace() {
    let clean = clean();
    assert!(clean.len() >= 40, "{} orders", clean.len());
    let (mut interruptive, mut lesser) = (0, 0);
    for (title, given) in &clean {
        for (rule, (tier, text)) in found(given) {
            if tier >= Tier::High {
                interruptive += 1;
            }
            if tier >= Tier::Med {
                lesser += usize::from(tier == Tier::Med);
                println!("{} {rule} {title}: {text}", tier.code());
            }
        }
    }
    println!("clean: {} orders, {interruptive} interruptive findings, {lesser} lesser ones", clean.len());
    assert!(interruptive * 10 <= clean.len(), "{interruptive} of {}", clean.len());
}

/// At least 99 of 100 seeded errors are caught by the rule that names the cause.
#[test]
fn seeded_errors_are_caught_by_the_rule_that_names_the_cause() {
    let mut kinds: BTreeMap<&str, (usize, usize)> = BTreeMap::new();
    let (mut all, mut caught) = (0, 0);
    for (title, given) in clean() {
        for (kind, order, rules) in seeded(&given) {
            let found = found(&order);
            let hit = rules.iter().any(|rule| found.contains_key(*rule));
            let entry = kinds.entry(kind).or_default();
            entry.0 += 1;
            all += 1;
            if hit {
                entry.1 += 1;
                caught += 1;
            } else {
                println!("missed: {kind}: {title}; wanted {rules:?}, found {:?}", found.keys().collect::<Vec<_>>());
            }
        }
    }
    for (kind, (all, caught)) in &kinds {
        println!("{kind:40} {caught} of {all}");
    }
    println!(
        "seeded: {all} errors of {} kinds, {caught} caught ({:.2} %)",
        kinds.len(),
        100.0 * caught as f64 / all as f64
    );
    assert!(all >= 200);
    assert!(caught * 100 >= all * 99, "{caught} of {all}");
}
