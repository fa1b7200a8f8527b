//! `rules diff` and `replay`: what rulebooks say to the orders of a folder. What is found in shadow mode is shown to nobody at
//! work; it is counted apart.

use super::{Format, With, name_of, print, products};
use crate::answer;
use crate::appraise::{Institution, appraise_by, own_rules};
use crate::cli::exit::{Exit, complain};
use crate::cli::{inputs, rulebook};
use crate::findings::Tier;
use crate::rulebook::{Mode, Rulebook};
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

/// What a rule came to for one order.
#[derive(Clone, Copy, PartialEq, Eq)]
struct Said {
    word: &'static str,
    tier: Option<Tier>,
    shadow: bool,
}

/// What was judged of one order.
struct Order {
    name: String,
    disposition: &'static str,
    said: BTreeMap<String, Said>,
    /// Why it could not be read.
    unread: Option<String>,
}

/// Every order and whether all inputs could be read. With `tell`, what could not be read and orders that are plainly of
/// another version are named.
fn judged(book: &Rulebook, orders: &[PathBuf], with: &With, tell: bool) -> Result<(Vec<Order>, bool), String> {
    let products = products(with.formulary.as_ref())?;
    let settings = with.institution.settings()?;
    let (mut out, mut whole) = (Vec::new(), true);
    let unread = |name: &str, why: String| Order {
        name: name.to_owned(),
        disposition: "refused",
        said: BTreeMap::new(),
        unread: Some(why),
    };
    for source in inputs::find(orders) {
        let read = inputs::read(&source, &mut |name, line, bytes| {
            let by = Institution { formulary: &products, rulebook: book, settings: &settings };
            let mut appraisal = appraise_by(bytes, name, with.fhir.version(), by);
            line.iter().for_each(|line| appraisal.begin_on_line(*line));
            if let Some((_, why)) = &appraisal.refused {
                whole = false;
                let why = why.with_place();
                if tell {
                    complain(&format!("{name}: {why}"));
                }
                out.push(unread(name, why.into_owned()));
                return true;
            }
            if tell {
                inputs::tell_version(name, &appraisal);
            }
            for order in &appraisal.orders {
                let said = |j: &crate::findings::Judged<'_>, shadow| {
                    let (word, tier) = (j.outcome.word(), j.outcome.tier());
                    (j.rule.id.to_string(), Said { word, tier, shadow })
                };
                let counted = order.judged.iter().map(|j| said(j, false));
                out.push(Order {
                    name: format!("{name} {}", order.label),
                    disposition: order.disposition().code(),
                    said: counted.chain(order.shadow.iter().map(|j| said(j, true))).collect(),
                    unread: None,
                });
            }
            if appraisal.orders.is_empty() {
                let disposition = appraisal.disposition().code();
                out.push(Order { name: name.to_owned(), disposition, said: BTreeMap::new(), unread: None });
            }
            true
        });
        if let Err(why) = read {
            let name = inputs::name_of(&source);
            if tell {
                complain(&format!("{name}: {why}"));
            }
            out.push(unread(&name, why));
            whole = false;
        }
    }
    Ok((out, whole))
}

/// How far the findings of a rule go, and who can act on them.
fn reach(book: &Rulebook, id: &str) -> Option<(&'static str, Vec<&'static str>)> {
    if let Some(limit) = book.limits.iter().find(|l| l.rule.id == id) {
        return Some((limit.mode.word(), limit.audience.iter().map(|a| a.word()).collect()));
    }
    own_rules().any(|rule| rule.id == id).then(|| (Mode::Card.word(), Vec::new()))
}

/// What a rule of one book says of an order, as it is compared.
#[derive(Clone, PartialEq, Eq)]
struct Side {
    said: Said,
    /// Of findings: how far they go, and who can act.
    reach: Option<(&'static str, Vec<&'static str>)>,
}

impl Side {
    fn of(book: &Rulebook, order: &Order, id: &str) -> Option<Self> {
        let said = *order.said.get(id)?;
        Some(Self { said, reach: reach(book, id).filter(|_| said.word == "flagged") })
    }

    /// In words; mode and audience where the other side says another.
    fn text(side: Option<&Self>, other: Option<&Self>) -> String {
        let Some(side) = side else { return "not in the rulebook".to_owned() };
        let mut out = side.said.word.to_owned();
        if let Some(tier) = side.said.tier {
            out.push_str(&format!(" {}", tier.code()));
        }
        if side.said.shadow {
            out.push_str(" in shadow");
        }
        if let (Some((mode, who)), Some((other_mode, others))) =
            (&side.reach, other.and_then(|other| other.reach.as_ref()))
        {
            if mode != other_mode && !side.said.shadow {
                out.push_str(&format!(" to the {mode}"));
            }
            if who != others {
                out.push_str(&format!(" for {}", who.join(", ")));
            }
        }
        out
    }

    fn json(side: Option<&Self>) -> Value {
        let Some(side) = side else { return Value::Null };
        let (mode, audience) = side.reach.as_ref().map(|(mode, who)| (*mode, who.clone())).unzip();
        json!({
            "outcome": side.said.word, "tier": side.said.tier.map(Tier::code), "shadow": side.said.shadow,
            "mode": mode, "audience": audience,
        })
    }
}

/// What differs in one order.
struct Change {
    order: String,
    lines: Vec<String>,
    json: Value,
}

/// What alerts are counted by, and which it is.
type Count = BTreeMap<(&'static str, String), (i64, i64)>;

/// What of an order is an alert, by rule, tier, mode and audience; what is in shadow, by rule apart.
fn count(book: &Rulebook, order: &Order, into: &mut Count, newer: bool) {
    for (id, said) in order.said.iter().filter(|(_, said)| said.word == "flagged") {
        let mut keys = Vec::new();
        if said.shadow {
            keys.push(("shadow", id.clone()));
        } else {
            keys.push(("rule", id.clone()));
            keys.extend(said.tier.map(|tier| ("tier", tier.code().to_owned())));
            if let Some((mode, who)) = reach(book, id) {
                keys.push(("mode", mode.to_owned()));
                keys.extend(who.into_iter().map(|who| ("audience", who.to_owned())));
            }
        }
        for key in keys {
            let entry = into.entry(key).or_default();
            if newer { entry.1 += 1 } else { entry.0 += 1 }
        }
    }
}

fn change((old, a): (&Rulebook, &Order), (new, b): (&Rulebook, &Order)) -> Option<Change> {
    let (mut lines, mut rules) = (Vec::new(), Vec::new());
    if a.disposition != b.disposition {
        lines.push(format!("{} becomes {}", a.disposition, b.disposition));
    }
    let ids: BTreeSet<&String> = a.said.keys().chain(b.said.keys()).collect();
    for id in ids {
        let (x, y) = (Side::of(old, a, id), Side::of(new, b, id));
        if x != y {
            let (was, is) = (Side::text(x.as_ref(), y.as_ref()), Side::text(y.as_ref(), x.as_ref()));
            lines.push(format!("{id}: {was} becomes {is}"));
            rules.push(json!({"rule": id, "old": Side::json(x.as_ref()), "new": Side::json(y.as_ref())}));
        }
    }
    let disposition = (a.disposition != b.disposition).then(|| json!({"old": a.disposition, "new": b.disposition}));
    (!lines.is_empty()).then(|| Change {
        order: a.name.clone(),
        lines,
        json: json!({"order": a.name, "disposition": disposition, "rules": rules}),
    })
}

/// `rules diff`
pub fn diff(old: &Path, new: &Path, orders: &[PathBuf], with: &With) -> Result<Exit, String> {
    let (old, new) = (rulebook::named(old)?, rulebook::named(new)?);
    let ((before, whole), (after, _)) = (judged(&old, orders, with, true)?, judged(&new, orders, with, false)?);
    if before.is_empty() {
        return Err("--orders: no order was found".to_owned());
    }
    let mut load = Count::new();
    for (a, b) in before.iter().zip(&after) {
        count(&old, a, &mut load, false);
        count(&new, b, &mut load, true);
    }
    let changed: Vec<Change> = before.iter().zip(&after).filter_map(|(a, b)| change((&old, a), (&new, b))).collect();
    match with.format {
        Format::Json => {
            let orders: Vec<&Value> = changed.iter().map(|change| &change.json).collect();
            let load: Vec<Value> =
                load.iter().map(|((by, of), (a, b))| json!({"by": by, "of": of, "old": a, "new": b})).collect();
            let unread: Vec<Value> = before
                .iter()
                .filter_map(|o| o.unread.as_ref().map(|why| json!({"input": o.name, "why": why})))
                .collect();
            print(&json!({"old": name_of(&old), "new": name_of(&new), "orders": before.len(), "changed": orders, "alerts": load, "unread": unread}).to_string());
        }
        Format::Junit => {
            let cases: Vec<(String, String, Option<String>)> = before
                .iter()
                .map(|order| {
                    let lines = changed.iter().find(|c| c.order == order.name).map(|c| c.lines.join("\n"));
                    ("diff".to_owned(), order.name.clone(), order.unread.clone().or(lines))
                })
                .collect();
            print(&answer::junit_of("rules diff", &cases));
        }
        Format::Text => {
            let mut out = format!("old: {}\nnew: {}\n", name_of(&old), name_of(&new));
            for change in &changed {
                out.push_str(&format!("\n{}\n  {}\n", change.order, change.lines.join("\n  ")));
            }
            out.push_str(&format!("\n{} of {} orders change\n", changed.len(), before.len()));
            for ((by, of), (a, b)) in load.iter().filter(|(_, (a, b))| a != b) {
                let what = if *by == "shadow" { "findings in shadow" } else { "alerts" };
                out.push_str(&format!("{:24} {a} {what} become {b}\n", format!("{by} {of}")));
            }
            print(out.trim_end());
        }
    }
    let exit = if changed.is_empty() { Exit::Clear } else { Exit::Flagged };
    // What could not be read was not compared.
    Ok(if whole { exit } else { Exit::Unreadable })
}

/// `rules replay`
pub fn replay(book: &Rulebook, orders: &[PathBuf], with: &With) -> Result<Exit, String> {
    let (judged, whole) = judged(book, orders, with, true)?;
    if judged.is_empty() {
        return Err("--orders: no order was found".to_owned());
    }
    let mut rules: BTreeMap<&str, BTreeMap<&str, usize>> = BTreeMap::new();
    let mut shadow = rules.clone();
    let mut dispositions: BTreeMap<&str, usize> = BTreeMap::new();
    for order in &judged {
        *dispositions.entry(order.disposition).or_default() += 1;
        for (id, said) in &order.said {
            let into = if said.shadow { &mut shadow } else { &mut rules };
            *into.entry(id).or_default().entry(said.word).or_default() += 1;
        }
    }
    match with.format {
        Format::Json => {
            let unread: Vec<Value> = judged
                .iter()
                .filter_map(|o| o.unread.as_ref().map(|why| json!({"input": o.name, "why": why})))
                .collect();
            print(
                &json!({"rulebook": name_of(book), "orders": judged.len(), "dispositions": dispositions, "rules": rules, "shadow": shadow, "unread": unread})
                    .to_string(),
            );
        }
        Format::Junit => {
            let cases: Vec<(String, String, Option<String>)> = judged
                .iter()
                .map(|order| ("replay".to_owned(), order.name.clone(), order.unread.clone().or_else(|| failure(order))))
                .collect();
            print(&answer::junit_of("rules replay", &cases));
        }
        Format::Text => {
            let mut out = format!("{}\n{} orders: ", name_of(book), judged.len());
            out.push_str(&dispositions.iter().map(|(d, n)| format!("{n} {d}")).collect::<Vec<_>>().join(", "));
            out.push('\n');
            let line = |id: &str, words: &BTreeMap<&str, usize>| {
                let words: Vec<String> = words.iter().map(|(word, n)| format!("{n} {word}")).collect();
                format!("\n{id:8} {}", words.join(", "))
            };
            rules.iter().for_each(|(id, words)| out.push_str(&line(id, words)));
            if !shadow.is_empty() {
                out.push_str("\n\nIn shadow, shown to nobody at work:");
                shadow.iter().for_each(|(id, words)| out.push_str(&line(id, words)));
            }
            print(&out);
        }
    }
    Ok(if whole { Exit::Clear } else { Exit::Unreadable })
}

/// What makes an order one that is not clear.
fn failure(order: &Order) -> Option<String> {
    if order.disposition == "clear" {
        return None;
    }
    let found = order.said.iter().filter(|(_, said)| !said.shadow).filter_map(|(id, said)| match said.tier {
        Some(tier) if tier > Tier::Low => Some(format!("{id} {}", tier.code())),
        None if said.word == "not-evaluated" => Some(format!("{id} not evaluated")),
        _ => None,
    });
    let found: Vec<String> = found.collect();
    Some(if found.is_empty() {
        order.disposition.to_owned()
    } else {
        format!("{}: {}", order.disposition, found.join(", "))
    })
}
