//! Signing in and out.

use super::form::{self, Form};
use super::html::{Chrome, message, page, see_other};
use super::people::{Job, NotSigned, Person};
use super::signed;
use crate::http::App;
use crate::http::refusal::Refusal;
use askama::Template;
use axum::extract::{Request, State};
use axum::response::Response;
use http::{HeaderValue, StatusCode, header};
use jiff::Timestamp;
use std::sync::Arc;

#[derive(Template)]
#[template(path = "sign_in.html")]
struct Page<'p> {
    chrome: Chrome,
    problem: Option<&'static str>,
    next: String,
    people: &'p [Person],
    jobs: [(Job, &'static str, &'static str); 7],
}

/// Where to go after signing in: a page of this service and nothing else.
fn own_page(next: &str) -> &str {
    let plain = next.starts_with('/')
        && !next.starts_with("//")
        && !next.contains('\\')
        && next.bytes().all(|b| b.is_ascii_graphic())
        && !next.starts_with("/sign-");
    if plain { next } else { "/queue" }
}

fn form_page(app: &App, status: StatusCode, next: &str, problem: Option<&'static str>) -> Response {
    let Some(people) = &app.doors.people else {
        let text = vec!["This service keeps nothing, so there is nothing to sign in for.".to_owned()];
        let chrome = Chrome::new(app, "Nobody signs in here", "", None);
        return message(StatusCode::NOT_FOUND, chrome, "Nobody signs in here", text, Some(("/", "Start page")));
    };
    let chrome = Chrome::new(app, "Sign in", "sign-in", None);
    let next = own_page(next).to_owned();
    page(status, &Page { chrome, problem, next, people: people.listed(), jobs: Job::ALL })
}

/// `GET /sign-in`
pub async fn show(State(app): State<Arc<App>>, request: Request) -> Response {
    let form = Form::parse(request.uri().query().unwrap_or("").as_bytes());
    form_page(&app, StatusCode::OK, form.get("next"), None)
}

/// `POST /sign-in`
///
/// # Errors
/// What keeps the form from being read.
pub async fn sign_in(State(app): State<Arc<App>>, request: Request) -> Result<Response, Refusal> {
    let form = form::read(&app, request).await?;
    let next = own_page(form.get("next")).to_owned();
    let Some(people) = &app.doors.people else { return Ok(form_page(&app, StatusCode::NOT_FOUND, "", None)) };
    let job = Job::of(form.get("job")).unwrap_or(Job::Nurse);
    let who = if people.listed().is_empty() { Err((form.get("name"), job)) } else { Ok(form.get("person")) };
    let refused = match people.sign_in(form.get("token"), who, Timestamp::now()) {
        Ok(cookie) => {
            tracing::info!("somebody signed in with the start-up token");
            let mut answer = see_other(&next);
            answer.headers_mut().insert(header::SET_COOKIE, cookie);
            return Ok(answer);
        }
        Err(refused) => refused,
    };
    tracing::warn!(reason = ?refused, "nobody was signed in");
    let (status, problem) = match refused {
        NotSigned::Token => {
            (StatusCode::UNAUTHORIZED, "This is not the start-up token. It was printed where the service was started.")
        }
        NotSigned::TooMany => (StatusCode::TOO_MANY_REQUESTS, "Too many wrong tokens were tried. Wait a minute."),
        NotSigned::Nobody => (StatusCode::BAD_REQUEST, "A name is needed."),
    };
    Ok(form_page(&app, status, &next, Some(problem)))
}

/// `POST /sign-out`
///
/// # Errors
/// What keeps the form from being read.
pub async fn sign_out(State(app): State<Arc<App>>, request: Request) -> Result<Response, Refusal> {
    let found = signed(&app, &request);
    let form = form::read(&app, request).await?;
    let mut answer = see_other("/");
    if let (Some(people), Some(signed)) = (&app.doors.people, found) {
        if form.get("csrf") != signed.csrf {
            let text = vec!["This form is not of this session. You are still signed in.".to_owned()];
            let chrome = Chrome::new(&app, "Not of this session", "", Some(&signed));
            return Ok(message(StatusCode::FORBIDDEN, chrome, "Not of this session", text, Some(("/", "Start page"))));
        }
        if let Some(cookie) = people.sign_out(&signed) {
            answer.headers_mut().insert(header::SET_COOKIE, cookie);
        }
        answer.headers_mut().insert("clear-site-data", HeaderValue::from_static("\"cache\""));
    }
    Ok(answer)
}
