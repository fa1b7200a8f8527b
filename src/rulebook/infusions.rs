//! What is given by vein beside the feed: requests (MedicationRequest) for products of the formulary whose form is infusion,
//! reckoned over the same day and by the same arithmetic as the feed.

use super::Concept;
use super::context::{Standing, medication, medicine_keys, medicine_standing};
use crate::amount::Amount;
use crate::exact::Exact;
use crate::formulary::product::Form;
use crate::formulary::{Formulary, Match};
use crate::intake::bundle::{Gathered, ResourceKind};
use crate::intake::json::Node;
use crate::intake::order::{At, FhirVersion};
use crate::intake::wire::datatypes::Datatypes;
use crate::intake::wire::infusion::{product, read_infusion};
use crate::nutrition::measure::Measure;
use crate::nutrition::plan::{Materials, Plan, plan};
use crate::nutrition::route::{Tip, tip};
use crate::nutrition::totals::{OrderDay, Sums, lay_plan};
use crate::patient::Context;
use crate::settings::{Settings, Site};
use crate::timing::day::Window;
use crate::timing::schedule::Frame;

/// Most infusions of one patient that are reckoned.
const MOST: usize = 50;

/// Intents with which a request asks nobody to give anything.
const NOT_TO_BE_GIVEN: [&str; 3] = ["proposal", "plan", "option"];

/// The infusions of a patient over one day.
#[derive(Default)]
pub(super) struct Infusions {
    given: Vec<(Plan, OrderDay)>,
    /// Where those stand that are counted.
    pub at: Vec<At>,
    /// Concepts of medicines that they are, of which no other request is left out.
    pub keys: Vec<String>,
    /// Other medicines, which are not counted.
    not_counted: Vec<At>,
    /// Those of which it is not known whether or how much is given, and why.
    pub open: Vec<(At, String)>,
}

/// What infusions are read from.
pub(super) struct From<'a> {
    pub context: &'a Context<'a>,
    pub gathered: &'a Gathered<'a>,
    pub formulary: &'a Formulary,
    pub settings: &'a Settings,
    pub concepts: &'a [Concept],
    pub version: FhirVersion,
    /// Dosing weight, kg, for rates per kg.
    pub weight: Option<Exact>,
    pub window: Window,
}

/// Whether a medicine is an infusion of the formulary.
pub(super) fn is_listed(node: Node<'_>, gathered: &Gathered<'_>, formulary: &Formulary) -> bool {
    let asked = product(&mut Datatypes::default(), node, medication(node, gathered));
    match formulary.find(&asked) {
        Match::Found { index, .. } => formulary.product(index).is_some_and(|p| p.form == Form::Infusion),
        _ => false,
    }
}

/// Whether a dose of a request is given by another way than the gut, or at a rate.
fn may_run_into_a_vein(node: Node<'_>, settings: &Settings) -> bool {
    node.get("dosageInstruction").into_iter().flat_map(Node::items).any(|dose| {
        let route = dose.get("route").map(|route| tip(settings, &Datatypes::default().concept(route)));
        let at_a_rate = || {
            let given = dose.get("doseAndRate").into_iter().flat_map(Node::items);
            given.flat_map(Node::members).any(|(name, _)| name.starts_with("rate"))
        };
        match route {
            Some(Tip::At(Site::NotEnteral)) => true,
            Some(Tip::At(Site::Unknown)) | None => at_a_rate(),
            Some(_) => false,
        }
    })
}

impl Infusions {
    /// The infusions that are sent, on the day of a window.
    pub fn of(from: &From<'_>) -> Self {
        let mut out = Self::default();
        // One that says something that is not understood may be anything.
        let unread = from.context.set_aside.iter().filter(|s| s.why.starts_with("a modifier")).map(|s| s.at);
        for at in unread.filter(|at| from.gathered.resource(*at).is_some_and(|r| r.kind == ResourceKind::Medication)) {
            out.open.push((at, "a medicine that was set aside may be an infusion".to_owned()));
        }
        if !from.formulary.has(Form::Infusion) {
            return out;
        }
        for at in from.context.medicines.places() {
            if out.given.len() >= MOST && !out.open.is_empty() {
                break;
            }
            if let Some(node) = from.gathered.resource(*at).map(|r| r.node) {
                out.read(*at, node, from);
            }
        }
        if !out.keys.is_empty() {
            let node = |at: &At| from.gathered.resource(*at).map(|r| r.node);
            let others = out.not_counted.iter().filter_map(node);
            let left_out: Vec<String> =
                others.flat_map(|node| medicine_keys(node, from.gathered, from.concepts).0).collect();
            out.keys.retain(|key| !left_out.contains(key));
        }
        out
    }

    fn read(&mut self, at: At, node: Node<'_>, from: &From<'_>) {
        let standing = medicine_standing(node, from.context);
        let only_meant =
            NOT_TO_BE_GIVEN.iter().any(|word| node.get("intent").is_some_and(|intent| intent.is_str(word)));
        if node.resource_type().is_none_or(|kind| kind != "MedicationRequest")
            || matches!(standing, Standing::Past)
            || only_meant
        {
            return;
        }
        let medication = medication(node, from.gathered);
        let asked = product(&mut Datatypes::default(), node, medication);
        let is_infusion = |index: usize| from.formulary.product(index).is_some_and(|p| p.form == Form::Infusion);
        match from.formulary.find(&asked) {
            Match::Found { index, .. } if is_infusion(index) => {}
            Match::Ambiguous(several) if several.iter().any(|one| is_infusion(one.index)) => {
                self.open.push((at, "its keys lead to different products of the formulary".to_owned()));
                return;
            }
            Match::Found { .. } => {
                self.not_counted.push(at);
                return;
            }
            _ => {
                self.not_counted.push(at);
                // What it is nobody can tell, and it runs into a vein: it may bring anything.
                let known = medicine_keys(node, from.gathered, from.concepts).1;
                if !known && may_run_into_a_vein(node, from.settings) {
                    let why = "a medicine by vein is neither in the formulary nor coded so that it is known what it is";
                    self.open.push((at, why.to_owned()));
                }
                return;
            }
        }
        if !matches!(standing, Standing::Current) {
            self.open.push((at, "an infusion does not tell whether it is given now".to_owned()));
            return;
        }
        if self.given.len() >= MOST {
            self.open.push((at, format!("there are more than {MOST} infusions; none is reckoned")));
            return;
        }
        let (order, problems) = read_infusion(node, medication, from.version, from.gathered);
        if let Some(problem) = problems.into_iter().find(|problem| problem.grave) {
            self.open.push((problem.at, format!("the amount of an infusion cannot be read: {}", problem.text)));
            return;
        }
        let frame = Frame { settings: from.settings, weight: from.weight };
        let plan = plan(&order, Materials { frame, formulary: from.formulary, sent: &[] });
        let day = lay_plan(&plan, from.settings, from.window, false);
        self.given.push((plan, day));
        self.at.push(at);
        for key in medicine_keys(node, from.gathered, from.concepts).0 {
            if !self.keys.contains(&key) {
                self.keys.push(key);
            }
        }
    }

    /// Whether none is given.
    pub fn is_empty(&self) -> bool {
        self.given.is_empty() && self.open.is_empty()
    }

    /// What they bring on the day, in the measure's unit.
    pub fn measure(&self, measure: Measure) -> Amount {
        Sums::new(self.given.iter().map(|(plan, day)| (plan, day)).collect(), None).measure(measure)
    }
}
