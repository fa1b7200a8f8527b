//! stub
pub mod exact;
