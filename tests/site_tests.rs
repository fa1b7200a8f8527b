//! An institution's own tests: the page's example holds, each kind of expectation can fail, and what is wrong with a
//! file of tests is told with its place.

use enteral_gate::formulary::Formulary;
use enteral_gate::rehearsal::site::{Order, SiteTest, read, run};
use enteral_gate::rulebook::{Rulebook, file};
use enteral_gate::settings::Settings;
use std::process::{Command, Output};
use std::sync::LazyLock;

static BOOK: LazyLock<Rulebook> = LazyLock::new(|| file::read(file::starter()).unwrap_or_else(|all| panic!("{all:?}")));

/// What each test of a text came to.
fn outcomes(name: &str, text: &str) -> Vec<(String, Vec<String>)> {
    let formulary = Formulary::from_csv("tests", include_bytes!("../deploy/demo/formulary.csv")).unwrap();
    let tests: Vec<SiteTest> = read(name, text, &BOOK).unwrap();
    let come_to = |test: &SiteTest| {
        let file = match &test.order {
            Order::Given(_) => None,
            Order::File(..) => Some(include_bytes!("../deploy/demo/orders/demo-2-intensive-care.json").as_slice()),
        };
        run(test, file, &BOOK, &formulary, &Settings::default()).unwrap_or_else(|why| vec![why])
    };
    tests.iter().map(|test| (format!("{} {}", test.place, test.title), come_to(test))).collect()
}

#[test]
fn the_example_of_the_page_holds() {
    let page = include_str!("../docs/rulebook.md");
    let (_, rest) = page.split_once("### Tests of the institution's own").unwrap();
    let (_, block) = rest.split_once("```toml\n").unwrap();
    let (example, _) = block.split_once("```").unwrap();
    let done = outcomes("page.md", &format!("Words before.\n\n```text\n[[test]]\n```\n\n```toml\n{example}```\n"));
    assert_eq!(done.len(), 1);
    assert_eq!(done[0].1, Vec::<String>::new());
    assert!(done[0].0.starts_with("page.md:8 A day's volume"), "{}", done[0].0);
    // Every key that the page lists is one that is read, and every one that is read is listed.
    for key in [
        "title",
        "given",
        "file",
        "fhir",
        "declares",
        "expect",
        "disposition",
        "flagged",
        "clear",
        "not-evaluated",
        "not-provided",
        "not-applicable",
        "hidden",
        "off",
        "nothing-else",
    ] {
        assert!(rest.contains(&format!("`{key}`")), "{key}");
    }
}

#[test]
fn what_does_not_come_out_is_told() {
    let given = r#"given = { age = "60 a", sex = "female", weight = "70 kg", product = "A10", rate = "1500 mL/h" }"#;
    let failure = |expect: &str| {
        let done = outcomes("site.toml", &format!("[[test]]\ntitle = \"t\"\n{given}\n[test.expect]\n{expect}\n"));
        done[0].1.join("; ")
    };
    assert_eq!(failure("flagged = [\"UNT-04\", \"TUB-01\"]\nnothing-else = true"), "");
    assert_eq!(failure("flagged = [\"UNT-04 STOP\"]\nhidden = [\"VOL-03\"]\ndisposition = \"flagged\""), "");
    for (expect, said) in [
        ("flagged = [\"UNT-04 MED\"]", "UNT-04: expected tier MED, found STOP"),
        ("flagged = [\"UNT-01\"]", "UNT-01: expected flagged, came to not-applicable ("),
        ("clear = [\"UNT-04\"]", "UNT-04: expected clear, came to flagged ("),
        ("clear = [\"VOL-03\"]", "VOL-03: expected clear, came to hidden (because of UNT-04)"),
        ("not-evaluated = [\"TUB-01\"]", "TUB-01: expected not-evaluated, came to flagged ("),
        ("not-provided = [\"UNT-04\"]", "UNT-04: expected not-provided, came to flagged ("),
        ("not-applicable = [\"UNT-04\"]", "UNT-04: expected not-applicable, came to flagged ("),
        ("off = [\"UNT-04\"]", "UNT-04: expected off, came to flagged ("),
        ("disposition = \"clear\"", "expected the order to be clear, it is flagged"),
        ("flagged = [\"UNT-04\"]\nnothing-else = true", "TUB-01: flagged, and nothing else was expected ("),
    ] {
        assert!(failure(expect).starts_with(said), "{expect}: {}", failure(expect));
    }
}

#[test]
fn orders_come_from_files_too() {
    let done = outcomes(
        "site.toml",
        "[[test]]\ntitle = \"read\"\nfile = \"order.json\"\nexpect = { disposition = \"clear\" }\n\
         [[test]]\ntitle = \"another version\"\nfile = \"order.json\"\nfhir = \"R5\"\ndeclares = [\"labs\"]\nexpect = { nothing-else = true }\n",
    );
    // The demonstration's first order is flagged; read as R5 it is something else than it says.
    assert_eq!(done[0].1, ["expected the order to be clear, it is flagged"]);
    assert!(!done[1].1.is_empty(), "{done:?}");
}

#[test]
fn what_is_wrong_with_a_file_is_told_with_its_place() {
    let complaints = |text: &str| -> Vec<String> {
        read("site.toml", text, &BOOK).unwrap_err().into_iter().map(|p| format!("{} {}", p.place, p.message)).collect()
    };
    assert_eq!(
        complaints(
            "\n[[test]]\ntitle = \"t\"\nexpect = { flaged = [\"VOL-1\"], clear = [\"VOL-99\", \"VOL-01 HIGH\"], disposition = \"fine\", nothing-else = 1 }\n"
        ),
        [
            "site.toml:2:1 expected either given (the order in short form) or file",
            "site.toml:4:10 clear: `VOL-99` is not a rule of this rulebook; did you mean VOL-01?",
            "site.toml:4:10 clear: `VOL-01 HIGH`: only a finding has a tier",
            "site.toml:4:10 disposition: expected clear, flagged or not-fully-checked",
            "site.toml:4:10 flaged is not known here; known are flagged, clear, not-evaluated, not-provided, not-applicable, hidden, off, disposition, nothing-else. Did you mean flagged?",
            "site.toml:4:10 nothing-else: expected true or false",
            "site.toml:4:10 nothing is expected: name rules, a disposition, or nothing-else = true",
        ]
    );
    for (text, said) in [
        ("[[test]]\ntitle = \"t\"\n", "missing field `expect`"),
        ("[[test]]\ntitle = 1\nexpect = {}\n", "site.toml:2:9 "),
        ("[[tests]]\n", "site.toml:1:3 unknown field `tests`"),
        (
            "[[test]]\ntitle = \"t\"\nexpect = {}\nfhir = \"R3\"\nfile = \"x\"\ndeclares = [\"lab\"]\n",
            "fhir: `R3` is not R4, R4B or R5",
        ),
        (
            "[[test]]\ntitle = \"t\"\nexpect = { flagged = [\"VOL-01 SEVERE\"] }\nfile = \"x\"\n",
            "`SEVERE` is not one of LOW, MED, HIGH, STOP",
        ),
        (
            "[[test]]\ntitle = \"t\"\nexpect = { flagged = \"VOL-01\" }\nfile = \"x\"\n",
            "flagged: expected a list of rules",
        ),
    ] {
        assert!(complaints(text)[0].contains(said), "{text}: {:?}", complaints(text));
    }
    // Each test tells its own, at its place.
    let several = "[[test]]\ntitle = 1\nexpect = {}\n\n[[test]]\ntitel = \"t\"\nexpect = {}\n";
    let all = complaints(several);
    assert_eq!(all.len(), 2, "{all:?}");
    assert!(
        all[0].starts_with("site.toml:2:9 ") && all[1].starts_with("site.toml:6:1 unknown field `titel`"),
        "{all:?}"
    );
}

fn rules(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_enteral-gate")).args(["rules", "test"]).args(arguments).output().unwrap()
}

#[test]
fn the_command_runs_them_after_the_limits_own() {
    let folder = std::env::temp_dir().join(format!("enteral-gate-site-tests-{}", std::process::id()));
    let (good, bad, empty) = (folder.join("good"), folder.join("bad"), folder.join("empty"));
    for sub in [&good, &bad, &empty] {
        std::fs::create_dir_all(sub).unwrap();
    }
    let flagged = "[[test]]\ntitle = \"a demo order\"\nfile = \"order.json\"\nexpect = { disposition = \"flagged\" }\n";
    std::fs::write(good.join("a.toml"), flagged).unwrap();
    std::fs::write(good.join("order.json"), include_bytes!("../deploy/demo/orders/demo-2-intensive-care.json"))
        .unwrap();
    // The order that this one names is not beside it.
    std::fs::write(bad.join("a.md"), format!("Reasons.\n\n```toml\n{flagged}```\n")).unwrap();
    std::fs::write(empty.join("a.md"), "No test.\n").unwrap();
    let text = |output: &Output| String::from_utf8_lossy(&output.stdout).into_owned();

    let output = rules(&["--site-tests", good.to_str().unwrap()]);
    assert_eq!(output.status.code(), Some(0), "{output:?}");
    assert!(
        text(&output).contains(" 0 failed") && text(&output).contains("; 1 of the tests are the institution's own")
    );

    let output =
        rules(&["--site-tests", good.to_str().unwrap(), "--site-tests", bad.to_str().unwrap(), "--format", "junit"]);
    assert_eq!(output.status.code(), Some(1), "{output:?}");
    assert!(text(&output).contains("<failure message=\"order.json could not be read\">"));

    for (argument, said) in [(empty.to_str().unwrap(), "no test was found"), ("/no/such/folder", "/no/such/folder: ")] {
        let output = rules(&["--site-tests", argument]);
        assert_eq!(output.status.code(), Some(64), "{output:?}");
        assert!(String::from_utf8_lossy(&output.stderr).contains(said), "{output:?}");
    }
    std::fs::remove_dir_all(folder).unwrap();
}
