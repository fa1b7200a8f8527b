//! What a transaction has read and is going to write: operations one after the other, by the rules of [`crate::queue`].

use super::chain::{last_of_the_chain, seal};
use super::columns::{ITEM_COLUMNS, row_of, update};
use super::ready::{Entered, Fresh, Ready, counts_of_new, day_of};
use super::{Came, Op, Spent};
use crate::audit::chain::Anchor;
use crate::queue::item::{Item, ItemId, Standing, Summary};
use crate::queue::report::Report;
use crate::queue::tally::{Count, Fate};
use crate::queue::task::TaskId;
use crate::queue::trail::{Entry, Event};
use crate::queue::work::Command;
use crate::queue::{Lane, Person};
use crate::store::outbox::{Listener, Told};
use crate::store::packing::Kept;
use crate::store::sql::{Dialect, Shared, Value, damaged};
use crate::store::statements::insert;
use crate::store::{Change, Damage, NotDone, Recorded, Unavailable, outbox, packing, postgres, sorting, views};
use crate::subscriptions::Concern;
use futures_util::future::join;
use jiff::Timestamp;
use sqlx::AnyConnection;
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;

/// An item during a batch.
pub(super) struct Held {
    pub(super) summary: Summary,
    /// The report as it is kept; only read for orders that come again.
    pub(super) report: Kept,
    /// The order as sent, of an item that is new.
    pub(super) resource: Option<String>,
    /// What is to be written of an item that is new, as long as nothing changed it; as [`Fresh`] has it.
    pub(super) row: Option<Vec<Value>>,
    pub(super) changed: bool,
    pub(super) judged: bool,
}

/// What a batch has read and is going to write.
#[derive(Default)]
pub(super) struct Work {
    pub(super) items: HashMap<ItemId, Held>,
    /// The current item of an order.
    pub(super) current: HashMap<String, ItemId>,
    /// Items by card, with the rules that it showed; nothing where that was not noted.
    pub(super) cards: HashMap<String, (ItemId, Option<String>)>,
    /// Answers to cards that came before, by when they were given as the client says.
    pub(super) answered_before: BTreeSet<(String, i64)>,
    /// What commands that were done before led to.
    pub(super) done_before: HashMap<String, ItemId>,
    pub(super) votes: HashMap<(ItemId, String, String), bool>,
    pub(super) new: Vec<ItemId>,
    pub(super) entries: Vec<Entered>,
    pub(super) tally: BTreeMap<(String, Count), i64>,
    pub(super) new_cards: BTreeMap<(String, ItemId), String>,
    pub(super) new_answers: BTreeMap<(String, i64), ItemId>,
    pub(super) new_votes: BTreeMap<(ItemId, String, String), bool>,
    /// Who is told of changes; of items it is only then looked at whom they concern.
    pub(super) listeners: Arc<[Listener]>,
    /// Whom items concern, and their version.
    pub(super) concerns: HashMap<ItemId, (Concern, u64)>,
    pub(super) told: Vec<Told>,
    pub(super) spent: Spent,
}

/// What is damaged of an item, said with its id: it fails whatever is about it, and nothing else.
pub(in crate::store) fn of_item(id: &ItemId) -> impl FnOnce(Unavailable) -> Unavailable + '_ {
    move |error| match error {
        Unavailable::Damaged(what) => {
            let what = if what.contains(id.as_str()) { what } else { format!("item {id}: {what}") };
            Unavailable::DamagedItem(Damage { item: id.clone(), what })
        }
        other => other,
    }
}

/// Names the report of an item, where something is wrong with it.
pub(in crate::store) fn of_report(item: &ItemId) -> String {
    format!("the report of item {item}")
}

pub(super) fn state_of(text: &str) -> Result<Summary, Unavailable> {
    serde_json::from_str(text).map_err(|error| damaged("an item", &error))
}

impl Work {
    pub(super) fn put(&mut self, id: ItemId, summary: Summary, report: Kept) {
        if !self.listeners.is_empty() {
            self.concerns.entry(id.clone()).or_insert_with(|| (Concern::of(&summary), summary.version));
        }
        self.items.insert(id, Held { summary, report, resource: None, row: None, changed: false, judged: false });
    }

    pub(super) fn enter(&mut self, summary: &Summary, at: Timestamp, by: Person, what: Event, command: Option<String>) {
        if !self.listeners.is_empty() && what != Event::Viewed {
            self.tell(summary, at);
        }
        let entry = Entry { item: summary.id.clone(), version: summary.version, at, by, what };
        self.entries.push(Entered { entry, command, detail: None });
    }

    /// Whoever a task of an item concerns, before a change or after it, is told of its new version, once.
    fn tell(&mut self, summary: &Summary, at: Timestamp) {
        let now = Concern::of(summary);
        let before = self.concerns.insert(summary.id.clone(), (now.clone(), summary.version));
        if before.as_ref().is_some_and(|(_, version)| *version == summary.version) {
            return;
        }
        for listener in self.listeners.iter() {
            for lane in Lane::ALL {
                let concerned = |item: &Concern| listener.criteria.concerns(item, lane);
                if concerned(&now) || before.as_ref().is_some_and(|(before, _)| concerned(before)) {
                    let (listener, task) = (listener.id.clone(), TaskId { item: summary.id.clone(), lane });
                    self.told.push(Told { listener, task, version: summary.version, at });
                }
            }
        }
    }

    pub(super) fn count(&mut self, at: Timestamp, count: Count) {
        self.count_on(day_of(at), count);
    }

    fn count_on(&mut self, day: String, count: Count) {
        let n = count.n;
        let of = (day, Count { n: 0, ..count });
        match self.tally.get_mut(&of) {
            Some(total) => {
                *total += n;
                self.spent.counts.push(of);
            }
            None => drop(self.tally.insert(of, n)),
        }
    }

    pub(super) async fn apply(
        &mut self,
        conn: &mut AnyConnection,
        op: &mut Op,
        shared: &Shared,
    ) -> Result<Came, Unavailable> {
        Ok(match op {
            Op::Record { orders, .. } => {
                let recorded: Result<_, _> = orders.iter_mut().map(|order| self.record(order, shared)).collect();
                Came::Recorded(recorded?)
            }
            Op::Act { item, command, .. } => Came::Acted(self.act(conn, item, command, shared).await?),
            Op::View { item, by, at, .. } => {
                if let Some(held) = self.items.get(item) {
                    let summary = held.summary.clone();
                    self.enter(&summary, *at, by.clone(), Event::Viewed, None);
                }
                Came::Viewed
            }
            Op::Feedback { answers, .. } => Came::Answered(answers.iter().filter(|a| self.answered(a)).count()),
            Op::Purge { before, by, at, .. } => Came::Purged(self.purge(conn, *before, by, *at).await?),
            Op::SortAgain { moved, at, .. } => Came::Sorted(sorting::write(conn, moved, *at).await?),
            Op::OwnView { person, change, .. } => Came::OwnView(views::apply(conn, person, change).await?),
            Op::Open { .. } => Came::Opened,
            Op::Outbox(wanted) => Came::Outbox(wanted.apply(conn, shared.dialect).await?),
            #[cfg(test)]
            Op::Fault { .. } => panic!("a fault that a test asked for"),
        })
    }

    /// Takes what was worked out before of an order; where the transaction fails, it is worked out in its turn.
    fn record(&mut self, order: &mut Ready, shared: &Shared) -> Result<Recorded, Unavailable> {
        let fresh = order.fresh.take();
        let Ready { received, id, key, report, .. } = &*order;
        let at = received.kept();
        let before = key.as_ref().and_then(|key| self.current.get(key)).filter(|current| *current != id).cloned();
        // What was set aside comes late: what was received after it stays the order's content. Of anything else the times
        // say nothing: clocks of programs differ.
        let newer = |held: &Held| received.late.is_some() && held.summary.last_seen > received.at;
        let late = before.as_ref().and_then(|before| self.items.get(before)).is_some_and(newer);
        if !received.is_item() {
            let current = key.as_ref().and_then(|key| self.current.get(key)).cloned();
            // The same content with other data or less of it may look clear: that it was changed is not said, and who
            // looks at it decides.
            let same = |held: &Held| held.summary.content == received.content;
            let stays = current.as_ref().and_then(|id| self.items.get(id)).is_none_or(|held| newer(held) || same(held));
            if let Some(current) = current.filter(|_| !stays) {
                self.replace(&current, None, received.at, at);
                if let Some(key) = key {
                    self.current.remove(key);
                }
            }
            return Ok(Recorded::Nothing);
        }
        let policy = &shared.policy;
        let recorded = if let Some(held) = self.items.get_mut(id) {
            // What was said of it later stands, and what took its place; a copy of what was recorded says nothing new.
            let again = received.late.is_some() && held.summary.last_seen >= received.at;
            let replaced = held.summary.standing == Standing::Replaced;
            let since = held.summary.replaced_at.unwrap_or(held.summary.judged_at);
            if again || replaced && (late || received.late.is_some() && since >= received.at) {
                held.summary.seen += 1;
                held.changed = true;
                self.join_cards(received, id);
                return Ok(Recorded::Again(id.clone()));
            }
            let said = match held.report.is_kept_as(report) {
                true => None,
                false => Some(held.report.text(id).map_err(of_item(id))?),
            };
            let said = said.filter(|said| *said != packing::plain(&received.report));
            let same = said.is_none();
            let kept: Report = match said {
                None => Report::clone(&received.report),
                Some(said) => {
                    serde_json::from_str(&said).map_err(|error| damaged(&of_report(id), &error)).map_err(of_item(id))?
                }
            };
            let known: BTreeSet<String> = kept.rules().into_iter().collect();
            let mut item = Item { summary: held.summary.clone(), resource: String::new(), report: kept };
            let events = item.seen_again(received, before.as_ref(), policy);
            held.changed = true;
            held.summary = item.summary;
            if !same {
                held.report = report.clone();
                held.judged = true;
            }
            let summary = held.summary.clone();
            for event in events {
                self.enter(&summary, at, Person::program(), event, None);
            }
            for rule in received.report.rules().iter().filter(|rule| !known.contains(*rule)) {
                self.count(at, Count::one(rule, Fate::Fired, ""));
            }
            Recorded::Again(id.clone())
        } else {
            let mut row = None;
            match fresh {
                Some(fresh) if before.is_none() => {
                    let Fresh { summary, row: known, entry, counts } = *fresh;
                    if !self.listeners.is_empty() {
                        self.tell(&summary, at);
                    }
                    self.entries.push(entry);
                    self.put(id.clone(), summary, report.clone());
                    row = Some(known);
                    counts.into_iter().for_each(|(day, count)| self.count_on(day, count));
                }
                _ => {
                    let (mut summary, event) = Summary::first(received, before.clone().filter(|_| !late), policy);
                    self.enter(&summary, at, Person::program(), event, None);
                    if late {
                        // As of the time at which what it stands behind was asked for.
                        let asked = before.as_ref().and_then(|before| self.items.get(before));
                        let asked = asked.map_or(at, |held| held.summary.last_seen);
                        let event = summary.replace(before.clone(), asked, at);
                        self.enter(&summary, at, Person::program(), event, None);
                    }
                    self.put(id.clone(), summary, report.clone());
                    counts_of_new(received).into_iter().for_each(|count| self.count(at, count));
                }
            }
            if let Some(held) = self.items.get_mut(id) {
                held.resource = Some(received.resource.clone());
                held.row = row;
            }
            self.new.push(id.clone());
            Recorded::New(id.clone())
        };
        self.join_cards(received, id);
        if !late {
            if let Some(before) = before {
                self.replace(&before, Some(id.clone()), received.at, at);
            }
            if let Some(key) = key {
                self.current.insert(key.clone(), id.clone());
            }
        }
        Ok(recorded)
    }

    /// Whether a report is written that is packed.
    pub(super) fn packs(&self) -> bool {
        self.items.values().any(|held| (held.resource.is_some() || held.judged) && held.report.is_packed())
    }

    fn replace(&mut self, old: &ItemId, by: Option<ItemId>, asked: Timestamp, at: Timestamp) {
        let Some(held) = self.items.get_mut(old) else { return };
        let event = held.summary.replace(by, asked, at);
        held.changed = true;
        let summary = held.summary.clone();
        self.enter(&summary, at, Person::program(), event, None);
    }

    async fn act(
        &mut self,
        conn: &mut AnyConnection,
        item: &ItemId,
        command: &Command,
        shared: &Shared,
    ) -> Result<Result<Box<Summary>, NotDone>, Unavailable> {
        let Some(held) = self.items.get_mut(item) else { return Ok(Err(NotDone::NoSuchItem)) };
        if !command.id.is_empty()
            && let Some(of) = self.done_before.get(&command.id)
        {
            return Ok(if of == item { Ok(Box::new(held.summary.clone())) } else { Err(NotDone::NoSuchItem) });
        }
        let mut summary = held.summary.clone();
        let event = match summary.act(command, &shared.policy) {
            Ok(event) => event,
            Err(refused) => return Ok(Err(refused.into())),
        };
        held.changed = true;
        held.summary = summary.clone();
        let own = (!command.id.is_empty()).then(|| command.id.clone());
        if let Some(own) = &own {
            self.done_before.insert(own.clone(), item.clone());
        }
        self.enter(&summary, command.at, command.by.clone(), event, own);
        self.count_action(conn, &summary, command).await?;
        Ok(Ok(Box::new(summary)))
    }

    /// Writes what has changed; gives what to tell listeners, and what is no longer needed.
    pub(super) async fn write(
        self,
        conn: &mut AnyConnection,
        shared: &Shared,
    ) -> Result<(Vec<Change>, Spent), Unavailable> {
        let Self { mut items, new, entries, tally, new_cards, new_answers, new_votes, told, mut spent, .. } = self;
        let mut changes = BTreeMap::new();
        for Entered { entry, .. } in entries.iter().filter(|one| one.entry.what != Event::Viewed) {
            changes.insert(entry.item.clone(), entry.version);
        }
        let mut rows = Vec::with_capacity(new.len());
        spent.items.reserve(new.len());
        for id in new {
            let Some(mut held) = items.remove(&id) else { continue };
            let mut row = match held.row.take() {
                Some(row) if !held.changed => row,
                _ => row_of(&held.summary, &shared.policy.times)?,
            };
            row.extend(held.report.values());
            row.push(held.resource.take().unwrap_or_default().into());
            rows.push(row);
            spent.items.push(held);
        }
        let anchor = if entries.is_empty() { Anchor::default() } else { last_of_the_chain(conn).await? };
        // Entries are sealed while the database takes the items.
        let items_written = insert(conn, "items", &ITEM_COLUMNS, "", rows);
        let (written, rest) = join(items_written, async { seal(anchor, entries) }).await;
        written?;
        let sealed;
        (sealed, spent.entries) = rest?;
        for (id, held) in items.into_iter().filter(|(_, held)| held.changed) {
            update(conn, &id, held, &shared.policy.times).await?;
        }
        let rows = new_cards.into_iter();
        let rows = rows.map(|((card, item), rules)| vec![card.into(), item.as_str().into(), rules.into()]).collect();
        let known = "ON CONFLICT (card, item) DO UPDATE SET rules = excluded.rules WHERE cards.rules IS NULL";
        insert(conn, "cards", &["card", "item", "rules"], known, rows).await?;
        let rows = new_answers.into_iter();
        let rows = rows.map(|((card, said), item)| vec![card.into(), said.into(), item.as_str().into()]).collect();
        insert(conn, "answers", &["card", "said", "item"], "ON CONFLICT (card, said) DO NOTHING", rows).await?;
        let rows = new_votes
            .into_iter()
            .map(|((item, rule, person), useful)| {
                vec![item.as_str().into(), rule.into(), person.into(), i64::from(useful).into()]
            })
            .collect();
        let again = "ON CONFLICT (item, rule, person) DO UPDATE SET useful = excluded.useful";
        insert(conn, "votes", &["item", "rule", "person", "useful"], again, rows).await?;
        let rows = tally
            .into_iter()
            .filter(|(_, n)| *n != 0)
            .map(|((day, count), n)| {
                vec![day.into(), count.rule.into(), count.fate.word().into(), count.reason.into(), n.into()]
            })
            .collect();
        let more = "ON CONFLICT (day, rule, fate, reason) DO UPDATE SET n = counts.n + excluded.n";
        insert(conn, "counts", &["day", "rule", "fate", "reason", "n"], more, rows).await?;
        insert(conn, "trail", &["seq", "line", "item", "detail", "command"], "", sealed).await?;
        outbox::write(conn, told).await?;
        let changes: Vec<Change> = changes.into_iter().map(|(item, version)| Change { item, version }).collect();
        if shared.dialect == Dialect::Postgres {
            postgres::notify(conn, &shared.instance, &changes).await?;
        }
        Ok((changes, spent))
    }
}
