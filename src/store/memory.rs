//! The queue in memory, for as long as the program runs: for the demonstration, and for tests of what stands on a store.
//! Nothing of it is durable.

use super::{Answer, CardAnswer, Change, Counts, Filter, Health, LaneIs, NotDone, Page, Query, Recorded, Sort, Store};
use crate::queue::item::{Item, ItemId, Received, Standing, Summary};
use crate::queue::policy::Policy;
use crate::queue::tally::{Fate, RuleStatistics};
use crate::queue::trail::{Entry, Event};
use crate::queue::work::{Action, Command, LaneState};
use crate::queue::{Lane, Person};
use jiff::Timestamp;
use jiff::civil::Date;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Mutex, MutexGuard, PoisonError};
use tokio::sync::broadcast;

/// Most items that are kept; the oldest that is not open gives way, and then the oldest.
const MOST: usize = 2000;

#[derive(Default)]
struct Kept {
    items: BTreeMap<ItemId, Item>,
    trail: BTreeMap<ItemId, Vec<Entry>>,
    cards: BTreeMap<String, BTreeSet<ItemId>>,
    commands: BTreeMap<String, ItemId>,
    counts: BTreeMap<(String, Fate, String), i64>,
    last_order: Option<Timestamp>,
}

/// A store in memory.
pub struct Memory {
    policy: Policy,
    kept: Mutex<Kept>,
    changes: broadcast::Sender<Change>,
}

impl Memory {
    /// An empty one.
    pub fn new(policy: Policy) -> Self {
        Self { policy, kept: Mutex::default(), changes: broadcast::channel(256).0 }
    }

    fn kept(&self) -> MutexGuard<'_, Kept> {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn tell(&self, summary: &Summary) {
        // Nobody listens: nothing to tell.
        let _ = self.changes.send(Change { item: summary.id.clone(), version: summary.version });
    }

    fn record_one(&self, kept: &mut Kept, received: &Received) -> Recorded {
        kept.last_order = kept.last_order.max(Some(received.at));
        let key = received.key.text();
        let id = received.id();
        let current = kept.items.values().find(|i| {
            key.is_some()
                && i.summary.key.text() == key
                && i.summary.standing != Standing::Replaced
                && i.summary.id != id
        });
        let current = current.map(|i| i.summary.id.clone());
        let is_item = received.is_item();
        let mut events = Vec::new();
        if let Some(item) = kept.items.get_mut(&id).filter(|_| is_item) {
            for event in item.seen_again(received, current.as_ref(), &self.policy) {
                events.push((id.clone(), item.summary.version, event));
            }
        } else if is_item {
            let (item, event) = Item::new(received, current.clone(), &self.policy);
            for rule in &item.summary.rules {
                *kept.counts.entry((rule.clone(), Fate::Fired, String::new())).or_default() += 1;
            }
            for rule in item.report.unevaluated_rules() {
                *kept.counts.entry((rule, Fate::NotEvaluated, String::new())).or_default() += 1;
            }
            events.push((id.clone(), item.summary.version, event));
            self.tell(&item.summary);
            kept.items.insert(id.clone(), item);
        }
        if let Some(old) = current.and_then(|old| kept.items.get_mut(&old)) {
            let event = old.summary.replace(is_item.then(|| id.clone()), received.at);
            events.push((old.summary.id.clone(), old.summary.version, event));
            self.tell(&old.summary);
        }
        for card in received.cards.iter().filter(|_| is_item) {
            kept.cards.entry(card.clone()).or_default().insert(id.clone());
        }
        let new = events.iter().any(|(_, _, e)| matches!(e, Event::Recorded { .. }));
        for (item, version, what) in events {
            let entry = Entry { item: item.clone(), version, at: received.at, by: Person::program(), what };
            kept.trail.entry(item).or_default().push(entry);
        }
        while kept.items.len() > MOST {
            let oldest = kept.items.values().min_by_key(|i| (i.summary.is_open(), i.summary.received));
            let Some(oldest) = oldest.map(|i| i.summary.id.clone()) else { break };
            kept.items.remove(&oldest);
            kept.trail.remove(&oldest);
        }
        match (is_item, new) {
            (false, _) => Recorded::Nothing,
            (true, true) => Recorded::New(id),
            (true, false) => Recorded::Again(id),
        }
    }

    fn act_now(&self, item: &ItemId, command: &Command) -> Result<Summary, NotDone> {
        let mut kept = self.kept();
        let kept = &mut *kept;
        let held = kept.items.get_mut(item).ok_or(NotDone::NoSuchItem)?;
        if !command.id.is_empty() && kept.commands.contains_key(&command.id) {
            return Ok(held.summary.clone());
        }
        let event = held.summary.act(command, &self.policy)?;
        let (fate, reason, rules) = match &command.action {
            Action::Accept { reason } => (Some(Fate::Accepted), reason.code.clone(), held.summary.rules.clone()),
            Action::CloseAsChanged { .. } => (Some(Fate::Changed), String::new(), held.summary.rules.clone()),
            Action::Judge { rule, useful } => {
                let fate = if *useful { Fate::Useful } else { Fate::NotUseful };
                (Some(fate), String::new(), vec![rule.clone()])
            }
            _ => (None, String::new(), Vec::new()),
        };
        if let Some(fate) = fate {
            for rule in rules {
                *kept.counts.entry((rule, fate, reason.clone())).or_default() += 1;
            }
        }
        let summary = held.summary.clone();
        let entry =
            Entry { item: item.clone(), version: summary.version, at: command.at, by: command.by.clone(), what: event };
        kept.trail.entry(item.clone()).or_default().push(entry);
        if !command.id.is_empty() {
            kept.commands.insert(command.id.clone(), item.clone());
        }
        self.tell(&summary);
        Ok(summary)
    }
}

fn lane_is(state: &LaneState, is: LaneIs, now: Timestamp) -> bool {
    let word = state.word_at(now);
    match is {
        LaneIs::Waiting => state.waits(),
        LaneIs::Free => word == "open",
        LaneIs::Taken => word == "taken",
        LaneIs::Asked => word == "asked",
        LaneIs::Snoozed => word == "snoozed",
        LaneIs::Decided => word == "decided",
    }
}

fn fits(s: &Summary, f: &Filter, now: Timestamp) -> bool {
    let unchecked = s.not_evaluated > 0 || s.disposition == crate::findings::Disposition::NotFullyChecked;
    let by = |id: &String| Lane::ALL.iter().any(|l| s.lane(*l).state.by().is_some_and(|p| p.id == *id));
    let text = || {
        let ward = s.ward.as_deref().unwrap_or_default();
        format!("{} {} {ward} {} {}", s.label, s.key.patient, s.headline, s.rules.join(" ")).to_lowercase()
    };
    f.lane.is_none_or(|(lane, is)| lane_is(&s.lane(lane).state, is, now))
        && (f.standing.is_empty() || f.standing.contains(&s.standing))
        && (f.tiers.is_empty() || s.tier.is_some_and(|t| f.tiers.contains(&t)))
        && f.ward.as_ref().is_none_or(|w| s.ward.as_ref() == Some(w))
        && f.rule.as_ref().is_none_or(|r| s.rules.contains(r))
        && f.patient.as_ref().is_none_or(|p| s.key.patient == *p || s.key.patient.ends_with(&format!("/{p}")))
        && f.by.as_ref().is_none_or(by)
        && f.received_by.is_none_or(|t| s.received <= t)
        && f.received_from.is_none_or(|t| s.received >= t)
        && f.starts_before.is_none_or(|t| s.starts.is_some_and(|x| x < t))
        && f.starts_from.is_none_or(|t| s.starts.is_some_and(|x| x >= t))
        && f.changed_from.is_none_or(|t| s.changed_at >= t)
        && f.changed_before.is_none_or(|t| s.changed_at < t)
        && f.not_fully_checked.is_none_or(|is| is == unchecked)
        && (f.grades.is_empty() || f.grades.contains(&s.grade()))
        && (f.search.trim().is_empty() || {
            let text = text();
            f.search.to_lowercase().split_whitespace().all(|word| text.contains(word))
        })
}

fn ready<'s, T: Send + 's, E: Send + 's>(answer: Result<T, E>) -> Answer<'s, T, E> {
    Box::pin(std::future::ready(answer))
}

impl Store for Memory {
    fn record(&self, orders: Vec<Received>) -> Answer<'_, Vec<Recorded>> {
        let mut kept = self.kept();
        let done = orders.iter().map(|order| self.record_one(&mut kept, order)).collect();
        drop(kept);
        ready(Ok(done))
    }

    fn act(&self, item: ItemId, command: Command) -> Answer<'_, Summary, NotDone> {
        ready(self.act_now(&item, &command))
    }

    fn get(&self, item: ItemId) -> Answer<'_, Option<Item>> {
        ready(Ok(self.kept().items.get(&item).cloned()))
    }

    fn list(&self, query: Query) -> Answer<'_, Page> {
        let kept = self.kept();
        let mut found: Vec<&Summary> =
            kept.items.values().map(|i| &i.summary).filter(|s| fits(s, &query.filter, query.now)).collect();
        match query.sort {
            Sort::Urgency => found.sort_by_cached_key(|s| (s.sort_key(), s.id.clone())),
            Sort::Changed => found.sort_by_key(|s| (std::cmp::Reverse(s.changed_at), s.id.clone())),
        }
        let from = query
            .after
            .as_ref()
            .map_or(0, |after| found.iter().position(|s| s.id.as_str() == after).map_or(0, |ix| ix + 1));
        let items: Vec<Summary> = found.iter().skip(from).take(query.limit.max(1)).map(|s| (*s).clone()).collect();
        let more = from + items.len() < found.len();
        let next = items.last().filter(|_| more).map(|s| s.id.to_string());
        let total = found.len() as u64;
        ready(Ok(Page { items, next, total }))
    }

    fn counts(&self, now: Timestamp) -> Answer<'_, Counts> {
        let kept = self.kept();
        let mut out = Counts::default();
        for s in kept.items.values().map(|i| &i.summary).filter(|s| s.is_open()) {
            out.open += 1;
            out.not_fully_checked +=
                u64::from(s.not_evaluated > 0 || s.disposition == crate::findings::Disposition::NotFullyChecked);
            *out.tiers.entry(s.tier.map_or("none", |t| t.code()).to_owned()).or_default() += 1;
            *out.wards.entry(s.ward.clone().unwrap_or_default()).or_default() += 1;
            for lane in Lane::ALL {
                let word = s.lane(lane).state.word_at(now).to_owned();
                *out.lanes.entry(lane).or_default().entry(word).or_default() += 1;
            }
            out.oldest = Some(out.oldest.map_or(s.received, |t| t.min(s.received)));
        }
        ready(Ok(out))
    }

    fn trail(&self, item: ItemId) -> Answer<'_, Vec<Entry>> {
        ready(Ok(self.kept().trail.get(&item).cloned().unwrap_or_default()))
    }

    fn statistics(&self, _from: Date, _to: Date) -> Answer<'_, Vec<RuleStatistics>> {
        let mut out: BTreeMap<String, RuleStatistics> = BTreeMap::new();
        for ((rule, fate, reason), n) in &self.kept().counts {
            let of =
                out.entry(rule.clone()).or_insert_with(|| RuleStatistics { rule: rule.clone(), ..Default::default() });
            of.add(*fate, reason, *n);
        }
        ready(Ok(out.into_values().collect()))
    }

    fn viewed(&self, item: ItemId, by: Person, at: Timestamp) -> Answer<'_, ()> {
        let mut kept = self.kept();
        if let Some(version) = kept.items.get(&item).map(|i| i.summary.version) {
            let entry = Entry { item: item.clone(), version, at, by, what: Event::Viewed };
            kept.trail.entry(item).or_default().push(entry);
        }
        drop(kept);
        ready(Ok(()))
    }

    fn feedback(&self, answers: Vec<CardAnswer>) -> Answer<'_, usize> {
        let mut kept = self.kept();
        let mut known = 0;
        for answer in answers {
            let items = kept.cards.get(&answer.card).cloned().unwrap_or_default();
            known += usize::from(!items.is_empty());
            for item in items {
                let version = kept.items.get(&item).map_or(0, |i| i.summary.version);
                let what = Event::CardAnswered {
                    card: answer.card.clone(),
                    accepted: answer.accepted,
                    reason: answer.reason.clone(),
                    comment: answer.comment.clone(),
                };
                let entry = Entry { item: item.clone(), version, at: answer.at, by: Person::program(), what };
                kept.trail.entry(item).or_default().push(entry);
            }
        }
        drop(kept);
        ready(Ok(known))
    }

    fn received(&self, at: Timestamp) {
        let mut kept = self.kept();
        kept.last_order = kept.last_order.max(Some(at));
    }

    fn set_aside(&self, orders: Vec<Received>) -> usize {
        let mut kept = self.kept();
        for order in &orders {
            self.record_one(&mut kept, order);
        }
        0
    }

    fn health(&self) -> Health {
        let kind = "in memory, until the program ends".to_owned();
        Health { kind, last_order: self.kept().last_order, ..Health::default() }
    }

    fn changes(&self) -> broadcast::Receiver<Change> {
        self.changes.subscribe()
    }
}
