//! The request of a hook. What is not needed is not looked at; the client's token is read where it is used (`fetch`).

use super::fetch::MOST_BYTES_IN_ALL;
use super::service::Service;
use crate::intake::json::{Document, JsonError, Kind, Limits, Node};
use crate::intake::order::{At, FhirVersion};
use crate::settings::Hooks;
use std::borrow::Cow;

/// Why a request cannot be read.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{text}")]
pub struct Malformed {
    /// JSON Pointer (RFC 6901) to the place; `None` where the text is no JSON, and line and column stand in the text.
    pub pointer: Option<String>,
    /// What was found and what was expected.
    pub text: String,
    /// FHIR issue type that fits.
    pub code: &'static str,
}

impl Malformed {
    /// At a node: what stands there, and what was expected.
    pub(super) fn at(node: Node<'_>, expected: &str) -> Self {
        let found =
            if node.as_str().is_some_and(|t| t.trim().is_empty()) { "an empty text" } else { node.kind().words() };
        Self::saying(node.pointer(), &format!("found {found}, expected {expected}"), "value")
    }

    /// A member that is missing.
    pub(super) fn missing(holder: Node<'_>, name: &str, expected: &str) -> Self {
        Self::saying(format!("{}/{name}", holder.pointer()), &format!("missing, expected {expected}"), "required")
    }

    pub(super) fn saying(pointer: String, what: &str, code: &'static str) -> Self {
        let shown = if pointer.is_empty() { "the body" } else { &pointer };
        Self { text: format!("{shown}: {what}."), pointer: Some(pointer), code }
    }
}

impl From<JsonError> for Malformed {
    fn from(error: JsonError) -> Self {
        Self { pointer: None, text: format!("The body could not be read: {error}."), code: error.issue_code() }
    }
}

/// A request, as far as it is used.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Request {
    /// Id of the patient, without its type.
    pub patient: String,
    /// Base address of the client's FHIR server, without its last slash; only to tell whose a reference is.
    pub server: Option<String>,
    /// The Bundle of drafts.
    pub drafts: At,
    /// What the user selected, where the hook says.
    pub selections: Option<Vec<(At, String)>>,
    /// The prefetch object.
    pub prefetch: Option<At>,
    /// FHIR version of the resources.
    pub version: FhirVersion,
}

/// Most bytes of one text: an error page or a token may be long.
pub(super) const LONGEST_TEXT: usize = 256 << 10;

/// The request as JSON, strictly.
///
/// # Errors
/// What is not JSON, or not accepted, with line and column.
pub fn document(input: &[u8]) -> Result<Document<'_>, Malformed> {
    Ok(Document::read(input, &Limits { string: LONGEST_TEXT, ..Limits::default() })?)
}

/// The same for a request that holds what was fetched as well.
///
/// # Errors
/// As [`document`].
pub(super) fn with_fetched(input: &[u8]) -> Result<Document<'_>, Malformed> {
    let own = Limits::default();
    let bytes = own.bytes.saturating_add(MOST_BYTES_IN_ALL).saturating_add(4 << 10);
    Ok(Document::read(input, &Limits { bytes, string: LONGEST_TEXT, ..own })?)
}

/// The FHIR version of the client's resources, where the request does not say: its server's, if that is listed.
pub fn version_of_client(root: Node<'_>, hooks: &Hooks) -> FhirVersion {
    let address = root.get("fhirServer").and_then(Node::as_str);
    address.and_then(|address| hooks.server(&address)?.fhir).unwrap_or(hooks.fhir)
}

/// Reads the request for a service.
///
/// # Errors
/// The first member that is missing or of the wrong kind, by its JSON Pointer.
pub fn read(root: Node<'_>, service: &Service, default: FhirVersion) -> Result<Request, Malformed> {
    object(root, "a CDS Hooks request")?;
    let hook = text(root, "hook", "the hook's name")?;
    if hook != service.hook {
        let node = root.get("hook").unwrap_or(root);
        let what =
            format!("found another hook, expected \"{}\", which the service {} answers", service.hook, service.id);
        return Err(Malformed::saying(node.pointer(), &what, "value"));
    }
    text(root, "hookInstance", "a UUID")?;
    let context = root.get("context").ok_or_else(|| Malformed::missing(root, "context", "an object"))?;
    object(context, "an object")?;
    text(context, "userId", "a reference such as \"Practitioner/abc\"")?;
    let patient = text(context, "patientId", "the patient's id")?;
    let patient = patient.strip_prefix("Patient/").unwrap_or(&patient).to_owned();
    optional_text(context, "encounterId", "the encounter's id")?;
    let drafts = context.get("draftOrders").ok_or_else(|| Malformed::missing(context, "draftOrders", "a Bundle"))?;
    bundle(drafts)?;
    let selections = if service.selects { Some(selections(context)?) } else { None };
    let prefetch = root.get("prefetch").filter(|node| node.kind() != Kind::Null);
    if let Some(node) = prefetch {
        object(node, "an object")?;
    }
    let server = optional_text(root, "fhirServer", "the address of a FHIR server")?;
    let server = server.map(|address| address.trim_end_matches('/').to_owned());
    let version = match root.get("fhirVersion") {
        None => default,
        Some(node) => version(node)?,
    };
    Ok(Request { patient, server, drafts: drafts.at(), selections, prefetch: prefetch.map(Node::at), version })
}

fn object(node: Node<'_>, expected: &str) -> Result<(), Malformed> {
    if node.kind() == Kind::Object { Ok(()) } else { Err(Malformed::at(node, expected)) }
}

/// A text that has to be there and say something.
pub(super) fn text<'d>(holder: Node<'d>, name: &str, expected: &str) -> Result<Cow<'d, str>, Malformed> {
    let node = holder.get(name).ok_or_else(|| Malformed::missing(holder, name, expected))?;
    match node.as_str() {
        Some(text) if !text.trim().is_empty() => Ok(text),
        _ => Err(Malformed::at(node, expected)),
    }
}

fn optional_text<'d>(holder: Node<'d>, name: &str, expected: &str) -> Result<Option<Cow<'d, str>>, Malformed> {
    match holder.get(name) {
        None => Ok(None),
        Some(node) if node.kind() == Kind::Null => Ok(None),
        Some(_) => text(holder, name, expected).map(Some),
    }
}

/// `draftOrders` and the resources in it.
fn bundle(node: Node<'_>) -> Result<(), Malformed> {
    object(node, "a Bundle")?;
    if text(node, "resourceType", "\"Bundle\"")? != "Bundle" {
        let kind = node.get("resourceType").unwrap_or(node);
        return Err(Malformed::saying(kind.pointer(), "found another resource, expected \"Bundle\"", "value"));
    }
    let Some(entries) = node.get("entry") else { return Ok(()) };
    if entries.kind() != Kind::Array {
        return Err(Malformed::at(entries, "an array of entries"));
    }
    for entry in entries.items() {
        object(entry, "an entry")?;
        let resource = entry.get("resource").ok_or_else(|| Malformed::missing(entry, "resource", "a resource"))?;
        object(resource, "a resource")?;
        text(resource, "resourceType", "the resource's type")?;
    }
    Ok(())
}

fn selections(context: Node<'_>) -> Result<Vec<(At, String)>, Malformed> {
    let expected = "an array of references such as \"NutritionOrder/abc\"";
    let list = context.get("selections").ok_or_else(|| Malformed::missing(context, "selections", expected))?;
    if list.kind() != Kind::Array {
        return Err(Malformed::at(list, expected));
    }
    let one = |node: Node<'_>| match node.as_str() {
        Some(text) if !text.trim().is_empty() => Ok((node.at(), text.into_owned())),
        _ => Err(Malformed::at(node, "a reference such as \"NutritionOrder/abc\"")),
    };
    list.items().map(one).collect()
}

fn version(node: Node<'_>) -> Result<FhirVersion, Malformed> {
    let expected = "a FHIR version: 4.0.1 (R4), 4.3.0 (R4B) or 5.0.0 (R5)";
    let said = node.as_str().ok_or_else(|| Malformed::at(node, expected))?;
    let known = FhirVersion::ALL.into_iter().find(|v| [v.name(), v.number(), v.mime()].contains(&&*said));
    known.ok_or_else(|| {
        Malformed::saying(node.pointer(), &format!("found another version, expected {expected}"), "not-supported")
    })
}
