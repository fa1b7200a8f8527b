//! The silent-pass audit: every field of every clear order and of its context is deleted, emptied, changed
//! in sign, size and type, or given another code or date. None of the results may be `clear`, unless
//! `docs/irrelevant-fields.md` lists that field with that change and says why. Most orders are judged by the program's own
//! rules; one with clock times, an encounter and a birth month by the starter rulebook as well.

use enteral_gate::appraise::{Institution, appraise, check_by};
use enteral_gate::findings::{Disposition, Outcome};
use enteral_gate::formulary::Formulary;
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::queue::report;
use enteral_gate::rulebook::{Rulebook, file};
use enteral_gate::settings::Settings;
use serde_json::{Map, Value, json};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::LazyLock;

static FORMULARY: LazyLock<Formulary> =
    LazyLock::new(|| Formulary::from_csv("formulary.csv", include_bytes!("../deploy/demo/formulary.csv")).unwrap());
static SETTINGS: LazyLock<Settings> = LazyLock::new(Settings::default);

/// With clock times of the events that the order names.
static CLOCK: LazyLock<Settings> = LazyLock::new(|| {
    let mut settings = Settings::default();
    for (code, hours) in [("ACM", 16), ("ACD", 25), ("ACV", 34), ("HS", 44)] {
        settings.clock.insert(code.to_owned(), vec![hours * 1800]);
    }
    settings
});
static STARTER: LazyLock<Rulebook> = LazyLock::new(|| file::read(file::starter()).unwrap());
/// A value that is not there, with FHIR's reason in its place.
const WITHHELD: &str = "withheld";
const BY_THE_STARTER: &str = "clock-times.r4.json";

fn disposition_of(name: &str, document: &Value, version: FhirVersion) -> Disposition {
    if name != BY_THE_STARTER {
        return disposition(document, version);
    }
    let bytes = serde_json::to_vec(document).unwrap();
    let by = Institution { formulary: &FORMULARY, rulebook: &STARTER, settings: &CLOCK };
    check_by(&bytes, "", version, by).disposition()
}

const LIST: &str = include_str!("../docs/irrelevant-fields.md");

/// One step of the way to a value.
#[derive(Clone, Debug, PartialEq)]
enum Step {
    Key(String),
    Index(usize),
}

fn disposition(document: &Value, version: FhirVersion) -> Disposition {
    let bytes = serde_json::to_vec(document).unwrap();
    appraise(&bytes, "", version, &FORMULARY, &SETTINGS).disposition()
}

/// Every place of a document below `value`, the value itself included.
fn places(value: &Value, here: &mut Vec<Step>, out: &mut Vec<Vec<Step>>) {
    out.push(here.clone());
    match value {
        Value::Object(members) => {
            for (key, inner) in members {
                here.push(Step::Key(key.clone()));
                places(inner, here, out);
                here.pop();
            }
        }
        Value::Array(items) => {
            for (i, inner) in items.iter().enumerate() {
                here.push(Step::Index(i));
                places(inner, here, out);
                here.pop();
            }
        }
        _ => {}
    }
}

fn at<'v>(value: &'v mut Value, path: &[Step]) -> &'v mut Value {
    path.iter().fold(value, |v, step| match step {
        Step::Key(k) => v.get_mut(k).unwrap(),
        Step::Index(i) => v.get_mut(i).unwrap(),
    })
}

fn delete(value: &mut Value, path: &[Step]) {
    let (last, parents) = path.split_last().unwrap();
    match (at(value, parents), last) {
        (Value::Object(members), Step::Key(k)) => {
            members.remove(k);
        }
        (Value::Array(items), Step::Index(i)) => {
            items.remove(*i);
        }
        _ => unreachable!(),
    }
}

fn number(text: String) -> Value {
    serde_json::from_str(&text).unwrap()
}

/// The changes that fit a value: (name, the new value; `None` deletes).
fn changes(key: &str, value: &Value) -> Vec<(&'static str, Option<Value>)> {
    let mut out: Vec<(&'static str, Option<Value>)> = vec![("delete", None), ("null", Some(Value::Null))];
    match value {
        Value::Number(n) => {
            let text = n.to_string();
            let shifted = |places: i32| number(format!("{text}e{places}"));
            let x: f64 = text.parse().unwrap();
            out.push((
                "sign",
                Some(number(if let Some(t) = text.strip_prefix('-') { t.to_owned() } else { format!("-{text}") })),
            ));
            out.push(("zero", Some(json!(0))));
            for (name, places) in [("×10", 1), ("×1000", 3), ("÷10", -1)] {
                // As senders would write it, not with an exponent.
                let y = x * 10f64.powi(places);
                let plain = format!("{y}");
                out.push((name, Some(if plain.len() < 15 { number(plain) } else { shifted(places) })));
            }
            out.push(("retype", Some(json!(text))));
        }
        Value::String(s) => {
            out.push(("retype", Some(json!(7))));
            out.push(("empty", Some(json!(""))));
            out.push(("nonsense", Some(json!("zzz"))));
            let unit = |to: &str| Some(json!(to));
            match (key, s.as_str()) {
                ("code" | "unit", "mL") => {
                    out.extend([("unit L", unit("L")), ("unit [foz_us]", unit("[foz_us]")), ("unit g", unit("g"))])
                }
                ("code" | "unit", "mL/h") => out.extend([
                    ("unit L/h", unit("L/h")),
                    ("unit mL/min", unit("mL/min")),
                    ("unit mL/d", unit("mL/d")),
                    ("unit mL", unit("mL")),
                ]),
                ("code" | "unit", "kg") => {
                    out.extend([("unit g", unit("g")), ("unit [lb_av]", unit("[lb_av]")), ("unit cm", unit("cm"))])
                }
                ("code" | "unit", "kcal/[foz_us]") => {
                    out.extend([("unit kcal/mL", unit("kcal/mL")), ("unit cal/[foz_us]", unit("cal/[foz_us]"))])
                }
                ("code" | "unit", "kcal/mL") => out.extend([
                    ("unit kcal/L", unit("kcal/L")),
                    ("unit kJ/mL", unit("kJ/mL")),
                    ("unit kcal/[foz_us]", unit("kcal/[foz_us]")),
                ]),
                ("code" | "unit", "mL/d" | "L/d") => out.extend([
                    ("another unit", unit("mL/h")),
                    ("another dimension", unit("kcal/d")),
                    ("unit without a time", unit("mL")),
                ]),
                ("code" | "unit", "h") => out.extend([
                    ("another unit", unit("d")),
                    ("another unit", unit("min")),
                    ("another dimension", unit("mL")),
                ]),
                ("code" | "unit", "g" | "{packet}" | "wk" | "cm") => out.extend([
                    (
                        "another unit",
                        unit(if s == "g" {
                            "kg"
                        } else if s == "cm" {
                            "m"
                        } else {
                            "d"
                        }),
                    ),
                    ("another dimension", unit("mmol")),
                ]),
                // Another code of the same set.
                ("code", "NGT" | "GT" | "OGT" | "JJTINSTL") => {
                    for other in ["NGT", "GT", "OGT"] {
                        if other != s {
                            out.push(("another tube into the stomach", unit(other)));
                        }
                    }
                    out.extend([
                        ("a tube beyond the stomach", unit("JJTINSTL")),
                        ("a route of unknown tip", unit("ENTINSTL")),
                        ("by mouth", unit("PO")),
                        ("into a vein", unit("IV")),
                    ]);
                }
                (
                    "code",
                    "A10" | "A12" | "A15" | "HP12" | "PEP10" | "PED10" | "INF" | "HM" | "PROT" | "HMF" | "MCT"
                    | "WATER",
                ) => {
                    for (name, others) in [
                        ("another feed", &["A10", "A15", "REN18", "PED10"][..]),
                        ("no feed by itself", &["INF", "WATER", "PROT"]),
                    ] {
                        out.extend(others.iter().filter(|o| **o != s).map(|o| (name, unit(o))));
                    }
                }
                ("code", "29463-7" | "3141-9") => {
                    for other in ["8302-2", "8339-4", "8340-2", "11884-4"] {
                        out.push(("another observation", unit(other)));
                    }
                }
                ("code", "IMP") => out.push(("another class", unit("HH"))),
                ("valueCode", _) => out.extend(
                    ["before", "after", "before-and-after", "day", "feed", "volume"].iter().filter(|u| **u != s).map(
                        |u| {
                            let flush = |c: &str| c.starts_with("before") || c == "after";
                            (
                                if flush(u) == flush(s) { "another code of its set" } else { "a code of another set" },
                                unit(u),
                            )
                        },
                    ),
                ),
                ("url", _) if s.contains("enteral-gate.example") => {
                    out.push(("misspelt", unit(&format!("{s}s"))));
                    if !s.ends_with("additive-per") {
                        out.push((
                            "another extension",
                            unit("https://enteral-gate.example/fhir/StructureDefinition/additive-per"),
                        ));
                    }
                }
                ("reference", _) => out.push(("another reference", unit(&format!("{s}-other")))),
                ("periodUnit" | "durationUnit", _) => {
                    out.extend(
                        ["s", "min", "h", "d", "wk", "mo"]
                            .iter()
                            .filter(|u| **u != s)
                            .map(|u| ("another unit of time", unit(u))),
                    );
                }
                ("status", _) => out.extend(
                    [
                        "draft",
                        "active",
                        "on-hold",
                        "revoked",
                        "completed",
                        "entered-in-error",
                        "unknown",
                        "final",
                        "preliminary",
                        "cancelled",
                    ]
                    .iter()
                    .filter(|u| **u != s)
                    .map(|u| ("another status", unit(u))),
                ),
                ("intent", _) => {
                    out.extend(["proposal", "plan", "option", "filler-order"].map(|u| ("another intent", unit(u))))
                }
                ("gender", _) => out.extend([
                    ("another gender", unit(if s == "male" { "female" } else { "male" })),
                    ("gender other", unit("other")),
                ]),
                _ => {}
            }
            if s.len() >= 10 && s.as_bytes().get(4) == Some(&b'-') && s.starts_with("20")
                || s.starts_with("19") && s.len() == 10
            {
                let year: i32 = s[..4].parse().unwrap();
                out.push(("10 years later", Some(json!(format!("{}{}", year + 10, &s[4..])))));
                out.push(("10 years earlier", Some(json!(format!("{}{}", year - 10, &s[4..])))));
                out.push(("year only", Some(json!(&s[..4]))));
                if s.len() > 10 {
                    out.push(("date only", Some(json!(&s[..10]))));
                }
            }
            if s.len() == 8 && s.as_bytes().get(2) == Some(&b':') {
                out.push(("another hour", Some(json!(if s == "03:00:00" { "04:00:00" } else { "03:00:00" }))));
                out.push(("24:00", Some(json!("24:00:00"))));
            }
        }
        Value::Array(items) => {
            out.push(("retype", Some(items.first().cloned().unwrap_or(json!({})))));
            out.push(("empty", Some(json!([]))));
            let mut doubled = items.clone();
            doubled.extend(items.clone());
            out.push(("doubled", Some(Value::Array(doubled))));
        }
        Value::Object(members) => {
            out.push(("retype", Some(json!([Value::Object(members.clone())]))));
            out.push(("empty", Some(Value::Object(Map::new()))));
            let mut stranger = members.clone();
            stranger.insert("zzz".to_owned(), json!(1));
            out.push(("unknown element", Some(Value::Object(stranger))));
        }
        Value::Bool(b) => out.extend([("flip", Some(json!(!b))), ("retype", Some(json!("true")))]),
        Value::Null => out.push(("retype", Some(json!("true")))),
    }
    out
}

/// The place without indexes, from the resource type on: `NutritionOrder.enteralFormula.administration.quantity`.
fn pattern(document: &Value, path: &[Step]) -> String {
    let mut value = document;
    let mut out = String::new();
    for step in path {
        match step {
            Step::Key(k) => {
                out.push('.');
                out.push_str(k);
                value = &value[k.as_str()];
            }
            Step::Index(i) => value = &value[*i],
        }
        if let Some(kind) = value.get("resourceType").and_then(Value::as_str) {
            out = kind.to_owned();
            if let Some(code) = value["code"]["coding"][0]["code"].as_str() {
                out.push_str(&format!("[{code}]"));
            }
        }
    }
    if out.starts_with('.') || out.is_empty() {
        format!("{}{out}", document["resourceType"].as_str().unwrap_or(""))
    } else {
        out
    }
}

/// The list: rows `| place | changes | orders | reason |`. Places and orders may end in `*`, changes may be `*`;
/// several are separated by `,`; `all` stands for every order.
fn listed() -> Vec<(String, BTreeSet<String>, String)> {
    LIST.lines()
        .filter(|l| l.starts_with("| `"))
        .map(|l| {
            let cells: Vec<&str> = l.trim_matches('|').split('|').map(str::trim).collect();
            assert_eq!(cells.len(), 4, "{l}");
            assert!(cells[3].len() > 10, "a reason is needed: {l}");
            (
                cells[0].trim_matches('`').to_owned(),
                cells[1].split(',').map(|c| c.trim().to_owned()).collect(),
                cells[2].to_owned(),
            )
        })
        .collect()
}

fn fits(place: &str, wanted: &str) -> bool {
    match wanted.strip_suffix('*') {
        Some(start) => place.starts_with(start),
        None => place == wanted,
    }
}

fn corpus() -> Vec<(String, FhirVersion, Value)> {
    let root = env!("CARGO_MANIFEST_DIR");
    let mut out = Vec::new();
    for folder in ["deploy/demo/orders", "tests/cases", "tests/orders/clear"] {
        let Ok(files) = std::fs::read_dir(format!("{root}/{folder}")) else { continue };
        let mut names: Vec<_> =
            files.filter_map(|f| Some(f.ok()?.path())).filter(|p| p.extension().is_some_and(|e| e == "json")).collect();
        names.sort();
        for path in names {
            let document: Value = serde_json::from_slice(&std::fs::read(&path).unwrap()).unwrap();
            for version in [FhirVersion::R4, FhirVersion::R5] {
                if disposition(&document, version) == Disposition::Clear {
                    out.push((path.file_name().unwrap().to_string_lossy().into_owned(), version, document.clone()));
                    break;
                }
            }
        }
    }
    out
}

#[test]
fn no_damaged_order_is_clear() {
    let mut corpus = corpus();
    let by_the_starter: Value =
        serde_json::from_str(include_str!("orders/by_the_starter/clock-times.r4.json")).unwrap();
    assert_eq!(disposition_of(BY_THE_STARTER, &by_the_starter, FhirVersion::R4), Disposition::Clear);
    corpus.push((BY_THE_STARTER.to_owned(), FhirVersion::R4, by_the_starter));
    assert!(corpus.len() >= 13, "clear orders: {:?}", corpus.iter().map(|c| &c.0).collect::<Vec<_>>());
    let listed = listed();
    let mut used = vec![BTreeSet::new(); listed.len()];
    let mut holes: BTreeMap<(String, &'static str), BTreeSet<String>> = BTreeMap::new();
    let (mut tried, mut cleared) = (0u32, 0u32);
    for (name, version, document) in &corpus {
        let mut paths = Vec::new();
        places(document, &mut Vec::new(), &mut paths);
        let mut judge = |damaged: &Value, path: &[Step], change: &'static str, cleared: &mut u32| {
            if disposition_of(name, damaged, *version) != Disposition::Clear {
                return;
            }
            *cleared += 1;
            let place = pattern(document, path);
            let row = listed.iter().position(|row| {
                fits(&place, &row.0)
                    && (row.1.contains(change)
                        || row.1.contains("*")
                        // What may be missing may be missing with a reason; a time may not.
                        || change == WITHHELD && row.1.contains("delete") && !place.ends_with(".offset"))
                    && (row.2 == "all" || row.2.split(", ").any(|wanted| fits(name, wanted)))
            });
            match row {
                Some(row) => {
                    let change =
                        if change == WITHHELD && !listed[row].1.contains(WITHHELD) { "delete" } else { change };
                    used[row].insert(if listed[row].1.contains("*") { "*".to_owned() } else { change.to_owned() });
                }
                None => {
                    holes.entry((place, change)).or_default().insert(name.clone());
                }
            }
        };
        for path in paths.iter().filter(|p| !p.is_empty()) {
            let value = path.iter().fold(document, |v, s| match s {
                Step::Key(k) => &v[k.as_str()],
                Step::Index(i) => &v[*i],
            });
            // A name that is misspelt: the value is there and nobody looks for it.
            if let Some((Step::Key(name_of), parents)) = path.split_last() {
                let mut damaged = document.clone();
                if let Value::Object(members) = at(&mut damaged, parents) {
                    let moved = members.remove(name_of).unwrap();
                    members.insert(format!("{name_of}X"), moved);
                }
                tried += 1;
                judge(&damaged, path, "misspelt name", &mut cleared);
            }
            // A value that is withheld, with the reason.
            if let (Some((Step::Key(name_of), parents)), false) =
                (path.split_last(), value.is_array() || value.is_object() || value.is_null())
                && !name_of.starts_with('_')
                && !matches!(name_of.as_str(), "resourceType" | "url" | "id")
            {
                let mut damaged = document.clone();
                if let Value::Object(members) = at(&mut damaged, parents) {
                    members.remove(name_of);
                    members.insert(
                        format!("_{name_of}"),
                        json!({ "extension": [{
                            "url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason",
                            "valueCode": "unknown" }] }),
                    );
                }
                tried += 1;
                judge(&damaged, path, WITHHELD, &mut cleared);
            }
            let key = path
                .iter()
                .rev()
                .find_map(|s| if let Step::Key(k) = s { Some(k.as_str()) } else { None })
                .unwrap_or("");
            for (change, to) in changes(key, value) {
                let mut damaged = document.clone();
                match to {
                    Some(v) => *at(&mut damaged, path) = v,
                    None => delete(&mut damaged, path),
                }
                tried += 1;
                judge(&damaged, path, change, &mut cleared);
            }
        }
    }
    println!(
        "counts: {} clear orders, {tried} damaged variants, {cleared} still clear, all of them on the list of {} rows",
        corpus.len(),
        listed.len()
    );
    if !holes.is_empty() {
        for ((place, change), names) in &holes {
            println!("{place} | {change} | {}", names.iter().cloned().collect::<Vec<_>>().join(" "));
        }
        panic!("{} ways to stay clear that are not on the list", holes.len());
    }
    let idle: Vec<String> = listed
        .iter()
        .zip(&used)
        .flat_map(|(row, used)| {
            row.1.difference(used).map(|change| format!("{} | {change}", row.0)).collect::<Vec<_>>()
        })
        .collect();
    assert!(idle.is_empty(), "never applies:\n{}", idle.join("\n"));
}

/// A clear order, and Bundles around it that say or show that something is not there or is lost.
fn bundles_with_something_missing(order: &Value) -> Vec<(&'static str, Value, &'static str)> {
    let entry = |resource: Value| json!({ "resource": resource });
    let search = |more: Value| {
        let mut out = json!({ "resourceType": "Bundle", "type": "searchset" });
        out.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        out
    };
    let own = order["entry"].as_array().unwrap().clone();
    let with = |more: Vec<Value>| {
        let mut out = order.clone();
        out["entry"] = [own.clone(), more].concat().into();
        out
    };
    let last = |rest: &str| -> &'static str { format!("Bundle.entry[{}]{rest}", own.len()).leak() };
    let outcome = |severity: &str| json!({ "resourceType": "OperationOutcome", "issue": [{ "severity": severity, "code": "exception" }] });
    let patient = own.iter().find_map(|e| {
        e["resource"]["patient"]["reference"].as_str().or(e["resource"]["subject"]["reference"].as_str())
    });
    let patient = json!({ "reference": patient.unwrap() });
    let condition = json!({ "resourceType": "Condition", "id": "c", "subject": patient.clone() });
    let next = json!([{ "relation": "next", "url": "https://a.example/fhir?page=2" }]);
    let nutrition_order =
        own.iter().find(|e| e["resource"]["resourceType"] == "NutritionOrder").unwrap()["resource"].clone();
    let holding = |kind: &str| json!({ "resourceType": kind, "subject": patient.clone(), "contained": [nutrition_order.clone()] });
    let mut out = Vec::new();
    for kind in ["AllergyIntolerance", "Observation", "MedicationRequest", "NutritionOrder", "DeviceUseStatement"] {
        let of = json!({ "relation": "self", "url": format!("https://a.example/fhir/{kind}?patient=1") });
        out.push((
            "no entry on the first page",
            with(vec![entry(search(json!({ "link": [of.clone(), next[0].clone()] })))]),
            last(".resource.link[1]"),
        ));
        out.push((
            "only a number",
            with(vec![entry(search(json!({ "link": [of], "total": 3 })))]),
            last(".resource.total"),
        ));
    }
    let nth = own.iter().position(|e| e["resource"]["resourceType"] == "NutritionOrder").unwrap();
    let mut inside = order.clone();
    let mut more = nutrition_order.clone();
    more["id"] = "inside".into();
    inside["entry"][nth]["resource"]["contained"] = json!([more]);
    let place: &'static str = format!("Bundle.entry[{nth}].resource.contained[0]").leak();
    out.push(("an order in the order", inside, place));
    let mut own_next = order.clone();
    own_next["link"] = next.clone();
    let mut wrong_type = order.clone();
    wrong_type["type"] = "search".into();
    let mut no_type = order.clone();
    no_type.as_object_mut().unwrap().remove("type");
    let mut misspelt = order.clone();
    misspelt["Entry"] = json!([entry(nutrition_order.clone())]);
    let mut lower = nutrition_order.clone();
    lower["resourceType"] = "nutritionorder".into();
    out.extend([
        ("a further page", with(vec![entry(search(json!({ "link": next, "entry": [entry(condition.clone())] })))]), last(".resource.link[0]")),
        ("a further page of the Bundle itself", own_next, "Bundle.link[0]"),
        ("more than were sent", with(vec![entry(search(json!({ "total": 2, "entry": [entry(condition.clone())] })))]), last(".resource.total")),
        ("failed in part", with(vec![entry(search(json!({ "entry": [entry(condition), { "search": { "mode": "outcome" }, "resource": outcome("error") }] })))]), last(".resource.entry[1].resource")),
        ("an outcome instead", with(vec![entry(outcome("fatal"))]), last(".resource")),
        ("an outcome that does not say how grave it is", with(vec![entry(json!({ "resourceType": "OperationOutcome" }))]), last(".resource")),
        ("a request that failed", with(vec![json!({ "response": { "status": "503" } })]), last("")),
        ("an order in a RequestGroup", with(vec![entry(holding("RequestGroup"))]), last(".resource.contained[0]")),
        ("an order in a RequestOrchestration", with(vec![entry(holding("RequestOrchestration"))]), last(".resource.contained[0]")),
        ("an order in a Basic", with(vec![entry(holding("Basic"))]), last(".resource.contained[0]")),
        ("no type", no_type, "Bundle"),
        ("an unknown type", wrong_type, "Bundle.type"),
        ("Entry", misspelt, "Bundle.Entry[0]"),
        ("null", with(vec![Value::Null]), "Bundle"),
        ("{}", with(vec![json!({})]), last("")),
        ("a text", with(vec!["x".into()]), last("")),
        ("fullUrl alone", with(vec![json!({ "fullUrl": "urn:uuid:7d2c1e52-9a8b-4b4e-8b7f-0a8d2e0c4f11" })]), last("")),
        ("Resource", with(vec![json!({ "Resource": nutrition_order })]), last(".Resource")),
        ("a type in small letters", with(vec![entry(lower)]), last(".resource")),
        ("a type that FHIR does not have", with(vec![entry(json!({ "resourceType": "NutritonOrder" }))]), last(".resource")),
    ]);
    out
}

#[test]
fn what_was_not_sent_or_is_lost_in_a_bundle_is_never_clear() {
    let corpus = corpus();
    let (name, version, order) = corpus.iter().find(|(_, _, d)| d["entry"].is_array()).unwrap();
    for (what, document, place) in bundles_with_something_missing(order) {
        let bytes = serde_json::to_vec(&document).unwrap();
        let a = appraise(&bytes, "", *version, &FORMULARY, &SETTINGS);
        // What an order contains is flagged beside that.
        let wanted = if what == "an order in the order" { Disposition::Flagged } else { Disposition::NotFullyChecked };
        assert_eq!(a.disposition(), wanted, "{name}: {what}");
        let said: Vec<_> = a.problems.iter().filter(|p| p.grave).map(|p| (a.path(p.at), p.text.clone())).collect();
        assert!(said.iter().any(|(path, _)| path == place), "{what}: {place} in {said:?}");
        // A path cannot name a null, so the words do.
        let last = format!("entry[{}]: found null", order["entry"].as_array().unwrap().len());
        assert!(what != "null" || said.iter().any(|(_, text)| text.starts_with(&last)), "{said:?}");
        // Whoever reads the queue sees it too.
        for order in a.orders.iter().filter(|o| o.computed) {
            assert!(report::wanted(&a, order, false), "{what}");
            let report = report::of(&a, order, &[], None);
            assert_eq!(report.disposition, wanted, "{what}");
            assert!(report.not_evaluated.iter().any(|one| one.at == [place]), "{what}: {:?}", report.not_evaluated);
        }
    }
    // An order that cannot be seen does not say which other orders there are.
    let holding =
        bundles_with_something_missing(order).into_iter().find(|(what, ..)| what.ends_with("Basic")).unwrap().1;
    let bytes = serde_json::to_vec(&holding).unwrap();
    let a = appraise(&bytes, "", *version, &FORMULARY, &SETTINGS);
    let beside = a.orders[0].judged.iter().find(|j| j.rule.id == "CON-08").unwrap();
    assert!(matches!(beside.outcome, Outcome::NotProvided(_)), "{:?}", beside.outcome);
}

#[test]
fn a_search_that_was_sent_whole_is_clear() {
    let corpus = corpus();
    let (_, version, order) = corpus.iter().find(|(_, _, d)| d["entry"].is_array()).unwrap();
    let page = |own: u8, more: Value| {
        let url = |n: u8| format!("https://a.example/fhir/Condition?patient=1&page={n}");
        let mut links = vec![json!({ "relation": "self", "url": url(own) })];
        if own == 1 {
            links.push(json!({ "relation": "next", "url": url(2) }));
        } else {
            links.push(json!({ "relation": "previous", "url": url(1) }));
        }
        json!({ "resource": { "resourceType": "Bundle", "type": "searchset", "total": 2, "link": links, "entry": [more] } })
    };
    let note = json!({ "search": { "mode": "outcome" }, "resource": { "resourceType": "OperationOutcome", "issue": [{ "severity": "warning", "code": "informational" }] } });
    let mut whole = order.clone();
    whole["entry"].as_array_mut().unwrap().extend([page(1, note.clone()), page(2, note.clone()), note]);
    assert_eq!(disposition(&whole, *version), Disposition::Clear);
}
