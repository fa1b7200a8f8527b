//! Hostile and broken input: each kind is answered as stated, nothing panics, nothing takes long, and whatever
//! comes out is well formed. (Transport is in `tests/http.rs`, the reader's own rows in `tests/reader.rs`.)

use enteral_gate::answer::{junit, junit_case, outcome_json, parameters_json, text};
use enteral_gate::appraise::{Appraisal, Disposition, Refusal, appraise};
use enteral_gate::findings::Outcome;
use enteral_gate::formulary::Formulary;
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::settings::Settings;
use proptest::prelude::*;
use std::sync::LazyLock;
use std::time::{Duration, Instant};

static FORMULARY: LazyLock<Formulary> =
    LazyLock::new(|| Formulary::from_csv("formulary.csv", include_bytes!("../deploy/demo/formulary.csv")).unwrap());
static SETTINGS: LazyLock<Settings> = LazyLock::new(Settings::default);

const CLEAR: &str = include_str!("../deploy/demo/orders/demo-1-toddler.json");

/// Appraises and renders in every form; checks that all of it is well formed.
fn run<R>(bytes: &[u8], version: FhirVersion, f: impl FnOnce(&Appraisal<'_>) -> R) -> R {
    let started = Instant::now();
    let a = appraise(bytes, "hostile.json", version, &FORMULARY, &SETTINGS);
    for rendered in [outcome_json(&a), parameters_json(&a)] {
        let value: serde_json::Value = serde_json::from_str(&rendered).expect("well-formed JSON");
        assert!(value["resourceType"].is_string());
    }
    let people = text(&a, false);
    assert!(!people.chars().any(|c| c.is_control() && c != '\n'), "no control characters on a terminal");
    assert!(
        !people.chars().any(|c| matches!(c, '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}')),
        "no direction overrides"
    );
    let xml = junit(&[junit_case("hostile.json", &a)]);
    assert!(!xml.contains("<script") && xml.starts_with("<?xml"));
    assert!(started.elapsed() < Duration::from_secs(20), "took {:?}", started.elapsed());
    f(&a)
}

fn refused(bytes: &[u8], word: &str) {
    run(bytes, FhirVersion::R4, |a| {
        assert_eq!(a.disposition(), Disposition::Refused, "{}", String::from_utf8_lossy(&bytes[..bytes.len().min(80)]));
        let (_, why) = a.refused.as_ref().unwrap();
        assert!(why.text.to_lowercase().contains(word), "{}", why.text);
        assert!(outcome_json(a).contains("\"severity\":\"fatal\""));
    });
}

fn order(administration: &str) -> String {
    format!(
        r#"{{"resourceType":"NutritionOrder","id":"x","status":"active","intent":"order","patient":{{"reference":"Patient/p"}},"dateTime":"2026-11-25T07:00:00Z","enteralFormula":{{"baseFormulaProductName":"A10","administration":[{administration}]}}}}"#
    )
}

/// A rule found something, or could not be evaluated.
fn says(administration: &str, rules: &[&str]) {
    run(order(administration).as_bytes(), FhirVersion::R4, |a| {
        let said: Vec<&str> = a.orders[0]
            .judged
            .iter()
            .filter(|j| matches!(j.outcome, Outcome::Flagged(_) | Outcome::NotEvaluated(..)))
            .map(|j| &*j.rule.id)
            .collect();
        for rule in rules {
            assert!(said.contains(rule), "{administration}: {rule} should speak, {said:?} did");
        }
        assert_ne!(a.disposition(), Disposition::Clear);
    });
}

#[test]
fn what_is_not_strict_json_is_refused_with_its_place() {
    refused(b"", "empty");
    refused(b"\xef\xbb\xbf{}", "byte order mark");
    refused(b"\xff\xfe{}", "utf-8");
    refused(br#"{"a":1,"a":2}"#, "twice");
    refused(br#"{"resourceType":"NutritionOrder"} x"#, "after");
    refused(format!("{}1{}", "[".repeat(65), "]".repeat(65)).as_bytes(), "64");
    for number in ["1e400", "1e-400", "1e2147483648", "1234567890123456789", "NaN", "Infinity", "060", "+1", ".5"] {
        run(format!(r#"{{"resourceType":"NutritionOrder","x":{number}}}"#).as_bytes(), FhirVersion::R4, |a| {
            assert_eq!(a.refusal(), Some(Refusal::Unparseable), "{number}");
            assert!(a.refused.as_ref().unwrap().1.position.is_some());
        });
    }
    run(&vec![b' '; (1 << 20) + 1], FhirVersion::R4, |a| assert_eq!(a.refusal(), Some(Refusal::TooLarge)));
    refused(br#"{"resourceType":"Patient"}"#, "expected a nutritionorder");
    refused(br#"{}"#, "resourcetype");
}

const ML: &str = r#""system":"http://unitsofmeasure.org","code":"mL""#;
const MLH: &str = r#""system":"http://unitsofmeasure.org","code":"mL/h""#;

#[test]
fn impossible_numbers_and_times_are_said() {
    let rate = |v: &str| format!(r#"{{"rateQuantity":{{"value":{v},{MLH}}}}}"#);
    says(&rate("0"), &["UNT-08"]);
    says(&rate("-60"), &["UNT-08"]);
    says(&rate("\"60\""), &["INT-01"]);
    let every = |repeat: &str| format!(r#"{{"schedule":{{"repeat":{{{repeat}}}}},"quantity":{{"value":100,{ML}}}}}"#);
    says(&every(r#""frequency":1,"period":0,"periodUnit":"h""#), &["CON-11"]);
    says(&every(r#""frequency":1,"period":-1,"periodUnit":"h""#), &["INT-01"]);
    says(&every(r#""frequency":1000000,"period":1,"periodUnit":"d""#), &["CON-11"]);
    says(&every(r#""frequency":1,"period":1,"periodUnit":"mo""#), &["CON-11"]);
    says(&every(r#""frequency":4,"frequencyMax":2,"period":1,"periodUnit":"d""#), &["CON-11"]);
    says(
        &every(r#""boundsPeriod":{"start":"2026-11-26","end":"2026-11-20"},"frequency":4,"period":1,"periodUnit":"d""#),
        &["CON-11"],
    );
    for year in ["0001", "9999"] {
        says(
            &every(&format!(r#""boundsPeriod":{{"start":"{year}-01-01"}},"frequency":1,"period":4,"periodUnit":"h""#)),
            &[],
        );
    }
    says(&every(r#""timeOfDay":["24:00:00"]"#), &["INT-01"]);
    says(&every(r#""count":2147483647,"frequency":1,"period":1,"periodUnit":"s""#), &["CON-11"]);
}

#[test]
fn units_are_never_guessed() {
    let quantity = |unit: &str| {
        format!(
            r#"{{"schedule":{{"repeat":{{"frequency":4,"period":1,"periodUnit":"d"}}}},"quantity":{{"value":100,{unit}}}}}"#
        )
    };
    says(&quantity(r#""system":"http://unitsofmeasure.org","code":"oz""#), &["INT-02"]);
    says(&quantity(r#""system":"http://unitsofmeasure.org","code":"zorkmid""#), &["INT-02"]);
    says(&quantity(r#""system":"http://snomed.info/sct","code":"258773002""#), &["INT-02"]);
    says(&quantity(r#""unit":"L","system":"http://unitsofmeasure.org","code":"mL""#), &["UNT-09"]);
    says(&quantity(r#""system":"http://unitsofmeasure.org","code":"g""#), &["INT-02"]);
    says(&quantity("\"system\":\"http://unitsofmeasure.org\",\"code\":\"\u{03bc}L\""), &["INT-02"]);
    says(&quantity(r#""unit":"oz""#), &["INT-02"]);
    says(r#"{"rateQuantity":{"value":60,"system":"http://unitsofmeasure.org","code":"[drp]/min"}}"#, &["INT-02"]);
    says(r#"{"rateQuantity":{"value":60,"system":"http://unitsofmeasure.org","code":"mL/kg/24.h"}}"#, &["INT-02"]);
    says(
        r#"{"rateRatio":{"numerator":{"value":200,"system":"http://unitsofmeasure.org","code":"mL"},"denominator":{"value":0,"system":"http://unitsofmeasure.org","code":"h"}}}"#,
        &["UNT-08"],
    );
}

#[test]
fn names_and_texts_are_shown_and_never_run() {
    for name in [
        "<script>alert(1)</script>",
        "A10\u{202e}01A",
        "A\u{200b}10",
        "А10",
        "A10\\nflagged: none",
        "'; DROP TABLE orders; --",
        "=1+1",
        "![x](http://x.example/y.png)",
        "\\u0000",
        "\\u001b[31mred",
    ] {
        let text =
            order(&format!(r#"{{"rateQuantity":{{"value":60,{MLH}}}}}"#)).replace("\"A10\"", &format!("\"{name}\""));
        run(text.as_bytes(), FhirVersion::R4, |a| {
            assert_ne!(a.disposition(), Disposition::Clear, "{name}");
            if a.refused.is_none() {
                let found = a.orders[0]
                    .judged
                    .iter()
                    .any(|j| j.rule.id == "INT-04" && matches!(j.outcome, Outcome::Flagged(_)));
                assert!(found, "{name:?} is no product");
            }
        });
    }
    let noted = order(&format!(r#"{{"rateQuantity":{{"value":60,{MLH}}}}}"#)).replace(
        r#""administration""#,
        r#""administrationInstruction":"<b>hold</b>\u001b[2J 19:00 \u202e to 07:00","administration""#,
    );
    run(noted.as_bytes(), FhirVersion::R4, |_| ());
}

#[test]
fn many_and_large_parts_are_bounded() {
    let one = order(&format!(r#"{{"rateQuantity":{{"value":60,{MLH}}}}}"#));
    for n in [50usize, 51, 200] {
        let entries: Vec<String> =
            (0..n).map(|i| format!(r#"{{"resource":{}}}"#, one.replace("\"x\"", &format!("\"x{i}\"")))).collect();
        let bundle = format!(r#"{{"resourceType":"Bundle","type":"collection","entry":[{}]}}"#, entries.join(","));
        run(bundle.as_bytes(), FhirVersion::R4, |a| {
            assert_eq!(a.orders.len(), n.min(50));
            if n > 50 {
                assert!(a.problems.iter().any(|p| p.grave && p.text.contains("50")), "{:?}", a.problems);
            }
            assert_ne!(a.disposition(), Disposition::Clear);
        });
    }
    let many: Vec<String> = (0..900).map(|i| format!(r#"{{"rateQuantity":{{"value":{},{MLH}}}}}"#, i + 1)).collect();
    says(&many.join(","), &["CON-11", "CMP-01"]);
    // As many as are computed, each with its own explanation.
    says(&many[..100].join(","), &["CON-09"]);
    let long = order(&format!(r#"{{"rateQuantity":{{"value":60,{MLH}}}}}"#))
        .replace("\"A10\"", &format!("\"{}\"", "x".repeat(20_000)));
    refused(long.as_bytes(), "at most 10240");
}

/// The same order a thousand times: the same bytes each time.
#[test]
fn the_same_order_again_and_again() {
    let first = outcome_json(&appraise(CLEAR.as_bytes(), "", FhirVersion::R4, &FORMULARY, &SETTINGS));
    for _ in 0..1_000 {
        assert_eq!(first, outcome_json(&appraise(CLEAR.as_bytes(), "", FhirVersion::R4, &FORMULARY, &SETTINGS)));
    }
}

const PIECES: &[&str] = &[
    "0",
    "-1",
    "1e9",
    "1e-9",
    "999999999999999999",
    "null",
    "{}",
    "[]",
    "\"\"",
    "\"mL\"",
    "\"kg\"",
    "\"mL/h\"",
    "\"cal/mL\"",
    "\"0000-00-00\"",
    "\"2026-02-30\"",
    "\"2026-11-25T23:59:60Z\"",
    "\"9999-12-31T23:59:59+14:00\"",
    "true",
    ",",
    ":",
    "}",
    "]",
    "\"",
    "\\u0000",
    "\u{202e}",
    "\"draft\"",
    "\"#x\"",
    "{\"extension\":[{\"url\":\"zzz\"}]}",
    "\"NutritionOrder\"",
    "\"Bundle\"",
];

proptest! {
    #![proptest_config(ProptestConfig { cases: 6_000, ..ProptestConfig::default() })]

    /// Damaged bytes: no panic, and well-formed answers in every form.
    #[test]
    fn damaged_bytes(
        which in 0usize..4,
        edits in prop::collection::vec((any::<prop::sample::Index>(), 0usize..5, any::<u8>(), any::<prop::sample::Index>()), 1..6),
        version in prop::sample::select(vec![FhirVersion::R4, FhirVersion::R4B, FhirVersion::R5]),
    ) {
        let source = [
            CLEAR,
            include_str!("../deploy/demo/orders/demo-10-toddler.json"),
            include_str!("../deploy/demo/orders/demo-5-steps-over-cap.json"),
            include_str!("../tests/cases/c4-day6.r5.json"),
        ][which];
        let mut bytes = source.as_bytes().to_vec();
        for (at, kind, byte, other) in edits {
            if bytes.is_empty() {
                break;
            }
            let i = at.index(bytes.len());
            match kind {
                0 => bytes[i] = byte,
                1 => bytes.truncate(i),
                2 => {
                    let j = other.index(bytes.len());
                    let slice = bytes[i.min(j)..i.max(j)].iter().take(200).copied().collect::<Vec<_>>();
                    bytes.splice(i..i, slice);
                }
                _ => {
                    // Another value in place of the one that begins near here.
                    let from = bytes[i..].iter().position(|b| *b == b':').map_or(i, |k| i + k + 1);
                    let to = bytes[from..].iter().position(|b| matches!(*b, b',' | b'}' | b']' | b'\n')).map_or(bytes.len(), |k| from + k);
                    bytes.splice(from..to, PIECES[usize::from(byte) % PIECES.len()].bytes());
                }
            }
        }
        run(&bytes, version, |_| ());
    }

    /// Any bytes at all.
    #[test]
    fn any_bytes(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
        run(&bytes, FhirVersion::R5, |_| ());
    }
}

/// A hundred feeds a minute by turns: which of them run together is not worked out, and the rate is said to be at least
/// that of one. Forty of them that can be told are.
#[test]
fn very_many_feeds_at_once_are_bounded() {
    let entries = |every: u32, lines: usize| -> String {
        let one = |n: usize| {
            format!(
                r#"{{"schedule":{{"repeat":{{"boundsPeriod":{{"start":"2026-11-25T07:00:00Z"}},"frequency":1,"period":{every},"periodUnit":"min","duration":30,"durationUnit":"s"}}}},"quantity":{{"value":1.{n:02},"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"}}}}"#
            )
        };
        (0..lines).map(one).collect::<Vec<_>>().join(",")
    };
    let rate = |administration: &str| {
        run(order(administration).as_bytes(), FhirVersion::R4, |a| {
            let (_, totals) = a.orders[0].days.first().expect("a day");
            let rate = totals.get(enteral_gate::nutrition::measure::Measure::HighestRate);
            (rate.low(), rate.high())
        })
    };
    // 1.99 mL in half a minute are 238.8 mL/h: at least that.
    assert_eq!(rate(&entries(1, 100)), (Some(enteral_gate::exact::Exact::decimal(2_388, 1)), None));
    // 1.00 to 1.39 mL in half a minute: 40 × 1.195 × 120 mL/h.
    let all = Some(enteral_gate::exact::Exact::int(5_736));
    assert_eq!(rate(&entries(15, 40)), (all, all));
}

/// 27 kB can ask for 144,000 feeds a day: the first 1,440 are listed, how many are not is said, and the total counts all.
#[test]
fn an_answer_does_not_grow_without_bound() {
    let one = r#"{"schedule":{"repeat":{"boundsPeriod":{"start":"2026-11-25T07:00:00Z"},"frequency":1,"period":1,"periodUnit":"min","duration":30,"durationUnit":"s"}},"quantity":{"value":1,"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"}}"#;
    run(order(&[one; 100].join(",")).as_bytes(), FhirVersion::R4, |a| {
        let written = parameters_json(a);
        assert!(written.len() < 6_000_000, "{} bytes", written.len());
        let answer: serde_json::Value = serde_json::from_str(&written).unwrap();
        let parts = |of: &serde_json::Value, field: &str, name: &str| -> Vec<serde_json::Value> {
            let list = of[field].as_array().unwrap().iter();
            list.filter(|p| p["name"] == name).cloned().collect()
        };
        let order = &parts(&answer, "parameter", "order")[0];
        let day = &parts(order, "part", "day")[0];
        assert_eq!(parts(day, "part", "segment").len(), 1_440);
        let left_out = &parts(day, "part", "segments-left-out")[0]["valueString"];
        assert_eq!(left_out, "142560 more segments are not listed; the total counts them all");
        let total = &parts(day, "part", "total")[0];
        assert_eq!(parts(total, "part", "formula-volume")[0]["valueQuantity"]["value"], 144_000);
    });
}
