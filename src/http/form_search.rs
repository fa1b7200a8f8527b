//! Searches whose parameters come as a form: `POST [base]/{type}/_search`, which FHIR asks of servers beside `GET`. They are
//! answered as the same search by `GET` is, the parameters of the address first.

use super::App;
use super::body;
use super::refusal::{Head, Refusal};
use super::stack::ADDRESS;
use axum::extract::{Path, Request, State};
use axum::response::Response;
use axum::routing::{MethodRouter, post};
use http::uri::{PathAndQuery, Uri};
use http::{HeaderValue, Method, header};
use std::fmt::Write as _;
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
    if parts
        .headers
        .get_all(header::CONTENT_ENCODING)
        .iter()
        .any(|coding| !coding.as_bytes().eq_ignore_ascii_case(b"identity"))
    {
        body::discard(&parts.headers, incoming, app.limits.body).await;
        let text = "Compressed forms (Content-Encoding) are not read; send the form as it is.".to_owned();
        return Err(Refusal::MediaType(text, FORM));
    }
    // In the trail it is the same search: of its parameters nothing, and no hash from which they could be told.
    let whole = body::bounded(app, &parts.headers, incoming).await?;
    if kind.is_empty() && !whole.bytes.is_empty() {
        return Err(Refusal::MediaType("The body has no media type.".to_owned(), FORM));
    }
    let query = query(parts.uri.query().unwrap_or_default(), &whole.bytes);
    let path = parts.uri.path();
    // The same search by `GET` may be as long and no longer.
    if path.trim_end_matches("/_search").len() + 1 + query.len() > ADDRESS {
        return Err(Refusal::HeadTooLarge(Head::Address, ADDRESS));
    }
    let path = format!("{path}?{query}");
    let mut uri = parts.uri.into_parts();
    uri.path_and_query = Some(PathAndQuery::from_maybe_shared(path.into_bytes()).map_err(|_| Refusal::Fault)?);
    parts.uri = Uri::from_parts(uri).map_err(|_| Refusal::Fault)?;
    parts.method = Method::GET;
    parts.headers.insert(header::CONTENT_LENGTH, HeaderValue::from_static("0"));
    Ok(Request::from_parts(parts, axum::body::Body::empty()))
}

/// The query with a form behind it, as it was sent: what is badly encoded stays so, and is refused as in an address. What an
/// address cannot hold is escaped.
fn query(query: &str, form: &[u8]) -> String {
    let mut out = query.to_owned();
    if !out.is_empty() && !form.is_empty() {
        out.push('&');
    }
    for byte in form {
        match byte {
            b'!' | b'$'..=b'~' if !matches!(byte, b'<' | b'>' | b'\\' | b'^' | b'`' | b'{' | b'|' | b'}') => {
                out.push(char::from(*byte));
            }
            _ => {
                // Into memory: cannot fail.
                let _ = write!(out, "%{byte:02X}");
            }
        }
    }
    out
}
