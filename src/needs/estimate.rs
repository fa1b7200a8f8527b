//! What an estimate is: a number that shows its formula, its inputs, its domain and where it comes from.

use crate::amount::{Amount, Why};
use crate::exact::{Decimal, Exact};
use std::borrow::Cow;
use std::fmt;

/// Sex as the equations use it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[allow(missing_docs, reason = "plain names")]
pub enum Sex {
    Female,
    Male,
}

impl Sex {
    /// `female` or `male`.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Female => "female",
            Self::Male => "male",
        }
    }
}

/// What is estimated. Amounts are per day.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Kind {
    /// Energy spent at rest.
    RestingEnergy,
    /// Energy spent, or needed, with activity and growth.
    TotalEnergy,
    /// Energy to aim for in a clinical setting.
    EnergyTarget,
    /// Protein to aim for, or the recommended intake.
    Protein,
    /// Fat.
    Fat,
    /// Carbohydrate.
    Carbohydrate,
    /// All fluid.
    Fluid,
    /// Sodium.
    Sodium,
    /// Potassium.
    Potassium,
    /// Chloride.
    Chloride,
    /// Calcium.
    Calcium,
    /// Phosphorus.
    Phosphorus,
    /// Protein for each 100 kcal.
    ProteinPerEnergy,
    /// Share of the energy that comes from protein.
    ProteinShare,
    /// Share of the measured or estimated expenditure, or of the full target, to give.
    TargetShare,
    /// Fluid for each kcal.
    FluidPerEnergy,
    /// Extra fluid for each degree of fever.
    FluidForFever,
    /// Ideal or adjusted body weight.
    ReferenceWeight,
    /// Body mass index.
    BodyMassIndex,
    /// Body surface.
    BodySurface,
    /// Weight-for-age z-score.
    WeightForAge,
}

impl Kind {
    /// The name for people.
    pub const fn name(self) -> &'static str {
        match self {
            Self::RestingEnergy => "resting energy",
            Self::TotalEnergy => "total energy",
            Self::EnergyTarget => "energy target",
            Self::Protein => "protein",
            Self::Fat => "fat",
            Self::Carbohydrate => "carbohydrate",
            Self::Fluid => "fluid",
            Self::Sodium => "sodium",
            Self::Potassium => "potassium",
            Self::Chloride => "chloride",
            Self::Calcium => "calcium",
            Self::Phosphorus => "phosphorus",
            Self::ProteinPerEnergy => "protein per 100 kcal",
            Self::ProteinShare => "energy from protein",
            Self::TargetShare => "share of the full target",
            Self::FluidPerEnergy => "fluid per kcal",
            Self::FluidForFever => "extra fluid for fever",
            Self::ReferenceWeight => "reference weight",
            Self::BodyMassIndex => "body mass index",
            Self::BodySurface => "body surface",
            Self::WeightForAge => "weight-for-age z-score",
        }
    }

    /// Whether it is an amount of energy per day.
    pub const fn is_energy(self) -> bool {
        matches!(self, Self::RestingEnergy | Self::TotalEnergy | Self::EnergyTarget)
    }
}

/// One number, a range with both ends included, or a limit on one side.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[allow(missing_docs, reason = "plain names")]
pub enum Figure {
    One(Exact),
    Between { low: Exact, high: Exact },
    AtMost(Exact),
    AtLeast(Exact),
}

impl Figure {
    /// The exact value where both ends meet, otherwise the range; the ends may come in either order.
    pub fn between(a: Exact, b: Exact) -> Self {
        if a == b { Self::One(a) } else { Self::Between { low: a.min(b), high: a.max(b) } }
    }

    /// Reads `25`, `25-35`, `<=4.5` or `>=1.5`, as the tables of this room write them.
    pub fn read(text: &str) -> Option<Self> {
        let number = |t: &str| Decimal::parse(t).ok().map(Decimal::exact);
        if let Some(rest) = text.strip_prefix("<=") {
            return number(rest).map(Self::AtMost);
        }
        if let Some(rest) = text.strip_prefix(">=") {
            return number(rest).map(Self::AtLeast);
        }
        match text.split_once('-') {
            Some((low, high)) => {
                let (low, high) = (number(low)?, number(high)?);
                (low < high).then_some(Self::Between { low, high })
            }
            None => number(text).map(Self::One),
        }
    }

    /// Lowest value; `None` for "at most".
    pub fn low(self) -> Option<Exact> {
        match self {
            Self::One(x) | Self::AtLeast(x) | Self::Between { low: x, .. } => Some(x),
            Self::AtMost(_) => None,
        }
    }

    /// Highest value; `None` for "at least".
    pub fn high(self) -> Option<Exact> {
        match self {
            Self::One(x) | Self::AtMost(x) | Self::Between { high: x, .. } => Some(x),
            Self::AtLeast(_) => None,
        }
    }

    /// The single value, if it is one.
    pub fn one(self) -> Option<Exact> {
        if let Self::One(x) = self { Some(x) } else { None }
    }

    /// Both ends changed by the same rising function; `None` when a number leaves the exact range.
    pub(super) fn each_end(self, f: impl Fn(Exact) -> Option<Exact>) -> Option<Self> {
        Some(match self {
            Self::One(x) => Self::One(f(x)?),
            Self::AtMost(x) => Self::AtMost(f(x)?),
            Self::AtLeast(x) => Self::AtLeast(f(x)?),
            Self::Between { low, high } => Self::between(f(low)?, f(high)?),
        })
    }

    /// As text, each end with at most `places` decimals.
    pub fn shown(self, places: u32) -> String {
        match self {
            Self::One(x) => x.short(places),
            Self::Between { low, high } => [low.short(places), high.short(places)].join("–"),
            Self::AtMost(x) => ["at most ", &x.short(places)].concat(),
            Self::AtLeast(x) => ["at least ", &x.short(places)].concat(),
        }
    }
}

/// How well the source of a number is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Mark {
    /// A text or table with the figure was read.
    TextSeen,
    /// Someone else's summary of the source was read.
    Secondary,
    /// No text was found; to be confirmed against the named source.
    FromMemory,
    /// Widely used, no published source known.
    CommonPractice,
    /// Arithmetic or first principles on other figures named in the citation.
    Derived,
}

impl Mark {
    /// The mark in words.
    pub const fn name(self) -> &'static str {
        match self {
            Self::TextSeen => "text seen",
            Self::Secondary => "text seen, secondary",
            Self::FromMemory => "from memory",
            Self::CommonPractice => "common practice, no source",
            Self::Derived => "derived",
        }
    }
}

/// Where an estimate comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Source {
    /// The citation.
    pub citation: &'static str,
    /// How well it is known.
    pub mark: Mark,
}

impl Source {
    pub(super) const fn new(mark: Mark, citation: &'static str) -> Self {
        Self { citation, mark }
    }
}

/// Whether the estimate holds for these inputs.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Validity {
    /// Every stated limit that the inputs can show is kept. The care setting is the reader's to judge.
    InDomain,
    /// There is a value, but a limit could not be checked. (which, and for want of what)
    Unchecked(String),
    /// A limit is not kept. With a value: to be read with that caution. Without: it would mean nothing.
    OutOfDomain(String),
    /// No value: these inputs are missing.
    MissingInput(Vec<&'static str>),
}

impl fmt::Display for Validity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::InDomain => f.write_str("in domain"),
            Self::Unchecked(what) => write!(f, "domain not fully checked: {what}"),
            Self::OutOfDomain(what) => write!(f, "out of domain: {what}"),
            Self::MissingInput(which) => write!(f, "missing: {}", which.join(", ")),
        }
    }
}

/// The value of an input as it went into a formula.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Given {
    /// A number, or a range where a date is partial.
    Number(Figure),
    /// A word, such as the sex.
    Word(&'static str),
}

/// One input used.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Input {
    /// Name.
    pub name: &'static str,
    /// Value.
    pub value: Given,
    /// UCUM code; empty for a word.
    pub unit: &'static str,
}

/// One requirement estimate.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Estimate {
    /// Stable name; unique together with `variant` and `kind`.
    pub id: &'static str,
    /// Which of several forms: an activity level, a weight basis, a width of range.
    pub variant: Option<&'static str>,
    /// Name for people.
    pub name: &'static str,
    /// What is estimated.
    pub kind: Kind,
    /// The formula with the numbers of the branch that was used, its age band in square brackets. W: weight, kg; H: height, cm;
    /// M: height, m; A: age, years; V: minute volume, L/min; T: highest temperature in 24 h, °C;
    /// R: Mifflin-St Jeor, kcal/d.
    pub formula: Cow<'static, str>,
    /// What went in.
    pub inputs: Vec<Input>,
    /// The result; `None` when it cannot or must not be given (see `validity`).
    pub result: Option<Figure>,
    /// UCUM code of the result.
    pub unit: &'static str,
    /// The same per kg of the weight the row is based on, where the source states it so.
    pub per_kg: Option<Figure>,
    /// A class that goes with the number, such as that of the body mass index.
    pub class: Option<&'static str>,
    /// Whom and what the source covers.
    pub domain: &'static str,
    /// The care setting it is meant for. It is stated, not checked.
    pub setting: Option<&'static str>,
    /// Whether it holds here.
    pub validity: Validity,
    /// Where it comes from.
    pub source: Source,
    /// Remarks that belong to the number.
    pub notes: Vec<Cow<'static, str>>,
}

impl Estimate {
    /// The name with its variant.
    pub fn title(&self) -> String {
        match self.variant {
            Some(variant) => format!("{}, {variant}", self.name),
            None => self.name.to_owned(),
        }
    }

    /// Whether there is a value and every limit that can be checked was checked and is kept.
    pub fn holds(&self) -> bool {
        self.result.is_some() && self.validity == Validity::InDomain
    }

    /// The result as an amount, in `unit`. "At most" reads as from zero.
    pub fn amount(&self) -> Amount {
        let spread = || Why::Spread(format!("{} is a range", self.title()));
        match (self.result, &self.validity) {
            (Some(Figure::One(x)), _) => Amount::Known(x),
            (Some(Figure::Between { low, high }), _) => Amount::between(low, high, spread()),
            (Some(Figure::AtMost(high)), _) => Amount::between(Exact::ZERO, high, spread()),
            (Some(Figure::AtLeast(low)), _) => Amount::at_least(low, vec![spread()]),
            (None, Validity::MissingInput(which)) => {
                Amount::Unknown(which.iter().map(|what| Why::MissingInput(what)).collect())
            }
            (None, other) => Amount::unknown(Why::OutOfDomain(other.to_string())),
        }
    }

    /// What share of the estimate an amount in the same unit is, in percent.
    pub fn percent_met(&self, delivered: &Amount) -> Amount {
        delivered.over(&self.amount(), "the estimate").scaled(Exact::int(100))
    }
}
