//! The patient of an order: whose data is used, which weight is current, what was sent at all.
//!
//! Everything here is invented. LOINC codes and Observation statuses: FHIR vital-signs profile and value
//! set observation-status; rules of choice: common practice, no source.

use enteral_gate::amount::Amount;
use enteral_gate::exact::Exact;
use enteral_gate::intake::bundle::gather;
use enteral_gate::intake::json::{Document, Limits, Node};
use enteral_gate::intake::order::{FhirVersion, Field, Problem, When};
use enteral_gate::intake::wire::read_order;
use enteral_gate::patient::{
    Context, CorrectionBasis, Person, ReferenceSource, Refusal, Rejection, Sent, Sex, context, identity_key,
};
use enteral_gate::settings::Settings;
use jiff::tz::TimeZone;

fn settings() -> Settings {
    Settings { zone: TimeZone::get("Europe/Vienna").unwrap(), zone_name: "Europe/Vienna".into(), ..Settings::default() }
}

fn with_settings<T>(
    text: &str,
    version: FhirVersion,
    settings: &Settings,
    look: impl FnOnce(&Context<'_>, &[Problem], Node<'_>) -> T,
) -> T {
    let document = Document::read(text.as_bytes(), &Limits::default()).unwrap_or_else(|e| panic!("{e}\n{text}"));
    let gathered = gather(&document);
    let (order, _) = read_order(gathered.orders[0], version, &gathered);
    let (context, problems) = context(&gathered, &order, settings);
    look(&context, &problems, document.root())
}

fn with<T>(text: &str, look: impl FnOnce(&Context<'_>, &[Problem], Node<'_>) -> T) -> T {
    with_settings(text, FhirVersion::R4, &settings(), look)
}

const ORDER: &str = r#"{"resourceType":"NutritionOrder","id":"o","status":"active","intent":"order","patient":{"reference":"Patient/p1"},"dateTime":"2026-11-25T08:00:00+01:00","enteralFormula":{}}"#;

/// Parameters with the order first and then each resource.
fn parameters(resources: &[&str]) -> String {
    parameters_of(ORDER, resources)
}

fn parameters_of(order: &str, resources: &[&str]) -> String {
    let parts: Vec<String> =
        std::iter::once(&order).chain(resources).map(|r| format!(r#"{{"name":"resource","resource":{r}}}"#)).collect();
    format!(r#"{{"resourceType":"Parameters","parameter":[{}]}}"#, parts.join(","))
}

const PATIENT: &str = r#"{"resourceType":"Patient","id":"p1","birthDate":"2026-08-01","gender":"female"}"#;

/// An Observation of Patient/p1 with a quantity.
fn observation(code: &str, value: &str, unit: &str, when: &str) -> String {
    format!(
        r#"{{"resourceType":"Observation","status":"final","code":{{"coding":[{{"system":"http://loinc.org","code":"{code}"}}]}},
        "subject":{{"reference":"Patient/p1"}},"effectiveDateTime":"{when}",
        "valueQuantity":{{"value":{value},"unit":"{unit}","system":"http://unitsofmeasure.org","code":"{unit}"}}}}"#
    )
}

fn weight(value: &str, when: &str) -> String {
    observation("29463-7", value, "kg", when)
}

fn grams(context: &Context<'_>) -> Option<Exact> {
    context.weight.value()
}

#[test]
fn the_patient_is_read() {
    with(&parameters(&[PATIENT]), |context, problems, root| {
        assert!(problems.is_empty(), "{problems:?}");
        let Person::Resource(at) = context.person else { panic!("{:?}", context.person) };
        assert_eq!(root.of_same_document(at).pointer(), "/parameter/1/resource");
        assert_eq!(context.birth.value(), Some(&When::Day(2026, 8, 1)));
        assert_eq!(context.sex, Sex::Female);
        assert_eq!(context.age_days(), Amount::Known(Exact::int(116)));
        assert_eq!(context.age_months(), Amount::Known(Exact::int(3)));
    });
    for (gender, sex) in [("male", Sex::Male), ("other", Sex::Unknown), ("unknown", Sex::Unknown)] {
        with(&parameters(&[&PATIENT.replace("female", gender)]), |context, _, _| assert_eq!(context.sex, sex));
    }
    with(
        &parameters(&[&PATIENT.replace("female", "F").replace("2026-08-01", "01.08.2026")]),
        |context, problems, _| {
            assert_eq!(context.sex, Sex::Unknown);
            assert!(matches!(context.birth, Field::Unreadable { .. }));
            assert_eq!(problems.len(), 2);
            assert!(matches!(context.age_days(), Amount::Unknown(_)));
        },
    );
    with(&parameters(&[&PATIENT.replace("2026-08-01", "2026-11-26")]), |_, problems, _| {
        assert!(problems.iter().any(|p| p.grave && p.text.contains("birth date lies after")));
    });
    with(
        &parameters(&[
            &PATIENT.replace(r#""gender""#, r#""modifierExtension":[{"url":"https://example.org/x"}],"gender""#)
        ]),
        |context, problems, _| {
            assert!(matches!(context.birth, Field::Unreadable { .. }));
            assert_eq!(context.sex, Sex::Unknown);
            assert!(problems.iter().any(|p| p.grave && p.code == "extension"));
        },
    );
}

#[test]
fn a_partial_birth_date_gives_a_range() {
    with(&parameters(&[&PATIENT.replace("2026-08-01", "2026-10")]), |context, _, _| {
        let age = context.age_days();
        assert_eq!((age.low(), age.high()), (Some(Exact::int(25)), Some(Exact::int(55))));
    });
}

#[test]
fn equal_reference_texts_mean_the_same_person_even_without_the_patient() {
    with(&parameters(&[&weight("4.2", "2026-11-24")]), |context, problems, _| {
        assert_eq!(context.person, Person::ReferenceOnly);
        assert_eq!(grams(context), Some(Exact::int(4200)));
        assert!(context.refused.is_empty() && problems.is_empty());
    });
}

#[test]
fn the_latest_usable_weight_up_to_the_order_is_current() {
    let all = [
        weight("4.0", "2026-11-20T08:00:00+01:00"),
        weight("4.2", "2026-11-24T08:00:00+01:00"),
        weight("9.9", "2026-11-25T09:00:00+01:00"),
        weight("9.9", "2026-11-24T20:00:00+01:00").replace("final", "entered-in-error"),
        weight("9.9", "2026-11-24T20:00:00+01:00").replace("final", "preliminary"),
    ];
    with(&parameters(&all.each_ref().map(String::as_str)), |context, problems, _| {
        let chosen = context.weight.chosen.as_ref().unwrap();
        assert_eq!(chosen.value, Exact::int(4200));
        assert_eq!(chosen.written.unit.as_deref(), Some("kg"));
        assert_eq!(context.weight.earlier.len(), 1);
        assert_eq!(context.seconds_since(chosen), Amount::Known(Exact::int(86_400)));
        let why: Vec<String> = context.weight.rejected.iter().map(|r| r.why.to_string()).collect();
        assert_eq!(why.len(), 3);
        assert!(
            why[0].contains("after the time") && why[1].contains("entered-in-error") && why[2].contains("preliminary")
        );
        // The preliminary one may be what the patient weighs now; the others are not.
        assert_eq!(problems.len(), 1, "{problems:?}");
        assert!(problems[0].grave && problems[0].text.contains("9.9 kg") && problems[0].text.contains("preliminary"));
    });
    for status in ["amended", "corrected"] {
        let text = weight("4.2", "2026-11-24").replace("final", status);
        with(&parameters(&[&text]), |context, _, _| assert_eq!(grams(context), Some(Exact::int(4200)), "{status}"));
    }
}

#[test]
fn weights_that_cannot_be_used_say_why() {
    let good = weight("4.2", "2026-11-24");
    let value = r#""value":4.2"#;
    for (text, says) in [
        (good.replace(value, r#""value":4.2,"comparator":"<""#), "<"),
        (good.replace(value, r#""value":0"#), "zero or below"),
        (good.replace(value, r#""value":-4.2"#), "zero or below"),
        (good.replace(value, r#""value":"4.2""#), ""),
        (good.replace("\"kg\"", "\"cm\""), "cm"),
        (good.replace("\"kg\"", "\"stone\""), "stone"),
        (
            good.replace(r#","code":"kg""#, "")
                .replace(r#""unit":"kg","#, "")
                .replace(r#","system":"http://unitsofmeasure.org""#, ""),
            "",
        ),
        (good.replace(r#""effectiveDateTime":"2026-11-24","#, ""), "does not say when"),
        (good.replace("2026-11-24", "yesterday"), "cannot be read"),
        (good.replace(r#""status""#, r#""focus":[{"reference":"Patient/p2"}],"status""#), "somebody or something else"),
        (good.replace(r#""status""#, r#""modifierExtension":[{"url":"https://example.org/x"}],"status""#), "modifier"),
        (good.replace(r#""system":"http://loinc.org","#, ""), "LOINC"),
    ] {
        with(&parameters(&[&text]), |context, _, _| {
            assert!(context.weight.chosen.is_none(), "{text}");
            assert_eq!(context.weight.rejected.len(), 1, "{text}");
            let why = context.weight.rejected[0].why.to_string();
            assert!(why.contains(says), "{says}: {why}");
            assert!(context.weight.is_sent());
        });
    }
    let absent = r#"{"resourceType":"Observation","status":"final","code":{"coding":[{"system":"http://loinc.org","code":"29463-7"}]},
        "subject":{"reference":"Patient/p1"},"effectiveDateTime":"2026-11-24","dataAbsentReason":{"text":"refused"}}"#;
    with(&parameters(&[absent]), |context, _, _| {
        assert_eq!(context.weight.rejected[0].why, Rejection::DataAbsent("refused".into()));
    });
    // The same digits in another code system are no weight at all.
    with(&parameters(&[&good.replace("http://loinc.org", "urn:oid:1.2.3")]), |context, _, _| {
        assert!(!context.weight.is_sent());
    });
}

#[test]
fn an_older_weight_does_not_silently_replace_an_unreadable_newer_one() {
    let newer = weight("4.2", "2026-11-24").replace(r#""value":4.2"#, r#""value":4.2,"comparator":">""#);
    with(&parameters(&[&weight("4.0", "2026-11-20"), &newer]), |context, problems, _| {
        assert_eq!(grams(context), Some(Exact::int(4000)));
        assert!(problems.iter().any(|p| p.grave && p.text.contains("may be the latest")), "{problems:?}");
    });
    let older = newer.replace("2026-11-24", "2026-11-01");
    with(&parameters(&[&weight("4.0", "2026-11-20"), &older]), |_, problems, _| {
        assert!(problems.is_empty(), "{problems:?}")
    });
}

/// What may be newer and cannot be used is named, whatever is wrong with it; what never was a value of now is not.
#[test]
fn what_is_not_final_or_undated_or_of_no_system_hides_an_older_weight() {
    let older = weight("4.0", "2026-11-20");
    let newer = weight("4.2", "2026-11-24");
    let told = |one: &str| {
        with(&parameters(&[&older, one]), |context, problems, _| {
            assert_eq!(grams(context), Some(Exact::int(4000)), "{one}");
            problems.iter().filter(|p| p.grave).map(|p| p.text.clone()).collect::<Vec<_>>()
        })
    };
    let undated = newer.replace(r#""effectiveDateTime":"2026-11-24","#, "");
    let no_system = newer.replace(r#""system":"http://loinc.org","#, "");
    for (hides, why) in [
        (newer.replace("final", "preliminary"), "its status is \"preliminary\""),
        (newer.replace("final", "unknown"), "its status is \"unknown\""),
        (newer.replace("final", "registered"), "its status is \"registered\""),
        (newer.replace("final", "a-later-status"), "its status is \"a-later-status\""),
        (newer.replace(r#""status":"final","#, ""), "its status is missing"),
        (undated.clone(), "does not say when"),
        (no_system.clone(), "not marked as LOINC"),
        // An undated one may be of today, whatever else is wrong with it.
        (undated.replace("final", "preliminary"), "its status is \"preliminary\""),
    ] {
        let told = told(&hides);
        assert_eq!(told.len(), 1, "{hides}: {told:?}");
        assert!(told[0].starts_with("this body weight of 4.2 kg cannot be used"), "{}", told[0]);
        assert!(told[0].contains(why) && told[0].ends_with("the latest that can be used is 4.0 kg"), "{}", told[0]);
    }
    let empty = newer.replace("final", "registered").replace("valueQuantity", "x-valueQuantity");
    for none in [
        newer.replace("final", "cancelled"),
        newer.replace("final", "entered-in-error"),
        undated.replace("final", "entered-in-error"),
        no_system.replace("final", "cancelled"),
        // Not measured yet.
        empty,
        // Older, or after the order.
        newer.replace("final", "preliminary").replace("2026-11-24", "2026-11-01"),
        no_system.replace("2026-11-24", "2026-11-01"),
        newer.replace("final", "preliminary").replace("2026-11-24", "2026-11-27"),
        no_system.replace("2026-11-24", "2026-11-27"),
    ] {
        assert_eq!(told(&none), Vec::<String>::new(), "{none}");
    }
}

#[test]
fn two_weights_of_the_same_time_that_differ_are_a_conflict() {
    let at = "2026-11-24T08:00:00+01:00";
    with(
        &parameters(&[&weight("4.2", at), &weight("4.3", at), &weight("4.0", "2026-11-01")]),
        |context, problems, _| {
            assert!(context.weight.chosen.is_none());
            assert_eq!((context.weight.conflict.len(), context.weight.earlier.len()), (2, 1));
            assert!(
                problems
                    .iter()
                    .any(|p| p.grave && p.code == "conflict" && p.text.contains("4.2 kg") && p.text.contains("4.3 kg"))
            );
        },
    );
    // The same weight twice, in other units, agrees.
    with(&parameters(&[&weight("4.2", at), &observation("3141-9", "4200", "g", at)]), |context, problems, _| {
        assert_eq!(grams(context), Some(Exact::int(4200)));
        assert!(problems.is_empty());
    });
    // A date and a clock time of that date: which is later cannot be told.
    with(&parameters(&[&weight("4.2", at), &weight("4.3", "2026-11-24")]), |context, _, _| {
        assert!(context.weight.chosen.is_none() && context.weight.conflict.len() == 2);
    });
    with(&parameters(&[&weight("4.3", "2026-11-24"), &weight("4.3", at)]), |context, _, _| {
        let chosen = context.weight.chosen.as_ref().unwrap();
        assert!(matches!(chosen.effective.unwrap().0, When::Instant { .. }), "the one that says its time most closely");
    });
}

#[test]
fn a_period_stands_for_its_end() {
    let text = weight("4.2", "x").replace(
        r#""effectiveDateTime":"x""#,
        r#""effectivePeriod":{"start":"2026-11-23T08:00:00Z","end":"2026-11-24T08:00:00Z"}"#,
    );
    with(&parameters(&[&text, &weight("4.0", "2026-11-23T20:00:00Z")]), |context, _, _| {
        assert_eq!(grams(context), Some(Exact::int(4200)));
    });
}

#[test]
fn nothing_of_another_patient_is_used() {
    let other = weight("80", "2026-11-24").replace("Patient/p1", "Patient/p2");
    with(&parameters(&[PATIENT, &other]), |context, _, root| {
        assert!(!context.weight.is_sent());
        assert_eq!(context.refused.len(), 1);
        assert_eq!(context.refused[0].why, Refusal::AnotherPatient);
        assert_eq!(root.of_same_document(context.refused[0].at).pointer(), "/parameter/2/resource");
    });
    let second = r#"{"resourceType":"Patient","id":"p2"}"#;
    with(&parameters(&[PATIENT, second, &other]), |context, _, _| assert_eq!(context.refused.len(), 2));
}

#[test]
fn in_a_batch_each_order_has_its_own_patient() {
    let order2 = ORDER.replace("Patient/p1", "Patient/p2").replace("\"o\"", "\"o2\"");
    let other = weight("80", "2026-11-24").replace("Patient/p1", "Patient/p2");
    with(&parameters(&[PATIENT, &order2, &other, &weight("4.2", "2026-11-24")]), |context, _, _| {
        assert_eq!(grams(context), Some(Exact::int(4200)));
        assert_eq!(context.refused.len(), 1);
        assert_eq!(context.refused[0].why, Refusal::PatientOfAnotherOrder);
        assert_eq!(context.other_orders, Sent::NotSent, "another patient's order is no other order of this one");
    });
}

#[test]
fn a_resource_that_names_nobody_is_used_only_when_there_is_one_person() {
    let nobody = weight("4.2", "2026-11-24").replace(r#""subject":{"reference":"Patient/p1"},"#, "");
    with(&parameters(&[PATIENT, &nobody]), |context, _, _| {
        assert_eq!(grams(context), Some(Exact::int(4200)));
        assert_eq!(context.subject_assumed.len(), 1, "used, and said so");
    });
    let second = r#"{"resourceType":"Patient","id":"p2"}"#;
    with(&parameters(&[PATIENT, second, &nobody]), |context, _, _| {
        assert!(!context.weight.is_sent());
        assert!(context.refused.iter().any(|r| r.why == Refusal::NamesNobody));
    });
}

#[test]
fn an_order_for_a_group_or_for_nobody_has_no_context() {
    let group = ORDER.replace("\"patient\"", "\"subject\"").replace("Patient/p1", "Group/g");
    with_settings(
        &parameters_of(&group, &[PATIENT, &weight("4.2", "2026-11-24")]),
        FhirVersion::R5,
        &settings(),
        |context, _, _| {
            assert_eq!(context.person, Person::Group);
            assert!(!context.weight.is_sent());
            assert_eq!(context.refused.len(), 2);
        },
    );
    let nobody = ORDER.replace(r#""patient":{"reference":"Patient/p1"},"#, "");
    with(&parameters_of(&nobody, &[PATIENT, &weight("4.2", "2026-11-24")]), |context, _, _| {
        assert_eq!(context.person, Person::Nobody);
        assert!(!context.weight.is_sent());
        assert!(context.refused.iter().all(|r| r.why == Refusal::OrderNamesNobody));
    });
}

#[test]
fn patients_are_matched_by_identifier_too() {
    let id = r#"{"identifier":{"system":"urn:oid:1.2.3","value":"77"}}"#;
    let order = ORDER.replace(r#"{"reference":"Patient/p1"}"#, id);
    let patient = r#"{"resourceType":"Patient","id":"p1","identifier":[{"system":"urn:oid:1.2.3","value":"77"}],"gender":"male"}"#;
    with(&parameters_of(&order, &[patient, &weight("4.2", "2026-11-24")]), |context, _, _| {
        assert_eq!(context.sex, Sex::Male);
        assert_eq!(grams(context), Some(Exact::int(4200)));
    });
    let observed = weight("4.2", "2026-11-24").replace(r#"{"reference":"Patient/p1"}"#, id);
    with(&parameters_of(&order, &[&observed]), |context, _, _| assert_eq!(grams(context), Some(Exact::int(4200))));
    let stranger = observed.replace("\"77\"", "\"78\"");
    with(&parameters_of(&order, &[&stranger]), |context, _, _| {
        assert!(!context.weight.is_sent());
        assert_eq!(context.refused.len(), 1);
    });
}

#[test]
fn orders_are_grouped_by_patient() {
    let text = |second: &str| parameters(&[&ORDER.replace("Patient/p1", second).replace("\"o\"", "\"o2\"")]);
    let keys = |text: &str| {
        let document = Document::read(text.as_bytes(), &Limits::default()).unwrap();
        let gathered = gather(&document);
        let mut keys = gathered.orders.iter().map(|o| {
            let (order, _) = read_order(*o, FhirVersion::R4, &gathered);
            identity_key(&gathered, &order)
        });
        (keys.next().unwrap(), keys.next().unwrap())
    };
    let (a, b) = keys(&text("Patient/p1"));
    assert_eq!(a, b);
    let (a, b) = keys(&text("Patient/p1/_history/2"));
    assert_eq!(a, b);
    let (a, b) = keys(&text("Patient/p2"));
    assert_ne!(a, b);
    with(&text("Patient/p1"), |context, _, _| assert_eq!(context.other_orders.places().len(), 1));
}

#[test]
fn birth_data_are_read_and_must_agree() {
    let gestation = |value: &str, unit: &str| observation("18185-9", value, unit, "2026-08-01");
    let birth_weight = observation("8339-4", "1100", "g", "2026-08-01");
    with(&parameters(&[PATIENT, &gestation("29", "wk"), &birth_weight]), |context, problems, _| {
        assert!(problems.is_empty(), "{problems:?}");
        assert_eq!(context.gestation_days(), Some(Exact::int(203)));
        assert_eq!(context.birth_weight.value(), Some(Exact::int(1100)));
        let corrected = context.corrected_age();
        assert_eq!(
            (corrected.basis, corrected.days),
            (CorrectionBasis::Corrected, Amount::Known(Exact::int(116 - 77)))
        );
        assert_eq!(context.postmenstrual_days(), Amount::Known(Exact::int(203 + 116)));
        assert!(!context.weight.is_sent(), "a birth weight is not the current weight");
    });
    with(&parameters(&[PATIENT, &gestation("203", "d")]), |context, _, _| {
        assert_eq!(context.gestation_days(), Some(Exact::int(203)))
    });
    with(&parameters(&[PATIENT, &gestation("29", "wk"), &gestation("31", "wk")]), |context, problems, _| {
        assert_eq!(context.gestation_days(), None);
        assert!(problems.iter().any(|p| p.code == "conflict"));
        assert_eq!(context.corrected_age().basis, CorrectionBasis::GestationUnknown);
    });
    for wrong in [gestation("290", "wk"), gestation("7", "mo"), gestation("29", "kg")] {
        with(&parameters(&[PATIENT, &wrong]), |context, _, _| {
            assert_eq!(context.gestation_days(), None);
            assert_eq!(context.gestation.rejected.len(), 1);
        });
    }
}

#[test]
fn height_is_read_in_centimetres() {
    with(&parameters(&[&observation("8302-2", "1.75", "m", "2026-11-01")]), |context, _, _| {
        assert_eq!(context.height.value(), Some(Exact::int(175)));
    });
}

#[test]
fn the_reference_time_is_stated() {
    with(&parameters(&[]), |context, _, _| {
        let reference = context.reference.unwrap();
        assert!(matches!(reference.source, ReferenceSource::Order(_)));
        assert_eq!(reference.epoch, reference.latest);
    });
    let dated = ORDER.replace("2026-11-25T08:00:00+01:00", "2026-11-25");
    let afternoon = weight("4.2", "2026-11-25T14:00:00+01:00");
    with(&parameters_of(&dated, &[&afternoon]), |context, _, _| {
        let reference = context.reference.unwrap();
        assert!(matches!(reference.source, ReferenceSource::OrderDateAtNoon(_)));
        // Noon in Vienna in winter is 11:00Z.
        assert_eq!(reference.epoch, Exact::int(1_795_604_400));
        assert_eq!(grams(context), Some(Exact::int(4200)), "the order may be of that evening");
    });
    with(&parameters_of(&dated, &[&weight("4.2", "2026-11-26T00:00:00+01:00")]), |context, _, _| {
        assert_eq!(grams(context), None)
    });
    let monthly = ORDER.replace("2026-11-25T08:00:00+01:00", "2026-11");
    with(&parameters_of(&monthly, &[PATIENT]), |context, problems, _| {
        assert!(context.reference.is_none());
        assert!(problems.iter().any(|p| p.text.contains("names no day")));
        assert!(matches!(context.age_days(), Amount::Unknown(_)));
    });
    let mut asked = settings();
    asked.asked.as_of = Some(Exact::int(1_795_604_400));
    with_settings(&parameters_of(&monthly, &[]), FhirVersion::R4, &asked, |context, problems, _| {
        assert_eq!(context.reference.unwrap().source, ReferenceSource::Asked);
        assert!(problems.is_empty());
    });
}

#[test]
fn presence_tells_sent_from_none_from_silence() {
    let of = |kind: &str, who: &str, more: &str| {
        format!(r#"{{"resourceType":"{kind}","{who}":{{"reference":"Patient/p1"}}{more}}}"#)
    };
    let all = [
        of("AllergyIntolerance", "patient", ""),
        of("Condition", "subject", ""),
        of("MedicationRequest", "subject", r#","status":"active""#),
        of("DeviceUseStatement", "subject", ""),
        of("ServiceRequest", "subject", ""),
        of(
            "Encounter",
            "subject",
            r#","class":{"system":"http://terminology.hl7.org/CodeSystem/v3-ActCode","code":"IMP"}"#,
        ),
        of(
            "Observation",
            "subject",
            r#","status":"final","category":[{"coding":[{"code":"laboratory"}]}],"code":{"coding":[{"system":"http://loinc.org","code":"2823-3"}]}"#,
        ),
    ];
    with(&parameters(&all.each_ref().map(String::as_str)), |context, _, _| {
        for sent in [
            &context.allergies,
            &context.conditions,
            &context.medicines,
            &context.devices,
            &context.service_requests,
            &context.encounters,
            &context.labs,
        ] {
            assert_eq!(sent.places().len(), 1, "{sent:?}");
        }
        assert_eq!(context.encounter_classes[0].code.as_deref(), Some("IMP"));
        assert_eq!(context.other_orders, Sent::NotSent);
    });
    with(&parameters(&[]), |context, _, _| {
        assert!(!context.allergies.is_data() && !context.medicines.is_data() && !context.labs.is_data());
    });
    // Looked, and there is none.
    let search = |url: &str| {
        format!(
            r#"{{"resourceType":"Bundle","type":"searchset","total":0,"link":[{{"relation":"self","url":"https://a.example/fhir/{url}"}}]}}"#
        )
    };
    let none = [
        search("AllergyIntolerance?patient=p1"),
        search("Condition?patient=Patient/p1"),
        search("NutritionOrder?patient=p1"),
        search("Observation?patient=p1&category=laboratory"),
        search("MedicationRequest?patient=p2"),
    ];
    with(&parameters(&none.each_ref().map(String::as_str)), |context, _, _| {
        assert_eq!(
            (&context.allergies, &context.conditions, &context.other_orders, &context.labs),
            (&Sent::Empty, &Sent::Empty, &Sent::Empty, &Sent::Empty)
        );
        assert_eq!(context.medicines, Sent::NotSent, "the search was for somebody else");
    });
    // Nothing was found of a part of what there may be.
    for narrowed in [
        "AllergyIntolerance?patient=p1&category=medication",
        "AllergyIntolerance?patient=p1&clinical-status=resolved",
        "Condition?patient=p1&code=44054006",
        "Condition?patient=p1&category=problem-list-item",
        "Condition?patient=p1&clinical-status:not=active",
        "Condition?patient=p1&clinical-status=active",
        "MedicationStatement?patient=p1&status=active",
        "MedicationAdministration?patient=p1&status=in-progress",
        "MedicationAdministration?patient=p1",
        "MedicationStatement?patient=p1",
        "Condition?patient=p1&_count=0",
        "MedicationRequest?patient=p1&status=stopped",
        "MedicationRequest?patient=p1&status=active&medication.code=1",
        "NutritionOrder?patient=p1&status=completed",
        "Observation?patient=p1&category=vital-signs",
        "Observation?patient=p1&category=laboratory&date=ge2026-11-24",
        "Condition/_search?patient=p1&code=44054006",
    ] {
        with(&parameters(&[&search(narrowed)]), |context, _, _| {
            let all =
                [&context.allergies, &context.conditions, &context.medicines, &context.other_orders, &context.labs];
            assert!(all.iter().all(|sent| **sent == Sent::NotSent), "{narrowed}: {all:?}");
        });
    }
    // What leaves nothing out, as in this service's own templates.
    for whole in [
        "AllergyIntolerance?patient=p1&_count=200",
        "AllergyIntolerance?patient=p1&clinical-status=active",
        "Condition?subject=Patient/p1&_count=200&_format=json",
        "Condition?patient=p1&clinical-status=http://terminology.hl7.org/CodeSystem/condition-clinical%7Cactive,recurrence,relapse",
        "Condition/_search?patient=p1",
        "MedicationRequest?patient=p1&status=active&_count=200&_include=MedicationRequest:medication",
        "MedicationRequest?patient=p1&status=active%2Con-hold",
        "NutritionOrder?patient=p1&status=active&_count=50",
        "Observation?patient=p1&category=laboratory&_sort=-date&_count=200",
    ] {
        with(&parameters(&[&search(whole)]), |context, _, _| {
            let all =
                [&context.allergies, &context.conditions, &context.medicines, &context.other_orders, &context.labs];
            assert_eq!(all.iter().filter(|sent| ***sent == Sent::Empty).count(), 1, "{whole}: {all:?}");
        });
    }
    let known = of(
        "AllergyIntolerance",
        "patient",
        r#","code":{"coding":[{"system":"http://snomed.info/sct","code":"716186003"}]}"#,
    );
    with(&parameters(&[&known]), |context, _, _| assert_eq!(context.allergies, Sent::Empty));
}

#[test]
fn what_does_not_count_by_its_own_words_is_set_aside() {
    let of = |kind: &str, who: &str, more: &str| {
        format!(r#"{{"resourceType":"{kind}","{who}":{{"reference":"Patient/p1"}}{more}}}"#)
    };
    let all = [
        of("MedicationRequest", "subject", r#","status":"entered-in-error""#),
        of("MedicationRequest", "subject", r#","status":"active","doNotPerform":true"#),
        of("AllergyIntolerance", "patient", r#","verificationStatus":{"coding":[{"code":"refuted"}]}"#),
        of("Condition", "subject", r#","modifierExtension":[{"url":"https://example.org/x"}]"#),
    ];
    with(&parameters(&all.each_ref().map(String::as_str)), |context, _, _| {
        assert_eq!(context.set_aside.len(), 4);
        assert_eq!(
            (&context.medicines, &context.allergies, &context.conditions),
            (&Sent::NotSent, &Sent::NotSent, &Sent::NotSent)
        );
    });
}

#[test]
fn the_orders_own_encounter_is_the_one_that_counts() {
    let of = |id: &str, class: &str| {
        format!(
            r#"{{"resourceType":"Encounter","id":"{id}","subject":{{"reference":"Patient/p1"}},"class":[{{"coding":[{{"code":"{class}"}}]}}]}}"#
        )
    };
    let order = ORDER.replace(r#""dateTime""#, r#""encounter":{"reference":"Encounter/e2"},"dateTime""#);
    with(&parameters_of(&order, &[&of("e1", "AMB"), &of("e2", "IMP")]), |context, _, _| {
        assert_eq!(context.encounter_classes.len(), 1);
        assert_eq!(context.encounter_classes[0].code.as_deref(), Some("IMP"));
    });
}

#[test]
fn a_patient_given_twice_differently_is_ambiguous_and_nobodys_data_is_used() {
    let other = PATIENT.replace("female", "male");
    with(&parameters(&[PATIENT, &other, &weight("4.2", "2026-11-24")]), |context, _, _| {
        assert_eq!(context.person, Person::Ambiguous);
        assert!(!context.weight.is_sent());
        assert!(!context.refused.is_empty());
    });
    with(&parameters(&[PATIENT, PATIENT, &weight("4.2", "2026-11-24")]), |context, _, _| {
        assert!(matches!(context.person, Person::Resource(_)));
        assert_eq!(grams(context), Some(Exact::int(4200)));
    });
}

#[test]
fn contained_context_belongs_to_its_order() {
    let contained = weight("4.2", "2026-11-24").replace(r#""subject":{"reference":"Patient/p1"},"#, "");
    let order = ORDER.replace(r#""status""#, &format!(r#""contained":[{contained}],"status""#));
    with(&order, |context, _, _| assert_eq!(grams(context), Some(Exact::int(4200))));
    let second = ORDER.replace("\"o\"", "\"o2\"");
    with(&parameters_of(&second, &[&order]), |context, _, _| {
        assert!(!context.weight.is_sent(), "what another order contains is not this one's");
    });
}
