//! The settings file: read, refused with its places, and in step with its schema and its page.

use enteral_gate::answer::parameters_json;
use enteral_gate::appraise::appraise;
use enteral_gate::cli::settings_file::{
    BEFORE_START, CODES, DEADLINES, HOOK_KEYS, KEYS, Lines, ROUTE_KEYS, SERVER_KEYS, WITHIN, embedded, is_loinc,
    is_sctid, queue_keys, read,
};
use enteral_gate::findings::Outcome;
use enteral_gate::formulary::Formulary;
use enteral_gate::http::asked;
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::queue::urgency::Times;
use enteral_gate::settings::{ContextKind, Hooks, LookWithin, NothingChecked, Settings, Site};
use serde_json::Value;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::process::{Command, Output};

const DEMO: &str = include_str!("../deploy/demo/settings.toml");
const SCHEMA: &str = include_str!("../schemas/settings.schema.json");
const PAGE: &str = include_str!("../docs/configure.md");

fn schema() -> jsonschema::Validator {
    let schema: Value = serde_json::from_str(SCHEMA).unwrap();
    jsonschema::draft202012::meta::validate(&schema).unwrap();
    jsonschema::draft202012::options().build(&schema).unwrap()
}

fn as_json(text: &str) -> Value {
    serde_json::to_value(toml::from_str::<toml::Value>(text).unwrap()).unwrap()
}

fn problems(text: &str) -> Vec<String> {
    let mut settings = Settings::default();
    let found = read("s.toml", text, &mut settings).err().unwrap_or_default();
    if !found.is_empty() {
        assert_eq!(settings.content_hash(), Settings::default().content_hash(), "a bad file changes nothing: {text}");
    }
    found.iter().map(ToString::to_string).collect()
}

fn good(text: &str) -> (Settings, Lines) {
    let mut settings = Settings::default();
    let lines = read("s.toml", text, &mut settings).unwrap_or_else(|p| panic!("{p:?}"));
    (settings, lines)
}

/// Fenced blocks of the page in one language.
fn blocks(language: &str) -> Vec<&'static str> {
    PAGE.split(&format!("```{language}\n")).skip(1).filter_map(|t| t.split("```").next()).collect()
}

#[test]
fn the_demo_file_and_every_example_of_the_page_are_good() {
    let examples = blocks("toml");
    assert_eq!(examples.len(), 4);
    for text in examples.into_iter().chain([DEMO, ""]) {
        assert_eq!(problems(text), Vec::<String>::new());
        assert!(schema().is_valid(&as_json(text)), "{text}");
    }
    let settings = embedded().unwrap();
    assert_eq!(settings.zone_name, "Europe/Vienna");
    assert_eq!(settings.clock["BID"], [8 * 3600, 20 * 3600]);
    assert_eq!(settings.routes[&(String::new(), "nasojejunal tube".to_owned())], Site::PostPyloric);
    assert_eq!(settings.hash, good(DEMO).0.content_hash());
    assert!(DEMO.starts_with("# INVENTED") && DEMO.contains("common practice, no source"));
}

/// Whether the schema can say it too.
const SCHEMA_CANNOT: bool = false;
const SCHEMA_TOO: bool = true;

#[test]
fn reader_and_schema_agree() {
    let schema = schema();
    for (text, place, said, by_schema) in [
        ("zone = \"Europe/Viena\"", "1:8", "did you mean “Europe/Vienna”", SCHEMA_CANNOT),
        ("zone = \"vienna\"", "1:8", "did you mean “Europe/Vienna”", SCHEMA_CANNOT),
        ("zone = \"\"", "1:8", "time zone", SCHEMA_TOO),
        ("zone = 7", "1:8", "found a whole number", SCHEMA_TOO),
        ("zone = [\"UTC\"]", "1:8", "found a list", SCHEMA_TOO),
        ("\nday-start = \"7 am\"", "2:13", "did you mean “07:00”", SCHEMA_TOO),
        ("day-start = \"7:30 p.m.\"", "1:13", "did you mean “19:30”", SCHEMA_TOO),
        ("day-start = \"12am\"", "1:13", "did you mean “00:00”", SCHEMA_TOO),
        ("day-start = \"0730\"", "1:13", "did you mean “07:30”", SCHEMA_TOO),
        ("day-start = \"24:00\"", "1:13", "did you mean “00:00”", SCHEMA_TOO),
        ("day-start = \"noon\"", "1:13", "from 00:00 to 23:59, found \"noon\"", SCHEMA_TOO),
        ("day-start = 07:00:00", "1:13", "write it in quotes", SCHEMA_TOO),
        ("day-start = 7.5", "1:13", "found a number", SCHEMA_TOO),
        ("day_start = \"07:00\"", "1:1", "did you mean “day-start”", SCHEMA_TOO),
        ("colour = \"red\"", "1:1", "known are zone", SCHEMA_TOO),
        ("BID = [\"08:00\", \"20:00\"]", "1:1", "belongs below a line [clock]", SCHEMA_TOO),
        ("site = \"oral\"", "1:1", "belongs below a line [[routes]]", SCHEMA_TOO),
        ("declares = [\"labs\", \"gossip\"]", "1:21", "gossip", SCHEMA_TOO),
        ("declares = [\"allergy\"]", "1:13", "known are labs", SCHEMA_TOO),
        ("declares = [\"medicine\"]", "1:13", "did you mean “medicines”", SCHEMA_TOO),
        ("declares = \"labs\"", "1:12", "such as [\"labs\"]", SCHEMA_TOO),
        ("declares = [\"labs\", \"labs\"]", "1:21", "stands twice", SCHEMA_TOO),
        ("declares = [true]", "1:13", "found true or false", SCHEMA_TOO),
        ("weight-codes = []", "1:16", "at least one LOINC code", SCHEMA_TOO),
        ("weight-codes = [\"weight\"]", "1:17", "LOINC code", SCHEMA_TOO),
        ("harmless-texts = \"as ordered\"", "1:18", "a list of phrases", SCHEMA_TOO),
        ("harmless-texts = [\"hold\"]", "1:19", "at least two words", SCHEMA_TOO),
        ("weight-codes = [\"29463-1\"]", "1:17", "check digit", SCHEMA_CANNOT),
        ("hooks = 3", "1:9", "[hooks]", SCHEMA_TOO),
        ("fhir = \"R4\"", "1:1", "belongs below a line [hooks]", SCHEMA_TOO),
        ("[hooks]\nfhir = \"R6\"", "2:8", "one of R4, R4B, R5", SCHEMA_TOO),
        ("[hooks]\nfhir = 4", "2:8", "found a whole number", SCHEMA_TOO),
        ("[hooks]\nnothing-checked = \"cards\"", "2:19", "did you mean “card”", SCHEMA_TOO),
        ("[hooks]\ndeadline = 20", "2:12", "from 50 to 10000, found 20", SCHEMA_TOO),
        ("[hooks]\ndeadline = 20000", "2:12", "from 50 to 10000", SCHEMA_TOO),
        ("[hooks]\ndeadline = -400", "2:12", "found -400", SCHEMA_TOO),
        ("[hooks]\ndeadline = \"400\"", "2:12", "found \"400\"", SCHEMA_TOO),
        ("queue = 3", "1:9", "[queue]", SCHEMA_TOO),
        ("stop-within = 5", "1:1", "belongs below a line [queue]", SCHEMA_TOO),
        ("[queue]\nstop-within = 0", "2:15", "minutes from 1 to 10080, found 0", SCHEMA_TOO),
        ("[queue]\nothers-within = 10081", "2:17", "from 1 to 10080", SCHEMA_TOO),
        ("[queue]\nhigh-within = \"30 min\"", "2:15", "found \"30 min\"", SCHEMA_TOO),
        ("[queue]\nhigh-within = 7.5", "2:15", "found a number", SCHEMA_TOO),
        ("[queue]\nbefore-start = -1", "2:16", "from 0 to 1440, found -1", SCHEMA_TOO),
        ("[queue]\nbefore-start = 1441", "2:16", "from 0 to 1440", SCHEMA_TOO),
        ("[queue]\nquiet-after = 0", "2:15", "from 1 to 10080, found 0", SCHEMA_TOO),
        ("[queue]\nmedum-within = 5", "2:1", "did you mean “medium-within”", SCHEMA_TOO),
        ("[hooks]\nservers = \"https://fhir.example\"", "2:11", "[[hooks.servers]]", SCHEMA_TOO),
        ("[hooks]\nservers = [\"https://fhir.example\"]", "2:12", "[[hooks.servers]]", SCHEMA_TOO),
        ("[[hooks.servers]]\nfhir = \"R4\"", "1:1", "no base", SCHEMA_TOO),
        ("[[hooks.servers]]\nbase = 3", "2:8", "found a whole number", SCHEMA_TOO),
        ("[[hooks.servers]]\nbase = \"fhir.example\"", "2:8", "such as \"https://fhir.example/r4\"", SCHEMA_TOO),
        ("[[hooks.servers]]\nbase = \"https://u:p@fhir.example\"", "2:8", "without a user", SCHEMA_TOO),
        ("[[hooks.servers]]\nbase = \"https://fhir.example/r4?x=1\"", "2:8", "without a user", SCHEMA_TOO),
        ("[[hooks.servers]]\nbase = \"https://fhir.example./r4\"", "2:8", "without a user", SCHEMA_CANNOT),
        ("[[hooks.servers]]\nbase = \"https://fhir.example/../r4\"", "2:8", "without a user", SCHEMA_CANNOT),
        ("[[hooks.servers]]\nbase = \"https://2130706433/r4\"", "2:8", "without a user", SCHEMA_CANNOT),
        ("[[hooks.servers]]\nbase = \"https://0x7f000001/r4\"", "2:8", "without a user", SCHEMA_CANNOT),
        ("[[hooks.servers]]\nbase = \"https://[1:2/r4\"", "2:8", "without a user", SCHEMA_CANNOT),
        ("[[hooks.servers]]\nbase = \"https://[1:2]/r4\"", "2:8", "IPv6", SCHEMA_CANNOT),
        ("[[hooks.servers]]\nbase = \"http://fhir.example/r4\"", "2:8", "expected https", SCHEMA_CANNOT),
        (
            "[[hooks.servers]]\nbase = \"http://10.0.0.1\"\nprivate-addresses = true",
            "2:8",
            "expected https",
            SCHEMA_CANNOT,
        ),
        ("[[hooks.servers]]\nbase = \"http://127.0.0.1:8080/fhir\"", "2:8", "private-addresses = true", SCHEMA_CANNOT),
        ("[[hooks.servers]]\nbase = \"https://10.0.0.1\"", "2:8", "private-addresses = true", SCHEMA_CANNOT),
        ("[[hooks.servers]]\nbase = \"https://[::ffff:10.0.0.1]\"", "2:8", "private-addresses = true", SCHEMA_CANNOT),
        (
            "[[hooks.servers]]\nbase = \"https://169.254.169.254\"\nprivate-addresses = true",
            "2:8",
            "nothing that may be called",
            SCHEMA_CANNOT,
        ),
        (
            "[[hooks.servers]]\nbase = \"https://a.example\"\n[[hooks.servers]]\nbase = \"HTTPS://A.example:443/\"",
            "4:8",
            "stands twice",
            SCHEMA_CANNOT,
        ),
        (
            "[[hooks.servers]]\nbase = \"https://a.example\"\nprivate-addresses = \"yes\"",
            "3:21",
            "true or false",
            SCHEMA_TOO,
        ),
        ("[[hooks.servers]]\nbase = \"https://a.example\"\nfhir = \"R6\"", "3:8", "one of R4, R4B, R5", SCHEMA_TOO),
        (
            "[[hooks.servers]]\nbase = \"https://a.example\"\nleave-out = [\"weight\"]",
            "3:14",
            "did you mean “weights”",
            SCHEMA_TOO,
        ),
        ("[[hooks.servers]]\nbase = \"https://a.example\"\ntoken = \"x\"", "3:1", "known are base", SCHEMA_TOO),
        ("[[hooks.servers]]\nbase = \"https://a.example\"\ntemplates = 1", "3:13", "a table", SCHEMA_TOO),
        (
            "[[hooks.servers]]\nbase = \"https://a.example\"\n[hooks.servers.templates]\nweights = \"https://b.example/Observation\"",
            "4:11",
            "read or search of Observation",
            SCHEMA_TOO,
        ),
        (
            "[[hooks.servers]]\nbase = \"https://a.example\"\n[hooks.servers.templates]\nweights = \"Observation/{{context.patientId}}\"",
            "4:11",
            "expected a search, such as",
            SCHEMA_CANNOT,
        ),
        (
            "[[hooks.servers]]\nbase = \"https://a.example\"\n[hooks.servers.templates]\nweigths = \"Observation?patient={{context.patientId}}\"",
            "4:1",
            "did you mean “weights”",
            SCHEMA_TOO,
        ),
        ("[hooks]\nversion = \"R4\"", "2:1", "known are fhir, nothing-checked", SCHEMA_TOO),
        ("clock = 3", "1:9", "[clock]", SCHEMA_TOO),
        ("[clock]\nBID = [\"08:00\", \"25:00\"]", "2:17", "25:00", SCHEMA_TOO),
        ("[clock]\nBID = [\"08:00\", \"08:00\"]", "2:17", "twice", SCHEMA_TOO),
        ("[clock]\nHS = [\"08:00\", \"08:00:00\"]", "2:16", "twice", SCHEMA_CANNOT),
        ("[clock]\nBID = [\"08:00\"]", "2:7", "exactly 2, found 1", SCHEMA_TOO),
        ("[clock]\nQD = [\"08:00\", \"20:00\"]", "2:6", "exactly 1, found 2", SCHEMA_TOO),
        ("[clock]\nXYZ = [\"08:00\"]", "2:1", "no timing code", SCHEMA_TOO),
        ("[clock]\nbid = [\"08:00\", \"20:00\"]", "2:1", "did you mean “BID”", SCHEMA_TOO),
        ("[clock]\nQ4H = [\"08:00\"]", "2:1", "counts hours", SCHEMA_TOO),
        ("[clock]\nIC = [\"10:00\"]", "2:1", "not allowed in FHIR", SCHEMA_TOO),
        ("[clock]\nzone = \"UTC\"", "2:1", "above the first line in brackets", SCHEMA_TOO),
        ("[clock]\nHS = []", "2:6", "at least one", SCHEMA_TOO),
        ("[clock]\nHS = \"21:00\"", "2:6", "such as [\"21:00\"]", SCHEMA_TOO),
        ("[clock]\nMORN.early = [\"06:00\"]", "2:1", "\"MORN.early\" = [", SCHEMA_TOO),
        ("[routes]\ntext = \"x\"\nsite = \"oral\"", "1:1", "[[routes]]", SCHEMA_TOO),
        ("routes = [\"x\"]", "1:11", "[[routes]]", SCHEMA_TOO),
        ("[[routes]]\ntext = \"x\"\nsite = \"somewhere\"", "3:8", "not-enteral", SCHEMA_TOO),
        ("[[routes]]\ntext = \"x\"\nsite = \"postpyloric\"", "3:8", "did you mean “post-pyloric”", SCHEMA_TOO),
        ("[[routes]]\ntext = \"x\"\nsite = \"Jejunum\"", "3:8", "did you mean “post-pyloric”", SCHEMA_TOO),
        ("[[routes]]\ntext = \"x\"", "1:1", "no site", SCHEMA_TOO),
        ("[[routes]]\ntext = \" \"\nsite = \"oral\"", "2:8", "text of a route", SCHEMA_TOO),
        ("[[routes]]\nsystem = \"urn:x\"\nsite = \"gastric\"", "1:1", "found system", SCHEMA_TOO),
        ("[[routes]]\nsite = \"gastric\"", "1:1", "none of them", SCHEMA_TOO),
        (
            "[[routes]]\nsystem = \"urn:x\"\ncode = \"a\"\ntext = \"b\"\nsite = \"oral\"",
            "1:1",
            "system and code and text",
            SCHEMA_TOO,
        ),
        ("[[routes]]\nsystem = \"snomed\"\ncode = \"a\"\nsite = \"oral\"", "2:10", "URI", SCHEMA_TOO),
        ("[[routes]]\nsystem = \"urn:x\"\ncode = \" a\"\nsite = \"oral\"", "3:8", "without space", SCHEMA_TOO),
        (
            "[[routes]]\nsystem = \"http://snomed.info/sct\"\ncode = \"418730004\"\nsite = \"post-pyloric\"",
            "3:8",
            "check digit",
            SCHEMA_CANNOT,
        ),
        (
            "[[routes]]\nsystem = \"http://terminology.hl7.org/CodeSystem/v3-RouteOfAdministration\"\ncode = \"IV\"\nsite = \"gastric\"",
            "4:8",
            "not into the gut",
            SCHEMA_CANNOT,
        ),
        ("[[routes]]\ntext = \"x\"\nsite = \"oral\"\ncolor = 1", "4:1", "no key of a route", SCHEMA_TOO),
        (
            "[[routes]]\ntext = \"NJ tube\"\nsite = \"post-pyloric\"\n[[routes]]\ntext = \" nj TUBE\"\nsite = \"gastric\"",
            "4:1",
            "the route of line 1",
            SCHEMA_CANNOT,
        ),
    ] {
        let found = problems(text);
        assert_eq!(found.len(), 1, "{text}: {found:#?}");
        assert!(found[0].starts_with(&format!("s.toml:{place}: ")), "{text}: {found:?}");
        assert!(found[0].contains(said), "{text}: {found:?}");
        assert_eq!(!schema.is_valid(&as_json(text)), by_schema, "{text}");
    }
    for text in [
        "",
        "zone = \"America/Argentina/Buenos_Aires\"",
        "day-start = \"00:00\"",
        "day-start = \"23:59:00\"",
        "declares = []",
        "declares = [\"labs\", \"history\"]",
        "[clock]",
        "[clock]\n\"MORN.early\" = [\"06:00\"]\nWK = [\"09:00\"]",
        "[clock]\nAC = [\"17:30\", \"07:30\"]",
        "clock.HS = [\"21:00\"]",
        "routes = []",
        "[hooks]",
        "[hooks]\nfhir = \"R5\"\nnothing-checked = \"412\"",
        "[hooks]\ndeadline = 1_000\nservers = []",
        "[queue]",
        "[queue]\nstop-within = 1\nothers-within = 10_080\nbefore-start = 1440",
        "[queue]\nbefore-start = 0\nquiet-after = 10080",
        "[[hooks.servers]]\nbase = \"HTTPS://FHIR.example:443/r4/\"\nprivate-addresses = true\nfhir = \"R4B\"\nleave-out = [\"encounter\"]\ntemplates.weights = \"Observation?subject=Patient/{{context.patientId}}&code=29463-7\"",
        "[[hooks.servers]]\nbase = \"http://localhost:8080/fhir\"\nprivate-addresses = true",
        "[[hooks.servers]]\nbase = \"http://[::1]:8080/fhir\"\nprivate-addresses = true",
        "[[hooks.servers]]\nbase = \"https://10.0.0.1/fhir\"\nprivate-addresses = true",
        "routes = [{ text = \"NJ\", site = \"post-pyloric\" }]",
        "[[routes]]\nsystem = \"urn:oid:2.16.840.1\"\ncode = \"N J\"\nsite = \"unknown\"",
    ] {
        assert_eq!(problems(text), Vec::<String>::new(), "{text}");
        assert!(schema.is_valid(&as_json(text)), "{text}");
    }
}

#[test]
fn everything_wrong_is_told_at_once_in_the_order_of_the_file() {
    let text = "zone = 1\nday_start = \"x\"\ndeclares = [\"a\", \"b\"]\n[clock]\nHS = [\"y\", 3]\nZZ = 1\n[[routes]]\ncode = 5\nsite = \"z\"\nx = 1\n";
    let places: Vec<String> =
        problems(text).iter().map(|p| p.trim_start_matches("s.toml:").split(": ").next().unwrap().to_owned()).collect();
    assert_eq!(places, ["1:8", "2:1", "3:13", "3:18", "5:7", "5:12", "6:1", "8:8", "9:8", "10:1"]);
    // Columns count characters, not bytes.
    assert!(problems("declares = [\"ä\", \"b\"]")[1].starts_with("s.toml:1:18:"));
    // What is not TOML: each place once.
    let found = problems("zone = \n[clock]\nHS = [\"07:00\"\n");
    assert!(found.len() >= 2 && found.iter().all(|p| p.contains("not TOML")), "{found:#?}");
    assert!(found[0].starts_with("s.toml:1:"), "{found:#?}");
    assert_eq!(problems("zone = \"UTC\"\nzone = \"UTC\"").len(), 1);
    // A value is not repeated in full, nor does it reach the terminal raw.
    let found = problems(&format!("zone = \"\\u001b[2J{}\"", "x".repeat(5_000)));
    assert!(found[0].len() < 300 && !found[0].contains('\u{1b}'), "{found:?}");
}

#[test]
fn the_page_shows_what_is_said() {
    let text = "zone = \"Europe/Vienna\"\nday-start = \"6 am\"\ndeclare = [\"labs\"]\n\n[clock]\nBID = [\"08:00\"]\n[[routes]]\nsystem = \"http://snomed.info/sct\"\ncode = \"127491004\"\nsite = \"jejunal\"\n";
    let mut settings = Settings::default();
    let said = read("settings.toml", text, &mut settings).unwrap_err();
    let said: Vec<String> = said.iter().map(ToString::to_string).collect();
    assert_eq!(blocks("text"), [said.join("\n") + "\n"]);
}

#[test]
fn words_of_reader_schema_and_page_are_the_same() {
    let schema: Value = serde_json::from_str(SCHEMA).unwrap();
    let list =
        |v: &Value| -> Vec<String> { v.as_array().unwrap().iter().map(|x| x.as_str().unwrap().to_owned()).collect() };
    let keys = |v: &Value| -> Vec<String> { v.as_object().unwrap().keys().cloned().collect() };
    let sorted = |names: &[&str]| -> Vec<String> {
        let mut names: Vec<String> = names.iter().map(|x| (*x).to_owned()).collect();
        names.sort();
        names
    };
    let top = &schema["properties"];
    let same = |mut found: Vec<String>, expected: &[&str]| {
        found.sort();
        assert_eq!(found, sorted(expected));
    };
    same(keys(top), &KEYS);
    same(keys(&top["routes"]["items"]["properties"]), &ROUTE_KEYS);
    same(keys(&top["hooks"]["properties"]), &HOOK_KEYS);
    assert_eq!(list(&top["hooks"]["properties"]["fhir"]["enum"]), FhirVersion::ALL.map(FhirVersion::name));
    assert_eq!(list(&top["hooks"]["properties"]["nothing-checked"]["enum"]), NothingChecked::ALL.map(|(_, w)| w));
    let server = &top["hooks"]["properties"]["servers"]["items"]["properties"];
    same(keys(server), &SERVER_KEYS);
    let names = enteral_gate::hooks::prefetch::KEYS.map(|key| key.name);
    assert_eq!(list(&server["leave-out"]["items"]["enum"]), names);
    assert_eq!(list(&server["templates"]["propertyNames"]["enum"]), names);
    let deadline = &top["hooks"]["properties"]["deadline"];
    assert_eq!((deadline["minimum"].as_i64(), deadline["maximum"].as_i64()), (Some(DEADLINES.0), Some(DEADLINES.1)));
    assert_eq!(deadline["default"].as_u64(), Some(u64::from(Hooks::DEADLINE)));
    for key in SERVER_KEYS {
        assert!(PAGE.contains(&format!("| `{key}` |")), "{key}");
    }
    for key in HOOK_KEYS {
        assert!(PAGE.contains(&format!("`hooks.{key}`")), "{key}");
    }
    let queue = &top["queue"]["properties"];
    let own: Vec<&str> = queue_keys().collect();
    same(keys(queue), &own);
    let usual = LookWithin::default();
    let grades = LookWithin::GRADES.into_iter().zip(usual.grades).map(|(key, minutes)| (key, minutes, WITHIN));
    let others = [
        (LookWithin::BEFORE_START, usual.before_start, BEFORE_START),
        (LookWithin::QUIET_AFTER, usual.quiet_after, WITHIN),
    ];
    for (key, minutes, bounds) in grades.chain(others) {
        assert_eq!(queue[key]["default"].as_u64(), Some(minutes.into()), "{key}");
        assert_eq!((queue[key]["minimum"].as_i64(), queue[key]["maximum"].as_i64()), (Some(bounds.0), Some(bounds.1)));
        assert!(PAGE.contains(&format!("| `queue.{key}` | `{minutes}` |")), "{key}");
    }
    // The queue has the same defaults.
    assert_eq!(Times::minutes(usual.grades, usual.before_start), Times::default());
    let codes: Vec<&str> = CODES.iter().map(|(code, ..)| *code).collect();
    same(keys(&top["clock"]["properties"]), &codes);
    assert_eq!(list(&top["routes"]["items"]["properties"]["site"]["enum"]), Site::ALL.map(|(_, w)| w));
    assert_eq!(list(&top["declares"]["items"]["enum"]), ContextKind::ALL.map(|(_, w)| w));
    for (code, means, times) in CODES {
        let described = &top["clock"]["properties"][code];
        assert!(described["description"].as_str().unwrap().starts_with(means), "{code}");
        assert_eq!(described["minItems"].as_u64().map(|n| n as usize), *times, "{code}");
        assert_eq!(described["maxItems"].as_u64().map(|n| n as usize), *times, "{code}");
        assert!(PAGE.contains(&format!("`{}`", code.split('.').next().unwrap())), "{code}");
    }
    let default = Settings::default();
    assert_eq!(top["zone"]["default"], default.zone_name.as_str());
    assert_eq!(list(&top["weight-codes"]["default"]), default.weight_codes.into_iter().collect::<Vec<_>>());
    for key in KEYS.iter().chain(Site::ALL.iter().map(|(_, w)| w)).chain(ContextKind::ALL.iter().map(|(_, w)| w)) {
        assert!(PAGE.contains(&format!("`{key}")), "{key} is on the page");
    }
}

/// Check digits. SNOMED CT: codes of FHIR value sets (route-codes, and 22298006 of the FHIR specification's
/// examples); LOINC: codes of FHIR's vital signs profile.
#[test]
fn check_digits() {
    for code in ["418730005", "420218003", "127492001", "127490009", "22298006", "443031000124106"] {
        assert!(is_sctid(code), "{code}");
        let (stem, last) = code.split_at(code.len() - 1);
        for other in "0123456789".chars().filter(|c| !last.starts_with(*c)) {
            assert!(!is_sctid(&format!("{stem}{other}")), "{stem}{other}");
        }
    }
    for code in ["29463-7", "3141-9", "8302-2", "8867-4", "9279-1", "85354-9", "39156-5", "8310-5"] {
        assert!(is_loinc(code), "{code}");
        let (stem, last) = code.split_at(code.len() - 1);
        for other in "0123456789".chars().filter(|c| !last.starts_with(*c)) {
            assert!(!is_loinc(&format!("{stem}{other}")), "{stem}{other}");
        }
    }
    for code in ["", "12345", "0123456", "41873000a", "29463", "29463-", "-7", "29463-77"] {
        assert!(!is_sctid(code) && !is_loinc(code), "{code}");
    }
}

#[test]
fn the_hash_is_of_what_the_institution_set() {
    let (base, _) = good(DEMO);
    // Layout, order, and what a caller asks for do not matter.
    let laid_out =
        DEMO.replace("AC = [\"07:30\", \"11:30\", \"17:30\"]", "\n# x\n AC=[ \"17:30\",\"07:30\",\"11:30:00\" ]");
    assert_ne!(laid_out, DEMO);
    assert_eq!(good(&laid_out).0.content_hash(), base.content_hash());
    let mut asked_for = embedded().unwrap();
    for (name, value) in
        [("zone", "UTC"), ("day-start", "00:00"), ("date", "2026-11-25"), ("days", "3"), ("day-kind", "civil")]
    {
        asked::apply(name, value, &mut asked_for).unwrap();
    }
    assert_eq!(asked_for.hash, base.content_hash());
    // Every setting does.
    let mut hashes = vec![base.content_hash(), Settings::default().content_hash()];
    for (from, to) in [
        ("Europe/Vienna", "Europe/Berlin"),
        ("day-start = \"07:00\"", "day-start = \"07:01\""),
        ("day-start = \"07:00\"", "declares = [\"labs\"]"),
        ("day-start = \"07:00\"", "weight-codes = [\"3141-9\"]"),
        ("day-start = \"07:00\"", "harmless-texts = [\"per protocol EN-7\"]"),
        ("HS = [\"21:00\"]", "HS = [\"21:01\"]"),
        ("HS = [", "PHS = ["),
        ("site = \"post-pyloric\"", "site = \"gastric\""),
        ("\"Nasojejunal tube\"", "\"NJ tube\""),
    ] {
        let changed = DEMO.replace(from, to);
        assert_ne!(changed, DEMO, "{from}");
        hashes.push(good(&changed).0.content_hash());
    }
    let count = hashes.len();
    hashes.sort();
    hashes.dedup();
    assert_eq!(hashes.len(), count);
    assert!(hashes.iter().all(|h| h.len() == 16 && h.bytes().all(|b| b.is_ascii_hexdigit())));
    // In the answer, beside the formulary's; settings without one leave it out.
    let formulary = Formulary::from_csv("formulary.csv", include_bytes!("../deploy/demo/formulary.csv")).unwrap();
    for (settings, expected) in [(embedded().unwrap(), Some(base.content_hash())), (Settings::default(), None)] {
        let order = include_bytes!("../deploy/demo/orders/demo-1-toddler.json");
        let answer: Value =
            serde_json::from_str(&parameters_json(&appraise(order, "", FhirVersion::R4, &formulary, &settings)))
                .unwrap();
        let version = answer["parameter"].as_array().unwrap().iter().find(|p| p["name"] == "version").unwrap();
        let part = version["part"].as_array().unwrap().iter().find(|p| p["name"] == "settings-hash");
        assert_eq!(part.map(|p| p["valueString"].as_str().unwrap().to_owned()), expected);
    }
}

fn run(arguments: &[&str], variables: &[(&str, &str)]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_enteral-gate"));
    for name in ["ENTERAL_GATE_SETTINGS", "ENTERAL_GATE_ZONE", "ENTERAL_GATE_DAY_START", "ENTERAL_GATE_FORMULARY"] {
        command.env_remove(name);
    }
    command.args(arguments).envs(variables.iter().copied()).output().unwrap()
}

fn written(name: &str, text: &[u8]) -> String {
    let folder = std::path::Path::new(env!("CARGO_TARGET_TMPDIR")).join("settings");
    std::fs::create_dir_all(&folder).unwrap();
    let path = folder.join(name);
    std::fs::write(&path, text).unwrap();
    path.to_str().unwrap().to_owned()
}

const JEJUNAL: &str = "deploy/demo/orders/demo-4-jejunal-bolus.json";

#[test]
fn settings_check_says_where_each_value_comes_from() {
    let file = written("origins.toml", b"zone = \"Europe/Vienna\"\n[clock]\nBID = [\"08:00\", \"20:00\"]\n[[routes]]\ntext = \"NJ\"\nsite = \"post-pyloric\"\n[queue]\nstop-within = 20\n");
    let output = run(
        &["settings", "check", &file, "--day-start", "06:00", "--declares", "labs,history"],
        &[("ENTERAL_GATE_ZONE", "Europe/Berlin")],
    );
    assert_eq!(output.status.code(), Some(0), "{output:?}");
    let text = String::from_utf8(output.stdout).unwrap();
    for (key, value, origin) in [
        ("zone", "Europe/Berlin", "ENTERAL_GATE_ZONE".to_owned()),
        ("day-start", "06:00", "--day-start".to_owned()),
        ("declares", "labs, history", "--declares".to_owned()),
        ("weight-codes", "29463-7, 3141-9", "default".to_owned()),
        ("harmless-texts", "none", "default".to_owned()),
        ("clock.BID", "08:00, 20:00", format!("{file}:3")),
        ("routes", "text \"nj\" is post-pyloric", format!("{file}:4")),
        ("queue.stop-within", "20 min", format!("{file}:8")),
        ("queue.others-within", "480 min", "default".to_owned()),
        ("queue.before-start", "0 min", "default".to_owned()),
    ] {
        let line = text.lines().find(|l| l.starts_with(&format!("{key} "))).unwrap_or_else(|| panic!("{key}: {text}"));
        assert!(line.contains(value) && line.ends_with(&format!("[{origin}]")), "{line}");
    }
    // The file by variable; the hash is the one of answers.
    let output = run(&["settings", "check"], &[("ENTERAL_GATE_SETTINGS", &file)]);
    let text = String::from_utf8(output.stdout).unwrap();
    assert!(text.contains(&format!("Europe/Vienna  [{file}:1]")), "{text}");
    let hash = text.lines().last().unwrap().strip_prefix("settings-hash").unwrap().trim().to_owned();
    let output = run(&["check", JEJUNAL, "--demo", "--settings", &file, "--format", "json"], &[]);
    let answer = String::from_utf8(output.stdout).unwrap();
    assert!(answer.contains(&format!(r#"{{"name":"settings-hash","valueString":"{hash}"}}"#)), "{answer}");
    // Flags win: to the byte the answer of a file that says so.
    let with = |text: &str, flags: &[&str]| {
        let file = written("flags.toml", text.as_bytes());
        let arguments =
            [&["check", JEJUNAL, "--demo", "--format", "json", "--settings", file.as_str()], flags].concat();
        run(&arguments, &[]).stdout
    };
    let flagged = with("zone = \"Asia/Tokyo\"\ndeclares = [\"labs\"]", &["--zone", "UTC", "--declares", "devices"]);
    assert_eq!(flagged, with("zone = \"UTC\"\ndeclares = [\"devices\"]", &[]));
}

#[test]
fn a_file_that_cannot_be_used_ends_with_64() {
    let bad = written("bad.toml", b"day-start = \"7\"\ncolour = 1\n");
    let latin = written("latin.toml", b"# caf\xe9\n");
    let large = written("large.toml", &vec![b'#'; (1 << 20) + 1]);
    let missing = written("x", b"") + "-not-there";
    for (file, said) in [
        (&bad, "2:1"),
        (&bad, "1:13"),
        (&latin, "1:6: this is not UTF-8"),
        (&large, "larger"),
        (&missing, "x-not-there"),
    ] {
        for arguments in [
            vec!["settings", "check", file, "--day-start", "x"],
            vec!["check", JEJUNAL, "--demo", "--settings", file, "--day-start", "x"],
            vec!["serve", "--formulary", "deploy/demo/formulary.csv", "--settings", file, "--day-start", "x"],
        ] {
            let output = run(&arguments, &[]);
            assert_eq!(output.status.code(), Some(64), "{output:?}");
            let all = String::from_utf8_lossy(&output.stdout) + String::from_utf8_lossy(&output.stderr);
            // The flags too are looked at in the same go.
            assert!(all.contains(said) && all.contains("--day-start"), "{all}");
            assert!(arguments[0] == "settings" || output.stdout.is_empty());
        }
    }
}

/// A route that FHIR's value set does not have, by code and by text; clock times for event codes.
#[test]
fn settings_change_the_answer() {
    let formulary = Formulary::from_csv("formulary.csv", include_bytes!("../deploy/demo/formulary.csv")).unwrap();
    let mut settings = Settings::default();
    read("s.toml", DEMO, &mut settings).unwrap();
    let order = |route: &str| {
        format!(
            r#"{{"resourceType":"NutritionOrder","status":"active","intent":"order","patient":{{"reference":"Patient/p"}},"dateTime":"2026-11-25T07:00:00Z","enteralFormula":{{"baseFormulaProductName":"A10","routeofAdministration":{route},"administration":[{{"schedule":{{"repeat":{{"when":["ACM","ACD","ACV","HS"]}}}},"quantity":{{"value":250,"system":"http://unitsofmeasure.org","code":"mL"}}}}]}}}}"#
        )
    };
    for route in
        [r#"{"coding":[{"system":"http://snomed.info/sct","code":"418730005"}]}"#, r#"{"text":" nasojejunal TUBE "}"#]
    {
        let text = order(route);
        for (with, expected) in [(&settings, true), (&Settings::default(), false)] {
            let a = appraise(text.as_bytes(), "", FhirVersion::R4, &formulary, with);
            let fired =
                a.orders[0].judged.iter().any(|j| j.rule.id == "RTE-01" && matches!(j.outcome, Outcome::Flagged(_)));
            assert_eq!(fired, expected, "{route}");
            let untimed = a.orders[0].assumptions.iter().any(|(x, _)| x.id() == "A-12");
            assert_eq!(untimed, !expected);
            let (_, t) = a.orders[0].steady.as_ref().unwrap();
            let feed = t.get(enteral_gate::nutrition::measure::Measure::FormulaVolume).known();
            assert_eq!(feed, Some(enteral_gate::exact::Exact::int(1000)));
        }
    }
}

#[test]
fn the_hooks_client_is_configured() {
    let mut settings = Settings::default();
    let plain = settings.content_hash();
    let lines = read("s.toml", "[hooks]\nfhir = \"R4B\"\nnothing-checked = \"412\"\n", &mut settings).unwrap();
    assert_eq!(
        settings.hooks,
        Hooks { fhir: FhirVersion::R4B, nothing_checked: NothingChecked::Status412, ..Hooks::default() }
    );
    assert_eq!((lines.keys["hooks.fhir"], lines.keys["hooks.nothing-checked"]), (2, 3));
    assert_ne!(settings.content_hash(), plain);
    assert_eq!((Hooks::default().deadline, Hooks::default().servers.len()), (400, 0), "no call-back unless it is set");
    let (settings, _) = good(
        "[hooks]\ndeadline = 1_000\n[[hooks.servers]]\nbase = \"HTTPS://FHIR.example:443/r4/\"\nprivate-addresses = true\nfhir = \"R4B\"\nleave-out = [\"encounter\"]\ntemplates.labs = \"Observation?patient={{context.patientId}}\"\n[[hooks.servers]]\nbase = \"https://b.example\"",
    );
    let hooks = &settings.hooks;
    assert_eq!((hooks.deadline, hooks.servers.len()), (1000, 2));
    let first = hooks.server("https://fhir.example/r4").unwrap();
    assert!(first.private_addresses && first.fhir == Some(FhirVersion::R4B) && first.leave_out.contains("encounter"));
    assert_eq!(first.templates["labs"], "Observation?patient={{context.patientId}}");
    assert_eq!(hooks.server("https://b.example/").map(|s| s.private_addresses), Some(false));
    assert_eq!(hooks.server("https://c.example"), None);
}

/// The times of the file are those of the service: of the tasks that it gives, with what was kept by others before.
#[test]
fn a_service_sorts_its_queue_by_the_times_of_the_file() {
    let store = std::env::temp_dir().join(format!("eg-settings-queue-{}.sqlite", std::process::id()));
    let _ = std::fs::remove_file(&store);
    let order = r#"{"resourceType":"NutritionOrder","id":"n","status":"draft","intent":"order","patient":{"reference":"Patient/p"},"dateTime":"2026-11-25","enteralFormula":{"administration":[{"rateQuantity":{"value":50,"unit":"mL/h"}}]}}"#;
    for (nth, minutes) in [7, 300].into_iter().enumerate() {
        let all: String = queue_keys()
            .filter(|key| *key != LookWithin::BEFORE_START)
            .fold("[queue]\n".to_owned(), |text, key| format!("{text}{key} = {minutes}\n"));
        let file = written(&format!("queue-{nth}.toml"), all.as_bytes());
        let mut child = Command::new(env!("CARGO_BIN_EXE_enteral-gate"))
            .env_clear()
            .args([
                "serve",
                "--listen",
                "127.0.0.1:0",
                "--formulary",
                "deploy/demo/formulary.csv",
                "--rulebook",
                "none",
            ])
            .args(["--settings", &file, "--store", store.to_str().unwrap()])
            .env("ENTERAL_GATE_LOG", "info")
            .stdout(std::process::Stdio::piped())
            .stderr(std::process::Stdio::piped())
            .spawn()
            .unwrap();
        let mut first = String::new();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut first).unwrap();
        let here = first.trim().rsplit('/').next().unwrap().to_owned();
        let ask = |method: &str, path: &str, body: &str| {
            let mut stream = TcpStream::connect(&here).unwrap();
            let length = body.len();
            write!(stream, "{method} {path} HTTP/1.1\r\nhost: localhost\r\nconnection: close\r\ncontent-type: application/fhir+json\r\ncontent-length: {length}\r\n\r\n{body}").unwrap();
            let mut answer = String::new();
            stream.read_to_string(&mut answer).unwrap();
            answer.split_once("\r\n\r\n").unwrap().1.to_owned()
        };
        if nth == 0 {
            ask("POST", "/fhir/R4/NutritionOrder/$validate", order);
        }
        let tasks: Value = serde_json::from_str(&ask("GET", "/fhir/R4/Task", "")).unwrap();
        let task = &tasks["entry"][0]["resource"];
        let time = |value: &Value| value.as_str().unwrap().parse::<jiff::Timestamp>().unwrap();
        let (received, due) = (time(&task["authoredOn"]), time(&task["restriction"]["period"]["end"]));
        assert_eq!(due.duration_since(received).as_mins(), minutes, "{task:#}");
        // Which it says of itself, once it has: what has not been said when it is stopped was not going to be.
        let (line, lines) = std::sync::mpsc::channel();
        let said_by = BufReader::new(child.stderr.take().unwrap());
        std::thread::spawn(move || said_by.lines().map_while(Result::ok).try_for_each(|l| line.send(l)));
        let sorted = |line: &String| line.contains("the queue was sorted again");
        let mut said = Vec::new();
        while nth == 1 && !said.iter().any(sorted) {
            let next = lines.recv_timeout(std::time::Duration::from_secs(60));
            said.push(next.unwrap_or_else(|_| panic!("the queue was not sorted again: {said:#?}")));
        }
        let _ = child.kill();
        child.wait().unwrap();
        said.extend(lines);
        assert_eq!(said.iter().any(sorted), nth == 1, "{said:#?}");
    }
    let _ = std::fs::remove_file(&store);
}
