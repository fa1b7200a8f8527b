//! Searches whose parameters come as a form: `POST [base]/{type}/_search`, which FHIR asks of servers beside `GET`. They are
//! answered as the same search by `GET` is, the parameters of the address first.

use super::App;
use super::body;
use super::refusal::Refusal;
use axum::extract::{Path, Request, State};
use axum::response::Response;
use axum::routing::{MethodRouter, post};
use http::uri::{PathAndQuery, Uri};
use http::{HeaderValue, Method, header};
use std::future::Future;
use std::sync::Arc;

const FORM: &str = "application/x-www-form-urlencoded";

/// A search by a form, from the search by `GET`.
pub fn by_form<S, F>(search: S) -> MethodRouter<Arc<App>>
where
    S: Fn(State<Arc<App>>, Path<String>, Request) -> F + Clone + Send + Sync + 'static,
    F: Future<Output = Result<Response, Refusal>> + Send,
{
    post(move |state: State<Arc<App>>, version: Path<String>, request: Request| async move {
        let request = as_query(&state.0, request).await?;
        search(state, version, request).await
    })
}

/// The request with the fields of its form in the address.
async fn as_query(app: &App, request: Request) -> Result<Request, Refusal> {
    let (mut parts, incoming) = request.into_parts();
    let kind = parts.headers.get(header::CONTENT_TYPE).map_or(Some(""), |kind| kind.to_str().ok());
    let kind = kind.unwrap_or("other").split(';').next().unwrap_or("").trim();
    // Without a body, and so without a type, all of it is in the address.
    if !kind.is_empty() && !kind.eq_ignore_ascii_case(FORM) {
        body::discard(&parts.headers, incoming, app.limits.body).await;
        return Err(Refusal::MediaType("A search takes its parameters as a form.".to_owned(), FORM));
    }
    let whole = body::read(app, &parts, incoming).await?;
    if kind.is_empty() && !whole.bytes.is_empty() {
        return Err(Refusal::MediaType("The body has no media type.".to_owned(), FORM));
    }
    let mut query = form_urlencoded::Serializer::new(parts.uri.query().unwrap_or_default().to_owned());
    query.extend_pairs(form_urlencoded::parse(&whole.bytes));
    let path = format!("{}?{}", parts.uri.path(), query.finish());
    let mut uri = parts.uri.into_parts();
    let too_long = |_| Refusal::Unreadable("too-long", "The parameters of a search are too long.".to_owned(), None);
    uri.path_and_query = Some(PathAndQuery::from_maybe_shared(path.into_bytes()).map_err(too_long)?);
    parts.uri = Uri::from_parts(uri).map_err(|_| Refusal::Fault)?;
    parts.method = Method::GET;
    parts.headers.insert(header::CONTENT_LENGTH, HeaderValue::from_static("0"));
    Ok(Request::from_parts(parts, axum::body::Body::empty()))
}
