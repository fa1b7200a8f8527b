//! The official HL7 NutritionOrder examples (R4 and R5; published by HL7 under CC0): figures, ranges, unknowns
//! and readings, the same for both versions. The originals are read from the folder named by `EG_EXTERNAL_CORPUS`
//! (`r4/`, `r5/`); orders that state the same in this project's own words are in `tests/cases/published/` and are
//! always read. `docs/official-examples.md` gives the reasoning.

use enteral_gate::amount::{Amount, Why};
use enteral_gate::appraise::{Appraisal, Disposition, appraise};
use enteral_gate::exact::Exact;
use enteral_gate::findings::{Outcome, Tier};
use enteral_gate::formulary::Formulary;
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::nutrition::measure::Measure as M;
use enteral_gate::settings::Settings;
use std::path::PathBuf;

/// Runs a test on the example's replica in `tests/cases/published/` (the same figures in this project's own words),
/// and on the original where a corpus is given.
fn each(example: &str, replica: &str, test: impl Fn(&Appraisal<'_>)) {
    let formulary = Formulary::from_csv("formulary.csv", include_bytes!("../deploy/demo/formulary.csv")).unwrap();
    let settings = Settings::default();
    let ours = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/cases/published");
    let mut files = vec![
        (FhirVersion::R4, ours.join(format!("{replica}.r4.json"))),
        (FhirVersion::R4B, ours.join(format!("{replica}.r4.json"))),
        (FhirVersion::R5, ours.join(format!("{replica}.r5.json"))),
    ];
    match corpus() {
        Some(folder) => {
            for (version, sub) in [(FhirVersion::R4, "r4"), (FhirVersion::R4B, "r4"), (FhirVersion::R5, "r5")] {
                files.push((version, folder.join(sub).join(format!("NutritionOrder-{example}.json"))));
            }
        }
        None => println!("skipped: no external corpus was given (EG_EXTERNAL_CORPUS), so {example} was not read"),
    }
    for (version, path) in &files {
        let bytes = std::fs::read(path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
        let a = appraise(&bytes, "", *version, &formulary, &settings);
        assert_eq!(a.orders.len(), 1, "{}", path.display());
        test(&a);
    }
    println!("compared: {example} in {} files and versions", files.len());
}

fn corpus() -> Option<PathBuf> {
    std::env::var_os("EG_EXTERNAL_CORPUS").map(PathBuf::from)
}

fn ids(a: &Appraisal<'_>) -> Vec<&'static str> {
    a.orders[0].assumptions.iter().map(|(x, _)| x.id()).collect()
}

fn flagged<'a>(a: &'a Appraisal<'_>) -> Vec<(&'a str, Tier)> {
    a.orders[0]
        .judged
        .iter()
        .filter_map(|j| match &j.outcome {
            Outcome::Flagged(f) => f.iter().map(|f| f.tier).max().filter(|t| *t > Tier::Low).map(|t| (&*j.rule.id, t)),
            _ => None,
        })
        .collect()
}

fn range(amount: &Amount) -> (Exact, Option<Exact>) {
    (amount.low().expect("at least"), amount.high())
}

#[test]
fn bolus() {
    each("enteralbolus", "bolus", |a| {
        let (_, t) = a.orders[0].steady.as_ref().unwrap();
        assert_eq!(t.get(M::FormulaVolume), &Amount::Known(Exact::int(1440)));
        // 1.5 kcal/mL, and an additive without an amount: at least 2160.
        assert_eq!(range(t.get(M::Energy)), (Exact::int(2160), None));
        assert!(matches!(t.get(M::Protein), Amount::Unknown(why) if why.contains(&Why::ProductUnknown)));
        assert_eq!(t.get(M::LargestFeed), &Amount::Known(Exact::int(240)));
        assert_eq!(ids(a), ["A-01", "A-04", "A-06", "A-25", "A-35"]);
        // The maximum of 1440 mL is the schedule: no breach.
        assert!(!flagged(a).iter().any(|(id, _)| *id == "CON-03"));
        assert_eq!(a.disposition(), Disposition::Flagged);
    });
}

#[test]
fn continuous() {
    each("enteralcontinuous", "continuous", |a| {
        let order = &a.orders[0];
        assert_eq!(order.days.len(), 1);
        assert_eq!(range(order.days[0].1.get(M::FormulaVolume)), (Exact::int(880), Some(Exact::int(2160))));
        assert_eq!(range(order.days[0].1.get(M::Energy)), (Exact::int(880), Some(Exact::int(2160))));
        let (_, t) = order.steady.as_ref().unwrap();
        assert_eq!(range(t.get(M::FormulaVolume)), (Exact::int(880), Some(Exact::int(2400))));
        // 18:12 on the first day.
        let reached = order.days[0].0.laid.cap.unwrap();
        assert_eq!(reached.at, Exact::ratio(112 * 3600, 10));
        assert_eq!(ids(a), ["A-02", "A-04", "A-06", "A-10", "A-25"]);
        for expected in [("CON-03", Tier::High), ("UNT-03", Tier::Med), ("CMP-03", Tier::Med), ("CMP-02", Tier::High)] {
            assert!(flagged(a).contains(&expected), "{expected:?}");
        }
    });
}

#[test]
fn infant() {
    each("infantenteral", "infant", |a| {
        let (_, t) = a.orders[0].steady.as_ref().unwrap();
        // 8 × 4 fl oz(US) of 29.5735295625 mL; 20 kcal/oz × 32 oz.
        let ml = Exact::decimal(295_735_295_625, 10).mul(Exact::int(32)).unwrap();
        assert_eq!(t.get(M::FormulaVolume), &Amount::Known(ml));
        assert_eq!(range(t.get(M::Energy)), (Exact::int(640), None));
        assert_eq!(ids(a), ["A-01", "A-04", "A-05", "A-06", "A-09", "A-25", "A-35"]);
        // By mouth is no tube route.
        assert!(flagged(a).contains(&("CMP-01", Tier::High)));
        assert!(!flagged(a).iter().any(|(id, _)| *id == "CON-03"));
    });
}

/// Diets by mouth are not tube feeds, and an order without any content is none: nothing is computed, and nothing is
/// clear. (The last is HL7's test of the constraint nor-1.)
#[test]
fn diets_by_mouth_and_an_empty_order() {
    let Some(folder) = corpus() else {
        println!("skipped: no external corpus was given (EG_EXTERNAL_CORPUS)");
        return;
    };
    let formulary = Formulary::from_csv("formulary.csv", include_bytes!("../deploy/demo/formulary.csv")).unwrap();
    let settings = Settings::default();
    let diets = ["cardiacdiet", "diabeticdiet", "fiberrestricteddiet", "pureeddiet", "renaldiet", "texturemodified"];
    let files = diets
        .iter()
        .map(|name| (FhirVersion::R4, format!("r4/NutritionOrder-{name}.json")))
        .chain([(FhirVersion::R5, "r5/NutritionOrder-nor-1.f1.fail.json".to_owned())]);
    for (version, file) in files {
        let bytes = std::fs::read(folder.join(&file)).unwrap_or_else(|e| panic!("{file}: {e}"));
        let a = appraise(&bytes, "", version, &formulary, &settings);
        assert!(a.orders[0].days.is_empty() && a.orders[0].steady.is_err(), "{file}");
        let expected = if version == FhirVersion::R4 { Disposition::NotFullyChecked } else { Disposition::Flagged };
        assert_eq!(a.disposition(), expected, "{file}");
    }
}
