//! What can be done with an order by whoever looks at it, and what they wrote.

use super::filters::Choice;
use super::order::said;
use super::{count, lane_name};
use crate::http::App;
use crate::http::pages::form::Form;
use crate::http::pages::html::moment;
use crate::http::pages::people::{Job, People, Person};
use crate::queue::item::{Standing, Summary};
use crate::queue::trail::{Entry, Event};
use crate::queue::urgency::length;
use crate::queue::work::{ACCEPT_REASONS, Action, LaneState, Reason, may};
use crate::queue::{Lane, Role};
use jiff::Timestamp;
use uuid::Uuid;

/// What can be done with an item by whoever looks at it.
pub struct Work {
    /// The item.
    pub id: String,
    /// The version that whoever decides has seen.
    pub seen: u64,
    /// The lane that they work in.
    pub lane: &'static str,
    /// Each lane, its state, and what was written when it came to that.
    pub states: Vec<(String, String, Option<String>)>,
    /// What people said, the last first: when, who, what.
    pub said: Vec<(String, String, String)>,
    /// How many comments cannot be shown.
    pub unread: Option<String>,
    /// Why something cannot be done.
    pub note: Option<String>,
    /// They may take it.
    pub take: bool,
    /// What they may give back: the lane, and the words on the button.
    pub back: Vec<(&'static str, String)>,
    /// They may decide.
    pub decide: bool,
    /// They may take a decision back.
    pub reopen: bool,
    /// They may comment.
    pub comment: bool,
    /// They may judge findings.
    pub judge: bool,
    /// To whom it can be handed over.
    pub to: Vec<Person>,
    /// Rules with a finding.
    pub rules: Vec<String>,
    /// Reasons for leaving an order as it is.
    pub reasons: &'static [(&'static str, &'static str)],
    /// For how long it can be put off: minutes and words.
    pub lengths: &'static [Choice],
    /// An id, so that a form that is sent twice is done once.
    pub command: String,
    /// What was written and not sent, or not taken: it stands in its box again.
    pub typed: Typed,
    /// The same of boxes that are not there any more: what it was for, and the text.
    pub left: Vec<(&'static str, String)>,
}

/// Boxes of the form: the action that each is for, and what is written there.
const BOXES: [(&str, &str); 7] = [
    ("accept", "Why the order is left as it is"),
    ("close-as-changed", "How the order was changed"),
    ("ask-prescriber", "What the prescriber was asked"),
    ("snooze", "Why it is put off"),
    ("reopen", "Why the decision is taken back"),
    ("hand-over", "What a colleague should know"),
    ("comment", "Comment"),
];

/// What stands in the boxes of the form.
#[derive(Clone, Debug, Default)]
pub struct Typed {
    pub(super) texts: Vec<(&'static str, String)>,
    /// The reason for leaving an order as it is.
    pub reason: String,
    /// To whom it is handed over.
    pub to: String,
    /// For how long it is put off.
    pub minutes: String,
}

impl Typed {
    pub(in crate::http) fn read(form: &Form) -> Self {
        let texts = BOXES.iter().map(|(act, _)| (*act, form.text(&format!("{act}-text")))).collect();
        let text = |name: &str| form.get(name).to_owned();
        let mut out = Self { texts, reason: text("reason"), to: text("to"), minutes: text("minutes") };
        // A form that has one box only.
        let (act, _) = asked_for(form);
        let alone = form.text("text");
        if let Some((_, own)) = out.texts.iter_mut().find(|(own, _)| *own == act)
            && own.is_empty()
        {
            *own = alone;
        }
        out
    }

    /// What stands in the box of an action.
    pub fn text(&self, act: &str) -> &str {
        self.texts.iter().find(|(own, _)| *own == act).map_or("", |(_, text)| text)
    }

    /// What is taken is not written again.
    pub(super) fn taken(mut self, act: &str) -> Self {
        self.texts.iter_mut().filter(|(own, _)| *own == act).for_each(|(_, text)| text.clear());
        match act {
            "accept" => self.reason.clear(),
            "hand-over" => self.to.clear(),
            "snooze" => self.minutes.clear(),
            _ => {}
        }
        self
    }

    /// Whether something would be lost; who it is handed over to and for how long it is put off is chosen at once again.
    pub(super) fn is_empty(&self) -> bool {
        self.reason.is_empty() && self.texts.iter().all(|(_, text)| text.trim().is_empty())
    }

    /// Every text with what it was for.
    pub(in crate::http) fn all(&self) -> Vec<(&'static str, String)> {
        let with = |(act, words): &(&str, &'static str)| (*words, self.text(act).to_owned());
        BOXES.iter().map(with).filter(|(_, text)| !text.trim().is_empty()).collect()
    }
}

/// The action that a button asks for, and the lane or the rule that it is for, where the button says so.
pub(super) fn asked_for(form: &Form) -> (&str, &str) {
    let act = form.get("act");
    act.split_once('.').unwrap_or((act, ""))
}

/// For how long an order can be put off on its page.
const LENGTHS: [Choice; 5] = [("30", "30 min"), ("60", "1 h"), ("120", "2 h"), ("240", "4 h"), ("720", "12 h")];

/// A lane's state in words.
pub(super) fn state_words(app: &App, state: &LaneState, now: Timestamp) -> String {
    let left = |until: Timestamp| length(until.duration_since(now));
    match state {
        LaneState::NotAsked => "not asked".to_owned(),
        LaneState::Taken { by, until, .. } if *until > now => format!("held by {}, {} left", by.name, left(*until)),
        LaneState::Snoozed { by, until, .. } if *until > now => {
            format!("put off by {} until {}", by.name, moment(app, *until))
        }
        LaneState::Open | LaneState::Taken { .. } | LaneState::Snoozed { .. } => "open".to_owned(),
        LaneState::Asked { by, at, .. } => {
            format!("prescriber asked by {}, {} ago", by.name, length(now.duration_since(*at)))
        }
        LaneState::Decided { by, at, decision } => {
            let what = match decision {
                crate::queue::work::Decision::Accepted { .. } => "accepted",
                crate::queue::work::Decision::Changed { .. } => "closed as changed",
            };
            format!("{what} by {}, {}", by.name, moment(app, *at))
        }
    }
}

/// What was asked, or said, when a lane came to its state.
fn detail(s: &Summary, lane: Lane, trail: &[Entry], now: Timestamp) -> Option<String> {
    use crate::queue::work::Decision;
    let reason = |reason: &Reason| {
        let words =
            ACCEPT_REASONS.iter().find(|(code, _)| *code == reason.code).map_or(reason.code.as_str(), |(_, w)| w);
        match reason.text.as_deref().filter(|text| !text.is_empty()) {
            Some(text) => format!("{words}: {text}"),
            None => words.to_owned(),
        }
    };
    let text = match &s.lane(lane).state {
        LaneState::NotAsked | LaneState::Open => None,
        LaneState::Taken { until, .. } | LaneState::Snoozed { until, .. } if *until <= now => None,
        LaneState::Snoozed { note, .. } => Some(note.clone()),
        LaneState::Asked { question, .. } => Some(question.clone()),
        LaneState::Decided { decision: Decision::Accepted { reason: given }, .. } => Some(reason(given)),
        LaneState::Decided { decision: Decision::Changed { note }, .. } => Some(note.clone()),
        // Whoever handed it over said why; that is in the trail alone.
        LaneState::Taken { .. } => trail.iter().rev().find_map(|entry| match &entry.what {
            Event::Did { lane: own, action: Action::HandOver { note, .. } }
                if *own == lane && entry.version == s.lane(lane).version =>
            {
                Some(format!("{}, handing it over: {note}", entry.by.name)).filter(|_| !note.is_empty())
            }
            _ => None,
        }),
    };
    text.filter(|text| !text.trim().is_empty()).map(|text| crate::sheet::seen(&text))
}

pub(super) fn work(
    app: &App,
    (s, trail): (&Summary, &[Entry]),
    (me, people): (&Person, &People),
    (typed, seen): (Typed, Option<u64>),
    now: Timestamp,
) -> Work {
    let role = me.job.role().unwrap_or(Role::Reader);
    let lane = role.lane().unwrap_or(Lane::Pharmacist);
    let coordinator = role == Role::Coordinator;
    let own = role.lane().is_some();
    let open = s.standing != Standing::Replaced;
    let state = &s.lane(lane).state;
    let decided = matches!(state, LaneState::Decided { .. });
    let holder = match state {
        LaneState::Taken { by, until, .. } if *until > now => Some(by),
        _ => None,
    };
    let mine = holder.is_some_and(|h| h.id == me.id);
    let free = holder.is_none() || mine;
    let note = match (own, holder) {
        (true, Some(holder)) if !mine => {
            Some(format!("{} holds this order. You can comment; to decide, ask them to give it back.", holder.name))
        }
        (false, _) if coordinator => Some(
            "You can hand the order over and give it back for others; pharmacists and dietitians decide.".to_owned(),
        ),
        (false, _) => Some(format!(
            "As {} {} you can read{}; pharmacists and dietitians decide.",
            if me.job.words().starts_with(['a', 'e', 'i', 'o', 'u']) { "an" } else { "a" },
            me.job.words(),
            if role == Role::Prescriber { " and comment" } else { "" }
        )),
        _ => None,
    };
    let undecided = |lane: Lane| !matches!(s.lane(lane).state, LaneState::Decided { .. });
    let to = |job: Job| job.lane().is_some_and(|l| undecided(l) && (coordinator || l == lane && own));
    let hand = open && (coordinator || own && free);
    let back = |lane: Lane| match &s.lane(lane).state {
        LaneState::Taken { by, until, .. } if open && *until > now => {
            let words = if mine { "Give it back".to_owned() } else { format!("Give it back for {}", by.name) };
            (coordinator || mine && by.id == me.id).then_some((lane.word(), words))
        }
        _ => None,
    };
    let mut work = Work {
        id: s.id.to_string(),
        seen: seen.unwrap_or(s.version),
        lane: lane.word(),
        states: Lane::ALL
            .into_iter()
            .map(|l| (lane_name(l).to_owned(), state_words(app, &s.lane(l).state, now), detail(s, l, trail, now)))
            .collect(),
        unread: (trail.is_empty() && s.comments > 0).then(|| count(s.comments, "comment")),
        said: said(app, trail),
        note,
        take: own && open && !decided && holder.is_none(),
        back: Lane::ALL.into_iter().filter_map(back).collect(),
        decide: own && open && !decided && free,
        reopen: own && open && decided,
        comment: may(role, lane, &Action::Comment { text: String::new() }),
        judge: own,
        to: if hand {
            people.colleagues(now).into_iter().filter(|p| to(p.job) && p.id != me.id).collect()
        } else {
            Vec::new()
        },
        rules: s.rules.clone(),
        reasons: &ACCEPT_REASONS,
        lengths: &LENGTHS,
        command: Uuid::new_v4().to_string(),
        typed,
        left: Vec::new(),
    };
    let there = |act: &str| match act {
        "reopen" => work.reopen,
        "hand-over" => !work.to.is_empty(),
        "comment" => work.comment,
        _ => work.decide,
    };
    let gone = BOXES.iter().filter(|(act, _)| !there(act) && !work.typed.text(act).trim().is_empty());
    work.left = gone.map(|(act, words)| (*words, work.typed.text(act).to_owned())).collect();
    work
}
