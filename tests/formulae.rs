//! Examples of the formulae of `docs/calculation.md`, one test for each group. The arithmetic is derived; where a
//! figure rests on a published source, that source is named. Products are those of the invented formulary, or are
//! invented beside their test.
//!
//! Not here, because an order does not say what was given or when it was held: catching up after a stop, the
//! percentage delivered, and the hours left when the feed is held around medicines. Nor the osmolality of mixtures
//! from their parts: it is not a sum of parts, and is answered as unknown.

use enteral_gate::amount::{Amount, Why};
use enteral_gate::appraise::appraise;
use enteral_gate::exact::{Decimal, Exact};
use enteral_gate::findings::{Disposition, Outcome, Tier};
use enteral_gate::formulary::Formulary;
use enteral_gate::formulary::product::Nutrient;
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::nutrition::content::water_from_density;
use enteral_gate::nutrition::measure::Measure as M;
use enteral_gate::nutrition::totals::Totals;
use enteral_gate::settings::Settings;
use std::sync::LazyLock;

static FORMULARY: LazyLock<Formulary> =
    LazyLock::new(|| Formulary::from_csv("formulary.csv", include_bytes!("../deploy/demo/formulary.csv")).unwrap());

const COLUMNS: &str = "key,name,form,age_class,basis,energy_kcal,protein_g,carbohydrate_g,fat_g,fibre_g,water_mL,sodium_mg,potassium_mg,chloride_mg,calcium_mg,phosphorus_mg,magnesium_mg,osmolality_mOsm_per_kg,displacement_mL,containers_mL,source,source_date";

/// A formulary of invented rows; each row gives all columns but the source.
fn invented(rows: &[&str]) -> Formulary {
    let mut csv = COLUMNS.to_owned();
    for row in rows {
        csv.push_str(&format!("\n{row},invented for a test,2026-11-25"));
    }
    Formulary::from_csv("test.csv", csv.as_bytes()).unwrap_or_else(|p| panic!("{p:?}"))
}

/// What an order comes to.
struct Answer {
    first: Totals,
    steady: Totals,
    flagged: Vec<(String, Tier)>,
    disposition: Disposition,
}

/// An order of a product for an adult of `kg`, or an infant where that is under 10 kg. `more`: members of
/// `enteralFormula`, each with its comma behind.
fn order(formulary: &Formulary, product: &str, administration: &str, more: &str, kg: &str) -> Answer {
    let born = if kg.parse::<f64>().unwrap() < 10.0 { "2026-09-25" } else { "1980-11-25" };
    let text = format!(
        r#"{{"resourceType":"Bundle","type":"collection","entry":[{{"fullUrl":"https://enteral-gate.example/fhir/Patient/p","resource":{{"resourceType":"Patient","id":"p","birthDate":"{born}"}}}},{{"fullUrl":"https://enteral-gate.example/fhir/Observation/w","resource":{{"resourceType":"Observation","id":"w","status":"final","code":{{"coding":[{{"system":"http://loinc.org","code":"29463-7"}}]}},"subject":{{"reference":"Patient/p"}},"effectiveDateTime":"2026-11-25T05:00:00Z","valueQuantity":{{"value":{kg},"system":"http://unitsofmeasure.org","code":"kg"}}}}}},{{"fullUrl":"https://enteral-gate.example/fhir/NutritionOrder/o","resource":{{"resourceType":"NutritionOrder","id":"o","status":"active","intent":"order","patient":{{"reference":"Patient/p"}},"dateTime":"2026-11-25T07:00:00Z","orderer":{{"reference":"Practitioner/x"}},"enteralFormula":{{{more}"baseFormulaProductName":"{product}","routeofAdministration":{{"coding":[{{"system":"http://terminology.hl7.org/CodeSystem/v3-RouteOfAdministration","code":"NGT"}}]}},"administration":[{administration}]}}}}}}]}}"#
    );
    let settings = Settings::default();
    let a = appraise(text.as_bytes(), "", FhirVersion::R4, formulary, &settings);
    let o = &a.orders[0];
    let flagged = o.judged.iter().filter_map(|j| match &j.outcome {
        Outcome::Flagged(f) => Some((j.rule.id.to_string(), f.iter().map(|f| f.tier).max().unwrap())),
        _ => None,
    });
    let first = o.days.first().unwrap_or_else(|| panic!("{text}")).1.clone();
    Answer {
        steady: o.steady.as_ref().map_or_else(|_| o.days.last().unwrap().1.clone(), |d| d.1.clone()),
        first,
        flagged: flagged.filter(|(_, t)| *t > Tier::Low).collect(),
        disposition: a.disposition(),
    }
}

/// The steady day of an order of the invented formulary.
fn day(product: &str, administration: &str, more: &str, kg: &str) -> Totals {
    order(&FORMULARY, product, administration, more, kg).steady
}

fn q(value: &str, unit: &str) -> String {
    format!(r#"{{"value":{value},"system":"http://unitsofmeasure.org","code":"{unit}"}}"#)
}

fn rate(per_hour: &str) -> String {
    format!(r#"{{"rateQuantity":{}}}"#, q(per_hour, "mL/h"))
}

fn feeds(ml: &str, repeat: &str) -> String {
    format!(r#"{{"schedule":{{"repeat":{{{repeat}}}}},"quantity":{}}}"#, q(ml, "mL"))
}

fn a_day(n: u32) -> String {
    format!(r#""frequency":{n},"period":1,"periodUnit":"d""#)
}

fn every(hours: u32) -> String {
    format!(r#""frequency":1,"period":{hours},"periodUnit":"h""#)
}

/// A run at a rate from a clock time.
fn run(per_hour: &str, from: &str, hours: u32) -> String {
    format!(
        r#"{{"schedule":{{"repeat":{{"timeOfDay":["{from}:00"],"duration":{hours},"durationUnit":"h"}}}},"rateQuantity":{}}}"#,
        q(per_hour, "mL/h")
    )
}

/// A rate from an instant, to another where one is given.
fn step(value: &str, unit: &str, start: &str, end: Option<&str>) -> String {
    let end = end.map_or_else(String::new, |e| format!(r#","end":"2026-{e}:00:00Z""#));
    format!(
        r#"{{"schedule":{{"repeat":{{"boundsPeriod":{{"start":"2026-{start}:00:00Z"{end}}}}}}},"rateQuantity":{}}}"#,
        q(value, unit)
    )
}

fn density(value: &str, unit: &str) -> String {
    format!(r#""caloricDensity":{},"#, q(value, unit))
}

/// Extensions of the formula: additives (name, value, unit) and flushes (mL, repeat).
fn extensions(additives: &[(&str, &str, &str)], flushes: &[(&str, String)]) -> String {
    let base = "https://enteral-gate.example/fhir/StructureDefinition";
    let additives = additives.iter().map(|(name, value, unit)| {
        format!(
            r#"{{"url":"{base}/additive-dose","extension":[{{"url":"item","valueCodeableConcept":{{"text":"{name}"}}}},{{"url":"quantity","valueQuantity":{}}}]}}"#,
            q(value, unit)
        )
    });
    let flushes = flushes.iter().map(|(ml, repeat)| {
        format!(
            r#"{{"url":"{base}/water-flush","extension":[{{"url":"volume","valueQuantity":{}}},{{"url":"schedule","valueTiming":{{"repeat":{{{repeat}}}}}}}]}}"#,
            q(ml, "mL")
        )
    });
    format!(r#""extension":[{}],"#, additives.chain(flushes).collect::<Vec<_>>().join(","))
}

/// As printed: rounded half-up to the digits shown.
fn is(t: &Totals, m: M, text: &str) {
    let places = text.split_once('.').map_or(0, |(_, d)| d.len()) as u32;
    match t.get(m) {
        Amount::Known(x) => assert_eq!(x.rounded(places), text, "{}", m.code()),
        other => panic!("{} should be {text}: {other:?}", m.code()),
    }
}

fn known(t: &Totals, m: M) -> Exact {
    t.get(m).known().unwrap_or_else(|| panic!("{}: {:?}", m.code(), t.get(m)))
}

/// mL in a US fluid ounce (NIST Handbook 44: 29.573 53 mL).
fn ounce() -> Exact {
    Exact::decimal(295_735_295_625, 10)
}

#[test]
fn daily_volume() {
    let volume = |administration: &str, text: &str| is(&day("A10", administration, "", "80"), M::FormulaVolume, text);
    // Continuous, and in a window of the day that crosses midnight.
    volume(&rate("65"), "1560");
    volume(&rate("8.5"), "204.0");
    volume(&run("80", "21:00", 10), "800");
    volume(&run("110", "20:00", 12), "1320");
    // Intermittent and bolus.
    volume(&feeds("200", &a_day(5)), "1000");
    volume(&feeds("45", &every(3)), "360");
    volume(&feeds("240", &a_day(5)), "1200");
    volume(&feeds("90", &a_day(8)), "720");
    // Every 4 hours from 06:00 to 22:00 are five feeds.
    let t =
        day("A10", &feeds("100", r#""timeOfDay":["06:00:00","10:00:00","14:00:00","18:00:00","22:00:00"]"#), "", "80");
    is(&t, M::FeedsPerDay, "5");
    is(&t, M::FormulaVolume, "500");
    // A ratio: 200 mL per 3 h is 1600 mL a day, exactly.
    let ratio = format!(r#"{{"rateRatio":{{"numerator":{},"denominator":{}}}}}"#, q("200", "mL"), q("3", "h"));
    assert_eq!(day("A10", &ratio, "", "80").get(M::FormulaVolume), &Amount::Known(Exact::int(1600)));
    // Volume-based: 1,680 mL over the day, 1,500 mL over 20 h.
    for (ml, hours, per_hour) in [("1680", 24, "70.0"), ("1500", 20, "75.0")] {
        let repeat = format!(r#"{},"duration":{hours},"durationUnit":"h""#, a_day(1));
        is(&day("A10", &feeds(ml, &repeat), "", "80"), M::HighestRate, per_hour);
    }
}

#[test]
fn steps_and_the_maximum() {
    // 20, 40 and 60 mL/h for 8 h each.
    let stepped = [
        step("20", "mL/h", "11-25T07", Some("11-25T15")),
        step("40", "mL/h", "11-25T15", Some("11-25T23")),
        step("60", "mL/h", "11-25T23", Some("11-26T07")),
    ];
    is(&order(&FORMULARY, "A10", &stepped.join(","), "", "80").first, M::FormulaVolume, "960");
    // 60, 80 and 100 mL/h for 4 h each, and a maximum of 880 mL, reached 3.2 h into the last step.
    let capped = [
        step("60", "mL/h", "11-25T07", Some("11-25T11")),
        step("80", "mL/h", "11-25T11", Some("11-25T15")),
        step("100", "mL/h", "11-25T15", Some("11-25T19")),
    ];
    let maximum = format!(r#""maxVolumeToDeliver":{},"#, q("880", "mL/d"));
    let a = order(&FORMULARY, "A10", &capped.join(","), &maximum, "80");
    let volume = a.first.get(M::FormulaVolume);
    assert_eq!((volume.low(), volume.high()), (Some(Exact::int(880)), Some(Exact::int(960))));
    assert!(a.flagged.contains(&("CON-03".to_owned(), Tier::High)));
}

#[test]
fn energy() {
    is(&day("A12", &rate("65"), "", "80"), M::Energy, "1872");
    // 24 kcal per fluid ounce, and the bedside's ounce of 30 mL: 1.44 % apart. An order says which one it means.
    let of = |value: &str, unit: &str| day("INF", &feeds("90", &a_day(8)), &density(value, unit), "4.2");
    is(&of("24", "kcal/[foz_us]"), M::Energy, "584.3");
    is(&of("24", "kcal/(30.mL)"), M::Energy, "576.0");
    let (exact, bedside) = (known(&of("24", "kcal/[foz_us]"), M::Energy), Exact::int(576));
    assert_eq!(exact.sub(bedside).unwrap().div(bedside).unwrap().mul(Exact::int(100)).unwrap().rounded(2), "1.44");
    // 1,000 + 2 × 237 mL at 1.5 kcal/mL.
    let two = format!("{},{}", run("100", "21:00", 10), feeds("237", &a_day(2)));
    is(&day("A15", &two, "", "55"), M::Energy, "2211");
}

#[test]
fn strength_in_other_units() {
    let of = |value: &str, unit: &str| day("INF", &feeds("90", &a_day(8)), &density(value, unit), "4.2");
    for unit in [("0.8", "kcal/mL"), ("800", "kcal/L"), ("80", "kcal/dL"), ("3.3472", "kJ/mL"), ("24", "kcal/(30.mL)")]
    {
        assert_eq!(of(unit.0, unit.1).get(M::Energy), &Amount::Known(Exact::int(576)), "{unit:?}");
    }
    // kcal/oz to kcal/mL.
    for (per_ounce, exact, bedside) in [
        ("20", "0.6763", "0.6667"),
        ("22", "0.7439", "0.7333"),
        ("24", "0.8115", "0.8000"),
        ("26", "0.8792", "0.8667"),
        ("27", "0.9130", "0.9000"),
        ("28", "0.9468", "0.9333"),
        ("30", "1.0144", "1.0000"),
    ] {
        is(&of(per_ounce, "kcal/[foz_us]"), M::EnergyDensity, exact);
        is(&of(per_ounce, "kcal/(30.mL)"), M::EnergyDensity, bedside);
    }
}

#[test]
fn macronutrients_and_shares() {
    let t = day("HP12", &rate("65"), "", "80");
    for (m, text) in [
        (M::Protein, "132.6"),
        (M::Fat, "62.4"),
        (M::Carbohydrate, "195.0"),
        (M::ProteinEnergyShare, "28.3"),
        (M::FatEnergyShare, "30.0"),
        (M::CarbohydrateEnergyShare, "41.7"),
    ] {
        is(&t, m, text);
    }
    let t = day("INF", &feeds("90", &a_day(8)), &density("24", "kcal/[foz_us]"), "4.2");
    for (m, text) in [
        (M::Protein, "12.27"),
        (M::Fat, "30.38"),
        (M::Carbohydrate, "65.44"),
        (M::ProteinEnergyShare, "8.4"),
        (M::FatEnergyShare, "46.8"),
        (M::CarbohydrateEnergyShare, "44.8"),
    ] {
        is(&t, m, text);
    }
}

#[test]
fn water() {
    // 30 mL every 4 h, and 15 mL before and after each of four medicine times.
    let flushes = extensions(&[], &[("30", every(4)), ("15", a_day(4)), ("15", a_day(4))]);
    let t = day("HP12", &rate("65"), &flushes, "80");
    is(&t, M::FreeWaterFeed, "1263.6");
    is(&t, M::FreeWater, "1563.6");
    // No water stated: read off the density (usual figures of textbooks, secondary).
    for (density, w) in [("1.0", "0.84"), ("1.2", "0.81"), ("1.3", "0.7933"), ("1.5", "0.76"), ("2.0", "0.70")] {
        let places = w.len() as u32 - 2;
        assert_eq!(water_from_density(Decimal::parse(density).unwrap().exact()).unwrap().rounded(places), w);
    }
    let dry = invented(&["X13,Dry,decanted,adult,L,1300,50,160,50,0,,900,1500,,,,,,,"]);
    let t = order(&dry, "Dry", &rate("50"), &extensions(&[], &[("60", every(4))]), "80").steady;
    is(&t, M::FreeWaterFeed, "952.0");
    is(&t, M::FreeWater, "1312.0");
    // Nothing is read off outside 1.0 to 2.0.
    let thin = invented(&["X09,Thin,decanted,adult,L,900,30,115,35,0,,900,1500,,,,,,,"]);
    let t = order(&thin, "Thin", &rate("50"), "", "80").steady;
    assert!(matches!(t.get(M::FreeWater), Amount::Unknown(why) if matches!(why[..], [Why::NotStated(..)])));
}

/// Water against 1 − (0.73 P + 1.08 F + 0.62 C)/1000 (partial specific volumes; derived): what is stated far off is
/// answered with the estimate.
#[test]
fn water_from_macronutrients() {
    for (row, estimate) in [
        ("1000,40,133.5,34,0,950", "0.8513"),
        ("1200,55,155,40,0,950", "0.8206"),
        ("1500,65,175,60,0,950", "0.7793"),
        ("2000,84,213.5,90,0,950", "0.7091"),
    ] {
        let formulary = invented(&[&format!("X,Wet,decanted,adult,L,{row},900,1500,,,,,,,")]);
        let warnings: Vec<String> = formulary.all_warnings().map(|w| w.to_string()).collect();
        assert!(warnings.iter().any(|w| w.contains(&format!("gives {estimate}:"))), "{estimate}: {warnings:?}");
    }
}

/// Water and other flush fluids hold what the formulary states of them, and carry what is mixed into them.
#[test]
fn flush_fluids() {
    // 0.9 % sodium chloride: 154 mmol/L.
    let formulary = invented(&[
        "F,Feed,decanted,adult,L,1000,40,133.5,34,0,840,0,1500,0,,,,,,",
        "SAL,Salt Water,water,any,L,0,0,0,0,0,995,3540,0,5460,0,0,0,,,",
        "PLAIN,Plain Water,water,any,L,,,,,,,,,,,,,,,",
        "PP,Packet,modular,any,dose,25,6,0,0,0,0,0,0,0,0,0,0,,0,",
    ]);
    let salt = r#""extension":[{"url":"https://enteral-gate.example/fhir/StructureDefinition/water-flush","extension":[{"url":"volume","valueQuantity":{"value":100,"system":"http://unitsofmeasure.org","code":"mL"}},{"url":"fluid","valueCodeableConcept":{"text":"Salt Water"}},{"url":"schedule","valueTiming":{"repeat":{"frequency":10,"period":1,"periodUnit":"d"}}}]}],"#;
    let t = order(&formulary, "Feed", &rate("50"), salt, "80").steady;
    is(&t, M::SodiumMoles, "154");
    is(&t, M::FreeWater, "2003");
    // What is not stated of a flush fluid's minerals is not zero.
    let plain = salt.replace("Salt Water", "Plain Water");
    let t = order(&formulary, "Feed", &rate("50"), &plain, "80").steady;
    is(&t, M::Energy, "1200");
    is(&t, M::FreeWater, "2008");
    assert!(matches!(t.get(M::PotassiumMoles), Amount::Range(span) if span.high.is_none()));
    // Water that carries an additive is the feed: 1,200 mL with 2 packets per 100 mL, or with 4 a day.
    for (amount, unit, kcal) in [("2", "/(100.mL)", "600"), ("4", "/d", "100")] {
        for base in ["Salt Water", "Plain Water"] {
            let t = order(&formulary, base, &rate("50"), &extensions(&[("Packet", amount, unit)], &[]), "80").steady;
            is(&t, M::Energy, kcal);
            is(&t, M::FormulaVolume, "1200");
        }
    }
    // An additive that cannot be counted leaves more to come; a strength is not water's own.
    let a = order(&formulary, "Salt Water", &rate("50"), &extensions(&[("Packet", "4", "{packet}")], &[]), "80");
    assert!(a.steady.get(M::Energy).known().is_none(), "{:?}", a.steady.get(M::Energy));
    let a = order(&formulary, "Salt Water", &rate("50"), &density("1", "kcal/mL"), "80");
    is(&a.steady, M::Energy, "1200");
    assert!(a.flagged.contains(&("CON-04".to_owned(), Tier::Med)));
}

#[test]
fn per_kg_ratios_and_rates() {
    let t = day("HP12", &rate("65"), "", "80");
    for (m, text) in [
        (M::FormulaVolumePerKg, "19.5"),
        (M::EnergyPerKg, "23.4"),
        (M::ProteinPerKg, "1.66"),
        (M::NonProteinEnergyPerNitrogen, "63.2"),
        (M::CarbohydrateRate, "1.69"),
    ] {
        is(&t, m, text);
    }
    is(&day("A10", &rate("65"), "", "80"), M::NonProteinEnergyPerNitrogen, "131.3");
    let t = day("INF", &feeds("90", &a_day(8)), &density("24", "kcal/[foz_us]"), "4.2");
    for (m, text) in [
        (M::FormulaVolumePerKg, "171.4"),
        (M::EnergyPerKg, "139.1"),
        (M::ProteinPerKg, "2.92"),
        (M::CarbohydrateRate, "10.82"),
    ] {
        is(&t, m, text);
    }
    // Without protein there is no ratio to nitrogen.
    let t = day("MCT", &feeds("15", &a_day(3)), "", "80");
    let ratio = t.get(M::NonProteinEnergyPerNitrogen);
    assert!(matches!(ratio, Amount::Unknown(why) if matches!(why[..], [Why::Nothing("protein")])), "{ratio:?}");
    // 140 g carbohydrate in 10 h at 55 kg: 4.24 mg/kg/min while feeding, 1.77 over the day.
    let t = day("A15", &run("80", "21:00", 10), "", "55");
    is(&t, M::Carbohydrate, "140.0");
    is(&t, M::CarbohydrateRateFeeding, "4.24");
    is(&t, M::CarbohydrateRate, "1.77");
}

/// mmol = mg ÷ atomic mass (IUPAC abridged standard atomic weights).
#[test]
fn moles() {
    let t = day("HP12", &rate("65"), "", "80");
    for (mg, mmol, n) in [
        (M::Sodium, M::SodiumMoles, Nutrient::Sodium),
        (M::Potassium, M::PotassiumMoles, Nutrient::Potassium),
        (M::Chloride, M::ChlorideMoles, Nutrient::Chloride),
        (M::Calcium, M::CalciumMoles, Nutrient::Calcium),
        (M::Phosphorus, M::PhosphorusMoles, Nutrient::Phosphorus),
        (M::Magnesium, M::MagnesiumMoles, Nutrient::Magnesium),
    ] {
        let back = known(&t, mmol).mul(n.atomic_mass().unwrap()).unwrap();
        assert_eq!(back, known(&t, mg));
    }
    for (m, text) in [
        (M::SodiumMoles, "74.6"),
        (M::PotassiumMoles, "71.8"),
        (M::PhosphorusMoles, "47.8"),
        (M::CalciumMoles, "37.0"),
        (M::MagnesiumMoles, "21.2"),
    ] {
        is(&t, m, text);
    }
    let t = day("INF", &feeds("90", &a_day(8)), &density("24", "kcal/[foz_us]"), "4.2");
    is(&t, M::SodiumPerKg, "1.63");
    is(&t, M::PotassiumPerKg, "3.74");
}

/// Potential renal solute load, Fomon and Ziegler: cow's milk with 33 g protein, Na 500, K 1,500, Cl 1,000 and
/// P 950 mg per litre is about 308 mOsm/L.
#[test]
fn renal_solute_load() {
    let milk = invented(&["COW,Cow Milk,decanted,any,L,660,33,48,37,0,870,500,1500,1000,1200,950,110,,,"]);
    is(&order(&milk, "Cow Milk", &feeds("250", &a_day(4)), "", "80").steady, M::RenalSoluteLoad, "308");
    // Per litre of an infant feed at 20, 24 and 30 kcal/oz, and per 100 kcal.
    for (strength, load) in [("20", "129"), ("24", "155"), ("30", "193")] {
        let t = day("INF", &feeds("125", &a_day(8)), &density(strength, "kcal/[foz_us]"), "4.2");
        is(&t, M::RenalSoluteLoad, load);
        is(&t, M::RenalSoluteLoadPerEnergy, "19.1");
    }
    // 1 g protein is 5.71 mOsm.
    let protein = invented(&["P,Protein,decanted,any,L,400,100,0,0,0,900,0,0,0,0,0,0,,,"]);
    let t = order(&protein, "Protein", &feeds("10", &a_day(1)), "", "80").steady;
    is(&t, M::Protein, "1");
    is(&t, M::RenalSoluteLoad, "5.71");
    // 1014 mOsm need at least 1267 mL of urine at 800 mOsm/L.
    let t = day("HP12", &rate("65"), "", "80");
    is(&t, M::RenalSoluteLoad, "1014");
    assert_eq!(known(&t, M::RenalSoluteLoad).div(Exact::decimal(8, 1)).unwrap().rounded(0), "1267");
    // Chloride is not stated: not assumed.
    assert!(matches!(day("A10", &rate("65"), "", "80").get(M::RenalSoluteLoad), Amount::Unknown(_)));
}

/// The osmolality of a mixture is not a sum of its parts: only a single, unmixed feed has one.
#[test]
fn osmolality() {
    is(&day("A15", &rate("40"), "", "80"), M::Osmolality, "580");
    let unknown =
        |t: &Totals| assert!(matches!(t.get(M::Osmolality), Amount::Unknown(_)), "{:?}", t.get(M::Osmolality));
    unknown(&day("A15", &rate("40"), &extensions(&[("MCT", "4.5", "mL/(100.mL)")], &[]), "80"));
    unknown(&day("INF", &feeds("90", &a_day(8)), &density("24", "kcal/[foz_us]"), "4.2"));
    // A15 with A10 beside it.
    let other = r#"{"extension":[{"url":"https://enteral-gate.example/fhir/StructureDefinition/administration-product","valueCodeableConcept":{"text":"A10"}}],"schedule":{"repeat":{"frequency":2,"period":1,"periodUnit":"d"}},"quantity":{"value":250,"system":"http://unitsofmeasure.org","code":"mL"}}"#;
    unknown(&day("A15", &format!("{},{other}", feeds("250", &a_day(2))), "", "80"));
}

/// Powder in water: final volume = water + g × displacement.
#[test]
fn powder_in_water() {
    let formulary = invented(&[
        "W,Boiled Water,water,any,mL,0,0,0,0,0,1,0,0,0,0,0,0,,,",
        "P,Powder,powder,any,g,5.1,0.12,0.55,0.27,0,0,,,,,,,,0.76,",
        "U,Other Powder,powder,any,g,5.1,0.12,0.55,0.27,0,0,,,,,,,,,",
    ]);
    let of = |powder: &str, g_per_litre: &str| {
        order(
            &formulary,
            "Boiled Water",
            &feeds("100", &a_day(8)),
            &extensions(&[(powder, g_per_litre, "g/L")], &[]),
            "4.2",
        )
    };
    // To make 1,000 mL: g = density × 1,000 ÷ 5.1, and the rest of the room is water.
    for (per_ounce, g, water) in [(20, "132.6", "899.2"), (24, "159.1", "879.1")] {
        let powder = Exact::int(per_ounce * 1000).div(ounce()).unwrap().div(Exact::decimal(51, 1)).unwrap();
        let room = powder.mul(Exact::decimal(76, 2)).unwrap();
        assert_eq!((powder.rounded(1), Exact::int(1000).sub(room).unwrap().rounded(1)), (g.into(), water.into()));
    }
    // And as an order states it: g per litre of water.
    for (g, water, per_ounce) in [(1326, 8992, "20.0"), (1591, 8791, "24.0"), (261, 1500, "23.2")] {
        // Eight digits of the amount per litre are more than the figures show.
        let per_litre = Exact::int(g * 1000).div(Exact::int(water)).unwrap().rounded(8);
        let t = of("Powder", &per_litre).steady;
        assert_eq!(known(&t, M::EnergyDensity).mul(ounce()).unwrap().rounded(1), per_ounce);
    }
    is(&of("Powder", "174").steady, M::EnergyDensity, "0.784");
    // The last is three scoops of 8.7 g in 150 mL: 169.8 mL, 133.1 kcal; without the displacement it would seem 26.2.
    let grams = Exact::decimal(261, 1);
    assert_eq!(grams.mul(Exact::decimal(76, 2)).unwrap().add(Exact::int(150)).unwrap().rounded(1), "169.8");
    let kcal = grams.mul(Exact::decimal(51, 1)).unwrap();
    assert_eq!(kcal.rounded(1), "133.1");
    assert_eq!(kcal.div(Exact::int(150)).unwrap().mul(ounce()).unwrap().rounded(1), "26.2");
    // How much room a powder takes is not stated: a range, and never a clear order.
    let a = of("Other Powder", "174");
    assert!(matches!(a.steady.get(M::Energy), Amount::Range(_)), "{:?}", a.steady.get(M::Energy));
    assert_ne!(a.disposition, Disposition::Clear);
}

#[test]
fn milk_with_fortifier() {
    // Powder: 100 mL milk (67 kcal, 1.4 g) + 4 units (3.5 kcal, 0.28 g, 0.5 mL each).
    let units = extensions(&[("HMF", "4", "/(100.mL)")], &[]);
    let t = day("HM", &feeds("12.5", &a_day(8)), &units, "1.1");
    is(&t, M::Energy, "79.41");
    is(&t, M::Protein, "2.47");
    assert_eq!(known(&t, M::EnergyDensity).mul(ounce()).unwrap().rounded(2), "23.48");
    // At 160 mL/kg.
    let t = day("HM", &feeds("20", &a_day(8)), &units, "1");
    is(&t, M::FormulaVolumePerKg, "160");
    is(&t, M::EnergyPerKg, "127.1");
    is(&t, M::ProteinPerKg, "3.95");
    let formulary = invented(&[
        "HM,Milk,human-milk,any,100 mL,67,1.4,7.2,3.5,0,88,25,55,,26,14,,,,",
        "FL,Liquid Fortifier,fortifier,preterm,mL,1.4,0.07,0.08,0.09,0,0.8,,,,,,,,,",
        "F0,Weightless Fortifier,fortifier,preterm,dose,3.5,0.28,0.37,0.1,0,0,4,7,,25,14,,,0,",
    ]);
    // 23.95 kcal/oz if the room that the powder takes is ignored.
    let units = extensions(&[("Weightless Fortifier", "4", "/(100.mL)")], &[]);
    let t = order(&formulary, "Milk", &feeds("12.5", &a_day(8)), &units, "1.1").steady;
    assert_eq!(known(&t, M::EnergyDensity).mul(ounce()).unwrap().rounded(2), "23.95");
    // Liquid: 25 mL milk + 5 mL (1.4 kcal, 0.07 g per mL). A sixth of the volume is no longer milk.
    let units = extensions(&[("Liquid Fortifier", "20", "mL/(100.mL)")], &[]);
    let t = order(&formulary, "Milk", &feeds("12.5", &a_day(8)), &units, "1.1").steady;
    is(&t, M::Energy, "79.17");
    is(&t, M::Protein, "2.33");
    assert_eq!(known(&t, M::EnergyDensity).mul(ounce()).unwrap().rounded(2), "23.41");
}

#[test]
fn modulars() {
    // 1,000 mL A15 + 3 protein packets (25 kcal, 6 g), given apart: the feed's strength stays.
    let t = day("A15", &run("100", "21:00", 10), &extensions(&[("PROT", "3", "/d")], &[]), "80");
    is(&t, M::Energy, "1575");
    is(&t, M::Protein, "83.0");
    is(&t, M::EnergyDensity, "1.5");
    // MCT oil 15 mL × 3 given apart: 346.5 kcal.
    let oil = day("A10", &run("100", "21:00", 10), &extensions(&[("MCT", "45", "mL/d")], &[]), "80");
    let plain = day("A10", &run("100", "21:00", 10), "", "80");
    assert_eq!(known(&oil, M::Energy).sub(known(&plain, M::Energy)).unwrap().rounded(1), "346.5");
    // 45 mL of it mixed into 1,000 mL A10.
    let t = day("A10", &run("100", "21:00", 10), &extensions(&[("MCT", "45", "mL/L")], &[]), "80");
    is(&t, M::EnergyDensity, "1.289");
}

#[test]
fn hang_time_and_duration() {
    // 1,000 mL at 65 mL/h, 500 mL at 40 mL/h.
    is(&day("HP12", &rate("65"), "", "80"), M::HangTime, "15.4");
    is(&day("A20", &rate("40"), "", "80"), M::HangTime, "12.5");
    for (ml, per_hour, minutes) in [("200", "200", 60), ("350", "120", 175), ("45", "15", 180)] {
        let feed = format!(
            r#"{{"schedule":{{"repeat":{{{}}}}},"quantity":{},"rateQuantity":{}}}"#,
            every(4),
            q(ml, "mL"),
            q(per_hour, "mL/h")
        );
        let t = day("A10", &feed, "", "80");
        assert_eq!(t.get(M::FeedDuration), &Amount::Known(Exact::ratio(minutes, 60)));
    }
    // A feed as long as its interval is a continuous one; a longer one cannot be given.
    let feed = |ml: &str| {
        format!(
            r#"{{"schedule":{{"repeat":{{{}}}}},"quantity":{},"rateQuantity":{}}}"#,
            every(3),
            q(ml, "mL"),
            q("15", "mL/h")
        )
    };
    is(&day("A10", &feed("45"), "", "80"), M::FeedingTime, "24");
    let a = order(&FORMULARY, "A10", &feed("60"), "", "80");
    assert!(a.flagged.contains(&("CON-05".to_owned(), Tier::High)), "{:?}", a.flagged);
}

#[test]
fn advancement() {
    // 20 to 65 mL/h by 20 every 8 h: three steps, goal at 24 h, 960 mL in the first 24 h.
    let steps = [("20", "11-25T07"), ("40", "11-25T15"), ("60", "11-25T23"), ("65", "11-26T07")]
        .map(|(r, start)| step(r, "mL/h", start, None));
    let a = order(&FORMULARY, "A10", &steps.join(","), "", "80");
    is(&a.first, M::FormulaVolume, "960");
    is(&a.steady, M::TimeToGoal, "24");
    is(&a.steady, M::FormulaVolume, "1560");
    // 20 to 160 mL/kg/d by 30 or 18 a day: five or eight steps, full on day 6 or 9.
    for (by, steps) in [(30, 5), (18, 8)] {
        let list: Vec<String> = (0..=steps)
            .map(|n| {
                let per_kg = (20 + by * n).min(160).to_string();
                let date = if 25 + n <= 30 { format!("11-{}T07", 25 + n) } else { format!("12-0{}T07", n - 5) };
                step(&per_kg, "mL/kg/d", &date, None)
            })
            .collect();
        let a = order(&FORMULARY, "HM", &list.join(","), "", "1.1");
        is(&a.first, M::FormulaVolumePerKg, "20");
        is(&a.steady, M::FormulaVolumePerKg, "160");
        is(&a.steady, M::TimeToGoal, &(24 * steps).to_string());
    }
}
