//! The invented samples are what the demo says they are: readable without a problem, their products in the
//! invented formulary, except where a sample is about that.

use enteral_gate::formulary::{Formulary, Match};
use enteral_gate::http::samples::SAMPLES;
use enteral_gate::intake::bundle::gather;
use enteral_gate::intake::json::{Document, Limits};
use enteral_gate::intake::wire::read_order;

#[test]
fn samples_are_read_without_a_problem_and_their_products_are_found() {
    let formulary = Formulary::from_csv("demo", include_bytes!("../deploy/demo/formulary.csv")).unwrap();
    for sample in &SAMPLES {
        let document = Document::read(sample.text.as_bytes(), &Limits::default()).unwrap();
        let gathered = gather(&document);
        assert!(gathered.problems.is_empty(), "{} {:?}", sample.name, gathered.problems);
        assert_eq!((gathered.orders.len(), gathered.patients), (1, 1), "{}", sample.name);
        let (order, problems) = read_order(gathered.orders[0], sample.version, &gathered);
        assert!(problems.is_empty(), "{} {problems:?}", sample.name);
        assert!(
            order.unknown_extensions.is_empty()
                && order.unknown_elements.is_empty()
                && order.unknown_modifiers.is_empty(),
            "{}",
            sample.name
        );
        let formula = order.formula.unwrap();
        assert_eq!(
            formula.flushes.len(),
            if sample.name == "demo-2-intensive-care" { 2 } else { 1 },
            "{}",
            sample.name
        );
        let found = matches!(formulary.find(formula.base.as_ref().unwrap()), Match::Found { .. });
        assert_eq!(found, sample.name != "demo-9-no-density", "{}", sample.name);
        for additive in &formula.additives {
            assert!(matches!(formulary.find(&additive.product), Match::Found { .. }), "{}", sample.name);
            assert!(additive.per.is_some() && additive.quantity.value().is_some(), "{}", sample.name);
        }
    }
}
