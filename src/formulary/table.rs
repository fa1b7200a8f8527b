//! The institution's CSV. Every cell is judged, so that one reading tells everything there is to repair.

use super::naming;
use super::plausibility::{self, Stated};
use super::problem::{Column, FormularyProblem, Level};
use super::product::{AgeClass, Basis, Form, NUTRIENTS, Nutrient, Product, Provenance};
use super::schema::ProductSchema;
use super::{Entry, suggestion};
use crate::exact::{Decimal, DecimalError, Exact};
use serde_json::{Map, Value, json};
use std::collections::HashMap;

/// A column of the table.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ColumnSpec {
    /// Its name in the header.
    pub name: &'static str,
    /// Whether the header must have it and every row fill it.
    pub required: bool,
}

const fn required(name: &'static str) -> ColumnSpec {
    ColumnSpec { name, required: true }
}

const fn optional(name: &'static str) -> ColumnSpec {
    ColumnSpec { name, required: false }
}

/// All columns, in the order of the documentation; a file may have them in any order.
pub const COLUMNS: [ColumnSpec; 36] = [
    required("key"),
    required("name"),
    optional("aliases"),
    optional("codes"),
    optional("identifiers"),
    required("form"),
    required("age_class"),
    required("basis"),
    optional("energy_kcal"),
    optional("protein_g"),
    optional("carbohydrate_g"),
    optional("fat_g"),
    optional("mct_g"),
    optional("fibre_g"),
    optional("water_mL"),
    optional("sodium_mg"),
    optional("sodium_mmol"),
    optional("potassium_mg"),
    optional("potassium_mmol"),
    optional("chloride_mg"),
    optional("chloride_mmol"),
    optional("calcium_mg"),
    optional("calcium_mmol"),
    optional("phosphorus_mg"),
    optional("phosphorus_mmol"),
    optional("magnesium_mg"),
    optional("magnesium_mmol"),
    optional("osmolality_mOsm_per_kg"),
    optional("displacement_mL"),
    optional("contains"),
    optional("free_from"),
    optional("viscosity"),
    optional("containers_mL"),
    required("source"),
    required("source_date"),
    optional("note"),
];

/// Ways to write the basis, with the divisor that leads to one unit of it.
pub const BASES: [(&str, Basis, Exact); 6] = [
    ("mL", Basis::Millilitre, Exact::ONE),
    ("100 mL", Basis::Millilitre, Exact::int(100)),
    ("L", Basis::Millilitre, Exact::int(1000)),
    ("100 kcal", Basis::Kilocalorie, Exact::int(100)),
    ("dose", Basis::Dose, Exact::ONE),
    ("g", Basis::Gram, Exact::ONE),
];

/// Flags that checks read, with what they mean when a product contains it. Other words are kept, with a
/// warning.
pub const FLAGS: [(&str, &str); 27] = [
    ("cow-milk-protein", "intact or partly hydrolysed protein of cow's milk (casein, whey)"),
    ("extensive-hydrolysate", "extensively hydrolysed protein"),
    ("amino-acids", "free amino acids as the protein source"),
    ("soy-protein", "soy protein"),
    ("egg", "egg, egg phospholipid"),
    ("fish", "fish, fish oil"),
    ("shellfish", "crustaceans or molluscs"),
    ("peanut", "peanut"),
    ("tree-nuts", "tree nuts"),
    ("wheat", "wheat"),
    ("gluten", "gluten"),
    ("lactose", "lactose"),
    ("galactose", "galactose"),
    ("fructose", "fructose"),
    ("sucrose", "sucrose"),
    ("sorbitol", "sorbitol"),
    ("glucose-polymer", "glucose polymers such as maltodextrin"),
    ("phenylalanine", "phenylalanine"),
    ("long-chain-fat", "long-chain triglycerides"),
    ("donor-milk", "human milk of other mothers, from a milk bank"),
    ("medium-chain-fat", "medium-chain triglycerides"),
    ("fibre", "added fibre"),
    ("arginine", "added arginine"),
    ("honey", "honey"),
    ("probiotic", "live microorganisms"),
    ("porcine", "material of pigs"),
    ("bovine", "material of cattle"),
];

/// Words of the column `viscosity`.
pub const VISCOSITIES: [&str; 2] = ["thin", "thick"];

/// More problems than this are counted, not listed.
const MOST_PROBLEMS: usize = 500;
/// Most rows that are read.
const MOST_ROWS: usize = 20_000;

/// What reading a table gives.
#[derive(Debug)]
pub(super) struct Read {
    pub(super) entries: Vec<Entry>,
    pub(super) problems: Vec<FormularyProblem>,
    pub(super) header: Vec<String>,
}

/// Reads all rows. Rows with a refusal give no entry; warnings stay on their entry.
pub(super) fn read(file: &str, bytes: &[u8]) -> Read {
    let mut out = Read { entries: Vec::new(), problems: Vec::new(), header: Vec::new() };
    let refuse = |out: &mut Read, line: Option<u32>, code: &'static str, text: String| {
        out.problems.push(FormularyProblem { line, ..FormularyProblem::of_file(file, code, text) });
    };
    if bytes.starts_with(&[0xFF, 0xFE]) || bytes.starts_with(&[0xFE, 0xFF]) {
        refuse(&mut out, None, "encoding", "UTF-16 text; save the file as CSV in UTF-8".to_owned());
        return out;
    }
    let bytes = bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(bytes);
    if let Err(e) = std::str::from_utf8(bytes) {
        let line = line_of(bytes, e.valid_up_to());
        let text = "not UTF-8 text; save the file as CSV in UTF-8".to_owned();
        refuse(&mut out, Some(line), "encoding", text);
        return out;
    }
    let schema = match ProductSchema::compiled() {
        Ok(schema) => schema,
        Err(text) => {
            refuse(&mut out, None, "schema", text);
            return out;
        }
    };
    let mut reader = csv::ReaderBuilder::new().has_headers(false).flexible(true).comment(Some(b'#')).from_reader(bytes);
    let mut record = csv::StringRecord::new();
    let mut positions: HashMap<&'static str, usize> = HashMap::new();
    let mut rows = 0usize;
    let mut named = Named::default();
    loop {
        match reader.read_record(&mut record) {
            Ok(true) => {}
            Ok(false) => break,
            Err(e) => {
                let line = e.position().map(|p| row_line(bytes, p));
                refuse(&mut out, line, "csv", "cannot be read as CSV".to_owned());
                break;
            }
        }
        let line = record.position().map_or(0, |p| row_line(bytes, p));
        if out.header.is_empty() {
            let (found, problems) = header(file, line, &record);
            out.problems.extend(problems);
            // Without a column that is needed every row would be wrong; beside one too many the rows can be read.
            let Some(found) = found else { return out };
            out.header = record.iter().map(|name| name.trim().to_owned()).collect();
            positions = found;
            continue;
        }
        if record.iter().all(|cell| cell.trim().is_empty()) {
            continue;
        }
        rows += 1;
        if rows > MOST_ROWS {
            refuse(&mut out, Some(line), "too-long", format!("more than {MOST_ROWS} rows"));
            break;
        }
        let mut row = Row { file, line, record: &record, positions: &positions, key: None, problems: Vec::new() };
        let entry = if record.len() == out.header.len() {
            row.entry(&schema)
        } else {
            let text = format!(
                "{} cells, but the header has {} columns (a comma inside a text needs quotation marks around it)",
                record.len(),
                out.header.len()
            );
            row.refuse_row("cells", text);
            None
        };
        let problems = row.problems;
        let usable = entry.is_some() && problems.iter().all(|p| p.level == Level::Warning);
        out.problems.extend(named.shared(file, line, usable, &record, &positions));
        match entry {
            Some(mut entry) if usable => {
                entry.warnings = problems;
                out.entries.push(entry);
            }
            _ => out.problems.extend(problems),
        }
        if out.problems.len() > MOST_PROBLEMS {
            let text = format!("more than {MOST_PROBLEMS} problems; reading stopped on line {line}");
            refuse(&mut out, None, "too-many-problems", text);
            break;
        }
    }
    if out.header.is_empty() {
        let text = "no header row; the first line that is not a comment names the columns".to_owned();
        refuse(&mut out, None, "empty-formulary", text);
    }
    out
}

/// Line of a byte, 1-based.
fn line_of(bytes: &[u8], at: usize) -> u32 {
    let newlines = bytes.iter().take(at).filter(|b| **b == b'\n').count();
    u32::try_from(newlines + 1).unwrap_or(u32::MAX)
}

/// Line on which a row's text begins: the reader's position lies before the comments and blank lines that
/// it skipped.
fn row_line(bytes: &[u8], position: &csv::Position) -> u32 {
    let mut line = u32::try_from(position.line()).unwrap_or(u32::MAX);
    let mut rest = usize::try_from(position.byte()).ok().and_then(|at| bytes.get(at..)).unwrap_or(&[]);
    loop {
        match rest.first() {
            Some(b'\n') => {
                line = line.saturating_add(1);
                rest = rest.get(1..).unwrap_or(&[]);
            }
            Some(b'\r') => rest = rest.get(1..).unwrap_or(&[]),
            Some(b'#') => rest = memchr::memchr(b'\n', rest).and_then(|at| rest.get(at..)).unwrap_or(&[]),
            _ => return line,
        }
    }
}

/// Where each known column stands, unless one that is needed does not; and what is wrong with the columns.
fn header(
    file: &str,
    line: u32,
    record: &csv::StringRecord,
) -> (Option<HashMap<&'static str, usize>>, Vec<FormularyProblem>) {
    let mut problems = Vec::new();
    let mut refuse = |column: Option<Column>, code: &'static str, text: String| {
        problems.push(FormularyProblem { line: Some(line), column, ..FormularyProblem::of_file(file, code, text) });
    };
    if let (1, Some(only)) = (record.len(), record.get(0)) {
        let named =
            |separator: char| only.split(separator).filter(|n| COLUMNS.iter().any(|c| c.name == n.trim())).count();
        for (separator, called) in [(';', "semicolons"), ('\t', "tabs"), ('|', "bars")] {
            if named(separator) > 1 {
                let text =
                    format!("the columns are separated by {called}; commas are expected (save as comma-separated CSV)");
                refuse(None, "separator", text);
                return (None, problems);
            }
        }
    }
    let names: Vec<&str> = COLUMNS.iter().map(|c| c.name).collect();
    let mut positions: HashMap<&'static str, usize> = HashMap::new();
    for (at, given) in record.iter().enumerate() {
        let given = given.trim();
        let place = || Some(Column { name: cut(&naming::shown(given)).to_owned(), number: u32::try_from(at + 1).ok() });
        match COLUMNS.iter().find(|c| c.name == given) {
            Some(column) => {
                if let Some(first) = positions.insert(column.name, at) {
                    refuse(
                        place(),
                        "duplicate-column",
                        format!("the column stands twice; first as column {}", first + 1),
                    );
                }
            }
            None if given.is_empty() => refuse(place(), "unknown-column", "a column without a name".to_owned()),
            None => {
                let hint = suggestion::hint(given, names.iter().copied());
                refuse(place(), "unknown-column", format!("unknown column{hint}; nothing is read from it"));
            }
        }
    }
    let mut whole = true;
    for column in COLUMNS.iter().filter(|c| c.required && !positions.contains_key(c.name)) {
        whole = false;
        let text = "the column is missing".to_owned();
        refuse(Some(Column { name: column.name.to_owned(), number: None }), "missing-column", text);
    }
    (whole.then_some(positions), problems)
}

/// Keys and names of the rows so far, with their lines, and whether the row gave a product.
#[derive(Default)]
struct Named(HashMap<(&'static str, String), (u32, bool)>);

impl Named {
    /// What a row shares with one before it, where one of the two gives no product for another reason: products are
    /// compared with each other elsewhere.
    fn shared(
        &mut self,
        file: &str,
        line: u32,
        usable: bool,
        record: &csv::StringRecord,
        positions: &HashMap<&'static str, usize>,
    ) -> Vec<FormularyProblem> {
        let mut out = Vec::new();
        for (column, code) in [("key", "duplicate-key"), ("name", "duplicate-name")] {
            let at = positions.get(column);
            let Some(cell) = at.and_then(|at| record.get(*at)).map(str::trim).filter(|cell| !cell.is_empty()) else {
                continue;
            };
            let Ok(folded) = naming::normalised(cell) else { continue };
            match self.0.get(&(column, folded.clone())) {
                Some((first, both)) if !(usable && *both) => out.push(FormularyProblem {
                    line: Some(line),
                    column: Some(Column {
                        name: column.to_owned(),
                        number: at.and_then(|at| u32::try_from(at + 1).ok()),
                    }),
                    ..FormularyProblem::of_file(
                        file,
                        code,
                        format!("{} also stands on line {first}; two products cannot share it", cut(cell)),
                    )
                }),
                Some(_) => {}
                None => {
                    self.0.insert((column, folded), (line, usable));
                }
            }
        }
        out
    }
}

/// One row while it is read.
struct Row<'r> {
    file: &'r str,
    line: u32,
    record: &'r csv::StringRecord,
    positions: &'r HashMap<&'static str, usize>,
    key: Option<String>,
    problems: Vec<FormularyProblem>,
}

impl<'r> Row<'r> {
    fn problem(&mut self, level: Level, code: &'static str, column: Option<&'static str>, text: String) {
        let column = column.map(|name| Column {
            name: name.to_owned(),
            number: self.positions.get(name).and_then(|at| u32::try_from(at + 1).ok()),
        });
        self.problems.push(FormularyProblem {
            file: self.file.to_owned(),
            line: Some(self.line),
            column,
            product: self.key.clone(),
            level,
            code,
            text,
        });
    }

    fn refuse(&mut self, code: &'static str, column: &'static str, text: String) {
        self.problem(Level::Refusal, code, Some(column), text);
    }

    fn refuse_row(&mut self, code: &'static str, text: String) {
        self.problem(Level::Refusal, code, None, text);
    }

    fn refused(&self, column: &str) -> bool {
        self.problems.iter().any(|p| p.level == Level::Refusal && p.column.as_ref().is_some_and(|c| c.name == column))
    }

    /// The trimmed text of a cell; `None` when the cell is empty or there is no such column.
    fn text(&mut self, column: &'static str) -> Option<&'r str> {
        let cell = self.positions.get(column).and_then(|at| self.record.get(*at))?.trim();
        if cell.is_empty() {
            return None;
        }
        if cell.contains(['\n', '\r']) {
            let text = "the cell runs over several lines; a quotation mark was probably left open".to_owned();
            self.refuse("cells", column, text);
            return None;
        }
        if naming::hidden(cell).is_some() {
            let text = format!("“{}” holds a character that is not seen; type it anew", cut(&naming::shown(cell)));
            self.refuse("hidden-character", column, text);
            return None;
        }
        Some(cell)
    }

    /// As [`Row::text`], an empty cell being refused.
    fn needed(&mut self, column: &'static str) -> Option<&'r str> {
        let text = self.text(column);
        if text.is_none() && !self.refused(column) {
            self.refuse("required", column, "the cell is empty".to_owned());
        }
        text
    }

    /// The parts of a list separated by semicolons.
    fn list(&mut self, column: &'static str) -> Vec<&'r str> {
        let parts: Vec<&str> = self.text(column).map_or_else(Vec::new, |t| t.split(';').map(str::trim).collect());
        let mut out: Vec<&str> = Vec::with_capacity(parts.len());
        for part in parts {
            if part.is_empty() {
                continue;
            }
            if out.contains(&part) {
                self.refuse("duplicate", column, format!("“{}” stands twice", cut(part)));
            } else {
                out.push(part);
            }
        }
        out
    }

    /// One word of a closed list.
    fn word<T: Copy>(&mut self, column: &'static str, given: &str, words: &[(&'static str, T)]) -> Option<T> {
        if let Some((_, value)) = words.iter().find(|(word, _)| *word == given) {
            return Some(*value);
        }
        let expected: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
        let hint = suggestion::hint(given, expected.iter().copied());
        self.refuse(
            "word",
            column,
            format!("“{}” is not known{hint}; expected one of: {}", cut(given), expected.join(", ")),
        );
        None
    }

    fn number_in(&mut self, column: &'static str, given: &str) -> Option<Decimal> {
        match Decimal::parse(given) {
            Ok(number) if number.is_negative() => {
                self.refuse("negative", column, format!("{} is negative; 0 or more is expected", cut(given)));
                None
            }
            Ok(_) if given.contains(['e', 'E']) => {
                let text = format!("“{}” has an exponent; write the number out, such as 1200 or 0.5", cut(given));
                self.refuse("number", column, text);
                None
            }
            Ok(number) => Some(number),
            Err(why) => {
                self.refuse("number", column, number_hint(given, why));
                None
            }
        }
    }

    fn number(&mut self, column: &'static str) -> Option<(Decimal, &'r str)> {
        let given = self.text(column)?;
        self.number_in(column, given).map(|number| (number, given))
    }

    /// Pairs `system|value`.
    fn pairs(&mut self, column: &'static str) -> Vec<(String, String)> {
        let mut out = Vec::new();
        for part in self.list(column) {
            match part.split_once('|').map(|(system, value)| (system.trim(), value.trim())) {
                Some((system, value)) if !system.is_empty() && !value.is_empty() && !value.contains('|') => {
                    out.push((system.to_owned(), value.to_owned()));
                }
                _ => {
                    let text = format!("“{}” is not a pair; system|value is expected, pairs separated by ;", cut(part));
                    self.refuse("pair", column, text);
                }
            }
        }
        out
    }

    /// A mineral in mg, from whichever of the two columns is filled.
    fn mineral(
        &mut self,
        nutrient: Nutrient,
        mg: &'static str,
        mmol: &'static str,
        json: &mut Map<String, Value>,
    ) -> Option<Exact> {
        let mass = nutrient.atomic_mass()?;
        let in_mg = self.number(mg);
        let in_mmol = self.number(mmol);
        for (column, number) in [(mg, in_mg), (mmol, in_mmol)] {
            if let Some((_, literal)) = number {
                json.insert(column.to_owned(), number_value(literal));
            }
        }
        match (in_mg, in_mmol) {
            (Some((mg_number, _)), Some((mmol_number, literal))) => {
                let from_mmol = mmol_number.exact().mul(mass)?;
                let apart = mg_number.exact().sub(from_mmol)?.abs();
                // Half a unit of the last place written, or 2 %, whichever is more.
                let places = literal.split_once('.').map_or(0, |(_, after)| after.len() as u32);
                let rounding = Exact::decimal(5, places.min(18) + 1).mul(mass)?;
                let allowed = mg_number.exact().mul(Exact::decimal(2, 2))?.max(rounding);
                if apart > allowed {
                    let text = format!(
                        "{} mmol × {} mg/mmol = {} mg, but {mg} says {} mg; correct one or leave one empty",
                        mmol_number,
                        mass.short(3),
                        from_mmol.short(2),
                        mg_number
                    );
                    self.refuse("disagree", mmol, text);
                }
                Some(mg_number.exact())
            }
            (Some((number, _)), None) => Some(number.exact()),
            (None, Some((number, _))) => number.exact().mul(mass),
            (None, None) => None,
        }
    }

    fn flags(&mut self, json: &mut Map<String, Value>) -> Vec<(String, bool)> {
        let mut out: Vec<(String, bool)> = Vec::new();
        for (column, contains) in [("contains", true), ("free_from", false)] {
            let words = self.list(column);
            for word in &words {
                if !FLAGS.iter().any(|(known, _)| known == word) {
                    match suggestion::closest(word, FLAGS.iter().map(|(known, _)| *known)) {
                        Some(near) => self.refuse(
                            "word",
                            column,
                            format!("“{}” is not known (did you mean “{near}”?)", cut(word)),
                        ),
                        None => {
                            let text = format!("no check reads “{}”; it is kept as it stands", cut(word));
                            self.problem(Level::Warning, "word", Some(column), text);
                        }
                    }
                }
                if out.iter().any(|(name, _)| name == word) {
                    self.refuse(
                        "disagree",
                        column,
                        format!("“{}” stands under contains and under free_from", cut(word)),
                    );
                }
                out.push(((*word).to_owned(), contains));
            }
            if !words.is_empty() {
                json.insert(column.to_owned(), json!(words));
            }
        }
        out
    }

    /// The whole row. `None` only where a refusal was reported.
    fn entry(&mut self, schema: &ProductSchema) -> Option<Entry> {
        let mut json = Map::new();
        let mut put = |column: &str, value: Value| {
            json.insert(column.to_owned(), value);
        };
        let key = self.needed("key");
        self.key = key.map(|k| cut(k).to_owned());
        let name = self.needed("name");
        let aliases = self.list("aliases");
        let codes = self.pairs("codes");
        let identifiers = self.pairs("identifiers");
        let forms = Form::ALL.map(|f| (f.word(), f));
        let form_text = self.needed("form");
        let form = form_text.and_then(|t| self.word("form", t, &forms));
        let ages = AgeClass::ALL.map(|a| (a.word(), a));
        let age_text = self.needed("age_class");
        let age = age_text.and_then(|t| self.word("age_class", t, &ages));
        let bases = BASES.map(|(word, basis, divisor)| (word, (word, basis, divisor)));
        let basis_text = self.needed("basis");
        let basis = basis_text.and_then(|t| self.word("basis", t, &bases));
        let thicknesses = VISCOSITIES.map(|v| (v, v));
        let viscosity_text = self.text("viscosity");
        let viscosity = viscosity_text.and_then(|t| self.word("viscosity", t, &thicknesses));
        for (column, text) in [
            ("key", key),
            ("name", name),
            ("form", form_text),
            ("age_class", age_text),
            ("basis", basis_text),
            ("viscosity", viscosity_text),
        ] {
            if let Some(text) = text {
                put(column, json!(text));
            }
        }
        if !aliases.is_empty() {
            put("aliases", json!(aliases));
        }
        if !codes.is_empty() {
            put("codes", codes.iter().map(|(s, c)| json!({"system": s, "code": c})).collect());
        }
        if !identifiers.is_empty() {
            put("identifiers", identifiers.iter().map(|(s, v)| json!({"system": s, "value": v})).collect());
        }

        let mut figures: HashMap<&'static str, Exact> = HashMap::new();
        for column in [
            "energy_kcal",
            "protein_g",
            "carbohydrate_g",
            "fat_g",
            "mct_g",
            "fibre_g",
            "water_mL",
            "osmolality_mOsm_per_kg",
            "displacement_mL",
        ] {
            if let Some((number, literal)) = self.number(column) {
                put(column, number_value(literal));
                figures.insert(column, number.exact());
            }
        }
        let mut written: [Option<Exact>; NUTRIENTS] = [None; NUTRIENTS];
        for nutrient in Nutrient::ALL {
            let column = plausibility::column_of(nutrient);
            let value = match mmol_column(nutrient) {
                Some(mmol) => self.mineral(nutrient, column, mmol, &mut json),
                None => figures.get(column).copied(),
            };
            if let Some(slot) = written.get_mut(nutrient as usize) {
                *slot = value;
            }
        }
        let mut containers = Vec::new();
        let mut literals = Vec::new();
        for part in self.list("containers_mL") {
            if let Some(number) = self.number_in("containers_mL", part) {
                containers.push(number.exact());
                literals.push(number_value(part));
            }
        }
        containers.sort();
        if !literals.is_empty() {
            json.insert("containers_mL".to_owned(), Value::Array(literals));
        }
        let flags = self.flags(&mut json);
        let source = self.needed("source");
        let source_date = self.needed("source_date");
        if let Some(date) = source_date
            && !is_date(date)
        {
            self.refuse(
                "date",
                "source_date",
                format!("“{}” is not a date; YYYY-MM-DD, YYYY-MM or YYYY is expected", cut(date)),
            );
        }
        let note = self.text("note");
        for (column, text) in [("source", source), ("source_date", source_date), ("note", note)] {
            if let Some(text) = text {
                json.insert(column.to_owned(), json!(text));
            }
        }
        for (field, text) in schema.problems(&Value::Object(json)) {
            match COLUMNS.iter().find(|c| field.as_deref() == Some(c.name)) {
                Some(column) if self.refused(column.name) => {}
                Some(column) => self.refuse("schema", column.name, text),
                None => self.refuse_row("schema", text),
            }
        }

        let (basis_word, basis, divisor) = basis?;
        let (form, age) = (form?, age?);
        let mut energy = figures.get("energy_kcal").copied();
        if basis == Basis::Kilocalorie {
            if energy.is_some_and(|e| e != divisor) {
                let text = "the basis is 100 kcal; 100 or an empty cell is expected".to_owned();
                self.refuse("disagree", "energy_kcal", text);
            }
            energy = None;
        }
        let per_one = |x: Exact| x.div(divisor);
        let product = Product {
            key: key?.to_owned(),
            name: name?.to_owned(),
            aliases: aliases.into_iter().map(str::to_owned).collect(),
            codes,
            identifiers,
            form,
            basis,
            energy: energy.and_then(per_one),
            per_unit: written.map(|x| x.and_then(per_one)),
            osmolality: figures.get("osmolality_mOsm_per_kg").copied(),
            displacement: figures.get("displacement_mL").copied().and_then(per_one),
            age,
            flags,
            viscosity: viscosity.map(str::to_owned),
            containers,
            provenance: Provenance {
                file: self.file.to_owned(),
                line: self.line,
                stated: format!("{}, {}", source?, source_date?),
            },
        };
        let medium_chain_fat = figures.get("mct_g").copied().and_then(per_one);
        let stated = Stated { per: basis_word, scale: divisor };
        for problem in plausibility::judge(&product, medium_chain_fat, &stated) {
            let already = problem.column.as_ref().is_some_and(|c| self.refused(&c.name));
            if !already {
                self.problems.push(problem);
            }
        }
        Some(Entry { product, medium_chain_fat, note: note.map(str::to_owned), warnings: Vec::new() })
    }
}

/// The second column of a mineral.
pub(super) const fn mmol_column(nutrient: Nutrient) -> Option<&'static str> {
    match nutrient {
        Nutrient::Sodium => Some("sodium_mmol"),
        Nutrient::Potassium => Some("potassium_mmol"),
        Nutrient::Chloride => Some("chloride_mmol"),
        Nutrient::Calcium => Some("calcium_mmol"),
        Nutrient::Phosphorus => Some("phosphorus_mmol"),
        Nutrient::Magnesium => Some("magnesium_mmol"),
        Nutrient::Protein | Nutrient::Carbohydrate | Nutrient::Fat | Nutrient::Fibre | Nutrient::Water => None,
    }
}

/// A number literal as JSON, digits kept.
fn number_value(literal: &str) -> Value {
    serde_json::from_str(literal).unwrap_or(Value::Null)
}

fn number_hint(given: &str, why: DecimalError) -> String {
    let shown = cut(given);
    if why != DecimalError::Grammar {
        return format!("{shown} has {why}");
    }
    let mostly = |extra: &[char]| given.chars().all(|c| c.is_ascii_digit() || c == '-' || extra.contains(&c));
    if given.contains(',') && mostly(&[',', '.', ' ', '\'']) {
        return format!(
            "“{shown}” has a comma; write a point before the decimals and nothing between thousands, such as 12.5 or 1200"
        );
    }
    if given.chars().any(|c| c.is_whitespace() || c == '\'' || c == '_')
        && given.chars().all(|c| c.is_ascii_digit() || c == '.' || c.is_whitespace() || c == '\'' || c == '_')
    {
        return format!("“{shown}” has something between its digits; write 1200, not 1 200");
    }
    if given.starts_with('.') || given.ends_with('.') || given.starts_with('+') {
        return format!("“{shown}” is not a number as expected here; write 0.5, not .5, 5. or +0.5");
    }
    if given.starts_with('0') && mostly(&['.']) {
        return format!("“{shown}” begins with a 0 too many");
    }
    if given.starts_with(['<', '>', '~', '≤', '≥', '≈']) {
        return format!("“{shown}” is not one amount; write the amount, or leave the cell empty if it is not known");
    }
    if given.starts_with(|c: char| c.is_ascii_digit()) {
        return format!("“{shown}” is not a number; the unit stands in the column's name, write the number alone");
    }
    format!("“{shown}” is not a number; leave the cell empty if the amount is not stated")
}

/// `YYYY`, `YYYY-MM` or `YYYY-MM-DD`, as calendar dates.
fn is_date(text: &str) -> bool {
    let digits = text.bytes().all(|b| b.is_ascii_digit() || b == b'-');
    let full = match text.len() {
        4 => format!("{text}-01-01"),
        7 => format!("{text}-01"),
        10 => text.to_owned(),
        _ => return false,
    };
    digits && full.parse::<jiff::civil::Date>().is_ok()
}

/// The first 60 characters.
fn cut(text: &str) -> &str {
    text.char_indices().nth(60).and_then(|(at, _)| text.get(..at)).unwrap_or(text)
}
