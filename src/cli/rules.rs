//! `rules`: reading, testing and comparing rulebooks.

mod comparing;
mod listing;

use super::exit::{Exit, complain};
use super::reload::today;
use super::{Fhir, Institution as SettingsOf, formulary, rulebook};
use crate::answer;
use crate::formulary::Formulary;
use crate::rehearsal::{Rehearsed, rehearse, site, uncovered};
use crate::rulebook::file::RulebookProblem;
use crate::rulebook::lapse::lapses;
use crate::rulebook::{Mode, Rulebook};
use clap::{Args, Subcommand, ValueEnum};
use comparing::{diff, replay};
use listing::{effective, list, show};
use serde_json::{Value, json};
use std::collections::BTreeSet;
use std::io::Write;
use std::path::PathBuf;

/// Form of what is printed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
pub enum Format {
    /// For people
    #[default]
    Text,
    /// JSON
    Json,
    /// JUnit, for continuous integration (`check`, `test`, `diff` and `replay`)
    Junit,
}

/// Refuses JUnit where nothing is tried that could pass or fail.
///
/// # Errors
/// A sentence that says so.
fn no_junit(command: &str, format: Format) -> Result<(), String> {
    if format == Format::Junit {
        return Err(format!(
            "--format junit: `rules {command}` tries nothing that could pass or fail; give text or json (junit goes with check, test, diff and replay)"
        ));
    }
    Ok(())
}

/// Which rulebook.
#[derive(Args, Clone, Debug, Default)]
pub struct Book {
    /// Rulebook file (TOML), or a folder of them; may be given more than once, later files extend earlier ones. Without it: the starter rulebook. `none`, for `check` and `serve`: the program's integrity rules only
    #[arg(long = "rulebook", env = "ENTERAL_GATE_RULEBOOK", value_name = "FILE", value_delimiter = ':')]
    pub files: Vec<PathBuf>,
}

const CHECK_CODES: &str = "Exit codes:
  0   the rulebook can be used
  2   it can be read, with warnings: among them examples that fail, with which a service does not start
  3   it cannot be used
  64  the command line cannot be used";

/// Subcommands of `rules`.
#[derive(Subcommand, Debug)]
pub enum RulesCommand {
    /// Every rule: id, tier, how far its findings go, what it catches
    List {
        /// Which rulebook
        #[command(flatten)]
        book: Book,
        /// Form of the list
        #[arg(long, value_enum, default_value_t)]
        format: Format,
    },
    /// One rule in full
    Show {
        /// Id, such as VOL-01
        id: String,
        /// Which rulebook
        #[command(flatten)]
        book: Book,
        /// Form
        #[arg(long, value_enum, default_value_t)]
        format: Format,
    },
    /// The limits as they are in effect, each value with the file and line it came from
    Effective {
        /// Which rulebook
        #[command(flatten)]
        book: Book,
        /// Form
        #[arg(long, value_enum, default_value_t)]
        format: Format,
    },
    /// Read rulebook files and list everything that is wrong with them: 0 usable, 2 usable with warnings, 3 unusable
    #[command(after_help = CHECK_CODES)]
    Check {
        /// Which rulebook
        #[command(flatten)]
        book: Book,
        /// Form of the report
        #[arg(long, value_enum, default_value_t)]
        format: Format,
    },
    /// Run the rules' own tests, and say which rules lack one
    Test {
        /// Which rulebook
        #[command(flatten)]
        book: Book,
        /// Formulary that the tests name products of [default: the invented one]
        #[arg(long, value_name = "FILE")]
        formulary: Option<PathBuf>,
        /// Only this rule
        #[arg(long, value_name = "ID", conflicts_with = "site_tests")]
        rule: Option<String>,
        /// The institution's own tests, a file (TOML, or Markdown with TOML in it) or a folder of them; may be given more than once
        #[arg(long, value_name = "PATH")]
        site_tests: Vec<PathBuf>,
        /// What the site's tests are judged with
        #[command(flatten)]
        institution: SettingsOf,
        /// Form of the report
        #[arg(long, value_enum, default_value_t)]
        format: Format,
    },
    /// Which orders of a folder two rulebooks judge differently, and how the number of alerts changes
    Diff {
        /// The old rulebook (file or folder, or `starter`)
        old: PathBuf,
        /// The new one
        new: PathBuf,
        /// Orders
        #[arg(long, required = true, value_name = "PATH")]
        orders: Vec<PathBuf>,
        /// What the orders are judged with
        #[command(flatten)]
        with: With,
    },
    /// What a rulebook says to the orders of a folder, rule by rule
    Replay {
        /// Which rulebook
        #[command(flatten)]
        book: Book,
        /// Orders
        #[arg(long, required = true, value_name = "PATH")]
        orders: Vec<PathBuf>,
        /// What the orders are judged with
        #[command(flatten)]
        with: With,
    },
}

/// What orders are judged with besides the rulebook.
#[derive(Args, Clone, Debug)]
pub struct With {
    /// FHIR version of all the orders; it is not told from them
    #[arg(long, value_enum, default_value = "R4")]
    fhir: Fhir,
    /// Formulary [default: the invented one]
    #[arg(long, value_name = "FILE")]
    formulary: Option<PathBuf>,
    #[command(flatten)]
    institution: SettingsOf,
    /// Form of the report
    #[arg(long, value_enum, default_value_t)]
    format: Format,
}

impl RulesCommand {
    /// Runs the command.
    ///
    /// # Errors
    /// What about the rulebook, the formulary or the command line cannot be used.
    pub fn run(self) -> Result<Exit, String> {
        match self {
            Self::List { book, format } => list(&rulebook::load(&book.files)?, format),
            Self::Show { id, book, format } => show(&rulebook::load(&book.files)?, &id, format),
            Self::Effective { book, format } => effective(&rulebook::load(&book.files)?, format),
            Self::Check { book, format } => check(&book, format),
            Self::Test { book, formulary, rule, site_tests, institution, format } => {
                let book = rulebook::load(&book.files)?;
                let products = products(formulary.as_ref())?;
                let own = site_outcomes(&site_tests, &book, &products, &institution.settings()?)?;
                test(&book, &products, rule.as_deref(), own, format)
            }
            Self::Diff { old, new, orders, with } => diff(&old, &new, &orders, &with),
            Self::Replay { book, orders, with } => replay(&rulebook::load(&book.files)?, &orders, &with),
        }
    }
}

fn products(file: Option<&PathBuf>) -> Result<Formulary, String> {
    match file {
        Some(file) => formulary::load(file),
        None => formulary::for_tests(),
    }
}

fn print(text: &str) {
    let mut out = std::io::stdout().lock();
    let _ = out.write_all(text.as_bytes()).and_then(|()| out.write_all(b"\n")).and_then(|()| out.flush());
}

fn name_of(book: &Rulebook) -> String {
    let adopted = book
        .adopted
        .as_ref()
        .map_or_else(|| "not adopted by this institution".to_owned(), |a| format!("adopted by {} on {}", a.by, a.on));
    format!("{} {}, {adopted}, content {}", book.label, book.edition, book.hash)
}

/// Whether the rules' own examples hold, for whoever only has the files checked: they are what a service is started by.
fn failing(book: &Rulebook) -> Result<Vec<Rehearsed>, String> {
    let done = rehearse(book, &formulary::for_tests()?, &crate::settings::Settings::default());
    Ok(done.into_iter().filter(|r| r.failure.is_some()).collect())
}

fn check(book: &Book, format: Format) -> Result<Exit, String> {
    let read = if rulebook::without(&book.files) { Ok(Rulebook::default()) } else { rulebook::read(&book.files) };
    let place = |p: &RulebookProblem| json!({"file": p.file, "line": p.at.map(|at| at.0), "column": p.at.map(|at| at.1), "text": p.text});
    let book = match read {
        Ok(book) => book,
        Err(problems) => {
            match format {
                Format::Text => problems.iter().for_each(|problem| print(&problem.to_string())),
                Format::Json => {
                    let problems: Vec<Value> = problems.iter().map(place).collect();
                    print(&json!({"usable": false, "problems": problems}).to_string());
                }
                Format::Junit => {
                    let cases: Vec<_> =
                        problems.iter().map(|p| ("rulebook".to_owned(), p.to_string(), Some(p.to_string()))).collect();
                    print(&answer::junit_of("rules check", &cases));
                }
            }
            complain("the rulebook cannot be used");
            return Ok(Exit::Unreadable);
        }
    };
    let lapses = lapses(&book, today());
    let failing = failing(&book)?;
    let examples: Vec<String> = failing
        .iter()
        .map(|r| {
            let why = r.failure.as_deref().unwrap_or_default();
            format!(
                "{}: the example \"{}\" of {} fails, and a service does not start with it: {why}",
                r.place, r.title, r.rule
            )
        })
        .collect();
    let warnings = book.warnings.len() + lapses.len() + examples.len();
    match format {
        Format::Text => {
            let told = book.warnings.iter().map(ToString::to_string).chain(examples).chain(lapses);
            told.for_each(|line| print(&line));
            print(&format!(
                "{}: {} limits, {} not evaluable yet, {warnings} warnings",
                name_of(&book),
                book.limits.len(),
                book.waiting.len(),
            ));
        }
        Format::Json => {
            let places: Vec<Value> = book.warnings.iter().map(place).collect();
            let failing: Vec<Value> = failing
                .iter()
                .map(|r| json!({"rule": r.rule, "test": r.title, "place": r.place, "failure": r.failure}))
                .collect();
            print(&json!({"usable": true, "rulebook": name_of(&book), "limits": book.limits.len(), "waiting": book.waiting.len(), "problems": [], "warnings": places, "failing": failing, "lapses": lapses}).to_string());
        }
        Format::Junit => {
            let mut cases: Vec<(String, String, Option<String>)> = vec![("rulebook".to_owned(), name_of(&book), None)];
            let told = book.warnings.iter().map(ToString::to_string).chain(examples).chain(lapses);
            cases.extend(told.map(|line| ("rulebook".to_owned(), line.clone(), Some(line))));
            print(&answer::junit_of("rules check", &cases));
        }
    }
    Ok(if warnings == 0 { Exit::Clear } else { Exit::NotFullyChecked })
}

/// Files of tests: those named, and the `.toml` and `.md` files of folders named, in order.
fn site_files(paths: &[PathBuf]) -> Result<Vec<PathBuf>, String> {
    let (mut files, mut waiting) = (BTreeSet::new(), paths.to_vec());
    let mut entered = BTreeSet::new();
    while let Some(path) = waiting.pop() {
        let why = |error: std::io::Error| format!("{}: {error}", path.display());
        if !std::fs::metadata(&path).map_err(why)?.is_dir() {
            files.insert(path);
            continue;
        }
        // A folder that is reached again through a link is not entered again.
        if !entered.insert(std::fs::canonicalize(&path).map_err(why)?) {
            continue;
        }
        for entry in std::fs::read_dir(&path).map_err(why)? {
            let inner = entry.map_err(why)?.path();
            let ending = inner.extension().and_then(|e| e.to_str()).unwrap_or_default().to_ascii_lowercase();
            if inner.is_dir() || matches!(ending.as_str(), "toml" | "md") {
                waiting.push(inner);
            }
        }
    }
    Ok(files.into_iter().collect())
}

/// What the institution's own tests came to.
fn site_outcomes(
    paths: &[PathBuf],
    book: &Rulebook,
    formulary: &Formulary,
    settings: &crate::settings::Settings,
) -> Result<Vec<Rehearsed>, String> {
    let (mut out, mut problems) = (Vec::new(), Vec::new());
    for file in site_files(paths)? {
        let name = file.display().to_string();
        let text = std::fs::read_to_string(&file).map_err(|error| format!("{name}: {error}"))?;
        let tests = match site::read(&name, &text, book) {
            Ok(tests) => tests,
            Err(list) => {
                problems.extend(list.into_iter().map(|p| format!("{}: {}", p.place, p.message)));
                continue;
            }
        };
        for test in tests {
            let order = match &test.order {
                site::Order::Given(_) => None,
                site::Order::File(order, _) => std::fs::read(file.with_file_name(order)).ok(),
            };
            let failure = match site::run(&test, order.as_deref(), book, formulary, settings) {
                Ok(wrong) if wrong.is_empty() => None,
                Ok(wrong) => Some(wrong.join("; ")),
                Err(why) => Some(why),
            };
            let outcome = if failure.is_none() { "as expected" } else { "not as expected" };
            out.push(Rehearsed {
                rule: "site".to_owned(),
                title: test.title,
                place: test.place,
                failure,
                outcome,
                said: None,
            });
        }
    }
    if !problems.is_empty() {
        return Err(problems.join("\n"));
    }
    if out.is_empty() && !paths.is_empty() {
        return Err("--site-tests: no test was found (`[[test]]` in a .toml file, or in a block of a .md file that is marked toml)".to_owned());
    }
    Ok(out)
}

fn test(
    book: &Rulebook,
    formulary: &Formulary,
    rule: Option<&str>,
    own: Vec<Rehearsed>,
    format: Format,
) -> Result<Exit, String> {
    let mut book = book.clone();
    if let Some(id) = rule
        && !book.limits.iter().any(|l| l.rule.id == id)
    {
        return Err(format!("{id} is not a limit of this rulebook; `enteral-gate rules list` names them"));
    }
    let uncovered: Vec<(String, Vec<&str>)> = book
        .limits
        .iter()
        .filter(|l| l.mode != Mode::Off && rule.is_none_or(|id| l.rule.id == id))
        .map(|l| (l.rule.id.to_string(), uncovered(l)))
        .filter(|(_, missing)| !missing.is_empty())
        .collect();
    if let Some(id) = rule {
        for l in book.limits.iter_mut().filter(|l| l.rule.id != id) {
            l.tests.clear();
        }
    }
    let mut done = rehearse(&book, formulary, &crate::settings::Settings::default());
    let (limits, sites) = (done.len(), own.len());
    done.extend(own);
    let failed = done.iter().filter(|d| d.failure.is_some()).count();
    let enabled = book.limits.iter().filter(|l| l.mode != Mode::Off && rule.is_none_or(|id| l.rule.id == id)).count();
    let lapses = lapses(&book, today());
    let fails = failed > 0 || !uncovered.is_empty() || limits == 0 || enabled == 0;
    match format {
        Format::Junit => {
            let mut cases: Vec<(String, String, Option<String>)> =
                done.iter().map(|d| (d.rule.clone(), d.title.clone(), d.failure.clone())).collect();
            cases.extend(uncovered.iter().map(|(id, missing)| {
                (id.clone(), "coverage".to_owned(), Some(format!("no test: {}", missing.join(", "))))
            }));
            if limits == 0 {
                cases.push(("rulebook".to_owned(), "tests".to_owned(), Some("no test was run".to_owned())));
            }
            print(&answer::junit_of("rules", &cases));
        }
        Format::Json => {
            let tests: Vec<Value> = done
                .iter()
                .map(|d| json!({"rule": d.rule, "test": d.title, "place": d.place, "outcome": d.outcome, "said": d.said, "failure": d.failure}))
                .collect();
            let missing: Vec<Value> =
                uncovered.iter().map(|(id, missing)| json!({"rule": id, "missing": missing})).collect();
            print(&json!({"rulebook": name_of(&book), "tests": tests, "uncovered": missing, "lapses": lapses, "passed": done.len() - failed, "failed": failed}).to_string());
        }
        Format::Text => {
            let mut out = String::new();
            for d in &done {
                if let Some(failure) = &d.failure {
                    out.push_str(&format!("FAILED {} {} [{}]\n       {failure}\n", d.rule, d.title, d.place));
                }
            }
            for (id, missing) in &uncovered {
                out.push_str(&format!("NO TEST {id}: {}\n", missing.join(", ")));
            }
            if limits == 0 {
                out.push_str("no test of a limit was run\n");
            }
            for lapse in &lapses {
                out.push_str(&format!("NOTE {lapse}\n"));
            }
            out.push_str(&format!(
                "{} passed, {failed} failed; {} of {enabled} limits have all four kinds of test",
                done.len() - failed,
                enabled - uncovered.len()
            ));
            if sites > 0 {
                out.push_str(&format!("; {sites} of the tests are the institution's own"));
            }
            print(&out);
        }
    }
    Ok(if fails { Exit::Flagged } else { Exit::Clear })
}
