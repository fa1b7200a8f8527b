//! Schedules from FHIR Timing to what they deliver, and what is said of those that contradict themselves.
//!
//! Meaning of codes: v3-GTSAbbreviation and timing-abbreviation (HL7 Terminology); of `repeat`: FHIR R5, Timing. Orders
//! are invented. Every order begins on 2026-11-25 at 07:00 UTC, the hour at which the day begins.

use enteral_gate::amount::Amount;
use enteral_gate::appraise::{Appraisal, appraise};
use enteral_gate::exact::Exact;
use enteral_gate::findings::{Outcome, Tier};
use enteral_gate::formulary::Formulary;
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::nutrition::measure::Measure as M;
use enteral_gate::settings::Settings;
use enteral_gate::timing::schedule::Note;
use std::sync::LazyLock;

static FORMULARY: LazyLock<Formulary> =
    LazyLock::new(|| Formulary::from_csv("formulary.csv", include_bytes!("../deploy/demo/formulary.csv")).unwrap());

const GTS: &str = "http://terminology.hl7.org/CodeSystem/v3-GTSAbbreviation";

fn amount(value: &str, code: &str) -> String {
    format!(r#"{{"value":{value},"system":"http://unitsofmeasure.org","code":"{code}"}}"#)
}

/// An R4 order of these administrations, read with these settings.
fn order<T>(administrations: &str, settings: &Settings, look: impl Fn(&Appraisal<'_>) -> T) -> T {
    let text = format!(
        r#"{{"resourceType":"NutritionOrder","status":"active","intent":"order","patient":{{"reference":"Patient/x"}},"dateTime":"2026-11-25T07:00:00Z","enteralFormula":{{"baseFormulaProductName":"A10","administration":[{administrations}]}}}}"#
    );
    look(&appraise(text.as_bytes(), "", FhirVersion::R4, &FORMULARY, settings))
}

fn settings() -> Settings {
    Settings { day_start: 7 * 3_600, ..Settings::default() }
}

/// 100 mL by this `repeat`, with the start given.
fn repeat(members: &str) -> String {
    format!(
        r#"{{"schedule":{{"repeat":{{"boundsPeriod":{{"start":"2026-11-25T07:00:00Z"}},{members}}}}},"quantity":{}}}"#,
        amount("100", "mL")
    )
}

fn coded(system: &str, code: &str) -> String {
    format!(
        r#"{{"schedule":{{"repeat":{{"boundsPeriod":{{"start":"2026-11-25T07:00:00Z"}}}},"code":{{"coding":[{{"system":"{system}","code":"{code}"}}]}}}},"quantity":{}}}"#,
        amount("100", "mL")
    )
}

/// mL and feeds of the first day.
fn first_day(administrations: &str) -> (Amount, Amount) {
    order(administrations, &settings(), |a| {
        let totals = &a.orders[0].days[0].1;
        (totals.get(M::FormulaVolume).clone(), totals.get(M::FeedsPerDay).clone())
    })
}

fn known(n: i64) -> Amount {
    Amount::Known(Exact::int(n))
}

/// mL of the first day where it is exactly known.
fn millilitres(administrations: &str) -> Exact {
    let (volume, _) = first_day(administrations);
    volume.known().unwrap_or_else(|| panic!("{administrations}: {volume:?}"))
}

#[test]
fn a_timing_code_gives_its_feeds() {
    for (code, feeds) in [
        ("QD", 1),
        ("AM", 1),
        ("PM", 1),
        ("BED", 1),
        ("BID", 2),
        ("TID", 3),
        ("QID", 4),
        ("Q1H", 24),
        ("Q2H", 12),
        ("Q3H", 8),
        ("Q4H", 6),
        ("Q6H", 4),
        ("Q8H", 3),
        ("QOD", 1),
        ("WK", 1),
    ] {
        assert_eq!(first_day(&coded(GTS, code)), (known(100 * feeds), known(feeds)), "{code}");
    }
    // A month has no fixed length; a code of another system, or none of this one, says nothing.
    for (system, code) in [(GTS, "MO"), (GTS, "Q5H"), ("http://snomed.info/sct", "BID"), (GTS, "C")] {
        assert!(matches!(first_day(&coded(system, code)).0, Amount::Unknown(_)), "{system} {code}");
    }
}

/// Every other day and weekly: the steady cycle has days without a feed.
#[test]
fn codes_of_several_days_leave_days_out() {
    for (code, mean) in [("QOD", Exact::int(50)), ("WK", Exact::ratio(100, 7))] {
        order(&coded(GTS, code), &settings(), |a| {
            let steady = &a.orders[0].steady.as_ref().unwrap().1;
            let volume = steady.get(M::FormulaVolume);
            assert_eq!(
                (volume.low(), volume.high(), volume.mean()),
                (Some(Exact::ZERO), Some(Exact::int(100)), Some(mean))
            );
        });
    }
}

/// Clock times of a code are the institution's, where it has given as many as the code has feeds.
#[test]
fn the_institutions_clock_times_are_used_when_they_are_as_many() {
    let begins = |clock: &[u32]| {
        let mut s = settings();
        s.clock.insert("BID".to_owned(), clock.to_vec());
        order(&coded(GTS, "BID"), &s, |a| {
            let laid = &a.orders[0].days[0].0.laid;
            laid.segments.iter().map(|s| s.from).collect::<Vec<_>>()
        })
    };
    let hours = |all: &[i64]| all.iter().map(|h| Exact::int(h * 3_600)).collect::<Vec<_>>();
    // 20:00 and 09:00 lie 2 and 13 hours after the day's beginning, however they are listed.
    assert_eq!(begins(&[20 * 3_600, 9 * 3_600]), hours(&[2, 13]));
    for too_few_or_many in [&[9 * 3_600][..], &[9 * 3_600, 12 * 3_600, 20 * 3_600]] {
        assert_eq!(begins(too_few_or_many), hours(&[0, 12]));
    }
}

/// Events of the day at the institution's times; the offset is minutes before or after, as the code says (FHIR: `offset`).
#[test]
fn events_of_the_day_come_at_the_institutions_times() {
    let begins = |members: &str| {
        let mut s = settings();
        s.clock.insert("ACM".to_owned(), vec![8 * 3_600]);
        s.clock.insert("ACV".to_owned(), vec![18 * 3_600]);
        order(&repeat(members), &s, |a| {
            a.orders[0].days[0].0.laid.segments.iter().map(|s| s.from.floor() / 60).collect::<Vec<_>>()
        })
    };
    assert_eq!(begins(r#""when":["ACM","ACV"]"#), [60, 660]);
    assert_eq!(begins(r#""when":["ACM"],"offset":30"#), [30]);
    assert_eq!(begins(r#""when":["ACM"],"timeOfDay":["12:00:00"]"#), Vec::<i128>::new(), "both at once cannot be laid");
}

/// An event without a time of the institution's counts, at a time of its own.
#[test]
fn events_without_a_time_are_counted_and_do_not_coincide() {
    let (volume, feeds) = first_day(&repeat(r#""when":["ACM","ACD","ACV"]"#));
    assert_eq!((volume, feeds), (known(300), known(3)));
    order(&repeat(r#""when":["ACM","ACD","ACV"]"#), &settings(), |a| {
        let mut begins: Vec<_> = a.orders[0].days[0].0.laid.segments.iter().map(|s| s.from).collect();
        assert_eq!(begins.len(), 3);
        begins.dedup();
        assert_eq!(begins.len(), 3);
        assert_eq!(begins, [0, 8, 16].map(|h| Exact::int(h * 3_600)));
    });
    // How many meals `C` stands for is not said.
    assert!(matches!(first_day(&repeat(r#""when":["C"]"#)).0, Amount::Unknown(_)));
}

#[test]
fn frequencies_and_periods_are_laid_out() {
    for (members, volume, feeds) in [
        (r#""frequency":1,"period":4,"periodUnit":"h""#, 600, 6),
        (r#""frequency":3,"period":1,"periodUnit":"d""#, 300, 3),
        (r#""period":6,"periodUnit":"h""#, 400, 4),
        (r#""frequency":1,"period":90,"periodUnit":"min""#, 1_600, 16),
        (r#""frequency":14,"period":1,"periodUnit":"wk""#, 200, 2),
        (r#""frequency":1,"period":2,"periodUnit":"d""#, 100, 1),
        (r#""timeOfDay":["08:00:00","12:00:00","18:00:00"]"#, 300, 3),
        (r#""timeOfDay":["08:00:00","20:00:00"],"frequency":2,"period":1,"periodUnit":"d""#, 200, 2),
        (r#""timeOfDay":["08:00:00"],"period":2,"periodUnit":"d""#, 100, 1),
        (r#""count":1"#, 100, 1),
        (r#""count":2,"frequency":1,"period":4,"periodUnit":"h""#, 200, 2),
        (r#""dayOfWeek":["wed"]"#, 100, 1),
        (r#""dayOfWeek":["thu"]"#, 0, 0),
        (r#""dayOfWeek":["wed","thu"],"timeOfDay":["08:00:00"]"#, 100, 1),
        // Of 08:00 on the 25th (a Wednesday) and 06:00 on the 26th only the second lies on a Thursday.
        (r#""dayOfWeek":["thu"],"timeOfDay":["08:00:00","06:00:00"]"#, 100, 1),
    ] {
        assert_eq!(first_day(&repeat(members)), (known(volume), known(feeds)), "{members}");
    }
    for members in [
        r#""frequency":3"#,
        r#""count":3"#,
        r#""duration":2,"durationUnit":"h""#,
        r#""timeOfDay":["08:00:00"],"period":36,"periodUnit":"h""#,
        r#""frequency":1,"period":0,"periodUnit":"h""#,
        r#""frequency":1,"period":4"#,
    ] {
        assert!(first_day(&repeat(members)).0.known().is_none(), "{members}: {:?}", first_day(&repeat(members)));
    }
}

#[test]
fn a_range_of_frequencies_or_periods_is_a_range_of_feeds() {
    for (members, low, high) in [
        (r#""frequency":4,"frequencyMax":6,"period":1,"periodUnit":"d""#, 400, 600),
        (r#""frequency":1,"period":4,"periodMax":6,"periodUnit":"h""#, 400, 600),
        (r#""count":2,"countMax":3,"frequency":1,"period":4,"periodUnit":"h""#, 200, 300),
    ] {
        let (volume, feeds) = first_day(&repeat(members));
        assert_eq!((volume.low(), volume.high()), (Some(Exact::int(low)), Some(Exact::int(high))), "{members}");
        assert_eq!(feeds.high(), Some(Exact::int(high / 100)), "{members}");
        assert!(!volume.why().is_empty());
    }
    // The larger end below the smaller.
    for members in [
        r#""frequency":6,"frequencyMax":4,"period":1,"periodUnit":"d""#,
        r#""frequency":1,"period":6,"periodMax":4,"periodUnit":"h""#,
        r#""count":3,"countMax":2,"frequency":1,"period":4,"periodUnit":"h""#,
        r#""frequency":1,"period":4,"periodUnit":"h","duration":2,"durationMax":1,"durationUnit":"h""#,
    ] {
        assert!(matches!(first_day(&repeat(members)).0, Amount::Unknown(_)), "{members}");
    }
}

/// Clock times and a number of feeds that do not agree: neither is picked.
#[test]
fn times_against_a_count_are_a_range() {
    let (volume, _) =
        first_day(&repeat(r#""timeOfDay":["08:00:00","12:00:00"],"frequency":3,"period":1,"periodUnit":"d""#));
    assert_eq!((volume.low(), volume.high()), (Some(Exact::int(200)), Some(Exact::int(300))));
    let (volume, _) = first_day(&repeat(
        r#""timeOfDay":["08:00:00","12:00:00","16:00:00"],"frequency":2,"period":1,"periodUnit":"d""#,
    ));
    assert_eq!((volume.low(), volume.high()), (Some(Exact::int(200)), Some(Exact::int(300))));
    // A count that holds the times is no contradiction.
    let agreed = r#""timeOfDay":["08:00:00","12:00:00"],"frequency":1,"frequencyMax":3,"period":1,"periodUnit":"d""#;
    assert_eq!(first_day(&repeat(agreed)).0, known(200));
    // A time that is written twice is given once, and said.
    assert_eq!(first_day(&repeat(r#""timeOfDay":["08:00:00","08:00:00","12:00:00"]"#)).0, known(200));
}

/// A pump rate with a schedule of runs: rate × duration each (derived).
#[test]
fn runs_of_a_rate_last_their_duration() {
    let run = |members: &str, rate: &str| {
        format!(
            r#"{{"schedule":{{"repeat":{{"boundsPeriod":{{"start":"2026-11-25T07:00:00Z"}},{members}}}}},"rateQuantity":{}}}"#,
            amount(rate, "mL/h")
        )
    };
    for (members, rate, volume) in [
        (r#""timeOfDay":["20:00:00"],"duration":10,"durationUnit":"h""#, "80", 800),
        (r#""timeOfDay":["08:00:00","20:00:00"],"duration":90,"durationUnit":"min""#, "100", 300),
        // The run that begins at 22:00 is cut at 07:00 by the end of the day: 9 of 12 hours.
        (r#""timeOfDay":["22:00:00"],"duration":12,"durationUnit":"h""#, "100", 900),
        (r#""frequency":1,"period":6,"periodUnit":"h","duration":2,"durationUnit":"h""#, "50", 400),
    ] {
        assert_eq!(millilitres(&run(members, rate)), Exact::int(volume), "{members}");
    }
    let (volume, _) =
        first_day(&run(r#""timeOfDay":["20:00:00"],"duration":8,"durationMax":10,"durationUnit":"h""#, "80"));
    assert_eq!((volume.low(), volume.high()), (Some(Exact::int(640)), Some(Exact::int(800))));
}

/// A feed lasts until it is over, also beyond its day.
#[test]
fn bounds_end_the_feeding() {
    let bounded =
        |bounds: &str| format!(r#"{{"schedule":{{"repeat":{{{bounds}}}}},"rateQuantity":{}}}"#, amount("60", "mL/h"));
    let until = |end: &str| bounded(&format!(r#""boundsPeriod":{{"start":"2026-11-25T07:00:00Z","end":"{end}"}}"#));
    assert_eq!(millilitres(&until("2026-11-25T17:00:00Z")), Exact::int(600));
    assert_eq!(millilitres(&until("2026-11-26T07:00:00Z")), Exact::int(1_440));
    assert_eq!(millilitres(&until("2026-11-27T07:00:00Z")), Exact::int(1_440));
    assert!(matches!(first_day(&until("2026-11-24T07:00:00Z")).0, Amount::Unknown(_)), "ends before it begins");
}

/// Two pump rates of one feed are steps: the first ends where the second begins.
#[test]
fn a_later_rate_takes_the_place_of_the_one_before() {
    let rate = |start: &str, rate: &str| {
        format!(
            r#"{{"schedule":{{"repeat":{{"boundsPeriod":{{"start":"2026-11-25T{start}:00Z"}}}}}},"rateQuantity":{}}}"#,
            amount(rate, "mL/h")
        )
    };
    let steps = format!("{},{}", rate("07:00", "20"), rate("13:00", "40"));
    assert_eq!(millilitres(&steps), Exact::int(6 * 20 + 18 * 40));
    let steps = format!("{},{},{}", rate("07:00", "20"), rate("19:00", "60"), rate("13:00", "40"));
    assert_eq!(millilitres(&steps), Exact::int(6 * 20 + 6 * 40 + 12 * 60));
    // At the same moment neither can take the place of the other: they add up, and that is said.
    let twice = format!("{},{}", rate("07:00", "20"), rate("07:00", "40"));
    assert_eq!(millilitres(&twice), Exact::int(24 * 60));
}

/// Bounded rates: a pause of more than an hour between them is said, one of an hour is not; neither is a change of rate.
#[test]
fn pauses_and_overlaps_between_rates_are_seen() {
    use enteral_gate::nutrition::plan::Plan;
    let rate = |start: &str, end: &str| {
        format!(
            r#"{{"schedule":{{"repeat":{{"boundsPeriod":{{"start":"2026-11-25T{start}:00Z","end":"2026-11-25T{end}:00Z"}}}}}},"rateQuantity":{}}}"#,
            amount("50", "mL/h")
        )
    };
    let settled = |a: &str, b: &str| {
        order(&format!("{a},{b}"), &settings(), |a| {
            let plan: &Plan = &a.orders[0].plan;
            (plan.settled.gaps.iter().map(|g| g.2).collect::<Vec<_>>(), plan.settled.overlaps.len())
        })
    };
    assert_eq!(settled(&rate("08:00", "10:00"), &rate("10:00", "12:00")), (vec![], 0));
    assert_eq!(settled(&rate("08:00", "10:00"), &rate("11:00", "12:00")), (vec![], 0));
    assert_eq!(settled(&rate("08:00", "10:00"), &rate("11:01", "12:00")), (vec![Exact::int(3_660)], 0));
}

#[test]
fn what_contradicts_itself_is_named() {
    for (members, words) in [
        (r#""timeOfDay":["08:00:00","12:00:00"],"frequency":3,"period":1,"periodUnit":"d""#, "3"),
        (r#""timeOfDay":["08:00:00","08:00:00"]"#, "given more than once"),
        (r#""frequency":6,"frequencyMax":4,"period":1,"periodUnit":"d""#, "below"),
    ] {
        let all: String = order(&repeat(members), &settings(), |a| {
            a.orders[0]
                .judged
                .iter()
                .filter_map(|j| if let Outcome::Flagged(f) = &j.outcome { Some(f) } else { None })
                .flatten()
                .map(|f| f.text.clone() + "\n")
                .collect()
        });
        assert!(all.contains(words), "{members}: {all}");
    }
}

/// What the rules of one schedule say: rule, tier and text, in the order of the rules.
fn told(a: &Appraisal<'_>) -> Vec<(String, Tier, String)> {
    const RULES: [&str; 5] = ["CON-11", "CON-12", "CON-06", "CON-01", "CON-09"];
    let judged = a.orders[0].judged.iter().filter(|j| RULES.contains(&&*j.rule.id));
    let found = judged.filter_map(|j| match &j.outcome {
        Outcome::Flagged(all) => Some((j.rule.id.to_string(), all)),
        _ => None,
    });
    found.flat_map(|(id, all)| all.iter().map(move |f| (id.clone(), f.tier, f.text.clone()))).collect()
}

#[test]
fn each_contradiction_has_its_rule_and_its_words() {
    let rate = |members: &str| {
        format!(
            r#"{{"schedule":{{"repeat":{{"boundsPeriod":{{"start":"2026-11-25T07:00:00Z"}},{members}}}}},"rateQuantity":{}}}"#,
            amount("60", "mL/h")
        )
    };
    for (administration, rule, tier, words) in [
        (coded(GTS, "MO"), "CON-11", Tier::High, "`MO` has no fixed length"),
        (coded(GTS, "Q5H"), "CON-11", Tier::High, "The timing “Q5H” is text, or a code that is not known here"),
        (
            repeat(r#""frequency":6,"frequencyMax":4,"period":1,"periodUnit":"d""#),
            "CON-11",
            Tier::High,
            "The timing cannot be computed: frequencyMax is below frequency.",
        ),
        (
            rate(r#""timeOfDay":["08:00:00"]"#),
            "CON-11",
            Tier::High,
            "A rate is given at stated times without a duration: when it stops is not stated.",
        ),
        (
            repeat(r#""timeOfDay":["08:00:00","12:00:00"],"frequency":3,"period":1,"periodUnit":"d""#),
            "CON-06",
            Tier::High,
            "2 clock times are given, but 3 feeds are stated.",
        ),
        (
            repeat(r#""timeOfDay":["08:00:00","08:00:00"]"#),
            "CON-06",
            Tier::Low,
            "1 clock time(s) given more than once; each was counted once.",
        ),
        (
            format!(
                r#"{{"schedule":{{"code":{{"coding":[{{"system":"{GTS}","code":"BID"}}]}},"repeat":{{"frequency":3,"period":1,"periodUnit":"d"}}}},"quantity":{}}}"#,
                amount("100", "mL")
            ),
            "CON-12",
            Tier::High,
            "The timing code BID means 2 a day, the repeat 3. Neither was used.",
        ),
    ] {
        order(&administration, &settings(), |a| {
            let all = told(a);
            let hit = all.iter().any(|(id, t, text)| id == rule && *t == tier && text.contains(words));
            assert!(hit, "{administration}: {all:?}");
        });
    }
    // A code that says what the repeat says is no contradiction.
    let agreed = format!(
        r#"{{"schedule":{{"code":{{"coding":[{{"system":"{GTS}","code":"TID"}}]}},"repeat":{{"boundsPeriod":{{"start":"2026-11-25T07:00:00Z"}},"frequency":3,"period":1,"periodUnit":"d"}}}},"quantity":{}}}"#,
        amount("100", "mL")
    );
    assert_eq!(order(&agreed, &settings(), told), []);
    assert_eq!(first_day(&agreed).0, known(300));
    let state = order(
        &repeat(r#""timeOfDay":["08:00:00","12:00:00"],"frequency":3,"period":1,"periodUnit":"d""#),
        &settings(),
        |a| {
            let judged = a.orders[0].judged.iter().find(|j| j.rule.id == "CON-06").unwrap();
            let Outcome::Flagged(all) = &judged.outcome else { panic!("{:?}", judged.outcome) };
            all[0].fix.clone()
        },
    );
    assert_eq!(state.as_deref(), Some("State 2 feeds, or 3 clock times."));
}

/// R5 gives an entry several timings: they are a union, and what two of them say alike is given once.
#[test]
fn timings_of_one_entry_are_a_union() {
    let union = |timings: &str| {
        let text = format!(
            r#"{{"resourceType":"NutritionOrder","status":"active","intent":"order","subject":{{"reference":"Patient/x"}},"dateTime":"2026-11-25T07:00:00Z","enteralFormula":{{"baseFormulaType":{{"concept":{{"coding":[{{"system":"https://enteral-gate.example/fhir/CodeSystem/invented-products","code":"A10"}}]}}}},"administration":[{{"schedule":{{"timing":[{timings}]}},"quantity":{}}}]}}}}"#,
            amount("100", "mL")
        );
        let s = settings();
        let a = appraise(text.as_bytes(), "", FhirVersion::R5, &FORMULARY, &s);
        let said =
            told(&a).iter().any(|t| t.2 == "Two timings of one entry name the same times; they were counted once.");
        (a.orders[0].days[0].1.get(M::FormulaVolume).clone(), said)
    };
    let at = |times: &str| format!(r#"{{"repeat":{{"timeOfDay":[{times}]}}}}"#);
    let (eight, noon, both) = (at(r#""08:00:00""#), at(r#""12:00:00""#), at(r#""08:00:00","12:00:00""#));
    assert_eq!(union(&format!("{eight},{noon}")), (known(200), false));
    assert_eq!(union(&format!("{eight},{eight}")), (known(100), true));
    assert_eq!(union(&format!("{eight},{both}")), (known(200), true));
    assert_eq!(union(&format!("{both},{noon}")), (known(200), true));
    // What is not certain itself is not said twice: 08:00, and 08:00, 12:00 and 16:00 of which perhaps only two.
    let open =
        r#"{"repeat":{"timeOfDay":["08:00:00","12:00:00","16:00:00"],"frequency":2,"period":1,"periodUnit":"d"}}"#;
    for timings in [format!("{eight},{open}"), format!("{open},{eight}")] {
        let (volume, said) = union(&timings);
        assert_eq!(
            (volume.low(), volume.high(), said),
            (Some(Exact::int(300)), Some(Exact::int(400)), false),
            "{timings}"
        );
    }
    // On other days, with another end or another count, the same hour is another feed.
    let on = |more: &str| format!(r#"{{"repeat":{{"timeOfDay":["08:00:00","12:00:00"],{more}}}}}"#);
    let wednesdays = on(r#""dayOfWeek":["wed"]"#);
    assert_eq!(union(&format!("{eight},{wednesdays}")), (known(300), false));
    let ending = on(r#""boundsPeriod":{"start":"2026-11-25T07:00:00Z","end":"2026-12-25T07:00:00Z"}"#);
    let starting = on(r#""boundsPeriod":{"start":"2026-11-25T07:00:00Z"}"#);
    assert_eq!(union(&format!("{starting},{ending}")), (known(400), false));
    let counted = on(r#""boundsPeriod":{"start":"2026-11-25T07:00:00Z"},"count":10"#);
    assert_eq!(union(&format!("{starting},{counted}")), (known(400), false));
    let every_other = on(r#""boundsPeriod":{"start":"2026-11-25T07:00:00Z"},"period":2,"periodUnit":"d""#);
    assert_eq!(union(&format!("{starting},{every_other}")), (known(400), false));
    // Nor are an interval and clock times the same, though they may fall together.
    let interval =
        r#"{"repeat":{"boundsPeriod":{"start":"2026-11-25T08:00:00Z"},"frequency":1,"period":4,"periodUnit":"h"}}"#;
    assert!(union(&format!("{interval},{interval}")).1);
}

/// Which entries replace one another, and which add up: two feeds of the same kind with another start are steps; with a
/// count, an end, another interval or another time of day they are not.
#[test]
fn feeds_of_another_kind_add_up() {
    let feed = |start: &str, ml: &str, members: &str| {
        format!(
            r#"{{"schedule":{{"repeat":{{"boundsPeriod":{{"start":"2026-11-25T{start}:00Z"}},{members}}}}},"quantity":{}}}"#,
            amount(ml, "mL")
        )
    };
    let both = |a: &str, b: &str| {
        order(&format!("{},{}", feed("07:00", "100", a), feed("19:00", "200", b)), &settings(), |a| {
            let plan = &a.orders[0].plan;
            (plan.settled.steps.len(), a.orders[0].days[0].1.get(M::FormulaVolume).clone())
        })
    };
    let four = r#""frequency":1,"period":4,"periodUnit":"h""#;
    // 07:00, 11:00 and 15:00 at 100 mL, then 19:00, 23:00 and 03:00 at 200 mL.
    assert_eq!(both(four, four), (1, known(900)));
    // Another interval: all six of 100 mL and four of 200 mL (19:00, 22:00, 01:00, 04:00).
    assert_eq!(both(four, r#""frequency":1,"period":3,"periodUnit":"h""#), (0, known(1_400)));
    // With a count the second does not go on from the first.
    assert_eq!(both(four, r#""frequency":1,"period":4,"periodUnit":"h","count":2"#), (0, known(1_000)));
    assert_eq!(both(r#""frequency":1,"period":4,"periodUnit":"h","count":2"#, four), (0, known(800)));
    // Stated clock times have to be the same.
    let at = |times: &str| format!(r#""timeOfDay":[{times}]"#);
    let (day, night) = (at(r#""08:00:00","20:00:00""#), at(r#""09:00:00","21:00:00""#));
    assert_eq!(both(&day, &day), (1, known(300)));
    assert_eq!(both(&day, &night), (0, known(100 * 2 + 200)));
    assert_eq!(both(&day, &at(r#""20:00:00""#)).0, 0);
    // And they have to be on the same days.
    assert_eq!(both(&day, &format!(r#"{day},"period":2,"periodUnit":"d""#)).0, 0);
    assert_eq!(both(&day, &format!(r#"{day},"dayOfWeek":["wed","thu"]"#)).0, 0);
    // On named days, once: the hour is that of the start.
    assert_eq!(both(r#""dayOfWeek":["wed","thu"]"#, r#""dayOfWeek":["wed","thu"]"#).0, 1);
    assert_eq!(both(r#""dayOfWeek":["wed","thu"]"#, r#""dayOfWeek":["wed","fri"]"#).0, 0);
    // Of ranges both ends have to be the same.
    let times = |n: &str| format!(r#""frequency":{n},"period":1,"periodUnit":"d""#);
    let (four_to_six, three_to_six) = (times(r#"4,"frequencyMax":6"#), times(r#"3,"frequencyMax":6"#));
    assert_eq!(both(&four_to_six, &four_to_six).0, 1);
    assert_eq!(both(&four_to_six, &three_to_six).0, 0);
    assert_eq!(both(&four_to_six, &times("4")).0, 0);
    // Evenly spaced feeds shift with their start.
    let three = r#""frequency":3,"period":1,"periodUnit":"d""#;
    assert_eq!(both(three, three).0, 1);
    assert_eq!(both(three, r#""frequency":4,"period":1,"periodUnit":"d""#).0, 0);
    assert_eq!(both(three, r#""frequency":3,"period":2,"periodUnit":"d""#).0, 0);
    // A feed at the hour of sleep does not take the place of one before breakfast.
    assert_eq!(both(r#""when":["HS"]"#, r#""when":["ACM"]"#).0, 0);
    assert_eq!(both(r#""when":["HS"]"#, r#""when":["HS"]"#).0, 1);
    let on_days = |when: &str| {
        format!(r#""when":["{when}"],"dayOfWeek":["wed","thu"],"frequency":2,"period":1,"periodUnit":"wk""#)
    };
    assert_eq!(both(&on_days("HS"), &on_days("ACM")).0, 0);
    assert_eq!(both(&on_days("HS"), &on_days("HS")).0, 1);
    // Nor does a feed replace a pump rate.
    let rate = format!(
        r#"{{"schedule":{{"repeat":{{"boundsPeriod":{{"start":"2026-11-25T07:00:00Z"}}}}}},"rateQuantity":{}}}"#,
        amount("10", "mL/h")
    );
    let mixed = format!("{rate},{}", feed("19:00", "200", four));
    assert_eq!(millilitres(&mixed), Exact::int(240 + 600));
}

/// Entries with bounds of their own do not replace one another; overlaps and pauses are seen in any order.
#[test]
fn bounded_rates_are_looked_at_in_pairs() {
    let rate = |start: &str, end: Option<&str>| {
        let end = end.map_or(String::new(), |end| format!(r#","end":"2026-11-25T{end}:00Z""#));
        format!(
            r#"{{"schedule":{{"repeat":{{"boundsPeriod":{{"start":"2026-11-25T{start}:00Z"{end}}}}}}},"rateQuantity":{}}}"#,
            amount("50", "mL/h")
        )
    };
    let settled = |entries: &[String]| {
        order(&entries.join(","), &settings(), |a| {
            let s = &a.orders[0].plan.settled;
            (s.steps.len(), s.overlaps.clone(), s.gaps.clone(), s.doubled.clone())
        })
    };
    let hour = |n: i64| Exact::int(3_600 * n);
    let (a, b) = (rate("08:00", Some("12:00")), rate("11:00", Some("14:00")));
    assert_eq!(settled(&[a.clone(), b.clone()]), (0, vec![(0, 1)], vec![], vec![]));
    assert_eq!(settled(&[b, a]), (0, vec![(1, 0)], vec![], vec![]));
    let (a, b) = (rate("08:00", Some("10:00")), rate("13:00", Some("14:00")));
    assert_eq!(settled(&[a.clone(), b.clone()]), (0, vec![], vec![(0, 1, hour(3))], vec![]));
    assert_eq!(settled(&[b, a]), (0, vec![], vec![(1, 0, hour(3))], vec![]));
    // One that runs on beside one that ends.
    let (a, b) = (rate("08:00", None), rate("13:00", Some("14:00")));
    assert_eq!(settled(&[a, b]), (0, vec![(0, 1)], vec![], vec![]));
    let (a, b) = (rate("08:00", Some("10:00")), rate("13:00", None));
    assert_eq!(settled(&[a, b]), (0, vec![], vec![(0, 1, hour(3))], vec![]));
    // Two that begin together and run on are counted twice, and said once.
    let (a, b) = (rate("08:00", None), rate("08:00", None));
    assert_eq!(settled(&[a, b]), (0, vec![], vec![], vec![(0, 1)]));
    let all = settled(&[rate("08:00", None), rate("12:00", None), rate("20:00", None)]);
    assert_eq!(all, (1, vec![], vec![], vec![]));
}

/// A rate that ends within an hour of where the next begins goes over into it; two that begin together do not, also where
/// one of them is over within the hour.
#[test]
fn rates_that_begin_together_do_not_follow_each_other() {
    let rate = |start: &str, end: &str, ml: &str| {
        format!(
            r#"{{"schedule":{{"repeat":{{"boundsPeriod":{{"start":"2026-11-25T{start}:00Z","end":"2026-11-25T{end}:00Z"}}}}}},"rateQuantity":{}}}"#,
            amount(ml, "mL/h")
        )
    };
    let advances =
        |a: &str, b: &str| order(&format!("{a},{b}"), &settings(), |a| a.orders[0].plan.settled.advances.clone());
    let (short, long) = (rate("08:00", "08:30", "50"), rate("08:00", "12:00", "75"));
    assert_eq!(advances(&short, &long), Vec::<Vec<usize>>::new());
    assert_eq!(advances(&long, &short), Vec::<Vec<usize>>::new());
    assert_eq!(advances(&short, &rate("08:30", "12:00", "75")), [[0, 1]]);
    assert_eq!(advances(&short, &rate("09:30", "12:00", "75")), [[0, 1]]);
    assert_eq!(advances(&short, &rate("09:31", "12:00", "75")), Vec::<Vec<usize>>::new());
}

/// FHIR's `bounds[x]`: a period, a duration, a range of durations.
#[test]
fn the_length_of_a_schedule_may_be_a_duration_or_a_range() {
    let bounded =
        |bounds: &str| format!(r#"{{"schedule":{{"repeat":{{{bounds}}}}},"rateQuantity":{}}}"#, amount("60", "mL/h"));
    let duration = |value: &str, unit: &str| bounded(&format!(r#""boundsDuration":{}"#, amount(value, unit)));
    // Begins with the order at 07:00.
    assert_eq!(millilitres(&duration("5", "d")), Exact::int(1_440));
    let range = |low: &str, high: &str| {
        bounded(&format!(r#""boundsRange":{{"low":{},"high":{}}}"#, amount(low, "d"), amount(high, "d")))
    };
    assert_eq!(first_day(&range("5", "7")).0.high(), Some(Exact::int(1_440)));
    for broken in [range("7", "5"), duration("5", "mL"), duration("0", "h"), duration("5", "mo")] {
        assert!(first_day(&broken).0.known().is_none(), "{broken}: {:?}", first_day(&broken).0);
    }
}

/// Numbers that cannot be what they stand for (FHIR: positiveInt, and a decimal above 0).
#[test]
fn numbers_that_cannot_be_are_refused_with_their_name() {
    for (members, words) in [
        (r#""frequency":0,"period":1,"periodUnit":"d""#, "frequency has no usable value"),
        (r#""frequency":1.5,"period":1,"periodUnit":"d""#, "frequency has no usable value"),
        (r#""frequency":1,"period":0,"periodUnit":"h""#, "period must be above 0, found 0"),
        (r#""frequency":1,"period":-4,"periodUnit":"h""#, "period has no usable value"),
        (r#""frequency":1,"period":1,"periodUnit":"mo""#, "period is in months or years, which have no fixed length"),
        (r#""frequency":1,"period":1,"periodUnit":"a""#, "period is in months or years, which have no fixed length"),
        (r#""frequency":1,"period":4"#, "period has no usable unit of time"),
        (r#""count":0,"frequency":1,"period":4,"periodUnit":"h""#, "count has no usable value"),
        (r#""count":3"#, "a count without a frequency or times"),
        (r#""frequency":3"#, "a frequency without a period"),
        (r#""duration":2,"durationUnit":"h""#, "a duration without a frequency or times"),
        (
            r#""timeOfDay":["08:00:00"],"period":36,"periodUnit":"h""#,
            "clock times with a period that is not whole days",
        ),
        (r#""timeOfDay":["08:00:00"],"when":["HS"]"#, "clock times and event times together"),
    ] {
        order(&repeat(members), &settings(), |a| {
            let all = told(a);
            assert!(all.iter().any(|(id, _, text)| id == "CON-11" && text.contains(words)), "{members}: {all:?}");
            let volume = a.orders[0].days[0].1.get(M::FormulaVolume);
            assert!(matches!(volume, Amount::Unknown(_)), "{members}: {volume:?}");
        });
    }
}

/// A rate with feeds of a duration: a run that lasts as long as its interval goes on without pause, a longer one overlaps.
#[test]
fn a_run_may_last_as_long_as_its_interval() {
    let run = |hours: &str| {
        format!(
            r#"{{"schedule":{{"repeat":{{"boundsPeriod":{{"start":"2026-11-25T07:00:00Z"}},"frequency":1,"period":4,"periodUnit":"h","duration":{hours},"durationUnit":"h"}}}},"rateQuantity":{}}}"#,
            amount("50", "mL/h")
        )
    };
    let overlaps = |administration: &str| {
        order(administration, &settings(), |a| {
            let judged = a.orders[0].judged.iter().find(|j| j.rule.id == "CON-05").unwrap();
            matches!(judged.outcome, Outcome::Flagged(_))
        })
    };
    assert_eq!(millilitres(&run("4")), Exact::int(1_200));
    assert!(!overlaps(&run("4")));
    assert_eq!(millilitres(&run("3")), Exact::int(900));
    assert!(!overlaps(&run("3")));
    assert!(overlaps(&run("5")));
    // A pump does not run twice at once.
    assert_eq!(millilitres(&run("5")), Exact::int(1_200));
}

/// A maximum below the schedule: what is given lies between the maximum and the schedule; it is below only by more than
/// the larger of 0.5 % and 1 mL (`docs/calculation.md`).
#[test]
fn a_maximum_cuts_where_it_is_reached() {
    let with = |administrations: &str, cap: &str| {
        let text = format!(
            r#"{{"resourceType":"NutritionOrder","status":"active","intent":"order","patient":{{"reference":"Patient/x"}},"dateTime":"2026-11-25T07:00:00Z","enteralFormula":{{"baseFormulaProductName":"A10","administration":[{administrations}],"maxVolumeToDeliver":{}}}}}"#,
            amount(cap, "mL/d")
        );
        let s = settings();
        let a = appraise(text.as_bytes(), "", FhirVersion::R4, &FORMULARY, &s);
        let (day, totals) = &a.orders[0].days[0];
        let cap = day.laid.cap.map(|c| (c.cap, c.scheduled, c.at));
        (totals.get(M::FormulaVolume).clone(), totals.get(M::FeedsPerDay).clone(), cap)
    };
    let rate = |ml: &str, start: &str, end: Option<&str>| {
        let end = end.map_or(String::new(), |end| format!(r#","end":"2026-11-25T{end}:00Z""#));
        format!(
            r#"{{"schedule":{{"repeat":{{"boundsPeriod":{{"start":"2026-11-25T{start}:00Z"{end}}}}}}},"rateQuantity":{}}}"#,
            amount(ml, "mL/h")
        )
    };
    let ends = |a: &Amount| (a.low().unwrap(), a.high().unwrap());
    let (all, ml) = (rate("60", "07:00", None), Exact::int);
    // 1440 mL: 0.5 % of 1433 are 7.165, of 1432 are 7.16.
    assert_eq!(with(&all, "1433").0, known(1_440));
    assert_eq!(ends(&with(&all, "1432").0), (ml(1_432), ml(1_440)));
    let (volume, _, cap) = with(&all, "1200");
    assert_eq!(ends(&volume), (ml(1_200), ml(1_440)));
    assert_eq!(cap, Some((ml(1_200), ml(1_440), ml(20 * 3_600))));
    // 100 mL: the tolerance is 1 mL.
    let short = rate("50", "07:00", Some("09:00"));
    assert_eq!(with(&short, "99").0, known(100));
    assert_eq!(ends(&with(&short, "98").0), (ml(98), ml(100)));
    // Feeds at once: the third brings the maximum; what is left of it is given, the fourth is not.
    let four = repeat(r#""frequency":1,"period":6,"periodUnit":"h""#);
    let (volume, feeds, cap) = with(&four, "250");
    assert_eq!((ends(&volume), ends(&feeds)), ((ml(250), ml(400)), (ml(3), ml(4))));
    assert_eq!(cap, Some((ml(250), ml(400), ml(12 * 3_600))));
    // Exactly reached by the second: the third does not begin.
    let (volume, feeds, _) = with(&four, "200");
    assert_eq!((ends(&volume), ends(&feeds)), ((ml(200), ml(400)), (ml(2), ml(4))));
    // Two lines: 20 and 40 mL/h reach 600 mL after 10 h, with 200 and 400 mL.
    let two = format!("{},{}", rate("20", "07:00", Some("17:00")), rate("40", "07:00", Some("23:00")));
    let (volume, _, cap) = with(&two, "600");
    assert_eq!(ends(&volume), (ml(600), ml(200 + 640)));
    assert_eq!(cap.unwrap().2, ml(10 * 3_600));
}

/// Weekdays are those that the clock shows; 2026-11-25 is a Wednesday.
#[test]
fn weekdays_are_those_of_the_calendar() {
    for (day, feeds) in [("mon", 0), ("tue", 0), ("wed", 1), ("thu", 0), ("fri", 0), ("sat", 0), ("sun", 0)] {
        let members = format!(r#""dayOfWeek":["{day}"],"timeOfDay":["12:00:00"]"#);
        assert_eq!(first_day(&repeat(&members)), (known(100 * feeds), known(feeds)), "{day}");
    }
    // Every 4 h on Wednesdays only: 07:00 to 23:00; at 03:00 it is Thursday.
    let members = r#""dayOfWeek":["wed"],"frequency":1,"period":4,"periodUnit":"h""#;
    assert_eq!(first_day(&repeat(members)), (known(500), known(5)));
    let members = r#""dayOfWeek":["thu"],"frequency":1,"period":4,"periodUnit":"h""#;
    assert_eq!(first_day(&repeat(members)), (known(100), known(1)));
    order(&repeat(r#""dayOfWeek":["mon","wed","fri"],"timeOfDay":["12:00:00"]"#), &settings(), |a| {
        let steady = &a.orders[0].steady.as_ref().unwrap().1;
        assert_eq!(steady.get(M::FormulaVolume).mean(), Some(Exact::ratio(300, 7)));
    });
}

/// "Twice a week, on Monday and Thursday": the weekdays place the feeds, whatever day the order begins on.
#[test]
fn named_weekdays_place_the_feeds_of_a_week() {
    let weekly = |members: &str| repeat(&format!(r#"{members},"period":1,"periodUnit":"wk""#));
    // 2026-11-25 is a Wednesday. Two feeds of 100 mL a week are 200/7 mL a day in the mean; at two times of day 400/7.
    for (members, first, mean) in [
        (r#""dayOfWeek":["mon","thu"],"frequency":2"#, 0, 200),
        (r#""dayOfWeek":["wed","sun"],"frequency":2"#, 100, 200),
        (r#""dayOfWeek":["mon"],"frequency":1,"timeOfDay":["09:00:00"]"#, 0, 100),
        (r#""dayOfWeek":["wed"],"frequency":1,"timeOfDay":["09:00:00"]"#, 100, 100),
        (r#""dayOfWeek":["wed","thu"],"frequency":4,"timeOfDay":["09:00:00","15:00:00"]"#, 200, 400),
        (r#""dayOfWeek":["wed","thu"],"timeOfDay":["09:00:00","15:00:00"]"#, 200, 400),
        (r#""dayOfWeek":["wed","thu"]"#, 100, 200),
        (r#""dayOfWeek":["wed","thu"],"frequency":1,"frequencyMax":3"#, 100, 200),
    ] {
        order(&weekly(members), &settings(), |a| {
            assert_eq!(
                told(a).iter().filter(|(_, tier, _)| *tier == Tier::High).count(),
                0,
                "{members}: {:?}",
                told(a)
            );
            assert_eq!(a.orders[0].days[0].1.get(M::FormulaVolume), &known(first), "{members}");
            let steady = a.orders[0].steady.as_ref().unwrap().1.get(M::FormulaVolume).clone();
            assert_eq!(steady.mean(), Some(Exact::ratio(mean, 7)), "{members}");
        });
    }
    // All seven days, once on each.
    let all = r#""dayOfWeek":["mon","tue","wed","thu","fri","sat","sun"],"frequency":7,"timeOfDay":["09:00:00"]"#;
    assert_eq!(first_day(&weekly(all)), (known(100), known(1)));
    // All seven days say no more than none: fourteen a week are two a day.
    let twice = r#""dayOfWeek":["mon","tue","wed","thu","fri","sat","sun"],"frequency":14"#;
    assert_eq!(first_day(&weekly(twice)), (known(200), known(2)));
    // The code for once a week says the same as one day of the week.
    let beside = r#""dayOfWeek":["wed"],"frequency":1,"period":1,"periodUnit":"wk""#;
    assert_eq!(first_day(&coded_repeat("WK", beside)).0, known(100));
}

/// In which of several weeks is not said; and days that do not make the count contradict it. Neither is picked, and
/// nothing of it is silent.
#[test]
fn weekdays_against_a_count_are_a_range() {
    let weeks = |members: &str, weeks: i64| repeat(&format!(r#"{members},"period":{weeks},"periodUnit":"wk""#));
    let range = |low: i64, high: i64| (Some(Exact::int(low)), Some(Exact::int(high)));
    for (members, period, most, said) in [
        // Every second Wednesday; on both days of every second week, or on one day of each.
        (r#""dayOfWeek":["wed"],"frequency":1"#, 2, 100, None),
        (r#""dayOfWeek":["wed","thu"],"frequency":2"#, 2, 100, None),
        (r#""dayOfWeek":["wed","thu"],"frequency":3"#, 2, 100, Some("make 4 feeds in 2 weeks, but 3 are stated.")),
        // Two in two weeks, or in one or two: one on each Wednesday.
        (r#""dayOfWeek":["wed"],"frequency":2"#, 2, 100, None),
        (r#""dayOfWeek":["wed"],"frequency":2,"periodMax":2"#, 1, 100, None),
        // One in a week: on either day. Three: one day has more than one, at most all of them.
        (r#""dayOfWeek":["wed","thu"],"frequency":1"#, 1, 100, Some("make 2 feeds a week, but 1 are stated.")),
        (r#""dayOfWeek":["wed","thu"],"frequency":3"#, 1, 300, Some("make 2 feeds a week, but 3 are stated.")),
        (
            r#""dayOfWeek":["wed"],"frequency":3,"timeOfDay":["09:00:00","15:00:00"]"#,
            1,
            300,
            Some("make 2 feeds a week, but 3 are stated."),
        ),
    ] {
        order(&weeks(members, period), &settings(), |a| {
            let volume = a.orders[0].days[0].1.get(M::FormulaVolume);
            assert_eq!((volume.low(), volume.high()), range(0, most), "{members}");
            let found: Vec<_> = told(a).into_iter().filter(|(id, ..)| id == "CON-06").collect();
            assert_eq!(found.len(), usize::from(said.is_some()), "{members}: {found:?}");
            assert!(said.is_none_or(|words| found[0].1 == Tier::High && found[0].2.contains(words)), "{found:?}");
        });
    }
    // A range beside a count is not laid, nor are beginnings that may never meet the days.
    for members in [
        r#""dayOfWeek":["wed"],"frequency":1,"period":2,"periodUnit":"wk","count":3"#,
        r#""dayOfWeek":["mon"],"frequency":1,"period":84,"periodUnit":"h""#,
        r#""dayOfWeek":["mon"],"frequency":1,"period":20,"periodMax":30,"periodUnit":"h""#,
    ] {
        assert!(matches!(first_day(&repeat(members)).0, Amount::Unknown(_)), "{members}");
        assert!(order(&repeat(members), &settings(), told).iter().any(|(id, ..)| id == "CON-11"), "{members}");
    }
}

/// A length that is stated is not dropped: 60 mL/h are 720 mL in 12 h, 1,440 mL in a day.
#[test]
fn a_stated_length_of_a_rate_holds() {
    let timing = |code: &str, members: &str| {
        format!(
            r#"{{"repeat":{{"boundsPeriod":{{"start":"2026-11-25T07:00:00Z"}}{members}}}{}}}"#,
            if code.is_empty() { String::new() } else { format!(r#","code":{{"coding":[{code}]}}"#) }
        )
    };
    const C: &str = r#"{"system":"http://terminology.hl7.org/CodeSystem/timing-abbreviation","code":"C"}"#;
    let rate = amount("60", "mL/h");
    let of = |timing: &str, more: &str| format!(r#"{{"schedule":{timing},"rateQuantity":{rate}{more}}}"#);
    let range = |low: i64, high: i64| (Some(Exact::int(low)), Some(Exact::int(high)));
    let half = r#","duration":12,"durationUnit":"h""#;
    let twice = format!(r#","quantity":{}"#, amount("720", "mL"));
    let said = |a: &Appraisal<'_>| told(a).into_iter().map(|(id, ..)| id).collect::<Vec<_>>();
    // Continuous by the code, 12 h by the repeat: one or the other, every day; and once, as the count says.
    for (administration, later_low) in [
        (of(&timing(C, half), ""), 720),
        (of(&timing(C, &format!(r#"{half},"count":1"#)), ""), 0),
        // A volume that is the rate over the length contradicts neither of them.
        (of(&timing(C, half), &twice), 720),
    ] {
        order(&administration, &settings(), |a| {
            let days: Vec<_> = a.orders[0].days.iter().map(|d| d.1.get(M::FormulaVolume)).collect();
            assert_eq!((days[0].low(), days[0].high()), range(720, 1_440), "{administration}");
            assert_eq!(said(a), ["CON-12"], "{administration}: {:?}", told(a));
            // It is said once: nothing is missing.
            let missing = a.orders[0].judged.iter().find(|j| j.rule.id == "CMP-01").unwrap();
            assert!(!format!("{:?}", missing.outcome).contains("one way to compute"), "{:?}", missing.outcome);
            if let Ok((_, steady)) = a.orders[0].steady.as_ref() {
                let steady = steady.get(M::FormulaVolume);
                assert_eq!((steady.low(), steady.high()), range(later_low, 1_440), "{administration}");
            } else {
                assert_eq!(later_low, 0, "{administration}");
            }
        });
    }
    // Longer than a day it may be over after that; a day of it is what continuous means.
    let long = |hours: i64| of(&timing(C, &format!(r#","duration":{hours},"durationUnit":"h""#)), "");
    assert_eq!(first_day(&long(24)).0, known(1_440));
    assert_eq!(order(&long(24), &settings(), said), Vec::<String>::new());
    assert_eq!(order(&long(48), &settings(), said), ["CON-12"]);
    // Every hour, so many times: over after as many hours, and on no later day.
    for (code, members, ml) in [
        ("", r#","frequency":1,"period":1,"periodUnit":"h","count":12"#, 720),
        ("", r#","frequency":2,"period":1,"periodUnit":"h","count":12"#, 360),
        (C, r#","frequency":1,"period":1,"periodUnit":"h","count":12"#, 720),
        ("", r#","frequency":1,"period":1,"periodUnit":"h","count":36"#, 1_440),
    ] {
        assert_eq!(first_day(&of(&timing(code, members), "")).0, known(ml), "{code} {members}");
    }
    let up_to = of(&timing("", r#","frequency":1,"period":1,"periodUnit":"h","count":6,"countMax":12"#), "");
    let (volume, _) = first_day(&up_to);
    assert_eq!((volume.low(), volume.high()), range(360, 720));
    // Without a start it begins with the order.
    let open = r#"{"repeat":{"frequency":1,"period":1,"periodUnit":"h","count":12}}"#;
    assert_eq!(first_day(&of(open, "")).0, known(720));
    // With nothing but an end, when it begins is open.
    let ends = r#"{"repeat":{"boundsPeriod":{"end":"2026-11-26T07:00:00Z"},"frequency":1,"period":1,"periodUnit":"h","count":12}}"#;
    assert_eq!(first_day(&of(ends, "")).0.low(), Some(Exact::ZERO));
    assert_eq!(order(&of(ends, ""), &settings(), said), ["CON-11"]);
    // Every four hours, twice, and not for how long: that it is over after eight hours is not said.
    let four_hourly = r#","frequency":1,"period":4,"periodUnit":"h","count":2"#;
    let (volume, _) = first_day(&of(&timing("", four_hourly), ""));
    assert_eq!((volume.low(), volume.high()), range(0, 1_440));
    // From 12 h to all of the day, by the code; 720 mL a day or 1,440.
    let up_to = |low: i64, high: i64| format!(r#","duration":{low},"durationMax":{high},"durationUnit":"h""#);
    let day_and_night = of(&timing(C, &up_to(12, 24)), "");
    let (volume, _) = first_day(&day_and_night);
    assert_eq!((volume.low(), volume.high()), range(720, 1_440));
    assert_eq!(order(&day_and_night, &settings(), said), ["CON-12"]);
    // From a day to two: the first is certain, on the second it may be over.
    let on = |day: i8| {
        use enteral_gate::settings::Asked;
        let date = jiff::civil::date(2026, 11, day);
        let s = Settings { asked: Asked { date: Some(date), days: Some(1), ..settings().asked }, ..settings() };
        let administration = of(&timing(C, &up_to(24, 48)), "");
        let volume = order(&administration, &s, |a| a.orders[0].days[0].1.get(M::FormulaVolume).clone());
        (volume.low(), volume.high())
    };
    assert_eq!([on(25), on(26)], [range(1_440, 1_440), range(0, 1_440)]);
    // 720 mL lie between 10 and 14 h of 60 mL/h: quantity, rate and length agree, and it is not continuous.
    let held = of(&timing(C, &up_to(10, 14)), &twice);
    let (volume, _) = first_day(&held);
    assert_eq!((volume.low(), volume.high()), range(600, 1_440));
    assert_eq!(order(&held, &settings(), said), ["CON-12"]);
    // The spelling of R5.
    let r5 = format!(
        r#"{{"resourceType":"NutritionOrder","status":"active","intent":"order","subject":{{"reference":"Patient/x"}},"dateTime":"2026-11-25T07:00:00Z","enteralFormula":{{"baseFormulaProductName":"A10","administration":[{{"schedule":{{"timing":[{}]}},"rateQuantity":{rate}}}]}}}}"#,
        timing(C, half)
    );
    let own = settings();
    let a = appraise(r5.as_bytes(), "", FhirVersion::R5, &FORMULARY, &own);
    let volume = a.orders[0].days[0].1.get(M::FormulaVolume);
    assert_eq!((volume.low(), volume.high()), range(720, 1_440));
    assert_eq!(said(&a), ["CON-12"]);
}

/// The decision table of `docs/calculation.md`, "Rate, quantity and timing".
#[test]
fn rate_quantity_and_timing_decide_what_is_given() {
    use enteral_gate::timing::schedule::Method;
    let entry = |repeat: &str, quantity: Option<&str>, rate: Option<&str>| {
        let mut parts = Vec::new();
        if !repeat.is_empty() {
            parts.push(format!(
                r#""schedule":{{"repeat":{{"boundsPeriod":{{"start":"2026-11-25T07:00:00Z"}}{repeat}}}}}"#
            ));
        }
        parts.extend(quantity.map(|q| format!(r#""quantity":{}"#, amount(q, "mL"))));
        parts.extend(rate.map(|r| format!(r#""rateQuantity":{}"#, amount(r, "mL/h"))));
        format!("{{{}}}", parts.join(","))
    };
    let came = |administration: &str| {
        order(administration, &settings(), |a| {
            let line = &a.orders[0].plan.lines[0];
            (a.orders[0].days[0].1.get(M::FormulaVolume).clone(), line.method)
        })
    };
    let six = r#","frequency":1,"period":4,"periodUnit":"h""#;
    let two = r#","timeOfDay":["08:00:00","20:00:00"]"#;
    let lasting = |repeat: &str, minutes: u32| format!(r#"{repeat},"duration":{minutes},"durationUnit":"min""#);
    // Four hours or more are the pump's for part of the day, however often (common practice, no source); less is a feed
    // over a stated time.
    let three = r#","timeOfDay":["00:00:00","08:00:00","16:00:00"]"#;
    assert_eq!(came(&entry(&lasting(three, 360), None, Some("90"))), (known(1_620), Method::Cyclic));
    assert_eq!(came(&entry(&lasting(three, 240), None, Some("90"))), (known(1_080), Method::Cyclic));
    assert_eq!(came(&entry(&lasting(three, 239), None, Some("60"))).1, Method::Intermittent);
    // A rate alone runs on; hourly it is continuous.
    assert_eq!(came(&entry("", None, Some("60"))), (known(1_440), Method::Continuous));
    assert_eq!(
        came(&entry(r#","frequency":1,"period":1,"periodUnit":"h""#, None, Some("60"))),
        (known(1_440), Method::Continuous)
    );
    // A quantity of each feed; without a length it is a bolus, from half an hour it is not.
    assert_eq!(came(&entry(six, Some("100"), None)), (known(600), Method::Bolus));
    assert_eq!(came(&entry(&lasting(six, 29), Some("100"), None)), (known(600), Method::Bolus));
    assert_eq!(came(&entry(&lasting(six, 30), Some("100"), None)), (known(600), Method::Intermittent));
    // Four hours and more, at most twice a day.
    assert_eq!(came(&entry(&lasting(two, 240), Some("100"), None)), (known(200), Method::Cyclic));
    assert_eq!(came(&entry(&lasting(two, 239), Some("100"), None)), (known(200), Method::Intermittent));
    assert_eq!(came(&entry(&lasting(six, 239), Some("100"), None)).1, Method::Intermittent);
    // Where the next begins when it ends, nothing stops.
    assert_eq!(came(&entry(&lasting(six, 240), Some("100"), None)), (known(600), Method::Continuous));
    // Both: the quantity at the rate.
    assert_eq!(came(&entry(six, Some("100"), Some("300"))), (known(600), Method::Bolus));
    assert_eq!(came(&entry(six, Some("100"), Some("200"))), (known(600), Method::Intermittent));
    assert_eq!(came(&entry(two, Some("400"), Some("100"))), (known(800), Method::Cyclic));
    // With a length the two have to agree: 100 mL, and 60 mL/h for 100 or 98 minutes (the larger of 2 % and 1 mL).
    assert_eq!(came(&entry(&lasting(six, 100), Some("100"), Some("60"))).0, known(600));
    assert_eq!(came(&entry(&lasting(six, 98), Some("100"), Some("60"))).0, known(600));
    assert_eq!(came(&entry(&lasting(six, 102), Some("100"), Some("60"))).0, known(600));
    let (volume, _) = came(&entry(&lasting(six, 97), Some("100"), Some("60")));
    assert_eq!((volume.low(), volume.high()), (Some(Exact::int(582)), Some(Exact::int(600))));
    let (volume, _) = came(&entry(&lasting(six, 103), Some("100"), Some("60")));
    assert_eq!((volume.low(), volume.high()), (Some(Exact::int(600)), Some(Exact::int(618))));
    // 10 mL: 2 % are 0.2, so 1 mL; 11 and 9 minutes agree, 12 and 8 do not.
    for (minutes, agree) in [(11, true), (9, true), (12, false), (8, false)] {
        let (volume, _) = came(&entry(&lasting(six, minutes), Some("10"), Some("60")));
        assert_eq!(volume.known() == Some(Exact::int(60)), agree, "{minutes}: {volume:?}");
    }
    // More than the rate can give in the interval.
    let (volume, _) = came(&entry(six, Some("300"), Some("60")));
    assert_eq!((volume.low().is_some(), volume.known()), (true, None), "{volume:?}");
    // The last, from 03:00, has had four of its five hours when the day ends.
    assert_eq!(volume.high(), Some(Exact::int(5 * 300 + 240)));
    assert_eq!(came(&entry(six, Some("240"), Some("60"))).0, known(1_440));
    // Without a schedule: the day's volume where both agree within 1 %, otherwise one or the other.
    assert_eq!(came(&entry("", Some("1440"), Some("60"))), (known(1_440), Method::Continuous));
    assert_eq!(came(&entry("", Some("1426"), Some("60"))).0, known(1_440));
    let (volume, _) = came(&entry("", Some("1425"), Some("60")));
    assert_eq!((volume.known(), volume.high()), (None, Some(Exact::int(1_440))));
    let (volume, _) = came(&entry("", Some("1500"), Some("60")));
    assert_eq!((volume.known(), volume.high()), (None, Some(Exact::int(1_500))));
    // Neither, and a quantity alone, say nothing.
    for nothing in [entry(six, None, None), entry("", Some("1500"), None)] {
        assert!(matches!(came(&nothing).0, Amount::Unknown(_)), "{nothing}");
    }
    // A rate at times, without saying when it stops: from nothing to around the clock.
    let (volume, _) = came(&entry(two, None, Some("60")));
    assert_eq!((volume.low(), volume.high()), (Some(Exact::ZERO), Some(Exact::int(1_440))), "{volume:?}");
}

/// A pump feed at bedtime, no clock time configured: 80 mL/h for 10 h, from 07:00. By 07:00 the next day it may be over,
/// or not begun; on every later day 800 mL are given. With a clock time the first day is exact as well.
#[test]
fn the_first_night_of_a_feed_at_an_unknown_time_is_open() {
    let night = |members: &str| {
        let start = r#""boundsPeriod":{"start":"2026-11-25T07:00:00Z"}"#;
        let rate = amount("80", "mL/h");
        format!(
            r#"{{"schedule":{{"repeat":{{{start},{members},"duration":10,"durationUnit":"h"}}}},"rateQuantity":{rate}}}"#
        )
    };
    let volumes = |administration: &str, s: &Settings| {
        order(administration, s, |a| {
            let steady = a.orders[0].steady.as_ref().unwrap().1.get(M::FormulaVolume).clone();
            let first = a.orders[0].days[0].1.get(M::FormulaVolume).clone();
            (first.low(), first.high(), steady)
        })
    };
    let mut configured = settings();
    configured.clock.insert("HS".to_owned(), vec![21 * 3_600]);
    let (none, full) = (Some(Exact::ZERO), Some(Exact::int(800)));
    assert_eq!(volumes(&night(r#""when":["HS"]"#), &settings()), (none, full, known(800)));
    assert_eq!(volumes(&night(r#""when":["HS"]"#), &configured), (full, full, known(800)));
    // So is a code for a time of day.
    let code = night(r#""durationMax":10"#).replacen(
        r#"{"repeat""#,
        &format!(r#"{{"code":{{"coding":[{{"system":"{GTS}","code":"BED"}}]}},"repeat""#),
        1,
    );
    assert_eq!(volumes(&code, &settings()), (none, full, known(800)));
}

/// Several codes of one timing are ways of saying the same. Where they are not, none is picked; a text beside the code
/// is held against it.
#[test]
fn codes_and_texts_of_one_timing_are_compared() {
    let timing = |codings: &[&str], text: Option<&str>| {
        let coding = |code: &&str| {
            let system = if *code == "C" { "http://terminology.hl7.org/CodeSystem/timing-abbreviation" } else { GTS };
            format!(r#"{{"system":"{system}","code":"{code}","display":"the display"}}"#)
        };
        let codings: Vec<String> = codings.iter().map(coding).collect();
        let text = text.map_or_else(String::new, |t| format!(r#","text":"{t}""#));
        let code = format!(r#"{{"coding":[{}]{text}}}"#, codings.join(","));
        let start = r#"{"boundsPeriod":{"start":"2026-11-25T07:00:00Z"}}"#;
        let amount = amount("100", "mL");
        format!(r#"{{"schedule":{{"repeat":{start},"code":{code}}},"quantity":{amount}}}"#)
    };
    let said = |administration: &str, rule: &str| {
        order(administration, &settings(), |a| {
            let judged = a.orders[0].judged.iter().find(|j| j.rule.id == rule).unwrap();
            match &judged.outcome {
                Outcome::Flagged(all) => all.iter().map(|f| (f.tier, f.text.clone())).collect(),
                _ => Vec::new(),
            }
        })
    };
    for codes in [["BID", "QID"], ["QID", "BID"], ["AM", "BED"], ["C", "Q4H"], ["MO", "WK"]] {
        let administration = timing(&codes, None);
        assert!(matches!(first_day(&administration).0, Amount::Unknown(_)), "{codes:?}");
        let words = format!("the codes {} and {}, which", codes[0], codes[1]);
        let found = said(&administration, "CON-12");
        assert!(found.iter().any(|(tier, text)| *tier == Tier::High && text.contains(&words)), "{found:?}");
    }
    for (codes, ml) in [(["QID", "Q6H"], 400), (["BID", "BID"], 200), (["QD", "BED"], 100)] {
        assert_eq!(first_day(&timing(&codes, None)).0, known(ml), "{codes:?}");
        assert_eq!(said(&timing(&codes, None), "CON-12"), []);
    }
    for (code, text, same) in [
        ("BID", "four times daily", false),
        ("BID", "twice a day", true),
        ("BID", "2 times daily", true),
        ("BID", "bid", true),
        ("BID", "The display", true),
        ("QD", "Once daily", true),
        ("QD", "twice daily", false),
        ("Q4H", "every 4 hours", true),
        ("Q4H", "every 3 hours", false),
        ("QOD", "every other day", true),
        ("BED", "at bedtime", true),
        ("AM", "at bedtime", false),
        ("C", "continuously", true),
        ("C", "20 hours a day, off 06-10", false),
        ("BID", "2x täglich", true),
        ("BID", "2 mal am Tag", true),
        ("BID", "4x täglich", false),
        ("BID", "2 mL", false),
        ("BID", "alle 2 Stunden", false),
        ("Q4H", "alle 4 Stunden", true),
        ("Q4H", "4x täglich", false),
        ("C", "kontinuierlich", true),
        ("C", "kontinuierlich über 20 h", false),
    ] {
        let found = said(&timing(&[code], Some(text)), "CMP-03");
        let expected = !same;
        assert_eq!(
            found.iter().any(|(tier, said)| *tier == Tier::Med && said.contains(text)),
            expected,
            "{code} {text}: {found:?}"
        );
    }
}

/// A later entry of other times, interval or kind comes on top of one without an end (200 mL at three times and 250 mL
/// at four are 1,600 mL), and that it may be meant instead is said. With an end of the earlier one nothing is doubtful.
#[test]
fn a_later_entry_of_another_kind_is_added_and_said() {
    let entry = |start: &str, end: &str, members: &str, amount: &str| {
        let end = if end.is_empty() { String::new() } else { format!(r#","end":"{end}""#) };
        let members = if members.is_empty() { String::new() } else { format!(",{members}") };
        format!(r#"{{"schedule":{{"repeat":{{"boundsPeriod":{{"start":"{start}"{end}}}{members}}}}},{amount}}}"#)
    };
    let ml = |n: &str| format!(r#""quantity":{}"#, amount(n, "mL"));
    let rate = |n: &str| format!(r#""rateQuantity":{}"#, amount(n, "mL/h"));
    let three = r#""timeOfDay":["06:00:00","12:00:00","18:00:00"]"#;
    let four = r#""timeOfDay":["09:00:00","15:00:00","21:00:00","00:00:00"]"#;
    let night = r#""timeOfDay":["20:00:00"],"duration":12,"durationUnit":"h""#;
    let every = |h: i64| format!(r#""frequency":1,"period":{h},"periodUnit":"h""#);
    let (first, third) = ("2026-11-25T07:00:00Z", "2026-11-27T07:00:00Z");
    let of = |earlier: &str, later: &str| {
        order(&format!("{earlier},{later}"), &settings(), |a| {
            let steady = a.orders[0].steady.as_ref().unwrap().1.get(M::FormulaVolume).clone();
            let said = told(a).into_iter().filter(|(id, ..)| id == "CON-09").map(|(_, tier, text)| (tier, text));
            (steady, said.collect::<Vec<_>>())
        })
    };
    let words =
        "A later entry of the same feed has other times than an earlier one without an end; its amounts were added.";
    let doubt = vec![(Tier::Med, words.to_owned())];
    for (earlier, later, total) in [
        (entry(first, "", three, &ml("200")), entry(third, "", four, &ml("250")), 1_600),
        // 12 h of 30 and 24 h of 60 mL.
        (entry(first, "", night, &rate("30")), entry(third, "", "", &rate("60")), 1_800),
        // Six and eight of 150 mL.
        (entry(first, "", &every(4), &ml("150")), entry(third, "", &every(3), &ml("150")), 2_100),
    ] {
        assert_eq!(of(&earlier, &later), (known(total), doubt.clone()), "{later}");
        // The order in which they are written makes no difference.
        assert_eq!(of(&later, &earlier), (known(total), doubt.clone()), "{later}");
    }
    let over = entry(first, third, three, &ml("200"));
    assert_eq!(of(&over, &entry(third, "", four, &ml("250"))), (known(1_000), vec![]));
    // Together from the start, they are meant beside each other; steps replace each other.
    let both = of(&entry(first, "", three, &ml("200")), &entry(first, "", four, &ml("250")));
    assert_eq!(both, (known(1_600), vec![]));
    assert_eq!(of(&entry(first, "", three, &ml("200")), &entry(third, "", three, &ml("250"))), (known(750), vec![]));
    // That two pumps overlap on the first day makes it no clearer.
    let until = |start: &str, end: &str| {
        entry(&format!("2026-11-25T{start}:00:00Z"), &format!("2026-11-25T{end}:00:00Z"), "", &rate("50"))
    };
    let overlapping = format!("{},{}", until("08", "12"), until("11", "14"));
    let (_, said) =
        of(&overlapping, &format!("{},{}", entry(first, "", three, &ml("200")), entry(third, "", four, &ml("250"))));
    assert!(said.contains(&doubt[0]), "{said:?}");
}

/// "The number of minutes from the event", before or after as the code says, else after (FHIR R4 and R5,
/// Timing.repeat.offset): back from before breakfast and from bedtime, on from after breakfast. A weekday is the event's.
#[test]
fn an_offset_counts_as_the_code_says() {
    let mut s = settings();
    for (code, hour) in [("ACM", 8), ("PCM", 9), ("HS", 22), ("NIGHT", 22)] {
        s.clock.insert(code.to_owned(), vec![hour * 3_600]);
    }
    // Hours of the clock at which feeds begin, on days from Wednesday, 07:00.
    let begins = |members: &str| -> Vec<(usize, i128)> {
        order(&repeat(members), &s, |a| {
            let first = a.orders[0].days[0].0.laid.window;
            let lines = &a.orders[0].plan.lines;
            let day = |n: usize| {
                enteral_gate::timing::day::lay(&s.zone, first.later(n as i64).unwrap(), lines, &[false], None)
            };
            let hour = |x: Exact| (x.div(Exact::int(3_600)).unwrap().floor() + 7).rem_euclid(24);
            (0..4).flat_map(|n| day(n).segments.into_iter().map(move |g| (n, hour(g.from)))).collect()
        })
    };
    let daily = |hour: i128| (0..4).map(|n| (n, hour)).collect::<Vec<_>>();
    assert_eq!(begins(r#""when":["ACM"],"offset":30"#), daily(7));
    assert_eq!(begins(r#""when":["PCM"],"offset":60"#), daily(10));
    assert_eq!(begins(r#""when":["HS"],"offset":240"#), daily(18));
    assert_eq!(begins(r#""when":["NIGHT"],"offset":240"#), daily(2));
    // Friday's night feed, at 02:00 on Saturday, lies in the day from Friday, 07:00; Thursday's in Thursday's.
    assert_eq!(begins(r#""when":["NIGHT"],"offset":240,"dayOfWeek":["fri"]"#), [(2, 2)]);
    assert_eq!(
        begins(r#""when":["NIGHT"],"offset":240,"dayOfWeek":["thu"],"frequency":1,"period":1,"periodUnit":"wk""#),
        [(1, 2)]
    );
    assert_eq!(begins(r#""when":["HS"],"offset":240,"dayOfWeek":["fri"]"#), [(2, 18)]);
    // Ten hours before 08:00 on Friday is Thursday, 22:00.
    assert_eq!(begins(r#""when":["ACM"],"offset":600,"dayOfWeek":["fri"]"#), [(1, 22)]);
    // Some before and some past midnight of named days, or every other day, is not laid.
    for members in [
        r#""when":["NIGHT","ACM"],"offset":240,"dayOfWeek":["fri"]"#,
        r#""when":["NIGHT"],"offset":240,"period":2,"periodUnit":"d""#,
        r#""when":["NIGHT"],"offset":240,"dayOfWeek":["fri"],"period":2,"periodUnit":"d""#,
        // Once a week, on a day that is not named.
        r#""when":["NIGHT"],"offset":240,"period":1,"periodUnit":"wk""#,
    ] {
        order(&repeat(members), &s, |a| {
            assert!(matches!(a.orders[0].days[0].1.get(M::FormulaVolume), Amount::Unknown(_)), "{members}");
            assert!(told(a).iter().any(|(id, ..)| id == "CON-11"), "{members}");
        });
    }
}

/// Minutes before or after an event that are not known are not none: no time is picked. Beside clock times they say nothing.
#[test]
fn an_offset_that_is_not_known_is_not_zero() {
    let mut s = settings();
    s.clock.insert("ACM".to_owned(), vec![8 * 3_600]);
    let absent = r#""_offset":{"extension":[{"url":"http://hl7.org/fhir/StructureDefinition/data-absent-reason","valueCode":"unknown"}]}"#;
    let volume = |members: &str| {
        order(&repeat(&format!("{members},{absent}")), &s, |a| a.orders[0].days[0].1.get(M::FormulaVolume).clone())
    };
    let Amount::Unknown(why) = volume(r#""when":["ACM"]"#) else { panic!("{:?}", volume(r#""when":["ACM"]"#)) };
    assert_eq!(
        why.iter().map(ToString::to_string).collect::<Vec<_>>(),
        ["how long before or after the event (offset) is not known"]
    );
    assert_eq!(volume(r#""timeOfDay":["08:00:00"]"#), known(100));
}

/// An event without a time never falls on one that has its time: it is counted a minute later.
#[test]
fn an_event_without_a_time_makes_room() {
    let mut s = settings();
    s.clock.insert("ACM".to_owned(), vec![7 * 3_600]);
    order(&repeat(r#""when":["ACM","ACD"]"#), &s, |a| {
        let begins: Vec<_> = a.orders[0].days[0].0.laid.segments.iter().map(|s| s.from).collect();
        assert_eq!(begins, [Exact::ZERO, Exact::int(60)]);
    });
}

/// Feeds of a code are evenly spaced by assumption where there are several; `C` is HL7's code for continuous, and the only
/// one of its own system that is read.
#[test]
fn assumptions_of_a_code_are_named() {
    use enteral_gate::assumptions::Assumption;
    let assumes = |administration: &str, s: &Settings, what: Assumption| {
        order(administration, s, |a| a.orders[0].assumptions.iter().any(|(said, _)| *said == what))
    };
    let plain = settings();
    assert!(!assumes(&coded(GTS, "QD"), &plain, Assumption::EvenlySpaced));
    assert!(!assumes(&repeat(r#""frequency":1,"period":1,"periodUnit":"d""#), &plain, Assumption::EvenlySpaced));
    assert!(assumes(&repeat(r#""frequency":3,"period":1,"periodUnit":"d""#), &plain, Assumption::EvenlySpaced));
    assert!(assumes(&coded(GTS, "BID"), &plain, Assumption::EvenlySpaced));
    assert!(assumes(&coded(GTS, "BID"), &plain, Assumption::CodeTimes));
    assert!(assumes(&coded(GTS, "Q4H"), &plain, Assumption::CodeTimes));
    let mut with_times = settings();
    with_times.clock.insert("BID".to_owned(), vec![9 * 3_600, 21 * 3_600]);
    assert!(!assumes(&coded(GTS, "BID"), &with_times, Assumption::EvenlySpaced));
    let abbreviation = "http://terminology.hl7.org/CodeSystem/timing-abbreviation";
    let rate = |system: &str, code: &str| {
        format!(
            r#"{{"schedule":{{"repeat":{{"boundsPeriod":{{"start":"2026-11-25T07:00:00Z"}}}},"code":{{"coding":[{{"system":"{system}","code":"{code}"}}]}}}},"rateQuantity":{}}}"#,
            amount("60", "mL/h")
        )
    };
    assert_eq!(millilitres(&rate(abbreviation, "C")), Exact::int(1_440));
    for (system, code) in [(abbreviation, "BID"), (GTS, "C"), ("http://other.example", "C")] {
        assert_eq!(first_day(&rate(system, code)).0.known(), None, "{system} {code}");
    }
    // Morning and evening feeds are two feeds, not steps of one.
    let morning = coded(GTS, "AM");
    let evening = coded(GTS, "PM");
    assert_eq!(order(&format!("{morning},{evening}"), &plain, |a| a.orders[0].plan.settled.steps.len()), 0);
    assert_eq!(first_day(&format!("{morning},{evening}")).0, known(200));
}

/// 100 mL by this `repeat`, without a start.
fn open_repeat(members: &str) -> String {
    format!(r#"{{"schedule":{{"repeat":{{{members}}}}},"quantity":{}}}"#, amount("100", "mL"))
}

/// A pump rate by this `repeat`, with the start given.
fn pumped(members: &str, ml_per_hour: &str) -> String {
    format!(
        r#"{{"schedule":{{"repeat":{{"boundsPeriod":{{"start":"2026-11-25T07:00:00Z"}},{members}}}}},"rateQuantity":{}}}"#,
        amount(ml_per_hour, "mL/h")
    )
}

/// A timing code beside a `repeat`, for 100 mL each.
fn coded_repeat(code: &str, members: &str) -> String {
    format!(
        r#"{{"schedule":{{"repeat":{{"boundsPeriod":{{"start":"2026-11-25T07:00:00Z"}},{members}}},"code":{{"coding":[{{"system":"{GTS}","code":"{code}"}}]}}}},"quantity":{}}}"#,
        amount("100", "mL")
    )
}

fn ends_of(administration: &str) -> (i128, i128) {
    let (volume, _) = first_day(administration);
    let whole =
        |x: Option<Exact>| x.filter(|x| x.is_whole()).unwrap_or_else(|| panic!("{administration}: {volume:?}")).floor();
    (whole(volume.low()), whole(volume.high()))
}

fn assumed(administration: &str, s: &Settings, what: enteral_gate::assumptions::Assumption) -> bool {
    order(administration, s, |a| a.orders[0].assumptions.iter().any(|(said, _)| *said == what))
}

/// Whether the order leaves no choice of when and how much.
fn no_choice(administration: &str) -> bool {
    order(administration, &settings(), |a| a.orders[0].plan.lines[0].is_exact())
}

/// FHIR: `frequencyMax`, `periodMax`, `countMax` and `durationMax` make a range; one that is the same as its lower end makes
/// none.
#[test]
fn a_maximum_that_is_the_minimum_is_no_range() {
    for (members, ml) in [
        (r#""frequency":4,"frequencyMax":4,"period":1,"periodUnit":"d""#, 400),
        (r#""frequency":1,"period":4,"periodMax":4,"periodUnit":"h""#, 600),
        (r#""count":2,"countMax":2,"frequency":1,"period":4,"periodUnit":"h""#, 200),
        (r#""frequency":1,"period":4,"periodUnit":"h","duration":1,"durationMax":1,"durationUnit":"h""#, 600),
        (r#""timeOfDay":["08:00:00"],"period":1,"periodMax":1,"periodUnit":"d""#, 100),
    ] {
        assert_eq!(first_day(&repeat(members)).0, known(ml), "{members}");
        assert!(no_choice(&repeat(members)), "{members}");
    }
    // Clock times every one or two days: on which days is not said.
    let open = r#""timeOfDay":["08:00:00"],"period":1,"periodMax":2,"periodUnit":"d""#;
    assert!(matches!(first_day(&repeat(open)).0, Amount::Unknown(_)));
    // Once or twice, without saying how often.
    assert!(matches!(first_day(&repeat(r#""count":1,"countMax":2"#)).0, Amount::Unknown(_)));
}

/// What is open is said with the figure: lengths, counts and bounds.
#[test]
fn a_range_says_why() {
    let said = |administration: &str, words: &str| {
        let (volume, _) = first_day(administration);
        volume.why().iter().any(|w| w.to_string() == words)
    };
    let lasts = "how long each feed lasts is stated as a range";
    assert!(said(&pumped(r#""timeOfDay":["20:00:00"],"duration":8,"durationMax":10,"durationUnit":"h""#, "80"), lasts));
    assert!(no_choice(&pumped(r#""timeOfDay":["20:00:00"],"duration":8,"durationUnit":"h""#, "80")));
    // 06:00 over 2 to 4 h: how much of it lies before 07:00 is open.
    let night = |more: &str| repeat(&format!(r#""timeOfDay":["06:00:00"],"duration":2,{more}"durationUnit":"h""#));
    assert!(said(&night(r#""durationMax":4,"#), lasts));
    assert_eq!(ends_of(&night(r#""durationMax":4,"#)), (25, 50));
    assert!(no_choice(&night("")));
    let counted = r#""count":2,"countMax":3,"frequency":1,"period":4,"periodUnit":"h""#;
    assert!(said(&repeat(counted), "how many times it is given is stated as a range"));
    // 60 mL/h for 5 to 10 h.
    let bounded_and = |low: &str, high: &str, more: &str| {
        format!(
            r#"{{"schedule":{{"repeat":{{"boundsRange":{{"low":{},"high":{}}}{more}}}}},"rateQuantity":{}}}"#,
            amount(low, "h"),
            amount(high, "h"),
            amount("60", "mL/h")
        )
    };
    let bounded = |low: &str, high: &str| bounded_and(low, high, "");
    assert_eq!(ends_of(&bounded("5", "10")), (300, 600));
    assert!(said(&bounded("5", "10"), "how long it is given is stated as a range"));
    assert_eq!(first_day(&bounded("5", "5")).0, known(300));
    assert!(no_choice(&bounded("5", "5")));
    // Hourly, three times, it is over before 5 h are; seven times, it may be over after 5 h or after 7.
    let hourly =
        |count: i64| bounded_and("5", "10", &format!(r#","frequency":1,"period":1,"periodUnit":"h","count":{count}"#));
    assert_eq!(first_day(&hourly(3)).0, known(180));
    assert!(no_choice(&hourly(3)));
    assert_eq!(ends_of(&hourly(7)), (300, 420));
    assert!(said(&hourly(7), "how long it is given is stated as a range"));
}

/// Without a start the phase is not known: an interval that does not divide the day gives one feed more or less; one that
/// does, or a stated start, leaves no choice.
#[test]
fn an_interval_without_a_start_is_counted_both_ways() {
    let hours = |n: u32| format!(r#""frequency":1,"period":{n},"periodUnit":"h""#);
    assert_eq!(ends_of(&open_repeat(&hours(5))), (400, 500));
    assert_eq!(first_day(&repeat(&hours(5))).0, known(500));
    assert!(no_choice(&repeat(&hours(5))) && !no_choice(&open_repeat(&hours(5))));
    assert_eq!(first_day(&open_repeat(&hours(4))).0, known(600));
    assert!(no_choice(&open_repeat(&hours(4))) && no_choice(&repeat(&hours(4))));
    // Nor is a schedule that cannot be computed one without a choice.
    assert!(!no_choice(&repeat(r#""frequency":3"#)));
    // A range of intervals: 24 ÷ 6 to 24 ÷ 5, rounded up.
    assert_eq!(ends_of(&open_repeat(r#""frequency":1,"period":5,"periodMax":6,"periodUnit":"h""#)), (400, 500));
}

/// Seven a day are not whole seconds apart: on a day of 25 h there may be an eighth (25 × 7 ÷ 24 = 7.29).
#[test]
fn seven_a_day_do_not_keep_their_hours_on_a_longer_day() {
    use enteral_gate::settings::{Asked, DayKind};
    let s = Settings {
        zone: jiff::tz::TimeZone::get("America/New_York").unwrap(),
        zone_name: "America/New_York".to_owned(),
        day_start: 0,
        asked: Asked { date: Some(jiff::civil::date(2027, 11, 7)), days: Some(1), kind: DayKind::Civil, as_of: None },
        ..Settings::default()
    };
    let feeds = |n: u32| {
        order(&open_repeat(&format!(r#""frequency":{n},"period":1,"periodUnit":"d""#)), &s, |a| {
            let feeds = a.orders[0].days[0].1.get(M::FeedsPerDay);
            (feeds.low().unwrap().floor(), feeds.high().unwrap().floor())
        })
    };
    assert_eq!(feeds(7), (7, 8));
    // Eight a day are: they keep their clock times.
    assert_eq!(feeds(8), (8, 8));
}

/// Several feeds in several days are spaced evenly over them; a period that is not whole days is elapsed time.
#[test]
fn several_feeds_in_several_days_are_evenly_spaced() {
    for (members, days) in [
        (r#""frequency":2,"period":2,"periodUnit":"d""#, [100, 100, 100]),
        (r#""frequency":3,"period":2,"periodUnit":"d""#, [200, 100, 200]),
        (r#""frequency":1,"period":1.5,"periodUnit":"d""#, [100, 100, 0]),
        (r#""frequency":1,"period":36,"periodUnit":"h""#, [100, 100, 0]),
        (r#""frequency":1,"period":2,"periodUnit":"d""#, [100, 0, 100]),
        (r#""frequency":1,"period":1,"periodUnit":"wk""#, [100, 0, 0]),
    ] {
        use enteral_gate::settings::Asked;
        for (n, ml) in (0..).zip(days) {
            let date = jiff::civil::date(2026, 11, 25 + n);
            let s = Settings { asked: Asked { date: Some(date), days: Some(1), ..settings().asked }, ..settings() };
            let volume = order(&repeat(members), &s, |a| a.orders[0].days[0].1.get(M::FormulaVolume).clone());
            assert_eq!(volume, known(ml), "{members} on {date}");
        }
    }
}

/// A feed a minute is laid out, one every 59 seconds is not.
#[test]
fn a_feed_a_minute_is_the_most_that_is_computed() {
    let seconds = |n: u32| format!(r#""frequency":1,"period":{n},"periodUnit":"s""#);
    assert_eq!(first_day(&repeat(&seconds(60))).0, known(144_000));
    assert!(matches!(first_day(&repeat(&seconds(59))).0, Amount::Unknown(_)));
    assert_eq!(first_day(&repeat(&seconds(61))).1.known().map(Exact::floor), Some(1_417));
    // All of a week's on its Wednesday: from 07:00 to midnight 17 × 60 of them.
    let on_wednesday = |n: u32| repeat(&format!(r#""dayOfWeek":["wed"],"frequency":{n},"period":1,"periodUnit":"wk""#));
    assert_eq!(ends_of(&on_wednesday(1_440)), (0, 102_000));
    assert!(matches!(first_day(&on_wednesday(1_441)).0, Amount::Unknown(_)));
    // Of entries a hundred are computed; of more nothing is known.
    let unknown = |administrations: &str| {
        order(administrations, &settings(), |a| {
            a.orders[0].days.first().is_none_or(|(_, t)| matches!(t.get(M::FormulaVolume), Amount::Unknown(_)))
        })
    };
    let entries = |n: usize| vec![repeat(r#""timeOfDay":["08:00:00"]"#); n].join(",");
    assert_eq!(first_day(&entries(100)).0, known(10_000));
    assert!(unknown(&entries(101)) && unknown(&entries(102)));
}

/// An event for which the institution lists no time is counted once, like one that it does not name; seven of them do not
/// divide the day and lie whole seconds apart.
#[test]
fn events_without_times_lie_in_the_feeding_day() {
    let mut s = settings();
    s.clock.insert("ACM".to_owned(), vec![]);
    let begins = |members: &str, s: &Settings| {
        order(&repeat(members), s, |a| {
            a.orders[0].days[0].0.laid.segments.iter().map(|s| s.from.floor()).collect::<Vec<_>>()
        })
    };
    assert_eq!(begins(r#""when":["ACM"]"#, &s), [0]);
    let seven = begins(r#""when":["ACM","ACD","ACV","PCM","PCD","PCV","HS"]"#, &settings());
    assert_eq!(seven, [0, 12_342, 24_684, 37_026, 49_368, 61_710, 74_052]);
    // Times of the institution's around midnight, moved by the offset.
    s.clock.insert("HS".to_owned(), vec![23 * 3_600 + 1_800]);
    s.clock.insert("NIGHT".to_owned(), vec![23 * 3_600 + 1_800]);
    assert_eq!(begins(r#""when":["NIGHT"],"offset":45"#, &s), [17 * 3_600 + 900]);
    assert_eq!(begins(r#""when":["HS"],"offset":45"#, &s), [15 * 3_600 + 2_700]);
}

/// FHIR: `timeOfDay` says when, `frequency` how often; where they differ neither is picked, from the fewest to the most.
#[test]
fn clock_times_and_frequency_are_compared() {
    let with = |times: u32, more: &str| {
        let times: Vec<String> = (0..times).map(|n| format!("\"{:02}:00:00\"", 8 + 2 * n)).collect();
        repeat(&format!(r#""timeOfDay":[{}],{more}"#, times.join(",")))
    };
    let a_day = r#","period":1,"periodUnit":"d""#;
    for (times, frequency, low, high) in [
        (2, r#""frequency":2"#, 200, 200),
        (2, r#""frequency":1"#, 100, 200),
        (2, r#""frequency":3"#, 200, 300),
        (3, r#""frequency":1,"frequencyMax":2"#, 100, 300),
        (2, r#""frequency":3,"frequencyMax":4"#, 200, 400),
        (3, r#""frequency":2,"frequencyMax":4"#, 300, 300),
        (2, r#""frequency":2,"frequencyMax":4"#, 200, 200),
        (4, r#""frequency":2,"frequencyMax":4"#, 400, 400),
    ] {
        assert_eq!(ends_of(&with(times, &format!("{frequency}{a_day}"))), (low, high), "{times} {frequency}");
    }
    // Without a period one is FHIR's default and no contradiction; any other number is.
    assert_eq!(ends_of(&with(2, r#""frequency":1"#)), (200, 200));
    assert_eq!(ends_of(&with(2, r#""frequency":3"#)), (200, 300));
}

/// A timing code and a repeat agree where the code's count a day lies in the repeat's.
#[test]
fn a_code_and_a_repeat_are_compared() {
    let times = |n: &str| format!(r#""frequency":{n},"period":1,"periodUnit":"d""#);
    for (code, members, agrees) in [
        ("BID", times("2"), true),
        ("BID", times(r#"1,"frequencyMax":2"#), true),
        ("BID", times(r#"2,"frequencyMax":3"#), true),
        ("BID", times(r#"1,"frequencyMax":3"#), true),
        ("BID", times(r#"3,"frequencyMax":4"#), false),
        ("QID", times(r#"1,"frequencyMax":3"#), false),
        ("Q6H", r#""frequency":1,"period":6,"periodUnit":"h""#.to_owned(), true),
        ("Q6H", r#""frequency":1,"period":4,"periodUnit":"h""#.to_owned(), false),
        ("QOD", r#""frequency":1,"period":2,"periodUnit":"d""#.to_owned(), true),
        ("QOD", times("1"), false),
        ("WK", r#""dayOfWeek":["wed"]"#.to_owned(), true),
        ("WK", r#""dayOfWeek":["wed","fri"]"#.to_owned(), false),
        ("MO", times("1"), false),
        // Two clock times against three feeds, or three against two: the range holds both.
        ("TID", format!(r#""timeOfDay":["08:00:00","12:00:00"],{}"#, times("3")), true),
        ("BID", format!(r#""timeOfDay":["08:00:00","12:00:00","18:00:00"],{}"#, times("2")), true),
        ("QID", format!(r#""timeOfDay":["08:00:00","12:00:00"],{}"#, times("3")), false),
    ] {
        let administration = coded_repeat(code, &members);
        assert_eq!(first_day(&administration).0.low().is_some(), agrees, "{code} {members}");
        let said = order(&administration, &settings(), |a| told(a).iter().any(|(id, ..)| id == "CON-12"));
        assert_eq!(said, !agrees, "{code} {members}");
    }
    let words = |members: &str| {
        order(&coded_repeat("BID", members), &settings(), |a| {
            told(a).into_iter().find(|(id, ..)| id == "CON-12").map(|(.., text)| text).unwrap_or_default()
        })
    };
    assert!(
        words(&times(r#"4,"frequencyMax":6"#)).contains("the repeat 4 to 6."),
        "{}",
        words(&times(r#"4,"frequencyMax":6"#))
    );
    assert!(words(&times("4")).contains("the repeat 4."), "{}", words(&times("4")));
    // A code says how often; a repeat of a count or a length adds only that.
    assert_eq!(first_day(&coded_repeat("Q4H", r#""count":2"#)).0, known(200));
    assert_eq!(first_day(&coded_repeat("Q4H", r#""duration":30,"durationUnit":"min""#)).0, known(600));
    // Continuous agrees with what runs every hour without pause, and with nothing slower.
    let abbreviation = "http://terminology.hl7.org/CodeSystem/timing-abbreviation";
    let continuous = |members: &str| {
        format!(
            r#"{{"schedule":{{"repeat":{{"boundsPeriod":{{"start":"2026-11-25T07:00:00Z"}},{members}}},"code":{{"coding":[{{"system":"{abbreviation}","code":"C"}}]}}}},"rateQuantity":{}}}"#,
            amount("60", "mL/h")
        )
    };
    assert_eq!(first_day(&continuous(r#""frequency":1,"period":1,"periodUnit":"h""#)).0, known(1_440));
    assert_eq!(first_day(&continuous(r#""frequency":24,"period":1,"periodUnit":"d""#)).0, known(1_440));
    assert_eq!(first_day(&continuous(r#""frequency":1,"period":2,"periodUnit":"h""#)).0.known(), None);
    // With a quantity that is the day's it is the same.
    let both = continuous("X")
        .replace(r#"},X"#, "}")
        .replace("\"rateQuantity\"", &format!("\"quantity\":{},\"rateQuantity\"", amount("1440", "mL")));
    assert_eq!(first_day(&both).0, known(1_440), "{both}");
    // A quantity of what runs continuously is neither one feed's nor a day's.
    let quantity = format!(
        r#"{{"schedule":{{"code":{{"coding":[{{"system":"{abbreviation}","code":"C"}}]}}}},"quantity":{}}}"#,
        amount("100", "mL")
    );
    let (volume, _) = first_day(&quantity);
    assert_eq!(
        volume.why().iter().map(ToString::to_string).collect::<Vec<_>>(),
        ["a quantity without a schedule: whether per feed or per day is not stated"]
    );
}

/// A rate every hour, or more often in the day, is continuous; anything slower, on some days only, or open is not: when it
/// stops is not said.
#[test]
fn only_what_is_hourly_runs_without_pause() {
    for (members, runs) in [
        (r#""frequency":1,"period":1,"periodUnit":"h""#, true),
        (r#""frequency":1,"period":30,"periodUnit":"min""#, true),
        (r#""frequency":24,"period":1,"periodUnit":"d""#, true),
        (r#""frequency":1,"period":50,"periodUnit":"min""#, false),
        (r#""frequency":1,"period":2,"periodUnit":"h""#, false),
        (r#""frequency":1,"period":4,"periodUnit":"h""#, false),
        (r#""frequency":1,"period":30,"periodMax":60,"periodUnit":"min""#, false),
        (r#""dayOfWeek":["wed"],"frequency":1,"period":1,"periodUnit":"h""#, false),
        (r#""timeOfDay":["08:00:00"]"#, false),
    ] {
        let want = if runs { (1_440, 1_440) } else { (0, 1_440) };
        assert_eq!(ends_of(&pumped(members, "60")), want, "{members}");
    }
    let hourly = format!(
        r#"{{"schedule":{{"code":{{"coding":[{{"system":"{GTS}","code":"Q1H"}}]}}}},"rateQuantity":{}}}"#,
        amount("60", "mL/h")
    );
    assert_eq!(first_day(&hourly).0, known(1_440));
    assert_eq!(ends_of(&hourly.replace("Q1H", "Q2H")), (0, 1_440));
}

/// A feed that lasts longer than the shortest time to the next is said; around midnight as well, and over days.
#[test]
fn the_shortest_time_between_clock_times_counts() {
    let longer = |times: &str, period: u32, hours: u32| {
        let members = format!(
            r#""timeOfDay":[{times}],"period":{period},"periodUnit":"d","duration":{hours},"durationUnit":"h""#
        );
        order(&repeat(&members), &settings(), |a| {
            let judged = a.orders[0].judged.iter().find(|j| j.rule.id == "CON-05").unwrap();
            matches!(judged.outcome, Outcome::Flagged(_))
        })
    };
    for (times, period, longest) in [
        (r#""08:00:00","20:00:00""#, 1, 12),
        (r#""08:00:00","12:00:00""#, 1, 4),
        (r#""08:00:00","12:00:00","22:00:00""#, 1, 4),
        // From 22:00 to 01:00.
        (r#""01:00:00","08:00:00","22:00:00""#, 1, 3),
        (r#""08:00:00""#, 1, 24),
        (r#""08:00:00""#, 2, 48),
        // From 20:00 of one day to 08:00 of the day after the next, but from 08:00 to 20:00 it is 12.
        (r#""08:00:00","20:00:00""#, 2, 12),
        (r#""08:00:00","23:00:00""#, 2, 15),
    ] {
        assert!(!longer(times, period, longest), "{times} {period}");
        assert!(longer(times, period, longest + 1), "{times} {period}");
    }
}

/// Quantity and rate agree where the range of rate × time holds the quantity, or an end of it comes near enough (2 %).
#[test]
fn a_quantity_is_held_against_the_range_of_its_rate() {
    // 100 mL at 60 mL/h: 100 minutes.
    let with = |from: u32, to: u32| {
        let members = format!(
            r#""frequency":1,"period":6,"periodUnit":"h","duration":{from},"durationMax":{to},"durationUnit":"min""#
        );
        let both = format!(
            r#"{{"schedule":{{"repeat":{{"boundsPeriod":{{"start":"2026-11-25T07:00:00Z"}},{members}}}}},"quantity":{},"rateQuantity":{}}}"#,
            amount("100", "mL"),
            amount("60", "mL/h")
        );
        ends_of(&both)
    };
    assert_eq!(with(90, 110), (400, 400));
    assert_eq!(with(100, 200), (400, 400));
    assert_eq!(with(50, 100), (400, 400));
    // 101 and 99 mL come near enough to 100.
    assert_eq!(with(101, 200), (400, 400));
    assert_eq!(with(50, 99), (400, 400));
    // All of it above or below: the larger end, or the smaller.
    assert_eq!(with(150, 200), (400, 800));
    assert_eq!(with(50, 60), (200, 400));
}

/// 100 mL, or 150 to 200 minutes at 60 mL/h, every 5 to 7 h from 07:00 on Wednesday. On Sunday five may begin and end: every
/// 96/19 h (5 h 3 min) they come at 0, 5, 10, 15 and 20 h, each with 200 mL. Every 5 h there are but four and the end of one.
#[test]
fn the_larger_of_two_amounts_holds_for_every_interval_of_a_range() {
    use enteral_gate::settings::Asked;
    let administration = format!(
        r#"{{"schedule":{{"repeat":{{"boundsPeriod":{{"start":"2026-11-25T07:00:00Z"}},"frequency":1,"period":5,"periodMax":7,"periodUnit":"h","duration":150,"durationMax":200,"durationUnit":"min"}}}},"quantity":{},"rateQuantity":{}}}"#,
        amount("100", "mL"),
        amount("60", "mL/h")
    );
    let date = jiff::civil::date(2026, 11, 29);
    let s = Settings { asked: Asked { date: Some(date), days: Some(1), ..settings().asked }, ..settings() };
    let volume = order(&administration, &s, |a| a.orders[0].days[0].1.get(M::FormulaVolume).clone());
    assert_eq!(volume.high(), Some(Exact::int(1_000)));
}

/// 300 mL, or 10 h at 60 mL/h, every 5 to 7 h from Monday, 07:00, to Wednesday, noon: every 5.29 h the last begins at 4.9 h of
/// Wednesday's day, the one before it has run until then, and the pump goes on to 14.9 h: 894 mL. Just before noon it would be
/// 15 h, 900 mL.
#[test]
fn a_pump_that_outlasts_its_interval_holds_for_every_interval_of_a_range() {
    let repeat = |every: &str| {
        format!(
            r#"{{"schedule":{{"repeat":{{"boundsPeriod":{{"start":"2026-11-23T07:00:00Z","end":"2026-11-25T12:00:00Z"}},"frequency":1,{every},"periodUnit":"h","duration":10,"durationUnit":"h"}}}},"quantity":{},"rateQuantity":{}}}"#,
            amount("300", "mL"),
            amount("60", "mL/h")
        )
    };
    let most = |every: &str| {
        let date = jiff::civil::date(2026, 11, 25);
        let asked = enteral_gate::settings::Asked { date: Some(date), days: Some(1), ..settings().asked };
        let s = Settings { asked, ..settings() };
        order(&repeat(every), &s, |a| a.orders[0].days[0].1.get(M::FormulaVolume).high())
    };
    assert_eq!(most(r#""period":5.29"#), Some(Exact::int(894)));
    assert_eq!(most(r#""period":5,"periodMax":7"#), Some(Exact::int(900)));
}

/// A run that lasts longer than its interval is read as one that goes on; a shorter or equal one needs no such reading.
#[test]
fn overlapping_runs_are_a_reading() {
    use enteral_gate::assumptions::Assumption;
    let run = |hours: u32| {
        pumped(&format!(r#""frequency":1,"period":4,"periodUnit":"h","duration":{hours},"durationUnit":"h""#), "50")
    };
    for (hours, reading) in [(3, false), (4, false), (5, true)] {
        assert_eq!(assumed(&run(hours), &settings(), Assumption::CrossedDuration), reading, "{hours}");
    }
}

/// Readings of a date without a time, and of a count without a start.
#[test]
fn dates_and_counts_without_a_time_are_readings() {
    use enteral_gate::assumptions::Assumption;
    let rate = |start: &str, end: &str| {
        format!(
            r#"{{"schedule":{{"repeat":{{"boundsPeriod":{{"start":"{start}","end":"{end}"}}}}}},"rateQuantity":{}}}"#,
            amount("60", "mL/h")
        )
    };
    for (start, end, reading) in [
        ("2026-11-25T07:00:00Z", "2026-11-28T07:00:00Z", false),
        ("2026-11-25T07:00:00Z", "2026-11-28", true),
        ("2026-11-25", "2026-11-28T07:00:00Z", true),
        ("2026-11-25", "2026-11-28", true),
    ] {
        let administration = rate(start, end);
        assert_eq!(assumed(&administration, &settings(), Assumption::DateIsMidnight), reading, "{start} {end}");
    }
    // A start is the day's first moment, an end its last: 17 h from midnight to 17:00, and 17 h from 07:00 to midnight.
    assert_eq!(first_day(&rate("2026-11-25", "2026-11-25T17:00:00Z")).0, known(17 * 60));
    assert_eq!(first_day(&rate("2026-11-25T07:00:00Z", "2026-11-25")).0, known(17 * 60));
    // One that ends as it begins cannot be.
    assert!(matches!(first_day(&rate("2026-11-25T07:00:00Z", "2026-11-25T07:00:00Z")).0, Amount::Unknown(_)));
    let counted = r#""frequency":1,"period":4,"periodUnit":"h","count":2"#;
    assert!(assumed(&open_repeat(counted), &settings(), Assumption::StartFromOrder));
    assert!(!assumed(&repeat(counted), &settings(), Assumption::StartFromOrder));
    assert_eq!(first_day(&open_repeat(counted)).0, known(200));
    // Every other day has to begin somewhere: with the order, which is said once; every day has not.
    let noted = |members: &str| {
        let said = |note: &Note| matches!(note, Note::Assumed(Assumption::StartFromOrder));
        order(&open_repeat(members), &settings(), |a| a.orders[0].plan.notes.iter().filter(|n| said(&n.note)).count())
    };
    assert_eq!(noted(r#""timeOfDay":["08:00:00"],"period":2,"periodUnit":"d""#), 1);
    assert_eq!(noted(r#""timeOfDay":["08:00:00"],"period":1,"periodUnit":"d""#), 0);
    assert_eq!(noted(r#""frequency":1,"period":4,"periodUnit":"h","count":2"#), 1);
}

/// Feeds once a day are the same whether a code or a repeat says so, and shift with their start unless the institution has
/// given the code its hour.
#[test]
fn codes_are_steps_where_their_times_are_by_assumption() {
    let once = |start: &str, how: &str| {
        format!(
            r#"{{"schedule":{{"repeat":{{"boundsPeriod":{{"start":"2026-11-{start}:00:00Z"}}{}}}{}}},"quantity":{}}}"#,
            if how.is_empty() { r#","frequency":1,"period":1,"periodUnit":"d""# } else { "" },
            if how.is_empty() {
                String::new()
            } else {
                format!(r#","code":{{"coding":[{{"system":"{GTS}","code":"{how}"}}]}}"#)
            },
            amount("100", "mL")
        )
    };
    let steps = |a: &str, b: &str, s: &Settings| {
        let both = format!("{},{}", once("25T07", a), once("27T19", b));
        order(&both, s, |a| a.orders[0].plan.settled.steps.len())
    };
    let plain = settings();
    assert_eq!(steps("QD", "QD", &plain), 1);
    assert_eq!(steps("QD", "", &plain), 1);
    assert_eq!(steps("BID", "BID", &plain), 1);
    assert_eq!(steps("AM", "AM", &plain), 1);
    assert_eq!(steps("AM", "PM", &plain), 0);
    assert_eq!(steps("QD", "AM", &plain), 0);
    // With hours of the institution's the two are known to be at 08:00 and at 18:00, or at the same hour.
    let mut with_hours = settings();
    with_hours.clock.insert("AM".to_owned(), vec![8 * 3_600]);
    with_hours.clock.insert("PM".to_owned(), vec![18 * 3_600]);
    assert_eq!(steps("AM", "PM", &with_hours), 0);
    assert_eq!(steps("AM", "AM", &with_hours), 1);
    with_hours.clock.insert("PM".to_owned(), vec![8 * 3_600]);
    assert_eq!(steps("AM", "PM", &with_hours), 1);
}

/// Events beside a code or a repeat are not counted, and how many they are is said; alone they are the schedule.
#[test]
fn events_beside_a_schedule_are_said() {
    let events = r#""event":["2026-11-25T09:00:00Z","2026-11-25T13:00:00Z","2026-11-25T13:00:00Z"]"#;
    let with = |schedule: &str| format!(r#"{{"schedule":{{{schedule}}},"quantity":{}}}"#, amount("100", "mL"));
    let ignored = |administration: &str| {
        order(administration, &settings(), |a| told(a).into_iter().filter(|(.., text)| text.contains("event")).count())
    };
    let code = format!(r#""code":{{"coding":[{{"system":"{GTS}","code":"BID"}}]}}"#);
    let four = r#""repeat":{"frequency":1,"period":4,"periodUnit":"h"}"#;
    // The same instant twice is one feed.
    assert_eq!((first_day(&with(events)).0, ignored(&with(events))), (known(200), 0));
    for (schedule, ml) in [(code.as_str(), 200), (four, 600)] {
        assert_eq!((first_day(&with(schedule)).0, ignored(&with(schedule))), (known(ml), 0), "{schedule}");
        let beside = with(&format!("{schedule},{events}"));
        assert_eq!((first_day(&beside).0, ignored(&beside)), (known(ml), 1), "{schedule}");
    }
}

/// R5: as needed is from nothing to all of it, and that is the reason given once.
#[test]
fn as_needed_is_the_reason_of_its_range() {
    use enteral_gate::amount::Why;
    let of = |schedule: &str| {
        let text = format!(
            r#"{{"resourceType":"NutritionOrder","status":"active","intent":"order","subject":{{"reference":"Patient/x"}},"dateTime":"2026-11-25T07:00:00Z","enteralFormula":{{"baseFormulaType":{{"concept":{{"coding":[{{"system":"https://enteral-gate.example/fhir/CodeSystem/invented-products","code":"A10"}}]}}}},"administration":[{{"schedule":{{{schedule}}},"quantity":{}}}]}}}}"#,
            amount("100", "mL")
        );
        let s = settings();
        let a = appraise(text.as_bytes(), "", FhirVersion::R5, &FORMULARY, &s);
        a.orders[0].days[0].1.get(M::FormulaVolume).clone()
    };
    let four = r#""timing":[{"repeat":{"frequency":1,"period":4,"periodUnit":"h"}}]"#;
    assert_eq!(of(four), known(600));
    let needed = of(&format!(r#"{four},"asNeeded":true"#));
    assert_eq!((needed.low(), needed.high()), (Some(Exact::ZERO), Some(Exact::int(600))));
    assert_eq!(needed.why(), [Why::AsNeeded]);
    assert_eq!(of(&format!(r#"{four},"asNeeded":false"#)), known(600));
    // Where nothing is known of the schedule, that is the reason.
    let text = r#""timing":[{"code":{"text":"as the ward does it"}}],"asNeeded":true"#;
    let Amount::Unknown(why) = of(text) else { panic!("{:?}", of(text)) };
    assert!(!why.is_empty() && !why.contains(&Why::AsNeeded), "{why:?}");
}

/// An entry may name another product than the order (R4: extension `administration-product`): each has its own energy, and
/// rates of two products are not steps of one feed.
#[test]
fn entries_of_another_product_are_another_feed() {
    let of = |product: &str, entry: &str| {
        if product == "A10" {
            return entry.to_owned();
        }
        entry.replacen(
            '{',
            &format!(r#"{{"extension":[{{"url":"https://enteral-gate.example/fhir/StructureDefinition/administration-product","valueCodeableConcept":{{"text":"{product}"}}}}],"#),
            1,
        )
    };
    let at = |hour: u32, ml: &str| {
        format!(
            r#"{{"schedule":{{"repeat":{{"boundsPeriod":{{"start":"2026-11-25T07:00:00Z"}},"timeOfDay":["{hour:02}:00:00"]}}}},"quantity":{}}}"#,
            amount(ml, "mL")
        )
    };
    let day = |administrations: &[String]| {
        order(&administrations.join(","), &settings(), |a| {
            let (day, totals) = &a.orders[0].days[0];
            assert_eq!(day.volumes.len(), administrations.len());
            (totals.get(M::FormulaVolume).clone(), totals.get(M::Energy).clone(), a.orders[0].plan.settled.steps.len())
        })
    };
    // 240 × 1 + 240 × 1.5 + 100 × 1.5 + 100 × 2 kcal.
    let four =
        [of("A10", &at(8, "240")), of("A15", &at(12, "240")), of("A15", &at(16, "100")), of("A20", &at(20, "100"))];
    assert_eq!(day(&four), (known(680), known(950), 0));
    let turned =
        [of("A20", &at(20, "100")), of("A15", &at(16, "100")), of("A10", &at(8, "240")), of("A15", &at(12, "240"))];
    assert_eq!(day(&turned), (known(680), known(950), 0));
    // 20 mL/h for 24 h of one, 40 mL/h for 18 h of the other: 480 + 720 × 1.5 kcal.
    let rate = |start: &str, ml: &str| {
        format!(
            r#"{{"schedule":{{"repeat":{{"boundsPeriod":{{"start":"2026-11-25T{start}:00Z"}}}}}},"rateQuantity":{}}}"#,
            amount(ml, "mL/h")
        )
    };
    assert_eq!(
        day(&[of("A10", &rate("07:00", "20")), of("A15", &rate("13:00", "40"))]),
        (known(1_200), known(1_560), 0)
    );
    // Of one product they are: 120 + 720 mL.
    assert_eq!(day(&[of("A15", &rate("07:00", "20")), of("A15", &rate("13:00", "40"))]), (known(840), known(1_260), 1));
}
