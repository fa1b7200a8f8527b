//! Suggestions: the draft with a finding's correction put in, offered only after it was judged like the draft itself.

use super::card::{Sorted, uuid_of};
use super::evaluate::{self, Draft, Evaluated, Fate};
use super::fetch::Fetched;
use super::request;
use super::service::Service;
use crate::appraise::{Appraisal, Institution, OrderReport, check_by};
use crate::findings::{Correction, Excess, Finding, Outcome, Rule, RuleKind, Tier};
use crate::intake::content::{content_hash, content_hash_of};
use crate::intake::json::Node;
use crate::intake::order::FhirVersion;
use crate::sheet::{Offer, Word};
use serde::Serialize;
use serde_json::value::RawValue;
use std::cell::{LazyCell, OnceCell};
use std::collections::BTreeMap;

/// Most suggestions on one card.
const MOST: usize = 4;

/// Orders that may be judged again over one request: the answer must not come late for the sake of suggestions.
const MOST_JUDGED_AGAIN: usize = 60;

/// A suggestion, as it is written.
#[derive(Clone, Debug, Serialize)]
pub struct Suggestion {
    label: String,
    uuid: String,
    actions: Vec<Action>,
}

impl Suggestion {
    /// Its id.
    pub fn id(&self) -> &str {
        &self.uuid
    }
}

#[derive(Clone, Debug, Serialize)]
struct Action {
    r#type: &'static str,
    description: String,
    resource: Box<RawValue>,
}

/// What came of the corrections of an order's findings.
#[derive(Clone, Debug, Default)]
pub struct Tried {
    /// Those that hold, for the card.
    pub suggestions: Vec<Suggestion>,
    /// How many of the card's did not hold, or were not tried.
    pub withheld: usize,
    /// All that were tried, or why one was not: for whoever looks at the order in full.
    pub offers: Vec<Offer>,
}

/// Why a correction is not offered.
const CANNOT_BE_PUT_IN: Word = Word::Borrowed("it cannot be put in");
const TOO_MANY: Word = Word::Borrowed("it was not tried: there are too many corrections in this input");

/// What is judged again, and how often that may still be.
pub struct Again<'r, 'a> {
    /// The request, and what was fetched beside it.
    request: (&'r str, &'r Fetched),
    /// The service that was called.
    service: &'r Service,
    /// What judges.
    by: Institution<'r>,
    /// The request with its orders judged.
    evaluated: &'r Evaluated<'a>,
    before: OnceCell<Vec<Option<Verdict>>>,
    /// Orders that may still be judged again.
    left: usize,
}

impl<'r, 'a> Again<'r, 'a> {
    /// Nothing was judged again yet.
    pub fn new(
        request: (&'r str, &'r Fetched),
        service: &'r Service,
        by: Institution<'r>,
        evaluated: &'r Evaluated<'a>,
    ) -> Self {
        Self { request, service, by, evaluated, before: OnceCell::new(), left: MOST_JUDGED_AGAIN }
    }

    /// Puts a correction into a draft and judges the request again. The corrected order where it holds, or why it is not
    /// offered.
    fn tried(
        &mut self,
        (nth, draft, report): (usize, &Draft, &OrderReport<'_>),
        (rule, finding): (&Rule, &Finding),
        correction: &Correction,
    ) -> Result<Box<RawValue>, Word> {
        let evaluated = self.evaluated;
        let order = evaluated.node(draft.at).ok_or(CANNOT_BE_PUT_IN)?;
        let corrected = corrected(order, correction).filter(|_| report.computed).ok_or(CANNOT_BE_PUT_IN)?;
        self.left = self.left.checked_sub(evaluated.appraisal.orders.len().max(1)).ok_or(TOO_MANY)?;
        let all = || (0..evaluated.sent.drafts.len()).map(|ix| verdict(evaluated, ix)).collect();
        let before = self.before.get_or_init(all);
        let (text, fetched) = self.request;
        let after = replaced(text, order, &corrected)
            .and_then(|text| after((&text, fetched), self.service, self.by))
            .ok_or(CANNOT_BE_PUT_IN)?;
        holds(before, &after, nth, (&rule.id, finding.tier), Others::beside(rule, correction))?;
        RawValue::from_string(corrected).map_err(|_| CANNOT_BE_PUT_IN)
    }
}

fn offer(rule: &Rule, correction: &Correction, held: Result<(), Word>) -> Offer {
    Offer { rule: rule.id.to_string(), label: correction.label.clone(), held }
}

/// The corrections of the findings on an order's card that hold when tried.
pub fn suggestions(
    again: &mut Again<'_, '_>,
    (nth, draft, report): (usize, &Draft, &OrderReport<'_>),
    sorted: &Sorted<'_>,
) -> Tried {
    let mut out = Tried::default();
    // An update needs the draft's own id.
    let (Some(order), Some(_)) = (again.evaluated.node(draft.at), &draft.id) else { return out };
    let content = LazyCell::new(|| content_hash(order));
    for (rule, finding) in &sorted.shown {
        let Some(correction) = &finding.correction else { continue };
        if out.suggestions.len() == MOST {
            break;
        }
        let tried = again.tried((nth, draft, report), (rule, finding), correction);
        out.offers.push(offer(rule, correction, tried.as_ref().map(|_| ()).map_err(Word::clone)));
        let resource = match tried {
            Ok(resource) => resource,
            Err(why) => {
                out.withheld += usize::from(why != CANNOT_BE_PUT_IN);
                continue;
            }
        };
        let same = |s: &Suggestion| s.actions.iter().any(|a| a.resource.get() == resource.get());
        if out.suggestions.iter().any(same) {
            continue;
        }
        let uuid =
            uuid_of([content.as_str(), &content_hash_of(resource.get()).unwrap_or_default(), &*rule.id]).to_string();
        let description =
            format!("{}; all else as drafted. Judged again: nothing new of this tier or above.", correction.label);
        let actions = vec![Action { r#type: "update", description, resource }];
        out.suggestions.push(Suggestion { label: correction.label.clone(), uuid, actions });
    }
    out
}

/// Tries what [`suggestions`] did not, of findings that are on no card too, for whoever looks at the order in full. Only
/// after the suggestions of every draft: they come first where not everything can be tried.
pub fn try_the_others(
    again: &mut Again<'_, '_>,
    (nth, draft, report): (usize, &Draft, &OrderReport<'_>),
    sorted: &Sorted<'_>,
    offers: &mut Vec<Offer>,
) {
    for (rule, finding) in sorted.shown.iter().chain(&sorted.others) {
        let Some(correction) = &finding.correction else { continue };
        if offers.iter().any(|known| known.rule == rule.id && known.label == correction.label) {
            continue;
        }
        let tried = again.tried((nth, draft, report), (rule, finding), correction);
        offers.push(offer(rule, correction, tried.map(|_| ())));
    }
}

/// An object of the order with the members to put in place.
type Changed<'c> = (Node<'c>, Vec<(&'c str, &'c str)>);

/// The order with the correction put in. Everything else stays as written, decimals included; the narrative goes,
/// because it tells of the order before.
fn corrected<'c>(order: Node<'c>, correction: &'c Correction) -> Option<String> {
    // By object, so that its members are written once.
    let mut objects: BTreeMap<usize, Changed<'c>> = BTreeMap::new();
    for edit in &correction.edits {
        let node = order.of_same_document(edit.at);
        let span = node.span();
        if node.at() == order.at()
            || node.members().next().is_none()
            || !(order.span().contains(&span.start) && span.end <= order.span().end)
        {
            return None;
        }
        objects.entry(span.start).or_insert((node, Vec::new())).1.push((edit.member, &edit.json));
    }
    let mut members = Vec::with_capacity(order.len());
    for (key, node) in order.members() {
        if key == "text" || key == "_text" {
            continue;
        }
        let mut value = node.raw().to_owned();
        // From the last to the first, so that places before stay where they are.
        for (at, (object, edits)) in objects.range(node.span()).rev() {
            let from = at.checked_sub(node.span().start)?;
            let to = object.span().end.checked_sub(node.span().start)?;
            value.replace_range(from..to, &with_members(*object, edits));
        }
        members.push(format!("{}:{value}", serde_json::to_string(&key).ok()?));
    }
    Some(format!("{{{}}}", members.join(",")))
}

/// An object with members put in place of those of the same name, or added.
fn with_members(object: Node<'_>, edits: &[(&str, &str)]) -> String {
    let mut members: Vec<String> = Vec::with_capacity(object.len() + edits.len());
    for (key, node) in object.members() {
        let edit = edits.iter().find(|(name, _)| *name == key);
        // Ids and extensions of a replaced primitive told of the value before.
        if edits.iter().any(|(name, _)| key.strip_prefix('_') == Some(name)) {
            continue;
        }
        let value = edit.map_or(node.raw(), |(_, json)| json);
        members.push(format!("{}:{value}", serde_json::to_string(&key).unwrap_or_default()));
    }
    for (name, json) in edits.iter().filter(|(name, _)| object.get(name).is_none()) {
        members.push(format!("\"{name}\":{json}"));
    }
    format!("{{{}}}", members.join(","))
}

/// The request with the order replaced.
fn replaced(text: &str, order: Node<'_>, corrected: &str) -> Option<String> {
    let span = order.span();
    Some(format!("{}{corrected}{}", text.get(..span.start)?, text.get(span.end..)?))
}

/// Every correction of the findings of an input's orders, each put in by itself and judged again with all of the input;
/// by order; only those of one order where that is asked.
pub fn try_corrections(
    text: &str,
    a: &Appraisal<'_>,
    only: Option<usize>,
    version: FhirVersion,
    by: Institution<'_>,
) -> Vec<Vec<Offer>> {
    let Some(document) = &a.document else { return Vec::new() };
    let before: Vec<Option<Verdict>> = a.orders.iter().map(|o| Some(of_report(o))).collect();
    let mut left = MOST_JUDGED_AGAIN;
    let mut tried = |nth: usize, report: &OrderReport<'_>, rule: &Rule, tier: Tier, correction: &Correction| {
        let Some(rest) = left.checked_sub(a.orders.len().max(1)) else {
            return Err(TOO_MANY);
        };
        left = rest;
        let order = document.node(report.at);
        let changed = corrected(order, correction).and_then(|changed| replaced(text, order, &changed));
        let Some(changed) = changed.filter(|_| report.computed) else { return Err(CANNOT_BE_PUT_IN) };
        let again = check_by(changed.as_bytes(), "", version, by);
        let after: Vec<Option<Verdict>> = again.orders.iter().map(|o| Some(of_report(o))).collect();
        holds(&before, &after, nth, (&rule.id, tier), Others::beside(rule, correction))
    };
    let mut out = Vec::with_capacity(a.orders.len());
    for (nth, report) in a.orders.iter().enumerate() {
        let mut of = Vec::new();
        for j in report.judged.iter().filter(|_| only.is_none_or(|only| only == nth)) {
            let Outcome::Flagged(list) = &j.outcome else { continue };
            for f in list {
                let Some(correction) = &f.correction else { continue };
                let held = tried(nth, report, j.rule, f.tier, correction);
                of.push(Offer { rule: j.rule.id.to_string(), label: correction.label.clone(), held });
            }
        }
        out.push(of);
    }
    out
}

/// The rule of rates that a pump cannot be set to.
const PUMP: &str = "CON-07";

/// What a draft's rules came to.
#[derive(Debug, Default)]
struct Verdict {
    flagged: BTreeMap<String, (usize, Tier)>,
    /// The findings of limits, gravest first.
    limits: BTreeMap<String, Vec<Beyond>>,
    /// What was not judged, for want of data or because another rule's finding hides it: rule, and in a word why.
    open: BTreeMap<String, &'static str>,
    /// A rule of the program that finds something grave.
    own: Option<String>,
    /// Rates that no pump can be set to, in the words of the rule that finds them.
    not_set: Vec<String>,
}

/// A finding of a limit.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Beyond {
    tier: Tier,
    text: String,
    excess: Option<Excess>,
}

/// What limits of the tier or above may still say of the order once a correction is put in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Others {
    /// Nothing: an amount that a limit flags is not offered at a click, also where it was flagged before.
    Silent,
    /// What they said before, word for word: only the unit is written anew.
    Same,
    /// What they flagged before, no measure farther beyond its bound: a limit itself offers the amount.
    NoWorse,
}

impl Others {
    fn beside(rule: &Rule, correction: &Correction) -> Self {
        if rule.kind == RuleKind::Limit {
            Self::NoWorse
        } else if correction.edits.iter().all(|edit| edit.member != "value") {
            Self::Same
        } else {
            Self::Silent
        }
    }

    fn allow(self, now: &Beyond, before: &[Beyond]) -> bool {
        before.iter().any(|before| {
            let same = now.text == before.text && now.tier == before.tier && now.excess == before.excess;
            match self {
                Self::Silent => false,
                Self::Same => same,
                Self::NoWorse => same || now.nearer_than(before),
            }
        })
    }
}

impl Beyond {
    /// Whether less is wrong than before: by the same check and no farther beyond its bound, or of a lower tier on the
    /// same side. What has no figure is no nearer than it was.
    fn nearer_than(&self, before: &Self) -> bool {
        let (Some(now), Some(was)) = (self.excess, before.excess) else { return false };
        if now.check == was.check {
            return self.tier <= before.tier && now.share.zip(was.share).is_some_and(|(now, was)| now <= was);
        }
        self.tier < before.tier && now.above.is_some() && now.above == was.above
    }
}

fn verdict(evaluated: &Evaluated<'_>, nth: usize) -> Option<Verdict> {
    let draft = evaluated.sent.drafts.get(nth)?;
    // Unselected drafts beside it count too.
    let report = match evaluated.fate(nth) {
        Fate::Judged(report) => report,
        Fate::NotSelected => evaluated.appraisal.orders.iter().find(|o| o.at == draft.at)?,
        Fate::NotATubeFeed | Fate::AnotherPatient | Fate::NotRead => return None,
    };
    Some(of_report(report))
}

fn of_report(report: &OrderReport<'_>) -> Verdict {
    let mut out = Verdict::default();
    for j in &report.judged {
        match &j.outcome {
            Outcome::Flagged(list) => {
                if j.rule.id == PUMP {
                    out.not_set.extend(list.iter().map(|f| f.text.clone()));
                }
                let tier = list.iter().map(|f| f.tier).max().unwrap_or(Tier::Low);
                if j.rule.kind == RuleKind::Integrity {
                    if tier >= Tier::High {
                        out.own.get_or_insert_with(|| j.rule.id.to_string());
                    }
                } else {
                    let of = |f: &Finding| Beyond { tier: f.tier, text: f.text.clone(), excess: f.excess };
                    out.limits.insert(j.rule.id.to_string(), list.iter().map(of).collect());
                }
                out.flagged.insert(j.rule.id.to_string(), (list.len(), tier));
            }
            Outcome::NotEvaluated(..) | Outcome::NotProvided(_) | Outcome::Hidden(_) => {
                out.open.insert(j.rule.id.to_string(), j.outcome.word());
            }
            Outcome::Clear | Outcome::NotApplicable(_) | Outcome::Off(_) => {}
        }
    }
    out
}

fn after((text, fetched): (&str, &Fetched), service: &Service, by: Institution<'_>) -> Option<Vec<Option<Verdict>>> {
    let document = request::with_fetched(text.as_bytes()).ok()?;
    let version = request::version_of_client(document.root(), &by.settings.hooks);
    let request = request::read(document.root(), service, version).ok()?;
    let sent = evaluate::sort(document.root(), &request, fetched, &by.settings.hooks);
    let evaluated = evaluate::evaluate(document, &request, sent, by);
    Some((0..evaluated.sent.drafts.len()).map(|ix| verdict(&evaluated, ix)).collect())
}

/// That the correction does away with what it is for, brings nothing of the same tier or above that was not
/// there before, in this draft or one beside it, leaves nothing less checked, and keeps within the institution's
/// limits of that tier, as far as [`Others`] asks.
///
/// # Errors
/// Why it does not, naming a rule.
fn holds(
    before: &[Option<Verdict>],
    after: &[Option<Verdict>],
    nth: usize,
    (rule, tier): (&str, Tier),
    others: Others,
) -> Result<(), Word> {
    const READ_OTHERWISE: Word = Word::Borrowed("with it put in, the orders cannot be judged as before");
    let against = |why: String| Err(Word::Owned(format!("judged again, it is held back: {why}")));
    let (Some(Some(_)), Some(Some(is))) = (before.get(nth), after.get(nth)) else { return Err(READ_OTHERWISE) };
    if before.len() != after.len() {
        return Err(READ_OTHERWISE);
    }
    let found =
        |list: &[Option<Verdict>]| list.get(nth)?.as_ref()?.flagged.get(rule).map_or(Some(0), |(n, _)| Some(*n));
    if !matches!((found(before), found(after)), (Some(was), Some(is)) if is < was) {
        return against("the finding stays".to_owned());
    }
    for (at, pair) in before.iter().zip(after).enumerate() {
        let (was, is) = match pair {
            (None, None) => continue,
            (Some(was), Some(is)) => (was, is),
            _ => return Err(READ_OTHERWISE),
        };
        let (on, of) = if at == nth { ("", "") } else { (" in another order", " for another order") };
        let graver = |(id, (n, new)): &(&String, &(usize, Tier))| {
            *new >= tier && !was.flagged.get(*id).is_some_and(|(old_n, old)| n <= old_n && new <= old)
        };
        if let Some((id, _)) = is.flagged.iter().find(graver) {
            return against(format!("{id} finds something as grave{on}"));
        }
        let less = |(id, word): &(&String, &&str)| {
            // What found something may have had other checks that lacked what is not sent, and has them still.
            let not_sent = **word == "not-provided";
            let as_before = was.open.get(*id).is_some_and(|before| before == *word || not_sent);
            !(as_before || not_sent && was.flagged.contains_key(*id))
        };
        if let Some((id, _)) = is.open.iter().find(less) {
            return against(format!("{id} could no longer be judged{of}"));
        }
    }
    let was = before.get(nth).and_then(Option::as_ref);
    // Whatever it is offered for, a rate has to be one that can be set.
    if is.not_set.iter().any(|text| !was.is_some_and(|was| was.not_set.contains(text))) {
        return against(format!("{PUMP} finds that the pump cannot be set to it"));
    }
    for (id, found) in &is.limits {
        let before = was.and_then(|was| was.limits.get(id)).map_or(&[][..], Vec::as_slice);
        if !found.iter().filter(|f| f.tier >= tier).all(|f| others.allow(f, before)) {
            return against(format!("{id} still flags the corrected order"));
        }
    }
    // What a rule of the program finds grave may be about the very amount that a limit would change.
    match &is.own {
        Some(id) if others == Others::NoWorse => {
            against(format!("{id} finds something grave that has to be mended first"))
        }
        _ => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn verdict(flagged: &[(&str, usize, Tier)], not_evaluated: &[&str]) -> Option<Verdict> {
        Some(Verdict {
            flagged: flagged.iter().map(|(id, n, tier)| ((*id).to_owned(), (*n, *tier))).collect(),
            limits: BTreeMap::new(),
            open: not_evaluated.iter().map(|id| ((*id).to_owned(), "not-evaluated")).collect(),
            own: None,
            not_set: Vec::new(),
        })
    }

    /// 700 mL/h as a day's volume are 29.1666… mL/h, which a pump with steps of 1 mL/h is no more set to than to 700.
    #[test]
    fn a_rate_that_the_pump_cannot_be_set_to_is_not_offered() {
        let with = |text: Option<&str>| {
            let flagged = [("UNT-04", 1, Tier::Stop), (PUMP, 1, Tier::High)];
            let not_set = text.into_iter().map(str::to_owned).collect();
            verdict(if text.is_some() { &flagged[1..] } else { &[] }, &[]).map(|v| Verdict { not_set, ..v })
        };
        let mut before = with(Some("700 mL/h")).unwrap();
        before.flagged.insert("UNT-04".to_owned(), (1, Tier::Stop));
        let before = [Some(before)];
        let tried = |after| holds(&before, &[after], 0, ("UNT-04", Tier::Stop), Others::Silent);
        assert!(
            tried(with(Some("29.2 mL/h"))).unwrap_err().ends_with("CON-07 finds that the pump cannot be set to it")
        );
        assert!(tried(with(Some("700 mL/h"))).is_ok(), "another rate, as it was");
        assert!(tried(with(None)).is_ok());
    }

    fn beyond(check: usize, above: bool, share: i64) -> Excess {
        Excess { check, above: Some(above), share: Some(crate::exact::Exact::int(share)) }
    }

    fn limit(id: &str, tier: Tier, text: &str, excess: i64) -> BTreeMap<String, Vec<Beyond>> {
        let found = Beyond { tier, text: text.to_owned(), excess: Some(beyond(0, true, excess)) };
        BTreeMap::from([(id.to_owned(), vec![found])])
    }

    #[test]
    fn a_correction_holds_only_when_nothing_else_gets_worse() {
        let before = [verdict(&[("CON-03", 1, Tier::High), ("TUB-01", 1, Tier::Med)], &["INT-06"]), verdict(&[], &[])];
        let tried = |first, second| holds(&before, &[first, second], 0, ("CON-03", Tier::High), Others::Silent);
        let holds = |first, second| tried(first, second).is_ok();
        let none = || verdict(&[], &[]);
        assert!(holds(verdict(&[("TUB-01", 1, Tier::Med)], &[]), none()));
        assert!(holds(verdict(&[("CON-04", 1, Tier::Med)], &["INT-06"]), none()), "new, but of a lower tier");
        for (first, second, why) in [
            (verdict(&[("CON-03", 1, Tier::High)], &[]), none(), "the finding stays"),
            (verdict(&[("UNT-05", 1, Tier::High)], &[]), none(), "UNT-05 finds something as grave"),
            (verdict(&[("UNT-04", 1, Tier::Stop)], &[]), none(), "UNT-04 finds something as grave"),
            (verdict(&[("TUB-01", 1, Tier::High)], &[]), none(), "TUB-01 finds something as grave"),
            (verdict(&[], &["CON-05"]), none(), "CON-05 could no longer be judged"),
            (none(), verdict(&[("CON-08", 1, Tier::High)], &[]), "CON-08 finds something as grave in another order"),
            (none(), verdict(&[], &["CON-08"]), "CON-08 could no longer be judged for another order"),
            (
                verdict(&[], &[]).map(|v| Verdict { limits: limit("VOL-04", Tier::High, "as before", 1), ..v }),
                none(),
                "VOL-04 still flags the corrected order",
            ),
        ] {
            assert_eq!(tried(first, second).unwrap_err(), format!("judged again, it is held back: {why}"));
        }
        assert!(!holds(None, none()), "the order cannot be read any more");
        assert!(!holds(none(), None), "the one beside it cannot");
        let lesser = limit("VOL-04", Tier::Med, "as before", 1);
        assert!(holds(verdict(&[], &[]).map(|v| Verdict { limits: lesser, ..v }), none()));
    }

    #[test]
    fn what_a_limit_offers_may_leave_other_limits_as_they_were_but_no_worse() {
        let with = |flagged: &[(&str, usize, Tier)], own: bool, other: Option<(Tier, &str, i64)>| {
            verdict(flagged, &[]).map(|v| {
                let mut limits = other.map_or_else(BTreeMap::new, |(tier, text, n)| limit("WAT-01", tier, text, n));
                limits.extend(own.then(|| limit("NUT-01", Tier::Med, "too little", 3)).into_iter().flatten());
                Verdict { limits, ..v }
            })
        };
        let two = [("NUT-01", 1, Tier::Med), ("WAT-01", 1, Tier::Med)];
        let one = [("WAT-01", 1, Tier::Med)];
        let before = [with(&two, true, Some((Tier::Med, "17 mL/kg", 5)))];
        let by = |after, others| holds(&before, &[after], 0, ("NUT-01", Tier::Med), others).is_ok();
        let holds = |after| by(after, Others::NoWorse);
        assert!(holds(with(&[], false, None)));
        assert!(holds(with(&one, false, Some((Tier::Med, "17 mL/kg", 5)))), "as it was");
        assert!(holds(with(&one, false, Some((Tier::Med, "18 mL/kg", 4)))), "nearer to the bound");
        assert!(!holds(with(&one, false, Some((Tier::Med, "16 mL/kg", 6)))), "farther beyond it");
        assert!(!holds(with(&one, false, Some((Tier::High, "17 mL/kg", 5)))), "graver");
        assert!(by(with(&one, false, Some((Tier::Med, "17 mL/kg", 5))), Others::Same));
        assert!(!by(with(&one, false, Some((Tier::Med, "18 mL/kg", 4))), Others::Same), "the unit changed an amount");
        assert!(!by(with(&one, false, Some((Tier::Med, "17 mL/kg", 5))), Others::Silent));
        assert!(!holds(with(&[("WAT-02", 1, Tier::Med)], false, None)), "new");
        let other = |excess| {
            let now = Beyond { tier: Tier::Med, text: "no figure".to_owned(), excess };
            let was = Beyond { tier: Tier::High, excess: Some(beyond(0, true, 5)), ..now.clone() };
            Others::NoWorse.allow(&now, &[was])
        };
        assert!(other(Some(beyond(1, true, 9))), "a lower tier on the same side");
        assert!(!other(Some(beyond(1, false, 1))), "too little now, where it was too much");
        assert!(!other(None));
        let unclear = |excess, text: &str| Beyond { tier: Tier::Med, text: text.to_owned(), excess };
        let farther = (unclear(Some(beyond(0, true, 6)), "no figure"), unclear(Some(beyond(0, true, 5)), "no figure"));
        assert!(!Others::NoWorse.allow(&farther.0, &[farther.1]), "the same words, and farther beyond");
        for (why, open, own) in [
            ("what was judged lacks what is not sent", Some(("HEM-01", "not-provided")), None),
            ("what was judged is hidden", Some(("HEM-01", "hidden")), None),
            ("the limit itself is hidden", Some(("NUT-01", "hidden")), None),
            ("a rule of the program finds something grave", None, Some("RTE-01".to_owned())),
        ] {
            let open = open.into_iter().map(|(id, word): (&str, _)| (id.to_owned(), word)).collect();
            assert!(!holds(with(&[], false, None).map(|v| Verdict { open, own, ..v })), "{why}");
        }
        let open = BTreeMap::from([("NUT-01".to_owned(), "not-provided")]);
        assert!(holds(with(&[], false, None).map(|v| Verdict { open, ..v })), "what it lacked before");
    }
}
