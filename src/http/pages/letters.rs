//! Dead letters: messages to a subscriber that did not arrive and are tried no more. Everybody who sees the state of the
//! service sees them; an administrator sends them again, or removes them after being asked once more.

use super::form::{self, Form};
use super::html::{Chrome, message, moment, page, sentence};
use super::people::{Job, Signed};
use super::signed;
use crate::http::App;
use crate::http::notices::Notices;
use crate::http::refusal::Refusal;
use crate::http::trail::Noted;
use crate::store::outbox::{ByHand, DAMAGED, Letter, Which};
use askama::Template;
use axum::extract::{Path, Request, State};
use axum::response::Response;
use http::StatusCode;
use jiff::Timestamp;
use std::sync::Arc;

/// Letters that one page lists.
const MOST: u32 = 200;
const HERE: &str = "state";

/// How it is with what a subscriber was not told, for the page of the state of the service.
pub struct Row {
    pub(super) subscriber: String,
    pub(super) letters: u64,
    pub(super) since: String,
    pub(super) why: String,
    /// They can be sent again, and by whoever looks.
    pub(super) again: bool,
    /// The first message is among them, which is sent again only by itself.
    pub(super) first: bool,
}

/// What a reason is in words.
fn words(why: Option<&str>) -> String {
    let why = why.unwrap_or("not known");
    if let Some(status) = why.strip_prefix("status-") {
        return format!("answered with status {status}");
    }
    match why {
        "late" => "no answer in time",
        "unreachable" => "no connection, or its certificate was not taken",
        "interrupted" => "the connection was broken off",
        "name" => "its name was not resolved",
        "address" => "its name leads to an address that is not allowed",
        "redirect" => "another address was named, which is not followed",
        "store" => "the Task could not be read",
        DAMAGED => "what is kept of it cannot be read: it can only be removed",
        other => other,
    }
    .to_owned()
}

fn is_declared(notices: &Notices, id: &str) -> bool {
    notices.subscribers().list.iter().any(|one| one.id == id)
}

fn is_admin(signed: Option<&Signed>) -> bool {
    signed.is_some_and(|signed| signed.person.job == Job::Admin)
}

/// What is shown on the page of the state of the service; why it is not known, where it is not.
pub async fn rows(app: &App, notices: &Notices, signed: Option<&Signed>) -> Result<Vec<Row>, String> {
    let dead = notices.store().dead_letters().await.map_err(|error| error.to_string())?;
    let admin = is_admin(signed);
    let row = |one: crate::store::outbox::Dead| Row {
        since: one.since.map_or_else(|| "not known".to_owned(), |at| moment(app, at)),
        why: words(one.trouble.as_deref()),
        again: admin && one.letters > u64::from(one.handshake) && is_declared(notices, &one.subscriber),
        first: one.handshake,
        letters: one.letters,
        subscriber: one.subscriber,
    };
    Ok(dead.into_iter().map(row).collect())
}

struct Line {
    number: u64,
    happened: String,
    about: String,
    /// The order, for whoever may see orders.
    order: Option<String>,
    tries: u64,
    why: String,
    again: bool,
}

#[derive(Template)]
#[template(path = "letters.html")]
struct List {
    chrome: Chrome,
    id: String,
    declared: bool,
    admin: bool,
    total: u64,
    /// The first message is among them.
    first: bool,
    cut: bool,
    lines: Vec<Line>,
}

#[derive(Template)]
#[template(path = "discard.html")]
struct Confirm {
    chrome: Chrome,
    heading: String,
    id: String,
    what: String,
    number: Option<u64>,
    until: i64,
}

fn counted(n: u64) -> String {
    if n == 1 { "1 message".to_owned() } else { format!("{n} messages") }
}

/// What tells subscribers; an answer where nobody is told.
fn told<'a>(app: &'a App, signed: Option<&Signed>) -> Result<&'a Notices, Box<Response>> {
    app.doors.notices.as_deref().ok_or_else(|| {
        let text = vec!["Nobody is told of changes on the queue of this service.".to_owned()];
        Box::new(said(app, signed, StatusCode::NOT_FOUND, "Nothing here", text, None))
    })
}

fn said(
    app: &App,
    signed: Option<&Signed>,
    status: StatusCode,
    heading: &str,
    text: Vec<String>,
    id: Option<&str>,
) -> Response {
    let at = id.map(|id| format!("/state/letters/{id}"));
    let link = at.as_deref().map_or(("/state", "State of the service"), |at| (at, "Look at what is there now"));
    message(status, Chrome::new(app, heading, HERE, signed), heading, text, Some(link))
}

fn unavailable(app: &App, signed: Option<&Signed>, why: &str) -> Response {
    let text = vec![format!("The store does not answer now: {why}. Nothing was done.")];
    said(app, signed, StatusCode::SERVICE_UNAVAILABLE, "Not possible now", text, None)
}

fn nothing(app: &App, signed: Option<&Signed>) -> Response {
    let text = vec!["No such message is kept. Somebody may have sent it again or removed it.".to_owned()];
    said(app, signed, StatusCode::NOT_FOUND, "Nothing here", text, None)
}

fn dead(id: &str) -> Which {
    Which { state: Some("dead".to_owned()), subscriber: Some(id.to_owned()), ..Which::default() }
}

/// `GET /state/letters/{id}`: each message to a subscriber that did not arrive.
pub async fn list(State(app): State<Arc<App>>, Path(id): Path<String>, request: Request) -> Response {
    let signed = signed(&app, &request);
    let notices = match told(&app, signed.as_ref()) {
        Ok(notices) => notices,
        Err(answer) => return *answer,
    };
    let (found, total) = match notices.store().letters(&dead(&id), MOST).await {
        Ok(found) => found,
        Err(why) => return unavailable(&app, signed.as_ref(), &why.to_string()),
    };
    let declared = is_declared(notices, &id);
    if found.is_empty() && !declared {
        return nothing(&app, signed.as_ref());
    }
    let sees = signed.as_ref().is_some_and(|signed| signed.person.job.role().is_some());
    let line = |letter: Letter| {
        let task = letter.event.as_ref().and_then(|event| event.task.as_ref());
        let about = match (&letter.event, task) {
            (None, _) => "not known".to_owned(),
            (_, Some(task)) => format!("an order, for the {}s\u{2019} lane", task.lane.word()),
            (_, None) => "the first message, which asks whether it is there".to_owned(),
        };
        Line {
            number: letter.number,
            happened: letter.event.as_ref().map_or_else(|| "not known".to_owned(), |event| moment(&app, event.at)),
            about,
            order: task.filter(|_| sees).map(|task| format!("/queue/{}", task.item)),
            tries: letter.tries,
            why: words(letter.trouble.as_deref()),
            again: declared && letter.trouble.as_deref() != Some(DAMAGED),
        }
    };
    let cut = total > found.len() as u64;
    // They are by number.
    let first = found.first().is_some_and(|letter| letter.number == 0);
    let lines = found.into_iter().map(line).collect();
    let chrome = Chrome::new(&app, format!("Messages to {id} that did not arrive"), HERE, signed.as_ref());
    let admin = is_admin(signed.as_ref());
    page(StatusCode::OK, &List { chrome, id, declared, admin, total, first, cut, lines })
}

/// A whole number that may be missing; anything else is none.
fn number(form: &Form) -> Result<Option<u64>, ()> {
    match form.get("number") {
        "" => Ok(None),
        text => text.parse().map(Some).map_err(|_| ()),
    }
}

/// `GET /state/letters/{id}/discard`: whether that is meant.
pub async fn confirm(State(app): State<Arc<App>>, Path(id): Path<String>, request: Request) -> Response {
    let signed = signed(&app, &request);
    let notices = match told(&app, signed.as_ref()) {
        Ok(notices) => notices,
        Err(answer) => return *answer,
    };
    let form = Form::parse(request.uri().query().unwrap_or("").as_bytes());
    let Ok(number) = number(&form) else { return nothing(&app, signed.as_ref()) };
    let which = Which { number, ..dead(&id) };
    let (found, all) = match (notices.store().letters(&which, 1).await, notices.store().dead_letters().await) {
        (Ok(found), Ok(all)) => (found, all),
        (Err(why), _) | (_, Err(why)) => return unavailable(&app, signed.as_ref(), &why.to_string()),
    };
    let until = all.iter().find(|one| one.subscriber == id).and_then(|one| one.until);
    let (Some(until), n) = (until, found.1) else { return nothing(&app, signed.as_ref()) };
    if n == 0 {
        return nothing(&app, signed.as_ref());
    }
    let what = match number {
        Some(number) => format!("message {number} to {id}"),
        None if n == 1 => format!("the message to {id}"),
        None => format!("all {n} messages to {id}"),
    };
    let heading = format!("Remove {what}?");
    let chrome = Chrome::new(&app, heading.clone(), HERE, signed.as_ref());
    page(StatusCode::OK, &Confirm { chrome, heading, id, what, number, until: until.as_microsecond() })
}

/// `POST /state/letters/{id}`: sends them again, all but the first message, or the one of a number.
///
/// # Errors
/// What keeps the form from being read.
pub async fn send_again(app: State<Arc<App>>, id: Path<String>, request: Request) -> Result<Response, Refusal> {
    act(app, id, request, ByHand::SendAgain).await
}

/// `POST /state/letters/{id}/discard`: removes what the page before showed, all or the one of a number.
///
/// # Errors
/// What keeps the form from being read.
pub async fn discard(app: State<Arc<App>>, id: Path<String>, request: Request) -> Result<Response, Refusal> {
    act(app, id, request, ByHand::Discard).await
}

async fn act(
    State(app): State<Arc<App>>,
    Path(id): Path<String>,
    request: Request,
    what: ByHand,
) -> Result<Response, Refusal> {
    let signed = signed(&app, &request);
    let noted = request.extensions().get::<Noted>().cloned();
    let gives_ids = app.doors.people.as_ref().is_some_and(|people| people.gives_ids());
    if let (Some(noted), Some(signed)) = (&noted, signed.as_ref().filter(|_| gives_ids)) {
        noted.person(&signed.person.id);
    }
    let form = form::read(&app, request).await?;
    let answer = |status, heading: &str, text: &str| {
        Ok(said(&app, signed.as_ref(), status, heading, vec![sentence(text)], Some(&id)))
    };
    let notices = match told(&app, signed.as_ref()) {
        Ok(notices) => notices,
        Err(answer) => return Ok(*answer),
    };
    let Some(by) = signed.as_ref().filter(|signed| form.get("csrf") == signed.csrf) else {
        let text = "nothing was done: this form is not of this session. Open the page again and repeat what you did";
        return answer(StatusCode::FORBIDDEN, "Not of this session", text);
    };
    // What was given up after the page was shown was not seen by whoever decided.
    let until: Option<Timestamp> = match form.get("until") {
        "" => None,
        text => text.parse().ok().and_then(|micros| Timestamp::from_microsecond(micros).ok()),
    };
    let (Ok(number), Some(by), true) =
        (number(&form), by.person.on_queue(), what == ByHand::SendAgain || until.is_some())
    else {
        let text = "nothing was done: the form does not say what is to be done";
        return answer(StatusCode::BAD_REQUEST, "Not understood", text);
    };
    if what == ByHand::SendAgain && !is_declared(notices, &id) {
        let text = "nothing was done: this subscriber is not declared, so nothing is sent to it. What is kept for it waits until it is declared again, or is removed";
        return answer(StatusCode::CONFLICT, "Not possible", text);
    }
    let n = match notices.store().by_hand(Which { number, until, ..dead(&id) }, what, by).await {
        Ok(n) => n,
        Err(why) => return Ok(unavailable(&app, signed.as_ref(), &why.to_string())),
    };
    if let Some(noted) = &noted {
        noted.count(usize::try_from(n).unwrap_or(usize::MAX));
    }
    // While the first message is tried again nothing else is sent: it is none of all.
    let all = what == ByHand::SendAgain && number.is_none();
    let first = Which { number: Some(0), ..dead(&id) };
    let left = all && notices.store().letters(&first, 1).await.is_ok_and(|(_, n)| n > 0);
    if n == 0 && left {
        let text = "nothing was done: only number 0 did not arrive, the first message, which is sent again by itself";
        return answer(StatusCode::CONFLICT, "Nothing to do", text);
    }
    if n == 0 {
        let text = "nothing was done: no such message can be worked on now. Somebody may have been faster";
        return answer(StatusCode::CONFLICT, "Nothing to do", text);
    }
    tracing::info!(subscriber = id, messages = n, what = ?what, "dead letters were worked by hand");
    // A store that cannot be read says so elsewhere.
    let _ = notices.count().await;
    match what {
        ByHand::SendAgain if left => {
            let text = format!("{} will be sent again; number 0, the first message, only by itself", counted(n));
            answer(StatusCode::OK, "Sent again", &text)
        }
        ByHand::SendAgain => answer(StatusCode::OK, "Sent again", &format!("{} will be sent again", counted(n))),
        ByHand::Discard => answer(StatusCode::OK, "Removed", &format!("{} will not be sent any more", counted(n))),
    }
}
