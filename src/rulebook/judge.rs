//! Limits judged on the facts of one order, on three truth values: a condition on what is missing, or a bound
//! that lies within a range, is "not evaluated" and names what is missing.

use super::case::CaseFacts;
use super::expression::{Expression, Gap, Named, Scale, Sitting, Template, Verdict, reached, shown};
use super::facts::{
    FACTS, is_an_amount, is_of_a_day, is_of_feed, is_of_the_laboratory, rests_on_height, rests_on_weight,
};
use super::value::{Facts, Missing, Need, Truth, Value};
use super::{Bound, Check, Ground, Limit, Mode, Rulebook, correction};
use crate::amount::{Amount, Why};
use crate::findings::{Excess, Finding, Judged, Outcome, Tier};
use crate::intake::order::At;
use crate::settings::ContextKind;
use jiff::civil::Date;
use std::borrow::Cow;
use std::collections::BTreeSet;
use std::sync::LazyLock;

/// What the sender and the moment say about judging.
pub struct Circumstances<'a> {
    /// Kinds of context that the sender declares.
    pub declared: &'a BTreeSet<ContextKind>,
    /// The day on which the order is judged; `None`: not known, and then nothing is switched off.
    pub on: Option<Date>,
    /// The order itself, for findings without a place of their own.
    pub order: At,
    /// The day that is judged.
    pub day: Looked,
    /// Whether the order gives water and no feed: it is judged for what is its own, and with the patient's other orders.
    pub water: bool,
    /// Whether another order of the patient that was sent gives feed.
    pub fed: bool,
}

/// Which day's amounts are judged.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Looked {
    /// The typical day of the order.
    Typical,
    /// Another day, from 1, on which more is given of something, of the order alone or with so many other orders: what is too
    /// much, or is so or not.
    Fuller {
        /// Its number.
        day: usize,
        /// Other orders of the patient that are counted in.
        others: usize,
    },
    /// The typical day with that of so many other orders of the patient, which run at other times.
    Together(usize),
    /// The typical day of an order beside others that run at the same times: everything but what is too little in a day.
    Beside,
    /// The typical day with that of so many others, some of which run at the same times: what is too little.
    Sum(usize),
}

impl Looked {
    /// What a finding on amounts of that day begins with.
    fn prefix(self) -> Option<String> {
        match self {
            Self::Typical | Self::Beside => None,
            Self::Fuller { day, others: 0 } => Some(format!("On day {day} of the order: ")),
            Self::Fuller { day, others: 1 } => {
                Some(format!("On day {day}, together with the patient's other feeding order: "))
            }
            Self::Fuller { day, others } => {
                Some(format!("On day {day}, together with the patient's {others} other feeding orders: "))
            }
            Self::Together(1) | Self::Sum(1) => Some("Together with the patient's other feeding order: ".to_owned()),
            Self::Together(n) | Self::Sum(n) => Some(format!("Together with the patient's {n} other feeding orders: ")),
        }
    }
}

/// What rules wait for that stay listed; `rules show` gives each one's reason.
pub const WAITING: &str = "data that is not read yet";

/// Whether a condition holds.
pub fn holds(condition: &Expression, facts: &dyn Facts) -> Truth {
    condition.holds(facts)
}

/// Causes among the program's own rules that make a limit's finding a consequence: nothing that is reckoned from a
/// wrong amount says anything of its own.
const WRONG_AMOUNT: &[&str] =
    &["UNT-02", "UNT-01", "UNT-04", "UNT-06", "UNT-05", "UNT-08", "UNT-09", "INT-02", "RTE-06", "CON-11"];
/// The same for the weight: what is reckoned from it is a consequence.
const WRONG_WEIGHT: &[&str] = &["WGT-05", "WGT-01"];
/// The same for the height.
const WRONG_HEIGHT: &[&str] = &["HGT-01"];

/// What is in doubt, and the rule that says so.
type Doubt = (Ground, Cow<'static, str>);

/// Judges every limit after the program's own rules. A rule or a limit that names a cause hides what follows from it.
/// Gives the outcomes in shadow mode.
pub fn add_limits<'a>(
    book: &'a Rulebook,
    facts: &dyn Facts,
    about: &Circumstances<'_>,
    fuller: &[(Looked, CaseFacts<'_>)],
    judged: &mut Vec<Judged<'a>>,
) -> Vec<Judged<'a>> {
    let (mut counted, mut shadow) = judge(book, facts, about);
    let doubts = doubts((book, judged, &counted), facts, about);
    hide_all(book, &mut counted, &doubts, facts, about);
    for (day, facts) in fuller {
        let about = Circumstances { day: *day, ..*about };
        let (mut more, more_in_shadow) = judge(book, facts, &about);
        hide_all(book, &mut more, &doubts, facts, &about);
        graver(&mut counted, more);
        graver(&mut shadow, more_in_shadow);
    }
    judged.append(&mut counted);
    shadow
}

/// Leaves of what limits found what does not follow from what is in doubt. A limit that found nothing on what is in doubt is
/// put off as well: it was not evaluated on data good enough for it.
fn hide_all(
    book: &Rulebook,
    counted: &mut [Judged<'_>],
    doubts: &[Doubt],
    facts: &dyn Facts,
    about: &Circumstances<'_>,
) {
    if doubts.is_empty() {
        return;
    }
    for j in counted.iter_mut() {
        let limit = || book.limits.iter().find(|l| l.rule.id == j.rule.id);
        match &mut j.outcome {
            Outcome::Flagged(_) => {
                if let Some(limit) = limit() {
                    hide_consequences(limit, &mut j.outcome, doubts, facts, about);
                }
            }
            Outcome::Clear => {
                let rests_on = |limit: &Limit| doubts.iter().find(|doubt| rests_on(limit, doubt, facts, about));
                if let Some((_, cause)) = limit().and_then(rests_on) {
                    j.outcome = Outcome::Hidden(cause.clone());
                }
            }
            _ => {}
        }
    }
}

/// Whether what a limit says of an order could not be said without what is in doubt.
fn rests_on(limit: &Limit, (ground, _): &Doubt, facts: &dyn Facts, about: &Circumstances<'_>) -> bool {
    let without = InDoubt { facts, ground: *ground };
    let open = |scope: &Expression| matches!(scope.holds(&without), Truth::Unknown { .. });
    limit.doubts != Some(*ground)
        && (limit.scope.as_ref().is_some_and(open)
            || limit
                .checks
                .iter()
                .filter(|check| is_made(check, about))
                .any(|check| matches!(looked_at(check, &without, about), Seen::Unknown(..))))
}

/// Takes over what is found on another day, where nothing as grave was found before, and what could not be judged there,
/// where nothing was found at all.
fn graver<'a>(into: &mut [Judged<'a>], more: Vec<Judged<'a>>) {
    for other in more {
        let Some(had) = into.iter_mut().find(|j| j.rule.id == other.rule.id) else { continue };
        let takes = match other.outcome {
            Outcome::Flagged(_) => had.outcome.tier() < other.outcome.tier(),
            // Want of what nobody sends leaves the disposition alone.
            Outcome::NotEvaluated(..) => matches!(had.outcome, Outcome::Clear | Outcome::NotProvided(_)),
            Outcome::NotProvided(_) => matches!(had.outcome, Outcome::Clear),
            _ => false,
        };
        if takes {
            had.outcome = other.outcome;
        }
    }
}

/// Facts of what a check compares, and where.
fn compares(check: &Check) -> impl Iterator<Item = usize> {
    let expressions = check.measure.iter().chain(check.when.iter()).chain(match &check.bound {
        Bound::Above(e) | Bound::Below(e) | Bound::When(e) => Some(e),
    });
    expressions.flat_map(|e| e.facts()).copied()
}

/// What a check is about.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Of {
    /// It compares what a whole day gives.
    day: bool,
    /// It is one of a feed.
    feed: bool,
}

impl Of {
    /// By the facts that a check compares.
    pub(super) fn what(check: &Check) -> Self {
        Self { day: compares(check).any(is_of_a_day), feed: compares(check).any(is_of_feed) }
    }
}

/// Whether a limit says nothing of an order that gives water and no feed.
fn is_of_feed_alone(limit: &Limit, about: &Circumstances<'_>) -> bool {
    about.water
        && (limit.scope.iter().flat_map(|scope| scope.facts()).any(|ix| is_of_feed(*ix))
            || !limit.checks.iter().any(|check| is_made(check, about)))
}

/// Whether a check is made on the day that is judged.
fn is_made(check: &Check, about: &Circumstances<'_>) -> bool {
    let too_little = matches!(check.bound, Bound::Below(_)) && check.of.day;
    if about.water && check.of.feed {
        return false;
    }
    match about.day {
        // What water alone gives is not what the patient gets.
        Looked::Typical => !(about.water && too_little),
        Looked::Together(_) => about.fed || !(about.water && too_little),
        Looked::Beside => !too_little,
        Looked::Sum(_) => too_little,
        // Too little is looked for on the typical day: feeds begin low.
        Looked::Fuller { .. } => !matches!(check.bound, Bound::Below(_)) && check.of.day,
    }
}

/// What grave findings put in doubt, the gravest reason for hiding first: an amount, the height, then the weight. The program's
/// own rules come before limits, and one cause of a kind is enough. A limit whose finding rests on what is in doubt itself
/// puts nothing in doubt.
fn doubts(
    (book, own, limits): (&Rulebook, &[Judged<'_>], &[Judged<'_>]),
    facts: &dyn Facts,
    about: &Circumstances<'_>,
) -> Vec<Doubt> {
    let grave = |j: &&Judged<'_>| j.outcome.tier() >= Some(Tier::High);
    if !own.iter().chain(limits).any(|j| grave(&j)) {
        return Vec::new();
    }
    let mut out: Vec<Doubt> = Vec::new();
    for (ground, causes) in
        [(Ground::Amount, WRONG_AMOUNT), (Ground::Height, WRONG_HEIGHT), (Ground::Weight, WRONG_WEIGHT)]
    {
        let named = causes.iter().find(|id| own.iter().filter(grave).any(|j| j.rule.id == **id));
        let cause = named.map(|id| Cow::Borrowed(*id)).or_else(|| {
            let doubting = |j: &&Judged<'_>| {
                let height = out.iter().find(|(doubted, _)| *doubted == Ground::Height);
                book.limits.iter().any(|l| {
                    l.doubts == Some(ground)
                        && l.rule.id == j.rule.id
                        && height.is_none_or(|height| !rests_on(l, height, facts, about))
                })
            };
            limits.iter().filter(grave).find(doubting).map(|j| Cow::Owned(j.rule.id.to_string()))
        });
        out.extend(cause.map(|cause| (ground, cause)));
    }
    out
}

/// The rule by whose finding the weight is in doubt.
pub fn weight_in_doubt<'j>(book: &Rulebook, judged: &'j [Judged<'_>]) -> Option<&'j str> {
    let doubts = |id: &str| {
        WRONG_WEIGHT.contains(&id) || book.limits.iter().any(|l| l.doubts == Some(Ground::Weight) && l.rule.id == id)
    };
    judged.iter().find(|j| j.outcome.tier() >= Some(Tier::High) && doubts(&j.rule.id)).map(|j| &*j.rule.id)
}

/// Leaves of a limit's findings what does not follow from what is in doubt.
fn hide_consequences(
    limit: &Limit,
    outcome: &mut Outcome,
    doubts: &[Doubt],
    facts: &dyn Facts,
    about: &Circumstances<'_>,
) {
    // What puts a thing in doubt rests on it and is no consequence; what would be found without it, neither.
    let cause = |check: &Check| {
        doubts.iter().find(|(ground, _)| {
            let without = InDoubt { facts, ground: *ground };
            limit.doubts != Some(*ground) && !matches!(looked_at(check, &without, about), Seen::Found(_))
        })
    };
    let found: Vec<(&Check, Finding)> = limit
        .checks
        .iter()
        .filter(|check| is_made(check, about))
        .filter_map(|check| match looked_at(check, facts, about) {
            Seen::Found(finding) => Some((check, finding)),
            Seen::Fine | Seen::Unknown(..) => None,
        })
        .collect();
    // The first of the gravest counts, here as where it is judged.
    let mut hidden: Option<(Tier, &Doubt)> = None;
    let mut stays: Option<(&Check, Finding)> = None;
    for (check, finding) in found {
        match cause(check) {
            Some(doubt) if hidden.is_none_or(|(tier, _)| check.tier > tier) => hidden = Some((check.tier, doubt)),
            Some(_) => {}
            None if stays.as_ref().is_none_or(|(before, _)| check.tier > before.tier) => stays = Some((check, finding)),
            None => {}
        }
    }
    match (stays, hidden) {
        (None, Some((_, (_, cause)))) => *outcome = Outcome::Hidden(cause.clone()),
        (Some((check, mut finding)), Some((tier, (_, cause)))) if tier >= check.tier => {
            // What it said of what could not be judged is not lost.
            if let Outcome::Flagged(said) = outcome
                && let Some(said) = said.iter().find(|said| said.text.starts_with(&finding.text))
            {
                finding.text.clone_from(&said.text);
            }
            finding
                .text
                .push_str(&format!(" What it finds beside that, {}, is not shown because of {cause}.", tier.code()));
            without_advice(limit, check, &mut finding, doubts);
            *outcome = Outcome::Flagged(vec![finding]);
        }
        (Some((check, _)), _) => {
            if let Outcome::Flagged(list) = outcome {
                for finding in list {
                    without_advice(limit, check, finding, doubts);
                }
            }
        }
        (None, None) => {}
    }
}

/// Takes advice away that would be worked out from what is in doubt.
fn without_advice(limit: &Limit, check: &Check, finding: &mut Finding, doubts: &[Doubt]) {
    let used =
        check.fix.iter().flat_map(Template::facts).chain(check.scale.iter().flat_map(|(_, by)| by.facts().to_vec()));
    let used: Vec<usize> = used.collect();
    // An amount of the order stands in nearly every text; only the weight is not the order's own.
    let doubted = doubts.iter().find_map(|(ground, cause)| {
        let (name, rests): (_, fn(usize) -> bool) = match ground {
            Ground::Weight => ("weight", rests_on_weight),
            Ground::Height => ("height", rests_on_height),
            Ground::Amount => return None,
        };
        (limit.doubts != Some(*ground) && used.iter().any(|ix| rests(*ix))).then_some((name, cause))
    });
    if let Some((name, cause)) = doubted {
        finding.fix = Some(format!("Settle the {name} first ({cause})."));
        finding.correction = None;
    }
}

/// The facts of an order without those that rest on what is in doubt.
struct InDoubt<'f> {
    facts: &'f dyn Facts,
    ground: Ground,
}

impl InDoubt<'_> {
    fn doubted(&self, fact: usize) -> bool {
        match self.ground {
            Ground::Amount => is_an_amount(fact),
            Ground::Weight => rests_on_weight(fact),
            Ground::Height => rests_on_height(fact),
        }
    }
}

impl Facts for InDoubt<'_> {
    fn value(&self, fact: usize) -> Value {
        if self.doubted(fact) {
            return Value::Missing(vec![Missing { fact, why: "it is in doubt".into(), at: Vec::new() }]);
        }
        self.facts.value(fact)
    }

    fn held(&self, fact: usize) -> Option<&Value> {
        if self.doubted(fact) { None } else { self.facts.held(fact) }
    }

    fn places(&self, fact: usize) -> Vec<At> {
        self.facts.places(fact)
    }
}

/// Outcomes of every limit and every rule that waits for data: those that count, and those in shadow mode.
pub fn judge<'a>(
    book: &'a Rulebook,
    facts: &dyn Facts,
    about: &Circumstances<'_>,
) -> (Vec<Judged<'a>>, Vec<Judged<'a>>) {
    let mut counted = Vec::with_capacity(book.limits.len() + book.waiting.len());
    let mut shadow = Vec::new();
    let sitting = Sitting::new(about.declared, book.shared);
    let scopes: Vec<Verdict> = book.limits.iter().map(|limit| in_scope(limit, facts, &sitting)).collect();
    for (ix, (limit, scope)) in book.limits.iter().zip(&scopes).enumerate() {
        let outcome = match switched_off(book, &limit.rule.id, about.on) {
            Some(off) => off,
            None if is_of_feed_alone(limit, about) => {
                Outcome::NotApplicable(Cow::Borrowed("the order gives water and no feed"))
            }
            None => outcome(book, (&scopes, &sitting), (ix, limit), *scope, facts, about),
        };
        let judged = Judged { rule: &limit.rule, outcome };
        if limit.mode == Mode::Shadow { shadow.push(judged) } else { counted.push(judged) }
    }
    for waiting in &book.waiting {
        let outcome = Outcome::NotProvided(Cow::Borrowed(WAITING));
        counted.push(Judged { rule: &waiting.rule, outcome });
    }
    (counted, shadow)
}

/// The trace of a rule that the institution switched off, while that lasts.
pub fn switched_off(book: &Rulebook, id: &str, on: Option<Date>) -> Option<Outcome> {
    let on = on?;
    let off = book.off.iter().find(|off| off.rule == id && on <= off.until)?;
    Some(Outcome::Off(format!("by {}, until {}: {}", off.by, off.until, off.why)))
}

/// Who set a limit's mode to off, why and where; the last decision counts.
fn mode_off(limit: &Limit) -> String {
    match limit.overridden.iter().rev().find(|o| o.keys.iter().any(|key| key == "mode")) {
        Some(o) => format!("by {}: {} (mode in {})", o.by, o.why, o.place),
        None => format!("in the rulebook ({})", limit.places.join(", ")),
    }
}

/// Whether a limit's scope holds; [`Gap::Other`] only where the full evaluation cannot tell either.
fn in_scope(limit: &Limit, facts: &dyn Facts, sitting: &Sitting<'_>) -> Verdict {
    let Some(scope) = &limit.scope else { return Verdict::True };
    let verdict = scope.verdict(facts, sitting);
    if verdict != Verdict::Open(Gap::Other) && !cfg!(debug_assertions) {
        return verdict;
    }
    let full = match scope.holds(facts) {
        Truth::True => Verdict::True,
        Truth::False => Verdict::False,
        Truth::Unknown { .. } => Verdict::Open(Gap::Other),
    };
    debug_assert!(
        full == verdict
            || matches!(verdict, Verdict::Open(_)) && matches!(full, Verdict::Open(_))
            || verdict == Verdict::Open(Gap::Other),
        "the scope of {}: {verdict:?}, in full {full:?}",
        limit.rule.id
    );
    if verdict == Verdict::Open(Gap::Other) { full } else { verdict }
}

/// Whether the day lies within the limit's dates; a day that is not known does.
fn in_effect(limit: &Limit, on: Option<Date>) -> bool {
    on.is_none_or(|on| limit.from.is_none_or(|from| on >= from) && limit.to.is_none_or(|to| on <= to))
}

fn outcome(
    book: &Rulebook,
    (scopes, sitting): (&[Verdict], &Sitting<'_>),
    (ix, limit): (usize, &Limit),
    scope: Verdict,
    facts: &dyn Facts,
    about: &Circumstances<'_>,
) -> Outcome {
    if limit.mode == Mode::Off {
        return Outcome::Off(mode_off(limit));
    }
    if !in_effect(limit, about.on) {
        return Outcome::NotApplicable(Cow::Borrowed("not in effect on this day"));
    }
    match scope {
        Verdict::False => return Outcome::NotApplicable(Cow::Borrowed("outside its scope")),
        Verdict::Open(gap) => {
            let full = || match limit.scope.as_ref().map(|scope| scope.holds(facts)) {
                Some(Truth::Unknown { missing, why }) => not_evaluated(&missing, &why, facts, about),
                _ => not_evaluated(&[], &["its scope could not be judged".to_owned()], facts, about),
            };
            return either(limit, undeclared(gap, facts), full);
        }
        Verdict::True => {}
    }
    // Among limits of one name the highest priority whose scope holds is the one that counts.
    for rival in book.rivals.get(ix).into_iter().flatten() {
        // Where it cannot be told whether the narrower limit applies, it says so itself; this one still counts.
        if let (Some(other), Some(Verdict::True)) = (book.limits.get(*rival), scopes.get(*rival))
            && in_effect(other, about.on)
            && switched_off(book, &other.rule.id, about.on).is_none()
        {
            return Outcome::NotApplicable(Cow::Owned(format!("{} takes its place here", other.rule.id)));
        }
    }
    either(limit, without_reasons(limit, facts, sitting, about), || checks(limit, facts, about))
}

/// The outcome that needs no reasons, or else the full one. Debug builds, and so all tests, work out both.
fn either(limit: &Limit, quick: Option<Outcome>, full: impl Fn() -> Outcome) -> Outcome {
    match quick {
        Some(outcome) => {
            debug_assert_eq!(outcome, full(), "{} with and without reasons", limit.rule.id);
            outcome
        }
        None => full(),
    }
}

/// The outcome for want of context that the sender does not declare.
fn undeclared(gap: Gap, facts: &dyn Facts) -> Option<Outcome> {
    match gap {
        Gap::Undeclared(kind) => Some(not_provided(kind, facts)),
        Gap::Other => None,
    }
}

/// The outcome of a limit that needs no reasons: it finds something or nothing, or lacks what nobody sends; `None`
/// where a reason is to be told.
fn without_reasons(
    limit: &Limit,
    facts: &dyn Facts,
    sitting: &Sitting<'_>,
    about: &Circumstances<'_>,
) -> Option<Outcome> {
    // Of what is found the first of the gravest counts.
    let (mut found, mut gap): (Option<&Check>, Option<Gap>) = (None, None);
    // The gravest of the open ones before and after it.
    let (mut before, mut after): (Option<Tier>, Option<Tier>) = (None, None);
    for check in limit.checks.iter().filter(|check| is_made(check, about)) {
        let verdict = match check.when.as_ref().map(|when| when.verdict(facts, sitting)) {
            Some(Verdict::False) => continue,
            Some(gap @ Verdict::Open(_)) => gap,
            Some(Verdict::True) | None => compared(check, facts, sitting),
        };
        match verdict {
            Verdict::False => {}
            Verdict::True => {
                if found.is_none_or(|found| check.tier > found.tier) {
                    found = Some(check);
                    before = before.max(after.take());
                }
            }
            Verdict::Open(open) => {
                gap = Some(gap.map_or(open, |before| before.and(open)));
                after = after.max(Some(check.tier));
            }
        }
    }
    match found {
        // One that is open and may be what counts in its place is told about.
        Some(check) if before >= Some(check.tier) || after > Some(check.tier) => None,
        Some(check) => {
            let of = |expression: &Expression| expression.evaluate(facts, &[]);
            let extra = match (&check.measure, &check.bound) {
                (Some(measure), Bound::Above(bound) | Bound::Below(bound)) => vec![of(measure), of(bound)],
                _ => Vec::new(),
            };
            Some(Outcome::Flagged(vec![finding(check, facts, &extra, about)]))
        }
        None => gap.map_or(Some(Outcome::Clear), |gap| undeclared(gap, facts)),
    }
}

/// Whether a check finds something, without reasons.
fn compared(check: &Check, facts: &dyn Facts, sitting: &Sitting<'_>) -> Verdict {
    let (bound, above) = match &check.bound {
        Bound::When(condition) => return condition.verdict(facts, sitting),
        Bound::Above(bound) => (bound, true),
        Bound::Below(bound) => (bound, false),
    };
    let Some(measure) = &check.measure else { return Verdict::Open(Gap::Other) };
    measure.beyond(bound, above, facts, sitting)
}

fn checks(limit: &Limit, facts: &dyn Facts, about: &Circumstances<'_>) -> Outcome {
    let mut found: Option<Finding> = None;
    let (mut missing, mut why, mut open) = (Vec::new(), Vec::new(), None);
    for check in limit.checks.iter().filter(|check| is_made(check, about)) {
        match looked_at(check, facts, about) {
            Seen::Fine => {}
            Seen::Found(finding) => {
                if found.as_ref().is_none_or(|f| finding.tier > f.tier) {
                    found = Some(finding);
                }
            }
            Seen::Unknown(m, w) => {
                open = open.max(Some(check.tier));
                add(&mut missing, m);
                why.extend(w.into_iter().filter(|x| !x.is_empty()));
            }
        }
    }
    match found {
        Some(mut finding) => {
            // What is found is not lost for want of what another check needs, and that it might be graver is said.
            if let Some(tier) = open.filter(|tier| *tier > finding.tier) {
                let lacks = lacking(&missing, &why);
                finding.text.push_str(&format!(" Whether it is {} could not be judged: {lacks}.", tier.code()));
            }
            Outcome::Flagged(vec![finding])
        }
        None if open.is_some() => not_evaluated(&missing, &why, facts, about),
        None => Outcome::Clear,
    }
}

enum Seen {
    Fine,
    Found(Finding),
    Unknown(Vec<Missing>, Vec<String>),
}

fn looked_at(check: &Check, facts: &dyn Facts, about: &Circumstances<'_>) -> Seen {
    if let Some(when) = &check.when {
        match when.holds(facts) {
            Truth::False => return Seen::Fine,
            Truth::Unknown { missing, why } => {
                // What is within its bound is so whatever its condition comes to. What nobody sends is named all the same.
                let not_sent = why.is_empty() && missing.iter().all(|m| undeclared_kind(m, about).is_some());
                return if !not_sent && within(check, facts) { Seen::Fine } else { Seen::Unknown(missing, why) };
            }
            Truth::True => {}
        }
    }
    let (bound, above) = match &check.bound {
        Bound::When(condition) => {
            return match condition.holds(facts) {
                Truth::True => Seen::Found(finding(check, facts, &[], about)),
                Truth::False => Seen::Fine,
                Truth::Unknown { missing, why } => Seen::Unknown(missing, why),
            };
        }
        Bound::Above(bound) => (bound, true),
        Bound::Below(bound) => (bound, false),
    };
    let Some(measure) = &check.measure else {
        return Seen::Unknown(Vec::new(), vec!["the limit names no measure".to_owned()]);
    };
    let (measured, bound) = (measure.evaluate(facts, &[]), bound.evaluate(facts, &[]));
    let (m, b) = match (&measured, &bound) {
        (Value::Quantity(m), Value::Quantity(b)) => (m, b),
        _ => {
            let (mut missing, mut why) = (Vec::new(), Vec::new());
            for value in [&measured, &bound] {
                match value {
                    Value::Missing(list) => add(&mut missing, list.clone()),
                    Value::Quantity(_) => {}
                    _ => why.push("the limit compares what is no amount".to_owned()),
                }
            }
            return Seen::Unknown(missing, why);
        }
    };
    match beyond(m, b, above) {
        Some(true) => Seen::Found(finding(check, facts, &[measured.clone(), bound.clone()], about)),
        Some(false) => Seen::Fine,
        None => Seen::Unknown(Vec::new(), vec![between(m, b, check.measure.as_ref().and_then(Expression::unit))]),
    }
}

/// Whether a check surely finds nothing, its condition left aside.
fn within(check: &Check, facts: &dyn Facts) -> bool {
    let (bound, above) = match &check.bound {
        Bound::When(condition) => return condition.holds(facts) == Truth::False,
        Bound::Above(bound) => (bound, true),
        Bound::Below(bound) => (bound, false),
    };
    let Some(measure) = &check.measure else { return false };
    match (measure.evaluate(facts, &[]), bound.evaluate(facts, &[])) {
        (Value::Quantity(measure), Value::Quantity(bound)) => beyond(&measure, &bound, above) == Some(false),
        _ => false,
    }
}

/// Whether the measure lies beyond the bound. Where only a maximum below the schedule makes the measure a range,
/// rules about too much see its upper end and rules about too little its lower.
fn beyond(measure: &Amount, bound: &Amount, above: bool) -> Option<bool> {
    let (low, high) = (measure.low(), measure.high());
    let (bound_low, bound_high) = (bound.low()?, bound.high());
    let (surely, maybe) = if above {
        (low.zip(bound_high).is_some_and(|(m, b)| m > b), high.is_none_or(|m| m > bound_low))
    } else {
        (high.is_some_and(|m| m < bound_low), bound_high.is_none_or(|b| low.is_none_or(|m| m < b)))
    };
    if surely {
        return Some(true);
    }
    if !maybe {
        return Some(false);
    }
    // What a pump gives that stops at a maximum of another time than a day is not known: too much it may be, too little not said.
    // What is beyond the bound on some of the days is so.
    let cuts = |why: &Why| matches!(why, Why::CapBelowSchedule | Why::DayByDay) || above && *why == Why::CapInPeriod;
    let capped = matches!(measure, Amount::Range(span) if span.why.iter().all(cuts));
    (capped && bound.known().is_some()).then_some(true)
}

fn between(measure: &Amount, bound: &Amount, unit: Option<&Scale>) -> String {
    let mut reasons: Vec<String> = measure.why().iter().chain(bound.why()).map(ToString::to_string).collect();
    reasons.dedup();
    // Without a unit the figures would be in base units, which nobody reads.
    let figures = |amount| unit.and_then(|unit| shown(amount, Some(unit), 2));
    let mut out = match figures(bound).zip(figures(measure)) {
        Some((bound, measure)) => format!("the bound {bound} lies within the range {measure}"),
        None => "the bound lies within what the measure may be".to_owned(),
    };
    if !reasons.is_empty() {
        out.push_str(&format!(" ({})", reasons.join("; ")));
    }
    out
}

fn finding(check: &Check, facts: &dyn Facts, extra: &[Value], about: &Circumstances<'_>) -> Finding {
    let mut at: Vec<At> = Vec::new();
    let expressions = check.measure.iter().chain(match &check.bound {
        Bound::Above(e) | Bound::Below(e) | Bound::When(e) => Some(e),
    });
    // A laboratory value counts with its date, in the condition as well.
    let measured = check.when.iter().flat_map(|when| when.facts()).filter(|fact| is_of_the_laboratory(**fact));
    for fact in expressions.flat_map(|e| e.facts()).chain(measured) {
        for place in facts.places(*fact) {
            if !at.contains(&place) {
                at.push(place);
            }
        }
    }
    if at.is_empty() {
        at.push(about.order);
    }
    let mut out = Finding {
        tier: check.tier,
        text: check.text.render(facts, extra),
        arithmetic: check.compared.as_ref().map(|compared| with_values(compared, check, facts)),
        fix: check.fix.as_ref().map(|fix| fix.render(facts, extra)),
        at,
        code: None,
        correction: correction::of(check, facts, extra),
        excess: Some(excess(check, extra)),
    };
    if let Some(end) = at_one_end(check, extra) {
        out.text.push_str(end);
    }
    if let Some(prefix) = about.day.prefix().filter(|_| check.of.day) {
        out.text.insert_str(0, &prefix);
        // No single change of this order is the answer to what several give, or to what one day of it gives.
        out.correction = None;
        if matches!(about.day, Looked::Together(_) | Looked::Sum(_) | Looked::Fuller { others: 1.., .. }) {
            out.fix = Some("Look at the orders together: change one of them, or end one.".to_owned());
        }
    }
    out
}

/// Which end of the range lies beyond the bound, where only a maximum below the schedule makes it one and not all of it does.
fn at_one_end(check: &Check, extra: &[Value]) -> Option<&'static str> {
    let [Value::Quantity(measure @ Amount::Range(_)), Value::Quantity(bound)] = extra else { return None };
    let on_some_days = measure.why().contains(&Why::DayByDay);
    match check.bound {
        Bound::Above(_) if on_some_days && measure.low() <= bound.high() => Some(" That is so on some of the days."),
        Bound::Below(_) if on_some_days && (measure.high().is_none() || measure.high() >= bound.low()) => {
            Some(" That is so on some of the days.")
        }
        Bound::Above(_) if measure.low() <= bound.high() => Some(" That is so if the maximum does not stop the feed."),
        Bound::Below(_) if measure.high().is_none() || measure.high() >= bound.low() => {
            Some(" That is so if the feed stops at the maximum.")
        }
        _ => None,
    }
}

/// By which check, and how far the measure lies beyond the bound at its farther end.
fn excess(check: &Check, extra: &[Value]) -> Excess {
    let above = match check.bound {
        Bound::Above(_) => Some(true),
        Bound::Below(_) => Some(false),
        Bound::When(_) => None,
    };
    let share = || {
        let [Value::Quantity(measure), Value::Quantity(bound)] = extra else { return None };
        let (measure, bound) = if above? { (measure.high()?, bound.low()?) } else { (measure.low()?, bound.high()?) };
        measure.sub(bound)?.abs().div(bound.abs())
    };
    Excess { check: check.nth, above, share: share() }
}

/// Units of the facts, as their values are shown.
static UNITS: LazyLock<Vec<Option<Scale>>> =
    LazyLock::new(|| FACTS.iter().map(|fact| Scale::parse(fact.unit).ok()).collect());

/// What was compared with the values of this order: every amount that stands in it.
fn with_values(compared: &str, check: &Check, facts: &dyn Facts) -> String {
    let mut out = String::with_capacity(compared.len() + 96);
    out.push_str(&compared.replace('_', " "));
    let mut joint = if compared.contains(", with ") { ", " } else { ", with " };
    let (Bound::Above(bound) | Bound::Below(bound) | Bound::When(bound)) = &check.bound;
    let mut told: Vec<usize> = Vec::new();
    for ix in check.measure.iter().chain([bound]).flat_map(|e| e.facts()).copied() {
        let (Some(fact), false) = (FACTS.get(ix), told.contains(&ix)) else { continue };
        told.push(ix);
        let value = facts.held(ix).map_or_else(|| Cow::Owned(facts.value(ix)), Cow::Borrowed);
        if let Value::Quantity(amount) = &*value
            && let Some(value) = shown(amount, UNITS.get(ix).and_then(Option::as_ref), 3)
        {
            for part in [joint, &fact.name.replace('_', " "), " = ", &value] {
                out.push_str(part);
            }
            joint = ", ";
        }
    }
    out
}

/// What was compared, as the rulebook writes it, with the parameters' values.
pub(super) fn arithmetic(limit: &Limit, check: &Check) -> Option<String> {
    let mut out = match (&check.measure, &check.bound) {
        (Some(m), Bound::Above(b)) => format!("{} > {}", m.text, b.text),
        (Some(m), Bound::Below(b)) => format!("{} < {}", m.text, b.text),
        (_, Bound::When(c)) => c.text.clone(),
        (None, _) => return None,
    };
    let (own, all) = (reached(&[&out], &check.terms), reached(&[&out], &limit.terms));
    // A check's own meaning of a name comes before the limit's.
    let other = all.into_iter().filter(|one| !check.terms.iter().any(|own| own.name == one.name));
    let terms: Vec<&Named> = own.into_iter().chain(other).collect();
    for (nth, one) in terms.iter().enumerate() {
        out.push_str(if nth == 0 { ", where " } else { ", " });
        out.push_str(&format!("{} = {}", one.name, one.text));
    }
    let named = out.clone();
    let names: Vec<&str> = named.split(|c: char| !c.is_ascii_alphanumeric() && c != '_').collect();
    for (nth, p) in limit.parameters.iter().filter(|p| names.contains(&p.name.as_str())).enumerate() {
        out.push_str(if nth == 0 { ", with " } else { ", " });
        out.push_str(&format!("{} = {}", p.name, p.value.short(6)));
        if p.unit != "1" {
            out.push_str(&format!(" {}", p.unit));
        }
    }
    Some(out)
}

fn add(into: &mut Vec<Missing>, more: Vec<Missing>) {
    for m in more {
        if !into.iter().any(|x| x.fact == m.fact) {
            into.push(m);
        }
    }
}

/// The kind of context that something missing is of, where the sender does not declare that kind.
fn undeclared_kind(missing: &Missing, about: &Circumstances<'_>) -> Option<ContextKind> {
    match FACTS.get(missing.fact).map(|f| f.need) {
        Some(Need::Context(kind)) if !about.declared.contains(&kind) && missing.at.is_empty() => Some(kind),
        _ => None,
    }
}

/// Missing context that the sender does not declare leaves the disposition alone; anything else does not.
fn not_evaluated(missing: &[Missing], why: &[String], facts: &dyn Facts, about: &Circumstances<'_>) -> Outcome {
    let undeclared = |m: &Missing| undeclared_kind(m, about);
    // Anything missing that should be there is said as such, whatever else is missing beside it.
    if why.is_empty()
        && missing.iter().all(|m| undeclared(m).is_some())
        && let Some(kind) = missing.iter().find_map(undeclared)
    {
        return not_provided(kind, facts);
    }
    let mut said = lacking(missing, why);
    match about.day {
        Looked::Fuller { day, others: 0 } => said.push_str(&format!(" (on day {day} of the order)")),
        Looked::Fuller { day, .. } => said.push_str(&format!(" (on day {day} of the patient's orders together)")),
        Looked::Typical | Looked::Together(_) | Looked::Beside => {}
        Looked::Sum(_) => said.push_str(" (of the patient's orders together)"),
    }
    let mut at: Vec<At> = missing.iter().flat_map(|m| m.at.iter().copied()).collect();
    for m in missing {
        at.extend(facts.places(m.fact));
    }
    at.sort_unstable();
    at.dedup();
    if at.is_empty() {
        at.push(about.order);
    }
    Outcome::NotEvaluated(said, at)
}

/// What was missing, and other reasons, in words, each once.
fn lacking(missing: &[Missing], why: &[String]) -> String {
    let mut said: Vec<String> = missing
        .iter()
        .map(|m| {
            let title = FACTS.get(m.fact).map_or("a fact", |f| f.title);
            // What follows a semicolon says how it is counted.
            let title = title.split_once(';').map_or(title, |(name, _)| name);
            if m.why.is_empty() { title.to_owned() } else { format!("{}: {}", lower_first(title), m.why) }
        })
        .collect();
    for reason in why {
        if !said.contains(reason) {
            said.push(reason.clone());
        }
    }
    said.join("; ")
}

fn lower_first(text: &str) -> String {
    let text = text.trim_end_matches('.');
    let mut chars = text.chars();
    match (chars.next(), text.chars().nth(1)) {
        (Some(first), Some(second)) if !second.is_uppercase() => first.to_lowercase().chain(chars).collect(),
        _ => text.to_owned(),
    }
}

fn not_provided(kind: ContextKind, facts: &dyn Facts) -> Outcome {
    Outcome::NotProvided(Cow::Borrowed(match kind {
        ContextKind::Labs if facts.some_sent(kind) => "further laboratory results",
        ContextKind::Labs if facts.none_there(kind) => "laboratory results, of which there are none",
        ContextKind::Medicines if facts.some_sent(kind) => "routes, dose forms or codes of medicines",
        ContextKind::Devices if facts.some_sent(kind) => "further data of tubes and devices",
        ContextKind::Devices if facts.none_there(kind) => "tubes and other devices, of which there are none",
        _ => kind_words(kind),
    }))
}

/// A kind of context in the trade's words.
pub const fn kind_words(kind: ContextKind) -> &'static str {
    match kind {
        ContextKind::Labs => "laboratory results",
        ContextKind::Allergies => "allergies",
        ContextKind::Conditions => "conditions",
        ContextKind::Medicines => "medicines",
        ContextKind::Devices => "tubes and other devices",
        ContextKind::Procedures => "procedures",
        ContextKind::OtherOrders => "other orders of the patient",
        ContextKind::OtherFluids => "intravenous fluids and parenteral nutrition",
        ContextKind::History => "height, earlier weights, birth data, ward or length of stay",
    }
}

/// The gravest tier a limit can reach.
pub fn gravest(limit: &Limit) -> Tier {
    limit.checks.iter().map(|c| c.tier).max().unwrap_or(limit.rule.tier)
}

#[cfg(test)]
mod tests {
    use super::{WRONG_AMOUNT, WRONG_WEIGHT};
    use crate::integrity::RULES;
    use crate::rulebook::file;

    /// An id that no rule has names no cause, and every limit would say what follows from it as well.
    #[test]
    fn causes_are_rules_of_the_program_and_no_limits() {
        let starter = file::read(file::starter()).unwrap();
        for id in WRONG_AMOUNT.iter().chain(WRONG_WEIGHT) {
            assert!(RULES.iter().any(|(rule, _)| rule.id == *id), "{id} is no rule of the program");
            assert!(starter.limits.iter().all(|limit| limit.rule.id != *id), "{id} is a limit's id as well");
        }
    }
}
