//! µs per order in process, over varied orders, with the parse into `serde_json::Value` beside it.
//!
//! `cargo bench --bench orders`; one thread. Not part of the test suite: it measures, it does not judge.

use divan::counter::ItemsCount;
use enteral_gate::answer::{outcome_json, parameters_json};
use enteral_gate::appraise::{appraise, check};
use enteral_gate::formulary::Formulary;
use enteral_gate::intake::bundle::gather;
use enteral_gate::intake::json::{Document, Limits};
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::intake::shape;
use enteral_gate::settings::Settings;
use std::hint::black_box;
use std::sync::LazyLock;

#[path = "varied.rs"]
mod varied;

const MANY: usize = 1024;

static ORDERS: LazyLock<Vec<Vec<u8>>> = LazyLock::new(|| varied::orders(MANY));
static FORMULARY: LazyLock<Formulary> = LazyLock::new(varied::formulary);
static SETTINGS: LazyLock<Settings> = LazyLock::new(Settings::default);

fn main() {
    let bytes: usize = ORDERS.iter().map(Vec::len).sum();
    println!("{MANY} varied orders, {} bytes on average", bytes / MANY);
    divan::main();
}

fn each(bencher: divan::Bencher<'_, '_>, f: impl Fn(&[u8]) + Sync) {
    LazyLock::force(&FORMULARY);
    bencher.counter(ItemsCount::new(MANY)).bench(|| ORDERS.iter().for_each(|o| f(o)));
}

/// The yardstick: serde_json into a Value.
#[divan::bench]
fn parse_only(bencher: divan::Bencher<'_, '_>) {
    each(bencher, |o| {
        black_box(serde_json::from_slice::<serde_json::Value>(o).ok());
    });
}

/// The strict reader alone.
#[divan::bench]
fn read_json(bencher: divan::Bencher<'_, '_>) {
    each(bencher, |o| {
        black_box(Document::read(o, &Limits::default()).ok());
    });
}

/// Reading, finding the orders, and their shape.
#[divan::bench]
fn read_and_shape(bencher: divan::Bencher<'_, '_>) {
    each(bencher, |o| {
        if let Ok(d) = Document::read(o, &Limits::default()) {
            for node in &gather(&d).orders {
                black_box(shape::check(*node, FhirVersion::R4));
            }
        }
    });
}

/// Reading, computing and judging, nothing written.
#[divan::bench]
fn check_unwritten(bencher: divan::Bencher<'_, '_>) {
    each(bencher, |o| {
        black_box(check(o, "", FhirVersion::R4, &FORMULARY, &SETTINGS).disposition());
    });
}

/// The whole check: bytes to OperationOutcome.
#[divan::bench]
fn whole_check(bencher: divan::Bencher<'_, '_>) {
    each(bencher, |o| {
        black_box(outcome_json(&check(o, "", FhirVersion::R4, &FORMULARY, &SETTINGS)));
    });
}

/// The whole check with every total, derivation and estimate: bytes to Parameters.
#[divan::bench(sample_count = 20)]
fn whole_appraisal(bencher: divan::Bencher<'_, '_>) {
    each(bencher, |o| {
        black_box(parameters_json(&appraise(o, "", FhirVersion::R4, &FORMULARY, &SETTINGS)));
    });
}
