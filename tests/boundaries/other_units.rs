//! A FHIR document with its quantities written in other units of exactly the same value.

use enteral_gate::exact::{Decimal, Exact};
use enteral_gate::units::UCUM;
use serde_json::{Map, Number, Value, json};
use std::collections::BTreeMap;

/// A unit, the one that is written instead, and the fraction by which the number is multiplied: written out here, so
/// that the program's own factors are not taken for granted. 1 kcal = 4.184 kJ, 1 fluid ounce = 29.5735295625 mL,
/// 1 lb = 453.59237 g.
pub type Rewriting = (&'static str, &'static str, i64, i64);

/// A way of writing: for each unit the one that is written instead.
pub struct Way {
    pub name: &'static str,
    /// In quantities.
    pub units: &'static [Rewriting],
    /// In the repeat of a schedule.
    pub times: &'static [Rewriting],
    /// Laboratory values as masses, by the molar mass of their code.
    pub masses: bool,
    /// Whether only the spelling of the units changes.
    pub same_numbers: bool,
}

pub const WAYS: &[Way] = &[
    Way {
        name: "litres, grams and minutes",
        units: &[
            ("mL", "L", 1, 1000),
            ("mL/h", "L/h", 1, 1000),
            ("kg", "g", 1000, 1),
            ("cm", "m", 1, 100),
            ("wk", "d", 7, 1),
            ("kcal/mL", "kcal/L", 1000, 1),
            ("kcal/[foz_us]", "kJ/[foz_us]", 4184, 1000),
            ("[foz_us]", "mL", 295_735_295_625, 10_000_000_000),
            ("mmol/L", "umol/L", 1000, 1),
            ("mL/min/{1.73_m2}", "L/min/{1.73_m2}", 1, 1000),
            ("[Ch]", "mm", 1, 3),
        ],
        times: &[("h", "min", 60, 1), ("min", "s", 60, 1)],
        masses: false,
        same_numbers: false,
    },
    Way {
        name: "by the day, in kilojoules and milligrams",
        units: &[
            ("mL", "uL", 1000, 1),
            ("mL/h", "mL/d", 24, 1),
            ("kg", "mg", 1_000_000, 1),
            ("cm", "mm", 10, 1),
            ("wk", "h", 168, 1),
            ("kcal/mL", "kJ/mL", 4184, 1000),
            ("[foz_us]", "L", 295_735_295_625, 10_000_000_000_000),
            ("mmol/L", "mol/L", 1, 1000),
            ("mL/min/{1.73_m2}", "mL/h/{1.73_m2}", 60, 1),
        ],
        times: &[("h", "s", 3600, 1), ("d", "h", 24, 1)],
        masses: false,
        same_numbers: false,
    },
    Way {
        name: "by the minute, per 100 mL",
        units: &[
            ("mL", "dl", 1, 100),
            ("mL/h", "ml/min", 1, 60),
            ("kcal/mL", "kcal/(100.mL)", 100, 1),
            ("mmol/L", "mmol/dL", 1, 10),
            ("kg", "[lb_av]", 100_000_000, 45_359_237),
        ],
        times: &[("min", "h", 1, 60)],
        masses: false,
        same_numbers: false,
    },
    Way {
        name: "laboratory values as masses",
        units: &[("mL/h", "uL/h", 1000, 1)],
        times: &[],
        masses: true,
        same_numbers: false,
    },
    Way {
        name: "in other spellings",
        units: &[
            ("mL", "ml", 1, 1),
            ("mL/h", "ml/h", 1, 1),
            ("kcal/mL", "kcal/ml", 1, 1),
            ("mmol/L", "mmol/l", 1, 1),
            ("kcal/[foz_us]", "[Cal]/[foz_us]", 1, 1),
        ],
        times: &[],
        masses: false,
        same_numbers: true,
    },
];

/// How often each unit was written as another.
pub type Written = BTreeMap<(&'static str, &'static str), usize>;

/// Longest number after the point that is written.
const PLACES: u32 = 18;

fn decimal(value: Exact) -> Option<Value> {
    let text = value.fits(PLACES).then(|| value.short(PLACES))?;
    serde_json::from_str::<Number>(&text).ok().map(Value::Number)
}

fn exact(value: &Value) -> Option<Exact> {
    Some(Decimal::parse(&value.as_number()?.to_string()).ok()?.exact())
}

/// The number multiplied, where that is a decimal.
fn converted(value: &Value, times: i64, by: i64) -> Option<Value> {
    decimal(exact(value)?.mul(Exact::int(times))?.div(Exact::int(by))?)
}

/// LOINC codes of the documents and g/mol, by IUPAC's abridged standard atomic weights; phosphate as phosphorus,
/// triglycerides as triolein.
const MOLAR_MASSES: &[(&str, Exact)] = &[
    ("2823-3", Exact::decimal(39_098, 3)),
    ("2951-2", Exact::decimal(22_990, 3)),
    ("14879-1", Exact::decimal(30_974, 3)),
    ("2601-3", Exact::decimal(24_305, 3)),
    ("15074-8", Exact::decimal(180_156, 3)),
    ("14927-8", Exact::decimal(885_432, 3)),
    ("2524-7", Exact::decimal(90_078, 3)),
];

/// Writes every quantity of the document that the way names. Those whose value would be no decimal stay.
pub fn rewrite(value: &mut Value, way: &Way, written: &mut Written) {
    match value {
        Value::Array(all) => all.iter_mut().for_each(|one| rewrite(one, way, written)),
        Value::Object(object) => {
            if way.masses {
                as_mass(object, written);
            }
            quantity(object, way, written);
            times(object, way, written);
            object.values_mut().for_each(|one| rewrite(one, way, written));
        }
        _ => {}
    }
}

fn quantity(object: &mut Map<String, Value>, way: &Way, written: &mut Written) {
    if object.get("system").and_then(Value::as_str) != Some(UCUM) || object.contains_key("start") {
        return;
    }
    let Some(code) = object.get("code").and_then(Value::as_str) else { return };
    let Some((from, to, times, by)) = way.units.iter().find(|(from, ..)| *from == code) else { return };
    let Some(value) = object.get("value").and_then(|v| converted(v, *times, *by)) else { return };
    object.insert("value".into(), value);
    object.insert("code".into(), json!(to));
    object.insert("unit".into(), json!(to));
    *written.entry((from, to)).or_default() += 1;
}

fn times(object: &mut Map<String, Value>, way: &Way, written: &mut Written) {
    for (unit, numbers) in [("periodUnit", ["period", "periodMax"]), ("durationUnit", ["duration", "durationMax"])] {
        let Some(code) = object.get(unit).and_then(Value::as_str) else { continue };
        let Some((from, to, times, by)) = way.times.iter().find(|(from, ..)| *from == code) else { continue };
        let values: Vec<(&str, Option<Value>)> =
            numbers.into_iter().filter_map(|key| Some((key, converted(object.get(key)?, *times, *by)))).collect();
        if values.is_empty() || values.iter().any(|(_, v)| v.is_none()) {
            continue;
        }
        for (key, value) in values {
            object.insert(key.into(), value.expect("looked at above"));
        }
        object.insert(unit.into(), json!(to));
        *written.entry((from, to)).or_default() += 1;
    }
}

/// A laboratory value in mmol/L as mg/dL.
fn as_mass(object: &mut Map<String, Value>, written: &mut Written) {
    let loinc = object.get("code").and_then(|c| c["coding"][0]["code"].as_str());
    let mass = MOLAR_MASSES.iter().find(|(code, _)| Some(*code) == loinc).map(|(_, mass)| *mass);
    let Some((mass, quantity)) = mass.zip(object.get_mut("valueQuantity").and_then(Value::as_object_mut)) else {
        return;
    };
    if quantity.get("code").and_then(Value::as_str) != Some("mmol/L") {
        return;
    }
    let value = quantity.get("value").and_then(exact).and_then(|v| decimal(v.mul(mass)?.div(Exact::int(10))?));
    let Some(value) = value else { return };
    quantity.insert("value".into(), value);
    quantity.insert("code".into(), json!("mg/dL"));
    quantity.insert("unit".into(), json!("mg/dL"));
    *written.entry(("mmol/L", "mg/dL")).or_default() += 1;
}
