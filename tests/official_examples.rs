//! The official HL7 NutritionOrder examples (R4 and R5; published by HL7 under CC0): figures, ranges, unknowns
//! and readings, the same for both versions. They are read from the folder named by `EG_EXTERNAL_CORPUS`
//! (`r4/`, `r5/`); `docs/official-examples.md` gives the reasoning.

use enteral_gate::amount::{Amount, Why};
use enteral_gate::appraise::{Appraisal, Disposition, appraise};
use enteral_gate::exact::Exact;
use enteral_gate::findings::{Outcome, Tier};
use enteral_gate::formulary::Formulary;
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::nutrition::measure::Measure as M;
use enteral_gate::settings::Settings;
use std::path::PathBuf;

fn each(example: &str, test: impl Fn(&Appraisal<'_>)) {
    let Some(folder) = std::env::var_os("EG_EXTERNAL_CORPUS").map(PathBuf::from) else {
        println!("skipped: no external corpus was given (EG_EXTERNAL_CORPUS), so {example} was not read");
        return;
    };
    let formulary = Formulary::from_csv("formulary.csv", include_bytes!("../deploy/demo/formulary.csv")).unwrap();
    let settings = Settings::default();
    let mut read = 0;
    for (version, sub) in [(FhirVersion::R4, "r4"), (FhirVersion::R4B, "r4"), (FhirVersion::R5, "r5")] {
        let path = folder.join(sub).join(format!("NutritionOrder-{example}.json"));
        let Ok(bytes) = std::fs::read(&path) else { continue };
        test(&appraise(&bytes, "", version, &formulary, &settings));
        read += 1;
    }
    assert!(read > 0, "{example} is not in the corpus");
    println!("compared: {example} in {read} versions");
}

fn ids(a: &Appraisal<'_>) -> Vec<&'static str> {
    a.orders[0].assumptions.iter().map(|(x, _)| x.id()).collect()
}

fn flagged(a: &Appraisal<'_>) -> Vec<(&'static str, Tier)> {
    a.orders[0]
        .judged
        .iter()
        .filter_map(|j| match &j.outcome {
            Outcome::Flagged(f) => f.iter().map(|f| f.tier).max().filter(|t| *t > Tier::Low).map(|t| (j.rule.id, t)),
            _ => None,
        })
        .collect()
}

fn range(amount: &Amount) -> (Exact, Option<Exact>) {
    (amount.low().expect("at least"), amount.high())
}

#[test]
fn bolus() {
    each("enteralbolus", |a| {
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
    each("enteralcontinuous", |a| {
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
    each("infantenteral", |a| {
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

/// Diets by mouth are not tube feeds: nothing is computed, and nothing is clear.
#[test]
fn diets_by_mouth() {
    for example in ["cardiacdiet", "renaldiet", "pureeddiet", "texturemodified", "diabeticdiet", "fiberrestricteddiet"]
    {
        let Some(folder) = std::env::var_os("EG_EXTERNAL_CORPUS").map(PathBuf::from) else {
            println!("skipped: no external corpus was given (EG_EXTERNAL_CORPUS)");
            return;
        };
        let Ok(bytes) = std::fs::read(folder.join("r4").join(format!("NutritionOrder-{example}.json"))) else {
            continue;
        };
        let formulary = Formulary::from_csv("formulary.csv", include_bytes!("../deploy/demo/formulary.csv")).unwrap();
        let settings = Settings::default();
        let a = appraise(&bytes, "", FhirVersion::R4, &formulary, &settings);
        assert!(!a.orders[0].computed, "{example}");
        assert_eq!(a.disposition(), Disposition::NotFullyChecked, "{example}");
    }
}
