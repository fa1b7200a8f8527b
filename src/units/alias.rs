//! Spellings that are not UCUM codes in their place, and what each is read as; and everyday words, which
//! only serve to see whether a display text contradicts its code.
//!
//! Nothing outside these tables is guessed. Every use is reported, and the list carries a version, so that
//! a change of it can be traced in an answer. Where the spellings come from: common practice, no source.

use super::{Dimension, Unit, UnitError};
use crate::exact::Exact;

/// Version of the alias table; raised whenever an entry is added, changed or removed.
pub const ALIASES_VERSION: u32 = 1;

/// One accepted spelling.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Alias {
    /// The spelling, exactly.
    pub given: &'static str,
    /// The UCUM code it is read as.
    pub read_as: &'static str,
    /// Whether it is also accepted in `Quantity.code`. Only spellings that UCUM itself refuses are, so that
    /// no valid code ever gets another meaning.
    pub in_code: bool,
    /// Why it is accepted.
    pub reason: &'static str,
}

const CODE: bool = true;
const TEXT: bool = false;
const SAME: &str = "a UCUM code written as display text, without a code";
const SMALL_L: &str = "a UCUM code with the small l, written as display text, without a code";
const HOUR: &str = "hr, hour: the hour is h in UCUM";
const DAY: &str = "day: the day is d in UCUM";
const PRODUCT: &str = "a number before a unit needs a full stop and parentheses in UCUM";
const CAPITAL: &str = "a capital letter where UCUM has a small one; no other unit is spelled so";
const FOOD_CALORIE: &str = "the capital C of the food calorie, [Cal] in UCUM";
const CC: &str = "cubic centimetre, equal to the millilitre";
const PLURAL: &str = "a plural";
const MICRO: &str = "mcg: the microgram is ug in UCUM";
const POUND: &str = "the pound of body weight is the avoirdupois pound";
const WORD: &str = "the English word or its usual short form";
const SHOUTED: &str = "a display text in capitals; megalitres are not given by tube";

const fn a(given: &'static str, read_as: &'static str, in_code: bool, reason: &'static str) -> Alias {
    Alias { given, read_as, in_code, reason }
}

// INVARIANT: sorted by the bytes of `given`, for the binary search; a test holds it.
const ALIASES: [Alias; 203] = [
    a("%", "%", TEXT, SAME),
    a("Cal", "[Cal]", CODE, FOOD_CALORIE),
    a("Cal/mL", "[Cal]/mL", CODE, FOOD_CALORIE),
    a("Cal/ml", "[Cal]/mL", CODE, FOOD_CALORIE),
    a("KCAL", "kcal", CODE, CAPITAL),
    a("KCAL/ML", "kcal/mL", TEXT, SHOUTED),
    a("KG", "kg", CODE, CAPITAL),
    a("Kcal", "kcal", CODE, CAPITAL),
    a("Kcal/mL", "kcal/mL", CODE, CAPITAL),
    a("Kcal/ml", "kcal/mL", CODE, CAPITAL),
    a("Kg", "kg", CODE, CAPITAL),
    a("L", "L", TEXT, SAME),
    a("L/d", "L/d", TEXT, SAME),
    a("L/day", "L/d", CODE, DAY),
    a("LB", "[lb_av]", CODE, POUND),
    a("LBS", "[lb_av]", CODE, POUND),
    a("ML", "mL", TEXT, SHOUTED),
    a("ML/H", "mL/h", TEXT, SHOUTED),
    a("ML/HR", "mL/h", TEXT, SHOUTED),
    a("[foz_br]", "[foz_br]", TEXT, SAME),
    a("[foz_us]", "[foz_us]", TEXT, SAME),
    a("[in_i]", "[in_i]", TEXT, SAME),
    a("[lb_av]", "[lb_av]", TEXT, SAME),
    a("[oz_av]", "[oz_av]", TEXT, SAME),
    a("cal/[foz_us]", "cal/[foz_us]", TEXT, SAME),
    a("cal/mL", "cal/mL", TEXT, SAME),
    a("cal/ml", "cal/mL", TEXT, SMALL_L),
    a("cc", "mL", CODE, CC),
    a("cc/h", "mL/h", CODE, CC),
    a("cc/hr", "mL/h", CODE, CC),
    a("cm", "cm", TEXT, SAME),
    a("d", "d", TEXT, SAME),
    a("dL", "dL", TEXT, SAME),
    a("day", "d", CODE, DAY),
    a("days", "d", CODE, DAY),
    a("dl", "dL", TEXT, SMALL_L),
    a("g", "g", TEXT, SAME),
    a("g/(kg.d)", "g/(kg.d)", TEXT, SAME),
    a("g/100 mL", "g/(100.mL)", TEXT, PRODUCT),
    a("g/100 ml", "g/(100.mL)", TEXT, PRODUCT),
    a("g/100mL", "g/(100.mL)", CODE, PRODUCT),
    a("g/100ml", "g/(100.mL)", CODE, PRODUCT),
    a("g/L", "g/L", TEXT, SAME),
    a("g/d", "g/d", TEXT, SAME),
    a("g/dL", "g/dL", TEXT, SAME),
    a("g/day", "g/d", CODE, DAY),
    a("g/dl", "g/dL", TEXT, SMALL_L),
    a("g/kg/d", "g/kg/d", TEXT, SAME),
    a("g/kg/day", "g/kg/d", CODE, DAY),
    a("g/l", "g/L", TEXT, SMALL_L),
    a("gm", "g", CODE, WORD),
    a("gms", "g", CODE, WORD),
    a("gram", "g", CODE, WORD),
    a("grams", "g", CODE, WORD),
    a("h", "h", TEXT, SAME),
    a("hour", "h", CODE, HOUR),
    a("hours", "h", CODE, HOUR),
    a("hr", "h", CODE, HOUR),
    a("hrs", "h", CODE, HOUR),
    a("in", "[in_i]", CODE, WORD),
    a("inch", "[in_i]", CODE, WORD),
    a("inches", "[in_i]", CODE, WORD),
    a("kCal", "kcal", CODE, CAPITAL),
    a("kCal/mL", "kcal/mL", CODE, CAPITAL),
    a("kCal/ml", "kcal/mL", CODE, CAPITAL),
    a("kJ", "kJ", TEXT, SAME),
    a("kJ/100mL", "kJ/(100.mL)", CODE, PRODUCT),
    a("kJ/100ml", "kJ/(100.mL)", CODE, PRODUCT),
    a("kJ/L", "kJ/L", TEXT, SAME),
    a("kJ/dL", "kJ/dL", TEXT, SAME),
    a("kJ/mL", "kJ/mL", TEXT, SAME),
    a("kJ/ml", "kJ/mL", TEXT, SMALL_L),
    a("kcal", "kcal", TEXT, SAME),
    a("kcal/(100.mL)", "kcal/(100.mL)", TEXT, SAME),
    a("kcal/(kg.d)", "kcal/(kg.d)", TEXT, SAME),
    a("kcal/100 mL", "kcal/(100.mL)", TEXT, PRODUCT),
    a("kcal/100 ml", "kcal/(100.mL)", TEXT, PRODUCT),
    a("kcal/100mL", "kcal/(100.mL)", CODE, PRODUCT),
    a("kcal/100ml", "kcal/(100.mL)", CODE, PRODUCT),
    a("kcal/L", "kcal/L", TEXT, SAME),
    a("kcal/[foz_us]", "kcal/[foz_us]", TEXT, SAME),
    a("kcal/cc", "kcal/mL", CODE, CC),
    a("kcal/d", "kcal/d", TEXT, SAME),
    a("kcal/dL", "kcal/dL", TEXT, SAME),
    a("kcal/day", "kcal/d", CODE, DAY),
    a("kcal/kg/d", "kcal/kg/d", TEXT, SAME),
    a("kcal/kg/day", "kcal/kg/d", CODE, DAY),
    a("kcal/l", "kcal/L", TEXT, SMALL_L),
    a("kcal/mL", "kcal/mL", TEXT, SAME),
    a("kcal/ml", "kcal/mL", TEXT, SMALL_L),
    a("kcals", "kcal", CODE, PLURAL),
    a("kg", "kg", TEXT, SAME),
    a("kg/m2", "kg/m2", TEXT, SAME),
    a("kgs", "kg", CODE, WORD),
    a("kilogram", "kg", CODE, WORD),
    a("kilograms", "kg", CODE, WORD),
    a("l", "L", TEXT, SMALL_L),
    a("l/d", "L/d", TEXT, SMALL_L),
    a("l/day", "L/d", CODE, DAY),
    a("lb", "[lb_av]", CODE, POUND),
    a("lbs", "[lb_av]", CODE, POUND),
    a("liter", "L", CODE, WORD),
    a("liters", "L", CODE, WORD),
    a("litre", "L", CODE, WORD),
    a("litres", "L", CODE, WORD),
    a("mEq", "meq", CODE, CAPITAL),
    a("mEq/L", "meq/L", CODE, CAPITAL),
    a("mEq/day", "meq/d", CODE, CAPITAL),
    a("mL", "mL", TEXT, SAME),
    a("mL per day", "mL/d", TEXT, WORD),
    a("mL per hour", "mL/h", TEXT, WORD),
    a("mL/(kg.d)", "mL/(kg.d)", TEXT, SAME),
    a("mL/(kg.h)", "mL/(kg.h)", TEXT, SAME),
    a("mL/24h", "mL/(24.h)", CODE, PRODUCT),
    a("mL/24hr", "mL/(24.h)", CODE, PRODUCT),
    a("mL/d", "mL/d", TEXT, SAME),
    a("mL/day", "mL/d", CODE, DAY),
    a("mL/h", "mL/h", TEXT, SAME),
    a("mL/hour", "mL/h", CODE, HOUR),
    a("mL/hr", "mL/h", CODE, HOUR),
    a("mL/kg", "mL/kg", TEXT, SAME),
    a("mL/kg/d", "mL/kg/d", TEXT, SAME),
    a("mL/kg/day", "mL/kg/d", CODE, DAY),
    a("mL/kg/h", "mL/kg/h", TEXT, SAME),
    a("mL/kg/hr", "mL/kg/h", CODE, HOUR),
    a("mL/min", "mL/min", TEXT, SAME),
    a("mLs", "mL", CODE, PLURAL),
    a("mLs/hr", "mL/h", CODE, HOUR),
    a("mOsm/L", "mosm/L", CODE, CAPITAL),
    a("mOsm/kg", "mosm/kg", CODE, CAPITAL),
    a("mcg", "ug", CODE, MICRO),
    a("meq", "meq", TEXT, SAME),
    a("meq/L", "meq/L", TEXT, SAME),
    a("meq/d", "meq/d", TEXT, SAME),
    a("mg", "mg", TEXT, SAME),
    a("mg/100mL", "mg/(100.mL)", CODE, PRODUCT),
    a("mg/100ml", "mg/(100.mL)", CODE, PRODUCT),
    a("mg/L", "mg/L", TEXT, SAME),
    a("mg/d", "mg/d", TEXT, SAME),
    a("mg/dL", "mg/dL", TEXT, SAME),
    a("mg/day", "mg/d", CODE, DAY),
    a("mg/dl", "mg/dL", TEXT, SMALL_L),
    a("mg/kg/min", "mg/kg/min", TEXT, SAME),
    a("milligram", "mg", CODE, WORD),
    a("milligrams", "mg", CODE, WORD),
    a("milliliter", "mL", CODE, WORD),
    a("milliliter per day", "mL/d", TEXT, WORD),
    a("milliliter per hour", "mL/h", TEXT, WORD),
    a("milliliter/day", "mL/d", CODE, WORD),
    a("milliliter/hour", "mL/h", CODE, WORD),
    a("milliliters", "mL", CODE, WORD),
    a("milliliters per day", "mL/d", TEXT, WORD),
    a("milliliters per hour", "mL/h", TEXT, WORD),
    a("milliliters/day", "mL/d", CODE, WORD),
    a("milliliters/hour", "mL/h", CODE, WORD),
    a("millilitre", "mL", CODE, WORD),
    a("millilitre per day", "mL/d", TEXT, WORD),
    a("millilitre per hour", "mL/h", TEXT, WORD),
    a("millilitre/day", "mL/d", CODE, WORD),
    a("millilitre/hour", "mL/h", CODE, WORD),
    a("millilitres", "mL", CODE, WORD),
    a("millilitres per day", "mL/d", TEXT, WORD),
    a("millilitres per hour", "mL/h", TEXT, WORD),
    a("millilitres/day", "mL/d", CODE, WORD),
    a("millilitres/hour", "mL/h", CODE, WORD),
    a("min", "min", TEXT, SAME),
    a("mins", "min", CODE, WORD),
    a("minute", "min", CODE, WORD),
    a("minutes", "min", CODE, WORD),
    a("ml", "mL", TEXT, SMALL_L),
    a("ml/24h", "mL/(24.h)", CODE, PRODUCT),
    a("ml/24hr", "mL/(24.h)", CODE, PRODUCT),
    a("ml/d", "mL/d", TEXT, SMALL_L),
    a("ml/day", "mL/d", CODE, DAY),
    a("ml/h", "mL/h", TEXT, SMALL_L),
    a("ml/hour", "mL/h", CODE, HOUR),
    a("ml/hr", "mL/h", CODE, HOUR),
    a("ml/kg", "mL/kg", TEXT, SMALL_L),
    a("ml/kg/d", "mL/kg/d", TEXT, SMALL_L),
    a("ml/kg/day", "mL/kg/d", CODE, DAY),
    a("ml/kg/h", "mL/kg/h", TEXT, SMALL_L),
    a("ml/kg/hr", "mL/kg/h", CODE, HOUR),
    a("ml/min", "mL/min", TEXT, SMALL_L),
    a("mls", "mL", CODE, PLURAL),
    a("mls/hr", "mL/h", CODE, HOUR),
    a("mmol", "mmol", TEXT, SAME),
    a("mmol/L", "mmol/L", TEXT, SAME),
    a("mmol/d", "mmol/d", TEXT, SAME),
    a("mmol/day", "mmol/d", CODE, DAY),
    a("mmol/l", "mmol/L", TEXT, SMALL_L),
    a("mosm/L", "mosm/L", TEXT, SAME),
    a("mosm/kg", "mosm/kg", TEXT, SAME),
    a("pound", "[lb_av]", CODE, POUND),
    a("pounds", "[lb_av]", CODE, POUND),
    a("s", "s", TEXT, SAME),
    a("second", "s", CODE, WORD),
    a("seconds", "s", CODE, WORD),
    a("ug", "ug", TEXT, SAME),
    a("umol/L", "umol/L", TEXT, SAME),
    a("umol/l", "umol/L", TEXT, SMALL_L),
    a("week", "wk", CODE, WORD),
    a("weeks", "wk", CODE, WORD),
    a("wk", "wk", TEXT, SAME),
];

/// The whole table, sorted by spelling.
pub const fn aliases() -> &'static [Alias] {
    &ALIASES
}

pub(super) fn look_up(given: &str) -> Option<&'static Alias> {
    ALIASES.binary_search_by(|alias| alias.given.cmp(given)).ok().and_then(|at| ALIASES.get(at))
}

const OUNCES: &[&str] = &["[foz_us]", "[foz_br]", "[oz_av]"];
const FLUID_OUNCES: &[&str] = &["[foz_us]", "[foz_br]"];
const CALORIES: &[&str] = &["cal", "kcal"];

/// Everything that an everyday word may mean; nothing where no unit of the subset fits.
fn meanings(word: &str) -> Option<&'static [&'static str]> {
    Some(match word {
        "ml" | "mls" | "cc" | "мл" | "milliliter" | "milliliters" | "millilitre" | "millilitres" | "mililitro"
        | "mililitros" | "millilitri" | "millilitro" => &["mL"],
        "l" | "л" | "liter" | "liters" | "litre" | "litres" | "litro" | "litros" | "litri" => &["L"],
        "dl" | "deciliter" | "deciliters" | "decilitre" | "decilitres" => &["dL"],
        "oz" | "ounce" | "ounces" => OUNCES,
        "fl oz" | "floz" | "fl. oz." | "fluid ounce" | "fluid ounces" => FLUID_OUNCES,
        "lb" | "lbs" | "pound" | "pounds" => &["[lb_av]"],
        "kg" | "kgs" | "kilogram" | "kilograms" | "kilogramme" | "kilogrammes" | "kilogramm" | "kilogramos" => &["kg"],
        "g" | "gm" | "gms" | "gram" | "grams" | "gramme" | "grammes" | "gramm" | "gramo" | "gramos" | "grammi"
        | "grama" | "gramas" => &["g"],
        "mg" | "milligram" | "milligrams" => &["mg"],
        "ug" | "mcg" | "microgram" | "micrograms" => &["ug"],
        "kcal" | "kcals" | "kilocalorie" | "kilocalories" => &["kcal"],
        // "calories" settles nothing between cal and kcal: both are said so.
        "cal" | "cals" | "calorie" | "calories" => CALORIES,
        "kj" | "kilojoule" | "kilojoules" => &["kJ"],
        "h" | "hr" | "hrs" | "hour" | "hours" | "std" | "stunde" | "stunden" | "heure" | "heures" | "hora"
        | "horas" | "ora" | "ore" | "uur" | "uren" | "ч" | "час" => &["h"],
        "d" | "day" | "days" | "tag" | "tage" | "jour" | "jours" | "dia" | "dias" | "día" | "días" | "giorno"
        | "giorni" | "dag" | "dagen" | "сут" | "сутки" => &["d"],
        "min" | "mins" | "minute" | "minutes" | "minuten" | "minuto" | "minutos" | "minuti" | "minuut" => &["min"],
        "m" => &["m", "min"],
        "s" | "sec" | "secs" | "second" | "seconds" => &["s"],
        "wk" | "wks" | "week" | "weeks" | "woche" | "semaine" | "semana" | "settimana" => &["wk"],
        "month" | "months" | "yr" | "yrs" | "year" | "years" | "drop" | "drops" | "gtt" | "gtts" => &[],
        "mmol" | "millimole" | "millimoles" => &["mmol"],
        "meq" | "milliequivalent" | "milliequivalents" => &["meq"],
        "cm" | "centimeter" | "centimeters" | "centimetre" | "centimetres" => &["cm"],
        "in" | "inch" | "inches" => &["[in_i]"],
        "ft" | "foot" | "feet" => &["[ft_i]"],
        _ => return None,
    })
}

/// Longest display text that is looked into, bytes, and most parts of it.
const MAX_TEXT_BYTES: usize = 64;
const MAX_PARTS: usize = 4;

/// The units a display text of everyday words may mean, such as `milliliters per hour`; `None` when a part
/// of it is not a known word.
fn worded(text: &str) -> Option<Vec<(Exact, Dimension)>> {
    if text.len() > MAX_TEXT_BYTES {
        return None;
    }
    // A capital M is neither metre nor minute (it may be molar): it settles nothing.
    if text.split('/').any(|word| word.trim() == "M") {
        return None;
    }
    let text = divided_by_words(&text.to_lowercase());
    let mut found = vec![(Exact::ONE, Dimension::NUMBER)];
    for (place, word) in text.split('/').enumerate() {
        if place >= MAX_PARTS {
            return None;
        }
        let (times, word) = counted(word.trim())?;
        let meanings = meanings(word)?;
        let mut next = Vec::new();
        for (factor, dimension) in &found {
            for code in meanings {
                let unit = Unit::parse(code).ok()?;
                let own = unit.factor.mul(times)?;
                next.push(if place == 0 {
                    (own, unit.dimension)
                } else {
                    (factor.div(own)?, dimension.per(unit.dimension)?)
                });
            }
        }
        found = next;
    }
    Some(found)
}

/// How many of a unit a word says, as in `24 h` and `24h`, and the word of the unit.
fn counted(word: &str) -> Option<(Exact, &str)> {
    let digits = word.bytes().take_while(u8::is_ascii_digit).count();
    if digits == 0 {
        return Some((Exact::ONE, word));
    }
    let (number, unit) = (word.get(..digits)?, word.get(digits..)?);
    let times = Exact::int(number.parse().ok()?);
    times.is_positive().then_some((times, unit.trim_start()))
}

/// A lower-case text with `/` for what says it in words: `ml pro stunde`, `ml every hour`, `ml daily`.
fn divided_by_words(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for word in text.split_whitespace() {
        let said = match word {
            "per" | "pro" | "par" | "por" | "al" | "je" | "each" | "every" | "a" | "an" => "/",
            "hourly" | "stündlich" => "/h",
            "daily" | "täglich" | "dagelijks" => "/d",
            "weekly" | "wöchentlich" => "/wk",
            word => {
                if !out.is_empty() && !out.ends_with('/') {
                    out.push(' ');
                }
                word
            }
        };
        out.push_str(said);
    }
    out
}

/// Whether a display text of everyday words has more than one meaning, such as `kcal/oz`.
pub(super) fn is_ambiguous(text: &str) -> bool {
    worded(text).is_some_and(|found| found.len() > 1)
}

/// Whether a display text plainly says another unit than `unit`. A text that is not understood, or that
/// may mean `unit`, does not contradict it.
pub(super) fn contradicts(text: &str, unit: &Unit) -> bool {
    let text = text.trim();
    if text.is_empty() || text.len() > MAX_TEXT_BYTES || text == unit.code() {
        return false;
    }
    if let Some(alias) = look_up(text) {
        return Unit::parse(alias.read_as).is_ok_and(|said| !may_mean(&said, unit));
    }
    if let Some(found) = worded(text) {
        return !found.contains(&(unit.factor, unit.dimension));
    }
    match Unit::parse(text) {
        Ok(said) => !may_mean(&said, unit),
        Err(UnitError::NotForArithmetic { .. }) => true,
        Err(_) => false,
    }
}

/// Whether a display text that does not contradict a unit is a known spelling of one, its code, or nothing at all.
pub(super) fn is_understood(text: &str, unit: &Unit) -> bool {
    let text = text.trim();
    text.is_empty()
        || text == unit.code()
        || text.len() <= MAX_TEXT_BYTES
            && (look_up(text).is_some() || worded(text).is_some() || Unit::parse(text).is_ok())
}

/// Words of measures that hold no stated amount.
const HOUSEHOLD: &[&str] = &[
    "tbsp",
    "tablespoon",
    "tablespoons",
    "tsp",
    "teaspoon",
    "teaspoons",
    "spoon",
    "spoons",
    "cup",
    "cups",
    "glass",
    "glasses",
    "can",
    "cans",
    "bottle",
    "bottles",
    "bag",
    "bags",
    "carton",
    "cartons",
    "box",
    "boxes",
    "scoop",
    "scoops",
    "packet",
    "packets",
    "sachet",
    "sachets",
    "pouch",
    "pouches",
    "container",
    "containers",
    "unit",
    "units",
    "drop",
    "drops",
    "gtt",
    "syringe",
    "syringes",
    "becher",
    "beutel",
    "dose",
    "dosen",
    "flasche",
    "flaschen",
    "essloffel",
    "esslöffel",
    "teeloffel",
    "teelöffel",
    "messlöffel",
    "tasse",
    "tassen",
    "bouteille",
    "bouteilles",
    "poche",
    "poches",
    "boite",
    "boîte",
    "cuillère",
    "verre",
    "taza",
    "botella",
    "lata",
    "bolsa",
    "cucharada",
    "bottiglia",
    "sacca",
    "lattina",
    "cucchiaio",
    "garrafa",
    "xicara",
    "fles",
    "blik",
    "zak",
    "lepel",
];

/// Whether a display text that is not understood names a household measure or a container that is none of the code's, has a
/// figure, or says per what the amount is where the code does not.
pub(super) fn is_another_measure(text: &str, unit: &Unit) -> bool {
    let text = text.to_lowercase();
    let code = unit.code().to_lowercase();
    let words = || text.split(|c: char| !c.is_alphanumeric()).filter(|word| !word.is_empty());
    let household = words().any(|word| HOUSEHOLD.contains(&word) && !code.contains(word.trim_end_matches('s')));
    let divided = code.contains('/') || code.contains("-1");
    let per = text.contains('/')
        || words().any(|w| matches!(w, "per" | "pro" | "par" | "por" | "al" | "je" | "daily" | "hourly"));
    // Per feed is what a volume beside a schedule is anyway.
    let feed = words().any(|word| matches!(word, "feed" | "feeding" | "bolus" | "dose"));
    // A figure says how much of what is not understood.
    household || per && !divided && !feed || text.contains(|c: char| c.is_ascii_digit())
}

/// In display text a `cal` may be either calorie; everything else means what it says.
fn may_mean(said: &Unit, unit: &Unit) -> bool {
    said == unit || said.in_kilocalories().is_some_and(|kilo| kilo == *unit)
}
