//! Order intake: bytes to the canonical order. Strict JSON, shape, wire shapes per FHIR version, bundles.
pub mod bundle;
pub mod json;
pub mod order;
pub mod shape;
pub mod wire;
