//! Infants on full enteral feeding: ranges per kg of body weight for each population, as published.

use super::estimate::{Estimate, Figure, Kind, Mark, Source};
use super::person::{Card, Person, Sheet};
use crate::exact::Exact;

/// Last gestational week at birth that counts as preterm is 36: term from 37.
pub(super) const TERM: Exact = Exact::int(37);
/// Preterm rows are flagged beyond this postmenstrual age; no table that was read gives an end. (derived)
const PRETERM_UNTIL: Exact = Exact::int(44);

/// Whom a table is for.
#[derive(Clone, Copy)]
enum Whom {
    /// Born before 37 weeks, below a birth weight in grams where one is given.
    Preterm(Option<i64>),
    /// Birth weight in grams from (included) to (excluded), whatever the gestation.
    BirthWeight(i64, i64),
    /// Born at term; age in months from (included) to (excluded).
    Term(i64, i64),
    /// Any infant.
    Any,
}

struct Population {
    id: &'static str,
    name: &'static str,
    domain: &'static str,
    whom: Whom,
    setting: Option<&'static str>,
    rows: &'static [Row],
}

struct Row {
    kind: Kind,
    variant: Option<&'static str>,
    /// Per kg and day.
    per_kg: &'static str,
    /// UCUM code of the amount.
    unit: &'static str,
    source: Source,
}

const fn row(kind: Kind, per_kg: &'static str, unit: &'static str, source: Source) -> Row {
    Row { kind, variant: None, per_kg, unit, source }
}
const fn or(variant: &'static str, row: Row) -> Row {
    Row { variant: Some(variant), ..row }
}

use Kind::{
    Calcium, Carbohydrate, Chloride, EnergyTarget as Energy, Fat, Fluid, Phosphorus, Potassium, Protein,
    ProteinPerEnergy, Sodium,
};

const ESPGHAN_2022: Source = Source::new(
    Mark::FromMemory,
    "ESPGHAN 2022, J Pediatr Gastroenterol Nutr 2023;76:248-268 (abstract read, this figure from memory)",
);
const ESPGHAN_2022_FLUID: Source = Source::new(
    Mark::TextSeen,
    "ESPGHAN 2022; 150 to 180 mL of fortified milk as in the ASPEN Pediatric and Neonatal Handbook 2024",
);
const ESPGHAN_2010: Source =
    Source::new(Mark::TextSeen, "ESPGHAN 2010, as tabulated in Arch Dis Child Educ Pract, Table 2");
const ESPGHAN_2010_FLUID: Source = Source::new(Mark::FromMemory, "ESPGHAN 2010");
const KOLETZKO: Source =
    Source::new(Mark::TextSeen, "Koletzko 2014, as tabulated in Arch Dis Child Educ Pract, Table 2");
const REFERENCE_TABLE: Source = Source::new(Mark::TextSeen, "clinical reference table of preterm intakes");
const HANDBOOK: Source =
    Source::new(Mark::TextSeen, "ASPEN Pediatric and Neonatal Nutrition Support Handbook, 3rd ed. 2024");
const WHO: Source = Source::new(Mark::TextSeen, "WHO, as tabulated in Arch Dis Child Educ Pract, Table 2");
const MEMORY: Source = Source::new(Mark::FromMemory, "no text found");
const PROTEIN_DRI: Source = Source::new(Mark::TextSeen, "Dietary Reference Intakes, protein per kg (reprinted page)");
const PRACTICE: Source = Source::new(Mark::CommonPractice, "no published source known");

const POPULATIONS: [Population; 13] = [
    Population {
        id: "preterm-2022",
        name: "Preterm below 1800 g (ESPGHAN 2022)",
        domain: "preterm infants with a birth weight below 1800 g, full enteral feeding",
        whom: Whom::Preterm(Some(1800)),
        setting: None,
        rows: &[
            or("usual", row(Fluid, "150-180", "mL/d", ESPGHAN_2022_FLUID)),
            or("outer limits", row(Fluid, "135-200", "mL/d", ESPGHAN_2022)),
            row(Energy, "115-140", "kcal/d", ESPGHAN_2022),
            or("growth poor", row(Energy, "<=160", "kcal/d", ESPGHAN_2022)),
            row(Protein, "3.5-4.0", "g/d", ESPGHAN_2022),
            or("only if growth is slow", row(Protein, "<=4.5", "g/d", ESPGHAN_2022)),
            row(Fat, "4.8-8.1", "g/d", ESPGHAN_2022),
            row(Carbohydrate, "11-15", "g/d", ESPGHAN_2022),
            or("usual", row(Sodium, "3-5", "mmol/d", ESPGHAN_2022)),
            or("outer limit", row(Sodium, "<=8", "mmol/d", ESPGHAN_2022)),
            row(Potassium, "2.3-4.6", "mmol/d", ESPGHAN_2022),
            or("usual", row(Chloride, "3-5", "mmol/d", ESPGHAN_2022)),
            or("outer limit", row(Chloride, "<=8", "mmol/d", ESPGHAN_2022)),
            row(Calcium, "3.0-5.0", "mmol/d", ESPGHAN_2022),
            row(Phosphorus, "2.2-3.7", "mmol/d", ESPGHAN_2022),
            row(ProteinPerEnergy, "2.8-3.6", "g/(100.kcal)", ESPGHAN_2022),
        ],
    },
    Population {
        id: "preterm-2010",
        name: "Preterm below 1800 g (ESPGHAN 2010)",
        domain: "preterm infants with a birth weight below 1800 g, full enteral feeding",
        whom: Whom::Preterm(Some(1800)),
        setting: None,
        rows: &[
            row(Fluid, "135-200", "mL/d", ESPGHAN_2010_FLUID),
            row(Energy, "110-135", "kcal/d", ESPGHAN_2010),
            row(Protein, "3.5-4.5", "g/d", ESPGHAN_2010),
            row(Fat, "4.8-6.6", "g/d", ESPGHAN_2010),
            row(Sodium, "3.0-5.0", "mmol/d", ESPGHAN_2010),
            row(Potassium, "1.7-3.4", "mmol/d", ESPGHAN_2010),
            row(Calcium, "3.0-3.5", "mmol/d", ESPGHAN_2010),
            row(Phosphorus, "1.9-2.9", "mmol/d", ESPGHAN_2010),
        ],
    },
    Population {
        id: "very-low-birth-weight-2014",
        name: "Birth weight below 1500 g (Koletzko 2014)",
        domain: "infants with a birth weight below 1500 g, full enteral feeding",
        whom: Whom::BirthWeight(0, 1500),
        setting: None,
        rows: &[
            row(Energy, "110-130", "kcal/d", KOLETZKO),
            row(Protein, "3.5-4.5", "g/d", KOLETZKO),
            row(Sodium, "3.0-5.0", "mmol/d", KOLETZKO),
            row(Potassium, "2.0-5.0", "mmol/d", KOLETZKO),
            row(Calcium, "3.0-5.0", "mmol/d", KOLETZKO),
            row(Phosphorus, "1.9-4.5", "mmol/d", KOLETZKO),
        ],
    },
    Population {
        id: "preterm-table",
        name: "Preterm (clinical reference table)",
        domain: "preterm infants, full enteral feeding",
        whom: Whom::Preterm(None),
        setting: None,
        rows: &[
            row(Fluid, "135-200", "mL/d", REFERENCE_TABLE),
            row(Energy, "110-130", "kcal/d", REFERENCE_TABLE),
            row(Protein, "3.5-4.0", "g/d", REFERENCE_TABLE),
            row(Fat, "4.55-8.1", "g/d", REFERENCE_TABLE),
            row(Carbohydrate, "11-13", "g/d", REFERENCE_TABLE),
            row(Sodium, "3-5", "mmol/d", REFERENCE_TABLE),
            row(Potassium, "2-3", "mmol/d", REFERENCE_TABLE),
            row(Calcium, "120-220", "mg/d", REFERENCE_TABLE),
            row(Phosphorus, "70-120", "mg/d", REFERENCE_TABLE),
        ],
    },
    Population {
        id: "very-low-birth-weight-2024",
        name: "Birth weight below 1500 g (US handbook 2024)",
        domain: "infants with a birth weight below 1500 g, full enteral feeding",
        whom: Whom::BirthWeight(0, 1500),
        setting: None,
        rows: &[
            row(Fluid, "150-180", "mL/d", HANDBOOK),
            row(Energy, "110-130", "kcal/d", HANDBOOK),
            row(Protein, "3.5-4.5", "g/d", HANDBOOK),
            row(Sodium, "3-5", "mmol/d", HANDBOOK),
            row(Potassium, "2-3", "mmol/d", HANDBOOK),
            row(Chloride, "3-5", "mmol/d", HANDBOOK),
            row(Calcium, "150-220", "mg/d", HANDBOOK),
            row(Phosphorus, "75-140", "mg/d", HANDBOOK),
        ],
    },
    Population {
        id: "birth-weight-1500-2000",
        name: "Birth weight 1500 to 2000 g (US handbook 2024)",
        domain: "infants with a birth weight of 1500 to below 2000 g",
        whom: Whom::BirthWeight(1500, 2000),
        setting: None,
        rows: &[row(Protein, "3-4", "g/d", HANDBOOK)],
    },
    Population {
        id: "birth-weight-2000-2500",
        name: "Birth weight 2000 to 2500 g (US handbook 2024)",
        domain: "infants with a birth weight of 2000 to below 2500 g",
        whom: Whom::BirthWeight(2000, 2500),
        setting: None,
        rows: &[row(Protein, "2.5-3.5", "g/d", HANDBOOK)],
    },
    Population {
        id: "low-birth-weight",
        name: "Birth weight below 2500 g (WHO)",
        domain: "infants with a birth weight below 2500 g",
        whom: Whom::BirthWeight(0, 2500),
        setting: None,
        rows: &[
            row(Energy, "105-135", "kcal/d", WHO),
            row(Protein, "3.0-3.6", "g/d", WHO),
            row(Sodium, "2.5-4.0", "mmol/d", WHO),
            row(Potassium, "2.5-3.5", "mmol/d", WHO),
        ],
    },
    Population {
        id: "term-first-half",
        name: "Term infant, 0 to 6 months",
        domain: "infants born at term, below 7 completed months, full enteral feeding",
        whom: Whom::Term(0, 7),
        setting: None,
        rows: &[
            or("usual", row(Fluid, "140-160", "mL/d", MEMORY)),
            or("outer limit", row(Fluid, "<=180", "mL/d", MEMORY)),
            row(
                Energy,
                "90-110",
                "kcal/d",
                Source::new(Mark::Derived, "from the energy requirement of 2002/2005, about 107 kcal/kg at 2 months"),
            ),
            row(Protein, "1.52", "g/d", PROTEIN_DRI),
        ],
    },
    Population {
        id: "term-first-half-2024",
        name: "Term infant (US handbook 2024)",
        domain: "infants born at term, below 6 months",
        whom: Whom::Term(0, 6),
        setting: None,
        rows: &[
            or("enteral, 0 to 3 months", row(Energy, "105-120", "kcal/d", HANDBOOK)),
            or("below 6 months", row(Energy, "85-105", "kcal/d", HANDBOOK)),
            row(Protein, "2-3", "g/d", HANDBOOK),
        ],
    },
    Population {
        id: "term-second-half",
        name: "Term infant, 7 to 12 months",
        domain: "infants born at term, 7 to below 12 completed months, full enteral feeding",
        whom: Whom::Term(7, 12),
        setting: None,
        rows: &[
            row(Fluid, "100-150", "mL/d", MEMORY),
            row(Energy, "75-85", "kcal/d", MEMORY),
            row(Protein, "1.2", "g/d", PROTEIN_DRI),
        ],
    },
    Population {
        id: "term-second-half-2024",
        name: "Term infant, second half-year (US handbook 2024)",
        domain: "infants born at term, 6 to below 12 months",
        whom: Whom::Term(6, 12),
        setting: None,
        rows: &[row(Energy, "80-100", "kcal/d", HANDBOOK)],
    },
    Population {
        id: "catch-up",
        name: "Catch-up growth, infant",
        domain: "infants; watch the renal solute load and refeeding",
        whom: Whom::Any,
        setting: Some("catch-up growth is the stated aim; fluid as tolerated"),
        rows: &[row(Energy, "120-150", "kcal/d", PRACTICE), row(Protein, "3-4.5", "g/d", PRACTICE)],
    },
];

/// Every table that could apply: those whose gestation, birth weight or age is known to be another are
/// left out; those where that is not known are listed as missing it.
pub(super) fn ranges(person: &Person<'_>) -> Vec<Estimate> {
    POPULATIONS
        .iter()
        .filter(|population| could_apply(person, population.whom))
        .flat_map(|population| population.rows.iter().map(move |row| range(person, population, row)))
        .collect()
}

fn grams(weight: i64) -> Exact {
    Exact::decimal(weight, 3)
}

/// Whether what is known leaves the population open.
fn could_apply(person: &Person<'_>, whom: Whom) -> bool {
    let (gestation, birth) = (person.gestation(), person.birth_weight());
    // From 24 weeks at birth, 20 weeks of age are 44 weeks: past that only a known gestation keeps a preterm row.
    let young = gestation.is_some() || person.days().is_none_or(|age| age.low < Exact::int(140));
    match whom {
        Whom::Preterm(limit) => {
            young
                && gestation.is_none_or(|weeks| weeks < TERM)
                && limit.is_none_or(|limit| birth.is_none_or(|kg| kg < grams(limit)))
        }
        Whom::BirthWeight(from, to) => young && birth.is_none_or(|kg| kg >= grams(from) && kg < grams(to)),
        Whom::Term(from, to) => person.days().is_none_or(|age| {
            let month = |n: i64| super::person::DAYS_PER_MONTH.mul(Exact::int(n)).unwrap_or(Exact::ZERO);
            age.high >= month(from) && age.low < month(to)
        }),
        Whom::Any => true,
    }
}

fn range(person: &Person<'_>, population: &Population, row: &Row) -> Estimate {
    let ratio = row.kind == ProteinPerEnergy;
    let card = Card {
        id: population.id,
        name: population.name,
        kind: row.kind,
        unit: row.unit,
        domain: population.domain,
        source: row.source,
    };
    let mut sheet = Sheet::new(person, &card);
    if let Some(variant) = row.variant {
        sheet.variant(variant);
    }
    sheet.setting(population.setting);
    check(&mut sheet, population.whom);
    let figure = Figure::read(row.per_kg);
    if ratio {
        if let Some(figure) = figure {
            sheet.formula(format!("{} g for each 100 kcal", figure.shown(2)));
        }
        return sheet.done(figure);
    }
    let weight = sheet.weight();
    if let Some(figure) = figure {
        sheet.per_kg(figure);
        let shown = row.unit.strip_suffix("/d").unwrap_or(row.unit);
        sheet.formula(format!("{} {shown}/kg/d × W", figure.shown(3)));
    }
    let total = figure.zip(weight).and_then(|(figure, kg)| figure.each_end(|per_kg| per_kg.mul(kg)));
    sheet.done(total)
}

fn check(sheet: &mut Sheet<'_>, whom: Whom) {
    match whom {
        Whom::Preterm(limit) => {
            let gestation = sheet.gestation();
            if limit.is_some() {
                let _ = sheet.birth_weight();
            }
            until_term_age(sheet, gestation);
        }
        Whom::BirthWeight(..) => {
            let _ = sheet.birth_weight();
            if sheet.person().inputs().gestational_weeks.is_some() {
                let gestation = sheet.gestation();
                until_term_age(sheet, gestation);
            } else {
                let _ = sheet.age_days();
                sheet.unchecked("postmenstrual age up to 44 weeks (gestational age at birth is missing)");
            }
        }
        Whom::Term(from, to) => {
            if let Some(age) = sheet.age_months()
                && (age.low < Exact::int(from) || age.high >= Exact::int(to))
            {
                sheet.flag(format!("age {} months, domain {from} to below {to} months", age.shown()));
            }
            match sheet.person().inputs().gestational_weeks {
                Some(_) => {
                    if let Some(weeks) = sheet.gestation().filter(|weeks| *weeks < TERM) {
                        sheet.flag(format!("born at {} weeks, domain born at term", weeks.short(1)));
                    }
                }
                None => sheet.unchecked("born at term (gestational age at birth is missing)"),
            }
        }
        Whom::Any => {
            if let Some(age) = sheet.age_months()
                && age.high >= Exact::int(12)
            {
                sheet.flag(format!("age {} months, domain infants below 12 months", age.shown()));
            }
        }
    }
}

/// Flags a postmenstrual age beyond 44 weeks.
fn until_term_age(sheet: &mut Sheet<'_>, gestation: Option<Exact>) {
    let Some(age) = sheet.age_days() else { return };
    let Some(weeks) = gestation else { return };
    if let Some(now) = age.high.div(Exact::int(7)).and_then(|since| weeks.add(since))
        && now > PRETERM_UNTIL
    {
        sheet.flag(format!(
            "postmenstrual age {} weeks; meant for preterm infants, taken here as up to 44 weeks",
            now.short(1)
        ));
    }
}
