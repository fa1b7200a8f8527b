//! The command line from outside: exit codes, inputs of every kind, `serve` and `demo` as processes.

use std::ffi::OsString;
use std::fs;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::{Duration, Instant};

const TODDLER: &str = include_str!("../deploy/demo/orders/demo-1-toddler.json");
const JEJUNAL: &str = include_str!("../deploy/demo/orders/demo-4-jejunal-bolus.json");
const UNLISTED: &str = include_str!("../deploy/demo/orders/demo-9-no-density.json");
const FORMULARY: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/deploy/demo/formulary.csv");

fn gate() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_enteral-gate"));
    command.env_clear();
    command
}

/// A folder of one test, removed at its end.
struct Folder(PathBuf);

impl Folder {
    fn new() -> Self {
        static NEXT: AtomicU32 = AtomicU32::new(0);
        let path = std::env::temp_dir().join(format!(
            "enteral-gate-cli-{}-{}",
            std::process::id(),
            NEXT.fetch_add(1, Ordering::Relaxed)
        ));
        fs::create_dir_all(&path).unwrap();
        Self(path)
    }

    fn write(&self, name: impl AsRef<Path>, text: impl AsRef<[u8]>) -> PathBuf {
        let path = self.0.join(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(&path, text).unwrap();
        path
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = fs::remove_dir_all(&self.0);
    }
}

fn run(arguments: &[&str]) -> Output {
    gate().args(arguments).stdin(Stdio::null()).output().unwrap()
}

fn check(arguments: &[&std::ffi::OsStr]) -> Output {
    gate().arg("check").arg("--demo").args(arguments).stdin(Stdio::null()).output().unwrap()
}

fn piped(arguments: &[&str], input: &[u8]) -> Output {
    let mut child =
        gate().args(arguments).stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    let _ = child.stdin.take().unwrap().write_all(input);
    child.wait_with_output().unwrap()
}

fn code(output: &Output) -> i32 {
    output.status.code().unwrap_or_else(|| panic!("ended by a signal: {output:?}"))
}

fn stderr(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

/// One line: an R4 order as NDJSON.
fn one_line(json: &str) -> String {
    serde_json::from_str::<serde_json::Value>(json).unwrap().to_string()
}

#[test]
fn usage_errors_are_64_and_name_the_flag() {
    for (arguments, said) in [
        (vec![], "Usage"),
        (vec!["nonsense"], "nonsense"),
        (vec!["check"], "PATH"),
        (vec!["check", "x.json", "--demo", "--fhir", "R3"], "R3"),
        (vec!["check", "x.json", "--demo", "--zone", "Europe/Nowhere"], "--zone"),
        (vec!["check", "x.json", "--demo", "--day-start", "7"], "--day-start"),
        (vec!["check", "x.json", "--demo", "--day-kind", "lunar"], "--day-kind"),
        (vec!["check", "x.json", "--demo", "--days", "15"], "--days"),
        (vec!["check", "x.json", "--demo", "--date", "tomorrow"], "--date"),
        (vec!["check", "x.json", "--demo", "--as-of", "now"], "--as-of"),
        (vec!["check", "x.json", "--demo", "--declares", "labs,moods"], "--declares"),
        (vec!["check", "x.json", "--demo", "--formulary", "y.csv"], "--formulary"),
        (vec!["check", "x.json", "--formulary", "/nonexistent.csv"], "/nonexistent.csv"),
        (vec!["serve"], "--formulary"),
        (vec!["serve", "--formulary", FORMULARY, "--listen", "0.0.0.0:0"], "loopback"),
        (vec!["serve", "--formulary", FORMULARY, "--listen", "[::]:0"], "loopback"),
        (vec!["serve", "--formulary", FORMULARY, "--listen", "somewhere"], "--listen"),
        (vec!["demo", "--listen", "192.0.2.1:80"], "loopback"),
    ] {
        let output = run(&arguments);
        assert_eq!(code(&output), 64, "{arguments:?} {output:?}");
        assert!(stderr(&output).contains(said), "{arguments:?} {output:?}");
        assert!(output.stdout.is_empty(), "{arguments:?}");
    }
    for arguments in [vec!["--help"], vec!["--version"], vec!["check", "--help"]] {
        assert_eq!(code(&run(&arguments)), 0, "{arguments:?}");
    }
    assert!(String::from_utf8_lossy(&run(&["check", "--help"]).stdout).contains("Exit codes"));
}

#[test]
fn every_flag_and_variable_of_the_service_is_described() {
    let page = include_str!("../docs/configure.md");
    let help = run(&["serve", "--help"]);
    let help = String::from_utf8_lossy(&help.stdout).into_owned();
    let words = || help.split(|c: char| !(c.is_ascii_alphanumeric() || "-_".contains(c)));
    let flags: std::collections::BTreeSet<&str> = words().filter(|w| w.starts_with("--") && w.len() > 3).collect();
    let variables: std::collections::BTreeSet<&str> = words().filter(|w| w.starts_with("ENTERAL_GATE_")).collect();
    assert!(flags.len() > 20 && variables.len() > 15, "{flags:?} {variables:?}");
    let missing: Vec<&&str> = flags
        .iter()
        .filter(|flag| {
            **flag != "--help" && !page.contains(&format!("`{flag} ")) && !page.contains(&format!("`{flag}`"))
        })
        .chain(variables.iter().filter(|variable| !page.contains(&format!("`{variable}`"))))
        .collect();
    assert!(missing.is_empty(), "docs/configure.md says nothing of {missing:?}");
}

#[test]
fn exit_codes_follow_the_gravest_input() {
    let folder = Folder::new();
    let clear = folder.write("clear.json", TODDLER);
    let flagged = folder.write("flagged.json", JEJUNAL);
    let partly = folder.write("partly.json", r#"{"resourceType":"Bundle","type":"collection"}"#);
    let broken = folder.write("broken.json", "{");
    let missing = folder.0.join("missing.json");
    for (paths, expected) in [
        (vec![&clear], 0),
        (vec![&flagged], 1),
        (vec![&partly], 2),
        (vec![&broken], 3),
        (vec![&missing], 3),
        (vec![&clear, &partly], 2),
        (vec![&partly, &flagged, &clear], 1),
        (vec![&broken, &flagged, &clear], 3),
        (vec![&missing, &flagged], 3),
    ] {
        let arguments: Vec<_> = paths.iter().map(|p| p.as_os_str()).collect();
        let output = check(&arguments);
        assert_eq!(
            code(&output),
            expected,
            "{paths:?} {}\n{}",
            String::from_utf8_lossy(&output.stdout),
            stderr(&output)
        );
        assert!(stderr(&output).contains("invented"), "{output:?}");
    }
    // The order after a broken one is still answered.
    let both = String::from_utf8(check(&[broken.as_os_str(), clear.as_os_str()]).stdout).unwrap();
    assert!(both.contains("broken.json") && both.contains("clear.json"), "{both}");
}

#[test]
fn nothing_to_check_is_2() {
    let folder = Folder::new();
    folder.write("readme.txt", "no order");
    let output = check(&[folder.0.as_os_str()]);
    assert_eq!(code(&output), 2);
    assert!(stderr(&output).contains("nothing found to check"));
    let empty = folder.write("empty.ndjson", "\n\n");
    assert_eq!(code(&check(&[empty.as_os_str()])), 2);
}

#[test]
fn folders_are_searched_and_loops_end() {
    let folder = Folder::new();
    folder.write("a/one.json", TODDLER);
    folder.write("a/b/two.JSON", TODDLER);
    folder.write("a/b/three.ndjson", format!("{}\n", one_line(TODDLER)));
    folder.write("a/b/four.txt", "{");
    #[cfg(unix)]
    {
        std::os::unix::fs::symlink(&folder.0, folder.0.join("a/b/loop")).unwrap();
        std::os::unix::fs::symlink(folder.0.join("nowhere"), folder.0.join("a/dangling")).unwrap();
    }
    let output = check(&["--format".as_ref(), "json".as_ref(), folder.0.as_os_str()]);
    assert_eq!(code(&output), 0, "{output:?}");
    assert_eq!(String::from_utf8(output.stdout).unwrap().lines().count(), 3);
}

#[test]
fn a_bad_line_of_ndjson_spoils_only_itself() {
    let folder = Folder::new();
    let order = one_line(TODDLER);
    let long = "x".repeat((1 << 20) + 5);
    let file = folder.write("orders.ndjson", format!("{order}\r\n{{\n\n{long}\n{order}"));
    let output = check(&["--format".as_ref(), "json".as_ref(), file.as_os_str()]);
    assert_eq!(code(&output), 3);
    let lines: Vec<serde_json::Value> =
        String::from_utf8(output.stdout).unwrap().lines().map(|l| serde_json::from_str(l).unwrap()).collect();
    assert_eq!(lines.len(), 4);
    // The same order twice, each with the line that it stands on.
    let named = |line: &serde_json::Value| line["parameter"][0]["valueString"].as_str().unwrap().to_owned();
    assert!(named(&lines[0]).ends_with("orders.ndjson:1") && named(&lines[3]).ends_with("orders.ndjson:5"));
    let rest = |line: &serde_json::Value| line["parameter"].as_array().unwrap()[1..].to_vec();
    assert_eq!(rest(&lines[0]), rest(&lines[3]));
    let text = String::from_utf8(check(&[file.as_os_str()]).stdout).unwrap();
    for name in ["orders.ndjson:1", "orders.ndjson:2", "orders.ndjson:4", "orders.ndjson:5"] {
        assert!(text.contains(name), "{name} {text}");
    }
}

#[test]
fn standard_input() {
    assert_eq!(code(&piped(&["check", "--demo", "-"], TODDLER.as_bytes())), 0);
    assert_eq!(code(&piped(&["check", "--demo", "-"], b"")), 3);
    assert_eq!(code(&piped(&["check", "--demo", "-"], b"\xff\xfe{}")), 3);
    assert_eq!(code(&piped(&["check", "--demo", "-"], &vec![b' '; (1 << 20) + 1])), 3);
    assert_eq!(code(&run(&["check", "--demo", "-"])), 3);
}

#[cfg(target_os = "linux")]
#[test]
fn standard_input_may_hold_one_document_on_each_line() {
    let clear = one_line(include_str!("../deploy/demo/orders/demo-1-toddler.json"));
    let flagged = one_line(include_str!("../deploy/demo/orders/demo-7-pounds.json"));
    let output =
        piped(&["check", "-", "--demo", "--format", "json"], format!("{clear}\n\n{flagged}\n{{\"broken\n").as_bytes());
    assert_eq!(code(&output), 3, "{}", stderr(&output));
    assert_eq!(String::from_utf8_lossy(&output.stdout).lines().count(), 3);
    let text = piped(&["check", "-", "--demo"], format!("{clear}\n\n{flagged}\n").as_bytes());
    let text = String::from_utf8_lossy(&text.stdout).into_owned();
    assert!(text.contains("(standard input):1 ") && text.contains("(standard input):3 "), "{text}");
    let single = piped(&["check", "-", "--demo"], format!("{clear}\n\n").as_bytes());
    assert!(String::from_utf8_lossy(&single.stdout).contains("(standard input) "));
}

#[test]
fn names_that_are_not_utf8() {
    use std::os::unix::ffi::OsStringExt;
    let folder = Folder::new();
    let name = OsString::from_vec(b"or\xffder\x1b[31m.json".to_vec());
    folder.write(&name, TODDLER);
    let output = check(&[folder.0.as_os_str()]);
    assert_eq!(code(&output), 0, "{output:?}");
    let text = String::from_utf8(output.stdout).unwrap();
    assert!(text.contains("or\u{fffd}der") && !text.contains('\u{1b}'), "{text}");
}

#[test]
fn a_reader_that_goes_away_is_no_panic_and_no_pass() {
    let folder = Folder::new();
    let order = one_line(TODDLER);
    let file = folder.write("many.ndjson", format!("{order}\n").repeat(300));
    let mut child = gate()
        .args(["check", "--demo", "--format", "json"])
        .arg(&file)
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut out = BufReader::new(child.stdout.take().unwrap());
    let mut line = String::new();
    out.read_line(&mut line).unwrap();
    drop(out);
    let mut said = String::new();
    child.stderr.take().unwrap().read_to_string(&mut said).unwrap();
    let status = child.wait().unwrap();
    assert_eq!(status.code(), Some(2), "{said}");
    assert!(!said.contains("panic"), "{said}");
}

#[test]
fn formats() {
    let folder = Folder::new();
    let file = folder.write("a.json", TODDLER);
    let with = |more: &[&str]| {
        let output = gate().args(["check", "--demo"]).args(more).arg(&file).stdin(Stdio::null()).output().unwrap();
        String::from_utf8(output.stdout).unwrap()
    };
    assert!(with(&["--format", "json"]).starts_with("{\"resourceType\":\"Parameters\""));
    assert_eq!(with(&["--format", "json"]).lines().count(), 1);
    assert!(with(&["--format", "junit"]).contains("<testsuite"));
    assert!(!with(&[]).contains('\u{1b}'));
    assert!(!with(&["--colour", "never"]).contains('\u{1b}'));
}

/// A folder is read as one version; an order that is plainly of another is named with the version to give.
#[test]
fn orders_of_another_version_are_named() {
    let folder = Folder::new();
    folder.write("r4.json", TODDLER);
    folder.write("r5.json", include_str!("../deploy/demo/orders/demo-10-toddler.json"));
    let orders = folder.0.to_str().unwrap();
    for command in [
        vec!["check", "--demo", orders],
        vec!["rules", "replay", "--orders", orders],
        vec!["rules", "diff", "starter", "starter", "--orders", orders],
    ] {
        for (version, file, other) in [("R4", "r5.json", "R5"), ("R5", "r4.json", "R4")] {
            let output = run(&[command.clone(), vec!["--fhir", version]].concat());
            let said = stderr(&output);
            let lines: Vec<&str> = said.lines().filter(|line| line.contains("give --fhir")).collect();
            let wanted =
                format!("{file}: this is an order of FHIR {other} and was read as {version}; give --fhir {other}");
            assert!(lines.len() == 1 && lines[0].ends_with(&wanted), "{command:?} {version}: {said}");
        }
    }
    let r4 = folder.0.join("r4.json");
    assert!(!stderr(&check(&[r4.as_os_str()])).contains("--fhir"));
}

/// An order of a version that is not read at all is not called one of a version that is.
#[test]
fn an_order_of_the_r6_ballot_is_named_as_such() {
    let folder = Folder::new();
    let mut order: serde_json::Value = serde_json::from_str(TODDLER).unwrap();
    let entries = order["entry"].as_array_mut().unwrap().iter_mut();
    for resource in entries.map(|e| &mut e["resource"]).filter(|r| r["resourceType"] == "NutritionOrder") {
        resource["enteralFormula"]["maxVolumeToAdminister"] = serde_json::json!({"value": 900});
        resource["enteralFormula"]["deliveryDevice"] = serde_json::json!([]);
    }
    let path = folder.write("r6.json", order.to_string());
    for version in ["R4", "R5"] {
        let output = check(&["--fhir".as_ref(), version.as_ref(), path.as_os_str()]);
        assert!(!stderr(&output).contains("give --fhir"), "{}", stderr(&output));
        let said = String::from_utf8_lossy(&output.stdout).into_owned();
        assert!(said.contains("ersion not supported: this looks like the R6 ballot"), "{version}: {said}");
    }
}

#[test]
fn formulary_check() {
    let output = run(&["formulary", "check", FORMULARY]);
    assert!([0, 2].contains(&code(&output)), "{output:?}");
    assert!(String::from_utf8_lossy(&output.stdout).contains("26 products"), "{output:?}");
    let folder = Folder::new();
    let bad = folder.write("bad.csv", "key,name\nA,B\n");
    assert_eq!(code(&run(&["formulary", "check", bad.to_str().unwrap()])), 64);
    assert_eq!(code(&run(&["formulary", "check", "/nonexistent.csv"])), 64);
}

/// A process that serves, ended by its own id when the test ends.
struct Serving {
    child: Child,
    here: String,
}

impl Serving {
    fn start(arguments: &[&str]) -> Self {
        let mut child =
            gate().args(arguments).stdout(Stdio::piped()).stderr(Stdio::piped()).stdin(Stdio::null()).spawn().unwrap();
        let mut line = String::new();
        let mut out = BufReader::new(child.stdout.take().unwrap());
        while !line.contains("listening on http://") {
            line.clear();
            if out.read_line(&mut line).unwrap() == 0 {
                let mut said = String::new();
                let _ = child.stderr.take().unwrap().read_to_string(&mut said);
                panic!("it does not serve: {said}");
            }
        }
        let here = line.trim().rsplit('/').next().unwrap().to_owned();
        // Whatever else it prints must not block it.
        std::thread::spawn(move || std::io::copy(&mut out, &mut std::io::sink()));
        Self { child, here }
    }

    fn post(&self, path: &str, body: &str) -> String {
        let mut stream = TcpStream::connect(&self.here).unwrap();
        stream.set_read_timeout(Some(Duration::from_secs(10))).unwrap();
        let head = format!(
            "POST {path} HTTP/1.1\r\nhost: x\r\nconnection: close\r\ncontent-type: application/fhir+json\r\ncontent-length: {}\r\n\r\n",
            body.len()
        );
        stream.write_all(head.as_bytes()).unwrap();
        stream.write_all(body.as_bytes()).unwrap();
        let mut answer = String::new();
        stream.read_to_string(&mut answer).unwrap();
        answer
    }

    #[cfg(unix)]
    fn end(mut self) -> (i32, String) {
        let id = self.child.id().to_string();
        assert!(Command::new("kill").args(["-TERM", &id]).status().unwrap().success());
        let started = Instant::now();
        let status = loop {
            if let Some(status) = self.child.try_wait().unwrap() {
                break status;
            }
            assert!(started.elapsed() < Duration::from_secs(12), "it does not end");
            std::thread::sleep(Duration::from_millis(20));
        };
        let mut said = String::new();
        self.child.stderr.take().unwrap().read_to_string(&mut said).unwrap();
        (status.code().unwrap(), said)
    }
}

impl Drop for Serving {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

#[cfg(unix)]
#[test]
fn serve_answers_as_the_command_line_does_and_ends_when_asked() {
    let folder = Folder::new();
    let serving = Serving::start(&[
        "serve",
        "--formulary",
        FORMULARY,
        "--zone",
        "Europe/Vienna",
        "--listen",
        "127.0.0.1:0",
        "--log",
        "json",
        "--store",
        "none",
    ]);
    for text in [TODDLER, JEJUNAL, UNLISTED] {
        let file = folder.write("order.json", text);
        let output = gate()
            .args(["check", "--formulary", FORMULARY, "--zone", "Europe/Vienna", "--format", "json"])
            .arg(&file)
            .output()
            .unwrap();
        let answer = serving.post("/fhir/R4/NutritionOrder/$appraise", text);
        let (head, body) = answer.split_once("\r\n\r\n").unwrap();
        assert!(head.starts_with("HTTP/1.1 200"), "{head}");
        assert!(!head.contains("x-demo"), "{head}");
        assert_eq!(body, String::from_utf8(output.stdout).unwrap().trim_end(), "CLI and HTTP differ");
    }
    // The same order in Parameters, and in a batch beside one that cannot be read.
    let parameters = format!(
        r#"{{"resourceType":"Parameters","parameter":[{{"name":"resource","resource":{TODDLER}}},{{"name":"days","valueInteger":2}}]}}"#
    );
    let answer = serving.post("/fhir/R4/NutritionOrder/$appraise", &parameters);
    assert!(answer.contains(r#"{"name":"disposition","valueCode":"clear"}"#), "{answer}");
    assert!(answer.contains("Parameters.parameter[0].resource.entry[3].resource"), "{answer}");
    let batch = format!(
        r#"{{"resourceType":"Bundle","type":"batch","entry":[{{"request":{{"method":"POST","url":"NutritionOrder/$appraise"}},"resource":{JEJUNAL}}},{{"request":{{"method":"POST","url":"NutritionOrder/$validate"}},"resource":{{"resourceType":"NutritionOrder","status":7}}}}]}}"#
    );
    let answer = serving.post("/fhir/R4", &batch);
    let body: serde_json::Value = serde_json::from_str(answer.split_once("\r\n\r\n").unwrap().1).unwrap();
    assert_eq!(body["entry"][0]["resource"]["parameter"][0]["valueCode"], "flagged");
    assert_eq!(body["entry"][1]["response"]["status"], "200 OK");
    assert_eq!(body["entry"][1]["resource"]["issue"][0]["severity"], "error");
    // Refused by the core itself: what is not FHIR at all.
    assert!(serving.post("/fhir/R4/$validate", "{}").starts_with("HTTP/1.1 400"));
    let (status, log) = serving.end();
    assert_eq!(status, 0);
    let answered: Vec<serde_json::Value> = log
        .lines()
        .map(|l| serde_json::from_str(l).unwrap())
        .filter(|l: &serde_json::Value| l["message"] == "answered")
        .collect();
    assert_eq!(answered.len(), 6, "{log}");
    assert_eq!(answered[0]["route"], "/fhir/{version}/NutritionOrder/$appraise");
    assert_eq!(answered[0]["status"], 200);
    assert!(
        answered[0]["micros"].is_u64()
            && answered[0]["request_id"].is_string()
            && answered[0]["disposition"].is_string()
    );
    // Nothing of the order or the person.
    for secret in ["demo-1", "Invented", "Toddler", "Jejunal"] {
        assert!(!log.contains(secret), "{log}");
    }
}

#[test]
fn demo_once_answers_every_sample_and_says_that_it_is_invented() {
    let output = run(&["demo", "--once", "--listen", "127.0.0.1:0"]);
    assert_eq!(code(&output), 0, "{output:?}");
    let text = String::from_utf8(output.stdout).unwrap();
    for sample in &enteral_gate::http::samples::SAMPLES {
        assert!(text.lines().any(|l| l.starts_with(sample.name)), "{text}");
    }
    // What the README shows of it is what it prints.
    let shown: Vec<&str> = include_str!("../README.md").lines().filter(|l| l.starts_with("demo-")).collect();
    assert!(shown.len() > 3, "{shown:?}");
    for line in shown {
        assert!(text.lines().any(|l| l == line), "{line}\n{text}");
    }
    // By hand. 1, 10: 5 × 200 + 10 × 10 mL, 1 kcal/mL. 2: 65 × 24 + 6 × 30 + 8 × 15, 1560 × 1.2. 3: 80 × 10 +
    // 2 × 237 + 6 × 60, 1274 × 1.5. 4: 6 × 250 + 6 × 30. 5: steady day 90 × 24, maximum 1500, 6 × 30. 6: 8 × 90 +
    // 8 × 5, 720 × 24 ÷ 29.5735. 7: 5 × 500 + 10 × 10. 8: 60 × 24 + 4 × 30, 1440 × 1.2. 9: 70 × 24 + 6 × 30.
    // 11: 4 × 300 + 8 × 50, 1200 × 1.2 + 2 × 25.
    for (sample, disposition, volume, energy, found) in [
        ("demo-1-toddler", "clear", "1100 mL", "1000 kcal", ""),
        ("demo-2-intensive-care", "flagged", "1860 mL", "1872 kcal", "MED WAT-01"),
        ("demo-3-home-cyclic", "flagged", "1634 mL", "1911 kcal", "MED WAT-01"),
        ("demo-4-jejunal-bolus", "flagged", "1680 mL", "1500 kcal", "bolus-beyond-stomach"),
        ("demo-5-steps-over-cap", "flagged", "1680 to 2340 mL", "1500 to 2160 kcal", "cap-against-schedule"),
        ("demo-6-infant-24kcal", "not-fully-checked", "760 mL", "584 kcal", ""),
        ("demo-7-pounds", "flagged", "2600 mL", "2500 kcal", "weight-against-age"),
        ("demo-8-hold-in-text", "flagged", "1560 mL", "1728 kcal", "text-changes-dose"),
        ("demo-9-no-density", "flagged", "1860 mL", "kcal not known", "core-element-missing"),
        ("demo-10-toddler", "clear", "1100 mL", "1000 kcal", ""),
        ("demo-11-home-additive", "flagged", "1600 mL", "1490 kcal", "MED WAT-01"),
    ] {
        let line = text.lines().find(|l| l.starts_with(&format!("{sample} "))).unwrap();
        for part in [disposition, volume, energy, found] {
            assert!(line.contains(part), "{part} in {line}");
        }
    }
    assert!(text.contains("curl -s") && text.contains("http://127.0.0.1:"), "{text}");
    assert!(
        text.lines().next().unwrap().contains("invented")
            && text.trim_end().lines().last().unwrap().contains("invented"),
        "{text}"
    );
}

#[cfg(unix)]
#[test]
fn the_demo_takes_a_free_port_when_its_own_is_taken_and_marks_answers_and_log() {
    let holder = std::net::TcpListener::bind("127.0.0.1:8731");
    let mut command = gate();
    command
        .env("ENTERAL_GATE_LOG", "info")
        .arg("demo")
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .stdin(Stdio::null());
    let mut child = command.spawn().unwrap();
    let mut out = BufReader::new(child.stdout.take().unwrap());
    let mut line = String::new();
    while !line.contains("listening on http://") {
        line.clear();
        assert_ne!(out.read_line(&mut line).unwrap(), 0, "it does not serve");
    }
    let here = line.trim().rsplit('/').next().unwrap().to_owned();
    let serving = Serving { child, here };
    assert_ne!(serving.here, "127.0.0.1:8731");
    let answer = serving.post("/fhir/R4/NutritionOrder/$appraise", TODDLER);
    assert!(answer.to_lowercase().contains("x-demo: invented data"), "{answer}");
    let (status, log) = serving.end();
    assert_eq!(status, 0);
    for line in log.lines().filter(|l| l.contains("INFO") || l.contains("WARN") || l.contains("ERROR")) {
        assert!(line.contains("demo=true") && line.contains("invented data"), "{line}");
    }
    drop(holder);
}
