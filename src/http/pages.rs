//! What is not FHIR: pages for people, health, the API description, the samples.

pub mod assets;
pub mod form;
pub mod html;
pub mod letters;
pub mod oidc;
pub mod people;
pub mod queue;
pub mod rules;
pub mod sign_in;
pub mod state;
pub mod try_out;

use super::App;
use super::gate::Need;
use super::refusal::{FHIR_JSON, Refusal};
use super::samples::SAMPLES;
use crate::background;
use askama::Template;
use axum::extract::{Path, Request, State};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use http::{HeaderValue, Method, StatusCode, header};
use jiff::Timestamp;
use std::sync::Arc;
use std::sync::atomic::Ordering;

/// The API description, OpenAPI 3.1.
pub const OPENAPI: &str = include_str!("openapi.json");

#[derive(Template)]
#[template(path = "home.html")]
struct Home {
    chrome: html::Chrome,
    samples: &'static [super::samples::Sample],
    version: &'static str,
    keeps: bool,
}

#[derive(Template)]
#[template(path = "keys.html")]
struct Keys {
    chrome: html::Chrome,
}

#[derive(Template)]
#[template(path = "over.html")]
struct SignInFirst {
    chrome: html::Chrome,
    texts: Vec<(&'static str, String)>,
    to: String,
}

/// Who sent a request, where people sign in.
pub(crate) fn signed(app: &App, request: &Request) -> Option<people::Signed> {
    let by_hand = request.uri().path() != "/queue/events";
    app.doors.people.as_ref()?.signed(request.headers(), Timestamp::now(), by_hand)
}

/// The middleware of pages that are for whoever is signed in; those of orders for whoever may see orders, and what is done
/// with the service for administrators.
pub async fn signed_in(State((app, need)): State<(Arc<App>, Need)>, request: Request, next: Next) -> Response {
    let chrome = |title: &str, signed| html::Chrome::new(&app, title, "", signed);
    if app.doors.people.is_none() {
        let text = vec!["Nobody can sign in at this service, so it has no pages that need it.".to_owned()];
        return html::message(
            StatusCode::FORBIDDEN,
            chrome("No such page here", None),
            "No such page here",
            text,
            None,
        );
    }
    let Some(signed) = signed(&app, &request) else {
        if request.method() == Method::GET {
            let wanted = request.uri().path_and_query().map_or("/", |p| p.as_str());
            let mut to = String::from("/sign-in?");
            to.push_str(&form_urlencoded::Serializer::new(String::new()).append_pair("next", wanted).finish());
            return html::see_other(&to);
        }
        let next = request.uri().path().to_owned();
        let order = need == Need::Person && next.starts_with("/queue/");
        // What was written comes back: whoever wrote it for a quarter of an hour has it nowhere else.
        let texts = match form::read(&app, request).await {
            Ok(form) if order => queue::Typed::read(&form).all(),
            Ok(_) | Err(_) => Vec::new(),
        };
        let mut to = "/sign-in".to_owned();
        if order {
            to.push('?');
            to.push_str(&form_urlencoded::Serializer::new(String::new()).append_pair("next", &next).finish());
        }
        return html::page(StatusCode::FORBIDDEN, &SignInFirst { chrome: chrome("Sign in first", None), texts, to });
    };
    if need == Need::Person && signed.person.job.role().is_none() {
        let text = vec![format!("This page is about orders, which a {} does not see.", signed.person.job.words())];
        let chrome = chrome("Not for this role", Some(&signed));
        return html::message(StatusCode::FORBIDDEN, chrome, "Not for this role", text, Some(("/rules", "Rules")));
    }
    if need == Need::Admin && signed.person.job != people::Job::Admin {
        let text = vec![format!("This is for administrators. You are signed in as {}.", signed.person.job.words())];
        let chrome = chrome("Not for this role", Some(&signed));
        return html::message(StatusCode::FORBIDDEN, chrome, "Not for this role", text, Some(("/state", "Service")));
    }
    next.run(request).await
}

/// `GET /`
pub async fn home(State(app): State<Arc<App>>, request: Request) -> Response {
    let chrome = html::Chrome::new(&app, "Tube-feeding orders", "home", signed(&app, &request).as_ref());
    html::page(
        StatusCode::OK,
        &Home { chrome, samples: &SAMPLES, version: env!("CARGO_PKG_VERSION"), keeps: app.doors.store.is_some() },
    )
}

/// `GET /keys`: keys and words.
pub async fn keys(State(app): State<Arc<App>>, request: Request) -> Response {
    let chrome = html::Chrome::new(&app, "Help", "keys", signed(&app, &request).as_ref());
    html::page(StatusCode::OK, &Keys { chrome })
}

/// `GET /livez`: the process answers.
pub async fn alive() -> Response {
    plain(StatusCode::OK, "live\n".to_owned())
}

/// `GET /readyz`: there is a formulary to appraise with, the rules pass their own examples, what writes the queue lives,
/// and no stop was asked for.
pub async fn ready(State(app): State<Arc<App>>) -> Response {
    let (ready, text) = readiness(&app);
    let status = if ready { StatusCode::OK } else { StatusCode::SERVICE_UNAVAILABLE };
    // Details name files and rules: where callers have to be known, they are for the listener that tells of the inside.
    match &app.doors.gate {
        Some(_) => plain(status, if ready { "ready\n" } else { "not ready\n" }.to_owned()),
        None => plain(status, text),
    }
}

/// The same with everything that there is to say.
pub async fn ready_in_detail(State(app): State<Arc<App>>) -> Response {
    let (ready, text) = readiness(&app);
    plain(if ready { StatusCode::OK } else { StatusCode::SERVICE_UNAVAILABLE }, text)
}

fn readiness(app: &App) -> (bool, String) {
    if app.stopping.load(Ordering::Relaxed) {
        return (false, "not ready: stopping\n".to_owned());
    }
    let certificates = app.doors.certificates.as_ref().map_or_else(String::new, |c| c.ready() + "\n");
    let callers = app.doors.gate.as_ref().map_or_else(String::new, |gate| gate.ready() + "\n");
    let trail = app.doors.trail.as_ref().map_or_else(String::new, |trail| trail.ready() + "\n");
    let told = app.doors.notices.as_ref().map_or_else(String::new, |notices| notices.ready() + "\n");
    let reached =
        callers + &certificates + &trail + &super::keeping::ready(app) + &told + &background::ready(&app.faults());
    match app.appraiser.ready() {
        Ok(_) if let Some(why) = super::keeping::over(app) => (false, format!("not ready: {why}\n{reached}")),
        Ok(with) => (true, format!("ready: {with}\n{reached}")),
        Err(why) => (false, format!("not ready: {why}\n{reached}")),
    }
}

/// `GET /openapi.json`
pub async fn openapi() -> Response {
    ([(header::CONTENT_TYPE, HeaderValue::from_static("application/json"))], OPENAPI).into_response()
}

/// `GET /demo/orders/{name}`, in the demo only.
pub async fn sample(State(app): State<Arc<App>>, Path(name): Path<String>) -> Result<Response, Refusal> {
    let sample = SAMPLES.iter().find(|s| s.name == name).filter(|_| app.settings.demo);
    let sample =
        sample.ok_or_else(|| Refusal::NotFound("No such sample order; they exist only in the demo.".to_owned()))?;
    Ok(([(header::CONTENT_TYPE, HeaderValue::from_static(FHIR_JSON))], sample.text).into_response())
}

fn plain(status: StatusCode, text: String) -> Response {
    (status, [(header::CONTENT_TYPE, HeaderValue::from_static("text/plain; charset=utf-8"))], text).into_response()
}
