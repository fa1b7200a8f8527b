//! The seam between the rim and the core: one call, bytes to an answer. Tests put a faulty core behind it.

use super::rules_in_use::{RulesInUse, Told};
use crate::answer;
use crate::appraise::{Institution, Refusal, appraise_by, check_by};
use crate::formulary::Formulary;
use crate::hooks::evaluate::{Draft, Evaluated, Fate};
use crate::hooks::fetch::Fetched;
use crate::hooks::request::Malformed;
use crate::hooks::service::Service;
use crate::hooks::{self, Answered, See, Seen};
use crate::intake::order::FhirVersion;
use crate::queue::item::{CardShown, Received};
use crate::rulebook::Rulebook;
use crate::settings::{Settings, normal_base};
use crate::sheet::{self, Sheets};
use http::StatusCode;
use std::sync::Arc;

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
    /// The orders for the queue, and those that may replace an earlier content on it; only where that was asked for.
    pub orders: Vec<Received>,
}

/// What came of a hook request.
#[derive(Clone, Debug)]
pub struct Hooked {
    /// The answer.
    pub answered: Answered,
    /// As in [`Appraised`].
    pub orders: Vec<Received>,
    /// By draft, whether it is one of those for the queue.
    pub kept: Vec<bool>,
    /// Base of the client's FHIR server, as it says.
    pub base: String,
}

/// The core, as the rim sees it.
pub trait Appraiser: Send + Sync + 'static {
    /// Appraises one input. Pure: same input and settings, same answer. With `keep` the orders for the queue are given
    /// as well.
    fn appraise(
        &self,
        input: &[u8],
        version: FhirVersion,
        settings: &Settings,
        rendering: Rendering,
        keep: bool,
    ) -> Appraised;

    /// Answers a CDS Hooks request, with what was fetched for it. Pure as well.
    ///
    /// # Errors
    /// What of the request cannot be read.
    fn hook(
        &self,
        input: &[u8],
        service: &Service,
        settings: &Settings,
        fetched: Fetched,
        keep: bool,
    ) -> Result<Hooked, Malformed>;

    /// The drafts of a hook request as orders that were not checked (`why`, a sentence), and the base of the client's
    /// server: for the queue, when judging them failed. None where they cannot be told.
    fn unjudged(&self, _input: &[u8], _service: &Service, _settings: &Settings, _why: &str) -> (Vec<Received>, String) {
        (Vec::new(), String::new())
    }

    /// Whether there is anything to appraise with, and what it is, in words.
    fn ready(&self) -> Result<String, String>;

    /// The same with what may be replaced meanwhile held fast, for a request of several appraisals.
    fn held_fast(&self) -> Option<Box<dyn Appraiser>> {
        None
    }

    /// What it judges by, by hash: `formulary`, `rulebook`.
    fn versions(&self) -> Vec<(&'static str, String)> {
        Vec::new()
    }

    /// What was said of one input, for people.
    fn sheets(&self, _input: &[u8], _version: FhirVersion, _settings: &Settings) -> Sheets {
        Sheets::default()
    }

    /// The rulebook in use.
    fn rulebook(&self) -> Arc<Rulebook> {
        Arc::default()
    }

    /// When it was loaded and rehearsed.
    fn rules_told(&self) -> Option<Told> {
        None
    }

    /// The products, in words.
    fn formulary_told(&self) -> Option<String> {
        None
    }

    /// Appends what it counts, in Prometheus text format.
    fn metrics(&self, _out: &mut String) {}
}

/// The real core: an appraisal with the institution's products.
pub struct Core {
    formulary: Arc<Formulary>,
    rules: Arc<RulesInUse>,
}

impl Core {
    /// A core over a formulary, which is never empty, that judges by the integrity rules alone.
    pub fn new(formulary: Formulary) -> Self {
        Self::with(formulary, Rulebook::default())
    }

    /// A core that judges by a rulebook as well.
    pub fn with(formulary: Formulary, rulebook: Rulebook) -> Self {
        Self::over(Arc::new(formulary), Arc::new(RulesInUse::new(rulebook, None)))
    }

    /// A core whose rules may be put in place by others.
    pub fn over(formulary: Arc<Formulary>, rules: Arc<RulesInUse>) -> Self {
        Self { formulary, rules }
    }
}

/// What is recorded of a draft that was not judged.
fn not_judged(evaluated: &Evaluated<'_>, draft: &Draft, why: &str) -> Received {
    let mut received = Received::unjudged(&evaluated.appraisal, (draft.at, draft.id.clone(), &draft.name), why);
    of_the_patient(&mut received, evaluated);
    received
}

/// A draft that names nobody is for whom the request is about: ids of drafts repeat from patient to patient.
fn of_the_patient(received: &mut Received, evaluated: &Evaluated<'_>) {
    if received.key.patient.is_empty() {
        received.key.patient = format!("Patient/{}", evaluated.patient);
    }
}

/// Base of the client's FHIR server, as it says.
fn base_of(evaluated: &Evaluated<'_>) -> String {
    let document = evaluated.appraisal.document.as_ref();
    let server = document.and_then(|document| document.root().get("fhirServer")?.as_str());
    server.and_then(|server| normal_base(&server)).unwrap_or_default()
}

/// What is recorded of a draft.
fn received(seen: &Seen<'_, '_>) -> Option<Received> {
    let a = &seen.evaluated.appraisal;
    let unjudged = |why: &str| not_judged(seen.evaluated, seen.draft, why);
    let mut received = match &seen.fate {
        Fate::NotSelected | Fate::NotATubeFeed => return None,
        Fate::NotRead => unjudged("It could not be read as an order."),
        Fate::AnotherPatient => unjudged(&format!(
            "It is for another patient than the one the request was about, Patient/{}.",
            seen.evaluated.patient
        )),
        Fate::Judged(report) => Received::of_draft(a, report, &seen.evaluated.lacks().collect::<Vec<_>>(), seen.offers),
    };
    of_the_patient(&mut received, seen.evaluated);
    received.cards.extend(seen.card.map(|id| CardShown { id: id.to_owned(), rules: seen.shown.to_vec() }));
    Some(received)
}

impl Appraiser for Core {
    fn appraise(
        &self,
        input: &[u8],
        version: FhirVersion,
        settings: &Settings,
        rendering: Rendering,
        keep: bool,
    ) -> Appraised {
        let run = if rendering == Rendering::Outcome { check_by } else { appraise_by };
        let rulebook = self.rules.snapshot();
        let by = Institution { formulary: &self.formulary, rulebook: &rulebook, settings };
        let appraisal = run(input, "", version, by);
        let body = match rendering {
            Rendering::Outcome => answer::outcome_json(&appraisal),
            Rendering::Parameters => answer::parameters_json(&appraisal),
        };
        // Orders that are over, in error or of food by mouth are history beside the others.
        let computed = appraisal.orders.iter().filter(|order| keep && order.computed);
        let orders = Received::all(&appraisal, computed);
        match appraisal.refusal() {
            None => Appraised { body, status: StatusCode::OK, disposition: appraisal.disposition().code(), orders },
            // What could not be appraised at all is an OperationOutcome whatever was asked for.
            Some(refusal) => {
                let status =
                    if refusal == Refusal::TooLarge { StatusCode::PAYLOAD_TOO_LARGE } else { StatusCode::BAD_REQUEST };
                Appraised {
                    body: answer::outcome_json(&appraisal),
                    status,
                    disposition: appraisal.disposition().code(),
                    orders: Vec::new(),
                }
            }
        }
    }

    fn hook(
        &self,
        input: &[u8],
        service: &Service,
        settings: &Settings,
        fetched: Fetched,
        keep: bool,
    ) -> Result<Hooked, Malformed> {
        let rulebook = self.rules.snapshot();
        let by = Institution { formulary: &self.formulary, rulebook: &rulebook, settings };
        let (mut orders, mut kept, mut base) = (Vec::new(), Vec::new(), String::new());
        let mut see = |seen: Seen<'_, '_>| {
            let order = received(&seen);
            kept.push(order.as_ref().is_some_and(Received::is_item));
            orders.extend(order);
            base = base_of(seen.evaluated);
        };
        let see: See<'_> = &mut see;
        let answered = hooks::answer_seen(input, service, by, fetched, keep.then_some(see))?;
        Ok(Hooked { answered, orders, kept, base })
    }

    fn unjudged(&self, input: &[u8], service: &Service, settings: &Settings, why: &str) -> (Vec<Received>, String) {
        let rulebook = self.rules.snapshot();
        let by = Institution { formulary: &self.formulary, rulebook: &rulebook, settings };
        let Ok(evaluated) = hooks::unjudged(input, service, by) else { return Default::default() };
        (evaluated.asked_for().map(|draft| not_judged(&evaluated, draft, why)).collect(), base_of(&evaluated))
    }

    fn ready(&self) -> Result<String, String> {
        let products = format!("{} products, formulary {}", self.formulary.len(), self.formulary.hash());
        match self.rules.ready() {
            Ok(rules) => Ok(format!("{products}\n{rules}")),
            Err(rules) => Err(format!("{rules}\nproducts: {products}")),
        }
    }

    fn held_fast(&self) -> Option<Box<dyn Appraiser>> {
        let rules = RulesInUse::fixed(self.rules.snapshot());
        Some(Box::new(Self { formulary: self.formulary.clone(), rules: Arc::new(rules) }))
    }

    fn versions(&self) -> Vec<(&'static str, String)> {
        let rulebook = self.rules.snapshot();
        let rulebook = if rulebook.hash.is_empty() { "none".to_owned() } else { rulebook.hash.clone() };
        vec![("formulary", self.formulary.hash().to_owned()), ("rulebook", rulebook)]
    }

    fn sheets(&self, input: &[u8], version: FhirVersion, settings: &Settings) -> Sheets {
        let rulebook = self.rules.snapshot();
        let by = Institution { formulary: &self.formulary, rulebook: &rulebook, settings };
        let appraisal = appraise_by(input, "", version, by);
        let tried = hooks::suggestion::try_corrections(&String::from_utf8_lossy(input), &appraisal, None, version, by);
        sheet::sheets(&appraisal, &tried)
    }

    fn rulebook(&self) -> Arc<Rulebook> {
        self.rules.snapshot()
    }

    fn rules_told(&self) -> Option<Told> {
        Some(self.rules.told())
    }

    fn formulary_told(&self) -> Option<String> {
        let f = &self.formulary;
        Some(format!("{}, {} products, hash {}", f.label(), f.len(), f.hash()))
    }

    fn metrics(&self, out: &mut String) {
        self.rules.metrics(out);
    }
}
