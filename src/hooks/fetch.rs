//! What was not sent and may be fetched from the client's own FHIR server: which keys, under which addresses, and what
//! an answer is worth. The fetching itself is done by the caller; here nothing is reached.

use super::evaluate;
use super::prefetch::{KEYS, Key, State, newest_first};
use super::request::{self, Request};
use super::service::Service;
use crate::intake::json::{Document, Kind, Limits, Node};
use crate::settings::{Hooks, Settings};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

/// Most bytes of one answer of the server.
pub const MOST_BYTES: usize = 1 << 20;
/// Most bytes of all answers over one request.
pub const MOST_BYTES_IN_ALL: usize = 3 << 20;
/// Most pages of one search.
pub const MOST_PAGES: usize = 10;
/// Most entries of one search.
pub const MOST_ENTRIES: usize = 500;

/// Why a key was not fetched, or not to its end.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
#[allow(missing_docs, reason = "said by their texts")]
pub enum Why {
    NotListed,
    TokenType,
    TokenExpired,
    TokenForm,
    TokenPatient,
    NoId,
    Address,
    Name,
    Unreachable,
    Interrupted,
    Late,
    Busy,
    Redirect,
    Denied,
    NotFound,
    Failed,
    Status,
    ContentType,
    Encoded,
    TooLarge,
    TooMuch,
    NotJson,
    NoBundle,
    NextElsewhere,
    NextAgain,
    Pages,
    Entries,
    Fault,
}

impl Why {
    /// Every reason with its word in counters and answers, and its text on cards.
    pub const ALL: [(Self, &'static str, &'static str); 28] = [
        (Self::NotListed, "not-listed", "not fetched: this FHIR server is not listed"),
        (Self::TokenType, "token-type", "not fetched: the access token is of another type than Bearer"),
        (Self::TokenExpired, "token-expired", "not fetched: the access token has expired"),
        (Self::TokenForm, "token-form", "not fetched: the access token is missing or cannot be sent"),
        (Self::TokenPatient, "token-patient", "not fetched: the access token is for another patient"),
        (Self::NoId, "no-id", "not fetched: the id in the request is no FHIR id"),
        (Self::Address, "address", "not fetched: the server's name leads to an address that is not allowed"),
        (Self::Name, "name", "not fetched: the server's name could not be resolved"),
        (Self::Unreachable, "unreachable", "not fetched: the server could not be reached"),
        (Self::Interrupted, "interrupted", "not fetched: the server broke off its answer"),
        (Self::Late, "late", "not fetched in time"),
        (Self::Busy, "busy", "not fetched: too much is being fetched at once"),
        (Self::Redirect, "redirect", "not fetched: the server named another address, which is not followed"),
        (Self::Denied, "denied", "not fetched: the server did not allow it (401 or 403)"),
        (Self::NotFound, "not-found", "not fetched: the server does not have it (404 or 410)"),
        (Self::Failed, "failed", "not fetched: the server failed (5xx)"),
        (Self::Status, "status", "not fetched: the server answered with an unexpected status"),
        (Self::ContentType, "content-type", "not fetched: the server's answer is not declared as JSON"),
        (Self::Encoded, "encoded", "not fetched: the server's answer is compressed, which was not asked for"),
        (Self::TooLarge, "too-large", "not fetched: the server's answer is too large"),
        (Self::TooMuch, "too-much", "not fetched: the server's answers are too large together"),
        (Self::NotJson, "not-json", "not fetched: the server's answer is no JSON that can be read"),
        (Self::NoBundle, "no-bundle", "not fetched: a further page is no Bundle"),
        (Self::NextElsewhere, "next-elsewhere", "not fetched: the next page is at another address than the server's"),
        (Self::NextAgain, "next-again", "not fetched: the next page is one that was read already"),
        (Self::Pages, "pages", "not fetched: there are too many pages"),
        (Self::Entries, "entries", "not fetched: there are too many entries"),
        (Self::Fault, "fault", "not fetched: a fault in the program"),
    ];

    fn row(self) -> (&'static str, &'static str) {
        Self::ALL.iter().find(|(why, ..)| *why == self).map_or(("", ""), |(_, word, text)| (word, text))
    }

    /// One word for it.
    pub fn word(self) -> &'static str {
        self.row().0
    }

    /// For people.
    pub fn text(self) -> &'static str {
        self.row().1
    }
}

/// What the client lets the service read its data with. It is never shown.
#[derive(Clone, PartialEq, Eq)]
pub struct Token(String);

impl Token {
    /// The token, for the one header it goes into.
    pub fn reveal(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for Token {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Token(…)")
    }
}

/// One read or search.
#[derive(Clone, PartialEq, Eq)]
pub struct Get {
    /// The key it is for.
    pub key: &'static Key,
    /// Its address below the server's base.
    pub path: String,
    /// Further pages are read until so many entries are there: with the newest first, what is older was not asked for.
    pub enough: Option<usize>,
}

impl fmt::Debug for Get {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Get({})", self.key.name)
    }
}

/// What is to be fetched.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Plan {
    /// Base address of the listed server.
    pub base: String,
    /// What the client lets the service read with.
    pub token: Option<Token>,
    /// What to ask.
    pub gets: Vec<Get>,
    /// What is known without asking.
    pub fetched: Fetched,
}

/// What was fetched under a key.
#[derive(Clone, PartialEq, Eq)]
pub struct Found {
    /// The resource, JSON as the server wrote it; the pages of a search in one Bundle.
    pub text: String,
    /// Why some of it is missing.
    pub cut: Option<Why>,
    /// Whether it holds everything that was asked for, though the server has older entries.
    pub enough: bool,
}

impl fmt::Debug for Found {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Found({} bytes, {:?})", self.text.len(), self.cut)
    }
}

/// What came of the keys that were not sent.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Fetched {
    /// The request names a server that is not listed, though others are.
    pub not_listed: bool,
    /// By key.
    pub keys: BTreeMap<&'static str, Result<Found, Why>>,
    /// The member of the request that holds what was fetched; empty: none.
    member: String,
}

impl Fetched {
    /// Where in the request what was fetched stands.
    pub fn holder<'d>(&self, root: Node<'d>) -> Option<Node<'d>> {
        if self.member.is_empty() { None } else { root.get(&self.member) }
    }

    /// The request with what was fetched as one more member at its end, under a name the client does not use. Every
    /// place in the client's own text stays where it is.
    pub(super) fn woven(&mut self, document: &Document<'_>) -> Option<String> {
        let found: Vec<String> =
            self.keys.iter().filter_map(|(key, got)| Some(format!("\"{key}\":{}", got.as_ref().ok()?.text))).collect();
        if found.is_empty() {
            return None;
        }
        let mut name = "fetched".to_owned();
        while document.root().get(&name).is_some() {
            name.push('-');
        }
        let open = document.text().trim_ascii_end().strip_suffix('}')?;
        let text = format!("{open},\"{name}\":{{{}}}}}", found.join(","));
        self.member = name;
        Some(text)
    }

    /// Nothing of what was fetched can be used.
    pub(super) fn lost(&mut self) {
        self.member = String::new();
        for got in self.keys.values_mut().filter(|got| got.is_ok()) {
            *got = Err(Why::NotJson);
        }
    }
}

/// What to fetch for a request; `None` where nothing is to be fetched, or the request cannot be read at all. A FHIR
/// server is called only where the institution lists exactly its base address, and only for an order that is judged.
pub fn plan(input: &[u8], service: &Service, settings: &Settings) -> Option<Plan> {
    if settings.hooks.servers.is_empty() {
        return None;
    }
    let document = request::document(input).ok()?;
    let root = document.root();
    let request = request::read(root, service, request::version_of_client(root, &settings.hooks)).ok()?;
    let address = request.server.as_deref()?;
    let sent = evaluate::sort(root, &request, &Fetched::default(), &settings.hooks);
    let wanted = |s: &&super::prefetch::Sent| matches!(s.state, State::Absent | State::Error(_));
    let wanted: Vec<&'static Key> = sent.keys.iter().filter(wanted).map(|s| s.key).collect();
    if wanted.is_empty() || !sent.judges(root) {
        return None;
    }
    let mut plan = Plan { base: String::new(), token: None, gets: Vec::new(), fetched: Fetched::default() };
    let Some(server) = settings.hooks.server(address) else {
        plan.fetched.not_listed = true;
        return Some(plan);
    };
    plan.base.clone_from(&server.base);
    let allowed = token(root, &request);
    let encounter = root.get("context").and_then(|c| c.get("encounterId")).and_then(Node::as_str);
    for key in wanted.into_iter().filter(|key| !server.leave_out.contains(key.name)) {
        let template = server.templates.get(key.name).cloned().unwrap_or_else(|| key.template(request.version));
        if template.contains(ENCOUNTER) && encounter.is_none() {
            // There is none to be fetched, as far as the client says.
            continue;
        }
        let path = match &allowed {
            Err(why) => Err(*why),
            Ok(_) => path(&template, &request.patient, encounter.as_deref().map(bare_id)),
        };
        match path {
            Ok(path) => plan.gets.push(Get { key, path, enough: enough(&template) }),
            Err(why) => drop(plan.fetched.keys.insert(key.name, Err(why))),
        }
    }
    plan.token = allowed.ok().flatten();
    Some(plan)
}

/// The client's access token (CDS Hooks 2.0, "Passing the Access Token to the CDS Service"); none at all is for the
/// server to judge.
fn token(root: Node<'_>, request: &Request) -> Result<Option<Token>, Why> {
    let Some(given) = root.get("fhirAuthorization").filter(|node| node.kind() != Kind::Null) else { return Ok(None) };
    let text = |name: &str| given.get(name).and_then(Node::as_str);
    let token = text("access_token").ok_or(Why::TokenForm)?;
    // The form of RFC 6750; anything else could end the header and begin another.
    let plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '.' | '_' | '~' | '+' | '/' | '=');
    if token.is_empty() || !token.chars().all(plain) {
        return Err(Why::TokenForm);
    }
    if !text("token_type").is_some_and(|kind| kind.eq_ignore_ascii_case("Bearer")) {
        return Err(Why::TokenType);
    }
    if let Some(left) = given.get("expires_in")
        && !left.decimal().is_some_and(|seconds| !seconds.is_zero() && !seconds.is_negative())
    {
        return Err(Why::TokenExpired);
    }
    if let Some(bound) = text("patient")
        && bound.strip_prefix("Patient/").unwrap_or(&bound) != request.patient
    {
        return Err(Why::TokenPatient);
    }
    Ok(Some(Token(token.into_owned())))
}

const PATIENT: &str = "{{context.patientId}}";
const ENCOUNTER: &str = "{{context.encounterId}}";

fn bare_id(id: &str) -> &str {
    id.strip_prefix("Encounter/").unwrap_or(id)
}

/// A template with its tokens filled in, percent-encoded (RFC 3986).
fn path(template: &str, patient: &str, encounter: Option<&str>) -> Result<String, Why> {
    let mut out = String::with_capacity(template.len() + 64);
    let mut rest = template;
    while let Some((before, after)) = rest.split_once("{{") {
        let (name, after) = after.split_once("}}").ok_or(Why::NoId)?;
        encode(before, &mut out);
        let value = match name {
            "context.patientId" => patient,
            "context.encounterId" => encounter.ok_or(Why::NoId)?,
            _ => return Err(Why::NoId),
        };
        if !is_id(value) {
            return Err(Why::NoId);
        }
        out.push_str(value);
        rest = after;
    }
    encode(rest, &mut out);
    Ok(out)
}

/// FHIR's `id`. One of dots alone would lead to another place: readers of addresses take `..` for a step up, however it
/// is encoded.
fn is_id(text: &str) -> bool {
    (1..=64).contains(&text.len())
        && text.bytes().all(|b| b.is_ascii_alphanumeric() || matches!(b, b'-' | b'.'))
        && !text.bytes().all(|b| b == b'.')
}

fn encode(text: &str, out: &mut String) {
    for byte in text.bytes() {
        if byte.is_ascii_alphanumeric() || b"-._~/?&=:,$+%".contains(&byte) {
            out.push(char::from(byte));
        } else {
            out.push_str(&format!("%{byte:02X}"));
        }
    }
}

/// The number asked for of a search with the newest first.
fn enough(template: &str) -> Option<usize> {
    if !newest_first(template) {
        return None;
    }
    let (_, query) = template.split_once('?')?;
    query.split('&').find_map(|part| part.strip_prefix("_count=")?.parse().ok())
}

/// What is wrong with a template of an institution for a key, in words.
pub fn template_problem(key: &Key, template: &str) -> Option<String> {
    let own = key.template(crate::intake::order::FhirVersion::R4);
    let (head, query) = template.split_once('?').map_or((template, None), |(head, query)| (head, Some(query)));
    let kind = head.split('/').next().unwrap_or_default();
    if !template.chars().all(|c| c.is_ascii_graphic()) || template.contains(['#', '\\', '%']) {
        return Some("expected plain text without spaces, # and %".to_owned());
    }
    if !key.types.contains(&kind) {
        return Some(format!("expected a read or search of {}", key.types.join(" or ")));
    }
    if own.contains('?') != query.is_some() {
        let form = if query.is_some() { "a read" } else { "a search" };
        return Some(format!("expected {form}, such as {own}"));
    }
    let good_head = if query.is_some() {
        head == kind
    } else {
        head.strip_prefix(kind).and_then(|id| id.strip_prefix('/')).is_some_and(|id| id == PATIENT || id == ENCOUNTER)
    };
    let tokens = template.replace(PATIENT, "").replace(ENCOUNTER, "");
    if !good_head || tokens.contains(['{', '}']) || tokens == template {
        return Some(format!("expected one of the tokens {PATIENT} and {ENCOUNTER}, and no others, such as {own}"));
    }
    None
}

/// What there is on a page.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Page {
    /// Entries of a Bundle; `None` for another resource.
    pub entries: Option<usize>,
    /// Address of the next page.
    pub next: Option<String>,
}

/// Reads what a server answered, strictly.
///
/// # Errors
/// That it is no JSON, or none that is accepted.
pub fn page(text: &[u8]) -> Result<Page, Why> {
    let limits = Limits { bytes: MOST_BYTES, string: request::LONGEST_TEXT, ..Limits::default() };
    // It will stand deeper in the request.
    let limits = Limits { depth: limits.depth.saturating_sub(4), ..limits };
    let document = Document::read(text, &limits).map_err(|_| Why::NotJson)?;
    let root = document.root();
    if root.kind() != Kind::Object {
        return Err(Why::NotJson);
    }
    if root.resource_type().as_deref() != Some("Bundle") {
        return Ok(Page { entries: None, next: None });
    }
    let next = root.get("link").into_iter().flat_map(Node::items).find_map(|link| {
        let is_next = link.get("relation").is_some_and(|relation| relation.is_str("next"));
        if is_next { Some(link.get("url").and_then(Node::as_str).unwrap_or_default().into_owned()) } else { None }
    });
    Ok(Page { entries: Some(root.get("entry").map_or(0, Node::len)), next })
}

/// The pages of a search as one Bundle. An entry that stands on two pages, because the server's data moved meanwhile,
/// counts once; with different contents both stay.
pub fn joined(pages: &[String]) -> String {
    if let [one] = pages {
        return one.clone();
    }
    let limits = Limits { bytes: MOST_BYTES, string: request::LONGEST_TEXT, ..Limits::default() };
    let (mut entries, mut seen, mut more) = (Vec::new(), BTreeSet::new(), "");
    for page in pages {
        let Ok(document) = Document::read(page.as_bytes(), &limits) else { continue };
        let root = document.root();
        for entry in root.get("entry").into_iter().flat_map(Node::items) {
            let content = entry.get("resource").map_or(entry.raw(), Node::raw);
            if seen.insert(content.to_owned()) {
                entries.push(entry.raw().to_owned());
            }
        }
        let next = |link: Node<'_>| link.get("relation").is_some_and(|relation| relation.is_str("next"));
        let has_more = root.get("link").into_iter().flat_map(Node::items).any(next);
        more = if has_more { r#""link":[{"relation":"next","url":"further"}],"# } else { "" };
    }
    format!("{{\"resourceType\":\"Bundle\",\"type\":\"searchset\",{more}\"entry\":[{}]}}", entries.join(","))
}

/// The keys that a settings file may name.
pub fn key(name: &str) -> Option<&'static Key> {
    KEYS.iter().find(|key| key.name == name)
}

/// What discovery says about the call-back.
pub(super) fn said(hooks: &Hooks) -> &'static str {
    if hooks.servers.is_empty() {
        "Nothing is fetched from the client's server."
    } else {
        "What is not sent is fetched from the client's server where the institution lists its base address."
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::intake::order::FhirVersion;

    #[test]
    fn every_reason_has_its_own_word_and_text() {
        let words: BTreeSet<_> = Why::ALL.iter().map(|(_, word, _)| word).collect();
        let texts: BTreeSet<_> = Why::ALL.iter().map(|(.., text)| text).collect();
        let reasons: BTreeSet<_> = Why::ALL.iter().map(|(why, ..)| why).collect();
        assert_eq!((words.len(), texts.len(), reasons.len()), (28, 28, 28));
        for (why, word, text) in Why::ALL {
            assert_eq!((why.word(), why.text()), (word, text));
            assert!(text.starts_with("not fetched"), "{text}");
        }
    }

    #[test]
    fn tokens_are_filled_in_and_nothing_leaves_the_path() {
        let of = |key: &str, patient: &str| {
            path(&super::key(key).unwrap().template(FhirVersion::R4), patient, Some("stay-1"))
        };
        assert_eq!(of("patient", "a-1.b").as_deref(), Ok("Patient/a-1.b"));
        assert_eq!(of("encounter", "x").as_deref(), Ok("Encounter/stay-1"));
        assert_eq!(
            of("weights", "a").as_deref(),
            Ok("Observation?patient=a&code=http://loinc.org%7C29463-7&_sort=-date&_count=20")
        );
        let long = "a".repeat(65);
        for id in ["..", ".", "", "a/b", "a?b", "a%2e", "a&_include=x", "a b", "ä", "a\n", "#a", long.as_str()] {
            assert_eq!(of("patient", id), Err(Why::NoId), "{id:?}");
            assert_eq!(of("labs", id), Err(Why::NoId), "{id:?}");
        }
    }

    #[test]
    fn templates_of_an_institution_keep_to_the_key() {
        let problem = |name: &str, template: &str| template_problem(super::key(name).unwrap(), template);
        for key in &KEYS {
            for version in FhirVersion::ALL {
                assert_eq!(template_problem(key, &key.template(version)), None, "{}", key.name);
            }
        }
        assert_eq!(problem("weights", "Observation?subject=Patient/{{context.patientId}}&code=1234-5"), None);
        assert_eq!(problem("medicines", "MedicationStatement?patient={{context.patientId}}"), None);
        for (name, template) in [
            ("weights", "https://evil.example/Observation?patient={{context.patientId}}"),
            ("weights", "//evil.example/Observation?patient={{context.patientId}}"),
            ("weights", "/Observation?patient={{context.patientId}}"),
            ("weights", "Observation/../Patient?patient={{context.patientId}}"),
            ("weights", "Observation/{{context.patientId}}"),
            ("weights", "Observation?code=1"),
            ("weights", "Observation?patient={{context.userId}}"),
            ("weights", "Observation?patient={{context.patientId}}&x={{y}}"),
            ("weights", "Observation?patient={{context.patientId}}#x"),
            ("weights", "Observation?patient={{context.patientId}} x"),
            ("weights", "Patient?patient={{context.patientId}}"),
            ("patient", "Patient?_id={{context.patientId}}"),
            ("patient", "Patient/{{context.patientId}}/$everything"),
            ("patient", "Patient/../{{context.patientId}}"),
            ("patient", "Patient/1"),
        ] {
            assert!(problem(name, template).is_some(), "{name} {template}");
        }
    }

    #[test]
    fn pages_become_one_bundle() {
        let entry = |n: usize| format!("{{\"resource\":{{\"resourceType\":\"Observation\",\"id\":\"{n}\"}}}}");
        let page_of = |list: &[usize], link: &str| {
            let entries: Vec<String> = list.iter().map(|n| entry(*n)).collect();
            format!("{{\"resourceType\":\"Bundle\",{link}\"entry\":[{}]}}", entries.join(","))
        };
        let next = r#""link":[{"relation":"self","url":"a"},{"relation":"next","url":"b"}],"#;
        let first = page_of(&[1, 2], next);
        assert_eq!(page(first.as_bytes()), Ok(Page { entries: Some(2), next: Some("b".to_owned()) }));
        let whole = joined(&[first.clone(), page_of(&[2, 3], "")]);
        assert_eq!(page(whole.as_bytes()), Ok(Page { entries: Some(3), next: None }));
        let cut = joined(&[first.clone(), page_of(&[3], next)]);
        assert!(page(cut.as_bytes()).unwrap().next.is_some());
        assert_eq!(joined(std::slice::from_ref(&first)), first);
        for text in ["", "[1]", "\"x\"", "{\"a\":1,\"a\":2}", "<html></html>", "{} {}", "{\"resourceType\":"] {
            assert_eq!(page(text.as_bytes()), Err(Why::NotJson), "{text}");
        }
        assert_eq!(page(b"{\"resourceType\":\"Patient\"}"), Ok(Page { entries: None, next: None }));
    }
}
