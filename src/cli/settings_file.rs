//! The institution's settings file (TOML): time zone, feeding day, clock times of timing codes, routes.
//! `docs/configure.md` describes it, `schemas/settings.schema.json` lets editors complete it.

use crate::formulary::suggestion::hint;
use crate::hooks::fetch;
use crate::hooks::prefetch::{self, Key};
use crate::http::asked;
use crate::http::callback::address::Reach;
use crate::intake::order::FhirVersion;
use crate::settings::{ContextKind, FhirServer, LookWithin, NothingChecked, Settings, Site, normal_base};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::io::Read;
use std::net::IpAddr;
use std::path::Path;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// Largest settings file, bytes.
const LIMIT: u64 = 1 << 20;

/// Keys of the file.
pub const KEYS: [&str; 9] =
    ["zone", "day-start", "declares", "weight-codes", "harmless-texts", "clock", "routes", "hooks", "queue"];

/// Keys of `hooks`.
pub const HOOK_KEYS: [&str; 4] = ["fhir", "nothing-checked", "deadline", "servers"];

/// Keys of one entry of `hooks.servers`.
pub const SERVER_KEYS: [&str; 5] = ["base", "private-addresses", "fhir", "leave-out", "templates"];

/// Keys of `queue`.
pub fn queue_keys() -> impl Iterator<Item = &'static str> {
    LookWithin::GRADES.into_iter().rev().chain([LookWithin::BEFORE_START, LookWithin::QUIET_AFTER])
}

/// The least and the most time after receipt within which somebody should look at an order, minutes.
pub const WITHIN: (i64, i64) = (1, 10_080);

/// The least and the most time before a feed starts by which somebody should have looked, minutes.
pub const BEFORE_START: (i64, i64) = (0, 1440);

/// The least and the most time for the answer to a hook, milliseconds.
pub const DEADLINES: (i64, i64) = (50, 10_000);

/// Keys of one entry of `routes`.
pub const ROUTE_KEYS: [&str; 4] = ["system", "code", "text", "site"];

/// Timing codes that may be given clock times, what they mean, and how many times they take when the code
/// itself says how often: FHIR's event timing with HL7's TimingEvent, as far as FHIR's `when` allows it, and the
/// codes of HL7's GTSAbbreviation that say so many times in so many days.
pub const CODES: &[(&str, &str, Option<usize>)] = &[
    ("MORN", "in the morning", None),
    ("MORN.early", "early in the morning", None),
    ("MORN.late", "late in the morning", None),
    ("NOON", "around noon", None),
    ("AFT", "in the afternoon", None),
    ("AFT.early", "early in the afternoon", None),
    ("AFT.late", "late in the afternoon", None),
    ("EVE", "in the evening", None),
    ("EVE.early", "early in the evening", None),
    ("EVE.late", "late in the evening", None),
    ("NIGHT", "during the night", None),
    ("PHS", "after the patient has gone to sleep", None),
    ("IMD", "at once", None),
    ("HS", "before the hour of sleep", None),
    ("WAKE", "on waking", None),
    ("C", "with every meal", None),
    ("CM", "with breakfast", None),
    ("CD", "with the midday meal", None),
    ("CV", "with the evening meal", None),
    ("AC", "before every meal", None),
    ("ACM", "before breakfast", None),
    ("ACD", "before the midday meal", None),
    ("ACV", "before the evening meal", None),
    ("PC", "after every meal", None),
    ("PCM", "after breakfast", None),
    ("PCD", "after the midday meal", None),
    ("PCV", "after the evening meal", None),
    ("QD", "once a day", Some(1)),
    ("AM", "every morning", Some(1)),
    ("PM", "every afternoon or evening", Some(1)),
    ("BED", "at bedtime", Some(1)),
    ("BID", "twice a day", Some(2)),
    ("TID", "three times a day", Some(3)),
    ("QID", "four times a day", Some(4)),
    ("QOD", "every other day", Some(1)),
    ("WK", "once a week", Some(1)),
];

/// Timing codes of the same sets that take no clock times, and why.
const UNTIMED: &[(&str, &str)] = &[
    ("IC", "stands between meals and is not allowed in FHIR's `when`"),
    ("ICM", "stands between meals and is not allowed in FHIR's `when`"),
    ("ICD", "stands between meals and is not allowed in FHIR's `when`"),
    ("ICV", "stands between meals and is not allowed in FHIR's `when`"),
    ("Q1H", "counts hours from the start and takes no clock times"),
    ("Q2H", "counts hours from the start and takes no clock times"),
    ("Q3H", "counts hours from the start and takes no clock times"),
    ("Q4H", "counts hours from the start and takes no clock times"),
    ("Q6H", "counts hours from the start and takes no clock times"),
    ("Q8H", "counts hours from the start and takes no clock times"),
    ("MO", "has no fixed length and is not computed"),
];

/// One thing wrong with a settings file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SettingsProblem {
    /// File, as the caller named it.
    pub file: String,
    /// Line and column, from 1, columns in characters; `None`: the file as a whole.
    pub at: Option<(usize, usize)>,
    /// What was found, what was expected, and what was probably meant.
    pub text: String,
}

impl fmt::Display for SettingsProblem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.at {
            Some((line, column)) => write!(f, "{}:{line}:{column}: {}", self.file, self.text),
            None => write!(f, "{}: {}", self.file, self.text),
        }
    }
}

/// The lines of a file on which its values stand, from 1.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Lines {
    /// By key: `zone`, `clock.BID`, ….
    pub keys: BTreeMap<String, usize>,
    /// By route, as in [`Settings::routes`].
    pub routes: BTreeMap<(String, String), usize>,
}

/// Reads a settings file over what is set already; a file with a problem changes nothing.
///
/// # Errors
/// Every problem of the file with its place, in the order of the file; of a file that is not TOML, every place
/// where it is not.
pub fn read(name: &str, text: &str, settings: &mut Settings) -> Result<Lines, Vec<SettingsProblem>> {
    let mut reader =
        Reader { text, found: Vec::new(), settings: settings.clone(), lines: Lines::default(), seen: BTreeMap::new() };
    let (table, errors) = DeTable::parse_recoverable(text);
    if errors.is_empty() {
        reader.file(table.get_ref());
    } else {
        for error in errors {
            let at = error.span().map_or(0, |span| span.start);
            reader.tell(at, format!("this is not TOML: {}", error.message().replace('\n', ", ")));
        }
    }
    if reader.found.is_empty() {
        *settings = reader.settings;
        return Ok(reader.lines);
    }
    reader.found.sort();
    reader.found.dedup();
    let place = |(offset, text)| SettingsProblem { file: name.to_owned(), at: Some(place(reader.text, offset)), text };
    Err(reader.found.into_iter().map(place).collect())
}

/// Reads a settings file from disk over what is set already.
///
/// # Errors
/// As [`read`], and when the file cannot be read at all.
pub fn load(path: &Path, settings: &mut Settings) -> Result<Lines, Vec<SettingsProblem>> {
    let name = path.display().to_string();
    let whole = |at, text: String| vec![SettingsProblem { file: name.clone(), at, text }];
    let mut bytes = Vec::new();
    std::fs::File::open(path)
        .and_then(|file| file.take(LIMIT + 1).read_to_end(&mut bytes))
        .map_err(|error| whole(None, error.to_string()))?;
    if bytes.len() as u64 > LIMIT {
        return Err(whole(None, format!("larger than {LIMIT} bytes, which no settings file is")));
    }
    let text = match std::str::from_utf8(&bytes) {
        Ok(text) => text,
        Err(error) => {
            let good = String::from_utf8_lossy(bytes.get(..error.valid_up_to()).unwrap_or_default());
            return Err(whole(Some(place(&good, good.len())), "this is not UTF-8".to_owned()));
        }
    };
    read(&name, text, settings)
}

/// The settings of the demo's invented institution, with their hash.
///
/// # Errors
/// Never in a released program; the tests read it.
pub fn embedded() -> Result<Settings, String> {
    let mut settings = Settings::default();
    read("invented demo settings", super::DEMO_SETTINGS, &mut settings)
        .map_err(|problems| problems.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))?;
    settings.hash = settings.content_hash();
    Ok(settings)
}

/// A kind of context by its name.
///
/// # Errors
/// A sentence with the known names.
pub fn declared(name: &str) -> Result<ContextKind, String> {
    let names = ContextKind::ALL.map(|(_, name)| name);
    ContextKind::ALL
        .into_iter()
        .find_map(|(kind, known)| (known == name).then_some(kind))
        .ok_or_else(|| format!("{} is not known; known are {}{}", shown(name), names.join(", "), hint(name, names)))
}

/// Line and column of an offset, from 1, columns in characters.
fn place(text: &str, offset: usize) -> (usize, usize) {
    let before = text.get(..offset).unwrap_or(text);
    (before.matches('\n').count() + 1, before.rsplit('\n').next().unwrap_or("").chars().count() + 1)
}

/// A value as it may be repeated: cut, and without control characters.
fn shown(text: &str) -> String {
    let cut: String = text.chars().take(60).collect();
    format!("{cut:?}{}", if cut.len() < text.len() { "…" } else { "" })
}

type Value<'t> = Spanned<DeValue<'t>>;

/// A value for people: text as it stands, other values by their type.
fn described(value: &DeValue<'_>) -> String {
    match value {
        DeValue::String(text) => shown(text),
        DeValue::Integer(_) => "a whole number".to_owned(),
        DeValue::Float(_) => "a number".to_owned(),
        DeValue::Boolean(_) => "true or false".to_owned(),
        DeValue::Datetime(_) => "a date or time without quotes".to_owned(),
        DeValue::Array(_) => "a list".to_owned(),
        DeValue::Table(_) => "a table".to_owned(),
    }
}

struct Reader<'t> {
    text: &'t str,
    /// Problems by their offset.
    found: Vec<(usize, String)>,
    settings: Settings,
    lines: Lines,
    /// Routes read so far, by their offset.
    seen: BTreeMap<(String, String), usize>,
}

impl Reader<'_> {
    fn tell(&mut self, offset: usize, text: String) {
        self.found.push((offset, text));
    }

    fn line(&self, offset: usize) -> usize {
        place(self.text, offset).0
    }

    fn file(&mut self, table: &DeTable<'_>) {
        for (key, value) in table {
            let at = key.span().start;
            let line = self.line(at);
            match key.get_ref().as_ref() {
                name @ ("zone" | "day-start") => self.single(name, value),
                "declares" => self.declares(value),
                "weight-codes" => self.weight_codes(value),
                "harmless-texts" => self.harmless_texts(value),
                "clock" => self.clock(value),
                "routes" => self.routes(value),
                "hooks" => self.hooks(value),
                "queue" => self.queue(value),
                other => {
                    let what = if CODES.iter().any(|(code, ..)| *code == other) {
                        "is a timing code and belongs below a line [clock]".to_owned()
                    } else if ROUTE_KEYS.contains(&other) {
                        "belongs below a line [[routes]]".to_owned()
                    } else if HOOK_KEYS.contains(&other) {
                        "belongs below a line [hooks]".to_owned()
                    } else if queue_keys().any(|key| key == other) {
                        "belongs below a line [queue]".to_owned()
                    } else {
                        format!("is not known; known are {}{}", KEYS.join(", "), hint(other, KEYS))
                    };
                    self.tell(at, format!("the key {} {what}", shown(other)));
                }
            }
            self.lines.keys.insert(key.get_ref().to_string(), line);
        }
    }

    /// A text, or a problem.
    fn string<'v>(&mut self, key: &str, wanted: &str, value: &'v Value<'_>) -> Option<&'v str> {
        let text = value.get_ref().as_str();
        if text.is_none() {
            let quotes = if value.get_ref().is_datetime() { "; write it in quotes" } else { "" };
            self.tell(
                value.span().start,
                format!("{key}: expected {wanted}, found {}{quotes}", described(value.get_ref())),
            );
        }
        text
    }

    /// The items of a list of texts, none of them twice.
    fn strings<'v>(&mut self, key: &str, wanted: &str, value: &'v Value<'_>) -> Vec<(usize, &'v str)> {
        let Some(list) = value.get_ref().as_array() else {
            let example =
                value.get_ref().as_str().map_or_else(String::new, |text| format!(", such as [{}]", shown(text)));
            self.tell(
                value.span().start,
                format!(
                    "{key}: expected a list of {wanted} in brackets{example}, found {}",
                    described(value.get_ref())
                ),
            );
            return Vec::new();
        };
        let mut items: Vec<(usize, &str)> = Vec::new();
        for item in list.iter() {
            let Some(text) = self.string(key, wanted, item) else { continue };
            if items.iter().any(|(_, known)| *known == text) {
                self.tell(item.span().start, format!("{key}: {} stands twice", shown(text)));
            } else {
                items.push((item.span().start, text));
            }
        }
        items
    }

    fn single(&mut self, key: &str, value: &Value<'_>) {
        let wanted = if key == "zone" { "the name of a time zone, such as \"Europe/Vienna\"" } else { TIME };
        let Some(text) = self.string(key, wanted, value) else { return };
        if asked::apply(key, text, &mut self.settings).is_err() {
            let meant = if key == "zone" { zone_meant(text) } else { time_meant(text) };
            self.tell(value.span().start, format!("{key}: expected {wanted}, found {}{meant}", shown(text)));
        }
    }

    fn declares(&mut self, value: &Value<'_>) {
        self.settings.declared.clear();
        for (at, name) in self.strings("declares", "kinds of data", value) {
            match declared(name) {
                Ok(kind) => drop(self.settings.declared.insert(kind)),
                Err(what) => self.tell(at, format!("declares: {what}")),
            }
        }
    }

    fn weight_codes(&mut self, value: &Value<'_>) {
        self.settings.weight_codes.clear();
        if value.get_ref().as_array().is_some_and(|list| list.is_empty()) {
            self.tell(value.span().start, "weight-codes: expected at least one LOINC code".to_owned());
        }
        for (at, code) in self.strings("weight-codes", "LOINC codes", value) {
            if !is_loinc(code) {
                let why = if has_loinc_form(code) { "; its check digit is wrong" } else { "" };
                self.tell(
                    at,
                    format!("weight-codes: expected a LOINC code such as \"29463-7\", found {}{why}", shown(code)),
                );
            }
            self.settings.weight_codes.insert(code.to_owned());
        }
    }

    fn harmless_texts(&mut self, value: &Value<'_>) {
        for (at, text) in self.strings("harmless-texts", "phrases", value) {
            let words = text.split_whitespace().filter(|word| word.chars().any(char::is_alphanumeric)).count();
            if words < 2 || text.chars().count() > 200 {
                self.tell(
                    at,
                    format!(
                        "harmless-texts: expected a phrase of at least two words and at most 200 characters, found {}",
                        shown(text)
                    ),
                );
            }
            self.settings.harmless_texts.insert(text.trim().to_owned());
        }
    }

    fn clock(&mut self, value: &Value<'_>) {
        let Some(table) = value.get_ref().as_table() else {
            let found = described(value.get_ref());
            return self.tell(
                value.span().start,
                format!("clock: expected a table of timing codes below a line [clock], found {found}"),
            );
        };
        for (key, times) in table {
            let (code, at) = (key.get_ref().as_ref(), key.span().start);
            let Some((_, _, count)) = CODES.iter().find(|(known, ..)| *known == code) else {
                let what = if let Some((_, why)) = UNTIMED.iter().find(|(known, _)| *known == code) {
                    (*why).to_owned()
                } else if KEYS.contains(&code) {
                    "is no timing code; it belongs above the first line in brackets".to_owned()
                } else {
                    let codes: Vec<&str> = CODES.iter().map(|(known, ..)| *known).collect();
                    let meant = hint(code, codes.iter().copied());
                    let known = if meant.is_empty() { format!("; known are {}", codes.join(", ")) } else { meant };
                    format!("is no timing code that takes clock times{known}")
                };
                self.tell(at, format!("clock: {} {what}", shown(code)));
                continue;
            };
            if let Some(inner) = times.get_ref().as_table() {
                // `MORN.early = […]` is a table MORN with a key `early`.
                let parts: Vec<String> = inner.keys().map(|k| format!("{code}.{}", k.get_ref())).collect();
                if let Some(whole) = parts.iter().find(|whole| CODES.iter().any(|(known, ..)| known == whole)) {
                    self.tell(at, format!("clock: a code with a dot is written in quotes: \"{whole}\" = [\"07:00\"]"));
                    continue;
                }
            }
            let label = format!("clock.{code}");
            let mut seconds: Vec<u32> = Vec::new();
            let before = self.found.len();
            for (at, time) in self.strings(&label, "times", times) {
                match asked::clock(time) {
                    Some(s) if seconds.contains(&s) => self.tell(at, format!("{label}: {} stands twice", shown(time))),
                    Some(s) => seconds.push(s),
                    None => {
                        self.tell(at, format!("{label}: expected {TIME}, found {}{}", shown(time), time_meant(time)))
                    }
                }
            }
            if before == self.found.len() {
                match count {
                    Some(n) if seconds.len() != *n => self.tell(
                        times.span().start,
                        format!("{label}: the code asks for exactly {n}, found {} times", seconds.len()),
                    ),
                    None if seconds.is_empty() => {
                        self.tell(times.span().start, format!("{label}: expected at least one time"));
                    }
                    _ => {}
                }
            }
            seconds.sort_unstable();
            let line = self.line(at);
            self.lines.keys.insert(label, line);
            self.settings.clock.insert(code.to_owned(), seconds);
        }
    }

    fn hooks(&mut self, value: &Value<'_>) {
        let Some(table) = value.get_ref().as_table() else {
            let found = described(value.get_ref());
            return self
                .tell(value.span().start, format!("hooks: expected a table below a line [hooks], found {found}"));
        };
        for (key, value) in table {
            let (name, at) = (key.get_ref().as_ref(), key.span().start);
            let line = self.line(at);
            self.lines.keys.insert(format!("hooks.{name}"), line);
            match name {
                "fhir" => {
                    let versions = FhirVersion::ALL.map(|v| (v, v.name()));
                    if let Some(version) = self.one_of("hooks.fhir", &versions, value) {
                        self.settings.hooks.fhir = version;
                    }
                }
                "nothing-checked" => {
                    if let Some(answer) = self.one_of("hooks.nothing-checked", &NothingChecked::ALL, value) {
                        self.settings.hooks.nothing_checked = answer;
                    }
                }
                "deadline" => self.deadline(value),
                "servers" => self.servers(value),
                other => {
                    let known = HOOK_KEYS.join(", ");
                    let meant = hint(other, HOOK_KEYS);
                    self.tell(at, format!("hooks: the key {} is not known; known are {known}{meant}", shown(other)));
                }
            }
        }
    }

    fn deadline(&mut self, value: &Value<'_>) {
        if let Some(milliseconds) = self.whole("hooks.deadline", "milliseconds", DEADLINES, value) {
            self.settings.hooks.deadline = milliseconds;
        }
    }

    /// A whole number within bounds.
    fn whole(&mut self, key: &str, unit: &str, (least, most): (i64, i64), value: &Value<'_>) -> Option<u32> {
        let number = value.get_ref().as_integer().and_then(|n| i64::from_str_radix(n.as_str(), n.radix()).ok());
        let good = number.filter(|n| (least..=most).contains(n)).and_then(|n| u32::try_from(n).ok());
        if good.is_none() {
            let found = number.map_or_else(|| described(value.get_ref()), |n| n.to_string());
            self.tell(value.span().start, format!("{key}: expected {unit} from {least} to {most}, found {found}"));
        }
        good
    }

    fn queue(&mut self, value: &Value<'_>) {
        let Some(table) = value.get_ref().as_table() else {
            let found = described(value.get_ref());
            return self
                .tell(value.span().start, format!("queue: expected a table below a line [queue], found {found}"));
        };
        for (key, value) in table {
            let (name, at) = (key.get_ref().as_ref(), key.span().start);
            let label = format!("queue.{name}");
            let line = self.line(at);
            self.lines.keys.insert(label.clone(), line);
            if !queue_keys().any(|key| key == name) {
                let known: Vec<&str> = queue_keys().collect();
                let meant = hint(name, known.iter().copied());
                let known = known.join(", ");
                self.tell(at, format!("queue: the key {} is not known; known are {known}{meant}", shown(name)));
                continue;
            }
            let bounds = if name == LookWithin::BEFORE_START { BEFORE_START } else { WITHIN };
            let minutes = self.whole(&label, "minutes", bounds, value).and_then(|n| u16::try_from(n).ok());
            let Some(minutes) = minutes else { continue };
            let grade = LookWithin::GRADES.iter().position(|key| *key == name);
            let own = &mut self.settings.queue;
            match grade.and_then(|grade| own.grades.get_mut(grade)) {
                Some(own) => *own = minutes,
                None if name == LookWithin::BEFORE_START => own.before_start = minutes,
                None => own.quiet_after = minutes,
            }
        }
    }

    fn servers(&mut self, value: &Value<'_>) {
        let wanted = "an entry below a line [[hooks.servers]]";
        let Some(list) = value.get_ref().as_array() else {
            let found = described(value.get_ref());
            return self.tell(
                value.span().start,
                format!("hooks.servers: expected entries, each below a line [[hooks.servers]], found {found}"),
            );
        };
        for entry in list.iter() {
            let at = entry.span().start;
            match entry.get_ref().as_table() {
                Some(table) => self.server(at, table),
                None => {
                    let found = described(entry.get_ref());
                    self.tell(at, format!("hooks.servers: expected {wanted}, found {found}"));
                }
            }
        }
    }

    fn server(&mut self, at: usize, table: &DeTable<'_>) {
        let mut server = FhirServer {
            base: String::new(),
            private_addresses: false,
            fhir: None,
            leave_out: BTreeSet::new(),
            templates: BTreeMap::new(),
        };
        if table.get("base").is_none() {
            self.tell(at, "hooks.servers: this server has no base; expected base = its address".to_owned());
        }
        for (key, value) in table {
            match key.get_ref().as_ref() {
                "base" => server.base = self.base(value).unwrap_or_default(),
                "private-addresses" => match value.get_ref().as_bool() {
                    Some(yes) => server.private_addresses = yes,
                    None => {
                        let found = described(value.get_ref());
                        self.tell(
                            value.span().start,
                            format!("hooks.servers.private-addresses: expected true or false, found {found}"),
                        );
                    }
                },
                "fhir" => {
                    let versions = FhirVersion::ALL.map(|v| (v, v.name()));
                    server.fhir = self.one_of("hooks.servers.fhir", &versions, value);
                }
                "leave-out" => {
                    for (at, name) in self.strings("hooks.servers.leave-out", "prefetch keys", value) {
                        if self.prefetch_key("hooks.servers.leave-out", at, name).is_some() {
                            server.leave_out.insert(name.to_owned());
                        }
                    }
                }
                "templates" => server.templates = self.templates(value),
                other => {
                    let known = SERVER_KEYS.join(", ");
                    let meant = hint(other, SERVER_KEYS);
                    self.tell(
                        key.span().start,
                        format!("hooks.servers: the key {} is not known; known are {known}{meant}", shown(other)),
                    );
                }
            }
        }
        if server.base.is_empty() {
            return;
        }
        let place = table.get("base").map_or(at, |value| value.span().start);
        let address = server.base.split("://").nth(1).unwrap_or_default().split('/').next().unwrap_or_default();
        if let Some(problem) = address_problem(&server.base, address, server.private_addresses) {
            self.tell(place, format!("hooks.servers.base: {problem}"));
        }
        if self.settings.hooks.servers.iter().any(|known| known.base == server.base) {
            self.tell(place, format!("hooks.servers.base: {} stands twice", shown(&server.base)));
        }
        let line = self.line(at);
        self.lines.keys.insert(format!("hooks.servers.{}", server.base), line);
        self.settings.hooks.servers.push(server);
    }

    fn base(&mut self, value: &Value<'_>) -> Option<String> {
        let wanted = "the base address of a FHIR server, such as \"https://fhir.example/r4\"";
        let text = self.string("hooks.servers.base", wanted, value)?;
        let base = normal_base(text);
        if base.is_none() {
            self.tell(
                value.span().start,
                format!(
                    "hooks.servers.base: expected {wanted}, without a user, a query, or dots or escapes in the path, found {}",
                    shown(text)
                ),
            );
        }
        base
    }

    fn prefetch_key(&mut self, what: &str, at: usize, name: &str) -> Option<&'static Key> {
        let found = fetch::key(name);
        if found.is_none() {
            let known: Vec<&str> = prefetch::KEYS.iter().map(|key| key.name).collect();
            let meant = hint(name, known.iter().copied());
            self.tell(at, format!("{what}: {} is no prefetch key; known are {}{meant}", shown(name), known.join(", ")));
        }
        found
    }

    fn templates(&mut self, value: &Value<'_>) -> BTreeMap<String, String> {
        let mut out = BTreeMap::new();
        let Some(table) = value.get_ref().as_table() else {
            let found = described(value.get_ref());
            self.tell(
                value.span().start,
                format!("hooks.servers.templates: expected a table of prefetch keys, found {found}"),
            );
            return out;
        };
        for (key, value) in table {
            let name = key.get_ref().as_ref();
            let Some(known) = self.prefetch_key("hooks.servers.templates", key.span().start, name) else { continue };
            let label = format!("hooks.servers.templates.{name}");
            let Some(text) = self.string(&label, "a prefetch template", value) else { continue };
            match fetch::template_problem(known, text) {
                Some(problem) => {
                    self.tell(value.span().start, format!("{label}: {problem}, found {}", shown(text)));
                }
                None => drop(out.insert(name.to_owned(), text.to_owned())),
            }
        }
        out
    }

    /// One of a few words.
    fn one_of<T: Copy>(&mut self, key: &str, known: &[(T, &'static str)], value: &Value<'_>) -> Option<T> {
        let words: Vec<&str> = known.iter().map(|(_, word)| *word).collect();
        let wanted = format!("one of {}", words.join(", "));
        let text = self.string(key, &wanted, value)?;
        let found = known.iter().find(|(_, word)| *word == text);
        if found.is_none() {
            let meant = hint(text, words.iter().copied());
            self.tell(value.span().start, format!("{key}: expected {wanted}, found {}{meant}", shown(text)));
        }
        found.map(|(value, _)| *value)
    }

    fn routes(&mut self, value: &Value<'_>) {
        let Some(list) = value.get_ref().as_array() else {
            let found = described(value.get_ref());
            return self.tell(
                value.span().start,
                format!("routes: expected entries, each below a line [[routes]], found {found}"),
            );
        };
        for entry in list.iter() {
            match entry.get_ref().as_table() {
                Some(table) => self.route(entry.span().start, table),
                None => {
                    let found = described(entry.get_ref());
                    self.tell(
                        entry.span().start,
                        format!("routes: expected an entry below a line [[routes]], found {found}"),
                    );
                }
            }
        }
    }

    fn route(&mut self, at: usize, table: &DeTable<'_>) {
        let before = self.found.len();
        for key in table.keys() {
            let name = key.get_ref().as_ref();
            if !ROUTE_KEYS.contains(&name) {
                let what = if KEYS.contains(&name) {
                    "is no key of a route; it belongs above the first line in brackets".to_owned()
                } else {
                    format!("is no key of a route; known are {}{}", ROUTE_KEYS.join(", "), hint(name, ROUTE_KEYS))
                };
                self.tell(key.span().start, format!("routes: {} {what}", shown(name)));
            }
        }
        let mut field = |name: &str, wanted: &str, good: fn(&str) -> bool| -> Option<Option<String>> {
            let Some(value) = table.get(name) else { return Some(None) };
            let text = self.string(&format!("routes.{name}"), wanted, value)?;
            if !good(text) {
                self.tell(value.span().start, format!("routes.{name}: expected {wanted}, found {}", shown(text)));
                return None;
            }
            Some(Some(text.to_owned()))
        };
        let system = field("system", "a URI such as \"http://snomed.info/sct\"", is_uri);
        let code = field("code", "a code without space at its ends", is_code);
        let text = field("text", "the text of a route", |text| !text.trim().is_empty());
        let site = match table.get("site") {
            None => {
                let sites = Site::ALL.map(|(_, word)| word).join(", ");
                self.tell(at, format!("routes: this route has no site; expected site = one of {sites}"));
                None
            }
            Some(value) => self.site(value),
        };
        let (Some(system), Some(code), Some(text)) = (system, code, text) else { return };
        let key = match (system, code, text) {
            (Some(system), Some(code), None) => (system, code),
            (None, None, Some(text)) => (String::new(), text.trim().to_lowercase()),
            (system, code, text) => {
                let given: Vec<&str> = [("system", system), ("code", code), ("text", text)]
                    .into_iter()
                    .filter_map(|(name, value)| value.map(|_| name))
                    .collect();
                let given = if given.is_empty() { "none of them".to_owned() } else { given.join(" and ") };
                return self.tell(at, format!("routes: expected system and code, or text alone, found {given}"));
            }
        };
        if key.0 == "http://snomed.info/sct" && !is_sctid(&key.1) {
            let place = table.get("code").map_or(at, |value| value.span().start);
            self.tell(
                place,
                format!("routes.code: {} is no SNOMED CT code: its form or its check digit is wrong", shown(&key.1)),
            );
        }
        let outside = key.0 == "http://terminology.hl7.org/CodeSystem/v3-RouteOfAdministration"
            && matches!(key.1.as_str(), "IV" | "IVINFUS" | "IM" | "SQ");
        if outside && site.is_some_and(|site| site != Site::NotEnteral) {
            let place = table.get("site").map_or(at, |value| value.span().start);
            self.tell(
                place,
                format!(
                    "routes.site: expected not-enteral, because {} is not into the gut, whatever is set",
                    shown(&key.1)
                ),
            );
        }
        if let Some(first) = self.seen.insert(key.clone(), at) {
            self.seen.insert(key.clone(), first);
            let line = self.line(first);
            self.tell(at, format!("routes: the route of line {line} stands here again"));
        }
        if let Some(site) = site
            && before == self.found.len()
        {
            let line = self.line(at);
            self.lines.routes.insert(key.clone(), line);
            self.settings.routes.insert(key, site);
        }
    }

    fn site(&mut self, value: &Value<'_>) -> Option<Site> {
        let words = Site::ALL.map(|(_, word)| word);
        let wanted = format!("one of {}", words.join(", "));
        let text = self.string("routes.site", &wanted, value)?;
        let found = Site::ALL.into_iter().find_map(|(site, word)| (word == text).then_some(site));
        if found.is_none() {
            let meant = match text.trim().to_lowercase().as_str() {
                "stomach" => " (did you mean “gastric”?)".to_owned(),
                "jejunal" | "jejunum" | "duodenal" | "duodenum" | "small-bowel" => {
                    " (did you mean “post-pyloric”?)".to_owned()
                }
                other => hint(other, words),
            };
            self.tell(value.span().start, format!("routes.site: expected {wanted}, found {}{meant}", shown(text)));
        }
        found
    }
}

/// What speaks against calling an address, in words.
pub(super) fn address_problem(base: &str, authority: &str, private: bool) -> Option<&'static str> {
    let host = match authority.strip_prefix('[') {
        Some(literal) => literal.split(']').next().unwrap_or_default(),
        None => authority.split(':').next().unwrap_or_default(),
    };
    let literal = host.parse::<IpAddr>().ok();
    if authority.starts_with('[') && literal.is_none() {
        return Some("expected an IPv6 address in the brackets");
    }
    if base.starts_with("http://") {
        let here = host == "localhost" || literal.is_some_and(|address| Reach::Loopback.allows(address));
        if !here || !private {
            return Some(
                "expected https; http is for a server on this machine (127.0.0.1, ::1, localhost), with private-addresses = true",
            );
        }
    } else if literal.is_some_and(|address| !Reach::Private.allows(address)) {
        return Some("nothing that may be called has such an address");
    } else if literal.is_some_and(|address| !private && !Reach::Public.allows(address)) {
        return Some("such an address is called only with private-addresses = true");
    }
    None
}

/// What is expected of a clock time.
const TIME: &str = "a clock time \"HH:MM\" from 00:00 to 23:59";

/// The time that was probably meant, for the message only.
fn time_meant(text: &str) -> String {
    let lower = text.trim().to_ascii_lowercase();
    let digits: Vec<&str> = lower.split(|c: char| !c.is_ascii_digit()).filter(|d| !d.is_empty()).collect();
    let (hours, minutes) = match digits.as_slice() {
        [hours] if hours.len() <= 2 => (*hours, "0"),
        [both] if both.len() == 4 => both.split_at(2),
        [hours, minutes] if hours.len() <= 2 && minutes.len() == 2 => (*hours, *minutes),
        _ => return String::new(),
    };
    let (Ok(mut hours), Ok(minutes)) = (hours.parse::<u32>(), minutes.parse::<u32>()) else { return String::new() };
    let half = lower.trim_end_matches('.').replace('.', "");
    match (half.ends_with("am"), half.ends_with("pm")) {
        (true, _) if (1..=12).contains(&hours) => hours %= 12,
        (_, true) if (1..=12).contains(&hours) => hours = hours % 12 + 12,
        _ if hours == 24 && minutes == 0 => hours = 0,
        _ => {}
    }
    if hours < 24 && minutes < 60 { format!(" (did you mean “{hours:02}:{minutes:02}”?)") } else { String::new() }
}

/// The zone that was probably meant, for the message only: a near name, or one that ends in the city given.
fn zone_meant(text: &str) -> String {
    let names: Vec<String> = jiff::tz::db().available().map(|name| name.as_str().to_owned()).collect();
    let near = hint(text, names.iter().map(String::as_str));
    if !near.is_empty() {
        return near;
    }
    let city = text.trim().replace(' ', "_");
    let last = |name: &String| name.rsplit('/').next().is_some_and(|part| part.eq_ignore_ascii_case(&city));
    names.iter().find(|name| last(name)).map_or_else(String::new, |name| format!(" (did you mean “{name}”?)"))
}

/// An absolute URI, as FHIR wants a `Coding.system`.
fn is_uri(text: &str) -> bool {
    text.split_once(':').is_some_and(|(scheme, rest)| {
        scheme.starts_with(|c: char| c.is_ascii_alphabetic())
            && scheme.chars().all(|c| c.is_ascii_alphanumeric() || matches!(c, '+' | '.' | '-'))
            && !rest.is_empty()
            && !rest.contains(char::is_whitespace)
    })
}

/// FHIR's `code`: no space at its ends, none but single spaces inside.
fn is_code(text: &str) -> bool {
    text.split(' ').all(|word| !word.is_empty() && !word.contains(char::is_whitespace))
}

/// Digits, a hyphen, a check digit.
fn has_loinc_form(code: &str) -> bool {
    code.split_once('-').is_some_and(|(number, check)| {
        (1..=7).contains(&number.len())
            && check.len() == 1
            && (number.bytes().chain(check.bytes())).all(|b| b.is_ascii_digit())
    })
}

/// Whether a text is a LOINC code with a right check digit (modulus 10, LOINC Users' Guide, from memory).
pub fn is_loinc(code: &str) -> bool {
    let digit = |b: u8| u32::from(b.wrapping_sub(b'0'));
    let sum = |number: &str| -> u32 {
        let doubled = |(i, b): (usize, u8)| match digit(b) * if i.is_multiple_of(2) { 2 } else { 1 } {
            big if big > 9 => big - 9,
            small => small,
        };
        number.bytes().rev().enumerate().map(doubled).sum()
    };
    has_loinc_form(code)
        && code.split_once('-').is_some_and(|(number, check)| {
            check.bytes().next().is_some_and(|b| (sum(number) + digit(b)).is_multiple_of(10))
        })
}

/// Whether a text is a SNOMED CT identifier: 6 to 18 digits, not beginning with 0, with a right check digit
/// (Verhoeff's, over the dihedral group of order 10; SNOMED CT Release File Specification, from memory).
pub fn is_sctid(code: &str) -> bool {
    if !(6..=18).contains(&code.len()) || code.starts_with('0') || !code.bytes().all(|b| b.is_ascii_digit()) {
        return false;
    }
    const TURN: [u8; 10] = [1, 5, 7, 6, 2, 8, 3, 0, 9, 4];
    let times = |a: u8, b: u8| match (a < 5, b < 5) {
        (true, true) => (a + b) % 5,
        (true, false) => 5 + (a + b) % 5,
        (false, true) => 5 + (a + 5 - b) % 5,
        (false, false) => (a + 5 - b) % 5,
    };
    let turned =
        |digit: u8, by: usize| (0..by % 8).fold(digit, |d, _| TURN.get(usize::from(d)).copied().unwrap_or_default());
    code.bytes().rev().enumerate().fold(0, |sum, (i, b)| times(sum, turned(b - b'0', i))) == 0
}
