//! Reports rendered: OperationOutcome, Parameters, text for people, JUnit. No decisions here; grouping is
//! allowed, losing is not.

#![cfg_attr(
    not(test),
    deny(
        clippy::unwrap_used,
        clippy::expect_used,
        clippy::panic,
        clippy::unreachable,
        clippy::indexing_slicing,
        clippy::string_slice,
        clippy::float_arithmetic,
        clippy::print_stdout,
        clippy::print_stderr,
        clippy::disallowed_methods,
    )
)]

mod fhir;
mod junit;
mod outcome;
mod parameters;
mod text;

pub use junit::{JunitCase, junit, junit_case};
pub use outcome::{ASSUMPTION_SYSTEM, FINDING_SYSTEM, STANDING, outcome_json, refusal_json};
pub use parameters::{MEASURE_SYSTEM, parameters_json};
pub use text::text;

/// Version of the program, in every answer.
pub const PROGRAM: &str = concat!("enteral-gate ", env!("CARGO_PKG_VERSION"));

/// What judged the order, until an institution's rulebook does.
pub const RULEBOOK: &str = "none: integrity rules of the program only";

/// What nothing judges until an institution's rulebook does; in every answer.
pub const NO_RULEBOOK: &str = "No rulebook of the institution is loaded: whether rate, volume, energy, protein, water, electrolytes and product suit this patient was not judged.";

/// Control, zero-width and direction characters: they could drive a terminal, or make a text read as another.
fn unseen(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{200B}'..='\u{200F}' | '\u{202A}'..='\u{202E}' | '\u{2060}'..='\u{2069}' | '\u{FEFF}')
}
