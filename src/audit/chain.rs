//! Places in the sequence, and the hash that ties each entry to the one before it.
//!
//! `hash = SHA-256(previous hash, 32 bytes, then the canonical bytes of the entry)`; the hash before the first is 32
//! zero bytes. SHA-256 is FIPS 180-4. The canonical bytes are JSON as RFC 8785 (JCS) has it.

use super::{Event, On, Outcome, Versions, Who, Word};
use data_encoding::HEXLOWER;
use jiff::Timestamp;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use sha2::{Digest, Sha256};
use std::fmt;
use std::str::FromStr;

/// The form of entries; it is part of every entry and so of every hash. What shows several items has the later one, which
/// earlier programs do not read.
const FORMATS: (u8, u8) = (1, 2);

/// The form in which an event is written.
pub fn format(event: &Event) -> u8 {
    let (plain, listed) = FORMATS;
    if event.on.items.is_empty() && event.on.asked.is_empty() { plain } else { listed }
}

/// The largest number in an entry: beyond it not every reader of JSON keeps all digits.
pub const LARGEST: u64 = (1 << 53) - 1;

/// A SHA-256 hash; written as 64 hexadecimal digits.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Default)]
pub struct Hash([u8; 32]);

impl Hash {
    /// What comes before the first entry.
    pub const ZERO: Self = Self([0; 32]);

    /// The hash of some content.
    pub fn of(content: &[u8]) -> Self {
        Self(Sha256::digest(content).into())
    }

    /// The same of what was fed to `hasher`.
    pub(super) fn finished(hasher: Sha256) -> Self {
        Self(hasher.finalize().into())
    }

    /// As bytes.
    pub fn bytes(&self) -> &[u8; 32] {
        &self.0
    }
}

impl fmt::Display for Hash {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        HEXLOWER.encode_write(&self.0, f)
    }
}

impl fmt::Debug for Hash {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

impl FromStr for Hash {
    type Err = &'static str;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        const WHY: &str = "a hash is 64 hexadecimal digits in small letters";
        if text.len() != 64 || !text.bytes().all(|b| b.is_ascii_digit() || matches!(b, b'a'..=b'f')) {
            return Err(WHY);
        }
        let mut out = [0; 32];
        for (to, from) in out.iter_mut().zip(text.as_bytes().chunks(2)) {
            let digits = std::str::from_utf8(from).map_err(|_| WHY)?;
            *to = u8::from_str_radix(digits, 16).map_err(|_| WHY)?;
        }
        Ok(Self(out))
    }
}

impl Serialize for Hash {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Hash {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        String::deserialize(from)?.parse().map_err(serde::de::Error::custom)
    }
}

/// An event in its place.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Entry {
    /// Its number; the first is 1.
    pub sequence: u64,
    /// What happened.
    pub event: Event,
    /// The hash of the entry before.
    pub previous: Hash,
    /// Its own.
    pub hash: Hash,
}

/// Members in the order of RFC 8785: by their names.
#[derive(Serialize)]
struct Canonical<'e> {
    action: &'e Word,
    format: u8,
    on: &'e On,
    outcome: &'e Outcome,
    sequence: u64,
    time: Time,
    versions: &'e Versions,
    who: &'e Who,
}

/// A time in UTC to the microsecond, always with six digits after the point.
#[derive(Clone, Copy)]
pub(super) struct Time(pub(super) Timestamp);

impl Serialize for Time {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.collect_str(&format_args!("{:.6}", self.0))
    }
}

impl<'de> Deserialize<'de> for Time {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        let text = String::deserialize(from)?;
        text.parse().map(Self).map_err(|_| serde::de::Error::custom("the time is no time"))
    }
}

/// The canonical bytes: what is hashed, after the hash before it.
pub fn canonical(sequence: u64, event: &Event) -> Vec<u8> {
    let format = format(event);
    let Event { time, who, action, on, outcome, versions } = event;
    let canonical = Canonical { action, format, on, outcome, sequence, time: Time(*time), versions, who };
    // Texts, numbers and a map of texts cannot fail to serialise.
    serde_json::to_vec(&canonical).unwrap_or_default()
}

impl Entry {
    /// What its hash has to be.
    pub fn expected_hash(&self) -> Hash {
        linked(&self.previous, &canonical(self.sequence, &self.event))
    }
}

fn linked(previous: &Hash, canonical: &[u8]) -> Hash {
    let mut hasher = Sha256::new();
    hasher.update(previous.0);
    hasher.update(canonical);
    Hash::finished(hasher)
}

/// A place in the sequence, to be kept where nobody who can change the trail can change it: `SEQUENCE:HASH`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub struct Anchor {
    /// The number of an entry; 0 is the place before the first.
    pub sequence: u64,
    /// Its hash.
    pub hash: Hash,
}

impl fmt::Display for Anchor {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}", self.sequence, self.hash)
    }
}

impl FromStr for Anchor {
    type Err = &'static str;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let (sequence, hash) = text.split_once(':').ok_or("expected SEQUENCE:HASH")?;
        let sequence = sequence.parse().map_err(|_| "expected SEQUENCE:HASH, and the sequence is a whole number")?;
        Ok(Self { sequence, hash: hash.parse()? })
    }
}

/// Why an entry does not belong where it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Problem {
    /// Its hash is not that of its content.
    Altered,
    /// Entries between the one before and this one are not there. (the first of them)
    Missing(u64),
    /// It comes a second time, or after one that it comes before. (what was expected)
    OutOfOrder(u64),
    /// Its number is right, and it names another entry before it than the one that is there.
    Unlinked,
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Altered => f.write_str("was changed: its hash is not that of its content"),
            Self::Missing(first) => write!(f, "follows a gap: entry {first} is not there"),
            Self::OutOfOrder(expected) => {
                write!(f, "is out of order: entry {expected} belongs here")
            }
            Self::Unlinked => {
                f.write_str("does not follow from the entry before it, which was put in the place of another")
            }
        }
    }
}

/// The end of a sequence, to which entries are added or found to belong.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Chain {
    last: Anchor,
}

impl Chain {
    /// One that goes on after this entry; [`Anchor::default`] begins one.
    pub fn after(last: Anchor) -> Self {
        Self { last }
    }

    /// The last entry.
    pub fn last(&self) -> Anchor {
        self.last
    }

    /// The entry that this event would be. It has its place only with [`Chain::advance`], so that one which could not
    /// be kept leaves no gap.
    pub fn seal(&self, event: Event) -> Entry {
        self.seal_with_text(event).0
    }

    /// The same, with the text that was hashed.
    pub(super) fn seal_with_text(&self, mut event: Event) -> (Entry, Vec<u8>) {
        event.time = Timestamp::from_microsecond(event.time.as_microsecond()).unwrap_or(event.time);
        let sequence = self.last.sequence.saturating_add(1);
        let previous = self.last.hash;
        let text = canonical(sequence, &event);
        let hash = linked(&previous, &text);
        (Entry { sequence, event, previous, hash }, text)
    }

    /// Goes on after an entry that was sealed here.
    pub fn advance(&mut self, entry: &Entry) {
        self.last = Anchor { sequence: entry.sequence, hash: entry.hash };
    }

    /// Takes an entry that was read, if it is the next one.
    ///
    /// # Errors
    /// Why it is not; the end of the sequence stays where it was.
    pub fn take(&mut self, entry: &Entry) -> Result<(), Problem> {
        let next = self.last.sequence.saturating_add(1);
        if entry.hash != entry.expected_hash() {
            return Err(Problem::Altered);
        }
        if entry.sequence > next {
            return Err(Problem::Missing(next));
        }
        if entry.sequence < next {
            return Err(Problem::OutOfOrder(next));
        }
        if entry.previous != self.last.hash {
            return Err(Problem::Unlinked);
        }
        self.advance(entry);
        Ok(())
    }
}
