//! The elements of NutritionOrder and of the datatypes it uses, per version family, and the walk over an
//! order that finds what this program does not know: elements, extensions and modifiers.
//!
//! Source: the StructureDefinitions of FHIR 4.0.1, 4.3.0 (the same structure) and 5.0.0.

use crate::intake::json::{Kind, Node, mark};
use crate::intake::order::{At, FhirVersion};
use crate::intake::wire::extension;

/// What an element holds.
enum Holds {
    /// A primitive: may have a `_` companion.
    Primitive,
    /// A complex type.
    Of(&'static Type),
}

/// A complex type: its elements besides `id`, `extension` and `modifierExtension`.
pub(super) struct Type {
    name: &'static str,
    elements: &'static [Element],
}

struct Element {
    name: &'static str,
    /// The mark of the name.
    mark: u8,
    holds: Holds,
}

/// An element of a primitive type.
const fn simple(name: &'static str) -> Element {
    Element { name, mark: mark(name.as_bytes()), holds: Holds::Primitive }
}

/// An element of a complex type.
const fn part(name: &'static str, of: &'static Type) -> Element {
    Element { name, mark: mark(name.as_bytes()), holds: Holds::Of(of) }
}

static META: Type = Type {
    name: "Meta",
    elements: &[
        simple("versionId"),
        simple("lastUpdated"),
        simple("source"),
        simple("profile"),
        part("security", &CODING),
        part("tag", &CODING),
    ],
};
static NARRATIVE: Type = Type { name: "Narrative", elements: &[simple("status"), simple("div")] };
static PERIOD: Type = Type { name: "Period", elements: &[simple("start"), simple("end")] };
static CODING: Type = Type {
    name: "Coding",
    elements: &[simple("system"), simple("version"), simple("code"), simple("display"), simple("userSelected")],
};
static CONCEPT: Type = Type { name: "CodeableConcept", elements: &[part("coding", &CODING), simple("text")] };
static IDENTIFIER: Type = Type {
    name: "Identifier",
    elements: &[
        simple("use"),
        part("type", &CONCEPT),
        simple("system"),
        simple("value"),
        part("period", &PERIOD),
        part("assigner", &REFERENCE),
    ],
};
static REFERENCE: Type = Type {
    name: "Reference",
    elements: &[simple("reference"), simple("type"), part("identifier", &IDENTIFIER), simple("display")],
};
static CODEABLE_REFERENCE: Type =
    Type { name: "CodeableReference", elements: &[part("concept", &CONCEPT), part("reference", &REFERENCE)] };
static QUANTITY: Type = Type {
    name: "Quantity",
    elements: &[simple("value"), simple("comparator"), simple("unit"), simple("system"), simple("code")],
};
static RATIO: Type = Type { name: "Ratio", elements: &[part("numerator", &QUANTITY), part("denominator", &QUANTITY)] };
static RANGE: Type = Type { name: "Range", elements: &[part("low", &QUANTITY), part("high", &QUANTITY)] };
static ANNOTATION: Type = Type {
    name: "Annotation",
    elements: &[part("authorReference", &REFERENCE), simple("authorString"), simple("time"), simple("text")],
};
static TIMING: Type =
    Type { name: "Timing", elements: &[simple("event"), part("repeat", &REPEAT), part("code", &CONCEPT)] };
static REPEAT: Type = Type {
    name: "Timing.repeat",
    elements: &[
        part("boundsDuration", &QUANTITY),
        part("boundsRange", &RANGE),
        part("boundsPeriod", &PERIOD),
        simple("count"),
        simple("countMax"),
        simple("duration"),
        simple("durationMax"),
        simple("durationUnit"),
        simple("frequency"),
        simple("frequencyMax"),
        simple("period"),
        simple("periodMax"),
        simple("periodUnit"),
        simple("dayOfWeek"),
        simple("timeOfDay"),
        simple("when"),
        simple("offset"),
    ],
};
static NUTRIENT: Type =
    Type { name: "oralDiet.nutrient", elements: &[part("modifier", &CONCEPT), part("amount", &QUANTITY)] };
static TEXTURE: Type =
    Type { name: "oralDiet.texture", elements: &[part("modifier", &CONCEPT), part("foodType", &CONCEPT)] };

static R4_ORDER: Type = Type {
    name: "NutritionOrder",
    elements: &[
        part("identifier", &IDENTIFIER),
        simple("instantiatesCanonical"),
        simple("instantiatesUri"),
        simple("instantiates"),
        simple("status"),
        simple("intent"),
        part("patient", &REFERENCE),
        part("encounter", &REFERENCE),
        simple("dateTime"),
        part("orderer", &REFERENCE),
        part("allergyIntolerance", &REFERENCE),
        part("foodPreferenceModifier", &CONCEPT),
        part("excludeFoodModifier", &CONCEPT),
        part("oralDiet", &R4_ORAL_DIET),
        part("supplement", &R4_SUPPLEMENT),
        part("enteralFormula", &R4_FORMULA),
        part("note", &ANNOTATION),
        part("meta", &META),
        simple("implicitRules"),
        simple("language"),
        part("text", &NARRATIVE),
    ],
};
static R4_ORAL_DIET: Type = Type {
    name: "oralDiet",
    elements: &[
        part("type", &CONCEPT),
        part("schedule", &TIMING),
        part("nutrient", &NUTRIENT),
        part("texture", &TEXTURE),
        part("fluidConsistencyType", &CONCEPT),
        simple("instruction"),
    ],
};
static R4_SUPPLEMENT: Type = Type {
    name: "supplement",
    elements: &[
        part("type", &CONCEPT),
        simple("productName"),
        part("schedule", &TIMING),
        part("quantity", &QUANTITY),
        simple("instruction"),
    ],
};
static R4_FORMULA: Type = Type {
    name: FORMULA,
    elements: &[
        part("baseFormulaType", &CONCEPT),
        simple("baseFormulaProductName"),
        part("additiveType", &CONCEPT),
        simple("additiveProductName"),
        part("caloricDensity", &QUANTITY),
        part("routeofAdministration", &CONCEPT),
        part("administration", &R4_ADMINISTRATION),
        part("maxVolumeToDeliver", &QUANTITY),
        simple("administrationInstruction"),
    ],
};
static R4_ADMINISTRATION: Type = Type {
    name: ADMINISTRATION,
    elements: &[
        part("schedule", &TIMING),
        part("quantity", &QUANTITY),
        part("rateQuantity", &QUANTITY),
        part("rateRatio", &RATIO),
    ],
};

static R5_ORDER: Type = Type {
    name: "NutritionOrder",
    elements: &[
        part("identifier", &IDENTIFIER),
        simple("instantiatesCanonical"),
        simple("instantiatesUri"),
        simple("instantiates"),
        part("basedOn", &REFERENCE),
        part("groupIdentifier", &IDENTIFIER),
        simple("status"),
        simple("intent"),
        simple("priority"),
        part("subject", &REFERENCE),
        part("encounter", &REFERENCE),
        part("supportingInformation", &REFERENCE),
        simple("dateTime"),
        part("orderer", &REFERENCE),
        part("performer", &CODEABLE_REFERENCE),
        part("allergyIntolerance", &REFERENCE),
        part("foodPreferenceModifier", &CONCEPT),
        part("excludeFoodModifier", &CONCEPT),
        simple("outsideFoodAllowed"),
        part("oralDiet", &R5_ORAL_DIET),
        part("supplement", &R5_SUPPLEMENT),
        part("enteralFormula", &R5_FORMULA),
        part("note", &ANNOTATION),
        part("meta", &META),
        simple("implicitRules"),
        simple("language"),
        part("text", &NARRATIVE),
    ],
};
static R5_SCHEDULE: Type =
    Type { name: "schedule", elements: &[part("timing", &TIMING), simple("asNeeded"), part("asNeededFor", &CONCEPT)] };
static R5_ORAL_DIET: Type = Type {
    name: "oralDiet",
    elements: &[
        part("type", &CONCEPT),
        part("schedule", &R5_SCHEDULE),
        part("nutrient", &NUTRIENT),
        part("texture", &TEXTURE),
        part("fluidConsistencyType", &CONCEPT),
        simple("instruction"),
    ],
};
static R5_SUPPLEMENT: Type = Type {
    name: "supplement",
    elements: &[
        part("type", &CODEABLE_REFERENCE),
        simple("productName"),
        part("schedule", &R5_SCHEDULE),
        part("quantity", &QUANTITY),
        simple("instruction"),
    ],
};
static R5_FORMULA: Type = Type {
    name: FORMULA,
    elements: &[
        part("baseFormulaType", &CODEABLE_REFERENCE),
        simple("baseFormulaProductName"),
        part("deliveryDevice", &CODEABLE_REFERENCE),
        part("additive", &R5_ADDITIVE),
        part("caloricDensity", &QUANTITY),
        part("routeOfAdministration", &CONCEPT),
        part("administration", &R5_ADMINISTRATION),
        part("maxVolumeToDeliver", &QUANTITY),
        simple("administrationInstruction"),
    ],
};
static R5_ADDITIVE: Type = Type {
    name: ADDITIVE,
    elements: &[part("type", &CODEABLE_REFERENCE), simple("productName"), part("quantity", &QUANTITY)],
};
static R5_ADMINISTRATION: Type = Type {
    name: ADMINISTRATION,
    elements: &[
        part("schedule", &R5_SCHEDULE),
        part("quantity", &QUANTITY),
        part("rateQuantity", &QUANTITY),
        part("rateRatio", &RATIO),
    ],
};

const FORMULA: &str = "enteralFormula";
const ADMINISTRATION: &str = "administration";
const ADDITIVE: &str = "additive";

/// What an order holds that this program does not know.
#[derive(Debug, Default, PartialEq, Eq)]
pub(super) struct Unknowns {
    pub extensions: Vec<At>,
    /// Extensions of this program's own that are not read where they stand, and unknown parts of those that are.
    pub misplaced: Vec<At>,
    pub modifiers: Vec<At>,
    pub elements: Vec<At>,
}

/// The same for an order that has no element that is not known, because it is of the version's shape: only what may
/// stand in any element is looked for.
pub(super) fn unknowns_of_valid(order: Node<'_>, version: FhirVersion) -> Unknowns {
    let mut walk = Walk { version, found: Unknowns::default() };
    let formula = order.get(FORMULA).map(Node::at);
    for node in order.outermost(&["extension", "modifierExtension", "implicitRules", "_implicitRules", "contained"]) {
        let Some(holder) = node.parent() else { continue };
        match node.key().as_deref() {
            Some("extension") => {
                // The list that the holder is an item of, where it is one.
                let list = holder.parent().filter(|list| list.kind() == Kind::Array);
                let in_formula = |list: &Node<'_>| formula.is_some() && list.parent().map(Node::at) == formula;
                let on = match list.filter(in_formula).and_then(Node::key).as_deref() {
                    Some(ADMINISTRATION) => ADMINISTRATION,
                    Some(ADDITIVE) => ADDITIVE,
                    _ if formula == Some(holder.at()) => FORMULA,
                    _ => "",
                };
                walk.extensions(node, on, true);
            }
            Some("modifierExtension") => walk.modifiers(node),
            Some("contained") => node.items().for_each(|item| walk.object(item, None, true)),
            _ => walk.found.modifiers.push(node.at()),
        }
    }
    debug_assert_eq!(walk.found, unknowns(order, version), "what a valid order holds that is not known");
    walk.found
}

/// Walks every node of the order, contained resources and datatypes included.
pub(super) fn unknowns(order: Node<'_>, version: FhirVersion) -> Unknowns {
    let order_type = match version {
        FhirVersion::R4 | FhirVersion::R4B => &R4_ORDER,
        FhirVersion::R5 => &R5_ORDER,
    };
    let mut walk = Walk { version, found: Unknowns::default() };
    walk.object(order, Some(order_type), true);
    walk.found
}

struct Walk {
    version: FhirVersion,
    found: Unknowns,
}

impl Walk {
    /// `of`: the type, when known. `listing`: whether extensions met are to be listed (not inside one that
    /// is already listed). The depth is bounded by the JSON reader.
    fn object(&mut self, node: Node<'_>, of: Option<&'static Type>, listing: bool) {
        let resource = || node.get("resourceType").is_some();
        for (key, value) in node.members() {
            match key.as_ref() {
                "id" => {}
                "resourceType" if resource() => {}
                "extension" => self.extensions(value, of.map_or("", |t| t.name), listing),
                "modifierExtension" => self.modifiers(value),
                "implicitRules" | "_implicitRules" if resource() => self.found.modifiers.push(value.at()),
                "contained" if resource() => {
                    for item in value.items() {
                        self.object(item, None, listing);
                    }
                }
                name => match of {
                    None => self.any(value, None, listing),
                    Some(of) => self.element(name, value, of, listing),
                },
            }
        }
    }

    fn element(&mut self, name: &str, value: Node<'_>, of: &'static Type, listing: bool) {
        let (plain, own_mark, companion) = match name.strip_prefix('_') {
            Some(plain) => (plain, mark(plain.as_bytes()), true),
            None => (name, value.mark(), false),
        };
        let holds = of.elements.iter().find(|e| e.mark == own_mark && e.name == plain).map(|e| &e.holds);
        match (holds, companion) {
            (Some(Holds::Of(inner)), false) => self.any(value, Some(inner), listing),
            // A `div` or another primitive has nothing inside unless the shape is wrong, which reading reports.
            (Some(Holds::Primitive), false) => {}
            (Some(Holds::Primitive), true) => self.any(value, Some(&COMPANION), listing),
            _ => {
                self.found.elements.push(value.at());
                // What is not known may still carry a modifier.
                self.any(value, None, false);
            }
        }
    }

    fn any(&mut self, value: Node<'_>, of: Option<&'static Type>, listing: bool) {
        match value.kind() {
            Kind::Object => self.object(value, of, listing),
            Kind::Array => {
                for item in value.items() {
                    self.any(item, of, listing);
                }
            }
            _ => {}
        }
    }

    fn modifiers(&mut self, value: Node<'_>) {
        if value.kind() == Kind::Array && !value.is_empty() {
            self.found.modifiers.extend(value.items().map(Node::at));
        } else {
            self.found.modifiers.push(value.at());
        }
    }

    fn extensions(&mut self, value: Node<'_>, on: &'static str, listing: bool) {
        if value.kind() != Kind::Array {
            self.found.extensions.push(value.at());
            return;
        }
        for item in value.items() {
            let url = item.get("url").and_then(Node::as_str).unwrap_or_default();
            let Some(parts) = understood(&url, on, self.version) else {
                if extension::is_own(&url) {
                    self.found.misplaced.push(item.at());
                } else if listing {
                    self.found.extensions.push(item.at());
                }
                self.any(item, None, false);
                continue;
            };
            for (key, inner) in item.members() {
                match key.as_ref() {
                    "url" | "id" => {}
                    "extension" => {
                        for part in inner.items() {
                            let known =
                                part.get("url").and_then(Node::as_str).is_some_and(|u| parts.contains(&u.as_ref()));
                            if !known && extension::is_own(&url) {
                                self.found.misplaced.push(part.at());
                            } else if !known && listing {
                                self.found.extensions.push(part.at());
                            }
                            for (key, deeper) in part.members() {
                                if key != "url" {
                                    self.any(deeper, None, known && listing);
                                }
                            }
                        }
                    }
                    "modifierExtension" => self.modifiers(inner),
                    _ => self.any(inner, None, listing),
                }
            }
        }
    }
}

static COMPANION: Type = Type { name: "", elements: &[] };

/// The parts of an extension that is read where it stands, or that changes nothing; `None` when it is not
/// known there.
fn understood(url: &str, on: &str, version: FhirVersion) -> Option<&'static [&'static str]> {
    let r5 = version == FhirVersion::R5;
    match (url, on) {
        (extension::WATER_FLUSH, FORMULA) => Some(&["volume", "schedule", "with-each-feed", "fluid"]),
        (extension::ADMINISTRATION_PRODUCT, ADMINISTRATION) => Some(&[]),
        (extension::ADDITIVE_DOSE, FORMULA) if !r5 => Some(&["item", "quantity", "per"]),
        (extension::ADDITIVE_QUANTITY_R5, FORMULA) if !r5 => Some(&[]),
        (extension::ADDITIVE_PER, ADDITIVE) if r5 => Some(&[]),
        (extension::TRANSLATION, _) => Some(&["lang", "content"]),
        (url, _) if extension::CHANGES_NOTHING.contains(&url) => Some(&[]),
        _ => None,
    }
}
