//! What an additive's amount is, in the product's own measure, and what it is per.

use crate::exact::Exact;
use crate::formulary::product::{Basis, Product};
use crate::intake::order::{Additive, Field, Quantity};
use crate::timing::calendar::DAY;
use crate::units::{self, Dimension, Unit, UnitNote};

/// What an additive's amount is per, in units of its basis.
pub(super) enum AmountPer {
    Volume(Exact),
    Day(Exact),
    Feed(Exact),
}

/// Words for one dose of a product that is counted by the dose; a product's own name may have others.
const DOSES: [&str; 18] = [
    "dose", "doses", "unit", "units", "packet", "packets", "pack", "packs", "pkt", "pkts", "sachet", "sachets", "each",
    "ea", "portion", "portions", "piece", "pieces",
];

/// The amount of an additive in units of its basis, and what it is per, or why it is not counted; and what is to be said of its
/// unit. The denominator must be stated: in the unit (`/(100.mL)`, `g/d`) or beside it, and not two of them that differ. A word
/// in the unit must be one for the product's own measure.
pub(super) fn amount_of(a: &Additive<'_>, product: &Product) -> (Result<AmountPer, String>, Vec<UnitNote>) {
    let why = |text: &str| (Err(text.to_owned()), Vec::new());
    let q = match &a.quantity {
        Field::Present(q) => &q.value,
        Field::Absent => return why("it is ordered without an amount"),
        Field::Missing { .. } | Field::Unreadable { .. } => return why("its amount has no usable value"),
    };
    let (plain, per_volume, per_time) = match product.basis {
        Basis::Dose => (Dimension::NUMBER, Dimension::PER_VOLUME, Dimension::PER_TIME),
        Basis::Gram => (Dimension::MASS, Dimension::MASS_CONCENTRATION, Dimension::MASS_RATE),
        Basis::Millilitre => (Dimension::VOLUME, Dimension::NUMBER, Dimension::VOLUME_RATE),
        Basis::Kilocalorie => return why("a product given by its strength cannot be an additive by count"),
    };
    let per = a.per.as_ref().map(|s| s.value.as_ref());
    if let Some(word) = another_measure(q, product, per) {
        return (
            Err(format!("its unit says “{word}”, and how much of the product that is, is not stated")),
            Vec::new(),
        );
    }
    let positive = |x: Option<Exact>| x.filter(|x| x.is_positive());
    let timed = units::measure(q, per_time);
    if let Some(x) = positive(timed.value) {
        let a_day =
            || timed.unit.as_ref().is_some_and(|unit| ["/d", "d-1"].iter().any(|end| bare(unit.code()).ends_with(end)));
        return match per {
            Some(per @ ("feed" | "volume")) => {
                (Err(format!("its unit is per time, and beside it stands that it is per {per}")), Vec::new())
            }
            Some("day") if !a_day() => {
                why("its unit is per another time than a day, and beside it stands that it is per day")
            }
            _ => {
                let day = x.mul(Exact::int(DAY)).map(AmountPer::Day);
                (day.ok_or_else(|| "its amount is out of range".to_owned()), timed.notes)
            }
        };
    }
    let mixed = units::measure(q, per_volume);
    if let Some(x) = positive(mixed.value)
        && !(product.basis == Basis::Millilitre && is_bare_number(q))
    {
        return (Ok(AmountPer::Volume(x)), mixed.notes);
    }
    let reading = units::measure(q, plain);
    if let Some(x) = positive(reading.value) {
        return match per {
            Some("day") => (Ok(AmountPer::Day(x)), reading.notes),
            Some("feed") => (Ok(AmountPer::Feed(x)), reading.notes),
            Some("volume") => why("its amount is per volume of feed, but which volume is not stated"),
            _ => why("what its amount is per (a day, a feed, a volume of feed) is not stated"),
        };
    }
    (Err("its amount cannot be used".to_owned()), reading.notes)
}

/// A number without any unit says nothing of volume per volume.
fn is_bare_number(q: &Quantity<'_>) -> bool {
    q.code.as_deref().is_none_or(|c| c == "1")
}

/// A code without its annotations.
fn bare(code: &str) -> String {
    let mut inside = false;
    let mut keep = |c: &char| {
        inside |= *c == '{';
        let keep = !inside;
        inside &= *c != '}';
        keep
    };
    code.chars().filter(|c| keep(c)).collect()
}

/// The first word of a unit, in an annotation of its code or in the text beside it, that is none for the product's own measure
/// nor for what its amount is per.
fn another_measure(q: &Quantity<'_>, product: &Product, per: Option<&str>) -> Option<String> {
    let code = q.code.as_deref().unwrap_or("");
    // What stands in braces, with what stands before it.
    let mut rest = code;
    let mut before = String::new();
    while let Some((outside, annotated)) = rest.split_once('{') {
        before.push_str(outside);
        let (word, after) = annotated.split_once('}')?;
        let of_a_unit = before.ends_with(|c: char| c.is_alphanumeric() || c == ']' || c == '%');
        if before.contains('/') {
            let said = match word.trim().to_lowercase().as_str() {
                "feed" | "feeds" | "feeding" | "bolus" => Some("feed"),
                "day" | "d" => Some("day"),
                _ => None,
            };
            // Of mL of something nothing else is asked.
            if !of_a_unit && (said.is_none() || per.is_some() && per != said) {
                return Some(word.to_owned());
            }
        } else if let Some(other) = words(word).find(|word| !is_own(word, product)) {
            return Some(other.to_owned());
        }
        rest = after;
    }
    // A code for a number does not say what is counted; the text beside it does.
    let text = q.unit.as_deref().filter(|text| product.basis == Basis::Dose && *text != code)?;
    let counted = text.split('/').next().and_then(|counted| counted.split(" per ").next()).unwrap_or("");
    words(&counted.replace("(s)", "")).find(|word| !is_own(word, product)).map(str::to_owned)
}

fn words(text: &str) -> impl Iterator<Item = &str> {
    text.split(|c: char| !c.is_alphabetic()).filter(|word| !word.is_empty())
}

/// Whether a word stands for the product's own measure: a dose of what is counted by the dose, or a word of its name. One that
/// spells a unit never does.
fn is_own(word: &str, product: &Product) -> bool {
    let lower = word.to_lowercase();
    let own: &[&str] = if product.basis == Basis::Dose { &DOSES } else { &["powder", "liquid", "product"] };
    if own.contains(&lower.as_str()) {
        return true;
    }
    let singular = |word: &str| word.to_lowercase().trim_end_matches('s').to_owned();
    let names = std::iter::once(&product.name).chain(&product.aliases);
    Unit::parse(word).is_err() && names.flat_map(|name| words(name)).any(|own| singular(own) == singular(&lower))
}
