//! One order on one sheet, for a person who decides: the order in plain words, a drawing of the day, totals beside
//! requirement estimates, what was found and why, what is known of the patient and how old it is, and what was not
//! checked. Plain data for a page; every figure is a reading of the appraisal's own plan, days and totals.

#![cfg_attr(
    not(test),
    deny(
        clippy::unwrap_used,
        clippy::expect_used,
        clippy::panic,
        clippy::unreachable,
        clippy::indexing_slicing,
        clippy::string_slice,
        clippy::float_arithmetic,
        clippy::print_stdout,
        clippy::print_stderr,
        clippy::disallowed_methods,
    )
)]

pub mod identity;
pub mod person;
pub mod picture;
mod words;

pub use identity::{Identifier, Identity};
pub use person::Fact;
pub use picture::{Picture, Row};
pub use words::{ago, moment};

use crate::amount::{Amount, Why};
use crate::answer::{
    PROGRAM, again_text, book, book_warning, counts, delivered, judge_again, not_evaluated, not_provided, unlisted,
    unseen, weight_in_doubt,
};
use crate::appraise::{Appraisal, Day, OrderReport};
use crate::exact::Exact;
use crate::findings::{Outcome, RuleKind, Tier};
use crate::formulary::product::Basis;
use crate::intake::bundle::{Gathered, gather};
use crate::intake::order::{At, Field, Order, When};
use crate::intake::wire::read_order;
use crate::needs::{self, Validity};
use crate::nutrition::derive::{derive, shown};
use crate::nutrition::measure::{Measure, spelled};
use crate::nutrition::plan::{Kind, Plan, Source};
use crate::nutrition::totals::totals as all_totals;
use crate::patient;
use serde::{Deserialize, Serialize};
use std::borrow::Cow;

/// A text of the program.
pub type Word = Cow<'static, str>;

/// Most rows of one table of a sheet; what is left out is counted.
pub const MOST_ROWS: usize = 200;

/// A correction of a finding, put in and judged again before it is shown.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Offer {
    /// Id of the rule whose finding it mends.
    pub rule: String,
    /// What it does, with its numbers.
    pub label: String,
    /// What came of judging the corrected order: it holds, or why it is not offered.
    pub held: Result<(), Word>,
}

/// A place in the input.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Place {
    /// FHIRPath.
    pub path: String,
    /// Line.
    pub line: u32,
    /// Column.
    pub column: u32,
}

/// One thing that the order gives.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Given {
    /// `feed`, `water` or `additive`.
    pub what: Word,
    /// Its name.
    pub name: String,
    /// How, in plain words.
    pub how: String,
    /// Why it is not one exact amount; empty when it is.
    pub unsure: Vec<String>,
}

/// A day of the order.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct DaySheet {
    /// `First day`, `Day 2`, `Every later day`.
    pub title: String,
    /// From and to, with zone.
    pub span: String,
    /// Drawing and table; `None` where nothing is given.
    pub picture: Option<Picture>,
    /// Feed, energy and protein in one line.
    pub brief: String,
}

/// A measure of the day.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Total {
    /// Its name.
    pub label: Word,
    /// Amount with unit.
    pub value: String,
    /// Arithmetic.
    pub arithmetic: String,
    /// Where the formula comes from.
    pub source: Word,
    /// It is an exact amount.
    pub exact: bool,
}

/// A requirement estimate beside what is delivered.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Need {
    /// `energy` or `protein`.
    pub kind: Word,
    /// Name, with variant.
    pub title: String,
    /// Care setting it is meant for.
    pub setting: String,
    /// The estimate with its unit.
    pub figure: String,
    /// Share delivered.
    pub met: String,
    /// Where the bar of what is delivered begins and ends, in thousandths of twice the estimate; `None` when not known.
    pub bar: Option<(i64, i64)>,
    /// Formula.
    pub formula: String,
    /// Whom the source covers.
    pub domain: Word,
    /// Source and how well it is known.
    pub source: String,
}

/// All estimates of one kind on one axis, with what is delivered.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Band {
    /// `energy` or `protein`.
    pub kind: Word,
    /// What is delivered.
    pub delivered: String,
    /// How many estimates, and between what they lie.
    pub estimates: String,
    /// From and to of what is delivered, in thousandths of the axis; `None` when not known.
    pub got: Option<(i64, i64)>,
    /// From and to of each estimate, likewise.
    pub marks: Vec<(i64, i64)>,
    /// The end of the axis.
    pub end: String,
}

/// Something found.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Found {
    /// Tier.
    pub tier: Tier,
    /// Id of the rule.
    pub rule: String,
    /// What the rule is.
    pub title: String,
    /// What was found, one sentence.
    pub text: String,
    /// Arithmetic or comparison.
    pub arithmetic: Option<String>,
    /// A way out in words.
    pub fix: Option<String>,
    /// Corrections that were tried.
    pub offers: Vec<Offer>,
    /// Where the rule comes from.
    pub source: String,
    /// It is a limit of the rulebook, and not of the program.
    pub limit: bool,
    /// Elements concerned.
    pub places: Vec<Place>,
    /// How old the data are that it rests on.
    pub ages: Vec<String>,
}

/// Rules that could not be evaluated, for one reason.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Open {
    /// Ids and titles.
    pub rules: Vec<(String, String)>,
    /// For want of what.
    pub why: String,
    /// Elements concerned.
    pub places: Vec<Place>,
}

/// One order.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Sheet {
    /// Name for people: the id, or that it has none.
    pub label: String,
    /// Where it stands.
    pub place: Place,
    /// `clear`, `flagged`, `not-fully-checked`.
    pub disposition: Word,
    /// Whether anything was worked out.
    pub computed: bool,
    /// How many rules were judged, and how many not.
    pub counts: crate::answer::Counts,
    /// How many rules there are.
    pub rules: usize,
    /// Who it is for, as the input names them.
    pub patient: String,
    /// By what people tell the patient; it is not there in what earlier programs kept.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub identity: Option<Identity>,
    /// The patient as the order refers to them; empty where it does not.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub reference: String,
    /// Date, orderer, status, route and the like: name and value.
    pub about: Vec<(Word, String)>,
    /// What it gives.
    pub given: Vec<Given>,
    /// The maximum, in words.
    pub maximum: Option<String>,
    /// Free text of the order, which nothing calculates with.
    pub texts: Vec<String>,
    /// Days drawn.
    pub days: Vec<DaySheet>,
    /// Why there is no day that stands for all later ones.
    pub no_steady: Option<String>,
    /// Which day the totals are of.
    pub totals_of: String,
    /// Totals of the day that stands for the order.
    pub totals: Vec<Total>,
    /// Measures that are not known, by reason.
    pub not_known: Vec<(String, String)>,
    /// Requirement estimates that fit the patient.
    pub needs: Vec<Need>,
    /// The same on one axis per kind.
    #[serde(default)]
    pub bands: Vec<Band>,
    /// What was found, the gravest first.
    pub found: Vec<Found>,
    /// What could not be evaluated.
    pub open: Vec<Open>,
    /// What this sender does not provide: kind of context, rules.
    pub not_sent: Vec<(String, String)>,
    /// Rules whose data this version does not read.
    #[serde(default)]
    pub not_read: Vec<String>,
    /// Other remarks on what was not checked.
    pub not_checked: Vec<String>,
    /// The rule by whose finding the weight, and all that is reckoned from it, is in doubt.
    #[serde(default)]
    pub weight_doubted_by: Option<String>,
    /// What is known of the patient.
    pub facts: Vec<Fact>,
    /// What the moment is that ages are reckoned from.
    pub reckoned: String,
    /// Readings taken: id, text.
    pub assumed: Vec<(String, String)>,
}

/// Why nothing was read: sentence, line and column, path.
pub type NotRead = (String, Option<(u32, u32)>, Option<String>);

/// Everything about one input.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Sheets {
    /// Why nothing was read: sentence, line and column, path.
    pub refused: Option<NotRead>,
    /// `clear`, `flagged`, `not-fully-checked` or `refused`.
    pub disposition: Word,
    /// Orders.
    pub orders: Vec<Sheet>,
    /// Problems that belong to no order: place, sentence, whether grave.
    pub problems: Vec<(Place, String, bool)>,
    /// Orders of one patient together: names, then figures.
    pub together: Vec<(String, Vec<Total>)>,
    /// What a reader must know of the rulebook.
    pub warning: Option<String>,
    /// Name and version of program, formulary, rulebook, settings.
    pub versions: Vec<(Word, String)>,
    /// Name of the institution's time zone.
    pub zone: String,
    /// The data are invented.
    pub demo: bool,
}

impl Sheet {
    /// The gravest tier found.
    pub fn tier(&self) -> Option<Tier> {
        self.found.iter().map(|f| f.tier).max()
    }
}

/// The sheets of an appraisal; `offers` are the corrections that were tried, by order.
pub fn sheets(a: &Appraisal<'_>, offers: &[Vec<Offer>]) -> Sheets {
    let refused = a.refused.as_ref().map(|(_, why)| (seen(&why.text), why.position, why.path.clone()));
    let document = a.document.as_ref();
    let gathered = document.map(gather);
    let orders = a
        .orders
        .iter()
        .enumerate()
        .map(|(nth, order)| sheet(a, order, gathered.as_ref(), offers.get(nth).map_or(&[], Vec::as_slice)))
        .collect();
    let together = a
        .combined
        .iter()
        .filter_map(|c| {
            let (days, totals) = c.steady.as_ref().ok().or(c.days.last())?;
            let of: Vec<&OrderReport<'_>> = c.orders.iter().filter_map(|i| a.orders.get(*i)).collect();
            let names: Vec<String> = of.iter().map(|o| seen(&o.label)).collect();
            let pairs: Vec<_> = of.iter().map(|o| &o.plan).zip(days).collect();
            let weight = c.weight.map(|(kg, at)| (kg, Some(at)));
            Some((names.join(", "), measures(&pairs, totals, weight, SHORT).0))
        })
        .collect();
    let hash = |text: &str, hash: &str| if hash.is_empty() { text.to_owned() } else { format!("{text} ({hash})") };
    Sheets {
        refused,
        disposition: a.disposition().code().into(),
        orders,
        problems: a.problems.iter().map(|p| (place(a, p.at), seen(&p.text), p.grave)).collect(),
        together,
        warning: book_warning(a.rulebook).map(std::borrow::Cow::into_owned),
        versions: vec![
            ("Program".into(), PROGRAM.to_owned()),
            ("Formulary".into(), hash(a.formulary.label(), a.formulary.hash())),
            ("Rulebook".into(), book(a.rulebook).into_owned()),
            ("FHIR version".into(), a.version.name().to_owned()),
        ],
        zone: a.settings.zone_name.clone(),
        demo: a.settings.demo,
    }
}

/// Text of the input with what is not seen shown as U+FFFD: direction marks could make it read as another.
pub(crate) fn seen(text: &str) -> String {
    text.chars().map(|c| if unseen(c) && c != '\n' { '\u{FFFD}' } else { c }).collect()
}

fn place(a: &Appraisal<'_>, at: At) -> Place {
    let (line, column) = a.position(at).unwrap_or_default();
    Place { path: a.path(at), line, column }
}

/// The sheet of one order of an appraisal. `gathered` is what its document holds, where that was looked up already.
pub fn of_order_alone(
    a: &Appraisal<'_>,
    nth: usize,
    offers: &[Offer],
    gathered: Option<&Gathered<'_>>,
) -> Option<Sheet> {
    let order = a.orders.get(nth)?;
    if gathered.is_some() {
        return Some(sheet(a, order, gathered, offers));
    }
    let own = a.document.as_ref().map(gather);
    Some(sheet(a, order, own.as_ref(), offers))
}

fn sheet(a: &Appraisal<'_>, o: &OrderReport<'_>, gathered: Option<&Gathered<'_>>, offers: &[Offer]) -> Sheet {
    let zone = &a.settings.zone;
    let read = a.document.as_ref().zip(gathered).map(|(document, gathered)| {
        let order = read_order(document.node(o.at), a.version, gathered).0;
        let context = patient::context(gathered, &order, a.settings).0;
        (gathered, order, context)
    });
    let mut about = Vec::new();
    let (mut identity, mut reference) = (None, String::new());
    let (mut texts, mut patient, mut facts, mut reckoned) = (Vec::new(), String::new(), Vec::new(), String::new());
    if let Some((gathered, order, context)) = &read {
        about = of_order(a, order);
        texts = order.texts.iter().map(|t| seen(t.value.trim())).filter(|t| !t.is_empty()).collect();
        patient = person::name(a, order, context);
        let at = if let patient::Person::Resource(at) = context.person { Some(at) } else { None };
        let node = |at| a.document.as_ref().map(|document| document.node(at));
        identity = node(o.at).map(|own| Identity::of(own, at.and_then(node)));
        let named = order.patient.value().and_then(|named| named.reference.as_ref());
        reference = named.map(|named| seen(named)).unwrap_or_default();
        (facts, reckoned) = person::facts(a, gathered, order, context);
    }
    let weight = o.weight.map(|(kg, at)| (kg, Some(at)));
    let (totals, not_known) = match o.typical() {
        // A check works out only what rules look at; a sheet shows the lot.
        Some((day, _)) if o.computed => {
            let days = [(&o.plan, day)];
            measures(&days, &all_totals(&days, o.plan.weight), weight, SHOWN)
        }
        _ => Default::default(),
    };
    let (not_sent, not_read) = not_provided(&o.judged);
    let mut not_checked = Vec::new();
    if !o.unlisted.is_empty() {
        not_checked.push(unlisted(o.unlisted.len()));
    }
    for j in &o.judged {
        if let Outcome::Off(why) = &j.outcome {
            not_checked.push(format!("{} is switched off: {}", j.rule.id, seen(why)));
        }
    }
    not_checked.extend(judge_again(&o.judged).iter().map(|(cause, rules)| again_text(cause, rules)));
    Sheet {
        label: seen(&o.label),
        place: place(a, o.at),
        disposition: o.disposition().code().into(),
        computed: o.computed,
        counts: counts(o),
        rules: o.judged.len(),
        patient,
        identity,
        reference,
        about,
        given: given(a, &o.plan),
        maximum: o.plan.cap.map(|cap| {
            let assumed = if cap.period_assumed { ", stated without a period and taken as per 24 h" } else { "" };
            let hours = cap.period.div(Exact::int(3_600)).map_or_else(String::new, |h| format!("{} h", h.short(2)));
            let any = if cap.period == Exact::int(86_400) { "" } else { "any " };
            format!("at most {} mL in {any}{hours}{assumed}", cap.volume.short(2))
        }),
        texts,
        days: days(a, o),
        no_steady: o.steady.as_ref().err().filter(|_| o.computed).map(ToString::to_string),
        totals_of: match (&o.steady, o.days.last()) {
            (Ok((day, _)), _) | (Err(_), Some((day, _))) => {
                format!("24 hours from {}", moment(zone, day.laid.window.start))
            }
            _ => String::new(),
        },
        totals,
        not_known,
        needs: estimates(o),
        bands: bands(o),
        found: found(a, o, offers, &facts),
        open: not_evaluated(&o.judged)
            .into_iter()
            .map(|(rules, why, at)| Open {
                rules: rules.iter().map(|rule| (rule.id.to_string(), rule.title.to_string())).collect(),
                why: seen(why),
                places: at.iter().map(|x| place(a, *x)).collect(),
            })
            .collect(),
        not_sent: not_sent.into_iter().map(|(what, rules)| (what.to_owned(), rules.join(", "))).collect(),
        not_read: not_read.into_iter().map(str::to_owned).collect(),
        not_checked,
        weight_doubted_by: weight_in_doubt(a, &o.judged).map(str::to_owned),
        facts,
        reckoned,
        assumed: o.assumptions.iter().map(|(x, _)| (x.id().to_owned(), x.text().to_owned())).collect(),
    }
}

/// Date, orderer, status, route.
fn of_order(a: &Appraisal<'_>, order: &Order<'_>) -> Vec<(Word, String)> {
    let mut out = Vec::new();
    let date = match &order.date_time {
        Field::Present(x) => when(a, x.value),
        Field::Absent => "not stated".to_owned(),
        Field::Missing { .. } | Field::Unreadable { .. } => "cannot be read".to_owned(),
    };
    out.push(("Ordered".into(), date));
    if let (Some(document), Some(at)) = (&a.document, order.orderer) {
        let node = document.node(at);
        let by = ["display", "reference"].iter().find_map(|key| node.get(key).and_then(|n| n.as_str()));
        out.extend(by.map(|by| (Word::from("By"), seen(&by))));
    }
    let word = |text: String| text.to_lowercase();
    let status = match &order.status {
        Field::Present(x) => word(format!("{:?}", x.value)),
        Field::Absent => "not stated".to_owned(),
        Field::Missing { .. } | Field::Unreadable { .. } => "cannot be read".to_owned(),
    };
    out.push(("Status".into(), status));
    if let Some(f) = &order.formula {
        let route = match f.route.value() {
            Some(c) => {
                let coding = c.codings.iter().find_map(|c| c.display.as_ref().or(c.code.as_ref()));
                c.text.as_ref().or(coding).map_or("without a name".to_owned(), |t| seen(t))
            }
            None if matches!(f.route, Field::Absent) => "not stated".to_owned(),
            None => "cannot be read".to_owned(),
        };
        out.push(("Route".into(), route));
    }
    out
}

/// A date or moment as written, in the institution's zone.
pub(crate) fn when(a: &Appraisal<'_>, x: When) -> String {
    match x {
        When::Instant { epoch, .. } => moment(&a.settings.zone, epoch),
        When::Day(y, m, d) => words::date(y, m, d),
        When::Month(y, m) => words::month(y, m),
        When::Year(y) => y.to_string(),
    }
}

fn given(a: &Appraisal<'_>, plan: &Plan) -> Vec<Given> {
    let zone = &a.settings.zone;
    let mut out = Vec::new();
    for part in &plan.parts {
        let name = plan.contents.get(part.content).map_or_else(String::new, |c| seen(&c.label));
        let what = if part.kind == Kind::Flush { "water" } else { "feed" };
        match part.source {
            Source::Line(ix) => {
                let Some(line) = plan.lines.get(ix) else { continue };
                let unsure = line.why.iter().map(ToString::to_string).collect();
                out.push(Given { what: what.into(), name, how: words::how(zone, line), unsure });
            }
            Source::WithFeeds { volume, times, .. } => {
                let volume =
                    volume.map_or_else(|| "a volume that is not known".to_owned(), |v| format!("{} mL", v.short(2)));
                let how =
                    format!("{volume} {}", if times > 1 { "before and after each feed" } else { "with each feed" });
                out.push(Given { what: what.into(), name, how, unsure: Vec::new() });
            }
        }
    }
    for dose in &plan.doses {
        let per = match dose.per {
            crate::nutrition::plan::Per::Day => "a day",
            crate::nutrition::plan::Per::Feed => "with each feed",
        };
        let unit = match dose.product.basis {
            Basis::Millilitre => "mL",
            Basis::Gram => "g",
            Basis::Dose => "doses",
            Basis::Kilocalorie => "kcal",
        };
        let how = format!("{} {unit} {per}", dose.amount.short(2));
        out.push(Given { what: "additive".into(), name: seen(&dose.label), how, unsure: Vec::new() });
    }
    for x in &plan.uncounted {
        let how = "not counted in any figure".to_owned();
        out.push(Given { what: "additive".into(), name: seen(&x.label), how, unsure: vec![seen(&x.why)] });
    }
    out
}

fn days(a: &Appraisal<'_>, o: &OrderReport<'_>) -> Vec<DaySheet> {
    if !o.computed {
        return Vec::new();
    }
    let zone = &a.settings.zone;
    let one = |title: String, (day, totals): &Day| {
        let w = day.laid.window;
        let brief: Vec<String> = [Measure::FormulaVolume, Measure::Energy, Measure::Protein]
            .iter()
            .map(|m| format!("{} {}", m.label(), shown(totals.get(*m), m.places(), m.unit_text())))
            .collect();
        DaySheet {
            title,
            span: format!("{} to {}", moment(zone, w.start), moment(zone, w.end())),
            picture: picture::draw(zone, &o.plan, day),
            brief: brief.join(", "),
        }
    };
    let mut out = Vec::new();
    let alone = o.steady.as_ref().is_ok_and(|_| o.steady_repeats);
    // The first day, and the day that every later one is like; those between are steps towards it.
    if let Some(first) = o.days.first()
        && !alone
    {
        out.push(one("First day".to_owned(), first));
    }
    match &o.steady {
        Ok(day) => out.push(one(
            if alone {
                "Every day"
            } else if o.plan.settled.steps.is_empty() {
                "Every later day"
            } else {
                "Every day once the last step is reached"
            }
            .to_owned(),
            day,
        )),
        Err(_) => {
            let more = o.days.iter().enumerate().skip(1).take(2);
            out.extend(more.map(|(nth, day)| one(format!("Day {}", nth + 1), day)));
        }
    }
    out
}

/// Measures for a sheet, in the order in which they are read.
const SHOWN: &[Measure] = &[
    Measure::FormulaVolume,
    Measure::FlushVolume,
    Measure::Volume,
    Measure::Energy,
    Measure::EnergyPerKg,
    Measure::Protein,
    Measure::ProteinPerKg,
    Measure::FreeWater,
    Measure::FreeWaterPerKg,
    Measure::VolumePerKg,
    Measure::Carbohydrate,
    Measure::CarbohydrateRate,
    Measure::Fat,
    Measure::Fibre,
    Measure::SodiumMoles,
    Measure::PotassiumMoles,
    Measure::ChlorideMoles,
    Measure::CalciumMoles,
    Measure::PhosphorusMoles,
    Measure::MagnesiumMoles,
    Measure::NonProteinEnergyPerNitrogen,
    Measure::RenalSoluteLoad,
    Measure::Osmolality,
    Measure::HighestRate,
    Measure::FeedingTime,
    Measure::FeedsPerDay,
    Measure::LargestFeed,
    Measure::LargestFeedPerKg,
    Measure::FeedDuration,
    Measure::HangTime,
    Measure::TimeToGoal,
];

const SHORT: &[Measure] = &[
    Measure::FormulaVolume,
    Measure::Volume,
    Measure::Energy,
    Measure::EnergyPerKg,
    Measure::Protein,
    Measure::ProteinPerKg,
    Measure::FreeWater,
];

type Measures = (Vec<Total>, Vec<(String, String)>);

fn measures(
    days: &[(&Plan, &crate::nutrition::totals::OrderDay)],
    totals: &crate::nutrition::totals::Totals,
    weight: Option<(Exact, Option<At>)>,
    list: &[Measure],
) -> Measures {
    let mut out = Vec::new();
    let mut not_known: Vec<(String, Vec<&str>)> = Vec::new();
    for m in list {
        let amount = totals.get(*m);
        if let Amount::Unknown(why) = amount {
            if why.iter().all(|w| matches!(w, Why::Nothing(_))) {
                continue;
            }
            let reason = why.iter().map(ToString::to_string).collect::<Vec<_>>().join("; ");
            match not_known.iter_mut().find(|(r, _)| *r == reason) {
                Some((_, names)) => {
                    if !names.contains(&m.label()) {
                        names.push(m.label());
                    }
                }
                None => not_known.push((reason, vec![m.label()])),
            }
            continue;
        }
        let d = derive(*m, days, totals, weight);
        let arithmetic = d.arithmetic.rsplit_once(" = ").map_or(d.arithmetic.as_str(), |(left, _)| left);
        // Small patients are fed tenths of a millilitre.
        let small = weight.is_some_and(|(kg, _)| kg < Exact::int(10)) && m.unit() == "mL/d";
        out.push(Total {
            label: m.label().into(),
            value: shown(amount, if small { 1 } else { m.places() }, m.unit_text()),
            arithmetic: seen(arithmetic),
            source: d.source.into(),
            exact: amount.known().is_some(),
        });
    }
    (out, not_known.into_iter().map(|(reason, names)| (seen(&reason), names.join(", "))).collect())
}

/// Per kind, what is delivered and every estimate on one axis.
fn bands(o: &OrderReport<'_>) -> Vec<Band> {
    let Some((_, totals)) = o.typical().filter(|_| o.computed) else { return Vec::new() };
    let mut groups: Vec<(Measure, Vec<(Exact, Exact)>)> =
        vec![(Measure::Energy, Vec::new()), (Measure::Protein, Vec::new())];
    for e in needs::estimates(&o.needs).iter().filter(|e| e.holds()) {
        let (Some(m), Some(figure)) = (delivered(e.kind, e.unit), e.result) else { continue };
        let ends = (figure.low().or(figure.high()), figure.high().or(figure.low()));
        if let (Some(low), Some(high)) = ends
            && let Some((_, list)) = groups.iter_mut().find(|(own, _)| *own == m)
        {
            list.push((low, high));
        }
    }
    let mut out = Vec::new();
    for (m, list) in groups {
        let (Some(low), Some(high)) = (list.iter().map(|x| x.0).min(), list.iter().map(|x| x.1).max()) else {
            continue;
        };
        let amount = totals.get(m);
        let most = amount.high().or(amount.low()).map_or(high, |x| x.max(high));
        let end = most.mul(Exact::ratio(11, 10)).unwrap_or(most);
        let at = |x: Exact| {
            let place = x.mul(Exact::int(1000)).and_then(|x| x.div(end)).map_or(1000, Exact::floor);
            i64::try_from(place).unwrap_or(1000).clamp(0, 1000)
        };
        let unit = m.unit_text();
        let n = list.len();
        let between = if low == high {
            format!("{} {unit}", low.short(0))
        } else {
            format!("{} to {} {unit}", low.short(0), high.short(0))
        };
        let estimates = if n == 1 { format!("1 estimate: {between}") } else { format!("{n} estimates, {between}") };
        out.push(Band {
            kind: m.label().into(),
            delivered: shown(amount, m.places(), unit),
            estimates,
            got: amount.low().map(|low| (at(low), amount.high().map_or(1000, at))),
            marks: list.into_iter().map(|(a, b)| (at(a), at(b))).collect(),
            end: format!("{} {unit}", end.short(0)),
        });
    }
    out
}

fn estimates(o: &OrderReport<'_>) -> Vec<Need> {
    let Some((_, totals)) = o.typical().filter(|_| o.computed) else { return Vec::new() };
    needs::estimates(&o.needs)
        .into_iter()
        .filter(|e| matches!(e.validity, Validity::InDomain) && e.result.is_some())
        .filter_map(|e| delivered(e.kind, e.unit).map(|m| (e, m)))
        .map(|(e, m)| {
            let share = e.percent_met(totals.get(m));
            let met = match &share {
                Amount::Unknown(_) => "not known".to_owned(),
                met => match met.high().filter(|_| met.known().is_none() && met.low() == Some(Exact::ZERO)) {
                    Some(high) => format!("at most {} %", high.short(0)),
                    None => shown(met, 0, "%"),
                },
            };
            // Per cent of the estimate, as thousandths of twice the estimate.
            let mark = |x: Exact| {
                let five = x.mul(Exact::int(5)).map_or(1000, Exact::floor);
                i64::try_from(five).unwrap_or(1000).clamp(0, 1000)
            };
            let bar = share.low().map(|low| (mark(low), share.high().map_or(1000, mark)));
            Need {
                kind: if e.kind.is_energy() { "energy" } else { e.kind.name() }.into(),
                title: e.title(),
                setting: e.setting.unwrap_or("").to_owned(),
                figure: format!("{} {}", e.result.map_or_else(String::new, |f| f.shown(0)), spelled(e.unit)),
                met,
                bar,
                formula: e.formula.to_string(),
                domain: e.domain.into(),
                source: format!("{} ({})", e.source.citation, e.source.mark.name()),
            }
        })
        .collect()
}

fn found(a: &Appraisal<'_>, o: &OrderReport<'_>, offers: &[Offer], facts: &[Fact]) -> Vec<Found> {
    let mut out = Vec::new();
    for tier in [Tier::Stop, Tier::High, Tier::Med, Tier::Low] {
        for j in &o.judged {
            let Outcome::Flagged(list) = &j.outcome else { continue };
            for f in list.iter().filter(|f| f.tier == tier) {
                let offered = |offer: &&Offer| {
                    offer.rule == j.rule.id && f.correction.as_ref().is_some_and(|c| seen(&c.label) == offer.label)
                };
                let ages = facts
                    .iter()
                    .filter(|fact| fact.at.is_some_and(|at| f.at.contains(&at)) && !fact.age.is_empty())
                    .map(|fact| format!("{} {}: {}", fact.name, fact.value, fact.age))
                    .collect();
                out.push(Found {
                    tier,
                    rule: j.rule.id.to_string(),
                    title: j.rule.title.to_string(),
                    text: seen(&f.text),
                    arithmetic: f.arithmetic.as_deref().map(seen),
                    fix: f.fix.as_deref().map(seen),
                    offers: offers.iter().filter(offered).cloned().collect(),
                    source: j.rule.source.to_string(),
                    limit: j.rule.kind == RuleKind::Limit,
                    places: f.at.iter().map(|x| place(a, *x)).collect(),
                    ages,
                });
            }
        }
    }
    out
}
