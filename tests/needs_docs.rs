//! `docs/estimates.md` says what the code computes: its tables are made from the estimates themselves.
//! After a change run this test with `UPDATE=1` and read the difference.

use enteral_gate::exact::{Decimal, Exact};
use enteral_gate::needs::{Estimate, Inputs, Kind, Sex, Ventilation, estimates};
use std::fmt::Write as _;

const DOCS: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/docs/estimates.md");
const MARKER: &str = "<!-- below: made from the code -->\n";

fn n(text: &str) -> Exact {
    Decimal::parse(text).expect("a number").exact()
}

/// People such that every branch of every formula is met.
fn people() -> Vec<Inputs> {
    let mut out = vec![];
    for sex in [Sex::Male, Sex::Female] {
        for age in [
            "0", "1", "2", "3", "4", "6", "40", "100", "130", "170", "200", "250", "380", "600", "800", "1000", "1300",
            "2000", "3500", "4500", "6000", "6800", "9000", "15000", "23000", "29000",
        ] {
            for (gestation, birth) in [("39", "3.4"), ("33", "2.1"), ("32", "1.6"), ("30", "1.2"), ("26", "0.8")] {
                out.push(Inputs {
                    sex: Some(sex),
                    age_days: Some((n(age), n(age))),
                    weight_kg: Some(n("50")),
                    height_cm: Some(n("160")),
                    birth_weight_kg: Some(n(birth)),
                    gestational_weeks: Some(n(gestation)),
                    ventilated: Some(Ventilation { minute_volume_l: Some(n("8")), tmax_c: Some(n("37")) }),
                    measured_energy_kcal: Some(n("1500")),
                });
            }
        }
    }
    out
}

struct Entry {
    of: Estimate,
    /// Each formula with the sexes it was met with.
    formulas: Vec<(String, Vec<&'static str>)>,
}

fn collect() -> Vec<Entry> {
    let mut entries: Vec<Entry> = vec![];
    for inputs in people() {
        let sex = inputs.sex.map_or("", Sex::name);
        for e in estimates(&inputs) {
            let same = |x: &&mut Entry| (x.of.id, x.of.variant, x.of.kind) == (e.id, e.variant, e.kind);
            let at = match entries.iter_mut().find(same) {
                Some(entry) => entry,
                None => {
                    entries.push(Entry { of: e.clone(), formulas: vec![] });
                    entries.last_mut().expect("just pushed")
                }
            };
            // A branch without a value shows no formula of its own.
            if e.result.is_none() {
                continue;
            }
            match at.formulas.iter_mut().find(|(text, _)| *text == e.formula) {
                Some((_, sexes)) if sexes.contains(&sex) => {}
                Some((_, sexes)) => sexes.push(sex),
                None => at.formulas.push((e.formula.into_owned(), vec![sex])),
            }
        }
    }
    entries
}

const KINDS: [Kind; 21] = [
    Kind::RestingEnergy,
    Kind::TotalEnergy,
    Kind::EnergyTarget,
    Kind::TargetShare,
    Kind::Protein,
    Kind::ProteinPerEnergy,
    Kind::ProteinShare,
    Kind::Fat,
    Kind::Carbohydrate,
    Kind::Fluid,
    Kind::FluidPerEnergy,
    Kind::FluidForFever,
    Kind::Sodium,
    Kind::Potassium,
    Kind::Chloride,
    Kind::Calcium,
    Kind::Phosphorus,
    Kind::ReferenceWeight,
    Kind::BodyMassIndex,
    Kind::BodySurface,
    Kind::WeightForAge,
];

fn tables() -> String {
    let entries = collect();
    let mut out = String::new();
    for kind in KINDS {
        let name = kind.name();
        let _ = writeln!(
            out,
            "\n## {}{}\n",
            name.get(..1).unwrap_or_default().to_uppercase(),
            name.get(1..).unwrap_or_default()
        );
        out.push_str("| id | name | formula | unit | domain | setting (not checked) | source | mark |\n|---|---|---|---|---|---|---|---|\n");
        for Entry { of, formulas } in entries.iter().filter(|entry| entry.of.kind == kind) {
            let shown: Vec<String> = formulas
                .iter()
                .map(|(text, sexes)| match sexes.as_slice() {
                    [sex] => format!("{sex}: {text}"),
                    _ => text.clone(),
                })
                .collect();
            let _ = writeln!(
                out,
                "| `{}` | {} | {} | {} | {} | {} | {} | {} |",
                of.id,
                of.title(),
                shown.join("<br>"),
                of.unit,
                of.domain,
                of.setting.unwrap_or("–"),
                of.source.citation,
                of.source.mark.name()
            );
        }
    }
    out
}

#[test]
fn the_page_shows_what_the_code_computes() {
    let made = tables();
    assert!(!made.contains("|  |"), "an empty cell");
    let page = std::fs::read_to_string(DOCS).expect("docs/estimates.md");
    let (head, shown) = page.split_once(MARKER).expect("the marker line");
    if std::env::var_os("UPDATE").is_some() {
        std::fs::write(DOCS, format!("{head}{MARKER}{made}")).expect("written");
        return;
    }
    assert!(shown == made, "docs/estimates.md is stale: run this test with UPDATE=1");
}
