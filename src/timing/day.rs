//! Lines over a window: segments, volumes and counts of one day, and the steady day.
//!
//! Inside a window every time is exact seconds from its beginning. In an elapsed day of 24 h, feeds at clock
//! times lie where the clock would put them if it did not change, so that a clock change neither adds nor
//! loses a feed; runs between instants keep their elapsed length. In a civil day, everything lies at its
//! instant.

use crate::amount::{Amount, Why};
use crate::exact::Exact;
use crate::settings::DayKind;
use crate::timing::calendar::{DAY, date_of_days, local_of_date, to_epoch, to_local, weekday_of_days};
use crate::timing::schedule::{Dose, Line, Occurrences, Run};
use jiff::tz::TimeZone;

/// Most feeds of one line that are laid over one window.
pub const MAX_OCCURRENCES: usize = 10_000;
/// Longest repeating cycle, in days, that is laid out day by day.
pub const MAX_CYCLE: i128 = 120;

/// A stretch of time to be totalled.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Window {
    /// Instant it begins.
    pub start: Exact,
    /// Local time it begins.
    pub local: Exact,
    /// Seconds it lasts.
    pub length: Exact,
    /// Whether clock times lie at their instants (a civil day) or where an unchanging clock puts them.
    pub civil: bool,
}

impl Window {
    /// 24 elapsed hours from an instant.
    pub fn elapsed(zone: &TimeZone, start: Exact) -> Self {
        Self { start, local: to_local(zone, start), length: Exact::int(DAY), civil: false }
    }

    /// From a local time of day on a date (days since 1970) to the same clock time on the next.
    pub fn civil(zone: &TimeZone, days: i64, day_start: u32) -> Self {
        let local = |d: i64| Exact::int(local_of_date(date_of_days(d)).saturating_add(i64::from(day_start)));
        let start = to_epoch(zone, local(days));
        let end = to_epoch(zone, local(days.saturating_add(1)));
        Self { start, local: to_local(zone, start), length: end.sub(start).unwrap_or(Exact::int(DAY)), civil: true }
    }

    /// The elapsed day that begins so many times 24 h later. The clock goes on as if it did not change, so
    /// that a feed at a clock time lies in exactly one of consecutive days.
    pub fn later(&self, days: i64) -> Option<Self> {
        let shift = Exact::int(days.checked_mul(DAY)?);
        Some(Self { start: self.start.add(shift)?, local: self.local.add(shift)?, length: self.length, civil: false })
    }

    /// The day that begins so many days later: from one clock time to the same again where this one is such a day.
    pub fn following(&self, zone: &TimeZone, days: i64) -> Option<Self> {
        if !self.civil {
            return self.later(days);
        }
        let local = i64::try_from(self.local.floor()).ok()?;
        let day_start = u32::try_from(local.rem_euclid(DAY)).ok()?;
        Some(Self::civil(zone, local.div_euclid(DAY).checked_add(days)?, day_start))
    }

    /// Instant it ends.
    pub fn end(&self) -> Exact {
        self.start.add(self.length).unwrap_or(self.start)
    }
}

/// One stretch of giving: `[from, to)` seconds from the window's beginning.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Segment {
    /// Index of the line.
    pub line: usize,
    /// From, seconds; not below 0.
    pub from: Exact,
    /// To, seconds; equal to `from` for a feed given at once.
    pub to: Exact,
    /// mL inside the window.
    pub volume: Exact,
    /// Whether it begins in the window (a feed cut by the window's beginning does not).
    pub begins: bool,
    /// Whether it runs at a rate without single feeds.
    pub continuous: bool,
}

/// What one line gives in a window.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LineDay {
    /// mL.
    pub volume: Amount,
    /// Feeds that begin in the window.
    pub feeds: Amount,
    /// Seconds it runs.
    pub running: Amount,
}

/// Where the cap cuts the schedule.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct CapReached {
    /// The cap over the window, mL.
    pub cap: Exact,
    /// What the schedule would give at most, mL.
    pub scheduled: Exact,
    /// Seconds from the window's beginning at which the cap is reached.
    pub at: Exact,
}

/// One window, laid out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Laid {
    /// The window.
    pub window: Window,
    /// The time zone of its clock.
    pub zone: TimeZone,
    /// Per line, in the order given.
    pub lines: Vec<LineDay>,
    /// Segments of the most the order allows, by time.
    pub segments: Vec<Segment>,
    /// The cap, where it lies below the schedule.
    pub cap: Option<CapReached>,
}

impl Laid {
    /// The k-th day of 24 h after the window (from 1), the clock as if it did not change, and where in seconds of the window it
    /// begins.
    pub fn day_after(&self, k: i64) -> Option<(Exact, Window)> {
        let first = Window {
            start: self.window.end(),
            local: self.window.local.add(Exact::int(DAY))?,
            length: Exact::int(DAY),
            civil: false,
        };
        let before = k.checked_sub(1)?;
        let offset = self.window.length.add(Exact::int(before.checked_mul(DAY)?))?;
        Some((offset, first.later(before)?))
    }
}

/// Where the feeds of a line begin in a window, seconds.
pub fn begin_in(zone: &TimeZone, window: Window, line: &Line) -> Vec<Exact> {
    let laid = lay(zone, window, std::slice::from_ref(line), &[false], None);
    laid.segments.iter().filter(|s| s.begins && !s.continuous).map(|s| s.from).collect()
}

/// Volume, feeds and seconds of one run in one window.
#[derive(Clone, Copy, Debug, Default)]
struct Tally {
    volume: Option<Exact>,
    feeds: i64,
    seconds: Option<Exact>,
}

struct Layer<'z, 'o> {
    zone: &'z TimeZone,
    window: &'o Window,
    line: usize,
    out: Option<&'o mut Vec<Segment>>,
    tally: Tally,
    overflow: bool,
}

impl Layer<'_, '_> {
    /// Adds a stretch `[from, to)` of `volume`, cut to the window.
    fn put(&mut self, from: Exact, over: Exact, volume: Exact, continuous: bool) {
        let length = self.window.length;
        if over.is_zero() {
            if from.is_negative() || from >= length {
                return;
            }
            self.push(Segment { line: self.line, from, to: from, volume, begins: true, continuous });
            return;
        }
        let Some(to) = from.add(over) else {
            self.overflow = true;
            return;
        };
        if !to.is_positive() || from >= length {
            return;
        }
        let (a, b) = (from.max(Exact::ZERO), to.min(length));
        let given =
            b.sub(a).and_then(|inside| if inside == over { Some(volume) } else { volume.mul(inside)?.div(over) });
        match given {
            Some(v) => self.push(Segment {
                line: self.line,
                from: a,
                to: b,
                volume: v,
                begins: !from.is_negative(),
                continuous,
            }),
            None => self.overflow = true,
        }
    }

    fn push(&mut self, s: Segment) {
        let seconds = s.to.sub(s.from);
        match (
            self.tally.volume.unwrap_or(Exact::ZERO).add(s.volume),
            seconds.and_then(|x| self.tally.seconds.unwrap_or(Exact::ZERO).add(x)),
        ) {
            (Some(v), Some(t)) => {
                self.tally.volume = Some(v);
                self.tally.seconds = Some(t);
            }
            _ => self.overflow = true,
        }
        if s.begins && !s.continuous {
            self.tally.feeds += 1;
        }
        if let Some(out) = &mut self.out {
            out.push(s);
        }
    }

    /// Seconds from the window's beginning of a local clock time.
    fn of_local(&self, local: Exact) -> Exact {
        if self.window.civil {
            to_epoch(self.zone, local).sub(self.window.start).unwrap_or(Exact::ZERO)
        } else {
            local.sub(self.window.local).unwrap_or(Exact::ZERO)
        }
    }

    fn of_instant(&self, instant: Exact) -> Exact {
        instant.sub(self.window.start).unwrap_or(Exact::ZERO)
    }

    fn run(&mut self, run: &Run) {
        match (&run.occurrences, run.dose) {
            (Occurrences::Continuous, Dose::Rate(rate)) => {
                let from = run.start.map_or(Exact::ZERO, |s| self.of_instant(s)).max(Exact::ZERO);
                let to = run.end.map_or(self.window.length, |e| self.of_instant(e)).min(self.window.length);
                if from >= to {
                    return;
                }
                match to.sub(from).and_then(|d| Some((d, rate.mul(d)?))) {
                    Some((d, volume)) => self.put(from, d, volume, true),
                    None => self.overflow = true,
                }
            }
            (Occurrences::Every { step, up, weekdays }, Dose::Volume { ml, over }) => {
                // On civil days, intervals that divide the day keep their clock times.
                if self.window.civil
                    && let Some(times) =
                        clock_times(run.start.map_or(self.window.local, |s| to_local(self.zone, s)), *step)
                {
                    self.clock(run, 1, &times, *weekdays, (ml, over));
                    return;
                }
                self.every(run, (*step, *up, *weekdays), (ml, over));
            }
            (Occurrences::Clock { interval, times, weekdays }, Dose::Volume { ml, over }) => {
                self.clock(run, *interval, times, *weekdays, (ml, over));
            }
            (Occurrences::Listed(instants), Dose::Volume { ml, over }) => {
                let mut places: Vec<Exact> = instants
                    .iter()
                    .filter(|i| run.start.is_none_or(|s| **i >= s) && run.end.is_none_or(|e| **i < e))
                    .map(|i| self.of_instant(*i))
                    .collect();
                if let Some(count) = run.count.and_then(|c| usize::try_from(c).ok()) {
                    places.truncate(count);
                }
                self.put_each(run, &places, (ml, over));
            }
            // The reader never pairs these.
            (Occurrences::Continuous, Dose::Volume { .. }) | (_, Dose::Rate(_)) => self.overflow = true,
        }
    }

    fn every(&mut self, run: &Run, (step, up, weekdays): (Exact, bool, u8), (mut ml, mut over): (Exact, Exact)) {
        let length = self.window.length;
        // A pump does not run twice at once: each run but the last ends where the next begins.
        let (whole, whole_over) = (ml, over);
        if run.once && over > step {
            let Some(held) = ml.mul(step).and_then(|x| x.div(over)) else {
                self.overflow = true;
                return;
            };
            (ml, over) = (held, step);
        }
        let Some(start) = run.start else {
            // Phase not known: count rounded down or up, laid from the window's beginning.
            let Some(n) = length.div(step) else { return };
            let n = if up { n.ceil() } else { n.floor() };
            let n = usize::try_from(n).unwrap_or(usize::MAX);
            let n = run.count.and_then(|c| usize::try_from(c).ok()).map_or(n, |c| n.min(c));
            if n > MAX_OCCURRENCES {
                self.overflow = true;
                return;
            }
            let end = run.end.map(|e| self.of_instant(e));
            for k in 0..n {
                let Some(from) = i64::try_from(k).ok().and_then(|k| step.mul(Exact::int(k))) else { break };
                if end.is_some_and(|e| from >= e) {
                    break;
                }
                if self.on_day(from, weekdays) {
                    // The whole feed is counted: with an unknown phase, what one end of the day cuts the
                    // other gives.
                    let room = length.sub(from).unwrap_or(Exact::ZERO);
                    let last = end.is_some_and(|e| from.add(step).is_some_and(|next| next >= e));
                    if run.once && whole_over >= step {
                        // Without pause: each run to the next, the last to the end of the window.
                        let over = if k + 1 == n || last { whole_over.min(room) } else { step };
                        match whole.mul(over).and_then(|x| x.div(whole_over)) {
                            Some(ml) => self.put(from, over, ml, false),
                            None => self.overflow = true,
                        }
                    } else {
                        self.put(from, over.min(room), ml, false);
                    }
                }
            }
            return;
        };
        let anchor = self.of_instant(start);
        let end = run.end.map(|e| self.of_instant(e));
        // First k whose feed can still reach into the window.
        let first = Exact::ZERO
            .sub(anchor)
            .and_then(|x| x.sub(whole_over))
            .and_then(|x| x.div(step))
            .map_or(0, Exact::floor)
            .max(0);
        for (n, k) in (first..).enumerate() {
            if n == MAX_OCCURRENCES {
                self.overflow = true;
                break;
            }
            if run.count.is_some_and(|c| k >= i128::from(c)) {
                break;
            }
            let from = Exact::whole(k).and_then(|k| k.mul(step)).and_then(|x| x.add(anchor));
            let Some(from) = from else {
                self.overflow = true;
                break;
            };
            if from >= length || end.is_some_and(|e| from >= e) {
                break;
            }
            if self.on_day(from, weekdays) {
                let next = from.add(step).unwrap_or(from);
                let last = run.count.is_some_and(|c| k + 1 >= i128::from(c)) || end.is_some_and(|e| next >= e);
                if last || !self.on_day(next, weekdays) {
                    self.put(from, whole_over, whole, false);
                } else {
                    self.put(from, over, ml, false);
                }
            }
        }
    }

    fn on_day(&self, from: Exact, weekdays: u8) -> bool {
        if weekdays == 0 {
            return true;
        }
        // An instant falls on the weekday that the clock then shows.
        let local = self.window.start.add(from).map(|e| to_local(self.zone, e));
        local.is_some_and(|l| on_weekday(i64::try_from(l.floor()).unwrap_or(0).div_euclid(DAY), weekdays))
    }

    fn clock(&mut self, run: &Run, interval: i64, times: &[i64], weekdays: u8, (ml, over): (Exact, Exact)) {
        let local = i64::try_from(self.window.local.floor()).unwrap_or(0);
        let back = i64::try_from(over.ceil()).unwrap_or(i64::MAX) / DAY + 1;
        let ahead = i64::try_from(self.window.length.ceil()).unwrap_or(DAY) / DAY + 1;
        let today = local.div_euclid(DAY);
        // A feed that lasts for years reaches back to as many beginnings: not counted, and not a few of them either.
        let beginnings = i64::try_from(times.len()).ok().and_then(|n| back.checked_add(ahead)?.checked_mul(n));
        if beginnings.and_then(|n| usize::try_from(n).ok()).is_none_or(|n| n > MAX_OCCURRENCES) {
            self.overflow = true;
            return;
        }
        let mut places: Vec<Exact> = Vec::with_capacity(beginnings.map_or(0, |n| n.clamp(0, 32) as usize));
        let start_local = run.start.map(|s| to_local(self.zone, s));
        let end_local = run.end.map(|e| to_local(self.zone, e));
        let first_day = start_local.map(|s| i64::try_from(s.floor()).unwrap_or(0).div_euclid(DAY));
        for day in today - back..=today + ahead {
            if !on_weekday(day, weekdays) || (day - first_day.unwrap_or(today)).rem_euclid(interval) != 0 {
                continue;
            }
            for time in times {
                let at = Exact::int(day.saturating_mul(DAY).saturating_add(*time));
                let outside = if self.window.civil {
                    let instant = to_epoch(self.zone, at);
                    run.start.is_some_and(|s| instant < s) || run.end.is_some_and(|e| instant >= e)
                } else {
                    start_local.is_some_and(|s| at < s) || end_local.is_some_and(|e| at >= e)
                };
                if outside {
                    continue;
                }
                if let Some(count) = run.count {
                    let Some(index) = index_of(first_day, start_local, day, *time, interval, times, weekdays) else {
                        continue;
                    };
                    if index >= count {
                        continue;
                    }
                }
                let from = self.of_local(at);
                // A clock time that does not exist coincides with the next one: one feed, not two.
                places.push(from);
            }
        }
        if self.window.civil {
            places.sort_unstable();
            places.dedup();
        }
        self.put_each(run, &places, (ml, over));
    }

    /// Puts feeds that begin at these places, ascending. What a pump would still give when the next begins
    /// counts once.
    fn put_each(&mut self, run: &Run, places: &[Exact], (ml, over): (Exact, Exact)) {
        for (k, from) in places.iter().enumerate() {
            let room = places.get(k + 1).and_then(|next| next.sub(*from));
            match room {
                Some(room) if run.once && room < over => match ml.mul(room).and_then(|x| x.div(over)) {
                    Some(part) => self.put(*from, room, part, false),
                    None => self.overflow = true,
                },
                _ => self.put(*from, over, ml, false),
            }
        }
    }
}

/// Which occurrence (0-based) of its schedule a clock time is; `None` without a start.
fn index_of(
    first_day: Option<i64>,
    start: Option<Exact>,
    day: i64,
    time: i64,
    interval: i64,
    times: &[i64],
    weekdays: u8,
) -> Option<i64> {
    let (first_day, start) = (first_day?, start?);
    let start_time = i64::try_from(start.floor()).ok()?.rem_euclid(DAY);
    let before_start = times.iter().filter(|t| **t < start_time).count();
    let before_time = times.iter().filter(|t| **t < time).count();
    let n = i64::try_from(times.len()).ok()?;
    let days = if weekdays == 0 {
        (day - first_day) / interval
    } else {
        (first_day..day)
            .take(40_000)
            .filter(|d| on_weekday(*d, weekdays) && (d - first_day) % interval == 0)
            .count()
            .try_into()
            .ok()?
    };
    let skipped = if on_weekday(first_day, weekdays) { i64::try_from(before_start).ok()? } else { 0 };
    days.checked_mul(n)?.checked_add(i64::try_from(before_time).ok()?)?.checked_sub(skipped)
}

fn on_weekday(day: i64, weekdays: u8) -> bool {
    weekdays == 0 || weekdays & (1 << (weekday_of_days(day) - 1)) != 0
}

/// Clock times of an interval that divides the day, anchored at a local time.
fn clock_times(anchor: Exact, step: Exact) -> Option<Vec<i64>> {
    let n = Exact::int(DAY).div(step)?;
    if !n.is_whole() || !step.is_whole() {
        return None;
    }
    let from = i64::try_from(anchor.floor()).ok()?.rem_euclid(DAY);
    let step = i64::try_from(step.floor()).ok()?;
    let mut times: Vec<i64> = (0..i64::try_from(n.floor()).ok()?).map(|k| (from + k * step).rem_euclid(DAY)).collect();
    times.sort_unstable();
    Some(times)
}

fn tally(
    zone: &TimeZone,
    window: &Window,
    line: usize,
    run: Option<&Run>,
    out: Option<&mut Vec<Segment>>,
) -> Option<Tally> {
    let Some(run) = run else { return Some(Tally::default()) };
    let mut layer = Layer { zone, window, line, out, tally: Tally::default(), overflow: false };
    layer.run(run);
    (!layer.overflow).then_some(layer.tally)
}

/// Lays lines over a window.
///
/// `cap` is the most that the lines marked in `capped` may give together in this window, mL.
pub fn lay(zone: &TimeZone, window: Window, lines: &[Line], capped: &[bool], cap: Option<Exact>) -> Laid {
    let mut segments = Vec::with_capacity(8 * lines.len().min(4));
    let mut days = Vec::with_capacity(lines.len());
    let mut any_time = false;
    for (ix, line) in lines.iter().enumerate() {
        let open = !line.untimed.is_empty() && {
            let apart = lengths_apart(line).is_some();
            line.readings().any(|run| depends_on_time(zone, &window, run, apart))
        };
        days.push(if open {
            any_time |= capped.get(ix).copied().unwrap_or(false);
            at_any_time(zone, &window, ix, line, &mut segments)
        } else {
            lay_line(zone, &window, ix, line, &mut segments)
        });
    }
    if lines.len() > 1 {
        segments.sort_by(|a, b| a.from.cmp(&b.from).then(a.line.cmp(&b.line)));
    }
    let reached = cap.and_then(|cap| {
        if any_time {
            // When it is reached depends on times that are not known.
            let most = days.iter().zip(capped).filter(|(_, is)| **is).filter_map(|(day, _)| day.volume.high());
            let most = most.map(Some).reduce(|a, b| a?.add(b?)).unwrap_or(Some(Exact::ZERO));
            let within = most.is_some_and(|most| !beyond_cap(most, cap));
            return if within { None } else { cut_anywhere(&mut days, capped, cap, window.length) };
        }
        let before = days.clone();
        cut((zone, &window, lines), &mut days, &segments, capped, cap).unwrap_or_else(|Overflow| {
            days = before;
            cut_anywhere(&mut days, capped, cap, window.length)
        })
    });
    Laid { window, zone: zone.clone(), lines: days, segments, cap: reached }
}

/// What one line gives in a window, all of its times taken as they are laid.
fn lay_line(zone: &TimeZone, window: &Window, ix: usize, line: &Line, segments: &mut Vec<Segment>) -> LineDay {
    let Some(high_run) = &line.high else {
        let why = if line.why.is_empty() {
            vec![Why::Schedule("the schedule cannot be computed".to_owned())]
        } else {
            line.why.clone()
        };
        return LineDay {
            volume: Amount::Unknown(why.clone()),
            feeds: Amount::Unknown(why.clone()),
            running: Amount::Unknown(why),
        };
    };
    if let Some(low_run) = line.low.as_ref().or(line.least.as_ref())
        && (low_run != high_run || line.also.is_some())
    {
        let mut all = vec![high_run.clone()];
        all.extend(readings(low_run, high_run));
        if let Some(also) = &line.also {
            all.push(also.clone());
            all.extend(readings(low_run, also));
        }
        let ends = [Some(high_run), line.also.as_ref()].into_iter().flatten();
        let ends = ends.filter_map(|most| loose(window, low_run, most)).collect();
        return between(zone, window, (ix, line.low.is_none()), (&all, ends), &line.why, segments);
    }
    let high = tally(zone, window, ix, Some(high_run), Some(segments));
    let low = if line.low.is_some() { high } else { tally(zone, window, ix, None, None) };
    match (low, high) {
        (Some(l), Some(h)) => {
            let zero = Exact::ZERO;
            let (lv, hv) = (l.volume.unwrap_or(zero), h.volume.unwrap_or(zero));
            let (ls, hs) = (l.seconds.unwrap_or(zero), h.seconds.unwrap_or(zero));
            LineDay {
                volume: ends(lv, hv, &line.why),
                feeds: ends(Exact::int(l.feeds), Exact::int(h.feeds), &line.why),
                running: ends(ls, hs, &line.why),
            }
        }
        _ => LineDay {
            volume: Amount::unknown(Why::Range),
            feeds: Amount::unknown(Why::Range),
            running: Amount::unknown(Why::Range),
        },
    }
}

/// The shortest and the longest time that a feed of a line takes, where these differ and it gives the same volume in both:
/// yesterday's may run in for long and today's be over early.
fn lengths_apart(line: &Line) -> Option<(Exact, Exact)> {
    let lengths = || {
        line.readings().filter_map(|run| match run.dose {
            Dose::Volume { over, .. } => Some(over),
            Dose::Rate(_) => None,
        })
    };
    let (shortest, longest) = (lengths().min()?, lengths().max()?);
    (shortest < longest && line.readings().any(|run| !run.once)).then_some((shortest, longest))
}

/// Whether what events without a time of day give in a window depends on that time. Once a day through the whole of it,
/// they give the same at any, unless they may be longer or shorter from day to day.
fn depends_on_time(zone: &TimeZone, window: &Window, run: &Run, lengths_apart: bool) -> bool {
    let (Occurrences::Clock { interval, weekdays, .. }, Dose::Volume { over, .. }) = (&run.occurrences, run.dose)
    else {
        return false;
    };
    let day = Exact::int(DAY);
    let (start, end) = (run.start.map(|s| to_local(zone, s)), run.end.map(|e| to_local(zone, e)));
    // What begins from here on runs into the window or begins in it.
    let (Some(from), Some(to)) = (window.local.sub(over), window.local.add(window.length)) else { return true };
    if start.is_some_and(|s| s >= to) || end.is_some_and(|e| e <= from) {
        return false;
    }
    let date = |x: Exact| i64::try_from(x.floor()).ok().map(|x| x.div_euclid(DAY));
    let (Some(first), Some(after)) = (date(from), to.div(day).and_then(|x| i64::try_from(x.ceil()).ok())) else {
        return true;
    };
    let first_day = start.and_then(date).or_else(|| date(window.local)).unwrap_or(first);
    let on = |d: i64| on_weekday(d, *weekdays) && d.saturating_sub(first_day).rem_euclid(*interval) == 0;
    let daily = *interval == 1 && *weekdays == 0;
    let dates = || (first..after).take(MAX_OCCURRENCES);
    if !daily && !dates().any(on) {
        return false;
    }
    let cut = start.is_some_and(|s| s > from) || end.is_some_and(|e| e < to);
    let of_another_length = over.is_positive() && window.length != day;
    cut || lengths_apart || run.count.is_some() || of_another_length || !daily && !dates().all(on)
}

/// What one line gives in a window where its events without a time of day may be at any time of it: each from nothing to
/// one feed. The segments are those of an early time.
fn at_any_time(zone: &TimeZone, window: &Window, ix: usize, line: &Line, segments: &mut Vec<Segment>) -> LineDay {
    let counted = line.readings().any(|run| run.count.is_some());
    let gives = |w: Option<Window>| {
        let tallied = w.and_then(|w| tally(zone, &w, ix, line.high.as_ref(), None));
        tallied.is_none_or(|t| t.volume.is_some())
    };
    // A count that is used up leaves nothing for any time.
    if counted && !gives(Some(*window)) && !gives(window.later(-1)) && !gives(window.later(1)) {
        return lay_line(zone, window, ix, line, segments);
    }
    let mut timed = line.clone();
    for run in [&mut timed.low, &mut timed.least, &mut timed.also, &mut timed.high].into_iter().flatten() {
        run.count = None;
        if let Occurrences::Clock { times, .. } = &mut run.occurrences {
            times.retain(|t| !line.untimed.contains(t));
        }
    }
    let others = lay_line(zone, window, ix, &timed, &mut Vec::new());
    let mut most = Some((Exact::ZERO, Exact::ZERO));
    for run in line.readings() {
        let Dose::Volume { ml, over } = run.dose else { continue };
        let day = Exact::int(DAY);
        let one = || {
            let held = if run.once && over > day { ml.mul(day)?.div(over)? } else { ml };
            let held = match lengths_apart(line) {
                Some((shortest, longest)) => held.add(ml.mul(longest.sub(shortest)?)?.div(longest)?)?,
                None => held,
            };
            let longer = window.length.sub(day)?.max(Exact::ZERO);
            if over.is_zero() { Some(held) } else { held.add(ml.mul(longer)?.div(over)?) }
        };
        most = most.zip(one()).map(|((ml, seconds), one)| (ml.max(one), seconds.max(over.min(window.length))));
    }
    let n = Exact::int(i64::try_from(line.untimed.len()).unwrap_or(i64::MAX));
    let why = crate::amount::join(&line.why, &[Why::Spread("the time of day of a feed is not known".to_owned())]);
    let with = |amount: &Amount, each: Option<Exact>| {
        let (Some(low), Some(high)) = (amount.low(), amount.high()) else { return amount.clone() };
        let low = if counted { Exact::ZERO } else { low };
        let high = each.and_then(|each| each.mul(n)).and_then(|more| high.add(more));
        high.map_or_else(|| Amount::unknown(Why::Range), |high| ends(low, high, &why))
    };
    if let Some(high) = &line.high {
        let mut early = high.clone();
        if let Occurrences::Clock { times, weekdays, .. } = &mut early.occurrences {
            let from = high.start.map_or(window.local, |s| to_local(zone, s).max(window.local));
            let from = i64::try_from(from.floor()).unwrap_or(0);
            let from = if on_weekday(from.div_euclid(DAY), *weekdays) { from.rem_euclid(DAY) } else { 0 };
            times.retain(|t| !line.untimed.contains(t));
            for _ in &line.untimed {
                let mut t = from;
                while times.contains(&t) {
                    t = (t + 60).rem_euclid(DAY);
                }
                times.push(t);
            }
            times.sort_unstable();
        }
        tally(zone, window, ix, Some(&early), Some(segments));
    }
    LineDay {
        volume: with(&others.volume, most.map(|m| m.0)),
        feeds: with(&others.feeds, Some(Exact::ONE)),
        running: with(&others.running, most.map(|m| m.1)),
    }
}

/// Every way in which the choices that tell `low` from `high` can be combined, without `high` itself: over a
/// part of a schedule, neither all the least nor all the most need give the least or the most.
fn readings(low: &Run, high: &Run) -> Vec<Run> {
    let mut out = vec![high.clone()];
    let vary = |out: &mut Vec<Run>, differs: bool, set: &dyn Fn(&mut Run)| {
        if differs {
            let mut other = out.clone();
            other.iter_mut().for_each(set);
            out.append(&mut other);
        }
    };
    let runs_on = |run: &Run| run.occurrences == Occurrences::Continuous;
    if runs_on(low) == runs_on(high) {
        vary(&mut out, low.occurrences != high.occurrences, &|r| r.occurrences.clone_from(&low.occurrences));
        vary(&mut out, (low.dose, low.once) != (high.dose, high.once), &|r| (r.dose, r.once) = (low.dose, low.once));
    } else {
        // What runs on has a rate, what is given in feeds a volume.
        vary(&mut out, true, &|r| {
            r.occurrences.clone_from(&low.occurrences);
            (r.dose, r.once) = (low.dose, low.once);
        });
    }
    vary(&mut out, low.end != high.end, &|r| r.end = low.end);
    vary(&mut out, low.count != high.count, &|r| r.count = low.count);
    vary(&mut out, low.start != high.start, &|r| r.start = low.start);
    out.remove(0);
    out
}

/// Volume, feeds and seconds of a window.
type Sums = (Exact, Exact, Exact);

/// Where the interval is a range, what lies between its ends may fall into a window once more or once less
/// than either end: from the count at the longest interval rounded down to that at the shortest rounded up.
fn loose(window: &Window, low: &Run, high: &Run) -> Option<[Sums; 2]> {
    // The interval, how many feeds it is between, the weekdays, and whether it is so many a day. All feeds of a day that
    // comes every so many days may fall into a window together.
    let step = |run: &Run| match &run.occurrences {
        Occurrences::Every { step, weekdays, .. } => Some((*step, 1, *weekdays, false)),
        Occurrences::Clock { interval, times, weekdays } => {
            let n = i64::try_from(times.len()).ok()?;
            if *interval == 1 {
                return Some((Exact::int(DAY).div(Exact::int(n))?, 1, *weekdays, true));
            }
            Some((Exact::int(interval.checked_mul(DAY)?), i128::from(n), *weekdays, false))
        }
        Occurrences::Continuous | Occurrences::Listed(_) => None,
    };
    let ((longest, least_each, days, daily), (shortest, most_each, _, daily_too)) = (step(low)?, step(high)?);
    // So many times a day is that many in any day.
    if (longest, least_each) == (shortest, most_each) || daily && daily_too || high.start.is_none() {
        return None;
    }
    let place = |at: Option<Exact>, otherwise: Exact| at.map_or(Some(otherwise), |x| x.sub(window.start));
    let from = place(high.start, Exact::ZERO)?.max(Exact::ZERO);
    let until = |run: &Run| Some(place(run.end, window.length)?.min(window.length).sub(from)?.max(Exact::ZERO));
    // A feed's volume may be the same however long it takes: the longest need not be that of the run that gives the most.
    let lengths =
        [low.dose, high.dose].map(|dose| if let Dose::Volume { over, .. } = dose { Some(over) } else { None });
    let (shortest_feed, longest_feed) = (lengths[0]?.min(lengths[1]?), lengths[0]?.max(lengths[1]?));
    let sums = |run: &Run, step: Exact, count: i128, takes: Exact| {
        let Dose::Volume { ml, over } = run.dose else { return None };
        let held = |over: Exact| if run.once { over.min(step) } else { over };
        let one = if held(over) == over { ml } else { ml.mul(held(over))?.div(over)? };
        let n = Exact::whole(count)?;
        Some((one.mul(n)?, n, held(takes).mul(n)?))
    };
    let fewest = if days == 0 { until(low)?.div(longest)?.floor().checked_mul(least_each)? } else { 0 };
    let intervals = until(high)?.div(shortest)?.ceil();
    let limit = |n: i128, count: Option<i64>| count.map_or(n, |c| n.min(i128::from(c)));
    let fewest = limit(fewest, low.count);
    let most = limit(intervals.checked_mul(most_each)?, high.count);
    let mut upper = sums(high, shortest, most, longest_feed)?;
    // Nothing runs before the schedule begins, nor after what begins last has ended.
    let ends = place(high.end, window.length)?.min(window.length);
    let reach = ends.add(longest_feed)?;
    let room = reach.min(window.length).sub(from)?.max(Exact::ZERO);
    // What runs into the window may be of the longest feeds, and what begins in it of those that end in it.
    let of_two_lengths = !low.once && !high.once && shortest_feed != longest_feed;
    if let Dose::Volume { ml, .. } = high.dose
        && high.start.is_some_and(|s| s < window.start)
        && (ends < window.length || of_two_lengths)
        && !longest_feed.is_zero()
    {
        // Nothing that the window's end cuts makes up for what runs into it. The most comes in where a feed begins just
        // before the schedule ends, one before it every shortest interval, and each takes as long as it may.
        let first = reach.sub(shortest.mul(Exact::whole(intervals)?)?)?;
        let earlier = first.max(Exact::ZERO).div(shortest)?.ceil().checked_mul(most_each)?;
        let running_in = limit(most.checked_add(earlier)?, high.count) - most;
        let (whole, rest) = (running_in / most_each, running_in % most_each);
        let last = first.sub(shortest.mul(Exact::whole(whole)?)?)?.mul(Exact::whole(rest)?)?;
        let carried = arithmetic_series(first, shortest, whole)?.mul(Exact::whole(most_each)?)?.add(last)?;
        let mut volume = upper.0.add(ml.mul(carried)?.div(longest_feed)?)?;
        if !of_two_lengths {
            let of_a_window = window.length.div(shortest)?.ceil().checked_mul(most_each)?;
            volume = volume.min(ml.mul(Exact::whole(of_a_window)?)?);
        }
        upper = (volume, upper.1, upper.2.add(carried)?);
    }
    if let (true, Dose::Volume { ml, over }) = (high.once, high.dose)
        && (over > shortest || upper.2 > room)
    {
        // Runs that overlap are at most one run without pause, to the end of the last; others do not run for longer
        // than there is time.
        upper.0 = ml.mul(room)?.div(over)?;
        upper.2 = room;
    }
    let mut lower = sums(low, longest, fewest, shortest_feed)?;
    if of_two_lengths && high.start.is_some_and(|s| s < window.start) {
        // The window's end may cut one that takes long, and what runs in may have been short: those count that end in it.
        let room = until(low)?.min(window.length.sub(longest_feed)?).max(Exact::ZERO);
        let ended = room.div(longest)?.floor().checked_mul(least_each)?.min(fewest);
        let whole = sums(low, longest, ended, shortest_feed)?;
        lower = (whole.0, lower.1, whole.2);
    }
    Some([lower, upper])
}

/// `first`, and so many terms in all, each `less` smaller than the one before.
fn arithmetic_series(first: Exact, less: Exact, terms: i128) -> Option<Exact> {
    let n = Exact::whole(terms)?;
    let gaps = n.mul(Exact::whole(terms.checked_sub(1)?)?)?.div(Exact::int(2))?;
    first.mul(n)?.sub(less.mul(gaps)?)
}

/// The least and the most of several readings, and perhaps of nothing. The segments are those of the first
/// that gives the most.
fn between(
    zone: &TimeZone,
    window: &Window,
    (line, or_nothing): (usize, bool),
    (readings, ends_of_loose): (&[Run], Vec<[Sums; 2]>),
    why: &[Why],
    segments: &mut Vec<Segment>,
) -> LineDay {
    let zero = Exact::ZERO;
    let mut all = Vec::with_capacity(readings.len() + 1);
    let mut best: Vec<Segment> = Vec::new();
    let mut most: Option<Exact> = None;
    let mut parts: Vec<(&Run, Option<Exact>, Tally)> = Vec::new();
    for run in readings {
        let mut own = Vec::new();
        let Some(t) = tally(zone, window, line, Some(run), Some(&mut own)) else {
            let unknown = || Amount::unknown(Why::Range);
            return LineDay { volume: unknown(), feeds: unknown(), running: unknown() };
        };
        let volume = t.volume.unwrap_or(zero);
        let carried = own.iter().filter(|s| !s.begins).try_fold(zero, |sum, s| sum.add(s.volume));
        parts.push((run, carried, t));
        if most.is_none_or(|m| volume > m) {
            most = Some(volume);
            best = own;
        }
        all.push((volume, Exact::int(t.feeds), t.seconds.unwrap_or(zero)));
    }
    // A longer feed carries more into a window and leaves more beyond it; between two lengths, one may outweigh
    // the other.
    for (a, carried, t) in &parts {
        for (b, other, u) in &parts {
            let alike = a.occurrences == b.occurrences && a.count == b.count && a.start == b.start && a.end == b.end;
            if !alike || a.dose == b.dose {
                continue;
            }
            let begun = |t: &Tally, carried: &Option<Exact>| t.volume.unwrap_or(zero).sub((*carried)?);
            if let Some(volume) = carried.and_then(|c| c.add(begun(u, other)?)) {
                all.push((volume, Exact::int(t.feeds), t.seconds.unwrap_or(zero)));
            }
        }
    }
    all.extend(ends_of_loose.into_iter().flatten());
    if or_nothing {
        all.push((zero, zero, zero));
    }
    segments.append(&mut best);
    let over_all = |of: &dyn Fn(&(Exact, Exact, Exact)) -> Exact| {
        let low = all.iter().map(of).reduce(Exact::min).unwrap_or(zero);
        let high = all.iter().map(of).reduce(Exact::max).unwrap_or(zero);
        ends(low, high, why)
    };
    LineDay { volume: over_all(&|x| x.0), feeds: over_all(&|x| x.1), running: over_all(&|x| x.2) }
}

fn ends(a: Exact, b: Exact, why: &[Why]) -> Amount {
    let (low, high) = (a.min(b), a.max(b));
    if low == high { Amount::Known(low) } else { Amount::range(low, Some(high), None, why.to_vec()) }
}

/// Whether two volumes differ by more than the tolerance of a cap: the larger of 0.5 % and 1 mL.
pub fn beyond_cap(scheduled: Exact, cap: Exact) -> bool {
    let share = cap.mul(Exact::ratio(5, 1000)).unwrap_or(Exact::ZERO);
    scheduled.sub(cap).is_some_and(|over| over > share.max(Exact::ONE))
}

/// Where the cap lies below the schedule, each capped line becomes a range: from what it has given when the
/// cap is reached to what the schedule says.
///
/// Feeds that would begin after that moment are not certain either.
fn cut(
    (zone, window, lines): (&TimeZone, &Window, &[Line]),
    days: &mut [LineDay],
    segments: &[Segment],
    capped: &[bool],
    cap: Exact,
) -> Result<Option<CapReached>, Overflow> {
    let length = window.length;
    let is_capped = |line: usize| capped.get(line).copied().unwrap_or(false);
    let mut scheduled = Exact::ZERO;
    for s in segments.iter().filter(|s| is_capped(s.line)) {
        scheduled = scheduled.add(s.volume).ok_or(Overflow)?;
    }
    if !beyond_cap(scheduled, cap) {
        return Ok(None);
    }
    let at = reached_at(segments, &is_capped, cap).unwrap_or(length);
    for (ix, day) in days.iter_mut().enumerate() {
        if !is_capped(ix) {
            continue;
        }
        let mut given = Exact::ZERO;
        let mut begun = 0i64;
        for s in segments.iter().filter(|s| s.line == ix) {
            let part = part_before(s, at, cap, segments, &is_capped).ok_or(Overflow)?;
            given = given.add(part).ok_or(Overflow)?;
            begun += i64::from(s.begins && !s.continuous && part.is_positive());
        }
        // Where the least is less than the most, the least may have given less by that moment.
        if let Some(line) = lines.get(ix)
            && (line.low != line.high || line.also.is_some())
        {
            let runs = match (&line.low, &line.high) {
                (Some(low), Some(high)) => [high, line.also.as_ref().unwrap_or(high)]
                    .into_iter()
                    .flat_map(|high| readings(low, high).into_iter().chain(std::iter::once(high.clone())))
                    .collect(),
                _ => Vec::new(),
            };
            let mut least = line.low.is_none().then_some((Exact::ZERO, 0));
            for run in &runs {
                let mut own = Vec::new();
                tally(zone, window, ix, Some(run), Some(&mut own)).ok_or(Overflow)?;
                if own.iter().eq(segments.iter().filter(|s| s.line == ix)) {
                    continue;
                }
                let mut volume = Exact::ZERO;
                for s in own.iter().filter(|s| s.from < at) {
                    volume = part_of(s, at).and_then(|part| volume.add(part)).ok_or(Overflow)?;
                }
                let begun = own.iter().filter(|s| s.from < at && s.begins && !s.continuous).count();
                let feeds = i64::try_from(begun).unwrap_or(0);
                least = Some(least.map_or((volume, feeds), |(v, f)| (v.min(volume), f.min(feeds))));
            }
            if let (Some(low), Some(high), Some((volume, feeds))) = (&line.low, &line.high, least)
                && let Some([(v, f, _), _]) = loose(&Window { length: at, ..*window }, low, high)
            {
                least = Some((volume.min(v), feeds.min(i64::try_from(f.floor()).unwrap_or(0))));
            }
            if let Some(least) = least {
                given = given.min(least.0);
                begun = begun.min(least.1);
            }
        }
        if let (Some(low), Some(high)) = (day.feeds.low(), day.feeds.high())
            && Exact::int(begun) < low
        {
            let why = crate::amount::join(day.feeds.why(), &[Why::CapBelowSchedule]);
            day.feeds = Amount::range(Exact::int(begun), Some(high), None, why);
        }
        if let (Some(low), Some(high)) = (day.volume.low(), day.volume.high()) {
            let low = low.min(given);
            if low != high {
                let mut why = day.volume.why().to_vec();
                if !why.contains(&Why::CapBelowSchedule) {
                    why.push(Why::CapBelowSchedule);
                }
                day.volume = Amount::range(low, Some(high), None, why);
            }
        }
    }
    Ok(Some(CapReached { cap, scheduled, at }))
}

/// The numbers left the range of exact arithmetic.
struct Overflow;

/// As [`cut`], where when the cap is reached cannot be worked out exactly: each line gives from nothing to its
/// schedule. Whole millilitres tell whether the cap is exceeded at all.
fn cut_anywhere(days: &mut [LineDay], capped: &[bool], cap: Exact, length: Exact) -> Option<CapReached> {
    let lines = || capped.iter().enumerate().filter(|(_, is)| **is).map(|(ix, _)| ix);
    let whole: i128 = lines().filter_map(|ix| days.get(ix)?.volume.high()).map(Exact::floor).sum();
    let scheduled = Exact::whole(whole)?;
    if scheduled <= cap {
        return None;
    }
    for ix in lines() {
        let Some(day) = days.get_mut(ix) else { continue };
        for amount in [&mut day.volume, &mut day.feeds] {
            if let Some(high) = amount.high().filter(|h| h.is_positive()) {
                let why = crate::amount::join(amount.why(), &[Why::CapBelowSchedule, Why::Range]);
                *amount = Amount::range(Exact::ZERO, Some(high), None, why);
            }
        }
    }
    Some(CapReached { cap, scheduled, at: length })
}

/// Volume of a segment given before `at`; a feed given at once when the cap is reached gives the rest.
fn part_before(
    s: &Segment,
    at: Exact,
    cap: Exact,
    all: &[Segment],
    is_capped: &impl Fn(usize) -> bool,
) -> Option<Exact> {
    if s.to <= at && !(s.from == s.to && s.from == at) {
        return Some(s.volume);
    }
    if s.from == s.to {
        if s.from > at {
            return Some(Exact::ZERO);
        }
        // Given at once at the very moment: what the cap still allows, first come first served.
        let mut before = Exact::ZERO;
        for other in all.iter().filter(|o| is_capped(o.line)) {
            if std::ptr::eq(other, s) {
                break;
            }
            before = before.add(part_of(other, at)?)?;
        }
        return Some(cap.sub(before)?.max(Exact::ZERO).min(s.volume));
    }
    part_of(s, at)
}

fn part_of(s: &Segment, at: Exact) -> Option<Exact> {
    if s.to <= at {
        return Some(s.volume);
    }
    if s.from >= at {
        return Some(Exact::ZERO);
    }
    s.volume.mul(at.sub(s.from)?)?.div(s.to.sub(s.from)?)
}

fn reached_at(segments: &[Segment], is_capped: &impl Fn(usize) -> bool, cap: Exact) -> Option<Exact> {
    // Walk the moments at which the total rate changes.
    let mut moments: Vec<Exact> = segments.iter().filter(|s| is_capped(s.line)).flat_map(|s| [s.from, s.to]).collect();
    moments.sort_unstable();
    moments.dedup();
    let total_at = |t: Exact, with_bolus: bool| -> Option<Exact> {
        let mut sum = Exact::ZERO;
        for s in segments.iter().filter(|s| is_capped(s.line)) {
            let part = if s.from == s.to {
                if s.from < t || (with_bolus && s.from == t) { s.volume } else { Exact::ZERO }
            } else {
                part_of(s, t)?
            };
            sum = sum.add(part)?;
        }
        Some(sum)
    };
    let mut previous: Option<Exact> = None;
    for t in moments {
        let before = total_at(t, false)?;
        if before >= cap {
            let from = previous?;
            let base = total_at(from, true)?;
            let per = before.sub(base)?;
            // Linear between two moments.
            return cap.sub(base)?.mul(t.sub(from)?)?.div(per)?.add(from);
        }
        if total_at(t, true)? >= cap {
            return Some(t);
        }
        previous = Some(t);
    }
    None
}

/// Days after which every line repeats itself, with the clock; `None` beyond [`MAX_CYCLE`] days.
pub fn cycle_days(lines: &[Line]) -> Option<i128> {
    let mut cycle: i128 = 1;
    for run in lines.iter().flat_map(Line::readings) {
        let (days, weekdays) = match &run.occurrences {
            Occurrences::Continuous | Occurrences::Listed(_) => (1, 0),
            Occurrences::Every { step, weekdays, .. } => {
                if run.start.is_none() {
                    (1, *weekdays)
                } else {
                    (step.div(Exact::int(DAY))?.parts().0, *weekdays)
                }
            }
            Occurrences::Clock { interval, weekdays, .. } => (i128::from(*interval), *weekdays),
        };
        cycle = lcm(cycle, days)?;
        if weekdays != 0 {
            cycle = lcm(cycle, 7)?;
        }
        if cycle > MAX_CYCLE {
            return None;
        }
    }
    Some(cycle)
}

fn lcm(a: i128, b: i128) -> Option<i128> {
    let (mut x, mut y) = (a, b);
    while y != 0 {
        (x, y) = (y, x % y);
    }
    if x == 0 { None } else { (a / x).checked_mul(b) }
}

/// The steady day: one window where every day is alike; over a cycle, the range of its days with the mean.
///
/// `cap` as in [`lay`], for a day of 24 h.
pub fn steady(zone: &TimeZone, first: Window, lines: &[Line], capped: &[bool], cap: Option<Exact>) -> Laid {
    let mut laid = lay(zone, first, lines, capped, cap);
    let days = match cycle_days(lines) {
        Some(1) => return laid,
        Some(n) => n,
        None => {
            // Together they repeat too late; each line may do so earlier, unless a cap binds them together.
            let bound = cap.is_some() && capped.iter().any(|c| *c);
            for (day, line) in laid.lines.iter_mut().zip(lines) {
                let own = std::slice::from_ref(line);
                let cycle = cycle_days(own);
                if cycle == Some(1) && !bound {
                    continue;
                }
                if let (Some(_), false) = (cycle, bound) {
                    let alone = steady(zone, first, own, &[false], None);
                    if let Some(merged) = alone.lines.into_iter().next() {
                        *day = merged;
                    }
                } else {
                    let why =
                        vec![Why::Schedule(format!("the schedule repeats only after more than {MAX_CYCLE} days"))];
                    *day = LineDay {
                        volume: Amount::Unknown(why.clone()),
                        feeds: Amount::Unknown(why.clone()),
                        running: Amount::Unknown(why),
                    };
                }
            }
            return laid;
        }
    };
    let mut all: Vec<Vec<LineDay>> = vec![laid.lines.clone()];
    // At whatever time of day, the mean over the cycle is the same.
    let any_time = laid.cap.is_none() && lines.iter().any(|l| !l.untimed.is_empty());
    let mut as_laid: Vec<Vec<Amount>> = Vec::new();
    let mut keep = |window: &Window| {
        let volume = |(ix, line)| lay_line(zone, window, ix, line, &mut Vec::new()).volume;
        as_laid.push(lines.iter().enumerate().map(volume).collect());
    };
    if any_time {
        keep(&first);
    }
    for k in 1..days {
        let Some(window) = i64::try_from(k).ok().and_then(|k| first.later(k)) else { break };
        let next = lay(zone, window, lines, capped, cap);
        if any_time {
            keep(&window);
        }
        if laid.cap.is_none() {
            laid.cap = next.cap;
        }
        all.push(next.lines);
    }
    for ix in 0..lines.len() {
        let pick = |f: &dyn Fn(&LineDay) -> &Amount| spread(all.iter().filter_map(|d| d.get(ix)).map(f));
        let mut merged =
            LineDay { volume: pick(&|d| &d.volume), feeds: pick(&|d| &d.feeds), running: pick(&|d| &d.running) };
        if laid.cap.is_none() && lines.get(ix).is_some_and(|l| !l.untimed.is_empty()) {
            let mean = spread(as_laid.iter().filter_map(|d| d.get(ix)));
            let mean = mean.known().or(mean.mean());
            if let (Some(low), Some(high), Some(_)) = (merged.volume.low(), merged.volume.high(), mean)
                && low < high
            {
                let why = merged.volume.why().to_vec();
                merged.volume = Amount::range(low, Some(high), mean, why);
            }
        }
        if let Some(day) = laid.lines.get_mut(ix) {
            *day = merged;
        }
    }
    laid
}

/// The range that holds all of these, with their mean when each is exact.
fn spread<'a>(amounts: impl Iterator<Item = &'a Amount>) -> Amount {
    let mut low: Option<Exact> = None;
    let mut high: Option<Exact> = None;
    let mut open = false;
    let mut sum = Some(Exact::ZERO);
    let mut n = 0i64;
    let mut why: Vec<Why> = Vec::new();
    for a in amounts {
        let Some(l) = a.low() else { return a.clone() };
        low = Some(low.map_or(l, |x| x.min(l)));
        match a.high() {
            Some(h) => high = Some(high.map_or(h, |x| x.max(h))),
            None => open = true,
        }
        sum = sum.and_then(|s| s.add(a.known()?));
        n += 1;
        why = crate::amount::join(&why, a.why());
    }
    let (Some(low), high) = (low, high) else { return Amount::ZERO };
    if !open && high == Some(low) {
        return Amount::Known(low);
    }
    why.insert(0, Why::Spread("the schedule does not repeat every day".to_owned()));
    Amount::range(low, if open { None } else { high }, sum.and_then(|s| s.div(Exact::int(n))), why)
}

/// The same window, or one up to three days later: the first that gives at most what the day one cycle later gives. A feed of
/// the evening before that runs across the feeding-day hour is missing in a window that begins before the first of
/// these feeds. `None` where nothing has to be looked at, or no such window is found.
fn settled(zone: &TimeZone, first: Window, lines: &[Line]) -> Option<Window> {
    let runs = || lines.iter().filter_map(|l| l.high.as_ref());
    // On civil days the night before may also have been longer or shorter than others.
    let timed = |r: &Run| {
        (r.start.is_some() || first.civil) && matches!(r.dose, Dose::Volume { over, .. } if over.is_positive())
    };
    if !runs().any(timed) {
        return None;
    }
    let usual = |day: &Window| !day.civil || day.length == Exact::int(DAY);
    let cycle = i64::try_from(cycle_days(lines)?).ok()?;
    // Where the time of day of a feed is not known, the least of the first day tells that it may be cut.
    let most = |w: Window| -> Vec<(Option<Exact>, Option<Exact>)> {
        let capped = vec![false; lines.len()];
        let days = lay(zone, w, lines, &capped, None).lines;
        let of =
            |(day, line): (&LineDay, &Line)| (day.volume.high(), day.volume.low().filter(|_| !line.untimed.is_empty()));
        days.iter().zip(lines).map(of).collect()
    };
    for later in 0..=3 {
        let (day, next) = if later == 0 {
            (first, first.following(zone, cycle)?)
        } else {
            (first.following(zone, later)?, first.following(zone, later.checked_add(cycle)?)?)
        };
        if runs().filter_map(|r| r.end).any(|end| end < next.end()) {
            return None;
        }
        if usual(&day) && most(day) == most(next) {
            return Some(day);
        }
    }
    None
}

/// The window of the steady day: 24 elapsed hours from the first start of a feeding day at or after the last
/// step; where the order ends before that day is over, 24 h from the last step, if they fit.
pub fn steady_window(
    zone: &TimeZone,
    kind: DayKind,
    day_start: u32,
    lines: &[Line],
    order_start: Exact,
) -> Result<Window, Why> {
    let ended = |l: &&Line| l.high.as_ref().is_some();
    let last_start = lines.iter().filter_map(|l| l.high.as_ref().and_then(|h| h.start)).fold(order_start, Exact::max);
    let feeding_day = {
        let local = to_local(zone, last_start);
        let days = i64::try_from(local.floor()).unwrap_or(0).div_euclid(DAY);
        let at = |d: i64| d.saturating_mul(DAY).saturating_add(i64::from(day_start));
        let d = if Exact::int(at(days)) >= local { days } else { days.saturating_add(1) };
        match kind {
            DayKind::Civil => {
                let day = Window::civil(zone, d, day_start);
                // The day on which clocks change is like no other.
                let usual = day.length == Exact::int(DAY);
                if usual { day } else { Window::civil(zone, d.saturating_add(1), day_start) }
            }
            DayKind::Elapsed => Window::elapsed(zone, to_epoch(zone, Exact::int(at(d)))),
        }
    };
    // What still runs when a window begins must run through the whole of it.
    let runs_through = |w: &Window| {
        lines
            .iter()
            .filter(ended)
            .filter_map(|l| l.high.as_ref().and_then(|h| h.end))
            .all(|e| e <= w.start || e >= w.end())
    };
    let counted = lines
        .iter()
        .any(|l| l.high.as_ref().is_some_and(|h| h.count.is_some() || matches!(h.occurrences, Occurrences::Listed(_))));
    if counted {
        return Err(Why::NoSuchDay("the order is for a stated number of feeds, not for every day"));
    }
    // Flushes that go on when the feed is over make no day of feeding.
    let over = |l: &Line| l.high.as_ref().is_some_and(|h| h.end.is_some_and(|e| e <= feeding_day.start));
    let any_entry = lines.iter().any(|l| l.administration.is_some());
    let all_over = !lines.is_empty() && lines.iter().filter(|l| l.administration.is_some() || !any_entry).all(over);
    if runs_through(&feeding_day) && !all_over {
        return Ok(settled(zone, feeding_day, lines).unwrap_or(feeding_day));
    }
    let from_step = Window::elapsed(zone, last_start);
    if runs_through(&from_step) {
        return Ok(from_step);
    }
    Err(Why::NoSuchDay("the order ends before a whole day at its last step is over"))
}
