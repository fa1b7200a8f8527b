//! What `--closing` and `--hold-minutes` say of a running service: through its pages, and its Tasks.

use crate::orders::Folder;
use crate::told::asked;
use crate::trouble::{Service, recorded};
use serde_json::Value;
use std::time::{Duration, Instant};

/// The answer to a page that is asked for, or to a form.
fn page(service: &Service, path: &str, cookie: &str, form: Option<&[(&str, &str)]>) -> String {
    let method = if form.is_some() { "POST" } else { "GET" };
    let fields = form.unwrap_or_default();
    let body = form_urlencoded::Serializer::new(String::new()).extend_pairs(fields).finish();
    let kind = "application/x-www-form-urlencoded";
    asked(&service.here, (method, path), kind, cookie, &body)
}

/// The cookie of somebody who has signed in.
fn sign_in(service: &Service, name: &str, job: &str) -> String {
    let form = [("token", service.token.as_str()), ("name", name), ("job", job)];
    let answer = page(service, "/sign-in", "", Some(&form));
    assert!(answer.starts_with("HTTP/1.1 303"), "{answer}");
    let cookie = answer.lines().find_map(|line| line.strip_prefix("set-cookie: ")).unwrap();
    cookie.split(';').next().unwrap().to_owned()
}

/// What somebody does on the page of an order, as it is then.
fn act(service: &Service, item: &str, cookie: &str, more: &[(&str, &str)]) -> String {
    let path = format!("/queue/{item}");
    let shown = page(service, &path, cookie, None);
    let hidden = |name: &str| {
        let from = shown.split(&format!("name=\"{name}\" value=\"")).nth(1);
        from.unwrap_or_else(|| panic!("no {name}: {shown}")).split('"').next().unwrap().to_owned()
    };
    let (csrf, seen) = (hidden("csrf"), hidden("seen"));
    let mut form = vec![("csrf", csrf.as_str()), ("seen", &seen)];
    form.extend(more);
    page(service, &path, cookie, Some(&form))
}

fn decide(service: &Service, item: &str, cookie: &str, lane: &str) {
    let answer = act(service, item, cookie, &[("lane", lane), ("act", "accept"), ("reason", "suits-this-patient")]);
    assert!(answer.starts_with("HTTP/1.1 303"), "{answer}");
}

/// Tasks of the order `n`: of the lane, its status and its owner.
fn tasks(service: &Service, n: usize) -> (String, Vec<(String, String, Option<String>)>) {
    let answer = service.get(&format!("/fhir/R4/Task?patient=Patient/p{n}"));
    let bundle: Value = serde_json::from_str(answer.split_once("\r\n\r\n").unwrap().1).unwrap();
    let tasks: Vec<&Value> = bundle["entry"].as_array().unwrap().iter().map(|entry| &entry["resource"]).collect();
    let text = |value: &Value| value.as_str().unwrap().to_owned();
    let of = |task: &&Value| {
        let owner = task["owner"]["display"].as_str().map(str::to_owned);
        (text(&task["performerType"][0]["text"]), text(&task["status"]), owner)
    };
    let mut found: Vec<_> = tasks.iter().map(of).collect();
    found.sort_unstable();
    (text(&tasks[0]["groupIdentifier"]["value"]), found)
}

/// Statuses of an order's tasks, and whether the list of what is closed has it.
fn is(service: &Service, n: usize, cookie: &str) -> (Vec<(String, String)>, bool) {
    let (item, tasks) = tasks(service, n);
    let list = page(service, "/queue?lane=all&state=closed", cookie, None);
    assert!(list.starts_with("HTTP/1.1 200"), "{list}");
    (tasks.into_iter().map(|(lane, status, _)| (lane, status)).collect(), list.contains(&format!("/queue/{item}")))
}

/// An order of which pharmacists are asked: dietitians decide the one first, though nobody asked them, and pharmacists the
/// other.
#[test]
fn an_order_is_closed_by_the_policy() {
    let (asked, done, gone) = ("requested", "completed", "cancelled");
    for (policy, dietitian_first, pharmacist_too, pharmacist_first) in [
        (
            "every-lane-asked",
            (&[("dietitian", done), ("pharmacist", asked)][..], false),
            (&[("dietitian", done), ("pharmacist", done)][..], true),
            (&[("pharmacist", done)][..], true),
        ),
        (
            "first-decision",
            (&[("dietitian", done), ("pharmacist", gone)], true),
            (&[("dietitian", done), ("pharmacist", done)], true),
            (&[("pharmacist", done)], true),
        ),
        (
            "both-lanes",
            (&[("dietitian", done), ("pharmacist", asked)], false),
            (&[("dietitian", done), ("pharmacist", done)], true),
            (&[("dietitian", asked), ("pharmacist", done)], false),
        ),
    ] {
        let folder = Folder::new();
        let store = folder.join("queue.sqlite");
        let service = Service::begin(store.to_str().unwrap(), None, &["--closing", policy]);
        let (ann, dan) = (sign_in(&service, "Ann", "pharmacist"), sign_in(&service, "Dan", "dietitian"));
        let wanted = |(tasks, closed): (&[(&str, &str)], bool)| {
            let owned = |(lane, status): &(&str, &str)| ((*lane).to_owned(), (*status).to_owned());
            (tasks.iter().map(owned).collect::<Vec<_>>(), closed)
        };
        for n in [0, 1] {
            assert!(recorded(&service.order(n)));
            let (tasks, closed) = is(&service, n, &ann);
            let lanes: Vec<_> = tasks.iter().map(|(lane, status)| (lane.as_str(), status.as_str())).collect();
            let both = [("dietitian", asked), ("pharmacist", asked)];
            assert_eq!(lanes, if policy == "both-lanes" { &both[..] } else { &both[1..] }, "{policy}");
            assert!(!closed, "{policy}");
        }
        decide(&service, &tasks(&service, 0).0, &dan, "dietitian");
        assert_eq!(is(&service, 0, &ann), wanted(dietitian_first), "{policy}: a dietitian decides");
        decide(&service, &tasks(&service, 0).0, &ann, "pharmacist");
        assert_eq!(is(&service, 0, &ann), wanted(pharmacist_too), "{policy}: a pharmacist decides too");
        decide(&service, &tasks(&service, 1).0, &ann, "pharmacist");
        assert_eq!(is(&service, 1, &ann), wanted(pharmacist_first), "{policy}: a pharmacist decides");
    }
}

/// Who took an order holds it for the time that was said, and then anybody of the lane may take it.
#[test]
fn a_hold_ends_by_itself() {
    let folder = Folder::new();
    let store = folder.join("queue.sqlite");
    let service = Service::begin(store.to_str().unwrap(), None, &["--hold-minutes", "1"]);
    let (ann, bob) = (sign_in(&service, "Ann", "pharmacist"), sign_in(&service, "Bob", "pharmacist"));
    assert!(recorded(&service.order(0)));
    let of = |status: &str, owner: Option<&str>| {
        vec![("pharmacist".to_owned(), status.to_owned(), owner.map(str::to_owned))]
    };
    let (item, found) = tasks(&service, 0);
    assert_eq!(found, of("requested", None));
    let take = [("lane", "pharmacist"), ("act", "take")];
    let before = Instant::now();
    assert!(act(&service, &item, &ann, &take).starts_with("HTTP/1.1 303"));
    let after = Instant::now();
    let refused = act(&service, &item, &bob, &take);
    assert!(refused.starts_with("HTTP/1.1 409") && refused.contains("Ann holds this item"), "{refused}");
    assert_eq!(tasks(&service, 0).1, of("in-progress", Some("Ann")));
    let minute = Duration::from_secs(60);
    while tasks(&service, 0).1 == of("in-progress", Some("Ann")) {
        assert!(after.elapsed() < minute * 2, "it is held longer than was said");
        std::thread::sleep(Duration::from_millis(200));
    }
    assert!(before.elapsed() >= minute, "it was held for {:?}", before.elapsed());
    assert_eq!(tasks(&service, 0).1, of("requested", None));
    assert!(act(&service, &item, &bob, &take).starts_with("HTTP/1.1 303"));
    assert_eq!(tasks(&service, 0).1, of("in-progress", Some("Bob")));
    let refused = act(&service, &item, &ann, &take);
    assert!(refused.starts_with("HTTP/1.1 409") && refused.contains("Bob holds this item"), "{refused}");
}
