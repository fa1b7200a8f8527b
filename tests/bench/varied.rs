//! Varied orders for measuring, so that no branch predictor learns one body by heart.

use enteral_gate::formulary::Formulary;

/// The invented formulary of the demonstration.
pub fn formulary() -> Formulary {
    match Formulary::from_csv("formulary.csv", include_bytes!("../../deploy/demo/formulary.csv")) {
        Ok(f) => f,
        Err(problems) => {
            for p in problems {
                eprintln!("{p}");
            }
            std::process::exit(64)
        }
    }
}

/// `n` R4 Bundles of a patient, a weight and an order: continuous, intermittent, cyclic and stepped feeds of
/// several products, with flushes, in turn. Invented.
pub fn orders(n: usize) -> Vec<Vec<u8>> {
    (0..n).map(|i| order(i).into_bytes()).collect()
}

fn order(i: usize) -> String {
    let product = ["A10", "A12", "A15", "A20", "HP12", "PEP10"][i % 6];
    let kg = 50 + i % 37;
    let tenth = i % 10;
    let rate = 40 + (i * 7) % 55;
    let day = 1 + i % 27;
    let start = format!("2026-11-{day:02}T{:02}:00:00Z", 6 + i % 5);
    let ml = "\"unit\":\"mL\",\"system\":\"http://unitsofmeasure.org\",\"code\":\"mL\"";
    let per_h = "\"unit\":\"mL/h\",\"system\":\"http://unitsofmeasure.org\",\"code\":\"mL/h\"";
    let administration = match i % 4 {
        0 => format!(
            r#"[{{"schedule":{{"repeat":{{"boundsPeriod":{{"start":"{start}"}}}}}},"rateQuantity":{{"value":{rate},{per_h}}}}}]"#
        ),
        1 => format!(
            r#"[{{"schedule":{{"repeat":{{"boundsPeriod":{{"start":"{start}"}},"frequency":{},"period":1,"periodUnit":"d"}}}},"quantity":{{"value":{},{ml}}},"rateQuantity":{{"value":{},{per_h}}}}}]"#,
            4 + i % 3,
            200 + 10 * (i % 9),
            200 + rate
        ),
        2 => format!(
            r#"[{{"schedule":{{"repeat":{{"boundsPeriod":{{"start":"{start}"}},"duration":{},"durationUnit":"h","frequency":1,"period":1,"periodUnit":"d","timeOfDay":["21:00:00"]}}}},"rateQuantity":{{"value":{},{per_h}}}}},{{"schedule":{{"repeat":{{"frequency":2,"period":1,"periodUnit":"d","timeOfDay":["12:00:00","17:00:00"]}}}},"quantity":{{"value":{},{ml}}}}}]"#,
            8 + i % 4,
            rate + 20,
            200 + i % 60
        ),
        _ => format!(
            r#"[{{"schedule":{{"repeat":{{"boundsPeriod":{{"start":"2026-11-{day:02}T07:00:00Z"}}}}}},"rateQuantity":{{"value":20,{per_h}}}}},{{"schedule":{{"repeat":{{"boundsPeriod":{{"start":"2026-11-{day:02}T15:00:00Z"}}}}}},"rateQuantity":{{"value":40,{per_h}}}}},{{"schedule":{{"repeat":{{"boundsPeriod":{{"start":"2026-11-{day:02}T23:00:00Z"}}}}}},"rateQuantity":{{"value":{rate},{per_h}}}}}]"#
        ),
    };
    let base = "https://enteral-gate.example/fhir";
    format!(
        r#"{{"resourceType":"Bundle","type":"collection","entry":[{{"fullUrl":"urn:uuid:7f0c9d1e-0000-4000-8000-{i:012x}","resource":{{"resourceType":"Patient","id":"p{i}","gender":"{}","birthDate":"19{}-0{}-1{}"}}}},{{"fullUrl":"urn:uuid:7f0c9d1e-0001-4000-8000-{i:012x}","resource":{{"resourceType":"Observation","id":"w{i}","status":"final","category":[{{"coding":[{{"system":"http://terminology.hl7.org/CodeSystem/observation-category","code":"vital-signs"}}]}}],"code":{{"coding":[{{"system":"http://loinc.org","code":"29463-7"}}]}},"subject":{{"reference":"urn:uuid:7f0c9d1e-0000-4000-8000-{i:012x}"}},"effectiveDateTime":"2026-11-{day:02}T05:30:00Z","valueQuantity":{{"value":{kg}.{tenth},"unit":"kg","system":"http://unitsofmeasure.org","code":"kg"}}}}}},{{"fullUrl":"urn:uuid:7f0c9d1e-0002-4000-8000-{i:012x}","resource":{{"resourceType":"NutritionOrder","id":"o{i}","status":"{}","intent":"order","patient":{{"reference":"urn:uuid:7f0c9d1e-0000-4000-8000-{i:012x}"}},"dateTime":"2026-11-{day:02}T06:00:00Z","orderer":{{"reference":"Practitioner/pr{}"}},"enteralFormula":{{"extension":[{{"url":"{base}/StructureDefinition/water-flush","extension":[{{"url":"volume","valueQuantity":{{"value":{},{ml}}}}},{{"url":"schedule","valueTiming":{{"repeat":{{"frequency":1,"period":4,"periodUnit":"h"}}}}}}]}}],"baseFormulaType":{{"coding":[{{"system":"{base}/CodeSystem/invented-products","code":"{product}"}}]}},"routeofAdministration":{{"coding":[{{"system":"http://terminology.hl7.org/CodeSystem/v3-RouteOfAdministration","code":"{}"}}]}},"administration":{administration}}}}}}}]}}"#,
        if i.is_multiple_of(2) { "male" } else { "female" },
        40 + i % 50,
        1 + i % 9,
        i % 9,
        ["draft", "active"][i / 2 % 2],
        i % 13,
        20 + 5 * (i % 5),
        ["GT", "NGT", "OGT"][i % 3],
    )
}

/// `n` requests of the hook `order-sign`: the same orders as drafts, with every key of the prefetch: weights, a height,
/// two laboratory panels, conditions, medicines, an order that stands, the tube and the encounter. Invented.
pub fn hooks(n: usize) -> Vec<Vec<u8>> {
    (0..n).map(|i| hook(i).to_string().into_bytes()).collect()
}

fn hook(i: usize) -> serde_json::Value {
    use serde_json::{Value, json};
    let bundle: Value = serde_json::from_str(&order(i)).unwrap_or_default();
    let resource = |nth: usize| bundle["entry"][nth]["resource"].clone();
    let (patient, mut weight, mut draft) = (resource(0), resource(1), resource(2));
    let day = 1 + i % 27;
    let subject = json!({"reference": format!("Patient/p{i}")});
    let at = |hour: usize| format!("2026-11-{day:02}T{hour:02}:15:00Z");
    weight["subject"] = subject.clone();
    draft["patient"] = subject.clone();
    draft["status"] = json!("draft");
    let found = |resources: Vec<Value>| {
        let entries: Vec<Value> =
            resources.iter().map(|r| json!({"resource": r, "search": {"mode": "match"}})).collect();
        json!({"resourceType": "Bundle", "type": "searchset", "total": entries.len(), "entry": entries})
    };
    let measured = |code: &str, category: &str, value: String, unit: &str, when: String| {
        let value: Value = serde_json::from_str(&value).unwrap_or_default();
        json!({
            "resourceType": "Observation", "id": format!("o{code}-{i}"), "status": "final", "subject": subject,
            "category": [{"coding": [{"system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": category}]}],
            "code": {"coding": [{"system": "http://loinc.org", "code": code}]}, "effectiveDateTime": when,
            "valueQuantity": {"value": value, "unit": unit, "system": "http://unitsofmeasure.org", "code": unit}})
    };
    let labs = [
        ("2823-3", "4.1", "mmol/L"),
        ("2951-2", "139", "mmol/L"),
        ("14879-1", "1.05", "mmol/L"),
        ("2601-3", "0.84", "mmol/L"),
        ("14749-6", "6.2", "mmol/L"),
        ("14682-9", "74", "umol/L"),
    ];
    let labs = [3, 5].into_iter().flat_map(|hour| {
        labs.map(|(code, value, unit)| measured(code, "laboratory", value.to_owned(), unit, at(hour)))
    });
    let coded = |kind: &str, field: &str, system: &str, code: &str| {
        let mut out = json!({"resourceType": kind, "id": format!("c{code}-{i}"), "subject": subject});
        out[field] = json!({"coding": [{"system": system, "code": code}]});
        out
    };
    let condition = |code: &str| {
        let mut out = coded("Condition", "code", "http://snomed.info/sct", code);
        out["clinicalStatus"] = json!({"coding": [{"system": "http://terminology.hl7.org/CodeSystem/condition-clinical", "code": "active"}]});
        out
    };
    let medicine = |code: &str| {
        let mut out = coded("MedicationRequest", "medicationCodeableConcept", "http://www.whocc.no/atc", code);
        (out["status"], out["intent"]) = (json!("active"), json!("order"));
        out
    };
    let none = || found(Vec::new());
    json!({
        "hook": "order-sign", "hookInstance": format!("0d9b5d0e-6f6a-4c69-9e39-{i:012x}"),
        "context": {
            "userId": "Practitioner/pr1", "patientId": format!("p{i}"), "encounterId": "stay-1",
            "draftOrders": {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": draft}]}},
        "prefetch": {
            "patient": patient,
            "weights": found(vec![weight.clone(), measured("29463-7", "vital-signs", format!("{}.5", 50 + i % 37), "kg", "2026-10-30T07:00:00Z".to_owned())]),
            "measured-weights": none(),
            "heights": found(vec![measured("8302-2", "vital-signs", (155 + i % 35).to_string(), "cm", at(4))]),
            "lengths": none(), "birth-weight": none(), "gestation": none(),
            "labs": found(labs.collect()),
            "allergies": none(),
            "conditions": found(vec![condition("38341003"), condition("230690007")]),
            "medicines": found(vec![medicine("C07AB02"), medicine("A02BC02"), medicine("B01AB05")]),
            "orders": none(), "devices": none(), "procedures": none(),
            "encounter": {"resourceType": "Encounter", "id": "stay-1", "status": "in-progress", "subject": subject,
                "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"}}}})
}
