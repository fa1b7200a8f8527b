//! FHIR's datatypes as written, value by value: what is there, what is missing with a reason, and what
//! cannot be read. Nothing is converted, guessed or defaulted.

use crate::exact::Decimal;
use crate::intake::json::{Kind, Node};
use crate::intake::order::{
    At, Bounds, Coding, Concept, Field, Problem, Quantity, Ratio, Reference, Repeat, Sourced, Text, TimeUnit, Timing,
    When,
};
use crate::intake::wire::extension::DATA_ABSENT_REASON;
use crate::intake::wire::moment;
use crate::intake::wire::{Resolution, Resolve};

/// Reads datatypes and collects what could not be read.
#[derive(Debug, Default)]
pub struct Datatypes {
    /// What could not be read, in the order met.
    pub problems: Vec<Problem>,
}

/// A list as found.
pub(super) enum List<'d> {
    Absent,
    Items(Vec<Node<'d>>),
    /// Not an array.
    Wrong(Node<'d>),
}

impl Datatypes {
    /// Notes something that makes a value unusable.
    pub(crate) fn grave(&mut self, at: At, code: &'static str, text: String) {
        self.problems.push(Problem { at, text, code, grave: true });
    }

    /// Notes something worth saying that leaves every value usable.
    pub(crate) fn remark(&mut self, at: At, code: &'static str, text: String) {
        self.problems.push(Problem { at, text, code, grave: false });
    }

    /// A primitive element of `object`. `read` gets the node and says what was expected when it is not that.
    pub(crate) fn primitive<'d, T>(
        &mut self,
        object: Node<'d>,
        name: &str,
        read: impl FnOnce(Node<'d>) -> Result<T, String>,
    ) -> Field<'d, T> {
        let (value, companion) = object.with_companion(name);
        match (value, companion) {
            (None, None) => Field::Absent,
            (None, Some(companion)) => self.missing(companion, name),
            (Some(value), companion) => {
                if companion.is_some_and(|c| absent_reason(c).is_some()) {
                    self.grave(
                        value.at(),
                        "invariant",
                        format!("{name} has a value and also a reason why it has none; expected one of the two"),
                    );
                    return Field::Unreadable { at: value.at() };
                }
                match read(value) {
                    Ok(value_read) => Field::Present(Sourced { value: value_read, at: value.at() }),
                    Err(expected) => {
                        self.grave(value.at(), "value", format!("{name}: found {}, expected {expected}", found(value)));
                        Field::Unreadable { at: value.at() }
                    }
                }
            }
        }
    }

    /// The data-absent-reason of an object, if it has one; what is no code of FHIR's is said.
    fn reason_of<'d>(&mut self, object: Node<'d>) -> Option<Text<'d>> {
        let reason = absent_reason(object)?;
        if !ABSENT_REASONS.contains(&reason.as_ref()) {
            let text = format!(
                "the data-absent-reason is {}, expected a code of FHIR's own list; there is no value",
                shown(&reason)
            );
            self.remark(object.at(), "code-invalid", text);
        }
        Some(reason)
    }

    fn missing<'d, T>(&mut self, companion: Node<'d>, name: &str) -> Field<'d, T> {
        if companion.kind() != Kind::Object {
            self.grave(
                companion.at(),
                "structure",
                format!("_{name}: found {}, expected an object that explains the missing value", found(companion)),
            );
            return Field::Unreadable { at: companion.at() };
        }
        let reason = self
            .reason_of(companion)
            .or_else(|| extensions(companion).find_map(|e| e.get("url").and_then(Node::as_str)))
            .unwrap_or(Text::Borrowed("no value and no reason given"));
        Field::Missing { at: companion.at(), reason }
    }

    /// A complex element of `object`: an object that holds more than an explanation of its absence.
    pub(crate) fn complex<'d, T>(
        &mut self,
        object: Node<'d>,
        name: &str,
        read: impl FnOnce(&mut Self, Node<'d>) -> T,
    ) -> Field<'d, T> {
        match object.get(name) {
            None => Field::Absent,
            Some(node) => self.complex_node(node, name, read),
        }
    }

    pub(crate) fn complex_node<'d, T>(
        &mut self,
        node: Node<'d>,
        name: &str,
        read: impl FnOnce(&mut Self, Node<'d>) -> T,
    ) -> Field<'d, T> {
        if node.kind() != Kind::Object {
            self.grave(node.at(), "structure", format!("{name}: found {}, expected an object", found(node)));
            return Field::Unreadable { at: node.at() };
        }
        if node.members().all(|(key, _)| key == "id" || key == "extension")
            && let Some(reason) = self.reason_of(node)
        {
            return Field::Missing { at: node.at(), reason };
        }
        Field::Present(Sourced { value: read(self, node), at: node.at() })
    }

    /// The items of a repeating element.
    pub(super) fn list<'d>(&mut self, object: Node<'d>, name: &str) -> List<'d> {
        let Some(node) = object.get(name) else { return List::Absent };
        if node.kind() == Kind::Array {
            return List::Items(node.items().collect());
        }
        self.grave(node.at(), "structure", format!("{name}: found {}, expected an array", found(node)));
        List::Wrong(node)
    }

    /// The items of a repeating element that are objects; others are reported and left out. Only for lists
    /// that nothing is counted from.
    pub(super) fn objects<'d>(&mut self, object: Node<'d>, name: &str) -> Vec<Node<'d>> {
        let List::Items(items) = self.list(object, name) else { return Vec::new() };
        let mut out = Vec::with_capacity(items.len());
        for item in items {
            if item.kind() == Kind::Object {
                out.push(item);
            } else {
                self.grave(item.at(), "structure", format!("{name}: found {}, expected an object", found(item)));
            }
        }
        out
    }

    /// A text element; not a text, or empty: reported and unreadable.
    pub(crate) fn text<'d>(&mut self, object: Node<'d>, name: &str) -> Field<'d, Text<'d>> {
        self.primitive(object, name, read_text)
    }

    /// A text element where missing and absent are the same.
    pub(crate) fn text_if_any<'d>(&mut self, object: Node<'d>, name: &str) -> Option<Text<'d>> {
        match self.text(object, name) {
            Field::Present(s) => Some(s.value),
            _ => None,
        }
    }

    /// A text element with its place.
    pub(super) fn sourced_text<'d>(&mut self, object: Node<'d>, name: &str) -> Option<Sourced<Text<'d>>> {
        match self.text(object, name) {
            Field::Present(s) => Some(s),
            _ => None,
        }
    }

    /// A code of a closed value set.
    pub(crate) fn coded<'d, T: Copy>(&mut self, object: Node<'d>, name: &str, set: &[(&str, T)]) -> Field<'d, T> {
        self.primitive(object, name, |node| {
            let code = node.as_str();
            let hit = code.as_ref().and_then(|code| set.iter().find(|(own, _)| own == code));
            hit.map(|(_, value)| *value).ok_or_else(|| {
                let codes: Vec<&str> = set.iter().map(|(own, _)| *own).collect();
                format!("one of {}", codes.join(", "))
            })
        })
    }

    /// A `boolean` element.
    pub(crate) fn boolean<'d>(&mut self, object: Node<'d>, name: &str) -> Field<'d, bool> {
        self.primitive(object, name, |node| node.as_bool().ok_or_else(|| "true or false".to_owned()))
    }

    /// A `date` element.
    pub(crate) fn date<'d>(&mut self, object: Node<'d>, name: &str) -> Field<'d, When> {
        self.primitive(object, name, |node| {
            let text = node.as_str().ok_or_else(|| format!("a date: {}", moment::DATE_FORMS))?;
            moment::read_date(&text).map_err(|why| format!("a date, {} ({why})", moment::DATE_FORMS))
        })
    }

    /// A `dateTime` or `instant` element.
    pub(crate) fn date_time<'d>(&mut self, object: Node<'d>, name: &str) -> Field<'d, When> {
        self.primitive(object, name, read_date_time)
    }

    /// A decimal that is not negative.
    fn not_negative<'d>(&mut self, object: Node<'d>, name: &str) -> Field<'d, Decimal> {
        self.primitive(object, name, |node| {
            read_number(node)
                .and_then(|d| if d.is_negative() { Err("a number that is not negative".to_owned()) } else { Ok(d) })
        })
    }

    /// A whole number from `least` to 2,147,483,647, FHIR's range of integers.
    fn whole<'d>(&mut self, object: Node<'d>, name: &str, least: i128) -> Field<'d, Decimal> {
        self.primitive(object, name, |node| {
            let number = read_number(node)?;
            let exact = number.exact();
            if exact.is_whole() && (least..=i128::from(i32::MAX)).contains(&exact.floor()) {
                Ok(number)
            } else {
                Err(format!("a whole number from {least} to 2147483647"))
            }
        })
    }

    /// A Quantity. When any part of it cannot be read, its value cannot be relied on and is unreadable.
    pub(crate) fn quantity<'d>(&mut self, node: Node<'d>) -> Quantity<'d> {
        let mut value = self.primitive(node, "value", read_number);
        let reason = self.reason_of(node);
        if let (Field::Present(number), Some(_)) = (&value, &reason) {
            let at = number.at;
            self.grave(at, "invariant", "the quantity has a value and also a reason why it has none".to_owned());
            value = Field::Unreadable { at };
        }
        if value.is_absent()
            && let Some(reason) = reason
        {
            value = Field::Missing { at: node.at(), reason };
        }
        let mut part = |this: &mut Self, name: &str, must_have_value: bool| match this.text(node, name) {
            Field::Present(s) => Some(s.value),
            Field::Unreadable { at } => {
                value = Field::Unreadable { at };
                None
            }
            Field::Missing { at, .. } if must_have_value => {
                this.grave(at, "value", format!("the {name} of this quantity is withheld; its value cannot be used"));
                value = Field::Unreadable { at };
                None
            }
            Field::Missing { .. } | Field::Absent => None,
        };
        let comparator = part(self, "comparator", true);
        let unit = part(self, "unit", false);
        let system = part(self, "system", true);
        let code = part(self, "code", false);
        Quantity { value, comparator, unit, system, code }
    }

    /// A Ratio.
    pub(crate) fn ratio<'d>(&mut self, node: Node<'d>) -> Ratio<'d> {
        Ratio {
            numerator: self.complex(node, "numerator", Self::quantity),
            denominator: self.complex(node, "denominator", Self::quantity),
        }
    }

    /// A CodeableConcept.
    pub(crate) fn concept<'d>(&mut self, node: Node<'d>) -> Concept<'d> {
        let codings = self.objects(node, "coding").into_iter().map(|coding| self.coding(coding)).collect();
        Concept { codings, text: self.text_if_any(node, "text") }
    }

    /// A Coding.
    pub(crate) fn coding<'d>(&mut self, node: Node<'d>) -> Coding<'d> {
        Coding {
            system: self.text_if_any(node, "system"),
            code: self.text_if_any(node, "code"),
            display: self.text_if_any(node, "display"),
            at: node.at(),
        }
    }

    /// A Reference, resolved inside the document.
    pub(crate) fn reference<'d>(&mut self, node: Node<'d>, resolver: &dyn Resolve) -> Reference<'d> {
        let reference = self.text_if_any(node, "reference");
        let display = self.text_if_any(node, "display");
        let identifier = match self
            .complex(node, "identifier", |this, id| (this.text_if_any(id, "system"), this.text_if_any(id, "value")))
        {
            Field::Present(s) => Some(s.value),
            _ => None,
        };
        let resolved = match &reference {
            None => None,
            Some(text) => match resolver.resolve(node.at(), text) {
                Resolution::Found(at) => Some(at),
                Resolution::FoundByTypeAndId(at) => {
                    self.remark(
                        node.at(),
                        "informational",
                        format!(
                            "{} was found by type and id only, because the entries' fullUrl do not lead there",
                            shown(text)
                        ),
                    );
                    Some(at)
                }
                Resolution::Ambiguous => {
                    self.grave(
                        node.at(),
                        "multiple-matches",
                        format!("{} fits more than one different resource in this document", shown(text)),
                    );
                    None
                }
                Resolution::NotHere => None,
            },
        };
        Reference { reference, display, identifier, resolved }
    }

    /// A Period.
    pub(crate) fn period<'d>(&mut self, node: Node<'d>) -> (Field<'d, When>, Field<'d, When>) {
        (self.date_time(node, "start"), self.date_time(node, "end"))
    }

    /// A Timing.
    pub(crate) fn timing<'d>(&mut self, node: Node<'d>) -> Timing<'d> {
        let mut unreadable = Vec::new();
        if node.kind() != Kind::Object {
            self.grave(node.at(), "structure", format!("timing: found {}, expected an object", found(node)));
            return Timing { at: node.at(), events: Vec::new(), repeat: None, code: None, unreadable: vec![node.at()] };
        }
        if absent_reason(node).is_some() && node.members().all(|(key, _)| key == "id" || key == "extension") {
            unreadable.push(node.at());
        }
        let events = self.primitives(node, "event", &mut unreadable, read_date_time);
        let repeat = match self.complex(node, "repeat", |this, repeat| this.repeat(repeat, &mut unreadable)) {
            Field::Present(s) => Some(s.value),
            Field::Absent => None,
            Field::Missing { at, .. } | Field::Unreadable { at } => {
                unreadable.push(at);
                None
            }
        };
        let code = match self.complex(node, "code", Self::concept) {
            Field::Present(s) => Some(s),
            Field::Absent => None,
            Field::Missing { at, .. } | Field::Unreadable { at } => {
                unreadable.push(at);
                None
            }
        };
        Timing { at: node.at(), events, repeat, code, unreadable }
    }

    fn repeat<'d>(&mut self, node: Node<'d>, unreadable: &mut Vec<At>) -> Repeat<'d> {
        Repeat {
            at: node.at(),
            bounds: self.bounds(node),
            count: self.whole(node, "count", 1),
            count_max: self.whole(node, "countMax", 1),
            duration: self.not_negative(node, "duration"),
            duration_max: self.not_negative(node, "durationMax"),
            duration_unit: self.coded(node, "durationUnit", &TIME_UNITS),
            frequency: self.whole(node, "frequency", 1),
            frequency_max: self.whole(node, "frequencyMax", 1),
            period: self.not_negative(node, "period"),
            period_max: self.not_negative(node, "periodMax"),
            period_unit: self.coded(node, "periodUnit", &TIME_UNITS),
            day_of_week: self.primitives(node, "dayOfWeek", unreadable, |item| {
                let code = item.as_str();
                let hit = code.as_ref().and_then(|code| DAYS.iter().position(|day| day == code));
                hit.and_then(|ix| u8::try_from(ix + 1).ok()).ok_or_else(|| format!("one of {}", DAYS.join(", ")))
            }),
            time_of_day: self.primitives(node, "timeOfDay", unreadable, |item| {
                let text = item.as_str().ok_or_else(|| format!("a clock time, {}", moment::TIME_FORMS))?;
                moment::read_time(&text).map_err(|why| format!("a clock time, {} ({why})", moment::TIME_FORMS))
            }),
            when: self.primitives(node, "when", unreadable, read_text),
            offset: self.whole(node, "offset", 0),
        }
    }

    fn bounds<'d>(&mut self, node: Node<'d>) -> Field<'d, Bounds<'d>> {
        let mut given = ["boundsPeriod", "boundsDuration", "boundsRange"].iter().filter_map(|name| node.get(name));
        let first = given.next();
        if let (Some(_), Some(second)) = (first, given.next()) {
            self.grave(second.at(), "structure", "bounds is given in two types, expected one".to_owned());
            return Field::Unreadable { at: second.at() };
        }
        let period = self.complex(node, "boundsPeriod", |this, period| {
            let (start, end) = this.period(period);
            Bounds::Period { start, end }
        });
        if !period.is_absent() {
            return period;
        }
        let duration = self.complex(node, "boundsDuration", |this, q| Bounds::Duration(this.quantity(q)));
        if !duration.is_absent() {
            return duration;
        }
        self.complex(node, "boundsRange", |this, range| Bounds::Range {
            low: this.complex(range, "low", Self::quantity),
            high: this.complex(range, "high", Self::quantity),
        })
    }

    /// A repeating primitive. Items that are missing or cannot be read go to `unreadable`.
    fn primitives<'d, T>(
        &mut self,
        object: Node<'d>,
        name: &str,
        unreadable: &mut Vec<At>,
        read: impl Fn(Node<'d>) -> Result<T, String>,
    ) -> Vec<Sourced<T>> {
        let (list, companions) = object.with_companion(name);
        let Some(list) = list else {
            unreadable.extend(companions.map(Node::at));
            return Vec::new();
        };
        if list.kind() != Kind::Array {
            self.grave(list.at(), "structure", format!("{name}: found {}, expected an array", found(list)));
            unreadable.push(list.at());
            return Vec::new();
        }
        let mut out = Vec::with_capacity(list.len());
        for (ix, item) in list.items().enumerate() {
            let companion = companions.and_then(|c| c.items().nth(ix)).filter(|c| c.kind() == Kind::Object);
            if item.kind() == Kind::Null && companion.is_some() {
                unreadable.push(item.at());
                continue;
            }
            match read(item) {
                Ok(value) => out.push(Sourced { value, at: item.at() }),
                Err(expected) => {
                    self.grave(item.at(), "value", format!("{name}: found {}, expected {expected}", found(item)));
                    unreadable.push(item.at());
                }
            }
        }
        if let Some(companions) = companions
            && companions.len() > list.len()
        {
            unreadable.push(companions.at());
        }
        out
    }
}

/// Codes of <http://terminology.hl7.org/CodeSystem/data-absent-reason>.
const ABSENT_REASONS: [&str; 15] = [
    "unknown",
    "asked-unknown",
    "temp-unknown",
    "not-asked",
    "asked-declined",
    "masked",
    "not-applicable",
    "unsupported",
    "as-text",
    "error",
    "not-a-number",
    "negative-infinity",
    "positive-infinity",
    "not-performed",
    "not-permitted",
];

/// `units-of-time`.
const TIME_UNITS: [(&str, TimeUnit); 7] = [
    ("s", TimeUnit::Second),
    ("min", TimeUnit::Minute),
    ("h", TimeUnit::Hour),
    ("d", TimeUnit::Day),
    ("wk", TimeUnit::Week),
    ("mo", TimeUnit::Month),
    ("a", TimeUnit::Year),
];
/// `days-of-week`, Monday first.
const DAYS: [&str; 7] = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"];

fn read_text(node: Node<'_>) -> Result<Text<'_>, String> {
    node.as_str().filter(|text| !text.trim().is_empty()).ok_or_else(|| "a text that is not empty".to_owned())
}

fn read_number(node: Node<'_>) -> Result<Decimal, String> {
    node.decimal().ok_or_else(|| "a JSON number, without quotes".to_owned())
}

fn read_date_time(node: Node<'_>) -> Result<When, String> {
    let text = node.as_str().ok_or_else(|| format!("a date or date-time, {}", moment::DATE_TIME_FORMS))?;
    moment::read_date_time(&text).map_err(|why| format!("{} ({why})", moment::DATE_TIME_FORMS))
}

/// The extensions of an object.
pub(super) fn extensions(object: Node<'_>) -> impl Iterator<Item = Node<'_>> {
    object.get("extension").into_iter().flat_map(Node::items)
}

/// The extensions of an object with that url.
pub(super) fn extensions_of<'d>(object: Node<'d>, url: &'static str) -> impl Iterator<Item = Node<'d>> {
    extensions(object).filter(move |e| e.get("url").and_then(Node::as_str).is_some_and(|own| own == url))
}

/// The data-absent-reason of an object, if it has one.
pub(crate) fn absent_reason(object: Node<'_>) -> Option<Text<'_>> {
    extensions_of(object, DATA_ABSENT_REASON)
        .map(|e| e.get("valueCode").and_then(Node::as_str).unwrap_or(Text::Borrowed("no reason given")))
        .next()
}

/// What was found, for messages: short, and on one line.
pub(crate) fn found(node: Node<'_>) -> String {
    if let Some(text) = node.as_str() {
        return format!("the text {}", shown(&text));
    }
    match node.literal() {
        Some(number) => format!("the number {number}"),
        None => node.kind().words().to_owned(),
    }
}

/// A text in quotes, cut after 60 characters and without control characters.
pub(crate) fn shown(text: &str) -> String {
    const MOST: usize = 60;
    let mut out = String::from("\"");
    for (n, c) in text.chars().enumerate() {
        if n == MOST {
            out.push('…');
            break;
        }
        out.push(if c.is_control() { ' ' } else { c });
    }
    out.push('"');
    out
}
