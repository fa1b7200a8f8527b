//! Lists and counts against a plain reading of every item, over random items and filters: whether lists are worked out
//! from what is held in memory or by the database, and at another replica than the one that wrote.

use crate::orders::{GAPS, Place, accept, at, command, holds, json, order, person, pharmacist, query};
use enteral_gate::findings::Tier;
use enteral_gate::queue::item::{ItemId, Standing, Summary};
use enteral_gate::queue::task::TaskIs;
use enteral_gate::queue::urgency::Times;
use enteral_gate::queue::work::{Action, Decision, LaneState};
use enteral_gate::queue::{Lane, Role};
use enteral_gate::sheet::{Identifier, Identity};
use enteral_gate::store::{Counts, Filter, Key, LaneIs, Query, Sort, SqlStore, Store, TaskOf};
use jiff::Timestamp;
use std::collections::BTreeSet;
use std::sync::Arc;
use std::time::{SystemTime, UNIX_EPOCH};

const ORDERS: usize = 150;
const CHANGES: usize = 250;
const FILTERS: usize = 150;

/// A generator of numbers that is the same everywhere (xorshift, Marsaglia 2003).
struct Numbers(u64);

impl Numbers {
    fn below(&mut self, n: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 % n as u64) as usize
    }

    fn one<T: Clone>(&mut self, of: &[T]) -> T {
        of[self.below(of.len())].clone()
    }

    fn chance(&mut self, one_of: usize) -> bool {
        self.below(one_of) == 0
    }
}

const WARDS: [Option<&str>; 6] = [None, Some("Ward A"), Some("ward a"), Some("Ward_B"), Some("50% ÄÖ"), Some("")];
const TIERS: [Tier; 4] = [Tier::Stop, Tier::High, Tier::Med, Tier::Low];
const RULES: [&str; 5] = ["RULE-1", "rule-1", "RULE-10", "RULE_1", "%"];
const NAMES: [&str; 7] = ["Feed", "FEED 100%", "a_b", "back\\slash", "İstanbul Σς", "漢字 🍼", "tab\tand\nline"];
const WORDS: [&str; 22] = [
    "24.12.1958",
    "24/12/1958",
    "12/24/1958",
    "12.24.1958",
    "harald",
    "MRN-4",
    "dec",
    "1958-12",
    "feed",
    "FEED",
    "100%",
    "a_b",
    "aXb",
    "\\",
    "İ",
    "Σ",
    "漢",
    "rule",
    "invented",
    "lowered",
    "n1",
    "zzz",
];

/// What is searched for words, as the documents say: the order's name, its patient with name, birth and identifiers, ward, first finding, rules, who has
/// to do with it, and what was changed.
fn searched(s: &Summary) -> String {
    let mut parts = vec![s.label.clone(), s.key.patient.clone(), s.key.order.clone()];
    if let Some(who) = &s.identity {
        parts.push(who.name.clone());
        parts.extend(who.called.iter().chain(&who.born).cloned());
        parts.extend(who.born_words());
        parts.extend(who.identifiers.iter().map(|one| one.value.clone()));
    }
    parts.extend(s.ward.clone());
    parts.push(s.headline.clone());
    parts.extend(s.rules.clone());
    for state in [&s.pharmacist.state, &s.dietitian.state] {
        parts.extend(state.by().map(|by| by.name.clone()));
        if let LaneState::Decided { decision: Decision::Changed { note }, .. } = state {
            parts.push(note.clone());
        }
    }
    parts.join("\n").to_lowercase()
}

fn fits(s: &Summary, f: &Filter, now: Timestamp) -> bool {
    let lane_is = |lane: Lane, is: LaneIs| {
        let state = &s.lane(lane).state;
        let word = state.word_at(now);
        match is {
            LaneIs::Waiting => state.waits(),
            LaneIs::Free => word == "open",
            LaneIs::Taken => word == "taken",
            LaneIs::Asked => word == "asked",
            LaneIs::Snoozed => word == "snoozed",
            LaneIs::Decided => word == "decided",
        }
    };
    let text = searched(s);
    let by = |id: &String| [&s.pharmacist, &s.dietitian].iter().any(|l| l.state.by().is_some_and(|by| by.id == *id));
    (f.standing.is_empty() || f.standing.contains(&s.standing))
        && f.task.as_ref().is_none_or(|task| Lane::ALL.into_iter().any(|lane| task.has(s, lane, now)))
        && (f.tiers.is_empty() || s.tier.is_some_and(|tier| f.tiers.contains(&tier)))
        && (f.grades.is_empty() || f.grades.contains(&s.grade()))
        && f.lane.as_ref().is_none_or(|(lanes, is)| lanes.iter().any(|lane| lane_is(*lane, *is)))
        && f.ward.as_ref().is_none_or(|w| if w.is_empty() { s.ward.is_none() } else { s.ward.as_ref() == Some(w) })
        && f.rule.as_ref().is_none_or(|rule| s.rules.contains(rule))
        && f.patient.as_ref().is_none_or(|p| s.key.patient == *p || s.key.patient.ends_with(&format!("/{p}")))
        && f.by.as_ref().is_none_or(by)
        && f.received_by.is_none_or(|t| s.received <= t)
        && f.received_from.is_none_or(|t| s.received >= t)
        && f.starts_before.is_none_or(|t| s.starts.is_some_and(|at| at < t))
        && f.starts_from.is_none_or(|t| s.starts.is_some_and(|at| at >= t))
        && f.changed_from.is_none_or(|t| s.changed_at >= t)
        && f.changed_before.is_none_or(|t| s.changed_at < t)
        && f.received_outside.iter().all(|(from, before)| s.received < *from || s.received >= *before)
        && f.changed_outside.iter().all(|(from, before)| s.changed_at < *from || s.changed_at >= *before)
        && f.not_fully_checked.is_none_or(|missing| (s.not_evaluated > 0) == missing)
        && f.ids.as_ref().is_none_or(|ids| ids.contains(&s.id))
        && f.search.split_whitespace().all(|word| {
            let born = match word {
                "24.12.1958" | "12/24/1958" | "24/12/1958" => "1958-12-24",
                _ => word,
            };
            text.contains(&word.to_lowercase()) || text.contains(&born.to_lowercase())
        })
}

fn random_filter(n: &mut Numbers, patients: &[String]) -> Filter {
    let mut f = Filter::default();
    let minute = |n: &mut Numbers| at(n.below(600) as i64);
    if n.chance(3) {
        let lanes = if n.chance(3) { Lane::ALL.to_vec() } else { vec![n.one(&Lane::ALL)] };
        f.lane = Some((lanes, n.one(&LaneIs::ALL).0));
    }
    if n.chance(3) {
        f.standing = vec![n.one(&Standing::ALL)];
    }
    if n.chance(8) {
        let lanes = if n.chance(3) { Lane::ALL.to_vec() } else { vec![n.one(&Lane::ALL)] };
        let is = if n.chance(2) { vec![n.one(&TaskIs::ALL).0, n.one(&TaskIs::ALL).0] } else { Vec::new() };
        let by = if n.chance(2) { Some(n.one(&["ann", "bob", "dan", "nobody"]).to_owned()) } else { None };
        f.task = Some(TaskOf { lanes, is, by });
    }
    if n.chance(4) {
        f.tiers = vec![n.one(&TIERS), n.one(&TIERS)];
    }
    if n.chance(6) {
        f.grades = vec![n.below(5) as u8, n.below(5) as u8];
    }
    if n.chance(4) {
        f.ward = Some(n.one(&WARDS).unwrap_or("Ward Z").to_owned());
    }
    if n.chance(5) {
        f.rule = Some(n.one(&RULES).to_owned());
    }
    if n.chance(6) {
        f.patient = Some(n.one(patients));
    }
    if n.chance(6) {
        f.by = Some(n.one(&["ann", "bob", "dan", "nobody", ""]).to_owned());
    }
    for time in [
        &mut f.received_by,
        &mut f.received_from,
        &mut f.starts_before,
        &mut f.starts_from,
        &mut f.changed_from,
        &mut f.changed_before,
    ] {
        if n.chance(10) {
            *time = Some(minute(n));
        }
    }
    for outside in [&mut f.received_outside, &mut f.changed_outside] {
        if n.chance(10) {
            let (a, b) = (minute(n), minute(n));
            outside.push((a.min(b), a.max(b)));
        }
    }
    if n.chance(6) {
        f.not_fully_checked = Some(n.chance(2));
    }
    for _ in 0..n.below(4).saturating_sub(1) {
        f.search.push_str(n.one(&WORDS));
        f.search.push(' ');
    }
    f
}

/// Who the patient may be; invented.
fn random_identity(n: &mut Numbers) -> Identity {
    let identifier = |value: &str| Identifier { label: "Record number".to_owned(), value: value.to_owned() };
    Identity {
        name: n.one(&["Harald Invented", "HARALD O_O", ""]).to_owned(),
        called: n.chance(3).then(|| "Harry 100%".to_owned()),
        born: n.one(&[None, Some("1958-12-24"), Some("1958-12"), Some("in May")]).map(str::to_owned),
        identifiers: n.one(&[vec![], vec![identifier("MRN-4711")], vec![identifier("MRN-42"), identifier("x")]]),
    }
}

/// Something that happens to an order.
async fn change(store: &SqlStore, n: &mut Numbers, orders: &mut [enteral_gate::queue::item::Received], minute: i64) {
    let nth = n.below(orders.len());
    let id = orders[nth].id();
    let (ann, bob, dan) = (pharmacist("ann"), pharmacist("bob"), person("dan", Role::Dietitian));
    let who = n.one(&[ann, bob, dan]);
    let action = match n.below(10) {
        0 => Action::Take,
        1 => accept(),
        2 => Action::CloseAsChanged { note: "rate LOWERED".to_owned() },
        3 => Action::AskPrescriber { question: "why?".to_owned() },
        4 => Action::Snooze { until: at(minute + 90), note: String::new() },
        5 => Action::Comment { text: "a word".to_owned() },
        6 => {
            // The same again, from another ward: no line in the trail tells of it.
            orders[nth].ward = n.one(&WARDS).map(str::to_owned);
            orders[nth].at = at(minute);
            store.record(vec![orders[nth].clone()]).await.unwrap();
            return;
        }
        8 => {
            // More is known of the patient, or something else.
            orders[nth].identity = random_identity(n);
            orders[nth].at = at(minute);
            store.record(vec![orders[nth].clone()]).await.unwrap();
            return;
        }
        7 => {
            // Another content, which replaces this one.
            let other = json("n", "p", &format!(r#","note":[{{"text":"{minute}"}}]{GAPS}"#));
            holds(&mut orders[nth], other);
            orders[nth].at = at(minute);
            store.record(vec![orders[nth].clone()]).await.unwrap();
            return;
        }
        _ => {
            // The same content, judged otherwise.
            Arc::make_mut(&mut orders[nth].report).findings[0].tier = n.one(&TIERS);
            orders[nth].at = at(minute);
            store.record(vec![orders[nth].clone()]).await.unwrap();
            return;
        }
    };
    let seen = store.get(id.clone()).await.unwrap().map_or(1, |item| item.summary.version);
    // What may not be done is part of it.
    let _ = store.act(id, command(&who, seen, minute, action)).await;
}

async fn pages(store: &SqlStore, n: &mut Numbers, filter: &Filter, sort: Sort, now: Timestamp) -> (Vec<ItemId>, u64) {
    let mut ids = Vec::new();
    let mut q = Query { filter: filter.clone(), sort, now, ..query(1 + n.below(40)) };
    loop {
        let page = store.list(q.clone()).await.unwrap();
        ids.extend(page.items.into_iter().map(|s| s.id));
        match page.next {
            Some(next) => q.after = Some(next),
            None => return (ids, page.total),
        }
    }
}

fn counted(all: &[Summary], now: Timestamp) -> Counts {
    let newest = all.iter().map(|s| s.received).max();
    let mut out = Counts { newest, ..Counts::default() };
    for s in all.iter().filter(|s| s.standing == Standing::Open) {
        out.open += 1;
        out.not_fully_checked += u64::from(s.not_evaluated > 0);
        *out.tiers.entry(s.tier.map_or("none", |tier| tier.code()).to_owned()).or_default() += 1;
        *out.wards.entry(s.ward.clone().unwrap_or_default()).or_default() += 1;
        out.oldest = Some(out.oldest.map_or(s.received, |oldest| oldest.min(s.received)));
    }
    for lane in Lane::ALL {
        let lanes = out.lanes.entry(lane).or_default();
        for s in all.iter().filter(|s| s.standing == Standing::Open) {
            *lanes.entry(s.lane(lane).state.word_at(now).to_owned()).or_default() += 1;
        }
    }
    out
}

async fn lists_are_what_a_plain_reading_gives(place: Place) {
    let seed = SystemTime::now().duration_since(UNIX_EPOCH).unwrap().as_nanos() as u64 | 1;
    let seed = std::env::var("EG_SEED").ok().map_or(seed, |seed| seed.parse().expect("EG_SEED is a number"));
    println!("EG_SEED={seed}");
    let mut n = Numbers(seed);
    let (writes, looks, asks) = (place.open().await, place.open().await, place.open().await);
    asks.hold_at_most(0);
    let mut orders = Vec::new();
    for nth in 0..ORDERS {
        let mut one = order(nth, 1, n.below(300) as i64);
        one.label = format!("{} {nth}", n.one(&NAMES));
        one.key.patient =
            format!("{}{}", n.one(&["Patient/p", "Patient/P", "p", "https://x.example/Patient/p"]), n.below(20));
        one.identity = random_identity(&mut n);
        one.ward = n.one(&WARDS).map(str::to_owned);
        one.starts = n.chance(2).then(|| at(n.below(600) as i64));
        Arc::make_mut(&mut one.report).findings.truncate(1);
        let report = Arc::make_mut(&mut one.report);
        report.findings[0].tier = n.one(&TIERS);
        report.findings[0].rule = n.one(&RULES).to_owned();
        if n.chance(3) {
            report.not_evaluated.clear();
        }
        orders.push(one);
    }
    let patients: Vec<String> =
        orders.iter().flat_map(|o| [o.key.patient.clone(), format!("p{}", o.key.patient.len())]).collect();
    let mut ids: BTreeSet<ItemId> = orders.iter().map(|o| o.id()).collect();
    writes.record(orders.clone()).await.unwrap();
    let mut some = 0;
    for round in 0..FILTERS {
        for _ in 0..CHANGES / FILTERS + 1 {
            change(&writes, &mut n, &mut orders, 300 + round as i64).await;
        }
        ids.extend(orders.iter().map(|o| o.id()));
        let now = at(300 + round as i64);
        let mut all = Vec::new();
        for id in &ids {
            all.extend(writes.get(id.clone()).await.unwrap().map(|item| item.summary));
        }
        let mut filter = random_filter(&mut n, &patients);
        if n.chance(6) {
            filter.ids = Some(ids.iter().filter(|_| n.chance(2)).cloned().collect());
        }
        let by = Sort::By(n.one(&Key::ALL), n.chance(2));
        let sort = n.one(&[Sort::Urgency, Sort::Changed, by, by]);
        let mut wanted: Vec<&Summary> = all.iter().filter(|s| fits(s, &filter, now)).collect();
        match sort {
            Sort::Urgency => wanted.sort_by_key(|s| {
                (s.put_off(filter.lanes(), now).is_some(), s.sort_key(&Times::default()), s.id.clone())
            }),
            Sort::Changed => wanted.sort_by_key(|s| (std::cmp::Reverse(s.changed_at), s.id.clone())),
            Sort::By(key, down) => wanted.sort_by(|a, b| {
                let order = match key {
                    Key::Received => a.received.cmp(&b.received),
                    Key::Changed => a.changed_at.cmp(&b.changed_at),
                    Key::Grade => a.grade().cmp(&b.grade()),
                };
                (if down { order.reverse() } else { order }).then_with(|| a.id.cmp(&b.id))
            }),
        }
        let wanted: Vec<ItemId> = wanted.into_iter().map(|s| s.id.clone()).collect();
        some += usize::from(!wanted.is_empty());
        for (name, store) in [("in memory", &looks), ("by the database", &asks), ("where it was written", &writes)] {
            let (found, total) = pages(store, &mut n, &filter, sort, now).await;
            assert_eq!(found, wanted, "{name}, seed {seed}, round {round}: {filter:?}");
            assert_eq!(total, wanted.len() as u64, "{name}, seed {seed}: {filter:?}");
            assert_eq!(store.counts(now).await.unwrap(), counted(&all, now), "{name}, seed {seed}, round {round}");
        }
    }
    assert!(some > FILTERS / 5, "most filters fit nothing: {some}");
    let open = all_open(&all_of(&writes, &ids).await);
    // What is purged is on no list any more.
    let removed = writes.purge(at(10_000), pharmacist("ann"), at(10_001)).await.unwrap();
    assert!(removed > 0);
    for store in [&looks, &asks, &writes] {
        let (found, total) = pages(store, &mut n, &Filter::default(), Sort::Urgency, at(10_001)).await;
        assert_eq!(found.into_iter().collect::<BTreeSet<_>>(), open);
        assert_eq!(total, open.len() as u64);
    }
}

async fn all_of(store: &SqlStore, ids: &BTreeSet<ItemId>) -> Vec<Summary> {
    let mut all = Vec::new();
    for id in ids {
        all.extend(store.get(id.clone()).await.unwrap().map(|item| item.summary));
    }
    all
}

fn all_open(all: &[Summary]) -> BTreeSet<ItemId> {
    all.iter().filter(|s| s.standing == Standing::Open).map(|s| s.id.clone()).collect()
}

#[test]
fn sqlite_lists_are_what_a_plain_reading_gives() {
    crate::orders::on_sqlite(lists_are_what_a_plain_reading_gives);
}

#[test]
fn postgres_lists_are_what_a_plain_reading_gives() {
    crate::orders::on_postgres(lists_are_what_a_plain_reading_gives);
}
