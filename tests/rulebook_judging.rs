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
    assert_eq!(outcome(&on, "UNT-01"), &Outcome::Hidden("UNT-02".into()));
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
    // Wherever the graver check stands, and never where it is the milder one that is open.
    let check = |tier: &str, when: &str| {
        format!(
            "[[limit.check]]\ntier = \"{tier}\"\n{when}measure = \"highest_rate\"\nabove = \"q('60 mL/h')\"\ntext = \"Fast.\"\n"
        )
    };
    let open = "when = \"serum_potassium > q('5 mmol/L')\"\n";
    for (first, second, said) in [
        (check("HIGH", open), check("MED", ""), true),
        (check("MED", ""), check("HIGH", open), true),
        (check("MED", open), check("HIGH", ""), false),
        (check("HIGH", ""), check("MED", open), false),
        (check("MED", ""), check("MED", open), false),
        (check("MED", open), check("MED", ""), false),
    ] {
        let book = self::book(&limit("LOC-01", &format!("{first}{second}")));
        let order = bundle(ADULT);
        let a = appraise_by(order.as_bytes(), "", FhirVersion::R4, by(&book));
        let Outcome::Flagged(found) = outcome(&a, "LOC-01") else { panic!("{first}{second}") };
        assert_eq!(found[0].text.contains("could not be judged"), said, "{first}{second}: {}", found[0].text);
    }
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

/// The day's volume is 960 to 1440 mL, feeds of 240 mL four to six times a day.
fn four_to_six() -> String {
    let given = ADULT.replace("rate = \"70 mL/h\"", "volume = \"240 mL\"\nfeeds = 4");
    let order = bundle(&given).replace("\"frequency\":4", "\"frequency\":4,\"frequencyMax\":6");
    assert!(order.contains("frequencyMax"));
    order
}

fn volume_above(bound: &str) -> String {
    limit(
        "LOC-01",
        &format!("[[limit.check]]\nmeasure = \"formula_volume\"\nabove = \"q('{bound}')\"\ntext = \"Much.\"\n"),
    )
}

/// A bound within what the measure may be leaves the limit open, with the reason of the range; beyond its ends it does not.
#[test]
fn a_bound_within_a_range_is_open_and_says_why() {
    let order = four_to_six();
    let said = |bound: &str| {
        let book = book(&volume_above(bound));
        let a = appraise_by(order.as_bytes(), "", FhirVersion::R4, by(&book));
        outcome(&a, "LOC-01").clone()
    };
    for bound in ["960 mL/d", "1200 mL/d", "1439 mL/d"] {
        let Outcome::NotEvaluated(why, at) = said(bound) else { panic!("{bound}: {:?}", said(bound)) };
        assert_eq!(
            why,
            format!(
                "the bound {bound} lies within the range 960 to 1440 mL/d (the schedule allows more or fewer feeds)"
            )
        );
        assert!(!at.is_empty());
    }
    assert_eq!(said("959 mL/d").word(), "flagged");
    assert_eq!(said("1440 mL/d"), Outcome::Clear);
}

/// What a limit lacks is named by the fact's title, as it stands within a sentence, and why; what two checks lack, once.
#[test]
fn what_a_limit_lacks_is_said_in_words() {
    let check = |tier: &str| {
        format!(
            "[[limit.check]]\ntier = \"{tier}\"\nmeasure = \"energy_per_kg\"\nabove = \"q('40 kcal/kg/d')\"\ntext = \"Much.\"\n"
        )
    };
    let book = book(&limit("LOC-01", &format!("{}{}", check("HIGH"), check("MED"))));
    let order = bundle(&ADULT.replace("weight = \"70 kg\"\n", ""));
    let a = appraise_by(order.as_bytes(), "", FhirVersion::R4, by(&book));
    let Outcome::NotEvaluated(why, _) = outcome(&a, "LOC-01") else { panic!("{:?}", outcome(&a, "LOC-01")) };
    assert_eq!(why, "dosing weight: the latest weight before the order: no weight was sent");
}

/// Context that nobody sends is named by its kind in the trade's words.
#[test]
fn context_that_is_not_provided_is_named() {
    use enteral_gate::rulebook::judge::kind_words;
    use enteral_gate::settings::ContextKind as K;
    for (when, words) in [
        ("serum_potassium > q('5 mmol/L')", "laboratory results"),
        ("'cow-milk-protein' in allergies", "allergies"),
        ("'heart-failure' in conditions", "conditions"),
        ("tube_size > q('8 [Ch]')", "tubes and other devices"),
        ("other_orders > 1", "other orders of the patient"),
        ("fluid_limit > q('1 L/d')", "intravenous fluids and parenteral nutrition"),
        ("height > q('150 cm')", "height, earlier weights, birth data, ward or length of stay"),
    ] {
        let concept = |kind: &str, key: &str, code: &str| {
            format!(
                "[[concept]]\nkind = \"{kind}\"\nkey = \"{key}\"\ntitle = \"Invented\"\ncodes = [\"http://snomed.info/sct|{code}\"]\n"
            )
        };
        let text = format!(
            "{}{}{}",
            concept("condition", "heart-failure", "84114007"),
            concept("allergy", "cow-milk-protein", "782555009"),
            limit("LOC-01", &format!("[[limit.check]]\nflag = \"{when}\"\ntext = \"x\"\n"))
        );
        let book = book(&text);
        let order = bundle(ADULT);
        let a = appraise_by(order.as_bytes(), "", FhirVersion::R4, by(&book));
        let Outcome::NotProvided(said) = outcome(&a, "LOC-01") else { panic!("{when}: {:?}", outcome(&a, "LOC-01")) };
        assert_eq!(said, words, "{when}");
    }
    assert_eq!(kind_words(K::Medicines), "medicines");
}

/// The arithmetic of a finding is what was compared, with the parameters' values and units and the facts'.
#[test]
fn the_arithmetic_names_what_was_compared() {
    let check = "[limit.parameters]\nmost = \"60 mL/h\"\nshare = \"2\"\n[[limit.check]]\nmeasure = \"highest_rate * share\"\nabove = \"most\"\ntext = \"Fast.\"\n";
    let book = book(&limit("LOC-01", check));
    let order = bundle(ADULT);
    let a = appraise_by(order.as_bytes(), "", FhirVersion::R4, by(&book));
    let Outcome::Flagged(found) = outcome(&a, "LOC-01") else { panic!("{:?}", outcome(&a, "LOC-01")) };
    assert_eq!(
        found[0].arithmetic.as_deref(),
        Some("highest rate * share > most, with most = 60 mL/h, share = 2, highest rate = 70 mL/h")
    );
    let below = "[[limit.check]]\nmeasure = \"energy_per_kg\"\nbelow = \"q('40 kcal/kg/d')\"\ntext = \"Little.\"\n";
    let book = self::book(&limit("LOC-01", below));
    let a = appraise_by(order.as_bytes(), "", FhirVersion::R4, by(&book));
    let Outcome::Flagged(found) = outcome(&a, "LOC-01") else { panic!("{:?}", outcome(&a, "LOC-01")) };
    // 1680 mL at 1 kcal/mL for 70 kg.
    assert_eq!(
        found[0].arithmetic.as_deref(),
        Some("energy per kg < q('40 kcal/kg/d'), with energy per kg = 24 kcal/kg/d")
    );
    assert!(!found[0].at.is_empty());
}

/// What a wrong amount makes of a limit is its consequence; a limit on what no amount of the order bears on is judged.
#[test]
fn only_what_rests_on_a_wrong_amount_is_hidden_by_it() {
    let order = bundle(&format!("{ADULT}density = \"24 kcal/mL\"\nlabs = {{ serum_potassium = \"6 mmol/L\" }}\n"));
    let said = |check: &str| {
        let book = book(&limit("LOC-01", &format!("[[limit.check]]\n{check}\ntext = \"x\"\n")));
        let a = appraise_by(order.as_bytes(), "", FhirVersion::R4, by(&book));
        assert_eq!(outcome(&a, "UNT-02").tier(), Some(Tier::Stop));
        outcome(&a, "LOC-01").clone()
    };
    assert_eq!(said("measure = \"energy\"\nabove = \"q('100 kcal/d')\""), Outcome::Hidden("UNT-02".into()));
    assert_eq!(said("measure = \"highest_rate\"\nabove = \"q('10 mL/h')\""), Outcome::Hidden("UNT-02".into()));
    assert_eq!(said("measure = \"serum_potassium\"\nabove = \"q('5 mmol/L')\"").word(), "flagged");
    assert_eq!(said("measure = \"feeding_time\"\nabove = \"q('1 h/d')\"").word(), "flagged");
    // By what it is, not by the letters of its unit: millimoles a day and densities are amounts, kilograms are none.
    for amount in ["potassium_mmol", "density", "protein_per_energy", "free_water_per_energy"] {
        assert_eq!(said(&format!("flag = \"{amount} * 0 < {amount}\"")), Outcome::Hidden("UNT-02".into()), "{amount}");
    }
    assert_eq!(said("measure = \"weight\"\nabove = \"q('60 kg')\"").word(), "flagged");
    // What would be found all the same is no consequence; a condition that rests on the amount makes it one.
    let potassium = "serum_potassium > q('5 mmol/L')";
    assert_eq!(said(&format!("flag = \"energy > q('1 kcal/d') || {potassium}\"")).word(), "flagged");
    let when = format!("when = \"energy > q('1 kcal/d')\"\nflag = \"{potassium}\"");
    assert_eq!(said(&when), Outcome::Hidden("UNT-02".into()));
}

/// A weight that jumped is told of beside a density that is wrong: neither follows from the other.
#[test]
fn a_wrong_amount_hides_nothing_about_the_weight() {
    let order =
        bundle(&format!("{ADULT}density = \"24 kcal/mL\"\nearlier-weight = {{ value = \"90 kg\", ago = \"5 d\" }}\n"));
    let a = appraise_by(order.as_bytes(), "", FhirVersion::R4, by(&STARTER));
    assert_eq!(outcome(&a, "UNT-02").tier(), Some(Tier::Stop));
    assert_eq!(outcome(&a, "WGT-04").tier(), Some(Tier::Med), "{:?}", outcome(&a, "WGT-04"));
    assert_eq!(outcome(&a, "NUT-01"), &Outcome::Hidden("UNT-02".into()));
}

/// A key that no concept of its kind has is refused where it is looked for.
#[test]
fn a_limit_looks_only_for_what_is_known() {
    for (fact, kind) in [("medicines", "medicine"), ("conditions", "condition"), ("allergies", "allergy")] {
        let of = |kind: &str| {
            let concept = format!(
                "[[concept]]\nkind = \"{kind}\"\nkey = \"invented\"\ntitle = \"Invented\"\ncodes = [\"http://snomed.info/sct|1\"]\n"
            );
            let check = format!("[[limit.check]]\nflag = \"'invented' in {fact}\"\ntext = \"x\"\n");
            let text =
                format!("rulebook = 1\nlabel = \"Invented\"\nedition = \"1\"\n{concept}{}", limit("LOC-01", &check));
            file::read(&[Source { name: "invented.toml", text: &text }])
        };
        assert!(of(kind).is_ok(), "{fact}: {:?}", of(kind).err());
        let other = if kind == "condition" { "allergy" } else { "condition" };
        let Err(all) = of(other) else { panic!("{fact}") };
        assert!(all.iter().any(|p| format!("{p:?}").contains("no concept of this kind has the key")), "{all:?}");
    }
}

/// A limit without a bound has no boundary to test; every limit has an order that it flags and one that it does not.
#[test]
fn a_limit_without_a_bound_needs_no_test_at_it() {
    let warned = |check: &str| -> String {
        let book = book(&limit("LOC-01", &format!("[[limit.check]]\n{check}\ntext = \"x\"\n")));
        book.warnings.iter().map(ToString::to_string).collect()
    };
    let flag = warned("flag = \"route == 'oral'\"");
    assert!(flag.contains("LOC-01") && flag.contains("flag") && !flag.contains("boundary"), "{flag}");
    let bound = warned("measure = \"highest_rate\"\nabove = \"q('60 mL/h')\"");
    assert!(bound.contains("LOC-01") && bound.contains("boundary"), "{bound}");
}

/// What is reckoned from an implausible weight is a consequence of it; what is not, is judged.
#[test]
fn only_what_rests_on_a_wrong_weight_is_hidden_by_it() {
    // A child of 24 months of 26 kg: WGT-01.
    let order = bundle(
        "age = \"24 mo\"\nsex = \"female\"\nweight = \"26 kg\"\nearlier-weight = { value = \"11.8 kg\", ago = \"30 d\" }\nproduct = \"PED10\"\nrate = \"40 mL/h\"\n",
    );
    let said = |check: &str| {
        let book = book(&limit("LOC-01", &format!("[[limit.check]]\n{check}\ntext = \"x\"\n")));
        let a = appraise_by(order.as_bytes(), "", FhirVersion::R4, by(&book));
        assert_eq!(outcome(&a, "WGT-01").tier(), Some(Tier::High));
        outcome(&a, "LOC-01").clone()
    };
    assert_eq!(said("measure = \"energy_per_kg\"\nbelow = \"q('90 kcal/kg/d')\""), Outcome::Hidden("WGT-01".into()));
    assert_eq!(said("flag = \"weight > last_weight * 2\""), Outcome::Hidden("WGT-01".into()));
    // What is worked out from the weight rests on it, whatever its unit.
    assert_eq!(said("measure = \"energy / resting_energy\"\nbelow = \"9\""), Outcome::Hidden("WGT-01".into()));
    assert_eq!(said("measure = \"free_water / holliday_segar\"\nbelow = \"9\""), Outcome::Hidden("WGT-01".into()));
    assert_eq!(said("measure = \"weight_z\"\nabove = \"1\""), Outcome::Hidden("WGT-01".into()));
    assert_eq!(said("measure = \"protein_per_energy\"\nabove = \"q('0 g/(100.kcal)')\"").word(), "flagged");
    assert_eq!(said("flag = \"weight > q('20 kg')\""), Outcome::Hidden("WGT-01".into()));
    assert_eq!(said("measure = \"highest_rate\"\nabove = \"q('30 mL/h')\"").word(), "flagged");
}

/// A limit that finds nothing on a wrong weight was not judged on good data: it is to be judged again, like what it would find.
#[test]
fn what_is_clear_by_a_wrong_weight_alone_is_judge_again() {
    let order =
        bundle("age = \"24 mo\"\nsex = \"female\"\nweight = \"26 kg\"\nproduct = \"PED10\"\nrate = \"40 mL/h\"\n");
    let said = |check: &str| {
        let book = book(&limit("LOC-01", &format!("[[limit.check]]\n{check}\ntext = \"x\"\n")));
        let a = appraise_by(order.as_bytes(), "", FhirVersion::R4, by(&book));
        assert_eq!(outcome(&a, "WGT-01").tier(), Some(Tier::High));
        assert_eq!(outcome(&a, "UNT-05"), &Outcome::Hidden("WGT-01".into()));
        let counts = enteral_gate::answer::counts(&a.orders[0]);
        let hidden = a.orders[0].judged.iter().filter(|j| matches!(j.outcome, Outcome::Hidden(_))).count();
        assert_eq!((counts.judge_again, hidden > 0), (hidden, true));
        outcome(&a, "LOC-01").clone()
    };
    assert_eq!(said("measure = \"energy_per_kg\"\nbelow = \"q('10 kcal/kg/d')\""), Outcome::Hidden("WGT-01".into()));
    assert_eq!(said("flag = \"weight > q('40 kg')\""), Outcome::Hidden("WGT-01".into()));
    assert_eq!(
        said("when = \"weight > q('40 kg')\"\nmeasure = \"highest_rate\"\nabove = \"q('30 mL/h')\""),
        Outcome::Hidden("WGT-01".into())
    );
    assert_eq!(said("measure = \"highest_rate\"\nabove = \"q('60 mL/h')\""), Outcome::Clear);
}

/// 24 hours of 70 mL/h, 1,680 mL, with a maximum of 1,500 mL: what is true of one end of the range says of which.
#[test]
fn a_finding_on_one_end_of_a_range_says_so() {
    let order = bundle(&format!("{ADULT}cap = \"1500 mL\"\n"));
    let said = |check: &str| {
        let check = format!("[[limit.check]]\nmeasure = \"formula_volume\"\n{check}\ntext = \"Said.\"\n");
        let book = book(&limit("LOC-01", &check));
        let a = appraise_by(order.as_bytes(), "", FhirVersion::R4, by(&book));
        let Outcome::Flagged(list) = outcome(&a, "LOC-01") else { panic!("{:?}", outcome(&a, "LOC-01")) };
        list[0].text.clone()
    };
    assert_eq!(said("below = \"q('1600 mL/d')\""), "Said. That is so if the feed stops at the maximum.");
    assert_eq!(said("below = \"q('3000 mL/d')\""), "Said.");
    assert_eq!(said("above = \"q('1600 mL/d')\""), "Said. That is so if the maximum does not stop the feed.");
    assert_eq!(said("above = \"q('1000 mL/d')\""), "Said.");
}

/// 70 mL/h with a maximum of 50 mL/h: how much a pump gives that stops and goes on is not known. Too much it may be; that it
/// is too little is not said.
#[test]
fn a_maximum_per_hour_leaves_too_little_open() {
    let order = bundle(&format!("{ADULT}cap = \"50 mL/h\"\n"));
    let said = |check: &str| {
        let check = format!("[[limit.check]]\nmeasure = \"formula_volume\"\n{check}\ntext = \"Said.\"\n");
        let book = book(&limit("LOC-01", &check));
        let a = appraise_by(order.as_bytes(), "", FhirVersion::R4, by(&book));
        assert_eq!(outcome(&a, "CON-03").tier(), Some(Tier::High));
        outcome(&a, "LOC-01").word()
    };
    assert_eq!(said("below = \"q('1000 mL/d')\""), "not-evaluated");
    assert_eq!(said("below = \"q('3000 mL/d')\""), "flagged");
    assert_eq!(said("above = \"q('1500 mL/d')\""), "flagged");
    assert_eq!(said("above = \"q('2000 mL/d')\""), "clear");
}

/// A limit may name what is wrong with the weight, as the program's own rules do; what rests on it is hidden by it.
#[test]
fn a_limit_that_doubts_the_weight_hides_what_rests_on_it() {
    let order = bundle(&format!("{ADULT}earlier-weight = {{ value = \"35 kg\", ago = \"10 d\" }}\n"));
    let names = |more: &str| {
        limit(
            "LOC-01",
            &format!(
                "{more}[[limit.check]]\nflag = \"weight >= 2 * last_weight\"\ntext = \"Pounds.\"\nfix = \"{{weight / 2.2; kg; 1}}?\"\n"
            ),
        )
    };
    let per_kg = "[[limit.check]]\nmeasure = \"energy_per_kg\"\nabove = \"q('10 kcal/kg/d')\"\ntext = \"Much.\"\n";
    let said = |first: &str, second: &str| {
        let book = book(&format!("{first}{}", limit("LOC-02", second)));
        let a = appraise_by(order.as_bytes(), "", FhirVersion::R4, by(&book));
        (outcome(&a, "LOC-01").clone(), outcome(&a, "LOC-02").clone())
    };
    let high = |more: &str| names(more).replace("tier = \"MED\"", "tier = \"HIGH\"");
    let (doubting, hidden) = said(&high("doubts = \"weight\"\n"), per_kg);
    assert_eq!(hidden, Outcome::Hidden("LOC-01".into()));
    // It is not hidden itself, and neither is its advice: 70 kg ÷ 2.2 = 31.8 kg.
    let Outcome::Flagged(found) = doubting else { panic!("{doubting:?}") };
    assert_eq!(found[0].fix.as_deref(), Some("31.8 kg?"));
    // Not where it does not say so, finds nothing grave, or is only tried out.
    assert_eq!(said(&high(""), per_kg).1.word(), "flagged");
    assert_eq!(said(&names("doubts = \"weight\"\n"), per_kg).1.word(), "flagged");
    let tried = high("doubts = \"weight\"\n").replace("mode = \"card\"", "mode = \"shadow\"");
    assert_eq!(said(&tried, per_kg).1.word(), "flagged");
    // An amount is doubted in the same way, and only an amount.
    let amount = high("doubts = \"amount\"\n");
    assert_eq!(said(&amount, per_kg).1, Outcome::Hidden("LOC-01".into()));
    assert_eq!(
        said(&amount, "[[limit.check]]\nflag = \"feeding_time > q('1 h/d')\"\ntext = \"x\"\n").1.word(),
        "flagged"
    );
    // What the weight has no part in stays, and that there was something graver is said; advice by the weight goes.
    let rate = "[[limit.check]]\nmeasure = \"highest_rate\"\nabove = \"q('60 mL/h')\"\ntext = \"Fast.\"\nfix = \"At most {weight * q('1 mL/kg/h'); mL/h}.\"\n";
    let both = format!("{}{rate}", per_kg.replacen("measure", "tier = \"HIGH\"\nmeasure", 1));
    let (_, stays) = said(&high("doubts = \"weight\"\n"), &both);
    let Outcome::Flagged(found) = stays else { panic!("{stays:?}") };
    assert_eq!((found.len(), found[0].tier), (1, Tier::Med));
    assert_eq!(found[0].text, "Fast. What it finds beside that, HIGH, is not shown because of LOC-01.");
    assert_eq!(found[0].fix.as_deref(), Some("Settle the weight first (LOC-01)."));
    // A milder consequence beside it changes nothing but the advice.
    let graver = format!("{per_kg}{}", rate.replacen("measure", "tier = \"STOP\"\nmeasure", 1));
    let (_, stays) = said(&high("doubts = \"weight\"\n"), &graver);
    let Outcome::Flagged(found) = stays else { panic!("{stays:?}") };
    assert_eq!((found[0].text.as_str(), found[0].tier), ("Fast.", Tier::Stop));
    assert_eq!(found[0].fix.as_deref(), Some("Settle the weight first (LOC-01)."));
}

/// A weight of 154 kg the day after one of 70 kg: nothing per kilogram is said beside it. A toddler of 26 kg: neither
/// what children need by weight.
#[test]
fn findings_on_a_weight_in_pounds_are_one_finding() {
    let order = bundle(
        "age = \"66 a\"\nsex = \"male\"\nheight = \"175 cm\"\nweight = \"154 kg\"\nearlier-weight = { value = \"70 kg\", ago = \"2 d\" }\nproduct = \"A10\"\nrate = \"40 mL/h\"\nflush = { volume = \"30 mL\", every = \"4 h\" }\nsetting = \"ward\"\nstay = \"9 d\"\n",
    );
    let a = appraise_by(order.as_bytes(), "", FhirVersion::R4, by(&STARTER));
    assert_eq!(outcome(&a, "WGT-03").tier(), Some(Tier::High));
    for rule in ["NUT-01", "WAT-01", "WGT-04", "WGT-06"] {
        assert_eq!(outcome(&a, rule), &Outcome::Hidden("WGT-03".into()), "{rule}");
    }
    for said in [text(&a, false), outcome_json(&a)] {
        assert!(said.contains("To be judged again once what WGT-03 found is settled: "), "{said}");
    }
    let order = bundle(
        "age = \"30 mo\"\nsex = \"female\"\nweight = \"26 kg\"\nproduct = \"PED10\"\nvolume = \"250 mL\"\nfeeds = 4\n",
    );
    let a = appraise_by(order.as_bytes(), "", FhirVersion::R4, by(&STARTER));
    assert_eq!(outcome(&a, "WGT-01").tier(), Some(Tier::High));
    for rule in ["NUT-03", "WAT-02"] {
        assert_eq!(outcome(&a, rule), &Outcome::Hidden("WGT-01".into()), "{rule}");
    }
}

/// One laboratory value was sent and another is asked for: there may be further ones.
#[test]
fn a_laboratory_value_that_was_not_sent_is_a_further_one() {
    let said = |labs: &str, flag: &str| {
        let book = book(&limit("LOC-01", &format!("[[limit.check]]\nflag = \"{flag}\"\ntext = \"x\"\n")));
        let order = bundle(&format!("{ADULT}{labs}"));
        let a = appraise_by(order.as_bytes(), "", FhirVersion::R4, by(&book));
        match outcome(&a, "LOC-01") {
            Outcome::NotProvided(said) => said.to_string(),
            other => panic!("{flag}: {other:?}"),
        }
    };
    let potassium = "labs = { serum_potassium = \"4 mmol/L\" }\n";
    assert_eq!(said(potassium, "serum_phosphate < q('0.5 mmol/L')"), "further laboratory results");
    assert_eq!(said("", "serum_phosphate < q('0.5 mmol/L')"), "laboratory results");
    assert_eq!(said(potassium, "tube_size > q('8 [Ch]')"), "tubes and other devices");
}

/// A pump may be chosen by what is worked out from other facts: 39 weeks at birth and two more are 41.
#[test]
fn a_pump_is_chosen_by_what_is_worked_out() {
    let pump = "[[pump]]\ntitle = \"Invented\"\nwhen = \"postmenstrual_age > q('40 wk')\"\nrate = [\"1 mL/h\", \"300 mL/h\"]\nrate-step = \"1 mL/h\"\nvolume-step = \"1 mL\"\n";
    let check = "[[limit.check]]\nmeasure = \"pump_rate_step\"\nabove = \"q('0.5 mL/h')\"\ntext = \"x\"\n";
    let said = |gestation: &str| {
        let book = book(&format!("{pump}{}", limit("LOC-01", check)));
        let order = bundle(&format!(
            "age = \"2 wk\"\n{gestation}sex = \"male\"\nweight = \"3.5 kg\"\nproduct = \"PED10\"\nrate = \"20 mL/h\"\n"
        ));
        let a = appraise_by(order.as_bytes(), "", FhirVersion::R4, by(&book));
        outcome(&a, "LOC-01").word().to_owned()
    };
    assert_eq!(said("gestation = \"39 wk\"\n"), "flagged");
    assert_eq!(said("gestation = \"37 wk\"\n"), "not-evaluated");
    assert_eq!(said(""), "not-evaluated");
}

/// A finding leads to each place that it rests on, once.
#[test]
fn a_finding_leads_to_what_it_rests_on() {
    let places = |measure: &str, bound: &str| {
        let check = format!("[[limit.check]]\nmeasure = \"{measure}\"\nabove = \"{bound}\"\ntext = \"x\"\n");
        let book = book(&limit("LOC-01", &check));
        let order = bundle(ADULT);
        let a = appraise_by(order.as_bytes(), "", FhirVersion::R4, by(&book));
        let Outcome::Flagged(found) = outcome(&a, "LOC-01") else { panic!("{:?}", outcome(&a, "LOC-01")) };
        found[0].at.len()
    };
    // The formula and the weight.
    assert_eq!(places("energy / weight", "q('1 kcal/kg/d')"), 2);
    assert_eq!(places("energy + energy", "q('1 kcal/d')"), 1);
    assert_eq!(places("energy", "weight * q('1 kcal/kg/d')"), 2);
}

/// A scope that only the full evaluation decides is decided: steps of an amount are left to it.
#[test]
fn a_scope_is_decided_in_full() {
    let said = |scope: &str| {
        let check = "[[limit.check]]\nmeasure = \"highest_rate\"\nabove = \"q('60 mL/h')\"\ntext = \"Fast.\"\n";
        let book = book(&limit("LOC-01", &format!("[limit.scope]\nwhere = \"{scope}\"\n{check}")));
        let order = bundle(ADULT);
        let a = appraise_by(order.as_bytes(), "", FhirVersion::R4, by(&book));
        outcome(&a, "LOC-01").word().to_owned()
    };
    assert_eq!(said("down(weight, q('50 kg')) == q('50 kg')"), "flagged");
    assert_eq!(said("down(weight, q('50 kg')) == q('100 kg')"), "not-applicable");
    assert_eq!(said("weight == q('70 kg')"), "flagged");
}

const PUMP: &str = "[[pump]]\ntitle = \"Invented\"\nwhen = \"true\"\nrate = [\"1 mL/h\", \"300 mL/h\"]\nrate-step = \"5 mL/h\"\nvolume-step = \"10 mL\"\n";

/// What is offered instead is another amount: below what is ordered where that is too much, above it where it is too
/// little, and of a limit without a bound the nearest step.
#[test]
fn what_is_offered_is_another_amount() {
    let label = |check: &str| {
        let text = format!("{PUMP}{}", limit("LOC-01", &format!("[[limit.check]]\n{check}\ntext = \"x\"\n")));
        let book = book(&text);
        let order = bundle(ADULT);
        let a = appraise_by(order.as_bytes(), "", FhirVersion::R4, by(&book));
        let Outcome::Flagged(found) = outcome(&a, "LOC-01") else { panic!("{check}: {:?}", outcome(&a, "LOC-01")) };
        found[0].correction.as_ref().map(|c| c.label.clone())
    };
    let above =
        |by: &str| label(&format!("measure = \"highest_rate\"\nabove = \"q('60 mL/h')\"\nscale-feed = \"{by}\""));
    let below =
        |by: &str| label(&format!("measure = \"highest_rate\"\nbelow = \"q('80 mL/h')\"\nscale-feed = \"{by}\""));
    let flag = |by: &str| label(&format!("flag = \"highest_rate == q('70 mL/h')\"\nscale-feed = \"{by}\""));
    let rate = |n: u32| Some(format!("Rate {n} mL/h"));
    // 70 mL/h in steps of 5; 0.9 of it are 63, 1.1 of it 77.
    assert_eq!(["0.9", "1", "1.1", "0.01"].map(above), [rate(60), None, None, None]);
    assert_eq!(["0.9", "1", "1.1"].map(below), [None, None, rate(80)]);
    assert_eq!(["0.9", "1", "1.01", "1.1", "1.05"].map(flag), [rate(65), None, None, rate(75), rate(75)]);
}

/// The volume of a whole day beside its rate is not the one amount to change; that of a flush with each feed is.
#[test]
fn the_amount_that_is_changed_is_the_one_that_is_given() {
    let label = |order: &str, scale: &str| {
        let check = format!("[[limit.check]]\nflag = \"known(weight)\"\n{scale}\ntext = \"x\"\n");
        let book = book(&format!("{PUMP}{}", limit("LOC-01", &check)));
        let a = appraise_by(order.as_bytes(), "", FhirVersion::R4, by(&book));
        let Outcome::Flagged(found) = outcome(&a, "LOC-01") else { panic!("{:?}", outcome(&a, "LOC-01")) };
        found[0].correction.as_ref().map(|c| c.label.clone())
    };
    let half = "scale-feed = \"0.5\"";
    let plain = bundle(ADULT);
    assert_eq!(label(&plain, half).as_deref(), Some("Rate 35 mL/h"));
    let quantity =
        "\"quantity\":{\"code\":\"mL\",\"system\":\"http://unitsofmeasure.org\",\"unit\":\"mL\",\"value\":1680}";
    let from = plain.find("\"schedule\":").unwrap();
    let to = from + plain[from..].find("}}}").unwrap() + 3;
    // Without times 1,680 mL are those of the day at 70 mL/h.
    let both = format!("{}{quantity}{}", &plain[..from], &plain[to..]);
    assert_eq!(label(&both, half), None);
    let feeds = bundle(&ADULT.replace("rate = \"70 mL/h\"", "volume = \"240 mL\"\nfeeds = 5"));
    assert_eq!(label(&feeds, half).as_deref(), Some("Volume per feed 120 mL"));
    // With times it is that of each feed, with a rate beside it as well.
    let rate = "\"rateQuantity\":{\"code\":\"mL/h\",\"system\":\"http://unitsofmeasure.org\",\"unit\":\"mL/h\",\"value\":240},\"schedule\":";
    let pumped = feeds.replacen("\"schedule\":", rate, 1);
    assert_ne!(pumped, feeds);
    assert_eq!(label(&pumped, half).as_deref(), Some("Volume per feed 120 mL"));
    let flushed = feeds.replace(
        "\"enteralFormula\":{",
        "\"enteralFormula\":{\"extension\":[{\"url\":\"https://enteral-gate.example/fhir/StructureDefinition/water-flush\",\"extension\":[{\"url\":\"volume\",\"valueQuantity\":{\"value\":60,\"unit\":\"mL\",\"system\":\"http://unitsofmeasure.org\",\"code\":\"mL\"}},{\"url\":\"with-each-feed\",\"valueCode\":\"after\"}]}],",
    );
    assert_ne!(flushed, feeds);
    assert_eq!(label(&flushed, "scale-flush = \"0.5\"").as_deref(), Some("Volume per flush 30 mL"));
    assert_eq!(label(&feeds, "scale-flush = \"0.5\""), None);
}

/// What a finding rests on is where it points to: the value of the patient that the limit compares.
#[test]
fn a_finding_points_to_what_it_rests_on() {
    let child =
        "age = \"8 mo\"\nsex = \"male\"\nweight = \"8 kg\"\nproduct = \"A10\"\nvolume = \"100 mL\"\nfeeds = 6\n";
    let lab =
        |name: &str, value: &str| format!("{ADULT}labs = {{ {name} = \"{value}\" }}\nmedicines = [\"propofol\"]\n");
    let observation = |id: &'static str| move |entry: &serde_json::Value| entry["resource"]["id"] == id;
    type Is = Box<dyn Fn(&serde_json::Value) -> bool>;
    let cases: [(&str, String, Is, &str); 4] = [
        ("AGE-01", child.to_owned(), Box::new(|entry| entry["resource"]["resourceType"] == "Patient"), ".birthDate"),
        ("MET-01", lab("glucose", "18 mmol/L"), Box::new(observation("glucose")), ""),
        ("MET-03", lab("triglycerides", "6 mmol/L"), Box::new(observation("triglycerides")), ""),
        ("ELE-01", lab("serum_potassium", "6.2 mmol/L"), Box::new(observation("serum-potassium")), ""),
    ];
    for (rule, given, is, member) in cases {
        let text = bundle(&given);
        let document: serde_json::Value = serde_json::from_str(&text).unwrap();
        let entries = document["entry"].as_array().unwrap();
        let nth = entries.iter().position(is).unwrap_or_else(|| panic!("{rule}: {text}"));
        let outcome: serde_json::Value =
            serde_json::from_str(&outcome_json(&check_by(text.as_bytes(), "", FhirVersion::R4, by(&STARTER)))).unwrap();
        let issues = outcome["issue"].as_array().unwrap();
        let issue = issues.iter().find(|i| i["details"]["coding"][0]["code"] == rule);
        let issue = issue.unwrap_or_else(|| panic!("{rule} is not flagged: {outcome}"));
        let place = format!("Bundle.entry[{nth}].resource{member}");
        let points = issue["expression"].as_array().unwrap().iter().any(|e| e.as_str() == Some(&place));
        assert!(points, "{rule}: {place} is not among {}", issue["expression"]);
    }
}
