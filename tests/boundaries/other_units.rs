//! A FHIR document with its quantities written in other units of exactly the same value.

use enteral_gate::exact::{Decimal, Exact};
use enteral_gate::patient::laboratory::TESTS;
use enteral_gate::units::{UCUM, Unit};
use serde_json::{Map, Number, Value, json};
use std::collections::BTreeMap;

/// A way of writing: for each unit the one that is written instead.
pub struct Way {
    pub name: &'static str,
    /// In quantities.
    pub units: &'static [(&'static str, &'static str)],
    /// In the repeat of a schedule.
    pub times: &'static [(&'static str, &'static str)],
    /// Laboratory values as masses, by the molar mass of their code.
    pub masses: bool,
    /// Whether only the spelling of the units changes.
    pub same_numbers: bool,
}

pub const WAYS: &[Way] = &[
    Way {
        name: "litres, grams and minutes",
        units: &[
            ("mL", "L"),
            ("mL/h", "L/h"),
            ("kg", "g"),
            ("cm", "m"),
            ("wk", "d"),
            ("kcal/mL", "kcal/L"),
            ("kcal/[foz_us]", "kJ/[foz_us]"),
            ("[foz_us]", "mL"),
            ("mmol/L", "umol/L"),
            ("mL/min/{1.73_m2}", "L/min/{1.73_m2}"),
            ("[Ch]", "mm"),
        ],
        times: &[("h", "min"), ("min", "s")],
        masses: false,
        same_numbers: false,
    },
    Way {
        name: "by the day, in kilojoules and milligrams",
        units: &[
            ("mL", "uL"),
            ("mL/h", "mL/d"),
            ("kg", "mg"),
            ("cm", "mm"),
            ("wk", "h"),
            ("kcal/mL", "kJ/mL"),
            ("[foz_us]", "L"),
            ("mmol/L", "mol/L"),
            ("mL/min/{1.73_m2}", "mL/h/{1.73_m2}"),
        ],
        times: &[("h", "s"), ("d", "h")],
        masses: false,
        same_numbers: false,
    },
    Way {
        name: "by the minute, per 100 mL",
        units: &[
            ("mL", "dl"),
            ("mL/h", "ml/min"),
            ("kcal/mL", "kcal/(100.mL)"),
            ("mmol/L", "mmol/dL"),
            ("kg", "[lb_av]"),
        ],
        times: &[("min", "h")],
        masses: false,
        same_numbers: false,
    },
    Way {
        name: "laboratory values as masses",
        units: &[("mL/h", "uL/h")],
        times: &[],
        masses: true,
        same_numbers: false,
    },
    Way {
        name: "in other spellings",
        units: &[
            ("mL", "ml"),
            ("mL/h", "ml/h"),
            ("kcal/mL", "kcal/ml"),
            ("mmol/L", "mmol/l"),
            ("kcal/[foz_us]", "[Cal]/[foz_us]"),
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

/// The value in the other unit, where that is a decimal.
fn converted(value: &Value, from: &str, to: &str) -> Option<Value> {
    let (from, to) = (Unit::parse(from).ok()?, Unit::parse(to).ok()?);
    decimal(from.convert(exact(value)?, &to)?)
}

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
    let Some((from, to)) = way.units.iter().find(|(from, _)| *from == code) else { return };
    let Some(value) = object.get("value").and_then(|v| converted(v, from, to)) else { return };
    object.insert("value".into(), value);
    object.insert("code".into(), json!(to));
    object.insert("unit".into(), json!(to));
    *written.entry((from, to)).or_default() += 1;
}

fn times(object: &mut Map<String, Value>, way: &Way, written: &mut Written) {
    for (unit, numbers) in [("periodUnit", ["period", "periodMax"]), ("durationUnit", ["duration", "durationMax"])] {
        let Some(code) = object.get(unit).and_then(Value::as_str) else { continue };
        let Some((from, to)) = way.times.iter().find(|(from, _)| *from == code) else { continue };
        let values: Vec<(&str, Option<Value>)> =
            numbers.into_iter().filter_map(|key| Some((key, converted(object.get(key)?, from, to)))).collect();
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
    let mass = object
        .get("code")
        .and_then(|c| c["coding"][0]["code"].as_str())
        .and_then(|loinc| TESTS.iter().find_map(|test| test.code(loinc)).and_then(|code| code.molar_mass));
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
