//! The command line. Exit codes are a contract:
//!
//! | code | meaning |
//! | --- | --- |
//! | 0 | every order was fully checked and nothing was found |
//! | 1 | at least one order is flagged |
//! | 2 | at least one order could not be fully checked, or there was nothing to check |
//! | 3 | at least one input could not be read or appraised at all |
//! | 64 | the command line, the configuration or the formulary cannot be used |
//!
//! Of several inputs the gravest counts: 3 before 1 before 2 before 0. Output continues after an input
//! that cannot be read.

pub mod access_file;
pub mod audit;
pub mod certificates;
pub mod check;
pub mod demo;
pub mod doors;
pub mod exit;
pub mod formulary;
pub mod hook;
pub mod inputs;
pub mod log;
pub mod reload;
pub mod rulebook;
pub mod rules;
pub mod serve;
pub mod settings;
pub mod settings_file;
pub mod store;
pub mod subscribers_file;
pub mod toml_shape;
pub mod traces_file;

use crate::http::asked;
use crate::intake::order::FhirVersion;
use crate::settings::Settings;
use clap::{Args, CommandFactory, FromArgMatches, Parser, Subcommand, ValueEnum};
use exit::Exit;
use std::path::PathBuf;
use std::process::ExitCode;

/// The formulary of the demo. Its products are invented.
pub const DEMO_FORMULARY: &str = include_str!("../../deploy/demo/formulary.csv");

/// The settings of the demo's institution, which is invented.
pub const DEMO_SETTINGS: &str = include_str!("../../deploy/demo/settings.toml");

/// What the program says where it works with invented data.
pub const INVENTED: &str =
    "DEMO: all data is invented (people, orders, products, compositions). Never use it for a real person.";

#[derive(Parser)]
#[command(
    name = "enteral-gate",
    version,
    about = "What a tube-feeding order (FHIR NutritionOrder) delivers over a day, and what in it does not add up.",
    long_about = "What a tube-feeding order (FHIR NutritionOrder, R4, R4B or R5) delivers over a day, and what in it does not add up.\n\nIt supports, and does not replace, the judgement of licensed practitioners and local policy. It does not act on free text and cannot see what is not sent.",
    after_help = EXIT_CODES
)]
struct Line {
    #[command(subcommand)]
    command: Command,
}

const EXIT_CODES: &str = "Exit codes:
  0   fully checked, nothing found
  1   flagged
  2   not fully checked, or nothing found to check
  3   an input could not be read or appraised
  64  the command line, configuration or formulary cannot be used
Of several inputs the gravest counts: 3 before 1 before 2 before 0.";

#[derive(Subcommand)]
enum Command {
    /// Verify an audit trail, or write it as FHIR AuditEvents
    Audit {
        #[command(subcommand)]
        command: audit::AuditCommand,
    },
    /// Check orders in files, folders (every .json and .ndjson in them) or standard input (-)
    #[command(after_help = EXIT_CODES)]
    Check(check::Check),
    /// Answer over HTTP (without --access on loopback addresses only)
    Serve(serve::Serve),
    /// Serve with an invented formulary and answer invented sample orders
    Demo(demo::Demo),
    /// Work on a formulary file
    Formulary {
        #[command(subcommand)]
        command: formulary::FormularyCommand,
    },
    /// Try a CDS Hooks service out
    Hook {
        #[command(subcommand)]
        command: hook::HookCommand,
    },
    /// Read, test and compare rulebooks
    Rules {
        #[command(subcommand)]
        command: rules::RulesCommand,
    },
    /// Work on a settings file
    Settings {
        #[command(subcommand)]
        command: settings::SettingsCommand,
    },
    /// Read a subscribers file
    Subscribers {
        #[command(subcommand)]
        command: subscribers_file::SubscribersCommand,
    },
    /// Look after what the queue keeps
    Store {
        #[command(subcommand)]
        command: store::StoreCommand,
    },
}

/// Settings of the institution, for `check` and `serve`.
#[derive(Args, Clone, Debug)]
pub struct Institution {
    /// Settings file (TOML): zone, feeding day, clock times of timing codes, routes; flags win over it
    #[arg(long, env = "ENTERAL_GATE_SETTINGS", value_name = "FILE")]
    settings: Option<PathBuf>,
    #[command(flatten)]
    flags: SettingFlags,
}

/// Flags that win over a settings file.
#[derive(Args, Clone, Debug)]
pub struct SettingFlags {
    /// Time zone of the institution, such as Europe/Vienna [default: UTC]
    #[arg(long, env = "ENTERAL_GATE_ZONE", value_name = "ZONE")]
    zone: Option<String>,
    /// Start of the feeding day [default: 07:00]
    #[arg(long, env = "ENTERAL_GATE_DAY_START", value_name = "HH:MM")]
    day_start: Option<String>,
    /// Kinds of data that are always sent when they exist: labs, allergies, conditions, medicines, devices, procedures, other-orders, other-fluids, history
    #[arg(long, value_name = "KIND,…", value_delimiter = ',')]
    declares: Vec<String>,
}

impl SettingFlags {
    /// Puts the flags over what is set already; gives a sentence for each that cannot be used.
    fn put_over(&self, settings: &mut Settings) -> Vec<String> {
        let given = [("zone", &self.zone), ("day-start", &self.day_start)];
        let mut problems: Vec<String> =
            given.into_iter().filter_map(|(flag, value)| put(flag, value.as_deref()?, settings).err()).collect();
        if !self.declares.is_empty() {
            settings.declared.clear();
        }
        for name in &self.declares {
            match settings_file::declared(name) {
                Ok(kind) => drop(settings.declared.insert(kind)),
                Err(what) => problems.push(format!("--declares: {what}")),
            }
        }
        problems
    }
}

impl Institution {
    /// The settings, with their hash.
    ///
    /// # Errors
    /// Everything that is wrong with the file, with its place, and with the flags, by name.
    pub fn settings(&self) -> Result<Settings, String> {
        let mut settings = Settings::default();
        let mut problems = Vec::new();
        if let Some(file) = &self.settings
            && let Err(found) = settings_file::load(file, &mut settings)
        {
            problems.extend(found.iter().map(ToString::to_string));
        }
        problems.extend(self.flags.put_over(&mut settings));
        if let [only] = problems.as_slice() {
            return Err(only.clone());
        }
        if !problems.is_empty() {
            return Err(format!("the settings cannot be used:\n  {}", problems.join("\n  ")));
        }
        settings.hash = settings.content_hash();
        Ok(settings)
    }
}

/// Puts the value of a flag into the settings; the message names the flag.
fn put(flag: &str, value: &str, settings: &mut Settings) -> Result<(), String> {
    asked::apply(flag, value, settings).map_err(|what| format!("--{flag}: {}", what.trim_end_matches('.')))
}

/// FHIR version, as a flag.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
#[allow(missing_docs, reason = "plain names")]
pub enum Fhir {
    #[value(name = "R4")]
    R4,
    #[value(name = "R4B")]
    R4B,
    #[value(name = "R5")]
    R5,
}

impl Fhir {
    fn version(self) -> FhirVersion {
        match self {
            Self::R4 => FhirVersion::R4,
            Self::R4B => FhirVersion::R4B,
            Self::R5 => FhirVersion::R5,
        }
    }
}

/// Where the products come from.
#[derive(Args, Clone, Debug)]
pub struct Products {
    /// The institution's formulary: CSV, or FHIR NutritionProduct alone or in a Bundle as JSON
    #[arg(long, env = "ENTERAL_GATE_FORMULARY", value_name = "FILE")]
    formulary: Option<PathBuf>,
}

/// Runs the program.
pub fn run() -> ExitCode {
    let read = Line::command()
        .try_get_matches()
        .and_then(|matches| Line::from_arg_matches(&matches).map(|line| (line, matches)));
    let (line, matches) = match read {
        Ok(read) => read,
        Err(error) => {
            let _ = error.print();
            return if error.use_stderr() { Exit::Usage } else { Exit::Clear }.into();
        }
    };
    let done = match line.command {
        Command::Audit { command } => command.run(),
        Command::Check(check) => check.run(),
        Command::Serve(serve) => serve.run(),
        Command::Demo(demo) => demo.run(),
        Command::Formulary { command } => command.run(),
        Command::Hook { command } => command.run(),
        Command::Rules { command } => command.run(),
        Command::Store { command } => command.run(),
        Command::Subscribers { command } => command.run(),
        Command::Settings { command } => command.run(&matches),
    };
    match done {
        Ok(exit) => exit.into(),
        Err(what) => {
            exit::complain(&what);
            Exit::Usage.into()
        }
    }
}
