//! Instants, local clock time and days of one time zone.
//!
//! An instant is exact seconds since 1970-01-01T00:00:00Z. A local time is exact seconds since
//! 1970-01-01T00:00:00 on the institution's clock, as if clocks never changed: day and time of day in one
//! number. The two differ by the zone's offset at that instant.

use crate::exact::Exact;
use crate::intake::order::When;
use jiff::civil::{Date, DateTime};
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

/// Seconds in a nominal day.
pub const DAY: i64 = 86_400;

/// 1970-01-01.
const EPOCH_DATE: Date = jiff::civil::date(1970, 1, 1);

/// Local seconds of the start of a date.
pub fn local_of_date(date: Date) -> i64 {
    days_of(date).saturating_mul(DAY)
}

/// Days since 1970-01-01.
pub fn days_of(date: Date) -> i64 {
    date.duration_since(EPOCH_DATE).as_secs().div_euclid(DAY)
}

/// The date of a number of days since 1970-01-01; clamped to the calendar's range.
pub fn date_of_days(days: i64) -> Date {
    let within = days.clamp(-4_000_000, 2_900_000);
    EPOCH_DATE.saturating_add(SignedDuration::from_secs(within.saturating_mul(DAY)))
}

/// Monday 1 … Sunday 7 of a number of days since 1970-01-01 (a Thursday).
pub fn weekday_of_days(days: i64) -> u8 {
    // INVARIANT: the remainder lies in 0..=6.
    u8::try_from((days + 3).rem_euclid(7)).unwrap_or(0) + 1
}

/// Local time of an instant.
pub fn to_local(zone: &TimeZone, epoch: Exact) -> Exact {
    let offset = offset_at(zone, epoch);
    epoch.add(Exact::int(offset)).unwrap_or(epoch)
}

/// UTC offset of the zone at an instant, seconds.
pub fn offset_at(zone: &TimeZone, epoch: Exact) -> i64 {
    let seconds = i64::try_from(epoch.floor()).unwrap_or(0);
    let stamp = Timestamp::from_second(seconds).unwrap_or(Timestamp::UNIX_EPOCH);
    i64::from(zone.to_offset(stamp).seconds())
}

/// Instant of a local time. A time that clocks skip is moved forward by the gap, one that occurs twice is
/// the earlier (RFC 5545 and common practice).
pub fn to_epoch(zone: &TimeZone, local: Exact) -> Exact {
    let whole = local.floor();
    let fraction = Exact::whole(whole).and_then(|w| local.sub(w)).unwrap_or(Exact::ZERO);
    let seconds = i64::try_from(whole).unwrap_or(0);
    let (days, time) = (seconds.div_euclid(DAY), seconds.rem_euclid(DAY));
    let civil: DateTime = date_of_days(days).at(0, 0, 0, 0).saturating_add(SignedDuration::from_secs(time));
    let instant = zone.to_ambiguous_timestamp(civil).compatible().map_or(seconds, |t| t.as_second());
    Exact::int(instant).add(fraction).unwrap_or_else(|| Exact::int(instant))
}

/// The instant a FHIR date or date-time stands for as the start of something: a date is its local
/// midnight, a month or year its first day. `true` when the clock time was not written.
pub fn instant_of(zone: &TimeZone, when: When) -> Option<(Exact, bool)> {
    let midnight = |y: i16, m: i8, d: i8| {
        let date = Date::new(y, m, d).ok()?;
        Some((to_epoch(zone, Exact::int(local_of_date(date))), true))
    };
    match when {
        When::Instant { epoch, .. } => Some((epoch, false)),
        When::Day(y, m, d) => midnight(y, m, d),
        When::Month(y, m) => midnight(y, m, 1),
        When::Year(y) => midnight(y, 1, 1),
    }
}

/// The instant a date or date-time stands for as the end of something: FHIR ends are inclusive, so a date
/// ends with its last moment, that is at the next local midnight.
pub fn end_instant_of(zone: &TimeZone, when: When) -> Option<Exact> {
    let next = |y: i16, m: i8, d: i8, add: jiff::Span| {
        let date = Date::new(y, m, d).ok()?.checked_add(add).ok()?;
        Some(to_epoch(zone, Exact::int(local_of_date(date))))
    };
    match when {
        When::Instant { epoch, .. } => Some(epoch),
        When::Day(y, m, d) => next(y, m, d, jiff::Span::new().days(1)),
        When::Month(y, m) => next(y, m, 1, jiff::Span::new().months(1)),
        When::Year(y) => next(y, 1, 1, jiff::Span::new().years(1)),
    }
}

/// RFC 3339 text of an instant in the zone, e.g. `2026-11-25T07:00:00+01:00`; fractions of a second are
/// cut, which only instants written with them have.
pub fn stamp(zone: &TimeZone, epoch: Exact) -> String {
    let seconds = i64::try_from(epoch.floor()).unwrap_or(0);
    let at = Timestamp::from_second(seconds).unwrap_or(Timestamp::UNIX_EPOCH);
    let offset = zone.to_offset(at);
    at.display_with_offset(offset).to_string()
}

/// `HH:MM` of a local time, cut to the minute.
pub fn clock(local: Exact) -> String {
    let seconds = i64::try_from(local.floor()).unwrap_or(0).rem_euclid(DAY);
    format!("{:02}:{:02}", seconds / 3600, seconds % 3600 / 60)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn local_and_instant_round_trip_away_from_changes() {
        let zone = TimeZone::get("Europe/Vienna").expect("bundled");
        let local = Exact::int(local_of_date(jiff::civil::date(2026, 11, 25)) + 7 * 3600);
        let epoch = to_epoch(&zone, local);
        assert_eq!(to_local(&zone, epoch), local);
        assert_eq!(stamp(&zone, epoch), "2026-11-25T07:00:00+01:00");
        assert_eq!(clock(local), "07:00");
    }

    #[test]
    fn a_skipped_time_moves_forward_and_a_doubled_one_is_the_earlier() {
        let zone = TimeZone::get("America/New_York").expect("bundled");
        let gap = Exact::int(local_of_date(jiff::civil::date(2026, 3, 8)) + 2 * 3600 + 1800);
        assert_eq!(stamp(&zone, to_epoch(&zone, gap)), "2026-03-08T03:30:00-04:00");
        let fold = Exact::int(local_of_date(jiff::civil::date(2026, 11, 1)) + 3600 + 1800);
        assert_eq!(stamp(&zone, to_epoch(&zone, fold)), "2026-11-01T01:30:00-04:00");
    }

    #[test]
    fn weekdays() {
        assert_eq!(weekday_of_days(days_of(jiff::civil::date(2026, 11, 25))), 3);
        assert_eq!(weekday_of_days(days_of(jiff::civil::date(2026, 11, 29))), 7);
    }
}
