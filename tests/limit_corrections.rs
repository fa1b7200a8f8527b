//! The orders that findings of limits offer instead: one amount multiplied, in steps of the pump, judged again.
//!
//! Amounts are worked out by hand beside each. People, orders and products are invented.

use enteral_gate::appraise::{Institution, check_by};
use enteral_gate::findings::{Correction, Finding, Outcome};
use enteral_gate::hooks::suggestion::try_corrections;
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::rulebook::{Expected, short_form};
use enteral_gate::settings::{ContextKind, Settings};
use starter::{BOOK, FORMULARY};
use std::collections::BTreeMap;

mod starter;

fn settings(given: &toml::Table) -> Settings {
    let mut out = Settings::default();
    for name in given.get("declares").and_then(toml::Value::as_array).into_iter().flatten() {
        let kind = ContextKind::ALL.iter().find(|(_, n)| Some(*n) == name.as_str()).expect("a kind of context");
        out.declared.insert(kind.0);
    }
    out
}

/// Without these nobody knows whether a patient is at risk of refeeding, and no more feed is offered.
const KNOWN: &str = r#"
sex = "male"
height = "175 cm"
labs = { serum_potassium = "4 mmol/L", serum_phosphate = "1 mmol/L", serum_magnesium = "0.8 mmol/L" }"#;

/// Findings, and corrections with whether they hold.
type Found = (Vec<Finding>, Vec<(String, bool)>);

/// What a limit found in an order in short form, and what came of its corrections.
fn found(rule: &str, given: &str) -> Found {
    of(rule, &toml::from_str(given).unwrap())
}

fn of(rule: &str, given: &toml::Table) -> Found {
    flagged(rule, given).unwrap_or_else(|| panic!("{rule} is not flagged"))
}

fn flagged(rule: &str, given: &toml::Table) -> Option<Found> {
    let text = short_form::compose(given, &BOOK).unwrap();
    let settings = settings(given);
    let by = Institution { formulary: &FORMULARY, rulebook: &BOOK, settings: &settings };
    let a = check_by(text.as_bytes(), "", FhirVersion::R4, by);
    let offers = try_corrections(&text, &a, Some(0), FhirVersion::R4, by);
    let offers = offers[0].iter().filter(|o| o.rule == rule).map(|o| (o.label.clone(), o.held.is_ok())).collect();
    let judged = a.orders[0].judged.iter().find(|j| j.rule.id == rule).unwrap();
    let Outcome::Flagged(list) = &judged.outcome else { return None };
    Some((list.clone(), offers))
}

fn label(correction: &Option<Correction>) -> Option<&str> {
    correction.as_ref().map(|c| c.label.as_str())
}

#[test]
fn too_little_energy_offers_the_next_rate_of_the_pump_that_reaches_the_bound() {
    // 20 kcal/kg × 70 kg = 1400 kcal = 1400 mL of 1 kcal/mL; over 24 h 58.3 mL/h; the pump's step is 1 mL/h.
    let given = r#"age = "70 a"
weight = "70 kg"
product = "A10"
rate = "50 mL/h"
setting = "ward"
stay = "3 d""#;
    // Who is not known to be safe from refeeding is not brought to the goal at a click.
    let (list, offers) = found("NUT-01", given);
    assert!(list[0].correction.is_none() && offers.is_empty(), "{list:?}");
    let (list, offers) = found("NUT-01", &format!("{given}{KNOWN}"));
    assert_eq!(list.len(), 1);
    assert_eq!(label(&list[0].correction), Some("Rate 59 mL/h"));
    assert!(list[0].fix.as_ref().unwrap().contains("about 59 mL/h"), "{:?}", list[0].fix);
    assert_eq!(offers, [("Rate 59 mL/h".to_owned(), true)]);
}

#[test]
fn too_much_energy_offers_the_next_rate_below() {
    // 80 mL/h of 1.5 kcal/mL over 20 h are 48 kcal/kg. What is not flagged at all is 35 kcal/kg × 50 kg = 1750 kcal
    // = 1166.7 mL; over 20 h 58.3 mL/h, rounded down.
    let (list, offers) = found(
        "NUT-01",
        r#"age = "50 a"
sex = "female"
weight = "50 kg"
product = "A15"
rate = "80 mL/h"
hours = "20 h"
start = "08:00"
flush = { volume = "150 mL", every = "4 h" }
setting = "ward"
stay = "3 d""#,
    );
    assert_eq!(label(&list[0].correction), Some("Rate 58 mL/h"));
    assert_eq!(offers, [("Rate 58 mL/h".to_owned(), true)]);
}

#[test]
fn single_feeds_are_changed_by_their_volume() {
    // 5 feeds of 200 mL of 1 kcal/mL are 1000 kcal; 20 kcal/kg × 60 kg = 1200 kcal are 240 mL a feed.
    let given = r#"age = "70 a"
weight = "60 kg"
product = "A10"
volume = "200 mL"
feeds = 5
over = "30 min"
setting = "ward"
stay = "3 d""#;
    let (list, offers) = found("NUT-01", &format!("{given}{KNOWN}"));
    assert_eq!(label(&list[0].correction), Some("Volume per feed 240 mL"));
    assert_eq!(offers, [("Volume per feed 240 mL".to_owned(), true)]);
    // Into the small bowel no feed should be given at once, and so no larger one is offered (RTE-01 stands).
    let (_, offers) = found("NUT-01", &format!("{given}{KNOWN}\nroute = \"post-pyloric\""));
    assert_eq!(offers, [("Volume per feed 240 mL".to_owned(), false)]);
}

/// A feed that needs a value nobody sends once it is larger is not offered: less would be judged than before.
#[test]
fn what_can_no_longer_be_judged_is_held_back() {
    // Up to a trophic rate noradrenaline asks for no lactate (HEM-01); at 59 mL/h it does, and none was sent.
    let given = r#"age = "70 a"
weight = "70 kg"
product = "A10"
rate = "20 mL/h"
setting = "ward"
stay = "3 d"
medicines = ["vasopressor"]"#;
    let (_, offers) = found("NUT-01", &format!("{given}{KNOWN}"));
    assert_eq!(offers, [("Rate 59 mL/h".to_owned(), false)]);
}

#[test]
fn water_is_changed_by_the_volume_of_the_flush() {
    // 1200 mL of a feed with 840 mL of water per litre hold 1008 mL; 4 flushes of 50 mL make it 1208 mL, for 70 kg 17.3 mL/kg.
    // What is not flagged at all is 25 mL/kg = 1750 mL: 742 mL of flushes, 185.5 mL each, in whole millilitres 186.
    let given = r#"age = "50 a"
sex = "female"
weight = "70 kg"
product = "A10"
rate = "50 mL/h"
flush = { volume = "50 mL", every = "6 h" }
setting = "ward"
stay = "3 d"
conditions = []
"#;
    let (list, offers) = found("WAT-01", given);
    assert_eq!(label(&list[0].correction), Some("Volume per flush 186 mL"), "{list:?}");
    assert_eq!(offers, [("Volume per flush 186 mL".to_owned(), true)]);
    // No flush larger than the rulebook's largest, which is not enough then: 250 mL, and 60 mL into the small bowel.
    let (_, offers) = found("WAT-01", &given.replace("6 h", "12 h"));
    assert_eq!(offers, [("Volume per flush 250 mL".to_owned(), false)]);
    let (_, offers) = found("WAT-01", &format!("{given}route = \"post-pyloric\""));
    assert_eq!(offers, [("Volume per flush 60 mL".to_owned(), false)]);
    // Not where sodium is known to be low.
    let (list, _) = found("WAT-01", &format!("{given}labs = {{ serum_sodium = \"120 mmol/L\" }}"));
    assert!(list[0].correction.is_none(), "{list:?}");
}

#[test]
fn a_child_is_offered_water_up_to_its_largest_flush() {
    // Maintenance of 15 kg is 1000 + 5 × 50 = 1250 mL (Holliday and Segar 1957), of which 80 % are 1000 mL. 960 mL of a
    // feed with 850 mL of water per litre hold 816 mL: 184 mL of 6 flushes are 30.7 mL each, in whole millilitres 31.
    let given = r#"age = "3 a"
sex = "female"
weight = "15 kg"
height = "95 cm"
product = "PED10"
rate = "40 mL/h"
flush = { volume = "20 mL", every = "4 h" }"#;
    let (_, offers) = found("WAT-02", given);
    assert_eq!(offers, [("Volume per flush 31 mL".to_owned(), true)]);
}

#[test]
fn no_plain_water_is_offered_to_an_infant() {
    let given = r#"age = "2 mo"
gestation = "39 wk"
weight = "5 kg"
product = "TDEC"
volume = "40 mL"
feeds = 8
flush = { volume = "1 mL", every = "3 h" }"#;
    let (list, offers) = found("WAT-02", given);
    assert!(list[0].correction.is_none() && offers.is_empty(), "{list:?}");
    assert!(list[0].fix.as_ref().unwrap().starts_with("Look at the feed first"), "{list:?}");
}

#[test]
fn a_start_at_risk_of_refeeding_is_offered_lower() {
    // 6 feeds of 125 mL of 1 kcal/mL are 750 kcal, for 45 kg 16.7 kcal/kg; 10 kcal/kg are 75 mL a feed.
    let (list, offers) = found(
        "REF-01",
        r#"age = "60 a"
sex = "female"
weight = "45 kg"
height = "170 cm"
product = "A10"
volume = "125 mL"
every = "4 h"
over = "30 min"
flush = { volume = "150 mL", every = "4 h" }
setting = "ward"
stay = "2 d"
other-orders = []
labs = { serum_potassium = "4 mmol/L", serum_phosphate = "1 mmol/L", serum_magnesium = "0.8 mmol/L" }"#,
    );
    assert_eq!(label(&list[0].correction), Some("Volume per feed 75 mL"), "{list:?}");
    assert_eq!(offers, [("Volume per feed 75 mL".to_owned(), true)]);
}

#[test]
fn an_amount_that_several_share_or_that_is_per_weight_is_not_changed() {
    for given in [
        r#"age = "70 a"
weight = "70 kg"
product = "A10"
steps = [{ rate = "20 mL/h", for = "8 h" }, { rate = "40 mL/h" }]
setting = "ward"
stay = "3 d""#,
        r#"age = "70 a"
weight = "70 kg"
product = "A10"
rate = "0.5 mL/kg/h"
setting = "ward"
stay = "3 d""#,
    ] {
        let (list, offers) = found("NUT-01", given);
        assert!(list.iter().all(|f| f.correction.is_none()), "{list:?}");
        assert!(offers.is_empty());
    }
}

/// An example as it is, and complete, with little water and with much: what is offered must not leave a patient without.
fn watered(title: &str, given: &toml::Table) -> Vec<(String, toml::Table)> {
    let with = |volume: &str| {
        let mut given = given.clone();
        let mut known = toml::from_str::<toml::Table>(&format!("stay = \"2 d\"{KNOWN}")).unwrap();
        // A height that a child of this age has, roughly.
        let age = given.get("age").and_then(toml::Value::as_str).unwrap_or_default().to_owned();
        let years = age.strip_suffix(" a").and_then(|years| years.parse::<u32>().ok());
        match years {
            Some(years) if years < 18 => drop(known.insert("height".into(), format!("{} cm", 80 + 6 * years).into())),
            None if !age.is_empty() => drop(known.insert("height".into(), "60 cm".into())),
            _ => {}
        }
        for (key, value) in known {
            given.entry(key).or_insert(value);
        }
        given.insert(
            "flush".into(),
            toml::from_str::<toml::Table>(&format!("volume = \"{volume}\"\nevery = \"4 h\"")).unwrap().into(),
        );
        (format!("{title}, water {volume}"), given)
    };
    vec![(title.to_owned(), given.clone()), with("20 mL"), with("150 mL")]
}

/// Every flagged example of the starter rulebook: where its limit offers a corrected order and that is held to be good,
/// the order as it then is, judged from its text, is no longer flagged by that check.
#[test]
fn every_order_that_the_starter_rulebook_offers_is_within_the_bound() {
    let mut tried: BTreeMap<&str, (usize, usize)> = BTreeMap::new();
    for limit in BOOK.limits.iter().filter(|l| l.checks.iter().any(|c| c.scale.is_some())) {
        let counts = tried.entry(&limit.rule.id).or_default();
        for (title, given) in
            limit.tests.iter().filter(|t| t.expect == Expected::Flagged).flat_map(|t| watered(&t.title, &t.given))
        {
            let text = short_form::compose(&given, &BOOK).unwrap();
            let settings = settings(&given);
            let by = Institution { formulary: &FORMULARY, rulebook: &BOOK, settings: &settings };
            let a = check_by(text.as_bytes(), "", FhirVersion::R4, by);
            let Some((list, offers)) = flagged(&limit.rule.id, &given) else { continue };
            for (finding, correction) in list.iter().filter_map(|f| Some((f, f.correction.as_ref()?))) {
                counts.0 += 1;
                let (_, held) = offers.iter().find(|(label, _)| *label == correction.label).unwrap();
                counts.1 += usize::from(*held);
                let at = correction.edits[0].at;
                assert!(correction.edits.iter().all(|e| e.at == at), "one quantity");
                let span = a.document.as_ref().unwrap().node(at).span();
                let mut quantity: serde_json::Value = serde_json::from_str(&text[span.clone()]).unwrap();
                for edit in &correction.edits {
                    quantity[edit.member] = serde_json::from_str(&edit.json).unwrap();
                }
                let changed = format!("{}{quantity}{}", &text[..span.start], &text[span.end..]);
                let again = check_by(changed.as_bytes(), "", FhirVersion::R4, by);
                let now = again.orders[0].judged.iter().find(|j| j.rule.id == limit.rule.id).unwrap();
                let same = |f: &Finding| {
                    f.tier == finding.tier
                        && f.arithmetic.as_ref().map(|a| head(a)) == finding.arithmetic.as_ref().map(|a| head(a))
                };
                if let Outcome::Flagged(list) = &now.outcome {
                    assert!(!list.iter().any(same), "{}: {}: {list:?}", limit.rule.id, title);
                    assert!(!held, "{}: {}: held to be good, and flagged", limit.rule.id, title);
                }
            }
        }
    }
    println!("{tried:#?}");
    let never: Vec<&&str> = tried.iter().filter(|(_, (_, held))| *held == 0).map(|(id, _)| id).collect();
    // Held back in every example: less of that feed brings too little protein for intensive care (NUT-05), and at so
    // low a start one container hangs for more than a day (HNG-01; single feeds do not); what the child lacks is more than
    // its largest flush (WAT-02); a start within REF-08 is little energy by NUT-03, as it is meant to be.
    assert_eq!(never, [&"NUT-02", &"REF-01", &"REF-02", &"REF-08", &"WAT-02"]);
}

/// What was compared, without the values.
fn head(arithmetic: &str) -> &str {
    arithmetic.split(", with ").next().unwrap_or_default()
}
