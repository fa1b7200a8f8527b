//! A product read from a FHIR NutritionProduct (R4B, R5) that was sent with an order.
//!
//! FHIR gives it nutrients with amounts as ratios, allergens and characteristics, but no energy, water,
//! form or age class: energy and water are nutrients here, the rest are characteristics with the codes of
//! `…/CodeSystem/product-characteristic`, or the extensions `…/StructureDefinition/product-*` under
//! `schemas/fhir`, which mean the same. What is read is evidence that came with the order; the
//! institution's own entry goes before it (see [`super::Formulary::find_with`]).

use super::plausibility::{self, Stated};
use super::problem::{FormularyProblem, Level};
use super::product::{AgeClass, Basis, Form, NUTRIENTS, Nutrient, Product, Provenance};
use super::table::{FLAGS, VISCOSITIES};
use super::{basis_unit, naming, suggestion};
use crate::exact::Exact;
use crate::intake::json::{Kind, Node};
use crate::intake::order::{At, Concept, FhirVersion, Field, Problem, Quantity, Text};
use crate::intake::wire::datatypes::{Datatypes, shown};
use crate::intake::wire::extension::{BASE, CHANGES_NOTHING};
use crate::units::{Dimension, Reading, UnitNote, measure, measure_nutrient};
use std::collections::{BTreeMap, HashMap};

/// System of the codes of nutrients, energy and water among them.
pub const NUTRIENT_CODES: &str = "https://enteral-gate.example/fhir/CodeSystem/nutrient";
/// System of the codes of characteristics.
pub const CHARACTERISTIC_CODES: &str = "https://enteral-gate.example/fhir/CodeSystem/product-characteristic";
/// System of the words for allergens and ingredients, see [`FLAGS`].
pub const FLAG_CODES: &str = "https://enteral-gate.example/fhir/CodeSystem/product-flag";
/// System of the words for forms, as in the formulary.
pub const FORM_CODES: &str = "https://enteral-gate.example/fhir/CodeSystem/product-form";

/// The characteristics that are read; as extensions, each has the prefix `product-`.
pub const CHARACTERISTICS: [&str; 8] =
    ["form", "age-class", "viscosity", "osmolality", "displacement", "container", "free-from", "source"];

/// What an entry of `nutrient` tells about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Component {
    /// Energy.
    Energy,
    /// The medium-chain part of the fat.
    MediumChainFat,
    /// A nutrient.
    Nutrient(Nutrient),
}

impl Component {
    /// All, energy first.
    pub fn all() -> impl Iterator<Item = Self> {
        [Self::Energy, Self::MediumChainFat].into_iter().chain(Nutrient::ALL.map(Self::Nutrient))
    }

    /// Its code in [`NUTRIENT_CODES`], and its name for people.
    pub const fn code(self) -> &'static str {
        match self {
            Self::Energy => "energy",
            Self::MediumChainFat => "medium-chain-fat",
            Self::Nutrient(nutrient) => nutrient.name(),
        }
    }
}

/// Codes by which senders name nutrients and allergens. The default knows this project's own; an
/// institution adds those of the terminologies it uses.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ProductCodes {
    /// (system, code) of `nutrient.item`.
    pub nutrients: BTreeMap<(String, String), Component>,
    /// (system, code) of `knownAllergen`, to one of the words of [`FLAGS`].
    pub flags: BTreeMap<(String, String), String>,
}

impl Default for ProductCodes {
    fn default() -> Self {
        Self {
            nutrients: Component::all().map(|c| ((NUTRIENT_CODES.to_owned(), c.code().to_owned()), c)).collect(),
            flags: FLAGS
                .iter()
                .map(|(word, _)| ((FLAG_CODES.to_owned(), (*word).to_owned()), (*word).to_owned()))
                .collect(),
        }
    }
}

/// A product that came with an order.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SentProduct {
    /// The product. Its provenance says that it was sent with the order.
    pub product: Product,
    /// What in the resource was not used, and why.
    pub problems: Vec<Problem>,
    /// Warnings about its figures, as for an entry of the formulary.
    pub warnings: Vec<FormularyProblem>,
}

/// Reads a NutritionProduct.
///
/// Amounts may be per volume, mass, energy or a number of doses; they are normalised to the basis that most
/// entries share. Amounts per energy are brought to the basis for which energy is stated. An amount that cannot be read is not stated, and reported.
///
/// # Errors
/// What makes the resource unusable as a whole: a version without the resource, a status other than
/// `active`, a modifier that is not understood, no name or code, no amount that can be read, or figures
/// that cannot be.
pub fn product_from_fhir(
    node: Node<'_>,
    version: FhirVersion,
    codes: &ProductCodes,
) -> Result<SentProduct, Vec<Problem>> {
    let mut reader = Reader { read: Datatypes::default(), codes, unusable: false, contradicted: Vec::new() };
    let sent = reader.product(node, version);
    match sent {
        Some((product, warnings)) if !reader.unusable => {
            Ok(SentProduct { product, problems: reader.read.problems, warnings })
        }
        _ => Err(reader.read.problems),
    }
}

struct Reader<'c> {
    read: Datatypes,
    codes: &'c ProductCodes,
    unusable: bool,
    // Characteristics that were stated twice and differ.
    contradicted: Vec<&'static str>,
}

/// The amount of one component, per one unit of each basis that it is stated for.
type Amounts = HashMap<Component, Vec<(Basis, Exact, At)>>;

/// Order of preference where as many amounts are stated for one basis as for another.
const BASES: [Basis; 4] = [Basis::Millilitre, Basis::Dose, Basis::Gram, Basis::Kilocalorie];

impl Reader<'_> {
    fn refuse(&mut self, at: At, code: &'static str, text: String) {
        self.unusable = true;
        self.read.grave(at, code, text);
    }

    fn product(&mut self, node: Node<'_>, version: FhirVersion) -> Option<(Product, Vec<FormularyProblem>)> {
        let at = node.at();
        if !node.get("resourceType").is_some_and(|t| t.is_str("NutritionProduct")) {
            self.refuse(at, "structure", "not a NutritionProduct".to_owned());
            return None;
        }
        let characteristics = match version {
            FhirVersion::R4 => {
                self.refuse(at, "not-supported", "FHIR R4 has no NutritionProduct; expected R4B or R5".to_owned());
                return None;
            }
            FhirVersion::R4B => "productCharacteristic",
            FhirVersion::R5 => "characteristic",
        };
        self.status(node);
        self.elements(node, version, characteristics);

        let code = node.get("code").map(|c| self.read.concept(c)).unwrap_or_default();
        let codes: Vec<(String, String)> = code
            .codings
            .iter()
            .filter_map(|c| Some((c.system.as_ref()?.trim().to_owned(), c.code.as_ref()?.trim().to_owned())))
            .collect();
        let mut names: Vec<String> = Vec::new();
        for name in code.text.iter().chain(code.codings.iter().filter_map(|c| c.display.as_ref())) {
            let name = name.trim().to_owned();
            if name.is_empty() || names.contains(&name) {
                continue;
            }
            if let Some(c) = naming::hidden(&name) {
                let text = format!(
                    "the name {} holds a character that is not seen (U+{:04X}); it is not used",
                    naming::shown(&name),
                    u32::from(c)
                );
                self.read.grave(at, "value", text);
                continue;
            }
            names.push(name);
        }
        let id = self.read.text_if_any(node, "id").map(|id| id.trim().to_owned()).filter(|id| !id.is_empty());
        let name = match (names.first(), codes.first()) {
            (Some(name), _) => name.clone(),
            (None, Some((_, code))) => code.clone(),
            (None, None) => {
                self.refuse(
                    at,
                    "required",
                    "the product has neither a name (code.text or a display) nor a code".to_owned(),
                );
                return None;
            }
        };
        let aliases = names.into_iter().skip(1).collect();
        let identifiers = self.identifiers(node);

        let mut amounts = self.amounts(node);
        convert_from_energy(&mut amounts);
        let Some(basis) = shared_basis(&amounts) else {
            self.refuse(at, "required", "no nutrient has an amount that can be read".to_owned());
            return None;
        };
        let mut energy = self.settled(&amounts, Component::Energy, basis);
        let medium_chain_fat = self.settled(&amounts, Component::MediumChainFat, basis);
        let mut per_unit: [Option<Exact>; NUTRIENTS] = [None; NUTRIENTS];
        for (slot, nutrient) in per_unit.iter_mut().zip(Nutrient::ALL) {
            *slot = self.settled(&amounts, Component::Nutrient(nutrient), basis);
        }

        let stated = self.characteristics(node, characteristics, basis);
        let mut flags = self.allergens(node);
        for (word, place) in stated.free_from {
            if flags.iter().any(|(name, _)| *name == word) {
                let text = format!("{word} is a known allergen and also stated as not contained; taken as contained");
                self.read.grave(place, "invariant", text);
            } else {
                flags.push((word, false));
            }
        }
        let mut osmolality = stated.osmolality;
        if basis == Basis::Kilocalorie {
            energy = None;
            for (value, what) in
                [(per_unit.get_mut(Nutrient::Water as usize), "water"), (Some(&mut osmolality), "osmolality")]
            {
                if let Some(value) = value
                    && value.take().is_some()
                {
                    let text =
                        format!("{what} per kcal depends on the strength the product is mixed to; it is not used");
                    self.read.remark(at, "business-rule", text);
                }
            }
        }
        let file = id.as_ref().map_or_else(|| node.path(), |id| format!("NutritionProduct/{id}"));
        let mut containers = stated.containers;
        containers.sort();
        containers.dedup();
        let product = Product {
            key: file.clone(),
            name,
            aliases,
            codes,
            identifiers,
            form: stated.form.or_else(|| self.category(node)).unwrap_or(Form::NotStated),
            basis,
            energy,
            per_unit,
            osmolality,
            displacement: stated.displacement,
            age: stated.age.unwrap_or(AgeClass::NotStated),
            flags,
            viscosity: stated.viscosity,
            containers,
            provenance: Provenance {
                file,
                line: node.line_column().0,
                stated: match stated.source {
                    Some(source) => format!("sent with the order: {source}"),
                    None => "sent with the order, source not stated".to_owned(),
                },
            },
        };
        let judged = plausibility::judge(&product, medium_chain_fat, &Stated::of(basis));
        let (refusals, warnings): (Vec<_>, Vec<_>) = judged.into_iter().partition(|p| p.level == Level::Refusal);
        for refusal in refusals {
            self.refuse(at, "business-rule", refusal.text);
        }
        Some((product, warnings))
    }

    fn status(&mut self, node: Node<'_>) {
        let statuses = [("active", true), ("inactive", false), ("entered-in-error", false)];
        match self.read.coded(node, "status", &statuses) {
            Field::Present(status) if status.value => {}
            Field::Present(status) => {
                let text = node.get("status").and_then(Node::as_str).unwrap_or_default();
                self.refuse(status.at, "business-rule", format!("the product is {text}; only an active one is used"));
            }
            Field::Absent => {
                self.refuse(node.at(), "required", "status is missing; only an active product is used".to_owned())
            }
            Field::Missing { at, .. } => {
                self.refuse(at, "required", "status is withheld; only an active product is used".to_owned())
            }
            // Already reported.
            Field::Unreadable { .. } => self.unusable = true,
        }
    }

    /// Elements that change the meaning, or that nothing is read from.
    fn elements(&mut self, node: Node<'_>, version: FhirVersion, characteristics: &str) {
        for (key, member) in node.members() {
            match &*key {
                "modifierExtension" | "implicitRules" => {
                    self.refuse(
                        member.at(),
                        "not-supported",
                        format!("{key} may change what the product means and is not understood"),
                    );
                }
                "characteristic" | "productCharacteristic" if key != characteristics => {
                    let text = format!(
                        "{key} is not an element of NutritionProduct in FHIR {}; expected {characteristics}",
                        version.name()
                    );
                    self.read.grave(member.at(), "structure", text);
                }
                "ingredient" => {
                    let text = "ingredients are not read; allergens are expected in knownAllergen".to_owned();
                    self.read.remark(member.at(), "informational", text);
                }
                _ => {}
            }
        }
    }

    /// The objects of a repeating element; a single object counts as one.
    fn objects<'d>(&mut self, node: Node<'d>, name: &str) -> Vec<Node<'d>> {
        let Some(list) = node.get(name) else { return Vec::new() };
        let items: Vec<Node<'d>> = match list.kind() {
            Kind::Array => list.items().collect(),
            _ => vec![list],
        };
        let mut out = Vec::with_capacity(items.len());
        for item in items {
            if item.kind() == Kind::Object {
                out.push(item);
            } else {
                self.read.grave(item.at(), "structure", format!("{name}: an object is expected"));
            }
        }
        out
    }

    fn identifiers(&mut self, node: Node<'_>) -> Vec<(String, String)> {
        let mut out = Vec::new();
        for instance in self.objects(node, "instance") {
            for identifier in self.objects(instance, "identifier") {
                let system = self.read.text_if_any(identifier, "system");
                let value = self.read.text_if_any(identifier, "value");
                if let (Some(system), Some(value)) = (system, value) {
                    out.push((system.trim().to_owned(), value.trim().to_owned()));
                }
            }
        }
        out
    }

    /// The concept of a CodeableReference.
    fn concept<'d>(&mut self, node: Node<'d>) -> Concept<'d> {
        node.get("concept").map(|c| self.read.concept(c)).unwrap_or_default()
    }

    fn amounts(&mut self, node: Node<'_>) -> Amounts {
        let mut out = Amounts::new();
        for nutrient in self.objects(node, "nutrient") {
            let at = nutrient.at();
            if nutrient.get("modifierExtension").is_some() {
                self.refuse(
                    at,
                    "not-supported",
                    "a modifierExtension may change what this nutrient means and is not understood".to_owned(),
                );
                continue;
            }
            let concept = nutrient.get("item").map(|item| self.concept(item)).unwrap_or_default();
            let mut found: Vec<Component> = Vec::new();
            for coding in &concept.codings {
                if let (Some(system), Some(code)) = (&coding.system, &coding.code)
                    && let Some(component) = self.codes.nutrients.get(&(system.to_string(), code.to_string()))
                    && !found.contains(component)
                {
                    found.push(*component);
                }
            }
            let component = match found.as_slice() {
                [component] => *component,
                [] => {
                    let text =
                        format!("{} is not one of the nutrients that are totalled; it is not used", label(&concept));
                    self.read.remark(at, "informational", text);
                    continue;
                }
                [one, other, ..] => {
                    let text = format!("the codes say {} and {}; the amount is not used", one.code(), other.code());
                    self.read.grave(at, "invariant", text);
                    continue;
                }
            };
            let ratios = self.objects(nutrient, "amount");
            if ratios.is_empty() {
                self.read.remark(at, "incomplete", format!("no amount of {}", component.code()));
            }
            for ratio in ratios {
                if let Some((basis, amount)) = self.amount(ratio, component) {
                    out.entry(component).or_default().push((basis, amount, ratio.at()));
                }
            }
        }
        out
    }

    /// One amount, per one unit of its basis.
    fn amount(&mut self, node: Node<'_>, component: Component) -> Option<(Basis, Exact)> {
        let name = component.code();
        let ratio = self.read.ratio(node);
        let (Field::Present(numerator), Field::Present(denominator)) = (&ratio.numerator, &ratio.denominator) else {
            let text = format!(
                "the amount of {name} needs a numerator and a denominator, such as 40 g per 1000 mL; it is not used"
            );
            self.read.grave(node.at(), "required", text);
            return None;
        };
        // The unit of the denominator says what the amount is per.
        let dimension =
            measure(&denominator.value, Dimension::NUMBER).unit.map_or(Dimension::NUMBER, |unit| unit.dimension);
        let basis = match dimension {
            Dimension::VOLUME => Basis::Millilitre,
            Dimension::MASS => Basis::Gram,
            Dimension::ENERGY => Basis::Kilocalorie,
            Dimension::NUMBER => Basis::Dose,
            other => {
                let text = format!(
                    "the amount of {name} is per {}; a volume, mass, energy or number of doses is expected",
                    other.name()
                );
                self.read.grave(denominator.at, "value", text);
                return None;
            }
        };
        let per = self.value(measure(&denominator.value, dimension), denominator.at, name, "denominator")?;
        if !per.is_positive() {
            self.read.grave(
                denominator.at,
                "value",
                format!("the amount of {name} is per {per}; more than 0 is expected"),
            );
            return None;
        }
        let reading = match component {
            Component::Energy => measure(&numerator.value, Dimension::ENERGY),
            Component::MediumChainFat => measure(&numerator.value, Dimension::MASS),
            Component::Nutrient(nutrient) => measure_nutrient(&numerator.value, nutrient, Dimension::NUMBER),
        };
        let amount = self.value(reading, numerator.at, name, "numerator")?;
        match amount.div(per) {
            Some(amount) => Some((basis, amount)),
            None => {
                self.read.grave(
                    node.at(),
                    "value",
                    format!("the amount of {name} is outside the range of exact arithmetic"),
                );
                None
            }
        }
    }

    /// The value of a reading, everything said about it reported.
    fn value(&mut self, reading: Reading, at: At, name: &str, part: &str) -> Option<Exact> {
        for note in &reading.notes {
            // `{packet}` is how UCUM writes a unit that is only counted.
            if matches!(note, UnitNote::Annotation { .. }) {
                continue;
            }
            let text = format!("{name}, {part}: {note}");
            if note.blocks() {
                self.read.grave(at, "value", format!("{text}; it is not used"));
            } else {
                self.read.remark(at, "informational", text);
            }
        }
        reading.value
    }

    /// The amount of a component for the basis. Several that differ, or none for this basis, are reported.
    fn settled(&mut self, amounts: &Amounts, component: Component, basis: Basis) -> Option<Exact> {
        let stated = amounts.get(&component)?;
        let (_, _, place) = stated.first()?;
        let mut of_basis = stated.iter().filter(|(b, ..)| *b == basis);
        let Some((_, first, _)) = of_basis.next() else {
            // Energy per energy says nothing, and is how senders state the basis.
            if !(component == Component::Energy && basis == Basis::Kilocalorie) {
                let text = format!(
                    "{} is not stated per {}, as most others are; it is not used",
                    component.code(),
                    basis_unit(basis)
                );
                self.read.grave(*place, "business-rule", text);
            }
            return None;
        };
        if let Some((_, other, at)) = of_basis.find(|(_, amount, _)| amount != first) {
            let text = format!(
                "{} is stated twice: {} and {} per {}; neither is used",
                component.code(),
                first.short(6),
                other.short(6),
                basis_unit(basis)
            );
            self.read.grave(*at, "invariant", text);
            return None;
        }
        Some(*first)
    }

    fn allergens(&mut self, node: Node<'_>) -> Vec<(String, bool)> {
        let mut out: Vec<(String, bool)> = Vec::new();
        for allergen in self.objects(node, "knownAllergen") {
            let concept = self.concept(allergen);
            let word = self.flag(&concept);
            let name = word.unwrap_or_else(|| {
                let name = label(&concept);
                let text = format!("the allergen {name} is not one that checks read; it is kept as it stands");
                self.read.remark(allergen.at(), "informational", text);
                name
            });
            if !out.iter().any(|(known, _)| *known == name) {
                out.push((name, true));
            }
        }
        out
    }

    /// The word of [`FLAGS`] for a concept.
    fn flag(&self, concept: &Concept<'_>) -> Option<String> {
        concept.codings.iter().find_map(|coding| {
            let pair = (coding.system.as_ref()?.to_string(), coding.code.as_ref()?.to_string());
            self.codes.flags.get(&pair).cloned()
        })
    }

    fn category(&mut self, node: Node<'_>) -> Option<Form> {
        for category in self.objects(node, "category") {
            let concept = self.read.concept(category);
            for coding in &concept.codings {
                if coding.system.as_deref() == Some(FORM_CODES)
                    && let Some(form) = Form::ALL.into_iter().find(|f| coding.code.as_deref() == Some(f.word()))
                {
                    return Some(form);
                }
            }
        }
        None
    }

    fn characteristics(&mut self, node: Node<'_>, element: &str, basis: Basis) -> Characteristics {
        let mut out = Characteristics::default();
        for item in self.objects(node, element) {
            let Some(of_type) = item.get("type") else { continue };
            let concept = self.read.concept(of_type);
            let known = concept.codings.iter().find_map(|c| {
                (c.system.as_deref() == Some(CHARACTERISTIC_CODES))
                    .then_some(c.code.as_deref()?)
                    .and_then(known_characteristic)
            });
            match known {
                Some(name) => self.characteristic(name, item, basis, &mut out),
                None => {
                    let text = format!("the characteristic {} is not one that is read", label(&concept));
                    self.read.remark(item.at(), "informational", text);
                }
            }
        }
        for item in self.objects(node, "extension") {
            let url = item.get("url").and_then(Node::as_str).unwrap_or_default();
            let own = url.strip_prefix(BASE).and_then(|u| u.strip_prefix("/StructureDefinition/product-"));
            match own.and_then(known_characteristic) {
                Some(name) => self.characteristic(name, item, basis, &mut out),
                None if CHANGES_NOTHING.contains(&&*url) => {}
                None => self.read.remark(
                    item.at(),
                    "extension",
                    format!("the extension {} is not one that is read", shown(&url)),
                ),
            }
        }
        out
    }

    /// One characteristic, whichever way it was sent.
    fn characteristic(&mut self, name: &'static str, item: Node<'_>, basis: Basis, out: &mut Characteristics) {
        match name {
            "form" => {
                let words = Form::ALL.map(|f| (f.word(), f));
                out.form = self.word(name, item, &words, out.form);
            }
            "age-class" => {
                let words = AgeClass::ALL.map(|a| (a.word(), a));
                out.age = self.word(name, item, &words, out.age);
            }
            "viscosity" => {
                let words = VISCOSITIES.map(|v| (v, v));
                let before = VISCOSITIES.into_iter().find(|v| out.viscosity.as_deref() == Some(*v));
                out.viscosity = self.word(name, item, &words, before).map(str::to_owned);
            }
            "osmolality" => {
                // Base units are mosm/g of water; people count mOsm/kg.
                let value = self.amount_of(name, item, Dimension::OSMOLALITY).and_then(|x| x.mul(Exact::int(1000)));
                out.osmolality = self.once(name, item, out.osmolality, value);
            }
            "displacement" => {
                let want = match basis {
                    Basis::Dose => Dimension::VOLUME,
                    Basis::Gram => Dimension::VOLUME_PER_MASS,
                    Basis::Millilitre => Dimension::NUMBER,
                    Basis::Kilocalorie => {
                        let text = "displacement is not read for a product whose amounts are per kcal".to_owned();
                        self.read.remark(item.at(), "informational", text);
                        return;
                    }
                };
                let value = self.amount_of(name, item, want);
                out.displacement = self.once(name, item, out.displacement, value);
            }
            "container" => {
                if let Some(size) = self.amount_of(name, item, Dimension::VOLUME) {
                    out.containers.push(size);
                }
            }
            "free-from" => {
                let concept = item.get("valueCodeableConcept").map(|c| self.read.concept(c)).unwrap_or_default();
                let code = item.get("valueCode").and_then(Node::as_str);
                let word = self.flag(&concept).or_else(|| {
                    FLAGS.iter().find(|(word, _)| code.as_deref() == Some(*word)).map(|(word, _)| (*word).to_owned())
                });
                match word {
                    Some(word) if out.free_from.iter().any(|(known, _)| *known == word) => {}
                    Some(word) => out.free_from.push((word, item.at())),
                    None => {
                        let given = code.map_or_else(|| label(&concept), |c| shown(&c));
                        self.read.remark(
                            item.at(),
                            "informational",
                            format!("free-from {given} is not a word that checks read; it is not used"),
                        );
                    }
                }
            }
            _ => {
                if let Some(text) = self.text_of(item)
                    && naming::hidden(&text).is_none()
                {
                    out.source = Some(text.trim().to_owned());
                }
            }
        }
    }

    /// The text of a value, whichever type carries it.
    fn text_of<'d>(&mut self, item: Node<'d>) -> Option<Text<'d>> {
        if let Some(text) = ["valueCode", "valueString"].into_iter().find_map(|v| item.get(v).and_then(Node::as_str)) {
            return Some(text);
        }
        let concept = self.read.concept(item.get("valueCodeableConcept")?);
        concept.codings.into_iter().find_map(|c| c.code).or(concept.text)
    }

    /// One word of a closed list; two different words are a contradiction and neither is used.
    fn word<T: Copy + PartialEq>(
        &mut self,
        name: &'static str,
        item: Node<'_>,
        words: &[(&'static str, T)],
        before: Option<T>,
    ) -> Option<T> {
        let given = self.text_of(item).unwrap_or_default();
        match words.iter().find(|(word, _)| *word == given) {
            Some((_, value)) => self.once(name, item, before, Some(*value)),
            None => {
                let expected: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
                let hint = suggestion::hint(&given, expected.iter().copied());
                let text =
                    format!("{name} {} is not known{hint}; expected one of: {}", shown(&given), expected.join(", "));
                self.read.grave(item.at(), "value", text);
                before
            }
        }
    }

    /// The one value of a characteristic; once contradicted, it stays not stated.
    fn once<T: PartialEq>(
        &mut self,
        name: &'static str,
        item: Node<'_>,
        before: Option<T>,
        now: Option<T>,
    ) -> Option<T> {
        if self.contradicted.contains(&name) {
            return None;
        }
        if before.is_some() && now.is_some() && before != now {
            self.read.grave(item.at(), "invariant", format!("{name} is stated twice and differs; neither is used"));
            self.contradicted.push(name);
            return None;
        }
        now.or(before)
    }

    fn amount_of(&mut self, name: &str, item: Node<'_>, want: Dimension) -> Option<Exact> {
        let Some(node) = item.get("valueQuantity") else {
            self.read.grave(item.at(), "value", format!("{name} needs a valueQuantity"));
            return None;
        };
        let quantity: Quantity<'_> = self.read.quantity(node);
        let reading = measure(&quantity, want);
        self.value(reading, node.at(), name, "value")
    }
}

/// What the characteristics of a product state.
#[derive(Default)]
struct Characteristics {
    form: Option<Form>,
    age: Option<AgeClass>,
    viscosity: Option<String>,
    osmolality: Option<Exact>,
    displacement: Option<Exact>,
    containers: Vec<Exact>,
    free_from: Vec<(String, At)>,
    source: Option<String>,
}

fn known_characteristic(name: &str) -> Option<&'static str> {
    CHARACTERISTICS.into_iter().find(|known| *known == name)
}

/// Where energy is stated per mL, dose or g, what is stated only per kcal is also known per that.
fn convert_from_energy(amounts: &mut Amounts) {
    let energies = amounts.get(&Component::Energy).cloned().unwrap_or_default();
    for (basis, energy, _) in energies.iter().filter(|(basis, ..)| *basis != Basis::Kilocalorie) {
        for (component, stated) in amounts.iter_mut() {
            if *component == Component::Energy || stated.iter().any(|(b, ..)| b == basis) {
                continue;
            }
            let converted: Vec<_> = stated
                .iter()
                .filter(|(b, ..)| *b == Basis::Kilocalorie)
                .filter_map(|(_, amount, at)| Some((*basis, amount.mul(*energy)?, *at)))
                .collect();
            stated.extend(converted);
        }
    }
}

/// The basis that most components are stated for.
fn shared_basis(amounts: &Amounts) -> Option<Basis> {
    let count = |basis| amounts.values().filter(|stated| stated.iter().any(|(b, ..)| *b == basis)).count();
    let mut best: Option<(Basis, usize)> = None;
    for basis in BASES {
        let components = count(basis);
        if components > best.map_or(0, |(_, most)| most) {
            best = Some((basis, components));
        }
    }
    best.map(|(basis, _)| basis)
}

/// A concept for people.
fn label(concept: &Concept<'_>) -> String {
    let display = concept.codings.iter().find_map(|c| c.display.as_ref().or(c.code.as_ref()));
    match concept.text.as_ref().or(display) {
        Some(text) => shown(text),
        None => "without a name".to_owned(),
    }
}
