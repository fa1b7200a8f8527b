//! Rulebook files: TOML read with places, every problem at once. Several files form one book: later ones extend
//! earlier ones and replace parts of their limits. `docs/rulebook.md` describes the form,
//! `schemas/rulebook.schema.json` lets editors complete it.

use super::expression::{Expression, Fault, Key as Sought, Named, Names, Scale, Template, Term, Wanted};
use super::facts::FACTS;
use super::judge::Of;
use super::merge::{self, Draft};
use super::named::{NAMED, Part, block_has};
use super::schema::{self, Key};
use super::value::{Fact, Scaled, Type};
use super::{
    Adopted, Audience, Bound, Check, Concept, ConceptKind, Effective, Evidence, Expected, Ground, Limit, Mode, Off,
    Overridden, Parameter, Pump, Rulebook, Staleness, Test, TestKind, Waiting,
};
use crate::exact::{Decimal, Exact};
use crate::findings::{Rule, RuleKind, Tier};
use crate::formulary::suggestion::{closest, hint};
use crate::integrity::RULES;
use crate::settings::ContextKind;
use crate::units::Dimension;
use jiff::civil::Date;
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::collections::BTreeSet;
use std::fmt;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// One file: what it is called and what it says.
#[derive(Clone, Copy, Debug)]
pub struct Source<'s> {
    /// Name, as problems give it.
    pub name: &'s str,
    /// TOML.
    pub text: &'s str,
}

macro_rules! files {
    ($($name:literal),* $(,)?) => {
        &[$(Source { name: concat!("starter/", $name), text: include_str!(concat!("starter/", $name)) }),*]
    };
}

/// Files of the starter rulebook, one family each; the first gives the book its name.
const STARTER: &[Source<'static>] = files![
    "book.toml",
    "concepts.toml",
    "weight.toml",
    "route-and-rate.toml",
    "start-and-advance.toml",
    "hang-time.toml",
    "water.toml",
    "energy-and-protein.toml",
    "electrolytes.toml",
    "product.toml",
    "allergy.toml",
    "medicines.toml",
    "tube.toml",
    "metabolic.toml",
    "neonatal.toml",
    "life-cycle.toml",
];

/// Files of the starter rulebook that the program brings along.
pub fn starter() -> &'static [Source<'static>] {
    STARTER
}

/// One thing wrong with a rulebook file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RulebookProblem {
    /// File, as the caller named it.
    pub file: String,
    /// Line and column, from 1, columns in characters; `None`: the rulebook as a whole.
    pub at: Option<(usize, usize)>,
    /// What was found, what was expected, and what was probably meant.
    pub text: String,
}

impl fmt::Display for RulebookProblem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.at {
            Some((line, column)) => write!(f, "{}:{line}:{column}: {}", self.file, self.text),
            None => write!(f, "{}: {}", self.file, self.text),
        }
    }
}

/// Words for tiers.
pub const TIERS: [(Tier, &str); 4] =
    [(Tier::Stop, "STOP"), (Tier::High, "HIGH"), (Tier::Med, "MED"), (Tier::Low, "LOW")];
/// Words for modes.
pub const MODES: [(Mode, &str); 4] =
    [(Mode::Off, "off"), (Mode::Shadow, "shadow"), (Mode::Queue, "queue"), (Mode::Card, "card")];
/// Words for what a finding puts in doubt.
pub const GROUNDS: [(Ground, &str); 2] = [(Ground::Weight, "weight"), (Ground::Amount, "amount")];
/// Words for audiences.
pub const AUDIENCES: [(Audience, &str); 4] = [
    (Audience::Prescriber, "prescriber"),
    (Audience::Dietitian, "dietitian"),
    (Audience::Pharmacist, "pharmacist"),
    (Audience::Nurse, "nurse"),
];
/// Words for evidence.
pub const EVIDENCE: [(Evidence, &str); 5] = [
    (Evidence::TextSeen, "text-seen"),
    (Evidence::Secondary, "secondary"),
    (Evidence::Derived, "derived"),
    (Evidence::CommonPractice, "common-practice"),
    (Evidence::FromMemory, "from-memory"),
];
/// Words for kinds of concepts.
pub const CONCEPT_KINDS: [(ConceptKind, &str); 9] = [
    (ConceptKind::Condition, "condition"),
    (ConceptKind::Allergy, "allergy"),
    (ConceptKind::Medicine, "medicine"),
    (ConceptKind::Setting, "setting"),
    (ConceptKind::Hold, "hold"),
    (ConceptKind::Device, "device"),
    (ConceptKind::DoseForm, "dose-form"),
    (ConceptKind::Procedure, "procedure"),
    (ConceptKind::Diet, "diet"),
];
/// Words for kinds of tests.
pub const TEST_KINDS: [(TestKind, &str); 4] = [
    (TestKind::Flag, "flag"),
    (TestKind::Pass, "pass"),
    (TestKind::Boundary, "boundary"),
    (TestKind::Missing, "missing"),
];
/// Words for what a test expects.
pub const EXPECTED: [(Expected, &str); 5] = [
    (Expected::Flagged, "flagged"),
    (Expected::Clear, "clear"),
    (Expected::NotEvaluated, "not-evaluated"),
    (Expected::NotProvided, "not-provided"),
    (Expected::NotApplicable, "not-applicable"),
];
/// Parts of a scope that are lists of words: key, fact, the words (none: any).
pub const SCOPE_WORDS: [(&str, &str, &[&str]); 5] = [
    ("setting", "setting", &["icu", "picu", "nicu", "ward", "home", "long-term"]),
    ("ward", "ward", &[]),
    ("route", "route", &["gastric", "post-pyloric", "oral", "unknown", "not-enteral"]),
    ("method", "method", &["continuous", "cyclic", "intermittent", "bolus", "mixed", "volume-based"]),
    ("product", "product_age_class", &["preterm", "infant", "paediatric", "adult", "any"]),
];
/// Takes a part of a scope away, in an override.
pub const ANY: &str = "any";
/// Depth of orders within orders in a test.
const NESTING: usize = 4;

/// Reads the files of a rulebook; later ones extend and override earlier ones.
///
/// # Errors
/// Every problem of every file with its place.
pub fn read(sources: &[Source<'_>]) -> Result<Rulebook, Vec<RulebookProblem>> {
    read_with(sources, FACTS)
}

/// The same over another list of facts.
///
/// # Errors
/// As [`read`].
pub fn read_with(sources: &[Source<'_>], facts: &[Fact]) -> Result<Rulebook, Vec<RulebookProblem>> {
    read_part(sources, facts, true)
}

/// `whole`: the sources are all there is.
fn read_part(sources: &[Source<'_>], facts: &[Fact], whole: bool) -> Result<Rulebook, Vec<RulebookProblem>> {
    let mut reader = Reader {
        sources,
        starts: sources.iter().map(|file| starts(file.text)).collect(),
        facts,
        parts: Vec::new(),
        own: Vec::new(),
        broken: BTreeSet::new(),
        used: BTreeSet::new(),
        problems: Vec::new(),
        warnings: Vec::new(),
        whole,
        book: Rulebook::default(),
    };
    let mut tables = Vec::new();
    for (source, file) in sources.iter().enumerate() {
        let (table, errors) = DeTable::parse_recoverable(file.text);
        for error in &errors {
            let offset = error.span().map_or(0, |span| span.start);
            let what = error.message().replace('\n', ", ");
            reader.tell(Spot { source, offset }, format!("this is not TOML: {what}"));
        }
        if errors.is_empty() {
            tables.push((source, table));
        }
    }
    reader.whole = whole && tables.len() == sources.len();
    reader.files(&tables, reader.whole);
    let warnings = reader.placed(&reader.warnings);
    let problems = reader.placed(&reader.problems);
    if !problems.is_empty() {
        return Err(problems);
    }
    Ok(Rulebook { hash: hash(sources), warnings, ..reader.book }.prepared())
}

/// What is wrong with some of a book's files, where others could not be read: what they may rest on is not missed.
pub fn problems_of_part(sources: &[Source<'_>]) -> Vec<RulebookProblem> {
    read_part(sources, FACTS, false).err().unwrap_or_default()
}

/// What a file says it extends.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Extends {
    /// `starter`, or a path.
    pub base: String,
    /// Line and column of it, from 1.
    pub at: (usize, usize),
}

/// What a file says it extends, for whoever finds files. `None` also for a file that is not TOML; [`read`] says so.
pub fn extends(text: &str) -> Option<Extends> {
    let table = DeTable::parse(text).ok()?;
    let value = table.get_ref().get("extends")?;
    let at = place(text, &starts(text), value.span().start);
    Some(Extends { base: value.get_ref().as_str()?.to_owned(), at })
}

/// First 16 hexadecimal digits of a SHA-256 over names and texts.
fn hash(sources: &[Source<'_>]) -> String {
    // Each part with its length first, so that no two contents look alike; the first names the form.
    let mut hasher = Sha256::new();
    let mut part = |text: &str| {
        hasher.update((text.len() as u64).to_be_bytes());
        hasher.update(text.as_bytes());
    };
    part("enteral-gate rulebook 1");
    for source in sources {
        part(source.name);
        part(source.text);
    }
    hasher.finalize().iter().take(8).map(|byte| format!("{byte:02x}")).collect()
}

/// Where the lines of a text begin.
fn starts(text: &str) -> Vec<usize> {
    std::iter::once(0).chain(text.match_indices('\n').map(|(at, _)| at + 1)).collect()
}

/// Line and column of an offset, from 1, columns in characters.
fn place(text: &str, starts: &[usize], offset: usize) -> (usize, usize) {
    let line = starts.partition_point(|start| *start <= offset).max(1);
    let start = starts.get(line - 1).copied().unwrap_or_default();
    (line, text.get(start..offset).unwrap_or("").chars().count() + 1)
}

/// Offset in the raw text of a TOML string (delimiters included) at which the character at a line and column,
/// both from 0, of its decoded text stands.
pub(super) fn offset_in(raw: &str, decoded: &str, line: usize, column: usize) -> usize {
    let long = raw.starts_with("\"\"\"") || raw.starts_with("'''");
    let escapes = raw.starts_with('"');
    let mut at = if long { 3 } else { 1 };
    let rest = |at: usize| raw.get(at..).unwrap_or("");
    if long {
        // A line break right after the delimiter does not belong to the text.
        at += if rest(at).starts_with("\r\n") { 2 } else { usize::from(rest(at).starts_with('\n')) };
    }
    let (mut l, mut c) = (0, 0);
    let mut letters = decoded.chars();
    loop {
        // A backslash at the end of a line takes the white space that follows away.
        while escapes && rest(at).starts_with('\\') {
            let after = rest(at + 1);
            let blank = after.len() - after.trim_start_matches([' ', '\t', '\r', '\n']).len();
            if blank == 0 {
                break;
            }
            at += 1 + blank;
        }
        if l > line || (l == line && c >= column) {
            return at;
        }
        let Some(letter) = letters.next() else { return at };
        let mut raw_letters = rest(at).chars();
        match raw_letters.next() {
            Some('\\') if escapes => {
                at += match raw_letters.next() {
                    Some('x') => 4,
                    Some('u') => 6,
                    Some('U') => 10,
                    _ => 2,
                }
            }
            Some(other) => at += other.len_utf8(),
            None => return at,
        }
        if letter == '\n' {
            (l, c) = (l + 1, 0);
        } else {
            c += 1;
        }
    }
}

/// A value as it may be repeated: cut, and without control characters.
pub(super) fn shown(text: &str) -> String {
    let cut: String = text.chars().take(60).collect();
    format!("{cut:?}{}", if cut.len() < text.len() { "…" } else { "" })
}

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

/// Whether an id has the form of a rule's id.
fn is_id(id: &str) -> bool {
    let mut parts = id.splitn(2, '-');
    let (Some(letters), Some(rest)) = (parts.next(), parts.next()) else { return false };
    let digits: String = rest.chars().take(2).collect();
    let suffix: Vec<char> = rest.chars().skip(2).collect();
    letters.len() == 3
        && letters.bytes().all(|b| b.is_ascii_uppercase())
        && digits.len() == 2
        && digits.bytes().all(|b| b.is_ascii_digit())
        && matches!(suffix.as_slice(), [] | ['a'..='z'])
}

/// Lower-case words joined by a sign.
pub(super) fn is_name(name: &str, joint: char) -> bool {
    name.starts_with(|c: char| c.is_ascii_lowercase())
        && name
            .split(joint)
            .all(|word| !word.is_empty() && word.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit()))
}

/// A place in a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Spot {
    pub source: usize,
    pub offset: usize,
}

/// A value and the file it stands in.
#[derive(Clone, Copy, Debug)]
pub(super) struct Item<'v> {
    pub source: usize,
    pub value: &'v Spanned<DeValue<'v>>,
}

impl<'v> Item<'v> {
    pub(super) fn spot(self) -> Spot {
        Spot { source: self.source, offset: self.value.span().start }
    }

    pub(super) fn get(self) -> &'v DeValue<'v> {
        self.value.get_ref()
    }
}

/// A table, where it begins and the file it stands in.
#[derive(Clone, Copy, Debug)]
pub(super) struct Block<'v> {
    pub at: Spot,
    pub table: &'v DeTable<'v>,
}

impl<'v> Block<'v> {
    pub(super) fn item(self, key: &str) -> Option<Item<'v>> {
        self.table.get(key).map(|value| Item { source: self.at.source, value })
    }

    pub(super) fn items(self) -> impl Iterator<Item = (&'v str, Spot, Item<'v>)> {
        let source = self.at.source;
        self.table.iter().map(move |(key, value)| {
            (key.get_ref().as_ref(), Spot { source, offset: key.span().start }, Item { source, value })
        })
    }
}

type Told = (Spot, String);

pub(super) struct Reader<'r> {
    pub sources: &'r [Source<'r>],
    /// Where the lines of each source begin.
    starts: Vec<Vec<usize>>,
    pub facts: &'r [Fact],
    pub(super) problems: Vec<Told>,
    warnings: Vec<Told>,
    /// Terms and phrases for every limit, and where each is written.
    pub(super) parts: Vec<(Named, Part)>,
    /// Where those of the limit that is being read are written.
    pub(super) own: Vec<(String, Part)>,
    /// Those of them that cannot be used, which was told.
    pub(super) broken: BTreeSet<String>,
    /// Those that some limit uses.
    pub(super) used: BTreeSet<String>,
    /// Every file of the book is there and could be read, so that what is missing is missing.
    whole: bool,
    pub book: Rulebook,
}

impl<'r> Reader<'r> {
    pub(super) fn tell(&mut self, at: Spot, text: String) {
        self.problems.push((at, text));
    }

    fn warn(&mut self, at: Spot, text: String) {
        self.warnings.push((at, text));
    }

    fn placed(&self, told: &[Told]) -> Vec<RulebookProblem> {
        let mut told = told.to_vec();
        told.sort();
        told.dedup();
        let problem = |(at, text): Told| match self.sources.get(at.source) {
            Some(file) => RulebookProblem {
                file: file.name.to_owned(),
                at: Some(place(file.text, self.starts(at.source), at.offset)),
                text,
            },
            None => RulebookProblem { file: "rulebook".to_owned(), at: None, text },
        };
        told.into_iter().map(problem).collect()
    }

    fn starts(&self, source: usize) -> &[usize] {
        self.starts.get(source).map_or(&[], Vec::as_slice)
    }

    /// File and line, for people.
    pub(super) fn line(&self, at: Spot) -> String {
        self.sources.get(at.source).map_or_else(String::new, |file| {
            format!("{}:{}", file.name, place(file.text, self.starts(at.source), at.offset).0)
        })
    }

    /// Unknown and missing keys of a table.
    pub(super) fn keys(&mut self, what: &str, block: Block<'_>, keys: &'static [Key], more: &'static [Key]) {
        for (name, at, _) in block.items() {
            if schema::names(keys).chain(schema::names(more)).any(|known| known == name) {
                continue;
            }
            let more = schema::names(more).filter(|name| *name != "id");
            let known: Vec<&str> = schema::names(keys).chain(more).collect();
            let meant = hint(name, known.iter().copied());
            let homes = [
                (schema::FILE, "above the first line in brackets"),
                (schema::LIMIT, "below a line [[limit]]"),
                (schema::SCOPE, "below a line [limit.scope]"),
                (schema::CHECK, "below a line [[limit.check]]"),
                (schema::TEST, "below a line [[limit.test]]"),
                (schema::GIVEN, "below a line [limit.test.given]"),
            ];
            let home = homes.iter().find(|(home, _)| schema::names(home).any(|known| known == name));
            let what = match home {
                Some((_, home)) if meant.is_empty() => format!("is no key of {what}; it belongs {home}"),
                _ => format!("is no key of {what}; known are {}{meant}", known.join(", ")),
            };
            self.tell(at, format!("{} {what}", shown(name)));
        }
        for key in keys.iter().filter(|key| key.required && block.table.get(key.name).is_none()) {
            self.missing(what, block.at, key);
        }
    }

    pub(super) fn missing(&mut self, what: &str, at: Spot, key: &Key) {
        let line = match key.name {
            "check" => "[[limit.check]]".to_owned(),
            "given" => "[limit.test.given]".to_owned(),
            name => format!("{name} = …"),
        };
        self.tell(at, format!("{what} has no {}; expected a line {line} ({})", key.name, key.title));
    }

    fn wrong(&mut self, key: &str, wanted: &str, item: Item<'_>, more: &str) {
        let found = described(item.get());
        self.tell(item.spot(), format!("{key}: expected {wanted}, found {found}{more}"));
    }

    /// A text that says something, or a problem.
    pub(super) fn text<'v>(&mut self, key: &str, wanted: &str, item: Item<'v>) -> Option<&'v str> {
        let text = item.get().as_str();
        match text {
            None => {
                let scalar = !(item.get().is_table() || item.get().is_array());
                self.wrong(key, wanted, item, if scalar { "; write it in quotes" } else { "" });
                None
            }
            Some(text) if text.trim().is_empty() => {
                self.wrong(key, wanted, item, ", which is empty");
                None
            }
            text => text,
        }
    }

    fn string(&mut self, key: &str, wanted: &str, item: Option<Item<'_>>) -> Option<String> {
        item.and_then(|item| self.text(key, wanted, item)).map(str::to_owned)
    }

    pub(super) fn table<'v>(&mut self, key: &str, item: Item<'v>) -> Option<Block<'v>> {
        let table = item.get().as_table();
        if table.is_none() {
            self.wrong(key, &format!("a table, such as {key} = {{ … }}"), item, "");
        }
        table.map(|table| Block { at: item.spot(), table })
    }

    /// The tables of a list of tables.
    pub(super) fn blocks<'v>(&mut self, key: &str, header: &str, item: Option<Item<'v>>) -> Vec<Block<'v>> {
        let Some(item) = item else { return Vec::new() };
        let Some(list) = item.get().as_array() else {
            self.wrong(key, &format!("entries, each below a line {header}"), item, "");
            return Vec::new();
        };
        let mut blocks = Vec::new();
        for value in list.iter() {
            let item = Item { source: item.source, value };
            match item.get().as_table() {
                Some(table) => blocks.push(Block { at: item.spot(), table }),
                None => self.wrong(key, &format!("an entry below a line {header}"), item, ""),
            }
        }
        blocks
    }

    /// The items of a list.
    fn list<'v>(&mut self, key: &str, wanted: &str, item: Item<'v>) -> Option<Vec<Item<'v>>> {
        let Some(list) = item.get().as_array() else {
            let example = item.get().as_str().map_or_else(String::new, |text| format!(", such as [{}]", shown(text)));
            self.wrong(key, &format!("a list of {wanted} in brackets{example}"), item, "");
            return None;
        };
        Some(list.iter().map(|value| Item { source: item.source, value }).collect())
    }

    /// The texts of a list, none of them empty or twice.
    fn texts<'v>(&mut self, key: &str, wanted: &str, item: Option<Item<'v>>) -> Vec<(&'v str, Item<'v>)> {
        let mut texts: Vec<(&str, Item<'_>)> = Vec::new();
        let Some(items) = item.and_then(|item| self.list(key, wanted, item)) else { return texts };
        for item in items {
            let Some(text) = self.text(key, wanted, item) else { continue };
            if texts.iter().any(|(known, _)| *known == text) {
                self.tell(item.spot(), format!("{key}: {} stands twice", shown(text)));
            } else {
                texts.push((text, item));
            }
        }
        texts
    }

    /// One of a closed list of words.
    fn word<T: Copy>(&mut self, key: &str, words: &[(T, &'static str)], item: Option<Item<'_>>) -> Option<T> {
        let names: Vec<&str> = words.iter().map(|(_, word)| *word).collect();
        let wanted = format!("one of {}", names.join(", "));
        let item = item?;
        let text = self.text(key, &wanted, item)?;
        let found = words.iter().find_map(|(value, word)| (*word == text).then_some(*value));
        if found.is_none() {
            self.wrong(key, &wanted, item, &hint(text, names));
        }
        found
    }

    fn date(&mut self, key: &str, item: Option<Item<'_>>) -> Option<Date> {
        let item = item?;
        let wanted = "a day without quotes, such as 2026-11-25";
        let found = item.get().as_datetime().filter(|found| found.time.is_none() && found.offset.is_none());
        let date = found.and_then(|found| found.date).and_then(|date| {
            Date::new(i16::try_from(date.year).ok()?, i8::try_from(date.month).ok()?, i8::try_from(date.day).ok()?).ok()
        });
        if date.is_none() {
            let meant = item.get().as_str().and_then(|text| text.trim().parse::<Date>().ok());
            let meant = meant.map_or_else(String::new, |date| format!(" (did you mean {date} without quotes?)"));
            self.wrong(key, wanted, item, &meant);
        }
        date
    }

    /// A number with a unit, of a dimension if one is wanted.
    pub(super) fn amount(
        &mut self,
        key: &str,
        example: &str,
        dimension: Option<Dimension>,
        item: Item<'_>,
    ) -> Option<(Exact, Scale)> {
        let wanted = format!("a number, a space and a unit in quotes, such as \"{example}\"");
        let text = self.text(key, &wanted, item)?;
        let (number, code) = text.split_once(' ').unwrap_or((text, "1"));
        let Ok(number) = Decimal::parse(number) else {
            let letters = number.find(|c: char| c.is_alphabetic());
            let meant =
                letters.and_then(|at| number.split_at_checked(at)).filter(|(digits, _)| Decimal::parse(digits).is_ok());
            let meant = match meant {
                Some((digits, unit)) => format!(" (did you mean “{digits} {unit}”?)"),
                None if number.contains(',') => "; the decimal sign is a point".to_owned(),
                None => String::new(),
            };
            self.wrong(key, &wanted, item, &meant);
            return None;
        };
        let unit = match Scale::parse(code) {
            Ok(unit) => unit,
            Err(why) => {
                self.tell(item.spot(), format!("{key}: the unit of {} is not usable: {why}", shown(text)));
                return None;
            }
        };
        if let Some(wanted) = dimension.filter(|wanted| *wanted != unit.dimension) {
            let (wanted, found) = (wanted.name(), unit.dimension.name());
            self.tell(
                item.spot(),
                format!("{key}: expected {wanted}, such as \"{example}\", found {} ({found})", shown(text)),
            );
            return None;
        }
        if unit.to_base(number.exact()).is_none() {
            self.tell(item.spot(), format!("{key}: {} is outside of what is computed exactly", shown(text)));
            return None;
        }
        Some((number.exact(), unit))
    }

    fn faults(&mut self, key: &str, item: Item<'_>, text: &str, faults: Vec<Fault>) {
        let span = item.value.span();
        let raw = self.sources.get(item.source).and_then(|file| file.text.get(span.clone())).unwrap_or("");
        // What is wrong with a term or a phrase is told where it is written.
        let told = |fault: &Fault| fault.within.as_ref().is_some_and(|name| self.broken.contains(name));
        let faults: Vec<Fault> = faults.into_iter().filter(|fault| !told(fault)).collect();
        for fault in faults {
            let offset = span.start
                + offset_in(raw, text, fault.offset_line.saturating_sub(1), fault.offset_column.saturating_sub(1));
            let meant = fault.suggestion.map_or_else(String::new, |word| format!(" (did you mean “{word}”?)"));
            self.tell(Spot { source: item.source, offset }, format!("{key}: {}{meant}", fault.message));
        }
    }

    /// Keys that an expression looks for and no concept has.
    fn sought(&mut self, key: &str, item: Item<'_>, text: &str, sought: &[Sought]) {
        for sought in sought {
            let kind = match self.facts.get(sought.fact).map(|fact| fact.name) {
                Some("conditions") => ConceptKind::Condition,
                Some("allergies") => ConceptKind::Allergy,
                Some("medicines" | "tube_medicines") => ConceptKind::Medicine,
                Some("tube_forms") => ConceptKind::DoseForm,
                Some("refused") => ConceptKind::Diet,
                _ => continue,
            };
            let concepts = self.book.concepts.iter().filter(|concept| concept.kind == kind);
            let known: Vec<&str> = concepts.map(|concept| concept.key.as_str()).collect();
            if self.whole && !known.contains(&sought.key.as_str()) {
                let message = format!("no concept of this kind has the key {}", shown(&sought.key));
                let suggestion = closest(&sought.key, known).map(str::to_owned);
                let (offset_line, offset_column) = (sought.line, sought.column);
                self.faults(
                    key,
                    item,
                    text,
                    vec![Fault { offset_line, offset_column, message, suggestion, within: None }],
                );
            }
        }
    }

    fn expression(
        &mut self,
        key: &str,
        names: &Names<'_>,
        wanted: Wanted,
        item: Option<Item<'_>>,
    ) -> Option<Expression> {
        let item = item?;
        let text = self.text(key, "an expression in quotes", item)?;
        match Expression::compile(text, names, wanted) {
            Ok(expression) => {
                self.sought(key, item, text, expression.keys());
                Some(expression)
            }
            Err(faults) => {
                self.named_parts(text, names, &faults);
                self.faults(key, item, text, faults);
                None
            }
        }
    }

    fn template(&mut self, key: &str, names: &Names<'_>, item: Option<Item<'_>>) -> Option<Template> {
        let item = item?;
        let text = self.text(key, "a sentence in quotes", item)?;
        match Template::compile(text, names) {
            Ok(template) => {
                for expression in template.expressions() {
                    self.sought(key, item, "", expression.keys());
                }
                Some(template)
            }
            Err(faults) => {
                self.named_parts(text, names, &faults);
                self.faults(key, item, text, faults);
                None
            }
        }
    }

    /// All files. `whole`: each could be read, so that what is missing is missing.
    fn files(&mut self, tables: &[(usize, Spanned<DeTable<'_>>)], whole: bool) {
        let blocks: Vec<Block<'_>> = tables
            .iter()
            .map(|(source, table)| Block { at: Spot { source: *source, offset: 0 }, table: table.get_ref() })
            .collect();
        for block in &blocks {
            self.keys("a rulebook file", *block, schema::FILE, &[]);
            if let Some(item) = block.item("rulebook") {
                let form = item.get().as_integer().is_some_and(|number| number.as_str() == "1" && number.radix() == 10);
                if !form {
                    self.wrong("rulebook", "1, the form of the file", item, "");
                }
            }
            if let Some(label) = self.string("label", "the name of the rulebook", block.item("label")) {
                self.book.label = label;
            }
            if let Some(edition) = self.string("edition", "the edition of the rulebook", block.item("edition")) {
                self.book.edition = edition;
            }
            self.string("extends", "\"starter\" or the path of a file", block.item("extends"));
            self.adopted(*block);
            self.concepts(*block);
            self.staleness(*block);
        }
        for block in &blocks {
            self.pumps(*block);
        }
        if whole {
            let nowhere = Spot { source: self.sources.len(), offset: 0 };
            for name in ["label", "edition"] {
                if !blocks.iter().any(|block| block.table.contains_key(name)) {
                    let at = blocks.first().map_or(nowhere, |block| block.at);
                    self.tell(at, format!("no file of the rulebook has a line {name} = \"…\""));
                }
            }
        }
        self.shared_parts(&blocks);
        let drafts = merge::drafts(self, &blocks, whole);
        self.waiting(&blocks, &drafts);
        for draft in &drafts {
            self.limit(draft);
        }
        if whole {
            self.unused_parts();
        }
        self.offs(&blocks, &drafts, whole);
        merge::overlaps(self, &drafts);
    }

    fn adopted(&mut self, block: Block<'_>) {
        let Some(block) = block.item("adopted").and_then(|item| self.table("adopted", item)) else { return };
        self.keys("[adopted]", block, schema::ADOPTED, &[]);
        let by = self.string("adopted.by", "who adopted the rulebook", block.item("by"));
        let on = self.date("adopted.on", block.item("on"));
        if let (Some(by), Some(on)) = (by, on) {
            self.book.adopted = Some(Adopted { by, on });
        }
    }

    fn concepts(&mut self, file: Block<'_>) {
        let mut seen: BTreeMap<(usize, String), Spot> = BTreeMap::new();
        for block in self.blocks("concept", "[[concept]]", file.item("concept")) {
            self.keys("a concept", block, schema::CONCEPT, &[]);
            let kind = self.word("concept.kind", &CONCEPT_KINDS, block.item("kind"));
            let wanted = "a word in small letters, such as \"chronic-kidney-disease\"";
            let key = block.item("key").and_then(|item| {
                let key = self.text("concept.key", wanted, item)?;
                if !is_name(key, '-') {
                    self.wrong("concept.key", wanted, item, "");
                }
                Some(key.to_owned())
            });
            let title = self.string("concept.title", "a name for people", block.item("title"));
            let mut codes = Vec::new();
            if let Some(item) = block.item("codes")
                && item.get().as_array().is_some_and(|list| list.is_empty())
            {
                self.tell(item.spot(), "concept.codes: expected at least one code".to_owned());
            }
            for (code, item) in self.texts("concept.codes", "codes", block.item("codes")) {
                match code.split_once('|') {
                    Some((system, code)) if is_uri(system) && !code.is_empty() && code.trim() == code => {
                        codes.push((system.to_owned(), code.to_owned()));
                    }
                    _ => self.wrong("concept.codes", "\"system|code\", the system a URI", item, ""),
                }
            }
            let (Some(kind), Some(key), Some(title)) = (kind, key, title) else { continue };
            let number = CONCEPT_KINDS.iter().position(|(known, _)| *known == kind).unwrap_or_default();
            if let Some(first) = seen.insert((number, key.clone()), block.at) {
                let line = self.line(first);
                self.tell(block.at, format!("concept: {} stands at {line} already", shown(&key)));
                continue;
            }
            match self.book.concepts.iter_mut().find(|known| known.kind == kind && known.key == key) {
                // A later file adds its own codes.
                Some(known) => {
                    known.title = title;
                    codes.retain(|code| !known.codes.contains(code));
                    known.codes.extend(codes);
                    known.places.push(self.sources.get(block.at.source).map_or_else(String::new, |file| {
                        let starts = self.starts.get(block.at.source).map_or(&[][..], Vec::as_slice);
                        format!("{}:{}", file.name, place(file.text, starts, block.at.offset).0)
                    }));
                }
                None => {
                    let places = vec![self.line(block.at)];
                    self.book.concepts.push(Concept { kind, key, title, codes, places });
                }
            }
        }
    }

    fn staleness(&mut self, file: Block<'_>) {
        let mut seen: BTreeMap<String, Spot> = BTreeMap::new();
        for block in self.blocks("staleness", "[[staleness]]", file.item("staleness")) {
            self.keys("staleness", block, schema::STALENESS, &[]);
            let fact = block.item("fact").and_then(|item| {
                let name = self.text("staleness.fact", "the name of a fact", item)?;
                if !self.facts.iter().any(|fact| fact.name == name) {
                    let meant = hint(name, self.facts.iter().map(|fact| fact.name));
                    self.wrong("staleness.fact", "the name of a fact", item, &meant);
                } else if !super::case::is_measured(name) {
                    let measured: Vec<&str> =
                        self.facts.iter().map(|fact| fact.name).filter(|name| super::case::is_measured(name)).collect();
                    let wanted = format!("the name of what is measured: {}", measured.join(", "));
                    self.wrong("staleness.fact", &wanted, item, "");
                }
                Some(name.to_owned())
            });
            let after =
                block.item("after").and_then(|item| self.positive("staleness.after", "3 d", Dimension::TIME, item));
            let (Some(fact), Some(seconds)) = (fact, after) else { continue };
            if let Some(first) = seen.insert(fact.clone(), block.at) {
                let line = self.line(first);
                self.tell(block.at, format!("staleness: {} stands at {line} already", shown(&fact)));
            }
            self.book.staleness.retain(|known| known.fact != fact);
            let place = self.line(block.at);
            let written = block.item("after").map_or_else(String::new, |item| written(item.get()));
            self.book.staleness.push(Staleness { fact, seconds, written, place });
        }
    }

    /// An amount over zero, in base units.
    fn positive(&mut self, key: &str, example: &str, dimension: Dimension, item: Item<'_>) -> Option<Exact> {
        let (value, unit) = self.amount(key, example, Some(dimension), item)?;
        if !value.is_positive() {
            self.wrong(key, "an amount over zero", item, "");
            return None;
        }
        unit.to_base(value)
    }

    fn pumps(&mut self, file: Block<'_>) {
        let mut pumps = Vec::new();
        let facts = self.facts;
        for block in self.blocks("pump", "[[pump]]", file.item("pump")) {
            self.keys("a pump", block, schema::PUMP, &[]);
            let title = self.string("pump.title", "a name for people", block.item("title"));
            let names = Names { facts, parameters: &[], extra: &[], terms: &[], phrases: &[] };
            let when = self.expression("pump.when", &names, Wanted::Truth, block.item("when"));
            let hourly = |base: Exact| crate::units::Unit::MILLILITRE_PER_HOUR.from_base(base);
            let mut ends = Vec::new();
            if let Some(item) = block.item("rate")
                && let Some(list) = self.list("pump.rate", "two rates", item)
            {
                if list.len() != 2 {
                    self.tell(
                        item.spot(),
                        format!("pump.rate: expected the lowest and the highest rate, found {} values", list.len()),
                    );
                }
                for item in list {
                    let rate = self.positive("pump.rate", "1 mL/h", Dimension::VOLUME_RATE, item);
                    ends.extend(rate.and_then(hourly));
                }
            }
            let step = block
                .item("rate-step")
                .and_then(|item| self.positive("pump.rate-step", "1 mL/h", Dimension::VOLUME_RATE, item))
                .and_then(hourly);
            let volume_step = block
                .item("volume-step")
                .and_then(|item| self.positive("pump.volume-step", "1 mL", Dimension::VOLUME, item));
            if let [lowest, highest] = ends.as_slice() {
                if lowest > highest {
                    self.tell(block.at, "pump.rate: the lowest rate is over the highest".to_owned());
                }
                if let (Some(title), Some(when), Some(step), Some(volume_step)) = (title, when, step, volume_step) {
                    let place = self.line(block.at);
                    pumps.push(Pump { title, when, rate: [*lowest, *highest, step], volume_step, place });
                }
            }
        }
        // Those of a later file are looked at first.
        pumps.append(&mut self.book.pumps);
        self.book.pumps = pumps;
    }

    /// The id of a limit or of a rule that waits.
    pub(super) fn id<'v>(&mut self, key: &str, item: Option<Item<'v>>) -> Option<&'v str> {
        let wanted = "three capital letters, a hyphen and two digits, such as \"RTE-03\" or \"RTE-03a\"";
        let item = item?;
        let id = self.text(key, wanted, item)?;
        if !is_id(id) {
            let upper = id.trim().to_ascii_uppercase();
            let meant = if is_id(&upper) { format!(" (did you mean “{upper}”?)") } else { String::new() };
            self.wrong(key, wanted, item, &meant);
        } else if RULES.iter().any(|(rule, _)| rule.id == id) {
            self.tell(item.spot(), format!("{key}: {id} is the id of a rule of the program; choose another"));
        }
        Some(id)
    }

    fn waiting(&mut self, files: &[Block<'_>], drafts: &[Draft<'_>]) {
        let mut seen: BTreeMap<&str, Spot> = drafts.iter().map(|draft| (draft.id, draft.at)).collect();
        for file in files {
            for block in self.blocks("waiting", "[[waiting]]", file.item("waiting")) {
                self.keys("a waiting rule", block, schema::WAITING, &[]);
                let id = self.id("waiting.id", block.item("id"));
                let name = self.name("waiting.name", block.item("name"));
                let title = self.string("waiting.title", "what it is, for people", block.item("title"));
                let tier = self.word("waiting.tier", &TIERS, block.item("tier"));
                let source = self.string("waiting.source", SOURCE, block.item("source"));
                let why = self.string("waiting.why", "the data it waits for", block.item("why"));
                if let Some(id) = id
                    && let Some(first) = seen.insert(id, block.at)
                {
                    let line = self.line(first);
                    self.tell(block.at, format!("the id {id} stands at {line} already"));
                }
                let (Some(id), Some(name), Some(title), Some(tier), Some(source), Some(why)) =
                    (id, name, title, tier, source, why)
                else {
                    continue;
                };
                let rule = Rule {
                    id: id.to_owned().into(),
                    name: name.into(),
                    title: title.into(),
                    tier,
                    source: source.into(),
                    kind: RuleKind::Limit,
                };
                self.book.waiting.push(Waiting { rule, why });
            }
        }
    }

    fn name(&mut self, key: &str, item: Option<Item<'_>>) -> Option<String> {
        let wanted = "small letters and digits joined by hyphens, such as \"rate-beyond-stomach\"";
        let item = item?;
        let name = self.text(key, wanted, item)?;
        if !is_name(name, '-') {
            self.wrong(key, wanted, item, "");
            return None;
        }
        Some(name.to_owned())
    }

    fn offs(&mut self, files: &[Block<'_>], drafts: &[Draft<'_>], whole: bool) {
        for file in files {
            for block in self.blocks("off", "[[off]]", file.item("off")) {
                self.keys("[[off]]", block, schema::OFF, &[]);
                let rule = self.string("off.rule", "the id of a rule or limit", block.item("rule"));
                let by = self.string("off.by", "who switched it off", block.item("by"));
                let why = self.string("off.why", "why it is off", block.item("why"));
                let until = self.date("off.until", block.item("until"));
                if let (Some(rule), Some(item), true) = (&rule, block.item("rule"), whole) {
                    let known: Vec<&str> = RULES
                        .iter()
                        .map(|(rule, _)| rule.id.as_ref())
                        .chain(drafts.iter().map(|draft| draft.id))
                        .collect();
                    if !known.contains(&rule.as_str()) {
                        self.wrong("off.rule", "the id of a rule or limit", item, &hint(rule, known));
                    } else if self.book.off.iter().any(|off| off.rule == *rule) {
                        self.tell(item.spot(), format!("off.rule: {} is switched off already", shown(rule)));
                    }
                }
                if let (Some(rule), Some(by), Some(why), Some(until)) = (rule, by, why, until) {
                    let place = self.line(block.at);
                    self.book.off.push(Off { rule, by, why, until, place });
                }
            }
        }
    }

    fn limit(&mut self, draft: &Draft<'_>) {
        let facts = self.facts;
        let name = self.name("limit.name", draft.item("name"));
        let title = self.string("limit.title", "what it is, for people", draft.item("title"));
        let tier = self.word("limit.tier", &TIERS, draft.item("tier"));
        let mode = self.word("limit.mode", &MODES, draft.item("mode"));
        let source = self.string("limit.source", SOURCE, draft.item("source"));
        let evidence = self.word("limit.evidence", &EVIDENCE, draft.item("evidence"));
        let owner = self.string("limit.owner", "who answers for the limit", draft.item("owner"));
        let note = self.string("limit.note", "a note", draft.item("note")).unwrap_or_default();
        let mut audience = Vec::new();
        if let Some(item) = draft.item("audience") {
            if item.get().as_array().is_some_and(|list| list.is_empty()) {
                self.tell(item.spot(), "limit.audience: expected at least one who can act".to_owned());
            }
            for (_, item) in self.texts("limit.audience", "people", Some(item)) {
                audience.extend(self.word("limit.audience", &AUDIENCES, Some(item)));
            }
        }
        let owned = |texts: Vec<(&str, Item<'_>)>| texts.into_iter().map(|(text, _)| text.to_owned()).collect();
        let changes = owned(self.texts("limit.changes", "texts", draft.item("changes")));
        let override_reasons = owned(self.texts("limit.override-reasons", "texts", draft.item("override-reasons")));
        let from = self.date("limit.effective-from", draft.item("effective-from"));
        let to = self.date("limit.effective-to", draft.item("effective-to"));
        if let (Some(from), Some(to), Some(item)) = (from, to, draft.item("effective-to"))
            && to < from
        {
            self.tell(item.spot(), format!("limit.effective-to: {to} is before effective-from, {from}"));
        }
        let priority = match draft.item("priority") {
            None => 0,
            Some(item) => {
                let number = item.get().as_integer().filter(|number| number.radix() == 10);
                let number = number.and_then(|number| number.as_str().parse::<i32>().ok());
                if number.is_none() {
                    self.wrong("limit.priority", "a whole number, such as 10", item, "");
                }
                number.unwrap_or_default()
            }
        };
        let doubts = self.word("limit.doubts", &GROUNDS, draft.item("doubts"));
        let parameters = self.parameters(draft);
        let [terms, phrases] = NAMED.map(|table| self.named_of(draft, table, &parameters));
        let worked: Vec<Term> = terms.iter().cloned().map(Term::from).collect();
        let names = Names { facts, parameters: &parameters, extra: &[], terms: &worked, phrases: &phrases };
        let (scope, scope_text) = self.scope(draft, &names);
        let mut checks = Vec::new();
        if let Some(item) = draft.item("check") {
            let blocks = self.blocks("limit.check", "[[limit.check]]", Some(item));
            if blocks.is_empty() && item.get().is_array() {
                self.tell(item.spot(), "limit.check: expected at least one check".to_owned());
            }
            for block in blocks {
                checks.extend(self.check(block, tier.unwrap_or(Tier::Med), &names));
            }
        }
        let (terms, phrases) = self.unused(draft, &parameters, (terms, phrases));
        if draft.keys.get("tier").is_some_and(|slots| slots.len() > 1) && checks.iter().any(|c| Some(c.tier) != tier) {
            let mut own: Vec<&str> = checks.iter().filter(|c| Some(c.tier) != tier).map(|c| c.tier.code()).collect();
            own.sort_unstable();
            own.dedup();
            self.warn(
                draft.keys.get("tier").and_then(|slots| slots.last()).map_or(draft.at, |(at, _)| *at),
                format!(
                    "limit.tier: {} has checks with a tier of their own ({}), which this leaves as they are; override its checks",
                    draft.id,
                    own.join(", ")
                ),
            );
        }
        // Only a limit that compares an amount has a boundary.
        let bounded = checks.iter().any(|c| c.measure.is_some());
        let tests = self.tests(draft, bounded);
        self.effective(draft);
        let (Some(name), Some(title), Some(tier), Some(mode), Some(source), Some(evidence), Some(owner)) =
            (name, title, tier, mode, source, evidence, owner)
        else {
            return;
        };
        let places = draft.places().into_iter().map(|at| self.line(at)).collect();
        let overridden = draft.over().iter().map(|over| Overridden {
            place: self.line(over.at),
            by: over.by.to_owned(),
            why: over.why.to_owned(),
            keys: over.keys.clone(),
        });
        let overridden = overridden.collect();
        let id = draft.id.to_owned();
        self.book.limits.push(Limit {
            rule: Rule {
                id: id.into(),
                name: name.into(),
                title: title.into(),
                tier,
                source: source.into(),
                kind: RuleKind::Limit,
            },
            mode,
            audience,
            evidence,
            owner,
            note,
            changes,
            override_reasons,
            from,
            to,
            priority,
            doubts,
            scope,
            scope_text,
            parameters,
            terms,
            phrases,
            checks,
            tests,
            places,
            overridden,
        });
    }

    fn parameters(&mut self, draft: &Draft<'_>) -> Vec<Parameter> {
        let mut parameters = Vec::new();
        for (name, slot) in draft.below("parameters") {
            let label = format!("limit.parameters.{name}");
            if !is_name(name, '_') {
                self.tell(
                    slot.key,
                    format!("{label}: expected a name of small letters and digits joined by _, such as \"adult_most\""),
                );
            } else if self.facts.iter().any(|fact| fact.name == name) || matches!(name, "measure" | "bound") {
                self.tell(slot.key, format!("{label}: {name} is the name of a fact; choose another"));
            }
            let Some((value, unit)) = self.amount(&label, "150 mL/h", None, slot.item) else { continue };
            if let Some(first) = slot.over
                && let Ok(before) = first
                    .get()
                    .as_str()
                    .and_then(|text| text.split_once(' '))
                    .map_or(Scale::parse("1"), |(_, code)| Scale::parse(code))
                && before.dimension != unit.dimension
            {
                let (wanted, found) = (before.dimension.name(), unit.dimension.name());
                self.tell(
                    slot.item.spot(),
                    format!("{label}: expected {wanted}, as in what is replaced, found {found}"),
                );
                // What rests on it is looked at with the amount that it replaces: this is the one thing wrong.
                if let Some((value, unit)) = self.amount(&label, "150 mL/h", None, first) {
                    parameters.push(Parameter { name: name.to_owned(), value, unit: unit.code });
                }
                continue;
            }
            let code = unit.code.clone();
            parameters.push(Parameter { name: name.to_owned(), value, unit: code });
        }
        parameters
    }

    fn scope(&mut self, draft: &Draft<'_>, names: &Names<'_>) -> (Option<Expression>, String) {
        let mut parts: Vec<String> = Vec::new();
        let mut words: Vec<String> = Vec::new();
        let mut first = None;
        for (key, slot) in draft.below("scope") {
            let item = slot.item;
            first = first.or(Some(item));
            if item.get().as_str() == Some(ANY) {
                continue;
            }
            let label = format!("limit.scope.{key}");
            if let Some((_, fact, known)) = SCOPE_WORDS.iter().find(|(known, ..)| *known == key) {
                let list = self.texts(&label, "words", Some(item));
                if item.get().as_array().is_some_and(|list| list.is_empty()) {
                    self.tell(
                        item.spot(),
                        format!("{label}: expected at least one word; leave the line out for no restriction"),
                    );
                }
                for (word, item) in &list {
                    if !known.is_empty() && !known.contains(word) {
                        let meant = hint(word, known.iter().copied());
                        self.wrong(&label, &format!("one of {}", known.join(", ")), *item, &meant);
                    } else if word.contains(['\'', '\\', '\n', '\r']) {
                        self.wrong(&label, "a word without quotes, backslashes or line breaks", *item, "");
                    }
                }
                let quoted: Vec<String> = list.iter().map(|(word, _)| format!("'{word}'")).collect();
                parts.push(format!("{fact} in [{}]", quoted.join(", ")));
                words.push(format!("{key} {}", list.iter().map(|(word, _)| *word).collect::<Vec<_>>().join(" or ")));
            } else if matches!(key, "age" | "weight") {
                let (from, below) = self.range(key, item);
                let bound = |word: &str, end: &Option<(&str, Exact)>| end.map(|(text, _)| format!("{word} {text}"));
                let ends: Vec<String> = [bound("from", &from), bound("below", &below)].into_iter().flatten().collect();
                parts.extend(from.map(|(text, _)| format!("{key} >= q('{text}')")));
                parts.extend(below.map(|(text, _)| format!("{key} < q('{text}')")));
                words.push(format!("{key} {}", ends.join(" ")));
            } else if key == "where" {
                let before = self.problems.len();
                self.expression(&label, names, Wanted::Truth, Some(item));
                if let Some(text) = item.get().as_str().filter(|_| before == self.problems.len()) {
                    parts.push(format!("({text})"));
                    words.push(format!("where {}", text.split_whitespace().collect::<Vec<_>>().join(" ")));
                }
            }
        }
        let Some(first) = first.filter(|_| !parts.is_empty()) else { return (None, words.join("; ")) };
        match Expression::compile(&parts.join(" && "), names, Wanted::Truth) {
            Ok(scope) => (Some(scope), words.join("; ")),
            Err(faults) => {
                for fault in faults {
                    self.tell(first.spot(), format!("limit.scope: {}", fault.message));
                }
                (None, words.join("; "))
            }
        }
    }

    /// Ends of a range of ages or weights, as written and in base units.
    #[allow(clippy::type_complexity, reason = "two ends of one kind")]
    pub(super) fn range<'v>(
        &mut self,
        key: &str,
        item: Item<'v>,
    ) -> (Option<(&'v str, Exact)>, Option<(&'v str, Exact)>) {
        let label = format!("limit.scope.{key}");
        let (dimension, example) = if key == "age" { (Dimension::TIME, "18 a") } else { (Dimension::MASS, "10 kg") };
        if !item.get().is_table() {
            self.wrong(&label, &format!("{{ from = \"{example}\" }}, with below or both"), item, "");
            return (None, None);
        }
        let Some(block) = self.table(&label, item) else { return (None, None) };
        self.keys(&label, block, schema::RANGE, &[]);
        let mut end = |name: &str| {
            let item = block.item(name)?;
            let (value, unit) = self.amount(&format!("{label}.{name}"), example, Some(dimension), item)?;
            Some((item.get().as_str()?, unit.to_base(value)?))
        };
        let (from, below) = (end("from"), end("below"));
        if block.table.is_empty() {
            self.tell(item.spot(), format!("{label}: expected from, below or both"));
        }
        if let (Some((_, from)), Some((_, below))) = (from, below)
            && from >= below
        {
            self.tell(item.spot(), format!("{label}: nothing lies between from and below"));
        }
        (from, below)
    }

    fn check(&mut self, block: Block<'_>, tier: Tier, names: &Names<'_>) -> Option<Check> {
        self.keys("a check", block, schema::CHECK, &[]);
        let tier = match block.item("tier") {
            None => tier,
            item => self.word("check.tier", &TIERS, item)?,
        };
        let has = |key: &str| block.table.contains_key(key);
        let given: Vec<&str> = ["measure", "above", "below", "flag"].into_iter().filter(|key| has(key)).collect();
        let good = matches!(given.as_slice(), ["measure", "above"] | ["measure", "below"] | ["flag"]);
        if !good {
            let found = if given.is_empty() { "none of them".to_owned() } else { given.join(", ") };
            self.tell(block.at, format!("a check: expected measure with above or below, or flag alone, found {found}"));
        }
        let terms = self.terms_of_check(block, names);
        let names = Names { terms: &terms, ..*names };
        let when = self.expression("check.when", &names, Wanted::Truth, block.item("when"));
        let measure = self.expression("check.measure", &names, Wanted::Quantity(None), block.item("measure"));
        let kind = measure.as_ref().map(Expression::kind);
        let side = match kind {
            Some(Type::Quantity(dimension)) => Wanted::Quantity(Some(dimension)),
            _ => Wanted::Quantity(None),
        };
        let above = self.expression("check.above", &names, side, block.item("above"));
        let below = self.expression("check.below", &names, side, block.item("below"));
        let flag = self.expression("check.flag", &names, Wanted::Truth, block.item("flag"));
        let extra: Vec<(&str, Type)> = match kind {
            Some(kind) => vec![("measure", kind), ("bound", kind)],
            None => Vec::new(),
        };
        let names = Names { extra: &extra, ..names };
        // Without a measure that could be read, `measure` and `bound` of the texts would be faults of their own.
        let readable = kind.is_some() || !has("measure");
        let text = block.item("text").filter(|_| readable);
        let text = self.template("check.text", &names, text);
        let fix = self.template("check.fix", &names, block.item("fix").filter(|_| readable));
        let number = Wanted::Quantity(Some(Dimension::NUMBER));
        let mut scaled = |key: &str, what: Scaled| {
            let item = block.item(key).filter(|_| readable);
            self.expression(&format!("check.{key}"), &names, number, item).map(|by| (what, by))
        };
        let scale = (scaled("scale-feed", Scaled::Feed), scaled("scale-flush", Scaled::Flush));
        if has("scale-feed") && has("scale-flush") {
            self.tell(block.at, "a check: expected scale-feed or scale-flush, found both".to_owned());
        }
        let scale = scale.0.or(scale.1);
        let bound = match (above, below, flag) {
            (Some(above), None, None) => Bound::Above(above),
            (None, Some(below), None) => Bound::Below(below),
            (None, None, Some(flag)) => Bound::When(flag),
            _ => return None,
        };
        let terms =
            terms.iter().filter(|term| block_has(block, &term.named.name)).map(|term| term.named.clone()).collect();
        Some(Check {
            tier,
            when,
            measure,
            bound,
            text: text?,
            fix,
            terms,
            scale,
            compared: None,
            nth: 0,
            of: Of::default(),
        })
    }

    fn tests(&mut self, draft: &Draft<'_>, bounded: bool) -> Vec<Test> {
        let mut tests = Vec::new();
        let mut kinds = Vec::new();
        for block in self.blocks("limit.test", "[[limit.test]]", draft.item("test")) {
            self.keys("a test", block, schema::TEST, &[]);
            let title = self.string("test.title", "what it shows", block.item("title"));
            let kind = self.word("test.kind", &TEST_KINDS, block.item("kind"));
            let expect = self.word("test.expect", &EXPECTED, block.item("expect"));
            let tier = self.word("test.tier", &TIERS, block.item("tier"));
            kinds.extend(kind);
            let given = block.item("given").and_then(|item| self.table("test.given", item));
            let given = given.and_then(|given| {
                self.given(given, 0);
                self.copied(given)
            });
            let (Some(title), Some(kind), Some(expect), Some(given)) = (title, kind, expect, given) else { continue };
            tests.push(Test { title, kind, expect, tier, given, place: self.line(block.at) });
        }
        let lacks: Vec<&str> = TEST_KINDS
            .iter()
            .filter(|(kind, _)| !kinds.contains(kind) && (bounded || *kind != TestKind::Boundary))
            .map(|(_, word)| *word)
            .collect();
        if !lacks.is_empty() {
            let id = draft.id;
            self.warn(draft.at, format!("the limit {id} has no test of kind {}", lacks.join(", ")));
        }
        tests
    }

    /// An order in short form: its keys, and the form of its values.
    fn given(&mut self, block: Block<'_>, depth: usize) {
        self.keys("an order in short form", block, schema::GIVEN, &[]);
        let known = schema::names(schema::GIVEN);
        for (key, _, item) in block.items().filter(|(key, ..)| known.clone().any(|known| known == *key)) {
            let label = format!("given.{key}");
            match key {
                "age" => drop(self.amount(&label, "70 a", Some(Dimension::TIME), item)),
                "gestation" => drop(self.amount(&label, "28 wk", Some(Dimension::TIME), item)),
                "weight-age" | "every" | "over" | "hours" | "lab-age" | "earlier-lab-age" | "stay" | "ends" => {
                    drop(self.amount(&label, "6 h", Some(Dimension::TIME), item));
                }
                "weight" | "birth-weight" => drop(self.amount(&label, "70 kg", Some(Dimension::MASS), item)),
                "height" => drop(self.amount(&label, "170 cm", Some(Dimension::LENGTH), item)),
                "density" => drop(self.amount(&label, "1.5 kcal/mL", None, item)),
                "rate" => drop(self.amount(&label, "60 mL/h", None, item)),
                "volume" | "cap" => drop(self.amount(&label, "250 mL", None, item)),
                "fluid-limit" => drop(self.amount(&label, "1500 mL/d", None, item)),
                "birth-date" => drop(self.date(&label, Some(item))),
                "sex" => drop(self.word(&label, &[((), "female"), ((), "male")], Some(item))),
                "feeds" => {
                    let number = item.get().as_integer().filter(|number| number.radix() == 10);
                    if !number.and_then(|n| n.as_str().parse::<u32>().ok()).is_some_and(|n| (1..=96).contains(&n)) {
                        self.wrong(&label, "a whole number of feeds in a day, such as 6", item, "");
                    }
                }
                "labs" | "earlier-labs" => {
                    let Some(labs) = self.table(&label, item) else { continue };
                    for (name, at, item) in labs.items() {
                        if !self.facts.iter().any(|fact| fact.name == name && matches!(fact.kind, Type::Quantity(_))) {
                            let meant = hint(name, self.facts.iter().map(|fact| fact.name));
                            self.tell(
                                at,
                                format!("{label}: {} is not the name of a measured fact{meant}", shown(name)),
                            );
                        }
                        self.amount(&format!("{label}.{name}"), "5.6 mmol/L", None, item);
                    }
                }
                "conditions" | "allergies" | "medicines" | "holds" => {
                    let kind = match key {
                        "holds" => ConceptKind::Hold,
                        "conditions" => ConceptKind::Condition,
                        "allergies" => ConceptKind::Allergy,
                        _ => ConceptKind::Medicine,
                    };
                    for (word, item) in self.texts(&label, "keys of concepts", Some(item)) {
                        let concepts = self.book.concepts.iter().filter(|concept| concept.kind == kind);
                        let known: Vec<String> = concepts.map(|concept| concept.key.clone()).collect();
                        if self.whole && !known.iter().any(|known| known == word) {
                            let meant = hint(word, known.iter().map(String::as_str));
                            self.wrong(&label, "the key of a concept of this kind", item, &meant);
                        }
                    }
                }
                "declares" => {
                    let words = ContextKind::ALL.map(|(kind, word)| (kind, word));
                    for (_, item) in self.texts(&label, "kinds of data", Some(item)) {
                        self.word(&label, &words, Some(item));
                    }
                }
                "medicine-forms" => self.smalls(&label, item, &[], &["medicine", "form", "route"]),
                "infusions" => self.smalls(&label, item, &["rate", "volume"], &["product", "medicine"]),
                "preferences" => drop(self.texts(&label, "keys of concepts", Some(item))),
                "procedures" => self.smalls(&label, item, &["ago"], &["kind"]),
                "tube" => self.small(&label, item, &["ago"], &["kind"]),
                "by-mouth" => {
                    let words = super::short_form::BY_MOUTH.map(|word| ((), word));
                    self.word(&label, &words, Some(item));
                }
                "earlier-weight" => self.small(&label, item, &["value", "ago"], &[]),
                "flush" => self.small(&label, item, &["volume", "every"], &[]),
                "steps" => self.smalls(&label, item, &["rate", "for"], &[]),
                "additives" => self.smalls(&label, item, &["amount"], &["product"]),
                "other-orders" => {
                    for order in self.blocks(&label, "[[limit.test.given.other-orders]]", Some(item)) {
                        if depth < NESTING {
                            self.given(order, depth + 1);
                        } else {
                            self.tell(order.at, format!("{label}: orders within orders are nested too deep"));
                        }
                    }
                }
                _ => drop(self.text(&label, "a text in quotes", item)),
            }
        }
    }

    fn smalls(&mut self, label: &str, item: Item<'_>, amounts: &[&str], texts: &[&str]) {
        for item in self.list(label, "tables", item).unwrap_or_default() {
            self.small(label, item, amounts, texts);
        }
    }

    /// A table of a few amounts and texts in an order.
    fn small(&mut self, label: &str, item: Item<'_>, amounts: &[&str], texts: &[&str]) {
        let Some(block) = self.table(label, item) else { return };
        for (key, at, item) in block.items() {
            if amounts.contains(&key) {
                self.amount(&format!("{label}.{key}"), "60 mL/h", None, item);
            } else if texts.contains(&key) {
                self.text(&format!("{label}.{key}"), "a text in quotes", item);
            } else {
                let known: Vec<&str> = amounts.iter().chain(texts).copied().collect();
                let meant = hint(key, known.iter().copied());
                self.tell(at, format!("{label}: {} is not known; known are {}{meant}", shown(key), known.join(", ")));
            }
        }
    }

    /// A table as plain values.
    fn copied(&mut self, block: Block<'_>) -> Option<toml::Table> {
        let mut out = toml::Table::new();
        for (key, _, item) in block.items() {
            out.insert(key.to_owned(), self.copy(key, item)?);
        }
        Some(out)
    }

    fn copy(&mut self, key: &str, item: Item<'_>) -> Option<toml::Value> {
        Some(match item.get() {
            DeValue::String(text) => toml::Value::String(text.to_string()),
            DeValue::Integer(number) => {
                toml::Value::Integer(i64::from_str_radix(number.as_str(), number.radix()).ok()?)
            }
            DeValue::Float(_) => {
                self.wrong(&format!("given.{key}"), "a number and a unit in quotes", item, "");
                return None;
            }
            DeValue::Boolean(truth) => toml::Value::Boolean(*truth),
            DeValue::Datetime(time) => toml::Value::Datetime(*time),
            DeValue::Array(list) => {
                let mut values = Vec::new();
                for value in list.iter() {
                    values.push(self.copy(key, Item { source: item.source, value })?);
                }
                toml::Value::Array(values)
            }
            DeValue::Table(table) => toml::Value::Table(self.copied(Block { at: item.spot(), table })?),
        })
    }

    /// The keys of a limit with their values and places.
    fn effective(&mut self, draft: &Draft<'_>) {
        for (key, slots) in &draft.keys {
            let mut told: Vec<(String, String)> =
                slots.iter().map(|(at, item)| (written(item.get()), self.line(*at))).collect();
            let Some((value, place)) = told.pop() else { continue };
            let last = slots.last();
            // An override's key stands after its head, before the next one's, in the same file.
            let over = last.filter(|_| slots.len() > 1 || draft.at.source != last.map_or(0, |(at, _)| at.source));
            let decided = over.and_then(|(at, _)| {
                let heads = draft.over().iter().filter(|over| over.at.source == at.source && over.at <= *at);
                heads.max_by_key(|over| over.at).map(|over| (over.by.to_owned(), over.why.to_owned()))
            });
            self.book.effective.push(Effective {
                decided,
                json: last.map_or(serde_json::Value::Null, |(_, item)| structured(item.get())),
                limit: draft.id.to_owned(),
                key: key.clone(),
                value,
                place,
                replaced: told,
            });
        }
    }
}

/// What is expected of a source.
const SOURCE: &str = "a citation, \"common practice, no source\" or \"from memory, to be confirmed\"";

/// A value on one line.
pub(super) fn written(value: &DeValue<'_>) -> String {
    match value {
        DeValue::String(text) => text.split_whitespace().collect::<Vec<_>>().join(" "),
        DeValue::Integer(number) => number.as_str().to_owned(),
        DeValue::Float(number) => number.as_str().to_owned(),
        DeValue::Boolean(truth) => truth.to_string(),
        DeValue::Datetime(time) => time.to_string(),
        DeValue::Array(list) => {
            let parts: Vec<String> = list.iter().map(|value| written(value.get_ref())).collect();
            parts.join("; ")
        }
        DeValue::Table(table) => {
            let parts: Vec<String> =
                table.iter().map(|(key, value)| format!("{} = {}", key.get_ref(), written(value.get_ref()))).collect();
            format!("{{ {} }}", parts.join(", "))
        }
    }
}

/// A value with its structure; numbers and days as they are written.
fn structured(value: &DeValue<'_>) -> serde_json::Value {
    use serde_json::Value;
    match value {
        DeValue::String(text) => Value::String(text.to_string()),
        DeValue::Integer(number) => {
            let plain = i64::from_str_radix(number.as_str(), number.radix());
            plain.map_or_else(|_| Value::String(number.as_str().to_owned()), Value::from)
        }
        DeValue::Float(number) => Value::String(number.as_str().to_owned()),
        DeValue::Boolean(truth) => Value::Bool(*truth),
        DeValue::Datetime(time) => Value::String(time.to_string()),
        DeValue::Array(list) => Value::Array(list.iter().map(|value| structured(value.get_ref())).collect()),
        DeValue::Table(table) => Value::Object(
            table.iter().map(|(key, value)| (key.get_ref().to_string(), structured(value.get_ref()))).collect(),
        ),
    }
}

/// An absolute URI.
fn is_uri(text: &str) -> bool {
    text.split_once(':').is_some_and(|(scheme, rest)| {
        scheme.starts_with(|c: char| c.is_ascii_alphabetic())
            && scheme.chars().all(|c| c.is_ascii_alphanumeric() || matches!(c, '+' | '.' | '-'))
            && !rest.is_empty()
            && !rest.contains(char::is_whitespace)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Where the `^` of a decoded text is found in its raw form, and where it is.
    fn found(toml: &str) -> (usize, usize) {
        let text = format!("a = {toml}");
        let table = DeTable::parse(&text).unwrap();
        let value = table.get_ref().get("a").unwrap();
        let decoded = value.get_ref().as_str().unwrap();
        let before = decoded.split('^').next().unwrap();
        let line = before.matches('\n').count();
        let column = before.rsplit('\n').next().unwrap().chars().count();
        let span = value.span();
        (span.start + offset_in(&text[span.clone()], decoded, line, column), text.find('^').unwrap())
    }

    #[test]
    fn a_place_in_a_text_is_found_in_its_file() {
        for toml in [
            r#""ab^c""#,
            r#""^""#,
            r"'a\b^'",
            r#""\"q\" \u00e9\t\\ ^""#,
            r#""é\U0001F600\x41^""#,
            "\"\"\"\nfirst\nsecond ^\"\"\"",
            "\"\"\"first\nsecond\\tx ^\"\"\"",
            "\"\"\"first \\\n   second ^\"\"\"",
            "'''\r\nfirst\r\nsecond ^'''",
            "'''it's\n\\^'''",
            "\"\"\"a \\\n  ^\"\"\"",
        ] {
            let (place, wanted) = found(toml);
            assert_eq!(place, wanted, "{toml}");
        }
    }

    #[test]
    fn ids_and_names() {
        for id in ["RTE-03", "RTE-03a"] {
            assert!(is_id(id), "{id}");
        }
        for id in ["", "RTE", "RTE-", "RTE-3", "RTE-003", "RTE-03A", "RTE-03ab", "rte-03", "ÄÖÜ-03", "RTEX-03"] {
            assert!(!is_id(id), "{id}");
        }
        assert!(is_name("rate-high-2", '-'));
        for name in ["", "-a", "a-", "a--b", "A", "2a", "a_b"] {
            assert!(!is_name(name, '-'), "{name}");
        }
    }

    #[test]
    fn words_of_scopes_are_those_of_the_facts() {
        for (key, name, words) in SCOPE_WORDS {
            let fact = FACTS.iter().find(|fact| fact.name == name).unwrap();
            assert_eq!(fact.kind, Type::Word(words), "{key}");
        }
    }
}
