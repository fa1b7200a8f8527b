//! The elements of NutritionOrder and of the datatypes it uses, per version family, and the walk over an
//! order that finds what this program does not know: elements, extensions and modifiers.
//!
//! Source: the StructureDefinitions of FHIR 4.0.1, 4.3.0 (the same structure) and 5.0.0.

use crate::intake::json::{Kind, Node};
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
    elements: &'static [(&'static str, Holds)],
}

use Holds::{Of, Primitive as P};

static META: Type = Type {
    name: "Meta",
    elements: &[
        ("versionId", P),
        ("lastUpdated", P),
        ("source", P),
        ("profile", P),
        ("security", Of(&CODING)),
        ("tag", Of(&CODING)),
    ],
};
static NARRATIVE: Type = Type { name: "Narrative", elements: &[("status", P), ("div", P)] };
static PERIOD: Type = Type { name: "Period", elements: &[("start", P), ("end", P)] };
static CODING: Type = Type {
    name: "Coding",
    elements: &[("system", P), ("version", P), ("code", P), ("display", P), ("userSelected", P)],
};
static CONCEPT: Type = Type { name: "CodeableConcept", elements: &[("coding", Of(&CODING)), ("text", P)] };
static IDENTIFIER: Type = Type {
    name: "Identifier",
    elements: &[
        ("use", P),
        ("type", Of(&CONCEPT)),
        ("system", P),
        ("value", P),
        ("period", Of(&PERIOD)),
        ("assigner", Of(&REFERENCE)),
    ],
};
static REFERENCE: Type = Type {
    name: "Reference",
    elements: &[("reference", P), ("type", P), ("identifier", Of(&IDENTIFIER)), ("display", P)],
};
static CODEABLE_REFERENCE: Type =
    Type { name: "CodeableReference", elements: &[("concept", Of(&CONCEPT)), ("reference", Of(&REFERENCE))] };
static QUANTITY: Type =
    Type { name: "Quantity", elements: &[("value", P), ("comparator", P), ("unit", P), ("system", P), ("code", P)] };
static RATIO: Type = Type { name: "Ratio", elements: &[("numerator", Of(&QUANTITY)), ("denominator", Of(&QUANTITY))] };
static RANGE: Type = Type { name: "Range", elements: &[("low", Of(&QUANTITY)), ("high", Of(&QUANTITY))] };
static ANNOTATION: Type = Type {
    name: "Annotation",
    elements: &[("authorReference", Of(&REFERENCE)), ("authorString", P), ("time", P), ("text", P)],
};
static TIMING: Type =
    Type { name: "Timing", elements: &[("event", P), ("repeat", Of(&REPEAT)), ("code", Of(&CONCEPT))] };
static REPEAT: Type = Type {
    name: "Timing.repeat",
    elements: &[
        ("boundsDuration", Of(&QUANTITY)),
        ("boundsRange", Of(&RANGE)),
        ("boundsPeriod", Of(&PERIOD)),
        ("count", P),
        ("countMax", P),
        ("duration", P),
        ("durationMax", P),
        ("durationUnit", P),
        ("frequency", P),
        ("frequencyMax", P),
        ("period", P),
        ("periodMax", P),
        ("periodUnit", P),
        ("dayOfWeek", P),
        ("timeOfDay", P),
        ("when", P),
        ("offset", P),
    ],
};
static NUTRIENT: Type =
    Type { name: "oralDiet.nutrient", elements: &[("modifier", Of(&CONCEPT)), ("amount", Of(&QUANTITY))] };
static TEXTURE: Type =
    Type { name: "oralDiet.texture", elements: &[("modifier", Of(&CONCEPT)), ("foodType", Of(&CONCEPT))] };

static R4_ORDER: Type = Type {
    name: "NutritionOrder",
    elements: &[
        ("identifier", Of(&IDENTIFIER)),
        ("instantiatesCanonical", P),
        ("instantiatesUri", P),
        ("instantiates", P),
        ("status", P),
        ("intent", P),
        ("patient", Of(&REFERENCE)),
        ("encounter", Of(&REFERENCE)),
        ("dateTime", P),
        ("orderer", Of(&REFERENCE)),
        ("allergyIntolerance", Of(&REFERENCE)),
        ("foodPreferenceModifier", Of(&CONCEPT)),
        ("excludeFoodModifier", Of(&CONCEPT)),
        ("oralDiet", Of(&R4_ORAL_DIET)),
        ("supplement", Of(&R4_SUPPLEMENT)),
        ("enteralFormula", Of(&R4_FORMULA)),
        ("note", Of(&ANNOTATION)),
        ("meta", Of(&META)),
        ("implicitRules", P),
        ("language", P),
        ("text", Of(&NARRATIVE)),
    ],
};
static R4_ORAL_DIET: Type = Type {
    name: "oralDiet",
    elements: &[
        ("type", Of(&CONCEPT)),
        ("schedule", Of(&TIMING)),
        ("nutrient", Of(&NUTRIENT)),
        ("texture", Of(&TEXTURE)),
        ("fluidConsistencyType", Of(&CONCEPT)),
        ("instruction", P),
    ],
};
static R4_SUPPLEMENT: Type = Type {
    name: "supplement",
    elements: &[
        ("type", Of(&CONCEPT)),
        ("productName", P),
        ("schedule", Of(&TIMING)),
        ("quantity", Of(&QUANTITY)),
        ("instruction", P),
    ],
};
static R4_FORMULA: Type = Type {
    name: FORMULA,
    elements: &[
        ("baseFormulaType", Of(&CONCEPT)),
        ("baseFormulaProductName", P),
        ("additiveType", Of(&CONCEPT)),
        ("additiveProductName", P),
        ("caloricDensity", Of(&QUANTITY)),
        ("routeofAdministration", Of(&CONCEPT)),
        ("administration", Of(&R4_ADMINISTRATION)),
        ("maxVolumeToDeliver", Of(&QUANTITY)),
        ("administrationInstruction", P),
    ],
};
static R4_ADMINISTRATION: Type = Type {
    name: ADMINISTRATION,
    elements: &[
        ("schedule", Of(&TIMING)),
        ("quantity", Of(&QUANTITY)),
        ("rateQuantity", Of(&QUANTITY)),
        ("rateRatio", Of(&RATIO)),
    ],
};

static R5_ORDER: Type = Type {
    name: "NutritionOrder",
    elements: &[
        ("identifier", Of(&IDENTIFIER)),
        ("instantiatesCanonical", P),
        ("instantiatesUri", P),
        ("instantiates", P),
        ("basedOn", Of(&REFERENCE)),
        ("groupIdentifier", Of(&IDENTIFIER)),
        ("status", P),
        ("intent", P),
        ("priority", P),
        ("subject", Of(&REFERENCE)),
        ("encounter", Of(&REFERENCE)),
        ("supportingInformation", Of(&REFERENCE)),
        ("dateTime", P),
        ("orderer", Of(&REFERENCE)),
        ("performer", Of(&CODEABLE_REFERENCE)),
        ("allergyIntolerance", Of(&REFERENCE)),
        ("foodPreferenceModifier", Of(&CONCEPT)),
        ("excludeFoodModifier", Of(&CONCEPT)),
        ("outsideFoodAllowed", P),
        ("oralDiet", Of(&R5_ORAL_DIET)),
        ("supplement", Of(&R5_SUPPLEMENT)),
        ("enteralFormula", Of(&R5_FORMULA)),
        ("note", Of(&ANNOTATION)),
        ("meta", Of(&META)),
        ("implicitRules", P),
        ("language", P),
        ("text", Of(&NARRATIVE)),
    ],
};
static R5_SCHEDULE: Type =
    Type { name: "schedule", elements: &[("timing", Of(&TIMING)), ("asNeeded", P), ("asNeededFor", Of(&CONCEPT))] };
static R5_ORAL_DIET: Type = Type {
    name: "oralDiet",
    elements: &[
        ("type", Of(&CONCEPT)),
        ("schedule", Of(&R5_SCHEDULE)),
        ("nutrient", Of(&NUTRIENT)),
        ("texture", Of(&TEXTURE)),
        ("fluidConsistencyType", Of(&CONCEPT)),
        ("instruction", P),
    ],
};
static R5_SUPPLEMENT: Type = Type {
    name: "supplement",
    elements: &[
        ("type", Of(&CODEABLE_REFERENCE)),
        ("productName", P),
        ("schedule", Of(&R5_SCHEDULE)),
        ("quantity", Of(&QUANTITY)),
        ("instruction", P),
    ],
};
static R5_FORMULA: Type = Type {
    name: FORMULA,
    elements: &[
        ("baseFormulaType", Of(&CODEABLE_REFERENCE)),
        ("baseFormulaProductName", P),
        ("deliveryDevice", Of(&CODEABLE_REFERENCE)),
        ("additive", Of(&R5_ADDITIVE)),
        ("caloricDensity", Of(&QUANTITY)),
        ("routeOfAdministration", Of(&CONCEPT)),
        ("administration", Of(&R5_ADMINISTRATION)),
        ("maxVolumeToDeliver", Of(&QUANTITY)),
        ("administrationInstruction", P),
    ],
};
static R5_ADDITIVE: Type = Type {
    name: ADDITIVE,
    elements: &[("type", Of(&CODEABLE_REFERENCE)), ("productName", P), ("quantity", Of(&QUANTITY))],
};
static R5_ADMINISTRATION: Type = Type {
    name: ADMINISTRATION,
    elements: &[
        ("schedule", Of(&R5_SCHEDULE)),
        ("quantity", Of(&QUANTITY)),
        ("rateQuantity", Of(&QUANTITY)),
        ("rateRatio", Of(&RATIO)),
    ],
};

const FORMULA: &str = "enteralFormula";
const ADMINISTRATION: &str = "administration";
const ADDITIVE: &str = "additive";

/// What an order holds that this program does not know.
#[derive(Default)]
pub(super) struct Unknowns {
    pub extensions: Vec<At>,
    /// Extensions of this program's own that are not read where they stand, and unknown parts of those that are.
    pub misplaced: Vec<At>,
    pub modifiers: Vec<At>,
    pub elements: Vec<At>,
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
        let (plain, companion) = match name.strip_prefix('_') {
            Some(plain) => (plain, true),
            None => (name, false),
        };
        let holds = of.elements.iter().find(|(own, _)| *own == plain).map(|(_, holds)| holds);
        match (holds, companion) {
            (Some(Of(inner)), false) => self.any(value, Some(inner), listing),
            // A `div` or another primitive has nothing inside unless the shape is wrong, which reading reports.
            (Some(P), false) => {}
            (Some(P), true) => self.any(value, Some(&COMPANION), listing),
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
