//! The shape of orders: official examples pass, each kind of fault is named at its place.
//!
//! Source of the expectations: HL7 FHIR 4.0.1, 4.3.0 and 5.0.0, resource NutritionOrder and its data types
//! (element tables, required bindings, invariants tim-*, rat-1, qty-3, sqty-1, ext-1, ele-1, dom-*).
//! Outside check: `tests/outside/run` compares the verdicts with validators that others wrote.

use enteral_gate::intake::json::{Document, Limits};
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::intake::shape;
use std::path::Path;

/// Problems as `path|code|text`, in order.
fn problems(text: &str, version: FhirVersion) -> Vec<String> {
    let document = Document::read(text.as_bytes(), &Limits::default()).unwrap();
    shape::check(document.root(), version)
        .into_iter()
        .map(|p| format!("{}|{}|{}", document.node(p.at).path(), p.code, p.text))
        .collect()
}

const HEAD_R4: &str = r#""resourceType":"NutritionOrder","status":"active","intent":"order","patient":{"display":"x"},"dateTime":"2030-01-01""#;
const HEAD_R5: &str = r#""resourceType":"NutritionOrder","status":"active","intent":"order","subject":{"display":"x"},"dateTime":"2030-01-01""#;

/// The one rule that differs between R4 and R4B.
const DRT_1_R4: &str = "a duration with a code needs a value and the UCUM system (drt-1)";
const DRT_1_R4B: &str = "a duration with a value needs a code of the UCUM system (drt-1)";

fn r4(rest: &str) -> Vec<String> {
    let text = format!("{{{HEAD_R4}{rest}}}");
    let out = problems(&text, FhirVersion::R4);
    assert_eq!(
        out,
        problems(&text, FhirVersion::R4B)
            .iter()
            .map(|p| p.replace("R4B", "R4").replace(DRT_1_R4B, DRT_1_R4))
            .collect::<Vec<_>>()
    );
    out
}

fn r5(rest: &str) -> Vec<String> {
    problems(&format!("{{{HEAD_R5}{rest}}}"), FhirVersion::R5)
}

/// The order's head, its formula's only administration, and the faults found in it.
fn r5_administration(rest: &str) -> Vec<String> {
    r5(&format!(r#","enteralFormula":{{"administration":[{rest}]}}"#))
}

fn r4_repeat(rest: &str) -> Vec<String> {
    let prefix = "NutritionOrder.enteralFormula.administration[0].schedule.repeat";
    r4(&format!(r#","enteralFormula":{{"administration":[{{"schedule":{{"repeat":{{{rest}}}}}}}]}}"#))
        .iter()
        .map(|p| p.replace(prefix, "repeat"))
        .collect()
}

fn none() -> Vec<String> {
    Vec::new()
}

#[test]
fn valid_orders_have_no_problem() {
    let mut seen = 0;
    for (folder, versions) in [("R4", &[FhirVersion::R4, FhirVersion::R4B][..]), ("R5", &[FhirVersion::R5])] {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/orders/valid").join(folder);
        for file in std::fs::read_dir(folder).unwrap() {
            let path = file.unwrap().path();
            let text = std::fs::read_to_string(&path).unwrap();
            for version in versions {
                assert_eq!(problems(&text, *version), none(), "{} as {}", path.display(), version.name());
                seen += 1;
            }
        }
    }
    assert!(seen >= 18, "{seen}");
}

#[test]
fn schema_files_are_fresh() {
    let root = env!("CARGO_MANIFEST_DIR");
    let run =
        std::process::Command::new("python3").arg("schemas/generate.py").arg("--check").current_dir(root).output();
    let run = run.expect("python3 is needed to check that schemas/*.schema.json are what schemas/generate.py writes");
    assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stdout));
}

#[test]
fn missing_elements_are_named_at_their_parent() {
    assert_eq!(
        problems(r#"{"resourceType":"NutritionOrder"}"#, FhirVersion::R4),
        [
            "NutritionOrder|required|patient is missing; it is required",
            "NutritionOrder|required|status is missing; expected one of draft, active, on-hold, revoked, completed, entered-in-error, unknown",
            "NutritionOrder|required|intent is missing; expected one of proposal, plan, directive, order, original-order, reflex-order, filler-order, instance-order, option",
            "NutritionOrder|required|dateTime is missing; expected a dateTime",
        ]
    );
    assert_eq!(
        r4(r#","note":[{"authorString":"x"}]"#),
        ["NutritionOrder.note[0]|required|text is missing; expected a markdown"]
    );
    // A companion with an extension stands in for the value, one with only an id does not.
    let head =
        r#"{"resourceType":"NutritionOrder","intent":"order","subject":{"display":"x"},"dateTime":"2030","_status":"#;
    assert_eq!(
        problems(&format!(r#"{head}{{"extension":[{{"url":"u","valueCode":"unknown"}}]}}}}"#), FhirVersion::R5),
        none()
    );
    let only_id = problems(&format!(r#"{head}{{"id":"x"}}}}"#), FhirVersion::R5);
    assert!(only_id.len() == 1 && only_id[0].starts_with("NutritionOrder|required|status is missing"), "{only_id:?}");
}

#[test]
fn unknown_elements_are_named_with_a_hint() {
    assert_eq!(
        r5(
            r#","nope":1,"enteralFormula":{"routeofAdministration":{"text":"x"},"additiveType":{"text":"x"},"_caloricDensity":{"id":"x"}}"#
        ),
        [
            "NutritionOrder.nope|structure|\"nope\" is not an element of NutritionOrder in FHIR R5",
            "NutritionOrder.enteralFormula.routeofAdministration|structure|\"routeofAdministration\" is not an element of enteralFormula in FHIR R5; it is spelled routeOfAdministration",
            "NutritionOrder.enteralFormula.additiveType|structure|\"additiveType\" is not an element of enteralFormula in FHIR R5; it is one in R4 and R4B",
            "NutritionOrder.enteralFormula.caloricDensity|structure|\"_caloricDensity\" is not an element of enteralFormula in FHIR R5; only elements of a simple type have such a companion",
        ]
    );
    let found = r4(r#","subject":{"display":"x"}"#);
    assert_eq!(
        found,
        [
            "NutritionOrder.subject|structure|\"subject\" is not an element of NutritionOrder in FHIR R4; it is one in R5"
        ]
    );
    assert_eq!(r4(r#","enteralFormula":{"administration":[{"rateDuration":{"value":1}}]}"#).len(), 1);
}

#[test]
fn codes_outside_a_required_set_show_the_code_and_the_set() {
    assert_eq!(
        r5(r#","priority":"soon""#),
        [
            "NutritionOrder.priority|code-invalid|priority has the code \"soon\"; expected one of routine, urgent, asap, stat"
        ]
    );
    assert_eq!(
        r4_repeat(r#""dayOfWeek":["mon","Tue"]"#),
        [
            "repeat.dayOfWeek[1]|code-invalid|dayOfWeek[1] has the code \"Tue\"; expected one of mon, tue, wed, thu, fri, sat, sun"
        ]
    );
    assert_eq!(
        r4_repeat(r#""period":1,"periodUnit":"hr""#),
        ["repeat.periodUnit|code-invalid|periodUnit has the code \"hr\"; expected one of s, min, h, d, wk, mo, a"]
    );
    assert_eq!(r4_repeat(r#""when":["IMD"]"#).len(), 1);
    assert_eq!(r5_administration(r#"{"schedule":{"timing":[{"repeat":{"when":["IMD"]}}]}}"#), none());
}

#[test]
fn wrong_types_say_what_was_found() {
    for (rest, expected) in [
        (r#""note":{"text":"x"}"#, "NutritionOrder.note|structure|note is an object; expected an array"),
        (r#""note":[null]"#, "NutritionOrder|structure|note[0] is null; expected an object"),
        (r#""note":[]"#, "NutritionOrder|structure|note is an empty list; expected at least one item, or no element"),
        (
            r#""encounter":{}"#,
            "NutritionOrder.encounter|structure|encounter is an empty object; expected at least one element in it",
        ),
        (r#""encounter":null"#, "NutritionOrder|structure|encounter is null; expected an object"),
        (
            r#""encounter":[{"display":"x"}]"#,
            "NutritionOrder.encounter[0]|structure|encounter is an array; expected an object",
        ),
        (
            r#""encounter":{"display":5}"#,
            "NutritionOrder.encounter.display|value|display is a number; expected a string",
        ),
        (
            r#""encounter":{"display":" "}"#,
            "NutritionOrder.encounter.display|value|display is empty; expected a text, or no element",
        ),
        (
            r#""encounter":{"type":""}"#,
            "NutritionOrder.encounter.type|value|type is empty; expected a text, or no element",
        ),
        (
            r#""id":"a b""#,
            "NutritionOrder.id|value|id has a wrong form: expected an id: 1 to 64 letters, digits, - or .",
        ),
        (
            r#""text":{"status":"empty","div":"<p>x</p>"}"#,
            "NutritionOrder.text|value|div has a wrong form: expected an XHTML <div>",
        ),
        (
            r#""text":{"status":"empty","div":"<div>x</p>"}"#,
            "NutritionOrder.text|value|div has a wrong form: expected an XHTML <div>",
        ),
        (
            r#""language":" en""#,
            "NutritionOrder.language|value|language has a wrong form: expected a code without spaces at its ends and with single spaces inside",
        ),
        (
            r#""instantiates":[null,"urn:x"]"#,
            "NutritionOrder|structure|instantiates[0] is null and no extension says why; expected a value",
        ),
        (
            r#""instantiates":[null,"urn:x"],"_instantiates":[null,{"id":"x"}]"#,
            "NutritionOrder.instantiates[1]|structure|instantiates[0] is null and no extension says why; expected a value",
        ),
    ] {
        let found = r4(&format!(",{rest}"));
        // A null has no FHIRPath of its own; only the place differs between the last two.
        assert_eq!(
            found.first().map(|p| p.split_once('|').unwrap().1),
            Some(expected.split_once('|').unwrap().1),
            "{rest}"
        );
    }
    assert_eq!(
        r4_repeat(r#""count":1.0"#),
        ["repeat.count|value|count is a number with a fraction or an exponent; expected a whole number"]
    );
    assert_eq!(
        r4_repeat(r#""count":0"#),
        ["repeat.count|value|count is too small; expected a whole number of at least 1"]
    );
    assert_eq!(
        r4_repeat(r#""count":2147483648"#),
        ["repeat.count|value|count is too large; expected a whole number of at most 2147483647"]
    );
    assert_eq!(r4_repeat(r#""count":"4""#), ["repeat.count|value|count is a string; expected a whole number"]);
    assert_eq!(
        r4_repeat(r#""timeOfDay":["19:00"]"#),
        ["repeat.timeOfDay[0]|value|timeOfDay[0] has a wrong form: expected a time: hh:mm:ss, 00:00:00 to 23:59:59"]
    );
    for root in ["[]", "1", "null", "\"x\"", "{}", r#"{"resourceType":"Patient"}"#] {
        assert!(!problems(root, FhirVersion::R4).is_empty(), "{root}");
    }
}

#[test]
fn dates_and_times() {
    for (text, good) in [
        ("2030", true),
        ("2030-02", true),
        ("2030-02-28", true),
        ("2030-02-28T10:00:00Z", true),
        ("2030-02-28T10:00:00.123+14:00", true),
        ("0000", false),
        ("2030-13", false),
        ("2030-2-1", false),
        ("2030-02-28T10:00", false),
        ("2030-02-28T10:00:00", false),
        ("2030-02-28T24:00:00Z", false),
        ("2030-02-28 10:00:00Z", false),
        ("20300228", false),
        ("2030-02-28T10:00:00+15:00", false),
        (" 2030", false),
        ("2030\\n", false),
    ] {
        let found = r5(&format!(r#","note":[{{"text":"x","time":"{text}"}}]"#));
        assert_eq!(found.is_empty(), good, "{text}: {found:?}");
    }
}

#[test]
fn choices_exclude_each_other() {
    let both = r5_administration(
        r#"{"rateQuantity":{"value":60},"rateRatio":{"numerator":{"value":1},"denominator":{"value":1}}}"#,
    );
    assert_eq!(
        both,
        [
            "NutritionOrder.enteralFormula.administration[0]|structure|only one type of rate[x] may be given: rateQuantity or rateRatio"
        ]
    );
    assert_eq!(
        r4_repeat(r#""boundsPeriod":{"start":"2030"},"boundsRange":{"low":{"value":1}},"boundsDuration":{"unit":"d"}"#)
            .len(),
        2
    );
    assert_eq!(r4(r#","note":[{"authorString":"a","authorReference":{"display":"b"},"text":"c"}]"#).len(), 1);
}

#[test]
fn invariants() {
    for (repeat, key) in [
        (r#""duration":1"#, "tim-1"),
        (r#""period":1"#, "tim-2"),
        (r#""duration":-1,"durationUnit":"h""#, "tim-4"),
        (r#""period":-0.5,"periodUnit":"h""#, "tim-5"),
        (r#""periodMax":1"#, "tim-6"),
        (r#""durationMax":1"#, "tim-7"),
        (r#""countMax":1"#, "tim-8"),
        (r#""offset":1"#, "tim-9"),
        (r#""offset":1,"when":["HS","CM"]"#, "tim-9"),
        (r#""timeOfDay":["10:00:00"],"when":["HS"]"#, "tim-10"),
        (r#""boundsRange":{"low":{"value":1,"code":"d"}}"#, "qty-3"),
        (r#""boundsDuration":{"value":1,"system":"http://unitsofmeasure.example","code":"d"}"#, "drt-1"),
        (r#""id":"x""#, "ele-1"),
    ] {
        let found = r4_repeat(repeat);
        assert!(found.iter().all(|p| p.contains("|invariant|")), "{found:?}");
        assert!(found.iter().any(|p| p.contains(&format!("({key})"))), "{key}: {found:?}");
    }
    assert_eq!(r4_repeat(r#""offset":1,"when":["HS","AC"]"#), none());
    assert_eq!(r4_repeat(r#""period":0,"periodUnit":"h""#), none());
    for (administration, key) in [
        (r#"{"rateRatio":{"numerator":{"value":1}}}"#, "rat-1"),
        (r#"{"rateRatio":{"denominator":{"value":1}}}"#, "rat-1"),
        (r#"{"quantity":{"value":1,"comparator":"<"}}"#, "sqty-1"),
        (r#"{"quantity":{"value":1,"code":"mL"}}"#, "qty-3"),
        (r#"{"extension":[{"url":"u"}]}"#, "ext-1"),
        (r#"{"extension":[{"url":"u","valueString":"a","valueCode":"b"}]}"#, "ext-1"),
        (r#"{"extension":[{"url":"u","valueString":"a","extension":[{"url":"v","valueCode":"b"}]}]}"#, "ext-1"),
    ] {
        let found = r5_administration(administration);
        assert!(found.len() == 1 && found[0].contains(&format!("({key})")), "{key}: {found:?}");
    }
    assert!(
        r4(r#","contained":[{"resourceType":"Patient","contained":[{"resourceType":"Patient"}]}]"#)[0]
            .contains("dom-2")
    );
    assert!(r5(r#","orderer":{"type":"Practitioner"}"#)[0].contains("ref-2"));
    assert_eq!(r4(r#","orderer":{"type":"Practitioner"}"#), none());
}

#[test]
fn values_of_people_are_not_repeated() {
    let text = r#"{"resourceType":"NutritionOrder","patient":{"display":["Maria Beispiel"],"reference":7},"status":"active","intent":"order","dateTime":"born 1930-01-01 Maria","note":[{"text":{"a":"Maria"}}]}"#;
    for problem in problems(text, FhirVersion::R4) {
        assert!(!problem.contains("Maria"), "{problem}");
    }
}

#[test]
fn gravity_follows_what_the_element_is_for() {
    let text = format!(r#"{{{HEAD_R4},"language":5,"meta":{{}},"enteralFormula":{{"x":1}}}}"#);
    let document = Document::read(text.as_bytes(), &Limits::default()).unwrap();
    let grave: Vec<bool> = shape::check(document.root(), FhirVersion::R4).iter().map(|p| p.grave).collect();
    assert_eq!(grave, [false, false, true]);
}

#[test]
fn an_order_inside_a_bundle_keeps_its_places() {
    let text = format!(r#"{{"resourceType":"Bundle","entry":[{{"resource":{{{HEAD_R4},"nope":1}}}}]}}"#);
    let document = Document::read(text.as_bytes(), &Limits::default()).unwrap();
    let order = document.root().get("entry").unwrap().items().next().unwrap().get("resource").unwrap();
    let found = shape::check(order, FhirVersion::R4);
    assert_eq!(found.len(), 1);
    assert_eq!(document.node(found[0].at).path(), "Bundle.entry[0].resource.nope");
}

#[test]
fn a_flood_of_problems_is_cut_short_and_says_so() {
    let many: Vec<String> = (0..5_000).map(|n| format!("\"x{n}\":1")).collect();
    let found = r4(&format!(",{}", many.join(",")));
    assert_eq!(found.len(), shape::MOST_PROBLEMS + 1);
    assert!(found.last().unwrap().contains("not listed"));
    // A text of many values is refused with its first problem, whatever it holds.
    let items = format!("[{}]", vec!["{}"; 1_000].join(","));
    let text = format!(r#","extension":[{}]"#, vec![format!(r#"{{"extension":{items}}}"#); 300].join(","));
    let found = r4(&text);
    assert!(found.len() == 2 && found[1].contains("not listed"), "{found:?}");
    let deep = format!("{}1{}", r#"{"extension":["#.repeat(30), "]}".repeat(30));
    assert!(!r4(&format!(r#","enteralFormula":{deep}"#)).is_empty());
}
