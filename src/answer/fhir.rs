//! The few FHIR shapes that answers are made of. Numbers are written as exact decimals, never through floats.

use crate::exact::Exact;
use crate::nutrition::measure::spelled;
use serde::ser::{Serialize, SerializeMap, Serializer};
use serde_json::Number;
use serde_json::value::RawValue;
use std::borrow::Cow;
use std::rc::Rc;
use std::str::FromStr;

#[derive(serde::Serialize)]
#[serde(rename_all = "camelCase")]
pub(super) struct OperationOutcome<'a> {
    resource_type: &'static str,
    issue: Vec<Issue<'a>>,
}

impl<'a> OperationOutcome<'a> {
    pub(super) fn new(issue: Vec<Issue<'a>>) -> Self {
        Self { resource_type: "OperationOutcome", issue }
    }
}

#[derive(serde::Serialize)]
pub(super) struct Issue<'a> {
    pub(super) severity: &'static str,
    pub(super) code: &'static str,
    pub(super) details: Details<'a>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) diagnostics: Option<String>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub(super) expression: Vec<String>,
}

#[derive(serde::Serialize)]
pub(super) struct Details<'a> {
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub(super) coding: Vec<Coding>,
    pub(super) text: Cow<'a, str>,
}

#[derive(serde::Serialize)]
pub(super) struct Coding {
    pub(super) system: &'static str,
    pub(super) code: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) display: Option<&'static str>,
}

#[derive(serde::Serialize)]
#[serde(rename_all = "camelCase")]
pub(super) struct Parameters<'a> {
    resource_type: &'static str,
    parameter: Vec<Parameter<'a>>,
}

impl<'a> Parameters<'a> {
    pub(super) fn new(parameter: Vec<Parameter<'a>>) -> Self {
        Self { resource_type: "Parameters", parameter }
    }
}

/// A parameter: a name with exactly one of value, resource and part.
#[derive(Clone)]
pub(super) struct Parameter<'a> {
    name: &'static str,
    holds: Holds<'a>,
}

#[derive(Clone)]
enum Holds<'a> {
    Code(Cow<'a, str>),
    Text(Cow<'a, str>),
    /// A text that many parameters have.
    Shared(Rc<str>),
    DateTime(String),
    Boolean(bool),
    Quantity(Quantity),
    Range(Rc<Range>),
    Outcome(Rc<OperationOutcome<'a>>),
    Parts(Vec<Parameter<'a>>),
    /// The whole parameter, already written.
    Written(Rc<RawValue>),
}

impl Serialize for Parameter<'_> {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        if let Holds::Written(json) = &self.holds {
            return json.serialize(to);
        }
        let mut map = to.serialize_map(None)?;
        map.serialize_entry("name", self.name)?;
        match &self.holds {
            Holds::Code(x) => map.serialize_entry("valueCode", x)?,
            Holds::Text(x) => map.serialize_entry("valueString", x)?,
            Holds::Shared(x) => map.serialize_entry("valueString", &**x)?,
            Holds::DateTime(x) => map.serialize_entry("valueDateTime", x)?,
            Holds::Boolean(x) => map.serialize_entry("valueBoolean", x)?,
            Holds::Quantity(x) => map.serialize_entry("valueQuantity", x)?,
            Holds::Range(x) => map.serialize_entry("valueRange", &**x)?,
            Holds::Outcome(x) => map.serialize_entry("resource", &**x)?,
            Holds::Parts(x) if x.is_empty() => {}
            Holds::Parts(x) => map.serialize_entry("part", x)?,
            Holds::Written(_) => {}
        }
        map.end()
    }
}

impl<'a> Parameter<'a> {
    pub(super) fn code(name: &'static str, value: impl Into<Cow<'a, str>>) -> Self {
        Self { name, holds: Holds::Code(value.into()) }
    }
    pub(super) fn string(name: &'static str, value: impl Into<Cow<'a, str>>) -> Self {
        Self { name, holds: Holds::Text(value.into()) }
    }
    pub(super) fn shared(name: &'static str, value: Rc<str>) -> Self {
        Self { name, holds: Holds::Shared(value) }
    }
    pub(super) fn date_time(name: &'static str, value: String) -> Self {
        Self { name, holds: Holds::DateTime(value) }
    }
    pub(super) fn boolean(name: &'static str, value: bool) -> Self {
        Self { name, holds: Holds::Boolean(value) }
    }
    pub(super) fn quantity(name: &'static str, value: Exact, unit: &'static str) -> Self {
        Self { name, holds: Holds::Quantity(Quantity::new(value, unit)) }
    }
    pub(super) fn range(name: &'static str, low: Exact, high: Option<Exact>, unit: &'static str) -> Self {
        let range = Range { low: Quantity::new(low, unit), high: high.map(|h| Quantity::new(h, unit)) };
        Self { name, holds: Holds::Range(Rc::new(range)) }
    }
    pub(super) fn outcome(name: &'static str, resource: OperationOutcome<'a>) -> Self {
        Self { name, holds: Holds::Outcome(Rc::new(resource)) }
    }
    pub(super) fn parts(name: &'static str, part: Vec<Parameter<'a>>) -> Self {
        Self { name, holds: Holds::Parts(part) }
    }

    /// The same, written once for every place it stands at; copies then cost next to nothing. These shapes
    /// always serialize.
    pub(super) fn written<'w>(self) -> Parameter<'w> {
        let holds = match serde_json::value::to_raw_value(&self) {
            Ok(json) => Holds::Written(json.into()),
            Err(_) => Holds::Parts(Vec::new()),
        };
        Parameter { name: self.name, holds }
    }
}

#[derive(serde::Serialize, Clone)]
pub(super) struct Quantity {
    value: Number,
    unit: &'static str,
    system: &'static str,
    code: &'static str,
}

impl Quantity {
    fn new(value: Exact, unit: &'static str) -> Self {
        Self { value: number(value), unit: spelled(unit), system: "http://unitsofmeasure.org", code: unit }
    }
}

#[derive(serde::Serialize)]
pub(super) struct Range {
    low: Quantity,
    #[serde(skip_serializing_if = "Option::is_none")]
    high: Option<Quantity>,
}

/// The number as JSON, rounded once, here: three decimals, and as many more as four significant digits need.
fn number(x: Exact) -> Number {
    let mut places = 3;
    let mut text = x.rounded(places);
    while places < 12 && !x.is_zero() && text.trim_start_matches(['-', '0', '.']).len() < 4 {
        places += 1;
        text = x.rounded(places);
    }
    let text = text.trim_end_matches('0').trim_end_matches('.');
    Number::from_str(text).unwrap_or_else(|_| Number::from(0))
}

/// Compact JSON. The shapes above always serialize.
pub(super) fn json(value: &impl Serialize) -> String {
    json_of(value, 8 << 10)
}

/// The same, with room made for a number of bytes.
pub(super) fn json_of(value: &impl Serialize, bytes: usize) -> String {
    let mut out = Vec::with_capacity(bytes);
    match serde_json::to_writer(&mut out, value) {
        Ok(()) => String::from_utf8(out).unwrap_or_default(),
        Err(_) => String::new(),
    }
}
