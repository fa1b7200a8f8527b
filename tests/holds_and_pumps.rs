//! Rates that no pump can be set to, orders that nothing is to be given, and products that are sent, at the edges. Pumps: those
//! of the starter rulebook (common practice, no source). People, products and orders are invented.

use enteral_gate::appraise::{Institution, appraise_by};
use enteral_gate::findings::Outcome;
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::rulebook::{Rulebook, file, short_form};
use enteral_gate::settings::Settings;
use starter::{BOOK, FORMULARY};

mod starter;

const ADULT: &str = "age = \"70 a\"\nsex = \"male\"\nweight = \"60 kg\"\nproduct = \"A10\"\n";

fn judged_by(book: &Rulebook, rule: &str, version: FhirVersion, bundle: &str) -> Outcome {
    let settings = Settings::default();
    let by = Institution { formulary: &FORMULARY, rulebook: book, settings: &settings };
    let done = appraise_by(bundle.as_bytes(), "", version, by);
    let order = done.orders.iter().find(|o| o.id.as_deref() == Some("o")).unwrap();
    order.judged.iter().chain(&order.shadow).find(|j| j.rule.id == rule).unwrap().outcome.clone()
}

fn bundle(given: &str) -> String {
    short_form::compose(&given.parse().unwrap_or_else(|why| panic!("{given}: {why}")), &BOOK).unwrap()
}

fn judged(rule: &str, given: &str) -> Outcome {
    judged_by(&BOOK, rule, FhirVersion::R4, &bundle(given))
}

/// Text and fix of the only finding.
fn one(outcome: &Outcome) -> (String, String) {
    let Outcome::Flagged(all) = outcome else { panic!("{outcome:?}") };
    assert_eq!(all.len(), 1);
    (all[0].text.clone(), all[0].fix.clone().unwrap_or_default())
}

fn overlay(more: &str) -> Rulebook {
    let text = format!("rulebook = 1\nlabel = \"x\"\nedition = \"1\"\n{more}");
    let mut sources = file::starter().to_vec();
    sources.push(file::Source { name: "site.toml", text: &text });
    file::read(&sources).unwrap_or_else(|all| panic!("{all:?}"))
}

#[test]
fn a_rate_between_two_steps_is_found_with_the_two_nearest() {
    let rate = |rate: &str| judged("CON-07", &format!("{ADULT}rate = \"{rate}\"\n"));
    let outcome = rate("41.6789 mL/h");
    let (text, fix) = one(&outcome);
    assert!(text.starts_with("The pump cannot be set to 41.6789 mL/h: it is set in steps of 1 mL/h."), "{text}");
    // (41 − 41.6789) × 24 = −16.3 mL; (42 − 41.6789) × 24 = 7.7 mL.
    assert_eq!(fix, "Order 41 mL/h (16.3 mL a day less) or 42 mL/h (7.7 mL a day more).");
    let Outcome::Flagged(all) = &outcome else { unreachable!() };
    assert_eq!(all[0].correction.as_ref().unwrap().label, "Rate 42 mL/h");
    // Over 12 hours half of it.
    let (_, fix) = one(&judged("CON-07", &format!("{ADULT}rate = \"41.5 mL/h\"\nhours = \"12 h\"\n")));
    assert_eq!(fix, "Order 41 mL/h (6 mL a day less) or 42 mL/h (6 mL a day more).");
    assert_eq!(rate("42 mL/h"), Outcome::Clear);
}

/// Five feeds of 200 mL at 400 mL/h are 1000 mL a day at whatever rate: another changes only how long they take.
#[test]
fn another_rate_of_feeds_of_a_stated_volume_changes_no_days_volume() {
    let plain = bundle(&format!("{ADULT}volume = \"200 mL\"\nfeeds = 5\n"));
    let rate =
        r#""rateQuantity":{"value":400,"unit":"mL/h","system":"http://unitsofmeasure.org","code":"mL/h"},"schedule":"#;
    let text = plain.replace("\"schedule\":", rate);
    assert_ne!(text, plain);
    let (text, fix) = one(&judged_by(&BOOK, "CON-07", FhirVersion::R4, &text));
    assert!(text.starts_with("The pump cannot be set to 400 mL/h: it runs from "), "{text}");
    assert_eq!(fix, "Order 300 mL/h.");
}

/// In place of single feeds into the small bowel no more is advised than was ordered, in the step of the pump.
#[test]
fn a_rate_in_place_of_single_feeds_is_rounded_down_to_the_pumps_step() {
    let fix = |who: &str, volume: &str| {
        let outcome =
            judged("RTE-01", &format!("{who}volume = \"{volume} mL\"\nfeeds = 8\nroute = \"post-pyloric\"\n"));
        one(&outcome).1.to_owned()
    };
    // 8 × 125 mL = 1000 mL ÷ 24 h = 41.67 mL/h, in whole mL/h 41: 984 mL.
    assert!(fix(ADULT, "125").contains(": 41.67 mL/h, set 41 mL/h (984 mL);"), "{}", fix(ADULT, "125"));
    // 8 × 7 mL = 56 mL ÷ 24 h = 2.33 mL/h, in tenths 2.3: 55.2 mL.
    let infant = "age = \"3 mo\"\nsex = \"female\"\nweight = \"5 kg\"\nproduct = \"I07\"\n";
    assert!(fix(infant, "7").contains(": 2.33 mL/h, set 2.3 mL/h (55.2 mL);"), "{}", fix(infant, "7"));
}

#[test]
fn which_pump_counts_and_what_is_missing_is_said() {
    let infant = |rate: &str| {
        judged(
            "CON-07",
            &format!("age = \"3 mo\"\nsex = \"female\"\nweight = \"5 kg\"\nproduct = \"I07\"\nrate = \"{rate}\"\n"),
        )
    };
    assert_eq!(infant("20.1 mL/h"), Outcome::Clear);
    one(&infant("20.15 mL/h"));
    // Without a weight either pump may be used; a rate for both is one.
    let unknown = |rate: &str| judged("CON-07", &format!("age = \"70 a\"\nproduct = \"A10\"\nrate = \"{rate}\"\n"));
    assert_eq!(unknown("60 mL/h"), Outcome::Clear);
    let Outcome::NotEvaluated(why, _) = unknown("60.5 mL/h") else { panic!("{:?}", unknown("60.5 mL/h")) };
    assert!(why.starts_with("which pump is used is not known (Enteral syringe pump or Feeding pump)"), "{why}");
    one(&unknown("60.55 mL/h"));
    assert!(matches!(judged("CON-07", &format!("{ADULT}volume = \"250 mL\"\nfeeds = 6\n")), Outcome::NotApplicable(_)));
    let none =
        judged_by(&Rulebook::default(), "CON-07", FhirVersion::R4, &bundle(&format!("{ADULT}rate = \"60.5 mL/h\"\n")));
    assert!(matches!(none, Outcome::NotProvided(_)), "{none:?}");
    // The institution's own pump comes first.
    let own = overlay(
        "[[pump]]\ntitle = \"Own\"\nwhen = \"weight >= q('10 kg')\"\nrate = [\"40 mL/h\", \"120 mL/h\"]\nrate-step = \"5 mL/h\"\nvolume-step = \"1 mL\"\n",
    );
    let of = |rate: &str| judged_by(&own, "CON-07", FhirVersion::R4, &bundle(&format!("{ADULT}rate = \"{rate}\"\n")));
    for clear in ["40 mL/h", "60 mL/h", "120 mL/h"] {
        assert_eq!(of(clear), Outcome::Clear, "{clear}");
    }
    one(&of("62 mL/h"));
    for (beyond, near) in [("39 mL/h", "Order 40 mL/h ("), ("120.1 mL/h", "Order 120 mL/h (")] {
        let (text, fix) = one(&of(beyond));
        assert!(text.contains("it runs from 40 to 120 mL/h") && fix.starts_with(near), "{text} {fix}");
    }
}

#[test]
fn an_order_that_nothing_is_given_overlaps_a_feed() {
    let order = |more: &str| bundle(&format!("{ADULT}rate = \"60 mL/h\"\n{more}"));
    let outcome = |text: &str| judged_by(&BOOK, "CON-10", FhirVersion::R4, text);
    assert!(matches!(outcome(&order("")), Outcome::NotProvided(_)));
    assert_eq!(outcome(&order("holds = []\n")), Outcome::Clear);
    let hold = order("holds = [\"nil-by-mouth\"]\n");
    let (text, _) = one(&outcome(&hold));
    assert_eq!(text, "An active order says “nil by mouth”, without times, while this feed runs.");
    let with = |old: &str, new: &str| {
        assert!(hold.contains(old), "{old} in {hold}");
        outcome(&hold.replace(old, new))
    };
    // The feed begins at 2026-11-25T08:00Z: what ends then does not overlap, what ends a minute later does.
    let request = "\"resourceType\":\"ServiceRequest\"";
    let period = |from: &str, to: &str| {
        with(request, &format!("{request},\"occurrencePeriod\":{{\"start\":\"{from}\",\"end\":\"{to}\"}}"))
    };
    assert_eq!(period("2026-11-24T20:00:00Z", "2026-11-25T08:00:00Z"), Outcome::Clear);
    let (text, _) = one(&period("2026-11-24T20:00:00Z", "2026-11-25T08:01:00Z"));
    assert!(text.contains(" from 2026-11-24 20:00 to 2026-11-25 08:01"), "{text}");
    // FHIR (R4, Period.end): an end that is a date includes that day.
    let (text, _) = one(&period("2026-11-24", "2026-11-25"));
    assert!(text.contains(" from 2026-11-24 to 2026-11-25,"), "{text}");
    assert_eq!(period("2026-11-23", "2026-11-24"), Outcome::Clear);
    // A feed without a stated start did not run a year ago.
    let open = hold.replace("\"boundsPeriod\"", "\"_was\"");
    assert!(open != hold, "{hold}");
    let long_over = open.replace(
        request,
        &format!("{request},\"occurrencePeriod\":{{\"start\":\"2025-01-01\",\"end\":\"2025-01-02\"}}"),
    );
    assert_eq!(outcome(&long_over), Outcome::Clear);
    for standing in ["completed", "revoked", "draft", "on-hold"] {
        let changed = hold
            .split("{\"fullUrl\"")
            .map(|part| {
                if part.contains(request) {
                    part.replace("\"active\"", &format!("\"{standing}\""))
                } else {
                    part.to_owned()
                }
            })
            .collect::<Vec<_>>()
            .join("{\"fullUrl\"");
        assert_eq!(outcome(&changed), Outcome::Clear, "{standing}");
    }
    // Another code of a system that the rulebook has such codes of says something else.
    assert_eq!(with("182923009", "91251008"), Outcome::Clear);
}

/// A code of a system that the rulebook does not know might say it.
#[test]
fn a_request_that_cannot_be_read_is_not_passed_over() {
    let hold = bundle(&format!("{ADULT}rate = \"60 mL/h\"\nholds = [\"nil-by-mouth\"]\n"));
    let local = hold.replace("http://snomed.info/sct", "https://invented.example/orders");
    let outcome = judged_by(&BOOK, "CON-10", FhirVersion::R4, &local);
    let Outcome::NotEvaluated(why, at) = &outcome else { panic!("{outcome:?}") };
    assert!(why.contains("1 active order(s)") && at.len() == 1, "{why}");
    // The institution names its own code.
    let own = overlay(
        "[[concept]]\nkind = \"hold\"\nkey = \"nil-by-mouth\"\ntitle = \"nil by mouth\"\ncodes = [\"https://invented.example/orders|182923009\"]\n",
    );
    one(&judged_by(&own, "CON-10", FhirVersion::R4, &local));
}

/// Who set a limit to off, and why, stands in the answer.
#[test]
fn a_limit_of_mode_off_says_who_and_why() {
    let book = overlay(
        "[[override]]\nlimit = \"WAT-01\"\nby = \"Invented committee\"\nwhy = \"Drinks are charted elsewhere\"\nmode = \"off\"\n",
    );
    let outcome = judged_by(&book, "WAT-01", FhirVersion::R4, &bundle(&format!("{ADULT}rate = \"60 mL/h\"\n")));
    let Outcome::Off(why) = &outcome else { panic!("{outcome:?}") };
    assert!(why.starts_with("by Invented committee: Drinks are charted elsewhere (mode in site.toml:"), "{why}");
}

/// Warnings about a product that was sent do not undo that the rule is switched off, and name the element.
#[test]
fn warnings_of_a_sent_product_heed_what_is_switched_off() {
    let amount = |code: &str, value: &str, unit: &str| {
        format!(
            r#"{{"item":{{"concept":{{"coding":[{{"system":"https://enteral-gate.example/fhir/CodeSystem/nutrient","code":"{code}"}}]}}}},"amount":[{{"numerator":{{"value":{value},"unit":"{unit}","system":"http://unitsofmeasure.org","code":"{unit}"}},"denominator":{{"value":100,"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"}}}}]}}"#
        )
    };
    // 4 × 4 + 4 × 12 + 9 × 4 = 100 kcal, not 150.
    let nutrients = [
        amount("energy", "150", "kcal"),
        amount("protein", "4", "g"),
        amount("carbohydrate", "12", "g"),
        amount("fat", "4", "g"),
    ];
    let text = format!(
        r#"{{"resourceType":"Bundle","type":"collection","entry":[
{{"resource":{{"resourceType":"Patient","id":"p","birthDate":"1956-01-01"}}}},
{{"fullUrl":"https://invented.example/fhir/NutritionProduct/np","resource":{{"resourceType":"NutritionProduct","id":"np","status":"active","code":{{"text":"Invented sent"}},"nutrient":[{}]}}}},
{{"fullUrl":"https://invented.example/fhir/NutritionOrder/o","resource":{{"resourceType":"NutritionOrder","id":"o","status":"active","intent":"order","subject":{{"reference":"Patient/p"}},"dateTime":"2026-11-25T08:00:00Z","enteralFormula":{{"baseFormulaType":{{"reference":{{"reference":"NutritionProduct/np"}}}},"administration":[{{"rateQuantity":{{"value":60,"unit":"mL/h","system":"http://unitsofmeasure.org","code":"mL/h"}}}}]}}}}}}
]}}"#,
        nutrients.join(",")
    );
    let (said, _) = one(&judged_by(&BOOK, "NUT-09", FhirVersion::R5, &text));
    assert!(
        said.contains("Invented sent, energy: ") && !said.contains("energy_kcal") && !said.contains("line 1"),
        "{said}"
    );
    let off = overlay("[[off]]\nrule = \"NUT-09\"\nby = \"x\"\nwhy = \"y\"\nuntil = 2099-12-31\n");
    let outcome = judged_by(&off, "NUT-09", FhirVersion::R5, &text);
    assert!(matches!(outcome, Outcome::Off(_)), "{outcome:?}");
}
