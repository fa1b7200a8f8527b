//! What the findings of the starter rulebook advise, in words. Amounts are worked out by hand beside each. People,
//! orders and products are invented.

use enteral_gate::appraise::{Institution, check_by};
use enteral_gate::findings::{Finding, Outcome};
use enteral_gate::formulary::Formulary;
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::rulebook::{Rulebook, file, short_form};
use enteral_gate::settings::Settings;
use std::sync::LazyLock;

static BOOK: LazyLock<Rulebook> = LazyLock::new(|| file::read(file::starter()).unwrap_or_else(|all| panic!("{all:?}")));
static FORMULARY: LazyLock<Formulary> = LazyLock::new(|| {
    let text = format!(
        "{}\n{}",
        include_str!("../deploy/demo/formulary.csv").trim_end(),
        include_str!("../src/rulebook/starter/products.csv")
    );
    Formulary::from_csv("tests", text.as_bytes()).unwrap_or_else(|all| panic!("{all:?}"))
});

fn judged(document: &str, rule: &str) -> Outcome {
    let settings = Settings::default();
    let by = Institution { formulary: &FORMULARY, rulebook: &BOOK, settings: &settings };
    let a = check_by(document.as_bytes(), "", FhirVersion::R4, by);
    let judged = a.orders[0].judged.iter().find(|j| j.rule.id == rule);
    judged.unwrap_or_else(|| panic!("{rule} is not judged")).outcome.clone()
}

/// An order in short form as the program reads it.
fn order(given: &str) -> String {
    short_form::compose(&toml::from_str(given).unwrap(), &BOOK).unwrap()
}

fn finding_of(document: &str, rule: &str) -> Finding {
    let Outcome::Flagged(mut found) = judged(document, rule) else { panic!("{rule} is not flagged") };
    assert_eq!(found.len(), 1, "{found:?}");
    found.remove(0)
}

fn finding(rule: &str, given: &str) -> Finding {
    finding_of(&order(given), rule)
}

fn fix(rule: &str, given: &str) -> String {
    finding(rule, given).fix.unwrap()
}

/// An order in which rates follow each other day by day.
fn by_turns(product: &str, weight: &str, first: u32, second: u32) -> String {
    let text = order(&format!("age = \"70 d\"\nweight = \"{weight}\"\nproduct = \"{product}\"\nrate = \"77 mL/h\""));
    let mut document: serde_json::Value = serde_json::from_str(&text).unwrap();
    let entries = document["entry"].as_array_mut().unwrap();
    let order = entries.iter_mut().map(|e| &mut e["resource"]).find(|r| r["resourceType"] == "NutritionOrder").unwrap();
    let run = |time: &str, rate: u32| {
        serde_json::json!({"schedule": {"repeat": {"timeOfDay": [time], "duration": 12, "durationUnit": "h"}},
            "rateQuantity": {"value": rate, "unit": "mL/h", "system": "http://unitsofmeasure.org", "code": "mL/h"}})
    };
    order["enteralFormula"]["administration"] = serde_json::json!([run("08:00:00", first), run("20:00:00", second)]);
    document.to_string()
}

/// A fill that hangs four hours at the higher rate hangs longer at the lower one.
#[test]
fn the_fill_holds_at_the_lowest_rate() {
    // 12 h at 15 mL/h, then 12 h at 35 mL/h: in 4 h at 15 mL/h 60 mL run in.
    let found = finding_of(&by_turns("HM", "4.2 kg", 15, 35), "HNG-01");
    assert_eq!(found.fix.unwrap(), "Fill at most 60 mL where 15 mL/h runs, or use a closed system.");
    // One rate alone: 20 mL/h × 24 h = 480 mL.
    let one = fix("HNG-01", "age = \"70 a\"\nweight = \"70 kg\"\nproduct = \"A10\"\nrate = \"20 mL/h\"");
    assert_eq!(one, "Fill at most 480 mL, or use a closed system.");
}
