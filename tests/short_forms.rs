//! Orders in short form, in which limits are tested: what each key becomes, and how a wrong one is refused. Codes: LOINC;
//! the day of the order is 2026-11-25, 08:00 UTC. People and orders are invented.

use enteral_gate::rulebook::{Rulebook, file, short_form};
use serde_json::Value;
use std::sync::LazyLock;

static BOOK: LazyLock<Rulebook> = LazyLock::new(|| file::read(file::starter()).unwrap());

fn composed(given: &str) -> Result<Value, String> {
    let text = short_form::compose(&given.parse().unwrap_or_else(|why| panic!("{given}: {why}")), &BOOK)?;
    Ok(serde_json::from_str(&text).unwrap())
}

/// The resource of an id.
fn resource(given: &str, id: &str) -> Value {
    let bundle = composed(given).unwrap_or_else(|why| panic!("{given}: {why}"));
    let all = bundle["entry"].as_array().unwrap();
    let found = all.iter().find(|e| e["resource"]["id"] == id).unwrap_or_else(|| panic!("no {id} in {bundle}"));
    assert!(found["fullUrl"].as_str().unwrap().ends_with(&format!("/{id}")));
    found["resource"].clone()
}

fn refusal(given: &str) -> String {
    composed(given).err().unwrap_or_else(|| panic!("{given} was read"))
}

/// Searches that came back empty: the kinds that were looked for.
fn empty(given: &str) -> Vec<String> {
    let bundle = composed(given).unwrap();
    let all = bundle["entry"].as_array().unwrap().iter().map(|e| &e["resource"]);
    let searches = all.filter(|r| r["resourceType"] == "Bundle");
    searches
        .map(|r| {
            assert_eq!((&r["type"], &r["total"]), (&Value::from("searchset"), &Value::from(0)));
            r["link"][0]["url"].as_str().unwrap().to_owned()
        })
        .collect()
}

#[test]
fn ages_go_back_from_the_day_of_the_order() {
    for (age, born) in [
        ("70 a", "1956-11-25"),
        ("5 mo", "2026-06-25"),
        ("3 wk", "2026-11-04"),
        ("12 d", "2026-11-13"),
        ("0 d", "2026-11-25"),
        ("6 h", "2026-11-25"),
        ("30 h", "2026-11-24"),
    ] {
        assert_eq!(resource(&format!("age = \"{age}\""), "p")["birthDate"], born, "{age}");
    }
    let born = resource("birth-date = \"2020-02-29\"\nsex = \"female\"", "p");
    assert_eq!((&born["birthDate"], &born["gender"]), (&Value::from("2020-02-29"), &Value::from("female")));
    for (age, says) in [
        ("200 a", "age: expected a, mo, wk, d or h after the number"),
        ("2400 mo", "age: expected a, mo, wk, d or h after the number"),
        ("10000 wk", "age: expected a, mo, wk, d or h after the number"),
        ("70000 d", "age: expected a, mo, wk, d or h after the number"),
        ("100000 h", "age: expected a, mo, wk, d or h after the number"),
        ("5 years", "age: expected a, mo, wk, d or h after the number"),
        ("-1 d", "age: -1 is out of range"),
        ("5", "age: expected a number, a space and a unit, such as 70 kg"),
        ("x d", "age: x is not a number"),
        ("1.5 d", "age: expected a whole number of a, mo, wk, d or h"),
    ] {
        assert_eq!(refusal(&format!("age = \"{age}\"")), says, "{age}");
    }
    for fits in ["199 a", "2399 mo", "9999 wk", "69999 d", "99999 h"] {
        assert!(composed(&format!("age = \"{fits}\"")).is_ok(), "{fits}");
    }
}

#[test]
fn weights_and_other_observations_have_their_codes_and_times() {
    let of = |given: &str, id: &str| {
        let o = resource(given, id);
        (
            o["code"]["coding"][0]["code"].as_str().unwrap().to_owned(),
            o["effectiveDateTime"].as_str().unwrap().to_owned(),
            o["valueQuantity"]["value"].to_string(),
            o["valueQuantity"]["code"].as_str().unwrap().to_owned(),
        )
    };
    let is = |code: &str, when: &str, value: &str, unit: &str| {
        (code.to_owned(), when.to_owned(), value.to_owned(), unit.to_owned())
    };
    assert_eq!(of("weight = \"70.50 kg\"", "weight"), is("29463-7", "2026-11-24T08:00:00Z", "70.50", "kg"));
    assert_eq!(
        of("weight = \"70 kg\"\nweight-age = \"3 d\"", "weight"),
        is("29463-7", "2026-11-22T08:00:00Z", "70", "kg")
    );
    assert_eq!(
        of("weight = \"70 kg\"\nweight-age = \"6 h\"", "weight"),
        is("29463-7", "2026-11-25T02:00:00Z", "70", "kg")
    );
    assert_eq!(
        of("weight = \"70 kg\"\nweight-age = \"8 h\"", "weight"),
        is("29463-7", "2026-11-25T00:00:00Z", "70", "kg")
    );
    assert_eq!(
        of("weight = \"70 kg\"\nweight-age = \"9 h\"", "weight"),
        is("29463-7", "2026-11-24T23:00:00Z", "70", "kg")
    );
    assert_eq!(of("height = \"170 cm\"", "height").0, "8302-2");
    assert_eq!(of("gestation = \"30 wk\"", "gestation").0, "11884-4");
    // What is said of a birth is of its day.
    assert_eq!(
        of("age = \"14 d\"\nbirth-weight = \"1.3 kg\"", "birth-weight"),
        is("8339-4", "2026-11-11T08:00:00Z", "1.3", "kg")
    );
    assert_eq!(of("birth-weight = \"1.3 kg\"", "birth-weight").1, "2026-11-25T08:00:00Z");
    assert_eq!(
        of("earlier-weight = { value = \"72 kg\", ago = \"11 d\" }", "earlier-weight"),
        is("29463-7", "2026-11-14T08:00:00Z", "72", "kg")
    );
    assert_eq!(
        of("labs = { serum_potassium = \"5.9 mmol/L\" }", "serum-potassium"),
        is("2823-3", "2026-11-25T02:00:00Z", "5.9", "mmol/L")
    );
    assert_eq!(
        of("earlier-labs = { glucose = \"5 mmol/L\" }\nearlier-lab-age = \"3 d\"", "earlier-glucose"),
        is("15074-8", "2026-11-22T08:00:00Z", "5", "mmol/L")
    );
    assert_eq!(
        of("labs = { serum_sodium = \"140 mmol/L\" }\nlab-age = \"2 d\"", "serum-sodium").1,
        "2026-11-23T08:00:00Z"
    );
    let lab = resource("labs = { serum_sodium = \"140 mmol/L\" }", "serum-sodium");
    assert_eq!(lab["category"][0]["coding"][0]["code"], "laboratory");
    assert!(
        refusal("labs = { serum_nickel = \"1 mmol/L\" }")
            .starts_with("labs: serum_nickel is not known; known are serum_potassium, ")
    );
    assert_eq!(refusal("labs = { glucose = 5 }"), "labs: glucose: expected text in quotes");
    assert_eq!(refusal("labs = 5"), "labs: expected a table of laboratory values");
    assert_eq!(refusal("earlier-weight = { value = \"72 kg\" }"), "earlier-weight: expected { value = …, ago = … }");
    assert_eq!(refusal("earlier-weight = \"72 kg\""), "earlier-weight: expected { value = …, ago = … }");
    for (weight, says) in [
        ("70kg", "weight: expected a number, a space and a unit, such as 70 kg"),
        ("x kg", "weight: x is not a number"),
        ("7e1 kg", "weight: 7e1 is not a number"),
        ("- kg", "weight: - is not a number"),
        ("1.2.3 kg", "weight: 1.2.3 is not a number"),
        ("--1 kg", "weight: --1 is not a number"),
    ] {
        assert_eq!(refusal(&format!("weight = \"{weight}\"")), says, "{weight}");
    }
    assert_eq!(resource("weight = \"-70 kg\"", "weight")["valueQuantity"]["value"], -70);
}

#[test]
fn looking_and_finding_nothing_is_data() {
    assert_eq!(empty("age = \"70 a\""), Vec::<String>::new());
    let url = |kind: &str| format!("https://enteral-gate.example/fhir/{kind}?patient=Patient/p");
    assert_eq!(empty("conditions = []"), [url("Condition")]);
    assert_eq!(empty("allergies = []"), [url("AllergyIntolerance")]);
    assert_eq!(empty("medicines = []"), [url("MedicationRequest")]);
    assert_eq!(empty("other-orders = []"), [url("NutritionOrder")]);
    assert_eq!(empty("labs = {}"), [format!("{}&category=laboratory", url("Observation"))]);
    assert!(empty("conditions = [\"heart-failure\"]").is_empty());
    assert_eq!(refusal("conditions = \"heart-failure\""), "conditions: expected a list of keys");
    assert_eq!(refusal("conditions = [5]"), "conditions: expected a list of keys");
    assert_eq!(
        refusal("conditions = [\"no-such-thing\"]"),
        "no-such-thing: the rulebook has no such concept with a code"
    );
    assert_eq!(refusal("other-orders = 5"), "other-orders: expected a list of short forms");
    assert_eq!(refusal("other-orders = [5]"), "other-orders: expected a list of short forms");
}

#[test]
fn schedules_of_every_kind_are_written() {
    let repeat =
        |given: &str| resource(given, "o")["enteralFormula"]["administration"][0]["schedule"]["repeat"].clone();
    let rate = |given: &str, nth: usize| {
        let a = &resource(given, "o")["enteralFormula"]["administration"][nth];
        (
            a["rateQuantity"]["value"].to_string(),
            a["schedule"]["repeat"]["boundsPeriod"]["start"].as_str().unwrap_or("").to_owned(),
        )
    };
    assert_eq!(rate("rate = \"60 mL/h\"", 0), ("60".to_owned(), "2026-11-25T08:00:00Z".to_owned()));
    assert_eq!(repeat("rate = \"60 mL/h\"\nends = \"5 d\"")["boundsPeriod"]["end"], "2026-11-30T08:00:00Z");
    let night = repeat("rate = \"80 mL/h\"\nhours = \"10 h\"");
    assert_eq!(
        (&night["duration"], &night["durationUnit"], &night["timeOfDay"][0]),
        (&10.into(), &"h".into(), &"20:00:00".into())
    );
    assert_eq!(repeat("rate = \"80 mL/h\"\nhours = \"10 h\"\nstart = \"21:30\"")["timeOfDay"][0], "21:30:00");
    let feeds = repeat("volume = \"200 mL\"\nfeeds = 5");
    assert_eq!((&feeds["frequency"], &feeds["period"], &feeds["periodUnit"]), (&5.into(), &1.into(), &"d".into()));
    let feeds = repeat("volume = \"200 mL\"\nevery = \"4 h\"\nover = \"30 min\"");
    assert_eq!((&feeds["frequency"], &feeds["period"], &feeds["periodUnit"]), (&1.into(), &4.into(), &"h".into()));
    assert_eq!((&feeds["duration"], &feeds["durationUnit"]), (&30.into(), &"min".into()));
    // Steps begin one after the other: 08:00, 16:00, and 04:00 of the next day; days count as 24 h.
    let steps = "steps = [{ rate = \"20 mL/h\", for = \"8 h\" }, { rate = \"40 mL/h\", for = \"12 h\" }, { rate = \"60 mL/h\", for = \"2 d\" }, { rate = \"70 mL/h\" }]";
    for (nth, value, start) in [
        (0, "20", "2026-11-25T08:00:00Z"),
        (1, "40", "2026-11-25T16:00:00Z"),
        (2, "60", "2026-11-26T04:00:00Z"),
        (3, "70", "2026-11-28T04:00:00Z"),
    ] {
        assert_eq!(rate(steps, nth), (value.to_owned(), start.to_owned()), "{nth}");
    }
    for (given, says) in [
        ("rate = \"60 mL/h\"\nends = \"5 h\"", "ends: expected whole days, such as 30 d"),
        ("rate = \"60 mL/h\"\nends = \"-1 d\"", "ends: expected whole days, such as 30 d"),
        ("rate = \"60 mL/h\"\nends = \"70001 d\"", "ends: expected whole days, such as 30 d"),
        ("rate = \"60 mL/h\"\nends = \"1.5 d\"", "ends: expected whole days"),
        ("volume = \"200 mL\"", "volume needs feeds or every"),
        ("volume = \"200 mL\"\nfeeds = \"5\"", "feeds: expected a whole number"),
        ("steps = 5", "steps: expected a list of { rate, for }"),
        ("steps = [5]", "steps: expected a list of { rate, for }"),
        ("steps = [{ for = \"8 h\" }]", "steps: rate is missing"),
        ("steps = [{ rate = \"20 mL/h\", for = \"8 min\" }]", "steps.for: expected hours or days"),
        ("steps = [{ rate = \"20 mL/h\", for = \"1.5 h\" }]", "steps.for: expected whole hours or days"),
        ("rate = 60", "rate: expected text in quotes"),
        ("tempo = \"60 mL/h\"", "tempo is not known in a short form"),
        ("steps = [{ rate = \"20 mL/h\", during = \"8 h\" }]", "steps: during is not known here"),
        (
            "rate = \"60 mL/h\"\nflush = { volume = \"30 mL\", every = \"4 h\", each = \"feed\" }",
            "flush: each is not known here; known are volume, every",
        ),
        (
            "rate = \"60 mL/h\"\nadditives = [{ product = \"MCT\", amount = \"5 mL\", with = \"feed\" }]",
            "additives: with is not known here",
        ),
        ("sex = \"weiblich\"", "sex: expected female or male, found weiblich"),
        ("volume = \"280 mL\"\nfeeds = 6\nrate = \"900 mL/h\"", "rate does not go with volume (with feeds, every"),
        ("volume = \"280 mL\"\nfeeds = 6\nhours = \"20 h\"", "hours does not go with volume"),
        ("volume = \"280 mL\"\nfeeds = 6\nevery = \"2 h\"", "state feeds or every, not both"),
        ("rate = \"60 mL/h\"\nsteps = [{ rate = \"20 mL/h\" }]", "rate does not go with steps: state one way"),
        ("hours = \"20 h\"", "hours needs steps, volume or rate"),
    ] {
        let said = refusal(given);
        assert!(said.starts_with(says), "{given}: {said}");
    }
    assert!(composed("rate = \"60 mL/h\"\nends = \"0 d\"").is_ok());
}

#[test]
fn what_stands_beside_the_feed_is_written() {
    let order = |given: &str| resource(given, "o");
    let plain = order("product = \"A10\"\nrate = \"60 mL/h\"");
    let route = |o: &Value| o["enteralFormula"]["routeofAdministration"]["coding"][0]["code"].clone();
    assert_eq!(route(&plain), "NGT");
    assert_eq!(route(&order("rate = \"60 mL/h\"\nroute = \"post-pyloric\"")), "JJTINSTL");
    assert_eq!(route(&order("rate = \"60 mL/h\"\nroute = \"none\"")), Value::Null);
    assert_eq!(route(&order("rate = \"60 mL/h\"\nroute = \"http://a.example|X1\"")), "X1");
    assert_eq!(refusal("route = \"nose\""), "route: expected gastric, post-pyloric, none, or system|code");
    assert_eq!((&plain["status"], &plain["intent"]), (&"active".into(), &"order".into()));
    let draft = order(
        "status = \"draft\"\nintent = \"plan\"\nnote = \"see chart\"\ndensity = \"1.5 kcal/mL\"\ncap = \"1500 mL/d\"",
    );
    assert_eq!(
        (&draft["status"], &draft["intent"], &draft["note"][0]["text"]),
        (&"draft".into(), &"plan".into(), &"see chart".into())
    );
    assert_eq!(draft["enteralFormula"]["caloricDensity"]["code"], "kcal/mL");
    assert_eq!(draft["enteralFormula"]["maxVolumeToDeliver"]["value"], 1_500);
    let limited = order("fluid-limit = \"1500 mL/d\"");
    assert_eq!(limited["oralDiet"]["nutrient"][0]["amount"]["value"], 1_500);
    assert_eq!(limited["oralDiet"]["nutrient"][0]["amount"]["code"], "mL");
    assert_eq!(refusal("fluid-limit = \"1500 mL\""), "fluid-limit: expected a volume per day, such as 1500 mL/d");
    let flush = order("flush = { volume = \"30 mL\", every = \"4 h\" }");
    let extension = &flush["enteralFormula"]["extension"];
    assert_eq!(extension.as_array().unwrap().len(), 1);
    assert_eq!(extension[0]["extension"][0]["valueQuantity"]["value"], 30);
    assert_eq!(extension[0]["extension"][1]["valueTiming"]["repeat"]["period"], 4);
    assert_eq!(refusal("flush = { volume = \"30 mL\" }"), "flush: expected { volume = …, every = … }");
    let both = order(
        "flush = { volume = \"30 mL\", every = \"4 h\" }\nadditives = [{ product = \"PROT\", amount = \"2 {dose}\" }, { product = \"MCT\", amount = \"5 mL\", per = \"feed\" }, { product = \"X\" }]",
    );
    let all = both["enteralFormula"]["extension"].as_array().unwrap();
    assert_eq!(all.len(), 4);
    assert_eq!(
        (&all[1]["extension"][0]["valueCodeableConcept"]["text"], &all[1]["extension"][2]["valueCode"]),
        (&"PROT".into(), &"day".into())
    );
    assert_eq!(all[2]["extension"][2]["valueCode"], "feed");
    assert_eq!(all[3]["extension"].as_array().unwrap().len(), 1);
    assert_eq!(refusal("additives = [{ amount = \"2 {dose}\" }]"), "additives: product is missing");
    assert_eq!(refusal("additives = 5"), "additives: expected a list of { product, amount, per }");
    let others =
        composed("rate = \"60 mL/h\"\nother-orders = [{ rate = \"20 mL/h\" }, { rate = \"30 mL/h\" }]").unwrap();
    let ids: Vec<_> = others["entry"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|e| e["resource"]["resourceType"] == "NutritionOrder")
        .map(|e| e["resource"]["id"].as_str().unwrap())
        .collect();
    assert_eq!(ids, ["o", "o2", "o3"]);
}

#[test]
fn where_a_patient_is_cared_for_is_an_encounter() {
    let encounter = |given: &str| resource(given, "e");
    assert_eq!(encounter("setting = \"home\"")["class"]["code"], "HH");
    let ward = encounter("ward = \"W3\"\nstay = \"4 d\"");
    assert_eq!((&ward["class"]["code"], &ward["location"][0]["location"]["display"]), (&"IMP".into(), &"W3".into()));
    assert_eq!(ward["period"]["start"], "2026-11-21T08:00:00Z");
    assert_eq!(ward["serviceType"], Value::Null);
    let icu = encounter("setting = \"icu\"");
    assert_eq!(icu["class"]["code"], "IMP");
    assert!(icu["serviceType"]["coding"][0]["code"].is_string());
    assert_eq!(resource("setting = \"home\"\nrate = \"60 mL/h\"", "o")["encounter"]["reference"], "Encounter/e");
    assert_eq!(resource("rate = \"60 mL/h\"", "o")["encounter"], Value::Null);
    let tube = resource("tube-size = \"8 [Ch]\"", "tube");
    assert_eq!(tube["property"][0]["valueQuantity"][0]["value"], 8);
}

/// An order by mouth alone has no feed; nil by mouth carries the rulebook's own code.
#[test]
fn what_is_ordered_by_mouth_stands_in_the_order() {
    let beside = resource("rate = \"60 mL/h\"\nby-mouth = \"diet\"\nfluid-limit = \"1500 mL/d\"", "o");
    assert!(beside["enteralFormula"].is_object());
    assert_eq!(beside["oralDiet"]["type"][0]["coding"][0]["code"], "386619000");
    assert_eq!(beside["oralDiet"]["nutrient"].as_array().map(Vec::len), Some(1));
    let alone = resource("other-orders = [{ by-mouth = \"supplement\" }]", "o2");
    assert_eq!((alone["enteralFormula"].is_null(), alone["supplement"].is_array()), (true, true));
    assert_eq!(resource("by-mouth = \"nil\"", "o")["oralDiet"]["type"][0]["coding"][0]["code"], "182923009");
    assert_eq!(resource("by-mouth = \"diet-in-words\"", "o")["oralDiet"]["type"][0]["coding"], Value::Null);
    assert_eq!(refusal("by-mouth = \"soup\""), "by-mouth: expected diet, diet-in-words, nil, supplement");
}

#[test]
fn a_tube_is_a_device_and_its_use() {
    let given = "tube-size = \"8 [Ch]\"\ntube = { kind = \"nasal-tube\", ago = \"30 d\" }";
    let (device, used) = (resource(given, "tube"), resource(given, "tube-use"));
    assert_eq!(device["type"]["coding"][0]["code"], "17102003");
    assert_eq!(device["property"][0]["valueQuantity"][0]["value"], 8);
    assert_eq!(used["device"]["reference"], "Device/tube");
    assert_eq!(used["timingPeriod"]["start"], "2026-10-26T08:00:00Z");
    assert_eq!(resource("tube = {}", "tube")["type"], Value::Null);
    assert!(refusal("tube = { kind = \"pipe\" }").starts_with("pipe: the rulebook has no such concept"));
    assert!(refusal("tube = { since = \"30 d\" }").starts_with("tube: since is not known here"));
}

#[test]
fn a_medicine_with_its_form_holds_its_medication() {
    let given = "medicine-forms = [{ medicine = \"warfarin\", form = \"modified-release\", route = \"NGT\" }, {}]";
    let first = resource(given, "medicine-form0");
    assert_eq!(first["contained"][0]["form"]["coding"][0]["code"], "10207000");
    assert!(first["contained"][0]["code"]["coding"][0]["code"].is_string());
    assert_eq!(first["dosageInstruction"][0]["route"]["coding"][0]["code"], "NGT");
    let second = resource(given, "medicine-form1");
    assert_eq!((&second["dosageInstruction"], &second["contained"][0]["form"]), (&Value::Null, &Value::Null));
    assert!(refusal("medicine-forms = [{ dose = \"1 mg\" }]").starts_with("medicine-forms: dose is not known here"));
}

#[test]
fn an_infusion_is_a_request_for_a_product_by_vein() {
    let given = "infusions = [{ product = \"PROP1\", medicine = \"propofol\", rate = \"12 mL/h\" }, { product = \"PN1\", volume = \"1500 mL\" }]";
    let first = resource(given, "infusion0");
    assert_eq!(first["medicationCodeableConcept"]["text"], "PROP1");
    assert_eq!(first["medicationCodeableConcept"]["coding"][0]["code"], "N01AX10");
    assert_eq!(first["dosageInstruction"][0]["doseAndRate"][0]["rateQuantity"]["value"], 12);
    assert_eq!(first["dosageInstruction"][0]["route"]["coding"][0]["code"], "IV");
    let second = &resource(given, "infusion1")["dosageInstruction"][0];
    assert_eq!(second["doseAndRate"][0]["doseQuantity"]["value"], 1500);
    assert_eq!(second["timing"]["repeat"]["periodUnit"], "d");
    assert_eq!(resource("infusions = [{}]", "infusion0")["dosageInstruction"][0]["doseAndRate"], Value::Null);
    assert!(refusal("infusions = [{ dose = \"1 mg\" }]").starts_with("infusions: dose is not known here"));
    assert!(refusal("infusions = \"PN1\"").starts_with("infusions: expected a list of"));
}

#[test]
fn a_procedure_was_done_some_time_ago() {
    let done = resource("procedures = [{ kind = \"gastrostomy\", ago = \"2 h\" }]", "procedure0");
    assert_eq!((&done["code"]["coding"][0]["code"], &done["status"]), (&"54956002".into(), &"completed".into()));
    assert_eq!(done["performedDateTime"], "2026-11-25T06:00:00Z");
    assert_eq!(resource("procedures = [{}]", "procedure0")["code"], Value::Null);
    assert_eq!(empty("procedures = []"), ["https://enteral-gate.example/fhir/Procedure?patient=Patient/p"]);
    assert!(refusal("procedures = [{ what = \"x\" }]").starts_with("procedures: what is not known here"));
}

#[test]
fn what_the_patient_keeps_to_stands_in_the_order() {
    let order = resource("preferences = [\"no-pork\", \"in-words\"]", "o");
    let kept = &order["foodPreferenceModifier"];
    assert_eq!((&kept[0]["coding"][0]["code"], &kept[1]["coding"]), (&"halal".into(), &Value::Null));
    assert!(refusal("preferences = [\"no-soup\"]").starts_with("no-soup: the rulebook has no such concept"));
    assert_eq!(refusal("preferences = \"no-pork\""), "preferences: expected a list of keys");
}
