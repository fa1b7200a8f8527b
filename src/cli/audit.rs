//! `audit verify` and `audit export`.

use super::Fhir;
use super::exit::{Exit, complain};
use crate::audit::chain::Anchor;
use crate::audit::fhir::{audit_event, bundle_entry};
use crate::audit::verify::Verifier;
use crate::http::trail::file::verify;
use clap::{Args, Subcommand, ValueEnum};
use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::PathBuf;

/// Subcommands of `audit`.
#[derive(Subcommand, Debug)]
pub enum AuditCommand {
    /// Find the first entry that was changed, taken out or moved: 0 none, 1 there is one, 3 the file cannot be read
    Verify(Trail),
    /// Write the entries as FHIR AuditEvent resources to standard output, up to the first that is broken; ends as verify does
    Export {
        /// The trail.
        #[command(flatten)]
        trail: Trail,
        /// FHIR version of the resources
        #[arg(long, value_enum, default_value = "R4")]
        fhir: Fhir,
        /// One resource a line, or one Bundle of all
        #[arg(long, value_enum, default_value_t)]
        form: Form,
    },
}

/// A trail and where it stands.
#[derive(Args, Debug)]
pub struct Trail {
    /// The files of one trail, the oldest first
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,
    /// An entry that has to be in it, as /readyz told it: shows that its end was not cut off
    #[arg(long, value_name = "SEQUENCE:HASH")]
    anchor: Option<Anchor>,
    /// The entry before the first, where older files are not given
    #[arg(long, value_name = "SEQUENCE:HASH")]
    after: Option<Anchor>,
}

/// Form of an export.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
pub enum Form {
    /// One resource a line.
    #[default]
    Ndjson,
    /// A Bundle of type collection.
    Bundle,
}

impl AuditCommand {
    /// Runs the command.
    ///
    /// # Errors
    /// When the output cannot be written.
    pub fn run(self) -> Result<Exit, String> {
        match self {
            Self::Verify(trail) => trail.read(|_| Ok(()), true),
            Self::Export { trail, fhir, form } => {
                let mut out = BufWriter::new(std::io::stdout().lock());
                let r5 = fhir == Fhir::R5;
                let mut between = "";
                if form == Form::Bundle {
                    let begin = r#"{"resourceType":"Bundle","type":"collection","entry":["#;
                    out.write_all(begin.as_bytes()).map_err(|why| why.to_string())?;
                }
                let exit = trail.read(
                    |entry| match form {
                        Form::Ndjson => writeln!(out, "{}", audit_event(entry, r5)),
                        Form::Bundle => {
                            let written = write!(out, "{between}{}", bundle_entry(entry, r5));
                            between = ",\n";
                            written
                        }
                    },
                    false,
                )?;
                let end = if form == Form::Bundle { "]}\n" } else { "" };
                out.write_all(end.as_bytes()).and_then(|()| out.flush()).map_err(|why| why.to_string())?;
                Ok(exit)
            }
        }
    }
}

impl Trail {
    /// Reads the files as one sequence; says what it found.
    fn read(
        self,
        mut each: impl FnMut(&crate::audit::chain::Entry) -> std::io::Result<()>,
        loud: bool,
    ) -> Result<Exit, String> {
        let mut verifier = Verifier::new(self.after.unwrap_or_default(), self.anchor);
        let mut written = Ok(());
        let mut name = String::new();
        for path in &self.files {
            name = path.display().to_string();
            verifier.next_file();
            let read = File::open(path).and_then(|file| {
                verify(file, &mut verifier, |entry| {
                    if written.is_ok() {
                        written = each(entry);
                    }
                })
            });
            match read {
                Ok(None) => {}
                Ok(Some(_)) => break,
                Err(why) => {
                    complain(&format!("{name}: {why}"));
                    return Ok(Exit::Unreadable);
                }
            }
        }
        written.map_err(|why| why.to_string())?;
        match verifier.end() {
            Ok(verified) => {
                if loud {
                    let torn = if verified.torn == 0 {
                        String::new()
                    } else {
                        format!(", {} lines that were cut off are marked", verified.torn)
                    };
                    let mut out = std::io::stdout().lock();
                    let _ = writeln!(out, "unbroken: {} entries{torn}, last {}", verified.entries, verified.last);
                }
                Ok(Exit::Clear)
            }
            Err(broken) => {
                complain(&format!("{name}: {broken}"));
                Ok(Exit::Flagged)
            }
        }
    }
}
