//! Examples of the formulae, each with the name of what it shows. The arithmetic is derived; where a figure
//! rests on a published source, that source is named.

use enteral_gate::amount::Amount;
use enteral_gate::appraise::appraise;
use enteral_gate::exact::Exact;
use enteral_gate::formulary::Formulary;
use enteral_gate::formulary::product::Nutrient;
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::nutrition::content::water_from_density;
use enteral_gate::nutrition::measure::Measure as M;
use enteral_gate::nutrition::totals::Totals;
use enteral_gate::settings::Settings;

const HEAD: &str = "key,name,form,age_class,basis,energy_kcal,protein_g,carbohydrate_g,fat_g,water_mL,sodium_mg,potassium_mg,chloride_mg,calcium_mg,phosphorus_mg,magnesium_mg,osmolality_mOsm_per_kg,displacement_mL,containers_mL,source,source_date\n";

/// The steady day of one administration (JSON) of a product, with 80 kg.
fn day(product: &str, administration: &str, more: &str, kg: &str) -> Totals {
    let mut csv = include_str!("../deploy/demo/formulary.csv").to_owned();
    csv.push('\n');
    let formulary = Formulary::from_csv("formulary.csv", csv.as_bytes()).unwrap();
    totals_of(&formulary, product, administration, more, kg)
}

fn totals_of(formulary: &Formulary, product: &str, administration: &str, more: &str, kg: &str) -> Totals {
    let text = format!(
        r#"{{"resourceType":"Bundle","type":"collection","entry":[{{"resource":{{"resourceType":"Observation","status":"final","code":{{"coding":[{{"system":"http://loinc.org","code":"29463-7"}}]}},"subject":{{"reference":"Patient/p"}},"effectiveDateTime":"2026-11-25T05:00:00Z","valueQuantity":{{"value":{kg},"system":"http://unitsofmeasure.org","code":"kg"}}}}}},{{"resource":{{"resourceType":"NutritionOrder","status":"active","intent":"order","patient":{{"reference":"Patient/p"}},"dateTime":"2026-11-25T07:00:00Z","enteralFormula":{{{more}"baseFormulaProductName":"{product}","administration":[{administration}]}}}}}}]}}"#
    );
    let settings = Settings::default();
    let a = appraise(text.as_bytes(), "", FhirVersion::R4, formulary, &settings);
    let day = a.orders[0].steady.as_ref().ok().or(a.orders[0].days.last());
    day.unwrap_or_else(|| panic!("{text}")).1.clone()
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

fn is(t: &Totals, m: M, text: &str) {
    let places = text.split_once('.').map_or(0, |(_, d)| d.len()) as u32;
    match t.get(m) {
        Amount::Known(x) => assert_eq!(x.rounded(places), text, "{}", m.code()),
        other => panic!("{}: {other:?}", m.code()),
    }
}

#[test]
fn daily_volume() {
    let volume = |administration: &str, text: &str| is(&day("A10", administration, "", "80"), M::FormulaVolume, text);
    volume(&rate("65"), "1560");
    volume(&rate("8.5"), "204.0");
    let run = |per_hour: &str, from: &str, hours: &str| {
        format!(
            r#"{{"schedule":{{"repeat":{{"timeOfDay":["{from}"],"duration":{hours},"durationUnit":"h"}}}},"rateQuantity":{}}}"#,
            q(per_hour, "mL/h")
        )
    };
    volume(&run("80", "21:00:00", "10"), "800");
    volume(&run("110", "20:00:00", "12"), "1320");
    volume(&feeds("200", r#""frequency":5,"period":1,"periodUnit":"d""#), "1000");
    volume(&feeds("45", r#""frequency":1,"period":3,"periodUnit":"h""#), "360");
    volume(&feeds("240", r#""frequency":5,"period":1,"periodUnit":"d""#), "1200");
    volume(&feeds("90", r#""frequency":8,"period":1,"periodUnit":"d""#), "720");
    // A ratio: 200 mL per 3 h is 1600 mL a day, exactly.
    let ratio = format!(r#"{{"rateRatio":{{"numerator":{},"denominator":{}}}}}"#, q("200", "mL"), q("3", "h"));
    assert_eq!(day("A10", &ratio, "", "80").get(M::FormulaVolume), &Amount::Known(Exact::int(1600)));
    // Steps of 8 h at 20, 40 and 60 mL/h within one day.
    let step = |per_hour: &str, from: &str, to: &str| {
        format!(
            r#"{{"schedule":{{"repeat":{{"boundsPeriod":{{"start":"2026-11-25T{from}:00:00Z","end":"2026-11-{to}:00:00Z"}}}}}},"rateQuantity":{}}}"#,
            q(per_hour, "mL/h")
        )
    };
    let stepped = format!("{},{},{}", step("20", "07", "25T15"), step("40", "15", "25T23"), step("60", "23", "26T07"));
    is(&day("A10", &stepped, "", "80"), M::FormulaVolume, "960");
    // Volume-based: 1,500 mL over 20 h is 75 mL/h.
    let t = day(
        "A10",
        &format!(
            r#"{{"schedule":{{"repeat":{{"frequency":1,"period":1,"periodUnit":"d","duration":20,"durationUnit":"h"}}}},"quantity":{}}}"#,
            q("1500", "mL")
        ),
        "",
        "80",
    );
    is(&t, M::HighestRate, "75.0");
}

#[test]
fn energy_and_strength() {
    is(&day("A12", &rate("65"), "", "80"), M::Energy, "1872");
    let eight = feeds("90", r#""frequency":8,"period":1,"periodUnit":"d""#);
    // 24 kcal per fluid ounce of 29.5735295625 mL; the bedside's 30 mL would give 576.
    is(&day("INF", &eight, &format!(r#""caloricDensity":{},"#, q("24", "kcal/[foz_us]")), "4.2"), M::Energy, "584.3");
    // The same strength in three units gives the same energy.
    let of = |value: &str, unit: &str| {
        day("INF", &eight, &format!(r#""caloricDensity":{},"#, q(value, unit)), "4.2").get(M::Energy).clone()
    };
    assert_eq!(of("0.8", "kcal/mL"), of("800", "kcal/L"));
    assert_eq!(of("0.8", "kcal/mL"), of("3.3472", "kJ/mL"));
    // 20 to 30 kcal/oz in kcal/mL.
    for (ounce, ml) in
        [(20, "0.6763"), (22, "0.7439"), (24, "0.8115"), (26, "0.8792"), (27, "0.9130"), (28, "0.9468"), (30, "1.0144")]
    {
        assert_eq!(Exact::int(ounce).div(Exact::decimal(295_735_295_625, 10)).unwrap().rounded(4), ml);
    }
    // 1,000 + 2 × 237 mL at 1.5 kcal/mL.
    let two = format!("{},{}", rate("41.666666666666"), feeds("237", r#""frequency":2,"period":1,"periodUnit":"d""#));
    is(&day("A15", &two, "", "55"), M::Energy, "2211");
}

#[test]
fn water() {
    is(&day("HP12", &rate("65"), "", "80"), M::FreeWater, "1263.6");
    // No water stated: read off the density (usual figures of textbooks, secondary). 1,200 mL at 1.3 kcal/mL.
    assert_eq!(water_from_density(Exact::ratio(13, 10)).unwrap().mul(Exact::int(1200)), Some(Exact::int(952)));
    for (density, w) in [("1.0", "0.84"), ("1.2", "0.81"), ("1.5", "0.76"), ("2.0", "0.70")] {
        let d = enteral_gate::exact::Decimal::parse(density).unwrap().exact();
        assert_eq!(water_from_density(d).unwrap().rounded(2), w);
    }
}

/// Potential renal solute load, Fomon and Ziegler: cow's milk with 33 g protein, Na 500, K 1,500, Cl 1,000 and
/// P 950 mg per litre is about 308 mOsm/L.
#[test]
fn renal_solute_load() {
    let csv = format!(
        "{HEAD}COW,Cow Milk Of The Handbook,decanted,any,L,660,33,48,37,870,500,1500,1000,1200,950,110,,,,handbook figures,2026-11-25\n"
    );
    let formulary = Formulary::from_csv("cow.csv", csv.as_bytes()).unwrap_or_else(|p| panic!("{p:?}"));
    let t = totals_of(
        &formulary,
        "Cow Milk Of The Handbook",
        &feeds("250", r#""frequency":4,"period":1,"periodUnit":"d""#),
        "",
        "10",
    );
    is(&t, M::RenalSoluteLoad, "308");
    // Per litre of an infant feed at 20, 24 and 30 kcal/oz: 129, 155, 193.
    for (strength, load) in [("20", "129"), ("24", "155"), ("30", "193")] {
        let t = day(
            "INF",
            &feeds("125", r#""frequency":8,"period":1,"periodUnit":"d""#),
            &format!(r#""caloricDensity":{},"#, q(strength, "kcal/[foz_us]")),
            "4.2",
        );
        is(&t, M::RenalSoluteLoad, load);
    }
}

#[test]
fn per_kg_ratios_and_rates() {
    let t = day("A10", &rate("65"), "", "80");
    is(&t, M::NonProteinEnergyPerNitrogen, "131.3");
    is(&day("HP12", &rate("65"), "", "80"), M::NonProteinEnergyPerNitrogen, "63.2");
    is(&t, M::FormulaVolumePerKg, "19.5");
    // 140 g carbohydrate in 10 h at 55 kg: 4.24 mg/kg/min while feeding, 1.77 over the day.
    let night = format!(
        r#"{{"schedule":{{"repeat":{{"timeOfDay":["21:00:00"],"duration":10,"durationUnit":"h"}}}},"rateQuantity":{}}}"#,
        q("80", "mL/h")
    );
    let t = day("A15", &night, "", "55");
    is(&t, M::Carbohydrate, "140.0");
    is(&t, M::CarbohydrateRateFeeding, "4.24");
    is(&t, M::CarbohydrateRate, "1.77");
}

#[test]
fn milk_with_fortifier() {
    // 100 mL milk (67 kcal, 1.4 g) + 4 units (3.5 kcal, 0.28 g, 0.5 mL each): 79.41 kcal/dL, protein 2.47 g/dL.
    let dose = r#""extension":[{"url":"https://enteral-gate.example/fhir/StructureDefinition/additive-dose","extension":[{"url":"item","valueCodeableConcept":{"coding":[{"system":"https://enteral-gate.example/fhir/CodeSystem/invented-products","code":"HMF"}]}},{"url":"quantity","valueQuantity":{"value":4,"system":"http://unitsofmeasure.org","code":"/(100.mL)"}}]}],"#;
    let t = day("HM", &feeds("12.5", r#""frequency":8,"period":1,"periodUnit":"d""#), dose, "1.1");
    is(&t, M::Energy, "79.41");
    is(&t, M::Protein, "2.47");
    let ounce = Exact::decimal(295_735_295_625, 10);
    let per_ml = t.get(M::EnergyDensity).known().unwrap();
    assert_eq!(per_ml.mul(ounce).unwrap().rounded(2), "23.48");
}

#[test]
fn hang_time_duration_and_advancement() {
    let t = day("HP12", &rate("65"), "", "80");
    is(&t, M::HangTime, "15.4");
    let feed = |ml: &str, per_hour: &str| {
        format!(
            r#"{{"schedule":{{"repeat":{{"frequency":1,"period":4,"periodUnit":"h"}}}},"quantity":{},"rateQuantity":{}}}"#,
            q(ml, "mL"),
            q(per_hour, "mL/h")
        )
    };
    for (ml, per_hour, minutes) in [("200", "200", 60), ("350", "120", 175), ("45", "15", 180)] {
        let t = day("A10", &feed(ml, per_hour), "", "80");
        assert_eq!(t.get(M::FeedDuration), &Amount::Known(Exact::ratio(minutes, 60)));
    }
    // 20 to 65 mL/h by 20 every 8 h: goal at 24 h, 960 mL in the first 24 h.
    let step = |per_hour: &str, start: &str| {
        format!(
            r#"{{"schedule":{{"repeat":{{"boundsPeriod":{{"start":"2026-11-{start}:00:00Z"}}}}}},"rateQuantity":{}}}"#,
            q(per_hour, "mL/h")
        )
    };
    let steps = [step("20", "25T07"), step("40", "25T15"), step("60", "25T23"), step("65", "26T07")].join(",");
    let t = day("A10", &steps, "", "80");
    is(&t, M::TimeToGoal, "24");
    is(&t, M::FormulaVolume, "1560");
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
        let back = t.get(mmol).known().unwrap().mul(n.atomic_mass().unwrap()).unwrap();
        assert_eq!(Some(back), t.get(mg).known());
    }
}

// Catch-up after a stop, percent delivered and holds around medicines are not part of an order; they come with
// the record of what was given.
