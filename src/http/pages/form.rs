//! Forms as browsers send them.

use crate::http::App;
use crate::http::body;
use crate::http::refusal::Refusal;
use axum::extract::Request;
use http::header;
use std::borrow::Cow;

/// The fields of a form, in the order in which they were sent.
#[derive(Clone, Debug, Default)]
pub struct Form(Vec<(String, String)>);

impl Form {
    /// Reads the fields of an address or a body.
    pub fn parse(bytes: &[u8]) -> Self {
        Self(form_urlencoded::parse(bytes).map(|(name, value)| (name.into_owned(), value.into_owned())).collect())
    }

    /// The first value of that name; empty where there is none.
    pub fn get(&self, name: &str) -> &str {
        self.0.iter().find(|(own, _)| own == name).map_or("", |(_, value)| value)
    }

    /// Every value of that name.
    pub fn all<'f>(&'f self, name: &'f str) -> impl Iterator<Item = &'f str> {
        self.0.iter().filter(move |(own, _)| own == name).map(|(_, value)| value.as_str())
    }

    /// Line breaks as on this side: browsers send two characters for one.
    pub fn text(&self, name: &str) -> String {
        let text = self.get(name);
        let text: Cow<'_, str> = if text.contains('\r') { text.replace("\r\n", "\n").into() } else { text.into() };
        text.into_owned()
    }
}

/// The form that is the body of a request.
///
/// # Errors
/// A body that is too large, late, or no form.
pub async fn read(app: &App, request: Request) -> Result<Form, Refusal> {
    let (parts, incoming) = request.into_parts();
    let kind = parts.headers.get(header::CONTENT_TYPE).and_then(|v| v.to_str().ok()).unwrap_or("");
    let kind = kind.split(';').next().unwrap_or("").trim();
    if !kind.eq_ignore_ascii_case("application/x-www-form-urlencoded") {
        body::discard(&parts.headers, incoming, app.limits.body).await;
        return Err(Refusal::MediaType(
            "This address takes the form of its page.".to_owned(),
            "application/x-www-form-urlencoded",
        ));
    }
    let whole = body::read(app, &parts, incoming).await?;
    Ok(Form::parse(&whole.bytes))
}
