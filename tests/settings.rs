//! The settings file: read, refused with its places, and in step with its schema and its page.

use enteral_gate::appraise::appraise;
use enteral_gate::cli::settings_file::{CODES, SITES, read};
use enteral_gate::findings::Outcome;
use enteral_gate::formulary::Formulary;
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::settings::{Settings, Site};
use serde_json::Value;

const DEMO: &str = include_str!("../deploy/demo/settings.toml");
const SCHEMA: &str = include_str!("../schemas/settings.schema.json");
const PAGE: &str = include_str!("../docs/configure.md");

fn schema() -> jsonschema::Validator {
    jsonschema::validator_for(&serde_json::from_str::<Value>(SCHEMA).unwrap()).unwrap()
}

fn as_json(text: &str) -> Value {
    serde_json::to_value(toml::from_str::<toml::Value>(text).unwrap()).unwrap()
}

fn problems(text: &str) -> Vec<String> {
    let mut settings = Settings::default();
    read("s.toml", text, &mut settings).err().unwrap_or_default().iter().map(ToString::to_string).collect()
}

#[test]
fn the_demo_file_and_the_page_example_are_good() {
    let example = PAGE.split("```toml\n").nth(1).and_then(|t| t.split("```").next()).unwrap();
    for text in [DEMO, example] {
        assert_eq!(problems(text), Vec::<String>::new());
        assert!(schema().is_valid(&as_json(text)));
    }
    let mut settings = Settings::default();
    read("s.toml", DEMO, &mut settings).unwrap();
    assert_eq!(settings.zone_name, "Europe/Vienna");
    assert_eq!(settings.clock["BID"], [8 * 3600, 20 * 3600]);
    assert_eq!(settings.routes[&(String::new(), "nasojejunal tube".to_owned())], Site::PostPyloric);
}

#[test]
fn reader_and_schema_agree_on_what_is_wrong() {
    for (text, line, word) in [
        ("zone = \"Nowhere/Else\"", 1, "time zone"),
        ("\nday-start = \"7 am\"", 2, "HH:MM"),
        ("declares = [\"labs\", \"gossip\"]", 1, "gossip"),
        ("[clock]\nBID = [\"08:00\", \"25:00\"]", 2, "25:00"),
        ("[clock]\nXYZ = [\"08:00\"]", 2, "no timing code"),
        ("[clock]\nHS = []", 2, "at least one"),
        ("[clock]\nBID = [\"08:00\", \"08:00\"]", 2, "twice"),
        ("[[routes]]\ntext = \"x\"\nsite = \"somewhere\"", 3, "no site"),
        ("[[routes]]\nsystem = \"x\"\nsite = \"gastric\"", 1, "system and code"),
        ("weight-codes = []", 1, "LOINC"),
        ("colour = \"red\"", 1, "colour"),
        ("zone = 7", 1, "string"),
    ] {
        let found = problems(text);
        assert_eq!(found.len(), 1, "{text}: {found:?}");
        assert!(found[0].starts_with(&format!("s.toml:{line}:")) && found[0].contains(word), "{text}: {found:?}");
        // Whether a zone exists is not for a schema to say.
        if !text.contains("Nowhere") {
            assert!(!schema().is_valid(&as_json(text)), "{text}");
        }
    }
    assert_eq!(problems("day-start = \"x\"\n[clock]\nHS = [\"y\"]\nAM = [\"z\"]").len(), 3, "all at once");
    assert_eq!(problems("zone = ").len(), 1);
}

#[test]
fn words_of_reader_and_schema_are_the_same() {
    let schema: Value = serde_json::from_str(SCHEMA).unwrap();
    let list =
        |v: &Value| -> Vec<String> { v.as_array().unwrap().iter().map(|x| x.as_str().unwrap().to_owned()).collect() };
    assert_eq!(list(&schema["properties"]["clock"]["propertyNames"]["enum"]), CODES);
    let sites: Vec<&str> = SITES.iter().map(|(w, _)| *w).collect();
    assert_eq!(list(&schema["properties"]["routes"]["items"]["properties"]["site"]["enum"]), sites);
    for key in schema["properties"].as_object().unwrap().keys() {
        assert!(PAGE.contains(&format!("`{key}")), "{key} is on the page");
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
        [r#"{"coding":[{"system":"http://snomed.info/sct","code":"127491004"}]}"#, r#"{"text":" nasojejunal TUBE "}"#]
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
