//! What an institution sets and a caller asks: plain values, no I/O. The rim fills it.

#![cfg_attr(
    not(test),
    deny(
        clippy::unwrap_used,
        clippy::expect_used,
        clippy::panic,
        clippy::unreachable,
        clippy::indexing_slicing,
        clippy::string_slice,
        clippy::float_arithmetic,
        clippy::print_stdout,
        clippy::print_stderr,
        clippy::disallowed_methods,
    )
)]

use crate::exact::Exact;
use crate::intake::order::FhirVersion;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use sha2::{Digest, Sha256};
use std::collections::{BTreeMap, BTreeSet};

/// Where a tube's tip lies, or that the route is not a tube.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Site {
    /// Stomach.
    Gastric,
    /// Duodenum or jejunum.
    PostPyloric,
    /// By mouth: legal in FHIR's value set, not a tube.
    Oral,
    /// A tube, tip not stated.
    Unknown,
    /// Not into the gut at all (intravenous or other).
    NotEnteral,
}

impl Site {
    /// All sites with the words used in settings.
    pub const ALL: [(Self, &'static str); 5] = [
        (Self::Gastric, "gastric"),
        (Self::PostPyloric, "post-pyloric"),
        (Self::Oral, "oral"),
        (Self::Unknown, "unknown"),
        (Self::NotEnteral, "not-enteral"),
    ];

    /// Its word.
    pub fn name(self) -> &'static str {
        Self::ALL.iter().find(|(site, _)| *site == self).map_or("", |(_, name)| name)
    }
}

/// Kinds of patient context that a sender may declare that it sends.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
#[allow(missing_docs, reason = "plain names")]
pub enum ContextKind {
    Labs,
    Allergies,
    Conditions,
    Medicines,
    Devices,
    OtherOrders,
    OtherFluids,
    History,
}

impl ContextKind {
    /// All kinds with the names used in settings and on the command line.
    pub const ALL: [(Self, &'static str); 8] = [
        (Self::Labs, "labs"),
        (Self::Allergies, "allergies"),
        (Self::Conditions, "conditions"),
        (Self::Medicines, "medicines"),
        (Self::Devices, "devices"),
        (Self::OtherOrders, "other-orders"),
        (Self::OtherFluids, "other-fluids"),
        (Self::History, "history"),
    ];
}

/// How a day is cut.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DayKind {
    /// 24 elapsed hours from the start of the feeding day (the default).
    Elapsed,
    /// From the feeding-day hour to the same clock time next day: 23 or 25 h where clocks change.
    Civil,
}

/// What the caller asks for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Asked {
    /// First day wanted, local date; `None`: the day the order starts.
    pub date: Option<Date>,
    /// How many days; `None`: up to the first steady day, at most 14.
    pub days: Option<u8>,
    /// How a day is cut.
    pub kind: DayKind,
    /// The time to reckon ages and staleness from, seconds since the epoch; `None`: the order's own time.
    pub as_of: Option<Exact>,
}

/// What a CDS Hooks client is answered when not one rule could be evaluated.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum NothingChecked {
    /// A card that says so.
    #[default]
    Card,
    /// HTTP status 412.
    Status412,
}

impl NothingChecked {
    /// Both with their words in settings.
    pub const ALL: [(Self, &'static str); 2] = [(Self::Card, "card"), (Self::Status412, "412")];
}

/// What is known of the CDS Hooks client.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Hooks {
    /// FHIR version of its resources, where a request does not say.
    pub fhir: FhirVersion,
    /// Its answer when nothing at all could be evaluated.
    pub nothing_checked: NothingChecked,
}

impl Default for Hooks {
    fn default() -> Self {
        Self { fhir: FhirVersion::R4, nothing_checked: NothingChecked::default() }
    }
}

/// Everything outside the order that the computation rests on, except products.
#[derive(Clone, Debug)]
pub struct Settings {
    /// The institution's time zone.
    pub zone: TimeZone,
    /// Its name as configured, e.g. `Europe/Vienna`.
    pub zone_name: String,
    /// Start of the feeding day, seconds after local midnight.
    pub day_start: u32,
    /// What the caller asks for.
    pub asked: Asked,
    /// Clock times (seconds after local midnight) for event-timing codes (`ACM`, `HS`, …) and for the
    /// timing abbreviations that name a time (`AM`, `PM`, `BED`).
    pub clock: BTreeMap<String, Vec<u32>>,
    /// Route codes `(system, code)` or texts `("", lower-case text)` to sites, beyond the value set's own.
    pub routes: BTreeMap<(String, String), Site>,
    /// LOINC codes read as the current body weight.
    pub weight_codes: BTreeSet<String>,
    /// Kinds of context this sender declares that it sends.
    pub declared: BTreeSet<ContextKind>,
    /// The CDS Hooks client.
    pub hooks: Hooks,
    /// Every answer says that its data is invented.
    pub demo: bool,
    /// Short hash of what the institution set ([`Settings::content_hash`]), reckoned once by whoever builds the
    /// settings; what a caller asks for does not change it. Empty: not reckoned, and left out of answers.
    pub hash: String,
}

impl Settings {
    /// Hash of what an institution sets (zone, feeding day, clock times, routes, weight codes, declared kinds):
    /// the first 16 hexadecimal digits of a SHA-256. What is asked for and the demo mark are not in it.
    pub fn content_hash(&self) -> String {
        // Each part with its length first, so that no two contents look alike.
        let mut hasher = Sha256::new();
        let mut part = |text: &str| {
            hasher.update((text.len() as u64).to_be_bytes());
            hasher.update(text.as_bytes());
        };
        // The first part names the form, so that a change of it changes every hash.
        part("enteral-gate settings 1");
        part(&self.zone_name);
        part(&self.day_start.to_string());
        part("clock");
        for (code, times) in &self.clock {
            let mut times = times.clone();
            times.sort_unstable();
            part(code);
            part(&times.iter().map(u32::to_string).collect::<Vec<_>>().join(" "));
        }
        part("routes");
        for ((system, code), site) in &self.routes {
            part(system);
            part(code);
            part(site.name());
        }
        part("weight-codes");
        for code in &self.weight_codes {
            part(code);
        }
        part("declares");
        for (kind, name) in ContextKind::ALL {
            if self.declared.contains(&kind) {
                part(name);
            }
        }
        // Left out where nothing is set, so that such settings keep their hash.
        if self.hooks != Hooks::default() {
            part("hooks");
            part(self.hooks.fhir.name());
            part(NothingChecked::ALL.iter().find(|(k, _)| *k == self.hooks.nothing_checked).map_or("", |(_, n)| n));
        }
        hasher.finalize().iter().take(8).map(|byte| format!("{byte:02x}")).collect()
    }
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            zone: TimeZone::UTC,
            zone_name: "UTC".to_owned(),
            day_start: 7 * 3600,
            asked: Asked { date: None, days: None, kind: DayKind::Elapsed, as_of: None },
            clock: BTreeMap::new(),
            routes: BTreeMap::new(),
            weight_codes: ["29463-7", "3141-9"].into_iter().map(str::to_owned).collect(),
            declared: BTreeSet::new(),
            hooks: Hooks::default(),
            demo: false,
            hash: String::new(),
        }
    }
}
