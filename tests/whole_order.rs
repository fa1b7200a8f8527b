//! Limits look at the whole order and at the patient's orders together: what is too much on one day, in one of several
//! feeds, at one moment or in the sum is too much. By the starter rulebook; people, products and orders are invented,
//! figures worked out by hand.

use enteral_gate::appraise::{Appraisal, Disposition, Institution, appraise_by};
use enteral_gate::exact::Exact;
use enteral_gate::findings::{Outcome, Tier};
use enteral_gate::formulary::Formulary;
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::nutrition::measure::Measure;
use enteral_gate::rulebook::{Rulebook, file};
use enteral_gate::settings::Settings;
use std::sync::LazyLock;

static FORMULARY: LazyLock<Formulary> =
    LazyLock::new(|| Formulary::from_csv("demo", include_bytes!("../deploy/demo/formulary.csv")).expect("the demo's"));
static BOOK: LazyLock<Rulebook> = LazyLock::new(|| file::read(file::starter()).unwrap_or_else(|all| panic!("{all:?}")));
static SETTINGS: LazyLock<Settings> = LazyLock::new(|| Settings { day_start: 6 * 3_600, ..Settings::default() });

const NIGHT: &str = r#""timeOfDay":["21:00:00"],"duration":8,"durationUnit":"h""#;
const SIX: &str = r#""frequency":1,"period":4,"periodUnit":"h","duration":1,"durationUnit":"h""#;

fn quantity(value: &str, code: &str) -> String {
    format!(r#"{{"value":{value},"unit":"{code}","system":"http://unitsofmeasure.org","code":"{code}"}}"#)
}

/// An administration: what the repeat says, and a member with an amount.
fn given(repeat: &str, member: &str, amount: &str) -> String {
    let (value, code) = amount.split_once(' ').expect("an amount");
    format!(r#"{{"schedule":{{"repeat":{{{repeat}}}}},"{member}":{}}}"#, quantity(value, code))
}

fn rate(repeat: &str, amount: &str) -> String {
    given(repeat, "rateQuantity", amount)
}

fn feed(repeat: &str, amount: &str) -> String {
    given(repeat, "quantity", amount)
}

/// From an hour of 25 November to another.
fn within(from: &str, to: &str) -> String {
    let end = if to.is_empty() { String::new() } else { format!(r#","end":"2026-11-{to}:00Z""#) };
    format!(r#""boundsPeriod":{{"start":"2026-11-{from}:00Z"{end}}}"#)
}

struct Order<'a> {
    id: &'a str,
    product: &'a str,
    route: &'a str,
    flush: &'a str,
    administrations: Vec<String>,
}

fn adult(administrations: Vec<String>) -> Order<'static> {
    Order { id: "x", product: "A10", route: "NGT", flush: "100", administrations }
}

/// Orders of one patient, born so, of so many kg.
fn bundle(birth: &str, kg: &str, orders: &[Order<'_>]) -> String {
    let base = "https://enteral-gate.example/fhir";
    let patient = format!(
        r#"{{"fullUrl":"{base}/Patient/p","resource":{{"resourceType":"Patient","id":"p","gender":"male","birthDate":"{birth}"}}}},{{"fullUrl":"{base}/Observation/w","resource":{{"resourceType":"Observation","id":"w","status":"final","code":{{"coding":[{{"system":"http://loinc.org","code":"29463-7"}}]}},"subject":{{"reference":"Patient/p"}},"effectiveDateTime":"2026-11-24T08:00:00Z","valueQuantity":{}}}}}"#,
        quantity(kg, "kg")
    );
    let orders = orders.iter().map(|o| {
        format!(
            r#",{{"fullUrl":"{base}/NutritionOrder/{id}","resource":{{"resourceType":"NutritionOrder","id":"{id}","status":"active","intent":"order","patient":{{"reference":"Patient/p"}},"dateTime":"2026-11-25T05:30:00Z","orderer":{{"display":"an invented prescriber"}},"enteralFormula":{{"extension":[{{"url":"{base}/StructureDefinition/water-flush","extension":[{{"url":"volume","valueQuantity":{}}},{{"url":"schedule","valueTiming":{{"repeat":{{"frequency":1,"period":4,"periodUnit":"h"}}}}}}]}}],"baseFormulaType":{{"coding":[{{"system":"{base}/CodeSystem/invented-products","code":"{}"}}]}},"routeofAdministration":{{"coding":[{{"system":"http://terminology.hl7.org/CodeSystem/v3-RouteOfAdministration","code":"{}"}}]}},"administration":[{}]}}}}}}"#,
            quantity(o.flush, "mL"),
            o.product,
            o.route,
            o.administrations.join(","),
            id = o.id
        )
    });
    format!(r#"{{"resourceType":"Bundle","type":"collection","entry":[{patient}{}]}}"#, orders.collect::<String>())
}

fn judged(text: &str) -> Appraisal<'_> {
    appraise_by(
        text.as_bytes(),
        "",
        FhirVersion::R4,
        Institution { formulary: &FORMULARY, rulebook: &BOOK, settings: &SETTINGS },
    )
}

/// Tier and text of what a rule finds in the nth order.
fn found(a: &Appraisal<'_>, nth: usize, id: &str) -> Option<(Tier, String)> {
    let outcome =
        &a.orders[nth].judged.iter().find(|j| j.rule.id == id).unwrap_or_else(|| panic!("no rule {id}")).outcome;
    let Outcome::Flagged(list) = outcome else { return None };
    list.iter().max_by_key(|f| f.tier).map(|f| (f.tier, f.text.clone()))
}

fn finds(text: &str, id: &str) -> Option<(Tier, String)> {
    found(&judged(text), 0, id)
}

const GROWN: &str = "1960-02-02";

/// 4 years, 16 kg: 400 mL is 25 mL/kg, over 20, though the feed goes down to 210 mL after two of them.
#[test]
fn a_feed_too_large_before_the_steady_day_is_found() {
    let child = |first: &str| {
        let order = Order {
            product: "PED10",
            flush: "30",
            ..adult(vec![
                feed(&format!("{},{SIX}", within("25T06:00", "")), first),
                feed(&format!("{},{SIX}", within("25T14:00", "")), "210 mL"),
            ])
        };
        bundle("2022-05-01", "16", &[order])
    };
    let (tier, text) = finds(&child("400 mL"), "VOL-01").expect("a finding");
    assert_eq!(tier, Tier::High);
    assert!(text.contains("400 mL is 25 mL/kg"), "{text}");
    assert_eq!(finds(&child("250 mL"), "VOL-01"), None);
}

/// 60, for 8 hours 300, then 80 mL/h at 70 kg. On the second day 300 × 8 and 80 × 16 mL, 3,680 kcal: 52.6 kcal/kg, over 40.
#[test]
fn a_step_in_between_that_gives_too_much_is_found() {
    let steps = |middle: &str| {
        let order = adult(vec![
            rate(&within("25T06:00", ""), "60 mL/h"),
            rate(&within("26T06:00", ""), middle),
            rate(&within("26T14:00", ""), "80 mL/h"),
        ]);
        bundle(GROWN, "70", &[order])
    };
    let fast = steps("300 mL/h");
    assert_eq!(finds(&fast, "VOL-03").map(|f| f.0), Some(Tier::High));
    let (tier, text) = finds(&fast, "NUT-01").expect("a finding");
    assert_eq!(tier, Tier::High);
    assert!(text.starts_with("On day 2 of the order: ") && text.contains("52.6 kcal/kg/d"), "{text}");
    // Going up to the goal is no day that gives more than it.
    for id in ["VOL-03", "NUT-01", "WAT-04"] {
        assert_eq!(finds(&steps("70 mL/h"), id), None, "{id}");
    }
    // Too little on the way up is how feeds begin: it is looked for on the steady day only.
    let low = bundle(
        GROWN,
        "70",
        &[adult(vec![rate(&within("25T06:00", ""), "10 mL/h"), rate(&within("27T06:00", ""), "80 mL/h")])],
    );
    assert_eq!(finds(&low, "NUT-01"), None);
}

/// By night 110 mL/h for 8 h by pump, at noon and at five a single feed: each is judged as what it is.
#[test]
fn single_feeds_beside_a_night_on_the_pump_are_judged() {
    let mixed = |night: &str, ml: &str, minutes: u32| {
        let single = format!(r#""timeOfDay":["12:00:00","17:00:00"],"duration":{minutes},"durationUnit":"min""#);
        bundle(GROWN, "70", &[adult(vec![rate(NIGHT, night), feed(&single, ml)])])
    };
    // 599 mL is over 500 mL, and 59.9 mL/min over 30.
    let large = mixed("110 mL/h", "599 mL", 10);
    let (tier, text) = finds(&large, "VOL-01").expect("a finding");
    assert_eq!(tier, Tier::High);
    assert!(text.contains("599 mL is over 500 mL"), "{text}");
    assert_eq!(finds(&large, "VOL-02").map(|f| f.0), Some(Tier::Med));
    let usual = mixed("110 mL/h", "300 mL", 30);
    for id in ["VOL-01", "VOL-02", "VOL-03", "VOL-05"] {
        assert_eq!(finds(&usual, id), None, "{id}");
    }
    // The pump's 300 mL/h is over 150; the 600 mL/h of a single feed are no rate of that kind.
    let (tier, text) = finds(&mixed("300 mL/h", "300 mL", 30), "VOL-03").expect("a finding");
    assert_eq!((tier, text.contains("300 mL/h")), (Tier::High, true), "{text}");
}

/// Feeds of one moment reach the stomach together, rates run into the bowel together.
#[test]
fn what_is_given_at_the_same_time_is_judged_together() {
    let at = |times: &str, ml: &str| feed(&format!(r#""timeOfDay":[{times}],"duration":30,"durationUnit":"min""#), ml);
    let three = r#""08:00:00","13:00:00","18:00:00""#;
    let text = bundle(GROWN, "70", &[adult(vec![at(three, "300 mL"), at(three, "260 mL")])]);
    let (tier, said) = finds(&text, "VOL-01").expect("a finding");
    assert_eq!((tier, said.contains("560 mL is over 500 mL")), (Tier::High, true), "{said}");
    assert_eq!(finds(&text, "VOL-05"), None);
    let eight = |rate_of: &str| rate(r#""timeOfDay":["08:00:00"],"duration":8,"durationUnit":"h""#, rate_of);
    let bowel =
        |a: &str, b: &str| bundle(GROWN, "70", &[Order { route: "JJTINSTL", ..adult(vec![eight(a), eight(b)]) }]);
    let (tier, said) = finds(&bowel("110 mL/h", "50 mL/h"), "RTE-03").expect("a finding");
    assert_eq!((tier, said.contains("160 mL/h")), (Tier::High, true), "{said}");
    assert_eq!(finds(&bowel("60 mL/h", "60 mL/h"), "RTE-03"), None);
}

/// 400 mL in 8 minutes are 50 mL/min, whatever time another feed takes.
#[test]
fn the_fastest_feed_is_judged() {
    let of = |minutes: u32| {
        let at = |times: &str, ml: &str, minutes: u32| {
            feed(&format!(r#""timeOfDay":[{times}],"duration":{minutes},"durationUnit":"min""#), ml)
        };
        bundle(
            GROWN,
            "70",
            &[adult(vec![
                at(r#""08:00:00","20:00:00""#, "400 mL", minutes),
                at(r#""12:00:00","16:00:00""#, "300 mL", 29),
            ])],
        )
    };
    let (tier, text) = finds(&of(8), "VOL-02").expect("a finding");
    assert_eq!((tier, text.contains("50 mL/min")), (Tier::Med, true), "{text}");
    assert_eq!(finds(&of(20), "VOL-02"), None);
}

/// 50 kg: a night of 1,200 mL and three feeds of 400 mL of 1.2 kcal/mL, each order 28.8 kcal/kg, are 57.6 together.
#[test]
fn orders_that_complement_each_other_are_judged_together() {
    let night = |ml: &str| Order { id: "night", product: "A12", flush: "60", ..adult(vec![rate(NIGHT, ml)]) };
    let day = |ml: &str| {
        let times = r#""timeOfDay":["07:00:00","12:00:00","17:00:00"],"duration":30,"durationUnit":"min""#;
        Order { id: "day", product: "A12", flush: "60", ..adult(vec![feed(times, ml)]) }
    };
    let both = bundle(GROWN, "50", &[night("150 mL/h"), day("400 mL")]);
    let a = judged(&both);
    for nth in 0..2 {
        let (tier, text) = found(&a, nth, "NUT-01").expect("a finding");
        assert_eq!(tier, Tier::High);
        assert!(text.starts_with("Together with the patient's other feeding order: "), "{text}");
        assert!(text.contains("57.6 kcal/kg/d"), "{text}");
    }
    // Alone each is fine.
    for order in [night("150 mL/h"), day("400 mL")] {
        assert_eq!(finds(&bundle(GROWN, "50", &[order]), "NUT-01"), None);
    }
    // Two halves of one plan: 715 mL each, 34.3 kcal/kg together. Neither is told to give more.
    let halves = bundle(GROWN, "50", &[night("89.375 mL/h"), day("238 mL")]);
    let a = judged(&halves);
    for nth in 0..2 {
        assert_eq!((found(&a, nth, "NUT-01"), found(&a, nth, "WAT-01")), (None, None), "{nth}");
    }
    assert!(finds(&bundle(GROWN, "50", &[day("238 mL")]), "NUT-01").is_some());
    // Orders at the same times may be meant one instead of the other: that is said, and each judged alone.
    let same = bundle(GROWN, "50", &[night("150 mL/h"), Order { id: "other", ..night("140 mL/h") }]);
    assert_eq!(finds(&same, "CON-08").map(|f| f.0), Some(Tier::High));
    assert_eq!(finds(&same, "NUT-01"), None);
}

/// Orders whose times are not known, or fall on the same weekday, do not run "at other times".
#[test]
fn orders_at_unknown_times_or_on_the_same_days_overlap() {
    let beside = |repeat: &str| {
        let other = Order { id: "other", ..adult(vec![feed(repeat, "250 mL")]) };
        bundle(
            GROWN,
            "70",
            &[
                adult(vec![feed(
                    r#""dayOfWeek":["mon"],"timeOfDay":["08:00:00"],"duration":4,"durationUnit":"h""#,
                    "300 mL",
                )]),
                other,
            ],
        )
    };
    let tier = |repeat: &str| finds(&beside(repeat), "CON-08").map(|f| f.0);
    assert_eq!(
        tier(r#""dayOfWeek":["mon"],"timeOfDay":["10:00:00"],"duration":1,"durationUnit":"h""#),
        Some(Tier::High)
    );
    assert_eq!(tier(r#""timeOfDay":["10:00:00"],"duration":1,"durationUnit":"h""#), Some(Tier::High));
    assert_eq!(
        tier(r#""dayOfWeek":["tue"],"timeOfDay":["10:00:00"],"duration":1,"durationUnit":"h""#),
        Some(Tier::Low)
    );
    assert_eq!(tier(r#""timeOfDay":["13:00:00"],"duration":1,"durationUnit":"h""#), Some(Tier::Low));
    // Every five hours from no stated time.
    assert_eq!(tier(r#""frequency":1,"period":5,"periodUnit":"h""#), Some(Tier::High));
}

/// A schedule that ended before the order was written gives nothing.
#[test]
fn a_schedule_that_is_over_is_found() {
    let until = |to: &str| bundle(GROWN, "70", &[adult(vec![rate(&within("20T06:00", to), "65 mL/h")])]);
    assert_eq!(finds(&until("24T06:00"), "CON-09").map(|f| f.0), Some(Tier::High));
    assert_eq!(finds(&until("25T05:30"), "CON-09").map(|f| f.0), Some(Tier::High));
    assert_eq!(finds(&until("29T06:00"), "CON-09"), None);
    // One of two that ended is not the whole order.
    let two = bundle(
        GROWN,
        "70",
        &[adult(vec![rate(&within("20T06:00", "22T06:00"), "40 mL/h"), rate(&within("22T06:00", ""), "65 mL/h")])],
    );
    assert_eq!(finds(&two, "CON-09"), None);
}

/// Listed events: 24 feeds of 250 mL on the first day, 6 on the second. 6,000 kcal at 50 kg on a day are out of any order.
#[test]
fn the_fullest_of_listed_days_is_judged() {
    let hours = |day: &str, step: usize| -> Vec<String> {
        (6..24).step_by(step).map(|h| format!(r#""2026-11-{day}T{h:02}:00:00Z""#)).collect()
    };
    let order = |first: usize| {
        let events = [hours("25", first), hours("26", 4)].concat().join(",");
        let one = format!(r#"{{"schedule":{{"event":[{events}]}},"quantity":{}}}"#, quantity("334", "mL"));
        bundle(GROWN, "50", &[adult(vec![one])])
    };
    // 18 × 334 mL are 6,012 kcal, 120 kcal/kg.
    let (_, text) = finds(&order(1), "UNT-05").expect("a finding");
    assert!(text.contains("120"), "{text}");
    let (tier, text) = finds(&order(2), "NUT-01").expect("a finding");
    // 9 × 334 mL are 3,006 kcal, 60 kcal/kg, on the first day.
    assert_eq!(tier, Tier::High);
    assert!(text.starts_with("On day 1 of the order: ") && text.contains("60.1 kcal/kg/d"), "{text}");
}

/// An event exactly a day after the first is given on the second day.
#[test]
fn an_event_at_the_end_of_a_day_is_in_the_next() {
    let one = |at: &str, ml: &str| {
        format!(r#"{{"schedule":{{"event":["2026-11-{at}:00Z"]}},"quantity":{}}}"#, quantity(ml, "mL"))
    };
    let text = bundle(GROWN, "70", &[adult(vec![one("25T08:00", "200"), one("26T08:00", "900")])]);
    let a = judged(&text);
    let given: Vec<_> = a.orders[0].days.iter().map(|(_, t)| t.get(Measure::FormulaVolume).known()).collect();
    let of = |ml: i64| Some(enteral_gate::exact::Exact::int(ml));
    assert_eq!(given, [of(200), of(900)]);
}

/// At refeeding risk (body-mass index 15.1) a first day of more than 10 kcal/kg is much: 40 kg, twice 350 kcal at other times,
/// each 8.75 kcal/kg and together 17.5.
#[test]
fn the_first_day_of_several_orders_is_judged_together() {
    let height = r#",{"fullUrl":"https://enteral-gate.example/fhir/Observation/h","resource":{"resourceType":"Observation","id":"h","status":"final","code":{"coding":[{"system":"http://loinc.org","code":"8302-2"}]},"subject":{"reference":"Patient/p"},"effectiveDateTime":"2026-11-24T08:00:00Z","valueQuantity":{"value":163,"unit":"cm","system":"http://unitsofmeasure.org","code":"cm"}}}]}"#;
    let tall = |text: String| format!("{}{height}", text.strip_suffix("]}").expect("a Bundle"));
    let at = |id: &'static str, hour: &str| Order {
        id,
        ..adult(vec![feed(&format!(r#""timeOfDay":["{hour}:00:00"],"duration":1,"durationUnit":"h""#), "350 mL")])
    };
    // Drafts: with an order that stands, neither is a start.
    let drafts =
        |orders: &[Order<'_>]| tall(bundle(GROWN, "40", orders)).replace(r#""status":"active""#, r#""status":"draft""#);
    let first = |orders: &[Order<'_>]| finds(&drafts(orders), "REF-01").map(|f| f.1);
    assert_eq!(first(&[at("a", "08")]), None);
    let text = first(&[at("a", "08"), at("b", "14")]).expect("a finding");
    assert!(
        text.starts_with("Together with the patient's other feeding order: ") && text.contains("17.5 kcal/kg"),
        "{text}"
    );
}

/// What cannot be judged on a fuller day is not clear: on the first day 150 mL/h for 4 to 14 hours, 12 to 42 kcal/kg at 50 kg,
/// and 40 lie within; on the second 6 × 250 mL, 30 kcal/kg.
#[test]
fn a_fuller_day_that_cannot_be_judged_is_said() {
    let order = |longest: u32| {
        let events: Vec<_> = (6..24).step_by(3).map(|h| format!(r#""2026-11-26T{h:02}:00:00Z""#)).collect();
        let second =
            format!(r#"{{"schedule":{{"event":[{}]}},"quantity":{}}}"#, events.join(","), quantity("250", "mL"));
        let lasts = format!(r#""timeOfDay":["08:00:00"],"duration":4,"durationMax":{longest},"durationUnit":"h""#);
        bundle(
            GROWN,
            "50",
            &[adult(vec![rate(&format!("{},{lasts}", within("25T06:00", "26T06:00")), "150 mL/h"), second])],
        )
    };
    let outcome =
        |text: &str| judged(text).orders[0].judged.iter().find(|j| j.rule.id == "NUT-01").map(|j| j.outcome.clone());
    // What else it lacks is not sent: the height.
    let within_bounds = outcome(&order(11));
    assert!(matches!(within_bounds, Some(Outcome::NotProvided(_))), "{within_bounds:?}");
    let open = outcome(&order(14));
    let Some(Outcome::NotEvaluated(why, _)) = &open else { panic!("{open:?}") };
    assert!(
        why.contains("the bound 40 kcal/kg/d lies within the range 12 to 42 kcal/kg/d")
            && why.contains("(on day 1 of the order)"),
        "{why}"
    );
}

/// From 25 November at six, so many days later.
fn from_day(nth: u32) -> String {
    let date = jiff::civil::date(2026, 11, 25).checked_add(jiff::Span::new().days(nth - 1)).expect("a date");
    format!(r#""boundsPeriod":{{"start":"{date}T06:00:00Z"}}"#)
}

/// A day later than those that are reported one by one: 16 days up to 60 mL/h, on the twentieth 150 mL/h, 51.4 kcal/kg at 70 kg.
#[test]
fn a_step_weeks_later_is_judged() {
    let steps = |peak: &str| {
        let mut all: Vec<String> = (1..=16).map(|n| rate(&from_day(n), &format!("{} mL/h", 44 + n))).collect();
        all.extend([rate(&from_day(20), peak), rate(&from_day(21), "70 mL/h")]);
        bundle(GROWN, "70", &[adult(all)])
    };
    let fast = steps("150 mL/h");
    let (tier, text) = finds(&fast, "NUT-01").expect("a finding");
    assert_eq!(tier, Tier::High);
    assert!(text.starts_with("On day 20 of the order: ") && text.contains("51.4 kcal/kg/d"), "{text}");
    assert_eq!(judged(&fast).orders[0].days.len(), 14);
    assert_eq!(finds(&steps("65 mL/h"), "NUT-01"), None);
    // However few days are asked for.
    let mut settings = SETTINGS.clone();
    settings.asked.days = Some(1);
    let by = Institution { formulary: &FORMULARY, rulebook: &BOOK, settings: &settings };
    let one = appraise_by(fast.as_bytes(), "", FhirVersion::R4, by);
    assert_eq!(one.orders[0].days.len(), 1);
    assert_eq!(found(&one, 0, "NUT-01"), Some((tier, text)));
}

/// More beginnings than are looked at: the order is not fully checked. Every second day of 110 another rate, up to 70 mL/h.
#[test]
fn more_steps_than_are_looked_at_are_said() {
    let steps = |count: u32| {
        let all = (0..count).map(|n| rate(&from_day(1 + 2 * n), &format!("{} mL/h", 70 - count + n))).collect();
        bundle(GROWN, "70", &[adult(all)])
    };
    let said = |text: &str| {
        let a = judged(text);
        assert_eq!(found(&a, 0, "INT-01"), None);
        not_evaluated(&a, 0, "CON-11")
    };
    assert_eq!(said(&steps(46)), None);
    let many = said(&steps(55)).expect("not all was looked at");
    assert!(many.contains("more than 40 days beyond the first 14"), "{many}");
    // A reminder beside it does not stand for it.
    let mut all: Vec<String> = (0..55).map(|n| rate(&from_day(1 + 2 * n), &format!("{} mL/h", 15 + n))).collect();
    all.push(
        feed(r#""frequency":1,"period":1,"periodUnit":"d","duration":1,"durationUnit":"h""#, "10 mL")
            .replace(r#""schedule":{"#, r#""schedule":{"event":["2026-11-25T08:00:00Z"],"#),
    );
    let reminded = bundle(GROWN, "70", &[adult(all)]);
    let why = said(&reminded).expect("not all was looked at");
    assert!(why.contains("more than 40 days beyond the first 14") && why.contains("listed event"), "{why}");
}

/// Why a rule was not evaluated for the nth order.
fn not_evaluated(a: &Appraisal<'_>, nth: usize, id: &str) -> Option<String> {
    let outcome =
        &a.orders[nth].judged.iter().find(|j| j.rule.id == id).unwrap_or_else(|| panic!("no rule {id}")).outcome;
    if let Outcome::NotEvaluated(why, _) = outcome { Some(why.clone()) } else { None }
}

/// More entries than are computed is a bound of the program's, and no fault of the order's.
#[test]
fn more_entries_than_are_computed_are_not_evaluated() {
    let text = bundle(GROWN, "70", &[adult((0..101).map(|_| rate(&within("25T06:00", ""), "1 mL/h")).collect())]);
    let a = judged(&text);
    assert_eq!(found(&a, 0, "CON-11"), None);
    let why = not_evaluated(&a, 0, "CON-11").expect("not evaluated");
    assert!(why.contains("of more than 100 none is computed"), "{why}");
    assert_ne!(a.orders[0].disposition(), Disposition::Clear);
}

/// Of each of two orders what begins is looked at, of both together it is on more days: 39 steps of one on every third day and
/// 39 of the other on the days between.
#[test]
fn more_days_of_orders_together_than_are_looked_at_are_said() {
    let steps = |first: u32, from: &str, count: u32| -> Vec<String> {
        let one = |n| {
            let start =
                jiff::civil::date(2026, 11, 25).checked_add(jiff::Span::new().days(first + 3 * n)).expect("a date");
            let end = start.checked_add(jiff::Span::new().days(1)).expect("a date");
            let on = format!(
                r#""boundsPeriod":{{"start":"{start}T{from}:00Z","end":"{end}T05:00:00Z"}},"timeOfDay":["{from}:00"],"duration":1,"durationUnit":"h""#
            );
            rate(&on, "20 mL/h")
        };
        (0..count).map(one).collect()
    };
    let two = |count| {
        let order = |id, first, from| Order { id, ..adult(steps(first, from, count)) };
        bundle(GROWN, "70", &[order("a", 0, "08:00"), order("b", 1, "12:00")])
    };
    let (few, many) = (two(10), two(30));
    let a = judged(&few);
    assert_eq!((not_evaluated(&a, 0, "CON-11"), not_evaluated(&a, 1, "CON-11")), (None, None));
    let a = judged(&many);
    for nth in 0..2 {
        let why = not_evaluated(&a, nth, "CON-11").expect("not all was looked at");
        assert!(why.contains("of the patient's orders together"), "{why}");
        assert_ne!(a.orders[nth].disposition(), Disposition::Clear);
    }
}

fn water(every: u32, amount: &str) -> Order<'static> {
    let times = format!(r#"{},"frequency":1,"period":{every},"periodUnit":"h""#, within("25T06:00", ""));
    Order { id: "w", product: "WATER", ..adult(vec![feed(&times, amount)]) }
}

/// Water that has an order of its own is judged with the feed. 70 mL/h of A10 are 1,680 mL with 1,411.2 mL of water, and both
/// orders flush 6 × 100 mL; 12 × 200 mL more are 5,011.2 mL, 71.6 mL/kg. Without them, and without the second flushes,
/// 2,011.2 mL are 28.7 mL/kg.
#[test]
fn water_of_an_order_of_its_own_is_judged_with_the_feed() {
    let around = || adult(vec![rate(&within("25T06:00", ""), "70 mL/h")]);
    let text = bundle(GROWN, "70", &[around(), water(2, "200 mL")]);
    let a = judged(&text);
    for nth in 0..2 {
        let (tier, text) = found(&a, nth, "WAT-04").expect("much water");
        assert_eq!(tier, Tier::High);
        assert!(
            text.starts_with("Together with the patient's other feeding order: ") && text.contains("71.6 mL/kg/d"),
            "{text}"
        );
    }
    // The same in one order comes to the same.
    let one = adult(vec![
        rate(&within("25T06:00", ""), "70 mL/h"),
        feed(&format!(r#"{},"frequency":1,"period":2,"periodUnit":"h""#, within("25T06:00", "")), "200 mL").replacen(
            '{',
            r#"{"extension":[{"url":"https://enteral-gate.example/fhir/StructureDefinition/administration-product","valueCodeableConcept":{"coding":[{"system":"https://enteral-gate.example/fhir/CodeSystem/invented-products","code":"WATER"}]}}],"#,
            1,
        ),
    ]);
    assert_eq!(finds(&bundle(GROWN, "70", &[one]), "WAT-04").map(|(tier, _)| tier), Some(Tier::High));
    // 500 mL/d of feed at 70 kg alone would be short of water; with 6 × 250 mL and the flushes of both it is not.
    let little = || adult(vec![rate(&within("25T06:00", ""), "21 mL/h")]);
    let alone = bundle(GROWN, "70", &[little()]);
    assert!(finds(&alone, "WAT-01").is_some());
    let both = bundle(GROWN, "70", &[little(), water(4, "250 mL")]);
    let a = judged(&both);
    assert_eq!((found(&a, 0, "WAT-01"), found(&a, 1, "WAT-01")), (None, None));
}

/// Water alone is no feed that lacks energy and protein; what is its own is judged.
#[test]
fn an_order_of_water_alone_is_judged_for_what_is_its_own() {
    let text = bundle(GROWN, "70", &[water(2, "300 mL")]);
    let a = judged(&text);
    for id in ["NUT-01", "NUT-05", "WAT-01", "VOL-01", "ADV-02", "NUT-11", "HNG-01"] {
        let j = a.orders[0].judged.iter().find(|j| j.rule.id == id).expect("judged");
        assert!(matches!(&j.outcome, Outcome::NotApplicable(why) if why.contains("water")), "{id}: {:?}", j.outcome);
    }
    // Nor is that of two such orders.
    let two = bundle(GROWN, "70", &[water(4, "90 mL"), Order { id: "v", ..water(6, "60 mL") }]);
    let both = judged(&two);
    for nth in 0..2 {
        assert_eq!((found(&both, nth, "WAT-01"), found(&both, nth, "NUT-01")), (None, None));
    }
    // 12 × 300 and 6 × 100 mL are 4,200 mL, 60 mL/kg; a flush of 300 mL is over 250.
    assert!(found(&a, 0, "WAT-04").is_some());
    assert!(found(&a, 0, "WAT-06").is_some());
}

/// The flushes of an order whose feed is over when another's begins may end with it: 6 × 100 mL are 600, or 1,200 with those of
/// the other. Where the order that follows has none of its own, none or 600.
#[test]
fn flushes_may_end_with_a_feed_that_another_follows() {
    let before = rate(r#""boundsPeriod":{"start":"2026-11-20T06:00:00Z","end":"2026-11-25T06:00:00Z"}"#, "70 mL/h");
    let after = Order { id: "y", ..adult(vec![rate(&within("25T06:00", ""), "70 mL/h")]) };
    let text = bundle(GROWN, "70", &[adult(vec![before]), after]);
    let a = judged(&text);
    let (_, steady) = a.combined[0].steady.as_ref().expect("a steady day");
    let water = steady.get(Measure::FlushVolume);
    assert_eq!((water.low(), water.high()), (Some(Exact::int(600)), Some(Exact::int(1200))));
    // The second order without its flushes.
    let (first, second) = text.split_once(r#"NutritionOrder/y""#).expect("two orders");
    let (from, to) = (second.find(r#""extension""#), second.find(r#""baseFormulaType""#));
    let (from, to) = from.zip(to).expect("its flushes");
    let dry = format!(r#"{first}NutritionOrder/y"{}{}"#, &second[..from], &second[to..]);
    let a = judged(&dry);
    let (_, steady) = a.combined[0].steady.as_ref().expect("a steady day");
    let water = steady.get(Measure::FlushVolume);
    assert_eq!((water.low(), water.high()), (Some(Exact::ZERO), Some(Exact::int(600))));
}

/// What is too little is looked for in what all orders give that run at the same times. A bolus every 12 h alone is 500 kcal;
/// with 1,680 kcal of the other it is no want of energy.
#[test]
fn what_is_too_little_is_looked_for_in_the_sum_of_overlapping_orders() {
    let around = || adult(vec![rate(&within("25T06:00", ""), "70 mL/h")]);
    let single = || {
        let twice = format!(
            r#"{},"frequency":1,"period":12,"periodUnit":"h","duration":1,"durationUnit":"h""#,
            within("25T06:00", "")
        );
        Order { id: "b", ..adult(vec![feed(&twice, "250 mL")]) }
    };
    assert!(finds(&bundle(GROWN, "70", &[single()]), "NUT-01").is_some());
    let text = bundle(GROWN, "70", &[around(), single()]);
    let a = judged(&text);
    assert!(found(&a, 1, "CON-08").is_some_and(|(tier, _)| tier == Tier::High));
    assert_eq!((found(&a, 0, "NUT-01"), found(&a, 1, "NUT-01")), (None, None));
    // Both together are still too little.
    let slow = || adult(vec![rate(&within("25T06:00", ""), "20 mL/h")]);
    let text = bundle(GROWN, "70", &[slow(), single()]);
    let a = judged(&text);
    let (_, text) = found(&a, 1, "NUT-01").expect("too little");
    assert!(text.starts_with("Together with the patient's other feeding order: Energy is 14 kcal/kg/d"), "{text}");
}

/// Thrice on Mondays, by count; the order begins on a Wednesday. The sixth day is the one that stands for it: 3 × 700 mL are
/// 2,100 kcal, 42 kcal/kg at 50 kg.
#[test]
fn a_counted_schedule_that_begins_on_a_later_weekday_is_judged() {
    let mondays = |ml: &str| {
        let repeat = r#""dayOfWeek":["mon"],"timeOfDay":["08:00:00","13:00:00","18:00:00"],"count":3,"duration":30,"durationUnit":"min""#;
        bundle(GROWN, "50", &[adult(vec![feed(repeat, ml)])])
    };
    let many = mondays("700 mL");
    let (tier, text) = finds(&many, "NUT-01").expect("a finding");
    assert_eq!((tier, text.contains("42 kcal/kg/d")), (Tier::High, true), "{text}");
    assert_eq!(judged(&many).orders[0].days.len(), 6);
    for id in ["NUT-01", "UNT-05", "VOL-01"] {
        assert_eq!(finds(&mondays("450 mL"), id), None, "{id}");
    }
}

/// By night 720 mL in all of 1.2 kcal/mL, by day 3 × 300 mL but on the second day 3 × 420: at 50 kg 38.9 kcal/kg together, and
/// 47.5 on that day; the second order alone 30.2.
#[test]
fn a_fuller_day_of_orders_together_is_judged() {
    let night = Order { id: "night", product: "A12", flush: "60", ..adult(vec![rate(NIGHT, "90 mL/h")]) };
    let times = r#""timeOfDay":["07:00:00","12:00:00","17:00:00"],"duration":30,"durationUnit":"min""#;
    let day = |second: &str| Order {
        id: "day",
        product: "A12",
        flush: "60",
        ..adult(vec![
            feed(&format!("{},{times}", from_day(1)), "300 mL"),
            feed(&format!("{},{times}", from_day(2)), second),
            feed(&format!("{},{times}", from_day(3)), "300 mL"),
        ])
    };
    let both = bundle(GROWN, "50", &[Order { ..night }, day("420 mL")]);
    let a = judged(&both);
    for nth in 0..2 {
        let (tier, text) = found(&a, nth, "NUT-01").expect("a finding");
        assert_eq!(tier, Tier::High);
        assert!(text.starts_with("On day 2, together with the patient's other feeding order: "), "{text}");
        assert!(text.contains("47.5 kcal/kg/d"), "{text}");
    }
    assert_eq!(finds(&bundle(GROWN, "50", &[day("420 mL")]), "NUT-01"), None);
}

/// 226760005 is a substance of the starter rulebook's concept of cow's milk, which A10 contains and the soy feed does not. A
/// food that no concept stands for leaves the order not fully checked; a preference is read by nothing.
#[test]
fn a_food_that_the_order_excludes_is_looked_for() {
    let night = || adult(vec![feed(SIX, "250 mL")]);
    let plain = bundle(GROWN, "70", &[night()]);
    let with = |member: &str, code: &str, text: &str| {
        let said = format!(
            r#""orderer":{{"display":"an invented prescriber"}},"{member}":[{{"coding":[{{"system":"http://snomed.info/sct","code":"{code}"}}],"text":"{text}"}}]"#
        );
        plain.replace(r#""orderer":{"display":"an invented prescriber"}"#, &said)
    };
    let not_checked = |text: &str| {
        let done = judged(text);
        match &done.orders[0].judged.iter().find(|j| j.rule.id == "INT-08").expect("a rule").outcome {
            Outcome::NotEvaluated(why, at) => Some((why.clone(), done.path(at[0]))),
            _ => None,
        }
    };
    let milk = with("excludeFoodModifier", "226760005", "No cow's milk protein");
    let (tier, text) = finds(&milk, "ALG-01").expect("it contains it");
    assert_eq!(
        (tier, text.as_str()),
        (
            Tier::High,
            "The patient is allergic to cow's milk protein, or the order excludes it, and the formula contains it."
        )
    );
    assert_eq!(not_checked(&milk), None);
    // 227493005: cashew nut, a code that the starter rulebook does not have.
    let nuts = with("excludeFoodModifier", "227493005", "Cashew nut");
    assert_eq!(finds(&nuts, "ALG-01"), None);
    let (why, path) = not_checked(&nuts).expect("nothing knows it");
    assert_eq!(
        why,
        "the order excludes “Cashew nut”: no code known here says what that is, so it was not looked for in what is given"
    );
    assert_eq!(path, "Bundle.entry[2].resource.excludeFoodModifier[0]");
    for (member, code) in [("foodPreferenceModifier", "226760005"), ("foodPreferenceModifier", "227493005")] {
        let liked = with(member, code, "x");
        assert_eq!((finds(&liked, "ALG-01"), not_checked(&liked)), (None, None));
    }
    assert_eq!(not_checked(&plain), None);
}

/// 62 mL/h around the clock are 1,488 mL a day; 62 mL/h beside it from 8 to 16 h on the second day are 496 more: 1,984 mL. The
/// second order's flushes go on, so that it has a steady day, without feed.
#[test]
fn orders_that_run_together_for_some_hours_of_one_day_are_said() {
    let first = || Order { id: "a", ..adult(vec![rate(&within("25T06:00", ""), "62 mL/h")]) };
    let second = |from: &str, to: &str| Order { id: "b", ..adult(vec![rate(&within(from, to), "62 mL/h")]) };
    let text = bundle(GROWN, "70", &[first(), second("26T08:00", "26T16:00")]);
    let done = judged(&text);
    for nth in [0, 1] {
        let said = "Another active feeding order of this patient runs at the same times; together on day 2: 1984 mL of feed, 1984 kcal.";
        assert_eq!(found(&done, nth, "CON-08"), Some((Tier::High, said.to_owned())));
    }
    // One begins as the other ends: 12 h of each on the second day, and nothing together.
    let until = Order { id: "a", ..adult(vec![rate(&within("25T06:00", "26T18:00"), "62 mL/h")]) };
    let text = bundle(GROWN, "70", &[until, second("26T18:00", "27T18:00")]);
    let said = |on: &str| {
        let text = format!(
            "Another active feeding order of this patient runs at other times; together on {on}: 1488 mL of feed, 1488 kcal."
        );
        Some((Tier::Low, text))
    };
    let a = judged(&text);
    // The first gives nothing on the steady day of both.
    assert_eq!(found(&a, 0, "CON-08"), said("day 1"));
    assert_eq!(found(&a, 1, "CON-08"), said("the steady day"));
    // A feed at once at the end of one run of the other and at the beginning of the next.
    let noon = Order {
        id: "a",
        ..adult(vec![
            rate(&within("25T06:00", "25T12:00"), "62 mL/h"),
            rate(&within("25T12:00", "25T18:00"), "80 mL/h"),
        ])
    };
    let once = Order {
        id: "b",
        ..adult(vec![feed(&format!(r#"{},"timeOfDay":["12:00:00"]"#, within("25T06:00", "25T20:00")), "200 mL")])
    };
    let text = bundle(GROWN, "70", &[noon, once]);
    let (tier, said) = found(&judged(&text), 0, "CON-08").expect("they meet at noon");
    assert_eq!(tier, Tier::High, "{said}");
}

/// 85 mL/h around the clock are 2,040 mL, at 50 kg 40.8 kcal/kg a day, over 40; 60 mL/h are 28.8 kcal/kg.
#[test]
fn days_on_which_an_order_gives_nothing_are_not_its_findings() {
    let before = |from: &str, to: &str, ml: &str| Order { id: "before", ..adult(vec![rate(&within(from, to), ml)]) };
    let own = || Order { id: "own", ..adult(vec![rate(&within("25T06:00", ""), "60 mL/h")]) };
    let text = bundle(GROWN, "50", &[own(), before("10T06:00", "24T06:00", "85 mL/h")]);
    let a = judged(&text);
    assert_eq!(found(&a, 0, "NUT-01"), None);
    let (tier, text) = found(&a, 0, "CON-08").expect("a reminder");
    assert!(tier == Tier::Low && text.contains("together on the steady day: 1440 mL of feed"), "{text}");
    assert!(found(&a, 1, "NUT-01").is_some(), "it gives that");
    // On the day on which one follows the other, both give: 150 mL/h for 9 h and 60 mL/h for 15 h are 45 kcal/kg.
    let text = bundle(
        GROWN,
        "50",
        &[
            Order { id: "own", ..adult(vec![rate(&within("25T15:00", ""), "60 mL/h")]) },
            before("10T06:00", "25T15:00", "150 mL/h"),
        ],
    );
    let a = judged(&text);
    let (_, text) = found(&a, 0, "NUT-01").expect("a finding");
    assert!(
        text.contains("together with the patient's other feeding order") && text.contains("45 kcal/kg/d"),
        "{text}"
    );
}

/// An order that ended a month ago is none beside a draft, whether or not that states a start; one whose end is reckoned from a
/// date that is missing may go on.
#[test]
fn an_order_that_was_over_long_before_is_no_order_beside() {
    let without_flush = |text: String| {
        let (from, to) = (
            r#""extension":[{"url":"https://enteral-gate.example/fhir/StructureDefinition/water-flush""#,
            r#""baseFormulaType""#,
        );
        let mut out = String::new();
        let mut rest = text.as_str();
        while let Some(at) = rest.find(from) {
            out.push_str(&rest[..at]);
            rest = &rest[at + rest[at..].find(to).expect("a product")..];
        }
        out + rest
    };
    let overlap = |own: &str, other: &str, dated: bool| {
        let of = |id: &'static str, repeat: &str, ml: &str| Order { id, ..adult(vec![rate(repeat, ml)]) };
        let text = without_flush(bundle(GROWN, "70", &[of("own", own, "40 mL/h"), of("other", other, "60 mL/h")]));
        let text = if dated {
            text
        } else {
            let (head, tail) = text.rsplit_once(r#""dateTime":"2026-11-25T05:30:00Z","#).expect("a date");
            format!("{head}{tail}")
        };
        finds(&text, "CON-08").map(|f| f.0)
    };
    let ended = r#""boundsPeriod":{"start":"2026-10-20T08:00:00Z","end":"2026-10-24T08:00:00Z"}"#;
    for own in ["", &within("25T08:00", "")] {
        let own = if own.is_empty() {
            r#""frequency":1,"period":1,"periodUnit":"d","duration":24,"durationUnit":"h""#
        } else {
            own
        };
        assert_eq!(overlap(own, ended, true), None, "{own}");
        // One that goes on, and one that ends after the draft begins.
        assert_eq!(overlap(own, r#""boundsPeriod":{"start":"2026-10-20T08:00:00Z"}"#, true), Some(Tier::High), "{own}");
        let after = r#""boundsPeriod":{"start":"2026-10-20T08:00:00Z","end":"2026-11-28T08:00:00Z"}"#;
        assert_eq!(overlap(own, after, true), Some(Tier::High), "{own}");
    }
    let ten_days = r#""boundsDuration":{"value":10,"unit":"d","system":"http://unitsofmeasure.org","code":"d"}"#;
    assert_eq!(overlap(&within("25T08:00", ""), ten_days, true), Some(Tier::High));
    assert_eq!(overlap(&within("25T08:00", ""), ten_days, false), Some(Tier::High));
}
