//! What is told of a request to whoever collects traces: one span for the request, and one for each stage of it that
//! takes time. Where nobody collects them ([`super::traces`]) a span is nothing and costs nothing.
//!
//! INVARIANT: a span holds the method if it is a known one, the matched route, the status, the request id, the caller as
//! configured and the disposition, and a stage its name: words of the program and of its configuration, and numbers. There
//! is no way here to put anything else into one, and what stands in other spans of the process, or in lines of the log, is
//! not exported. The one thing taken from a request is the place in a trace that it comes from (`traceparent`), two numbers,
//! and only of callers that were let pass.

use http::{HeaderMap, Method};
use opentelemetry::Context;
use opentelemetry::trace::{SpanContext, SpanId, TraceContextExt as _, TraceFlags, TraceId, TraceState};
use std::fmt::Display;
use tracing::field::Empty;
use tracing::{Metadata, Span, info_span};
use tracing_opentelemetry::OpenTelemetrySpanExt as _;

/// Every attribute that a span may have.
pub const ATTRIBUTES: [&str; 6] = [
    "http.request.method",
    "http.route",
    "http.response.status_code",
    "enteral_gate.request_id",
    "enteral_gate.caller",
    "enteral_gate.disposition",
];

/// Header with the place in a trace that a call comes from (W3C Trace Context).
const TRACEPARENT: &str = "traceparent";

/// Whether a span is one of these; they are in no log.
pub fn is_own(metadata: &Metadata<'_>) -> bool {
    metadata.is_span() && metadata.target() == module_path!()
}

/// A stage of a request.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stage {
    /// The body is read.
    Read,
    /// What a hook's request does not hold is fetched from its client's server.
    Fetch,
    /// What was sent is judged.
    Judge,
    /// What was found is recorded.
    Record,
}

impl Stage {
    /// All of them.
    pub const ALL: [Self; 4] = [Self::Read, Self::Fetch, Self::Judge, Self::Record];

    /// The name of its span.
    pub fn word(self) -> &'static str {
        match self {
            Self::Read => "read",
            Self::Fetch => "fetch",
            Self::Judge => "judge",
            Self::Record => "record",
        }
    }
}

/// The span of a stage, within that of the request that is served here.
pub fn stage(stage: Stage) -> Span {
    info_span!("stage", otel.name = stage.word())
}

/// The span of a request.
#[derive(Clone, Debug)]
pub struct Asked(Span);

/// What is told of an answer.
pub struct Told<'t> {
    /// HTTP status.
    pub status: u16,
    /// Id of the request, which this program made.
    pub request_id: Option<&'t str>,
    /// The caller, as configured.
    pub caller: Option<&'t str>,
    /// The overall judgement.
    pub disposition: Option<&'static str>,
}

impl Asked {
    /// Begins it. `route` is the template of the route, where there is one.
    pub fn begin(method: &Method, route: Option<&str>) -> Self {
        Self(info_span!(
            parent: None,
            "request",
            otel.name = %Name(known(method), route),
            otel.kind = "server",
            otel.status_code = Empty,
            http.request.method = known(method),
            http.route = route,
            http.response.status_code = Empty,
            enteral_gate.request_id = Empty,
            enteral_gate.caller = Empty,
            enteral_gate.disposition = Empty,
        ))
    }

    /// Nothing is told of it.
    pub fn is_none(&self) -> bool {
        self.0.is_disabled()
    }

    /// The span, for the work that is done for the request.
    pub fn span(&self) -> Span {
        self.0.clone()
    }

    /// Its caller was let pass: the trace that it says it comes from is gone on with. Before any stage has begun.
    pub fn let_pass(&self, headers: &HeaderMap) {
        if !self.is_none()
            && let Some(parent) = parent(headers)
        {
            let _ = self.0.set_parent(Context::new().with_remote_span_context(parent));
        }
    }

    /// It was answered.
    pub fn answered(&self, told: &Told<'_>) {
        if self.is_none() {
            return;
        }
        self.0.record("http.response.status_code", i64::from(told.status));
        if told.status >= 500 {
            self.0.record("otel.status_code", "ERROR");
        }
        let words = [
            ("enteral_gate.request_id", told.request_id),
            ("enteral_gate.caller", told.caller),
            ("enteral_gate.disposition", told.disposition),
        ];
        for (name, word) in words {
            if let Some(word) = word {
                self.0.record(name, word);
            }
        }
    }
}

/// Method and route; a name without a route is the method alone.
struct Name<'n>(&'static str, Option<&'n str>);

impl Display for Name<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self.1 {
            Some(route) => write!(f, "{} {route}", self.0),
            None => f.write_str(self.0),
        }
    }
}

/// A method that is known; any other could hold anything.
pub fn known(method: &Method) -> &'static str {
    const KNOWN: [&str; 9] = ["GET", "POST", "PUT", "DELETE", "HEAD", "OPTIONS", "PATCH", "TRACE", "CONNECT"];
    KNOWN.into_iter().find(|known| *known == method.as_str()).unwrap_or("_OTHER")
}

/// The place in a trace that a header names, if it is well-formed (W3C Trace Context, 3.2). `tracestate`, in which anything
/// may stand, is not read.
fn parent(headers: &HeaderMap) -> Option<SpanContext> {
    let mut all = headers.get_all(TRACEPARENT).iter();
    let (Some(only), None) = (all.next(), all.next()) else { return None };
    let text = only.to_str().ok()?;
    let hex = |text: &str, digits: usize| {
        text.len() == digits && text.bytes().all(|b| b.is_ascii_digit() || (b'a'..=b'f').contains(&b))
    };
    let mut parts = text.split('-');
    let (version, trace, span, flags) = (parts.next()?, parts.next()?, parts.next()?, parts.next()?);
    if !(hex(version, 2) && hex(trace, 32) && hex(span, 16) && hex(flags, 2)) || version == "ff" {
        return None;
    }
    // What later versions may add is not looked at.
    if version == "00" && parts.next().is_some() {
        return None;
    }
    let (trace, span) = (TraceId::from_hex(trace).ok()?, SpanId::from_hex(span).ok()?);
    let flags = TraceFlags::new(u8::from_str_radix(flags, 16).ok()?) & TraceFlags::SAMPLED;
    Some(SpanContext::new(trace, span, flags, true, TraceState::NONE)).filter(SpanContext::is_valid)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(values: &[&str]) -> Option<String> {
        let mut headers = HeaderMap::new();
        for value in values {
            headers.append(TRACEPARENT, value.parse().unwrap());
        }
        parent(&headers).map(|p| format!("{} {} {}", p.trace_id(), p.span_id(), p.is_sampled()))
    }

    /// The example of W3C Trace Context, 3.2.3, and what is not as there.
    #[test]
    fn only_a_well_formed_parent_is_taken() {
        const GOOD: &str = "00-0af7651916cd43dd8448eb211c80319c-b7ad6b7169203331-01";
        let taken = |sampled| Some(format!("0af7651916cd43dd8448eb211c80319c b7ad6b7169203331 {sampled}"));
        assert_eq!(of(&[GOOD]), taken(true));
        assert_eq!(of(&["00-0af7651916cd43dd8448eb211c80319c-b7ad6b7169203331-00"]), taken(false));
        // Flags that are not known are passed over; a later version may have more.
        assert_eq!(of(&["00-0af7651916cd43dd8448eb211c80319c-b7ad6b7169203331-fe"]), taken(false));
        assert_eq!(of(&["01-0af7651916cd43dd8448eb211c80319c-b7ad6b7169203331-01-more"]), taken(true));
        for bad in [
            "",
            "00",
            "00-0af7651916cd43dd8448eb211c80319c-b7ad6b7169203331",
            "00-0af7651916cd43dd8448eb211c80319c-b7ad6b7169203331-01-",
            "00-0af7651916cd43dd8448eb211c80319c-b7ad6b7169203331-01-more",
            "ff-0af7651916cd43dd8448eb211c80319c-b7ad6b7169203331-01",
            "0-0af7651916cd43dd8448eb211c80319c-b7ad6b7169203331-01",
            "00-0AF7651916CD43DD8448EB211C80319C-b7ad6b7169203331-01",
            "00-00000000000000000000000000000000-b7ad6b7169203331-01",
            "00-0af7651916cd43dd8448eb211c80319c-0000000000000000-01",
            "00-af7651916cd43dd8448eb211c80319c-b7ad6b7169203331-01",
            "00-0af7651916cd43dd8448eb211c80319c-b7ad6b7169203331-1",
            "00-0af7651916cd43dd8448eb211c80319c-b7ad6b7169203331-+1",
            "00-0af7651916cd43dd8448eb211c80319g-b7ad6b7169203331-01",
            " 00-0af7651916cd43dd8448eb211c80319c-b7ad6b7169203331-01",
        ] {
            assert_eq!(of(&[bad]), None, "{bad}");
        }
        assert_eq!(of(&[]), None);
        assert_eq!(of(&[GOOD, GOOD]), None, "two of them");
    }

    #[test]
    fn a_method_that_is_not_known_is_not_told() {
        assert_eq!(Name(known(&Method::POST), Some("/queue/{id}")).to_string(), "POST /queue/{id}");
        assert_eq!(Name(known(&"MARKED".parse().unwrap()), None).to_string(), "_OTHER");
    }
}
