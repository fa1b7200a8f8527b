//! What a rulebook does to an answer: nothing goes unsaid when a rule is switched off, a check stays open, a code is
//! not in the list of concepts, or a narrower limit is only tried out. People, products and limits are invented.

use enteral_gate::answer::{outcome_json, text};
use enteral_gate::appraise::{Appraisal, Institution, appraise_by, check_by};
use enteral_gate::findings::{Outcome, Tier};
use enteral_gate::formulary::Formulary;
use enteral_gate::http::samples::SAMPLES;
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::rulebook::file::{self, Source};
use enteral_gate::rulebook::{Rulebook, short_form};
use enteral_gate::settings::Settings;
use std::sync::LazyLock;
use toml::Table;

static FORMULARY: LazyLock<Formulary> =
    LazyLock::new(|| Formulary::from_csv("demo", include_bytes!("../deploy/demo/formulary.csv")).unwrap());
static SETTINGS: LazyLock<Settings> = LazyLock::new(Settings::default);
static STARTER: LazyLock<Rulebook> = LazyLock::new(|| file::read(file::starter()).unwrap());

fn book(text: &str) -> Rulebook {
    let text = format!("rulebook = 1\nlabel = \"Invented\"\nedition = \"1\"\n{text}");
    file::read(&[Source { name: "invented.toml", text: &text }]).unwrap_or_else(|all| panic!("{all:?}"))
}

fn limit(id: &str, more: &str) -> String {
    format!(
        "[[limit]]\nid = \"{id}\"\nname = \"n-{}\"\ntitle = \"Invented\"\ntier = \"MED\"\nmode = \"card\"\naudience = [\"nurse\"]\nsource = \"common practice, no source\"\nevidence = \"common-practice\"\nowner = \"x\"\nnote = \"x\"\nchanges = [\"x\"]\noverride-reasons = [\"x\"]\n{more}\n",
        id.to_lowercase()
    )
}

fn bundle(given: &str) -> String {
    let given: Table = toml::from_str(given).unwrap();
    short_form::compose(&given, &STARTER).unwrap()
}

fn by(book: &Rulebook) -> Institution<'_> {
    Institution { formulary: &FORMULARY, rulebook: book, settings: &SETTINGS }
}

fn outcome<'a>(a: &'a Appraisal<'_>, id: &str) -> &'a Outcome {
    let order = &a.orders[0];
    let all = order.judged.iter().chain(&order.shadow);
    &all.into_iter().find(|j| j.rule.id == id).unwrap_or_else(|| panic!("{id} is not judged")).outcome
}

const ADULT: &str = "age = \"70 a\"\nsex = \"male\"\nweight = \"70 kg\"\nproduct = \"A10\"\nrate = \"70 mL/h\"\n";

/// `$validate` works out less than `$appraise`; with limits too the OperationOutcome is the same to the byte.
#[test]
fn checking_and_appraising_say_the_same() {
    let clean: Table = toml::from_str(include_str!("corpus/clean.toml")).unwrap();
    let corpus = clean["order"]
        .as_array()
        .unwrap()
        .iter()
        .map(|o| (FhirVersion::R4, short_form::compose(o["given"].as_table().unwrap(), &STARTER).unwrap()));
    let samples = SAMPLES.iter().map(|s| (s.version, s.text.to_owned()));
    let mut compared = 0;
    for (version, order) in corpus.chain(samples) {
        let (whole, quick) = (
            appraise_by(order.as_bytes(), "", version, by(&STARTER)),
            check_by(order.as_bytes(), "", version, by(&STARTER)),
        );
        assert_eq!(outcome_json(&whole), outcome_json(&quick));
        let rules = whole.orders[0].judged.len() + whole.orders[0].shadow.len();
        assert_eq!(rules, enteral_gate::appraise::own_rules().count() + STARTER.limits.len() + STARTER.waiting.len());
        compared += 1;
    }
    assert!(compared > 50);
}

/// A rule that is switched off leaves a trace, and hides nothing; after its last day it is back.
#[test]
fn a_rule_switched_off_hides_nothing() {
    let order = bundle(&format!("{ADULT}density = \"24 kcal/mL\"\n"));
    let on = appraise_by(order.as_bytes(), "", FhirVersion::R4, by(&STARTER));
    assert_eq!(outcome(&on, "UNT-02").tier(), Some(Tier::Stop));
    assert_eq!(outcome(&on, "UNT-01"), &Outcome::Hidden("UNT-02"));
    let off = |until: &str| {
        book(&format!("[[off]]\nrule = \"UNT-02\"\nby = \"Invented pharmacist\"\nwhy = \"trial\"\nuntil = {until}\n"))
    };
    let during = off("2026-12-31");
    let a = appraise_by(order.as_bytes(), "", FhirVersion::R4, by(&during));
    assert_eq!(outcome(&a, "UNT-02").word(), "off");
    assert_eq!(outcome(&a, "UNT-01").word(), "flagged");
    for said in [text(&a, false), outcome_json(&a)] {
        assert!(said.contains("Switched off (UNT-02): by Invented pharmacist, until 2026-12-31: trial"), "{said}");
    }
    let after = off("2026-11-24");
    let a = appraise_by(order.as_bytes(), "", FhirVersion::R4, by(&after));
    assert_eq!(outcome(&a, "UNT-02").tier(), Some(Tier::Stop));
}

/// A milder finding does not cover that a graver check lacked its data.
#[test]
fn an_open_graver_check_is_said() {
    let two = "[[limit.check]]\ntier = \"HIGH\"\nwhen = \"serum_potassium > q('5 mmol/L')\"\nmeasure = \"highest_rate\"\nabove = \"q('60 mL/h')\"\ntext = \"x\"\n[[limit.check]]\nmeasure = \"highest_rate\"\nabove = \"q('65 mL/h')\"\ntext = \"Fast.\"\n";
    let book = book(&limit("LOC-01", two));
    let a = bundle(ADULT);
    let a = appraise_by(a.as_bytes(), "", FhirVersion::R4, by(&book));
    let Outcome::Flagged(found) = outcome(&a, "LOC-01") else { panic!("{:?}", outcome(&a, "LOC-01")) };
    assert_eq!(found[0].tier, Tier::Med);
    assert!(found[0].text.starts_with("Fast. Whether it is HIGH could not be judged: "), "{}", found[0].text);
}

/// A diagnosis that no concept stands for is seen by no limit, and the answer says so and where.
#[test]
fn what_the_rulebook_has_no_word_for_is_said() {
    let known = bundle(&format!("{ADULT}conditions = [\"heart-failure\"]\n"));
    let a = appraise_by(known.as_bytes(), "", FhirVersion::R4, by(&STARTER));
    assert!(a.orders[0].unlisted.is_empty());
    let concept = STARTER.concepts.iter().find(|c| c.key == "heart-failure").unwrap();
    let (system, code) = &concept.codes[0];
    let other = known.replace(&format!("\"{code}\""), "\"404684003\"");
    assert!(system.contains("snomed") && other != known);
    let a = appraise_by(other.as_bytes(), "", FhirVersion::R4, by(&STARTER));
    assert_eq!(a.orders[0].unlisted.len(), 1);
    assert!(text(&a, false).contains("1 entry among conditions"), "{}", text(&a, false));
    assert!(outcome_json(&a).contains("no limit looked at it"));
}

/// A narrower limit in shadow, or not yet in effect, does not take the place of the one that counts.
#[test]
fn only_a_limit_that_counts_takes_anothers_place() {
    let check = "[[limit.check]]\nmeasure = \"highest_rate\"\nabove = \"q('60 mL/h')\"\ntext = \"Fast.\"\n";
    let pair = |narrower: &str| {
        let general = limit("LOC-01", check).replace("n-loc-01", "rate");
        let narrow = limit("LOC-02", &format!("priority = 1\n{narrower}\n{}", check.replace("60", "200")));
        book(&format!("{general}{}", narrow.replace("n-loc-02", "rate")))
    };
    let order = bundle(ADULT);
    for (narrower, word) in
        [("", "not-applicable"), ("effective-from = 2027-01-01", "flagged"), ("effective-to = 2026-01-01", "flagged")]
    {
        let book = pair(narrower);
        let a = appraise_by(order.as_bytes(), "", FhirVersion::R4, by(&book));
        assert_eq!(outcome(&a, "LOC-01").word(), word, "{narrower}");
    }
    let shadow = {
        let general = limit("LOC-01", check).replace("n-loc-01", "rate");
        let narrow = limit("LOC-02", &format!("priority = 1\n{}", check.replace("60", "200")))
            .replace("n-loc-02", "rate")
            .replace("mode = \"card\"", "mode = \"shadow\"");
        book(&format!("{general}{narrow}"))
    };
    let a = appraise_by(order.as_bytes(), "", FhirVersion::R4, by(&shadow));
    assert_eq!(outcome(&a, "LOC-01").word(), "flagged");
    assert_eq!(a.orders[0].shadow.len(), 1);
}

/// Of two limits of one name the one of higher priority counts, wherever it stands.
#[test]
fn the_limit_of_higher_priority_counts() {
    let check = "[[limit.check]]\nmeasure = \"highest_rate\"\nabove = \"q('60 mL/h')\"\ntext = \"Fast.\"\n";
    let order = bundle(ADULT);
    let words = |first: &str, second: &str| {
        let a = limit("LOC-01", &format!("{first}{check}")).replace("n-loc-01", "rate");
        let b = limit("LOC-02", &format!("{second}{check}")).replace("n-loc-02", "rate");
        let book = book(&format!("{a}{b}"));
        let a = appraise_by(order.as_bytes(), "", FhirVersion::R4, by(&book));
        (outcome(&a, "LOC-01").word().to_owned(), outcome(&a, "LOC-02").word().to_owned())
    };
    let is = |a: &str, b: &str| (a.to_owned(), b.to_owned());
    assert_eq!(words("priority = 1\n", "priority = 2\n"), is("not-applicable", "flagged"));
    assert_eq!(words("priority = 2\n", "priority = 1\n"), is("flagged", "not-applicable"));
}
