//! `check`: orders from files, on the terminal or in a pipeline.

use super::exit::{Exit, complain};
use super::inputs::{self, Source};
use super::rules::Book;
use super::{Fhir, INVENTED, Institution, Products, formulary, put, rulebook};
use crate::answer::{self, JunitCase};
use crate::appraise::{Institution as By, appraise_by};
use crate::findings::Disposition;
use crate::formulary::Formulary;
use crate::settings::Settings;
use clap::{Args, ValueEnum};
use std::io::{self, IsTerminal, Write};
use std::path::PathBuf;

/// Form of the answers.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
pub enum Format {
    /// For people
    #[default]
    Text,
    /// One line per input: the Parameters of $appraise
    Json,
    /// One JUnit report
    Junit,
}

/// When to use colour.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
pub enum Colour {
    /// On a terminal, unless NO_COLOR is set
    #[default]
    Auto,
    /// Always
    Always,
    /// Never
    Never,
}

/// Arguments of `check`.
#[derive(Args, Debug)]
pub struct Check {
    /// Files, folders, or - for standard input
    #[arg(required = true, value_name = "PATH")]
    paths: Vec<PathBuf>,
    /// FHIR version of all the inputs; it is not told from them
    #[arg(long, value_enum, default_value = "R4")]
    fhir: Fhir,
    #[command(flatten)]
    products: Products,
    #[command(flatten)]
    book: Book,
    /// Use the invented formulary of the demo instead of an institution's
    #[arg(long, conflicts_with = "formulary")]
    demo: bool,
    #[command(flatten)]
    institution: Institution,
    /// Reckon ages and the age of measurements from this time (or date), instead of the order's own time
    #[arg(long, value_name = "TIME")]
    as_of: Option<String>,
    /// First day wanted, instead of the day the order starts
    #[arg(long, value_name = "YYYY-MM-DD")]
    date: Option<String>,
    /// How many days, 1 to 14, instead of up to the first steady day
    #[arg(long, value_name = "N")]
    days: Option<String>,
    /// elapsed (24 hours) or civil (clock time to clock time)
    #[arg(long, value_name = "KIND", default_value = "elapsed")]
    day_kind: String,
    /// Form of the answers
    #[arg(long, value_enum, default_value_t)]
    format: Format,
    /// When to use colour
    #[arg(long, alias = "color", value_enum, default_value_t)]
    colour: Colour,
}

impl Check {
    fn settings(&self) -> Result<Settings, String> {
        let mut settings = self.institution.settings()?;
        let given = [("date", &self.date), ("days", &self.days), ("as-of", &self.as_of)];
        put("day-kind", &self.day_kind, &mut settings)?;
        for (flag, value) in given {
            if let Some(value) = value {
                put(flag, value, &mut settings)?;
            }
        }
        settings.demo = self.demo;
        Ok(settings)
    }

    fn formulary(&self) -> Result<Formulary, String> {
        match (&self.products.formulary, self.demo) {
            (Some(file), _) => formulary::load(file),
            (None, true) => {
                complain(INVENTED);
                formulary::embedded()
            }
            (None, false) => {
                complain(
                    "no formulary was given (--formulary FILE; --demo uses an invented one): every product is unknown, and energy, protein and water are not worked out",
                );
                Ok(Formulary::none())
            }
        }
    }

    /// Runs the command.
    ///
    /// # Errors
    /// What about the command line or the formulary cannot be used.
    pub fn run(self) -> Result<Exit, String> {
        let settings = self.settings()?;
        let formulary = self.formulary()?;
        let rulebook = rulebook::asked(&self.book.files)?;
        let by = By { formulary: &formulary, rulebook: &rulebook, settings: &settings };
        let stdout = io::stdout();
        let colour = match self.colour {
            Colour::Always => true,
            Colour::Never => false,
            Colour::Auto => stdout.is_terminal() && std::env::var_os("NO_COLOR").is_none_or(|v| v.is_empty()),
        };
        let mut out = io::BufWriter::new(stdout.lock());
        let mut exit: Option<Exit> = None;
        let mut kept: Vec<JunitCase> = Vec::new();
        let mut writing: io::Result<()> = Ok(());
        let sources = inputs::find(&self.paths);
        let several = sources.len() > 1;
        for source in sources {
            let read = inputs::read(&source, &mut |name, line, bytes| {
                let mut appraisal = appraise_by(bytes, name, self.fhir.version(), by);
                line.iter().for_each(|line| appraisal.begin_on_line(*line));
                exit = exit.max(Some(exit_of(appraisal.disposition())));
                inputs::tell_version(name, &appraisal);
                writing = match self.format {
                    Format::Text => write!(out, "{}", answer::text(&appraisal, colour)).and_then(|()| out.flush()),
                    Format::Json if several || line.is_some() => {
                        writeln!(out, "{}", answer::parameters_json_of(&appraisal, name))
                    }
                    Format::Json => writeln!(out, "{}", answer::parameters_json(&appraisal)),
                    Format::Junit => {
                        kept.push(answer::junit_case(name, &appraisal));
                        Ok(())
                    }
                };
                writing.is_ok()
            });
            if let Err(why) = read {
                complain(&format!("{}: {why}", inputs::name_of(&source)));
                exit = exit.max(Some(Exit::Unreadable));
                if self.format == Format::Junit && matches!(source, Source::File(_) | Source::Lost(..)) {
                    // An input that could not be read must not be missing from the report.
                    let name = inputs::name_of(&source);
                    let appraisal = appraise_by(b"", &name, self.fhir.version(), by);
                    kept.push(answer::junit_case(&name, &appraisal));
                }
            }
            if writing.is_err() {
                break;
            }
        }
        if self.format == Format::Junit && writing.is_ok() {
            writing = write!(out, "{}", answer::junit(&kept));
        }
        let writing = writing.and_then(|()| out.flush());
        if exit.is_none() {
            complain("nothing found to check");
        }
        let exit = exit.unwrap_or(Exit::NotFullyChecked);
        match writing {
            Ok(()) => Ok(exit),
            // Whoever read the answers has gone: what was not shown was not checked.
            Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(exit.max(Exit::NotFullyChecked)),
            Err(error) => {
                complain(&format!("the answers could not be written: {error}"));
                Ok(exit.max(Exit::Unreadable))
            }
        }
    }
}

fn exit_of(disposition: Disposition) -> Exit {
    match disposition {
        Disposition::Clear => Exit::Clear,
        Disposition::Flagged => Exit::Flagged,
        Disposition::NotFullyChecked => Exit::NotFullyChecked,
        Disposition::Refused => Exit::Unreadable,
    }
}
