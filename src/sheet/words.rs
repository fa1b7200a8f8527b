//! Times, ages and schedules as people say them.

use crate::amount::Amount;
use crate::exact::Exact;
use crate::timing::calendar::clock;
use crate::timing::schedule::{Dose, Line, Method, Occurrences, Run};
use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;

/// A moment in the institution's zone, month by name: `Wed 25 Nov 2026, 06:00 (+01:00)`.
pub fn moment(zone: &TimeZone, epoch: Exact) -> String {
    let second = i64::try_from(epoch.floor()).unwrap_or(0);
    let at = Timestamp::from_second(second).unwrap_or(Timestamp::UNIX_EPOCH);
    let offset = zone.to_offset(at).seconds();
    let (sign, minutes) = (if offset < 0 { '-' } else { '+' }, offset.unsigned_abs() / 60);
    let local = zone.to_datetime(at).strftime("%a %-d %b %Y, %H:%M");
    format!("{local} ({sign}{:02}:{:02})", minutes / 60, minutes % 60)
}

/// A day, month by name.
pub(super) fn date(y: i16, m: i8, d: i8) -> String {
    Date::new(y, m, d).map_or_else(|_| String::new(), |day| day.strftime("%a %-d %b %Y").to_string())
}

/// A month by name.
pub(super) fn month(y: i16, m: i8) -> String {
    Date::new(y, m, 1).map_or_else(|_| String::new(), |day| day.strftime("%b %Y").to_string())
}

/// Seconds as the largest unit that leaves at least two of it: `90 minutes`, `26 hours`, `3 days`, `14 months`.
pub fn ago(seconds: Exact) -> String {
    const UNITS: [(i64, &str); 5] =
        [(31_557_600, "years"), (2_629_800, "months"), (86_400, "days"), (3600, "hours"), (60, "minutes")];
    for (unit, name) in UNITS {
        if let Some(n) = seconds.div(Exact::int(unit)).map(Exact::floor)
            && n >= 2
        {
            return format!("{n} {name}");
        }
    }
    "less than 2 minutes".to_owned()
}

/// How old something is, from an amount of seconds.
pub(super) fn old(seconds: &Amount) -> String {
    match (seconds.low(), seconds.high()) {
        (Some(low), Some(high)) => {
            let (a, b) = (ago(low), ago(high));
            if a == b { a } else { format!("{a} to {b}") }
        }
        _ => String::new(),
    }
}

/// A length of time: `30 min`, `12 h`.
pub(super) fn length(seconds: Exact) -> String {
    let hours = seconds.div(Exact::int(3600));
    match hours {
        Some(h) if h.is_whole() || h > Exact::int(3) => format!("{} h", h.short(2)),
        _ => seconds
            .div(Exact::int(60))
            .map_or_else(|| "a time that is not known".to_owned(), |m| format!("{} min", m.short(1))),
    }
}

fn days_of(weekdays: u8) -> String {
    const NAMES: [&str; 7] = ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"];
    if weekdays == 0 {
        return String::new();
    }
    let named = NAMES.iter().enumerate().filter(|(bit, _)| weekdays & (1 << bit) != 0).map(|(_, name)| *name);
    format!(" on {}", named.collect::<Vec<_>>().join(", "))
}

/// mL/h of a rate in mL/s.
pub(super) fn per_hour(rate: Exact) -> String {
    rate.mul(Exact::int(3600)).map_or_else(|| "a rate that is not known".to_owned(), |r| format!("{} mL/h", r.short(2)))
}

/// How a line is given.
pub(super) fn how(zone: &TimeZone, line: &Line) -> String {
    let Some(run) = line.high.as_ref().or(line.least.as_ref()).or(line.low.as_ref()) else {
        let mut stated = Vec::new();
        stated.extend(line.quantity.map(|q| format!("{} mL", q.short(2))));
        stated.extend(line.rate.map(per_hour));
        let stated = if stated.is_empty() { String::new() } else { format!("{}, ", stated.join(" at ")) };
        return format!("{stated}by a schedule that cannot be worked out");
    };
    let mut out = dose(line, run);
    match &run.occurrences {
        Occurrences::Continuous => {}
        Occurrences::Every { step, weekdays, .. } => {
            out.push_str(&format!(" every {}{}", length(*step), days_of(*weekdays)));
        }
        Occurrences::Clock { interval, times, weekdays } => {
            let list: Vec<String> = times.iter().take(24).map(|t| clock(Exact::int(*t))).collect();
            let each = match (interval, *weekdays) {
                (1, 0) => " every day".to_owned(),
                (n, 0) => format!(" every {n} days"),
                (_, some) => days_of(some),
            };
            out.push_str(&format!(" at {}{each}", list.join(", ")));
        }
        Occurrences::Listed(at) => {
            let list: Vec<String> = at.iter().take(12).map(|x| moment(zone, *x)).collect();
            out.push_str(&format!(" at {}", list.join("; ")));
            if at.len() > list.len() {
                out.push_str(&format!(" and {} more times", at.len() - list.len()));
            }
        }
    }
    if let Some(count) = run.count {
        out.push_str(&format!(", {count} times in all"));
    }
    if let Some(start) = run.start.filter(|_| !matches!(run.occurrences, Occurrences::Listed(_))) {
        out.push_str(&format!(", from {}", moment(zone, start)));
    }
    match run.end {
        Some(end) => out.push_str(&format!(" until {}", moment(zone, end))),
        None if matches!(run.occurrences, Occurrences::Listed(_)) || run.count.is_some() => {}
        None => out.push_str(", no end stated"),
    }
    if line.spaced {
        out.push_str("; the clock times are spaced evenly by assumption");
    }
    out
}

fn dose(line: &Line, run: &Run) -> String {
    match run.dose {
        Dose::Rate(rate) => format!("{} by pump", per_hour(rate)),
        Dose::Volume { ml, over } if over.is_positive() => {
            let rate = ml.div(over).map_or_else(String::new, |r| format!(" ({})", per_hour(r)));
            format!("{} mL over {}{rate}", ml.short(2), length(over))
        }
        Dose::Volume { ml, .. } => {
            let at_once = if line.method == Method::Bolus { " at once" } else { "" };
            format!("{} mL{at_once}", ml.short(2))
        }
    }
}
