//! The traces file (TOML): the collector to which spans of requests are exported. A file of its own and not part of the
//! settings: what an answer rests on (`settings-hash`) does not change with who looks at how long it took.
//! `docs/operate.md` describes it.

use super::access_file::bytes;
use super::settings_file::address_problem;
use super::toml_shape::{self, Is, Key};
use crate::http::traces::Collector;
use crate::settings::normal_base;
use http::{HeaderMap, HeaderName, HeaderValue};
use serde::Deserialize;
use std::path::{Path, PathBuf};
use toml::Spanned;

/// Largest traces file, bytes.
const LIMIT: u64 = 64 << 10;
/// Largest file of headers, bytes; and the most headers.
const HEADERS_LIMIT: u64 = 16 << 10;
const MOST_HEADERS: usize = 16;
/// Most traces of which one is exported.
const ONE_IN: u64 = 1_000_000;
/// Headers that are the program's own.
const OWN: [&str; 10] = [
    "connection",
    "content-encoding",
    "content-length",
    "content-type",
    "expect",
    "host",
    "te",
    "trailer",
    "transfer-encoding",
    "upgrade",
];

#[derive(Deserialize)]
#[serde(rename_all = "kebab-case")]
struct File {
    endpoint: Spanned<String>,
    #[serde(default)]
    private_addresses: bool,
    headers_file: Option<Spanned<String>>,
    one_in: Option<Spanned<u32>>,
}

/// Keys of the file.
pub const KEYS: &[Key] = &[
    ("endpoint", Is::Text, true),
    ("private-addresses", Is::Truth, false),
    ("headers-file", Is::Text, false),
    ("one-in", Is::Whole(ONE_IN), false),
];

/// Reads a traces file and the headers that it names.
///
/// # Errors
/// Everything that is wrong with it, each with its line and key; nothing of a header's value.
pub fn load(path: &Path) -> Result<Collector, Vec<String>> {
    let name = path.display().to_string();
    let text = bytes(path, LIMIT).map_err(|what| vec![format!("{name}: {what}")])?;
    let text = String::from_utf8(text).map_err(|_| vec![format!("{name}: this is not UTF-8")])?;
    let folder = path.parent().unwrap_or(Path::new("")).to_owned();
    let mut reader = Reader { name, text: text.clone(), folder, found: Vec::new() };
    let file = toml_shape::read::<File>(&text, KEYS, &mut |at, what| reader.tell(at, what));
    match file.and_then(|file| reader.file(file)) {
        Some(collector) if reader.found.is_empty() => Ok(collector),
        _ => Err(reader.found),
    }
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

    fn file(&mut self, file: File) -> Option<Collector> {
        let endpoint = self.endpoint(&file.endpoint, file.private_addresses);
        let headers = match &file.headers_file {
            None => HeaderMap::new(),
            Some(named) => self.headers(named),
        };
        let one_in = file.one_in.as_ref().map_or(1, |given| *given.get_ref());
        if one_in == 0 {
            let at = file.one_in.as_ref().map_or(0, |given| given.span().start);
            self.tell(at, &format!("one-in: expected 1 (every trace) to {ONE_IN}"));
        }
        Some(Collector { endpoint: endpoint?, private_addresses: file.private_addresses, headers, one_in })
    }

    /// The whole address that takes traces. What stands there is not said back: somebody may have put a token into it.
    fn endpoint(&mut self, given: &Spanned<String>, private: bool) -> Option<String> {
        let at = given.span().start;
        let address = normal_base(given.get_ref());
        let parts = address.as_deref().and_then(|address| address.split_once("://")?.1.split_once('/'));
        let (Some(address), Some((authority, _))) = (&address, parts) else {
            let what = "endpoint: expected the whole address that takes traces, such as \"https://collector.example:4318/v1/traces\", without a user, a query, or dots or escapes in the path";
            self.tell(at, what);
            return None;
        };
        if let Some(problem) = address_problem(address, authority, private) {
            self.tell(at, &format!("endpoint: {problem}"));
        }
        Some(address.clone())
    }

    /// Lines `name: value`.
    fn headers(&mut self, named: &Spanned<String>) -> HeaderMap {
        let at = named.span().start;
        let mut headers = HeaderMap::new();
        let text = bytes(&self.folder.join(named.get_ref()), HEADERS_LIMIT)
            .and_then(|text| String::from_utf8(text).map_err(|_| "this is not UTF-8".to_owned()));
        let text = match text {
            Ok(text) => text,
            Err(what) => {
                self.tell(at, &format!("headers-file: the file named here: {what}"));
                return headers;
            }
        };
        for (n, line) in text.lines().enumerate().filter(|(_, line)| !line.trim().is_empty()) {
            let header = line.split_once(':').and_then(|(name, value)| {
                let name = HeaderName::try_from(name.trim()).ok()?;
                let mut value = HeaderValue::try_from(value.trim()).ok()?;
                value.set_sensitive(true);
                Some((name, value))
            });
            let n = n + 1;
            match header {
                None => self.tell(at, &format!("headers-file: line {n}: expected a header, as in \"name: value\"")),
                Some((name, _)) if OWN.contains(&name.as_str()) => {
                    self.tell(at, &format!("headers-file: line {n}: {name} is set by the program"));
                }
                Some((name, _)) if headers.contains_key(&name) => {
                    self.tell(at, &format!("headers-file: line {n}: {name} stands twice"));
                }
                Some((name, value)) => drop(headers.insert(name, value)),
            }
        }
        if headers.len() > MOST_HEADERS {
            self.tell(at, &format!("headers-file: more than {MOST_HEADERS} headers"));
        }
        headers
    }
}
