//! Finding the orders and their context in one document, and resolving references inside it.
//!
//! The root may be a NutritionOrder, a Bundle of any type or Parameters; Bundles may hold Bundles (search
//! results). Nothing is ever fetched: a reference that leads out of the document leads nowhere.

use crate::exact::Exact;
use crate::intake::json::{self, Document, Node};
use crate::intake::order::{At, Problem, Text};
use crate::intake::resource_types;
use crate::intake::wire::datatypes::{found, shown};
use crate::intake::wire::{Resolution, Resolve};
use std::collections::{HashMap, HashSet};

/// Most Bundle entries, parameters and contained resources of one document.
pub const MOST_ENTRIES: usize = 1_000;
/// Most orders of one document.
pub const MOST_ORDERS: usize = 50;
/// Most Bundles and parameter parts inside each other.
const MOST_NESTED: usize = 8;

/// Bundle types of R4 and R5.
const BUNDLE_TYPES: [&str; 10] = [
    "document",
    "message",
    "transaction",
    "transaction-response",
    "batch",
    "batch-response",
    "history",
    "searchset",
    "collection",
    "subscription-notification",
];
/// Elements of a Bundle (`issues` is R5's).
const OF_A_BUNDLE: [&str; 13] = [
    "resourceType",
    "id",
    "meta",
    "implicitRules",
    "language",
    "identifier",
    "type",
    "timestamp",
    "total",
    "link",
    "entry",
    "signature",
    "issues",
];
/// Elements of an entry.
const OF_AN_ENTRY: [&str; 9] =
    ["id", "extension", "modifierExtension", "link", "fullUrl", "resource", "search", "request", "response"];
/// Elements of Parameters.
const OF_PARAMETERS: [&str; 6] = ["resourceType", "id", "meta", "implicitRules", "language", "parameter"];
/// Elements of a parameter, beside its value.
const OF_A_PARAMETER: [&str; 6] = ["id", "extension", "modifierExtension", "name", "resource", "part"];

/// Kinds of resources that are looked at.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[allow(missing_docs, reason = "FHIR's own names")]
pub enum ResourceKind {
    NutritionOrder,
    Patient,
    Group,
    Observation,
    AllergyIntolerance,
    Condition,
    /// MedicationRequest, and the other ways FHIR says that someone gets a medicine.
    Medication,
    NutritionProduct,
    Device,
    /// DeviceUseStatement (R4, R4B) or DeviceUsage (R5).
    DeviceUse,
    Encounter,
    Procedure,
    ServiceRequest,
    Other,
}

impl ResourceKind {
    pub(crate) fn of(resource_type: &str) -> Self {
        match resource_type {
            "NutritionOrder" => Self::NutritionOrder,
            "Patient" => Self::Patient,
            "Group" => Self::Group,
            "Observation" => Self::Observation,
            "AllergyIntolerance" => Self::AllergyIntolerance,
            "Condition" => Self::Condition,
            "MedicationRequest" | "MedicationStatement" | "MedicationUsage" | "MedicationAdministration" => {
                Self::Medication
            }
            "NutritionProduct" => Self::NutritionProduct,
            "Device" => Self::Device,
            "DeviceUseStatement" | "DeviceUsage" => Self::DeviceUse,
            "Encounter" => Self::Encounter,
            "Procedure" => Self::Procedure,
            "ServiceRequest" => Self::ServiceRequest,
            _ => Self::Other,
        }
    }

    /// The kind a part is about by its name alone (a parameter's name, a prefetch key), for answers that
    /// say "none".
    fn of_label(label: &str) -> Option<Self> {
        Some(match label.to_ascii_lowercase().replace(['-', '_'], "").trim_end_matches('s') {
            "allergy" | "allergie" | "allergyintolerance" => Self::AllergyIntolerance,
            "condition" | "problem" | "diagnosi" | "diagnose" => Self::Condition,
            "medication" | "medicine" | "medicationrequest" => Self::Medication,
            "device" => Self::Device,
            "deviceuse" | "deviceusage" | "deviceusestatement" => Self::DeviceUse,
            "order" | "otherorder" | "nutritionorder" => Self::NutritionOrder,
            "encounter" => Self::Encounter,
            "procedure" => Self::Procedure,
            "observation" | "lab" | "laboratory" | "laboratorie" | "weight" | "height" => Self::Observation,
            _ => return None,
        })
    }
}

/// One resource of the document.
#[derive(Clone, Debug)]
pub struct Resource<'d> {
    /// The resource.
    pub node: Node<'d>,
    /// What it is.
    pub kind: ResourceKind,
    /// Its `resourceType`.
    pub type_name: Text<'d>,
    /// Its `id`.
    pub id: Option<Text<'d>>,
    /// `fullUrl` of its entry.
    pub full_url: Option<Text<'d>>,
    /// The resource it is contained in.
    pub contained_in: Option<At>,
    /// An earlier resource of the document that this is an exact copy of.
    pub copy_of: Option<At>,
    /// Whose it is: its `subject` or `patient`; a Patient is its own.
    pub subject: Subject<'d>,
    /// The Bundle it is an entry of.
    bundle: Option<At>,
}

/// Whose a resource is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Subject<'d> {
    /// It names nobody.
    Nobody,
    /// It names somebody.
    Of(Identity<'d>),
}

/// Who is meant by a reference to a person.
#[derive(Clone, Debug, PartialEq, Eq, Default)]
pub struct Identity<'d> {
    /// The resource in this document.
    pub resolved: Option<At>,
    /// The reference fits several different resources of this document.
    pub ambiguous: bool,
    /// The reference as written, without a version.
    pub text: Option<Text<'d>>,
    /// The reference with the server's base, where that is known.
    pub absolute: Option<Text<'d>>,
    /// `identifier` of the reference: system and value.
    pub identifier: Option<(Option<Text<'d>>, Text<'d>)>,
}

impl Identity<'_> {
    /// Whether both surely mean the same person.
    pub fn same(&self, other: &Identity<'_>) -> bool {
        if self.ambiguous || other.ambiguous {
            return false;
        }
        match (self.resolved, other.resolved) {
            (Some(a), Some(b)) => return a == b,
            (None, None) => {}
            _ => return false,
        }
        match (&self.absolute, &other.absolute) {
            (Some(a), Some(b)) => a == b,
            _ => match (&self.text, &other.text) {
                (Some(a), Some(b)) => a == b,
                _ => match (&self.identifier, &other.identifier) {
                    (Some(a), Some(b)) => a.0 == b.0 && a.1 == b.1,
                    _ => false,
                },
            },
        }
    }
}

/// A search that was answered with nothing: "looked, and there is none", which is not the same as silence.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct EmptySearch<'d> {
    /// What was searched.
    pub of: ResourceKind,
    /// The search was for laboratory results.
    pub laboratory: bool,
    /// Whom the search was for, as its `patient` or `subject` parameter has it.
    pub patient: Option<Text<'d>>,
    /// Where.
    pub at: At,
}

/// One part of a document that is not FHIR as a whole (such as a hook request).
#[derive(Clone, Debug)]
pub struct Part<'d> {
    /// The resource, or `null` for "looked, and there is none".
    pub node: Node<'d>,
    /// Its name in the document, e.g. a prefetch key.
    pub label: Option<&'d str>,
    /// `fullUrl` of the entry it stands in, where the part is one entry's resource.
    pub full_url: Option<Text<'d>>,
    /// Whether NutritionOrders in it are to be checked; otherwise they are context.
    pub orders: bool,
}

/// The orders and the context of one document.
#[derive(Clone, Debug)]
pub struct Gathered<'d> {
    /// The orders to check, in document order.
    pub orders: Vec<Node<'d>>,
    /// Every resource, orders and contained ones included, in document order.
    pub resources: Vec<Resource<'d>>,
    /// Searches that found nothing.
    pub empty: Vec<EmptySearch<'d>>,
    /// What was wrong with the document as a whole.
    pub problems: Vec<Problem>,
    /// How many different persons the document is about.
    pub patients: usize,
    index: Option<Index<'d>>,
}

/// Only built when there is more than one resource. Values are positions in `resources`.
#[derive(Clone, Debug, Default)]
struct Index<'d> {
    by_url: HashMap<Text<'d>, Slot>,
    by_type_and_id: HashMap<(Text<'d>, Text<'d>), Vec<usize>>,
}

#[derive(Clone, Copy, Debug)]
struct Slot {
    first: usize,
    ambiguous: bool,
}

impl Gathered<'_> {
    const fn nothing() -> Self {
        Self {
            orders: Vec::new(),
            resources: Vec::new(),
            empty: Vec::new(),
            problems: Vec::new(),
            patients: 0,
            index: None,
        }
    }
}

/// What is wrong with a Bundle whose entries are taken out one by one ([`Part`]): elements that FHIR does not have there, what
/// may change what the rest means, and what says that something is not in it (`incomplete`). Nothing of what the resources in
/// it hold.
pub fn defects(bundle: Node<'_>) -> Vec<Problem> {
    let mut out = Gathered::nothing();
    let mut collector = Collector::new(&mut out);
    collector.strangers(bundle, "a Bundle", &OF_A_BUNDLE, false);
    let mut sent = 0_usize;
    for entry in bundle.get("entry").into_iter().flat_map(Node::items) {
        collector.strangers(entry, "an entry", &OF_AN_ENTRY, false);
        match entry.get("resource") {
            None => collector.without_resource(entry),
            Some(resource) if resource.resource_type().as_deref() == Some("OperationOutcome") => {
                collector.outcome(resource);
            }
            Some(_) => {
                collector.could_not_be_had(entry);
                sent += 1;
            }
        }
    }
    collector.further.extend(linked(bundle, "next").map(|next| (None, next.at())));
    collector.tell_of_further_pages();
    let sent = Exact::int(i64::try_from(sent).unwrap_or(i64::MAX));
    if let Some(total) = bundle.get("total").filter(|t| t.decimal().is_none_or(|total| total.exact() > sent)) {
        let text =
            format!("total says {}, more than the {sent} that were sent; the rest was not looked at", found(total));
        collector.problem(total.at(), "incomplete", true, text);
    }
    out.problems
}

/// The link of a Bundle with that relation.
fn linked<'d>(bundle: Node<'d>, relation: &str) -> Option<Node<'d>> {
    let mut links = bundle.get("link").into_iter().flat_map(Node::items);
    links.find(|l| l.get("relation").is_some_and(|r| r.is_str(relation)))
}

/// Finds every NutritionOrder and every other resource of the document.
pub fn gather<'d>(document: &'d Document<'d>) -> Gathered<'d> {
    gather_parts(document.root(), &[Part { node: document.root(), label: None, full_url: None, orders: true }])
}

/// The same for named parts of a document. `root` is named when nothing better can be.
pub fn gather_parts<'d>(root: Node<'d>, parts: &[Part<'d>]) -> Gathered<'d> {
    let mut out = Gathered::nothing();
    let mut collector = Collector::new(&mut out);
    for part in parts {
        let label = part.label.map(Text::Borrowed);
        if part.node.kind() == json::Kind::Null {
            collector.nothing(part.node, label.as_deref());
        } else {
            collector.resource(
                part.node,
                Place {
                    looked_through: label.is_some(),
                    label,
                    full_url: part.full_url.clone(),
                    orders: part.orders,
                    ..Place::default()
                },
            );
        }
    }
    collector.tell_of_further_pages();
    out.resources.sort_by_key(|r| r.node.at());
    out.orders.sort_by_key(|node| node.at());
    if out.orders.is_empty() {
        let text = "no NutritionOrder was found; expected one, or a Bundle or Parameters that holds one".to_owned();
        out.problems.push(Problem { at: root.at(), text, code: "required", grave: true });
    }
    if out.resources.len() > 1 {
        out.build_index();
    }
    out.name_subjects();
    out
}

/// Where a resource stands.
#[derive(Clone, Default)]
struct Place<'d> {
    label: Option<Text<'d>>,
    full_url: Option<Text<'d>>,
    bundle: Option<At>,
    orders: bool,
    depth: usize,
    /// A part that was sent under a name: who took it from there has seen whether it is a whole search result.
    looked_through: bool,
}

struct Collector<'d, 'g> {
    out: &'g mut Gathered<'d>,
    entries: usize,
    full: bool,
    /// Addresses of the pages of search results that were sent.
    pages: HashSet<Text<'d>>,
    /// Further pages that a search result names: its address, and where.
    further: Vec<(Option<Text<'d>>, At)>,
}

impl<'d, 'g> Collector<'d, 'g> {
    fn new(out: &'g mut Gathered<'d>) -> Self {
        Self { out, entries: 0, full: false, pages: HashSet::new(), further: Vec::new() }
    }

    fn problem(&mut self, at: At, code: &'static str, grave: bool, text: String) {
        self.out.problems.push(Problem { at, text, code, grave });
    }

    /// Counts an entry; `false` once there are too many.
    fn room(&mut self, at: At) -> bool {
        self.entries += 1;
        if self.entries > MOST_ENTRIES && !self.full {
            self.full = true;
            let text =
                format!("more than {MOST_ENTRIES} entries and contained resources; from here on nothing was read");
            self.problem(at, "too-costly", true, text);
        }
        !self.full
    }

    fn resource(&mut self, node: Node<'d>, place: Place<'d>) {
        let Some(type_name) = node.get("resourceType").and_then(Node::as_str) else {
            self.problem(
                node.at(),
                "structure",
                true,
                format!("found {} without a resourceType, expected a resource", found(node)),
            );
            return;
        };
        match type_name.as_ref() {
            "Bundle" | "Parameters" if place.depth >= MOST_NESTED => {
                let text = format!("more than {MOST_NESTED} Bundles or Parameters inside each other; not read");
                self.problem(node.at(), "too-costly", true, text);
            }
            "Bundle" => self.bundle(node, place),
            "Parameters" => {
                self.strangers(node, "Parameters", &OF_PARAMETERS, false);
                self.parameters(node, "parameter", place);
            }
            "OperationOutcome" => self.outcome(node),
            _ => self.take(node, type_name, place),
        }
    }

    /// An OperationOutcome in the place of what was asked for. Of what, it does not say.
    fn outcome(&mut self, node: Node<'d>) {
        if is_failure(node) {
            let text = "an OperationOutcome says that something could not be had; what that is was not looked at";
            self.problem(node.at(), "incomplete", true, text.to_owned());
        }
    }

    /// Elements that FHIR does not have in that place: what a sender put there is not looked at.
    fn strangers(&mut self, node: Node<'d>, of: &str, known: &[&str], values: bool) {
        for (name, member) in node.members() {
            let own = name.strip_prefix('_').unwrap_or(&name);
            let is_value = values
                && own.strip_prefix("value").is_some_and(|rest| rest.starts_with(|c: char| c.is_ascii_uppercase()));
            if !is_value && !known.contains(&own) {
                let text = format!("{of} has no element {}; what is in it was not looked at", shown(&name));
                self.problem(member.at(), "structure", true, text);
            } else if matches!(own, "implicitRules" | "modifierExtension") {
                let text = format!("{own} of {of} may change what the rest means; it is not known here");
                self.problem(member.at(), "extension", true, text);
            }
        }
    }

    /// The items of an array that holds entries or parameters.
    fn list(&mut self, node: Node<'d>, name: &str) -> impl Iterator<Item = Node<'d>> + use<'d> {
        let list = node.get(name);
        if let Some(other) = list.filter(|list| list.kind() != json::Kind::Array) {
            let text = format!("{name}: found {}, expected an array", found(other));
            self.problem(other.at(), "structure", true, text);
        }
        list.into_iter().flat_map(Node::items)
    }

    fn known_type(&mut self, node: Node<'d>, type_name: &str) {
        if !resource_types::is_known(type_name) {
            let text = format!("FHIR has no resource type {}; this resource was not looked at", shown(type_name));
            self.problem(node.at(), "structure", true, text);
        }
    }

    fn take(&mut self, node: Node<'d>, type_name: Text<'d>, place: Place<'d>) {
        let kind = ResourceKind::of(&type_name);
        self.known_type(node, &type_name);
        if kind == ResourceKind::NutritionOrder && place.orders {
            if self.out.orders.len() < MOST_ORDERS {
                self.out.orders.push(node);
            } else if self.out.orders.len() == MOST_ORDERS && !self.full {
                self.full = true;
                let text = format!("more than {MOST_ORDERS} orders; from here on nothing was read");
                self.problem(node.at(), "too-costly", true, text);
            }
        }
        let at = node.at();
        let id = node.get("id").and_then(Node::as_str);
        if let (Some(url), Some(id)) = (&place.full_url, &id)
            && let Some((_, own_type, own_id)) = restful(url)
            && (own_type != type_name || own_id != id)
        {
            let text = format!("the fullUrl {} is not that of {type_name}/{id}", shown(url));
            self.problem(at, "invariant", true, text);
        }
        self.out.resources.push(Resource {
            node,
            kind,
            type_name,
            id,
            full_url: place.full_url,
            contained_in: None,
            copy_of: None,
            subject: Subject::Nobody,
            bundle: place.bundle,
        });
        for inner in self.list(node, "contained") {
            if !self.room(inner.at()) {
                return;
            }
            let Some(type_name) = inner.get("resourceType").and_then(Node::as_str) else {
                let text = format!("contained: found {} without a resourceType, expected a resource", found(inner));
                self.problem(inner.at(), "structure", true, text);
                continue;
            };
            self.known_type(inner, &type_name);
            if ResourceKind::of(&type_name) == ResourceKind::NutritionOrder {
                let text = "an order inside another resource is not checked: it is looked for as an entry of its own";
                self.problem(inner.at(), "not-supported", true, text.to_owned());
            }
            self.out.resources.push(Resource {
                node: inner,
                kind: ResourceKind::of(&type_name),
                type_name,
                id: inner.get("id").and_then(Node::as_str),
                full_url: None,
                contained_in: Some(at),
                copy_of: None,
                subject: Subject::Nobody,
                bundle: None,
            });
        }
    }

    fn bundle(&mut self, node: Node<'d>, place: Place<'d>) {
        self.strangers(node, "a Bundle", &OF_A_BUNDLE, false);
        let kind = node.get("type").and_then(Node::as_str);
        let is_search = kind.as_deref() == Some("searchset");
        // The name that a part was sent under says what kind of Bundle it is.
        if !place.looked_through {
            match (node.get("type"), kind) {
                (None, _) => {
                    let text = format!("the Bundle has no type, expected one of {}", BUNDLE_TYPES.join(", "));
                    self.problem(node.at(), "required", true, text);
                }
                (Some(_), Some(kind)) if BUNDLE_TYPES.contains(&&*kind) => {}
                (Some(other), _) => {
                    let text = format!("type: found {}, expected one of {}", found(other), BUNDLE_TYPES.join(", "));
                    self.problem(other.at(), "code-invalid", true, text);
                }
            }
        }
        let (mut matches, mut failed) = (0usize, None);
        for entry in self.list(node, "entry") {
            if !self.room(entry.at()) {
                return;
            }
            self.strangers(entry, "an entry", &OF_AN_ENTRY, false);
            let full_url = entry.get("fullUrl").and_then(Node::as_str);
            let Some(resource) = entry.get("resource") else {
                self.without_resource(entry);
                continue;
            };
            self.could_not_be_had(entry);
            if resource.get("resourceType").is_some_and(|t| t.is_str("OperationOutcome")) {
                if is_search && is_failure(resource) {
                    failed = Some(resource.at());
                    continue;
                }
            } else if !entry.get("search").and_then(|s| s.get("mode")).is_some_and(|mode| mode.is_str("include")) {
                matches += 1;
            }
            self.resource(
                resource,
                Place {
                    full_url,
                    bundle: Some(node.at()),
                    orders: place.orders,
                    depth: place.depth + 1,
                    ..Place::default()
                },
            );
        }
        let linked = |relation: &str| linked(node, relation);
        if !place.looked_through {
            let address = |link: Node<'d>| link.get("url").and_then(Node::as_str);
            self.pages.extend(linked("self").and_then(address));
            self.further.extend(linked("next").map(|next| (address(next), next.at())));
        }
        if is_search {
            let one_page = !["next", "previous", "prev"].iter().any(|relation| linked(relation).is_some());
            self.search(node, &place, (matches, one_page, failed));
        }
    }

    /// Entries of requests, responses and deletions have no resource.
    fn without_resource(&mut self, entry: Node<'d>) {
        let method = entry.get("request").and_then(|r| r.get("method"));
        if !self.could_not_be_had(entry)
            && entry.get("response").is_none()
            && method.is_none_or(|m| m.is_str("POST") || m.is_str("PUT"))
        {
            // A path cannot name a null.
            let nth = entry.index().unwrap_or_default();
            let text = format!("entry[{nth}]: found {}, expected an entry that holds a resource", held(entry));
            self.problem(entry.at(), "structure", true, text);
        }
    }

    /// Whether an entry's response says so, whatever came beside it.
    fn could_not_be_had(&mut self, entry: Node<'d>) -> bool {
        let status = entry.get("response").and_then(|r| r.get("status")).and_then(Node::as_str);
        let failed = status.is_some_and(|status| status.starts_with(['4', '5']));
        if failed {
            let text = "what this entry was to bring could not be had; it was not looked at";
            self.problem(entry.at(), "incomplete", true, text.to_owned());
        }
        failed
    }

    /// A page that a search result names, and that was not sent, may hold what would be found.
    fn tell_of_further_pages(&mut self) {
        for (address, at) in std::mem::take(&mut self.further) {
            if !address.is_some_and(|address| self.pages.contains(&address)) {
                let text = "this search result has further pages that were not sent; what is on them was not looked at";
                self.problem(at, "incomplete", true, text.to_owned());
            }
        }
    }

    /// What a search result says beyond its entries: that there is nothing, or that there is more.
    fn search(&mut self, node: Node<'d>, place: &Place<'d>, (matches, one_page, failed): (usize, bool, Option<At>)) {
        let label = place.label.as_deref();
        let link = |relation: &str| linked(node, relation);
        if let Some(at) = failed {
            let text = "this search failed in part; what else there is was not looked at".to_owned();
            self.problem(at, "incomplete", true, text);
            return;
        }
        let total = node.get("total").and_then(Node::decimal);
        let sent = Exact::int(i64::try_from(matches).unwrap_or(i64::MAX));
        let more = total.filter(|total| total.exact() > sent);
        if let Some(total) = node.get("total").filter(|_| more.is_some() && one_page && !place.looked_through) {
            let text = format!("this search found more than the {matches} that were sent; the rest was not looked at");
            self.problem(total.at(), "incomplete", true, text);
        }
        if matches > 0 || more.is_some() || link("next").is_some() {
            return;
        }
        let url = link("self").and_then(|l| l.get("url")).and_then(Node::as_str);
        let Some(url) = url else { return self.nothing(node, label) };
        let (path, query) = url.split_once('?').unwrap_or((&url, ""));
        let path = path.trim_end_matches('/').trim_end_matches("/_search");
        let searched = path.rsplit('/').next().unwrap_or_default();
        let kind = match ResourceKind::of(searched) {
            ResourceKind::Other => None,
            kind => Some(kind),
        };
        // Of a part of what there is, nothing was found: it is not known whether there is any. Who was given nothing yet may
        // have been ordered something.
        let part = kind == Some(ResourceKind::Medication) && searched != "MedicationRequest";
        if part || !asks_for_all(searched, query) {
            return;
        }
        let Some(kind) = kind else { return self.nothing(node, label) };
        let value = |name: &str| {
            query.split('&').filter_map(|pair| pair.split_once('=')).find_map(|(key, value)| {
                let key = key.split(':').next().unwrap_or_default();
                (key == name).then(|| value.to_owned())
            })
        };
        self.out.empty.push(EmptySearch {
            of: kind,
            laboratory: value("category").is_some_and(|c| c.ends_with("laboratory")),
            patient: value("patient").or_else(|| value("subject")).map(Text::Owned),
            at: node.at(),
        });
    }

    /// Nothing, under a name that says of what.
    fn nothing(&mut self, node: Node<'d>, label: Option<&str>) {
        if let Some(of) = label.and_then(ResourceKind::of_label) {
            let laboratory = label.is_some_and(|l| l.to_ascii_lowercase().starts_with("lab"));
            self.out.empty.push(EmptySearch { of, laboratory, patient: None, at: node.at() });
        }
    }

    /// `Parameters.parameter`, or the `part` of one. Parameters named `other-order`, `other-orders` or
    /// `context` hold context, not orders to check.
    fn parameters(&mut self, node: Node<'d>, name: &str, place: Place<'d>) {
        for parameter in self.list(node, name) {
            if !self.room(parameter.at()) {
                return;
            }
            if parameter.kind() != json::Kind::Object {
                let text = format!("found {}, expected a parameter", found(parameter));
                self.problem(parameter.at(), "structure", true, text);
            }
            self.strangers(parameter, "a parameter", &OF_A_PARAMETER, true);
            let label = parameter.get("name").and_then(Node::as_str);
            let context = label.as_deref().is_some_and(|l| matches!(l, "other-order" | "other-orders" | "context"));
            let inner = Place { label, orders: place.orders && !context, depth: place.depth + 1, ..Place::default() };
            if parameter.get("part").is_some() {
                if place.depth >= MOST_NESTED {
                    let text = format!("more than {MOST_NESTED} parameter parts inside each other; not read");
                    self.problem(parameter.at(), "too-costly", true, text);
                } else {
                    self.parameters(parameter, "part", inner.clone());
                }
            }
            if let Some(resource) = parameter.get("resource") {
                self.resource(resource, inner);
            }
        }
    }
}

fn held(entry: Node<'_>) -> String {
    if entry.kind() == json::Kind::Object { "no resource".to_owned() } else { found(entry) }
}

/// Whether a search asks for all that counts of a kind of one patient, so that finding nothing means that there is none:
/// parameters that narrow it say nothing of the rest. `of` is the type of resource that is searched, `query` what stands
/// behind the question mark.
pub fn asks_for_all(of: &str, query: &str) -> bool {
    query.split('&').filter(|pair| !pair.is_empty()).all(|pair| {
        let (name, value) = pair.split_once('=').unwrap_or((pair, ""));
        let value = value.replace("%2C", ",").replace("%2c", ",").replace("%7C", "|").replace("%7c", "|");
        // Each of the codes, without its system.
        let codes: Vec<&str> = value.split(',').map(|token| token.rsplit('|').next().unwrap_or_default()).collect();
        let has = |all: &[&str]| all.iter().all(|code| codes.contains(code));
        match name {
            // Of none that were asked for nothing is told.
            "_count" => value != "0",
            "patient" | "subject" | "patient:Patient" | "subject:Patient" | "_sort" | "_format" | "_pretty"
            | "_total" | "_elements" => true,
            _ if ["_include", "_revinclude"].iter().any(|include| name.starts_with(include)) => true,
            "category" => of == "Observation" && has(&["laboratory"]),
            "status" => match of {
                "MedicationRequest" | "NutritionOrder" | "DeviceUseStatement" | "DeviceUsage" | "Device"
                | "ServiceRequest" => has(&["active"]),
                // R4 and R5.
                "MedicationStatement" | "MedicationUsage" => has(&["active", "intended"]) || has(&["recorded"]),
                // What was given lately counts too.
                "MedicationAdministration" => has(&["in-progress", "completed"]),
                _ => false,
            },
            // A search for `active` does not find what has come back (recurrence, relapse).
            "clinical-status" => match of {
                "AllergyIntolerance" => has(&["active"]),
                "Condition" => has(&["active", "recurrence", "relapse"]),
                _ => false,
            },
            _ => false,
        }
    })
}

/// Whether an OperationOutcome says that something went wrong, or does not say that nothing did.
pub fn is_failure(outcome: Node<'_>) -> bool {
    let harmless = |issue: Node<'_>| {
        issue.get("severity").is_some_and(|own| ["warning", "information", "success"].iter().any(|s| own.is_str(s)))
    };
    let mut issues = outcome.get("issue").into_iter().flat_map(Node::items).peekable();
    issues.peek().is_none() || !issues.all(harmless)
}

/// A reference, and the version it asks for.
pub fn split_version(reference: &str) -> (&str, Option<&str>) {
    const MARK: &str = "/_history/";
    // Underscores are rare in references: looked for first, a search for the whole mark costs more.
    let mut from = 0;
    while let Some(found) = reference.as_bytes().get(from..).and_then(|rest| memchr::memchr(b'_', rest)) {
        let at = from + found;
        if let Some(before) = at.checked_sub(1)
            && let Some(version) = reference.get(before..).and_then(|rest| rest.strip_prefix(MARK))
        {
            return (reference.get(..before).unwrap_or_default(), Some(version));
        }
        from = at + 1;
    }
    (reference, None)
}

/// Whether a scheme and an authority stand in front.
fn is_absolute(reference: &str) -> bool {
    memchr::memchr_iter(b':', reference.as_bytes())
        .any(|at| reference.get(at..).is_some_and(|rest| rest.starts_with("://")))
}

/// Splits a RESTful URL into its base (with the last slash), type and id.
fn restful(url: &str) -> Option<(&str, &str, &str)> {
    if !(url.starts_with("http://") || url.starts_with("https://")) {
        return None;
    }
    let (url, _) = split_version(url);
    let (rest, id) = url.rsplit_once('/')?;
    let (base, resource_type) = rest.rsplit_once('/')?;
    let base = url.get(..base.len() + 1)?;
    (is_type(resource_type) && is_id(id)).then_some((base, resource_type, id))
}

/// A literal reference to a resource of a server: its base (empty where it is relative), type and id.
pub fn type_and_id(reference: &str) -> Option<(&str, &str, &str)> {
    restful(reference).or_else(|| {
        let (kind, id) = split_version(reference).0.split_once('/')?;
        (is_type(kind) && is_id(id)).then_some(("", kind, id))
    })
}

fn is_type(text: &str) -> bool {
    text.starts_with(|c: char| c.is_ascii_uppercase()) && text.bytes().all(|b| b.is_ascii_alphanumeric())
}

fn is_id(text: &str) -> bool {
    (1..=64).contains(&text.len()) && text.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-' || b == b'.')
}

impl<'d> Gathered<'d> {
    /// The resource at a place.
    pub fn resource(&self, at: At) -> Option<&Resource<'d>> {
        self.position(at).and_then(|ix| self.resources.get(ix))
    }

    /// Resources of one kind, without exact copies of earlier ones.
    pub fn of_kind(&self, kind: ResourceKind) -> impl Iterator<Item = &Resource<'d>> {
        self.resources.iter().filter(move |r| r.kind == kind && r.copy_of.is_none())
    }

    /// Who is meant by a Reference.
    pub fn identity(&self, reference: Node<'d>) -> Identity<'d> {
        let mut out = Identity::default();
        if let Some(written) = reference.get("reference").and_then(Node::as_str) {
            match self.resolve(reference.at(), &written) {
                Resolution::Found(at) | Resolution::FoundByTypeAndId(at) => out.resolved = Some(at),
                Resolution::Ambiguous => out.ambiguous = true,
                Resolution::NotHere => {}
            }
            let text = match split_version(&written) {
                (_, None) => written,
                (before, Some(_)) => Text::Owned(before.to_owned()),
            };
            if is_absolute(&text) || text.starts_with("urn:") {
                out.absolute = Some(text.clone());
            } else if !text.starts_with('#')
                && let Some(base) = self.base_of(reference.at())
            {
                out.absolute = Some(Text::Owned(format!("{base}{text}")));
            }
            out.text = Some(text);
        }
        if let Some(identifier) = reference.get("identifier")
            && let Some(value) = identifier.get("value").and_then(Node::as_str)
        {
            let system = identifier.get("system").and_then(Node::as_str);
            if out.text.is_none() {
                out.resolved = self.patient_with(system.as_deref(), &value);
            }
            out.identifier = Some((system, value));
        }
        out
    }

    /// The one Patient with that identifier.
    fn patient_with(&self, system: Option<&str>, value: &str) -> Option<At> {
        let mut hits = self.of_kind(ResourceKind::Patient).filter(|patient| {
            patient.node.get("identifier").into_iter().flat_map(Node::items).any(|own| {
                own.get("value").is_some_and(|v| v.is_str(value))
                    && own.get("system").and_then(Node::as_str).as_deref() == system
            })
        });
        let first = hits.next()?;
        hits.next().is_none().then(|| first.node.at())
    }

    fn position(&self, at: At) -> Option<usize> {
        self.resources.binary_search_by_key(&at, |r| r.node.at()).ok()
    }

    /// The outermost resource around a node (never a Bundle or Parameters).
    fn outermost(&self, from: At) -> Option<&Resource<'d>> {
        let after = self.resources.partition_point(|r| r.node.at() <= from);
        let inner = self.resources.get(after.checked_sub(1)?)?;
        match inner.contained_in {
            None => Some(inner),
            Some(outer) => self.resource(outer),
        }
    }

    /// The server base of the entry a node stands in.
    fn base_of(&self, from: At) -> Option<&str> {
        self.outermost(from)?.full_url.as_deref().and_then(restful).map(|(base, _, _)| base)
    }

    fn build_index(&mut self) {
        let mut index = Index {
            by_url: HashMap::with_capacity(self.resources.len()),
            by_type_and_id: HashMap::with_capacity(self.resources.len()),
        };
        let mut copies: Vec<(usize, At)> = Vec::new();
        for (ix, resource) in self.resources.iter().enumerate() {
            if resource.contained_in.is_some() {
                continue;
            }
            let mut copy_of = None;
            if let Some(url) = &resource.full_url {
                match index.by_url.get_mut(url) {
                    None => {
                        index.by_url.insert(url.clone(), Slot { first: ix, ambiguous: false });
                    }
                    Some(slot) => {
                        let Some(earlier) = self.resources.get(slot.first) else { continue };
                        let identical = earlier.node.raw() == resource.node.raw();
                        if identical {
                            copy_of = Some(earlier.node.at());
                        } else {
                            slot.ambiguous = true;
                        }
                        let versions = version_of(earlier.node).zip(version_of(resource.node));
                        let history = versions.is_some_and(|(a, b)| a != b);
                        // Between search results, the same resource may well come twice.
                        if !identical || earlier.bundle == resource.bundle {
                            let text = format!(
                                "the fullUrl {} stands on two entries{}; expected it once",
                                shown(url),
                                if identical { "" } else { " that differ" },
                            );
                            let grave = !identical && !history;
                            self.problems.push(Problem { at: resource.node.at(), text, code: "duplicate", grave });
                        }
                    }
                }
            }
            if let Some(id) = &resource.id {
                let known = index.by_type_and_id.entry((resource.type_name.clone(), id.clone())).or_default();
                if copy_of.is_none() && resource.full_url.is_none() {
                    let twin = known
                        .iter()
                        .filter_map(|other| self.resources.get(*other))
                        .find(|other| other.full_url.is_none() && other.node.raw() == resource.node.raw());
                    copy_of = twin.map(|other| other.node.at());
                }
                if copy_of.is_none() {
                    known.push(ix);
                }
            }
            copies.extend(copy_of.map(|at| (ix, at)));
        }
        for (ix, at) in copies {
            if let Some(resource) = self.resources.get_mut(ix) {
                resource.copy_of = Some(at);
            }
        }
        self.index = Some(index);
    }

    fn name_subjects(&mut self) {
        // Most resources name the same patient in the same words.
        let mut last: Option<(Text<'d>, Option<&str>, Identity<'d>)> = None;
        let mut subjects: Vec<Subject<'d>> = Vec::with_capacity(self.resources.len());
        for resource in &self.resources {
            let reference = match resource.kind {
                ResourceKind::Patient => {
                    let resolved = Some(resource.copy_of.unwrap_or(resource.node.at()));
                    subjects.push(Subject::Of(Identity { resolved, ..Identity::default() }));
                    continue;
                }
                ResourceKind::NutritionProduct | ResourceKind::Group => None,
                _ => resource.node.get("subject").or_else(|| resource.node.get("patient")),
            };
            let Some(reference) = reference else {
                subjects.push(Subject::Nobody);
                continue;
            };
            let base = resource.full_url.as_deref().and_then(restful).map(|(base, _, _)| base);
            let alike = resource.contained_in.is_none() && reference.get("identifier").is_none();
            let written = reference.get("reference").and_then(Node::as_str);
            let identity = match (written.filter(|text| alike && !text.starts_with('#')), &last) {
                (Some(written), Some((text, of, identity))) if *text == written && *of == base => identity.clone(),
                (Some(written), _) => {
                    let identity = self.identity(reference);
                    last = Some((written, base, identity.clone()));
                    identity
                }
                (None, _) => self.identity(reference),
            };
            let nobody = identity == Identity::default();
            subjects.push(if nobody { Subject::Nobody } else { Subject::Of(identity) });
        }
        let mut persons: Vec<&Identity<'d>> = Vec::new();
        for subject in &subjects {
            if let Subject::Of(identity) = subject
                && !persons.iter().any(|known| known.same(identity))
            {
                persons.push(identity);
            }
        }
        self.patients = persons.len();
        for (resource, subject) in self.resources.iter_mut().zip(subjects) {
            resource.subject = subject;
        }
    }

    fn by_url(&self, index: &Index<'d>, url: &str, version: Option<&str>) -> Option<Resolution> {
        let slot = index.by_url.get(url)?;
        if slot.ambiguous {
            // A reference to one version may still be clear.
            let mut hits = self.resources.iter().filter(|r| {
                r.full_url.as_deref() == Some(url)
                    && version.is_some_and(|v| version_of(r.node).is_some_and(|own| own == v))
            });
            return Some(match (hits.next(), hits.next()) {
                (Some(one), None) => Resolution::Found(one.node.at()),
                _ => Resolution::Ambiguous,
            });
        }
        let resource = self.resources.get(slot.first)?;
        Some(if is_version(resource.node, version) {
            Resolution::Found(resource.node.at())
        } else {
            Resolution::NotHere
        })
    }

    /// Resources of that type and id that the entries' own URLs do not place elsewhere.
    fn by_type_and_id(
        &self,
        index: &Index<'d>,
        reference: (&str, &str),
        version: Option<&str>,
        allowed: impl Fn(&Resource<'d>) -> bool,
    ) -> Resolution {
        let key = (Text::Owned(reference.0.to_owned()), Text::Owned(reference.1.to_owned()));
        let known = index.by_type_and_id.get(&key).map(Vec::as_slice).unwrap_or_default();
        let mut hits =
            known.iter().filter_map(|ix| self.resources.get(*ix)).filter(|r| allowed(r) && is_version(r.node, version));
        match (hits.next(), hits.next()) {
            (None, _) => Resolution::NotHere,
            (Some(_), Some(_)) => Resolution::Ambiguous,
            // Outside Bundles there are no fullUrls, and type and id are all there is.
            (Some(one), None) if one.bundle.is_none() => Resolution::Found(one.node.at()),
            (Some(one), None) => Resolution::FoundByTypeAndId(one.node.at()),
        }
    }
}

fn version_of(resource: Node<'_>) -> Option<Text<'_>> {
    resource.get("meta")?.get("versionId")?.as_str()
}

/// Whether a resource may be the version a reference asks for; one without a version may be any.
fn is_version(resource: Node<'_>, wanted: Option<&str>) -> bool {
    wanted.is_none_or(|wanted| version_of(resource).is_none_or(|own| own == wanted))
}

impl Resolve for Gathered<'_> {
    /// FHIR's rules for references in Bundles: `#id` within the same outermost resource; an absolute URL or
    /// a `urn:` equal to a fullUrl; a relative one on the base of the entry it stands in. Where entries have
    /// no such base, the only resource of that type and id is taken, and the caller is told.
    fn resolve(&self, from: At, reference: &str) -> Resolution {
        if let Some(id) = reference.strip_prefix('#') {
            let Some(outer) = self.outermost(from) else { return Resolution::NotHere };
            if id.is_empty() {
                return Resolution::Found(outer.node.at());
            }
            let mut hits = outer
                .node
                .get("contained")
                .into_iter()
                .flat_map(Node::items)
                .filter(|inner| inner.get("id").is_some_and(|own| own.is_str(id)));
            return match (hits.next(), hits.next()) {
                (None, _) => Resolution::NotHere,
                (Some(one), None) => Resolution::Found(one.at()),
                (Some(_), Some(_)) => Resolution::Ambiguous,
            };
        }
        let Some(index) = &self.index else { return Resolution::NotHere };
        let (text, version) = split_version(reference);
        if text.starts_with("urn:") {
            return self.by_url(index, text, version).unwrap_or(Resolution::NotHere);
        }
        if is_absolute(text) {
            return self.by_url(index, text, version).unwrap_or_else(|| match restful(text) {
                None => Resolution::NotHere,
                Some((_, resource_type, id)) => {
                    self.by_type_and_id(index, (resource_type, id), version, |r| r.full_url.is_none())
                }
            });
        }
        let Some((resource_type, id)) = text.split_once('/').filter(|(t, id)| is_type(t) && is_id(id)) else {
            return Resolution::NotHere;
        };
        match self.base_of(from) {
            Some(base) => self.by_url(index, &format!("{base}{text}"), version).unwrap_or_else(|| {
                self.by_type_and_id(index, (resource_type, id), version, |r| {
                    r.full_url.as_deref().and_then(restful).is_none()
                })
            }),
            None => self.by_type_and_id(index, (resource_type, id), version, |_| true),
        }
    }

    fn is_a(&self, at: At, resource_type: &str) -> bool {
        self.resource(at).is_some_and(|r| r.type_name == resource_type)
    }
}
