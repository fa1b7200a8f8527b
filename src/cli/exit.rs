//! Exit codes, and messages to standard error.

use std::io::Write;
use std::process::ExitCode;

/// How the program ends; the order of the variants is their gravity.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Exit {
    /// Everything was fully checked, nothing was found.
    Clear,
    /// Something could not be fully checked, or there was nothing to check.
    NotFullyChecked,
    /// Something was found.
    Flagged,
    /// An input could not be read or appraised.
    Unreadable,
    /// The command line or configuration cannot be used.
    Usage,
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(match exit {
            Exit::Clear => 0,
            Exit::Flagged => 1,
            Exit::NotFullyChecked => 2,
            Exit::Unreadable => 3,
            Exit::Usage => 64,
        })
    }
}

/// One line on standard error. A closed standard error is no reason to end.
pub fn complain(what: &str) {
    let _ = writeln!(std::io::stderr(), "enteral-gate: {what}");
}
