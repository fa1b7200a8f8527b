//! The starter rulebook: its own tests pass through the whole program, every rule of the published lists is there
//! once, and the pages of the rules say what the files say. `UPDATE=1 cargo test --test starter_rulebook` writes
//! `docs/rules/`.

use enteral_gate::appraise::own_rules;
use enteral_gate::exact::{Decimal, Exact};
use enteral_gate::findings::{Outcome, Rule, Tier};
use enteral_gate::integrity::{NOT_JUDGED, not_judged_yet};
use enteral_gate::rehearsal::own::{EXAMPLES, Example, ORDINARY, come_to, rehearse_own};
use enteral_gate::rehearsal::{rehearse, uncovered};
use enteral_gate::rulebook::{Bound, ConceptKind, Evidence, Ground, Limit, Mode, Rulebook, Test, TestKind, file};
use enteral_gate::settings::Settings;
use starter::{BOOK, FORMULARY};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write;
use std::path::PathBuf;
use std::sync::LazyLock;

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

/// What a running service runs of the program's own rules: two examples of each that is judged, as the pages say.
#[test]
fn every_rule_of_the_program_passes_its_worked_example() {
    let done = rehearse_own(EXAMPLES, &|_| false, &FORMULARY);
    let failed: Vec<_> = done.iter().filter(|d| d.failure.is_some()).collect();
    assert!(failed.is_empty(), "{failed:#?}");
    let judged = own_rules().filter(|rule| not_judged_yet(&rule.id).is_none()).count();
    assert_eq!(done.len(), 2 * judged);
    assert!(judged > 40 && done.iter().filter(|d| d.outcome == "flagged").count() > judged / 2, "{judged}");
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
        let kind = if not_judged_yet(&rule.id).is_some() { "integrity rule, not judged yet" } else { "integrity rule" };
        put(&rule.id, (kind, 0, rule.source.to_string()));
    }
    for l in &BOOK.limits {
        put(&l.rule.id, ("limit", l.tests.len(), l.evidence.mark().to_owned()));
    }
    for w in &BOOK.waiting {
        put(&w.rule.id, ("not evaluable yet", 0, w.rule.source.to_string()));
    }
    out
}

/// Dose forms stand under what their published names say (tests/dose_forms.csv, source there), each once, and no other
/// code of that system is in the starter rulebook.
#[test]
fn dose_forms_are_those_of_the_published_list() {
    const EDQM: &str = "http://standardterms.edqm.eu";
    let mut published = csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .has_headers(false)
        .from_reader(include_bytes!("dose_forms.csv").as_slice());
    let mut expected: BTreeSet<(String, &str)> = BTreeSet::new();
    for row in published.records().map(Result::unwrap) {
        let key = match &row[1] {
            term if term.starts_with("Gastro-resistant") => "gastro-resistant",
            term if term.contains("-release") => "modified-release",
            _ => "plain",
        };
        assert!(expected.insert((row[0].to_owned(), key)), "{} twice", &row[0]);
    }
    let mut found = BTreeSet::new();
    for concept in BOOK.concepts.iter().filter(|concept| concept.kind == ConceptKind::DoseForm) {
        for (_, code) in concept.codes.iter().filter(|(system, _)| system == EDQM) {
            assert!(found.insert((code.clone(), concept.key.as_str())), "{code} twice");
        }
    }
    assert_eq!(found, expected);
    assert!(found.len() > 40);
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
        Mode::Queue => "queue of the audience; what is HIGH or STOP on the card for the prescriber as well",
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
        for one in &c.terms {
            let _ = writeln!(out, "  - with `{}`: `{}`", one.name, one.text);
        }
        if let Some(instead) = c.offers_instead() {
            let _ = writeln!(out, "  - tries: {}", instead.replacen("times ", "times `", 1) + "`");
        }
    }
    if !l.terms.is_empty() || !l.phrases.is_empty() {
        let _ = writeln!(out, "\n### What the names stand for");
        for one in &l.terms {
            let _ = writeln!(out, "- `{}`: `{}`", one.name, one.text);
        }
        for one in &l.phrases {
            let _ = writeln!(out, "- `{{{}}}`: {}", one.name, one.text);
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
        let (change, tests) = change_shown(l);
        let said = if tests {
            "Examples of the limit that hold for the old figure only would fail, and a service does not start with them: the override brings tests that fit, all of them, since they are replaced as a whole."
        } else {
            "The limit's own examples hold with this figure. Where another makes one fail, `rules check` says so, and the override brings `[[override.test]]` that fit, all of them, since they are replaced as a whole."
        };
        let _ = writeln!(
            out,
            "\n### How to change one\nIn the institution's own file ([how](../rulebook.md)), with a figure that is invented. {said}\n\n```toml\n{change}```"
        );
    }
    let _ = writeln!(out, "\n### How to switch it off\n{}", off_of(&l.rule.id));
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
        "## Why, and how well it is known\nSource: {}.\n\nMark: **{}**: {}.{}\n",
        l.rule.source.trim_end_matches('.'),
        l.evidence.mark(),
        meaning(l.evidence),
        if l.note.is_empty() { String::new() } else { format!(" {}", l.note.trim()) }
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

/// What the mark of a source says.
const fn meaning(evidence: Evidence) -> &'static str {
    match evidence {
        Evidence::TextSeen => "the source's own text was read for the figure",
        Evidence::Secondary => "the figure was read in a text that quotes the source, not in the source itself",
        Evidence::Derived => "the figure follows from definitions or arithmetic and needs no study",
        Evidence::CommonPractice => {
            "the figure is what is usually done; there is no source that it could be checked against"
        }
        Evidence::FromMemory => {
            "the figure was written down from memory and has to be confirmed before it is relied on"
        }
    }
}

fn off_of(id: &str) -> String {
    format!(
        "Until a day, visibly in every answer (a limit's own tests go on being run):\n\n```toml\n[[off]]\nrule = \"{id}\"\nby = \"Invented committee\"\nwhy = \"Under review\"\nuntil = 2027-01-31\n```\n"
    )
}

const SITE: &str = "rulebook = 1\nlabel = \"Invented hospital\"\nedition = \"1\"\n\n";

/// The book of a limit's own file with an override over it, its other limits without tests.
fn overridden(l: &Limit, text: &str) -> Option<Rulebook> {
    let own = l.places[0].split(':').next().unwrap();
    let common = ["starter/book.toml", "starter/concepts.toml"];
    let mut sources: Vec<file::Source<'_>> =
        file::starter().iter().copied().filter(|f| common.contains(&f.name) || f.name == own).collect();
    sources.push(file::Source { name: "site.toml", text });
    let mut book = file::read(&sources).ok()?;
    for other in book.limits.iter_mut().filter(|other| other.rule.id != l.rule.id) {
        other.tests.clear();
    }
    Some(book)
}

/// Whether each test comes out as it expects.
fn come_out(book: &Rulebook) -> Vec<bool> {
    rehearse(book, &FORMULARY, &Settings::default()).iter().map(|done| done.failure.is_none()).collect()
}

/// An amount `"60 mL/h"` times a ratio.
fn times(text: &str, ratio: Exact) -> Option<String> {
    let (number, unit) = text.split_once(' ')?;
    let number = Decimal::parse(number).ok()?.exact().mul(ratio)?;
    Some(format!("{} {unit}", number.short(4)))
}

/// Orders like this one with one amount times a ratio.
fn varied(given: &toml::Table, ratio: Exact) -> Vec<toml::Table> {
    let mut out = Vec::new();
    for (key, value) in given {
        if matches!(key.as_str(), "age" | "product" | "route" | "start" | "sex" | "every") {
            continue;
        }
        let put = |value: toml::Value| {
            let mut other = given.clone();
            other.insert(key.clone(), value);
            other
        };
        match value {
            toml::Value::String(text) => out.extend(times(text, ratio).map(|text| put(text.into()))),
            toml::Value::Table(inner) => {
                for (name, amount) in inner {
                    if let Some(text) = amount.as_str().and_then(|text| times(text, ratio)) {
                        let mut inner = inner.clone();
                        inner.insert(name.clone(), text.into());
                        out.push(put(inner.into()));
                    }
                }
            }
            _ => {}
        }
    }
    out
}

/// An override of one figure that a service starts with, and whether it had to bring tests.
fn change_of(l: &Limit) -> (String, bool) {
    let word = |kind: TestKind| file::TEST_KINDS.iter().find(|(k, _)| *k == kind).unwrap().1;
    let expects = |test: &Test| file::EXPECTED.iter().find(|(e, _)| *e == test.expect).unwrap().1;
    let tests_text = |tests: &[Test]| {
        let mut out = String::new();
        for t in tests {
            let tier = t.tier.map_or_else(String::new, |tier| format!("tier = \"{}\"\n", tier.code()));
            let _ = write!(
                out,
                "\n[[override.test]]\ntitle = {}\nkind = \"{}\"\nexpect = \"{}\"\n{tier}given = {{ {} }}\n",
                toml::Value::from(t.title.as_str()),
                word(t.kind),
                expects(t),
                example(t)
            );
        }
        out
    };
    let mut plain = None;
    for p in &l.parameters {
        for (n, of) in [(9, 10), (11, 10), (4, 5), (6, 5)] {
            let ratio = Exact::ratio(n, of);
            let Some(value) = p.value.mul(ratio).filter(|v| *v != p.value) else { continue };
            let unit = if p.unit == "1" { String::new() } else { format!(" {}", p.unit) };
            let head = format!(
                "[[override]]\nlimit = \"{}\"\nby = \"Invented committee\"\nwhy = \"Invented audit\"\n[override.parameters]\n{} = \"{}{unit}\"\n",
                l.rule.id,
                p.name,
                value.short(4)
            );
            let Some(book) = overridden(l, &format!("{SITE}{head}")) else { continue };
            let right = come_out(&book);
            if right.iter().all(|right| *right) {
                plain.get_or_insert(head);
                continue;
            }
            let limit = book.limits.iter().position(|other| other.rule.id == l.rule.id).unwrap();
            let mut tests = l.tests.clone();
            let mut book = book;
            let mut solved = true;
            for (test, right) in tests.iter_mut().zip(&right) {
                if *right {
                    continue;
                }
                let fits = varied(&test.given, ratio).into_iter().find(|given| {
                    book.limits[limit].tests = vec![Test { given: given.clone(), ..test.clone() }];
                    come_out(&book) == [true]
                });
                match fits {
                    Some(given) => {
                        test.title = format!("{} (with the figure of this file)", test.title);
                        test.given = given;
                    }
                    None => solved = false,
                }
            }
            let whole = format!("{head}{}", tests_text(&tests));
            let holds = |text: &str| {
                overridden(l, &format!("{SITE}{text}"))
                    .is_some_and(|book| book.warnings.is_empty() && come_out(&book).iter().all(|right| *right))
            };
            if solved && holds(&whole) {
                return (whole, true);
            }
        }
    }
    let mode = format!(
        "[[override]]\nlimit = \"{}\"\nby = \"Invented committee\"\nwhy = \"Invented audit\"\nmode = \"shadow\"\n",
        l.rule.id
    );
    (plain.unwrap_or(mode), false)
}

/// The same; what stands on the page already is kept where a service still starts with it, for the search takes long.
fn change_shown(l: &Limit) -> (String, bool) {
    let page = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join(format!("docs/rules/{}.md", l.rule.id));
    let page = std::fs::read_to_string(page).unwrap_or_default();
    let block = page.split_once("### How to change one").and_then(|(_, rest)| rest.split_once("```toml\n"));
    let Some((text, _)) = block.and_then(|(_, rest)| rest.split_once("```")) else { return change_of(l) };
    // Examples that the limit got since are shown too.
    let tests = text.matches("[[override.test]]").count();
    let whole = tests == 0 || tests == l.tests.len();
    let starts = overridden(l, &format!("{SITE}{text}"))
        .is_some_and(|book| book.warnings.is_empty() && come_out(&book).iter().all(|right| *right));
    if whole && starts { (text.to_owned(), tests > 0) } else { change_of(l) }
}

/// What the pages of the program's own rules say, by id.
static OWN: LazyLock<toml::Table> = LazyLock::new(|| EXAMPLES.parse().unwrap());

/// What a rule of the program comes to for an order in short form, in which texts are replaced.
fn own_outcome(id: &str, example: &Example) -> Outcome {
    come_to(id, example, &FORMULARY).unwrap_or_else(|why| panic!("{id}: {why}"))
}

/// A rule of the program that is judged of no order yet, or one of the rulebook that waits.
fn waiting_page(rule: &Rule, catches: &str, why: Option<&str>, waits: &str, off: bool) -> String {
    let mut out = format!("# {}: {}\n\n", rule.id, rule.title);
    let _ = writeln!(
        out,
        "`{}`, tier {} if it were judged. **Not judged yet**: it stays in the list, and every answer says so.\n",
        rule.name,
        rule.tier.code()
    );
    let _ = writeln!(out, "## What it would catch\n{catches}\n");
    if let Some(why) = why {
        let _ = writeln!(out, "## Why\n{why}\n");
    }
    let _ = writeln!(out, "## The data it waits for\n{waits}\n");
    let _ = writeln!(
        out,
        "## Default, and how to change it\nNothing is judged, so there is nothing to set. An institution whose data allow it can write a limit of its own ([how](../rulebook.md)), under an id of its own.\n"
    );
    if off {
        let _ = writeln!(out, "## How to switch it off\n{}", off_of(&rule.id));
    }
    let _ = writeln!(out, "## Source\n{}.\n", rule.source.trim_end_matches('.'));
    let _ =
        writeln!(out, "## Limits of the rule\nIt finds nothing: no answer may be read as if it had been looked at.");
    out
}

fn own_page(rule: &Rule) -> String {
    let said = OWN
        .get(&*rule.id)
        .and_then(toml::Value::as_table)
        .unwrap_or_else(|| panic!("{}: nothing in integrity.toml", rule.id));
    let text = |key: &str| said.get(key).and_then(toml::Value::as_str);
    let catches = text("catches").unwrap();
    if let Some(waits) = not_judged_yet(&rule.id) {
        let mut waits = waits.to_owned();
        waits[..1].make_ascii_uppercase();
        return waiting_page(rule, catches, text("why"), &format!("{waits}."), false);
    }
    let mut out = format!("# {}: {}\n\n", rule.id, rule.title);
    let goes =
        if rule.tier == Tier::Low { "nobody: a reminder in the answer" } else { "card for the prescriber, and queue" };
    let _ = writeln!(out, "`{}`, tier {}, a rule of the program, goes to: {goes}.\n", rule.name, rule.tier.code());
    let _ = writeln!(out, "## What it catches\n{catches}\n\n## Why\n{}\n", text("why").unwrap());
    let _ = writeln!(out, "## What it needs\n{} What is missing is said, never passed over.\n", text("needs").unwrap());
    let _ = writeln!(
        out,
        "## Default, and how to change it\nOn, for every order. {}, and its tier is the program's.\n\n### How to switch it off\n{}",
        text("change").unwrap_or("It needs no figure of the institution"),
        off_of(&rule.id)
    );
    let example = Example::of(&rule.id, &OWN).unwrap();
    let shown: Vec<String> = example.given.iter().map(|(key, value)| format!("{key} = {value}")).collect();
    let outcome = own_outcome(&rule.id, &example);
    let wanted = text("expect").unwrap_or("flagged");
    assert!(outcome.word() == wanted || wanted == "any", "{}: {outcome:?}", rule.id);
    let _ = writeln!(out, "## A worked example (invented)\n`{}`\n", shown.join(", "));
    for (old, new) in &example.edits {
        let _ = writeln!(out, "In the Bundle made of it, `{old}` is replaced by `{new}`.\n");
    }
    match &outcome {
        Outcome::Flagged(all) => {
            let f = &all[0];
            let fix = f.fix.as_ref().map_or_else(String::new, |fix| format!(" It offers: {fix}"));
            let _ = writeln!(out, "It comes to **flagged {}**: {}{fix}\n", f.tier.code(), f.text);
        }
        Outcome::NotEvaluated(why, _) => {
            let _ = writeln!(out, "It comes to **not evaluated**: {why}.\n");
        }
        other => {
            let _ = writeln!(out, "It comes to **{}**.\n", other.word());
        }
    }
    let ordinary = Example { given: ORDINARY.parse().unwrap(), edits: Vec::new(), ..example };
    let ordinary = own_outcome(&rule.id, &ordinary);
    let always = said.contains_key("always");
    assert_eq!(matches!(ordinary, Outcome::Flagged(_)), always, "{}: {ordinary:?}", rule.id);
    if !always {
        let short = ORDINARY.trim().replace('\n', ", ");
        let _ = writeln!(out, "An ordinary order (`{short}`) comes to **{}**.\n", ordinary.word());
    }
    let _ = writeln!(out, "## Source\n{}.\n", rule.source.trim_end_matches('.'));
    let _ = writeln!(out, "## Limits of the rule\n{}", text("limits").unwrap());
    out
}

/// Pages of the program's own rules; every example that does not come out is told at once.
fn own_pages() -> BTreeMap<String, String> {
    let mut out = BTreeMap::new();
    let mut wrong = Vec::new();
    for rule in own_rules() {
        match std::panic::catch_unwind(|| own_page(rule)) {
            Ok(page) => drop(out.insert(format!("{}.md", rule.id), page)),
            Err(_) => wrong.push(rule.id.to_string()),
        }
    }
    assert!(wrong.is_empty(), "{wrong:?}");
    out
}

#[test]
fn the_worked_examples_of_the_programs_own_rules_come_out() {
    assert_eq!(own_pages().len(), own_rules().count());
}

fn pages() -> BTreeMap<String, String> {
    let mut out = BTreeMap::new();
    let mut index = String::from(
        "# Rules\n\nGenerated from the program and the starter rulebook by `UPDATE=1 cargo test --test starter_rulebook`. The starter rulebook is a\nset of suggestions until an institution adopts it. Local policy and licensed practice come first.\n\n| id | kind | tests | source mark |\n|---|---|---|---|\n",
    );
    for (id, (kind, tests, mark)) in accounted() {
        let shown = format!("[{id}]({id}.md)");
        let tests = if kind == "limit" { tests.to_string() } else { "–".to_owned() };
        let _ = writeln!(index, "| {shown} | {kind} | {tests} | {} |", mark.replace('|', "/"));
    }
    index.push_str(
        "\nIntegrity rules are listed in [integrity-rules.md](../integrity-rules.md) as well.\n\n## Not evaluable yet\n",
    );
    for (id, waits) in NOT_JUDGED {
        let rule = own_rules().find(|rule| rule.id == *id).unwrap();
        let _ = writeln!(index, "- **{id}** {} ({}): {waits}", rule.title, rule.tier.code());
    }
    for w in &BOOK.waiting {
        let _ = writeln!(index, "- **{}** {} ({}): {}", w.rule.id, w.rule.title, w.rule.tier.code(), w.why);
    }
    out.insert("README.md".to_owned(), index);
    for l in &BOOK.limits {
        out.insert(format!("{}.md", l.rule.id), page(l));
    }
    out.extend(own_pages());
    for w in &BOOK.waiting {
        let catches = format!("{}.", w.rule.title);
        out.insert(format!("{}.md", w.rule.id), waiting_page(&w.rule, &catches, None, &w.why, false));
    }
    assert_eq!(out.len(), 1 + accounted().len());
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
