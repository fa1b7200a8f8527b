//! Every route on one page.

use super::form_search::by_form;
use super::gate::{Need, gate};
use super::refusal::Refusal;
use super::stack::stack;
use super::{App, definitions, history, hooks, metrics, operations, pages, subscriptions, tasks};
use crate::access::scope;
use axum::Router;
use axum::extract::rejection::RawPathParamsRejection;
use axum::extract::{RawPathParams, Request};
use axum::middleware::{Next, from_fn, from_fn_with_state};
use axum::response::{IntoResponse, Response};
use axum::routing::{MethodRouter, delete, get, post, put};
use std::sync::Arc;

/// One route: method, path as in the OpenAPI description, what it asks of its callers, handler.
pub type Route = (&'static str, &'static str, Need, MethodRouter<Arc<App>>);

/// All routes. The router is built from this list, and a test holds `openapi.json` against it.
pub fn table() -> Vec<Route> {
    let validate = Need::Order(scope::Need::Validate);
    let appraise = Need::Order(scope::Need::Appraise);
    let batch = Need::Order(scope::Need::Batch);
    let subscribers = Need::Order(scope::Need::SearchSubscriptions);
    let subscriber = Need::Order(scope::Need::ReadSubscription);
    vec![
        ("GET", "/", Need::Open, get(pages::home)),
        ("GET", "/assets/{name}", Need::Open, get(pages::assets::asset)),
        ("GET", "/keys", Need::Open, get(pages::keys)),
        ("GET", "/sign-in", Need::Open, get(pages::sign_in::show)),
        ("POST", "/sign-in", Need::Open, post(pages::sign_in::sign_in)),
        ("GET", "/sign-in/begin", Need::Open, get(pages::sign_in::begin)),
        ("GET", "/sign-in/answer", Need::Open, get(pages::sign_in::answer)),
        ("POST", "/sign-out", Need::Open, post(pages::sign_in::sign_out)),
        ("GET", "/queue", Need::Person, get(pages::queue::list)),
        ("GET", "/queue/events", Need::Person, get(pages::queue::events)),
        ("POST", "/queue/views", Need::Person, post(pages::queue::keep_view)),
        ("GET", "/queue/{id}", Need::Person, get(pages::queue::one)),
        ("POST", "/queue/{id}", Need::Person, post(pages::queue::act)),
        ("GET", "/try", Need::Page, get(pages::try_out::show)),
        ("POST", "/try", Need::Page, post(pages::try_out::work_out)),
        ("GET", "/rules", Need::Page, get(pages::rules::list)),
        ("GET", "/rules/{id}", Need::Page, get(pages::rules::one)),
        ("GET", "/state", Need::Page, get(pages::state::state)),
        ("GET", "/state/letters/{id}", Need::Page, get(pages::letters::list)),
        ("POST", "/state/letters/{id}", Need::Admin, post(pages::letters::send_again)),
        ("GET", "/state/letters/{id}/discard", Need::Admin, get(pages::letters::confirm)),
        ("POST", "/state/letters/{id}/discard", Need::Admin, post(pages::letters::discard)),
        ("GET", "/livez", Need::Open, get(pages::alive)),
        ("GET", "/readyz", Need::Open, get(pages::ready)),
        ("GET", "/metrics", Need::Metrics, get(metrics::metrics)),
        ("GET", "/openapi.json", Need::Open, get(pages::openapi)),
        ("GET", "/demo/orders/{name}", Need::Open, get(pages::sample)),
        ("GET", "/cds-services", Need::Open, get(hooks::discovery)),
        ("POST", "/cds-services/{id}", Need::Hooks, post(hooks::call)),
        ("POST", "/cds-services/{id}/feedback", Need::Hooks, post(hooks::feedback)),
        ("POST", "/fhir/{version}", batch, post(operations::batch)),
        ("GET", "/fhir/{version}/metadata", Need::Open, get(definitions::metadata)),
        ("POST", "/fhir/{version}/$validate", validate, post(operations::validate)),
        ("POST", "/fhir/{version}/Bundle/$validate", validate, post(operations::validate_bundle)),
        ("POST", "/fhir/{version}/NutritionOrder/$validate", validate, post(operations::validate_order)),
        ("POST", "/fhir/{version}/NutritionOrder/{id}/$validate", validate, post(operations::validate_instance)),
        ("POST", "/fhir/{version}/NutritionOrder/$appraise", appraise, post(operations::appraise_order)),
        ("GET", "/fhir/{version}/Task", Need::Order(scope::Need::SearchTasks), get(tasks::tasks)),
        ("POST", "/fhir/{version}/Task/_search", Need::Order(scope::Need::SearchTasks), by_form(tasks::tasks)),
        ("GET", "/fhir/{version}/Task/{id}", Need::Order(scope::Need::ReadTask), get(tasks::one_task)),
        ("GET", "/fhir/{version}/DetectedIssue", Need::Order(scope::Need::SearchIssues), get(tasks::issues)),
        (
            "POST",
            "/fhir/{version}/DetectedIssue/_search",
            Need::Order(scope::Need::SearchIssues),
            by_form(tasks::issues),
        ),
        ("GET", "/fhir/{version}/DetectedIssue/{id}", Need::Order(scope::Need::ReadIssue), get(tasks::one_issue)),
        ("GET", "/fhir/{version}/Provenance", Need::Order(scope::Need::SearchProvenance), get(history::provenances)),
        (
            "POST",
            "/fhir/{version}/Provenance/_search",
            Need::Order(scope::Need::SearchProvenance),
            by_form(history::provenances),
        ),
        (
            "GET",
            "/fhir/{version}/Provenance/{id}",
            Need::Order(scope::Need::ReadProvenance),
            get(history::one_provenance),
        ),
        ("GET", "/fhir/{version}/AuditEvent", Need::Order(scope::Need::SearchAuditEvents), get(history::audit_events)),
        (
            "POST",
            "/fhir/{version}/AuditEvent/_search",
            Need::Order(scope::Need::SearchAuditEvents),
            by_form(history::audit_events),
        ),
        (
            "GET",
            "/fhir/{version}/AuditEvent/{id}",
            Need::Order(scope::Need::ReadAuditEvent),
            get(history::one_audit_event),
        ),
        ("GET", "/fhir/{version}/Subscription", subscribers, get(subscriptions::search)),
        ("POST", "/fhir/{version}/Subscription/_search", subscribers, by_form(subscriptions::search)),
        ("POST", "/fhir/{version}/Subscription", subscribers, post(subscriptions::declared_only)),
        ("GET", "/fhir/{version}/Subscription/{id}", subscriber, get(subscriptions::read)),
        ("PUT", "/fhir/{version}/Subscription/{id}", subscriber, put(subscriptions::declared_only)),
        ("DELETE", "/fhir/{version}/Subscription/{id}", subscriber, delete(subscriptions::declared_only)),
        ("GET", "/fhir/{version}/Subscription/{id}/$status", subscriber, get(subscriptions::status)),
        ("GET", "/fhir/{version}/Subscription/{id}/$events", subscriber, get(subscriptions::events)),
        ("GET", "/fhir/{version}/SubscriptionTopic", Need::Open, get(subscriptions::search_topics)),
        ("POST", "/fhir/{version}/SubscriptionTopic/_search", Need::Open, by_form(subscriptions::search_topics)),
        ("GET", "/fhir/{version}/SubscriptionTopic/{id}", Need::Open, get(subscriptions::read_topic)),
        ("GET", "/fhir/{version}/OperationDefinition/{id}", Need::Open, get(definitions::operation)),
        ("GET", "/fhir/{version}/StructureDefinition/{id}", Need::Open, get(definitions::structure)),
        ("GET", "/fhir/{version}/CodeSystem/{id}", Need::Open, get(definitions::code_system)),
    ]
}

/// Addresses that a listener for metrics and details has.
pub const ADMIN: [&str; 3] = ["/livez", "/readyz", "/metrics"];

/// The router of the public listener, with its stack.
pub fn router(app: Arc<App>) -> Router {
    let own = app.doors.admin;
    let routes = table().into_iter().filter(|(_, _, need, _)| !(own && *need == Need::Metrics));
    let batch = guarded(&app, Need::Order(scope::Need::Batch), post(operations::batch));
    let router = routes
        .fold(Router::new(), |router, (_, path, need, handler)| router.route(path, guarded(&app, need, handler)))
        // Clients that join a base and an empty path.
        .route("/fhir/{version}/", batch);
    finished(router, app)
}

/// The router of the listener for metrics and details; its callers need `tokens` where others could reach it.
pub fn admin(app: Arc<App>, tokens: bool) -> Router {
    let routes = table().into_iter().filter(|(_, path, ..)| ADMIN.contains(path));
    let need = if tokens { Need::Metrics } else { Need::Open };
    let router = routes.fold(Router::new(), |router, (_, path, _, handler)| {
        // What is at `/readyz` here tells of files, so it is guarded like the metrics.
        let handler = if path == "/readyz" { get(pages::ready_in_detail) } else { handler };
        let need = if path == "/livez" { Need::Open } else { need };
        router.route(path, guarded(&app, need, handler))
    });
    finished(router, app)
}

/// The handler behind the gate, where there is one and the route asks for something.
fn guarded(app: &Arc<App>, need: Need, handler: MethodRouter<Arc<App>>) -> MethodRouter<Arc<App>> {
    let handler = handler.route_layer(from_fn(in_words));
    match need {
        Need::Open => return handler,
        Need::Page if app.doors.gate.is_none() => return handler,
        Need::Page | Need::Person | Need::Admin => {
            return handler.route_layer(from_fn_with_state((app.clone(), need), pages::signed_in));
        }
        _ if app.doors.gate.is_none() => return handler,
        _ => {}
    }
    handler.route_layer(from_fn_with_state((app.clone(), need), gate))
}

fn finished(router: Router<Arc<App>>, app: Arc<App>) -> Router {
    router
        .fallback(nothing_here)
        .method_not_allowed_fallback(wrong_method)
        .layer(from_fn_with_state(app.clone(), stack))
        .with_state(app)
}

/// What an address names has to be text: refused here as everything else is, before a handler would refuse it in words of its own.
async fn in_words(named: Result<RawPathParams, RawPathParamsRejection>, request: Request, next: Next) -> Response {
    match named {
        Ok(_) => next.run(request).await,
        Err(_) => Refusal::Unreadable("value", "The address is not valid percent-encoded UTF-8.".to_owned(), None)
            .into_response(),
    }
}

async fn nothing_here() -> Refusal {
    Refusal::NotFound(
        "Nothing is at this address. GET / says what this service offers, GET /openapi.json describes it.".to_owned(),
    )
}

async fn wrong_method() -> Refusal {
    Refusal::MethodNotAllowed
}
