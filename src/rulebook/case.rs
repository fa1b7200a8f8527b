//! The values of the facts for one order. Each is worked out when a limit first asks for it.

use super::context::{self, Care, Set};
use super::expression::Expression;
use super::facts::{FACTS, Name, SOURCES, Source, find, of_any_day, rests_on_weight};
use super::infusions::{self, Infusions};
use super::value::{Facts, Missing, Scaled, Stated, Truth, Type, Value, Words};
use super::{ConceptKind, Rulebook};
use crate::amount::{Amount, Why};
use crate::exact::Exact;
use crate::formulary::product::{AgeClass, Form, Nutrient, Product};
use crate::formulary::{Formulary, Match};
use crate::intake::bundle::Gathered;
use crate::intake::json::Node;
use crate::intake::order::{At, Field, Order, Quantity, Rate};
use crate::integrity::{PumpRange, Stops};
use crate::needs::{self, Single, Validity};
use crate::nutrition::content::{Content, From};
use crate::nutrition::feeds::{self, largest, smallest};
use crate::nutrition::measure::Measure;
use crate::nutrition::plan::{Kind, Plan, Source as Given};
use crate::nutrition::route::{Tip, tip};
use crate::nutrition::totals::{OrderDay, Sums, Totals, method_name};
use crate::patient::{Context, CorrectionBasis, LabTest, Measured, Measurements, Sent, Sex};
use crate::settings::{ContextKind, Settings, Site};
use crate::timing::schedule::{Dose, Line, Method, Occurrences, per_day};
use crate::units::{Dimension, Unit, energy_density, measure};
use std::cell::{Cell, OnceCell, RefCell};
use std::collections::BTreeMap;
use std::sync::LazyLock;

/// What the facts of one order are taken from.
#[derive(Clone, Copy)]
pub struct Materials<'a> {
    /// The order.
    pub order: &'a Order<'a>,
    /// Its lines, contents and doses.
    pub plan: &'a Plan,
    /// Days from the first.
    pub days: &'a [(OrderDay, Totals)],
    /// Days after these on which something begins.
    pub further: &'a [(OrderDay, Totals)],
    /// The steady day.
    pub steady: Option<&'a (OrderDay, Totals)>,
    /// This order and others of the patient that run at other times, on the first and on the typical day of all of them, where
    /// they are judged together.
    pub together: [&'a [(&'a Plan, &'a OrderDay)]; 2],
    /// The patient.
    pub context: &'a Context<'a>,
    /// The resources of the document.
    pub gathered: &'a Gathered<'a>,
    /// The institution's products.
    pub formulary: &'a Formulary,
    /// Products sent with the orders.
    pub sent: &'a [(At, Product)],
    /// Settings.
    pub settings: &'a Settings,
    /// The rulebook: concepts, staleness, pumps.
    pub book: &'a Rulebook,
    /// Laboratory tests by their codes ([`crate::patient::laboratory::TESTS`]).
    pub tests: &'a [LabTest],
    /// Whether a condition holds, for choosing the pump.
    pub holds: &'a dyn Fn(&Expression, &dyn Facts) -> Truth,
}

/// The facts of one order.
pub struct CaseFacts<'a> {
    m: Materials<'a>,
    known: Box<[OnceCell<Value>]>,
    typical: OnceCell<Sums<'a>>,
    first: OnceCell<Sums<'a>>,
    own: OnceCell<Sums<'a>>,
    each_day: OnceCell<Vec<Sums<'a>>>,
    care: OnceCell<Care>,
    sets: [OnceCell<Set>; 3],
    infusions: OnceCell<Option<Infusions>>,
    labs: RefCell<BTreeMap<&'static str, Lab<'a>>>,
    laboratories: OnceCell<Vec<(usize, At)>>,
    choosing: Cell<bool>,
}

type Lab<'a> = std::rc::Rc<(Measurements<'a>, Option<(String, At)>)>;
type Found = Result<Value, Vec<Missing>>;

/// What a measure's unit is in base units, in the order of [`Measure::ALL`].
static FACTORS: LazyLock<Vec<Exact>> =
    LazyLock::new(|| Measure::ALL.iter().map(|m| Unit::parse(m.unit()).map_or(Exact::ONE, |u| u.factor)).collect());

/// Seconds of a year, as ages count it.
const YEAR: Exact = Exact::int(31_557_600);
const DAY: Exact = Exact::int(86_400);
/// One mL/h in mL/s.
const PER_HOUR: Exact = Exact::ratio(1, 3_600);

const NO_DAY: &str = "no day of the order can be laid out";

/// Whether a fact is a measurement that may become too old.
pub fn is_measured(name: &str) -> bool {
    const BODY: [Name; 5] = [Name::Weight, Name::LastWeight, Name::Height, Name::BirthWeight, Name::Gestation];
    let test = name.strip_prefix("earlier_").unwrap_or(name);
    BODY.iter().any(|fact| FACTS.get(*fact as usize).is_some_and(|fact| fact.name == name))
        || find(name).is_some() && crate::patient::laboratory::TESTS.iter().any(|known| known.fact == test)
}

fn lacks(fact: usize, why: impl Into<Words>, at: Vec<At>) -> Vec<Missing> {
    vec![Missing { fact, why: why.into(), at }]
}

fn known(value: Option<Exact>) -> Value {
    Value::Quantity(value.map_or_else(|| Amount::unknown(Why::Range), Amount::Known))
}

/// The foods that an order excludes (`excludeFoodModifier`) and that no concept of the rulebook's allergies or diets stands for.
pub fn foods_not_known(order: &Order<'_>, book: &Rulebook) -> Vec<At> {
    context::foods_not_known(order, &book.concepts)
}

/// mL that a line gives in a day on which it runs; `None` where that cannot be told.
fn daily(line: &Line) -> Option<Exact> {
    let run = line.high.as_ref().filter(|_| line.is_exact())?;
    match run.dose {
        Dose::Rate(rate) => rate.mul(DAY),
        Dose::Volume { ml, .. } => per_day(&run.occurrences)?.mul(ml),
    }
}

fn truth(yes: bool) -> Value {
    Value::Truth(if yes { Truth::True } else { Truth::False })
}

/// The place of a quantity that is there and is no amount per weight: that one's number is not the amount given.
fn flat(quantity: &Field<'_, Quantity<'_>>) -> Option<At> {
    let Field::Present(quantity) = quantity else { return None };
    without_weight(&quantity.value, quantity.at)
}

fn without_weight(quantity: &Quantity<'_>, at: At) -> Option<At> {
    let per_weight = quantity.code.iter().chain(&quantity.unit).any(|unit| unit.contains("kg"));
    (!per_weight).then_some(at)
}

/// Whether an amount is one per volume of feed.
fn per_volume(quantity: &Field<'_, Quantity<'_>>) -> bool {
    let Field::Present(quantity) = quantity else { return false };
    let is = |dimension| measure(&quantity.value, dimension).value.is_some();
    is(Dimension::MASS_CONCENTRATION) || is(Dimension::PER_VOLUME)
}

/// An amount with both ends multiplied; for amounts that may be below zero.
fn each(amount: &Amount, factor: Exact) -> Amount {
    amount.scaled(factor)
}

impl<'a> CaseFacts<'a> {
    /// The facts of one order; nothing is worked out yet.
    pub fn new(m: Materials<'a>) -> Self {
        Self {
            m,
            known: FACTS.iter().map(|_| OnceCell::new()).collect(),
            typical: OnceCell::new(),
            first: OnceCell::new(),
            own: OnceCell::new(),
            each_day: OnceCell::new(),
            care: OnceCell::new(),
            sets: Default::default(),
            infusions: OnceCell::new(),
            labs: RefCell::default(),
            laboratories: OnceCell::new(),
            choosing: Cell::new(false),
        }
    }

    /// Places of conditions, allergies and medicines that no concept of the rulebook stands for.
    pub fn unlisted(&self) -> Vec<At> {
        [ConceptKind::Condition, ConceptKind::Allergy, ConceptKind::Medicine]
            .into_iter()
            .flat_map(|kind| match self.coded(kind) {
                Some(Set::Of(.., unlisted)) => unlisted.clone(),
                _ => Vec::new(),
            })
            .collect()
    }

    fn work_out(&self, ix: usize) -> Found {
        // What is reckoned per kg of a weight that is too old is as unknown as that.
        if ix != Name::Weight as usize
            && rests_on_weight(ix)
            && FACTS.get(Name::Weight as usize).is_some_and(|w| self.m.book.staleness.iter().any(|s| s.fact == w.name))
            && let Some(m) = &self.m.context.weight.chosen
        {
            self.fresh(Name::Weight as usize, m)?;
        }
        match SOURCES.get(ix) {
            Some(Source::Typical(measure)) if of_any_day(*measure) && self.feeds().nth(1).is_some() => {
                let unit = FACTORS.get(measure.index()).copied().unwrap_or(Exact::ONE);
                let highest = self.of_any_day(ix, |sums| sums.measure(*measure), largest)?;
                self.amount(ix, each(&highest, unit))
            }
            Some(Source::Typical(measure)) => {
                let own = (&[][..], self.own());
                let sums = if of_any_day(*measure) { own } else { (self.m.together[1], &self.typical) };
                self.measure(ix, *measure, self.typical_day(), sums)
            }
            Some(Source::First(measure)) => {
                self.measure(ix, *measure, self.m.days.first().or(self.m.steady), (self.m.together[0], &self.first))
            }
            Some(Source::Other(name)) => self.other(ix, *name),
            None => Err(lacks(ix, "no such fact", Vec::new())),
        }
    }

    fn measure(
        &self,
        ix: usize,
        measure: Measure,
        day: Option<&'a (OrderDay, Totals)>,
        (together, sums): (&[(&'a Plan, &'a OrderDay)], &OnceCell<Sums<'a>>),
    ) -> Found {
        let Some((laid, had)) = day else {
            return Err(lacks(ix, NO_DAY, vec![self.formula_at()]));
        };
        let unit = FACTORS.get(measure.index()).copied().unwrap_or(Exact::ONE);
        let amount = match had.get(measure) {
            _ if !together.is_empty() => {
                let sums = sums.get_or_init(|| Sums::new(together.to_vec(), self.m.plan.weight));
                each(&sums.measure(measure), unit)
            }
            // Not among those worked out for this answer.
            Amount::Unknown(why) if why.is_empty() => {
                let sums = sums.get_or_init(|| Sums::new(vec![(self.m.plan, laid)], self.m.plan.weight));
                each(&sums.measure(measure), unit)
            }
            had => each(had, unit),
        };
        let once = matches!(&amount, Amount::Unknown(why) if why.as_slice() == [Why::Nothing(feeds::SECOND_FEED)]);
        if measure == Measure::FeedInterval && once {
            // One feed a day: the next is due a day later.
            return Ok(known(Some(laid.laid.window.length)));
        }
        self.amount(ix, amount)
    }

    /// Where the sums of this order's own typical day are kept.
    fn own(&self) -> &OnceCell<Sums<'a>> {
        if self.m.together[1].is_empty() { &self.typical } else { &self.own }
    }

    fn typical_day(&self) -> Option<&'a (OrderDay, Totals)> {
        self.m.steady.or(self.m.days.last())
    }

    /// Of every day of the order what a measure says, together; days without what it measures say nothing.
    fn of_any_day(
        &self,
        ix: usize,
        of: impl Fn(&Sums<'a>) -> Amount,
        both: fn(&Amount, &Amount) -> Amount,
    ) -> Result<Amount, Vec<Missing>> {
        let absent = |why: &Why| matches!(why, Why::Nothing(_));
        let nothing = |a: &Amount| matches!(a, Amount::Unknown(why) if !why.is_empty() && why.iter().all(absent));
        let day = |(laid, _): &'a (OrderDay, Totals)| Sums::new(vec![(self.m.plan, laid)], self.m.plan.weight);
        if self.feeds().nth(1).is_none()
            && let Some(typical) = self.typical_day()
        {
            // A single feed is the same on every day that has it.
            let same = of(self.own().get_or_init(|| day(typical)));
            if !nothing(&same) {
                return Ok(same);
            }
        }
        let sums = self.each_day.get_or_init(|| {
            let days = self.m.days.iter().chain(self.m.further).chain(self.m.steady);
            days.map(day).collect()
        });
        let (mut out, mut none): (Option<Amount>, Option<Amount>) = (None, None);
        for amount in sums.iter().map(of) {
            if nothing(&amount) {
                none.get_or_insert(amount);
            } else {
                out = Some(out.map_or_else(|| amount.clone(), |had| both(&had, &amount)));
            }
        }
        out.or(none).ok_or_else(|| lacks(ix, NO_DAY, vec![self.formula_at()]))
    }

    /// A measure of single feeds or running rates, of any day, in its unit.
    fn feeding(
        &self,
        ix: usize,
        of: fn(&[(&Plan, &OrderDay)]) -> Amount,
        both: fn(&Amount, &Amount) -> Amount,
        unit: Exact,
    ) -> Found {
        let highest = self.of_any_day(ix, |sums| of(sums.days()), both)?;
        self.amount(ix, each(&highest, unit))
    }

    /// An amount as a value; one of which nothing is known is missing, for want of what its reasons name.
    fn amount(&self, ix: usize, amount: Amount) -> Found {
        let Amount::Unknown(why) = &amount else { return Ok(Value::Quantity(amount)) };
        let mut out: Vec<Missing> = Vec::new();
        for reason in why {
            let cause = match reason {
                Why::NoWeight => Some(Name::Weight),
                _ => None,
            };
            let cause = cause.map(|name| name as usize).filter(|cause| *cause != ix);
            let more = match cause {
                Some(cause) => match self.value(cause) {
                    Value::Missing(missing) => missing,
                    _ => lacks(cause, reason.to_string(), Vec::new()),
                },
                None => lacks(ix, reason.to_string(), vec![self.formula_at()]),
            };
            out.extend(more.into_iter().filter(|m| !out.contains(m)).collect::<Vec<_>>());
        }
        if out.is_empty() {
            out = lacks(ix, "it cannot be worked out", vec![self.formula_at()]);
        }
        Err(out)
    }

    fn formula_at(&self) -> At {
        self.m.order.formula.as_ref().map_or(self.m.order.at, |f| f.at)
    }

    /// The current measurement, unless there is none that can be used or it is too old.
    fn current<'s>(
        &self,
        ix: usize,
        found: &'s Measurements<'a>,
        name: &'static str,
    ) -> Result<&'s Measured<'a>, Vec<Missing>> {
        if let Some(m) = &found.chosen {
            return self.fresh(ix, m).map(|()| m);
        }
        if !found.conflict.is_empty() {
            let at = found.conflict.iter().map(|m| m.at).collect();
            return Err(lacks(ix, format!("two values of {name} for the same time differ; none is used"), at));
        }
        if let Some(first) = found.rejected.first() {
            let at = found.rejected.iter().map(|r| r.at).collect();
            return Err(lacks(ix, format!("{name} was sent and cannot be used: {}", first.why), at));
        }
        Err(lacks(ix, Words::NotSent(name), Vec::new()))
    }

    fn fresh(&self, ix: usize, m: &Measured<'_>) -> Result<(), Vec<Missing>> {
        let Some(name) = FACTS.get(ix).map(|f| f.name) else { return Ok(()) };
        let Some(limit) = self.m.book.staleness.iter().find(|s| s.fact == name) else { return Ok(()) };
        let Some(old) = self.m.context.seconds_since(m).high() else {
            return Err(lacks(ix, "its age is not known: the order or the value states no time", vec![m.at]));
        };
        if old <= limit.seconds {
            return Ok(());
        }
        let why = format!("{} old; usable for {}", span(old), span(limit.seconds));
        Err(lacks(ix, why, vec![m.at]))
    }

    fn laboratories(&self) -> &[(usize, At)] {
        self.laboratories.get_or_init(|| self.m.context.laboratories(self.m.gathered, self.m.tests))
    }

    fn lab(&self, test: &'static str) -> Lab<'a> {
        if let Some(lab) = self.labs.borrow().get(test) {
            return lab.clone();
        }
        let mut problems = Vec::new();
        let found =
            match self.m.tests.iter().position(|t| t.fact == test).and_then(|ix| Some((ix, self.m.tests.get(ix)?))) {
                Some((ix, t)) => {
                    let own = self.laboratories().iter().filter(|(of, _)| *of == ix).map(|(_, at)| *at);
                    self.m.context.laboratory(self.m.gathered, t, own, &mut problems)
                }
                None => Measurements::default(),
            };
        let hidden = problems.into_iter().find(|p| p.grave && p.code == "incomplete").map(|p| (p.text, p.at));
        let lab = std::rc::Rc::new((found, hidden));
        self.labs.borrow_mut().insert(test, lab.clone());
        lab
    }

    fn lab_name(&self, test: &str) -> &'static str {
        self.m.tests.iter().find(|t| t.fact == test).map_or("value", |t| t.name)
    }

    fn laboratory(&self, ix: usize, test: &'static str) -> Found {
        let none = "the sender looked for laboratory values and there are none";
        if self.laboratories().is_empty() {
            let none =
                if self.m.context.labs == Sent::Empty { none.into() } else { Words::NotSent(self.lab_name(test)) };
            return Err(lacks(ix, none, Vec::new()));
        }
        let lab = self.lab(test);
        let (found, hidden) = &*lab;
        if !found.is_sent() && self.m.context.labs == Sent::Empty {
            return Err(lacks(ix, none, Vec::new()));
        }
        let m = self.current(ix, found, self.lab_name(test))?;
        match hidden {
            Some((why, at)) => Err(lacks(ix, why.clone(), vec![*at])),
            None => Ok(Value::Quantity(Amount::Known(m.value))),
        }
    }

    fn earlier(&self, ix: usize, test: &'static str) -> Found {
        let name = self.lab_name(test);
        if self.laboratories().is_empty() {
            return Err(lacks(ix, Words::NotSent(name), Vec::new()));
        }
        let lab = self.lab(test);
        let latest = self.current(ix, &lab.0, name)?;
        match before(&lab.0, latest) {
            Some(m) => Ok(Value::Quantity(Amount::Known(m.value))),
            None => Err(lacks(ix, Words::NoEarlier(name), Vec::new())),
        }
    }

    fn last_weight(&self, ix: usize) -> Result<(&'a Measured<'a>, &'a Measured<'a>), Vec<Missing>> {
        let found = &self.m.context.weight;
        let Some(latest) = &found.chosen else { return Err(self.missing(Name::Weight)) };
        match before(found, latest) {
            Some(m) => self.fresh(ix, m).map(|()| (m, latest)),
            None => Err(lacks(ix, Words::NoEarlier("weight"), Vec::new())),
        }
    }

    /// What is missing for another fact.
    fn missing(&self, name: Name) -> Vec<Missing> {
        // These facts come first in the list, in the order of their names.
        let ix = name as usize;
        match self.value(ix) {
            Value::Missing(missing) => missing,
            _ => lacks(ix, "it cannot be used here", Vec::new()),
        }
    }

    /// An exact quantity of another fact, in base units.
    fn exact(&self, name: Name) -> Result<Exact, Vec<Missing>> {
        self.exactly(name).ok_or_else(|| self.missing(name))
    }

    /// The same where nobody asks why there is none.
    fn exactly(&self, name: Name) -> Option<Exact> {
        match self.held(name as usize) {
            Some(Value::Quantity(Amount::Known(x))) => Some(*x),
            Some(_) => None,
            None => match self.value(name as usize) {
                Value::Quantity(Amount::Known(x)) => Some(x),
                _ => None,
            },
        }
    }

    fn age(&self, ix: usize) -> Found {
        let (days, months) = (self.m.context.age_days(), self.m.context.age_months());
        // Birthdays fall on whole years: from the first on, completed months count.
        let count = |days: Option<Exact>, months: Option<Exact>| match months {
            Some(m) if m >= Exact::int(12) => m.mul(YEAR)?.div(Exact::int(12)),
            _ => days?.mul(DAY),
        };
        match (count(days.low(), months.low()), count(days.high(), months.high())) {
            (Some(low), Some(high)) => {
                Ok(Value::Quantity(Amount::between(low, high, Why::MissingInput("the full birth date"))))
            }
            _ if matches!(self.m.context.birth, Field::Unreadable { .. }) => {
                Err(lacks(ix, "the birth date cannot be read", self.birth_at()))
            }
            _ => {
                let why = days.why().first().map_or_else(
                    || "not known".to_owned(),
                    |w| match w {
                        Why::MissingInput("the birth date") => "no birth date was sent".to_owned(),
                        Why::MissingInput(_) => "the order states no time to reckon the age from".to_owned(),
                        other => other.to_string(),
                    },
                );
                Err(lacks(ix, why, self.birth_at()))
            }
        }
    }

    fn birth_at(&self) -> Vec<At> {
        self.m.context.birth.at().into_iter().collect()
    }

    /// Corrected age, days.
    fn corrected(&self) -> Amount {
        let corrected = self.m.context.corrected_age();
        if corrected.basis != CorrectionBasis::GestationUnknown {
            return corrected.days;
        }
        // Born after 20 weeks at the earliest: up to 140 days less.
        match (corrected.days.low().and_then(|d| d.sub(Exact::int(140))), corrected.days.high()) {
            (Some(low), Some(high)) => Amount::between(low, high, Why::MissingInput("the gestational age at birth")),
            _ => corrected.days,
        }
    }

    fn corrected_age(&self, ix: usize) -> Found {
        if self.m.context.corrected_age().basis == CorrectionBasis::PastCorrection {
            return self.age(Name::Age as usize);
        }
        match self.corrected() {
            Amount::Unknown(_) => Err(self.missing(Name::Age)),
            days => self.amount(ix, each(&days, DAY)),
        }
    }

    fn weight_z(&self, ix: usize) -> Found {
        let kg = self.exact(Name::Weight)?.div(Exact::int(1_000));
        let sex = match self.m.context.sex {
            Sex::Female => needs::Sex::Female,
            Sex::Male => needs::Sex::Male,
            Sex::Unknown => return Err(self.missing(Name::Sex)),
        };
        let corrected = self.corrected();
        let (Some(low), Some(high), Some(kg)) = (corrected.low(), corrected.high(), kg) else {
            return Err(self.missing(Name::Age));
        };
        if high.is_negative() {
            return Err(lacks(ix, "there is no reference before term", Vec::new()));
        }
        let day = |x: Exact| u32::try_from(x.max(Exact::ZERO).floor()).ok();
        let scores = day(low).zip(day(high)).and_then(|days| needs::growth::weight_for_ages(sex, days, kg));
        let ends = scores.map(|(a, b)| (a.z, b.z));
        match ends {
            Some((a, b)) => {
                let why = corrected.why().first().cloned().unwrap_or(Why::MissingInput("the full birth date"));
                Ok(Value::Quantity(Amount::between(a, b, why)))
            }
            _ => Err(lacks(ix, "there is no reference at this age; it ends at 5 years", Vec::new())),
        }
    }

    fn care(&self) -> &Care {
        self.care.get_or_init(|| context::care(self.m.context, self.m.gathered, &self.m.book.concepts))
    }

    fn one_word(&self, ix: usize, words: &[String], what: &str) -> Found {
        let care = self.care();
        match words {
            [one] => match FACTS.get(ix).map(|f| f.kind) {
                Some(Type::Word(list)) if !list.is_empty() && !list.contains(&one.as_str()) => {
                    Err(lacks(ix, format!("{what} {one} is not one of the words of this fact"), care.at.clone()))
                }
                _ => Ok(Value::Word(one.clone())),
            },
            [] if !care.at.is_empty() => {
                Err(lacks(ix, format!("the encounter was sent and tells no {what} that is known"), care.at.clone()))
            }
            [] if self.m.context.encounters == Sent::Empty => {
                Err(lacks(ix, "the sender looked for an encounter and there is none", Vec::new()))
            }
            [] => Err(lacks(ix, "no encounter was sent", Vec::new())),
            _ => Err(lacks(ix, format!("the encounters tell more than one {what}"), care.at.clone())),
        }
    }

    /// Conditions, allergies or medicines in the rulebook's words, read once.
    fn coded(&self, kind: ConceptKind) -> Option<&Set> {
        let cell = match kind {
            ConceptKind::Condition => self.sets.first(),
            ConceptKind::Allergy => self.sets.get(1),
            ConceptKind::Medicine => self.sets.get(2),
            ConceptKind::Setting
            | ConceptKind::Hold
            | ConceptKind::Device
            | ConceptKind::DoseForm
            | ConceptKind::Procedure
            | ConceptKind::Diet => None,
        }?;
        Some(cell.get_or_init(|| {
            let (formulary, gathered) = (self.m.formulary, self.m.gathered);
            let listed = |node: Node<'_>| infusions::is_listed(node, gathered, formulary);
            context::set(kind, self.m.context, gathered, self.m.order, &self.m.book.concepts, &listed)
        }))
    }

    fn set(&self, ix: usize, kind: ConceptKind, none: &'static str) -> Found {
        match self.coded(kind) {
            Some(Set::Of(keys, ..)) => Ok(Value::Keys(keys.clone())),
            _ => Err(lacks(ix, none, Vec::new())),
        }
    }

    /// Lines that give feed.
    fn feeds(&self) -> impl Iterator<Item = &'a Line> {
        self.lines(Kind::Feed)
    }

    fn lines(&self, kind: Kind) -> impl Iterator<Item = &'a Line> {
        let plan = self.m.plan;
        plan.parts.iter().filter(move |p| p.kind == kind).filter_map(|p| match p.source {
            Given::Line(ix) => plan.lines.get(ix),
            Given::WithFeeds { .. } => None,
        })
    }

    /// The content that most is given of on the typical day, the first of those; where that is not known, that of the first feed.
    fn content(&self, ix: usize) -> Result<&'a Content, Vec<Missing>> {
        let plan = self.m.plan;
        let first = || plan.parts.iter().find(|p| p.kind == Kind::Feed).map(|p| p.content);
        let content = self.most_given().or_else(first);
        let found = content.and_then(|content| plan.contents.get(content)).or(plan.contents.first());
        found.ok_or_else(|| lacks(ix, "the order names no formula", vec![self.formula_at()]))
    }

    /// Of several contents, the one that most is given of.
    fn most_given(&self) -> Option<usize> {
        let feeds = || self.m.plan.parts.iter().enumerate().filter(|(_, part)| part.kind == Kind::Feed);
        let one = feeds().next().map(|(_, part)| part.content)?;
        if feeds().all(|(_, part)| part.content == one) {
            return Some(one);
        }
        let (day, _) = self.typical_day()?;
        let mut given: Vec<(usize, Exact)> = Vec::new();
        for (nth, part) in feeds() {
            let volume = day.volumes.get(nth).and_then(Amount::known)?;
            match given.iter_mut().find(|(content, _)| *content == part.content) {
                Some((_, sum)) => *sum = sum.add(volume)?,
                None => given.push((part.content, volume)),
            }
        }
        let most = given.iter().map(|(_, volume)| *volume).max()?;
        given.into_iter().find(|(_, volume)| *volume == most).map(|(content, _)| content)
    }

    fn product_from(&self, from: From) -> Option<&'a Product> {
        match from {
            From::Formulary(ix) => self.m.formulary.product(ix),
            From::Sent(ix) => self.m.sent.get(ix).map(|(_, product)| product),
            From::Nowhere => None,
        }
    }

    fn product(&self, ix: usize) -> Result<&'a Product, Vec<Missing>> {
        let content = self.content(ix)?;
        self.product_from(content.from)
            .ok_or_else(|| lacks(ix, format!("{} is not in the formulary", content.label), vec![self.formula_at()]))
    }

    /// Ingredients: stated in any product (`free` false), or stated to be in none (`free` true).
    fn ingredients(&self, ix: usize, free: bool) -> Found {
        let plan = self.m.plan;
        let mut products: Vec<Option<&Product>> = Vec::new();
        for content in plan.contents.iter().filter(|c| c.form != Some(Form::Water)) {
            products.push(self.product_from(content.from));
            products.extend(content.mixed.iter().map(|x| self.product_from(x.from)));
        }
        products.extend(plan.doses.iter().filter(|d| !d.water).map(|d| Some(&d.product)));
        products.extend(plan.uncounted.iter().map(|_| None));
        if !products.iter().any(Option::is_some) {
            return Err(lacks(ix, "no product of the order is in the formulary", vec![self.formula_at()]));
        }
        let stated = |name: &str, p: &Product| p.flags.iter().find(|(flag, _)| flag == name).map(|(_, has)| *has);
        let mut keys = super::value::Keys::default();
        for (name, _) in products.iter().flatten().flat_map(|p| &p.flags) {
            let of = || products.iter().map(|p| p.and_then(|p| stated(name, p)));
            let contains = of().any(|has| has == Some(true));
            let none = of().all(|has| has == Some(false));
            let list = match (contains, none, free) {
                (true, _, false) | (_, true, true) => &mut keys.present,
                (true, _, true) | (_, true, false) => &mut keys.absent,
                _ => continue,
            };
            if !list.contains(name) {
                list.push(name.clone());
            }
        }
        Ok(Value::Keys(keys))
    }

    /// Whether an additive of this form is in the order; one that is not known may be of it.
    fn has_additive(&self, ix: usize, form: Form) -> Found {
        let plan = self.m.plan;
        let mixed = plan.contents.iter().flat_map(|c| &c.mixed).map(|x| self.product_from(x.from));
        let products = mixed.chain(plan.doses.iter().map(|d| Some(&d.product)));
        // What cannot be counted may be known all the same.
        let uncounted = self.m.order.formula.iter().flat_map(|f| &f.additives);
        let uncounted = uncounted.filter(|a| plan.uncounted.iter().any(|open| open.at == a.at)).map(|a| {
            match self.m.formulary.find(&a.product) {
                Match::Found { index, .. } => self.m.formulary.product(index),
                _ => None,
            }
        });
        let uncounted: Vec<Option<&Product>> = uncounted.collect();
        if products.clone().chain(uncounted.iter().copied()).flatten().any(|p| p.form == form) {
            return Ok(truth(true));
        }
        if products.chain(uncounted).any(|p| p.is_none_or(|p| p.form == Form::NotStated)) {
            return Err(lacks(ix, "an additive is not in the formulary or states no form", vec![self.formula_at()]));
        }
        Ok(truth(false))
    }

    /// Additives mixed in. One that cannot be counted may be mixed in or given apart, unless the order says which.
    fn additives_mixed_in(&self) -> Amount {
        let plan = self.m.plan;
        let (mut surely, mut perhaps) = (0_i64, None);
        for additive in self.m.order.formula.iter().flat_map(|f| &f.additives) {
            if plan.doses.iter().any(|dose| dose.at == additive.at) {
                continue;
            }
            let open = plan.uncounted.iter().find(|open| open.at == additive.at);
            match (open, additive.per.as_ref().map(|per| per.value.as_ref())) {
                (Some(_), Some("day" | "feed")) => {}
                (Some(open), per) if per != Some("volume") && !per_volume(&additive.quantity) => {
                    perhaps.get_or_insert((0_i64, open)).0 += 1;
                }
                _ => surely += 1,
            }
        }
        match perhaps {
            Some((more, open)) => Amount::between(
                Exact::int(surely),
                Exact::int(surely.saturating_add(more)),
                Why::AdditiveAmount(open.label.clone()),
            ),
            None => Amount::Known(Exact::int(surely)),
        }
    }

    /// What the sums of this order's own typical day come to.
    fn of_own_day(&self, ix: usize, of: impl Fn(&Sums<'a>) -> Amount, unit: Exact) -> Found {
        let Some((laid, _)) = self.typical_day() else { return Err(lacks(ix, NO_DAY, vec![self.formula_at()])) };
        let sums = self.own().get_or_init(|| Sums::new(vec![(self.m.plan, laid)], self.m.plan.weight));
        self.amount(ix, each(&of(sums), unit))
    }

    fn infusions(&self) -> Option<&Infusions> {
        self.infusions
            .get_or_init(|| {
                let (laid, _) = self.typical_day()?;
                Some(Infusions::of(&infusions::From {
                    context: self.m.context,
                    gathered: self.m.gathered,
                    formulary: self.m.formulary,
                    settings: self.m.settings,
                    concepts: &self.m.book.concepts,
                    version: self.m.order.version,
                    feed: self.m.plan,
                    day: laid,
                }))
            })
            .as_ref()
    }

    /// What the infusions bring. None of them is nothing only where the sender declares that it sends them.
    fn by_vein(&self, ix: usize, measure: Measure) -> Found {
        let medicines = &self.m.context.medicines;
        if *medicines == Sent::NotSent {
            return Err(lacks(ix, "no infusions were sent", Vec::new()));
        }
        let Some(found) = self.infusions() else { return Err(lacks(ix, NO_DAY, vec![self.formula_at()])) };
        if found.is_empty() {
            let declared = self.m.settings.declared.contains(&ContextKind::OtherFluids);
            return match (declared, medicines) {
                (false, _) => Err(lacks(ix, "no infusion of the formulary was sent", Vec::new())),
                (true, Sent::Some(_)) if !self.m.formulary.has(Form::Infusion) => {
                    Err(lacks(ix, "the formulary lists no infusions", Vec::new()))
                }
                (true, _) => Ok(known(Some(Exact::ZERO))),
            };
        }
        if !found.open.is_empty() {
            return Err(found.open.iter().flat_map(|(at, why)| lacks(ix, why.clone(), vec![*at])).collect());
        }
        let unit = FACTORS.get(measure.index()).copied().unwrap_or(Exact::ONE);
        match each(&found.measure(measure), unit) {
            Amount::Unknown(why) => {
                let why = why.iter().map(ToString::to_string).collect::<Vec<_>>().join("; ");
                Err(lacks(ix, why, found.at.clone()))
            }
            amount => Ok(Value::Quantity(amount)),
        }
    }

    fn method(&self, ix: usize) -> Found {
        let mut methods: Vec<Method> = Vec::new();
        for line in self.feeds() {
            if line.method == Method::Unclear {
                return Err(lacks(ix, "the schedule does not tell how it is given", vec![line.at]));
            }
            if line.also_method.is_some_and(|other| other != line.method) {
                return Err(lacks(ix, "how long a feed takes is a range, and so is how it is given", vec![line.at]));
            }
            if !methods.contains(&line.method) {
                methods.push(line.method);
            }
        }
        let word = match methods.as_slice() {
            [] => return Err(lacks(ix, "the order states no schedule of the feed", vec![self.formula_at()])),
            [one] => method_name(*one),
            // Both are single feeds, or both run on; only what has one and the other is mixed.
            many if many.iter().all(|m| matches!(m, Method::Bolus | Method::Intermittent)) => {
                method_name(Method::Intermittent)
            }
            many if many.iter().all(|m| matches!(m, Method::Continuous | Method::Cyclic)) => {
                method_name(Method::Continuous)
            }
            _ => "mixed",
        };
        Ok(Value::Word(word.to_owned()))
    }

    fn route(&self, ix: usize) -> Found {
        let route = self.m.order.formula.as_ref().map(|f| &f.route);
        match route {
            Some(Field::Present(s)) => match tip(self.m.settings, &s.value) {
                Tip::At(Site::Unknown) => Err(lacks(ix, "the route does not tell where the feed enters", vec![s.at])),
                Tip::At(known) => Ok(Value::Word(known.name().to_owned())),
                Tip::Differ(..) => {
                    Err(lacks(ix, "the route's codes and text name different sites of the tube's tip", vec![s.at]))
                }
            },
            Some(Field::Absent) | None => Err(lacks(ix, "no route is stated", vec![self.formula_at()])),
            Some(other) => Err(lacks(ix, "the route cannot be read", other.at().into_iter().collect())),
        }
    }

    /// The steps of the feed in order of start; more than one group of steps cannot be told as one.
    fn steps(&self, ix: usize) -> Result<Vec<&'a Line>, Vec<Missing>> {
        let plan = self.m.plan;
        let lines = |group: &Vec<usize>| group.iter().filter_map(|i| plan.lines.get(*i)).collect();
        match plan.settled.advances.as_slice() {
            [group] => Ok(lines(group)),
            [] => Ok(self.feeds().take(1).collect()),
            _ => Err(lacks(ix, "the order steps more than one feed", vec![self.formula_at()])),
        }
    }

    fn first_rate(&self, ix: usize) -> Found {
        let several = self.m.plan.settled.advances.is_empty() && self.feeds().count() > 1;
        if several {
            return Err(lacks(ix, "several feeds stand beside each other", vec![self.formula_at()]));
        }
        match self.steps(ix)?.first() {
            Some(line) => match line.rate {
                Some(rate) => Ok(Value::Quantity(Amount::Known(rate))),
                None => Err(lacks(ix, "no usable rate is stated", vec![line.at])),
            },
            None => Err(lacks(ix, "the order states no schedule of the feed", vec![self.formula_at()])),
        }
    }

    fn rises(&self, ix: usize) -> Result<Vec<(Exact, Exact)>, Vec<Missing>> {
        let steps = self.steps(ix)?;
        let mut out = Vec::new();
        for pair in steps.windows(2) {
            let [a, b] = pair else { continue };
            let rise = a.rate.zip(b.rate).and_then(|(a, b)| b.sub(a));
            let time = a.start.or(Some(self.m.plan.start)).zip(b.start).and_then(|(a, b)| b.sub(a));
            match rise.zip(time) {
                Some((rise, time)) if rise.is_positive() => out.push((rise, time)),
                Some(_) => {}
                None => return Err(lacks(ix, "a step states no usable rate or start", vec![b.at])),
            }
        }
        Ok(out)
    }

    fn at_goal(&self, ix: usize) -> Found {
        let steps = self.steps(ix)?;
        let Some((first, rest)) = steps.split_first() else {
            return Err(lacks(ix, "the order states no schedule of the feed", vec![self.formula_at()]));
        };
        // Like is compared with like; a rate and volumes of single feeds by what they give in a day.
        let stated = |l: &Line| l.rate.map(|rate| (true, rate)).or(l.quantity.map(|ml| (false, ml)));
        let mut more = false;
        for line in rest {
            let larger = match (stated(first), stated(line)) {
                (Some((a, x)), Some((b, y))) if a == b => Some(y > x),
                _ => daily(first).zip(daily(line)).map(|(x, y)| y > x),
            };
            match larger {
                Some(larger) => more |= larger,
                None => return Err(lacks(ix, "a step states no rate or volume that can be compared", vec![line.at])),
            }
        }
        Ok(truth(!more))
    }

    fn single_flush(&self, ix: usize) -> Found {
        let with_feeds = self.m.plan.parts.iter().filter_map(|p| match p.source {
            Given::WithFeeds { volume, at, .. } => Some((volume, at)),
            Given::Line(_) => None,
        });
        let mut largest = Exact::ZERO;
        for (volume, at) in self.lines(Kind::Flush).map(|l| (l.quantity, l.at)).chain(with_feeds) {
            match volume {
                Some(ml) => largest = largest.max(ml),
                None => return Err(lacks(ix, "the volume of a flush cannot be used", vec![at])),
            }
        }
        Ok(known(Some(largest)))
    }

    fn flush_interval(&self, ix: usize) -> Found {
        let mut longest: Option<Amount> = None;
        for line in self.lines(Kind::Flush) {
            // What may be left out altogether has no longest time to the next.
            let regular = line.low.is_some() && line.high.is_some();
            let gaps = line.readings().filter(|_| regular).map(|run| run.occurrences.longest_gap());
            let gaps: Option<Vec<Exact>> = gaps.collect();
            let gap = gaps.and_then(|gaps| gaps.iter().min().copied().zip(gaps.iter().max().copied()));
            let Some((low, high)) = gap else {
                return Err(lacks(ix, "the times of a flush are not regular", vec![line.at]));
            };
            let gap = Amount::between(low, high, Why::Spread("how often it is given is a range".to_owned()));
            longest = Some(longest.map_or_else(|| gap.clone(), |l| largest(&l, &gap)));
        }
        match longest {
            Some(gap) => self.amount(ix, gap),
            None => Err(lacks(ix, "no flush has a schedule of its own", vec![self.formula_at()])),
        }
    }

    /// The lowest of several amounts that were read.
    fn least(&self, ix: usize, read: Vec<context::Read>, none: &'static str) -> Found {
        let mut least: Option<Exact> = None;
        for (value, at) in read {
            match value {
                Ok(x) => least = Some(least.map_or(x, |l| l.min(x))),
                Err(why) => return Err(lacks(ix, why, vec![at])),
            }
        }
        least.map(|x| known(Some(x))).ok_or_else(|| lacks(ix, none, Vec::new()))
    }

    fn tube_medicines(&self, kind: ConceptKind) -> context::ThroughTube {
        context::through_tube(kind, self.m.context, self.m.gathered, self.m.settings, &self.m.book.concepts)
    }

    /// Keys of what goes through the tube; missing where nothing is found and something is not told.
    fn through_tube(&self, ix: usize, kind: ConceptKind) -> Found {
        if self.m.context.medicines == Sent::NotSent {
            return Err(lacks(ix, "no medicines were sent", Vec::new()));
        }
        let found = self.tube_medicines(kind);
        if let Some((_, why)) = found.unclear.first().filter(|_| found.keys.is_empty()) {
            let alike = found.unclear.iter().filter(|(_, other)| other == why);
            return Err(lacks(ix, *why, alike.map(|(at, _)| *at).collect()));
        }
        if found.silent && found.keys.is_empty() {
            let why = match kind {
                ConceptKind::DoseForm => "a medicine that goes through the tube, or may, does not tell its dose form",
                _ => {
                    "a medicine that goes through the tube, or may, has no code in which hazardous medicines are named"
                }
            };
            return Err(lacks(ix, why, Vec::new()));
        }
        let complete = found.unclear.is_empty() && !found.silent;
        Ok(Value::Keys(super::value::Keys { present: found.keys, absent: Vec::new(), complete }))
    }

    fn nasal_tube(&self) -> context::Nasal {
        context::nasal_tube(self.m.context, self.m.gathered, self.m.order, &self.m.book.concepts)
    }

    /// Whether the feed goes through the nose, or for how long the tube has lain there.
    fn nasal(&self, ix: usize, how_long: bool) -> Found {
        let none = || match &self.m.context.devices {
            Sent::NotSent => "no device was sent",
            Sent::Empty => "the sender looked for devices and there are none",
            Sent::Some(_) => "no device sent is a feeding tube",
        };
        match (self.nasal_tube(), how_long) {
            (context::Nasal::Untold(at), _) => {
                Err(lacks(ix, "a tube or device in use does not tell whether it goes through the nose", at))
            }
            (context::Nasal::NotTold, _) => Err(lacks(ix, none(), Vec::new())),
            (context::Nasal::No, false) => Ok(truth(false)),
            (context::Nasal::No, true) => Err(lacks(ix, "the feed does not go through the nose", Vec::new())),
            (context::Nasal::Yes(..), false) => Ok(truth(true)),
            (context::Nasal::Yes(_, context::Since::NoDevice), true) => Err(lacks(ix, none(), Vec::new())),
            (context::Nasal::Yes(_, context::Since::DeviceNotSent), true) => {
                Err(lacks(ix, "the device in use was not sent", Vec::new()))
            }
            (context::Nasal::Yes(at, context::Since::Unclear), true) => {
                Err(lacks(ix, "a device in use does not tell whether it is the tube", at))
            }
            (context::Nasal::Yes(at, context::Since::Untold), true) => {
                Err(lacks(ix, "the device does not tell since when the tube is in place", at))
            }
            (context::Nasal::Yes(_, context::Since::Placed(when)), true) => {
                self.amount(ix, self.m.context.seconds_from(when))
            }
        }
    }

    fn estimate(&self, ix: usize, which: Single) -> Found {
        let found = {
            let c = self.m.context;
            let age = c.age_days();
            let inputs = needs::Inputs {
                sex: match c.sex {
                    Sex::Male => Some(needs::Sex::Male),
                    Sex::Female => Some(needs::Sex::Female),
                    Sex::Unknown => None,
                },
                age_days: age.low().zip(age.high()),
                weight_kg: self.exactly(Name::Weight).and_then(|g| g.div(Exact::int(1_000))),
                height_cm: self.exactly(Name::Height),
                birth_weight_kg: c.birth_weight.value().and_then(|g| g.div(Exact::int(1_000))),
                gestational_weeks: c.gestation_days().and_then(|d| d.div(Exact::int(7))),
                ..needs::Inputs::default()
            };
            needs::single(&inputs, which)
        };
        let Some(found) = found else {
            return Err(lacks(ix, "there is no such estimate at this age", self.birth_at()));
        };
        match &found.validity {
            Validity::InDomain | Validity::Unchecked(_) => {}
            Validity::OutOfDomain(why) => return Err(lacks(ix, format!("outside its domain: {why}"), Vec::new())),
            Validity::MissingInput(which) => {
                let named = |w: &&str| find(if *w == "body weight" { "weight" } else { w });
                let names = which.iter().filter_map(named).filter_map(|ix| SOURCES.get(ix));
                let missing: Vec<Missing> = names
                    .filter_map(|source| if let Source::Other(name) = source { Some(*name) } else { None })
                    .flat_map(|name| self.missing(name))
                    .collect();
                return Err(if missing.is_empty() {
                    lacks(ix, format!("missing: {}", which.join(", ")), Vec::new())
                } else {
                    missing
                });
            }
        }
        let unit = Unit::parse(found.unit).map_or(Exact::ONE, |u| u.factor);
        self.amount(ix, each(&found.amount(), unit))
    }

    fn resting(&self, ix: usize) -> Found {
        let Some(years) = self.m.context.age_years().low() else { return Err(self.missing(Name::Age)) };
        if years >= Exact::int(18) {
            return self.estimate(ix, Single::MifflinStJeor);
        }
        // The form with the height where there is one.
        let full = if self.exactly(Name::Height).is_some() {
            self.estimate(ix, Single::SchofieldWeightHeight).ok()
        } else {
            None
        };
        full.map_or_else(|| self.estimate(ix, Single::SchofieldWeight), Ok)
    }

    /// Pumps that may be the one in use: the first whose condition holds, and those before it of which that cannot be told.
    pub fn pumps(&self) -> Vec<PumpRange> {
        let mut out = Vec::new();
        if self.choosing.replace(true) {
            return out;
        }
        for pump in &self.m.book.pumps {
            let holds = (self.m.holds)(&pump.when, self);
            if holds != Truth::False {
                out.push(PumpRange { title: pump.title.clone(), rate: pump.rate });
            }
            if holds == Truth::True {
                break;
            }
        }
        self.choosing.set(false);
        out
    }

    /// Orders beside this one that nothing is to be given.
    pub fn stops(&self) -> Stops {
        context::stops(self.m.context, self.m.gathered, &self.m.book.concepts)
    }

    fn pump(&self, ix: usize, part: usize) -> Found {
        if self.choosing.replace(true) {
            return Err(lacks(ix, "the pump is being chosen by it", Vec::new()));
        }
        let mut found = Err(lacks(ix, "the rulebook has no pump for this order", Vec::new()));
        for pump in &self.m.book.pumps {
            match (self.m.holds)(&pump.when, self) {
                Truth::False => {}
                Truth::True => {
                    let per_hour = |x: Exact| x.div(Exact::int(3_600));
                    found = Ok(match pump.rate.get(part) {
                        Some(rate) => known(per_hour(*rate)),
                        None => known(Some(pump.volume_step)),
                    });
                    break;
                }
                Truth::Unknown { missing, why } => {
                    let why = if why.is_empty() { "the pump cannot be told".to_owned() } else { why.join("; ") };
                    found = Err(if missing.is_empty() { lacks(ix, why, Vec::new()) } else { missing });
                    break;
                }
            }
        }
        self.choosing.set(false);
        found
    }

    fn length_of_stay(&self, ix: usize) -> Found {
        let care = self.care();
        match care.began.as_slice() {
            [] => self.one_word(ix, &[], "beginning").map(|_| Value::Missing(Vec::new())),
            many => {
                let longest = many.iter().map(|w| self.m.context.seconds_from(*w)).max_by_key(|a| a.high());
                self.amount(ix, longest.unwrap_or(Amount::Unknown(Vec::new())))
            }
        }
    }

    fn other(&self, ix: usize, name: Name) -> Found {
        let (c, plan, order) = (self.m.context, self.m.plan, self.m.order);
        let quantity = |m: &Measured<'_>| Value::Quantity(Amount::Known(m.value));
        match name {
            Name::Age => self.age(ix),
            Name::CorrectedAge => self.corrected_age(ix),
            Name::PostmenstrualAge => {
                // Nobody is born before 20 or after 45 weeks: without the gestation the age still says something,
                // and after the first months all that is asked.
                let gestation = match self.exactly(Name::Gestation) {
                    Some(known) => Amount::Known(known),
                    None => Amount::between(
                        Exact::int(20 * 7 * 86_400),
                        Exact::int(45 * 7 * 86_400),
                        Why::MissingInput("the gestational age at birth"),
                    ),
                };
                match self.m.context.age_days() {
                    Amount::Unknown(_) => Err(self.missing(Name::Age)),
                    days => self.amount(ix, each(&days, DAY).plus(&gestation)),
                }
            }
            Name::Gestation => self.current(ix, &c.gestation, "gestational age at birth").map(quantity),
            Name::Sex => match c.sex {
                Sex::Female => Ok(Value::Word("female".to_owned())),
                Sex::Male => Ok(Value::Word("male".to_owned())),
                Sex::Unknown => Err(match c.sex_at {
                    Some(at) => lacks(ix, "the gender sent is neither female nor male", vec![at]),
                    None => lacks(ix, "no gender was sent", Vec::new()),
                }),
            },
            Name::Weight => self.current(ix, &c.weight, "weight").map(quantity),
            Name::WeightAge => match &c.weight.chosen {
                Some(m) => self.amount(ix, c.seconds_since(m)),
                None => Err(self.missing(Name::Weight)),
            },
            Name::BirthWeight => self.current(ix, &c.birth_weight, "birth weight").map(quantity),
            Name::LastWeight => self.last_weight(ix).map(|(m, _)| quantity(m)),
            Name::LastWeightAge => {
                let (earlier, latest) = self.last_weight(ix)?;
                self.amount(ix, c.seconds_between(earlier, latest))
            }
            Name::Height => self.current(ix, &c.height, "height").map(quantity),
            Name::BodyMassIndex => {
                let (grams, cm) = (self.exact(Name::Weight)?, self.exact(Name::Height)?);
                Ok(known(cm.mul(cm).and_then(|area| grams.div(area))))
            }
            Name::WeightZ => self.weight_z(ix),
            Name::Setting => self.one_word(ix, &self.care().settings, "place of care"),
            Name::Ward => self.one_word(ix, &self.care().wards, "ward"),
            Name::Stay => self.length_of_stay(ix),
            Name::Route => self.route(ix),
            Name::Method => self.method(ix),
            Name::ProductAgeClass => match self.product(ix)?.age {
                AgeClass::NotStated => Err(lacks(ix, "the product states no age class", vec![self.formula_at()])),
                age => Ok(Value::Word(age.word().to_owned())),
            },
            Name::ProductForm => match self.product(ix)?.form {
                Form::NotStated => Err(lacks(ix, "the product states no form", vec![self.formula_at()])),
                form => Ok(Value::Word(form.word().to_owned())),
            },
            Name::ProductContains => self.ingredients(ix, false),
            Name::ProductFreeFrom => self.ingredients(ix, true),
            Name::ProductViscosity => match &self.product(ix)?.viscosity {
                Some(word) => Ok(Value::Word(word.clone())),
                None => Err(lacks(ix, "the formulary states no viscosity", vec![self.formula_at()])),
            },
            Name::CompositionSent => match self.content(ix)?.from {
                From::Nowhere => self.product(ix).map(|_| truth(false)),
                from => Ok(truth(matches!(from, From::Sent(_)))),
            },
            Name::Density => {
                let content = self.content(ix)?;
                self.amount(ix, content.energy.clone())
            }
            Name::EnergyStated => match order.formula.as_ref().map(|f| &f.density) {
                Some(Field::Present(q)) => {
                    let reading = energy_density(&q.value);
                    reading.value.map(|x| known(Some(x))).ok_or_else(|| {
                        let why =
                            reading.blocking().next().map_or_else(|| "not usable".to_owned(), ToString::to_string);
                        lacks(ix, why, vec![q.at])
                    })
                }
                Some(Field::Absent) | None => {
                    Err(lacks(ix, "the order states no energy density", vec![self.formula_at()]))
                }
                Some(other) => Err(lacks(ix, "the density cannot be read", other.at().into_iter().collect())),
            },
            Name::Container => match self.content(ix)?.containers.last() {
                Some(ml) => Ok(known(Some(*ml))),
                None => Err(lacks(ix, "the formulary states no container", vec![self.formula_at()])),
            },
            Name::Steps => {
                if self.feeds().next().is_none() {
                    return Err(lacks(ix, "the order states no schedule of the feed", vec![self.formula_at()]));
                }
                let most = plan.settled.advances.iter().map(Vec::len).max().unwrap_or(1);
                Ok(known(i128::try_from(most).ok().and_then(Exact::whole)))
            }
            Name::FirstRate => self.first_rate(ix),
            Name::LargestStep => {
                let rises = self.rises(ix)?;
                Ok(known(Some(rises.iter().map(|(rise, _)| *rise).max().unwrap_or(Exact::ZERO))))
            }
            Name::ShortestStepTime => match self.rises(ix)?.iter().map(|(_, time)| *time).min() {
                Some(time) => Ok(known(Some(time))),
                None => Err(lacks(ix, "the rate does not rise in steps", vec![self.formula_at()])),
            },
            Name::AtGoalAtOnce => self.at_goal(ix),
            Name::HasFlush => {
                let stated = order.formula.as_ref().is_some_and(|f| !f.flushes.is_empty());
                Ok(truth(stated || plan.parts.iter().any(|p| p.kind == Kind::Flush)))
            }
            Name::SingleFlush => self.single_flush(ix),
            Name::RunningRate => self.feeding(ix, feeds::highest_running_rate, largest, PER_HOUR),
            Name::SingleFeedRate => self.feeding(ix, feeds::highest_single_rate, largest, PER_HOUR),
            Name::ShortestFeed => self.feeding(ix, feeds::shortest_feed, smallest, Exact::int(3_600)),
            Name::FlushInterval => self.flush_interval(ix),
            Name::StartsAsNew | Name::OtherOrders => {
                if c.other_orders == Sent::NotSent {
                    return Err(lacks(ix, "no other orders were sent, nor an answer that there are none", Vec::new()));
                }
                let (standing, fed) = context::other_orders(c, self.m.gathered);
                if name == Name::StartsAsNew {
                    return Ok(truth(!fed));
                }
                Ok(known(i128::try_from(standing).ok().and_then(Exact::whole)))
            }
            Name::Eats => match context::by_mouth(c, self.m.gathered, order, &self.m.book.concepts) {
                context::Mouth::Sent(found) => Ok(truth(!found.is_empty())),
                context::Mouth::NotSent => {
                    Err(lacks(ix, "no other orders were sent, nor an answer that there are none", Vec::new()))
                }
                context::Mouth::Unclear(at) => {
                    Err(lacks(ix, "an order of a diet or a supplement does not tell whether it stands", vec![at]))
                }
            },
            Name::Additives => {
                let count = order.formula.as_ref().map_or(0, |f| f.additives.len());
                Ok(known(i128::try_from(count).ok().and_then(Exact::whole)))
            }
            Name::AdditivesMixedIn => Ok(Value::Quantity(self.additives_mixed_in())),
            Name::AdditiveEnergy => {
                let unit = FACTORS.get(Measure::Energy.index()).copied().unwrap_or(Exact::ONE);
                self.of_own_day(ix, Sums::additive_energy, unit)
            }
            Name::AdditiveCarbohydrate => {
                let unit = FACTORS.get(Measure::Carbohydrate.index()).copied().unwrap_or(Exact::ONE);
                self.of_own_day(ix, |sums| sums.additive(Nutrient::Carbohydrate), unit)
            }
            Name::LowestRate => self.feeding(ix, feeds::lowest_rate, smallest, PER_HOUR),
            Name::Fortified => self.has_additive(ix, Form::Fortifier),
            Name::Thickened => self.has_additive(ix, Form::Thickener),
            Name::Dyed => self.has_additive(ix, Form::Dye),
            Name::Cap => match (plan.cap, plan.cap_unusable) {
                (Some(cap), _) => Ok(known(cap.per_day.div(DAY))),
                (None, Some(at)) => Err(lacks(ix, "the maximum volume cannot be used", vec![at])),
                (None, None) => Err(lacks(ix, "no maximum volume is stated", vec![self.formula_at()])),
            },
            Name::FluidLimit => {
                self.least(ix, context::fluid_limits(order, self.m.gathered), "no fluid limit was sent with the order")
            }
            Name::InfusionVolume => self.by_vein(ix, Measure::Volume),
            Name::InfusionEnergy => self.by_vein(ix, Measure::Energy),
            Name::InfusionProtein => self.by_vein(ix, Measure::Protein),
            Name::InfusionCarbohydrate => self.by_vein(ix, Measure::Carbohydrate),
            Name::InfusionFat => self.by_vein(ix, Measure::Fat),
            Name::HasInfusion => {
                let Value::Quantity(volume) = self.by_vein(ix, Measure::Volume)? else {
                    return Err(lacks(ix, "the volume of the infusions is not known", Vec::new()));
                };
                match volume.high() {
                    Some(most) => Ok(truth(most.is_positive())),
                    None => Ok(truth(true)),
                }
            }
            Name::Infusions => match self.infusions() {
                _ if c.medicines == Sent::NotSent => Err(lacks(ix, "no medicines were sent", Vec::new())),
                None => Err(lacks(ix, NO_DAY, vec![self.formula_at()])),
                Some(found) => Ok(Value::Keys(super::value::Keys {
                    present: found.keys.clone(),
                    absent: Vec::new(),
                    complete: found.open.is_empty(),
                })),
            },
            Name::Lasts => {
                let lasts = |l: &Line| match (l.end, l.length) {
                    (Some(end), _) => end.sub(plan.start).map(Amount::Known),
                    (None, Some((low, high))) => Some(Amount::between(
                        low,
                        high,
                        Why::Spread("how long it is to be given is a range".to_owned()),
                    )),
                    (None, None) => None,
                };
                let times: Option<Vec<Amount>> = self.feeds().map(lasts).collect();
                match times.and_then(|times| times.into_iter().reduce(|a, b| largest(&a, &b))) {
                    Some(time) => self.amount(ix, time),
                    None => Err(lacks(ix, "the order states no end", vec![self.formula_at()])),
                }
            }
            Name::HollidaySegar => self.estimate(ix, Single::HollidaySegar),
            Name::RestingEnergy => self.resting(ix),
            Name::IdealWeight => self.estimate(ix, Single::Ideal),
            Name::AdjustedWeight => self.estimate(ix, Single::Adjusted25),
            Name::Conditions => self.set(ix, ConceptKind::Condition, "no conditions were sent"),
            Name::Allergies => self.set(ix, ConceptKind::Allergy, "no allergies were sent"),
            Name::Refused => Ok(Value::Keys(context::refused(order, &self.m.book.concepts).0)),
            Name::Medicines => self.set(ix, ConceptKind::Medicine, "no medicines were sent"),
            Name::TubeForms => self.through_tube(ix, ConceptKind::DoseForm),
            Name::TubeMedicines => self.through_tube(ix, ConceptKind::Medicine),
            Name::Potassium => self.laboratory(ix, "serum_potassium"),
            Name::Sodium => self.laboratory(ix, "serum_sodium"),
            Name::Phosphate => self.laboratory(ix, "serum_phosphate"),
            Name::Magnesium => self.laboratory(ix, "serum_magnesium"),
            Name::Glucose => self.laboratory(ix, "glucose"),
            Name::Urea => self.laboratory(ix, "urea"),
            Name::Creatinine => self.laboratory(ix, "creatinine"),
            Name::FiltrationRate => self.laboratory(ix, "egfr"),
            Name::Triglycerides => self.laboratory(ix, "triglycerides"),
            Name::Lactate => self.laboratory(ix, "lactate"),
            Name::EarlierPotassium => self.earlier(ix, "serum_potassium"),
            Name::EarlierPhosphate => self.earlier(ix, "serum_phosphate"),
            Name::EarlierMagnesium => self.earlier(ix, "serum_magnesium"),
            Name::TubeSize => {
                let none = match &c.devices {
                    Sent::NotSent => "no device was sent",
                    Sent::Empty => "the sender looked for devices and there are none",
                    Sent::Some(_) => "no device sent states the size of a tube",
                };
                self.least(ix, context::tube_sizes(c, self.m.gathered), none)
            }
            Name::NasalTube | Name::NasalTubeAge => self.nasal(ix, name == Name::NasalTubeAge),
            Name::NewGastrostomy | Name::FeedAfterGastrostomy => {
                match context::gastrostomy(c, self.m.gathered, &self.m.book.concepts) {
                    context::Gastrostomy::NotSent => Err(lacks(ix, "no procedures were sent", Vec::new())),
                    context::Gastrostomy::Unclear(at, why) => Err(lacks(ix, why, vec![at])),
                    context::Gastrostomy::NotCoded => {
                        Err(lacks(ix, "a procedure has no code in which gastrostomies are named", Vec::new()))
                    }
                    context::Gastrostomy::No if name == Name::NewGastrostomy => Ok(truth(false)),
                    context::Gastrostomy::No => Err(lacks(ix, "no gastrostomy was made lately", Vec::new())),
                    context::Gastrostomy::Made(..) if name == Name::NewGastrostomy => Ok(truth(true)),
                    context::Gastrostomy::Made(_, when) => {
                        let until = c.seconds_until(when, plan.start);
                        // A feed that began before it runs on: what counts is how long ago it was.
                        let begun = until.known() == Some(Exact::ZERO);
                        self.amount(ix, if begun { c.seconds_from(when) } else { until })
                    }
                }
            }
            Name::PumpLowestRate => self.pump(ix, 0),
            Name::PumpHighestRate => self.pump(ix, 1),
            Name::PumpRateStep => self.pump(ix, 2),
            Name::PumpVolumeStep => self.pump(ix, 3),
        }
    }
}

/// The latest measurement that is surely before another.
fn before<'m, 'd>(found: &'m Measurements<'d>, latest: &Measured<'d>) -> Option<&'m Measured<'d>> {
    let (begins, _) = latest.span?;
    found
        .earlier
        .iter()
        .find(|m| m.at != latest.at && m.span.is_some_and(|(first, last)| last <= begins && first < begins))
}

/// A length of time for people.
fn span(seconds: Exact) -> String {
    let (unit, word) = if seconds >= Exact::int(2 * 86_400) { (DAY, "days") } else { (Exact::int(3_600), "hours") };
    seconds.div(unit).map_or_else(|| "very long".to_owned(), |n| format!("{} {word}", n.short(0)))
}

impl Facts for CaseFacts<'_> {
    fn value(&self, ix: usize) -> Value {
        match self.held(ix) {
            Some(value) => value.clone(),
            None => self.work_out(ix).unwrap_or_else(Value::Missing),
        }
    }

    fn held(&self, ix: usize) -> Option<&Value> {
        let cell = self.known.get(ix)?;
        if let Some(value) = cell.get() {
            return Some(value);
        }
        // While the pump is being chosen its facts are missing for the moment only.
        if self.choosing.get() {
            return None;
        }
        let value = self.work_out(ix).unwrap_or_else(Value::Missing);
        Some(cell.get_or_init(|| value))
    }

    fn some_sent(&self, kind: ContextKind) -> bool {
        match kind {
            ContextKind::Labs => !self.laboratories().is_empty(),
            ContextKind::Medicines => !self.m.context.medicines.places().is_empty(),
            ContextKind::Devices => !self.m.context.devices.places().is_empty(),
            _ => false,
        }
    }

    fn none_there(&self, kind: ContextKind) -> bool {
        let sent = match kind {
            ContextKind::Labs => &self.m.context.labs,
            ContextKind::Devices => &self.m.context.devices,
            _ => return false,
        };
        *sent == Sent::Empty
    }

    fn stated(&self, of: Scaled) -> Option<Stated> {
        let (kind, plan) = (if of == Scaled::Feed { Kind::Feed } else { Kind::Flush }, self.m.plan);
        let formula = self.m.order.formula.as_ref()?;
        let mut parts = plan.parts.iter().filter(|p| p.kind == kind);
        let (part, None) = (parts.next()?, parts.next()) else { return None };
        let line = match part.source {
            Given::WithFeeds { volume, at, .. } => {
                let flush = formula.flushes.iter().find(|f| f.at == at)?;
                return Some(Stated::Volume(flat(&flush.volume)?, volume?));
            }
            Given::Line(ix) => plan.lines.get(ix).filter(|line| line.is_exact())?,
        };
        let Some(entry) = line.administration.and_then(|ix| formula.administrations.get(ix)) else {
            let flush = formula.flushes.iter().find(|f| f.at == line.at)?;
            return Some(Stated::Volume(flat(&flush.volume)?, line.quantity?));
        };
        let feeds = line.high.as_ref().is_some_and(|run| run.occurrences != Occurrences::Continuous);
        match (line.quantity, &entry.rate) {
            // With a rate and no times the volume is of the whole day, and the rate says the same.
            (Some(_), Field::Present(_)) if !feeds => None,
            (Some(volume), _) => Some(Stated::Volume(flat(&entry.quantity)?, volume)),
            (None, Field::Present(rate)) => match &rate.value {
                Rate::Quantity(quantity) => Some(Stated::Rate(without_weight(quantity, rate.at)?, line.rate?)),
                Rate::Ratio(_) => None,
            },
            (None, _) => None,
        }
    }

    fn places(&self, ix: usize) -> Vec<At> {
        let c = self.m.context;
        let chosen = |m: &Measurements<'_>| m.chosen.iter().map(|m| m.at).collect::<Vec<_>>();
        let Some(Source::Other(name)) = SOURCES.get(ix) else { return vec![self.formula_at()] };
        match name {
            Name::Age | Name::CorrectedAge | Name::PostmenstrualAge => self.birth_at(),
            Name::Sex => c.sex_at.into_iter().collect(),
            Name::Gestation => chosen(&c.gestation),
            Name::Weight | Name::WeightAge | Name::WeightZ => chosen(&c.weight),
            Name::LastWeight | Name::LastWeightAge => self.last_weight(ix).map(|(m, _)| vec![m.at]).unwrap_or_default(),
            Name::BirthWeight => chosen(&c.birth_weight),
            Name::Height => chosen(&c.height),
            Name::BodyMassIndex => chosen(&c.weight).into_iter().chain(chosen(&c.height)).collect(),
            Name::Setting | Name::Ward | Name::Stay => self.care().at.clone(),
            Name::Route => self.m.order.formula.as_ref().and_then(|f| f.route.at()).into_iter().collect(),
            Name::EnergyStated => self.m.order.formula.as_ref().and_then(|f| f.density.at()).into_iter().collect(),
            Name::Cap => self.m.plan.cap.map(|cap| cap.at).into_iter().collect(),
            Name::FluidLimit => context::fluid_limits(self.m.order, self.m.gathered).into_iter().map(|r| r.1).collect(),
            Name::InfusionVolume
            | Name::InfusionEnergy
            | Name::InfusionProtein
            | Name::InfusionCarbohydrate
            | Name::InfusionFat
            | Name::HasInfusion
            | Name::Infusions => self.infusions().map(|found| found.at.clone()).unwrap_or_default(),
            Name::TubeSize => context::tube_sizes(c, self.m.gathered).into_iter().map(|r| r.1).collect(),
            Name::NewGastrostomy | Name::FeedAfterGastrostomy => {
                match context::gastrostomy(c, self.m.gathered, &self.m.book.concepts) {
                    context::Gastrostomy::Made(at, _) | context::Gastrostomy::Unclear(at, _) => vec![at],
                    context::Gastrostomy::NotSent | context::Gastrostomy::No | context::Gastrostomy::NotCoded => {
                        Vec::new()
                    }
                }
            }
            Name::Refused => context::refused(self.m.order, &self.m.book.concepts).1,
            Name::TubeForms => self.tube_medicines(ConceptKind::DoseForm).at,
            Name::TubeMedicines => self.tube_medicines(ConceptKind::Medicine).at,
            Name::NasalTube | Name::NasalTubeAge => match self.nasal_tube() {
                context::Nasal::Yes(at, _) | context::Nasal::Untold(at) if !at.is_empty() => at,
                context::Nasal::Yes(..) => self.places(Name::Route as usize),
                _ => Vec::new(),
            },
            Name::Conditions | Name::Allergies | Name::Medicines => {
                let kind = match name {
                    Name::Conditions => ConceptKind::Condition,
                    Name::Allergies => ConceptKind::Allergy,
                    _ => ConceptKind::Medicine,
                };
                match self.coded(kind) {
                    Some(Set::Of(_, at, _)) => at.clone(),
                    _ => Vec::new(),
                }
            }
            Name::StartsAsNew | Name::OtherOrders => c.other_orders.places().to_vec(),
            Name::Eats => match context::by_mouth(c, self.m.gathered, self.m.order, &self.m.book.concepts) {
                context::Mouth::Sent(found) => found,
                context::Mouth::NotSent | context::Mouth::Unclear(_) => Vec::new(),
            },
            Name::Potassium | Name::EarlierPotassium => chosen(&self.lab("serum_potassium").0),
            Name::Phosphate | Name::EarlierPhosphate => chosen(&self.lab("serum_phosphate").0),
            Name::Magnesium | Name::EarlierMagnesium => chosen(&self.lab("serum_magnesium").0),
            Name::Sodium => chosen(&self.lab("serum_sodium").0),
            Name::Glucose => chosen(&self.lab("glucose").0),
            Name::Urea => chosen(&self.lab("urea").0),
            Name::Creatinine => chosen(&self.lab("creatinine").0),
            Name::FiltrationRate => chosen(&self.lab("egfr").0),
            Name::Triglycerides => chosen(&self.lab("triglycerides").0),
            Name::Lactate => chosen(&self.lab("lactate").0),
            Name::HollidaySegar | Name::RestingEnergy | Name::IdealWeight | Name::AdjustedWeight => chosen(&c.weight),
            Name::PumpRateStep | Name::PumpLowestRate | Name::PumpHighestRate | Name::PumpVolumeStep => Vec::new(),
            _ => vec![self.formula_at()],
        }
    }
}
