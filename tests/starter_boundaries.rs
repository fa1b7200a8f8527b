//! Every limit of the starter rulebook at its bounds: pairs of orders that differ in one number by its smallest
//! step, of which one is flagged and the other clear.
//! `cargo test --test starter_boundaries -- --nocapture` prints them. People and products are invented.

use enteral_gate::appraise::{Institution, check_by};
use enteral_gate::findings::{self, Tier};
use enteral_gate::formulary::Formulary;
use enteral_gate::intake::bundle::gather;
use enteral_gate::intake::json::{Document, Limits};
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::intake::wire::read_order;
use enteral_gate::patient::{context, laboratory};
use enteral_gate::rulebook::case::{CaseFacts, Materials};
use enteral_gate::rulebook::{Limit, Rulebook, Test, TestKind, file, judge, short_form};
use enteral_gate::settings::{ContextKind, Settings};
use other_units::{WAYS, Written, rewrite};
use second_reading::{Read, Reading};
use serde_json::Value as Json;
use std::collections::BTreeMap;
use std::sync::atomic::{AtomicUsize, Ordering::Relaxed};
use std::sync::{LazyLock, Mutex};
use toml::{Table, Value};

#[path = "corpus/orders.rs"]
mod orders;
#[path = "boundaries/other_units.rs"]
mod other_units;
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
    tier: Option<Tier>,
    /// Something graver that the limit finds is a consequence of another finding, and the text says so.
    partly_hidden: bool,
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
        further: &[],
        steady: report.steady.as_ref().ok(),
        together: [&[], &[]],
        context: &context,
        gathered: &gathered,
        formulary,
        sent: &done.sent,
        settings: &settings,
        book: &BOOK,
        tests: &laboratory::TESTS,
        holds: &judge::holds,
    });
    let partly_hidden = match &judged.outcome {
        findings::Outcome::Flagged(list) => list.iter().any(|f| f.text.contains(" is not shown because of ")),
        _ => false,
    };
    let (word, tier) = (judged.outcome.word(), judged.outcome.tier());
    Some(Outcome { word, tier, partly_hidden, read: reading.read(&facts) })
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
    for name in named(given) {
        let Some(row) = PRODUCTS.lines().find(|l| l.split(',').next() == Some(name)) else { continue };
        for (column, cell) in row.split(',').enumerate() {
            if column > 7 && number_of(cell).is_some_and(|(_, unit)| unit.is_empty()) {
                out.push(Token::Product(name.to_owned(), column));
            }
        }
    }
    out
}

/// Products that an order names.
fn named(given: &Table) -> impl Iterator<Item = &str> {
    let more = given.get("additives").and_then(Value::as_array).into_iter().flatten().map(|a| a.get("product"));
    std::iter::once(given.get("product")).chain(more).flatten().filter_map(Value::as_str)
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
            let mut rows: Vec<String> = PRODUCTS
                .lines()
                .filter(|l| l.split(',').next().is_some_and(|k| k == "key" || named(given).any(|name| name == k)))
                .map(str::to_owned)
                .collect();
            let row = rows.iter_mut().find(|l| l.split(',').next() == Some(key)).expect("a row");
            let mut cells: Vec<String> = row.split(',').map(str::to_owned).collect();
            cells[*column] = stepped(&cells[*column], steps, more)?;
            out.number = cells[*column].clone();
            *row = cells.join(",");
            out.products = Some(rows.join("\n"));
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

/// What must hold of every order: what a limit comes to is what its comparisons say. Whether they say it.
fn agrees(limit: &Limit, outcome: &Outcome, what: &dyn Fn() -> String) -> bool {
    let (word, read) = (outcome.word, &outcome.read);
    let place = || format!("{} {}: {word}, {:?}", limit.rule.id, what(), read.sides);
    match (read.in_scope, read.flagged()) {
        (Some(false), _) => assert_eq!(word, "not-applicable", "{}", place()),
        (None, _) => assert!(matches!(word, "not-evaluated" | "not-provided"), "{}", place()),
        (Some(true), Some(true)) => {
            assert!(matches!(word, "flagged" | "hidden"), "{}", place());
            let tier =
                limit.checks.iter().zip(&read.finds).filter(|(_, f)| **f == Some(true)).map(|(c, _)| c.tier).max();
            // A graver check that is open may be found for a range that is cut by the bound.
            let open = limit.checks.iter().zip(&read.finds).any(|(c, f)| f.is_none() && Some(c.tier) > tier);
            let hidden = word == "hidden" || outcome.partly_hidden && outcome.tier <= tier;
            assert!(hidden || open || outcome.tier == tier, "{}: {:?}, {tier:?}", place(), outcome.tier);
            return word == "flagged" && !open && !outcome.partly_hidden;
        }
        (Some(true), Some(false)) => {
            // What finds nothing on an amount or a weight that another rule finds wrong is put off.
            assert!(matches!(word, "clear" | "hidden"), "{}", place());
            return word == "clear";
        }
        // Where the condition alone is open, and matters to nothing, it may be clear.
        (Some(true), None) => assert!(word != "clear" || read.within, "{}", place()),
    }
    false
}

/// Two orders one step apart of which a check finds something in the one and nothing in the other.
struct Pair {
    token: String,
    found: String,
    clear: String,
    /// What was compared, with the figures of both.
    compared: String,
    /// Whether one of them lies exactly on the bound.
    on_bound: bool,
    /// Whether the whole limit is clear for the other.
    clears: bool,
    /// Digits beyond those written in which they differ.
    more: usize,
}

/// One number of one order, and what was judged along it.
struct Line<'l> {
    limit: &'l Limit,
    reading: &'l Reading,
    given: &'l Table,
    token: Token,
    more: usize,
    seen: BTreeMap<i64, Option<(String, Outcome)>>,
}

/// What tells two places on a line apart.
type Signature = (&'static str, Vec<Option<bool>>);

impl Line<'_> {
    fn look(&mut self, steps: i64) -> Option<Signature> {
        if !self.seen.contains_key(&steps) {
            let got = vary(self.given, &self.token, steps, self.more).and_then(|variant| {
                let outcome = judged(self.limit, self.reading, &variant)?;
                COUNT.fetch_add(1, Relaxed);
                let what = || format!("{} of {}", variant.number, self.given);
                // Only what is judged on numbers that are known can stand on one side of a bound.
                let usable = agrees(self.limit, &outcome, &what);
                usable.then_some((variant.number, outcome))
            });
            self.seen.insert(steps, got);
        }
        self.seen[&steps].as_ref().map(|(_, o)| (o.word, o.read.finds.clone()))
    }

    /// From two places that differ to two that differ and are one step apart.
    fn narrow(&mut self, mut from: i64, mut to: i64) -> (i64, i64) {
        let left = self.look(from);
        while to - from > 1 {
            let mid = from + (to - from) / 2;
            if self.look(mid) == left { from = mid } else { to = mid }
        }
        (from, to)
    }

    /// Keeps the pairs that two places are for checks that find something at the one and nothing at the other.
    /// Whether one that was kept does not touch its bound.
    fn pairs(&self, a: i64, b: i64, out: &mut Found) -> bool {
        let (Some(Some(a)), Some(Some(b))) = (self.seen.get(&a), self.seen.get(&b)) else { return false };
        let mut closer = false;
        for (check, best) in out.iter_mut().enumerate() {
            let (found, clear) = match (a.1.read.finds[check], b.1.read.finds[check]) {
                (Some(true), Some(false)) => (a, b),
                (Some(false), Some(true)) => (b, a),
                _ => continue,
            };
            let (x, y) = (&found.1.read, &clear.1.read);
            let mut compared = Vec::new();
            let mut on_bound = false;
            for (nth, comparison) in self.reading.comparisons.iter().enumerate() {
                if x.truths[nth] == y.truths[nth] || !self.reading.concerns(check, nth) {
                    continue;
                }
                let (Some((l, r)), Some((m, s))) = (x.sides[nth], y.sides[nth]) else { continue };
                // A measure that is equal to its bound is not flagged.
                assert!(!comparison.measure || l != r, "{}: {} of {}", self.limit.rule.id, found.0, self.given);
                on_bound |= l == r || m == s;
                compared.push(comparison.shown([l, r, m, s]));
            }
            if compared.is_empty() {
                continue;
            }
            let pair = Pair {
                token: self.token.name(),
                found: found.0.clone(),
                clear: clear.0.clone(),
                compared: compared.join("; "),
                on_bound,
                clears: clear.1.word == "clear",
                more: self.more,
            };
            let better = |old: &Pair| (pair.clears, pair.on_bound, self.more) > (old.clears, old.on_bound, old.more);
            if best.as_ref().is_none_or(better) {
                closer |= !pair.on_bound;
                *best = Some(pair);
            }
        }
        closer
    }
}

/// Per check of a limit, its best pair.
type Found = Vec<Option<Pair>>;

static COUNT: AtomicUsize = AtomicUsize::new(0);

/// A limit's own examples, the one on the bound first.
fn examples(limit: &Limit) -> Vec<Table> {
    let mut tests: Vec<&Test> = limit.tests.iter().collect();
    tests.sort_by_key(|t| match t.kind {
        TestKind::Boundary => 0,
        TestKind::Flag => 1,
        TestKind::Pass => 2,
        TestKind::Missing => 3,
    });
    tests.into_iter().map(|t| t.given.clone()).collect()
}

/// An order for bounds that a limit's own examples do not come near: a base, what is changed in it, the number that
/// is varied, and the limits it is for.
struct Further {
    limits: Vec<String>,
    given: Table,
    vary: Token,
}

static FURTHER: LazyLock<Vec<Further>> = LazyLock::new(|| {
    let file: Table = toml::from_str(include_str!("boundaries/bands.toml")).expect("TOML");
    let text = |value: &Value| value.as_str().expect("a text").to_owned();
    let orders = file["order"].as_array().expect("orders").iter();
    orders
        .map(|order| {
            let mut given = file["base"][text(&order["base"]).as_str()].as_table().expect("a base").clone();
            for key in order.get("without").and_then(Value::as_array).into_iter().flatten() {
                given.remove(key.as_str().expect("a key"));
            }
            if let Some(with) = order.get("with") {
                given.extend(with.as_table().expect("keys").clone());
            }
            let name = text(&order["vary"]);
            let vary = tokens(&given).into_iter().find(|t| t.name() == name);
            let vary = vary.unwrap_or_else(|| panic!("{name} is no number of {given}"));
            Further { limits: order["limits"].as_array().expect("ids").iter().map(text).collect(), given, vary }
        })
        .collect()
});

/// How far a line is looked along.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Reach {
    /// One step on either side.
    Near,
    /// From none to several times the number.
    Far,
}

/// Further digits of the steps on which a pair is looked for that lies closer to the bound.
const MORE: usize = 2;

fn along(line: &mut Line, reach: Reach, found: &mut Found) {
    let mut points: Vec<i64> = vec![-1, 0, 1];
    if reach == Reach::Far {
        match line.token {
            Token::Birth => points.extend([-8000, -4000, -1000, -400, -100, -31, 31, 100, 400, 1000, 4000]),
            _ => {
                let Some(base) = vary(line.given, &line.token, 0, line.more) else { return };
                let number = base.number.split(' ').next().expect("a number").replace('.', "");
                let Ok(n) = number.parse::<i64>() else { return };
                points.extend([0, 25, 50, 75, 90, 110, 125, 150, 200, 300, 500].map(|percent| n * percent / 100 - n));
            }
        }
    }
    points.sort_unstable();
    points.dedup();
    for ends in points.windows(2) {
        let (mut from, to) = (ends[0], ends[1]);
        // Several checks may turn between two points.
        while line.look(from) != line.look(to) {
            let (a, b) = line.narrow(from, to);
            from = b;
            let closer = line.pairs(a, b, found);
            if closer && line.more == 0 {
                // Neither lies on the bound: the same with more digits.
                let scale = 10_i64.pow(u32::try_from(MORE).expect("small"));
                let mut fine = Line { more: MORE, token: line.token.clone(), seen: BTreeMap::new(), ..*line };
                if fine.look(a * scale).is_some() && fine.look(a * scale) != fine.look(b * scale) {
                    let (a, b) = fine.narrow(a * scale, b * scale);
                    fine.pairs(a, b, found);
                }
            }
        }
    }
}

fn clears(found: &Found) -> bool {
    found.iter().flatten().any(|p| p.clears)
}

/// The pairs of a limit: around its own examples, and on the further orders that are for it.
fn search(limit: &Limit, reading: &Reading) -> Found {
    let mut found: Found = limit.checks.iter().map(|_| None).collect();
    let id = &*limit.rule.id;
    let line = |given, token| Line { limit, reading, given, token, more: 0, seen: BTreeMap::new() };
    for further in FURTHER.iter().filter(|f| f.limits.iter().any(|l| l == id)) {
        along(&mut line(&further.given, further.vary.clone()), Reach::Far, &mut found);
    }
    let examples = examples(limit);
    let turns = |found: &Found| clears(found) && (0..found.len()).all(|n| found[n].is_some() || !reading.compares(n));
    // Numbers of products only where those of the order do not do.
    for (reach, products, examples) in
        [(Reach::Near, false, &examples[..]), (Reach::Near, true, &examples[..2]), (Reach::Far, false, &examples[..])]
    {
        for given in examples {
            for token in tokens(given) {
                let needed = reach == Reach::Near && !products || !turns(&found);
                if matches!(token, Token::Product(..)) == products && needed {
                    along(&mut line(given, token), reach, &mut found);
                }
            }
        }
    }
    found
}

const INGREDIENT: &str = "an allergy or a condition, and what the product contains";
const MEDICINE: &str = "a medicine is on the list or is not";

/// Limits that no number turns from flagged to clear, with the reason.
const NO_PAIR: &[(&str, &str)] = &[
    ("ALG-01", INGREDIENT),
    ("ALG-02", INGREDIENT),
    ("ALG-03", INGREDIENT),
    ("ALG-04", INGREDIENT),
    ("ALG-05", "a condition is on the list or is not"),
    ("ALG-06", INGREDIENT),
    ("ALG-07", INGREDIENT),
    ("ALG-08", INGREDIENT),
    ("ALG-09", INGREDIENT),
    ("ALG-10", "how the patient eats, and what the product contains"),
    ("AGE-06", "the kind of milk, under an age"),
    ("AGE-10", "a condition, and arginine in the product"),
    ("AGE-11", "a condition is on the list or is not"),
    ("DRG-07", "a medicine, and whether the feed runs all day"),
    ("DRG-08", MEDICINE),
    ("DRG-10", MEDICINE),
    ("DRG-11", "a medicine, and the route"),
    ("DRG-12", "a medicine, its form and its route"),
    ("DRG-14", "a medicine, and the route"),
    ("HEM-02", "a medicine and the route flag it; the lactate decides how grave it is"),
    ("MET-02", "a medicine, and whether the order is new or has a pause"),
    ("NEO-07", "the kind of milk, and whether it runs continuously"),
    ("TUB-06", "an additive is a thickener or is not; the age decides how grave it is"),
    ("TUB-10", "an additive is a dye or is not"),
    ("PNX-04", "a diet or a supplement is ordered or is not"),
    ("PNX-02", "a medicine flags it; the energy decides how grave it is"),
];

/// `tests/limit_advice.rs` holds these at their bounds.
const NOT_MEASURED: &str = "it is for a value that was not sent, without which the limit is never clear";

/// Checks that compare numbers and turn nothing, with the reason.
const NO_STEP: &[(&str, usize, &str)] = &[
    ("ELE-01", 4, NOT_MEASURED),
    ("ELE-01", 7, NOT_MEASURED),
    ("ELE-02", 3, NOT_MEASURED),
    ("OSM-01", 3, "it counts additives, and no number in an order is that count"),
    ("VOL-02", 1, "over 60 mL/min UNT-05 has found the same already, and hides it"),
];

fn in_parallel<T: Sync, R: Send>(all: &[T], work: impl Fn(&T) -> R + Sync) -> Vec<R> {
    let next = AtomicUsize::new(0);
    let done: Mutex<BTreeMap<usize, R>> = Mutex::default();
    let threads = std::thread::available_parallelism().map_or(2, |n| n.get().min(8));
    std::thread::scope(|scope| {
        for _ in 0..threads {
            scope.spawn(|| {
                loop {
                    let nth = next.fetch_add(1, Relaxed);
                    let Some(one) = all.get(nth) else { break };
                    let result = work(one);
                    done.lock().expect("no panic").insert(nth, result);
                }
            });
        }
    });
    done.into_inner().expect("no panic").into_values().collect()
}

#[test]
fn every_bound_turns_between_two_orders_one_step_apart() {
    let all = in_parallel(&BOOK.limits, |limit| search(limit, &Reading::of(limit)));
    let (mut wrong, mut pairs, mut on_bound, mut turning) = (Vec::new(), 0, 0, 0);
    for (limit, found) in BOOK.limits.iter().zip(&all) {
        let (id, reading) = (&*limit.rule.id, Reading::of(limit));
        for (nth, pair) in found.iter().enumerate() {
            let listed = NO_STEP.iter().any(|(l, n, _)| *l == id && *n == nth + 1);
            if listed == pair.is_some() || listed && !reading.compares(nth) {
                let whether = if listed { "is listed without need" } else { "has no pair" };
                // What compares no numbers needs none.
                if listed || reading.compares(nth) {
                    wrong.push(format!("{id}, check {}, {whether}", nth + 1));
                }
            }
            if let Some(p) = pair {
                pairs += 1;
                on_bound += usize::from(p.on_bound);
                let [bound, other] =
                    [if p.on_bound { "on bound" } else { "" }, if p.clears { "clear" } else { "lesser" }];
                println!(
                    "{id:6} {:2} | {:28} | {:>14} flagged, {:>14} {other:6} | {bound:8} | {}",
                    nth + 1,
                    p.token,
                    p.found,
                    p.clear,
                    p.compared
                );
            }
        }
        let reason = NO_PAIR.iter().find(|(l, _)| *l == id).map(|(_, why)| why);
        match (clears(found), reason) {
            (true, None) => turning += 1,
            (true, Some(why)) => wrong.push(format!("{id} turns on a number and is listed: {why}")),
            (false, Some(why)) => println!("{id:6}    | no pair: {why}"),
            (false, None) => wrong.push(format!("{id} has no pair of a flagged and a clear order")),
        }
    }
    for (id, _) in NO_PAIR {
        assert!(BOOK.limits.iter().any(|l| l.rule.id == *id), "{id} is no limit");
    }
    println!(
        "{turning} limits turn, {} do not; {pairs} bounds, {on_bound} with an order exactly on the bound; {} orders judged",
        NO_PAIR.len(),
        COUNT.load(Relaxed)
    );
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// A document to be judged: what it is, its text, its version, what its sender declares.
struct Sent {
    what: String,
    text: String,
    version: FhirVersion,
    settings: Settings,
}

/// Every example of every limit, both corpora, and the worked cases.
fn documents() -> Vec<Sent> {
    let mut out = Vec::new();
    let mut add = |what: String, given: &Table| {
        let text = short_form::compose(given, &BOOK).unwrap_or_else(|why| panic!("{what}: {why}"));
        out.push(Sent { what, text, version: FhirVersion::R4, settings: settings(given) });
    };
    for limit in &BOOK.limits {
        for test in &limit.tests {
            add(format!("{} {}", limit.rule.id, test.title), &test.given);
        }
    }
    for (title, given) in orders::clean() {
        for (kind, seeded, _) in orders::seeded(&given) {
            add(format!("{title}, {kind}"), &seeded);
        }
        add(title, &given);
    }
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/cases");
    for folder in [folder.to_owned(), format!("{folder}/published")] {
        for file in std::fs::read_dir(&folder).expect("a folder") {
            let path = file.expect("a file").path();
            let name = path.to_string_lossy().into_owned();
            let version = match name.as_str() {
                n if n.ends_with(".r4.json") => FhirVersion::R4,
                n if n.ends_with(".r5.json") => FhirVersion::R5,
                _ => continue,
            };
            let text = std::fs::read_to_string(&path).expect("a text");
            out.push(Sent { what: name, text, version, settings: Settings::default() });
        }
    }
    out
}

/// What every rule comes to for every order of a document, by the order's place and the rule's id.
fn outcomes(sent: &Sent, text: &str) -> BTreeMap<(usize, String), (&'static str, Option<Tier>)> {
    let by = Institution { formulary: &FORMULARY, rulebook: &BOOK, settings: &sent.settings };
    let done = check_by(text.as_bytes(), "", sent.version, by);
    let orders = done.orders.iter().enumerate();
    orders
        .flat_map(|(nth, order)| order.judged.iter().chain(&order.shadow).map(move |j| (nth, j)))
        .map(|(nth, j)| ((nth, j.rule.id.to_string()), (j.outcome.word(), j.outcome.tier())))
        .collect()
}

/// Outcomes that change with the unit although the value stays: rule, from, to, and why that is right.
const ABOUT_THE_UNIT: &[(&str, &str, &str, &str)] = &[
    ("UNT-02", "flagged", "clear", "it asks whether the number as written is usual in the other unit of density"),
    ("UNT-01", "hidden", "flagged", "UNT-02 names its cause only for the number as written"),
    ("UNT-06", "flagged", "clear", "it asks whether the number as written is usual in the other unit of volume"),
    ("UNT-05", "hidden", "flagged", "UNT-06 names its cause only for the number as written"),
];

#[test]
fn the_same_amount_in_another_unit_changes_no_outcome() {
    let documents = documents();
    let written: Mutex<Written> = Mutex::default();
    let needed: Mutex<BTreeMap<usize, usize>> = Mutex::default();
    let changed = in_parallel(&documents, |sent| {
        let before = outcomes(sent, &sent.text);
        assert!(!before.is_empty(), "{}", sent.what);
        let mut changed = Vec::new();
        for way in WAYS {
            let mut json: Json = serde_json::from_str(&sent.text).expect("JSON");
            let mut now = Written::default();
            rewrite(&mut json, way, &mut now);
            if now.is_empty() {
                continue;
            }
            let after = outcomes(sent, &json.to_string());
            assert!(before.keys().eq(after.keys()), "{}", sent.what);
            for ((key, from), to) in before.iter().zip(after.values()).filter(|((_, from), to)| from != to) {
                let exception = ABOUT_THE_UNIT
                    .iter()
                    .position(|(rule, a, b, _)| *rule == key.1 && (*a, *b) == (from.0, to.0) && !way.same_numbers);
                match exception {
                    Some(at) => *needed.lock().expect("no panic").entry(at).or_default() += 1,
                    None => changed.push(format!("{}, {}, {}: {from:?} to {to:?}", sent.what, way.name, key.1)),
                }
            }
            let mut all = written.lock().expect("no panic");
            for (pair, n) in now {
                *all.entry(pair).or_default() += n;
            }
        }
        changed
    });
    let changed: Vec<String> = changed.into_iter().flatten().collect();
    assert!(changed.is_empty(), "{} outcomes:\n{}", changed.len(), changed.join("\n"));
    let (written, needed) = (written.into_inner().expect("no panic"), needed.into_inner().expect("no panic"));
    for ((from, to), n) in &written {
        println!("{from:20} as {to:20} {n:6}");
    }
    println!("{} documents", documents.len());
    for (nth, (rule, from, to, why)) in ABOUT_THE_UNIT.iter().enumerate() {
        let n = needed.get(&nth).copied().unwrap_or_default();
        println!("{rule} from {from} to {to}: {n} ({why})");
        assert!(n > 0, "{rule} from {from} to {to} is no exception any more");
    }
    for (from, to, ..) in WAYS.iter().flat_map(|way| way.units.iter().chain(way.times)) {
        assert!(written.contains_key(&(*from, *to)), "{from} is never written as {to}");
    }
    assert!(documents.len() > 1_000);
}
