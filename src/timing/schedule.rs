//! One `administration` with one timing to one [`Line`]: what each occurrence gives and when it falls, at
//! the least and at the most that the order allows.

use crate::amount::Why;
use crate::assumptions::Assumption;
use crate::exact::{Decimal, Exact};
use crate::intake::order::{Administration, At, Bounds, Field, Quantity, Rate, Ratio, Repeat, TimeUnit, Timing};
use crate::settings::Settings;
use crate::timing::calendar::{DAY, end_instant_of, instant_of, to_local};
use crate::units::{self, Dimension, UnitNote};
use jiff::tz::TimeZone;

/// Most occurrences a day that are computed with.
pub const MAX_PER_DAY: i64 = 1_440;

/// Something noticed while reading a schedule. The integrity rules turn these into findings.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Note {
    /// A reading was taken.
    Assumed(Assumption),
    /// A unit was refused, or accepted with a remark. (what the quantity is)
    Unit(&'static str, UnitNote),
    /// Zero or negative where only a positive amount makes sense. (what, as written)
    NotPositive(&'static str, String),
    /// A timing that cannot be computed. (why)
    NotComputable(String),
    /// It would take too long to compute, or to look at all of it. (what, in words)
    TooCostly(String),
    /// The timing code and the repeat disagree. (code, its count a day, the repeat's)
    CodeAgainstRepeat(String, String, String),
    /// Two codes of one timing disagree. (codes)
    CodeAgainstCode(String, String),
    /// A text beside a code that is used. (text)
    CodeText(String),
    /// A timing code that is not known. (code or text)
    UnknownCode(String),
    /// Clock times and the stated count disagree. (times, stated count)
    TimesAgainstCount(usize, String),
    /// Named weekdays and the stated count disagree. (feeds that the days make, weeks, stated count)
    DaysAgainstCount(i64, i64, String),
    /// The same clock time more than once.
    DoubledTimes(usize),
    /// A feed lasts longer than its interval. (duration s, interval s)
    LongerThanInterval(Exact, Exact),
    /// Quantity and rate × duration disagree. (quantity mL, rate mL/s, duration s)
    QuantityAgainstRate(Exact, Exact, Exact),
    /// A quantity without any schedule: per feed or per day is not said.
    QuantityAlone,
    /// A rate with start times but no duration: when it stops is not said.
    RateWithoutStop,
    /// Quantity and rate without a schedule: two readings. (quantity mL, rate × 24 h mL)
    TwoReadings(Exact, Exact),
    /// Continuous, with the seconds that it lasts, not a day.
    ContinuousFor(Exact),
    /// Neither rate nor quantity.
    NothingGiven,
    /// `event` beside `repeat`: the events were not counted.
    EventsIgnored(usize),
    /// Two rates of different type in one entry.
    BothRates,
    /// A timing of an entry repeats times of another one of it.
    TimingRepeated,
    /// A frequency, period or count that is not a whole number where it must be, or inverted maxima.
    Inverted(&'static str),
}

/// A note with its place.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Noted {
    /// Where.
    pub at: At,
    /// What.
    pub note: Note,
}

/// When occurrences fall.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Occurrences {
    /// Runs from start to end.
    Continuous,
    /// Every `step` seconds from the start; without a start, from an unknown phase: `up` says whether the
    /// count in a window is rounded up or down.
    Every {
        /// Seconds between beginnings.
        step: Exact,
        /// For an unknown phase: round the count up.
        up: bool,
        /// Only on these weekdays (bit 0 Monday); 0 means every day.
        weekdays: u8,
    },
    /// At clock times (seconds after local midnight, ascending) every `interval` days.
    Clock {
        /// Days between feeding days.
        interval: i64,
        /// Times of day.
        times: Vec<i64>,
        /// Only on these weekdays (bit 0 Monday); 0 means every day.
        weekdays: u8,
    },
    /// At these instants.
    Listed(Vec<Exact>),
}

impl Occurrences {
    /// Longest time from one beginning to the next, s; `None` where there is no next, or its times are not regular.
    pub fn longest_gap(&self) -> Option<Exact> {
        match self {
            Self::Continuous => None,
            Self::Every { step, weekdays: 0, .. } => Some(*step),
            Self::Every { .. } => None,
            Self::Clock { interval, times, weekdays } => {
                let days = match (*weekdays, *interval) {
                    (0, interval) => interval,
                    (weekdays, 1) => longest_run_of_days(weekdays),
                    _ => return None,
                };
                let (first, last) = times.first().zip(times.last())?;
                let across = first.checked_add(days.checked_mul(DAY)?)?.checked_sub(*last)?;
                let within = times.windows(2).filter_map(|w| if let [a, b] = w { b.checked_sub(*a) } else { None });
                within.chain([across]).max().map(Exact::int)
            }
            Self::Listed(at) => at.windows(2).filter_map(|w| if let [a, b] = w { b.sub(*a) } else { None }).max(),
        }
    }
}

/// Most days from one of these weekdays (bit 0 Monday) to the next.
fn longest_run_of_days(weekdays: u8) -> i64 {
    let on = |day: i64| weekdays >> day.rem_euclid(7) & 1 == 1;
    let next = |day: i64| (1..=7).find(|n| on(day.saturating_add(*n))).unwrap_or(7);
    (0..7).filter(|day| on(*day)).map(next).max().unwrap_or(7)
}

/// What one occurrence gives.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Dose {
    /// Runs at this rate, mL/s, for as long as the schedule runs.
    Rate(Exact),
    /// So many mL, spread evenly over so many seconds (0: at once).
    Volume {
        /// mL of one occurrence.
        ml: Exact,
        /// Seconds it takes; 0 when not stated.
        over: Exact,
    },
}

/// A schedule without any choice left.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Run {
    /// When.
    pub occurrences: Occurrences,
    /// What.
    pub dose: Dose,
    /// From this instant.
    pub start: Option<Exact>,
    /// Until this instant (not included).
    pub end: Option<Exact>,
    /// At most so many occurrences from the start.
    pub count: Option<i64>,
    /// A pump that runs at a rate: what overlaps the next occurrence counts once.
    pub once: bool,
}

/// How a line is given, in the trade's words.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Method {
    /// Pump around the clock.
    Continuous,
    /// Pump for part of the day.
    Cyclic,
    /// Feeds over a stated time.
    Intermittent,
    /// Feeds whose duration is not stated, or by syringe.
    Bolus,
    /// Cannot be told.
    Unclear,
}

/// One thing given on a schedule: what is certain at the least (`low`) and possible at the most (`high`).
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Line {
    /// The administration (or flush) it stands for.
    pub at: At,
    /// Index of the administration in the order; `None` for a flush from the extension.
    pub administration: Option<usize>,
    /// Least that the order allows; `None`: nothing.
    pub low: Option<Run>,
    /// Least that the order allows if it is given at all: for what is given as needed, where `low` is nothing.
    pub least: Option<Run>,
    /// A further reading that may give less or more than both, by what runs into what.
    pub also: Option<Run>,
    /// Most that the order allows; `None` when no upper bound can be given.
    pub high: Option<Run>,
    /// Why low and high differ, or why nothing is known.
    pub why: Vec<Why>,
    /// The stated rate, mL/s.
    pub rate: Option<Exact>,
    /// The stated quantity, mL.
    pub quantity: Option<Exact>,
    /// How it is given.
    pub method: Method,
    /// How it is given by the other end of a range of how long a feed takes.
    pub also_method: Option<Method>,
    /// The bounds' start as an instant, when stated.
    pub start: Option<Exact>,
    /// The bounds' end, when stated.
    pub end: Option<Exact>,
    /// The bounds' length in seconds, shortest and longest, when no start is stated to count it from.
    pub length: Option<(Exact, Exact)>,
    /// Its clock times are spaced evenly by assumption; none is stated.
    pub spaced: bool,
    /// The events or times of day that it names without a clock time, such as `AM` or `HS`.
    pub named: Vec<String>,
    /// Where such events are laid, in seconds after local midnight; they may be at any other time of the day.
    pub untimed: Vec<i64>,
    /// What was noticed.
    pub notes: Vec<Noted>,
}

impl Line {
    /// Every reading that gives something.
    pub fn readings(&self) -> impl Iterator<Item = &Run> {
        [&self.low, &self.least, &self.also, &self.high].into_iter().flatten()
    }

    /// Whether it is known at which times it gives something, where it is exact.
    pub fn has_times(&self) -> bool {
        self.untimed.is_empty()
            && self.high.as_ref().is_some_and(|run| match run.occurrences {
                Occurrences::Every { .. } => run.start.is_some(),
                Occurrences::Continuous | Occurrences::Clock { .. } | Occurrences::Listed(_) => true,
            })
    }

    /// Whether the volume over any window is exactly known.
    pub fn is_exact(&self) -> bool {
        self.why.is_empty() && self.low.is_some() && self.low == self.high && self.also.is_none()
    }
}

/// What reading a schedule needs from outside the order.
#[derive(Clone, Copy, Debug)]
pub struct Frame<'s> {
    /// The institution's settings.
    pub settings: &'s Settings,
    /// Dosing weight, kg, when exactly known: for rates per kg.
    pub weight: Option<Exact>,
}

impl Frame<'_> {
    fn zone(&self) -> &TimeZone {
        &self.settings.zone
    }
}

struct Reader<'s> {
    frame: Frame<'s>,
    notes: Vec<Noted>,
}

impl Reader<'_> {
    fn note(&mut self, at: At, note: Note) {
        let noted = Noted { at, note };
        if !self.notes.contains(&noted) {
            self.notes.push(noted);
        }
    }

    fn assume(&mut self, at: At, assumption: Assumption) {
        self.note(at, Note::Assumed(assumption));
    }

    /// A quantity in base units; refusals and remarks become notes. `None`: not there or not usable.
    fn measure(&mut self, at: At, q: &Quantity<'_>, want: Dimension, what: &'static str) -> Option<Exact> {
        let reading = units::measure(q, want);
        for note in reading.notes {
            self.note(at, Note::Unit(what, note));
        }
        let value = reading.value?;
        if !value.is_positive() {
            let shown = q.value.value().map(ToString::to_string).unwrap_or_default();
            self.note(at, Note::NotPositive(what, shown));
            return None;
        }
        Some(value)
    }
}

/// What a quantity or rate field came to.
enum Told {
    Absent,
    Unusable,
    Value(Exact),
}

/// Reads one administration with one of its timings (or none) into a line.
pub fn line_of(frame: Frame<'_>, a: &Administration<'_>, index: usize, timing: Option<&Timing<'_>>) -> Line {
    let mut r = Reader { frame, notes: Vec::new() };
    let quantity = match &a.quantity {
        Field::Absent => Told::Absent,
        Field::Present(q) => {
            r.measure(q.at, &q.value, Dimension::VOLUME, "quantity").map_or(Told::Unusable, Told::Value)
        }
        Field::Missing { .. } | Field::Unreadable { .. } => Told::Unusable,
    };
    let rate = match &a.rate {
        Field::Absent => Told::Absent,
        Field::Present(s) => read_rate(&mut r, s.at, &s.value).map_or(Told::Unusable, Told::Value),
        Field::Missing { .. } | Field::Unreadable { .. } => Told::Unusable,
    };
    if let Some(at) = a.other_rate {
        r.note(at, Note::BothRates);
    }
    let mut line = Line {
        at: a.at,
        administration: Some(index),
        low: None,
        least: None,
        also: None,
        high: None,
        why: Vec::new(),
        rate: None,
        quantity: None,
        method: Method::Unclear,
        also_method: None,
        start: None,
        end: None,
        length: None,
        spaced: false,
        named: Vec::new(),
        untimed: Vec::new(),
        notes: Vec::new(),
    };
    if a.other_rate.is_some() {
        line.why.push(Why::Schedule("two rates in one entry".to_owned()));
    }
    match (quantity, rate) {
        (Told::Unusable, _) => line.why.push(Why::Unreadable("the quantity cannot be used".to_owned())),
        (_, Told::Unusable) => line.why.push(Why::Unreadable("the rate cannot be used".to_owned())),
        (Told::Absent, Told::Absent) => {
            r.note(a.at, Note::NothingGiven);
            line.why.push(Why::Schedule("neither a rate nor a quantity is given".to_owned()));
        }
        (q, rt) => {
            line.quantity = value_of(&q);
            line.rate = value_of(&rt);
        }
    }
    if line.why.is_empty() {
        lay_out(&mut r, &mut line, a.at, timing);
    } else {
        // The bounds still place the entry on the time line, for the reports.
        if let Some(repeat) = timing.and_then(|t| t.repeat.as_ref()) {
            let bounds = read_bounds(&mut r, repeat);
            line.start = bounds.start;
            line.end = bounds.end;
        }
    }
    if let Some(at) = a.as_needed {
        r.assume(at, Assumption::AsNeeded);
        // What may be nothing already keeps its least.
        line.least = line.low.take().or(line.least.take());
        if line.high.is_some() && !line.why.contains(&Why::AsNeeded) {
            line.why.push(Why::AsNeeded);
        }
    }
    line.notes = r.notes;
    line
}

/// A flush of the water-flush extension with its own schedule.
pub fn flush_line(frame: Frame<'_>, at: At, volume: &Field<'_, Quantity<'_>>, timing: &Timing<'_>) -> Line {
    let pretend = Administration {
        at,
        timings: Vec::new(),
        as_needed: None,
        quantity: volume.clone(),
        rate: Field::Absent,
        other_rate: None,
        product: None,
    };
    let mut line = line_of(frame, &pretend, 0, Some(timing));
    line.administration = None;
    line
}

/// The volume of one flush, mL, with its notes.
pub fn flush_volume(frame: Frame<'_>, at: At, volume: &Field<'_, Quantity<'_>>) -> (Option<Exact>, Vec<Noted>) {
    let mut r = Reader { frame, notes: Vec::new() };
    let value = match volume {
        Field::Present(q) => r.measure(q.at, &q.value, Dimension::VOLUME, "flush volume"),
        _ => {
            r.note(at, Note::NothingGiven);
            None
        }
    };
    (value, r.notes)
}

fn value_of(told: &Told) -> Option<Exact> {
    if let Told::Value(x) = told { Some(*x) } else { None }
}

fn read_rate(r: &mut Reader<'_>, at: At, rate: &Rate<'_>) -> Option<Exact> {
    match rate {
        Rate::Quantity(q) => {
            // A rate per kg is told by its dimension, before the volume-per-time reading is tried.
            let per_mass = Dimension::VOLUME_RATE_PER_MASS;
            if units::dimension_of(q) == Some(per_mass) {
                let per_gram = r.measure(at, q, per_mass, "rate")?;
                return per_weight(r, at, per_gram);
            }
            r.measure(at, q, Dimension::VOLUME_RATE, "rate")
        }
        Rate::Ratio(Ratio { numerator, denominator }) => {
            let (Some(n), Some(d)) = (numerator.value(), denominator.value()) else {
                r.note(at, Note::NotComputable("the rate is a ratio without both its parts".to_owned()));
                return None;
            };
            let top = r.measure(numerator.at().unwrap_or(at), n, Dimension::VOLUME, "rate, numerator")?;
            let bottom = r.measure(denominator.at().unwrap_or(at), d, Dimension::TIME, "rate, denominator")?;
            top.div(bottom)
        }
    }
}

fn per_weight(r: &mut Reader<'_>, at: At, per_gram: Exact) -> Option<Exact> {
    let Some(kg) = r.frame.weight else {
        r.note(at, Note::NotComputable("the rate is per kg and there is no usable dosing weight".to_owned()));
        return None;
    };
    per_gram.mul(Exact::int(1000))?.mul(kg)
}

#[derive(Default)]
struct ReadBounds {
    start: Option<Exact>,
    end: Option<Exact>,
    /// Seconds, where a length is stated, which never comes with a start.
    length: Option<(Exact, Exact)>,
    broken: bool,
}

fn read_bounds(r: &mut Reader<'_>, repeat: &Repeat<'_>) -> ReadBounds {
    let mut out = ReadBounds::default();
    let (at, bounds) = match &repeat.bounds {
        Field::Present(s) => (s.at, &s.value),
        Field::Absent => return out,
        Field::Missing { at, .. } | Field::Unreadable { at } => {
            r.note(*at, Note::NotComputable("the bounds of the schedule have no usable value".to_owned()));
            out.broken = true;
            return out;
        }
    };
    match bounds {
        Bounds::Period { start, end } => {
            for (field, is_start) in [(start, true), (end, false)] {
                match field {
                    Field::Present(w) => {
                        let read = if is_start {
                            instant_of(r.frame.zone(), w.value).map(|(x, dated)| {
                                if dated {
                                    r.assume(w.at, Assumption::DateIsMidnight);
                                }
                                x
                            })
                        } else {
                            if !matches!(w.value, crate::intake::order::When::Instant { .. }) {
                                r.assume(w.at, Assumption::DateIsMidnight);
                            }
                            end_instant_of(r.frame.zone(), w.value)
                        };
                        let Some(x) = read else {
                            r.note(
                                w.at,
                                Note::NotComputable("a date of the bounds is outside the calendar".to_owned()),
                            );
                            out.broken = true;
                            continue;
                        };
                        if is_start {
                            out.start = Some(x);
                        } else {
                            out.end = Some(x);
                        }
                    }
                    Field::Absent => {}
                    Field::Missing { at, .. } | Field::Unreadable { at } => {
                        r.note(*at, Note::NotComputable("a date of the bounds has no usable value".to_owned()));
                        out.broken = true;
                    }
                }
            }
            if let (Some(s), Some(e)) = (out.start, out.end)
                && e <= s
            {
                r.note(at, Note::NotComputable("the schedule ends before it starts".to_owned()));
                out.broken = true;
            }
        }
        Bounds::Duration(q) => match r.measure(at, q, Dimension::TIME, "length of the schedule") {
            Some(x) => out.length = Some((x, x)),
            None => out.broken = true,
        },
        Bounds::Range { low, high } => {
            let low = low.value().and_then(|q| r.measure(at, q, Dimension::TIME, "shortest length of the schedule"));
            let high = high.value().and_then(|q| r.measure(at, q, Dimension::TIME, "longest length of the schedule"));
            match (low, high) {
                (Some(l), Some(h)) if l <= h => out.length = Some((l, h)),
                _ => {
                    r.note(at, Note::NotComputable("the range of lengths cannot be used".to_owned()));
                    out.broken = true;
                }
            }
        }
    }
    out
}

/// Fields of a repeat that must be whole and positive.
fn whole(r: &mut Reader<'_>, field: &Field<'_, Decimal>, what: &'static str) -> Result<Option<i64>, ()> {
    match field {
        Field::Absent => Ok(None),
        Field::Present(s) => {
            let x = s.value.exact();
            if !x.is_whole() || !x.is_positive() {
                r.note(s.at, Note::NotComputable(format!("{what} must be a whole number above 0, found {}", s.value)));
                return Err(());
            }
            i64::try_from(x.floor()).map(Some).map_err(|_| ())
        }
        Field::Missing { at, .. } | Field::Unreadable { at } => {
            r.note(*at, Note::NotComputable(format!("{what} has no usable value")));
            Err(())
        }
    }
}

fn span(
    r: &mut Reader<'_>,
    value: &Field<'_, Decimal>,
    unit: &Field<'_, TimeUnit>,
    what: &'static str,
    at: At,
) -> Result<Option<Exact>, ()> {
    let s = match value {
        Field::Absent => return Ok(None),
        Field::Present(s) => s,
        Field::Missing { at, .. } | Field::Unreadable { at } => {
            r.note(*at, Note::NotComputable(format!("{what} has no usable value")));
            return Err(());
        }
    };
    let Some(unit) = unit.value() else {
        r.note(at, Note::NotComputable(format!("{what} has no usable unit of time")));
        return Err(());
    };
    let Some(seconds) = unit.seconds() else {
        r.note(s.at, Note::NotComputable(format!("{what} is in months or years, which have no fixed length")));
        return Err(());
    };
    let x = s.value.exact();
    if !x.is_positive() {
        r.note(s.at, Note::NotComputable(format!("{what} must be above 0, found {}", s.value)));
        return Err(());
    }
    x.mul(Exact::int(seconds)).map(Some).ok_or(())
}

/// Count a day and, where they are fixed, clock times of the HL7 timing abbreviations
/// (`http://terminology.hl7.org/CodeSystem/v3-GTSAbbreviation`; R5 adds `C`, continuous).
enum Coded {
    /// So many times every so many days.
    PerDays(i64, i64),
    /// Every so many hours.
    Hours(i64),
    /// Continuous.
    Continuous,
    /// No fixed length (monthly).
    NotComputable,
}

fn coded(system: Option<&str>, code: &str) -> Option<Coded> {
    const GTS: &str = "http://terminology.hl7.org/CodeSystem/v3-GTSAbbreviation";
    const ABBREVIATION: &str = "http://terminology.hl7.org/CodeSystem/timing-abbreviation";
    if system == Some(ABBREVIATION) && code == "C" {
        return Some(Coded::Continuous);
    }
    if system != Some(GTS) {
        return None;
    }
    Some(match code {
        "QD" | "AM" | "PM" | "BED" => Coded::PerDays(1, 1),
        "BID" => Coded::PerDays(2, 1),
        "TID" => Coded::PerDays(3, 1),
        "QID" => Coded::PerDays(4, 1),
        "QOD" => Coded::PerDays(1, 2),
        "WK" => Coded::PerDays(1, 7),
        "Q1H" => Coded::Hours(1),
        "Q2H" => Coded::Hours(2),
        "Q3H" => Coded::Hours(3),
        "Q4H" => Coded::Hours(4),
        "Q6H" => Coded::Hours(6),
        "Q8H" => Coded::Hours(8),
        "MO" => Coded::NotComputable,
        _ => return None,
    })
}

/// Occurrences at the least and at the most, with the interval between beginnings where there is one.
struct Placed {
    low: Occurrences,
    high: Occurrences,
    /// Shortest seconds between two beginnings.
    interval: Option<Exact>,
    why: Vec<Why>,
    /// The repeat is at least hourly and fills the day.
    hourly: bool,
    /// The clock times are spaced by assumption.
    spaced: bool,
    /// Events or times of day without a clock time.
    named: Vec<String>,
    /// Where such events are laid.
    untimed: Vec<i64>,
    /// It may be nothing as well.
    or_nothing: bool,
}

impl Placed {
    fn exact(occurrences: Occurrences, interval: Option<Exact>) -> Self {
        Self {
            low: occurrences.clone(),
            high: occurrences,
            interval,
            why: Vec::new(),
            hourly: false,
            spaced: false,
            named: Vec::new(),
            untimed: Vec::new(),
            or_nothing: false,
        }
    }
}

fn day_start(r: &Reader<'_>) -> i64 {
    i64::from(r.frame.settings.day_start)
}

/// `n` times spread evenly over a day from the clock time of the start, or from the feeding day's start.
fn even_times(r: &Reader<'_>, n: i64, start: Option<Exact>) -> Option<Vec<i64>> {
    let from = start.map_or_else(
        || day_start(r),
        |s| i64::try_from(to_local(r.frame.zone(), s).floor()).unwrap_or(0).rem_euclid(DAY),
    );
    if !(1..=MAX_PER_DAY).contains(&n) || DAY % n != 0 {
        return None;
    }
    let mut times: Vec<i64> = (0..n).map(|k| (from + k * (DAY / n)).rem_euclid(DAY)).collect();
    times.sort_unstable();
    Some(times)
}

/// `f` occurrences per `period` seconds; `calendar` when the period is in days or weeks.
fn per_period(
    r: &mut Reader<'_>,
    at: At,
    f: i64,
    period: Exact,
    calendar: bool,
    start: Option<Exact>,
    weekdays: u8,
) -> Result<(Occurrences, Exact), ()> {
    let step = period.div(Exact::int(f)).ok_or(())?;
    let per_day = Exact::int(DAY).div(step).ok_or(())?;
    if per_day > Exact::int(MAX_PER_DAY) {
        r.note(at, Note::NotComputable(format!("{} times a day is more than {MAX_PER_DAY}", per_day.short(0))));
        return Err(());
    }
    if calendar {
        let days = period.div(Exact::int(DAY)).ok_or(())?;
        if days.is_whole() {
            let interval = i64::try_from(days.floor()).map_err(|_| ())?;
            let times = if f == 1 {
                even_times(r, 1, start)
            } else if interval == 1 {
                even_times(r, f, start)
            } else {
                None
            };
            if let Some(times) = times {
                return Ok((Occurrences::Clock { interval, times, weekdays }, step));
            }
        }
    }
    Ok((Occurrences::Every { step, up: true, weekdays }, step))
}

fn floor_phase(o: &Occurrences) -> Occurrences {
    match o {
        Occurrences::Every { step, weekdays, .. } => Occurrences::Every { step: *step, up: false, weekdays: *weekdays },
        other => other.clone(),
    }
}

fn place(r: &mut Reader<'_>, timing: Option<&Timing<'_>>, at: At, start: Option<Exact>) -> Result<Option<Placed>, Why> {
    let Some(timing) = timing else { return Ok(None) };
    if let Some(at) = timing.unreadable.first() {
        r.note(*at, Note::NotComputable("a part of the schedule could not be read".to_owned()));
        return Err(Why::Schedule("a part of the schedule could not be read".to_owned()));
    }
    let broken = || Why::Schedule("the schedule cannot be computed".to_owned());
    let code = timing.code.as_ref().map(|c| (c.at, read_code(&c.value)));
    if let Some((at, CodeRead::Contradiction(one, other))) = code {
        r.note(at, Note::CodeAgainstCode(one, other));
        return Err(Why::Schedule("the codes of the timing disagree".to_owned()));
    }
    if let Some((at, CodeRead::Means(meant, code))) = &code
        && let Some(text) = timing.code.as_ref().and_then(|c| text_beside(&c.value, meant, code))
    {
        r.note(*at, Note::CodeText(text));
    }
    // A code says how often; a repeat beside it may add no more than a count and how long each takes.
    let coded = matches!(code, Some((_, CodeRead::Means(..))));
    let Some(repeat) = timing.repeat.as_ref().filter(|rep| if coded { says_how_often(rep) } else { says_when(rep) })
    else {
        if matches!(code, Some((_, CodeRead::Means(..)))) && !timing.events.is_empty() {
            r.note(timing.at, Note::EventsIgnored(timing.events.len()));
        }
        // The code alone, events alone, or nothing but bounds.
        return match code {
            Some((at, CodeRead::Means(c, text))) => from_code(r, at, &c, &text, start).map(Some),
            Some((at, CodeRead::Unknown(text))) => {
                r.note(at, Note::UnknownCode(text.clone()));
                Err(Why::Schedule(format!("the timing `{text}` is text or a code that is not known here")))
            }
            Some((_, CodeRead::Empty | CodeRead::Contradiction(..))) | None if timing.events.is_empty() => Ok(None),
            Some((_, CodeRead::Empty | CodeRead::Contradiction(..))) | None => {
                let mut instants = Vec::new();
                for event in &timing.events {
                    match instant_of(r.frame.zone(), event.value) {
                        Some((x, dated)) => {
                            if dated {
                                r.assume(event.at, Assumption::DateIsMidnight);
                            }
                            if !instants.contains(&x) {
                                instants.push(x);
                            }
                        }
                        None => return Err(broken()),
                    }
                }
                instants.sort_unstable();
                let gap = instants.windows(2).filter_map(|w| w.get(1)?.sub(*w.first()?)).min();
                Ok(Some(Placed::exact(Occurrences::Listed(instants), gap)))
            }
        };
    };
    if !timing.events.is_empty() {
        r.note(timing.at, Note::EventsIgnored(timing.events.len()));
    }
    let placed = from_repeat(r, repeat, at, start)?;
    if let Some((code_at, CodeRead::Means(c, text))) = code {
        agree(r, code_at, &c, &text, &placed)?;
    } else if let Some((code_at, CodeRead::Unknown(text))) = code {
        // The repeat is complete by itself; the text is told, not used.
        r.note(code_at, Note::UnknownCode(text));
    }
    Ok(Some(placed))
}

enum CodeRead {
    Means(Coded, String),
    Unknown(String),
    /// Two known codes that do not say the same.
    Contradiction(String, String),
    Empty,
}

fn read_code(concept: &crate::intake::order::Concept<'_>) -> CodeRead {
    let mut found: Option<(Coded, String)> = None;
    for coding in &concept.codings {
        let Some(code) = &coding.code else { continue };
        let Some(c) = coded(coding.system.as_deref(), code) else { continue };
        match &found {
            None => found = Some((c, code.to_string())),
            Some((first, named)) if !same_code((first, named), (&c, code)) => {
                return CodeRead::Contradiction(named.clone(), code.to_string());
            }
            Some(_) => {}
        }
    }
    if let Some((c, code)) = found {
        return CodeRead::Means(c, code);
    }
    let shown = concept.codings.iter().find_map(|c| c.code.as_ref().or(c.display.as_ref())).or(concept.text.as_ref());
    shown.map_or(CodeRead::Empty, |s| CodeRead::Unknown(s.to_string()))
}

/// Whether two codes come to the same count, and name no different times of day.
fn same_code((a, named): (&Coded, &str), (b, other): (&Coded, &str)) -> bool {
    let per_day = |c: &Coded| match c {
        Coded::PerDays(n, days) => Exact::int(*n).div(Exact::int(*days)),
        Coded::Hours(h) => Exact::int(24).div(Exact::int(*h)),
        Coded::Continuous | Coded::NotComputable => None,
    };
    let of_day = |code: &str| matches!(code, "AM" | "PM" | "BED");
    match (a, b) {
        (Coded::Continuous, Coded::Continuous) | (Coded::NotComputable, Coded::NotComputable) => true,
        _ => per_day(a).is_some() && per_day(a) == per_day(b) && (named == other || !of_day(named) || !of_day(other)),
    }
}

/// The text of a concept whose code is used, unless it merely says what the code says.
fn text_beside(concept: &crate::intake::order::Concept<'_>, meant: &Coded, code: &str) -> Option<String> {
    let text = concept.text.as_ref()?.trim();
    let known = |other: Option<&str>| other.is_some_and(|o| o.trim().eq_ignore_ascii_case(text));
    let shown = concept.codings.iter().any(|c| known(c.code.as_deref()) || known(c.display.as_deref()));
    (!text.is_empty() && !shown && !says(text, meant, code)).then(|| text.to_owned())
}

/// Whether a text is one of the usual ways of saying a code.
fn says(text: &str, meant: &Coded, code: &str) -> bool {
    let words: Vec<String> = text
        .to_lowercase()
        .split(|c: char| !c.is_alphanumeric())
        .filter(|w| {
            !w.is_empty() && !matches!(*w, "a" | "per" | "each" | "every" | "the" | "at" | "in" | "feed" | "feeding")
        })
        .map(|w| match w {
            "once" | "one" => "1".to_owned(),
            "twice" | "two" | "2x" => "2".to_owned(),
            "three" | "thrice" | "3x" => "3".to_owned(),
            "four" | "4x" => "4".to_owned(),
            "six" => "6".to_owned(),
            "eight" => "8".to_owned(),
            "daily" | "days" | "d" => "day".to_owned(),
            "hours" | "hourly" | "h" | "hr" | "hrs" => "hour".to_owned(),
            "weekly" => "week".to_owned(),
            "second" => "other".to_owned(),
            "continuously" => "continuous".to_owned(),
            w => w.to_owned(),
        })
        .filter(|w| !matches!(w.as_str(), "times" | "time" | "x"))
        .collect();
    // In other languages: the code's number alone, "2x täglich", and what is continuous in one word.
    let is_number = |w: &String| w.bytes().all(|b| b.is_ascii_digit());
    let is_amount = |w: &String| matches!(w.as_str(), "ml" | "l" | "cc" | "kcal" | "g" | "mg" | "week" | "woche");
    let mut numbers = words.iter().filter(|w| w.bytes().any(|b| b.is_ascii_digit()));
    if let (Some(number), None) = (numbers.next(), numbers.next())
        && words.len() <= 4
        && !words.iter().any(is_amount)
    {
        let alone = number.trim_end_matches(['x', '×']).to_owned();
        let n = Some(alone).filter(is_number).and_then(|n| n.parse::<i64>().ok());
        let hour = words.iter().any(|w| w.starts_with("hour") || w.starts_with("stund") || w.starts_with("std"));
        match meant {
            Coded::PerDays(times, 1) if n == Some(*times) && !hour => return true,
            Coded::Hours(every) if n == Some(*every) && hour => return true,
            _ => {}
        }
    }
    if matches!(meant, Coded::Continuous)
        && let [word] = words.as_slice()
        && (word.starts_with("kontinu") || word.starts_with("contin"))
    {
        return true;
    }
    let said = words.join(" ");
    let said = said.as_str();
    match (meant, code) {
        (_, "AM") => said == "morning",
        (_, "PM") => matches!(said, "afternoon" | "evening"),
        (_, "BED") => said == "bedtime",
        (Coded::PerDays(1, 1), _) => matches!(said, "day" | "1 day"),
        (Coded::PerDays(n, 1), _) => said == format!("{n} day"),
        (Coded::PerDays(1, 2), _) => matches!(said, "other day" | "alternate day" | "2 day"),
        (Coded::PerDays(1, 7), _) => matches!(said, "week" | "1 week"),
        (Coded::Hours(1), _) => matches!(said, "hour" | "1 hour"),
        (Coded::Hours(n), _) => said == format!("{n} hour"),
        (Coded::Continuous, _) => matches!(said, "continuous" | "around clock"),
        (Coded::PerDays(..) | Coded::NotComputable, _) => false,
    }
}

fn from_code(r: &mut Reader<'_>, at: At, c: &Coded, text: &str, start: Option<Exact>) -> Result<Placed, Why> {
    match c {
        Coded::Continuous => Ok(Placed::exact(Occurrences::Continuous, None)),
        Coded::NotComputable => {
            r.note(at, Note::NotComputable(format!("`{text}` has no fixed length")));
            Err(Why::Schedule(format!("`{text}` has no fixed length")))
        }
        Coded::Hours(h) => {
            r.assume(at, Assumption::CodeTimes);
            let step = Exact::int(h * 3600);
            let mut placed = Placed::exact(Occurrences::Every { step, up: true, weekdays: 0 }, Some(step));
            placed.hourly = *h == 1;
            Ok(placed)
        }
        Coded::PerDays(n, days) => {
            r.assume(at, Assumption::CodeTimes);
            let configured =
                r.frame.settings.clock.get(text).map(|t| t.iter().map(|s| i64::from(*s)).collect::<Vec<_>>());
            let mut spaced = true;
            let times = match configured {
                Some(mut t) if i64::try_from(t.len()) == Ok(*n) => {
                    t.sort_unstable();
                    spaced = false;
                    t
                }
                _ => {
                    if *n > 1 {
                        r.assume(at, Assumption::EvenlySpaced);
                    }
                    even_times(r, *n, start).unwrap_or_default()
                }
            };
            let gap = shortest_gap(&times, *days);
            let is_named = spaced && matches!(text, "AM" | "PM" | "BED");
            let named = if is_named { vec![text.to_owned()] } else { Vec::new() };
            let untimed = if is_named { times.clone() } else { Vec::new() };
            Ok(Placed {
                spaced,
                named,
                untimed,
                ..Placed::exact(Occurrences::Clock { interval: *days, times, weekdays: 0 }, gap)
            })
        }
    }
}

/// Shortest seconds between clock times, around midnight included.
fn shortest_gap(times: &[i64], interval: i64) -> Option<Exact> {
    let first = times.first()?;
    let mut gap = first + interval.checked_mul(DAY)? - times.last()?;
    for pair in times.windows(2) {
        if let [a, b] = pair {
            gap = gap.min(b - a);
        }
    }
    (gap > 0).then(|| Exact::int(gap))
}

/// Whether a repeat says anything about when, besides its bounds.
fn says_when(repeat: &Repeat<'_>) -> bool {
    says_how_often(repeat) || !repeat.count.is_absent() || !repeat.duration.is_absent()
}

/// Whether a repeat says how often.
fn says_how_often(repeat: &Repeat<'_>) -> bool {
    !(repeat.frequency.is_absent()
        && repeat.frequency_max.is_absent()
        && repeat.period.is_absent()
        && repeat.period_max.is_absent()
        && repeat.day_of_week.is_empty()
        && repeat.time_of_day.is_empty()
        && repeat.when.is_empty())
}

/// Code and repeat must come to the same count a day; if not, neither is picked.
fn agree(r: &mut Reader<'_>, at: At, c: &Coded, text: &str, placed: &Placed) -> Result<(), Why> {
    let of_code = match c {
        Coded::PerDays(n, days) => Exact::int(*n).div(Exact::int(*days)),
        Coded::Hours(h) => Exact::int(24).div(Exact::int(*h)),
        Coded::Continuous => {
            return if matches!(placed.high, Occurrences::Continuous) || placed.hourly {
                Ok(())
            } else {
                r.note(
                    at,
                    Note::CodeAgainstRepeat(text.to_owned(), "continuous".to_owned(), "repeated feeds".to_owned()),
                );
                Err(Why::Schedule("the timing code and the repeat disagree".to_owned()))
            };
        }
        Coded::NotComputable => {
            // Monthly: nothing that can be computed comes to the same count.
            let repeat = per_day(&placed.high).map_or_else(|| "repeated feeds".to_owned(), |n| n.short(3));
            r.note(at, Note::CodeAgainstRepeat(text.to_owned(), "no fixed count".to_owned(), repeat));
            return Err(Why::Schedule("the timing code and the repeat disagree".to_owned()));
        }
    };
    let (low, high) = (per_day(&placed.low), per_day(&placed.high));
    let (Some(code), Some(low), Some(high)) = (of_code, low, high) else { return Ok(()) };
    if code >= low && code <= high {
        return Ok(());
    }
    let repeat_count = if low == high { low.short(3) } else { format!("{} to {}", low.short(3), high.short(3)) };
    r.note(at, Note::CodeAgainstRepeat(text.to_owned(), code.short(3), repeat_count));
    Err(Why::Schedule("the timing code and the repeat disagree".to_owned()))
}

/// Mean occurrences a day.
pub fn per_day(o: &Occurrences) -> Option<Exact> {
    match o {
        Occurrences::Continuous | Occurrences::Listed(_) => None,
        Occurrences::Every { step, weekdays, .. } => Exact::int(DAY).div(*step)?.mul(weekday_share(*weekdays)),
        Occurrences::Clock { interval, times, weekdays } => {
            let n = i64::try_from(times.len()).ok()?;
            Exact::int(n).div(Exact::int(*interval))?.mul(weekday_share(*weekdays))
        }
    }
}

fn weekday_share(weekdays: u8) -> Exact {
    if weekdays == 0 { Exact::ONE } else { Exact::ratio(i64::from(weekdays.count_ones()), 7) }
}

fn from_repeat(r: &mut Reader<'_>, repeat: &Repeat<'_>, at: At, start: Option<Exact>) -> Result<Placed, Why> {
    let broken = || Why::Schedule("the schedule cannot be computed".to_owned());
    let mut weekdays = 0u8;
    for d in &repeat.day_of_week {
        if (1..=7).contains(&d.value) {
            weekdays |= 1 << (d.value - 1);
        }
    }
    let named_days = i64::from(weekdays.count_ones());
    if weekdays == 0x7f {
        weekdays = 0;
    }
    let f = whole(r, &repeat.frequency, "frequency").map_err(|()| broken())?;
    let f_max = whole(r, &repeat.frequency_max, "frequencyMax").map_err(|()| broken())?;
    let p = span(r, &repeat.period, &repeat.period_unit, "period", repeat.at).map_err(|()| broken())?;
    let p_max = span(r, &repeat.period_max, &repeat.period_unit, "periodMax", repeat.at).map_err(|()| broken())?;
    if let (Some(a), Some(b)) = (f, f_max)
        && b < a
    {
        r.note(repeat.frequency_max.at().unwrap_or(repeat.at), Note::Inverted("frequencyMax is below frequency"));
        return Err(broken());
    }
    if let (Some(a), Some(b)) = (p, p_max)
        && b < a
    {
        r.note(repeat.period_max.at().unwrap_or(repeat.at), Note::Inverted("periodMax is below period"));
        return Err(broken());
    }
    if !repeat.when.is_empty() && !repeat.time_of_day.is_empty() {
        r.note(repeat.at, Note::NotComputable("clock times and event times together".to_owned()));
        return Err(Why::Schedule("clock times and event times together".to_owned()));
    }
    let calendar = matches!(repeat.period_unit.value(), Some(TimeUnit::Day | TimeUnit::Week));
    // Clock times, or events of the day.
    if !repeat.time_of_day.is_empty() || !repeat.when.is_empty() {
        return at_clock(r, repeat, (weekdays, named_days), (f, f_max, p, p_max), start);
    }
    let frequency_or_period = f.is_some() || p.is_some() || f_max.is_some() || p_max.is_some();
    if !frequency_or_period {
        // Only a count, a duration or weekdays: once a day on the named days, or once.
        if weekdays != 0 {
            r.assume(repeat.at, Assumption::FrequencyOnce);
            let times = even_times(r, 1, start).unwrap_or_default();
            let placed = Placed::exact(Occurrences::Clock { interval: 1, times, weekdays }, Some(Exact::int(DAY)));
            return Ok(Placed { spaced: true, ..placed });
        }
        if let Some(count) = whole(r, &repeat.count, "count").map_err(|()| broken())? {
            if count == 1 && repeat.count_max.is_absent() {
                let first = start.ok_or_else(|| Why::Schedule("given once, but no start is stated".to_owned()))?;
                return Ok(Placed::exact(Occurrences::Listed(vec![first]), None));
            }
            r.note(repeat.at, Note::NotComputable("a count without a frequency or times".to_owned()));
            return Err(Why::Schedule("a count without a frequency or times".to_owned()));
        }
        r.note(repeat.at, Note::NotComputable("a duration without a frequency or times".to_owned()));
        return Err(Why::Schedule("how often it is repeated is not stated".to_owned()));
    }
    let Some(p) = p else {
        r.note(repeat.at, Note::NotComputable("a frequency without a period".to_owned()));
        return Err(Why::Schedule("a frequency without a period".to_owned()));
    };
    // Weekdays place what is given so many times in whole weeks; all seven of them say nothing more.
    if let Some(weeks) = weeks_of(p).filter(|_| named_days > 0)
        && (named_days < 7 || f == Some(7) && weeks == 1 && f_max.is_none() && p_max.is_none())
    {
        if f.is_none() {
            r.assume(repeat.at, Assumption::FrequencyOnce);
        }
        let times = even_times(r, 1, start).unwrap_or_default();
        let placed = on_weekdays(r, repeat, (weekdays, named_days), times, ((f, f_max), weeks, p_max), start)?;
        return Ok(Placed { spaced: true, ..placed });
    }
    let f = match f {
        Some(f) => f,
        None => {
            r.assume(repeat.at, Assumption::FrequencyOnce);
            1
        }
    };
    if f > 1 {
        r.assume(repeat.at, Assumption::EvenlySpaced);
    }
    let place_at = repeat.period.at().unwrap_or(at);
    let f_high = f_max.unwrap_or(f);
    let p_high = p_max.unwrap_or(p);
    let (high, interval) = per_period(r, place_at, f_high, p, calendar, start, weekdays).map_err(|()| broken())?;
    let (low, _) = per_period(r, place_at, f, p_high, calendar, start, weekdays).map_err(|()| broken())?;
    // Beginnings more than a day apart may never meet the days that are named.
    let apart = |o: &Occurrences| matches!(o, Occurrences::Every { step, .. } if *step > Exact::int(DAY));
    if weekdays != 0 && (apart(&high) || apart(&low)) {
        let what = "named weekdays with an interval of more than a day that is not whole days or weeks";
        r.note(repeat.at, Note::NotComputable(what.to_owned()));
        return Err(Why::Schedule(what.to_owned()));
    }
    let mut why = Vec::new();
    if f_high != f || p_high != p {
        why.push(Why::Spread("the schedule allows more or fewer feeds".to_owned()));
    }
    let whole_day = Exact::int(DAY).div(interval).is_some_and(Exact::is_whole);
    let low = if start.is_none() && !why.is_empty() { floor_phase(&low) } else { low };
    let hourly = interval <= Exact::int(3600) && whole_day && why.is_empty() && weekdays == 0;
    // An interval of whole seconds that divides the day keeps its count on any day.
    let keeps = whole_day && interval.is_whole();
    let low =
        if start.is_none() && matches!(&high, Occurrences::Every { .. }) && !keeps { floor_phase(&low) } else { low };
    if low != high && why.is_empty() {
        why.push(Why::Spread("the interval does not divide the day and no start is stated".to_owned()));
    }
    let spaced = matches!(high, Occurrences::Clock { .. });
    let untimed = Vec::new();
    Ok(Placed {
        low,
        high,
        interval: Some(interval),
        why,
        hourly,
        spaced,
        named: Vec::new(),
        untimed,
        or_nothing: false,
    })
}

/// Whole weeks of a period.
fn weeks_of(period: Exact) -> Option<i64> {
    let weeks = period.div(Exact::int(7 * DAY))?;
    if weeks.is_whole() { i64::try_from(weeks.floor()).ok().filter(|w| *w > 0) } else { None }
}

/// So many feeds in so many weeks, on named weekdays at these times of day. Where every week has a feed on each of them at
/// each time, they place the feeds. In which of several weeks it is given is not said, nor what is meant where the days
/// and the count disagree: then it may be nothing on any of the days.
fn on_weekdays(
    r: &mut Reader<'_>,
    repeat: &Repeat<'_>,
    (weekdays, named_days): (u8, i64),
    times: Vec<i64>,
    ((f, f_max), weeks, p_max): ((Option<i64>, Option<i64>), i64, Option<Exact>),
    start: Option<Exact>,
) -> Result<Placed, Why> {
    let broken = || Why::Schedule("the schedule cannot be computed".to_owned());
    let each = i64::try_from(times.len()).ok().filter(|n| *n > 0).ok_or_else(broken)?;
    let makes = each.checked_mul(named_days).ok_or_else(broken)?;
    let every_week = weeks == 1 && p_max.is_none_or(|m| weeks_of(m) == Some(1));
    let gap = shortest_gap(&times, 1);
    let days = Occurrences::Clock { interval: 1, times, weekdays };
    let mut placed = Placed::exact(days, gap);
    let (least, most) = match (f, f_max) {
        (None, None) => (makes, makes),
        (f, most) => (f.unwrap_or(1), most.or(f).unwrap_or(1)),
    };
    if every_week && least <= makes && makes <= most {
        return Ok(placed);
    }
    if !repeat.count.is_absent() || !repeat.count_max.is_absent() {
        r.note(
            repeat.at,
            Note::NotComputable("a count of feeds of which it is not certain when they are given".to_owned()),
        );
        return Err(broken());
    }
    let longest = p_max.and_then(|m| m.div(Exact::int(7 * DAY))).and_then(|w| i64::try_from(w.ceil()).ok());
    let longest = longest.unwrap_or(weeks).max(weeks);
    // On each of the days in one of the weeks or in several.
    let used = least.checked_add(makes).and_then(|n| n.checked_sub(1)).ok_or_else(broken)? / makes;
    let all_days = makes.checked_mul(longest).ok_or_else(broken)?;
    if used > longest || makes.checked_mul(used).is_none_or(|n| n > most) {
        r.note(
            repeat.frequency.at().unwrap_or(repeat.at),
            Note::DaysAgainstCount(all_days, longest, f.or(f_max).unwrap_or(1).to_string()),
        );
    }
    if most > all_days {
        if most > MAX_PER_DAY {
            r.note(repeat.at, Note::NotComputable(format!("{most} times a day is more than {MAX_PER_DAY}")));
            return Err(broken());
        }
        placed.high = match even_times(r, most, start) {
            Some(times) => Occurrences::Clock { interval: 1, times, weekdays },
            None => Occurrences::Every { step: Exact::ratio(DAY, most), up: true, weekdays },
        };
        placed.interval = Exact::int(DAY).div(Exact::int(most));
    }
    placed.why.push(Why::Spread("on which of the named days it is given is not certain".to_owned()));
    placed.or_nothing = true;
    Ok(placed)
}

/// Whether the code of an event means the time before it, so that an offset counts back from it (FHIR, event-timing and
/// `Timing.repeat.offset`).
fn comes_before(code: &str) -> bool {
    matches!(code, "AC" | "ACM" | "ACD" | "ACV" | "HS")
}

/// Whether feeds come every so many days, not by weekdays of every week.
fn interval_repeats(interval: i64, period: Option<Exact>) -> bool {
    interval > 1 && period.is_none_or(|p| weeks_of(p).is_none())
}

type Counts = (Option<i64>, Option<i64>, Option<Exact>, Option<Exact>);

fn at_clock(
    r: &mut Reader<'_>,
    repeat: &Repeat<'_>,
    (mut weekdays, named_days): (u8, i64),
    counts: Counts,
    start: Option<Exact>,
) -> Result<Placed, Why> {
    let (f, f_max, p, p_max) = counts;
    let broken = || Why::Schedule("the schedule cannot be computed".to_owned());
    let offset = match &repeat.offset {
        Field::Present(s) => s
            .value
            .exact()
            .mul(Exact::int(60))
            .map(Exact::floor)
            .and_then(|x| i64::try_from(x).ok())
            .ok_or_else(broken)?,
        Field::Absent => 0,
        Field::Missing { .. } | Field::Unreadable { .. } if repeat.when.is_empty() => 0,
        Field::Missing { .. } | Field::Unreadable { .. } => {
            return Err(Why::Schedule("how long before or after the event (offset) is not known".to_owned()));
        }
    };
    let mut times: Vec<i64> = Vec::new();
    let mut untimed = 0i64;
    let mut named: Vec<String> = Vec::new();
    // Days by which the offset moves a feed away from that of its event.
    let mut moved: Vec<i64> = Vec::new();
    for t in &repeat.time_of_day {
        times.push(i64::from(t.value));
    }
    for w in &repeat.when {
        match r.frame.settings.clock.get(w.value.as_ref()) {
            Some(configured) if !configured.is_empty() => {
                let offset = if comes_before(&w.value) { -offset } else { offset };
                for second in configured {
                    let at = i64::from(*second).saturating_add(offset);
                    times.push(at.rem_euclid(DAY));
                    moved.push(at.div_euclid(DAY));
                }
            }
            _ => {
                r.assume(w.at, Assumption::EventTimes);
                // `C` and its kin stand for every meal; how many meals is the institution's to say.
                if matches!(w.value.as_ref(), "C" | "AC" | "PC") {
                    return Err(Why::Schedule(format!("how many meals `{}` stands for is not configured", w.value)));
                }
                untimed += 1;
                moved.push(0);
                named.push(w.value.to_string());
            }
        }
    }
    let given = times.len();
    times.sort_unstable();
    times.dedup();
    if times.len() != given {
        r.note(repeat.at, Note::DoubledTimes(given - times.len()));
    }
    let mut interval = 1i64;
    if let Some(p) = p {
        let days = p.div(Exact::int(DAY)).ok_or_else(broken)?;
        if !days.is_whole() || !days.is_positive() || p_max.is_some_and(|m| m != p) {
            r.note(repeat.at, Note::NotComputable("clock times with a period that is not whole days".to_owned()));
            return Err(Why::Schedule("clock times with a period that is not whole days".to_owned()));
        }
        interval = i64::try_from(days.floor()).map_err(|_| broken())?;
    }
    // The weekdays are those of the events: a feed that its offset takes past midnight follows them.
    if (named_days > 0 || interval > 1) && moved.iter().any(|days| *days != 0) {
        let days = moved.first().copied().unwrap_or(0);
        if named_days == 0 || interval_repeats(interval, p) || moved.iter().any(|other| *other != days) {
            let what = "an offset past midnight of feeds that are not given every day";
            r.note(repeat.at, Note::NotComputable(what.to_owned()));
            return Err(Why::Schedule(what.to_owned()));
        }
        weekdays = (0..7i64).filter(|d| weekdays >> d & 1 == 1).fold(0, |all, d| all | 1 << (d + days).rem_euclid(7));
    }
    let mut laid: Vec<i64> = Vec::new();
    if untimed > 0 {
        // Counted, its time not known: spread over the free part of the day so that nothing coincides.
        let n = untimed;
        let from = day_start(r);
        for k in 0..n {
            let mut t = (from + k * (DAY / n.max(1))).rem_euclid(DAY);
            while times.contains(&t) {
                t = (t + 60).rem_euclid(DAY);
            }
            times.push(t);
            laid.push(t);
        }
        times.sort_unstable();
    }
    let n = i64::try_from(times.len()).unwrap_or(i64::MAX);
    if n > MAX_PER_DAY {
        return Err(broken());
    }
    if let Some(weeks) = p.and_then(weeks_of).filter(|_| named_days > 0) {
        named.sort_unstable();
        let placed = on_weekdays(r, repeat, (weekdays, named_days), times, ((f, f_max), weeks, p_max), start)?;
        return Ok(Placed { named, untimed: laid, ..placed });
    }
    let gap = shortest_gap(&times, interval);
    let clock = Occurrences::Clock { interval, times: times.clone(), weekdays };
    let stated = f_max.or(f);
    named.sort_unstable();
    let mut placed = Placed { named, untimed: laid, ..Placed::exact(clock.clone(), gap) };
    if let Some(stated) = stated
        && !(stated == n || (stated == 1 && p.is_none()) || f.is_some_and(|f| f <= n && n <= stated))
    {
        r.note(repeat.at, Note::TimesAgainstCount(times.len(), stated.to_string()));
        // Neither is picked: the range holds both.
        let other_n = if stated < n { f.unwrap_or(stated) } else { stated }.min(MAX_PER_DAY);
        let other = match even_times(r, other_n, start) {
            Some(t) => Occurrences::Clock { interval, times: t, weekdays },
            None => Occurrences::Every { step: Exact::ratio(DAY, other_n.max(1)), up: true, weekdays },
        };
        placed.why.push(Why::Spread(format!("{n} clock times but {stated} feeds stated")));
        if other_n < n {
            placed.low = other;
        } else {
            placed.high = other;
        }
    }
    Ok(placed)
}

fn lay_out(r: &mut Reader<'_>, line: &mut Line, at: At, timing: Option<&Timing<'_>>) {
    let repeat = timing.and_then(|t| t.repeat.as_ref());
    let bounds = repeat.map(|rep| read_bounds(r, rep)).unwrap_or_default();
    line.start = bounds.start;
    line.end = bounds.end;
    if bounds.broken {
        line.why.push(Why::Schedule("the bounds of the schedule cannot be used".to_owned()));
        return;
    }
    line.length = bounds.length;
    let placed = match place(r, timing, at, bounds.start) {
        Ok(p) => p,
        Err(why) => {
            line.why.push(why);
            return;
        }
    };
    if let Some(placed) = &placed {
        line.spaced = placed.spaced;
        line.named.clone_from(&placed.named);
        line.untimed.clone_from(&placed.untimed);
    }
    if let Some((shortest, longest)) = line.length
        && shortest != longest
    {
        line.why.push(length_in_a_range());
    }
    // Durations.
    let (duration, duration_max) = match repeat {
        None => (None, None),
        Some(rep) => {
            let d = span(r, &rep.duration, &rep.duration_unit, "duration", rep.at);
            let m = span(r, &rep.duration_max, &rep.duration_unit, "durationMax", rep.at);
            match (d, m) {
                (Ok(d), Ok(m)) => {
                    if let (Some(a), Some(b)) = (d, m)
                        && b < a
                    {
                        r.note(rep.at, Note::Inverted("durationMax is below duration"));
                        line.why.push(Why::Schedule("durationMax is below duration".to_owned()));
                        return;
                    }
                    (d, m.or(d))
                }
                _ => {
                    line.why.push(Why::Schedule("the duration cannot be used".to_owned()));
                    return;
                }
            }
        }
    };
    let counts = match repeat {
        None => (None, None),
        Some(rep) => match (whole(r, &rep.count, "count"), whole(r, &rep.count_max, "countMax")) {
            (Ok(c), Ok(m)) => {
                if let (Some(a), Some(b)) = (c, m)
                    && b < a
                {
                    r.note(rep.at, Note::Inverted("countMax is below count"));
                    line.why.push(Why::Schedule("countMax is below count".to_owned()));
                    return;
                }
                (c, m.or(c))
            }
            _ => {
                line.why.push(Why::Schedule("the count cannot be used".to_owned()));
                return;
            }
        },
    };
    let or_nothing = placed.as_ref().is_some_and(|p| p.or_nothing);
    // A rate repeated by the hour runs on; so many of them are over after as many hours.
    let hours = placed.as_ref().filter(|p| p.hourly && duration.is_none() && line.quantity.is_none());
    let over_after = hours.and_then(|p| p.interval).zip(counts.1);
    dose(r, line, at, placed, (duration, duration_max), bounds.start);
    for (run, count) in [(&mut line.low, counts.0), (&mut line.also, counts.1), (&mut line.high, counts.1)] {
        if let Some(run) = run {
            run.start = bounds.start;
            run.end = bounds.end;
            run.count = count;
        }
    }
    if or_nothing {
        line.least = line.low.take();
    }
    if let Some((interval, most)) = over_after {
        end_after(r, line, at, (interval, counts.0.unwrap_or(most), most));
    }
    if counts.0 != counts.1 && line.high.is_some() {
        line.why.push(Why::Spread("how many times it is given is stated as a range".to_owned()));
    }
    if counts.0.is_some()
        && bounds.start.is_none()
        && line.high.is_some()
        && !matches!(line.high.as_ref().map(|h| &h.occurrences), Some(Occurrences::Listed(_)))
    {
        r.assume(at, Assumption::StartFromOrder);
    }
}

fn length_in_a_range() -> Why {
    Why::Spread("how long it is given is stated as a range".to_owned())
}

/// Ends what runs at a rate after so many intervals, the fewest and the most.
fn end_after(r: &mut Reader<'_>, line: &mut Line, at: At, (interval, fewest, most): (Exact, i64, i64)) {
    let lasts = |n: i64| interval.mul(Exact::int(n));
    let (Some(shortest), Some(longest)) = (lasts(fewest), lasts(most)) else {
        line.low = None;
        line.high = None;
        line.why.push(Why::Range);
        return;
    };
    let earlier = |end: Option<Exact>, other: Option<Exact>| match (end, other) {
        (Some(a), Some(b)) => Some(a.min(b)),
        (a, b) => a.or(b),
    };
    if let Some(start) = line.start {
        for (run, length) in [(&mut line.low, shortest), (&mut line.high, longest)] {
            if let Some(run) = run {
                run.end = earlier(run.end, start.add(length));
            }
        }
        line.end = line.high.as_ref().and_then(|run| run.end);
    } else if line.end.is_some() {
        // It ends, and when it begins is not said.
        r.note(at, Note::RateWithoutStop);
        line.low = None;
        line.why.push(Why::Schedule("so many hours, and only when they end is stated".to_owned()));
    } else {
        let stated = line.length.unwrap_or((shortest, longest));
        line.length = Some((stated.0.min(shortest), stated.1.min(longest)));
        if fewest == most && line.length.is_some_and(|(a, b)| a == b) {
            line.why.retain(|why| *why != length_in_a_range());
        }
    }
}

/// A continuous feed with a length, the least and the most of it: it runs for so long every day, or without a pause.
/// `false` where there is no length, or it is a day.
fn continuous_for(
    r: &mut Reader<'_>,
    line: &mut Line,
    at: At,
    (rate, durations): (Exact, (Option<Exact>, Option<Exact>)),
    start: Option<Exact>,
) -> bool {
    let day = Exact::int(DAY);
    let Some(most) = durations.1.filter(|most| *most != day || durations.0 != Some(day)) else { return false };
    r.note(at, Note::ContinuousFor(durations.0.unwrap_or(most)));
    line.method = Method::Continuous;
    line.also_method = Some(Method::Cyclic).filter(|_| durations.0.is_none_or(|d| d < day));
    line.low = durations.0.and_then(|lasts| {
        let occurrences = if lasts < day {
            Occurrences::Clock { interval: 1, times: even_times(r, 1, start)?, weekdays: 0 }
        } else {
            // It may be over after that.
            Occurrences::Listed(vec![start?])
        };
        let dose = Dose::Volume { ml: rate.mul(lasts)?, over: lasts };
        Some(Run { occurrences, dose, start: None, end: None, count: None, once: true })
    });
    line.high = Some(Run {
        occurrences: Occurrences::Continuous,
        dose: Dose::Rate(rate),
        start: None,
        end: None,
        count: None,
        once: false,
    });
    line.why.push(Why::Spread("it is continuous by its code, and lasts for a stated time".to_owned()));
    true
}

/// What each occurrence gives: the decision table of `docs/calculation.md`, "Rate, quantity and timing".
fn dose(
    r: &mut Reader<'_>,
    line: &mut Line,
    at: At,
    placed: Option<Placed>,
    durations: (Option<Exact>, Option<Exact>),
    start: Option<Exact>,
) {
    let run = |occurrences: Occurrences, dose: Dose| {
        Some(Run { occurrences, dose, start: None, end: None, count: None, once: false })
    };
    let pumped = |occurrences: Occurrences, dose: Dose| {
        Some(Run { occurrences, dose, start: None, end: None, count: None, once: true })
    };
    let out_of_range = |line: &mut Line| line.why.push(Why::Range);
    match (line.quantity, line.rate, placed) {
        (None, Some(rate), None) => {
            r.assume(at, Assumption::RateRunsOn);
            line.method = Method::Continuous;
            line.low = run(Occurrences::Continuous, Dose::Rate(rate));
            line.high.clone_from(&line.low);
        }
        (None, Some(rate), Some(p)) if matches!(p.high, Occurrences::Continuous) => {
            if continuous_for(r, line, at, (rate, durations), start) {
                return;
            }
            line.method = Method::Continuous;
            line.low = run(Occurrences::Continuous, Dose::Rate(rate));
            line.high.clone_from(&line.low);
        }
        (None, Some(rate), Some(p)) => {
            line.why.extend(p.why.iter().cloned());
            let (Some(d_low), Some(d_high)) = durations else {
                if p.hourly {
                    r.assume(at, Assumption::HourlyIsContinuous);
                    line.method = Method::Continuous;
                    line.low = run(Occurrences::Continuous, Dose::Rate(rate));
                    line.high.clone_from(&line.low);
                    return;
                }
                // When it stops is not said: from nothing to around the clock.
                r.note(at, Note::RateWithoutStop);
                line.high = run(Occurrences::Continuous, Dose::Rate(rate));
                line.why.push(Why::Schedule(
                    "a rate with start times but no duration: when it stops is not stated".to_owned(),
                ));
                return;
            };
            line.method = method_of(&p, d_low);
            line.also_method = Some(method_of(&p, d_high));
            if let Some(interval) = p.interval
                && d_high > interval
            {
                r.note(at, Note::LongerThanInterval(d_high, interval));
            }
            if d_low != d_high {
                line.why.push(Why::Spread("how long each feed lasts is stated as a range".to_owned()));
            }
            // A pump does not run twice at once: overlapping runs count once.
            if p.interval.is_some_and(|i| d_high > i) {
                r.assume(at, Assumption::CrossedDuration);
            }
            match (rate.mul(d_low), rate.mul(d_high)) {
                (Some(low), Some(high)) => {
                    line.low = pumped(p.low, Dose::Volume { ml: low, over: d_low });
                    line.high = pumped(p.high, Dose::Volume { ml: high, over: d_high });
                }
                _ => out_of_range(line),
            }
        }
        (Some(q), None, Some(p)) if !matches!(p.high, Occurrences::Continuous) => {
            r.assume(at, Assumption::QuantityPerOccurrence);
            line.why.extend(p.why.iter().cloned());
            if let (Some(d), Some(interval)) = (durations.1, p.interval)
                && d > interval
            {
                r.note(at, Note::LongerThanInterval(d, interval));
            }
            // The quantity is given whatever the duration, sooner or later in the day.
            let shortest = durations.0.unwrap_or(Exact::ZERO);
            let longest = durations.1.unwrap_or(Exact::ZERO);
            if shortest != longest {
                line.why.push(Why::Spread("how long each feed lasts is stated as a range".to_owned()));
            }
            line.method = if durations.1.is_some() { method_of(&p, shortest) } else { Method::Bolus };
            line.also_method = durations.1.map(|longest| method_of(&p, longest));
            line.low = run(p.low, Dose::Volume { ml: q, over: longest });
            line.high = run(p.high, Dose::Volume { ml: q, over: shortest });
        }
        (Some(_), None, _) => {
            r.note(at, Note::QuantityAlone);
            line.why.push(Why::Schedule(
                "a quantity without a schedule: whether per feed or per day is not stated".to_owned(),
            ));
        }
        (Some(q), Some(rate), Some(p)) if !matches!(p.high, Occurrences::Continuous) => {
            r.assume(at, Assumption::QuantityPerOccurrence);
            line.why.extend(p.why.iter().cloned());
            let Some(takes) = q.div(rate) else { return out_of_range(line) };
            line.method = method_of(&p, takes);
            // What one feed gives, over how long, and whether it is the pump's rate that decides.
            let mut low = (q, takes, false);
            let mut high = low;
            let mut also = None;
            if let (Some(d_low), Some(d_high)) = durations {
                let (Some(least), Some(most)) = (rate.mul(d_low), rate.mul(d_high)) else { return out_of_range(line) };
                if !(within(least, q) || within(most, q) || least <= q && q <= most) {
                    r.note(at, Note::QuantityAgainstRate(q, rate, d_low));
                    if least < q {
                        low = (least, d_low, true);
                    }
                    if most > q {
                        // Where it would overlap the next feed, the pump gives less than that, or than q.
                        let held = p.interval.map_or(d_high, |i| i.min(d_high));
                        match rate.mul(held) {
                            Some(x) if x > q => high = (most, d_high, true),
                            _ => also = Some((most, d_high, true)),
                        }
                    }
                    line.why.push(Why::Schedule("quantity and rate × duration disagree".to_owned()));
                }
            }
            if let Some(interval) = p.interval
                && takes > interval
            {
                // The schedule asks for more than the rate can give.
                r.note(at, Note::LongerThanInterval(takes, interval));
                if low.0 == q {
                    low = (q, takes, true);
                }
                line.why.push(Why::Schedule("the feeds cannot be given at this rate in their interval".to_owned()));
            }
            let of = |occurrences: Occurrences, (ml, over, once): (Exact, Exact, bool)| {
                let dose = Dose::Volume { ml, over };
                if once { pumped(occurrences, dose) } else { run(occurrences, dose) }
            };
            line.low = of(p.low, low);
            line.also = also.and_then(|a| of(p.high.clone(), a));
            line.high = of(p.high, high);
        }
        (Some(q), Some(rate), placed) => {
            // Continuous, with a length over which the rate gives the quantity.
            if placed.is_some()
                && let (Some(least), Some(most)) = durations
                && let (Some(low), Some(high)) = (rate.mul(least), rate.mul(most))
                && (within(low, q) || within(high, q) || low <= q && q <= high)
                && continuous_for(r, line, at, (rate, durations), start)
            {
                return;
            }
            // No schedule: the quantity may be the day's total (then both agree), or one feed.
            let Some(day) = rate.mul(Exact::int(DAY)) else { return out_of_range(line) };
            line.method = Method::Continuous;
            let off = day.sub(q).map(Exact::abs).unwrap_or(day);
            let hundredth = q.mul(Exact::ratio(1, 100)).unwrap_or(Exact::ZERO);
            if off <= hundredth {
                line.low = run(Occurrences::Continuous, Dose::Rate(rate));
                line.high.clone_from(&line.low);
            } else {
                r.note(at, Note::TwoReadings(q, day));
                let per_second = |ml: Exact| ml.div(Exact::int(DAY)).unwrap_or(rate);
                // Given once, it is nothing on the days after: the low end stays nothing.
                line.high = run(Occurrences::Continuous, Dose::Rate(per_second(q.max(day))));
                line.why.push(Why::Schedule(
                    "quantity and rate without a schedule: one is given in full, or the rate runs all day".to_owned(),
                ));
            }
        }
        (None, None, _) => line.why.push(Why::Schedule("neither a rate nor a quantity is given".to_owned())),
    }
}

/// The tolerance between two ways of saying one volume: the larger of 2 % and 1 mL (the finer limit, used
/// here because whether the larger one of 5 mL applies depends on the patient, which this room cannot know;
/// the integrity rule CON-01 applies it before it reports).
fn within(a: Exact, b: Exact) -> bool {
    let off = a.sub(b).map(Exact::abs).unwrap_or(Exact::ONE);
    let share = b.mul(Exact::ratio(2, 100)).unwrap_or(Exact::ZERO);
    off <= share.max(Exact::ONE)
}

fn method_of(p: &Placed, seconds: Exact) -> Method {
    if p.high.longest_gap().is_some_and(|gap| seconds >= gap) {
        // The next begins before it ends: it runs without a pause.
        Method::Continuous
    } else if seconds >= Exact::int(4 * 3600) {
        // From this long on it is the pump's for part of the day, however often: common practice, no source.
        Method::Cyclic
    } else if seconds >= Exact::int(30 * 60) {
        Method::Intermittent
    } else {
        Method::Bolus
    }
}
