//! Every limit of the starter rulebook at its bounds: pairs of orders that differ in one number by its smallest
//! step, of which one is flagged and the other clear.
//! `cargo test --test starter_boundaries -- --nocapture` prints them. People and products are invented.

use enteral_gate::appraise::{Institution, check_by};
use enteral_gate::exact::Exact;
use enteral_gate::formulary::Formulary;
use enteral_gate::intake::bundle::gather;
use enteral_gate::intake::json::{Document, Limits};
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::intake::wire::read_order;
use enteral_gate::patient::{context, laboratory};
use enteral_gate::rulebook::case::{CaseFacts, Materials};
use enteral_gate::rulebook::{Limit, Rulebook, Test, TestKind, file, judge, short_form};
use enteral_gate::settings::{ContextKind, Settings};
use second_reading::{Read, Reading};
use serde_json::Value as Json;
use std::collections::BTreeMap;
use std::sync::LazyLock;
use toml::{Table, Value};

#[path = "boundaries/second_reading.rs"]
mod second_reading;

static BOOK: LazyLock<Rulebook> = LazyLock::new(|| file::read(file::starter()).unwrap_or_else(|all| panic!("{all:?}")));

/// The products that the limits' examples name.
static PRODUCTS: LazyLock<String> = LazyLock::new(|| {
    format!(
        "{}\n{}",
        include_str!("../deploy/demo/formulary.csv").trim_end(),
        include_str!("../src/rulebook/starter/products.csv")
    )
});

static FORMULARY: LazyLock<Formulary> = LazyLock::new(|| formulary(&PRODUCTS));

fn formulary(text: &str) -> Formulary {
    Formulary::from_csv("tests", text.as_bytes()).unwrap_or_else(|all| panic!("{all:?}"))
}

fn settings(given: &Table) -> Settings {
    let mut out = Settings::default();
    for name in given.get("declares").and_then(Value::as_array).into_iter().flatten() {
        let kind = ContextKind::ALL.iter().find(|(_, n)| Some(*n) == name.as_str()).expect("a kind of context");
        out.declared.insert(kind.0);
    }
    out
}

/// What one limit came to for one order, judged and read a second time.
struct Outcome {
    word: &'static str,
    tier: Option<&'static str>,
    read: Read,
}

/// `None` where the short form does not allow the order.
fn outcome(limit: &Limit, reading: &Reading, given: &Table, formulary: &Formulary) -> Option<Outcome> {
    let bundle = short_form::compose(given, &BOOK).ok()?;
    let settings = settings(given);
    let by = Institution { formulary, rulebook: &BOOK, settings: &settings };
    let done = check_by(bundle.as_bytes(), "", FhirVersion::R4, by);
    let report = done.orders.first()?;
    let judged = report.judged.iter().chain(&report.shadow).find(|j| j.rule.id == limit.rule.id).expect("judged");
    let document = Document::read(bundle.as_bytes(), &Limits::default()).expect("JSON");
    let gathered = gather(&document);
    let (order, _) = read_order(gathered.orders[0], FhirVersion::R4, &gathered);
    let (context, _) = context(&gathered, &order, &settings);
    let facts = CaseFacts::new(Materials {
        order: &order,
        plan: &report.plan,
        days: &report.days,
        steady: report.steady.as_ref().ok(),
        context: &context,
        gathered: &gathered,
        formulary,
        sent: &done.sent,
        settings: &settings,
        book: &BOOK,
        tests: &laboratory::TESTS,
        holds: &judge::holds,
    });
    Some(Outcome {
        word: judged.outcome.word(),
        tier: judged.outcome.tier().map(|t| t.code()),
        read: reading.read(&facts),
    })
}

/// Where a number stands.
#[derive(Clone, Debug, PartialEq)]
enum Token {
    /// In the short form, by keys and places.
    Given(Vec<String>),
    /// The day of birth.
    Birth,
    /// In the formulary: row of the product, column.
    Product(String, usize),
}

impl Token {
    fn name(&self) -> String {
        match self {
            Token::Given(path) => path.join("."),
            Token::Birth => "birth-date".to_owned(),
            Token::Product(key, column) => {
                let header = PRODUCTS.lines().find(|l| l.starts_with("key,")).expect("a header");
                format!("{key}: {}", header.split(',').nth(*column).expect("a column"))
            }
        }
    }
}

/// An order, with the products it is judged with where they differ from the usual.
#[derive(Clone)]
struct Variant {
    given: Table,
    products: Option<String>,
    number: String,
}

fn number_of(text: &str) -> Option<(&str, &str)> {
    let (number, unit) = text.split_once(' ').unwrap_or((text, ""));
    let plain = number.strip_prefix('-').unwrap_or(number);
    (!plain.is_empty() && plain.bytes().all(|b| b.is_ascii_digit() || b == b'.')).then_some((number, unit))
}

fn numbers(value: &Value, path: &mut Vec<String>, out: &mut Vec<Token>) {
    match value {
        Value::Integer(_) => out.push(Token::Given(path.clone())),
        Value::String(text) if number_of(text).is_some() => out.push(Token::Given(path.clone())),
        Value::Array(all) => {
            for (nth, one) in all.iter().enumerate() {
                path.push(nth.to_string());
                numbers(one, path, out);
                path.pop();
            }
        }
        Value::Table(table) => {
            for (key, one) in table {
                path.push(key.clone());
                numbers(one, path, out);
                path.pop();
            }
        }
        _ => {}
    }
}

/// Numbers of the order, then those of its products.
fn tokens(given: &Table) -> Vec<Token> {
    let mut out = Vec::new();
    numbers(&Value::Table(given.clone()), &mut Vec::new(), &mut out);
    // A whole year more or less is no small step.
    if let Some(at) = out.iter().position(|t| *t == Token::Given(vec!["age".to_owned()])) {
        out[at] = Token::Birth;
    }
    let names = std::iter::once(given.get("product"))
        .chain(given.get("additives").and_then(Value::as_array).into_iter().flatten().map(|a| a.get("product")));
    for name in names.flatten().filter_map(Value::as_str) {
        let Some(row) = PRODUCTS.lines().find(|l| l.split(',').next() == Some(name)) else { continue };
        for (column, cell) in row.split(',').enumerate() {
            if column > 7 && number_of(cell).is_some_and(|(_, unit)| unit.is_empty()) {
                out.push(Token::Product(name.to_owned(), column));
            }
        }
    }
    out
}

fn at<'v>(value: &'v mut Value, path: &[String]) -> &'v mut Value {
    path.iter().fold(value, |value, key| match value {
        Value::Array(all) => &mut all[key.parse::<usize>().expect("a place")],
        other => other.get_mut(key.as_str()).expect("a key"),
    })
}

/// A decimal as written, `steps` of its last digit on, with `more` further digits; `None` below zero.
fn stepped(number: &str, steps: i64, more: usize) -> Option<String> {
    let (whole, decimals) = number.split_once('.').unwrap_or((number, ""));
    let places = decimals.len() + more;
    let digits: i128 = format!("{whole}{decimals}{}", "0".repeat(more)).parse().ok()?;
    let digits = digits + i128::from(steps);
    if digits < 0 {
        return None;
    }
    let text = format!("{digits:0>width$}", width = places + 1);
    let (whole, decimals) = text.split_at(text.len() - places);
    Some(if places == 0 { whole.to_owned() } else { format!("{whole}.{decimals}") })
}

/// The order with one number changed; `None` where there is no such order.
fn vary(given: &Table, token: &Token, steps: i64, more: usize) -> Option<Variant> {
    let mut out = Variant { given: given.clone(), products: None, number: String::new() };
    match token {
        Token::Birth => {
            if more > 0 {
                return None;
            }
            let bundle: Json = serde_json::from_str(&short_form::compose(given, &BOOK).ok()?).ok()?;
            let born: jiff::civil::Date = bundle["entry"][0]["resource"]["birthDate"].as_str()?.parse().ok()?;
            let born = born.checked_add(jiff::Span::new().days(steps)).ok()?.to_string();
            out.given.insert("birth-date".to_owned(), Value::String(born.clone()));
            out.number = born;
        }
        Token::Given(path) => {
            let mut all = Value::Table(out.given);
            let place = at(&mut all, path);
            match place {
                Value::Integer(n) if more == 0 => {
                    *n += steps;
                    out.number = n.to_string();
                }
                Value::String(text) => {
                    let (number, unit) = number_of(text)?;
                    *text = format!("{} {unit}", stepped(number, steps, more)?);
                    out.number = text.clone();
                }
                _ => return None,
            }
            let Value::Table(given) = all else { unreachable!("a table stays one") };
            out.given = given;
        }
        Token::Product(key, column) => {
            let mut lines: Vec<String> = PRODUCTS.lines().map(str::to_owned).collect();
            let row = lines.iter_mut().find(|l| l.split(',').next() == Some(key)).expect("a row");
            let mut cells: Vec<String> = row.split(',').map(str::to_owned).collect();
            cells[*column] = stepped(&cells[*column], steps, more)?;
            out.number = cells[*column].clone();
            *row = cells.join(",");
            out.products = Some(lines.join("\n"));
        }
    }
    Some(out)
}

fn judged(limit: &Limit, reading: &Reading, variant: &Variant) -> Option<Outcome> {
    match &variant.products {
        None => outcome(limit, reading, &variant.given, &FORMULARY),
        Some(text) => outcome(limit, reading, &variant.given, &Formulary::from_csv("tests", text.as_bytes()).ok()?),
    }
}

/// What must hold for every order: in scope, what the comparisons say is what the limit comes to.
fn agrees(limit: &Limit, outcome: &Outcome, what: &dyn Fn() -> String) -> bool {
    let (word, read) = (outcome.word, &outcome.read);
    match (read.in_scope, read.flagged()) {
        (Some(true), Some(flagged)) if matches!(word, "flagged" | "clear") => {
            assert_eq!(word, if flagged { "flagged" } else { "clear" }, "{}: {}", limit.rule.id, what());
            true
        }
        _ => false,
    }
}

struct Pair {
    token: Token,
    numbers: [String; 2],
    sides: String,
    on_bound: bool,
    test: TestKind,
    more: usize,
}

fn pair_of(limit: &Limit, reading: &Reading, test: &Test, token: &Token, a: (&Variant, &Outcome), b: (&Variant, &Outcome), more: usize) -> Option<Pair> {
    let (flagged, clear) = match (a.1.word, b.1.word) {
        ("flagged", "clear") => (a, b),
        ("clear", "flagged") => (b, a),
        _ => return None,
    };
    let mut on_bound = false;
    let mut shown = Vec::new();
    for (nth, comparison) in reading.comparisons.iter().enumerate() {
        let (x, y) = (&flagged.1.read, &clear.1.read);
        if x.truths[nth] == y.truths[nth] {
            continue;
        }
        let (Some((l, r)), Some((m, s))) = (x.sides[nth], y.sides[nth]) else { continue };
        on_bound |= l == r || m == s;
        let in_unit = |value: Exact| match comparison.left.unit() {
            Some(unit) => format!("{} {}", unit.from_base(value).map_or("?".to_owned(), |v| v.short(7)), unit.code),
            None => value.short(7),
        };
        shown.push(format!("{}: {} against {} | {} against {}", comparison.text, in_unit(l), in_unit(r), in_unit(m), in_unit(s)));
    }
    let _ = limit;
    Some(Pair {
        token: token.clone(),
        numbers: [flagged.0.number.clone(), clear.0.number.clone()],
        sides: shown.join("; "),
        on_bound,
        test: test.kind,
        more,
    })
}

/// Digits beyond those written that a step may have.
const MORE: usize = 2;

fn pair(limit: &Limit, reading: &Reading) -> (Option<Pair>, usize) {
    let mut tests: Vec<&Test> = limit.tests.iter().collect();
    tests.sort_by_key(|t| match t.kind {
        TestKind::Boundary => 0,
        TestKind::Flag => 1,
        TestKind::Pass => 2,
        TestKind::Missing => 3,
    });
    let mut best: Option<Pair> = None;
    let mut count = 0;
    for test in tests {
        for token in tokens(&test.given) {
            for more in 0..=MORE {
                let Some(base) = vary(&test.given, &token, 0, more) else { continue };
                let Some(at_base) = judged(limit, reading, &base) else { continue };
                for step in [1, -1] {
                    let Some(next) = vary(&test.given, &token, step, more) else { continue };
                    let Some(at_next) = judged(limit, reading, &next) else { continue };
                    count += usize::from(agrees(limit, &at_next, &|| format!("{} {}", test.title, next.number)));
                    if let Some(found) = pair_of(limit, reading, test, &token, (&base, &at_base), (&next, &at_next), more) {
                        if found.on_bound {
                            return (Some(found), count);
                        }
                        best.get_or_insert(found);
                    }
                }
            }
        }
    }
    (best, count)
}

#[test]
fn pairs() {
    let (mut all, mut with) = (0, 0);
    for limit in &BOOK.limits {
        let reading = Reading::of(limit);
        let (found, count) = pair(limit, &reading);
        all += count;
        match found {
            Some(p) => {
                with += 1;
                println!("{} {} {}: {} flagged, {} clear; {} [{:?} {}]", if p.on_bound {"on  "} else {"near"}, limit.rule.id, p.token.name(), p.numbers[0], p.numbers[1], p.sides, p.test, p.more);
            }
            None => println!("none {}", limit.rule.id),
        }
    }
    println!("{with} of {}; {all} outcomes", BOOK.limits.len());
}
