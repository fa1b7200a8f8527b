//! The arithmetic behind a figure, written as a person writes it, with its inputs and the readings it rests on. Orders
//! and products are invented; the figures are worked out by hand.

use enteral_gate::appraise::appraise;
use enteral_gate::assumptions::Assumption;
use enteral_gate::formulary::Formulary;
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::nutrition::derive::{Derivation, derive, shown};
use enteral_gate::nutrition::measure::Measure as M;
use enteral_gate::rulebook::{Rulebook, short_form};
use enteral_gate::settings::Settings;
use std::sync::LazyLock;

static FORMULARY: LazyLock<Formulary> =
    LazyLock::new(|| Formulary::from_csv("tests", include_bytes!("../deploy/demo/formulary.csv")).unwrap());

const ADULT: &str = "age = \"70 a\"\nsex = \"male\"\nweight = \"60 kg\"\n";

fn derived_with(given: &str, m: M, settings: &Settings) -> Derivation {
    let bundle =
        short_form::compose(&given.parse().unwrap(), &Rulebook::default()).unwrap_or_else(|why| panic!("{why}"));
    let a = appraise(bundle.as_bytes(), "", FhirVersion::R4, &FORMULARY, settings);
    let report = &a.orders[0];
    let (day, totals) = report.days.first().unwrap_or_else(|| panic!("{given}"));
    derive(m, &[(&report.plan, day)], totals, report.weight.map(|(kg, at)| (kg, Some(at))))
}

/// The first 24 h from the order's start at 08:00. That the figures are those of a day (`/d`) is left out, to be read.
fn derived(given: &str, m: M) -> Derivation {
    let d = derived_with(&format!("{ADULT}{given}"), m, &Settings { day_start: 8 * 3_600, ..Settings::default() });
    Derivation { arithmetic: d.arithmetic.replace("/d", ""), ..d }
}

fn inputs(d: &Derivation) -> Vec<(&str, &str)> {
    d.inputs.iter().map(|i| (i.name.as_str(), i.value.as_str())).collect()
}

#[test]
fn volumes_are_rate_by_hours_or_volume_by_feeds() {
    let volume = |given: &str| derived(given, M::FormulaVolume);
    let d = volume("product = \"A10\"\nrate = \"60 mL/h\"\n");
    assert_eq!(d.arithmetic, "60 mL/h × 24 h = 1440 mL");
    assert_eq!(inputs(&d), [("rate of Invented Standard 1.0 (A10)", "60 mL/h")]);
    assert!(d.inputs[0].at.is_some());
    let whole = derived_with(
        &format!("{ADULT}product = \"A10\"\nrate = \"60 mL/h\"\n"),
        M::FormulaVolume,
        &Settings { day_start: 8 * 3_600, ..Settings::default() },
    );
    assert_eq!(whole.arithmetic, "60 mL/h × 24 h = 1440 mL/d");
    let d = volume("product = \"A10\"\nvolume = \"240 mL\"\nfeeds = 5\n");
    assert_eq!(d.arithmetic, "240 mL × 5 feeds = 1200 mL");
    assert_eq!(inputs(&d), [("volume of one feed of Invented Standard 1.0 (A10)", "240 mL")]);
    let d = volume("product = \"A10\"\nvolume = \"240 mL\"\nevery = \"4 h\"\nover = \"30 min\"\n");
    assert_eq!(d.arithmetic, "240 mL × 6 feeds = 1440 mL");
    assert_eq!(inputs(&d), [("volume of one feed of Invented Standard 1.0 (A10)", "240 mL over 0.5 h")]);
    let d = volume("product = \"A10\"\nrate = \"60 mL/h\"\ncap = \"1200 mL/d\"\n");
    assert_eq!(
        d.arithmetic,
        "60 mL/h × 24 h (the maximum of 1200 mL is reached first) = 1200 to 1440 mL (the maximum volume lies below the schedule)"
    );
    assert_eq!(inputs(&d), [("rate of Invented Standard 1.0 (A10)", "60 mL/h"), ("maximum volume", "1200 mL")]);
    assert!(d.assumptions.contains(&Assumption::CapFormulaOnly) && !d.assumptions.contains(&Assumption::CapPerDay));
    let d = volume("product = \"A10\"\nrate = \"60 mL/h\"\ncap = \"1200 mL\"\n");
    assert!(d.assumptions.contains(&Assumption::CapPerDay));
    // It is one of the feed, not of the water beside it.
    let with_water =
        "product = \"A10\"\nrate = \"60 mL/h\"\ncap = \"1200 mL/d\"\nflush = { volume = \"30 mL\", every = \"4 h\" }\n";
    assert_eq!(derived(with_water, M::FlushVolume).arithmetic, "30 mL × 6 flushes = 180 mL");
    // A maximum above the schedule is no part of it.
    let d = volume("product = \"A10\"\nrate = \"60 mL/h\"\ncap = \"1500 mL/d\"\n");
    assert_eq!((d.arithmetic.as_str(), d.inputs.len()), ("60 mL/h × 24 h = 1440 mL", 1));
}

#[test]
fn water_is_beside_the_feed() {
    let given = "product = \"A10\"\nrate = \"60 mL/h\"\nflush = { volume = \"30 mL\", every = \"4 h\" }\n";
    assert_eq!(derived(given, M::FormulaVolume).arithmetic, "60 mL/h × 24 h = 1440 mL");
    assert_eq!(derived(given, M::FlushVolume).arithmetic, "30 mL × 6 flushes = 180 mL");
    assert_eq!(derived(given, M::Volume).arithmetic, "60 mL/h × 24 h + 30 mL × 6 flushes = 1620 mL");
    // A10 has 840 mL of water in a litre; water is all water.
    assert_eq!(derived(given, M::FreeWater).arithmetic, "1440 mL × 0.84 mL/mL + 180 mL × 1 mL/mL = 1389.6 mL");
    let d = derived(given, M::Energy);
    assert_eq!(d.arithmetic, "1440 mL × 1 kcal/mL = 1440 kcal");
    assert_eq!(
        inputs(&d),
        [
            ("rate of Invented Standard 1.0 (A10)", "60 mL/h"),
            ("energy density of Invented Standard 1.0 (A10)", "1 kcal/mL")
        ]
    );
    assert!(d.inputs[1].product.is_some() && d.inputs[1].at.is_none());
    // Without water there is none.
    assert!(
        derived("product = \"A10\"\nrate = \"60 mL/h\"\n", M::FlushVolume)
            .arithmetic
            .starts_with("nothing is given = 0 mL")
    );
}

#[test]
fn the_density_of_the_order_is_an_input_of_energy_only() {
    let given = "product = \"A10\"\nrate = \"60 mL/h\"\ndensity = \"1.2 kcal/mL\"\n";
    let d = derived(given, M::Energy);
    assert_eq!(d.arithmetic, "1440 mL × 1.2 kcal/mL = 1728 kcal");
    let density = d.inputs.iter().find(|i| i.name == "energy density of the order").unwrap();
    assert!(density.at.is_some() && density.product.is_none());
    assert!(d.assumptions.contains(&Assumption::OrderDensity), "{:?}", d.assumptions);
    let d = derived(given, M::Protein);
    assert!(d.inputs.iter().any(|i| i.name.starts_with("protein in ")), "{:?}", d.inputs);
    assert!(!d.assumptions.contains(&Assumption::OrderDensity), "{:?}", d.assumptions);
}

/// UCUM's `cal` is a thousandth of what is meant; that it was read as kcal stands with every figure of energy.
#[test]
fn a_density_in_calories_is_said_with_energy() {
    let given = "product = \"A10\"\nrate = \"60 mL/h\"\ndensity = \"1.2 cal/mL\"\n";
    let d = derived(given, M::Energy);
    assert_eq!(d.arithmetic, "1440 mL × 1.2 kcal/mL = 1728 kcal");
    assert!(d.assumptions.contains(&Assumption::CalorieIsKilocalorie), "{:?}", d.assumptions);
    for (m, said) in [(M::EnergyPerKg, true), (M::Protein, false), (M::FormulaVolume, false)] {
        let d = derived(given, m);
        assert_eq!(d.assumptions.contains(&Assumption::CalorieIsKilocalorie), said, "{m:?}: {:?}", d.assumptions);
    }
}

#[test]
fn additives_stand_beside_the_feed() {
    let given = "product = \"A10\"\nrate = \"60 mL/h\"\nadditives = [{ product = \"PROT\", amount = \"2 {dose}\", per = \"day\" }]\n";
    // A packet has 25 kcal and 6 g of protein; A10 40 g in a litre.
    let d = derived(given, M::Energy);
    assert_eq!(d.arithmetic, "1440 mL × 1 kcal/mL + 2 doses × 25 kcal = 1490 kcal");
    assert!(inputs(&d).contains(&("PROT (each)", "25 kcal")), "{:?}", d.inputs);
    assert!(d.assumptions.contains(&Assumption::AdditivePer));
    assert_eq!(derived(given, M::Protein).arithmetic, "1440 mL × 0.04 g/mL + 2 doses × 6 g = 69.6 g");
    assert_eq!(derived(given, M::FormulaVolume).arithmetic, "60 mL/h × 24 h = 1440 mL");
}

#[test]
fn measures_per_kilogram_and_ratios_name_what_they_divide() {
    let given = "product = \"A10\"\nrate = \"60 mL/h\"\n";
    for (m, arithmetic) in [
        (M::EnergyPerKg, "1440 kcal ÷ 60 kg = 24 kcal/kg"),
        (M::FormulaVolumePerKg, "1440 mL ÷ 60 kg = 24 mL/kg"),
        (M::ProteinPerKg, "57.6 g ÷ 60 kg = 0.96 g/kg"),
        // 4 × 57.6 + 9 × 48.96 + 4 × 192.24 = 1440 kcal.
        (M::ProteinEnergyShare, "4 × 57.6 g ÷ (4 × 57.6 g + 9 × 48.96 g + 4 × 192.24 g) × 100 = 16 %"),
        (M::FatEnergyShare, "9 × 48.96 g ÷ (4 × 57.6 g + 9 × 48.96 g + 4 × 192.24 g) × 100 = 30.6 %"),
        (M::CarbohydrateEnergyShare, "4 × 192.24 g ÷ (4 × 57.6 g + 9 × 48.96 g + 4 × 192.24 g) × 100 = 53.4 %"),
        // 192.24 g ÷ 60 kg ÷ 1440 min = 2.225 mg/kg/min.
        (M::CarbohydrateRate, "192.24 g × 1000 ÷ 60 kg ÷ 1440 min = 2.225 mg/kg/min"),
        (
            M::CarbohydrateRateFeeding,
            "0.1335 g/mL × 60 mL/h × 1000 ÷ 60 kg ÷ 60 min, the highest of any feed = 2.225 mg/kg/min",
        ),
    ] {
        assert_eq!(derived(given, m).arithmetic, arithmetic, "{m:?}");
    }
    let weighed = derived(given, M::EnergyPerKg);
    let weight = weighed.inputs.iter().find(|i| i.name == "dosing weight").unwrap();
    assert_eq!((weight.value.as_str(), weight.at.is_some()), ("60 kg", true));
    assert!(weighed.assumptions.contains(&Assumption::WeightLatest));
    assert!(derived(given, M::ProteinEnergyShare).assumptions.contains(&Assumption::EnergyFactors));
    assert!(!derived(given, M::Energy).assumptions.contains(&Assumption::WeightLatest));
    let nobody = derived_with(
        "age = \"70 a\"\nsex = \"male\"\nproduct = \"A10\"\nrate = \"60 mL/h\"\n",
        M::EnergyPerKg,
        &Settings { day_start: 8 * 3_600, ..Settings::default() },
    );
    assert!(
        nobody.arithmetic.starts_with("1440 kcal/d ÷ dosing weight not known = not known ("),
        "{}",
        nobody.arithmetic
    );
    for (m, words) in [
        (M::NonProteinEnergyPerNitrogen, "(1440 kcal − 4 × 57.6 g) ÷ (57.6 g ÷ 6.25) = "),
        (M::Osmolality, "as stated for the feed = 300 "),
        (M::FeedsPerDay, "what runs at a rate begins no feed = 0"),
        (M::FeedingTime, "24 h = 24 h"),
        (M::HighestRate, "60 mL/h = 60 mL/h"),
        (M::HangTime, "1000 mL ÷ 60 mL/h = 16.667 h"),
    ] {
        let d = derived(given, m);
        assert!(d.arithmetic.starts_with(words), "{m:?}: {}", d.arithmetic);
        assert!(!d.inputs.is_empty(), "{m:?}");
    }
    let osmolality = derived(given, M::Osmolality);
    assert!(osmolality.inputs.iter().any(|i| i.name.starts_with("osmolality of ") && i.product.is_some()));
    let hang = derived(given, M::HangTime);
    let container = hang.inputs.iter().find(|i| i.name.starts_with("largest container of ")).unwrap();
    assert_eq!((container.value.as_str(), container.product.is_some()), ("1000 mL", true));
    let feeds = "product = \"A10\"\nvolume = \"240 mL\"\nevery = \"4 h\"\nover = \"30 min\"\n";
    for (m, arithmetic) in [
        (M::FeedsPerDay, "6 of 240 mL = 6 per day"),
        (M::LargestFeed, "240 mL = 240 mL"),
        (M::FeedDuration, "0.5 h as stated = 0.5 h"),
        (M::FeedInterval, "from 08:00 to 12:00, the shortest time from one feed to the next = 4 h"),
        (M::FeedingTime, "6 × 0.5 h = 3 h"),
    ] {
        let d = derived(feeds, m);
        assert_eq!(d.arithmetic, arithmetic, "{m:?}");
        assert!(
            inputs(&d).contains(&("volume of one feed of Invented Standard 1.0 (A10)", "240 mL over 0.5 h")),
            "{m:?}"
        );
    }
    let steps = "product = \"A10\"\nsteps = [{ rate = \"20 mL/h\", for = \"6 h\" }, { rate = \"40 mL/h\" }]\n";
    let d = derived(steps, M::TimeToGoal);
    assert!(
        d.arithmetic.ends_with(" = 6 h") && d.arithmetic.contains(":00:00") && d.arithmetic.contains(" − "),
        "{}",
        d.arithmetic
    );
    let ends: Vec<_> = d.inputs.iter().map(|i| (i.name.as_str(), i.at.is_some())).collect();
    assert_eq!(ends, [("start of the first step", true), ("start of the last step", true)]);
    // 20 mL/h × 6 h = 120 mL, the other 880 mL at 40 mL/h in 22 h.
    assert_eq!(derived(steps, M::HangTime).arithmetic, "1000 mL = 20 mL/h × 6 h + 40 mL/h × 22 h; 6 h + 22 h = 28 h");
    assert_eq!(derived(steps, M::HighestRate).arithmetic, "the highest of 20 mL/h, 40 mL/h = 40 mL/h");
    assert_eq!(derived(steps, M::FormulaVolume).arithmetic, "20 mL/h × 6 h + 40 mL/h × 18 h = 840 mL");
}

#[test]
fn what_is_not_known_is_said_in_its_place() {
    let d = derived("product = \"nothing of the kind\"\nrate = \"60 mL/h\"\n", M::Energy);
    assert_eq!(d.arithmetic.split(" = ").next(), Some("1440 mL × energy per mL not known"));
    assert!(d.arithmetic.ends_with(')') && d.arithmetic.contains(" = not known ("), "{}", d.arithmetic);
    assert!(d.inputs.iter().all(|i| i.product.is_none()), "{:?}", d.inputs);
    // Chloride is not stated for A10.
    let d = derived("product = \"A10\"\nrate = \"60 mL/h\"\n", M::Chloride);
    assert!(
        d.arithmetic.starts_with("1440 mL × chloride per mL not known = not known (the data on "),
        "{}",
        d.arithmetic
    );
}

#[test]
fn amounts_are_shown_with_as_many_digits_as_tell_them_apart() {
    use enteral_gate::amount::{Amount, Why};
    use enteral_gate::exact::Exact;
    let between = |a, b| Amount::between(a, b, Why::AsNeeded);
    assert_eq!(shown(&Amount::Known(Exact::ratio(5, 2)), 1, "mL"), "2.5 mL");
    assert_eq!(shown(&Amount::Known(Exact::ratio(5, 2)), 1, ""), "2.5");
    assert_eq!(shown(&between(Exact::int(2), Exact::int(3)), 1, "mL"), "2 to 3 mL");
    assert_eq!(shown(&between(Exact::decimal(2001, 3), Exact::decimal(2002, 3)), 1, "mL"), "2.001 to 2.002 mL");
    assert_eq!(shown(&Amount::at_least(Exact::int(2), vec![Why::AsNeeded]), 1, "g"), "at least 2 g");
    assert_eq!(shown(&Amount::unknown(Why::NoWeight), 1, "g"), "not known");
    let cycle = Amount::range(Exact::ZERO, Some(Exact::int(4)), Some(Exact::int(2)), vec![Why::AsNeeded]);
    assert_eq!(shown(&cycle, 1, "mL"), "0 to 4 mL (mean 2)");
}

/// A litre of W has 1200 kcal, 50 g of protein, 40 g of fat, 160 g of carbohydrate; its water is not stated.
static UNSTATED_WATER: LazyLock<Formulary> = LazyLock::new(|| {
    let csv = "key,name,form,age_class,basis,energy_kcal,protein_g,fat_g,carbohydrate_g,source,source_date\n\
               W,Invented W,ready-to-hang,adult,L,1200,50,40,160,invented for a test,2026-11-25";
    Formulary::from_csv("test.csv", csv.as_bytes()).unwrap_or_else(|p| panic!("{p:?}"))
});

/// An order of W from 08:00, with flushes: mL and when.
fn of_w(administration: &str, flushes: &[(&str, &str)], m: M) -> Derivation {
    let quantity = |value: &str, code: &str| {
        format!(r#"{{"value":{value},"system":"http://unitsofmeasure.org","code":"{code}"}}"#)
    };
    let flushes: Vec<String> = flushes
        .iter()
        .map(|(ml, with)| {
            format!(
                r#"{{"url":"https://enteral-gate.example/fhir/StructureDefinition/water-flush","extension":[{{"url":"volume","valueQuantity":{}}},{{"url":"with-each-feed","valueCode":"{with}"}}]}}"#,
                quantity(ml, "mL")
            )
        })
        .collect();
    let text = format!(
        r#"{{"resourceType":"NutritionOrder","status":"active","intent":"order","patient":{{"reference":"Patient/x"}},"dateTime":"2026-11-25T08:00:00Z","enteralFormula":{{"extension":[{}],"baseFormulaProductName":"Invented W","administration":[{{"schedule":{{"repeat":{{"boundsPeriod":{{"start":"2026-11-25T08:00:00Z"}}{administration}}}]}}}}"#,
        flushes.join(",")
    );
    let settings = Settings { day_start: 8 * 3_600, ..Settings::default() };
    let a = appraise(text.as_bytes(), "", FhirVersion::R4, &UNSTATED_WATER, &settings);
    let report = &a.orders[0];
    let (day, totals) = report.days.first().unwrap_or_else(|| panic!("{text}"));
    let d = derive(m, &[(&report.plan, day)], totals, None);
    Derivation { arithmetic: d.arithmetic.replace("/d", ""), ..d }
}

const RUNNING: &str = r#"}},"rateQuantity":{"value":60,"system":"http://unitsofmeasure.org","code":"mL/h"}"#;
const FIVE: &str = r#","timeOfDay":["08:00:00","11:00:00","14:00:00","17:00:00","20:00:00"]}},"quantity":{"value":240,"system":"http://unitsofmeasure.org","code":"mL"}"#;

/// Water that is not stated is read off the density (0.81 at 1.2 kcal/mL, `docs/calculation.md`): said with water alone.
#[test]
fn water_read_off_the_density_is_said_with_water() {
    let d = of_w(RUNNING, &[], M::FreeWater);
    assert_eq!(d.arithmetic, "1440 mL × 0.81 mL/mL = 1166.4 mL");
    for (m, said) in [
        (M::FreeWater, true),
        (M::FreeWaterFeed, true),
        (M::WaterPerEnergy, true),
        (M::Energy, false),
        (M::Protein, false),
    ] {
        let d = of_w(RUNNING, &[], m);
        assert_eq!(d.assumptions.contains(&Assumption::WaterFromDensity), said, "{m:?}: {:?}", d.assumptions);
    }
}

/// A powder at another strength: its nutrients go with the strength, its energy is what was ordered.
#[test]
fn the_strength_of_a_powder_is_said_with_its_nutrients() {
    let given = "product = \"INF\"\nrate = \"20 mL/h\"\ndensity = \"0.8 kcal/mL\"\n";
    // 2.1 g in 100 kcal, 0.8 kcal in a mL.
    let protein = derived(given, M::Protein);
    assert_eq!(protein.arithmetic, "480 mL × 0.0168 g/mL = 8.064 g");
    assert!(protein.assumptions.contains(&Assumption::StrengthScales), "{:?}", protein.assumptions);
    let energy = derived(given, M::Energy);
    assert_eq!(energy.arithmetic, "480 mL × 0.8 kcal/mL = 384 kcal");
    assert!(!energy.assumptions.contains(&Assumption::StrengthScales), "{:?}", energy.assumptions);
}

/// Once or twice with each feed.
#[test]
fn flushes_go_with_feeds() {
    let once = of_w(FIVE, &[("30", "after")], M::FlushVolume);
    assert_eq!(once.arithmetic, "30 mL × 5 feeds = 150 mL");
    assert_eq!(inputs(&once), [("flush of water with each feed", "30 mL")]);
    assert!(once.assumptions.contains(&Assumption::FlushWithRun) && once.inputs[0].at.is_some());
    let both = of_w(FIVE, &[("30", "before-and-after")], M::FlushVolume);
    assert_eq!(both.arithmetic, "30 mL × 2 × 5 feeds = 300 mL");
    let all = of_w(FIVE, &[("30", "before"), ("10", "after")], M::Volume);
    assert_eq!(all.arithmetic, "240 mL × 5 feeds + 30 mL × 5 feeds + 10 mL × 5 feeds = 1400 mL");
    // How many feeds there are is not known where one entry has a text for a schedule.
    let text = r#"},{"schedule":{"code":{"text":"as the ward does it"}},"quantity":{"value":100,"system":"http://unitsofmeasure.org","code":"mL"}"#;
    let open = of_w(&format!("{FIVE}{text}"), &[("30", "after")], M::FlushVolume);
    assert!(open.arithmetic.starts_with("30 mL × the day's feeds = at least 150 mL"), "{}", open.arithmetic);
    let range = FIVE.replace(
        r#""timeOfDay":["08:00:00","11:00:00","14:00:00","17:00:00","20:00:00"]"#,
        r#""frequency":4,"frequencyMax":6,"period":1,"periodUnit":"d""#,
    );
    let feeds = of_w(&range, &[("30", "after")], M::FormulaVolume);
    assert!(feeds.arithmetic.starts_with("240 mL × 4 to 6 feeds = 960 to 1440 mL"), "{}", feeds.arithmetic);
    let flushes = of_w(&range, &[("30", "after")], M::FlushVolume);
    assert!(flushes.arithmetic.starts_with("30 mL × 4 to 6 feeds = 120 to 180 mL"), "{}", flushes.arithmetic);
    // Of the feed's own water there is none in the flushes.
    let own = of_w(FIVE, &[("30", "after")], M::FreeWaterFeed);
    assert_eq!(own.arithmetic, "1200 mL × 0.81 mL/mL = 972 mL");
}

/// An oil is counted in mL, a packet is not.
#[test]
fn liquids_given_apart_have_a_volume() {
    let oil = "product = \"A10\"\nrate = \"60 mL/h\"\nadditives = [{ product = \"MCT\", amount = \"15 mL\", per = \"day\" }]\n";
    assert_eq!(derived(oil, M::AdditiveVolume).arithmetic, "15 mL = 15 mL");
    assert_eq!(derived(oil, M::Volume).arithmetic, "60 mL/h × 24 h + 15 mL = 1455 mL");
    assert_eq!(derived(oil, M::FormulaVolume).arithmetic, "60 mL/h × 24 h = 1440 mL");
    assert!(derived(oil, M::FlushVolume).arithmetic.starts_with("nothing is given = 0 mL"));
    assert_eq!(derived(oil, M::Energy).arithmetic, "1440 mL × 1 kcal/mL + 15 mL × 7.7 kcal = 1555.5 kcal");
    // It has no protein: nothing is written of it.
    assert_eq!(derived(oil, M::Protein).arithmetic, "1440 mL × 0.04 g/mL = 57.6 g");
    let packets = "product = \"A10\"\nrate = \"60 mL/h\"\nadditives = [{ product = \"PROT\", amount = \"2 {dose}\", per = \"day\" }]\n";
    assert!(derived(packets, M::AdditiveVolume).arithmetic.starts_with("nothing is given = 0 mL"));
    assert_eq!(derived(packets, M::Volume).arithmetic, "60 mL/h × 24 h = 1440 mL");
    let with_feeds = "product = \"A10\"\nvolume = \"240 mL\"\nfeeds = 5\nadditives = [{ product = \"PROT\", amount = \"1 {dose}\", per = \"feed\" }]\n";
    assert_eq!(derived(with_feeds, M::Energy).arithmetic, "1200 mL × 1 kcal/mL + 5 doses × 25 kcal = 1325 kcal");
}

/// Of several rates the fastest is written out, whichever comes first, and water by syringe beside it is none of them.
#[test]
fn the_fastest_rate_is_the_one_written_out() {
    let fastest = "0.1335 g/mL × 60 mL/h × 1000 ÷ 60 kg ÷ 60 min, the highest of any feed = 2.225 mg/kg/min";
    for steps in [
        "steps = [{ rate = \"20 mL/h\", for = \"6 h\" }, { rate = \"60 mL/h\" }]\n",
        "steps = [{ rate = \"60 mL/h\", for = \"6 h\" }, { rate = \"20 mL/h\" }]\n",
        "rate = \"60 mL/h\"\nflush = { volume = \"30 mL\", every = \"4 h\" }\n",
    ] {
        assert_eq!(derived(&format!("product = \"A10\"\n{steps}"), M::CarbohydrateRateFeeding).arithmetic, fastest);
    }
}

/// Water between two feeds makes no shorter interval, and no feed.
#[test]
fn water_is_no_feed() {
    let given = "product = \"A10\"\nvolume = \"240 mL\"\nevery = \"4 h\"\nover = \"30 min\"\nflush = { volume = \"30 mL\", every = \"3 h\" }\n";
    for (m, value) in
        [(M::FeedInterval, "4 h"), (M::FeedsPerDay, "6 per day"), (M::LargestFeed, "240 mL"), (M::FeedingTime, "3 h")]
    {
        let d = derived(given, m);
        assert!(d.arithmetic.ends_with(&format!(" = {value}")), "{m:?}: {}", d.arithmetic);
    }
}

/// A term has two digits more than its own figure is shown with: 62.55 mL/h are 1501.2 kcal.
#[test]
fn terms_are_not_rounded_to_their_figures() {
    let given = "product = \"A10\"\nrate = \"62.55 mL/h\"\n";
    assert_eq!(derived(given, M::EnergyPerKg).arithmetic, "1501.2 kcal ÷ 60 kg = 25.02 kcal/kg");
    // 60.048 g of protein.
    assert_eq!(derived(given, M::ProteinPerKg).arithmetic, "60.048 g ÷ 60 kg = 1.001 g/kg");
}

/// Measures that share their pieces are written as they are alone, in whatever order they are asked for.
#[test]
fn derivations_do_not_depend_on_one_another() {
    use enteral_gate::nutrition::derive::Derivations;
    let given = format!(
        "{ADULT}product = \"A10\"\nrate = \"60 mL/h\"\ncap = \"1200 mL/d\"\nflush = {{ volume = \"30 mL\", every = \"4 h\" }}\nadditives = [{{ product = \"PROT\", amount = \"2 {{dose}}\", per = \"day\" }}]\n"
    );
    let bundle = short_form::compose(&given.parse().unwrap(), &Rulebook::default()).unwrap();
    let settings = Settings::default();
    let a = appraise(bundle.as_bytes(), "", FhirVersion::R4, &FORMULARY, &settings);
    let report = &a.orders[0];
    let (day, totals) = report.days.first().unwrap();
    let days = [(&report.plan, day)];
    let weight = report.weight.map(|(kg, at)| (kg, Some(at)));
    for backwards in [false, true] {
        let mut all = M::ALL.to_vec();
        if backwards {
            all.reverse();
        }
        let mut together = Derivations::new(&days, totals, weight);
        for m in all {
            assert_eq!(together.of(m), derive(m, &days, totals, weight), "{m:?}");
        }
    }
}

/// Two ends that look alike get three digits more than the figure has.
#[test]
fn ends_that_look_alike_get_more_digits() {
    use enteral_gate::amount::{Amount, Why};
    use enteral_gate::exact::Exact;
    let ends = Amount::between(Exact::decimal(2001, 3), Exact::decimal(2002, 3), Why::AsNeeded);
    assert_eq!(shown(&ends, 0, "mL"), "2.001 to 2.002 mL");
    assert_eq!(shown(&ends, 2, "mL"), "2.001 to 2.002 mL");
    assert_eq!(shown(&ends, 3, "mL"), "2.001 to 2.002 mL");
    let far = Amount::between(Exact::int(2), Exact::decimal(26, 1), Why::AsNeeded);
    assert_eq!(shown(&far, 0, "mL"), "2 to 3 mL");
}

/// Renal solute load: protein and the four minerals, each with its place; where each formula comes from is named.
#[test]
fn the_solute_load_names_its_parts_and_formulae_their_sources() {
    let hp = "product = \"HP12\"\nrate = \"60 mL/h\"\n";
    let d = derived(hp, M::RenalSoluteLoad);
    // 1440 mL: 122.4 g of protein, 1584, 2592, 2016 and 1368 mg of Na, K, Cl and P.
    assert!(d.arithmetic.starts_with("122.4 g ÷ 6.25 × 1000 ÷ 28 + "), "{}", d.arithmetic);
    for part in ["protein in ", "sodium in ", "potassium in ", "chloride in ", "phosphorus in "] {
        assert!(inputs(&d).iter().any(|(name, _)| name.starts_with(part)), "{part}: {:?}", d.inputs);
    }
    for (m, source) in [
        (M::RenalSoluteLoad, "Fomon and Ziegler"),
        (M::SodiumMoles, "IUPAC abridged standard atomic weights"),
        (M::PotassiumPerKg, "IUPAC abridged standard atomic weights"),
        (M::ProteinEnergyShare, "energy factors 4, 9 and 4 kcal/g"),
        (M::NonProteinEnergyPerNitrogen, "protein ÷ 6.25 = nitrogen"),
        (M::Energy, "arithmetic"),
        (M::Calcium, "arithmetic"),
    ] {
        assert!(derived(hp, m).source.contains(source), "{m:?}");
    }
    // An additive leads to its product; water that nobody lists leads to none.
    let packets = "product = \"A10\"\nrate = \"60 mL/h\"\nadditives = [{ product = \"PROT\", amount = \"2 {dose}\", per = \"day\" }]\n";
    let d = derived(packets, M::Energy);
    let packet = d.inputs.iter().find(|i| i.name == "PROT (each)").unwrap();
    assert!(packet.product.is_some() && packet.at.is_some());
}

/// A density in a unit that is not UCUM but sure is read, and is no matter of calories.
#[test]
fn another_spelling_of_a_density_is_not_one_of_calories() {
    let d = derived("product = \"A10\"\nrate = \"60 mL/h\"\ndensity = \"1.2 kcal/ml\"\n", M::Energy);
    assert_eq!(d.arithmetic, "1440 mL × 1.2 kcal/mL = 1728 kcal");
    assert!(!d.assumptions.contains(&Assumption::CalorieIsKilocalorie), "{:?}", d.assumptions);
}

/// What is done to a feed and what is not: a ready-to-hang feed of 1500 mL in 6 h hangs 4 h from a container of 1000 mL,
/// whatever is given beside it or ordered of its strength; its osmolality is stated for its own strength only.
#[test]
fn a_feed_keeps_its_form_and_loses_its_osmolality() {
    let feed = "product = \"A10\"\nvolume = \"1500 mL\"\nfeeds = 1\nover = \"6 h\"\n";
    let beside = "additives = [{ product = \"MCT\", amount = \"15 mL\", per = \"day\" }]\n";
    let stronger = "density = \"1.2 kcal/mL\"\n";
    for more in ["", beside, stronger] {
        let hangs = derived(&format!("{feed}{more}"), M::HangTime).arithmetic;
        assert!(hangs.ends_with(" = 4 h"), "{more}: {hangs}");
    }
    let osmolality = |more: &str| derived(&format!("{feed}{more}"), M::Osmolality).arithmetic;
    assert!(osmolality("").starts_with("as stated for the feed = 300 "), "{}", osmolality(""));
    assert!(osmolality(beside).starts_with("as stated for the feed = 300 "), "{}", osmolality(beside));
    assert_eq!(
        osmolality(stronger),
        "as stated for the feed = not known (the stated osmolality is of another strength)"
    );
}

/// Water ordered as the feed is water; milk has the composition that is assumed of it.
#[test]
fn water_and_milk_are_what_they_are() {
    let water = "product = \"WATER\"\nrate = \"60 mL/h\"\n";
    assert_eq!(derived(water, M::FlushVolume).arithmetic, "60 mL/h × 24 h = 1440 mL");
    assert!(derived(water, M::FormulaVolume).arithmetic.starts_with("nothing is given = 0 mL"));
    let assumed = |product: &str| {
        derived(&format!("product = \"{product}\"\nrate = \"20 mL/h\"\n"), M::Protein)
            .assumptions
            .contains(&Assumption::MilkComposition)
    };
    assert!(assumed("HM") && !assumed("A10") && !assumed("PRE08"));
}

/// A density that cannot be used leaves the energy unknown, also of a product that has one; without a product and a
/// density there is none to know.
#[test]
fn a_density_that_cannot_be_used_is_not_replaced() {
    let energy = |more: &str| derived(&format!("rate = \"60 mL/h\"\n{more}"), M::Energy).arithmetic;
    let cannot = "1440 mL × energy per mL not known = not known (the order's energy density cannot be used)";
    assert_eq!(energy("product = \"A10\"\ndensity = \"1.2 kg/mL\"\n"), cannot);
    assert_eq!(energy("product = \"nothing of the kind\"\ndensity = \"1.2 kg/mL\"\n"), cannot);
    assert_eq!(
        energy("product = \"nothing of the kind\"\n"),
        "1440 mL × energy per mL not known = not known (no energy density in the order or the formulary)"
    );
    assert_eq!(
        energy("product = \"nothing of the kind\"\ndensity = \"1.2 kcal/mL\"\n"),
        "1440 mL × 1.2 kcal/mL = 1728 kcal"
    );
}

/// An additive that nobody knows, that is water, or whose amount does not say what it is per.
#[test]
fn additives_that_cannot_be_counted_leave_at_least() {
    let with = |product: &str, amount: &str, m: M| {
        let given = format!(
            "product = \"A10\"\nrate = \"60 mL/h\"\nadditives = [{{ product = \"{product}\", amount = \"{amount}\", per = \"day\" }}]\n"
        );
        derived(&given, m).arithmetic
    };
    // Known and per day.
    assert_eq!(with("WATER", "200 mL", M::FlushVolume), "200 mL = 200 mL");
    assert_eq!(with("WATER", "200 mL", M::Volume), "60 mL/h × 24 h + 200 mL = 1640 mL");
    assert!(with("WATER", "200 mL", M::AdditiveVolume).starts_with("nothing is given = 0 mL"));
    // Water mixed in changes the strength; a powder that nobody knows may hold anything.
    for (product, amount) in [("WATER", "10 mL/dL"), ("a powder that nobody knows", "2 {dose}")] {
        let energy = with(product, amount, M::Energy);
        assert!(energy.contains(" = at least 1440 kcal ("), "{product}: {energy}");
        let volume = with(product, amount, M::Volume);
        assert!(volume.contains(" = at least 1440 mL ("), "{product}: {volume}");
    }
    // Oil mixed in, 10 mL to each 100 of the feed: (1 + 0.1 × 7.7) ÷ 1.1 kcal in a mL.
    let mixed = with("MCT", "10 mL/dL", M::Energy);
    assert!(mixed.starts_with("1440 mL × 1.609091 kcal/mL = 2317.091 kcal"), "{mixed}");
    // A bare number is no amount of oil.
    assert!(with("MCT", "5 1", M::Energy).contains(" = at least 1440 kcal ("), "{}", with("MCT", "5 1", M::Energy));
}
