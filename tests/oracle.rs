//! Differential test: random orders worked out by the library and by a second, naive program that was written
//! from `docs/calculation.md` alone (`tests/oracle/naive.rs`). Every known amount must be equal, every range
//! hold the naive one, and what is unknown be unknown on both sides.
//!
//! `EG_SEED=n cargo test --test oracle` replays one order and shows it; `EG_ORDERS=n` sets how many are drawn.

#[path = "oracle/bench.rs"]
mod bench;
#[path = "oracle/naive.rs"]
mod naive;
#[path = "oracle/orders.rs"]
mod orders;

use bench::{ends, exact, place, planned, rational, settings};
use enteral_gate::exact::Exact;
use enteral_gate::nutrition::measure::Measure;
use enteral_gate::nutrition::plan::Plan;
use enteral_gate::nutrition::totals::{OrderDay, lay_plan, totals};
use enteral_gate::settings::{DayKind, Settings};
use enteral_gate::timing::day::{Window, steady_window};
use naive::{Delivery, Place, Steady, Val};
use orders::Case;
use std::collections::BTreeMap;

const MEASURES: [(Measure, &str); 11] = [
    (Measure::FormulaVolume, "feed"),
    (Measure::FlushVolume, "water"),
    (Measure::Volume, "volume"),
    (Measure::Energy, "energy"),
    (Measure::Protein, "protein"),
    (Measure::Carbohydrate, "carbohydrate"),
    (Measure::Fat, "fat"),
    (Measure::Fibre, "fibre"),
    (Measure::FreeWater, "free water"),
    (Measure::Sodium, "sodium"),
    (Measure::Potassium, "potassium"),
];

fn naive_measure<'d>(d: &'d Delivery, name: &str) -> &'d Val {
    match name {
        "feed" => &d.feed,
        "water" => &d.flush,
        "volume" => &d.volume,
        "energy" => &d.energy,
        "protein" => &d.nutrients[0],
        "carbohydrate" => &d.nutrients[1],
        "fat" => &d.nutrients[2],
        "fibre" => &d.nutrients[3],
        "free water" => &d.nutrients[naive::WATER],
        "sodium" => &d.nutrients[5],
        _ => &d.nutrients[6],
    }
}

fn shown(v: &Val) -> String {
    let short = |x: &naive::Q| {
        use num_traits::ToPrimitive;
        format!("{x} (≈ {:.3})", x.to_f64().unwrap_or(f64::NAN))
    };
    match (&v.high, v.is_unknown()) {
        (_, true) => "unknown".to_owned(),
        (None, _) => format!("at least {}", short(&v.low)),
        (Some(h), _) if *h == v.low => short(h),
        (Some(h), _) => format!("{} … {}", short(&v.low), short(h)),
    }
}

struct Found {
    kind: String,
    text: String,
}

struct Judge {
    found: Vec<Found>,
    amounts: u64,
    ranges: u64,
    wider: u64,
    open: u64,
    /// A feed of the order is at a time of day that is not known.
    any_time: bool,
    /// The library may tell a line that is a range as if it might be nothing.
    loose: bool,
}

impl Judge {
    /// Exactly equal, or a range that holds the other one.
    fn amount(&mut self, what: &str, window: &str, library: &Val, oracle: &Val, equal: bool) {
        self.amounts += 1;
        if library == oracle {
            if library.known().is_none() {
                self.ranges += 1;
            }
            return;
        }
        let holds = library.low <= oracle.low
            && match (&library.high, &oracle.high) {
                (None, _) => true,
                (Some(_), None) => false,
                (Some(l), Some(o)) => l >= o,
            };
        if holds
            && !equal
            && (window == "cycle" || self.any_time || self.loose || library.is_unknown() == oracle.is_unknown())
            && (self.any_time || library.high.is_none() == oracle.high.is_none())
        {
            self.wider += 1;
            return;
        }
        let kind =
            format!("{} {}{}", window, what.split(' ').next().unwrap_or(what), if holds { " (wider)" } else { "" });
        self.found.push(Found {
            kind,
            text: format!("{window} {what}: library {}, naive {}", shown(library), shown(oracle)),
        });
    }

    /// Where the lines repeat together only after too many days: each over its own cycle, or unknown.
    fn lines_over_their_own_cycles(&mut self, case: &Case, place: &Place, w: &Window, day: &OrderDay) {
        let capped = case.order["enteralFormula"].get("maxVolumeToDeliver").is_some();
        for (k, cycle) in naive::cycles(&case.order, place).expect("a date").into_iter().enumerate() {
            let library = ends(&day.laid.lines[k].volume);
            let Some(cycle) = cycle.filter(|c| *c <= 42) else { continue };
            if capped {
                if cycle > 1 && !library.is_unknown() {
                    self.found
                        .push(Found { kind: "too long".to_owned(), text: format!("line {k}: {}", shown(&library)) });
                }
                continue;
            }
            let all: Vec<Delivery> = (0..cycle)
                .map(|day| naive::deliver(&case.order, place, &shifted(w, day)).expect("a formula"))
                .collect();
            self.amount(&format!("line {k}"), "cycle", &library, &hull(&all).lines[k], false);
        }
    }

    fn day(&mut self, window: &str, plan: &Plan, day: &OrderDay, oracle: &Delivery, equal: bool) {
        // Which of two readings that give the same most reaches the maximum first is not settled.
        if oracle.cap_open {
            self.open += 1;
            return;
        }
        if day.laid.lines.len() != oracle.lines.len() {
            let text = format!("{} lines, naive {}", day.laid.lines.len(), oracle.lines.len());
            self.found.push(Found { kind: "lines".to_owned(), text });
            return;
        }
        for (k, line) in day.laid.lines.iter().enumerate() {
            self.amount(&format!("line {k}"), window, &ends(&line.volume), &oracle.lines[k], equal);
        }
        let all = totals(&[(plan, day)], None);
        for (measure, name) in MEASURES {
            self.amount(name, window, &ends(all.get(measure)), naive_measure(oracle, name), equal);
        }
        match (&day.laid.cap, &oracle.cap_at) {
            (None, None) => {}
            (Some(a), Some(b)) if rational(a.at) == *b => {}
            (a, b) if equal => self.found.push(Found {
                kind: format!("{window} cap"),
                text: format!(
                    "{window} cap reached: library {:?}, naive {:?}",
                    a.map(|c| c.at.to_string()),
                    b.as_ref().map(ToString::to_string)
                ),
            }),
            _ => {}
        }
    }
}

/// So many days later, the clock as if it did not change.
fn shifted(w: &Window, days: i64) -> naive::Window {
    let later = naive::int(days * 86_400);
    naive::Window {
        start: rational(w.start) + &later,
        length: naive::int(86_400),
        civil: false,
        wall: rational(w.local) + &later,
    }
}

fn naive_window(w: &Window) -> naive::Window {
    naive::Window { start: rational(w.start), length: rational(w.length), civil: w.civil, wall: rational(w.local) }
}

/// The range of several days, amount by amount.
fn hull(days: &[Delivery]) -> Delivery {
    let mut out = days[0].clone();
    for d in &days[1..] {
        for (a, b) in out.lines.iter_mut().zip(&d.lines) {
            *a = a.or(b);
        }
        for (a, b) in out.nutrients.iter_mut().zip(&d.nutrients) {
            *a = a.or(b);
        }
        out.feed = out.feed.or(&d.feed);
        out.flush = out.flush.or(&d.flush);
        out.feeds = out.feeds.or(&d.feeds);
        out.volume = out.volume.or(&d.volume);
        out.energy = out.energy.or(&d.energy);
        out.cap_open |= d.cap_open;
    }
    out
}

fn compare(case: &Case, judge: &mut Judge) {
    let settings: Settings = settings(case);
    let place: Place = place(case);
    let plan = planned(case, &settings);

    // Quantity and rate beside a duration that contradicts them, or a range of frequencies: the library's
    // range may be wider.
    let three = |a: &serde_json::Value| {
        a.get("quantity").is_some()
            && (a.get("rateQuantity").is_some() || a.get("rateRatio").is_some())
            && a.get("schedule").is_some_and(|s| {
                let s = s.to_string();
                ["\"duration\"", "frequencyMax", "periodMax"].iter().any(|part| s.contains(part))
            })
    };
    let entries = case.order["enteralFormula"]["administration"].as_array();
    // So may that of a feed at a time of day that is not known: the naive program tries some of the times.
    let any_time = plan.lines.iter().any(|l| !l.untimed.is_empty());
    judge.any_time = any_time;
    // And where a line is a range and the maximum is per another time than a day.
    let per_period = plan.cap.is_some_and(|cap| cap.period != Exact::int(86_400));
    judge.loose = per_period && plan.lines.iter().any(|line| !line.is_exact());
    let equal = !any_time && !judge.loose && !entries.is_some_and(|list| list.iter().any(three));

    // A line has a reason exactly where it has more than one reading, or none.
    for (k, line) in plan.lines.iter().enumerate() {
        let one = line.low.is_some() && line.low == line.high && line.also.is_none();
        if line.why.is_empty() != one {
            judge.found.push(Found { kind: "reasons".to_owned(), text: format!("line {k}: {line:?}") });
        }
    }

    // Where the days begin.
    let first = naive::first_day(&case.order, &place).map(|x| exact(&x));
    if first != Some(Some(plan.start)) {
        judge.found.push(Found {
            kind: "first day".to_owned(),
            text: format!("first day begins: library {}, naive {first:?}", plan.start),
        });
        return;
    }
    let start = Window::elapsed(&settings.zone, plan.start);
    let later = plan.start.add(Exact::int(86_400)).map(|s| Window::elapsed(&settings.zone, s)).expect("within reach");
    let civil = Window::civil(&settings.zone, case.civil_day, case.day_start);
    for (name, window) in [("first", start), ("second", later), ("civil", civil)] {
        let day = lay_plan(&plan, &settings, window, false);
        let oracle = naive::deliver(&case.order, &place, &naive_window(&window)).expect("a formula");
        judge.day(name, &plan, &day, &oracle, equal);
    }

    let library = steady_window(&settings.zone, DayKind::Elapsed, case.day_start, &plan.lines, plan.start);
    let oracle = naive::steady(&case.order, &place).expect("a date");
    match (&library, &oracle) {
        (Err(_), Steady::None) => {}
        (Ok(w), Steady::Day(at)) if rational(w.start) == *at => {
            let day = lay_plan(&plan, &settings, *w, true);
            let oracle = naive::deliver(&case.order, &place, &naive_window(w)).expect("a formula");
            judge.day("steady", &plan, &day, &oracle, equal);
        }
        // So may the day from which on it is whole.
        (Ok(w), Steady::Day(at)) if any_time && (-3..=3).any(|k| rational(w.start) == at + naive::int(k * 86_400)) => {
            let day = lay_plan(&plan, &settings, *w, true);
            let oracle = naive::deliver(&case.order, &place, &naive_window(w)).expect("a formula");
            judge.day("steady", &plan, &day, &oracle, equal);
        }
        // Where no start is stated the two may settle on different days of the same cycle.
        (Ok(w), Steady::Cycle(at, days))
            if *days <= 42
                && (if any_time { -3..=3 } else { 0..=3 })
                    .any(|k| rational(w.start) == at + naive::int(k * 86_400)) =>
        {
            let day = lay_plan(&plan, &settings, *w, true);
            let all: Vec<Delivery> =
                (0..*days).map(|k| naive::deliver(&case.order, &place, &shifted(w, k)).expect("a formula")).collect();
            judge.day("cycle", &plan, &day, &hull(&all), false);
        }
        (Ok(w), Steady::Cycle(at, _)) if rational(w.start) == *at => {}
        (Ok(w), Steady::TooLong) => {
            let day = lay_plan(&plan, &settings, *w, true);
            judge.lines_over_their_own_cycles(case, &place, w, &day);
        }
        _ => judge.found.push(Found {
            kind: "steady day".to_owned(),
            text: format!("steady day: library {:?}, naive {oracle:?}", library.map(|w| w.start.to_string())),
        }),
    }
}

#[test]
fn the_library_and_the_naive_program_agree_on_random_orders() {
    let number = |name: &str| std::env::var(name).ok().and_then(|s| s.parse::<u64>().ok());
    let (from, to) = match number("EG_SEED") {
        Some(seed) => (seed, seed + 1),
        None => (0, number("EG_ORDERS").unwrap_or(20_000)),
    };
    let workers = std::thread::available_parallelism().map_or(1, std::num::NonZero::get) as u64;
    let results: Vec<(Judge, Vec<(u64, Found)>)> = std::thread::scope(|scope| {
        let handles: Vec<_> = (0..workers)
            .map(|worker| {
                scope.spawn(move || {
                    let mut judge = Judge {
                        found: vec![],
                        amounts: 0,
                        ranges: 0,
                        wider: 0,
                        open: 0,
                        any_time: false,
                        loose: false,
                    };
                    let mut all = vec![];
                    for seed in (from..to).filter(|s| s % workers == worker) {
                        compare(&orders::case(seed), &mut judge);
                        // What follows from the first difference is not told again.
                        let found: Vec<Found> = judge.found.drain(..).collect();
                        if from + 1 == to {
                            all.extend(found.into_iter().map(|f| (seed, f)));
                        } else {
                            all.extend(found.into_iter().next().map(|f| (seed, f)));
                        }
                    }
                    (judge, all)
                })
            })
            .collect();
        handles.into_iter().map(|h| h.join().expect("no panic")).collect()
    });
    let (mut amounts, mut ranges, mut wider, mut open) = (0, 0, 0, 0);
    let mut kinds: BTreeMap<String, (u64, Vec<String>)> = BTreeMap::new();
    let mut seeds = std::collections::BTreeSet::new();
    for (judge, found) in results {
        amounts += judge.amounts;
        ranges += judge.ranges;
        wider += judge.wider;
        open += judge.open;
        for (seed, f) in found {
            seeds.insert(seed);
            let entry = kinds.entry(f.kind).or_default();
            entry.0 += 1;
            if entry.1.len() < 6 {
                entry.1.push(format!("EG_SEED={seed} {}", f.text));
            }
        }
    }
    println!(
        "{} orders, {amounts} amounts compared, {ranges} of them equal ranges, {wider} wider ranges, {open} days left open",
        to - from
    );
    if to - from == 1 {
        let case = orders::case(from);
        println!("{}", serde_json::to_string_pretty(&case.order).expect("JSON"));
        println!(
            "{} day from {} s, weight {:?} g, clock {:?}, civil day {}",
            case.zone, case.day_start, case.grams, case.clock, case.civil_day
        );
    }
    for (kind, (n, examples)) in &kinds {
        println!("{kind}: {n}");
        for e in examples {
            println!("    {e}");
        }
    }
    assert!(kinds.is_empty(), "{} orders disagree; the first: {:?}", seeds.len(), seeds.first());
}

/// Replaces every stated range of a timing by one value inside it.
fn complete(timing: &mut serde_json::Value, rng: &mut orders::Rng) -> bool {
    use serde_json::json;
    let Some(repeat) = timing.get_mut("repeat").and_then(|r| r.as_object_mut()) else { return false };
    let mut done = false;
    for (least, most, whole) in [
        ("duration", "durationMax", false),
        ("frequency", "frequencyMax", true),
        ("period", "periodMax", false),
        ("count", "countMax", true),
    ] {
        let Some(high) = repeat.remove(most) else { continue };
        let high = high.as_i64().expect("a whole number");
        let low = repeat.get(least).map_or(1, |l| l.as_i64().expect("a whole number"));
        let value = if whole {
            json!(rng.between(low, high.max(low)))
        } else {
            // Hundredths between.
            orders::decimal(rng.between(low * 100, high.max(low) * 100), 2)
        };
        repeat.insert(least.to_owned(), value);
        done = true;
    }
    if let Some(range) = repeat.remove("boundsRange") {
        // The generator's only one: 20 h to 3 d.
        assert_eq!(range["low"]["value"], json!(20));
        repeat.insert("boundsDuration".to_owned(), orders::ucum(json!(rng.between(20, 72)), "h"));
        done = true;
    }
    done
}

/// Whatever value inside its ranges an order turns out to mean, the amount lies in the range that was told.
#[test]
fn ranges_hold_every_completion_of_random_orders() {
    let mut compared = 0;
    for seed in 0..40_000u64 {
        let mut rng = orders::Rng(seed ^ 0x5eed);
        let case = orders::case(seed);
        let entries = case.order["enteralFormula"]["administration"].as_array().expect("entries");
        // Several entries may become steps of each other when they are completed: another order.
        if entries.len() != 1 {
            continue;
        }
        // One value of a range may contradict quantity and rate where the range does not.
        if entries[0].get("quantity").is_some() && entries[0].to_string().contains("\"rate") {
            continue;
        }
        let r5 = case.order.get("subject").is_some();
        let mut other = case.clone();
        let a = &mut other.order["enteralFormula"]["administration"][0];
        let timing = match (a.get_mut("schedule"), r5) {
            (Some(schedule), true) => {
                let list = schedule["timing"].as_array_mut().expect("timings");
                if list.len() != 1 {
                    continue;
                }
                &mut list[0]
            }
            (Some(schedule), false) => schedule,
            (None, _) => continue,
        };
        // One value of a range may disagree with a code, with clock times or with weekdays where the range does not.
        let repeat = &timing["repeat"];
        let counted = repeat.get("frequencyMax").is_some() || repeat.get("periodMax").is_some();
        let by_days = repeat.get("dayOfWeek").is_some() && counted;
        let beside = timing.get("code").is_some() || repeat.get("timeOfDay").is_some() || by_days;
        if beside || !complete(timing, &mut rng) {
            continue;
        }
        let settings = settings(&case);
        let (told, meant) = (planned(&case, &settings), planned(&other, &settings));
        let first = Window::elapsed(&settings.zone, told.start);
        let days = [0, 1, 2].map(|k| first.later(k).expect("within reach"));
        let civil = Window::civil(&settings.zone, case.civil_day, case.day_start);
        // Before its first day, an order says nothing.
        for window in days.into_iter().chain([civil]).filter(|w| w.start >= told.start) {
            let [a, b] = [&told, &meant].map(|plan| {
                let day = lay_plan(plan, &settings, window, false);
                totals(&[(plan, &day)], None)
            });
            for (measure, name) in MEASURES {
                let (a, b) = (ends(a.get(measure)), ends(b.get(measure)));
                let inside = a.low <= b.low && a.high.as_ref().is_none_or(|h| b.high.as_ref().is_some_and(|x| x <= h));
                assert!(inside, "EG_SEED={seed} {name}: told {}, meant {}", shown(&a), shown(&b));
                compared += 1;
            }
        }
    }
    assert!(compared > 40_000, "{compared} amounts compared");
}
