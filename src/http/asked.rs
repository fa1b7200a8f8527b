//! What a caller asks for: parameters of the query, of a Parameters resource, or of the command line, put
//! into [`Settings`]. Every value is checked; nothing unknown is passed over.

use super::negotiate::{self, Preferences};
use super::refusal::Refusal;
use crate::appraise::MOST_DAYS;
use crate::exact::Exact;
use crate::settings::{DayKind, Settings};
use axum::extract::Request;
use axum::response::Response;
use http::StatusCode;
use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use serde_json::{Value, json};
use std::borrow::Cow;
use std::collections::BTreeSet;

/// Names that change the day that is worked out, in the order in which they are applied (`as-of` may need
/// the zone).
pub const NAMES: [&str; 6] = ["zone", "day-start", "day-kind", "date", "days", "as-of"];

/// Puts one named value into the settings.
///
/// # Errors
/// A sentence saying what was expected; it does not repeat the value.
pub fn apply(name: &str, value: &str, settings: &mut Settings) -> Result<(), String> {
    match name {
        "zone" => {
            let zone = TimeZone::get(value)
                .map_err(|_| "expected the name of a time zone, such as Europe/Vienna.".to_owned())?;
            settings.zone_name = zone.iana_name().unwrap_or(value).to_owned();
            settings.zone = zone;
        }
        "day-start" => settings.day_start = clock(value).ok_or("expected a clock time HH:MM, such as 07:00.")?,
        "day-kind" => {
            settings.asked.kind = match value {
                "elapsed" => DayKind::Elapsed,
                "civil" => DayKind::Civil,
                _ => return Err("expected elapsed (24 hours) or civil (clock time to clock time).".to_owned()),
            }
        }
        "date" => settings.asked.date = Some(date(value).ok_or("expected a date YYYY-MM-DD.")?),
        "days" => {
            settings.asked.days = match value.parse::<u8>() {
                Ok(n) if (1..=MOST_DAYS).contains(&n) && !value.starts_with('+') => Some(n),
                _ => return Err(format!("expected a whole number from 1 to {MOST_DAYS}.")),
            }
        }
        "as-of" => {
            settings.asked.as_of = Some(
                instant(value, &settings.zone)
                    .ok_or("expected a date YYYY-MM-DD, or a time with its zone such as 2026-11-25T08:00:00+01:00.")?,
            );
        }
        _ => return Err("is not known here.".to_owned()),
    }
    Ok(())
}

/// `HH:MM` or `HH:MM:00`, as seconds after midnight.
pub fn clock(text: &str) -> Option<u32> {
    let text = text.strip_suffix(":00").filter(|t| t.len() == 5).unwrap_or(text);
    let (hours, minutes) = text.split_once(':')?;
    let two =
        |t: &str| (t.len() == 2 && t.bytes().all(|b| b.is_ascii_digit())).then(|| t.parse::<u32>().ok()).flatten();
    let (hours, minutes) = (two(hours)?, two(minutes)?);
    (hours < 24 && minutes < 60).then_some(hours * 3_600 + minutes * 60)
}

fn date(text: &str) -> Option<Date> {
    if text.len() != 10 { None } else { text.parse().ok() }
}

fn instant(text: &str, zone: &TimeZone) -> Option<Exact> {
    let at = if let Some(day) = date(text) {
        zone.to_timestamp(day.at(0, 0, 0, 0)).ok()?
    } else if text.as_bytes().get(10) == Some(&b'T') && !text.contains('[') {
        text.parse::<Timestamp>().ok()?
    } else {
        return None;
    };
    Exact::whole(at.as_nanosecond())?.div(Exact::int(1_000_000_000))
}

/// The query of an operation.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Query {
    /// `_pretty=true`
    pub pretty: bool,
    /// `_format`
    pub format: Option<String>,
    /// `mode` of `$validate`.
    pub mode: Option<String>,
    /// `profile` of `$validate`.
    pub profile: Option<String>,
    /// Values of [`NAMES`], as given.
    pub asked: Vec<(&'static str, String)>,
    /// The id in the address, for an operation on one order.
    pub instance: Option<String>,
    /// `Prefer: handling=lenient`: what is not known is passed over, and named.
    pub lenient: bool,
    /// Names that were.
    pub passed_over: Vec<String>,
}

/// What an interaction takes from its query, beside `_format` and `_pretty`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Takes {
    /// Those of [`NAMES`], `mode` and `profile`: `$validate`.
    Validation,
    /// Those of [`NAMES`]: `$appraise`.
    Appraisal,
    /// Nothing; those of [`NAMES`] belong to its entries.
    Batch,
    /// These, which are read elsewhere.
    Only(&'static [&'static str]),
}

impl Takes {
    fn validates(self) -> bool {
        self == Takes::Validation
    }

    fn of_the_day(self) -> bool {
        matches!(self, Takes::Validation | Takes::Appraisal)
    }

    /// The names that it knows, for people.
    fn known(self) -> String {
        let mut names: Vec<&str> = match self {
            Takes::Validation => NAMES.into_iter().chain(["mode", "profile"]).collect(),
            Takes::Appraisal => NAMES.to_vec(),
            Takes::Batch => Vec::new(),
            Takes::Only(names) => names.to_vec(),
        };
        names.extend(["_format", "_pretty"]);
        let resource = if self.of_the_day() { "; in Parameters resource as well" } else { "" };
        format!("{}{resource}", names.join(", "))
    }
}

/// Names that are passed over; one more is refused, so that an answer cannot be filled with them.
const PASSED_OVER: usize = 20;

impl Query {
    /// Reads a query string.
    ///
    /// # Errors
    /// An unknown, repeated or badly encoded parameter.
    pub fn read(query: Option<&str>, takes: Takes) -> Result<Self, Refusal> {
        Self::default().with(query, takes)
    }

    /// The same, added to what is known already.
    ///
    /// # Errors
    /// As [`Query::read`].
    pub fn with(self, query: Option<&str>, takes: Takes) -> Result<Self, Refusal> {
        let mut out = self;
        for pair in pairs(query) {
            let (name, value) = pair?;
            out.set(&name, value, takes)?;
        }
        Ok(out)
    }

    /// One parameter, from wherever it came.
    ///
    /// # Errors
    /// An unknown or repeated parameter.
    pub fn set(&mut self, name: &str, value: String, takes: Takes) -> Result<(), Refusal> {
        let bad = |what: &str| Err(Refusal::Parameter(shown(name), what.to_owned()));
        match name {
            "_pretty" => match value.as_str() {
                "true" => self.pretty = true,
                "false" => self.pretty = false,
                _ => return bad("expected true or false."),
            },
            "_format" => {
                if self.format.replace(value).is_some() {
                    return bad("is given more than once.");
                }
            }
            "mode" | "profile" if takes.validates() => {
                let slot = if name == "mode" { &mut self.mode } else { &mut self.profile };
                if slot.replace(value).is_some() {
                    return bad("is given more than once.");
                }
            }
            _ => {
                if matches!(takes, Takes::Only(names) if names.contains(&name)) {
                    return Ok(());
                }
                if takes == Takes::Batch && NAMES.contains(&name) {
                    return bad("belongs into the request.url of an entry, not into the address of the batch.");
                }
                let of_the_day = NAMES.into_iter().find(|known| takes.of_the_day() && *known == name);
                if let Some(known) = of_the_day {
                    if self.asked.iter().any(|(n, _)| *n == known) {
                        return bad("is given more than once.");
                    }
                    self.asked.push((known, value));
                } else if !name.starts_with("x-") && !matches!(name, "_summary" | "_elements") && !self.pass_over(name)
                {
                    return bad(&format!("is not known here; known are {}.", takes.known()));
                }
            }
        }
        Ok(())
    }

    /// Whether a parameter means something here.
    pub fn knows(&self, name: &str, takes: Takes) -> bool {
        takes.of_the_day() && NAMES.contains(&name)
            || takes.validates() && matches!(name, "mode" | "profile")
            || matches!(name, "_pretty" | "_format" | "_summary" | "_elements")
    }

    /// Passes over a parameter, if that was asked for.
    pub fn pass_over(&mut self, name: &str) -> bool {
        let room = self.lenient && self.passed_over.len() < PASSED_OVER;
        if room {
            self.passed_over.push(shown(name));
        }
        room
    }

    /// The institution's settings with what is asked put in.
    ///
    /// # Errors
    /// A value that cannot be used.
    pub fn settings<'s>(&self, institution: &'s Settings) -> Result<Cow<'s, Settings>, Refusal> {
        if self.asked.is_empty() {
            return Ok(Cow::Borrowed(institution));
        }
        let mut settings = institution.clone();
        for name in NAMES {
            if let Some((_, value)) = self.asked.iter().find(|(n, _)| *n == name) {
                // A `+` in a query arrives as a space; no time has a space in that place.
                let value = if name == "as-of" { value.replace(' ', "+") } else { value.clone() };
                apply(name, &value, &mut settings).map_err(|what| Refusal::Parameter(name.to_owned(), what))?;
            }
        }
        Ok(Cow::Owned(settings))
    }
}

/// A name that a caller made up, cut and cleaned so that it can be repeated to them.
pub fn shown(name: &str) -> String {
    name.chars()
        .take(40)
        .map(|c| if c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.') { c } else { '?' })
        .collect()
}

/// What a search says beside its own parameters; the same rules for every search.
#[derive(Debug, Default)]
pub(super) struct Search {
    /// `_format`
    pub(super) format: Option<String>,
    /// `_pretty=true`
    pub(super) pretty: bool,
    /// What `Prefer` asks for.
    pub(super) preferences: Preferences,
    /// Names that are not known, where `handling=lenient` asks that they are passed over.
    passed_over: Vec<String>,
}

impl Search {
    /// Reads the query of a search. `take` is given each name and value but those of every search, and says whether it knows
    /// the name; `known` are those that it does, for people. FHIR: a name that stands twice asks for both. Of those in
    /// `spans`, which are bounds of a time, that is read, of nothing else.
    ///
    /// # Errors
    /// What `take` refuses; a name that is not known, stands twice, or is badly encoded.
    pub(super) fn read(
        request: &Request,
        known: &[&str],
        spans: &[&str],
        mut take: impl FnMut(String, String) -> Result<bool, Refusal>,
    ) -> Result<Self, Refusal> {
        let mut out = Self { preferences: Preferences::read(request.headers()), ..Self::default() };
        let mut seen = BTreeSet::new();
        for pair in pairs(request.uri().query()) {
            let (name, value) = pair?;
            let bad = |what: String| Err(Refusal::Parameter(named(&name), what));
            if !spans.contains(&name.as_str()) && !seen.insert(name.clone()) {
                return bad("stands twice; several values are separated by commas.".to_owned());
            }
            if name == "_pretty" {
                out.pretty = match value.as_str() {
                    "true" => true,
                    "false" => false,
                    _ => return bad("expected true or false.".to_owned()),
                };
            } else if name == "_format" {
                out.format = Some(value);
            } else if take(name.clone(), value)? {
                // Its own.
            } else if out.preferences.lenient == Some(true) && out.passed_over.len() < PASSED_OVER {
                out.passed_over.push(named(&name));
            } else {
                return bad(format!("is not known here; known are {}, _format, _pretty.", known.join(", ")));
            }
        }
        Ok(out)
    }

    /// The entry of a Bundle that names what was passed over.
    pub(super) fn entry(&self) -> Option<Value> {
        let issue = |name: &String| {
            let text = format!("Parameter {name}: is not known here and was passed over, as handling=lenient asks.");
            json!({ "severity": "warning", "code": "not-supported", "details": { "text": text } })
        };
        let issues: Vec<Value> = self.passed_over.iter().map(issue).collect();
        let outcome = json!({ "resourceType": "OperationOutcome", "issue": issues });
        (!issues.is_empty()).then(|| json!({ "resource": outcome, "search": { "mode": "outcome" } }))
    }

    /// The answer to the search.
    pub(super) fn answered(&self, bundle: &Value) -> Response {
        let mut response = negotiate::fhir(StatusCode::OK, bundle.to_string(), self.pretty);
        if let Some(applied) = self.preferences.applied(false) {
            response.headers_mut().insert("preference-applied", applied);
        }
        response
    }
}

/// A search parameter's name as it may be said back, with its modifier.
fn named(name: &str) -> String {
    name.chars().take(40).filter(|c| c.is_ascii_alphanumeric() || "-_:.".contains(*c)).collect()
}

/// Names and values of a query.
///
/// Each is an error where it is badly encoded.
pub(super) fn pairs(query: Option<&str>) -> impl Iterator<Item = Result<(String, String), Refusal>> {
    let pairs = query.unwrap_or("").split('&').filter(|pair| !pair.is_empty());
    pairs.map(|pair| {
        let (name, value) = pair.split_once('=').unwrap_or((pair, ""));
        let undecodable =
            || Refusal::Parameter("of the query".to_owned(), "is not valid percent-encoded UTF-8.".to_owned());
        Ok((decoded(name).ok_or_else(undecodable)?, decoded(value).ok_or_else(undecodable)?))
    })
}

/// `application/x-www-form-urlencoded` text; `None` when an escape is broken or the result is not UTF-8.
fn decoded(text: &str) -> Option<String> {
    let mut out = Vec::with_capacity(text.len());
    let mut bytes = text.bytes();
    while let Some(byte) = bytes.next() {
        out.push(match byte {
            b'+' => b' ',
            b'%' => {
                let digit = |b: u8| char::from(b).to_digit(16);
                let (high, low) = (digit(bytes.next()?)?, digit(bytes.next()?)?);
                u8::try_from(high * 16 + low).ok()?
            }
            byte => byte,
        });
    }
    String::from_utf8(out).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_are_taken_or_named() {
        let mut settings = Settings::default();
        for (name, good, bad) in [
            ("zone", "Europe/Vienna", "Europe/Nowhere"),
            ("day-start", "06:30", "6:30"),
            ("day-start", "00:00", "24:00"),
            ("day-kind", "civil", "calendar"),
            ("date", "2026-11-25", "2026-11-31"),
            ("date", "2028-02-29", "25.11.2026"),
            ("days", "14", "15"),
            ("days", "1", "0"),
            ("as-of", "2026-11-25T08:00:00+01:00", "2026-11-25T08:00:00"),
            ("as-of", "2026-11-25", "yesterday"),
        ] {
            assert_eq!(apply(name, good, &mut settings), Ok(()), "{name} {good}");
            assert!(apply(name, bad, &mut settings.clone()).is_err(), "{name} {bad}");
        }
        // Local midnight in Vienna is 23:00 the day before in UTC.
        assert_eq!(settings.asked.as_of, Exact::whole(1_795_561_200));
        assert_eq!(settings.zone_name, "Europe/Vienna");
        assert_eq!(settings.day_start, 0);
    }

    #[test]
    fn a_plus_in_a_time_survives_the_query() {
        let query = Query::read(
            Some("as-of=2026-11-25T08:00:00+01:00&_pretty=true&_format=application/fhir+json"),
            Takes::Appraisal,
        )
        .unwrap();
        assert!(query.pretty);
        assert_eq!(query.format.as_deref(), Some("application/fhir json"));
        let institution = Settings::default();
        let settings = query.settings(&institution).unwrap();
        assert_eq!(settings.asked.as_of, Exact::whole(1_795_590_000));
    }

    #[test]
    fn unknown_repeated_and_broken_parameters_are_refused() {
        for query in
            ["dat=2026-11-25", "date=2026-11-25&date=2026-11-26", "date=%zz", "date=%ff", "mode=create", "_pretty=yes"]
        {
            assert!(Query::read(Some(query), Takes::Appraisal).is_err(), "{query}");
        }
        assert!(Query::read(Some("mode=create&profile=x"), Takes::Validation).is_ok());
    }

    #[test]
    fn a_refusal_names_what_is_known_in_that_place() {
        let day = "zone, day-start, day-kind, date, days, as-of";
        for (takes, known) in [
            (Takes::Validation, format!("{day}, mode, profile, _format, _pretty; in Parameters resource as well")),
            (Takes::Appraisal, format!("{day}, _format, _pretty; in Parameters resource as well")),
            (Takes::Batch, "_format, _pretty".to_owned()),
            (Takes::Only(&[]), "_format, _pretty".to_owned()),
            (Takes::Only(&["mode"]), "mode, _format, _pretty".to_owned()),
        ] {
            let said = Query::read(Some("foo=1"), takes).unwrap_err();
            let expected = Refusal::Parameter("foo".to_owned(), format!("is not known here; known are {known}."));
            assert_eq!(format!("{said:?}"), format!("{expected:?}"));
            // What means something elsewhere only is not passed over.
            let day = Query::read(Some("zone=Europe/Vienna"), takes);
            assert_eq!(day.is_ok(), matches!(takes, Takes::Validation | Takes::Appraisal), "{takes:?}");
        }
        assert!(Query::read(Some("mode=full"), Takes::Only(&["mode"])).is_ok());
    }
}
