//! What a client sends along, key by key. A key that is absent, empty, an error or not usable is never taken for one
//! that says that all is normal.

use super::fetch::{Fetched, Found};
use super::request::Request;
use crate::intake::bundle::{asks_for_all, is_failure, split_version};
use crate::intake::json::{Kind, Node};
use crate::intake::order::{At, FhirVersion};
use crate::settings::{ContextKind, Hooks};

/// One prefetch key.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Key {
    /// Its name. The reader of documents knows these names: an empty answer under one says of what there is none.
    pub name: &'static str,
    /// For people.
    pub what: &'static str,
    /// Types of the resources.
    pub types: &'static [&'static str],
    /// The kind of context it makes up.
    pub kind: Option<ContextKind>,
    template: &'static str,
}

const fn key(
    name: &'static str,
    what: &'static str,
    types: &'static [&'static str],
    kind: Option<ContextKind>,
    template: &'static str,
) -> Key {
    Key { name, what, types, kind, template }
}

const OBSERVATION: &[&str] = &["Observation"];

/// All keys. Templates keep to the subset that the specification recommends: a read, or a search by patient, tokens,
/// `_sort` and `_count`; one code each, because not every client takes a list.
pub const KEYS: [Key; 15] = [
    key("patient", "the patient", &["Patient"], None, "Patient/{{context.patientId}}"),
    key(
        "weights",
        "weights",
        OBSERVATION,
        None,
        "Observation?patient={{context.patientId}}&code=http://loinc.org|29463-7&_sort=-date&_count=20",
    ),
    key(
        "measured-weights",
        "measured weights",
        OBSERVATION,
        None,
        "Observation?patient={{context.patientId}}&code=http://loinc.org|3141-9&_sort=-date&_count=20",
    ),
    key(
        "heights",
        "heights",
        OBSERVATION,
        None,
        "Observation?patient={{context.patientId}}&code=http://loinc.org|8302-2&_sort=-date&_count=5",
    ),
    key(
        "lengths",
        "lengths",
        OBSERVATION,
        None,
        "Observation?patient={{context.patientId}}&code=http://loinc.org|8306-3&_sort=-date&_count=5",
    ),
    key(
        "birth-weight",
        "the birth weight",
        OBSERVATION,
        None,
        "Observation?patient={{context.patientId}}&code=http://loinc.org|8339-4&_count=5",
    ),
    key(
        "gestation",
        "the gestational age at birth",
        OBSERVATION,
        None,
        "Observation?patient={{context.patientId}}&code=http://loinc.org|11884-4&_count=5",
    ),
    key(
        "labs",
        "laboratory results",
        OBSERVATION,
        Some(ContextKind::Labs),
        "Observation?patient={{context.patientId}}&category=laboratory&_sort=-date&_count=200",
    ),
    key(
        "allergies",
        "allergies",
        &["AllergyIntolerance"],
        Some(ContextKind::Allergies),
        "AllergyIntolerance?patient={{context.patientId}}&_count=200",
    ),
    key(
        "conditions",
        "conditions",
        &["Condition"],
        Some(ContextKind::Conditions),
        "Condition?patient={{context.patientId}}&_count=200",
    ),
    key(
        "medicines",
        "medicines",
        &["MedicationRequest", "MedicationStatement", "MedicationUsage", "MedicationAdministration"],
        Some(ContextKind::Medicines),
        "MedicationRequest?patient={{context.patientId}}&status=active&_count=200",
    ),
    key(
        "orders",
        "other orders of the patient",
        &["NutritionOrder"],
        Some(ContextKind::OtherOrders),
        "NutritionOrder?patient={{context.patientId}}&status=active&_count=50",
    ),
    key(
        "devices",
        "tubes and other devices",
        &["DeviceUseStatement", "DeviceUsage", "Device"],
        Some(ContextKind::Devices),
        "DeviceUseStatement?patient={{context.patientId}}&_count=50",
    ),
    key(
        "procedures",
        "procedures",
        &["Procedure"],
        Some(ContextKind::Procedures),
        "Procedure?patient={{context.patientId}}&_sort=-date&_count=50",
    ),
    key("encounter", "the encounter", &["Encounter"], None, "Encounter/{{context.encounterId}}"),
];

impl Key {
    /// Its template in a FHIR version.
    pub fn template(&self, version: FhirVersion) -> String {
        match version {
            FhirVersion::R5 => self.template.replace("DeviceUseStatement?", "DeviceUsage?"),
            FhirVersion::R4 | FhirVersion::R4B => self.template.to_owned(),
        }
    }

    /// The one code it asks for, where it asks for one.
    pub fn asked_code(&self) -> Option<&'static str> {
        let (_, after) = self.template.split_once("code=")?;
        Some(after.split('&').next()?.split_once('|')?.1)
    }

    /// Templates by which the client may have searched: the service's own, and the institution's for the client's server;
    /// of every listed server where the request does not name one that is listed.
    fn in_use<'h>(&'h self, hooks: &'h Hooks, request: &Request) -> impl Iterator<Item = &'h str> {
        let named = request.server.as_deref().and_then(|address| hooks.server(address));
        let others = hooks.servers.iter().filter(move |server| named.is_none_or(|named| *server == named));
        let of_servers = others.filter_map(|server| server.templates.get(self.name)).map(String::as_str);
        std::iter::once(self.template).chain(of_servers)
    }

    /// Whether finding nothing means that there is none: no template in use asks for a part only.
    fn asks_for_all(&self, hooks: &Hooks, request: &Request) -> bool {
        let whole = |template: &str| {
            let (head, query) = template.split_once('?').unwrap_or((template, ""));
            asks_for_all(head, query)
        };
        self.kind.is_none() || self.in_use(hooks, request).all(whole)
    }
}

/// Whether the newest come first, so that further pages hold only what is older.
pub(super) fn newest_first(template: &str) -> bool {
    template.contains("_sort=-date")
}

/// What there is under a key.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum State {
    /// Resources.
    Present,
    /// The client looked, and there is none.
    Empty,
    /// The client did not send the key.
    Absent,
    /// The client could not get it. (what came instead)
    Error(String),
    /// Something else than was asked for. (what)
    Unusable(String),
}

impl State {
    /// One word for it.
    pub const fn word(&self) -> &'static str {
        match self {
            State::Present => "present",
            State::Empty => "empty",
            State::Absent => "absent",
            State::Error(_) => "error",
            State::Unusable(_) => "unusable",
        }
    }
}

/// A key with what was sent under it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sent {
    /// The key.
    pub key: &'static Key,
    /// What there is.
    pub state: State,
    /// Where.
    pub at: Option<At>,
    /// Why some of it is missing: further pages.
    pub in_part: Option<&'static str>,
    /// Whether it was fetched, or was to be, because the client did not send it.
    pub fetched: bool,
}

impl Sent {
    /// Why what it holds could not be looked at in full.
    pub fn lacks(&self) -> Option<String> {
        let what = self.key.what;
        match &self.state {
            State::Error(why) if self.fetched => Some(format!("{what} ({}): {why}", self.key.name)),
            State::Error(why) => Some(format!("{what} ({}): the client could not get them; {why}", self.key.name)),
            State::Unusable(why) => Some(format!("{what} ({}): not used, {why}", self.key.name)),
            State::Present => self.in_part.map(|why| {
                let part = if self.fetched { "fetched only in part; " } else { "" };
                format!("{what} ({}): {part}{why}", self.key.name)
            }),
            State::Empty | State::Absent => None,
        }
    }
}

/// Whose a resource is, as far as its own reference tells.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Whose {
    /// The patient the hook is about, or it cannot be told from the reference alone.
    Ours,
    /// Another person's.
    Another,
}

/// The state of every key. What was fetched stands in for what was not sent, and for what the client could not get.
pub fn keys(root: Node<'_>, request: &Request, fetched: &Fetched, hooks: &Hooks) -> Vec<Sent> {
    let prefetch = request.prefetch.map(|at| root.of_same_document(at));
    let holder = fetched.holder(root);
    let sent = |key: &'static Key| match prefetch.and_then(|p| p.get(key.name)) {
        None => Sent { key, state: State::Absent, at: None, in_part: None, fetched: false },
        Some(node) => {
            let (state, more) = look(node, key, request);
            let sorted = key.in_use(hooks, request).all(newest_first);
            let in_part = if more && !sorted { Some("only the first page was sent") } else { None };
            let state = if state == State::Empty && !key.asks_for_all(hooks, request) { part_only() } else { state };
            Sent { key, state, at: Some(node.at()), in_part, fetched: false }
        }
    };
    let of = |key: &'static Key| {
        let own = sent(key);
        if !matches!(own.state, State::Absent | State::Error(_)) {
            return own;
        }
        match (fetched.keys.get(key.name), holder.and_then(|h| h.get(key.name))) {
            (Some(Ok(found)), Some(node)) => {
                let got = got(node, key, request, found);
                let whole = got.state != State::Empty || key.asks_for_all(hooks, request);
                if whole { got } else { Sent { state: part_only(), ..got } }
            }
            (Some(Err(why)), _) if own.state == State::Absent => {
                Sent { state: State::Error(why.text().to_owned()), fetched: true, ..own }
            }
            _ => own,
        }
    };
    KEYS.iter().map(of).collect()
}

/// What an empty answer to a search for a part is.
fn part_only() -> State {
    State::Unusable("the institution's template asks for a part of them only, and nothing was found".to_owned())
}

/// What was fetched is looked at like what is sent.
fn got(node: Node<'_>, key: &'static Key, request: &Request, found: &Found) -> Sent {
    let (state, more) = look(node, key, request);
    let in_part = match found.cut {
        Some(why) => Some(why.text()),
        None if more && !found.enough => Some("there are further pages"),
        None => None,
    };
    // Of a search that was cut nothing at all may have come, which is not that there is none.
    let state = match (state, in_part) {
        (State::Empty, Some(why)) => State::Error(why.to_owned()),
        (state, _) => state,
    };
    Sent { key, state, at: Some(node.at()), in_part, fetched: true }
}

/// What stands under a key, and whether the server has more of it.
fn look(node: Node<'_>, key: &Key, request: &Request) -> (State, bool) {
    let unusable = |why: String| (State::Unusable(why), false);
    match node.kind() {
        Kind::Null => return (State::Empty, false),
        // What a proxy or a server in trouble answers.
        Kind::String => return (State::Error("a text came instead of a resource".to_owned()), false),
        Kind::Object => {}
        other => return unusable(format!("found {}, expected a resource", other.words())),
    }
    let Some(kind) = node.resource_type() else {
        return unusable("found an object without a resourceType, expected a resource".to_owned());
    };
    let searched = key.template.contains('?');
    match &*kind {
        "OperationOutcome" => (State::Error("an OperationOutcome came instead".to_owned()), false),
        "Bundle" if searched => bundle(node, key, request),
        own if key.types.contains(&own) => match whose(node, request) {
            Whose::Ours => (State::Present, false),
            Whose::Another => unusable(another(node)),
        },
        _ => unusable(format!("found a resource of another type, expected {}", expected(key, searched))),
    }
}

fn expected(key: &Key, searched: bool) -> String {
    let types = key.types.join(" or ");
    if searched { format!("a Bundle of {types}") } else { types }
}

fn bundle(node: Node<'_>, key: &Key, request: &Request) -> (State, bool) {
    let unusable = |why: String| (State::Unusable(why), false);
    if node.get("entry").is_some_and(|list| list.kind() != Kind::Array) {
        return unusable("its entry is no array".to_owned());
    }
    let mut found = 0_usize;
    for entry in node.get("entry").into_iter().flat_map(Node::items) {
        let Some(resource) = entry.get("resource").filter(|r| r.kind() == Kind::Object) else {
            return unusable("an entry holds no resource".to_owned());
        };
        let Some(kind) = resource.resource_type() else {
            return unusable("an entry holds an object without a resourceType".to_owned());
        };
        if kind == "OperationOutcome" {
            if is_failure(resource) {
                return (State::Error("the search ended in an OperationOutcome".to_owned()), false);
            }
            continue;
        }
        if whose(resource, request) == Whose::Another {
            return unusable(another(resource));
        }
        let mode = entry.get("search").and_then(|s| s.get("mode"));
        if key.types.contains(&&*kind) {
            found += 1;
        } else if !mode.is_some_and(|m| m.is_str("include")) {
            return unusable(format!("it holds a resource of another type, expected {}", expected(key, true)));
        }
    }
    let more =
        node.get("link").into_iter().flat_map(Node::items).any(|l| l.get("relation").is_some_and(|r| r.is_str("next")));
    let total = node.get("total").and_then(Node::decimal);
    if found == 0 {
        return if more || total.is_some_and(|t| !t.is_zero()) {
            unusable("it says that there is something, and holds nothing".to_owned())
        } else {
            (State::Empty, false)
        };
    }
    // A server that stops at a number of its own may name no further page.
    let fewer = total.is_some_and(|t| t.exact().floor() > i128::try_from(found).unwrap_or(i128::MAX));
    (State::Present, more || fewer)
}

fn another(node: Node<'_>) -> String {
    let kind = node.resource_type().unwrap_or_default();
    format!("it holds {} {kind} of another patient", if kind.starts_with(['A', 'E', 'O']) { "an" } else { "a" })
}

/// Whose a resource is. References inside the document (`#id`, `urn:`) and identifiers are left to the reader of the
/// patient, who resolves them.
pub fn whose(node: Node<'_>, request: &Request) -> Whose {
    if node.resource_type().as_deref() == Some("Patient") {
        let id = node.get("id").and_then(Node::as_str);
        return if id.as_deref() == Some(request.patient.as_str()) { Whose::Ours } else { Whose::Another };
    }
    let subject = node.get("subject").or_else(|| node.get("patient"));
    let Some(reference) = subject.and_then(|s| s.get("reference")).and_then(Node::as_str) else { return Whose::Ours };
    let (reference, _) = split_version(&reference);
    if reference.starts_with('#') || reference.starts_with("urn:") {
        return Whose::Ours;
    }
    let Some((rest, id)) = reference.rsplit_once('/') else { return Whose::Another };
    let (base, kind) = rest.rsplit_once('/').unwrap_or(("", rest));
    let same_server = base.is_empty() || request.server.as_deref().is_none_or(|server| server == base);
    if kind == "Patient" && id == request.patient && same_server { Whose::Ours } else { Whose::Another }
}
