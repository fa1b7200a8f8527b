//! The few FHIR shapes that answers are made of. Numbers are written as exact decimals, never through floats.

use crate::exact::Exact;
use serde::Serialize;
use serde_json::Number;
use std::borrow::Cow;
use std::str::FromStr;

/// Most decimals of a number in an answer; the value is rounded once, here.
pub(super) const PLACES: u32 = 6;

#[derive(Serialize)]
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

#[derive(Serialize)]
pub(super) struct Issue<'a> {
    pub(super) severity: &'static str,
    pub(super) code: &'static str,
    pub(super) details: Details<'a>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) diagnostics: Option<String>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub(super) expression: Vec<String>,
}

#[derive(Serialize)]
pub(super) struct Details<'a> {
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub(super) coding: Vec<Coding>,
    pub(super) text: Cow<'a, str>,
}

#[derive(Serialize)]
pub(super) struct Coding {
    pub(super) system: &'static str,
    pub(super) code: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) display: Option<&'static str>,
}

#[derive(Serialize)]
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

/// Exactly one of value, resource and part.
#[derive(Serialize, Default)]
#[serde(rename_all = "camelCase")]
pub(super) struct Parameter<'a> {
    name: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    value_code: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    value_string: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    value_date_time: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    value_boolean: Option<bool>,
    #[serde(skip_serializing_if = "Option::is_none")]
    value_quantity: Option<Quantity>,
    #[serde(skip_serializing_if = "Option::is_none")]
    value_range: Option<Range>,
    #[serde(skip_serializing_if = "Option::is_none")]
    resource: Option<OperationOutcome<'a>>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    part: Vec<Parameter<'a>>,
}

impl<'a> Parameter<'a> {
    pub(super) fn code(name: &'static str, value: impl Into<String>) -> Self {
        Self { name, value_code: Some(value.into()), ..Self::default() }
    }
    pub(super) fn string(name: &'static str, value: impl Into<String>) -> Self {
        Self { name, value_string: Some(value.into()), ..Self::default() }
    }
    pub(super) fn date_time(name: &'static str, value: String) -> Self {
        Self { name, value_date_time: Some(value), ..Self::default() }
    }
    pub(super) fn boolean(name: &'static str, value: bool) -> Self {
        Self { name, value_boolean: Some(value), ..Self::default() }
    }
    pub(super) fn quantity(name: &'static str, value: Exact, unit: &'static str) -> Self {
        Self { name, value_quantity: Some(Quantity::new(value, unit)), ..Self::default() }
    }
    pub(super) fn range(name: &'static str, low: Exact, high: Option<Exact>, unit: &'static str) -> Self {
        let range = Range { low: Quantity::new(low, unit), high: high.map(|h| Quantity::new(h, unit)) };
        Self { name, value_range: Some(range), ..Self::default() }
    }
    pub(super) fn outcome(name: &'static str, resource: OperationOutcome<'a>) -> Self {
        Self { name, resource: Some(resource), ..Self::default() }
    }
    pub(super) fn parts(name: &'static str, part: Vec<Parameter<'a>>) -> Self {
        Self { name, part, ..Self::default() }
    }
}

#[derive(Serialize)]
pub(super) struct Quantity {
    value: Number,
    unit: &'static str,
    system: &'static str,
    code: &'static str,
}

impl Quantity {
    fn new(value: Exact, unit: &'static str) -> Self {
        Self { value: number(value), unit, system: "http://unitsofmeasure.org", code: unit }
    }
}

#[derive(Serialize)]
pub(super) struct Range {
    low: Quantity,
    #[serde(skip_serializing_if = "Option::is_none")]
    high: Option<Quantity>,
}

/// The number as JSON: at most [`PLACES`] decimals, more only where it would otherwise be shown as 0.
fn number(x: Exact) -> Number {
    let mut text = x.short(PLACES);
    if text == "0" && !x.is_zero() {
        text = x.short(PLACES + 6);
    }
    Number::from_str(&text).unwrap_or_else(|_| Number::from(0))
}

/// Compact JSON. The shapes above always serialize.
pub(super) fn json(value: &impl Serialize) -> String {
    let mut out = Vec::with_capacity(8 << 10);
    match serde_json::to_writer(&mut out, value) {
        Ok(()) => String::from_utf8(out).unwrap_or_default(),
        Err(_) => String::new(),
    }
}
