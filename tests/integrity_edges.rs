//! Edges of the program's own rules: what lies just inside and just outside of what they flag. People, products and
//! orders are invented; what a word or an age does is common practice, no source.

use enteral_gate::appraise::check;
use enteral_gate::findings::{Outcome, Tier};
use enteral_gate::formulary::Formulary;
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::rulebook::{Rulebook, short_form};
use enteral_gate::settings::Settings;

/// Tiers and texts of what a rule found in an order in short form; `None` where it found nothing.
fn found(rule: &str, given: &str) -> Option<Vec<(Tier, String)>> {
    let formulary = Formulary::from_csv("tests", include_bytes!("../deploy/demo/formulary.csv")).expect("products");
    let bundle = short_form::compose(&given.parse().expect("TOML"), &Rulebook::default()).expect("a short form");
    let settings = Settings::default();
    let done = check(bundle.as_bytes(), "", FhirVersion::R4, &formulary, &settings);
    let judged = done.orders[0].judged.iter().find(|j| j.rule.id == rule).expect("the rule is known");
    match &judged.outcome {
        Outcome::Flagged(findings) => Some(findings.iter().map(|f| (f.tier, f.text.clone())).collect()),
        Outcome::Clear => None,
        other => panic!("{rule}: {other:?}"),
    }
}

#[test]
fn nobody_lives_to_their_123rd_birthday() {
    let order = |born: &str| {
        format!("birth-date = \"{born}\"\nsex = \"female\"\nweight = \"50 kg\"\nproduct = \"A10\"\nrate = \"50 mL/h\"")
    };
    // The order is of 25 November 2026.
    assert_eq!(found("CMP-01", &order("1903-11-26")), None);
    for born in ["1903-11-25", "2026-11-26"] {
        let found = found("CMP-01", &order(born)).expect("a person who cannot be");
        assert!(found[0].1.contains("usable age"), "{found:?}");
    }
}

#[test]
fn a_number_with_a_unit_in_the_instructions_is_more_than_a_reminder() {
    let order = |note: &str| {
        format!(
            "age = \"70 a\"\nsex = \"male\"\nweight = \"70 kg\"\nproduct = \"A10\"\nrate = \"70 mL/h\"\nnote = \"{note}\""
        )
    };
    for note in [
        "60 ml with the tablets",
        "60ml with the tablets",
        "0.5 l by noon",
        "see bed 4, 20 kcal/oz",
        "9 pm",
        ".5 ml",
        ".5ml",
        "ml",
        "as before ... ml",
        "..l",
        "see bed 4, then 20",
    ] {
        let found = found("CMP-03", &order(note)).expect(note);
        assert_eq!(found[0].0, Tier::Med, "{note}: {found:?}");
    }
    for note in [
        "room 12 bed 4",
        "call the dietitian, ward b2",
        "Keep upright for 30 minutes after each feed.",
        "Daily weights; weigh weekly",
        "Dietitian to review Monday",
        "Use enteral syringes only",
    ] {
        let found = found("CMP-03", &order(note)).expect(note);
        assert_eq!(found[0].0, Tier::Low, "{note}: {found:?}");
    }
}
