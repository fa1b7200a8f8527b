//! From a request to judged orders: what of it is looked at, and what came of each draft.

use super::fetch::Fetched;
use super::prefetch::{self, Sent, State, Whose, whose};
use super::request::Request;
use crate::appraise::{Appraisal, Institution, OrderReport, Piece, check_pieces};
use crate::findings::{Disposition, Outcome, Tier};
use crate::intake::bundle::{defects, split_version};
use crate::intake::json::{Document, Node};
use crate::intake::order::{At, Problem};
use crate::intake::resource_types::is_known;
use crate::settings::{ContextKind, Hooks, Settings};
use std::borrow::Cow;

/// A NutritionOrder of `draftOrders`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Draft {
    /// Where.
    pub at: At,
    /// Its id.
    pub id: Option<String>,
    /// Its name for people: `NutritionOrder/abc`.
    pub name: String,
    selected: bool,
    another_patient: bool,
}

/// What of a request is looked at.
#[derive(Clone, Debug)]
pub struct SentAlong {
    /// Every prefetch key.
    pub keys: Vec<Sent>,
    /// The draft NutritionOrders.
    pub drafts: Vec<Draft>,
    /// Selections that fit no draft, by their JSON Pointer.
    pub not_found: Vec<String>,
    /// Places of `draftOrders` that hold an order inside another resource, by their JSON Pointer.
    pub inside: Vec<String>,
    /// Places of `draftOrders` that hold no resource of a type that FHIR has, by their JSON Pointer.
    pub unread: Vec<String>,
    /// What is wrong with `draftOrders` and with the Bundle of other orders themselves: what they hold is taken out of them.
    pub defects: Vec<Problem>,
    /// Keys that were neither sent nor fetched, because the request names a FHIR server that is not listed.
    pub not_listed: Vec<&'static str>,
    pieces: Vec<Piece>,
}

impl SentAlong {
    /// Whether there is a draft to be judged, as far as can be told before: one for the patient of the hook, selected,
    /// and of more than food by mouth.
    pub fn judges(&self, root: Node<'_>) -> bool {
        let by_mouth = |draft: &Draft| orders_food_by_mouth(root.of_same_document(draft.at));
        self.drafts.iter().any(|draft| draft.selected && !draft.another_patient && !by_mouth(draft))
    }
}

/// A request with its orders judged.
pub struct Evaluated<'a> {
    /// The appraisal of drafts and active orders.
    pub appraisal: Appraisal<'a>,
    /// What was looked at.
    pub sent: SentAlong,
    /// Id of the patient of the request, without its type.
    pub patient: String,
}

/// What became of a draft.
pub enum Fate<'e, 'a> {
    /// It was judged.
    Judged(&'e OrderReport<'a>),
    /// The user did not select it: it was looked at as an order beside the others.
    NotSelected,
    /// It orders food by mouth and no tube feed.
    NotATubeFeed,
    /// It names another patient than the hook.
    AnotherPatient,
    /// It could not be read as an order at all.
    NotRead,
}

/// What of the request is looked at. Other drafts than NutritionOrders count as context only where the client has
/// sent, or has looked for, what exists of their kind: a draft medicine alone does not say which medicines there are.
pub fn sort(root: Node<'_>, request: &Request, fetched: &Fetched, hooks: &Hooks) -> SentAlong {
    let keys = prefetch::keys(root, request, fetched, hooks);
    let absent = keys.iter().filter(|sent| fetched.not_listed && sent.state == State::Absent);
    let mut out = SentAlong {
        not_listed: absent.map(|sent| sent.key.name).collect(),
        keys,
        drafts: Vec::new(),
        not_found: Vec::new(),
        inside: Vec::new(),
        unread: Vec::new(),
        defects: defects(root.of_same_document(request.drafts)),
        pieces: Vec::new(),
    };
    let bundle = root.of_same_document(request.drafts);
    for entry in bundle.get("entry").into_iter().flat_map(Node::items) {
        let Some(resource) = entry.get("resource") else { continue };
        let Some(kind) = resource.resource_type().filter(|kind| is_known(kind)) else {
            out.unread.push(resource.pointer());
            continue;
        };
        let another_patient = whose(resource, request) == Whose::Another;
        let piece = |orders| Piece {
            at: resource.at(),
            label: None,
            full_url: entry.get("fullUrl").and_then(Node::as_str).map(|url| url.into_owned()),
            orders,
        };
        if kind == "NutritionOrder" {
            let id = resource.get("id").and_then(Node::as_str).map(|id| id.into_owned());
            let nth = out.drafts.len() + 1;
            let name = id.as_ref().map_or_else(
                || format!("NutritionOrder without an id (number {nth})"),
                |id| format!("NutritionOrder/{id}"),
            );
            out.drafts.push(Draft { at: resource.at(), id, name, selected: true, another_patient });
            if !another_patient {
                out.pieces.push(piece(true));
            }
        } else {
            // A draft is an entry of its own; one inside another resource is not judged, and that is said.
            let contained = resource.get("contained").into_iter().flat_map(Node::items);
            let holds = |r: Node<'_>| r.resource_type().as_deref() == Some("NutritionOrder");
            if matches!(&*kind, "Bundle" | "Parameters") || contained.into_iter().any(holds) {
                out.inside.push(resource.pointer());
            }
            let known = out.keys.iter().any(|sent| {
                sent.key.types.contains(&&*kind)
                    && sent.key.kind.is_some()
                    && matches!(sent.state, State::Present | State::Empty)
            });
            if known && !another_patient {
                out.pieces.push(piece(false));
            }
        }
    }
    if let Some(selections) = &request.selections {
        let urls = |entry: &Node<'_>| entry.get("fullUrl").and_then(Node::as_str).map(|url| url.into_owned());
        for draft in &mut out.drafts {
            let url = root.of_same_document(draft.at).parent().as_ref().and_then(urls);
            let named = |chosen: &str| draft.id.is_some() && names(chosen, &draft.name);
            draft.selected =
                selections.iter().any(|(_, s)| named(unversioned(s)) || url.as_deref() == Some(s.as_str()));
        }
        let entries: Vec<String> =
            bundle.get("entry").into_iter().flat_map(Node::items).filter_map(|e| urls(&e)).collect();
        let lost = selections.iter().filter(|(_, chosen)| {
            let chosen = unversioned(chosen);
            let known = entries.iter().any(|url| url == chosen) || out.drafts.iter().any(|d| names(chosen, &d.name));
            // A reference to an order of another kind is no concern of this service.
            let kind = chosen.rsplit('/').nth(1).unwrap_or_default();
            let other = kind.starts_with(|c: char| c.is_ascii_uppercase()) && kind != "NutritionOrder";
            !known && !other
        });
        out.not_found = lost.map(|(at, _)| root.of_same_document(*at).pointer()).collect();
    }
    for sent in &out.keys {
        let Some(at) = sent.at.filter(|_| matches!(sent.state, State::Present | State::Empty)) else { continue };
        let node = root.of_same_document(at);
        // The patient's active orders are appraised too, so that overlaps are found; an earlier version of a draft
        // is no order beside it.
        if sent.key.name == "orders" && sent.state == State::Present {
            let bundled: Vec<Node<'_>> = node.get("entry").into_iter().flat_map(Node::items).collect();
            let entries = if bundled.is_empty() {
                vec![(node, None)]
            } else {
                // Further pages are told with the key.
                out.defects.extend(defects(node).into_iter().filter(|p| p.code != "incomplete"));
                bundled
                    .iter()
                    .filter_map(|e| Some((e.get("resource")?, e.get("fullUrl").and_then(Node::as_str))))
                    .collect()
            };
            for (resource, full_url) in entries {
                let id = resource.get("id").and_then(Node::as_str);
                let earlier = id.is_some_and(|id| out.drafts.iter().any(|d| d.id.as_deref() == Some(&*id)));
                out.pieces.push(Piece {
                    at: resource.at(),
                    label: None,
                    full_url: full_url.map(|url| url.into_owned()),
                    orders: !earlier,
                });
            }
        } else {
            out.pieces.push(Piece { at, label: Some(sent.key.name), full_url: None, orders: false });
        }
    }
    out
}

/// A reference without the version it asks for.
fn unversioned(reference: &str) -> &str {
    split_version(reference).0
}

/// Whether a reference names a draft: relative, or with a server in front.
fn names(reference: &str, name: &str) -> bool {
    reference == name || reference.strip_suffix(name).is_some_and(|base| base.ends_with('/'))
}

/// The institution's settings for this request. What the client tried to send and could not belongs to what it
/// sends: without it an order is not fully checked.
pub fn settings<'s>(sent: &SentAlong, institution: &'s Settings) -> Cow<'s, Settings> {
    let tried = sent.keys.iter().filter(|s| matches!(s.state, State::Error(_) | State::Unusable(_)));
    let kinds: Vec<ContextKind> = tried.filter_map(|s| s.key.kind).collect();
    let mut settings = Cow::Borrowed(institution);
    if !kinds.is_empty() {
        settings.to_mut().declared.extend(kinds);
    }
    settings
}

/// Judges the orders.
pub fn evaluate<'a>(document: Document<'a>, request: &Request, sent: SentAlong, by: Institution<'a>) -> Evaluated<'a> {
    let mut appraisal = check_pieces(document, &sent.pieces, request.version, by);
    for report in appraisal.orders.iter_mut().filter(|o| sent.drafts.iter().any(|d| d.at == o.at)) {
        without_intent(report);
    }
    appraisal.problems.extend(sent.defects.iter().cloned());
    Evaluated { appraisal, sent, patient: request.patient.clone() }
}

/// The same without judging any: for when that failed.
pub fn unjudged<'a>(document: Document<'a>, request: &Request, sent: SentAlong, by: Institution<'a>) -> Evaluated<'a> {
    let mut appraisal = check_pieces(document, &[], request.version, by);
    appraisal.problems.extend(sent.defects.iter().cloned());
    Evaluated { appraisal, sent, patient: request.patient.clone() }
}

/// Order entry often leaves `intent` out of a draft, as the published examples of the hooks do. Of a draft that is
/// being signed it is no doubt an order: said as a reminder, not as a broken resource.
fn without_intent(report: &mut OrderReport<'_>) {
    let order = report.at;
    let own = report.judged.iter_mut().filter(|j| j.rule.id == "INT-01");
    for outcome in own.map(|j| &mut j.outcome) {
        let Outcome::Flagged(findings) = outcome else { continue };
        for f in findings {
            if f.code == Some("required") && f.at == [order] && f.text.starts_with("Intent is missing") {
                f.tier = Tier::Low;
                f.text = "Intent is missing; the draft was read as an order.".to_owned();
            }
        }
    }
}

/// Whether a draft orders food by mouth and nothing through a tube, and nothing in it could say otherwise.
fn is_by_mouth(node: Node<'_>, report: &OrderReport<'_>) -> bool {
    let unknown = || report.judged.iter().any(|j| j.rule.id == "INT-07" && matches!(j.outcome, Outcome::Flagged(_)));
    orders_food_by_mouth(node) && !unknown()
}

fn orders_food_by_mouth(node: Node<'_>) -> bool {
    let has = |name: &str| node.get(name).is_some();
    !has("enteralFormula")
        && !has("modifierExtension")
        && !has("implicitRules")
        && !node.members().any(|(name, _)| spelled_like_a_formula(&name))
        && (has("oralDiet") || has("supplement"))
}

/// Whether the name of an element may be meant for `enteralFormula`, which it is not. No other of a NutritionOrder reads so.
fn spelled_like_a_formula(name: &str) -> bool {
    let letters = name.to_lowercase();
    name != "enteralFormula" && ["enter", "formula", "tube"].iter().any(|part| letters.contains(part))
}

impl<'a> Evaluated<'a> {
    /// What became of the draft of that number.
    pub fn fate(&self, nth: usize) -> Fate<'_, 'a> {
        let Some(draft) = self.sent.drafts.get(nth) else { return Fate::NotRead };
        if draft.another_patient {
            return if draft.selected { Fate::AnotherPatient } else { Fate::NotSelected };
        }
        if !draft.selected {
            return Fate::NotSelected;
        }
        match self.appraisal.orders.iter().find(|o| o.at == draft.at) {
            None => Fate::NotRead,
            Some(report) if self.node(draft.at).is_some_and(|n| is_by_mouth(n, report)) => Fate::NotATubeFeed,
            Some(report) => Fate::Judged(report),
        }
    }

    /// Drafts that are to be judged, or of which it is to be said that they cannot be: all that were selected but food by
    /// mouth.
    pub fn asked_for(&self) -> impl Iterator<Item = &Draft> + '_ {
        let by_mouth = |draft: &Draft| self.node(draft.at).is_some_and(orders_food_by_mouth);
        self.sent.drafts.iter().filter(move |draft| draft.selected && !by_mouth(draft))
    }

    /// The node at a place.
    pub fn node(&self, at: At) -> Option<Node<'_>> {
        self.appraisal.document.as_ref().map(|d| d.node(at))
    }

    /// Prefetch keys that could not be looked at in full, with their reasons.
    pub fn lacks(&self) -> impl Iterator<Item = String> + '_ {
        self.sent.keys.iter().filter_map(Sent::lacks)
    }

    /// What an order came to. With a key that the client tried to send and could not, or with something that could not
    /// be read, never clear.
    pub fn disposition(&self, report: &OrderReport<'_>) -> Disposition {
        let own = report.disposition();
        let unread = self.appraisal.problems.iter().any(|problem| problem.grave);
        if unread || self.lacks().next().is_some() { own.max(Disposition::NotFullyChecked) } else { own }
    }
}

/// Whether any rule was evaluated.
pub fn anything_judged(report: &OrderReport<'_>) -> bool {
    report.judged.iter().any(|j| matches!(j.outcome, Outcome::Flagged(_) | Outcome::Clear | Outcome::Hidden(_)))
}
