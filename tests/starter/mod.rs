//! The starter rulebook, and the products that its own tests and the demonstration's orders name. All invented.

use enteral_gate::formulary::Formulary;
use enteral_gate::rulebook::{Rulebook, file};
use std::sync::LazyLock;

/// The starter rulebook.
pub static BOOK: LazyLock<Rulebook> =
    LazyLock::new(|| file::read(file::starter()).unwrap_or_else(|all| panic!("{all:?}")));

/// The demonstration's products and those of the rulebook's tests.
pub static FORMULARY: LazyLock<Formulary> = LazyLock::new(|| {
    let text = format!(
        "{}\n{}",
        include_str!("../../deploy/demo/formulary.csv").trim_end(),
        include_str!("../../src/rulebook/starter/products.csv")
    );
    Formulary::from_csv("tests", text.as_bytes()).unwrap_or_else(|all| panic!("{all:?}"))
});
