//! `formulary check`, and loading a formulary for the other commands.

use super::exit::{Exit, complain};
use crate::formulary::Formulary;
use crate::formulary::problem::FormularyProblem;
use clap::Subcommand;
use std::io::Write;
use std::path::{Path, PathBuf};

/// Largest formulary file, bytes.
const LIMIT: u64 = 16 << 20;

/// Subcommands of `formulary`.
#[derive(Subcommand, Debug)]
pub enum FormularyCommand {
    /// Read a formulary as the other commands would, and list everything that is wrong with it
    Check {
        /// The formulary: CSV, or FHIR NutritionProduct (R4B, R5) alone or in a Bundle as JSON
        file: PathBuf,
    },
}

impl FormularyCommand {
    /// Runs the command: 0 usable without a warning, 2 usable with warnings, 64 unusable.
    ///
    /// # Errors
    /// None; the type is that of the other commands.
    pub fn run(self) -> Result<Exit, String> {
        let Self::Check { file } = self;
        let bytes = match read(&file) {
            Ok(bytes) => bytes,
            Err(why) => {
                complain(&why);
                return Ok(Exit::Usage);
            }
        };
        let mut out = std::io::stdout().lock();
        match read_as(&file.to_string_lossy(), &bytes) {
            Ok(formulary) => {
                let mut warnings = 0;
                for warning in formulary.all_warnings() {
                    warnings += 1;
                    let _ = writeln!(out, "{warning}");
                }
                let _ = writeln!(
                    out,
                    "{}: {} products, {warnings} warnings, content {}",
                    formulary.label(),
                    formulary.len(),
                    formulary.hash()
                );
                Ok(if warnings == 0 { Exit::Clear } else { Exit::NotFullyChecked })
            }
            Err(problems) => {
                for problem in &problems {
                    let _ = writeln!(out, "{problem}");
                }
                let _ = writeln!(out, "{}: cannot be used", file.display());
                Ok(Exit::Usage)
            }
        }
    }
}

fn read(file: &Path) -> Result<Vec<u8>, String> {
    let whole = || {
        use std::io::Read;
        let mut bytes = Vec::new();
        std::fs::File::open(file)?.take(LIMIT + 1).read_to_end(&mut bytes)?;
        std::io::Result::Ok(bytes)
    };
    match whole() {
        Ok(bytes) if bytes.len() as u64 > LIMIT => {
            Err(format!("{}: larger than {LIMIT} bytes, which no formulary is", file.display()))
        }
        Ok(bytes) => Ok(bytes),
        Err(error) => Err(format!("{}: {error}", file.display())),
    }
}

/// Reads the institution's formulary.
///
/// # Errors
/// Every problem, one a line.
pub fn load(file: &Path) -> Result<Formulary, String> {
    from(&file.to_string_lossy(), &read(file)?)
}

/// The invented formulary of the demo.
///
/// # Errors
/// Never in a released program; the tests read it.
pub fn embedded() -> Result<Formulary, String> {
    from("invented demo formulary", super::DEMO_FORMULARY.as_bytes())
}

/// The invented products that the starter rulebook's tests name: the demo's and some with odd compositions.
///
/// # Errors
/// As [`embedded`].
pub fn for_tests() -> Result<Formulary, String> {
    let odd = include_str!("../rulebook/starter/products.csv");
    from("invented products for tests", format!("{}\n{odd}", super::DEMO_FORMULARY.trim_end()).as_bytes())
}

/// FHIR where the first sign is a brace, as no table begins; else CSV.
fn read_as(name: &str, bytes: &[u8]) -> Result<Formulary, Vec<FormularyProblem>> {
    let text = bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(bytes).trim_ascii_start();
    if text.first() == Some(&b'{') { Formulary::from_fhir(name, bytes) } else { Formulary::from_csv(name, bytes) }
}

fn from(name: &str, bytes: &[u8]) -> Result<Formulary, String> {
    read_as(name, bytes).map_err(|problems| {
        let lines: Vec<_> = problems.iter().map(ToString::to_string).collect();
        format!("the formulary cannot be used:\n  {}", lines.join("\n  "))
    })
}
