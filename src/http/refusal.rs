//! Whatever keeps a request from being served, as an OperationOutcome.

use super::trail::Why;
use axum::response::{IntoResponse, Response};
use http::{HeaderValue, StatusCode, header};
use serde::Serialize;

/// The media type of every FHIR answer.
pub const FHIR_JSON: &str = "application/fhir+json; charset=utf-8";

/// Why a request was not served.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Refusal {
    /// No such address. (what does exist, in words)
    NotFound(String),
    /// The address exists, the method does not.
    MethodNotAllowed,
    /// An entry of a batch has another method than its operation.
    EntryMethod,
    /// The client accepts nothing that can be sent. (what was asked, and what can be sent)
    NotAcceptable(String, &'static str),
    /// The body did not arrive in time.
    BodyTimeout,
    /// The body is larger than the limit, bytes.
    TooLarge(usize),
    /// Address or header fields are longer than their limit. (which; bytes)
    HeadTooLarge(Head, usize),
    /// The body's type, coding or version cannot be read. (which, and what can; its media type)
    MediaType(String, &'static str),
    /// The body is not what it has to be. (issue code, sentence, FHIRPath)
    Unreadable(&'static str, String, Option<String>),
    /// A parameter has a value that cannot be used. (its name, sentence)
    Parameter(String, String),
    /// Readable, but not offered. (sentence)
    NotSupported(String),
    /// Readable, and never done here. (sentence)
    Rule(&'static str),
    /// A condition on a version that there is not. (the header or element)
    Condition(&'static str),
    /// Too much at once.
    Overloaded,
    /// The appraisal took too long and was given up.
    AppraisalTimeout,
    /// A fault in this program. (request id to quote)
    Fault,
    /// The answers to the entries before already fill the answer to a batch.
    BatchFull,
    /// The connection ended inside the body.
    Incomplete,
    /// No token, or one that is not taken. Never says why.
    Unauthorized,
    /// A good token that does not allow this call. (sentence)
    Forbidden(String),
    /// This caller asks too much at once.
    Busy,
    /// What is kept cannot be read now.
    QueueAway,
    /// What is kept of an item cannot be read, and will not be until it is mended. (what is wrong with it)
    ItemUnread(String),
    /// Feedback could not be kept.
    NotKept,
}

/// What comes before the body of a request.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Head {
    /// Path and query.
    Address,
    /// Names and values of the header fields.
    Fields,
}

impl Refusal {
    /// The HTTP status.
    pub fn status(&self) -> StatusCode {
        match self {
            Self::NotFound(_) => StatusCode::NOT_FOUND,
            Self::MethodNotAllowed | Self::EntryMethod => StatusCode::METHOD_NOT_ALLOWED,
            Self::NotAcceptable(..) => StatusCode::NOT_ACCEPTABLE,
            Self::BodyTimeout => StatusCode::REQUEST_TIMEOUT,
            Self::HeadTooLarge(Head::Address, _) => StatusCode::URI_TOO_LONG,
            Self::HeadTooLarge(Head::Fields, _) => StatusCode::REQUEST_HEADER_FIELDS_TOO_LARGE,
            Self::TooLarge(_) | Self::BatchFull => StatusCode::PAYLOAD_TOO_LARGE,
            Self::MediaType(..) => StatusCode::UNSUPPORTED_MEDIA_TYPE,
            Self::Unreadable(..) | Self::Parameter(..) | Self::NotSupported(_) | Self::Incomplete => {
                StatusCode::BAD_REQUEST
            }
            Self::Rule(_) => StatusCode::UNPROCESSABLE_ENTITY,
            Self::Condition(_) => StatusCode::PRECONDITION_FAILED,
            Self::Overloaded | Self::AppraisalTimeout | Self::QueueAway | Self::ItemUnread(_) | Self::NotKept => {
                StatusCode::SERVICE_UNAVAILABLE
            }
            Self::Fault => StatusCode::INTERNAL_SERVER_ERROR,
            Self::Unauthorized => StatusCode::UNAUTHORIZED,
            Self::Forbidden(_) => StatusCode::FORBIDDEN,
            Self::Busy => StatusCode::TOO_MANY_REQUESTS,
        }
    }

    /// The FHIR issue type (codes of R4, which R5 has too).
    pub fn code(&self) -> &'static str {
        match self {
            Self::NotFound(_) => "not-found",
            Self::MethodNotAllowed
            | Self::EntryMethod
            | Self::NotAcceptable(..)
            | Self::MediaType(..)
            | Self::NotSupported(_)
            | Self::Condition(_) => "not-supported",
            Self::Rule(_) => "business-rule",
            Self::BodyTimeout | Self::AppraisalTimeout => "timeout",
            Self::TooLarge(_) | Self::HeadTooLarge(..) => "too-long",
            Self::BatchFull => "too-costly",
            Self::Unreadable(code, ..) => code,
            Self::Parameter(..) => "value",
            Self::Incomplete => "incomplete",
            Self::Overloaded | Self::Busy => "throttled",
            Self::Fault | Self::ItemUnread(_) => "exception",
            Self::Unauthorized => "login",
            Self::Forbidden(_) => "forbidden",
            Self::QueueAway | Self::NotKept => "transient",
        }
    }

    /// One sentence for people.
    pub fn text(&self) -> String {
        match self {
            Self::NotFound(what) => what.clone(),
            Self::MethodNotAllowed => "This address does not answer this HTTP method; the Allow header lists those it does.".to_owned(),
            Self::EntryMethod => "An operation is called by POST; this entry has another request.method. It was not checked.".to_owned(),
            Self::NotAcceptable(asked, sent) => format!("Only {sent} can be sent; asked for was {asked}."),
            Self::BodyTimeout => "The request body did not arrive in time. Nothing was checked.".to_owned(),
            Self::TooLarge(limit) => format!("The request body is larger than {limit} bytes. Nothing was checked."),
            Self::HeadTooLarge(what, limit) => {
                let what = match what {
                    Head::Address => "address of the request",
                    Head::Fields => "header of the request",
                };
                format!("The {what} is longer than {limit} bytes. Nothing was checked.")
            }
            Self::MediaType(what, _) => what.clone(),
            Self::Unreadable(_, what, _) => what.clone(),
            Self::Parameter(name, what) => format!("Parameter {name}: {what}"),
            Self::NotSupported(what) => what.clone(),
            Self::Rule(what) => (*what).to_owned(),
            Self::Condition(name) => format!(
                "{name}: orders are not served from here, so there is no version or resource that this condition could be met by. Nothing was checked; send the same without it."
            ),
            Self::Overloaded => "Too many requests at this moment; try again shortly. Nothing was checked.".to_owned(),
            Self::AppraisalTimeout => "The appraisal took too long and was given up. Nothing was checked.".to_owned(),
            Self::Fault => {
                "A fault in this program kept it from answering. Nothing was checked. Please report it with the x-request-id of this answer.".to_owned()
            }
            Self::BatchFull => {
                "The answers to the entries before fill the batch; send this entry again in another one. It was not checked.".to_owned()
            }
            Self::Incomplete => "The request body ended before it was complete. Nothing was checked.".to_owned(),
            Self::Unauthorized => "This call needs a token that is good for it. Nothing was checked.".to_owned(),
            Self::Forbidden(what) => what.clone(),
            Self::QueueAway => "The queue cannot be read now; try again shortly. Orders are still checked.".to_owned(),
            Self::ItemUnread(what) => format!(
                "This is on the queue, and what is kept of it cannot be read: {what}. Asking again does not help until it is mended."
            ),
            Self::NotKept => {
                "The queue cannot be written now, so this feedback was not kept; send the same again. It is counted once.".to_owned()
            }
            Self::Busy => {
                "This client has too many requests running; try again shortly. Nothing was checked.".to_owned()
            }
        }
    }

    fn issue(&self, severity: &'static str) -> Issue {
        let expression = match self {
            Self::Unreadable(_, _, Some(path)) => vec![path.clone()],
            _ => Vec::new(),
        };
        Issue { severity, code: self.code(), details: Details { text: self.text() }, expression }
    }

    /// The OperationOutcome, compact JSON.
    pub fn outcome(&self) -> String {
        let severity =
            if matches!(self, Self::Parameter(..) | Self::NotSupported(_) | Self::Rule(_) | Self::Condition(_)) {
                "error"
            } else {
                "fatal"
            };
        let outcome = Outcome { resource_type: "OperationOutcome", issue: [self.issue(severity)] };
        // Strings and nothing else: cannot fail to serialise; an empty body would be the worst answer.
        serde_json::to_string(&outcome).unwrap_or_else(|_| {
            r#"{"resourceType":"OperationOutcome","issue":[{"severity":"fatal","code":"exception"}]}"#.to_owned()
        })
    }
}

#[derive(Serialize)]
struct Outcome {
    #[serde(rename = "resourceType")]
    resource_type: &'static str,
    issue: [Issue; 1],
}

#[derive(Serialize)]
struct Issue {
    severity: &'static str,
    code: &'static str,
    details: Details,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    expression: Vec<String>,
}

#[derive(Serialize)]
struct Details {
    text: String,
}

/// Puts an issue before those of an answer of the core, which is an OperationOutcome or holds one.
pub fn put_before(body: &mut String, severity: &'static str, code: &'static str, text: String, at: Option<String>) {
    // In a text the quotation marks of this would be escaped.
    const ISSUES: &str = "\"issue\":[";
    let issue = Issue { severity, code, details: Details { text }, expression: at.into_iter().collect() };
    if let (Some(place), Ok(issue)) = (body.find(ISSUES), serde_json::to_string(&issue)) {
        body.insert_str(place + ISSUES.len(), &(issue + ","));
    }
}

impl IntoResponse for Refusal {
    fn into_response(self) -> Response {
        let mut response =
            (self.status(), [(header::CONTENT_TYPE, HeaderValue::from_static(FHIR_JSON))], self.outcome())
                .into_response();
        response.extensions_mut().insert(Why(self.code()));
        let headers = response.headers_mut();
        match self {
            Self::Overloaded | Self::AppraisalTimeout | Self::Busy => {
                headers.insert(header::RETRY_AFTER, HeaderValue::from_static("1"));
            }
            Self::NotKept => {
                headers.insert(header::RETRY_AFTER, HeaderValue::from_static("30"));
            }
            Self::BodyTimeout | Self::TooLarge(_) | Self::Incomplete => {
                headers.insert(header::CONNECTION, HeaderValue::from_static("close"));
            }
            // RFC 6750, section 3; without the reason that it allows for.
            Self::Unauthorized => {
                headers.insert(header::WWW_AUTHENTICATE, HeaderValue::from_static("Bearer"));
            }
            Self::MediaType(_, kind) => {
                headers.insert(header::ACCEPT, HeaderValue::from_static(kind));
            }
            _ => {}
        }
        response
    }
}
