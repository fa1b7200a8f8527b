//! The institution's settings file (TOML): time zone, feeding day, clock times of timing codes, routes.
//! `docs/configure.md` describes it, `schemas/settings.schema.json` lets editors complete it.

use crate::http::asked;
use crate::settings::{ContextKind, Settings, Site};
use serde::Deserialize;
use std::collections::BTreeMap;
use std::fmt;
use std::path::Path;
use toml::Spanned;

/// Timing codes that may be given clock times: FHIR's event timing, HL7's TimingEvent, and the abbreviations
/// that say so many times a day.
pub const CODES: &[&str] = &[
    "MORN",
    "MORN.early",
    "MORN.late",
    "NOON",
    "AFT",
    "AFT.early",
    "AFT.late",
    "EVE",
    "EVE.early",
    "EVE.late",
    "NIGHT",
    "PHS",
    "IMD",
    "HS",
    "WAKE",
    "C",
    "CM",
    "CD",
    "CV",
    "AC",
    "ACM",
    "ACD",
    "ACV",
    "PC",
    "PCM",
    "PCD",
    "PCV",
    "QD",
    "AM",
    "PM",
    "BED",
    "BID",
    "TID",
    "QID",
    "QOD",
];

/// Words for where a tube ends.
pub const SITES: &[(&str, Site)] = &[
    ("gastric", Site::Gastric),
    ("post-pyloric", Site::PostPyloric),
    ("oral", Site::Oral),
    ("unknown", Site::Unknown),
    ("not-enteral", Site::NotEnteral),
];

#[derive(Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
struct File {
    zone: Option<Spanned<String>>,
    day_start: Option<Spanned<String>>,
    #[serde(default)]
    declares: Vec<Spanned<String>>,
    weight_codes: Option<Vec<Spanned<String>>>,
    #[serde(default)]
    clock: BTreeMap<String, Spanned<Vec<Spanned<String>>>>,
    #[serde(default)]
    routes: Vec<Spanned<Route>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Route {
    system: Option<String>,
    code: Option<String>,
    text: Option<String>,
    site: Spanned<String>,
}

/// One thing wrong with a settings file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SettingsProblem {
    /// File.
    pub file: String,
    /// Line and column, from 1.
    pub at: (usize, usize),
    /// What was found and what was expected.
    pub text: String,
}

impl fmt::Display for SettingsProblem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}:{}: {}", self.file, self.at.0, self.at.1, self.text)
    }
}

/// Reads a settings file over what is set already.
///
/// # Errors
/// Every problem of the file with its place; of a file that is not TOML, or has an unknown key, the first.
pub fn read(name: &str, text: &str, settings: &mut Settings) -> Result<(), Vec<SettingsProblem>> {
    let place = |offset: usize| {
        let before = text.get(..offset).unwrap_or(text);
        let line = before.matches('\n').count() + 1;
        (line, before.rsplit('\n').next().unwrap_or("").chars().count() + 1)
    };
    let mut problems = Vec::new();
    let problem = |offset: usize, text: String| SettingsProblem { file: name.to_owned(), at: place(offset), text };
    let file: File = match toml::from_str(text) {
        Ok(file) => file,
        Err(e) => return Err(vec![problem(e.span().map_or(0, |s| s.start), e.message().to_owned())]),
    };
    for (key, value) in [("zone", &file.zone), ("day-start", &file.day_start)] {
        if let Some(value) = value
            && let Err(what) = asked::apply(key, value.get_ref(), settings)
        {
            problems.push(problem(value.span().start, format!("{key}: {}", what.trim_end_matches('.'))));
        }
    }
    for kind in &file.declares {
        match ContextKind::ALL.into_iter().find(|(_, known)| known == kind.get_ref()) {
            Some((found, _)) => {
                settings.declared.insert(found);
            }
            None => {
                let known: Vec<_> = ContextKind::ALL.iter().map(|(_, n)| *n).collect();
                problems.push(problem(
                    kind.span().start,
                    format!("declares: {:?} is not known; known are {}", kind.get_ref(), known.join(", ")),
                ));
            }
        }
    }
    if let Some(codes) = &file.weight_codes {
        if codes.is_empty() {
            problems.push(problem(0, "weight-codes: expected at least one LOINC code".to_owned()));
        }
        settings.weight_codes = codes.iter().map(|c| c.get_ref().clone()).collect();
    }
    for (code, times) in &file.clock {
        if !CODES.contains(&code.as_str()) {
            problems.push(problem(
                times.span().start,
                format!("clock: {code:?} is no timing code; known are {}", CODES.join(", ")),
            ));
            continue;
        }
        let mut seconds = Vec::new();
        for time in times.get_ref() {
            match asked::clock(time.get_ref()) {
                Some(s) if seconds.contains(&s) => {
                    problems.push(problem(time.span().start, format!("clock.{code}: {} stands twice", time.get_ref())))
                }
                Some(s) => seconds.push(s),
                None => problems.push(problem(
                    time.span().start,
                    format!("clock.{code}: expected HH:MM, such as 07:00, found {:?}", time.get_ref()),
                )),
            }
        }
        if times.get_ref().is_empty() {
            problems.push(problem(times.span().start, format!("clock.{code}: expected at least one time")));
        }
        settings.clock.insert(code.clone(), seconds);
    }
    let mut seen = BTreeMap::new();
    for route in &file.routes {
        let r = route.get_ref();
        let at = route.span().start;
        let key = match (&r.system, &r.code, &r.text) {
            (Some(system), Some(code), None) => (system.clone(), code.clone()),
            (None, None, Some(text)) => (String::new(), text.trim().to_lowercase()),
            _ => {
                problems.push(problem(at, "routes: expected system and code, or text".to_owned()));
                continue;
            }
        };
        let Some((_, site)) = SITES.iter().find(|(word, _)| *word == r.site.get_ref()) else {
            let words: Vec<_> = SITES.iter().map(|(w, _)| *w).collect();
            problems.push(problem(
                r.site.span().start,
                format!("routes: {:?} is no site; expected {}", r.site.get_ref(), words.join(", ")),
            ));
            continue;
        };
        if seen.insert(key.clone(), at).is_some() {
            problems.push(problem(at, "routes: this route stands twice".to_owned()));
        }
        settings.routes.insert(key, *site);
    }
    if problems.is_empty() { Ok(()) } else { Err(problems) }
}

/// Reads a settings file from disk over what is set already.
///
/// # Errors
/// All problems, one on a line.
pub fn load(path: &Path, settings: &mut Settings) -> Result<(), String> {
    let name = path.display().to_string();
    let text = std::fs::read_to_string(path).map_err(|e| format!("{name}: {e}"))?;
    read(&name, &text, settings)
        .map_err(|problems| problems.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))
}
