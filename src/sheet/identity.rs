//! By what people tell a patient from another: name, date of birth and identifiers, as far as they were sent. Nothing is
//! looked up, and nothing is told by it: whose an order is, its reference says.

use super::seen;
use crate::intake::json::Node;
use jiff::civil::Date;
use serde::{Deserialize, Serialize};

/// Most identifiers that are kept.
const MOST: usize = 4;
/// Most characters of a text that is kept.
const LONGEST: usize = 200;
/// The code of a medical record number (HL7 v2 table 0203).
const RECORD_NUMBER: &str = "MR";

/// By what people tell a patient, as it was sent.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Identity {
    /// The name that the Patient gives, or else the order; empty where neither does.
    pub name: String,
    /// What the order calls them, where that is not the Patient's name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub called: Option<String>,
    /// Date of birth as written: `1958-12-24`, `1958-12`, `1958`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub born: Option<String>,
    /// Identifiers, medical record numbers first.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub identifiers: Vec<Identifier>,
}

/// One identifier of a patient.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Identifier {
    /// What it is, as the sender calls it; empty where it says nothing.
    pub label: String,
    /// Its value.
    pub value: String,
}

impl Identifier {
    /// With what it is, where that was said: `Record number MRN-4711`.
    pub fn words(&self) -> String {
        if self.label.is_empty() { self.value.clone() } else { format!("{} {}", self.label, self.value) }
    }
}

impl Identity {
    /// Of an order, and of the Patient that it is for, where that was sent.
    pub fn of(order: Node<'_>, patient: Option<Node<'_>>) -> Self {
        let named = order.get("patient").or_else(|| order.get("subject"));
        let called = named.and_then(|named| text(named, "display"));
        let name = patient.and_then(name);
        let (name, called) = match name {
            Some(name) => {
                let other = called.filter(|called| called.to_lowercase() != name.to_lowercase());
                (name, other)
            }
            None => (called.unwrap_or_default(), None),
        };
        let own = patient.and_then(|patient| patient.get("identifier")).into_iter().flat_map(Node::items);
        let all = own.chain(named.and_then(|named| named.get("identifier")));
        let mut identifiers: Vec<(bool, Identifier)> = Vec::new();
        for (record_number, one) in all.filter_map(identifier) {
            if !identifiers.iter().any(|(_, known)| known.value == one.value) {
                identifiers.push((record_number, one));
            }
        }
        identifiers.sort_by_key(|(record_number, _)| !record_number);
        identifiers.truncate(MOST);
        Self {
            name,
            called,
            born: patient.and_then(|patient| text(patient, "birthDate")),
            identifiers: identifiers.into_iter().map(|(_, one)| one).collect(),
        }
    }

    /// The date of birth as people write it: `24 Dec 1958`, `Dec 1958`, `1958`; what is no date as it was sent.
    pub fn born_words(&self) -> Option<String> {
        let born = self.born.as_deref()?;
        let day = |text: &str, form: &str| text.parse::<Date>().ok().map(|day| day.strftime(form).to_string());
        let words = match born.len() {
            10 => day(born, "%-d %b %Y"),
            7 => day(&format!("{born}-01"), "%b %Y"),
            _ => None,
        };
        Some(words.unwrap_or_else(|| born.to_owned()))
    }

    /// What came later, and of what it does not say what was known before.
    #[must_use]
    pub fn or(self, before: &Self) -> Self {
        let (name, called) =
            if self.name.is_empty() { (before.name.clone(), before.called.clone()) } else { (self.name, self.called) };
        let identifiers = if self.identifiers.is_empty() { before.identifiers.clone() } else { self.identifiers };
        Self { name, called, born: self.born.or_else(|| before.born.clone()), identifiers }
    }

    /// Every text by which somebody may look for the patient.
    pub fn texts(&self) -> impl Iterator<Item = String> {
        let born = self.born.iter().cloned().chain(self.born_words());
        let one = [self.name.clone()].into_iter().chain(self.called.clone()).chain(born);
        one.chain(self.identifiers.iter().map(|one| one.value.clone()))
    }
}

/// A text of the input, cut; nothing where it is empty.
fn text(node: Node<'_>, key: &str) -> Option<String> {
    let text = node.get(key)?.as_str()?;
    let text: String = seen(text.trim()).chars().take(LONGEST).collect();
    (!text.is_empty()).then_some(text)
}

/// The name that a Patient resource gives.
pub(super) fn name(patient: Node<'_>) -> Option<String> {
    let name = patient.get("name")?.items().next()?;
    text(name, "text").or_else(|| {
        let given = name.get("given").into_iter().flat_map(Node::items);
        let given: Vec<String> = given.filter_map(|n| n.as_str().map(|t| seen(&t))).collect();
        let parts: Vec<String> = given.into_iter().chain(text(name, "family")).collect();
        let whole: String = parts.join(" ").trim().chars().take(LONGEST).collect();
        (!whole.is_empty()).then_some(whole)
    })
}

/// An identifier that is in use, and whether it is a medical record number.
fn identifier(node: Node<'_>) -> Option<(bool, Identifier)> {
    if node.get("use").and_then(Node::as_str).is_some_and(|of| of == "old") {
        return None;
    }
    let value = text(node, "value")?;
    let kind = node.get("type");
    let codings = || kind.and_then(|kind| kind.get("coding")).into_iter().flat_map(Node::items);
    let record_number = codings().any(|coding| text(coding, "code").as_deref() == Some(RECORD_NUMBER));
    let label = kind
        .and_then(|kind| text(kind, "text"))
        .or_else(|| codings().find_map(|coding| text(coding, "display")))
        .or_else(|| record_number.then(|| "Record number".to_owned()))
        .or_else(|| codings().find_map(|coding| text(coding, "code")))
        .unwrap_or_default();
    Some((record_number, Identifier { label, value }))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::intake::json::{Document, Limits};

    fn of(order: &str, patient: Option<&str>) -> Identity {
        let order = Document::read(order.as_bytes(), &Limits::default()).unwrap();
        let patient = patient.map(|text| Document::read(text.as_bytes(), &Limits::default()).unwrap());
        Identity::of(order.root(), patient.as_ref().map(Document::root))
    }

    #[test]
    fn names_dates_and_identifiers_are_those_that_were_sent() {
        let order = r#"{"patient":{"reference":"Patient/p1","display":"Harald I.","identifier":{"value":"MRN-4711"}}}"#;
        let alone = of(order, None);
        assert_eq!((alone.name.as_str(), &alone.called, &alone.born), ("Harald I.", &None, &None));
        assert_eq!(alone.identifiers[0].words(), "MRN-4711");
        let patient = r#"{"name":[{"given":["Harald"],"family":"Invented"}],"birthDate":"1958-12-24","identifier":[
            {"use":"old","value":"MRN-1"},{"type":{"text":"Insurance"},"value":"I-1"},
            {"type":{"coding":[{"code":"MR"}]},"value":"MRN-4711"},{"value":" "},{"system":"https://a.example"}]}"#;
        let both = of(order, Some(patient));
        assert_eq!((both.name.as_str(), both.called.as_deref()), ("Harald Invented", Some("Harald I.")));
        assert_eq!(both.born_words().as_deref(), Some("24 Dec 1958"));
        let words: Vec<String> = both.identifiers.iter().map(Identifier::words).collect();
        assert_eq!(words, ["Record number MRN-4711", "Insurance I-1"]);
        let texts: Vec<String> = both.texts().collect();
        assert_eq!(texts, ["Harald Invented", "Harald I.", "1958-12-24", "24 Dec 1958", "MRN-4711", "I-1"]);
        let named_alike = of(order, Some(r#"{"name":[{"text":"HARALD I."}],"birthDate":"1958"}"#));
        assert_eq!((named_alike.called.as_deref(), named_alike.born_words().as_deref()), (None, Some("1958")));
        assert_eq!(of("{}", Some(r#"{"birthDate":"in May"}"#)).born_words().as_deref(), Some("in May"));
        assert_eq!(of("{}", Some(r#"{"birthDate":"1958-05"}"#)).born_words().as_deref(), Some("May 1958"));
        assert_eq!(of("{}", None), Identity::default());
    }

    #[test]
    fn what_comes_later_leaves_what_it_does_not_say() {
        let order = r#"{"subject":{"display":"H. Invented"}}"#;
        let patient = r#"{"name":[{"text":"Harald Invented"}],"birthDate":"1958-12-24","identifier":[{"value":"1"}]}"#;
        let (less, more) = (of(order, None), of(order, Some(patient)));
        let after = less.clone().or(&more);
        assert_eq!((after.name.as_str(), &after.born, after.identifiers.len()), ("H. Invented", &more.born, 1));
        assert_eq!(more.clone().or(&less), more);
        assert_eq!(Identity::default().or(&more), more);
    }
}
