//! What somebody does with an order.

use super::order::{NotDoneHere, Shown, show};
use super::work::{Typed, asked_for};
use super::{entered, no_such};
use crate::http::App;
use crate::http::pages::form::Form;
use crate::http::pages::html::{Chrome, moment, page, see_other, sentence};
use crate::http::pages::people::People;
use crate::http::pages::{form, signed};
use crate::http::refusal::Refusal;
use crate::queue::Lane;
use crate::queue::item::ItemId;
use crate::queue::work::{Action, Command, Conflict, Reason, Refused};
use crate::store::NotDone;
use askama::Template;
use axum::extract::{Path, Request, State};
use axum::response::Response;
use http::StatusCode;
use jiff::{SignedDuration, Timestamp};
use std::sync::Arc;

/// What is said after something was done.
pub(super) const DONE: [(&str, &str); 11] = [
    ("take", "You hold this order now."),
    ("give-back", "The order was given back."),
    ("hand-over", "The order was handed over."),
    ("ask-prescriber", "The question to the prescriber was noted. The service does not send it."),
    ("accept", "The decision was recorded: the order is left as it is."),
    ("close-as-changed", "The decision was recorded: the order was changed."),
    ("snooze", "The order was put off."),
    ("reopen", "The decision was taken back."),
    ("comment", "The comment was added."),
    ("useful", "Counted as useful."),
    ("not-useful", "Counted as not useful."),
];

#[derive(Template)]
#[template(path = "conflict.html")]
struct NotDonePage {
    chrome: Chrome,
    heading: &'static str,
    what: String,
    texts: Vec<(&'static str, String)>,
    id: String,
}

/// `POST /queue/{id}`: one action. What stands in the other boxes of the page comes back with the answer.
///
/// # Errors
/// What keeps the form from being read.
pub async fn act(State(app): State<Arc<App>>, Path(id): Path<String>, request: Request) -> Result<Response, Refusal> {
    let found = signed(&app, &request);
    let (signed, store, people) = match entered(&app, found) {
        Ok(found) => found,
        Err(answer) => return Ok(*answer),
    };
    let form = form::read(&app, request).await?;
    let Some(id) = ItemId::read(&id) else { return Ok(no_such(&app, &signed)) };
    let typed = Typed::read(&form);
    let texts = typed.all();
    let apart = |status, heading, what: String| {
        let chrome = Chrome::new(&app, heading, "queue", Some(&signed));
        let (what, texts, id) = (sentence(what), texts.clone(), id.to_string());
        Ok(page(status, &NotDonePage { chrome, heading, what, texts, id }))
    };
    if form.get("csrf") != signed.csrf {
        let what = "This form is not of this session. Open the order again and repeat what you did".to_owned();
        return apart(StatusCode::FORBIDDEN, "Not of this session", what);
    }
    let by = (&signed, store, people);
    let seen: u64 = form.get("seen").parse().unwrap_or(0);
    let (act, about) = asked_for(&form);
    let mut shown =
        Shown { status: StatusCode::OK, noted: true, done: String::new(), refused: None, typed, seen: None };
    if act == "look" {
        return Ok(show(&app, by, id.clone(), shown).await);
    }
    let now = Timestamp::now();
    people.learn(store.as_ref(), now).await;
    let text = shown.typed.text(act).to_owned();
    let (Some(person), Some((lane, action))) = (signed.person.on_queue(), action(&form, &text, people, now)) else {
        let what = "The form does not say what is to be done".to_owned();
        return apart(StatusCode::BAD_REQUEST, "Not understood", what);
    };
    let remark = action.is_remark();
    let command = Command {
        // The id of the page with what is asked, so that the same form sent twice is done once and another form of the
        // same page is another command.
        id: command_id(&[
            form.get("command"),
            &person.id,
            lane.word(),
            act,
            about,
            &text,
            form.get("rule"),
            form.get("reason"),
            form.get("to"),
            form.get("minutes"),
        ]),
        by: person,
        at: now,
        lane,
        seen,
        action,
    };
    let here = |heading, what: String| Some(NotDoneHere { heading, what: sentence(what), who: None });
    match store.act(id.clone(), command).await {
        Ok(_) => {
            let typed = shown.typed.taken(act);
            if typed.is_empty() {
                return Ok(see_other(&format!("/queue/{id}?done={act}")));
            }
            shown = Shown { noted: false, done: act.to_owned(), typed, ..shown };
            // A remark says nothing of what else happened meanwhile.
            shown.seen = remark.then_some(seen);
        }
        Err(NotDone::NoSuchItem) => return Ok(no_such(&app, &signed)),
        Err(NotDone::Unavailable(why)) => {
            let what = format!("The store does not answer: {why}");
            return apart(StatusCode::SERVICE_UNAVAILABLE, "Not possible now", what);
        }
        Err(NotDone::Refused(Refused::Conflict(Conflict { what, by, at, .. }))) => {
            let who = Some(format!("By {} ({}), {}.", by.name, by.role.word(), moment(&app, at)));
            shown.status = StatusCode::CONFLICT;
            shown.refused = Some(NotDoneHere { heading: "Somebody was faster", what: sentence(what), who });
        }
        Err(NotDone::Refused(Refused::NotAllowed(why))) => {
            shown.status = StatusCode::FORBIDDEN;
            shown.refused = here("Not for this role", why);
        }
        Err(NotDone::Refused(Refused::NotPossible(why))) => {
            shown.status = StatusCode::CONFLICT;
            shown.refused = here("Not possible", why);
        }
        // What else happened meanwhile was not looked at.
        Err(NotDone::Refused(Refused::Invalid(why))) => {
            shown.status = StatusCode::UNPROCESSABLE_ENTITY;
            shown.refused = here("Something is missing", why);
            shown.seen = Some(seen);
        }
    }
    Ok(show(&app, by, id.clone(), shown).await)
}

/// An id that is the same for the same parts only; none for a form without one.
fn command_id(parts: &[&str]) -> String {
    if parts.first().is_none_or(|own| own.is_empty()) {
        return String::new();
    }
    crate::hooks::card::uuid_of(parts.iter().copied()).to_string()
}

/// What a form asks for.
pub(super) fn action(form: &Form, text: &str, people: &People, now: Timestamp) -> Option<(Lane, Action)> {
    let (act, about) = asked_for(form);
    let mut lane = Lane::of(if act == "give-back" && !about.is_empty() { about } else { form.get("lane") });
    let rule = if about.is_empty() { form.get("rule") } else { about };
    let text = text.trim().to_owned();
    let action = match act {
        "take" => Action::Take,
        "give-back" => Action::GiveBack,
        "hand-over" => {
            let to = people.colleagues(now).into_iter().find(|p| p.id == form.get("to"))?;
            lane = to.job.lane();
            Action::HandOver { to: to.on_queue()?, note: text }
        }
        "ask-prescriber" => Action::AskPrescriber { question: text },
        "accept" => Action::Accept {
            reason: Reason { code: form.get("reason").to_owned(), text: (!text.is_empty()).then_some(text) },
        },
        "close-as-changed" => Action::CloseAsChanged { note: text },
        "snooze" => {
            let minutes: i64 = form.get("minutes").parse().ok().filter(|m| (1..=1440).contains(m))?;
            Action::Snooze { until: now.checked_add(SignedDuration::from_mins(minutes)).ok()?, note: text }
        }
        "reopen" => Action::Reopen { note: text },
        "comment" => Action::Comment { text },
        "useful" | "not-useful" => Action::Judge { rule: rule.to_owned(), useful: act == "useful" },
        _ => return None,
    };
    Some((lane?, action))
}
