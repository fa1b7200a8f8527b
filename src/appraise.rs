//! The pipeline: bytes to a report. Pure; it does not know who called it or how the report is shown.
//!
//! 1. Read the JSON strictly, find the orders and their context.
//! 2. Check each order's shape, read it into the canonical order, and read its patient.
//! 3. Put lines, contents and doses together, lay them over the days, total them.
//! 4. Judge.
//!
//! Figures are worked out here; their derivations only when an answer shows them.

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

use crate::amount::{Amount, Why};
use crate::assumptions::Assumption;
use crate::exact::Exact;
use crate::findings::{self, Judged, Outcome, Rule, disposition};
use crate::formulary::product::Product;
use crate::formulary::resource::{ProductCodes, product_from_fhir};
use crate::formulary::{Formulary, FormularyProblem};
use crate::intake::bundle::{Gathered, Part, ResourceKind, gather, gather_parts};
use crate::intake::json::{Document, JsonError, Limits, Node};
use crate::intake::order::{At, FhirVersion, Order, Problem, Status, When, cut};
use crate::intake::shape;
use crate::intake::wire::{read_order, read_valid_order};
use crate::integrity::{self, Beside, Case};
use crate::needs;
use crate::nutrition::derive::shown;
use crate::nutrition::measure::Measure;
use crate::nutrition::plan::{Kind, Materials, Plan, Source, plan};
use crate::nutrition::totals::{OrderDay, Totals, judged_totals, lay_plan, totals};
use crate::patient::{self, Context, IdentityKey, ReferenceSource, context, identity_key};
use crate::rulebook::case::{CaseFacts, Materials as FactsFrom};
use crate::rulebook::judge::{Circumstances, Looked};
use crate::rulebook::{self, Rulebook};
use crate::settings::{ContextKind, DayKind, Settings};
use crate::timing::calendar::{DAY, days_of, local_of_date, to_epoch, to_local};
use crate::timing::day::{Window, steady_window};
use crate::timing::schedule::{Frame, Line, Note, Noted, Run};
use std::borrow::Cow;

pub use crate::findings::Disposition;

/// Most days reported one by one.
pub const MOST_DAYS: u8 = 14;
/// Most problems of a document, beside those of its orders.
const MOST_PROBLEMS: usize = 200;
/// Most days beyond those that limits look at, where something begins on them.
const MOST_FURTHER: usize = 40;

/// Why an input was not appraised at all.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Refusal {
    /// It is not strict JSON.
    Unparseable,
    /// It is larger than what is read.
    TooLarge,
    /// It is JSON, but not a NutritionOrder, a Bundle or Parameters.
    WrongResource,
}

/// A day with its totals.
pub type Day = (OrderDay, Totals);

/// One order's report.
#[derive(Clone, Debug)]
pub struct OrderReport<'a> {
    /// The resource.
    pub at: At,
    /// Name for people: the id, or its place.
    pub label: String,
    /// `id`.
    pub id: Option<String>,
    /// Whether it was computed; orders that are over or in error are not.
    pub computed: bool,
    /// Lines, contents and doses.
    pub plan: Plan,
    /// Days from the first, in order.
    pub days: Vec<Day>,
    /// The steady day, or why there is none.
    pub steady: Result<Day, Why>,
    /// The steady day is the same as the only day.
    pub steady_repeats: bool,
    /// One outcome per rule.
    pub judged: Vec<Judged<'a>>,
    /// Outcomes of limits in shadow mode: recorded, and without any effect.
    pub shadow: Vec<Judged<'a>>,
    /// Conditions, allergies and medicines whose codes the rulebook has no word for: no limit sees them.
    pub unlisted: Vec<At>,
    /// Dosing weight, kg, with its place.
    pub weight: Option<(Exact, At)>,
    /// What the requirement estimates rest on.
    pub needs: needs::Inputs,
    /// Readings taken, each once, with the elements they concern.
    pub assumptions: Vec<(Assumption, Vec<At>)>,
    /// Whose order it is.
    pub person: IdentityKey,
}

impl OrderReport<'_> {
    /// What the order came to.
    pub fn disposition(&self) -> Disposition {
        disposition(self.judged.iter().map(|j| &j.outcome))
    }

    /// The day that stands for the order.
    pub fn typical(&self) -> Option<&Day> {
        self.steady.as_ref().ok().or(self.days.last())
    }
}

/// Concurrent orders of one patient, together.
#[derive(Clone, Debug)]
pub struct Combined {
    /// Indexes of the orders.
    pub orders: Vec<usize>,
    /// Per day: each order's part, parallel to `orders`, and the totals of all.
    pub days: Vec<(Vec<OrderDay>, Totals)>,
    /// Days after these on which something begins, in the same way. Limits look at them.
    further: Vec<(Vec<OrderDay>, Totals)>,
    /// There are more of those than are looked at.
    unseen: bool,
    /// Plans of the orders, parallel to `orders`: flushes may end with the feed of an order that another follows.
    plans: Vec<Plan>,
    /// The steady day, or why there is none.
    pub steady: Result<(Vec<OrderDay>, Totals), Why>,
    /// Dosing weight.
    pub weight: Option<(Exact, At)>,
}

/// The report of one input.
pub struct Appraisal<'a> {
    /// Name of the input: a file, or empty.
    pub name: String,
    /// Version it was read as.
    pub version: FhirVersion,
    /// Settings it was appraised with.
    pub settings: &'a Settings,
    /// Products it was appraised with.
    pub formulary: &'a Formulary,
    /// Limits it was judged by.
    pub rulebook: &'a Rulebook,
    /// Products sent with the orders.
    pub sent: Vec<(At, Product)>,
    /// The document, when it could be read.
    pub document: Option<Document<'a>>,
    /// Orders found.
    pub orders: Vec<OrderReport<'a>>,
    /// Concurrent orders of one patient.
    pub combined: Vec<Combined>,
    /// Problems that belong to no order.
    pub problems: Vec<Problem>,
    /// Why nothing was appraised.
    pub refused: Option<(Refusal, Refused)>,
    /// Lines of the file before this input, where it is one of several.
    lines_before: u32,
}

/// The words of a refusal.
#[derive(Clone, Debug)]
pub struct Refused {
    /// One sentence.
    pub text: String,
    /// FHIR issue type.
    pub code: &'static str,
    /// Path of the place, as far as it is known.
    pub path: Option<String>,
    /// Line and column.
    pub position: Option<(u32, u32)>,
}

impl Refused {
    /// The sentence with its place, once.
    pub fn with_place(&self) -> Cow<'_, str> {
        match self.position {
            Some((line, column)) => {
                let place = format!("line {line}, column {column}: ");
                if self.text.starts_with(&place) {
                    Cow::Borrowed(&self.text)
                } else {
                    Cow::Owned(format!("{place}{}", self.text))
                }
            }
            None => Cow::Borrowed(&self.text),
        }
    }
}

impl<'a> Appraisal<'a> {
    /// What the input as a whole came to: the gravest of the orders that were checked, and what belongs to
    /// none. Orders that are over or in error are history beside one that is checked; alone, nothing was
    /// checked.
    pub fn disposition(&self) -> Disposition {
        if self.refused.is_some() {
            return Disposition::Refused;
        }
        let nothing_checked = !self.orders.iter().any(|o| o.computed);
        let own = if nothing_checked || self.problems.iter().any(|p| p.grave) {
            Disposition::NotFullyChecked
        } else {
            Disposition::Clear
        };
        self.orders.iter().filter(|o| o.computed).map(OrderReport::disposition).fold(own, Disposition::max)
    }

    /// Why it was refused, if it was.
    pub fn refusal(&self) -> Option<Refusal> {
        self.refused.as_ref().map(|(r, _)| *r)
    }

    /// The FHIRPath of a place.
    pub fn path(&self, at: At) -> String {
        self.document.as_ref().map_or_else(String::new, |d| d.node(at).path())
    }

    /// Line and column of a place.
    pub fn position(&self, at: At) -> Option<(u32, u32)> {
        let (line, column) = self.document.as_ref()?.node(at).line_column();
        Some((line.saturating_add(self.lines_before), column))
    }

    /// The input begins on this line of its file, from 1: places are those of the file.
    pub fn begin_on_line(&mut self, first: u32) {
        self.lines_before = first.saturating_sub(1);
        if let Some((_, refused)) = &mut self.refused
            && let Some((line, column)) = refused.position
        {
            let here = line.saturating_add(self.lines_before);
            let (old, new) = (format!("line {line}, column {column}"), format!("line {here}, column {column}"));
            refused.text = refused.text.replacen(&old, &new, 1);
            refused.position = Some((here, column));
        }
    }
}

/// What an institution judges with.
#[derive(Clone, Copy)]
pub struct Institution<'a> {
    /// Its products.
    pub formulary: &'a Formulary,
    /// Its limits.
    pub rulebook: &'a Rulebook,
    /// Everything else.
    pub settings: &'a Settings,
}

pub use crate::integrity::not_judged_yet;

/// The program's own rules, of integrity.
pub fn own_rules() -> impl Iterator<Item = &'static Rule> {
    integrity::RULES.iter().map(|(rule, _)| rule)
}

/// Appraises one input by the integrity rules alone. Never fails: what cannot be read is reported.
pub fn appraise<'a>(
    input: &'a [u8],
    name: &str,
    version: FhirVersion,
    formulary: &'a Formulary,
    settings: &'a Settings,
) -> Appraisal<'a> {
    appraise_by(input, name, version, Institution { formulary, rulebook: &rulebook::NONE, settings })
}

/// The same with only those measures worked out that rules look at: enough for an OperationOutcome, which is
/// the same to the byte.
pub fn check<'a>(
    input: &'a [u8],
    name: &str,
    version: FhirVersion,
    formulary: &'a Formulary,
    settings: &'a Settings,
) -> Appraisal<'a> {
    check_by(input, name, version, Institution { formulary, rulebook: &rulebook::NONE, settings })
}

/// Appraises one input by the integrity rules and the institution's limits.
pub fn appraise_by<'a>(input: &'a [u8], name: &str, version: FhirVersion, by: Institution<'a>) -> Appraisal<'a> {
    run(input, name, version, by, totals)
}

/// The same with only those measures worked out that rules look at.
pub fn check_by<'a>(input: &'a [u8], name: &str, version: FhirVersion, by: Institution<'a>) -> Appraisal<'a> {
    run(input, name, version, by, judged_totals)
}

/// A resource of a document that is no FHIR resource as a whole, or a `null` that says that there is none.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Piece {
    /// Where.
    pub at: At,
    /// The name it was sent under.
    pub label: Option<&'static str>,
    /// `fullUrl` of its entry.
    pub full_url: Option<String>,
    /// Whether NutritionOrders in it are appraised; otherwise they are context.
    pub orders: bool,
}

/// Appraises the orders among the pieces of a document that was read already, with the measures that rules look at.
pub fn check_pieces<'a>(
    document: Document<'a>,
    pieces: &[Piece],
    version: FhirVersion,
    by: Institution<'a>,
) -> Appraisal<'a> {
    let parts: Vec<Part<'_>> = pieces
        .iter()
        .map(|piece| Part {
            node: document.node(piece.at),
            label: piece.label,
            full_url: piece.full_url.as_deref().map(Cow::Borrowed),
            orders: piece.orders,
        })
        .collect();
    let (orders, combined, problems, sent) =
        orders_of(gather_parts(document.root(), &parts), version, by, judged_totals);
    drop(parts);
    let Institution { formulary, rulebook, settings } = by;
    Appraisal {
        name: String::new(),
        version,
        settings,
        formulary,
        rulebook,
        sent,
        document: Some(document),
        orders,
        combined,
        problems,
        refused: None,
        lines_before: 0,
    }
}

type Totalled = fn(&[(&Plan, &OrderDay)], Option<Exact>) -> Totals;

fn run<'a>(input: &'a [u8], name: &str, version: FhirVersion, by: Institution<'a>, total: Totalled) -> Appraisal<'a> {
    let Institution { formulary, rulebook, settings } = by;
    let mut out = Appraisal {
        name: name.to_owned(),
        version,
        settings,
        formulary,
        rulebook,
        sent: Vec::new(),
        document: None,
        orders: Vec::new(),
        combined: Vec::new(),
        problems: Vec::new(),
        refused: None,
        lines_before: 0,
    };
    let document = match Document::read(input, &Limits::default()) {
        Ok(d) => d,
        Err(e) => {
            out.refused = Some(refusal_of(&e));
            return out;
        }
    };
    if let Some(why) = wrong_resource(document.root()) {
        out.refused = Some((Refusal::WrongResource, why));
        return out;
    }
    let (orders, combined, problems, sent) = orders_of(gather(&document), version, by, total);
    out.orders = orders;
    out.combined = combined;
    out.problems = problems;
    out.sent = sent;
    out.document = Some(document);
    out
}

fn refusal_of(e: &JsonError) -> (Refusal, Refused) {
    let place = e.place();
    let code = e.issue_code();
    let kind = if code == "too-long" || code == "too-costly" { Refusal::TooLarge } else { Refusal::Unparseable };
    let path = place.path.clone();
    // Too deep or too long a part is a refusal of form; only the size of the whole is "too large".
    let kind =
        if kind == Refusal::TooLarge && !matches!(e, JsonError::TooLarge { .. }) { Refusal::Unparseable } else { kind };
    (kind, Refused { text: e.to_string(), code, path, position: Some((place.line, place.column)) })
}

fn wrong_resource(root: Node<'_>) -> Option<Refused> {
    let position = Some(root.line_column());
    let Some(kind) = root.get("resourceType").and_then(Node::as_str) else {
        return Some(Refused {
            text: "The input is not a FHIR resource: it has no resourceType. Expected a NutritionOrder, a Bundle or Parameters.".to_owned(),
            code: "structure",
            path: None,
            position,
        });
    };
    if matches!(kind.as_ref(), "NutritionOrder" | "Bundle" | "Parameters") {
        return None;
    }
    let shown: String = kind.chars().take(64).filter(|c| c.is_ascii_alphanumeric()).collect();
    Some(Refused {
        text: format!("Found {shown}; expected a NutritionOrder, a Bundle or Parameters."),
        code: "not-supported",
        path: None,
        position,
    })
}

/// An order on its way through the pipeline.
struct Draft<'d> {
    order: Order<'d>,
    problems: Vec<Problem>,
    context: Context<'d>,
    facts: integrity::Person,
    plan: Plan,
    days: Vec<Day>,
    further: Vec<Day>,
    steady: Result<Day, Why>,
    repeats: bool,
    computed: bool,
    key: IdentityKey,
    weight: Option<(Exact, At)>,
}

type Read<'a> = (Vec<OrderReport<'a>>, Vec<Combined>, Vec<Problem>, Vec<(At, Product)>);

fn orders_of<'a>(gathered: Gathered<'_>, version: FhirVersion, by: Institution<'a>, total: Totalled) -> Read<'a> {
    let Institution { formulary, settings, .. } = by;
    let mut problems = gathered.problems.clone();
    let sent = sent_products(&gathered, version, &mut problems);
    let products: Vec<(At, Product)> = sent.iter().map(|(at, p, _)| (*at, p.clone())).collect();
    let mut drafts: Vec<Draft<'_>> = gathered
        .orders
        .iter()
        .map(|node| draft(*node, &gathered, version, (formulary, settings, total), &products))
        .collect();
    let groups = groups(&drafts, &gathered);
    let combined: Vec<Combined> =
        groups.iter().filter(|g| g.len() > 1).map(|g| combine(&drafts, g, settings, total)).collect();
    for all in combined.iter().filter(|all| all.unseen) {
        for ix in &all.orders {
            let Some(d) = drafts.get_mut(*ix) else { continue };
            let at = d.order.formula.as_ref().map_or(d.order.at, |f| f.at);
            let said = d.plan.notes.iter().any(|n| matches!(n.note, Note::TooCostly(_)));
            if !said {
                d.plan
                    .notes
                    .push(Noted { at, note: Note::TooCostly(unseen_days(" of the patient's orders together")) });
            }
        }
    }
    let others_sent = gathered.orders.len() > 1 || drafts.iter().any(|d| d.context.other_orders.is_data());
    let besides: Vec<Vec<Beside>> = (0..drafts.len()).map(|i| besides(&drafts, &groups, &combined, i)).collect();
    let whose: Vec<Vec<At>> = (0..drafts.len()).map(|ix| whose(&drafts, &groups, &gathered, ix)).collect();
    let together: Vec<Option<Together<'_>>> =
        besides.iter().enumerate().map(|(ix, beside)| together(&drafts, &combined, beside, ix)).collect();
    let sums: Vec<Option<&Combined>> = besides
        .iter()
        .enumerate()
        .map(|(ix, beside)| {
            let one_for_another = beside.iter().any(|o| o.overlaps && !o.identical);
            combined.iter().find(|c| one_for_another && c.orders.contains(&ix))
        })
        .collect();
    let room = findings::room_for(drafts.len());
    let mut reports = Vec::with_capacity(drafts.len());
    for ((((draft, beside), whose), together), sum) in drafts.drain(..).zip(besides).zip(whose).zip(together).zip(sums)
    {
        let others = Others { beside: &beside, whose: &whose, together: together.as_ref(), sum };
        let mut report = report(draft, others, others_sent, by, (&gathered, &sent, &products));
        findings::bound(&mut report.judged, room, "INT-01", report.at);
        reports.push(report);
    }
    if problems.len() > MOST_PROBLEMS {
        let left_out = problems.len() - MOST_PROBLEMS;
        problems.sort_by_key(|p| !p.grave);
        problems.truncate(MOST_PROBLEMS);
        let text = format!("there are {left_out} more problems with the document; they are not told one by one");
        let at = problems.first().map_or(At(0), |p| p.at);
        problems.push(Problem { at, text, code: "too-costly", grave: true });
    }
    (reports, combined, problems, products)
}

type Sent = Vec<(At, Product, Vec<FormularyProblem>)>;

fn sent_products(gathered: &Gathered<'_>, version: FhirVersion, problems: &mut Vec<Problem>) -> Sent {
    let mut out = Vec::new();
    for resource in gathered.of_kind(ResourceKind::NutritionProduct) {
        match product_from_fhir(resource.node, version, &ProductCodes::default()) {
            Ok(sent) => {
                problems.extend(sent.problems);
                let product = Product { name: cut(&sent.product.name), ..sent.product };
                out.push((resource.node.at(), product, sent.warnings));
            }
            Err(found) => problems.extend(found),
        }
    }
    out
}

fn draft<'d>(
    node: Node<'d>,
    gathered: &Gathered<'d>,
    version: FhirVersion,
    (formulary, settings, total): (&Formulary, &Settings, Totalled),
    sent: &[(At, Product)],
) -> Draft<'d> {
    let mut problems = shape::check(node, version);
    let read_as = if problems.is_empty() { read_valid_order } else { read_order };
    let (order, read) = read_as(node, version, gathered);
    merge(&mut problems, read);
    let (context, more) = context(gathered, &order, settings);
    merge(&mut problems, more);
    let facts = facts(&context, settings);
    let weight = match &facts.weight {
        integrity::Weight::Usable { kg, at, .. } => Some((*kg, *at)),
        _ => None,
    };
    let over = matches!(order.status.value(), Some(Status::EnteredInError | Status::Revoked | Status::Completed));
    // An order for food by mouth is not a tube feed with its formula missing.
    let by_mouth = order.formula.is_none()
        && (order.oral_diet.is_some() || !order.supplements.is_empty())
        && order.unknown_modifiers.is_empty()
        && !problems.iter().any(|p| p.grave);
    let computed = !over && !by_mouth;
    let key = identity_key(gathered, &order);
    let frame = Frame { settings, weight: weight.map(|(kg, _)| kg) };
    let mut plan = plan(&order, Materials { frame, formulary, sent });
    let laid = if computed && order.formula.is_some() {
        lay_days(&plan, settings, total)
    } else {
        let steady = Err(Why::NoSuchDay("nothing is computed for this order"));
        Laid { days: Vec::new(), further: Vec::new(), unseen: false, steady, repeats: false }
    };
    if laid.unseen {
        let at = order.formula.as_ref().map_or(order.at, |f| f.at);
        plan.notes.push(Noted { at, note: Note::TooCostly(unseen_days("")) });
    }
    let Laid { days, further, steady, repeats, .. } = laid;
    Draft { order, problems, context, facts, plan, days, further, steady, repeats, computed, key, weight }
}

/// That something begins on more days than are looked at.
fn unseen_days(of: &str) -> String {
    format!(
        "something new begins on more than {MOST_FURTHER} days{of} beyond the first {MOST_DAYS}; those after were not looked at"
    )
}

/// Adds problems that are not there yet: the same place with the same kind of problem once.
fn merge(into: &mut Vec<Problem>, more: Vec<Problem>) {
    for p in more {
        match into.iter_mut().find(|q| q.at == p.at && (q.code == p.code || q.grave && p.grave)) {
            // The reader's sentence knows more of the meaning than the schema's.
            Some(q) if matches!(p.code, "not-supported" | "invariant") && q.code != p.code => {
                let grave = q.grave || p.grave;
                *q = Problem { grave, ..p };
            }
            Some(q) => q.grave |= p.grave,
            None => into.push(p),
        }
    }
}

/// The days of an order, laid out.
struct Laid {
    /// Those that are reported: the day it starts (or the one asked for), then one after the other up to the steady day.
    days: Vec<Day>,
    /// Days after these on which something begins.
    further: Vec<Day>,
    /// There are more of those than are looked at.
    unseen: bool,
    steady: Result<Day, Why>,
    /// The only day is the steady day.
    repeats: bool,
}

fn lay_days(plan: &Plan, settings: &Settings, total: Totalled) -> Laid {
    let with_totals = |day: OrderDay| {
        let t = total(&[(plan, &day)], plan.weight);
        (day, t)
    };
    let Windows { days, further, unseen, steady } = windows(&[plan], settings);
    let lay = |windows: &[Window]| -> Vec<Day> {
        windows.iter().map(|w| with_totals(lay_plan(plan, settings, *w, false))).collect()
    };
    let (mut days, mut further) = (lay(&days), lay(&further));
    // Feeds by count that begin on a later weekday: the days up to the first on which there are any.
    let gives = |(day, _): &Day| {
        let feeds = plan.parts.iter().zip(&day.volumes).filter(|(part, _)| part.kind == Kind::Feed);
        feeds.map(|(_, volume)| volume.high()).any(|most| most.is_none_or(|most| most.is_positive()))
    };
    if steady.is_err()
        && settings.asked.days.is_none()
        && !days.iter().any(gives)
        && let Some(until) = further.iter().position(gives)
        && let Some(first) = days.first().map(|(day, _)| day.laid.window)
    {
        let rest = further.split_off(until.saturating_add(1));
        let until = further.last().map_or(first, |(day, _)| day.laid.window);
        let more = (1..i64::from(MOST_DAYS)).map_while(|k| first.following(&settings.zone, k));
        let more: Vec<Window> = more.take_while(|w| w.start <= until.start).collect();
        if more.last() == Some(&until) {
            days.extend(lay(&more));
            further = rest;
        } else {
            further.extend(rest);
        }
    }
    let mut repeats = false;
    let steady = match steady {
        Err(why) => Err(why),
        Ok(window) => {
            // Where every day is alike, the only day is the steady day: it is laid once.
            let alike = days.len() == 1 && alike_every_day(plan, settings, window);
            match days.first() {
                Some(first) if alike => {
                    repeats = true;
                    Ok(first.clone())
                }
                _ => Ok(with_totals(lay_plan(plan, settings, window, true))),
            }
        }
    };
    if days.is_empty() {
        days.extend(steady.as_ref().ok().cloned());
    }
    Laid { days, further, unseen, steady, repeats }
}

/// Whether the first day of a plan cannot differ from any later one.
fn alike_every_day(plan: &Plan, settings: &Settings, steady: Window) -> bool {
    plan.settled.steps.is_empty()
        && settings.asked.kind == DayKind::Elapsed
        && crate::timing::day::cycle_days(&plan.lines) == Some(1)
        && plan.lines.iter().all(|l| {
            let bounded = |r: &Option<crate::timing::schedule::Run>| {
                r.as_ref().is_none_or(|r| {
                    r.end.is_none()
                        && r.count.is_none()
                        && r.start.is_none_or(|s| s <= plan.start)
                        && match r.dose {
                            crate::timing::schedule::Dose::Rate(_) => true,
                            // A feed that takes time may be cut by the first day's end, and the day before
                            // gives nothing yet.
                            crate::timing::schedule::Dose::Volume { over, .. } => over.is_zero(),
                        }
                })
            };
            bounded(&l.low) && bounded(&l.high)
        })
        && steady.length == Exact::int(DAY)
}

/// Windows of one or more orders that are looked at together, as [`Laid`] has their days.
struct Windows {
    days: Vec<Window>,
    further: Vec<Window>,
    unseen: bool,
    steady: Result<Window, Why>,
}

fn windows(plans: &[&Plan], settings: &Settings) -> Windows {
    let zone = &settings.zone;
    let start = plans.iter().map(|p| p.start).min().unwrap_or(Exact::ZERO);
    let lines: Cow<'_, [crate::timing::schedule::Line]> = match plans {
        [one] => Cow::Borrowed(&one.lines),
        many => many.iter().flat_map(|p| p.lines.iter().cloned()).collect(),
    };
    let steady = if lines.is_empty() {
        Err(Why::NoSuchDay("no schedule is stated"))
    } else {
        steady_window(zone, settings.asked.kind, settings.day_start, &lines, start)
    };
    let first_local = match settings.asked.date {
        Some(date) => Exact::int(local_of_date(date).saturating_add(i64::from(settings.day_start))),
        None => to_local(zone, start),
    };
    let first = |k: i64| -> Window {
        match settings.asked.kind {
            DayKind::Civil => {
                let days = settings.asked.date.map_or_else(
                    || {
                        let local = i64::try_from(first_local.floor()).unwrap_or(0);
                        local.saturating_sub(i64::from(settings.day_start)).div_euclid(DAY)
                    },
                    days_of,
                );
                Window::civil(zone, days.saturating_add(k), settings.day_start)
            }
            DayKind::Elapsed => {
                let base = match settings.asked.date {
                    Some(_) => to_epoch(zone, first_local),
                    None => start,
                };
                let first = Window::elapsed(zone, base);
                first.later(k).unwrap_or(first)
            }
        }
    };
    let count = match settings.asked.days {
        Some(n) => i64::from(n.clamp(1, MOST_DAYS)),
        None => {
            // Up to the steady day, the first day always.
            let until = match &steady {
                Ok(w) => w.start.sub(first(0).start).and_then(|s| s.div(Exact::int(DAY))).map_or(1, |d| d.ceil()),
                Err(_) => last_end(&lines, start)
                    .and_then(|s| s.sub(start))
                    .and_then(|s| s.div(Exact::int(DAY)))
                    .map_or(1, |d| d.ceil()),
            };
            // A plain order whose steady day begins at the next feeding-day hour needs no days in between.
            let stepped = lines.iter().filter_map(|l| l.start).max().is_some_and(|last| last > start);
            let until = if stepped || steady.is_err() { until } else { 1 };
            i64::try_from(until).unwrap_or(1).clamp(1, i64::from(MOST_DAYS))
        }
    };
    let in_steady = |w: &Window| steady.as_ref().is_ok_and(|steady| w.start >= steady.start);
    let begins = begins(&lines, start, (first(0).start, count));
    let mut further: Vec<Window> =
        begins.into_iter().map(first).take_while(|w| !in_steady(w)).take(MOST_FURTHER.saturating_add(1)).collect();
    let unseen = further.len() > MOST_FURTHER;
    further.truncate(MOST_FURTHER);
    Windows { days: (0..count).map(first).collect(), further, unseen, steady }
}

/// The days from the one with the number `after`, counted from the `first`, on which what was not given before may be.
fn begins(lines: &[crate::timing::schedule::Line], start: Exact, (first, after): (Exact, i64)) -> Vec<i64> {
    use crate::timing::schedule::Occurrences;
    let mut out = Vec::new();
    let mut from = |at: Exact, days: i64| {
        let Some(since) = at.sub(first).and_then(|s| s.div(Exact::int(DAY))) else { return };
        let Ok(day) = i64::try_from(since.floor()) else { return };
        // What begins within a day is given for the whole of the next.
        let last = if Some(since) == Exact::whole(since.floor()) { day } else { day.saturating_add(1) };
        out.extend(day.max(after)..=last.saturating_add(days));
    };
    for line in lines {
        let Some(run) = &line.high else { continue };
        let begins = run.start.unwrap_or(start);
        match &run.occurrences {
            Occurrences::Listed(at) => at.iter().for_each(|at| from(*at, 0)),
            Occurrences::Continuous => from(begins, 0),
            // What is not given every day is given first within its interval, or a week.
            Occurrences::Clock { weekdays: 0, interval, .. } => from(begins, interval.saturating_sub(1).clamp(0, 31)),
            Occurrences::Every { weekdays: 0, step, .. } => {
                let days = step.div(Exact::int(DAY)).and_then(|d| i64::try_from(d.ceil()).ok()).unwrap_or(1);
                from(begins, days.saturating_sub(1).clamp(0, 31));
            }
            Occurrences::Clock { .. } | Occurrences::Every { .. } => from(begins, 6),
        }
    }
    out.sort_unstable();
    out.dedup();
    out
}

/// The last end that a schedule states; what states none, as a flush beside feeds that are listed, does not count.
fn last_end(lines: &[crate::timing::schedule::Line], start: Exact) -> Option<Exact> {
    let end = |l: &crate::timing::schedule::Line| {
        let high = l.high.as_ref()?;
        match &high.occurrences {
            // The last is given, even where a day ends with it.
            crate::timing::schedule::Occurrences::Listed(at) => at.last()?.add(Exact::ONE),
            _ => high.end,
        }
    };
    lines.iter().filter_map(end).max().map(|end| end.max(start))
}

/// What the rules ask of the patient.
fn facts(c: &Context<'_>, settings: &Settings) -> integrity::Person {
    use integrity::{Identity, Weight};
    let identity = match c.person {
        patient::Person::Resource(at) => Identity::Sent(at),
        patient::Person::ReferenceOnly => Identity::NotSent,
        patient::Person::Group => Identity::None("the subject is a group".to_owned()),
        patient::Person::Ambiguous => Identity::None("the reference fits several resources".to_owned()),
        patient::Person::Nobody => Identity::None("none is named".to_owned()),
    };
    let (age, months) = (c.age_days(), c.age_months());
    let weight = match &c.weight.chosen {
        Some(m) => {
            let since = c.seconds_since(m);
            let days = |x: Option<Exact>| x.and_then(|s| s.div(Exact::int(DAY)));
            match m.value.div(Exact::int(1000)) {
                Some(kg) => Weight::Usable { kg, at: m.at, days_old: days(since.low()).zip(days(since.high())) },
                None => Weight::Unusable("it is out of range".to_owned(), vec![m.at]),
            }
        }
        None if !c.weight.conflict.is_empty() => Weight::Unusable(
            "two different weights are recorded for the same time".to_owned(),
            c.weight.conflict.iter().map(|m| m.at).collect(),
        ),
        None => match c.weight.rejected.first() {
            Some(r) => Weight::Unusable(r.why.to_string(), c.weight.rejected.iter().map(|r| r.at).collect()),
            None => Weight::NotSent,
        },
    };
    let inpatient = {
        let codes: Vec<&str> = c.encounter_classes.iter().filter_map(|k| k.code.as_deref()).collect();
        // ActCode encounter classes: inpatient, acute, non-acute, short stay, observation, emergency.
        if codes.iter().any(|k| matches!(*k, "IMP" | "ACUTE" | "NONAC" | "SS" | "OBSENC" | "EMER")) {
            Some(true)
        } else if codes.iter().any(|k| matches!(*k, "HH" | "AMB" | "VR" | "FLD")) {
            Some(false)
        } else {
            None
        }
    };
    let mut set_aside: Vec<(String, At)> = c.set_aside.iter().map(|s| (s.why.clone(), s.at)).collect();
    for at in &c.subject_assumed {
        set_aside
            .push(("it names no patient; it was taken as this patient's, the only one in the input".to_owned(), *at));
    }
    if c.weight.chosen.is_some() {
        set_aside.extend(c.weight.rejected.iter().map(|r| (format!("a weight: {}", r.why), r.at)));
    }
    integrity::Person {
        identity,
        birth_known: c.birth.value().is_some(),
        sex_known: c.sex != patient::Sex::Unknown,
        sex: match c.sex {
            patient::Sex::Male => Some(needs::Sex::Male),
            patient::Sex::Female => Some(needs::Sex::Female),
            patient::Sex::Unknown => None,
        },
        age_days: age.low().zip(age.high()),
        age_months: months.low().zip(months.high()),
        corrected_days: {
            let corrected = c.corrected_age().days;
            corrected.low().zip(corrected.high())
        },
        postmenstrual_days: {
            let days = c.postmenstrual_days();
            days.low().zip(days.high())
        },
        birth_weight: c.birth_weight.chosen.as_ref().and_then(|m| Some((m.value.div(Exact::int(1000))?, m.at))),
        weight,
        height: c.height.chosen.as_ref().map(|m| (m.value, m.at)),
        record: c
            .record
            .iter()
            .map(|(record, at)| {
                let record = match record {
                    patient::Record::Deceased => integrity::Record::Deceased,
                    patient::Record::Inactive => integrity::Record::Inactive,
                    patient::Record::Replaced => integrity::Record::Replaced,
                };
                (record, *at)
            })
            .collect(),
        weight_of_nobody: c.weight.chosen.as_ref().is_some_and(|m| c.subject_assumed.contains(&m.at)),
        inpatient,
        declared_missing: ContextKind::ALL
            .iter()
            .filter(|(kind, _)| settings.declared.contains(kind))
            .filter(|(kind, _)| sent_of(c, *kind).is_some_and(|sent| !sent.is_data()))
            .map(|(_, name)| *name)
            .collect(),
        declared_unread: ContextKind::ALL
            .iter()
            .filter(|(kind, _)| settings.declared.contains(kind) && sent_of(c, *kind).is_none())
            .map(|(_, name)| *name)
            .collect(),
        refused: c
            .refused
            .iter()
            .filter(|r| r.why != patient::Refusal::PatientOfAnotherOrder)
            .map(|r| (r.name.clone(), r.at))
            .collect(),
        set_aside,
    }
}

/// What was sent of a kind of context; `None` for kinds that are not read in any form yet.
fn sent_of<'c>(c: &'c Context<'_>, kind: ContextKind) -> Option<&'c patient::Sent> {
    match kind {
        ContextKind::Labs => Some(&c.labs),
        ContextKind::Allergies => Some(&c.allergies),
        ContextKind::Conditions => Some(&c.conditions),
        // Infusions are among the medicines.
        ContextKind::Medicines | ContextKind::OtherFluids => Some(&c.medicines),
        ContextKind::Devices => Some(&c.devices),
        ContextKind::Procedures => Some(&c.procedures),
        ContextKind::OtherOrders => Some(&c.other_orders),
        ContextKind::History => None,
    }
}

/// Computed orders by patient. One that names nobody is taken as the only patient's of the input, as other data is. An order
/// that was long over when another begins is no order beside it.
fn groups(drafts: &[Draft<'_>], gathered: &Gathered<'_>) -> Vec<Vec<usize>> {
    of_patients(drafts, gathered).into_iter().flat_map(|of_one| in_one_time(drafts, of_one)).collect()
}

fn of_patients(drafts: &[Draft<'_>], gathered: &Gathered<'_>) -> Vec<Vec<usize>> {
    let feeding = || drafts.iter().enumerate().filter(|(_, d)| gives(d));
    let mut out: Vec<(IdentityKey, Vec<usize>)> = Vec::new();
    let nobody = |d: &Draft<'_>| {
        d.context.person == patient::Person::Nobody && d.context.identity == crate::intake::bundle::Identity::default()
    };
    for (ix, d) in feeding().filter(|(_, d)| !nobody(d)) {
        match out.iter_mut().find(|(key, _)| *key == d.key) {
            Some((_, list)) => list.push(ix),
            None => out.push((d.key.clone(), vec![ix])),
        }
    }
    let only = gathered.patients == 1 && out.len() == 1;
    for (ix, d) in feeding().filter(|(_, d)| nobody(d)) {
        match out.first_mut().filter(|_| only) {
            Some((_, list)) => list.push(ix),
            None => out.push((d.key.clone(), vec![ix])),
        }
    }
    out.into_iter()
        .map(|(_, mut list)| {
            list.sort_unstable();
            list
        })
        .collect()
}

/// Orders of one patient, those apart that no day can hold with any of the rest.
fn in_one_time(drafts: &[Draft<'_>], of_one: Vec<usize>) -> Vec<Vec<usize>> {
    let apart =
        |a: usize, b: usize| drafts.get(a).zip(drafts.get(b)).is_some_and(|(a, b)| long_over(a, b) || long_over(b, a));
    let mut out: Vec<Vec<usize>> = Vec::new();
    for ix in of_one {
        let (meets, others): (Vec<_>, Vec<_>) =
            out.into_iter().partition(|group| group.iter().any(|other| !apart(ix, *other)));
        let mut group: Vec<usize> = meets.into_iter().flatten().chain([ix]).collect();
        group.sort_unstable();
        out = others;
        out.push(group);
    }
    out
}

/// Whether what is reckoned of an order's times has a day to be reckoned from.
fn dated(d: &Draft<'_>) -> bool {
    !d.plan.start_assumed || matches!(d.order.date_time.value(), Some(When::Instant { .. } | When::Day(..)))
}

/// Whether everything of one order ends days before anything of the other begins.
fn long_over(ended: &Draft<'_>, other: &Draft<'_>) -> bool {
    let all = |d: &Draft<'_>| (0..d.plan.lines.len()).collect::<Vec<_>>();
    let (end, begin) = (ends(ended, &all(ended)), begins_at(other, &all(other)));
    // With a day that is looked at between them, whichever hour it begins at.
    end.zip(begin).is_some_and(|(end, begin)| end.add(Exact::int(2 * DAY)).is_some_and(|end| end <= begin))
}

/// Whether the feeds of one order are surely over when those of the other begin.
fn over_before(ended: &Draft<'_>, other: &Draft<'_>) -> bool {
    let (end, begin) = (ends(ended, &feed_lines(&ended.plan)), begins_at(other, &feed_lines(&other.plan)));
    end.zip(begin).is_some_and(|(end, begin)| end <= begin)
}

/// The lines of a plan that feed.
fn feed_lines(plan: &Plan) -> Vec<usize> {
    let feeds = plan.parts.iter().filter(|p| p.kind == Kind::Feed);
    feeds.filter_map(|p| if let Source::Line(ix) = p.source { Some(ix) } else { None }).collect()
}

/// When the last of these lines of an order is over; `None` where one goes on, or that is not known.
fn ends(d: &Draft<'_>, lines: &[usize]) -> Option<Exact> {
    use crate::timing::schedule::{Dose, Occurrences};
    let end = |run: &Run| {
        let lasts = if let Dose::Volume { over, .. } = run.dose { over } else { Exact::ZERO };
        let end = if let Occurrences::Listed(at) = &run.occurrences { at.last().copied() } else { run.end };
        end.and_then(|end| end.add(lasts))
    };
    readings_of(d, lines)?.into_iter().map(end).collect::<Option<Vec<_>>>()?.into_iter().max()
}

/// When the first of these lines of an order begins at the earliest: one whose start is not stated no more than a day before
/// what is reckoned.
fn begins_at(d: &Draft<'_>, lines: &[usize]) -> Option<Exact> {
    use crate::timing::schedule::Occurrences;
    let begin = |run: &Run| {
        let stated = if let Occurrences::Listed(at) = &run.occurrences { at.first().copied() } else { run.start };
        stated.or_else(|| d.plan.start.sub(Exact::int(DAY)).filter(|_| dated(d)))
    };
    readings_of(d, lines)?.into_iter().map(begin).collect::<Option<Vec<_>>>()?.into_iter().min()
}

/// The readings of these lines; `None` where one of them is not known, or is counted from no day.
fn readings_of<'d>(d: &'d Draft<'_>, lines: &[usize]) -> Option<Vec<&'d Run>> {
    let lines: Vec<&Line> = lines.iter().map(|ix| d.plan.lines.get(*ix)).collect::<Option<_>>()?;
    let known = lines.iter().all(|line| line.high.is_some() && (line.length.is_none() || dated(d)));
    known.then(|| lines.into_iter().flat_map(Line::readings).collect())
}

/// Whether an order is one for a tube feed that counts.
fn gives(d: &Draft<'_>) -> bool {
    d.computed && d.order.formula.is_some()
}

/// The feeding orders whose patient may be that of the order of this number, and may be another.
fn whose(drafts: &[Draft<'_>], groups: &[Vec<usize>], gathered: &Gathered<'_>, ix: usize) -> Vec<At> {
    let Some((me, group)) = drafts.get(ix).zip(groups.iter().find(|g| g.contains(&ix))) else { return Vec::new() };
    let others = drafts.iter().enumerate().filter(|(nth, d)| gives(d) && !is_water(&d.plan) && !group.contains(nth));
    others.filter(|(_, d)| patient::may_be_same(gathered, &me.key, &d.key)).map(|(_, d)| d.order.at).collect()
}

fn combine(drafts: &[Draft<'_>], group: &[usize], settings: &Settings, total: Totalled) -> Combined {
    let mut plans: Vec<Plan> = group.iter().filter_map(|i| drafts.get(*i)).map(|d| d.plan.clone()).collect();
    end_flushes_of_ended_feeds(&mut plans);
    let weight = group.iter().filter_map(|i| drafts.get(*i)).find_map(|d| d.weight);
    let Windows { days, further, unseen, steady } = windows(&plans.iter().collect::<Vec<_>>(), settings);
    let lay_all = |w: Window, is_steady: bool| {
        let days: Vec<OrderDay> = plans.iter().map(|p| lay_plan(p, settings, w, is_steady)).collect();
        let pairs: Vec<(&Plan, &OrderDay)> = plans.iter().zip(&days).collect();
        let t = total(&pairs, weight.map(|(kg, _)| kg));
        (days, t)
    };
    Combined {
        orders: group.to_vec(),
        days: days.into_iter().map(|w| lay_all(w, false)).collect(),
        further: further.into_iter().map(|w| lay_all(w, false)).collect(),
        unseen,
        steady: steady.map(|w| lay_all(w, true)),
        weight,
        plans,
    }
}

/// Where the feed of one of several orders ends and another's goes on, whether the first one's flushes that state no end go on
/// is not stated: they may end with its feed.
fn end_flushes_of_ended_feeds(plans: &mut [Plan]) {
    let lines = |plan: &Plan, kind: Kind| -> Vec<usize> {
        let of = plan.parts.iter().filter(|p| p.kind == kind);
        of.filter_map(|p| if let Source::Line(ix) = p.source { Some(ix) } else { None }).collect()
    };
    let runs = |line: &Line| -> Vec<Run> { line.high.iter().chain(&line.also).cloned().collect() };
    // When the last feed is over; `None` where it goes on, or where that is not known.
    let over = |plan: &Plan| -> Option<Exact> {
        let feeds: Vec<Run> =
            lines(plan, Kind::Feed).iter().filter_map(|ix| plan.lines.get(*ix)).flat_map(runs).collect();
        feeds.iter().map(|run| run.end).collect::<Option<Vec<_>>>()?.into_iter().max()
    };
    let ends: Vec<Option<Exact>> =
        plans.iter().map(|p| if lines(p, Kind::Feed).is_empty() { None } else { over(p) }).collect();
    let feeds: Vec<bool> = plans.iter().map(|p| !lines(p, Kind::Feed).is_empty()).collect();
    for (ix, end) in ends.iter().enumerate() {
        let Some(end) = *end else { continue };
        let goes_on = |(other, (over, feeds)): (usize, (&Option<Exact>, &bool))| {
            other != ix && *feeds && over.is_none_or(|over| over > end)
        };
        if !ends.iter().zip(&feeds).enumerate().any(goes_on) {
            continue;
        }
        let Some(plan) = plans.get_mut(ix) else { continue };
        for flush in lines(plan, Kind::Flush) {
            let Some(line) = plan.lines.get_mut(flush).filter(|line| line.end.is_none()) else { continue };
            for run in [&mut line.low, &mut line.least].into_iter().flatten().filter(|run| run.end.is_none()) {
                run.end = Some(end);
            }
            let why = "whether its flushes go on after its feed, which another order's follows, is not stated";
            line.why.push(Why::Spread(why.to_owned()));
        }
    }
}

/// The other orders of the same patient, as the rules see them.
fn besides(drafts: &[Draft<'_>], groups: &[Vec<usize>], combined: &[Combined], ix: usize) -> Vec<Beside> {
    let Some(group) = groups.iter().find(|g| g.contains(&ix)) else { return Vec::new() };
    let Some(me) = drafts.get(ix) else { return Vec::new() };
    let all = combined.iter().find(|c| c.orders.contains(&ix));
    let together = all.map_or_else(String::new, |all| fullest(all, ix));
    group
        .iter()
        .filter(|i| **i != ix)
        .filter_map(|i| Some((*i, drafts.get(*i)?)))
        .map(|(nth, other)| Beside {
            at: other.order.at,
            feeds: !is_water(&other.plan) && !adds_only(other),
            stated: other.plan.parts.iter().any(|p| p.kind == Kind::Feed),
            overlaps: {
                let by_the_clock = || {
                    let mine = me.steady.as_ref().ok().or(me.days.last());
                    overlaps(&me.plan, mine, &other.plan, other.steady.as_ref().ok().or(other.days.last()))
                };
                // A length of time that is counted from no day ends on none.
                let placed = |d: &Draft<'_>| dated(d) || d.plan.lines.iter().all(|line| line.length.is_none());
                let seen =
                    placed(me) && placed(other) && all.is_some_and(|all| seen_together(all, &me.plan, &other.plan));
                let apart = over_before(me, other) || over_before(other, me);
                let met = || all.is_some_and(|all| meet_on_a_day(all, (ix, &me.plan), (nth, &other.plan)));
                !apart && (met() || !seen && by_the_clock())
            },
            identical: same_content(&me.plan, &other.plan),
            together: together.clone(),
        })
        .collect()
}

/// Whether one of several orders gives something on a day of all of them, as far as that is known; of an order that feeds, its
/// flushes alone are nothing.
fn gives_on(all: &Combined, ix: usize, day: &[OrderDay]) -> bool {
    let mine = all.orders.iter().position(|other| *other == ix).and_then(|nth| all.plans.get(nth).zip(day.get(nth)));
    mine.is_none_or(|(plan, day)| {
        let feeds = plan.parts.iter().any(|p| p.kind == Kind::Feed);
        let volumes = plan.parts.iter().zip(&day.volumes).filter(|(p, _)| !feeds || p.kind == Kind::Feed);
        let mut given = volumes.map(|(_, volume)| volume.high()).chain(day.doses.iter().map(Amount::high));
        given.any(|most| most.is_none_or(Exact::is_positive))
    })
}

/// What orders give together on the fullest of the days on which the one of this number gives something, and which that is; of
/// days that give the same, on the steady one.
fn fullest(all: &Combined, ix: usize) -> String {
    let mine = |day: &&(Vec<OrderDay>, Totals)| gives_on(all, ix, &day.0);
    let days = || all.days.iter().chain(&all.further).filter(mine);
    let first = all.days.first().and_then(|(days, _)| days.first()).map(|day| day.laid.window.start);
    let most = |t: &Totals| t.get(Measure::FormulaVolume).high();
    let mut chosen = all.steady.as_ref().ok().filter(mine).map(|(_, t)| (t, "the steady day".to_owned()));
    for (days, t) in days() {
        // More than is known is more than anything.
        let fuller = match &chosen {
            Some((so_far, _)) => most(so_far).is_some_and(|so_far| most(t).is_none_or(|most| most > so_far)),
            None => true,
        };
        if fuller {
            let nth = days.first().zip(first).and_then(|(day, first)| number_of(day.laid.window, first)).unwrap_or(1);
            chosen = Some((t, format!("day {nth}")));
        }
    }
    chosen.map_or_else(
        || "together: not known".to_owned(),
        |(t, on)| {
            format!(
                "together on {on}: {} of feed, {}",
                shown(t.get(Measure::FormulaVolume), 0, "mL"),
                shown(t.get(Measure::Energy), 0, "kcal")
            )
        },
    )
}

/// Whether every time at which two orders might run together lies in the days that are reported of all of them: both begin in
/// them, at known times, and one of the two is over.
fn seen_together(all: &Combined, a: &Plan, b: &Plan) -> bool {
    use crate::timing::schedule::{Dose, Occurrences, Run};
    let window = |day: Option<&(Vec<OrderDay>, Totals)>| Some(day?.0.first()?.laid.window);
    let (Some(first), Some(last)) = (window(all.days.first()), window(all.days.last())) else { return false };
    let runs = |plan: &Plan| -> Option<Vec<Run>> {
        let feeds = plan.parts.iter().filter(|p| p.kind == Kind::Feed);
        let lines = feeds.filter_map(|p| if let Source::Line(ix) = p.source { Some(ix) } else { None });
        lines.map(|ix| plan.lines.get(ix)?.high.clone()).collect()
    };
    let (Some(x), Some(y)) = (runs(a), runs(b)) else { return false };
    let listed = |run: &Run| match &run.occurrences {
        Occurrences::Listed(at) => at.last().copied(),
        _ => None,
    };
    let placed = |run: &Run| {
        let from = if let Occurrences::Listed(at) = &run.occurrences { at.first().copied() } else { run.start };
        from.is_some_and(|from| from >= first.start)
    };
    let over = |run: &Run| {
        let lasts = if let Dose::Volume { over, .. } = run.dose { over } else { Exact::ZERO };
        let end = listed(run).or(run.end).and_then(|end| end.add(lasts));
        end.is_some_and(|end| end <= last.end())
    };
    x.iter().chain(&y).all(placed) && (x.iter().all(over) || y.iter().all(over))
}

/// Whether feeds of two orders of those that are combined run at the same time on one of their days.
fn meet_on_a_day(all: &Combined, (a, plan_a): (usize, &Plan), (b, plan_b): (usize, &Plan)) -> bool {
    let place = |of: usize| all.orders.iter().position(|i| *i == of);
    let (Some(a), Some(b)) = (place(a), place(b)) else { return false };
    let feeds = |plan: &Plan, line: usize| {
        plan.parts.iter().any(|p| p.kind == Kind::Feed && matches!(p.source, Source::Line(ix) if ix == line))
    };
    all.days.iter().chain(&all.further).any(|(days, _)| {
        let (Some(x), Some(y)) = (days.get(a), days.get(b)) else { return false };
        let spans = |plan, day: &OrderDay| -> Vec<(Exact, Exact)> {
            day.laid.segments.iter().filter(|s| feeds(plan, s.line)).map(|s| (s.from, s.to)).collect()
        };
        let (mut x, mut y) = (spans(plan_a, x), spans(plan_b, y));
        x.sort_unstable();
        y.sort_unstable();
        // Of each order, what ends first lies before all that is left of the other, or meets the first of it.
        let (mut left, mut right) = (x.iter().peekable(), y.iter().peekable());
        while let (Some((f, t)), Some((g, u))) = (left.peek(), right.peek()) {
            if f < u && g < t || f == g {
                return true;
            }
            // One that is given at once at the very end of the other may meet what follows that.
            if t < u || t == u && f < t {
                left.next();
            } else {
                right.next();
            }
        }
        false
    })
}

/// The number of a day, from 1, where the first begins so; a day when clocks change is an hour shorter or longer.
fn number_of(day: Window, first: Exact) -> Option<usize> {
    let after = day.start.sub(first)?.div(Exact::int(DAY))?.add(Exact::ratio(1, 2))?;
    usize::try_from(after.floor()).ok()?.checked_add(1)
}

/// The orders of a patient that are judged by what they give together, and what they give on the days of that.
struct Together<'c> {
    plans: &'c [Plan],
    first: &'c [OrderDay],
    typical: &'c [OrderDay],
    /// Days on which they give more of something than on the typical one, with their numbers.
    fuller: Vec<(usize, &'c [OrderDay])>,
}

impl Together<'_> {
    fn on<'s>(&'s self, day: &'s [OrderDay]) -> Vec<(&'s Plan, &'s OrderDay)> {
        self.plans.iter().zip(day).collect()
    }
}

/// Orders that complement each other are judged together. What runs at the same times, or says the same, is a finding of its
/// own and may well be meant instead of the other.
fn together<'c>(drafts: &[Draft<'_>], combined: &'c [Combined], beside: &[Beside], ix: usize) -> Option<Together<'c>> {
    let gives = |d: &Draft<'_>| !d.plan.parts.is_empty();
    // Two waterings that say the same are no feed given twice.
    let complement = !beside.is_empty() && !beside.iter().any(|o| o.overlaps || o.feeds && o.identical);
    if !complement || !drafts.get(ix).is_some_and(gives) {
        return None;
    }
    let of = combined.iter().find(|c| c.orders.contains(&ix))?;
    // What the others give on days on which this one gives nothing is no finding of this one.
    let mine = |day: &&(Vec<OrderDay>, Totals)| gives_on(of, ix, &day.0);
    let (typical, _) = of.steady.as_ref().ok().filter(mine).or_else(|| {
        let last = |days: &'c [(Vec<OrderDay>, Totals)]| days.iter().rev().find(mine);
        last(&of.days).or_else(|| last(&of.further))
    })?;
    let first = of.days.iter().find(mine).map_or(typical, |(days, _)| days);
    let plans = &of.plans;
    let given = |day: &[OrderDay]| plans.iter().zip(day).flat_map(|(plan, day)| most_given(plan, day)).collect();
    let days = of.days.iter().chain(&of.further).filter(mine).map(|(days, _)| days.as_slice());
    let begins = of.days.first().and_then(|(days, _)| days.first()).map(|day| day.laid.window.start);
    let fuller = fuller(days.filter_map(|day| Some((day, day.first()?.laid.window))), begins, typical, given);
    Some(Together { first, typical, fuller, plans })
}

/// The most that a day gives of each product and of each additive given apart; `None` where there is no upper end.
fn most_given(plan: &Plan, day: &OrderDay) -> Vec<Option<Exact>> {
    let mut of_contents = vec![Some(Exact::ZERO); plan.contents.len()];
    for (part, volume) in plan.parts.iter().zip(&day.volumes) {
        if let Some(most) = of_contents.get_mut(part.content) {
            *most = most.zip(volume.high()).and_then(|(a, b)| a.add(b));
        }
    }
    of_contents.extend(day.doses.iter().map(Amount::high));
    of_contents
}

/// The days of an order on which more is given of something than on its typical one.
fn fuller_days<'d>(d: &'d Draft<'_>) -> Vec<(usize, &'d Day)> {
    let Some(typical) = d.steady.as_ref().ok().or(d.days.last()) else { return Vec::new() };
    let days = d.days.iter().chain(&d.further).map(|day| (day, day.0.laid.window));
    let begins = d.days.first().map(|(day, _)| day.laid.window.start);
    fuller(days, begins, typical, |(day, _)| most_given(&d.plan, day))
}

/// Those of the days that give more of something than the `typical`, with their numbers, of which that of the day
/// that `begins` so is 1, each kind of day once. A longer day, when clocks change, gives more by its length alone.
fn fuller<'d, D: ?Sized>(
    days: impl Iterator<Item = (&'d D, Window)>,
    begins: Option<Exact>,
    typical: &D,
    given: impl Fn(&D) -> Vec<Option<Exact>>,
) -> Vec<(usize, &'d D)> {
    let usual = given(typical);
    let more = |a: &Option<Exact>, b: &Option<Exact>| b.is_some_and(|b| a.is_none_or(|a| a > b));
    let mut seen: Vec<Vec<Option<Exact>>> = Vec::new();
    let mut out = Vec::new();
    for (day, window) in days {
        let first = begins.unwrap_or(window.start);
        if window.length > Exact::int(DAY) {
            continue;
        }
        let given = given(day);
        if given.iter().zip(&usual).any(|(a, b)| more(a, b)) && !seen.contains(&given) {
            out.push((number_of(window, first).unwrap_or(1), day));
            seen.push(given);
        }
    }
    out
}

fn same_content(a: &Plan, b: &Plan) -> bool {
    let lines =
        |p: &Plan| -> Vec<_> { p.lines.iter().map(|l| (l.low.clone(), l.high.clone(), l.rate, l.quantity)).collect() };
    let contents = |p: &Plan| -> Vec<_> { p.contents.iter().map(|c| (c.label.clone(), c.energy.clone())).collect() };
    !a.lines.is_empty() && lines(a) == lines(b) && contents(a) == contents(b)
}

/// When a feed runs, by the clock: seconds after midnight from when to when, and on which weekdays (bit 0 Monday, 0 all).
type ByTheClock = (Exact, Exact, u8);

/// When the feeds of an order run, by the clock; `None` where that is not known.
fn by_the_clock(plan: &Plan, day: &Day) -> Option<Vec<ByTheClock>> {
    use crate::timing::schedule::{Dose, Occurrences};
    let local = day.0.laid.window.local;
    let clock = |x: Exact| {
        let at = local.add(x)?;
        let days = at.div(Exact::int(DAY))?.floor();
        at.sub(Exact::whole(days.checked_mul(i128::from(DAY))?)?)
    };
    let mut out = Vec::new();
    for part in plan.parts.iter().filter(|p| p.kind == Kind::Feed) {
        let Source::Line(ix) = part.source else { continue };
        let run = plan.lines.get(ix)?.high.as_ref()?;
        match (&run.occurrences, run.dose) {
            // Not every day: the day that was laid out may be one without it.
            (Occurrences::Clock { interval, times, weekdays }, Dose::Volume { over, .. })
                if *weekdays != 0 || *interval > 1 =>
            {
                for time in times {
                    let from = Exact::int(*time);
                    out.push((from, from.add(over)?, *weekdays));
                }
            }
            (Occurrences::Every { .. }, _) if run.start.is_none() => return None,
            (Occurrences::Every { weekdays, .. }, _) if *weekdays != 0 => return None,
            _ => {
                for s in day.0.laid.segments.iter().filter(|s| s.line == ix) {
                    let from = clock(s.from)?;
                    out.push((from, from.add(s.to.sub(s.from)?)?, 0));
                }
            }
        }
    }
    Some(out)
}

/// Whether two orders give feed at the same clock time of a day. Unknown times overlap: nothing says not.
fn overlaps(a: &Plan, day_a: Option<&Day>, b: &Plan, day_b: Option<&Day>) -> bool {
    let spans = |plan: &Plan, day: Option<&Day>| by_the_clock(plan, day?);
    let (Some(x), Some(y)) = (spans(a, day_a), spans(b, day_b)) else { return true };
    x.iter().any(|(f, t, on)| {
        y.iter().any(|(g, u, also)| {
            let meets = |f: Exact, t: Exact, g: Exact, u: Exact| f < u && g < t || f == g;
            let day = Exact::int(DAY);
            // One that runs past midnight runs on into a day that is not named.
            let past_midnight = *t > day || *u > day;
            let same_day = *on == 0 || *also == 0 || on & also != 0 || past_midnight;
            same_day
                && (meets(*f, *t, *g, *u)
                    || g.add(day).zip(u.add(day)).is_some_and(|(g, u)| meets(*f, *t, g, u))
                    || f.add(day).zip(t.add(day)).is_some_and(|(f, t)| meets(f, t, *g, *u)))
        })
    })
}

/// The other orders of the patient.
struct Others<'o> {
    beside: &'o [Beside],
    /// Those whose patient may be this one.
    whose: &'o [At],
    /// Where they are judged together with this one.
    together: Option<&'o Together<'o>>,
    /// Where some run at the same times as this one: what all of them give.
    sum: Option<&'o Combined>,
}

/// Whether an order gives additives and names no feed.
fn adds_only(d: &Draft<'_>) -> bool {
    let named = d.order.formula.as_ref().is_some_and(|f| f.base.is_some() || !f.administrations.is_empty());
    !named && !d.plan.doses.is_empty() && d.plan.parts.iter().all(|p| p.kind == Kind::Flush)
}

/// Whether an order gives water and no feed.
fn is_water(plan: &Plan) -> bool {
    use crate::formulary::product::Form;
    !plan.parts.is_empty()
        && plan.parts.iter().all(|p| p.kind == Kind::Flush)
        && plan.contents.iter().all(|c| c.form == Some(Form::Water))
}

fn report<'a, 'd>(
    d: Draft<'d>,
    Others { beside, whose, together, sum }: Others<'_>,
    others_sent: bool,
    by: Institution<'a>,
    (gathered, sent, products): (&Gathered<'d>, &Sent, &[(At, Product)]),
) -> OrderReport<'a> {
    let Institution { formulary, rulebook: book, settings } = by;
    let mut judged: Vec<Judged<'a>> = Vec::new();
    let (mut shadow, mut unlisted) = (Vec::new(), Vec::new());
    if d.computed {
        let foods_not_known =
            if d.order.excluded.is_empty() { Vec::new() } else { rulebook::case::foods_not_known(&d.order, book) };
        let (first, typical) = together.map_or_else(Default::default, |all| (all.on(all.first), all.on(all.typical)));
        let from = FactsFrom {
            order: &d.order,
            plan: &d.plan,
            days: &d.days,
            further: &d.further,
            steady: d.steady.as_ref().ok(),
            together: [&first, &typical],
            context: &d.context,
            gathered,
            formulary,
            sent: products,
            settings,
            book,
            tests: &patient::laboratory::TESTS,
            holds: &rulebook::judge::holds,
        };
        let facts = CaseFacts::new(from);
        let (pumps, stops) = (facts.pumps(), facts.stops());
        let case = Case {
            order: &d.order,
            problems: &d.problems,
            plan: &d.plan,
            days: &d.days,
            further: &d.further,
            steady: d.steady.as_ref().ok(),
            person: &d.facts,
            formulary,
            settings,
            beside,
            others_sent,
            whose,
            foods_not_known: &foods_not_known,
            pumps: &pumps,
            stops: &stops,
        };
        let on = d.context.reference.as_ref().map(|r| r.date);
        judged.extend(integrity::judge(&case, &|id| rulebook::judge::switched_off(book, id, on)));
        sent_warnings(&mut judged, &d.plan, sent);
        if !book.is_empty() {
            let fed = beside.iter().any(|o| o.feeds);
            let day = match together {
                None if sum.is_some() => Looked::Beside,
                None => Looked::Typical,
                Some(all) => Looked::Together(all.plans.len().saturating_sub(1)),
            };
            let about = Circumstances {
                declared: &settings.declared,
                on,
                order: d.order.at,
                day,
                water: is_water(&d.plan),
                fed,
            };
            let others = together.map_or(0, |all| all.plans.len().saturating_sub(1));
            let of_all: Vec<(usize, Vec<(&Plan, &OrderDay)>)> =
                together.iter().flat_map(|all| all.fuller.iter().map(|(nth, day)| (*nth, all.on(day)))).collect();
            let own = fuller_days(&d).into_iter().map(|(day, totals)| {
                let from = FactsFrom { steady: Some(totals), together: [&[], &[]], ..from };
                (Looked::Fuller { day, others: 0 }, CaseFacts::new(from))
            });
            let with_others = of_all.iter().map(|(day, given)| {
                let from = FactsFrom { together: [&first, given], ..from };
                (Looked::Fuller { day: *day, others }, CaseFacts::new(from))
            });
            let pairs = |day| sum.map_or_else(Vec::new, |all| all.plans.iter().zip(day).collect::<Vec<_>>());
            let typical_sum = sum.and_then(|all| all.steady.as_ref().ok().or(all.days.last()));
            let first_sum = sum.and_then(|all| all.days.first()).or(typical_sum);
            let of_sum = [first_sum, typical_sum].map(|day| day.map_or_else(Vec::new, |(days, _)| pairs(days)));
            let in_sum = sum.map(|all| {
                let [first, typical] = &of_sum;
                let others = all.plans.len().saturating_sub(1);
                (Looked::Sum(others), CaseFacts::new(FactsFrom { together: [first, typical], ..from }))
            });
            let fuller: Vec<(Looked, CaseFacts<'_>)> = own.chain(with_others).chain(in_sum).collect();
            shadow = rulebook::judge::add_limits(book, &facts, &about, &fuller, &mut judged);
            unlisted = facts.unlisted();
        }
    } else {
        let why = match d.order.status.value() {
            Some(Status::EnteredInError) => "the order was entered in error",
            Some(Status::Revoked) => "the order is revoked",
            Some(Status::Completed) => "the order is completed",
            _ => "the order has no tube feed (enteralFormula)",
        };
        judged.extend(integrity::not_judged(why, &d.order));
        let rules = book.limits.iter().map(|l| &l.rule).chain(book.waiting.iter().map(|w| &w.rule));
        judged.extend(rules.map(|rule| Judged { rule, outcome: Outcome::NotApplicable(why.into()) }));
    }
    let assumptions = assumptions_of(&d, settings);
    let needs = needs_inputs(&d.context, d.weight.map(|(kg, _)| kg));
    let label = d.order.id.as_ref().map_or_else(|| "order without an id".to_owned(), |id| cut(id));
    OrderReport {
        at: d.order.at,
        label,
        id: d.order.id.map(std::borrow::Cow::into_owned),
        computed: d.computed,
        plan: d.plan,
        days: d.days,
        steady: d.steady,
        steady_repeats: d.repeats,
        judged,
        shadow,
        unlisted,
        weight: d.weight,
        needs,
        assumptions,
        person: d.key,
    }
}

/// Warnings about the figures of a product that was sent with the order.
fn sent_warnings(judged: &mut [Judged<'_>], plan: &Plan, sent: &Sent) {
    use crate::findings::{Finding, Tier};
    let mut findings = Vec::new();
    for content in &plan.contents {
        if let crate::nutrition::content::From::Sent(ix) = content.from
            && let Some((at, _, warnings)) = sent.get(ix)
        {
            for w in warnings {
                findings.push(Finding {
                    tier: Tier::Med,
                    text: format!("The product sent with the order, {}: {}", element_of(&content.label, w), w.text),
                    arithmetic: None,
                    fix: None,
                    at: vec![*at],
                    code: None,
                    correction: None,
                    excess: None,
                });
            }
        }
    }
    if findings.is_empty() {
        return;
    }
    if let Some(j) = judged.iter_mut().find(|j| j.rule.id == "NUT-09") {
        match &mut j.outcome {
            Outcome::Flagged(f) => f.extend(findings),
            Outcome::Off(_) => {}
            other => *other = Outcome::Flagged(findings),
        }
    }
}

/// What of a product that was sent a warning is about, as the resource names it: nobody who sends one knows our table.
fn element_of(product: &str, warning: &FormularyProblem) -> String {
    const UNITS: [&str; 8] = ["kcal", "g", "mg", "mmol", "mL", "mosm", "kg", "L"];
    match &warning.column {
        None => product.to_owned(),
        Some(column) => {
            let words: Vec<&str> = column.name.split('_').filter(|word| !UNITS.contains(word)).collect();
            format!("{product}, {}", words.join(" "))
        }
    }
}

fn needs_inputs(c: &Context<'_>, kg: Option<Exact>) -> needs::Inputs {
    let age = c.age_days();
    needs::Inputs {
        sex: match c.sex {
            patient::Sex::Male => Some(needs::Sex::Male),
            patient::Sex::Female => Some(needs::Sex::Female),
            patient::Sex::Unknown => None,
        },
        age_days: age.low().zip(age.high()),
        weight_kg: kg,
        height_cm: c.height.value(),
        birth_weight_kg: c.birth_weight.value().and_then(|g| g.div(Exact::int(1000))),
        gestational_weeks: c.gestation_days().and_then(|d| d.div(Exact::int(7))),
        ..needs::Inputs::default()
    }
}

fn assumptions_of(d: &Draft<'_>, settings: &Settings) -> Vec<(Assumption, Vec<At>)> {
    let mut found: Vec<(Assumption, Vec<At>)> = Vec::with_capacity(8);
    let mut add = |a: Assumption, at: At| match found.iter_mut().find(|(known, _)| *known == a) {
        Some((_, places)) if places.len() >= findings::MOST_PLACES || places.contains(&at) => {}
        Some((_, places)) => places.push(at),
        None => found.push((a, vec![at])),
    };
    let here = d.order.at;
    if settings.demo {
        add(Assumption::DemoData, here);
    }
    if d.computed {
        for n in &d.plan.notes {
            match &n.note {
                Note::Assumed(a) => add(*a, n.at),
                Note::Unit(_, crate::units::UnitNote::CalorieReadAsKilocalorie { .. }) => {
                    add(Assumption::CalorieIsKilocalorie, n.at)
                }
                Note::Unit(_, crate::units::UnitNote::AliasUsed { .. }) => add(Assumption::UnitAlias, n.at),
                _ => {}
            }
        }
        for group in &d.plan.settled.steps {
            for ix in group {
                add(Assumption::StepsOfOneFeed, d.plan.lines.get(*ix).map_or(here, |l| l.at));
            }
        }
        let feeds: Vec<usize> = d
            .plan
            .parts
            .iter()
            .filter(|p| p.kind == Kind::Feed)
            .filter_map(|p| if let Source::Line(ix) = p.source { Some(ix) } else { None })
            .collect();
        let in_steps: usize = d.plan.settled.steps.iter().map(Vec::len).sum();
        if feeds.len() > 1 && feeds.len() > in_steps {
            for ix in &feeds {
                add(Assumption::EntriesAddUp, d.plan.lines.get(*ix).map_or(here, |l| l.at));
            }
        }
        for content in &d.plan.contents {
            for a in &content.assumptions {
                add(*a, d.order.formula.as_ref().map_or(here, |f| f.at));
            }
        }
        if let Some(cap) = d.plan.cap {
            if cap.period_assumed {
                add(Assumption::CapPerDay, cap.at);
            }
            if d.plan.parts.iter().any(|p| p.kind == Kind::Flush) {
                add(Assumption::CapFormulaOnly, cap.at);
            }
            if cap.period != Exact::int(DAY) {
                add(Assumption::CapAnyStretch, cap.at);
            } else if settings.asked.kind == DayKind::Civil {
                add(Assumption::CapScaled, cap.at);
            }
        }
        for dose in &d.plan.doses {
            add(Assumption::AdditivePer, dose.at);
        }
        if !d.plan.lines.is_empty() {
            add(
                if settings.asked.kind == DayKind::Civil { Assumption::ClockSteps } else { Assumption::ElapsedDay },
                here,
            );
            if d.plan.start_assumed {
                add(Assumption::StartFromOrder, d.order.date_time.at().unwrap_or(here));
            }
        }
        if let Ok((day, _)) = &d.steady
            && day.laid.lines.iter().any(|l| matches!(&l.volume, Amount::Range(span) if span.mean.is_some()))
        {
            add(Assumption::RepeatingCycle, here);
        }
        if let Some((_, at)) = d.weight {
            add(Assumption::WeightLatest, at);
        }
        if let Some(patient::ReferenceTime { source: ReferenceSource::OrderDateAtNoon(at), .. }) = d.context.reference {
            add(Assumption::NoonOfDate, at);
        }
        if d.plan.contents.iter().any(|c| c.form.is_some()) {
            add(Assumption::EnergyFactors, here);
        }
    }
    found.sort_unstable_by_key(|(a, _)| *a);
    found
}
