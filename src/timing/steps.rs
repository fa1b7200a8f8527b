//! Which lines are steps of one feed. Entries that differ only by when they start (and by how much they
//! give) replace one another; all others add up. [`crate::assumptions::Assumption::StepsOfOneFeed`].

use crate::amount::Why;
use crate::exact::Exact;
use crate::timing::schedule::{Dose, Line, Occurrences, Run};

/// What [`settle`] did.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Settled {
    /// Groups of line indexes that are steps of one feed, in order of start; only groups of two or more.
    pub steps: Vec<Vec<usize>>,
    /// Groups of line indexes of one feed that follow each other, in order of start, whether each ends where the next begins
    /// or its end is stated within an hour of that; only groups of two or more. Holds those of `steps`.
    pub advances: Vec<Vec<usize>>,
    /// Pairs of lines that run at the same time and add up although both are pump rates: (first, second).
    pub overlaps: Vec<(usize, usize)>,
    /// Gaps of more than an hour between one line's end and the next line's start: (before, after, seconds).
    pub gaps: Vec<(usize, usize, Exact)>,
    /// Lines with the same start and the same shape: given twice.
    pub doubled: Vec<(usize, usize)>,
    /// Lines without an end that begin later than another without an end, are no step of it and add up: (earlier, later).
    pub added: Vec<(usize, usize)>,
}

/// Ends each step where the next begins. `same_product(i, j)` says whether two lines give the same thing.
pub fn settle(lines: &mut [Line], same_product: impl Fn(usize, usize) -> bool) -> Settled {
    let mut out = Settled::default();
    let n = lines.len();
    let mut grouped = vec![false; n];
    for i in 0..n {
        if grouped.get(i).copied().unwrap_or(true) {
            continue;
        }
        let mut group = vec![i];
        for j in i + 1..n {
            if grouped.get(j).copied().unwrap_or(true) || !same_product(i, j) {
                continue;
            }
            if let (Some(a), Some(b)) = (lines.get(i), lines.get(j))
                && same_shape(a, b)
            {
                group.push(j);
            }
        }
        if group.len() < 2 {
            continue;
        }
        for k in &group {
            if let Some(g) = grouped.get_mut(*k) {
                *g = true;
            }
        }
        // Two timings of one entry are its union: beside them nothing is a step either.
        let mut entries: Vec<_> = group.iter().filter_map(|k| lines.get(*k).and_then(|l| l.administration)).collect();
        entries.sort_unstable();
        entries.dedup();
        if entries.len() != group.len() {
            continue;
        }
        group.sort_by_key(|k| lines.get(*k).and_then(|l| l.start));
        let mut starts: Vec<Option<Exact>> = group.iter().map(|k| lines.get(*k).and_then(|l| l.start)).collect();
        starts.dedup();
        if starts.len() != group.len() {
            // Two of them start together: they cannot replace one another. They add up, and it is said.
            for pair in group.windows(2) {
                if let [a, b] = pair
                    && lines.get(*a).map(|l| l.start) == lines.get(*b).map(|l| l.start)
                {
                    out.doubled.push((*a, *b));
                }
            }
            continue;
        }
        for pair in group.windows(2) {
            if let [a, b] = pair {
                let next = lines.get(*b).and_then(|l| l.start);
                if let Some(line) = lines.get_mut(*a) {
                    for run in [&mut line.low, &mut line.least, &mut line.also, &mut line.high].into_iter().flatten() {
                        run.end = match (run.end, next) {
                            (Some(e), Some(s)) => Some(e.min(s)),
                            (e, s) => e.or(s),
                        };
                    }
                    line.end = line.end.or(next);
                }
            }
        }
        out.steps.push(group);
    }
    neighbours(lines, &same_product, &mut out);
    later_beside(lines, &same_product, &mut out);
    follow(lines, &same_product, &mut out);
    out
}

/// Lines of one feed and of one kind, each of which ends within an hour of where the next begins.
fn follow(lines: &[Line], same_product: &impl Fn(usize, usize) -> bool, out: &mut Settled) {
    if lines.iter().filter(|l| l.administration.is_some()).nth(1).is_none() {
        return;
    }
    let hour = Exact::int(3600);
    let mut order: Vec<usize> =
        (0..lines.len()).filter(|i| lines.get(*i).is_some_and(|l| l.administration.is_some())).collect();
    order.sort_by_key(|k| lines.get(*k).and_then(|l| l.start));
    let follows = |i: usize, j: usize| {
        let (Some(a), Some(b)) = (lines.get(i), lines.get(j)) else { return false };
        let (Some(x), Some(y)) = (&a.high, &b.high) else { return false };
        let apart = x.end.or(a.end).zip(b.start).and_then(|(end, start)| start.sub(end)).map(Exact::abs);
        a.administration != b.administration
            && apart.is_some_and(|s| s <= hour)
            && a.start.is_none_or(|s| b.start.is_some_and(|next| s < next))
            && same_product(i, j)
            && same_when((a, x), (b, y))
    };
    let mut taken = vec![false; lines.len()];
    for first in &order {
        if taken.get(*first).copied().unwrap_or(true) {
            continue;
        }
        let mut group = vec![*first];
        while let Some(last) = group.last().copied() {
            let next = order.iter().copied().find(|j| !taken.get(*j).copied().unwrap_or(true) && follows(last, *j));
            let Some(next) = next.filter(|j| !group.contains(j)) else { break };
            group.push(next);
        }
        if group.len() > 1 {
            for k in &group {
                if let Some(t) = taken.get_mut(*k) {
                    *t = true;
                }
            }
            out.advances.push(group);
        }
    }
}

/// Entries that begin later than another of the same product, both without an end, and are of another kind: whether they
/// come on top or take its place is not said. Those of which more is said, or that are given as needed, are left out.
fn later_beside(lines: &[Line], same_product: &impl Fn(usize, usize) -> bool, out: &mut Settled) {
    let open = |l: &Line| {
        let counted =
            l.high.as_ref().is_none_or(|h| h.count.is_some() || matches!(h.occurrences, Occurrences::Listed(_)));
        l.administration.is_some()
            && l.end.is_none()
            && l.length.is_none()
            && !counted
            && !l.why.contains(&Why::AsNeeded)
    };
    for (j, later) in lines.iter().enumerate() {
        let Some(start) = later.start.filter(|_| open(later)) else { continue };
        let before = lines.iter().enumerate().rev().find(|(i, l)| {
            let told = |(a, b): &(usize, usize)| (*a, *b) == (*i, j) || (*a, *b) == (j, *i);
            open(l)
                && l.administration != later.administration
                && l.start.is_none_or(|s| s < start)
                && same_product(*i, j)
                && !out.steps.iter().any(|group| group.contains(i) && group.contains(&j))
                && !out.overlaps.iter().any(told)
        });
        if let Some((i, _)) = before {
            out.added.push((i, j));
        }
    }
}

/// Same kind of giving, both open-ended: they differ only by start and by how much. Clock times that are
/// spaced by assumption shift with the start; stated ones must be the same, and so must the names of times
/// that are not known (a morning feed is not replaced by an evening feed).
fn same_shape(a: &Line, b: &Line) -> bool {
    if a.end.is_some()
        || b.end.is_some()
        || a.length.is_some()
        || b.length.is_some()
        || a.administration.is_none()
        || b.administration.is_none()
    {
        return false;
    }
    let (Some(x), Some(y)) = (&a.high, &b.high) else { return false };
    if x.count.is_some() || y.count.is_some() || a.low.is_some() != b.low.is_some() {
        return false;
    }
    let least = match (a.low.as_ref().or(a.least.as_ref()), b.low.as_ref().or(b.least.as_ref())) {
        (Some(v), Some(w)) => same_when((a, v), (b, w)),
        _ => true,
    };
    least && same_when((a, x), (b, y))
}

/// Occurrences of the same kind.
fn same_when((a, x): (&Line, &Run), (b, y): (&Line, &Run)) -> bool {
    match (&x.occurrences, &y.occurrences, x.dose, y.dose) {
        (Occurrences::Continuous, Occurrences::Continuous, Dose::Rate(_), Dose::Rate(_)) => true,
        (
            Occurrences::Every { step: s, weekdays: w, .. },
            Occurrences::Every { step: t, weekdays: v, .. },
            Dose::Volume { .. },
            Dose::Volume { .. },
        ) => s == t && w == v,
        (
            Occurrences::Clock { interval: i, times: s, weekdays: w },
            Occurrences::Clock { interval: j, times: t, weekdays: v },
            Dose::Volume { .. },
            Dose::Volume { .. },
        ) => i == j && w == v && s.len() == t.len() && a.named == b.named && (s == t || a.spaced && b.spaced),
        _ => false,
    }
}

/// Overlaps and gaps between pump rates of the same product that are bounded on their own.
fn neighbours(lines: &[Line], same_product: &impl Fn(usize, usize) -> bool, out: &mut Settled) {
    let runs = |l: &Line| {
        l.high
            .as_ref()
            .is_some_and(|h| matches!(h.occurrences, Occurrences::Continuous) && matches!(h.dose, Dose::Rate(_)))
    };
    let mut pumps: Vec<usize> = (0..lines.len()).filter(|i| lines.get(*i).is_some_and(runs)).collect();
    pumps.sort_by_key(|k| lines.get(*k).and_then(|l| l.start));
    for pair in pumps.windows(2) {
        let [i, j] = pair else { continue };
        if !same_product(*i, *j) {
            continue;
        }
        let (Some(a), Some(b)) = (lines.get(*i), lines.get(*j)) else { continue };
        let end = a.high.as_ref().and_then(|h| h.end).or(a.end);
        match (end, b.start) {
            (Some(e), Some(s)) => {
                if e > s {
                    out.overlaps.push((*i, *j));
                } else if let Some(gap) = s.sub(e)
                    && gap > Exact::int(3600)
                {
                    out.gaps.push((*i, *j, gap));
                }
            }
            (None, _) if !out.doubled.contains(&(*i, *j)) => out.overlaps.push((*i, *j)),
            (Some(_), None) => out.overlaps.push((*i, *j)),
            (None, _) => {}
        }
    }
}
