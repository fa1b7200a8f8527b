//! What is added to a feed, mixed in or given apart: what it brings beside the ordered strength, and when its amount cannot be
//! counted. Readings: `docs/calculation.md`, "Flushes and additives"; figures worked out by hand. Products and people are
//! invented.

use enteral_gate::amount::Amount;
use enteral_gate::appraise::{Appraisal, appraise};
use enteral_gate::exact::Exact;
use enteral_gate::findings::{Outcome, Tier};
use enteral_gate::formulary::Formulary;
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::nutrition::measure::Measure;
use enteral_gate::rulebook::{Rulebook, short_form};
use enteral_gate::settings::Settings;
use std::sync::LazyLock;

static FORMULARY: LazyLock<Formulary> =
    LazyLock::new(|| Formulary::from_csv("tests", include_bytes!("../deploy/demo/formulary.csv")).unwrap());

static SETTINGS: LazyLock<Settings> = LazyLock::new(Settings::default);

const INFANT: &str = "age = \"60 d\"\nsex = \"female\"\nweight = \"5 kg\"\n";
const ADULT: &str =
    "age = \"70 a\"\nsex = \"male\"\nweight = \"60 kg\"\nproduct = \"A10\"\nvolume = \"250 mL\"\nfeeds = 6\n";

fn compose(given: &str) -> String {
    short_form::compose(&given.parse().unwrap_or_else(|why| panic!("{given}: {why}")), &Rulebook::default())
        .unwrap_or_else(|why| panic!("{given}: {why}"))
}

fn of<T>(bundle: &str, look: impl Fn(&Appraisal<'_>) -> T) -> T {
    look(&appraise(bundle.as_bytes(), "", FhirVersion::R4, &FORMULARY, &SETTINGS))
}

fn given(bundle: &str, measure: Measure) -> Amount {
    of(bundle, |done| done.orders[0].typical().expect("a day").1.get(measure).clone())
}

/// To three decimals; "unknown" or "at least" where that is all.
fn shown(bundle: &str, measure: Measure) -> String {
    match given(bundle, measure) {
        Amount::Known(x) => x.rounded(3),
        Amount::Range(span) if span.high.is_none() => format!("at least {}", span.low.rounded(3)),
        Amount::Range(span) => {
            format!("{} to {}", span.low.rounded(3), span.high.map_or_else(String::new, |x| x.rounded(3)))
        }
        Amount::Unknown(_) => "unknown".to_owned(),
    }
}

fn judged(bundle: &str, rule: &str) -> Outcome {
    of(bundle, |done| done.orders[0].judged.iter().find(|j| j.rule.id == rule).expect("a rule").outcome.clone())
}

/// Tier and text of the only finding of a rule.
fn finds(bundle: &str, rule: &str) -> Option<(Tier, String)> {
    match judged(bundle, rule) {
        Outcome::Flagged(all) if all.len() == 1 => Some((all[0].tier, all[0].text.clone())),
        Outcome::Flagged(all) => panic!("{all:?}"),
        _ => None,
    }
}

/// Infant powder, 2.1 g of protein, 11.2 g of carbohydrate and 5.2 g of fat in 100 kcal; oil of 7.7 kcal and 0.93 g of fat in
/// 1 mL, 2 mL of it in 100 mL. The finished mix has 0.8 kcal in 1 mL. Of that the oil has 7.7 × 0.02 ÷ 1.02 = 0.15098, the
/// powder 0.8 − 0.15098 = 0.64902. In 900 mL: 584.118 kcal of powder with 12.266 g of protein, 65.421 g of carbohydrate and
/// 30.374 g of fat, and 900 × 0.02 ÷ 1.02 = 17.647 mL of oil with 16.412 g of fat.
#[test]
fn a_powder_brings_what_its_additives_leave_of_the_ordered_strength() {
    let order = |density: &str, oil: &str| {
        compose(&format!(
            "{INFANT}product = \"INF\"\ndensity = \"{density} kcal/mL\"\nvolume = \"150 mL\"\nfeeds = 6\nadditives = [{{ product = \"MCT\", amount = \"{oil} mL/(100.mL)\" }}]\n"
        ))
    };
    let mixed = order("0.8", "2");
    assert_eq!(shown(&mixed, Measure::Energy), "720.000");
    assert_eq!(shown(&mixed, Measure::Protein), "12.266");
    assert_eq!(shown(&mixed, Measure::Carbohydrate), "65.421");
    assert_eq!(shown(&mixed, Measure::Fat), "46.786");
    // 11 mL of oil in 100 mL alone make 0.847 kcal of 1.11 mL, 0.763 of 1 mL: a little is left. 12 mL make 0.924 of 1.12 mL,
    // 0.825: nothing is, and what the powder brings is not known. The oil's fat is.
    assert_eq!(shown(&order("0.8", "11"), Measure::Protein), "0.698");
    let nothing_left = order("0.8", "12");
    assert_eq!(shown(&nothing_left, Measure::Protein), "unknown");
    // 900 × 0.12 ÷ 1.12 × 0.93 = 89.679 g.
    assert_eq!(shown(&nothing_left, Measure::Fat), "at least 89.679");
    let Outcome::NotEvaluated(why, _) = judged(&nothing_left, "INT-06") else {
        panic!("{:?}", judged(&nothing_left, "INT-06"))
    };
    assert!(why.contains("the additives alone hold all the energy of the ordered density, or more"), "{why}");
}

/// Human milk has 0.67 kcal in 1 mL, a unit of fortifier 3.5 kcal in 0.5 mL. One unit in 25 mL: (0.67 + 0.04 × 3.5) ÷ 1.02 =
/// 0.81 ÷ 1.02 = 0.794118 kcal/mL.
#[test]
fn an_ordered_density_is_compared_with_that_of_the_mix() {
    let order = |density: &str| {
        compose(&format!(
            "age = \"14 d\"\ngestation = \"30 wk\"\nsex = \"male\"\nweight = \"1.5 kg\"\nproduct = \"HM\"\n{density}volume = \"25 mL\"\nfeeds = 8\nadditives = [{{ product = \"HMF\", amount = \"1 /(25.mL)\" }}]\n"
        ))
    };
    assert!(matches!(judged(&order(""), "CON-04"), Outcome::Clear));
    // 0.8 ÷ 0.794118 = 1.0074: a rounding.
    let (tier, text) = finds(&order("density = \"0.8 kcal/mL\"\n"), "CON-04").expect("0.7 % apart");
    assert_eq!(tier, Tier::Low);
    assert!(text.starts_with("The order says 0.8 kcal/mL, the formulary 0.7941 kcal/mL for Invented Human Milk (HM) with what is mixed in (0.7 %)."), "{text}");
    // The milk alone: 0.67 ÷ 0.794118 = 0.8437.
    let (tier, text) = finds(&order("density = \"0.67 kcal/mL\"\n"), "CON-04").expect("15.6 % apart");
    assert_eq!(tier, Tier::Med);
    assert!(text.contains("(-15.6 %)"), "{text}");
    // What the milk brings does not change with the strength that is written: 200 mL × (1.4 ÷ 100 + 0.04 × 0.28) ÷ 1.02.
    for density in ["", "density = \"0.8 kcal/mL\"\n"] {
        assert_eq!(shown(&order(density), Measure::Protein), "4.941");
    }
}

/// The packet does not state how much room it takes, so what the mix has in 1 mL is not known.
#[test]
fn a_density_beside_a_mix_that_is_not_known_is_left_open() {
    let order = |density: &str| {
        compose(&format!("{ADULT}{density}additives = [{{ product = \"PROT\", amount = \"1 /(100.mL)\" }}]\n"))
    };
    let Outcome::NotEvaluated(why, _) = judged(&order("density = \"1.2 kcal/mL\"\n"), "CON-04") else { panic!() };
    assert!(why.starts_with("the energy density of the mix is not known: "), "{why}");
    assert!(why.contains("the volume it adds"), "{why}");
    assert!(matches!(judged(&order(""), "CON-04"), Outcome::Clear));
}

/// A powder of 0.7 kcal in 1 mL whose figures are per mL, with a modular of 3.6 kcal and 0.9 g of protein in 1 g that takes
/// 0.7 mL: 10 g in 100 mL. At its own strength the mix has (0.7 + 0.36) ÷ 1.07 = 0.990654 kcal in 1 mL. Ordered at 1: the
/// powder has 1.07 − 0.36 = 0.71 kcal in 1 mL before mixing, 0.71 ÷ 0.7 of its figures; protein in 1,000 mL of mix:
/// (1.5 ÷ 100 × 0.71 ÷ 0.7 + 0.1 × 0.9) ÷ 1.07 × 1,000 = 98.331 g.
#[test]
fn a_powder_given_by_volume_is_mixed_stronger() {
    let formulary = Formulary::from_csv(
        "tests",
        b"key,name,form,age_class,basis,energy_kcal,protein_g,carbohydrate_g,fat_g,water_mL,displacement_mL,source,source_date\n\
          TM,Test Mix,powder,infant,100 mL,70,1.5,7.6,3.7,88,,invented,2026-11-25\n\
          MP,Test Protein,modular,any,g,3.6,0.9,0,0,0,0.7,invented,2026-11-25\n",
    )
    .expect("two products");
    let bundle = compose(&format!(
        "{INFANT}product = \"Test Mix\"\ndensity = \"1 kcal/mL\"\nvolume = \"100 mL\"\nfeeds = 10\nadditives = [{{ product = \"Test Protein\", amount = \"10 g/dL\" }}]\n"
    ));
    let done = appraise(bundle.as_bytes(), "", FhirVersion::R4, &formulary, &SETTINGS);
    let totals = &done.orders[0].typical().expect("a day").1;
    assert_eq!(totals.get(Measure::Energy), &Amount::Known(Exact::int(1000)));
    assert_eq!(totals.get(Measure::Protein).known().map(|x| x.rounded(3)).as_deref(), Some("98.331"));
    assert!(totals.get(Measure::FreeWater).known().is_none());
}

/// 10 mL of oil a day bring 77 kcal, 10 mL with each of 6 feeds 462; a unit per day beside "per feed" may be either.
#[test]
fn an_amount_per_time_is_not_one_per_feed() {
    let order = |amount: &str, per: &str| {
        compose(&format!("{ADULT}additives = [{{ product = \"MCT\", amount = \"{amount}\", per = \"{per}\" }}]\n"))
    };
    // 1,500 mL of 1 kcal/mL.
    for (amount, per, energy) in [
        ("10 mL/d", "day", "1577.000"),
        ("10 mL", "day", "1577.000"),
        ("10 mL", "feed", "1962.000"),
        ("0.01 L/d", "day", "1577.000"),
    ] {
        let order = order(amount, per);
        assert_eq!(
            (shown(&order, Measure::Energy).as_str(), finds(&order, "INT-05")),
            (energy, None),
            "{amount} {per}"
        );
    }
    for (amount, per, why) in [
        ("10 mL/d", "feed", "its unit is per time, and beside it stands that it is per feed"),
        ("10 mL/d", "volume", "its unit is per time, and beside it stands that it is per volume"),
        ("1 mL/h", "day", "its unit is per another time than a day, and beside it stands that it is per day"),
    ] {
        let order = order(amount, per);
        assert_eq!(shown(&order, Measure::Energy), "at least 1500.000", "{amount} {per}");
        let (tier, text) = finds(&order, "INT-05").expect("not counted");
        assert_eq!(tier, Tier::Med);
        assert_eq!(text, format!("“MCT” was not counted: {why}. Totals are “at least”."));
    }
}

/// The protein is counted by the packet of 25 kcal. Two packets a day bring 50 kcal; a scoop and a gram are not a packet.
#[test]
fn a_word_in_the_unit_is_one_for_the_products_own_measure() {
    let order = |unit: &str, code: &str| {
        let plain = compose(&format!("{ADULT}additives = [{{ product = \"PROT\", amount = \"2 {{dose}}\" }}]\n"));
        let whole = "\"code\":\"{dose}\",\"system\":\"http://unitsofmeasure.org\",\"unit\":\"{dose}\"";
        assert!(plain.contains(whole), "{plain}");
        let text = if unit.is_empty() { String::new() } else { format!(",\"unit\":\"{unit}\"") };
        plain.replace(whole, &format!("\"code\":\"{code}\",\"system\":\"http://unitsofmeasure.org\"{text}"))
    };
    for (unit, code) in [
        ("{packet}", "{packet}"),
        ("packets", "1"),
        ("dose(s)", "1"),
        ("", "1"),
        ("1", "1"),
        ("", "{Sachet}"),
        ("packets per day", "/d"),
        ("", "{packet}/d"),
        ("", "{packet}/{day}"),
        // Its name: Invented Protein Packet.
        ("", "{protein}"),
    ] {
        let order = order(unit, code);
        assert_eq!(
            (shown(&order, Measure::Energy).as_str(), finds(&order, "INT-05")),
            ("1550.000", None),
            "{unit} {code}"
        );
    }
    for (unit, code, word) in [
        ("{scoop}", "{scoop}", "scoop"),
        ("{g}", "{g}", "g"),
        ("scoops", "1", "scoops"),
        ("g", "1", "g"),
        ("", "{packet of 6 g}", "of"),
        ("", "{packet}/{feed}", "feed"),
        ("", "{packet}/{bottle}", "bottle"),
        ("", "{scoop}/d", "scoop"),
        ("tablespoon", "{packet}", "tablespoon"),
    ] {
        let order = order(unit, code);
        let (tier, text) = finds(&order, "INT-05").unwrap_or_else(|| panic!("{unit} {code}"));
        let why = format!("its unit says “{word}”, and how much of the product that is, is not stated");
        assert_eq!((tier, text), (Tier::Med, format!("“PROT” was not counted: {why}. Totals are “at least”.")));
        assert_eq!(shown(&order, Measure::Energy), "at least 1500.000");
    }
}
