//! Whether the lines of a file are one unbroken sequence, and which is the first that is not.

use super::chain::{Anchor, Chain, Entry, Hash, Problem};
use super::line::{self, NoEntry};
use super::{Event, Kind, On, Outcome, Who, Word};
use jiff::Timestamp;
use sha2::{Digest, Sha256};
use std::fmt;

/// The action of an entry that marks lines before it as cut off: its content is their hash.
pub const TORN: &str = "torn-line";

/// The entry that marks cut-off lines: it goes into the sequence after the last whole entry, and the lines stay where
/// they are. `content` is the hash of the lines, joined by line feeds.
pub fn torn(time: Timestamp, content: Hash, count: u32) -> Event {
    Event {
        time,
        who: Who::nameless(Kind::Program),
        action: Word::of(TORN),
        on: On { content: Some(content), ..On::default() },
        outcome: Outcome { count: Some(count), ..Outcome::of("marked") },
        versions: super::Versions::new(),
    }
}

/// The first place where the sequence is broken.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Broken {
    /// Line in what was given, from 1; that of the end when the end comes too early.
    pub line: usize,
    /// The number that the entry there has, if it can be read.
    pub sequence: Option<u64>,
    /// What is wrong.
    pub what: Fault,
}

/// What is wrong with a sequence.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    /// The line is no entry, and no entry after it marks it as cut off.
    NoEntry(NoEntry),
    /// The last line is cut off, and the program has not marked it yet.
    Torn,
    /// The entry does not belong here.
    Entry(Problem),
    /// An entry that comes after was moved before this one. (the one that belongs here)
    Moved(u64),
    /// The entry of the anchor is there with another hash. (its number)
    NotTheAnchor(u64),
    /// The sequence ends before the anchor. (its number, that of the last entry)
    Short(u64, u64),
}

impl fmt::Display for Broken {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "line {}", self.line)?;
        if let Some(sequence) = self.sequence {
            write!(f, ", entry {sequence}")?;
        }
        match self.what {
            Fault::NoEntry(why) => write!(f, ": {why}"),
            Fault::Torn => f.write_str(": the last line is cut off; the service marks it when it starts"),
            Fault::Entry(problem) => write!(f, ": {problem}"),
            Fault::Moved(expected) => write!(f, ": is out of order: entry {expected} belongs here and comes later"),
            Fault::NotTheAnchor(sequence) => {
                write!(f, ": is not the entry that was anchored: entry {sequence} had another hash")
            }
            Fault::Short(anchor, last) => {
                write!(f, ": the trail ends with entry {last}, and was anchored at entry {anchor}: its end is missing")
            }
        }
    }
}

/// What an unbroken sequence holds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Verified {
    /// How many entries.
    pub entries: u64,
    /// Lines that were cut off and are marked.
    pub torn: u64,
    /// The last entry.
    pub last: Anchor,
}

/// Lines that are no entries, until the next entry.
struct Unread {
    first: usize,
    count: u32,
    why: NoEntry,
    hasher: Sha256,
}

/// Takes line after line.
#[derive(Default)]
pub struct Verifier {
    chain: Chain,
    anchor: Option<Anchor>,
    line: usize,
    verified: Verified,
    unread: Option<Unread>,
    broken: Option<Broken>,
}

impl Verifier {
    /// For a sequence that goes on after `before` (from its first entry: [`Anchor::default`]); `anchor` must be in it.
    pub fn new(before: Anchor, anchor: Option<Anchor>) -> Self {
        Self { chain: Chain::after(before), anchor, ..Self::default() }
    }

    /// Takes the next line, without its end; gives back the entry, if it is the next of the sequence.
    pub fn line(&mut self, line: &[u8]) -> Option<Entry> {
        self.line = self.line.saturating_add(1);
        let read = line::read(line);
        if let Some(broken) = &mut self.broken {
            // What seems to be missing may have been moved.
            if let (Fault::Entry(Problem::Missing(first)), Ok(entry)) = (broken.what, &read)
                && entry.sequence == first
                && entry.hash == entry.expected_hash()
            {
                broken.what = Fault::Moved(first);
            }
            return None;
        }
        match read {
            Ok(entry) => self.entry(entry),
            Err(why) => {
                let unread = self.unread.get_or_insert_with(|| Unread {
                    first: self.line,
                    count: 0,
                    why,
                    hasher: Sha256::new(),
                });
                if unread.count > 0 {
                    unread.hasher.update(b"\n");
                }
                unread.count = unread.count.saturating_add(1);
                unread.hasher.update(line);
                None
            }
        }
    }

    fn entry(&mut self, entry: Entry) -> Option<Entry> {
        if let Some(unread) = self.unread.take() {
            let content = Some(Hash::finished(unread.hasher));
            let marked = entry.event.action.as_str() == TORN && entry.event.on.content == content;
            if !marked {
                self.broken = Some(Broken { line: unread.first, sequence: None, what: Fault::NoEntry(unread.why) });
                return None;
            }
            self.verified.torn += u64::from(unread.count);
        }
        let here = |what| Some(Broken { line: self.line, sequence: Some(entry.sequence), what });
        if let Err(problem) = self.chain.take(&entry) {
            self.broken = here(Fault::Entry(problem));
            return None;
        }
        if let Some(anchor) = self.anchor
            && anchor.sequence == entry.sequence
            && anchor.hash != entry.hash
        {
            self.broken = here(Fault::NotTheAnchor(anchor.sequence));
            return None;
        }
        self.verified.entries += 1;
        Some(entry)
    }

    /// Where the sequence ends so far, and the hash and number of lines cut off after it: for whoever goes on writing.
    pub fn tail(&self) -> (Chain, Option<(Hash, u32)>) {
        let unread = self.unread.as_ref().map(|unread| (Hash::finished(unread.hasher.clone()), unread.count));
        (self.chain, unread)
    }

    /// Whether it is broken already, cut-off lines at the end aside.
    pub fn broken(&self) -> Option<&Broken> {
        self.broken.as_ref()
    }

    /// After the last line.
    ///
    /// # Errors
    /// The first place where the sequence is broken.
    pub fn end(self) -> Result<Verified, Broken> {
        let Self { chain, anchor, line, verified, unread, broken } = self;
        if let Some(broken) = broken {
            return Err(broken);
        }
        if let Some(unread) = unread {
            let what = if unread.count == 1 { Fault::Torn } else { Fault::NoEntry(unread.why) };
            return Err(Broken { line: unread.first, sequence: None, what });
        }
        let last = chain.last();
        if let Some(anchor) = anchor.filter(|anchor| anchor.sequence > last.sequence) {
            return Err(Broken { line, sequence: None, what: Fault::Short(anchor.sequence, last.sequence) });
        }
        Ok(Verified { last, ..verified })
    }
}
