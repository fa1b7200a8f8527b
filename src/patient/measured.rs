//! Measured values of a patient: which of several is current, and why others were not taken.

use crate::exact::Exact;
use crate::intake::bundle::Resource;
use crate::intake::json::{Node, mark};
use crate::intake::order::{At, Field, Problem, Quantity, Text, When};
use crate::intake::wire::datatypes::{Datatypes, found, shown};
use crate::intake::wire::moment;
use crate::units::{Dimension, UnitNote, measure, measure_substance};
use jiff::tz::TimeZone;
use std::fmt;

/// The system of LOINC codes.
pub const LOINC: &str = "http://loinc.org";

/// One usable measurement.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Measured<'d> {
    /// The Observation.
    pub at: At,
    /// Its code, as it was looked for.
    pub code: Text<'d>,
    /// The quantity as written.
    pub written: Quantity<'d>,
    /// The value in base units: g, cm, s, …
    pub value: Exact,
    /// Remarks on its unit.
    pub notes: Vec<UnitNote>,
    /// When it was measured, with its place.
    pub effective: Option<(When, At)>,
    /// First and last moment it may have been measured, seconds since the epoch.
    pub span: Option<(Exact, Exact)>,
}

/// Why a candidate was not taken.
#[derive(Clone, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Rejection {
    /// Its status says that there is no value, or none that ever counted.
    Status(String),
    /// It has a value, and its status is not final, amended or corrected.
    NotFinal(String),
    /// It says that there is no value. (the reason)
    DataAbsent(String),
    /// It has no value that is a quantity. (what it has)
    NoQuantity(String),
    /// Its quantity cannot be used.
    Unit(UnitNote),
    /// Zero or below.
    NotPositive,
    /// It does not say when it was measured.
    NoTime,
    /// The time of measurement cannot be read.
    UnreadableTime,
    /// Measured after the time the order is judged for.
    AfterReference,
    /// It carries a modifier that is not known.
    Modifier,
    /// It is about somebody or something else than its subject.
    Focus,
    /// Its code has no system, or another one.
    CodeSystem,
    /// Outside what is possible. (the bounds, in words)
    Impossible(&'static str),
}

impl fmt::Display for Rejection {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Status(status) | Self::NotFinal(status) => {
                write!(f, "its status is {status}; only final, amended and corrected are used")
            }
            Self::DataAbsent(reason) => write!(f, "it states that there is no value: {reason}"),
            Self::NoQuantity(what) => write!(f, "it has {what} instead of a quantity"),
            Self::Unit(note) => write!(f, "{note}"),
            Self::NotPositive => f.write_str("it is zero or below"),
            Self::NoTime => f.write_str("it does not say when it was measured"),
            Self::UnreadableTime => f.write_str("the time of measurement cannot be read"),
            Self::AfterReference => f.write_str("it was measured after the time the order is judged for"),
            Self::Modifier => f.write_str("it carries a modifier extension that is not known"),
            Self::Focus => f.write_str("it is about somebody or something else than its subject"),
            Self::CodeSystem => f.write_str("its code is not marked as LOINC"),
            Self::Impossible(bounds) => write!(f, "it is not within {bounds}"),
        }
    }
}

impl Rejection {
    /// Whether the candidate may well be a real, current value that cannot be read, so that an older one
    /// must not replace it without a word.
    const fn hides_a_value(&self) -> bool {
        matches!(
            self,
            Self::NotFinal(_)
                | Self::NoQuantity(_)
                | Self::Unit(_)
                | Self::NotPositive
                | Self::NoTime
                | Self::Modifier
                | Self::UnreadableTime
                | Self::CodeSystem
                | Self::Impossible(_)
        )
    }
}

/// A candidate that was not taken.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Rejected {
    /// The Observation.
    pub at: At,
    /// Why.
    pub why: Rejection,
    /// Its quantity for people, as written, where it has one.
    pub written: Option<String>,
    /// When it may have been measured.
    pub span: Option<(Exact, Exact)>,
}

/// All that was sent of one kind of measurement.
#[derive(Clone, Debug, PartialEq, Eq, Default)]
pub struct Measurements<'d> {
    /// The current one, when there is exactly one.
    pub chosen: Option<Measured<'d>>,
    /// Usable ones that are older, latest first.
    pub earlier: Vec<Measured<'d>>,
    /// Candidates for the current one that contradict each other; nothing is chosen then.
    pub conflict: Vec<Measured<'d>>,
    /// The rest, and why.
    pub rejected: Vec<Rejected>,
}

impl Measurements<'_> {
    /// Whether anything of this kind was sent, usable or not.
    pub fn is_sent(&self) -> bool {
        self.chosen.is_some() || !self.conflict.is_empty() || !self.rejected.is_empty()
    }

    /// The current value in base units.
    pub fn value(&self) -> Option<Exact> {
        self.chosen.as_ref().map(|m| m.value)
    }
}

/// By code: molar mass, g/mol, and charge.
pub(super) type OfCode<'s> = dyn Fn(&str) -> (Option<Exact>, Option<i64>) + 's;

/// What is looked for.
pub(super) struct Sought<'s> {
    /// Name for people.
    pub name: &'static str,
    /// LOINC codes.
    pub codes: &'s dyn Fn(&str) -> bool,
    /// What it measures.
    pub dimension: Dimension,
    /// The concentration of a substance: by code, its molar mass (g/mol) and its charge.
    pub substance: Option<&'s OfCode<'s>>,
    /// Whether zero or below is possible.
    pub positive: bool,
    /// Bounds in base units, with their words.
    pub bounds: Option<(Exact, Exact, &'static str)>,
    /// Whether the latest counts (weight), or all must agree (birth weight).
    pub latest: bool,
}

/// Sorts the candidates among a patient's Observations. `not_after`: measured later does not count.
pub(super) fn choose<'d, 'r>(
    observations: impl Iterator<Item = &'r Resource<'d>>,
    sought: &Sought<'_>,
    not_after: Option<Exact>,
    zone: &TimeZone,
    problems: &mut Vec<Problem>,
) -> Measurements<'d>
where
    'd: 'r,
{
    let mut out = Measurements::default();
    let mut usable: Vec<Measured<'d>> = Vec::new();
    let mut read = Datatypes::default();
    for observation in observations {
        let node = observation.node;
        for (carrier, code, loinc) in carriers(node, sought.codes) {
            let (effective, timed) = effective(&mut read, node);
            let span = effective.and_then(|(when, _)| moment::span(when, zone));
            let after = not_after.is_some_and(|limit| span.is_some_and(|(first, _)| first > limit));
            let verdict =
                candidate(&mut read, (node, carrier), &code, sought).and_then(|(written, value, notes)| match timed {
                    _ if !loinc => Err(Rejection::CodeSystem),
                    Timed::Unreadable if sought.latest => Err(Rejection::UnreadableTime),
                    Timed::No if sought.latest => Err(Rejection::NoTime),
                    _ if span.is_none() && sought.latest => Err(Rejection::UnreadableTime),
                    _ => Ok((written, value, notes)),
                });
            // What is measured later hides nothing, whatever it is.
            let verdict = if after { Err(Rejection::AfterReference) } else { verdict };
            match verdict {
                Ok((written, value, notes)) => {
                    usable.push(Measured { at: node.at(), code, written, value, notes, effective, span })
                }
                Err(why) => out.rejected.push(Rejected { at: node.at(), why, written: written_in(carrier), span }),
            }
        }
    }
    // What cannot be read in an Observation is told once, by the reason it was not taken.
    problems.extend(read.problems.into_iter().map(|p| Problem { grave: false, ..p }));
    if sought.latest {
        out.settle_latest(usable)
    } else {
        out.settle_agreeing(usable)
    }
    out.report(sought.name, problems);
    out
}

impl<'d> Measurements<'d> {
    /// The latest is current. Others that may be from the same moment must agree with it.
    fn settle_latest(&mut self, mut usable: Vec<Measured<'d>>) {
        usable.sort_by(|a, b| {
            let key = |m: &Measured<'_>| m.span.map(|(first, last)| (last, first));
            key(b).cmp(&key(a))
        });
        if usable.len() < 2 {
            self.chosen = usable.pop();
            return;
        }
        let Some(top) = usable.first() else { return };
        let (top_span, top_value) = (top.span, top.value);
        if !usable.iter().skip(1).any(|m| overlap(m.span, top_span)) {
            let mut rest = usable.into_iter();
            self.chosen = rest.next();
            self.earlier = rest.collect();
            return;
        }
        let (same_time, earlier): (Vec<_>, Vec<_>) = usable.into_iter().partition(|m| overlap(m.span, top_span));
        if same_time.iter().any(|m| m.value != top_value) {
            self.conflict = same_time;
            self.earlier = earlier;
            return;
        }
        // All agree: the one that says its time most closely.
        let mut same_time = same_time;
        same_time.sort_by(|a, b| {
            let width = |m: &Measured<'_>| m.span.and_then(|(first, last)| last.sub(first));
            width(a).cmp(&width(b))
        });
        let mut rest = same_time.into_iter();
        self.chosen = rest.next();
        self.earlier = rest.chain(earlier).collect();
    }

    /// All must agree.
    fn settle_agreeing(&mut self, usable: Vec<Measured<'d>>) {
        let first = usable.first().map(|m| m.value);
        if usable.iter().any(|m| Some(m.value) != first) {
            self.conflict = usable;
            return;
        }
        let mut rest = usable.into_iter();
        self.chosen = rest.next();
        self.earlier = rest.collect();
    }

    fn report(&self, name: &str, problems: &mut Vec<Problem>) {
        if let [first, second, ..] = self.conflict.as_slice() {
            let other = self.conflict.iter().find(|m| m.value != first.value).unwrap_or(second);
            let text = format!(
                "two values of {name} for the same time differ ({} and {}); none of them is used",
                words(&first.written),
                words(&other.written),
            );
            problems.push(Problem { at: first.at, text, code: "conflict", grave: true });
        }
        let newest = self.chosen.as_ref().or(self.conflict.first()).and_then(|m| m.span);
        let (Some(chosen), Some((_, last))) = (&self.chosen, newest) else { return };
        for hidden in self.rejected.iter().filter(|r| r.why.hides_a_value()) {
            if hidden.span.is_none_or(|(_, own)| own >= last) {
                let own = hidden.written.as_ref().map_or_else(String::new, |own| format!(" of {own}"));
                let text = format!(
                    "this {name}{own} cannot be used ({}), although it may be the latest; the latest that can be used is {}",
                    hidden.why,
                    words(&chosen.written),
                );
                problems.push(Problem { at: hidden.at, text, code: "incomplete", grave: true });
            }
        }
    }
}

fn words(quantity: &Quantity<'_>) -> String {
    let number = quantity.value.value().map_or_else(|| "no value".to_owned(), ToString::to_string);
    match quantity.code.as_ref().or(quantity.unit.as_ref()) {
        Some(unit) => format!("{number} {}", unit.trim()),
        None => number,
    }
}

/// The quantity of an Observation for people, where it has a number.
fn written_in(observation: Node<'_>) -> Option<String> {
    // What cannot be read in it is told where it is looked for.
    let quantity = Datatypes::default().quantity(observation.get("valueQuantity")?);
    quantity.value.value().is_some().then(|| words(&quantity))
}

/// Whether two spans (last moment excluded unless it is the first) have a moment in common.
fn overlap(a: Option<(Exact, Exact)>, b: Option<(Exact, Exact)>) -> bool {
    match (a, b) {
        (Some(a), Some(b)) => a.0 == b.0 || (a.0 < b.1 && b.0 < a.1),
        _ => true,
    }
}

/// What of an Observation has a code that is looked for: itself, or components of it. Node, code, whether its system is LOINC.
pub(super) fn carriers<'d>(
    observation: Node<'d>,
    wanted: &dyn Fn(&str) -> bool,
) -> impl Iterator<Item = (Node<'d>, Text<'d>, bool)> {
    let components = observation.get("component").into_iter().flat_map(Node::items);
    std::iter::once(observation)
        .chain(components)
        .filter_map(move |carrier| matching_code(carrier, wanted).map(|(code, loinc)| (carrier, code, loinc)))
}

/// The code looked for, and whether its system is LOINC.
pub(super) fn matching_code<'d>(observation: Node<'d>, wanted: &dyn Fn(&str) -> bool) -> Option<(Text<'d>, bool)> {
    let mut other = None;
    for coding in observation.get("code")?.get("coding")?.items() {
        let Some(code) = coding.get("code").and_then(Node::as_str).filter(|code| wanted(code)) else { continue };
        match coding.get("system").and_then(Node::as_str) {
            Some(system) if system == LOINC => return Some((code, true)),
            // The same digits in another system are another thing.
            Some(_) => {}
            None => other = Some((code, false)),
        }
    }
    other
}

enum Timed {
    Yes,
    No,
    Unreadable,
}

/// The time of `effective[x]`, with its place. A value over a period stands for the period's end.
fn effective(read: &mut Datatypes, node: Node<'_>) -> (Option<(When, At)>, Timed) {
    for name in ["effectiveDateTime", "effectiveInstant"] {
        match read.date_time(node, name) {
            Field::Present(s) => return (Some((s.value, s.at)), Timed::Yes),
            Field::Absent => {}
            Field::Missing { .. } => return (None, Timed::No),
            Field::Unreadable { .. } => return (None, Timed::Unreadable),
        }
    }
    if let Some(period) = node.get("effectivePeriod") {
        return match read.period(period) {
            (Field::Unreadable { .. }, _) | (_, Field::Unreadable { .. }) => (None, Timed::Unreadable),
            (_, Field::Present(s)) | (Field::Present(s), _) => (Some((s.value, s.at)), Timed::Yes),
            _ => (None, Timed::No),
        };
    }
    let other = node.get("effectiveTiming").is_some();
    (None, if other { Timed::Unreadable } else { Timed::No })
}

type Usable<'d> = (Quantity<'d>, Exact, Vec<UnitNote>);

fn candidate<'d>(
    read: &mut Datatypes,
    (node, carrier): (Node<'d>, Node<'d>),
    code: &str,
    sought: &Sought<'_>,
) -> Result<Usable<'d>, Rejection> {
    let status = node.get("status").and_then(Node::as_str);
    if !matches!(status.as_deref(), Some("final" | "amended" | "corrected")) {
        let never = matches!(status.as_deref(), Some("cancelled" | "entered-in-error" | "cannot-be-obtained"));
        let words = status.map_or_else(|| "missing".to_owned(), |s| shown(&s));
        let has_value = carrier.members().any(|(key, _)| key.starts_with("value"));
        return Err(if has_value && !never { Rejection::NotFinal(words) } else { Rejection::Status(words) });
    }
    if has_modifier(node) {
        return Err(Rejection::Modifier);
    }
    if node.get("focus").is_some() {
        return Err(Rejection::Focus);
    }
    if let Some(reason) = carrier.get("dataAbsentReason") {
        let concept = read.concept(reason);
        let code = concept.codings.first().and_then(|c| c.display.as_ref().or(c.code.as_ref()));
        let words = concept.text.as_ref().or(code).map_or("no reason given", |t| t.as_ref());
        return Err(Rejection::DataAbsent(words.to_owned()));
    }
    let written = match read.complex(carrier, "valueQuantity", Datatypes::quantity) {
        Field::Present(s) => s.value,
        Field::Missing { reason, .. } => return Err(Rejection::DataAbsent(reason.into_owned())),
        Field::Unreadable { at } => {
            let what = carrier
                .get("valueQuantity")
                .filter(|v| v.at() == at)
                .map_or_else(|| "something else".to_owned(), found);
            return Err(Rejection::NoQuantity(what));
        }
        Field::Absent => {
            let other = carrier.members().find(|(key, _)| key.starts_with("value")).map(|(key, _)| key.into_owned());
            return Err(Rejection::NoQuantity(other.unwrap_or_else(|| "no value".to_owned())));
        }
    };
    if sought.positive && written.value.value().is_some_and(|v| v.is_zero() || v.is_negative()) {
        return Err(Rejection::NotPositive);
    }
    let reading = match sought.substance {
        Some(of) => {
            let (molar_mass, charge) = of(code);
            measure_substance(&written, molar_mass, charge)
        }
        None => measure(&written, sought.dimension),
    };
    let Some(value) = reading.value else {
        let blocking = reading.notes.iter().find(|note| note.blocks()).cloned();
        return Err(blocking.map_or_else(|| Rejection::NoQuantity("no usable unit".to_owned()), Rejection::Unit));
    };
    if let Some((low, high, words)) = sought.bounds
        && (value < low || value > high)
    {
        return Err(Rejection::Impossible(words));
    }
    Ok((written, value, reading.notes))
}

/// Whether a resource carries a modifier anywhere that is not known, or rules of its own.
pub(super) fn has_modifier(node: Node<'_>) -> bool {
    const NAMES: u64 = 1 << mark(b"modifierExtension") | 1 << mark(b"implicitRules") | 1 << mark(b"_implicitRules");
    let may_be_named_so = |inner: &Node<'_>| NAMES >> inner.mark() & 1 == 1;
    node.within().skip(1).filter(may_be_named_so).any(|inner| match inner.key().as_deref() {
        Some("modifierExtension") => true,
        Some("implicitRules" | "_implicitRules") => {
            inner.parent().is_some_and(|holder| holder.get("resourceType").is_some())
        }
        _ => false,
    })
}
