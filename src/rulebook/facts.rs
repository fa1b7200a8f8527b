//! The facts offered to limits, and their values for one order.

use super::value::Fact;

/// Every fact, in the order of the published list.
pub static FACTS: &[Fact] = &[];
