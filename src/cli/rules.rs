//! `rules`: reading, testing and comparing rulebooks.

use super::exit::{Exit, complain};
use super::inputs;
use super::{Fhir, Institution as SettingsOf, formulary, rulebook};
use crate::answer;
use crate::appraise::{Institution, appraise_by, own_rules};
use crate::findings::Tier;
use crate::formulary::Formulary;
use crate::rehearsal::{Rehearsed, rehearse, site, uncovered};
use crate::rulebook::lapse::lapses;
use crate::rulebook::{Limit, Mode, Rulebook};
use clap::{Args, Subcommand, ValueEnum};
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};
use std::io::Write;
use std::path::{Path, PathBuf};

/// Form of what is printed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
pub enum Format {
    /// For people
    #[default]
    Text,
    /// JSON
    Json,
    /// JUnit, for continuous integration (`test` and `diff`)
    Junit,
}

/// Which rulebook.
#[derive(Args, Clone, Debug, Default)]
pub struct Book {
    /// Rulebook file (TOML), or a folder of them; may be given more than once, later files extend earlier ones. Without it: the starter rulebook. `none`, for `check` and `serve`: the program's integrity rules only
    #[arg(long = "rulebook", env = "ENTERAL_GATE_RULEBOOK", value_name = "FILE", value_delimiter = ':')]
    pub files: Vec<PathBuf>,
}

/// Subcommands of `rules`.
#[derive(Subcommand, Debug)]
pub enum RulesCommand {
    /// Every rule: id, tier, how far its findings go, what it catches
    List {
        /// Which rulebook
        #[command(flatten)]
        book: Book,
        /// Form of the list
        #[arg(long, value_enum, default_value_t)]
        format: Format,
    },
    /// One rule in full
    Show {
        /// Id, such as VOL-01
        id: String,
        /// Which rulebook
        #[command(flatten)]
        book: Book,
        /// Form
        #[arg(long, value_enum, default_value_t)]
        format: Format,
    },
    /// The limits as they are in effect, each value with the file and line it came from
    Effective {
        /// Which rulebook
        #[command(flatten)]
        book: Book,
        /// Form
        #[arg(long, value_enum, default_value_t)]
        format: Format,
    },
    /// Read rulebook files and list everything that is wrong with them
    Check {
        /// Which rulebook
        #[command(flatten)]
        book: Book,
    },
    /// Run the rules' own tests, and say which rules lack one
    Test {
        /// Which rulebook
        #[command(flatten)]
        book: Book,
        /// Formulary that the tests name products of [default: the invented one]
        #[arg(long, value_name = "FILE")]
        formulary: Option<PathBuf>,
        /// Only this rule
        #[arg(long, value_name = "ID", conflicts_with = "site_tests")]
        rule: Option<String>,
        /// The institution's own tests, a file (TOML, or Markdown with TOML in it) or a folder of them; may be given more than once
        #[arg(long, value_name = "PATH")]
        site_tests: Vec<PathBuf>,
        /// What the site's tests are judged with
        #[command(flatten)]
        institution: SettingsOf,
        /// Form of the report
        #[arg(long, value_enum, default_value_t)]
        format: Format,
    },
    /// Which orders of a folder two rulebooks judge differently, and how the number of alerts changes
    Diff {
        /// The old rulebook (file or folder, or `starter`)
        old: PathBuf,
        /// The new one
        new: PathBuf,
        /// Orders
        #[arg(long, required = true, value_name = "PATH")]
        orders: Vec<PathBuf>,
        /// What the orders are judged with
        #[command(flatten)]
        with: With,
    },
    /// What a rulebook says to the orders of a folder, rule by rule
    Replay {
        /// Which rulebook
        #[command(flatten)]
        book: Book,
        /// Orders
        #[arg(long, required = true, value_name = "PATH")]
        orders: Vec<PathBuf>,
        /// What the orders are judged with
        #[command(flatten)]
        with: With,
    },
}

/// What orders are judged with besides the rulebook.
#[derive(Args, Clone, Debug)]
pub struct With {
    /// FHIR version of all the orders; it is not told from them
    #[arg(long, value_enum, default_value = "R4")]
    fhir: Fhir,
    /// Formulary [default: the invented one]
    #[arg(long, value_name = "FILE")]
    formulary: Option<PathBuf>,
    #[command(flatten)]
    institution: SettingsOf,
    /// Form of the report
    #[arg(long, value_enum, default_value_t)]
    format: Format,
}

impl RulesCommand {
    /// Runs the command.
    ///
    /// # Errors
    /// What about the rulebook, the formulary or the command line cannot be used.
    pub fn run(self) -> Result<Exit, String> {
        match self {
            Self::List { book, format } => Ok(list(&rulebook::load(&book.files)?, format)),
            Self::Show { id, book, format } => show(&rulebook::load(&book.files)?, &id, format),
            Self::Effective { book, format } => Ok(effective(&rulebook::load(&book.files)?, format)),
            Self::Check { book } => Ok(check(&book)),
            Self::Test { book, formulary, rule, site_tests, institution, format } => {
                let book = rulebook::load(&book.files)?;
                let products = products(formulary.as_ref())?;
                let own = site_outcomes(&site_tests, &book, &products, &institution.settings()?)?;
                test(&book, &products, rule.as_deref(), own, format)
            }
            Self::Diff { old, new, orders, with } => diff(&old, &new, &orders, &with),
            Self::Replay { book, orders, with } => replay(&rulebook::load(&book.files)?, &orders, &with),
        }
    }
}

fn products(file: Option<&PathBuf>) -> Result<Formulary, String> {
    match file {
        Some(file) => formulary::load(file),
        None => formulary::for_tests(),
    }
}

fn print(text: &str) {
    let mut out = std::io::stdout().lock();
    let _ = out.write_all(text.as_bytes()).and_then(|()| out.write_all(b"\n")).and_then(|()| out.flush());
}

fn audiences(limit: &Limit) -> Vec<&'static str> {
    limit.audience.iter().map(|a| a.word()).collect()
}

fn name_of(book: &Rulebook) -> String {
    let adopted = book
        .adopted
        .as_ref()
        .map_or_else(|| "not adopted by this institution".to_owned(), |a| format!("adopted by {} on {}", a.by, a.on));
    format!("{} {}, {adopted}, content {}", book.label, book.edition, book.hash)
}

fn list(book: &Rulebook, format: Format) -> Exit {
    // (id, kind, mildest and gravest tier, mode, title)
    type Row<'r> = (String, &'r str, (Tier, Tier), &'r str, String);
    let mut rows: Vec<Row<'_>> = Vec::new();
    for rule in own_rules() {
        let off = book.off.iter().any(|off| off.rule == rule.id);
        let far = if off { "off" } else { "card" };
        rows.push((rule.id.to_string(), "integrity", (rule.tier, rule.tier), far, rule.title.to_string()));
    }
    for l in &book.limits {
        rows.push((l.rule.id.to_string(), "limit", l.tiers(), l.mode.word(), l.rule.title.to_string()));
    }
    for w in &book.waiting {
        let tiers = (w.rule.tier, w.rule.tier);
        rows.push((w.rule.id.to_string(), "waiting", tiers, "not evaluable", w.rule.title.to_string()));
    }
    rows.sort();
    if format == Format::Json {
        let rules: Vec<Value> = rows
            .iter()
            .map(|(id, kind, (mildest, gravest), far, title)| {
                json!({"id": id, "kind": kind, "tier": gravest.code(), "mildest-tier": mildest.code(), "mode": far, "title": title})
            })
            .collect();
        print(&json!({"rulebook": name_of(book), "rules": rules}).to_string());
    } else {
        let mut out = format!("{}\n\n", name_of(book));
        for (id, kind, tiers, far, title) in &rows {
            out.push_str(&format!("{id:8} {:13} {kind:9} {far:13} {title}\n", tiers_text(*tiers)));
        }
        let count = |kind: &str| rows.iter().filter(|r| r.1 == kind).count();
        out.push_str(&format!(
            "\n{} rules: {} of integrity, {} limits, {} not evaluable yet",
            rows.len(),
            count("integrity"),
            count("limit"),
            count("waiting")
        ));
        print(&out);
    }
    Exit::Clear
}

fn tiers_text((mildest, gravest): (Tier, Tier)) -> String {
    if mildest == gravest { gravest.code().to_owned() } else { format!("{} to {}", mildest.code(), gravest.code()) }
}

fn show(book: &Rulebook, id: &str, format: Format) -> Result<Exit, String> {
    let mut fields: Vec<(&str, String)> = Vec::new();
    if let Some(rule) = own_rules().find(|rule| rule.id == id) {
        fields.push(("id", rule.id.to_string()));
        fields.push(("kind", "integrity rule of the program".to_owned()));
        fields.push(("name", rule.name.to_string()));
        fields.push(("title", rule.title.to_string()));
        fields.push(("tier", rule.tier.code().to_owned()));
        fields.push(("source", rule.source.to_string()));
    } else if let Some(w) = book.waiting.iter().find(|w| w.rule.id == id) {
        fields.push(("id", w.rule.id.to_string()));
        fields.push(("kind", "not evaluable yet".to_owned()));
        fields.push(("name", w.rule.name.to_string()));
        fields.push(("title", w.rule.title.to_string()));
        fields.push(("tier", w.rule.tier.code().to_owned()));
        fields.push(("source", w.rule.source.to_string()));
        fields.push(("waits for", w.why.clone()));
    } else if let Some(l) = book.limits.iter().find(|l| l.rule.id == id) {
        fields = fields_of(l);
    } else {
        return Err(format!("{id} is not a rule of this rulebook; `enteral-gate rules list` names them"));
    }
    if let Some(off) = book.off.iter().find(|off| off.rule == id) {
        fields.push(("switched off", format!("by {}, until {}: {}", off.by, off.until, off.why)));
    }
    if format == Format::Json {
        let map: serde_json::Map<String, Value> =
            fields.into_iter().map(|(key, value)| (key.replace(' ', "-"), Value::String(value))).collect();
        print(&Value::Object(map).to_string());
    } else {
        let lines: Vec<String> = fields
            .into_iter()
            .map(|(key, value)| format!("{key:16} {}", value.replace('\n', "\n                 ")))
            .collect();
        print(&lines.join("\n"));
    }
    Ok(Exit::Clear)
}

fn fields_of(l: &Limit) -> Vec<(&'static str, String)> {
    let mut out = vec![
        ("id", l.rule.id.to_string()),
        ("kind", "limit".to_owned()),
        ("name", l.rule.name.to_string()),
        ("title", l.rule.title.to_string()),
        ("tier", tiers_text(l.tiers())),
        ("mode", l.mode.word().to_owned()),
        ("audience", audiences(l).join(", ")),
        ("applies", if l.scope_text.is_empty() { "to every order".to_owned() } else { l.scope_text.clone() }),
    ];
    for (key, date) in [("effective-from", l.from), ("effective-to", l.to)] {
        out.extend(date.map(|date| (key, date.to_string())));
    }
    for p in &l.parameters {
        out.push(("parameter", format!("{} = {} {}", p.name, p.value.short(6), p.unit)));
    }
    for c in &l.checks {
        use crate::rulebook::Bound;
        let measure = c.measure.as_ref().map_or("", |m| m.text.as_str());
        let mut line = match &c.bound {
            Bound::Above(b) => format!("{measure} above {}", b.text),
            Bound::Below(b) => format!("{measure} below {}", b.text),
            Bound::When(w) => w.text.clone(),
        };
        if let Some(when) = &c.when {
            line = format!("when {}: {line}", when.text);
        }
        line = format!("{} {line}\n{}", c.tier.code(), c.text.text);
        if let Some(fix) = &c.fix {
            line.push_str(&format!("\n{}", fix.text));
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
    out
}

fn effective(book: &Rulebook, format: Format) -> Exit {
    let rows = book.effective();
    if format == Format::Json {
        let all: Vec<Value> =
            rows.iter().map(|r| json!({"rule": r.limit, "key": r.key, "value": r.value, "from": r.place})).collect();
        print(&json!({"rulebook": name_of(book), "effective": all}).to_string());
    } else {
        let mut out = name_of(book);
        let mut last = "";
        for r in rows {
            if r.limit != last {
                out.push_str(&format!("\n\n{}", r.limit));
                last = &r.limit;
            }
            out.push_str(&format!("\n  {:24} {}   [{}]", r.key, r.value, r.place));
        }
        print(&out);
    }
    Exit::Clear
}

/// The date at Greenwich: dates of limits count by the day.
fn today() -> jiff::civil::Date {
    jiff::tz::TimeZone::UTC.to_datetime(jiff::Timestamp::now()).date()
}

fn check(book: &Book) -> Exit {
    match rulebook::read(&book.files) {
        Ok((book, mut warnings)) => {
            warnings.extend(lapses(&book, today()));
            for warning in &warnings {
                print(warning);
            }
            print(&format!(
                "{}: {} limits, {} not evaluable yet, {} warnings",
                name_of(&book),
                book.limits.len(),
                book.waiting.len(),
                warnings.len()
            ));
            if warnings.is_empty() { Exit::Clear } else { Exit::NotFullyChecked }
        }
        Err(problems) => {
            for problem in &problems {
                print(problem);
            }
            complain("the rulebook cannot be used");
            Exit::Unreadable
        }
    }
}

/// Files of tests: those named, and the `.toml` and `.md` files of folders named, in order.
fn site_files(paths: &[PathBuf]) -> Result<Vec<PathBuf>, String> {
    let (mut files, mut waiting) = (BTreeSet::new(), paths.to_vec());
    let mut entered = BTreeSet::new();
    while let Some(path) = waiting.pop() {
        let why = |error: std::io::Error| format!("{}: {error}", path.display());
        if !std::fs::metadata(&path).map_err(why)?.is_dir() {
            files.insert(path);
            continue;
        }
        // A folder that is reached again through a link is not entered again.
        if !entered.insert(std::fs::canonicalize(&path).map_err(why)?) {
            continue;
        }
        for entry in std::fs::read_dir(&path).map_err(why)? {
            let inner = entry.map_err(why)?.path();
            let ending = inner.extension().and_then(|e| e.to_str()).unwrap_or_default().to_ascii_lowercase();
            if inner.is_dir() || matches!(ending.as_str(), "toml" | "md") {
                waiting.push(inner);
            }
        }
    }
    Ok(files.into_iter().collect())
}

/// What the institution's own tests came to.
fn site_outcomes(
    paths: &[PathBuf],
    book: &Rulebook,
    formulary: &Formulary,
    settings: &crate::settings::Settings,
) -> Result<Vec<Rehearsed>, String> {
    let (mut out, mut problems) = (Vec::new(), Vec::new());
    for file in site_files(paths)? {
        let name = file.display().to_string();
        let text = std::fs::read_to_string(&file).map_err(|error| format!("{name}: {error}"))?;
        let tests = match site::read(&name, &text, book) {
            Ok(tests) => tests,
            Err(list) => {
                problems.extend(list.into_iter().map(|p| format!("{}: {}", p.place, p.message)));
                continue;
            }
        };
        for test in tests {
            let order = match &test.order {
                site::Order::Given(_) => None,
                site::Order::File(order, _) => std::fs::read(file.with_file_name(order)).ok(),
            };
            let failure = match site::run(&test, order.as_deref(), book, formulary, settings) {
                Ok(wrong) if wrong.is_empty() => None,
                Ok(wrong) => Some(wrong.join("; ")),
                Err(why) => Some(why),
            };
            let outcome = if failure.is_none() { "as expected" } else { "not as expected" };
            out.push(Rehearsed {
                rule: "site".to_owned(),
                title: test.title,
                place: test.place,
                failure,
                outcome,
                said: None,
            });
        }
    }
    if !problems.is_empty() {
        return Err(problems.join("\n"));
    }
    if out.is_empty() && !paths.is_empty() {
        return Err("--site-tests: no test was found (`[[test]]` in a .toml file, or in a block of a .md file that is marked toml)".to_owned());
    }
    Ok(out)
}

fn test(
    book: &Rulebook,
    formulary: &Formulary,
    rule: Option<&str>,
    own: Vec<Rehearsed>,
    format: Format,
) -> Result<Exit, String> {
    let mut book = book.clone();
    if let Some(id) = rule
        && !book.limits.iter().any(|l| l.rule.id == id)
    {
        return Err(format!("{id} is not a limit of this rulebook; `enteral-gate rules list` names them"));
    }
    let uncovered: Vec<(String, Vec<&str>)> = book
        .limits
        .iter()
        .filter(|l| l.mode != Mode::Off && rule.is_none_or(|id| l.rule.id == id))
        .map(|l| (l.rule.id.to_string(), uncovered(l)))
        .filter(|(_, missing)| !missing.is_empty())
        .collect();
    if let Some(id) = rule {
        for l in book.limits.iter_mut().filter(|l| l.rule.id != id) {
            l.tests.clear();
        }
    }
    let mut done = rehearse(&book, formulary, &crate::settings::Settings::default());
    let (limits, sites) = (done.len(), own.len());
    done.extend(own);
    let failed = done.iter().filter(|d| d.failure.is_some()).count();
    let enabled = book.limits.iter().filter(|l| l.mode != Mode::Off && rule.is_none_or(|id| l.rule.id == id)).count();
    let lapses = lapses(&book, today());
    let fails = failed > 0 || !uncovered.is_empty() || limits == 0 || enabled == 0;
    match format {
        Format::Junit => {
            let mut cases: Vec<(String, String, Option<String>)> =
                done.iter().map(|d| (d.rule.clone(), d.title.clone(), d.failure.clone())).collect();
            cases.extend(uncovered.iter().map(|(id, missing)| {
                (id.clone(), "coverage".to_owned(), Some(format!("no test: {}", missing.join(", "))))
            }));
            if limits == 0 {
                cases.push(("rulebook".to_owned(), "tests".to_owned(), Some("no test was run".to_owned())));
            }
            print(&answer::junit_of("rules", &cases));
        }
        Format::Json => {
            let tests: Vec<Value> = done
                .iter()
                .map(|d| json!({"rule": d.rule, "test": d.title, "place": d.place, "outcome": d.outcome, "said": d.said, "failure": d.failure}))
                .collect();
            let missing: Vec<Value> =
                uncovered.iter().map(|(id, missing)| json!({"rule": id, "missing": missing})).collect();
            print(&json!({"rulebook": name_of(&book), "tests": tests, "uncovered": missing, "lapses": lapses, "passed": done.len() - failed, "failed": failed}).to_string());
        }
        Format::Text => {
            let mut out = String::new();
            for d in &done {
                if let Some(failure) = &d.failure {
                    out.push_str(&format!("FAILED {} {} [{}]\n       {failure}\n", d.rule, d.title, d.place));
                }
            }
            for (id, missing) in &uncovered {
                out.push_str(&format!("NO TEST {id}: {}\n", missing.join(", ")));
            }
            if limits == 0 {
                out.push_str("no test of a limit was run\n");
            }
            for lapse in &lapses {
                out.push_str(&format!("NOTE {lapse}\n"));
            }
            out.push_str(&format!(
                "{} passed, {failed} failed; {} of {enabled} limits have all four kinds of test",
                done.len() - failed,
                enabled - uncovered.len()
            ));
            if sites > 0 {
                out.push_str(&format!("; {sites} of the tests are the institution's own"));
            }
            print(&out);
        }
    }
    Ok(if fails { Exit::Flagged } else { Exit::Clear })
}

/// Outcome words of each rule for one order.
type Words = BTreeMap<String, (&'static str, Option<Tier>)>;

/// Name, disposition and outcomes of every order; and whether every input could be read.
type Corpus = (Vec<(String, &'static str, Words)>, bool);

/// With `tell`, orders that are plainly of another version are named.
fn judged(book: &Rulebook, orders: &[PathBuf], with: &With, tell: bool) -> Result<Corpus, String> {
    let products = products(with.formulary.as_ref())?;
    let settings = with.institution.settings()?;
    let (mut out, mut whole) = (Vec::new(), true);
    for source in inputs::find(orders) {
        let read = inputs::read(&source, &mut |name, bytes| {
            let by = Institution { formulary: &products, rulebook: book, settings: &settings };
            let appraisal = appraise_by(bytes, name, with.fhir.version(), by);
            if tell {
                inputs::tell_version(name, &appraisal);
            }
            for order in &appraisal.orders {
                let words = order
                    .judged
                    .iter()
                    .map(|j| (j.rule.id.to_string(), (j.outcome.word(), j.outcome.tier())))
                    .collect();
                out.push((format!("{name} {}", order.label), order.disposition().code(), words));
            }
            if appraisal.orders.is_empty() {
                out.push((name.to_owned(), appraisal.disposition().code(), Words::new()));
            }
            whole &= appraisal.refusal().is_none();
            true
        });
        if let Err(why) = read {
            complain(&format!("{}: {why}", inputs::name_of(&source)));
            whole = false;
        }
    }
    Ok((out, whole))
}

fn flagged(words: &Words) -> impl Iterator<Item = (&String, Tier)> {
    words.iter().filter_map(|(id, (word, tier))| (*word == "flagged").then_some(()).and(tier.map(|t| (id, t))))
}

fn diff(old: &Path, new: &Path, orders: &[PathBuf], with: &With) -> Result<Exit, String> {
    let (old, new) = (rulebook::named(old)?, rulebook::named(new)?);
    let ((before, whole), (after, _)) = (judged(&old, orders, with, true)?, judged(&new, orders, with, false)?);
    if before.is_empty() {
        return Err("--orders: no order was found".to_owned());
    }
    let mut changed: Vec<(String, Vec<String>)> = Vec::new();
    let mut load: BTreeMap<String, (i64, i64)> = BTreeMap::new();
    let mut count = |book: &Rulebook, words: &Words, newer: bool| {
        for (id, tier) in flagged(words) {
            let mut keys = vec![format!("rule {id}"), format!("tier {}", tier.code())];
            if let Some(l) = book.limits.iter().find(|l| l.rule.id == *id) {
                keys.extend(l.audience.iter().map(|a| format!("audience {}", a.word())));
            }
            for key in keys {
                let entry = load.entry(key).or_default();
                if newer { entry.1 += 1 } else { entry.0 += 1 }
            }
        }
    };
    for ((name, was, a), (_, is, b)) in before.iter().zip(&after) {
        count(&old, a, false);
        count(&new, b, true);
        let mut lines = Vec::new();
        if was != is {
            lines.push(format!("{was} becomes {is}"));
        }
        let ids: std::collections::BTreeSet<&String> = a.keys().chain(b.keys()).collect();
        for id in ids {
            let word = |w: &Words| {
                w.get(id).map_or("not in the rulebook".to_owned(), |(word, tier)| match tier {
                    Some(tier) => format!("{word} {}", tier.code()),
                    None => (*word).to_owned(),
                })
            };
            let (x, y) = (word(a), word(b));
            if x != y {
                lines.push(format!("{id}: {x} becomes {y}"));
            }
        }
        if !lines.is_empty() {
            changed.push((name.clone(), lines));
        }
    }
    match with.format {
        Format::Json => {
            let orders: Vec<Value> =
                changed.iter().map(|(name, lines)| json!({"order": name, "changes": lines})).collect();
            let load: Vec<Value> = load.iter().map(|(key, (a, b))| json!({"of": key, "old": a, "new": b})).collect();
            print(&json!({"old": name_of(&old), "new": name_of(&new), "orders": before.len(), "changed": orders, "alerts": load}).to_string());
        }
        Format::Junit => {
            let cases: Vec<(String, String, Option<String>)> = before
                .iter()
                .map(|(name, ..)| {
                    let lines = changed.iter().find(|(n, _)| n == name).map(|(_, lines)| lines.join("\n"));
                    ("diff".to_owned(), name.clone(), lines)
                })
                .collect();
            print(&answer::junit_of("rules diff", &cases));
        }
        Format::Text => {
            let mut out = format!("old: {}\nnew: {}\n", name_of(&old), name_of(&new));
            for (name, lines) in &changed {
                out.push_str(&format!("\n{name}\n  {}\n", lines.join("\n  ")));
            }
            out.push_str(&format!("\n{} of {} orders change\n", changed.len(), before.len()));
            for (key, (a, b)) in &load {
                if a != b {
                    out.push_str(&format!("{key:24} {a} alerts become {b}\n"));
                }
            }
            print(out.trim_end());
        }
    }
    let exit = if changed.is_empty() { Exit::Clear } else { Exit::Flagged };
    // What could not be read was not compared.
    Ok(if whole { exit } else { Exit::Unreadable })
}

fn replay(book: &Rulebook, orders: &[PathBuf], with: &With) -> Result<Exit, String> {
    let (judged, whole) = judged(book, orders, with, true)?;
    if judged.is_empty() {
        return Err("--orders: no order was found".to_owned());
    }
    let mut rules: BTreeMap<&str, BTreeMap<&str, usize>> = BTreeMap::new();
    let mut dispositions: BTreeMap<&str, usize> = BTreeMap::new();
    for (_, disposition, words) in &judged {
        *dispositions.entry(disposition).or_default() += 1;
        for (id, (word, _)) in words {
            *rules.entry(id).or_default().entry(word).or_default() += 1;
        }
    }
    if with.format == Format::Json {
        print(
            &json!({"rulebook": name_of(book), "orders": judged.len(), "dispositions": dispositions, "rules": rules})
                .to_string(),
        );
    } else {
        let mut out = format!("{}\n{} orders: ", name_of(book), judged.len());
        out.push_str(&dispositions.iter().map(|(d, n)| format!("{n} {d}")).collect::<Vec<_>>().join(", "));
        out.push('\n');
        for (id, words) in &rules {
            let words: Vec<String> = words.iter().map(|(word, n)| format!("{n} {word}")).collect();
            out.push_str(&format!("\n{id:8} {}", words.join(", ")));
        }
        print(&out);
    }
    Ok(if whole { Exit::Clear } else { Exit::Unreadable })
}
