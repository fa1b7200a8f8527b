//! What is given by vein beside the feed: requests (MedicationRequest) for products of the formulary whose form is infusion,
//! reckoned over the days of the feed and by the same arithmetic.

use super::Concept;
use super::context::{Coded, NOT_TO_BE_GIVEN, Standing, medication, medicine_codes, medicine_keys, medicine_standing};
use crate::amount::{Amount, Why, join};
use crate::exact::Exact;
use crate::formulary::product::Form;
use crate::formulary::{Formulary, Match};
use crate::intake::bundle::{Gathered, ResourceKind};
use crate::intake::json::{Kind, Node};
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

/// Days after the one that is judged which are looked at: what is given on days of the week comes round in them.
const FURTHER: i64 = 7;

/// Most infusions of one patient that are reckoned.
const MOST: usize = 50;

/// Groups of the Anatomical Therapeutic Chemical classification that bring something by vein, amounts of which their codes do not
/// tell: B05BA solutions for parenteral nutrition, B05BB with carbohydrates among what affects the electrolyte balance, and
/// clevidipine, which is dissolved in fat. From memory, to be confirmed.
const SOLUTIONS: [&str; 3] = ["B05BA", "B05BB02", "C08CA16"];

/// The infusions of a patient.
#[derive(Default)]
pub(super) struct Infusions {
    /// Each with the day that is judged and, where the feed runs on as on it, the days after it.
    given: Vec<(Plan, Vec<OrderDay>)>,
    /// Where those stand that are counted.
    pub at: Vec<At>,
    /// Concepts of medicines that they are, of which no other request is left out.
    pub keys: Vec<String>,
    /// Products of the formulary that requests ask for.
    requested: Vec<usize>,
    /// Infusions that are recorded as given or taken, with their product, and not requested as far as is known.
    recorded: Vec<(At, Option<usize>)>,
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
    /// The feed, with the day of it that is judged; its dosing weight counts for rates per kg.
    pub feed: &'a Plan,
    pub day: &'a OrderDay,
}

impl From<'_> {
    /// The day that is judged, and those after it on which as much feed is given.
    fn windows(&self) -> Vec<Window> {
        let fed = |day: &OrderDay| Sums::new(vec![(self.feed, day)], None).measure(Measure::FormulaVolume);
        let (first, zone) = (self.day.laid.window, &self.settings.zone);
        let typical = fed(self.day);
        let later = (1..=FURTHER).filter_map(|k| first.following(zone, k));
        let alike = later.filter(|window| fed(&lay_plan(self.feed, self.settings, *window, false)) == typical);
        std::iter::once(first).chain(alike).collect()
    }
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
    let doses = node.get("dosageInstruction").or_else(|| node.get("dosage"));
    // An administration has one dose, all others a list.
    let one = doses.filter(|doses| doses.kind() == Kind::Object);
    one.into_iter().chain(doses.into_iter().flat_map(Node::items)).any(|dose| {
        let route = dose.get("route").map(|route| tip(settings, &Datatypes::default().concept(route)));
        let at_a_rate = || {
            let given = dose.get("doseAndRate").into_iter().flat_map(Node::items);
            given.chain([dose]).flat_map(Node::members).any(|(name, _)| name.starts_with("rate"))
        };
        match route {
            Some(Tip::At(Site::NotEnteral)) => true,
            Some(Tip::At(Site::Unknown)) | None => at_a_rate(),
            Some(_) => false,
        }
    })
}

/// Whether a medicine that is not in the formulary runs into a vein and may bring anything: nothing tells what it is, or its code
/// is one of [`SOLUTIONS`].
fn nobody_can_tell(node: Node<'_>, from: &From<'_>) -> bool {
    let codes = medicine_codes(node, from.gathered);
    let of_solutions = |(system, code): &Coded<'_>| {
        system.as_deref().is_some_and(|system| system.ends_with("/atc"))
            && code.as_deref().is_some_and(|code| SOLUTIONS.iter().any(|group| code.starts_with(group)))
    };
    let known = medicine_keys(node, from.gathered, from.concepts).1 && !codes.iter().any(of_solutions);
    !known && may_run_into_a_vein(node, from.settings)
}

impl Infusions {
    /// The infusions that are sent, on the day of the feed that is judged and on those after it.
    pub fn of(from: &From<'_>) -> Self {
        let mut out = Self::default();
        let mut windows = Vec::new();
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
                out.read(*at, node, from, &mut windows);
            }
        }
        for (at, product) in std::mem::take(&mut out.recorded) {
            if product.is_none_or(|product| !out.requested.contains(&product)) {
                out.open.push((at, "an infusion is recorded as given, and no request for it was sent".to_owned()));
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

    fn read(&mut self, at: At, node: Node<'_>, from: &From<'_>, windows: &mut Vec<Window>) {
        let standing = medicine_standing(node, from.context);
        let only_meant =
            NOT_TO_BE_GIVEN.iter().any(|word| node.get("intent").is_some_and(|intent| intent.is_str(word)));
        if matches!(standing, Standing::Past) || only_meant {
            return;
        }
        let medication = medication(node, from.gathered);
        let asked = product(&mut Datatypes::default(), node, medication);
        let is_infusion = |index: usize| from.formulary.product(index).is_some_and(|p| p.form == Form::Infusion);
        let found = from.formulary.find(&asked);
        if node.resource_type().is_none_or(|kind| kind != "MedicationRequest") {
            // What is recorded as given may be what a request asks for.
            let product = match &found {
                Match::Found { index, .. } => Some(*index),
                _ => None,
            };
            if product.map_or_else(|| nobody_can_tell(node, from), is_infusion) {
                self.recorded.push((at, product));
            }
            return;
        }
        match found {
            Match::Found { index, .. } if is_infusion(index) => self.requested.push(index),
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
                if nobody_can_tell(node, from) {
                    let why =
                        "a medicine by vein is neither in the formulary nor coded so that it is known what it brings";
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
        let frame = Frame { settings: from.settings, weight: from.feed.weight };
        let plan = plan(&order, Materials { frame, formulary: from.formulary, sent: &[] });
        if windows.is_empty() {
            *windows = from.windows();
        }
        let days = windows.iter().map(|window| lay_plan(&plan, from.settings, *window, false)).collect();
        self.given.push((plan, days));
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

    /// What they bring a day, in the measure's unit: what they bring on every day after the one that is judged, where they only
    /// begin on it; else what they bring on it, with what they bring on the days after it where that is not the same.
    pub fn measure(&self, measure: Measure) -> Amount {
        let of = |nth: usize| {
            let given = self.given.iter().filter_map(|(plan, days)| Some((plan, days.get(nth)?)));
            Sums::new(given.collect(), None).measure(measure)
        };
        let days = self.given.first().map_or(0, |(_, days)| days.len());
        let today = of(0);
        let later: Vec<Amount> = (1..days).map(of).collect();
        let Some(next) = later.first() else { return today };
        let settled = later.iter().all(|day| day == next);
        if settled && (today == *next || today.high().zip(next.low()).is_some_and(|(today, next)| today <= next)) {
            return next.clone();
        }
        let lows: Option<Vec<Exact>> = later.iter().chain([&today]).map(Amount::low).collect();
        let highs: Option<Vec<Exact>> = later.iter().chain([&today]).map(Amount::high).collect();
        let Some(low) = lows.and_then(|all| all.into_iter().min()) else {
            return later
                .into_iter()
                .chain([today])
                .find(|day| day.low().is_none())
                .unwrap_or(Amount::unknown(Why::Range));
        };
        let mut why = vec![Why::DayByDay];
        for day in later.iter().chain([&today]) {
            why = join(&why, day.why());
        }
        Amount::range(low, highs.and_then(|all| all.into_iter().max()), None, why)
    }
}
