//! The shape of the program: which room may use which, what the core must not do, and that the generated
//! pages say what the code says. `UPDATE=1 cargo test --test architecture` writes the pages.

use enteral_gate::assumptions::Assumption;
use enteral_gate::integrity::{RULES, not_judged_yet};
use std::collections::BTreeSet;
use std::fmt::Write;
use std::path::{Path, PathBuf};

/// Room, and the rooms it may use. What is not listed is forbidden.
const MAY_USE: &[(&str, &[&str])] = &[
    ("access", &[]),
    ("audit", &[]),
    // What goes on beside the answers, whatever it is.
    ("background", &[]),
    ("exact", &[]),
    ("amount", &["exact"]),
    ("assumptions", &[]),
    ("settings", &["exact", "intake"]),
    // The names of nutrients and their atomic masses, for mg and mmol.
    ("units", &["exact", "formulary", "intake"]),
    ("intake", &["exact", "units"]),
    ("patient", &["amount", "exact", "intake", "settings", "units"]),
    ("formulary", &["exact", "intake", "units"]),
    ("timing", &["amount", "assumptions", "exact", "intake", "settings", "units"]),
    ("nutrition", &["amount", "assumptions", "exact", "formulary", "intake", "settings", "timing", "units"]),
    ("needs", &["amount", "exact"]),
    ("findings", &["exact", "intake"]),
    (
        "integrity",
        &["amount", "exact", "findings", "formulary", "intake", "needs", "nutrition", "settings", "timing", "units"],
    ),
    (
        "appraise",
        &[
            "amount",
            "assumptions",
            "exact",
            "findings",
            "formulary",
            "integrity",
            "intake",
            "needs",
            "nutrition",
            "patient",
            "rulebook",
            "settings",
            "timing",
            "units",
        ],
    ),
    ("answer", &["amount", "appraise", "exact", "findings", "intake", "needs", "nutrition", "rulebook", "timing"]),
    // A report as a person reads it who decides, for pages.
    (
        "sheet",
        &[
            "amount",
            "answer",
            "appraise",
            "exact",
            "findings",
            "formulary",
            "intake",
            "needs",
            "nutrition",
            "patient",
            "timing",
        ],
    ),
    // Limits: data of the institution, judged on facts of one order.
    (
        "rulebook",
        &[
            "amount",
            "exact",
            "findings",
            "formulary",
            "intake",
            "integrity",
            "needs",
            "nutrition",
            "patient",
            "settings",
            "timing",
            "units",
        ],
    ),
    ("rehearsal", &["appraise", "findings", "formulary", "intake", "rulebook", "settings"]),
    ("hooks", &["answer", "appraise", "findings", "intake", "nutrition", "rulebook", "settings", "sheet"]),
    // Orders as people see, work and close them: data of reports, and what is done with them.
    (
        "queue",
        &[
            "amount",
            "answer",
            "appraise",
            "exact",
            "findings",
            "hooks",
            "intake",
            "nutrition",
            "patient",
            "rulebook",
            "sheet",
            "timing",
        ],
    ),
    // Who is told of changes on the queue, and what is sent.
    ("subscriptions", &["intake", "queue"]),
    ("store", &["audit", "background", "findings", "queue", "subscriptions"]),
    (
        "http",
        &[
            "access",
            "answer",
            "appraise",
            "audit",
            "background",
            "exact",
            "findings",
            "formulary",
            "hooks",
            "intake",
            "queue",
            "rulebook",
            "settings",
            "sheet",
            "store",
            "subscriptions",
        ],
    ),
    (
        "cli",
        &[
            "access",
            "answer",
            "appraise",
            "audit",
            "background",
            "exact",
            "findings",
            "formulary",
            "hooks",
            "http",
            "intake",
            "queue",
            "rehearsal",
            "rulebook",
            "settings",
            "store",
            "subscriptions",
        ],
    ),
];

/// Rooms that are not of the core.
const RIM: &[&str] = &["background", "cli", "http", "store"];

/// Words that have no place in the core.
const BANNED: &[&str] = &[
    "SystemTime",
    "Instant::now",
    "std::fs",
    "std::env",
    "std::net",
    "std::process",
    "std::io",
    "tokio",
    "reqwest",
    "println!",
    "eprintln!",
    "print!(",
    ".unwrap()",
    ".expect(",
    "panic!(",
    "todo!(",
    "unimplemented!(",
    "Timestamp::now",
    "Zoned::now",
    "TimeZone::system",
];

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

fn files(folder: &Path, out: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            files(&path, out);
        } else if path.extension().is_some_and(|e| e == "rs") {
            out.push(path);
        }
    }
}

/// The room of a source file: the first part of its path below `src/`.
fn room(path: &Path) -> String {
    let below = path.strip_prefix(root().join("src")).unwrap();
    let first = below.components().next().unwrap().as_os_str().to_string_lossy().into_owned();
    first.trim_end_matches(".rs").to_owned()
}

/// A file's code without comments and without its test module.
fn code(path: &Path) -> String {
    // A room's test module in a file of its own.
    if path.file_name().is_some_and(|name| name == "tests.rs") {
        return String::new();
    }
    let text = std::fs::read_to_string(path).unwrap();
    let before_tests = text.split("#[cfg(test)]\nmod tests").next().unwrap_or(&text).to_owned();
    before_tests.lines().filter(|l| !l.trim_start().starts_with("//")).collect::<Vec<_>>().join("\n")
}

/// Rooms named after `crate::` in a text, `crate::{a, b}` included.
fn used(code: &str) -> BTreeSet<String> {
    let mut out = BTreeSet::new();
    for after in code.split("crate::").skip(1) {
        let names: Vec<&str> = match after.strip_prefix('{') {
            Some(list) => {
                let mut depth = 0;
                let mut start = 0;
                let mut names = Vec::new();
                for (i, c) in list.char_indices() {
                    match c {
                        '{' => depth += 1,
                        '}' if depth == 0 => {
                            names.push(&list[start..i]);
                            break;
                        }
                        '}' => depth -= 1,
                        ',' if depth == 0 => {
                            names.push(&list[start..i]);
                            start = i + 1;
                        }
                        _ => {}
                    }
                }
                names
            }
            None => vec![after],
        };
        for name in names {
            let name: String = name.trim().chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect();
            if !name.is_empty() {
                out.insert(name);
            }
        }
    }
    out
}

#[test]
fn rooms_use_only_what_they_may() {
    let mut paths = Vec::new();
    files(&root().join("src"), &mut paths);
    let mut seen = BTreeSet::new();
    let mut wrong = Vec::new();
    for path in &paths {
        let here = room(path);
        if matches!(here.as_str(), "lib" | "main") {
            continue;
        }
        let Some((_, allowed)) = MAY_USE.iter().find(|(r, _)| *r == here) else {
            panic!("{} belongs to no room of the table", path.display())
        };
        seen.insert(here.clone());
        for other in used(&code(path)) {
            if other != here && !allowed.contains(&other.as_str()) {
                wrong.push(format!("{}: {here} may not use {other}", path.display()));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    assert_eq!(seen.len(), MAY_USE.len(), "every room of the table exists");
}

#[test]
fn the_core_does_no_io_reads_no_clock_and_uses_no_floats() {
    let mut paths = Vec::new();
    files(&root().join("src"), &mut paths);
    let mut wrong = Vec::new();
    let mut looked_at = 0;
    for path in &paths {
        if matches!(room(path).as_str(), "lib" | "main") || RIM.contains(&room(path).as_str()) {
            continue;
        }
        looked_at += 1;
        for (n, line) in code(path).lines().enumerate() {
            for word in BANNED {
                if line.contains(word) {
                    wrong.push(format!("{}: {word} in `{}` ({n})", path.display(), line.trim()));
                }
            }
            // Powers and roots live in one room; `to_f64` is the way there.
            // The validator's trait asks for one, and is given none to compute with.
            let float_room = path.ends_with("needs/growth.rs")
                || line.contains("fn as_f64(&self)")
                || line.contains("fn to_f64")
                || line.contains("num as f64");
            let words: Vec<&str> = line.split(|c: char| !c.is_alphanumeric() && c != '_').collect();
            if !float_room && words.iter().any(|w| matches!(*w, "f32" | "f64")) {
                wrong.push(format!("{}: a float in `{}`", path.display(), line.trim()));
            }
        }
    }
    assert!(looked_at > 30);
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// What the compiler denies in every room of the core, by the head of the room.
const DENIED: &[&str] = &[
    "unwrap_used",
    "expect_used",
    "panic",
    "unreachable",
    "indexing_slicing",
    "string_slice",
    "float_arithmetic",
    "print_stdout",
    "print_stderr",
    "disallowed_methods",
];

#[test]
fn every_room_of_the_core_denies_what_could_panic_or_reach_outside() {
    let mut wrong = Vec::new();
    for (room, _) in MAY_USE.iter().filter(|(r, _)| !RIM.contains(r)) {
        let src = root().join("src");
        let head = [src.join(room).join("mod.rs"), src.join(format!("{room}.rs"))]
            .iter()
            .find_map(|p| std::fs::read_to_string(p).ok())
            .unwrap_or_default();
        for lint in DENIED {
            if !head.contains(&format!("clippy::{lint},")) {
                wrong.push(format!("{room} does not deny clippy::{lint}"));
            }
        }
    }
    // The one way out is named where it is taken, with a reason.
    let mut paths = Vec::new();
    files(&root().join("src"), &mut paths);
    for path in paths.iter().filter(|p| !RIM.contains(&room(p).as_str())) {
        let code = code(path);
        for allowed in code.split("allow(").skip(1).chain(code.split("expect(clippy").skip(1)) {
            let inside = allowed.split(')').next().unwrap_or("");
            if DENIED.iter().any(|lint| inside.contains(lint)) && !inside.contains("reason") {
                wrong.push(format!("{}: allow({inside}) without a reason", path.display()));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn the_rim_holds_no_clinical_arithmetic() {
    let mut paths = Vec::new();
    files(&root().join("src"), &mut paths);
    for path in paths.iter().filter(|p| RIM.contains(&room(p).as_str())) {
        let code = code(path);
        for word in ["nutrition::", "timing::", "integrity::", "needs::", "patient::", "units::"] {
            assert!(!code.contains(word), "{} reaches into {word}", path.display());
        }
    }
}

/// Compares a generated page with what is committed, or writes it.
fn page(name: &str, text: &str) {
    let path = root().join("docs").join(name);
    if std::env::var_os("UPDATE").is_some() {
        std::fs::write(&path, text).unwrap();
    }
    let committed = std::fs::read_to_string(&path).unwrap_or_default();
    assert_eq!(committed, text, "docs/{name} is stale: UPDATE=1 cargo test --test architecture");
}

#[test]
fn the_page_of_assumptions_is_fresh() {
    let mut text = String::from(
        "# Assumptions\n\n\
         Where FHIR, the order or the formulary leaves a choice, one reading is taken, named in every answer that rests on it, and \
         listed here. [How a day is worked out](calculation.md) says where each applies. Written by \
         `UPDATE=1 cargo test --test architecture` from `src/assumptions.rs`.\n\n\
         | id | reading |\n|---|---|\n",
    );
    for a in Assumption::ALL {
        writeln!(text, "| {} | {} |", a.id(), a.text()).unwrap();
    }
    page("assumptions.md", &text);
}

#[test]
fn the_page_of_rules_is_fresh() {
    let mut text = String::from(
        "# Integrity rules\n\n\
         What is judged without any limit of an institution: the order contradicts itself, cannot be read, cannot be given as \
         written, or is not complete. Every answer carries one outcome for each: flagged, clear, not applicable, not evaluated (and \
         for want of what), not provided by this sender, or hidden (to be judged again once what another rule found is settled). Tiers: STOP cannot be \
         carried out as written or almost certainly a wrong unit, patient or route; HIGH credible serious harm if given as written; \
         MED likely sub-optimal or harmful over days; LOW a reminder. STOP and HIGH are FHIR severity `error`, MED `warning`, LOW \
         `information`. Figures used to tell slips are wider than any goal of feeding; they are not limits to feed by. Written by \
         `UPDATE=1 cargo test --test architecture` from `src/integrity/mod.rs`.\n\n\
         | id | tier | pattern | what it is | source |\n|---|---|---|---|---|\n",
    );
    let mut ids = BTreeSet::new();
    for (rule, _) in RULES {
        assert!(ids.insert(&*rule.id), "{} twice", rule.id);
        let title = match not_judged_yet(&rule.id) {
            Some(waits) => format!("{} (**not judged yet**; it waits for {waits})", rule.title),
            None => rule.title.to_string(),
        };
        let id = format!("[{0}](rules/{0}.md)", rule.id);
        writeln!(text, "| {id} | {} | `{}` | {title} | {} |", rule.tier.code(), rule.name, rule.source).unwrap();
    }
    page("integrity-rules.md", &text);
}

/// Measures that rules look at are those that the quick check works out.
#[test]
fn rules_look_only_at_judged_measures() {
    use enteral_gate::nutrition::measure::Measure;
    use enteral_gate::nutrition::totals::JUDGED;
    let mut paths = Vec::new();
    files(&root().join("src/integrity"), &mut paths);
    for path in paths {
        for name in code(&path).split("Measure::").skip(1) {
            let name: String = name.chars().take_while(|c| c.is_alphanumeric()).collect();
            let known = Measure::ALL.iter().find(|m| format!("{m:?}") == name);
            let Some(m) = known else { continue };
            assert!(JUDGED.contains(m), "{}: {name} is not worked out by the quick check", path.display());
        }
    }
}

/// Files of the project name no place outside it.
#[test]
fn nothing_depends_on_what_is_outside() {
    let mut paths = Vec::new();
    files(&root().join("src"), &mut paths);
    for path in paths {
        let text = std::fs::read_to_string(&path).unwrap();
        for word in ["../shared", "/work/", "/tmp/"] {
            assert!(!text.contains(word), "{} names {word}", path.display());
        }
    }
}
