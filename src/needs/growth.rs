//! The only room with floats: WHO weight-for-age z-scores need powers, body surface needs a root.
//!
//! Inputs and results are exact; in between the relative error stays below 1e-9, and results are rounded
//! to 2 decimals (half away from zero). Bands are judged on the unrounded number.

#![allow(clippy::float_arithmetic, reason = "powers and roots; see the tolerance above")]

use super::estimate::{Estimate, Figure, Kind, Mark, Sex, Source};
use super::formula::Span;
use super::infant::TERM;
use super::person::{Card, Person, Sheet};
use crate::exact::Exact;
use std::sync::LazyLock;

/// Last day of the WHO day tables.
pub const LAST_DAY: u32 = 1826;

/// WHO Child Growth Standards; the file's head says where it comes from.
const TABLE_TEXT: &str = include_str!("who_weight_for_age.txt");

/// One row of the table: Box-Cox power, median in kg, coefficient of variation.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Lms {
    l: f64,
    m: f64,
    s: f64,
}

/// Boy and girl by day. Empty if the embedded text cannot be read, which a test rules out.
static TABLE: LazyLock<Vec<(Lms, Lms)>> = LazyLock::new(|| read_table(TABLE_TEXT).unwrap_or_default());

/// Reads `day  L M S (boys)  L M S (girls)`; days must run from 0 without a gap.
fn read_table(text: &str) -> Option<Vec<(Lms, Lms)>> {
    let mut out = Vec::new();
    for line in text.lines().filter(|line| !line.is_empty() && !line.starts_with('#')) {
        let mut words = line.split(' ');
        let day: usize = words.next()?.parse().ok()?;
        let mut row = || -> Option<Lms> {
            let mut number = || words.next()?.parse::<f64>().ok();
            Some(Lms { l: number()?, m: number()?, s: number()? })
        };
        let pair = (row()?, row()?);
        if day != out.len() || words.next().is_some() {
            return None;
        }
        out.push(pair);
    }
    Some(out)
}

/// Where a weight-for-age z-score lies; the edges belong to the inner band.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum ZBand {
    /// Below −6: biologically implausible (WHO).
    ImplausiblyLow,
    /// −6 to below −3.
    BelowMinus3,
    /// −3 to below −2.
    BelowMinus2,
    /// −2 to 2.
    Middle,
    /// Above 2, to 3.
    Above2,
    /// Above 3, to 5.
    Above3,
    /// Above 5: biologically implausible (WHO).
    ImplausiblyHigh,
}

impl ZBand {
    fn of(z: f64) -> Self {
        if z < -6.0 {
            Self::ImplausiblyLow
        } else if z < -3.0 {
            Self::BelowMinus3
        } else if z < -2.0 {
            Self::BelowMinus2
        } else if z <= 2.0 {
            Self::Middle
        } else if z <= 3.0 {
            Self::Above2
        } else if z <= 5.0 {
            Self::Above3
        } else {
            Self::ImplausiblyHigh
        }
    }

    /// Whether WHO flags the value as biologically implausible.
    pub const fn implausible(self) -> bool {
        matches!(self, Self::ImplausiblyLow | Self::ImplausiblyHigh)
    }

    /// The band in words.
    pub const fn name(self) -> &'static str {
        match self {
            Self::ImplausiblyLow => "biologically implausible (below -6)",
            Self::BelowMinus3 => "-6 to below -3",
            Self::BelowMinus2 => "-3 to below -2",
            Self::Middle => "-2 to 2",
            Self::Above2 => "above 2, to 3",
            Self::Above3 => "above 3, to 5",
            Self::ImplausiblyHigh => "biologically implausible (above 5)",
        }
    }
}

/// A weight-for-age z-score.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ZScore {
    /// Rounded to 2 decimals.
    pub z: Exact,
    /// The band of the unrounded value.
    pub band: ZBand,
}

/// WHO weight-for-age z-score at a completed day of age (0 to 1826; corrected age where that applies),
/// weight in kg. `None` outside the table or for a weight of 0 or less.
pub fn weight_for_age(sex: Sex, day: u32, weight_kg: Exact) -> Option<ZScore> {
    let z = z_score(lms(sex, day)?, weight_kg.to_f64())?;
    Some(ZScore { z: hundredths(z)?, band: ZBand::of(z) })
}

/// The lowest and the highest z-score of [`weight_for_age`] over days of age, both included: the reference falls in the first
/// days of life, so that they need not be those of the first and the last day.
pub fn weight_for_ages(sex: Sex, (first, last): (u32, u32), weight_kg: Exact) -> Option<(ZScore, ZScore)> {
    let scores: Option<Vec<ZScore>> = (first..=last).map(|day| weight_for_age(sex, day, weight_kg)).collect();
    let scores = scores?;
    let (low, high) = (scores.iter().min_by_key(|s| s.z)?, scores.iter().max_by_key(|s| s.z)?);
    Some((*low, *high))
}

fn lms(sex: Sex, day: u32) -> Option<Lms> {
    let (boy, girl) = TABLE.get(usize::try_from(day).ok()?)?;
    Some(if sex == Sex::Male { *boy } else { *girl })
}

/// The weight at `k` standard deviations: M (1 + L S k)^(1/L).
fn weight_at(row: Lms, k: f64) -> f64 {
    row.m * ((row.l * row.s * k).ln_1p() / row.l).exp()
}

/// ((W/M)^L − 1) / (L S), beyond ±3 continued linearly by the step from SD2 to SD3.
fn z_score(row: Lms, kg: f64) -> Option<f64> {
    if kg <= 0.0 {
        return None;
    }
    let z = (row.l * (kg / row.m).ln()).exp_m1() / (row.l * row.s);
    let z = if z > 3.0 {
        let (two, three) = (weight_at(row, 2.0), weight_at(row, 3.0));
        3.0 + (kg - three) / (three - two)
    } else if z < -3.0 {
        let (two, three) = (weight_at(row, -2.0), weight_at(row, -3.0));
        -3.0 + (kg - three) / (two - three)
    } else {
        z
    };
    z.is_finite().then_some(z)
}

/// Mosteller: √(cm × kg ÷ 3600), m2, rounded to 2 decimals.
pub(super) fn body_surface(cm: Exact, kg: Exact) -> Option<Exact> {
    hundredths((cm.mul(kg)?.to_f64() / 3600.0).sqrt())
}

#[allow(clippy::cast_possible_truncation, reason = "bounded just above")]
fn hundredths(x: f64) -> Option<Exact> {
    let scaled = (x * 100.0).round();
    // The negated form also refuses what is not a number.
    (scaled.abs() < 1e15).then(|| Exact::decimal(scaled as i64, 2))
}

const WEIGHT_FOR_AGE: Card = Card {
    id: "who-weight-for-age",
    name: "WHO weight-for-age",
    kind: Kind::WeightForAge,
    unit: "{SD}",
    domain: "children from birth to 1826 days; corrected age up to 24 months if born before 37 weeks, not before term",
    source: Source::new(Mark::TextSeen, "WHO Child Growth Standards 2006, day tables of the World Health Organization"),
};

/// Days in 24 months, up to which the age of an infant born preterm is corrected.
const CORRECTED_UNTIL: Exact = Exact::decimal(7305, 1);

/// Weight-for-age z-score; over every day that a partial birth date leaves open.
pub(super) fn z_estimate(person: &Person<'_>) -> Estimate {
    let mut sheet = Sheet::new(person, &WEIGHT_FOR_AGE);
    sheet.formula(
        "((W ÷ M)^L - 1) ÷ (L × S), beyond -3 and 3 linear by the step from 2 to 3 SD; L, M, S of the day and sex",
    );
    sheet.note("powers: rounded to 2 decimals");
    let (sex, weight, age) = (sheet.sex(), sheet.weight(), sheet.age_days());
    let (Some(sex), Some(weight), Some(mut age)) = (sex, weight, age) else {
        return sheet.done(None);
    };
    if age.low < CORRECTED_UNTIL {
        if person.inputs().gestational_weeks.is_none() {
            sheet.unchecked("corrected age (gestational age at birth is missing)");
        } else {
            let Some(weeks) = sheet.gestation() else { return sheet.done(None) };
            if weeks < TERM {
                match corrected(&mut sheet, age, weeks) {
                    Some(span) => age = span,
                    None => return sheet.done(None),
                }
            }
        }
    }
    let day = |x: Exact| u32::try_from(x.floor()).ok().filter(|day| *day <= LAST_DAY);
    let (Some(first), Some(last)) = (day(age.low), day(age.high)) else {
        sheet.refuse(format!("age {} days, the tables end at day {LAST_DAY}", age.shown()));
        return sheet.done(None);
    };
    let Some((low, high)) = weight_for_ages(sex, (first, last), weight) else { return sheet.done(None) };
    if low.band == high.band {
        sheet.class(low.band.name());
    } else {
        sheet.note(format!("from {} to {}", low.band.name(), high.band.name()));
    }
    sheet.done(Some(Figure::between(low.z, high.z)))
}

/// The age less the weeks born before 40, days; refused before term and where 24 months lie inside the range.
fn corrected(sheet: &mut Sheet<'_>, age: Span, weeks: Exact) -> Option<Span> {
    if age.high >= CORRECTED_UNTIL {
        sheet.refuse("the birth date leaves it open whether the age is still to be corrected (24 months)");
        return None;
    }
    let early = Exact::int(40).sub(weeks)?.mul(Exact::int(7))?;
    let span = Span { low: age.low.sub(early)?, high: age.high.sub(early)? };
    if span.low.is_negative() {
        sheet.refuse("before term by corrected age: a preterm chart is needed");
        return None;
    }
    sheet.note(format!("corrected age {} days: born at {} weeks", span.shown(), weeks.short(1)));
    Some(span)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_table_is_whole() {
        let table = read_table(TABLE_TEXT).expect("readable");
        assert_eq!(table.len(), LAST_DAY as usize + 1);
        for (boy, girl) in &table {
            for row in [boy, girl] {
                assert!(row.l.abs() >= 1e-4 && row.l.abs() < 0.5, "{row:?}");
                assert!(row.m > 3.0 && row.m < 19.0 && row.s > 0.1 && row.s < 0.16, "{row:?}");
            }
        }
    }

    /// WHO Child Growth Standards, day tables (World Health Organization, 2006).
    #[test]
    fn check_rows_stand_in_the_table() {
        use Sex::{Female, Male};
        for (sex, day, l, m, s) in [
            (Male, 0, 0.3487, 3.3464, 0.14602),
            (Male, 183, 0.1256, 7.9389, 0.10957),
            (Male, 365, 0.0645, 9.646, 0.10925),
            (Male, 518, 0.0274, 10.7357, 0.11079),
            (Male, 731, -0.0137, 12.1548, 0.11427),
            (Male, 1826, -0.1506, 18.3352, 0.13517),
            (Female, 0, 0.3809, 3.2322, 0.14171),
            (Female, 183, -0.0759, 7.3016, 0.12204),
            (Female, 365, -0.2022, 8.9462, 0.12267),
            (Female, 518, -0.2564, 10.0265, 0.12306),
            (Female, 731, -0.2942, 11.4809, 0.1239),
            (Female, 1826, -0.3518, 18.2179, 0.14821),
        ] {
            assert_eq!(lms(sex, day), Some(Lms { l, m, s }), "{sex:?} {day}");
        }
        assert_eq!(lms(Male, 1827), None);
    }

    /// Within the stated tolerance, z of the weight at z is z again (the formula and its inverse).
    #[test]
    fn the_weight_at_a_z_score_has_that_z_score() {
        for day in (0..=LAST_DAY).step_by(7) {
            for sex in [Sex::Female, Sex::Male] {
                let row = lms(sex, day).expect("in the table");
                for k in [-3.0, -2.0, -1.0, 0.5, 1.0, 2.0, 3.0] {
                    let z = z_score(row, weight_at(row, k)).expect("finite");
                    assert!((z - k).abs() <= 1e-9 * k.abs(), "{sex:?} {day} {k} {z}");
                }
            }
        }
    }

    #[test]
    fn a_table_with_a_gap_or_a_rest_is_refused() {
        assert!(read_table("0 1 2 3 4 5 6\n2 1 2 3 4 5 6").is_none());
        assert!(read_table("0 1 2 3 4 5").is_none());
        assert!(read_table("0 1 2 3 4 5 6 7").is_none());
        assert!(read_table("0 1 2 x 4 5 6").is_none());
    }
}
