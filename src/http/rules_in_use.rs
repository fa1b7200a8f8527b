//! The rulebook in use, which may be put in another's place while requests run, and what is known about it:
//! since when, whether its own examples still hold, and whether the files on disk could be taken.

use super::trail::Trail;
use crate::rulebook::Rulebook;
use crate::rulebook::lapse::lapses;
use jiff::Timestamp;
use std::fmt::Write;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, OnceLock, PoisonError, RwLock};

/// What a rehearsal of a rulebook's own examples came to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Rehearsal {
    /// When it was done.
    pub at: Timestamp,
    /// How many examples were run.
    pub examples: usize,
    /// Ids of the rules whose examples did not come out as expected, each once.
    pub failing: Vec<String>,
    /// Ids of the limits that have no such example: whether they still fire is not known.
    pub without: Vec<String>,
    /// What went wrong, a sentence for each example.
    pub problems: Vec<String>,
}

/// Rulebook files that could not be taken.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NotTaken {
    /// Since when the files on disk are not those in use.
    pub since: Timestamp,
    /// Every problem, with file and line. Never empty.
    pub problems: Vec<String>,
}

/// What is known of the rules in use.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Told {
    /// When they were put in place.
    pub loaded: Option<Timestamp>,
    /// Their last rehearsal.
    pub rehearsal: Option<Rehearsal>,
    /// Files that could not be taken.
    pub not_taken: Option<NotTaken>,
}

#[derive(Clone, Debug, Default)]
struct Known {
    loaded: Option<Timestamp>,
    rehearsal: Option<Rehearsal>,
    not_taken: Option<NotTaken>,
}

/// The rules in use. Requests take a snapshot and keep it; a reload puts another book in place.
#[derive(Default)]
pub struct RulesInUse {
    book: RwLock<Arc<Rulebook>>,
    known: Mutex<Known>,
    taken: AtomicU64,
    refused: AtomicU64,
    trail: OnceLock<Arc<Trail>>,
}

impl RulesInUse {
    /// Rules that were never reloaded.
    pub fn new(book: Rulebook, rehearsal: Option<Rehearsal>) -> Self {
        let loaded = Some(Timestamp::now());
        Self {
            book: RwLock::new(Arc::new(book)),
            known: Mutex::new(Known { loaded, rehearsal, not_taken: None }),
            ..Self::default()
        }
    }

    /// A book that nobody replaces.
    pub fn fixed(book: Arc<Rulebook>) -> Self {
        Self { book: RwLock::new(book), ..Self::default() }
    }

    /// Changes of the rules are kept in this trail from now on.
    pub fn keep_in(&self, trail: Arc<Trail>) {
        let _ = self.trail.set(trail);
    }

    /// The book as it is now; it stays what it is for whoever holds it.
    pub fn snapshot(&self) -> Arc<Rulebook> {
        self.book.read().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Puts a book in place, at once for every request that begins after.
    pub fn take(&self, book: Rulebook, rehearsal: Rehearsal) {
        if let Some(trail) = self.trail.get() {
            trail.own("rules-reload", "taken", &[("rulebook", &book.hash), ("before", &self.snapshot().hash)]);
        }
        let mut known = self.known();
        *self.book.write().unwrap_or_else(PoisonError::into_inner) = Arc::new(book);
        *known = Known { loaded: Some(Timestamp::now()), rehearsal: Some(rehearsal), not_taken: None };
        self.taken.fetch_add(1, Ordering::Relaxed);
    }

    /// Keeps the book and remembers why the files on disk were not taken.
    pub fn refuse(&self, problems: Vec<String>) {
        if let Some(trail) = self.trail.get() {
            trail.own("rules-reload", "refused", &[("rulebook", &self.snapshot().hash)]);
        }
        let mut known = self.known();
        // A file that is edited from wrong to wrong is out of use since the first of them.
        let since = known.not_taken.as_ref().map_or_else(Timestamp::now, |before| before.since);
        known.not_taken = Some(NotTaken { since, problems });
        self.refused.fetch_add(1, Ordering::Relaxed);
    }

    /// Remembers what a rehearsal of the book in use came to.
    pub fn rehearsed(&self, rehearsal: Rehearsal) {
        self.known().rehearsal = Some(rehearsal);
    }

    /// When the book was loaded and rehearsed, and what of the files on disk was not taken.
    pub fn told(&self) -> Told {
        let Known { loaded, rehearsal, not_taken } = self.known().clone();
        Told { loaded, rehearsal, not_taken }
    }

    fn known(&self) -> MutexGuard<'_, Known> {
        self.known.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// For `/readyz`: the rules, and why they must not be relied on.
    ///
    /// # Errors
    /// The same lines under the ids of the rules whose examples fail.
    pub fn ready(&self) -> Result<String, String> {
        let (known, book) = {
            let known = self.known();
            (known.clone(), self.snapshot())
        };
        let mut lines = String::new();
        if book.hash.is_empty() {
            lines.push_str("rulebook: none\n");
        } else {
            let limits = book.limits.len();
            let _ = writeln!(
                lines,
                "rulebook: {}, label {:?}, edition {:?}, {limits} limits",
                book.hash, book.label, book.edition
            );
        }
        if let Some(at) = known.loaded {
            let _ = writeln!(lines, "loaded: {at:.0}");
        }
        let today = jiff::tz::TimeZone::UTC.to_datetime(Timestamp::now()).date();
        for lapse in lapses(&book, today) {
            let _ = writeln!(lines, "note: {}", one_line(&lapse));
        }
        if let Some(Rehearsal { without, .. }) = known.rehearsal.as_ref().filter(|r| !r.without.is_empty()) {
            let _ = writeln!(lines, "limits without examples, not rehearsed: {}", without.join(", "));
        }
        match &known.rehearsal {
            None => lines.push_str("rehearsed: never\n"),
            Some(Rehearsal { at, examples, failing, .. }) if failing.is_empty() => {
                let _ = writeln!(lines, "rehearsed: {at:.0}, {examples} examples as expected");
            }
            Some(Rehearsal { at, problems, .. }) => {
                let _ = writeln!(lines, "rehearsed: {at:.0}, not as expected: {}", one_line(&problems.join("; ")));
            }
        }
        if let Some(NotTaken { since, problems }) = &known.not_taken {
            let first = problems.first().map_or("", String::as_str);
            let _ = writeln!(
                lines,
                "rulebook on disk: NOT in use since {since:.0}, {} problems, the first: {}",
                problems.len(),
                one_line(first)
            );
        }
        match known.rehearsal {
            Some(Rehearsal { failing, .. }) if !failing.is_empty() => {
                Err(format!("rules that fail their own examples: {}\n{}", failing.join(", "), lines.trim_end()))
            }
            _ => Ok(lines.trim_end().to_owned()),
        }
    }

    /// In Prometheus text format.
    pub fn metrics(&self, out: &mut String) {
        let (known, book) = {
            let known = self.known();
            (known.clone(), self.snapshot())
        };
        let rehearsed = known.rehearsal.as_ref();
        let failing = rehearsed.map_or(0, |r| r.failing.len());
        let without = rehearsed.map_or(0, |r| r.without.len());
        let seconds = |at: Option<Timestamp>| at.map_or(0, Timestamp::as_second);
        let _ = write!(
            out,
            "# HELP enteral_gate_rulebook_info The rulebook in use.\n\
             # TYPE enteral_gate_rulebook_info gauge\n\
             enteral_gate_rulebook_info{{hash=\"{}\",label=\"{}\",edition=\"{}\"}} 1\n\
             # HELP enteral_gate_rulebook_limits Limits of the rulebook in use.\n\
             # TYPE enteral_gate_rulebook_limits gauge\n\
             enteral_gate_rulebook_limits {}\n\
             # HELP enteral_gate_rulebook_loaded_timestamp_seconds When the rulebook in use was loaded.\n\
             # TYPE enteral_gate_rulebook_loaded_timestamp_seconds gauge\n\
             enteral_gate_rulebook_loaded_timestamp_seconds {}\n\
             # HELP enteral_gate_rulebook_reloads_total Rulebook files read again since the start.\n\
             # TYPE enteral_gate_rulebook_reloads_total counter\n\
             enteral_gate_rulebook_reloads_total{{result=\"taken\"}} {}\n\
             enteral_gate_rulebook_reloads_total{{result=\"refused\"}} {}\n\
             # HELP enteral_gate_rulebook_stale Whether the files on disk could not be taken and older rules are in use.\n\
             # TYPE enteral_gate_rulebook_stale gauge\n\
             enteral_gate_rulebook_stale {}\n\
             # HELP enteral_gate_rehearsal_success Whether the own tests of the rules in use, of all kinds, came out as expected at the last rehearsal.\n\
             # TYPE enteral_gate_rehearsal_success gauge\n\
             enteral_gate_rehearsal_success {}\n\
             # HELP enteral_gate_rehearsal_timestamp_seconds When the rules in use were last rehearsed; 0 is never.\n\
             # TYPE enteral_gate_rehearsal_timestamp_seconds gauge\n\
             enteral_gate_rehearsal_timestamp_seconds {}\n\
             # HELP enteral_gate_rehearsal_failing_rules Rules in use of which a test did not come out as expected.\n\
             # TYPE enteral_gate_rehearsal_failing_rules gauge\n\
             enteral_gate_rehearsal_failing_rules {failing}\n\
             # HELP enteral_gate_rehearsal_unrehearsed_rules Limits in use that have no test to rehearse.\n\
             # TYPE enteral_gate_rehearsal_unrehearsed_rules gauge\n\
             enteral_gate_rehearsal_unrehearsed_rules {without}\n",
            label_value(&book.hash),
            label_value(&book.label),
            label_value(&book.edition),
            book.limits.len(),
            seconds(known.loaded),
            self.taken.load(Ordering::Relaxed),
            self.refused.load(Ordering::Relaxed),
            u8::from(known.not_taken.is_some()),
            u8::from(rehearsed.is_some_and(|r| r.failing.is_empty())),
            seconds(rehearsed.map(|r| r.at)),
        );
    }
}

/// Text of others on the one line it is given.
pub(super) fn one_line(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// The value of a label as the text format escapes it.
fn label_value(text: &str) -> String {
    text.replace('\\', "\\\\").replace('"', "\\\"").replace('\n', "\\n")
}
