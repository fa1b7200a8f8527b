//! An entry as one line of JSON: `{"entry":{…},"hash":"…","previous":"…"}`.
//!
//! A line is read only in the form in which it is written, to the byte: what reads the same and is written otherwise was
//! not written here.

use super::chain::{Chain, Entry, Hash, LARGEST, Time, canonical, format};
use super::{Event, On, Outcome, Versions, Who, Word};
use serde::Deserialize;
use std::fmt;

/// Bytes of a line. What is longer is no entry.
pub const LONGEST: usize = 16 << 10;

/// Why a line is no entry. Never repeats what is in it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct NoEntry(&'static str);

impl fmt::Display for NoEntry {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.0)
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Line {
    entry: Body,
    hash: Hash,
    previous: Hash,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Body {
    action: Word,
    format: u8,
    on: On,
    outcome: Outcome,
    sequence: u64,
    time: Time,
    versions: Versions,
    who: Who,
}

/// The line, without its end.
pub fn render(entry: &Entry) -> Vec<u8> {
    around(&canonical(entry.sequence, &entry.event), entry)
}

/// An event sealed as the next entry of a chain, with its line.
pub fn seal(chain: &Chain, event: Event) -> (Entry, Vec<u8>) {
    let (entry, text) = chain.seal_with_text(event);
    let line = around(&text, &entry);
    (entry, line)
}

fn around(text: &[u8], entry: &Entry) -> Vec<u8> {
    let mut out = Vec::with_capacity(text.len() + 192);
    out.extend(br#"{"entry":"#);
    out.extend(text);
    out.extend(format!(r#","hash":"{}","previous":"{}"}}"#, entry.hash, entry.previous).into_bytes());
    out
}

/// Reads a line without its end. Whether the entry belongs where it is, [`super::chain::Chain`] says.
///
/// # Errors
/// When it is no entry of this form.
pub fn read(line: &[u8]) -> Result<Entry, NoEntry> {
    if line.len() > LONGEST {
        return Err(NoEntry("is longer than an entry can be"));
    }
    let Line { entry, hash, previous } =
        serde_json::from_slice(line).map_err(|_| NoEntry("is no entry: it is cut off or was changed"))?;
    if entry.sequence == 0 || entry.sequence > LARGEST {
        return Err(NoEntry("has a number that no entry has"));
    }
    let Body { action, format: written, on, outcome, sequence, time, versions, who } = entry;
    let event = Event { time: time.0, who, action, on, outcome, versions };
    if written != format(&event) {
        return Err(NoEntry("is an entry of a form that this version does not read"));
    }
    let entry = Entry { sequence, event, previous, hash };
    if render(&entry) != line {
        return Err(NoEntry("was changed: it is not written as entries are"));
    }
    Ok(entry)
}
