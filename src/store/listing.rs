//! What lists and counts are worked out from: a line in memory for every item, with everything that is looked for.
//!
//! Before each look the lines are brought to what is committed at that moment: entries of the trail that are newer than
//! the last one seen name the items that changed, whichever replica changed them, and a trigger notes the one change that
//! leaves no entry ([`super::schema`], `moves`). So a list is of the database and never of what this process happens to
//! know. What is shown of the items found is read from the database. Where there are more items than are to be held in
//! memory, or something is kept that this program does not know, the database is asked instead ([`super::reader`]).

use super::sql::{Dialect, locked, statement, trouble};
use super::statements::list as marks;
use super::upkeep::snapshot;
use super::{Counts, Filter, Key, LaneIs, MOST_OF_A_PAGE, Query, TaskOf, Unavailable};
use crate::findings::Tier;
use crate::queue::Lane;
use crate::queue::item::{ItemId, Standing};
use crate::queue::task::TaskIs;
use futures_util::TryStreamExt as _;
use jiff::Timestamp;
use memchr::memmem::Finder;
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, AnyPool, AssertSqlSafe, Row};
use std::collections::{BTreeMap, BTreeSet, BinaryHeap, HashMap, HashSet};
use std::sync::{Mutex, PoisonError, RwLock};
use std::time::{Duration, Instant};
use uuid::Uuid;

/// Most items whose lines are held, about half a kilobyte each.
pub(super) const MOST_LINES: u64 = 250_000;
/// More entries than that, and everything is read again at once.
const MOST_NEW_ENTRIES: i64 = 20_000;
/// More entries than that are left to the next look: a queue that is being filled is not read all the time.
const MOST_BETWEEN_LOOKS: i64 = 5_000;
/// How often the lines are brought up to date when nobody looks, so that the first look after a while is no slow one.
const BETWEEN_LOOKS: Duration = Duration::from_secs(10);
/// How long the database is asked before it is tried again to hold the lines.
const TRY_AGAIN: Duration = Duration::from_secs(600);
/// Items that are read by one statement.
const AT_A_TIME: usize = 256;

pub(super) const COLUMNS: &str = "id, standing, sort_key, grade, tier, not_checked, ward, patient, starts, received, changed, \
                       pharmacist, pharmacist_by, pharmacist_until, dietitian, dietitian_by, dietitian_until, rules, search";

/// States of a lane; a line holds the place in this list.
const STATES: [&str; 6] = ["not-asked", "open", "taken", "asked", "snoozed", "decided"];
const NOT_ASKED: u8 = 0;
const OPEN: u8 = 1;
const TAKEN: u8 = 2;
const ASKED: u8 = 3;
const SNOOZED: u8 = 4;
const DECIDED: u8 = 5;

/// Digits of a sort key.
const DIGITS: usize = 21;

/// A lane of a line.
#[derive(Clone, Copy)]
struct OfLane {
    state: u8,
    by: Option<u32>,
    until: Option<i64>,
}

impl OfLane {
    fn is(&self, is: LaneIs, now: i64) -> bool {
        let held = matches!(self.state, TAKEN | SNOOZED);
        let still = self.until.is_some_and(|until| until > now);
        match is {
            LaneIs::Waiting => !matches!(self.state, NOT_ASKED | DECIDED),
            LaneIs::Free => self.state == OPEN || held && self.until.is_some() && !still,
            LaneIs::Taken => self.state == TAKEN && still,
            LaneIs::Snoozed => self.state == SNOOZED && still,
            LaneIs::Asked => self.state == ASKED,
            LaneIs::Decided => self.state == DECIDED,
        }
    }

    /// Whether what somebody began still counts.
    fn counts(&self, now: i64) -> bool {
        self.until.is_none_or(|until| until > now)
    }

    /// As [`crate::queue::item::Summary::task`].
    fn task(&self, standing: Standing, now: i64) -> Option<TaskIs> {
        Some(match (standing, self.state) {
            (_, NOT_ASKED) => return None,
            (Standing::Replaced, _) => TaskIs::Cancelled,
            (_, DECIDED) => TaskIs::Completed,
            (Standing::Closed, _) => TaskIs::Cancelled,
            (Standing::Open, OPEN) => TaskIs::Requested,
            (Standing::Open, _) if self.counts(now) => TaskIs::InProgress,
            (Standing::Open, _) => TaskIs::Requested,
        })
    }

    /// The place of its state now.
    fn now(&self, now: i64) -> usize {
        usize::from(if self.until.is_some_and(|until| until <= now) { OPEN } else { self.state })
    }
}

/// What is looked for of an item. Texts that many have are numbers of [`Words`].
struct Line {
    id: u128,
    sort_key: u128,
    standing: Standing,
    tier: Option<Tier>,
    grade: i64,
    not_checked: bool,
    ward: Option<u32>,
    starts: Option<i64>,
    received: i64,
    changed: i64,
    lanes: [OfLane; 2],
    rules: u32,
    patient: Box<str>,
    search: Box<str>,
}

impl Line {
    /// As [`crate::queue::item::Summary::put_off`].
    fn is_put_off(&self, lanes: &[Lane], now: i64) -> bool {
        let lanes = || lanes.iter().map(|lane| of_lane(self, *lane));
        self.standing == Standing::Open
            && lanes().any(|lane| lane.is(LaneIs::Snoozed, now))
            && lanes().all(|lane| !lane.is(LaneIs::Waiting, now) || lane.is(LaneIs::Snoozed, now))
    }
}

/// Texts, each held once.
#[derive(Default)]
struct Words {
    numbers: HashMap<Box<str>, u32>,
    texts: Vec<Box<str>>,
}

impl Words {
    fn number(&mut self, text: &str) -> u32 {
        if let Some(number) = self.numbers.get(text) {
            return *number;
        }
        let number = u32::try_from(self.texts.len()).unwrap_or(u32::MAX);
        self.texts.push(text.into());
        self.numbers.insert(text.into(), number);
        number
    }
}

/// Lines of every item, as they were after an entry of the trail.
#[derive(Default)]
struct Lines {
    lines: Vec<Line>,
    places: HashMap<u128, usize>,
    words: Words,
    entry: i64,
}

fn number_of(id: &str) -> Option<u128> {
    Uuid::parse_str(id).ok().map(|id| id.as_u128())
}

fn id_of(number: u128) -> Option<ItemId> {
    ItemId::read(&Uuid::from_u128(number).to_string())
}

fn sort_key(text: &str) -> Option<u128> {
    let digits = text.len() == DIGITS && text.bytes().all(|b| b.is_ascii_digit());
    digits.then(|| text.parse().ok()).flatten()
}

/// Before the digits of a sort key, where it is put off: behind all others.
const BEHIND: u128 = 10_u128.pow(DIGITS as u32);

/// The place of a cursor: a sort key, after a 1 where it is put off.
fn place(text: &str) -> Option<u128> {
    match text.strip_prefix('1').filter(|_| text.len() > DIGITS) {
        Some(key) => Some(BEHIND + sort_key(key)?),
        None => sort_key(text),
    }
}

/// A value in an order upwards, or downwards.
fn rank(value: i64, down: bool) -> u128 {
    u128::from(if down { i64::MAX.abs_diff(value) } else { i64::MIN.abs_diff(value) })
}

impl Lines {
    /// Takes a row of [`COLUMNS`]; nothing where something is in it that this program does not know.
    fn take(&mut self, row: &AnyRow) -> Result<Option<()>, sqlx::Error> {
        let text = |at: usize| row.try_get::<Option<String>, _>(at);
        let number = |at: usize| row.try_get::<Option<i64>, _>(at);
        let known = |text: Option<String>| text.unwrap_or_default();
        let tier = match text(4)? {
            None => None,
            Some(code) => {
                match [Tier::Stop, Tier::High, Tier::Med, Tier::Low].into_iter().find(|tier| tier.code() == code) {
                    None => return Ok(None),
                    tier => tier,
                }
            }
        };
        let mut lanes = [OfLane { state: NOT_ASKED, by: None, until: None }; 2];
        for (lane, at) in lanes.iter_mut().zip([11, 14]) {
            let word = known(text(at)?);
            let Some(state) = STATES.iter().position(|state| *state == word) else { return Ok(None) };
            lane.state = u8::try_from(state).unwrap_or_default();
            lane.by = text(at + 1)?.map(|by| self.words.number(&by));
            lane.until = number(at + 2)?;
        }
        let (Some(id), Some(standing), Some(sort_key)) =
            (number_of(&known(text(0)?)), Standing::of(&known(text(1)?)), sort_key(&known(text(2)?)))
        else {
            return Ok(None);
        };
        let line = Line {
            id,
            sort_key,
            standing,
            tier,
            grade: number(3)?.unwrap_or_default(),
            not_checked: number(5)?.unwrap_or_default() != 0,
            ward: text(6)?.map(|ward| self.words.number(&ward)),
            starts: number(8)?,
            received: number(9)?.unwrap_or_default(),
            changed: number(10)?.unwrap_or_default(),
            lanes,
            rules: self.words.number(&known(text(17)?)),
            patient: known(text(7)?).into(),
            search: known(text(18)?).into(),
        };
        match self.places.get(&id).and_then(|place| self.lines.get_mut(*place)) {
            Some(before) => *before = line,
            None => {
                self.places.insert(id, self.lines.len());
                self.lines.push(line);
            }
        }
        Ok(Some(()))
    }
}

/// A filter made ready for many lines.
struct Wanted<'f> {
    filter: &'f Filter,
    now: i64,
    /// The ward's number; nothing fits where it has none.
    ward: Option<Option<u32>>,
    /// Per number, whether it is a text of rules with the one that is looked for.
    rules: Option<Vec<bool>>,
    by: Option<Option<u32>>,
    /// Who has the task.
    owner: Option<Option<u32>>,
    ids: Option<HashSet<u128>>,
    patient: Option<(&'f str, String)>,
    /// Each word, in every way in which it may be meant.
    words: Vec<Vec<Finder<'static>>>,
}

impl<'f> Wanted<'f> {
    fn new(filter: &'f Filter, words: &Words, now: Timestamp) -> Self {
        let number = |text: &String| words.numbers.get(text.as_str()).copied();
        let with = |rule: &String| {
            let rule = format!("|{rule}|");
            words.texts.iter().map(|text| text.contains(&rule)).collect()
        };
        let finders = |readings: Vec<String>| readings.iter().map(|word| Finder::new(word).into_owned()).collect();
        Self {
            filter,
            now: now.as_microsecond(),
            ward: filter.ward.as_ref().map(number),
            rules: filter.rule.as_ref().map(with),
            by: filter.by.as_ref().map(number),
            owner: filter.task.as_ref().and_then(|task| task.by.as_ref()).map(number),
            ids: filter.ids.as_ref().map(|ids| ids.iter().filter_map(|id| number_of(id.as_str())).collect()),
            patient: filter.patient.as_ref().map(|patient| (patient.as_str(), format!("/{patient}"))),
            words: super::words::words(&filter.search).into_iter().map(finders).collect(),
        }
    }

    fn has(&self, line: &Line) -> bool {
        let filter = self.filter;
        let any = |empty: bool, fits: bool| empty || fits;
        let time = |bound: Option<Timestamp>, holds: fn(i64, i64) -> bool, at: Option<i64>| {
            bound.is_none_or(|bound| at.is_some_and(|at| holds(at, bound.as_microsecond())))
        };
        let (received, changed) = (Some(line.received), Some(line.changed));
        self.ids.as_ref().is_none_or(|ids| ids.contains(&line.id))
            && any(filter.standing.is_empty(), filter.standing.contains(&line.standing))
            && any(filter.tiers.is_empty(), line.tier.is_some_and(|tier| filter.tiers.contains(&tier)))
            && any(filter.grades.is_empty(), filter.grades.iter().any(|grade| i64::from(*grade) == line.grade))
            && filter.task.as_ref().is_none_or(|task| self.has_task(line, task))
            && filter
                .lane
                .as_ref()
                .is_none_or(|(lanes, is)| lanes.iter().any(|lane| of_lane(line, *lane).is(*is, self.now)))
            && filter.not_fully_checked.is_none_or(|missing| missing == line.not_checked)
            && self.in_ward(line)
            && self.rules.as_ref().is_none_or(|rules| {
                usize::try_from(line.rules).ok().and_then(|nth| rules.get(nth)).copied().unwrap_or_default()
            })
            && self.by.is_none_or(|by| by.is_some() && line.lanes.iter().any(|lane| lane.by == by))
            && time(filter.received_by, |at, bound| at <= bound, received)
            && time(filter.received_from, |at, bound| at >= bound, received)
            && time(filter.starts_before, |at, bound| at < bound, line.starts)
            && time(filter.starts_from, |at, bound| at >= bound, line.starts)
            && time(filter.changed_from, |at, bound| at >= bound, changed)
            && time(filter.changed_before, |at, bound| at < bound, changed)
            && outside(&filter.received_outside, line.received)
            && outside(&filter.changed_outside, line.changed)
            && self.patient.as_ref().is_none_or(|(whole, end)| &*line.patient == *whole || line.patient.ends_with(end))
            && self.words.iter().all(|any| any.iter().any(|word| word.find(line.search.as_bytes()).is_some()))
    }

    fn has_task(&self, line: &Line, task: &TaskOf) -> bool {
        task.lanes.iter().any(|lane| {
            let lane = of_lane(line, *lane);
            let is = lane.task(line.standing, self.now);
            is.is_some_and(|is| task.is.is_empty() || task.is.contains(&is))
                && self.owner.is_none_or(|by| by.is_some() && lane.by == by && lane.counts(self.now))
        })
    }

    fn in_ward(&self, line: &Line) -> bool {
        match self.ward {
            None => true,
            Some(_) if self.filter.ward.as_deref() == Some("") => line.ward.is_none(),
            Some(ward) => ward.is_some() && ward == line.ward,
        }
    }
}

/// Whether a time is in none of these.
fn outside(spans: &[(Timestamp, Timestamp)], at: i64) -> bool {
    spans.iter().all(|(from, before)| at < from.as_microsecond() || at >= before.as_microsecond())
}

fn of_lane(line: &Line, lane: Lane) -> &OfLane {
    let [pharmacist, dietitian] = &line.lanes;
    match lane {
        Lane::Pharmacist => pharmacist,
        Lane::Dietitian => dietitian,
    }
}

/// Items of a page, before what is shown of them is read.
pub(super) struct Found {
    pub(super) ids: Vec<ItemId>,
    pub(super) next: Option<String>,
    pub(super) total: u64,
}

impl Lines {
    fn page(&self, query: &Query) -> Result<Found, Unavailable> {
        let wanted = Wanted::new(&query.filter, &self.words, query.now);
        let (lanes, now) = (query.filter.lanes(), query.now.as_microsecond());
        let value = |line: &Line, key: Key| match key {
            Key::Received => line.received,
            Key::Changed => line.changed,
            Key::Grade => line.grade,
        };
        let key = |line: &Line| match query.sort.key() {
            None => line.sort_key + if line.is_put_off(lanes, now) { BEHIND } else { 0 },
            Some((key, down)) => rank(value(line, key), down),
        };
        let after = match &query.after {
            None => None,
            Some(cursor) => {
                let (text, id) = super::reader::read_cursor(cursor)?;
                let key = match query.sort.key() {
                    None => place(text),
                    Some((_, down)) => text.parse().ok().map(|value| rank(value, down)),
                };
                Some((key.ok_or(Unavailable::NoSuchPage)?, number_of(id.as_str()).unwrap_or_default()))
            }
        };
        let limit = query.limit.clamp(1, MOST_OF_A_PAGE);
        let mut total = 0;
        // The first of what fits, the last of them on top; one more than the page has says that there is another.
        let mut first: BinaryHeap<(u128, u128)> = BinaryHeap::with_capacity(limit + 2);
        for line in self.lines.iter().filter(|line| wanted.has(line)) {
            total += 1;
            let place = (key(line), line.id);
            if after.is_some_and(|after| place <= after) {
                continue;
            }
            if first.len() <= limit || first.peek().is_some_and(|last| place < *last) {
                first.push(place);
                if first.len() > limit + 1 {
                    first.pop();
                }
            }
        }
        let mut first = first.into_sorted_vec();
        let more = first.len() > limit;
        first.truncate(limit);
        let next = first.last().filter(|_| more).and_then(|(key, id)| {
            let id = id_of(*id)?;
            Some(match query.sort.key() {
                None => format!("{key:0DIGITS$}.{id}"),
                Some((by, _)) => {
                    let line = self.places.get(&number_of(id.as_str())?).and_then(|place| self.lines.get(*place))?;
                    format!("{}.{id}", value(line, by))
                }
            })
        });
        Ok(Found { ids: first.into_iter().filter_map(|(_, id)| id_of(id)).collect(), next, total })
    }

    fn counts(&self, now: Timestamp) -> Counts {
        let mut out = Counts::default();
        let now = now.as_microsecond();
        let mut oldest: Option<i64> = None;
        let mut tiers: [(Option<Tier>, u64); 5] =
            [None, Some(Tier::Stop), Some(Tier::High), Some(Tier::Med), Some(Tier::Low)].map(|tier| (tier, 0));
        // By number; the last for those of whom it is not known.
        let mut wards = vec![0_u64; self.words.texts.len() + 1];
        let mut lanes: [[u64; STATES.len()]; 2] = Default::default();
        for line in self.lines.iter().filter(|line| line.standing == Standing::Open) {
            out.open += 1;
            out.not_fully_checked += u64::from(line.not_checked);
            oldest = Some(oldest.map_or(line.received, |oldest| oldest.min(line.received)));
            tiers.iter_mut().filter(|(tier, _)| *tier == line.tier).for_each(|(_, n)| *n += 1);
            let ward = line.ward.and_then(|ward| usize::try_from(ward).ok()).unwrap_or(self.words.texts.len());
            wards.get_mut(ward).into_iter().for_each(|n| *n += 1);
            for (counted, lane) in lanes.iter_mut().zip(&line.lanes) {
                counted.get_mut(lane.now(now)).into_iter().for_each(|n| *n += 1);
            }
        }
        let there = |(_, n): &(String, u64)| *n > 0;
        let code = |tier: Option<Tier>| tier.map_or("none", |tier| tier.code()).to_owned();
        out.tiers = tiers.into_iter().map(|(tier, n)| (code(tier), n)).filter(there).collect();
        for (ward, n) in wards.into_iter().enumerate().filter(|(_, n)| *n > 0) {
            let ward = self.words.texts.get(ward).map_or("", |ward| ward);
            *out.wards.entry(ward.to_owned()).or_default() += n;
        }
        for (lane, counted) in Lane::ALL.into_iter().zip(lanes) {
            let words = STATES.iter().map(|state| (*state).to_owned()).zip(counted);
            out.lanes.insert(lane, words.filter(there).collect::<BTreeMap<_, _>>());
        }
        out.oldest = oldest.and_then(|at| Timestamp::from_microsecond(at).ok());
        let newest = self.lines.iter().map(|line| line.received).max();
        out.newest = newest.and_then(|at| Timestamp::from_microsecond(at).ok());
        out
    }
}

/// What is held, if anything is.
enum Held {
    /// Nothing has been read yet.
    Nothing,
    /// The lines.
    Lines(Box<Lines>),
    /// Not before that time: there are too many items, or something is kept that this program does not know.
    NotBefore(Instant),
}

/// The lines, and who may bring them up to date.
pub(super) struct Listing {
    held: RwLock<Held>,
    turn: tokio::sync::Mutex<()>,
    most: Mutex<u64>,
}

impl Default for Listing {
    fn default() -> Self {
        Self { held: RwLock::new(Held::Nothing), turn: tokio::sync::Mutex::default(), most: Mutex::new(MOST_LINES) }
    }
}

/// What has to be read.
enum Behind {
    Nothing,
    Some(i64),
    Everything,
}

impl Listing {
    /// Holds lines of so many items at most from now on.
    pub(super) fn hold_at_most(&self, lines: u64) {
        *locked(&self.most) = lines;
        *self.held.write().unwrap_or_else(PoisonError::into_inner) = Held::Nothing;
    }

    fn of<T>(&self, look: impl FnOnce(&Lines) -> T) -> Option<T> {
        match &*self.held.read().unwrap_or_else(PoisonError::into_inner) {
            Held::Lines(lines) => Some(look(lines)),
            Held::Nothing | Held::NotBefore(_) => None,
        }
    }

    /// A page; nothing where the database has to be asked.
    pub(super) fn page(&self, query: &Query) -> Option<Result<Found, Unavailable>> {
        self.of(|lines| lines.page(query))
    }

    /// Counts; nothing where the database has to be asked.
    pub(super) fn counts(&self, now: Timestamp) -> Option<Counts> {
        self.of(|lines| lines.counts(now))
    }

    fn replace(&self, held: Held) {
        *self.held.write().unwrap_or_else(PoisonError::into_inner) = held;
    }

    /// Brings the lines to what is committed now.
    pub(super) async fn bring(&self, pool: &AnyPool, dialect: Dialect) -> Result<(), Unavailable> {
        self.bring_if(pool, dialect, MOST_NEW_ENTRIES, true).await
    }

    async fn bring_if(&self, pool: &AnyPool, dialect: Dialect, most: i64, all: bool) -> Result<(), Unavailable> {
        let _turn = self.turn.lock().await;
        let entry = match &*self.held.read().unwrap_or_else(PoisonError::into_inner) {
            Held::NotBefore(time) if *time > Instant::now() => return Ok(()),
            Held::Lines(lines) => Some(lines.entry),
            Held::Nothing | Held::NotBefore(_) => None,
        };
        let mut conn = pool.acquire().await.map_err(|error| trouble(&error))?;
        let behind = match entry {
            None => Behind::Everything,
            Some(entry) => {
                // Changes that leave no entry are noted with the entry before them.
                let sql = "SELECT (SELECT MAX(seq) FROM trail), (SELECT COUNT(*) FROM moves WHERE at_seq >= $1)";
                let row = statement(sql.to_owned(), [entry.into()]).fetch_one(&mut *conn).await;
                let row = row.map_err(|error| trouble(&error))?;
                let last: Option<i64> = row.try_get(0).map_err(|error| trouble(&error))?;
                let moved: i64 = row.try_get(1).map_err(|error| trouble(&error))?;
                match last.unwrap_or_default() - entry {
                    0 if moved == 0 => Behind::Nothing,
                    new if (0..=most).contains(&new) => Behind::Some(entry),
                    _ if !all => Behind::Nothing,
                    _ => Behind::Everything,
                }
            }
        };
        match behind {
            Behind::Nothing => Ok(()),
            Behind::Some(entry) => match self.read_new(&mut conn, dialect, entry).await? {
                Some(()) => Ok(()),
                None => self.read_all(&mut conn, dialect).await,
            },
            Behind::Everything => self.read_all(&mut conn, dialect).await,
        }
    }

    /// Reads the items that changed after an entry; nothing where everything has to be read.
    async fn read_new(
        &self,
        conn: &mut AnyConnection,
        dialect: Dialect,
        mut entry: i64,
    ) -> Result<Option<()>, Unavailable> {
        let mut tx = snapshot(conn, dialect).await?;
        let get = |error: sqlx::Error| trouble(&error);
        let mut ids = BTreeSet::new();
        let sql = "SELECT item FROM moves WHERE at_seq >= $1".to_owned();
        for row in statement(sql, [entry.into()]).fetch_all(&mut *tx).await.map_err(get)? {
            ids.insert(row.try_get::<String, _>(0).map_err(get)?);
        }
        let sql = "SELECT seq, item FROM trail WHERE seq > $1".to_owned();
        for row in statement(sql, [entry.into()]).fetch_all(&mut *tx).await.map_err(get)? {
            entry = entry.max(row.try_get(0).map_err(get)?);
            match row.try_get::<Option<String>, _>(1).map_err(get)? {
                Some(item) => drop(ids.insert(item)),
                // Items were removed.
                None => return Ok(None),
            }
        }
        let ids: Vec<String> = ids.into_iter().collect();
        let mut rows = Vec::with_capacity(ids.len());
        for some in ids.chunks(AT_A_TIME) {
            let (marks, values) = marks(some.to_vec());
            let sql = format!("SELECT {COLUMNS} FROM items WHERE id IN ({marks})");
            rows.extend(statement(sql, values).fetch_all(&mut *tx).await.map_err(get)?);
        }
        tx.rollback().await.map_err(get)?;
        let mut held = self.held.write().unwrap_or_else(PoisonError::into_inner);
        let Held::Lines(lines) = &mut *held else { return Ok(None) };
        for row in &rows {
            if lines.take(row).map_err(get)?.is_none() {
                *held = Held::NotBefore(Instant::now() + TRY_AGAIN);
                return Ok(Some(()));
            }
        }
        lines.entry = entry;
        if lines.lines.len() as u64 > *locked(&self.most) {
            *held = Held::NotBefore(Instant::now() + TRY_AGAIN);
        }
        Ok(Some(()))
    }

    async fn read_all(&self, conn: &mut AnyConnection, dialect: Dialect) -> Result<(), Unavailable> {
        let most = *locked(&self.most);
        let later = || Held::NotBefore(Instant::now() + TRY_AGAIN);
        let mut tx = snapshot(conn, dialect).await?;
        let get = |error: sqlx::Error| trouble(&error);
        let sql = "SELECT (SELECT COUNT(*) FROM items), (SELECT MAX(seq) FROM trail)".to_owned();
        let row = statement(sql, []).fetch_one(&mut *tx).await.map_err(get)?;
        let items: i64 = row.try_get(0).map_err(get)?;
        if u64::try_from(items).unwrap_or_default() > most {
            self.replace(later());
            return Ok(());
        }
        let entry: Option<i64> = row.try_get(1).map_err(get)?;
        let mut lines = Lines { entry: entry.unwrap_or_default(), ..Lines::default() };
        let sql = AssertSqlSafe(format!("SELECT {COLUMNS} FROM items"));
        let mut rows = sqlx::query(sql).fetch(&mut *tx);
        while let Some(row) = rows.try_next().await.map_err(get)? {
            if lines.take(&row).map_err(get)?.is_none() {
                self.replace(later());
                return Ok(());
            }
        }
        drop(rows);
        tx.rollback().await.map_err(get)?;
        self.replace(Held::Lines(Box::new(lines)));
        Ok(())
    }
}

/// Reads the lines at the start, and brings them up to date from time to time when nobody looks.
pub(super) async fn keep_up(listing: std::sync::Arc<Listing>, pool: AnyPool, dialect: Dialect) {
    loop {
        // What fails here fails where somebody looks as well, and is said there.
        let _ = listing.bring_if(&pool, dialect, MOST_BETWEEN_LOOKS, false).await;
        tokio::time::sleep(BETWEEN_LOOKS).await;
    }
}
