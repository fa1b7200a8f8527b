//! The institution's rulebook: limits as data. Files become a [`Rulebook`] (`file`, `merge`), their
//! expressions are checked against the list of facts and lowered (`expression`), facts are taken from one
//! order's case (`facts`), and limits are judged on three truth values (`judge`). Pure: texts come in, findings
//! go out.

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

pub mod case;
mod context;
mod correction;
pub mod expression;
pub mod facts;
pub mod file;
mod infusions;
pub mod judge;
pub mod lapse;
mod merge;
mod named;
pub mod schema;
pub mod short_form;
pub mod value;

use crate::findings::{Rule, Tier};
use expression::{Expression, Named, Template};
use jiff::civil::Date;
use value::Scaled;

/// A rulebook ready to judge with.
#[derive(Clone, Debug, Default)]
pub struct Rulebook {
    /// Its name, as answers give it.
    pub label: String,
    /// Its edition.
    pub edition: String,
    /// Who adopted it and when; `None`: the institution has not.
    pub adopted: Option<Adopted>,
    /// First 16 hexadecimal digits of a SHA-256 over every file that made it.
    pub hash: String,
    /// Limits, in the order of the files.
    pub limits: Vec<Limit>,
    /// Rules of the program that are switched off.
    pub off: Vec<Off>,
    /// What codes of context mean.
    pub concepts: Vec<Concept>,
    /// How old context may be.
    pub staleness: Vec<Staleness>,
    /// Pumps, the first whose condition holds.
    pub pumps: Vec<Pump>,
    /// Rules that cannot be computed from what a sender could send, with what they wait for.
    pub waiting: Vec<Waiting>,
    /// What is not wrong and should be seen to, with its place.
    pub warnings: Vec<file::RulebookProblem>,
    /// Keys of limits with their values and places.
    effective: Vec<Effective>,
    /// For each limit those of the same name and a higher priority, which take its place where their scope holds.
    rivals: Vec<Vec<usize>>,
    /// How many conditions stand in more than one place.
    shared: usize,
}

/// A book without limits.
pub static NONE: std::sync::LazyLock<Rulebook> = std::sync::LazyLock::new(Rulebook::default);

impl Rulebook {
    /// Whether there is nothing in it to judge with.
    pub fn is_empty(&self) -> bool {
        self.limits.is_empty() && self.waiting.is_empty()
    }

    /// The same book, ready to judge: rivals and conditions of several limits found, and what each check compares
    /// written out, once.
    fn prepared(mut self) -> Self {
        self.shared = expression::shared::number(self.limits.iter_mut().flat_map(Limit::conditions));
        for limit in &mut self.limits {
            let compared: Vec<_> = limit.checks.iter().map(|check| judge::arithmetic(limit, check)).collect();
            for (nth, (check, compared)) in limit.checks.iter_mut().zip(compared).enumerate() {
                (check.nth, check.compared) = (nth, compared);
                check.of = judge::Of::what(check);
            }
        }
        let rivals_of = |limit: &Limit| {
            let others = self.limits.iter().enumerate().filter(|(_, other)| {
                other.rule.name == limit.rule.name
                    && other.rule.id != limit.rule.id
                    && other.priority > limit.priority
                    // In shadow a limit has no effect, so it takes nobody's place.
                    && !matches!(other.mode, Mode::Off | Mode::Shadow)
            });
            others.map(|(ix, _)| ix).collect()
        };
        self.rivals = self.limits.iter().map(rivals_of).collect();
        self
    }

    /// The same book without a limit.
    #[must_use]
    pub fn without(&self, id: &str) -> Self {
        let mut rest = self.clone();
        rest.limits.retain(|limit| limit.rule.id != id);
        rest.prepared()
    }

    /// Per limit and key the value in effect and where it comes from, in the order of the limits.
    pub fn effective(&self) -> &[Effective] {
        &self.effective
    }
}

/// A key of a limit, its value in effect and where it comes from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Effective {
    /// Id of the limit.
    pub limit: String,
    /// Key, e.g. `tier`, `parameters.adult`, `scope.age`.
    pub key: String,
    /// Value on one line.
    pub value: String,
    /// File and line.
    pub place: String,
    /// What it replaces: value, file and line, the oldest first.
    pub replaced: Vec<(String, String)>,
    /// Who decided it and why, where an override gives it.
    pub decided: Option<(String, String)>,
    /// The value with its structure.
    pub json: serde_json::Value,
}

/// Adoption by the institution.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Adopted {
    /// Body or person.
    pub by: String,
    /// Day.
    pub on: Date,
}

/// A rule switched off, visibly.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Off {
    /// Id of the rule.
    pub rule: String,
    /// Who.
    pub by: String,
    /// Why.
    pub why: String,
    /// Last day.
    pub until: Date,
    /// File and line.
    pub place: String,
}

/// Kind of context a concept belongs to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[allow(missing_docs, reason = "plain names")]
pub enum ConceptKind {
    Condition,
    Allergy,
    Medicine,
    Setting,
    /// An order that nothing is to be given by mouth or tube.
    Hold,
    /// A kind of device: a tube.
    Device,
    /// A dose form of medicines.
    DoseForm,
    /// What was done with the patient.
    Procedure,
    /// A way of eating, or a food that is left out.
    Diet,
}

/// What codes mean: a key for expressions and the codes that stand for it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Concept {
    /// Kind.
    pub kind: ConceptKind,
    /// Key, e.g. `chronic-kidney-disease`.
    pub key: String,
    /// For people.
    pub title: String,
    /// (system, code)
    pub codes: Vec<(String, String)>,
    /// File and line of each place that adds to it.
    pub places: Vec<String>,
}

/// How old a fact may be before it counts as missing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Staleness {
    /// Name of the fact.
    pub fact: String,
    /// s.
    pub seconds: crate::exact::Exact,
    /// As the file writes it.
    pub written: String,
    /// File and line.
    pub place: String,
}

/// What a pump can be set to.
#[derive(Clone, Debug)]
pub struct Pump {
    /// For people.
    pub title: String,
    /// When it is the one in use.
    pub when: Expression,
    /// Lowest, highest rate and its step, mL/h.
    pub rate: [crate::exact::Exact; 3],
    /// Step of the volume, mL.
    pub volume_step: crate::exact::Exact,
    /// File and line.
    pub place: String,
}

/// A rule that stays listed and cannot be evaluated.
#[derive(Clone, Debug)]
pub struct Waiting {
    /// The rule.
    pub rule: Rule,
    /// Why, and the data it waits for.
    pub why: String,
}

/// How far a limit's findings go.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mode {
    /// Not judged.
    Off,
    /// Judged and recorded apart; shown to nobody at work.
    Shadow,
    /// To the queue.
    Queue,
    /// To the prescriber as well.
    Card,
}

impl Mode {
    /// Its word in files.
    pub const fn word(self) -> &'static str {
        match self {
            Mode::Off => "off",
            Mode::Shadow => "shadow",
            Mode::Queue => "queue",
            Mode::Card => "card",
        }
    }
}

/// Who can act on a finding.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
#[allow(missing_docs, reason = "plain names")]
pub enum Audience {
    Prescriber,
    Dietitian,
    Pharmacist,
    Nurse,
}

impl Audience {
    /// Its word in files and for people.
    pub const fn word(self) -> &'static str {
        match self {
            Audience::Prescriber => "prescriber",
            Audience::Dietitian => "dietitian",
            Audience::Pharmacist => "pharmacist",
            Audience::Nurse => "nurse",
        }
    }
}

/// How well a limit's figures are known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Evidence {
    /// The source's own text was read.
    TextSeen,
    /// Quoted by another text that was read.
    Secondary,
    /// Follows from definitions or arithmetic.
    Derived,
    /// Common practice, no source.
    CommonPractice,
    /// From memory, to be confirmed.
    FromMemory,
}

impl Evidence {
    /// The mark as people read it.
    pub const fn mark(self) -> &'static str {
        match self {
            Evidence::TextSeen => "text seen",
            Evidence::Secondary => "secondary",
            Evidence::Derived => "derived",
            Evidence::CommonPractice => "common practice, no source",
            Evidence::FromMemory => "from memory, to be confirmed",
        }
    }
}

/// A limit: data, not code.
#[derive(Clone, Debug)]
pub struct Limit {
    /// Id, name, title, tier, source.
    pub rule: Rule,
    /// How far its findings go.
    pub mode: Mode,
    /// Who can act.
    pub audience: Vec<Audience>,
    /// How well the figures are known.
    pub evidence: Evidence,
    /// Who answers for it.
    pub owner: String,
    /// What to know about it.
    pub note: String,
    /// What changed, newest first.
    pub changes: Vec<String>,
    /// Reasons a person may give for going on all the same.
    pub override_reasons: Vec<String>,
    /// First day.
    pub from: Option<Date>,
    /// Last day.
    pub to: Option<Date>,
    /// Among limits of the same name, the highest priority whose scope holds is the one that counts.
    pub priority: i32,
    /// What a grave finding of it puts in doubt: findings of other limits that rest on that are its consequences.
    pub doubts: Option<Ground>,
    /// Where it applies; an absent part does not restrict.
    pub scope: Option<Expression>,
    /// The scope in words.
    pub scope_text: String,
    /// Named amounts.
    pub parameters: Vec<Parameter>,
    /// Parts of its expressions that have a name, its own and those of every limit that it uses, by name.
    pub terms: Vec<Named>,
    /// Parts of its sentences that have a name, in the same way.
    pub phrases: Vec<Named>,
    /// What is checked, in turn; the gravest finding counts, one finding per limit.
    pub checks: Vec<Check>,
    /// Its own tests.
    pub tests: Vec<Test>,
    /// File and line where it stands, and those that override parts of it.
    pub places: Vec<String>,
    /// What overrides parts of it, in the order of the files.
    pub overridden: Vec<Overridden>,
}

/// An override as it was decided.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Overridden {
    /// File and line.
    pub place: String,
    /// Who decided it.
    pub by: String,
    /// Why.
    pub why: String,
    /// The keys that it replaces, e.g. `mode`, `parameters.adult`.
    pub keys: Vec<String>,
}

impl Limit {
    /// Whether a finding of a tier goes on the prescriber's card: what could do serious harm does from the queue as well, as it
    /// is to be seen before the order is signed.
    pub fn is_for_card(&self, tier: Tier) -> bool {
        let mode = match self.mode {
            Mode::Card => true,
            Mode::Queue => tier >= Tier::High,
            Mode::Off | Mode::Shadow => false,
        };
        mode && self.audience.contains(&Audience::Prescriber)
    }

    /// The mildest and the gravest tier of its findings; the limit's own is that of checks which state none.
    pub fn tiers(&self) -> (Tier, Tier) {
        let of = |end: fn(Tier, Tier) -> Tier| self.checks.iter().map(|c| c.tier).reduce(end).unwrap_or(self.rule.tier);
        (of(Tier::min), of(Tier::max))
    }

    /// What is asked before anything is found: where it applies, when each check does, and conditions that are one.
    fn conditions(&mut self) -> impl Iterator<Item = &mut Expression> {
        let checks = self.checks.iter_mut().flat_map(|check| {
            let when = if let Bound::When(condition) = &mut check.bound { Some(condition) } else { None };
            check.when.iter_mut().chain(when)
        });
        self.scope.iter_mut().chain(checks)
    }
}

/// What findings rest on and another finding may put in doubt.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ground {
    /// Amounts of the order: volume, energy, nutrients.
    Amount,
    /// The weight.
    Weight,
    /// The height.
    Height,
}

/// A named amount of a limit.
#[derive(Clone, Debug)]
pub struct Parameter {
    /// Name.
    pub name: String,
    /// Value as written.
    pub value: crate::exact::Exact,
    /// UCUM code.
    pub unit: String,
}

/// Which side of the bound is the wrong one.
#[derive(Clone, Debug)]
pub enum Bound {
    /// Flagged when the measure is greater.
    Above(Expression),
    /// Flagged when the measure is smaller.
    Below(Expression),
    /// No measure: flagged when this holds.
    When(Expression),
}

/// One comparison of a limit.
#[derive(Clone, Debug)]
pub struct Check {
    /// Tier of its finding.
    pub tier: Tier,
    /// Only then.
    pub when: Option<Expression>,
    /// What is compared.
    pub measure: Option<Expression>,
    /// With what.
    pub bound: Bound,
    /// What is said.
    pub text: Template,
    /// What is offered.
    pub fix: Option<Template>,
    /// Parts of expressions whose meaning is the check's own.
    pub terms: Vec<Named>,
    /// By what the order that is offered instead gives more or less.
    pub scale: Option<(Scaled, Expression)>,
    /// Measure and bound as the rulebook writes them, with the parameters' values; written by the book itself.
    compared: Option<String>,
    /// Its place among the limit's checks, from 0; counted by the book itself.
    nth: usize,
    /// Whether it compares what a whole day gives, and whether it is one of a feed; seen by the book itself.
    of: judge::Of,
}

impl Check {
    /// How the order that is offered instead differs, for people, with the factor as the rulebook writes it.
    pub fn offers_instead(&self) -> Option<String> {
        self.scale.as_ref().map(|(what, by)| {
            let what = if *what == Scaled::Feed { "feed" } else { "flush" };
            format!("the same order with its {what} times {}", by.text)
        })
    }
}

/// What one of a limit's tests expects.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[allow(missing_docs, reason = "plain names")]
pub enum Expected {
    Flagged,
    Clear,
    NotEvaluated,
    NotProvided,
    NotApplicable,
}

/// Which of the four cases a test stands for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[allow(missing_docs, reason = "plain names")]
pub enum TestKind {
    Flag,
    Pass,
    Boundary,
    Missing,
}

/// A limit's own test: an order in short form and what is expected.
#[derive(Clone, Debug)]
pub struct Test {
    /// What it shows.
    pub title: String,
    /// Which case.
    pub kind: TestKind,
    /// What the limit must come to.
    pub expect: Expected,
    /// Tier expected of the finding.
    pub tier: Option<Tier>,
    /// The order in short form (`docs/rulebook.md`), as read from the file.
    pub given: toml::Table,
    /// File and line.
    pub place: String,
}
