//! Random NutritionOrders, R4 and R5, sound and broken, with the place they are reckoned at. All invented.

use serde_json::{Value, json};

/// SplitMix64 (public domain, S. Vigna): one number makes one order, on every machine.
#[derive(Clone)]
pub struct Rng(pub u64);

impl Rng {
    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }
    pub fn below(&mut self, n: u64) -> u64 {
        self.next() % n
    }
    pub fn between(&mut self, low: i64, high: i64) -> i64 {
        low + self.below((high - low + 1) as u64) as i64
    }
    /// Once in `n`.
    pub fn one_in(&mut self, n: u64) -> bool {
        self.below(n) == 0
    }
    pub fn pick<'a, T>(&mut self, from: &'a [T]) -> &'a T {
        &from[self.below(from.len() as u64) as usize]
    }
}

pub const ZONES: [&str; 5] = ["UTC", "Europe/Vienna", "America/New_York", "Australia/Lord_Howe", "Asia/Kolkata"];

/// An order with its circumstances.
#[derive(Clone, Debug)]
pub struct Case {
    pub order: Value,
    pub zone: &'static str,
    pub day_start: u32,
    /// Dosing weight, g.
    pub grams: Option<i64>,
    /// Clock times of event codes.
    pub clock: Vec<(&'static str, Vec<u32>)>,
    /// A civil day to look at, days since 1970.
    pub civil_day: i64,
}

/// Days since 1970 of dates near which something happens: 2026-03-08 and 2026-11-01 (New York), 2026-03-29
/// and 2026-10-25 (Vienna), 2026-04-05 and 2026-10-04 (Lord Howe, half an hour), and a leap day.
const DAYS: [i64; 8] = [20_520, 20_758, 20_541, 20_751, 20_548, 20_730, 21_243, 20_800];

fn date_text(day: i64) -> String {
    use jiff::ToSpan;
    (jiff::civil::Date::constant(1970, 1, 1) + day.days()).to_string()
}

/// A decimal with up to three places, written without trailing surprises.
pub fn decimal(value: i64, places: u32) -> Value {
    let text = if places == 0 {
        value.to_string()
    } else {
        let ten = 10i64.pow(places);
        format!("{}.{:0width$}", value / ten, value % ten, width = places as usize)
    };
    serde_json::from_str(&text).expect("a number")
}

pub fn ucum(value: Value, code: &str) -> Value {
    json!({"value": value, "unit": code, "system": "http://unitsofmeasure.org", "code": code})
}

const BASE: &str = "https://enteral-gate.example/fhir/StructureDefinition/";

struct Made<'r> {
    r: &'r mut Rng,
    r5: bool,
    zone: jiff::tz::TimeZone,
    day: i64,
    broken: bool,
}

impl Made<'_> {
    fn volume(&mut self, ml: i64) -> Value {
        let mut q = match self.r.below(8) {
            0 => ucum(decimal(ml, 3), "L"),
            1 => ucum(decimal(ml * 10 / 3, 2), "[foz_us]"),
            2 => ucum(decimal(ml, 2), "dL"),
            3 => ucum(decimal(ml * 10 + 5, 1), "mL"),
            _ => ucum(decimal(ml, 0), "mL"),
        };
        self.breaks(&mut q);
        q
    }

    /// Takes something away from a quantity, in orders that are meant to be broken.
    fn breaks(&mut self, q: &mut Value) {
        if self.broken && self.r.one_in(6) {
            match self.r.below(4) {
                0 => {
                    q["unit"] = json!("mystery");
                    q["code"] = json!("mystery");
                }
                1 => q["comparator"] = json!("<"),
                2 => {
                    q.as_object_mut().expect("an object").remove("value");
                }
                _ => q["value"] = json!(0),
            }
        }
    }

    fn rate(&mut self, a: &mut Value) {
        let ml_h = self.r.between(10, 150);
        if self.r.one_in(5) {
            let (top, bottom) = match self.r.below(3) {
                0 => (ucum(decimal(ml_h, 0), "mL"), ucum(json!(1), "h")),
                1 => (ucum(decimal(ml_h * 24, 3), "L"), ucum(json!(1), "d")),
                _ => (ucum(decimal(ml_h * 2, 0), "mL"), ucum(json!(90), "min")),
            };
            a["rateRatio"] = json!({"numerator": top, "denominator": bottom});
            return;
        }
        let mut q = match self.r.below(9) {
            0 => ucum(decimal(ml_h * 24, 3), "L/d"),
            1 => ucum(decimal(ml_h, 1), "mL/min"),
            2 => ucum(decimal(ml_h / 3, 1), "[foz_us]/h"),
            3 => ucum(decimal(ml_h / 8 + 1, 1), "mL/kg/h"),
            4 => ucum(decimal(ml_h, 0), "mL/kg/d"),
            5 => ucum(decimal(ml_h * 10 + 3, 1), "mL/h"),
            _ => ucum(decimal(ml_h, 0), "mL/h"),
        };
        self.breaks(&mut q);
        a["rateQuantity"] = q;
    }

    fn moment(&mut self, back: i64, ahead: i64) -> String {
        let day = self.day + self.r.between(back, ahead);
        if self.r.one_in(4) {
            return date_text(day);
        }
        let hour = self.r.between(0, 23);
        let minute = *self.r.pick(&[0, 0, 0, 30, 15, 47]);
        self.stamp(day, hour, minute)
    }

    fn stamp(&mut self, day: i64, hour: i64, minute: i64) -> String {
        use jiff::ToSpan;
        let date = jiff::civil::Date::constant(1970, 1, 1) + day.days();
        let dt = date.at(hour as i8, minute as i8, 0, 0);
        let at = self.zone.to_ambiguous_timestamp(dt).compatible().expect("within reach");
        if self.r.one_in(6) {
            return at.to_string();
        }
        at.display_with_offset(self.zone.to_offset(at)).to_string()
    }

    fn time(&mut self) -> String {
        let hour = self.r.between(0, 23);
        format!("{hour:02}:{:02}:00", self.r.pick(&[0, 0, 30, 45]))
    }

    /// Bounds with a probability that differs by what the entry is for.
    fn bounds(&mut self, repeat: &mut Value, start_only: bool) {
        if start_only {
            let start = self.moment(-1, 1);
            repeat["boundsPeriod"] = json!({"start": start});
            return;
        }
        match self.r.below(10) {
            0..=2 => {}
            3..=5 => {
                let start = self.moment(-1, 1);
                repeat["boundsPeriod"] = json!({"start": start});
            }
            6 => {
                let start = self.moment(-2, 0);
                let end = self.moment(1, 4);
                repeat["boundsPeriod"] = json!({"start": start, "end": end});
            }
            7 => {
                let end = self.moment(1, 3);
                repeat["boundsPeriod"] = json!({"end": end});
            }
            8 => {
                let (n, unit) = *self.r.pick(&[(8, "h"), (36, "h"), (2, "d"), (1, "wk"), (600, "min")]);
                repeat["boundsDuration"] = ucum(json!(n), unit);
            }
            _ => {
                repeat["boundsRange"] = json!({"low": ucum(json!(20), "h"), "high": ucum(json!(3), "d")});
            }
        }
        if self.broken && self.r.one_in(5) {
            repeat["boundsPeriod"] = json!({"start": date_text(self.day + 2), "end": date_text(self.day)});
            repeat.as_object_mut().expect("an object").retain(|k, _| k != "boundsDuration" && k != "boundsRange");
        }
    }

    fn duration(&mut self, repeat: &mut Value) {
        let (n, unit) =
            *self.r.pick(&[(1, "h"), (2, "h"), (30, "min"), (45, "min"), (90, "min"), (4, "h"), (12, "h"), (16, "h")]);
        repeat["duration"] = json!(n);
        repeat["durationUnit"] = json!(unit);
        if self.r.one_in(6) {
            repeat["durationMax"] = json!(n * 2);
        }
    }

    fn frequency(&mut self, repeat: &mut Value) {
        let (f, p, unit) = *self.r.pick(&[
            (1, 4, "h"),
            (1, 3, "h"),
            (1, 6, "h"),
            (1, 1, "h"),
            (1, 2, "h"),
            (2, 1, "h"),
            (1, 30, "min"),
            (1, 5, "h"),
            (1, 7, "h"),
            (1, 90, "min"),
            (1, 100, "min"),
            (1, 1, "d"),
            (3, 1, "d"),
            (4, 1, "d"),
            (5, 1, "d"),
            (6, 1, "d"),
            (7, 1, "d"),
            (8, 1, "d"),
            (3, 2, "d"),
            (1, 2, "d"),
            (1, 3, "d"),
            (2, 1, "wk"),
            (1, 1, "wk"),
            (6, 24, "h"),
            (1, 3600, "s"),
        ]);
        if f != 1 || !self.r.one_in(3) {
            repeat["frequency"] = json!(f);
        }
        repeat["period"] = json!(p);
        repeat["periodUnit"] = json!(unit);
        if self.r.one_in(12) {
            repeat["frequencyMax"] = json!(f + self.r.between(0, 2));
        }
        if self.r.one_in(16) {
            repeat["periodMax"] = json!(p * 2);
        }
        if self.broken && self.r.one_in(4) {
            match self.r.below(4) {
                0 => repeat["period"] = json!(0),
                1 => repeat["periodUnit"] = json!("mo"),
                2 => {
                    repeat.as_object_mut().expect("an object").remove("periodUnit");
                }
                _ => {
                    repeat["frequency"] = json!(100);
                    repeat["period"] = json!(1);
                    repeat["periodUnit"] = json!("min");
                }
            }
        }
    }

    /// So many in some weeks, as many as the named days make or another number.
    fn weekly(&mut self, repeat: &mut Value) {
        let days = repeat["dayOfWeek"].as_array().map_or(1, Vec::len) as i64;
        let times = repeat.get("timeOfDay").and_then(Value::as_array).map_or(1, Vec::len) as i64;
        let weeks = *self.r.pick(&[1, 1, 1, 2, 3]);
        if !self.r.one_in(6) {
            let f = if self.r.one_in(2) { days * times } else { self.r.between(1, 9) };
            repeat["frequency"] = json!(f);
            if self.r.one_in(8) {
                repeat["frequencyMax"] = json!(f + self.r.between(0, 3));
            }
        }
        let (period, unit) = if self.r.one_in(3) { (weeks * 7, "d") } else { (weeks, "wk") };
        repeat["period"] = json!(period);
        repeat["periodUnit"] = json!(unit);
        if self.r.one_in(12) {
            repeat["periodMax"] = json!(period * 2);
        }
    }

    fn weekdays(&mut self) -> Value {
        let all = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"];
        let mask = self.r.between(1, 126);
        json!(all.iter().enumerate().filter(|(i, _)| mask & (1 << i) != 0).map(|(_, d)| d).collect::<Vec<_>>())
    }

    fn code(&mut self) -> Value {
        const GTS: &str = "http://terminology.hl7.org/CodeSystem/v3-GTSAbbreviation";
        const ABBREVIATION: &str = "http://terminology.hl7.org/CodeSystem/timing-abbreviation";
        let code = *self.r.pick(&[
            "QD", "BID", "TID", "QID", "AM", "PM", "BED", "Q1H", "Q2H", "Q3H", "Q4H", "Q6H", "Q8H", "QOD", "WK", "MO",
            "C",
        ]);
        let system = if code == "C" { ABBREVIATION } else { GTS };
        json!({"coding": [{"system": system, "code": code}]})
    }

    /// A timing for single feeds.
    fn feeds(&mut self) -> Value {
        let mut repeat = json!({});
        let mut timing = json!({});
        self.bounds(&mut repeat, false);
        match self.r.below(16) {
            0..=6 => self.frequency(&mut repeat),
            7..=9 => {
                let n = self.r.between(1, 5);
                let mut times: Vec<String> = (0..n).map(|_| self.time()).collect();
                if !self.r.one_in(8) {
                    times.dedup();
                }
                repeat["timeOfDay"] = json!(times);
                match self.r.below(6) {
                    0 => {
                        repeat["frequency"] = json!(self.r.between(1, 5));
                        repeat["period"] = json!(1);
                        repeat["periodUnit"] = json!("d");
                    }
                    1 => {
                        repeat["period"] = json!(2);
                        repeat["periodUnit"] = json!("d");
                    }
                    _ => {}
                }
            }
            10 => repeat["dayOfWeek"] = self.weekdays(),
            11 => {
                repeat["dayOfWeek"] = self.weekdays();
                repeat["timeOfDay"] = json!([self.time(), self.time()]);
                if self.r.one_in(2) {
                    self.weekly(&mut repeat);
                }
            }
            12 => {
                repeat["dayOfWeek"] = self.weekdays();
                if self.r.one_in(2) {
                    self.weekly(&mut repeat);
                } else {
                    repeat["frequency"] = json!(self.r.between(1, 4));
                    repeat["period"] = json!(1);
                    repeat["periodUnit"] = json!("d");
                }
            }
            13 => {
                timing["code"] = self.code();
                if self.r.one_in(3) {
                    self.duration(&mut repeat);
                }
            }
            14 => {
                repeat["when"] = match self.r.below(4) {
                    0 => json!(["ACM"]),
                    1 => json!(["HS"]),
                    2 => json!(["ACM", "HS"]),
                    _ => json!([*self.r.pick(&["MORN", "AC", "C", "PC"])]),
                };
                if self.r.one_in(3) {
                    repeat["offset"] = json!(*self.r.pick(&[15, 30, 120, 240, 480]));
                }
                if self.r.one_in(4) {
                    repeat["dayOfWeek"] = self.weekdays();
                }
            }
            _ => {
                let n = self.r.between(1, 4);
                let events: Vec<String> = (0..n).map(|_| self.moment(0, 2)).collect();
                timing["event"] = json!(events);
            }
        }
        let spaced =
            repeat.get("period").is_some() || repeat.get("timeOfDay").is_some() || repeat.get("when").is_some();
        if spaced && self.r.one_in(3) {
            self.duration(&mut repeat);
        }
        if repeat.get("period").is_some() && self.r.one_in(12) {
            repeat["count"] = json!(self.r.between(1, 12));
            if self.r.one_in(3) {
                repeat["countMax"] = json!(14);
            }
        }
        if self.r.one_in(20) {
            timing["code"] = self.code();
        }
        if self.broken && self.r.one_in(8) {
            return json!({"code": {"text": "as tolerated"}});
        }
        if repeat.as_object().is_some_and(|o| !o.is_empty()) {
            timing["repeat"] = repeat;
        }
        timing
    }

    /// `asNeeded` is R5's only.
    fn put(&mut self, a: &mut Value, timings: Vec<Value>) {
        if timings.iter().all(|t| t.as_object().is_some_and(serde_json::Map::is_empty)) {
            return;
        }
        if self.r5 {
            a["schedule"] = json!({"timing": timings});
            if self.r.one_in(8) {
                a["schedule"]["asNeeded"] = json!(true);
            }
        } else {
            a["schedule"] = timings.into_iter().next().expect("a timing");
        }
    }

    fn entry(&mut self) -> Value {
        let mut a = json!({});
        match self.r.below(10) {
            0 => {
                self.rate(&mut a);
                if self.r.one_in(3) {
                    let ml = self.r.between(100, 2400);
                    a["quantity"] = self.volume(ml);
                }
            }
            1 => {
                self.rate(&mut a);
                let mut repeat = json!({});
                self.bounds(&mut repeat, false);
                let timing = if repeat == json!({}) { json!({}) } else { json!({"repeat": repeat}) };
                self.put(&mut a, vec![timing]);
            }
            2 => {
                // A cyclic feed across midnight.
                self.rate(&mut a);
                let mut repeat =
                    json!({"timeOfDay": [self.time()], "duration": self.r.between(6, 20), "durationUnit": "h"});
                self.bounds(&mut repeat, false);
                self.put(&mut a, vec![json!({"repeat": repeat})]);
            }
            n => {
                let which = if n < 7 { 0 } else { self.r.below(3) };
                if which != 1 {
                    let ml = self.r.between(20, 400);
                    a["quantity"] = self.volume(ml);
                }
                if which != 0 {
                    self.rate(&mut a);
                }
                let mut timings = vec![self.feeds()];
                if self.r5 && self.r.one_in(6) {
                    timings.push(self.feeds());
                }
                self.put(&mut a, timings);
            }
        }
        if self.broken && self.r.one_in(10) {
            a.as_object_mut().expect("an object").retain(|k, _| k == "schedule");
        }
        a
    }

    /// Steps: open-ended entries of one kind that differ by their start.
    fn steps(&mut self) -> Vec<Value> {
        let n = self.r.between(2, 4);
        let kind = self.r.below(3);
        let with_first = self.r.one_in(3);
        let hours = *self.r.pick(&[3, 4, 6, 5]);
        let mut out = vec![];
        for k in 0..n {
            let mut a = json!({});
            let mut repeat = json!({});
            if !(with_first && k == 0) {
                let (hour, minute) = (self.r.between(0, 23), *self.r.pick(&[0, 30]));
                let day = self.day + k / 2;
                let start = self.stamp(day, hour, minute);
                repeat["boundsPeriod"] = json!({"start": start});
            }
            match kind {
                0 => self.rate(&mut a),
                1 => {
                    let ml = self.r.between(20, 300);
                    a["quantity"] = self.volume(ml);
                    repeat["frequency"] = json!(1);
                    repeat["period"] = json!(hours);
                    repeat["periodUnit"] = json!("h");
                }
                _ => {
                    let ml = self.r.between(20, 300);
                    a["quantity"] = self.volume(ml);
                    repeat["frequency"] = json!(hours);
                    repeat["period"] = json!(1);
                    repeat["periodUnit"] = json!("d");
                }
            }
            let timing = if repeat == json!({}) { json!({}) } else { json!({"repeat": repeat}) };
            self.put(&mut a, vec![timing]);
            out.push(a);
        }
        out
    }

    fn flush(&mut self) -> Value {
        let ml = self.r.between(5, 60);
        let volume = self.volume(ml);
        let second = if self.r.one_in(2) {
            json!({"url": "with-each-feed", "valueCode": *self.r.pick(&["before", "after", "before-and-after"])})
        } else {
            let mut timing = self.feeds();
            if timing == json!({}) {
                timing = json!({"repeat": {"frequency": 1, "period": 4, "periodUnit": "h"}});
            }
            json!({"url": "schedule", "valueTiming": timing})
        };
        json!({"url": format!("{BASE}water-flush"), "extension": [{"url": "volume", "valueQuantity": volume}, second]})
    }

    fn additive(&mut self, formula: &mut Value) {
        let (name, quantity, per) = match self.r.below(12) {
            8 => ("Test Protein", ucum(json!(20), "g/d"), Some("day")),
            9 => ("Test Protein", ucum(json!(20), "g/d"), Some("feed")),
            10 => ("Test Packet", ucum(json!(2), "{packet}/d"), None),
            11 => ("Test Packet", ucum(json!(2), "{scoop}"), Some("day")),
            0 => ("Test Protein", ucum(json!(20), "g"), Some("day")),
            1 => ("Test Protein", ucum(json!(5), "g"), Some("feed")),
            2 => ("Test Protein", ucum(json!(15), "g/L"), None),
            3 => ("Test Packet", ucum(json!(2), "1"), Some("day")),
            4 => ("Test Packet", ucum(json!(1), "1"), Some("feed")),
            5 => ("Test Packet", ucum(json!(1), "/dL"), Some("volume")),
            6 => ("Test Protein", ucum(json!(20), "g"), None),
            _ => ("Not There", ucum(json!(20), "g"), Some("day")),
        };
        if self.r5 {
            let mut a = json!({"productName": name, "quantity": quantity});
            if let Some(per) = per {
                a["extension"] = json!([{"url": format!("{BASE}additive-per"), "valueCode": per}]);
            }
            formula["additive"] = json!([a]);
        } else if self.r.one_in(8) {
            formula["additiveProductName"] = json!("Test Protein");
        } else {
            let mut parts = json!([
                {"url": "item", "valueCodeableConcept": {"text": name}},
                {"url": "quantity", "valueQuantity": quantity}
            ]);
            if let Some(per) = per {
                parts.as_array_mut().expect("a list").push(json!({"url": "per", "valueCode": per}));
            }
            let e = json!({"url": format!("{BASE}additive-dose"), "extension": parts});
            extend(formula, e);
        }
    }

    fn density(&mut self) -> Option<Value> {
        let mut q = match self.r.below(9) {
            0 => ucum(decimal(100, 2), "kcal/mL"),
            1 => ucum(decimal(15, 1), "kcal/mL"),
            2 => ucum(json!(24), "kcal/[foz_us]"),
            3 => ucum(decimal(63, 1), "kJ/mL"),
            4 => ucum(decimal(12, 1), "cal/mL"),
            5 => ucum(json!(800), "kcal/L"),
            _ => return None,
        };
        self.breaks(&mut q);
        Some(q)
    }
}

fn extend(v: &mut Value, e: Value) {
    match v.get_mut("extension").and_then(Value::as_array_mut) {
        Some(list) => list.push(e),
        None => v["extension"] = json!([e]),
    }
}

/// The order of a seed.
pub fn case(seed: u64) -> Case {
    let mut rng = Rng(seed);
    let zone = *rng.pick(&ZONES);
    let r5 = rng.one_in(2);
    let broken = rng.one_in(10);
    let day = *rng.pick(&DAYS) + rng.between(-2, 1);
    let day_start = *rng.pick(&[7u32, 7, 7, 6, 0, 18, 2]) * 3600 + *rng.pick(&[0u32, 0, 0, 1800]);
    let grams = (!rng.one_in(6)).then(|| *rng.pick(&[3_250i64, 12_000, 61_700, 80_000]));
    let clock = if rng.one_in(3) {
        vec![("ACM", vec![7 * 3600]), ("HS", vec![22 * 3600]), ("AC", vec![8 * 3600, 12 * 3600, 18 * 3600])]
    } else {
        vec![]
    };
    let civil_day = day + rng.between(-1, 2);
    let tz = jiff::tz::TimeZone::get(zone).expect("a bundled zone");
    let mut m = Made { r: &mut rng, r5, zone: tz, day, broken };

    let mut administrations = if m.r.one_in(4) {
        m.steps()
    } else {
        let n = *m.r.pick(&[1, 1, 1, 2, 2, 3]);
        (0..n).map(|_| m.entry()).collect()
    };
    if administrations.len() < 4 && m.r.one_in(8) {
        let ml = m.r.between(20, 250);
        let mut water = json!({
            "extension": [{
                "url": format!("{BASE}administration-product"),
                "valueCodeableConcept": {"coding": [{
                    "system": "http://terminology.hl7.org/CodeSystem/entformula-additive", "code": "water"
                }]}
            }]
        });
        water["quantity"] = m.volume(ml);
        let timing = m.feeds();
        m.put(&mut water, vec![timing]);
        administrations.push(water);
    }
    let product =
        *m.r.pick(&["Test Standard", "Test Standard", "Test Concentrate", "Test Powder", "Test Mix", "Unheard Of"]);
    let mut formula = json!({"baseFormulaProductName": product, "administration": administrations});
    if let Some(d) = m.density() {
        formula["caloricDensity"] = d;
    }
    if m.r.one_in(4) {
        let ml = m.r.between(100, 2600);
        let mut cap = match m.r.below(13) {
            3..=5 => ucum(decimal(ml / 5, 0), "mL/(4.h)"),
            6 => ucum(decimal(ml * 6, 0), "mL/wk"),
            7..=8 => ucum(decimal(ml / 12, 0), "mL/h"),
            0 => ucum(decimal(ml, 0), "mL/d"),
            1 => ucum(decimal(ml / 12, 0), "mL/h"),
            2 => ucum(decimal(ml, 3), "L"),
            _ => ucum(decimal(ml, 0), "mL"),
        };
        m.breaks(&mut cap);
        formula["maxVolumeToDeliver"] = cap;
    }
    if m.r.one_in(5) {
        let f = m.flush();
        extend(&mut formula, f);
    }
    if m.r.one_in(7) {
        m.additive(&mut formula);
    }
    let written = m.moment(-1, 0);
    let written = if written.len() == 10 { m.stamp(day - 1, 9, 0) } else { written };
    let mut order = json!({
        "resourceType": "NutritionOrder",
        "status": "active",
        "intent": "order",
        "dateTime": written,
        "enteralFormula": formula,
    });
    let person = json!({"reference": "Patient/1"});
    if r5 {
        order["subject"] = person;
    } else {
        order["patient"] = person;
    }
    Case { order, zone, day_start, grams, clock, civil_day }
}
