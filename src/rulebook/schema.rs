//! The keys of rulebook files: their names, whether they must be there, what they are for. The reader, the
//! schema for editors and the document say the same because of this list.

/// A key of a table.
#[derive(Debug)]
pub struct Key {
    /// As written in the file.
    pub name: &'static str,
    /// Whether the table needs it.
    pub required: bool,
    /// One sentence for people.
    pub title: &'static str,
}

const fn must(name: &'static str, title: &'static str) -> Key {
    Key { name, required: true, title }
}

const fn may(name: &'static str, title: &'static str) -> Key {
    Key { name, required: false, title }
}

/// Keys of a file.
pub const FILE: &[Key] = &[
    must("rulebook", "Form of the file: 1"),
    may("label", "Name of the rulebook; the last file that gives one counts"),
    may("edition", "Edition of the rulebook; the last file that gives one counts"),
    may("extends", "The rulebook that this file extends: \"starter\", or the path of a file"),
    may("adopted", "Who adopted the rulebook, and when; absent: not adopted by the institution"),
    may("off", "Rules that are switched off"),
    may("terms", "Parts of expressions that have a name, for every limit"),
    may("phrases", "Parts of sentences that have a name, for every limit"),
    may("concept", "What codes mean"),
    may("staleness", "How old data may be"),
    may("pump", "What a pump can be set to"),
    may("waiting", "Rules that stay listed and cannot be evaluated"),
    may("limit", "Limits"),
    may("override", "Keys of limits that are replaced"),
];

/// Keys of `adopted`.
pub const ADOPTED: &[Key] = &[must("by", "Body or person"), must("on", "Day")];

/// Keys of `off`.
pub const OFF: &[Key] = &[
    must("rule", "Id of the rule or limit"),
    must("by", "Who switched it off"),
    must("why", "Why"),
    must("until", "Last day on which it is off"),
];

/// Keys of `concept`.
pub const CONCEPT: &[Key] = &[
    must("kind", "Kind of data the codes belong to"),
    must("key", "Word that expressions use"),
    must("title", "Name for people"),
    must("codes", "Codes that stand for it, each written \"system|code\""),
];

/// Keys of `staleness`.
pub const STALENESS: &[Key] = &[must("fact", "Name of the fact"), must("after", "Age from which it counts as missing")];

/// Keys of `pump`.
pub const PUMP: &[Key] = &[
    must("title", "Name for people"),
    must("when", "Truth that says when this pump is used; the first pump whose truth holds counts"),
    must("rate", "Lowest and highest rate"),
    must("rate-step", "Step in which the rate can be set"),
    must("volume-step", "Step in which the volume can be set"),
];

/// Keys of `waiting`.
pub const WAITING: &[Key] = &[
    must("id", "Id, never used again for anything else"),
    must("name", "The pattern it would catch"),
    must("title", "What it is, for people"),
    must("tier", "How grave its finding would be"),
    must("source", "Where it comes from"),
    must("why", "The data it waits for"),
];

/// Keys of `limit`.
pub const LIMIT: &[Key] = &[
    must("id", "Id, never used again for anything else"),
    must("name", "The pattern caught; of limits of one name, the highest priority whose scope holds counts"),
    must("title", "What it is, for people"),
    must("tier", "How grave its finding is"),
    must("mode", "How far its findings go"),
    must("audience", "Who can act on a finding"),
    must("source", "Citation, or that there is none"),
    must("evidence", "How well the figures are known"),
    must("owner", "Who answers for the limit"),
    may("note", "What to know about it"),
    may("changes", "What changed, newest first"),
    may("override-reasons", "Reasons a person may give for going on all the same"),
    may("effective-from", "First day on which it is judged"),
    may("effective-to", "Last day on which it is judged"),
    may("priority", "Rank among limits of the same name; 0 when absent"),
    may("doubts", "What its finding puts in doubt, if grave: what rests on it is to be judged again (hidden)"),
    may("scope", "Where it applies; every part must hold"),
    may("parameters", "Named amounts, for expressions and overrides"),
    may("terms", "Parts of the limit's expressions that have a name"),
    may("phrases", "Parts of the limit's sentences that have a name"),
    must("check", "What is checked; the gravest finding counts"),
    may("test", "The limit's own tests"),
];

/// Keys of `scope`.
pub const SCOPE: &[Key] = &[
    may("age", "Ages: from (included) and below (not included)"),
    may("weight", "Weights: from (included) and below (not included)"),
    may("setting", "Kinds of ward"),
    may("ward", "Wards by the names that the sender uses"),
    may("route", "Where the tube ends"),
    may("method", "How the feed is given"),
    may("product", "Age class of the main product"),
    may("where", "Any further truth"),
];

/// Keys of `age` and `weight` in `scope`.
pub const RANGE: &[Key] = &[may("from", "Lowest value, included"), may("below", "Highest value, not included")];

/// Keys of `check`.
pub const CHECK: &[Key] = &[
    may("terms", "Parts of expressions whose meaning is the check's own"),
    may("tier", "How grave this finding is; the limit's tier when absent"),
    may("when", "Truth; the check is skipped where it does not hold"),
    may("measure", "What is compared"),
    may("above", "Flagged when the measure is greater than this"),
    may("below", "Flagged when the measure is smaller than this"),
    may("flag", "Without a measure: flagged when this holds"),
    must("text", "What is said"),
    may("fix", "What is offered instead"),
    may("scale-feed", "By what the feed is multiplied in the order that is offered instead"),
    may("scale-flush", "By what the flush is multiplied in the order that is offered instead"),
];

/// Keys of `test`.
pub const TEST: &[Key] = &[
    must("title", "What it shows"),
    must("kind", "Which of the four cases"),
    must("expect", "What the limit must come to"),
    may("tier", "How grave the finding must be"),
    must("given", "The order in short form"),
];

/// Keys of `given`, an order in short form.
pub const GIVEN: &[Key] = &[
    may("age", "Age; the date of birth is worked out from it"),
    may("birth-date", "Date of birth"),
    may("gestation", "Gestational age at birth"),
    may("sex", "Sex"),
    may("weight", "Weight"),
    may("weight-age", "How long ago it was weighed; 1 d when absent"),
    may("earlier-weight", "The weight before: value, and how long ago"),
    may("height", "Height or length"),
    may("birth-weight", "Weight at birth"),
    may("product", "Key of the formula in the test formulary"),
    may("density", "Energy in the volume, as the order states it"),
    may("route", "Where the tube ends; gastric when absent"),
    may("rate", "Rate of the pump"),
    may("hours", "Hours of feeding in the day"),
    may("start", "Clock time of the start"),
    may("volume", "Volume of one feed"),
    may("feeds", "Feeds in a day"),
    may("every", "Time from feed to feed"),
    may("over", "Duration of one feed"),
    may("steps", "Rates that follow each other"),
    may("cap", "Largest volume of the order"),
    may("flush", "Water: volume, and how often"),
    may("additives", "Additives: product and amount"),
    may("note", "Free text"),
    may("fluid-limit", "Fluid the patient may have in a day"),
    may("status", "Status of the order"),
    may("intent", "Intent of the order"),
    may("setting", "Kind of ward"),
    may("ward", "Ward"),
    may("stay", "How long ago the encounter began"),
    may("ends", "After how many days the order ends"),
    may("labs", "Laboratory values, by the names of the facts"),
    may("lab-age", "How long ago they were measured; 6 h when absent"),
    may("earlier-labs", "Laboratory values measured before"),
    may("earlier-lab-age", "How long ago these were measured; 2 d when absent"),
    may("conditions", "Keys of conditions; an empty list says that there are none"),
    may("allergies", "Keys of allergies; an empty list says that there are none"),
    may("medicines", "Keys of medicines; an empty list says that there are none"),
    may("holds", "Keys of orders that nothing is to be given; an empty list says that there are none"),
    may("tube-size", "Size of the tube"),
    may("preferences", "Keys of diets that the order says the patient keeps; `in-words` is one without a code"),
    may("procedures", "Procedures: key, and how long ago; an empty list says that there are none"),
    may("medicine-forms", "Medicines with their dose form and the code of their route"),
    may("infusions", "What is given by vein: product of the formulary, key of a medicine, rate or volume a day"),
    may("tube", "Tube in use: key of a device, and how long ago it was placed"),
    may("by-mouth", "What is ordered by mouth: `diet`, `diet-in-words`, `nil` or `supplement`"),
    may("other-orders", "Further orders in short form"),
    may("declares", "Kinds of data that the sender says it always sends"),
];

/// Keys of `override` beside those of a limit.
pub const OVERRIDE: &[Key] = &[must("limit", "Id of the limit"), must("by", "Who decided it"), must("why", "Why")];

/// Names of the keys.
pub fn names(keys: &'static [Key]) -> impl Iterator<Item = &'static str> + Clone {
    keys.iter().map(|key| key.name)
}
