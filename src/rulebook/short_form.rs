//! An order in short form, as the tests of limits and the corpora write it, composed into a FHIR R4 Bundle. What
//! the short form does not name is not in the Bundle.

use super::{Concept, ConceptKind, Rulebook};
use jiff::civil::Date;
use jiff::{Span, ToSpan};
use serde_json::{Map, Value, json};
use toml::Table;

/// Day of a composed order, unless another is asked for; its time is eight in the morning.
pub const DAY: Date = jiff::civil::date(2026, 11, 25);
const UCUM: &str = "http://unitsofmeasure.org";
const ROUTE: &str = "http://terminology.hl7.org/CodeSystem/v3-RouteOfAdministration";
const SUBJECT: &str = "Patient/p";

/// Laboratory values by the fact they become, LOINC.
const LABS: &[(&str, &str)] = &[
    ("serum_potassium", "2823-3"),
    ("serum_sodium", "2951-2"),
    ("serum_phosphate", "14879-1"),
    ("serum_magnesium", "2601-3"),
    ("glucose", "15074-8"),
    ("urea", "22664-7"),
    ("creatinine", "14682-9"),
    ("egfr", "62238-1"),
    ("triglycerides", "14927-8"),
    ("lactate", "2524-7"),
];

/// Keys of a short form.
const KEYS: &[&str] = &[
    "age",
    "birth-date",
    "gestation",
    "sex",
    "weight",
    "weight-age",
    "earlier-weight",
    "height",
    "birth-weight",
    "product",
    "density",
    "route",
    "rate",
    "hours",
    "start",
    "volume",
    "feeds",
    "every",
    "over",
    "steps",
    "cap",
    "flush",
    "additives",
    "note",
    "fluid-limit",
    "status",
    "intent",
    "setting",
    "ward",
    "stay",
    "ends",
    "labs",
    "earlier-labs",
    "earlier-lab-age",
    "lab-age",
    "conditions",
    "allergies",
    "medicines",
    "holds",
    "tube-size",
    "preferences",
    "procedures",
    "medicine-forms",
    "infusions",
    "tube",
    "by-mouth",
    "other-orders",
    "declares",
];

const INFUSIONS: &str = "infusions: expected a list of { product, medicine, rate, volume }";

/// The Bundle of a short form, JSON.
///
/// # Errors
/// A sentence that names the key and what was expected.
pub fn compose(given: &Table, book: &Rulebook) -> Result<String, String> {
    compose_on(DAY, given, book)
}

/// The same for an order of another day: what the short form states as time before the order moves with it.
///
/// # Errors
/// As [`compose`].
pub fn compose_on(day: Date, given: &Table, book: &Rulebook) -> Result<String, String> {
    if let Some(key) = given.keys().find(|key| !KEYS.contains(&key.as_str())) {
        return Err(format!("{key} is not known in a short form; known are {}", KEYS.join(", ")));
    }
    let mut entries = vec![patient(day, given)?];
    observations(day, given, &mut entries)?;
    context(day, given, book, &mut entries)?;
    entries.push(order(day, given, "o", book)?);
    if let Some(others) = given.get("other-orders") {
        let others = others.as_array().ok_or("other-orders: expected a list of short forms")?;
        if others.is_empty() {
            entries.push(empty("NutritionOrder"));
        }
        for (nth, other) in others.iter().enumerate() {
            let other = other.as_table().ok_or("other-orders: expected a list of short forms")?;
            entries.push(order(day, other, &format!("o{}", nth + 2), book)?);
        }
    }
    let entry: Vec<Value> = entries
        .into_iter()
        .map(|resource| {
            let text = |key: &str| resource.get(key).and_then(Value::as_str).unwrap_or("").to_owned();
            if text("resourceType") == "Bundle" {
                return json!({"resource": resource});
            }
            let url = format!("https://enteral-gate.example/fhir/{}/{}", text("resourceType"), text("id"));
            json!({"fullUrl": url, "resource": resource})
        })
        .collect();
    Ok(json!({"resourceType": "Bundle", "type": "collection", "entry": entry}).to_string())
}

/// An explicitly empty answer to a search for a kind of resource.
fn empty(kind: &str) -> Value {
    let category = if kind == "Observation" { "&category=laboratory" } else { "" };
    let url = format!("https://enteral-gate.example/fhir/{kind}?patient=Patient/p{category}");
    json!({"resourceType": "Bundle", "type": "searchset", "total": 0, "link": [{"relation": "self", "url": url}]})
}

fn text<'t>(given: &'t Table, key: &str) -> Result<Option<&'t str>, String> {
    match given.get(key) {
        None => Ok(None),
        Some(value) => value.as_str().map(Some).ok_or_else(|| format!("{key}: expected text in quotes")),
    }
}

/// `"70 kg"` as number and unit.
fn amount<'t>(key: &str, text: &'t str) -> Result<(&'t str, &'t str), String> {
    let (number, unit) =
        text.split_once(' ').ok_or_else(|| format!("{key}: expected a number, a space and a unit, such as 70 kg"))?;
    let plain = number.strip_prefix('-').unwrap_or(number);
    if plain.is_empty() || !plain.bytes().all(|b| b.is_ascii_digit() || b == b'.') {
        return Err(format!("{key}: {number} is not a number"));
    }
    Ok((number, unit.trim()))
}

fn quantity(key: &str, text: &str) -> Result<Value, String> {
    let (number, unit) = amount(key, text)?;
    let number: serde_json::Number =
        serde_json::from_str(number).map_err(|_| format!("{key}: {number} is not a number"))?;
    Ok(json!({"value": number, "unit": unit, "system": UCUM, "code": unit}))
}

/// A duration back from the day of the order: `"70 a"`, `"5 mo"`, `"3 wk"`, `"12 d"`, `"6 h"`.
fn ago(day: Date, key: &str, text: &str) -> Result<(Date, i64), String> {
    let (number, unit) = amount(key, text)?;
    let n: i64 = number.parse().map_err(|_| format!("{key}: expected a whole number of a, mo, wk, d or h"))?;
    if !(0..=1_500_000).contains(&n) {
        return Err(format!("{key}: {n} is out of range"));
    }
    let (span, hours): (Span, i64) = match unit {
        "a" if n < 200 => (n.years(), 0),
        "mo" if n < 2400 => (n.months(), 0),
        "wk" if n < 10_000 => (n.weeks(), 0),
        "d" if n < 70_000 => (n.days(), 0),
        "h" if n < 100_000 => ((n / 24).days(), n % 24),
        _ => return Err(format!("{key}: expected a, mo, wk, d or h after the number")),
    };
    Ok((day.checked_sub(span).map_err(|_| format!("{key}: out of range"))?, hours))
}

/// Eight in the morning of a day.
fn now(day: Date) -> String {
    format!("{day}T08:00:00Z")
}

fn at(day: Date, key: &str, text: &str) -> Result<String, String> {
    let (day, hours) = ago(day, key, text)?;
    // Hours back from 08:00; past midnight it is the evening before.
    let (day, hour) = if hours > 8 {
        (day.yesterday().map_err(|_| format!("{key}: out of range"))?, 32 - hours)
    } else {
        (day, 8 - hours)
    };
    Ok(format!("{day}T{hour:02}:00:00Z"))
}

fn patient(day: Date, given: &Table) -> Result<Value, String> {
    let mut out = Map::new();
    out.insert("resourceType".into(), json!("Patient"));
    out.insert("id".into(), json!("p"));
    if let Some(sex) = text(given, "sex")? {
        if !matches!(sex, "female" | "male") {
            return Err(format!("sex: expected female or male, found {sex}"));
        }
        out.insert("gender".into(), json!(sex));
    }
    if let Some(date) = text(given, "birth-date")? {
        out.insert("birthDate".into(), json!(date));
    } else if let Some(age) = text(given, "age")? {
        out.insert("birthDate".into(), json!(ago(day, "age", age)?.0.to_string()));
    }
    Ok(Value::Object(out))
}

fn observation(id: &str, loinc: &str, key: &str, value: &str, when: &str) -> Result<Value, String> {
    Ok(json!({
        "resourceType": "Observation", "id": id, "status": "final",
        "code": {"coding": [{"system": "http://loinc.org", "code": loinc}]},
        "subject": {"reference": SUBJECT}, "effectiveDateTime": when, "valueQuantity": quantity(key, value)?
    }))
}

fn observations(day: Date, given: &Table, entries: &mut Vec<Value>) -> Result<(), String> {
    let (now, yesterday) = (now(day), at(day, "height", "1 d")?);
    let weighed = at(day, "weight-age", text(given, "weight-age")?.unwrap_or("1 d"))?;
    for (key, loinc, when) in [
        ("weight", "29463-7", weighed.as_str()),
        ("height", "8302-2", yesterday.as_str()),
        ("gestation", "11884-4", now.as_str()),
        ("birth-weight", "8339-4", now.as_str()),
    ] {
        if let Some(value) = text(given, key)? {
            let when = match (key, text(given, "age")?) {
                ("birth-weight" | "gestation", Some(age)) => at(day, "age", age)?,
                _ => when.to_owned(),
            };
            entries.push(observation(key, loinc, key, value, &when)?);
        }
    }
    if let Some(earlier) = given.get("earlier-weight") {
        let earlier = earlier.as_table().ok_or("earlier-weight: expected { value = …, ago = … }")?;
        let (Some(value), Some(back)) = (text(earlier, "value")?, text(earlier, "ago")?) else {
            return Err("earlier-weight: expected { value = …, ago = … }".to_owned());
        };
        entries.push(observation("earlier-weight", "29463-7", "earlier-weight", value, &at(day, "ago", back)?)?);
    }
    for (key, age, usual) in [("labs", "lab-age", "6 h"), ("earlier-labs", "earlier-lab-age", "2 d")] {
        let Some(labs) = given.get(key) else { continue };
        let labs = labs.as_table().ok_or_else(|| format!("{key}: expected a table of laboratory values"))?;
        let when = at(day, age, text(given, age)?.unwrap_or(usual))?;
        let prefix = key.trim_end_matches("labs");
        if labs.is_empty() {
            entries.push(empty("Observation"));
        }
        for (name, value) in labs {
            let loinc = LABS.iter().find(|(n, _)| n == name).ok_or_else(|| {
                format!(
                    "labs: {name} is not known; known are {}",
                    LABS.iter().map(|l| l.0).collect::<Vec<_>>().join(", ")
                )
            })?;
            let value = value.as_str().ok_or_else(|| format!("labs: {name}: expected text in quotes"))?;
            let mut lab = observation(&format!("{prefix}{}", name.replace('_', "-")), loinc.1, name, value, &when)?;
            if let Some(object) = lab.as_object_mut() {
                object.insert(
                    "category".into(),
                    json!([{"coding": [{"system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "laboratory"}]}]),
                );
            }
            entries.push(lab);
        }
    }
    Ok(())
}

fn concept<'b>(book: &'b Rulebook, kind: ConceptKind, key: &str) -> Result<&'b Concept, String> {
    let found = book.concepts.iter().find(|c| c.kind == kind && c.key == key);
    found.filter(|c| !c.codes.is_empty()).ok_or_else(|| format!("{key}: the rulebook has no such concept with a code"))
}

fn coded(concept: &Concept) -> Value {
    let coding: Vec<Value> =
        concept.codes.iter().take(1).map(|(system, code)| json!({"system": system, "code": code})).collect();
    json!({"coding": coding})
}

fn put(resource: &mut Value, element: &str, value: Value) {
    if let Some(resource) = resource.as_object_mut() {
        resource.insert(element.to_owned(), value);
    }
}

fn context(day: Date, given: &Table, book: &Rulebook, entries: &mut Vec<Value>) -> Result<(), String> {
    for (key, kind, resource) in [
        ("conditions", ConceptKind::Condition, "Condition"),
        ("allergies", ConceptKind::Allergy, "AllergyIntolerance"),
        ("medicines", ConceptKind::Medicine, "MedicationRequest"),
        ("holds", ConceptKind::Hold, "ServiceRequest"),
    ] {
        let Some(list) = given.get(key) else { continue };
        let list = list.as_array().ok_or_else(|| format!("{key}: expected a list of keys"))?;
        if list.is_empty() {
            entries.push(empty(resource));
        }
        for (nth, item) in list.iter().enumerate() {
            let item = item.as_str().ok_or_else(|| format!("{key}: expected a list of keys"))?;
            let code = coded(concept(book, kind, item)?);
            let id = format!("{}{nth}", key.trim_end_matches('s'));
            let clinical = |system: &str| json!({"coding": [{"system": system, "code": "active"}]});
            let verification = |system: &str| json!({"coding": [{"system": system, "code": "confirmed"}]});
            entries.push(match kind {
                ConceptKind::Condition => json!({
                    "resourceType": resource, "id": id, "subject": {"reference": SUBJECT}, "code": code,
                    "clinicalStatus": clinical("http://terminology.hl7.org/CodeSystem/condition-clinical"),
                    "verificationStatus": verification("http://terminology.hl7.org/CodeSystem/condition-ver-status")
                }),
                ConceptKind::Allergy => json!({
                    "resourceType": resource, "id": id, "patient": {"reference": SUBJECT}, "code": code,
                    "clinicalStatus": clinical("http://terminology.hl7.org/CodeSystem/allergyintolerance-clinical"),
                    "verificationStatus": verification("http://terminology.hl7.org/CodeSystem/allergyintolerance-verification")
                }),
                ConceptKind::Hold => json!({
                    "resourceType": resource, "id": id, "status": "active", "intent": "order",
                    "subject": {"reference": SUBJECT}, "code": code, "authoredOn": now(day)
                }),
                _ => json!({
                    "resourceType": resource, "id": id, "status": "active", "intent": "order",
                    "subject": {"reference": SUBJECT}, "medicationCodeableConcept": code, "authoredOn": now(day)
                }),
            });
        }
    }
    let (setting, ward) = (text(given, "setting")?, text(given, "ward")?);
    if setting.is_some() || ward.is_some() {
        let mut encounter = Map::new();
        encounter.insert("resourceType".into(), json!("Encounter"));
        encounter.insert("id".into(), json!("e"));
        encounter.insert("status".into(), json!("in-progress"));
        let class = match setting {
            Some("home") => json!({"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "HH"}),
            _ => json!({"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"}),
        };
        encounter.insert("class".into(), class);
        encounter.insert("subject".into(), json!({"reference": SUBJECT}));
        if let Some(setting) = setting.filter(|s| *s != "home") {
            let code = coded(concept(book, ConceptKind::Setting, setting)?);
            encounter.insert("serviceType".into(), code);
        }
        if let Some(stay) = text(given, "stay")? {
            encounter.insert("period".into(), json!({"start": at(day, "stay", stay)?}));
        }
        if let Some(ward) = ward {
            encounter.insert("location".into(), json!([{"location": {"display": ward}}]));
        }
        entries.push(Value::Object(encounter));
    }
    if let Some(list) = given.get("procedures") {
        let list = list.as_array().ok_or("procedures: expected a list of { kind, ago }")?;
        if list.is_empty() {
            entries.push(empty("Procedure"));
        }
        for (nth, item) in list.iter().enumerate() {
            let item = item.as_table().ok_or("procedures: expected a list of { kind, ago }")?;
            only("procedures", item, &["kind", "ago"])?;
            let mut procedure = json!({
                "resourceType": "Procedure", "id": format!("procedure{nth}"), "status": "completed",
                "subject": {"reference": SUBJECT}
            });
            if let Some(kind) = text(item, "kind")? {
                put(&mut procedure, "code", coded(concept(book, ConceptKind::Procedure, kind)?));
            }
            if let Some(ago) = text(item, "ago")? {
                put(&mut procedure, "performedDateTime", json!(at(day, "procedures.ago", ago)?));
            }
            entries.push(procedure);
        }
    }
    let list = given.get("medicine-forms");
    let list = list.map(|list| list.as_array().ok_or("medicine-forms: expected a list of { medicine, form, route }"));
    for (nth, item) in list.transpose()?.into_iter().flatten().enumerate() {
        let item = item.as_table().ok_or("medicine-forms: expected a list of { medicine, form, route }")?;
        only("medicine-forms", item, &["medicine", "form", "route"])?;
        let mut medication = json!({"resourceType": "Medication", "id": "medication"});
        for (key, kind, element) in
            [("medicine", ConceptKind::Medicine, "code"), ("form", ConceptKind::DoseForm, "form")]
        {
            if let Some(word) = text(item, key)? {
                put(&mut medication, element, coded(concept(book, kind, word)?));
            }
        }
        let mut request = json!({
            "resourceType": "MedicationRequest", "id": format!("medicine-form{nth}"), "status": "active",
            "intent": "order", "subject": {"reference": SUBJECT}, "authoredOn": now(day),
            "contained": [medication], "medicationReference": {"reference": "#medication"}
        });
        if let Some(route) = text(item, "route")? {
            let dose = json!([{"route": {"coding": [{"system": ROUTE, "code": route}]}}]);
            put(&mut request, "dosageInstruction", dose);
        }
        entries.push(request);
    }
    let list = given.get("infusions").map(|list| list.as_array().ok_or(INFUSIONS)).transpose()?;
    for (nth, item) in list.into_iter().flatten().enumerate() {
        let item = item.as_table().ok_or(INFUSIONS)?;
        only("infusions", item, &["product", "medicine", "rate", "volume"])?;
        let mut given = match text(item, "medicine")? {
            Some(key) => coded(concept(book, ConceptKind::Medicine, key)?),
            None => json!({}),
        };
        if let Some(product) = text(item, "product")? {
            put(&mut given, "text", json!(product));
        }
        let mut dose = json!({"route": {"coding": [{"system": ROUTE, "code": "IV"}]}});
        if let Some(rate) = text(item, "rate")? {
            put(&mut dose, "doseAndRate", json!([{"rateQuantity": quantity("infusions.rate", rate)?}]));
        }
        if let Some(volume) = text(item, "volume")? {
            put(&mut dose, "doseAndRate", json!([{"doseQuantity": quantity("infusions.volume", volume)?}]));
            put(&mut dose, "timing", json!({"repeat": {"frequency": 1, "period": 1, "periodUnit": "d"}}));
        }
        entries.push(json!({
            "resourceType": "MedicationRequest", "id": format!("infusion{nth}"), "status": "active", "intent": "order",
            "subject": {"reference": SUBJECT}, "authoredOn": now(day), "medicationCodeableConcept": given,
            "dosageInstruction": [dose]
        }));
    }
    let tube = match given.get("tube") {
        None => None,
        Some(tube) => Some(tube.as_table().ok_or("tube: expected { kind = …, ago = … }")?),
    };
    let size = text(given, "tube-size")?;
    if size.is_some() || tube.is_some() {
        let mut device = json!({
            "resourceType": "Device", "id": "tube", "status": "active", "patient": {"reference": SUBJECT}
        });
        if let Some(size) = size {
            let property = json!([{
                "type": {"coding": [{"system": "https://enteral-gate.example/fhir/CodeSystem/device-property", "code": "tube-size"}]},
                "valueQuantity": [quantity("tube-size", size)?]
            }]);
            put(&mut device, "property", property);
        }
        if let Some(tube) = tube {
            only("tube", tube, &["kind", "ago"])?;
            if let Some(kind) = text(tube, "kind")? {
                put(&mut device, "type", coded(concept(book, ConceptKind::Device, kind)?));
            }
            if let Some(placed) = text(tube, "ago")? {
                entries.push(json!({
                    "resourceType": "DeviceUseStatement", "id": "tube-use", "status": "active",
                    "subject": {"reference": SUBJECT}, "device": {"reference": "Device/tube"},
                    "timingPeriod": {"start": at(day, "tube.ago", placed)?}
                }));
            }
        }
        entries.push(device);
    }
    Ok(())
}

/// Refuses keys of a table that nothing reads.
fn only(label: &str, table: &Table, known: &[&str]) -> Result<(), String> {
    match table.keys().find(|key| !known.contains(&key.as_str())) {
        Some(key) => Err(format!("{label}: {key} is not known here; known are {}", known.join(", "))),
        None => Ok(()),
    }
}

/// Ways of feeding, each with the keys that go with it.
const WAYS: [(&str, &[&str]); 3] =
    [("steps", &[]), ("volume", &["feeds", "every", "over", "ends"]), ("rate", &["hours", "start", "ends"])];

/// Refuses two ways of feeding in one, of which only one would be read.
fn one_way(given: &Table) -> Result<(), String> {
    let keys = WAYS.iter().flat_map(|(way, with)| std::iter::once(way).chain(*with));
    let stated: Vec<&str> = keys.copied().filter(|key| given.contains_key(*key)).collect();
    let Some((way, with)) = WAYS.iter().find(|(way, _)| given.contains_key(*way)) else {
        return match stated.first() {
            Some(key) => Err(format!("{key} needs steps, volume or rate")),
            None => Ok(()),
        };
    };
    if let Some(other) = stated.iter().find(|key| *key != way && !with.contains(key)) {
        let with = if with.is_empty() { String::new() } else { format!(" (with {})", with.join(", ")) };
        return Err(format!("{other} does not go with {way}{with}: state one way of feeding"));
    }
    if given.contains_key("feeds") && given.contains_key("every") {
        return Err("state feeds or every, not both".to_owned());
    }
    Ok(())
}

fn order(day: Date, given: &Table, id: &str, book: &Rulebook) -> Result<Value, String> {
    one_way(given)?;
    let mut formula = Map::new();
    if let Some(product) = text(given, "product")? {
        formula.insert("baseFormulaProductName".into(), json!(product));
    }
    if let Some(density) = text(given, "density")? {
        formula.insert("caloricDensity".into(), quantity("density", density)?);
    }
    match text(given, "route")?.unwrap_or("gastric") {
        "none" => {}
        "gastric" => {
            formula.insert("routeofAdministration".into(), json!({"coding": [{"system": ROUTE, "code": "NGT"}]}));
        }
        "post-pyloric" => {
            formula.insert("routeofAdministration".into(), json!({"coding": [{"system": ROUTE, "code": "JJTINSTL"}]}));
        }
        other => {
            let (system, code) =
                other.split_once('|').ok_or("route: expected gastric, post-pyloric, none, or system|code")?;
            formula.insert("routeofAdministration".into(), json!({"coding": [{"system": system, "code": code}]}));
        }
    }
    if let Some(cap) = text(given, "cap")? {
        formula.insert("maxVolumeToDeliver".into(), quantity("cap", cap)?);
    }
    formula.insert("administration".into(), Value::Array(administrations(day, given)?));
    if let Some(flush) = given.get("flush") {
        let flush = flush.as_table().ok_or("flush: expected { volume = …, every = … }")?;
        only("flush", flush, &["volume", "every"])?;
        let (Some(volume), Some(every)) = (text(flush, "volume")?, text(flush, "every")?) else {
            return Err("flush: expected { volume = …, every = … }".to_owned());
        };
        let (period, unit) = amount("flush.every", every)?;
        let period: serde_json::Number =
            serde_json::from_str(period).map_err(|_| "flush.every: not a number".to_owned())?;
        formula.insert(
            "extension".into(),
            json!([{"url": "https://enteral-gate.example/fhir/StructureDefinition/water-flush", "extension": [
                {"url": "volume", "valueQuantity": quantity("flush.volume", volume)?},
                {"url": "schedule", "valueTiming": {"repeat": {"frequency": 1, "period": period, "periodUnit": unit}}}
            ]}]),
        );
    }
    let mut out = Map::new();
    out.insert("resourceType".into(), json!("NutritionOrder"));
    out.insert("id".into(), json!(id));
    out.insert("status".into(), json!(text(given, "status")?.unwrap_or("active")));
    out.insert("intent".into(), json!(text(given, "intent")?.unwrap_or("order")));
    out.insert("patient".into(), json!({"reference": SUBJECT}));
    out.insert("dateTime".into(), json!(now(day)));
    out.insert("orderer".into(), json!({"reference": "Practitioner/x"}));
    if given.contains_key("setting") || given.contains_key("ward") {
        out.insert("encounter".into(), json!({"reference": "Encounter/e"}));
    }
    if let Some(note) = text(given, "note")? {
        out.insert("note".into(), json!([{"text": note}]));
    }
    if let Some(limit) = text(given, "fluid-limit")? {
        let (number, unit) = amount("fluid-limit", limit)?;
        let per_day = unit.strip_suffix("/d").ok_or("fluid-limit: expected a volume per day, such as 1500 mL/d")?;
        out.insert(
            "oralDiet".into(),
            json!({"nutrient": [{
                "modifier": {"coding": [{"system": "http://snomed.info/sct", "code": "33463005"}]},
                "amount": quantity("fluid-limit", &format!("{number} {per_day}"))?
            }]}),
        );
    }
    let additives = match given.get("additives") {
        None => Vec::new(),
        Some(list) => list.as_array().cloned().ok_or("additives: expected a list of { product, amount, per }")?,
    };
    let mut extensions: Vec<Value> =
        formula.remove("extension").and_then(|e| e.as_array().cloned()).unwrap_or_default();
    for additive in &additives {
        let additive = additive.as_table().ok_or("additives: expected a list of { product, amount, per }")?;
        only("additives", additive, &["product", "amount", "per"])?;
        let product = text(additive, "product")?.ok_or("additives: product is missing")?;
        let mut parts = vec![json!({"url": "item", "valueCodeableConcept": {"text": product}})];
        if let Some(value) = text(additive, "amount")? {
            parts.push(json!({"url": "quantity", "valueQuantity": quantity("additives.amount", value)?}));
            parts.push(json!({"url": "per", "valueCode": text(additive, "per")?.unwrap_or("day")}));
        }
        extensions.push(json!({"url": ADDITIVE, "extension": parts}));
    }
    if !extensions.is_empty() {
        formula.insert("extension".into(), Value::Array(extensions));
    }
    if let Some(list) = given.get("preferences") {
        let list = list.as_array().ok_or("preferences: expected a list of keys")?;
        let kept = list.iter().map(|item| match item.as_str().ok_or("preferences: expected a list of keys")? {
            "in-words" => Ok(json!({"text": "As at home"})),
            key => concept(book, ConceptKind::Diet, key).map(coded),
        });
        out.insert("foodPreferenceModifier".into(), Value::Array(kept.collect::<Result<_, String>>()?));
    }
    let eaten = match text(given, "by-mouth")? {
        None => false,
        Some("diet") => {
            put_diet(&mut out, &json!({"coding": [{"system": "http://snomed.info/sct", "code": "386619000"}]}))
        }
        Some("diet-in-words") => put_diet(&mut out, &json!({"text": "Diet as the patient likes"})),
        Some("nil") => put_diet(&mut out, &coded(concept(book, ConceptKind::Hold, "nil-by-mouth")?)),
        Some("supplement") => {
            out.insert("supplement".into(), json!([{"type": {"text": "Sip feed"}}]));
            true
        }
        Some(_) => return Err(format!("by-mouth: expected {}", BY_MOUTH.join(", "))),
    };
    // An order by mouth alone has no feed.
    let feeds = ["product", "rate", "volume", "steps", "flush", "additives"];
    if !eaten || feeds.iter().any(|key| given.contains_key(*key)) {
        out.insert("enteralFormula".into(), Value::Object(formula));
    }
    Ok(Value::Object(out))
}

/// What an order in short form may state by mouth.
pub(super) const BY_MOUTH: [&str; 4] = ["diet", "diet-in-words", "nil", "supplement"];

/// A type of diet, beside the fluid limit where there is one. (386619000: a low-sodium diet, as in FHIR's own examples.)
fn put_diet(order: &mut Map<String, Value>, kind: &Value) -> bool {
    let diet = order.entry("oralDiet").or_insert_with(|| json!({}));
    if let Some(diet) = diet.as_object_mut() {
        diet.insert("type".into(), json!([kind]));
    }
    true
}

/// The amount of an additive in R4, which has no element for it.
const ADDITIVE: &str = "https://enteral-gate.example/fhir/StructureDefinition/additive-dose";

fn administrations(day: Date, given: &Table) -> Result<Vec<Value>, String> {
    let start = text(given, "start")?;
    if let Some(steps) = given.get("steps") {
        let steps = steps.as_array().ok_or("steps: expected a list of { rate, for }")?;
        let mut out = Vec::new();
        let mut hour = 0_i64;
        for step in steps {
            let step = step.as_table().ok_or("steps: expected a list of { rate, for }")?;
            only("steps", step, &["rate", "for"])?;
            let rate = text(step, "rate")?.ok_or("steps: rate is missing")?;
            let (days, of_day) = (hour / 24, (8 + hour) % 24);
            let days = if 8 + hour % 24 >= 24 { days + 1 } else { days };
            let date = day.checked_add(days.days()).map_err(|_| "steps: out of range".to_owned())?;
            out.push(json!({
                "schedule": {"repeat": {"boundsPeriod": {"start": format!("{date}T{of_day:02}:00:00Z")}}},
                "rateQuantity": quantity("steps.rate", rate)?
            }));
            if let Some(length) = text(step, "for")? {
                let (n, unit) = amount("steps.for", length)?;
                let n: i64 = n.parse().map_err(|_| "steps.for: expected whole hours or days".to_owned())?;
                hour += match unit {
                    "h" => n.min(10_000),
                    "d" => n.min(400) * 24,
                    _ => return Err("steps.for: expected hours or days".to_owned()),
                };
            }
        }
        return Ok(out);
    }
    let mut bounds = json!({"start": now(day)});
    if let Some(ends) = text(given, "ends")? {
        let (n, unit) = amount("ends", ends)?;
        let n: i64 = n.parse().map_err(|_| "ends: expected whole days".to_owned())?;
        if unit != "d" || !(0..=70_000).contains(&n) {
            return Err("ends: expected whole days, such as 30 d".to_owned());
        }
        let date = day.checked_add(n.days()).map_err(|_| "ends: out of range".to_owned())?;
        if let Some(object) = bounds.as_object_mut() {
            object.insert("end".into(), json!(format!("{date}T08:00:00Z")));
        }
    }
    if let Some(volume) = text(given, "volume")? {
        let mut repeat = Map::new();
        repeat.insert("boundsPeriod".into(), bounds);
        if let Some(feeds) = given.get("feeds") {
            let feeds = feeds.as_integer().ok_or("feeds: expected a whole number")?;
            repeat.insert("frequency".into(), json!(feeds));
            repeat.insert("period".into(), json!(1));
            repeat.insert("periodUnit".into(), json!("d"));
        } else {
            let every = text(given, "every")?.ok_or("volume needs feeds or every")?;
            let (period, unit) = amount("every", every)?;
            let period: serde_json::Number =
                serde_json::from_str(period).map_err(|_| "every: not a number".to_owned())?;
            repeat.insert("frequency".into(), json!(1));
            repeat.insert("period".into(), json!(period));
            repeat.insert("periodUnit".into(), json!(unit));
        }
        if let Some(over) = text(given, "over")? {
            let (length, unit) = amount("over", over)?;
            let length: serde_json::Number =
                serde_json::from_str(length).map_err(|_| "over: not a number".to_owned())?;
            repeat.insert("duration".into(), json!(length));
            repeat.insert("durationUnit".into(), json!(unit));
        }
        return Ok(vec![json!({"schedule": {"repeat": repeat}, "quantity": quantity("volume", volume)?})]);
    }
    let Some(rate) = text(given, "rate")? else { return Ok(Vec::new()) };
    let mut repeat = Map::new();
    repeat.insert("boundsPeriod".into(), bounds);
    if let Some(hours) = text(given, "hours")? {
        let (length, unit) = amount("hours", hours)?;
        let length: serde_json::Number = serde_json::from_str(length).map_err(|_| "hours: not a number".to_owned())?;
        repeat.insert("duration".into(), json!(length));
        repeat.insert("durationUnit".into(), json!(unit));
        repeat.insert("frequency".into(), json!(1));
        repeat.insert("period".into(), json!(1));
        repeat.insert("periodUnit".into(), json!("d"));
        repeat.insert("timeOfDay".into(), json!([format!("{}:00", start.unwrap_or("20:00"))]));
    }
    Ok(vec![json!({"schedule": {"repeat": repeat}, "rateQuantity": quantity("rate", rate)?})])
}
