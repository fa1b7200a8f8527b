//! What both sides of the comparison are given: one formulary told twice, and the way from a case to each.

use super::naive::{self, Item, Per, Q, frac};
use super::orders::Case;
use enteral_gate::amount::Amount;
use enteral_gate::exact::Exact;
use enteral_gate::formulary::Formulary;
use enteral_gate::intake::json::{Document, Limits};
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::intake::wire::{NoResolver, read_order};
use enteral_gate::nutrition::plan::{Materials, Plan, plan};
use enteral_gate::settings::Settings;
use enteral_gate::timing::schedule::Frame;
use jiff::tz::TimeZone;
use num_bigint::BigInt;
use std::collections::BTreeMap;
use std::sync::OnceLock;

/// Invented products. The naive side has the same figures in [`items`].
const CSV: &str = "\
key,name,form,age_class,basis,energy_kcal,protein_g,carbohydrate_g,fat_g,fibre_g,water_mL,sodium_mg,potassium_mg,displacement_mL,source,source_date
TS,Test Standard,ready-to-hang,adult,L,1000,40,133.5,34,0,840,900,1500,,invented,2026-11-25
TC,Test Concentrate,ready-to-hang,adult,L,1500,65,170,62,,,1200,,,invented,2026-11-25
TP,Test Powder,powder,infant,100 kcal,100,2.8,10.7,5.1,0,,40,100,,invented,2026-11-25
TM,Test Mix,powder,infant,100 mL,70,1.5,7.6,3.7,0.2,88,20,70,,invented,2026-11-25
MP,Test Protein,modular,any,g,3.6,0.9,0,0,0,0,2,,0.7,invented,2026-11-25
FP,Test Packet,fortifier,preterm,dose,7,0.5,0.6,0.3,0,0,10,15,0.5,invented,2026-11-25
";

pub fn formulary() -> &'static Formulary {
    static READ: OnceLock<Formulary> = OnceLock::new();
    READ.get_or_init(|| Formulary::from_csv("test.csv", CSV.as_bytes()).expect("a sound formulary"))
}

/// Protein, carbohydrate, fat, fibre, water, Na, K as (tenths, …); `None`: not stated. Cl, Ca, P, Mg are not.
fn item(
    per: Per,
    powder: bool,
    kcal: Option<i64>,
    figures: [Option<i64>; 7],
    scale: i64,
    displacement: Option<i64>,
) -> Item {
    let part = |x: Option<i64>| x.map(|x| frac(x, 10 * scale));
    let mut nutrients: [Option<Q>; naive::NUTRIENTS] = Default::default();
    for (out, x) in nutrients.iter_mut().zip(figures) {
        *out = part(x);
    }
    Item { per, powder, kcal: part(kcal), nutrients, displacement: displacement.map(|d| frac(d, 10)) }
}

fn items() -> BTreeMap<String, Item> {
    let ml = Per::Millilitre;
    [
        (
            "Test Standard",
            item(
                ml,
                false,
                Some(10_000),
                [Some(400), Some(1335), Some(340), Some(0), Some(8400), Some(9000), Some(15_000)],
                1000,
                None,
            ),
        ),
        (
            "Test Concentrate",
            item(
                ml,
                false,
                Some(15_000),
                [Some(650), Some(1700), Some(620), None, None, Some(12_000), None],
                1000,
                None,
            ),
        ),
        (
            "Test Powder",
            item(
                Per::Kilocalorie,
                true,
                None,
                [Some(28), Some(107), Some(51), Some(0), None, Some(400), Some(1000)],
                100,
                None,
            ),
        ),
        (
            "Test Mix",
            item(
                ml,
                true,
                Some(700),
                [Some(15), Some(76), Some(37), Some(2), Some(880), Some(200), Some(700)],
                100,
                None,
            ),
        ),
        (
            "Test Protein",
            item(Per::Gram, false, Some(36), [Some(9), Some(0), Some(0), Some(0), Some(0), Some(20), None], 1, Some(7)),
        ),
        (
            "Test Packet",
            item(
                Per::Dose,
                false,
                Some(70),
                [Some(5), Some(6), Some(3), Some(0), Some(0), Some(100), Some(150)],
                1,
                Some(5),
            ),
        ),
    ]
    .into_iter()
    .map(|(name, item)| (name.to_owned(), item))
    .collect()
}

pub fn place(case: &Case) -> naive::Place {
    naive::Place {
        zone: TimeZone::get(case.zone).expect("a bundled zone"),
        day_start: i64::from(case.day_start),
        weight: case.grams.map(|g| frac(g, 1000)),
        clock: case
            .clock
            .iter()
            .map(|(name, times)| ((*name).to_owned(), times.iter().map(|t| i64::from(*t)).collect()))
            .collect(),
        products: items(),
    }
}

pub fn settings(case: &Case) -> Settings {
    Settings {
        zone: TimeZone::get(case.zone).expect("a bundled zone"),
        zone_name: case.zone.to_owned(),
        day_start: case.day_start,
        clock: case.clock.iter().map(|(name, times)| ((*name).to_owned(), times.clone())).collect(),
        ..Settings::default()
    }
}

pub fn weight(case: &Case) -> Option<Exact> {
    case.grams.map(|g| Exact::ratio(g, 1000))
}

/// Reads and plans the order of a case with the library.
pub fn planned(case: &Case, settings: &Settings) -> Plan {
    let text = case.order.to_string();
    let document = Document::read(text.as_bytes(), &Limits::default()).expect("a JSON document");
    let version = if case.order.get("subject").is_some() { FhirVersion::R5 } else { FhirVersion::R4 };
    let (order, _) = read_order(document.root(), version, &NoResolver);
    plan(&order, Materials { frame: Frame { settings, weight: weight(case) }, formulary: formulary(), sent: &[] })
}

pub fn rational(x: Exact) -> Q {
    let (n, d) = x.parts();
    Q::new(BigInt::from(n), BigInt::from(d))
}

/// An amount as its two ends; unknown is 0 or more.
pub fn ends(a: &Amount) -> naive::Val {
    naive::Val { low: a.low().map_or_else(|| frac(0, 1), rational), high: a.high().map(rational) }
}

/// The other way, for times.
pub fn exact(x: &Q) -> Option<Exact> {
    let (n, d): (i64, i64) = (x.numer().try_into().ok()?, x.denom().try_into().ok()?);
    Some(Exact::ratio(n, d))
}
