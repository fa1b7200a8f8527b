//! The queue as people work it: a list, an order, what they do, and what changes while they look.

mod act;
mod events;
mod filters;
mod list;
mod order;
mod since;
mod views;
mod work;

pub use act::act;
pub use events::events;
#[cfg(test)]
pub(in crate::http) use list::banner;
pub(in crate::http) use list::last_received;
pub use list::list;
pub use order::one;
pub use views::keep_view;
pub use work::{Typed, Work};

use super::html::{Chrome, message};
use super::people::{People, Signed};
use crate::http::App;
use crate::queue::Lane;
use crate::store::{Store, Unavailable};
use axum::response::Response;
use http::StatusCode;
use std::sync::Arc;

type Entered<'a> = (Signed, &'a Arc<dyn Store>, &'a People);

/// Whoever sees orders, the store and the people; a page that says why not.
fn entered(app: &App, signed: Option<Signed>) -> Result<Entered<'_>, Box<Response>> {
    let (Some(store), Some(people), Some(signed)) = (&app.doors.store, &app.doors.people, signed) else {
        let text = vec!["This service keeps nothing, so there is no queue.".to_owned()];
        let chrome = Chrome::new(app, "No queue", "queue", None);
        return Err(Box::new(message(StatusCode::NOT_FOUND, chrome, "No queue", text, Some(("/", "Start page")))));
    };
    Ok((signed, store, people))
}

fn lane_name(lane: Lane) -> &'static str {
    match lane {
        Lane::Pharmacist => "Pharmacist",
        Lane::Dietitian => "Dietitian",
    }
}

fn count(n: u64, one: &str) -> String {
    if n == 1 { format!("1 {one}") } else { format!("{n} {one}s") }
}

fn no_such(app: &App, signed: &Signed) -> Response {
    let text =
        vec!["There is no such order on the queue, or it is past the time for which orders are kept.".to_owned()];
    let chrome = Chrome::new(app, "No such order", "queue", Some(signed));
    message(StatusCode::NOT_FOUND, chrome, "No such order", text, Some(("/queue", "Back to the queue")))
}

/// Why an order cannot be shown: it is damaged itself, or the store does not answer.
fn not_shown(app: &App, signed: &Signed, why: &Unavailable) -> Response {
    let Unavailable::DamagedItem(damage) = why else { return unavailable(app, signed, &why.to_string()) };
    let text = vec![
        format!("This order is on the queue, and what is kept of it cannot be read: {damage}."),
        "Nothing can be decided on it here. Look at the order where it was prescribed, and tell whoever looks after the service: `store verify` names it, and it comes back from a copy.".to_owned(),
    ];
    let chrome = Chrome::new(app, "This order cannot be read", "queue", Some(signed));
    // No fault of the program: it is not there now, as long as nobody mends it.
    let status = StatusCode::SERVICE_UNAVAILABLE;
    message(status, chrome, "This order cannot be read", text, Some(("/queue", "Back to the queue")))
}

/// Why a list is not shown: the audit trail has no entry of it.
fn not_noted(app: &App, signed: &Signed, why: &str) -> Response {
    let text = vec![
        format!("Who is shown which orders is noted first, and that is not possible now: {why}."),
        "Nothing is lost: orders wait on the queue. Tell whoever looks after the service; the page of an order that you know can still be opened.".to_owned(),
    ];
    let chrome = Chrome::new(app, "The list is not shown", "queue", Some(signed));
    let state = Some(("/state", "State of the service"));
    message(StatusCode::SERVICE_UNAVAILABLE, chrome, "The list is not shown", text, state)
}

fn unavailable(app: &App, signed: &Signed, why: &str) -> Response {
    let text = vec![format!("The store does not answer now: {why}. Nothing was done.")];
    let chrome = Chrome::new(app, "Not possible now", "queue", Some(signed));
    message(StatusCode::SERVICE_UNAVAILABLE, chrome, "Not possible now", text, Some(("/queue", "Back to the queue")))
}
