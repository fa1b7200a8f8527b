//! What changed since somebody looked at the list: of each order, in words, who did what.

use super::lane_name;
use crate::http::App;
use crate::http::pages::html::moment;
use crate::queue::Person;
use crate::queue::item::{ItemId, Summary};
use crate::queue::trail::{Entry, Event};
use crate::queue::work::Action;
use crate::store::{Filter, MOST_OF_A_PAGE, Query, Sort, Store, Unavailable};
use jiff::{SignedDuration, Timestamp};
use std::collections::BTreeMap;

/// Orders that are named though they do not stand on the list.
const NAMED: usize = 10;

/// What was done at a moment may be kept a little later: as much before a list is told as well, so that nothing is missed
/// between one list and the next.
const BEFORE: SignedDuration = SignedDuration::from_secs(2);

/// What changed.
#[derive(Default)]
pub(super) struct Changes {
    /// The moment, for people.
    pub(super) at: String,
    /// Of orders on this page of the list, by id: what happened to each.
    pub(super) here: BTreeMap<String, Vec<String>>,
    /// Of orders that the filters do not show now: id, name, what happened.
    pub(super) elsewhere: Vec<(String, String, Vec<String>)>,
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

/// The moment to ask from when this list is asked for anew.
pub(super) fn mark(now: Timestamp) -> String {
    now.checked_sub(BEFORE).unwrap_or(now).to_string()
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

/// What others did to an item since a moment, the last last.
async fn of(
    app: &App,
    store: &dyn Store,
    item: &ItemId,
    me: &Person,
    since: Timestamp,
) -> Result<Vec<String>, Unavailable> {
    let trail = store.trail(item.clone()).await?;
    let others = trail.iter().filter(|entry| entry.at >= since && !entry.by.is(me));
    let mut out: Vec<String> =
        others.filter_map(|entry| words(app, entry)).map(|text| crate::sheet::seen(&text)).collect();
    out.dedup();
    Ok(out)
}

/// What changed since a moment on a page of the list, and of what the filters would show whatever became of it.
pub(super) async fn changes(
    app: &App,
    store: &dyn Store,
    (filter, items): (&Filter, &[Summary]),
    me: &Person,
    (since, now): (Timestamp, Timestamp),
) -> Changes {
    let mut out = Changes { at: moment(app, since), ..Changes::default() };
    if let Err(why) = fill(app, store, (filter, items), me, (since, now), &mut out).await {
        out.trouble = Some(format!("What changed since {} cannot be read now: {why}.", out.at));
    }
    out
}

async fn fill(
    app: &App,
    store: &dyn Store,
    (filter, items): (&Filter, &[Summary]),
    me: &Person,
    (since, now): (Timestamp, Timestamp),
    out: &mut Changes,
) -> Result<(), Unavailable> {
    for item in items.iter().filter(|item| item.changed_at >= since) {
        let what = of(app, store, &item.id, me, since).await?;
        if !what.is_empty() {
            out.here.insert(item.id.to_string(), what);
        }
    }
    // What was decided, taken or superseded may have left the list by it.
    let query = |filter| Query { filter, sort: Sort::Changed, after: None, limit: MOST_OF_A_PAGE, now };
    let fits = Filter { changed_from: Some(since), ..filter.clone() };
    let any = Filter { lane: None, standing: Vec::new(), by: None, ..fits.clone() };
    let fits: Vec<ItemId> = store.list(query(fits)).await?.items.into_iter().map(|item| item.id).collect();
    let all = store.list(query(any)).await?;
    let seen = all.items.len() as u64;
    for item in all.items.into_iter().filter(|item| !fits.contains(&item.id)) {
        if out.elsewhere.len() >= NAMED {
            out.more += 1;
            continue;
        }
        let what = of(app, store, &item.id, me, since).await?;
        if !what.is_empty() {
            out.elsewhere.push((item.id.to_string(), crate::sheet::seen(&item.label), what));
        }
    }
    out.more += all.total.saturating_sub(seen);
    Ok(())
}
