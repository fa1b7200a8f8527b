//! FHIR's dates, date-times and clock times, exactly as the specification writes them.

use crate::exact::Exact;
use crate::intake::order::When;
use jiff::civil::{Date, DateTime, Time};
use jiff::tz::{Offset, TimeZone};

/// Why a date, date-time or clock time was refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum MomentError {
    /// Not one of the forms FHIR allows.
    #[error("not in one of FHIR's forms")]
    Form,
    /// The form is right but there is no such day.
    #[error("there is no such day, or it is outside the years that are computed with")]
    Calendar,
    /// A clock time without a zone.
    #[error("a clock time without a time zone")]
    Zone,
    /// A clock time without seconds.
    #[error("a clock time without seconds")]
    Seconds,
    /// 24:00.
    #[error("24:00 is not a clock time; midnight is 00:00:00 of the next day")]
    TwentyFour,
    /// More than nine decimals of a second.
    #[error("more than nine decimals of a second")]
    Fraction,
    /// A clock time where only a date is allowed.
    #[error("a clock time where only a date is allowed")]
    DateOnly,
}

/// What a date must look like, for messages.
pub const DATE_FORMS: &str = "YYYY, YYYY-MM or YYYY-MM-DD";
/// What a date-time must look like, for messages.
pub const DATE_TIME_FORMS: &str = "YYYY, YYYY-MM, YYYY-MM-DD or YYYY-MM-DDThh:mm:ss with a zone (Z or +hh:mm)";
/// What a clock time must look like, for messages.
pub const TIME_FORMS: &str = "hh:mm:ss";

/// Reads `dateTime`, or `instant`. A leap second `:60` is read as one second after `:59`.
///
/// # Errors
/// [`MomentError`] for everything outside the specification's forms.
pub fn read_date_time(text: &str) -> Result<When, MomentError> {
    let Some((date, clock)) = text.split_once('T') else { return read_date(text) };
    let When::Day(year, month, day) = read_date(date)? else { return Err(MomentError::Form) };
    let (clock, offset) = split_zone(clock)?;
    let (second_of_day, fraction) = read_clock(clock)?;
    let date = Date::new(year, month, day).map_err(|_| MomentError::Calendar)?;
    let midnight = Offset::UTC
        .to_timestamp(DateTime::from_parts(date, Time::midnight()))
        .map_err(|_| MomentError::Calendar)?
        .as_second();
    let whole = Exact::int(midnight + i64::from(second_of_day) - i64::from(offset));
    let epoch = whole.add(fraction).ok_or(MomentError::Fraction)?;
    Ok(When::Instant { epoch, offset })
}

/// Reads `date`: a year, a month or a day.
///
/// # Errors
/// [`MomentError`] for everything else.
pub fn read_date(text: &str) -> Result<When, MomentError> {
    if text.contains('T') {
        return Err(MomentError::DateOnly);
    }
    let mut parts = text.split('-');
    let year = parts.next().and_then(|p| digits(p, 4)).filter(|y| *y > 0).ok_or(MomentError::Form)?;
    let year = i16::try_from(year).map_err(|_| MomentError::Form)?;
    let Some(month) = parts.next() else { return Ok(When::Year(year)) };
    let month = digits(month, 2).and_then(|m| i8::try_from(m).ok()).ok_or(MomentError::Form)?;
    if !(1..=12).contains(&month) {
        return Err(MomentError::Calendar);
    }
    let Some(day) = parts.next() else { return Ok(When::Month(year, month)) };
    let day = digits(day, 2).and_then(|d| i8::try_from(d).ok()).ok_or(MomentError::Form)?;
    if parts.next().is_some() {
        return Err(MomentError::Form);
    }
    Date::new(year, month, day).map_err(|_| MomentError::Calendar)?;
    Ok(When::Day(year, month, day))
}

/// Reads `time`: whole seconds after midnight; a fraction is refused unless it is zero, because no clock
/// time of a feed is given in fractions.
///
/// # Errors
/// [`MomentError`] for everything but `hh:mm:ss` (seconds are mandatory, no zone, no 24:00).
pub fn read_time(text: &str) -> Result<u32, MomentError> {
    let (second, fraction) = read_clock(text)?;
    if fraction.is_zero() { Ok(second) } else { Err(MomentError::Fraction) }
}

/// The span of time a value may stand for, in seconds since the epoch: first second, and first second
/// after it. Both are equal for an instant. Dates are days of `zone`. `None` outside the calendar's range.
pub fn span(when: When, zone: &TimeZone) -> Option<(Exact, Exact)> {
    let (first, after) = match when {
        When::Instant { epoch, .. } => return Some((epoch, epoch)),
        other => days(other)?,
    };
    Some((midnight(first, zone)?, midnight(after.tomorrow().ok()?, zone)?))
}

/// First and last day a partial date may stand for; for an instant, `None` (its day depends on a zone).
pub fn days(when: When) -> Option<(Date, Date)> {
    match when {
        When::Year(y) => Some((Date::new(y, 1, 1).ok()?, Date::new(y, 12, 31).ok()?)),
        When::Month(y, m) => {
            let first = Date::new(y, m, 1).ok()?;
            Some((first, first.last_of_month()))
        }
        When::Day(y, m, d) => {
            let day = Date::new(y, m, d).ok()?;
            Some((day, day))
        }
        When::Instant { .. } => None,
    }
}

/// The local date of a moment in `zone`; `None` outside the calendar's range.
pub fn local_date(epoch: Exact, zone: &TimeZone) -> Option<Date> {
    let second = i64::try_from(epoch.floor()).ok()?;
    let timestamp = jiff::Timestamp::from_second(second).ok()?;
    Some(zone.to_datetime(timestamp).date())
}

/// Seconds since the epoch at a clock time of a local day. Where clocks skip it, the moment after the gap;
/// where they repeat it, the first.
pub fn local_moment(date: Date, hour: i8, zone: &TimeZone) -> Option<Exact> {
    let timestamp = zone.to_timestamp(date.at(hour, 0, 0, 0)).ok()?;
    Some(Exact::int(timestamp.as_second()))
}

fn midnight(date: Date, zone: &TimeZone) -> Option<Exact> {
    local_moment(date, 0, zone)
}

/// Splits `hh:mm:ss[.f]` from its zone; the zone as seconds from UTC.
fn split_zone(text: &str) -> Result<(&str, i32), MomentError> {
    if let Some(clock) = text.strip_suffix('Z') {
        return Ok((clock, 0));
    }
    let Some(at) = text.rfind(['+', '-']) else {
        // Name the first fault: `T24:00` and `T07:00` are wrong before the zone is.
        read_clock(text)?;
        return Err(MomentError::Zone);
    };
    let (clock, zone) = text.split_at_checked(at).ok_or(MomentError::Form)?;
    let sign = if zone.starts_with('-') { -1 } else { 1 };
    let (hours, minutes) = zone.get(1..).and_then(|z| z.split_once(':')).ok_or(MomentError::Form)?;
    let hours = digits(hours, 2).ok_or(MomentError::Form)?;
    let minutes = digits(minutes, 2).ok_or(MomentError::Form)?;
    if minutes > 59 || hours > 14 || (hours == 14 && minutes > 0) {
        return Err(MomentError::Form);
    }
    Ok((clock, sign * (hours as i32 * 3600 + minutes as i32 * 60)))
}

/// Seconds after midnight and the fraction of a second.
fn read_clock(text: &str) -> Result<(u32, Exact), MomentError> {
    let mut parts = text.split(':');
    let hour = parts.next().and_then(|p| digits(p, 2)).ok_or(MomentError::Form)?;
    let minute = parts.next().and_then(|p| digits(p, 2)).ok_or(MomentError::Form)?;
    if hour == 24 {
        return Err(MomentError::TwentyFour);
    }
    let second = parts.next().ok_or(MomentError::Seconds)?;
    if parts.next().is_some() {
        return Err(MomentError::Form);
    }
    let (second, fraction) = match second.split_once('.') {
        None => (second, Exact::ZERO),
        Some((second, fraction)) => (second, read_fraction(fraction)?),
    };
    let second = digits(second, 2).ok_or(MomentError::Form)?;
    if hour > 23 || minute > 59 || second > 60 {
        return Err(MomentError::Form);
    }
    Ok((hour * 3600 + minute * 60 + second, fraction))
}

fn read_fraction(text: &str) -> Result<Exact, MomentError> {
    if text.is_empty() || !text.bytes().all(|b| b.is_ascii_digit()) {
        return Err(MomentError::Form);
    }
    let places = u32::try_from(text.len()).ok().filter(|n| *n <= 9).ok_or(MomentError::Fraction)?;
    let value: i64 = text.parse().map_err(|_| MomentError::Form)?;
    Ok(Exact::decimal(value, places))
}

/// Exactly `count` ASCII digits (at most 4).
fn digits(text: &str, count: usize) -> Option<u32> {
    if text.len() != count || !text.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    text.parse().ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn epoch(text: &str) -> Exact {
        match read_date_time(text) {
            Ok(When::Instant { epoch, .. }) => epoch,
            other => panic!("{text}: {other:?}"),
        }
    }

    #[test]
    fn every_form_of_the_specification_is_read() {
        assert_eq!(read_date_time("2026"), Ok(When::Year(2026)));
        assert_eq!(read_date_time("2026-11"), Ok(When::Month(2026, 11)));
        assert_eq!(read_date_time("2024-02-29"), Ok(When::Day(2024, 2, 29)));
        assert_eq!(epoch("1970-01-01T00:00:00Z"), Exact::ZERO);
        assert_eq!(epoch("1970-01-01T01:00:00+01:00"), Exact::ZERO);
        assert_eq!(epoch("1969-12-31T19:00:00-05:00"), Exact::ZERO);
        assert_eq!(epoch("2014-09-17T16:00:00Z"), Exact::int(1_410_969_600));
        assert_eq!(epoch("1970-01-01T00:00:00.25Z"), Exact::ratio(1, 4));
        assert_eq!(read_time("19:00:00"), Ok(19 * 3600));
        assert_eq!(read_time("19:00:00.000"), Ok(19 * 3600));
    }

    #[test]
    fn a_leap_second_is_one_second_after_59() {
        assert_eq!(epoch("2016-12-31T23:59:60Z"), epoch("2017-01-01T00:00:00Z"));
    }

    #[test]
    fn everything_else_is_refused_with_the_reason() {
        for (text, why) in [
            ("2026-13", MomentError::Calendar),
            ("2026-02-30", MomentError::Calendar),
            ("2025-02-29", MomentError::Calendar),
            ("0000", MomentError::Form),
            ("26-01-01", MomentError::Form),
            ("2026-1-1", MomentError::Form),
            ("2026/01/01", MomentError::Form),
            ("2026-11-25T07:00:00", MomentError::Zone),
            ("2026-11-25T07:00Z", MomentError::Seconds),
            ("2026-11-25T07:00", MomentError::Seconds),
            ("2026-11-25T24:00:00Z", MomentError::TwentyFour),
            ("2026-11-25T24:00", MomentError::TwentyFour),
            ("2026-11-25T25:00:00Z", MomentError::Form),
            ("2026-11-25T07:00:61Z", MomentError::Form),
            ("2026-11-25T07:00:00+15:00", MomentError::Form),
            ("2026-11-25T07:00:00+14:30", MomentError::Form),
            ("2026-11-25T07:00:00+0100", MomentError::Form),
            ("2026-11-25T07:00:00.Z", MomentError::Form),
            ("2026-11-25T07:00:00.0000000001Z", MomentError::Fraction),
            ("2026-11T07:00:00Z", MomentError::Form),
            ("", MomentError::Form),
            ("T", MomentError::Form),
            ("2026-11-25 07:00:00Z", MomentError::Form),
            ("２０２６", MomentError::Form),
        ] {
            assert_eq!(read_date_time(text), Err(why), "{text}");
        }
        for (text, why) in [
            ("19:00", MomentError::Seconds),
            ("24:00:00", MomentError::TwentyFour),
            ("7:00:00", MomentError::Form),
            ("07:00:00Z", MomentError::Form),
            ("07:00:00.5", MomentError::Fraction),
        ] {
            assert_eq!(read_time(text), Err(why), "{text}");
        }
        assert_eq!(read_date("2026-11-25T07:00:00Z"), Err(MomentError::DateOnly));
    }

    #[test]
    fn a_date_spans_its_local_day() {
        // Europe/Vienna, 2026-10-25: clocks go back, 25 hours (IANA time zone database).
        let zone = TimeZone::get("Europe/Vienna").expect("zone");
        let (start, end) = span(When::Day(2026, 10, 25), &zone).expect("span");
        assert_eq!(end.sub(start), Some(Exact::int(25 * 3600)));
        let (start, end) = span(When::Month(2026, 2), &TimeZone::UTC).expect("span");
        assert_eq!(end.sub(start), Some(Exact::int(28 * 86_400)));
    }
}
