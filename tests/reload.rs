//! Rules are changed while the service runs: what was found on disk is taken whole or not at all, and everybody
//! can see which rules are in use.

use enteral_gate::appraise::{not_judged_yet, own_rules};
use enteral_gate::cli::reload::{Pace, Source, keep};
use enteral_gate::cli::rulebook;
use enteral_gate::formulary::Formulary;
use enteral_gate::http::appraiser::Core;
use enteral_gate::http::rules_in_use::RulesInUse;
use enteral_gate::http::{App, Limits, server};
use enteral_gate::rehearsal::own::EXAMPLES;
use enteral_gate::settings::Settings;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

const FORMULARY: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/deploy/demo/formulary.csv");
const ORDER: &str = include_str!("cases/c1.r4.json");
/// Longer than any machine needs.
const DEADLINE: Duration = Duration::from_secs(60);

/// A rulebook of one invented limit, in force above `most` mL/h; its examples are 160 and 100 mL/h.
fn book(edition: &str, most: u32) -> String {
    let example = |kind: &str, expect: &str, rate: u32| {
        format!(
            "[[limit.test]]\ntitle = \"{rate} mL/h\"\nkind = \"{kind}\"\nexpect = \"{expect}\"\n[limit.test.given]\nage = \"70 a\"\nproduct = \"A10\"\nrate = \"{rate} mL/h\"\n"
        )
    };
    format!(
        "rulebook = 1\nlabel = \"Invented\"\nedition = \"{edition}\"\n[[limit]]\nid = \"EXA-01\"\nname = \"rate-high\"\ntitle = \"The rate is high\"\ntier = \"HIGH\"\nmode = \"card\"\naudience = [\"prescriber\"]\nsource = \"invented\"\nevidence = \"common-practice\"\nowner = \"Committee\"\n[limit.scope]\nage = {{ from = \"18 a\" }}\n[limit.parameters]\nmost = \"{most} mL/h\"\n[[limit.check]]\nmeasure = \"highest_rate\"\nabove = \"most\"\ntext = \"The rate is over {{bound; mL/h; 0}}.\"\nfix = \"Give at most {{bound; mL/h; 0}}.\"\n{}{}",
        example("flag", "flagged", 160),
        example("pass", "clear", 100),
    )
}

struct Folder(PathBuf);

impl Folder {
    fn new() -> Self {
        static NEXT: AtomicU64 = AtomicU64::new(0);
        let name = format!("enteral-gate-reload-{}-{}", std::process::id(), NEXT.fetch_add(1, Ordering::Relaxed));
        let path = std::env::temp_dir().join(name);
        std::fs::create_dir_all(&path).unwrap();
        Self(path)
    }

    fn write(&self, name: &str, text: &str) -> PathBuf {
        let path = self.0.join(name);
        std::fs::write(&path, text).unwrap();
        path
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

fn hash(file: &Path) -> String {
    rulebook::named(file).unwrap().hash
}

fn ask(here: &str, method: &str, path: &str, body: &str) -> (u16, String) {
    let mut stream = TcpStream::connect(here).unwrap();
    stream.set_read_timeout(Some(DEADLINE)).unwrap();
    write!(
        stream,
        "{method} {path} HTTP/1.1\r\nhost: x\r\nconnection: close\r\ncontent-type: application/fhir+json\r\ncontent-length: {}\r\n\r\n{body}",
        body.len()
    )
    .unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).unwrap();
    let (head, body) = answer.split_once("\r\n\r\n").unwrap();
    (head.split(' ').nth(1).unwrap().parse().unwrap(), body.to_owned())
}

/// Asks again until the answer is as wanted.
fn until(here: &str, path: &str, wanted: impl Fn(u16, &str) -> bool) -> (u16, String) {
    let started = Instant::now();
    loop {
        let (status, body) = ask(here, "GET", path, "");
        if wanted(status, &body) {
            return (status, body);
        }
        assert!(started.elapsed() < DEADLINE, "{path} stays {status}: {body}");
        std::thread::sleep(Duration::from_millis(50));
    }
}

fn judged_by(here: &str, hash: &str) -> bool {
    let (status, body) = ask(here, "POST", "/fhir/R4/NutritionOrder/$appraise", ORDER);
    assert_eq!(status, 200, "{body}");
    body.contains(hash)
}

fn sample(here: &str, name: &str) -> u64 {
    let (status, body) = ask(here, "GET", "/metrics", "");
    assert_eq!(status, 200);
    let line = body.lines().find_map(|l| l.strip_prefix(name)?.strip_prefix(' '));
    line.unwrap_or_else(|| panic!("no {name} in {body}")).parse().unwrap()
}

fn gate(rules: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_enteral-gate"));
    for (name, _) in std::env::vars().filter(|(n, _)| n.starts_with("ENTERAL_GATE_")) {
        command.env_remove(name);
    }
    command
        .args(["serve", "--store", "none", "--listen", "127.0.0.1:0", "--formulary", FORMULARY, "--rulebook"])
        .arg(rules);
    command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped());
    command
}

/// The real program, ended by its own id.
struct Serving {
    child: Child,
    here: String,
}

impl Serving {
    fn start(rules: &Path) -> Self {
        let mut child = gate(rules).spawn().unwrap();
        let mut line = String::new();
        BufReader::new(child.stdout.as_mut().unwrap()).read_line(&mut line).unwrap();
        let here = line.trim().rsplit('/').next().unwrap().to_owned();
        assert!(here.contains(':'), "it does not serve: {line}");
        Self { child, here }
    }

    fn hang_up(&self) {
        assert!(Command::new("kill").args(["-HUP", &self.child.id().to_string()]).status().unwrap().success());
    }

    /// Ends it and gives its log.
    fn end(mut self) -> String {
        let _ = self.child.kill();
        let mut log = String::new();
        self.child.stderr.take().unwrap().read_to_string(&mut log).unwrap();
        log
    }
}

impl Drop for Serving {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

#[test]
fn a_changed_file_is_in_the_next_answers_and_a_bad_one_changes_nothing() {
    let folder = Folder::new();
    let file = folder.write("rules.toml", &book("1", 150));
    let first = hash(&file);
    let serving = Serving::start(&file);
    let here = &serving.here;
    assert!(judged_by(here, &first));
    let (status, body) = ask(here, "GET", "/readyz", "");
    assert_eq!(status, 200);
    for part in [
        "products, formulary",
        &first,
        "label \"Invented\"",
        "edition \"1\"",
        "1 limits",
        "loaded: ",
        // Two of the file's; of each rule of the program that is judged its own and an ordinary order.
        &format!("{} examples as expected", 2 + 2 * own_rules().filter(|r| not_judged_yet(&r.id).is_none()).count()),
    ] {
        assert!(body.contains(part), "{part} in {body}");
    }

    // Another edition.
    folder.write("rules.toml", &book("2", 140));
    let second = hash(&file);
    until(here, "/readyz", |_, body| body.contains(&second));
    assert!(judged_by(here, &second) && !judged_by(here, &first));
    assert_eq!(sample(here, "enteral_gate_rulebook_reloads_total{result=\"taken\"}"), 1);

    // A file that cannot be read as a rulebook.
    folder.write("rules.toml", &book("3", 140).replace("tier = \"HIGH\"", "tier = \"SEVERE\""));
    let (status, body) = until(here, "/readyz", |_, body| body.contains("NOT in use since"));
    assert_eq!(status, 200, "the old rules still work");
    assert!(body.contains(&second) && body.contains("rules.toml:8:"), "{body}");
    assert!(judged_by(here, &second));
    assert_eq!(sample(here, "enteral_gate_rulebook_reloads_total{result=\"refused\"}"), 1);
    assert_eq!(sample(here, "enteral_gate_rulebook_stale"), 1);

    // One whose examples say that it does not do what it was written for.
    folder.write("rules.toml", &book("4", 500));
    let (status, body) = until(here, "/readyz", |_, body| body.contains("EXA-01"));
    assert_eq!(status, 200);
    assert!(body.contains("\"160 mL/h\" of EXA-01: expected flagged, came to clear"), "{body}");
    assert!(judged_by(here, &second));

    // A file that is gone, and one that is right again.
    std::fs::remove_file(&file).unwrap();
    until(here, "/metrics", |_, body| body.contains("reloads_total{result=\"refused\"} 3"));
    assert!(judged_by(here, &second));
    folder.write("rules.toml", &book("5", 130));
    let fifth = hash(&file);
    let (_, body) = until(here, "/readyz", |_, body| body.contains(&fifth));
    assert!(!body.contains("NOT in use"), "{body}");
    assert_eq!(sample(here, "enteral_gate_rulebook_stale"), 0);
    assert_eq!(sample(here, "enteral_gate_panics_total"), 0);
    let (_, metrics) = ask(here, "GET", "/metrics", "");
    let info = format!("enteral_gate_rulebook_info{{hash=\"{fifth}\",label=\"Invented\",edition=\"5\"}} 1");
    assert!(metrics.contains(&info), "{metrics}");

    let log = serving.end();
    let refused: Vec<_> = log.lines().filter(|l| l.contains("ERROR")).collect();
    assert_eq!(refused.len(), 3, "{log}");
    assert!(refused[0].contains("rules.toml:8:") && refused[0].contains("the rules in use stay"), "{log}");
}

#[test]
fn a_folder_is_watched_for_new_files_and_for_what_is_extended() {
    let folder = Folder::new();
    folder.write("a.toml", &book("1", 150));
    let serving = Serving::start(&folder.0);
    folder.write("b.toml", "rulebook = 1\nedition = \"2\"\n[[override]]\nlimit = \"EXA-01\"\nby = \"Committee\"\nwhy = \"Invented\"\nparameters.most = \"140 mL/h\"\n");
    let second = hash(&folder.0);
    until(&serving.here, "/readyz", |_, body| body.contains(&second));
    assert!(judged_by(&serving.here, &second));
}

#[cfg(unix)]
#[test]
fn a_hangup_reads_the_rulebook_again_at_once_and_ends_nothing() {
    let folder = Folder::new();
    let file = folder.write("rules.toml", &book("1", 150));
    let serving = Serving::start(&file);
    serving.hang_up();
    // Unchanged files are read as well: who asks gets an answer.
    until(&serving.here, "/metrics", |_, body| body.contains("reloads_total{result=\"taken\"} 1"));
    folder.write("rules.toml", &book("2", 140));
    let second = hash(&file);
    serving.hang_up();
    until(&serving.here, "/readyz", |_, body| body.contains(&second));
    assert!(judged_by(&serving.here, &second));
    assert!(serving.end().contains("asked to read the rulebook again"));
}

#[test]
fn rules_that_fail_their_own_examples_are_not_served_at_all() {
    let folder = Folder::new();
    let out = gate(&folder.write("rules.toml", &book("1", 500))).output().unwrap();
    let said = String::from_utf8_lossy(&out.stderr);
    assert_eq!(out.status.code(), Some(64), "{said}");
    assert!(said.contains("the rulebook cannot be used") && said.contains("of EXA-01: expected flagged"), "{said}");
    // Silent where it must speak is as bad as speaking where it must be silent.
    let out = gate(&folder.write("rules.toml", &book("1", 90))).output().unwrap();
    let said = String::from_utf8_lossy(&out.stderr);
    assert_eq!(out.status.code(), Some(64), "{said}");
    assert!(said.contains("\"100 mL/h\" of EXA-01: expected clear"), "{said}");
    // Tests of every kind count, not those alone that must flag and must not.
    let other = |kind: &str, expect: &str, given: &str| {
        format!(
            "{}[[limit.test]]\ntitle = \"of another kind\"\nkind = \"{kind}\"\nexpect = \"{expect}\"\n[limit.test.given]\nage = \"70 a\"\nproduct = \"A10\"\n{given}",
            book("1", 150)
        )
    };
    for (kind, expect, given) in [
        ("boundary", "clear", "rate = \"151 mL/h\"\n"),
        ("boundary", "flagged", "rate = \"150 mL/h\"\n"),
        ("missing", "flagged", "rate = \"100 mL/h\"\n"),
    ] {
        let out = gate(&folder.write("rules.toml", &other(kind, expect, given))).output().unwrap();
        let said = String::from_utf8_lossy(&out.stderr);
        assert_eq!(out.status.code(), Some(64), "{kind}: {said}");
        assert!(said.contains("\"of another kind\" of EXA-01"), "{kind}: {said}");
    }
}

#[test]
fn rules_in_use_that_no_longer_pass_their_examples_turn_the_service_not_ready() {
    let folder = Folder::new();
    let file = folder.write("rules.toml", &book("1", 150));
    let formulary = Arc::new(Formulary::from_csv("formulary.csv", &std::fs::read(FORMULARY).unwrap()).unwrap());
    let source = Arc::new(Source::new(vec![file], formulary.clone()).unwrap());
    let (_, rehearsal, texts) = source.read().unwrap();
    assert!(rehearsal.failing.is_empty());
    // As if the rules had gone wrong after they were taken.
    let wrong = rulebook::named(&folder.write("wrong.toml", &book("2", 500))).unwrap();
    let rules = Arc::new(RulesInUse::new(wrong, Some(rehearsal)));
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().unwrap();
    let here = runtime.block_on(async {
        let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
        let here = listener.local_addr().unwrap().to_string();
        let app = App::new(Arc::new(Core::over(formulary, rules.clone())), Settings::default(), Limits::default());
        tokio::spawn(server::serve(listener, app, std::future::pending()));
        here
    });
    assert_eq!(ask(&here, "GET", "/readyz", "").0, 200);
    let pace = Pace { look: Duration::from_secs(3600), rehearse: Duration::from_millis(50) };
    let inside = runtime.enter();
    let keeping = tokio::spawn(keep(source.clone(), rules.clone(), pace, texts));
    drop(inside);
    let (_, body) = until(&here, "/readyz", |status, _| status == 503);
    assert!(body.starts_with("not ready: rules that fail their own examples: EXA-01\n"), "{body}");
    assert_eq!(sample(&here, "enteral_gate_rehearsal_success"), 0);
    assert_eq!(sample(&here, "enteral_gate_rehearsal_failing_rules"), 1);
    keeping.abort();
    // The right rules make it ready again.
    let (right, rehearsal, _) = source.read().unwrap();
    until(&here, "/readyz", |status, _| {
        rules.take(right.clone(), rehearsal.clone());
        status == 200
    });
}

#[test]
fn a_rule_of_the_program_that_no_longer_fires_turns_the_service_not_ready() {
    let folder = Folder::new();
    let formulary = Arc::new(Formulary::from_csv("formulary.csv", &std::fs::read(FORMULARY).unwrap()).unwrap());
    // As if the rule had gone wrong: its example holds nothing that it finds.
    let silent = EXAMPLES.replacen("rate = \"60 mlph\"", "rate = \"60 mL/h\"", 1);
    // And as if one spoke where it must be silent.
    let loud = EXAMPLES.replacen("always = true\n", "", 1);
    let missing = EXAMPLES.replacen("[UNT-01]", "[UNT-00]", 1);
    assert!([&silent, &loud, &missing].iter().all(|text| **text != EXAMPLES));
    let off = |until: &str| {
        let rule = "rule = \"INT-02\"\nby = \"Invented committee\"\nwhy = \"invented\"";
        format!("{}\n[[off]]\n{rule}\nuntil = {until}\n", book("1", 150))
    };
    let today = jiff::tz::TimeZone::UTC.to_datetime(jiff::Timestamp::now()).date();
    let (still, over) = (off(&today.tomorrow().unwrap().to_string()), off(&today.yesterday().unwrap().to_string()));
    let plain = book("1", 150);
    for (name, text, examples, failing, said) in [
        ("right", &plain, EXAMPLES, None, ""),
        (
            "silent",
            &plain,
            &silent,
            Some("INT-02"),
            "\"its worked example\" of INT-02: expected flagged, came to clear",
        ),
        (
            "loud",
            &plain,
            &loud,
            Some("CMP-04"),
            "\"an ordinary order\" of CMP-04: expected not flagged, came to flagged",
        ),
        ("missing", &plain, &missing, Some("UNT-01"), "\"its worked example\" of UNT-01: it has no example"),
        // What the institution switched off says nothing, and so cannot be silent where it must speak; the day after it can.
        ("off", &still, &silent, None, ""),
        ("off no more", &over, &silent, Some("INT-02"), "of INT-02"),
    ] {
        let file = folder.write(&format!("{}.toml", name.replace(' ', "-")), text);
        let source = Source::new(vec![file], formulary.clone()).unwrap().with_examples(examples.to_owned());
        // It is no fault of the files: they are taken, so that every other rule works.
        let (book, rehearsal, _) = source.read().unwrap_or_else(|all| panic!("{name}: {all:?}"));
        assert_eq!(rehearsal.failing, failing.into_iter().collect::<Vec<_>>(), "{name}: {:?}", rehearsal.problems);
        let ready = RulesInUse::new(book, Some(rehearsal)).ready();
        match failing {
            None => assert!(ready.is_ok(), "{name}: {ready:?}"),
            Some(rule) => {
                let lines = ready.expect_err(name);
                assert!(lines.starts_with(&format!("rules that fail their own examples: {rule}\n")), "{name}: {lines}");
                assert!(lines.contains(said), "{name}: {lines}");
            }
        }
    }
}

#[test]
fn limits_that_have_no_example_are_named() {
    let folder = Folder::new();
    let text = book("1", 150);
    let (limit, _) = text.split_once("[[limit.test]]").unwrap();
    let serving = Serving::start(&folder.write("rules.toml", limit));
    let (status, body) = ask(&serving.here, "GET", "/readyz", "");
    assert_eq!(status, 200);
    assert!(body.contains("limits without examples, not rehearsed: EXA-01"), "{body}");
    assert_eq!(sample(&serving.here, "enteral_gate_rehearsal_unrehearsed_rules"), 1);
    let rehearsed = Serving::start(&folder.write("rehearsed.toml", &text));
    assert!(!ask(&rehearsed.here, "GET", "/readyz", "").1.contains("without examples"));
    assert_eq!(sample(&rehearsed.here, "enteral_gate_rehearsal_unrehearsed_rules"), 0);
}

#[test]
fn appraisals_are_counted_by_disposition_entries_of_batches_too() {
    let folder = Folder::new();
    let serving = Serving::start(&folder.write("rules.toml", &book("1", 150)));
    let all = |here: &str| -> u64 {
        ["clear", "flagged", "not-fully-checked", "refused"]
            .map(|d| sample(here, &format!("enteral_gate_appraisals_total{{disposition=\"{d}\"}}")))
            .iter()
            .sum()
    };
    assert_eq!(all(&serving.here), 0);
    let order: serde_json::Value = serde_json::from_str(ORDER).unwrap();
    let entry =
        serde_json::json!({"request": {"method": "POST", "url": "NutritionOrder/$appraise"}, "resource": order});
    let batch = serde_json::json!({"resourceType": "Bundle", "type": "batch", "entry": [entry, entry]});
    assert_eq!(ask(&serving.here, "POST", "/fhir/R4", &batch.to_string()).0, 200);
    assert_eq!(all(&serving.here), 2);
    assert_eq!(ask(&serving.here, "POST", "/fhir/R4/NutritionOrder/$appraise", ORDER).0, 200);
    assert_eq!(all(&serving.here), 3);
}

#[test]
fn every_metric_is_documented_and_no_other() {
    let folder = Folder::new();
    let serving =
        Serving::start(&folder.write("rules.toml", &book("1", 150).replace("\"Invented\"", "'In \"\\ vented'")));
    let (_, body) = ask(&serving.here, "GET", "/metrics", "");
    let names: Vec<&str> = body.lines().filter_map(|l| l.strip_prefix("# TYPE ")?.split(' ').next()).collect();
    let documented: Vec<&str> = include_str!("../docs/configure.md")
        .lines()
        .filter_map(|l| l.strip_prefix("| `")?.split(['`', '{']).next())
        .filter(|name| name.starts_with("enteral_gate_"))
        // These are there where callers, TLS, a trail, a queue, subscribers and traces are configured; `tests/tls.rs` holds them.
        .filter(|name| {
            ![
                "access",
                "key_sets",
                "certificate",
                "audit",
                "queue",
                "notifications",
                "subscribers",
                "outbox",
                "spool",
                "traces",
            ]
            .iter()
            .any(|of| name["enteral_gate_".len()..].starts_with(of))
        })
        .collect();
    assert_eq!(names, documented);
    assert!(body.contains(r#"label="In \"\\ vented""#), "{body}");
}
