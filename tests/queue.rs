//! Items of the queue: who may do what, in which state, and what stands in the way.

use enteral_gate::findings::{Disposition, Tier};
use enteral_gate::formulary::Formulary;
use enteral_gate::intake::json::{Document, Limits};
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::queue::item::{Item, Received, Standing, Summary, content_hash};
use enteral_gate::queue::policy::{Closing, Policy};
use enteral_gate::queue::report::Report;
use enteral_gate::queue::trail::Event;
use enteral_gate::queue::urgency::Times;
use enteral_gate::queue::work::{Action, Command, LaneState, Reason, Refused, may};
use enteral_gate::queue::{Lane, Person, Role, urgency};
use enteral_gate::settings::Settings;
use enteral_gate::sheet::Identifier;
use jiff::{SignedDuration, Timestamp};
use std::sync::Arc;

fn at(minutes: i64) -> Timestamp {
    Timestamp::from_second(1_790_000_000 + minutes * 60).unwrap()
}

fn person(id: &str, role: Role) -> Person {
    Person { id: id.to_owned(), name: id.to_uppercase(), role }
}

fn received(json: &str, minute: i64) -> Received {
    let csv = include_bytes!("../deploy/demo/formulary.csv");
    let formulary = Formulary::from_csv("formulary.csv", csv).unwrap();
    let settings = Settings::default();
    let appraisal = enteral_gate::appraise::check(json.as_bytes(), "", FhirVersion::R4, &formulary, &settings);
    let order = &appraisal.orders[0];
    let mut out = Received::of(&appraisal, order, &[]);
    out.at = at(minute);
    out
}

const ORDER: &str = r#"{"resourceType":"NutritionOrder","id":"n1","meta":{"versionId":"1"},"status":"draft","intent":"order",
    "patient":{"reference":"Patient/p1"},"dateTime":"2026-11-25","enteralFormula":{"administration":[{"rateQuantity":{"value":50,"unit":"mL/h"}}]}}"#;

fn item() -> Item {
    Item::new(&received(ORDER, 0), None, &Policy::default()).0
}

fn command(who: &Person, lane: Lane, seen: u64, minute: i64, action: Action) -> Command {
    Command { id: String::new(), by: who.clone(), at: at(minute), lane, seen, action }
}

fn accept() -> Action {
    Action::Accept { reason: Reason { code: "suits-this-patient".to_owned(), text: None } }
}

/// What items are named by never changes: an order that comes again after an upgrade is the same item. The hash is SHA-256
/// (FIPS 180-4) by Python's hashlib, of the content as it is written down here.
#[test]
fn a_content_has_the_hash_that_it_always_had() {
    let json = r#" { "stopped": null, "resourceType": "NutritionOrder", "quantity": 1.50, "id": "o1",
        "note": [ { "text": "caf\u00e9 \"x\"\n\u0001\/\\" } ] }"#;
    // {"id":"o1","note":[{"text":"café \"x\"\n\u0001/\\",},],"quantity":1.50,"resourceType":"NutritionOrder","stopped":null,}
    let document = Document::read(json.as_bytes(), &Limits::default()).unwrap();
    assert_eq!(content_hash(document.root()), "4275769ae2cc2d5b68ce4225a107a92546a45c8295da4de49d63c5926cf1ea69");
}

#[test]
fn content_is_told_whatever_its_spaces_and_order() {
    let again = ORDER.replace(['\n', ' '], "").replace(r#""versionId":"1""#, r#""versionId":"2""#);
    let moved = again.replace(r#""status":"draft","intent":"order","#, r#""intent":"order","status":"draft","#);
    let (one, two, three) = (received(ORDER, 0), received(&again, 1), received(&moved, 2));
    assert_ne!(ORDER, again);
    assert_ne!(again, moved);
    assert_eq!(one.content, two.content);
    assert_eq!(one.content, three.content);
    assert_eq!(one.id(), three.id());
    let other = received(&ORDER.replace("50,", "50.0,"), 0);
    assert_ne!(one.content, other.content, "50 and 50.0 are two contents: nothing is read into them here");
    let of_another = received(&ORDER.replace("Patient/p1", "Patient/p2"), 0);
    assert_ne!(one.key.text(), of_another.key.text(), "drafts of two patients may have one id");
    let inside = |family: &str| {
        let person = format!(
            "\"contained\":[{{\"resourceType\":\"Patient\",\"id\":\"p\",\"name\":[{{\"family\":\"{family}\"}}]}}],\"status\""
        );
        received(&ORDER.replace("Patient/p1", "#p").replace("\"status\"", &person), 0)
    };
    assert_ne!(inside("Invented").key.text(), inside("Made-up").key.text(), "`#p` may be anybody");
    let nowhere = received(&ORDER.replace("Patient/p1", "#p"), 0);
    assert_eq!((nowhere.key.patient.as_str(), nowhere.key.text()), ("", None), "it leads to nobody");
    assert_eq!(inside("Invented").key.text(), inside("Invented").key.text());
}

/// Who the patient is goes with the order; what is said of them later is taken over, with an entry, and decides nothing.
#[test]
fn more_of_the_patient_is_taken_over_and_opens_nothing() {
    let policy = Policy::default();
    let ann = person("ann", Role::Pharmacist);
    let named = received(&ORDER.replace("\"Patient/p1\"", "\"Patient/p1\",\"display\":\"Harald Invented\""), 0);
    assert_eq!(named.identity.name, "Harald Invented");
    let mut one = Item::new(&named, None, &policy).0;
    one.summary.act(&command(&ann, Lane::Pharmacist, 1, 1, accept()), &policy).unwrap();
    let mut more = named.clone();
    more.identity.born = Some("1958-12-24".to_owned());
    more.identity.identifiers = vec![Identifier { label: String::new(), value: "MRN-4711".to_owned() }];
    let entries = one.seen_again(&more, None, &policy);
    assert_eq!(entries, [Event::JudgedAgain { reopened: Vec::new() }]);
    assert_eq!((one.summary.identity.as_ref(), one.summary.standing), (Some(&more.identity), Standing::Closed));
    // Less is known of them: nothing is forgotten, and nothing happened.
    assert_eq!(one.seen_again(&named, None, &policy), []);
    assert_eq!(one.summary.identity.as_ref(), Some(&more.identity));
    // What an earlier program kept says nothing of it, and is read.
    let mut kept = serde_json::to_value(&one.summary).unwrap();
    assert!(kept.as_object_mut().unwrap().remove("identity").is_some());
    one.summary = serde_json::from_value(kept).unwrap();
    assert_eq!(one.summary.identity, None);
    one.seen_again(&more, None, &policy);
    assert_eq!(one.summary.identity, Some(more.identity));
}

#[test]
fn who_may_do_what() {
    let to = person("x", Role::Pharmacist);
    let snooze = Action::Snooze { until: at(5), note: String::new() };
    let actions = [
        Action::Take,
        Action::GiveBack,
        Action::HandOver { to, note: String::new() },
        Action::AskPrescriber { question: "?".into() },
        accept(),
        Action::CloseAsChanged { note: "n".into() },
        snooze,
        Action::Reopen { note: "n".into() },
        Action::Comment { text: "t".into() },
        Action::Judge { rule: "R".into(), useful: true },
    ];
    // Rows: roles; columns: the actions above, in the pharmacists' lane.
    let expected = [
        (Role::Pharmacist, "++++++++++"),
        (Role::Dietitian, "--------+-"),
        (Role::Coordinator, "-++-----+-"),
        (Role::Prescriber, "--------+-"),
        (Role::Reader, "----------"),
        (Role::Program, "----------"),
    ];
    for (role, row) in expected {
        let got: String = actions.iter().map(|a| if may(role, Lane::Pharmacist, a) { '+' } else { '-' }).collect();
        assert_eq!(got, row, "{role:?}");
    }
    assert_eq!(expected.len(), Role::ALL.len());
}

/// Replicas whose clocks differ: whoever asks what changed since the last change misses none.
#[test]
fn what_changed_is_never_older_than_before_whatever_the_clock_says() {
    let (policy, ann) = (Policy::default(), person("ann", Role::Pharmacist));
    let mut summary = item().summary;
    let comment = || Action::Comment { text: "invented".to_owned() };
    let judge = Action::Judge { rule: summary.rules[0].clone(), useful: true };
    let actions = [(5, comment()), (1, comment()), (2, judge), (3, Action::Take), (0, accept())];
    for (version, (minute, action)) in (2..).zip(actions) {
        let seen = summary.version;
        let words = format!("{action:?}");
        summary.act(&command(&ann, Lane::Pharmacist, seen, minute, action), &policy).unwrap();
        assert_eq!((summary.changed_at, summary.version), (at(5), version), "{words}");
    }
    assert_eq!(summary.lane(Lane::Pharmacist).changed_at, at(0), "when somebody says that they did it");
}

#[test]
fn an_item_is_taken_once_and_for_a_while() {
    let (ann, bob) = (person("ann", Role::Pharmacist), person("bob", Role::Pharmacist));
    let policy = Policy::default();
    let mut s = item().summary;
    s.act(&command(&ann, Lane::Pharmacist, 1, 1, Action::Take), &policy).unwrap();
    let before = s.clone();
    let refused = s.act(&command(&bob, Lane::Pharmacist, 1, 2, Action::Take), &policy).unwrap_err();
    let Refused::Conflict(conflict) = refused else { panic!("{refused:?}") };
    assert_eq!((conflict.by.id.as_str(), conflict.at, conflict.version), ("ann", at(1), 2));
    let refused = s.act(&command(&bob, Lane::Pharmacist, 2, 2, accept()), &policy).unwrap_err();
    let Refused::Conflict(conflict) = refused else { panic!("{refused:?}") };
    assert_eq!(conflict.what, "ANN holds this item");
    assert_eq!(s, before, "what is refused changes nothing");
    assert_eq!(s.pharmacist.state.word_at(at(30)), "taken");
    assert_eq!(s.pharmacist.state.word_at(at(31)), "open");
    s.act(&command(&bob, Lane::Pharmacist, 2, 31, Action::Take), &policy).unwrap();
    assert_eq!(s.pharmacist.state.by().unwrap().id, "bob");
    let lead = person("cho", Role::Coordinator);
    s.act(&command(&lead, Lane::Pharmacist, 3, 32, Action::HandOver { to: ann.clone(), note: String::new() }), &policy)
        .unwrap();
    assert_eq!(s.pharmacist.state.by().unwrap().id, "ann");
}

#[test]
fn lanes_decide_independently_and_the_policy_closes() {
    let (ann, dan) = (person("ann", Role::Pharmacist), person("dan", Role::Dietitian));
    for (closing, after_first, after_second) in [
        (Closing::EveryLaneAsked, Standing::Open, Standing::Closed),
        (Closing::FirstDecision, Standing::Closed, Standing::Closed),
        (Closing::BothLanes, Standing::Open, Standing::Closed),
    ] {
        let policy = Policy { closing, ..Policy::default() };
        let mut s = item().summary;
        // The dietitian joins; both see version 1 and neither is in the other's way.
        s.act(&command(&dan, Lane::Dietitian, 1, 1, Action::Take), &policy).unwrap();
        s.act(&command(&ann, Lane::Pharmacist, 1, 2, accept()), &policy).unwrap();
        assert_eq!(s.standing, after_first, "{closing:?}");
        s.act(&command(&dan, Lane::Dietitian, 2, 3, Action::CloseAsChanged { note: "rate lowered".into() }), &policy)
            .unwrap();
        assert_eq!(s.standing, after_second, "{closing:?}");
        let again = s.act(&command(&ann, Lane::Pharmacist, s.version, 4, accept()), &policy);
        assert!(matches!(again, Err(Refused::NotPossible(_))));
        s.act(&command(&ann, Lane::Pharmacist, s.version, 5, Action::Reopen { note: "wrong patient".into() }), &policy)
            .unwrap();
        assert_eq!(s.pharmacist.state, LaneState::Open);
    }
}

#[test]
fn replaced_content_cannot_be_decided_and_says_what_took_its_place() {
    let ann = person("ann", Role::Pharmacist);
    let mut old = item();
    let changed = received(&ORDER.replace("50,", "60,"), 7);
    assert_eq!(changed.key.text(), received(ORDER, 0).key.text());
    let event = old.summary.replace(Some(changed.id()), changed.at, changed.at);
    let (new, first) = Item::new(&changed, Some(old.summary.id.clone()), &Policy::default());
    assert_eq!(event, Event::Replaced { by: Some(new.summary.id.clone()) });
    assert_eq!(first, Event::Recorded { replaces: Some(old.summary.id.clone()) });
    let refused = old.summary.act(&command(&ann, Lane::Pharmacist, 2, 8, accept()), &Policy::default()).unwrap_err();
    let Refused::Conflict(conflict) = refused else { panic!("{refused:?}") };
    assert_eq!(conflict.replaced_by, Some(new.summary.id));
    assert_eq!(conflict.at, at(7));
    // It comes back when the order is changed back.
    let events = old.seen_again(&received(ORDER, 9), Some(&changed.id()), &Policy::default());
    assert_eq!(events, [Event::Returned { replaces: Some(changed.id()) }]);
    assert_eq!(old.summary.standing, Standing::Open);
}

#[test]
fn a_decision_stands_until_something_new_is_said() {
    let ann = person("ann", Role::Pharmacist);
    let policy = Policy::default();
    let mut one = item();
    one.summary.act(&command(&ann, Lane::Pharmacist, 1, 1, accept()), &policy).unwrap();
    assert_eq!(one.summary.standing, Standing::Closed);
    assert!(one.seen_again(&received(ORDER, 2), None, &policy).is_empty());
    assert_eq!((one.summary.seen, one.summary.standing), (2, Standing::Closed));
    // Less is said: the decision covers it.
    let mut less = received(ORDER, 3);
    Arc::make_mut(&mut less.report).findings.pop();
    let events = one.seen_again(&less, None, &policy);
    assert_eq!(events, [Event::JudgedAgain { reopened: Vec::new() }]);
    assert_eq!(one.summary.standing, Standing::Closed);
    // More is said: it does not.
    let events = one.seen_again(&received(ORDER, 4), None, &policy);
    assert_eq!(events, [Event::JudgedAgain { reopened: vec![Lane::Pharmacist] }]);
    assert_eq!(one.summary.standing, Standing::Open);
    // And whoever saw it before is told.
    let refused = one.summary.act(&command(&ann, Lane::Pharmacist, 2, 5, accept()), &policy).unwrap_err();
    let Refused::Conflict(conflict) = refused else { panic!("{refused:?}") };
    assert_eq!(conflict.what, "The order was judged again");
}

#[test]
fn words_that_are_needed_are_asked_for() {
    let ann = person("ann", Role::Pharmacist);
    let policy = Policy::default();
    let reason = |code: &str, text: Option<&str>| Action::Accept {
        reason: Reason { code: code.to_owned(), text: text.map(str::to_owned) },
    };
    let wrong = [
        reason("because", None),
        reason("other", None),
        reason("other", Some(" ")),
        Action::AskPrescriber { question: String::new() },
        Action::Comment { text: " ".into() },
        Action::Comment { text: "x".repeat(4001) },
        Action::CloseAsChanged { note: String::new() },
        Action::HandOver { to: person("dan", Role::Dietitian), note: String::new() },
        Action::Snooze { until: at(1), note: String::new() },
        Action::Snooze { until: at(60 * 25), note: String::new() },
        Action::Judge { rule: "NO-SUCH".into(), useful: true },
    ];
    for action in wrong {
        let mut s = item().summary;
        let refused = s.act(&command(&ann, Lane::Pharmacist, 1, 1, action.clone()), &policy);
        assert!(matches!(refused, Err(Refused::Invalid(_))), "{action:?}: {refused:?}");
        assert_eq!(s, item().summary);
    }
    let mut s = item().summary;
    s.act(&command(&ann, Lane::Pharmacist, 1, 1, reason("other", Some("seen at the bedside"))), &policy).unwrap();
}

#[test]
fn what_is_not_fully_checked_never_sinks_below_a_likely_suboptimal_order() {
    use Disposition::{Clear, Flagged, NotFullyChecked};
    let grades = [
        urgency::grade(Some(Tier::Stop), Flagged, false),
        urgency::grade(Some(Tier::High), Flagged, true),
        urgency::grade(None, NotFullyChecked, true),
        urgency::grade(Some(Tier::Med), Flagged, false),
        urgency::grade(Some(Tier::Low), Clear, false),
    ];
    assert_eq!(grades, [4, 3, 2, 1, 0]);
    assert_eq!(urgency::grade(Some(Tier::Med), Flagged, true), 2);
    // The same grade: what starts, or has waited for its time, first.
    let times = Times::default();
    let key = |grade, received, starts| urgency::sort_key(grade, times.due(grade, at(received), starts));
    let keys = [key(4, 100, None), key(3, 0, Some(at(5))), key(3, 0, Some(at(600))), key(3, 1, None), key(1, 0, None)];
    let mut sorted = keys.clone();
    sorted.sort();
    assert_eq!(keys, sorted);
    let u = urgency::urgency(&item().summary, &Lane::ALL, &times, at(65));
    assert!(u.reasons.iter().any(|r| r.starts_with("waiting 1 h 5 min (look within ")), "{u:?}");
    assert!(u.reasons.iter().any(|r| r.starts_with("not fully checked")), "{u:?}");
    assert_eq!(urgency::length(SignedDuration::from_hours(51)), "2 d 3 h");
}

/// By when somebody should have looked, by the institution's times, is said beside the reason and decides what is late.
#[test]
fn how_soon_somebody_should_look_is_for_the_institution_to_say() {
    let times = Times::minutes([500, 400, 300, 200, 100], 45);
    for (grade, minutes) in [(0, 500), (1, 400), (2, 300), (3, 200), (4, 100)] {
        assert_eq!(times.due(grade, at(0), None), at(minutes), "{grade}");
    }
    // Before the start, and not before it was received. What runs already is due at receipt, and what ran for more than a
    // day by then waits its time: an order sent again.
    assert_eq!(times.due(4, at(0), Some(at(60))), at(15));
    assert_eq!(times.due(4, at(0), Some(at(145))), at(100));
    assert_eq!(times.due(4, at(0), Some(at(30))), at(0));
    assert_eq!(times.due(4, at(10), Some(at(10))), at(10));
    assert_eq!(times.due(4, at(10), Some(at(5))), at(10));
    assert_eq!(times.due(4, at(1450), Some(at(10))), at(1450));
    assert_eq!(times.due(4, at(1451), Some(at(10))), at(1551));
    // Those that were in the program.
    let before = [(0, 480), (1, 120), (2, 60), (3, 30), (4, 15)];
    assert!(before.iter().all(|(grade, minutes)| Times::default().due(*grade, at(0), None) == at(*minutes)));
    assert_eq!(Times::default().due(0, at(0), Some(at(60))), at(60));
    let mut s = item().summary;
    (s.tier, s.starts) = (Some(Tier::Stop), Some(at(90)));
    let u = urgency::urgency(&s, &Lane::ALL, &times, at(44));
    assert!(!u.overdue && u.due == at(45), "{u:?}");
    let last = |u: &urgency::Urgency| u.reasons[u.reasons.len() - 2..].to_vec();
    assert_eq!(last(&u), ["look 45 min before it starts, in 46 min", "waiting 44 min"]);
    assert!(urgency::urgency(&s, &Lane::ALL, &times, at(46)).overdue);
    let u = urgency::urgency(&s, &Lane::ALL, &Times::default(), at(44));
    assert_eq!(last(&u), ["starts in 46 min", "waiting 44 min (look within 15 min)"]);
    assert!(u.overdue);
}

/// What is really due is said: a feed that runs comes before one that starts soon, and both before one that has time.
#[test]
fn a_feed_that_runs_is_more_urgent_than_one_that_starts_later() {
    let times = Times::default();
    let of = |starts: Option<i64>| {
        let mut s = item().summary;
        (s.tier, s.starts) = (Some(Tier::High), starts.map(at));
        (s.sort_key(&times), urgency::urgency(&s, &Lane::ALL, &times, at(1)))
    };
    let order = [of(Some(-180)), of(Some(2)), of(Some(20)), of(None), of(Some(40)), of(Some(-3000))];
    let keys: Vec<&String> = order.iter().map(|(key, _)| key).collect();
    assert!(keys.is_sorted(), "{keys:?}");
    assert!(keys[0] < keys[1] && keys[1] < keys[2] && keys[2] < keys[3], "{keys:?}");
    let said = |(_, u): &(String, urgency::Urgency)| u.reasons[2..].join("; ");
    assert_eq!(said(&order[0]), "runs already, since 3 h 1 min: look now; waiting 1 min (look within 30 min)");
    assert_eq!(said(&order[1]), "look before it starts, in 1 min; waiting 1 min");
    assert_eq!(said(&order[3]), "waiting 1 min (look within 30 min)");
    assert_eq!(said(&order[4]), "starts in 39 min; waiting 1 min (look within 30 min)");
    let long = "began 2 d 2 h ago, long before the order was received; waiting 1 min (look within 30 min)";
    assert_eq!(said(&order[5]), long);
    // It is late when its time after receipt is over, and not the moment it arrives.
    assert!(!order[0].1.overdue && order[0].1.due == at(0));
    let mut s = item().summary;
    (s.tier, s.starts) = (Some(Tier::High), Some(at(-180)));
    assert!(
        !urgency::urgency(&s, &Lane::ALL, &times, at(30)).overdue
            && urgency::urgency(&s, &Lane::ALL, &times, at(31)).overdue
    );
    s.starts = Some(at(2));
    let u = urgency::urgency(&s, &Lane::ALL, &times, at(7));
    assert!(u.overdue && u.reasons.contains(&"started 5 min ago; to be looked at before".to_owned()), "{u:?}");
    // Nothing is said of a start that has time, once it is over, but that it is.
    s.starts = Some(at(40));
    let u = urgency::urgency(&s, &Lane::ALL, &times, at(50));
    assert!(u.reasons.contains(&"started 10 min ago".to_owned()), "{u:?}");
    // It starts before it can be looked at as early as the institution wants: late when it starts.
    let early = Times::minutes([480, 120, 60, 30, 15], 45);
    s.starts = Some(at(20));
    assert!(urgency::urgency(&s, &Lane::ALL, &early, at(1)).overdue);
}

/// What is put off is not late before its time, and that is the start of the feed where it comes first.
#[test]
fn what_is_put_off_is_late_again_at_its_time() {
    let (ann, dan) = (person("ann", Role::Pharmacist), person("dan", Role::Dietitian));
    let (times, policy) = (Times::default(), Policy::default());
    let put_off = |until| Action::Snooze { until: at(until), note: String::new() };
    let of = |starts: Option<i64>, until: i64| {
        let mut s = item().summary;
        s.starts = starts.map(at);
        s.act(&command(&ann, Lane::Pharmacist, 1, 100, put_off(until)), &policy).unwrap();
        s
    };
    let late = |s: &Summary, lanes: &[Lane], minute| urgency::urgency(s, lanes, &times, at(minute)).overdue;
    for (starts, until, ends) in
        [(None, 200, 200), (Some(150), 200, 150), (Some(250), 200, 200), (Some(100), 200, 200), (Some(-5), 200, 200)]
    {
        let s = of(starts, until);
        assert_eq!(s.put_off(&Lane::ALL, at(101)), Some(at(ends)), "{starts:?}");
        assert_eq!(s.put_off(&[Lane::Dietitian], at(101)), None, "nothing is asked of that lane");
        assert_eq!(s.put_off(&Lane::ALL, at(ends)), None, "{starts:?}");
        assert!(!late(&s, &Lane::ALL, ends - 1) && late(&s, &Lane::ALL, ends + 1), "{starts:?}");
    }
    // A lane that waits and has not put it off is late all the same.
    let mut both = of(None, 200);
    both.act(&command(&dan, Lane::Dietitian, both.version, 101, Action::Take), &policy).unwrap();
    assert_eq!((both.put_off(&Lane::ALL, at(102)), both.put_off(&[Lane::Pharmacist], at(102))), (None, Some(at(200))));
    assert!(late(&both, &Lane::ALL, 102) && !late(&both, &[Lane::Pharmacist], 102));
    both.act(&command(&dan, Lane::Dietitian, both.version, 103, put_off(180)), &policy).unwrap();
    assert_eq!(both.put_off(&Lane::ALL, at(104)), Some(at(180)));
    // Who asked the prescriber says since when the answer is waited for, and it stays where it stands.
    let mut asked = item().summary;
    let ask = Action::AskPrescriber { question: "?".to_owned() };
    asked.act(&command(&ann, Lane::Pharmacist, 1, 100, ask), &policy).unwrap();
    let u = urgency::urgency(&asked, &Lane::ALL, &times, at(225));
    assert_eq!(u.reasons.last().unwrap(), "waiting for the prescriber's answer 2 h 5 min");
    assert!(u.overdue && u.put_off.is_none());
    let u = urgency::urgency(&asked, &[Lane::Dietitian], &times, at(225));
    assert!(u.reasons.iter().all(|reason| !reason.contains("answer")), "{u:?}");
}

#[test]
fn what_was_to_be_changed_and_is_as_it_was_is_open_again() {
    let ann = person("ann", Role::Pharmacist);
    let policy = Policy::default();
    let mut item = item();
    let changed = Action::CloseAsChanged { note: "half the rate".to_owned() };
    item.summary.act(&command(&ann, Lane::Pharmacist, 1, 5, changed), &policy).unwrap();
    assert!(!item.summary.is_open());
    // What was received before the decision says nothing of what came of it.
    let late = Received { late: Some(at(6)), ..received(ORDER, 4) };
    assert_eq!(item.seen_again(&late, None, &policy), []);
    assert!(!item.summary.is_open());
    let events = item.seen_again(&received(ORDER, 6), None, &policy);
    assert_eq!(events, [Event::JudgedAgain { reopened: vec![Lane::Pharmacist] }]);
    assert!(item.summary.is_open() && item.summary.pharmacist.state == LaneState::Open);
    // An order that is accepted as it is may come again as it is.
    let seen = item.summary.version;
    item.summary.act(&command(&ann, Lane::Pharmacist, seen, 7, accept()), &policy).unwrap();
    assert_eq!(item.seen_again(&received(ORDER, 8), None, &policy), []);
    assert!(!item.summary.is_open());
}

#[test]
fn what_is_put_off_or_asked_wakes_when_something_new_is_said() {
    let ann = person("ann", Role::Pharmacist);
    let policy = Policy::default();
    let put_off = Action::Snooze { until: at(600), note: "later".to_owned() };
    let asked = Action::AskPrescriber { question: "?".to_owned() };
    for action in [put_off, asked] {
        let mut item = item();
        item.summary.act(&command(&ann, Lane::Pharmacist, 1, 5, action), &policy).unwrap();
        let mut again = received(ORDER, 6);
        let mut found = again.report.findings[0].clone();
        (found.tier, found.text) = (Tier::Stop, "Something new.".to_owned());
        Arc::make_mut(&mut again.report).findings.push(found);
        let events = item.seen_again(&again, None, &policy);
        assert_eq!(events, [Event::JudgedAgain { reopened: vec![Lane::Pharmacist] }]);
        assert_eq!(item.summary.pharmacist.state, LaneState::Open);
    }
}

#[test]
fn what_nobody_else_is_asked_about_is_for_pharmacists() {
    let mut report = Report::clone(&received(ORDER, 0).report);
    report.not_evaluated.clear();
    report.disposition = Disposition::Flagged;
    let of = |who: &str, tier| {
        let mut found = report.findings[0].clone();
        (found.audience, found.tier) = (vec![who.to_owned()], tier);
        found
    };
    let (nurse, dietitian, reminder) = (of("nurse", Tier::High), of("dietitian", Tier::Med), of("nurse", Tier::Low));
    let mut asked = |findings| {
        report.findings = findings;
        Policy::default().asks(&report).into_iter().collect::<Vec<_>>()
    };
    assert_eq!(
        asked(vec![nurse, dietitian.clone()]),
        Lane::ALL,
        "a dietitian's decision does not close it for the nurse"
    );
    assert_eq!(asked(vec![reminder, dietitian]), [Lane::Dietitian]);
}
