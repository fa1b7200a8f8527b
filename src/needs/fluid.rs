//! Fluid: children by Holliday and Segar, adults by bands, newborns by day of life.

use super::estimate::{Estimate, Figure, Kind, Mark, Sex, Source};
use super::infant::TERM;
use super::person::{Bands, Card, Person, Sheet};
use crate::exact::Exact;

const HOLLIDAY_SEGAR: Card = Card {
    id: "holliday-segar",
    name: "Holliday-Segar",
    kind: Kind::Fluid,
    unit: "mL/d",
    domain: "children from 28 days; not newborns",
    source: Source::new(Mark::TextSeen, "Holliday and Segar, Pediatrics 1957;19:823 (university paediatrics page)"),
};

const FEVER: Card = Card {
    id: "fever",
    name: "Extra fluid for fever",
    kind: Kind::FluidForFever,
    unit: "%/Cel",
    domain: "children; for each °C of fever",
    source: Source::new(Mark::TextSeen, "12 % for each °C above 37.8 in a professional manual; 10 % common practice"),
};

/// Children: Holliday-Segar, and what fever adds.
pub(super) fn children(person: &Person<'_>) -> [Estimate; 2] {
    [maintenance(person), fever(person)]
}

/// Holliday-Segar.
pub(super) fn maintenance(person: &Person<'_>) -> Estimate {
    let mut sheet = Sheet::new(person, &HOLLIDAY_SEGAR);
    sheet.formula("100 mL/kg for the first 10 kg + 50 mL/kg for the next 10 kg + 20 mL/kg for the rest");
    let weight = sheet.weight();
    if let Some(age) = sheet.age_days()
        && age.low < Exact::int(28)
    {
        sheet.flag(format!("age {} days: not for newborns below 28 days (some texts 14)", age.shown()));
    }
    sheet.ages(0, Some(19));
    sheet.note("maintenance; losses come on top");
    let total = weight.and_then(holliday_segar);
    sheet.done(total.map(Figure::One))
}

fn fever(person: &Person<'_>) -> Estimate {
    let mut sheet = Sheet::new(person, &FEVER);
    sheet.formula("10 to 12 % more for each °C");
    sheet.ages(0, Some(19));
    sheet.done(Figure::read("10-12"))
}

fn holliday_segar(kg: Exact) -> Option<Exact> {
    let ten = Exact::int(10);
    let part = |from: Exact, to: Exact, per_kg: i64| kg.min(to).sub(from)?.max(Exact::ZERO).mul(Exact::int(per_kg));
    let first = part(Exact::ZERO, ten, 100)?;
    let second = part(ten, Exact::int(20), 50)?;
    let rest = kg.sub(Exact::int(20))?.max(Exact::ZERO).mul(ten)?.mul(Exact::int(2))?;
    first.add(second)?.add(rest)
}

const NICE: Card = Card {
    id: "adult-fluid-nice",
    name: "Adult fluid, 30 to 35 mL/kg",
    kind: Kind::Fluid,
    unit: "mL/d",
    domain: "adults, before losses",
    source: Source::new(Mark::TextSeen, "NICE CG32, Nutrition support for adults"),
};

const BY_AGE: Card = Card {
    id: "adult-fluid-by-age",
    name: "Adult fluid by age",
    kind: Kind::Fluid,
    unit: "mL/d",
    domain: "adults, before losses",
    source: Source::new(Mark::CommonPractice, "no published source known"),
};

/// mL/kg/d by age in years.
const AGE_BANDS: &Bands<&str> = &[
    (Exact::int(18), Some(Exact::int(60)), "35"),
    (Exact::int(60), Some(Exact::int(75)), "30"),
    (Exact::int(75), None, "25-30"),
];

const PER_KCAL: Card = Card {
    id: "fluid-per-kcal",
    name: "1 mL for each kcal",
    kind: Kind::FluidPerEnergy,
    unit: "mL/kcal",
    domain: "adults",
    source: Source::new(Mark::CommonPractice, "no published source known"),
};

const OLDER: Card = Card {
    id: "older-adult-drinks",
    name: "Older adult, drinks",
    kind: Kind::Fluid,
    unit: "mL/d",
    domain: "adults from 65 years; fluid as drinks",
    source: Source::new(Mark::FromMemory, "ESPEN geriatrics 2018"),
};

/// Adults: by weight, by age, by energy, and what older adults should drink.
pub(super) fn adults(person: &Person<'_>) -> Vec<Estimate> {
    let mut sheet = Sheet::new(person, &NICE);
    sheet.ages(18, None);
    let nice = per_kg(sheet, Some("30-35"));

    let mut sheet = Sheet::new(person, &BY_AGE);
    let age = sheet.age_years();
    let row = match age {
        // A range that begins below 18 still has adult bands above; below them there is none.
        Some(age) => sheet.band(AGE_BANDS, age, "years").copied(),
        None => None,
    };
    let by_age = per_kg(sheet, row);

    let mut sheet = Sheet::new(person, &PER_KCAL);
    sheet.formula("1 mL for each kcal given");
    sheet.ages(18, None);
    let per_kcal = sheet.done(Some(Figure::One(Exact::ONE)));

    let mut sheet = Sheet::new(person, &OLDER);
    sheet.formula("women at least 1600 mL, men at least 2000 mL");
    let litres = sheet.sex().map(|sex| match sex {
        Sex::Female => Exact::int(1600),
        Sex::Male => Exact::int(2000),
    });
    sheet.ages(65, None);
    let older = sheet.done(litres.map(Figure::AtLeast));

    vec![nice, by_age, per_kcal, older]
}

fn per_kg(mut sheet: Sheet<'_>, row: Option<&str>) -> Estimate {
    let weight = sheet.weight();
    let figure = row.and_then(Figure::read);
    match figure {
        Some(figure) => {
            sheet.per_kg(figure);
            sheet.formula(format!("{} mL/kg/d × W", figure.shown(1)));
        }
        None => sheet.formula("by age band, mL/kg/d × W"),
    }
    sheet.note("adjust for losses, fever and a fluid limit");
    let total = figure.zip(weight).and_then(|(figure, kg)| figure.each_end(|per_kg| per_kg.mul(kg)));
    sheet.done(total)
}

const NEWBORN_2018: Card = Card {
    id: "newborn-fluid-2018",
    name: "Newborn fluid by day (2018)",
    kind: Kind::Fluid,
    unit: "mL/d",
    domain: "newborns on days 1 to 5 of life; total fluid by any route",
    source: Source::new(Mark::FromMemory, "ESPGHAN/ESPEN/ESPR/CSPEN 2018, fluid and electrolytes"),
};

/// mL/kg/d on days 1 to 5.
type Days = [&'static str; 5];
const TERM_2018: Days = ["40-60", "50-70", "60-80", "60-100", "100-140"];
const ABOVE_1500: Days = ["60-80", "80-100", "100-120", "120-140", "140-160"];
const FROM_1000: Days = ["70-90", "90-110", "110-130", "130-150", "160-180"];
const BELOW_1000: Days = ["80-100", "100-120", "120-140", "140-160", "160-180"];

const NEWBORN_2005: Card = Card {
    id: "newborn-fluid-2005",
    name: "Newborn fluid by day (2005)",
    kind: Kind::Fluid,
    unit: "mL/d",
    domain: "newborns at term on days 1 to 5 of life; total fluid by any route",
    source: Source::new(Mark::TextSeen, "2005 table in a paediatric nutrition textbook, 2nd ed., p. 159-160"),
};
const TERM_2005: Days = ["60-120", "80-120", "100-130", "120-150", "140-160"];

const NEWBORN_2024: Card = Card {
    id: "newborn-fluid-2024",
    name: "Newborn fluid (US handbook 2024)",
    kind: Kind::Fluid,
    unit: "mL/d",
    domain: "newborns on day 1, and at the end of week 1; total fluid by any route",
    source: Source::new(Mark::TextSeen, "ASPEN Pediatric and Neonatal Nutrition Support Handbook, 3rd ed. 2024"),
};

const LOCAL: &str = "texts differ: the band is a local decision";

/// Newborns: mL/kg/d by day of life, three tables.
pub(super) fn newborns(person: &Person<'_>) -> Vec<Estimate> {
    let mut out = Vec::new();

    let mut sheet = Sheet::new(person, &NEWBORN_2018);
    sheet.formula("by day of life, gestation and birth weight, mL/kg/d × W");
    sheet.note(LOCAL);
    let (gestation, day) = (sheet.gestation(), day_of_life(&mut sheet));
    let table = match gestation {
        Some(weeks) if weeks >= TERM => Some(("born at term", TERM_2018)),
        // Without the gestation the birth weight is asked for too: both are needed unless born at term.
        _ => sheet.birth_weight().filter(|_| gestation.is_some()).map(|kg| {
            if kg > Exact::decimal(15, 1) {
                ("preterm above 1500 g", ABOVE_1500)
            } else if kg >= Exact::ONE {
                ("preterm 1000 to 1500 g", FROM_1000)
            } else {
                ("preterm below 1000 g", BELOW_1000)
            }
        }),
    };
    out.push(on_day(sheet, table, day));

    if person.gestation().is_none_or(|weeks| weeks >= TERM) {
        let mut sheet = Sheet::new(person, &NEWBORN_2005);
        sheet.formula("by day of life, mL/kg/d × W");
        sheet.note(LOCAL);
        let (gestation, day) = (sheet.gestation(), day_of_life(&mut sheet));
        out.push(on_day(sheet, gestation.map(|_| ("born at term", TERM_2005)), day));
    }

    let mut sheet = Sheet::new(person, &NEWBORN_2024);
    sheet.formula("70 to 80 mL/kg/d on day 1, 150 mL/kg/d by the end of week 1, × W");
    sheet.note(LOCAL);
    sheet.note("the smallest infants start at up to 100 mL/kg/d");
    let (weight, day) = (sheet.weight(), day_of_life(&mut sheet));
    let row = match day {
        Some(1) => Some("70-80"),
        Some(7) => Some("150"),
        Some(2..=6) => {
            sheet.refuse("the source gives day 1 and the end of week 1 only");
            None
        }
        Some(_) => {
            sheet.refuse("past the first week of life");
            None
        }
        None => None,
    };
    let figure = row.and_then(Figure::read);
    if let Some(figure) = figure {
        sheet.per_kg(figure);
    }
    let total = figure.zip(weight).and_then(|(figure, kg)| figure.each_end(|per_kg| per_kg.mul(kg)));
    out.push(sheet.done(total));
    out
}

/// The day of life: 1 in the first 24 hours. Refused where a partial birth date leaves more than one.
fn day_of_life(sheet: &mut Sheet<'_>) -> Option<i128> {
    let age = sheet.age_days()?;
    let (first, last) = (age.low.floor().saturating_add(1), age.high.floor().saturating_add(1));
    if first != last {
        sheet.refuse(format!("the birth date leaves a day of life from {first} to {last}"));
        return None;
    }
    Some(first)
}

fn on_day(mut sheet: Sheet<'_>, table: Option<(&str, Days)>, day: Option<i128>) -> Estimate {
    let weight = sheet.weight();
    let row = table.zip(day).and_then(|((_, table), day)| {
        let row = usize::try_from(day - 1).ok().and_then(|ix| table.get(ix).copied());
        if row.is_none() {
            sheet.refuse(format!("day {day} of life, the table ends at day 5"));
        }
        row
    });
    let figure = row.and_then(Figure::read);
    if let (Some(figure), Some(day), Some((whom, _))) = (figure, day, table) {
        sheet.per_kg(figure);
        sheet.formula(format!("{whom}, day {day}: {} mL/kg/d × W", figure.shown(0)));
    }
    let total = figure.zip(weight).and_then(|(figure, kg)| figure.each_end(|per_kg| per_kg.mul(kg)));
    sheet.done(total)
}
