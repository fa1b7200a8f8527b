//! Finding and reading inputs: files, folders, lines of NDJSON, standard input.

use super::exit::complain;
use crate::appraise::Appraisal;
use crate::intake::json::{Document, Limits};
use crate::intake::shape::reads_like;
use std::collections::BTreeSet;
use std::ffi::OsStr;
use std::fs;
use std::io::{self, BufRead, BufReader, Read};
use std::path::{Path, PathBuf};

/// Largest input, bytes; one more byte is read, so that the reader sees that there is more.
pub const LIMIT: usize = 1 << 20;

/// A place to read from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Source {
    /// Standard input.
    Standard,
    /// A file.
    File(PathBuf),
    /// A place that could not be looked into, and why.
    Lost(PathBuf, String),
}

/// Files named, and the `.json`, `.ndjson` and `.jsonl` files of folders named, in order. A folder that is reached
/// again through a link is not entered again; a file that is reached again is read once.
pub fn find(paths: &[PathBuf]) -> Vec<Source> {
    let mut out = Vec::new();
    let mut folders = BTreeSet::new();
    let mut files = BTreeSet::new();
    for path in paths {
        if path.as_os_str() == "-" {
            out.push(Source::Standard);
        } else {
            look(path, true, &mut folders, &mut files, &mut out);
        }
    }
    out
}

/// Iterative, so that a deep tree cannot exhaust the stack.
fn look(
    path: &Path,
    named: bool,
    folders: &mut BTreeSet<PathBuf>,
    files: &mut BTreeSet<PathBuf>,
    out: &mut Vec<Source>,
) {
    let mut waiting = vec![(path.to_owned(), named)];
    while let Some((path, named)) = waiting.pop() {
        let lost = |error: io::Error| Source::Lost(path.clone(), reason(&error));
        let (kind, real) = match fs::metadata(&path).and_then(|kind| Ok((kind, fs::canonicalize(&path)?))) {
            Ok(found) => found,
            Err(error) => {
                // A broken link in a folder is only a loss if it looks like an input.
                if named || is_input(&path) {
                    out.push(lost(error));
                }
                continue;
            }
        };
        if kind.is_dir() {
            if !folders.insert(real) {
                continue;
            }
            match fs::read_dir(&path).and_then(Iterator::collect::<io::Result<Vec<_>>>) {
                Ok(entries) => {
                    let mut inside: Vec<_> = entries.into_iter().map(|entry| (entry.path(), false)).collect();
                    // Popped from the end, so that they come in order of name.
                    inside.sort_by(|a, b| b.cmp(a));
                    waiting.extend(inside);
                }
                Err(error) => out.push(lost(error)),
            }
        } else if !named && is_input(&path) && !kind.is_file() {
            // A pipe or a device in a folder could block for ever.
            out.push(Source::Lost(path, "it is no regular file".to_owned()));
        } else if (named || is_input(&path)) && files.insert(real) {
            out.push(Source::File(path));
        }
    }
}

fn extension_is(path: &Path, wanted: &str) -> bool {
    path.extension().is_some_and(|e| e.eq_ignore_ascii_case(wanted))
}

fn is_input(path: &Path) -> bool {
    extension_is(path, "json") || is_lines(path)
}

/// A resource on each line.
fn is_lines(path: &Path) -> bool {
    extension_is(path, "ndjson") || extension_is(path, "jsonl")
}

/// What is done with an input: its name, its line in the file where it is one of several (the name ends in `:line` then), its
/// bytes. Whether to go on.
pub type Each<'e> = dyn FnMut(&str, Option<u32>, &[u8]) -> bool + 'e;

/// Reads a source and hands on each input with its name: the file's, with `:line` for lines of NDJSON.
/// Stops early when `each` says so.
///
/// # Errors
/// Why the source could not be read to its end.
pub fn read(source: &Source, each: &mut Each<'_>) -> Result<(), String> {
    match source {
        Source::Lost(_, why) => Err(why.clone()),
        Source::Standard => standard(io::stdin().lock(), each).map_err(|error| reason(&error)),
        Source::File(path) => {
            let file = fs::File::open(path).map_err(|error| reason(&error))?;
            if is_lines(path) {
                return lines(BufReader::new(file), &mut |number, bytes| {
                    each(&format!("{}:{number}", name(path.as_os_str())), u32::try_from(number).ok(), bytes)
                })
                .map_err(|error| reason(&error));
            }
            let bytes = whole(file).map_err(|error| reason(&error))?;
            each(&name(path.as_os_str()), None, &bytes);
            Ok(())
        }
    }
}

/// Whether a line is a whole resource by itself.
fn is_whole(line: &[u8]) -> bool {
    let line = line.trim_ascii();
    line.first() == Some(&b'{') && Document::read(line, &Limits::default()).is_ok()
}

/// One document, or one on each line: where the first or the second line that says anything is a whole resource by itself and
/// there are others, each line is one.
fn standard(mut from: impl BufRead, each: &mut Each<'_>) -> io::Result<()> {
    const NAME: &str = "(standard input)";
    // Up to the second line that is not blank.
    let mut begun = Vec::new();
    let mut said: Vec<(usize, usize)> = Vec::new();
    while said.len() < 2 {
        let start = begun.len();
        if from.by_ref().take(LIMIT as u64 + 1).read_until(b'\n', &mut begun)? == 0 {
            break;
        }
        if begun.get(start..).is_some_and(|line| !line.trim_ascii().is_empty()) {
            said.push((start, begun.len()));
        }
        if begun.len() > 2 * LIMIT {
            break;
        }
    }
    let line = |part: &(usize, usize)| begun.get(part.0..part.1).unwrap_or_default();
    if let [first, second] = said.as_slice()
        && (is_whole(line(first)) || is_whole(line(second)))
    {
        return lines(begun.as_slice().chain(from), &mut |number, bytes| {
            each(&format!("{NAME}:{number}"), u32::try_from(number).ok(), bytes)
        });
    }
    let bytes = whole(begun.as_slice().chain(from))?;
    each(NAME, None, &bytes);
    Ok(())
}

/// The name of a source for people.
pub fn name_of(source: &Source) -> String {
    match source {
        Source::Standard => "(standard input)".to_owned(),
        Source::File(path) | Source::Lost(path, _) => name(path.as_os_str()),
    }
}

/// A file name for people: what is not UTF-8 or could drive a terminal is replaced.
fn name(name: &OsStr) -> String {
    name.to_string_lossy().chars().map(|c| if c.is_control() { '\u{fffd}' } else { c }).collect()
}

fn whole(from: impl Read) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    from.take(LIMIT as u64 + 1).read_to_end(&mut bytes)?;
    Ok(bytes)
}

/// Each line that is not blank, with its number from 1. A line over the limit is handed on cut after one
/// byte too many, which the reader refuses, and the rest of it is passed over.
fn lines(mut from: impl BufRead, each: &mut dyn FnMut(u64, &[u8]) -> bool) -> io::Result<()> {
    let mut number = 0;
    let mut line = Vec::new();
    loop {
        line.clear();
        number += 1;
        let read = from.by_ref().take(LIMIT as u64 + 1).read_until(b'\n', &mut line)?;
        if read == 0 {
            return Ok(());
        }
        if line.last() != Some(&b'\n') && line.len() > LIMIT {
            pass_over_line(&mut from)?;
        }
        let text = line.trim_ascii_end();
        if !text.trim_ascii_start().is_empty() && !each(number, text) {
            return Ok(());
        }
    }
}

fn pass_over_line(from: &mut impl BufRead) -> io::Result<()> {
    loop {
        let buffer = from.fill_buf()?;
        if buffer.is_empty() {
            return Ok(());
        }
        let (used, done) = memchr::memchr(b'\n', buffer).map_or((buffer.len(), false), |at| (at + 1, true));
        from.consume(used);
        if done {
            return Ok(());
        }
    }
}

fn reason(error: &io::Error) -> String {
    match error.kind() {
        io::ErrorKind::NotFound => "there is no such file or folder".to_owned(),
        io::ErrorKind::PermissionDenied => "it may not be read (permission denied)".to_owned(),
        _ => error.to_string(),
    }
}

/// Says which version to give where an order is plainly of another than the one it was read as.
pub fn tell_version(name: &str, appraisal: &Appraisal<'_>) {
    let Some(document) = &appraisal.document else { return };
    let like = appraisal.orders.iter().find_map(|order| reads_like(document.node(order.at), appraisal.version));
    if let Some(like) = like {
        let (own, like) = (appraisal.version.name(), like.name());
        complain(&format!("{name}: this is an order of FHIR {like} and was read as {own}; give --fhir {like}"));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_numbered_and_a_long_one_is_cut() {
        let mut text = b"{}\r\n\n  \n".to_vec();
        text.extend(std::iter::repeat_n(b'x', LIMIT + 10));
        text.extend_from_slice(b"\nlast");
        let mut seen = Vec::new();
        lines(io::Cursor::new(text), &mut |number, line| {
            seen.push((number, line.len()));
            true
        })
        .unwrap();
        assert_eq!(seen, [(1, 2), (4, LIMIT + 1), (5, 4)]);
    }
}
