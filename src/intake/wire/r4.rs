//! R4 (4.0.1) and R4B (4.3.0): one shape.

use super::datatypes::{Datatypes, extensions_of};
use super::{Family, Resolve, nameless, part, part_code, part_quantity, value_concept};
use crate::intake::json::Node;
use crate::intake::order::{Additive, At, Field, ProductRef, Timing};
use crate::intake::wire::extension;

/// The R4 family.
pub(super) struct R4;

impl Family for R4 {
    const ROUTE: &'static str = "routeofAdministration";

    fn base<'d>(&self, read: &mut Datatypes, formula: Node<'d>, _: &dyn Resolve) -> Option<ProductRef<'d>> {
        product(read, formula, "baseFormulaType", "baseFormulaProductName")
    }

    /// `additiveType` and `additiveProductName` describe one additive; the additive-dose extension gives
    /// amounts, by item, and further additives.
    fn additives<'d>(&self, read: &mut Datatypes, formula: Node<'d>, _: &dyn Resolve) -> Vec<Additive<'d>> {
        let mut out = Vec::new();
        if let Some(product) = product(read, formula, "additiveType", "additiveProductName") {
            out.push(Additive { at: product.at, product, quantity: Field::Absent, per: None });
        }
        for dose in extensions_of(formula, extension::ADDITIVE_DOSE) {
            let given = dose_of(read, dose);
            match out.first_mut() {
                // The element names the same thing: one additive, not two.
                Some(named) if named.quantity.is_absent() && same(&named.product, &given.product) => {
                    named.quantity = given.quantity;
                    named.per = given.per;
                }
                _ => out.push(given),
            }
        }
        across(read, formula, &mut out);
        out
    }

    fn schedule<'d>(&self, read: &mut Datatypes, schedule: Node<'d>) -> (Vec<Timing<'d>>, Option<At>) {
        (vec![read.timing(schedule)], None)
    }
}

/// A coded type and a product name as one product; `None` when neither is there.
fn product<'d>(read: &mut Datatypes, formula: Node<'d>, coded: &str, named: &str) -> Option<ProductRef<'d>> {
    let concept = read.complex(formula, coded, Datatypes::concept);
    let name = read.text(formula, named);
    let at = concept.at().or(name.at())?;
    Some(ProductRef {
        at,
        concept: concept.value().cloned().unwrap_or_default(),
        name: if let Field::Present(s) = name { Some(s) } else { None },
        reference: None,
    })
}

fn dose_of<'d>(read: &mut Datatypes, dose: Node<'d>) -> Additive<'d> {
    let product = match part(read, dose, "item") {
        Ok(Some(item)) => value_concept(read, item, "item"),
        Ok(None) => {
            read.grave(dose.at(), "required", "the additive-dose extension lacks its item".to_owned());
            nameless(dose.at())
        }
        Err(at) => nameless(at),
    };
    let mut quantity = part_quantity(read, dose, "quantity");
    let per = match part_code(read, dose, "per", &["day", "feed", "volume"]) {
        Ok(per) => per,
        Err(at) => {
            quantity = Field::Unreadable { at };
            None
        }
    };
    Additive { at: dose.at(), product, quantity, per }
}

/// HL7's own carrier of the R5 quantity: an amount of the one additive, without "per".
fn across<'d>(read: &mut Datatypes, formula: Node<'d>, out: &mut Vec<Additive<'d>>) {
    for given in extensions_of(formula, extension::ADDITIVE_QUANTITY_R5) {
        let quantity = match read.complex(given, "valueQuantity", Datatypes::quantity) {
            Field::Absent => {
                read.grave(given.at(), "value", "additive.quantity: expected a valueQuantity".to_owned());
                Field::Unreadable { at: given.at() }
            }
            field => field,
        };
        match out.as_mut_slice() {
            [] => out.push(Additive { at: given.at(), product: nameless(given.at()), quantity, per: None }),
            [one] if one.quantity.is_absent() => one.quantity = quantity,
            [first, ..] => {
                read.grave(
                    given.at(),
                    "structure",
                    "it is not clear which additive this quantity belongs to; expected one additive and one quantity"
                        .to_owned(),
                );
                first.quantity = Field::Unreadable { at: given.at() };
            }
        }
    }
}

/// Whether two products are named alike: a common coding, or the same text or name.
fn same(a: &ProductRef<'_>, b: &ProductRef<'_>) -> bool {
    let coded = a
        .concept
        .codings
        .iter()
        .any(|x| x.code.is_some() && b.concept.codings.iter().any(|y| x.code == y.code && x.system == y.system));
    let names = |p: &ProductRef<'_>| -> Vec<String> {
        let name = p.name.as_ref().map(|n| n.value.trim().to_lowercase());
        name.into_iter().chain(p.concept.text.as_ref().map(|t| t.trim().to_lowercase())).collect()
    };
    let theirs = names(b);
    coded || names(a).iter().any(|name| theirs.contains(name))
}
