//! The patient of an order, from the resources of the same document: who, how old, how heavy, and which
//! other facts were sent at all. Nothing is fetched, guessed or defaulted, and nothing of another patient
//! is used.

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

pub mod age;
pub mod laboratory;
pub mod measured;

pub use age::{CorrectedAge, CorrectionBasis};
pub use laboratory::{LabCode, LabTest};
pub use measured::{Measured, Measurements, Rejected, Rejection};

use crate::amount::{Amount, Why};
use crate::exact::Exact;
use crate::intake::bundle::{Gathered, Identity, Resource, ResourceKind, Subject, type_and_id};
use crate::intake::json::Node;
use crate::intake::order::{At, Coding, Field, Order, Problem, Text, When};
use crate::intake::resource_types;
use crate::intake::wire::datatypes::Datatypes;
use crate::intake::wire::moment;
use crate::settings::Settings;
use crate::units::Dimension;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use measured::{Sought, carriers, choose, has_modifier, matching_code};
use std::cell::RefCell;

/// Whether one kind of fact was sent.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Sent {
    /// Nothing was said about it.
    NotSent,
    /// It was said that there is none.
    Empty,
    /// These.
    Some(Vec<At>),
}

impl Sent {
    /// The places; none when nothing was sent or there is none.
    pub fn places(&self) -> &[At] {
        if let Sent::Some(places) = self { places } else { &[] }
    }

    /// Whether something was said about it, be it that there is none.
    pub fn is_data(&self) -> bool {
        !matches!(self, Sent::NotSent)
    }
}

/// Who the order is for, as far as the document tells.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Person {
    /// This Patient resource.
    Resource(At),
    /// Only a reference or an identifier; the resource is not in the document.
    ReferenceOnly,
    /// A group.
    Group,
    /// The reference fits several different resources; nobody's data is used.
    Ambiguous,
    /// The order names nobody.
    Nobody,
}

/// Administrative gender, as far as it names one of the two sexes that reference values exist for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[allow(missing_docs, reason = "plain names")]
pub enum Sex {
    Male,
    Female,
    /// Not sent, `other` or `unknown`.
    Unknown,
}

/// What a patient's record says that does not fit an order for use.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Record {
    /// `deceased[x]`: true, or a time that is not after the reference time.
    Deceased,
    /// `active` is false.
    Inactive,
    /// A `link` of type `replaced-by`.
    Replaced,
}

/// A resource that is not used as context.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Refused {
    /// The resource.
    pub at: At,
    /// Its type and id.
    pub name: String,
    /// Why.
    pub why: Refusal,
}

/// Why a resource is not used as context of an order.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Refusal {
    /// It belongs to another patient, who has no order in this document.
    AnotherPatient,
    /// It belongs to the patient of another order in this document.
    PatientOfAnotherOrder,
    /// It names nobody, and the document is about more than one person.
    NamesNobody,
    /// Whose it is cannot be told.
    Ambiguous,
    /// The order names no patient to compare with.
    OrderNamesNobody,
}

/// A resource of the patient that does not count, by its own words.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SetAside {
    /// The resource.
    pub at: At,
    /// Why, e.g. `status entered-in-error`.
    pub why: String,
}

/// The moment ages and staleness are reckoned from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ReferenceTime {
    /// Seconds since the epoch.
    pub epoch: Exact,
    /// The last moment that may still be meant: the same, or the end of the day for a date.
    pub latest: Exact,
    /// The local date.
    pub date: Date,
    /// Where it comes from.
    pub source: ReferenceSource,
}

/// Where the reference time comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ReferenceSource {
    /// The caller asked for it.
    Asked,
    /// The order's `dateTime`.
    Order(At),
    /// The order's `dateTime` is a date only: noon of that day in the institution's zone is assumed.
    OrderDateAtNoon(At),
}

/// What the document tells about the patient of one order.
#[derive(Clone, Debug)]
pub struct Context<'d> {
    /// Who.
    pub person: Person,
    /// The identity that resources were compared with.
    pub identity: Identity<'d>,
    /// The moment to reckon from; `None` when the order has no usable time and none was asked for.
    pub reference: Option<ReferenceTime>,
    /// `Patient.birthDate`
    pub birth: Field<'d, When>,
    /// `Patient.gender`
    pub sex: Sex,
    /// What the record says that does not fit an order for use.
    pub record: Vec<(Record, At)>,
    /// Where the gender stands.
    pub sex_at: Option<At>,
    /// Gestational age at birth (LOINC 11884-4, 18185-9), s.
    pub gestation: Measurements<'d>,
    /// Birth weight (LOINC 8339-4), g.
    pub birth_weight: Measurements<'d>,
    /// Body weight ([`Settings::weight_codes`]), g.
    pub weight: Measurements<'d>,
    /// Height or length (LOINC 8302-2, 8306-3, 8308-9), cm.
    pub height: Measurements<'d>,
    /// Allergies and intolerances.
    pub allergies: Sent,
    /// Conditions.
    pub conditions: Sent,
    /// Medicines.
    pub medicines: Sent,
    /// Devices and their use.
    pub devices: Sent,
    /// Procedures.
    pub procedures: Sent,
    /// Other NutritionOrders.
    pub other_orders: Sent,
    /// Laboratory Observations.
    pub labs: Sent,
    /// ServiceRequests.
    pub service_requests: Sent,
    /// Encounters; only the order's own when it names one that is in the document.
    pub encounters: Sent,
    /// `Encounter.class` of those.
    pub encounter_classes: Vec<Coding<'d>>,
    /// All Observations of the patient.
    pub observations: Vec<At>,
    /// Resources that are not used because of whose they are.
    pub refused: Vec<Refused>,
    /// Resources without a subject that are used because the document is about one person only.
    pub subject_assumed: Vec<At>,
    /// Resources of the patient that do not count by their own status.
    pub set_aside: Vec<SetAside>,
    zone: TimeZone,
}

/// A key that is equal for two orders of the same document exactly when they surely are for the same person.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub enum IdentityKey {
    /// A resource of the document.
    Resource(At),
    /// A reference.
    Reference(String),
    /// An identifier.
    Identifier(Option<String>, String),
    /// Nobody surely the same: the order itself.
    Alone(At),
}

/// The key of an order's patient, to group orders by.
pub fn identity_key(gathered: &Gathered<'_>, order: &Order<'_>) -> IdentityKey {
    let identity = identity_of(gathered, order);
    if identity.ambiguous {
        return IdentityKey::Alone(order.at);
    }
    if let Some(at) = identity.resolved {
        return IdentityKey::Resource(at);
    }
    if let Some(text) = identity.absolute.or(identity.text) {
        return IdentityKey::Reference(text.into_owned());
    }
    match identity.identifier {
        Some((system, value)) => IdentityKey::Identifier(system.map(Text::into_owned), value.into_owned()),
        None => IdentityKey::Alone(order.at),
    }
}

/// Whether nothing tells the persons of two keys apart: one is not named, is named in another way, or stands inside an order.
pub fn may_be_same(gathered: &Gathered<'_>, a: &IdentityKey, b: &IdentityKey) -> bool {
    use IdentityKey::{Alone, Identifier, Reference, Resource};
    let person = |at: &At| gathered.resource(*at);
    let inside = |at: &At| person(at).is_none_or(|r| r.contained_in.is_some());
    match (a, b) {
        (Alone(x), Alone(y)) => x != y,
        (Alone(_), _) | (_, Alone(_)) => true,
        (Resource(x), Resource(y)) => x != y && (inside(x) || inside(y)),
        (Resource(x), Reference(text)) | (Reference(text), Resource(x)) => {
            inside(x)
                || match (person(x).and_then(|r| Some((&*r.type_name, r.id.as_deref()?))), type_and_id(text)) {
                    (Some(own), Some((_, kind, id))) => own == (kind, id),
                    _ => true,
                }
        }
        (Reference(x), Reference(y)) => match (type_and_id(x), type_and_id(y)) {
            (Some((base, kind, id)), Some((other, of, name))) => {
                x != y && (kind, id) == (of, name) && (base.is_empty() || other.is_empty())
            }
            _ => x != y && !(x.starts_with("urn:") && y.starts_with("urn:")),
        },
        // One person may have a number in each system.
        (Identifier(system, _), Identifier(other, _)) => system != other,
        (Identifier(..), _) | (_, Identifier(..)) => true,
    }
}

fn identity_of<'d>(gathered: &Gathered<'d>, order: &Order<'d>) -> Identity<'d> {
    match gathered.resource(order.at).map(|r| &r.subject) {
        Some(Subject::Of(identity)) if !order.patient.is_absent() => identity.clone(),
        _ => Identity::default(),
    }
}

/// Everything the document tells about the patient of `order`, and what is wrong with it.
pub fn context<'d>(gathered: &Gathered<'d>, order: &Order<'d>, settings: &Settings) -> (Context<'d>, Vec<Problem>) {
    let mut problems = Vec::new();
    let reference = reference_time(order, settings, &mut problems);
    let identity = identity_of(gathered, order);
    let person = person(gathered, order, &identity, &mut problems);
    let mut sorted = Sorted::default();
    for resource in gathered.resources.iter().filter(|r| r.copy_of.is_none()) {
        sorted.sort(gathered, order, resource, &identity, person);
    }
    let mut out = Context {
        person,
        identity,
        reference,
        birth: Field::Absent,
        sex: Sex::Unknown,
        record: Vec::new(),
        sex_at: None,
        gestation: Measurements::default(),
        birth_weight: Measurements::default(),
        weight: Measurements::default(),
        height: Measurements::default(),
        allergies: Sent::NotSent,
        conditions: Sent::NotSent,
        medicines: Sent::NotSent,
        devices: Sent::NotSent,
        procedures: Sent::NotSent,
        other_orders: Sent::NotSent,
        labs: Sent::NotSent,
        service_requests: Sent::NotSent,
        encounters: Sent::NotSent,
        encounter_classes: Vec::new(),
        observations: Vec::new(),
        refused: sorted.refused,
        subject_assumed: sorted.assumed,
        set_aside: Vec::new(),
        zone: settings.zone.clone(),
    };
    if let Person::Resource(at) = person
        && let Some(patient) = gathered.resource(at)
    {
        out.read_patient(patient.node, &mut problems);
    }
    out.observations = at_of(&sorted.own, |r| r.kind == ResourceKind::Observation);
    out.measure_all(&sorted.own, settings, &mut problems);
    out.note_presence(gathered, &sorted.own);
    out.note_encounters(gathered, order, &sorted.own);
    (out, problems)
}

fn at_of(own: &[&Resource<'_>], keep: impl Fn(&Resource<'_>) -> bool) -> Vec<At> {
    own.iter().filter(|r| keep(r)).map(|r| r.node.at()).collect()
}

fn person(gathered: &Gathered<'_>, order: &Order<'_>, identity: &Identity<'_>, problems: &mut Vec<Problem>) -> Person {
    if order.subject_is_group {
        return Person::Group;
    }
    if identity.ambiguous {
        // Reading the order's reference has reported it.
        return Person::Ambiguous;
    }
    match identity.resolved.and_then(|at| gathered.resource(at)) {
        Some(resource) if resource.kind == ResourceKind::Patient => Person::Resource(resource.node.at()),
        Some(resource) if resource.kind == ResourceKind::Group => Person::Group,
        Some(resource) => {
            let at = order.patient.at().unwrap_or(order.at);
            let text = format!("the order's patient is a {}, expected a Patient", resource.type_name);
            problems.push(Problem { at, text, code: "value", grave: true });
            Person::Nobody
        }
        None if *identity == Identity::default() => Person::Nobody,
        None => Person::ReferenceOnly,
    }
}

fn reference_time(order: &Order<'_>, settings: &Settings, problems: &mut Vec<Problem>) -> Option<ReferenceTime> {
    let zone = &settings.zone;
    if let Some(epoch) = settings.asked.as_of {
        let date = moment::local_date(epoch, zone)?;
        return Some(ReferenceTime { epoch, latest: epoch, date, source: ReferenceSource::Asked });
    }
    let Field::Present(written) = &order.date_time else { return None };
    match written.value {
        When::Instant { epoch, .. } => {
            let date = moment::local_date(epoch, zone)?;
            Some(ReferenceTime { epoch, latest: epoch, date, source: ReferenceSource::Order(written.at) })
        }
        When::Day(y, m, d) => {
            let date = Date::new(y, m, d).ok()?;
            let epoch = moment::local_moment(date, 12, zone)?;
            let (_, end) = moment::span(written.value, zone)?;
            let latest = end.sub(Exact::ONE)?;
            Some(ReferenceTime { epoch, latest, date, source: ReferenceSource::OrderDateAtNoon(written.at) })
        }
        When::Month(..) | When::Year(..) => {
            let text = "dateTime names no day, so ages and the age of data cannot be reckoned from it".to_owned();
            problems.push(Problem { at: written.at, text, code: "incomplete", grave: true });
            None
        }
    }
}

/// Resources by whose they are.
#[derive(Default)]
struct Sorted<'r, 'd> {
    own: Vec<&'r Resource<'d>>,
    refused: Vec<Refused>,
    assumed: Vec<At>,
}

impl<'r, 'd> Sorted<'r, 'd> {
    fn sort(
        &mut self,
        gathered: &Gathered<'d>,
        order: &Order<'d>,
        resource: &'r Resource<'d>,
        identity: &Identity<'d>,
        person: Person,
    ) {
        let at = resource.node.at();
        let is_order = resource.kind == ResourceKind::NutritionOrder;
        // The order itself, and what is contained in another order, is no context. An order inside another resource is
        // not looked at, so it says nothing of which orders there are.
        if at == order.at
            || is_order && resource.contained_in.is_some()
            || resource.contained_in.is_some_and(|outer| outer != order.at && is_an_order(gathered, outer))
        {
            return;
        }
        let why = match &resource.subject {
            Subject::Nobody if !is_personal(resource.kind) => return,
            Subject::Nobody if matches!(person, Person::Nobody | Person::Group) => Refusal::OrderNamesNobody,
            Subject::Nobody if resource.contained_in == Some(order.at) => return self.own.push(resource),
            Subject::Nobody if gathered.patients == 1 && person != Person::Ambiguous => {
                self.assumed.push(at);
                return self.own.push(resource);
            }
            Subject::Nobody => Refusal::NamesNobody,
            Subject::Of(_) if matches!(person, Person::Nobody | Person::Group) => Refusal::OrderNamesNobody,
            Subject::Of(own) if own.ambiguous || identity.ambiguous => Refusal::Ambiguous,
            Subject::Of(own) if own.same(identity) => return self.own.push(resource),
            // Another patient's order is an order of its own, not somebody's stray data.
            Subject::Of(_) if is_order => return,
            Subject::Of(own) => {
                let of_another = gathered.orders.iter().filter_map(|o| gathered.resource(o.at()));
                let mut named =
                    of_another.filter_map(|o| if let Subject::Of(id) = &o.subject { Some(id) } else { None });
                if named.any(|id| id.same(own)) { Refusal::PatientOfAnotherOrder } else { Refusal::AnotherPatient }
            }
        };
        let kind = &*resource.type_name;
        let kind = if resource_types::is_known(kind) { kind } else { "a resource" };
        let name = match &resource.id {
            Some(id) => format!("{kind}/{}", id.chars().filter(|c| !c.is_control()).take(64).collect::<String>()),
            None => format!("{kind} without an id"),
        };
        self.refused.push(Refused { at, name, why });
    }
}

fn is_an_order(gathered: &Gathered<'_>, at: At) -> bool {
    gathered.resource(at).is_some_and(|r| r.kind == ResourceKind::NutritionOrder)
}

/// Kinds that say something about one person.
const fn is_personal(kind: ResourceKind) -> bool {
    matches!(
        kind,
        ResourceKind::NutritionOrder
            | ResourceKind::Observation
            | ResourceKind::AllergyIntolerance
            | ResourceKind::Condition
            | ResourceKind::Medication
            | ResourceKind::Device
            | ResourceKind::DeviceUse
            | ResourceKind::Encounter
            | ResourceKind::Procedure
            | ResourceKind::ServiceRequest
    )
}

/// "No known allergy" and "no known food allergy" (SNOMED CT, from memory): that there is none.
const NO_KNOWN_ALLERGY: [&str; 2] = ["716186003", "429625007"];
const SNOMED: &str = "http://snomed.info/sct";

impl<'d> Context<'d> {
    /// Days since birth, whole local days.
    pub fn age_days(&self) -> Amount {
        age::days(self.birth_date(), self.date())
    }

    /// Completed months of age.
    pub fn age_months(&self) -> Amount {
        age::months(self.birth_date(), self.date())
    }

    /// Completed years of age.
    pub fn age_years(&self) -> Amount {
        age::years(self.birth_date(), self.date())
    }

    /// Days since birth, corrected for prematurity up to 24 months.
    pub fn corrected_age(&self) -> CorrectedAge {
        age::corrected(self.birth_date(), self.date(), self.gestation_days())
    }

    /// Gestational age at birth plus age, days.
    pub fn postmenstrual_days(&self) -> Amount {
        match self.gestation_days() {
            None => Amount::unknown(Why::MissingInput("the gestational age at birth")),
            Some(days) => self.age_days().plus(&Amount::Known(days)),
        }
    }

    /// Gestational age at birth, days.
    pub fn gestation_days(&self) -> Option<Exact> {
        self.gestation.value()?.div(Exact::int(86_400))
    }

    /// Age of a measurement at the reference time, seconds: a range where its time is a date only.
    pub fn seconds_since(&self, measured: &Measured<'_>) -> Amount {
        let missing = || Amount::unknown(Why::MissingInput("the time of the order or of the measurement"));
        let (Some(reference), Some((first, last))) = (self.reference, measured.span) else { return missing() };
        let since = |moment: Exact| reference.epoch.sub(moment).map(|s| s.max(Exact::ZERO));
        match (since(last), since(first)) {
            (Some(low), Some(high)) => {
                Amount::between(low, high, Why::MissingInput("the clock time of the measurement"))
            }
            _ => Amount::unknown(Why::Range),
        }
    }

    /// Other measurements of the patient by LOINC code: the latest up to the reference time, in base units
    /// of `dimension`; zero counts as a value.
    pub fn measurements(
        &self,
        gathered: &Gathered<'d>,
        name: &'static str,
        codes: &dyn Fn(&str) -> bool,
        dimension: Dimension,
        problems: &mut Vec<Problem>,
    ) -> Measurements<'d> {
        let own = self.observations.iter().filter_map(|at| gathered.resource(*at));
        let sought = Sought { name, codes, dimension, substance: None, positive: false, bounds: None, latest: true };
        choose(own, &sought, self.reference.map(|r| r.latest), &self.zone, problems)
    }

    /// Own Observations with a code of one of these tests, as (index of the test, place); which of them count is told
    /// by [`Context::laboratory`].
    pub fn laboratories(&self, gathered: &Gathered<'d>, tests: &[LabTest]) -> Vec<(usize, At)> {
        let found = RefCell::new(Vec::new());
        for at in &self.observations {
            let Some(observation) = gathered.resource(*at) else { continue };
            // All codes are looked at, each once.
            let note = |code: &str| {
                let own = tests.iter().enumerate().filter(|(_, test)| test.code(code).is_some());
                found.borrow_mut().extend(own.map(|(ix, _)| (ix, *at)));
                false
            };
            let _ = matching_code(observation.node, &note);
        }
        let mut found = found.into_inner();
        found.dedup();
        found
    }

    /// The latest value of a laboratory test up to the reference time, in base units: mmol/mL, or mL/s for a
    /// filtration rate.
    pub fn laboratory(
        &self,
        gathered: &Gathered<'d>,
        test: &LabTest,
        among: impl Iterator<Item = At>,
        problems: &mut Vec<Problem>,
    ) -> Measurements<'d> {
        let own = among.filter_map(|at| gathered.resource(at));
        let of = |code: &str| (test.code(code).and_then(|c| c.molar_mass), test.charge);
        let sought = Sought {
            name: test.name,
            codes: &|code| test.code(code).is_some(),
            dimension: test.dimension,
            substance: (test.dimension == Dimension::SUBSTANCE_CONCENTRATION).then_some(&of),
            positive: false,
            bounds: None,
            latest: true,
        };
        choose(own, &sought, self.reference.map(|r| r.latest), &self.zone, problems)
    }

    /// Seconds between two measurements; a range where a time is a date only.
    pub fn seconds_between(&self, earlier: &Measured<'_>, later: &Measured<'_>) -> Amount {
        let (Some((a, b)), Some((c, d))) = (earlier.span, later.span) else {
            return Amount::unknown(Why::MissingInput("the time of the measurement"));
        };
        match (c.sub(b), d.sub(a)) {
            (Some(low), Some(high)) => {
                let why = Why::MissingInput("the clock time of the measurement");
                Amount::between(low.max(Exact::ZERO), high.max(Exact::ZERO), why)
            }
            _ => Amount::unknown(Why::Range),
        }
    }

    /// Seconds from a date or moment of the record to the reference time.
    pub fn seconds_from(&self, when: When) -> Amount {
        let missing = || Amount::unknown(Why::MissingInput("the time of the order"));
        let (Some(reference), Some((first, last))) = (self.reference, moment::span(when, &self.zone)) else {
            return missing();
        };
        match (reference.epoch.sub(last), reference.epoch.sub(first)) {
            (Some(low), Some(high)) => {
                Amount::between(low.max(Exact::ZERO), high.max(Exact::ZERO), Why::MissingInput("the clock time"))
            }
            _ => Amount::unknown(Why::Range),
        }
    }

    /// Seconds from a date or moment of the record to another moment; none where it may lie after that.
    pub fn seconds_until(&self, when: When, epoch: Exact) -> Amount {
        let between = moment::span(when, &self.zone).and_then(|(first, last)| epoch.sub(last).zip(epoch.sub(first)));
        match between {
            Some((low, high)) => {
                Amount::between(low.max(Exact::ZERO), high.max(Exact::ZERO), Why::MissingInput("the clock time"))
            }
            None => Amount::unknown(Why::Range),
        }
    }

    fn birth_date(&self) -> Option<When> {
        self.birth.value().copied()
    }

    fn date(&self) -> Option<Date> {
        self.reference.map(|r| r.date)
    }

    fn read_patient(&mut self, patient: Node<'d>, problems: &mut Vec<Problem>) {
        if has_modifier(patient) {
            let at = patient.at();
            let text =
                "the Patient carries a modifier extension that is not known; its birth date and gender are not used";
            problems.push(Problem { at, text: text.to_owned(), code: "extension", grave: true });
            self.birth = Field::Unreadable { at };
            return;
        }
        let mut read = Datatypes::default();
        self.birth = read.date(patient, "birthDate");
        let gender = read.coded(
            patient,
            "gender",
            &[("male", Sex::Male), ("female", Sex::Female), ("other", Sex::Unknown), ("unknown", Sex::Unknown)],
        );
        self.sex_at = gender.at();
        self.sex = gender.value().copied().unwrap_or(Sex::Unknown);
        for (name, record, when) in [("deceasedBoolean", Record::Deceased, true), ("active", Record::Inactive, false)] {
            match read.boolean(patient, name) {
                Field::Present(s) if s.value == when => self.record.push((record, s.at)),
                Field::Unreadable { at } if when => self.record.push((record, at)),
                // Withheld is neither yes nor no.
                Field::Missing { at, .. } => {
                    let text = format!(
                        "Patient.{name} is withheld: whether the order is for somebody who can be fed is not known"
                    );
                    problems.push(Problem { at, text, code: "incomplete", grave: true });
                }
                _ => {}
            }
        }
        match read.date_time(patient, "deceasedDateTime") {
            Field::Present(s) => {
                let later = self.reference.zip(moment::span(s.value, &self.zone));
                if later.is_none_or(|(reference, (first, _))| first <= reference.latest) {
                    self.record.push((Record::Deceased, s.at));
                }
            }
            // When is not told, but that it is so.
            Field::Missing { at, .. } | Field::Unreadable { at } => self.record.push((Record::Deceased, at)),
            Field::Absent => {}
        }
        let links = patient.get("link").into_iter().flat_map(Node::items);
        let replaced = links.filter(|link| link.get("type").is_some_and(|t| t.is_str("replaced-by")));
        self.record.extend(replaced.map(|link| (Record::Replaced, link.at())));
        problems.append(&mut read.problems);
        if let (Some(born), Some(on)) = (&self.birth_date(), self.date())
            && moment::days(*born).is_some_and(|(first, _)| first > on)
        {
            let at = self.birth.at().unwrap_or(patient.at());
            let text = "the birth date lies after the time the order is judged for".to_owned();
            problems.push(Problem { at, text, code: "value", grave: true });
        }
    }

    fn measure_all(&mut self, own: &[&Resource<'d>], settings: &Settings, problems: &mut Vec<Problem>) {
        let latest = self.reference.map(|r| r.latest);
        let weights = |code: &str| settings.weight_codes.contains(code);
        let heights = |code: &str| matches!(code, "8302-2" | "8306-3" | "8308-9");
        let birth_weights = |code: &str| code == "8339-4";
        let gestations = |code: &str| matches!(code, "11884-4" | "18185-9");
        // Most Observations are none of these.
        let any = |code: &str| weights(code) || heights(code) || birth_weights(code) || gestations(code);
        let observations = own.iter().copied().filter(|r| r.kind == ResourceKind::Observation);
        let measured: Vec<_> = observations.filter(|r| carriers(r.node, &any).next().is_some()).collect();
        let mut look = |sought: &Sought<'_>| choose(measured.iter().copied(), sought, latest, &settings.zone, problems);
        self.weight = look(&Sought {
            name: "body weight",
            codes: &weights,
            dimension: Dimension::MASS,
            substance: None,
            positive: true,
            bounds: None,
            latest: true,
        });
        self.height = look(&Sought {
            name: "height or length",
            codes: &heights,
            dimension: Dimension::LENGTH,
            substance: None,
            positive: true,
            bounds: None,
            latest: true,
        });
        self.birth_weight = look(&Sought {
            name: "birth weight",
            codes: &birth_weights,
            dimension: Dimension::MASS,
            substance: None,
            positive: true,
            bounds: None,
            latest: false,
        });
        self.gestation = look(&Sought {
            name: "gestational age at birth",
            codes: &gestations,
            dimension: Dimension::TIME,
            substance: None,
            positive: true,
            // Common practice, no source: what a live birth can have.
            bounds: Some((Exact::int(20 * 604_800), Exact::int(45 * 604_800), "20 to 45 weeks")),
            latest: false,
        });
    }

    fn note_presence(&mut self, gathered: &Gathered<'d>, own: &[&Resource<'d>]) {
        let mut none_known = false;
        let (mut allergies, mut conditions, mut medicines) = (Vec::new(), Vec::new(), Vec::new());
        let (mut devices, mut orders, mut labs, mut services) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
        let mut procedures = Vec::new();
        for resource in own {
            let at = resource.node.at();
            let list = match resource.kind {
                ResourceKind::AllergyIntolerance => &mut allergies,
                ResourceKind::Condition => &mut conditions,
                ResourceKind::Medication => &mut medicines,
                ResourceKind::Device | ResourceKind::DeviceUse => &mut devices,
                ResourceKind::NutritionOrder => &mut orders,
                ResourceKind::ServiceRequest => &mut services,
                ResourceKind::Procedure => &mut procedures,
                ResourceKind::Observation if is_laboratory(resource.node) => &mut labs,
                _ => continue,
            };
            if let Some(why) = does_not_count(resource) {
                self.set_aside.push(SetAside { at, why });
            } else if resource.kind == ResourceKind::AllergyIntolerance && is_no_known_allergy(resource.node) {
                none_known = true;
            } else {
                list.push(at);
            }
        }
        let searched = |of: &[ResourceKind], laboratory: bool| {
            gathered.empty.iter().any(|e| {
                of.contains(&e.of) && (!laboratory || e.laboratory) && self.was_searched(gathered, e.patient.as_deref())
            })
        };
        let sent = |list: Vec<At>, none: bool| match (list.is_empty(), none) {
            (false, _) => Sent::Some(list),
            (true, true) => Sent::Empty,
            (true, false) => Sent::NotSent,
        };
        use ResourceKind as K;
        let none_known = none_known || searched(&[K::AllergyIntolerance], false);
        let found = [
            sent(allergies, none_known),
            sent(conditions, searched(&[K::Condition], false)),
            sent(medicines, searched(&[K::Medication], false)),
            sent(devices, searched(&[K::Device, K::DeviceUse], false)),
            sent(orders, searched(&[K::NutritionOrder], false)),
            sent(labs, searched(&[K::Observation], true)),
            sent(services, searched(&[K::ServiceRequest], false)),
            sent(procedures, searched(&[K::Procedure], false)),
        ];
        [
            self.allergies,
            self.conditions,
            self.medicines,
            self.devices,
            self.other_orders,
            self.labs,
            self.service_requests,
            self.procedures,
        ] = found;
    }

    /// Whether an empty search was for this patient: by its own words, or because there is no other.
    fn was_searched(&self, gathered: &Gathered<'_>, patient: Option<&str>) -> bool {
        if matches!(self.person, Person::Nobody | Person::Group | Person::Ambiguous) {
            return false;
        }
        let Some(searched) = patient else { return gathered.patients == 1 };
        let last = |text: &str| text.rsplit('/').next().map(str::to_owned);
        let own = match self.person {
            Person::Resource(at) => gathered.resource(at).and_then(|r| r.id.as_deref().map(str::to_owned)),
            _ => self.identity.text.as_deref().and_then(last),
        };
        match own {
            Some(own) => last(searched).is_some_and(|id| id == own),
            None => gathered.patients == 1,
        }
    }

    /// Why an encounter does not tell where the patient is at the reference time; `None` when it does.
    fn encounter_over(&self, encounter: Node<'d>) -> Option<String> {
        if !encounter_stands(encounter) {
            let status = encounter.get("status").and_then(Node::as_str).unwrap_or_default();
            return Some(format!("an encounter that is {status}"));
        }
        let mut read = Datatypes::default();
        let period = encounter.get("actualPeriod").or_else(|| encounter.get("period"))?;
        let (start, end) = read.period(period);
        let span = |when: Field<'d, When>| moment::span(*when.value()?, &self.zone);
        let reference = self.reference?;
        if span(end).is_some_and(|(_, last)| last <= reference.epoch) {
            return Some("an encounter that has ended".to_owned());
        }
        let later = span(start).is_some_and(|(first, _)| first > reference.latest);
        later.then(|| "an encounter that begins later".to_owned())
    }

    fn note_encounters(&mut self, gathered: &Gathered<'d>, order: &Order<'d>, own: &[&Resource<'d>]) {
        let named = gathered
            .resource(order.at)
            .and_then(|r| r.node.get("encounter"))
            .and_then(|reference| gathered.identity(reference).resolved);
        let encounters: Vec<&&Resource<'d>> = own
            .iter()
            .filter(|r| r.kind == ResourceKind::Encounter && named.is_none_or(|at| at == r.node.at()))
            .collect();
        let mut read = Datatypes::default();
        let mut places = Vec::new();
        for encounter in encounters {
            if let Some(why) = does_not_count(encounter) {
                self.set_aside.push(SetAside { at: encounter.node.at(), why });
                continue;
            }
            if let Some(why) = self.encounter_over(encounter.node) {
                self.set_aside.push(SetAside { at: encounter.node.at(), why });
                continue;
            }
            places.push(encounter.node.at());
            let Some(class) = encounter.node.get("class") else { continue };
            // R4: one Coding. R5: CodeableConcepts.
            if class.get("code").is_some() {
                self.encounter_classes.push(read.coding(class));
            }
            for concept in class.items() {
                self.encounter_classes.extend(read.concept(concept).codings);
            }
        }
        let empty = gathered
            .empty
            .iter()
            .any(|e| e.of == ResourceKind::Encounter && self.was_searched(gathered, e.patient.as_deref()));
        self.encounters = match (places.is_empty(), empty) {
            (false, _) => Sent::Some(places),
            (true, true) => Sent::Empty,
            (true, false) => Sent::NotSent,
        };
    }
}

/// Whether an encounter stands now, by its status: it is neither planned nor over. One without a status may.
pub fn encounter_stands(encounter: Node<'_>) -> bool {
    const NOT_NOW: [&str; 7] =
        ["planned", "finished", "completed", "discharged", "cancelled", "discontinued", "entered-in-error"];
    !encounter.get("status").is_some_and(|status| NOT_NOW.iter().any(|not_now| status.is_str(not_now)))
}

/// Whether the patient is at a location of an encounter now: neither planned, reserved nor left.
pub fn location_stands(location: Node<'_>) -> bool {
    const NOT_NOW: [&str; 3] = ["planned", "reserved", "completed"];
    !location.get("status").is_some_and(|status| NOT_NOW.iter().any(|not_now| status.is_str(not_now)))
        && location.get("period").is_none_or(|period| period.get("end").is_none())
}

/// Why a resource does not count, by its own words; `None` when it does.
fn does_not_count(resource: &Resource<'_>) -> Option<String> {
    let node = resource.node;
    if has_modifier(node) && resource.kind != ResourceKind::NutritionOrder {
        return Some("a modifier extension that is not known".to_owned());
    }
    if let Some(status) = node.get("status").and_then(Node::as_str)
        && matches!(status.as_ref(), "entered-in-error" | "cancelled" | "not-taken" | "not-done")
    {
        return Some(format!("status {status}"));
    }
    if node.get("doNotPerform").and_then(Node::as_bool) == Some(true) {
        return Some("it asks that it be not done".to_owned());
    }
    let verification = node.get("verificationStatus").and_then(|v| v.get("coding"));
    let refuted = verification.into_iter().flat_map(Node::items).find_map(|coding| {
        coding.get("code").and_then(Node::as_str).filter(|code| matches!(code.as_ref(), "entered-in-error" | "refuted"))
    });
    refuted.map(|code| format!("verification status {code}"))
}

fn is_laboratory(observation: Node<'_>) -> bool {
    observation.get("category").into_iter().flat_map(Node::items).any(|category| {
        category
            .get("coding")
            .into_iter()
            .flat_map(Node::items)
            .any(|coding| coding.get("code").is_some_and(|code| code.is_str("laboratory")))
    })
}

fn is_no_known_allergy(allergy: Node<'_>) -> bool {
    allergy.get("code").and_then(|code| code.get("coding")).into_iter().flat_map(Node::items).any(|coding| {
        coding.get("system").is_some_and(|system| system.is_str(SNOMED))
            && NO_KNOWN_ALLERGY.iter().any(|none| coding.get("code").is_some_and(|code| code.is_str(none)))
    })
}
