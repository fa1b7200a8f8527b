//! One order on one sheet: what is on it is what the appraisal says, in words and drawn, and nothing is worked out twice.
//!
//! Figures are compared with the program's own answer (`$appraise`), times with a calendar worked by hand; people, orders
//! and products are invented.

use enteral_gate::appraise::{Institution, appraise_by, check_by};
use enteral_gate::formulary::Formulary;
use enteral_gate::hooks::suggestion::try_corrections;
use enteral_gate::http::samples::SAMPLES;
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::nutrition::measure::Measure;
use enteral_gate::rulebook::Rulebook;
use enteral_gate::settings::Settings;
use enteral_gate::sheet::{Sheet, Sheets, ago, sheets};
use std::sync::LazyLock;

static FORMULARY: LazyLock<Formulary> = LazyLock::new(|| {
    let text = std::fs::read(concat!(env!("CARGO_MANIFEST_DIR"), "/deploy/demo/formulary.csv")).unwrap();
    Formulary::from_csv("formulary.csv", &text).unwrap()
});
static BOOK: LazyLock<Rulebook> = LazyLock::new(Rulebook::default);
static SETTINGS: LazyLock<Settings> = LazyLock::new(|| {
    let zone_name = "Europe/Vienna".to_owned();
    Settings { zone: jiff::tz::TimeZone::get(&zone_name).unwrap(), zone_name, ..Settings::default() }
});

fn of(text: &str, version: FhirVersion) -> Sheets {
    let by = Institution { formulary: &FORMULARY, rulebook: &BOOK, settings: &SETTINGS };
    let a = appraise_by(text.as_bytes(), "", version, by);
    let offers = try_corrections(text, &a, None, version, by);
    sheets(&a, &offers)
}

fn sample(name: &str) -> &'static str {
    SAMPLES.iter().find(|s| s.name == name).unwrap().text
}

fn one(text: &str) -> Sheet {
    let mut all = of(text, FhirVersion::R4);
    assert_eq!(all.orders.len(), 1);
    all.orders.remove(0)
}

#[test]
fn totals_are_those_of_the_appraisal() {
    let by = Institution { formulary: &FORMULARY, rulebook: &BOOK, settings: &SETTINGS };
    let mut compared = 0;
    for s in &SAMPLES {
        let full = appraise_by(s.text.as_bytes(), "", s.version, by);
        // A check works out less; its sheet says as much.
        let check = check_by(s.text.as_bytes(), "", s.version, by);
        let (full_sheet, check_sheet) = (sheets(&full, &[]), sheets(&check, &[]));
        assert_eq!(full_sheet.orders[0].totals, check_sheet.orders[0].totals, "{}", s.name);
        let (_, totals) = full.orders[0].typical().unwrap();
        for m in Measure::ALL {
            let Some(shown) =
                full_sheet.orders[0].totals.iter().find(|t| t.label == m.label() && t.value.ends_with(m.unit_text()))
            else {
                continue;
            };
            let small = full.orders[0].weight.is_some_and(|(kg, _)| kg < enteral_gate::exact::Exact::int(10))
                && m.unit() == "mL/d";
            let places = if small { 1 } else { m.places() };
            assert_eq!(
                shown.value,
                enteral_gate::nutrition::derive::shown(totals.get(*m), places, m.unit_text()),
                "{} {}",
                s.name,
                m.label()
            );
            compared += 1;
        }
    }
    assert!(compared > 150, "{compared}");
}

#[test]
fn every_finding_and_every_gap_is_on_the_sheet() {
    let by = Institution { formulary: &FORMULARY, rulebook: &BOOK, settings: &SETTINGS };
    for s in &SAMPLES {
        let a = appraise_by(s.text.as_bytes(), "", s.version, by);
        let sheet = &sheets(&a, &[]).orders[0];
        for j in &a.orders[0].judged {
            use enteral_gate::findings::Outcome;
            match &j.outcome {
                Outcome::Flagged(list) => {
                    for f in list {
                        let there = sheet.found.iter().find(|x| x.rule == *j.rule.id && x.text == f.text).unwrap();
                        assert_eq!((there.tier, &there.fix, there.places.len()), (f.tier, &f.fix, f.at.len()));
                        assert!(there.places.iter().all(|p| p.line > 0 && !p.path.is_empty()));
                    }
                }
                Outcome::NotEvaluated(why, _) => {
                    let there = sheet.open.iter().find(|o| o.rules.iter().any(|(id, _)| *id == *j.rule.id)).unwrap();
                    assert_eq!(&there.why, why);
                }
                Outcome::NotProvided(_) => {
                    let in_lists = sheet.not_sent.iter().any(|(_, rules)| rules.contains(&*j.rule.id))
                        || sheet.not_read.iter().any(|id| *id == *j.rule.id);
                    assert!(in_lists, "{} of {}", j.rule.id, s.name);
                }
                _ => {}
            }
        }
        assert!(sheet.found.is_sorted_by(|a, b| a.tier >= b.tier), "the gravest first");
    }
}

/// The stepped order of demo-5: 50 mL/h from 06:00, 75 from 10:00, 90 from 16:00; at most 1500 mL. By hand: 200 mL until
/// 10:00, 650 until 16:00, then 850 mL more take 9 h 26 min 40 s: 01:26.
#[test]
fn a_stepped_day_is_drawn_and_the_maximum_is_marked() {
    let sheet = one(sample("demo-5-steps-over-cap"));
    let words: Vec<&str> = sheet.given.iter().map(|g| g.how.as_str()).collect();
    assert_eq!(words[0], "50 mL/h by pump, from Wed 25 Nov 2026, 06:00 (+01:00) until Wed 25 Nov 2026, 10:00 (+01:00)");
    assert_eq!(words[2], "90 mL/h by pump, from Wed 25 Nov 2026, 16:00 (+01:00), no end stated");
    assert_eq!(sheet.maximum.as_deref(), Some("at most 1500 mL in 24 h"));
    let picture = sheet.days[0].picture.as_ref().unwrap();
    assert!(picture.maximum.as_ref().unwrap().contains("Thu 26 Nov 2026, 01:26 (+01:00)"));
    let feed: Vec<_> = picture.rows.iter().filter(|r| r.what.contains("A10")).collect();
    let shown: Vec<(&str, &str, &str, &str)> =
        feed.iter().map(|r| (r.from.as_str(), r.to.as_str(), r.how.as_str(), r.volume.as_str())).collect();
    assert_eq!(
        shown,
        [
            ("06:00", "10:00", "50 mL/h", "200"),
            ("10:00", "16:00", "75 mL/h", "450"),
            ("16:00", "06:00", "90 mL/h", "1260"),
        ]
    );
    assert_eq!(feed.last().unwrap().sum, "1910");
    // One lane for the three steps, one for water; what lies beyond the maximum is a bar of its own.
    let lanes: Vec<&str> = picture.names.iter().map(|n| n.text.as_str()).collect();
    assert_eq!(lanes, ["feed: Invented Standard 1.0 (A10)", "water", "feed since the day began, mL"]);
    assert_eq!(picture.bars.iter().filter(|b| b.class.starts_with("run")).count(), 4);
    assert_eq!(picture.bars.iter().filter(|b| b.class == "run beyond").count(), 1);
    let number = |text: &str| text.parse::<f64>().unwrap();
    for bar in &picture.bars {
        assert!(number(&bar.x) >= 0.0 && number(&bar.x) + number(&bar.w) <= 905.0, "{bar:?}");
        assert!(number(&bar.y) >= 0.0 && number(&bar.y) + number(&bar.h) <= picture.height as f64, "{bar:?}");
    }
}

/// The same order without its steps, so that it stays under its maximum. By hand: 50 mL/h for 24 h are 1200 mL of at most 1500.
/// By the formulary's row of A10 one hangs 500 mL, empty after 10 h at 16:00 and again at 02:00, or 1000 mL, empty at 02:00.
#[test]
fn a_maximum_that_is_not_reached_and_the_next_container_are_marked() {
    let mut all: serde_json::Value = serde_json::from_str(sample("demo-5-steps-over-cap")).unwrap();
    let order =
        all["entry"].as_array_mut().unwrap().iter_mut().find(|e| e["resource"]["resourceType"] == "NutritionOrder");
    let formula = &mut order.unwrap()["resource"]["enteralFormula"];
    formula["administration"].as_array_mut().unwrap().truncate(1);
    formula["administration"][0]["schedule"]["repeat"]["boundsPeriod"].as_object_mut().unwrap().remove("end");
    let picture = one(&all.to_string()).days[0].picture.clone().unwrap();
    assert_eq!(picture.maximum, None);
    assert_eq!(picture.strokes.iter().filter(|s| s.class == "limit").count(), 1);
    assert_eq!(picture.strokes.iter().filter(|s| s.class == "maximum").count(), 0);
    assert!(picture.labels.iter().any(|l| l.text == "maximum 1500 mL, not reached"), "{:?}", picture.labels);
    assert!(picture.changes.contains("500 mL at 16:00, 02:00; or a new container of 1000 mL at 02:00 (not drawn"));
    assert_eq!(picture.strokes.iter().filter(|s| s.class == "change").count(), 0);
    // A20 comes in 500 mL alone. A picture is 900 wide, of which the day takes 842 from 44: 10 h are 350.8, 20 h are 701.7.
    let of_one_size = all.to_string().replace("A10", "A20").replace("Invented Standard 1.0", "Invented Energy 2.0");
    let picture = one(&of_one_size).days[0].picture.clone().unwrap();
    assert!(picture.changes.ends_with("a new container of 500 mL at 16:00, 02:00."), "{}", picture.changes);
    let drawn: Vec<&str> = picture.strokes.iter().filter(|s| s.class == "change").map(|s| s.x1.as_str()).collect();
    assert_eq!(drawn, ["394.8", "745.7"]);
    assert!(picture.pauses.is_empty());
}

/// A feed held from 12:00 to 14:00 is two runs of a day.
#[test]
fn a_hold_between_two_runs_is_a_pause() {
    let mut all: serde_json::Value = serde_json::from_str(sample("demo-5-steps-over-cap")).unwrap();
    let order =
        all["entry"].as_array_mut().unwrap().iter_mut().find(|e| e["resource"]["resourceType"] == "NutritionOrder");
    let formula = &mut order.unwrap()["resource"]["enteralFormula"];
    let run = |at: &str, hours: u32| {
        serde_json::json!({
            "schedule": {"repeat": {"frequency": 1, "period": 1, "periodUnit": "d", "timeOfDay": [at], "duration": hours, "durationUnit": "h"}},
            "rateQuantity": {"value": 50, "unit": "mL/h", "system": "http://unitsofmeasure.org", "code": "mL/h"}
        })
    };
    formula["administration"] = serde_json::json!([run("06:00:00", 6), run("14:00:00", 16)]);
    let sheet = one(&all.to_string());
    let picture = sheet.days.last().unwrap().picture.clone().unwrap();
    assert_eq!(picture.pauses, ["12:00 to 14:00 (2 h)"]);
    assert_eq!(picture.strokes.iter().filter(|s| s.class == "pause").count(), 1);
}

#[test]
fn single_feeds_are_drawn_one_by_one() {
    let sheet = one(sample("demo-1-toddler"));
    let picture = sheet.days[0].picture.as_ref().unwrap();
    assert_eq!(picture.bars.iter().filter(|b| b.class == "feed").count(), 5);
    assert_eq!(
        picture.rows.iter().map(|r| r.from.as_str()).collect::<Vec<_>>(),
        ["08:00", "11:00", "14:00", "17:00", "20:00"]
    );
    assert_eq!(picture.rows.last().unwrap().sum, "1000");
    assert!(picture.reading.as_ref().unwrap().contains("not drawn"), "water with each feed has no time");
}

#[test]
fn a_correction_is_shown_as_what_came_of_trying_it() {
    let sheet = one(sample("demo-5-steps-over-cap"));
    let offers: Vec<_> = sheet.found.iter().flat_map(|f| &f.offers).collect();
    assert_eq!(offers.len(), 1);
    assert_eq!(
        (offers[0].rule.as_str(), offers[0].label.as_str(), &offers[0].held),
        ("CON-03", "Maximum volume 2160 mL", &Ok(()))
    );
}

#[test]
fn facts_say_how_old_they_are_and_what_is_missing() {
    let sheet = one(sample("demo-5-steps-over-cap"));
    let fact = |name: &str| sheet.facts.iter().find(|f| f.name == name).unwrap();
    // Weighed on the 24th at 08:00, ordered on the 25th at 05:30: 21 h 30 min.
    assert_eq!((fact("weight").value.as_str(), fact("weight").age.as_str()), ("70 kg", "21 hours before the order"));
    // Born on 1975-10-10.
    assert_eq!(fact("age").value, "51 years");
    assert!(fact("allergies").missing && fact("allergies").value == "not sent");
    assert_eq!(sheet.patient, "Stepped Invented");
    let without = sample("demo-5-steps-over-cap").replace("29463-7", "0000-0");
    let fact = one(&without).facts.into_iter().find(|f| f.name == "weight").unwrap();
    assert!(fact.missing && fact.age.is_empty() && fact.value == "not sent");
}

#[test]
fn what_cannot_be_read_says_where() {
    let sheets = of("{\n  \"resourceType\": \"Bundle\",\n  oops}", FhirVersion::R4);
    let (why, position, _) = sheets.refused.unwrap();
    assert_eq!(position.unwrap().0, 3, "{why}");
    assert!(sheets.orders.is_empty());
    assert_eq!(sheets.disposition, "refused");
    let sheets = of(r#"{"resourceType":"Bundle","type":"collection","entry":[]}"#, FhirVersion::R4);
    assert!(sheets.refused.is_none() && sheets.orders.is_empty());
    assert_eq!(sheets.disposition, "not-fully-checked");
}

/// A text that reads backwards or hides its end must not do so on a page.
#[test]
fn unseen_characters_are_seen() {
    let text = sample("demo-8-hold-in-text").replace("Invented Standard 1.0 (A10)", "Inv\u{202e}ented\u{200b}");
    let sheet = one(&text);
    let all = format!("{sheet:?}");
    assert!(!all.contains('\u{202e}') && !all.contains('\u{200b}'));
    assert!(!sheet.texts.is_empty(), "the instruction is quoted");
}

/// A sheet that was kept reads back as it was.
#[test]
fn a_sheet_outlives_the_program_as_json() {
    for s in &SAMPLES {
        let sheets = of(s.text, s.version);
        let json = serde_json::to_string(&sheets).unwrap();
        let mut back: Sheets = serde_json::from_str(&json).unwrap();
        // Places of facts in the document are not kept.
        let mut wanted = sheets;
        for order in wanted.orders.iter_mut().chain(&mut back.orders) {
            order.facts.iter_mut().for_each(|f| f.at = None);
        }
        assert_eq!(wanted, back, "{}", s.name);
    }
}

#[test]
fn lengths_of_time_in_words() {
    use enteral_gate::exact::Exact;
    for (seconds, words) in [
        (30, "less than 2 minutes"),
        (5400, "90 minutes"),
        (7200, "2 hours"),
        (93_600, "26 hours"),
        (259_200, "3 days"),
        (40_000_000, "15 months"),
    ] {
        assert_eq!(ago(Exact::int(seconds)), words);
    }
}

/// A weight that is called wrong is marked wherever something rests on it, and nothing says that all was judged.
#[test]
fn a_weight_in_doubt_is_marked() {
    let sheet = one(sample("demo-7-pounds"));
    assert_eq!(sheet.weight_doubted_by.as_deref(), Some("WGT-01"));
    assert!(sheet.counts.judge_again > 0, "{:?}", sheet.counts);
    assert!(sheet.not_checked.iter().any(|x| x.starts_with("To be judged again once what WGT-01 found is settled: ")));
    assert_eq!(one(sample("demo-1-toddler")).weight_doubted_by, None);
}

/// What has no upper end is not drawn, and the drawing does not call itself the most.
#[test]
fn a_drawing_without_part_of_the_order_says_so() {
    let order = sample("demo-3-home-cyclic");
    let broken = order.replacen(r#""timeOfDay": ["#, r#""timeOfDay": ["noon", "#, 1);
    assert_ne!(order, broken);
    let sheet = one(&broken);
    let said = sheet.days[0].picture.as_ref().and_then(|p| p.reading.clone()).unwrap_or_default();
    assert!(said.contains("is not drawn: this is the least") && !said.contains("Drawn is the most"), "{said}");
}
