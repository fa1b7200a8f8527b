//! Every way in which an institution's CSV can be wrong is named with its place, all at once.

use enteral_gate::exact::Exact;
use enteral_gate::formulary::product::Nutrient;
use enteral_gate::formulary::table::{COLUMNS, FLAGS};
use enteral_gate::formulary::{Formulary, FormularyProblem, Level, Match};
use enteral_gate::intake::order::{At, Concept, ProductRef, Sourced};
use proptest::prelude::*;

const DEMO: &str = include_str!("../deploy/demo/formulary.csv");
/// A row that is right, as (column, cell).
const RIGHT: [(&str, &str); 13] = [
    ("key", "X1"),
    ("name", "Invented X1"),
    ("form", "ready-to-hang"),
    ("age_class", "adult"),
    ("basis", "L"),
    ("energy_kcal", "1000"),
    ("protein_g", "40"),
    ("carbohydrate_g", "133.5"),
    ("fat_g", "34"),
    ("water_mL", "840"),
    ("sodium_mg", "900"),
    ("source", "invented"),
    ("source_date", "2026-11-25"),
];

/// The right row with some cells changed or added, as a table with a header.
fn table(changes: &[(&str, &str)]) -> String {
    let mut cells: Vec<(&str, &str)> = RIGHT.to_vec();
    for (column, cell) in changes {
        match cells.iter_mut().find(|(name, _)| name == column) {
            Some(known) => known.1 = cell,
            None => cells.push((column, cell)),
        }
    }
    let quoted = |text: &str| format!("\"{}\"", text.replace('"', "\"\""));
    let header: Vec<String> = cells.iter().map(|(name, _)| (*name).to_owned()).collect();
    let row: Vec<String> = cells.iter().map(|(_, cell)| quoted(cell)).collect();
    format!("{}\n{}\n", header.join(","), row.join(","))
}

fn read(text: &str) -> Result<Formulary, Vec<FormularyProblem>> {
    Formulary::from_csv("f.csv", text.as_bytes())
}

fn refused(text: &str) -> Vec<FormularyProblem> {
    read(text).map(|f| f.label().to_owned()).expect_err("a refusal was expected")
}

fn listed(problems: &[FormularyProblem]) -> String {
    problems.iter().map(|p| format!("{p}\n")).collect()
}

/// The one warning of a table with one product.
fn warned(text: &str) -> String {
    let formulary = read(text).unwrap_or_else(|p| panic!("{}", listed(&p)));
    listed(formulary.warnings(0))
}

#[test]
fn the_right_row_is_right() {
    let formulary = read(&table(&[])).unwrap_or_else(|p| panic!("{}", listed(&p)));
    assert!(formulary.warnings(0).is_empty());
    assert_eq!(formulary.product(0).unwrap().provenance.stated, "invented, 2026-11-25");
}

#[test]
fn one_wrong_cell_is_named_with_line_column_and_what_was_expected() {
    for (changes, code, column, part) in [
        (&[("energy_kcal", "1000,5")][..], "number", "energy_kcal", "a point before the decimals"),
        (&[("energy_kcal", "1 000")], "number", "energy_kcal", "between its digits"),
        (&[("energy_kcal", "1000 kcal")], "number", "energy_kcal", "the unit stands in the column's name"),
        (&[("fibre_g", "trace")], "number", "fibre_g", "leave the cell empty"),
        (&[("fibre_g", "<0.5")], "number", "fibre_g", "is not one amount"),
        (&[("fibre_g", ".5")], "number", "fibre_g", "write 0.5"),
        (&[("fibre_g", "NaN")], "number", "fibre_g", "is not a number"),
        (&[("fibre_g", "1e400")], "number", "fibre_g", "exponent"),
        (&[("fibre_g", "0.1234567890123456789")], "number", "fibre_g", "digits"),
        (&[("protein_g", "-4")], "negative", "protein_g", "0 or more"),
        (&[("form", "ready to hang")], "word", "form", "did you mean “ready-to-hang”"),
        (&[("form", "soup")], "word", "form", "expected one of: ready-to-hang, decanted"),
        (&[("age_class", "pediatric")], "word", "age_class", "did you mean “paediatric”"),
        (&[("basis", "ml")], "word", "basis", "did you mean “mL”"),
        (&[("viscosity", "thickish")], "word", "viscosity", "expected one of: thin, thick"),
        (&[("key", "")], "required", "key", "empty"),
        (&[("source", "  ")], "required", "source", "empty"),
        (&[("source_date", "25.11.2026")], "date", "source_date", "YYYY-MM-DD"),
        (&[("source_date", "2026-02-30")], "date", "source_date", "YYYY-MM-DD"),
        (&[("codes", "A10")], "pair", "codes", "system|value"),
        (&[("codes", "x|y|z")], "pair", "codes", "system|value"),
        (&[("codes", "no-uri|A10")], "schema", "codes", "absolute URI"),
        (&[("contains", "Cows Milk")], "schema", "contains", "lower case"),
        (&[("identifiers", "|1")], "pair", "identifiers", "system|value"),
        (&[("aliases", "a; b; a")], "duplicate", "aliases", "twice"),
        (&[("name", "X\u{200B}1")], "hidden-character", "name", "<U+200B>"),
        (&[("name", "X\n1")], "cells", "name", "several lines"),
        (&[("sodium_mmol", "50")], "disagree", "sodium_mmol", "22.99 mg/mmol"),
        (&[("mct_g", "40")], "impossible", "mct_g", "is not part of"),
        (&[("energy_kcal", "100")], "density", "energy_kcal", "0.3 to 2.5"),
        (&[("basis", "100 mL")], "density", "energy_kcal", "is the basis right?"),
        (&[("water_mL", "1100")], "impossible", "water_mL", "does not fit into 1 L"),
        (&[("contains", "cow-milk-protien")], "word", "contains", "did you mean “cow-milk-protein”"),
        (
            &[("contains", "lactose"), ("free_from", "lactose")],
            "disagree",
            "free_from",
            "under contains and under free_from",
        ),
        (&[("containers_mL", "500; 0")], "schema", "containers_mL", "more than 0 is expected"),
        (&[("osmolality_mOsm_per_kg", "99999")], "schema", "osmolality_mOsm_per_kg", "more than 5000"),
    ] {
        let text = table(changes);
        let problems = refused(&text);
        let hit = problems.iter().find(|p| p.code == code && p.column.as_ref().is_some_and(|c| c.name == column));
        let Some(hit) = hit else { panic!("{code} of {column} expected, found\n{}", listed(&problems)) };
        assert!(hit.text.contains(part), "{part:?} expected in {hit}");
        assert_eq!((hit.file.as_str(), hit.line, hit.level), ("f.csv", Some(2), Level::Refusal), "{hit}");
        let header: Vec<&str> = text.lines().next().unwrap().split(',').collect();
        let number = hit.column.as_ref().unwrap().number.unwrap() as usize;
        assert_eq!(header[number - 1], column, "{hit}");
    }
}

#[test]
fn all_problems_are_told_at_once() {
    let mut text = table(&[("energy_kcal", "1,0"), ("protein_g", "x"), ("form", "soup")]);
    text.push_str(
        table(&[("key", "X2"), ("name", "Invented X2"), ("fat_g", "-1"), ("source_date", "soon")])
            .lines()
            .nth(1)
            .unwrap(),
    );
    let problems = refused(&text);
    let seen: Vec<_> = problems.iter().map(|p| (p.line.unwrap(), p.code)).collect();
    assert_eq!(
        seen,
        [(2, "word"), (2, "number"), (2, "number"), (3, "negative"), (3, "date")],
        "{}",
        listed(&problems)
    );
    assert_eq!(
        problems[1].to_string(),
        "f.csv, line 2, column 6 (energy_kcal), product X1: error number: “1,0” has a comma; write a point before \
         the decimals and nothing between thousands, such as 12.5 or 1200"
    );
}

#[test]
fn the_header_is_judged_as_a_whole() {
    let problems = refused("key,Name,form,form,basis,sodium_mEq,,age_class,source\nx\n");
    let seen: Vec<_> = problems.iter().map(|p| (p.code, p.column.as_ref().unwrap().name.as_str())).collect();
    assert_eq!(
        seen,
        [
            ("missing-column", "name"),
            ("missing-column", "source_date"),
            ("unknown-column", "Name"),
            ("duplicate-column", "form"),
            ("unknown-column", "sodium_mEq"),
            ("unknown-column", ""),
        ],
        "{}",
        listed(&problems)
    );
    assert!(listed(&problems).contains("did you mean “name”?"));
}

/// A column that nothing is read from keeps no row from being judged.
#[test]
fn columns_and_rows_are_judged_together() {
    let row = table(&[]);
    let (header, row) = row.split_once('\n').unwrap();
    let text = format!("{header},colour\n{},blue\n", row.trim_end().replacen("X1", "", 1));
    let codes: Vec<_> = refused(&text).iter().map(|p| (p.line, p.code)).collect();
    assert!(
        codes.contains(&(Some(1), "unknown-column")) && codes.iter().any(|(line, _)| *line == Some(2)),
        "{codes:?}"
    );
}

#[test]
fn other_separators_and_encodings_are_named() {
    for (text, code, part) in [
        (table(&[]).replace(',', ";").into_bytes(), "separator", "semicolons"),
        (table(&[]).replace(',', "\t").into_bytes(), "separator", "tabs"),
        (vec![0xFF, 0xFE, b'k', 0], "encoding", "UTF-16"),
        (b"key,name\nx,Caf\xE9\n".to_vec(), "encoding", "UTF-8"),
    ] {
        let problems = Formulary::from_csv("f.csv", &text).expect_err(code);
        assert_eq!(problems.len(), 1, "{}", listed(&problems));
        assert_eq!(problems[0].code, code);
        assert!(problems[0].text.contains(part), "{}", problems[0]);
    }
    let latin = Formulary::from_csv("f.csv", b"key,name\nx,Caf\xE9\n").unwrap_err();
    assert_eq!(latin[0].line, Some(2));
}

#[test]
fn byte_order_mark_crlf_comments_and_blank_rows_do_not_matter_and_lines_stay_right() {
    let plain = read(&table(&[])).unwrap();
    let marked = format!("\u{FEFF}# comment, with comma\n\n{}", table(&[])).replace('\n', "\r\n");
    assert_eq!(read(&marked).unwrap().hash(), plain.hash());
    let wrong = format!(
        "# one\r\n\r\n{}# two\r\n\r\n,,,,,,,,,,,,\r\n# three\r\nX9,short\r\n",
        table(&[]).replace('\n', "\r\n")
    );
    let problems = refused(&wrong);
    assert_eq!((problems[0].line, problems[0].code), (Some(9), "cells"), "{}", listed(&problems));
}

#[test]
fn an_empty_formulary_is_an_error() {
    let header = table(&[]).lines().next().unwrap().to_owned();
    for text in ["", "\n\n", "# only a comment\n", &header, &format!("{header}\n,,,,,,,,,,,,\n")] {
        let problems = refused(text);
        assert_eq!(problems[0].code, "empty-formulary", "{text:?}: {}", listed(&problems));
    }
}

#[test]
fn two_products_cannot_share_a_key_code_identifier_or_name() {
    let with = |key: &str, name: &str, aliases: &str, codes: &str, identifiers: &str| {
        table(&[("key", key), ("name", name), ("aliases", aliases), ("codes", codes), ("identifiers", identifiers)])
    };
    let both = |a: String, b: String| format!("{a}{}", b.lines().nth(1).unwrap());
    let first = || with("X1", "Invented X1", "first", "urn:c|1; urn:c|2", "urn:i|1");
    for (second, code) in [
        (with("x1", "Other", "o", "urn:c|3", "urn:i|3"), "duplicate-key"),
        (with("X2", "Other", "o", "urn:c|2", "urn:i|3"), "duplicate-code"),
        (with("X2", "Other", "o", "urn:c|3", "urn:i|1"), "duplicate-identifier"),
        (with("X2", " invented  x1", "o", "urn:c|3", "urn:i|3"), "duplicate-name"),
        (with("X2", "Other", "FIRST", "urn:c|3", "urn:i|3"), "duplicate-name"),
    ] {
        let problems = refused(&both(first(), second));
        assert_eq!(problems.iter().map(|p| p.code).collect::<Vec<_>>(), [code], "{}", listed(&problems));
        assert!(problems[0].text.contains("X1 on line 2") && problems[0].line == Some(3), "{}", problems[0]);
        assert!(problems[0].column.as_ref().unwrap().number.is_some());
    }
    let fine = both(first(), with("X2", "Other", "o", "urn:d|1", "urn:j|1"));
    assert_eq!(read(&fine).unwrap().len(), 2);
}

// Factors 4/9/4 (8.3 for medium-chain fat): from memory, the general factors of food labelling. The 5 % and
// 0.04: this project's rule NUT-09.
#[test]
fn energy_that_the_macronutrients_do_not_give_is_a_warning_with_the_arithmetic() {
    assert_eq!(
        warned(&table(&[("energy_kcal", "1100")])),
        "f.csv, line 2, column 6 (energy_kcal), product X1: warning NUT-09: stated energy 1100 kcal per L, but protein, fat \
         and carbohydrate give 4 × 40 + 9 × 34 + 4 × 133.5 = 1000 kcal: 10.0 % apart, more than 5 %\n"
    );
    for (changes, warns) in [
        // Exactly at the threshold does not warn; just above does.
        (&[("energy_kcal", "1050")][..], false),
        (&[("energy_kcal", "1050.001")], true),
        (&[("energy_kcal", "950")], false),
        (&[("energy_kcal", "949.999")], true),
        // Fibre may count nothing or 2 kcal/g.
        (&[("energy_kcal", "1080"), ("fibre_g", "20")], false),
        (&[("energy_kcal", "1100"), ("fibre_g", "20")], true),
        // Medium-chain fat carries 8.3 kcal/g: 1000 − 0.7 × 30 = 979.
        (&[("energy_kcal", "931"), ("mct_g", "30")], false),
        // A macronutrient that is not stated can only be more.
        (&[("carbohydrate_g", "")], false),
        (&[("carbohydrate_g", ""), ("energy_kcal", "440")], true),
        // Not stated: nothing to compare.
        (&[("carbohydrate_g", ""), ("protein_g", ""), ("fat_g", "")], false),
    ] {
        let text = warned(&table(changes));
        assert_eq!(text.contains("NUT-09"), warns, "{changes:?}: {text}");
    }
}

/// Glucose counts 3.4 (monohydrate) to 4 kcal/g by vein, fat 9 to 11 with the glycerol of its emulsion.
#[test]
fn energy_by_vein_counts_glucose_and_fat_otherwise() {
    // 40 g of amino acids, 133.5 g of glucose, 34 g of fat: 160 + 453.9 + 306 = 919.9 to 160 + 534 + 374 = 1068 kcal.
    for (energy, warns) in
        [("919.9", false), ("1068", false), ("873.905", false), ("873.9", true), ("1121.4", false), ("1121.5", true)]
    {
        let text = warned(&table(&[("form", "infusion"), ("energy_kcal", energy)]));
        assert_eq!(text.contains("NUT-09"), warns, "{energy}: {text}");
        assert!(!warns || text.contains("give 919.9 to 1068 kcal: more than 5 % apart"), "{text}");
    }
    // What is not stated can only be more.
    let some = [("form", "infusion"), ("fat_g", ""), ("energy_kcal", "5000")];
    assert!(!warned(&table(&some)).contains("NUT-09"));
    let by_dose = refused(&table(&[("form", "infusion"), ("basis", "dose")]));
    assert!(listed(&by_dose).contains("infusion is given by volume, but its figures are per dose"), "{by_dose:?}");
}

#[test]
fn water_far_from_the_estimate_is_a_warning() {
    // Estimate by hand: 1 − (0.73 × 40 + 1.08 × 34 + 0.62 × 133.5)/1000 = 0.85131.
    assert_eq!(warned(&table(&[("water_mL", "811.31")])), "");
    let text = warned(&table(&[("water_mL", "811.3")]));
    assert!(text.contains("NUT-09") && text.contains("gives 0.8513"), "{text}");
}

#[test]
fn energy_that_is_not_stated_is_a_warning_and_never_zero() {
    let formulary = read(&table(&[("energy_kcal", "")])).unwrap();
    assert_eq!(formulary.product(0).unwrap().energy, None);
    assert!(listed(formulary.warnings(0)).contains("not-stated"));
}

#[test]
fn what_depends_on_the_strength_cannot_be_stated_per_100_kcal() {
    let powder = |more: &[(&'static str, &'static str)]| {
        let mut changes = vec![
            ("form", "powder"),
            ("basis", "100 kcal"),
            ("energy_kcal", "100"),
            ("protein_g", "2.1"),
            ("fat_g", "5.2"),
            ("carbohydrate_g", "11.2"),
            ("water_mL", ""),
            ("sodium_mg", "27"),
        ];
        changes.extend(more);
        table(&changes)
    };
    let formulary = read(&powder(&[])).unwrap();
    assert_eq!(formulary.product(0).unwrap().nutrient(Nutrient::Sodium), Some(Exact::decimal(27, 2)));
    for more in [("water_mL", "130"), ("osmolality_mOsm_per_kg", "300")] {
        let problems = refused(&powder(&[more]));
        assert!(problems[0].text.contains("depends on the strength"), "{}", listed(&problems));
    }
    let problems = refused(&powder(&[("energy_kcal", "90")]));
    assert!(
        problems[0].code == "disagree" && problems[0].text.contains("100 or an empty cell"),
        "{}",
        listed(&problems)
    );
    let text = warned(&powder(&[("fat_g", "3.2")]));
    assert!(text.contains("82 kcal") && text.contains("NUT-09"), "{text}");
}

#[test]
fn millimoles_are_read_with_the_atomic_mass_and_must_agree_with_milligrams() {
    let sodium = |changes: &[(&str, &str)]| {
        read(&table(changes)).map(|f| f.product(0).unwrap().nutrient(Nutrient::Sodium)).map_err(|p| listed(&p))
    };
    // 39.1 mmol × 22.990 mg/mmol = 898.909 mg (IUPAC abridged standard atomic weights).
    assert_eq!(sodium(&[("sodium_mg", ""), ("sodium_mmol", "39.1")]), Ok(Some(Exact::decimal(898_909, 6))));
    assert_eq!(sodium(&[("sodium_mmol", "39.1")]), Ok(Some(Exact::decimal(9, 1))));
    assert_eq!(sodium(&[("sodium_mmol", "39")]), Ok(Some(Exact::decimal(9, 1))));
    assert!(sodium(&[("sodium_mmol", "38")]).is_err());
    assert_eq!(sodium(&[("sodium_mg", ""), ("sodium_mmol", "")]), Ok(None));
    assert_eq!(sodium(&[("sodium_mg", "0")]), Ok(Some(Exact::ZERO)), "zero is stated, empty is not");
}

#[test]
fn millimoles_in_the_column_of_milligrams_are_noticed() {
    let text = warned(&table(&[("sodium_mg", "39")]));
    assert!(
        text.contains("warning unit-slip: sodium 39 mg per L") && text.contains("39 mmol would be 897 mg"),
        "{text}"
    );
    assert_eq!(warned(&table(&[("sodium_mg", "160")])), "");
    assert_eq!(warned(&table(&[("sodium_mg", "0")])), "");
}

#[test]
fn flags_outside_the_list_are_kept_with_a_warning() {
    let formulary = read(&table(&[("contains", "cow-milk-protein; carrageenan"), ("free_from", "gluten")])).unwrap();
    let flags = &formulary.product(0).unwrap().flags;
    assert_eq!(
        flags.as_slice(),
        [("cow-milk-protein".to_owned(), true), ("carrageenan".to_owned(), true), ("gluten".to_owned(), false)]
    );
    assert!(listed(formulary.warnings(0)).contains("no check reads “carrageenan”"));
}

#[test]
fn long_cells_do_not_make_long_messages() {
    let long = "x".repeat(100_000);
    for (column, cell) in [
        ("name", long.as_str()),
        ("form", &long),
        ("codes", &long),
        ("protein_g", &long),
        ("contains", &long),
        ("key", &long),
    ] {
        for problem in refused(&table(&[(column, cell)])) {
            assert!(problem.to_string().len() < 600, "{column}");
        }
    }
    for problem in refused(&format!("{long},key\n")) {
        assert!(problem.to_string().len() < 300);
    }
}

#[test]
fn products_from_elsewhere_are_judged_the_same() {
    let products: Vec<_> = demo().products().cloned().collect();
    let again = Formulary::from_products("again", products.clone()).unwrap();
    assert_eq!((again.len(), again.label()), (26, "again"));
    let codes = |products: Vec<_>| {
        Formulary::from_products("x", products).map(|f| f.len()).unwrap_err().iter().map(|p| p.code).collect::<Vec<_>>()
    };
    assert_eq!(codes(vec![]), ["empty-formulary"]);
    let mut twice = products[0].clone();
    twice.key = "other".to_owned();
    twice.codes.clear();
    twice.identifiers.clear();
    twice.aliases = vec!["hid\u{200B}den".to_owned()];
    let mut found = codes(vec![products[0].clone(), twice]);
    found.sort_unstable();
    assert_eq!(found, ["duplicate-name", "hidden-character"]);
    let mut heavy = products[0].clone();
    heavy.energy = Some(Exact::int(3));
    assert!(codes(vec![heavy]).contains(&"density"));
}

#[test]
fn the_hash_depends_on_content_only() {
    let demo = read(DEMO).unwrap();
    assert_eq!(demo.hash().len(), 64);
    assert!(demo.hash().bytes().all(|b| b.is_ascii_hexdigit() && !b.is_ascii_uppercase()));
    let mut lines: Vec<&str> = DEMO.lines().filter(|l| !l.starts_with('#')).collect();
    lines[1..].reverse();
    assert_eq!(read(&lines.join("\n")).unwrap().hash(), demo.hash(), "the order of rows");
    let per = |basis, factor: i64| {
        let cell = |n: i64| Exact::ratio(n, factor).short(9);
        let (e, p, f, w) = (cell(1_000_000), cell(40_000), cell(34_000), cell(840_000));
        let text = table(&[
            ("basis", basis),
            ("energy_kcal", &e),
            ("protein_g", &p),
            ("fat_g", &f),
            ("water_mL", &w),
            ("carbohydrate_g", ""),
            ("sodium_mg", ""),
        ]);
        read(&text).unwrap_or_else(|p| panic!("{}", listed(&p))).hash().to_owned()
    };
    assert_eq!(per("L", 1000), per("100 mL", 10_000));
    assert_eq!(per("L", 1000), per("mL", 1_000_000));
    let base = read(&table(&[])).unwrap().hash().to_owned();
    for change in [
        ("fibre_g", "0"),
        ("protein_g", "40.001"),
        ("note", "x"),
        ("age_class", "any"),
        ("source_date", "2026-11-24"),
        ("free_from", "gluten"),
        ("contains", "gluten"),
    ] {
        assert_ne!(read(&table(&[change])).unwrap().hash(), base, "{change:?}");
    }
    assert_eq!(read(&table(&[("fibre_g", "")])).unwrap().hash(), base, "an empty cell and no column say the same");
    assert_eq!(read(&table(&[("protein_g", "40.0")])).unwrap().hash(), base);
}

#[test]
fn schema_columns_and_documentation_name_the_same_fields() {
    let schema: serde_json::Value = serde_json::from_str(include_str!("../schemas/formulary.schema.json")).unwrap();
    assert!(jsonschema::meta::is_valid(&schema));
    let mut fields: Vec<&str> = schema["properties"].as_object().unwrap().keys().map(String::as_str).collect();
    let mut columns: Vec<&str> = COLUMNS.iter().map(|c| c.name).collect();
    fields.sort_unstable();
    columns.sort_unstable();
    assert_eq!(fields, columns);
    let mut required: Vec<&str> = schema["required"].as_array().unwrap().iter().filter_map(|v| v.as_str()).collect();
    let mut needed: Vec<&str> = COLUMNS.iter().filter(|c| c.required).map(|c| c.name).collect();
    required.sort_unstable();
    needed.sort_unstable();
    assert_eq!(required, needed);
    let documentation = include_str!("../docs/formulary.md");
    for word in columns.into_iter().chain(FLAGS.iter().map(|(flag, _)| *flag)) {
        assert!(documentation.contains(&format!("`{word}`")), "docs/formulary.md does not describe `{word}`");
    }
}

fn demo() -> &'static Formulary {
    static DEMO_READ: std::sync::OnceLock<Formulary> = std::sync::OnceLock::new();
    DEMO_READ.get_or_init(|| read(DEMO).unwrap())
}

fn named(name: &str) -> ProductRef<'_> {
    ProductRef {
        at: At(0),
        concept: Concept::default(),
        name: Some(Sourced { value: name.into(), at: At(0) }),
        reference: None,
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(128))]

    #[test]
    fn no_bytes_make_reading_panic(bytes in proptest::collection::vec(any::<u8>(), 0..400)) {
        let _ = Formulary::from_csv("f.csv", &bytes);
    }

    #[test]
    fn no_cells_make_reading_panic(
        cells in proptest::collection::vec("([0-9.,eE+-]{0,12}|[a-z |;\"#\u{e9}\u{200b}-]{0,12}|mL|L|100 kcal|dose|g|powder|adult|9999999999e9)", COLUMNS.len()),
    ) {
        let header: Vec<&str> = COLUMNS.iter().map(|c| c.name).collect();
        let text = format!("{}\n{}\n", header.join(","), cells.join(","));
        if let Err(problems) = Formulary::from_csv("f.csv", text.as_bytes()) {
            prop_assert!(!problems.is_empty());
            for problem in problems {
                prop_assert!(problem.to_string().starts_with("f.csv"));
            }
        }
    }

    #[test]
    fn large_figures_are_refused_or_kept_exactly(energy in 0u64..=u64::MAX, places in 0usize..9) {
        let digits = energy.to_string();
        let cut = digits.len().saturating_sub(places).max(1);
        let text = table(&[("energy_kcal", &format!("{}.{}0", &digits[..cut], &digits[cut..]))]);
        let _ = read(&text);
    }

    #[test]
    fn finding_does_not_depend_on_case_or_spaces(which in 0usize..15, upper in any::<u64>(), gaps in any::<u64>(), lead in "[ \t\u{a0}]{0,3}") {
        let formulary = demo();
        let product = formulary.product(which).unwrap();
        let mut name = lead.clone();
        for (n, c) in product.name.chars().enumerate() {
            let bit = 1u64 << (n % 64);
            if c == ' ' && gaps & bit != 0 { name.push_str(" \t ") } else if upper & bit != 0 { name.extend(c.to_uppercase()) } else { name.extend(c.to_lowercase()) }
        }
        name.push_str(&lead);
        let found = formulary.find(&named(&name));
        prop_assert!(matches!(found, Match::Found { index, .. } if index == which), "{name:?}: {found:?}");
    }

    #[test]
    fn a_name_with_one_letter_more_or_less_is_unknown(which in 0usize..15, at in 0usize..40) {
        let formulary = demo();
        let name = formulary.product(which).unwrap().name.clone();
        let at = at % name.len();
        let mut less = name.clone();
        if less.remove(at) != ' ' || at == 0 {
            prop_assert_eq!(formulary.find(&named(&less)), Match::Unknown);
        }
        let mut more = name;
        more.insert(at, 'x');
        prop_assert_eq!(formulary.find(&named(&more)), Match::Unknown);
    }
}
