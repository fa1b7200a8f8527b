//! Finding and reading rulebook files.

use crate::rulebook::Rulebook;
use crate::rulebook::file::{self, Source, extends};
use std::io::Read;
use std::path::{Path, PathBuf};

/// Largest rulebook file, bytes.
const LIMIT: u64 = 4 << 20;
/// The starter rulebook's name on the command line and in `extends`.
const STARTER: &str = "starter";
/// No limits at all.
const NONE: &str = "none";

/// The rulebook of these files; the starter rulebook when there are none.
///
/// # Errors
/// Every problem, one a line.
pub fn load(files: &[PathBuf]) -> Result<Rulebook, String> {
    read(files).map(|(book, _)| book).map_err(|problems| unusable(&problems))
}

/// The rulebook asked for by `check`: the starter unless a file, a folder or `none` is named.
///
/// # Errors
/// As [`load`].
pub fn asked(files: &[PathBuf]) -> Result<Rulebook, String> {
    if without(files) { Ok(Rulebook::default()) } else { load(files) }
}

/// Whether the integrity rules are to judge alone.
pub fn without(files: &[PathBuf]) -> bool {
    matches!(files, [one] if one.as_os_str() == NONE)
}

/// The rulebook of one file, of a folder, or `starter`.
///
/// # Errors
/// As [`load`].
pub fn named(file: &Path) -> Result<Rulebook, String> {
    load(&[file.to_owned()])
}

/// Why a rulebook is not used.
pub fn unusable(problems: &[String]) -> String {
    format!("the rulebook cannot be used:\n  {}", problems.join("\n  "))
}

/// What was found on disk, before anything is made of it. Equal when nothing changed.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Texts {
    /// Name and text, what is extended before what extends it.
    texts: Vec<(String, String)>,
    starter: bool,
    /// Files that could not be read.
    problems: Vec<String>,
}

impl Texts {
    /// Nothing could be read.
    pub fn unread(why: &str) -> Self {
        Self { problems: vec![why.to_owned()], ..Self::default() }
    }
}

/// The texts of these files and of what they extend; the starter rulebook when there are none.
pub fn gather(files: &[PathBuf]) -> Texts {
    let mut found = Texts { starter: files.is_empty(), ..Texts::default() };
    for file in files {
        if file.as_os_str() == STARTER {
            found.starter = true;
        } else {
            take(file, &mut found.texts, &mut found.starter, &mut found.problems, 0);
        }
    }
    found
}

/// The rulebook and its warnings.
///
/// # Errors
/// Every problem with its place.
pub fn read(files: &[PathBuf]) -> Result<(Rulebook, Vec<String>), Vec<String>> {
    of(gather(files))
}

/// The rulebook of these texts and its warnings.
///
/// # Errors
/// As [`read`].
pub fn of(found: Texts) -> Result<(Rulebook, Vec<String>), Vec<String>> {
    let Texts { texts, starter, problems } = found;
    if !problems.is_empty() {
        return Err(problems);
    }
    let mut sources: Vec<Source<'_>> = if starter { file::starter().to_vec() } else { Vec::new() };
    sources.extend(texts.iter().map(|(name, text)| Source { name, text }));
    match file::read(&sources) {
        Ok(book) => {
            let warnings = book.warnings.iter().map(ToString::to_string).collect();
            Ok((book, warnings))
        }
        Err(found) => Err(found.iter().map(ToString::to_string).collect()),
    }
}

/// A file with what it extends before it, or the `.toml` files of a folder by name.
fn take(path: &Path, texts: &mut Vec<(String, String)>, starter: &mut bool, problems: &mut Vec<String>, depth: usize) {
    if path.is_dir() {
        let entries = match std::fs::read_dir(path) {
            Ok(entries) => entries,
            Err(error) => return problems.push(format!("{}: {error}", path.display())),
        };
        let mut files: Vec<PathBuf> = entries.filter_map(|e| e.ok().map(|e| e.path())).collect();
        files.retain(|f| f.extension().is_some_and(|e| e == "toml"));
        files.sort();
        if files.is_empty() {
            problems.push(format!("{}: no .toml file in this folder", path.display()));
        }
        for file in files {
            take(&file, texts, starter, problems, depth + 1);
        }
        return;
    }
    let name = path.to_string_lossy().into_owned();
    if texts.iter().any(|(known, _)| *known == name) {
        return;
    }
    let text = match whole(path) {
        Ok(text) => text,
        Err(why) => return problems.push(format!("{name}: {why}")),
    };
    match extends(&text) {
        Some(base) if base == STARTER => *starter = true,
        Some(_) if depth > 8 => problems.push(format!("{name}: extends goes round in a circle, or too deep")),
        Some(base) => take(&path.parent().unwrap_or(Path::new("")).join(base), texts, starter, problems, depth + 1),
        None => {}
    }
    texts.push((name, text));
}

fn whole(path: &Path) -> Result<String, String> {
    let mut bytes = Vec::new();
    let read = std::fs::File::open(path).and_then(|f| f.take(LIMIT + 1).read_to_end(&mut bytes));
    read.map_err(|error| error.to_string())?;
    if bytes.len() as u64 > LIMIT {
        return Err(format!("larger than {LIMIT} bytes, which no rulebook is"));
    }
    String::from_utf8(bytes).map_err(|_| "not UTF-8".to_owned())
}
