//! What is delivered, totalled. Knows no limits and no severities.
//!
//! [`content`] says what one millilitre of a feed holds, from the order's density and the product's figures.
//! `additive` says what an additive's amount is and what it is per. [`plan`] puts lines, contents and modular doses of one order together. [`totals`] lays a plan over a
//! window and works out every [`measure::Measure`], [`feeds`] those of single feeds, rates and times; [`mod@derive`] writes the same arithmetic out for people.

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

mod additive;
pub mod content;
pub mod derive;
pub mod feeds;
pub mod measure;
pub mod plan;
pub mod route;
pub mod totals;
