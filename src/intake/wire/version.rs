//! Which FHIR version an order looks like, for diagnosis only: nothing is ever read as another version
//! than the one it was sent as.

use super::datatypes::Datatypes;
use crate::intake::json::{Kind, Node};
use crate::intake::order::{At, FhirVersion};

/// A family of wire shapes an order can look like.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WireVersion {
    /// STU3 or older.
    Stu3,
    /// R4 or R4B.
    R4,
    /// R5.
    R5,
    /// The R6 ballot.
    R6,
}

impl WireVersion {
    /// Name for people.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Stu3 => "FHIR STU3 or older",
            Self::R4 => "R4",
            Self::R5 => "R5",
            Self::R6 => "the R6 ballot",
        }
    }

    const fn of(version: FhirVersion) -> Self {
        match version {
            FhirVersion::R4 | FhirVersion::R4B => Self::R4,
            FhirVersion::R5 => Self::R5,
        }
    }
}

/// A field that only one wire version has.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct VersionHint {
    /// Where.
    pub at: At,
    /// The field, or the field and its code, e.g. `enteralFormula.type` or `status ended`.
    pub field: String,
    /// The version it belongs to.
    pub version: WireVersion,
}

use WireVersion::{R4, R5, R6, Stu3};

/// Top-level names of one version only.
const TOP: [(&str, WireVersion); 10] = [
    ("patient", R4),
    ("subject", R5),
    ("basedOn", R5),
    ("groupIdentifier", R5),
    ("priority", R5),
    ("supportingInformation", R5),
    ("performer", R5),
    ("outsideFoodAllowed", R5),
    ("requester", R6),
    ("additive", R6),
];
/// Names in `enteralFormula` of one version only.
const FORMULA: [(&str, WireVersion); 10] = [
    ("routeofAdministration", R4),
    ("additiveType", R4),
    ("additiveProductName", R4),
    ("additive", R5),
    ("deliveryDevice", R5),
    ("type", R6),
    ("productName", R6),
    ("deliveryDeviceCodeableConcept", R6),
    ("deliveryDeviceCanonical", R6),
    ("maxVolumeToAdminister", R6),
];
/// Status codes of one version only.
const STATUS: [(&str, WireVersion); 5] =
    [("ended", R6), ("proposed", Stu3), ("planned", Stu3), ("requested", Stu3), ("cancelled", Stu3)];
/// Intent codes of one version only.
const INTENT: [(&str, WireVersion); 2] = [("solicit-offer", R6), ("offer-response", R6)];

/// Every field of the order that only one FHIR version has. A missing `intent` counts, for STU3, only
/// beside another sign of STU3.
pub fn diagnose_version(order: Node<'_>) -> Vec<VersionHint> {
    hints_beside(order, None)
}

/// The same without those of one version, which nobody asks for.
fn hints_beside(order: Node<'_>, own: Option<WireVersion>) -> Vec<VersionHint> {
    let mut hints = Hints { found: Vec::new(), own };
    for (key, value) in order.members() {
        let key = key.strip_prefix('_').unwrap_or(&key);
        if let Some((name, version)) = TOP.iter().find(|(name, _)| *name == key) {
            hints.add(value, name, *version);
        }
        match key {
            "status" => hints.code(value, "status", &STATUS),
            "intent" => hints.code(value, "intent", &INTENT),
            "enteralFormula" => hints.formula(value),
            "oralDiet" => {
                hints.has(value, "caloricDensity", "oralDiet", R6);
                hints.oral_schedule(value, "oralDiet.schedule");
            }
            "supplement" => {
                for item in value.items() {
                    hints.has(item, "caloricDensity", "supplement", R6);
                    hints.oral_schedule(item, "supplement.schedule");
                    if let Some(typed) = item.get("type") {
                        hints.concept(typed, "supplement.type");
                    }
                }
            }
            _ => {}
        }
    }
    if order.get("intent").is_none() && hints.found.iter().any(|h| h.version == Stu3) {
        hints.found.push(VersionHint { at: order.at(), field: "the missing intent".to_owned(), version: Stu3 });
    }
    hints.found
}

struct Hints {
    found: Vec<VersionHint>,
    own: Option<WireVersion>,
}

impl Hints {
    fn add(&mut self, node: Node<'_>, field: &str, version: WireVersion) {
        if self.own == Some(version) {
            return;
        }
        self.found.push(VersionHint { at: node.at(), field: field.to_owned(), version });
    }

    /// `prefix.name`, when the holder has it.
    fn has(&mut self, holder: Node<'_>, name: &str, prefix: &str, version: WireVersion) {
        if self.own == Some(version) {
            return;
        }
        if let Some(node) = holder.get(name) {
            self.add(node, &format!("{prefix}.{name}"), version);
        }
    }

    fn code(&mut self, node: Node<'_>, element: &str, set: &[(&str, WireVersion)]) {
        if let Some(code) = node.as_str()
            && let Some((own, version)) = set.iter().find(|(own, _)| *own == code)
        {
            self.add(node, &format!("{element} {own}"), *version);
        }
    }

    fn formula(&mut self, formula: Node<'_>) {
        for (key, value) in formula.members() {
            let key = key.strip_prefix('_').unwrap_or(&key);
            if let Some((name, version)) = FORMULA.iter().find(|(name, _)| *name == key)
                && self.own != Some(*version)
            {
                self.add(value, &format!("enteralFormula.{name}"), *version);
            }
            match key {
                "baseFormulaType" => self.concept(value, "enteralFormula.baseFormulaType"),
                // R5 when single, R6 when repeated.
                "routeOfAdministration" => {
                    let version = if value.kind() == Kind::Array { R6 } else { R5 };
                    let field = if version == R6 { "repeated " } else { "" };
                    self.add(value, &format!("{field}enteralFormula.routeOfAdministration"), version);
                }
                "administration" => {
                    for item in value.items() {
                        if let Some(schedule) = item.get("schedule") {
                            self.schedule(schedule, "enteralFormula.administration.schedule");
                        }
                    }
                }
                _ => {}
            }
        }
    }

    /// A CodeableConcept in R4, a CodeableReference in R5.
    fn concept(&mut self, node: Node<'_>, field: &str) {
        for name in ["coding", "text"] {
            self.has(node, name, field, R4);
        }
        for name in ["concept", "reference"] {
            self.has(node, name, field, R5);
        }
    }

    /// A Timing in R4, a backbone in R5.
    fn schedule(&mut self, node: Node<'_>, field: &str) {
        for name in ["repeat", "event", "code"] {
            self.has(node, name, field, R4);
        }
        for name in ["timing", "asNeeded", "asNeededFor"] {
            self.has(node, name, field, R5);
        }
        self.timing(node, field);
        if let Some(timings) = node.get("timing") {
            let field = format!("{field}.timing");
            for timing in timings.items() {
                self.timing(timing, &field);
            }
        }
    }

    /// Names of a Timing that STU3 and DSTU2 had.
    fn timing(&mut self, node: Node<'_>, field: &str) {
        if let Some(repeat) = node.get("repeat") {
            for name in ["periodUnits", "durationUnits", "units"] {
                if let Some(old) = repeat.get(name) {
                    self.add(old, &format!("{field}.repeat.{name}"), Stu3);
                }
            }
        }
    }

    /// `oralDiet.schedule` and `supplement.schedule`: repeating Timing in R4, one backbone in R5.
    fn oral_schedule(&mut self, holder: Node<'_>, field: &str) {
        if let Some(node) = holder.get("schedule") {
            match node.kind() {
                Kind::Array => {
                    self.add(node, &format!("repeated {field}"), R4);
                    for item in node.items() {
                        self.timing(item, field);
                    }
                }
                _ => self.schedule(node, field),
            }
        }
    }
}

/// Whether no field of the order is of another version.
pub(super) fn is_of(order: Node<'_>, version: FhirVersion) -> bool {
    hints_beside(order, Some(WireVersion::of(version))).is_empty()
}

/// Reports every other version that the order looks like: one problem a version, at its first field.
pub(super) fn report(read: &mut Datatypes, order: Node<'_>, version: FhirVersion) {
    let own = WireVersion::of(version);
    let hints = hints_beside(order, Some(own));
    if hints.is_empty() {
        return;
    }
    for other in [Stu3, R4, R5, R6] {
        if other == own {
            continue;
        }
        let mut fields: Vec<&str> = Vec::new();
        let mut at = None;
        for hint in hints.iter().filter(|h| h.version == other) {
            at = at.or(Some(hint.at));
            // The element's own name: where it stands, the place says.
            let name = hint.field.rsplit('.').next().unwrap_or(&hint.field);
            if !fields.contains(&name) {
                fields.push(name);
            }
        }
        let Some(at) = at else { continue };
        const MOST: usize = 6;
        let more = if fields.len() > MOST { ", …" } else { "" };
        let named = fields.iter().take(MOST).copied().collect::<Vec<_>>().join(", ");
        let text = match other {
            R4 | R5 => format!(
                "this looks like {} sent as {}: {named}{more}; send it as {} or correct these fields (nothing is converted)",
                other.name(),
                version.name(),
                other.name(),
            ),
            Stu3 | R6 => format!(
                "version not supported: this looks like {}: {named}{more}; expected R4, R4B or R5",
                other.name(),
            ),
        };
        read.grave(at, "not-supported", text);
    }
}
