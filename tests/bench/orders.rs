//! µs per order in process, stage by stage, over varied orders, with the parse into `serde_json::Value` beside
//! them. `cargo bench --bench orders [-- ROUNDS]`; one thread. It measures, it does not judge, and is no test.
//!
//! All stages take turns in every round, so that whatever else the machine does meets them alike; shown is the
//! quickest round of each, and its ratio to the parse.

use enteral_gate::answer::{outcome_json, parameters_json};
use enteral_gate::appraise::{Appraisal, Institution, appraise, check, check_by};
use enteral_gate::exact::Exact;
use enteral_gate::formulary::Formulary;
use enteral_gate::hooks;
use enteral_gate::intake::bundle::{Gathered, gather};
use enteral_gate::intake::json::{Document, Limits};
use enteral_gate::intake::order::{FhirVersion, Order};
use enteral_gate::intake::shape;
use enteral_gate::intake::wire::read_order;
use enteral_gate::nutrition::plan::{Materials, Plan, plan};
use enteral_gate::nutrition::totals::{judged_totals, lay_plan};
use enteral_gate::patient::context;
use enteral_gate::rulebook::{Rulebook, file};
use enteral_gate::settings::Settings;
use enteral_gate::timing::day::Window;
use enteral_gate::timing::schedule::Frame;
use std::hint::black_box;
use std::time::Instant;

#[path = "varied.rs"]
mod varied;

/// That of the service, for all that is measured here, the parse as well.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

const MANY: usize = 1024;
/// Orders per round of the stages that write everything, which take far longer.
const FEW: usize = 32;
const VERSION: FhirVersion = FhirVersion::R4;

struct Stage<'a> {
    name: &'static str,
    orders: usize,
    run: Box<dyn Fn(usize) + 'a>,
    best: f64,
}

fn stage<'a>(name: &'static str, orders: usize, run: impl Fn(usize) + 'a) -> Stage<'a> {
    Stage { name, orders, run: Box::new(run), best: f64::MAX }
}

/// What the whole check takes less when one limit is left out, for those that cost most: what it needs alone, and
/// what it works out first for others that follow counts for nobody.
fn costliest(orders: &[Vec<u8>], formulary: &Formulary, settings: &Settings, rounds: usize) {
    let book = file::read(file::starter()).expect("the starter rulebook");
    let mut books: Vec<(String, Rulebook)> = vec![("(none left out)".to_owned(), book.clone())];
    books.extend(book.limits.iter().map(|l| (format!("{} {}", l.rule.id, l.rule.name), book.without(&l.rule.id))));
    let mut best = vec![f64::MAX; books.len()];
    let orders = &orders[..orders.len().min(256)];
    for _ in 0..rounds {
        for (best, (_, book)) in best.iter_mut().zip(&books) {
            let by = Institution { formulary, rulebook: book, settings };
            let started = Instant::now();
            for order in orders {
                black_box(check_by(order, "", VERSION, by).disposition());
            }
            *best = best.min(started.elapsed().as_secs_f64() / orders.len() as f64 * 1e6);
        }
    }
    let whole = best[0];
    let mut saved: Vec<(f64, &str)> = best.iter().zip(&books).skip(1).map(|(b, (n, _))| (whole - b, &**n)).collect();
    saved.sort_by(|a, b| b.0.total_cmp(&a.0));
    println!("\nLeft out of the starter rulebook, a check ({whole:.2} µs) takes less by, µs:");
    for (less, name) in saved.iter().take(12) {
        println!("{less:>9.2}  {name}");
    }
    println!("{:>9.2}  all {} together, each by itself", saved.iter().map(|(less, _)| less).sum::<f64>(), saved.len());
}

/// What the starter rulebook adds to a check, by the kind of feeding.
fn by_kind(orders: &[Vec<u8>], by: Institution<'_>, rounds: usize) {
    let none = Rulebook::default();
    let without = Institution { rulebook: &none, ..by };
    let of = |nth: usize| (0..orders.len()).filter(move |i| i % 4 == nth).collect::<Vec<_>>();
    let kinds = [
        ("continuous", of(0)),
        ("intermittent", of(1)),
        ("by night, with feeds by day", of(2)),
        ("three steps", of(3)),
    ];
    println!("\nWhat limits add to a check, µs:");
    for (name, chosen) in kinds {
        let mut best = [f64::MAX; 2];
        for _ in 0..rounds {
            for (best, by) in best.iter_mut().zip([without, by]) {
                let started = Instant::now();
                for i in &chosen {
                    black_box(check_by(&orders[*i], "", VERSION, by).disposition());
                }
                *best = best.min(started.elapsed().as_secs_f64() / chosen.len() as f64 * 1e6);
            }
        }
        let [none, all] = best;
        println!("{name:<32}{:>5} orders{none:>9.2}{all:>9.2}{:>9.2}", chosen.len(), all - none);
    }
}

fn main() {
    let rounds = std::env::args().skip(1).find_map(|a| a.parse().ok()).unwrap_or(40);
    let (orders, formulary, settings) = (varied::orders(MANY), varied::formulary(), Settings::default());
    let bytes: usize = orders.iter().map(Vec::len).sum();
    println!("{MANY} varied orders, {} bytes on average, best of {rounds} rounds in turn\n", bytes / MANY);

    // What each stage starts from, made beforehand.
    let documents: Vec<Document<'_>> =
        orders.iter().map(|o| Document::read(o, &Limits::default()).expect("an order of the benchmark")).collect();
    let gathered: Vec<Gathered<'_>> = documents.iter().map(gather).collect();
    let read: Vec<Order<'_>> = gathered.iter().map(|g| read_order(g.orders[0], VERSION, g).0).collect();
    let frame = Frame { settings: &settings, weight: Some(Exact::int(70)) };
    let materials = Materials { frame, formulary: &formulary, sent: &[] };
    let plans: Vec<Plan> = read.iter().map(|order| plan(order, materials)).collect();
    let checked: Vec<Appraisal<'_>> = orders.iter().map(|o| check(o, "", VERSION, &formulary, &settings)).collect();
    let appraised: Vec<Appraisal<'_>> =
        orders.iter().take(FEW).map(|o| appraise(o, "", VERSION, &formulary, &settings)).collect();
    let answers: usize = appraised.iter().map(|a| parameters_json(a).len()).sum();

    let book = file::read(file::starter()).expect("the starter rulebook");
    let by = Institution { formulary: &formulary, rulebook: &book, settings: &settings };

    let signed = varied::hooks(MANY);
    let sign = hooks::service::by_id("tube-feeding-order-sign").expect("the service");

    let mut stages = [
        stage("yardstick: parse into serde_json::Value", MANY, |i| {
            black_box(serde_json::from_slice::<serde_json::Value>(&orders[i]).ok());
        }),
        stage("read: strict JSON", MANY, |i| {
            black_box(Document::read(&orders[i], &Limits::default()).ok());
        }),
        stage("read: orders and context found", MANY, |i| {
            black_box(gather(&documents[i]));
        }),
        stage("read: shape of the FHIR version", MANY, |i| {
            black_box(shape::check(gathered[i].orders[0], VERSION));
        }),
        stage("read: the order", MANY, |i| {
            black_box(read_order(gathered[i].orders[0], VERSION, &gathered[i]));
        }),
        stage("read: the patient", MANY, |i| {
            black_box(context(&gathered[i], &read[i], &settings));
        }),
        stage("compute: lines, contents, doses", MANY, |i| {
            black_box(plan(&read[i], materials));
        }),
        stage("compute: one day and its judged totals", MANY, |i| {
            let day = lay_plan(&plans[i], &settings, Window::elapsed(&settings.zone, plans[i].start), false);
            black_box(judged_totals(&[(&plans[i], &day)], plans[i].weight));
        }),
        stage("write: the OperationOutcome", MANY, |i| {
            black_box(outcome_json(&checked[i]));
        }),
        stage("$validate but for the writing", MANY, |i| {
            black_box(check(&orders[i], "", VERSION, &formulary, &settings).disposition());
        }),
        stage("$validate, bytes to OperationOutcome", MANY, |i| {
            black_box(outcome_json(&check(&orders[i], "", VERSION, &formulary, &settings)));
        }),
        stage("$validate with the starter rulebook, no writing", MANY, |i| {
            black_box(check_by(&orders[i], "", VERSION, by).disposition());
        }),
        stage("$validate with the starter rulebook", MANY, |i| {
            black_box(outcome_json(&check_by(&orders[i], "", VERSION, by)));
        }),
        stage("order-sign with every key, request to cards", MANY, |i| {
            black_box(hooks::answer(&signed[i], sign, by).ok());
        }),
        stage("$appraise but for the writing", MANY, |i| {
            black_box(appraise(&orders[i], "", VERSION, &formulary, &settings).disposition());
        }),
        stage("write: the Parameters", FEW, |i| {
            black_box(parameters_json(&appraised[i]));
        }),
    ];
    for _ in 0..rounds {
        for stage in &mut stages {
            let started = Instant::now();
            (0..stage.orders).for_each(&stage.run);
            stage.best = stage.best.min(started.elapsed().as_secs_f64() / stage.orders as f64);
        }
    }
    let yardstick = stages[0].best;
    println!("{:<48}{:>9}{:>8}", "", "µs", "ratio");
    for stage in &stages {
        println!("{:<48}{:>9.2}{:>8.2}", stage.name, stage.best * 1e6, stage.best / yardstick);
    }
    by_kind(&orders, by, rounds);
    costliest(&orders, &formulary, &settings, rounds);
    println!("\nParameters of {} kB on average", answers / FEW / 1000);
}
