//! The seam between the rim and the core: one call, bytes to an answer. Tests put a faulty core behind it.

use crate::intake::order::FhirVersion;
use crate::settings::Settings;
use http::StatusCode;

/// Which rendering is wanted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Rendering {
    /// OperationOutcome, for `$validate`.
    Outcome,
    /// Parameters, for `$appraise`.
    Parameters,
}

/// What came of one input.
#[derive(Clone, Debug)]
pub struct Appraised {
    /// The FHIR resource, compact JSON.
    pub body: String,
    /// 200, or the 4xx status of an input that could not be appraised at all.
    pub status: StatusCode,
    /// The overall judgement in one word, for the log.
    pub disposition: &'static str,
}

/// The core, as the rim sees it.
pub trait Appraiser: Send + Sync + 'static {
    /// Appraises one input. Pure: same input and settings, same answer.
    fn appraise(&self, input: &[u8], version: FhirVersion, settings: &Settings, rendering: Rendering) -> Appraised;

    /// Whether there is anything to appraise with, and what it is, in words.
    fn ready(&self) -> Result<String, String>;
}
