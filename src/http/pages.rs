//! What is not FHIR: the start page, health, the API description, the samples.

use super::App;
use super::refusal::{FHIR_JSON, Refusal};
use super::samples::SAMPLES;
use axum::extract::{Path, State};
use axum::response::{IntoResponse, Response};
use http::{HeaderValue, StatusCode, header};
use std::sync::Arc;
use std::sync::atomic::Ordering;

/// The API description, OpenAPI 3.1.
pub const OPENAPI: &str = include_str!("openapi.json");

const PAGE: &str = include_str!("page.html");
const PAGE_STYLE: &str = include_str!("page.css");
const DEMO_NOTICE: &str = "<p class=\"demo\"><strong>Demonstration.</strong> All data here is invented: the people, the orders, the products and their composition. Never use it for a real person.</p>";

/// `GET /`
pub async fn home(State(app): State<Arc<App>>) -> Response {
    let demo = app.settings.demo;
    let samples: String = if demo {
        let items = SAMPLES.iter().map(|s| {
            format!("<li><a href=\"/demo/orders/{0}\">{0}</a> ({1}): {2}</li>\n", s.name, s.version.name(), s.about)
        });
        format!("<h2>Invented sample orders</h2>\n<ul>\n{}</ul>\n", items.collect::<String>())
    } else {
        String::new()
    };
    let page = PAGE
        .replace("{{demo}}", if demo { DEMO_NOTICE } else { "" })
        .replace("{{samples}}", &samples)
        .replace("{{fetch}}", if demo { "curl -s http://ADDRESS/demo/orders/demo-1-toddler |\n" } else { "" })
        .replace("{{order}}", if demo { "@-" } else { "@order.json" })
        .replace("{{version}}", env!("CARGO_PKG_VERSION"));
    let headers = [
        (header::CONTENT_TYPE, HeaderValue::from_static("text/html; charset=utf-8")),
        (
            header::CONTENT_SECURITY_POLICY,
            HeaderValue::from_static(
                "default-src 'none'; style-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
            ),
        ),
    ];
    (headers, page).into_response()
}

/// `GET /page.css`
pub async fn style() -> Response {
    ([(header::CONTENT_TYPE, HeaderValue::from_static("text/css; charset=utf-8"))], PAGE_STYLE).into_response()
}

/// `GET /livez`: the process answers.
pub async fn alive() -> Response {
    plain(StatusCode::OK, "live\n".to_owned())
}

/// `GET /readyz`: there is a formulary to appraise with, the rules pass their own examples, and no stop was asked for.
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
    let reached = callers + &certificates + &trail + &super::keeping::ready(app);
    match app.appraiser.ready() {
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
