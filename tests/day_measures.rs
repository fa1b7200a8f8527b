//! Measures of a day that lie in its schedule: feeds, their size, length and interval, the time that feeds run, the
//! highest rate, how long a container hangs, the time to the goal. Definitions: `docs/calculation.md`; figures worked
//! out by hand. Orders and products are invented; the day begins at 07:00, with the order.

use enteral_gate::amount::Amount;
use enteral_gate::appraise::appraise;
use enteral_gate::exact::{Decimal, Exact};
use enteral_gate::formulary::Formulary;
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::nutrition::measure::Measure as M;
use enteral_gate::nutrition::totals::Totals;
use enteral_gate::settings::Settings;
use std::sync::LazyLock;

const COLUMNS: &str =
    "key,name,form,age_class,basis,energy_kcal,carbohydrate_g,osmolality_mOsm_per_kg,containers_mL,source,source_date";

/// Per 100 mL: R hangs from containers of 500 and 1000 mL, D is decanted from them, N has none stated.
static FORMULARY: LazyLock<Formulary> = LazyLock::new(|| {
    let rows = [
        "R,Invented R,ready-to-hang,adult,100 mL,100,12,300,500;1000",
        "D,Invented D,decanted,adult,100 mL,100,20,350,500;1000",
        "N,Invented N,decanted,adult,100 mL,100,,,",
    ];
    let mut csv = COLUMNS.to_owned();
    for row in rows {
        csv.push_str(&format!("\n{row},invented for a test,2026-11-25"));
    }
    Formulary::from_csv("test.csv", csv.as_bytes()).unwrap_or_else(|p| panic!("{p:?}"))
});

fn quantity(value: &str, code: &str) -> String {
    format!(r#"{{"value":{value},"system":"http://unitsofmeasure.org","code":"{code}"}}"#)
}

fn schedule(members: &str) -> String {
    format!(r#""schedule":{{"repeat":{{{members}}}}}"#)
}

/// From an hour of the first day to another, or open.
fn bounds(from: &str, to: Option<&str>) -> String {
    let end = to.map_or(String::new(), |to| format!(r#","end":"{to}:00Z""#));
    format!(r#""boundsPeriod":{{"start":"{from}:00Z"{end}}}"#)
}

fn rate(ml_per_hour: &str, from: &str, to: Option<&str>) -> String {
    format!("{{{},\"rateQuantity\":{}}}", schedule(&bounds(from, to)), quantity(ml_per_hour, "mL/h"))
}

fn feeds(ml: &str, more: &str) -> String {
    let members = format!("{},{more}", bounds("2026-11-25T07:00", None));
    format!("{{{},\"quantity\":{}}}", schedule(&members), quantity(ml, "mL"))
}

/// The first day of an adult of 50 kg.
fn day(product: &str, administrations: &[String]) -> Totals {
    let text = format!(
        r#"{{"resourceType":"Bundle","type":"collection","entry":[{{"fullUrl":"https://enteral-gate.example/fhir/Patient/p","resource":{{"resourceType":"Patient","id":"p","birthDate":"1980-11-25"}}}},{{"fullUrl":"https://enteral-gate.example/fhir/Observation/w","resource":{{"resourceType":"Observation","id":"w","status":"final","code":{{"coding":[{{"system":"http://loinc.org","code":"29463-7"}}]}},"subject":{{"reference":"Patient/p"}},"effectiveDateTime":"2026-11-25T05:00:00Z","valueQuantity":{}}}}},{{"fullUrl":"https://enteral-gate.example/fhir/NutritionOrder/o","resource":{{"resourceType":"NutritionOrder","id":"o","status":"active","intent":"order","patient":{{"reference":"Patient/p"}},"dateTime":"2026-11-25T07:00:00Z","enteralFormula":{{"baseFormulaProductName":"Invented {product}","administration":[{}]}}}}}}]}}"#,
        quantity("50", "kg"),
        administrations.join(",")
    );
    let settings = Settings { day_start: 7 * 3_600, ..Settings::default() };
    let a = appraise(text.as_bytes(), "", FhirVersion::R4, &FORMULARY, &settings);
    a.orders[0].days.first().unwrap_or_else(|| panic!("{text}")).1.clone()
}

fn number(text: &str) -> Amount {
    Amount::Known(Decimal::parse(text).unwrap().exact())
}

fn ends(a: &Amount) -> (Option<Exact>, Option<Exact>) {
    (a.low(), a.high())
}

const START: &str = "2026-11-25T07:00";

#[test]
fn single_feeds_have_size_length_and_interval() {
    let t =
        day("R", &[feeds("240", r#""frequency":1,"period":4,"periodUnit":"h","duration":30,"durationUnit":"min""#)]);
    for (m, want) in [
        (M::FeedsPerDay, "6"),
        (M::LargestFeed, "240"),
        (M::FeedDuration, "0.5"),
        (M::FeedInterval, "4"),
        (M::FeedingTime, "3"),
        (M::HighestRate, "480"),
    ] {
        assert_eq!(*t.get(m), number(want), "{m:?}");
    }
    // Two entries: the larger feed, the longer time, the shortest way from one beginning to the next.
    let t = day(
        "R",
        &[
            feeds("240", r#""timeOfDay":["08:00:00","12:00:00"],"duration":30,"durationUnit":"min""#),
            feeds("300", r#""timeOfDay":["18:00:00","21:00:00"],"duration":60,"durationUnit":"min""#),
        ],
    );
    for (m, want) in [
        (M::FeedsPerDay, "4"),
        (M::LargestFeed, "300"),
        (M::FeedDuration, "1"),
        (M::FeedInterval, "3"),
        (M::FeedingTime, "3"),
        (M::HighestRate, "480"),
    ] {
        assert_eq!(*t.get(m), number(want), "{m:?}");
    }
    // 22:00 to 06:00 closes the circle over the day's end: 8 h; from 06:00 to 08:00 it is 2.
    let t = day("R", &[feeds("240", r#""timeOfDay":["08:00:00","14:00:00","06:00:00"]"#)]);
    assert_eq!(*t.get(M::FeedInterval), number("2"));
    // One feed a day has no interval.
    let t = day("R", &[feeds("240", r#""timeOfDay":["08:00:00"]"#)]);
    assert!(matches!(t.get(M::FeedInterval), Amount::Unknown(_)));
}

#[test]
fn how_long_a_feed_takes_is_not_guessed() {
    let t = day("R", &[feeds("240", r#""frequency":1,"period":4,"periodUnit":"h""#)]);
    for m in [M::FeedDuration, M::FeedingTime, M::HighestRate, M::HangTime, M::CarbohydrateRateFeeding] {
        assert!(matches!(t.get(m), Amount::Unknown(_)), "{m:?}: {:?}", t.get(m));
    }
    assert_eq!(*t.get(M::LargestFeed), number("240"));
    // Beside one whose length is known, the highest rate is at least that one's.
    let t = day(
        "R",
        &[
            feeds("240", r#""timeOfDay":["08:00:00"],"duration":30,"durationUnit":"min""#),
            feeds("100", r#""timeOfDay":["18:00:00"]"#),
        ],
    );
    assert_eq!(ends(t.get(M::HighestRate)), (Some(Exact::int(480)), None));
    assert!(matches!(t.get(M::FeedingTime), Amount::Unknown(_)));
    assert_eq!(ends(t.get(M::FeedDuration)), (Some(Exact::ratio(1, 2)), None));
    // 480 mL/h × 0.12 g/mL × 1000 ÷ 60 min ÷ 50 kg = 19.2 mg/kg/min.
    assert_eq!(ends(t.get(M::CarbohydrateRateFeeding)), (Some(Exact::decimal(192, 1)), None));
}

#[test]
fn lengths_stated_as_a_range_are_a_range() {
    let t = day(
        "R",
        &[feeds("240", r#""timeOfDay":["08:00:00","20:00:00"],"duration":1,"durationMax":2,"durationUnit":"h""#)],
    );
    assert_eq!(ends(t.get(M::FeedDuration)), (Some(Exact::ONE), Some(Exact::int(2))));
    assert_eq!(*t.get(M::LargestFeed), number("240"));
}

#[test]
fn running_feeds_have_rates_and_hours() {
    let t = day("R", &[rate("60", START, None)]);
    for (m, want) in [(M::FeedingTime, "24"), (M::HighestRate, "60"), (M::FeedsPerDay, "0"), (M::FormulaVolume, "1440")]
    {
        assert_eq!(*t.get(m), number(want), "{m:?}");
    }
    for m in [M::LargestFeed, M::FeedDuration, M::FeedInterval, M::TimeToGoal] {
        assert!(matches!(t.get(m), Amount::Unknown(_)), "{m:?}: {:?}", t.get(m));
    }
    // 60 × 0.12 × 1000 ÷ 60 ÷ 50 = 2.4 mg/kg/min, also as the mean of a day that runs for 24 h.
    assert_eq!(*t.get(M::CarbohydrateRateFeeding), number("2.4"));
    assert_eq!(*t.get(M::CarbohydrateRate), number("2.4"));
    // Twelve of twenty-four hours: the same while it runs, half in the mean.
    let t = day("R", &[rate("60", START, Some("2026-11-25T19:00"))]);
    assert_eq!(*t.get(M::CarbohydrateRateFeeding), number("2.4"));
    assert_eq!(*t.get(M::CarbohydrateRate), number("1.2"));
    assert_eq!(*t.get(M::FeedingTime), number("12"));
}

/// Two feeds at once are one time; with a pause between them, two.
#[test]
fn feeding_time_is_the_union_of_what_runs() {
    let of = |a: (&str, &str), b: (&str, &str)| {
        let at = |hour: &str| format!("2026-11-25T{hour}:00");
        let t = day("R", &[rate("20", &at(a.0), Some(&at(a.1))), rate("30", &at(b.0), Some(&at(b.1)))]);
        t.get(M::FeedingTime).clone()
    };
    assert_eq!(of(("08", "10"), ("10", "12")), number("4"));
    assert_eq!(of(("08", "10"), ("11", "12")), number("3"));
    let t = day(
        "R",
        &[
            rate("60", START, Some("2026-11-25T19:00")),
            feeds("100", r#""timeOfDay":["08:00:00","18:30:00"],"duration":60,"durationUnit":"min""#),
        ],
    );
    assert_eq!(*t.get(M::FeedingTime), number("12.5"));
    assert_eq!(*t.get(M::HighestRate), number("100"));
}

/// Steps: the highest of their rates, and the time from the first to the last.
#[test]
fn steps_reach_their_goal() {
    let t = day(
        "R",
        &[rate("20", START, None), rate("40", "2026-11-25T13:00", None), rate("60", "2026-11-25T19:00", None)],
    );
    for (m, want) in [(M::TimeToGoal, "12"), (M::HighestRate, "60"), (M::FeedingTime, "24"), (M::FormulaVolume, "1080")]
    {
        assert_eq!(*t.get(m), number(want), "{m:?}");
    }
}

/// The largest container at the rate that runs; the last one to the end of the feed, or on at its rate.
#[test]
fn a_container_hangs_until_it_is_empty() {
    for (administrations, hours) in [
        (vec![rate("50", START, None)], "20"),
        (vec![rate("100", START, None)], "10"),
        // 20 mL/h for 12 h are 240 mL; the other 760 mL take 12.67 h at 60 mL/h, so nothing else hangs as long.
        (vec![rate("40", START, None), rate("80", "2026-11-25T17:00", None)], "17.5"),
        // Ends before the container is empty.
        (vec![rate("50", START, Some("2026-11-25T17:00"))], "10"),
        // The first is empty after 10 h, the second hangs for the other four.
        (vec![rate("100", START, Some("2026-11-25T21:00"))], "10"),
        // A feed lasts as long as it lasts.
        (vec![feeds("240", r#""frequency":1,"period":6,"periodUnit":"h","duration":2,"durationUnit":"h""#)], "2"),
        // 1500 mL in 6 h need more than one container: 1000 mL hang for 4 h.
        (vec![feeds("1500", r#""timeOfDay":["08:00:00"],"duration":6,"durationUnit":"h""#)], "4"),
        (vec![feeds("1000", r#""timeOfDay":["08:00:00"],"duration":6,"durationUnit":"h""#)], "6"),
    ] {
        assert_eq!(*day("R", &administrations).get(M::HangTime), number(hours), "{administrations:?}");
    }
    // What is decanted hangs as long as the feed.
    let long = feeds("1500", r#""timeOfDay":["08:00:00"],"duration":6,"durationUnit":"h""#);
    assert_eq!(*day("D", &[long]).get(M::HangTime), number("6"));
    // Without container sizes a running feed has no hang time.
    assert!(matches!(day("N", &[rate("50", START, None)]).get(M::HangTime), Amount::Unknown(_)));
    // A product that is not there.
    assert!(matches!(day("?", &[rate("50", START, None)]).get(M::HangTime), Amount::Unknown(_)));
}

#[test]
fn one_feed_has_its_osmolality() {
    assert_eq!(*day("R", &[rate("50", START, None)]).get(M::Osmolality), number("300"));
    assert!(matches!(day("N", &[rate("50", START, None)]).get(M::Osmolality), Amount::Unknown(_)));
    assert_eq!(*day("D", &[rate("50", START, None)]).get(M::Osmolality), number("350"));
}
