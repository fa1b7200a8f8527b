//! Content negotiation: what the caller sends and what it can read (FHIR "HTTP" and "Versions" pages).

use super::refusal::{FHIR_JSON, Refusal};
use crate::intake::order::FhirVersion;
use axum::response::{IntoResponse, Response};
use http::{HeaderMap, HeaderValue, StatusCode, header};

/// Media types of bodies: those of FHIR, and those of CDS Hooks.
const FHIR: &str = "application/fhir+json";
const HOOKS: &str = "application/json";

impl Refusal {
    /// The same for a hook, whose bodies are of another media type.
    pub fn of_a_hook(self) -> Self {
        match self {
            Self::MediaType(what, _) => Self::MediaType(what.replace(FHIR, HOOKS), HOOKS),
            Self::NotAcceptable(asked, _) => Self::NotAcceptable(asked, HOOKS),
            other => other,
        }
    }
}

/// `type/subtype`, without its parameters.
fn media_type(text: &str) -> &str {
    text.split(';').next().unwrap_or("").trim()
}

fn is_one_of(kind: &str, known: &[&str]) -> bool {
    known.iter().any(|known| kind.eq_ignore_ascii_case(known))
}

/// A parameter of a media type, unquoted; names in any case.
fn parameter<'t>(text: &'t str, name: &str) -> Option<&'t str> {
    let mut parameters = text.split(';').skip(1).filter_map(|part| part.split_once('='));
    parameters.find(|(own, _)| own.trim().eq_ignore_ascii_case(name)).map(|(_, value)| value.trim().trim_matches('"'))
}

fn same_version(asked: &str, version: FhirVersion) -> bool {
    asked == version.mime() || asked == version.number()
}

/// Whether the body is JSON in UTF-8, not compressed, and of the address's FHIR version.
pub fn readable(headers: &HeaderMap, version: FhirVersion) -> Result<(), Refusal> {
    let wanted = "send application/fhir+json; charset=utf-8";
    for coding in headers.get_all(header::CONTENT_ENCODING) {
        if !coding.as_bytes().eq_ignore_ascii_case(b"identity") {
            return Err(Refusal::MediaType(
                "Compressed bodies (Content-Encoding) are not read; send the body as it is.".to_owned(),
                FHIR,
            ));
        }
    }
    let mut types = headers.get_all(header::CONTENT_TYPE).iter();
    let (Some(first), None) = (types.next(), types.next()) else {
        return Err(Refusal::MediaType(format!("Exactly one Content-Type is needed; {wanted}."), FHIR));
    };
    let Ok(first) = first.to_str() else {
        return Err(Refusal::MediaType(format!("The Content-Type cannot be read; {wanted}."), FHIR));
    };
    if !is_one_of(media_type(first), &["application/fhir+json", "application/json", "text/json"]) {
        return Err(Refusal::MediaType(format!("Bodies of this Content-Type are not read; {wanted}."), FHIR));
    }
    if let Some(charset) = parameter(first, "charset")
        && !charset.eq_ignore_ascii_case("utf-8")
    {
        return Err(Refusal::MediaType(format!("Only UTF-8 is read; {wanted}."), FHIR));
    }
    match parameter(first, "fhirversion") {
        Some(asked) if !same_version(asked, version) => Err(Refusal::MediaType(
            format!(
                "The Content-Type names another FHIR version than this address, which reads {} (fhirVersion={}).",
                version.name(),
                version.mime()
            ),
            FHIR,
        )),
        _ => Ok(()),
    }
}

/// Conditions that a request can set (RFC 9110, section 13; FHIR, `If-None-Exist`), and the same of an entry of a batch.
const CONDITIONS: [(&str, &str); 5] = [
    ("If-None-Exist", "ifNoneExist"),
    ("If-Match", "ifMatch"),
    ("If-None-Match", "ifNoneMatch"),
    ("If-Modified-Since", "ifModifiedSince"),
    ("If-Unmodified-Since", ""),
];

/// Refuses conditions: passed over they would look as if they had been met.
///
/// # Errors
/// 412, with the name of the first.
pub fn unconditional(headers: &HeaderMap) -> Result<(), Refusal> {
    CONDITIONS
        .into_iter()
        .find(|(name, _)| headers.contains_key(*name))
        .map_or(Ok(()), |(name, _)| Err(Refusal::Condition(name)))
}

/// The same for the request of an entry.
///
/// # Errors
/// 412, with the name of the first.
pub fn unconditional_entry(has: impl Fn(&str) -> bool) -> Result<(), Refusal> {
    let set = CONDITIONS.into_iter().find(|(_, element)| !element.is_empty() && has(element));
    set.map_or(Ok(()), |(_, element)| Err(Refusal::Condition(element)))
}

/// What a caller would like (`Prefer`, RFC 7240; FHIR, "HTTP"), as far as it can be done.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Preferences {
    /// `handling`: whether parameters that are not known are passed over.
    pub lenient: Option<bool>,
    /// `return=OperationOutcome`
    pub outcome: bool,
}

impl Preferences {
    /// Reads the header. Of a preference given twice the first counts; what is not known is passed over, as the
    /// standard has it.
    pub fn read(headers: &HeaderMap) -> Self {
        let mut out = Self::default();
        let (mut handling, mut returns) = (false, false);
        let all = headers.get_all("prefer").iter().filter_map(|value| value.to_str().ok());
        for preference in all.flat_map(|value| value.split(',')) {
            let preference = preference.split(';').next().unwrap_or("");
            let (name, value) = preference.split_once('=').unwrap_or((preference, ""));
            let value = value.trim().trim_matches('"');
            match name.trim().to_ascii_lowercase().as_str() {
                "handling" if !std::mem::replace(&mut handling, true) => {
                    out.lenient = match value {
                        "lenient" => Some(true),
                        "strict" => Some(false),
                        _ => None,
                    }
                }
                "return" if !std::mem::replace(&mut returns, true) => out.outcome = value == "OperationOutcome",
                _ => {}
            }
        }
        out
    }

    /// `Preference-Applied`, for an operation that answers with an OperationOutcome or does not.
    pub fn applied(self, outcome: bool) -> Option<HeaderValue> {
        let handling = self.lenient.map(|lenient| if lenient { "handling=lenient" } else { "handling=strict" });
        let returned = (self.outcome && outcome).then_some("return=OperationOutcome");
        match (handling, returned) {
            (Some(handling), Some(returned)) => HeaderValue::try_from(format!("{handling}, {returned}")).ok(),
            (one, other) => one.or(other).map(HeaderValue::from_static),
        }
    }
}

/// Whether the caller can read JSON: `_format` if given, else Accept.
pub fn acceptable(headers: &HeaderMap, format: Option<&str>, version: FhirVersion) -> Result<(), Refusal> {
    if let Some(format) = format {
        let json = is_one_of(
            media_type(format),
            &["json", "application/json", "application/fhir+json", "application/fhir json", "text/json"],
        );
        let versions_agree = parameter(format, "fhirversion").is_none_or(|asked| same_version(asked, version));
        return if json && versions_agree {
            Ok(())
        } else {
            Err(Refusal::NotAcceptable("another _format".to_owned(), FHIR))
        };
    }
    let mut asked = false;
    let mut other_version = false;
    for range in headers.get_all(header::ACCEPT).iter().filter_map(|v| v.to_str().ok()).flat_map(|v| v.split(',')) {
        let kind = media_type(range);
        if kind.is_empty() {
            continue;
        }
        asked = true;
        let refused = parameter(range, "q").is_some_and(|q| q.parse::<f32>().is_ok_and(|q| q <= 0.0));
        let json = is_one_of(
            kind,
            &["*/*", "application/*", "text/*", "application/fhir+json", "application/json", "text/json"],
        );
        if refused || !json {
            continue;
        }
        match parameter(range, "fhirversion") {
            Some(wanted) if !same_version(wanted, version) => other_version = true,
            _ => return Ok(()),
        }
    }
    match (asked, other_version) {
        (false, _) => Ok(()),
        (_, true) => {
            Err(Refusal::NotAcceptable(format!("another FHIR version than this address's, {}", version.name()), FHIR))
        }
        _ => Err(Refusal::NotAcceptable("another media type".to_owned(), FHIR)),
    }
}

/// A FHIR answer.
pub fn fhir(status: StatusCode, body: String, pretty: bool) -> Response {
    let body = if pretty { indented(&body) } else { body };
    (status, [(header::CONTENT_TYPE, HeaderValue::from_static(FHIR_JSON))], body).into_response()
}

/// The same JSON with line breaks and indents; tokens and their order untouched (decimals keep their digits).
pub fn indented(json: &str) -> String {
    fn line(out: &mut String, depth: usize) {
        out.push('\n');
        out.extend(std::iter::repeat_n("  ", depth));
    }
    let mut out = String::with_capacity(json.len() * 2);
    let (mut depth, mut in_string, mut escaped) = (0_usize, false, false);
    let mut chars = json.chars().peekable();
    while let Some(c) = chars.next() {
        if in_string {
            out.push(c);
            in_string = escaped || c != '"';
            escaped = !escaped && c == '\\';
            continue;
        }
        match c {
            '"' => {
                in_string = true;
                out.push(c);
            }
            '{' | '[' => {
                out.push(c);
                if let Some(close) = chars.next_if(|next| matches!(next, '}' | ']')) {
                    out.push(close);
                } else {
                    depth += 1;
                    line(&mut out, depth);
                }
            }
            '}' | ']' => {
                depth = depth.saturating_sub(1);
                line(&mut out, depth);
                out.push(c);
            }
            ',' => {
                out.push(c);
                line(&mut out, depth);
            }
            ':' => out.push_str(": "),
            c if c.is_ascii_whitespace() => {}
            c => out.push(c),
        }
    }
    out.push('\n');
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn headers(name: header::HeaderName, value: &str) -> HeaderMap {
        let mut map = HeaderMap::new();
        map.insert(name, HeaderValue::from_str(value).unwrap());
        map
    }

    #[test]
    fn content_types() {
        for (value, ok) in [
            ("application/fhir+json", true),
            ("application/fhir+json; charset=UTF-8", true),
            ("Application/FHIR+JSON;charset=\"utf-8\";fhirVersion=4.0", true),
            ("application/json", true),
            ("text/json", true),
            ("application/fhir+json; fhirVersion=5.0", false),
            ("application/fhir+json; charset=iso-8859-1", false),
            ("application/fhir+xml", false),
            ("text/plain", false),
        ] {
            assert_eq!(readable(&headers(header::CONTENT_TYPE, value), FhirVersion::R4).is_ok(), ok, "{value}");
        }
        assert!(readable(&HeaderMap::new(), FhirVersion::R4).is_err());
    }

    #[test]
    fn preferences() {
        for (value, lenient, outcome, applied) in [
            ("handling=lenient", Some(true), false, Some("handling=lenient")),
            ("Handling = \"strict\"", Some(false), false, Some("handling=strict")),
            ("handling=strict, handling=lenient", Some(false), false, Some("handling=strict")),
            ("handling=loose", None, false, None),
            ("return=OperationOutcome", None, true, Some("return=OperationOutcome")),
            ("return=minimal, return=OperationOutcome", None, false, None),
            (
                "respond-async; wait=5, handling=lenient;x=y, return=OperationOutcome",
                Some(true),
                true,
                Some("handling=lenient, return=OperationOutcome"),
            ),
            (", =, ;", None, false, None),
        ] {
            let read = Preferences::read(&headers(header::HeaderName::from_static("prefer"), value));
            assert_eq!(read, Preferences { lenient, outcome }, "{value}");
            assert_eq!(read.applied(true).as_ref().map(|v| v.to_str().unwrap()), applied, "{value}");
        }
        assert_eq!(Preferences { lenient: None, outcome: true }.applied(false), None);
    }

    #[test]
    fn accept_and_format() {
        for (value, ok) in [
            ("*/*", true),
            ("application/fhir+json;fhirVersion=4.0", true),
            ("application/fhir+xml, application/fhir+json;q=0.5", true),
            ("text/html, */*;q=0.1", true),
            ("application/fhir+json;fhirVersion=5.0", false),
            ("application/fhir+xml", false),
            ("application/fhir+json;q=0", false),
        ] {
            assert_eq!(acceptable(&headers(header::ACCEPT, value), None, FhirVersion::R4).is_ok(), ok, "{value}");
        }
        let xml = headers(header::ACCEPT, "application/fhir+xml");
        for (format, ok) in [
            ("json", true),
            ("application/fhir json", true),
            ("application/fhir+json", true),
            ("xml", false),
            ("html", false),
        ] {
            assert_eq!(acceptable(&xml, Some(format), FhirVersion::R4).is_ok(), ok, "{format}");
        }
    }

    #[test]
    fn indenting_keeps_every_token() {
        let json = r#"{"a":[1.50,{}],"b":"x\"{,:\\","c":[]}"#;
        let pretty = indented(json);
        assert_eq!(pretty, "{\n  \"a\": [\n    1.50,\n    {}\n  ],\n  \"b\": \"x\\\"{,:\\\\\",\n  \"c\": []\n}\n");
    }
}
