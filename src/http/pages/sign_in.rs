//! Signing in and out.

use super::form::{self, Form};
use super::html::{Chrome, message, page, see_other};
use super::oidc::NotKnown;
use super::people::{Job, NotSigned, Person};
use super::signed;
use crate::http::App;
use crate::http::refusal::Refusal;
use crate::http::trail::Noted;
use askama::Template;
use axum::extract::{Request, State};
use axum::response::{IntoResponse, Response};
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
    provider: Option<String>,
    /// The query of the way to it.
    begin: String,
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
    let begin = form_urlencoded::Serializer::new(String::new()).append_pair("next", &next).finish();
    page(
        status,
        &Page {
            chrome,
            problem,
            next,
            people: people.listed(),
            jobs: Job::ALL,
            provider: people.provider().map(|p| p.name().to_owned()),
            begin,
        },
    )
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
    let noted = request.extensions().get::<Noted>().cloned();
    let form = form::read(&app, request).await?;
    let next = own_page(form.get("next")).to_owned();
    let Some(people) = &app.doors.people else { return Ok(form_page(&app, StatusCode::NOT_FOUND, "", None)) };
    let who = match (people.listed().is_empty(), Job::of(form.get("job"))) {
        (false, _) => Ok(form.get("person")),
        (true, Some(job)) => Err((form.get("name"), job)),
        // What somebody may do is never guessed.
        (true, None) => {
            if let Some(noted) = &noted {
                noted.reason("no-job");
            }
            let problem = "What you work as is needed (job): one of those listed.";
            return Ok(form_page(&app, StatusCode::BAD_REQUEST, &next, Some(problem)));
        }
    };
    let refused = match people.sign_in(form.get("token"), who, Timestamp::now()) {
        Ok(cookie) => {
            // A name that somebody wrote is no id: only who is listed is told by theirs.
            if let Some(noted) = &noted {
                noted.person(who.unwrap_or_default());
            }
            tracing::info!("somebody signed in with the start-up token");
            let mut answer = see_other(&next);
            answer.headers_mut().insert(header::SET_COOKIE, cookie);
            return Ok(answer);
        }
        Err(refused) => refused,
    };
    tracing::warn!(reason = ?refused, "nobody was signed in");
    let (status, code, problem) = match refused {
        NotSigned::Token => (
            StatusCode::UNAUTHORIZED,
            "wrong-token",
            "This is not the start-up token. It was printed where the service was started.",
        ),
        NotSigned::TooMany => {
            (StatusCode::TOO_MANY_REQUESTS, "too-many-tries", "Too many wrong tokens were tried. Wait a minute.")
        }
        NotSigned::Nobody => (StatusCode::BAD_REQUEST, "no-name", "A name is needed."),
    };
    if let Some(noted) = &noted {
        noted.reason(code);
    }
    Ok(form_page(&app, status, &next, Some(problem)))
}

const BROWSER: &str = "gate-sign-in";

/// `GET /sign-in/begin`: to the institution's provider. A link and no form: where forms may lead is bounded by the policy of
/// the pages.
pub async fn begin(State(app): State<Arc<App>>, request: Request) -> Response {
    let form = Form::parse(request.uri().query().unwrap_or("").as_bytes());
    let next = own_page(form.get("next")).to_owned();
    let Some((people, provider)) = app.doors.people.as_ref().and_then(|p| Some((p, p.provider()?))) else {
        return form_page(&app, StatusCode::NOT_FOUND, &next, None);
    };
    match provider.begin(&next, Timestamp::now()).await {
        Ok((to, kept)) => {
            let secure = if people.secure() { "; Secure" } else { "" };
            // Lax: the provider's page sends the browser back, and this cookie has to come along.
            let cookie = format!("{BROWSER}={kept}; Path=/sign-in; HttpOnly; SameSite=Lax; Max-Age=600{secure}");
            let mut answer = see_other(&to);
            if let Ok(cookie) = HeaderValue::try_from(cookie) {
                answer.headers_mut().insert(header::SET_COOKIE, cookie);
            }
            answer
        }
        Err(why) => not_known(&app, &why),
    }
}

#[derive(Template)]
#[template(path = "signed_in.html")]
struct Known {
    chrome: Chrome,
    next: String,
    name: String,
    job: &'static str,
}

/// `GET /sign-in/answer`: back from the provider.
pub async fn answer(State(app): State<Arc<App>>, request: Request) -> Response {
    let form = Form::parse(request.uri().query().unwrap_or("").as_bytes());
    let Some((people, provider)) = app.doors.people.as_ref().and_then(|p| Some((p, p.provider()?))) else {
        return form_page(&app, StatusCode::NOT_FOUND, "", None);
    };
    let browser = {
        let cookies = request.headers().get_all(header::COOKIE).iter().filter_map(|v| v.to_str().ok());
        let mut pairs = cookies.flat_map(|v| v.split(';')).filter_map(|pair| pair.trim().split_once('='));
        pairs.find(|(name, _)| *name == BROWSER).map_or_else(String::new, |(_, value)| value.to_owned())
    };
    let said = (form.get("state"), form.get("code"), form.get("iss"), form.get("error"));
    let now = Timestamp::now();
    let (person, next) = match provider.finish(said, &browser, now).await {
        Ok(found) => found,
        Err(why) => {
            if let Some(noted) = request.extensions().get::<Noted>() {
                noted.reason(why.code());
            }
            return not_known(&app, &why);
        }
    };
    if let Some(noted) = request.extensions().get::<Noted>() {
        noted.person(&person.id);
    }
    tracing::info!(job = person.job.words(), "somebody signed in at the provider");
    let (name, job) = (person.name.clone(), person.job.words());
    let Some(cookie) = people.begin(person, now) else { return Refusal::Fault.into_response() };
    // A strict cookie does not go along on a way that began at another site, so this page takes the next step.
    let chrome = Chrome::new(&app, "Signed in", "sign-in", None);
    let mut response = page(StatusCode::OK, &Known { chrome, next: own_page(&next).to_owned(), name, job });
    response.headers_mut().insert(header::SET_COOKIE, cookie);
    let over = HeaderValue::from_static("gate-sign-in=; Path=/sign-in; HttpOnly; SameSite=Lax; Max-Age=0");
    response.headers_mut().append(header::SET_COOKIE, over);
    response
}

fn not_known(app: &App, why: &NotKnown) -> Response {
    let (status, code, text) = match why {
        NotKnown::Provider(what) => (
            StatusCode::BAD_GATEWAY,
            *what,
            "The institution's provider does not answer as it should. Try again; if it stays so, tell those who look after the service.",
        ),
        NotKnown::NotBegun => (
            StatusCode::BAD_REQUEST,
            "not-begun",
            "This sign-in was not begun in this browser, took longer than ten minutes, or was finished already. Begin again.",
        ),
        NotKnown::Refused => (StatusCode::FORBIDDEN, "refused", "The institution's provider did not sign you in."),
        NotKnown::Token(code) => (
            StatusCode::FORBIDDEN,
            *code,
            "What the institution's provider said could not be verified. Begin again; if it stays so, tell those who look after the service.",
        ),
        NotKnown::NoJob => (
            StatusCode::FORBIDDEN,
            "no-job",
            "You are known, and none of your groups has a role here. Those who look after the service can give it one.",
        ),
    };
    tracing::warn!(reason = code, "nobody was signed in at the provider");
    let chrome = Chrome::new(app, "Not signed in", "sign-in", None);
    message(status, chrome, "Not signed in", vec![text.to_owned()], Some(("/sign-in", "Begin again")))
}

/// `POST /sign-out`
///
/// # Errors
/// What keeps the form from being read.
pub async fn sign_out(State(app): State<Arc<App>>, request: Request) -> Result<Response, Refusal> {
    let found = signed(&app, &request);
    if let (Some(noted), Some(signed)) = (request.extensions().get::<Noted>(), &found) {
        let given = app.doors.people.as_ref().is_some_and(|people| people.gives_ids());
        noted.person(if given { &signed.person.id } else { "" });
    }
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
