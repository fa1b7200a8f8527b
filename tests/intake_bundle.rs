//! Finding orders and context in a document, and resolving references inside it.
//!
//! Everything here is invented. The rules: FHIR R4 and R5, "Resolving references in Bundles" and the
//! Bundle invariants (bdl-7).

use enteral_gate::intake::bundle::{Gathered, MOST_ENTRIES, MOST_ORDERS, Part, ResourceKind, gather, gather_parts};
use enteral_gate::intake::json::{Document, Limits, Node};
use enteral_gate::intake::order::{At, FhirVersion};
use enteral_gate::intake::wire::{Resolution, Resolve, read_order};

fn with<T>(text: &str, look: impl FnOnce(&Gathered<'_>, Node<'_>) -> T) -> T {
    let limits = Limits { array: 5_000, ..Limits::default() };
    let document = Document::read(text.as_bytes(), &limits).unwrap_or_else(|e| panic!("{e}\n{text}"));
    let gathered = gather(&document);
    look(&gathered, document.root())
}

fn order(id: &str, patient: &str) -> String {
    format!(r#"{{"resourceType":"NutritionOrder","id":"{id}","patient":{{"reference":"{patient}"}}}}"#)
}

fn patient(id: &str) -> String {
    format!(r#"{{"resourceType":"Patient","id":"{id}"}}"#)
}

fn entry(full_url: &str, resource: &str) -> String {
    if full_url.is_empty() {
        format!(r#"{{"resource":{resource}}}"#)
    } else {
        format!(r#"{{"fullUrl":"{full_url}","resource":{resource}}}"#)
    }
}

fn bundle(kind: &str, entries: &[String]) -> String {
    format!(r#"{{"resourceType":"Bundle","type":"{kind}","entry":[{}]}}"#, entries.join(","))
}

/// Where the first order's patient leads: the JSON Pointer of the resource, and how.
fn leads(text: &str) -> (Option<String>, &'static str) {
    with(text, |gathered, root| {
        let reference = gathered.orders[0].get("patient").unwrap();
        let text = reference.get("reference").unwrap().as_str().unwrap();
        let pointer = |at: At| Some(root.of_same_document(at).pointer());
        match gathered.resolve(reference.at(), &text) {
            Resolution::Found(at) => (pointer(at), "found"),
            Resolution::FoundByTypeAndId(at) => (pointer(at), "by type and id"),
            Resolution::Ambiguous => (None, "ambiguous"),
            Resolution::NotHere => (None, "not here"),
        }
    })
}

#[test]
fn a_lone_order_is_found_with_what_it_contains() {
    let text = r##"{"resourceType":"NutritionOrder","contained":[{"resourceType":"Patient","id":"p"},{"resourceType":"Observation","id":"w"}],"patient":{"reference":"#p"}}"##;
    with(text, |gathered, _| {
        assert_eq!((gathered.orders.len(), gathered.resources.len()), (1, 3));
        assert!(gathered.problems.is_empty());
        assert_eq!(gathered.patients, 1);
    });
    assert_eq!(leads(text), (Some("/contained/0".into()), "found"));
}

#[test]
fn orders_are_found_in_bundles_of_every_type_and_in_parameters() {
    for kind in ["collection", "batch", "searchset", "document", "message", "history", "transaction"] {
        let text = bundle(
            kind,
            &[entry("", &order("a", "Patient/1")), entry("", &patient("1")), entry("", &order("b", "Patient/1"))],
        );
        with(&text, |gathered, _| {
            assert_eq!(gathered.orders.len(), 2, "{kind}");
            assert_eq!(gathered.of_kind(ResourceKind::Patient).count(), 1);
            assert_eq!(gathered.patients, 1);
        });
    }
    let text = format!(
        r#"{{"resourceType":"Parameters","parameter":[{{"name":"order","resource":{}}},{{"name":"patient","resource":{}}},
        {{"name":"bundle","resource":{}}},{{"name":"context","resource":{}}},{{"name":"group","part":[{{"name":"x","resource":{}}}]}},{{"name":"flag","valueBoolean":true}}]}}"#,
        order("a", "Patient/1"),
        patient("1"),
        bundle("searchset", &[entry("", r#"{"resourceType":"Observation","id":"w"}"#)]),
        order("older", "Patient/1"),
        order("b", "Patient/1"),
    );
    with(&text, |gathered, _| {
        let ids: Vec<String> =
            gathered.orders.iter().map(|o| o.get("id").unwrap().as_str().unwrap().into_owned()).collect();
        assert_eq!(ids, ["a", "b"], "an order given as context is not checked");
        assert_eq!(gathered.of_kind(ResourceKind::NutritionOrder).count(), 3);
        assert_eq!(gathered.of_kind(ResourceKind::Observation).count(), 1);
        assert!(gathered.problems.is_empty(), "{:?}", gathered.problems);
    });
}

#[test]
fn a_document_without_an_order_says_so() {
    for text in [
        patient("1"),
        bundle("collection", &[]),
        r#"{"resourceType":"Parameters"}"#.into(),
        "{}".into(),
        "[]".into(),
        "null".into(),
    ] {
        with(&text, |gathered, _| {
            assert!(gathered.problems.iter().any(|p| p.code == "required" && p.grave), "{text}");
        });
    }
}

#[test]
fn relative_references_resolve_on_the_base_of_their_entry() {
    let base = "https://a.example/fhir";
    let two = [
        entry(&format!("{base}/NutritionOrder/o"), &order("o", "Patient/1")),
        entry("https://b.example/fhir/Patient/1", &patient("1")),
        entry(&format!("{base}/Patient/1"), r#"{"resourceType":"Patient","id":"1","active":true}"#),
    ];
    assert_eq!(leads(&bundle("collection", &two)), (Some("/entry/2/resource".into()), "found"));
    // Only the same id on another server: somebody else.
    assert_eq!(leads(&bundle("collection", &two[..2])), (None, "not here"));
}

#[test]
fn without_a_base_the_only_one_of_that_type_and_id_is_taken_and_told() {
    let text =
        bundle("collection", &[entry("urn:uuid:1", &order("o", "Patient/1")), entry("urn:uuid:2", &patient("1"))]);
    assert_eq!(leads(&text), (Some("/entry/1/resource".into()), "by type and id"));
    with(&text, |gathered, _| {
        let (read, problems) = read_order(gathered.orders[0], FhirVersion::R4, gathered);
        assert!(read.patient.value().unwrap().resolved.is_some());
        assert_eq!(read.full_url.as_deref(), Some("urn:uuid:1"));
        let told = problems.iter().find(|p| p.text.contains("by type and id")).unwrap();
        assert!(!told.grave && told.code == "informational");
    });
    let two = bundle(
        "collection",
        &[
            entry("", &order("o", "Patient/1")),
            entry("urn:uuid:2", &patient("1")),
            entry("urn:uuid:3", r#"{"resourceType":"Patient","id":"1","active":true}"#),
        ],
    );
    assert_eq!(leads(&two), (None, "ambiguous"));
    with(&two, |gathered, _| {
        let (_, problems) = read_order(gathered.orders[0], FhirVersion::R4, gathered);
        assert!(problems.iter().any(|p| p.grave && p.code == "multiple-matches"));
    });
}

#[test]
fn urns_and_absolute_urls_are_matched_exactly() {
    let text = |reference: &str| {
        bundle(
            "collection",
            &[
                entry("", &order("o", reference)),
                entry("urn:uuid:61ebe359-bfdc-4613-8bf2-c5e300945f0a", &patient("1")),
                entry(
                    "https://a.example/fhir/Patient/2",
                    r#"{"resourceType":"Patient","id":"2","meta":{"versionId":"7"}}"#,
                ),
            ],
        )
    };
    let found = |n: usize| (Some(format!("/entry/{n}/resource")), "found");
    assert_eq!(leads(&text("urn:uuid:61ebe359-bfdc-4613-8bf2-c5e300945f0a")), found(1));
    assert_eq!(leads(&text("urn:uuid:61EBE359-bfdc-4613-8bf2-c5e300945f0a")), (None, "not here"));
    assert_eq!(leads(&text("https://a.example/fhir/Patient/2")), found(2));
    assert_eq!(leads(&text("https://a.example/fhir/Patient/2/_history/7")), found(2));
    assert_eq!(leads(&text("https://a.example/fhir/Patient/2/_history/6")), (None, "not here"));
    assert_eq!(leads(&text("https://b.example/fhir/Patient/2")), (None, "not here"));
    assert_eq!(leads(&text("#p")), (None, "not here"));
    assert_eq!(leads(&text("Patient?identifier=1")), (None, "not here"));
    assert_eq!(leads(&text("Practitioner/1")), (None, "not here"));
}

#[test]
fn contained_references_stay_in_their_own_resource() {
    let inner = |id: &str, own: &str| {
        format!(
            r##"{{"resourceType":"NutritionOrder","id":"{id}","contained":[{{"resourceType":"Patient","id":"{own}"}}],"patient":{{"reference":"#p"}}}}"##
        )
    };
    assert_eq!(leads(&bundle("collection", &[entry("", &inner("a", "p"))])).1, "found");
    assert_eq!(
        leads(&bundle("collection", &[entry("", &inner("a", "q")), entry("", &inner("b", "p"))])),
        (None, "not here")
    );
}

#[test]
fn parameters_need_no_full_urls() {
    let text = format!(
        r#"{{"resourceType":"Parameters","parameter":[{{"name":"order","resource":{}}},{{"name":"patient","resource":{}}}]}}"#,
        order("o", "Patient/1"),
        patient("1"),
    );
    assert_eq!(leads(&text), (Some("/parameter/1/resource".into()), "found"));
    assert_eq!(leads(&text.replace("Patient/1", "https://a.example/fhir/Patient/1")).1, "found");
}

#[test]
fn a_full_url_given_twice_is_a_problem() {
    let url = "https://a.example/fhir/Patient/1";
    let other = r#"{"resourceType":"Patient","id":"1","active":true}"#;
    let first = entry("https://a.example/fhir/NutritionOrder/o", &order("o", "Patient/1"));
    let differing = bundle("collection", &[first.clone(), entry(url, &patient("1")), entry(url, other)]);
    with(&differing, |gathered, _| assert!(gathered.problems.iter().any(|p| p.code == "duplicate" && p.grave)));
    assert_eq!(leads(&differing), (None, "ambiguous"));
    let same = bundle("collection", &[first.clone(), entry(url, &patient("1")), entry(url, &patient("1"))]);
    with(&same, |gathered, _| {
        assert!(gathered.problems.iter().any(|p| p.code == "duplicate" && !p.grave));
        assert_eq!(gathered.of_kind(ResourceKind::Patient).count(), 1, "a copy counts once");
    });
    assert_eq!(leads(&same).1, "found");
    // The same resource in two search results is no fault.
    let results = bundle(
        "collection",
        &[
            first,
            entry("", &bundle("searchset", &[entry(url, &patient("1"))])),
            entry("", &bundle("searchset", &[entry(url, &patient("1"))])),
        ],
    );
    with(&results, |gathered, _| {
        assert!(gathered.problems.is_empty(), "{:?}", gathered.problems);
        assert_eq!(gathered.patients, 1);
    });
}

#[test]
fn a_full_url_of_another_resource_is_a_problem() {
    let text = bundle(
        "collection",
        &[entry("", &order("o", "Patient/1")), entry("https://a.example/fhir/Patient/2", &patient("1"))],
    );
    with(&text, |gathered, _| {
        assert!(gathered.problems.iter().any(|p| p.code == "invariant" && p.text.contains("Patient/1")))
    });
}

#[test]
fn empty_search_results_are_data_and_failed_ones_are_not() {
    let search = |more: &str| format!(r#"{{"resourceType":"Bundle","type":"searchset"{more}}}"#);
    let link = r#","link":[{"relation":"self","url":"https://a.example/fhir/AllergyIntolerance?patient=Patient/1"}]"#;
    let failure = r#","entry":[{"search":{"mode":"outcome"},"resource":{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"exception"}]}}]"#;
    let note = r#","entry":[{"search":{"mode":"outcome"},"resource":{"resourceType":"OperationOutcome","issue":[{"severity":"information","code":"informational"}]}}]"#;
    for (inner, empty) in [
        (search(link), 1),
        (search(&format!("{link},\"total\":0")), 1),
        (search(&format!("{link}{note}")), 1),
        (search(&format!("{link}{failure}")), 0),
        (search(&format!("{link},\"total\":3")), 0),
        (search(""), 0),
    ] {
        let text = bundle("collection", &[entry("", &order("o", "Patient/1")), entry("", &inner)]);
        with(&text, |gathered, _| {
            assert_eq!(gathered.empty.len(), empty, "{inner}");
            if let Some(found) = gathered.empty.first() {
                assert_eq!((found.of, found.patient.as_deref()), (ResourceKind::AllergyIntolerance, Some("Patient/1")));
            }
        });
    }
    // By the parameter's name, where the result has no link.
    let named = format!(
        r#"{{"resourceType":"Parameters","parameter":[{{"name":"order","resource":{}}},{{"name":"labs","resource":{}}},{{"name":"conditions","resource":{}}}]}}"#,
        order("o", "Patient/1"),
        search(""),
        search(""),
    );
    with(&named, |gathered, _| {
        let kinds: Vec<_> = gathered.empty.iter().map(|e| (e.of, e.laboratory)).collect();
        assert_eq!(kinds, [(ResourceKind::Observation, true), (ResourceKind::Condition, false)]);
    });
    // A further page may hold what is missing here.
    let paged = bundle(
        "collection",
        &[
            entry("", &order("o", "Patient/1")),
            entry(
                "",
                &search(
                    r#","link":[{"relation":"next","url":"https://a.example/fhir?page=2"}],"entry":[{"resource":{"resourceType":"Condition"}}]"#,
                ),
            ),
        ],
    );
    with(&paged, |gathered, _| assert!(gathered.problems.iter().any(|p| p.code == "incomplete" && p.grave)));
}

#[test]
fn named_parts_of_another_document_are_gathered() {
    // The shape of a hook request: drafts to check, prefetched resources as context, null for "none".
    let text = format!(
        r#"{{"context":{{"draftOrders":{}}},"prefetch":{{"patient":{},"orders":{},"allergies":null}}}}"#,
        bundle("collection", &[entry("", &order("draft", "Patient/1"))]),
        patient("1"),
        bundle("searchset", &[entry("", &order("current", "Patient/1"))]),
    );
    let document = Document::read(text.as_bytes(), &Limits::default()).unwrap();
    let root = document.root();
    let prefetch = root.get("prefetch").unwrap();
    let part = |label: &'static str| Part {
        node: prefetch.get(label).unwrap(),
        label: Some(label),
        full_url: None,
        orders: false,
    };
    let drafts = Part {
        node: root.get("context").unwrap().get("draftOrders").unwrap(),
        label: None,
        full_url: None,
        orders: true,
    };
    let gathered = gather_parts(root, &[part("patient"), part("orders"), part("allergies"), drafts]);
    assert_eq!(gathered.orders.len(), 1);
    assert!(gathered.orders[0].get("id").unwrap().is_str("draft"));
    assert_eq!(gathered.of_kind(ResourceKind::NutritionOrder).count(), 2);
    assert_eq!(gathered.empty.len(), 1);
    assert_eq!(gathered.patients, 1);
}

#[test]
fn bounds_are_kept_and_told() {
    let many: Vec<String> = (0..=MOST_ENTRIES).map(|n| entry("", &patient(&n.to_string()))).collect();
    let text = bundle("collection", &[vec![entry("", &order("o", "Patient/1"))], many].concat());
    with(&text, |gathered, _| {
        assert_eq!(gathered.resources.len(), MOST_ENTRIES);
        assert_eq!(gathered.problems.iter().filter(|p| p.code == "too-costly" && p.grave).count(), 1);
    });
    let orders: Vec<String> = (0..MOST_ORDERS + 5).map(|n| entry("", &order(&n.to_string(), "Patient/1"))).collect();
    with(&bundle("batch", &orders), |gathered, _| {
        assert_eq!(gathered.orders.len(), MOST_ORDERS);
        assert_eq!(gathered.problems.iter().filter(|p| p.code == "too-costly" && p.grave).count(), 1);
    });
    let mut nested = order("o", "Patient/1");
    for _ in 0..10 {
        nested = bundle("collection", &[entry("", &nested)]);
    }
    with(&nested, |gathered, _| {
        assert!(gathered.orders.is_empty());
        assert!(gathered.problems.iter().any(|p| p.code == "too-costly"));
    });
}

#[test]
fn entries_that_are_no_resources_are_told() {
    for resource in ["null", "[]", "{}", "\"x\"", r#"{"resourceType":7}"#] {
        let text = bundle("collection", &[entry("", &order("o", "Patient/1")), entry("", resource)]);
        with(&text, |gathered, _| {
            assert_eq!(gathered.orders.len(), 1);
            assert!(gathered.problems.iter().any(|p| p.code == "structure" && p.grave), "{resource}");
        });
    }
    let text = r#"{"resourceType":"Bundle","type":"collection","entry":{"resource":{}}}"#;
    with(text, |gathered, _| assert!(gathered.problems.iter().any(|p| p.text.contains("expected an array"))));
}
