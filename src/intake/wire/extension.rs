//! Extensions that are read, and those of the base specification that change nothing in an order.

/// Base of this project's own canonical URLs (RFC 2606 reserves `.example`).
pub const BASE: &str = "https://enteral-gate.example/fhir";
/// Whether a URL is one of this project's own, however it is spelled: passing over it would lose what was meant.
pub fn is_own(url: &str) -> bool {
    let lower = url.trim().to_ascii_lowercase();
    let rest = lower.strip_prefix("https").or_else(|| lower.strip_prefix("http")).unwrap_or("");
    rest.starts_with("://enteral-gate.example/")
}
/// On `enteralFormula`: a water flush.
pub const WATER_FLUSH: &str = "https://enteral-gate.example/fhir/StructureDefinition/water-flush";
/// On `enteralFormula.administration`: the product this entry gives instead of the base formula.
pub const ADMINISTRATION_PRODUCT: &str = "https://enteral-gate.example/fhir/StructureDefinition/administration-product";
/// On `enteralFormula` (R4, R4B): an additive with its amount and what the amount is per.
pub const ADDITIVE_DOSE: &str = "https://enteral-gate.example/fhir/StructureDefinition/additive-dose";
/// On `enteralFormula.additive` (R5): what its quantity is per.
pub const ADDITIVE_PER: &str = "https://enteral-gate.example/fhir/StructureDefinition/additive-per";
/// HL7's cross-version carrier of the R5 additive quantity on an R4 or R4B `enteralFormula`.
pub const ADDITIVE_QUANTITY_R5: &str =
    "http://hl7.org/fhir/5.0/StructureDefinition/extension-NutritionOrder.enteralFormula.additive.quantity";
/// Why a value is not there.
pub const DATA_ABSENT_REASON: &str = "http://hl7.org/fhir/StructureDefinition/data-absent-reason";
/// A translation of a text.
pub const TRANSLATION: &str = "http://hl7.org/fhir/StructureDefinition/translation";

/// Extensions of the base specification that explain or present a value and change none.
pub const CHANGES_NOTHING: [&str; 10] = [
    DATA_ABSENT_REASON,
    "http://hl7.org/fhir/StructureDefinition/originalText",
    "http://hl7.org/fhir/StructureDefinition/narrativeLink",
    "http://hl7.org/fhir/StructureDefinition/rendered-value",
    "http://hl7.org/fhir/StructureDefinition/rendering-markdown",
    "http://hl7.org/fhir/StructureDefinition/rendering-style",
    "http://hl7.org/fhir/StructureDefinition/rendering-xhtml",
    "http://hl7.org/fhir/StructureDefinition/display",
    "http://hl7.org/fhir/StructureDefinition/tz-code",
    "http://hl7.org/fhir/StructureDefinition/timezone",
];
