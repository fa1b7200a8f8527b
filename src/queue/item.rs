//! An order on the queue: which order and which content of it, and what became of earlier contents.
//!
//! The order is told by who sent it, the server it is of, its patient and its id: drafts of two patients may well have
//! the same id. An order without an id is told by its content alone. The content is told by a hash of the order as JSON,
//! whatever its spaces and the order of its members, and without the parts of `meta` that a server changes by itself.

use super::policy::Policy;
use super::report::{self, Report};
use super::trail::Event;
use super::urgency;
use super::work::{Decision, LaneRecord, LaneState};
use super::{Lane, Person};
use crate::appraise::{Appraisal, OrderReport};
use crate::findings::{Disposition, Tier};
use crate::intake::bundle::{Gathered, gather};
use crate::intake::json::{Kind, Node};
use crate::intake::order::At;
use crate::patient::{encounter_stands, location_stands};
use crate::sheet::{Identity, Offer};
use data_encoding::HEXLOWER;
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::fmt;
use std::sync::Arc;
use uuid::Uuid;

pub use crate::intake::content::{content_hash, content_hash_of};

/// The id of an item; it follows from the order and its content.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct ItemId(String);

impl ItemId {
    /// An id as it was written; only ids that this program gives.
    pub fn read(text: &str) -> Option<Self> {
        let id = Uuid::parse_str(text).ok()?;
        Some(Self(id.to_string()))
    }

    /// As it is written.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for ItemId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

/// Which order it is.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct OrderKey {
    /// Who sent it, as the access file calls them; empty where nobody has to say.
    pub client: String,
    /// Base of the FHIR server it is of, as the client says; empty where it does not.
    pub base: String,
    /// The patient as the order names them; empty where it names none.
    pub patient: String,
    /// The order's id; empty where it has none.
    pub order: String,
}

impl OrderKey {
    /// One text for the order; `None` where it has no id or names no patient, and so nothing tells that two contents are
    /// of one order: ids of drafts repeat from patient to patient.
    pub fn text(&self) -> Option<String> {
        if self.order.is_empty() || self.patient.is_empty() {
            return None;
        }
        Some(hash(&[&self.client, &self.base, &self.patient, &self.order]))
    }

    /// The id of the item that this order is with a content, of which the hash is given. Without an order's id the content
    /// tells it, with whose it is.
    pub fn item(&self, content: &str) -> ItemId {
        let space = Uuid::new_v5(&Uuid::NAMESPACE_URL, b"https://enteral-gate.example/queue");
        let text = hash(&[&self.client, &self.base, &self.patient, &self.order, content]);
        ItemId(Uuid::new_v5(&space, text.as_bytes()).to_string())
    }
}

/// Hash of texts, each with its length, so that no two lists look alike.
fn hash(parts: &[&str]) -> String {
    let mut digest = Sha256::new();
    for part in parts {
        digest.update((part.len() as u64).to_be_bytes());
        digest.update(part.as_bytes());
    }
    HEXLOWER.encode(&digest.finalize())
}

/// An appraised order on its way to the queue.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Received {
    /// Which order.
    pub key: OrderKey,
    /// Hash of its content.
    pub content: String,
    /// Its name for people.
    pub label: String,
    /// What brought it: the id of a hook's service, `$validate`, `$appraise`.
    pub through: String,
    /// The order as it was sent, JSON.
    pub resource: String,
    /// By what people tell the patient, as far as it was sent.
    pub identity: Identity,
    /// Where the patient is, as far as it was sent.
    pub ward: Option<String>,
    /// When the feed starts, where the order says so.
    pub starts: Option<Timestamp>,
    /// When it was received.
    pub at: Timestamp,
    /// When it is kept, where it could not be at its time and waited for that. What was received after it may be there
    /// already.
    pub late: Option<Timestamp>,
    /// What was said of it.
    pub report: Arc<Report>,
    /// The cards about it.
    pub cards: Vec<CardShown>,
}

/// A card about an order.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CardShown {
    /// Its id.
    pub id: String,
    /// Ids of the rules whose findings are on it; those that it only notes are not among them.
    pub rules: Vec<String>,
}

impl Received {
    /// What is recorded of one order of an appraisal; client, base, way and time are the caller's to fill in. `lacks` is
    /// what the sender tried to send and could not.
    pub fn of(a: &Appraisal<'_>, order: &OrderReport<'_>, lacks: &[String]) -> Self {
        Self::with(a, order, lacks, None, None)
    }

    /// The same of several orders of an appraisal, whose document is looked through once.
    pub fn all<'r, 'a: 'r>(a: &Appraisal<'a>, orders: impl Iterator<Item = &'r OrderReport<'a>>) -> Vec<Self> {
        let gathered = a.document.as_ref().map(gather);
        orders.map(|order| Self::with(a, order, &[], None, gathered.as_ref())).collect()
    }

    /// The same of a draft whose findings' corrections were tried already.
    pub fn of_draft(a: &Appraisal<'_>, order: &OrderReport<'_>, lacks: &[String], offers: &[Offer]) -> Self {
        Self::with(a, order, lacks, Some(offers), None)
    }

    fn with(
        a: &Appraisal<'_>,
        order: &OrderReport<'_>,
        lacks: &[String],
        offers: Option<&[Offer]>,
        gathered: Option<&Gathered<'_>>,
    ) -> Self {
        let starts = || {
            let seconds = i64::try_from(order.plan.start.floor()).ok()?;
            Timestamp::from_second(seconds).ok()
        };
        let wanted = report::wanted(a, order, !lacks.is_empty());
        let report = if wanted { report::among(a, order, lacks, offers, gathered) } else { report::nothing(a) };
        let starts = if order.plan.start_assumed { None } else { starts() };
        Self { starts, ..Self::new(a, (order.at, order.id.clone(), &order.label), report) }
    }

    /// What is recorded of an order that could not be judged.
    pub fn unjudged(a: &Appraisal<'_>, order: (At, Option<String>, &str), why: &str) -> Self {
        Self::new(a, order, report::unjudged(a, why))
    }

    fn new(a: &Appraisal<'_>, (at, id, label): (At, Option<String>, &str), report: Report) -> Self {
        let node = a.document.as_ref().map(|document| document.node(at));
        // Of an order that is no item only its identity and whether its content is another are looked at.
        let item = node.filter(|_| report.for_the_queue());
        let kept = report.sheet.as_ref().and_then(|sheet| sheet.identity.clone());
        let identity = kept.or_else(|| item.map(|order| Identity::of(order, None))).unwrap_or_default();
        let told = node.filter(|_| report.for_the_queue() || id.is_some());
        Self {
            key: OrderKey {
                client: String::new(),
                base: String::new(),
                patient: node.map(patient).unwrap_or_default(),
                order: id.unwrap_or_default(),
            },
            content: told.map(content_hash).unwrap_or_default(),
            label: label.to_owned(),
            through: String::new(),
            resource: item.map_or("", Node::raw).to_owned(),
            identity,
            ward: item.and_then(ward),
            starts: None,
            at: Timestamp::UNIX_EPOCH,
            late: None,
            report: Arc::new(report),
            cards: Vec::new(),
        }
    }

    /// The id of its item.
    pub fn id(&self) -> ItemId {
        self.key.item(&self.content)
    }

    /// When it is kept: its time, or later. Changes are told by this time, so that whoever asks what changed since then misses nothing.
    pub fn kept(&self) -> Timestamp {
        self.late.unwrap_or(self.at)
    }

    /// Whether it becomes an item; one that does not may still take the place of an earlier content.
    pub fn is_item(&self) -> bool {
        self.report.for_the_queue()
    }
}

/// The patient of an order, as it names them.
fn patient(order: Node<'_>) -> String {
    let named = order.get("patient").or_else(|| order.get("subject"));
    let text = |node: Node<'_>, name: &str| node.get(name).and_then(Node::as_str).map(|text| text.into_owned());
    let Some(named) = named else { return String::new() };
    if let Some(reference) = text(named, "reference") {
        // Inside an order `#p` may be anybody: what is there tells them apart.
        let Some(inner) = reference.strip_prefix('#') else { return reference };
        let mut contained = order.get("contained").into_iter().flat_map(Node::items);
        let person = contained.find(|resource| text(*resource, "id").as_deref() == Some(inner));
        return match person {
            Some(person) => format!("{reference} {}", content_hash(person).chars().take(16).collect::<String>()),
            // It leads nowhere, and so names nobody.
            None => String::new(),
        };
    }
    let Some(identifier) = named.get("identifier") else { return String::new() };
    match (text(identifier, "system"), text(identifier, "value")) {
        (Some(system), Some(value)) => format!("{system}|{value}"),
        (None, Some(value)) => value,
        (_, None) => String::new(),
    }
}

/// Where the patient is: the location of the order's encounter, where that was sent, or what the reference says.
fn ward(order: Node<'_>) -> Option<String> {
    let encounter = order.get("encounter")?;
    let reference = encounter.get("reference").and_then(Node::as_str);
    let root = std::iter::successors(Some(order), |node| node.parent()).last()?;
    let named = |resource: &Node<'_>| {
        let id = resource.get("id").and_then(Node::as_str);
        let is = |id: &str| reference.as_deref().is_some_and(|r| r.rsplit('/').next() == Some(id));
        resource.resource_type().as_deref() == Some("Encounter") && id.is_some_and(|id| is(&id))
    };
    let sent = root.within().filter(|node| node.kind() == Kind::Object).find(named);
    let location = |encounter: Node<'_>| {
        let here = encounter.get("location")?.items().filter(|location| location_stands(*location));
        let last = here.last()?.get("location")?;
        let text = last.get("display").or_else(|| last.get("reference"))?.as_str()?;
        Some(text.into_owned())
    };
    let display = || encounter.get("display").and_then(Node::as_str).map(|text| text.into_owned());
    // Where the patient was, or is to be, is not where the patient is.
    if sent.is_some_and(|encounter| !encounter_stands(encounter)) {
        return None;
    }
    sent.and_then(location).or_else(display)
}

/// Where an item stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Standing {
    /// Somebody has to look.
    Open,
    /// Decided, by the institution's policy.
    Closed,
    /// The order has another content now.
    Replaced,
}

impl Standing {
    /// All.
    pub const ALL: [Self; 3] = [Self::Open, Self::Closed, Self::Replaced];

    /// Its word.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Open => "open",
            Self::Closed => "closed",
            Self::Replaced => "replaced",
        }
    }

    /// The standing of that word.
    pub fn of(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|standing| standing.word() == word)
    }
}

/// What a list shows of an item, and everything that changes.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Summary {
    /// Its id.
    pub id: ItemId,
    /// Which order.
    pub key: OrderKey,
    /// Hash of its content.
    pub content: String,
    /// The order's name for people.
    pub label: String,
    /// What brought it first.
    pub through: String,
    /// By what people tell the patient; it is not there in what earlier programs kept.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub identity: Option<Identity>,
    /// Where the patient is.
    pub ward: Option<String>,
    /// When the feed starts.
    pub starts: Option<Timestamp>,
    /// When this content was received first.
    pub received: Timestamp,
    /// And last.
    pub last_seen: Timestamp,
    /// How often it was received.
    pub seen: u64,
    /// What it came to.
    pub disposition: Disposition,
    /// The gravest finding.
    pub tier: Option<Tier>,
    /// How many findings.
    pub findings: usize,
    /// Rules with a finding.
    pub rules: Vec<String>,
    /// Rules with a finding that is for the profession of a lane.
    pub for_lane: BTreeMap<Lane, Vec<String>>,
    /// How many rules could not be evaluated; 1 at least where anything could not.
    pub not_evaluated: usize,
    /// One line of what was found, or not evaluated.
    pub headline: String,
    /// Counts every change.
    pub version: u64,
    /// The version at which it was judged last, was replaced, or came back.
    pub judged: u64,
    /// When that was.
    pub judged_at: Timestamp,
    /// When anything changed last.
    pub changed_at: Timestamp,
    /// Where it stands.
    pub standing: Standing,
    /// The pharmacists' lane.
    pub pharmacist: LaneRecord,
    /// The dietitians' lane.
    pub dietitian: LaneRecord,
    /// The item of the content before.
    pub replaces: Option<ItemId>,
    /// The item of the content after.
    pub replaced_by: Option<ItemId>,
    /// When what replaced it was asked for; not there in what earlier programs kept.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub replaced_at: Option<Timestamp>,
    /// Comments.
    pub comments: u64,
}

impl Summary {
    /// Of a new item, and what its trail begins with.
    pub fn first(received: &Received, replaces: Option<ItemId>, policy: &Policy) -> (Self, Event) {
        let asked = policy.asks(&received.report);
        let lane = |lane| LaneRecord {
            state: if asked.contains(&lane) { LaneState::Open } else { LaneState::NotAsked },
            version: 1,
            changed_at: received.kept(),
            changed_by: Person::program(),
        };
        let mut summary = Self {
            id: received.id(),
            key: received.key.clone(),
            content: received.content.clone(),
            label: received.label.clone(),
            through: received.through.clone(),
            identity: Some(received.identity.clone()),
            ward: received.ward.clone(),
            starts: received.starts,
            received: received.at,
            last_seen: received.at,
            seen: 1,
            disposition: received.report.disposition,
            tier: None,
            findings: 0,
            rules: Vec::new(),
            for_lane: BTreeMap::new(),
            not_evaluated: 0,
            headline: String::new(),
            version: 1,
            judged: 1,
            judged_at: received.kept(),
            changed_at: received.kept(),
            standing: Standing::Open,
            pharmacist: lane(Lane::Pharmacist),
            dietitian: lane(Lane::Dietitian),
            replaces: replaces.clone(),
            replaced_by: None,
            replaced_at: None,
            comments: 0,
        };
        summary.judge(&received.report);
        (summary, Event::Recorded { replaces })
    }

    /// The record of a lane.
    pub fn lane(&self, lane: Lane) -> &LaneRecord {
        match lane {
            Lane::Pharmacist => &self.pharmacist,
            Lane::Dietitian => &self.dietitian,
        }
    }

    pub(super) fn lane_mut(&mut self, lane: Lane) -> &mut LaneRecord {
        match lane {
            Lane::Pharmacist => &mut self.pharmacist,
            Lane::Dietitian => &mut self.dietitian,
        }
    }

    /// Whether somebody has to look.
    pub fn is_open(&self) -> bool {
        self.standing == Standing::Open
    }

    /// How grave it is for the order of the queue.
    pub fn grade(&self) -> u8 {
        urgency::grade(self.tier, self.disposition, self.not_evaluated > 0)
    }

    /// A text by which the queue is sorted, the most urgent first.
    pub fn sort_key(&self, times: &urgency::Times) -> String {
        let grade = self.grade();
        urgency::sort_key(grade, times.due(grade, self.received, self.starts))
    }

    /// Every text by which somebody may look for the patient, beside the reference; none of what earlier programs kept.
    pub fn patient_texts(&self) -> Vec<String> {
        self.identity.iter().flat_map(Identity::texts).collect()
    }

    /// Until when it is put off for these lanes: each of them that waits has put it off. The first of those times.
    pub fn put_off(&self, lanes: &[Lane], now: Timestamp) -> Option<Timestamp> {
        let waiting = lanes.iter().map(|lane| &self.lane(*lane).state).filter(|state| state.waits());
        let mut first = None;
        for state in waiting.filter(|_| self.is_open()) {
            match state {
                LaneState::Snoozed { until, .. } if *until > now => {
                    first = Some(first.map_or(*until, |first: Timestamp| first.min(*until)));
                }
                _ => return None,
            }
        }
        first
    }

    fn judge(&mut self, report: &Report) {
        self.disposition = report.disposition;
        self.tier = report.tier();
        self.findings = report.findings.len();
        self.rules = report.rules();
        let of = |lane: Lane| {
            let own = report.findings.iter().filter(|found| found.audience.iter().any(|who| who == lane.word()));
            let mut rules: Vec<String> = own.map(|found| found.rule.clone()).collect();
            rules.sort();
            rules.dedup();
            (lane, rules)
        };
        self.for_lane = Lane::ALL.into_iter().map(of).collect();
        let rules = report.unevaluated_rules().len();
        self.not_evaluated = if report.not_evaluated.is_empty() { 0 } else { rules.max(1) };
        self.headline = report.headline();
    }

    /// Another content of the order came; `by` is its item, where it is one.
    pub fn replace(&mut self, by: Option<ItemId>, asked: Timestamp, at: Timestamp) -> Event {
        self.standing = Standing::Replaced;
        self.replaced_by.clone_from(&by);
        self.replaced_at = Some(asked);
        self.judged_changed(at);
        Event::Replaced { by }
    }

    /// Something of it changed: it has another version. Clocks of programs differ; what changed is never told of as older
    /// than before, so that whoever asks what changed since then misses nothing.
    pub fn touched(&mut self, at: Timestamp) {
        self.version += 1;
        self.changed_at = self.changed_at.max(at);
    }

    fn judged_changed(&mut self, at: Timestamp) {
        self.touched(at);
        self.judged = self.version;
        self.judged_at = at;
    }
}

/// An item in full.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Item {
    /// What a list shows, and everything that changes by what people do.
    pub summary: Summary,
    /// The order as it was sent, JSON.
    pub resource: String,
    /// What was said of it last.
    pub report: Report,
}

impl Item {
    /// A new item, and what its trail begins with.
    pub fn new(received: &Received, replaces: Option<ItemId>, policy: &Policy) -> (Self, Event) {
        let (summary, event) = Summary::first(received, replaces, policy);
        let item = Self { summary, resource: received.resource.clone(), report: Report::clone(&received.report) };
        (item, event)
    }

    /// The same content came again. `instead_of` is the current item of the order where that is another one. Gives
    /// what the trail says of it; nothing where nothing changed but the count.
    pub fn seen_again(&mut self, received: &Received, instead_of: Option<&ItemId>, policy: &Policy) -> Vec<Event> {
        let mut events = Vec::new();
        let summary = &mut self.summary;
        summary.seen += 1;
        summary.last_seen = summary.last_seen.max(received.at);
        if received.ward.is_some() {
            summary.ward.clone_from(&received.ward);
        }
        if summary.standing == Standing::Replaced {
            summary.judged_changed(received.kept());
            (summary.replaced_by, summary.replaced_at) = (None, None);
            summary.replaces = instead_of.cloned().or_else(|| summary.replaces.take());
            summary.standing = Standing::Open;
            events.push(Event::Returned { replaces: instead_of.cloned() });
        }
        let known = summary.identity.as_ref();
        let identity = known.map_or_else(|| received.identity.clone(), |known| received.identity.clone().or(known));
        let renamed = known != Some(&identity);
        let otherwise = *received.report != self.report;
        let more = otherwise && received.report.says_more_than(&self.report);
        let asked = policy.asks(&received.report);
        let opens = |summary: &Summary, lane: Lane| match &summary.lane(lane).state {
            // It was to be changed, and is as it was.
            LaneState::Decided { decision: Decision::Changed { .. }, at, .. }
                if received.late.is_none() || received.at > *at =>
            {
                true
            }
            LaneState::Decided { .. } | LaneState::Snoozed { .. } | LaneState::Asked { .. } => {
                more && asked.contains(&lane)
            }
            LaneState::NotAsked => otherwise && asked.contains(&lane),
            LaneState::Open | LaneState::Taken { .. } => false,
        };
        let opened: Vec<Lane> = Lane::ALL.into_iter().filter(|lane| opens(summary, *lane)).collect();
        if otherwise {
            summary.judge(&received.report);
            self.report = Report::clone(&received.report);
        }
        // What is searched never changes without an entry in the trail.
        if renamed {
            summary.identity = Some(identity);
        }
        if otherwise || renamed || !opened.is_empty() {
            summary.judged_changed(received.kept());
            let mut reopened = Vec::new();
            for lane in opened {
                let version = summary.version;
                let record = summary.lane_mut(lane);
                if !matches!(record.state, LaneState::NotAsked) {
                    reopened.push(lane);
                }
                record.set(LaneState::Open, version, &Person::program(), received.kept());
            }
            events.push(Event::JudgedAgain { reopened });
        }
        if !events.is_empty() {
            self.summary.settle(policy);
        }
        events
    }
}
