//! The person as the estimates see them: inputs checked once, and the working sheet of one estimate.

use super::estimate::{Estimate, Figure, Given, Input, Kind, Sex, Source, Validity};
use super::formula::{Letter, Span, Sum};
use super::{Inputs, Ventilation};
use crate::exact::Exact;
use std::borrow::Cow;

/// Days in a mean Julian year, as the age equations use it.
pub(super) const DAYS_PER_YEAR: Exact = Exact::decimal(36525, 2);
/// A twelfth of that.
pub(super) const DAYS_PER_MONTH: Exact = Exact::decimal(304375, 4);

/// What the inputs say about the age.
enum Age {
    Unknown,
    Impossible(String),
    Days(Span),
}

/// The inputs with what is worked out from them once.
pub(super) struct Person<'i> {
    inputs: &'i Inputs,
    age: Age,
}

impl<'i> Person<'i> {
    pub(super) fn new(inputs: &'i Inputs) -> Self {
        let age = match inputs.age_days {
            None => Age::Unknown,
            Some((low, high)) if low > high => Age::Impossible("the age range ends before it begins".to_owned()),
            Some((low, _)) if low.is_negative() => Age::Impossible("the age is below 0".to_owned()),
            Some((low, high)) => Age::Days(Span { low, high }),
        };
        Self { inputs, age }
    }

    pub(super) fn inputs(&self) -> &'i Inputs {
        self.inputs
    }

    /// Age in days, where it is known and possible.
    pub(super) fn days(&self) -> Option<Span> {
        if let Age::Days(span) = self.age { Some(span) } else { None }
    }

    /// Age in years.
    pub(super) fn years(&self) -> Option<Span> {
        self.days()?.over(DAYS_PER_YEAR)
    }

    /// Whether the age may reach `years`; true when it is not known.
    pub(super) fn may_reach(&self, years: Exact) -> bool {
        self.years().is_none_or(|age| age.high >= years)
    }

    /// Whether the age may lie below `years`; true when it is not known.
    pub(super) fn may_be_under(&self, years: Exact) -> bool {
        self.years().is_none_or(|age| age.low < years)
    }

    /// Gestational age at birth, weeks, where it is given and possible.
    pub(super) fn gestation(&self) -> Option<Exact> {
        self.inputs.gestational_weeks.filter(|weeks| gestation_fault(*weeks).is_none())
    }

    /// Birth weight, kg, where it is given and possible.
    pub(super) fn birth_weight(&self) -> Option<Exact> {
        self.inputs.birth_weight_kg.filter(|kg| birth_weight_fault(*kg).is_none())
    }

    /// Body mass index, kg/m2, exact.
    pub(super) fn body_mass_index(&self) -> Option<Exact> {
        let (weight, height) = (self.inputs.weight_kg?, self.inputs.height_cm?);
        if weight_fault(weight).is_some() || height_fault(height).is_some() {
            return None;
        }
        let metres = height.div(Exact::int(100))?;
        weight.div(metres.mul(metres)?)
    }
}

/// No one weighs this: the unit is wrong. (derived)
fn weight_fault(kg: Exact) -> Option<&'static str> {
    if !kg.is_positive() {
        Some("the weight is 0 or less")
    } else if kg > Exact::int(1000) {
        Some("a weight above 1000 kg is not in kilograms")
    } else {
        None
    }
}

/// No one measures this: the unit is wrong. (derived)
fn height_fault(cm: Exact) -> Option<&'static str> {
    if cm < Exact::int(20) {
        Some("a height below 20 is not in centimetres")
    } else if cm > Exact::int(300) {
        Some("a height above 300 is not in centimetres")
    } else {
        None
    }
}

fn birth_weight_fault(kg: Exact) -> Option<&'static str> {
    if !kg.is_positive() {
        Some("the birth weight is 0 or less")
    } else if kg > Exact::int(10) {
        Some("a birth weight above 10 is not in kilograms")
    } else {
        None
    }
}

fn gestation_fault(weeks: Exact) -> Option<&'static str> {
    (weeks < Exact::int(20) || weeks > Exact::int(45)).then_some("a gestational age outside 20 to 45 is not in weeks")
}

/// Which weight a per-kg figure is meant for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Basis {
    /// As measured.
    Actual,
    /// Devine.
    Ideal,
    /// Ideal plus a quarter of the excess.
    Adjusted25,
}

impl Basis {
    pub(super) const fn name(self) -> &'static str {
        match self {
            Self::Actual => "actual weight",
            Self::Ideal => "ideal weight (Devine)",
            Self::Adjusted25 => "adjusted weight (ideal + 0.25 of the excess)",
        }
    }
}

/// Bands of a quantity: from (included), to (excluded; `None` = no end), and what holds there.
pub(super) type Bands<T> = [(Exact, Option<Exact>, T)];

/// Which band a span lies in.
pub(super) enum Pick<'b, T> {
    /// Wholly inside the band from, to.
    In(Exact, Option<Exact>, &'b T),
    /// Across the edge between two.
    Across(Exact),
    /// Outside all of them.
    Outside,
}

pub(super) fn pick<T>(bands: &Bands<T>, span: Span) -> Pick<'_, T> {
    let holds = |x: Exact, from: Exact, to: Option<Exact>| x >= from && to.is_none_or(|to| x < to);
    for (from, to, what) in bands {
        match (holds(span.low, *from, *to), holds(span.high, *from, *to)) {
            (true, true) => return Pick::In(*from, *to, what),
            (true, false) => return Pick::Across(to.unwrap_or(*from)),
            (false, true) => return Pick::Across(*from),
            (false, false) => {}
        }
    }
    Pick::Outside
}

/// The fixed part of an estimate.
pub(super) struct Card {
    pub(super) id: &'static str,
    pub(super) name: &'static str,
    pub(super) kind: Kind,
    pub(super) unit: &'static str,
    pub(super) domain: &'static str,
    pub(super) source: Source,
}

/// The working sheet of one estimate: it notes every input asked for, every limit not kept, and why
/// there is no value.
pub(super) struct Sheet<'p> {
    person: &'p Person<'p>,
    estimate: Estimate,
    flags: Vec<String>,
    unchecked: Vec<String>,
    missing: Vec<&'static str>,
    refused: Option<String>,
    band: Option<String>,
}

/// An edge of an age band; parts of a year as months.
fn edge(at: Exact, unit: &str) -> String {
    match at.mul(Exact::int(12)) {
        Some(months) if unit == "years" && !at.is_whole() => format!("{} months", months.short(2)),
        _ if at == Exact::ONE => format!("1 {}", unit.trim_end_matches('s')),
        _ => format!("{} {unit}", at.short(2)),
    }
}

impl<'p> Sheet<'p> {
    pub(super) fn new(person: &'p Person<'p>, card: &Card) -> Self {
        Self {
            person,
            estimate: Estimate {
                id: card.id,
                variant: None,
                name: card.name,
                kind: card.kind,
                formula: Cow::Borrowed(""),
                inputs: Vec::new(),
                result: None,
                unit: card.unit,
                per_kg: None,
                class: None,
                domain: card.domain,
                setting: None,
                validity: Validity::InDomain,
                source: card.source,
                notes: Vec::new(),
            },
            flags: Vec::new(),
            unchecked: Vec::new(),
            missing: Vec::new(),
            refused: None,
            band: None,
        }
    }

    pub(super) fn person(&self) -> &'p Person<'p> {
        self.person
    }

    pub(super) fn variant(&mut self, variant: &'static str) {
        self.estimate.variant = Some(variant);
    }

    pub(super) fn setting(&mut self, setting: Option<&'static str>) {
        self.estimate.setting = setting;
    }

    pub(super) fn class(&mut self, class: &'static str) {
        self.estimate.class = Some(class);
    }

    pub(super) fn per_kg(&mut self, figure: Figure) {
        self.estimate.per_kg = Some(figure);
    }

    pub(super) fn formula(&mut self, text: impl Into<Cow<'static, str>>) {
        self.estimate.formula = text.into();
    }

    pub(super) fn note(&mut self, text: impl Into<Cow<'static, str>>) {
        self.estimate.notes.push(text.into());
    }

    /// A limit that is not kept; the value stands with the flag.
    pub(super) fn flag(&mut self, why: impl Into<String>) {
        self.flags.push(why.into());
    }

    /// A limit that could not be checked.
    pub(super) fn unchecked(&mut self, why: impl Into<String>) {
        self.unchecked.push(why.into());
    }

    /// No value may be given.
    pub(super) fn refuse(&mut self, why: impl Into<String>) {
        if self.refused.is_none() {
            self.refused = Some(why.into());
        }
    }

    pub(super) fn lacks(&mut self, what: &'static str) {
        if !self.missing.contains(&what) {
            self.missing.push(what);
        }
    }

    fn used(&mut self, name: &'static str, value: Given, unit: &'static str) {
        if !self.estimate.inputs.iter().any(|input| input.name == name) {
            self.estimate.inputs.push(Input { name, value, unit });
        }
    }

    fn number(
        &mut self,
        name: &'static str,
        value: Option<Exact>,
        unit: &'static str,
        fault: impl Fn(Exact) -> Option<&'static str>,
    ) -> Option<Exact> {
        let Some(value) = value else {
            self.lacks(name);
            return None;
        };
        self.used(name, Given::Number(Figure::One(value)), unit);
        if let Some(fault) = fault(value) {
            self.refuse(fault);
            return None;
        }
        Some(value)
    }

    pub(super) fn sex(&mut self) -> Option<Sex> {
        let Some(sex) = self.person.inputs.sex else {
            self.lacks("sex");
            return None;
        };
        self.used("sex", Given::Word(sex.name()), "");
        Some(sex)
    }

    /// Weight, kg.
    pub(super) fn weight(&mut self) -> Option<Exact> {
        self.number("weight", self.person.inputs.weight_kg, "kg", weight_fault)
    }

    /// Height or length, cm.
    pub(super) fn height(&mut self) -> Option<Exact> {
        self.number("height", self.person.inputs.height_cm, "cm", height_fault)
    }

    /// Birth weight, kg.
    pub(super) fn birth_weight(&mut self) -> Option<Exact> {
        self.number("birth weight", self.person.inputs.birth_weight_kg, "kg", birth_weight_fault)
    }

    /// Gestational age at birth, weeks.
    pub(super) fn gestation(&mut self) -> Option<Exact> {
        self.number("gestational age at birth", self.person.inputs.gestational_weeks, "wk", gestation_fault)
    }

    /// Measured energy expenditure, kcal/d.
    pub(super) fn measured_energy(&mut self) -> Option<Exact> {
        self.number("measured energy expenditure", self.person.inputs.measured_energy_kcal, "kcal/d", |kcal| {
            (!kcal.is_positive()).then_some("the measured expenditure is 0 or less")
        })
    }

    fn ventilation(&self) -> Ventilation {
        self.person.inputs.ventilated.unwrap_or_default()
    }

    fn minute_volume(&mut self) -> Option<Exact> {
        self.number("minute volume", self.ventilation().minute_volume_l, "L/min", |litres| {
            if !litres.is_positive() {
                Some("the minute volume is 0 or less")
            } else if litres > Exact::int(100) {
                Some("a minute volume above 100 is not in litres")
            } else {
                None
            }
        })
    }

    fn temperature(&mut self) -> Option<Exact> {
        self.number("highest temperature in 24 h", self.ventilation().tmax_c, "Cel", |celsius| {
            (celsius < Exact::int(25) || celsius > Exact::int(45))
                .then_some("a temperature outside 25 to 45 is not a body temperature in °C")
        })
    }

    fn age(&mut self, per: Exact, unit: &'static str) -> Option<Span> {
        match &self.person.age {
            Age::Unknown => {
                self.lacks("age");
                None
            }
            Age::Impossible(why) => {
                self.refuse(why.clone());
                None
            }
            Age::Days(days) => {
                let span = days.over(per)?;
                self.used("age", Given::Number(span.figure()), unit);
                Some(span)
            }
        }
    }

    /// Age, days.
    pub(super) fn age_days(&mut self) -> Option<Span> {
        self.age(Exact::ONE, "d")
    }

    /// Age, years.
    pub(super) fn age_years(&mut self) -> Option<Span> {
        self.age(DAYS_PER_YEAR, "a")
    }

    /// Age, months.
    pub(super) fn age_months(&mut self) -> Option<Span> {
        self.age(DAYS_PER_MONTH, "mo")
    }

    /// Flags an age outside `from` (included) to `to` (excluded), years.
    pub(super) fn ages(&mut self, from: i64, to: Option<i64>) {
        let Some(age) = self.age_years() else { return };
        if age.low < Exact::int(from) {
            self.flag(format!("age {} years, domain from {from}", age.shown()));
        }
        if let Some(to) = to
            && age.high >= Exact::int(to)
        {
            self.flag(format!("age {} years, domain up to {} completed years", age.shown(), to - 1));
        }
    }

    /// Flags a body mass index for which `inside` does not hold; says so where it cannot be known.
    pub(super) fn body_mass_index(&mut self, inside: impl Fn(Exact) -> bool, domain: &str) {
        match self.person.body_mass_index() {
            Some(bmi) => {
                self.used("body mass index", Given::Number(Figure::One(bmi)), "kg/m2");
                if !inside(bmi) {
                    self.flag(format!("body mass index {}, domain {domain}", bmi.short(1)));
                }
            }
            None => {
                let lacks = match (self.person.inputs.weight_kg, self.person.inputs.height_cm) {
                    (None, None) => "weight and height are",
                    (None, Some(_)) => "weight is",
                    (Some(_), None) => "height is",
                    _ => "a usable weight or height is",
                };
                self.unchecked(["body mass index ", domain, " (", lacks, " missing)"].concat());
            }
        }
    }

    /// The band an age lies in; refuses where it lies across an edge or outside all.
    pub(super) fn band<'b, T>(&mut self, bands: &'b Bands<T>, age: Span, unit: &str) -> Option<&'b T> {
        match pick(bands, age) {
            Pick::In(from, to, what) => {
                self.band = Some(match to {
                    Some(to) => format!("{} to below {}", edge(from, unit), edge(to, unit)),
                    None => format!("from {}", edge(from, unit)),
                });
                Some(what)
            }
            Pick::Across(edge) => {
                self.refuse(format!(
                    "the birth date leaves an age of {} {unit}, across the limit at {} {unit}",
                    age.shown(),
                    edge.short(2)
                ));
                None
            }
            Pick::Outside => {
                self.refuse(format!("age {} {unit} is outside every band of the source", age.shown()));
                None
            }
        }
    }

    /// The weight that a per-kg figure is meant for, kg.
    pub(super) fn weight_on(&mut self, basis: Basis) -> Option<Exact> {
        match basis {
            Basis::Actual => self.weight(),
            Basis::Ideal => self.ideal_weight(),
            Basis::Adjusted25 => {
                let (actual, ideal) = (self.weight(), self.ideal_weight());
                self.adjusted_weight(actual?, ideal?, Exact::ratio(1, 4))
            }
        }
    }

    /// Devine, kg, flagged below 152.4 cm.
    pub(super) fn ideal_weight(&mut self) -> Option<Exact> {
        let (sex, height) = (self.sex(), self.height());
        let (sex, height) = (sex?, height?);
        self.tall_enough(height);
        let base = match sex {
            Sex::Male => Exact::int(50),
            Sex::Female => Exact::decimal(455, 1),
        };
        self.over_sixty_inches(base, Exact::decimal(23, 1), height)
    }

    /// Flags a height below 60 in, under which these formulas extrapolate badly.
    pub(super) fn tall_enough(&mut self, height: Exact) {
        if height < Exact::decimal(1524, 1) {
            self.flag(format!("height {} cm, ideal weight is not defined below 152.4 cm", height.short(1)));
        }
    }

    /// `base + per_inch × (inches − 60)`; refuses a result of 0 or less.
    pub(super) fn over_sixty_inches(&mut self, base: Exact, per_inch: Exact, height_cm: Exact) -> Option<Exact> {
        let over = height_cm.div(Exact::decimal(254, 2))?.sub(Exact::int(60))?;
        let ideal = base.add(per_inch.mul(over)?)?;
        if !ideal.is_positive() {
            self.refuse("the formula gives a weight of 0 or less");
            return None;
        }
        Some(ideal)
    }

    /// `ideal + factor × (actual − ideal)`, flagged unless actual > 120 % of ideal or body mass index ≥ 30.
    pub(super) fn adjusted_weight(&mut self, actual: Exact, ideal: Exact, factor: Exact) -> Option<Exact> {
        let above = actual > ideal.mul(Exact::decimal(12, 1))?;
        let obese = self.person.body_mass_index().is_some_and(|bmi| bmi >= Exact::int(30));
        if !above && !obese {
            self.flag("weight not above 120 % of ideal and body mass index below 30: no adjustment is meant");
        }
        ideal.add(factor.mul(actual.sub(ideal)?)?)
    }

    /// Works out a sum, asking for each input its letters name.
    pub(super) fn work_out(&mut self, text: &str) -> Option<Span> {
        let Some(sum) = Sum::read(text) else {
            self.refuse("the formula cannot be read");
            return None;
        };
        // Every input is asked for before the first gap ends the work, so that all gaps are named.
        let values: Vec<Option<Span>> =
            sum.terms().iter().map(|(factor, letter)| self.term(*factor, *letter)).collect();
        let mut total = Span::at(Exact::ZERO);
        for value in values {
            total = total.add(value?)?;
        }
        Some(total)
    }

    fn term(&mut self, factor: Exact, letter: Option<Letter>) -> Option<Span> {
        let value = match letter {
            None => Some(Span::at(Exact::ONE)),
            Some(Letter::Weight) => self.weight().map(Span::at),
            Some(Letter::Centimetres) => self.height().map(Span::at),
            Some(Letter::Metres) => self.height().and_then(|cm| cm.div(Exact::int(100))).map(Span::at),
            Some(Letter::Age) => self.age_years(),
            Some(Letter::MinuteVolume) => self.minute_volume().map(Span::at),
            Some(Letter::Temperature) => self.temperature().map(Span::at),
            Some(Letter::Resting) => match self.sex() {
                Some(sex) => self.work_out(super::adult::mifflin_st_jeor(sex)),
                None => {
                    // Named now, so that the list of gaps is complete.
                    let _ = (self.weight(), self.height(), self.age_years());
                    None
                }
            },
        };
        value?.times(factor)
    }

    /// Notes which of these are missing, without computing.
    pub(super) fn wants(&mut self, sex: bool, weight: bool, height: bool) {
        if sex {
            let _ = self.sex();
        }
        if weight {
            let _ = self.weight();
        }
        if height {
            let _ = self.height();
        }
    }

    /// The finished estimate of an amount that must be above 0.
    pub(super) fn amount(mut self, value: Option<Span>) -> Estimate {
        if let Some(span) = value
            && !span.low.is_positive()
        {
            self.refuse(format!("the equation gives {} for these inputs", span.shown()));
        }
        self.done(value.map(Span::figure))
    }

    /// The finished estimate.
    pub(super) fn done(mut self, result: Option<Figure>) -> Estimate {
        let estimate = &mut self.estimate;
        if let Some(mut why) = self.refused {
            if !self.missing.is_empty() {
                why = format!("{why}; also missing: {}", self.missing.join(", "));
            }
            estimate.validity = Validity::OutOfDomain(why);
        } else if !self.missing.is_empty() {
            estimate.validity = Validity::MissingInput(self.missing);
        } else if result.is_none() {
            estimate.validity = Validity::OutOfDomain("the number is outside the range of exact arithmetic".to_owned());
        } else {
            estimate.result = result;
            if let Some(band) = self.band {
                estimate.formula = format!("{} [{band}]", estimate.formula).into();
            }
            if !self.flags.is_empty() {
                self.flags.extend(self.unchecked.iter().map(|what| format!("not checked: {what}")));
                self.flags.dedup();
                estimate.validity = Validity::OutOfDomain(self.flags.join("; "));
            } else if !self.unchecked.is_empty() {
                estimate.validity = Validity::Unchecked(self.unchecked.join("; "));
            }
        }
        self.estimate
    }
}
