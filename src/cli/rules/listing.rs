//! `rules list`, `show` and `effective`: what a rulebook says, for people and as JSON.

use super::{Format, name_of, no_junit, print};
use crate::appraise::{not_judged_yet, own_rules};
use crate::cli::exit::Exit;
use crate::findings::Tier;
use crate::rulebook::expression::Named;
use crate::rulebook::{Bound, Check, ConceptKind, Limit, Off, Rulebook, file};
use serde_json::{Map, Value, json};

/// A line of the list.
struct Row<'r> {
    id: &'r str,
    kind: &'static str,
    /// Mildest and gravest.
    tiers: (Tier, Tier),
    mode: &'static str,
    title: &'r str,
    off: Option<&'r Off>,
    waits: Option<&'r str>,
}

fn off_of<'b>(book: &'b Rulebook, id: &str) -> Option<&'b Off> {
    book.off.iter().find(|off| off.rule == id)
}

/// `rules list`
pub fn list(book: &Rulebook, format: Format) -> Result<Exit, String> {
    no_junit("list", format)?;
    let mut rows: Vec<Row<'_>> = Vec::new();
    for rule in own_rules() {
        let off = off_of(book, &rule.id);
        let waits = not_judged_yet(&rule.id);
        let mode = match (off, waits) {
            (Some(_), _) => "off",
            (None, Some(_)) => "not judged",
            (None, None) => "card",
        };
        let tiers = (rule.tier, rule.tier);
        rows.push(Row { id: &rule.id, kind: "integrity", tiers, mode, title: &rule.title, off, waits });
    }
    for l in &book.limits {
        let off = off_of(book, &l.rule.id);
        let mode = if off.is_some() { "off" } else { l.mode.word() };
        rows.push(Row {
            id: &l.rule.id,
            kind: "limit",
            tiers: l.tiers(),
            mode,
            title: &l.rule.title,
            off,
            waits: None,
        });
    }
    for w in &book.waiting {
        let tiers = (w.rule.tier, w.rule.tier);
        let (id, title, waits) = (&w.rule.id, &w.rule.title, Some(w.why.as_str()));
        rows.push(Row { id, kind: "waiting", tiers, mode: "not evaluable", title, off: None, waits });
    }
    rows.sort_by_key(|row| row.id);
    if format == Format::Json {
        let rules: Vec<Value> = rows
            .iter()
            .map(|r| {
                let (mildest, gravest) = r.tiers;
                json!({"id": r.id, "kind": r.kind, "tier": gravest.code(), "mildest-tier": mildest.code(), "mode": r.mode, "title": r.title, "off": r.off.map(off_json), "waits-for": r.waits})
            })
            .collect();
        print(&json!({"rulebook": name_of(book), "rules": rules}).to_string());
    } else {
        let mut out = format!("{}\n\n", name_of(book));
        for r in &rows {
            out.push_str(&format!("{:8} {:13} {:9} {:13} {}\n", r.id, tiers_text(r.tiers), r.kind, r.mode, r.title));
            if let Some(off) = r.off {
                out.push_str(&format!("{:46} {}\n", "", off_text(off)));
            }
        }
        let count = |kind: &str| rows.iter().filter(|r| r.kind == kind).count();
        let open = rows.iter().filter(|r| r.kind == "integrity" && r.waits.is_some()).count();
        out.push_str(&format!(
            "\n{} rules: {} of integrity ({open} of them not judged yet), {} limits, {} not evaluable yet",
            rows.len(),
            count("integrity"),
            count("limit"),
            count("waiting")
        ));
        let off = rows.iter().filter(|r| r.off.is_some()).count();
        if off > 0 {
            out.push_str(&format!("; {off} switched off"));
        }
        print(&out);
    }
    Ok(Exit::Clear)
}

fn off_text(off: &Off) -> String {
    format!("switched off by {}, until {}: {}   [{}]", off.by, off.until, off.why, off.place)
}

fn off_json(off: &Off) -> Value {
    json!({"rule": off.rule, "by": off.by, "why": off.why, "until": off.until.to_string(), "from": off.place})
}

pub(super) fn tiers_text((mildest, gravest): (Tier, Tier)) -> String {
    if mildest == gravest { gravest.code().to_owned() } else { format!("{} to {}", mildest.code(), gravest.code()) }
}

/// `rules show`: what is said of one rule, a value that stands more than once as a list.
pub fn show(book: &Rulebook, id: &str, format: Format) -> Result<Exit, String> {
    no_junit("show", format)?;
    let off = off_of(book, id);
    let (json, mut lines) = if let Some(rule) = own_rules().find(|rule| rule.id == id) {
        let kind = "integrity rule of the program";
        of_rule(rule, kind, not_judged_yet(id))
    } else if let Some(w) = book.waiting.iter().find(|w| w.rule.id == id) {
        of_rule(&w.rule, "not evaluable yet", Some(&w.why))
    } else if let Some(l) = book.limits.iter().find(|l| l.rule.id == id) {
        (limit_json(l), lines_of(l))
    } else {
        return Err(format!("{id} is not a rule of this rulebook; `enteral-gate rules list` names them"));
    };
    if let Some(off) = off {
        lines.push(("switched off", format!("by {}, until {}: {} [{}]", off.by, off.until, off.why, off.place)));
    }
    if format == Format::Json {
        let mut json = json;
        json.insert("off".to_owned(), off.map_or(Value::Null, off_json));
        print(&Value::Object(json).to_string());
    } else {
        let lines: Vec<String> = lines
            .into_iter()
            .map(|(key, value)| format!("{key:16} {}", value.replace('\n', "\n                 ")))
            .collect();
        print(&lines.join("\n"));
    }
    Ok(Exit::Clear)
}

type Shown = (Map<String, Value>, Vec<(&'static str, String)>);

fn of_rule(rule: &crate::findings::Rule, kind: &str, waits: Option<&str>) -> Shown {
    let mut lines = vec![
        ("id", rule.id.to_string()),
        ("kind", kind.to_owned()),
        ("name", rule.name.to_string()),
        ("title", rule.title.to_string()),
        ("tier", rule.tier.code().to_owned()),
        ("source", rule.source.to_string()),
    ];
    lines.extend(waits.map(|waits| ("waits for", waits.to_owned())));
    let json = lines.iter().map(|(key, value)| (key.replace(' ', "-"), Value::String(value.clone()))).collect();
    (json, lines)
}

/// Whether, what and against what a check compares, as the rulebook writes it.
fn compared(c: &Check) -> String {
    let measure = c.measure.as_ref().map_or("", |m| m.text.as_str());
    let line = match &c.bound {
        Bound::Above(b) => format!("{measure} above {}", b.text),
        Bound::Below(b) => format!("{measure} below {}", b.text),
        Bound::When(w) => w.text.clone(),
    };
    match &c.when {
        Some(when) => format!("when {}: {line}", when.text),
        None => line,
    }
}

fn lines_of(l: &Limit) -> Vec<(&'static str, String)> {
    let who: Vec<&str> = l.audience.iter().map(|a| a.word()).collect();
    let mut out = vec![
        ("id", l.rule.id.to_string()),
        ("kind", "limit".to_owned()),
        ("name", l.rule.name.to_string()),
        ("title", l.rule.title.to_string()),
        ("tier", tiers_text(l.tiers())),
        ("mode", l.mode.word().to_owned()),
        ("audience", who.join(", ")),
        ("applies", if l.scope_text.is_empty() { "to every order".to_owned() } else { l.scope_text.clone() }),
    ];
    for (key, date) in [("effective-from", l.from), ("effective-to", l.to)] {
        out.extend(date.map(|date| (key, date.to_string())));
    }
    for p in &l.parameters {
        out.push(("parameter", format!("{} = {} {}", p.name, p.value.short(6), p.unit)));
    }
    out.extend(l.terms.iter().map(|one| ("term", format!("{} = {}", one.name, one.text))));
    out.extend(l.phrases.iter().map(|one| ("phrase", format!("{} = {}", one.name, one.text))));
    for c in &l.checks {
        let mut line = format!("{} {}\n{}", c.tier.code(), compared(c), c.text.text);
        if let Some(fix) = &c.fix {
            line.push_str(&format!("\n{}", fix.text));
        }
        for one in &c.terms {
            line.push_str(&format!("\nwith {} = {}", one.name, one.text));
        }
        if let Some(instead) = c.offers_instead() {
            line.push_str(&format!("\noffers {instead}"));
        }
        out.push(("flags", line));
    }
    out.push(("source", l.rule.source.to_string()));
    out.push(("evidence", l.evidence.mark().to_owned()));
    out.push(("owner", l.owner.clone()));
    if !l.note.is_empty() {
        out.push(("note", l.note.clone()));
    }
    out.push(("overrides", l.override_reasons.join("; ")));
    out.push(("changes", l.changes.join("\n")));
    out.push(("tests", l.tests.iter().map(|t| t.title.as_str()).collect::<Vec<_>>().join("\n")));
    out.push(("stands in", l.places.join(", ")));
    for o in &l.overridden {
        out.push(("overridden", format!("{} by {}: {} [{}]", o.keys.join(", "), o.by, o.why, o.place)));
    }
    out
}

fn limit_json(l: &Limit) -> Map<String, Value> {
    let (mildest, gravest) = l.tiers();
    let parameters: Vec<Value> =
        l.parameters.iter().map(|p| json!({"name": p.name, "value": p.value.short(6), "unit": p.unit})).collect();
    let checks: Vec<Value> = l.checks.iter().map(check_json).collect();
    let tests: Vec<Value> = l
        .tests
        .iter()
        .map(|t| {
            json!({
                "title": t.title,
                "kind": word_of(&file::TEST_KINDS, t.kind),
                "expect": word_of(&file::EXPECTED, t.expect),
                "tier": t.tier.map(Tier::code),
                "given": t.given,
                "from": t.place,
            })
        })
        .collect();
    let overridden: Vec<Value> =
        l.overridden.iter().map(|o| json!({"keys": o.keys, "by": o.by, "why": o.why, "from": o.place})).collect();
    let who: Vec<&str> = l.audience.iter().map(|a| a.word()).collect();
    let value = json!({
        "id": l.rule.id,
        "kind": "limit",
        "name": l.rule.name,
        "title": l.rule.title,
        "tier": gravest.code(),
        "mildest-tier": mildest.code(),
        "mode": l.mode.word(),
        "audience": who,
        "applies": if l.scope_text.is_empty() { "to every order" } else { &l.scope_text },
        "effective-from": l.from.map(|d| d.to_string()),
        "effective-to": l.to.map(|d| d.to_string()),
        "priority": l.priority,
        "parameters": parameters,
        "terms": named_json(&l.terms),
        "phrases": named_json(&l.phrases),
        "checks": checks,
        "source": l.rule.source,
        "evidence": word_of(&file::EVIDENCE, l.evidence),
        "owner": l.owner,
        "note": l.note,
        "override-reasons": l.override_reasons,
        "changes": l.changes,
        "tests": tests,
        "from": l.places,
        "overridden": overridden,
    });
    if let Value::Object(map) = value { map } else { Map::new() }
}

fn check_json(c: &Check) -> Value {
    let (above, below, flag) = match &c.bound {
        Bound::Above(b) => (Some(&b.text), None, None),
        Bound::Below(b) => (None, Some(&b.text), None),
        Bound::When(w) => (None, None, Some(&w.text)),
    };
    json!({
        "tier": c.tier.code(),
        "when": c.when.as_ref().map(|when| &when.text),
        "measure": c.measure.as_ref().map(|measure| &measure.text),
        "above": above,
        "below": below,
        "flag": flag,
        "text": c.text.text,
        "fix": c.fix.as_ref().map(|fix| &fix.text),
        "terms": named_json(&c.terms),
        "offers": c.offers_instead(),
    })
}

fn named_json(named: &[Named]) -> Value {
    named.iter().map(|one| json!({"name": one.name, "text": one.text})).collect()
}

/// The word that files write for a value.
fn word_of<T: PartialEq>(words: &[(T, &'static str)], value: T) -> &'static str {
    words.iter().find(|(known, _)| *known == value).map_or("", |(_, word)| word)
}

/// `rules effective`: every value in effect, with its place, what it replaced, and who decided that and why.
pub fn effective(book: &Rulebook, format: Format) -> Result<Exit, String> {
    no_junit("effective", format)?;
    let text = if format == Format::Json { effective_json(book).to_string() } else { effective_text(book) };
    print(&text);
    Ok(Exit::Clear)
}

fn kind_of(kind: ConceptKind) -> &'static str {
    word_of(&file::CONCEPT_KINDS, kind)
}

fn effective_json(book: &Rulebook) -> Value {
    let all: Vec<Value> = book
        .effective()
        .iter()
        .map(|r| {
            let replaced: Vec<Value> =
                r.replaced.iter().map(|(value, place)| json!({"value": value, "from": place})).collect();
            json!({
                "rule": r.limit, "key": r.key, "value": r.json, "from": r.place, "replaced": replaced,
                "by": r.decided.as_ref().map(|d| &d.0), "why": r.decided.as_ref().map(|d| &d.1),
            })
        })
        .collect();
    let concepts: Vec<Value> = book
        .concepts
        .iter()
        .map(|c| {
            let codes: Vec<Value> =
                c.codes.iter().map(|(system, code)| json!({"system": system, "code": code})).collect();
            json!({"kind": kind_of(c.kind), "key": c.key, "title": c.title, "codes": codes, "from": c.places})
        })
        .collect();
    let staleness: Vec<Value> =
        book.staleness.iter().map(|s| json!({"fact": s.fact, "after": s.written, "from": s.place})).collect();
    let pumps: Vec<Value> = book
        .pumps
        .iter()
        .map(|p| {
            let [lowest, highest, step] = p.rate.map(|x| x.short(6));
            json!({
                "title": p.title, "when": p.when.text, "lowest-rate": lowest, "highest-rate": highest, "rate-step": step,
                "rate-unit": "mL/h", "volume-step": p.volume_step.short(6), "volume-unit": "mL", "from": p.place,
            })
        })
        .collect();
    let waiting: Vec<Value> =
        book.waiting.iter().map(|w| json!({"rule": w.rule.id, "title": w.rule.title, "waits-for": w.why})).collect();
    json!({
        "rulebook": name_of(book),
        "effective": all,
        "off": book.off.iter().map(off_json).collect::<Vec<_>>(),
        "concepts": concepts,
        "staleness": staleness,
        "pumps": pumps,
        "waiting": waiting,
    })
}

fn effective_text(book: &Rulebook) -> String {
    let mut out = name_of(book);
    let mut last = "";
    for r in book.effective() {
        if r.limit != last {
            out.push_str(&format!("\n\n{}", r.limit));
            last = &r.limit;
        }
        out.push_str(&format!("\n  {:24} {}   [{}]", r.key, r.value, r.place));
        if let Some((by, why)) = &r.decided {
            out.push_str(&format!("\n  {:24} decided by {by}: {why}", ""));
        }
        for (value, place) in r.replaced.iter().rev() {
            out.push_str(&format!("\n  {:24} instead of {value}   [{place}]", ""));
        }
    }
    let mut part = |title: &str, lines: Vec<String>| {
        if !lines.is_empty() {
            out.push_str(&format!("\n\n{title}\n  {}", lines.join("\n  ")));
        }
    };
    part("Switched off", book.off.iter().map(|off| format!("{} {}", off.rule, off_text(off))).collect());
    part(
        "Concepts",
        book.concepts
            .iter()
            .map(|c| {
                let codes: Vec<String> = c.codes.iter().map(|(system, code)| format!("{system}|{code}")).collect();
                format!("{} {} ({}): {}   [{}]", kind_of(c.kind), c.key, c.title, codes.join(", "), c.places.join(", "))
            })
            .collect(),
    );
    part(
        "Age from which what is measured counts as missing",
        book.staleness.iter().map(|s| format!("{} {}   [{}]", s.fact, s.written, s.place)).collect(),
    );
    part(
        "Pumps, the first whose condition holds",
        book.pumps
            .iter()
            .map(|p| {
                let [lowest, highest, step] = p.rate.map(|x| x.short(6));
                format!(
                    "{} when {}: {lowest} to {highest} mL/h in steps of {step} mL/h, volumes in steps of {} mL   [{}]",
                    p.title,
                    p.when.text,
                    p.volume_step.short(6),
                    p.place
                )
            })
            .collect(),
    );
    part(
        "Not evaluable yet",
        book.waiting.iter().map(|w| format!("{} {}: {}", w.rule.id, w.rule.title, w.why)).collect(),
    );
    out
}
