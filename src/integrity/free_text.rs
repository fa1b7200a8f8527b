//! What a free text may do to the dose, told by its words alone: the words are never turned into numbers. A text is
//! harmless only when all of it is made of phrases that are known to be; what is not understood is never taken for
//! harmless. The lists are common practice, no source.

use std::collections::BTreeSet;
use std::sync::LazyLock;
use unicode_normalization::UnicodeNormalization;

/// What a text may do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Says {
    /// All of it is made of harmless phrases.
    Nothing,
    /// It has a sign of a dose: a number, an amount, a time, a word that stops, changes, limits or mixes.
    Dose,
    /// Neither: nobody can tell here.
    NotUnderstood,
}

/// What a text says, with the institution's own harmless phrases.
pub(super) fn says(text: &str, own: &BTreeSet<String>) -> Says {
    if CHARACTERS.iter().any(|sign| text.contains(sign)) {
        return Says::Dose;
    }
    let words = words(text);
    // A phrase of the institution's is taken as it is: no number of another text fits it.
    let own: Vec<Vec<String>> = own.iter().map(|phrase| self::words(phrase)).collect();
    let mut rest: Vec<&str> = Vec::new();
    let mut at = 0;
    while let Some(word) = words.get(at) {
        let after = words.get(at..).unwrap_or_default();
        // The longest phrase that begins here.
        match PATTERNS.iter().chain(&own).filter_map(|p| fits(p, after)).max() {
            Some(taken) if taken > 0 => at += taken,
            _ => {
                rest.push(word);
                at += 1;
            }
        }
    }
    rest.retain(|word| !JOINING.contains(word));
    if rest.is_empty() {
        Says::Nothing
    } else if rest.iter().any(|word| is_sign(word)) {
        Says::Dose
    } else {
        Says::NotUnderstood
    }
}

/// How many of the words a phrase takes, from the first on; `#` is any number, `?` before a word that it may be missing,
/// `|` between words that either is meant.
fn fits(pattern: &[String], words: &[String]) -> Option<usize> {
    let mut taken = 0;
    for part in pattern {
        let (part, may_miss) = part.strip_prefix('?').map_or((part.as_str(), false), |part| (part, true));
        let hit = words.get(taken).is_some_and(|word| match part {
            "#" => is_number(word),
            part => part.split('|').any(|own| own == word),
        });
        if hit {
            taken += 1;
        } else if !may_miss {
            return None;
        }
    }
    Some(taken)
}

/// [`HARMLESS`], by words.
static PATTERNS: LazyLock<Vec<Vec<String>>> =
    LazyLock::new(|| HARMLESS.iter().map(|phrase| phrase.split(' ').map(str::to_owned).collect()).collect());

/// Digits, also of a range.
fn is_number(word: &str) -> bool {
    word.starts_with(|c: char| c.is_ascii_digit())
        && word.chars().all(|c| c.is_ascii_digit() || matches!(c, '.' | '-' | ','))
}

/// Signs that compare, change or measure.
const SIGNS_OF_MEASURE: &[&str] =
    &["%", "<", ">", "=", "≤", "≥", "+", "~", "≈", "±", "@", "↑", "↓", "→", "↗", "↘", "⬆", "⬇", "➡"];

/// Marks between words that say nothing; every other sign is a word of its own.
const PUNCTUATION: &[char] = &[
    '.', ',', ';', ':', '!', '?', '(', ')', '[', ']', '{', '}', '"', '\'', '`', '´', '“', '”', '„', '‘', '«', '»', '-',
    '/', '_', '*', '•', '·', '‣', '&', '…', '¿', '¡', '、', '。', '，', '：', '；', '（', '）', '「', '」', '・',
];

/// Lower-case words without accents; a number stands apart from the unit behind it; a sign that is not punctuation is a word.
fn words(text: &str) -> Vec<String> {
    let combining = |c: &char| !matches!(*c, '\u{300}'..='\u{36F}');
    let mut plain = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            // Its compatible form is a 1, a stroke and a 2.
            '½' | '¼' | '¾' | '⅓' | '⅔' => plain.push_str(" half "),
            '×' => plain.push_str(" x "),
            'ß' => plain.push_str("ss"),
            'º' | '°' => plain.push_str(" ° "),
            '’' | 'ʼ' => plain.push('\''),
            '–' | '—' | '−' => plain.push('-'),
            c => plain.extend(c.to_lowercase().nfkd().filter(combining)),
        }
    }
    let mut out: Vec<String> = Vec::new();
    let mut word = String::new();
    let mut chars = plain.chars().peekable();
    while let Some(c) = chars.next() {
        let digit = c.is_ascii_digit();
        let number = is_number(&word);
        let inside = matches!(c, '.' | ',' | '-') && number && chars.peek().is_some_and(char::is_ascii_digit);
        let letter = c.is_alphanumeric() || c == '\'' && !word.is_empty();
        if inside {
            word.push(c);
            continue;
        }
        let breaks = !letter || !word.is_empty() && digit != number;
        if breaks && !word.is_empty() {
            out.push(std::mem::take(&mut word));
        }
        if letter {
            word.push(c);
        } else if !c.is_whitespace() && !PUNCTUATION.contains(&c) {
            out.push(c.to_string());
        }
    }
    if !word.is_empty() {
        out.push(word);
    }
    for word in &mut out {
        let end = word.trim_end_matches('\'').len();
        word.truncate(end);
    }
    out
}

fn is_sign(word: &str) -> bool {
    word.chars().any(char::is_numeric)
        || SIGNS_OF_MEASURE.contains(&word)
        || SIGNS.contains(&word)
        || STEMS.iter().any(|stem| word.starts_with(stem))
}

/// Words that join harmless phrases and say nothing alone.
const JOINING: &[&str] = &["and", "the", "a", "please", "und", "bitte", "et", "y", "e", "en", "°"];

/// Harmless phrases as [`words`] gives them.
const HARMLESS: &[&str] = &[
    // Position.
    "?keep ?elevate ?raise ?maintain ?with ?the head ?of ?the bed ?raised ?elevated ?up ?at ?to ?by ?least ?> ?≥ # ?to ?# °|degrees|degree|deg",
    "?keep ?elevate ?raise ?maintain hob ?raised ?elevated ?up ?at ?to ?> ?≥ # ?to ?# °|degrees|degree|deg",
    "?keep ?elevate ?raise ?maintain ?the head ?of ?the bed ?is raised|elevated|up",
    "elevate|raise ?the head ?of ?the bed",
    "?keep hob elevated|raised|up",
    "?keep ?sit ?sitting upright ?during ?feeds ?feeding",
    "?keep ?sit ?sitting upright ?for ?at ?least # min|mins|minutes|h|hr|hour|hours after ?each ?every ?the feed|feeds|feeding|feedings|meals",
    "?kopfteil|oberkorper ?auf ?um # °|grad ?hochlagern ?erhoht ?erhohen ?hochgelagert",
    "kopfteil|oberkorper hochlagern|erhoht|hochgelagert",
    "tete ?du ?lit surelevee|relevee ?a ?de # °|degres",
    "cabecera ?elevada ?a # °|grados",
    "testata|testiera ?del ?letto ?sollevata ?a # °|gradi",
    "cabeceira ?elevada ?a # °|graus",
    "hoofdeinde ?omhoog ?op # °|graden",
    // The tube: its size, its mark, its place.
    "?size # fr|french|ch|charriere ?ng ?nasogastric ?gastrostomy ?feeding tube|sonde|catheter",
    "?ng ?nasogastric ?gastrostomy ?feeding ?peg tube|sonde ?size # fr|french|ch|charriere",
    "tube|sonde ?is ?marked ?mark ?at # cm ?mark ?at ?the ?nose ?nostril ?naris ?nares",
    "# cm ?mark at ?the nose|nostril|naris|nares|skin",
    "check|confirm|verify ?tube placement|position ?before ?each ?use ?feed ?feeding",
    "?tube placement|position confirmed|checked|verified ?by ?x ?ray ?radiograph",
    "secure ?the tube",
    "sondenlage ?kontrollieren ?uberprufen ?gepruft ?bestatigt",
    // Watching, without what follows from it.
    "check ?gastric residual|residuals ?volume ?volumes",
    "monitor ?for tolerance",
    "?monitor ?check ?for ?daily ?weekly weight|weights|labs|electrolytes|bloods ?daily ?weekly",
    "monitor|check ?blood glucose|stools|bowels ?daily",
    "weigh ?patient daily|weekly",
    "gewicht taglich|wochentlich ?kontrollieren",
    "record intake ?and ?output",
    // Handling.
    "change ?giving|feeding|administration set|bag|tubing ?every|each # h|hours|hrs",
    "change ?giving|feeding|administration set|bag|tubing daily",
    "shake well ?before ?use",
    "?use ?at ?give ?serve room temperature",
    "bei zimmertemperatur|raumtemperatur ?geben ?verabreichen",
    "chilled",
    "small bites",
    "mouth|oral care ?as ?per ?protocol ?routine",
    // Telling and agreeing.
    "family|parents|patient|mother|father|carer|nurse|ward|team|physician|dietitian|dietician ?was ?were ?has ?have ?been informed|aware|updated",
    "discussed|agreed with ?the family|parents|patient|team|nurse|dietitian|dietician|physician|pharmacist|ward",
    "angehorige|familie|eltern|patient|patientin informiert",
    "famille|parents|patient informee|informe|informes",
    "familia|padres|paciente informada|informados|informado",
    "?any ?questions ?please call|contact ?the dietitian|dietician|pharmacist|pharmacy|nutrition ?team ?with ?questions",
    "dietitian|dietician|nutrition ?team following|aware|consulted|involved",
    "dietitian|dietician|nutrition ?team ?to ?will review|reviews|reassess|follow ?up ?on ?daily ?weekly ?monday ?tuesday ?wednesday ?thursday ?friday ?tomorrow",
    "?use enteral connector|connectors|syringe|syringes ?only",
    // Where, and which paper.
    "room|bed|ward|station|zimmer|bett ?a|b|c|d # ?a|b|c|d",
    "no known allergies|allergy",
    "thank you",
    "thanks",
    "danke",
    "merci",
    "gracias",
];

/// Whole words that are a sign of a dose, in English, German, French, Spanish, Italian, Portuguese and Dutch.
const SIGNS: &[&str] = &[
    // Units and times. English.
    "ml",
    "mls",
    "l",
    "cc",
    "oz",
    "kcal",
    "cal",
    "g",
    "mg",
    "kg",
    "h",
    "hr",
    "hrs",
    "min",
    "am",
    "pm",
    "mmol",
    "meq",
    "x",
    "day",
    "days",
    "daily",
    "hour",
    "hours",
    "hourly",
    "minutes",
    "times",
    "times",
    "qd",
    "qid",
    "tid",
    "bid",
    "qod",
    "prn",
    "hs",
    "ac",
    "pc",
    "od",
    "night",
    "nights",
    "nightly",
    "noon",
    "midnight",
    "morning",
    "evening",
    "afternoon",
    "daytime",
    "nocturnal",
    "overnight",
    "mon",
    "tue",
    "wed",
    "thu",
    "fri",
    "sat",
    "sun",
    "monday",
    "tuesday",
    "wednesday",
    "thursday",
    "friday",
    "saturday",
    "sunday",
    "mondays",
    "sundays",
    "weekend",
    "weekends",
    "liter",
    "liters",
    "litre",
    "litres",
    "ounce",
    "ounces",
    "cup",
    "cups",
    "can",
    "cans",
    "bottle",
    "bottles",
    "bag",
    "bags",
    "packet",
    "packets",
    "scoop",
    "scoops",
    "sachet",
    "sachets",
    "spoon",
    "tbsp",
    "tsp",
    "tablespoon",
    "teaspoon",
    "carton",
    "cartons",
    "drip",
    "gravity",
    // Stopping, changing, limiting.
    "off",
    "only",
    "not",
    "don't",
    "dont",
    "no",
    "none",
    "never",
    "nothing",
    "nil",
    "npo",
    "nbm",
    "dc",
    "max",
    "least",
    "most",
    "until",
    "unless",
    "except",
    "instead",
    "slow",
    "slowly",
    "fast",
    "faster",
    "slower",
    "rate",
    "rates",
    "speed",
    "strength",
    "goal",
    "goals",
    "target",
    "add",
    "adding",
    "added",
    "extra",
    "half",
    "quarter",
    "third",
    "double",
    "once",
    "twice",
    "zero",
    "one",
    "two",
    "three",
    "four",
    "five",
    "six",
    "seven",
    "eight",
    "nine",
    "ten",
    "eleven",
    "twelve",
    "fifteen",
    "twenty",
    "thirty",
    "forty",
    "fifty",
    "sixty",
    "seventy",
    "eighty",
    "ninety",
    "hundred",
    "water",
    "powder",
    "vomiting",
    "vomits",
    "dialysis",
    "surgery",
    "procedure",
    "awake",
    "sleep",
    "asleep",
    "diarrhea",
    "diarrhoea",
    "tolerated",
    "tolerance",
    "tolerating",
    // German.
    "aus",
    "ab",
    "bis",
    "uhr",
    "nur",
    "nicht",
    "kein",
    "keine",
    "keinen",
    "nichts",
    "tag",
    "tage",
    "taglich",
    "stunde",
    "stunden",
    "stundlich",
    "nacht",
    "nachts",
    "nachtlich",
    "tagsuber",
    "morgens",
    "mittags",
    "abends",
    "woche",
    "nuchtern",
    "halb",
    "halbe",
    "halber",
    "halften",
    "halfte",
    "doppelt",
    "doppelte",
    "zwei",
    "drei",
    "vier",
    "funf",
    "sechs",
    "sieben",
    "acht",
    "neun",
    "zehn",
    "zwanzig",
    "dreissig",
    "vierzig",
    "funfzig",
    "sechzig",
    "siebzig",
    "achtzig",
    "neunzig",
    "hundert",
    "wasser",
    "liter",
    "ziel",
    "laufrate",
    "flussrate",
    "rate",
    "bedarf",
    "langsam",
    "schnell",
    "flasche",
    "beutel",
    "messloffel",
    "pulver",
    "montag",
    "dienstag",
    "mittwoch",
    "donnerstag",
    "freitag",
    "samstag",
    "sonntag",
    "sonntags",
    "dialyse",
    // French.
    "pas",
    "ne",
    "rien",
    "seulement",
    "uniquement",
    "jour",
    "jours",
    "heure",
    "heures",
    "nuit",
    "matin",
    "soir",
    "midi",
    "minuit",
    "jeun",
    "demi",
    "demie",
    "moitie",
    "debit",
    "vitesse",
    "objectif",
    "cible",
    "avant",
    "apres",
    "jusqu'a",
    "jusque",
    "besoin",
    "deux",
    "trois",
    "quatre",
    "cinq",
    "sept",
    "huit",
    "neuf",
    "dix",
    "vingt",
    "trente",
    "quarante",
    "cinquante",
    "soixante",
    "cent",
    "litre",
    "litres",
    "eau",
    "sachet",
    "poche",
    "dimanche",
    "lundi",
    "mardi",
    "mercredi",
    "jeudi",
    "vendredi",
    "samedi",
    // Spanish.
    "solo",
    "nada",
    "dia",
    "dias",
    "hora",
    "horas",
    "noche",
    "noches",
    "manana",
    "tarde",
    "ayunas",
    "ayuno",
    "mitad",
    "medio",
    "media",
    "velocidad",
    "objetivo",
    "meta",
    "antes",
    "despues",
    "hasta",
    "dos",
    "tres",
    "cuatro",
    "cinco",
    "seis",
    "siete",
    "ocho",
    "nueve",
    "diez",
    "veinte",
    "treinta",
    "cuarenta",
    "cincuenta",
    "sesenta",
    "cien",
    "litro",
    "litros",
    "agua",
    "ritmo",
    "lunes",
    "martes",
    "miercoles",
    "jueves",
    "viernes",
    "sabado",
    "domingo",
    "domingos",
    // Italian.
    "non",
    "niente",
    "nulla",
    "soltanto",
    "giorno",
    "giorni",
    "ora",
    "ore",
    "notte",
    "mattina",
    "sera",
    "digiuno",
    "meta",
    "mezzo",
    "mezza",
    "velocita",
    "obiettivo",
    "dopo",
    "fino",
    "tre",
    "quattro",
    "cinque",
    "sette",
    "otto",
    "dieci",
    "venti",
    "trenta",
    "quaranta",
    "cinquanta",
    "sessanta",
    "cento",
    "acqua",
    "lunedi",
    "martedi",
    "mercoledi",
    "giovedi",
    "venerdi",
    "sabato",
    "domenica",
    // Portuguese.
    "nao",
    "somente",
    "apenas",
    "jejum",
    "metade",
    "meio",
    "meia",
    "velocidade",
    "noite",
    "manha",
    "ate",
    "depois",
    "apos",
    "dois",
    "duas",
    "quatro",
    "sete",
    "oito",
    "nove",
    "dez",
    "vinte",
    "trinta",
    "quarenta",
    "cinquenta",
    "sessenta",
    "cem",
    "agua",
    "segunda",
    "terca",
    "quarta",
    "quinta",
    "sexta",
    // Dutch.
    "niet",
    "geen",
    "niets",
    "alleen",
    "slechts",
    "dag",
    "dagen",
    "uur",
    "uren",
    "nachts",
    "ochtend",
    "avond",
    "nuchter",
    "helft",
    "halve",
    "dubbel",
    "snelheid",
    "doel",
    "tot",
    "indien",
    "twee",
    "drie",
    "vijf",
    "zes",
    "zeven",
    "negen",
    "tien",
    "twintig",
    "dertig",
    "veertig",
    "vijftig",
    "zestig",
    "honderd",
    "water",
    "maandag",
    "dinsdag",
    "woensdag",
    "donderdag",
    "vrijdag",
    "zaterdag",
    "zondag",
];

/// Beginnings of words that are a sign of a dose.
const STEMS: &[&str] = &[
    // English.
    "hold",
    "held",
    "withh",
    "stop",
    "paus",
    "resum",
    "restart",
    "start",
    "begin",
    "began",
    "discontin",
    "interrupt",
    "suspend",
    "switch",
    "chang",
    "mix",
    "reduc",
    "increas",
    "decreas",
    "rais",
    "lower",
    "titrat",
    "advanc",
    "doubl",
    "halv",
    "skip",
    "omit",
    "avoid",
    "dilut",
    "thicken",
    "concentrat",
    "bolus",
    "continuous",
    "cycl",
    "wean",
    "taper",
    "transition",
    "replac",
    "alternat",
    "maxim",
    "minim",
    "limit",
    "exceed",
    "additional",
    "supplement",
    "fortif",
    "flush",
    "cap",
    "resid",
    "tolerat",
    "delay",
    "refus",
    // German.
    "stopp",
    "paus",
    "unterbr",
    "anhalt",
    "halten",
    "halt",
    "abstell",
    "absetz",
    "aussetz",
    "abhang",
    "erhoh",
    "steiger",
    "reduzier",
    "verring",
    "senk",
    "vermind",
    "halbier",
    "verdopp",
    "verdunn",
    "misch",
    "vermisch",
    "wechsel",
    "umstell",
    "ziel",
    "maximal",
    "hochst",
    "mindest",
    "zusatz",
    "zugeb",
    "hinzu",
    "weglass",
    "spul",
    "begin",
    "anfang",
    "ausschleich",
    "konzentr",
    // French.
    "arret",
    "stopp",
    "suspen",
    "interromp",
    "augment",
    "diminu",
    "redui",
    "reduct",
    "baiss",
    "dilu",
    "melang",
    "remplac",
    "passer",
    "ajout",
    "rajout",
    "rincer",
    "rinc",
    "commenc",
    "debut",
    "sevr",
    // Spanish.
    "deten",
    "parar",
    "pausa",
    "interrump",
    "aument",
    "increment",
    "disminu",
    "reduc",
    "bajar",
    "duplic",
    "mezcl",
    "cambi",
    "agreg",
    "anad",
    "lav",
    "empez",
    "inici",
    "dej",
    // Italian.
    "sospen",
    "ferm",
    "interromp",
    "aument",
    "ridu",
    "raddopp",
    "mescol",
    "passare",
    "massim",
    "aggiung",
    "inizi",
    "sciacqu",
    // Portuguese.
    "suspen",
    "pare",
    "dobr",
    "mistur",
    "troc",
    "mud",
    "adicion",
    "acrescent",
    "comec",
    // Dutch.
    "pauz",
    "onderbre",
    "onderbro",
    "staak",
    "stak",
    "verhoog",
    "verhog",
    "verlaag",
    "verlag",
    "verdubb",
    "halveer",
    "verdun",
    "meng",
    "wissel",
    "overschak",
    "streef",
    "toevoeg",
    "spoel",
    "opbouw",
    "afbouw",
];

/// Signs of a dose in writing without spaces: Japanese and Chinese.
const CHARACTERS: &[&str] = &[
    "中止",
    "停止",
    "止め",
    "絶食",
    "禁食",
    "休止",
    "減",
    "増",
    "增",
    "希釈",
    "稀释",
    "混",
    "変更",
    "切り替",
    "切替",
    "夜間",
    "夜间",
    "半分",
    "一半",
    "倍",
    "最大",
    "目標",
    "目标",
    "保留",
    "追加",
    "暂停",
    "時",
    "毎",
    "每",
    "水",
];

#[cfg(test)]
mod tests {
    use super::*;

    fn of(text: &str) -> Says {
        says(text, &BTreeSet::new())
    }

    #[test]
    fn texts_with_a_sign_of_a_dose() {
        for text in [
            "Off from 20:00 to 06:00",
            "Run at 60/hr",
            "Do not exceed 60/hr",
            "Switch to A15 after this bag",
            "Mix 1:1 with water",
            "Nothing by tube after midnight",
            "Feeds held for dialysis Mon/Wed/Fri",
            "Rate reduced to sixty at night",
            "Give 3 packets protein daily",
            "Goal rate 75",
            "½ strength",
            "Half strength",
            "NPO after midnight",
            "Do not give if vomiting",
            "No feeding on Sundays",
            "Wean to zero over the week",
            "20:00-06:00 only",
            "give only if awake",
            "Increase by twenty every shift",
            "Start low, go slow",
            "Max one liter",
            "alternate with oral meals",
            "Stop after 500",
            ".5 mL",
            "Halten von 22 bis 6 Uhr",
            "Nachts pausieren",
            "Vor Dialyse pausieren",
            "Arrêter la nutrition pendant la nuit",
            "Soixante-dix ml par heure",
            "Suspender la alimentación",
            "Sospendere durante la notte",
            "Suspender à noite",
            "Niet geven bij braken",
            "夜間は中止",
            "Keep head of bed at 30 degrees. Hold for vomiting",
            "Head of bed 30 degrees, 60",
            "Tube at 23 cm, goal 75",
            "Halve the rate",
            "Family informed ↓",
            "↑ as discussed with ward",
            "Elevate HOB ~",
            "Unit 5",
        ] {
            assert_eq!(of(text), Says::Dose, "{text}: {:?}", words(text));
        }
    }

    #[test]
    fn texts_of_harmless_phrases_alone() {
        for text in [
            "head of bed raised to 30 degrees",
            "Keep head of bed elevated at 30-45 degrees.",
            "Elevate HOB > 30°",
            "Head of bed elevated",
            "Family informed.",
            "Family informed. Keep HOB 30 degrees",
            "Oberkörper 30° hochlagern",
            "Check tube placement before each feed",
            "8 Fr nasogastric tube",
            "Tube marked at 23 cm at the nose",
            "Shake well before use",
            "chilled",
            "Daily weights. Keep upright for 30 minutes after each feed",
        ] {
            assert_eq!(of(text), Says::Nothing, "{text}: {:?}", words(text));
        }
    }

    #[test]
    fn what_is_neither_is_not_understood() {
        for text in [
            "xxxx",
            "Beware of the cat",
            "как обычно",
            "ok",
            "siehe Visite",
            "see me",
            "ad libitum",
            "الرجاء",
            "See care plan",
            "As per dietitian",
            "Family informed ☠",
            "☐ Daily weights",
        ] {
            assert_eq!(of(text), Says::NotUnderstood, "{text}: {:?}", words(text));
        }
    }

    #[test]
    fn phrases_of_the_institution_count_as_they_are() {
        let own = BTreeSet::from(["Per Protokoll EN-7".to_owned()]);
        assert_eq!(says("per Protokoll EN-7.", &own), Says::Nothing);
        assert_eq!(says("per Protokoll EN-8.", &own), Says::Dose);
        assert_eq!(says("per Protokoll", &own), Says::NotUnderstood);
        assert_eq!(says("Per Protokoll EN-7, aus um 20 Uhr", &own), Says::Dose);
    }
}
