//! The strict reader: what it accepts, what it refuses, and that it agrees with an independent reader.
//!
//! Outside check: `serde_json` (the Rust ecosystem's JSON reader) for the grammar and the values;
//! RFC 8259 for the grammar, RFC 6901 for pointers; FHIR R4 "JSON Representation" for unique names.

use enteral_gate::exact::Decimal;
use enteral_gate::intake::json::{Document, JsonError, Kind, Limits, Node};
use proptest::prelude::*;
use serde_json::Value;

fn read(text: &str) -> Result<Document<'_>, JsonError> {
    Document::read(text.as_bytes(), &Limits::default())
}

fn refused(text: &str) -> JsonError {
    read(text).expect_err(text)
}

/// The `ix`-th step down: a member or an item.
fn down<'d>(node: Node<'d>, steps: &[&str]) -> Node<'d> {
    steps.iter().fold(node, |node, step| match step.parse::<usize>() {
        Ok(n) => node.items().nth(n).unwrap(),
        Err(_) => node.get(step).unwrap(),
    })
}

fn assert_same(node: Node<'_>, value: &Value) {
    match value {
        Value::Null => assert_eq!(node.kind(), Kind::Null),
        Value::Bool(b) => assert_eq!(node.as_bool(), Some(*b)),
        // serde_json rewrites exponents (1E5 to 1e+5), so its reading of our literal is compared.
        Value::Number(_) => {
            let literal = node.literal().unwrap();
            assert_eq!(&serde_json::from_str::<Value>(literal).unwrap(), value);
            assert_eq!(node.decimal(), Decimal::parse(literal).ok());
        }
        Value::String(s) => assert_eq!(node.as_str().as_deref(), Some(s.as_str())),
        Value::Array(items) => {
            assert_eq!((node.kind(), node.len(), node.items().count()), (Kind::Array, items.len(), items.len()));
            for (n, (own, item)) in node.items().zip(items).enumerate() {
                assert_eq!(own.index(), Some(n));
                assert_same(own, item);
            }
        }
        Value::Object(members) => {
            assert_eq!((node.kind(), node.len(), node.members().count()), (Kind::Object, members.len(), members.len()));
            for (key, own) in node.members() {
                assert_eq!(own.key().as_deref(), Some(&*key));
                assert_eq!(node.get(&key).map(|n| n.at()), Some(own.at()));
                assert_same(own, &members[&*key]);
            }
        }
    }
}

/// Where this reader is stricter than JSON by design.
fn stricter(error: &JsonError) -> bool {
    matches!(
        error,
        JsonError::DuplicateKey { .. }
            | JsonError::Number { .. }
            | JsonError::Depth { .. }
            | JsonError::StringTooLong { .. }
            | JsonError::ArrayTooLong { .. }
            | JsonError::TooLarge { .. }
    )
}

fn agrees(text: &str) {
    match (read(text), serde_json::from_str::<Value>(text)) {
        (Ok(own), Ok(value)) => assert_same(own.root(), &value),
        (Err(own), Ok(_)) => assert!(stricter(&own), "only we refuse {text:?}: {own}"),
        (Ok(_), Err(other)) => panic!("only we accept {text:?}: {other}"),
        (Err(own), Err(_)) => {
            assert!(own.place().offset <= text.len());
            assert!(!own.to_string().contains('\n'));
        }
    }
}

#[test]
fn values_kinds_and_escapes() {
    let document =
        read(r#" {"a": [1.50, -0, 1E5, true, false, null, "x\u00e9\n\"\\\/ \ud83d\ude00", {}], "k\u0041": []} "#)
            .unwrap();
    let root = document.root();
    let a = root.get("a").unwrap();
    let literals: Vec<_> = a.items().filter_map(|n| n.literal()).collect();
    assert_eq!(literals, ["1.50", "-0", "1E5"]);
    assert_eq!(a.items().next().unwrap().decimal().unwrap().to_string(), "1.50");
    assert_eq!(down(a, &["6"]).as_str().unwrap(), "xé\n\"\\/ 😀");
    assert_eq!(down(a, &["6"]).raw(), r#""x\u00e9\n\"\\\/ \ud83d\ude00""#);
    assert_eq!(down(a, &["7"]).kind(), Kind::Object);
    assert!(root.get("kA").unwrap().is_empty());
    assert_eq!(root.raw(), document.text().trim());
    assert_eq!(document.node(a.at()).pointer(), "/a");
    assert_eq!(down(a, &["3"]).parent().unwrap().at(), a.at());
}

#[test]
fn duplicate_names_are_refused_anywhere() {
    let error = refused("{\"resourceType\":\"NutritionOrder\",\n \"q\":{\"value\":60,\n  \"value\":600}}");
    let JsonError::DuplicateKey { place, key, first_line, first_column } = &error else { panic!("{error}") };
    assert_eq!((place.line, place.column, place.path.as_deref()), (3, 3, Some("NutritionOrder.q.value")));
    assert_eq!((key.as_str(), *first_line, *first_column), ("value", 2, 7));
    assert_eq!(error.issue_code(), "structure");
    // Names are compared after their escapes are undone.
    assert!(matches!(refused(r#"{"value":1,"valu\u0065":2}"#), JsonError::DuplicateKey { .. }));
    assert!(matches!(refused(r#"[{"a":1},{"b":1,"b":1}]"#), JsonError::DuplicateKey { .. }));
    assert!(read(r#"[{"a":1},{"a":{"a":1}}]"#).is_ok());
    // Large objects take another road.
    let many: Vec<String> = (0..500).map(|n| format!("\"k{n}\":{n}")).collect();
    assert!(read(&format!("{{{}}}", many.join(","))).is_ok());
    for again in [0, 7, 31, 32, 33, 499] {
        let error = refused(&format!("{{{},\"k{again}\":0}}", many.join(",")));
        let JsonError::DuplicateKey { first_column, .. } = error else { panic!("{again}: {error}") };
        assert_eq!(first_column as usize, 2 + many.iter().take(again).map(|m| m.len() + 1).sum::<usize>());
    }
    let few: Vec<String> = (0..32).map(|n| format!("\"k{n}\":{n}")).collect();
    for again in 0..32 {
        assert!(matches!(refused(&format!("{{{},\"k{again}\":0}}", few.join(","))), JsonError::DuplicateKey { .. }));
    }
}

#[test]
fn depth_is_bounded_without_recursion() {
    for deep in [64, 65, 128, 200, 100_000] {
        for (open, close) in [("[", "]"), ("{\"a\":", "}")] {
            let text = format!("{}1{}", open.repeat(deep), close.repeat(deep));
            match read(&text) {
                Ok(document) => {
                    assert_eq!(deep, 64);
                    assert_eq!(document.len(), 65);
                }
                Err(error) => {
                    assert!(deep > 64);
                    assert!(matches!(error, JsonError::Depth { limit: 64, .. }), "{error}");
                    assert_eq!(error.issue_code(), "too-costly");
                }
            }
        }
    }
}

#[test]
fn numbers_outside_the_accepted_form_are_refused_with_their_reason() {
    let long = "1".repeat(1_000);
    for literal in ["1e400", "1e-400", "1e2147483648", &long, "1234567890123456789", "0.00000000001"] {
        let error = refused(&format!("{{\"value\":{literal}}}"));
        assert!(matches!(error, JsonError::Number { .. }), "{literal}: {error}");
        assert_eq!(error.issue_code(), "value");
        assert_eq!(error.place().path.as_deref(), Some("value"));
        assert!(error.to_string().len() < 200);
    }
    for literal in ["060", "1.", "1e", "-", "--1", "1e5.5"] {
        assert!(matches!(refused(&format!("[{literal}]")), JsonError::Number { .. }), "{literal}");
    }
    for literal in ["NaN", "Infinity", "+1", ".5", "-Infinity", "0x10", "1_000", "nul", "truee", "TRUE", "'a'"] {
        let error = refused(&format!("[{literal}]"));
        assert!(matches!(error, JsonError::Unexpected { .. } | JsonError::Number { .. }), "{literal}: {error}");
    }
    // Text that looks like a number stays text.
    assert_eq!(read(r#"{"value":"60"}"#).unwrap().root().get("value").unwrap().kind(), Kind::String);
    for literal in ["-0", "1E5", "0.10", "1e9", "123456789012345678"] {
        assert_eq!(read(literal).unwrap().root().literal(), Some(literal));
    }
}

#[test]
fn encodings_are_refused_in_clear_words() {
    let limits = Limits::default();
    let bom = Document::read(b"\xEF\xBB\xBF{}", &limits).unwrap_err();
    assert!(bom.to_string().contains("byte order mark (UTF-8)"), "{bom}");
    for mark in [&b"\xFF\xFE{\0}\0"[..], b"\xFE\xFF\0{\0}", b"\0\0\xFE\xFF\0\0\0{"] {
        assert!(matches!(Document::read(mark, &limits), Err(JsonError::ByteOrderMark { .. })));
    }
    // Overlong, truncated, surrogate and stray bytes.
    for bytes in [
        &b"{\"a\":\"\n\xC0\xAF\"}"[..],
        b"{\"a\":\"\xE2\x82",
        b"\"\xED\xA0\x80\"",
        b"\"\xFF\"",
        b"\"\xF8\x88\x80\x80\x80\"",
    ] {
        let error = Document::read(bytes, &limits).unwrap_err();
        assert!(matches!(error, JsonError::NotUtf8 { .. }), "{error}");
    }
    let error = Document::read(b"{\n \"\xC3\xA9\": \"\xFF\"}", &limits).unwrap_err();
    assert_eq!((error.place().line, error.place().column, error.place().offset), (2, 8, 10));
}

#[test]
fn strings_are_strict() {
    for (text, what) in [
        ("\"a\nb\"", "control"),
        ("\"a\tb\"", "control"),
        ("\"\0\"", "control"),
        ("\"12345678901234567890\u{1f}\"", "control"),
        (r#""\ud800""#, "half"),
        (r#""\udc00""#, "half"),
        (r#""\ud800\u0041""#, "half"),
        (r#""\ud800x""#, "half"),
        (r#""\x41""#, "escape"),
        (r#""\u12G4""#, "escape"),
        (r#""\u12"#, "escape"),
        (r#""\u+123""#, "escape"),
        (r#""\U0041""#, "escape"),
        ("\"\\é\"", "escape"),
        ("\"abc", "closing quote"),
        ("\"abc\\", "escape"),
    ] {
        let error = refused(text);
        assert!(error.to_string().contains(what), "{text:?}: {error}");
        assert!(serde_json::from_str::<Value>(text).is_err(), "{text:?}");
    }
    assert!(read("\"\u{7f}\u{80}\u{202e}\"").is_ok());
}

#[test]
fn what_surrounds_the_value() {
    for text in ["", " ", "\n\t\r "] {
        assert!(matches!(refused(text), JsonError::Empty { .. }));
    }
    for text in ["{} x", "{}{}", "1 2", "null,", "[]]", "{}\u{a0}", "{}\0"] {
        assert!(matches!(refused(text), JsonError::Trailing { .. }), "{text:?}: {}", refused(text));
    }
    for text in ["{", "[", "[1", "[1,", "{\"a\"", "{\"a\":", "{\"a\":1", "{\"a\":1,", "\"", "[\"a\","] {
        assert!(matches!(refused(text), JsonError::CutOff { .. }), "{text:?}: {}", refused(text));
    }
    for text in [
        "[1,]",
        "{\"a\":1,}",
        "{a:1}",
        "{'a':1}",
        "[1 2]",
        "{\"a\" 1}",
        "{\"a\":1 \"b\":2}",
        "[1}",
        "{\"a\":1]",
        "[,1]",
        "// x\n1",
        "{1:2}",
        "<xml/>",
    ] {
        assert!(matches!(refused(text), JsonError::Unexpected { .. }), "{text:?}: {}", refused(text));
    }
    let error = refused(
        "{\"resourceType\":\"NutritionOrder\",\"enteralFormula\":{\"administration\":[{\"quantity\":{\"value\":1}},\n{\"quantity\":oops}]}}",
    );
    assert_eq!(
        error.to_string(),
        "line 2, column 13 (NutritionOrder.enteralFormula.administration[1].quantity): found \"oops\", expected a JSON value"
    );
    let error = refused("{\"resourceType\":\"X\",\"a\":{\"b\":1} \"c\":2}");
    assert_eq!(error.place().path.as_deref(), Some("X.a"));
}

#[test]
fn sizes_are_bounded() {
    let limits = Limits { bytes: 40, ..Limits::default() };
    assert!(Document::read(&[b' '; 41], &limits).unwrap_err().to_string().contains("more than 40 bytes"));
    let long = "x".repeat((10 << 10) + 1);
    let error = refused(&format!("{{\"note\":\"{long}\"}}"));
    assert!(matches!(error, JsonError::StringTooLong { .. }), "{error}");
    assert_eq!((error.issue_code(), error.place().path.as_deref()), ("too-long", Some("note")));
    assert!(matches!(refused(&format!("{{\"{long}\":1}}")), JsonError::StringTooLong { .. }));
    assert!(read(&format!("{{\"div\":\"{long}\"}}")).is_ok());
    assert!(read(&format!("{{\"note\":\"{}\"}}", &long[1..])).is_ok());
    let items = |n: usize| format!("[{}]", vec!["1"; n].join(","));
    assert_eq!(read(&items(1_000)).unwrap().root().len(), 1_000);
    assert!(matches!(refused(&items(1_001)), JsonError::ArrayTooLong { limit: 1_000, .. }));
}

#[test]
fn refusals_show_foreign_text_safely() {
    let error = refused("{\"a\\u000ab\u{202e}\":1,\"a\\nb\u{202e}\":2}");
    let shown = error.to_string();
    assert!(!shown.contains('\n') && !shown.contains('\u{202e}'), "{shown}");
    assert!(refused(&format!("{{\"{0}\":1,\"{0}\":1}}", "k".repeat(5_000))).to_string().len() < 300);
}

#[test]
fn paths_and_pointers() {
    let text = r#"{"resourceType":"NutritionOrder","status":null,"_status":{"extension":[{"url":"u","valueCode":"unknown"}]},
      "note":[{"text":"a","authorString":"b"}],"text":{"status":"generated","div":"<div>x</div>"},"_dateTime":{"id":"1"},
      "a~b/c":{"x":1},"empty":[],"instantiates":[null,"urn:x"],"_instantiates":[{"id":"z"},null],
      "enteralFormula":{"routeofAdministration":{"coding":[{"code":"GT"}]},"administration":[
        {"schedule":{"repeat":{"boundsPeriod":{"start":"2030-01-01"},"timeOfDay":["06:00:00"]}},"rateQuantity":{"value":60}},
        {"rateRatio":{"numerator":{"value":1}}},
        {"rateDuration":{"value":1}, "asNeeded":true, "asNeededFor":{"text":"x"}}]}}"#;
    let document = read(text).unwrap();
    let root = document.root();
    for (steps, path) in [
        (&[][..], "NutritionOrder"),
        (&["resourceType"], "NutritionOrder"),
        (&["status"], "NutritionOrder"),
        (&["_status"], "NutritionOrder.status"),
        (&["_status", "extension", "0", "valueCode"], "NutritionOrder.status.extension[0].value"),
        (&["note"], "NutritionOrder.note[0]"),
        (&["note", "0", "authorString"], "NutritionOrder.note[0].author"),
        (&["text", "div"], "NutritionOrder.text"),
        (&["_dateTime"], "NutritionOrder.dateTime"),
        (&["a~b/c", "x"], "NutritionOrder"),
        (&["empty"], "NutritionOrder"),
        (&["instantiates", "0"], "NutritionOrder.instantiates[0]"),
        (&["instantiates", "1"], "NutritionOrder.instantiates[1]"),
        (
            &["enteralFormula", "routeofAdministration", "coding", "0", "code"],
            "NutritionOrder.enteralFormula.routeofAdministration.coding[0].code",
        ),
        (
            &["enteralFormula", "administration", "0", "rateQuantity", "value"],
            "NutritionOrder.enteralFormula.administration[0].rate.value",
        ),
        (
            &["enteralFormula", "administration", "1", "rateRatio"],
            "NutritionOrder.enteralFormula.administration[1].rate",
        ),
        (
            &["enteralFormula", "administration", "2", "rateDuration"],
            "NutritionOrder.enteralFormula.administration[2].rateDuration",
        ),
        (
            &["enteralFormula", "administration", "2", "asNeededFor"],
            "NutritionOrder.enteralFormula.administration[2].asNeededFor",
        ),
        (
            &["enteralFormula", "administration", "2", "asNeeded"],
            "NutritionOrder.enteralFormula.administration[2].asNeeded",
        ),
        (
            &["enteralFormula", "administration", "0", "schedule", "repeat", "boundsPeriod", "start"],
            "NutritionOrder.enteralFormula.administration[0].schedule.repeat.bounds.start",
        ),
        (
            &["enteralFormula", "administration", "0", "schedule", "repeat", "timeOfDay", "0"],
            "NutritionOrder.enteralFormula.administration[0].schedule.repeat.timeOfDay[0]",
        ),
    ] {
        assert_eq!(down(root, steps).path(), path, "{steps:?}");
    }
    assert_eq!(down(root, &["a~b/c", "x"]).pointer(), "/a~0b~1c/x");
    assert_eq!(down(root, &["enteralFormula", "administration", "1"]).pointer(), "/enteralFormula/administration/1");
    assert_eq!(root.pointer(), "");
    assert_eq!(down(root, &["note"]).line_column(), (2, 14));

    let bundle = r#"{"resourceType":"Bundle","entry":[{},{"resource":{"resourceType":"Observation","effectiveDateTime":"x","valueQuantity":{}}},
      {"resource":{"resourceType":"Patient","deceasedBoolean":false,"multipleBirthInteger":1}},
      {"resource":{"resourceType":"MedicationRequest","medicationCodeableConcept":{}}}]}"#;
    let document = read(bundle).unwrap();
    for (steps, path) in [
        (&["entry", "1", "resource", "effectiveDateTime"][..], "Bundle.entry[1].resource.effective"),
        (&["entry", "1", "resource", "valueQuantity"], "Bundle.entry[1].resource.value"),
        (&["entry", "2", "resource", "deceasedBoolean"], "Bundle.entry[2].resource.deceased"),
        (&["entry", "2", "resource", "multipleBirthInteger"], "Bundle.entry[2].resource.multipleBirth"),
        (&["entry", "3", "resource", "medicationCodeableConcept"], "Bundle.entry[3].resource.medication"),
    ] {
        assert_eq!(down(document.root(), steps).path(), path);
    }
    let request =
        read(r#"{"hook":"order-sign","context":{"draftOrders":{"resourceType":"Bundle","entry":[{}]}}}"#).unwrap();
    assert_eq!(down(request.root(), &["context", "draftOrders", "entry", "0"]).path(), "Bundle.entry[0]");
    assert_eq!(down(request.root(), &["hook"]).path(), "hook");
    assert_eq!(read("[[1]]").unwrap().root().path(), "");
}

#[test]
fn a_place_of_another_document_does_not_panic() {
    let document = read("{}").unwrap();
    assert_eq!(document.node(enteral_gate::intake::order::At(9_999)).kind(), Kind::Object);
}

fn any_text() -> impl Strategy<Value = String> {
    prop_oneof![
        "[a-z]{0,6}",
        proptest::collection::vec(any::<char>(), 0..20).prop_map(|c| c.into_iter().collect()),
        "[\"\\\\/\\n\\t\\u{0}-\\u{1f} é😀]{0,20}",
    ]
}

fn any_value() -> impl Strategy<Value = Value> {
    let leaf = prop_oneof![
        Just(Value::Null),
        any::<bool>().prop_map(Value::Bool),
        any::<i32>().prop_map(|n| Value::Number(n.into())),
        (any::<i32>(), 0u32..1_000).prop_map(|(n, m)| serde_json::from_str(&format!("{n}.{m:03}")).unwrap()),
        any_text().prop_map(Value::String),
    ];
    leaf.prop_recursive(6, 120, 12, |inner| {
        prop_oneof![
            proptest::collection::vec(inner.clone(), 0..12).prop_map(Value::Array),
            proptest::collection::vec((any_text(), inner), 0..40).prop_map(|m| Value::Object(m.into_iter().collect())),
        ]
    })
}

/// Every character beyond ASCII, and some within, written as escapes.
fn escaped(text: &str) -> String {
    text.chars()
        .map(|c| {
            if c.is_ascii() && c != '\u{7f}' {
                return c.to_string();
            }
            c.encode_utf16(&mut [0; 2]).iter().map(|unit| format!("\\u{unit:04x}")).collect()
        })
        .collect()
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(400) })]

    #[test]
    fn written_values_read_back_the_same(value in any_value()) {
        for text in [value.to_string(), serde_json::to_string_pretty(&value).unwrap(), escaped(&value.to_string())] {
            let document = read(&text).map_err(|e| TestCaseError::fail(e.to_string()))?;
            assert_same(document.root(), &value);
            prop_assert_eq!(document.root().raw(), text.as_str());
        }
    }

    #[test]
    fn damaged_texts_are_judged_alike(value in any_value(), at in any::<prop::sample::Index>(), with in "[\\[\\]{}:,\"\\\\0-9eE+. truefalsn\\u{0}\\u{1f}]{0,3}", cut in 0usize..3) {
        let text = value.to_string();
        let mut at = at.index(text.len());
        while !text.is_char_boundary(at) { at -= 1; }
        let mut after = (at + cut).min(text.len());
        while !text.is_char_boundary(after) { after += 1; }
        agrees(&format!("{}{with}{}", &text[..at], &text[after..]));
    }

    #[test]
    fn noise_is_judged_alike(text in "[\\[\\]{}:,\"\\\\u0-9eE+\\-. abtrufalsn\\n]{0,40}") {
        agrees(&text);
    }

    #[test]
    fn any_bytes_are_survived(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
        let own = Document::read(&bytes, &Limits::default());
        if let Ok(own) = own {
            assert_same(own.root(), &serde_json::from_slice(&bytes).unwrap());
        }
    }
}
