//! Products read from a NutritionProduct that was sent with an order.

use enteral_gate::exact::Exact;
use enteral_gate::formulary::product::{AgeClass, Basis, Form, Nutrient, Product};
use enteral_gate::formulary::resource::{
    CHARACTERISTIC_CODES, CHARACTERISTICS, Component, FLAG_CODES, FORM_CODES, NUTRIENT_CODES, ProductCodes,
    SentProduct, product_from_fhir,
};
use enteral_gate::formulary::table::FLAGS;
use enteral_gate::formulary::{Formulary, Match, MatchedBy};
use enteral_gate::intake::json::{Document, Limits};
use enteral_gate::intake::order::{At, Concept, FhirVersion, Problem, ProductRef, Sourced};
use proptest::prelude::*;
use serde_json::{Value, json};

const UCUM: &str = "http://unitsofmeasure.org";
const BASE: &str = "https://enteral-gate.example/fhir";

fn quantity(value: Value, unit: &str) -> Value {
    json!({"value": value, "system": UCUM, "code": unit})
}

fn nutrient(code: &str, value: Value, unit: &str, per: i64, per_unit: &str) -> Value {
    json!({
        "item": {"concept": {"coding": [{"system": NUTRIENT_CODES, "code": code}]}},
        "amount": [{"numerator": quantity(value, unit), "denominator": quantity(json!(per), per_unit)}]
    })
}

fn product(nutrients: Vec<Value>) -> Value {
    json!({
        "resourceType": "NutritionProduct",
        "id": "p1",
        "status": "active",
        "code": {"coding": [{"system": "urn:c", "code": "Q1"}], "text": "Invented Q1"},
        "nutrient": nutrients
    })
}

fn feed() -> Value {
    product(vec![
        nutrient("energy", json!(1.2), "kcal", 1, "mL"),
        nutrient("protein", json!(55), "g", 1, "L"),
        nutrient("fat", json!(4.0), "g", 100, "mL"),
        nutrient("carbohydrate", json!(155), "g", 1000, "mL"),
        nutrient("water", json!(0.81), "L", 1, "L"),
        nutrient("sodium", json!(50), "mmol", 1, "L"),
    ])
}

fn with(mut resource: Value, pointer: &str, value: Value) -> Value {
    let (parent, last) = pointer.rsplit_once('/').unwrap();
    let target = resource.pointer_mut(parent).unwrap();
    match target {
        Value::Array(items) if last == "-" => items.push(value),
        Value::Array(items) => items[last.parse::<usize>().unwrap()] = value,
        Value::Object(members) => {
            if value.is_null() {
                members.remove(last);
            } else {
                members.insert(last.to_owned(), value);
            }
        }
        _ => panic!("{pointer}"),
    }
    resource
}

fn read_as(resource: &Value, version: FhirVersion, codes: &ProductCodes) -> Result<SentProduct, Vec<Problem>> {
    let text = resource.to_string();
    let document = Document::read(text.as_bytes(), &Limits::default()).unwrap();
    product_from_fhir(document.root(), version, codes)
}

fn read(resource: &Value) -> Result<SentProduct, Vec<Problem>> {
    read_as(resource, FhirVersion::R5, &ProductCodes::default())
}

fn right(resource: &Value) -> SentProduct {
    read(resource).unwrap_or_else(|p| panic!("{p:#?}"))
}

fn grave(sent: &SentProduct) -> Vec<&str> {
    sent.problems.iter().filter(|p| p.grave).map(|p| p.text.as_str()).collect()
}

#[test]
fn amounts_are_normalised_whatever_they_are_per() {
    let sent = right(&feed());
    assert_eq!((sent.problems.len(), sent.warnings.len()), (0, 0), "{:?} {:?}", sent.problems, sent.warnings);
    let p = sent.product;
    assert_eq!((p.basis, p.energy), (Basis::Millilitre, Some(Exact::decimal(12, 1))));
    assert_eq!(p.nutrient(Nutrient::Protein), Some(Exact::decimal(55, 3)));
    assert_eq!(p.nutrient(Nutrient::Fat), Some(Exact::decimal(4, 2)));
    assert_eq!(p.nutrient(Nutrient::Water), Some(Exact::decimal(81, 2)));
    // 50 mmol/L × 22.990 mg/mmol (IUPAC abridged standard atomic weights) = 1.1495 mg/mL.
    assert_eq!(p.nutrient(Nutrient::Sodium), Some(Exact::decimal(11_495, 4)));
    assert_eq!(p.nutrient(Nutrient::Potassium), None, "not stated is not zero");
    assert_eq!((p.form, p.age), (Form::NotStated, AgeClass::NotStated), "not stated is not a default");
    assert_eq!(p.provenance.file, "NutritionProduct/p1");
    assert!(p.provenance.stated.starts_with("sent with the order"));
}

#[test]
fn powders_doses_and_grams_have_their_own_basis() {
    let powder = right(&product(vec![
        nutrient("energy", json!(100), "kcal", 100, "kcal"),
        nutrient("protein", json!(2.1), "g", 100, "kcal"),
        nutrient("sodium", json!(27), "mg", 100, "kcal"),
        nutrient("water", json!(130), "mL", 100, "kcal"),
    ]));
    assert_eq!((powder.product.basis, powder.product.energy), (Basis::Kilocalorie, None));
    assert_eq!(powder.product.nutrient(Nutrient::Sodium), Some(Exact::decimal(27, 2)));
    assert_eq!(powder.product.nutrient(Nutrient::Water), None);
    assert!(powder.problems.iter().any(|p| p.text.contains("depends on the strength")), "{:?}", powder.problems);

    let packet = right(&product(vec![
        nutrient("energy", json!(25), "kcal", 1, "{packet}"),
        nutrient("protein", json!(6), "g", 1, "{packet}"),
    ]));
    assert_eq!((packet.product.basis, packet.product.energy), (Basis::Dose, Some(Exact::int(25))));
    assert_eq!(grave(&packet), Vec::<&str>::new());

    let grams = right(&product(vec![
        nutrient("energy", json!(380), "kcal", 100, "g"),
        nutrient("carbohydrate", json!(95), "g", 100, "g"),
    ]));
    assert_eq!((grams.product.basis, grams.product.energy), (Basis::Gram, Some(Exact::decimal(38, 1))));

    // Energy per mL and the rest per 100 kcal: everything is known per mL.
    let liquid = right(&product(vec![
        nutrient("energy", json!(0.8), "kcal", 1, "mL"),
        nutrient("protein", json!(2.5), "g", 100, "kcal"),
        nutrient("sodium", json!(30), "mg", 100, "kcal"),
    ]));
    assert_eq!(liquid.product.basis, Basis::Millilitre);
    assert_eq!(liquid.product.nutrient(Nutrient::Protein), Some(Exact::decimal(2, 2)));
    assert_eq!(liquid.product.nutrient(Nutrient::Sodium), Some(Exact::decimal(24, 2)));
}

#[test]
fn an_amount_that_cannot_be_read_is_not_stated_and_told() {
    for (entry, part) in [
        (nutrient("sodium", json!(900), "mg", 0, "L"), "more than 0"),
        (nutrient("sodium", json!(900), "mL", 1, "L"), "mL"),
        (nutrient("sodium", json!(900), "mg", 1, "h"), "per time"),
        (nutrient("sodium", json!(900), "mg", 1, "furlong"), "not understood"),
        (nutrient("sodium", json!(-900), "mg", 1, "L"), "below zero"),
        (nutrient("sodium", json!("900"), "mg", 1, "L"), "expected a"),
        (
            with(nutrient("sodium", json!(900), "mg", 1, "L"), "/amount/0/denominator", Value::Null),
            "a numerator and a denominator",
        ),
        (
            with(nutrient("sodium", json!(900), "mg", 1, "L"), "/amount/0/numerator/comparator", json!("<")),
            "comparator",
        ),
        (
            with(
                nutrient("sodium", json!(900), "mg", 1, "L"),
                "/item/concept/coding/-",
                json!({"system": NUTRIENT_CODES, "code": "potassium"}),
            ),
            "the codes say sodium and potassium",
        ),
        (
            with(
                nutrient("sodium", json!(900), "mg", 1, "L"),
                "/amount/-",
                json!({"numerator": quantity(json!(901), "mg"), "denominator": quantity(json!(1), "L")}),
            ),
            "stated twice",
        ),
        (nutrient("sodium", json!(900), "mg", 1, "g"), "not stated per mL"),
    ] {
        let sent = right(&with(feed(), "/nutrient/5", entry.clone()));
        assert_eq!(sent.product.nutrient(Nutrient::Sodium), None, "{entry}");
        let problems: Vec<&str> = sent.problems.iter().map(|p| p.text.as_str()).collect();
        assert!(grave(&sent).iter().any(|p| p.contains(part)), "{part:?} expected for {entry}, found {problems:?}");
    }
}

#[test]
fn a_density_in_small_calories_is_not_taken() {
    let sent = right(&with(feed(), "/nutrient/0", nutrient("energy", json!(1.2), "cal", 1, "mL")));
    assert_eq!(sent.product.energy, None);
    assert!(grave(&sent).iter().any(|p| p.contains("small calorie")), "{:?}", sent.problems);
}

#[test]
fn what_makes_the_resource_unusable_is_refused() {
    for (resource, part) in [
        (with(feed(), "/status", json!("inactive")), "only an active one"),
        (with(feed(), "/status", json!("entered-in-error")), "only an active one"),
        (with(feed(), "/status", Value::Null), "status is missing"),
        (with(feed(), "/status", json!("retired")), "status"),
        (with(feed(), "/modifierExtension", json!([{"url": "urn:x", "valueBoolean": true}])), "may change"),
        (with(feed(), "/implicitRules", json!("urn:x")), "may change"),
        (with(feed(), "/nutrient/0/modifierExtension", json!([{"url": "urn:x", "valueBoolean": true}])), "may change"),
        (with(feed(), "/code", Value::Null), "neither a name"),
        (with(feed(), "/nutrient", json!([])), "no nutrient has an amount"),
        (with(feed(), "/resourceType", json!("Medication")), "not a NutritionProduct"),
        (with(feed(), "/nutrient/4", nutrient("water", json!(1.2), "L", 1, "L")), "does not fit"),
    ] {
        let problems = read(&resource).expect_err(part);
        assert!(problems.iter().any(|p| p.grave && p.text.contains(part)), "{part:?} expected, found {problems:?}");
    }
    let r4 = read_as(&feed(), FhirVersion::R4, &ProductCodes::default()).expect_err("R4 has no such resource");
    assert!(r4[0].text.contains("R4B or R5"));
}

#[test]
fn figures_that_contradict_each_other_keep_their_warning() {
    let sent = right(&with(feed(), "/nutrient/0", nutrient("energy", json!(1.5), "kcal", 1, "mL")));
    assert!(sent.warnings.iter().any(|w| w.code == "NUT-09"), "{:?}", sent.warnings);
}

fn characteristic(code: &str, kind: &str, value: Value) -> Value {
    // A characteristic cannot hold a code; the same word is a concept there.
    let (kind, value) = match kind {
        "valueCode" => ("valueCodeableConcept", json!({"coding": [{"code": value}]})),
        _ => (kind, value),
    };
    json!({"type": {"coding": [{"system": CHARACTERISTIC_CODES, "code": code}]}, kind: value})
}

fn extension(code: &str, kind: &str, value: Value) -> Value {
    json!({"url": format!("{BASE}/StructureDefinition/product-{code}"), kind: value})
}

fn described(p: &Product) -> String {
    format!(
        "{} {} {:?} {:?} {:?} {:?} {}",
        p.form.word(),
        p.age.word(),
        p.viscosity,
        p.osmolality.map(|x| x.short(3)),
        p.containers.iter().map(|c| c.short(0)).collect::<Vec<_>>(),
        p.flags,
        p.provenance.stated
    )
}

#[test]
fn characteristics_and_extensions_say_the_same_in_every_version() {
    let stated = |form: fn(&str, &str, Value) -> Value| {
        json!([
            form("form", "valueCode", json!("ready-to-hang")),
            form("age-class", "valueCode", json!("adult")),
            form("viscosity", "valueCode", json!("thin")),
            form("osmolality", "valueQuantity", quantity(json!(340), "mosm/kg")),
            form("container", "valueQuantity", quantity(json!(1), "L")),
            form("container", "valueQuantity", quantity(json!(500), "mL")),
            form("free-from", "valueCodeableConcept", json!({"coding": [{"system": FLAG_CODES, "code": "lactose"}]})),
            form("source", "valueString", json!("invented sheet, 2026-11-25")),
        ])
    };
    let allergens = json!([{"concept": {"coding": [{"system": FLAG_CODES, "code": "cow-milk-protein"}]}}]);
    let base = with(feed(), "/knownAllergen", allergens);
    let expected = "ready-to-hang adult Some(\"thin\") Some(\"340\") [\"500\", \"1000\"] [(\"cow-milk-protein\", true), (\"lactose\", false)] \
                    sent with the order: invented sheet, 2026-11-25";
    for (element, version, form) in [
        ("/characteristic", FhirVersion::R5, characteristic as fn(&str, &str, Value) -> Value),
        ("/productCharacteristic", FhirVersion::R4B, characteristic),
        ("/extension", FhirVersion::R5, extension),
        ("/extension", FhirVersion::R4B, extension),
    ] {
        let sent = read_as(&with(base.clone(), element, stated(form)), version, &ProductCodes::default()).unwrap();
        assert_eq!(described(&sent.product), expected, "{element} {version:?}: {:?}", sent.problems);
        assert!(sent.problems.is_empty(), "{:?}", sent.problems);
    }
    let wrong =
        read_as(&with(base, "/characteristic", stated(characteristic)), FhirVersion::R4B, &ProductCodes::default())
            .unwrap();
    assert!(grave(&wrong).iter().any(|p| p.contains("expected productCharacteristic")), "{:?}", wrong.problems);
    assert_eq!(wrong.product.form, Form::NotStated);
}

#[test]
fn contradicting_and_unknown_words_are_told() {
    let sent = |items: Value| right(&with(feed(), "/extension", items));
    let twice = sent(json!([
        extension("form", "valueCode", json!("powder")),
        extension("form", "valueCode", json!("modular")),
        extension("form", "valueCode", json!("powder"))
    ]));
    assert_eq!(twice.product.form, Form::NotStated);
    assert!(grave(&twice).iter().any(|p| p.contains("stated twice")));
    let wrong = sent(json!([extension("age-class", "valueCode", json!("pediatric"))]));
    assert!(grave(&wrong).iter().any(|p| p.contains("did you mean “paediatric”")), "{:?}", wrong.problems);
    let foreign = sent(json!([{"url": "urn:other", "valueString": "x"}]));
    assert!(foreign.problems.iter().any(|p| p.text.contains("urn:other") && !p.grave));
    let both = right(&with(
        with(
            feed(),
            "/extension",
            json!([extension(
                "free-from",
                "valueCodeableConcept",
                json!({"coding": [{"system": FLAG_CODES, "code": "egg"}]})
            )]),
        ),
        "/knownAllergen",
        json!([{"concept": {"coding": [{"system": FLAG_CODES, "code": "egg"}]}}]),
    ));
    assert_eq!(both.product.flags, [("egg".to_owned(), true)]);
    assert!(grave(&both).iter().any(|p| p.contains("taken as contained")));
    let category = right(&with(feed(), "/category", json!([{"coding": [{"system": FORM_CODES, "code": "decanted"}]}])));
    assert_eq!(category.product.form, Form::Decanted);
}

#[test]
fn an_institution_can_add_codes_of_its_terminologies() {
    let foreign = |system: &str| {
        json!({
            "item": {"concept": {"coding": [{"system": system, "code": "K"}]}},
            "amount": [{"numerator": quantity(json!(1700), "mg"), "denominator": quantity(json!(1), "L")}]
        })
    };
    let resource = with(feed(), "/nutrient/-", foreign("urn:terminology"));
    let sent = right(&resource);
    assert_eq!(sent.product.nutrient(Nutrient::Potassium), None);
    assert!(sent.problems.iter().any(|p| p.text.contains("not one of the nutrients")));
    let mut codes = ProductCodes::default();
    codes.nutrients.insert(("urn:terminology".into(), "K".into()), Component::Nutrient(Nutrient::Potassium));
    let sent = read_as(&resource, FhirVersion::R5, &codes).unwrap();
    assert_eq!(sent.product.nutrient(Nutrient::Potassium), Some(Exact::decimal(17, 1)));
}

fn named(name: &str) -> ProductRef<'_> {
    ProductRef {
        at: At(0),
        concept: Concept::default(),
        name: Some(Sourced { value: name.into(), at: At(0) }),
        reference: None,
    }
}

#[test]
fn the_institutions_entry_goes_before_what_was_sent_and_differences_are_told() {
    let formulary = Formulary::from_csv("formulary.csv", include_bytes!("../deploy/demo/formulary.csv")).unwrap();
    let unnamed = ProductRef { name: None, ..named("") };
    let own = right(&feed()).product;
    assert_eq!(formulary.find_with(&unnamed, Some(&own)), Match::Sent);
    assert_eq!(formulary.find_with(&unnamed, None), Match::Unknown);

    let a12 = right(&with(feed(), "/code/text", json!("A12"))).product;
    let Match::Found { index, by } = formulary.find_with(&unnamed, Some(&a12)) else { panic!() };
    assert_eq!((formulary.product(index).unwrap().key.as_str(), by), ("A12", MatchedBy::Name));
    // 50 mmol/L is 1149.5 mg/L, the entry says 1100.
    let differences: Vec<_> =
        formulary.differences(index, &a12).into_iter().map(|d| (d.what, d.institution, d.sent)).collect();
    assert_eq!(differences, [("sodium", "1.1 mg/mL".to_owned(), "1.1495 mg/mL".to_owned())]);

    assert!(
        matches!(formulary.find_with(&named("A15"), Some(&a12)), Match::Ambiguous(candidates) if candidates.len() == 2)
    );
}

#[test]
fn definitions_under_schemas_say_what_is_read() {
    let file = |name: &str| -> Value {
        let path = format!("{}/schemas/fhir/{name}.json", env!("CARGO_MANIFEST_DIR"));
        serde_json::from_str(&std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{path}: {e}"))).unwrap()
    };
    let codes = |name: &str, system: &str| -> Vec<String> {
        let resource = file(name);
        assert_eq!(resource["url"], system);
        resource["concept"].as_array().unwrap().iter().map(|c| c["code"].as_str().unwrap().to_owned()).collect()
    };
    let same = |mut a: Vec<String>, mut b: Vec<&str>| {
        a.sort_unstable();
        b.sort_unstable();
        assert_eq!(a, b);
    };
    same(codes("CodeSystem-nutrient", NUTRIENT_CODES), Component::all().map(Component::code).collect());
    same(codes("CodeSystem-product-characteristic", CHARACTERISTIC_CODES), CHARACTERISTICS.to_vec());
    same(codes("CodeSystem-product-flag", FLAG_CODES), FLAGS.iter().map(|(word, _)| *word).collect());
    same(codes("CodeSystem-product-form", FORM_CODES), Form::ALL.map(Form::word).to_vec());
    for name in CHARACTERISTICS {
        let definition = file(&format!("StructureDefinition-product-{name}"));
        assert_eq!(definition["url"], format!("{BASE}/StructureDefinition/product-{name}"));
        assert_eq!(definition["context"][0]["expression"], "NutritionProduct");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(256))]

    #[test]
    fn no_change_of_a_member_makes_reading_panic(
        pointer in prop::sample::select(vec![
            "/status", "/code", "/code/coding", "/code/coding/0", "/code/text", "/nutrient", "/nutrient/0", "/nutrient/0/item",
            "/nutrient/0/amount", "/nutrient/0/amount/0", "/nutrient/0/amount/0/numerator", "/nutrient/0/amount/0/numerator/value",
            "/nutrient/0/amount/0/denominator/value", "/nutrient/0/amount/0/denominator/code", "/nutrient/1/item/concept/coding/0/code",
            "/characteristic", "/extension", "/instance", "/knownAllergen", "/category", "/id",
        ]),
        value in prop::sample::select(vec![
            json!(null), json!(true), json!(0), json!(-1), json!(1e-9), json!(999999999999999999u64), json!(""), json!("x"), json!("\u{202e}"),
            json!([]), json!([null]), json!([[1]]), json!({}), json!([{}]), json!([{"type": {}}]), json!([{"concept": 1}]),
            json!([{"url": 1}]), json!([{"url": format!("{BASE}/StructureDefinition/product-osmolality")}]), json!({"value": 1}),
        ]),
        version in prop::sample::select(FhirVersion::ALL.to_vec()),
    ) {
        let _ = read_as(&with(feed(), pointer, value), version, &ProductCodes::default());
    }
}

/// Of several products sent with an order the one counts that it names.
#[test]
fn an_order_is_fed_the_product_that_it_names() {
    use enteral_gate::appraise::appraise;
    use enteral_gate::nutrition::measure::Measure;
    let energy = |named: &str| {
        let sent = |id: &str, kcal: Value| {
            let mut sent = product(vec![nutrient("energy", kcal, "kcal", 1, "mL")]);
            sent["id"] = json!(id);
            sent["code"] = json!({"coding": [{"system": "urn:c", "code": id}], "text": format!("Invented {id}")});
            json!({"fullUrl": format!("https://a.example/fhir/NutritionProduct/{id}"), "resource": sent})
        };
        let order = json!({"resourceType": "NutritionOrder", "id": "o", "status": "active", "intent": "order",
            "subject": {"reference": "Patient/x"}, "dateTime": "2026-11-25T08:00:00Z",
            "enteralFormula": {
                "baseFormulaType": {"reference": {"reference": format!("NutritionProduct/{named}")}},
                "administration": [{"rateQuantity": quantity(json!(50), "mL/h")}]}});
        let bundle = json!({"resourceType": "Bundle", "type": "collection", "entry": [
            sent("n1", json!(1.2)), sent("n2", json!(1.5)), sent("n3", json!(2)),
            {"fullUrl": "https://a.example/fhir/NutritionOrder/o", "resource": order}]});
        let formulary = Formulary::from_csv("demo", include_bytes!("../deploy/demo/formulary.csv")).unwrap();
        let settings = enteral_gate::settings::Settings::default();
        let text = bundle.to_string();
        let done = appraise(text.as_bytes(), "", FhirVersion::R5, &formulary, &settings);
        done.orders[0].steady.as_ref().unwrap().1.get(Measure::Energy).clone()
    };
    // 1,200 mL a day.
    for (named, kcal) in [("n1", 1_440), ("n2", 1_800), ("n3", 2_400)] {
        assert_eq!(energy(named).known(), Some(Exact::int(kcal)), "{named}");
    }
}
