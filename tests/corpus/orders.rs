//! The orders of both corpora: those that nothing is wrong with, and one error put into a clean order.

use toml::{Table, Value};

/// Title and short form of every order that nothing is wrong with.
pub fn clean() -> Vec<(String, Table)> {
    let file: Table = toml::from_str(include_str!("clean.toml")).expect("TOML");
    let orders = file["order"].as_array().expect("orders");
    orders
        .iter()
        .map(|o| (o["title"].as_str().expect("a title").to_owned(), o["given"].as_table().expect("an order").clone()))
        .collect()
}

fn text<'t>(given: &'t Table, key: &str) -> Option<&'t str> {
    given.get(key)?.as_str()
}

fn number(given: &Table, key: &str) -> Option<f64> {
    text(given, key)?.split(' ').next()?.parse().ok()
}

fn with(given: &Table, key: &str, value: impl Into<Value>) -> Table {
    let mut out = given.clone();
    out.insert(key.to_owned(), value.into());
    out
}

fn without(given: &Table, key: &str) -> Table {
    let mut out = given.clone();
    out.remove(key);
    out
}

fn years(given: &Table) -> f64 {
    let (n, unit) = text(given, "age").expect("an age").split_once(' ').expect("a unit");
    let n: f64 = n.parse().expect("a number");
    match unit {
        "a" => n,
        "mo" => n / 12.0,
        "wk" => n / 52.0,
        _ => n / 365.0,
    }
}

fn plain(x: f64) -> String {
    format!("{:.1}", x).trim_end_matches(".0").to_owned()
}

/// One error put into a clean order: its kind, the order, and the rules of which one must find something.
pub type Seeded = (&'static str, Table, &'static [&'static str]);

/// Every error that fits the order.
pub fn seeded(given: &Table) -> Vec<Seeded> {
    let mut out: Vec<Seeded> = Vec::new();
    let kg = number(given, "weight").expect("a weight");
    let continuous = given.contains_key("rate") && !given.contains_key("hours");
    if let Some(rate) = number(given, "rate") {
        if continuous {
            out.push((
                "volume of the day as rate",
                with(given, "rate", format!("{} mL/h", plain(rate * 24.0))),
                &["UNT-04"],
            ));
        }
        out.push((
            "rate with a zero too many",
            with(given, "rate", format!("{} mL/h", plain(rate * 10.0))),
            &["UNT-04", "UNT-05"],
        ));
        out.push((
            "rate that no pump can be set to",
            with(given, "rate", format!("{} mL/h", plain(rate + 0.37))),
            &["CON-07"],
        ));
        out.push(("rate of zero", with(given, "rate", "0 mL/h"), &["UNT-08"]));
        out.push(("unit of the rate unknown", with(given, "rate", format!("{} mlph", plain(rate))), &["INT-02"]));
        let day = rate * number(given, "hours").unwrap_or(24.0);
        out.push((
            "maximum below the schedule",
            with(given, "cap", format!("{} mL", plain((day * 0.8).round()))),
            &["CON-03"],
        ));
        out.push((
            "maximum of another order",
            with(given, "cap", format!("{} mL", plain((day * 1.5).round()))),
            &["CON-03"],
        ));
    }
    if let Some(volume) = number(given, "volume") {
        out.push((
            "volume with a zero too many",
            with(given, "volume", format!("{} mL", plain(volume * 10.0))),
            &["UNT-05", "CON-05"],
        ));
        out.push(("volume of zero", with(given, "volume", "0 mL"), &["UNT-08"]));
        out.push(("unit of the volume unknown", with(given, "volume", format!("{} mls.", plain(volume))), &["INT-02"]));
        if kg > 3.0 && (1.0..=12.0).contains(&(volume / 29.5735).round()) {
            let ounces = (volume / 29.5735).round();
            out.push(("ounces as millilitres", with(given, "volume", format!("{} mL", plain(ounces))), &["UNT-06"]));
        }
        if (30.0..=360.0).contains(&volume) {
            out.push((
                "millilitres as ounces",
                with(given, "volume", format!("{} [foz_us]", plain(volume))),
                &["UNT-06"],
            ));
        }
        out.push(("bolus beyond the stomach", with(&without(given, "over"), "route", "post-pyloric"), &["RTE-01"]));
        out.push(("feeds that overlap", with(given, "over", "7 h"), &["CON-05"]));
    }
    out.push(("grams as kilograms", with(given, "weight", format!("{} kg", plain(kg * 1000.0))), &["WGT-05"]));
    out.push((
        "nil by mouth beside the feed",
        with(given, "holds", toml::Value::Array(vec!["nil-by-mouth".into()])),
        &["CON-10"],
    ));
    out.push(("no weight", without(given, "weight"), &["CMP-02"]));
    out.push(("weight of last year", with(given, "weight-age", "400 d"), &["CMP-02"]));
    out.push(("weight of zero", with(given, "weight", "0 kg"), &["UNT-08", "CMP-02"]));
    if years(given) < 5.0 {
        out.push(("weight of an adult", with(given, "weight", "78 kg"), &["WGT-01"]));
    }
    out.push(("no route", with(given, "route", "none"), &["CMP-01"]));
    out.push((
        "into a vein",
        with(given, "route", "http://terminology.hl7.org/CodeSystem/v3-RouteOfAdministration|IVINJ"),
        &["RTE-06"],
    ));
    out.push((
        "a hold that stands in text only",
        with(given, "note", "Hold feeds for 2 h before and after phenytoin."),
        &["CMP-03"],
    ));
    out.push((
        "an amount that stands in text only",
        with(given, "note", "Add 30 mL water before each feed, max 900 mL."),
        &["CMP-03"],
    ));
    out.push(("a product that nobody knows", with(given, "product", "Invented Nothing 9"), &["INT-04"]));
    out.push(("no flush", without(given, "flush"), &["TUB-01"]));
    out.push(("kcal/oz with the number of kcal/mL", with(given, "density", "1 kcal/[foz_us]"), &["UNT-02"]));
    out.push(("kcal/mL with the number of kcal/oz", with(given, "density", "24 kcal/mL"), &["UNT-02"]));
    out.push(("small calories", with(given, "density", "1 cal/mL"), &["UNT-03"]));
    out.push(("a density that no feed has", with(given, "density", "4 kcal/mL"), &["UNT-01"]));
    out.push((
        "the same feed ordered twice",
        with(given, "other-orders", vec![Value::Table(given.clone())]),
        &["CON-08"],
    ));
    out
}
