//! The page to try an order: JSON and fields in, sheets out. Nothing is recorded.

use super::form::{self, Form};
use super::html::{Chrome, page, sentence, tier_word};
use super::queue::Work;
use super::signed;
use crate::exact::Decimal;
use crate::http::App;
use crate::http::body::Whole;
use crate::http::operations::calculate;
use crate::http::refusal::Refusal;
use crate::http::samples::SAMPLES;
use crate::intake::bundle::{ResourceKind, gather};
use crate::intake::json::{Document, Limits, Node};
use crate::intake::order::FhirVersion;
use crate::settings::Settings;
use crate::sheet::Sheets;
use askama::Template;
use axum::extract::{Request, State};
use axum::response::Response;
use http::StatusCode;
use std::collections::BTreeMap;
use std::sync::Arc;

/// Most fields of one page.
const MOST_FIELDS: usize = 80;

/// A figure of the order that can be changed without touching its JSON.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Field {
    /// What it is, with its unit.
    pub label: String,
    /// Place, a JSON pointer.
    pub at: String,
    /// As the JSON has it.
    pub was: String,
    /// As it was asked for last.
    pub now: String,
    /// A number and no text.
    pub number: bool,
}

#[derive(Template)]
#[template(path = "try.html")]
struct Page<'p> {
    chrome: Chrome,
    samples: &'p [crate::http::samples::Sample],
    sample: String,
    versions: [&'static str; 3],
    version: &'static str,
    json: String,
    fields: Vec<Field>,
    problems: Vec<String>,
    asked: bool,
    sheets: Sheets,
    work: Option<Work>,
}

/// `GET /try`
///
/// # Errors
/// What keeps a page from being shown.
pub async fn show(State(app): State<Arc<App>>, request: Request) -> Result<Response, Refusal> {
    let chrome = Chrome::new(&app, "Try an order", "try", signed(&app, &request).as_ref());
    let asked = Form::parse(request.uri().query().unwrap_or("").as_bytes());
    let sample = SAMPLES.iter().find(|s| s.name == asked.get("sample"));
    let mut form = Form::default();
    if let Some(sample) = sample {
        form = taken(sample);
    }
    answer(&app, chrome, form).await
}

fn taken(sample: &crate::http::samples::Sample) -> Form {
    let mut text = form_urlencoded::Serializer::new(String::new());
    text.append_pair("sample", sample.name)
        .append_pair("version", sample.version.name())
        .append_pair("json", sample.text);
    Form::parse(text.finish().as_bytes())
}

/// `POST /try`
///
/// # Errors
/// What keeps a page from being shown.
pub async fn work_out(State(app): State<Arc<App>>, request: Request) -> Result<Response, Refusal> {
    let chrome = Chrome::new(&app, "Try an order", "try", signed(&app, &request).as_ref());
    let mut form = form::read(&app, request).await?;
    if form.get("take") == "sample"
        && let Some(sample) = SAMPLES.iter().find(|s| s.name == form.get("sample"))
    {
        form = taken(sample);
    }
    answer(&app, chrome, form).await
}

async fn answer(app: &Arc<App>, chrome: Chrome, form: Form) -> Result<Response, Refusal> {
    let (json, sample) = (form.text("json"), form.get("sample").to_owned());
    let version = FhirVersion::ALL.into_iter().find(|v| v.name() == form.get("version")).unwrap_or(FhirVersion::R4);
    let asked = !json.trim().is_empty();
    let (mut fields, mut problems) = (Vec::new(), Vec::new());
    let mut sheets = Sheets::default();
    if asked {
        let whole = Whole::of(json.clone().into_bytes());
        (fields, problems, sheets) = calculate(app, whole, app.limits.appraisal_time, move |app, input| {
            let json = std::str::from_utf8(input).unwrap_or_default();
            let (mut fields, mut problems) = (fields_of(json, &app.settings), Vec::new());
            let text = changed(json, &mut fields, &form, &mut problems);
            let sheets = app.appraiser.sheets(text.as_bytes(), version, &app.settings);
            (fields, problems, sheets)
        })
        .await?;
    }
    let page_of = Page {
        chrome,
        samples: &SAMPLES,
        sample,
        versions: FhirVersion::ALL.map(FhirVersion::name),
        version: version.name(),
        json,
        fields,
        problems,
        asked,
        sheets,
        work: None,
    };
    Ok(page(StatusCode::OK, &page_of))
}

/// Figures that a person would change first, with their places.
pub fn fields_of(json: &str, settings: &Settings) -> Vec<Field> {
    let Ok(document) = Document::read(json.as_bytes(), &Limits::default()) else { return Vec::new() };
    let gathered = gather(&document);
    let mut out = Vec::new();
    let several = gathered.orders.len() > 1;
    for (nth, order) in gathered.orders.iter().enumerate() {
        let of = if several { format!("order {}, ", nth + 1) } else { String::new() };
        let Some(formula) = order.get("enteralFormula") else { continue };
        let entries: Vec<Node<'_>> = formula.get("administration").into_iter().flat_map(Node::items).collect();
        for (nth, entry) in entries.iter().enumerate() {
            let of = if entries.len() > 1 { format!("{of}entry {}: ", nth + 1) } else { of.clone() };
            quantity(&mut out, &format!("{of}rate"), entry.get("rateQuantity"));
            let ratio = entry.get("rateRatio");
            quantity(&mut out, &format!("{of}rate, volume"), ratio.and_then(|r| r.get("numerator")));
            quantity(&mut out, &format!("{of}rate, per"), ratio.and_then(|r| r.get("denominator")));
            quantity(&mut out, &format!("{of}volume"), entry.get("quantity"));
            if let Some(schedule) = entry.get("schedule") {
                let timings = schedule.get("timing");
                let list: Vec<Node<'_>> = match timings {
                    Some(timings) => timings.items().collect(),
                    None => vec![schedule],
                };
                for timing in list {
                    times(&mut out, &of, timing);
                }
            }
        }
        for key in ["maxVolumeToDeliver", "maxVolumeToAdminister"] {
            let cap = formula.get(key);
            let cap = cap.and_then(|c| if c.get("value").is_some() { Some(c) } else { c.items().next() });
            quantity(&mut out, &format!("{of}maximum"), cap);
        }
        quantity(&mut out, &format!("{of}energy density"), formula.get("caloricDensity"));
        for extension in formula.get("extension").into_iter().flat_map(Node::items) {
            for part in extension.get("extension").into_iter().flat_map(Node::items) {
                let name = part.get("url").and_then(Node::as_str);
                if name.as_deref() == Some("volume") {
                    quantity(&mut out, &format!("{of}flush, volume"), part.get("valueQuantity"));
                }
                if name.as_deref() == Some("schedule")
                    && let Some(timing) = part.get("valueTiming")
                {
                    times(&mut out, &format!("{of}flush, "), timing);
                }
            }
        }
        value(&mut out, &format!("{of}date of the order"), order.get("dateTime"));
    }
    for resource in gathered.of_kind(ResourceKind::Observation) {
        let codes = resource.node.get("code").and_then(|c| c.get("coding")).into_iter().flat_map(Node::items);
        let codes: Vec<String> =
            codes.filter_map(|c| c.get("code").and_then(Node::as_str)).map(|c| c.into_owned()).collect();
        let has = |code: &str| codes.iter().any(|own| own == code);
        let name = if settings.weight_codes.iter().any(|own| has(own)) {
            "weight"
        } else if ["8302-2", "8306-3", "8308-9"].iter().any(|own| has(own)) {
            "height"
        } else {
            continue;
        };
        quantity(&mut out, name, resource.node.get("valueQuantity"));
        value(&mut out, &format!("{name}, measured at"), resource.node.get("effectiveDateTime"));
    }
    for resource in gathered.of_kind(ResourceKind::Patient) {
        value(&mut out, "date of birth", resource.node.get("birthDate"));
    }
    out.truncate(MOST_FIELDS);
    out
}

fn value(out: &mut Vec<Field>, label: &str, node: Option<Node<'_>>) {
    let Some(node) = node else { return };
    let (was, number) = match (node.literal(), node.as_str()) {
        (Some(literal), _) if node.decimal().is_some() => (literal.to_owned(), true),
        (_, Some(text)) => (text.into_owned(), false),
        _ => return,
    };
    let mut label = crate::sheet::seen(label);
    if let Some(first) = label.get_mut(..1) {
        first.make_ascii_uppercase();
    }
    out.push(Field { label, at: node.pointer(), now: was.clone(), was, number });
}

fn quantity(out: &mut Vec<Field>, label: &str, node: Option<Node<'_>>) {
    let Some(node) = node else { return };
    let unit = node.get("unit").or_else(|| node.get("code")).and_then(Node::as_str);
    let label = unit.map_or_else(|| label.to_owned(), |unit| format!("{label}, {unit}"));
    value(out, &label, node.get("value"));
}

fn times(out: &mut Vec<Field>, of: &str, timing: Node<'_>) {
    let Some(repeat) = timing.get("repeat") else { return };
    let unit = |key: &str| repeat.get(key).and_then(Node::as_str).map_or_else(String::new, |u| format!(", {u}"));
    value(out, &format!("{of}times per period"), repeat.get("frequency"));
    value(out, &format!("{of}period{}", unit("periodUnit")), repeat.get("period"));
    value(out, &format!("{of}takes{}", unit("durationUnit")), repeat.get("duration"));
    value(out, &format!("{of}times in all"), repeat.get("count"));
    for time in repeat.get("timeOfDay").into_iter().flat_map(Node::items) {
        value(out, &format!("{of}at"), Some(time));
    }
    if let Some(bounds) = repeat.get("boundsPeriod") {
        value(out, &format!("{of}from"), bounds.get("start"));
        value(out, &format!("{of}until"), bounds.get("end"));
    }
}

/// The JSON with the fields that were changed put in; everything else stays as written.
fn changed(json: &str, fields: &mut [Field], form: &Form, problems: &mut Vec<String>) -> String {
    let mut edits: BTreeMap<String, String> = BTreeMap::new();
    let Ok(document) = Document::read(json.as_bytes(), &Limits::default()) else { return json.to_owned() };
    for nth in 0..MOST_FIELDS {
        let at = form.get(&format!("at{nth}"));
        let (was, now) = (form.get(&format!("was{nth}")), form.get(&format!("now{nth}")).trim());
        if at.is_empty() || was == now {
            continue;
        }
        let Some(field) = fields.iter_mut().find(|f| f.at == at) else { continue };
        // The JSON was changed at that place as well, and counts.
        if field.was != was {
            continue;
        }
        now.clone_into(&mut field.now);
        let text = if field.number {
            match Decimal::parse(now) {
                Ok(_) => now.to_owned(),
                Err(_) => {
                    problems.push(format!(
                        "{}: {now:?} is not a number as FHIR writes it, such as 60 or 0.5.",
                        field.label
                    ));
                    continue;
                }
            }
        } else {
            serde_json::Value::from(now).to_string()
        };
        edits.insert(at.to_owned(), text);
    }
    if edits.is_empty() {
        return json.to_owned();
    }
    let found = document.root().within().filter_map(|node| Some((node.span(), edits.remove(&node.pointer())?)));
    let mut edits: Vec<(std::ops::Range<usize>, String)> = found.collect();
    edits.sort_by_key(|(span, _)| std::cmp::Reverse(span.start));
    let mut out = json.to_owned();
    for (span, text) in edits {
        if out.get(span.clone()).is_some() {
            out.replace_range(span, &text);
        }
    }
    out
}
