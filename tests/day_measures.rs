//! Measures of a day that lie in its schedule: feeds, their size, length and interval, the time that feeds run, the
//! highest rate, how long a container hangs, the time to the goal. Definitions: `docs/calculation.md`; figures worked
//! out by hand. Orders and products are invented; the day begins at 07:00, with the order.

use enteral_gate::amount::{Amount, Why};
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
    // One feed a day: the next is due a day later.
    let t = day("R", &[feeds("240", r#""timeOfDay":["08:00:00"]"#)]);
    assert_eq!(*t.get(M::FeedInterval), number("24"));
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
    // 60 and 100 mL/h at once from 08:00 and from 18:30 to 19:00.
    assert_eq!(*t.get(M::HighestRate), number("160"));
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

fn why(a: &Amount) -> &[Why] {
    assert!(matches!(a, Amount::Unknown(_)), "{a:?}");
    a.why()
}

/// 100 mL by a timing that is text only: nothing is known of when and how fast.
fn text_only() -> String {
    format!(r#"{{"schedule":{{"code":{{"text":"as the ward does it"}}}},"quantity":{}}}"#, quantity("100", "mL"))
}

/// A feed whose schedule cannot be computed may run at any rate and lie between the others: beside it the highest rate is
/// at least that of the others, and of the shortest interval nothing is known.
#[test]
fn a_feed_without_a_known_schedule_is_not_passed_over() {
    let four_hourly =
        || feeds("240", r#""frequency":1,"period":4,"periodUnit":"h","duration":30,"durationUnit":"min""#);
    let t = day("R", &[four_hourly(), text_only()]);
    assert_eq!(ends(t.get(M::HighestRate)), (Some(Exact::int(480)), None));
    assert_eq!(ends(t.get(M::FeedsPerDay)), (Some(Exact::int(6)), None));
    assert!(matches!(why(t.get(M::FeedInterval)), [Why::Schedule(text)] if text.contains("as the ward does it")));
    assert!(matches!(why(t.get(M::FeedingTime)), [Why::Schedule(_)]));
    let t = day("R", &[text_only()]);
    for m in [M::HighestRate, M::FeedInterval, M::FeedingTime, M::FeedsPerDay, M::HangTime] {
        assert!(matches!(why(t.get(m)), [Why::Schedule(text)] if text.contains("as the ward does it")), "{m:?}");
    }
    // The quantity of one is stated, whenever it is given.
    assert_eq!(*t.get(M::LargestFeed), number("100"));
}

/// On a day without a feed there is nothing to measure, and that is what is said.
#[test]
fn a_day_without_a_feed_says_so() {
    let t =
        day("R", &[feeds("240", r#""dayOfWeek":["thu"],"timeOfDay":["08:00:00"],"duration":1,"durationUnit":"h""#)]);
    for (m, what) in [
        (M::HighestRate, "feed"),
        (M::HangTime, "feed"),
        (M::Osmolality, "feed"),
        (M::CarbohydrateRateFeeding, "feed"),
        (M::LargestFeed, "single feed"),
        (M::FeedDuration, "single feed"),
        (M::FeedInterval, "single feed"),
        (M::TimeToGoal, "stepped feed"),
    ] {
        assert_eq!(why(t.get(m)), [Why::Nothing(what)], "{m:?}");
    }
    assert_eq!((t.get(M::FeedsPerDay), t.get(M::FeedingTime)), (&number("0"), &number("0")));
}

/// What runs at the same time adds up, where it is known when that is; steps of one feed do not.
#[test]
fn what_runs_together_adds_up() {
    let half = r#","duration":30,"durationUnit":"min""#;
    let at = |hours: &str| format!(r#""timeOfDay":[{hours}]{half}"#);
    let both = |a: &str, b: &str| day("R", &[feeds("300", &at(a)), feeds("200", &at(b))]);
    let same = both(r#""08:00:00","14:00:00""#, r#""08:00:00""#);
    assert_eq!(*same.get(M::LargestFeed), number("500"));
    assert_eq!(*same.get(M::HighestRate), number("1000"));
    // Those of 08:00 are one for the time between feeds: 14:00 is 6 h later.
    assert_eq!(*same.get(M::FeedInterval), number("6"));
    let apart = both(r#""08:00:00""#, r#""08:30:00""#);
    assert_eq!((apart.get(M::LargestFeed), apart.get(M::HighestRate)), (&number("300"), &number("600")));
    // The times of a count a day are not stated: they may meet or not.
    let spread = day(
        "R",
        &[
            feeds("300", &at(r#""08:00:00""#)),
            feeds("200", &format!(r#""frequency":3,"period":1,"periodUnit":"d"{half}"#)),
        ],
    );
    assert_eq!(ends(spread.get(M::LargestFeed)), (Some(Exact::int(300)), Some(Exact::int(500))));
    assert_eq!(ends(spread.get(M::HighestRate)), (Some(Exact::int(600)), Some(Exact::int(1000))));
    // A pump feed under single ones: 60 mL/h, and 300 mL in half an hour.
    let under = day("R", &[rate("60", START, None), feeds("300", &at(r#""08:00:00""#))]);
    assert_eq!(*under.get(M::HighestRate), number("660"));
    assert_eq!(*under.get(M::LargestFeed), number("300"));
    // 500 mL over 8 h every 6 h by gravity run into each other: 62.5 mL/h each, for 2 h both.
    let gravity = day(
        "R",
        &[feeds("500", r#""timeOfDay":["01:00:00","07:00:00","13:00:00","19:00:00"],"duration":8,"durationUnit":"h""#)],
    );
    assert_eq!(*gravity.get(M::HighestRate), number("125"));
    // So many a day, evenly spaced, is the same.
    let spaced =
        day("R", &[feeds("500", r#""frequency":4,"period":1,"periodUnit":"d","duration":8,"durationUnit":"h""#)]);
    assert_eq!(*spaced.get(M::HighestRate), number("125"));
}

/// By night the pump, by day single feeds: the single ones count as such.
#[test]
fn a_night_on_the_pump_is_no_single_feed() {
    let night = format!(
        "{{{},\"rateQuantity\":{}}}",
        schedule(r#""timeOfDay":["21:00:00"],"duration":8,"durationUnit":"h""#),
        quantity("110", "mL/h")
    );
    let t = day(
        "R",
        &[night.clone(), feeds("250", r#""timeOfDay":["12:00:00","17:00:00"],"duration":15,"durationUnit":"min""#)],
    );
    assert_eq!(*t.get(M::LargestFeed), number("250"));
    assert_eq!(*t.get(M::FeedInterval), number("5"));
    assert_eq!(*t.get(M::FeedDuration), number("8"));
    // Alone it is what there is.
    assert_eq!(*day("R", &[night]).get(M::LargestFeed), number("880"));
}

/// A pump does not run twice: 4 feeds of 8 h at 80 mL/h, one every 6 h, give 480 mL each (A-34).
#[test]
fn a_feed_longer_than_its_interval_gives_what_fits() {
    let t = day(
        "R",
        &[format!(
            "{{{},\"rateQuantity\":{}}}",
            schedule(r#""timeOfDay":["01:00:00","07:00:00","13:00:00","19:00:00"],"duration":8,"durationUnit":"h""#),
            quantity("80", "mL/h")
        )],
    );
    assert_eq!((t.get(M::LargestFeed), t.get(M::FeedDuration)), (&number("480"), &number("6")));
    assert_eq!((t.get(M::HighestRate), t.get(M::FormulaVolume)), (&number("80"), &number("1920")));
}

/// A range of how long a feed takes is one of its rate and of how long a container hangs as well.
#[test]
fn a_range_of_lengths_is_a_range_of_rate_and_hang_time() {
    let t = day(
        "D",
        &[feeds("240", r#""timeOfDay":["08:00:00","20:00:00"],"duration":6,"durationMax":10,"durationUnit":"h""#)],
    );
    assert_eq!(ends(t.get(M::HangTime)), (Some(Exact::int(6)), Some(Exact::int(10))));
    assert_eq!(ends(t.get(M::HighestRate)), (Some(Exact::int(24)), Some(Exact::int(40))));
    // 60 mL each hour for an hour is 60 mL/h: a container of 1 L hangs 1000 ÷ 60 h.
    let t = day("D", &[feeds("60", r#""frequency":1,"period":1,"periodUnit":"h","duration":1,"durationUnit":"h""#)]);
    assert_eq!(*t.get(M::HangTime), Amount::Known(Exact::ratio(1000, 60)));
}

/// What is not known of one of two feeds leaves the highest of them open, with its reason.
#[test]
fn the_reason_is_that_of_the_feed_which_lacks_it() {
    let bolus = || feeds("100", r#""timeOfDay":["18:00:00"]"#);
    let t = day("R", &[bolus()]);
    for m in [M::HighestRate, M::CarbohydrateRateFeeding, M::FeedDuration, M::FeedingTime, M::HangTime] {
        assert_eq!(why(t.get(m)), [Why::Schedule("how long a feed takes is not stated".to_owned())], "{m:?}");
    }
    // Containers of N are not stated; of a product that nobody knows they cannot be.
    assert_eq!(
        why(day("N", &[rate("50", START, None)]).get(M::HangTime)),
        [Why::NotStated("Invented N".to_owned(), "container sizes")]
    );
    assert_eq!(why(day("?", &[rate("50", START, None)]).get(M::HangTime)), [Why::ProductUnknown]);
}

/// The size of a feed where quantity and rate × time disagree is a range of both; a length that is a range leaves open
/// how long the day is fed.
#[test]
fn sizes_and_lengths_that_are_open_are_ranges() {
    // 240 mL, and 240 mL/h for 2 h: 480 mL.
    let both = format!(
        r#"{{{},"quantity":{},"rateQuantity":{}}}"#,
        schedule(&format!(r#"{},"timeOfDay":["08:00:00"],"duration":2,"durationUnit":"h""#, bounds(START, None))),
        quantity("240", "mL"),
        quantity("240", "mL/h")
    );
    let t = day("R", &[both]);
    assert_eq!(ends(t.get(M::LargestFeed)), (Some(Exact::int(240)), Some(Exact::int(480))));
    assert_eq!(ends(t.get(M::FeedDuration)), (Some(Exact::ONE), Some(Exact::int(2))));
    let longer = feeds("240", r#""timeOfDay":["08:00:00"],"duration":1,"durationMax":2,"durationUnit":"h""#);
    let t = day("R", &[longer]);
    assert_eq!(*t.get(M::FormulaVolume), number("240"));
    assert!(!why(t.get(M::FeedingTime)).is_empty());
    // Of two feeds, one of 1 to 2 h and one of 90 minutes, the longest takes 1.5 to 2 h; of two alike it is certain.
    let t = day(
        "R",
        &[
            feeds("240", r#""timeOfDay":["08:00:00"],"duration":1,"durationMax":2,"durationUnit":"h""#),
            feeds("300", r#""timeOfDay":["18:00:00"],"duration":90,"durationUnit":"min""#),
        ],
    );
    assert_eq!(ends(t.get(M::FeedDuration)), (Some(Exact::ratio(3, 2)), Some(Exact::int(2))));
    assert_eq!(*t.get(M::LargestFeed), number("300"));
}

/// Two rates of one feed have one osmolality; two feeds have none together.
#[test]
fn steps_of_one_feed_have_its_osmolality() {
    let t = day("R", &[rate("20", START, Some("2026-11-25T13:00")), rate("40", "2026-11-25T13:00", None)]);
    assert_eq!(*t.get(M::Osmolality), number("300"));
}

/// A container begun before a pause hangs through it; one that is empty when the pause begins does not.
#[test]
fn a_container_hangs_through_a_pause() {
    let on = |ml: &str, from: &str, to: &str| rate(ml, &format!("2026-11-25T{from}"), Some(&format!("2026-11-{to}")));
    for (administrations, hours) in [
        // 200 mL by 11:00, the other 800 mL from 14:00 to 06:00: 23 h.
        (vec![on("50", "07:00", "25T11:00"), on("50", "14:00", "26T06:00")], "23"),
        // Empty at 17:00 sharp; the second from 19:00 to 04:00.
        (vec![on("100", "07:00", "25T17:00"), on("90", "19:00", "26T04:00")], "10"),
        // Empty at 17:00, the second from there on at 70 mL/h: 100 ÷ 7 h.
        (vec![on("100", "07:00", "25T17:00"), rate("70", "2026-11-25T17:00", None)], "14.285714"),
        // 400 mL in 2 h, 600 mL in 12: 14 h. The next, at 50 mL/h, is half empty when the day ends and hangs for 20.
        (vec![on("200", "07:00", "25T09:00"), rate("50", "2026-11-25T09:00", None)], "20"),
        // 800 mL in 4 h and 200 in 20: empty as the day ends.
        (vec![on("200", "07:00", "25T11:00"), rate("10", "2026-11-25T11:00", None)], "24"),
        // A feed of an hour is not from the container of the pump: 19 h at 50 mL/h, and on to the 20th.
        (
            vec![
                rate("50", "2026-11-25T12:00", None),
                feeds("100", r#""timeOfDay":["08:00:00"],"duration":1,"durationUnit":"h""#),
            ],
            "20",
        ),
    ] {
        let got = day("R", &administrations).get(M::HangTime).known().unwrap_or_else(|| panic!("{administrations:?}"));
        let want = if hours == "14.285714" { Exact::ratio(100, 7) } else { Decimal::parse(hours).unwrap().exact() };
        assert_eq!(got, want, "{administrations:?}");
    }
}

/// What ran into the day began before it: from noon to 06:00 it is 18 h, from 06:00 to noon 6.
#[test]
fn an_interval_is_one_of_beginnings() {
    let entry = format!(
        "{{{},\"quantity\":{}}}",
        schedule(r#""timeOfDay":["06:00:00","12:00:00"],"duration":2,"durationUnit":"h""#),
        quantity("240", "mL")
    );
    let t = day("R", &[entry]);
    assert_eq!((t.get(M::FeedInterval), t.get(M::FeedsPerDay)), (&number("6"), &number("2")));
    // A pump that runs beside single feeds begins no feed.
    let t = day("R", &[rate("20", START, None), feeds("100", r#""timeOfDay":["10:00:00","20:00:00"]"#)]);
    assert_eq!((t.get(M::FeedInterval), t.get(M::FeedsPerDay)), (&number("10"), &number("2")));
}

/// The next feed after the last of a day is the next day's own: only what repeats every day closes the circle.
#[test]
fn the_interval_goes_on_into_the_next_day() {
    let every =
        |hours: &str| format!(r#""frequency":1,"period":{hours},"periodUnit":"h","duration":30,"durationUnit":"min""#);
    for hours in ["4.5", "5", "7", "2.5", "11", "36"] {
        assert_eq!(*day("R", &[feeds("240", &every(hours))]).get(M::FeedInterval), number(hours), "every {hours} h");
    }
    // Every 5 h from 07:00 beside 12:00: on the first day at noon itself, on the second at 13:00, an hour after it.
    let noon = feeds("200", r#""timeOfDay":["12:00:00"],"duration":30,"durationUnit":"min""#);
    assert_eq!(*day("R", &[feeds("240", &every("5")), noon]).get(M::FeedInterval), number("1"));
    // Three feeds by count: 07:00, 18:00, 05:00; nothing follows.
    let three = every("11").replace("\"frequency\"", "\"count\":3,\"frequency\"");
    assert_eq!(*day("R", &[feeds("240", &three)]).get(M::FeedInterval), number("11"));
    // Listed: 08:00, 14:00, 20:00 and 06:30; 08:00 the next day is none of them.
    let listed = r#"{"schedule":{"event":["2026-11-25T08:00:00Z","2026-11-25T14:00:00Z","2026-11-25T20:00:00Z","2026-11-26T06:30:00Z"]},"quantity":{"value":240,"system":"http://unitsofmeasure.org","code":"mL"}}"#;
    assert_eq!(*day("R", &[listed.to_owned()]).get(M::FeedInterval), number("6"));
    // From tomorrow at 09:00 every 3 h: today's last, at 07:00 + 20 h, is 6 h before.
    let today = feeds("240", r#""timeOfDay":["07:00:00","15:00:00","03:00:00"]"#)
        .replace("07:00:00Z\"}", "07:00:00Z\",\"end\":\"2026-11-26T07:00:00Z\"}");
    let tomorrow = format!(
        "{{{},\"quantity\":{}}}",
        schedule(&format!("{},{}", bounds("2026-11-26T09:00", None), every("3"))),
        quantity("100", "mL")
    );
    assert_eq!(*day("R", &[today, tomorrow]).get(M::FeedInterval), number("6"));
}

/// Two pieces of one feed that follow each other are one feed; after a pause a new container hangs.
#[test]
fn a_container_hangs_on_through_pieces_without_a_pause() {
    let pumped = |times: &str, hours: &str, ml: &str| {
        format!(
            "{{{},\"rateQuantity\":{}}}",
            schedule(&format!(r#""timeOfDay":[{times}],"duration":{hours},"durationUnit":"h""#)),
            quantity(ml, "mL/h")
        )
    };
    let hang = |administrations: &[String]| day("R", administrations).get(M::HangTime).known().unwrap();
    // 1000 mL at 32 mL/h.
    assert_eq!(hang(&[pumped(r#""20:00:00","08:00:00""#, "12", "32")]), Exact::ratio(1000, 32));
    // 07:00 to 08:00 at 30, to 20:00 at 35, then at 30 mL/h: 780 mL in the day, the other 220 mL take 7 h 20 min.
    let by_day = pumped(r#""08:00:00""#, "12", "35");
    assert_eq!(hang(&[pumped(r#""20:00:00""#, "12", "30"), by_day.clone()]), Exact::ratio(94, 3));
    // 20:00 to 02:00 and on to 08:00, then a pause: 12 h from one container, across the day's beginning.
    assert_eq!(hang(&[pumped(r#""20:00:00""#, "6", "30"), pumped(r#""02:00:00""#, "6", "50")]), Exact::int(12));
    // 08:00 to 20:00 and on to 07:00: 23 h, then a pause of an hour.
    assert_eq!(hang(&[pumped(r#""20:00:00""#, "11", "30"), by_day.clone()]), Exact::int(23));
    // Feeds at the same time elsewhere in the day change nothing of that.
    let elsewhere = [pumped(r#""10:00:00""#, "2", "40"), pumped(r#""11:00:00""#, "2", "45")];
    let night = [pumped(r#""20:00:00""#, "6", "30"), pumped(r#""02:00:00""#, "6", "50")];
    assert_eq!(hang(&[night, elsewhere].concat()), Exact::int(12));
    // A pause before and after, and each is a feed of its own.
    assert_eq!(hang(&[pumped(r#""21:00:00""#, "10", "30"), by_day]), Exact::int(12));
}

/// Of forty feeds every eleven days each, only six days are laid out: the closest two of those are a minute apart, others may be
/// closer.
#[test]
fn of_days_that_were_not_laid_out_the_interval_is_open() {
    let every = |k: usize| {
        let members = format!(
            r#"{},"frequency":1,"period":11,"periodUnit":"d","timeOfDay":["{:02}:{:02}:00"]"#,
            bounds("2026-11-25T07:00", None),
            8 + k / 20,
            k % 20
        );
        format!("{{{},\"quantity\":{}}}", schedule(&members), quantity("10", "mL"))
    };
    let t = day("R", &(0..40).map(every).collect::<Vec<_>>());
    let interval = t.get(M::FeedInterval);
    assert_eq!(ends(interval), (Some(Exact::ZERO), Some(Exact::ratio(1, 60))));
    assert!(interval.why().iter().any(|why| why.to_string().contains("laid out")), "{interval:?}");
    // Of two of them all eleven are.
    let t = day("R", &(0..2).map(every).collect::<Vec<_>>());
    assert_eq!(t.get(M::FeedInterval).known(), Some(Exact::ratio(1, 60)));
}
