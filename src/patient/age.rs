//! Ages in whole local days, exact where the birth date is, a range where it is partial.

use crate::amount::{Amount, Why};
use crate::exact::Exact;
use crate::intake::order::When;
use crate::intake::wire::moment;
use jiff::civil::Date;

/// Days of gestation at term, from which prematurity is reckoned: 40 weeks.
pub const TERM_DAYS: i64 = 280;
/// Born before this many days of gestation (37 weeks) is preterm.
pub const PRETERM_BELOW_DAYS: i64 = 259;
/// Corrected age is used up to this many completed months of age (clinical convention: 24).
pub const CORRECTED_UNTIL_MONTHS: i64 = 24;

/// An age corrected for prematurity, and what it rests on.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CorrectedAge {
    /// Days; below zero before term.
    pub days: Amount,
    /// What it rests on.
    pub basis: CorrectionBasis,
}

/// What a corrected age rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CorrectionBasis {
    /// Reduced by the days missing to 40 weeks.
    Corrected,
    /// Born at 37 weeks or later: the age itself.
    NotPreterm,
    /// 24 months or older: the age itself.
    PastCorrection,
    /// The gestational age at birth is not known: the age itself, uncorrected.
    GestationUnknown,
}

/// First and last possible birth date up to `on`; `Err` with the reason when there is none.
fn birth_days(birth: Option<When>, on: Option<Date>) -> Result<(Date, Date, Date), Why> {
    let birth = birth.ok_or(Why::MissingInput("the birth date"))?;
    let on = on.ok_or(Why::MissingInput("the time to reckon the age from"))?;
    let (first, last) = moment::days(birth).ok_or(Why::MissingInput("the birth date"))?;
    if first > on {
        return Err(Why::OutOfDomain("the birth date lies after the time the order is judged for".to_owned()));
    }
    Ok((first, last.min(on), on))
}

fn between(low: i64, high: i64) -> Amount {
    Amount::between(Exact::int(low), Exact::int(high), Why::MissingInput("the full birth date"))
}

/// Whole days from the birth date to `on`.
pub(super) fn days(birth: Option<When>, on: Option<Date>) -> Amount {
    match birth_days(birth, on) {
        Ok((first, last, on)) => between(days_between(last, on), days_between(first, on)),
        Err(why) => Amount::unknown(why),
    }
}

/// Completed months.
pub(super) fn months(birth: Option<When>, on: Option<Date>) -> Amount {
    match birth_days(birth, on) {
        Ok((first, last, on)) => between(completed_months(last, on), completed_months(first, on)),
        Err(why) => Amount::unknown(why),
    }
}

/// Completed years.
pub(super) fn years(birth: Option<When>, on: Option<Date>) -> Amount {
    match birth_days(birth, on) {
        Ok((first, last, on)) => between(completed_months(last, on) / 12, completed_months(first, on) / 12),
        Err(why) => Amount::unknown(why),
    }
}

/// Age in days, corrected for prematurity up to 24 months. `gestation`: days at birth.
pub(super) fn corrected(birth: Option<When>, on: Option<Date>, gestation: Option<Exact>) -> CorrectedAge {
    let (first, last, on) = match birth_days(birth, on) {
        Ok(found) => found,
        Err(why) => return CorrectedAge { days: Amount::unknown(why), basis: CorrectionBasis::GestationUnknown },
    };
    let plain = |basis| CorrectedAge { days: between(days_between(last, on), days_between(first, on)), basis };
    // The youngest completion decides whether a correction may apply at all.
    if completed_months(last, on) >= CORRECTED_UNTIL_MONTHS {
        return plain(CorrectionBasis::PastCorrection);
    }
    let Some(gestation) = gestation else { return plain(CorrectionBasis::GestationUnknown) };
    if gestation >= Exact::int(PRETERM_BELOW_DAYS) {
        return plain(CorrectionBasis::NotPreterm);
    }
    let age = |born: Date| {
        let days = Exact::int(days_between(born, on));
        if completed_months(born, on) >= CORRECTED_UNTIL_MONTHS {
            return Some(days);
        }
        days.sub(Exact::int(TERM_DAYS).sub(gestation)?)
    };
    let days = match (age(last), age(first)) {
        (Some(low), Some(high)) => {
            Amount::between(low.min(high), low.max(high), Why::MissingInput("the full birth date"))
        }
        _ => Amount::unknown(Why::Range),
    };
    CorrectedAge { days, basis: CorrectionBasis::Corrected }
}

fn days_between(from: Date, to: Date) -> i64 {
    // INVARIANT: both lie within jiff's years -9999 to 9999.
    from.until(to).map_or(0, |span| i64::from(span.get_days()))
}

fn completed_months(from: Date, to: Date) -> i64 {
    let whole = i64::from(to.year() - from.year()) * 12 + i64::from(to.month() - from.month());
    if to.day() < from.day() { whole - 1 } else { whole }
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::date;

    const fn born(y: i16, m: i8, d: i8) -> Option<When> {
        Some(When::Day(y, m, d))
    }

    #[test]
    fn a_full_birth_date_gives_exact_days() {
        assert_eq!(days(born(2026, 11, 1), Some(date(2026, 11, 25))), Amount::Known(Exact::int(24)));
        assert_eq!(days(born(2024, 2, 28), Some(date(2024, 3, 1))), Amount::Known(Exact::int(2)));
        assert_eq!(days(born(2026, 11, 25), Some(date(2026, 11, 25))), Amount::ZERO);
        assert_eq!(years(born(2008, 11, 26), Some(date(2026, 11, 25))), Amount::Known(Exact::int(17)));
        assert_eq!(years(born(2008, 11, 25), Some(date(2026, 11, 25))), Amount::Known(Exact::int(18)));
        assert_eq!(months(born(2026, 1, 31), Some(date(2026, 2, 28))), Amount::Known(Exact::ZERO));
    }

    #[test]
    fn a_partial_birth_date_gives_a_range_that_ends_today() {
        let month = days(Some(When::Month(2026, 11)), Some(date(2026, 11, 25)));
        assert_eq!((month.low(), month.high()), (Some(Exact::ZERO), Some(Exact::int(24))));
        let year = years(Some(When::Year(1980)), Some(date(2026, 11, 25)));
        assert_eq!((year.low(), year.high()), (Some(Exact::int(45)), Some(Exact::int(46))));
    }

    #[test]
    fn a_birth_after_the_order_or_none_is_unknown() {
        assert!(matches!(days(born(2026, 11, 26), Some(date(2026, 11, 25))), Amount::Unknown(_)));
        assert!(matches!(days(None, Some(date(2026, 11, 25))), Amount::Unknown(_)));
        assert!(matches!(days(born(2026, 11, 1), None), Amount::Unknown(_)));
    }

    #[test]
    fn preterm_age_is_corrected_to_24_months() {
        // Age minus the weeks missing to 40 (sources: corrected age until 24 months).
        let gestation = Some(Exact::int(29 * 7));
        let young = corrected(born(2026, 8, 1), Some(date(2026, 11, 25)), gestation);
        assert_eq!(young.basis, CorrectionBasis::Corrected);
        assert_eq!(young.days, Amount::Known(Exact::int(116 - 77)));
        let before_term = corrected(born(2026, 11, 20), Some(date(2026, 11, 25)), gestation);
        assert_eq!(before_term.days, Amount::Known(Exact::int(5 - 77)));
        let old = corrected(born(2024, 11, 25), Some(date(2026, 11, 25)), gestation);
        assert_eq!((old.basis, old.days), (CorrectionBasis::PastCorrection, Amount::Known(Exact::int(730))));
        let term = corrected(born(2026, 11, 1), Some(date(2026, 11, 25)), Some(Exact::int(259)));
        assert_eq!((term.basis, term.days), (CorrectionBasis::NotPreterm, Amount::Known(Exact::int(24))));
        let unknown = corrected(born(2026, 11, 1), Some(date(2026, 11, 25)), None);
        assert_eq!(unknown.basis, CorrectionBasis::GestationUnknown);
    }
}
