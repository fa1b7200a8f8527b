//! What of the queue is asked for: words of the form, and the filter that they are.

use super::since::Since;
use crate::findings::Tier;
use crate::http::pages::form::Form;
use crate::http::pages::people::{Job, Person};
use crate::queue::Lane;
use crate::queue::item::Standing;
use crate::sheet::seen;
use crate::store::{Filter, LaneIs};
use jiff::{SignedDuration, Timestamp};
use std::collections::BTreeMap;

/// Filters as the address has them.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Asked {
    pub(super) lane: String,
    pub(super) state: String,
    pub(super) tier: String,
    pub(super) ward: String,
    pub(super) rule: String,
    pub(super) waits: String,
    pub(super) starts: String,
    pub(super) unchecked: bool,
    pub(super) mine: bool,
    pub(super) q: String,
}

pub(super) type Choice = (&'static str, &'static str);

pub(super) const STATES: [Choice; 9] = [
    ("waiting", "waits for a decision"),
    ("free", "free to take"),
    ("taken", "held by somebody"),
    ("asked", "prescriber asked"),
    ("snoozed", "put off"),
    ("decided", "decided"),
    ("closed", "closed"),
    ("replaced", "replaced"),
    ("all", "any"),
];

pub(super) const TIERS: [Choice; 6] = [
    ("", "any"),
    ("STOP", "Stop"),
    ("HIGH", "High"),
    ("MED", "Medium"),
    ("LOW", "Reminder"),
    ("grave", "Stop or High"),
];

pub(super) const WAITS: [Choice; 5] =
    [("", "any time"), ("15", "15 min"), ("30", "30 min"), ("60", "1 h"), ("240", "4 h")];

pub(super) const STARTS: [Choice; 5] =
    [("", "any time"), ("1", "within 1 h"), ("4", "within 4 h"), ("24", "within 24 h"), ("began", "already")];

/// A rule's id as rulebooks write it, however it was typed: `WAT-01`, `GRO-02b`.
fn rule_id(text: &str) -> String {
    let upper = text.to_ascii_uppercase();
    match upper.rfind(|c: char| c.is_ascii_digit()).and_then(|last| upper.split_at_checked(last + 1)) {
        Some((id, variant)) => format!("{id}{}", variant.to_ascii_lowercase()),
        None => upper,
    }
}

impl Asked {
    pub(super) fn read(form: &Form, job: Job) -> Self {
        let text = |name: &str| form.get(name).trim().chars().take(200).collect::<String>();
        let known = |list: &[Choice], name: &str| {
            let word = text(name);
            if list.iter().any(|(own, _)| *own == word) { word } else { String::new() }
        };
        let mut lane = text("lane");
        if lane != "all" && Lane::of(&lane).is_none() {
            lane = job.lane().map_or("all", Lane::word).to_owned();
        }
        let mut state = known(&STATES, "state");
        if state.is_empty() {
            "waiting".clone_into(&mut state);
        }
        Self {
            lane,
            state,
            tier: known(&TIERS, "tier"),
            ward: text("ward"),
            rule: rule_id(&text("rule")),
            waits: known(&WAITS, "waits"),
            starts: known(&STARTS, "starts"),
            unchecked: form.get("unchecked") == "1",
            mine: form.get("mine") == "1",
            q: text("q"),
        }
    }

    /// What of an address is asked for and cannot be: a sentence about it.
    pub(super) fn not_understood(form: &Form) -> Option<String> {
        let lists = [("state", &STATES[..]), ("tier", &TIERS), ("waits", &WAITS), ("starts", &STARTS)];
        let known = |name: &str, value: &str| match lists.iter().find(|(own, _)| *own == name) {
            Some((_, list)) => list.iter().any(|(word, _)| *word == value),
            None if name == "since" => Since::read(value).is_some(),
            None if name == "lane" => value == "all" || Lane::of(value).is_some(),
            None => value == "1",
        };
        let asked = lists.iter().map(|(name, _)| *name).chain(["lane", "unchecked", "mine", "since"]);
        let wrong: Vec<String> = asked
            .map(|name| (name, form.get(name).trim()))
            .filter(|(name, value)| !value.is_empty() && !known(name, value))
            .map(|(name, value)| format!("{name}={}", seen(&value.chars().take(40).collect::<String>())))
            .collect();
        (!wrong.is_empty()).then(|| {
            format!("Not understood, and not looked for: {}. The filters below are those in effect.", wrong.join(", "))
        })
    }

    /// As the query of an address; `after`: where a page begins.
    pub(super) fn query(&self, after: Option<&str>) -> String {
        let mut query = form_urlencoded::Serializer::new(String::new());
        let parts = [
            ("lane", self.lane.as_str()),
            ("state", &self.state),
            ("tier", &self.tier),
            ("ward", &self.ward),
            ("rule", &self.rule),
            ("waits", &self.waits),
            ("starts", &self.starts),
            ("q", &self.q),
            ("unchecked", if self.unchecked { "1" } else { "" }),
            ("mine", if self.mine { "1" } else { "" }),
            ("after", after.unwrap_or("")),
        ];
        for (name, value) in parts.into_iter().filter(|(_, value)| !value.is_empty()) {
            query.append_pair(name, value);
        }
        query.finish()
    }

    /// What is asked for as the audit trail has it: words of the program, and of texts that there is one.
    pub(super) fn for_the_trail(&self, form: &Form) -> BTreeMap<&'static str, &'static str> {
        let word =
            |list: &[Choice], own: &str| list.iter().find(|(word, _)| *word == own).map_or("", |(word, _)| *word);
        let given = |text: &str| if text.is_empty() { "" } else { "given" };
        let yes = |asked: bool| if asked { "yes" } else { "" };
        let all = [
            ("lane", Lane::of(&self.lane).map_or("all", Lane::word)),
            ("state", word(&STATES, &self.state)),
            ("tier", word(&TIERS, &self.tier)),
            ("waits", word(&WAITS, &self.waits)),
            ("starts", word(&STARTS, &self.starts)),
            ("ward", given(&self.ward)),
            ("rule", given(&self.rule)),
            ("q", given(&self.q)),
            ("unchecked", yes(self.unchecked)),
            ("mine", yes(self.mine)),
            ("after", given(form.get("after"))),
            ("since", given(form.get("since"))),
        ];
        all.into_iter().filter(|(_, word)| !word.is_empty()).collect()
    }

    pub(super) fn href(&self, after: Option<&str>) -> String {
        format!("/queue?{}", self.query(after))
    }

    pub(super) fn filter(&self, now: Timestamp, me: &Person) -> Filter {
        let lanes = Lane::of(&self.lane).map_or_else(|| Lane::ALL.to_vec(), |lane| vec![lane]);
        let state = LaneIs::ALL.into_iter().find(|(_, word)| *word == self.state).map(|(state, _)| state);
        let standing = match self.state.as_str() {
            "closed" => vec![Standing::Closed],
            "replaced" => vec![Standing::Replaced],
            "all" | "decided" => Vec::new(),
            _ => vec![Standing::Open],
        };
        let tiers = match self.tier.as_str() {
            "grave" => vec![Tier::Stop, Tier::High],
            word => [Tier::Stop, Tier::High, Tier::Med, Tier::Low].into_iter().filter(|t| t.code() == word).collect(),
        };
        let text = |text: &String| (!text.is_empty()).then(|| text.clone());
        let minutes = self.waits.parse::<i64>().ok();
        let hours = self.starts.parse::<i64>().ok();
        let later = |hours: i64| now.checked_add(SignedDuration::from_hours(hours)).ok();
        Filter {
            lane: state.map(|state| (lanes, state)),
            standing,
            tiers,
            ward: text(&self.ward),
            rule: text(&self.rule),
            by: self.mine.then(|| me.id.clone()),
            received_by: minutes.and_then(|m| now.checked_sub(SignedDuration::from_mins(m)).ok()),
            starts_before: if self.starts == "began" { Some(now) } else { hours.and_then(later) },
            starts_from: hours.map(|_| now),
            not_fully_checked: self.unchecked.then_some(true),
            search: self.q.clone(),
            ..Filter::default()
        }
    }
}
