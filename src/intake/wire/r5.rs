//! R5 (5.0.0).

use super::datatypes::{Datatypes, List, extensions_of, found};
use super::{Family, Resolve, nameless, value_code};
use crate::intake::json::{Kind, Node};
use crate::intake::order::{Additive, At, Concept, Field, ProductRef, Reference, Timing};
use crate::intake::wire::extension;

/// The R5 family.
pub(super) struct R5;

impl Family for R5 {
    const ROUTE: &'static str = "routeOfAdministration";

    fn base<'d>(&self, read: &mut Datatypes, formula: Node<'d>, resolver: &dyn Resolve) -> Option<ProductRef<'d>> {
        product(read, formula, "baseFormulaType", "baseFormulaProductName", resolver)
    }

    fn additives<'d>(&self, read: &mut Datatypes, formula: Node<'d>, resolver: &dyn Resolve) -> Vec<Additive<'d>> {
        let unreadable = |at: At| Additive { at, product: nameless(at), quantity: Field::Unreadable { at }, per: None };
        let items = match read.list(formula, "additive") {
            List::Absent => return Vec::new(),
            List::Wrong(node) => return vec![unreadable(node.at())],
            List::Items(items) => items,
        };
        let mut out = Vec::with_capacity(items.len());
        for item in items {
            if item.kind() != Kind::Object {
                read.grave(item.at(), "structure", format!("additive: found {}, expected an object", found(item)));
                out.push(unreadable(item.at()));
                continue;
            }
            let product = product(read, item, "type", "productName", resolver).unwrap_or_else(|| nameless(item.at()));
            let mut quantity = read.complex(item, "quantity", Datatypes::quantity);
            let mut per = None;
            let mut given = extensions_of(item, extension::ADDITIVE_PER);
            if let Some(first) = given.next() {
                match value_code(read, first, "additive-per", &["day", "feed", "volume"]) {
                    Ok(code) => per = Some(code),
                    Err(at) => quantity = Field::Unreadable { at },
                }
            }
            if let Some(second) = given.next() {
                read.grave(second.at(), "structure", "additive-per is given twice, expected once".to_owned());
                quantity = Field::Unreadable { at: second.at() };
            }
            out.push(Additive { at: item.at(), product, quantity, per });
        }
        out
    }

    fn schedule<'d>(&self, read: &mut Datatypes, schedule: Node<'d>) -> (Vec<Timing<'d>>, Option<At>) {
        let unreadable = |at: At| Timing { at, events: Vec::new(), repeat: None, code: None, unreadable: vec![at] };
        if schedule.kind() != Kind::Object {
            read.grave(schedule.at(), "structure", format!("schedule: found {}, expected an object", found(schedule)));
            return (vec![unreadable(schedule.at())], None);
        }
        let mut timings: Vec<Timing<'d>> = match read.list(schedule, "timing") {
            List::Absent => Vec::new(),
            List::Wrong(node) => vec![unreadable(node.at())],
            List::Items(items) => items.into_iter().map(|item| read.timing(item)).collect(),
        };
        // An R4 timing put here is not read, and must not pass for "no schedule" either.
        for name in ["repeat", "event", "code"] {
            if let Some(node) = schedule.get(name) {
                timings.push(unreadable(node.at()));
            }
        }
        let as_needed = match read.boolean(schedule, "asNeeded") {
            Field::Present(s) => s.value.then_some(s.at),
            Field::Absent => None,
            // Whether it is as needed is not known, so it may be: from none to all of it.
            Field::Missing { at, .. } | Field::Unreadable { at } => Some(at),
        };
        (timings, as_needed.or(schedule.get("asNeededFor").map(Node::at)))
    }
}

/// A CodeableReference and a product name as one product; `None` when neither is there.
fn product<'d>(
    read: &mut Datatypes,
    holder: Node<'d>,
    coded: &str,
    named: &str,
    resolver: &dyn Resolve,
) -> Option<ProductRef<'d>> {
    let typed = read.complex(holder, coded, |read, node| codeable_reference(read, node, resolver));
    let name = read.text(holder, named);
    let at = typed.at().or(name.at())?;
    let (concept, reference) = match typed {
        Field::Present(s) => s.value,
        _ => (Concept::default(), None),
    };
    Some(ProductRef { at, concept, name: if let Field::Present(s) = name { Some(s) } else { None }, reference })
}

fn codeable_reference<'d>(
    read: &mut Datatypes,
    node: Node<'d>,
    resolver: &dyn Resolve,
) -> (Concept<'d>, Option<Reference<'d>>) {
    let concept = match read.complex(node, "concept", Datatypes::concept) {
        Field::Present(s) => s.value,
        _ => Concept::default(),
    };
    let reference = match read.complex(node, "reference", |read, node| read.reference(node, resolver)) {
        Field::Present(s) => Some(s.value),
        _ => None,
    };
    (concept, reference)
}
