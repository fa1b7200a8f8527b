//! What changed since somebody looked at the list: of each order, in words, who did what.

use super::lane_name;
use crate::http::App;
use crate::http::pages::html::moment;
use crate::queue::Person;
use crate::queue::item::{ItemId, Summary};
use crate::queue::trail::{Entry, Event};
use crate::queue::work::Action;
use crate::store::{Filter, MOST_COMMITTED, MOST_OF_A_PAGE, Mark, Query, Sort, Store, TaskOf, Unavailable};
use jiff::Timestamp;
use std::collections::BTreeMap;
use std::fmt;

/// Orders that are named though they do not stand on the list.
const NAMED: usize = 10;

/// From where on: the moment of the list before, for people, and what was committed by then.
#[derive(Clone, Copy)]
pub(super) struct Since {
    pub(super) at: Timestamp,
    pub(super) mark: Mark,
}

impl Since {
    /// As an address has it: `{moment}~{mark}`.
    pub(super) fn read(text: &str) -> Option<Self> {
        let (at, mark) = text.trim().split_once('~')?;
        Some(Self { at: at.parse().ok()?, mark: Mark::read(mark)? })
    }
}

impl fmt::Display for Since {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}~{}", self.at, self.mark)
    }
}

/// What changed.
#[derive(Default)]
pub(super) struct Changes {
    /// The moment, for people.
    pub(super) at: String,
    /// Of orders on this page of the list, by id: what happened to each.
    pub(super) here: BTreeMap<String, Vec<String>>,
    /// Of orders that the filters do not show now: id, name, what happened.
    pub(super) elsewhere: Vec<(ItemId, String, Vec<String>)>,
    /// How many more of those there are.
    pub(super) more: u64,
    /// Why it is not known.
    pub(super) trouble: Option<String>,
}

impl Changes {
    /// In a sentence, for the head of the list.
    pub(super) fn words(&self) -> String {
        let at = &self.at;
        match self.here.len() {
            0 => format!("Nothing on this page changed by others since {at}."),
            1 => format!(
                "1 order on this page is new or was changed by others since {at}; it is marked with what changed."
            ),
            n => format!(
                "{n} orders on this page are new or were changed by others since {at}; they are marked with what changed."
            ),
        }
    }
}

/// What happened, in a few words; nothing of what is no change for others.
fn words(app: &App, entry: &Entry) -> Option<String> {
    let by = &entry.by.name;
    Some(match &entry.what {
        Event::Recorded { replaces: None } => "New".to_owned(),
        Event::Recorded { replaces: Some(_) } => "New: the order was changed to this".to_owned(),
        Event::JudgedAgain { .. } => crate::answer::capital(&entry.what.words(&|at| moment(app, at))),
        Event::Replaced { .. } => "Superseded: the order was changed".to_owned(),
        Event::Returned { .. } => "The order was changed back to this".to_owned(),
        Event::CardAnswered { .. } => "The prescriber answered the card".to_owned(),
        Event::Viewed => return None,
        Event::Did { lane, action } => {
            let what = match action {
                Action::Take => format!("Taken by {by}"),
                Action::GiveBack => format!("Given back by {by}"),
                Action::HandOver { to, .. } => format!("Handed over to {} by {by}", to.name),
                Action::AskPrescriber { .. } => format!("Prescriber asked by {by}"),
                Action::Accept { .. } => format!("Decided by {by}: left as it is"),
                Action::CloseAsChanged { .. } => format!("Decided by {by}: the order was changed"),
                Action::Snooze { until, .. } => format!("Put off by {by} until {}", moment(app, *until)),
                Action::Reopen { .. } => format!("Decision taken back by {by}"),
                Action::Comment { .. } => return Some(format!("Comment by {by}")),
                Action::Judge { .. } => return None,
            };
            format!("{what} ({})", lane_name(*lane).to_lowercase())
        }
    })
}

/// What changed since then on a page of the list, and of what the filters would show whatever became of it.
pub(super) async fn changes(
    app: &App,
    store: &dyn Store,
    (filter, items): (&Filter, &[Summary]),
    me: &Person,
    (since, now): (Since, Timestamp),
) -> Changes {
    let mut out = Changes { at: moment(app, since.at), ..Changes::default() };
    match fill(app, store, (filter, items), me, (since, now), &mut out).await {
        Ok(()) => {}
        Err(Unavailable::NoSuchPage) => {
            out.trouble = Some(format!(
                "What changed since {} is not known: the list of then is not of this queue as it is now. Look at all of it.",
                out.at
            ));
        }
        Err(why) => out.trouble = Some(format!("What changed since {} cannot be read now: {why}.", out.at)),
    }
    out
}

/// All items that a filter shows, of some.
async fn all(store: &dyn Store, filter: Filter, now: Timestamp) -> Result<Vec<Summary>, Unavailable> {
    let mut query = Query { filter, sort: Sort::Changed, after: None, limit: MOST_OF_A_PAGE, now };
    let mut out = Vec::new();
    loop {
        let page = store.list(query.clone()).await?;
        out.extend(page.items);
        match page.next {
            Some(next) => query.after = Some(next),
            None => return Ok(out),
        }
    }
}

async fn fill(
    app: &App,
    store: &dyn Store,
    (filter, items): (&Filter, &[Summary]),
    me: &Person,
    (since, now): (Since, Timestamp),
    out: &mut Changes,
) -> Result<(), Unavailable> {
    let committed = store.committed(since.mark).await?;
    if !committed.all {
        out.trouble = Some(format!(
            "More than {MOST_COMMITTED} things happened on the queue since {}: what changed is not marked. Look at all of the list.",
            out.at
        ));
        return Ok(());
    }
    let mut by_item: BTreeMap<ItemId, Vec<String>> = BTreeMap::new();
    let others = committed.entries.iter().filter(|entry| !entry.by.is(me));
    let entries = others.filter_map(|entry| Some((&entry.item, crate::sheet::seen(&words(app, entry)?))));
    let moved = committed.moved.iter().map(|item| (item, "The ward is another".to_owned()));
    let unread = committed.unread.iter().map(|item| (item, "Something happened that cannot be read".to_owned()));
    for (item, what) in entries.chain(moved).chain(unread) {
        let own = by_item.entry(item.clone()).or_default();
        if own.last() != Some(&what) {
            own.push(what);
        }
    }
    for item in items {
        if let Some(what) = by_item.remove(&item.id) {
            out.here.insert(item.id.to_string(), what);
        }
    }
    if by_item.is_empty() {
        return Ok(());
    }
    // What was decided, taken or superseded may have left the list by it; of a lane, only what is its own.
    let fits = Filter { ids: Some(by_item.keys().cloned().collect()), ..filter.clone() };
    let task = filter.lane.as_ref().map(|(lanes, _)| TaskOf { lanes: lanes.clone(), is: Vec::new(), by: None });
    let any = Filter { lane: None, standing: Vec::new(), by: None, task, ..fits.clone() };
    // They stand on the list further on, or before.
    for item in all(store, fits, now).await? {
        by_item.remove(&item.id);
    }
    for item in all(store, any, now).await? {
        let Some(what) = by_item.remove(&item.id) else { continue };
        if out.elsewhere.len() < NAMED {
            out.elsewhere.push((item.id.clone(), crate::sheet::seen(&item.label), what));
        } else {
            out.more += 1;
        }
    }
    Ok(())
}
