//! What every page has: its frame, its headers, and a few words.

use crate::findings::Tier;
use crate::http::App;
use crate::http::pages::people::Signed;
use crate::sheet::seen;
use askama::Template;
use axum::response::{IntoResponse, Response};
use http::{HeaderValue, StatusCode, header};
use jiff::Timestamp;

/// What a page may load and where its forms may go: this service, and nothing that is written into the page.
pub const POLICY: &str = "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'";

/// Who is signed in, as the frame shows it.
pub struct Who {
    /// Name.
    pub name: String,
    /// What they are.
    pub role: &'static str,
}

/// The frame of a page.
pub struct Chrome {
    /// Title.
    pub title: String,
    /// Which part of the service it is of.
    pub here: &'static str,
    /// Who is signed in.
    pub person: Option<Who>,
    /// Goes back with each form.
    pub csrf: String,
    /// Name of the time zone.
    pub zone: String,
    /// Everything is invented.
    pub demo: bool,
    /// There is a queue.
    pub queue: bool,
}

impl Chrome {
    /// The frame for whoever is signed in.
    pub fn new(app: &App, title: impl Into<String>, here: &'static str, signed: Option<&Signed>) -> Self {
        Self {
            title: seen(&title.into()),
            here,
            person: signed.map(|s| Who { name: seen(&s.person.name), role: s.person.job.words() }),
            csrf: signed.map(|s| s.csrf.clone()).unwrap_or_default(),
            zone: app.settings.zone_name.clone(),
            demo: app.settings.demo,
            queue: app.doors.people.is_some() && app.doors.store.is_some(),
        }
    }
}

/// A page as an answer.
pub fn page(status: StatusCode, template: &impl Template) -> Response {
    match template.render() {
        Ok(text) => {
            let headers = [
                (header::CONTENT_TYPE, HeaderValue::from_static("text/html; charset=utf-8")),
                (header::CONTENT_SECURITY_POLICY, HeaderValue::from_static(POLICY)),
            ];
            (status, headers, text).into_response()
        }
        Err(_) => crate::http::refusal::Refusal::Fault.into_response(),
    }
}

#[derive(Template)]
#[template(path = "message.html")]
struct Message<'m> {
    chrome: Chrome,
    heading: &'m str,
    text: Vec<String>,
    link: Option<(&'m str, &'m str)>,
}

/// A page that says one thing.
pub fn message(
    status: StatusCode,
    chrome: Chrome,
    heading: &str,
    text: Vec<String>,
    link: Option<(&str, &str)>,
) -> Response {
    page(status, &Message { chrome, heading, text, link })
}

/// Another address, asked with GET.
pub fn see_other(to: &str) -> Response {
    let to = HeaderValue::try_from(to).unwrap_or_else(|_| HeaderValue::from_static("/"));
    (StatusCode::SEE_OTHER, [(header::LOCATION, to)]).into_response()
}

/// A tier in a word.
pub const fn tier_word(tier: &Tier) -> &'static str {
    match tier {
        Tier::Stop => "Stop",
        Tier::High => "High",
        Tier::Med => "Medium",
        Tier::Low => "Reminder",
    }
}

/// A text as a sentence: a capital at its beginning, a full stop at its end.
pub fn sentence(text: impl AsRef<str>) -> String {
    crate::answer::capital(text.as_ref())
}

/// A moment in the institution's zone.
pub fn moment(app: &App, at: Timestamp) -> String {
    crate::sheet::moment(&app.settings.zone, crate::exact::Exact::int(at.as_second()))
}
