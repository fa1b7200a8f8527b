//! Schedules to delivery over a day. Knows nothing of nutrition, reads no clock: the window is an argument.
//!
//! [`schedule`] turns one `administration` (and its timing) into a [`schedule::Line`]: what is given at each
//! occurrence and when occurrences fall, once at the least and once at the most that the order allows.
//! [`steps`] decides which lines are steps of one feed. [`day`] lays lines over a window and adds up.
//! The readings taken where the standard leaves a choice are written down in `docs/calculation.md`.

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

pub mod calendar;
pub mod day;
pub mod schedule;
pub mod steps;
