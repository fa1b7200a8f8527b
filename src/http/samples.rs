//! The invented sample orders of the demo, and what an institution says of them.

use crate::appraise::{Institution, appraise_by};
use crate::intake::order::FhirVersion;
use crate::queue::report;

/// One sample.
#[derive(Clone, Copy, Debug)]
pub struct Sample {
    /// Name in `/demo/orders/{name}`.
    pub name: &'static str,
    /// What it shows.
    pub about: &'static str,
    /// The FHIR version it is written in.
    pub version: FhirVersion,
    /// The Bundle.
    pub text: &'static str,
}

macro_rules! sample {
    ($name:literal, $version:ident, $about:literal) => {
        Sample {
            name: $name,
            about: $about,
            version: FhirVersion::$version,
            text: include_str!(concat!("../../deploy/demo/orders/", $name, ".json")),
        }
    };
}

/// All samples. People, products and numbers are invented.
pub const SAMPLES: [Sample; 11] = [
    sample!("demo-1-toddler", R4, "toddler, five feeds by day"),
    sample!("demo-2-intensive-care", R4, "intensive care, continuous feed"),
    sample!("demo-3-home-cyclic", R4, "home, night feed with two feeds by day"),
    sample!("demo-4-jejunal-bolus", R4, "bolus feeds into the jejunum"),
    sample!("demo-5-steps-over-cap", R4, "stepped rate whose day exceeds the maximum volume"),
    sample!("demo-6-infant-24kcal", R4, "infant, 24 kcal/oz"),
    sample!("demo-7-pounds", R4, "a weight in pounds entered as kilograms"),
    sample!("demo-8-hold-in-text", R4, "a hold that stands only in the instruction text"),
    sample!("demo-9-no-density", R4, "a formula that is not in the formulary, without an energy density"),
    sample!("demo-10-toddler", R5, "the toddler of demo-1, written in R5"),
    sample!("demo-11-home-additive", R5, "home feed with a protein modular per day, written in R5"),
];

/// Orders that say hardly anything, as drafts do that come without a patient's data. Invented as the others are.
const BARE: [(FhirVersion, &str); 2] = [
    (
        FhirVersion::R5,
        r#"{"resourceType":"NutritionOrder","id":"bare-1","status":"draft","intent":"order","subject":{"reference":"Patient/bare-1"},"enteralFormula":{"administration":[{"schedule":{"timing":[{"repeat":{"frequency":5,"period":1,"periodUnit":"d"}}]},"quantity":{"value":180,"unit":"ml"}}]}}"#,
    ),
    (
        FhirVersion::R4,
        r#"{"resourceType":"NutritionOrder","id":"bare-2","status":"draft","intent":"order","patient":{"display":"Invented"},"dateTime":"2030-03-04T09:30:00+01:00","enteralFormula":{"baseFormulaProductName":"Invented feed on no list","administration":[{"schedule":{"repeat":{"duration":16,"durationUnit":"h","frequency":1,"period":1,"periodUnit":"d"}},"rateQuantity":{"value":90,"unit":"mL/h","system":"http://unitsofmeasure.org","code":"mL/h"}}]}}"#,
    ),
];

/// What an institution says of invented orders, as it is kept (JSON); the same to the byte as long as the institution and
/// the program are. One that cannot be judged is left out.
pub fn reports(by: Institution<'_>) -> Vec<String> {
    let mut out = Vec::new();
    for (version, text) in SAMPLES.iter().rev().map(|sample| (sample.version, sample.text)).chain(BARE) {
        let appraisal = appraise_by(text.as_bytes(), "", version, by);
        for order in &appraisal.orders {
            out.extend(serde_json::to_string(&report::of(&appraisal, order, &[], None)));
        }
    }
    out
}
