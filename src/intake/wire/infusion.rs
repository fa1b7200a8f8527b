//! A MedicationRequest, read as far as it takes to reckon what a product given by vein brings: the product, and its dosage
//! instructions as entries of an order. The names are those of R4, R4B and R5 alike.

use super::datatypes::{Datatypes, List, found};
use super::{Resolve, nameless, patient, unreadable_administration};
use crate::intake::json::{Kind, Node};
use crate::intake::order::{
    Administration, Concept, EnteralFormula, FhirVersion, Field, Order, Problem, ProductRef, Quantity, Rate,
};

/// Reads a request for a product that is given by vein. `medication` is the Medication that it refers to, where that was sent.
/// What cannot be read leaves its amount unknown, and is among the problems.
pub fn read_infusion<'d>(
    request: Node<'d>,
    medication: Option<Node<'d>>,
    version: FhirVersion,
    resolver: &dyn Resolve,
) -> (Order<'d>, Vec<Problem>) {
    let mut read = Datatypes::default();
    let formula = EnteralFormula {
        at: request.at(),
        base: Some(product(&mut read, request, medication)),
        density: Field::Absent,
        route: Field::Absent,
        administrations: dosages(&mut read, request),
        additives: Vec::new(),
        cap: Field::Absent,
        flushes: Vec::new(),
    };
    let order = Order {
        at: request.at(),
        version,
        id: read.text_if_any(request, "id"),
        full_url: None,
        status: Field::Absent,
        intent: Field::Absent,
        patient: patient(&mut read, request, "subject", resolver),
        subject_is_group: false,
        date_time: read.date_time(request, "authoredOn"),
        orderer: None,
        allergies: Vec::new(),
        excluded: Vec::new(),
        preferred: Vec::new(),
        formula: Some(formula),
        oral_diet: None,
        supplements: Vec::new(),
        texts: Vec::new(),
        unknown_extensions: Vec::new(),
        unknown_modifiers: Vec::new(),
        unknown_elements: Vec::new(),
    };
    (order, read.problems)
}

/// What is given: the request's own concept, and the code of the Medication.
pub(crate) fn product<'d>(read: &mut Datatypes, request: Node<'d>, medication: Option<Node<'d>>) -> ProductRef<'d> {
    let own = match (request.get("medicationCodeableConcept"), request.get("medication")) {
        (Some(_), _) => read.complex(request, "medicationCodeableConcept", Datatypes::concept),
        (None, Some(both)) => read.complex(both, "concept", Datatypes::concept),
        (None, None) => Field::Absent,
    };
    let mut concept: Concept<'d> = own.value().cloned().unwrap_or_default();
    if let Some(medication) = medication
        && let Field::Present(code) = read.complex(medication, "code", Datatypes::concept)
    {
        concept.codings.extend(code.value.codings);
        concept.text = concept.text.or(code.value.text);
    }
    ProductRef { concept, ..nameless(request.at()) }
}

fn dosages<'d>(read: &mut Datatypes, request: Node<'d>) -> Vec<Administration<'d>> {
    let items = match read.list(request, "dosageInstruction") {
        // How much is given is not said, which is not nothing.
        List::Absent => return vec![unreadable_administration(request.at())],
        List::Wrong(node) => return vec![unreadable_administration(node.at())],
        List::Items(items) => items,
    };
    // R5: when the doses as a whole are given, beside what each says of its times.
    if let Some(period) = request.get("effectiveDosePeriod") {
        let text =
            "the period of all doses (effectiveDosePeriod) is not reckoned with; state it with the times of the dose";
        read.grave(period.at(), "not-supported", text.to_owned());
    }
    let turn = |item: &Node<'d>| item.get("sequence").map(Node::raw);
    if let Some(later) = items.iter().find(|item| items.first().is_some_and(|first| turn(first) != turn(item))) {
        let text = "doses that follow each other (sequence) are not reckoned with".to_owned();
        read.grave(later.at(), "not-supported", text);
    }
    let given: Vec<_> = items.into_iter().map(|item| dosage(read, item)).collect();
    if given.is_empty() { vec![unreadable_administration(request.at())] } else { given }
}

fn dosage<'d>(read: &mut Datatypes, item: Node<'d>) -> Administration<'d> {
    if item.kind() != Kind::Object {
        read.grave(item.at(), "structure", format!("dosageInstruction: found {}, expected an object", found(item)));
        return unreadable_administration(item.at());
    }
    let mut out = Administration {
        at: item.at(),
        timings: item.get("timing").map(|timing| read.timing(timing)).into_iter().collect(),
        as_needed: as_needed(read, item),
        quantity: Field::Absent,
        rate: Field::Absent,
        other_rate: None,
        product: None,
    };
    if let Some(most) = item.get("maxDosePerPeriod") {
        read.grave(most.at(), "not-supported", "a maximum dose per period is not reckoned with".to_owned());
        (out.quantity, out.rate) = (Field::Unreadable { at: most.at() }, Field::Unreadable { at: most.at() });
        return out;
    }
    match read.list(item, "doseAndRate") {
        List::Absent => {}
        List::Wrong(node) => out.quantity = Field::Unreadable { at: node.at() },
        List::Items(given) => match given.as_slice() {
            [] => {}
            [one] => {
                for kind in ["dose", "rate"] {
                    let mut alike = one.members().filter(|(name, _)| name.starts_with(kind));
                    if let (Some(_), Some((_, second))) = (alike.next(), alike.next()) {
                        let text = format!("the {kind} is given in two ways, expected one of them");
                        read.grave(second.at(), "structure", text);
                    }
                }
                (out.quantity, out.rate) = (amount(read, *one), rate(read, *one));
            }
            [_, second, ..] => {
                let text = "a dose and rate is given more than once, expected once".to_owned();
                read.grave(second.at(), "structure", text);
                out.quantity = Field::Unreadable { at: second.at() };
            }
        },
    }
    if out.quantity.is_absent() && out.rate.is_absent() {
        out.quantity = Field::Unreadable { at: item.at() };
    }
    out
}

/// As needed, or perhaps so: then from none to all of it is given.
fn as_needed(read: &mut Datatypes, item: Node<'_>) -> Option<crate::intake::order::At> {
    let said = ["asNeededBoolean", "asNeeded"].into_iter().find_map(|name| match read.boolean(item, name) {
        Field::Present(s) => s.value.then_some(s.at),
        Field::Absent => None,
        Field::Missing { at, .. } | Field::Unreadable { at } => Some(at),
    });
    said.or_else(|| {
        ["asNeededCodeableConcept", "asNeededFor"].into_iter().find_map(|name| item.get(name)).map(Node::at)
    })
}

fn amount<'d>(read: &mut Datatypes, given: Node<'d>) -> Field<'d, Quantity<'d>> {
    match given.get("doseRange") {
        Some(range) => range_is_open(read, range, "dose"),
        None => read.complex(given, "doseQuantity", Datatypes::quantity),
    }
}

fn rate<'d>(read: &mut Datatypes, given: Node<'d>) -> Field<'d, Rate<'d>> {
    if let Some(range) = given.get("rateRange") {
        return range_is_open(read, range, "rate");
    }
    match read.complex(given, "rateQuantity", |read, q| Rate::Quantity(read.quantity(q))) {
        Field::Absent => read.complex(given, "rateRatio", |read, r| Rate::Ratio(read.ratio(r))),
        quantity => quantity,
    }
}

fn range_is_open<'d, T>(read: &mut Datatypes, range: Node<'d>, what: &str) -> Field<'d, T> {
    read.grave(range.at(), "not-supported", format!("the {what} is a range, expected one amount"));
    Field::Unreadable { at: range.at() }
}
