//! CDS Hooks 2.0 (HL7): the request an order-entry system sends before an order is signed, to the cards a prescriber
//! sees. Pure: bytes in, JSON out; no clock, no I/O, and ids that follow from the content.
//!
//! 1. [`request`] reads the request and names what is malformed by its JSON Pointer.
//! 2. [`prefetch`] tells for every key whether it is there, empty, absent, an error, or not usable; [`fetch`] says what
//!    of it may be fetched, and what came of that.
//! 3. [`evaluate`] appraises the draft orders, as everything else does.
//! 4. [`card`] says what there is to say to the prescriber; [`suggestion`] offers corrections that were tried.

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

pub mod card;
pub mod compose;
pub mod evaluate;
pub mod feedback;
pub mod fetch;
pub mod markdown;
pub mod prefetch;
pub mod request;
pub mod service;
pub mod suggestion;

use crate::answer::{self, PROGRAM};
use crate::appraise::Institution;
use crate::findings::{Disposition, Tier};
use crate::settings::NothingChecked;
use crate::sheet::Offer;
use card::Card;
use evaluate::{Evaluated, Fate};
use fetch::Fetched;
use request::Malformed;
use serde::Serialize;
use service::Service;
use std::collections::BTreeMap;
use suggestion::{Again, Tried};

/// Key of what this service adds to a response, beside what the specification defines.
pub const EXTENSION: &str = "example.enteral-gate";

/// The answer to a hook.
#[derive(Clone, Debug)]
pub struct Answered {
    /// The response, compact JSON; an OperationOutcome when nothing at all was evaluated and the client asks for
    /// HTTP status 412 then.
    pub body: String,
    /// Whether it is that refusal.
    pub nothing_checked: bool,
    /// The gravest of the judged orders in one word, `none` without any.
    pub disposition: &'static str,
    /// Counts, without anything of a person or an order.
    pub tally: Tally,
    said: Said,
}

/// What an answer is written from.
#[derive(Clone, Debug)]
struct Said {
    cards: Vec<Card>,
    extension: Extension,
    /// By order of the extension: its card.
    card_of: Vec<Option<usize>>,
}

/// A draft with what came of it, for whoever keeps it.
pub struct Seen<'s, 'a> {
    /// The request with its orders judged.
    pub evaluated: &'s Evaluated<'a>,
    /// The draft.
    pub draft: &'s evaluate::Draft,
    /// What became of it.
    pub fate: Fate<'s, 'a>,
    /// The id of the card about it, or about the request as a whole where the draft was not judged.
    pub card: Option<&'s str>,
    /// Ids of the rules with a finding on that card.
    pub shown: &'s [String],
    /// The corrections of its findings, as they were tried.
    pub offers: &'s [Offer],
}

/// An order of an answer that is on the queue.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Queued {
    /// The address of its page; `None` where this service has no address.
    pub page: Option<String>,
    /// It was received with the same content before.
    pub before: bool,
}

impl Answered {
    /// An answer of this body, without cards that are known.
    pub fn plain(body: String, disposition: &'static str) -> Self {
        let said = Said { cards: Vec::new(), extension: Extension::default(), card_of: Vec::new() };
        Self { body, nothing_checked: false, disposition, tally: Tally::default(), said }
    }

    /// The response when the orders that are for the queue (`kept`, by their place among the drafts) were recorded
    /// durably, or could not be. What is on no card must not be lost then: the prescriber is told. `queued` are those on the
    /// queue, in the order of `kept`.
    pub fn body_when(&self, kept: &[bool], recorded: bool, queued: Vec<Queued>) -> String {
        let mut queued = queued.into_iter();
        if self.nothing_checked || !kept.contains(&true) {
            return self.body.clone();
        }
        let mut said = self.said.clone();
        let kept = |nth: usize| kept.get(nth).copied().unwrap_or_default();
        for (nth, order) in said.extension.orders.iter_mut().enumerate().filter(|(nth, _)| kept(*nth)) {
            order.recorded = Some(recorded);
            if recorded {
                let card = said.card_of.get(nth).copied().flatten().and_then(|card| said.cards.get_mut(card));
                let Some(item) = queued.next() else { continue };
                order.received_before = Some(item.before);
                if let Some(card) = card {
                    if let Some(url) = item.page {
                        card.linked(&order.order, url);
                    }
                    if item.before {
                        card.not_new();
                    }
                }
                continue;
            }
            match said.card_of.get(nth).copied().flatten().and_then(|card| said.cards.get_mut(card)) {
                Some(card) => card.not_recorded(),
                None => said.cards.push(card::only_not_recorded(&order.order, order.not_on_card.values().sum())),
            }
        }
        said.written()
    }
}

/// What was counted over one request.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Tally {
    /// Draft NutritionOrders by what became of them.
    pub orders: BTreeMap<&'static str, usize>,
    /// Cards by indicator.
    pub cards: BTreeMap<&'static str, usize>,
    /// Findings on a card.
    pub shown: usize,
    /// Reminders of the program's own rules.
    pub reminders: usize,
    /// Findings that are not for the card, by who can act on them.
    pub not_on_card: BTreeMap<&'static str, usize>,
    /// Corrections offered.
    pub offered: usize,
    /// Corrections that were tried and not offered.
    pub withheld: usize,
    /// State of every prefetch key.
    pub prefetch: Vec<(&'static str, &'static str)>,
    /// What came of the keys that were to be fetched.
    pub fetched: BTreeMap<&'static str, &'static str>,
}

#[derive(Serialize)]
struct Response<'r> {
    cards: &'r [Card],
    extension: BTreeMap<&'static str, &'r Extension>,
}

/// What was done with the request, for the client's log and for people who look into a missing card.
#[derive(Clone, Debug, Default, Serialize)]
#[serde(rename_all = "camelCase")]
struct Extension {
    #[serde(skip_serializing_if = "Vec::is_empty")]
    orders: Vec<OrderSummary>,
    prefetch: BTreeMap<&'static str, &'static str>,
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    fetched: BTreeMap<&'static str, &'static str>,
    program: &'static str,
    rulebook: String,
    formulary: String,
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    demo: bool,
}

#[derive(Clone, Debug, Serialize)]
#[serde(rename_all = "camelCase")]
struct OrderSummary {
    order: String,
    disposition: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    rules: Option<answer::Counts>,
    #[serde(skip_serializing_if = "Option::is_none")]
    findings: Option<usize>,
    #[serde(skip_serializing_if = "Option::is_none")]
    reminders: Option<usize>,
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    not_on_card: BTreeMap<&'static str, usize>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    not_provided: Vec<String>,
    /// Whether it is in the queue, durably; nothing where there is nothing to record, or nowhere.
    #[serde(skip_serializing_if = "Option::is_none")]
    recorded: Option<bool>,
    #[serde(skip_serializing_if = "Option::is_none")]
    received_before: Option<bool>,
}

/// Answers a hook by what the request holds.
///
/// # Errors
/// The first thing in the request that cannot be read.
pub fn answer(input: &[u8], service: &Service, by: Institution<'_>) -> Result<Answered, Malformed> {
    answer_with(input, service, by, Fetched::default())
}

/// Answers a hook by what the request holds and what was fetched beside it.
///
/// # Errors
/// As [`answer()`]; nothing that was fetched is one.
pub fn answer_with(
    input: &[u8],
    service: &Service,
    by: Institution<'_>,
    fetched: Fetched,
) -> Result<Answered, Malformed> {
    answer_seen(input, service, by, fetched, None)
}

/// Who is shown a draft.
pub type See<'s> = &'s mut dyn FnMut(Seen<'_, '_>);

/// The same, and shows every draft with what came of it, after the corrections that are on no card were tried as well.
///
/// # Errors
/// As [`answer()`].
pub fn answer_seen(
    input: &[u8],
    service: &Service,
    by: Institution<'_>,
    mut fetched: Fetched,
    see: Option<See<'_>>,
) -> Result<Answered, Malformed> {
    let mut document = request::document(input)?;
    let woven = fetched.woven(&document);
    if let Some(woven) = &woven {
        match request::with_fetched(woven.as_bytes()) {
            Ok(both) => document = both,
            Err(_) => fetched.lost(),
        }
    }
    let version = request::version_of_client(document.root(), &by.settings.hooks);
    let request = request::read(document.root(), service, version)?;
    let sent = evaluate::sort(document.root(), &request, &fetched, &by.settings.hooks);
    let settings = evaluate::settings(&sent, by.settings);
    let by = Institution { settings: &settings, ..by };
    let text = document.text();
    let evaluated = evaluate::evaluate(document, &request, sent, by);

    let mut tally = Tally {
        prefetch: evaluated.sent.keys.iter().map(|k| (k.key.name, k.state.word())).collect(),
        fetched: outcomes(&evaluated, &fetched),
        ..Tally::default()
    };
    let (mut cards, mut orders, mut card_of, mut offers_of) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    let (mut judged, mut asked) = (false, false);
    let mut gravest: Option<Disposition> = None;
    let mut again = Again::new((text, &fetched), service, by, &evaluated);
    for (nth, draft) in evaluated.sent.drafts.iter().enumerate() {
        let (mut own, mut tried) = (None, Vec::new());
        let fate = evaluated.fate(nth);
        let word = match &fate {
            Fate::NotSelected => "not-selected",
            Fate::NotATubeFeed => "not-a-tube-feed",
            Fate::NotRead => {
                asked = true;
                gravest = gravest.max(Some(Disposition::NotFullyChecked));
                "not-read"
            }
            Fate::AnotherPatient => {
                asked = true;
                gravest = gravest.max(Some(Disposition::NotFullyChecked));
                "another-patient"
            }
            Fate::Judged(report) => {
                asked = true;
                judged |= evaluate::anything_judged(report);
                let sorted = card::sort(report, by.rulebook);
                let disposition = evaluated.disposition(report);
                gravest = gravest.max(Some(disposition));
                tally.shown += sorted.shown.len();
                tally.reminders += sorted.reminders.len();
                for (who, n) in &sorted.not_on_card {
                    *tally.not_on_card.entry(who).or_default() += n;
                }
                let Tried { suggestions, withheld, offers } =
                    suggestion::suggestions(&mut again, (nth, draft, report), &sorted);
                tried = offers;
                tally.offered += suggestions.len();
                tally.withheld += withheld;
                let card = card::of_order(&evaluated, draft, report, &sorted, suggestions);
                own = card.as_ref().map(|_| cards.len());
                cards.extend(card);
                let (not_sent, _) = answer::not_provided(&report.judged);
                orders.push(OrderSummary {
                    order: draft.name.clone(),
                    disposition: disposition.code(),
                    rules: Some(answer::counts(report)),
                    findings: Some(sorted.shown.len()),
                    reminders: Some(sorted.reminders.len()),
                    not_on_card: sorted.not_on_card.clone(),
                    not_provided: not_sent.iter().map(|(what, _)| (*what).to_owned()).collect(),
                    recorded: None,
                    received_before: None,
                });
                disposition.code()
            }
        };
        *tally.orders.entry(word).or_default() += 1;
        if !matches!(fate, Fate::Judged(_)) {
            orders.push(OrderSummary {
                order: draft.name.clone(),
                disposition: word,
                rules: None,
                findings: None,
                reminders: None,
                not_on_card: BTreeMap::new(),
                not_provided: Vec::new(),
                recorded: None,
                received_before: None,
            });
        }
        card_of.push(own);
        offers_of.push(tried);
    }
    if let Some(general) = card::of_request(&evaluated) {
        gravest = gravest.max(Some(Disposition::NotFullyChecked));
        asked = true;
        cards.insert(0, general);
        for (nth, own) in card_of.iter_mut().enumerate() {
            *own = match (&*own, evaluated.fate(nth)) {
                (Some(card), _) => Some(card + 1),
                (None, Fate::NotRead | Fate::AnotherPatient) => Some(0),
                (None, _) => None,
            };
        }
    }
    card::number(&mut cards);
    if let Some(see) = see {
        for (nth, ((draft, own), offers)) in evaluated.sent.drafts.iter().zip(&card_of).zip(&mut offers_of).enumerate()
        {
            let fate = evaluated.fate(nth);
            let mut shown = Vec::new();
            if let Fate::Judged(report) = &fate {
                let sorted = card::sort(report, by.rulebook);
                shown.extend(sorted.shown.iter().map(|(rule, _)| rule.id.to_string()));
                shown.sort();
                shown.dedup();
                suggestion::try_the_others(&mut again, (nth, draft, report), &sorted, offers);
            }
            let card = own.and_then(|own| cards.get(own)).map(|card| card.uuid.as_str());
            see(Seen { evaluated: &evaluated, draft, fate, card, shown: &shown, offers });
        }
    }
    for card in &cards {
        *tally.cards.entry(card.indicator).or_default() += 1;
    }
    let disposition = gravest.map_or("none", Disposition::code);
    let said = Said { extension: extension(by, &tally, orders), cards, card_of };
    if asked && !judged && by.settings.hooks.nothing_checked == NothingChecked::Status412 {
        let why: Vec<&str> = said.cards.iter().map(|c| c.summary.as_str()).collect();
        let body = answer::refusal_json(&format!("Nothing could be checked. {}", why.join(" ")), "incomplete");
        return Ok(Answered { body, nothing_checked: true, disposition, tally, said });
    }
    Ok(Answered { body: said.written(), nothing_checked: false, disposition, tally, said })
}

/// The drafts of a request, none of them judged: for when judging failed.
///
/// # Errors
/// As [`answer()`].
pub fn unjudged<'a>(input: &'a [u8], service: &Service, by: Institution<'a>) -> Result<Evaluated<'a>, Malformed> {
    let document = request::document(input)?;
    let version = request::version_of_client(document.root(), &by.settings.hooks);
    let request = request::read(document.root(), service, version)?;
    let sent = evaluate::sort(document.root(), &request, &Fetched::default(), &by.settings.hooks);
    Ok(evaluate::unjudged(document, &request, sent, by))
}

/// What came of the keys that were to be fetched, in a word: `fetched`, `in-part`, or why not.
fn outcomes(evaluated: &Evaluated<'_>, fetched: &Fetched) -> BTreeMap<&'static str, &'static str> {
    let tried = fetched.keys.iter().map(|(key, got)| match got {
        Ok(found) if found.cut.is_some() => (*key, "in-part"),
        Ok(_) => (*key, "fetched"),
        Err(why) => (*key, why.word()),
    });
    let not_listed = evaluated.sent.not_listed.iter().map(|key| (*key, fetch::Why::NotListed.word()));
    tried.chain(not_listed).collect()
}

fn extension(by: Institution<'_>, tally: &Tally, orders: Vec<OrderSummary>) -> Extension {
    Extension {
        orders,
        prefetch: tally.prefetch.iter().copied().collect(),
        fetched: tally.fetched.clone(),
        program: PROGRAM,
        rulebook: answer::book(by.rulebook).into_owned(),
        formulary: format!("{} ({})", by.formulary.label(), by.formulary.hash()),
        demo: by.settings.demo,
    }
}

impl Said {
    fn written(&self) -> String {
        let response = Response { cards: &self.cards, extension: BTreeMap::from([(EXTENSION, &self.extension)]) };
        // Texts and numbers only: cannot fail; an answer without cards would say that all is well.
        serde_json::to_string(&response).unwrap_or_else(|_| not_checked("the answer could not be written", None))
    }
}

/// A response of one card that says that nothing was checked, for when the program itself gave up; and whether the orders
/// are on the queue, where one is kept.
pub fn not_checked(why: &str, queue: Option<card::OnQueue>) -> String {
    let card = card::not_checked(why, queue);
    let response = serde_json::json!({ "cards": [card] });
    response.to_string()
}

/// The indicator of a tier.
pub const fn indicator(tier: Tier) -> &'static str {
    match tier {
        Tier::Stop | Tier::High => "critical",
        Tier::Med => "warning",
        Tier::Low => "info",
    }
}
