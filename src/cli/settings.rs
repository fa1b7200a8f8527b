//! `settings check`: a settings file as the other commands would read it, and where each value comes from.

use super::SettingFlags;
use super::exit::Exit;
use super::settings_file::{self, CODES, Lines};
use crate::settings::{ContextKind, LookWithin, NothingChecked, Settings};
use clap::parser::ValueSource;
use clap::{ArgMatches, Subcommand};
use std::io::Write;
use std::path::{Path, PathBuf};

/// Subcommands of `settings`.
#[derive(Subcommand, Debug)]
pub enum SettingsCommand {
    /// Read a settings file as check and serve would, list everything that is wrong with it, or print what is in effect and where it comes from
    Check {
        /// The settings file (TOML)
        #[arg(env = "ENTERAL_GATE_SETTINGS", value_name = "FILE")]
        file: PathBuf,
        /// Flags that win over it
        #[command(flatten)]
        flags: SettingFlags,
    },
}

impl SettingsCommand {
    /// Runs the command: 0 usable, 64 not.
    ///
    /// # Errors
    /// None; the type is that of the other commands.
    pub fn run(self, matches: &ArgMatches) -> Result<Exit, String> {
        let Self::Check { file, flags } = self;
        let mut settings = Settings::default();
        let mut problems = Vec::new();
        let mut lines = Lines::default();
        match settings_file::load(&file, &mut settings) {
            Ok(read) => lines = read,
            Err(found) => problems.extend(found.iter().map(ToString::to_string)),
        }
        problems.extend(flags.put_over(&mut settings));
        let mut out = std::io::stdout().lock();
        if !problems.is_empty() {
            for problem in &problems {
                let _ = writeln!(out, "{problem}");
            }
            let _ = writeln!(out, "{}: cannot be used", file.display());
            return Ok(Exit::Usage);
        }
        settings.hash = settings.content_hash();
        let given = matches.subcommand_matches("settings").and_then(|m| m.subcommand_matches("check"));
        for [key, value, origin] in effective(&settings, &lines, &file, given) {
            let _ = writeln!(out, "{key:<14} {value}  [{origin}]");
        }
        let _ = writeln!(out, "{:<14} {}", "settings-hash", settings.hash);
        Ok(Exit::Clear)
    }
}

/// Key, value and origin of every setting.
fn effective(settings: &Settings, lines: &Lines, file: &Path, given: Option<&ArgMatches>) -> Vec<[String; 3]> {
    let in_file = |line: &usize| format!("{}:{line}", file.display());
    let from_file = |key: &str| lines.keys.get(key).map_or_else(|| "default".to_owned(), in_file);
    let origin = |key: &str, id: &str, variable: &str| match given.and_then(|m| m.value_source(id)) {
        Some(ValueSource::CommandLine) => format!("--{key}"),
        Some(ValueSource::EnvVariable) => variable.to_owned(),
        _ => from_file(key),
    };
    let or_none = |text: String| if text.is_empty() { "none".to_owned() } else { text };
    let declared = ContextKind::ALL.iter().filter(|(kind, _)| settings.declared.contains(kind));
    let declared = declared.map(|(_, name)| *name).collect::<Vec<_>>().join(", ");
    let weights = settings.weight_codes.iter().map(String::as_str).collect::<Vec<_>>().join(", ");
    let harmless = settings.harmless_texts.iter().map(|text| format!("“{text}”")).collect::<Vec<_>>().join(", ");
    let mut rows = vec![
        ["zone".to_owned(), settings.zone_name.clone(), origin("zone", "zone", "ENTERAL_GATE_ZONE")],
        ["day-start".to_owned(), clock(settings.day_start), origin("day-start", "day_start", "ENTERAL_GATE_DAY_START")],
        ["declares".to_owned(), or_none(declared), origin("declares", "declares", "")],
        ["weight-codes".to_owned(), weights, from_file("weight-codes")],
        ["harmless-texts".to_owned(), or_none(harmless), from_file("harmless-texts")],
    ];
    let nothing =
        NothingChecked::ALL.iter().find(|(k, _)| *k == settings.hooks.nothing_checked).map_or("", |(_, w)| *w);
    rows.push(["hooks.fhir".to_owned(), settings.hooks.fhir.name().to_owned(), from_file("hooks.fhir")]);
    rows.push(["hooks.nothing-checked".to_owned(), nothing.to_owned(), from_file("hooks.nothing-checked")]);
    let deadline = format!("{} ms", settings.hooks.deadline);
    rows.push(["hooks.deadline".to_owned(), deadline, from_file("hooks.deadline")]);
    if settings.hooks.servers.is_empty() {
        rows.push(["hooks.servers".to_owned(), "none: nothing is fetched".to_owned(), "default".to_owned()]);
    }
    for server in &settings.hooks.servers {
        let mut shown = server.base.clone();
        shown.push_str(if server.private_addresses { ", private addresses allowed" } else { "" });
        shown.push_str(&server.fhir.map_or_else(String::new, |version| format!(", {}", version.name())));
        for key in &server.leave_out {
            shown.push_str(&format!(", without {key}"));
        }
        for (key, template) in &server.templates {
            shown.push_str(&format!(", {key} by {template}"));
        }
        rows.push(["hooks.servers".to_owned(), shown, from_file(&format!("hooks.servers.{}", server.base))]);
    }
    for (key, minutes) in LookWithin::GRADES.into_iter().zip(settings.queue.grades).rev() {
        let key = format!("queue.{key}");
        let from = from_file(&key);
        rows.push([key, format!("{minutes} min"), from]);
    }
    let queue = &settings.queue;
    for (key, minutes) in [(LookWithin::BEFORE_START, queue.before_start), (LookWithin::QUIET_AFTER, queue.quiet_after)]
    {
        let key = format!("queue.{key}");
        let from = from_file(&key);
        rows.push([key, format!("{minutes} min"), from]);
    }
    for (code, times) in &settings.clock {
        let key = format!("clock.{code}");
        let times = times.iter().map(|s| clock(*s)).collect::<Vec<_>>().join(", ");
        let from = from_file(&key);
        rows.push([key, times, from]);
    }
    let untimed: Vec<&str> =
        CODES.iter().map(|(code, ..)| *code).filter(|code| !settings.clock.contains_key(*code)).collect();
    if !untimed.is_empty() {
        rows.push(["clock".to_owned(), format!("no times for {}", untimed.join(", ")), "default".to_owned()]);
    }
    if settings.routes.is_empty() {
        rows.push(["routes".to_owned(), "none beyond FHIR's own".to_owned(), "default".to_owned()]);
    }
    for (route, site) in &settings.routes {
        let (system, code) = route;
        // Quoted, so that what a terminal would act on is shown and not done.
        let shown = if system.is_empty() { format!("text {code:?}") } else { format!("{system:?} {code:?}") };
        let from = lines.routes.get(route).map_or_else(|| "default".to_owned(), in_file);
        rows.push(["routes".to_owned(), format!("{shown} is {}", site.name()), from]);
    }
    rows
}

/// `HH:MM` of seconds after midnight.
fn clock(seconds: u32) -> String {
    format!("{:02}:{:02}", seconds / 3600, seconds / 60 % 60)
}

#[cfg(test)]
mod tests {
    use clap::CommandFactory;

    #[test]
    fn the_ids_looked_up_are_the_ids_of_the_flags() {
        let line = super::super::Line::command();
        let check = line.find_subcommand("settings").unwrap().find_subcommand("check").unwrap();
        for id in ["zone", "day_start", "declares"] {
            assert!(check.get_arguments().any(|a| a.get_id() == id), "{id}");
        }
    }
}
