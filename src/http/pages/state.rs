//! The state of the service, for people: rules, products, self-check, readiness, queue.

use super::html::{Chrome, moment, page};
use super::people::Job;
use super::{letters, signed};
use crate::answer::{PROGRAM, book_warning};
use crate::http::App;
use crate::http::notices::Notices;
use crate::subscriptions::Subscriber;
use crate::subscriptions::resource::Status;
use askama::Template;
use axum::extract::{Request, State};
use axum::response::Response;
use http::StatusCode;
use jiff::Timestamp;
use std::fmt::Write as _;
use std::sync::Arc;

struct Group {
    title: &'static str,
    rows: Vec<(String, String, bool)>,
}

#[derive(Template)]
#[template(path = "state.html")]
struct Page {
    chrome: Chrome,
    ready: bool,
    ready_text: String,
    now: String,
    groups: Vec<Group>,
    letters: Vec<letters::Row>,
    /// The first message to somebody is among them.
    first_among_letters: bool,
    letters_unknown: Option<String>,
    admin: bool,
}

/// `GET /state`
pub async fn state(State(app): State<Arc<App>>, request: Request) -> Response {
    let signed = signed(&app, &request);
    let chrome = Chrome::new(&app, "State of the service", "state", signed.as_ref());
    let admin = signed.as_ref().is_some_and(|signed| signed.person.job == Job::Admin);
    let now = Timestamp::now();
    let (ready, ready_text) = super::readiness(&app);
    let ready_text = ready_text
        .lines()
        .next()
        .unwrap_or("")
        .trim_start_matches("not ready: ")
        .trim_start_matches("ready: ")
        .to_owned();
    let book = app.appraiser.rulebook();
    let row = |name: &str, value: String, bad: bool| (name.to_owned(), value, bad);
    let mut rules = Vec::new();
    if book.is_empty() {
        rules.push(row("Rulebook", "none is loaded: limits of the institution are not judged".to_owned(), true));
    } else {
        rules.push(row("Rulebook", format!("{}, edition {}", book.label, book.edition), false));
        rules.push(row("Hash", book.hash.clone(), false));
        match &book.adopted {
            Some(by) => rules.push(row("Adopted", format!("by {} on {}", by.by, by.on), false)),
            None => rules.push(row(
                "Adopted",
                book_warning(&book).map_or_else(String::new, std::borrow::Cow::into_owned),
                true,
            )),
        }
        rules.push(row(
            "Limits",
            format!("{}, and {} that wait for data that cannot be read yet", book.limits.len(), book.waiting.len()),
            false,
        ));
    }
    let off = book.off.iter().map(|off| format!("{} until {} (by {}: {})", off.rule, off.until, off.by, off.why));
    let off: Vec<String> = off.collect();
    rules.push(row(
        "Switched off",
        if off.is_empty() { "no rule of the program".to_owned() } else { off.join("; ") },
        !off.is_empty(),
    ));
    if let Some(told) = app.appraiser.rules_told() {
        rules.extend(told.loaded.map(|at| row("Loaded", moment(&app, at), false)));
        match &told.rehearsal {
            None => rules.push(row("Last self-check", "never since the start".to_owned(), true)),
            Some(r) if r.failing.is_empty() => {
                rules.push(row(
                    "Last self-check",
                    format!("{}: {} examples came out as expected", moment(&app, r.at), r.examples),
                    false,
                ));
            }
            Some(r) => {
                let text = format!("{}: not as expected: {}", moment(&app, r.at), r.failing.join(", "));
                rules.push(row("Last self-check", text, true));
            }
        }
        if let Some(r) = told.rehearsal.as_ref().filter(|r| !r.without.is_empty()) {
            rules.push(row(
                "Without examples",
                format!("whether these limits still fire is not known: {}", r.without.join(", ")),
                true,
            ));
        }
        if let Some(not) = &told.not_taken {
            let text =
                format!("since {}: {}", moment(&app, not.since), not.problems.first().map_or("", String::as_str));
            rules.push(row("Files on disk are not in use", text, true));
        }
    }
    let mut groups = vec![Group { title: "Rules", rows: rules }];
    let mut data = vec![row("Program", PROGRAM.to_owned(), false)];
    data.extend(app.appraiser.formulary_told().map(|told| row("Formulary", told, false)));
    data.push(row(
        "Time zone",
        format!(
            "{}; the feeding day begins at {:02}:{:02}",
            app.settings.zone_name,
            app.settings.day_start / 3600,
            app.settings.day_start % 3600 / 60
        ),
        false,
    ));
    let faults = app.panics();
    data.push(row("Faults since the start", faults.to_string(), faults > 0));
    data.extend(app.faults().into_iter().map(|(name, faults)| {
        let rests = if faults.rests { "; it has not begun again yet" } else { "; it was begun again" };
        let text =
            format!("{name}: ended by a fault {} times, last {}{rests}", faults.times, moment(&app, faults.last));
        row("In the background", text, true)
    }));
    groups.push(Group { title: "Program and data", rows: data });
    let counts = app.appraised.shown();
    let total: u64 = counts.iter().map(|(_, n)| n).sum();
    let since = if total == 0 {
        "none: no order was sent to the FHIR operations since the start".to_owned()
    } else {
        total.to_string()
    };
    let mut orders = vec![row("Inputs since the start", since, false)];
    orders.extend(counts.into_iter().map(|(name, n)| {
        let name = match name {
            "clear" => "nothing found",
            "not-fully-checked" => "not fully checked",
            other => other,
        };
        row(name, n.to_string(), false)
    }));
    groups.push(Group { title: "FHIR operations", rows: orders });
    groups.push(Group { title: "Queue", rows: queue(&app, now).await });
    if let Some(notices) = &app.doors.notices {
        groups.push(Group { title: "Who is told of changes", rows: told(&app, notices).await });
    }
    let reached = match &app.doors.gate {
        Some(_) => row("Callers", "each is known by a token".to_owned(), false),
        None => {
            row("Callers", "not told apart: everybody on this machine may call; no other machine can".to_owned(), false)
        }
    };
    let trail = match &app.doors.trail {
        Some(trail) => trail.told(|at| moment(&app, at)),
        None => (
            "none (no --audit): who was shown lists of orders, and who called, is not noted; who opened an order stands in the order's own history".to_owned(),
            false,
        ),
    };
    let trail = row("Audit trail", trail.0, trail.1);
    let tls = if app.doors.certificates.is_some() { "TLS" } else { "plain HTTP, on this machine only" };
    groups.push(Group {
        title: "How it is reached",
        rows: vec![reached, row("Connections", tls.to_owned(), false), trail],
    });
    let found = match &app.doors.notices {
        Some(notices) => letters::rows(&app, notices, signed.as_ref()).await,
        None => Ok(Vec::new()),
    };
    let (letters, letters_unknown) = match found {
        Ok(rows) => (rows, None),
        Err(why) => (Vec::new(), Some(why)),
    };
    let now = moment(&app, now);
    let first_among_letters = letters.iter().any(|row| row.first);
    let state = Page { chrome, ready, ready_text, now, groups, letters, first_among_letters, letters_unknown, admin };
    page(StatusCode::OK, &state)
}

async fn told(app: &App, notices: &Notices) -> Vec<(String, String, bool)> {
    let declared = notices.subscribers();
    let mut rows: Vec<(String, String, bool)> = Vec::new();
    if let Some((since, problems)) = notices.not_taken() {
        let first = problems.first().map_or("", String::as_str);
        let text = format!("since {}: {first}", moment(app, since));
        rows.push(("The file on disk is not in use".to_owned(), text, true));
    }
    if notices.count().await.is_err() {
        let unknown = "not known now: the store cannot be read".to_owned();
        rows.extend(declared.list.iter().map(|one| (one.id.clone(), unknown.clone(), true)));
        return rows;
    }
    let row = |one: &Subscriber| {
        let known = notices.known(&one.id);
        let mut text = match known.status() {
            Status::Active => "told of everything".to_owned(),
            Status::Requested => "has not answered its first message yet".to_owned(),
            Status::Error => known.error().unwrap_or_default(),
        };
        let _ = write!(text, "; {} events so far", known.events);
        if let Some(oldest) = notices.oldest(&one.id) {
            let _ = write!(text, "; the oldest that waits is of {}", moment(app, oldest));
        }
        (one.id.clone(), text, known.status() == Status::Error)
    };
    rows.extend(declared.list.iter().map(row));
    rows.extend(notices.left().into_iter().map(|(id, known)| {
        let text = format!(
            "not declared, so it is told nothing; {} messages wait for it and {} are dead letters",
            known.waiting, known.dead
        );
        (id, text, true)
    }));
    if rows.is_empty() {
        rows.push(("Subscribers".to_owned(), "none: nobody is told".to_owned(), false));
    }
    rows
}

pub(in crate::http) async fn queue(app: &App, now: Timestamp) -> Vec<(String, String, bool)> {
    let row = |name: &str, value: String, bad: bool| (name.to_owned(), value, bad);
    let Some(store) = &app.doors.store else {
        return vec![row("Store", "none: nothing is kept, and there is no queue".to_owned(), false)];
    };
    let health = store.health();
    let mut out = vec![row("Store", health.kind.clone(), false)];
    match (&health.trouble, health.since) {
        (Some(trouble), since) => {
            let since = since.map_or_else(String::new, |at| format!(" since {}", moment(app, at)));
            out.push(row("Trouble", format!("{trouble}{since}"), true));
        }
        (None, _) => out.push(row("Trouble", "none: the last write and the last look worked".to_owned(), false)),
    }
    if health.waiting > 0 {
        out.push(row("Wait to be recorded", health.waiting.to_string(), true));
    }
    if health.lost > 0 {
        out.push(row("Could not be recorded", health.lost.to_string(), true));
    }
    if let Some(last) = &health.last_refused {
        out.push(row("Refused by the store", format!("{}, not on the queue; the last: {last}", health.refused), true));
    }
    if let Some(last) = &health.last_damaged {
        out.push(row("Cannot be read", format!("{} orders on the queue, one of them: {last}", health.damaged), true));
    }
    if health.clear_waiting > 0 {
        out.push(row(
            "Clear orders that wait to take an earlier content off the queue",
            health.clear_waiting.to_string(),
            true,
        ));
    }
    if health.clear_lost > 0 {
        let text = format!("{}; an earlier content of them may still be on the queue", health.clear_lost);
        out.push(row("Clear orders that could not take their place", text, true));
    }
    if let Some(spool) = &health.spool {
        let aside = spool.damaged + spool.refused + spool.gone;
        let (text, bad) = match (&spool.trouble, aside) {
            (Some((since, why)), _) => {
                (format!("cannot be written since {}: {why}; what waits is in memory alone", moment(app, *since)), true)
            }
            (None, 0) if !spool.is_well() => (
                format!(
                    "{} orders; {} files cannot be read now, {} cannot be removed",
                    spool.orders, spool.unread, spool.unremoved
                ),
                true,
            ),
            (None, 0) => (format!("{} orders", spool.orders), spool.orders > 0),
            (None, _) => (
                format!(
                    "{} orders; files whose orders are not on the queue: {} not whole, {} refused, {} gone",
                    spool.orders, spool.damaged, spool.refused, spool.gone
                ),
                true,
            ),
        };
        out.push(row("Spool", text, bad));
    }
    let counts = store.counts(now).await;
    let (last, quiet) = super::queue::last_received(app, &**store, counts.as_ref().ok(), now);
    out.push(row("Last order received", last, quiet));
    match counts {
        Ok(counts) => {
            out.push(row(
                "Open",
                format!("{}, of which {} not fully checked", counts.open, counts.not_fully_checked),
                false,
            ));
            out.extend(counts.oldest.map(|at| row("Waits longest", format!("since {}", moment(app, at)), false)));
        }
        Err(why) => out.push(row("Open", why.to_string(), true)),
    }
    out
}
