//! Days of 23 and 25 hours: no phantom feed, no phantom breach of a maximum, and the true length on request.
//! The clock changes come from the IANA time zone database (as bundled with `jiff`).

use enteral_gate::appraise::{Appraisal, appraise};
use enteral_gate::exact::Exact;
use enteral_gate::findings::Outcome;
use enteral_gate::formulary::Formulary;
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::nutrition::measure::Measure;
use enteral_gate::settings::{Asked, DayKind, Settings};
use jiff::civil::{Date, date};
use jiff::tz::TimeZone;
use std::sync::LazyLock;

static FORMULARY: LazyLock<Formulary> =
    LazyLock::new(|| Formulary::from_csv("formulary.csv", include_bytes!("../deploy/demo/formulary.csv")).unwrap());

const CONTINUOUS: &str = r#"{"schedule":{"repeat":{"boundsPeriod":{"start":"2026-01-05T07:00:00Z"}}},"rateQuantity":{"value":60,"system":"http://unitsofmeasure.org","code":"mL/h"}}"#;
const EVERY_4_H: &str = r#"{"schedule":{"repeat":{"boundsPeriod":{"start":"2026-01-05T07:00:00Z"},"frequency":1,"period":4,"periodUnit":"h"}},"quantity":{"value":240,"system":"http://unitsofmeasure.org","code":"mL"}}"#;
const AT_CLOCK: &str = r#"{"schedule":{"repeat":{"timeOfDay":["02:30:00","07:00:00","12:00:00","17:00:00","22:00:00"]}},"quantity":{"value":200,"system":"http://unitsofmeasure.org","code":"mL"}}"#;
const NIGHT: &str = r#"{"schedule":{"repeat":{"timeOfDay":["19:00:00"],"duration":12,"durationUnit":"h"}},"rateQuantity":{"value":80,"system":"http://unitsofmeasure.org","code":"mL/h"}}"#;

fn order(administration: &str) -> String {
    format!(
        r#"{{"resourceType":"NutritionOrder","status":"active","intent":"order","patient":{{"reference":"Patient/x"}},"dateTime":"2026-01-05T06:00:00Z","enteralFormula":{{"baseFormulaProductName":"A10","administration":[{administration}],"maxVolumeToDeliver":{{"value":1440,"system":"http://unitsofmeasure.org","code":"mL/d"}}}}}}"#
    )
}

fn settings(zone: &str, kind: DayKind, day: Date, day_start: u32) -> Settings {
    Settings {
        zone: TimeZone::get(zone).unwrap(),
        zone_name: zone.to_owned(),
        day_start,
        asked: Asked { date: Some(day), days: Some(1), kind, as_of: None },
        ..Settings::default()
    }
}

/// Volume and feeds of the one day asked for, and whether a breach of the maximum was found.
fn day(administration: &str, settings: &Settings) -> (Exact, Exact, bool) {
    let text = order(administration);
    let a: Appraisal<'_> = appraise(text.as_bytes(), "", FhirVersion::R4, &FORMULARY, settings);
    let report = &a.orders[0];
    let totals = &report.days[0].1;
    let breach = report.judged.iter().any(|j| {
        j.rule.id == "CON-03"
            && matches!(&j.outcome, Outcome::Flagged(f) if f.iter().any(|f| f.text.contains("is reached")))
    });
    (totals.get(Measure::FormulaVolume).known().unwrap(), totals.get(Measure::FeedsPerDay).known().unwrap(), breach)
}

/// Local days on which clocks change, with their length in seconds.
fn changes(zone: &str) -> Vec<(Date, i64)> {
    let zone = TimeZone::get(zone).unwrap();
    let mut out = Vec::new();
    let mut day = date(2026, 1, 10);
    while day < date(2031, 1, 1) {
        let next = day.tomorrow().unwrap();
        let midnight = |d: Date| zone.to_ambiguous_timestamp(d.at(0, 0, 0, 0)).compatible().unwrap().as_second();
        let length = midnight(next) - midnight(day);
        if length != 86_400 {
            out.push((day, length));
        }
        day = next;
    }
    out
}

const ZONES: [&str; 6] = [
    "America/New_York",
    "Europe/Vienna",
    "Australia/Lord_Howe",
    "America/Santiago",
    "Africa/Cairo",
    "Pacific/Auckland",
];

#[test]
fn elapsed_days_are_all_alike() {
    let mut compared = 0;
    for zone in ZONES {
        for (day_of_change, _) in changes(zone) {
            for before in [0, 1] {
                let asked = if before == 1 { day_of_change.yesterday().unwrap() } else { day_of_change };
                for start in [0, 7 * 3600] {
                    let s = settings(zone, DayKind::Elapsed, asked, start);
                    assert_eq!(day(CONTINUOUS, &s), (Exact::int(1440), Exact::ZERO, false), "{zone} {asked}");
                    assert_eq!(day(EVERY_4_H, &s), (Exact::int(1440), Exact::int(6), false), "{zone} {asked}");
                    assert_eq!(day(AT_CLOCK, &s), (Exact::int(1000), Exact::int(5), false), "{zone} {asked}");
                    assert_eq!(day(NIGHT, &s).0, Exact::int(960), "{zone} {asked}");
                    compared += 4;
                }
            }
        }
    }
    println!("compared: {compared} days");
    assert!(compared > 400, "the zones have changes");
}

#[test]
fn civil_days_have_their_true_length_and_their_usual_feeds() {
    for zone in ZONES {
        for (asked, length) in changes(zone) {
            let s = settings(zone, DayKind::Civil, asked, 0);
            let hours = Exact::ratio(length, 3600);
            assert_eq!(day(CONTINUOUS, &s), (hours.mul(Exact::int(60)).unwrap(), Exact::ZERO, false), "{zone} {asked}");
            assert_eq!(day(EVERY_4_H, &s), (Exact::int(1440), Exact::int(6), false), "{zone} {asked}");
            assert_eq!(day(AT_CLOCK, &s), (Exact::int(1000), Exact::int(5), false), "{zone} {asked}");
        }
    }
}

/// 60 mL/h is 1,380 mL on 2026-03-08 and 1,500 mL on 2026-11-01 in New York (IANA time zone database).
#[test]
fn new_york_2026() {
    for (asked, ml) in [(date(2026, 3, 8), 1380), (date(2026, 11, 1), 1500)] {
        let s = settings("America/New_York", DayKind::Civil, asked, 0);
        assert_eq!(day(CONTINUOUS, &s).0, Exact::int(ml));
    }
}

/// 14 h by night across a change of the clock: the civil day after it has an hour more or less of that night. The day that
/// stands for the order is one that the next is like.
#[test]
fn the_steady_civil_day_is_none_next_to_a_change() {
    let night = NIGHT.replace("19:00:00", "20:00:00").replace("\"duration\":12", "\"duration\":14");
    for (ordered, steady) in [("2026-10-24", "2026-10-26"), ("2027-03-27", "2027-03-29")] {
        let text = order(&night).replace("2026-01-05T06:00:00Z", &format!("{ordered}T05:00:00Z"));
        let mut settings = settings("Europe/Vienna", DayKind::Civil, date(2026, 1, 5), 7 * 3_600);
        settings.asked.date = None;
        let a = appraise(text.as_bytes(), "", FhirVersion::R4, &FORMULARY, &settings);
        let (day, totals) = a.orders[0].steady.as_ref().unwrap();
        assert_eq!(totals.get(Measure::FormulaVolume).known(), Some(Exact::int(14 * 80)), "{ordered}");
        let begins = enteral_gate::timing::calendar::stamp(&settings.zone, day.laid.window.start);
        assert!(begins.starts_with(&format!("{steady}T07:00:00")), "{begins}");
    }
}
