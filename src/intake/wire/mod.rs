//! Wire shapes: a NutritionOrder of one FHIR version, read into the canonical [`Order`].
//!
//! R4 and R4B share one shape (`r4`), R5 has another (`r5`); what both have in common is read here.
//! Nothing is converted between versions: what looks like another version is reported as that.

pub(crate) mod datatypes;
mod elements;
pub mod extension;
pub mod infusion;
pub mod moment;
mod r4;
mod r5;
mod version;

pub use version::{VersionHint, WireVersion, diagnose_version};

use crate::intake::json::{Kind, Node};
use crate::intake::order::{
    Administration, At, Concept, EnteralFormula, FhirVersion, Field, Flush, Intent, Order, Problem, ProductRef, Rate,
    Reference, Sourced, Status, Text, Timing,
};
use datatypes::{Datatypes, List, extensions, extensions_of, found};

/// Where a reference leads inside the document.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Resolution {
    /// To this resource, by FHIR's rules.
    Found(At),
    /// To this resource, the only one of that type and id, although the rules do not lead there.
    FoundByTypeAndId(At),
    /// To more than one different resource.
    Ambiguous,
    /// Out of the document.
    NotHere,
}

/// Resolves references inside the document; never outside.
pub trait Resolve {
    /// Where `reference`, written at or below the node `from`, leads.
    fn resolve(&self, from: At, reference: &str) -> Resolution;
    /// Whether the resource at a place is of that type.
    fn is_a(&self, at: At, resource_type: &str) -> bool;
}

/// Resolves nothing.
#[derive(Clone, Copy, Debug, Default)]
pub struct NoResolver;

impl Resolve for NoResolver {
    fn resolve(&self, _: At, _: &str) -> Resolution {
        Resolution::NotHere
    }
    fn is_a(&self, _: At, _: &str) -> bool {
        false
    }
}

/// Reads one NutritionOrder as `version`. Always gives an order, with holes where something is missing or
/// cannot be read, and the list of what was wrong.
pub fn read_order<'d>(order: Node<'d>, version: FhirVersion, resolver: &dyn Resolve) -> (Order<'d>, Vec<Problem>) {
    read(order, version, false, resolver)
}

/// The same for an order of which [`crate::intake::shape::check`] found that it is of the version's shape: nothing in
/// it can be of another version, or an element that is not known.
pub fn read_valid_order<'d>(
    order: Node<'d>,
    version: FhirVersion,
    resolver: &dyn Resolve,
) -> (Order<'d>, Vec<Problem>) {
    read(order, version, true, resolver)
}

fn read<'d>(order: Node<'d>, version: FhirVersion, valid: bool, resolver: &dyn Resolve) -> (Order<'d>, Vec<Problem>) {
    let mut read = Datatypes::default();
    if !valid {
        version::report(&mut read, order, version);
    }
    debug_assert!(!valid || version::is_of(order, version), "a valid order looks like another version");
    let unknown = if valid { elements::unknowns_of_valid(order, version) } else { elements::unknowns(order, version) };
    let out = match version {
        FhirVersion::R4 | FhirVersion::R4B => {
            let patient = patient(&mut read, order, "patient", resolver);
            let formula = formula(&mut read, order, &r4::R4, resolver);
            whole(&mut read, order, version, (patient, formula, unknown), resolver)
        }
        FhirVersion::R5 => {
            let patient = patient(&mut read, order, "subject", resolver);
            let formula = formula(&mut read, order, &r5::R5, resolver);
            whole(&mut read, order, version, (patient, formula, unknown), resolver)
        }
    };
    (out, read.problems)
}

/// Most additives and water flushes of one order, each (as many as entries that are computed).
pub const MOST_PARTS: usize = 100;

/// What differs between the version families inside `enteralFormula`.
trait Family {
    /// Name of the route element.
    const ROUTE: &'static str;
    /// Coded type, name and reference of the base formula.
    fn base<'d>(&self, read: &mut Datatypes, formula: Node<'d>, resolver: &dyn Resolve) -> Option<ProductRef<'d>>;
    /// Additives.
    fn additives<'d>(
        &self,
        read: &mut Datatypes,
        formula: Node<'d>,
        resolver: &dyn Resolve,
    ) -> Vec<crate::intake::order::Additive<'d>>;
    /// Timings and as-needed of `administration.schedule`.
    fn schedule<'d>(&self, read: &mut Datatypes, schedule: Node<'d>) -> (Vec<Timing<'d>>, Option<At>);
}

fn patient<'d>(read: &mut Datatypes, order: Node<'d>, name: &str, resolver: &dyn Resolve) -> Field<'d, Reference<'d>> {
    read.complex(order, name, |read, node| read.reference(node, resolver))
}

/// What was read of an order apart: its patient, its formula, what in it is not known.
type Parts<'d> = (Field<'d, Reference<'d>>, Option<EnteralFormula<'d>>, elements::Unknowns);

fn whole<'d>(
    read: &mut Datatypes,
    order: Node<'d>,
    version: FhirVersion,
    (patient, formula, unknown): Parts<'d>,
    resolver: &dyn Resolve,
) -> Order<'d> {
    let status = read.coded(order, "status", &STATUS);
    let intent = read.coded(order, "intent", &INTENT);
    let date_time = read.date_time(order, "dateTime");
    let patient_name = if version == FhirVersion::R5 { "subject" } else { "patient" };
    for (name, absent, grave) in [
        ("status", status.is_absent(), true),
        // Hook clients send drafts without an intent; the rest of such an order is still readable.
        ("intent", intent.is_absent(), false),
        (patient_name, patient.is_absent(), true),
        ("dateTime", date_time.is_absent(), true),
    ] {
        if absent {
            let text = format!("{name} is missing; FHIR {} requires it", version.name());
            read.problems.push(Problem { at: order.at(), text, code: "required", grave });
        }
    }
    let subject_is_group = version == FhirVersion::R5 && is_group(order, &patient, resolver);
    for at in &unknown.misplaced {
        let text =
            "an extension of this program's own, or a part of one, that is not read at this place in this version"
                .to_owned();
        read.grave(*at, "extension", text);
    }
    Order {
        at: order.at(),
        version,
        id: read.text_if_any(order, "id"),
        full_url: full_url(order),
        status,
        intent,
        patient,
        subject_is_group,
        date_time,
        // One that names nobody, because that is withheld, is none.
        orderer: order
            .get("orderer")
            .filter(|orderer| ["reference", "identifier", "display"].iter().any(|name| orderer.get(name).is_some()))
            .map(Node::at),
        allergies: read
            .objects(order, "allergyIntolerance")
            .into_iter()
            .map(|node| read.reference(node, resolver))
            .collect(),
        excluded: read
            .objects(order, "excludeFoodModifier")
            .into_iter()
            .map(|node| Sourced { value: read.concept(node), at: node.at() })
            .collect(),
        preferred: read
            .objects(order, "foodPreferenceModifier")
            .into_iter()
            .map(|node| Sourced { value: read.concept(node), at: node.at() })
            .collect(),
        formula,
        oral_diet: order.get("oralDiet").map(Node::at),
        supplements: match order.get("supplement") {
            None => Vec::new(),
            Some(node) if node.kind() == Kind::Array => node.items().map(Node::at).collect(),
            Some(node) => vec![node.at()],
        },
        texts: texts(read, order),
        unknown_extensions: unknown.extensions,
        unknown_modifiers: unknown.modifiers,
        unknown_elements: unknown.elements,
    }
}

/// Whether the subject says, by its reference, its type or what it resolves to, that it is a Group.
fn is_group(order: Node<'_>, subject: &Field<'_, Reference<'_>>, resolver: &dyn Resolve) -> bool {
    let Some(reference) = subject.value() else { return false };
    let by_text = reference.reference.as_deref().is_some_and(|text| text.rsplit('/').nth(1) == Some("Group"));
    let by_type = order.get("subject").and_then(|s| s.get("type")).is_some_and(|t| t.is_str("Group"));
    by_text || by_type || reference.resolved.is_some_and(|at| resolver.is_a(at, "Group"))
}

/// `Bundle.entry.fullUrl` beside the order.
fn full_url(order: Node<'_>) -> Option<Text<'_>> {
    order.parent().filter(|_| order.key().is_some_and(|key| key == "resource"))?.get("fullUrl")?.as_str()
}

fn texts<'d>(read: &mut Datatypes, order: Node<'d>) -> Vec<Sourced<Text<'d>>> {
    let mut out = Vec::new();
    if let Some(formula) = order.get("enteralFormula") {
        out.extend(read.sourced_text(formula, "administrationInstruction"));
    }
    for note in read.objects(order, "note") {
        out.extend(read.sourced_text(note, "text"));
    }
    if let Some(diet) = order.get("oralDiet") {
        out.extend(read.sourced_text(diet, "instruction"));
    }
    for supplement in read.objects(order, "supplement") {
        out.extend(read.sourced_text(supplement, "instruction"));
    }
    out
}

fn formula<'d, F: Family>(
    read: &mut Datatypes,
    order: Node<'d>,
    family: &F,
    resolver: &dyn Resolve,
) -> Option<EnteralFormula<'d>> {
    let node = order.get("enteralFormula")?;
    if node.kind() != Kind::Object {
        read.grave(node.at(), "structure", format!("enteralFormula: found {}, expected an object", found(node)));
        return Some(EnteralFormula {
            at: node.at(),
            base: None,
            density: Field::Unreadable { at: node.at() },
            route: Field::Unreadable { at: node.at() },
            // One entry that cannot be read, so that the volume is unknown and not none.
            administrations: vec![unreadable_administration(node.at())],
            additives: Vec::new(),
            cap: Field::Unreadable { at: node.at() },
            flushes: Vec::new(),
        });
    }
    let mut out = EnteralFormula {
        at: node.at(),
        base: family.base(read, node, resolver),
        density: read.complex(node, "caloricDensity", Datatypes::quantity),
        route: read.complex(node, F::ROUTE, Datatypes::concept),
        administrations: administrations(read, node, family),
        additives: family.additives(read, node, resolver),
        cap: read.complex(node, "maxVolumeToDeliver", Datatypes::quantity),
        flushes: extensions_of(node, extension::WATER_FLUSH).map(|e| flush(read, e)).collect(),
    };
    for (what, n) in [("additives", out.additives.len()), ("water flushes", out.flushes.len())] {
        if n > MOST_PARTS {
            read.grave(node.at(), "too-costly", format!("{n} {what}; with more than {MOST_PARTS} nothing is computed"));
            // One entry that cannot be read, so that the volume is unknown and not none.
            out.administrations = vec![unreadable_administration(node.at())];
            out.additives = Vec::new();
            out.flushes = Vec::new();
        }
    }
    Some(out)
}

fn administrations<'d, F: Family>(read: &mut Datatypes, formula: Node<'d>, family: &F) -> Vec<Administration<'d>> {
    let items = match read.list(formula, "administration") {
        List::Absent => return Vec::new(),
        List::Wrong(node) => return vec![unreadable_administration(node.at())],
        List::Items(items) => items,
    };
    let mut out = Vec::with_capacity(items.len());
    for item in items {
        if item.kind() != Kind::Object {
            read.grave(item.at(), "structure", format!("administration: found {}, expected an object", found(item)));
            out.push(unreadable_administration(item.at()));
            continue;
        }
        let (timings, as_needed) = match item.get("schedule") {
            None => (Vec::new(), None),
            Some(schedule) => family.schedule(read, schedule),
        };
        let by_quantity = read.complex(item, "rateQuantity", |read, q| Rate::Quantity(read.quantity(q)));
        let by_ratio = read.complex(item, "rateRatio", |read, r| Rate::Ratio(read.ratio(r)));
        let (rate, other_rate) = match (by_quantity, by_ratio) {
            (Field::Absent, ratio) => (ratio, None),
            (quantity, ratio) => {
                let other = ratio.at();
                (quantity, other)
            }
        };
        if let Some(at) = other_rate {
            read.grave(at, "structure", "rate is given as a quantity and as a ratio, expected one of them".to_owned());
        }
        out.push(Administration {
            at: item.at(),
            timings,
            as_needed,
            quantity: read.complex(item, "quantity", Datatypes::quantity),
            rate,
            other_rate,
            product: administration_product(read, item),
        });
    }
    out
}

fn unreadable_administration<'d>(at: At) -> Administration<'d> {
    Administration {
        at,
        timings: Vec::new(),
        as_needed: None,
        quantity: Field::Unreadable { at },
        rate: Field::Unreadable { at },
        other_rate: None,
        product: None,
    }
}

/// A product without any name: it matches nothing, so what it gives stays unknown.
fn nameless<'d>(at: At) -> ProductRef<'d> {
    ProductRef { at, concept: Concept::default(), name: None, reference: None }
}

fn administration_product<'d>(read: &mut Datatypes, item: Node<'d>) -> Option<ProductRef<'d>> {
    let mut given = extensions_of(item, extension::ADMINISTRATION_PRODUCT);
    let first = given.next()?;
    if let Some(second) = given.next() {
        read.grave(second.at(), "structure", "this entry names two administration products, expected one".to_owned());
        return Some(nameless(second.at()));
    }
    Some(value_concept(read, first, "administration-product"))
}

/// The `valueCodeableConcept` of an extension as a product; another value is reported.
fn value_concept<'d>(read: &mut Datatypes, extension: Node<'d>, name: &str) -> ProductRef<'d> {
    match read.complex(extension, "valueCodeableConcept", Datatypes::concept) {
        Field::Present(s) => ProductRef { at: extension.at(), concept: s.value, name: None, reference: None },
        Field::Absent => {
            read.grave(extension.at(), "value", format!("{name}: expected a valueCodeableConcept"));
            nameless(extension.at())
        }
        Field::Missing { .. } | Field::Unreadable { .. } => nameless(extension.at()),
    }
}

/// The one part of a complex extension with that url. Two of them: reported, and `Err` with the second.
fn part<'d>(read: &mut Datatypes, extension: Node<'d>, name: &'static str) -> Result<Option<Node<'d>>, At> {
    let mut given = extensions_of(extension, name);
    let first = given.next();
    if let Some(second) = given.next() {
        read.grave(second.at(), "structure", format!("{name} is given twice in one extension, expected once"));
        return Err(second.at());
    }
    Ok(first)
}

/// A part of a complex extension that is a Quantity and has to be there.
fn part_quantity<'d>(
    read: &mut Datatypes,
    extension: Node<'d>,
    name: &'static str,
) -> Field<'d, crate::intake::order::Quantity<'d>> {
    match part(read, extension, name) {
        Err(at) => Field::Unreadable { at },
        Ok(None) => {
            read.grave(extension.at(), "required", format!("the extension lacks its {name}"));
            Field::Absent
        }
        Ok(Some(node)) => match read.complex(node, "valueQuantity", Datatypes::quantity) {
            Field::Absent => {
                read.grave(node.at(), "value", format!("{name}: expected a valueQuantity"));
                Field::Unreadable { at: node.at() }
            }
            field => field,
        },
    }
}

/// A part of a complex extension that is one of `codes`. `Err`: there, but not readable.
fn part_code<'d>(
    read: &mut Datatypes,
    extension: Node<'d>,
    name: &'static str,
    codes: &[&'static str],
) -> Result<Option<Sourced<Text<'d>>>, At> {
    let Some(node) = part(read, extension, name)? else { return Ok(None) };
    value_code(read, node, name, codes).map(Some)
}

/// The `valueCode` of an extension, one of `codes`.
fn value_code<'d>(
    read: &mut Datatypes,
    extension: Node<'d>,
    name: &str,
    codes: &[&'static str],
) -> Result<Sourced<Text<'d>>, At> {
    match read.text(extension, "valueCode") {
        Field::Present(s) if codes.contains(&s.value.as_ref()) => Ok(s),
        Field::Unreadable { at } => Err(at),
        other => {
            let at = other.at().unwrap_or(extension.at());
            read.grave(at, "value", format!("{name}: expected a valueCode, one of {}", codes.join(", ")));
            Err(at)
        }
    }
}

fn flush<'d>(read: &mut Datatypes, node: Node<'d>) -> Flush<'d> {
    let mut volume = part_quantity(read, node, "volume");
    let schedule = match part(read, node, "schedule") {
        Ok(None) => None,
        Ok(Some(given)) => match given.get("valueTiming") {
            Some(timing) => Some(read.timing(timing)),
            None => {
                read.grave(given.at(), "value", "schedule: expected a valueTiming".to_owned());
                volume = Field::Unreadable { at: given.at() };
                None
            }
        },
        Err(at) => {
            volume = Field::Unreadable { at };
            None
        }
    };
    let with_each_feed = match part_code(read, node, "with-each-feed", &["before", "after", "before-and-after"]) {
        Ok(code) => code,
        // How often is not known then, and a flush without a count must not be counted as none.
        Err(at) => {
            volume = Field::Unreadable { at };
            None
        }
    };
    let fluid = match part(read, node, "fluid") {
        Ok(None) => None,
        Ok(Some(given)) => Some(value_concept(read, given, "fluid")),
        Err(at) => Some(nameless(at)),
    };
    if extensions(node).next().is_none() && node.members().any(|(key, _)| key.starts_with("value")) {
        read.grave(node.at(), "structure", "water-flush: expected its parts as extensions, found a value".to_owned());
    }
    Flush { at: node.at(), fluid, volume, schedule, with_each_feed }
}

/// `request-status`.
const STATUS: [(&str, Status); 7] = [
    ("draft", Status::Draft),
    ("active", Status::Active),
    ("on-hold", Status::OnHold),
    ("revoked", Status::Revoked),
    ("completed", Status::Completed),
    ("entered-in-error", Status::EnteredInError),
    ("unknown", Status::Unknown),
];

/// `request-intent`.
const INTENT: [(&str, Intent); 9] = [
    ("proposal", Intent::Proposal),
    ("plan", Intent::Plan),
    ("directive", Intent::Directive),
    ("order", Intent::Order),
    ("original-order", Intent::OriginalOrder),
    ("reflex-order", Intent::ReflexOrder),
    ("filler-order", Intent::FillerOrder),
    ("instance-order", Intent::InstanceOrder),
    ("option", Intent::Option),
];
