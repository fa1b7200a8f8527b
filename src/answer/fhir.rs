//! The few FHIR shapes that answers are made of, written straight into the answer's JSON. Numbers are written as
//! exact decimals, never through floats.

use crate::exact::Exact;
use crate::intake::json;
use crate::nutrition::measure::spelled;
use std::fmt::Write;
use std::ops::Range;

/// A text inside JSON's quotes.
pub(super) fn escape_into(out: &mut String, text: &str) {
    let special = |b: u8| b < 0x20 || b == b'"' || b == b'\\';
    // Nearly no text has any.
    let (words, rest) = text.as_bytes().as_chunks::<8>();
    let hits = words.iter().fold(0, |hits, word| hits | json::stops(u64::from_le_bytes(*word)));
    if hits == 0 && !rest.iter().any(|b| special(*b)) {
        return out.push_str(text);
    }
    let mut from = 0;
    for (at, b) in text.bytes().enumerate().filter(|(_, b)| special(*b)) {
        out.push_str(text.get(from..at).unwrap_or(""));
        from = at + 1;
        match b {
            b'"' => out.push_str("\\\""),
            b'\\' => out.push_str("\\\\"),
            0x08 => out.push_str("\\b"),
            0x0C => out.push_str("\\f"),
            b'\n' => out.push_str("\\n"),
            b'\r' => out.push_str("\\r"),
            b'\t' => out.push_str("\\t"),
            other => {
                let _ = write!(out, "\\u{other:04x}");
            }
        }
    }
    out.push_str(text.get(from..).unwrap_or(""));
}

/// A code of an issue's details.
pub(super) struct Coding<'c> {
    pub(super) system: &'static str,
    pub(super) code: &'c str,
    pub(super) display: Option<&'c str>,
}

/// An OperationOutcome being written, issue by issue.
pub(super) struct Issues<'o> {
    out: &'o mut String,
    from: usize,
    any: bool,
    left_out: usize,
}

/// Most bytes of issues. Answers that are meant to be read have a hundredth of it.
const MOST_BYTES: usize = 6 << 20;

impl<'o> Issues<'o> {
    pub(super) fn begin(out: &'o mut String) -> Self {
        let from = out.len();
        out.push_str(r#"{"resourceType":"OperationOutcome","issue":["#);
        Self { out, from, any: false, left_out: 0 }
    }

    pub(super) fn end(mut self) {
        if self.left_out > 0 {
            let text = format!(
                "{} more issues are left out: the answer would be too long. Check fewer orders at once.",
                self.left_out
            );
            self.from = self.out.len();
            self.issue("error", "too-costly", &[], &[&text]).end();
        }
        self.out.push_str("]}");
    }

    /// Begins an issue; its text is these parts in a row.
    pub(super) fn issue(
        &mut self,
        severity: &'static str,
        code: &'static str,
        codings: &[Coding<'_>],
        text: &[&str],
    ) -> Issue<'_> {
        let out = &mut *self.out;
        let full = out.len().saturating_sub(self.from) > MOST_BYTES;
        if full {
            self.left_out += 1;
        }
        let begun = full.then_some(out.len());
        out.push_str(if self.any { r#",{"severity":""# } else { r#"{"severity":""# });
        self.any = true;
        for part in [severity, r#"","code":""#, code, r#"","details":{"#] {
            out.push_str(part);
        }
        for (nth, c) in codings.iter().enumerate() {
            out.push_str(if nth == 0 { r#""coding":[{"system":""# } else { r#",{"system":""# });
            for part in [c.system, r#"","code":""#, c.code] {
                out.push_str(part);
            }
            if let Some(display) = c.display {
                out.push_str(r#"","display":""#);
                escape_into(out, display);
            }
            out.push_str(r#""}"#);
        }
        out.push_str(if codings.is_empty() { r#""text":""# } else { r#"],"text":""# });
        for part in text {
            escape_into(out, part);
        }
        out.push_str(r#""}"#);
        Issue { out, begun, expressions: 0, last: 0..0 }
    }
}

/// An issue whose text is written: diagnostics may follow, then expressions.
pub(super) struct Issue<'o> {
    out: &'o mut String,
    /// Where it begins, if it is left out.
    begun: Option<usize>,
    expressions: usize,
    last: Range<usize>,
}

impl Issue<'_> {
    pub(super) fn diagnostics<'t>(self, parts: impl IntoIterator<Item = &'t str>) -> Self {
        self.out.push_str(r#","diagnostics":""#);
        for part in parts {
            escape_into(self.out, part);
        }
        self.out.push('"');
        self
    }

    /// One more path, unless it is the one before again.
    pub(super) fn expression(&mut self, path: &str) {
        let from = self.out.len();
        self.out.push_str(if self.expressions == 0 { r#","expression":[""# } else { r#",""# });
        let start = self.out.len();
        escape_into(self.out, path);
        let written = start..self.out.len();
        if self.expressions > 0 && self.out.get(written.clone()) == self.out.get(self.last.clone()) {
            self.out.truncate(from);
            return;
        }
        self.out.push('"');
        self.expressions += 1;
        self.last = written;
    }

    pub(super) fn end(self) {
        if let Some(begun) = self.begun {
            return self.out.truncate(begun);
        }
        self.out.push_str(if self.expressions > 0 { "]}" } else { "}" });
    }
}

/// What stands before the next parameter.
#[derive(Clone, Copy)]
enum Before {
    /// The list is open and empty.
    Nothing,
    /// A parameter of parts is open and has none yet.
    Parent,
    /// Another parameter of the same list.
    Sibling,
}

/// Parameters being written, one after the other.
pub(super) struct Parameters {
    out: String,
    before: Before,
}

impl Parameters {
    /// Begun, with room for a number of bytes.
    pub(super) fn begin(bytes: usize) -> Self {
        let mut out = String::with_capacity(bytes);
        out.push_str(r#"{"resourceType":"Parameters","parameter":["#);
        Self { out, before: Before::Nothing }
    }

    pub(super) fn end(mut self) -> String {
        self.out.push_str("]}");
        self.out
    }

    /// Whether so much is written that only what must be said is still written.
    pub(super) fn is_long(&self) -> bool {
        self.out.len() > MOST_BYTES
    }

    fn next(&mut self) {
        match self.before {
            Before::Nothing => {}
            Before::Parent => self.out.push_str(r#","part":["#),
            Before::Sibling => self.out.push(','),
        }
        self.before = Before::Sibling;
    }

    /// A name, and the beginning of its value.
    fn named(&mut self, name: &'static str, value: &'static str) {
        self.next();
        for part in [r#"{"name":""#, name, r#"",""#, value] {
            self.out.push_str(part);
        }
    }

    fn text_value(&mut self, name: &'static str, value: &'static str, parts: &[&str]) {
        self.named(name, value);
        for part in parts {
            escape_into(&mut self.out, part);
        }
        self.out.push_str(r#""}"#);
    }

    pub(super) fn code(&mut self, name: &'static str, value: &str) {
        self.text_value(name, r#"valueCode":""#, &[value]);
    }

    pub(super) fn string(&mut self, name: &'static str, value: &str) {
        self.text_value(name, r#"valueString":""#, &[value]);
    }

    /// A string of several parts in a row.
    pub(super) fn string_of(&mut self, name: &'static str, parts: &[&str]) {
        self.text_value(name, r#"valueString":""#, parts);
    }

    pub(super) fn date_time(&mut self, name: &'static str, value: &str) {
        self.text_value(name, r#"valueDateTime":""#, &[value]);
    }

    pub(super) fn boolean(&mut self, name: &'static str, value: bool) {
        self.named(name, r#"valueBoolean":"#);
        self.out.push_str(if value { "true}" } else { "false}" });
    }

    pub(super) fn quantity(&mut self, name: &'static str, value: Exact, unit: &'static str) {
        self.named(name, r#"valueQuantity":"#);
        quantity_into(&mut self.out, value, unit);
        self.out.push('}');
    }

    pub(super) fn range(&mut self, name: &'static str, low: Exact, high: Option<Exact>, unit: &'static str) {
        self.named(name, r#"valueRange":{"low":"#);
        quantity_into(&mut self.out, low, unit);
        if let Some(high) = high {
            self.out.push_str(r#","high":"#);
            quantity_into(&mut self.out, high, unit);
        }
        self.out.push_str("}}");
    }

    /// A parameter that is a resource, which `write` writes.
    pub(super) fn resource(&mut self, name: &'static str, write: impl FnOnce(&mut String)) {
        self.named(name, r#"resource":"#);
        write(&mut self.out);
        self.out.push('}');
    }

    /// A parameter of parts, which `write` writes.
    pub(super) fn parts(&mut self, name: &'static str, write: impl FnOnce(&mut Self)) {
        self.next();
        for part in [r#"{"name":""#, name, "\""] {
            self.out.push_str(part);
        }
        self.before = Before::Parent;
        write(self);
        self.out.push_str(if matches!(self.before, Before::Parent) { "}" } else { "]}" });
        self.before = Before::Sibling;
    }

    /// What `write` writes, one parameter, with its place in the answer, so that it can be repeated.
    pub(super) fn noted(&mut self, write: impl FnOnce(&mut Self)) -> Range<usize> {
        self.next();
        self.before = Before::Nothing;
        let from = self.out.len();
        write(self);
        self.before = Before::Sibling;
        from..self.out.len()
    }

    /// A parameter that was written before, once more.
    pub(super) fn repeat(&mut self, place: Range<usize>) {
        self.next();
        self.out.extend_from_within(place);
    }
}

fn quantity_into(out: &mut String, value: Exact, unit: &'static str) {
    out.push_str(r#"{"value":"#);
    number_into(out, value);
    for part in [r#","unit":""#, spelled(unit), r#"","system":"http://unitsofmeasure.org","code":""#, unit, r#""}"#] {
        out.push_str(part);
    }
}

/// The number as JSON, rounded once, here: three decimals, and as many more as four significant digits need.
fn number_into(out: &mut String, x: Exact) {
    if x.abs() >= Exact::ONE {
        return x.short_into(out, 3);
    }
    let mut places = 3;
    let mut text = x.rounded(places);
    while places < 12 && !x.is_zero() && text.trim_start_matches(['-', '0', '.']).len() < 4 {
        places += 1;
        text = x.rounded(places);
    }
    out.push_str(text.trim_end_matches('0').trim_end_matches('.'));
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn texts_are_escaped_as_json_has_it() {
        let every: String = (0..=0x2FFu32).filter_map(char::from_u32).chain("\u{2028}💧\"\\".chars()).collect();
        for text in ["", "plain", "µ × 2", "\"", "a\\b", "\u{1}\u{1f}\u{7f}", every.as_str()] {
            let mut out = String::new();
            escape_into(&mut out, text);
            assert_eq!(format!("\"{out}\""), serde_json::to_string(text).expect("a text"));
        }
    }

    #[test]
    fn parameters_without_parts_and_repeated_ones() {
        let mut p = Parameters::begin(0);
        p.parts("none", |_| {});
        p.parts("some", |p| {
            let place = p.noted(|p| p.parts("inner", |p| p.boolean("x", true)));
            p.repeat(place);
            p.code("c", "y");
        });
        let inner = r#"{"name":"inner","part":[{"name":"x","valueBoolean":true}]}"#;
        let want = format!(
            r#"{{"resourceType":"Parameters","parameter":[{{"name":"none"}},{{"name":"some","part":[{inner},{inner},{{"name":"c","valueCode":"y"}}]}}]}}"#
        );
        assert_eq!(p.end(), want);
    }
}
