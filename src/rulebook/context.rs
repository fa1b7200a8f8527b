//! What the resources of the patient say in the rulebook's own words: conditions, allergies, medicines, the
//! place of care, the tube, a fluid limit.

use super::value::Keys;
use super::{Concept, ConceptKind};
use crate::exact::Exact;
use crate::intake::bundle::{Gathered, ResourceKind};
use crate::intake::json::{Kind, Node};
use crate::intake::order::{At, Field, Order, Status, Text, When};
use crate::intake::wire::datatypes::Datatypes;
use crate::intake::wire::{Resolution, Resolve};
use crate::integrity::{Stop, Stops};
use crate::nutrition::route::{Tip, tip};
use crate::patient::{Context, Sent, encounter_stands, location_stands};
use crate::settings::{Settings, Site};
use crate::units::{Dimension, dimension_of, measure};

/// SNOMED CT's "Fluid", by which an order's nutrient is a fluid limit, as in FHIR's own examples.
const FLUID: (&str, &str) = ("http://snomed.info/sct", "33463005");
/// The property of a Device that gives the tube's size; no standard code is known.
const TUBE_SIZE: (&str, &str) = ("https://enteral-gate.example/fhir/CodeSystem/device-property", "tube-size");
/// Seconds for which a medicine that was given once still counts as current (common practice, no source).
const GIVEN_LATELY: i64 = 86_400;

/// Statuses with which nobody gets a medicine now, whichever way FHIR says that someone gets one. What was cancelled, not
/// done or never true is left out before.
const PAST: [&str; 4] = ["completed", "ended", "stopped", "on-hold"];

/// Keys with the places of the items, or what was sent about the kind as a whole.
pub(super) enum Set {
    /// Nothing was said.
    NotSent,
    /// What was said: keys, places, and those of the places that no concept stands for.
    Of(Keys, Vec<At>, Vec<At>),
}

/// Key of the dose forms of which nothing is to be said.
const PLAIN: &str = "plain";
/// Key of the medicines whose dust is a danger to whoever crushes them.
const HAZARDOUS: &str = "hazardous";

/// A system and a code, without spaces around them.
pub(super) type Coded<'d> = (Option<Text<'d>>, Option<Text<'d>>);

fn codings<'d>(concept: Node<'d>) -> impl Iterator<Item = Coded<'d>> + 'd {
    concept.get("coding").into_iter().flat_map(Node::items).map(coding)
}

fn coding(node: Node<'_>) -> Coded<'_> {
    let text = |name: &str| {
        node.get(name).and_then(Node::as_str).map(|text| match text {
            Text::Borrowed(text) => Text::Borrowed(text.trim()),
            Text::Owned(text) => Text::Owned(text.trim().to_owned()),
        })
    };
    (text("system"), text("code"))
}

/// Whether a code is the concept's, or lies below it where the code system says so by its spelling (`by_spelling`).
fn means(concept: &Concept, by_spelling: bool, system: &str, code: &str) -> bool {
    let below = |c: &str| c.len() >= 3 && code.len() > c.len() && code.starts_with(c.trim_end_matches('.'));
    let first = code.as_bytes().first();
    // Systems are long and few; codes are short and tell sooner that it is another one, most by how they begin.
    let mut maybe = concept.codes.iter().filter(|(_, c)| c.as_bytes().first() == first);
    maybe.any(|(s, c)| (c == code || by_spelling && below(c)) && s == system)
}

/// The keys of one coded item, and whether any of its codes is of a system the rulebook has codes of.
fn keys_of<'c>(concepts: &'c [Concept], kind: ConceptKind, codes: &[Coded<'_>]) -> (Vec<&'c str>, bool) {
    let mine = || concepts.iter().filter(move |c| c.kind == kind);
    let mut keys = Vec::new();
    let mut usable = false;
    for (system, code) in codes {
        let (Some(system), Some(code)) = (system.as_deref(), code.as_deref()) else { continue };
        if code.is_empty() {
            continue;
        }
        let by_spelling = system.contains("icd-10") || system.ends_with("/atc");
        usable = usable || mine().any(|c| c.codes.iter().any(|(s, _)| s == system));
        for concept in mine().filter(|c| means(c, by_spelling, system, code)) {
            if !keys.contains(&concept.key.as_str()) {
                keys.push(concept.key.as_str());
            }
        }
    }
    (keys, usable)
}

/// The keys of a food that an order names, by the concepts of a kind, and whether any of its codes is of a system they use.
fn keys_of_food<'c>(
    concepts: &'c [Concept],
    kind: ConceptKind,
    food: &crate::intake::order::Concept<'_>,
) -> (Vec<&'c str>, bool) {
    let trimmed = |text: &Option<Text<'_>>| text.as_deref().map(|text| Text::Owned(text.trim().to_owned()));
    let codes: Vec<Coded<'_>> = food.codings.iter().map(|c| (trimmed(&c.system), trimmed(&c.code))).collect();
    keys_of(concepts, kind, &codes)
}

/// The foods that an order excludes and that no concept of allergies or diets stands for.
pub(super) fn foods_not_known(order: &Order<'_>, concepts: &[Concept]) -> Vec<At> {
    let is = |food: &crate::intake::order::Concept<'_>, kind| !keys_of_food(concepts, kind, food).0.is_empty();
    let known = |food| is(food, ConceptKind::Allergy) || is(food, ConceptKind::Diet);
    let unknown = order.excluded.iter().filter(|food| !known(&food.value));
    unknown.map(|food| food.at).collect()
}

/// What the order says that the patient does not eat, and where. One in words only leaves open what else it may be.
pub(super) fn refused(order: &Order<'_>, concepts: &[Concept]) -> (Keys, Vec<At>) {
    let (mut keys, mut places) = (Keys { complete: true, ..Keys::default() }, Vec::new());
    for food in order.preferred.iter().chain(&order.excluded) {
        let (found, _) = keys_of_food(concepts, ConceptKind::Diet, &food.value);
        // What counts like an allergy is looked for as one.
        let known = !found.is_empty() || !keys_of_food(concepts, ConceptKind::Allergy, &food.value).0.is_empty();
        keys.complete &= known;
        if !known || !found.is_empty() {
            places.push(food.at);
        }
        for key in found {
            if !keys.present.iter().any(|k| k == key) {
                keys.present.push(key.to_owned());
            }
        }
    }
    (keys, places)
}

/// What an item of context is, by its own status.
#[derive(Clone, Copy)]
pub(super) enum Standing {
    Current,
    Past,
    Unclear,
}

fn status(node: Node<'_>) -> Option<String> {
    node.get("status").and_then(Node::as_str).map(|s| s.to_string())
}

fn clinical(node: Node<'_>) -> Standing {
    let codes = node.get("clinicalStatus").into_iter().flat_map(codings);
    let past = |code: &str| matches!(code, "inactive" | "resolved" | "remission");
    if codes.filter_map(|(_, code)| code).any(|code| past(&code)) { Standing::Past } else { Standing::Current }
}

/// Intents with which a request asks nobody to give anything.
pub(super) const NOT_TO_BE_GIVEN: [&str; 3] = ["proposal", "plan", "option"];

pub(super) fn medicine_standing(node: Node<'_>, context: &Context<'_>) -> Standing {
    let kind = node.resource_type();
    // With these intents a request asks nobody to give anything yet.
    if NOT_TO_BE_GIVEN.iter().any(|word| node.get("intent").is_some_and(|intent| intent.is_str(word))) {
        return match status(node).as_deref() {
            Some(status) if PAST.contains(&status) => Standing::Past,
            _ => Standing::Unclear,
        };
    }
    match (kind.as_deref(), status(node).as_deref()) {
        (_, Some("active" | "in-progress" | "intended" | "recorded")) => Standing::Current,
        (Some("MedicationAdministration"), Some("completed")) => {
            let mut read = Datatypes::default();
            let names = ["effectiveDateTime", "occurenceDateTime", "occurrenceDateTime"];
            let when = names.iter().find_map(|name| read.date_time(node, name).value().copied());
            match when.map(|when| context.seconds_from(when)).and_then(|since| since.low()) {
                Some(since) if since <= Exact::int(GIVEN_LATELY) => Standing::Current,
                Some(_) => Standing::Past,
                None => Standing::Unclear,
            }
        }
        // It is being ordered, with the feed or beside it.
        (Some("MedicationRequest"), Some("draft")) => Standing::Current,
        (_, Some(status)) if PAST.contains(&status) => Standing::Past,
        // Missing, unknown, or a word of another kind of resource or of a later FHIR.
        _ => Standing::Unclear,
    }
}

pub(super) fn medicine_codes<'d>(node: Node<'d>, gathered: &Gathered<'d>) -> Vec<Coded<'d>> {
    let mut out = Vec::new();
    let medication = node.get("medication");
    let concept = node.get("medicationCodeableConcept").or_else(|| medication.and_then(|m| m.get("concept")));
    out.extend(concept.into_iter().flat_map(codings));
    if let Some(code) = self::medication(node, gathered).and_then(|named| named.get("code")) {
        out.extend(codings(code));
    }
    out
}

/// The Medication that a medicine refers to, where it was sent.
pub(super) fn medication<'d>(node: Node<'_>, gathered: &Gathered<'d>) -> Option<Node<'d>> {
    let reference = node.get("medicationReference").or_else(|| node.get("medication").and_then(|m| m.get("reference")));
    reference.and_then(|reference| resolve(reference, gathered))
}

/// The rulebook's concepts that a medicine is, and whether any of its codes is of a system that the rulebook has codes of.
pub(super) fn medicine_keys(node: Node<'_>, gathered: &Gathered<'_>, concepts: &[Concept]) -> (Vec<String>, bool) {
    let (keys, usable) = keys_of(concepts, ConceptKind::Medicine, &medicine_codes(node, gathered));
    (keys.into_iter().map(str::to_owned).collect(), usable)
}

/// Whether a medicine is given through the tube, by the routes of its doses; `None` where they do not tell.
fn by_tube(node: Node<'_>, settings: &Settings) -> Option<bool> {
    const ROUTES: &str = "http://terminology.hl7.org/CodeSystem/v3-RouteOfAdministration";
    let mut read = Datatypes::default();
    let doses = node.get("dosageInstruction").or_else(|| node.get("dosage"));
    // An administration has one dose, all others a list.
    let one = doses.filter(|doses| doses.kind() == Kind::Object);
    let (mut any, mut open) = (false, false);
    for dose in one.into_iter().chain(doses.into_iter().flat_map(Node::items)) {
        any = true;
        let Some(route) = dose.get("route") else {
            open = true;
            continue;
        };
        let concept = read.concept(route);
        // Tubes of which it is not told where they end.
        let some_tube = || {
            let mut codes = concept.codings.iter().filter(|c| c.system.as_deref() == Some(ROUTES));
            codes.any(|c| matches!(c.code.as_deref(), Some("EFT" | "ENTINSTL" | "GJT")))
        };
        match tip(settings, &concept) {
            Tip::At(Site::Gastric | Site::PostPyloric)
            | Tip::Differ(Site::Gastric, Site::PostPyloric)
            | Tip::Differ(Site::PostPyloric, Site::Gastric) => return Some(true),
            Tip::At(Site::Oral | Site::NotEnteral) => {}
            Tip::At(Site::Unknown) if some_tube() => return Some(true),
            Tip::At(Site::Unknown) | Tip::Differ(..) => open = true,
        }
    }
    // One dose that is not understood may go through the tube.
    (any && !open).then_some(false)
}

/// The dose form of a medicine (`form`, in R5 `doseForm`), where its Medication was sent.
fn form_codes<'d>(node: Node<'d>, gathered: &Gathered<'d>) -> Vec<Coded<'d>> {
    let forms = medication(node, gathered).into_iter().flat_map(|m| [m.get("doseForm"), m.get("form")]).flatten();
    forms.flat_map(codings).collect()
}

/// What the medicines that go through the tube are, by the concepts of a kind.
pub(super) struct ThroughTube {
    /// Keys of those that surely do.
    pub keys: Vec<String>,
    /// Where these stand.
    pub at: Vec<At>,
    /// Medicines of which it is not told whether they are what is looked for, and why.
    pub unclear: Vec<(At, &'static str)>,
    /// Whether a medicine that goes through the tube, or may, does not tell what is looked for.
    pub silent: bool,
}

/// Dose forms, or the medicines themselves, of what goes through the tube. One whose route is not told counts where it is what is
/// looked for, as one of which it is not known.
pub(super) fn through_tube(
    kind: ConceptKind,
    context: &Context<'_>,
    gathered: &Gathered<'_>,
    settings: &Settings,
    concepts: &[Concept],
) -> ThroughTube {
    let mut out = ThroughTube { keys: Vec::new(), at: Vec::new(), unclear: Vec::new(), silent: false };
    for at in context.medicines.places() {
        let Some(node) = gathered.resource(*at).map(|r| r.node) else { continue };
        let standing = medicine_standing(node, context);
        let tube = by_tube(node, settings);
        if matches!(standing, Standing::Past) || tube == Some(false) {
            continue;
        }
        let codes = match kind {
            ConceptKind::DoseForm => form_codes(node, gathered),
            _ => medicine_codes(node, gathered),
        };
        let (keys, _) = keys_of(concepts, kind, &codes);
        let forms = kind == ConceptKind::DoseForm;
        // Of a form that no concept stands for, and of a medicine without a code of a system in which what is looked for is
        // named, it is not known whether they are it.
        let (wanted, tells) = if forms {
            (keys.iter().any(|key| *key != PLAIN), !keys.is_empty())
        } else {
            let hazardous = concepts.iter().filter(|c| c.kind == kind && c.key == HAZARDOUS);
            let systems = || hazardous.clone().flat_map(|c| &c.codes).map(|(system, _)| system.as_str());
            let named =
                |system: &str| systems().any(|own| own == system || own.ends_with("/atc") && system.ends_with("/atc"));
            let tells = codes.iter().any(|(system, code)| code.is_some() && system.as_deref().is_some_and(named));
            (keys.contains(&HAZARDOUS), tells)
        };
        let unknown_form = forms && !codes.is_empty() && !tells;
        match (tube, standing) {
            (Some(true), Standing::Current) if tells => {
                out.at.push(*at);
                out.keys.extend(keys.into_iter().map(str::to_owned));
            }
            (Some(_), Standing::Current) if unknown_form => {
                let why = "a medicine that goes through the tube has a dose form that the rulebook does not know";
                out.unclear.push((*at, why));
            }
            (Some(_), _) if wanted || unknown_form => {
                out.unclear.push((*at, "a medicine for the tube does not tell whether it is given now"));
            }
            (None, _) if wanted => {
                out.unclear
                    .push((*at, "a medicine that must not be crushed does not tell whether it goes through the tube"));
            }
            _ => out.silent |= !tells,
        }
    }
    out
}

/// The resource a Reference leads to inside the document.
fn resolve<'d>(reference: Node<'_>, gathered: &Gathered<'d>) -> Option<Node<'d>> {
    let text = reference.get("reference").and_then(Node::as_str)?;
    match gathered.resolve(reference.at(), &text) {
        Resolution::Found(at) | Resolution::FoundByTypeAndId(at) => gathered.resource(at).map(|r| r.node),
        _ => None,
    }
}

/// Orders beside this one that nothing is to be given, by the concepts of kind hold.
pub(super) fn stops(context: &Context<'_>, gathered: &Gathered<'_>, concepts: &[Concept]) -> Stops {
    if !concepts.iter().any(|c| c.kind == ConceptKind::Hold) {
        return Stops::NoCodes;
    }
    let title = |key: &str| {
        let concept = concepts.iter().find(|c| c.kind == ConceptKind::Hold && c.key == key);
        concept.map_or_else(|| key.to_owned(), |c| c.title.clone())
    };
    let (mut found, mut unread) = (Vec::new(), Vec::new());
    for at in context.service_requests.places() {
        let Some(node) = gathered.resource(*at).map(|r| r.node) else { continue };
        let past = ["draft", "on-hold", "revoked", "completed", "ended"];
        let standing = status(node);
        let meant = node.get("intent").and_then(Node::as_str);
        if standing.as_deref().is_some_and(|s| past.contains(&s))
            || meant.is_some_and(|intent| matches!(intent.as_ref(), "proposal" | "plan" | "option"))
        {
            continue;
        }
        let code = node.get("code");
        // In R5 the code stands in `concept`.
        let codes: Vec<Coded<'_>> =
            code.into_iter().chain(code.and_then(|code| code.get("concept"))).flat_map(codings).collect();
        let (keys, usable) = keys_of(concepts, ConceptKind::Hold, &codes);
        match (keys.first(), standing.as_deref()) {
            (Some(key), Some("active")) => found.push(Stop { at: *at, title: title(key), period: period(node) }),
            (Some(_), _) => unread.push((*at, "its status is not known")),
            (None, _) if !usable => {
                unread.push((*at, "it has no code of a system in which the rulebook names such orders"))
            }
            (None, _) => {}
        }
    }
    // This order's own diet is not asked: whoever may not swallow is fed by tube.
    for at in context.other_orders.places().iter().copied() {
        let Some(node) = gathered.resource(at).map(|r| r.node) else { continue };
        if status(node).as_deref() != Some("active") {
            continue;
        }
        let types = node.get("oralDiet").and_then(|diet| diet.get("type"));
        let codes: Vec<Coded<'_>> = types.into_iter().flat_map(Node::items).flat_map(codings).collect();
        if let Some(key) = keys_of(concepts, ConceptKind::Hold, &codes).0.first() {
            found.push(Stop { at, title: title(key), period: [None, None] });
        }
    }
    if found.is_empty() && !context.service_requests.is_data() {
        return Stops::NotSent;
    }
    Stops::Sent { found, unread }
}

/// What is ordered by mouth beside the feed.
pub(super) enum Mouth {
    /// Neither a diet nor a supplement was found, and nothing was said about other orders.
    NotSent,
    /// Diets and supplements, of this order and of others that stand; none: there are none.
    Sent(Vec<At>),
    /// One of an order of which it is not told whether it stands.
    Unclear(At),
}

/// Diets and supplements by mouth. Nil by mouth, by the concepts of kind hold or in words, is no diet, and neither is a fluid limit
/// or a consistency of fluids alone; any other in words only counts as a diet.
pub(super) fn by_mouth(
    context: &Context<'_>,
    gathered: &Gathered<'_>,
    order: &Order<'_>,
    concepts: &[Concept],
) -> Mouth {
    let mut found: Vec<At> = order.supplements.clone();
    found.extend(order.oral_diet.filter(|_| {
        let diet = gathered.resource(order.at).and_then(|r| r.node.get("oralDiet"));
        diet.is_some_and(|diet| is_eaten(diet, concepts))
    }));
    let draft = matches!(order.status.value(), Some(Status::Draft));
    let mut unclear = None;
    for at in context.other_orders.places() {
        let Some(node) = gathered.resource(*at).map(|r| r.node) else { continue };
        let diet = node.get("oralDiet").filter(|diet| is_eaten(*diet, concepts));
        let supplements = node.get("supplement").into_iter().flat_map(Node::items);
        let mut own = diet.into_iter().chain(supplements).map(|part| part.at()).peekable();
        if own.peek().is_none() {
            continue;
        }
        match status(node).as_deref() {
            Some("active") => found.extend(own),
            // What is being ordered with a draft stands as that does.
            Some("draft") if draft => found.extend(own),
            Some("unknown") | None => unclear = unclear.or(Some(*at)),
            Some(_) => {}
        }
    }
    match unclear {
        Some(at) if found.is_empty() => Mouth::Unclear(at),
        None if found.is_empty() && context.other_orders == Sent::NotSent => Mouth::NotSent,
        _ => Mouth::Sent(found),
    }
}

/// Words by which a diet is none (common practice, no source): one, or two that follow each other.
const NIL_BY_MOUTH: [(&str, &str); 12] = [
    ("npo", ""),
    ("nbm", ""),
    ("nil", "by"),
    ("nil", "per"),
    ("nothing", "by"),
    ("nothing", "per"),
    ("nüchtern", ""),
    ("jeun", ""),
    ("ayunas", ""),
    ("digiuno", ""),
    ("jejum", ""),
    ("nuchter", ""),
];

/// Whether a diet is one that is eaten.
fn is_eaten(diet: Node<'_>, concepts: &[Concept]) -> bool {
    let types = diet.get("type").into_iter().flat_map(Node::items).flat_map(codings).collect::<Vec<_>>();
    if !keys_of(concepts, ConceptKind::Hold, &types).0.is_empty() {
        return false;
    }
    // Words alone say nil by mouth as well.
    let texts = diet.get("type").into_iter().flat_map(Node::items).filter_map(|kind| kind.get("text")?.as_str());
    let words = |text: Text<'_>| {
        let text = text.to_lowercase();
        let words: Vec<&str> = text.split(|c: char| !c.is_alphanumeric()).collect();
        NIL_BY_MOUTH.iter().any(|(first, then)| {
            words.windows(2).any(|w| w == [*first, *then]) || then.is_empty() && words.contains(first)
        })
    };
    if texts.into_iter().any(words) {
        return false;
    }
    let only_fluid = diet.members().all(|(name, part)| match name.as_ref() {
        "nutrient" => part.items().all(is_fluid),
        name => matches!(name, "schedule" | "fluidConsistencyType" | "id"),
    });
    diet.kind() == Kind::Object && !only_fluid
}

/// Whether a nutrient of a diet is what may be drunk.
fn is_fluid(nutrient: Node<'_>) -> bool {
    let modifiers = nutrient.get("modifier").into_iter().flat_map(codings);
    modifiers.into_iter().any(|(s, c)| s.as_deref() == Some(FLUID.0) && c.as_deref() == Some(FLUID.1))
}

/// From when to when something is asked for; a moment is when it begins.
fn period(node: Node<'_>) -> [Option<When>; 2] {
    let mut read = Datatypes::default();
    if let Some(moment) = read.date_time(node, "occurrenceDateTime").value() {
        return [Some(*moment), None];
    }
    let bounds = node.get("occurrenceTiming").and_then(|t| t.get("repeat")).and_then(|r| r.get("boundsPeriod"));
    let Some(period) = node.get("occurrencePeriod").or(bounds) else { return [None, None] };
    ["start", "end"].map(|name| read.date_time(period, name).value().copied())
}

/// The keys of one kind of context. What the formulary lists is known for what it is, whatever its codes (`listed`).
pub(super) fn set(
    kind: ConceptKind,
    context: &Context<'_>,
    gathered: &Gathered<'_>,
    order: &Order<'_>,
    concepts: &[Concept],
    listed: &dyn Fn(Node<'_>) -> bool,
) -> Set {
    let (sent, resources) = match kind {
        ConceptKind::Condition => (&context.conditions, ResourceKind::Condition),
        ConceptKind::Allergy => (&context.allergies, ResourceKind::AllergyIntolerance),
        ConceptKind::Medicine => (&context.medicines, ResourceKind::Medication),
        ConceptKind::Setting
        | ConceptKind::Hold
        | ConceptKind::Device
        | ConceptKind::DoseForm
        | ConceptKind::Procedure
        | ConceptKind::Diet => return Set::NotSent,
    };
    let mut keys = Keys { complete: true, ..Keys::default() };
    let (mut places, mut unlisted) = (Vec::new(), Vec::new());
    for at in sent.places() {
        let Some(resource) = gathered.resource(*at) else { continue };
        let node = resource.node;
        let (standing, codes) = match kind {
            ConceptKind::Medicine => (medicine_standing(node, context), medicine_codes(node, gathered)),
            ConceptKind::Allergy => {
                let mut codes: Vec<_> = node.get("code").into_iter().flat_map(codings).collect();
                for reaction in node.get("reaction").into_iter().flat_map(Node::items) {
                    codes.extend(reaction.get("substance").into_iter().flat_map(codings));
                }
                (clinical(node), codes)
            }
            _ => (clinical(node), node.get("code").into_iter().flat_map(codings).collect()),
        };
        if matches!(standing, Standing::Past) {
            continue;
        }
        places.push(*at);
        let (found, usable) = keys_of(concepts, kind, &codes);
        if found.is_empty() && usable {
            unlisted.push(*at);
        }
        let usable = usable || kind == ConceptKind::Medicine && listed(node);
        keys.complete &= usable && matches!(standing, Standing::Current);
        if matches!(standing, Standing::Current) {
            for key in found {
                if !keys.present.iter().any(|k| k == key) {
                    keys.present.push(key.to_owned());
                }
            }
        }
    }
    // An item that says something that is not understood may be any of them.
    let unread = context.set_aside.iter().filter(|s| s.why.starts_with("a modifier"));
    for at in unread.map(|s| s.at).filter(|at| gathered.resource(*at).is_some_and(|r| r.kind == resources)) {
        keys.complete = false;
        places.push(at);
    }
    if kind == ConceptKind::Allergy {
        let named = order.allergies.iter().filter(|r| r.resolved.is_none()).count();
        keys.complete &= named == 0;
        if named > 0 {
            places.push(order.at);
        }
        // What the order itself says that is not to be given counts like an allergy.
        for food in &order.excluded {
            places.push(food.at);
            let (found, usable) = keys_of_food(concepts, ConceptKind::Allergy, &food.value);
            keys.complete &= usable && *sent != Sent::NotSent;
            for key in found {
                if !keys.present.iter().any(|k| k == key) {
                    keys.present.push(key.to_owned());
                }
            }
        }
    }
    if *sent == Sent::NotSent && places.is_empty() {
        return Set::NotSent;
    }
    Set::Of(keys, places, unlisted)
}

/// Place of care as the encounters tell it.
#[derive(Default)]
pub(super) struct Care {
    /// Keys of settings.
    pub settings: Vec<String>,
    /// Names of current locations.
    pub wards: Vec<String>,
    /// When the encounters began.
    pub began: Vec<When>,
    /// Encounters.
    pub at: Vec<At>,
}

pub(super) fn care(context: &Context<'_>, gathered: &Gathered<'_>, concepts: &[Concept]) -> Care {
    let mut out = Care::default();
    let mut read = Datatypes::default();
    for at in context.encounters.places() {
        let Some(resource) = gathered.resource(*at) else { continue };
        let node = resource.node;
        if !encounter_stands(node) {
            continue;
        }
        out.at.push(*at);
        let mut codes = Vec::new();
        for name in ["class", "serviceType", "type"] {
            let Some(value) = node.get(name) else { continue };
            for concept in std::iter::once(value).chain(value.items()) {
                codes.push(coding(concept));
                codes.extend(codings(concept));
                codes.extend(concept.get("concept").into_iter().flat_map(codings));
            }
        }
        for location in node.get("location").into_iter().flat_map(Node::items) {
            if !location_stands(location) {
                continue;
            }
            for name in ["physicalType", "form"] {
                codes.extend(location.get(name).into_iter().flat_map(codings));
            }
            let Some(reference) = location.get("location") else { continue };
            let named = resolve(reference, gathered);
            if let Some(named) = named {
                for concept in named.get("type").into_iter().flat_map(Node::items) {
                    codes.extend(codings(concept));
                }
            }
            let name = named.and_then(|n| n.get("name")).or_else(|| reference.get("display")).and_then(Node::as_str);
            if let Some(name) = name.map(|n| n.trim().to_owned())
                && !out.wards.contains(&name)
            {
                out.wards.push(name);
            }
        }
        let (keys, _) = keys_of(concepts, ConceptKind::Setting, &codes);
        let home = codes.iter().any(|(_, code)| code.as_deref() == Some("HH"));
        for key in keys.into_iter().chain(home.then_some("home")) {
            if !out.settings.iter().any(|k| k == key) {
                out.settings.push(key.to_owned());
            }
        }
        let period = node.get("actualPeriod").or_else(|| node.get("period"));
        if let Some((Field::Present(start), _)) = period.map(|p| read.period(p)) {
            out.began.push(start.value);
        }
    }
    out
}

/// An amount read from the document: base units, or why it cannot be used.
pub(super) type Read = (Result<Exact, String>, At);

fn quantity(node: Node<'_>, wanted: &[(Dimension, Exact)]) -> Read {
    let mut read = Datatypes::default();
    let q = read.quantity(node);
    let fits = dimension_of(&q).and_then(|d| wanted.iter().find(|(w, _)| *w == d));
    let Some((dimension, factor)) = fits.or(wanted.first()).copied() else {
        return (Err("its unit is not known".to_owned()), node.at());
    };
    let reading = measure(&q, dimension);
    let value = match reading.value.and_then(|x| x.mul(factor)) {
        Some(x) => Ok(x),
        None => Err(reading.blocking().next().map_or_else(|| "it cannot be read".to_owned(), ToString::to_string)),
    };
    (value, node.at())
}

/// The fluid limits of an order, mL/s. An amount without a period is taken per day.
pub(super) fn fluid_limits(order: &Order<'_>, gathered: &Gathered<'_>) -> Vec<Read> {
    let nutrients = order
        .oral_diet
        .and_then(|_| gathered.resource(order.at))
        .and_then(|r| r.node.get("oralDiet"))
        .and_then(|diet| diet.get("nutrient"));
    nutrients
        .into_iter()
        .flat_map(Node::items)
        .filter(|nutrient| is_fluid(*nutrient))
        .map(|n| match n.get("amount") {
            Some(amount) => {
                quantity(amount, &[(Dimension::VOLUME_RATE, Exact::ONE), (Dimension::VOLUME, Exact::ratio(1, 86_400))])
            }
            // There is a limit; which, is not said.
            None => (Err("a fluid limit is ordered without an amount".to_owned()), n.at()),
        })
        .collect()
}

/// The sizes of feeding tubes among the patient's devices, cm.
pub(super) fn tube_sizes(context: &Context<'_>, gathered: &Gathered<'_>) -> Vec<Read> {
    let mut out = Vec::new();
    for at in context.devices.places() {
        let Some(resource) = gathered.resource(*at) else { continue };
        if matches!(status(resource.node).as_deref(), Some("inactive" | "completed" | "stopped")) {
            continue;
        }
        // The device itself, or the one that its use names.
        let used = resource.node.get("device");
        let used = used.map(|d| d.get("reference").filter(|r| r.get("reference").is_some()).unwrap_or(d));
        let device = used.and_then(|r| resolve(r, gathered)).unwrap_or(resource.node);
        for property in device.get("property").into_iter().flat_map(Node::items) {
            let is_size = property
                .get("type")
                .into_iter()
                .flat_map(codings)
                .any(|(s, c)| s.as_deref() == Some(TUBE_SIZE.0) && c.as_deref() == Some(TUBE_SIZE.1));
            let Some(value) = property.get("valueQuantity").filter(|_| is_size) else { continue };
            for node in std::iter::once(value).chain(value.items()).filter(|n| n.get("value").is_some()) {
                let read = quantity(node, &[(Dimension::LENGTH, Exact::ONE)]);
                if !out.iter().any(|(_, at)| *at == read.1) {
                    out.push(read);
                }
            }
        }
    }
    out
}

/// Keys of the concepts of devices that the program knows what to do with.
const NASAL: &str = "nasal-tube";
const STOMA: &str = "stoma-tube";

/// What is known of tubes through the nose.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Nasal {
    /// There is none that this order could use.
    No,
    /// A tube is in use of which it is not told whether it goes through the nose.
    Untold(Vec<At>),
    /// No device says so, and the route does not either.
    NotTold,
    /// There is one; where its device stands, and since when it lies, or why that is not known.
    Yes(Vec<At>, Since),
}

/// Since when a tube lies.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Since {
    /// It was placed then.
    Placed(When),
    /// No device was found that is this tube.
    NoDevice,
    /// Only uses of devices that were not sent themselves.
    DeviceNotSent,
    /// The device of this tube says nothing of it.
    Untold,
    /// A device in use may be this tube or anything else.
    Unclear,
}

/// One device in use.
struct InUse<'d> {
    device: At,
    codes: Vec<Coded<'d>>,
    /// It says how wide it is, as only tubes do.
    sized: bool,
    /// Its use names it, and it was not sent.
    not_sent: bool,
    /// Its use by the patient says that it is in use.
    used: bool,
    since: Option<When>,
}

/// What the codes of a route say of the nose: through it, or surely not; `None` where they do not tell.
fn through_nose(order: &Order<'_>) -> Option<bool> {
    const ROUTES: &str = "http://terminology.hl7.org/CodeSystem/v3-RouteOfAdministration";
    let route = order.formula.as_ref()?.route.value()?;
    let mut said = None;
    for coding in route.codings.iter().filter(|coding| coding.system.as_deref().map(str::trim) == Some(ROUTES)) {
        let nose = match coding.code.as_deref().map(str::trim) {
            Some("NGT" | "NASOGASINSTIL") => true,
            Some("GT" | "OGT" | "JJTINSTL" | "OJJ" | "GJT" | "PO") => false,
            _ => continue,
        };
        match said {
            // Two that contradict each other tell nothing.
            Some(before) if before != nose => return None,
            _ => said = Some(nose),
        }
    }
    said
}

/// Devices in use, each once: by itself, or as its use by the patient names it.
fn in_use<'d>(context: &Context<'_>, gathered: &Gathered<'d>) -> Vec<InUse<'d>> {
    let (mut out, mut over): (Vec<InUse<'d>>, Vec<At>) = (Vec::new(), Vec::new());
    let mut read = Datatypes::default();
    for at in context.devices.places() {
        let Some(node) = gathered.resource(*at).map(|r| r.node) else { continue };
        let used = node.get("device");
        let concept = used.and_then(|used| used.get("concept"));
        let named = used.map(|used| used.get("reference").filter(|r| r.get("reference").is_some()).unwrap_or(used));
        let resolved = named.and_then(|named| resolve(named, gathered));
        let not_sent = named.is_some() && resolved.is_none() && concept.is_none();
        let device = resolved.unwrap_or(node);
        // R4: timing[x] is a Period, a Timing or a moment; only the first two tell when it began.
        let bounds = node.get("timingTiming").and_then(|t| t.get("repeat")).and_then(|r| r.get("boundsPeriod"));
        let period = node.get("timingPeriod").or(bounds).map(|period| read.period(period));
        let [start, end] = match &period {
            Some((start, end)) => [start.value().copied(), end.value().copied()],
            None => [None, None],
        };
        let ended = end.and_then(|end| context.seconds_from(end).low()).is_some_and(Exact::is_positive);
        let past = ["inactive", "completed", "stopped", "intended", "entered-in-error", "not-done"];
        if ended || [status(node), status(device)].iter().flatten().any(|s| past.contains(&s.as_str())) {
            over.push(device.at());
            continue;
        }
        let kinds = device.get("type");
        let kinds = kinds.into_iter().chain(kinds.into_iter().flat_map(Node::items));
        let codes: Vec<Coded<'d>> = kinds.chain(concept).flat_map(codings).collect();
        let is_size = |(s, c): Coded<'_>| s.as_deref() == Some(TUBE_SIZE.0) && c.as_deref() == Some(TUBE_SIZE.1);
        let mut properties = device.get("property").into_iter().flat_map(Node::items);
        let sized = properties.any(|p| p.get("type").into_iter().flat_map(codings).any(is_size));
        match out.iter_mut().find(|known| known.device == device.at()) {
            Some(known) => {
                known.codes.extend(codes);
                // The one placed last counts.
                let newer = |a: When, b: When| {
                    if context.seconds_from(a).low() <= context.seconds_from(b).low() { a } else { b }
                };
                known.since = known.since.zip(start).map(|(a, b)| newer(a, b)).or(known.since).or(start);
                known.used |= used.is_some();
            }
            None => out.push(InUse { device: device.at(), codes, sized, not_sent, used: used.is_some(), since: start }),
        }
    }
    // One use may have ended and another of the same device go on.
    out.retain(|device| device.used || !over.contains(&device.device));
    out
}

/// Whether the feed goes through the nose, and since when the tube lies there.
pub(super) fn nasal_tube(
    context: &Context<'_>,
    gathered: &Gathered<'_>,
    order: &Order<'_>,
    concepts: &[Concept],
) -> Nasal {
    let route = through_nose(order);
    if route == Some(false) {
        return Nasal::No;
    }
    let (mut nasal, mut tubes, mut unclear, mut others) = (Vec::new(), Vec::new(), Vec::new(), false);
    for device in in_use(context, gathered) {
        let (keys, usable) = keys_of(concepts, ConceptKind::Device, &device.codes);
        if keys.contains(&NASAL) {
            nasal.push(device);
        } else if keys.contains(&STOMA) {
            others = true;
        } else if !keys.is_empty() || device.sized {
            tubes.push(device);
        } else if !usable {
            unclear.push(device);
        }
    }
    let at = |devices: &[InUse<'_>]| devices.iter().map(|d| d.device).collect::<Vec<At>>();
    let mine = match (nasal.is_empty(), route) {
        (false, _) => nasal,
        (true, Some(_)) if !tubes.is_empty() => tubes,
        (true, Some(_)) if unclear.is_empty() => return Nasal::Yes(Vec::new(), Since::NoDevice),
        (true, Some(_)) if unclear.iter().all(|d| d.not_sent) => {
            return Nasal::Yes(Vec::new(), Since::DeviceNotSent);
        }
        (true, Some(_)) => return Nasal::Yes(at(&unclear), Since::Unclear),
        (true, None) if !tubes.is_empty() => return Nasal::Untold(at(&tubes)),
        (true, None) if unclear.iter().any(|d| !d.not_sent) => return Nasal::Untold(at(&unclear)),
        (true, None) if others && unclear.is_empty() => return Nasal::No,
        (true, None) => return Nasal::NotTold,
    };
    let places = mine.iter().map(|d| d.device).collect();
    let starts: Option<Vec<When>> = mine.iter().map(|d| d.since).collect();
    let since = match starts {
        None => Since::Untold,
        Some(starts) => {
            let latest = starts.into_iter().min_by_key(|when| context.seconds_from(*when).low());
            latest.map_or(Since::NoDevice, Since::Placed)
        }
    };
    Nasal::Yes(places, since)
}

/// Key of the concept of procedures that make a gastrostomy.
const GASTROSTOMY: &str = "gastrostomy";
/// Seconds for which a gastrostomy is new at all (common practice, no source).
const NEW: Exact = Exact::int(7 * 86_400);

/// What is known of a new gastrostomy.
pub(super) enum Gastrostomy {
    /// Nothing was said of procedures.
    NotSent,
    /// There is none.
    No,
    /// A procedure of the last days has no code of a system in which gastrostomies are named.
    NotCoded,
    /// A procedure may be one, or may be a new one, and why that is not known.
    Unclear(At, &'static str),
    /// The latest, and when it was made.
    Made(At, When),
}

/// When a procedure was done: its end, where it has one. R4 `performed`, R5 `occurrence`.
fn done(node: Node<'_>) -> Option<When> {
    let mut read = Datatypes::default();
    for name in ["performedPeriod", "occurrencePeriod"] {
        if let Some(period) = node.get(name) {
            let (start, end) = read.period(period);
            return end.value().or(start.value()).copied();
        }
    }
    let moment = |name| read.date_time(node, name).value().copied();
    ["performedDateTime", "occurrenceDateTime"].into_iter().find_map(moment)
}

/// The latest gastrostomy among the procedures, where it is new.
pub(super) fn gastrostomy(context: &Context<'_>, gathered: &Gathered<'_>, concepts: &[Concept]) -> Gastrostomy {
    if context.procedures == Sent::NotSent {
        return Gastrostomy::NotSent;
    }
    let mut latest: Option<(Exact, At, When)> = None;
    let mut unclear: Option<(At, &'static str)> = None;
    // One that may be new, without a code of a system in which gastrostomies are named.
    let mut foreign = false;
    for at in context.procedures.places() {
        let Some(node) = gathered.resource(*at).map(|r| r.node) else { continue };
        let standing = status(node);
        if matches!(standing.as_deref(), Some("preparation" | "not-done" | "stopped" | "on-hold")) {
            continue;
        }
        let when = done(node);
        let since = when.map(|when| context.seconds_from(when));
        // However it is called: what was done long ago is not new.
        if since.as_ref().and_then(|since| since.low()).is_some_and(|low| low > NEW) {
            continue;
        }
        let codes: Vec<Coded<'_>> = node.get("code").into_iter().flat_map(codings).collect();
        let (keys, usable) = keys_of(concepts, ConceptKind::Procedure, &codes);
        let mine = keys.contains(&GASTROSTOMY);
        // Said in a way that is not read, such as in words or as an age.
        let unread = when.is_none()
            && ["performed", "occurrence"].iter().any(|name| {
                ["", "DateTime", "Period", "String", "Age", "Range", "Timing"]
                    .iter()
                    .any(|kind| node.get(&format!("{name}{kind}")).is_some())
            });
        match (mine, when.zip(since.and_then(|since| since.low()))) {
            (true, Some(_)) if !matches!(standing.as_deref(), Some("completed" | "in-progress")) => {
                unclear = unclear.or(Some((*at, "a gastrostomy does not tell whether it was done")));
            }
            (true, Some((when, low))) => {
                if latest.as_ref().is_none_or(|(had, ..)| low < *had) {
                    latest = Some((low, *at, when));
                }
            }
            (true, None) => unclear = unclear.or(Some((*at, "a gastrostomy does not tell when it was done"))),
            // One without a day is of no use here, whatever it is.
            (false, when) if !usable && (when.is_some() || unread) => foreign = true,
            (false, _) => {}
        }
    }
    match (latest, unclear) {
        (Some((_, at, when)), _) => Gastrostomy::Made(at, when),
        (None, Some((at, why))) => Gastrostomy::Unclear(at, why),
        (None, None) if foreign => Gastrostomy::NotCoded,
        (None, None) => Gastrostomy::No,
    }
}

/// Other feeding orders of the patient: how many stand, and whether any of them was ever a tube feed.
pub(super) fn other_orders(context: &Context<'_>, gathered: &Gathered<'_>) -> (usize, bool) {
    let (mut standing, mut fed) = (0, false);
    for at in context.other_orders.places() {
        let Some(resource) = gathered.resource(*at) else { continue };
        let status = status(resource.node);
        let tube = resource.node.get("enteralFormula").is_some();
        if tube && matches!(status.as_deref(), Some("active" | "on-hold" | "unknown") | None) {
            standing += 1;
        }
        fed |= tube && !matches!(status.as_deref(), Some("draft" | "entered-in-error"));
    }
    (standing, fed)
}
