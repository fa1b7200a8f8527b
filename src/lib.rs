//! `enteral-gate`: what a tube-feeding order delivers over a day, and what in it does not add up.
//!
//! The flow, in order of the modules below: bytes are read strictly ([`intake`]) into one canonical
//! [`intake::order::Order`] whatever the FHIR version; its schedule becomes segments over a window
//! ([`timing`]); products come from the institution's [`formulary`], the person from [`patient`];
//! [`nutrition`] totals what is delivered and keeps the arithmetic; [`needs`] lists requirement estimates;
//! [`integrity`] judges what contradicts itself or is missing; [`appraise`] is that recipe on one page;
//! [`answer`] renders the [`appraise::Appraisal`], [`hooks`] makes cards of it. [`http`] and [`cli`] are the rim.
//!
//! [`access`] decides who may call; [`audit`] keeps who called what as a sequence that cannot be changed unseen.
//!
//! [`queue`] is what people do with flagged orders, and [`store`] keeps it. [`subscriptions`] says who is told of it.
//!
//! [`background`] is what goes on beside the answers, as long as the service runs.
//!
//! Everything except `http`, `cli`, `store` and `background` does no I/O, reads no clock and never rounds before display.

pub mod access;
pub mod amount;
pub mod answer;
pub mod appraise;
pub mod assumptions;
pub mod audit;
pub mod background;
pub mod cli;
pub mod exact;
pub mod findings;
pub mod formulary;
pub mod hooks;
pub mod http;
pub mod intake;
pub mod integrity;
pub mod needs;
pub mod nutrition;
pub mod patient;
pub mod queue;
pub mod rehearsal;
pub mod rulebook;
pub mod settings;
pub mod sheet;
pub mod store;
pub mod subscriptions;
pub mod timing;
pub mod units;
