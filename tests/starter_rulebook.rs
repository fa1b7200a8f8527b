//! The starter rulebook: its own tests pass through the whole program, every rule of the published lists is there
//! once, and the pages of the rules say what the files say. `UPDATE=1 cargo test --test starter_rulebook` writes
//! `docs/rules/`.

use enteral_gate::appraise::own_rules;
use enteral_gate::rehearsal::{rehearse, uncovered};
use enteral_gate::rulebook::{Bound, Ground, Limit, Mode, Test, TestKind, file};
use enteral_gate::settings::Settings;
use starter::{BOOK, FORMULARY};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write;
use std::path::PathBuf;

mod starter;

#[test]
fn every_limit_passes_its_own_tests() {
    let done = rehearse(&BOOK, &FORMULARY, &Settings::default());
    let failed: Vec<String> = done
        .iter()
        .filter_map(|d| d.failure.as_ref().map(|f| format!("{} {} [{}]: {f}", d.rule, d.title, d.place)))
        .collect();
    println!("{} tests of {} limits", done.len(), BOOK.limits.len());
    assert!(failed.is_empty(), "{}", failed.join("\n"));
    assert!(done.len() >= 4 * BOOK.limits.len() * 3 / 4);
    for limit in BOOK.limits.iter().filter(|l| l.mode != Mode::Off) {
        let missing = uncovered(limit);
        assert!(missing.is_empty(), "{}: {missing:?}", limit.rule.id);
    }
}

/// The invented institution of `docs/rulebook-walk.md`: its overrides, its ward and its own rule pass their tests too.
#[test]
fn the_site_of_the_walk_passes_its_tests() {
    let mut sources = file::starter().to_vec();
    sources.push(file::Source { name: "site.toml", text: include_str!("../deploy/demo/site.toml") });
    let book = file::read(&sources).unwrap_or_else(|all| panic!("{all:?}"));
    assert_eq!(book.adopted.as_ref().map(|a| a.by.as_str()), Some("Invented nutrition committee"));
    assert_eq!(book.limits.len(), BOOK.limits.len() + 2);
    let done = rehearse(&book, &FORMULARY, &Settings::default());
    let failed: Vec<_> = done.iter().filter(|d| d.failure.is_some()).collect();
    assert!(failed.is_empty(), "{failed:?}");
    assert!(done.iter().any(|d| d.rule == "LOC-01" && d.outcome == "flagged"));
}

/// Families of rules with their highest number.
const FAMILIES: &[(&str, u32)] = &[
    ("CMP", 6),
    ("UNT", 9),
    ("WGT", 6),
    ("CON", 12),
    ("NUT", 11),
    ("RTE", 8),
    ("VOL", 5),
    ("ADV", 3),
    ("REF", 7),
    ("CUP", 2),
    ("HNG", 4),
    ("WAT", 8),
    ("CHO", 1),
    ("ELE", 8),
    ("OSM", 2),
    ("RSL", 2),
    ("AGE", 11),
    ("ALG", 11),
    ("DRG", 16),
    ("TUB", 11),
    ("MET", 4),
    ("HEM", 2),
    ("PNX", 4),
    ("NEO", 10),
    ("LIF", 4),
];

/// id → kind, tests, mark of the source.
fn accounted() -> BTreeMap<String, (&'static str, usize, String)> {
    let mut out = BTreeMap::new();
    let mut put = |id: &str, row| {
        // Bands with a scope of their own carry a letter.
        assert!(out.insert(id.to_owned(), row).is_none(), "{id} twice");
    };
    for rule in own_rules() {
        put(&rule.id, ("integrity rule", 0, rule.source.to_string()));
    }
    for l in &BOOK.limits {
        put(&l.rule.id, ("limit", l.tests.len(), l.evidence.mark().to_owned()));
    }
    for w in &BOOK.waiting {
        put(&w.rule.id, ("not evaluable yet", 0, w.rule.source.to_string()));
    }
    out
}

#[test]
fn every_rule_of_the_lists_is_accounted_for() {
    let rows = accounted();
    let mut missing = Vec::new();
    let mut count = 0;
    for (family, last) in FAMILIES {
        for n in 1..=*last {
            count += 1;
            let id = format!("{family}-{n:02}");
            let there = rows.keys().any(|k| *k == id || k.strip_prefix(&id).is_some_and(|rest| rest.len() == 1));
            if !there {
                missing.push(id);
            }
        }
    }
    assert!(missing.is_empty(), "{missing:?}");
    assert_eq!(count, 167);
}

const fn mode(mode: Mode) -> &'static str {
    match mode {
        Mode::Off => "off",
        Mode::Shadow => "shadow: judged and recorded, shown to nobody",
        Mode::Queue => "queue of the audience",
        Mode::Card => "card for the prescriber, and queue",
    }
}

fn example(test: &Test) -> String {
    let mut text = String::new();
    for (key, value) in &test.given {
        let _ = write!(text, "{}{key} = {value}", if text.is_empty() { "" } else { ", " });
    }
    text
}

fn page(l: &Limit) -> String {
    let mut out = String::new();
    let _ = writeln!(out, "# {}: {}\n", l.rule.id, l.rule.title);
    let _ = writeln!(out, "`{}`, tier {}, goes to: {}.\n", l.rule.name, l.rule.tier.code(), mode(l.mode));
    let who: Vec<&str> = l.audience.iter().map(|a| a.word()).collect();
    let _ = writeln!(out, "Who can act: {}. Owner: {}.\n", who.join(", "), l.owner);
    let applies = if l.scope_text.is_empty() { "Every order." } else { &l.scope_text };
    let _ = writeln!(out, "## Applies to\n{applies}\n\n## What it catches");
    for c in &l.checks {
        let what = match (&c.measure, &c.bound) {
            (Some(m), Bound::Above(b)) => format!("`{}` above `{}`", m.text, b.text),
            (Some(m), Bound::Below(b)) => format!("`{}` below `{}`", m.text, b.text),
            (_, Bound::When(w)) => format!("`{}`", w.text),
            (None, _) => String::new(),
        };
        let when = c.when.as_ref().map_or_else(String::new, |w| format!(" when `{}`", w.text));
        let _ = writeln!(out, "- **{}** {what}{when}\n  - says: {}", c.tier.code(), c.text.text);
        if let Some(fix) = &c.fix {
            let _ = writeln!(out, "  - offers: {}", fix.text);
        }
        if let Some(instead) = c.offers_instead() {
            let _ = writeln!(out, "  - tries: {}", instead.replacen("times ", "times `", 1) + "`");
        }
    }
    if let Some(ground) = l.doubts {
        let on = if ground == Ground::Weight { "the weight" } else { "amounts of the order" };
        let _ = writeln!(
            out,
            "\nWhere it finds something of HIGH or STOP, findings that rest on {on} are not shown: mend that first."
        );
    }
    if !l.parameters.is_empty() {
        let _ = writeln!(out, "\n## Figures\n| name | value |\n|---|---|");
        for p in &l.parameters {
            let _ =
                writeln!(out, "| `{}` | {} {} |", p.name, p.value.short(6), if p.unit == "1" { "" } else { &p.unit });
        }
        let first = &l.parameters[0];
        let _ = writeln!(
            out,
            "\nTo change one, in the institution's own file ([how](../rulebook.md)):\n\n```toml\n[[override]]\nlimit = \"{}\"\nby = \"…\"\nwhy = \"…\"\n[override.parameters]\n{} = \"{} {}\"\n```",
            l.rule.id,
            first.name,
            first.value.short(6),
            first.unit
        );
    }
    let facts: BTreeSet<&str> = l
        .checks
        .iter()
        .flat_map(|c| {
            c.when.iter().chain(&c.measure).chain(match &c.bound {
                Bound::Above(e) | Bound::Below(e) | Bound::When(e) => Some(e),
            })
        })
        .chain(&l.scope)
        .flat_map(|e| e.facts())
        .map(|ix| enteral_gate::rulebook::facts::FACTS[*ix].name)
        .collect();
    let facts: Vec<String> = facts.into_iter().map(|f| format!("`{f}`")).collect();
    let _ = writeln!(
        out,
        "\n## What it needs\n{} ([facts](../facts.md)). What is missing is said, never passed over.\n",
        facts.join(", ")
    );
    let _ = writeln!(
        out,
        "## Why, and how well it is known\nSource: {}. Mark: {}.\n",
        l.rule.source.trim_end_matches('.'),
        l.evidence.mark()
    );
    let _ = writeln!(out, "## Limits of the rule\n{}\n", if l.note.is_empty() { "None noted." } else { l.note.trim() });
    let _ = writeln!(out, "## Reasons for going on all the same");
    for reason in &l.override_reasons {
        let _ = writeln!(out, "- {reason}");
    }
    let _ = writeln!(
        out,
        "\n## Examples, which are its tests (invented people and products)\n| case | order in short form | comes to |\n|---|---|---|"
    );
    for t in &l.tests {
        let kind = match t.kind {
            TestKind::Flag => "must speak",
            TestKind::Pass => "must not",
            TestKind::Boundary => "on the bound",
            TestKind::Missing => "input missing",
        };
        let _ = writeln!(
            out,
            "| {kind}: {} | `{}` | {:?} |",
            t.title.replace('|', "/"),
            example(t).replace('|', "\\|"),
            t.expect
        );
    }
    let _ = writeln!(out, "\n## Changes");
    for change in &l.changes {
        let _ = writeln!(out, "- {change}");
    }
    out
}

fn pages() -> BTreeMap<String, String> {
    let mut out = BTreeMap::new();
    let mut index = String::from(
        "# Rules\n\nGenerated from the program and the starter rulebook by `UPDATE=1 cargo test --test starter_rulebook`. The starter rulebook is a\nset of suggestions until an institution adopts it. Local policy and licensed practice come first.\n\n| id | kind | tests | source mark |\n|---|---|---|---|\n",
    );
    for (id, (kind, tests, mark)) in accounted() {
        let shown = if kind == "limit" { format!("[{id}]({id}.md)") } else { id.clone() };
        let tests = if kind == "limit" { tests.to_string() } else { "–".to_owned() };
        let _ = writeln!(index, "| {shown} | {kind} | {tests} | {} |", mark.replace('|', "/"));
    }
    index.push_str(
        "\nIntegrity rules are described in [integrity-rules.md](../integrity-rules.md).\n\n## Not evaluable yet\n",
    );
    for w in &BOOK.waiting {
        let _ = writeln!(index, "- **{}** {} ({}): {}", w.rule.id, w.rule.title, w.rule.tier.code(), w.why);
    }
    out.insert("README.md".to_owned(), index);
    for l in &BOOK.limits {
        out.insert(format!("{}.md", l.rule.id), page(l));
    }
    out
}

#[test]
fn the_pages_say_what_the_files_say() {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("docs/rules");
    let pages = pages();
    if std::env::var_os("UPDATE").is_some() {
        let _ = std::fs::remove_dir_all(&folder);
        std::fs::create_dir_all(&folder).unwrap();
        for (name, text) in &pages {
            std::fs::write(folder.join(name), text).unwrap();
        }
    }
    let there: BTreeSet<String> = std::fs::read_dir(&folder)
        .map(|all| all.map(|f| f.unwrap().file_name().to_string_lossy().into_owned()).collect())
        .unwrap_or_default();
    assert_eq!(there, pages.keys().cloned().collect(), "UPDATE=1 cargo test --test starter_rulebook");
    for (name, text) in &pages {
        let written = std::fs::read_to_string(folder.join(name)).unwrap();
        assert!(written == *text, "{name} is stale: UPDATE=1 cargo test --test starter_rulebook");
    }
}
