//! The formulary through its public door: CSV in, products, problems and matches out.

use enteral_gate::exact::Exact;
use enteral_gate::formulary::product::{Basis, Form, Nutrient};
use enteral_gate::formulary::{Formulary, FormularyProblem, KeyNote, Level, Match, MatchedBy};
use enteral_gate::intake::order::{At, Coding, Concept, ProductRef, Reference, Sourced};

const DEMO: &[u8] = include_bytes!("../deploy/demo/formulary.csv");
const CODES: &str = "https://enteral-gate.example/fhir/CodeSystem/invented-products";
const ARTICLES: &str = "https://enteral-gate.example/fhir/NamingSystem/invented-articles";

fn demo() -> Formulary {
    Formulary::from_csv("formulary.csv", DEMO).unwrap_or_else(|problems| panic!("{}", listed(&problems)))
}

fn listed(problems: &[FormularyProblem]) -> String {
    problems.iter().map(|p| format!("{p}\n")).collect()
}

fn asked<'d>() -> ProductRef<'d> {
    ProductRef { at: At(0), concept: Concept::default(), name: None, reference: None }
}

fn named(name: &str) -> ProductRef<'_> {
    ProductRef { name: Some(Sourced { value: name.into(), at: At(0) }), ..asked() }
}

fn coded<'d>(system: &'d str, code: &'d str, display: Option<&'d str>) -> ProductRef<'d> {
    let coding =
        Coding { system: Some(system.into()), code: Some(code.into()), display: display.map(Into::into), at: At(0) };
    ProductRef { concept: Concept { codings: vec![coding], text: None }, ..asked() }
}

fn key(formulary: &Formulary, found: &Match) -> String {
    match found {
        Match::Found { index, by } => format!("{} by {by}", formulary.product(*index).unwrap().key),
        other => format!("{other:?}"),
    }
}

#[test]
fn the_demonstration_formulary_is_accepted_without_a_warning() {
    let formulary = demo();
    assert_eq!(formulary.len(), 26);
    assert_eq!(listed(&formulary.all_warnings().cloned().collect::<Vec<_>>()), "");
    assert!(DEMO.starts_with(b"# INVENTED"));
    for product in formulary.products() {
        assert!(product.name.starts_with("Invented "), "{}", product.name);
    }
}

#[test]
fn figures_are_exact_per_unit_of_the_basis() {
    let formulary = demo();
    let product = |name| match formulary.find(&named(name)) {
        Match::Found { index, .. } => formulary.product(index).unwrap(),
        other => panic!("{name}: {other:?}"),
    };
    let a15 = product("A15");
    assert_eq!((a15.basis, a15.form), (Basis::Millilitre, Form::ReadyToHang));
    assert_eq!(a15.energy, Some(Exact::decimal(15, 1)));
    assert_eq!(a15.nutrient(Nutrient::Protein), Some(Exact::decimal(65, 3)));
    assert_eq!(a15.nutrient(Nutrient::Water), Some(Exact::decimal(76, 2)));
    assert_eq!(a15.nutrient(Nutrient::Calcium), None, "an empty cell is not zero");
    assert_eq!(a15.containers, [Exact::int(500), Exact::int(1000)]);
    let infant = product("INF");
    assert_eq!((infant.basis, infant.energy), (Basis::Kilocalorie, None));
    assert_eq!(infant.nutrient(Nutrient::Magnesium), Some(Exact::decimal(7, 2)));
    let fortifier = product("HMF");
    assert_eq!((fortifier.basis, fortifier.displacement), (Basis::Dose, Some(Exact::decimal(5, 1))));
    let water = product("water");
    assert_eq!((water.energy, water.nutrient(Nutrient::Water)), (Some(Exact::ZERO), Some(Exact::ONE)));
}

#[test]
fn a_product_is_found_by_code_then_identifier_then_name() {
    let formulary = demo();
    let by_identifier = ProductRef {
        reference: Some(Reference {
            reference: None,
            display: None,
            identifier: Some((Some(ARTICLES.into()), Some("INV-0003".into()))),
            resolved: None,
        }),
        ..asked()
    };
    for (asked, expected) in [
        (coded(CODES, "A10", None), "A10 by code"),
        (coded(CODES, "a10", None), "Unknown"),
        (coded("https://elsewhere.example", "A10", None), "Unknown"),
        (by_identifier, "A15 by identifier"),
        (named("Invented Renal 1.8 (REN18)"), "REN18 by name"),
        (named("  invented  RENAL\u{a0}1.8 "), "REN18 by name"),
        (named("Invented Renal 1.9"), "Unknown"),
        (named("Invented Renal"), "Unknown"),
        (named(""), "Unknown"),
        (asked(), "Unknown"),
        (ProductRef { concept: Concept { codings: vec![], text: Some("hp12".into()) }, ..asked() }, "HP12 by name"),
        (coded(CODES, "A10", Some("A10")), "A10 by code"),
    ] {
        assert_eq!(key(&formulary, &formulary.find(&asked)), expected, "{asked:?}");
    }
}

#[test]
fn keys_that_lead_to_different_products_are_a_contradiction_not_a_pick() {
    let formulary = demo();
    let asked = ProductRef { name: named("A15").name, ..coded(CODES, "A10", None) };
    let Match::Ambiguous(candidates) = formulary.find(&asked) else { panic!() };
    let seen: Vec<_> =
        candidates.iter().map(|c| (formulary.product(c.index).unwrap().key.as_str(), c.by, c.given.as_str())).collect();
    assert_eq!(seen, [("A10", MatchedBy::Code, "A10"), ("A15", MatchedBy::Name, "A15")]);
}

#[test]
fn a_name_that_is_not_of_the_product_found_by_code_is_told() {
    let formulary = demo();
    let asked = ProductRef { name: named("Invented Energy 1,5").name, ..coded(CODES, "A10", None) };
    let found = formulary.find(&asked);
    assert_eq!(key(&formulary, &found), "A10 by code");
    let notes = formulary.key_notes(&asked, &found);
    assert!(
        matches!(notes.as_slice(), [KeyNote::NameNotOfProduct { given, .. }] if given == "Invented Energy 1,5"),
        "{notes:?}"
    );
}

#[test]
fn a_name_with_a_character_that_is_not_seen_matches_nothing_and_is_told() {
    let formulary = demo();
    for name in ["A\u{200B}10", "\u{202E}A10", "A10\u{FEFF}"] {
        let asked = named(name);
        let found = formulary.find(&asked);
        assert_eq!(found, Match::Unknown);
        assert!(matches!(formulary.key_notes(&asked, &found).as_slice(), [KeyNote::HiddenCharacter { .. }]));
    }
}

#[test]
fn levels_say_what_is_refused() {
    let problems = Formulary::from_csv("x.csv", b"").unwrap_err();
    assert!(problems.iter().all(|p| p.level == Level::Refusal));
}
