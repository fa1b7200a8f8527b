//! Orders that were once worked out wrongly, each as small as it could be made. The figures are worked by hand
//! from `docs/calculation.md`, whose sentence stands beside each.

#[path = "../oracle/bench.rs"]
#[allow(dead_code)]
mod bench;
#[path = "../oracle/naive.rs"]
#[allow(dead_code)]
mod naive;
#[path = "../oracle/orders.rs"]
#[allow(dead_code)]
mod orders;

use enteral_gate::amount::{Amount, Why};
use enteral_gate::exact::Exact;
use enteral_gate::nutrition::measure::Measure;
use enteral_gate::nutrition::plan::Plan;
use enteral_gate::nutrition::totals::{lay_plan, totals};
use enteral_gate::settings::{DayKind, Settings};
use enteral_gate::timing::day::{Window, steady_window};
use orders::{Case, ucum};
use serde_json::{Value, json};

/// An R5 order of `Test Standard` with these entries, and what else `enteralFormula` holds.
fn order(zone: &'static str, entries: Value, more: Value) -> (Plan, Settings) {
    let mut formula = json!({"baseFormulaProductName": "Test Standard", "administration": entries});
    for (key, value) in more.as_object().expect("an object") {
        formula[key] = value.clone();
    }
    let order = json!({
        "resourceType": "NutritionOrder", "status": "active", "intent": "order",
        "subject": {"reference": "Patient/1"}, "dateTime": "2026-03-02T06:00:00Z", "enteralFormula": formula
    });
    let case = Case { order, zone, day_start: 7 * 3600, grams: None, clock: vec![], civil_day: 0 };
    let settings = bench::settings(&case);
    (bench::planned(&case, &settings), settings)
}

fn entry(repeat: Value) -> Value {
    json!({"schedule": {"timing": [{"repeat": repeat}]}})
}

fn ml(mut entry: Value, ml: i64) -> Value {
    entry["quantity"] = ucum(json!(ml), "mL");
    entry
}

fn rate(mut entry: Value, ml_h: i64) -> Value {
    entry["rateQuantity"] = ucum(json!(ml_h), "mL/h");
    entry
}

fn measure(plan: &Plan, settings: &Settings, window: Window, m: Measure) -> (Option<Exact>, Option<Exact>) {
    let day = lay_plan(plan, settings, window, false);
    let all = totals(&[(plan, &day)], None);
    let a: &Amount = all.get(m);
    (a.low(), a.high())
}

fn feed_of_day(plan: &Plan, settings: &Settings, day: i64) -> (Option<Exact>, Option<Exact>) {
    let first = Window::elapsed(&settings.zone, plan.start);
    measure(plan, settings, first.later(day).expect("within reach"), Measure::FormulaVolume)
}

fn range(low: i64, high: i64) -> (Option<Exact>, Option<Exact>) {
    (Some(Exact::int(low)), Some(Exact::int(high)))
}

fn exactly(x: i64) -> (Option<Exact>, Option<Exact>) {
    range(x, x)
}

/// "A bounds duration … with no start stated begins with the order's first day."
#[test]
fn a_length_without_a_start_ends() {
    let eight_hours = rate(entry(json!({"boundsDuration": ucum(json!(8), "h")})), 100);
    let (plan, settings) = order("UTC", json!([eight_hours]), json!({}));
    assert_eq!(feed_of_day(&plan, &settings, 0), exactly(800));
    assert_eq!(feed_of_day(&plan, &settings, 1), exactly(0));
}

/// "… or every so many days, with no start stated begins with the order's first day."
#[test]
fn every_second_day_without_a_start_is_not_every_day() {
    let e = ml(entry(json!({"frequency": 1, "period": 2, "periodUnit": "d"})), 200);
    let (plan, settings) = order("UTC", json!([e]), json!({}));
    assert_eq!(feed_of_day(&plan, &settings, 0), exactly(200));
    assert_eq!(feed_of_day(&plan, &settings, 1), exactly(0));
}

/// "Clock times that are stated and such that are spaced by assumption are never the same": a second feed at
/// another hour does not end the first.
#[test]
fn feeds_at_different_stated_hours_are_not_steps() {
    let at = |time: &str, start: &str| ml(entry(json!({"timeOfDay": [time], "boundsPeriod": {"start": start}})), 300);
    let entries = json!([at("08:00:00", "2026-03-02"), at("20:00:00", "2026-03-04")]);
    let (plan, settings) = order("UTC", entries, json!({}));
    assert!(plan.settled.steps.is_empty());
    assert_eq!(feed_of_day(&plan, &settings, 3), exactly(600));
}

/// "… nor are feeds named for different times or events (AM and PM)."
#[test]
fn a_morning_feed_is_not_replaced_by_an_evening_feed() {
    let named = |code: &str, start: &str| {
        let coding = json!([{"system": "http://terminology.hl7.org/CodeSystem/v3-GTSAbbreviation", "code": code}]);
        ml(
            json!({"schedule": {"timing": [{
                "code": {"coding": coding}, "repeat": {"boundsPeriod": {"start": start}}
            }]}}),
            150,
        )
    };
    let entries = json!([named("AM", "2026-03-02T07:00:00Z"), named("PM", "2026-03-03T07:00:00Z")]);
    let (plan, settings) = order("UTC", entries, json!({}));
    assert_eq!(feed_of_day(&plan, &settings, 2), exactly(300));
}

/// "Where two of them start together … none of them is a step."
#[test]
fn entries_that_start_together_are_not_steps_of_a_third() {
    let from = |r: i64, start: &str| rate(entry(json!({"boundsPeriod": {"start": start}})), r);
    let entries =
        json!([from(10, "2026-03-02T07:00:00Z"), from(20, "2026-03-02T07:00:00Z"), from(30, "2026-03-03T07:00:00Z")]);
    let (plan, settings) = order("UTC", entries, json!({}));
    assert!(plan.settled.steps.is_empty());
    assert_eq!(feed_of_day(&plan, &settings, 1), exactly(60 * 24));
}

/// A-34, "overlapping runs count once": 10:00 and 11:30, each for 16 h, is one run of 17.5 h.
#[test]
fn overlapping_runs_at_uneven_hours_are_one_run_not_two_short_ones() {
    let repeat = json!({
        "timeOfDay": ["10:00:00", "11:30:00"], "duration": 16, "durationUnit": "h",
        "boundsPeriod": {"start": "2026-03-02T10:00:00Z"}
    });
    let (plan, settings) = order("UTC", json!([rate(entry(repeat), 100)]), json!({}));
    assert_eq!(feed_of_day(&plan, &settings, 0), exactly(1_750));
}

/// "It limits the feed": a flush goes with the feeds that are given, and those after the maximum is reached are
/// not certain. Four feeds of 250 mL, at most 500: the third would begin with nothing left.
#[test]
fn flushes_with_feeds_follow_the_maximum() {
    let repeat = json!({
        "frequency": 1, "period": 6, "periodUnit": "h", "boundsPeriod": {"start": "2026-03-02T07:00:00Z"}
    });
    let flush = json!([{
        "url": "https://enteral-gate.example/fhir/StructureDefinition/water-flush",
        "extension": [
            {"url": "volume", "valueQuantity": ucum(json!(30), "mL")},
            {"url": "with-each-feed", "valueCode": "after"}
        ]
    }]);
    let more = json!({"extension": flush, "maxVolumeToDeliver": ucum(json!(500), "mL/d")});
    let (plan, settings) = order("UTC", json!([ml(entry(repeat), 250)]), more);
    assert_eq!(feed_of_day(&plan, &settings, 0), range(500, 1_000));
    let first = Window::elapsed(&settings.zone, plan.start);
    assert_eq!(measure(&plan, &settings, first, Measure::FlushVolume), range(60, 120));
}

/// "from the least that each line has given at the moment the most reaches the cap": a line that may give less
/// may have given less by then. 50 mL/h and up to 50 mL/h as needed, at most 1,200 a day: together 100 mL/h
/// reach it after 12 h, when the first has given 600 and the second perhaps nothing.
#[test]
fn the_least_under_a_maximum_is_the_least() {
    let mut as_needed = rate(entry(json!({"boundsPeriod": {"start": "2026-03-02T07:00:00Z"}})), 50);
    as_needed["schedule"]["asNeeded"] = json!(true);
    let entries = json!([rate(entry(json!({"boundsPeriod": {"start": "2026-03-02T07:00:00Z"}})), 50), as_needed]);
    let (plan, settings) = order("UTC", entries, json!({"maxVolumeToDeliver": ucum(json!(1200), "mL/d")}));
    let day = lay_plan(&plan, &settings, Window::elapsed(&settings.zone, plan.start), false);
    let ends = |k: usize| (day.laid.lines[k].volume.low(), day.laid.lines[k].volume.high());
    assert_eq!(ends(0), range(600, 1_200));
    assert_eq!(ends(1), range(0, 1_200));
}

/// "`durationMax` | a range of D": what begins near the end of a day may lie in it or beyond it. 240 mL at 06:00
/// over 1 to 4 h, a day from 07:00 to 07:00: between 60 and 240 of it before 07:00, and between 0 and 180 of it
/// after.
#[test]
fn a_range_of_durations_moves_volume_across_the_end_of_a_day() {
    let repeat = json!({
        "timeOfDay": ["06:00:00"], "duration": 1, "durationMax": 4, "durationUnit": "h",
        "boundsPeriod": {"start": "2026-03-02T07:00:00Z"}
    });
    let (plan, settings) = order("UTC", json!([ml(entry(repeat), 240)]), json!({}));
    assert_eq!(feed_of_day(&plan, &settings, 0), range(60, 240));
}

/// "intervals … that divide 24 h keep their clock times": six feeds every 4 h on a day of 25 h, also without a
/// stated start. New York, 2026-10-31 07:00 to 2026-11-01 07:00 (IANA time zone database).
#[test]
fn every_four_hours_is_six_feeds_on_a_long_day() {
    let e = ml(entry(json!({"frequency": 1, "period": 4, "periodUnit": "h"})), 100);
    let (plan, settings) = order("America/New_York", json!([e]), json!({}));
    let window = Window::civil(&settings.zone, 20_757, settings.day_start);
    assert_eq!(window.length, Exact::int(25 * 3600));
    assert_eq!(measure(&plan, &settings, window, Measure::FormulaVolume), exactly(600));
}

/// "a clock time that does not exist … is one feed with one that lies there, not two": every 30 min on a day of
/// 23 h is 46 feeds. New York, 2026-03-07 07:00 to 2026-03-08 07:00 (IANA time zone database).
#[test]
fn every_half_hour_on_a_short_day_has_no_phantom_feeds() {
    let repeat = json!({
        "frequency": 1, "period": 30, "periodUnit": "min", "boundsPeriod": {"start": "2026-03-02T07:00:00-05:00"}
    });
    let (plan, settings) = order("America/New_York", json!([ml(entry(repeat), 10)]), json!({}));
    let window = Window::civil(&settings.zone, 20_519, settings.day_start);
    assert_eq!(window.length, Exact::int(23 * 3600));
    assert_eq!(measure(&plan, &settings, window, Measure::FormulaVolume), exactly(460));
}

/// "Following days: each 24 h after the one before, the clock going on as if it did not change": the feed of
/// 07:30 on the morning after clocks went forward lies in one of two consecutive days. New York, 2026-03-07.
#[test]
fn no_feed_falls_between_two_days_when_clocks_change() {
    let repeat = json!({
        "timeOfDay": ["07:30:00"],
        "boundsPeriod": {"start": "2026-03-07T07:00:00-05:00", "end": "2026-03-08T08:00:00-04:00"}
    });
    let (plan, settings) = order("America/New_York", json!([ml(entry(repeat), 200)]), json!({}));
    assert_eq!(feed_of_day(&plan, &settings, 0), exactly(200));
    assert_eq!(feed_of_day(&plan, &settings, 1), exactly(200));
}

/// "If something that runs when that window begins ends inside it": what ended before the steady day began does
/// not take it away. A bolus order that ends at 03:00 beside a feed that runs on from 20:00.
#[test]
fn what_is_over_before_the_steady_day_does_not_take_it_away() {
    let over = json!({
        "frequency": 1, "period": 1, "periodUnit": "h",
        "boundsPeriod": {"start": "2026-03-02T20:00:00Z", "end": "2026-03-03T03:00:00Z"}
    });
    let on = rate(entry(json!({"boundsPeriod": {"start": "2026-03-02T20:00:00Z"}})), 50);
    let (plan, settings) = order("UTC", json!([ml(entry(over), 20), on]), json!({}));
    let steady = steady_window(&settings.zone, DayKind::Elapsed, settings.day_start, &plan.lines, plan.start);
    let window = steady.expect("there is a steady day");
    assert_eq!(measure(&plan, &settings, window, Measure::FormulaVolume), exactly(1_200));
}

/// "where the lines together take longer, each over its own cycle": every 5, 7, 8 and 9 days repeats after
/// 2,520 days; one of its days is not the steady day.
#[test]
fn lines_that_repeat_together_too_late_are_ranges() {
    let every = |days: i64| {
        ml(
            entry(json!({
                "frequency": 1, "period": days, "periodUnit": "d", "boundsPeriod": {"start": "2026-03-02T07:00:00Z"}
            })),
            100,
        )
    };
    let (plan, settings) = order("UTC", json!([every(5), every(7), every(8), every(9)]), json!({}));
    let steady = steady_window(&settings.zone, DayKind::Elapsed, settings.day_start, &plan.lines, plan.start);
    let day = lay_plan(&plan, &settings, steady.expect("there is a steady day"), true);
    for line in &day.laid.lines {
        assert_eq!((line.volume.low(), line.volume.high()), range(0, 100));
    }
}

/// "A repeat of only bounds, count and duration adds these to the code": twice a day for two hours.
#[test]
fn a_code_with_a_duration_is_understood() {
    let coding = json!([{"system": "http://terminology.hl7.org/CodeSystem/v3-GTSAbbreviation", "code": "BID"}]);
    let e = json!({"schedule": {"timing": [{
        "code": {"coding": coding},
        "repeat": {"duration": 2, "durationUnit": "h", "boundsPeriod": {"start": "2026-03-02T07:00:00Z"}}
    }]}});
    let (plan, settings) = order("UTC", json!([rate(e, 75)]), json!({}));
    assert_eq!(feed_of_day(&plan, &settings, 0), exactly(300));
}

/// "code and repeat must come to the same count a day; otherwise unknown": monthly is not three a day.
#[test]
fn monthly_beside_three_a_day_is_unknown() {
    let coding = json!([{"system": "http://terminology.hl7.org/CodeSystem/v3-GTSAbbreviation", "code": "MO"}]);
    let e = json!({"schedule": {"timing": [{
        "code": {"coding": coding}, "repeat": {"frequency": 3, "period": 1, "periodUnit": "d"}
    }]}});
    let (plan, settings) = order("UTC", json!([ml(e, 100)]), json!({}));
    assert_eq!(feed_of_day(&plan, &settings, 0), (None, None));
}

/// "An amount per day counts … (where it may be nothing: from nothing to the amount)": protein powder per day
/// beside a feed that may not be given at all. 20 g at 0.9 g protein per g; the feed gives up to 1,200 × 0.04.
#[test]
fn an_additive_per_day_may_be_nothing_when_the_feed_may() {
    let mut as_needed = rate(entry(json!({"boundsPeriod": {"start": "2026-03-02T07:00:00Z"}})), 50);
    as_needed["schedule"]["asNeeded"] = json!(true);
    let additive = json!([{
        "extension": [{"url": "https://enteral-gate.example/fhir/StructureDefinition/additive-per", "valueCode": "day"}],
        "productName": "Test Protein", "quantity": ucum(json!(20), "g")
    }]);
    let (plan, settings) = order("UTC", json!([as_needed]), json!({"additive": additive}));
    let first = Window::elapsed(&settings.zone, plan.start);
    assert_eq!(measure(&plan, &settings, first, Measure::Protein), range(0, 66));
}

/// A maximum never goes unnoticed because the numbers are awkward: here the sum leaves the range of exact
/// arithmetic, so each line gives from nothing to its schedule and the maximum is still reported.
#[test]
fn a_maximum_is_kept_when_the_sum_is_out_of_range() {
    let case = orders::case(1_197);
    let settings = bench::settings(&case);
    let plan = bench::planned(&case, &settings);
    let day = lay_plan(&plan, &settings, Window::elapsed(&settings.zone, plan.start), false);
    assert!(day.laid.cap.is_some());
    assert!(day.laid.lines.iter().any(|l| l.volume.why().contains(&Why::Range)), "the sum is in range");
    assert!(
        day.laid.lines.iter().zip(&plan.capped).filter(|(_, c)| **c).all(|(l, _)| l.volume.low() == Some(Exact::ZERO))
    );
}

/// "… also from the count of the least rounded down to that of the most rounded up": every 2 to 4 days, three at a
/// time, each over 2 h. At 16 h or at 32 h, one feed begins in the second day; at 23 h, a second one reaches into it.
#[test]
fn a_range_of_intervals_is_not_known_because_its_ends_agree() {
    let repeat = json!({
        "frequency": 3, "period": 2, "periodMax": 4, "periodUnit": "d", "duration": 2, "durationUnit": "h",
        "boundsPeriod": {"start": "2026-03-02T07:00:00Z"}
    });
    let (plan, settings) = order("UTC", json!([ml(entry(repeat), 100)]), json!({}));
    assert_eq!(feed_of_day(&plan, &settings, 1), range(0, 200));
}

/// "If a window from a feeding-day hour gives another volume of any line than the day one cycle later (a night feed …),
/// the window is moved a day on": 85 mL/h from 20:00 for 12 h, ordered from a date. The first 07:00 has no feed of the
/// evening before; every later day has an hour of it, 12 × 85 = 1,020 mL, and reaches the maximum of 1,000 mL.
#[test]
fn a_night_feed_is_whole_on_its_steady_day() {
    let repeat = json!({
        "boundsPeriod": {"start": "2026-03-02"}, "timeOfDay": ["20:00:00"], "duration": 12, "durationUnit": "h",
        "frequency": 1, "period": 1, "periodUnit": "d"
    });
    let cap = json!({"maxVolumeToDeliver": ucum(json!(1000), "mL")});
    let (plan, settings) = order("UTC", json!([rate(entry(repeat), 85)]), cap);
    let window = steady_window(&settings.zone, DayKind::Elapsed, 7 * 3600, &plan.lines, plan.start).expect("a day");
    assert_eq!(window.start, plan.start.add(Exact::int((24 + 7) * 3600)).unwrap());
    assert_eq!(measure(&plan, &settings, window, Measure::FormulaVolume), range(1000, 1020));
    assert!(lay_plan(&plan, &settings, window, true).laid.cap.is_some());
}
