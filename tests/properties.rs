//! Properties that hold for every order (derived): scaling, splitting, units, caps, shifting, water, missing
//! inputs, monotony, sub-windows, R4 and R5, and ranges that hold every completion.

use enteral_gate::amount::Amount;
use enteral_gate::appraise::{Appraisal, Disposition, OrderReport, appraise};
use enteral_gate::exact::Exact;
use enteral_gate::findings::Outcome;
use enteral_gate::formulary::Formulary;
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::nutrition::measure::Measure as M;
use enteral_gate::nutrition::totals::{Totals, lay_plan, totals};
use enteral_gate::settings::{Asked, DayKind, Settings};
use enteral_gate::timing::day::Window;
use proptest::prelude::*;
use std::sync::LazyLock;

static FORMULARY: LazyLock<Formulary> =
    LazyLock::new(|| Formulary::from_csv("formulary.csv", include_bytes!("../deploy/demo/formulary.csv")).unwrap());
static SETTINGS: LazyLock<Settings> = LazyLock::new(Settings::default);

fn config() -> ProptestConfig {
    ProptestConfig { cases: 2_000, ..ProptestConfig::default() }
}

/// One administration in plain words; rendered as R4 or R5.
#[derive(Clone, Debug)]
enum Feed {
    /// mL/h × 100 from an hour of the first day.
    Runs { rate: u32, from: u32 },
    /// Tenths of mL, feeds a day, minutes.
    Feeds { tenths: u32, a_day: u32, minutes: u32 },
    /// mL/h at a clock hour for so many hours.
    Night { rate: u32, at: u32, hours: u32 },
    /// Tenths of mL every so many hours.
    Every { tenths: u32, hours: u32 },
}

fn feed() -> impl Strategy<Value = Feed> {
    prop_oneof![
        (500u32..30_000, 0u32..24).prop_map(|(rate, from)| Feed::Runs { rate, from }),
        (100u32..5_000, prop::sample::select(vec![1u32, 2, 3, 4, 5, 6, 8]), 10u32..60)
            .prop_map(|(tenths, a_day, minutes)| Feed::Feeds { tenths, a_day, minutes }),
        (1_000u32..20_000, 0u32..24, 1u32..14).prop_map(|(rate, at, hours)| Feed::Night { rate, at, hours }),
        (100u32..3_000, prop::sample::select(vec![2u32, 3, 4, 5, 6, 7, 8]))
            .prop_map(|(tenths, hours)| Feed::Every { tenths, hours }),
    ]
}

fn product() -> impl Strategy<Value = &'static str> {
    prop::sample::select(vec!["A10", "A12", "A15", "A20", "HP12", "PEP10", "PED10"])
}

fn hundredths(x: u32) -> String {
    format!("{}.{:02}", x / 100, x % 100)
}

fn tenths(x: u32) -> String {
    format!("{}.{}", x / 10, x % 10)
}

fn quantity(value: &str, unit: &str) -> String {
    format!(r#"{{"value":{value},"system":"http://unitsofmeasure.org","code":"{unit}"}}"#)
}

impl Feed {
    fn json(&self, version: FhirVersion) -> String {
        let start = |hour: u32| format!(r#""boundsPeriod":{{"start":"2026-11-25T{hour:02}:00:00Z"}}"#);
        let (repeat, rest) = match self {
            Feed::Runs { rate, from } => {
                (start(*from), format!(r#""rateQuantity":{}"#, quantity(&hundredths(*rate), "mL/h")))
            }
            Feed::Feeds { tenths: t, a_day, minutes } => (
                format!(
                    r#"{},"frequency":{a_day},"period":1,"periodUnit":"d","duration":{minutes},"durationUnit":"min""#,
                    start(7)
                ),
                format!(r#""quantity":{}"#, quantity(&tenths(*t), "mL")),
            ),
            Feed::Night { rate, at, hours } => (
                format!(r#""timeOfDay":["{at:02}:00:00"],"duration":{hours},"durationUnit":"h""#),
                format!(r#""rateQuantity":{}"#, quantity(&hundredths(*rate), "mL/h")),
            ),
            Feed::Every { tenths: t, hours } => (
                format!(r#"{},"frequency":1,"period":{hours},"periodUnit":"h""#, start(7)),
                format!(r#""quantity":{}"#, quantity(&tenths(*t), "mL")),
            ),
        };
        let timing = format!(r#"{{"repeat":{{{repeat}}}}}"#);
        let schedule = if version == FhirVersion::R5 { format!(r#"{{"timing":[{timing}]}}"#) } else { timing };
        format!(r#"{{"schedule":{schedule},{rest}}}"#)
    }

    fn times(&self, k: u32) -> Feed {
        match self.clone() {
            Feed::Runs { rate, from } => Feed::Runs { rate: rate * k, from },
            Feed::Feeds { tenths, a_day, minutes } => Feed::Feeds { tenths: tenths * k, a_day, minutes },
            Feed::Night { rate, at, hours } => Feed::Night { rate: rate * k, at, hours },
            Feed::Every { tenths, hours } => Feed::Every { tenths: tenths * k, hours },
        }
    }
}

#[derive(Clone, Debug, Default)]
struct More {
    cap: Option<String>,
    density: Option<String>,
    flush_ml: Option<u32>,
    weight: Option<String>,
}

fn bundle(product: &str, feeds: &[String], more: &More, version: FhirVersion) -> String {
    let mut formula = String::new();
    if let Some(ml) = more.flush_ml {
        formula.push_str(&format!(
            r#""extension":[{{"url":"https://enteral-gate.example/fhir/StructureDefinition/water-flush","extension":[{{"url":"volume","valueQuantity":{}}},{{"url":"schedule","valueTiming":{{"repeat":{{"frequency":6,"period":1,"periodUnit":"d"}}}}}}]}}],"#,
            quantity(&ml.to_string(), "mL")
        ));
    }
    formula.push_str(&format!(r#""baseFormulaProductName":"{product}","administration":[{}]"#, feeds.join(",")));
    if let Some(cap) = &more.cap {
        formula.push_str(&format!(r#","maxVolumeToDeliver":{cap}"#));
    }
    if let Some(density) = &more.density {
        formula.push_str(&format!(r#","caloricDensity":{density}"#));
    }
    let whom = if version == FhirVersion::R5 { "subject" } else { "patient" };
    let order = format!(
        r#"{{"resource":{{"resourceType":"NutritionOrder","status":"active","intent":"order","{whom}":{{"reference":"Patient/p"}},"dateTime":"2026-11-25T07:00:00Z","enteralFormula":{{{formula}}}}}}}"#
    );
    let weight = more.weight.as_ref().map_or_else(String::new, |w| {
        format!(
            r#"{{"resource":{{"resourceType":"Observation","status":"final","code":{{"coding":[{{"system":"http://loinc.org","code":"29463-7"}}]}},"subject":{{"reference":"Patient/p"}},"effectiveDateTime":"2026-11-25T05:00:00Z","valueQuantity":{w}}}}},"#
        )
    });
    format!(r#"{{"resourceType":"Bundle","type":"collection","entry":[{weight}{order}]}}"#)
}

/// Appraises and hands the only order to `f`.
fn with<R>(
    product: &str,
    feeds: &[Feed],
    more: &More,
    version: FhirVersion,
    f: impl FnOnce(&Appraisal<'_>, &OrderReport) -> R,
) -> R {
    let feeds: Vec<String> = feeds.iter().map(|x| x.json(version)).collect();
    let text = bundle(product, &feeds, more, version);
    let a = appraise(text.as_bytes(), "", version, &FORMULARY, &SETTINGS);
    f(&a, &a.orders[0])
}

fn steady(product: &str, feeds: &[Feed], more: &More) -> Totals {
    with(product, feeds, more, FhirVersion::R4, |_, o| o.steady.as_ref().expect("it repeats").1.clone())
}

fn ends(a: &Amount) -> (Option<Exact>, Option<Exact>) {
    (a.low(), a.high())
}

fn scaled(a: &Amount, k: i64) -> (Option<Exact>, Option<Exact>) {
    let by = |x: Option<Exact>| x.and_then(|x| x.mul(Exact::int(k)));
    (by(a.low()), by(a.high()))
}

const SUMS: &[M] = &[M::FormulaVolume, M::Energy, M::Protein, M::Fat, M::Carbohydrate, M::Sodium, M::PotassiumMoles];
const SHARES: &[M] =
    &[M::ProteinEnergyShare, M::FatEnergyShare, M::NonProteinEnergyPerNitrogen, M::ProteinPerEnergy, M::EnergyDensity];

/// Several feeds that run or are given beside each other: at most one runs at a rate from a start, because two
/// of those would be steps of one feed.
fn feeds() -> impl Strategy<Value = Vec<Feed>> {
    prop::collection::vec(feed(), 1..4).prop_map(|list| {
        let mut seen = false;
        let mut every = std::collections::BTreeSet::new();
        list.into_iter()
            .filter(|f| match f {
                Feed::Runs { .. } => !std::mem::replace(&mut seen, true),
                Feed::Every { hours, .. } => every.insert(*hours),
                Feed::Feeds { a_day, .. } => every.insert(100 + a_day),
                Feed::Night { .. } => true,
            })
            .collect()
    })
}

proptest! {
    #![proptest_config(config())]

    /// Twice every rate and volume is twice every sum, and the same shares.
    #[test]
    fn scaling(p in product(), list in feeds()) {
        let one = steady(p, &list, &More::default());
        let two = steady(p, &list.iter().map(|f| f.times(2)).collect::<Vec<_>>(), &More::default());
        for m in SUMS {
            prop_assert_eq!(scaled(one.get(*m), 2), ends(two.get(*m)), "{}", m.code());
        }
        for m in SHARES {
            prop_assert_eq!(ends(one.get(*m)), ends(two.get(*m)), "{}", m.code());
        }
    }

    /// Half the volume twice as often is the same day.
    #[test]
    fn splitting(p in product(), t in 100u32..2_000, n in prop::sample::select(vec![1u32, 2, 3, 4])) {
        let whole = steady(p, &[Feed::Feeds { tenths: t * 2, a_day: n, minutes: 15 }], &More::default());
        let split = steady(p, &[Feed::Feeds { tenths: t, a_day: n * 2, minutes: 15 }], &More::default());
        for m in SUMS {
            prop_assert_eq!(ends(whole.get(*m)), ends(split.get(*m)));
        }
        prop_assert!(split.get(M::LargestFeed).high() <= whole.get(M::LargestFeed).high());
    }

    /// The same strength, volume and weight in other units is the same order, exactly.
    #[test]
    fn units_do_not_matter(ml in 50u32..400, n in prop::sample::select(vec![4u32, 6, 8]), strength in 40u32..150, kg in 200u32..900) {
        let feed = |q: String| format!(r#"{{"schedule":{{"repeat":{{"frequency":{n},"period":1,"periodUnit":"d"}}}},"quantity":{q}}}"#);
        let run = |volume: String, density: String, weight: String| {
            let more = More { density: Some(density), weight: Some(weight), ..More::default() };
            let text = bundle("INF", &[feed(volume)], &more, FhirVersion::R4);
            let a = appraise(text.as_bytes(), "", FhirVersion::R4, &FORMULARY, &SETTINGS);
            a.orders[0].steady.as_ref().unwrap().1.clone()
        };
        let a = run(quantity(&ml.to_string(), "mL"), quantity(&hundredths(strength), "kcal/mL"), quantity(&tenths(kg), "kg"));
        let b = run(
            quantity(&format!("{}e-3", ml), "L"),
            quantity(&format!("{}", strength * 10), "kcal/L"),
            quantity(&format!("{}", kg * 100), "g"),
        );
        // 1 kcal = 4.184 kJ exactly.
        let kilojoules = u64::from(strength) * 4_184;
        let c = run(
            quantity(&format!("{}e-1", ml), "cL"),
            quantity(&format!("{}.{:05}", kilojoules / 100_000, kilojoules % 100_000), "kJ/mL"),
            quantity(&tenths(kg), "kg"),
        );
        for m in M::ALL {
            prop_assert_eq!(ends(a.get(*m)), ends(b.get(*m)), "{}", m.code());
            prop_assert_eq!(ends(a.get(*m)), ends(c.get(*m)), "{}", m.code());
        }
    }

    /// With a cap the day lies between the smaller of cap and schedule and the schedule; the moment it is reached
    /// lies in the day exactly when the cap is below the schedule.
    #[test]
    fn caps(p in product(), rate in 1_000u32..12_000, percent in 20u32..180) {
        let list = [Feed::Runs { rate, from: 7 }];
        let free = steady(p, &list, &More::default());
        let scheduled = free.get(M::FormulaVolume).known().unwrap();
        let cap = scheduled.mul(Exact::ratio(i64::from(percent), 100)).unwrap();
        let more = More { cap: Some(quantity(&cap.short(6), "mL/d")), ..More::default() };
        with(p, &list, &more, FhirVersion::R4, |_, o| {
            let (day, t) = o.steady.as_ref().unwrap();
            let volume = t.get(M::FormulaVolume);
            prop_assert_eq!(volume.high(), Some(scheduled));
            prop_assert_eq!(volume.low(), Some(if day.laid.cap.is_some() { cap.min(scheduled) } else { scheduled }));
            if percent < 95 {
                let reached = day.laid.cap.expect("below the schedule");
                prop_assert!(reached.at.is_positive() && reached.at < day.laid.window.length);
            }
            if percent >= 100 {
                prop_assert!(day.laid.cap.is_none());
            }
            // Shares are those of the feed, whatever its volume.
            prop_assert_eq!(ends(t.get(M::ProteinEnergyShare)), ends(free.get(M::ProteinEnergyShare)));
            Ok(())
        })?;
    }

    /// A run across midnight is the same run at any hour.
    #[test]
    fn shifting_a_night(p in product(), rate in 1_000u32..20_000, at in 0u32..24, other in 0u32..24, hours in 1u32..14) {
        let a = steady(p, &[Feed::Night { rate, at, hours }], &More::default());
        let b = steady(p, &[Feed::Night { rate, at: other, hours }], &More::default());
        for m in SUMS {
            prop_assert_eq!(ends(a.get(*m)), ends(b.get(*m)));
        }
    }

    /// Without a weight everything else stays, nothing per kg is known, and nothing that was found or not
    /// evaluated turns clear.
    #[test]
    fn a_missing_weight_never_helps(p in product(), list in feeds(), kg in 300u32..1_200) {
        let heavy = More { weight: Some(quantity(&tenths(kg), "kg")), flush_ml: Some(30), ..More::default() };
        let light = More { weight: None, ..heavy.clone() };
        let (all, before) = with(p, &list, &heavy, FhirVersion::R4, |a, o| (outcomes(o), a.disposition()));
        let (without, after) = with(p, &list, &light, FhirVersion::R4, |a, o| (outcomes(o), a.disposition()));
        prop_assert_ne!(after, Disposition::Clear);
        prop_assert!(before <= after || before == Disposition::Flagged);
        for ((id, x), (_, y)) in all.iter().zip(&without) {
            if *x != "clear" && *x != "not-applicable" {
                prop_assert!(*y != "clear", "{} went from {} to clear", id, x);
            }
        }
        let t = steady(p, &list, &light);
        for m in [M::EnergyPerKg, M::ProteinPerKg, M::VolumePerKg] {
            prop_assert!(matches!(t.get(m), Amount::Unknown(_)));
        }
    }

    /// Adding a flush changes water and total volume only.
    #[test]
    fn water_changes_only_water(p in product(), list in feeds(), ml in 1u32..200) {
        let dry = steady(p, &list, &More::default());
        let wet = steady(p, &list, &More { flush_ml: Some(ml), ..More::default() });
        let added = Exact::int(i64::from(ml) * 6);
        for m in M::ALL {
            match m {
                M::Volume | M::FreeWater => {
                    prop_assert_eq!(wet.get(*m).low(), dry.get(*m).low().and_then(|x| x.add(added)));
                    prop_assert_eq!(wet.get(*m).high(), dry.get(*m).high().and_then(|x| x.add(added)));
                }
                M::FlushVolume => prop_assert_eq!(wet.get(*m).known(), Some(added)),
                M::WaterPerEnergy | M::VolumePerKg | M::FreeWaterPerKg => {}
                _ => prop_assert_eq!(ends(wet.get(*m)), ends(dry.get(*m)), "{}", m.code()),
            }
        }
    }

    /// Unknown and known together are "at least" the known, never the known.
    #[test]
    fn unknown_and_known(known in 1i64..1_000_000, parts in 1usize..5) {
        let unknown = Amount::unknown(enteral_gate::amount::Why::ProductUnknown);
        let mut sum = Amount::Known(Exact::int(known));
        for _ in 0..parts {
            sum = sum.plus(&unknown);
        }
        prop_assert_eq!(sum.low(), Some(Exact::int(known)));
        prop_assert_eq!(sum.high(), None);
        prop_assert!(sum.known().is_none());
    }

    /// A higher rate, a denser product: no sum falls.
    #[test]
    fn monotone(list in feeds(), k in 2u32..5) {
        let a = steady("A10", &list, &More::default());
        let b = steady("A10", &list.iter().map(|f| f.times(k)).collect::<Vec<_>>(), &More::default());
        let c = steady("A15", &list, &More::default());
        prop_assert!(b.get(M::Energy).low() >= a.get(M::Energy).low());
        prop_assert!(b.get(M::Protein).high() >= a.get(M::Protein).high());
        prop_assert!(c.get(M::Energy).low() >= a.get(M::Energy).low());
    }

    /// The order of the entries says nothing.
    #[test]
    fn order_of_entries(p in product(), list in feeds()) {
        let forward = steady(p, &list, &More::default());
        let backward = steady(p, &list.iter().rev().cloned().collect::<Vec<_>>(), &More::default());
        for m in M::ALL {
            prop_assert_eq!(ends(forward.get(*m)), ends(backward.get(*m)), "{}", m.code());
        }
    }

    /// R4 and R5 of one order are one order.
    #[test]
    fn r4_is_r5(p in product(), list in feeds(), ml in 1u32..100) {
        let more = More { flush_ml: Some(ml), weight: Some(quantity("70", "kg")), ..More::default() };
        let of = |v: FhirVersion| with(p, &list, &more, v, |_, o| (o.steady.as_ref().unwrap().1.clone(), outcomes(o)));
        prop_assert_eq!(of(FhirVersion::R4), of(FhirVersion::R5));
    }

    /// A day is the sum of its parts.
    #[test]
    fn a_window_is_the_sum_of_its_parts(p in product(), list in feeds(), cut_at in 1i64..86_399) {
        with(p, &list, &More::default(), FhirVersion::R4, |_, o| {
            let start = Exact::int(1_796_000_000);
            let whole = Window { start, local: start, length: Exact::int(86_400), civil: false };
            let first = Window { length: Exact::int(cut_at), ..whole };
            let later = start.add(Exact::int(cut_at)).unwrap();
            let second = Window { start: later, local: later, length: Exact::int(86_400 - cut_at), civil: false };
            let volume = |w: Window| {
                let day = lay_plan(&o.plan, &SETTINGS, w, false);
                totals(&[(&o.plan, &day)], None).get(M::FormulaVolume).known().unwrap()
            };
            prop_assert_eq!(volume(whole), volume(first).add(volume(second)).unwrap());
            Ok(())
        })?;
    }

    /// A range holds every completion of what is missing: each frequency and each length that the order allows.
    #[test]
    fn ranges_hold_every_completion(
        t in 100u32..3_000, few in 1u32..5, more_feeds in 0u32..4, short in 10u32..60, longer in 0u32..60, a in 0u32..5, b in 0u32..61,
    ) {
        let (many, long) = (few + more_feeds, short + longer);
        let rate = t * 10;
        let entry = |frequency: String, duration: String| {
            format!(
                r#"{{"schedule":{{"repeat":{{"boundsPeriod":{{"start":"2026-11-25T07:00:00Z"}},{frequency},"period":1,"periodUnit":"d",{duration},"durationUnit":"min"}}}},"rateQuantity":{}}}"#,
                quantity(&hundredths(rate), "mL/h")
            )
        };
        let run = |entry: String| {
            let text = bundle("A12", &[entry], &More::default(), FhirVersion::R4);
            let r = appraise(text.as_bytes(), "", FhirVersion::R4, &FORMULARY, &SETTINGS);
            r.orders[0].steady.as_ref().unwrap().1.clone()
        };
        let range = run(entry(format!(r#""frequency":{few},"frequencyMax":{many}"#), format!(r#""duration":{short},"durationMax":{long}"#)));
        let completed = run(entry(format!(r#""frequency":{}"#, few + a % (more_feeds + 1)), format!(r#""duration":{}"#, short + b % (longer + 1))));
        for m in [M::FormulaVolume, M::Energy, M::Protein, M::FreeWater, M::FeedsPerDay] {
            let (low, high) = ends(range.get(m));
            let x = completed.get(m);
            prop_assert!(low <= x.low() && x.high() <= high, "{}: {:?} outside {:?}", m.code(), x, range.get(m));
        }
    }

    /// The same schedule and the same day a number of weeks later give the same figures, away from clock changes.
    #[test]
    fn shifting_the_calendar(p in product(), rate in 1_000u32..12_000, weeks in 0u32..3) {
        let at = |day: u32| {
            let text = format!(
                r#"{{"resourceType":"NutritionOrder","status":"active","intent":"order","patient":{{"reference":"Patient/p"}},"dateTime":"2026-11-{day:02}T07:00:00Z","enteralFormula":{{"baseFormulaProductName":"{p}","administration":[{{"schedule":{{"repeat":{{"boundsPeriod":{{"start":"2026-11-{day:02}T07:00:00Z"}}}}}},"rateQuantity":{}}}]}}}}"#,
                quantity(&hundredths(rate), "mL/h")
            );
            let a = appraise(text.as_bytes(), "", FhirVersion::R4, &FORMULARY, &SETTINGS);
            a.orders[0].days[0].1.clone()
        };
        prop_assert_eq!(at(4), at(4 + 7 * weeks));
    }
}

fn outcomes(o: &OrderReport<'_>) -> Vec<(String, &'static str)> {
    o.judged
        .iter()
        .map(|j| {
            let word = match j.outcome {
                Outcome::Flagged(_) => "flagged",
                Outcome::Clear => "clear",
                Outcome::NotApplicable(_) => "not-applicable",
                Outcome::NotEvaluated(..) => "not-evaluated",
                Outcome::NotProvided(_) => "not-provided",
                Outcome::Hidden(_) => "hidden",
                Outcome::Off(_) => "off",
            };
            (j.rule.id.to_string(), word)
        })
        .collect()
}

/// The default settings have no surprises for these properties.
#[test]
fn settings_of_the_properties() {
    assert_eq!(SETTINGS.asked, Asked { date: None, days: None, kind: DayKind::Elapsed, as_of: None });
}
