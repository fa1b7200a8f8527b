//! The institution's products and how an order's formula is matched to one. No clinical limits here, and
//! no guessing: a product is found by configured code, identifier or exact normalised name, or not at all.
//!
//! Rooms: [`table`] reads the institution's CSV, [`resource`] a FHIR NutritionProduct; both end in a
//! [`product::Product`]. [`schema`] and [`plausibility`] judge each product; [`naming`] says when two names
//! are the same. A [`Formulary`] only exists when nothing in it had to be refused.

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

mod document;
pub mod naming;
pub mod plausibility;
pub mod problem;
pub mod product;
pub mod resource;
pub mod schema;
pub mod suggestion;
pub mod table;

pub use problem::{Column, FormularyProblem, Level};

use crate::exact::Exact;
use crate::intake::order::ProductRef;
use data_encoding::HEXLOWER;
use product::{Basis, Nutrient, Product};
use sha2::{Digest, Sha256};
use std::collections::HashMap;
use std::fmt;

/// The key by which a product was found.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum MatchedBy {
    /// A code: system and code both equal.
    Code,
    /// An identifier: system and value both equal.
    Identifier,
    /// A name or alias, equal after normalisation.
    Name,
}

impl fmt::Display for MatchedBy {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Code => "code",
            Self::Identifier => "identifier",
            Self::Name => "name",
        })
    }
}

/// One product that a key of the order leads to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Candidate {
    /// Index for [`Formulary::product`].
    pub index: usize,
    /// The key that leads there.
    pub by: MatchedBy,
    /// The key as the order gives it.
    pub given: String,
}

/// The outcome of a look-up.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Match {
    /// One product of the institution's formulary.
    Found {
        /// Index for [`Formulary::product`].
        index: usize,
        /// The strongest key that led there.
        by: MatchedBy,
    },
    /// The institution has no such product; the NutritionProduct sent with the order describes it. Only
    /// [`Formulary::find_with`] answers this.
    Sent,
    /// The keys of the order lead to different products. Nothing is picked.
    Ambiguous(Vec<Candidate>),
    /// No key leads to a product.
    Unknown,
}

/// What a person should know about the keys of an order, whatever they matched.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum KeyNote {
    /// A name or text that is not a name or alias of the product that was found by another key.
    NameNotOfProduct {
        /// The name as given.
        given: String,
        /// The product's name.
        product: String,
    },
    /// A code with its system that no product of the formulary has, although another key matched.
    CodeNotConfigured {
        /// The system.
        system: String,
        /// The code.
        code: String,
    },
    /// A name holds a character that is not seen (bidirectional, zero-width or other control): it was not
    /// compared with any name.
    HiddenCharacter {
        /// The name, the character written out as `U+….`.
        shown: String,
        /// The character.
        character: char,
    },
}

impl fmt::Display for KeyNote {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NameNotOfProduct { given, product } => {
                write!(f, "the name “{given}” is not a name or alias that the formulary has for {product}")
            }
            Self::CodeNotConfigured { system, code } => {
                write!(f, "the code {code} of {system} is not in the formulary")
            }
            Self::HiddenCharacter { shown, character } => write!(
                f,
                "the name “{shown}” holds a character that is not seen (U+{:04X}), so it was not compared with any name",
                u32::from(*character)
            ),
        }
    }
}

/// A figure of a NutritionProduct sent with an order that differs from the institution's entry.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Difference {
    /// Which figure: `energy`, a nutrient's name, `osmolality` or `basis`.
    pub what: &'static str,
    /// The institution's figure with its unit, or `not stated`.
    pub institution: String,
    /// The figure sent.
    pub sent: String,
}

/// A product with what is kept beside it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Entry {
    /// The product.
    pub product: Product,
    /// Medium-chain part of the fat, g per unit of the basis; used for the energy check only.
    pub medium_chain_fat: Option<Exact>,
    /// The institution's remark.
    pub note: Option<String>,
    /// Warnings about its figures. Whoever answers with the product should pass them on.
    pub warnings: Vec<FormularyProblem>,
}

impl Entry {
    /// An entry without a remark, its figures judged.
    ///
    /// # Errors
    /// Everything that makes the product impossible.
    pub fn judged(product: Product) -> Result<Self, Vec<FormularyProblem>> {
        let problems = plausibility::judge(&product, None, &plausibility::Stated::of(product.basis));
        let (refusals, warnings): (Vec<_>, Vec<_>) = problems.into_iter().partition(|p| p.level == Level::Refusal);
        if refusals.is_empty() {
            Ok(Self { product, medium_chain_fat: None, note: None, warnings })
        } else {
            Err(refusals)
        }
    }
}

/// The institution's products, with everything needed to find one. Never empty when it was read from a file; no two products share a
/// key, code, identifier or name.
#[derive(Clone, Debug)]
pub struct Formulary {
    label: String,
    hash: String,
    entries: Vec<Entry>,
    // INVARIANT: every value is an index into `entries`.
    by_code: HashMap<String, HashMap<String, usize>>,
    by_identifier: HashMap<String, HashMap<String, usize>>,
    by_name: HashMap<String, usize>,
}

impl Formulary {
    /// Reads the institution's CSV; see `docs/formulary.md` for its columns. `file_name` is only used to
    /// name the place of a problem and as the label.
    ///
    /// # Errors
    /// All problems found, warnings among them, when at least one of them is a refusal.
    pub fn from_csv(file_name: &str, bytes: &[u8]) -> Result<Self, Vec<FormularyProblem>> {
        let table::Read { entries, problems, header } = table::read(file_name, bytes);
        Self::assembled(file_name, entries, problems, &header)
    }

    /// No products: every one that is ordered is unknown, and what depends on it is.
    pub fn none() -> Self {
        Self {
            label: "no formulary".to_owned(),
            hash: content_hash(&[]),
            entries: Vec::new(),
            by_code: HashMap::new(),
            by_identifier: HashMap::new(),
            by_name: HashMap::new(),
        }
    }

    /// Reads the institution's products from FHIR: a NutritionProduct, or a Bundle of them, as JSON (R4B or R5, told by how
    /// characteristics are named). Each is read as one that is sent with an order.
    ///
    /// # Errors
    /// As [`Formulary::from_csv`]; the column of a problem is that of the line, its name the element.
    pub fn from_fhir(file_name: &str, bytes: &[u8]) -> Result<Self, Vec<FormularyProblem>> {
        let document::Read { entries, problems } = document::read(file_name, bytes);
        Self::assembled(file_name, entries, problems, &[])
    }

    /// A formulary of products that are already read, each judged as a CSV row is.
    ///
    /// # Errors
    /// As [`Formulary::from_csv`].
    pub fn from_products(label: &str, products: Vec<Product>) -> Result<Self, Vec<FormularyProblem>> {
        let mut entries = Vec::with_capacity(products.len());
        let mut problems = Vec::new();
        for product in products {
            match Entry::judged(product) {
                Ok(entry) => entries.push(entry),
                Err(refusals) => problems.extend(refusals),
            }
        }
        Self::assembled(label, entries, problems, &[])
    }

    /// `header`: the names of the table's columns in order, to number the column of a problem.
    fn assembled(
        label: &str,
        entries: Vec<Entry>,
        mut problems: Vec<FormularyProblem>,
        header: &[String],
    ) -> Result<Self, Vec<FormularyProblem>> {
        let mut out = Self {
            label: label.to_owned(),
            hash: String::new(),
            entries: Vec::new(),
            by_code: HashMap::new(),
            by_identifier: HashMap::new(),
            by_name: HashMap::new(),
        };
        if entries.is_empty() && problems.iter().all(|p| p.level == Level::Warning) {
            problems.push(FormularyProblem::of_file(
                label,
                "empty-formulary",
                "no product: an empty formulary would make every order's formula unknown; at least one row is expected"
                    .to_owned(),
            ));
        }
        let mut keys: HashMap<String, usize> = HashMap::new();
        for entry in entries {
            let index = out.entries.len();
            problems.extend(out.claim(&mut keys, &entry, index));
            out.entries.push(entry);
        }
        if problems.iter().any(|p| p.level == Level::Refusal) {
            problems.extend(out.entries.iter().flat_map(|e| e.warnings.iter().cloned()));
            problems.iter_mut().for_each(|p| p.number_column(header));
            problems.sort_by_key(|p| (p.line, p.column.as_ref().map(|c| c.number), p.level));
            problems.dedup();
            return Err(problems);
        }
        out.entries.iter_mut().flat_map(|e| e.warnings.iter_mut()).for_each(|p| p.number_column(header));
        out.hash = content_hash(&out.entries);
        Ok(out)
    }

    /// Enters the keys of one product; what another product already has is a problem.
    fn claim(&mut self, keys: &mut HashMap<String, usize>, entry: &Entry, index: usize) -> Vec<FormularyProblem> {
        let product = &entry.product;
        let mut taken: Vec<(&'static str, &'static str, String, usize)> = Vec::new();
        let folded = naming::normalised(&product.key).unwrap_or_else(|_| product.key.clone());
        match keys.get(&folded) {
            Some(&other) => taken.push(("duplicate-key", "key", product.key.clone(), other)),
            None => {
                keys.insert(folded, index);
            }
        }
        for (what, column, pairs, map) in [
            ("duplicate-code", "codes", &product.codes, &mut self.by_code),
            ("duplicate-identifier", "identifiers", &product.identifiers, &mut self.by_identifier),
        ] {
            for (system, value) in pairs {
                let of_system = map.entry(system.clone()).or_default();
                match of_system.get(value) {
                    Some(&other) if other != index => taken.push((what, column, format!("{system}|{value}"), other)),
                    Some(_) => {}
                    None => {
                        of_system.insert(value.clone(), index);
                    }
                }
            }
        }
        let names = std::iter::once(("name", &product.name)).chain(product.aliases.iter().map(|a| ("aliases", a)));
        let mut hidden: Vec<(&'static str, String)> = Vec::new();
        for (column, name) in names {
            let Ok(folded) = naming::normalised(name) else {
                hidden.push((column, naming::shown(name)));
                continue;
            };
            match self.by_name.get(&folded) {
                Some(&other) if other != index => taken.push(("duplicate-name", column, name.clone(), other)),
                Some(_) => {}
                None => {
                    self.by_name.insert(folded, index);
                }
            }
        }
        let problem = |code: &'static str, column: &'static str, text: String| FormularyProblem {
            file: product.provenance.file.clone(),
            line: Some(product.provenance.line),
            column: Some(Column { name: column.to_owned(), number: None }),
            product: Some(product.key.clone()),
            level: Level::Refusal,
            code,
            text,
        };
        let shared = taken.into_iter().map(|(code, column, value, other)| {
            let (whose, line) = self
                .entries
                .get(other)
                .map_or((String::new(), 0), |e| (e.product.key.clone(), e.product.provenance.line));
            problem(
                code,
                column,
                format!("{value} is also given for {whose} on line {line}; two products cannot share it"),
            )
        });
        let unseen = hidden.into_iter().map(|(column, shown)| {
            problem("hidden-character", column, format!("“{shown}” holds a character that is not seen; type it anew"))
        });
        shared.chain(unseen).collect()
    }

    /// The name of the file it was read from, without its folder, or the label it was made with.
    pub fn label(&self) -> &str {
        // The folder is nobody's business to whom an answer goes.
        self.label.rsplit(['/', '\\']).next().unwrap_or(&self.label)
    }

    /// SHA-256 of the content in normal form, lower-case hex. The same for the same products whatever the
    /// order of rows or columns, the basis the figures are written per, comments and line ends.
    pub fn hash(&self) -> &str {
        &self.hash
    }

    /// Number of products; never 0.
    #[allow(clippy::len_without_is_empty, reason = "a formulary is never empty")]
    pub fn len(&self) -> usize {
        self.entries.len()
    }

    /// The products in the order of the file.
    pub fn products(&self) -> impl ExactSizeIterator<Item = &Product> {
        self.entries.iter().map(|e| &e.product)
    }

    /// The product at an index that [`Match`] gave.
    pub fn product(&self, index: usize) -> Option<&Product> {
        self.entries.get(index).map(|e| &e.product)
    }

    /// Whether a product of that form is in it.
    pub fn has(&self, form: product::Form) -> bool {
        self.products().any(|p| p.form == form)
    }

    /// The product with what is kept beside it.
    pub fn entry(&self, index: usize) -> Option<&Entry> {
        self.entries.get(index)
    }

    /// The warnings about the figures of one product; empty when there are none.
    pub fn warnings(&self, index: usize) -> &[FormularyProblem] {
        self.entries.get(index).map_or(&[], |e| e.warnings.as_slice())
    }

    /// The warnings of all products, in the order of the file.
    pub fn all_warnings(&self) -> impl Iterator<Item = &FormularyProblem> {
        self.entries.iter().flat_map(|e| e.warnings.iter())
    }

    /// Finds the product an order names: by configured code, by identifier, by exact normalised name or
    /// alias. Never by likeness.
    pub fn find(&self, asked: &ProductRef<'_>) -> Match {
        self.hits(asked).answer()
    }

    /// As [`Formulary::find`], for a formula whose reference resolved to a NutritionProduct of the same
    /// request. Its codes, identifiers and names count as keys of the order. An entry of the institution
    /// is always preferred, and what differs is told by [`Formulary::differences`]; only when there is
    /// none is the answer [`Match::Sent`].
    pub fn find_with<'f>(&'f self, asked: &'f ProductRef<'_>, sent: Option<&'f Product>) -> Match {
        let mut hits = self.hits(asked);
        let Some(sent) = sent else { return hits.answer() };
        for (system, code) in &sent.codes {
            hits.code(system, code);
        }
        for (system, value) in &sent.identifiers {
            hits.identifier(system, value);
        }
        hits.name(&sent.name);
        for alias in &sent.aliases {
            hits.name(alias);
        }
        match hits.answer() {
            Match::Unknown => Match::Sent,
            other => other,
        }
    }

    fn hits<'f>(&'f self, asked: &'f ProductRef<'_>) -> Hits<'f> {
        let mut hits = Hits { formulary: self, first: None, more: Vec::new() };
        for coding in &asked.concept.codings {
            if let (Some(system), Some(code)) = (&coding.system, &coding.code) {
                hits.code(system, code);
            }
        }
        if let Some((Some(system), Some(value))) = asked.reference.as_ref().and_then(|r| r.identifier.as_ref()) {
            hits.identifier(system, value);
        }
        for name in names_given(asked) {
            hits.name(name);
        }
        hits
    }

    /// Whether any product has a code of that system: then a code of it that no product has is a contradiction,
    /// not merely a code from elsewhere.
    pub fn uses_system(&self, system: &str) -> bool {
        self.by_code.contains_key(system)
    }

    /// What a person should know about the keys given, beyond the match itself: a name or code that the
    /// product found does not have, characters that are not seen. In the order of the keys.
    pub fn key_notes(&self, asked: &ProductRef<'_>, found: &Match) -> Vec<KeyNote> {
        let mut notes = Vec::new();
        let index = if let Match::Found { index, .. } = found { Some(*index) } else { None };
        if index.is_some() {
            for coding in &asked.concept.codings {
                if let (Some(system), Some(code)) = (&coding.system, &coding.code)
                    && self.by_code.get(&**system).is_none_or(|codes| !codes.contains_key(&**code))
                {
                    notes.push(KeyNote::CodeNotConfigured { system: system.to_string(), code: code.to_string() });
                }
            }
        }
        for name in names_given(asked) {
            let note = match (naming::normalised(name), index) {
                (Err(hidden), _) => KeyNote::HiddenCharacter { shown: naming::shown(name), character: hidden.0 },
                (Ok(folded), Some(index)) if !folded.is_empty() && self.by_name.get(&folded) != Some(&index) => {
                    KeyNote::NameNotOfProduct {
                        given: name.trim().to_owned(),
                        product: self.product(index).map(|p| p.name.clone()).unwrap_or_default(),
                    }
                }
                _ => continue,
            };
            if !notes.contains(&note) {
                notes.push(note);
            }
        }
        notes
    }

    /// The figures in which a product sent with an order differs from the institution's entry. A figure
    /// that was not sent does not differ.
    pub fn differences(&self, index: usize, sent: &Product) -> Vec<Difference> {
        let Some(ours) = self.product(index) else { return Vec::new() };
        let mut out = Vec::new();
        if ours.basis != sent.basis {
            out.push(Difference {
                what: "basis",
                institution: format!("per {}", basis_unit(ours.basis)),
                sent: format!("per {}", basis_unit(sent.basis)),
            });
            return out;
        }
        let per = basis_unit(ours.basis);
        let mut compare = |what: &'static str, unit: String, a: Option<Exact>, b: Option<Exact>| {
            if b.is_some() && a != b {
                let show =
                    |x: Option<Exact>| x.map_or_else(|| "not stated".to_owned(), |x| format!("{} {unit}", x.short(4)));
                out.push(Difference { what, institution: show(a), sent: show(b) });
            }
        };
        compare("energy", format!("kcal/{per}"), ours.energy, sent.energy);
        for nutrient in Nutrient::ALL {
            let unit = format!("{}/{per}", nutrient.unit());
            compare(nutrient.name(), unit, ours.nutrient(nutrient), sent.nutrient(nutrient));
        }
        compare("osmolality", "mOsm/kg".to_owned(), ours.osmolality, sent.osmolality);
        out
    }
}

/// The unit of a basis, for people.
pub const fn basis_unit(basis: Basis) -> &'static str {
    match basis {
        Basis::Millilitre => "mL",
        Basis::Kilocalorie => "kcal",
        Basis::Dose => "dose",
        Basis::Gram => "g",
    }
}

/// Everything in a reference that may be a product's name, strongest first.
fn names_given<'r>(asked: &'r ProductRef<'_>) -> impl Iterator<Item = &'r str> {
    let name = asked.name.as_ref().map(|n| &*n.value);
    let text = asked.concept.text.as_deref();
    let displays = asked.concept.codings.iter().filter_map(|c| c.display.as_deref());
    let reference = asked.reference.as_ref().and_then(|r| r.display.as_deref());
    name.into_iter().chain(text).chain(displays).chain(reference)
}

/// The products that the keys seen so far lead to, each once.
struct Hits<'f> {
    formulary: &'f Formulary,
    first: Option<(usize, MatchedBy, &'f str)>,
    more: Vec<Candidate>,
}

impl<'f> Hits<'f> {
    fn code(&mut self, system: &str, code: &'f str) {
        let found = self.formulary.by_code.get(system).and_then(|codes| codes.get(code));
        self.take(found.copied(), MatchedBy::Code, code);
    }

    fn identifier(&mut self, system: &str, value: &'f str) {
        let found = self.formulary.by_identifier.get(system).and_then(|values| values.get(value));
        self.take(found.copied(), MatchedBy::Identifier, value);
    }

    fn name(&mut self, name: &'f str) {
        let found = naming::with_normalised(name, |folded| self.formulary.by_name.get(folded).copied());
        self.take(found.ok().flatten(), MatchedBy::Name, name);
    }

    fn take(&mut self, found: Option<usize>, by: MatchedBy, given: &'f str) {
        let Some(index) = found else { return };
        match &self.first {
            None => self.first = Some((index, by, given)),
            Some((known, ..)) if *known == index => {}
            Some(_) if self.more.iter().any(|c| c.index == index) => {}
            Some(_) => self.more.push(Candidate { index, by, given: given.to_owned() }),
        }
    }

    fn answer(self) -> Match {
        let Some((index, by, given)) = self.first else { return Match::Unknown };
        if self.more.is_empty() {
            return Match::Found { index, by };
        }
        let mut all = vec![Candidate { index, by, given: given.to_owned() }];
        all.extend(self.more);
        Match::Ambiguous(all)
    }
}

/// Writes one part of the normal form: its length first, so that no two contents look alike.
fn part(hasher: &mut Sha256, text: &str) {
    hasher.update((text.len() as u64).to_be_bytes());
    hasher.update(text.as_bytes());
}

fn figure(hasher: &mut Sha256, value: Option<Exact>) {
    match value {
        Some(x) => {
            let (num, den) = x.parts();
            part(hasher, &format!("{num}/{den}"));
        }
        None => part(hasher, "-"),
    }
}

fn content_hash(entries: &[Entry]) -> String {
    let mut sorted: Vec<&Entry> = entries.iter().collect();
    sorted.sort_by(|a, b| a.product.key.cmp(&b.product.key));
    let mut hasher = Sha256::new();
    // The first part names the form, so that a change of it changes every hash.
    part(&mut hasher, "enteral-gate formulary 1");
    part(&mut hasher, &sorted.len().to_string());
    for entry in sorted {
        let p = &entry.product;
        part(&mut hasher, &p.key);
        part(&mut hasher, &p.name);
        let mut lists: [Vec<String>; 4] = [
            p.aliases.clone(),
            p.codes.iter().map(|(s, c)| format!("{s}|{c}")).collect(),
            p.identifiers.iter().map(|(s, v)| format!("{s}|{v}")).collect(),
            p.flags.iter().map(|(name, contains)| format!("{}{name}", if *contains { '+' } else { '-' })).collect(),
        ];
        for list in &mut lists {
            list.sort();
            part(&mut hasher, &list.len().to_string());
            for item in list {
                part(&mut hasher, item);
            }
        }
        part(&mut hasher, p.form.word());
        part(&mut hasher, basis_unit(p.basis));
        part(&mut hasher, p.age.word());
        figure(&mut hasher, p.energy);
        for nutrient in Nutrient::ALL {
            figure(&mut hasher, p.nutrient(nutrient));
        }
        figure(&mut hasher, entry.medium_chain_fat);
        figure(&mut hasher, p.osmolality);
        figure(&mut hasher, p.displacement);
        part(&mut hasher, p.viscosity.as_deref().unwrap_or(""));
        part(&mut hasher, &p.containers.len().to_string());
        for size in &p.containers {
            figure(&mut hasher, Some(*size));
        }
        part(&mut hasher, &p.provenance.stated);
        part(&mut hasher, entry.note.as_deref().unwrap_or(""));
    }
    HEXLOWER.encode(&hasher.finalize())
}
