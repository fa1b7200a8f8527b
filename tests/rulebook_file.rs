//! Rulebook files: what is read, and what is said about what cannot be read.

use enteral_gate::rulebook::expression::Named;
use enteral_gate::rulebook::file::{self, Source, read_with};
use enteral_gate::rulebook::schema::{self, Key};
use enteral_gate::rulebook::value::{self, Fact, Facts, Need, Type};
use enteral_gate::rulebook::{ConceptKind, Mode, Rulebook, TestKind};
use enteral_gate::units::Dimension;
use proptest::prelude::*;
use serde_json::{Value, json};

const fn quantity(name: &'static str, dimension: Dimension, unit: &'static str) -> Fact {
    Fact { name, kind: Type::Quantity(dimension), unit, need: Need::Core, title: "" }
}
const fn word(name: &'static str) -> Fact {
    Fact { name, kind: Type::Word(&[]), unit: "", need: Need::Core, title: "" }
}
static FACTS: &[Fact] = &[
    quantity("age", Dimension::TIME, "a"),
    quantity("weight", Dimension::MASS, "kg"),
    quantity("highest_rate", Dimension::VOLUME_RATE, "mL/h"),
    quantity("serum_potassium", Dimension::SUBSTANCE_CONCENTRATION, "mmol/L"),
    Fact { name: "conditions", kind: Type::Keys, unit: "", need: Need::Core, title: "" },
    word("setting"),
    word("ward"),
    word("route"),
    word("method"),
    word("product_age_class"),
];

/// A book with one of everything; invented.
const WHOLE: &str = r#"rulebook = 1
label = "Invented"
edition = "1"
[adopted]
by = "Nobody"
on = 2026-11-25
[[off]]
rule = "CMP-04"
by = "Nobody"
why = "Shown at the bedside"
until = 2027-06-30
[[concept]]
kind = "condition"
key = "kidney"
title = "kidney disease"
codes = ["http://snomed.info/sct|709044004"]
[[staleness]]
fact = "serum_potassium"
after = "3 d"
[[pump]]
title = "small pump"
when = "weight < q('10 kg')"
rate = ["1 mL/h", "300 mL/h"]
rate-step = "1 mL/h"
volume-step = "1 mL"
[[waiting]]
id = "NUT-10"
name = "choline-low"
title = "Choline"
tier = "LOW"
source = "invented"
why = "no content is sent"
[[limit]]
id = "RTE-03"
name = "rate-high"
title = "The rate is high"
tier = "HIGH"
mode = "card"
audience = ["prescriber", "dietitian"]
source = "invented"
evidence = "common-practice"
owner = "nobody"
note = "invented"
changes = ["2026-11-25: first"]
override-reasons = ["tolerated before"]
effective-from = 2026-11-25
effective-to = 2030-01-01
priority = 1
[limit.scope]
age = { from = "18 a", below = "65 a" }
weight = { from = "30 kg" }
setting = ["icu", "ward"]
ward = ["W3"]
route = ["post-pyloric"]
method = ["continuous"]
product = ["adult"]
where = "weight > q('1 kg') || age > q('1 a')"
[limit.parameters]
adult = "150 mL/h"
[[limit.check]]
tier = "MED"
when = "age >= q('18 a')"
measure = "highest_rate"
above = "adult"
text = "The rate is {measure; mL/h; 0}."
fix = "Give {bound; mL/h; 0}."
scale-feed = "bound / measure"
[[limit.test]]
title = "a"
kind = "flag"
expect = "flagged"
tier = "MED"
[limit.test.given]
age = "70 a"
weight = "70 kg"
rate = "160 mL/h"
feeds = 6
conditions = ["kidney"]
labs = { serum_potassium = "5 mmol/L" }
flush = { volume = "30 mL", every = "4 h" }
steps = [{ rate = "20 mL/h", for = "8 h" }]
declares = ["labs"]
other-orders = [{ rate = "20 mL/h" }]
[[limit.test]]
title = "b"
kind = "pass"
expect = "clear"
given = {}
[[limit.test]]
title = "c"
kind = "boundary"
expect = "clear"
given = {}
[[limit.test]]
title = "d"
kind = "missing"
expect = "not-evaluated"
given = {}
"#;

fn book(texts: &[&str]) -> Result<Rulebook, Vec<String>> {
    let names: Vec<String> = (0..texts.len()).map(|n| format!("{}.toml", char::from(b'a' + n as u8))).collect();
    let sources: Vec<Source<'_>> = names.iter().zip(texts).map(|(name, text)| Source { name, text }).collect();
    read_with(&sources, FACTS).map_err(|problems| problems.iter().map(ToString::to_string).collect())
}

fn good(texts: &[&str]) -> Rulebook {
    book(texts).unwrap_or_else(|problems| panic!("{}", problems.join("\n")))
}

fn problems(texts: &[&str]) -> Vec<String> {
    book(texts).expect_err("a problem")
}

#[test]
fn a_book_with_everything_is_read() {
    let book = good(&[WHOLE]);
    assert_eq!((book.label.as_str(), book.edition.as_str()), ("Invented", "1"));
    assert_eq!(book.adopted.as_ref().map(|a| a.on.to_string()).as_deref(), Some("2026-11-25"));
    assert_eq!(book.off.len(), 1);
    assert_eq!(book.concepts[0].kind, ConceptKind::Condition);
    assert_eq!(book.concepts[0].codes, [("http://snomed.info/sct".to_owned(), "709044004".to_owned())]);
    assert_eq!(book.staleness[0].seconds, enteral_gate::exact::Exact::int(259_200));
    assert_eq!(book.pumps[0].rate[1], enteral_gate::exact::Exact::int(300));
    assert_eq!(book.waiting[0].rule.id, "NUT-10");
    let limit = &book.limits[0];
    assert_eq!(limit.mode, Mode::Card);
    assert_eq!(limit.parameters[0].unit, "mL/h");
    assert_eq!(limit.tests.iter().map(|t| t.kind).collect::<Vec<_>>()[3], TestKind::Missing);
    assert_eq!(limit.tests[0].given["feeds"].as_integer(), Some(6));
    let scope = &limit.scope.as_ref().unwrap().text;
    assert!(scope.contains("age >= q('18 a') && age < q('65 a')"), "{scope}");
    assert!(scope.contains("setting in ['icu', 'ward']"), "{scope}");
    assert!(scope.contains("(weight > q('1 kg') || age > q('1 a'))"), "{scope}");
    assert!(limit.scope_text.contains("setting icu or ward"), "{}", limit.scope_text);
    assert!(book.warnings.is_empty(), "{:?}", book.warnings);
    assert_eq!(book.hash.len(), 16);
}

/// What is changed in `WHOLE`, and what is said about it. None of these is accepted by the schema either,
/// but for those marked `false`.
const WRONG: &[(&str, &str, &str, bool)] = &[
    ("rulebook = 1\n", "", "has no rulebook", true),
    ("rulebook = 1", "rulebook = 2", "rulebook: expected 1", true),
    ("label = \"Invented\"", "lable = \"Invented\"", "(did you mean “label”?)", true),
    ("edition = \"1\"", "edition = 1", "write it in quotes", true),
    ("edition = \"1\"", "edition = \" \"", "which is empty", true),
    ("on = 2026-11-25", "on = \"2026-11-25\"", "without quotes?", false),
    ("on = 2026-11-25", "on = 2026-11-25T10:00:00", "a day without quotes", true),
    ("on = 2026-11-25", "on = 2026-02-30", "this is not TOML", false),
    ("by = \"Nobody\"\non", "on", "[adopted] has no by", true),
    ("rule = \"CMP-04\"", "rule = \"CMP-99\"", "off.rule: expected the id", false),
    ("why = \"Shown at the bedside\"\n", "", "[[off]] has no why", true),
    ("kind = \"condition\"", "kind = \"conditon\"", "(did you mean “condition”?)", true),
    ("key = \"kidney\"", "key = \"Kidney\"", "a word in small letters", true),
    ("http://snomed.info/sct|709044004", "709044004", "system|code", true),
    ("fact = \"serum_potassium\"", "fact = \"serum_potasium\"", "(did you mean “serum_potassium”?)", false),
    ("after = \"3 d\"", "after = \"3 kg\"", "expected time", false),
    ("after = \"3 d\"", "after = \"3d\"", "(did you mean “3 d”?)", true),
    ("after = \"3 d\"", "after = \"0 d\"", "over zero", false),
    ("[\"1 mL/h\", \"300 mL/h\"]", "[\"1 mL/h\"]", "lowest and the highest", true),
    ("[\"1 mL/h\", \"300 mL/h\"]", "[\"301 mL/h\", \"300 mL/h\"]", "is over the highest", false),
    ("id = \"NUT-10\"", "id = \"RTE-03\"", "stands at", false),
    ("id = \"RTE-03\"", "id = \"rte-03\"", "(did you mean “RTE-03”?)", true),
    ("id = \"RTE-03\"", "id = \"CMP-04\"", "is the id of a rule of the program", false),
    ("tier = \"HIGH\"", "tier = \"high\"", "(did you mean “HIGH”?)", true),
    ("mode = \"card\"", "mode = \"cards\"", "(did you mean “card”?)", true),
    ("audience = [\"prescriber\", \"dietitian\"]", "audience = []", "at least one", true),
    ("audience = [\"prescriber\", \"dietitian\"]", "audience = \"dietitian\"", "in brackets, such as", true),
    ("[\"prescriber\", \"dietitian\"]", "[\"dietitian\", \"dietitian\"]", "stands twice", true),
    ("source = \"invented\"\nevidence", "evidence", "a limit has no source", true),
    ("effective-to = 2030-01-01", "effective-to = 2020-01-01", "is before effective-from", false),
    ("priority = 1\n", "priority = \"1\"\n", "a whole number", true),
    ("below = \"65 a\"", "below = \"17 a\"", "nothing lies between", false),
    ("weight = { from = \"30 kg\" }", "weight = { fron = \"30 kg\" }", "(did you mean “from”?)", true),
    ("weight = { from = \"30 kg\" }", "weight = { from = \"30 a\" }", "expected mass", false),
    ("[\"icu\", \"ward\"]", "[\"icu\", \"wards\"]", "(did you mean “ward”?)", true),
    ("ward = [\"W3\"]", "ward = [\"W'3\"]", "without quotes", true),
    ("adult = \"150 mL/h\"", "adult = \"150 mls/h\"", "the unit of", false),
    ("adult = \"150 mL/h\"", "adult = \"1,5 mL/h\"", "decimal sign is a point", true),
    ("adult = \"150 mL/h\"", "adult = 150", "write it in quotes", true),
    ("adult = \"150 mL/h\"", "Adult = \"150 mL/h\"", "small letters", true),
    ("adult = \"150 mL/h\"", "age = \"150 a\"", "name of a fact", false),
    ("above = \"adult\"", "flag = \"adult\"", "measure with above or below, or flag", true),
    ("above = \"adult\"\n", "", "measure with above or below, or flag", true),
    ("text = \"The rate is {measure; mL/h; 0}.\"\n", "", "a check has no text", true),
    ("scale-feed = \"bound / measure\"", "scale-feed = \"bound\"", "check.scale-feed", false),
    ("scale-feed = \"bound / measure\"", "scale-feed = \"bound / mesure\"", "(did you mean “measure”?)", false),
    ("scale-feed = ", "scale_feed = ", "(did you mean “scale-feed”?)", true),
    (
        "scale-feed = \"bound / measure\"",
        "scale-feed = \"1\"\nscale-flush = \"1\"",
        "expected scale-feed or scale-flush, found both",
        true,
    ),
    ("kind = \"flag\"", "kind = \"flags\"", "(did you mean “flag”?)", true),
    ("expect = \"flagged\"", "expect = \"flag\"", "one of flagged", true),
    ("feeds = 6", "feeds = \"6\"", "a whole number of feeds", true),
    ("feeds = 6", "feed = 6", "(did you mean “feeds”?)", true),
    ("conditions = [\"kidney\"]", "conditions = [\"kidneys\"]", "(did you mean “kidney”?)", false),
    ("{ serum_potassium = \"5 mmol/L\" }", "{ serum_potassium = 5.0 }", "write it in quotes", true),
    ("declares = [\"labs\"]", "declares = [\"lab\"]", "(did you mean “labs”?)", true),
    ("rate = \"20 mL/h\", for", "rat = \"20 mL/h\", for", "(did you mean “rate”?)", true),
    ("note = \"invented\"", "age = \"invented\"", "it belongs below a line [limit.scope]", true),
    ("note = \"invented\"", "text = \"invented\"", "(did you mean “test”?)", true),
    ("[[limit]]", "[limit]", "each below a line [[limit]]", true),
];

#[test]
fn what_is_wrong_is_said_with_its_place() {
    let mut failed = Vec::new();
    for (from, to, said, _) in WRONG {
        assert!(WHOLE.contains(from), "{from}");
        let text = WHOLE.replacen(from, to, 1);
        match book(&[&text]) {
            Ok(_) => failed.push(format!("{to:?} is accepted")),
            Err(problems) if !problems.iter().any(|p| p.contains(said)) => {
                failed.push(format!("{to:?}: {said:?} is not in\n  {}", problems.join("\n  ")));
            }
            Err(_) => {}
        }
    }
    assert!(failed.is_empty(), "{}", failed.join("\n"));
}

#[test]
fn all_problems_come_at_once_with_line_and_column() {
    let text = WHOLE
        .replacen("mode = \"card\"", "mode = \"crad\"", 1)
        .replacen("tier = \"LOW\"", "tier = \"LO\"", 1)
        .replacen("label", "lable", 1);
    let found = problems(&[&text]);
    let places: Vec<String> = ["lable =", "\"LO\"", "\"crad\""]
        .iter()
        .map(|word| {
            let at = text.find(word).unwrap();
            let line = text[..at].matches('\n').count() + 1;
            format!("a.toml:{line}:{}:", text[..at].rsplit('\n').next().unwrap().len() + 1)
        })
        .collect();
    for place in &places {
        assert!(found.iter().any(|p| p.starts_with(place)), "{place} in {found:#?}");
    }
}

const SITE: &str = r#"rulebook = 1
label = "Invented site"
extends = "starter"
[[override]]
limit = "RTE-03"
by = "Nutrition committee"
why = "Pumps of ward W3"
tier = "MED"
parameters.adult = "125 mL/h"
scope.ward = "any"
"#;

#[test]
fn a_later_file_overrides_keys_and_both_places_are_kept() {
    let book = good(&[WHOLE, SITE]);
    assert_eq!(book.label, "Invented site");
    assert_eq!(book.edition, "1");
    let limit = &book.limits[0];
    assert_eq!(limit.rule.tier.code(), "MED");
    assert_eq!(limit.parameters[0].value, enteral_gate::exact::Exact::int(125));
    assert!(!limit.scope.as_ref().unwrap().text.contains("W3"));
    assert_eq!(limit.places.len(), 2);
    assert!(limit.places[1].starts_with("b.toml:"), "{:?}", limit.places);
    let effective = book.effective();
    let adult = effective.iter().find(|e| e.key == "parameters.adult").unwrap();
    assert_eq!((adult.value.as_str(), adult.place.as_str()), ("125 mL/h", "b.toml:9"));
    assert_eq!(adult.replaced.len(), 1);
    assert_eq!(adult.replaced[0].0, "150 mL/h");
    assert!(adult.replaced[0].1.starts_with("a.toml:"));
    assert_eq!(file::extends(SITE).as_ref().map(|e| e.base.as_str()), Some("starter"));
}

#[test]
fn an_override_that_cannot_be_is_said() {
    for (from, to, said) in [
        ("limit = \"RTE-03\"", "limit = \"RTE-04\"", "there is no limit \"RTE-04\" (did you mean “RTE-03”?)"),
        ("by = \"Nutrition committee\"\n", "", "an override has no by"),
        ("why = \"Pumps of ward W3\"\n", "", "an override has no why"),
        ("parameters.adult", "parameters.adlut", "has no parameters.adlut to replace"),
        ("125 mL/h", "125 mL", "as in what is replaced"),
        ("tier = \"MED\"", "tierr = \"MED\"", "(did you mean “tier”?)"),
        ("tier = \"MED\"\n", "id = \"RTE-05\"\n", "the id of a limit stays"),
    ] {
        let text = SITE.replacen(from, to, 1);
        let found = problems(&[WHOLE, &text]);
        assert!(found.iter().any(|p| p.starts_with("b.toml:") && p.contains(said)), "{said}: {found:#?}");
    }
    let twice = format!("{SITE}{}", SITE.split_once("extends = \"starter\"\n").unwrap().1);
    assert!(problems(&[WHOLE, &twice]).iter().any(|p| p.contains("is replaced at b.toml:8 already")));
    assert!(problems(&[WHOLE, WHOLE]).iter().any(|p| p.contains("to change it, use [[override]]")));
}

#[test]
fn limits_of_one_name_must_be_apart_or_ranked() {
    let start = WHOLE.find("[[limit]]").unwrap();
    let second = WHOLE[start..].replacen("RTE-03", "RTE-04", 1);
    let both = |second: &str| format!("{WHOLE}{second}");
    assert!(problems(&[&both(&second)]).iter().any(|p| p.contains("can both apply")));
    good(&[&both(&second.replacen("priority = 1", "priority = 2", 1))]);
    good(&[&both(&second.replacen("from = \"18 a\", below = \"65 a\"", "from = \"65 a\"", 1))]);
    good(&[&both(&second.replacen("from = \"18 a\", below = \"65 a\"", "below = \"216 mo\"", 1))]);
    good(&[&both(&second.replacen("[\"post-pyloric\"]", "[\"gastric\"]", 1))]);
    good(&[&both(&second.replacen("mode = \"card\"", "mode = \"off\"", 1))]);
    good(&[&both(&second.replacen("name = \"rate-high\"", "name = \"rate-low\"", 1))]);
}

#[test]
fn a_limit_without_its_four_tests_is_a_warning() {
    let text = WHOLE.replacen("kind = \"boundary\"", "kind = \"pass\"", 1);
    let book = good(&[&text]);
    assert_eq!(book.warnings.len(), 1);
    assert!(book.warnings[0].to_string().contains("RTE-03 has no test of kind boundary"), "{}", book.warnings[0]);
}

#[test]
fn the_hash_changes_with_every_letter_and_name() {
    let hash = |name: &str, text: &str| read_with(&[Source { name, text }], FACTS).unwrap().hash;
    assert_eq!(hash("a", WHOLE), hash("a", WHOLE));
    assert_ne!(hash("a", WHOLE), hash("b", WHOLE));
    assert_ne!(hash("a", WHOLE), hash("a", &format!("{WHOLE}# note\n")));
}

#[test]
fn no_file_and_an_empty_file_are_problems() {
    assert_eq!(problems(&[]).len(), 2);
    assert_eq!(problems(&[""]).len(), 3);
}

fn schema() -> jsonschema::Validator {
    let text = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/schemas/rulebook.schema.json")).unwrap();
    let schema: Value = serde_json::from_str(&text).unwrap();
    jsonschema::draft202012::options().build(&schema).unwrap()
}

/// A TOML file as an editor gives it to a schema: days and times are texts.
fn as_json(value: &toml::Value) -> Value {
    match value {
        toml::Value::String(text) => json!(text),
        toml::Value::Integer(number) => json!(number),
        toml::Value::Float(number) => json!(number),
        toml::Value::Boolean(truth) => json!(truth),
        toml::Value::Datetime(time) => json!(time.to_string()),
        toml::Value::Array(list) => Value::Array(list.iter().map(as_json).collect()),
        toml::Value::Table(table) => Value::Object(table.iter().map(|(k, v)| (k.clone(), as_json(v))).collect()),
    }
}

fn json_of(text: &str) -> Option<Value> {
    text.parse::<toml::Table>().ok().map(|table| as_json(&toml::Value::Table(table)))
}

#[test]
fn the_schema_for_editors_agrees_with_the_reader() {
    let schema = schema();
    let accepted = |text: &str| schema.is_valid(&json_of(text).unwrap());
    for text in [WHOLE, SITE, "rulebook = 1\n"].into_iter().chain(file::starter().iter().map(|source| source.text)) {
        let value = json_of(text).unwrap();
        let errors: Vec<String> = schema.iter_errors(&value).map(|e| format!("{}: {e}", e.instance_path())).collect();
        assert!(errors.is_empty(), "{}", errors.join("\n"));
    }
    let mut failed = Vec::new();
    for (from, to, _, refused) in WRONG {
        let text = WHOLE.replacen(from, to, 1);
        if *refused && accepted(&text) {
            failed.push(*to);
        }
    }
    assert!(failed.is_empty(), "the schema accepts {failed:?}");
}

fn lists() -> Vec<(&'static str, &'static [Key])> {
    vec![
        ("", schema::FILE),
        ("adopted", schema::ADOPTED),
        ("off", schema::OFF),
        ("concept", schema::CONCEPT),
        ("staleness", schema::STALENESS),
        ("pump", schema::PUMP),
        ("waiting", schema::WAITING),
        ("limit", schema::LIMIT),
        ("scope", schema::SCOPE),
        ("range", schema::RANGE),
        ("check", schema::CHECK),
        ("test", schema::TEST),
        ("given", schema::GIVEN),
    ]
}

#[test]
fn the_schema_and_the_document_have_every_key() {
    let root = env!("CARGO_MANIFEST_DIR");
    let text = std::fs::read_to_string(format!("{root}/schemas/rulebook.schema.json")).unwrap();
    let value: Value = serde_json::from_str(&text).unwrap();
    let document = std::fs::read_to_string(format!("{root}/docs/rulebook.md")).unwrap();
    for (name, keys) in lists() {
        let table = if name.is_empty() { &value } else { &value["$defs"][name] };
        let properties = table["properties"].as_object().unwrap_or_else(|| panic!("{name}"));
        let mut known: Vec<&str> = keys.iter().map(|key| key.name).collect();
        known.sort_unstable();
        let mut found: Vec<&str> = properties.keys().map(String::as_str).collect();
        found.sort_unstable();
        assert_eq!(known, found, "{name}");
        for key in keys {
            assert_eq!(properties[key.name]["description"], key.title, "{name}.{}", key.name);
            assert!(document.contains(&format!("`{}`", key.name)), "docs/rulebook.md has no `{}`", key.name);
            let required = table["required"].as_array().is_some_and(|list| list.contains(&json!(key.name)));
            assert_eq!(required, key.required, "{name}.{}", key.name);
        }
    }
}

#[test]
fn the_examples_of_the_document_are_read() {
    let document = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/docs/rulebook.md")).unwrap();
    let files: Vec<&str> = document
        .split("```toml\n")
        .skip(1)
        .filter_map(|rest| rest.split("```").next())
        .filter(|text| text.starts_with("rulebook = 1"))
        .collect();
    assert_eq!(files.len(), 2);
    good(&files);
}

#[test]
fn the_starter_rulebook_is_read_by_the_schema() {
    assert!(!file::starter().is_empty());
    for source in file::starter() {
        assert!(json_of(source.text).is_some(), "{}", source.name);
    }
}

#[test]
fn what_is_wrong_in_an_expression_is_said_at_its_place_in_the_file() {
    for (from, to, at, said) in [
        ("above = \"adult\"", "above = \"2 * adlut\"", "adlut", "adult"),
        ("above = \"adult\"", "above = \"weight\"", "weight\"\ntext", ""),
        (
            "where = \"weight",
            "where = \"\"\"\nage > q('1 a')\n  && wieght > q('1 kg')\"\"\" # weight",
            "wieght",
            "weight",
        ),
        ("where = \"weight", "where = '\"weight", "", ""),
        ("{measure; mL/h; 0}", "{meazure; mL/h; 0}", "meazure", "measure"),
        ("where = \"weight", "where = \"'kidny' in conditions && weight", "'kidny'", "kidney"),
        ("when = \"weight <", "when = \"wieght <", "wieght", "weight"),
    ] {
        assert!(WHOLE.contains(from), "{from}");
        let text = WHOLE.replacen(from, to, 1);
        let found = problems(&[&text]);
        if at.is_empty() {
            continue;
        }
        let offset = text.find(at).unwrap();
        let line = text[..offset].matches('\n').count() + 1;
        let column = text[..offset].rsplit('\n').next().unwrap().chars().count() + 1;
        let place = format!("a.toml:{line}:{column}: ");
        assert!(found.iter().any(|p| p.starts_with(&place) && p.contains(said)), "{place} {said}: {found:#?}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn no_text_makes_it_panic(text in "\\PC*") {
        drop(book(&[&text]));
    }

    #[test]
    fn no_damage_makes_it_panic(from in 0usize..3000, length in 0usize..40, put in "[\\[\\]{}=\"'.,a-z0-9\n\\\\-]{0,6}") {
        let letters: Vec<char> = WHOLE.chars().collect();
        let from = from.min(letters.len());
        let to = (from + length).min(letters.len());
        let text: String = letters[..from].iter().copied().chain(put.chars()).chain(letters[to..].iter().copied()).collect();
        drop(book(&[&text, SITE]));
        drop(book(&[WHOLE, &text]));
    }
}

#[test]
fn the_starter_rulebook_is_read() {
    let book = file::read(file::starter()).unwrap_or_else(|problems| {
        panic!("{}", problems.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))
    });
    assert!(!book.limits.is_empty());
    let folder = std::fs::read_dir(concat!(env!("CARGO_MANIFEST_DIR"), "/src/rulebook/starter")).unwrap();
    let files = folder.filter(|f| f.as_ref().unwrap().path().extension().is_some_and(|e| e == "toml"));
    assert_eq!(files.count(), file::starter().len(), "every file of the folder is in the list");
}

/// The system of a code is a URI; a later file adds its codes to a concept, each once; a short form knows two sexes; what an
/// expression looks for among medicines is a concept of medicines.
#[test]
fn codes_and_orders_in_short_form_are_what_they_seem() {
    let with = |from: &str, to: &str| {
        assert!(WHOLE.contains(from), "{from}");
        WHOLE.replacen(from, to, 1)
    };
    for system in ["snomed", "snomed info:sct", ":sct", "1http://x", "http:"] {
        let text = with("http://snomed.info/sct|", &format!("{system}|"));
        assert!(problems(&[&text]).iter().any(|p| p.contains("system|code")), "{system}");
    }
    good(&[&with("http://snomed.info/sct|", "urn:oid:2.16.840.1.113883.6.96|")]);
    let site = "rulebook = 1\nlabel = \"Invented site\"\n[[concept]]\nkind = \"condition\"\nkey = \"kidney\"\ntitle = \"kidneys\"\ncodes = [\"http://snomed.info/sct|709044004\", \"http://snomed.info/sct|90708001\"]\n";
    let book = good(&[WHOLE, site]);
    let codes: Vec<&str> = book.concepts[0].codes.iter().map(|(_, code)| code.as_str()).collect();
    assert_eq!((book.concepts.len(), book.concepts[0].title.as_str()), (1, "kidneys"));
    assert_eq!(codes, ["709044004", "90708001"]);
    for (key, right, wrong) in [
        ("every", "4 h", "4 kg"),
        ("weight-age", "2 d", "2 mL"),
        ("fluid-limit", "1500 mL/d", "much"),
        ("height", "170 cm", "170 kg"),
        ("cap", "1500 mL/d", "much"),
    ] {
        let given = |value: &str| with("feeds = 6", &format!("feeds = 6\n{key} = \"{value}\""));
        good(&[&given(right)]);
        let found = problems(&[&given(wrong)]);
        assert!(found.iter().any(|p| p.contains(&format!("given.{key}"))), "{key}: {found:?}");
    }
    for (mode, word) in [(Mode::Off, "off"), (Mode::Shadow, "shadow"), (Mode::Queue, "queue"), (Mode::Card, "card")] {
        assert_eq!(mode.word(), word);
    }
    let sex = |sex: &str| with("feeds = 6", &format!("feeds = 6\nsex = \"{sex}\""));
    good(&[&sex("female")]);
    assert!(problems(&[&sex("woman")]).iter().any(|p| p.contains("given.sex")), "{:?}", problems(&[&sex("woman")]));
}

/// What is wrong with a key is said once, and in words that say what stands there.
#[test]
fn what_was_found_is_named() {
    let only = |from: &str, to: &str| {
        assert!(WHOLE.contains(from), "{from}");
        let mut all = problems(&[&WHOLE.replacen(from, to, 1)]);
        assert_eq!(all.len(), 1, "{to}: {all:#?}");
        let said = all.remove(0);
        said.split_once(": ").map(|(_, said)| said.to_owned()).unwrap_or_default()
    };
    let edition = |value: &str| only("edition = \"1\"", &format!("edition = {value}"));
    for (value, found) in [
        ("1", "a whole number; write it in quotes"),
        ("1.5", "a number; write it in quotes"),
        ("true", "true or false; write it in quotes"),
        ("2026-11-25", "a date or time without quotes; write it in quotes"),
        ("[\"1\"]", "a list"),
        ("{ a = \"1\" }", "a table"),
        ("\" \"", "\" \", which is empty"),
    ] {
        let said = edition(value);
        assert!(said.ends_with(&format!("found {found}")), "{value}: {said}");
    }
    // A key that is not known is not read as anything else.
    let said = only("feeds = 6", "feed = 6");
    assert!(said.contains("(did you mean “feeds”?)"), "{said}");
    let tierr = SITE.replacen("tier = \"MED\"", "tierr = \"MED\"", 1);
    let all = problems(&[WHOLE, &tierr]);
    assert_eq!(all.len(), 1, "{all:#?}");
}

/// Each key of an order in short form has a form of its own.
#[test]
fn every_key_of_a_short_form_has_its_form() {
    let given = |line: &str| WHOLE.replacen("feeds = 6", &format!("feeds = 6\n{line}"), 1);
    for (right, wrong, key) in [
        ("gestation = \"28 wk\"", "gestation = \"28 kg\"", "given.gestation"),
        ("density = \"1.5 kcal/mL\"", "density = \"dense\"", "given.density"),
        ("height = \"170 cm\"", "height = \"tall\"", "given.height"),
        ("birth-weight = \"3 kg\"", "birth-weight = \"3 cm\"", "given.birth-weight"),
        ("volume = \"250 mL\"", "volume = \"much\"", "given.volume"),
        ("birth-date = 1956-11-25", "birth-date = 3", "given.birth-date"),
        ("medicines = []", "medicines = [\"kidney\"]", "given.medicines"),
        ("allergies = []", "allergies = [\"kidney\"]", "given.allergies"),
        (
            "earlier-labs = { serum_potassium = \"4 mmol/L\" }",
            "earlier-labs = { conditions = \"4 mmol/L\" }",
            "given.earlier-labs",
        ),
    ] {
        good(&[&given(right)]);
        let all = problems(&[&given(wrong)]);
        assert!(all.iter().any(|p| p.contains(key)), "{wrong}: {all:?}");
    }
    for (right, wrong) in
        [("rate = \"160 mL/h\"", "rate = \"fast\""), ("age = \"70 a\"\nweight", "age = \"old\"\nweight")]
    {
        assert!(WHOLE.contains(right));
        let all = problems(&[&WHOLE.replacen(right, wrong, 1)]);
        assert!(all.iter().any(|p| p.contains("given.")), "{wrong}: {all:?}");
    }
    // Only what is measured has a value in a laboratory.
    let labs = |name: &str| WHOLE.replacen("{ serum_potassium = ", &format!("{{ {name} = "), 1);
    good(&[&labs("serum_potassium")]);
    for name in ["conditions", "route", "invented"] {
        let all = problems(&[&labs(name)]);
        assert!(all.iter().any(|p| p.contains("is not the name of a measured fact")), "{name}: {all:?}");
    }
    // Orders stand within orders four deep.
    let nested = |n: usize| {
        let inner = format!("{}{}", "{ rate = \"20 mL/h\", other-orders = [".repeat(n - 1), "{ rate = \"20 mL/h\" }");
        let text = format!("other-orders = [{inner}{}]", "] }".repeat(n - 1));
        WHOLE.replacen("other-orders = [{ rate = \"20 mL/h\" }]", &text, 1)
    };
    good(&[&nested(1)]);
    good(&[&nested(4)]);
    let all = problems(&[&nested(5)]);
    assert!(all.iter().any(|p| p.contains("orders within orders are nested too deep")), "{all:?}");
}

/// The same word may be a concept of each kind; the same rule is switched off once.
#[test]
fn what_stands_twice_is_of_the_same_kind() {
    let concept = |kind: &str, code: &str| {
        format!(
            "[[concept]]\nkind = \"{kind}\"\nkey = \"kidney\"\ntitle = \"Invented\"\ncodes = [\"http://snomed.info/sct|{code}\"]\n"
        )
    };
    let with = |more: &str| WHOLE.replacen("[[staleness]]", &format!("{more}[[staleness]]"), 1);
    let three: String = [concept("allergy", "1"), concept("medicine", "2"), concept("setting", "3")].concat();
    assert_eq!(good(&[&with(&three)]).concepts.len(), 4);
    for kind in ["condition", "allergy", "medicine", "setting"] {
        let all = problems(&[&with(&[&three, concept(kind, "4").as_str()].concat())]);
        assert!(all.iter().any(|p| p.contains("concept: \"kidney\" stands at")), "{kind}: {all:?}");
    }
    let off = |rule: &str| {
        with(&format!("[[off]]\nrule = \"{rule}\"\nby = \"Nobody\"\nwhy = \"Invented\"\nuntil = 2027-06-30\n"))
    };
    assert_eq!(good(&[&off("CMP-05")]).off.len(), 2);
    let all = problems(&[&off("CMP-04")]);
    assert!(all.iter().any(|p| p.contains("off.rule: \"CMP-04\" is switched off already")), "{all:?}");
}

/// Lines that end as on Windows are lines; what is wrong stands where an editor shows it.
#[test]
fn places_are_right_where_lines_end_with_two_signs() {
    let lines = "\nage > q('1 a')\n  && weight > q('1 kg')\n  && wieght > q('2 kg')";
    for quotes in ["\"\"\"", "'''"] {
        let text = WHOLE
            .replacen("\"weight > q('1 kg') || age > q('1 a')\"", &format!("{quotes}{lines}{quotes}"), 1)
            .replace('\n', "\r\n");
        let line = text.lines().position(|line| line.contains("wieght")).unwrap() + 1;
        let all = problems(&[&text]);
        assert!(all.iter().any(|p| p.starts_with(&format!("a.toml:{line}:6: "))), "{line}: {all:?}");
    }
}

/// The book without a limit is the same book without it.
#[test]
fn a_limit_can_be_left_out() {
    let start = WHOLE.find("[[limit]]").unwrap();
    let second = WHOLE[start..].replacen("RTE-03", "RTE-04", 1).replacen("rate-high", "rate-higher", 1);
    let book = good(&[&format!("{WHOLE}{second}")]);
    let ids = |book: &Rulebook| book.limits.iter().map(|l| l.rule.id.to_string()).collect::<Vec<_>>();
    assert_eq!(ids(&book), ["RTE-03", "RTE-04"]);
    assert_eq!(ids(&book.without("RTE-03")), ["RTE-04"]);
    assert_eq!(ids(&book.without("RTE-05")), ["RTE-03", "RTE-04"]);
}

/// Bounds that meet are bounds; a later word on how old a value may be counts for that value alone.
#[test]
fn bounds_may_meet() {
    let with = |from: &str, to: &str| {
        assert!(WHOLE.contains(from), "{from}");
        WHOLE.replacen(from, to, 1)
    };
    good(&[&with("effective-to = 2030-01-01", "effective-to = 2026-11-25")]);
    good(&[&with("[\"1 mL/h\", \"300 mL/h\"]", "[\"300 mL/h\", \"300 mL/h\"]")]);
    let all = problems(&[&with("adult = \"150 mL/h\"", "adult = \"x5 mL/h\"")]);
    assert!(all[0].contains("limit.parameters.adult") && !all[0].contains("decimal sign"), "{all:?}");
    let site = "rulebook = 1\nlabel = \"Invented site\"\n[[staleness]]\nfact = \"weight\"\nafter = \"1 d\"\n";
    let stale =
        |texts: &[&str]| good(texts).staleness.iter().map(|s| (s.fact.clone(), s.seconds.short(0))).collect::<Vec<_>>();
    let is = |fact: &str, seconds: &str| (fact.to_owned(), seconds.to_owned());
    assert_eq!(stale(&[WHOLE, site]), [is("serum_potassium", "259200"), is("weight", "86400")]);
    let again = site.replace("weight", "serum_potassium");
    assert_eq!(stale(&[WHOLE, &again]), [is("serum_potassium", "86400")]);
    assert!(Rulebook::default().is_empty() && !good(&[WHOLE]).is_empty());
}

/// What would have no effect is said: a parameter that no check names, a tier beside checks that have their own, how old a
/// thing may be that has no age.
#[test]
fn what_has_no_effect_is_said() {
    let more = |line: &str| WHOLE.replacen("adult = \"150 mL/h\"\n", &format!("adult = \"150 mL/h\"\n{line}\n"), 1);
    let all = problems(&[&more("spare = \"1 mL/h\"")]);
    assert!(
        all.len() == 1
            && all[0].ends_with("limit.parameters.spare: no check of the limit uses it, so it has no effect"),
        "{all:?}"
    );
    let site = "rulebook = 1\nlabel = \"Invented site\"\n[[override]]\nlimit = \"RTE-03\"\nby = \"Nobody\"\nwhy = \"Invented\"\ntier = \"LOW\"\n";
    let warned =
        |base: &str| good(&[base, site]).warnings.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n");
    assert!(
        warned(WHOLE).contains("limit.tier: RTE-03 has checks with a tier of their own (MED)"),
        "{}",
        warned(WHOLE)
    );
    let without = WHOLE.replacen("[[limit.check]]\ntier = \"MED\"\n", "[[limit.check]]\n", 1);
    assert!(without != WHOLE && !warned(&without).contains("limit.tier"), "{}", warned(&without));
    for fact in ["highest_rate", "route", "conditions", "age"] {
        let stale =
            format!("rulebook = 1\nlabel = \"Invented site\"\n[[staleness]]\nfact = \"{fact}\"\nafter = \"1 d\"\n");
        let all = problems(&[WHOLE, &stale]);
        assert!(
            all.iter().any(|p| p.contains("staleness.fact: expected the name of what is measured: weight")),
            "{all:?}"
        );
    }
}

/// Limits beyond their dates and switching off that is over: on the last day itself they still count.
#[test]
fn dates_that_lapse_are_told() {
    use enteral_gate::rulebook::lapse::lapses;
    use jiff::civil::date;
    let book = good(&[WHOLE]);
    let told = |y, m, d| lapses(&book, date(y, m, d));
    // WHOLE's limit is in effect from 2026-11-25 to 2030-01-01, CMP-04 off until 2027-06-30.
    let adopted = "the rulebook is adopted only from 2026-11-25 on, which has not come (adopted.on)";
    assert_eq!(told(2026, 11, 24), [adopted, "RTE-03 judges nothing before 2026-11-25 (effective-from)"]);
    assert_eq!(told(2026, 11, 25), Vec::<String>::new());
    assert_eq!(told(2027, 6, 30), Vec::<String>::new());
    let off = "CMP-04 is no longer switched off, since 2027-06-30 is over (until)";
    assert_eq!(told(2027, 7, 1), [off]);
    assert_eq!(told(2029, 12, 1), [off]);
    assert_eq!(told(2029, 12, 2), ["RTE-03 judges nothing once 2030-01-01 is over (effective-to)", off]);
    assert_eq!(told(2030, 1, 1)[0], "RTE-03 judges nothing once 2030-01-01 is over (effective-to)");
    assert_eq!(told(2030, 1, 2)[0], "RTE-03 judges nothing since 2030-01-01 is over (effective-to)");
}

/// An order of which nothing is known.
struct Nothing;

impl Facts for Nothing {
    fn value(&self, fact: usize) -> value::Value {
        value::Value::Missing(vec![value::Missing { fact, why: "not sent".into(), at: Vec::new() }])
    }

    fn places(&self, _fact: usize) -> Vec<enteral_gate::intake::order::At> {
        Vec::new()
    }
}

/// Parts with a name: for every limit, for one limit, for one check; the innermost counts.
#[test]
fn parts_with_a_name_stand_for_what_they_say() {
    const CHECK: &str = "measure = \"highest_rate\"\nabove = \"adult\"\ntext = \"The rate is {measure; mL/h; 0}.\"\nfix = \"Give {bound; mL/h; 0}.\"\nscale-feed = \"bound / measure\"\n";
    assert!(WHOLE.contains(CHECK));
    let with = |top: &str, limit: &str, check: &str| {
        let text = WHOLE.replacen("[[limit]]\nid = \"RTE-03\"", &format!("{top}[[limit]]\nid = \"RTE-03\""), 1);
        let text = text.replacen("[[limit.check]]\n", &format!("{limit}[[limit.check]]\n"), 1);
        text.replacen(CHECK, check, 1)
    };
    let top = "[terms]\nover = \"highest_rate > most\"\nmost = \"bound_of_all * 2\"\nbound_of_all = \"q('60 mL/h')\"\n[phrases]\ngive = \"Give {most; mL/h; 0}{end_of_it}\"\nend_of_it = \" at most.\"\n";
    let named = CHECK.replace("Give {bound; mL/h; 0}.", "{give}");
    let fix = |book: &Rulebook| {
        let check = &book.limits[0].checks[0];
        let amount = value::Value::Missing(Vec::new());
        check.fix.as_ref().unwrap().render(&Nothing, &[amount.clone(), amount])
    };
    // `over` stands in the condition, `most` in the sentence, `bound_of_all` in `most`.
    let used = format!("when = \"over\"\n{named}");
    let used = with(top, "", &used).replacen("when = \"age >= q('18 a')\"\n", "", 1);
    let book = good(&[&used]);
    assert_eq!(fix(&book), "Give 120 mL/h at most.");
    let names = |of: &[Named]| of.iter().map(|one| one.name.clone()).collect::<Vec<_>>();
    assert_eq!(names(&book.limits[0].terms), ["bound_of_all", "most", "over"]);
    assert_eq!(names(&book.limits[0].phrases), ["end_of_it", "give"]);
    // The limit's own meaning before that for every limit, the check's own before both.
    let own =
        used.replacen("[[limit.check]]\n", "[limit.terms]\nbound_of_all = \"q('70 mL/h')\"\n[[limit.check]]\n", 1);
    assert_eq!(fix(&good(&[&own])), "Give 140 mL/h at most.");
    let check =
        |terms: &str| own.replacen("[[limit.check]]\n", &format!("[[limit.check]]\nterms = {{ {terms} }}\n"), 1);
    assert_eq!(fix(&good(&[&check("most = \"q('5 mL/h')\"")])), "Give 5 mL/h at most.");
    assert_eq!(fix(&good(&[&check("bound_of_all = \"q('4 mL/h')\"")])), "Give 8 mL/h at most.");
    let all = problems(&[&check("spare = \"true\"")]);
    assert!(all.len() == 1 && all[0].contains("check.terms.spare: the check does not use it"), "{all:?}");
    let site = "rulebook = 1\nlabel = \"Invented site\"\n[[override]]\nlimit = \"RTE-03\"\nby = \"Nobody\"\nwhy = \"Invented\"\nterms.bound_of_all = \"q('80 mL/h')\"\n";
    assert_eq!(fix(&good(&[&own, site])), "Give 160 mL/h at most.");
}

/// What is wrong with one is told where it is written, once, however many limits use it.
#[test]
fn parts_with_a_name_are_told_of_where_they_are_written() {
    let fault = |top: &str| {
        let text = WHOLE.replacen("[[limit]]\nid = \"RTE-03\"", &format!("{top}\n[[limit]]\nid = \"RTE-03\""), 1);
        let text = text.replacen("when = \"age >= q('18 a')\"", "when = \"old && old\"", 1);
        problems(&[&text])
    };
    let only = |top: &str| {
        let all = fault(top);
        assert_eq!(all.len(), 1, "{all:?}");
        all.into_iter().next().unwrap()
    };
    let line = |text: &str| WHOLE.lines().position(|l| l == "id = \"RTE-03\"").unwrap() + text.lines().count() - 1;
    let told = only("[terms]\nold = \"agee >= q('18 a')\"");
    assert_eq!(
        told,
        format!(
            "a.toml:{}:8: terms.old: `agee` is no fact, and no parameter or term of this limit (did you mean “age”?)",
            line("\n\n")
        ),
    );
    assert!(
        fault("[terms]\nold = \"older\"\nolder = \"old\"")
            .iter()
            .all(|told| told.contains("is worked out from itself"))
    );
    let kind = fault("[terms]\nold = \"weight\"");
    assert!(
        kind.len() == 2 && kind[0].contains("check.when: true or false is wanted here, this is an amount of mass"),
        "{kind:?}"
    );
    assert!(only("[terms]\nold = \"measure > q('5 mL/h')\"").contains("`measure` is no fact"));
    assert!(
        fault("[terms]\nold = \"true\"\nspare = \"true\"").iter().any(|p| p.contains("terms.spare: no limit uses it"))
    );
    assert!(
        fault("[terms]\nold = \"true\"\nweight = \"true\"")
            .iter()
            .any(|p| p.contains("weight means something else already"))
    );
    assert!(fault("[terms]\nold = 5").iter().any(|p| p.contains("terms.old: expected an expression in quotes")));
    assert!(fault("[terms]\nold = \"true\"\nOld = \"true\"").iter().any(|p| p.contains("small letters")));
    // Deep, wide, and both.
    let chain: String = (0..9).map(|n| format!("t{n} = \"t{}\"\n", n + 1)).collect();
    assert!(
        fault(&format!("[terms]\nold = \"t0\"\n{chain}t9 = \"true\"")).iter().any(|p| p.contains("at most 6 deep"))
    );
    let wide: String =
        (0..4).map(|n| format!("w{n} = \"{}\"\n", vec![format!("w{}", n + 1); 12].join(" && "))).collect();
    assert!(
        fault(&format!("[terms]\nold = \"w0\"\n{wide}w4 = \"true\""))
            .iter()
            .any(|p| p.contains("more than 400 places"))
    );
    // Phrases.
    let said = |phrases: &str| {
        let text = WHOLE.replacen("[[limit]]\nid = \"RTE-03\"", &format!("{phrases}\n[[limit]]\nid = \"RTE-03\""), 1);
        problems(&[&text.replacen("text = \"The rate is {measure; mL/h; 0}.\"", "text = \"{said}\"", 1)])
    };
    assert!(said("[phrases]\nsaid = \"{wieght; kg; 0}\"")[0].contains("phrases.said: `wieght` is no fact"));
    assert!(said("[phrases]\nsaid = \"{more}\"\nmore = \"{said}\"")[0].contains("stands in itself"));
    assert_eq!(said("[phrases]\nsaid = \"{if age > q('1 a')}x\"").len(), 1);
}

/// Which of several parts of one name is wrong is told, at its own place; a parameter goes before a part for every limit.
#[test]
fn parts_of_one_name_are_told_apart() {
    let with = |top: &str, limit: &str, check: &str| {
        let text = WHOLE.replacen("[[limit]]\nid = \"RTE-03\"", &format!("{top}\n[[limit]]\nid = \"RTE-03\""), 1);
        let text = text.replacen("[[limit.check]]\n", &format!("{limit}\n[[limit.check]]\n{check}\n"), 1);
        text.replacen("when = \"age >= q('18 a')\"", "when = \"old\"", 1)
    };
    let only = |text: &str| {
        let all = problems(&[text]);
        assert_eq!(all.len(), 1, "{all:?}");
        all.into_iter().next().unwrap()
    };
    let wrong = "old = \"agee >= q('18 a')\"";
    for (text, label, line) in [
        (with(&format!("[terms]\n{wrong}"), "", ""), "terms.old", wrong),
        (with("", &format!("[limit.terms]\n{wrong}"), ""), "limit.terms.old", wrong),
        (with("", "", &format!("terms = {{ {wrong} }}")), "check.terms.old", "terms = { "),
        // The innermost is used, and only that is told of; one that nobody uses then is another fault.
        (with("[terms]\nold = \"agee\"", &format!("[limit.terms]\n{wrong}"), ""), "limit.terms.old", wrong),
    ] {
        let all = problems(&[&text]);
        let told: Vec<&String> = all.iter().filter(|told| told.contains("`agee` is no fact")).collect();
        assert_eq!(told.len(), 1, "{all:?}");
        let place = text.lines().position(|l| l.starts_with(line)).unwrap() + 1;
        assert!(
            told[0].starts_with(&format!("a.toml:{place}:")) && told[0].contains(&format!(" {label}: ")),
            "{told:?}"
        );
    }
    // A term and a phrase have no name in common, but in a limit of its own each may be meant.
    let both = with("[terms]\nold = \"true\"\n[phrases]\nold = \"x\"", "", "");
    let told = only(&both);
    assert!(
        told.contains("phrases.old: the name stands at a.toml:") && told.ends_with("a limit may have one of its own")
    );
    // The parameter `adult` of the limit bounds the rate, whatever a part of the name says.
    let top = "[terms]\nadult = \"q('1 mL/h')\"\nold = \"age >= q('18 a')\"";
    let all = problems(&[&with(top, "", "")]);
    assert!(all.len() == 1 && all[0].contains("terms.adult: no limit uses it"), "{all:?}");
}
