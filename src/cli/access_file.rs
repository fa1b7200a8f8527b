//! The access file (TOML): who may call the service and how their signatures are verified. A file of its own and not part
//! of the settings: others may look after it, `check` has no use for it, and what an answer rests on (`settings-hash`)
//! does not change with a caller. `docs/security.md` describes it.

use super::toml_shape::{self, Is, Key};
use crate::access::keys::{Algorithm, Keys, LIMIT as KEYS_LIMIT};
use crate::access::token::algorithms;
use crate::access::{Access, Issuer, Kind, Role};
use crate::formulary::suggestion::hint;
use crate::http::key_sets::{KeySets, Pace};
use crate::http::pages::oidc::{Config, Provider};
use crate::http::pages::people::Job;
use http::Uri;
use reqwest::Certificate;
use serde::Deserialize;
use sha2::{Digest, Sha256};
use std::collections::BTreeSet;
use std::io::Read;
use std::path::{Path, PathBuf};
use toml::Spanned;

/// Largest access file, bytes.
const LIMIT: u64 = 1 << 20;

/// Requests of one client at the same time, when nothing else is said.
const CONCURRENT: u16 = 32;

/// Seconds by which clocks may differ, when nothing else is said.
const LEEWAY: u16 = 30;

/// Who may call, as read.
#[derive(Clone, Debug)]
pub struct Callers {
    /// Who may call.
    pub access: Access,
    /// Certification authorities for fetching keys, PEM; empty: those of the machine.
    pub key_authorities: Vec<u8>,
    /// Where people sign in for the pages.
    pub people: Option<Config>,
    /// Of everything that was read.
    fingerprint: [u8; 32],
}

impl PartialEq for Callers {
    fn eq(&self, other: &Self) -> bool {
        self.fingerprint == other.fingerprint
    }
}

impl Callers {
    /// The provider at which people sign in, where there is one.
    ///
    /// # Errors
    /// When it could not be asked.
    pub fn provider(&self) -> Result<Option<Provider>, String> {
        let roots = Certificate::from_pem_bundle(&self.key_authorities);
        let roots = roots.map_err(|_| "key-authorities: not a list of certificates in PEM")?;
        self.people.clone().map(|config| Provider::new(config, roots)).transpose()
    }

    /// Those who may call, with what fetches their keys.
    ///
    /// # Errors
    /// When keys could not be fetched.
    pub fn with_keys(self) -> Result<(Access, KeySets), String> {
        let roots = Certificate::from_pem_bundle(&self.key_authorities);
        let roots = roots.map_err(|_| "key-authorities: not a list of certificates in PEM")?;
        let sets = KeySets::new(&self.access, roots, Pace::default())?;
        Ok((self.access, sets))
    }
}

#[derive(Deserialize)]
#[serde(rename_all = "kebab-case")]
struct File {
    public_url: Option<Spanned<String>>,
    leeway: Option<Spanned<u16>>,
    key_authorities: Option<Spanned<String>>,
    #[serde(default)]
    client: Vec<Spanned<Client>>,
    #[serde(default)]
    authorization_server: Vec<Spanned<Server>>,
    people: Option<Spanned<People>>,
}

#[derive(Deserialize)]
#[serde(rename_all = "kebab-case")]
struct People {
    name: Spanned<String>,
    issuer: Spanned<String>,
    client_id: Spanned<String>,
    client_secret: Option<Spanned<String>>,
    #[serde(default)]
    scopes: Vec<String>,
    groups_claim: Option<String>,
    role: Vec<Spanned<GroupRole>>,
}

#[derive(Deserialize)]
#[serde(rename_all = "kebab-case")]
struct GroupRole {
    group: String,
    is: Spanned<String>,
}

#[derive(Deserialize)]
#[serde(rename_all = "kebab-case")]
struct Client {
    name: Spanned<String>,
    iss: Spanned<String>,
    #[serde(default)]
    jku: Vec<Spanned<String>>,
    jwks: Option<Spanned<String>>,
    algorithms: Option<Spanned<Vec<String>>>,
    roles: Option<Spanned<Vec<String>>>,
    concurrent: Option<Spanned<u16>>,
}

#[derive(Deserialize)]
#[serde(rename_all = "kebab-case")]
struct Server {
    name: Spanned<String>,
    issuer: Spanned<String>,
    jwks_url: Option<Spanned<String>>,
    jwks: Option<Spanned<String>>,
    audience: Option<Spanned<String>>,
    #[serde(default)]
    clients: BTreeSet<String>,
    metrics_scope: Option<Spanned<String>>,
    algorithms: Option<Spanned<Vec<String>>>,
    concurrent: Option<Spanned<u16>>,
}

const FILE: &[Key] = &[
    ("public-url", Is::Text, true),
    ("leeway", Is::Whole(u16::MAX as u64), false),
    ("key-authorities", Is::Text, false),
    ("client", Is::Tables(CLIENT), false),
    ("authorization-server", Is::Tables(SERVER), false),
    ("people", Is::Table(PEOPLE), false),
];
const CLIENT: &[Key] = &[
    ("name", Is::Text, true),
    ("iss", Is::Text, true),
    ("jku", Is::Texts, false),
    ("jwks", Is::Text, false),
    ("algorithms", Is::Texts, false),
    ("roles", Is::Texts, false),
    ("concurrent", Is::Whole(u16::MAX as u64), false),
];
const SERVER: &[Key] = &[
    ("name", Is::Text, true),
    ("issuer", Is::Text, true),
    ("jwks-url", Is::Text, false),
    ("jwks", Is::Text, false),
    ("audience", Is::Text, false),
    ("clients", Is::Texts, false),
    ("metrics-scope", Is::Text, false),
    ("algorithms", Is::Texts, false),
    ("concurrent", Is::Whole(u16::MAX as u64), false),
];
const PEOPLE: &[Key] = &[
    ("name", Is::Text, true),
    ("issuer", Is::Text, true),
    ("client-id", Is::Text, true),
    ("client-secret", Is::Text, false),
    ("scopes", Is::Texts, false),
    ("groups-claim", Is::Text, false),
    ("role", Is::Tables(ROLE), true),
];
const ROLE: &[Key] = &[("group", Is::Text, true), ("is", Is::Text, true)];

/// Keys of the file, of a `[[client]]`, of an `[[authorization-server]]`, of `[people]` and of a `[[people.role]]`.
pub const KEYS: [&[Key]; 5] = [FILE, CLIENT, SERVER, PEOPLE, ROLE];

/// Reads an access file and the files it names.
///
/// # Errors
/// Everything that is wrong with it, each with its line; of a file that is not TOML, every place where it is not.
pub fn load(path: &Path) -> Result<Callers, Vec<String>> {
    let name = path.display().to_string();
    let text = bytes(path, LIMIT).map_err(|what| vec![format!("{name}: {what}")])?;
    let text = String::from_utf8(text).map_err(|_| vec![format!("{name}: this is not UTF-8")])?;
    let folder = path.parent().unwrap_or(Path::new("")).to_owned();
    let mut reader = Reader { name, text: text.clone(), folder, found: Vec::new(), read: Sha256::new() };
    match toml_shape::read::<File>(&text, FILE, &mut |at, what| reader.tell(at, what)) {
        Some(file) => reader.file(file),
        None => Err(reader.found),
    }
}

struct Reader {
    name: String,
    text: String,
    folder: PathBuf,
    found: Vec<String>,
    read: Sha256,
}

impl Reader {
    fn tell(&mut self, at: usize, what: &str) {
        let line = line(&self.text, at);
        self.found.push(format!("{}:{line}: {what}", self.name));
    }

    fn file(mut self, file: File) -> Result<Callers, Vec<String>> {
        let public_url = file.public_url.as_ref().map_or("", |url| url.get_ref()).trim_end_matches('/').to_owned();
        if let (Some(written), Err(what)) = (&file.public_url, address(&public_url)) {
            self.tell(written.span().start, &format!("public-url: {what}"));
        }
        let leeway = file.leeway.as_ref().map_or(LEEWAY, |leeway| *leeway.get_ref());
        if leeway > 120 {
            let at = file.leeway.as_ref().map_or(0, |leeway| leeway.span().start);
            self.tell(at, "leeway: expected 0 to 120 seconds; clocks that differ by more are to be set right");
        }
        let key_authorities = file.key_authorities.and_then(|name| self.text_of(&name, "key-authorities", LIMIT));
        if let Some(text) = &key_authorities
            && let Err(what) = crate::http::tls::certificates(text, "the file")
        {
            self.found.push(format!("{}: key-authorities: {what}", self.name));
        }
        let mut issuers: Vec<Issuer> = Vec::new();
        for client in file.client {
            let at = client.span().start;
            let client = client.into_inner();
            let roles = self.roles(client.roles);
            let kind = Kind::Client { roles };
            let of = Common {
                at,
                name: client.name,
                iss: client.iss,
                urls: client.jku,
                url_key: "jku",
                jwks: client.jwks,
                algorithms: client.algorithms,
                concurrent: client.concurrent,
            };
            self.issuer(of, kind, &mut issuers);
        }
        for server in file.authorization_server {
            let at = server.span().start;
            let server = server.into_inner();
            let audience = server.audience.map_or_else(|| format!("{public_url}/fhir"), Spanned::into_inner);
            let metrics = server.metrics_scope.map(|scope| {
                // RFC 6749, section 3.3: one scope, as it can stand in a list of them.
                let one = |c: char| c.is_ascii_graphic() && c != '"' && c != '\\';
                if scope.get_ref().is_empty() || !scope.get_ref().chars().all(one) {
                    self.tell(
                        scope.span().start,
                        "metrics-scope: expected one scope, such as \"enteral-gate.metrics\"",
                    );
                }
                scope.into_inner()
            });
            let kind = Kind::AuthorizationServer { audience, clients: server.clients, metrics };
            let of = Common {
                at,
                name: server.name,
                iss: server.issuer,
                urls: server.jwks_url.into_iter().collect(),
                url_key: "jwks-url",
                jwks: server.jwks,
                algorithms: server.algorithms,
                concurrent: server.concurrent,
            };
            self.issuer(of, kind, &mut issuers);
        }
        let people = file.people.and_then(|people| self.people(people.into_inner(), &public_url, leeway));
        if issuers.is_empty() && self.found.is_empty() {
            self.found.push(format!(
                "{}: nobody may call: expected at least one [[client]] or [[authorization-server]]",
                self.name
            ));
        }
        if !self.found.is_empty() {
            return Err(self.found);
        }
        let access = Access { public_url, leeway: i64::from(leeway), issuers };
        self.read.update(self.text.as_bytes());
        let fingerprint = self.read.finalize().into();
        Ok(Callers { access, key_authorities: key_authorities.unwrap_or_default(), people, fingerprint })
    }

    /// Where people sign in, and what their groups are here.
    fn people(&mut self, people: People, public_url: &str, leeway: u16) -> Option<Config> {
        let before = self.found.len();
        if let Err(what) = address(people.issuer.get_ref()) {
            self.tell(people.issuer.span().start, &format!("people.issuer: {what}"));
        }
        for (key, text) in [("name", &people.name), ("client-id", &people.client_id)] {
            if text.get_ref().trim().is_empty() {
                self.tell(text.span().start, &format!("people.{key}: is empty"));
            }
        }
        let secret = people.client_secret.and_then(|name| {
            let at = name.span().start;
            let text = self.text_of(&name, "people.client-secret", 4096)?;
            let text = String::from_utf8(text).map(|text| text.trim().to_owned());
            match text {
                Ok(text) if !text.is_empty() => Some(text),
                _ => {
                    self.tell(at, "people.client-secret: the file is empty, or not UTF-8");
                    None
                }
            }
        });
        let mut jobs = Vec::new();
        for role in people.role {
            let role = role.into_inner();
            match Job::of(role.is.get_ref()) {
                Some(job) => jobs.push((role.group, job)),
                None => {
                    let known = Job::ALL.map(|(_, word, _)| word);
                    let meant = hint(role.is.get_ref(), known);
                    self.tell(
                        role.is.span().start,
                        &format!("people.role.is: expected one of {}{meant}", known.join(", ")),
                    );
                }
            }
        }
        if jobs.is_empty() && before == self.found.len() {
            self.tell(
                people.name.span().start,
                "people: expected at least one [[people.role]], or nobody could sign in",
            );
        }
        if before != self.found.len() {
            return None;
        }
        Some(Config {
            name: people.name.into_inner(),
            issuer: people.issuer.into_inner(),
            client_id: people.client_id.into_inner(),
            secret,
            scopes: people.scopes,
            groups: people.groups_claim.unwrap_or_else(|| "groups".to_owned()),
            jobs,
            public_url: public_url.to_owned(),
            leeway: i64::from(leeway),
        })
    }

    fn roles(&mut self, given: Option<Spanned<Vec<String>>>) -> BTreeSet<Role> {
        let Some(given) = given else { return BTreeSet::from([Role::Hooks]) };
        let at = given.span().start;
        if given.get_ref().is_empty() {
            self.tell(at, "roles: expected at least one of hooks, metrics");
        }
        let mut roles = BTreeSet::new();
        for word in given.get_ref() {
            match Role::ALL.iter().find(|(_, known)| known == word) {
                Some((Role::Fhir, _)) => self.tell(
                    at,
                    "roles: fhir is not for a client that signs its own tokens; operations need scopes, which an [[authorization-server]] grants",
                ),
                Some((role, _)) => drop(roles.insert(*role)),
                None => {
                    let meant = hint(word, ["hooks", "metrics"]);
                    self.tell(at, &format!("roles: expected hooks or metrics{meant}"));
                }
            }
        }
        roles
    }

    fn issuer(&mut self, of: Common, kind: Kind, issuers: &mut Vec<Issuer>) {
        let before = self.found.len();
        let (name, iss) = (of.name.get_ref().clone(), of.iss.get_ref().clone());
        let good = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
        if name.is_empty() || name.len() > 64 || !name.chars().all(good) {
            self.tell(
                of.name.span().start,
                "name: expected small letters, digits and hyphens, such as \"order-entry\"",
            );
        }
        if issuers.iter().any(|known| known.name == name) {
            self.tell(of.name.span().start, "name: stands twice");
        }
        if iss.is_empty() || iss.len() > 512 {
            self.tell(
                of.iss.span().start,
                "the issuer is empty or too long; it is the claim iss of its tokens, exactly",
            );
        }
        if issuers.iter().any(|known| known.iss == iss) {
            self.tell(of.iss.span().start, "the issuer stands twice: whose token it is must not be a guess");
        }
        let mut key_urls: Vec<String> = Vec::new();
        for url in &of.urls {
            let text = url.get_ref();
            if let Err(what) = address(text) {
                self.tell(url.span().start, &format!("{}: {what}", of.url_key));
            } else if key_urls.contains(text) {
                self.tell(url.span().start, &format!("{}: stands twice", of.url_key));
            }
            key_urls.push(text.clone());
        }
        let named = of.jwks.is_some();
        let keys = of.jwks.and_then(|name| {
            let at = name.span().start;
            let text = self.text_of(&name, "jwks", KEYS_LIMIT as u64)?;
            Keys::read(&text).map_err(|unusable| self.tell(at, &format!("jwks: {unusable}"))).ok()
        });
        if key_urls.is_empty() && !named {
            self.tell(
                of.at,
                &format!("no keys: expected {} or jwks, the name of a file with its public keys", of.url_key),
            );
        }
        let known = Algorithm::ALL.map(|(_, name)| name).join(", ");
        let algorithms = match &of.algorithms {
            None => BTreeSet::from(Algorithm::RECOMMENDED),
            Some(given) => match algorithms(given.get_ref().iter().map(String::as_str)) {
                Ok(list) if !list.is_empty() => list,
                _ => {
                    let why = "symmetric ones and none are never taken";
                    self.tell(given.span().start, &format!("algorithms: expected some of {known}; {why}"));
                    BTreeSet::new()
                }
            },
        };
        let concurrent = of.concurrent.as_ref().map_or(CONCURRENT, |n| *n.get_ref());
        if concurrent == 0 {
            self.tell(of.concurrent.map_or(of.at, |n| n.span().start), "concurrent: expected 1 or more");
        }
        // The key that a wrong entry takes away from a right one after it would only confuse.
        if before == self.found.len() {
            issuers.push(Issuer { name, iss, key_urls, keys, algorithms, concurrent: usize::from(concurrent), kind });
        }
    }

    /// The bytes of a file that is named here, beside this one or by its whole path.
    fn text_of(&mut self, name: &Spanned<String>, key: &str, limit: u64) -> Option<Vec<u8>> {
        let path = self.folder.join(name.get_ref());
        match bytes(&path, limit) {
            Ok(text) => {
                self.read.update((text.len() as u64).to_be_bytes());
                self.read.update(&text);
                Some(text)
            }
            Err(what) => {
                self.tell(name.span().start, &format!("{key}: {}: {what}", path.display()));
                None
            }
        }
    }
}

/// What clients and authorization servers have in common.
struct Common {
    at: usize,
    name: Spanned<String>,
    iss: Spanned<String>,
    urls: Vec<Spanned<String>>,
    url_key: &'static str,
    jwks: Option<Spanned<String>>,
    algorithms: Option<Spanned<Vec<String>>>,
    concurrent: Option<Spanned<u16>>,
}

/// An address that may be trusted: over TLS, or on this machine.
fn address(text: &str) -> Result<(), &'static str> {
    const WANTED: &str = "expected an address such as \"https://host.example/path\", without user, query or fragment; http only for a loopback address";
    let uri: Uri = text.parse().map_err(|_| WANTED)?;
    let (scheme, authority) = (uri.scheme_str(), uri.authority().ok_or(WANTED)?);
    let host = authority.host().trim_start_matches('[').trim_end_matches(']');
    let loopback = host.parse::<std::net::IpAddr>().is_ok_and(|ip| ip.is_loopback());
    let good = scheme == Some("https") || scheme == Some("http") && loopback;
    let plain = !authority.as_str().contains('@') && uri.query().is_none() && !text.contains('#');
    if good && plain && !host.is_empty() { Ok(()) } else { Err(WANTED) }
}

/// The bytes of a file, up to a limit.
///
/// # Errors
/// Why it cannot be read.
pub fn bytes(path: &Path, limit: u64) -> Result<Vec<u8>, String> {
    let mut bytes = Vec::new();
    std::fs::File::open(path)
        .and_then(|file| file.take(limit + 1).read_to_end(&mut bytes))
        .map_err(|error| error.to_string())?;
    if bytes.len() as u64 > limit { Err(format!("larger than {limit} bytes")) } else { Ok(bytes) }
}

/// The line of an offset, from 1.
fn line(text: &str, offset: usize) -> usize {
    text.get(..offset).unwrap_or(text).matches('\n').count() + 1
}
