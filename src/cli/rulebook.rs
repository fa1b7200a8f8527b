//! Finding and reading rulebook files.

use crate::formulary::suggestion::{closest, hint};
use crate::rulebook::Rulebook;
use crate::rulebook::file::{self, Extends, RulebookProblem, Source, extends};
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
    read(files).map_err(|problems| unusable(&sentences(&problems)))
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

/// Problems as people read them, each with its place.
pub fn sentences(problems: &[RulebookProblem]) -> Vec<String> {
    problems.iter().map(ToString::to_string).collect()
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
    /// Files that could not be found or read.
    problems: Vec<RulebookProblem>,
}

impl Texts {
    /// Nothing could be read.
    pub fn unread(why: &str) -> Self {
        Self { problems: vec![problem("rulebook", None, why.to_owned())], ..Self::default() }
    }
}

fn problem(file: &str, at: Option<(usize, usize)>, text: String) -> RulebookProblem {
    RulebookProblem { file: file.to_owned(), at, text }
}

/// The texts of these files and of what they extend; the starter rulebook when there are none.
pub fn gather(files: &[PathBuf]) -> Texts {
    let mut found = Texts { starter: files.is_empty(), ..Texts::default() };
    for file in files {
        if file.as_os_str() == STARTER {
            found.starter = true;
        } else {
            take(file, &mut found, &mut Vec::new());
        }
    }
    found
}

/// The rulebook.
///
/// # Errors
/// Every problem with its place.
pub fn read(files: &[PathBuf]) -> Result<Rulebook, Vec<RulebookProblem>> {
    of(&gather(files))
}

/// The rulebook of these texts.
///
/// # Errors
/// As [`read`].
pub fn of(found: &Texts) -> Result<Rulebook, Vec<RulebookProblem>> {
    let Texts { texts, starter, problems } = found;
    let mut sources: Vec<Source<'_>> = if *starter { file::starter().to_vec() } else { Vec::new() };
    sources.extend(texts.iter().map(|(name, text)| Source { name, text }));
    if problems.is_empty() {
        return file::read(&sources);
    }
    // What is wrong in the files that are there is told as well.
    let mut all = problems.clone();
    all.extend(file::problems_of_part(&sources));
    Err(all)
}

/// A file with what it extends before it, or the `.toml` files of a folder by name. `round`: the files that are being read and
/// extend one another.
fn take(path: &Path, found: &mut Texts, round: &mut Vec<String>) {
    let name = path.to_string_lossy().into_owned();
    if path.is_dir() {
        let entries = match std::fs::read_dir(path) {
            Ok(entries) => entries,
            Err(error) => return found.problems.push(problem(&name, None, error.to_string())),
        };
        let mut files: Vec<PathBuf> = entries.filter_map(|e| e.ok().map(|e| e.path())).collect();
        files.retain(|f| f.extension().is_some_and(|e| e == "toml") && !f.is_dir());
        files.sort();
        if files.is_empty() {
            found.problems.push(problem(&name, None, "no .toml file in this folder".to_owned()));
        }
        for file in files {
            take(&file, found, round);
        }
        return;
    }
    if found.texts.iter().any(|(known, _)| *known == name || is_same(Path::new(known), path)) {
        return;
    }
    let text = match whole(path) {
        Ok(text) => text,
        Err(why) => return found.problems.push(problem(&name, None, why)),
    };
    match extends(&text) {
        Some(Extends { base, .. }) if base == STARTER => found.starter = true,
        Some(Extends { base, at }) => {
            let file = path.parent().unwrap_or(Path::new("")).join(&base);
            round.push(name.clone());
            let other = file.to_string_lossy().into_owned();
            let same = |known: &String| *known == other || is_same(Path::new(known), &file);
            if let Some(first) = round.iter().position(same) {
                let mut way: Vec<&str> = round.iter().skip(first).map(String::as_str).collect();
                way.extend(way.first().copied());
                let text = format!("extends goes round in a circle: {}", way.join(" extends "));
                found.problems.push(problem(&name, Some(at), text));
            } else if let Some(inner) = round.iter().find(|known| lies_in(Path::new(known), &file)) {
                let text = format!(
                    "extends: the folder {} holds {inner}, which extends it{}; expected \"starter\" or the path of a file",
                    file.display(),
                    if *inner == name { "" } else { " by way of this file" },
                );
                found.problems.push(problem(&name, Some(at), text));
            } else if !file.exists() {
                let known = [STARTER];
                let text = format!(
                    "extends: there is no file {}{}; expected \"starter\" or the path of a file, from the folder of this one",
                    file.display(),
                    hint(&base, known)
                );
                found.problems.push(problem(&name, Some(at), text));
                // Probably the starter was meant: the rest of the file is looked at with it.
                found.starter |= closest(&base, known).is_some();
            } else {
                take(&file, found, round);
            }
            round.pop();
        }
        None => {}
    }
    found.texts.push((name, text));
}

/// Whether two paths are one file.
fn is_same(a: &Path, b: &Path) -> bool {
    matches!((std::fs::canonicalize(a), std::fs::canonicalize(b)), (Ok(a), Ok(b)) if a == b)
}

/// Whether a path is a folder, and a file lies in it or below it.
fn lies_in(file: &Path, folder: &Path) -> bool {
    folder.is_dir()
        && matches!((std::fs::canonicalize(file), std::fs::canonicalize(folder)), (Ok(file), Ok(folder)) if file.starts_with(&folder))
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
