//! Views: the usual ones, and those that a person keeps.

use super::filters::Asked;
use super::{entered, unavailable};
use crate::answer::unseen;
use crate::http::App;
use crate::http::pages::form::Form;
use crate::http::pages::html::{Chrome, message, see_other};
use crate::http::pages::people::{Job, Person};
use crate::http::pages::{form, signed};
use crate::http::refusal::Refusal;
use crate::queue::Lane;
use crate::store::views;
use axum::extract::{Request, State};
use axum::response::Response;
use http::StatusCode;
use std::sync::Arc;

pub(super) struct View {
    pub(super) name: String,
    pub(super) href: String,
    pub(super) here: bool,
    pub(super) count: Option<u64>,
}

pub(super) fn views(asked: &Asked, counts: &crate::store::Counts, me: &Person) -> Vec<View> {
    let waiting = |lane: Lane| -> u64 {
        let states = counts.lanes.get(&lane);
        states.map_or(0, |states| {
            states.iter().filter(|(s, _)| !matches!(s.as_str(), "not-asked" | "decided")).map(|(_, n)| n).sum()
        })
    };
    let view =
        |name: &str, to: Asked, count| View { name: name.to_owned(), here: *asked == to, href: to.href(None), count };
    let plain = |lane: &str| Asked { lane: lane.to_owned(), state: "waiting".to_owned(), ..Asked::default() };
    let mut out = vec![
        view("Pharmacists", plain("pharmacist"), Some(waiting(Lane::Pharmacist))),
        view("Dietitians", plain("dietitian"), Some(waiting(Lane::Dietitian))),
        view("Both lanes", plain("all"), Some(counts.open)),
        view("Not fully checked", Asked { unchecked: true, ..plain("all") }, Some(counts.not_fully_checked)),
        view("Starts within 4 h", Asked { starts: "4".to_owned(), ..plain("all") }, None),
    ];
    if me.job.lane().is_some() {
        out.push(view("Mine", Asked { mine: true, ..plain("all") }, None));
    }
    out.push(view("Closed", Asked { state: "closed".to_owned(), ..plain("all") }, None));
    out.push(view("Replaced", Asked { state: "replaced".to_owned(), ..plain("all") }, None));
    out
}

/// A view that somebody keeps.
pub(super) fn own_view(asked: &Asked, kept: views::View, job: Job) -> View {
    let to = Asked::read(&Form::parse(kept.query.as_bytes()), job);
    View { here: *asked == to, href: to.href(None), name: kept.name, count: None }
}

/// Most characters of a view's name.
const NAME: usize = 40;

/// `POST /queue/views`: keeps the filters of a list under a name, or removes such a view.
///
/// # Errors
/// What keeps the form from being read.
pub async fn keep_view(State(app): State<Arc<App>>, request: Request) -> Result<Response, Refusal> {
    let found = signed(&app, &request);
    let (signed, store, _) = match entered(&app, found) {
        Ok(found) => found,
        Err(answer) => return Ok(*answer),
    };
    let form = form::read(&app, request).await?;
    let said = |status, heading: &'static str, what: String| {
        let chrome = Chrome::new(&app, heading, "queue", Some(&signed));
        Ok(message(status, chrome, heading, vec![what], Some(("/queue", "Back to the queue"))))
    };
    if form.get("csrf") != signed.csrf {
        let what = "This form is not of this session. Open the queue again and repeat what you did.".to_owned();
        return said(StatusCode::FORBIDDEN, "Not of this session", what);
    }
    let asked = Asked::read(&Form::parse(form.get("query").as_bytes()), signed.person.job);
    let name = form.get("name").trim().to_owned();
    if name.is_empty() || name.chars().count() > NAME || name.chars().any(unseen) {
        let what = format!("A view needs a name of 1 to {NAME} characters that can be seen.");
        return said(StatusCode::UNPROCESSABLE_ENTITY, "Something is missing", what);
    }
    let change = match form.get("act") {
        "keep" => views::Change::Keep(views::View { name, query: asked.query(None) }),
        "remove" => views::Change::Remove(name),
        _ => {
            let what = "The form does not say what is to be done.".to_owned();
            return said(StatusCode::BAD_REQUEST, "Not understood", what);
        }
    };
    match store.set_view(signed.person.id.clone(), change).await {
        Ok(views::Came::Done) => Ok(see_other(&asked.href(None))),
        Ok(views::Came::TooMany) => {
            let what = format!("You keep {} views already. Remove one first: open it, then its button.", views::MOST);
            said(StatusCode::CONFLICT, "Too many views", what)
        }
        Err(why) => Ok(unavailable(&app, &signed, &why.to_string())),
    }
}
