//! Reports as they are kept: packed (Zstandard), or plain as earlier programs keep them. Both are read.
//!
//! Reports of one institution are much alike, so they are packed against a dictionary: texts that a report may repeat.
//! Whatever is in a dictionary outlives the orders packed with it, so it is made of reports of invented orders only, and
//! nothing of a patient is ever in one. Dictionaries are kept beside the items, by the hash of their bytes. None is
//! removed: another program may be about to write with it.
//!
//! A program of the version before cannot read what is packed. So nothing is, until the tables say that no such program
//! works on them ([`super::schema`]).

use super::sql::{Dialect, Value, locked, statement, trouble};
use super::{Unavailable, schema};
use crate::audit::chain::Hash;
use crate::queue::item::ItemId;
use crate::queue::report::Report;
use futures_util::TryStreamExt as _;
use sqlx::any::AnyRow;
use sqlx::{Any, AnyConnection, AnyPool, Executor, Row};
use std::borrow::Cow;
use std::collections::{HashMap, HashSet};
use std::sync::{Arc, Mutex};
use zstd::bulk::{Compressor, Decompressor};
use zstd::dict::DecoderDictionary;
use zstd::zstd_safe::get_frame_content_size;

/// The step of the tables that brought this, and the oldest version that a program has to know to read what is packed.
pub(super) const SINCE: i64 = 6;
/// Most bytes of a dictionary.
pub const MOST_OF_A_DICTIONARY: usize = 112 << 10;
/// Bytes of the longest report that is packed, and unpacked; a longer one is kept plain.
pub const LONGEST_PACKED: usize = 16 << 20;
/// Bytes of a piece that is not said twice in a dictionary, at least: from many short ones a report is told in more bytes.
const SHORTEST_PIECE: usize = 200;
/// Of Zstandard's levels: those above take longer than the shorter report saves.
const LEVEL: i32 = 3;
/// Bytes of a report that most keep within.
const USUAL_REPORT: usize = 32 << 10;
/// Bytes of what is held for the next report, at most.
const LONGEST_HELD: usize = 1 << 20;
/// Most compressors that wait for the next report.
const MOST_IDLE: usize = 16;
/// Most dictionaries that are held to read with.
const MOST_HELD: usize = 64;
/// Reports that are unpacked at a time, where all are.
const AT_A_TIME: u32 = 100;

/// The columns of a report, in the order in which [`in_row`] reads them.
pub(super) const COLUMNS: &str = "report, report_packed, report_dictionary";

/// A dictionary, made ready to unpack with.
pub(super) struct Dictionary {
    /// Hash of its bytes.
    id: Arc<str>,
    prepared: DecoderDictionary<'static>,
}

impl Dictionary {
    fn new(bytes: &[u8]) -> Self {
        Self { id: Hash::of(bytes).to_string().into(), prepared: DecoderDictionary::copy(bytes) }
    }

    /// As it is kept; `None` where its bytes are not those that its id is the hash of, or are no text: what is no text may
    /// be taken for a dictionary of another kind, which is not only looked up but read.
    fn kept(id: &str, bytes: &[u8]) -> Option<Self> {
        let whole = Hash::of(bytes).to_string() == id && std::str::from_utf8(bytes).is_ok();
        whole.then(|| Self::new(bytes))
    }

    fn unpack(&self, bytes: &[u8]) -> Result<String, &'static str> {
        const WRONG: &str = "its report cannot be unpacked";
        let length = get_frame_content_size(bytes).ok().flatten().and_then(|length| usize::try_from(length).ok());
        let length = length.ok_or(WRONG)?;
        if length > LONGEST_PACKED {
            return Err("its report says that it is longer than any that is packed");
        }
        let mut decompressor = Decompressor::with_prepared_dictionary(&self.prepared).map_err(|_| WRONG)?;
        let text = decompressor.decompress(bytes, length).map_err(|_| WRONG)?;
        if text.len() != length {
            return Err(WRONG);
        }
        String::from_utf8(text).map_err(|_| WRONG)
    }
}

/// A report as it is kept.
#[derive(Clone)]
pub(super) enum Kept {
    Plain(Arc<str>),
    Packed { by: Arc<Dictionary>, bytes: Arc<[u8]> },
}

impl Default for Kept {
    fn default() -> Self {
        Self::Plain("".into())
    }
}

impl Kept {
    /// The report of an item, JSON.
    pub(super) fn text(&self, item: &ItemId) -> Result<Cow<'_, str>, Unavailable> {
        match self {
            Self::Plain(text) => Ok(Cow::Borrowed(text)),
            Self::Packed { by, bytes } => by.unpack(bytes).map(Cow::Owned).map_err(|why| of_item(item, why)),
        }
    }

    /// Whether it is kept in the same way, to the byte; where it is not, it may still say the same.
    pub(super) fn is_kept_as(&self, other: &Self) -> bool {
        match (self, other) {
            (Self::Plain(a), Self::Plain(b)) => a == b,
            (Self::Packed { by, bytes }, Self::Packed { by: other, bytes: others }) => {
                by.id == other.id && bytes == others
            }
            _ => false,
        }
    }

    pub(super) fn is_packed(&self) -> bool {
        matches!(self, Self::Packed { .. })
    }

    /// What is written into [`COLUMNS`].
    pub(super) fn values(&self) -> [Value; 3] {
        match self {
            Self::Plain(text) => [text.as_ref().into(), Value::NoBytes, Value::NoText],
            Self::Packed { by, bytes } => ["".into(), Value::Bytes(bytes.to_vec()), by.id.as_ref().into()],
        }
    }
}

/// Whether every program that works on the tables can read packed reports.
pub(super) async fn may_be(pool: &AnyPool, dialect: Dialect) -> Result<bool, Unavailable> {
    let mut conn = pool.acquire().await.map_err(|error| trouble(&error))?;
    let found = schema::found(&mut conn, dialect).await.map_err(|error| trouble(&error))?;
    Ok(found.is_some_and(|(version, works_with)| version >= SINCE && works_with >= SINCE))
}

/// A report as text, JSON.
pub(super) fn plain(report: &Report) -> String {
    // Texts and numbers only: cannot fail.
    serde_json::to_string(report).unwrap_or_default()
}

fn of_item(item: &ItemId, why: &str) -> Unavailable {
    Unavailable::Damaged(format!("item {item}: {why}"))
}

/// A report as a row has it.
pub(super) enum InRow {
    Plain(String),
    Packed { bytes: Vec<u8>, dictionary: String },
}

/// Reads [`COLUMNS`], which begin at `at`. A plain report, where there is one, is the one that counts: a program that does
/// not know packed ones wrote it.
pub(super) fn in_row(row: &AnyRow, at: usize, item: &ItemId) -> Result<InRow, Unavailable> {
    let plain: String = row.try_get(at).map_err(|error| trouble(&error))?;
    if !plain.is_empty() {
        return Ok(InRow::Plain(plain));
    }
    let packed: Option<Vec<u8>> = row.try_get(at + 1).map_err(|error| trouble(&error))?;
    let dictionary: Option<String> = row.try_get(at + 2).map_err(|error| trouble(&error))?;
    match (packed, dictionary) {
        (Some(bytes), Some(dictionary)) => Ok(InRow::Packed { bytes, dictionary }),
        _ => Err(of_item(item, "it has no report")),
    }
}

/// Dictionaries that were read, by their ids.
#[derive(Default)]
pub(super) struct Dictionaries(Mutex<HashMap<Arc<str>, Arc<Dictionary>>>);

impl Dictionaries {
    fn hold(&self, dictionary: &Arc<Dictionary>) {
        let mut held = locked(&self.0);
        if held.len() >= MOST_HELD {
            held.clear();
        }
        held.insert(dictionary.id.clone(), dictionary.clone());
    }

    async fn get(
        &self,
        from: impl Executor<'_, Database = Any>,
        id: &str,
        item: &ItemId,
    ) -> Result<Arc<Dictionary>, Unavailable> {
        if let Some(held) = locked(&self.0).get(id) {
            return Ok(held.clone());
        }
        let sql = "SELECT bytes FROM dictionaries WHERE id = $1".to_owned();
        let row = statement(sql, [id.into()]).fetch_optional(from).await.map_err(|error| trouble(&error))?;
        let row = row.ok_or_else(|| of_item(item, &missing(id)))?;
        let bytes: Vec<u8> = row.try_get(0).map_err(|error| trouble(&error))?;
        let dictionary = Arc::new(Dictionary::kept(id, &bytes).ok_or_else(|| of_item(item, &changed(id)))?);
        self.hold(&dictionary);
        Ok(dictionary)
    }

    /// The report of an item, as a row has it; its dictionary is read where it is not held.
    pub(super) async fn kept(
        &self,
        from: impl Executor<'_, Database = Any>,
        found: InRow,
        item: &ItemId,
    ) -> Result<Kept, Unavailable> {
        Ok(match found {
            InRow::Plain(text) => Kept::Plain(text.into()),
            InRow::Packed { bytes, dictionary } => {
                let by = self.get(from, &dictionary, item).await?;
                Kept::Packed { by, bytes: bytes.into() }
            }
        })
    }
}

fn missing(id: &str) -> String {
    format!("its report is packed with dictionary {id}, which is not there")
}

fn changed(id: &str) -> String {
    format!("its report is packed with dictionary {id}, which was changed")
}

/// Every dictionary that is kept, each looked at.
///
/// # Errors
/// The first one whose bytes are not those that its id is the hash of.
pub(super) async fn verified(conn: &mut AnyConnection) -> Result<HashMap<String, Dictionary>, Unavailable> {
    let mut rows = sqlx::query("SELECT id, bytes FROM dictionaries ORDER BY id").fetch(conn);
    let mut out = HashMap::new();
    while let Some(row) = rows.try_next().await.map_err(|error| trouble(&error))? {
        let id: String = row.try_get(0).map_err(|error| trouble(&error))?;
        let bytes: Vec<u8> = row.try_get(1).map_err(|error| trouble(&error))?;
        let Some(dictionary) = Dictionary::kept(&id, &bytes) else {
            return Err(Unavailable::Damaged(format!("dictionary {id} of packed reports was changed")));
        };
        out.insert(id, dictionary);
    }
    Ok(out)
}

/// The text of a report as a row has it, by dictionaries that are all there.
pub(super) fn text_in(
    found: InRow,
    item: &ItemId,
    dictionaries: &HashMap<String, Dictionary>,
) -> Result<String, Unavailable> {
    match found {
        InRow::Plain(text) => Ok(text),
        InRow::Packed { bytes, dictionary } => {
            let by = dictionaries.get(&dictionary).ok_or_else(|| of_item(item, &missing(&dictionary)))?;
            by.unpack(&bytes).map_err(|why| of_item(item, why))
        }
    }
}

/// Makes every report plain again, for programs that know nothing else.
///
/// # Errors
/// The first one that cannot be unpacked, or whatever the database says.
pub(super) async fn unpack_all(conn: &mut AnyConnection) -> Result<(), Unavailable> {
    let dictionaries = verified(conn).await?;
    let mut after = String::new();
    loop {
        let sql = format!(
            "SELECT id, {COLUMNS} FROM items WHERE id > $1 AND report_packed IS NOT NULL ORDER BY id LIMIT {AT_A_TIME}"
        );
        let rows =
            statement(sql, [after.as_str().into()]).fetch_all(&mut *conn).await.map_err(|error| trouble(&error))?;
        if rows.is_empty() {
            return Ok(());
        }
        for row in rows {
            let id = super::sql::id_of(&row, 0)?;
            id.as_str().clone_into(&mut after);
            let text = text_in(in_row(&row, 1, &id)?, &id, &dictionaries)?;
            let sql = "UPDATE items SET report = $1, report_packed = NULL, report_dictionary = NULL WHERE id = $2";
            let done = statement(sql.to_owned(), [text.into(), id.as_str().into()]).execute(&mut *conn).await;
            done.map_err(|error| trouble(&error))?;
        }
    }
}

/// A text in pieces, each to a comma; as long as words of a sentence at least.
fn pieces(text: &str) -> impl Iterator<Item = &str> {
    let mut rest = text;
    std::iter::from_fn(move || {
        let comma = rest.bytes().enumerate().skip(SHORTEST_PIECE).find(|(_, byte)| *byte == b',');
        let (piece, after) = rest.split_at_checked(comma.map_or(rest.len(), |(at, _)| at + 1))?;
        rest = after;
        (!piece.is_empty()).then_some(piece)
    })
}

/// What texts say, everything once, as far as there is room, the last ones first: what is at the end is told in the fewest
/// bits.
fn dictionary_of(samples: &[String]) -> Vec<u8> {
    let mut said = HashSet::new();
    let mut room = MOST_OF_A_DICTIONARY;
    let mut taken = Vec::new();
    for text in samples.iter().rev() {
        let new: Vec<&str> = pieces(text).filter(|piece| said.insert(*piece)).collect();
        for piece in new.into_iter().rev() {
            let Some(left) = room.checked_sub(piece.len()) else { break };
            room = left;
            taken.push(piece);
        }
    }
    taken.into_iter().rev().collect::<String>().into_bytes()
}

/// What packs reports: many at the same time, each by a compressor that was made before.
pub(super) struct Packer {
    by: Arc<Dictionary>,
    dictionary: Vec<u8>,
    idle: Mutex<Vec<Bench>>,
}

/// A compressor with the dictionary in it, and room to work in.
struct Bench {
    compressor: Compressor<'static>,
    text: Vec<u8>,
    packed: Vec<u8>,
}

impl Packer {
    /// With a dictionary made of texts like those that will be packed; `None` without any.
    pub(super) fn of(samples: &[String], held: &Dictionaries) -> Option<Self> {
        let dictionary = dictionary_of(samples);
        if dictionary.is_empty() {
            return None;
        }
        let by = Arc::new(Dictionary::new(&dictionary));
        held.hold(&by);
        Some(Self { by, dictionary, idle: Mutex::default() })
    }

    fn bench(&self) -> Option<Bench> {
        if let Some(idle) = locked(&self.idle).pop() {
            return Some(idle);
        }
        let mut compressor = Compressor::with_dictionary(LEVEL, &self.dictionary).ok()?;
        // Its length is in it without being asked for.
        compressor.include_checksum(true).ok()?;
        Some(Bench { compressor, text: Vec::with_capacity(USUAL_REPORT), packed: Vec::new() })
    }

    /// `None` where it has to be kept plain.
    pub(super) fn pack(&self, report: &Report) -> Option<Kept> {
        let mut bench = self.bench()?;
        bench.text.clear();
        serde_json::to_writer(&mut bench.text, report).ok()?;
        if bench.text.len() > LONGEST_PACKED {
            return None;
        }
        bench.packed.clear();
        bench.packed.reserve(zstd::zstd_safe::compress_bound(bench.text.len()));
        bench.compressor.compress_to_buffer(&bench.text, &mut bench.packed).ok()?;
        let bytes = bench.packed.as_slice().into();
        if bench.text.capacity() <= LONGEST_HELD {
            let mut idle = locked(&self.idle);
            if idle.len() < MOST_IDLE {
                idle.push(bench);
            }
        }
        Some(Kept::Packed { by: self.by.clone(), bytes })
    }

    /// Sees to it that the dictionary is there once this transaction is committed, whatever became of the database since
    /// it was written: what is packed by it can be read from then on.
    pub(super) async fn keep(&self, conn: &mut AnyConnection) -> Result<(), Unavailable> {
        let own = || Value::from(self.by.id.as_ref());
        let sql = "SELECT works_with, (SELECT COUNT(*) FROM dictionaries WHERE id = $1) FROM layout".to_owned();
        let row = statement(sql, [own()]).fetch_one(&mut *conn).await.map_err(|error| trouble(&error))?;
        let works_with: i64 = row.try_get(0).map_err(|error| trouble(&error))?;
        let there: i64 = row.try_get(1).map_err(|error| trouble(&error))?;
        if works_with < SINCE {
            return Err(Unavailable::Database(
                "its tables were taken back while this service used them: start it again".to_owned(),
            ));
        }
        if there > 0 {
            return Ok(());
        }
        let sql = "INSERT INTO dictionaries (id, bytes) VALUES ($1, $2) ON CONFLICT (id) DO NOTHING".to_owned();
        let values = [own(), Value::Bytes(self.dictionary.clone())];
        statement(sql, values).execute(conn).await.map(drop).map_err(|error| trouble(&error))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::findings::Disposition;
    use crate::queue::report::{NotEvaluated, Versions};
    use proptest::prelude::*;

    fn report(notes: Vec<String>, why: String) -> Report {
        let version = || why.chars().take(5).collect::<String>();
        Report {
            disposition: Disposition::Flagged,
            findings: Vec::new(),
            not_evaluated: vec![NotEvaluated { rules: notes.clone(), why: why.clone(), at: Vec::new() }],
            not_provided: Vec::new(),
            switched_off: Vec::new(),
            notes,
            delivered: Vec::new(),
            day: None,
            data: Vec::new(),
            assumptions: vec![(why.clone(), version())],
            by: Versions {
                program: version(),
                rulebook: version(),
                rulebook_hash: version(),
                formulary: version(),
                formulary_hash: version(),
                settings_hash: version(),
                fhir_version: version(),
                time_zone: version(),
                demo: true,
            },
            sheet: None,
        }
    }

    fn item() -> ItemId {
        ItemId::read("3b241101-e2bb-4255-8caf-4136c566a962").unwrap()
    }

    fn packer(samples: &[String]) -> Packer {
        Packer::of(samples, &Dictionaries::default()).unwrap()
    }

    fn samples() -> Vec<String> {
        let texts = ["Invented, the first of them, with ü and a quote \".", "Invented, the second one."];
        texts.map(|text| plain(&report(vec![text.repeat(20); 3], text.to_owned()))).to_vec()
    }

    proptest! {
        /// Whatever is in a report, it comes out as it went in.
        #[test]
        fn what_is_packed_is_unpacked(notes in prop::collection::vec(any::<String>(), 0..8), why in any::<String>()) {
            let (report, packer) = (report(notes, why), packer(&samples()));
            for _ in 0..2 {
                let kept = packer.pack(&report).unwrap();
                prop_assert!(kept.is_packed());
                prop_assert_eq!(kept.text(&item()).unwrap(), plain(&report));
            }
            prop_assert!(packer.pack(&report).unwrap().is_kept_as(&packer.pack(&report).unwrap()));
        }

        /// Whatever becomes of its bytes, another text never comes out.
        #[test]
        fn what_is_damaged_is_not_read_as_something_else(at in any::<prop::sample::Index>(), bit in 0..8u8, cut in any::<prop::sample::Index>()) {
            let (report, packer) = (report(vec!["Invented".to_owned(); 5], "nothing".to_owned()), packer(&samples()));
            let Some(Kept::Packed { by, bytes }) = packer.pack(&report) else { panic!("it was not packed") };
            let mut changed = bytes.to_vec();
            changed[at.index(bytes.len())] ^= 1 << bit;
            if let Ok(text) = by.unpack(&changed) {
                prop_assert_eq!(text, plain(&report));
            }
            prop_assert!(by.unpack(&bytes[..cut.index(bytes.len())]).is_err());
            let twice = [&bytes[..], &bytes[..]].concat();
            prop_assert!(by.unpack(&twice).is_err());
        }

        /// Nor out of any other bytes.
        #[test]
        fn any_bytes_are_refused(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
            prop_assert!(packer(&samples()).by.unpack(&bytes).is_err());
        }

        /// A dictionary is never longer than it may be, and holds nothing that the samples do not say.
        #[test]
        fn a_dictionary_is_made_of_its_samples(said in prop::collection::vec(("[a-zü,]{0,300}", 0..400_usize), 0..5)) {
            let texts: Vec<String> =
                said.iter().map(|(text, n)| (0..*n).map(|i| format!("{text}{},", i * i)).collect()).collect();
            let made = dictionary_of(&texts);
            prop_assert!(made.len() <= MOST_OF_A_DICTIONARY);
            prop_assert_eq!(&made, &dictionary_of(&texts));
            let made = String::from_utf8(made).unwrap();
            let said: HashSet<&str> = texts.iter().flat_map(|text| pieces(text)).collect();
            prop_assert_eq!(pieces(&texts.concat()).collect::<String>(), texts.concat());
            let all: usize = said.iter().map(|piece| piece.len()).sum();
            if all <= MOST_OF_A_DICTIONARY {
                prop_assert_eq!(made.len(), all);
            }
            if let Some(last) = texts.last().and_then(|text| pieces(text).last()) {
                prop_assert!(last.len() > MOST_OF_A_DICTIONARY || made.contains(last));
            }
        }
    }

    #[test]
    fn packed_by_another_dictionary_it_is_not_read() {
        let report = report(vec!["Invented, the first of them, with ü and a quote \".".repeat(20); 3], "x".to_owned());
        let (one, other) = (packer(&samples()), packer(&samples()[..1]));
        let Some(Kept::Packed { bytes, .. }) = one.pack(&report) else { panic!("it was not packed") };
        assert!(other.by.unpack(&bytes).is_err());
        assert!(Dictionary::kept(&one.by.id, &one.dictionary).is_some());
        assert!(Dictionary::kept(&one.by.id, &other.dictionary).is_none());
        let other_kind = [0x37, 0xA4, 0x30, 0xEC, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10];
        assert!(Dictionary::kept(&Hash::of(&other_kind).to_string(), &other_kind).is_none());
        assert!(Packer::of(&[], &Dictionaries::default()).is_none());
        assert!(Packer::of(&[String::new()], &Dictionaries::default()).is_none());
    }

    #[test]
    fn what_is_too_long_is_kept_plain() {
        let packer = packer(&samples());
        assert!(packer.pack(&report(vec!["x".repeat(LONGEST_PACKED)], String::new())).is_none());
        assert!(packer.pack(&report(vec!["x".repeat(LONGEST_PACKED / 4)], String::new())).is_some());
    }

    #[test]
    fn compressors_are_used_again() {
        let packer = packer(&samples());
        for _ in 0..3 {
            packer.pack(&report(Vec::new(), String::new())).unwrap();
        }
        assert_eq!(locked(&packer.idle).len(), 1);
        std::thread::scope(|scope| {
            for _ in 0..40 {
                scope.spawn(|| packer.pack(&report(Vec::new(), String::new())).unwrap());
            }
        });
        assert!(locked(&packer.idle).len() <= MOST_IDLE);
    }

    #[test]
    fn dictionaries_are_held_up_to_a_number() {
        let held = Dictionaries::default();
        for n in 0..MOST_HELD + 1 {
            held.hold(&Arc::new(Dictionary::new(n.to_string().as_bytes())));
            assert!(locked(&held.0).len() <= MOST_HELD);
        }
    }
}
