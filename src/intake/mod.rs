//! Order intake: bytes to the canonical order. Strict JSON, shape, wire shapes per FHIR version, bundles.

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
pub mod bundle;
pub mod content;
pub mod json;
pub mod order;
pub mod resource_types;
pub mod shape;
pub mod wire;
