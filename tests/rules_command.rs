//! `rules`: what an institution's file may switch off, date and override, and what the command says of it, as text, JSON and
//! JUnit. The files here are invented.

use serde_json::Value;
use std::path::PathBuf;
use std::process::{Command, Output, Stdio};

/// A folder of its own, gone with the value.
struct Folder(PathBuf);

impl Folder {
    fn new(name: &str) -> Self {
        let path = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join(format!("rules-{name}-{}", std::process::id()));
        std::fs::create_dir_all(&path).unwrap();
        Self(path)
    }

    fn write(&self, name: &str, text: &str) -> String {
        let path = self.0.join(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(&path, text).unwrap();
        path.to_str().unwrap().to_owned()
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

const HEAD: &str = "rulebook = 1\nlabel = \"Invented\"\nedition = \"1\"\nextends = \"starter\"\n";

fn site(more: &str) -> String {
    format!("{HEAD}{more}")
}

fn gate(arguments: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_enteral-gate"));
    command.args(arguments).env_remove("ENTERAL_GATE_RULEBOOK").stdin(Stdio::null()).output().unwrap()
}

fn code(output: &Output) -> i32 {
    output.status.code().unwrap()
}

fn said(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).unwrap()
}

fn complained(output: &Output) -> String {
    String::from_utf8(output.stderr.clone()).unwrap()
}

fn json(arguments: &[&str]) -> Value {
    let output = gate(arguments);
    serde_json::from_str(&said(&output)).unwrap_or_else(|why| panic!("{arguments:?}: {why}: {output:?}"))
}

/// The own examples of a limit that is switched off are still tested, as if it were not.
#[test]
fn a_limit_can_be_switched_off_until_a_day() {
    let folder = Folder::new("off");
    let off = "[[off]]\nrule = \"VOL-01\"\nby = \"Invented committee\"\nwhy = \"Under review\"\nuntil = 2099-12-31\n";
    let file = folder.write("site.toml", &site(off));
    let test = gate(&["rules", "test", "--rule", "VOL-01", "--rulebook", &file]);
    assert_eq!(code(&test), 0, "{}", said(&test));
    assert!(said(&test).starts_with("4 passed, 0 failed"), "{}", said(&test));
    assert_eq!(code(&gate(&["rules", "check", "--rulebook", &file])), 0);
    let list = said(&gate(&["rules", "list", "--rulebook", &file]));
    let lines: Vec<&str> = list.lines().skip_while(|line| !line.starts_with("VOL-01")).take(2).collect();
    assert!(lines[0].contains(" off "), "{lines:?}");
    assert!(lines[1].contains("switched off by Invented committee, until 2099-12-31: Under review"), "{lines:?}");
    let rules = json(&["rules", "list", "--format", "json", "--rulebook", &file]);
    let row = rules["rules"].as_array().unwrap().iter().find(|r| r["id"] == "VOL-01").unwrap();
    assert_eq!((row["mode"].as_str(), row["off"]["why"].as_str()), (Some("off"), Some("Under review")));
    // A limit that would not fire on the day after is found while it is off.
    let broken =
        format!("{off}[[override]]\nlimit = \"VOL-01\"\nby = \"x\"\nwhy = \"y\"\nparameters.adult = \"4500 mL\"\n");
    let broken = folder.write("broken.toml", &site(&broken));
    assert_eq!(code(&gate(&["rules", "test", "--rule", "VOL-01", "--rulebook", &broken])), 1);
}

/// A limit is tried on a day on which it is in effect.
#[test]
fn a_limit_may_be_in_effect_from_a_day_or_to_one() {
    let folder = Folder::new("dates");
    let dates = |keys: &str| {
        site(&format!("[[override]]\nlimit = \"VOL-03\"\nby = \"Invented committee\"\nwhy = \"Trial\"\n{keys}\n"))
    };
    for (name, keys, lapse) in [
        ("later", "effective-from = 2099-01-31", "VOL-03 judges nothing before 2099-01-31 (effective-from)"),
        ("over", "effective-to = 2024-02-29", "VOL-03 judges nothing since 2024-02-29 is over (effective-to)"),
        ("both", "effective-from = 2024-01-01\neffective-to = 2024-01-01", "VOL-03 judges nothing since 2024-01-01"),
    ] {
        let file = folder.write(&format!("{name}.toml"), &dates(keys));
        let test = gate(&["rules", "test", "--rule", "VOL-03", "--rulebook", &file]);
        assert_eq!(code(&test), 0, "{name}: {}", said(&test));
        assert!(said(&test).contains(&format!("NOTE {lapse}")), "{}", said(&test));
        assert!(!said(&test).starts_with("0 passed"));
    }
    let site_test = "[[test]]\ntitle = \"later\"\ngiven = { age = \"60 a\", weight = \"70 kg\", product = \"A10\", rate = \"200 mL/h\" }\n[test.expect]\nflagged = [\"VOL-03\"]\n";
    let tests = folder.write("tests.toml", site_test);
    let later = folder.write("later.toml", &dates("effective-from = 2099-01-31"));
    let done = gate(&["rules", "test", "--rulebook", &later, "--site-tests", &tests]);
    assert!(!said(&done).contains("FAILED site"), "{}", said(&done));
}

/// Whoever looks after the service sees a line for each lapse.
#[test]
fn lapses_stand_in_the_details_of_readyz() {
    use enteral_gate::http::rules_in_use::RulesInUse;
    let text = site(
        "[adopted]\nby = \"x\"\non = 2099-01-01\n[[off]]\nrule = \"CMP-04\"\nby = \"x\"\nwhy = \"y\"\nuntil = 2024-01-31\n[[override]]\nlimit = \"VOL-03\"\nby = \"x\"\nwhy = \"y\"\neffective-to = 2024-02-29\n",
    );
    let mut sources = enteral_gate::rulebook::file::starter().to_vec();
    sources.push(enteral_gate::rulebook::file::Source { name: "site.toml", text: &text });
    let book = enteral_gate::rulebook::file::read(&sources).unwrap_or_else(|all| panic!("{all:?}"));
    let told = RulesInUse::new(book, None).ready().unwrap();
    let notes: Vec<&str> = told.lines().filter_map(|line| line.strip_prefix("note: ")).collect();
    assert_eq!(
        notes,
        [
            "the rulebook is adopted only from 2099-01-01 on, which has not come (adopted.on)",
            "VOL-03 judges nothing since 2024-02-29 is over (effective-to)",
            "CMP-04 is no longer switched off, since 2024-01-31 is over (until)",
        ]
    );
}

/// One problem a mistake, where the mistake is, with what was probably meant; and the rest of the file is looked at.
#[test]
fn mistakes_are_told_where_they_are_and_all_at_once() {
    let folder = Folder::new("mistakes");
    let told = |name: &str, text: &str| {
        let file = folder.write(name, text);
        let output = gate(&["rules", "check", "--rulebook", &file]);
        assert_eq!(code(&output), 3, "{}", said(&output));
        said(&output).replace(&*file, name)
    };
    let over = |id: &str, keys: &str| format!("[[override]]\nlimit = \"{id}\"\nby = \"x\"\nwhy = \"y\"\n{keys}\n");
    let wrong = site(&over("VOL-01", "mode = \"crad\"")).replace("\"starter\"", "\"startr\"");
    let all = told("extends.toml", &wrong);
    assert!(all.contains("extends.toml:4:11: extends: there is no file "), "{all}");
    assert!(all.contains("did you mean “starter”?"), "{all}");
    assert!(all.contains("extends.toml:9:8: limit.mode"), "{all}");
    for (name, id, keys, wanted) in [
        (
            "mode.toml",
            "VOL-01",
            "mode = \"crad\"",
            "mode.toml:9:8: limit.mode: expected one of off, shadow, queue, card, found \"crad\" (did you mean “card”?)",
        ),
        (
            "tier.toml",
            "VOL-01",
            "tier = \"HIHG\"",
            "tier.toml:9:8: limit.tier: expected one of STOP, HIGH, MED, LOW, found \"HIHG\" (did you mean “HIGH”?)",
        ),
        (
            "name.toml",
            "VOL-01",
            "parameters.adlt = \"450 mL\"",
            "no parameters.adlt to replace (did you mean “adult”?)",
        ),
        ("own.toml", "INT-01", "tier = \"LOW\"", "own.toml:6:9: override.limit: INT-01 is a rule of the program"),
        (
            "unit.toml",
            "VOL-01",
            "parameters.adult = \"450 kg\"",
            "unit.toml:9:20: limit.parameters.adult: expected volume, as in what is replaced, found mass",
        ),
    ] {
        let all = told(name, &site(&over(id, keys)));
        assert!(all.contains(wanted), "{all}");
        assert_eq!(all.lines().count(), 1, "{all}");
    }
    folder.write("b.toml", "rulebook = 1\nextends = \"a.toml\"\n");
    let circle = told("a.toml", "rulebook = 1\nlabel = \"x\"\nedition = \"1\"\nextends = \"b.toml\"\n");
    assert!(circle.contains("b.toml:2:11: extends goes round in a circle: "), "{circle}");
    // A folder of rulebooks in which a file extends the folder itself, one above it, or one that extends this one.
    let begun = "rulebook = 1\nlabel = \"x\"\nedition = \"1\"\n";
    for (here, other, base, wanted) in [
        ("own", None, ".", "own/x.toml:4:11: extends: the folder "),
        ("own-by-name", None, "../own-by-name", "own-by-name/x.toml:4:11: extends: the folder "),
        ("above/inner", None, "../..", "inner/x.toml:4:11: extends: the folder "),
        ("one", Some("two"), "../two", "two/y.toml:1:11: extends: the folder "),
    ] {
        folder.write(&format!("{here}/x.toml"), &format!("{begun}extends = \"{base}\"\n"));
        if let Some(other) = other {
            folder.write(&format!("{other}/y.toml"), &format!("extends = \"../{here}\"\nrulebook = 1\n"));
        }
        let out = said(&gate(&["rules", "check", "--rulebook", folder.0.join(here).to_str().unwrap()]));
        assert!(out.contains(wanted) && out.contains("which extends it"), "{here}: {out}");
        assert_eq!(out.matches("which extends it").count(), 1, "{here}: it is told once: {out}");
    }
    // A file that is named by two paths is read once.
    folder.write("twice/a.toml", &site("[[off]]\nrule = \"CMP-04\"\nby = \"x\"\nwhy = \"y\"\nuntil = 2099-01-31\n"));
    folder.write("twice/b.toml", "rulebook = 1\nextends = \"../twice/a.toml\"\n");
    let twice = gate(&["rules", "check", "--rulebook", folder.0.join("twice").to_str().unwrap()]);
    assert_eq!(code(&twice), 0, "{}", said(&twice));
    let limit = "[[limit]]\nid = \"LOC-01\"\nname = \"x\"\ntitle = \"x\"\ntier = \"LOW\"\nmode = \"queue\"\naudience = [\"nurse\"]\nsource = \"invented\"\nevidence = \"derived\"\nowner = \"x\"\n[[limit.check]]\nflag = \"age > \"\ntext = \"x\"\n";
    let end = told("end.toml", &site(limit));
    assert!(
        end.contains("end.toml:16:") && end.contains("found the end of the text, expected a name, a number"),
        "{end}"
    );
    let twice = told("twice.toml", &site(&limit.replace("age > ", "age age > q('1 a')")));
    assert!(twice.contains("found “age”, expected a sign such as + or <"), "{twice}");
    // Without the file that it extends, what stands there is not missed.
    let lost = told("lost.toml", &site(&over("LOC-09", "tier = \"LOW\"")).replace("\"starter\"", "\"no/base.toml\""));
    assert_eq!(lost.lines().count(), 1, "{lost}");
}

/// An override that the limit's own examples do not fit is said before a service refuses to start with it.
#[test]
fn examples_that_fail_are_a_warning_of_check() {
    let folder = Folder::new("examples");
    let file = folder.write(
        "site.toml",
        &site("[[override]]\nlimit = \"VOL-01\"\nby = \"x\"\nwhy = \"y\"\nparameters.adult = \"450 mL\"\n"),
    );
    let check = gate(&["rules", "check", "--rulebook", &file]);
    assert_eq!(code(&check), 2);
    assert!(said(&check).contains("of VOL-01 fails, and a service does not start with it"), "{}", said(&check));
    let told = json(&["rules", "check", "--rulebook", &file, "--format", "json"]);
    assert_eq!(told["failing"][0]["rule"], "VOL-01");
    let junit = said(&gate(&["rules", "check", "--rulebook", &file, "--format", "junit"]));
    assert!(junit.contains("<failure message=") && junit.contains("VOL-01"), "{junit}");
    let help = said(&gate(&["rules", "check", "--help"]));
    assert!(help.contains("3   it cannot be used"), "{help}");
}

#[test]
fn what_stands_more_than_once_is_a_list() {
    let shown = json(&["rules", "show", "VOL-01", "--format", "json"]);
    let text = said(&gate(&["rules", "show", "VOL-01"]));
    let lines = |key: &str| text.lines().filter(|line| line.starts_with(key)).count();
    assert_eq!(shown["parameters"].as_array().unwrap().len(), lines("parameter "));
    assert_eq!(shown["checks"].as_array().unwrap().len(), lines("flags "));
    assert!(lines("parameter ") > 1 && lines("flags ") > 1);
    assert!(shown["tests"].as_array().unwrap().len() >= 4);
    assert!(shown["tests"][0]["given"].is_object());
    assert_eq!(shown["audience"][0], "prescriber");
}

#[test]
fn a_form_that_a_command_does_not_have_is_refused() {
    for arguments in [vec!["list"], vec!["show", "VOL-01"], vec!["effective"]] {
        let output = gate(&[vec!["rules"], arguments.clone(), vec!["--format", "junit"]].concat());
        assert_eq!(code(&output), 64, "{arguments:?}");
        assert!(complained(&output).contains("tries nothing that could pass or fail"), "{output:?}");
    }
}

/// Every value with its place, what it replaced, who decided that and why; and what is no limit as well.
#[test]
fn what_is_in_effect_is_told_in_full() {
    let folder = Folder::new("effective");
    let more = "[[off]]\nrule = \"CMP-04\"\nby = \"A\"\nwhy = \"B\"\nuntil = 2099-12-31\n[[staleness]]\nfact = \"weight\"\nafter = \"9 d\"\n[[pump]]\ntitle = \"Invented pump\"\nwhen = \"ward == 'W9'\"\nrate = [\"2 mL/h\", \"50 mL/h\"]\nrate-step = \"2 mL/h\"\nvolume-step = \"1 mL\"\n[[concept]]\nkind = \"hold\"\nkey = \"stop\"\ntitle = \"stop\"\ncodes = [\"urn:x|1\"]\n[[override]]\nlimit = \"WAT-01\"\nby = \"Invented committee\"\nwhy = \"Too many cards\"\nmode = \"shadow\"\n";
    let file = folder.write("site.toml", &site(more));
    let told = json(&["rules", "effective", "--format", "json", "--rulebook", &file]);
    let all = told["effective"].as_array().unwrap();
    let row = |rule: &str, key: &str| all.iter().find(|r| r["rule"] == rule && r["key"] == key).unwrap();
    let mode = row("WAT-01", "mode");
    assert_eq!((mode["value"].as_str(), mode["why"].as_str()), (Some("shadow"), Some("Too many cards")));
    assert_eq!(mode["replaced"][0]["value"], "queue");
    assert!(row("VOL-01", "check")["value"][0]["text"].is_string());
    assert!(row("VOL-01", "test")["value"][0]["given"].is_object());
    assert!(row("VOL-01", "tier")["why"].is_null());
    assert_eq!(told["off"][0]["rule"], "CMP-04");
    let last = |list: &str, key: &str, wanted: &str| {
        assert!(
            told[list]
                .as_array()
                .unwrap()
                .iter()
                .any(|x| x[key] == wanted && x["from"].to_string().contains("site.toml")),
            "{list}"
        );
    };
    last("staleness", "after", "9 d");
    last("pumps", "title", "Invented pump");
    last("concepts", "key", "stop");
    let text = said(&gate(&["rules", "effective", "--rulebook", &file]));
    for wanted in [
        "decided by Invented committee: Too many cards",
        "instead of queue   [starter/water.toml:",
        "CMP-04 switched off by A, until 2099-12-31: B",
        "weight 9 d",
        "Invented pump when ward == 'W9': 2 to 50 mL/h in steps of 2 mL/h",
        "hold stop (stop): urn:x|1",
    ] {
        assert!(text.contains(wanted), "{wanted}");
    }
    let shown = said(&gate(&["rules", "show", "WAT-01", "--rulebook", &file]));
    assert!(shown.contains("overridden       mode by Invented committee: Too many cards"), "{shown}");
}

/// Water is short: WAT-01 finds something.
const DRY: &str = r#"{"resourceType":"Bundle","type":"collection","entry":[
{"resource":{"resourceType":"Patient","id":"p","birthDate":"1956-01-01","gender":"male"}},
{"resource":{"resourceType":"Observation","id":"w","status":"final","code":{"coding":[{"system":"http://loinc.org","code":"29463-7"}]},"subject":{"reference":"Patient/p"},"effectiveDateTime":"2026-11-24T08:00:00Z","valueQuantity":{"value":70,"unit":"kg","system":"http://unitsofmeasure.org","code":"kg"}}},
{"resource":{"resourceType":"NutritionOrder","id":"dry","status":"active","intent":"order","patient":{"reference":"Patient/p"},"dateTime":"2026-11-25T08:00:00Z","orderer":{"reference":"Practitioner/x"},"enteralFormula":{"baseFormulaProductName":"A10","routeofAdministration":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/v3-RouteOfAdministration","code":"NGT"}]},"administration":[{"schedule":{"repeat":{"boundsPeriod":{"start":"2026-11-25T08:00:00Z"}}},"rateQuantity":{"value":41.6789,"unit":"mL/h","system":"http://unitsofmeasure.org","code":"mL/h"}}]}}}
]}"#;

/// A change of mode or audience is a change of the alert load, and what is in shadow is told apart.
#[test]
fn shadow_and_changes_of_mode_are_told() {
    let folder = Folder::new("diff");
    let orders = folder.write("dry.json", DRY);
    let over = |keys: &str| site(&format!("[[override]]\nlimit = \"WAT-01\"\nby = \"x\"\nwhy = \"y\"\n{keys}\n"));
    let plain = folder.write("plain.toml", &over("mode = \"card\""));
    let diff = |keys: &str, more: &[&str]| {
        let file = folder.write("new.toml", &over(keys));
        gate(&[&["rules", "diff", &plain, &file, "--orders", &orders][..], more].concat())
    };
    let shadow = said(&diff("mode = \"shadow\"", &[]));
    assert!(shadow.contains("WAT-01: flagged ") && shadow.contains(" becomes flagged "), "{shadow}");
    assert!(shadow.contains(" in shadow"), "{shadow}");
    assert!(shadow.contains("shadow WAT-01            0 findings in shadow become 1"), "{shadow}");
    assert!(shadow.contains("rule WAT-01              1 alerts become 0"), "{shadow}");
    let queue = said(&diff("mode = \"queue\"", &[]));
    assert!(queue.contains(" to the card becomes flagged ") && queue.contains("to the queue"), "{queue}");
    assert!(queue.contains("1 of 1 orders change"), "{queue}");
    let nurse = diff("audience = [\"nurse\"]", &["--format", "json"]);
    let nurse: Value = serde_json::from_str(&said(&nurse)).unwrap();
    let change = &nurse["changed"][0]["rules"][0];
    assert_eq!((change["rule"].as_str(), change["new"]["audience"][0].as_str()), (Some("WAT-01"), Some("nurse")));
    let load = nurse["alerts"].as_array().unwrap();
    assert!(load.iter().any(|l| l["by"] == "audience" && l["of"] == "nurse"), "{load:?}");
    let new = folder.write("new.toml", &over("mode = \"shadow\""));
    let replay = json(&["rules", "replay", "--rulebook", &new, "--orders", &orders, "--format", "json"]);
    assert_eq!(replay["shadow"]["WAT-01"]["flagged"], 1);
    assert!(replay["rules"]["WAT-01"].is_null());
    let junit = said(&gate(&["rules", "replay", "--rulebook", &new, "--orders", &orders, "--format", "junit"]));
    assert!(junit.contains("CON-07 HIGH"), "{junit}");
}

#[test]
fn what_cannot_be_read_is_named_with_its_reason() {
    let folder = Folder::new("unread");
    let bad = folder.write("bad.json", "{\n\"resourceType\": oops}");
    folder.write("good.json", DRY);
    let folder_name = folder.0.to_str().unwrap();
    for arguments in [vec!["replay"], vec!["diff", "starter", "starter"]] {
        let output = gate(&[vec!["rules"], arguments, vec!["--orders", folder_name]].concat());
        assert_eq!(code(&output), 3);
        let wanted = format!("{bad}: line 2, column 17: ");
        assert_eq!(complained(&output).matches(&wanted).count(), 1, "{}", complained(&output));
    }
}

/// Lines are inputs of their own, at their place in the file; a bad one spoils no other.
#[test]
fn each_line_is_an_input_at_its_own_place() {
    let folder = Folder::new("lines");
    let line = DRY.replace('\n', "");
    let file = folder.write("orders.jsonl", &format!("{{bad\n{line}\n\n{{\"resourceType\":\n"));
    let check = |more: &[&str]| said(&gate(&[&["check", "--demo", &file][..], more].concat()));
    let text = check(&[]);
    assert!(text.contains("orders.jsonl:2 — FLAGGED"), "{text}");
    assert!(text.contains("Order dry (line 2, column "), "{text}");
    let junit = check(&["--format", "junit"]);
    assert!(junit.contains("message=\"line 1, column 2: found "), "{junit}");
    assert!(!junit.contains("line 1, column 2: line 1, column 2"), "{junit}");
    assert!(junit.contains("message=\"line 4, column "), "{junit}");
    let answers = check(&["--format", "json"]);
    let named: Vec<bool> = answers.lines().map(|l| l.contains("\"name\":\"input\",\"valueString\":\"")).collect();
    assert_eq!(named, [true, true, true], "{answers}");
    // The same from standard input, where nothing says what it is.
    let mut child = Command::new(env!("CARGO_BIN_EXE_enteral-gate"))
        .args(["check", "--demo", "--format", "json", "-"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let text = std::fs::read(&file).unwrap();
    std::io::Write::write_all(&mut child.stdin.take().unwrap(), &text).unwrap();
    let output = child.wait_with_output().unwrap();
    assert_eq!(said(&output).lines().count(), 3, "{}", said(&output));
}

/// Products may be FHIR; what is wrong with them is told at its place, all at once. Without any, orders are checked all the
/// same.
#[test]
fn a_formulary_may_be_fhir_or_none() {
    let folder = Folder::new("fhir");
    let product = |id: &str, energy: &str| {
        format!(
            r#"{{"resourceType":"NutritionProduct","id":"{id}","status":"active","code":{{"text":"Invented {id}"}},
"nutrient":[{{"item":{{"concept":{{"coding":[{{"system":"https://enteral-gate.example/fhir/CodeSystem/nutrient","code":"energy"}}]}}}},"amount":[{{"numerator":{{"value":{energy},"unit":"kcal","system":"http://unitsofmeasure.org","code":"kcal"}},"denominator":{{"value":100,"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"}}}}]}}]}}"#
        )
    };
    let one = folder.write("one.json", &product("one", "100"));
    let output = gate(&["formulary", "check", &one]);
    assert!(said(&output).contains("1 products"), "{output:?}");
    let bundle = |inner: &[String]| {
        let entries: Vec<String> = inner.iter().map(|p| format!("{{\"resource\":{p}}}")).collect();
        format!("{{\"resourceType\":\"Bundle\",\"type\":\"collection\",\"entry\":[\n{}\n]}}", entries.join(",\n"))
    };
    let good = folder.write("good.json", &bundle(&[product("one", "100"), product("two", "150")]));
    assert!(said(&gate(&["formulary", "check", &good])).contains("2 products"));
    let wrong = [
        product("one", "-100"),
        "{\"resourceType\":\"Patient\"}".to_owned(),
        product("two", "150").replace("active", "inactive"),
    ];
    let wrong = folder.write("wrong.json", &bundle(&wrong));
    let output = gate(&["formulary", "check", &wrong]);
    assert_eq!(code(&output), 64);
    for place in ["wrong.json, line 4, column ", "wrong.json, line 5, column "] {
        assert!(said(&output).contains(place), "{place}: {}", said(&output));
    }
    // A table: what two rows share is told beside what else is wrong with one of them, and numbers are plain.
    let row = |key: &str, energy: &str| format!("{key},Invented,ready-to-hang,adult,L,{energy},invented,2026-11-25");
    let table = |head: &str, rows: &[String]| {
        let file = folder.write(
            "table.csv",
            &format!("{head},form,age_class,basis,energy_kcal,source,source_date\n{}\n", rows.join("\n")),
        );
        said(&gate(&["formulary", "check", &file]))
    };
    let told = table("key,name", &[row("K1", "1e3"), row("K1", "1000")]);
    for wanted in [
        "line 2, column 6 (energy_kcal), product K1: error number: “1e3” has an exponent",
        "line 3, column 1 (key): error duplicate-key: K1 also stands on line 2",
        "line 3, column 2 (name): error duplicate-name: Invented also stands on line 2",
    ] {
        assert!(told.contains(wanted), "{wanted}: {told}");
    }
    let told = table("key,nmae", &[row("K1", "1000")]);
    assert!(told.contains("unknown column (did you mean “name”?)"), "{told}");
    let order = folder.write("order.json", DRY);
    let output = gate(&["check", &order]);
    assert_eq!(code(&output), 1, "{output:?}");
    assert!(complained(&output).contains("no formulary was given"), "{output:?}");
    assert!(said(&output).contains("INT-04"), "{}", said(&output));
}
