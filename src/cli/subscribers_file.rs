//! The subscribers file (TOML): systems that are told of changes on the queue. A file of its own and not part of the
//! settings: what an answer rests on (`settings-hash`) does not change with who is told. `docs/subscriptions.md` describes
//! it.

use super::access_file::bytes;
use super::exit::Exit;
use super::reload::watch;
use super::settings_file::address_problem;
use super::toml_shape::{self, Is, Key};
use crate::formulary::suggestion::hint;
use crate::http::notices::Notices;
use crate::intake::order::FhirVersion;
use crate::queue::Lane;
use crate::settings::normal_base;
use crate::subscriptions::signature::Secret;
use crate::subscriptions::{Content, Criteria, Hidden, PRIORITY, Subscriber, Subscribers};
use clap::Subcommand;
use serde::Deserialize;
use std::collections::BTreeSet;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;
use toml::Spanned;

/// Largest subscribers file, bytes.
const LIMIT: u64 = 1 << 20;
/// Largest file with a secret, bytes.
const SECRET_LIMIT: u64 = 4096;
/// Seconds for a try, when nothing else is said; and the most.
const TIMEOUT: (u8, u8) = (10, 60);
/// Tries, when nothing else is said; and the most.
const TRIES: (u16, u16) = (40, 200);
/// Secrets of one subscriber.
const MOST_SECRETS: usize = 2;
/// The reason, when none is given; FHIR R4 asks for one.
const REASON: &str = "Changes of orders on the queue, as the institution declared.";

#[derive(Deserialize)]
#[serde(rename_all = "kebab-case")]
struct File {
    base: Option<Spanned<String>>,
    subscriber: Option<Vec<Spanned<One>>>,
}

#[derive(Deserialize)]
#[serde(rename_all = "kebab-case")]
struct One {
    id: Spanned<String>,
    endpoint: Spanned<String>,
    #[serde(default)]
    private_addresses: bool,
    secret_file: Option<Spanned<String>>,
    secret_variable: Option<Spanned<String>>,
    bearer_file: Option<Spanned<String>>,
    bearer_variable: Option<Spanned<String>>,
    fhir: Spanned<String>,
    content: Option<Spanned<String>>,
    #[serde(default)]
    lanes: Vec<Spanned<String>>,
    #[serde(default)]
    priorities: Vec<Spanned<String>>,
    reason: Option<Spanned<String>>,
    timeout: Option<Spanned<u8>>,
    tries: Option<Spanned<u16>>,
}

const FILE: &[Key] = &[("base", Is::Text, true), ("subscriber", Is::Tables(SUBSCRIBER), false)];
const SUBSCRIBER: &[Key] = &[
    ("id", Is::Text, true),
    ("endpoint", Is::Text, true),
    ("private-addresses", Is::Truth, false),
    ("secret-file", Is::Text, false),
    ("secret-variable", Is::Text, false),
    ("bearer-file", Is::Text, false),
    ("bearer-variable", Is::Text, false),
    ("fhir", Is::Text, true),
    ("content", Is::Text, false),
    ("lanes", Is::Texts, false),
    ("priorities", Is::Texts, false),
    ("reason", Is::Text, false),
    ("timeout", Is::Whole(u8::MAX as u64), false),
    ("tries", Is::Whole(u16::MAX as u64), false),
];

/// Keys of the file, and of a `[[subscriber]]`.
pub const KEYS: [&[Key]; 2] = [FILE, SUBSCRIBER];

/// Reads a subscribers file and the secrets that it names.
///
/// # Errors
/// Everything that is wrong with it, each with its line; of a file that is not TOML, every place where it is not. Nothing
/// of a secret.
pub fn load(path: &Path) -> Result<Subscribers, Vec<String>> {
    let name = path.display().to_string();
    let text = bytes(path, LIMIT).map_err(|what| vec![format!("{name}: {what}")])?;
    let text = String::from_utf8(text).map_err(|_| vec![format!("{name}: this is not UTF-8")])?;
    let folder = path.parent().unwrap_or(Path::new("")).to_owned();
    let mut reader = Reader { name, text: text.clone(), folder, found: Vec::new() };
    match toml_shape::read::<File>(&text, FILE, &mut |at, what| reader.tell(at, what)) {
        Some(file) => reader.file(file),
        None => Err(reader.found),
    }
}

/// Keeps the subscribers up to date until it is dropped: the file and those with secrets, by content. `decided` is what was
/// found on disk before. SIGHUP is heeded from this call on.
pub fn keep(
    path: PathBuf,
    notices: Arc<Notices>,
    look: Duration,
    decided: Subscribers,
) -> impl Future<Output = ()> + Send + 'static {
    let decide = move |found| {
        let notices = notices.clone();
        async move { notices.take(found).await }
    };
    watch(look, Ok(decided), move || load(&path), decide)
}

struct Reader {
    name: String,
    text: String,
    folder: PathBuf,
    found: Vec<String>,
}

impl Reader {
    fn tell(&mut self, at: usize, what: &str) {
        let line = self.text.get(..at).unwrap_or(&self.text).matches('\n').count() + 1;
        self.found.push(format!("{}:{line}: {what}", self.name));
    }

    fn file(mut self, file: File) -> Result<Subscribers, Vec<String>> {
        let at = file.base.as_ref().map_or(0, |base| base.span().start);
        let base = file.base.as_ref().and_then(|base| self.address("base", base, true));
        // A file that is cut off must not be read as one that tells nobody; what is no list was told already.
        if file.subscriber.is_none() && self.found.is_empty() {
            self.tell(
                at,
                "nobody is told: expected at least one [[subscriber]], or subscriber = [] where nobody is to be",
            );
        }
        let mut list: Vec<Subscriber> = Vec::new();
        for one in file.subscriber.into_iter().flatten() {
            let at = one.span().start;
            if let Some(one) = self.subscriber(at, one.into_inner(), &list) {
                list.push(one);
            }
        }
        if self.found.is_empty() { Ok(Subscribers { base: base.unwrap_or_default(), list }) } else { Err(self.found) }
    }

    /// An address in its one form.
    fn address(&mut self, key: &str, given: &Spanned<String>, private: bool) -> Option<String> {
        let at = given.span().start;
        let Some(address) = normal_base(given.get_ref()) else {
            let what = format!(
                "{key}: expected an address such as \"https://host.example/path\", without a user, a query, or dots or escapes in the path"
            );
            self.tell(at, &what);
            return None;
        };
        let authority = address.split("://").nth(1).unwrap_or_default().split('/').next().unwrap_or_default();
        if let Some(problem) = address_problem(&address, authority, private) {
            self.tell(at, &format!("{key}: {problem}"));
        }
        Some(address)
    }

    fn subscriber(&mut self, at: usize, one: One, before: &[Subscriber]) -> Option<Subscriber> {
        let found = self.found.len();
        let id = one.id.get_ref().clone();
        let good = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
        if id.is_empty() || id.len() > 64 || !id.chars().all(good) {
            let what = "id: expected small letters, digits and hyphens, at most 64, such as \"ward-board\"";
            self.tell(one.id.span().start, what);
        }
        if before.iter().any(|known| known.id == id) {
            self.tell(one.id.span().start, "id: stands twice");
        }
        let endpoint = self.address("endpoint", &one.endpoint, one.private_addresses);
        let secrets = self.secrets(at, one.secret_file, one.secret_variable);
        let bearer = self.bearer(one.bearer_file, one.bearer_variable);
        let fhir = self.word("fhir", &one.fhir, &FhirVersion::ALL.map(|version| (version, version.name())));
        let content = match &one.content {
            None => Some(Content::default()),
            Some(given) => self.word("content", given, &Content::ALL),
        };
        let lanes = Lane::ALL.map(|lane| (lane, lane.word()));
        let lanes: BTreeSet<Lane> = one.lanes.iter().filter_map(|given| self.word("lanes", given, &lanes)).collect();
        let codes = PRIORITY.map(|(code, _)| (code, code));
        let priorities: BTreeSet<&'static str> =
            one.priorities.iter().filter_map(|given| self.word("priorities", given, &codes)).collect();
        let reason = one.reason.as_ref().map_or(REASON, |reason| reason.get_ref().trim());
        if reason.is_empty() {
            self.tell(one.reason.as_ref().map_or(at, |reason| reason.span().start), "reason: is empty");
        }
        let timeout = one.timeout.as_ref().map_or(TIMEOUT.0, |given| *given.get_ref());
        if timeout == 0 || timeout > TIMEOUT.1 {
            let at = one.timeout.as_ref().map_or(at, |given| given.span().start);
            self.tell(at, &format!("timeout: expected 1 to {} seconds", TIMEOUT.1));
        }
        let tries = one.tries.as_ref().map_or(TRIES.0, |given| *given.get_ref());
        if tries == 0 || tries > TRIES.1 {
            let at = one.tries.as_ref().map_or(at, |given| given.span().start);
            self.tell(at, &format!("tries: expected 1 to {}", TRIES.1));
        }
        if found != self.found.len() {
            return None;
        }
        Some(Subscriber {
            id,
            endpoint: endpoint?,
            private_addresses: one.private_addresses,
            fhir: fhir?,
            content: content?,
            criteria: Criteria { lanes, priorities },
            reason: reason.to_owned(),
            timeout,
            tries,
            secrets,
            bearer,
        })
    }

    fn word<T: Copy>(&mut self, key: &str, given: &Spanned<String>, known: &[(T, &'static str)]) -> Option<T> {
        let found = known.iter().find(|(_, word)| word == given.get_ref()).map(|(value, _)| *value);
        if found.is_none() {
            let words: Vec<&str> = known.iter().map(|(_, word)| *word).collect();
            let meant = hint(given.get_ref(), words.iter().copied());
            self.tell(given.span().start, &format!("{key}: expected one of {}{meant}", words.join(", ")));
        }
        found
    }

    /// A text from a file beside this one, or from a variable of the environment; where both or neither can be had, why.
    /// What stands for a name is not said back: somebody may have written the secret itself there.
    fn hidden(
        &mut self,
        key: &str,
        file: Option<Spanned<String>>,
        variable: Option<Spanned<String>>,
    ) -> Option<(usize, String)> {
        match (file, variable) {
            (None, None) => None,
            (Some(file), Some(_)) => {
                self.tell(file.span().start, &format!("expected {key}-file or {key}-variable, found both"));
                None
            }
            (Some(file), None) => {
                let at = file.span().start;
                let path = self.folder.join(file.get_ref());
                let text = bytes(&path, SECRET_LIMIT)
                    .and_then(|text| String::from_utf8(text).map_err(|_| "this is not UTF-8".to_owned()));
                match text {
                    Ok(text) => Some((at, text)),
                    Err(what) => {
                        self.tell(at, &format!("{key}-file: the file named here: {what}"));
                        None
                    }
                }
            }
            (None, Some(variable)) => {
                let at = variable.span().start;
                match std::env::var(variable.get_ref()) {
                    Ok(text) => Some((at, text)),
                    Err(_) => {
                        self.tell(at, &format!("{key}-variable: the variable named here is not set, or is no text"));
                        None
                    }
                }
            }
        }
    }

    fn secrets(&mut self, at: usize, file: Option<Spanned<String>>, variable: Option<Spanned<String>>) -> Vec<Secret> {
        if file.is_none() && variable.is_none() {
            self.tell(at, "no secret: expected secret-file or secret-variable");
        }
        let Some((at, text)) = self.hidden("secret", file, variable) else { return Vec::new() };
        let words: Vec<&str> = text.split_whitespace().collect();
        if words.is_empty() || words.len() > MOST_SECRETS {
            self.tell(at, "secret: expected one secret, or two while it is changed");
        }
        let mut secrets = Vec::new();
        for word in words {
            match Secret::read(word) {
                Ok(secret) => secrets.push(secret),
                Err(what) => self.tell(at, &format!("secret: {what}")),
            }
        }
        secrets
    }

    fn bearer(&mut self, file: Option<Spanned<String>>, variable: Option<Spanned<String>>) -> Option<Hidden> {
        let (at, text) = self.hidden("bearer", file, variable)?;
        let text = text.trim();
        // RFC 6750, section 2.1.
        let good = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '.' | '_' | '~' | '+' | '/' | '=');
        if text.is_empty() || !text.chars().all(good) {
            self.tell(at, "bearer: expected a token: letters, digits and - . _ ~ + / =");
            return None;
        }
        Some(Hidden::new(text.to_owned()))
    }
}

/// Commands about the subscribers file.
#[derive(Subcommand, Debug)]
pub enum SubscribersCommand {
    /// Read a subscribers file and its secrets as serve would, list everything that is wrong with it, or print who is told of what
    Check {
        /// The subscribers file (TOML)
        #[arg(env = "ENTERAL_GATE_SUBSCRIBERS", value_name = "FILE")]
        file: PathBuf,
    },
}

impl SubscribersCommand {
    /// Runs the command: 0 usable, 64 not.
    ///
    /// # Errors
    /// None; the type is that of the other commands.
    pub fn run(self) -> Result<Exit, String> {
        let Self::Check { file } = self;
        let mut out = std::io::stdout().lock();
        let read = match load(&file) {
            Ok(read) => read,
            Err(problems) => {
                for problem in &problems {
                    let _ = writeln!(out, "{problem}");
                }
                let _ = writeln!(out, "{}: cannot be used", file.display());
                return Ok(Exit::Usage);
            }
        };
        let _ = writeln!(out, "base {}", read.base);
        for one in &read.list {
            let criteria: Vec<String> =
                one.criteria.parameters().into_iter().map(|(name, values)| format!(", {name} {values}")).collect();
            let private = if one.private_addresses { ", private addresses allowed" } else { "" };
            let secrets = if one.secrets.len() == 1 { "a secret" } else { "two secrets" };
            let bearer = if one.bearer.is_some() { " and a bearer token" } else { "" };
            let _ = writeln!(
                out,
                "{}: {} {} to {}{private}{}; {secrets}{bearer}; {} s a try, {} tries",
                one.id,
                one.fhir.name(),
                one.content.code(),
                one.endpoint,
                criteria.concat(),
                one.timeout,
                one.tries
            );
        }
        Ok(Exit::Clear)
    }
}
