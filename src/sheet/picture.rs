//! The day as a drawing and as a table: the same segments twice. Coordinates are numbers of a picture 900 wide; a page
//! only puts them into elements.

use super::words::{length, moment, per_hour};
use super::{MOST_ROWS, Word, seen};
use crate::exact::Exact;
use crate::nutrition::feeds::{hangs_on, joined_among};
use crate::nutrition::plan::{Kind, Plan, Source};
use crate::nutrition::totals::OrderDay;
use crate::timing::calendar::DAY;
use crate::timing::calendar::clock;
use crate::timing::day::Segment;
use crate::timing::schedule::Line;
use jiff::tz::TimeZone;
use serde::{Deserialize, Serialize};

/// Width of the picture.
pub const WIDTH: i64 = 900;
const LEFT: i64 = 44;
const RIGHT: i64 = 14;
const TOP: i64 = 6;
/// Height of a lane's name, of the amounts above the bars, and of the bars.
const NAME: i64 = 17;
const AMOUNTS: i64 = 13;
const BARS: i64 = 34;
const GAP: i64 = 12;
const CURVE: i64 = 110;
/// Most bars of one picture; beyond that it would be black.
const MOST_BARS: usize = 600;
/// Most container changes that are marked.
const MOST_CHANGES: usize = 24;

/// A rectangle.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Bar {
    /// Left, top, width and height.
    pub x: String,
    /// Top.
    pub y: String,
    /// Width.
    pub w: String,
    /// Height.
    pub h: String,
    /// `run`, `feed` or `water`; with ` beyond` after the maximum is reached.
    pub class: Word,
    /// In words, for who points at it.
    pub title: String,
}

/// A text at a place.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Label {
    /// Where.
    pub x: String,
    /// Baseline.
    pub y: String,
    /// What.
    pub text: String,
    /// `start`, `middle` or `end`.
    pub anchor: Word,
}

/// A line of the drawing.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Stroke {
    /// From.
    pub x1: String,
    /// From.
    pub y1: String,
    /// To.
    pub x2: String,
    /// To.
    pub y2: String,
    /// `hour`, `base`, `maximum` (reached), `limit` (a maximum that is not), `change`, `pause` or `axis`.
    pub class: Word,
}

/// A row of the table.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Row {
    /// Clock time it begins.
    pub from: String,
    /// Clock time it ends; empty for what is given at once.
    pub to: String,
    /// What.
    pub what: String,
    /// How: a rate, at once, or over how long.
    pub how: String,
    /// mL.
    pub volume: String,
    /// mL of feed since the day began.
    pub sum: String,
}

/// Drawing and table of one day.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Picture {
    /// Height.
    pub height: i64,
    /// In words.
    pub caption: String,
    /// Rectangles; none where there are too many to draw.
    pub bars: Vec<Bar>,
    /// Names of lanes.
    pub names: Vec<Label>,
    /// Amounts and hours.
    pub labels: Vec<Label>,
    /// Lines.
    pub strokes: Vec<Stroke>,
    /// Points of the sum of feed, of the sum as it would go on beyond the maximum, and of all water and feed.
    pub curve: String,
    /// The part of it beyond the maximum.
    pub beyond: String,
    /// Table.
    pub rows: Vec<Row>,
    /// Rows left out.
    pub left_out: usize,
    /// When the maximum is reached, in words.
    pub maximum: Option<String>,
    /// When a pump pauses between two runs of a feed: clock times, and how long.
    #[serde(default)]
    pub pauses: Vec<String>,
    /// Container changes in words, or why none is marked.
    pub changes: String,
    /// Why the drawing shows only one of several readings.
    pub reading: Option<String>,
}

/// What is given of one thing; the steps of a feed share a lane.
struct Lane<'p> {
    kind: Kind,
    content: usize,
    segments: Vec<&'p Segment>,
    name: String,
}

fn text(x: Exact) -> String {
    x.rounded(1)
}

fn units(x: i64) -> Exact {
    Exact::int(x)
}

/// `part` of `whole`, times `scale`.
fn share(part: Exact, whole: Exact, scale: i64) -> Exact {
    part.mul(units(scale)).and_then(|x| x.div(whole)).unwrap_or(Exact::ZERO)
}

/// Drawing and table of a day; `None` where nothing with a time is given.
pub fn draw(zone: &TimeZone, plan: &Plan, day: &OrderDay) -> Option<Picture> {
    let laid = &day.laid;
    let window = laid.window;
    let mut lanes: Vec<Lane<'_>> = Vec::new();
    for part in &plan.parts {
        let Source::Line(line) = part.source else { continue };
        let segments = laid.segments.iter().filter(|s| s.line == line);
        match lanes.iter_mut().find(|l| l.kind == part.kind && l.content == part.content) {
            Some(lane) => lane.segments.extend(segments),
            None => {
                let name = plan.contents.get(part.content).map_or_else(String::new, |c| seen(&c.label));
                lanes.push(Lane { kind: part.kind, content: part.content, segments: segments.collect(), name });
            }
        }
    }
    lanes.retain(|lane| !lane.segments.is_empty());
    lanes.iter_mut().for_each(|lane| lane.segments.sort_by_key(|s| (s.from, s.to)));
    if lanes.is_empty() {
        return None;
    }
    let at = |x: Exact| window.local.add(x).unwrap_or(window.local);
    let inner = WIDTH - LEFT - RIGHT;
    let across = |t: Exact| units(LEFT).add(share(t, window.length, inner)).unwrap_or(units(LEFT));
    let reached = laid.cap;
    let capped = |line: usize| plan.capped.get(line).copied().unwrap_or(false);
    let mut p = Picture {
        height: 0,
        caption: String::new(),
        bars: Vec::new(),
        names: Vec::new(),
        labels: Vec::new(),
        strokes: Vec::new(),
        curve: String::new(),
        beyond: String::new(),
        rows: Vec::new(),
        left_out: 0,
        maximum: reached.map(|r| {
            let when = window.start.add(r.at).map_or_else(String::new, |x| moment(zone, x));
            format!(
                "The maximum of {} mL is reached at {when}; the schedule would give {} mL.",
                r.cap.short(1),
                r.scheduled.short(1)
            )
        }),
        pauses: Vec::new(),
        changes: String::new(),
        reading: {
            let mut remarks = Vec::new();
            // What has no upper end has no place in a drawing.
            let without_end = |line: &Line| line.high.is_none() && !line.is_exact();
            if plan.lines.iter().any(without_end) {
                remarks.push("Part of the order could not be worked out and is not drawn: this is the least.");
            } else if !plan.lines.iter().all(Line::is_exact) {
                remarks.push(
                    "Drawn is the most that the order allows; it leaves room for less. The table of totals gives both.",
                );
            }
            if plan.parts.iter().any(|part| matches!(part.source, Source::WithFeeds { .. })) {
                remarks.push("Water given with each feed has no time of its own and is not drawn.");
            }
            if laid.segments.len() > MOST_BARS {
                remarks.push("There is too much in this day to be drawn; the table has it.");
            }
            (!remarks.is_empty()).then(|| remarks.join(" "))
        },
    };
    let rate_of = |s: &Segment| s.to.sub(s.from).filter(|d| d.is_positive()).and_then(|d| s.volume.div(d));
    let highest = laid.segments.iter().filter(|s| s.continuous).filter_map(rate_of).fold(Exact::ZERO, Exact::max);
    let mut y = TOP;
    let drawable = laid.segments.len() <= MOST_BARS;
    for lane in &lanes {
        let what = if lane.kind == Kind::Flush { "water" } else { "feed" };
        let name: String = lane.name.chars().take(60).collect();
        let name =
            if what == "water" && name.to_lowercase().contains("water") { name } else { format!("{what}: {name}") };
        p.names.push(Label { x: LEFT.to_string(), y: (y + 12).to_string(), text: name, anchor: "start".into() });
        let base = y + NAME + AMOUNTS + BARS;
        p.strokes.push(Stroke {
            x1: LEFT.to_string(),
            y1: base.to_string(),
            x2: (WIDTH - RIGHT).to_string(),
            y2: base.to_string(),
            class: "base".into(),
        });
        let mut free_from = units(LEFT - 20);
        for s in lane.segments.iter().filter(|_| drawable) {
            let rate = rate_of(s);
            let tall = match (rate, s.continuous) {
                (Some(rate), true) if highest.is_positive() => {
                    share(rate, highest, BARS - 8).add(units(8)).unwrap_or(units(BARS))
                }
                _ if lane.kind == Kind::Flush => units(BARS / 2),
                _ => units(BARS),
            };
            let top = units(base).sub(tall).unwrap_or(units(base));
            let title = format!(
                "{} to {}: {} mL{}",
                clock(at(s.from)),
                clock(at(s.to)),
                s.volume.short(1),
                rate.map_or_else(|| " at once".to_owned(), |r| format!(" at {}", per_hour(r)))
            );
            let cut = reached.filter(|_| capped(s.line)).map(|r| r.at);
            let mut put = |from: Exact, to: Exact, beyond: bool| {
                let (a, b) = (across(from), across(to));
                // What takes no time, or little, is still to be seen.
                let wide = b.sub(a).unwrap_or(Exact::ZERO).max(units(4));
                let class = match (lane.kind, s.continuous, beyond) {
                    (Kind::Flush, _, false) => "water",
                    (Kind::Flush, _, true) => "water beyond",
                    (Kind::Feed, true, false) => "run",
                    (Kind::Feed, true, true) => "run beyond",
                    (Kind::Feed, false, false) => "feed",
                    (Kind::Feed, false, true) => "feed beyond",
                };
                p.bars.push(Bar {
                    x: text(a),
                    y: text(top),
                    w: text(wide),
                    h: text(tall),
                    class: class.into(),
                    title: title.clone(),
                });
            };
            match cut {
                Some(c) if c <= s.from && s.from < s.to || cut.is_some_and(|c| c < s.from) => put(s.from, s.to, true),
                Some(c) if c < s.to => {
                    put(s.from, c, false);
                    put(c, s.to, true);
                }
                _ => put(s.from, s.to, false),
            }
            let label = match rate.filter(|_| s.continuous) {
                Some(rate) => per_hour(rate),
                None => s.volume.short(0),
            };
            let start = across(s.from);
            let need = i64::try_from(label.chars().count()).unwrap_or(0) * 7 + 6;
            if start >= free_from {
                let y = units(base).sub(tall).and_then(|t| t.sub(units(3))).unwrap_or(top);
                p.labels.push(Label { x: text(start), y: text(y), text: label, anchor: "start".into() });
                free_from = start.add(units(need)).unwrap_or(start);
            }
        }
        if drawable {
            pauses(&mut p, lane, &at, &across, base);
        }
        y = base + GAP;
    }
    rows(&mut p, &lanes, &at, &rate_of);
    changes(&mut p, plan, &lanes, &at, &across);
    // A maximum for another time than a day is no line of the day's sum.
    let stated = plan.cap.filter(|c| c.period == Exact::int(DAY) && reached.is_none()).map(|c| c.per_day);
    y = curve(&mut p, &lanes, (reached.map(|r| (r.cap, r.at)), stated), &across, y, window.length);
    // Hours: every third of a day of 24.
    for k in 0..=8 {
        let t = window.length.mul(Exact::ratio(k, 8)).unwrap_or(Exact::ZERO);
        let x = text(across(t));
        p.strokes.insert(
            0,
            Stroke { x1: x.clone(), y1: TOP.to_string(), x2: x.clone(), y2: y.to_string(), class: "hour".into() },
        );
        let anchor = match k {
            8 => "end",
            _ => "middle",
        };
        let x = if k == 8 { (WIDTH - 2).to_string() } else { x };
        p.labels.push(Label { x, y: (y + 15).to_string(), text: clock(at(t)), anchor: anchor.into() });
    }
    if let Some(r) = reached {
        let x = text(across(r.at));
        p.strokes.push(Stroke {
            x1: x.clone(),
            y1: TOP.to_string(),
            x2: x,
            y2: y.to_string(),
            class: "maximum".into(),
        });
    }
    p.height = y + 22;
    let names: Vec<&str> = p.names.iter().map(|n| n.text.as_str()).collect();
    p.caption =
        format!("One day from {} to {}: {}.", clock(at(Exact::ZERO)), clock(at(window.length)), names.join("; "));
    Some(p)
}

/// How long a feed runs for it to be a run of the pump, and no single feed: common practice, no source.
const RUN: i64 = 2 * 3600;

/// Where a pump pauses between two runs of a feed: a dashed line, with how long where there is room.
fn pauses(p: &mut Picture, lane: &Lane<'_>, at: &dyn Fn(Exact) -> Exact, across: &dyn Fn(Exact) -> Exact, base: i64) {
    if lane.kind != Kind::Feed {
        return;
    }
    // What goes on without a gap is one run, whatever it is made up of.
    let mut runs: Vec<(Exact, Exact)> = Vec::new();
    for s in lane.segments.iter().filter(|s| s.from < s.to) {
        match runs.last_mut() {
            Some((_, until)) if s.from <= *until => *until = s.to.max(*until),
            _ => runs.push((s.from, s.to)),
        }
    }
    let long = |(from, to): (Exact, Exact)| to.sub(from).is_some_and(|lasts| lasts >= units(RUN));
    for pair in runs.windows(2) {
        if let [before, after] = *pair
            && long(before)
            && long(after)
        {
            let (from, to) = (before.1, after.0);
            let (a, b) = (across(from), across(to));
            let lasts = to.sub(from).unwrap_or(Exact::ZERO);
            let y = (base - 8).to_string();
            p.strokes.push(Stroke { x1: text(a), y1: y.clone(), x2: text(b), y2: y, class: "pause".into() });
            p.pauses.push(format!("{} to {} ({})", clock(at(from)), clock(at(to)), length(lasts)));
            let words = format!("pause {}", length(lasts));
            let need = i64::try_from(words.chars().count()).unwrap_or(0) * 7;
            if b.sub(a).is_some_and(|room| room >= units(need)) {
                let middle = a.add(b).and_then(|x| x.div(units(2))).unwrap_or(a);
                p.labels.push(Label {
                    x: text(middle),
                    y: (base - 12).to_string(),
                    text: words,
                    anchor: "middle".into(),
                });
            }
        }
    }
}

/// The table, in order of time.
fn rows(p: &mut Picture, lanes: &[Lane<'_>], at: &dyn Fn(Exact) -> Exact, rate_of: &dyn Fn(&Segment) -> Option<Exact>) {
    let mut all: Vec<(&Lane<'_>, &Segment)> =
        lanes.iter().flat_map(|lane| lane.segments.iter().map(move |s| (lane, *s))).collect();
    all.sort_by_key(|(_, s)| (s.from, s.to));
    let mut sum = Exact::ZERO;
    p.left_out = all.len().saturating_sub(MOST_ROWS);
    for (lane, s) in all.into_iter().take(MOST_ROWS) {
        let feed = lane.kind == Kind::Feed;
        if feed {
            sum = sum.add(s.volume).unwrap_or(sum);
        }
        let lasts = s.to.sub(s.from).unwrap_or(Exact::ZERO);
        let how = match rate_of(s) {
            None => "time it takes not stated".to_owned(),
            Some(rate) if s.continuous => per_hour(rate),
            Some(rate) => format!("over {} ({})", length(lasts), per_hour(rate)),
        };
        p.rows.push(Row {
            from: clock(at(s.from)),
            to: if lasts.is_positive() { clock(at(s.to)) } else { String::new() },
            what: if feed { lane.name.clone() } else { format!("{} (flush)", lane.name) },
            how,
            volume: s.volume.short(1),
            sum: if feed { sum.short(1) } else { String::new() },
        });
    }
}

/// Where the next container begins, were each used up whole: in words for every size, and drawn where there is only one.
fn changes(
    p: &mut Picture,
    plan: &Plan,
    lanes: &[Lane<'_>],
    at: &dyn Fn(Exact) -> Exact,
    across: &dyn Fn(Exact) -> Exact,
) {
    let (mut words, mut used_up) = (Vec::new(), false);
    let mut contents: Vec<usize> = lanes.iter().filter(|l| l.kind == Kind::Feed).map(|l| l.content).collect();
    contents.dedup();
    for ix in contents {
        let Some(content) = plan.contents.get(ix) else { continue };
        let name = seen(&content.label);
        if content.containers.is_empty() {
            words.push(format!("{name}: not marked, no container size is stated"));
            continue;
        }
        let mut of: Vec<&Segment> = lanes
            .iter()
            .filter(|l| l.content == ix && l.kind == Kind::Feed)
            .flat_map(|l| l.segments.iter().copied())
            .collect();
        // As the hang time is reckoned: a single feed has a container of its own.
        let of_its_own = of.len();
        let pieces = joined_among(plan, of.iter().copied(), Exact::int(DAY), ix);
        of.retain(|s| pieces.contains(&s.line) || plan.lines.get(s.line).is_some_and(hangs_on));
        if of.is_empty() {
            words.push(format!("{name}: a container for each feed"));
            continue;
        }
        used_up = true;
        of.sort_by_key(|s| (s.from, s.to));
        let sizes: Vec<String> = content
            .containers
            .iter()
            .map(|size| {
                let times = emptied(&of, *size);
                if content.containers.len() == 1 {
                    p.strokes.extend(times.iter().map(|t| change_at(text(across(*t)))));
                }
                let list: Vec<String> = times.iter().map(|t| clock(at(*t))).collect();
                match list.as_slice() {
                    [] => format!("one container of {} mL lasts the day", size.short(0)),
                    list => format!("a new container of {} mL at {}", size.short(0), list.join(", ")),
                }
            })
            .collect();
        let several = if sizes.len() > 1 { " (not drawn: which size hangs is not known)" } else { "" };
        let others = if of.len() < of_its_own { ", and one for each single feed" } else { "" };
        words.push(format!("{name}: {}{several}{others}", sizes.join("; or ")));
    }
    let whole = if used_up { ", if each is used up whole" } else { "" };
    p.changes = format!("Containers{whole}: {}.", words.join("; "));
}

/// When containers of one size are empty before the day is over.
fn emptied(of: &[&Segment], size: Exact) -> Vec<Exact> {
    let (mut given, mut next) = (Exact::ZERO, size);
    let mut times = Vec::new();
    for s in of {
        let Some(end) = given.add(s.volume) else { break };
        while next < end && times.len() < MOST_CHANGES && size.is_positive() {
            let into = next.sub(given).unwrap_or(Exact::ZERO);
            let lasts = s.to.sub(s.from).unwrap_or(Exact::ZERO);
            times.push(into.mul(lasts).and_then(|x| x.div(s.volume)).and_then(|x| s.from.add(x)).unwrap_or(s.from));
            next = match next.add(size) {
                Some(x) => x,
                None => break,
            };
        }
        given = end;
    }
    times
}

fn change_at(x: String) -> Stroke {
    Stroke {
        x1: x.clone(),
        y1: (TOP + NAME).to_string(),
        x2: x,
        y2: (TOP + NAME + AMOUNTS + BARS).to_string(),
        class: "change".into(),
    }
}

/// The sum of feed over the day, beside the maximum of the day: reached at a moment, or only stated. Gives the bottom.
fn curve(
    p: &mut Picture,
    lanes: &[Lane<'_>],
    (reached, stated): (Option<(Exact, Exact)>, Option<Exact>),
    across: &dyn Fn(Exact) -> Exact,
    top: i64,
    end: Exact,
) -> i64 {
    let of: Vec<&Segment> =
        lanes.iter().filter(|l| l.kind == Kind::Feed).flat_map(|l| l.segments.iter().copied()).collect();
    let bottom = top + NAME + CURVE;
    if of.is_empty() || of.len() > MOST_BARS {
        return top;
    }
    let mut moments: Vec<Exact> =
        of.iter().flat_map(|s| [s.from, s.to]).chain([Exact::ZERO, end]).chain(reached.map(|r| r.1)).collect();
    moments.sort_unstable();
    moments.dedup();
    let given = |t: Exact, at_once: bool| {
        of.iter().fold(Exact::ZERO, |sum, s| {
            let part = if s.to <= t && (s.from < s.to || s.from < t || at_once) {
                s.volume
            } else if s.from >= t {
                Exact::ZERO
            } else {
                let lasts = s.to.sub(s.from).unwrap_or(Exact::ONE);
                t.sub(s.from).and_then(|x| s.volume.mul(x)).and_then(|x| x.div(lasts)).unwrap_or(Exact::ZERO)
            };
            sum.add(part).unwrap_or(sum)
        })
    };
    let total = given(end, true);
    // One far above what is ordered would leave the sum flat.
    let near = |cap: &Exact| total.mul(units(3)).is_some_and(|far| *cap <= far);
    let maximum = reached.map(|(cap, _)| cap).or(stated.filter(near));
    let most = maximum.map_or(total, |cap| total.max(cap));
    if !most.is_positive() {
        return top;
    }
    let height = |v: Exact| units(bottom).sub(share(v, most, CURVE - 14)).unwrap_or(units(bottom));
    let (mut before, mut after) = (Vec::new(), Vec::new());
    for t in moments {
        let x = text(across(t));
        for at_once in [false, true] {
            let point = format!("{x},{}", text(height(given(t, at_once))));
            match reached {
                Some((_, cut)) if t > cut => after.push(point),
                Some((_, cut)) if t == cut => {
                    before.push(point.clone());
                    after.push(point);
                }
                _ => before.push(point),
            }
        }
    }
    before.dedup();
    after.dedup();
    p.curve = before.join(" ");
    p.beyond = after.join(" ");
    p.names.push(Label {
        x: LEFT.to_string(),
        y: (top + 12).to_string(),
        text: "feed since the day began, mL".to_owned(),
        anchor: "start".into(),
    });
    let edge = |y: Exact, class: &'static str| Stroke {
        x1: LEFT.to_string(),
        y1: text(y),
        x2: (WIDTH - RIGHT).to_string(),
        y2: text(y),
        class: class.into(),
    };
    p.strokes.push(edge(units(bottom), "base"));
    p.strokes.push(edge(height(total), "axis"));
    let beside = |v: Exact, words: String| Label {
        x: (LEFT - 5).to_string(),
        y: text(height(v).add(units(4)).unwrap_or(Exact::ZERO)),
        text: words,
        anchor: "end".into(),
    };
    p.labels.push(beside(total, total.short(0)));
    p.labels.push(beside(Exact::ZERO, "0".to_owned()));
    if let Some(cap) = maximum {
        p.strokes.push(edge(height(cap), if reached.is_some() { "maximum" } else { "limit" }));
        p.labels.push(Label {
            x: (LEFT + 6).to_string(),
            y: text(height(cap).sub(units(4)).unwrap_or(Exact::ZERO)),
            text: format!("maximum {} mL{}", cap.short(0), if reached.is_none() { ", not reached" } else { "" }),
            anchor: "start".into(),
        });
    }
    bottom
}
