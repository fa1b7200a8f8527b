//! Reading one order: the same meaning from R4, R4B and R5, and every hole reported as a hole.
//!
//! All orders, names and products here are invented. Element names, cardinalities and value sets:
//! StructureDefinition NutritionOrder of FHIR 4.0.1 and 5.0.0.

use enteral_gate::exact::Exact;
use enteral_gate::intake::json::{Document, Limits, Node};
use enteral_gate::intake::order::*;
use enteral_gate::intake::wire::{NoResolver, WireVersion, diagnose_version, read_order};
use proptest::prelude::*;

const BASE: &str = "https://enteral-gate.example/fhir/StructureDefinition";
const ABSENT: &str = "http://hl7.org/fhir/StructureDefinition/data-absent-reason";

/// Reads `text` as `version` and hands everything to `look`.
fn with<T>(text: &str, version: FhirVersion, look: impl FnOnce(&Order<'_>, &[Problem], Node<'_>) -> T) -> T {
    let document = Document::read(text.as_bytes(), &Limits::default()).unwrap_or_else(|e| panic!("{e}\n{text}"));
    let (order, problems) = read_order(document.root(), version, &NoResolver);
    look(&order, &problems, document.root())
}

/// An R4 order with `formula` as its enteralFormula and `more` members beside it.
fn r4(formula: &str, more: &str) -> String {
    format!(
        r#"{{"resourceType":"NutritionOrder","id":"o1","status":"active","intent":"order",
        "patient":{{"reference":"Patient/p1"}},"dateTime":"2026-11-25T08:00:00+01:00",
        "enteralFormula":{formula}{more}}}"#
    )
}

/// The same for R5.
fn r5(formula: &str, more: &str) -> String {
    format!(
        r#"{{"resourceType":"NutritionOrder","id":"o1","status":"active","intent":"order",
        "subject":{{"reference":"Patient/p1"}},"dateTime":"2026-11-25T08:00:00+01:00",
        "enteralFormula":{formula}{more}}}"#
    )
}

/// One R4 administration.
fn r4_entry(entry: &str) -> String {
    r4(&format!(r#"{{"administration":[{entry}]}}"#), "")
}

fn no_grave(problems: &[Problem]) {
    assert!(problems.iter().all(|p| !p.grave), "{problems:?}");
}

/// The order without places and version, to compare across versions.
fn meaning(order: &Order<'_>) -> String {
    let text = format!("{order:?}");
    let mut out = String::new();
    let mut rest = text.as_str();
    while let Some(at) = rest.find("At(") {
        out.push_str(&rest[..at]);
        let end = rest[at..].find(')').unwrap();
        rest = &rest[at + end + 1..];
    }
    out.push_str(rest);
    out.replace("version: R4B", "").replace("version: R4", "").replace("version: R5", "")
}

#[test]
fn r4_and_r5_give_the_same_order_in_every_element_they_share() {
    let quantity =
        |v: &str, u: &str| format!(r#"{{"value":{v},"unit":"{u}","system":"http://unitsofmeasure.org","code":"{u}"}}"#);
    let concept = r#"{"coding":[{"system":"urn:oid:1.2.3","code":"hp","display":"Invented HP"}],"text":"invented"}"#;
    let timing = r#"{"repeat":{"boundsPeriod":{"start":"2026-11-25T09:00:00+01:00","end":"2026-12-01"},"frequency":6,"period":1,"periodUnit":"d","duration":30,"durationUnit":"min"}}"#;
    let ratio = format!(r#"{{"numerator":{},"denominator":{}}}"#, quantity("200", "mL"), quantity("4", "h"));
    let shared = format!(
        r#""baseFormulaProductName":"Invented Feed 1.5","caloricDensity":{},"maxVolumeToDeliver":{},"administrationInstruction":"hold for the night""#,
        quantity("1.50", "kcal/mL"),
        quantity("1440", "mL/d"),
    );
    let r4_text = r4(
        &format!(
            r#"{{"baseFormulaType":{concept},{shared},"additiveType":{concept},"additiveProductName":"Invented Oil","routeofAdministration":{concept},
            "administration":[{{"schedule":{timing},"quantity":{q}}},{{"rateQuantity":{r}}},{{"schedule":{{"code":{concept}}},"rateRatio":{ratio}}}]}}"#,
            q = quantity("240", "mL"),
            r = quantity("60", "mL/h"),
        ),
        r#","note":[{"text":"a note"}],"orderer":{"reference":"Practitioner/x"},"allergyIntolerance":[{"reference":"AllergyIntolerance/a","display":"cashew"}]"#,
    );
    let r5_text = r5(
        &format!(
            r#"{{"baseFormulaType":{{"concept":{concept}}},{shared},"additive":[{{"type":{{"concept":{concept}}},"productName":"Invented Oil"}}],"routeOfAdministration":{concept},
            "administration":[{{"schedule":{{"timing":[{timing}]}},"quantity":{q}}},{{"rateQuantity":{r}}},{{"schedule":{{"timing":[{{"code":{concept}}}]}},"rateRatio":{ratio}}}]}}"#,
            q = quantity("240", "mL"),
            r = quantity("60", "mL/h"),
        ),
        r#","note":[{"text":"a note"}],"orderer":{"reference":"Practitioner/x"},"allergyIntolerance":[{"reference":"AllergyIntolerance/a","display":"cashew"}]"#,
    );
    let read = |text: &str, version| {
        with(text, version, |order, problems, _| {
            assert!(problems.is_empty(), "{problems:?}");
            assert!(order.unknown_elements.is_empty() && order.unknown_extensions.is_empty(), "{order:?}");
            meaning(order)
        })
    };
    let four = read(&r4_text, FhirVersion::R4);
    assert_eq!(four, read(&r4_text, FhirVersion::R4B));
    assert_eq!(four, read(&r5_text, FhirVersion::R5));
    with(&r4_text, FhirVersion::R4, |order, _, _| {
        let formula = order.formula.as_ref().unwrap();
        assert_eq!(formula.additives.len(), 1, "one additive, not one for the type and one for the name");
        assert_eq!(formula.density.value().unwrap().value.value().unwrap().to_string(), "1.50");
        assert_eq!(formula.administrations.len(), 3);
        assert_eq!(order.texts.len(), 2);
    });
}

fn decimal_text() -> impl Strategy<Value = String> {
    (0u32..100_000, 0usize..4).prop_map(|(n, places)| {
        let text = format!("{n:05}");
        let cut = text.len() - places.min(4);
        let whole = text[..cut].trim_start_matches('0');
        let whole = if whole.is_empty() { "0" } else { whole };
        if places == 0 { whole.to_owned() } else { format!("{whole}.{}", &text[cut..]) }
    })
}

fn quantity() -> impl Strategy<Value = String> {
    (decimal_text(), prop::sample::select(vec!["mL", "mL/h", "mL/d", "kcal/mL", "kcal/L"]))
        .prop_map(|(v, u)| format!(r#"{{"value":{v},"system":"http://unitsofmeasure.org","code":"{u}"}}"#))
}

fn timing() -> impl Strategy<Value = String> {
    let repeat =
        (1u32..50, decimal_text(), prop::sample::select(vec!["s", "min", "h", "d", "wk", "mo", "a"]), 0usize..4)
            .prop_map(|(f, p, u, times)| {
                let times: Vec<String> = (0..times).map(|n| format!(r#""{:02}:30:00""#, n * 5)).collect();
                let times =
                    if times.is_empty() { String::new() } else { format!(r#","timeOfDay":[{}]"#, times.join(",")) };
                format!(r#"{{"repeat":{{"frequency":{f},"period":{p},"periodUnit":"{u}"{times}}}}}"#)
            });
    prop_oneof![
        repeat,
        Just(r#"{"event":["2026-11-25","2026-11-26T08:00:00Z"]}"#.to_owned()),
        Just(r#"{"repeat":{"boundsDuration":{"value":2,"code":"d"},"dayOfWeek":["mon","sun"],"when":["ACM"],"offset":15}}"#.to_owned()),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(96))]

    #[test]
    fn any_mix_of_shared_elements_reads_alike(
        entries in prop::collection::vec((prop::option::of(timing()), prop::option::of(quantity()), prop::option::of(quantity())), 0..4),
        density in prop::option::of(quantity()),
        cap in prop::option::of(quantity()),
        name in prop::option::of("[a-zA-Z0-9 .%-]{0,8}[a-z]"),
        typed in any::<bool>(),
        additive in prop::option::of("[a-z]{1,8}"),
    ) {
        let concept = r#"{"coding":[{"system":"urn:oid:1.2.3","code":"x"}]}"#;
        let build = |five: bool| {
            let mut parts: Vec<String> = Vec::new();
            if typed {
                parts.push(format!(r#""baseFormulaType":{}"#, if five { format!(r#"{{"concept":{concept}}}"#) } else { concept.to_owned() }));
            }
            parts.extend(name.iter().map(|n| format!(r#""baseFormulaProductName":"{n}""#)));
            parts.extend(additive.iter().map(|a| if five {
                format!(r#""additive":[{{"productName":"{a}"}}]"#)
            } else {
                format!(r#""additiveProductName":"{a}""#)
            }));
            parts.extend(density.iter().map(|q| format!(r#""caloricDensity":{q}"#)));
            parts.extend(cap.iter().map(|q| format!(r#""maxVolumeToDeliver":{q}"#)));
            if !entries.is_empty() {
                let list: Vec<String> = entries.iter().map(|(timing, quantity, rate)| {
                    let mut inner: Vec<String> = Vec::new();
                    inner.extend(timing.iter().map(|t| if five { format!(r#""schedule":{{"timing":[{t}]}}"#) } else { format!(r#""schedule":{t}"#) }));
                    inner.extend(quantity.iter().map(|q| format!(r#""quantity":{q}"#)));
                    inner.extend(rate.iter().map(|q| format!(r#""rateQuantity":{q}"#)));
                    format!("{{{}}}", inner.join(","))
                }).collect();
                parts.push(format!(r#""administration":[{}]"#, list.join(",")));
            }
            let formula = format!("{{{}}}", parts.join(","));
            if five { r5(&formula, "") } else { r4(&formula, "") }
        };
        let four = with(&build(false), FhirVersion::R4, |o, p, _| (meaning(o), p.iter().map(|p| p.text.clone()).collect::<Vec<_>>()));
        let five = with(&build(true), FhirVersion::R5, |o, p, _| (meaning(o), p.iter().map(|p| p.text.clone()).collect::<Vec<_>>()));
        prop_assert_eq!(four, five);
    }
}

#[test]
fn a_missing_value_is_missing_with_its_reason_and_never_zero() {
    // A primitive's companion, and a complex element that only explains itself.
    let companion = |reason: &str| format!(r#"{{"extension":[{{"url":"{ABSENT}","valueCode":"{reason}"}}]}}"#);
    let text = r4(
        &format!(
            r#"{{"caloricDensity":{unknown},"administration":[{{"quantity":{{"_value":{masked},"code":"mL"}},"rateQuantity":{unknown}}}]}}"#,
            unknown = companion("unknown"),
            masked = companion("masked"),
        ),
        "",
    )
    .replace(r#""dateTime":"2026-11-25T08:00:00+01:00""#, &format!(r#""_dateTime":{}"#, companion("asked-unknown")));
    with(&text, FhirVersion::R4, |order, problems, root| {
        no_grave(problems);
        let formula = order.formula.as_ref().unwrap();
        assert!(matches!(&formula.density, Field::Missing { reason, .. } if reason == "unknown"));
        let entry = &formula.administrations[0];
        assert!(matches!(&entry.quantity.value().unwrap().value, Field::Missing { reason, .. } if reason == "masked"));
        assert!(matches!(&entry.rate, Field::Missing { reason, .. } if reason == "unknown"));
        assert!(matches!(&order.date_time, Field::Missing { reason, .. } if reason == "asked-unknown"));
        assert_eq!(root.of_same_document(order.date_time.at().unwrap()).path(), "NutritionOrder.dateTime");
        assert!(order.unknown_extensions.is_empty() && order.unknown_elements.is_empty(), "{order:?}");
    });
}

#[test]
fn a_companion_without_a_reason_is_missing_too() {
    let text = r4_entry(r#"{"quantity":{"_value":{"id":"x"},"code":"mL"}}"#);
    with(&text, FhirVersion::R4, |order, _, _| {
        let entry = &order.formula.as_ref().unwrap().administrations[0];
        assert!(matches!(entry.quantity.value().unwrap().value, Field::Missing { .. }));
    });
}

#[test]
fn a_value_beside_a_reason_for_its_absence_is_not_used() {
    let text = r4_entry(&format!(
        r#"{{"quantity":{{"value":240,"_value":{{"extension":[{{"url":"{ABSENT}","valueCode":"error"}}]}},"code":"mL"}}}}"#
    ));
    with(&text, FhirVersion::R4, |order, problems, _| {
        let entry = &order.formula.as_ref().unwrap().administrations[0];
        assert!(matches!(entry.quantity.value().unwrap().value, Field::Unreadable { .. }));
        assert!(problems.iter().any(|p| p.grave && p.code == "invariant"));
    });
}

/// Reads one R4 administration and asks whether exactly this place is unreadable, with a grave problem.
fn unreadable(entry: &str, path: &str, says: &str) {
    with(&r4_entry(entry), FhirVersion::R4, |_, problems, root| {
        let hit = problems.iter().find(|p| root.of_same_document(p.at).path() == path);
        let hit = hit.unwrap_or_else(|| panic!("{entry}: nothing at {path}: {problems:?}"));
        assert!(hit.grave && hit.text.contains(says), "{entry}: {hit:?}");
    });
}

#[test]
fn what_cannot_be_read_is_unreadable_and_named() {
    let entry = "NutritionOrder.enteralFormula.administration[0]";
    let repeat = &format!("{entry}.schedule.repeat");
    for (json, path, says) in [
        (r#"{"quantity":{"value":"240","code":"mL"}}"#, format!("{entry}.quantity.value"), "the text \"240\""),
        (r#"{"quantity":{"value":true}}"#, format!("{entry}.quantity.value"), "a boolean"),
        (r#"{"quantity":[{"value":240}]}"#, format!("{entry}.quantity[0]"), "an array"),
        (r#"{"quantity":{"value":240,"code":7}}"#, format!("{entry}.quantity.code"), "the number 7"),
        (r#"{"quantity":{"value":240,"comparator":1}}"#, format!("{entry}.quantity.comparator"), "the number 1"),
        (r#"{"schedule":{"repeat":{"periodUnit":"hours"}}}"#, format!("{repeat}.periodUnit"), "one of s, min, h"),
        (r#"{"schedule":{"repeat":{"frequency":1.5}}}"#, format!("{repeat}.frequency"), "a whole number"),
        (r#"{"schedule":{"repeat":{"frequency":0}}}"#, format!("{repeat}.frequency"), "from 1"),
        (r#"{"schedule":{"repeat":{"frequency":2147483648}}}"#, format!("{repeat}.frequency"), "2147483647"),
        (r#"{"schedule":{"repeat":{"period":-4}}}"#, format!("{repeat}.period"), "not negative"),
        (r#"{"schedule":{"repeat":{"period":"4"}}}"#, format!("{repeat}.period"), "without quotes"),
        (r#"{"schedule":{"repeat":{"offset":-5}}}"#, format!("{repeat}.offset"), "from 0"),
        (r#"{"schedule":{"repeat":{"timeOfDay":["07:00:00","19:00"]}}}"#, format!("{repeat}.timeOfDay[1]"), "seconds"),
        (r#"{"schedule":{"repeat":{"timeOfDay":["24:00:00"]}}}"#, format!("{repeat}.timeOfDay[0]"), "24:00"),
        (r#"{"schedule":{"repeat":{"timeOfDay":"07:00:00"}}}"#, format!("{repeat}.timeOfDay"), "an array"),
        (r#"{"schedule":{"repeat":{"dayOfWeek":["Monday"]}}}"#, format!("{repeat}.dayOfWeek[0]"), "one of mon"),
        (
            r#"{"schedule":{"repeat":{"boundsPeriod":{"start":"2026-11-25T07:00:00"}}}}"#,
            format!("{repeat}.bounds.start"),
            "zone",
        ),
        (
            r#"{"schedule":{"repeat":{"boundsPeriod":{"start":"2026-02-30"}}}}"#,
            format!("{repeat}.bounds.start"),
            "no such day",
        ),
        (r#"{"schedule":{"event":["today"]}}"#, format!("{entry}.schedule.event[0]"), "found the text \"today\""),
    ] {
        unreadable(json, &path, says);
    }
}

#[test]
fn a_timing_with_an_unreadable_part_says_so_itself() {
    for repeat in [
        r#"{"timeOfDay":["07:00:00","19:00"]}"#,
        r#"{"dayOfWeek":["mon","Tuesday"]}"#,
        r#"{"timeOfDay":["07:00:00",null],"_timeOfDay":[null,{"extension":[{"url":"http://hl7.org/fhir/StructureDefinition/data-absent-reason","valueCode":"unknown"}]}]}"#,
    ] {
        let text = r4_entry(&format!(r#"{{"schedule":{{"repeat":{repeat}}},"quantity":{{"value":100,"code":"mL"}}}}"#));
        with(&text, FhirVersion::R4, |order, _, _| {
            let timing = &order.formula.as_ref().unwrap().administrations[0].timings[0];
            assert_eq!(timing.unreadable.len(), 1, "{repeat}: a shortened list must not pass for the whole");
        });
    }
    for schedule in [r#"[{"repeat":{}}]"#, r#"{"repeat":[]}"#, r#""daily""#] {
        let text = r4_entry(&format!(r#"{{"schedule":{schedule},"quantity":{{"value":100,"code":"mL"}}}}"#));
        with(&text, FhirVersion::R4, |order, problems, _| {
            let timing = &order.formula.as_ref().unwrap().administrations[0].timings[0];
            assert_eq!(timing.unreadable.len(), 1, "{schedule}");
            assert!(problems.iter().any(|p| p.grave));
        });
    }
}

#[test]
fn two_bounds_and_two_rates_are_reported() {
    let text = r4_entry(
        r#"{"schedule":{"repeat":{"boundsPeriod":{"start":"2026-11-25"},"boundsDuration":{"value":1,"code":"d"}}},
            "rateQuantity":{"value":60,"code":"mL/h"},"rateRatio":{"numerator":{"value":200,"code":"mL"},"denominator":{"value":4,"code":"h"}}}"#,
    );
    with(&text, FhirVersion::R4, |order, problems, _| {
        let entry = &order.formula.as_ref().unwrap().administrations[0];
        assert!(matches!(entry.timings[0].repeat.as_ref().unwrap().bounds, Field::Unreadable { .. }));
        assert!(entry.other_rate.is_some());
        assert!(matches!(entry.rate.value(), Some(Rate::Quantity(_))));
        assert_eq!(problems.iter().filter(|p| p.grave).count(), 2);
    });
}

#[test]
fn an_administration_that_is_no_object_is_an_unknown_volume_and_not_none() {
    for formula in [
        r#"{"administration":{"rateQuantity":{"value":60,"code":"mL/h"}}}"#,
        r#"{"administration":["60 mL/h"]}"#,
        r#"[{}]"#,
        r#""60 mL/h""#,
    ] {
        with(&r4(formula, ""), FhirVersion::R4, |order, problems, _| {
            let formula_read = order.formula.as_ref().unwrap();
            assert_eq!(formula_read.administrations.len(), 1, "{formula}");
            assert!(matches!(formula_read.administrations[0].quantity, Field::Unreadable { .. }));
            assert!(problems.iter().any(|p| p.grave), "{formula}");
        });
    }
}

#[test]
fn bad_codes_and_missing_required_elements_are_named() {
    let text = r#"{"resourceType":"NutritionOrder","status":"bogus","dateTime":"2026-11"}"#;
    with(text, FhirVersion::R4, |order, problems, _| {
        assert!(matches!(order.status, Field::Unreadable { .. }));
        assert_eq!(order.date_time.value(), Some(&When::Month(2026, 11)));
        assert!(problems.iter().any(|p| p.code == "value" && p.text.contains("draft, active")));
        let required: Vec<&str> = problems.iter().filter(|p| p.code == "required").map(|p| p.text.as_str()).collect();
        assert_eq!(required.len(), 2, "{required:?}");
        assert!(required[0].contains("intent") && required[1].contains("patient"));
    });
}

#[test]
fn a_leap_second_is_read_and_a_clock_time_without_a_zone_is_not() {
    let leap = r4("{}", "").replace("2026-11-25T08:00:00+01:00", "2016-12-31T23:59:60Z");
    with(&leap, FhirVersion::R4, |order, problems, _| {
        no_grave(problems);
        // 2017-01-01T00:00:00Z.
        assert_eq!(order.date_time.value(), Some(&When::Instant { epoch: Exact::int(1_483_228_800), offset: 0 }));
    });
    let local = r4("{}", "").replace("08:00:00+01:00", "08:00:00");
    with(&local, FhirVersion::R4, |order, problems, _| {
        assert!(matches!(order.date_time, Field::Unreadable { .. }));
        assert!(problems.iter().any(|p| p.text.contains("zone")));
    });
}

#[test]
fn r5_schedules_are_read_whole() {
    let text = r5(
        r#"{"administration":[{"schedule":{"timing":[{"repeat":{"timeOfDay":["08:00:00"]}},{"repeat":{"timeOfDay":["20:00:00"]}}],"asNeeded":true,"asNeededFor":{"text":"intake below half"}},"quantity":{"value":100,"code":"mL"}},
            {"schedule":{"asNeeded":false}},{"schedule":{"asNeeded":"yes"}},{"schedule":{"asNeededFor":{"text":"hunger"}}}]}"#,
        "",
    );
    with(&text, FhirVersion::R5, |order, problems, root| {
        let entries = &order.formula.as_ref().unwrap().administrations;
        assert_eq!(entries[0].timings.len(), 2);
        assert!(root.of_same_document(entries[0].as_needed.unwrap()).path().ends_with("schedule.asNeeded"));
        assert_eq!(entries[1].as_needed, None);
        assert!(entries[2].as_needed.is_some(), "not readable: it may be as needed");
        assert!(entries[3].as_needed.is_some());
        assert_eq!(problems.iter().filter(|p| p.grave).count(), 1);
    });
}

#[test]
fn r5_additives_references_and_groups() {
    let text = r5(
        &format!(
            r##"{{"baseFormulaType":{{"reference":{{"reference":"#feed","display":"own mix"}}}},
            "additive":[{{"type":{{"concept":{{"text":"oil"}}}},"quantity":{{"value":10,"code":"mL"}},"extension":[{{"url":"{BASE}/additive-per","valueCode":"day"}}]}},
                        {{"productName":"salt","quantity":{{"value":1,"code":"g"}},"extension":[{{"url":"{BASE}/additive-per","valueCode":"week"}}]}}]}}"##
        ),
        "",
    )
    .replace("Patient/p1", "Group/g1");
    with(&text, FhirVersion::R5, |order, problems, _| {
        assert!(order.subject_is_group);
        let formula = order.formula.as_ref().unwrap();
        let base = formula.base.as_ref().unwrap();
        assert_eq!(base.label(), "own mix");
        assert_eq!(formula.additives[0].per.as_ref().unwrap().value, "day");
        assert!(matches!(formula.additives[1].quantity, Field::Unreadable { .. }), "per what is not known");
        assert_eq!(problems.iter().filter(|p| p.grave).count(), 1);
        assert!(order.unknown_extensions.is_empty());
    });
}

#[test]
fn r4_additive_doses_belong_to_the_additive_they_name() {
    let dose = |item: &str, value: &str, per: &str| {
        format!(
            r#"{{"url":"{BASE}/additive-dose","extension":[{{"url":"item","valueCodeableConcept":{{"text":"{item}"}}}},
            {{"url":"quantity","valueQuantity":{{"value":{value},"code":"mL"}}}}{per}]}}"#
        )
    };
    let per = r#",{"url":"per","valueCode":"feed"}"#;
    let text = r4(
        &format!(
            r#"{{"extension":[{},{}],"additiveProductName":"Invented Oil"}}"#,
            dose("invented oil", "10", per),
            dose("fibre mix", "5", "")
        ),
        "",
    );
    with(&text, FhirVersion::R4, |order, problems, _| {
        assert!(problems.is_empty(), "{problems:?}");
        let additives = &order.formula.as_ref().unwrap().additives;
        assert_eq!(additives.len(), 2);
        assert_eq!(additives[0].product.label(), "Invented Oil");
        assert_eq!(additives[0].per.as_ref().unwrap().value, "feed");
        assert!(additives[0].quantity.value().is_some());
        assert_eq!((additives[1].product.label().as_str(), additives[1].per.is_none()), ("fibre mix", true));
        assert!(order.unknown_extensions.is_empty());
    });
    // In R5 the element itself has a quantity, so the R4 carrier is not read there, which must not pass.
    with(&r5(&format!(r#"{{"extension":[{}]}}"#, dose("x", "1", "")), ""), FhirVersion::R5, |order, problems, _| {
        assert!(problems.iter().any(|p| p.grave && p.code == "extension"), "{problems:?}");
        assert!(order.formula.as_ref().unwrap().additives.is_empty());
    });
}

#[test]
fn the_cross_version_additive_quantity_is_read_on_r4() {
    let url = "http://hl7.org/fhir/5.0/StructureDefinition/extension-NutritionOrder.enteralFormula.additive.quantity";
    let text = r4(
        &format!(
            r#"{{"extension":[{{"url":"{url}","valueQuantity":{{"value":15,"code":"mL"}}}}],"additiveType":{{"text":"oil"}}}}"#
        ),
        "",
    );
    with(&text, FhirVersion::R4, |order, problems, _| {
        assert!(problems.is_empty() && order.unknown_extensions.is_empty());
        let additives = &order.formula.as_ref().unwrap().additives;
        assert_eq!(additives.len(), 1);
        assert_eq!(additives[0].quantity.value().unwrap().value.value().unwrap().to_string(), "15");
        assert!(additives[0].per.is_none());
    });
}

#[test]
fn flushes_and_administration_products_are_read_in_both_versions() {
    let flush = |parts: &str| format!(r#"{{"url":"{BASE}/water-flush","extension":[{parts}]}}"#);
    let volume = r#"{"url":"volume","valueQuantity":{"value":30,"code":"mL"}}"#;
    let formula = format!(
        r#"{{"extension":[{},{},{},{}],"administration":[{{"extension":[{{"url":"{BASE}/administration-product","valueCodeableConcept":{{"text":"water"}}}}],"quantity":{{"value":50,"code":"mL"}}}}]}}"#,
        flush(&format!(r#"{volume},{{"url":"with-each-feed","valueCode":"before-and-after"}}"#)),
        flush(&format!(
            r#"{volume},{{"url":"schedule","valueTiming":{{"repeat":{{"frequency":1,"period":4,"periodUnit":"h"}}}}}},{{"url":"fluid","valueCodeableConcept":{{"text":"half-strength saline"}}}}"#
        )),
        flush(
            r#"{"url":"with-each-feed","valueCode":"sometimes"},{"url":"volume","valueQuantity":{"value":30,"code":"mL"}}"#
        ),
        flush(r#"{"url":"volume","valueString":"30 mL"},{"url":"colour","valueCode":"blue"}"#),
    );
    for (text, version) in [(r4(&formula, ""), FhirVersion::R4), (r5(&formula, ""), FhirVersion::R5)] {
        with(&text, version, |order, problems, root| {
            let formula = order.formula.as_ref().unwrap();
            assert_eq!(formula.flushes.len(), 4);
            assert_eq!(formula.flushes[0].with_each_feed.as_ref().unwrap().value, "before-and-after");
            assert!(formula.flushes[0].fluid.is_none() && formula.flushes[0].volume.value().is_some());
            assert!(formula.flushes[1].schedule.as_ref().unwrap().repeat.is_some());
            assert_eq!(formula.flushes[1].fluid.as_ref().unwrap().label(), "half-strength saline");
            assert!(matches!(formula.flushes[2].volume, Field::Unreadable { .. }), "how often is not known");
            assert!(matches!(formula.flushes[3].volume, Field::Unreadable { .. }));
            assert_eq!(problems.iter().filter(|p| p.grave).count(), 3, "{problems:?}");
            assert_eq!(formula.administrations[0].product.as_ref().unwrap().label(), "water");
            // The unknown part only.
            let unknown: Vec<String> =
                problems.iter().filter(|p| p.code == "extension").map(|p| root.of_same_document(p.at).path()).collect();
            assert_eq!(unknown, ["NutritionOrder.enteralFormula.extension[3].extension[1]"]);
            assert!(order.unknown_extensions.is_empty());
        });
    }
}

#[test]
fn our_extensions_do_not_pass_where_they_are_not_read() {
    for url in [format!("{BASE}/water-flush"), format!("{BASE}/water-flushes"), BASE.replace("https", "http")] {
        let text = r4("{}", &format!(r#","extension":[{{"url":"{url}","extension":[]}}]"#));
        with(&text, FhirVersion::R4, |order, problems, _| {
            assert!(order.unknown_extensions.is_empty());
            assert!(problems.iter().any(|p| p.grave && p.code == "extension"), "{problems:?}");
        });
    }
}

#[test]
fn modifiers_are_found_anywhere_and_implicit_rules_too() {
    let modifier = r#""modifierExtension":[{"url":"https://example.org/not"}]"#;
    for (text, path) in [
        (r4("{}", &format!(",{modifier}")), "NutritionOrder.modifierExtension[0]"),
        (r4(&format!("{{{modifier}}}"), ""), "NutritionOrder.enteralFormula.modifierExtension[0]"),
        (r4_entry(&format!("{{{modifier}}}")), "NutritionOrder.enteralFormula.administration[0].modifierExtension[0]"),
        (
            r4_entry(&format!(r#"{{"schedule":{{{modifier}}}}}"#)),
            "NutritionOrder.enteralFormula.administration[0].schedule.modifierExtension[0]",
        ),
        (
            r4("{}", &format!(r#","contained":[{{"resourceType":"Patient","id":"p",{modifier}}}]"#)),
            "NutritionOrder.contained[0].modifierExtension[0]",
        ),
        (
            r4("{}", &format!(r#","extension":[{{"url":"https://example.org/x","valueTiming":{{{modifier}}}}}]"#)),
            "NutritionOrder.extension[0].value.modifierExtension[0]",
        ),
        (r4("{}", r#","implicitRules":"https://example.org/rules""#), "NutritionOrder.implicitRules"),
    ] {
        with(&text, FhirVersion::R4, |order, _, root| {
            let found: Vec<String> =
                order.unknown_modifiers.iter().map(|at| root.of_same_document(*at).path()).collect();
            assert_eq!(found, [path]);
        });
    }
}

#[test]
fn unknown_extensions_and_elements_are_listed_and_known_ones_are_not() {
    let text = r4(
        r#"{"caloricDensity":{"value":1,"code":"kcal/mL","extension":[{"url":"https://example.org/a"}]},"strength":"half","administration":[{"speed":1}]}"#,
        r#","priority":"stat","language":"en","_status":{"extension":[{"url":"https://example.org/b"},{"url":"http://hl7.org/fhir/StructureDefinition/originalText","valueString":"x"}]},"_patient":{}"#,
    );
    with(&text, FhirVersion::R4, |order, _, root| {
        let paths =
            |list: &[At]| -> Vec<String> { list.iter().map(|at| root.of_same_document(*at).pointer()).collect() };
        assert_eq!(
            paths(&order.unknown_extensions),
            ["/enteralFormula/caloricDensity/extension/0", "/_status/extension/0"]
        );
        assert_eq!(
            paths(&order.unknown_elements),
            ["/enteralFormula/strength", "/enteralFormula/administration/0/speed", "/priority", "/_patient"]
        );
    });
}

#[test]
fn another_version_is_named_with_its_fields_and_never_converted() {
    let r5_text = r5(r#"{"routeOfAdministration":{"text":"NG"},"administration":[{"schedule":{"timing":[{}]}}]}"#, "");
    with(&r5_text, FhirVersion::R4, |order, problems, _| {
        assert!(order.patient.is_absent());
        let said = problems.iter().find(|p| p.code == "not-supported").unwrap();
        assert!(said.grave && said.text.contains("looks like R5 sent as R4"), "{}", said.text);
        assert!(said.text.contains("subject") && said.text.contains(", timing;"), "{}", said.text);
    });
    let r4_text = r4(
        r#"{"routeofAdministration":{"text":"NG"},"administration":[{"schedule":{"repeat":{"frequency":1,"period":1,"periodUnit":"d"}},"quantity":{"value":100,"code":"mL"}}]}"#,
        "",
    );
    with(&r4_text, FhirVersion::R5, |order, problems, _| {
        let said = problems.iter().find(|p| p.code == "not-supported").unwrap();
        assert!(said.text.contains("looks like R4 sent as R5") && said.text.contains("routeofAdministration"));
        // The R4 timing is not read, and is not "no schedule" either.
        let entry = &order.formula.as_ref().unwrap().administrations[0];
        assert_eq!(entry.timings.len(), 1);
        assert_eq!(entry.timings[0].unreadable.len(), 1);
    });
    // Names of the R6 ballot (6.0.0-ballot) and of STU3.
    for (formula, more, version, field) in [
        (r#"{"maxVolumeToAdminister":{"value":1}}"#, "", WireVersion::R6, "enteralFormula.maxVolumeToAdminister"),
        (r#"{"type":{"concept":{"text":"x"}}}"#, "", WireVersion::R6, "enteralFormula.type"),
        (r#"{"productName":"x"}"#, "", WireVersion::R6, "enteralFormula.productName"),
        (
            r#"{"deliveryDeviceCodeableConcept":{"text":"x"}}"#,
            "",
            WireVersion::R6,
            "enteralFormula.deliveryDeviceCodeableConcept",
        ),
        ("{}", r#","requester":{}"#, WireVersion::R6, "requester"),
        ("{}", r#","additive":[]"#, WireVersion::R6, "additive"),
        (
            r#"{"administration":[{"schedule":{"repeat":{"periodUnits":"h"}}}]}"#,
            "",
            WireVersion::Stu3,
            "enteralFormula.administration.schedule.repeat.periodUnits",
        ),
    ] {
        let text = r4(formula, more);
        with(&text, FhirVersion::R4, |_, problems, root| {
            let hints = diagnose_version(root);
            assert!(hints.iter().any(|h| h.version == version && h.field == field), "{field}: {hints:?}");
            let said = problems.iter().find(|p| p.code == "not-supported").unwrap();
            // By its own name; where it stands, the place says.
            let name = field.rsplit('.').next().unwrap();
            assert!(said.text.starts_with("version not supported") && said.text.contains(name), "{}", said.text);
        });
    }
    with(&r4("{}", "").replace("active", "ended"), FhirVersion::R4, |_, problems, _| {
        assert!(problems.iter().any(|p| p.code == "not-supported" && p.text.contains("status ended")));
    });
    let stu3 = r4("{}", "").replace("active", "requested").replace(r#""intent":"order","#, "");
    with(&stu3, FhirVersion::R4, |_, problems, _| {
        assert!(problems.iter().any(|p| p.code == "not-supported" && p.text.contains("the missing intent")));
    });
}

#[test]
fn an_order_of_its_own_version_gives_no_hint_of_another() {
    for (text, version, own) in [
        (
            r4(r#"{"baseFormulaType":{"text":"x"},"routeofAdministration":{"text":"NG"}}"#, ""),
            FhirVersion::R4,
            WireVersion::R4,
        ),
        (
            r5(r#"{"baseFormulaType":{"concept":{"text":"x"}},"routeOfAdministration":{"text":"NG"}}"#, ""),
            FhirVersion::R5,
            WireVersion::R5,
        ),
    ] {
        with(&text, version, |_, problems, root| {
            assert!(problems.is_empty(), "{problems:?}");
            assert!(diagnose_version(root).iter().all(|h| h.version == own));
        });
    }
}

#[test]
fn escapes_and_places_survive() {
    let text = r4(r#"{"baseFormulaProductName":"Invented \"Feed\" \u00b5"}"#, "");
    with(&text, FhirVersion::R4, |order, _, root| {
        let name = order.formula.as_ref().unwrap().base.as_ref().unwrap().name.as_ref().unwrap();
        assert_eq!(name.value, "Invented \"Feed\" \u{b5}");
        assert_eq!(root.of_same_document(name.at).path(), "NutritionOrder.enteralFormula.baseFormulaProductName");
    });
}

/// The official examples of HL7 (CC0), when `FHIR_EXAMPLES` names a folder with `r4/` and `r5/`.
#[test]
fn official_examples_are_read_without_a_grave_problem() {
    let Some(folder) = std::env::var_os("FHIR_EXAMPLES") else { return };
    let mut read = 0;
    for (name, version) in [("r4", FhirVersion::R4), ("r4", FhirVersion::R4B), ("r5", FhirVersion::R5)] {
        for file in std::fs::read_dir(std::path::Path::new(&folder).join(name)).unwrap() {
            let path = file.unwrap().path();
            let bytes = std::fs::read(&path).unwrap();
            let limits = Limits { string: 1 << 20, ..Limits::default() };
            let document = Document::read(&bytes, &limits).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
            let (order, problems) = read_order(document.root(), version, &NoResolver);
            no_grave(&problems);
            assert!(order.unknown_elements.is_empty(), "{}: {:?}", path.display(), order.unknown_elements);
            read += 1;
        }
    }
    assert!(read > 0);
}
