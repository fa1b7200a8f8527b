//! The canonical order: one shape for R4, R4B and R5, with the place kept of every value read.
//!
//! Texts borrow from the document they were read from. [`At`] is a node of that document; its FHIRPath,
//! line and column are worked out from it only when something is reported.

use crate::exact::{Decimal, Exact};
use std::borrow::Cow;

/// A text borrowed from the document (owned only where JSON escapes had to be undone).
pub type Text<'d> = Cow<'d, str>;

/// A place in the document: the index of a node of [`crate::intake::json::Document`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct At(pub u32);

/// FHIR versions that are read.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum FhirVersion {
    /// 4.0.1
    R4,
    /// 4.3.0
    R4B,
    /// 5.0.0
    R5,
}

impl FhirVersion {
    /// All versions, in order.
    pub const ALL: [Self; 3] = [Self::R4, Self::R4B, Self::R5];

    /// `R4`, `R4B` or `R5`.
    pub const fn name(self) -> &'static str {
        match self {
            Self::R4 => "R4",
            Self::R4B => "R4B",
            Self::R5 => "R5",
        }
    }

    /// The full version number, as in `CapabilityStatement.fhirVersion`.
    pub const fn number(self) -> &'static str {
        match self {
            Self::R4 => "4.0.1",
            Self::R4B => "4.3.0",
            Self::R5 => "5.0.0",
        }
    }

    /// The version as in the MIME parameter `fhirVersion`.
    pub const fn mime(self) -> &'static str {
        match self {
            Self::R4 => "4.0",
            Self::R4B => "4.3",
            Self::R5 => "5.0",
        }
    }
}

/// A name of the input, which answers repeat often: up to 120 characters of it.
pub(crate) fn cut(name: &str) -> String {
    const MOST: usize = 120;
    let name = name.trim();
    match name.char_indices().nth(MOST).and_then(|(end, _)| name.get(..end)) {
        Some(first) => format!("{first}…"),
        None => name.to_owned(),
    }
}

/// A value with its place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Sourced<T> {
    /// The value.
    pub value: T,
    /// Where it stands.
    pub at: At,
}

/// What an element holds. Missing is not zero and not absent.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Field<'d, T> {
    /// A value.
    Present(Sourced<T>),
    /// The element is not there.
    Absent,
    /// The element is there without a value: a data-absent-reason or another primitive extension.
    Missing {
        /// Where.
        at: At,
        /// The reason given, e.g. `unknown`, or the extension's url.
        reason: Text<'d>,
    },
    /// The element is there and cannot be read; the problem list says why.
    Unreadable {
        /// Where.
        at: At,
    },
}

impl<'d, T> Field<'d, T> {
    /// The value, if present.
    pub fn value(&self) -> Option<&T> {
        if let Field::Present(s) = self { Some(&s.value) } else { None }
    }

    /// The place of the element, value or not.
    pub fn at(&self) -> Option<At> {
        match self {
            Field::Present(s) => Some(s.at),
            Field::Missing { at, .. } | Field::Unreadable { at } => Some(*at),
            Field::Absent => None,
        }
    }

    /// Whether the element is not there at all.
    pub fn is_absent(&self) -> bool {
        matches!(self, Field::Absent)
    }
}

/// A FHIR Quantity as written. Nothing is converted here; see [`crate::units`].
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Quantity<'d> {
    /// The number.
    pub value: Field<'d, Decimal>,
    /// `<`, `<=`, `>=`, `>`, `ad`: a quantity with one is not an amount.
    pub comparator: Option<Text<'d>>,
    /// Display unit.
    pub unit: Option<Text<'d>>,
    /// Unit system.
    pub system: Option<Text<'d>>,
    /// Unit code.
    pub code: Option<Text<'d>>,
}

/// A FHIR Ratio.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Ratio<'d> {
    /// Numerator.
    pub numerator: Field<'d, Quantity<'d>>,
    /// Denominator.
    pub denominator: Field<'d, Quantity<'d>>,
}

/// One coding.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Coding<'d> {
    /// Code system.
    pub system: Option<Text<'d>>,
    /// Code.
    pub code: Option<Text<'d>>,
    /// Display.
    pub display: Option<Text<'d>>,
    /// Where.
    pub at: At,
}

/// A CodeableConcept, or the concept of a CodeableReference.
#[derive(Clone, Debug, PartialEq, Eq, Default)]
pub struct Concept<'d> {
    /// Codings in document order.
    pub codings: Vec<Coding<'d>>,
    /// Text.
    pub text: Option<Text<'d>>,
}

impl Concept<'_> {
    /// The name to show people: text, then a display, then a code.
    pub fn label(&self) -> Option<&str> {
        let named = |c: &'_ Coding<'_>| c.display.is_some() || c.code.is_some();
        let coding = || self.codings.iter().find(|c| named(c)).and_then(|c| c.display.as_deref().or(c.code.as_deref()));
        self.text.as_deref().or_else(coding).map(str::trim)
    }
}

/// A reference, with what it resolved to inside the same document.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reference<'d> {
    /// `Reference.reference`.
    pub reference: Option<Text<'d>>,
    /// `Reference.display`.
    pub display: Option<Text<'d>>,
    /// `Reference.identifier.system` and `.value`.
    pub identifier: Option<(Option<Text<'d>>, Option<Text<'d>>)>,
    /// The resource it points to, when that is in this document.
    pub resolved: Option<At>,
}

/// A date or date-time in FHIR's partial forms.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum When {
    /// `YYYY`
    Year(i16),
    /// `YYYY-MM`
    Month(i16, i8),
    /// `YYYY-MM-DD`
    Day(i16, i8, i8),
    /// A clock time with a zone: seconds since 1970-01-01T00:00:00Z (exact, with fractions), and the
    /// offset written, in seconds.
    Instant {
        /// Seconds since the epoch.
        epoch: Exact,
        /// Offset from UTC as written, seconds.
        offset: i32,
    },
}

/// `request-status`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[allow(missing_docs, reason = "the value set's own names")]
pub enum Status {
    Draft,
    Active,
    OnHold,
    Revoked,
    Completed,
    EnteredInError,
    Unknown,
}

/// `request-intent`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[allow(missing_docs, reason = "the value set's own names")]
pub enum Intent {
    Proposal,
    Plan,
    Directive,
    Order,
    OriginalOrder,
    ReflexOrder,
    FillerOrder,
    InstanceOrder,
    Option,
}

/// `units-of-time`. Months and years are read and never computed with: they have no fixed length.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[allow(missing_docs, reason = "the value set's own names")]
pub enum TimeUnit {
    Second,
    Minute,
    Hour,
    Day,
    Week,
    Month,
    Year,
}

impl TimeUnit {
    /// Seconds in one unit; `None` for months and years.
    pub const fn seconds(self) -> Option<i64> {
        match self {
            Self::Second => Some(1),
            Self::Minute => Some(60),
            Self::Hour => Some(3_600),
            Self::Day => Some(86_400),
            Self::Week => Some(604_800),
            Self::Month | Self::Year => None,
        }
    }
}

/// `Timing.repeat.bounds[x]`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Bounds<'d> {
    /// `boundsPeriod`
    Period {
        /// Start.
        start: Field<'d, When>,
        /// End.
        end: Field<'d, When>,
    },
    /// `boundsDuration`
    Duration(Quantity<'d>),
    /// `boundsRange`
    Range {
        /// Shortest.
        low: Field<'d, Quantity<'d>>,
        /// Longest.
        high: Field<'d, Quantity<'d>>,
    },
}

/// `Timing.repeat`.
#[derive(Clone, Debug, PartialEq, Eq)]
#[allow(missing_docs, reason = "FHIR's own element names")]
pub struct Repeat<'d> {
    pub at: At,
    pub bounds: Field<'d, Bounds<'d>>,
    pub count: Field<'d, Decimal>,
    pub count_max: Field<'d, Decimal>,
    pub duration: Field<'d, Decimal>,
    pub duration_max: Field<'d, Decimal>,
    pub duration_unit: Field<'d, TimeUnit>,
    pub frequency: Field<'d, Decimal>,
    pub frequency_max: Field<'d, Decimal>,
    pub period: Field<'d, Decimal>,
    pub period_max: Field<'d, Decimal>,
    pub period_unit: Field<'d, TimeUnit>,
    /// Monday is 1, Sunday 7.
    pub day_of_week: Vec<Sourced<u8>>,
    /// Seconds since local midnight.
    pub time_of_day: Vec<Sourced<u32>>,
    /// Event-timing codes as written.
    pub when: Vec<Sourced<Text<'d>>>,
    /// Minutes from the event of `when`.
    pub offset: Field<'d, Decimal>,
}

/// A Timing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Timing<'d> {
    /// Where.
    pub at: At,
    /// `event`
    pub events: Vec<Sourced<When>>,
    /// `repeat`
    pub repeat: Option<Repeat<'d>>,
    /// `code`, with its place.
    pub code: Option<Sourced<Concept<'d>>>,
    /// Parts that are there and could not be read, or have no value (an event, a weekday, a clock time, …).
    /// Lists above then lack them, so the timing as a whole is not known, whatever else it says.
    pub unreadable: Vec<At>,
}

/// `rate[x]`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Rate<'d> {
    /// `rateQuantity`
    Quantity(Quantity<'d>),
    /// `rateRatio`
    Ratio(Ratio<'d>),
}

/// One `administration`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Administration<'d> {
    /// Where.
    pub at: At,
    /// The timings: at most one in R4, any number in R5 (their union).
    pub timings: Vec<Timing<'d>>,
    /// R5 `asNeeded` true, or an `asNeededFor`.
    pub as_needed: Option<At>,
    /// Volume per occurrence.
    pub quantity: Field<'d, Quantity<'d>>,
    /// Rate.
    pub rate: Field<'d, Rate<'d>>,
    /// A second `rate[x]` of the other type was also given (structurally wrong; kept to be reported).
    pub other_rate: Option<At>,
    /// The administration-product extension: this entry gives another product (such as water).
    pub product: Option<ProductRef<'d>>,
}

/// How a formula, additive or flush names its product.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ProductRef<'d> {
    /// Where (the element that names it).
    pub at: At,
    /// Coded type.
    pub concept: Concept<'d>,
    /// Product name, with its place.
    pub name: Option<Sourced<Text<'d>>>,
    /// R5: reference to a NutritionProduct.
    pub reference: Option<Reference<'d>>,
}

impl ProductRef<'_> {
    /// The name to show people: product name, then text, then a display, then a code.
    pub fn label(&self) -> String {
        if let Some(name) = &self.name {
            return cut(&name.value);
        }
        if let Some(text) = &self.concept.text {
            return cut(text);
        }
        for coding in &self.concept.codings {
            if let Some(display) = coding.display.as_ref().or(coding.code.as_ref()) {
                return cut(display);
            }
        }
        if let Some(shown) = self.reference.as_ref().and_then(|r| r.display.as_ref().or(r.reference.as_ref())) {
            return cut(shown);
        }
        "formula without a name".to_owned()
    }
}

/// An additive or modular.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Additive<'d> {
    /// Where.
    pub at: At,
    /// What.
    pub product: ProductRef<'d>,
    /// Amount: R5 `additive.quantity`, or the additive-dose extension.
    pub quantity: Field<'d, Quantity<'d>>,
    /// What the amount is per, from the additive-dose extension: `day`, `feed` or `volume`.
    pub per: Option<Sourced<Text<'d>>>,
}

/// A water flush from the water-flush extension.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Flush<'d> {
    /// Where.
    pub at: At,
    /// The fluid; `None` means water.
    pub fluid: Option<ProductRef<'d>>,
    /// Volume of one flush.
    pub volume: Field<'d, Quantity<'d>>,
    /// Own schedule.
    pub schedule: Option<Timing<'d>>,
    /// `before`, `after` or `before-and-after` each feed.
    pub with_each_feed: Option<Sourced<Text<'d>>>,
}

/// `enteralFormula`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct EnteralFormula<'d> {
    /// Where.
    pub at: At,
    /// `baseFormulaType` and `baseFormulaProductName`; `None` when neither is there.
    pub base: Option<ProductRef<'d>>,
    /// `caloricDensity`
    pub density: Field<'d, Quantity<'d>>,
    /// `routeofAdministration` (R4, R4B) or `routeOfAdministration` (R5).
    pub route: Field<'d, Concept<'d>>,
    /// `administration`
    pub administrations: Vec<Administration<'d>>,
    /// Additives.
    pub additives: Vec<Additive<'d>>,
    /// `maxVolumeToDeliver`
    pub cap: Field<'d, Quantity<'d>>,
    /// Flushes from the extension.
    pub flushes: Vec<Flush<'d>>,
}

/// The canonical order.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Order<'d> {
    /// The resource.
    pub at: At,
    /// The version it was read as.
    pub version: FhirVersion,
    /// `id`
    pub id: Option<Text<'d>>,
    /// `Bundle.entry.fullUrl`, when there is one.
    pub full_url: Option<Text<'d>>,
    /// `status`
    pub status: Field<'d, Status>,
    /// `intent`
    pub intent: Field<'d, Intent>,
    /// `patient` (R4, R4B) or `subject` (R5).
    pub patient: Field<'d, Reference<'d>>,
    /// R5: the subject is a Group.
    pub subject_is_group: bool,
    /// `dateTime`
    pub date_time: Field<'d, When>,
    /// `orderer`
    pub orderer: Option<At>,
    /// `allergyIntolerance`
    pub allergies: Vec<Reference<'d>>,
    /// `excludeFoodModifier`: what is not to be given.
    pub excluded: Vec<Sourced<Concept<'d>>>,
    /// `foodPreferenceModifier`: how the patient eats.
    pub preferred: Vec<Sourced<Concept<'d>>>,
    /// The tube-feeding part; `None` when the order has none.
    pub formula: Option<EnteralFormula<'d>>,
    /// `oralDiet`: outside what is computed, named in the answer.
    pub oral_diet: Option<At>,
    /// `supplement`: outside what is computed, named in the answer.
    pub supplements: Vec<At>,
    /// Free text that a person would read as part of the order: `administrationInstruction`, `note.text`,
    /// `oralDiet.instruction`, `supplement.instruction`.
    pub texts: Vec<Sourced<Text<'d>>>,
    /// Extensions that are not known to this program (not modifiers), anywhere in the order.
    pub unknown_extensions: Vec<At>,
    /// `modifierExtension` that are not known, anywhere in the order, and `implicitRules`.
    pub unknown_modifiers: Vec<At>,
    /// Elements that the version does not have.
    pub unknown_elements: Vec<At>,
}

/// Why a value could not be read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    /// Where.
    pub at: At,
    /// What was found and what was expected, one sentence for people.
    pub text: String,
    /// FHIR issue type that fits: `required`, `value`, `structure`, `invariant`, `not-supported`, …
    pub code: &'static str,
    /// Whether the order, or an input of it, cannot be relied on because of it.
    pub grave: bool,
}
