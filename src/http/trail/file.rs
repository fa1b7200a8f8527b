//! The trail in a file: opened to append, locked for this process, verified from its beginning before anything is added.

use super::{Found, Store};
use crate::audit::chain::{Anchor, Entry};
use crate::audit::line::{LONGEST, read};
use crate::audit::verify::{Broken, Verifier};
use std::fs::{File, OpenOptions};
use std::io::{self, BufRead, BufReader, Read, Write};
use std::path::{Path, PathBuf};

/// A file that is appended to.
pub struct TrailFile {
    path: PathBuf,
    file: File,
}

/// Opens the trail at `path`, or begins one there.
///
/// # Errors
/// When it cannot be opened, is no ordinary file, is in use by another process, or is no unbroken sequence: such a file
/// is evidence, and nothing is added to it.
pub fn open(path: &Path) -> Result<(TrailFile, Found), String> {
    let told = |what: &str| format!("{}: {what}", path.display());
    let file = appended(path).map_err(|why| told(&why.to_string()))?;
    let reading = File::open(path).map_err(|why| told(&why.to_string()))?;
    let found = found(reading).map_err(|why| told(&why))?;
    Ok((TrailFile { path: path.to_owned(), file }, found))
}

/// Opened to append, and locked: two writers would each go on from the same entry.
fn appended(path: &Path) -> io::Result<File> {
    let mut options = OpenOptions::new();
    options.append(true).create(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    let file = options.open(path)?;
    if !file.metadata()?.is_file() {
        return Err(io::Error::other("is no ordinary file"));
    }
    file.try_lock().map_err(|_| io::Error::other("is in use by another process"))?;
    Ok(file)
}

fn found(file: File) -> Result<Found, String> {
    let mut verifier: Option<Verifier> = None;
    let unended = each_line(file, |line| {
        // A trail that was moved away while it was written goes on in a new file, in the middle of the sequence.
        let verifier = verifier.get_or_insert_with(|| Verifier::new(before(line), None));
        verifier.line(line);
    })
    .map_err(|why| why.to_string())?;
    let Some(verifier) = verifier else { return Ok(Found::default()) };
    let (chain, torn) = verifier.tail();
    match verifier.broken() {
        None => Ok(Found { chain, torn, unended }),
        Some(broken) => Err(format!(
            "the audit trail is broken, and nothing is added to it; move it to a safe place and look into it with `audit verify`: {broken}"
        )),
    }
}

/// The place that the entry of this line says it follows.
fn before(line: &[u8]) -> Anchor {
    read(line).map_or_else(
        |_| Anchor::default(),
        |entry: Entry| Anchor { sequence: entry.sequence.saturating_sub(1), hash: entry.previous },
    )
}

/// Verifies a trail that is read from `from`.
///
/// # Errors
/// When it cannot be read.
pub fn verify(from: impl Read, verifier: &mut Verifier, mut each: impl FnMut(&Entry)) -> io::Result<Option<Broken>> {
    each_line(from, |line| {
        if let Some(entry) = verifier.line(line) {
            each(&entry);
        }
    })?;
    Ok(verifier.broken().cloned())
}

/// Calls `each` with every line, without its end; of one that is longer than an entry can be with its beginning. Whether
/// the last has no end.
fn each_line(from: impl Read, mut each: impl FnMut(&[u8])) -> io::Result<bool> {
    let mut from = BufReader::with_capacity(64 << 10, from);
    let mut line = Vec::new();
    let mut any = false;
    loop {
        let available = match from.fill_buf() {
            Ok(available) => available,
            Err(why) if why.kind() == io::ErrorKind::Interrupted => continue,
            Err(why) => return Err(why),
        };
        if available.is_empty() {
            if any {
                each(&line);
            }
            return Ok(any);
        }
        let (part, ended) = match memchr::memchr(b'\n', available) {
            Some(end) => (available.get(..end).unwrap_or_default(), true),
            None => (available, false),
        };
        let room = (LONGEST + 1).saturating_sub(line.len());
        line.extend_from_slice(part.get(..room.min(part.len())).unwrap_or_default());
        let used = part.len() + usize::from(ended);
        from.consume(used);
        any = !ended;
        if ended {
            each(&line);
            line.clear();
        }
    }
}

impl Store for TrailFile {
    /// A file that was moved away is left, and the trail goes on in a new one at the path.
    fn ready(&mut self) -> io::Result<()> {
        if same(&self.file, &self.path)? {
            return Ok(());
        }
        let file = appended(&self.path)?;
        if file.metadata()?.len() > 0 {
            return Err(io::Error::other("another file was put in the place of the trail"));
        }
        self.file.sync_data()?;
        self.file = file;
        Ok(())
    }

    fn append(&mut self, bytes: &[u8]) -> Result<(), (usize, io::Error)> {
        let mut there = 0;
        while let Some(rest) = bytes.get(there..).filter(|rest| !rest.is_empty()) {
            match self.file.write(rest) {
                Ok(0) => return Err((there, io::ErrorKind::WriteZero.into())),
                Ok(n) => there += n,
                Err(why) if why.kind() == io::ErrorKind::Interrupted => {}
                Err(why) => return Err((there, why)),
            }
        }
        Ok(())
    }

    fn sync(&mut self) -> io::Result<()> {
        self.file.sync_data()
    }
}

#[cfg(unix)]
fn same(file: &File, path: &Path) -> io::Result<bool> {
    use std::os::unix::fs::MetadataExt;
    let own = file.metadata()?;
    match std::fs::metadata(path) {
        Ok(there) => Ok((own.dev(), own.ino()) == (there.dev(), there.ino())),
        Err(why) if why.kind() == io::ErrorKind::NotFound => Ok(false),
        Err(why) => Err(why),
    }
}

#[cfg(not(unix))]
fn same(_: &File, path: &Path) -> io::Result<bool> {
    Ok(path.exists())
}
